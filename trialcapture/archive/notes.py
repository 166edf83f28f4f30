"""What people noted during a trial and about it: ``raw/notes.jsonl``, one JSON object a line.

A review entry puts a person's judgement over the automatic verdict on one stretch:

    {"t":"2026-05-12T16:40:00Z","kind":"exclude","value":"2026-05-12T10:12:00Z/2026-05-12T10:13:10Z",
     "reason":"ferry wash","by":"technician"}

``kind`` is ``exclude``, ``include``, ``relabel`` (with ``band_rpm``, the band the stretch is to stand in) or
``review-undo``, which takes back what was entered on the stretch before. ``value`` names the stretch by its interval
or by an instant in it, UTC; ``segment_id`` may stand beside it as a check, ``start`` may stand for ``value``. Without
a ``reason`` an entry has no effect. The last entry on a stretch stands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture.archive.atomic import write_file
from trialcapture.archive.manifest import read_manifest, refuse_changed_files, write_manifest
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.session import Session
from trialcapture.channels import ENGINE_QUANTITIES
from trialcapture.config import LOG_QUANTITIES
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.hand_readings import HandReading, last_digit
from trialcapture.prepare.steady.segment_review import REVIEW_KINDS, ReviewEntry
from trialcapture.prepare.steady.segments import TrimEntry
from trialcapture.units import convert, parse_unit

DAMAGED = "damaged"
"""Kind of a line that could not be read; its `value` is the text that stood there."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Note:
    """One line of the notes.

    Attributes:
        line: 0-based line in the file.
        t_ns: UTC it was entered [ns since 1970], by the computer's clock; 0 for a damaged line.
        kind: ``trim``, ``sound``, ``sea``, ``mark``, … or `DAMAGED`.
        value: What was noted.
        unit: Of the value, "" where it has none.
        by: Who noted it.
        more: What else the line says.
    """

    line: int
    t_ns: int
    kind: str
    value: Any
    unit: str
    by: str
    more: Mapping[str, Any]


def notes_path(folder: Path) -> Path:
    """Return where a session keeps its notes."""
    return folder / "raw" / "notes.jsonl"


