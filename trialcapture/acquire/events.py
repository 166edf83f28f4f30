"""What happened: a line in ``notes.jsonl`` for the record, an alarm for the person on board."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.raw_files import SET_ASIDE, AppendFile, PlaceFinding
from trialcapture.archive.atomic import size_text
from trialcapture.system.files import sync_file

RECORDER = "recorder"
"""Who wrote an entry, when no person did."""
_KEEP_LAST = 200
"""Events shown again at most (our choice)."""
RESERVE = "recorder.reserve"
"""Space set aside in a session folder while it is recorded into."""
_RESERVE_BYTES = 1 << 16
"""Room for some hundred notes and a manifest (our choice)."""
_KEEP_WAITING = 20_000
"""Events that may wait for the disk; more are counted, not kept (our choice)."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    Attributes:
        kind: Closed word, such as ``lost``, ``gap``, ``wall_step``.
        text: One sentence for people.
        mono_ns: Monotonic time since session start [ns].
        wall_ns: Wall clock [ns since 1970 UTC].
        source: Id of the source it concerns, or "".
        severity: ``red`` needs doing something now, ``yellow`` soon, ``info`` nothing.
        details: What else belongs in the record.
    """

    kind: str
    text: str
    mono_ns: int
    wall_ns: int
    source: str = ""
    severity: str = "info"
    details: dict[str, Any] = field(default_factory=dict)


class Events:
    """Collects events from all threads and appends them to the notes.

    Args:
        clock: For stamps.
        start_ns: Monotonic time the session began [ns].
        heard: Called with each event at once, for alarms and for printing.

    Attributes:
        last: The latest events, for the screen.
        unwritten: Entries there was no room to keep while no disk took them.
        lost_files: How many files lost something.
        damaged: What was done to files behind the recorder's back, one sentence each.
    """

    def __init__(self, clock: Clock, start_ns: int, *, heard: Callable[[Event], None] | None = None) -> None:
        self._clock = clock
        self._start_ns = start_ns
        self._heard = heard
        self._waiting: list[dict[str, Any]] = []
        self._files: dict[Path, AppendFile] = {}
        self._told_homeless: set[Path] = set()
        self.damaged: list[str] = []
        self.lost_files = 0
        self.unwritten = 0
        self._lock = Lock()
        self._noted_ms = 0
        self.last: deque[Event] = deque(maxlen=_KEEP_LAST)

    @property
    def waiting(self) -> int:
        """Entries that are not on any disk yet."""
        return len(self._waiting) + self.unwritten

    def add(self, kind: str, text: str, *, source: str = "", severity: str = "info", **details: Any) -> Event:
        """Record an event now."""
        event = Event(
            kind, text, self._clock.mono_ns() - self._start_ns, self._clock.wall_ns(), source, severity, details
        )
        entry: dict[str, Any] = {"t": utc_text(event.wall_ns), "kind": kind, "value": text, "unit": "", "by": RECORDER}
        if source:
            entry["source"] = source
        entry["mono_us"] = event.mono_ns // 1000
        self._queue({**entry, **details})
        self.last.append(event)
        if self._heard is not None:
            self._heard(event)
        return event

    def note(self, kind: str, value: Any, *, unit: str = "", by: str = "", **more: Any) -> str:
        """Record what a person saw or did; return its time, which no other note has, so that it can be taken back."""
        with self._lock:
            wall_ms = max(self._clock.wall_ns() // 1_000_000, self._noted_ms + 1)
            self._noted_ms = wall_ms
        t = utc_text(wall_ms * 1_000_000)
        mono_us = (self._clock.mono_ns() - self._start_ns) // 1000
        self._queue({"t": t, "kind": kind, "value": value, "unit": unit, "by": by, "mono_us": mono_us, **more})
        return t

    def write_waiting(self, folders: list[Path]) -> None:
        """Append what waits to ``raw/notes.jsonl`` of the first folder that takes it, safe on the disk.

        Notes that were deleted, replaced or shortened since the last call are put back first. Where no disk has
        room left, the reserve (`keep_reserve`) is given up for them. Called by one thread at a time.

        Raises:
            OSError: No folder takes it; it goes on waiting.
        """
        self._put_back()
        with self._lock:
            entries = list(self._waiting)
        if not entries:
            return
        lines = "".join(json.dumps(entry, ensure_ascii=False) + "\n" for entry in entries).encode("utf-8", "replace")
        cause: OSError | None = None
        for folder in [*folders, *folders[:1]]:  # the first again, with the reserve
            if cause is not None and folder is folders[0] and not self._free_reserve(folder):
                break
            try:
                self._notes_of(folder).append_safely(lines)
            except OSError as fault:
                cause = fault
                continue
            with self._lock:
                del self._waiting[: len(entries)]
            return
        if cause is not None:
            raise cause

    def keep_reserve(self, folder: Path) -> None:
        """Set a little space aside, so that the notes can still say how it ended when the disk is full."""
        with suppress(OSError), (folder / RESERVE).open("wb") as file:
            file.write(b"\0" * _RESERVE_BYTES)
            file.flush()
            sync_file(file.fileno())

    def close(self, folders: list[Path]) -> None:
        """Let files and reserve go."""
        for file in self._files.values():
            file.close()
        self._files.clear()
        for folder in folders:
            self._free_reserve(folder)

    def sizes(self) -> dict[Path, int]:
        """Return what every file of notes should hold [bytes]."""
        return {file.path: file.size for file in self._files.values()}

    def _notes_of(self, folder: Path) -> AppendFile:
        path = folder / "raw" / "notes.jsonl"
        file = self._files.get(path)
        if file is None:
            file = self._files[path] = AppendFile(path, lambda: self._clock.mono_ns() - self._start_ns)
        return file

    def _put_back(self) -> None:
        for path, file in list(self._files.items()):
            if not file.trouble():
                continue
            found = file.restore(path.parent / SET_ASIDE)
            if not found.pending:
                self.add_finding(found)
            elif path not in self._told_homeless:
                self._told_homeless.add(path)
                self.add_finding(found)

    def _free_reserve(self, folder: Path) -> bool:
        try:
            (folder / RESERVE).unlink()
        except OSError:
            return False
        return True

    def add_finding(self, found: PlaceFinding) -> None:
        """Record what became of a file that was not at its path any more, or not whole."""
        name = found.path.name if found.path.parent.name != "engine" else f"engine/{found.path.name}"
        details: dict[str, Any] = {"file": f"raw/{name}", "trouble": found.trouble}
        if found.pending:
            text = f"raw/{name} was {found.trouble} while recording and cannot be put back yet ({found.pending})"
            self.add("file_missing", f"{text}. Recording goes on beside it", severity="red", **details)
            return
        text = f"raw/{name} was {found.trouble} while recording: {found.loss}"
        if found.saved_bytes:
            text += f", {size_text(found.saved_bytes)} were put back"
        if found.set_aside is not None:
            text += f"; what stood in its place is kept as raw/{SET_ASIDE}/{found.set_aside.name}"
            details["set_aside"] = f"raw/{SET_ASIDE}/{found.set_aside.name}"
        details |= {"saved_bytes": found.saved_bytes, "bytes": found.loss.bytes, "lines": found.loss.lines}
        if found.loss.from_ns is not None and found.loss.to_ns is not None:
            details |= {"from_us": found.loss.from_ns // 1000, "to_us": found.loss.to_ns // 1000}
        details["seconds"] = round(found.loss.seconds, 3)
        kind = "file_lost" if found.loss.bytes else "file_restored"
        with self._lock:
            self.damaged.append(text)
            self.lost_files += bool(found.loss.bytes)
        advice = "Find out what changes files here: a sync client, a virus scanner?"
        self.add(kind, f"{text}. {advice}", severity="red", **details)

    def _queue(self, entry: dict[str, Any]) -> None:
        with self._lock:
            if len(self._waiting) < _KEEP_WAITING:
                self._waiting.append(entry)
            else:
                self.unwritten += 1


def utc_text(wall_ns: int) -> str:
    """Return a wall-clock time as ISO 8601 UTC with milliseconds and ``Z``."""
    stamp = datetime.fromtimestamp(wall_ns // 1_000_000 / 1000, UTC)
    return stamp.isoformat(timespec="milliseconds").replace("+00:00", "Z")
