"""Sound trials held against their truth: ``python -m tests.accuracy --seeds 20``.

Simulates each scenario with each seed, processes the session as a user would but for its pages, and compares the band
table, the segments and the clocks with the truth written beside the session. Prints one line a scenario.

``--coverage 200`` runs so many short trials over all scenarios and tells how often the true speed, fuel rate and
economy lie within the stated ±2u. Every trial draws its own receiver bias and fuel calibration error, which all its
bands share: trials are independent, bands are not, so the spread of a share is reckoned from trial to trial.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from tests.numbers import process_numbers
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import truth_path, write_session

QUANTITIES = {"speed": "speed_kn", "fuel": "fuel_l_per_h", "economy": "economy_nm_per_l"}


@dataclass(frozen=True)
class Reading:
    """One band's value beside its truth: engine speed, value minus truth, standard uncertainty, truth, ways."""

    band_rpm: float
    error: float
    u: float
    truth: float
    ways: int

    @property
    def z(self) -> float:
        """Error in stated standard uncertainties."""
        return self.error / self.u


@dataclass
class Outcome:
    """What one processed trial shows against its truth."""

    scenario: str
    seed: int
    bands_true: int = 0
    bands_missing: list[float] = field(default_factory=list)
    bands_invented: list[float] = field(default_factory=list)
    readings: dict[str, list[Reading]] = field(default_factory=lambda: {name: [] for name in QUANTITIES})
    """Per quantity of `QUANTITIES`."""
    clock_s: list[float] = field(default_factory=list)
    logs_lost: int = 0
    overlap_s: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Coverage:
    """How the errors of one quantity lie in their stated intervals.

    Attributes:
        trials, bands: How many were counted.
        share: Of bands whose truth lies within ±2u.
        share_sd: Standard error of that share, from trial to trial.
        rms_z: Root mean square of error over u; 1 where u is right.
        median_u: Median stated standard uncertainty, in the quantity's unit; for fuel and economy in %.
    """

    trials: int
    bands: int
    share: float
    share_sd: float
    rms_z: float
    median_u: float


def run(scenario: str, seed: int, folder: Path | None = None, *, short: bool = False, errors: bool = False) -> Outcome:
    """Simulate, process and compare one trial."""
    root = Path(tempfile.mkdtemp(prefix="trial-")) if folder is None else folder
    session = root / "session"
    try:
        write_session(simulate(scenario, seed, short=short, errors=errors), session)
        result = process_numbers(session)
        truth = json.loads(truth_path(session).read_text(encoding="utf-8"))
        return compare(scenario, seed, result, truth, session)
    finally:
        if folder is None:
            shutil.rmtree(root)


def run_short(scenario: str, seed: int) -> Outcome:
    """Simulate, process and compare one short trial with errors of its own."""
    return run(scenario, seed, short=True, errors=True)


def run_full(scenario: str, seed: int) -> Outcome:
    """Simulate, process and compare one whole trial with errors of its own."""
    return run(scenario, seed, errors=True)


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
        for name, column in QUANTITIES.items():
            value, u = row[column], row[column.replace("_", "_u_", 1)]
            if value is not None and band[column]:
                reading = Reading(nearest, value - band[column], u, band[column], row["ways"])
                outcome.readings[name].append(reading)
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


def cover(outcomes: Iterable[Outcome], quantity: str, *, one_way: bool = False) -> Coverage:
    """Return how often ±2u holds the truth of a quantity, over bands run both ways (or those run one way only)."""
    wanted = [[r for r in o.readings[quantity] if (r.ways == 1) == one_way] for o in outcomes]
    trials = [t for t in wanted if t]
    readings = [r for t in trials for r in t]
    if not readings:
        return Coverage(0, 0, np.nan, np.nan, np.nan, np.nan)
    z = np.array([r.z for r in readings])
    share = float(np.mean(np.abs(z) <= 2.0))
    # a share of bands is a ratio of sums over trials; its spread follows from each trial's surplus
    surplus = np.array([sum((abs(r.z) <= 2.0) - share for r in t) for t in trials])
    u = [r.u if quantity == "speed" else 100.0 * r.u / r.truth for r in readings]
    return Coverage(
        len(trials),
        len(readings),
        share,
        float(np.sqrt(np.sum(surplus**2))) / len(readings),
        float(np.sqrt(np.mean(z**2))),
        float(np.median(u)),
    )


