"""Steady detection alone, on the samples of a processed session, beside the rolling deviation of a notebook.

    python -m tests.bench.steady SESSION

Prints seconds as JSON: medians of alternating runs in one warm process, reading left out.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd

from trialcapture.archive.session import open_session
from trialcapture.prepare.steady.criteria import Limits, Track
from trialcapture.prepare.steady.detection import find_steady

ROUNDS = 5
BLOCK = 2
"""Samples a block: detection works at 5 Hz of the 10 Hz grid."""


def measure(session: Path) -> dict[str, float]:
    """Return the time of our detection and of the rolling deviation [s], and the length of the session [h]."""
    config = open_session(session).config
    rpm_names = [f"rpm_{engine}" for engine in config.engine_ids]
    names = ["sog_kn", "heading_true_deg", *rpm_names]
    samples = pd.read_parquet(session / "trialset" / "samples.parquet", columns=names)
    took: dict[str, list[float]] = {"steady_s": [], "rolling_s": []}
    for _ in range(ROUNDS):
        began = time.perf_counter()
        whole = len(samples) // BLOCK * BLOCK
        sog, heading, *rpm = (samples[n].to_numpy()[:whole].reshape(-1, BLOCK) for n in names)
        track = Track(sog.mean(axis=1), np.stack([r.mean(axis=1) for r in rpm]), heading[:, 0], BLOCK / 10.0)
        found = find_steady(track, Limits(config.steady))
        took["steady_s"].append(time.perf_counter() - began)
        began = time.perf_counter()
        mean = samples[rpm_names].mean(axis=1)
        rolling = mean.rolling(300, center=True)
        mask = (rolling.std() < 0.015 * rolling.mean()) & (samples["sog_kn"].rolling(300, center=True).std() < 0.25)
        took["rolling_s"].append(time.perf_counter() - began)
    if not found or not mask.any():
        raise RuntimeError(f"nothing steady in {session}")
    return {name: median(times) for name, times in took.items()} | {"hours": len(samples) / 36_000}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("session", type=Path)
    print(json.dumps(measure(parser.parse_args().session)))


if __name__ == "__main__":
    main()
