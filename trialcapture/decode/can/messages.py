"""Whole CAN messages out of frames: NMEA 2000 fast packets and J1939 transport, listened to and never answered.

A message is given out only when every frame of it has come, in order, in time and from one sender. Anything
else is a loss with its reason; nothing is ever patched together from two messages.

Fast packet: the first byte of each frame has a 3-bit sequence number and a 5-bit frame number; frame 0 gives
the length and six bytes, the others seven each (canboat's documentation of NMEA 2000; the standard itself was
not seen). Transport: SAE J1939-21 as restated in the openly published drivers of it: TP.CM (PGN 60416) with
BAM or RTS announces size, packets and PGN; TP.DT (PGN 60160) brings seven bytes each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.decode import byte_columns

TP_CM, TP_DT = 60416, 60160
_RTS, _CTS, _BAM, _ABORT = 16, 17, 32, 255
"""Parameter groups and control bytes of transport (SAE J1939-21 as restated in the drivers)."""
LONGEST_PAUSE_NS = 750_000_000
"""Time between frames of one message beyond which it is given up: T1 of J1939-21 (from memory)."""
LONGEST_PAUSE_RTS_NS = 1_250_000_000
"""The same where the receiver paces the sender: T2 of J1939-21 (from memory)."""
_MOST_BEGUN_MEANWHILE = 2
"""Messages of one group and sender that may begin before an open one is given up (our choice)."""
_MOST_BYTES = 223
"""Longest fast packet: 6 bytes in its first frame and 7 in each of 31 more (its 5-bit frame number)."""
_MOST_TRANSPORT_BYTES = 1785
"""Longest transport message: 255 packets of 7 bytes (SAE J1939-21, from memory)."""


class Message(NamedTuple):
    """A whole message.

    Attributes:
        pgn: Its parameter group number.
        address: Its sender.
        channel: Index of its channel.
        line: Line of its first frame.
        stamp_ns: Time of its first frame [ns].
        payload: Its bytes.
    """

    pgn: int
    address: int
    channel: int
    line: int
    stamp_ns: int
    payload: bytes


class Loss(NamedTuple):
    """A message that did not come whole.

    Attributes:
        reason: ``frame missing``, ``frame order``, ``timeout``, ``no start``, ``length``, ``aborted``,
            ``unfinished``.
        payload: What had come of it.
    """

    pgn: int
    address: int
    channel: int
    line: int
    stamp_ns: int
    reason: str
    payload: bytes


@dataclass(slots=True)
class _Open:
    pgn: int
    line: int
    first_ns: int
    last_ns: int
    size: int
    expected: int
    payload: bytearray = field(default_factory=bytearray)
    begun_meanwhile: int = 0
    pause_ns: int = LONGEST_PAUSE_NS


class FastPackets:
    """Reassembles fast packets of any number of senders; feed it frames in the order of the log."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int, int], dict[int, _Open]] = {}
        self._orphans: set[tuple[int, int, int, int]] = set()
        self.losses: list[Loss] = []

    def feed(self, pgn: int, address: int, channel: int, line: int, stamp_ns: int, data: bytes) -> Message | None:
        """Take in one frame; return the message it completes.

        Args:
            pgn: Parameter group number of the frame.
            address: Its sender.
            channel: Index of its channel.
            line: Its line in the log.
            stamp_ns: Its time [ns].
            data: Its data bytes, without padding.
        """
        if len(data) < 2:
            self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "length", data))
            return None
        key = (channel, address, pgn)
        sequence, number = data[0] >> 5, data[0] & 0x1F
        opened = self._open.setdefault(key, {})
        if number == 0:
            return self._begin(key, opened, sequence, line, stamp_ns, data)
        message = opened.get(sequence)
        if message is None:
            if (*key, sequence) not in self._orphans:  # one loss a message, not one a frame
                self._orphans.add((*key, sequence))
                self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "no start", data))
            return None
        reason = ""
        if stamp_ns - message.last_ns > message.pause_ns:
            reason = "timeout"
        elif number != message.expected:
            reason = "frame missing" if number > message.expected else "frame order"
        if reason:
            self._lose(key, opened, sequence, reason)
            self._orphans.add((*key, sequence))
            return None
        message.payload += data[1:]
        message.last_ns = stamp_ns
        message.expected += 1
        return self._finish(key, opened, sequence, len(data))

    def finish(self) -> list[Loss]:
        """Return the losses, unfinished messages among them, and forget all."""
        for key, opened in self._open.items():
            for sequence in list(opened):
                self._lose(key, opened, sequence, "unfinished")
        self._open, self._orphans = {}, set()
        losses, self.losses = self.losses, []
        return losses

    def _begin(
        self, key: tuple[int, int, int], opened: dict[int, _Open], sequence: int, line: int, stamp_ns: int, data: bytes
    ) -> Message | None:
        channel, address, pgn = key
        self._orphans.discard((*key, sequence))
        if sequence in opened:
            self._lose(key, opened, sequence, "frame missing")
        for other in list(opened):
            opened[other].begun_meanwhile += 1
            if opened[other].begun_meanwhile > _MOST_BEGUN_MEANWHILE:
                self._lose(key, opened, other, "frame missing")
        size = data[1]
        if not 0 < size <= _MOST_BYTES:
            self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "length", data))
            return None
        opened[sequence] = _Open(pgn, line, stamp_ns, stamp_ns, size, 1, bytearray(data[2:]))
        return self._finish(key, opened, sequence, len(data))

    def _finish(
        self, key: tuple[int, int, int], opened: dict[int, _Open], sequence: int, frame_bytes: int
    ) -> Message | None:
        message = opened[sequence]
        channel, address, pgn = key
        if len(message.payload) >= message.size:
            del opened[sequence]
            return Message(
                pgn, address, channel, message.line, message.first_ns, bytes(message.payload[: message.size])
            )
        if frame_bytes < 8:  # only the last frame may be short
            self._lose(key, opened, sequence, "length")
            self._orphans.add((*key, sequence))
        return None

    def _lose(self, key: tuple[int, int, int], opened: dict[int, _Open], sequence: int, reason: str) -> None:
        message = opened.pop(sequence)
        channel, address, pgn = key
        self.losses.append(Loss(pgn, address, channel, message.line, message.first_ns, reason, bytes(message.payload)))


