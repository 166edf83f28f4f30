"""A session recorded on two disks: what tells that a folder holds only half of it, and making it one again."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from trialcapture.archive.atomic import free_bytes, open_replacement, size_text, write_error, write_file
from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.seal import JOINED, MANIFEST, add_event, hold_seal, refuse_changed, seal_closed
from trialcapture.archive.seal import NAME as SEAL_NAME
from trialcapture.archive.session import FILE_NAME, open_session
from trialcapture.archive.verify import read_timeline
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json_line
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import read_whole

SPARE_BYTES = 20_000_000
"""Left free on a disk when halves are joined on it (our choice)."""
_NOTES = "raw/notes.jsonl"
_UNSEALED_HALF = "the half that was put in had no seal, so nothing shows whether it was changed before"
_PART = re.compile(r"(nmea|can)(?:-(\d+))?\.log(?:\.gz|\.zst)?")


@dataclass(frozen=True, slots=True)
class Joined:
    """What joining two halves came to.

    Attributes:
        folder: The session that is whole now.
        files: Raw files that were copied or put together, relative to it.
        bytes: Their size.
        notes: Lines of notes taken over.
    """

    folder: Path
    files: tuple[str, ...]
    bytes: int
    notes: int


def missing_half(folder: Path) -> str:
    """Say why a session is only half of what was recorded, in one sentence; "" where it is whole.

    Args:
        folder: The session; no recorder is at work on it.
    """
    missing = _missing_parts(folder)
    begun_with_second = is_open = is_switched = False
    named: dict[str, int] | None = None
    for entry in _entries(folder):
        kind = entry.get("kind")
        if kind in ("start", "resume"):
            begun_with_second, is_open = bool(entry.get("second")), True
        elif kind == "stop":
            files = entry.get("files")
            named, is_open = files if isinstance(files, dict) else None, False
        elif kind == "switched":
            is_switched = True
        elif kind == "joined":
            is_switched = begun_with_second = False
    absent = sorted({*missing, *(name for name in named or {} if not (folder / "raw" / name).exists())})
    how = "the other half is on the second disk: trialcapture collect --join HALF HALF"
    if absent:
        return f"this is half of a session, {', '.join(absent)} is not here; {how}"
    if is_switched and named is None:
        return f"this is half of a session, recording went on in another folder; {how}"
    if begun_with_second and is_open:
        return f"this may be half of a session, it was begun with a second disk and has no end here; {how}"
    return ""


def join_halves(
    target: Path,
    other: Path,
    *,
    at: str,
    by: str = "join",
    spare_bytes: int = SPARE_BYTES,
    is_sealing: bool = True,
) -> Joined:
    """Take everything that the other half holds into the first, verbatim, so that it is one session again.

    The other half stays as it is. Doing it again changes nothing. Notes of both are put in order of time, each line as
    it stands. A copy of an engine log that went on on the other disk is put together where the notes say how much was
    on the disk left.

    Args:
        target: The half that becomes whole.
        other: The other half.
        at: UTC time now, ISO 8601 with ``Z``.
        by: Who joins, for the notes.
        spare_bytes: What is to stay free on the target's disk.
        is_sealing: Compare both halves with their seals and seal the whole; False for a recorder that has sealed
            nothing yet and does so itself.

    Raises:
        TrialCaptureError: They are not halves of one session, a half was changed since it was sealed, both hold a file
            of one name that differs, there is no room, or a copy differs from its original.
    """
    refuse_other_session(target, other)
    if not is_sealing:
        return _join(target, other, at, by, spare_bytes)
    theirs = refuse_changed(other, read_timeline(other).recording, None)
    with hold_seal(target):
        before = refuse_changed(target, read_timeline(target).recording, None)
        joined = _join(target, other, at, by, spare_bytes)
        if before.state == "intact" and (joined.files or joined.notes):
            odd = [] if theirs.was_sealed else [_UNSEALED_HALF]
            add_event(target, before, JOINED, by, at, [*joined.files, _NOTES], found=odd)
        elif before.state != "intact":
            seal_closed(target, by=by, t=at, what=JOINED)
    return joined


def _join(target: Path, other: Path, at: str, by: str, spare_bytes: int) -> Joined:
    lines, added = _merged_notes(target, other)
    left = _left_behind(_parsed(lines))
    copies: list[tuple[str, list[Path]]] = []
    for path in raw_files(other):
        name = path.relative_to(other).as_posix()
        if name == _NOTES:
            continue
        ours = target / name
        if not ours.exists():
            copies.append((name, [path]))
        elif hash_file(ours) != hash_file(path):
            parts = _put_together(name, ours, path, left)
            if parts != [ours]:
                copies.append((name, parts))
    needed = sum(part.stat().st_size for _, parts in copies for part in parts) + sum(map(len, lines))
    free = free_bytes(target)
    if copies and free < needed + spare_bytes:
        raise TrialCaptureError(
            "there is no room to join the halves here",
            seen=f"{size_text(free)} free, {size_text(needed)} are needed",
            where=str(target),
            expected="make some room, or join them in a third folder: trialcapture collect --join HALF HALF --into NEW",
        )
    total = 0
    for name, parts in copies:
        total += _copy(parts, target / name)
    if copies or added:
        names = tuple(name for name, _ in copies)
        text = f"two halves were joined: {', '.join(names) or 'notes'} came from the second disk"
        note = {"t": at, "kind": "joined", "value": text, "unit": "", "by": by, "files": list(names), "notes": added}
        lines.append(json.dumps(note, ensure_ascii=False).encode() + b"\n")
        write_file(target / _NOTES, b"".join(lines))
    return Joined(target, tuple(name for name, _ in copies), total, added)


def copy_session(source: Path, target: Path) -> None:
    """Copy session.toml, seal and every raw file of a session into a new folder, verbatim.

    Raises:
        TrialCaptureError: The folder is in use, there is no room, or a copy differs from its original.
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise TrialCaptureError(
            "a joined session needs a folder of its own", where=str(target), expected="give a name that is free"
        )
    refuse_changed(source, read_timeline(source).recording, None)
    for path in raw_files(source):
        _copy([path], target / path.relative_to(source))
    for name in (FILE_NAME, MANIFEST, SEAL_NAME):
        if (source / name).exists():
            _copy([source / name], target / name)


