"""The answers that stand at the top of the page and under the terminal table, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pyarrow as pa

from trialcapture.reduce.summary import (
    BestEconomy,
    FastestSeen,
    MeanThreshold,
    Measured,
    NamedBand,
    OneWayAsGood,
    PlanComparison,
    SlowestHeld,
    SlowestPlaning,
    Summary,
)
from trialcapture.report.band_table import ECONOMY, RANGE, SPEED, table_decimals
from trialcapture.report.format import (
    ReaderUnits,
    Scale,
    band_phrase,
    column_decimals,
    degrees,
    expanded,
    fixed,
    general,
    grouped,
    has_values,
    join_words,
    own_decimals,
    percent,
    plural,
    rounded_pair,
    sentence,
    words,
)


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer, ready to print.

    Attributes:
        label: What was asked.
        value: The number, "" where there is none.
        pm: Its ± at 95 %, "" where not known.
        unit: Its unit.
        others: The same in other units of the reader: number, ± and unit.
        lines: What it holds for; or why there is no answer.
    """

    label: str
    value: str = ""
    pm: str = ""
    unit: str = ""
    others: tuple[tuple[str, str, str], ...] = ()
    lines: tuple[str, ...] = ()


def answers(bands: pa.Table, summary: Summary, units: ReaderUnits) -> list[Answer]:
    """Return top speed, best economy on the plane and below it, and range with its reserve."""
    return [_top_speed(bands, summary, units), *_economies(bands, summary, units), _range(bands, summary, units)]


def _quantity(
    label: str, x: float, half_width: float | None, unit: str, lines: list[str], units: ReaderUnits,
    decimals: Callable[[Scale], int],
) -> Answer:  # fmt: skip
    """Return an answer in all units of the reader."""
    printed = [(*rounded_pair(s, x, half_width, decimals(s)), s.text) for s in units.scales(unit)]
    value, pm, text = printed[0]
    return Answer(label, value, pm, text, tuple(printed[1:]), tuple(lines if pm else [*lines, "± not known"]))


def _none(label: str, why: str) -> Answer:
    return Answer(label, lines=(why,))


_TOLD_BY = {
    "position": ("RMC", "GGA", "GLL", "GNS", "POSITION", "129025", "129029"),
    "speed": ("RMC", "VTG", "VELOCITY", "129026"),
    "heading": ("HDT", "HDG", "HDM", "THS", "127250"),
    "depth": ("DPT", "DBT", "DBS", "DBK", "128267"),
    "wind": ("MWD", "MWV", "VWR", "VWT", "MDA", "130306"),
    "log": ("VHW", "VBW", "128259"),
    "water": ("MTW", "MDA", "130310", "130311", "130312", "130316"),
    "rpm": ("RPM", "XDR", "ENGINE", "127488", "61444"),
    "fuel": ("XDR", "ENGINE", "127489", "65266"),
}
"""Sentences, and messages of a CAN bus (counted by parameter group), that tell a quantity."""
_IN_LOGS = ("rpm", "fuel")


def why_absent(summary: Summary, quantity: str) -> str:
    """Return "was not recorded" of what never came in, else that it came in and could not be used.

    Args:
        summary: The summary.
        quantity: One of `_TOLD_BY`.
    """
    types = [count for count in summary.counts if count.formatter in _TOLD_BY[quantity]]
    # XDR and ENGINE tell many things: whole sentences of them say nothing of this one
    if quantity in _IN_LOGS:
        types = [count for count in types if count.formatter not in ("XDR", "ENGINE")]
    came_in = sum(count.good + count.bad for count in types)
    if came_in:
        names = join_words(sorted({count.formatter for count in types}))
        return f"came in and could not be used ({grouped(came_in)} sentences of type {names})"
    logs = {c.source for c in summary.clocks if c.source.startswith("engine log") and not c.method}
    logs |= {c.source for c in summary.clocks if (c.quality or "").startswith("failed") and "log" in c.source}
    if quantity in _IN_LOGS and logs:
        return f"came in and could not be used ({join_words(sorted(logs))})"
    return "was not recorded"


