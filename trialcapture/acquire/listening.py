"""Listening to every source for a while without recording, and decoding what was heard."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import NamedTuple

import pyarrow as pa

from trialcapture.acquire.backlog import Backlog
from trialcapture.acquire.clock import Clock
from trialcapture.acquire.events import Event, Events
from trialcapture.acquire.health import Health
from trialcapture.acquire.lines import LineCutter, journal_line
from trialcapture.acquire.reader import Reader
from trialcapture.acquire.source import Source
from trialcapture.decode.can import decode_can
from trialcapture.decode.nmea0183 import decode_nmea

_STEP_S = 0.25
_MOST_BYTES = 64 << 20


class Heard(NamedTuple):
    """What came in while listening.

    Attributes:
        health: Numbers of every source.
        tables: Decoded tables by kind, of all sources together.
        events: What happened meanwhile.
        listened_s: How long [s].
        lines: What came in, as journal lines.
        groups: Counts of the messages of a CAN bus.
    """

    health: Health
    tables: dict[str, list[pa.Table]]
    events: list[Event]
    listened_s: float
    lines: list[bytes]
    groups: pa.Table


def listen(
    sources: Sequence[Source],
    clock: Clock,
    start_ns: int,
    seconds: float,
    *,
    trusted: frozenset[str] = frozenset(),
    look: Callable[[float], None] = lambda _: None,
) -> Heard:
    """Listen to all sources at once.

    Args:
        sources: Not opened yet.
        clock: Clocks.
        start_ns: Monotonic time stamps are counted from [ns].
        seconds: How long.
        trusted: Sources whose sentences carry no checksum and are believed all the same.
        look: Called a few times a second with the time passed [s].
    """
    told: list[Event] = []
    events = Events(clock, start_ns, heard=told.append)
    health, backlog, stop = Health(events, trusted=trusted), Backlog(_MOST_BYTES), threading.Event()
    readers = [Reader(source, backlog, health, events, clock, start_ns, stop) for source in sources]
    for source in sources:
        health.expect(source.id, source.stream, 0, baud=getattr(source, "baud", None))
    for reader in readers:
        reader.start()
    cutter = LineCutter()
    lines: list[bytes] = []
    frames: list[bytes] = []
    kept = 0
    passed_s = 0.0
    while passed_s < seconds:
        clock.sleep(_STEP_S)
        passed_s = (clock.mono_ns() - start_ns) / 1e9
        for entry in backlog.take():
            kept += len(entry.data)
            if entry.stream == "can.log":
                health.heard_frames(entry.source, entry.stream, entry.mono_ns, entry.data.count(b"\n"), len(entry.data))
                frames.append(entry.data)
            elif kept < _MOST_BYTES:
                pieces = cutter.feed(entry)
                health.heard(entry.source, entry.stream, pieces)
                lines += map(journal_line, pieces)
        health.tick(round(passed_s * 1e9))
        look(passed_s)
    stop.set()
    for reader in readers:
        reader.join(2.0)
    tables: dict[str, list[pa.Table]] = {}
    strict = not trusted or not {source.id for source in sources} <= trusted
    of_bus, _, groups = decode_can(b"".join(frames))
    for decoded in (decode_nmea(b"".join(lines), source="", require_checksum=strict)[0], of_bus):
        for kind, table in decoded.items():
            tables.setdefault(kind, []).append(table)
    return Heard(health, tables, told, passed_s, lines, groups)
