"""The trial sheet: the whole trial on one page, ready for the template, every number traced to where it is stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import pyarrow as pa

from trialcapture.archive.seal import short_root
from trialcapture.reduce.summary import (
    BestEconomy,
    Measured,
    NamedBand,
    PlanComparison,
    PlanState,
    Severity,
    SoundLevel,
    Summary,
    TrialWarning,
)
from trialcapture.report.band_table import BAND_QUANTITIES, ECONOMY, FUEL, RANGE, SPEED, BandQuantity
from trialcapture.report.format import (
    DASH,
    ReaderUnits,
    Scale,
    clock,
    date,
    expanded,
    fixed,
    join_words,
    number,
    own_decimals,
    rows,
    signed,
    words,
)
from trialcapture.report.limits import SEVERITY_ORDER
from trialcapture.report.sheet_words import HANDLING, Paper, SheetTexts, crowding_of, in_words, results_of
from trialcapture.report.traced import (
    LEGS,
    Ledger,
    Phrase,
    Stored,
    Traced,
    beside,
    counted,
    in_scales,
    in_units,
    joined,
    measured_in,
    plain,
    said,
    share,
    text_of,
    value_and_pm,
)

DEFINITIONS = " " * 240
"""Room for the definitions of units at the foot."""
NOT_RECORDED = "not recorded"
NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class SheetAnswer:
    """One answer: what was asked, the figure that is read from across the room, and what belongs to it.

    `figure` is empty where there is no answer; then the lines say why.
    """

    label: str
    figure: Phrase
    lines: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True)
class SheetTable:
    """The wide band table: heads as name and unit; a row a band, and whether it is that of an answer; what the letters
    of its trims stand for."""

    heads: tuple[tuple[str, str], ...]
    rows: tuple[tuple[bool, tuple[Phrase, ...]], ...]
    trims: Phrase


@dataclass(frozen=True, slots=True)
class Sheet:
    """The sheet of a trial.

    Attributes:
        paper: It is made for.
        boat: Her name.
        title: What the trial is called.
        when: Day, time and place.
        tested_by: Who made it.
        answers: The four that come first.
        others: Tester's cruise, acceleration, stopping, turning and sound; what was not recorded says so.
        particulars, weight, conditions: Label and text of each.
        table: The bands.
        words: Six sentences to read aloud.
        limits: Severity, name and one line of each kind of fault, the gravest first.
        missing: What was not recorded or not stated.
        plan: What became of the plan; empty without one.
        seal: What builder and buyer note.
        is_changed: Whether the data is not as it was sealed.
        foot: What the range stands on, and what a speed is.
        crowding: How small the print has to be, see `crowding_of`.
    """

    paper: Paper
    boat: Traced
    title: Phrase
    when: Phrase
    tested_by: Phrase
    answers: tuple[SheetAnswer, ...]
    others: tuple[SheetAnswer, ...]
    particulars: tuple[tuple[str, Phrase], ...]
    weight: tuple[tuple[str, Phrase], ...]
    conditions: tuple[tuple[str, Phrase], ...]
    table: SheetTable
    words: tuple[Phrase, ...]
    limits: tuple[tuple[Severity, str, Phrase], ...]
    missing: str
    plan: Phrase
    seal: Phrase
    is_changed: bool
    foot: tuple[Phrase, ...]
    crowding: int


def build_sheet(bands: pa.Table, legs: pa.Table | None, summary: Summary, units: ReaderUnits) -> Sheet:
    """Return the sheet of a trial.

    Args:
        bands: One row an RPM band.
        legs: The accepted segments, for their trim.
        summary: The summary.
        units: Of the reader.
    """
    plain_rows = rows(bands)
    ledger = Ledger(summary, plain_rows)
    trims = _band_trims(legs)
    table = _table(plain_rows, trims, summary, ledger, units)
    limits = tuple(limits_of(summary, ledger))
    others = tuple(other_answers(summary, ledger, units))
    particulars = tuple(particulars_of(summary, ledger, units))
    made = Sheet(
        paper=paper_of(units),
        boat=said(ledger.at("boat", "name")),
        title=(said(ledger.at("trial", "title")),) if summary.trial.title else ("Sea trial",),
        when=_when(summary, ledger),
        tested_by=tester_of(summary, ledger),
        answers=tuple(_answers(bands, summary, ledger, units)),
        others=others,
        particulars=particulars,
        weight=tuple(weight_of(summary, ledger, units)),
        conditions=tuple(conditions_of(summary, ledger, units)),
        table=table,
        words=in_words(summary, ledger, units),
        limits=limits,
        missing=missing_of(summary),
        plan=plan_of(summary.plan, ledger),
        seal=_seal(summary, ledger),
        is_changed=summary.seal.state == "changed",
        foot=tuple(foot_of(summary, ledger, units)),
        crowding=0,
    )
    return replace(made, crowding=crowding_of(texts_of(made), made.paper))


def texts_of(sheet: Sheet) -> SheetTexts:
    """Return what stands on a sheet as plain text, to see how much room it takes."""

    def lines(answers: Sequence[SheetAnswer]) -> list[list[str]]:
        return [[text_of(line) for line in a.lines] for a in answers]

    return SheetTexts(
        boat=sheet.boat.text,
        answers=lines(sheet.answers),
        others=lines(sheet.others),
        facts=[text_of(text) for _, text in (*sheet.particulars, *sheet.weight)],
        conditions=[f"{name} {text_of(text)}" for name, text in sheet.conditions],
        rows=len(sheet.table.rows),
        words=[text_of(s) for s in sheet.words],
        limits=[
            *(f"{name} {text_of(text)}" for _, name, text in sheet.limits),
            f"Missing {sheet.missing}",
            f"Plan {text_of(sheet.plan)}",
        ],
        foot=[f"Seal {text_of(sheet.seal)}", " ".join(map(text_of, (*sheet.foot, sheet.table.trims))) + DEFINITIONS],
    )


def paper_of(units: ReaderUnits) -> Paper:
    """Return the paper a reader of these units has."""
    return "letter" if units.system == "us" else "A4"


# ------------------------------------------------------------------------------
# Head, particulars, weight, conditions.
# ------------------------------------------------------------------------------


def _when(summary: Summary, ledger: Ledger) -> Phrase:
    start, stop = ledger.at("conditions", "start"), ledger.at("conditions", "stop")
    place: Phrase = (said(ledger.at("conditions", "place")),) if summary.conditions.place else ()
    if start.value is None:
        return ("no run was accepted", *((", ", *place) if place else ()))
    times: Phrase = (
        Traced(date(start.value), start.place), ", ", Traced(clock(start.value, seconds=False), start.place), " to ",
        Traced(clock(stop.value, seconds=False), stop.place), " UTC",
    )  # fmt: skip
    return (*times, " · ", *place) if place else times


def tester_of(summary: Summary, ledger: Ledger) -> Phrase:
    """Return who tested, or who noted where nobody was stated."""
    stated = ledger.at("trial", "tested_by")
    if stated.value:
        return ("Tested by ", said(stated))
    noted = [(n, r.by) for n, r in enumerate(summary.remarks) if r.by]
    first = {by: n for n, by in reversed(noted)}
    if first:
        return ("Notes by ", *joined([(said(ledger.at("remarks", n, "by")),) for n in sorted(first.values())], ", "))
    return (f"Tested by: {NOT_STATED}",)


def particulars_of(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[tuple[str, Phrase]]:
    """Return hull, engines, gear and propellers as stated."""
    sizes = [(name, ledger.at("boat", f"{name}_m")) for name in ("length", "beam", "draught")]
    made: list[tuple[str, Phrase]] = [
        (name.capitalize(), in_units(x, "m", 2, units) if x.value is not None else (NOT_STATED,)) for name, x in sizes
    ]
    engines = summary.engines
    if not engines:
        return [*made, ("Engines", (NOT_STATED,))]
    everyone = range(len(engines))
    for name, told in (("Engine", _rating), ("Gear", _gear), ("Propeller", _propeller)):
        stated = [told(n, ledger, units) for n in everyone]
        label = "Engines" if name == "Engine" and len(engines) > 1 else name
        if len({text_of(phrase) for phrase in stated}) == 1:
            many: Phrase = (counted(ledger.at("engines")), " × ") if label == "Engines" else ()
            made.append((label, (*many, *stated[0]) if stated[0] else (NOT_STATED,)))
            continue
        each = [(said(ledger.at("engines", n, "id")), " ", *(stated[n] or (NOT_STATED,))) for n in everyone]
        made.append((label, joined(each, "; ")))
    return made


def _rating(n: int, ledger: Ledger, units: ReaderUnits) -> Phrase:
    model, power = ledger.at("engines", n, "model"), ledger.at("engines", n, "rated_kw")
    rpm: Phrase = (plain(ledger.at("engines", n, "rated_rpm"), 0, "rpm"), " rpm")
    name: Phrase = (said(model), ", ") if model.value else ()
    if power.value is None:
        return (*name, "rated at ", *rpm)
    return (*name, *in_units(power, "kW", 0, units), " at ", *rpm)


def _gear(n: int, ledger: Ledger, units: ReaderUnits) -> Phrase:  # noqa: ARG001  one of three alike
    ratio = ledger.at("engines", n, "gear_ratio")
    return () if ratio.value is None else ("reduction ", plain(ratio, 2))


def _propeller(n: int, ledger: Ledger, units: ReaderUnits) -> Phrase:
    blades, pitch, across = (
        ledger.at("engines", n, key) for key in ("propeller_blades", "propeller_pitch_m", "propeller_diameter_m")
    )
    parts: list[Phrase] = []
    if blades.value is not None:
        parts.append((plain(blades), " blades"))
    if across.value is not None:
        parts.append(("diameter ", *in_scales(across, _of_propellers(units), 3)))
    if pitch.value is not None:
        parts.append(("pitch ", *in_scales(pitch, _of_propellers(units), 3)))
    return joined(parts, ", ")


def _of_propellers(units: ReaderUnits) -> list[Scale]:
    """Return units for propellers: inches where lengths are in feet, as makers give them (common practice)."""
    return [Scale(s.own, "in", "in") if s.unit == "ft" else s for s in units.beside("m")]


def weight_of(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[tuple[str, Phrase]]:
    """Return the test weight with its sum, the sum last."""
    load = summary.load
    made: list[tuple[str, Phrase]] = []
    for n, part in enumerate(load.parts):
        kg = in_units(ledger.at("load", "parts", n, "kg"), "kg", 0, units, thousands=True)
        if part.kind == "persons":
            made.append(("Persons", (*kg, ", ", said(ledger.at("load", "parts", n, "name")))))
        else:
            made.append((part.name.capitalize(), kg))
    made += [(missing.capitalize(), (NOT_STATED,)) for missing in load.missing]
    total = ledger.at("load", "displacement_kg")
    told = in_units(total, "kg", 0, units, thousands=True) if total.value is not None else ("not known",)
    return [*made, ("Test weight", told)]


def conditions_of(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[tuple[str, Phrase]]:
    """Return wind, sea, depth, water, air and trim."""
    c = summary.conditions

    def one(key: str, unit: str, decimals: int) -> Phrase:
        return in_units(ledger.at("conditions", key), unit, decimals, units)

    wind: Phrase = (NOT_RECORDED,)
    if c.wind_speed_true_kn_mean is not None:
        wind = one("wind_speed_true_kn_mean", "kn", 0)
        if c.wind_from_true_deg is not None:
            wind += (" from ", _degrees(ledger.at("conditions", "wind_from_true_deg")))
        most, mean = c.wind_speed_true_kn_max, c.wind_speed_true_kn_mean
        if most is not None and fixed(most, 0) != fixed(mean, 0):
            wind += (", at most ", *one("wind_speed_true_kn_max", "kn", 0))
    sea: Phrase = (NOT_RECORDED,)
    noted = [n for n, r in enumerate(summary.remarks) if r.kind == "sea"]
    if c.wave_height_m is not None:
        sea = ("waves ", *one("wave_height_m", "m", 1))
    elif c.sea_state is not None:
        sea = ("sea state ", plain(ledger.at("conditions", "sea_state")))
    elif noted:
        sea = (said(ledger.at("remarks", noted[0], "text")),)
    depth = one("depth_m_min", "m", 1) if c.depth_m_min is not None else (NOT_RECORDED,)
    water: Phrase = (said(ledger.at("conditions", "water")), " water")
    if c.water_temp_c is not None:
        water += (", ", *one("water_temp_c", "°C", 0))
    made: list[tuple[str, Phrase]] = [("Wind, true", wind), ("Sea", sea), ("Least depth", depth), ("Water", water)]
    if c.air_temp_c is not None or c.pressure_hpa is not None:
        air = [one(k, u, 0) for k, u in (("air_temp_c", "°C"), ("pressure_hpa", "hPa")) if getattr(c, k) is not None]
        made.append(("Air", joined(air, ", ")))
    if c.trim:
        trims = [(said(ledger.at("conditions", "trim", n)),) for n in range(min(len(c.trim), 2))]
        more: Phrase = (", and others",) if len(c.trim) > len(trims) else ()
        made.append(("Trim", (*joined(trims, "; "), *more)))
    return made


def _degrees(stored: Stored) -> Traced:
    x = number(stored.value)
    return Traced(DASH if x is None else f"{round(x) % 360:03d}°", stored.place, "°")


# ------------------------------------------------------------------------------
# Answers.
# ------------------------------------------------------------------------------


def _answers(bands: pa.Table, summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[SheetAnswer]:
    made = [_top_speed(summary, ledger, units)]
    if summary.boat.planing:
        made.append(cruise_answer("Best cruise on the plane", "economy_planing", bands, summary, ledger, units))
        made.append(cruise_answer("Best cruise below planing", "economy_displacement", bands, summary, ledger, units))
        made.append(slowest_answer(summary, ledger, units))
    else:
        made.append(cruise_answer("Best cruise", "economy_displacement", bands, summary, ledger, units))
    return made


def _top_speed(summary: Summary, ledger: Ledger, units: ReaderUnits) -> SheetAnswer:
    found, seen = summary.top_speed, summary.fastest_seen
    if found is not None:
        run = (*at_rpm(found, "top_speed", ledger), "both ways")
        return top_speed_answer("top_speed", ("speed_kn", "speed_u_kn", "speed_k"), run, ledger, units)
    if seen is None:
        return SheetAnswer("Top speed", (), (NO_RUN,))
    run = () if seen.rpm is None else ("at ", plain(ledger.at("fastest_seen", "rpm"), 0, "rpm"), " rpm")
    return top_speed_answer("fastest_seen", ("speed_kn", "u_kn", "k"), run, ledger, units)


NO_RUN: Phrase = ("no run was accepted",)


def top_speed_answer(
    key: Literal["top_speed", "fastest_seen"], names: Sequence[str], run: Phrase, ledger: Ledger, units: ReaderUnits
) -> SheetAnswer:
    """Return the top speed, or the fastest that was seen and why it is not claimed.

    Args:
        key: Which of them, as the summary calls it.
        names: What value, uncertainty and coverage factor are called in it.
        run: Where it was run, empty where that is not known.
        ledger: Where the numbers stand.
        units: Of the reader.
    """
    value, u, k = (ledger.at(key, name) for name in names)
    scales = units.scales("kn")
    if key == "top_speed":
        first, *others = (measured_in(value, u, k, [scale], ledger.decimals(SPEED)) for scale in scales)
        return SheetAnswer("Top speed", first, (*others, run))
    seen = measured_in(value, u, k, scales, own_decimals(expanded(u.value, k.value), 1, 1))
    lines: tuple[Phrase, ...] = (("not claimed: the fastest speed was not held both ways",), ("fastest seen ", *seen))
    return SheetAnswer("Top speed", (), (*lines, run) if run else lines)


def at_rpm(band: NamedBand, key: str, ledger: Ledger) -> Phrase:
    """Return "at 2320 rpm, ", or the name of a row without an engine speed."""
    if band.band_rpm is None:
        return ("row ", said(ledger.at(key, "band_name")), ", ") if band.band_name else ()
    return ("at ", plain(ledger.at(key, "band_rpm"), 0, "rpm"), " rpm, ")


def _run_at(point: BestEconomy, key: str, ledger: Ledger) -> Phrase:
    return (*at_rpm(point, key, ledger), "both ways" if point.ways >= 2 else "one way only")


def cruise_answer(
    label: str, key: str, bands: pa.Table, summary: Summary, ledger: Ledger, units: ReaderUnits
) -> SheetAnswer:
    """Return the best cruise of a regime, or why there is none."""
    point = getattr(summary, key)
    if point is None and key == "economy_displacement" and summary.economy_planing is None:
        key, point = "economy_overall", summary.economy_overall
    if point is None:
        has_fuel = any(number(r.get("fuel_l_per_h")) is not None for r in rows(bands))
        why = "no such band was run" if has_fuel or not bands.num_rows else "no fuel flow was recorded"
        return SheetAnswer(label, (), ((why,),))

    def at(name: str) -> Stored:
        return ledger.at(key, name)

    def measured(quantity: BandQuantity, scales: Sequence[Scale]) -> Phrase:
        return measured_in(at(quantity.value), at(quantity.u), at(quantity.k), scales, ledger.decimals(quantity))

    def in_others(quantity: BandQuantity, scales: Sequence[Scale]) -> list[Phrase]:
        # in the others without its ±, which stands before them
        stored, decimals = at(quantity.value), ledger.decimals(quantity)
        return [(Traced(fixed(s.value(stored.value), decimals(s)), stored.place, s.text), f" {s.text}") for s in scales]

    speed, *other_speeds = units.scales("kn")
    lines: list[Phrase] = [joined([*in_others(SPEED, other_speeds), _run_at(point, key, ledger)], ", ")]
    row = ledger.row_of(point.band_name)
    if row is not None:
        cells = [ledger.band(row, column) for column in (FUEL.value, FUEL.u, FUEL.k)]
        lines.append(measured_in(cells[0], cells[1], cells[2], units.beside(FUEL.unit), ledger.decimals(FUEL)))
    economy, *others = units.scales(ECONOMY.unit)
    lines += [measured(ECONOMY, [economy]), joined(in_others(ECONOMY, others), ", ")]
    if point.range_nm is not None:
        reach, *others = units.scales(RANGE.unit)
        lines.append(("range ", *joined([measured(RANGE, [reach]), *in_others(RANGE, others)], ", ")))
    else:
        lines.append(("no range: tank capacity not stated",))
    if point.at_edge:
        lines.append(("at the end of the speeds run",))
    return SheetAnswer(label, measured(SPEED, [speed]), tuple(line for line in lines if line))


def slowest_answer(summary: Summary, ledger: Ledger, units: ReaderUnits) -> SheetAnswer:
    """Return the slowest planing speed, or why it is not claimed."""
    label, scales = "Slowest planing speed", units.scales("kn")
    if summary.slowest_planing_speed is not None:
        at = [ledger.at("slowest_planing_speed", k) for k in ("speed_kn", "u_kn")]
        decimals = own_decimals(expanded(at[1].value), 1, 1)
        figure = measured_in(at[0], at[1], None, scales[:1], decimals)
        lines = [measured_in(at[0], at[1], None, [s], decimals) for s in scales[1:]]
        return SheetAnswer(label, figure, (*lines, ("from a slow run through the hump",)))
    held = summary.slowest_on_the_plane
    if held is None:
        return SheetAnswer(label, (), ((NOT_RECORDED,),))
    at = [ledger.at("slowest_on_the_plane", k) for k in ("speed_kn", "speed_u_kn", "speed_k")]
    lines = [("slowest held on the plane ", *measured_in(at[0], at[1], at[2], scales, ledger.decimals(SPEED)))]
    return SheetAnswer(label, (), (("not claimed: no slow run shows it",), *lines))


MOST_OF_A_KIND = 4


def other_answers(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[SheetAnswer]:
    """Return tester's cruise, acceleration, stopping, turning and sound."""
    made = [_tester(summary, ledger, units)]
    for label, stems in HANDLING:
        found = results_of(summary, stems)
        claimed = [(n, m) for n, m in found if m.claimed and m.answer.value is not None]
        if not claimed:
            lines: tuple[Phrase, ...] = (
                ((NOT_RECORDED,),) if not found else (("not claimed: ", _why(found[0], ledger)),)
            )
            made.append(SheetAnswer(label, (), lines))
            continue
        lines = tuple(_result(n, m, ledger, units) for n, m in claimed[:MOST_OF_A_KIND])
        made.append(SheetAnswer(label, (), lines))
    made.append(_sound(summary, ledger))
    return made


