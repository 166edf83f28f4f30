"""What people enter, checked part by part: notes of every kind, and changed verdicts on stretches.

A note's value, unit and fields are as `note_kinds` has them. Command line and desk both enter changed verdicts here:
they are written as notes and sealed, and nothing is deleted. Each names its stretch by its time, which holds for other
versions of the program too. `trialcapture.prepare.steady.segment_review` lays them over the automatic verdicts.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import Any, Literal

import pyarrow as pa

from trialcapture.archive.note_kinds import FIELDS, KINDS, NoteKind
from trialcapture.archive.notes import (
    Note,
    add_notes,
    notes_path,
    parse_note,
    parse_time,
    read_notes,
    refuse_unsealed,
    reviews_of,
)
from trialcapture.archive.seal import REVIEW, Acceptance, hold_seal, utc_now
from trialcapture.archive.session import Session
from trialcapture.config import LOG_QUANTITIES
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import REVIEW_KINDS, review_segments
from trialcapture.reduce.tables import iso_utc
from trialcapture.system.session_files import lock_if_there
from trialcapture.units import convert, dimension, parse_unit

_LONGEST_TEXT = 2000
"""Characters of a text at most (our choice: a page)."""


def note_entry(
    kind: str,
    value: str | None,
    *,
    unit: str = "",
    where: str = "",
    by: str = "",
    t: str,
    fields: Mapping[str, str],
    engine_ids: Sequence[str],
    notes: Sequence[Note] = (),
    units: str = "metric",
) -> dict[str, Any]:
    """Return a note as it is written, every part of it checked.

    Args:
        kind: One of `KINDS`.
        value: As it was typed; None where nothing was.
        unit: Of the value.
        where: Place on board.
        by: Who notes it.
        t: When, ISO 8601 with its zone.
        fields: Other fields as they were typed.
        engine_ids: Of the settings.
        notes: What is noted already; an undo must name one of them.
        units: Of the reader: a gallon that does not say which one it is is theirs.

    Raises:
        TrialCaptureError: A part is missing, one too many, or cannot be; it says which and what would be right.
    """
    spec = KINDS.get(kind)
    if spec is None:
        hint = "changes of a verdict are made by 'trialcapture review'" if kind in REVIEW_KINDS else ""
        raise TrialCaptureError("there is no such kind of note", seen=kind, expected=hint or ", ".join(KINDS))
    entry: dict[str, Any] = {
        "t": t,
        "kind": kind,
        "value": _value(kind, spec, value),
        "unit": _unit(kind, spec, reader_gallon(unit, units)),
    }
    if where:
        entry["where"] = _text("where", where)
    entry["by"] = _text("by", by) if by else ""
    known = {*spec.needs, *spec.one_of, *spec.may}
    for name, typed in fields.items():
        if name not in known:
            allowed = ", ".join(sorted(known)) or "no field beside value, unit, where, by and at"
            raise TrialCaptureError(f"a note of kind {kind} has no such field", seen=name, expected=allowed)
        entry[name] = _field(name, typed, units)
    for name in spec.needs:
        if name not in entry:
            wanted = FIELDS[name]
            expected = f"{_option(name)}, {wanted.help}" + (f": {', '.join(wanted.allowed)}" if wanted.allowed else "")
            raise TrialCaptureError(f"a note of kind {kind} lacks a field", seen=f"no {name}", expected=expected)
    if spec.one_of and not any(name in entry for name in spec.one_of):
        expected = "at least one of " + ", ".join(_option(name) for name in spec.one_of)
        raise TrialCaptureError(f"a note of kind {kind} says nothing", seen="no field", expected=expected)
    for check in (_check_plan_change, _check_load, _check_reading(engine_ids), _check_undo(notes)):
        check(entry)
    return entry


def reader_gallon(unit: str, units: str) -> str:
    """Return a unit as it was typed, where a gallon that does not say which one is that of the reader's units.

    Args:
        unit: As it was typed.
        units: Of the reader; in metric ones a gallon has to say which it is.
    """
    which = {"us": "US", "imperial": "imp"}.get(units)
    bare = _BARE_GALLONS.get("".join(unit.lower().split()))
    return f"{which} {bare}" if which and bare else unit


_BARE_GALLONS = {
    "gal": "gal", "gallon": "gal", "gallons": "gal", "gal/h": "gal/h", "gal/hr": "gal/h", "gph": "gal/h",
    "gallons/h": "gal/h",
}  # fmt: skip


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _value(kind: str, spec: NoteKind, typed: str | None) -> float | str | None:
    if typed is None or not typed.strip():
        if spec.value != "none":
            raise TrialCaptureError(
                f"a note of kind {kind} lacks its value", seen="nothing", expected=f"a {spec.value}: {spec.help}"
            )
        return None
    number = _number(typed)
    if spec.value == "number":
        if number is None:
            raise TrialCaptureError(f"the value of a note of kind {kind} must be a number", seen=typed[:80])
        return number
    return _text("value", typed) if spec.value == "text" or number is None else number


def _unit(kind: str, spec: NoteKind, unit: str) -> str:
    unit = unit.strip()
    if unit:
        return _text("unit", unit)
    if spec.unit is None:
        raise TrialCaptureError(f"a note of kind {kind} lacks its unit", seen="no unit", expected="--unit UNIT")
    return spec.unit


def _field(name: str, typed: str, units: str) -> float | int | str:
    spec = FIELDS[name]
    if not spec.is_number:
        text = _text(name, typed)
        if spec.allowed and text not in spec.allowed:
            raise TrialCaptureError(f"{name} cannot be that", seen=text, expected=", ".join(spec.allowed))
        return text
    number = _number(typed) if name not in _IN_UNITS else _converted(name, typed, units)
    least, most = spec.least or 0.0, spec.most or 0.0
    if number is None or not least <= number <= most:
        other = f"; another unit may stand behind it, such as {_IN_UNITS[name][1]!r}" if name in _IN_UNITS else ""
        raise TrialCaptureError(
            f"{name} cannot be that", seen=typed[:80],
            expected=f"a number from {least:g} to {most:g}: {spec.help}{other}",
        )  # fmt: skip
    if name == "persons":
        if number != int(number):
            raise TrialCaptureError(f"{name} must be a whole number", seen=typed[:80])
        return int(number)
    return number


_IN_UNITS = {
    "air_temp_c": ("°C", "68 °F"), "pressure_hpa": ("hPa", "29.92 inHg"), "wind_speed_kn": ("kn", "12 mph"),
    "wave_height_m": ("m", "2 ft"), "litres": ("l", "120 US gal"),
}  # fmt: skip
"""Fields that may be typed in another unit: the unit they are stored in, and an example of another."""


def _converted(name: str, typed: str, units: str) -> float | int | None:
    """Return a number that was typed with or without a unit, in that of its field; None where it is none."""
    found = re.fullmatch(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(\D.*?)?\s*", typed)
    if found is None:
        return None
    number = _number(found[1])
    if number is None or not found[2]:
        return number
    try:
        return float(f"{convert(number, parse_unit(reader_gallon(found[2], units)), _IN_UNITS[name][0]):.6g}")
    except TrialCaptureError:
        return None


def _number(typed: str) -> float | int | None:
    try:
        number = float(typed.strip().replace(",", "."))
    except ValueError:
        return None
    if not math.isfinite(number):
        return None
    return int(number) if number.is_integer() and abs(number) < 1e15 else number


def _text(name: str, typed: str) -> str:
    text = " ".join("".join(c if c.isprintable() else " " for c in typed).split())
    if not text or len(text) > _LONGEST_TEXT:
        raise TrialCaptureError(
            f"{name} is empty or too long", seen=f"{len(text)} characters", expected=f"1 to {_LONGEST_TEXT}"
        )
    return text.encode("utf-8", "replace").decode()


def _check_load(entry: Mapping[str, Any]) -> None:
    if entry["kind"] != "load":
        return
    amounts = [name for name in ("fraction", "litres") if name in entry]
    if ("tank" in entry) != (len(amounts) == 1):
        raise TrialCaptureError(
            "a tank needs how full it is, once",
            seen=", ".join(["tank"] * ("tank" in entry) + amounts),
            expected="--tank NAME with --fraction or with --litres",
        )


def _check_plan_change(entry: Mapping[str, Any]) -> None:
    if entry["kind"] == "plan_change" and entry["action"] == "skip" and "reason" not in entry:
        raise TrialCaptureError("a step is not left out without a reason", seen="no reason", expected="--reason WHY")
    if entry["kind"] == "pause" and entry["value"] not in ("begin", "end"):
        raise TrialCaptureError("a pause begins or ends", seen=str(entry["value"])[:80], expected="begin or end")


def _check_reading(engine_ids: Sequence[str]) -> Callable[[Mapping[str, Any]], None]:
    def check(entry: Mapping[str, Any]) -> None:
        if "engine" in entry and entry["engine"] not in engine_ids:
            raise TrialCaptureError(
                "the settings have no such engine",
                seen=entry["engine"],
                expected=", ".join(engine_ids) or "none is set",
            )
        if entry["kind"] != "reading":
            return
        if entry["quantity"] not in LOG_QUANTITIES:
            raise TrialCaptureError(
                "there is no such quantity", seen=entry["quantity"], expected=", ".join(sorted(LOG_QUANTITIES))
            )
        wanted = LOG_QUANTITIES[entry["quantity"]][1]
        try:
            fits = dimension(entry["unit"]) == dimension(wanted)
        except (ValueError, KeyError, TrialCaptureError):
            fits = False
        if not fits:
            raise TrialCaptureError(
                f"{entry['quantity']} cannot have this unit", seen=entry["unit"],
                expected="US gal/h or imp gal/h: a gallon must say which it is" if entry["unit"] == "gal/h"
                else f"a unit like {wanted.replace('l/h', 'L/h')}",
            )  # fmt: skip

        if "engine" not in entry and len(engine_ids) > 1:
            raise TrialCaptureError("which engine was read?", seen="no engine", expected=f"--engine {engine_ids[0]} or "
                                    f"--engine {engine_ids[1]}")  # fmt: skip

    return check


def _check_undo(notes: Sequence[Note]) -> Callable[[Mapping[str, Any]], None]:
    def check(entry: Mapping[str, Any]) -> None:
        if entry["kind"] != "undo":
            return
        try:
            t_ns = parse_time(entry["value"])
        except (ValueError, TypeError):
            t_ns = None
        if not any((note.t_ns, note.kind) == (t_ns, entry["of"]) for note in notes):
            raise TrialCaptureError(
                "there is no such entry to take back",
                seen=f"{entry['of']} at {entry['value']}",
                expected="the time of an entry as it stands in the notes, with --of its kind",
            )

    return check


Verdict = Literal["exclude", "include", "relabel", "review-undo"]
Wanted = tuple[str, int, dict[str, Any]]
"""What is to be done (a `Verdict`), the number of the stretch, and ``band_rpm`` for a relabelling."""


def enter_reviews(
    session: Session,
    segments: pa.Table,
    wanted: Sequence[Wanted],
    *,
    reason: str,
    by: str,
    writer: str,
    accept: Acceptance | None = None,
    once: str = "",
    progress: Callable[[str, float | None], None] = lambda _step, _share: None,
) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """Change verdicts on stretches, and return the entries and what is to be said of them.

    Args:
        session: The session.
        segments: Its stretches, as they are on the disk.
        wanted: What is to be done.
        reason: Why.
        by: Who.
        writer: Whose notes the entries go to.
        accept: Who accepts what was changed since the session was sealed; None where nobody does.
        once: Name of what was handed in, so that it stands once though it is handed in twice; "" for none. Two that
            differ must not have one name.
        progress: Called with the step under way.

    Raises:
        TrialCaptureError: Reason or name is missing, there is no such stretch, or an entry would have no effect.
    """
    _refuse_incomplete(wanted, reason, by)
    entries = [_entry(kind, number, more, segments, reason.strip(), by.strip()) for kind, number, more in wanted]
    if once:
        entries = [entry | {"once": once} for entry in entries]
    return entries, _add(session, entries, segments, writer, accept, progress, once)


def _refuse_incomplete(wanted: Sequence[Wanted], reason: str, by: str) -> None:
    for name, value, why in (("--reason", reason, "why"), ("--by", by, "who says so")):
        if not value.strip():
            raise TrialCaptureError(
                "a verdict is not changed without saying " + why,
                seen=f"no {name}",
                expected=f'add {name} "…"; it stands in the report',
            )
    for kind, _, more in wanted:
        if kind == "relabel" and not isfinite(more["band_rpm"]):
            raise TrialCaptureError(
                "nothing was noted", seen=f"band_rpm {more['band_rpm']} where an engine speed is needed"
            )
    verdicts = [number for kind, number, _ in wanted if kind != "relabel"]
    labels = [number for kind, number, _ in wanted if kind == "relabel"]
    twice = sorted({n for given in (verdicts, labels) for n in given if given.count(n) > 1})
    if twice:
        raise TrialCaptureError(
            "a stretch is given more than one verdict at once",
            seen=", ".join(map(str, twice)),
            expected="give each stretch once",
        )


def _entry(kind: str, number: int, more: dict[str, Any], segments: pa.Table, reason: str, by: str) -> dict[str, Any]:
    """Return a note that names a stretch by its time, which holds for other versions too."""
    ids = segments["segment_id"].to_pylist()
    if number not in ids:
        raise TrialCaptureError(
            "there is no stretch of this number",
            seen=number,
            expected=f"one of {min(ids)} to {max(ids)}; list them by leaving the options out"
            if ids
            else "there is none",
        )
    row = ids.index(number)
    ends = "/".join(iso_utc(segments[name][row].value) for name in ("start", "stop"))
    return {"t": utc_now(), "kind": kind, "value": ends, **more, "reason": reason, "by": by}


def _add(
    session: Session,
    entries: list[dict[str, Any]],
    segments: pa.Table,
    writer: str,
    accept: Acceptance | None,
    progress: Callable[[str, float | None], None],
    once: str,
) -> list[dict[str, str]]:
    """Add entries to the notes unless one of them could have no effect, and return what is to be said of them.

    Nothing is added where the newest entries have this name already.
    """
    with lock_if_there(session.folder):
        progress("hashing raw files", None)
        notes = read_notes(session)
        newest = [note.once for note in notes if note.kind in REVIEW_KINDS][-len(entries) :]
        if once and newest == [once] * len(entries):
            with hold_seal(session.folder):  # killed between writing and sealing, they need somebody who accepts them
                refuse_unsealed(session.folder, accept)
            return []
        file = notes_path(session.folder, writer).name
        first = max((note.line for note in notes if note.file == file), default=-1) + 1
        new = [parse_note(json.dumps(entry).encode(), first + k, file) for k, entry in enumerate(entries)]
        lines = {f"raw/{file}, line {note.line + 1}" for note in new}
        found = review_segments(segments, reviews_of([*notes, *new]))
        told = [warning for warning in found.warnings if warning["where"] in lines]
        unfit = [warning["text"] for warning in told if warning["severity"] == "red"]
        if unfit:
            raise TrialCaptureError("nothing was noted", seen="; ".join(unfit), where=str(session.folder))
        by, t = entries[0]["by"], entries[0]["t"]
        add_notes(session.folder, entries, writer=writer, what=REVIEW, by=by, t=t, accept=accept)
    return told
