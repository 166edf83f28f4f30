"""One thread a source: open, read, stamp, hand on; whatever happens, try again and say so."""

from __future__ import annotations

from contextlib import suppress
from threading import Event as Flag
from threading import Thread

from trialcapture.acquire.backlog import Backlog, Received
from trialcapture.acquire.clock import Clock
from trialcapture.acquire.events import Events
from trialcapture.acquire.health import Health
from trialcapture.acquire.source import Chunk, Source, SourceError

WAITS_S = (0.5, 1.0, 2.0, 2.0, 5.0)
"""Waits between attempts to open; Windows needs the first to release a port (common practice, no source)."""
_READ_S = 0.25
_TELL_EVERY = 12


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
        self._thread = Thread(target=self._run, name=f"read {source.id}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def join(self, wait_s: float) -> bool:
        """Wait for the thread to end; True when it has."""
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def drain(self) -> None:
        """Read once more what waits already, so that stopping loses nothing that had come."""
        with suppress(SourceError):
            self._hand_on(self.source.read(0.0))

    def turn(self, *, is_open: bool) -> bool:
        """Do one turn: open the source if it is not open, else read once; return whether it is open now."""
        try:
            if is_open:
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
