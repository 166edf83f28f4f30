"""What people noted, as sections of the report: walk round, findings, handling, sound, conditions, load, photos."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from trialcapture.config import UnitSystem
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.note_record import item_key
from trialcapture.reduce.summary import NotedFinding, NotedMeasure, NotedPhoto, NoteRecord, SoundLevel, Summary
from trialcapture.report.format import DASH, ReaderUnits, band_phrase, clock, date, duration, fixed, plural
from trialcapture.units import convert, dimension, parse_unit

MOST_ROWS = 400
"""Rows of a table at most; of more their number is told (our choice)."""
MOST_PICTURES = 60
"""Small pictures in a page at most, some 20 kB each (our choice)."""
LONGEST_TEXT = 2000
"""Characters of a text at most, as `trialcapture note` takes them."""
USUAL_GAP_S = 4500.0
"""Conditions are read once an hour; a quarter more is no gap (common practice, no source)."""
_METRIC_LENGTHS = ("cm", "m", ("mm", "cm", "m", "nm"))
_FEET_AND_INCHES = ("in", "ft", ("in", "ft", "mi", "nm", "fathom"))
_LENGTHS: Mapping[UnitSystem, tuple[str, str, tuple[str, ...]]] = {
    "metric": _METRIC_LENGTHS, "us": _FEET_AND_INCHES, "imperial": _FEET_AND_INCHES,
}  # fmt: skip
"""By system: the unit of short lengths, that of long ones, and those that stay as they were noted."""
_OWN = {
    "mass": "kg", "volume": "L", "temperature": "°C", "pressure": "bar", "speed": "kn", "power": "kW",
    "volume flow": "L/h", "density": "kg/m³",
}  # fmt: skip
"""The program's unit of a dimension, as the report spells it."""
_SHORT_M = 1.0
"""Lengths below this are told in the shorter unit (our choice)."""


class TableOfNotes(NamedTuple):
    """A table: the names of its columns, its rows, and a sentence below it, "" for none."""

    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    below: tuple[str, ...] = ()


class Photo(NamedTuple):
    """A photo as it stands in the page: its small picture as a data URI, "" for none, and what is told of it."""

    uri: str
    text: str
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NoteSections:
    """What people noted, ready to be set.

    Attributes:
        trial_notes: The notes of the settings, a paragraph each.
        tables: Tables that have at least one row, in order.
        photos: Photos.
    """

    trial_notes: tuple[str, ...]
    tables: tuple[TableOfNotes, ...]
    photos: tuple[Photo, ...]

    @property
    def is_empty(self) -> bool:
        """True where nobody noted anything."""
        return not (self.trial_notes or self.tables or self.photos)


def note_sections(summary: Summary, units: ReaderUnits, pictures: Mapping[str, str]) -> NoteSections:
    """Return what people noted as it is printed.

    Args:
        summary: The summary.
        units: What the reader asked for.
        pictures: Small pictures as data URIs, by file.
    """
    noted = summary.noted or NoteRecord((), (), (), (), None, (), None, ())
    day = (summary.conditions.start or "")[:10]
    tables = [
        _walk_round(noted, units, day),
        _findings(noted, day),
        _handling(summary, noted, day),
        _sound(summary.sound),
        _remarks(summary, day),
        _conditions(noted, units, day),
        _loads(noted, units, day),
        _leg_fuel(noted, units, day),
    ]
    return NoteSections(
        tuple(_cut(line) for line in summary.trial.notes.splitlines() if line.strip()),
        tuple(table for table in tables if table.rows or table.below),
        tuple(
            _photo(photo, pictures) for photo in sorted(noted.photos[:MOST_ROWS], key=lambda p: (p.taken or p.t, p.t))
        ),
    )


def _table(name: str, head: Sequence[str], rows: Sequence[Sequence[str]], below: Sequence[str] = ()) -> TableOfNotes:
    """Return a table without the columns in which nothing stands; the first one stays."""
    shown = [[_cut(cell) for cell in row] for row in rows[:MOST_ROWS]]
    kept = [n for n in range(len(head)) if n == 0 or any(row[n] for row in shown)]
    more = len(rows) - len(shown)
    left = [f"And {plural(more, 'more entry', 'more entries')}, in summary.json."] if more else []
    return TableOfNotes(
        name, tuple(head[n] for n in kept), tuple(tuple(row[n] or DASH for n in kept) for row in shown),
        (*left, *below),
    )  # fmt: skip


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT]} …"


def _at(t: str, day: str) -> str:
    """Return when something was noted; with its date where that is not the day of the runs."""
    at = clock(t, seconds=False)
    return at if t[:10] == day else f"{date(t)}, {at}"


