"""What people noted during a trial: ``raw/notes.jsonl``, one JSON object a line."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from trialcapture.archive.session import Session
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.segments import TrimEntry

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
        entry = json.loads(text.decode("utf-8-sig"))
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
