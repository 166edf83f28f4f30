"""Is every second of a recorded session either data or a gap with a name?"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from trialcapture.errors import TrialCaptureError

LONGEST_SILENCE_S = 10.0
"""A source silent for longer must have a gap named for it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Account:
    """One source's time: ``data_s + gap_s + unnamed_s == span_s``.

    Attributes:
        source: Its id.
        lines: Journal lines or CAN frames of it.
        span_s: From the session's begin, or the source's first sign, to the end [s].
        data_s: Time covered by data [s].
        gap_s: Time in gaps that have a name [s].
        unnamed_s: Silence beyond `LONGEST_SILENCE_S` that no gap names [s].
        gaps: Number of named gaps.
    """

    source: str
    lines: int
    span_s: float
    data_s: float
    gap_s: float
    unnamed_s: float
    gaps: int


@dataclass(slots=True)
class Timeline:
    """What the notes and the lines of a session say about its time; filled line by line.

    Attributes:
        begun: True when the session was recorded here, with session time in its notes.
        closed: True when the recording was ended in good order.
        end_us: Latest session time found [µs].
        epoch_wall_ns: Wall clock at session time 0 [ns since 1970 UTC], the origin of CAN stamps.
        remarks: What the recorder noted that a reader of the record should know.
    """

    begun: bool = False
    closed: bool = False
    end_us: int = 0
    epoch_wall_ns: int | None = None
    remarks: list[str] = field(default_factory=list)
    _named: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    _open: dict[str, int] = field(default_factory=dict)
    _first: dict[str, int] = field(default_factory=dict)
    _last: dict[str, int] = field(default_factory=dict)
    _lines: dict[str, int] = field(default_factory=dict)
    _silences: dict[str, list[tuple[int, int]]] = field(default_factory=dict)

    def add_line(self, source: str, mono_us: int) -> None:
        """Take in one line's source and session time [µs]."""
        last = self._last.get(source)
        if last is None:
            last = self._first.setdefault(source, mono_us)
        if mono_us - last > LONGEST_SILENCE_S * 1e6:
            self._silences.setdefault(source, []).append((last, mono_us))
        if mono_us >= last:
            self._last[source] = mono_us
        self._lines[source] = self._lines.get(source, 0) + 1
        self.end_us = max(self.end_us, mono_us)

    def add_note(self, entry: dict[str, Any]) -> None:
        """Take in one line of the notes."""
        kind, source, mono_us = entry.get("kind"), str(entry.get("source", "")), entry.get("mono_us")
        if not isinstance(mono_us, int):
            return
        self.end_us = max(self.end_us, mono_us)
        if kind in ("start", "resume"):
            self.begun, self.closed = True, False
            if kind == "start":
                self.epoch_wall_ns = int(entry["epoch_wall_ns"])
            for told in entry.get("sources", []):
                if not str(told["stream"]).startswith("engine/"):
                    self._first.setdefault(str(told["id"]), 0)
                    self._last.setdefault(str(told["id"]), 0)
        elif kind == "stop":
            self.closed = True
        elif kind in ("lost", "silent"):
            self._open.setdefault(source, int(entry.get("from_us", mono_us)))
        elif kind == "gap":
            self._open.pop(source, None)
            self._named.setdefault(source, []).append((int(entry["from_us"]), int(entry["to_us"])))
        if kind in ("overflow", "slept", "torn", "switched", "wall_step", "weeks_off", "gnss_step", "fault", "resume"):
            self.remarks.append(str(entry.get("value", kind)))

    def accounts(self) -> list[Account]:
        """Return the account of every source; call after the last line."""
        return [self._account(source) for source in sorted(self._first)]

    def _account(self, source: str) -> Account:
        first, last = self._first[source], self._last.get(source, self._first[source])
        named = list(self._named.get(source, []))
        if source in self._open:  # the recorder was killed while this source was away
            named.append((min(self._open[source], last), self.end_us))
        silences = list(self._silences.get(source, []))
        if self.end_us - last > LONGEST_SILENCE_S * 1e6:
            silences.append((last, self.end_us))
        gaps = merged((max(a, first), min(b, self.end_us)) for a, b in named)
        unnamed_us = sum(_uncovered_us(silence, gaps) for silence in silences)
        gap_us = sum(b - a for a, b in gaps)
        span_us = self.end_us - first
        return Account(
            source=source,
            lines=self._lines.get(source, 0),
            span_s=span_us / 1e6,
            data_s=(span_us - gap_us - unnamed_us) / 1e6,
            gap_s=gap_us / 1e6,
            unnamed_s=unnamed_us / 1e6,
            gaps=len(gaps),
        )


def merged(intervals: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the union of half-open intervals, ascending."""
    union: list[tuple[int, int]] = []
    for start, stop in sorted(interval for interval in intervals if interval[1] > interval[0]):
        if union and start <= union[-1][1]:
            union[-1] = (union[-1][0], max(union[-1][1], stop))
        else:
            union.append((start, stop))
    return union


def _uncovered_us(silence: tuple[int, int], gaps: list[tuple[int, int]]) -> int:
    """Return how much of a silence no gap names; what is left beside a gap may be as long as any silence may.

    A line is stamped when its first byte came and a gap begins with its last, so the two never meet exactly.
    """
    at, stop = silence
    uncovered = 0
    for start, end in [*gaps, (stop, stop)]:
        if end < at or start > stop:
            continue
        if start - at > LONGEST_SILENCE_S * 1e6:
            uncovered += start - at
        at = max(at, end)
    return uncovered


def read_timeline(folder: Path) -> Timeline:
    """Return the timeline with all notes of a session taken in.

    Raises:
        TrialCaptureError: The notes cannot be read.
    """
    timeline = Timeline()
    path = folder / "raw" / "notes.jsonl"
    try:
        lines = path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return timeline
    except OSError as fault:
        raise TrialCaptureError(
            "the notes cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            timeline.add_note(json.loads(line))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            timeline.remarks.append(f"raw/notes.jsonl line {number} is damaged; the others are used")
    return timeline