class Transport:
    """Reassembles J1939 transport sessions between any pairs of addresses; feed it TP.CM and TP.DT frames."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int, int], _Open] = {}
        self._orphans: set[tuple[int, int, int]] = set()
        self.losses: list[Loss] = []

    def feed(
        self, pgn: int, address: int, destination: int, channel: int, line: int, stamp_ns: int, data: bytes
    ) -> Message | None:
        """Take in one frame; return the message it completes."""
        if len(data) < 8:
            self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "length", data))
            return None
        if pgn == TP_CM:
            self._manage(address, destination, channel, line, stamp_ns, data)
            return None
        key = (channel, address, destination)
        message = self._open.get(key)
        if message is None:
            if key not in self._orphans:
                self._orphans.add(key)
                self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "no start", data))
            return None
        reason = ""
        if stamp_ns - message.last_ns > message.pause_ns:
            reason = "timeout"
        elif data[0] != message.expected:
            reason = "frame missing" if data[0] > message.expected else "frame order"
        if reason:
            self._lose(key, reason)
            self._orphans.add(key)
            return None
        message.payload += data[1:]
        message.expected += 1
        message.last_ns = stamp_ns
        if len(message.payload) < message.size:
            return None
        del self._open[key]
        return Message(
            message.pgn, address, channel, message.line, message.first_ns, bytes(message.payload[: message.size])
        )

    def finish(self) -> list[Loss]:
        """Return the losses, unfinished messages among them, and forget all."""
        for key in list(self._open):
            self._lose(key, "unfinished")
        self._orphans = set()
        losses, self.losses = self.losses, []
        return losses

    def _manage(self, address: int, destination: int, channel: int, line: int, stamp_ns: int, data: bytes) -> None:
        control = data[0]
        if control in (_RTS, _BAM):
            key = (channel, address, destination)
            self._orphans.discard(key)
            if key in self._open:
                self._lose(key, "frame missing")
            size, packets = data[1] | data[2] << 8, data[3]
            pgn = data[5] | data[6] << 8 | data[7] << 16
            if not 8 < size <= _MOST_TRANSPORT_BYTES or packets != -(-size // 7):
                self.losses.append(Loss(pgn, address, channel, line, stamp_ns, "length", data))
                return
            pause_ns = LONGEST_PAUSE_NS if control == _BAM else LONGEST_PAUSE_RTS_NS
            self._open[key] = _Open(pgn, line, stamp_ns, stamp_ns, size, 1, pause_ns=pause_ns)
        elif control == _CTS:
            self._asked_again((channel, destination, address), data[2], stamp_ns)
        elif control == _ABORT:
            for key in ((channel, address, destination), (channel, destination, address)):
                if key in self._open:
                    self._lose(key, "aborted")

    def _asked_again(self, key: tuple[int, int, int], wanted: int, stamp_ns: int) -> None:
        """Follow a receiver that asks the sender to continue from a packet, perhaps one already sent."""
        message = self._open.get(key)
        if message is None:
            return
        message.last_ns = stamp_ns
        if 1 <= wanted < message.expected:
            del message.payload[(wanted - 1) * 7 :]
            message.expected = wanted

    def _lose(self, key: tuple[int, int, int], reason: str) -> None:
        message = self._open.pop(key)
        channel, address, _ = key
        self.losses.append(
            Loss(message.pgn, address, channel, message.line, message.first_ns, reason, bytes(message.payload))
        )


# Whole messages as arrays, and tables of them.

I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]


ADDRESSES = tuple(f"{address:02X}" for address in range(256))
"""How a sender's address is written."""


