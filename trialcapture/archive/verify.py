"""``verify``: every hash, every line, every second, the seal and the results.

It names what is damaged and what survives, what was lost while recording, and ends in one of four words.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from math import log
from pathlib import Path
from typing import Any, Literal

from trialcapture.archive.journal import parse_line, split_lines, unescape
from trialcapture.archive.manifest import raw_files
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.result_set import compare_results
from trialcapture.archive.seal import (
    ACCEPTED,
    CLOSED_LATE,
    JOINED,
    MANIFEST,
    NAME,
    Recording,
    SealComparison,
    SealLine,
    check_signatures,
    compare_seal,
    root_line,
)
from trialcapture.archive.session import FILE_NAME, Session, can_files, nmea_files, open_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json_line
from trialcapture.config import config_hash, load_config
from trialcapture.decode.can.can_decoder import is_candump_line
from trialcapture.decode.nmea0183.stream import line_quality, split_stream, xor_checksum
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import check_session_files, read_whole

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


@dataclass(frozen=True, slots=True)
class NamedLoss:
    """Something that was lost and has a name.

    Attributes:
        what: Source, or part of the session.
        text: What happened, as a sentence.
        seconds: How long [s]; None where time is not what was lost.
        lines: About how many lines; None where that cannot be told.
    """

    what: str
    text: str
    seconds: float | None = None
    lines: int | None = None

    def __str__(self) -> str:
        """Say what was lost in one line."""
        return f"{self.what}: {self.text}"


_REMARKED = frozenset(
    ("overflow", "slept", "torn", "switched", "joined", "wall_step", "weeks_off", "gnss_step", "fault", "resume",
     "file_restored", "held_up")
)  # fmt: skip
LEAST_LINES = 20
"""So many intervals show how often a source speaks (our choice)."""
HOLE_FACTOR, HOLE_FACTOR_IRREGULAR = 2.5, 6.0
"""A silence so many times the usual interval is a hole (common practice, no source)."""
LEAST_HOLE_S = 1.0
"""Shorter silences come from computer and line, not from a loss (our choice)."""


class _Cadence:
    """How often a source speaks, and where it did not."""

    def __init__(self) -> None:
        self._bins: dict[int, list[int]] = {}
        self.long: list[tuple[int, int]] = []
        self.bytes = self.count = 0

    def add(self, start_us: int, stop_us: int) -> None:
        gap_us = stop_us - start_us
        if gap_us <= 0:
            return
        if gap_us > LEAST_HOLE_S * 1e6:
            self.long.append((start_us, stop_us))
        if gap_us > LONGEST_SILENCE_S * 1e6:
            return  # the source was away, which tells nothing of how often it speaks
        of = self._bins.setdefault(int(8 * log(gap_us)), [0, 0])
        of[0] += 1
        of[1] += gap_us
        self.count += 1

    def usual_us(self) -> tuple[float, float] | None:
        """Return the interval in which half of the time passes, and the longest that is no hole; None with few."""
        if self.count < LEAST_LINES:
            return None
        median, spread = self._at(0.5), self._at(0.9)
        factor = HOLE_FACTOR if spread < 1.5 * median else HOLE_FACTOR_IRREGULAR
        return median, max(factor * median, LEAST_HOLE_S * 1e6)

    def _at(self, share: float) -> float:
        """Return the mean interval of the class in which a share of the time has passed, shortest first."""
        left = share * sum(total for _, total in self._bins.values())
        mean = 0.0
        for _, (count, total) in sorted(self._bins.items()):
            mean, left = total / count, left - total
            if left <= 0:
                break
        return mean


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
    _resumed_us: list[int] = field(default_factory=list)
    _cadences: dict[str, _Cadence] = field(default_factory=dict)
    _gap_reasons: dict[str, Counter[str]] = field(default_factory=dict)
    _losses: list[NamedLoss] = field(default_factory=list)
    _overflows: list[tuple[str, int, int, bool]] = field(default_factory=list)
    _received: Counter[str] = field(default_factory=Counter)
    _parts: int = 0
    _ended: int = 0
    _not_writing_us: int | None = None
    _held: list[tuple[int, int, bool]] = field(default_factory=list)

    @property
    def recording(self) -> Recording:
        """What the recorder's notes say of the end."""
        return "none" if not self.begun else "closed" if self.closed else "open"

    def add_line(self, source: str, mono_us: int, size: int = 0) -> None:
        """Take in one line's source, session time [µs] and size [bytes]."""
        cadence = self._cadences.setdefault(source, _Cadence())
        cadence.bytes += size
        if source in self._lines:
            cadence.add(self._last[source], mono_us)
        last = self._last.get(source)
        if last is None:
            last = self._first.setdefault(source, mono_us)
        if mono_us - last > LONGEST_SILENCE_S * 1e6:
            self._silences.setdefault(source, []).append((last, mono_us))
        if mono_us >= last:
            self._last[source] = mono_us
        self._lines[source] = self._lines.get(source, 0) + 1
        self.end_us = max(self.end_us, mono_us)

    def add_note(self, entry: dict[str, Any]) -> None:  # noqa: PLR0912  one branch a kind
        """Take in one line of the notes."""
        kind, source, mono_us = entry.get("kind"), str(entry.get("source", "")), entry.get("mono_us")
        if not isinstance(mono_us, int):
            return
        self.end_us = max(self.end_us, mono_us)
        if kind in ("start", "resume"):
            self.begun, self.closed = True, False
            self._parts += 1
            if kind == "resume":
                self._resumed_us.append(mono_us)
            if kind == "start":
                self.epoch_wall_ns = int(entry["epoch_wall_ns"])
            for told in entry.get("sources", []):
                if not str(told["stream"]).startswith("engine/"):
                    self._first.setdefault(str(told["id"]), 0)
                    self._last.setdefault(str(told["id"]), 0)
        elif kind == "stop":
            self.closed = True
            self._ended += 1
            self._received.update({str(k): int(v) for k, v in dict(entry.get("received", {})).items()})
            if entry.get("complete", True) is not True:
                size = entry.get("unwritten_bytes")
                more = f"; {size} bytes were still in memory" if isinstance(size, int) and size else ""
                told, truth = str(entry.get("value") or "it ended"), "not everything that was received is on the disk"
                text = (told if truth in told else f"{told}: {truth}") + more
                self._losses.append(NamedLoss("recording", text))
        elif kind in ("lost", "silent"):
            self._open.setdefault(source, int(entry.get("from_us", mono_us)))
        elif kind == "gap":
            self._open.pop(source, None)
            self._named.setdefault(source, []).append((int(entry["from_us"]), int(entry["to_us"])))
            self._gap_reasons.setdefault(source, Counter())[str(entry.get("reason") or "silent")] += 1
        elif kind == "overflow":
            lines = int(entry.get("lines", 0)) + int(entry.get("datagrams", 0))
            is_of_disk = entry.get("cause") == "disk"
            self._overflows.append((source, int(entry.get("bytes", 0)), lines, is_of_disk))
        elif kind == "file_lost":
            text, lines = str(entry.get("value", kind)), int(entry.get("lines", 0))
            self._losses.append(NamedLoss(str(entry.get("file", "")), text, float(entry.get("seconds", 0.0)), lines))
        elif kind == "not_writing":
            self._not_writing_us = mono_us if self._not_writing_us is None else self._not_writing_us
        elif kind == "writing_again" and self._not_writing_us is not None:
            self._held.append((self._not_writing_us, mono_us, True))
            self._not_writing_us = None
        elif kind == "slept":
            slept_s = float(entry.get("slept_s", 0.0))
            self._losses.append(NamedLoss("computer", f"slept for {slept_s:.1f} s; nothing was received then", slept_s))
        elif kind == "torn":
            text = f"the last line was torn by a crash; {entry.get('bytes', 0)} bytes of it survive"
            self._losses.append(NamedLoss(f"raw/{entry.get('file', 'nmea.log')}", text, lines=1))
        if kind in _REMARKED:
            self.remarks.append(str(entry.get("value", kind)))

    def accounts(self) -> list[Account]:
        """Return the account of every source; call after the last line."""
        return [self._account(source) for source in sorted(self._first)]

    def losses(self, accounts: Iterable[Account]) -> list[NamedLoss]:
        """Return everything that was lost and has a name; call after the last line."""
        found = list(self._losses)
        for account in accounts:
            found += self._losses_of(account)
        held = list(self._held)
        if self._not_writing_us is not None:
            held.append((self._not_writing_us, self.end_us, False))
        for start, stop, is_over in held:
            after = "what was held in memory was written afterwards" if is_over else "it was never written again"
            when = f"from {_at_text(start)} for {(stop - start) / 1e6:.1f} s"
            found.append(NamedLoss("recording", f"nothing could be written {when}; {after}", (stop - start) / 1e6))
        for source, size, lines, is_of_disk in self._overflows:
            found.append(self._overflow(source, size, lines, is_of_disk=is_of_disk))
        return found

    def _losses_of(self, account: Account) -> Iterable[NamedLoss]:
        source, rate = account.source, account.lines / account.data_s if account.data_s > 0 else 0.0
        reasons = ", ".join(f"{n} {reason}" for reason, n in sorted(self._gap_reasons.get(source, {}).items()))
        why = f" ({reasons})" if reasons else ""
        if not account.lines:
            yield NamedLoss(source, f"not one line in {account.span_s:.1f} s{why}", account.span_s, None)
            return
        if account.gap_s > 0:
            lines = round(account.gap_s * rate)
            text = f"{account.gap_s:.1f} s in {account.gaps} named gap(s){why}"
            yield NamedLoss(source, f"{text}, about {lines} lines", account.gap_s, lines)
        if holes := self._holes(source):
            seconds = sum(length for _, length in holes)
            longest_at, longest = max(holes, key=lambda hole: hole[1])
            text = f"{_counted(len(holes), 'hole')} of less than {LONGEST_SILENCE_S:g} s, {seconds:.1f} s in all"
            text += f", the longest {longest:.1f} s at {_at_text(longest_at)}; about {round(seconds * rate)} lines"
            yield NamedLoss(source, text, seconds, round(seconds * rate))
        received = self._received.get(source, 0)
        if self._parts == self._ended and received > account.lines:
            lost = received - account.lines
            text = f"{lost} of {received} lines that were received are not in the journal"
            yield NamedLoss(source, text, lost / rate if rate else None, lost)

    def _holes(self, source: str) -> list[tuple[int, float]]:
        """Return begin [µs] and length [s] of the silences that are out of the usual and that nothing else names."""
        usual = self._cadences[source].usual_us() if source in self._cadences else None
        if usual is None:
            return []
        named = merged(self._named.get(source, []))
        last = (self._last[source], self.end_us)
        return [
            (a, (b - a - usual[0]) / 1e6)
            for a, b in [*self._cadences[source].long, last]
            if usual[1] < b - a <= LONGEST_SILENCE_S * 1e6 and not any(a < y and x < b for x, y in named)
        ]

    def _overflow(self, source: str, size: int, lines: int, *, is_of_disk: bool) -> NamedLoss:
        cadence, count = self._cadences.get(source), self._lines.get(source, 0)
        if not lines and cadence is not None and cadence.bytes and count:
            lines = round(size * count / cadence.bytes)
        first, last = self._first.get(source, 0), self._last.get(source, 0)
        rate = count / ((last - first) / 1e6) if last > first else 0.0
        seconds = lines / rate if rate and lines else None
        parts = [f"{size} bytes"] if size else []
        parts += [f"about {lines} lines"] if lines else []
        parts += [f"{seconds:.1f} s of what it sends"] if seconds is not None else []
        why = "no disk took them" if is_of_disk else "they came faster than they were taken"
        text = f"{', '.join(parts) or 'data'} are lost: {why}"
        return NamedLoss(source, text, seconds, lines or None)

    def _account(self, source: str) -> Account:
        first, last = self._first[source], self._last.get(source, self._first[source])
        named = list(self._named.get(source, []))
        if source in self._open:  # the recorder was killed while this source was away
            named.append((min(self._open[source], last), self.end_us))
        silences = list(self._silences.get(source, []))
        if self.end_us - last > LONGEST_SILENCE_S * 1e6:
            silences.append((last, self.end_us))
        # a recorder that was killed before its note of the gap was on the disk has named it by its restart
        restarts = [(a, b) for a, b in silences if any(a <= at <= b for at in self._resumed_us)]
        if unsaid := [one for one in restarts if _uncovered_us(one, merged(named))]:
            self._gap_reasons.setdefault(source, Counter())["restart"] = len(unsaid)
            named += unsaid
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


class LogTimes:
    """Holes that a log recorded elsewhere shows by itself: by receipt stamps, else by the times its sentences tell."""

    def __init__(self) -> None:
        self._cadences: dict[tuple[str, bool], _Cadence] = {}
        self._last: dict[tuple[str, bool], int] = {}
        self._day_us: dict[str, int] = {}
        self.untimed: list[str] = []

    def add(self, source: str, stamp_us: int, *, is_utc: bool = True) -> None:
        """Take in one line: its source, and its time [µs] since 1970, on the day, or of the session."""
        key = (source, is_utc)
        last = self._last.get(key, stamp_us)
        cadence = self._cadences.setdefault(key, _Cadence())
        cadence.add(last, stamp_us)
        self._last[key] = max(last, stamp_us)

    def add_stamped(self, source: str, wall: int) -> None:
        """Take in a line by the ``c`` of its TAG block, which counts seconds or milliseconds."""
        self.add(source, wall * (1_000_000 if abs(wall) < _LEAST_MS else 1_000))

    def add_sentence(self, line: bytes) -> bool:
        """Take in a line by the time that stands in it; False where none does."""
        found = _TIMED.search(line)
        if found is None:
            return False
        source = found[1].decode("ascii")
        at_us = ((int(found[2]) * 60 + int(found[3])) * 60 + int(found[4])) * 1_000_000
        at_us += int((found[5] or b"0").ljust(6, b"0")[:6])
        day_us = self._day_us.get(source, 0)
        if (last := self._last.get((source, True))) is not None and last - (day_us + at_us) > _HALF_DAY_US:
            day_us += 2 * _HALF_DAY_US
        self._day_us[source] = day_us
        self.add(source, day_us + at_us)
        return True

    def losses(self) -> list[NamedLoss]:
        """Return the holes of each source; call after the last line."""
        found = []
        for (source, is_utc), cadence in sorted(self._cadences.items()):
            usual = cadence.usual_us()
            holes = [] if usual is None else [(a, b - a - usual[0]) for a, b in cadence.long if b - a > usual[1]]
            if usual is None or not holes:
                continue
            seconds, lines = sum(length for _, length in holes) / 1e6, round(sum(n for _, n in holes) / usual[0])
            at_us, longest = max(holes, key=lambda hole: hole[1])
            at = f"{_at_text(at_us % (2 * _HALF_DAY_US))} UTC" if is_utc else _at_text(at_us)
            text = f"{_counted(len(holes), 'hole')} in the log itself, {seconds:.1f} s in all, the longest "
            text += f"{longest / 1e6:.1f} s at {at}; about {lines} lines; nobody noted why"
            found.append(NamedLoss(source, text, seconds, lines))
        return found


