"""``verify``: every hash, every line, every second; names what is damaged and what survives."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from trialcapture.archive.journal import parse_line, split_lines, unescape
from trialcapture.archive.manifest import read_manifest, verify_manifest
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.session import nmea_files, open_session
from trialcapture.decode.can.candump import is_candump_line
from trialcapture.decode.nmea0183.stream import line_quality, xor_checksum
from trialcapture.errors import TrialCaptureError

# Is every second of a recorded session either data or a gap with a name?

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


_OURS = re.compile(
    rb"\\(s:([A-Za-z0-9_-]{1,15}),c:-?[0-9]+,r:([0-9]+)(?:,t:cut|,t:again-[0-9]+)?)\*([0-9A-F]{2})\\([ -\[\]-~]*)\r\n"
)
_CANDUMP = re.compile(rb"\((\d+)\.(\d{6})\) (\S+) [0-9A-Fa-f]{3,8}#[#0-9A-Fa-fRr]*( [RT])?\r?\n")
_NAME_AT_MOST = 20


@dataclass(frozen=True, slots=True)
class Verification:
    """What a session's raw data is worth.

    Attributes:
        session: Its id.
        faults: What is damaged, and what survives of it, one sentence each; empty when all is sound.
        remarks: What is no damage and yet worth knowing.
        lines: Lines looked at.
        sentences: How the received lines read: ``good``, ``unread``, ``bad``, ``unsummed``, ``noise`` …; damage
            here came over the wire and is kept as it came.
        accounts: Each source's time; empty for a session that was not recorded here.
        files: Raw files the manifest lists, None without a manifest.
    """

    session: str
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    lines: int
    sentences: dict[str, int]
    accounts: tuple[Account, ...]
    files: int | None


class _Findings:
    """Faults of the lines of one file, the first ones named and the rest counted."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._places: dict[str, list[int]] = {}
        self._counts: Counter[str] = Counter()

    def add(self, what: str, line: int) -> None:
        self._counts[what] += 1
        places = self._places.setdefault(what, [])
        if len(places) < _NAME_AT_MOST:
            places.append(line)

    def texts(self) -> list[str]:
        texts = []
        for what, count in self._counts.items():
            places = ", ".join(map(str, self._places[what]))
            more = f" and {count - _NAME_AT_MOST} more" if count > _NAME_AT_MOST else ""
            texts.append(f"{self._label}: {what} in {_counted(count, 'line')} ({places}{more})")
        return texts


def verify_session(folder: Path, *, progress: Callable[[int], None] = lambda _: None) -> Verification:
    """Check everything about a session's raw files that can be checked.

    Args:
        folder: The session.
        progress: Called with the number of bytes just read; every raw file is read twice, once for its hash.

    Raises:
        TrialCaptureError: There is no session, or a file cannot be read.
    """
    session = open_session(folder)
    faults: list[str] = []
    manifest = read_manifest(folder)
    if manifest is not None:
        faults += [str(fault) for fault in verify_manifest(folder, progress=progress)]
    timeline = read_timeline(folder)
    remarks = timeline.remarks
    if manifest is None:
        what = "was not ended in good order" if timeline.begun else "has no manifest"
        remarks.append(f"the session {what}, so there are no hashes to compare with; its lines are checked")
    sentences: Counter[str] = Counter()
    lines = 0
    for path in nmea_files(session):
        lines += _check_journal(path, timeline, sentences, faults, remarks, progress)
    for path in sorted((folder / "raw").glob("can*.log*")):
        lines += _check_can(path, timeline, faults, remarks, progress)
    accounts = tuple(timeline.accounts()) if timeline.begun else ()
    faults += [
        f"{a.source}: {a.unnamed_s:.1f} s without data and without a named gap (silence over {LONGEST_SILENCE_S:g} s)"
        for a in accounts
        if a.unnamed_s > 0
    ]
    return Verification(
        session.id,
        tuple(faults),
        tuple(remarks),
        lines,
        dict(sorted(sentences.items())),
        accounts,
        None if manifest is None else len(manifest),
    )


def _check_journal(
    path: Path,
    timeline: Timeline,
    sentences: Counter[str],
    faults: list[str],
    remarks: list[str],
    progress: Callable[[int], None],
) -> int:
    found = _Findings(f"raw/{path.name}")
    torn = _Findings(f"raw/{path.name}")
    count = 0
    for first_line, block in read_blocks(path, warn=faults.append):
        progress(len(block))
        lines = split_lines(block) if timeline.begun else block.splitlines(keepends=True)
        for number, line in enumerate(lines, first_line + 1):
            count += 1
            ours = _OURS.fullmatch(line)
            if ours is not None:
                if xor_checksum(ours[1]) != int(ours[4], 16):
                    found.add("the TAG block's checksum is wrong; the sentence survives", number)
                    continue
                timeline.add_line(ours[2].decode("ascii"), int(ours[3]))
                sentences[line_quality(unescape(ours[5]) + b"\r\n")] += 1
                continue
            parsed = parse_line(line)
            if parsed.mono_us is not None and parsed.fault in ("", "torn"):
                timeline.add_line(parsed.source, parsed.mono_us)
            if parsed.fault == "torn" and timeline.begun:
                torn.add(f"a torn line, of which {len(parsed.original)} bytes survive,", number)
            elif timeline.begun and not parsed.fault:
                found.add("bytes that no journal line holds; the rest of the line survives", number)
            elif timeline.begun:
                found.add(f"{parsed.fault}; what can be read of the line survives", number)
            else:
                sentences[line_quality(parsed.original)] += 1
    faults += found.texts()
    remarks += torn.texts()
    return count


def _check_can(
    path: Path, timeline: Timeline, faults: list[str], remarks: list[str], progress: Callable[[int], None]
) -> int:
    found = _Findings(f"raw/{path.name}")
    torn = _Findings(f"raw/{path.name}")
    count = 0
    for first_line, block in read_blocks(path, warn=faults.append):
        progress(len(block))
        for number, line in enumerate(block.splitlines(keepends=True), first_line + 1):
            count += 1
            frame = _CANDUMP.fullmatch(line)
            if frame is None:
                if not timeline.begun and is_candump_line(line):
                    continue
                whole = line.endswith(b"\n")
                # of a log recorded elsewhere nothing was lost here
                (found if whole and timeline.begun else torn).add("no CAN frame" if whole else "a torn frame", number)
            elif timeline.epoch_wall_ns is not None:
                stamp_us = int(frame[1]) * 1_000_000 + int(frame[2])
                mono_us = stamp_us - timeline.epoch_wall_ns // 1000
                timeline.add_line(frame[3].decode("ascii", "replace"), mono_us)
    faults += found.texts()
    remarks += torn.texts()
    return count


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