def _why(found: tuple[int, Measured], ledger: Ledger) -> Traced:
    n, m = found
    return said(ledger.at("measures", n, "reason") if m.reason else ledger.at("measures", n, "answer", "notes", 0))


def _result(n: int, m: Measured, ledger: Ledger, units: ReaderUnits) -> Phrase:
    at = [ledger.at("measures", n, "answer", key) for key in ("value", "u", "coverage_factor", "label")]
    decimals = own_decimals(expanded(at[1].value, at[2].value), 1, 2)
    figure = measured_in(at[0], at[1], at[2], units.scales(m.answer.unit), decimals)
    return (said(at[3]), ": ", *figure)


def _tester(summary: Summary, ledger: Ledger, units: ReaderUnits) -> SheetAnswer:
    label, found = "Tester’s cruise", summary.cruise
    if found is None:
        return SheetAnswer(label, (), (("not noted",),))
    rpm = plain(ledger.at("cruise", "rpm"), 0, "rpm")
    if found.reason:
        return SheetAnswer(label, (), ((rpm, " rpm"), (said(ledger.at("cruise", "reason")),)))
    lines: list[Phrase] = [
        ("at ", rpm, " rpm: ", *in_units(ledger.at("cruise", "speed_kn"), "kn", 1, units, result=True)),
        joined(
            [
                in_units(ledger.at("cruise", key), unit, decimals, units)
                for key, unit, decimals in (
                    ("fuel_l_per_h", "L/h", 1), ("economy_nm_per_l", "nm/L", 3), ("range_nm", "nm", 0),
                )
                if ledger.at("cruise", key).value is not None
            ],
            ", ",
        ),
    ]  # fmt: skip
    if found.speed is None and found.economy is None:
        same = found.best_band_name == found.band_name and found.best_band_name
        lines.append(("it is the best cruise",) if same else ("nothing to compare it with",))
    else:
        lines.append(("against the best: ", *joined(list(_costs(summary, ledger, units)), "; ")))
    return SheetAnswer(label, (), tuple(line for line in lines if line))


