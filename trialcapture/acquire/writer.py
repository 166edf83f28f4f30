"""Two threads between memory and disk: one appends what was received, one makes it safe."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from pathlib import Path
from threading import Event as Flag
from threading import Thread

from trialcapture.acquire.backlog import Backlog, Received
from trialcapture.acquire.clock import Clock
from trialcapture.acquire.events import Events
from trialcapture.acquire.health import Health
from trialcapture.acquire.lines import HOLD_NS, LineCutter, Piece, journal_line
from trialcapture.acquire.raw_files import RawFiles

COMMIT_EVERY_S = 0.1
SYNC_EVERY_S = 1.0
_RETRY_NS = 1_000_000_000
_HELD_LIMIT_BYTES = 16 << 20


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

    Attributes:
        settled_ns: Session time up to which everything received has been counted [ns].
        fault: Why nothing can be written now, or "".
        sync_fault: Why the disk does not confirm, or "".
        synced_ns: Session time of the last confirmed sync [ns].
        synced_bytes: What had been appended by then.
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
    ) -> None:
        self._backlog = backlog
        self._files = files
        self._health = health
        self._events = events
        self._clock = clock
        self._start_ns = start_ns
        self._note_folders = note_folders
        self._cutter = LineCutter()
        for source, addresses in (senders or {}).items():
            self._cutter.know(source, addresses)
        self._told_senders: set[str] = set()
        self._held: dict[str, list[bytes]] = defaultdict(list)
        self._held_bytes = 0
        self._retry_ns = 0
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
        for thread in self._threads:
            thread.join(wait_s)
        if any(thread.is_alive() for thread in self._threads):
            return False
        self._retry_ns = 0
        self.step(last=True)
        return not self._held_bytes and not self.fault

    def close(self) -> None:
        """Make safe what is written, the notes too, and close the files."""
        self.sync()
        self._files.close()

    def step(self, *, last: bool = False) -> None:
        """Do one turn: cut, count, append.

        Args:
            last: Also write what no line end has closed yet.
        """
        now_ns = self._now_ns()
        if self._held_bytes < _HELD_LIMIT_BYTES:
            received = self._backlog.take()
            heard = [self._take_in(entry) for entry in received]
            flushed = self._cutter.flush(None if last else now_ns - HOLD_NS)
            self._hold("nmea.log", flushed)
            self._count(received, heard, flushed)
            self.settled_ns = now_ns
        self._tell_losses()
        if self._held_bytes and (not self.fault or now_ns >= self._retry_ns):
            self._append_held(now_ns)

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

    def _run(self, turn: Callable[[], None], every_s: float) -> None:
        while not self._stop.wait(every_s):
            try:
                turn()
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

    def _tell_losses(self) -> None:
        for source, lost in self._backlog.take_lost().items():
            self._events.add(
                "overflow",
                f"{source}: {lost} bytes came faster than the disk took them and are lost",
                source=source,
                severity="red",
                bytes=lost,
            )

    def _tell_senders(self) -> None:
        for source, address in self._cutter.senders():
            if source not in self._told_senders:
                self._told_senders.add(source)
                self._events.add("sender", f"{source} is {address}", source=source, sender=address)

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns
