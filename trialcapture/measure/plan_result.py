"""The plan against the result: what became of every run and manoeuvre that was asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from trialcapture.config import Config, PlannedManoeuvre, TrialPlan, default_half_width_rpm
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.bands import band_half_width_rpm, join_names, rpm_name
from trialcapture.reduce.runs import read_numbers, read_times_ns
from trialcapture.reduce.summary import Findings, Manoeuvre, PlanCell, PlanComparison, PlanState, TrialWarning
from trialcapture.reduce.tables import warn
from trialcapture.reduce.uncertainty import FloatArray

FULL_THROTTLE_SHARE = 0.15
"""Full throttle may be this far from the engine speed planned for it: a loaded boat, or a propeller too large, holds
the engines down (common practice, no source)."""
OFF_LINE_DEG = 45.0
"""Runs further off the line of the plan than this were run on a line of their own (common practice, no source)."""
NOT_DRIVEN = ("lying still", "in neutral", "idling", "turning")
"""Limits that say what the boat was doing, not that a run on one course failed."""
_MEASURES: dict[PlannedManoeuvre, tuple[str, ...]] = {
    "acceleration": ("acceleration", "time_to_"),
    "turn": ("turn",),
    "stop": ("stop",),
}
"""What the names of the results that show a manoeuvre begin with."""
_SAID = {"slow_planing": "slow run through the planing threshold"}


@dataclass(frozen=True, slots=True)
class SignOff:
    """What a person says of a run that was left out.

    Attributes:
        step: As written: an engine speed, "full throttle", or the name of a manoeuvre.
        way: As written: a direction or a side; "" for every way that is open.
        reason: Why; without one nothing is signed off.
        by: Who.
    """

    step: str
    way: str
    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class NotedForPlan:
    """What people noted that has a part in the comparison.

    Attributes:
        sign_offs: In order of time.
        marks_ns: When the throttle was blipped [ns since 1970 UTC].
        sounds: How many sound levels were noted.
    """

    sign_offs: tuple[SignOff, ...]
    marks_ns: tuple[int, ...]
    sounds: int


class _Tried(NamedTuple):
    """Segments as the comparison needs them; rpm is that of the band a person put one into, where somebody did."""

    number: list[int]
    start_ns: list[int]
    rpm: FloatArray
    direction_deg: FloatArray
    duration_s: FloatArray
    accepted: list[bool]
    reason: list[str]
    run: list[int]
    band: list[str]


def compare_plan(
    config: Config, segments: pa.Table, legs: pa.Table, bands: pa.Table, findings: Findings, noted: NotedForPlan
) -> PlanComparison | None:
    """Return what became of every run and manoeuvre of the plan; None where there is none.

    A run belongs to the nearest step of the plan within the half width of a band. The last step, where it is full
    throttle, takes the highest engine speed held, if that is nearer to it than to the step below and within
    `FULL_THROTTLE_SHARE` of it. A way is a half plane about the line of the plan (without one, that of the first run);
    a step run on quite another line is judged by its own. Runs count once however many segments they were cut into.

    Args:
        config: Settings as used.
        segments: Accepted and refused, as people reviewed them.
        legs: `LEGS_SCHEMA`; an accepted segment that is in no band of the table does not count.
        bands: `BANDS_SCHEMA`.
        findings: Manoeuvres are looked for in its measures and slow runs.
        noted: By people.
    """
    plan = config.plan
    if plan is None:
        return None
    steps, half = planned_steps(config)
    tried = _tried(segments, legs)
    axis = plan.axis_deg % 360.0 if plan.axis_deg is not None else _first_way(tried)
    step_of = _find_steps(tried.rpm, tried.accepted, steps, half, plan.full_throttle)
    both_ways = {
        name for name, ways in zip(bands["band_name"].to_pylist(), bands["ways"].to_pylist(), strict=True) if ways == 2
    }
    cells: list[PlanCell] = []
    for k, rpm in enumerate(steps.tolist()):
        name = rpm_name(rpm)
        if plan.full_throttle and k == steps.size - 1:
            name += ", full throttle"
        cells += _step_cells(name, rpm, plan.ways_a_step, tried, np.flatnonzero(step_of == k), axis, both_ways)
    if not np.isfinite(tried.rpm).any():
        cells = [replace(cell, reason="the engine speed of no run is known") for cell in cells]
    if plan.marks:
        cells += _mark_cells(noted.marks_ns, tried)
    for wanted in plan.wanted(config.boat.planing):
        cells += _manoeuvre_cells(wanted, plan, findings, noted, axis)
    cells, unfit = _signed_off(cells, noted.sign_offs, half)
    used = {tried.band[i] for i in np.flatnonzero(step_of >= 0)}
    beside = [name for name in bands["band_name"].to_pylist() if name not in used]
    return PlanComparison(tuple(cells), axis, half, tuple(beside), tuple(unfit))


def planned_steps(config: Config) -> tuple[FloatArray, float]:
    """Return the engine speeds of the plan, or those of the bands [rpm], and how far off a run may be [rpm]."""
    told = (() if config.plan is None else config.plan.steps_rpm) or config.bands.steps_rpm
    steps = np.array(told, dtype=np.float64)
    return steps, band_half_width_rpm(config.bands) if config.bands.steps_rpm else _half_width(config, steps)


def find_step(config: Config, rpm: float) -> int | None:
    """Return the number of the step of the plan that a hold at an engine speed would belong to; None for none."""
    steps, half = planned_steps(config)
    if not steps.size or not np.isfinite(rpm):
        return None
    has_full_throttle = config.plan is not None and config.plan.full_throttle
    (found,) = _find_steps(np.array([rpm]), [True], steps, half, has_full_throttle).tolist()
    return None if found < 0 else int(found)


def _half_width(config: Config, steps: FloatArray) -> float:
    return config.bands.half_width_rpm or default_half_width_rpm(steps.tolist())


def _tried(segments: pa.Table, legs: pa.Table) -> _Tried:
    """Return the segments on one course, with run and band of those that are in the table."""
    in_table = dict(
        zip(
            legs["segment_id"].to_pylist(),
            zip(legs["run"].to_pylist(), legs["band_name"].to_pylist(), strict=True),
            strict=True,
        )
    )
    numbers = segments["segment_id"].to_pylist()
    heading, course = (read_numbers(segments, name) for name in ("heading_true_deg_mean", "cog_true_deg_mean"))
    label, rpm = read_numbers(segments, "relabelled_rpm"), read_numbers(segments, "rpm_mean")
    accepted = [bool(a) for a in segments["accepted"].to_pylist()]
    reasons = [str(reason or "") for reason in segments["reason"].to_pylist()]
    reasons = [
        "steady, and in no row of the table" if ok and number not in in_table else reason
        for ok, number, reason in zip(accepted, numbers, reasons, strict=True)
    ]
    kept = [i for i, reason in enumerate(reasons) if reason.split(":")[0] not in NOT_DRIVEN]
    starts = read_times_ns(segments, "start").tolist()
    return _Tried(
        number=[numbers[i] for i in kept],
        start_ns=[starts[i] for i in kept],
        rpm=np.where(np.isfinite(label), label, rpm)[kept],
        direction_deg=np.where(np.isfinite(heading), heading, course)[kept],
        duration_s=np.nan_to_num(read_numbers(segments, "duration_s"))[kept],
        accepted=[numbers[i] in in_table for i in kept],
        reason=[reasons[i] for i in kept],
        run=[in_table.get(numbers[i], (-1, ""))[0] for i in kept],
        band=[in_table.get(numbers[i], (-1, ""))[1] for i in kept],
    )


def _first_way(tried: _Tried) -> float | None:
    """Return the direction of the first accepted run [deg], whole degrees; None without one."""
    first = [i for i, ok in enumerate(tried.accepted) if ok and np.isfinite(tried.direction_deg[i])][:1]
    return None if not first else float(np.round(tried.direction_deg[first[0]]) % 360.0)


def _find_steps(
    rpm: FloatArray, accepted: Sequence[bool], steps: FloatArray, half_rpm: float, has_full_throttle: bool
) -> FloatArray:
    """Return the step of each segment, -1 for none."""
    apart = np.abs(rpm[:, None] - steps[None, :])
    apart = np.where(np.isfinite(apart), apart, np.inf)
    nearest = np.argmin(apart, axis=1) if steps.size else np.zeros(rpm.size, dtype=np.int64)
    found = np.where(apart.min(axis=1, initial=np.inf) <= half_rpm, nearest, -1)
    if not has_full_throttle or not steps.size:
        return np.asarray(found)
    last = steps.size - 1
    may_be = (nearest == last) & (apart[:, last] <= FULL_THROTTLE_SHARE * steps[last])
    if last and half_rpm < np.inf:
        may_be &= found != last - 1
    held = (
        may_be & np.array(accepted, dtype=np.bool_) if np.any(may_be & np.array(accepted, dtype=np.bool_)) else may_be
    )
    highest = np.max(rpm[held], initial=-np.inf)
    found = np.where(found == last, -1, found)
    return np.asarray(np.where(may_be & (rpm >= highest - half_rpm), last, found))


def _is_ahead(direction_deg: FloatArray, axis_deg: float) -> list[bool]:
    ahead: list[bool] = (np.abs(wrap_deg(direction_deg - axis_deg)) <= 90.0).tolist()
    return ahead


def _step_cells(
    name: str, rpm: float, ways: int, tried: _Tried, members: Any, axis: float | None, both_ways: set[str]
) -> list[PlanCell]:
    """Return the cells of one step."""
    known = [i for i in members.tolist() if np.isfinite(tried.direction_deg[i])]
    used = [i for i in known if tried.accepted[i]]
    line = axis
    if axis is not None and used:
        off = np.abs(wrap_deg(2.0 * (tried.direction_deg[used] - axis))) / 2.0
        if off.min() > OFF_LINE_DEG:
            line = float(np.round(tried.direction_deg[used[0]]) % 360.0)
    ahead = dict(zip(known, _is_ahead(tried.direction_deg[known], line or 0.0), strict=True))
    done: dict[bool, list[list[int]]] = {True: [], False: []}
    for i in used:
        runs = done[ahead[i]]
        if runs and tried.run[runs[-1][-1]] == tried.run[i]:
            runs[-1].append(i)
        else:
            runs.append([i])
    is_pair = any(tried.band[i] in both_ways for i in used)
    cells = []
    for way in range(ways):
        is_out, turn = way % 2 == 0, way // 2
        label = way_name(line, is_out, turn)
        runs = done[is_out] if ways > 1 else done[True] + done[False]
        other = done[not is_out]
        state: PlanState
        if turn < len(runs):
            legs, reason = runs[turn], ""
            state = "done"
            if ways > 1 and not other:
                state, reason = "half", f"nothing on {way_name(line, not is_out, 0)}"
            elif ways > 1 and not is_pair:
                state, reason = "half", "run both ways, but not as a pair that takes the current out"
        else:
            failed = [i for i in known if not tried.accepted[i] and (ways == 1 or ahead[i] == is_out)]
            failed.sort(key=lambda i: -tried.duration_s[i])
            legs = sorted(failed)
            state = "refused" if failed and not runs else "missing"
            reason = tried.reason[failed[0]] if state == "refused" else ""
            legs = legs if state == "refused" else []
        cells.append(PlanCell(name, rpm, label, state, reason, tuple(tried.number[i] for i in legs)))
    return cells


def way_name(axis_deg: float | None, is_out: bool, turn: int = 0) -> str:
    """Return what a way is called: "075°", the second time "075°, again"; without a line "one way"."""
    if axis_deg is None:
        name = "one way" if is_out else "the other way"
    else:
        name = f"{round(axis_deg + (0.0 if is_out else 180.0)) % 360:03d}°"
    return name + ("" if turn == 0 else ", again" if turn == 1 else f", run {turn + 1}")


def _mark_cells(marks_ns: Sequence[int], tried: _Tried) -> list[PlanCell]:
    """Return the cells of the throttle blips: some before the first run, and some after the last."""
    used = [t for t, ok in zip(tried.start_ns, tried.accepted, strict=True) if ok]
    first, last = (min(used), max(used)) if used else (None, None)
    before = bool(marks_ns) if first is None else any(t < first for t in marks_ns)
    after = first is not None and last is not None and any(t > last for t in marks_ns)
    return [
        PlanCell("marks", None, way, "done" if is_there else "missing", "", ())
        for way, is_there in (("before the runs", before), ("after the runs", after))
    ]


def _manoeuvre_cells(
    wanted: PlannedManoeuvre, plan: TrialPlan, findings: Findings, noted: NotedForPlan, axis: float | None
) -> list[PlanCell]:
    """Return the cells of one kind of manoeuvre."""
    name = _SAID.get(wanted, wanted)
    if wanted == "sound":
        return [PlanCell(name, None, "", "done" if noted.sounds else "missing", "", ())]
    if wanted == "slow_planing":
        seen = {way: [r for r in findings.slow_runs if r.way == way] for way in ("down", "up")}
        return [
            _cell(name, way, bool(runs), any(not r.reason for r in runs), [r.reason for r in runs])
            for way, runs in seen.items()
        ]
    measures = [measure for measure in findings.measures if measure.name.startswith(_MEASURES[wanted])]
    found = [m for measure in measures for m in measure.manoeuvres]
    unplaced = [m.reason for m in found if m.direction_deg is None and not m.direction]
    none = [measure.reason for measure in measures if not measure.claimed and not measure.manoeuvres]
    if wanted == "turn":
        ways: dict[str, Callable[[Manoeuvre], bool]] = {
            side: lambda m, side=side: side in (m.direction, *m.kind.split(), *m.conditions.split())  # type: ignore[misc]
            for side in ("port", "starboard")
        }
    elif plan.reciprocal:
        courses = [m.direction_deg for m in found if m.direction_deg is not None]
        line = axis if axis is not None else (courses[0] if courses else None)
        ways = {
            way_name(line, out): lambda m, out=out: (  # type: ignore[misc]
                m.direction_deg is not None
                and (abs(float(wrap_deg(np.array([m.direction_deg - (line or 0.0)]))[0])) <= 90.0) == out
            )
            for out in (True, False)
        }
    else:
        ways = {"": lambda _: True}
    cells = []
    for way, belongs in ways.items():
        own = [m for m in found if belongs(m)]
        why = [m.reason for m in own] or unplaced
        cell = _cell(name, way, bool(own or unplaced), any(m.claimed for m in own), why)
        cells.append(replace(cell, reason="; ".join(none)) if cell.state == "missing" else cell)
    if [cell.state for cell in cells].count("done") == 1 and len(cells) == 2:
        cells = [
            replace(cell, state="half", reason="one way only" if wanted != "turn" else "one side only")
            if cell.state == "done"
            else cell
            for cell in cells
        ]
    return cells


def _cell(name: str, way: str, is_seen: bool, is_claimed: bool, reasons: Sequence[str]) -> PlanCell:
    state: PlanState = "done" if is_claimed else "refused" if is_seen else "missing"
    told = "; ".join(dict.fromkeys(reason for reason in reasons if reason)) if state == "refused" else ""
    return PlanCell(name, None, way, state, told, ())


def _signed_off(
    cells: Sequence[PlanCell], sign_offs: Sequence[SignOff], half_rpm: float
) -> tuple[list[PlanCell], list[str]]:
    """Return the cells with those signed off that are open, and the sign-offs that fit no open cell."""
    made, unfit = list(cells), []
    for said in sign_offs:
        fits = [
            n
            for n, cell in enumerate(cells)
            if _same_step(said.step, cell, half_rpm)
            and _same_way(said.way, cell.way, [c.step for c in cells[: n + 1]].count(cell.step))
            and cell.state in OPEN
        ]
        what = " ".join(part for part in (said.step, said.way and f"on {said.way}") if part) or "nothing named"
        if not said.reason:
            unfit.append(f"{what} (no reason given)")
        elif not fits:
            unfit.append(what)
        else:
            by = f" ({said.by})" if said.by else ""
            for n in fits:
                made[n] = replace(cells[n], state="signed_off", reason=f"{said.reason}{by}")
    return made, unfit


OPEN: tuple[PlanState, ...] = ("missing", "refused")
"""States that a person may sign off."""


def _same_step(said: str, cell: PlanCell, half_rpm: float) -> bool:
    text = said.strip().lower().replace("_", " ")
    number = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:rpm)?", text)
    if number:
        return cell.step_rpm is not None and abs(float(number[1]) - cell.step_rpm) < max(half_rpm, 1.0) / 2.0
    names = {cell.step.lower(), *cell.step.lower().split(", ")}
    names |= {short.replace("_", " ") for short, long in _SAID.items() if long == cell.step}
    return bool(text) and (text in names or text.rstrip("s") in names)


def _same_way(said: str, way: str, place: int) -> bool:
    """Return whether a way was meant: by direction, by side, or by its place among those of its step, from 1."""
    text, own = said.strip().lower(), way.lower().split(",")[0]
    if not text or text == own or text.removesuffix(".0") == str(place):
        return True
    if text.removesuffix(".0") in ("1", "2", "3"):
        return False
    numbers = [re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:°|deg)?", part) for part in (text, own)]
    if numbers[0] and numbers[1]:
        apart = wrap_deg(np.array([float(numbers[0][1]) - float(numbers[1][1])]))
        return bool(abs(float(apart[0])) <= OFF_LINE_DEG)
    return text in ("stbd", own) and own in ("starboard", text)


# ------------------------------------------------------------------------------
# What is said of it.
# ------------------------------------------------------------------------------


def plan_warnings(found: PlanComparison | None, config: Config, bands: pa.Table) -> list[TrialWarning]:
    """Return what is to be said of the plan: what is open, what was signed off, and sign-offs that fit nothing.

    Where nobody wrote a plan, declared bands without a run are named: they are what the trial was to show.
    """
    if found is None:
        return _declared_and_not_run(config, bands)
    warnings = []
    if open_cells := found.of("missing", "refused"):
        warnings.append(warn("plan-open", "", f"{describe_open(open_cells)}."))
    if signed := found.of("signed_off"):
        warnings.append(warn("plan-signed-off", "", f"{_listed(signed, lambda c: c.reason)}."))
    if found.unfit:
        warnings.append(warn("plan-unfit", "", f"{'; '.join(found.unfit)}."))
    return warnings


def _declared_and_not_run(config: Config, bands: pa.Table) -> list[TrialWarning]:
    rpm, steps = read_numbers(bands, "rpm_mean"), np.array(config.bands.steps_rpm, dtype=np.float64)
    if config.bands.is_automatic or not np.isfinite(rpm).any():
        return []
    found = _find_steps(rpm, [True] * rpm.size, steps, band_half_width_rpm(config.bands), True)
    lacking = [rpm_name(step) for k, step in enumerate(steps.tolist()) if k not in found]
    return [warn("declared-not-run", join_names(lacking))] if lacking else []


def describe_open(cells: Sequence[PlanCell]) -> str:
    """Return "Missing: 1000 rpm both ways, turn to port. Refused: 1400 rpm on 255° (speed not settled)"."""
    parts = []
    if missing := [c for c in cells if c.state == "missing"]:
        parts.append(f"Missing: {_listed(missing, lambda c: c.reason)}")
    if refused := [c for c in cells if c.state == "refused"]:
        parts.append(f"Refused: {_listed(refused, lambda c: c.reason.split(':')[0])}")
    return ". ".join(parts)


def _listed(cells: Sequence[PlanCell], why: Callable[[PlanCell], str]) -> str:
    """Return cells as a list: the ways of a step together, and the steps that have ways and reason in common."""
    ways_of: dict[tuple[str, str], list[str]] = {}
    for cell in cells:
        ways_of.setdefault((cell.step, why(cell)), []).append(cell.way)
    groups: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for (step, reason), ways in ways_of.items():
        groups.setdefault((tuple(way for way in ways if way), reason), []).append(step)
    said = []
    for (named, reason), steps in groups.items():
        plain = [step for step in steps if step.endswith(" rpm")]
        others = [step for step in steps if step not in plain]
        what = "; ".join([*([join_names(plain)] if plain else []), *others])
        where = f" {'on ' if named[0][0].isdigit() else ''}{' and '.join(named)}" if named else ""
        said.append(f"{what}{where}{f' ({reason})' if reason else ''}")
    return "; ".join(said)