def why_no_fuel(bands: pa.Table, summary: Summary) -> str:
    """Return why no band has an economy."""
    if bands.num_rows == 0:
        return "No steady stretch was accepted."
    if not has_values(bands, "fuel_l_per_h"):
        return f"Fuel flow {why_absent(summary, 'fuel')}."
    return "No band has both speed and fuel flow."


def _top_speed(bands: pa.Table, summary: Summary, units: ReaderUnits) -> Answer:
    found, seen = summary.top_speed, summary.fastest_seen
    if found is None:
        if seen is not None:
            return _none("Top speed", f"Not claimed. {fastest_seen(seen, units)}")
        why = "No steady stretch was accepted." if bands.num_rows == 0 else "No band has a speed."
        return _none("Top speed", why)
    lines = [_at_band(found)] if band_phrase(found) else []
    lines.append("both directions, current removed" if found.ways >= 2 else _ONE_WAY)
    lines += [found.rated] if found.rated else []
    half_width = expanded(found.speed_u_kn, found.speed_k)
    return _quantity("Top speed", found.speed_kn, half_width, "kn", lines, units, table_decimals(SPEED, bands))


_ONE_WAY = "one direction only: current not cancelled"


def fastest_seen(seen: FastestSeen, units: ReaderUnits) -> str:
    """Return "Fastest seen: 31.9 ± 0.8 kn at 3500 rpm on 074°; repeat at 3500 rpm on 254°."."""
    half_width = expanded(seen.u_kn, seen.k)
    text = f"Fastest seen: {units.measured(seen.speed_kn, half_width, 'kn', own_decimals(half_width, 1, 1))}"
    text += "" if seen.rpm is None else f" at {fixed(seen.rpm, 0)} rpm"
    text += "" if seen.heading_deg is None else f" on {degrees(seen.heading_deg)}"
    return f"{text}; {seen.missing}." if seen.missing else f"{text}."


def _economy_points(summary: Summary) -> list[tuple[str, BestEconomy | None]]:
    """Return place on the curve and point of each economy worth asking for.

    A boat stated not to plane is asked for one; so is one whose running regime could not be judged.
    """
    if not summary.boat.planing:
        return [("", summary.economy_displacement)]
    points = [("on the plane", summary.economy_planing), ("below planing", summary.economy_displacement)]
    if summary.economy_planing is None and summary.economy_between is not None:
        points.insert(1, (_BETWEEN, summary.economy_between))
    if all(point is None for _, point in points) and summary.economy_overall is not None:
        return [("", summary.economy_overall)]
    return points


WORTH_TELLING_SHARE = 0.001
"""A correction smaller than this is not told: it changes no printed digit (our choice)."""
_BETWEEN = "between displacing and planing"


def _economies(bands: pa.Table, summary: Summary, units: ReaderUnits) -> list[Answer]:
    found, places = [], table_decimals(ECONOMY, bands)
    for where, point in _economy_points(summary):
        label = f"Best economy {where}".strip()
        if point is None:
            no_fuel = not has_values(bands, "economy_nm_per_l")
            found.append(_none(label, why_no_fuel(bands, summary) if no_fuel else f"No band {where} was measured."))
            continue
        lines = [_where_on_curve(point, units)]
        if fixed(point.flat_to_kn, 1) != fixed(point.flat_from_kn, 1):
            lines.append(flat_interval(point, units))
        if point.at_edge:
            lines.append(f"at the end of the speeds run {where}".rstrip() + ": a better one may lie outside")
        share = point.corrected_by_nm_per_l / (point.economy_nm_per_l + point.corrected_by_nm_per_l)
        if share >= WORTH_TELLING_SHARE:
            lines.append(f"{fixed(100 * share, 1)} % less than its row: the highest of several is too high on average")
        if point.ways < 2:
            lines.append(_ONE_WAY)
        rival = point.one_way_as_good
        if rival is not None:
            run = _where_on_curve(rival, units).removeprefix("at ")
            lines.append(f"{run} run one way looks better, within its uncertainty")
        below = summary.economy_between
        if point is summary.economy_planing and below is not None and below.economy_nm_per_l > point.economy_nm_per_l:
            better = units.say(below.economy_nm_per_l, "nm/L", 3)
            lines.append(f"{_where_on_curve(below, units)}, {better}: whether she planes there was not shown")
        if not where and summary.boat.planing:
            lines.append("displacing or planing: could not be judged")
        half_width = expanded(point.economy_u_nm_per_l, point.economy_k)
        found.append(_quantity(label, point.economy_nm_per_l, half_width, "nm/L", lines, units, places))
    return found