_LEAST_MS = 100_000_000_000
"""A ``c`` below is in seconds: of the year 5138; in milliseconds of 1973 (NMEA 0183 TAG blocks know both)."""
_HALF_DAY_US = 43_200_000_000
_TIMED = re.compile(rb"\$([A-Z]{2}(?:RMC|GGA|GNS|ZDA)),([01]\d|2[0-3])([0-5]\d)([0-5]\d)(?:\.(\d{1,9}))?,")
"""Sentences whose first field is the time of day (hhmmss.ss)."""


def _at_text(mono_us: int) -> str:
    """Return a session time as h:mm:ss."""
    whole = mono_us // 1_000_000
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


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
        lines = read_whole(path, MOST_JSON_BYTES).split(b"\n")
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
            timeline.add_note(parse_json_line(line))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            timeline.remarks.append(f"raw/notes.jsonl line {number} is damaged; the others are used")
    return timeline


_OURS = re.compile(
    rb"\\(s:([A-Za-z0-9_-]{1,15}),c:-?[0-9]{1,19},r:([0-9]{1,18})(?:,t:cut|,t:again-[0-9]+)?)"
    rb"\*([0-9A-F]{2})\\([ -\[\]-~]*)\r\n"
)
_CANDUMP = re.compile(rb"\((\d{1,12})\.(\d{6})\) (\S+) [0-9A-Fa-f]{3,8}#[#0-9A-Fa-fRr]*( [RT])?\r?\n")
_NAME_AT_MOST = 20


Ending = Literal["sound", "sound with named losses", "damaged", "cannot be vouched for"]


@dataclass(frozen=True, slots=True)
class Verification:
    """What a session is worth.

    Attributes:
        session: Its id.
        faults: What is damaged or was changed, and what survives of it, one sentence each; empty when all is sound.
        unvouched: What is missing to vouch for the rest, one sentence each.
        losses: What was lost and has a name.
        remarks: What is no damage and yet worth knowing.
        lines: Lines looked at.
        sentences: How the received lines read: ``good``, ``unread``, ``bad``, ``unsummed``, ``noise`` …; damage
            here came over the wire and is kept as it came.
        accounts: Each source's time; empty for a session that was not recorded here.
        files: Raw files there are.
        seal: What is there, compared with the seal.
        root_given: Which line of the seal has the root that was asked for; None without one.
    """

    session: str
    faults: tuple[str, ...]
    unvouched: tuple[str, ...]
    losses: tuple[NamedLoss, ...]
    remarks: tuple[str, ...]
    lines: int
    sentences: dict[str, int]
    accounts: tuple[Account, ...]
    files: int
    seal: SealComparison
    root_given: SealLine | None

    @property
    def ending(self) -> Ending:
        """The one word for all of it."""
        if self.faults:
            return "damaged"
        if self.unvouched:
            return "cannot be vouched for"
        return "sound with named losses" if self.losses else "sound"


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


