"""The bounded queue between the readers and the writer: a stalled disk must not make a reader wait."""

from __future__ import annotations

from collections import deque
from threading import Condition
from typing import NamedTuple

LIMIT_BYTES = 16 << 20
"""How much may wait: ten seconds of 20 000 lines a second, an hour of one fast serial line."""
_OVERHEAD_BYTES = 150
"""About what a waiting entry takes beside its data."""


class Received(NamedTuple):
    """Bytes with their stamps.

    Attributes:
        source: Id of the source.
        stream: Raw file it goes to.
        sender: Who sent it, where a source hears several.
        mono_ns: Monotonic time since session start at receipt [ns].
        wall_ns: Wall clock at receipt [ns since 1970 UTC].
        data: The bytes.
    """

    source: str
    stream: str
    sender: str
    mono_ns: int
    wall_ns: int
    data: bytes


class Backlog:
    """A queue bounded by bytes; what does not fit is counted, never silently lost.

    Args:
        limit_bytes: How much may wait.
    """

    def __init__(self, limit_bytes: int = LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.waiting_bytes = 0
        self.most_bytes = 0
        self._entries: deque[Received] = deque()
        self._filled = Condition()
        self._lost: dict[str, int] = {}

    def put(self, received: Received) -> bool:
        """Add an entry; False, and the loss counted, when there is no room."""
        size = len(received.data) + _OVERHEAD_BYTES
        with self._filled:
            if self.waiting_bytes + size > self.limit_bytes:
                self._lost[received.source] = self._lost.get(received.source, 0) + len(received.data)
                return False
            self._entries.append(received)
            self.waiting_bytes += size
            self.most_bytes = max(self.most_bytes, self.waiting_bytes)
        return True

    def take(self) -> list[Received]:
        """Return all that waits, oldest first, without waiting."""
        with self._filled:
            entries = list(self._entries)
            self._entries.clear()
            self.waiting_bytes = 0
        return entries

    def take_lost(self) -> dict[str, int]:
        """Return the bytes lost for want of room by source since the last call."""
        with self._filled:
            lost, self._lost = self._lost, {}
        return lost