def line(outcomes: Sequence[Outcome]) -> str:
    """Return one line of figures for the trials of one scenario."""
    speed = np.array([r.error for o in outcomes for r in o.readings["speed"]] or [np.nan])
    fuel = np.array([100.0 * r.error / r.truth for o in outcomes for r in o.readings["fuel"]] or [np.nan])
    clock = np.abs([c for o in outcomes for c in o.clock_s] or [np.nan])
    overlap = np.array([v for o in outcomes for v in o.overlap_s] or [np.nan])
    missing = sum(len(o.bands_missing) for o in outcomes)
    invented = sum(len(o.bands_invented) for o in outcomes)
    one_way = all(r.ways == 1 for o in outcomes for r in o.readings["speed"])
    known, burnt, economy = (cover(outcomes, name, one_way=one_way) for name in QUANTITIES)
    return (
        f"{outcomes[0].scenario:18s} {len(outcomes):3d} trials"
        f" | {speed.size:4d} bands, {missing} missing, {invented} invented"
        f" | speed rms {np.sqrt(np.mean(speed**2)):.3f} max {np.abs(speed).max():.3f} kn"
        f", {100 * known.share:.0f} % in ±2u (u {known.median_u:.3f})"
        f" | fuel max {np.abs(fuel).max():.2f} %, {100 * burnt.share:.0f} % in ±2u"
        f" | economy {100 * economy.share:.0f} % in ±2u"
        f" | log clock max {clock.max():.2f} s, {sum(o.logs_lost for o in outcomes)} lost"
        f" | overlap max {overlap.max():.1f} s, {100 * np.mean(overlap > 3):.1f} % over 3 s"
    )


def coverage_table(outcomes: Sequence[Outcome]) -> str:
    """Return a Markdown table of coverage: one row a scenario, and one over all bands run both ways."""
    rows = [
        "| scenario | trials | bands | speed in ±2u, rms z | fuel in ±2u, rms z | economy in ±2u, rms z |",
        "|---|---|---|---|---|---|",
    ]
    by_scenario = {
        name: list(group)
        for name, group in groupby(sorted(outcomes, key=lambda o: list(SCENARIOS).index(o.scenario)), _name)
    }
    groups = [*by_scenario.items(), ("all, both ways", list(outcomes))]
    rows += [_row(name, group, one_way=False) for name, group in groups if cover(group, "speed").bands]
    if cover(outcomes, "speed", one_way=True).bands:
        rows.append(_row("all, one way only", outcomes, one_way=True))
    return "\n".join(rows)


def _name(outcome: Outcome) -> str:
    return outcome.scenario


def _row(name: str, outcomes: Sequence[Outcome], *, one_way: bool) -> str:
    cells = []
    for quantity in QUANTITIES:
        found = cover(outcomes, quantity, one_way=one_way)
        unit = "kn" if quantity == "speed" else "%"
        digits = 3 if quantity == "speed" else 2
        cells.append(
            f"{100 * found.share:.0f} ± {200 * found.share_sd:.0f} %, {found.rms_z:.2f}"
            f" (u {found.median_u:.{digits}f} {unit})"
            if found.bands
            else "none recorded"
        )
    counted = cover(outcomes, "speed", one_way=one_way)
    return f"| {name} | {counted.trials} | {counted.bands} | {' | '.join(cells)} |"


def run_coverage(trials: int, first: int, scenarios: Sequence[str], jobs: int, *, full: bool = False) -> list[Outcome]:
    """Run so many trials, every scenario in turn, each with a seed of its own."""
    names = [scenarios[n % len(scenarios)] for n in range(trials)]
    seeds = [first + n // len(scenarios) for n in range(trials)]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(run_full if full else run_short, names, seeds))
