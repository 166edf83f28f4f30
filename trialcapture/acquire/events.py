"""What happened: a line in ``notes.jsonl`` for the record, an alarm for the person on board."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

from trialcapture.acquire.computer import Clock
from trialcapture.archive.atomic import append_safely

RECORDER = "recorder"
"""Who wrote an entry, when no person did."""
_KEEP_LAST = 200
"""Events shown again at most (our choice)."""
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
    """

    def __init__(self, clock: Clock, start_ns: int, *, heard: Callable[[Event], None] | None = None) -> None:
        self._clock = clock
        self._start_ns = start_ns
        self._heard = heard
        self._waiting: list[dict[str, Any]] = []
        self.unwritten = 0
        self._lock = Lock()
        self.last: deque[Event] = deque(maxlen=_KEEP_LAST)

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

    def note(self, kind: str, value: Any, *, unit: str = "", by: str = "") -> None:
        """Record what a person saw or did."""
        self._queue(
            {
                "t": utc_text(self._clock.wall_ns()),
                "kind": kind,
                "value": value,
                "unit": unit,
                "by": by,
                "mono_us": (self._clock.mono_ns() - self._start_ns) // 1000,
            }
        )

    def write_waiting(self, folders: list[Path]) -> None:
        """Append what waits to ``raw/notes.jsonl`` of the first folder that takes it, safe on the disk.

        Raises:
            OSError: No folder takes it; it goes on waiting.
        """
        with self._lock:
            entries = list(self._waiting)
        if not entries:
            return
        lines = "".join(json.dumps(entry, ensure_ascii=False) + "\n" for entry in entries).encode()
        cause: OSError | None = None
        for folder in folders:
            try:
                append_safely(folder / "raw" / "notes.jsonl", lines)
            except OSError as fault:
                cause = fault
                continue
            with self._lock:
                del self._waiting[: len(entries)]
            return
        if cause is not None:
            raise cause

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