def _walk_round(noted: NoteRecord, units: ReaderUnits, day: str) -> TableOfNotes:
    area = {item_key(item.what): item.area for item in noted.walk_round}
    order = {name: n for n, name in enumerate(dict.fromkeys(area.values()))}
    measured = sorted(noted.measures, key=lambda m: order.get(area.get(item_key(m.what), ""), len(order)))
    rows = [
        (m.what, area.get(item_key(m.what), ""), m.where, reader_measure(m, units), _at(m.t, day), m.during, m.by)
        for m in measured
    ]  # fmt: skip
    left = {True: [i for i in noted.walk_round if i.is_open and i.is_standard],
            False: [i for i in noted.walk_round if i.is_open and not i.is_standard]}  # fmt: skip
    below = []
    if noted.walk_round and not left[True]:
        below.append("Nothing of the checklist’s standard items is open.")
    for is_standard, items in left.items():
        by_area = {a: "; ".join(i.what for i in items if i.area == a) for a in dict.fromkeys(i.area for i in items)}
        listed = ". ".join(f"{a}: {what}" for a, what in by_area.items())
        if items:
            below.append(f"{'Open' if is_standard else 'Optional, not looked at'} ({len(items)}): {_cut(listed)}.")
    return _table("Walk round", ("Measured", "Area", "Where", "Value", "Time", "During", "By"), rows, below)


_GRADES = {"defect": "Defect", "watch": "Watch", "good": "Good"}


def _ranked(findings: Sequence[NotedFinding]) -> list[NotedFinding]:
    rank = {grade: n for n, grade in enumerate(_GRADES)}
    return sorted(findings, key=lambda f: rank.get(f.grade, len(rank)))


def _findings(noted: NoteRecord, day: str) -> TableOfNotes:
    rows = [
        (_GRADES.get(f.grade, f.grade), f.text, f.what, f.where, _at(f.t, day), f.during, f.by)
        for f in _ranked(noted.findings) if not f.about
    ]  # fmt: skip
    return _table("Findings", ("Grade", "Finding", "Item", "Where", "Time", "During", "By"), rows)


def _handling(summary: Summary, noted: NoteRecord, day: str) -> TableOfNotes:
    told = [(f.t, f.text, _GRADES.get(f.grade, f.grade), f.where, f.during, f.by) for f in noted.findings if f.about]
    told += [(r.t, r.text, "", r.where, r.during, r.by) for r in summary.remarks if r.about]
    rows = [(text, grade, where, _at(t, day), during, by) for t, text, grade, where, during, by in sorted(told)]
    return _table("Handling", ("What was noted", "Grade", "Where", "Time", "During", "By"), rows)


def _sound(levels: Sequence[SoundLevel]) -> TableOfNotes:
    rows = [
        (
            s.place or "place not noted", band_phrase(s) if s.band_name else "outside the runs",
            f"{fixed(s.level_db, 1)} dB(A)", s.doors or "not noted", duration(s.seconds) if s.seconds else "not noted",
            str(s.readings), "near the background" if s.near_background else "",
        )
        for s in levels
    ]  # fmt: skip
    below = []
    if levels:
        below.append(
            f"Sound levels inside the boat, not a pass-by. Standard uncertainty {fixed(levels[0].u_db, 1)} dB; several "
            "readings of one place are meaned by their energy."
        )
    if any(s.near_background for s in levels):
        below.append(
            "Near the background: the sound without engines was within 10 dB of the level, so that part of the level "
            "is not the boat’s under way. At 10 dB it adds 0.5 dB, at 3 dB 3 dB; it is not taken out."
        )
    head = ("Place", "Band", "Level", "Doors", "Measured for", "Readings", "Flag")
    return _table("Sound on board (interior, not pass-by)", head, rows, below)


def _remarks(summary: Summary, day: str) -> TableOfNotes:
    rows = [
        (r.text, "the sea" if r.kind == "sea" else "", r.where, _at(r.t, day), r.during, r.by)
        for r in summary.remarks if not r.about
    ]  # fmt: skip
    return _table("Remarks", ("Remark", "About", "Where", "Time", "During", "By"), rows)


def _conditions(noted: NoteRecord, units: ReaderUnits, day: str) -> TableOfNotes:
    def said(x: float | None, unit: str, decimals: int) -> str:
        return "" if x is None else units.say(x, unit, decimals)

    rows = [
        (
            _at(c.t, day), said(c.air_temp_c, "°C", 1), said(c.pressure_hpa, "hPa", 0), said(c.wind_speed_kn, "kn", 0),
            "" if c.wind_from_deg is None else f"{round(c.wind_from_deg) % 360:03d}°", said(c.wave_height_m, "m", 1),
            c.during, c.by,
        )
        for c in noted.conditions
    ]  # fmt: skip
    below = []
    if noted.conditions_gap_s is not None and noted.conditions_gap_s > USUAL_GAP_S:
        below.append(
            f"For {duration(noted.conditions_gap_s)} of the runs nobody noted conditions; once an hour is usual."
        )
    head = ("Time", "Air", "Pressure", "Wind, true", "From", "Waves", "During", "By")
    return _table("Conditions as read", head, rows, below)