def read_notes(session: Session) -> list[Note]:
    """Return the notes of a session in file order; none when nobody noted anything.

    A line that is no note is kept with kind `DAMAGED`, so that it can be counted and shown.

    Raises:
        TrialCaptureError: The file is there and cannot be read.
    """
    path = notes_path(session.folder)
    try:
        lines = path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise TrialCaptureError(
            "the notes cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    return [parse_note(text, number) for number, text in enumerate(lines) if text.strip()]


def parse_note(text: bytes, line: int) -> Note:
    """Return one note; kind `DAMAGED` when the line is none."""
    try:
        line_text = text.decode("utf-8-sig")
        entry = json.loads(line_text)
        if "\\ud" in line_text.lower():  # half of an escaped pair is no character that a table could hold
            entry = json.loads(json.dumps(entry, ensure_ascii=False).encode("utf-8", "replace"))
        stamp = datetime.fromisoformat(entry.pop("t"))  # without a zone, the subtraction below refuses it
        kind = str(entry.pop("kind"))
        t_ns = (stamp - _EPOCH) // timedelta(microseconds=1) * 1000
        value, unit, by = entry.pop("value", None), entry.pop("unit", None), entry.pop("by", None)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return Note(line, 0, DAMAGED, text.decode("utf-8", "replace"), "", "", {})
    return Note(line, t_ns, kind, value, str(unit or ""), str(by or ""), entry)


def marks_of(notes: Sequence[Note]) -> list[int]:
    """Return the UTC [ns since 1970] of the marks people made, ascending."""
    return sorted(note.t_ns for note in notes if note.kind == "mark")


def trims_of(notes: Sequence[Note]) -> list[TrimEntry]:
    """Return the trim settings people noted, ascending in time."""
    trims = [note for note in notes if note.kind == "trim" and note.value is not None]
    trims.sort(key=lambda note: note.t_ns)
    return [TrimEntry(note.t_ns, f"{note.value} {note.unit}".strip()) for note in trims]


def readings_of(notes: Sequence[Note], engine_ids: Sequence[str]) -> tuple[list[HandReading], list[str]]:
    """Return what people read off engine displays, and a sentence for each note that is no such reading.

    Args:
        notes: Of kind ``reading``, with ``engine`` (may be left out where there is one) and ``quantity``, the word a
            column of an engine log begins with; a value in any unit of the quantity.
        engine_ids: Engines.
    """
    found, faults = [], []
    for note in notes:
        if note.kind != "reading":
            continue
        try:
            found.append(_reading(note, engine_ids))
        except ValueError as fault:
            faults.append(f"the reading in line {note.line + 1} of the notes is not used: {fault}")
    return found, faults


def _reading(note: Note, engine_ids: Sequence[str]) -> HandReading:
    engine = str(note.more.get("engine") or (engine_ids[0] if len(engine_ids) == 1 else ""))
    if engine not in engine_ids:
        raise ValueError(f"its engine is {engine!r}; it can be {', '.join(engine_ids)}")
    word = str(note.more.get("quantity", ""))
    channel, unit = LOG_QUANTITIES.get(word, ("", ""))
    if channel not in {q.name for q in ENGINE_QUANTITIES}:
        can_be = [w for w, (name, _) in LOG_QUANTITIES.items() if name in {q.name for q in ENGINE_QUANTITIES}]
        raise ValueError(f"its quantity is {word!r}; it can be {', '.join(can_be)}")
    text = note.value if isinstance(note.value, str) else json.dumps(note.value)
    count = last_digit(text)
    try:
        shown = parse_unit(note.unit) if note.unit else unit
        low, high = (convert(value, shown, unit) for value in (float(text), float(text) + float(count)))
    except TrialCaptureError as fault:
        raise ValueError(f"its unit is {note.unit!r}, which is none of {word}") from fault
    return HandReading(note.t_ns, engine, channel, low, abs(high - low))


def reviews_of(notes: Sequence[Note]) -> list[ReviewEntry]:
    """Return the review entries among the notes, in file order."""
    return [_review_entry(note) for note in notes if note.kind in REVIEW_KINDS]


def _review_entry(note: Note) -> ReviewEntry:
    times = tuple(time for time in (note.value, note.more.get("start")) if time is not None)
    reason = note.more.get("reason")
    return ReviewEntry(
        line=note.line,
        kind=note.kind,
        times=times,
        segment_id=note.more.get("segment_id"),
        band_rpm=note.more.get("band_rpm"),
        reason=_one_line(reason) if isinstance(reason, str) else "",
        by=_one_line(note.by),
    )


def _one_line(text: str) -> str:
    """Return text as it stands in a table: on one line, without control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def append_notes(folder: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    """Append entries to the notes of a session; the file is complete with them or as it was.

    Args:
        folder: The session; no recorder may be at work on it.
        entries: One JSON-able object a line.

    Raises:
        TrialCaptureError: The notes cannot be read or written.
    """
    path = notes_path(folder)
    try:
        former = path.read_bytes()
    except FileNotFoundError:
        former = b""
    except OSError as fault:
        raise TrialCaptureError(
            "the notes cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    torn = b"\n" if former and not former.endswith(b"\n") else b""
    lines = "".join(json.dumps(entry, ensure_ascii=False) + "\n" for entry in entries)
    write_file(path, former + torn + lines.encode("utf-8", "replace"))


# Review entries on disk: appended to the notes, with the manifest brought up to date.


def add_review_entries(folder: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    """Append review entries to a session's notes.

    Lines that somebody put behind the notes by hand are taken into the manifest with them; any other change of a raw
    file is refused, because a new manifest would hide it.

    Args:
        folder: The session; no recorder may be at work on it.
        entries: As in `trialcapture.archive.notes`.

    Raises:
        TrialCaptureError: A raw file is not as the manifest says, or the disk does not take the entries.
    """
    has_manifest = read_manifest(folder) is not None
    if has_manifest:
        refuse_changed_files(folder, may_have_grown={notes_path(folder).relative_to(folder).as_posix()})
    append_notes(folder, entries)
    if has_manifest:
        write_manifest(folder)


def read_segments(folder: Path) -> pa.Table:
    """Return the segments of a session that was processed.

    Raises:
        TrialCaptureError: It was not, or the file is damaged.
    """
    path = folder / "trialset" / "segments.parquet"
    if not path.is_file():
        raise TrialCaptureError(
            "this session has no stretches yet, so none can be reviewed",
            where=str(path),
            expected=f"find them first: trialcapture process {folder}",
        )
    return read_parquet(path)
