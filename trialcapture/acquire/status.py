"""The state of a recording at one moment: numbers for the screen and for machines, alarms with what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from trialcapture.acquire.events import Event
from trialcapture.acquire.source_health import Health, SourceHealth

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
