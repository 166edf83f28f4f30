"""What people noted during a trial and about it: ``raw/notes*.jsonl``, one JSON object a line.

Each writer has a file of its own, so that nobody rewrites what another one appends to: the recorder writes
``raw/notes.jsonl``, every other writer ``raw/notes-<writer>.jsonl``. They are read merged by time. In sessions of
earlier versions everything stands in the first.

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
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa

from trialcapture.archive.atomic import append_safely, as_before_on_failure, open_replacement, write_error
from trialcapture.archive.manifest import hash_file
from trialcapture.archive.note_kinds import FIELDS, KINDS
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.photos import (
    CameraClock,
    PhotoTimes,
    camera_offset_s,
    parse_camera_zone,
    photo_path,
    read_photo_times,
    taken_at,
)
from trialcapture.archive.seal import (
    MANIFEST,
    Acceptance,
    SealComparison,
    SealLine,
    add_event,
    hold_seal,
    refuse_changed,
)
from trialcapture.archive.seal import NAME as SEAL
from trialcapture.archive.session import Session
from trialcapture.archive.verify import read_timeline
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json_line
from trialcapture.channels import ENGINE_QUANTITIES
from trialcapture.config import LOG_QUANTITIES
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import REVIEW_KINDS, HandReading, ReviewEntry, last_digit
from trialcapture.prepare.steady.segments import TrimEntry
from trialcapture.reduce.note_record import Observation
from trialcapture.system.session_files import is_plain_file, open_plain, read_whole
from trialcapture.units import convert, parse_unit

SPEED = "speed"
"""Kind of the recorder's entry where its clocks ran faster than time: a replay or a rehearsal."""
DAMAGED = "damaged"
"""Kind of a line that could not be read; its `value` is the text that stood there."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_YEAR, _LAST_YEAR = 1970, 2200
"""A note of another year is a slip of the pen, and beyond 2262 its time would not fit 64 bits."""


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
        file: Name of the file in ``raw/``.
        once: Name that whoever sent the entry gave it, so that it stands once though it is sent twice; "" for none.
    """

    line: int
    t_ns: int
    kind: str
    value: Any
    unit: str
    by: str
    more: Mapping[str, Any]
    file: str = "notes.jsonl"
    once: str = ""

    def entry(self) -> dict[str, Any]:
        """Return the note as it stands in its file."""
        at = note_time(_EPOCH + timedelta(microseconds=self.t_ns // 1000))
        named = {"once": self.once} if self.once else {}
        head = {"t": at, "kind": self.kind, "value": self.value, "unit": self.unit, "by": self.by}
        return head | dict(self.more) | named


def notes_path(folder: Path, writer: str = "") -> Path:
    """Return where a writer keeps its notes of a session: ``review``, ``note``, ``desk``, or "" for the recorder.

    Raises:
        TrialCaptureError: There can be no writer of such a name.
    """
    if writer and not _WRITER.fullmatch(writer):
        raise TrialCaptureError("no writer of notes has such a name", seen=writer, expected="letters, digits and '-'")
    return folder / "raw" / (f"notes-{writer}.jsonl" if writer else "notes.jsonl")


_WRITER = re.compile(r"[a-z0-9][a-z0-9-]{0,30}")


def notes_files(folder: Path) -> list[Path]:
    """Return the files of notes that a session has: the recorder's first, then the others by name."""
    others = sorted(path for path in (folder / "raw").glob("notes-*.jsonl") if path.is_file())
    first = notes_path(folder)
    return [*([first] if first.exists() else []), *others]


def read_notes(session: Session) -> list[Note]:
    """Return the notes of a session by time; those of one file stay in its order. None when nobody noted anything.

    A line that is no note is kept with kind `DAMAGED`, so that it can be counted and shown.

    Raises:
        TrialCaptureError: A file is there and cannot be read.
    """
    placed: list[tuple[int, Note]] = []
    for path in notes_files(session.folder):
        try:
            lines = read_whole(path, MOST_JSON_BYTES).split(b"\n")
        except OSError as fault:
            raise TrialCaptureError(
                "the notes cannot be read", seen=fault.strerror or str(fault), where=str(path)
            ) from fault
        at_ns = 0
        for number, text in enumerate(lines):
            if text.strip():
                note = parse_note(text, number, path.name)
                at_ns = max(at_ns, note.t_ns)  # a line never comes before one that stands above it
                placed.append((at_ns, note))
    return [note for _, note in sorted(placed, key=lambda found: found[0])]


def parse_note(text: bytes, line: int, file: str = "notes.jsonl") -> Note:
    """Return one note; kind `DAMAGED` when the line is none."""
    try:
        entry = parse_json_line(text)
        kind = str(entry.pop("kind"))
        t_ns = parse_time(entry.pop("t"))
        value, unit, by = entry.pop("value", None), entry.pop("unit", None), entry.pop("by", None)
        once = str(entry.pop("once", None) or "")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return Note(line, 0, DAMAGED, text.decode("utf-8", "replace"), "", "", {}, file)
    return Note(line, t_ns, kind, value, str(unit or ""), str(by or ""), entry, file, once)


def parse_time(text: str) -> int:
    """Return a time with its zone, ISO 8601, as UTC [ns since 1970].

    Raises:
        ValueError, TypeError: It is none, has no zone, or is of a year in which no boat was tried.
    """
    stamp = datetime.fromisoformat(text)
    if not _FIRST_YEAR <= stamp.year <= _LAST_YEAR:
        raise ValueError(f"the year {stamp.year}")
    return (stamp - _EPOCH) // timedelta(microseconds=1) * 1000


def standing(notes: Sequence[Note]) -> list[Note]:
    """Return the notes that nobody took back, those that take back left out.

    A note of kind ``undo`` names one by its time (``value``) and kind (``of``).
    """
    undone = set()
    for note in notes:
        if note.kind == "undo":
            try:
                undone.add((parse_time(note.value), note.more.get("of")))
            except (ValueError, TypeError):
                continue  # it names no time, so it takes nothing back
    return [note for note in notes if note.kind != "undo" and (note.t_ns, note.kind) not in undone]


_STARTS = ("start", "resume")
"""Kinds of the recorder's entries with which a recording begins; `SPEED` follows one that runs faster than time."""


def session_time(notes: Sequence[Note], now: datetime) -> datetime:
    """Return a time of this computer as the clock of the session shows it.

    The two are one but in a replay or a rehearsal that is recorded faster than time: there the recorder stamps what it
    hears, and the keys that are pressed, by clocks that run as fast, and what is noted beside it has to stand there.

    Args:
        notes: Of the session.
        now: By this computer's clock.
    """
    last = next((note for note in reversed(notes) if note.kind in (*_STARTS, SPEED)), None)
    if last is None or last.kind != SPEED:
        return now
    speed, began_ns = last.more.get("speed"), last.more.get("computer_ns")
    if not isinstance(speed, int | float) or not isinstance(began_ns, int):
        return now
    passed_ns = (now - _EPOCH) // timedelta(microseconds=1) * 1000 - began_ns
    try:
        return _EPOCH + timedelta(microseconds=(last.t_ns + passed_ns * float(speed)) / 1000)
    except (OverflowError, ValueError):  # what stands there is no speed of a recording
        return now


_MOVED_FROM_NS = 2_000_000_000
"""A clock that is off by less moves no note: people note no faster than that (our choice)."""
_AROUND_NS = 300_000_000_000
"""So long before and after a recording its computer is taken to be as far off as at its ends (our choice)."""


def on_utc(notes: Sequence[Note], offsets: Sequence[tuple[int, int]]) -> tuple[list[Note], float]:
    """Return the notes that stand, those stamped by a computer that was off UTC moved by as much, and the most [s].

    What was entered with a time of its own (``--at``) is UTC by itself, and photos say their own time.

    Args:
        notes: Of a session.
        offsets: From which stamp on [ns since 1970] UTC was how much later [ns]; the last entry is the end.
    """
    stands = standing(notes)
    if not offsets or max(abs(offset) for _, offset in offsets) < _MOVED_FROM_NS:
        return stands, 0.0
    first, last = offsets[0][0] - _AROUND_NS, offsets[-1][0] + _AROUND_NS
    made, most = [], 0.0
    for note in stands:
        is_of_people = note.kind in KINDS and note.kind != "photo" and "entered" not in note.more
        if not is_of_people or not first <= note.t_ns <= last:
            made.append(note)
            continue
        offset = next((off for stamp, off in reversed(offsets) if stamp <= note.t_ns), offsets[0][1])
        most = max(most, offset / 1e9, key=abs)
        made.append(replace(note, t_ns=note.t_ns + offset))
    return made, most


def marks_of(notes: Sequence[Note]) -> list[int]:
    """Return the UTC [ns since 1970] of the marks people made, ascending."""
    return sorted(note.t_ns for note in standing(notes) if note.kind == "mark")


def mark_texts_of(notes: Sequence[Note]) -> list[str]:
    """Return what was said of each mark, in the order of `marks_of`, in lower case."""
    marks = sorted((note for note in standing(notes) if note.kind == "mark"), key=lambda note: note.t_ns)
    return [str(note.value or "").lower() for note in marks]


def trims_of(notes: Sequence[Note]) -> list[TrimEntry]:
    """Return the trim settings people noted, ascending in time; a setting of one side leaves the other as it was."""
    trims = [note for note in standing(notes) if note.kind == "trim" and note.value is not None]
    trims.sort(key=lambda note: note.t_ns)
    found, now = [], dict.fromkeys(("port", "stbd"), "")
    for note in trims:
        side, text = note.more.get("side"), f"{note.value} {note.unit}".strip()
        now |= {side: text} if side in now else dict.fromkeys(now, text)
        is_level = len(set(now.values())) == 1
        found.append(TrimEntry(note.t_ns, text if is_level else ", ".join(f"{s} {x}" for s, x in now.items() if x)))
    return found


def readings_of(notes: Sequence[Note], engine_ids: Sequence[str]) -> tuple[list[HandReading], list[str]]:
    """Return what people read off engine displays, and a sentence for each note that is no such reading.

    Args:
        notes: Of kind ``reading``, with ``engine`` (may be left out where there is one) and ``quantity``, the word a
            column of an engine log begins with; a value in any unit of the quantity.
        engine_ids: Engines.
    """
    found, faults = [], []
    for note in standing(notes):
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


OBSERVED = ("sound", "cruise", "sea", "remark", "measure", "finding", "conditions", "load", "photo")
"""Kinds of notes that say what people heard, saw, measured and judged."""
_MOST_PHOTOS = 500
"""Photos looked into for their time (our choice); of more the time is that of the note."""


def observations_of(notes: Sequence[Note], folder: Path | None = None) -> list[Observation]:
    """Return what people heard, saw, measured and judged, without what they took back, ascending in time.

    Args:
        notes: Of a session.
        folder: The session, whose photos say when they were taken; None where that does not matter.
    """
    kept = sorted((note for note in standing(notes) if note.kind in OBSERVED), key=lambda note: note.t_ns)
    photos = taken_times([note for note in kept if note.kind == "photo" or note.more.get("file")], folder)
    return [_observation(note, photos.get(id(note), _NOT_A_PHOTO)) for note in kept]


def _observation(note: Note, taken: _Taken) -> Observation:
    def said(name: str) -> str:
        return _one_line(str(note.more.get(name) or ""))

    persons = _within(note, "persons")
    return Observation(
        t_ns=note.t_ns,
        kind=note.kind,
        value=_number(note.value),
        text=_one_line(f"{note.value if note.value is not None else ''} {note.unit}"),
        where=said("where"),
        doors=said("doors"),
        seconds=_number(note.more.get("seconds")),
        background_db=_number(note.more.get("background_db")),
        by=_one_line(note.by),
        unit=_one_line(note.unit),
        what=said("what"),
        grade=said("grade"),
        about=said("about"),
        when=said("when"),
        tank=said("tank"),
        fraction=_within(note, "fraction"),
        litres=_within(note, "litres"),
        persons=None if persons is None else int(persons),
        air_temp_c=_within(note, "air_temp_c"),
        pressure_hpa=_within(note, "pressure_hpa"),
        wind_speed_kn=_within(note, "wind_speed_kn"),
        wind_from_deg=_within(note, "wind_from_deg"),
        wave_height_m=_within(note, "wave_height_m"),
        file=said("file"),
        sha256=said("sha256"),
        taken_ns=taken.t_ns,
        taken_from=taken.from_,
        fault=taken.fault,
    )


def _within(note: Note, name: str) -> float | None:
    """Return a number of a note; None where there is none, or it is one that cannot be."""
    number, bounds = _number(note.more.get(name)), FIELDS[name]
    if number is None or bounds.least is None or bounds.most is None:
        return None
    return number if bounds.least <= number <= bounds.most else None


@dataclass(frozen=True, slots=True)
class _Taken:
    t_ns: int | None
    from_: Literal["camera", "satellites", "note", ""]
    fault: str


_NOT_A_PHOTO = _Taken(None, "", "")


def taken_times(photos: Sequence[Note], folder: Path | None) -> dict[int, _Taken]:
    """Return when each photo was taken, by the identity of its note.

    A time that was given with ``--at`` stands. Else it is what the photo itself says, with what the notes say about
    the clock of its camera: the last word stands. Where the photo says none, it is the time of the note.
    """
    if folder is None:
        return {}
    looked = [(n, photo_path(folder, str(n.more.get("file") or ""))) for n in photos]
    times = [PhotoTimes(fault="it is not in the session") if p is None else read_photo_times(p)
             for _, p in looked[:_MOST_PHOTOS]]  # fmt: skip
    times += [PhotoTimes(fault="there are too many")] * (len(looked) - len(times))
    clocks = camera_clocks([(note, said) for (note, _), said in zip(looked, times, strict=True)])
    found = {}
    for note, said in zip(photos, times, strict=True):
        at = taken_at(said, clocks.get(said.camera, CameraClock()))
        if "entered" in note.more:
            found[id(note)] = _Taken(note.t_ns, "note", said.fault)
        elif at.t_ns is None and (said.clock is None or note.kind != "photo"):
            found[id(note)] = _Taken(note.t_ns, "note", at.reason)
        else:
            found[id(note)] = _Taken(at.t_ns, at.from_, at.reason)
    return found


def camera_clocks(photos: Sequence[tuple[Note, PhotoTimes]]) -> dict[str, CameraClock]:
    """Return what the notes say about the clock of each camera, by its name; the last word stands."""
    clocks: dict[str, CameraClock] = {}
    for note, said in photos:
        zone = parse_camera_zone(str(note.more.get("camera_zone") or ""))
        offset_s = _within(note, "camera_offset_s")
        if zone is not None or offset_s is not None:
            clocks[said.camera] = CameraClock(zone, offset_s, said.offset)
    return clocks


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def reviews_of(notes: Sequence[Note]) -> list[ReviewEntry]:
    """Return the review entries among the notes, in the order given."""
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
        file=note.file,
    )


def _one_line(text: str) -> str:
    """Return text as it stands in a table: on one line, without control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def append_notes(folder: Path, entries: Sequence[Mapping[str, Any]], writer: str) -> Path:
    """Append entries to a writer's own notes in one write, and return the file.

    Args:
        folder: The session.
        entries: One JSON-able object a line.
        writer: See `notes_path`.

    Raises:
        TrialCaptureError: The notes cannot be read or written.
    """
    path = notes_path(folder, writer)
    try:
        former = read_whole(path, MOST_JSON_BYTES) if path.exists() else b""
        torn = b"\n" if former and not former.endswith(b"\n") else b""
        lines = "".join(json.dumps(entry, ensure_ascii=False) + "\n" for entry in entries)
        append_safely(path, torn + lines.encode("utf-8", "replace"))
    except OSError as fault:
        raise write_error(fault, path) from fault
    return path


@dataclass(frozen=True, slots=True)
class Noted:
    """What became of entries: the entries as written, and the line of the seal that holds them.

    Attributes:
        entries: As they stand in the notes.
        sealed: None where the session is not sealed: a recording at work seals them when it ends.
    """

    entries: tuple[dict[str, Any], ...]
    sealed: SealLine | None


def add_notes(
    folder: Path,
    entries: Sequence[Mapping[str, Any]],
    *,
    writer: str,
    what: str,
    by: str,
    t: str,
    accept: Acceptance | None = None,
    is_recorded: Callable[[], bool] = lambda: False,
    photo: Path | None = None,
) -> Noted:
    """Append entries to a writer's notes, and seal them where the session is sealed.

    Args:
        folder: The session. A recorder may be at work on it; it seals what was noted meanwhile when it ends.
        entries: As in `trialcapture.archive.notes`.
        writer: See `notes_path`.
        what: The event of the seal.
        by: Who.
        t: When, ISO 8601 UTC.
        accept: Who accepts what was changed since the session was sealed; None where nobody does.
        is_recorded: Whether a recorder is at work on the session now.
        photo: A file to copy into ``raw/photos``; its name there and its hash become fields of each entry.

    Raises:
        TrialCaptureError: A file is not as it was sealed and nobody accepts that, or the disk does not take it.
    """
    with hold_seal(folder):
        before = refuse_unsealed(folder, accept, is_recorded)
        with as_before_on_failure([notes_path(folder, writer), folder / MANIFEST, folder / SEAL]) as made:
            touched = []
            whole = [dict(entry) for entry in entries]
            if photo is not None:
                copy, sha256 = _copy_photo(photo, folder)
                touched.append(copy)
                made.append(copy)
                whole = [entry | {"file": copy.relative_to(folder).as_posix(), "sha256": sha256} for entry in whole]
            touched.append(append_notes(folder, whole, writer))
            if before is None:
                return Noted(tuple(whole), None)
            names = [path.relative_to(folder).as_posix() for path in touched]
            return Noted(tuple(whole), add_event(folder, before, what, by, t, names))


def refuse_unsealed(
    folder: Path, accept: Acceptance | None, is_recorded: Callable[[], bool] = lambda: False
) -> SealComparison | None:
    """Return how a session stands beside its seal; None while its recorder has yet to seal what is noted.

    Args:
        folder, accept, is_recorded: As `add_notes` takes them; the caller holds the seal.

    Raises:
        TrialCaptureError: A file is not as it was sealed and nobody accepts that.
    """
    if is_recorded() and not (folder / MANIFEST).exists():
        return None
    return refuse_changed(folder, read_timeline(folder).recording, accept)


class CameraZoneUnknownError(TrialCaptureError):
    """A photo says when it was taken, and neither it nor the notes say in which zone.

    Args:
        clock: The time that it says, as it stands.
        where: The photo.
    """

    def __init__(self, clock: str, where: str) -> None:
        super().__init__(
            "the photo says when it was taken, and not in which zone", seen=clock, where=where,
            expected="give the zone its camera is set to (--camera-zone +02:00), or first a photo of the laptop's "
            "clock (--clock-shown TIME), or the time it was taken (--at TIME)",
        )  # fmt: skip
        self.clock = clock


def complete_photo(entry: dict[str, Any], photo: Path, notes: Sequence[Note], folder: Path) -> str:
    """Complete the entry of a photo with what it tells of its camera's clock.

    Args:
        entry: As `note_entry` makes it; ``camera_offset_s`` is added where the photo shows the laptop's clock.
        photo: The file, still outside the session.
        notes: What is noted already.
        folder: The session.

    Returns:
        Why the photo stands at the time of its note, "" where it has a time of its own.

    Raises:
        CameraZoneUnknownError: It has a time whose zone nobody said.
        TrialCaptureError: The camera's clock is told in two ways, or in one that cannot be.
    """
    said = [name for name in ("camera_zone", "clock_shown", "camera_offset_s") if name in entry]
    if len(said) > 1:
        raise TrialCaptureError(
            "a camera's clock is told in one way", seen=" and ".join(f"--{n.replace('_', '-')}" for n in said),
            expected="one of them; how far it is off says its zone as well",
        )  # fmt: skip
    zone = parse_camera_zone(entry.get("camera_zone", ""))
    if "camera_zone" in entry and zone is None:
        raise TrialCaptureError(
            "this is no zone of a camera", seen=entry["camera_zone"], where="--camera-zone",
            expected="its offset from UTC, such as +02:00",
        )  # fmt: skip
    if not photo.is_file():
        return ""  # told when it is copied
    times = read_photo_times(photo)
    if "clock_shown" in entry:
        shown = entered_time(entry["clock_shown"], datetime.now(UTC), where="--clock-shown")
        entry["camera_offset_s"] = round(camera_offset_s(times, datetime.fromisoformat(shown)), 3)
    if said:
        clock = CameraClock(zone, entry.get("camera_offset_s"), times.offset)
    else:
        photos = [n for n in standing(notes) if n.kind == "photo"]
        paths = [(n, photo_path(folder, str(n.more.get("file") or ""))) for n in photos]
        known = camera_clocks([(n, read_photo_times(path)) for n, path in paths if path is not None])
        clock = known.get(times.camera, CameraClock())
    at = taken_at(times, clock)
    if at.t_ns is None and times.clock is not None and "entered" not in entry:
        raise CameraZoneUnknownError(f"{times.clock:%Y-%m-%d %H:%M:%S}", str(photo))
    return f"{at.reason}; it stands at the time of this note" if at.t_ns is None and "entered" not in entry else ""


def entered_time(text: str, now: datetime, *, where: str) -> str:
    """Return a time that somebody typed as UTC, as it is written.

    Args:
        text: ISO 8601 with its zone.
        now: The time now; what lies more than a day ahead is a slip of the pen.
        where: It was typed, for the message.

    Raises:
        TrialCaptureError: It is no time, has no zone, or lies in the future.
    """
    try:
        at = datetime.fromisoformat(text.strip())
        zone = at.utcoffset()
    except ValueError:
        zone = None
    if zone is None:
        raise TrialCaptureError(
            "this is no time with its zone", seen=text[:80], where=where, expected="UTC, such as 2026-05-14T10:12:30Z"
        )
    if at > now + timedelta(days=1):
        raise TrialCaptureError("this time lies in the future", seen=text[:80], where=where)
    return note_time(at)


def note_time(at: datetime, width: str = "milliseconds") -> str:
    """Return a time with its zone as notes write it: ISO 8601 UTC with ``Z``, to milliseconds or to ``seconds``."""
    return at.astimezone(UTC).isoformat(timespec=width).replace("+00:00", "Z")


def _copy_photo(photo: Path, folder: Path) -> tuple[Path, str]:
    """Copy a photo as it is, under a name that no other one has; one that is there already is not copied again."""
    if not photo.is_file():
        raise TrialCaptureError("there is no such photo", where=str(photo), expected="give a file")
    try:
        sha256, size = hash_file(photo)
        number, target = 1, folder / "raw" / "photos" / photo.name
        while target.exists():
            if hash_file(target)[0] == sha256:
                return target, sha256
            number += 1
            target = target.with_name(f"{photo.stem}-{number}{photo.suffix}")
        with open_replacement(target, needed_bytes=size) as copy, open_plain(photo) as original:
            while part := original.read(1 << 20):
                copy.write(part)
        if hash_file(target)[0] != sha256:
            raise TrialCaptureError("a copy differs from its original", seen=str(photo), where=str(target))
    except OSError as fault:
        raise write_error(fault, photo) from fault
    return target, sha256


def read_segments(folder: Path, schema: pa.Schema) -> pa.Table:
    """Return the segments of a session that was processed.

    Args:
        folder: The session.
        schema: Columns they must have, from `trialcapture.prepare.steady.segments.segments_schema`.

    Raises:
        TrialCaptureError: It was not, or the file is damaged or none of ours.
    """
    path = folder / "trialset" / "segments.parquet"
    if not is_plain_file(path):
        raise TrialCaptureError(
            "this session has no stretches yet, so none can be reviewed",
            where=str(path),
            expected=f"find them first: trialcapture process {folder}",
        )
    return read_parquet(path, schema, needs_all=True)