def _loads(noted: NoteRecord, units: ReaderUnits, day: str) -> TableOfNotes:
    rows = [
        (
            f"{load.when.capitalize()} the runs" if load.when else "", load.tank,
            "" if load.fraction is None else f"{fixed(100.0 * load.fraction, 0)} %",
            "" if load.litres is None else units.say(load.litres, "L", 0, thousands=True),
            "" if load.kg is None else units.say(load.kg, "kg", 0, thousands=True),
            "" if load.persons is None else str(load.persons), _at(load.t, day), load.by,
        )
        for load in sorted(noted.loads, key=lambda load: load.when != "before")
    ]  # fmt: skip
    below = []
    fuel = noted.fuel
    if fuel is not None and fuel.before_l is not None and fuel.after_l is not None:
        used = units.say(fuel.before_l - fuel.after_l, "L", 0, thousands=True)
        burnt = units.say(fuel.by_flow_l, "L", 0, thousands=True)
        flow = "" if fuel.by_flow_l is None else f"; by the flow meters, from first to last sample: {burnt}"
        below.append(f"Fuel used by the tanks: {used}{flow}.")
    if fuel is not None and fuel.reason:
        below.append(f"Fuel on board is not told leg by leg: {fuel.reason}.")
    head = ("When", "Tank", "Full", "Contents", "Mass", "Persons", "Time", "By")
    return _table("Load before and after", head, rows, below)


def _leg_fuel(noted: NoteRecord, units: ReaderUnits, day: str) -> TableOfNotes:
    legs = noted.fuel.legs if noted.fuel is not None else ()
    rows = [
        (
            _at(leg.start, day), band_phrase(leg), units.say(leg.burnt_l, "L", 0, thousands=True),
            units.say(leg.on_board_l, "L", 0, thousands=True),
            "" if leg.on_board_kg is None else units.say(leg.on_board_kg, "kg", 0, thousands=True),
        )
        for leg in legs
    ]  # fmt: skip
    below = (
        ["As the tanks were read before the runs, less what the engines burnt from the first sample on."]
        if legs
        else []
    )
    return _table("Fuel on board, leg by leg", ("Leg begun", "Band", "Burnt", "On board", "Mass"), rows, below)


def _photo(photo: NotedPhoto, pictures: Mapping[str, str]) -> Photo:
    uri = pictures.get(photo.file, "")
    when = {
        "camera": "by the camera’s clock", "satellites": "by the camera’s satellite receiver",
        "note": "when it was noted", "": "",
    }[photo.taken_from]  # fmt: skip
    lines = [
        f"{_moment(photo.taken)}, {when}" if photo.taken else "Time not known",
        photo.reason, photo.during, photo.where, f"by {photo.by}" if photo.by else "",
        photo.file.rpartition("/")[2],
        f"SHA-256 {photo.sha256[:12]}…" if photo.sha256 else "",
    ]  # fmt: skip
    return Photo(uri, _cut(photo.caption), tuple(_cut(line) for line in lines if line))


def _moment(t: str | None) -> str:
    return f"{t[:10]} {clock(t)}" if t else ""


def reader_measure(measure: NotedMeasure, units: ReaderUnits) -> str:
    """Return what was measured in the reader's units, no coarser than it was noted; an unknown unit stays.

    A length is told in the units of its size, in cm or in inches below a metre.
    """
    if measure.value is None:
        return DASH
    as_noted = f"{measure.value:.15g} {measure.unit}".strip()
    try:
        unit = parse_unit(measure.unit)
        kind = dimension(unit)
    except TrialCaptureError:
        return as_noted
    said = []
    for system in dict.fromkeys((units.system, units.also or units.system)):
        to, text = _unit_for(measure.value, unit, kind, system)
        value = fixed(convert(measure.value, unit, to), _decimals(measure.value, unit, to))
        said.append(as_noted if to == unit else f"{value} {text}")
    first, *others = dict.fromkeys(said)
    return f"{first} ({others[0]})" if others else first


def _unit_for(value: float, unit: str, kind: str, system: UnitSystem) -> tuple[str, str]:
    """Return the unit a value is told in, and how that is written."""
    if kind == "length":
        short, long, stay = _LENGTHS[system]
        to = unit if unit in stay else short if abs(convert(value, unit, "m")) < _SHORT_M else long
        return to, to
    if kind not in _OWN:
        return unit, unit
    scale = ReaderUnits(system).scale(_OWN[kind])
    return scale.unit, scale.text


def _decimals(value: float, unit: str, to: str) -> int:
    """Return decimals that are no coarser than the last digit that was noted."""
    text = f"{value:.15g}"
    noted = 0 if "e" in text else len(text.partition(".")[2])
    step = abs(convert(10.0**-noted, unit, to) - convert(0.0, unit, to))
    return min(max(0, math.ceil(-math.log10(step) - 1e-9)), 6)
