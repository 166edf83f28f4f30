"""Whether the notebook and the program find the same speeds where they look at the same seconds.

    python -m tests.bench.agreement SESSION PEER_FOLDER

What is steady is a matter of method, so it is not compared: the notebook is given the accepted segments of the
program. Of each it takes the mean speed over ground from its own parsing of the RMC sentences, at the 10 Hz instants
of the segment; a band is the mean of its segments' means (``legs.csv`` says which). The program's side is the mean of
its samples at the same instants. An instant counts where both have a reading: where an RMC was damaged the notebook
can only interpolate, while the program has the VTG of the same fix, and a sentence that passes its checksum with
characters missing is read by the notebook and refused by the program. Both kinds are counted and told. That the
means in ``segments.parquet`` are those of the samples is checked over all instants.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pandas as pd

GOAL_KN = 1e-6


def compare(session: Path, peer: Path) -> dict[str, float]:
    """Return the largest differences [kn] by segment and by band, and what was compared."""
    segments = pd.read_parquet(session / "trialset" / "segments.parquet")
    segments = segments[segments["accepted"] & segments["sog_kn_mean"].notna()].set_index("segment_id")
    columns = ["t", "sog_kn", "velocity_age_s"]
    ours = pd.read_parquet(session / "trialset" / "samples.parquet", columns=columns).set_index("t")
    theirs = pd.read_parquet(peer / "samples.parquet", columns=["sog", "fix"]).sort_index()
    rows = []
    for number, start, stop in zip(segments.index, segments["start"], segments["stop"], strict=True):
        inside = ours.iloc[ours.index.searchsorted(start) : ours.index.searchsorted(stop)].join(theirs, how="left")
        read, seen = inside["velocity_age_s"] == 0, inside["fix"].fillna(value=False).astype(bool)
        both = inside[read & seen]
        rows.append(
            {
                "segment_id": number,
                "ours": both["sog_kn"].mean(),
                "peer": both["sog"].mean(),
                "all": inside["sog_kn"].mean(),
                "instants": len(inside),
                "only_ours": (read & ~seen).sum(),
                "only_peer": (seen & ~read).sum(),
            }
        )
    found = pd.DataFrame(rows).set_index("segment_id")
    legs = pd.read_csv(session / "reduction" / "legs.csv")
    bands = found.join(legs.set_index("segment_id")["band_rpm"], how="inner").groupby("band_rpm")[["ours", "peer"]]
    off, band_off = (found["ours"] - found["peer"]).abs(), bands.mean().diff(axis=1)["peer"].abs()
    return {
        "segments": len(off),
        "segment_kn": float(off.max()),
        "segments_above": int((~(off <= GOAL_KN)).sum()),
        "bands": len(band_off),
        "band_kn": float(band_off.max()),
        "bands_above": int((~(band_off <= GOAL_KN)).sum()),
        "table_kn": float((found["all"] - segments["sog_kn_mean"]).abs().max()),
        **{name: int(found[name].sum()) for name in ("instants", "only_ours", "only_peer")},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("session", type=Path)
    parser.add_argument("peer", type=Path)
    arguments = parser.parse_args()
    print(json.dumps(compare(arguments.session, arguments.peer)))


if __name__ == "__main__":
    main()