def flat_interval(point: BestEconomy, units: ReaderUnits) -> str:
    """Return "21.0 to 24.5 kn are within 3 % of it"."""
    speeds = units.span(point.flat_from_kn, point.flat_to_kn, "kn", 1)
    return f"{speeds} are within {general(point.within_pct)} % of it"


def _at_band(band: NamedBand) -> str:
    """Return "at 1800 rpm", or which row it is where engine speed is unknown."""
    return f"{'row' if band.band_rpm is None else 'at'} {band_phrase(band)}"


def _where_on_curve(point: BestEconomy | OneWayAsGood, units: ReaderUnits) -> str:
    speed = units.say(point.speed_kn, "kn", 1)
    return f"at {band_phrase(point)}, {speed}" if band_phrase(point) else f"at {speed}"


def _range(bands: pa.Table, summary: Summary, units: ReaderUnits) -> Answer:
    points = _economy_points(summary)
    known = [(where, p, p.range_nm) for where, p in points if p is not None and p.range_nm is not None]
    if not known:
        if not has_values(bands, "economy_nm_per_l"):
            return _none("Range", why_no_fuel(bands, summary))
        if summary.fuel.capacity_l is None:
            return _none("Range", "The tank capacity was not stated.")
        return _none("Range", "No range could be formed.")
    where, point, range_nm = known[0]
    lines = [_where_on_curve(point, units)]
    for other, p, nm in known[1:]:
        said = units.measured(nm, expanded(p.range_u_nm, p.range_k), "nm", table_decimals(RANGE, bands))
        lines.append(f"{other}: {said} {_where_on_curve(p, units)}")
    lines.append(f"with {percent(summary.fuel.reserve_fraction)} kept in reserve")
    label = f"Range {where}".strip()
    half_width = expanded(point.range_u_nm, point.range_k)
    return _quantity(label, range_nm, half_width, "nm", lines, units, table_decimals(RANGE, bands))


def reserve_statement(summary: Summary, bands: pa.Table, units: ReaderUnits) -> str:
    """Return the sentence every printed range stands on: capacity, usable share, reserve and what is left to burn."""
    if not has_values(bands, "economy_nm_per_l"):
        why = why_no_fuel(bands, summary)
        return f"Range is not given: {why[0].lower()}{why[1:]}"
    fuel = summary.fuel
    if fuel.capacity_l is None:
        return "Range is not given: the tank capacity was not stated."
    left = fuel.usable_after_reserve_l
    burnt = units.say(left, "L", 0 if left and left >= 100 else 1, thousands=True)
    return (
        f"Range is on {burnt} of fuel: tank capacity {units.say(fuel.capacity_l, 'L', 0, thousands=True)}, "
        f"{percent(fuel.usable_fraction)} of it usable and {percent(fuel.reserve_fraction)} kept in reserve; its ± "
        f"holds {general(fuel.capacity_u_pct)} % of the capacity and {general(100.0 * fuel.usable_u)} % of it unusable "
        "more or less (k = 1)."
    )


