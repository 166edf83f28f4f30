"""The state of a recording at one moment: numbers for the screen and for machines, alarms with what to do.

Of each source its age, rate, quality and fix are known, and every gap by name.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from trialcapture.acquire.events import Event, Events
from trialcapture.acquire.received_lines import Piece
from trialcapture.archive.verify import LONGEST_SILENCE_S
from trialcapture.decode.nmea0183.stream import line_quality

# ------------------------------------------------------------------------------
# What a receiver's own sentences say while recording: is there a fix, and is its clock believable.
# ------------------------------------------------------------------------------

EPOCH_DAYS = 7168
"""GPS weeks are sent modulo 1024; a receiver that guesses the wrong epoch is off by whole 1024 weeks."""
_STEP_FIXES = 5
"""So many fixes must agree on a new time before it counts as a step (our choice)."""
_MODES = {b"A": "fix", b"D": "differential", b"E": "estimated", b"F": "float", b"P": "precise", b"R": "fixed",
          b"M": "manual", b"S": "simulated", b"N": ""}  # fmt: skip


class GnssFinding(NamedTuple):
    """Something about a receiver that belongs in the record.

    Attributes:
        kind: ``weeks_off`` or ``gnss_step``.
        amount: Epochs of 1024 weeks, or seconds.
    """

    kind: str
    amount: float


class GnssWatch:
    """Watches the RMC sentences of one source.

    Attributes:
        mode: What the last one says of its fix: "" for none, else ``fix``, ``estimated``, ``simulated`` …
        fix_ns: Session time of the last valid fix [ns], None before the first.
        heard_ns: Session time of the last RMC [ns], None before the first.
        offset_s: Wall clock minus the receiver's UTC at the last fix [s].
        weeks_off: How many epochs of 1024 weeks the date is off.
    """

    def __init__(self) -> None:
        self.mode = ""
        self.fix_ns: int | None = None
        self.heard_ns: int | None = None
        self.offset_s: float | None = None
        self.weeks_off = 0
        self._leads: deque[float] = deque(maxlen=_STEP_FIXES)
        self._level_s: float | None = None

    def feed(self, rmc: bytes, mono_ns: int, wall_ns: int) -> list[GnssFinding]:
        """Take in an RMC sentence whose checksum is right.

        Args:
            rmc: The sentence.
            mono_ns: Session time of its receipt [ns].
            wall_ns: Wall clock at its receipt [ns since 1970 UTC].
        """
        fields = rmc.partition(b"*")[0].split(b",")
        self.heard_ns = mono_ns
        if len(fields) < 10:
            return []
        mode = _MODES.get(fields[12], "") if len(fields) > 12 and fields[12] else "fix"
        self.mode = mode if fields[2] == b"A" else ""
        if self.mode and self.mode not in ("estimated", "simulated", "manual"):
            self.fix_ns = mono_ns
        utc_s = _utc_s(fields[1], fields[9])
        if utc_s is None or not self.mode:
            return []
        findings = []
        away_s = wall_ns / 1e9 - utc_s
        epochs = round(away_s / 86_400 / EPOCH_DAYS)
        if epochs and abs(away_s / 86_400 - epochs * EPOCH_DAYS) < 1.5:
            away_s -= epochs * EPOCH_DAYS * 86_400
            utc_s += epochs * EPOCH_DAYS * 86_400
        else:
            epochs = 0
        if epochs != self.weeks_off:
            self.weeks_off = epochs
            findings.append(GnssFinding("weeks_off", epochs))
        self.offset_s = away_s
        step_s = self._step(utc_s - mono_ns / 1e9)
        if step_s:
            findings.append(GnssFinding("gnss_step", step_s))
        return findings

    def _step(self, lead_s: float) -> float:
        """Return the whole seconds by which UTC minus receipt time has stepped and stayed, else 0.

        Transmission only ever delays, so the level is the largest lead of the last few fixes; a burst of late
        sentences lowers some of them and not all.
        """
        self._leads.append(lead_s)
        if len(self._leads) < _STEP_FIXES:
            return 0.0
        level_s = max(self._leads)
        settled = level_s - min(self._leads) < 0.5
        if self._level_s is None:
            self._level_s = level_s if settled else None
            return 0.0
        change_s = level_s - self._level_s
        whole_s = round(change_s)
        if whole_s and not (settled and abs(change_s - whole_s) < 0.25):
            return 0.0  # neither settled nor a whole second: wait
        self._level_s = level_s
        return float(whole_s)


def _utc_s(time: bytes, date: bytes) -> float | None:
    try:
        day = datetime(2000 + int(date[4:6]), int(date[2:4]), int(date[0:2]), tzinfo=UTC)
        if int(date[4:6]) >= 80:
            day = day.replace(year=day.year - 100)
        tod = timedelta(hours=int(time[0:2]), minutes=int(time[2:4]), seconds=float(time[4:]))
    except ValueError:
        return None
    return (day + tod).timestamp()


WINDOW_S = 10
"""Over this time rates are taken (our choice)."""
SHORTEST_SILENCE_S = 2.0
"""A pause shorter than this is no silence, however fast the source (our choice)."""
_MOST_TYPES = 100
"""Unread sentence types named at most (our choice)."""


class Window(NamedTuple):
    """Sums over the last `WINDOW_S` seconds."""

    bytes: int
    good: int
    bad: int


class SourceHealth:
    """One journal source's numbers.

    Attributes:
        state: ``opening``, ``open`` or ``lost``.
        trouble: Why it is not open, and what to do.
        since_ns: Session time up to which there was data when this program began to watch [ns].
        watched_ns: Session time at which it began to watch [ns].
        lost_lines: Lines and datagrams that came too fast to be kept.
        lost_of_disk: True where no disk took them, False where the source alone was too fast.
        lost_ns: Session time when such a loss was last told [ns], None before the first.
        heard_ns: Session time of the last byte [ns], None before the first.
        good_ns: Session time of the last intact sentence [ns].
        usual_s: Usual time between arrivals [s].
        gap_from_ns: Start of the gap that is open now [ns], or None.
        silence_hint: What else to look at as long as nothing was ever heard, "" for nothing.
    """

    def __init__(self, source: str, parent: str, stream: str, baud: int | None, since_ns: int) -> None:
        self.source = source
        self.parent = parent
        self.stream = stream
        self.baud = baud
        self.state = "opening"
        self.trouble = ""
        self.since_ns = since_ns
        self.watched_ns = since_ns
        self.lost_lines = 0
        self.lost_of_disk = False
        self.lost_ns: int | None = None
        self.heard_ns: int | None = None
        self.good_ns: int | None = None
        self.usual_s = 1.0
        self.gap_from_ns: int | None = None
        self.gap_reason = ""
        self.silence_hint = ""
        self.bytes = self.lines = self.good = self.bad = self.unread = self.gaps = 0
        self.unread_types: Counter[str] = Counter()
        self.gnss = GnssWatch()
        self._buckets: dict[int, list[int]] = {}

    @property
    def last_ns(self) -> int:
        """Session time up to which there is data [ns]."""
        return self.since_ns if self.heard_ns is None else self.heard_ns

    @property
    def silence_s(self) -> float:
        """How long this source may be silent before it counts as a gap [s]."""
        return min(LONGEST_SILENCE_S, max(SHORTEST_SILENCE_S, 3 * self.usual_s))

    def window(self, now_ns: int) -> Window:
        """Return the sums of the last seconds."""
        second = now_ns // 1_000_000_000
        kept = [b for at, b in list(self._buckets.items()) if second - WINDOW_S < at <= second]
        return Window(sum(b[0] for b in kept), sum(b[1] for b in kept), sum(b[2] for b in kept))

    def rate_hz(self, now_ns: int) -> float:
        """Return intact sentences a second over the window, or since watching began if that is shorter."""
        return self.window(now_ns).good / self._window_s(now_ns)

    def line_load(self, now_ns: int) -> float | None:
        """Return how full the serial line is, 0 to 1; ten bits a byte."""
        if not self.baud:
            return None
        return self.window(now_ns).bytes * 10 / self._window_s(now_ns) / self.baud

    def _window_s(self, now_ns: int) -> float:
        return min(float(WINDOW_S), max(1.0, (now_ns - self.watched_ns) / 1e9))

    def count(self, mono_ns: int, size: int, grade: str) -> None:
        """Count one piece."""
        self.bytes += size
        self.lines += 1
        bucket = self._buckets.setdefault(mono_ns // 1_000_000_000, [0, 0, 0])
        bucket[0] += size
        if grade in ("good", "unread"):
            self.good_ns = mono_ns
            bucket[1] += 1
        elif grade not in ("tag", "blank"):
            bucket[2] += 1
        if grade == "good":
            self.good += 1
        elif grade == "unread":
            self.unread += 1
        elif grade not in ("tag", "blank"):
            self.bad += 1
        if len(self._buckets) > 2 * WINDOW_S:
            for at in sorted(self._buckets)[:-WINDOW_S]:
                del self._buckets[at]


class Health:
    """The numbers of all sources, and the bookkeeping of gaps.

    Args:
        events: Where gaps and findings are recorded.
        trusted: Sources whose sentences carry no checksum and are believed all the same.
    """

    def __init__(self, events: Events, *, trusted: frozenset[str] = frozenset()) -> None:
        self._events = events
        self._trusted = trusted
        self.sources: dict[str, SourceHealth] = {}

    def expect(
        self,
        source: str,
        stream: str,
        since_ns: int,
        *,
        parent: str = "",
        baud: int | None = None,
        away: str = "",
        now_ns: int | None = None,
        silence_hint: str = "",
    ) -> None:
        """Begin to watch a source.

        Args:
            source: Its id in the journal.
            stream: Raw file it is kept in.
            since_ns: Session time up to which there is data already [ns].
            parent: Source of the settings it belongs to, when that is another.
            baud: Line speed.
            away: Why there has been no data since; "" when nothing is missing yet.
            now_ns: Session time at which watching begins, where that is later [ns].
            silence_hint: What else to look at as long as nothing was ever heard.
        """
        health = self._get(source, parent or source, stream, since_ns, baud)
        health.watched_ns = since_ns if now_ns is None else now_ns
        health.silence_hint = silence_hint
        if away:
            health.gap_from_ns, health.gap_reason = since_ns, away

    def opened(self, source: str) -> None:
        """Note that a source is open."""
        for health in self._family(source):
            health.state, health.trouble = "open", ""

    def lost(self, source: str, reason: str, trouble: str, now_ns: int) -> None:
        """Note that a source is not open; its gap began with its last byte."""
        for health in self._family(source):
            health.state, health.trouble = "lost", trouble
            self._open_gap(health, reason, now_ns)

    def heard(self, parent: str, stream: str, pieces: list[Piece]) -> None:
        """Take in pieces in the order they were received."""
        for piece in pieces:
            health = self.sources.get(piece.source)
            if health is None:
                health = self._get(piece.source, parent, stream, piece.mono_ns, None)
                health.state = "open"
            self._arrived(health, piece.mono_ns)
            grade = line_quality(piece.data)
            if grade == "unsummed" and parent in self._trusted:
                grade = "good"
            health.count(piece.mono_ns, len(piece.data), grade)
            if grade == "unread":
                self._count_type(health, piece.data)
            elif grade == "good" and piece.data[3:6] == b"RMC":
                self._watch_gnss(health, piece)

    def lost_lines(self, source: str, lines: int, now_ns: int, *, of_disk: bool) -> None:
        """Note how many lines and datagrams of a source could not be kept, in all, and whether the disk is why."""
        health = self.sources.get(source)
        if health is not None:
            health.lost_lines, health.lost_ns, health.lost_of_disk = lines, now_ns, of_disk

    def touched(self, source: str, mono_ns: int) -> None:
        """Note that bytes came which do not yet make a piece."""
        health = self.sources.get(source)
        if health is not None:
            self._arrived(health, mono_ns)

    def heard_frames(self, source: str, stream: str, mono_ns: int, frames: int, size: int) -> None:
        """Take in CAN frames or rows of an engine log, which have no checksums to grade."""
        health = self._get(source, source, stream, mono_ns, None)
        self._arrived(health, mono_ns)
        for _ in range(max(frames, 1)):
            health.count(mono_ns, size // max(frames, 1), "good")

    def tick(self, settled_ns: int) -> None:
        """Notice silence; call about once a second.

        Args:
            settled_ns: Session time up to which all that was received has been counted [ns]; while a stalled
                disk keeps the writer waiting, silence cannot be told from delay.
        """
        for health in list(self.sources.values()):
            if (settled_ns - health.last_ns) / 1e9 > health.silence_s:
                self._open_gap(health, "silent", settled_ns)

    def finish(self, now_ns: int) -> None:
        """Name the gaps that are open when recording ends."""
        for health in list(self.sources.values()):
            if health.gap_from_ns is not None or (now_ns - health.last_ns) / 1e9 > health.silence_s:
                self._close_gap(health, now_ns)

    def _get(self, source: str, parent: str, stream: str, since_ns: int, baud: int | None) -> SourceHealth:
        health = self.sources.get(source)
        if health is None:
            health = self.sources[source] = SourceHealth(source, parent, stream, baud, since_ns)
        return health

    def _family(self, source: str) -> list[SourceHealth]:
        return [health for health in list(self.sources.values()) if health.parent == source]

    def _arrived(self, health: SourceHealth, mono_ns: int) -> None:
        interval_s = (mono_ns - health.last_ns) / 1e9
        if health.gap_from_ns is not None or interval_s > health.silence_s:
            self._close_gap(health, mono_ns)
        elif health.heard_ns is not None and interval_s > 0:
            # Arrivals come in bursts, so the usual interval follows the longer ones.
            weight = 0.3 if interval_s > health.usual_s else 0.01
            health.usual_s += weight * (interval_s - health.usual_s)
        health.heard_ns = max(mono_ns, health.last_ns)

    def _open_gap(self, health: SourceHealth, reason: str, now_ns: int) -> None:
        if health.gap_from_ns is None:
            health.gap_from_ns, health.gap_reason = health.last_ns, reason
            if reason == "silent":
                hint = f"; {health.silence_hint}" if health.silence_hint and health.heard_ns is None else ""
                self._events.add(
                    "silent",
                    f"{health.source}: no data for {(now_ns - health.last_ns) / 1e9:.0f} s{hint}",
                    source=health.source,
                    severity="yellow",
                    from_us=health.last_ns // 1000,
                )
        elif reason != "silent":
            health.gap_reason = reason

    def _close_gap(self, health: SourceHealth, until_ns: int) -> None:
        from_ns = health.last_ns if health.gap_from_ns is None else health.gap_from_ns
        reason = health.gap_reason or "silent"
        health.gap_from_ns, health.gap_reason = None, ""
        health.gaps += 1
        length_s = (until_ns - from_ns) / 1e9
        self._events.add(
            "gap",
            f"{health.source}: no data for {length_s:.1f} s ({reason})",
            source=health.source,
            from_us=from_ns // 1000,
            to_us=until_ns // 1000,
            reason=reason,
        )

    def _count_type(self, health: SourceHealth, data: bytes) -> None:
        name = data[1:6].partition(b",")[0].decode("ascii", "replace")
        if name in health.unread_types or len(health.unread_types) < _MOST_TYPES:
            health.unread_types[name] += 1

    def _watch_gnss(self, health: SourceHealth, piece: Piece) -> None:
        for finding in health.gnss.feed(piece.data, piece.mono_ns, piece.wall_ns):
            if finding.kind == "weeks_off" and finding.amount:
                text = (
                    f"{health.source}: the receiver's date is {abs(finding.amount) * 1024:.0f} weeks off; "
                    "it is corrected by whole epochs afterwards, write it in the report"
                )
                self._events.add("weeks_off", text, source=health.source, severity="red", epochs=finding.amount)
            elif finding.kind == "gnss_step":
                text = f"{health.source}: the receiver's time stepped by {finding.amount:+.0f} s; its clock is settling"
                self._events.add("gnss_step", text, source=health.source, severity="yellow", step_s=finding.amount)


# ------------------------------------------------------------------------------
# What is wrong now and what to do about it, ranked; one sentence each.
# ------------------------------------------------------------------------------

ALARM_SILENCE_S = 10.0
"""A silence of a source longer than this is an alarm: a tenth of a run is lost (our choice)."""
_LATE_DATA_LOAD = 0.8
"""Share of a serial line's capacity from which sentences come late or not at all (common practice, no source)."""
_BAD_SHARE = 0.2
"""Share of damaged sentences from which wiring is suspected (common practice, no source)."""
_LOW_BYTES = 2_000_000_000
"""Free space below which the disk is an alarm: two days of a busy network (our choice)."""
_OWN_CLOCK_OFF_S = 86_400.0
"""A receiver whose time is further off than a day runs on a clock of its own (our choice)."""
_SHOW_EVENT_S = 60.0
"""How long an event stays on the screen (our choice)."""
_SHOWN_EVENTS = (
    "wall_step", "slept", "switched", "gnss_step", "fault", "torn", "sync_failed", "file_lost", "file_restored",
    "file_missing",
)  # fmt: skip
_RANK = {"red": 0, "yellow": 1, "info": 2}


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something that needs a person.

    Attributes:
        severity: ``red`` now, ``yellow`` soon.
        text: What is wrong and what to do, one sentence each.
        key: Same as long as it is the same trouble.
        of_event: True when an event said the same at the moment it happened.
    """

    severity: str
    text: str
    key: str
    of_event: bool = False


@dataclass(frozen=True, slots=True)
class DiskState:
    """What is known of the disk.

    Attributes:
        fault: Why nothing can be written, or "".
        sync_fault: Why the disk does not confirm, or "".
        stalled_s: How long nothing has been written although something waits [s].
        free_bytes: Free space where the journal is.
        waiting_share: How full the memory for waiting data is, 0 to 1.
        on_second: True when the second folder has taken over.
    """

    fault: str
    sync_fault: str
    stalled_s: float
    free_bytes: int
    waiting_share: float
    on_second: bool


def current_alarms(health: Health, disk: DiskState, events: Iterable[Event], now_ns: int) -> list[Alarm]:
    """Return the alarms that hold now, worst first."""
    alarms = [*_disk_alarms(disk)]
    for source in list(health.sources.values()):
        alarms += _source_alarms(source, now_ns)
    for event in events:
        if event.kind in _SHOWN_EVENTS and 0 <= (now_ns - event.mono_ns) / 1e9 < _SHOW_EVENT_S:
            alarms.append(Alarm(event.severity, event.text, f"{event.kind}@{event.mono_ns}", of_event=True))
    return sorted(alarms, key=lambda alarm: _RANK[alarm.severity])


def _disk_alarms(disk: DiskState) -> list[Alarm]:
    alarms = []
    if disk.fault:
        alarms.append(
            Alarm(
                "red",
                f"NOT WRITING: {disk.fault}. Free some space or plug the disk in; data is held in memory "
                f"({disk.waiting_share:.0%} full).",
                "not_writing",
            )
        )
    elif disk.stalled_s > 3:
        alarms.append(
            Alarm(
                "red",
                f"Nothing written to disk for {disk.stalled_s:.0f} s. Check the disk; data is held in memory.",
                "stalled",
            )
        )
    if disk.waiting_share > 0.5 and not disk.fault:
        alarms.append(
            Alarm("yellow", f"The disk is slow: memory {disk.waiting_share:.0%} full. Close other programs.", "slow")
        )
    if disk.sync_fault and not disk.fault:
        alarms.append(
            Alarm("red", f"The disk does not confirm ({disk.sync_fault}). Have a second folder ready.", "sync")
        )
    if disk.free_bytes < _LOW_BYTES:
        alarms.append(Alarm("yellow", f"Only {disk.free_bytes / 1e9:.1f} GB free. Delete what is not needed.", "space"))
    if disk.on_second:
        alarms.append(Alarm("yellow", "Recording goes to the second folder. Mend the first after the trial.", "second"))
    return alarms


def _source_alarms(source: SourceHealth, now_ns: int) -> list[Alarm]:
    name = source.source
    flood = []
    if source.lost_ns is not None and (now_ns - source.lost_ns) / 1e9 < _SHOW_EVENT_S:
        text = (
            f"{name} floods: {source.lost_lines} lines lost so far. Others are kept. Look for a loop or a wrong rate."
        )
        if source.lost_of_disk:
            text = f"{name}: {source.lost_lines} lines lost so far, as no disk takes them. Free some space now."
        flood.append(Alarm("red", text, f"{name} flood", of_event=True))
    return flood + _silence_alarms(source, now_ns)


def _silence_alarms(source: SourceHealth, now_ns: int) -> list[Alarm]:
    name = source.source
    if source.state == "lost":
        return [Alarm("red", f"{name}: {source.trouble} Others go on.", f"{name} lost", of_event=True)]
    if source.gap_from_ns is not None:
        silent_s = (now_ns - source.last_ns) / 1e9
        severity = "red" if silent_s > ALARM_SILENCE_S else "yellow"
        remedy = "Check its power and cable."
        if source.silence_hint and source.heard_ns is None:
            remedy = f"Check its power, and {source.silence_hint}."
        return [Alarm(severity, f"{name}: silent for {silent_s:.0f} s. {remedy}", f"{name} silent")]
    alarms = []
    window = source.window(now_ns)
    total = window.good + window.bad
    if total >= 10 and window.bad > _BAD_SHARE * total:
        remedy = "Try 4800, 38400 or 115200 baud, or swap wires A and B." if source.baud else "Check the gateway."
        alarms.append(Alarm("yellow", f"{name}: {window.bad / total:.0%} of lines bad. {remedy}", f"{name} bad"))
    load = source.line_load(now_ns)
    if load is not None and load > _LATE_DATA_LOAD:
        alarms.append(
            Alarm(
                "yellow",
                f"{name}: line {load:.0%} full, so data comes late. Send fewer sentences or a higher speed.",
                f"{name} load",
            )
        )
    return alarms + _gnss_alarms(source, now_ns)


def _gnss_alarms(source: SourceHealth, now_ns: int) -> list[Alarm]:
    gnss, name = source.gnss, source.source
    if gnss.heard_ns is None or (now_ns - gnss.heard_ns) / 1e9 > ALARM_SILENCE_S:
        return []
    alarms = []
    no_fix_s = (now_ns - (source.since_ns if gnss.fix_ns is None else gnss.fix_ns)) / 1e9
    if gnss.mode in ("estimated", "simulated", "manual"):
        text = f"{name}: the fix is {gnss.mode}. Do not measure until it is real."
        alarms.append(Alarm("red", text, f"{name} mode"))
    elif not gnss.mode and no_fix_s > 3:
        alarms.append(Alarm("red", f"{name}: no fix for {no_fix_s:.0f} s. Give the antenna a free sky.", f"{name} fix"))
    if gnss.weeks_off:
        text = f"{name}: receiver date {abs(gnss.weeks_off) * 1024} weeks off; corrected later, note it in the report."
        alarms.append(Alarm("red", text, f"{name} weeks"))
    elif gnss.offset_s is not None and abs(gnss.offset_s) > _OWN_CLOCK_OFF_S:
        days = abs(gnss.offset_s) / 86_400
        text = f"{name}: receiver and computer differ by {days:.0f} days. Set the computer's date."
        alarms.append(Alarm("yellow", text, f"{name} date"))
    return alarms


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """One line of the screen.

    Attributes:
        source: Id in the journal.
        state: ``ok``, ``silent``, ``lost``, or ``waiting`` before the first byte.
        age_s: Time since the last byte [s], None before the first.
        rate_hz: Intact sentences, frames or rows a second.
        good: Intact and of a type that becomes channels.
        bad: Damaged, without checksum, or no text.
        unread: Intact, of another type.
        load: How full the serial line is, 0 to 1, None where that has no meaning.
        fix: What a receiver says of its fix: "" where there is no receiver, ``none`` without a fix.
        offset_s: Wall clock minus the receiver's UTC [s].
        unread_types: Types seen and not read, most frequent first.
    """

    source: str
    state: str
    age_s: float | None
    rate_hz: float
    good: int
    bad: int
    unread: int
    load: float | None
    fix: str
    offset_s: float | None
    unread_types: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Status:
    """What the screen shows.

    Attributes:
        session: Session id.
        writing: True when bytes have reached the disk within the last seconds, by the size of the files there.
        waiting_bytes: What is received and not on any disk yet.
        elapsed_s: Time since the session began [s].
        on_disk_bytes: Size of the raw files as the file system tells it.
        safe_age_s: Time since the disk last confirmed [s].
        free_bytes: Free space.
        free_h: For how long that lasts at the present rate [h], None while the rate is not known.
        sources: One entry a source.
        alarms: Worst first.
        recent: Latest events, newest first.
    """

    session: str
    writing: bool
    waiting_bytes: int
    elapsed_s: float
    on_disk_bytes: int
    safe_age_s: float
    free_bytes: int
    free_h: float | None
    sources: tuple[SourceStatus, ...]
    alarms: tuple[Alarm, ...]
    recent: tuple[str, ...]


def source_statuses(health: Health, now_ns: int) -> tuple[SourceStatus, ...]:
    """Return the state of every source."""
    return tuple(_source_status(source, now_ns) for source in list(health.sources.values()))


def _source_status(source: SourceHealth, now_ns: int) -> SourceStatus:
    if source.state == "lost":
        state = "lost"
    elif source.heard_ns is None:
        state = "waiting"
    else:
        state = "silent" if source.gap_from_ns is not None else "ok"
    gnss = source.gnss
    return SourceStatus(
        source=source.source,
        state=state,
        age_s=None if source.heard_ns is None else max(0.0, (now_ns - source.heard_ns) / 1e9),
        rate_hz=source.rate_hz(now_ns),
        good=source.good,
        bad=source.bad,
        unread=source.unread,
        load=source.line_load(now_ns),
        fix="" if gnss.heard_ns is None else gnss.mode or "none",
        offset_s=gnss.offset_s,
        unread_types=tuple(name for name, _ in source.unread_types.most_common(5)),
    )


@dataclass(frozen=True, slots=True)
class TrialAlarm:
    """Something that the trial itself shows to be wrong, beside what the recorder tells of.

    Attributes:
        severity: ``red`` data is being lost; ``yellow`` a result may suffer; ``info`` good to know.
        text: What is wrong.
        action: What to do.
        key: Same as long as it is the same trouble.
    """

    severity: str
    text: str
    action: str
    key: str


@dataclass(frozen=True, slots=True)
class Guidance:
    """What a follower of the recording tells of the trial, for the recorder's screen.

    Attributes:
        t: UTC time of it, ISO 8601.
        now: Speed and engine speed now, in words.
        detector: What is held, for how long, and why not.
        advice: What to do next.
        missing: The steps that are missing.
        alarms: What the trial itself shows to be wrong and nobody has acknowledged, the gravest first.
    """

    t: str
    now: str
    detector: str
    advice: str
    missing: str
    alarms: tuple[TrialAlarm, ...] = ()