def _costs(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[Phrase]:
    """Return what the tester's cruise gains and costs, each real or within noise."""
    made = []
    for key, unit, decimals in (("speed", "kn", 1), ("fuel", "L/h", 1), ("economy", "nm/L", 3), ("range", "nm", 0)):
        change = getattr(summary.cruise, key)
        if change is None:
            continue
        verdict = "real" if change.is_real else "within noise"
        stored = ledger.at("cruise", key, "difference")
        figures = [
            (Traced(signed(s.u(stored.value), s.decimals(decimals)), stored.place, s.text), f"\u00a0{s.text}")
            for s in units.beside(unit)
        ]
        made.append((*beside(figures), f" ({verdict})"))
    return made


def _sound(summary: Summary, ledger: Ledger) -> SheetAnswer:
    levels = [(n, s) for n, s in enumerate(summary.sound) if s.place == summary.sound[0].place and s.band_name]
    if not levels:
        why = "noted outside the runs" if summary.sound else NOT_RECORDED
        return SheetAnswer("Sound", (), ((why,),))
    ends = [levels[0], levels[-1]] if len(levels) > 1 else levels[:1]
    lines: list[Phrase] = []
    for n, level in ends:
        at: Phrase = (said(ledger.at("sound", n, "band_name")),)
        u = ledger.at("sound", n, "u_db")
        value = plain(ledger.at("sound", n, "level_db"), 0, "dB(A)")
        pm = Traced(fixed(expanded(level.u_db), 0), u.place, "±dB(A)")
        lines.append((value, " ± ", pm, " dB(A) at ", *at))
    place: Phrase = (said(ledger.at("sound", 0, "place")),) if summary.sound[0].place else ("place not noted",)
    doors = summary.sound[0].doors
    lines.append((*place, f", doors {doors}" if doors in ("open", "closed") else "", "; inside, not pass-by"))
    return SheetAnswer("Sound", (), tuple(lines))


# ------------------------------------------------------------------------------
# The band table.
# ------------------------------------------------------------------------------


def _table(
    plain_rows: Sequence[Any], trims: dict[str, list[Traced]], summary: Summary, ledger: Ledger, units: ReaderUnits
) -> SheetTable:
    order = sorted(
        range(len(plain_rows)),
        key=lambda n: (number(plain_rows[n].get("band_rpm")) is None, number(plain_rows[n].get("band_rpm")) or 0.0),
    )
    sound = {s.band_name: (n, s) for n, s in reversed(list(enumerate(summary.sound))) if _is_first_place(s, summary)}
    letters = _trim_letters(trims)
    heads = [*band_heads(units), ("Sound", "dB(A)"), ("Ways", ""), ("Trim", "")]
    answered = {
        found.band_name
        for found in (summary.top_speed, summary.economy_planing, summary.economy_displacement)
        if found is not None
    }
    made = []
    for n in order:
        r = plain_rows[n]
        cells = band_cells(r, n, ledger, units)
        heard = sound.get(r.get("band_name") or "")
        cells.append((DASH,) if heard is None else (plain(ledger.at("sound", heard[0], "level_db"), 0, "dB(A)"),))
        cells.append((plain(ledger.band(n, "ways")),))
        noted = trims.get(str(r.get("band_name")), [])
        cells.append(("".join(dict.fromkeys(letters[t.text] for t in noted)) or DASH,))
        made.append((r.get("band_name") in answered, tuple(cells)))
    first = {t.text: t for own in trims.values() for t in reversed(own)}
    key = joined([(f"{letter} ", first[text]) for text, letter in letters.items()], "; ")
    return SheetTable(tuple(heads), tuple(made), ("Trim ", *key, ".") if letters else ())


def _is_first_place(level: SoundLevel, summary: Summary) -> bool:
    return level.place == summary.sound[0].place and level.doors == summary.sound[0].doors


def _band_trims(legs: pa.Table | None) -> dict[str, list[Traced]]:
    """Return the trims noted on the legs of each band."""
    found: dict[str, list[Traced]] = {}
    for n, leg in enumerate(rows(legs)):
        if leg.get("trim"):
            found.setdefault(str(leg.get("band_name")), []).append(Traced(str(leg["trim"]), f"{LEGS}#/{n}/trim"))
    return found


def _trim_letters(trims: dict[str, list[Traced]]) -> dict[str, str]:
    """Return a letter for each trim, in the order met."""
    texts = dict.fromkeys(t.text for own in trims.values() for t in own)
    return {text: chr(97 + n % 26) for n, text in enumerate(texts)}


def band_heads(units: ReaderUnits) -> list[tuple[str, str]]:
    """Return the heads of the columns that every band table has."""
    return [("Rpm", "")] + [(q.heading.replace("Fuel flow", "Fuel"), scale.text) for q, scale, _ in _columns(units)]


def band_cells(r: Any, n: int, ledger: Ledger, units: ReaderUnits) -> list[Phrase]:
    """Return the cells below these heads, with the decimals of their columns; a ± stands in the usual unit only.

    Args:
        r: Row of the band table.
        n: Its number there.
        ledger: Where the numbers stand.
        units: Of the reader.
    """
    named = number(r.get("band_rpm")) is None
    first = said(ledger.band(n, "band_name")) if named else plain(ledger.band(n, "band_rpm"), 0, "rpm")
    cells: list[Phrase] = [(first,)]
    for quantity, scale, leads in _columns(units):
        value, u, k = (ledger.band(n, column) for column in (quantity.value, quantity.u, quantity.k))
        if number(value.value) is None:
            cells.append((DASH,))
            continue
        printed = value_and_pm(value, u, k, scale, ledger.decimals(quantity)(scale))
        cells.append(printed if leads else printed[:1])
    return cells


def _columns(units: ReaderUnits) -> list[tuple[BandQuantity, Scale, bool]]:
    """Return quantity, unit, and whether it is the usual one, of each column."""
    # a range in statute miles beside nautical ones would be a column for one multiplication
    kept = [
        (q, [s for s in units.scales(q.unit) if q.name != "range" or s.unit != "mi"]) for q in BAND_QUANTITIES
    ]  # fmt: skip
    return [(q, scale, n == 0) for q, scales in kept for n, scale in enumerate(scales)]


# ------------------------------------------------------------------------------
# What limits the result, what is missing, seal, foot.
# ------------------------------------------------------------------------------

SHORT_LIMITS: dict[str, tuple[str, str]] = {
    "load-read": ("Load", "read otherwise than stated"),
    "driven-one-way": ("Manoeuvre one way", "the wind is not taken out of it"),
    "turn-one-side": ("Turn", "to one side only"),
    "one-way": ("One way only", "no run back cancels the current"),
    "current-unknown": ("Current not known", "the speed may be wrong by as much as the stream"),
    "current-from-other-bands": ("Current", "taken from other bands where a row was run one way"),
    "late-reciprocal": ("Late run back", "the current may have changed between the runs"),
    "rpm-mismatch": ("Engine speed", "runs of a band differ in rpm by more than allowed"),
    "methods-disagree": ("Methods differ", "pairs and fit differ beyond their uncertainty"),
    "outlying-leg": ("Run that does not fit", "one run does not fit the others"),
    "third-run-advised": ("Current", "it changed so much that a third run was worth its time"),
    "undeclared-step": ("Step", "held above the highest declared step"),
    "shallow": ("Shallow water", "speed and fuel are not those of deep water"),
    "near-critical": ("Critical depth", "the depth governs the speed; repeat in deeper water"),
    "wind": ("Wind", "more than a gentle breeze"),
    "trim-unknown": ("Trim", "not noted on every leg"),
    "trim-differs": ("Trim", "legs of different trim are averaged"),
    "engines-differ": ("Engines", "their speeds differ"),
    "fuel-differs": ("Fuel flow", "the engines differ at equal rpm"),
    "no-fuel": ("Fuel flow", "not known for a row"),
    "coarse-readings": ("Coarse readings", "rounding leaves the economy uncertain"),
    "reviewed": ("Review", "a person changed which stretches are used"),
    "no-bands": ("No band", "no steady run was accepted"),
    "no-rpm": ("Engine speed", "not known; runs are matched by speed"),
    "read-by-hand": ("Read by hand", "rpm and flow were read off displays"),
    "top-speed-not-claimed": ("Top speed", "not claimed: the fastest was not held both ways"),
    "no-heading": ("Heading", "none, so a current abeam cannot be seen"),
    "heading-not-usable": ("Heading", "it does not follow the course and was not used"),
    "heading-offset": ("Heading", "off by a constant angle that was taken out"),
    "no-depth": ("Depth", "not known, shallow water cannot be ruled out"),
    "fuel-uncalibrated": ("Fuel flow", "uncalibrated: the engines’ own figure"),
    "capacity-unknown": ("Tank", "capacity not stated, so there is no range"),
    "load-incomplete": ("Load", "the load sheet is not complete"),
    "sea": ("Sea", "higher than a speed trial of this length allows"),
    "no-full-throttle": ("Rated rpm", "not reached"),
    "not-monotonic": ("Curve", "speed or fuel does not rise with rpm throughout"),
    "no-planing-threshold": ("Planing speed", "the slow run shows no threshold"),
    "planing-reversed": ("Planing speed", "it ended faster than it began, which is unusual"),
    "drifted": ("Drift", "a stretch in neutral was left out"),
    "not-settled": ("Settling", "speed was still on its way when measured"),
    "tide-not-told": ("Tide", "order of the runs hides a change of the current"),
    "outside-bands": ("Left out", "steady runs that belong to no declared band"),
    "generator": ("Generator", "it ran; its fuel may be in the figures"),
    "generator-unknown": ("Generator", "not stated whether one ran"),
    "outliers-left-out": ("Outliers", "samples were left out, as the settings ask"),
    "standard-errors-differ": ("Scatter", "two ways to find it differ"),
    "implausible": ("Plausibility", "a figure lies outside what is usual"),
    "size-doubtful": ("Weights and tanks", "one does not fit the boat’s size"),
    "plan-open": ("Plan", "part of it is open"),
    "declared-not-run": ("Declared steps", "no steady run was accepted at one"),
    "plan-signed-off": ("Plan", "part was left out on purpose"),
    "plan-unfit": ("Plan", "something signed off fits nothing open"),
    "repeat-differs": ("Repeated step", "it came out differently, beyond noise"),
    "recording": ("Recording", "not closed, see the annex"),
    "faster-than-time": ("Rehearsal", "recorded faster than time, of no boat"),
    "half": ("Other half", "the second half of the recording is not here"),
    "noted-by-clock": ("Notes", "moved, as the computer’s clock was off UTC"),
    "notes": ("Notes", "not every line could be read"),
    "reading": ("Reading", "one typed by hand was not used"),
    "seal": ("Seal", "not as it was sealed, see the annex"),
    "not-sealed": ("Seal", "not sealed, so a change would not show"),
    "other-settings": ("Settings", "other than those of the session"),
    "log": ("Engine log", "a file is described by no settings and was not used"),
}
"""Name and one short line for each code of a warning; figures stand in the annex."""
LONGEST_PLAN = 500
"""Characters of a sentence on the plan that the page has room for (our choice: four lines)."""
PLAN, PLAN_CODES = "Plan", ("plan-open", "plan-signed-off", "plan-unfit")
"""How the plan is called among the limits, and the codes of its warnings."""
_HEALTH: tuple[tuple[str, str, str], ...] = (
    ("holes", "hole", "holes"), ("clock_steps", "step of a clock", "steps of a clock"),
    ("restarts", "restart", "restarts"), ("disagreements", "contradiction", "contradictions"),
    ("stuck", "stuck reading", "stuck readings"), ("spikes", "channel with spikes", "channels with spikes"),
    ("rejected", "kind of damaged line", "kinds of damaged lines"),
    ("undecoded", "type not decoded", "types not decoded"),
)  # fmt: skip
MOST_LIMITS = 8
"""More lines than the page has room for; the rest are counted and stand in the annex."""
LONGEST_WHERE = 44


_TOLD_ELSEWHERE = ("data", "data-health", "plan-open", "plan-signed-off")


def limits_of(summary: Summary, ledger: Ledger) -> list[tuple[Severity, str, Phrase]]:
    """Return one line for each kind of fault, the gravest first; those of the data are one line."""
    made: list[tuple[Severity, str, Phrase]] = []
    seen: dict[str, int] = {}
    for n, w in enumerate(summary.warnings):
        if w.code in _TOLD_ELSEWHERE or w.code in seen:
            continue
        seen[w.code] = n
        if w.code in PLAN_CODES and len(w.text) <= LONGEST_PLAN:
            # which runs are open is what this page is for, so the sentence stands whole
            made.append((w.severity, PLAN, (said(ledger.at("warnings", n, "text")),)))
            continue
        code = "driven-one-way" if w.code.endswith("-one-way") else w.code
        name, text = SHORT_LIMITS.get(code, (words(w.code.replace("-", " ")).capitalize(), "see the annex"))
        where: Phrase = ()
        if 0 < len(w.where) <= LONGEST_WHERE and any(c.isdigit() for c in w.where):
            where = (" (", said(ledger.at("warnings", n, "where")), ")")
        made.append((w.severity, name, (text, *where)))
    made += _data_limit(summary, ledger)
    made.sort(key=lambda line: (SEVERITY_ORDER[line[0]], line[1] != PLAN))
    if len(made) <= MOST_LIMITS:
        return made
    rest = made[MOST_LIMITS - 1 :]
    named = join_words(list(dict.fromkeys(name for _, name, _ in rest)))
    return [*made[: MOST_LIMITS - 1], (rest[0][0], "And", (f"{named[0].lower()}{named[1:]}: see the annex",))]


def _data_limit(summary: Summary, ledger: Ledger) -> list[tuple[Severity, str, Phrase]]:
    told: list[Phrase] = []
    for key, one, many in _HEALTH:
        stored = ledger.at("data_health", key)
        if stored.value:
            told.append((counted(stored), f" {one if len(stored.value) == 1 else many}"))
    graver: list[TrialWarning] = [w for w in summary.warnings if w.code in ("data", "data-health")]
    if not told and not graver:
        return []
    worst: Severity = min((w.severity for w in graver), key=lambda s: SEVERITY_ORDER[s], default="info")
    return [(worst, "Data", joined(told, ", ") or ("remarks of the reading, see the annex",))]


def missing_of(summary: Summary, *, with_plan: bool = True) -> str:
    """Return one line of what nobody recorded or stated; without open parts of the plan where all sessions share it."""
    c, boat = summary.conditions, summary.boat
    was_recorded = {
        "wind": c.wind_speed_true_kn_mean is not None, "sea": c.wave_height_m is not None or c.sea_state is not None,
        "depth": c.depth_m_min is not None, "trim": bool(c.trim), "sound": bool(summary.sound),
        **{label.lower(): bool(results_of(summary, stems)) for label, stems in HANDLING},
        "tester’s cruise": summary.cruise is not None,
    }  # fmt: skip
    engines = summary.engines
    was_stated = {
        "length": boat.length_m is not None, "beam": boat.beam_m is not None, "draught": boat.draught_m is not None,
        "engine power": bool(engines) and all(e.rated_kw is not None for e in engines),
        "gear": bool(engines) and all(e.gear_ratio is not None for e in engines),
        "propeller": bool(engines) and all(e.propeller_pitch_m is not None for e in engines),
        "tank capacity": summary.fuel.capacity_l is not None, "who tested": bool(summary.trial.tested_by),
    }  # fmt: skip
    lacking, unstated = ([name for name, known in which.items() if not known] for which in (was_recorded, was_stated))
    unstated += [name for name in summary.load.missing if name not in unstated]
    parts = [f"Not recorded: {join_words(lacking)}."] if lacking else []
    parts += [f"Not stated: {join_words(unstated)}."] if unstated else []
    if summary.plan is None:
        # what was to be run is not known, so nobody can say that it was
        return " ".join(parts) or "No plan was given to hold the runs against."
    parts += ["Parts of the plan, as named."] if with_plan and summary.plan.of("missing", "refused", "half") else []
    return " ".join(parts) or "Nothing is missing."


MOST_CELLS = 6
"""More open runs of the plan than the page has room to name; the rest are counted."""
_OPEN: tuple[tuple[PlanState, str], ...] = (
    ("missing", "missing"), ("refused", "tried and refused"), ("half", "one way only"), ("signed_off", "signed off"),
)  # fmt: skip


def plan_of(plan: PlanComparison | None, ledger: Ledger) -> Phrase:
    """Return "14 of 18 done; 2 missing: 2600 rpm 075°, turn port; 1 signed off: stop (traffic)"."""
    if plan is None or not plan.cells:
        return ()
    cells = ledger.at("plan", "cells")
    done = Traced(str(len(plan.of("done"))), cells.place, "done")
    parts: list[Phrase] = [(done, " of ", counted(cells), " done")]
    for state, name in _OPEN:
        found = [n for n, cell in enumerate(plan.cells) if cell.state == state]
        if not found:
            continue
        named = [_cell_name(n, ledger, with_reason=state == "signed_off") for n in found[:MOST_CELLS]]
        more: Phrase = (", and others",) if len(found) > MOST_CELLS else ()
        parts.append((Traced(str(len(found)), cells.place, state), f" {name}: ", *joined(named, ", "), *more))
    return joined(parts, "; ")


def _cell_name(n: int, ledger: Ledger, *, with_reason: bool) -> Phrase:
    step, way, reason = (said(ledger.at("plan", "cells", n, key)) for key in ("step", "way", "reason"))
    named: Phrase = (step, " ", way) if way.text else (step,)
    return (*named, " (", reason, ")") if with_reason and reason.text else named


def _seal(summary: Summary, ledger: Ledger) -> Phrase:
    """Return what both parties note: whether the result rests on sealed files, and the root of them."""
    root = ledger.at("seal", "root" if summary.seal.root else "root_of_files")
    return (
        *sealed_as(summary, ledger), " (", said(root), "); session ", said(ledger.at("session", "id")), "; settings ",
        _short_hash(ledger.at("config_hash")), "…",
    )  # fmt: skip


def sealed_as(summary: Summary, ledger: Ledger) -> Phrase:
    """Return whether the files are as they were sealed, and the first digits of their root."""
    seal = summary.seal
    state: Phrase = ("CHANGED since it was sealed",) if seal.state == "changed" else (said(ledger.at("seal", "state")),)
    root = ledger.at("seal", "root" if seal.root else "root_of_files")
    named = ", root " if seal.root else ", root of what is there now "
    return (*state, named, Traced(short_root(str(root.value)), root.place, "short"))


def _short_hash(stored: Stored) -> Traced:
    return Traced(str(stored.value)[:12], stored.place, "first 12")


def foot_of(summary: Summary, ledger: Ledger, units: ReaderUnits) -> list[Phrase]:
    """Return what ranges, speeds and weights stand on."""
    fuel = summary.fuel
    made: list[Phrase] = []
    best = (summary.economy_planing, summary.economy_between, summary.economy_displacement, summary.economy_overall)
    has_range = any(point is not None for point in best)
    if has_range and fuel.capacity_l is not None and fuel.usable_after_reserve_l is not None:
        burnt = in_units(ledger.at("fuel", "usable_after_reserve_l"), "L", 0, units, thousands=True)
        capacity = in_units(ledger.at("fuel", "capacity_l"), "L", 0, units, thousands=True)
        kept, usable = share(ledger.at("fuel", "reserve_fraction")), share(ledger.at("fuel", "usable_fraction"))
        made.append(
            ("Range on ", *burnt, ": tanks ", *capacity, ", ", *usable, " usable, ", *kept, " of it kept in reserve.")
        )
    made.append(
        ("Speeds are through the water, current removed where both ways were run. Holds for this boat, load and day.",)
    )
    taken = {(i.density_from, i.density_kg_per_m3): n for n, i in enumerate(summary.load.items) if i.density_from}
    for (origin, _), n in taken.items():
        if origin.endswith("water"):
            density = in_units(ledger.at("load", "items", n, "density_kg_per_m3"), "kg/m³", 0, units, thousands=True)
            made.append((f"{origin.capitalize()} in tanks is taken as ", *density, "."))
    return made
