"""Manoeuvres held against their truth: ``python -m tests.accuracy --manoeuvres 20``.

Each seed draws a boat's day: current, wind, the latency of the receiver, the lag of its speed filter, its noise, the
error of the compass and a receiver bias. It is run with the receiver at 1, 5 and 10 Hz, the latency declared in the
settings in three seeds of four. A row of ``manoeuvres.csv`` is inside where the truth lies within its printed ±.
"""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from tests.accuracy.tables import demand_table
from tests.numbers import process_numbers
from trialcapture.config import load_config
from trialcapture.reduce.summary import Manoeuvre, Summary
from trialcapture.rehearse.boats import Receiver
from trialcapture.rehearse.scenarios import SCENARIOS, Scenario
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.write import write_session

RATES_HZ = (1.0, 5.0, 10.0)
FIRST_SEED = 4001
"""Of the reported seeds; changes of the program were made on others."""
NEAR_S = 8.0
"""A row belongs to the true manoeuvre that began within so much of it."""
STEADY = ("turn steady diameter", "turn speed kept", "turn rate")
K = 2.0
QUICK = (5.0, 10.0)


@dataclass(frozen=True)
class Compared:
    """One true value of a manoeuvre, or a mean of two, and what was found of it."""

    seed: int
    rate_hz: float
    is_declared: bool
    kind: str
    to: str
    direction: str
    truth: float
    value: float | None
    u: float | None
    reason: str

    @property
    def is_inside(self) -> bool:
        """Whether the truth lies within the printed ±."""
        assert self.value is not None
        assert self.u is not None
        return abs(self.value - self.truth) <= K * self.u

    @property
    def family(self) -> str:
        """Kind, and what it ends at for accelerations."""
        return f"{self.kind} to {self.to}" if self.kind == "acceleration" else self.kind


def draw(seed: int, rate_hz: float) -> tuple[Scenario, bool]:
    """Return the scenario of a seed with a receiver of this rate, and whether its latency is declared."""
    rng = np.random.default_rng(seed)
    run = SCENARIOS["manoeuvres-small" if seed % 2 else "manoeuvres"]
    receiver = replace(
        Receiver(),
        source=run.receivers[0].source,
        rate_hz=rate_hz,
        latency_s=float(rng.uniform(0.05, 0.35)),
        smoothing_s=float(rng.choice([0.0, rng.uniform(0.1, 0.8)])),
        velocity_sd_kn=float(rng.uniform(0.04, 0.12)),
        position_sd_m=float(rng.uniform(0.6, 1.6)),
        forward_m=float(rng.uniform(-0.25, 0.25)) * run.boat.hull.length_m,
        starboard_m=float(rng.uniform(-0.15, 0.15)) * run.boat.hull.beam_m,
        sentences=("RMC", "GGA"),
        slow=(),
    )
    sea = replace(
        run.sea,
        current_kn=float(rng.uniform(0.0, 1.5)),
        current_towards_deg=float(rng.uniform(0.0, 360.0)),
        wind_kn=float(rng.uniform(0.0, 12.0)),
        wind_from_deg=float(rng.uniform(0.0, 360.0)),
    )
    instruments = replace(run.instruments, heading_error_deg=float(rng.uniform(0.3, 2.0)))
    return replace(run, receivers=(receiver,), sea=sea, instruments=instruments, vary=False), seed % 4 != 0


def with_latency(trial: SimulatedTrial) -> SimulatedTrial:
    """Return the trial with the latency of its receiver declared in the settings."""
    data = tomllib.loads(trial.config_text)
    receiver = trial.scenario.receivers[0]
    for source in data["source"]:
        if source["id"] == receiver.source:
            source["latency_s"] = round(receiver.latency_s, 3)
    text = tomli_w.dumps(data)
    return replace(trial, config_text=text, config=load_config(text))


def run(seed: int, rate_hz: float) -> list[Compared]:
    """Simulate, process and compare one trial."""
    scenario, is_declared = draw(seed, rate_hz)
    root = Path(tempfile.mkdtemp(prefix="manoeuvres-"))
    try:
        trial = simulate(scenario, seed, errors=True)
        if is_declared:
            trial = with_latency(trial)
        write_session(trial, root / "session")
        found: Summary = process_numbers(root / "session")["findings"]
        return compare(found, trial.truth["manoeuvres"], seed, rate_hz, is_declared)
    finally:
        shutil.rmtree(root)


def compare(
    found: Summary, truth: Sequence[dict[str, Any]], seed: int, rate_hz: float, is_declared: bool
) -> list[Compared]:
    """Return every true value with the row that was found of it, and every mean of ways with the mean of the truth."""
    rows = [m for measured in found.measures for m in measured.manoeuvres]
    out = []
    for true in truth:
        mine = [r for r in rows if _is_of(r, true)]
        best = next((r for r in mine if r.claimed), mine[0] if mine else None)
        out.append(
            Compared(
                seed, rate_hz, is_declared, true["kind"], true["to"], true["direction"], true["value"],
                best.value if best else None, best.u if best else None, best.reason if best else "not found",
            )
        )  # fmt: skip
    for row in (r for r in rows if r.direction == "both" and r.claimed):
        meant = [_of_course(truth, row, rows, course) for course in _courses(row)]
        if all(value is not None for value in meant):
            mean = float(np.mean([value for value in meant if value is not None]))
            out.append(Compared(seed, rate_hz, is_declared, row.kind, row.to, "both", mean, row.value, row.u, ""))
    return out


