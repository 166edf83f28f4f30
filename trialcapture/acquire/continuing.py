"""Going on with a session after a stop or a crash: where its time line stood, and what was torn."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from trialcapture.acquire.clock import Clock
from trialcapture.acquire.raw_files import last_part, mend_torn_end
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.archive.manifest import read_manifest
from trialcapture.archive.session import Session

_TAIL_BYTES = 4 << 20
_AGREE_NS = 5_000_000_000


@dataclass(frozen=True, slots=True)
class Past:
    """What a session holds before it is continued.

    Attributes:
        begun: True when it has been recorded into before.
        last_ns: Latest session time found in journal and notes [ns].
        last_wall_ns: Wall clock that belongs to it [ns since 1970 UTC].
        start_clock_ns: This computer's monotonic clock when the session began, None when not known [ns].
        start_wall_ns: Wall clock when the session began, None when not known [ns since 1970 UTC].
        heard_ns: Latest session time of each source [ns].
        senders: Addresses of each source's senders in the order of their numbers.
        torn: Torn last lines closed: file name to bytes that survive.
        manifest: What the manifest said of each raw file when the session was closed.
    """

    begun: bool = False
    last_ns: int = 0
    last_wall_ns: int = 0
    start_clock_ns: int | None = None
    start_wall_ns: int | None = None
    heard_ns: dict[str, int] = field(default_factory=dict)
    senders: dict[str, list[str]] = field(default_factory=dict)
    torn: dict[str, int] = field(default_factory=dict)
    manifest: tuple[dict[str, Any], ...] = ()


def read_past(session: Session) -> Past:
    """Close torn lines and read where the session's time line stood.

    The manifest of a closed session is taken away, since its files will grow; what it said goes into the notes,
    so that the earlier part can still be held against it.

    Raises:
        OSError: The raw files cannot be read or mended.
        TrialCaptureError: The manifest is damaged.
    """
    raw = session.folder / "raw"
    torn: dict[str, int] = {}
    parts = {stream: last_part([raw], stream) for stream in ("nmea.log", "can.log", "notes.jsonl")}
    for path in parts.values():
        if path is not None and (lost := mend_torn_end(path)):
            torn[path.name] = lost
    heard_ns, last_ns, last_wall_ns = _journal_end(parts["nmea.log"])
    begun = bool(heard_ns)
    start_clock_ns = start_wall_ns = None
    senders: dict[str, list[str]] = {}
    for entry, mono_ns, wall_ns in _stamped_notes(raw / "notes.jsonl"):
        begun = True
        if mono_ns > last_ns:
            last_ns, last_wall_ns = mono_ns, wall_ns
        if entry.get("kind") == "start":
            clock_ns = entry.get("clock_ns")
            start_clock_ns = clock_ns if isinstance(clock_ns, int) else None
            epoch_ns = entry.get("epoch_wall_ns")
            start_wall_ns = epoch_ns if isinstance(epoch_ns, int) else wall_ns - mono_ns
        elif entry.get("kind") == "sender":
            _know_sender(senders, str(entry.get("source", "")), str(entry.get("sender", "")))
    entries = tuple(asdict(entry) for entry in read_manifest(session.folder) or ())
    (session.folder / "manifest.json").unlink(missing_ok=True)
    return Past(begun, last_ns, last_wall_ns, start_clock_ns, start_wall_ns, heard_ns, senders, torn, entries)


def continued_start(past: Past, clock: Clock) -> tuple[int, str]:
    """Return the monotonic time the session began on this computer's clock of today, and how that is known.

    When the computer has not been restarted since, its monotonic clock still knows (``clock``). Otherwise the
    wall clock bridges the pause (``wall``): good to a second or so, and never backwards.
    """
    now_ns = clock.mono_ns()
    by_wall_ns = past.last_ns + clock.wall_ns() - past.last_wall_ns
    if past.start_clock_ns is not None:
        by_clock_ns = now_ns - past.start_clock_ns
        if by_clock_ns > past.last_ns and abs(by_clock_ns - by_wall_ns) < _AGREE_NS:
            return past.start_clock_ns, "clock"
    return now_ns - max(by_wall_ns, past.last_ns + 1_000_000), "wall"


def parent_of(source: str, configured: set[str]) -> str:
    """Return the source of the settings that a journal id such as ``net-2`` belongs to."""
    stem, _, number = source.rpartition("-")
    if source not in configured and number.isdigit():
        for candidate in configured:
            if candidate == stem or (stem and candidate.startswith(stem) and len(source) == 15):
                return candidate
    return source


def _journal_end(path: Path | None) -> tuple[dict[str, int], int, int]:
    heard_ns: dict[str, int] = {}
    last_ns = last_wall_ns = 0
    if path is None:
        return heard_ns, last_ns, last_wall_ns
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
        tail = file.read()
    for line in split_lines(tail):
        parsed = parse_line(line)
        if parsed.fault or not parsed.source or parsed.mono_us is None or parsed.wall_ms is None:
            continue
        mono_ns = parsed.mono_us * 1000
        heard_ns[parsed.source] = max(mono_ns, heard_ns.get(parsed.source, 0))
        if mono_ns >= last_ns:
            last_ns, last_wall_ns = mono_ns, parsed.wall_ms * 1_000_000
    return heard_ns, last_ns, last_wall_ns


def _know_sender(senders: dict[str, list[str]], source: str, address: str) -> None:
    stem, _, number = source.rpartition("-")
    parent = stem if number.isdigit() and stem in senders else source
    known = senders.setdefault(parent, [])
    if address not in known:
        known.append(address)


def _stamped_notes(path: Path) -> Iterator[tuple[dict[str, Any], int, int]]:
    """Yield the notes that carry session time, with it and their wall clock; damaged lines are passed over."""
    try:
        lines = path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return
    for line in lines:
        try:
            entry = json.loads(line)
            mono_us = entry["mono_us"]
            wall_ns = round(datetime.fromisoformat(entry["t"]).timestamp() * 1000) * 1_000_000
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
        if isinstance(mono_us, int):
            yield entry, mono_us * 1000, wall_ns