def refuse_other_session(one: Path, other: Path) -> None:
    """Refuse to join what are not halves of one session.

    Raises:
        TrialCaptureError: A folder holds no session, both are the same folder, or they are of two sessions.
    """
    first, second = open_session(one), open_session(other)
    if one.resolve() == other.resolve():
        raise TrialCaptureError("a session cannot be joined with itself", where=str(one), expected="give both halves")
    if first.id != second.id:
        raise TrialCaptureError(
            "these are not halves of one session",
            seen=f"{first.id} and {second.id}",
            where=f"{one} and {other}",
            expected="two folders of one recording, begun with --second",
        )


def _missing_parts(folder: Path) -> list[str]:
    numbers: dict[str, set[int]] = {}
    raw = folder / "raw"
    for path in raw.iterdir() if raw.is_dir() else ():
        match = _PART.fullmatch(path.name)
        if match:
            numbers.setdefault(match[1], set()).add(int(match[2] or 1))
    return [
        f"{kind}.log" if number == 1 else f"{kind}-{number:02d}.log"
        for kind, found in sorted(numbers.items())
        for number in islice((n for n in range(1, max(found)) if n not in found), 5)
    ]


def _entries(folder: Path) -> list[dict[str, Any]]:
    return _parsed(_note_lines(folder))


def _parsed(lines: Iterable[bytes]) -> list[dict[str, Any]]:
    found = []
    for line in lines:
        with suppress(ValueError, RecursionError):
            entry = parse_json_line(line)
            if isinstance(entry, dict):
                found.append(entry)
    return found


def _note_lines(folder: Path) -> list[bytes]:
    path = folder / _NOTES
    try:
        text = read_whole(path, MOST_JSON_BYTES)
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise TrialCaptureError(
            "the notes cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    return [line + b"\n" for line in text.split(b"\n") if line.strip()]


def _merged_notes(target: Path, other: Path) -> tuple[list[bytes], int]:
    """Return the lines of both, each once, in order of session time, and how many come from the other."""
    ours = _note_lines(target)
    known = set(ours)
    theirs = [line for line in _note_lines(other) if line not in known]
    ordered = sorted([*_timed(ours), *_timed(theirs)], key=lambda timed: timed[0])
    return [line for _, line in ordered], len(theirs)


def _timed(lines: Iterable[bytes]) -> list[tuple[int, bytes]]:
    """Give each line its session time; one without any follows on the line before it."""
    timed, last_us = [], -1
    for line in lines:
        with suppress(ValueError, TypeError, KeyError, RecursionError):
            mono_us = parse_json_line(line)["mono_us"]
            last_us = max(last_us, mono_us) if isinstance(mono_us, int) else last_us
        timed.append((last_us, line))
    return timed


def _left_behind(entries: Iterable[dict[str, Any]]) -> dict[str, list[int]]:
    """Return how much of each copy of an engine log was on a disk when writing left it [bytes]."""
    sizes: dict[str, list[int]] = {}
    for entry in entries:
        left = entry.get("left")
        if entry.get("kind") == "switched" and isinstance(left, dict):
            for stream, size in left.items():
                if isinstance(size, int):
                    sizes.setdefault(f"raw/{stream}", []).append(size)
    return sizes


def _put_together(name: str, ours: Path, theirs: Path, left: dict[str, list[int]]) -> list[Path]:
    sizes = left.get(name, [])
    if len(sizes) == 1:
        if ours.stat().st_size == sizes[0]:
            return [ours, theirs]
        if theirs.stat().st_size == sizes[0]:
            return [theirs, ours]
        if ours.stat().st_size == sizes[0] + theirs.stat().st_size and _ends_with(ours, theirs):
            return [ours]  # joined before
    raise TrialCaptureError(
        "both halves hold a file of this name, and they differ",
        seen=name,
        where=f"{ours} and {theirs}",
        expected="rename the one that is not part of this recording",
    )


def _ends_with(path: Path, end: Path) -> bool:
    with path.open("rb") as whole, end.open("rb") as tail:
        whole.seek(path.stat().st_size - end.stat().st_size)
        while part := tail.read(1 << 20):
            if whole.read(len(part)) != part:
                return False
    return True


def _copy(parts: list[Path], target: Path) -> int:
    expected = _hash_of(parts)

    def is_same(temporary: Path) -> None:
        if _hash_of([temporary]) != expected:
            raise TrialCaptureError(
                "a copy differs from its original", seen=str(parts[-1]), where=str(target), expected="check the disk"
            )

    with open_replacement(target, check=is_same) as copy:
        for part in parts:
            _pour(part, copy.write)
    return target.stat().st_size


def _pour(path: Path, write: Callable[[bytes], Any]) -> None:
    try:
        with path.open("rb") as source:
            while block := source.read(1 << 20):
                write(block)
    except OSError as fault:
        raise write_error(fault, path) from fault


def _hash_of(parts: list[Path]) -> str:
    digest = hashlib.sha256()
    for part in parts:
        _pour(part, digest.update)
    return digest.hexdigest()
