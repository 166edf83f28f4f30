"""The tables behind the result as text: legs, clocks, data read, load, conditions, budgets, checks, raw files."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import pyarrow as pa

from trialcapture.prepare.data_health import DataHealth, Item, Rejection, Undecoded, describe, is_free
from trialcapture.reduce.summary import Manoeuvre, QuantityBudget, Summary, TrialConditions
from trialcapture.report.band_table import BAND_QUANTITIES, STAR, BandTable, Cell
from trialcapture.report.format import (
    DASH,
    ReaderUnits,
    band_label,
    clock,
    column_decimals,
    decimals_for,
    degrees,
    duration,
    expanded,
    fixed,
    general,
    grouped,
    join_words,
    own_decimals,
    plural,
    plus_minus,
    rows,
    sentence,
    span,
    words,
)


def common_trim(legs: pa.Table | None) -> str:
    """Return the trim every leg was run with; "" where legs differ or one is not noted."""
    trims = {r.get("trim") for r in rows(legs)}
    return str(*trims) if len(trims) == 1 and None not in trims else ""


class LegRow(NamedTuple):
    """One accepted stretch as text."""

    number: str
    band: str
    start: str
    held: str
    heading: str
    course: str
    rpm: str
    sog: str
    sog_pm: str
    through: str
    fuel: str
    depth: str
    trim: str


def leg_rows(legs: pa.Table | None, units: ReaderUnits, stars: Collection[int] = ()) -> list[LegRow]:
    """Return the accepted stretches as text, in the order sailed, a star behind the number of those in `stars`."""
    plain = sorted(rows(legs), key=lambda r: r.get("start") or 0)
    decimals = column_decimals([expanded(r.get("sog_u_kn")) for r in plain], usual=2, most=2)
    return [
        LegRow(
            number=fixed(r.get("segment_id"), 0) + (STAR if r.get("segment_id") in stars else ""),
            band=band_label(r),
            start=clock(r.get("start")),
            held=duration(r.get("duration_s")),
            heading=degrees(r.get("heading_true_deg_mean")),
            course=degrees(r.get("cog_true_deg_mean")),
            rpm=fixed(r.get("rpm_mean"), 0),
            sog=fixed(r.get("sog_kn_mean"), decimals),
            sog_pm=plus_minus(expanded(r.get("sog_u_kn")), decimals, dash=""),
            through=fixed(r.get("through_water_kn"), decimals),
            fuel=units.cell(r.get("fuel_l_per_h_mean"), "L/h", 1),
            depth=units.cell(r.get("depth_m_min"), "m", 1),
            trim=str(r.get("trim") or "not noted"),
        )
        for r in plain
    ]


class ClockLine(NamedTuple):
    """How one source was placed on UTC, as text."""

    source: str
    offset: str
    offset_pm: str
    drift: str
    drift_pm: str
    method: str
    quality: str


def clock_rows(clocks: pa.Table | None) -> list[ClockLine]:
    """Return how each source was placed on UTC, as text."""
    made = []
    for r in rows(clocks):
        pm, drift_pm = expanded(r.get("offset_u_s")), expanded(r.get("drift_u_ppm"))
        decimals = column_decimals([pm], usual=2, most=3)
        drift_decimals = column_decimals([drift_pm], usual=1, most=1)
        made.append(
            ClockLine(
                source=str(r.get("source") or DASH),
                offset=fixed(r.get("offset_s"), decimals),
                offset_pm=plus_minus(pm, decimals, dash=""),
                drift=fixed(r.get("drift_ppm"), drift_decimals),
                drift_pm=plus_minus(drift_pm, drift_decimals, dash=""),
                method=str(r.get("method") or DASH),
                quality=str(r.get("quality") or DASH),
            )
        )
    return made


class RejectRow(NamedTuple):
    """Lines of one source that were not used for one reason, as text."""

    source: str
    reason: str
    lines: str


def reject_rows(rejects: pa.Table | None) -> list[RejectRow]:
    """Return the lines not used, counted by source and reason, the commonest first.

    Args:
        rejects: ``source``, ``reason`` and how many of them as ``count``.
    """
    counted = rows(rejects)
    ranked = sorted(counted, key=lambda r: (-r["count"], str(r["source"]), str(r["reason"])))
    return [RejectRow(str(r["source"] or DASH), words(str(r["reason"] or DASH)), grouped(r["count"])) for r in ranked]


_MOST_OF_A_KIND = 24


class FaultRow(NamedTuple):
    """One fault of the data as text."""

    kind: str
    what: str
    text: str


def health_rows(health: DataHealth, units: ReaderUnits) -> list[FaultRow]:
    """Return what is wrong with the data, fault by fault, those of one kind together; the first two dozen of each."""
    told = units.restate_health(health)
    kinds: tuple[tuple[str, tuple[Item, ...]], ...] = (
        ("Contradiction", told.disagreements),
        ("Stood still", told.stuck),
        ("Lone wrong readings", told.spikes),
        ("Clock set", told.clock_steps),
        ("Restart", told.restarts),
        ("No data", told.holes),
        ("Not used", told.rejected),
        ("Not decoded", told.undecoded),
        ("Steps of a reading", told.readings_rounded_to),
    )
    made = []
    for kind, found in kinds:
        if kind == "Not used":
            made += _refused_rows(told.rejected)
            continue
        for item in found[:_MOST_OF_A_KIND]:
            what = item.sentence if isinstance(item, Rejection | Undecoded) else item.what
            made.append(FaultRow(kind, what or DASH, sentence(describe(item).text)))
        if len(found) > _MOST_OF_A_KIND:
            made.append(FaultRow(kind, DASH, f"{len(found) - _MOST_OF_A_KIND} more stand in summary.json."))
    return made


def _refused_rows(rejected: Sequence[Rejection]) -> list[FaultRow]:
    """Return what was refused, a row a reason: what came over one bad wire fails for few reasons in many sentences."""
    groups: dict[str, list[Rejection]] = {}
    for item in rejected:
        groups.setdefault(f"{item.field} void: {item.reason}" if item.field else item.reason, []).append(item)
    made = []
    for reason, members in groups.items():
        said = []
        for item in members[:_MOST_OF_A_KIND]:
            free = item.cost.removeprefix("none").lstrip(":, ")
            cost = (f"no cost: {free}" if free else "no cost") if is_free(item) else f"cost: {item.cost}"
            said.append(f"{item.sentence} {plural(item.count, 'time')} ({cost})")
        if len(members) > _MOST_OF_A_KIND:
            said.append(f"{len(members) - _MOST_OF_A_KIND} more stand in summary.json")
        made.append(FaultRow("Not used", sentence(reason).rstrip("."), "; ".join(said) + "."))
    return made


class SentenceRow(NamedTuple):
    """Sentences of one source and type, counted, as text."""

    source: str
    type: str
    good: str
    bad: str
    not_decoded: str


def sentence_counts(summary: Summary) -> list[SentenceRow]:
    """Return the sentences read, by source and type; types met in damaged sentences alone are added up a source."""
    made, damaged = [], dict.fromkeys((count.source for count in summary.counts), 0)
    for count in summary.counts:
        if not count.good and not count.not_decoded:
            damaged[count.source] += count.bad
            continue
        kind = f"{count.talker}{count.formatter}" or DASH
        numbers = [grouped(n) for n in (count.good, count.bad, count.not_decoded)]
        made.append(SentenceRow(count.source or DASH, kind, *numbers))
    made += [SentenceRow(source or DASH, "damaged", "0", grouped(n), "0") for source, n in damaged.items() if n]
    return sorted(made, key=lambda r: r.source)


@dataclass(frozen=True, slots=True)
class LoadTable:
    """The load sheet as text: name and mass of each item, their sum as printed, and what nobody stated."""

    items: tuple[tuple[str, str], ...]
    total: str
    missing: tuple[str, ...]


def load_sheet(summary: Summary, units: ReaderUnits) -> LoadTable:
    """Return the load sheet as text."""
    load = summary.load
    items = tuple((item.name or "unnamed", units.cell(item.kg, "kg", 0, thousands=True)) for item in load.items)
    return LoadTable(items, units.cell(load.displacement_kg, "kg", 0, thousands=True), load.missing)


class BudgetRow(NamedTuple):
    """One cause of the uncertainty of a quantity, as text."""

    cause: str
    u: str
    kind: str
    freedom: str
    source: str


@dataclass(frozen=True, slots=True)
class QuantityRows:
    """The budget of one quantity of a band as text.

    Attributes:
        name: The quantity.
        unit: The reader's.
        value, pm: As the band table prints them.
        u, k, freedom: Combined standard uncertainty, coverage factor and effective degrees of freedom.
        rows: Its causes, the largest first, those below the last digit left out.
    """

    name: str
    unit: str
    value: str
    pm: str
    u: str
    k: str
    freedom: str
    rows: tuple[BudgetRow, ...]


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """The uncertainty budget of a band as text: its name, and its quantities."""

    band: str
    quantities: tuple[QuantityRows, ...]


def budget_tables(bands: BandTable, summary: Summary, units: ReaderUnits) -> tuple[BudgetTable, ...]:
    """Return the uncertainty budget of every band, values and ± with the decimals of the band table.

    Args:
        bands: The band table as printed.
        summary: Has the budgets.
        units: Of the reader.
    """
    cells = {row.rpm: row.cells for row in bands.rows}
    made = []
    for budget in summary.budgets:
        label = band_label(budget)
        printed = dict(zip((q.name for q in BAND_QUANTITIES), cells.get(label, ()), strict=False))
        made.append(
            BudgetTable(label, tuple(_quantity_rows(q, printed.get(q.quantity), units) for q in budget.quantities))
        )
    return tuple(made)


def _quantity_rows(budget: QuantityBudget, printed: Cell | None, units: ReaderUnits) -> QuantityRows:
    quantity = next(q for q in BAND_QUANTITIES if q.name == budget.quantity)
    scale = units.scale(quantity.unit)
    # of the smallest that counts, a tenth of the whole, two digits are worth reading
    decimals = decimals_for((scale.u(budget.u) or 0.0) / 10.0, 1)
    return QuantityRows(
        name=quantity.heading,
        unit=scale.text,
        value=printed.value if printed else DASH,
        pm=printed.pm if printed else DASH,
        u=fixed(scale.u(budget.u), decimals),
        k=fixed(budget.coverage_factor, 2),
        freedom=_freedom(budget.freedom),
        rows=tuple(
            BudgetRow(
                words(term.name),
                fixed(scale.u(term.u), decimals),
                "common" if term.is_common else "own",
                _freedom(term.freedom),
                term.source,
            )
            for term in sorted(budget.terms, key=lambda t: -t.u)
            if float(fixed(scale.u(term.u), decimals)) > 0.0
        ),
    )


def _freedom(freedom: float | None) -> str:
    return "∞" if freedom is None or freedom >= _MANY else fixed(freedom, 0 if freedom >= 10.0 else 1)


_MANY = 999.5
"""Degrees of freedom from here on are as good as infinite: k differs from 2 by less than 0.003 (Student's t)."""


class MethodRow(NamedTuple):
    """The speed of a band by pairs alone beside that by the fit to all runs, as text."""

    band: str
    method: str
    classical: str
    fit: str
    difference: str
    allowed: str
    agree: str


def method_rows(summary: Summary) -> list[MethodRow]:
    """Return per band the speed by pairs alone beside the speed by the fit to all runs."""
    return [
        MethodRow(
            band=band_label(m),
            method=m.method or DASH,
            classical=fixed(m.classical_kn, 2),
            fit=fixed(m.fit_kn, 2),
            difference=fixed(m.difference_kn, 3),
            allowed=fixed(m.allowed_kn, 3),
            agree="yes" if m.agree else "no",
        )
        for m in summary.current.methods
    ]


class PlausibilityRow(NamedTuple):
    """A figure of the trade beside what is usual, as text."""

    name: str
    value: str
    usual: str
    verdict: str


def plausibility_rows(summary: Summary, units: ReaderUnits) -> list[PlausibilityRow]:
    """Return the figures an engineer looks at first, beside what is usual."""
    made = []
    for p in summary.plausibility:
        values, spans = [], []
        # Crouch's C is so many knots per root of pounds per horsepower: a coefficient, whatever the reader's units
        for scale in units.beside(p.unit):
            values.append(f"{general(scale.value(p.value), 3)} {scale.text}".removesuffix(" 1"))
            if p.usual is not None:
                low, high = (general(scale.value(x), 3) for x in p.usual)
                spans.append(f"{low} to {high}")
        made.append(
            PlausibilityRow(
                p.name or DASH,
                _first_of(values),
                _first_of(spans) if spans else DASH,
                DASH if p.ok is None else "usual" if p.ok else "unusual",
            )
        )
    return made


def _first_of(texts: list[str]) -> str:
    return f"{texts[0]} ({'; '.join(texts[1:])})" if len(texts) > 1 else texts[0]


class RawFileRow(NamedTuple):
    """A raw file with its size and its hash, as text."""

    path: str
    bytes: str
    sha256: str


def raw_file_rows(summary: Summary) -> list[RawFileRow]:
    """Return the raw files with size and SHA-256."""
    return [RawFileRow(r.path, grouped(r.bytes), r.sha256) for r in summary.raw]


class StandardErrorRow(NamedTuple):
    """The standard error of the mean speed of a band by two methods, as text."""

    band: str
    n_eff: str
    blocking: str
    ratio: str
    blocks: str
    agree: str


def standard_error_rows(summary: Summary) -> list[StandardErrorRow]:
    """Return the standard error of the mean speed by effective sample size and by blocking, band by band.

    The last row is that of all legs together.
    """
    compared = summary.statistics.standard_errors
    named = [(band_label(e), e.n_eff_u_kn, e.blocking_u_kn, e.ratio, e.blocks, e.agree) for e in compared.bands]
    total = compared.all
    if total is not None and len(named) > 1:
        named.append(("all", total.n_eff_u_kn, total.blocking_u_kn, total.ratio, total.blocks, total.agree))
    decimals = max(column_decimals([expanded(row[n]) for row in named], usual=3, most=3) for n in (1, 2))
    return [
        StandardErrorRow(
            name, fixed(n_eff, decimals), fixed(blocking, decimals), fixed(ratio, 2), fixed(blocks, 0),
            "yes" if agree else "no",
        )
        for name, n_eff, blocking, ratio, blocks, agree in named
    ]  # fmt: skip


class RegimeRow(NamedTuple):
    """The Froude numbers of a band and how it was judged, as text."""

    band: str
    volumetric: str
    length: str
    regime: str


def regime_rows(summary: Summary) -> list[RegimeRow]:
    """Return the Froude numbers of each band and how it was judged; empty where no band has either number."""
    found = summary.regimes.bands
    if all(b.volumetric_froude is None and b.length_froude is None for b in found):
        return []
    return [RegimeRow(band_label(b), fixed(b.volumetric_froude, 2), fixed(b.length_froude, 2), b.regime) for b in found]


def conditions_line(summary: Summary, units: ReaderUnits) -> str:
    """Return day, place, wind, sea and depth in one line."""
    said = dict(condition_items(summary, units))
    parts = [said[k] for k in ("Time of the legs", "Place") if k in said]
    if "Wind, true" in said:
        parts.append("wind " + said["Wind, true"])
    parts += [
        f"{text} {said[label]}"
        for label, text in (("Wave height", "waves"), ("Least depth", "depth from"))
        if label in said
    ]
    if "Wave height" not in said and summary.conditions.sea_state is not None:
        parts.append(f"sea state {summary.conditions.sea_state}")
    return "; ".join(parts)


_BEAUFORT_HEIGHT_M = 10.0
"""Height whose wind the Beaufort scale is of [m] (WMO-No. 306, from memory)."""


def _wind(c: TrialConditions, units: ReaderUnits) -> str:
    """Return "8.1 kn from 285°, at most 11.0 kn (Beaufort 4 as measured, not corrected to 10 m)"; "" without a wind.

    The Beaufort scale is of the wind at 10 m; the height of the instrument is not known.
    """
    mean, most = c.wind_speed_true_kn_mean, c.wind_speed_true_kn_max
    if mean is None and most is None:
        return ""
    text = units.say(mean if mean is not None else most, "kn", 1)
    if c.wind_from_true_deg is not None:
        text += f" from {degrees(c.wind_from_true_deg)}"
    if mean is not None and most is not None and fixed(most, 1) != fixed(mean, 1):
        text += f", at most {units.say(most, 'kn', 1)}"
    if c.wind_beaufort_max is None:
        return text
    standard = units.say(_BEAUFORT_HEIGHT_M, "m", 0)
    return f"{text} (Beaufort {c.wind_beaufort_max} as measured, not corrected to {standard})"


def condition_items(summary: Summary, units: ReaderUnits) -> list[tuple[str, str]]:
    """Return the conditions as label and value; what was neither measured nor stated is left to the list of gaps."""
    c = summary.conditions
    measured: tuple[tuple[str, float | None, str, int], ...] = (
        ("Wave height", c.wave_height_m, "m", 1),
        ("Sea state, WMO code", c.sea_state, "", 0),
        ("Least depth", c.depth_m_min, "m", 1),
        ("Water temperature", c.water_temp_c, "°C", 1),
        ("Water density", c.water_density_kg_per_m3, "kg/m³", 1),
        ("Air temperature", c.air_temp_c, "°C", 1),
        ("Air pressure", c.pressure_hpa, "hPa", 0),
    )
    items = [("Time of the legs", span(c.start, c.stop) if c.start else ""), ("Place", c.place)]
    items.append(("Wind, true", _wind(c, units)))
    items += [(label, "" if x is None else units.say(x, unit, places).strip()) for label, x, unit, places in measured]
    running = {True: "yes", False: "no", None: ""}[c.generator_running]
    items += [("Water", c.water), ("Generator running", running), ("Hull cleaned", c.hull_cleaned)]
    items.append(("Trim", ", ".join(c.trim)))
    return [(label, text) for label, text in items if text]


class ManoeuvreRow(NamedTuple):
    """One acceleration, stop or turn, as text: what it shows, or why nothing is given."""

    time: str
    what: str
    direction: str
    shows: list[str]
    holds: str


def manoeuvre_rows(summary: Summary, units: ReaderUnits) -> list[ManoeuvreRow]:
    """Return every manoeuvre in order of time, its values together; means of both ways follow their kind.

    Args:
        summary: With its measures.
        units: What the reader asked for.
    """
    groups: dict[tuple[bool, str, str, str], list[Manoeuvre]] = {}
    for m in (m for found in summary.measures for m in found.manoeuvres):
        is_mean = m.direction == "both" or m.conditions.startswith("mean of")
        key = (is_mean, m.start[:19], m.kind.split()[0], m.direction if not is_mean else m.direction + m.conditions)
        groups.setdefault(key, []).append(m)
    made = []
    for (is_mean, _, what, _), members in sorted(groups.items(), key=lambda item: (item[0][0], item[0][1])):
        first = members[0]
        course = f"{first.direction}°" if first.direction.isdigit() else first.direction
        shows = [_shown(m, units) for m in members if m.claimed]
        reasons = dict.fromkeys(m.reason for m in members if m.reason and not m.claimed)
        for reason in reasons:
            ends = dict.fromkeys(_end(m) for m in members if m.reason == reason and not m.claimed)
            shows.append(f"{join_words(list(ends))} not given: {reason}" if shows else f"not given: {reason}")
        holds = next((m.conditions for m in members if m.conditions), "")
        made.append(ManoeuvreRow("mean" if is_mean else first.start[11:19], what, course, shows, holds))
    return made


def _end(m: Manoeuvre) -> str:
    """Return what of a manoeuvre a row tells: "track reach to 2 kn", "to 20 kn", "steady diameter"."""
    name = " ".join(m.kind.split()[1:])
    return f"{name} to {m.to}".strip() if m.to and not m.kind.startswith("turn") else name


def _shown(m: Manoeuvre, units: ReaderUnits) -> str:
    half_width = expanded(m.u, 2.0)
    return f"{_end(m)} {units.measured(m.value, half_width, m.unit, own_decimals(half_width, 1))}"
