"""The state of a recording at one moment, for the screen, for machines, and for a board elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from trialcapture.acquire.alarms import Alarm
from trialcapture.acquire.health import Health, SourceHealth


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
