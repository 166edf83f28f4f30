"""From received bytes to journal lines: the queue between readers and writer, and the cutting into stamped lines."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator
from threading import Condition
from typing import NamedTuple

from trialcapture.archive.journal import encode_line
from trialcapture.decode.nmea0183.stream import line_quality, split_stream

# ------------------------------------------------------------------------------
# The bounded queue between the readers and the writer: a stalled disk must not make a reader wait.
# ------------------------------------------------------------------------------

LIMIT_BYTES = 16 << 20
"""How much may wait: ten seconds of 20 000 lines a second, an hour of one fast serial line."""
SHARE_BYTES = 1 << 20
"""Room of each sender that no other can take: 20 s of 200 lines a second (our choice)."""
MOST_SHARES = 32
"""Senders that have a share of their own; more have one together with their source (our choice)."""
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


class LostInput(NamedTuple):
    """What could not be kept for want of room.

    Attributes:
        bytes: Its size.
        lines: Line ends in it; a datagram without any counts as one.
    """

    bytes: int
    lines: int


class _Waiting(NamedTuple):
    number: int
    entry: Received
    size: int
    is_own: bool


class Backlog:
    """A queue bounded by bytes, with a share for each sender; what does not fit is counted, never silently lost.

    Every sender has a little room that nobody else can take, and all have a large one in common. So one that floods
    fills the common room and loses lines, and the others find their own room free. `take` serves all in turn.

    Args:
        limit_bytes: How much may wait in the common room; the shares come on top of it.
    """

    def __init__(self, limit_bytes: int = LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.most_bytes = 0
        self._share_bytes = min(SHARE_BYTES, limit_bytes // 16)
        self._queues: dict[tuple[str, str], deque[_Waiting]] = {}
        self._own_bytes: dict[tuple[str, str], int] = {}
        self._common_bytes = 0
        self._waiting_bytes = 0
        self._number = 0
        self._filled = Condition()
        self._lost: dict[str, LostInput] = {}

    @property
    def waiting_bytes(self) -> int:
        """What waits [bytes], with what keeping it costs."""
        return self._waiting_bytes

    def put(self, received: Received) -> bool:
        """Add an entry; False, and the loss counted, when there is no room."""
        size = len(received.data) + _OVERHEAD_BYTES
        key = (received.source, received.sender.rpartition(":")[0])
        with self._filled:
            if key not in self._queues and len(self._queues) >= MOST_SHARES:
                key = (received.source, "")
            own = self._own_bytes.get(key, 0)
            is_own = own + size <= self._share_bytes
            if not is_own and self._common_bytes + size > self.limit_bytes:
                lost = self._lost.get(received.source, LostInput(0, 0))
                lines = received.data.count(b"\n") or (1 if received.sender else 0)
                self._lost[received.source] = LostInput(lost.bytes + len(received.data), lost.lines + lines)
                return False
            if is_own:
                self._own_bytes[key] = own + size
            else:
                self._common_bytes += size
            self._number += 1
            self._queues.setdefault(key, deque()).append(_Waiting(self._number, received, size, is_own))
            self._waiting_bytes += size
            self.most_bytes = max(self.most_bytes, self._waiting_bytes)
        return True

    def take(self, each_bytes: int | None = None) -> list[Received]:
        """Return what waits, in the order it came, without waiting.

        Args:
            each_bytes: Take about so much of each sender at most; all when None.
        """
        taken: list[_Waiting] = []
        with self._filled:
            for key, queue in self._queues.items():
                left = each_bytes
                while queue and (left is None or left > 0):
                    waiting = queue.popleft()
                    taken.append(waiting)
                    if left is not None:
                        left -= waiting.size
                    self._waiting_bytes -= waiting.size
                    if waiting.is_own:
                        self._own_bytes[key] -= waiting.size
                    else:
                        self._common_bytes -= waiting.size
            self._filled.notify_all()
        taken.sort(key=lambda waiting: waiting.number)
        return [waiting.entry for waiting in taken]

    def wait_for_room(self, sources: Collection[str], timeout_s: float) -> bool:
        """Wait until some sources have half of their share or half of the common room free; False when not in time."""

        def is_free() -> bool:
            if self._common_bytes <= self.limit_bytes // 2:
                return True
            return all(own <= self._share_bytes // 2 for key, own in self._own_bytes.items() if key[0] in sources)

        with self._filled:
            return self._filled.wait_for(is_free, timeout_s)

    def oldest_ns(self) -> int | None:
        """Return when the oldest entry that waits was received [ns], None when none waits."""
        with self._filled:
            heads = [queue[0].entry.mono_ns for queue in self._queues.values() if queue]
        return min(heads, default=None)

    def take_lost(self) -> dict[str, LostInput]:
        """Return what was lost for want of room by source since the last call."""
        with self._filled:
            lost, self._lost = self._lost, {}
        return lost


HOLD_NS = 800_000_000
"""An unfinished line is written as it is after so long, so that nothing older than a second is ever lost."""
REMEMBER_NS = 10_000_000_000
"""For so long the rest of a sentence whose first half has been written is recognised when it comes."""
MOST_SENDERS = 64
"""Senders told apart on one source; beyond it the least recently heard is let go."""
_ID_LENGTH = 15
"""Longest source id in a TAG block (NMEA 0183 v4: 15 characters, as restated in the open "NMEA Revealed" document)."""


class Piece(NamedTuple):
    """A piece of a stream, ready for the journal.

    Attributes:
        source: Id it is journalled under.
        mono_ns: Session time its first byte came [ns].
        wall_ns: Wall clock at the same moment [ns since 1970 UTC].
        data: The bytes, line end included.
        again: So many of them are in the journal already and are repeated to make the line whole.
    """

    source: str
    mono_ns: int
    wall_ns: int
    data: bytes
    again: int = 0


class _Rest(NamedTuple):
    data: bytes
    mono_ns: int
    wall_ns: int


class LineCutter:
    """Cuts what every sender sends into pieces.

    Senders at one address share a source id (a gateway may change its port with every datagram); the second
    address heard on a source is journalled as ``<id>-2`` and so on, so that two devices never mix.
    """

    def __init__(self) -> None:
        self._rests: dict[tuple[str, str], _Rest] = {}
        self._written: dict[tuple[str, str], _Rest] = {}
        self._addresses: dict[str, list[str]] = {}

    def feed(self, received: Received) -> list[Piece]:
        """Take bytes in and return the pieces that are complete now."""
        key = (received.source, received.sender)
        rest = self._rests.pop(key, None)
        written = self._written.pop(key, None)
        if rest is None and written is not None:
            whole = self._completed(key, written, received)
            if whole is not None:
                after = received.data[len(whole.data) - whole.again :]
                return [whole, *(self.feed(received._replace(data=after)) if after else [])]
        buffer = received.data if rest is None else rest.data + received.data
        cut, left = split_stream(buffer)
        source = self.source_of(received.source, received.sender)
        mono_ns, wall_ns = (received.mono_ns, received.wall_ns) if rest is None else rest[1:]
        pieces = []
        for data in cut:
            pieces.append(Piece(source, mono_ns, wall_ns, data))
            mono_ns, wall_ns = received.mono_ns, received.wall_ns
        if left:
            self._rests[key] = _Rest(left, mono_ns, wall_ns)
            if len(self._rests) > MOST_SENDERS:
                pieces += self._let_go(next(iter(self._rests)))
        return pieces

    def flush(self, before_ns: int | None = None) -> list[Piece]:
        """Return unfinished pieces whose first byte came before `before_ns`; all of them when None."""
        due = [key for key, rest in self._rests.items() if before_ns is None or rest.mono_ns <= before_ns]
        return [piece for key in due for piece in self._let_go(key)]

    def source_of(self, source: str, sender: str) -> str:
        """Return the id a sender's bytes are journalled under."""
        address = sender.rpartition(":")[0]
        known = self._addresses.setdefault(source, [])
        if address not in known:
            if len(known) >= MOST_SENDERS:
                address = known[-1]
            else:
                known.append(address)
        return numbered_id(source, known.index(address) + 1)

    def know(self, source: str, addresses: list[str]) -> None:
        """Keep the numbers that addresses had before a restart."""
        self._addresses[source] = addresses[:MOST_SENDERS]

    def senders(self) -> Iterator[tuple[str, str]]:
        """Yield journal id and address of every sender heard on a source that names its senders."""
        for source, known in self._addresses.items():
            for number, address in enumerate(known, 1):
                if address:
                    yield numbered_id(source, number), address

    def _let_go(self, key: tuple[str, str]) -> list[Piece]:
        rest = self._rests.pop(key)
        if rest.data[:1] in (b"$", b"!"):
            self._written[key] = rest
            if len(self._written) > MOST_SENDERS:
                del self._written[next(iter(self._written))]
        return [Piece(self.source_of(*key), rest.mono_ns, rest.wall_ns, rest.data)]

    def _completed(self, key: tuple[str, str], written: _Rest, received: Received) -> Piece | None:
        """Return the whole line if what came makes the half that was written an intact sentence."""
        if received.mono_ns - written.mono_ns > REMEMBER_NS:
            return None
        pieces, _ = split_stream(written.data + received.data)
        if not pieces or len(pieces[0]) <= len(written.data) or not pieces[0].endswith(b"\r\n"):
            return None
        if line_quality(pieces[0]) not in ("good", "unread"):
            return None
        return Piece(self.source_of(*key), written.mono_ns, written.wall_ns, pieces[0], len(written.data))


def numbered_id(source: str, number: int) -> str:
    """Return the id of the n-th address heard on a source, no longer than an id may be."""
    if number <= 1:
        return source
    tail = f"-{number}"
    return source[: _ID_LENGTH - len(tail)] + tail


def journal_line(piece: Piece) -> bytes:
    """Return a piece as its line of the journal."""
    return encode_line(
        piece.data,
        source=piece.source,
        wall_ms=piece.wall_ns // 1_000_000,
        mono_us=piece.mono_ns // 1000,
        line_end=b"",
        again=piece.again,
    )