class Rows(NamedTuple):
    """Whole messages of one parameter group; each field is an array (n,)."""

    line: I64
    stamp_ns: I64
    channel: npt.NDArray[np.int32]
    address: U8
    payload: U8
    """(n, b) bytes, padded with 0xFF."""

    @classmethod
    def of(cls, messages: Sequence[Message], width: int) -> Self:
        """Lay reassembled messages out as arrays."""
        payload = np.full((len(messages), width), 0xFF, np.uint8)
        for row, message in enumerate(messages):
            part = np.frombuffer(message.payload[:width], np.uint8)
            payload[row, : len(part)] = part
        return cls(
            np.array([m.line for m in messages], np.int64),
            np.array([m.stamp_ns for m in messages], np.int64),
            np.array([m.channel for m in messages], np.int32),
            np.array([m.address for m in messages], np.uint8),
            payload,
        )

    def joined(self, other: Self, width: int) -> Self:
        """Return both, in order of lines."""
        payload = np.full((len(self.line) + len(other.line), width), 0xFF, np.uint8)
        payload[: len(self.line), : self.payload.shape[1]] = self.payload
        payload[len(self.line) :, : other.payload.shape[1]] = other.payload
        both = type(self)(
            np.concatenate((self.line, other.line)),
            np.concatenate((self.stamp_ns, other.stamp_ns)),
            np.concatenate((self.channel, other.channel)),
            np.concatenate((self.address, other.address)),
            payload,
        )
        return both.taken(np.argsort(both.line, kind="stable"))

    def taken(self, mask: Bools | I64) -> Self:
        """Return the rows where a mask is True, or those at given places."""
        line, stamp_ns, channel, address, payload = self
        return type(self)(line[mask], stamp_ns[mask], channel[mask], address[mask], payload[mask])


class TableRows(NamedTuple):
    """Rows of one table that come from one parameter group."""

    rows: Rows
    values: dict[str, pa.Array]


def build_table(parts: list[TableRows], channels: Sequence[str], epoch_ns: int | None) -> pa.Table:
    """Return the rows of all parts in order of lines, with the columns every table begins with."""
    tables = []
    for part in parts:
        rows = part.rows
        known = np.full(len(rows.line), epoch_ns is not None)
        prefix = {
            "line": to_arrow(rows.line),
            "mono_ns": to_arrow(rows.stamp_ns - (epoch_ns or 0), known),
            "wall_ms": to_arrow(rows.stamp_ns // 1_000_000),
            "source": byte_columns.dictionary(rows.channel, channels),
            "talker": byte_columns.dictionary(rows.address.astype(np.int32), ADDRESSES),
        }
        tables.append(pa.table(prefix | part.values))
    if len(tables) == 1:
        return tables[0]
    both = pa.concat_tables(tables)
    return both.take(to_arrow(np.argsort(np.concatenate([part.rows.line for part in parts]), kind="stable")))