def calibration_statement(summary: Summary, bands: pa.Table) -> str:
    """Return how the fuel flow was checked; "uncalibrated" where it was not, "" without a fuel flow."""
    if not has_values(bands, "fuel_l_per_h"):
        return ""
    found = summary.fuel.calibration
    if found is None:
        return "Fuel flow is uncalibrated: it is the engines’ own figure."
    return f"Fuel flow is calibrated: shown flow times {general(found.factor, 5)} ({found.origin})."


def also_found(summary: Summary, units: ReaderUnits) -> list[str]:
    """Return slowest planing speed and rated-rpm check, one sentence each, where there is something to say."""
    said = []
    slowest = summary.slowest_planing_speed

    def speed(found: MeanThreshold | SlowestPlaning) -> str:
        half_width = expanded(found.u_kn)
        return units.measured(found.speed_kn, half_width, "kn", own_decimals(half_width, 1, 1))

    if slowest is not None:
        text = f"Slowest planing speed {speed(slowest)}, from {words(slowest.from_)}"
        text += f", trim {slowest.trim}" if slowest.trim else ""
        if slowest.run_down is not None and slowest.run_up is not None:
            text += f"; slowing down {speed(slowest.run_down)}, speeding up {speed(slowest.run_up)}"
        said.append(f"{text}.")
    elif summary.slowest_on_the_plane is not None:
        said.append(_slowest_held(summary.slowest_on_the_plane, units))
    said += rated_rpm_lines(summary) + still_air_lines(summary, units) + repeat_lines(summary, units)
    return said + one_more_run_lines(summary, units) + plan_lines(summary)


def plan_lines(summary: Summary) -> list[str]:
    """Return how much of the plan was run, [] without a plan: "Plan: 16 of 18 runs; 5 of 6 manoeuvres …".

    What is open is named among the warnings.
    """
    return [] if summary.plan is None else plan_lines_of(summary.plan)


def plan_lines_of(plan: PlanComparison) -> list[str]:
    """Return the same of a plan."""
    runs = [cell for cell in plan.cells if cell.step_rpm is not None]
    others = [cell for cell in plan.cells if cell.step_rpm is None]
    said = []
    for cells, name in ((runs, "runs"), (others, "manoeuvres and notes")):
        if cells:
            done = sum(cell.state in ("done", "half") for cell in cells)
            said.append(f"{done} of {len(cells)} {name}")
    half = len({cell.step for cell in plan.of("half")})
    said += [f"{plural(half, 'step')} one way only"] if half else []
    for state, name in (("refused", "tried and refused"), ("missing", "missing"), ("signed_off", "signed off")):
        count = sum(cell.state == state for cell in plan.cells)
        said += [f"{count} {name}"] if count else []
    whole = all(cell.state == "done" for cell in plan.cells)
    beside = f" Run beside the plan: {join_words(list(plan.beside))}." if plan.beside else ""
    return [f"Plan: {', '.join(said)}{'; nothing is missing' if whole else ''}.{beside}"]


def repeat_lines(summary: Summary, units: ReaderUnits) -> list[str]:
    """Return one sentence for each step that was run again: "1800 rpm run again 15:10, first 10:02: speed +0.05 …"."""
    said = []
    for step in summary.repeated:
        parts = []
        for q in step.quantities:
            scale, pm = units.scale(q.unit), expanded(q.difference_u, q.k)
            decimals = column_decimals([scale.u(pm)], usual=2, most=4)
            difference, half = scale.u(q.difference) or 0.0, fixed(scale.u(pm), decimals)
            sign = "+" if difference >= 0 else "−"
            verdict = "a real difference" if q.is_real else "within noise"
            parts.append(f"{q.quantity} {sign}{fixed(abs(difference), decimals)} ± {half} {scale.text}, {verdict}")
        times = f"{step.last_start[11:16]} against {step.first_start[11:16]} UTC"
        said.append(f"{band_phrase(step)} run again, {times}: {'; '.join(parts)}.")
    return said


STILL_AIR_SHOWN_KN = 0.005
"""A smaller effect of the wind than this would print as nothing [kn] (our choice)."""


