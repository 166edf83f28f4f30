"""The threads of a recorder: one reader a source, one that appends what was received, one that makes it safe."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event as Flag
from threading import Lock, Thread
from time import monotonic

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.events import Events
from trialcapture.acquire.growing_file import GrowingFile, Replay
from trialcapture.acquire.raw_files import PlaceFinding, RawFiles, part_of
from trialcapture.acquire.received_lines import HOLD_NS, Backlog, LineCutter, Piece, Received, journal_line
from trialcapture.acquire.source import (
    CanBus,
    Chunk,
    Say,
    SerialPort,
    Source,
    SourceError,
    TcpClient,
    UdpListener,
    say_nothing,
)
from trialcapture.acquire.status import Health
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.config import Config, SourceSettings
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import name_key

WAITS_S = (0.5, 1.0, 2.0, 2.0, 5.0)
"""Waits between attempts to open; Windows needs the first to release a port (common practice, no source)."""
_READ_S = 0.25
"""Longest wait for bytes, so that a stop is obeyed at once (our choice)."""
_DRAINS = 16
"""Reads at most when a recording ends: 8192 datagrams (our choice)."""
_ROOM_S = 0.1
"""So long a reader waits for room before it looks again whether to stop (our choice)."""
_TELL_EVERY = 12
"""A source that cannot be opened is told the first time and then each so many attempts (our choice)."""


class Reader:
    """Reads one source for as long as the session lasts.

    Args:
        source: The source.
        backlog: Where to put what is received.
        health: Told when it opens and is lost.
        events: Told the same for the record.
        clock: For stamps.
        start_ns: Monotonic time the session began [ns].
        stop: Set when recording ends.
    """

    def __init__(
        self,
        source: Source,
        backlog: Backlog,
        health: Health,
        events: Events,
        clock: Clock,
        start_ns: int,
        stop: Flag,
    ) -> None:
        self.source = source
        self._backlog = backlog
        self._health = health
        self._events = events
        self._clock = clock
        self._start_ns = start_ns
        self._stop = stop
        self._failures = 0
        self._lost_ns: int | None = None
        self._can_wait = bool(getattr(source, "can_wait", False))
        self._journalled_as = {source.id}
        self._thread = Thread(target=self._run, name=f"read {source.id}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def join(self, wait_s: float) -> bool:
        """Wait for the thread to end; True when it has."""
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def drain(self) -> None:
        """Read what waits already, so that stopping loses nothing that had come; a flood has no end."""
        with suppress(SourceError):
            for _ in range(_DRAINS):
                chunks = self.source.read(0.0)
                if not chunks:
                    break
                self._hand_on(chunks)

    def turn(self, *, is_open: bool) -> bool:
        """Do one turn: open the source if it is not open, else read once; return whether it is open now."""
        try:
            if is_open:
                if self._can_wait and not self._backlog.wait_for_room(self._journalled_as, _ROOM_S):
                    return True  # unread it stays at its sender, or the system counts what it drops
                self._hand_on(self.source.read(_READ_S))
            else:
                self.source.open()
                self._health.opened(self.source.id)
                if not self._failures:
                    self._events.add(
                        "open", f"{self.source.id}: listening on {self.source.where}", source=self.source.id
                    )
        except SourceError as fault:
            self._failed(fault.trouble, fault.what, fault.remedy)
            return False
        except Exception as fault:  # noqa: BLE001  a reader must outlive any fault of a driver, and say that it met one
            self.source.close()
            self._failed("unusable", f"{self.source.where}: the reader met a fault ({fault!r}).", "It is restarted.")
            return False
        return True

    def _run(self) -> None:
        is_open = False
        while not self._stop.is_set():
            is_open = self.turn(is_open=is_open)
            if not is_open:
                self._stop.wait(WAITS_S[min(self._failures, len(WAITS_S)) - 1])
        if is_open:
            self.drain()
        self.source.close()

    def _hand_on(self, chunks: list[Chunk]) -> None:
        if not chunks:
            return
        if self._failures:
            self._heard_again()
        mono_ns, wall_ns = self._clock.mono_ns() - self._start_ns, self._clock.wall_ns()
        for chunk in chunks:
            if chunk.source:
                self._journalled_as.add(chunk.source)
            self._backlog.put(
                Received(
                    chunk.source or self.source.id,
                    self.source.stream,
                    chunk.sender,
                    mono_ns if chunk.mono_ns is None else chunk.mono_ns,
                    wall_ns if chunk.wall_ns is None else chunk.wall_ns,
                    chunk.data,
                )
            )

    def _heard_again(self) -> None:
        if self._lost_ns is not None:
            away_s = (self._now_ns() - self._lost_ns) / 1e9
            self._events.add(
                "reconnected",
                f"{self.source.id} is back after {away_s:.0f} s; the gap is in the record",
                source=self.source.id,
                attempts=self._failures,
            )
        self._failures, self._lost_ns = 0, None

    def _failed(self, trouble: str, what: str, remedy: str) -> None:
        now_ns = self._now_ns()
        self._failures += 1
        self._health.lost(self.source.id, trouble, f"{what} {remedy}", now_ns)
        if self._lost_ns is None:
            self._lost_ns = now_ns
        if self._failures == 1 or self._failures % _TELL_EVERY == 0:
            again = "" if self._failures == 1 else f" (attempt {self._failures})"
            self._events.add(
                "lost",
                f"{self.source.id}: {what} {remedy} Recording of other sources goes on.{again}",
                source=self.source.id,
                severity="red",
                trouble=trouble,
            )

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns


# ------------------------------------------------------------------------------
# Two threads between memory and disk: one appends what was received, one makes it safe.
# ------------------------------------------------------------------------------

COMMIT_EVERY_S = 0.1
"""How often received lines are handed to the system: what a killed program can lose (our choice)."""
SYNC_EVERY_S = 1.0
"""How often they are made safe on the disk: what a power cut can lose."""
_RETRY_NS = 1_000_000_000
"""Pause before a disk that refused is tried again (our choice)."""
_HELD_LIMIT_BYTES = 16 << 20
"""Bytes held in memory while no disk takes them (our choice)."""
_TURN_BYTES = 1 << 18
"""Taken of each sender in a turn, so that a flood does not hold up what the others sent (our choice)."""
_LOOK_NS = 1_000_000_000
"""How often it is looked whether the open files are still at their paths."""
_TELL_LOSS_NS = 5_000_000_000
"""Losses of a source are told at once and then so often, with what came together meanwhile (our choice)."""


@dataclass
class _Tally:
    lines: int = 0
    bytes: int = 0
    datagrams: int = 0


class LossTally:
    """Counts what was lost because it came too fast, by source; filled by any thread, told by one.

    Args:
        health: Told the sums, for the screen.
        events: Told for the record.

    Attributes:
        total: Lines and datagrams lost, by source.
        disk_fault: Why no disk took them, "" where the sources alone were too fast.
    """

    def __init__(self, health: Health, events: Events) -> None:
        self._health = health
        self._events = events
        self._untold: dict[str, _Tally] = {}
        self._told_ns: dict[str, int] = {}
        self._lock = Lock()
        self.total: dict[str, int] = {}
        self.disk_fault = ""

    def add(self, source: str, *, lines: int = 0, size: int = 0, datagrams: int = 0) -> None:
        """Count a loss.

        Args:
            source: Whose.
            lines: Lines that this program had no room for.
            size: Their size [bytes].
            datagrams: Datagrams that the system had no room for.
        """
        with self._lock:
            tally = self._untold.setdefault(source, _Tally())
            tally.lines += lines
            tally.bytes += size
            tally.datagrams += datagrams
            self.total[source] = self.total.get(source, 0) + lines + datagrams

    def tell(self, now_ns: int, cause: str, *, all_of_it: bool = False) -> None:
        """Put what has come together into the record.

        Args:
            now_ns: Session time [ns].
            cause: Why nothing can be written, or "" where the source alone is too fast.
            all_of_it: Also what was told a moment ago.
        """
        with self._lock:
            due = [
                s for s in self._untold if all_of_it or now_ns - self._told_ns.get(s, -_TELL_LOSS_NS) >= _TELL_LOSS_NS
            ]
            tallies = {source: self._untold.pop(source) for source in due}
            totals = {source: self.total[source] for source in due}
        if tallies and cause:
            self.disk_fault = cause
        for source, tally in tallies.items():
            self._told_ns[source] = now_ns
            self._health.lost_lines(source, totals[source], now_ns, of_disk=bool(cause))
            parts = [f"{tally.lines} lines ({tally.bytes} bytes)"] if tally.bytes else []
            if tally.datagrams:
                parts.append(f"{tally.datagrams} datagrams that the system dropped")
            lost = f"{' and '.join(parts)} are lost"
            self._events.add(
                "overflow",
                f"{source}: {lost}, as nothing can be written ({cause})"
                if cause
                else f"{source} floods: {lost}, it sends faster than this computer can keep. Other sources are kept",
                source=source,
                severity="red",
                cause="disk" if cause else "flood",
                lines=tally.lines,
                bytes=tally.bytes,
                datagrams=tally.datagrams,
            )


class Writer:
    """Takes what the readers put into the backlog and appends it to the raw files.

    `step` does one turn and may be called by a test; `start` runs it in a thread. A turn that no disk takes is
    held in memory and tried again; beyond the limit the backlog fills and the loss is counted by name.

    Args:
        backlog: Where the readers put what they receive.
        files: Where it goes.
        health: Told of every piece.
        events: Told of trouble.
        clock: Monotonic time.
        start_ns: Monotonic time the session began [ns].
        note_folders: Session folders for the notes, first choice first.
        senders: Addresses known from an earlier part of the session, by source.
        losses: Counts what came too fast.

    Attributes:
        settled_ns: Session time up to which everything received has been counted [ns].
        fault: Why nothing can be written now, or "".
        sync_fault: Why the disk does not confirm, or "".
        synced_ns: Session time of the last confirmed sync [ns].
        synced_bytes: What had been appended by then.
        unwritten_bytes: After `finish`, what no disk took.
    """

    def __init__(
        self,
        backlog: Backlog,
        files: RawFiles,
        health: Health,
        events: Events,
        clock: Clock,
        start_ns: int,
        note_folders: list[Path],
        senders: Mapping[str, list[str]] | None = None,
        losses: LossTally | None = None,
    ) -> None:
        self._backlog = backlog
        self._files = files
        self._health = health
        self._events = events
        self._clock = clock
        self._start_ns = start_ns
        self._note_folders = note_folders
        self.losses = losses or LossTally(health, events)
        self._cutter = LineCutter()
        for source, addresses in (senders or {}).items():
            self._cutter.know(source, addresses)
        self._told_senders: set[str] = set()
        self._held: dict[str, list[bytes]] = defaultdict(list)
        self._held_bytes = 0
        self._retry_ns = 0
        self._looked_ns = 0
        self.unwritten_bytes = 0
        self._stop = Flag()
        self._threads: list[Thread] = []
        self.settled_ns = 0
        self.fault = ""
        self.sync_fault = ""
        self.synced_ns = 0
        self.synced_bytes = 0

    def start(self) -> None:
        """Start both threads."""
        self._threads = [
            Thread(target=self._run, args=(self.step, COMMIT_EVERY_S), name="append", daemon=True),
            Thread(target=self._run, args=(self.sync, SYNC_EVERY_S), name="sync", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def finish(self, wait_s: float = 10.0) -> bool:
        """Stop the threads and write the rest; True when all that was received is written."""
        self._stop.set()
        until = monotonic() + wait_s
        for thread in self._threads:
            thread.join(max(0.0, until - monotonic()))
        if any(thread.is_alive() for thread in self._threads):
            return False
        self._retry_ns = 0
        while self.step(last=True) and not self.fault:
            pass
        for found in self._files.end_places():
            self._tell_place(found)
        self.unwritten_bytes = self.held_bytes
        is_all = not self.held_bytes and not self.fault
        self._count_unwritten()
        self._tell_losses(all_of_it=True)
        return is_all

    def close(self) -> None:
        """Make safe what is written, the notes too, and close the files."""
        self.sync()
        self._files.close()

    def step(self, *, last: bool = False) -> bool:
        """Do one turn: cut, count, append.

        Args:
            last: Also write what no line end has closed yet.

        Returns:
            True when more waits already.
        """
        now_ns = self._now_ns()
        if self._held_bytes < _HELD_LIMIT_BYTES:
            received = self._backlog.take(_TURN_BYTES)
            oldest_ns = self._backlog.oldest_ns()
            heard = [self._take_in(entry) for entry in received]
            flushed = self._cutter.flush(None if last and oldest_ns is None else now_ns - HOLD_NS)
            self._hold("nmea.log", flushed)
            self._count(received, heard, flushed)
            self.settled_ns = now_ns if oldest_ns is None else max(self.settled_ns, min(now_ns, oldest_ns))
        self._tell_losses()
        if self._held_bytes and (not self.fault or now_ns >= self._retry_ns):
            self._append_held(now_ns)
        if now_ns - self._looked_ns >= _LOOK_NS:
            self._looked_ns = now_ns
            for found in self._files.check_places():
                self._tell_place(found)
        return self._backlog.waiting_bytes > 0 and not self.fault

    def sync(self) -> None:
        """Do one turn of the second thread: make safe what is appended, and write the notes."""
        before = self._files.written_bytes
        now_ns = self._now_ns()
        try:
            self._files.sync()
        except OSError as fault:
            if not self.sync_fault:
                self._events.add("sync_failed", f"the disk does not confirm what was written ({fault})", severity="red")
            self.sync_fault = str(fault)
        else:
            self.synced_ns, self.synced_bytes, self.sync_fault = now_ns, before, ""
        try:
            self._events.write_waiting(self._note_folders)
        except OSError as fault:
            self.sync_fault = str(fault)

    @property
    def held_bytes(self) -> int:
        """What is received and not yet on any disk [bytes]."""
        return self._held_bytes + self._backlog.waiting_bytes

    def _run(self, turn: Callable[[], bool | None], every_s: float) -> None:
        wait_s = every_s
        while not self._stop.wait(wait_s):
            wait_s = every_s
            try:
                if turn():
                    wait_s = 0.0
            except Exception as fault:  # noqa: BLE001  the thread must outlive any fault, and say that it met one
                self._events.add("fault", f"{turn.__name__} met a fault: {fault!r}", severity="red")

    def _take_in(self, entry: Received) -> list[Piece]:
        """Keep what was received, before anything else is done with it."""
        if entry.stream != "nmea.log":
            self._held[entry.stream].append(entry.data)
            self._held_bytes += len(entry.data)
            return []
        pieces = self._cutter.feed(entry)
        self._hold(entry.stream, pieces)
        return pieces

    def _hold(self, stream: str, pieces: list[Piece]) -> None:
        if pieces:
            lines = b"".join(map(journal_line, pieces))
            self._held[stream].append(lines)
            self._held_bytes += len(lines)

    def _count(self, received: list[Received], heard: list[list[Piece]], flushed: list[Piece]) -> None:
        try:
            for entry, pieces in zip(received, heard, strict=True):
                if entry.stream != "nmea.log":
                    rows = entry.data.count(b"\n")
                    self._health.heard_frames(entry.source, entry.stream, entry.mono_ns, rows, len(entry.data))
                elif pieces:
                    self._health.heard(entry.source, entry.stream, pieces)
                else:
                    self._health.touched(entry.source, entry.mono_ns)
            for piece in flushed:
                self._health.heard(piece.source, "nmea.log", [piece])
            self._tell_senders()
        except Exception as fault:  # noqa: BLE001  counting must never cost a byte
            self._events.add("fault", f"counting met a fault: {fault!r}", severity="red")

    def _append_held(self, now_ns: int) -> None:
        faults = []
        for stream, waiting in self._held.items():
            if not waiting:
                continue
            data = b"".join(waiting)
            try:
                self._files.append(stream, data)
            except OSError as fault:
                self._held[stream] = [data]
                faults.append(fault)
            else:
                self._held[stream] = []
                self._held_bytes -= len(data)
        if faults:
            if not self.fault:
                self._events.add(
                    "not_writing",
                    f"nothing can be written ({faults[0].strerror or faults[0]}); data is held in memory",
                    severity="red",
                )
            self.fault = faults[0].strerror or str(faults[0])
            self._retry_ns = now_ns + _RETRY_NS
        elif self.fault:
            self.fault = ""
            self._events.add("writing_again", "writing goes on; what was held in memory is on disk now")

    def _count_unwritten(self) -> None:
        """Count what no disk has taken and memory cannot hold any longer, as the recording ends."""
        for entry in self._backlog.take():
            self.losses.add(entry.source, lines=entry.data.count(b"\n"), size=len(entry.data))
        for stream, waiting in self._held.items():
            data = b"".join(waiting)
            if stream != "nmea.log":
                source = next((s.source for s in self._health.sources.values() if s.stream == stream), stream)
                if data:
                    self.losses.add(source, lines=data.count(b"\n"), size=len(data))
                continue
            for line in split_lines(data):
                self.losses.add(parse_line(line).source, lines=1, size=len(line))
        self._held.clear()
        self._held_bytes = 0

    def _tell_losses(self, *, all_of_it: bool = False) -> None:
        for source, lost in self._backlog.take_lost().items():
            self.losses.add(source, lines=lost.lines, size=lost.bytes)
        self.losses.tell(self._now_ns(), self.fault, all_of_it=all_of_it)

    def _tell_place(self, found: PlaceFinding) -> None:
        self._events.add_finding(found)
        if not found.loss.lines or found.loss.from_ns is None or found.loss.to_ns is None:
            return
        for health in list(self._health.sources.values()):
            if part_of(found.path.name, health.stream):
                self._events.add(
                    "gap",
                    f"{health.source}: what came in {found.loss.seconds:.1f} s is lost with its file",
                    source=health.source,
                    from_us=found.loss.from_ns // 1000,
                    to_us=found.loss.to_ns // 1000,
                    reason="file lost",
                )

    def _tell_senders(self) -> None:
        for source, address in self._cutter.senders():
            if source not in self._told_senders:
                self._told_senders.add(source)
                self._events.add("sender", f"{source} is {address}", source=source, sender=address)

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns


# ------------------------------------------------------------------------------
# From the settings to sources.
# ------------------------------------------------------------------------------

SayFor = Callable[[str], Say]


def make_source(
    settings: SourceSettings, clock: Clock, start_ns: int, epoch_ns: int, *, say: Say = say_nothing
) -> Source:
    """Return the source that a ``[[source]]`` table describes; nothing is opened yet.

    Args:
        settings: The table.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        epoch_ns: Wall clock at that moment [ns since 1970 UTC], the origin of CAN stamps.
        say: Told by the source what belongs in the record.
    """
    match settings.kind:
        case "serial":
            return SerialPort(settings.id, str(settings.port), settings.baud, clock, say=say)
        case "udp":
            return UdpListener(settings.id, int(settings.port or 0), settings.host, say=say)
        case "tcp":
            return TcpClient(settings.id, str(settings.host), int(settings.port or 0), clock)
        case "can":
            return CanBus(
                settings.id,
                str(settings.channel),
                settings.interface,
                settings.bitrate,
                clock,
                epoch_ns - start_ns,
                say=say,
            )
        case "replay":
            return Replay(settings.id, Path(str(settings.path)), clock, start_ns)


def make_sources(
    config: Config,
    clock: Clock,
    start_ns: int,
    epoch_ns: int,
    *,
    raw_folder: Path | None = None,
    engine_logs: Sequence[Path] = (),
    say_for: SayFor = lambda _: say_nothing,
) -> list[Source]:
    """Return every source of the settings, and the growing engine logs.

    Args:
        config: Settings.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        epoch_ns: Wall clock when the session began [ns since 1970 UTC], the origin of CAN stamps.
        raw_folder: The session's raw folder, where engine logs are copied.
        engine_logs: Files that other programs are writing.
        say_for: Gives each source, by id, its way to speak.

    Raises:
        TrialCaptureError: Two engine logs have one name.
    """
    sources = [make_source(s, clock, start_ns, epoch_ns, say=say_for(s.id)) for s in config.source]
    names = [name_key(path.name) for path in engine_logs]
    if len(set(names)) < len(names):
        raise TrialCaptureError(
            "two engine logs have the same name on some disks",
            seen=", ".join(map(str, engine_logs)),
            expected="rename one of them; upper and lower case make no difference",
        )
    if raw_folder is not None:
        ids = {source.id for source in sources}
        for path in engine_logs:
            source_id = free_id("".join(c if c.isalnum() and c.isascii() else "_" for c in path.stem), ids)
            ids.add(source_id)
            sources.append(GrowingFile(source_id, path, raw_folder, clock, say=say_for(source_id)))
    return sources


def free_id(wanted: str, taken: set[str]) -> str:
    """Return a source id like the one wanted that is not taken yet."""
    wanted = wanted[:15] or "log"
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted[:12]}_{number}"
    return found