def verify_session(
    folder: Path, *, root: str | None = None, progress: Callable[[float], None] = lambda _: None
) -> Verification:
    """Check everything about a session that can be checked; nothing is written.

    Args:
        folder: The session.
        root: A root that was noted elsewhere, or its first digits, in hexadecimal; None without one.
        progress: Called with the share of the raw files that was read, 0 to 1; each is read twice, once for its hash.

    Raises:
        TrialCaptureError: There is no session, or something in it is no regular file.
    """
    check_session_files(folder)
    total, done = 2 * sum(path.stat().st_size for path in raw_files(folder)) or 1, 0

    def read(size: int) -> None:
        nonlocal done
        done += size
        progress(min(done / total, 1.0))

    session, unread = _open_as_far(folder)
    timeline, of_notes = _timeline_as_far(folder)
    remarks = timeline.remarks
    seal = compare_seal(folder, timeline.recording, progress=read)
    missing = [change for change in seal.changes if (change.path, change.kind) == (MANIFEST, "missing")]
    faults = unread + of_notes + [str(change) for change in seal.changes if change not in missing]
    unvouched = [str(change) for change in missing] + _unsealed(session, seal, timeline)
    given = None if root is None else root_line(seal.lines, root)
    if root is not None and given is None:
        unvouched.append(
            f"the root {root[:20]}… that was noted elsewhere is in no line of {NAME}: all of the seal was "
            "written anew, or it was cut off, or the root is another session's"
        )
    sentences: Counter[str] = Counter()
    lines = 0
    times = LogTimes()
    for check, paths in ((partial(_check_journal, sentences), nmea_files(session)), (_check_can, can_files(session))):
        for path in paths:
            try:
                lines += check(path, timeline, times, faults, remarks, read)
            except TrialCaptureError as fault:  # the others are looked at all the same
                faults.append(f"raw/{path.name}: {_short(fault)}")
    accounts = tuple(timeline.accounts()) if timeline.begun else ()
    faults += [
        f"{a.source}: {a.unnamed_s:.1f} s without data and without a named gap (silence over {LONGEST_SILENCE_S:g} s)"
        for a in accounts
        if a.unnamed_s > 0
    ]
    if times.untimed:
        names = ", ".join(times.untimed)
        remarks.append(f"{names}: nothing in it tells when its lines came, so nobody can see whether it has holes")
    results = compare_results(folder, seal.lines, seal.root_of_files, "" if unread else config_hash(session.config))
    of_signatures, about_signatures = check_signatures(folder, seal.lines)
    faults += [*results.faults, *of_signatures]
    unvouched += results.unvouched
    remarks += about_signatures
    remarks += results.remarks
    return Verification(
        session=session.id,
        faults=tuple(faults),
        unvouched=tuple(unvouched),
        losses=(*timeline.losses(accounts), *times.losses(), *_losses_of_seal(seal, timeline)),
        remarks=tuple(remarks),
        lines=lines,
        sentences=dict(sorted(sentences.items())),
        accounts=accounts,
        files=len(seal.files) - 1,
        seal=seal,
        root_given=given,
    )


