"""How often the printed ± holds the truth where every effect is drawn: ``python -m tests.accuracy --coverage 800``.

Each trial is simulated, written, prepared and reduced as a user's would be, without drawing the report. Its bands are
held against what the boat settles at (`trialcapture.rehearse.truth.tell_settled`) at the engine speed the row states,
and the printed ± against what an oracle would print (`tests.accuracy.oracle`).
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import traceback
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from tests.accuracy.effects import FACTORS, Drawn, Level, draw
from tests.accuracy.oracle import oracle_halves
from tests.accuracy.tables import BEYOND, share_bound
from trialcapture.archive.manifest import hash_raw
from trialcapture.archive.notes import marks_of, read_notes
from trialcapture.archive.result_set import open_result_set
from trialcapture.archive.session import Session
from trialcapture.pipeline.preparing import prepare_trial
from trialcapture.pipeline.results import Results, compare_with_seal, reduce_prepared
from trialcapture.pipeline.reuse import FormerResults
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.write import write_session

QUANTITIES = {
    "speed": "speed_kn",
    "fuel": "fuel_l_per_h",
    "economy": "economy_nm_per_l",
    "range": "range_nm",
}
"""Quantities and their columns in the bands table; ``_u_`` in it for the uncertainty, ``<quantity>_k`` its factor."""
USUAL_K = 2.0
"""Coverage factor where the table has none."""
SAME_BAND_SHARE, SAME_BAND_RPM = 0.04, 30.0
"""A row is of the step nearest to it within this share, or so many rpm."""
ALL_LEAST, ALL_MOST = 0.92, 0.98
LEVEL_LEAST = 0.88
WIDTH_MOST = 1.3


@dataclass(frozen=True)
class Printed:
    """A printed value beside its truth.

    Attributes:
        band_rpm: Of the row.
        runs: Of the step, as run.
        ways: As the row states.
        error: Value less truth.
        half: The printed ±.
        oracle: The ± an oracle would print.
        truth: The true value.
    """

    band_rpm: float
    runs: int
    ways: int
    error: float
    half: float
    oracle: float
    truth: float

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.half


@dataclass
class Trial:
    """What one processed trial shows against its truth.

    Attributes:
        seed, levels: Which trial.
        values: Per quantity, one entry a band that has it.
        bands: True bands.
        missing: Those without a row.
        invented: Rows that are no band.
        crash: The last lines of what went wrong, "" for a trial that was processed.
    """

    seed: int
    levels: Mapping[str, Level]
    values: dict[str, list[Printed]] = field(default_factory=lambda: {name: [] for name in QUANTITIES})
    bands: int = 0
    missing: list[float] = field(default_factory=list)
    invented: list[float] = field(default_factory=list)
    crash: str = ""


def run(seed: int) -> Trial:
    """Simulate, process and compare the trial of a seed; whatever it raises becomes its `crash`."""
    drawn = draw(seed)
    trial = Trial(seed, drawn.levels)
    root = Path(tempfile.mkdtemp(prefix="trial-"))
    try:
        simulated = simulate(drawn.scenario, seed, errors=True)
        results = reduce_session(write_session(simulated, root / "session"))
        compare(trial, drawn, results, simulated)
    except Exception:  # noqa: BLE001  a crash of any kind is what is counted here
        trial.crash = "".join(traceback.format_exc().splitlines(keepends=True)[-8:])
    finally:
        shutil.rmtree(root, ignore_errors=True)
    return trial


def reduce_session(session: Session) -> Results:
    """Do what `trialcapture.pipeline.process` does, as far as the band table needs it: no report, nothing kept."""
    notes = read_notes(session)
    with threadpool_limits(limits=1, user_api="blas"), open_result_set(session.folder) as files:
        prepared = prepare_trial(session, session.config, marks_of(notes), lambda: {}, files)
        former, raw = FormerResults(session, {}), hash_raw(session.folder)
        seal = compare_with_seal(session, raw)
        return reduce_prepared(prepared, session, session.config, notes, raw, former, seal, files)


def compare(trial: Trial, drawn: Drawn, results: Results, simulated: SimulatedTrial) -> None:
    """Write into `trial` how the rows of the band table lie to the truth."""
    steps = simulated.truth["settled"]
    trial.bands = len(steps)
    unused = {row["band_rpm"]: row for row in results.bands.to_pylist()}
    used_s = _used_s(results, steps, simulated.start_utc_ns / 1e9)
    for step, oracle in zip(steps, oracle_halves(drawn, steps, used_s), strict=True):
        nearest = min(unused, key=lambda rpm: abs(rpm - step["rpm"]), default=None)
        limit = max(SAME_BAND_SHARE * step["rpm"], SAME_BAND_RPM)
        if nearest is None or abs(nearest - step["rpm"]) > limit:
            trial.missing.append(step["band_rpm"])
            continue
        row = unused.pop(nearest)
        for quantity, column in QUANTITIES.items():
            value, u = row[column], row[column.replace("_", "_u_", 1)]
            if value is None or u is None or not oracle:
                continue
            k = row.get(f"{quantity}_k")
            truth = true_value(step, column, row["rpm_mean"])
            trial.values[quantity].append(
                Printed(
                    step["band_rpm"], len(step["runs"]), row["ways"], value - truth, (USUAL_K if k is None else k) * u,
                    oracle[quantity], truth,
                )
            )  # fmt: skip
    trial.invented = sorted(unused)


def _used_s(results: Results, steps: Sequence[Mapping[str, Any]], start_s: float) -> dict[int, float]:
    """Return how long the legs in the table are of each run, by its number [s]; runs without a leg are left out."""
    legs = [(leg["start"].timestamp() - start_s, leg["duration_s"]) for leg in results.legs.to_pylist()]
    runs = [run for step in steps for run in step["runs"]]
    found = {run["number"]: sum(d for s, d in legs if run["start_s"] <= s + d / 2.0 < run["stop_s"]) for run in runs}
    return {number: duration_s for number, duration_s in found.items() if duration_s > 0.0}


def true_value(step: Mapping[str, Any], column: str, rpm: float) -> float:
    """Return what the boat settles at where the engine turns as a row states, by a parabola through nearby values."""
    at = np.array([entry["rpm"] for entry in step["nearby"]])
    values = np.array([entry[column] for entry in step["nearby"]])
    return float(np.polyval(np.polyfit(at - at[1], values, 2), rpm - at[1]))


def run_all(trials: int, jobs: int, first: int) -> list[Trial]:
    """Run so many trials, each of a seed of its own; how far it is goes to standard error."""
    found = []
    seeds = range(first, first + trials)
    with ProcessPoolExecutor(jobs) as pool:
        for n, trial in enumerate(pool.map(run, seeds), start=1):
            found.append(trial)
            if n % 20 == 0 or n == trials:
                print(f"{n} of {trials} trials", file=sys.stderr, flush=True)
    return found


# ------------------------------------------------------------------------------
# Tables and demands.
# ------------------------------------------------------------------------------


def _inside(trials: Sequence[Trial], quantity: str) -> list[list[bool]]:
    return [[value.inside for value in trial.values[quantity]] for trial in trials]


def _share(trials: Sequence[Sequence[bool]]) -> float | None:
    every = [hit for trial in trials for hit in trial]
    return float(np.mean(every)) if every else None


def _width(trials: Sequence[Trial], quantity: str) -> float | None:
    ratios = [v.half / v.oracle for trial in trials for v in trial.values[quantity]]
    return float(np.median(ratios)) if ratios else None


def demands(trials: Sequence[Trial]) -> list[tuple[str, bool, str]]:
    """Return each demand: what, whether it is met, and the figure that tells."""
    out = []
    for quantity in QUANTITIES:
        share = _share(_inside(trials, quantity))
        figure = "none" if share is None else f"{100 * share:.1f} %"
        out.append(
            (
                f"{quantity} inside the printed ±, 92 to 98 %",
                share is not None and ALL_LEAST <= share <= ALL_MOST,
                figure,
            )
        )
    for quantity in QUANTITIES:
        low = [
            f"{name}: {level}"
            for name, level, group in _groups(trials)
            if (bound := share_bound(_inside(group, quantity))) is not None and bound < LEVEL_LEAST
        ]
        out.append((f"{quantity}, levels whose 99 % bound lies below 88 %", not low, "; ".join(low) or "none"))
    for quantity in QUANTITIES:
        width = _width(trials, quantity)
        if width is not None:
            what = f"{quantity}, median printed ± over the oracle's, at most {WIDTH_MOST}"
            out.append((what, width <= WIDTH_MOST, f"{width:.2f}"))
    crashes = sum(bool(trial.crash) for trial in trials)
    out.append(("crashes", crashes == 0, str(crashes)))
    return out


def oracle_line(trials: Sequence[Trial]) -> str:
    """Return how often the errors lie inside the oracle's ±: 95 % where it is right, if the program measures as well.

    Fewer where the program makes less of the runs than could be made of them; more would say that the oracle is given
    too much room.
    """
    shares = []
    for quantity in QUANTITIES:
        values = [v for trial in trials for v in trial.values[quantity]]
        if values:
            inside = float(np.mean([abs(v.error) <= v.oracle for v in values]))
            shares.append(f"{quantity} {100 * inside:.1f} %")
    return f"Inside the oracle's own ±: {', '.join(shares)}."


def _groups(trials: Sequence[Trial]) -> list[tuple[str, Level, list[Trial]]]:
    return [
        (name, level, [trial for trial in trials if trial.levels[name] == level])
        for name, levels in FACTORS.items()
        for level in levels
    ]


def factor_table(trials: Sequence[Trial]) -> str:
    """Return one line a level of each factor in Markdown, all trials first."""
    head = ["factor", "level", "trials", "bands", "there"]
    for quantity in QUANTITIES:
        head += [f"{quantity} inside (99 % bound)", "± / oracle's"]
    rows = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for name, level, group in [("all", "", list(trials)), *_groups(trials)]:
        if not group:
            continue
        bands, missing = sum(t.bands for t in group), sum(len(t.missing) for t in group)
        cells = [name, str(level), str(len(group)), str(bands), f"{100 * (1 - missing / max(bands, 1)):.0f} %"]
        for quantity in QUANTITIES:
            inside = _inside(group, quantity)
            share, bound = _share(inside), share_bound(inside)
            width = _width(group, quantity)
            mark = "" if bound is None or bound >= LEVEL_LEAST else " FAIL"
            cells.append("-" if share is None or bound is None else f"{100 * share:.1f} % ({100 * bound:.0f}){mark}")
            cells.append("-" if width is None else f"{width:.2f}")
        rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows)


def details(trials: Sequence[Trial], tell: Callable[[str], None] = print) -> None:
    """Print every trial that crashed, lacks bands, invents some, or has a value beyond 1.5 times its ±."""
    for trial in trials:
        wrong = [
            f"{quantity} at {v.band_rpm:.0f} rpm {v.truth:.3f}: {v.error:+.3f} ± {v.half:.3f}, oracle's "
            f"{v.oracle:.3f} ({v.ways} ways, {v.runs} runs)"
            for quantity, values in trial.values.items()
            for v in values
            if abs(v.error) > BEYOND * v.half
        ]
        if wrong or trial.crash or trial.invented:
            levels = ", ".join(f"{name} {level}" for name, level in trial.levels.items())
            tell(f"seed {trial.seed}: {levels}")
            for text in wrong:
                tell(f"    {text}")
            if trial.invented or trial.missing:
                tell(f"    missing {trial.missing}, invented {trial.invented}")
            if trial.crash:
                tell(f"    {trial.crash}")


def as_json(trials: Sequence[Trial]) -> str:
    """Return all trials as JSON lines, for a closer look."""
    return "".join(
        json.dumps(
            {"seed": t.seed, "levels": dict(t.levels), "missing": t.missing, "invented": t.invented, "crash": t.crash,
             "values": {q: [v.__dict__ for v in values] for q, values in t.values.items()}}
        ) + "\n"
        for t in trials
    )  # fmt: skip
