"""Whole CAN messages as arrays, and tables made of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.decode import columns
from trialcapture.decode.reassembly import Message

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


class Part(NamedTuple):
    """Rows of one table that come from one parameter group."""

    rows: Rows
    values: dict[str, pa.Array]


def build_table(parts: list[Part], channels: Sequence[str], epoch_ns: int | None) -> pa.Table:
    """Return the rows of all parts in order of lines, with the columns every table begins with."""
    tables = []
    for part in parts:
        rows = part.rows
        known = np.full(len(rows.line), epoch_ns is not None)
        prefix = {
            "line": to_arrow(rows.line),
            "mono_ns": to_arrow(rows.stamp_ns - (epoch_ns or 0), known),
            "wall_ms": to_arrow(rows.stamp_ns // 1_000_000),
            "source": columns.dictionary(rows.channel, channels),
            "talker": columns.dictionary(rows.address.astype(np.int32), ADDRESSES),
        }
        tables.append(pa.table(prefix | part.values))
    if len(tables) == 1:
        return tables[0]
    both = pa.concat_tables(tables)
    return both.take(to_arrow(np.argsort(np.concatenate([part.rows.line for part in parts]), kind="stable")))