def _open_as_far(folder: Path) -> tuple[Session, list[str]]:
    """Return the session, and why its session.toml cannot be read where the rest can be looked at all the same."""
    try:
        return open_session(folder), []
    except TrialCaptureError as fault:
        if not any((folder / name).exists() for name in (NAME, MANIFEST)):
            raise
        why = _short(fault) if (folder / FILE_NAME).exists() else "the file is missing"
        stand_in = Session(folder, folder.resolve().name, "", "", load_config(""), "")
        return stand_in, [f"{FILE_NAME}: {why}; raw files and seal are looked at"]


def _timeline_as_far(folder: Path) -> tuple[Timeline, list[str]]:
    try:
        return read_timeline(folder), []
    except TrialCaptureError as fault:
        return Timeline(), [f"raw/notes.jsonl: {_short(fault)}"]


def _short(fault: TrialCaptureError) -> str:
    """Return an error as a half sentence behind the name of its file."""
    faults = "; ".join(getattr(fault, "faults", ())[:3])
    seen = faults or fault.seen
    return fault.what + ("" if seen is None else f" ({seen})")


def _unsealed(session: Session, seal: SealComparison, timeline: Timeline) -> list[str]:
    """Return why nobody can vouch for a session that has no seal although it should."""
    if seal.was_sealed or timeline.recording == "open" or any(change.path == NAME for change in seal.changes):
        return []
    found = []
    what = "its notes say that the recording was closed" if timeline.closed else "it was made from files"
    if not (session.folder / NAME).exists():
        found.append(f"{NAME}: the file is missing; {what}, so there was one, unless an early version wrote it")
    if not (session.folder / MANIFEST).exists():
        found.append(f"{MANIFEST}: the file is missing, so there are no hashes to compare with")
    return found


