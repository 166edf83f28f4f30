"""How close the whole program comes to the truth of simulated trials: ``python -m tests.accuracy --seeds 20``.

Simulates each scenario with each seed, processes the session as a user would, and compares the band table, the
segments and the clocks with the truth written beside the session. Prints one line a scenario.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from trialcapture.pipeline import process
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import truth_path, write_session


@dataclass
class Outcome:
    """What one processed trial shows against its truth."""

    scenario: str
    seed: int
    bands_true: int = 0
    bands_missing: list[float] = field(default_factory=list)
    bands_invented: list[float] = field(default_factory=list)
    speed: list[tuple[float, float, float, int]] = field(default_factory=list)
    """Band rpm, speed error [kn], stated standard uncertainty [kn], ways."""
    fuel_pct: list[float] = field(default_factory=list)
    fuel_in_u: list[float] = field(default_factory=list)
    clock_s: list[float] = field(default_factory=list)
    logs_lost: int = 0
    overlap_s: list[float] = field(default_factory=list)


def run(scenario: str, seed: int, folder: Path | None = None, *, short: bool = False) -> Outcome:
    """Simulate, process and compare one trial."""
    root = Path(tempfile.mkdtemp(prefix="trial-")) if folder is None else folder
    session = root / "session"
    try:
        write_session(simulate(scenario, seed, short=short), session)
        result = process(session)
        truth = json.loads(truth_path(session).read_text(encoding="utf-8"))
        return compare(scenario, seed, result, truth, session)
    finally:
        if folder is None:
            shutil.rmtree(root)


def compare(scenario: str, seed: int, result: dict[str, Any], truth: dict[str, Any], session: Path) -> Outcome:
    """Compare the result of processing with the truth of the simulation."""
    outcome = Outcome(scenario, seed)
    rows = {r["band_rpm"]: r for r in result["bands"].to_pylist()}
    outcome.bands_true = len(truth["bands"])
    unused = dict(rows)
    for band in truth["bands"]:
        nearest = min(rows, key=lambda rpm: abs(rpm - band["band_rpm"]), default=None)
        if nearest is None or abs(nearest - band["band_rpm"]) > max(0.04 * band["band_rpm"], 30.0):
            outcome.bands_missing.append(band["band_rpm"])
            continue
        row = rows[nearest]
        unused.pop(nearest, None)
        outcome.speed.append((nearest, row["speed_kn"] - band["speed_kn"], row["speed_u_kn"], row["ways"]))
        if row["fuel_l_per_h"] is not None and band["fuel_l_per_h"]:
            error = row["fuel_l_per_h"] - band["fuel_l_per_h"]
            outcome.fuel_pct.append(100.0 * error / band["fuel_l_per_h"])
            outcome.fuel_in_u.append(error / row["fuel_u_l_per_h"])
    outcome.bands_invented = sorted(unused)
    clocks = {r["source"]: r for r in result["summary"]["clocks"]}
    for log in truth["engine_log"]:
        found = clocks.get(f"engine log {log['file']}")
        if found is None or found["offset_s"] is None:
            outcome.logs_lost += 1
        else:
            outcome.clock_s.append(found["offset_s"] - log["offset_s"])
    transients = [(_seconds(a), _seconds(b)) for a, b in truth["transients"]]
    segments = pq.read_table(session / "trialset" / "segments.parquet")
    for segment in segments.to_pylist():
        if segment["accepted"]:
            start, stop = segment["start"].timestamp(), segment["stop"].timestamp()
            outcome.overlap_s.append(sum(max(0.0, min(stop, b) - max(start, a)) for a, b in transients))
    return outcome


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def line(outcomes: Sequence[Outcome]) -> str:
    """Return one line of figures for the trials of one scenario."""
    speed = np.array([s for o in outcomes for s in o.speed], dtype=float).reshape(-1, 4)
    fuel = np.abs([f for o in outcomes for f in o.fuel_pct] or [np.nan])
    fuel_u = np.abs([f for o in outcomes for f in o.fuel_in_u] or [np.nan])
    clock = np.abs([c for o in outcomes for c in o.clock_s] or [np.nan])
    overlap = np.array([v for o in outcomes for v in o.overlap_s] or [np.nan])
    missing = sum(len(o.bands_missing) for o in outcomes)
    invented = sum(len(o.bands_invented) for o in outcomes)
    inside = np.mean(np.abs(speed[:, 1]) <= 2 * speed[:, 2]) if speed.size else np.nan
    return (
        f"{outcomes[0].scenario:18s} {len(outcomes):3d} trials"
        f" | {len(speed):4d} bands, {missing} missing, {invented} invented"
        f" | speed rms {np.sqrt(np.mean(speed[:, 1] ** 2)):.3f} max {np.abs(speed[:, 1]).max():.3f} kn"
        f", {100 * inside:.0f} % in ±2u (u {np.median(speed[:, 2]):.3f})"
        f" | fuel max {fuel.max():.2f} %, {100 * np.mean(fuel_u <= 2):.0f} % in ±2u"
        f" | log clock max {clock.max():.2f} s, {sum(o.logs_lost for o in outcomes)} lost"
        f" | overlap max {overlap.max():.1f} s, {100 * np.mean(overlap > 3):.1f} % over 3 s"
    )


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--details", action="store_true", help="print every band that is missing, invented or wrong")
    arguments = parser.parse_args()
    for scenario in arguments.scenario or list(SCENARIOS):
        seeds = range(arguments.first, arguments.first + arguments.seeds)
        with ProcessPoolExecutor(arguments.jobs) as pool:
            outcomes = list(pool.map(run, [scenario] * len(seeds), seeds))
        print(line(outcomes), flush=True)
        for o in outcomes if arguments.details else []:
            wrong = [s for s in o.speed if abs(s[1]) > 2 * s[2] or abs(s[1]) > 0.15]
            late = [round(v, 1) for v in o.overlap_s if v > 3]
            if o.bands_missing or o.bands_invented or wrong or late or o.logs_lost:
                print(f"  seed {o.seed}: missing {o.bands_missing}, invented {o.bands_invented}, wrong", end=" ")
                print([tuple(round(x, 3) for x in s) for s in wrong], f"overlaps {late}, logs lost {o.logs_lost}")


if __name__ == "__main__":
    main()