def still_air_lines(summary: Summary, units: ReaderUnits) -> list[str]:
    """Return what the wind of the trial cost the fastest band, which no mean of both ways takes out; [] for nothing."""
    top, found = summary.top_speed, summary.still_air
    bands = [b for b in found.bands if -b.difference_kn >= STILL_AIR_SHOWN_KN]
    if not bands:
        return []
    band = next((b for b in bands if top is not None and b.band_name == top.band_name), bands[-1])
    pm = expanded(band.u_kn)
    faster = units.measured(-band.difference_kn, pm, "kn", own_decimals(pm, 2, 2), result=False)
    wind = units.say(band.wind_kn, "kn", 0)
    return [
        f"Speeds are those in the wind of the trial: in still air {band_phrase(band)} would be {faster} faster than in "
        f"{wind} of wind. An estimate: {found.method} ({found.source})."
    ]


WORTH_A_RUN = 0.8
"""One more run is worth naming where it takes the ± to this share of what it is (common practice, no source)."""
MOST_RUNS_NAMED = 3
"""More advice than a crew would follow is none (our choice)."""


def one_more_run_lines(summary: Summary, units: ReaderUnits) -> list[str]:
    """Return what one more run would buy: "A third run at 3500 rpm on 254° takes ±0.24 to ±0.15 kn."

    The bands of the answers come first, then those that gain most; a run that buys little is not named.
    """
    answered = (summary.top_speed, summary.economy_planing, summary.economy_displacement)
    names = {found.band_name for found in answered if found is not None}
    worth = [more for more in summary.current.one_more_run if more.then_kn <= WORTH_A_RUN * more.now_kn]
    worth.sort(key=lambda more: (more.band_name not in names, more.then_kn - more.now_kn))
    scale = units.scale("kn")
    said = []
    for more in worth[:MOST_RUNS_NAMED]:
        decimals = column_decimals([scale.u(more.then_kn)], usual=2, most=2)
        now, then = (fixed(scale.u(x), decimals) for x in (more.now_kn, more.then_kn))
        place = f"at {band_phrase(more)}" if more.band_rpm is not None else f"of row {band_phrase(more)}"
        count = _ORDINALS.get(more.number, f"{more.number}th")
        said.append(f"A {count} run {place} on {degrees(more.heading_deg)} takes ±{now} to ±{then} {scale.text}.")
    return said


_ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}


def _slowest_held(band: SlowestHeld, units: ReaderUnits) -> str:
    at_rpm = "" if band.band_rpm is None else f" at {fixed(band.band_rpm, 0)} rpm"
    ways = "" if band.ways >= 2 else ", one direction only"
    half_width = expanded(band.speed_u_kn, band.speed_k)
    speed = units.measured(band.speed_kn, half_width, "kn", own_decimals(half_width, 1, 1))
    return f"Slowest speed held on the plane {speed}{at_rpm}{ways}; no slow run shows how much slower she would plane."


def other_result(found: Measured, units: ReaderUnits) -> Answer:
    """Return a result beside the bands as an answer; the reason where nothing is claimed."""
    line = found.answer
    if line.value is None:
        return Answer(line.label, lines=tuple(line.notes) or (sentence(found.reason),))
    half_width = expanded(line.u, line.coverage_factor)
    return _quantity(
        line.label, line.value, half_width, line.unit, list(line.notes), units, own_decimals(half_width, 1)
    )


def rated_rpm_lines(summary: Summary) -> list[str]:
    """Return one sentence an engine on whether rated rpm was reached."""
    said = []
    for check in summary.rated_rpm_check:
        reached, rated = check.reached_rpm, fixed(check.rated_rpm, 0)
        if reached is None:
            said.append(f"Engine {check.engine}: highest rpm not known; rated {rated} rpm.")
            continue
        share = "" if check.pct is None else f" ({fixed(check.pct, 1)} %)"
        verdict = f": {words(check.verdict)}." if check.verdict else "."
        said.append(f"Engine {check.engine} reached {fixed(reached, 0)} of {rated} rated rpm{share}{verdict}")
    return said