def _losses_of_seal(seal: SealComparison, timeline: Timeline) -> list[NamedLoss]:
    found = []
    if timeline.recording == "open" and not (seal.lines and seal.lines[-1].what == CLOSED_LATE):
        text = "was never closed, so no hash covers all of it: close it with 'record --resume', or late with 'seal'"
        found.append(NamedLoss("recording", f"{text}; its lines are checked"))
    for line in seal.lines:
        if line.what == CLOSED_LATE:
            text = f"closed late, {line.t} by {line.by}: what happened to its files before then nothing shows"
            text += f" ({'; '.join(line.found)})" if line.found else ""
            found.append(NamedLoss("seal", text + (f"; reason given: {line.reason}" if line.reason else "")))
        elif line.what == ACCEPTED:
            text = f"changes accepted {line.t} by {line.by}: {'; '.join(line.found)}; reason given: {line.reason}"
            found.append(NamedLoss("seal", text))
        elif line.what == JOINED and line.found:
            found.append(NamedLoss("seal", f"{line.what} {line.t} by {line.by}: {'; '.join(line.found)}"))
        elif line.found:
            text = f"{line.what} {line.t} by {line.by} over changes nobody accepted: {'; '.join(line.found)}"
            found.append(NamedLoss("seal", text))
    return found


def _check_journal(
    sentences: Counter[str],
    path: Path,
    timeline: Timeline,
    times: LogTimes,
    faults: list[str],
    remarks: list[str],
    progress: Callable[[int], None],
) -> int:
    found = _Findings(f"raw/{path.name}")
    torn = _Findings(f"raw/{path.name}")
    count = timed = 0
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
                _add_time(timeline, times, ours[2].decode("ascii"), int(ours[3]), len(ours[5]))
                timed += 1
                _count_sentences(unescape(ours[5]) + b"\r\n", sentences)
                continue
            parsed = parse_line(line)
            if parsed.mono_us is not None and parsed.fault in ("", "torn"):
                _add_time(timeline, times, parsed.source, parsed.mono_us)
                timed += 1
            elif not timeline.begun and parsed.wall_ms is not None and not parsed.fault:
                times.add_stamped(parsed.source or path.name, parsed.wall_ms)
                timed += 1
            elif not timeline.begun:
                timed += times.add_sentence(line)
            if parsed.fault == "torn" and timeline.begun:
                torn.add(f"a torn line, of which {len(parsed.original)} bytes survive,", number)
            elif timeline.begun and not parsed.fault:
                found.add("bytes that no journal line holds; the rest of the line survives", number)
            elif timeline.begun:
                found.add(f"{parsed.fault}; what can be read of the line survives", number)
            else:
                _count_sentences(parsed.original, sentences)
    faults += found.texts()
    remarks += torn.texts()
    if count and not timed and not timeline.begun:
        times.untimed.append(f"raw/{path.name}")
    return count


def _add_time(timeline: Timeline, times: LogTimes, source: str, mono_us: int, size: int = 0) -> None:
    if timeline.begun:
        timeline.add_line(source, mono_us, size)
    else:
        times.add(source, mono_us, is_utc=False)


def _count_sentences(line: bytes, sentences: Counter[str]) -> None:
    """Count a line by its quality; a sentence behind noise, or glued to another one, is counted as a sentence."""
    quality = line_quality(line)
    if quality not in ("noise", "bad"):
        sentences[quality] += 1
        return
    pieces, rest = split_stream(line)
    for piece in [*pieces, *([rest] if rest else [])]:
        sentences[line_quality(piece)] += 1


def _check_can(
    path: Path,
    timeline: Timeline,
    times: LogTimes,
    faults: list[str],
    remarks: list[str],
    progress: Callable[[int], None],
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
                continue
            stamp_us = int(frame[1]) * 1_000_000 + int(frame[2])
            if not timeline.begun:
                times.add(frame[3].decode("ascii", "replace"), stamp_us)
            elif timeline.epoch_wall_ns is not None:
                mono_us = stamp_us - timeline.epoch_wall_ns // 1000
                timeline.add_line(frame[3].decode("ascii", "replace"), mono_us, len(line))
    faults += found.texts()
    remarks += torn.texts()
    return count


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