def _courses(row: Manoeuvre) -> list[str]:
    words = row.conditions.replace(",", " ").split()
    return [words[2], words[4]]


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _is_of(row: Manoeuvre, true: dict[str, Any]) -> bool:
    # where a turn is steady is found in the samples, and may differ by some degrees from where it truly is
    is_same = row.kind == true["kind"] and (row.to == true["to"] or row.kind in STEADY) and row.direction != "both"
    return is_same and abs(_seconds(row.start) - _seconds(true["start"])) <= NEAR_S


def _of_course(
    truth: Sequence[dict[str, Any]], mean: Manoeuvre, rows: Sequence[Manoeuvre], course: str
) -> float | None:
    """Return the truth of the row that a mean took on one course: the fastest start, or the mean of the stops."""
    mine = [
        r for r in rows
        if (r.kind, r.to, r.direction) == (mean.kind, mean.to, course) and r.value is not None
        and (not r.kind.startswith("stop") or r.conditions.split(" at ")[0].split(",")[0] in mean.conditions)
    ]  # fmt: skip
    if not mine:
        return None
    if mean.kind == "acceleration":
        mine = [min(mine, key=lambda r: r.value or 0.0)]
    elif mean.kind == "acceleration distance":
        times = [r for r in rows if (r.kind, r.to, r.direction) == ("acceleration", mean.to, course) and r.claimed]
        fastest = min(times, key=lambda r: r.value or 0.0)
        mine = [r for r in mine if r.start == fastest.start]
    values = [t["value"] for r in mine for t in truth if _is_of(r, t)]
    return float(np.mean(values)) if len(values) == len(mine) else None


def run_all(seeds: int, jobs: int, first: int = FIRST_SEED) -> list[Compared]:
    """Run every seed at every rate."""
    tasks = [(seed, rate) for seed in range(first, first + seeds) for rate in RATES_HZ]
    with ProcessPoolExecutor(jobs) as pool:
        return [c for found in pool.map(run, *zip(*tasks, strict=True)) for c in found]


def demands(found: Sequence[Compared]) -> list[tuple[str, bool, str]]:
    """Return each demand, whether it is met, and what was found."""
    claimed = [c for c in found if c.value is not None]
    single = [c for c in found if c.direction != "both"]
    share = np.mean([c.is_inside for c in claimed])
    families = {
        f: np.mean([c.is_inside for c in claimed if c.family == f]) for f in sorted({c.family for c in claimed})
    }
    worst = min(families, key=lambda f: float(families[f]))
    told = np.mean([c.value is not None for c in single])
    quick = [c for c in claimed if c.rate_hz in QUICK and c.is_declared]
    time_u = _median([c.u for c in quick if (c.kind, c.to) == ("acceleration", "20 kn")])
    return [
        ("inside the printed ±, all", bool(share >= 0.9), f"{100 * share:.1f} %, least 90 %"),
        ("inside, worst kind", bool(families[worst] >= 0.8), f"{worst} {100 * families[worst]:.1f} %, least 80 %"),
        ("median u of 0 to 20 kn, 5 and 10 Hz", bool(time_u <= 0.3), f"{time_u:.2f} s, at most 0.3 s"),
        *(
            (f"median u of {kind}, 5 and 10 Hz", bool(u <= 5.0), f"{u:.1f} %, at most 5 %")
            for kind in ("turn tactical diameter", "stop track reach")
            for u in [_median([100.0 * (c.u or 0.0) / (c.value or 1.0) for c in quick if c.kind == kind])]
        ),
        ("claimed, of what was driven", bool(told >= 0.9), f"{100 * told:.1f} %, least 90 %"),
    ]


def _median(values: Sequence[float | None]) -> float:
    """Return the median, nan of nothing: what was not seen meets no demand."""
    return float(np.median(values)) if values else float("nan")


def table(found: Sequence[Compared]) -> str:
    """Return kind by rate: how many were driven and claimed, inside their ±, and the median u."""
    lines = [
        "| kind | rate | driven | claimed | inside ± | rms z | median u | of the value |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for family in sorted({c.family for c in found}):
        for rate in RATES_HZ:
            mine = [c for c in found if c.family == family and c.rate_hz == rate]
            claimed = [c for c in mine if c.value is not None]
            if not claimed:
                lines.append(f"| {family} | {rate:.0f} Hz | {len(mine)} | 0 | - | - | - | - |")
                continue
            z = np.array([(c.value - c.truth) / c.u for c in claimed if c.value is not None and c.u is not None])
            u = np.median([c.u for c in claimed])
            part = np.median([100.0 * (c.u or 0.0) / abs(c.value or 1.0) for c in claimed])
            inside = 100.0 * np.mean([c.is_inside for c in claimed])
            lines.append(
                f"| {family} | {rate:.0f} Hz | {len(mine)} | {len(claimed)} | {inside:.0f} % | "
                f"{float(np.sqrt(np.mean(z**2))):.2f} | {u:.3g} | {part:.1f} % |"
            )
    return "\n".join(lines)


def report(found: Sequence[Compared]) -> str:
    """Return the demands and the table."""
    return f"{demand_table(demands(found))}\n\n{table(found)}"


def details(found: Sequence[Compared]) -> None:
    """Print what lies outside its ±, and what was driven and not claimed."""
    for c in found:
        if c.value is None:
            print(f"seed {c.seed} {c.rate_hz:.0f} Hz {c.family} {c.to} {c.direction}: not claimed, {c.reason}")
        elif not c.is_inside:
            found_ = f"{c.value:.2f} ± {K * (c.u or 0.0):.2f}, true {c.truth:.2f}"
            print(f"seed {c.seed} {c.rate_hz:.0f} Hz {c.family} {c.to} {c.direction}: {found_}")
