"""NMEA 2000 and J1939 messages inside NMEA 0183 sentences, read by the same tables as those of a CAN log.

``$PCDIN,pppppp,tttttttt,ss,d…d*hh``: parameter group number, the gateway's own time (not used: a sentence's time is its
receipt), sender's address and data, all hexadecimal, data in the order of the message; a fast packet comes whole.
``$--PGN,pppppp,aaaa,d…d*hh``: parameter group number, attribute word (bit 15 to be sent, 14-12 priority, 11-8 number of
bytes, 7-0 address of the sender, or of the receiver of what is to be sent) and the bytes of one frame, the last byte
first; fast packets come frame by frame. Both as the open readers of them have it (the Go package `nmea`, canboatjs,
ttlappalainen's NMEA2000 library); the makers' own papers were not seen.

Some gateways send the bytes of ``PGN`` in the order of the message. Which order a source uses is told by messages that
have a reserved byte of all ones at one end, or begin a fast packet; where none does, the published order stands.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, integers, to_arrow
from trialcapture.decode import byte_columns
from trialcapture.decode.can.can_decoder import hex_bytes, hex_numbers
from trialcapture.decode.can.messages import TP_CM, TP_DT, FastPackets, Loss, Rows, Transport
from trialcapture.decode.can.parameter_groups import FAST, J1939, NMEA2000, make_tables
from trialcapture.decode.nmea0183.fields import I64, U8, Bools
from trialcapture.decode.nmea0183.framing import Frame, rows_from
from trialcapture.decode.rejects import SCHEMA, Reason, no_words, optional_words

I32 = npt.NDArray[np.int32]

READ_GROUPS = frozenset(NMEA2000) | frozenset(J1939)
"""Parameter groups that become channels."""
_FRAME_BYTES = 8
"""Bytes of one CAN frame (ISO 11898-1)."""
_TAIL_BYTES = 1 << 16
"""Bytes before a block in which the frames of a message are looked for: several seconds of a busy 38 400 baud line, and
a message takes less than one (our choice)."""
_KEPT_BYTES = 64
"""Bytes kept of a payload (our choice): the last field that is read ends at byte 42."""
_LAST_IS_RESERVED = (127245, 127257, 127488, 127505, 128259, 129026, 130306, 130312)
"""Single-frame groups whose last byte is reserved and reads all ones (canboat's database)."""
_FAST_SIZES = {127489: (26,), 127497: (9,), 129029: range(43, 224)}
"""Sizes of fast packets [bytes], which stand in the second byte of their first frame (canboat's database)."""
_LOSSES = ("frame missing", "frame order", "timeout", "no start", "length", "aborted", "unfinished")
TALKERS = tuple(f"CAN{address:02X}" for address in range(256))
"""Talker of an encapsulated message: its sender's address on the bus."""


def is_encapsulated(talker: str, formatter: str) -> bool:
    """Return whether an address is of a sentence that carries a message of a CAN bus."""
    return (talker == "P" and formatter == "CDIN") or (talker not in ("", "P") and formatter == "PGN")


def last_frames(block: bytes) -> bytes:
    """Return the last lines of a block whose frames may begin messages that end in the next block."""
    tail = block[-_TAIL_BYTES:]
    whole = tail if len(block) <= _TAIL_BYTES else tail[tail.find(b"\n") + 1 :]
    return b"".join(line for line in whole.splitlines(keepends=True) if b"PGN," in line)


class Carried(NamedTuple):
    """Messages and frames as they stood in sentences; each field is an array (n,)."""

    line: I64
    mono_ns: I64
    mono_known: Bools
    wall_ms: I64
    wall_known: Bools
    source: I32
    """Code of the source."""
    pgn: I64
    address: U8
    last_first: Bools
    """Whether the sentence is of the kind whose bytes may come last first."""
    size: I64
    """Bytes of the payload."""
    payload: U8
    """(n, b) bytes as they stood, padded with 0xFF."""

    @classmethod
    def joined(cls, parts: Sequence[Self]) -> Self:
        """Return all parts in order of lines."""
        width = max(part.payload.shape[1] for part in parts)
        payload = np.full((sum(len(part.line) for part in parts), width), 0xFF, np.uint8)
        at = 0
        for part in parts:
            payload[at : at + len(part.line), : part.payload.shape[1]] = part.payload
            at += len(part.line)
        plain = [np.concatenate([part[nth] for part in parts]) for nth in range(len(cls._fields) - 1)]
        whole = cls._make([*plain, payload])
        return whole.taken(np.argsort(whole.line, kind="stable"))

    def taken(self, rows: I64 | Bools) -> Self:
        """Return some rows."""
        return type(self)._make([column[rows] for column in self])


class Payloads(NamedTuple):
    """What the fields of sentences say; each field is an array (n,), the last (n, b)."""

    pgn: I64
    address: U8
    size: I64
    payload: U8
    reason: U8


def read_payloads(frame: Frame, first: I64, commas: I64, *, last_first: bool) -> Payloads:
    """Read the fields of sentences of one kind.

    Args:
        frame: The block they stand in.
        first: (n,) their starts, as indices into `Frame.at`.
        commas: (n,) how many commas each has.
        last_first: True for ``PGN``, False for ``PCDIN``.
    """
    fields = 3 if last_first else 4
    right = commas == fields
    edges = rows_from(frame.at, np.where(right, first + 1, 0), fields + 1)
    pgn, sound = hex_numbers(frame.buf, edges[0] + 1, edges[1])
    word, has_word = hex_numbers(frame.buf, edges[fields - 2] + 1, edges[fields - 1])
    payload, size, is_hex = hex_bytes(frame.buf, edges[fields - 1] + 1, np.where(right, edges[fields], 0))
    sound &= has_word & is_hex & (size > 0) & (pgn < 1 << 18)
    if last_first:
        sound &= (size > _FRAME_BYTES) | (word >> 8 & 0xF == size)
        address = np.where(word >> 15 & 1, 0xFF, word & 0xFF)
    else:
        sound &= word <= 0xFF
        address = word & 0xFF
    to_one = (pgn >> 8 & 0xFF) < 240  # the last byte is then a receiver's address, no part of the group's number
    reason = np.where(sound, np.uint8(Reason.SOUND), np.uint8(Reason.NUMBER))
    reason[~right] = Reason.FIELD_COUNT
    return Payloads(np.where(to_one, pgn & ~np.int64(0xFF), pgn), address.astype(np.uint8), size, payload, reason)


Counts = dict[tuple[str, str, str], tuple[int, int, int]]


def decode_carried(
    parts: Sequence[Carried], sources: tuple[pa.Array, I32]
) -> tuple[dict[str, pa.Table], pa.Table, Counts]:
    """Decode what sentences carried.

    Args:
        parts: In any order; lines below 0 are of the block before, and only begin messages that end in this one.
        sources: Names of sources, and where among them each code's stands.

    Returns:
        Tables by kind as of `can_decoder.CanDecoder`, a message standing at the line that completes it,
        with `TALKERS`; messages that did not come whole, as rejects; and counts by source, talker and parameter group.
        A message that is still open at the end is for the next block.
    """
    carried = Carried.joined(parts)
    names = sources[0].to_pylist()
    carried = _in_order(carried)
    whole, losses = _whole_messages(carried)
    counts: Counter[tuple[int, int, int, str]] = Counter()
    for pgn, (rows, _) in whole.items():
        word = "good" if pgn in READ_GROUPS else "not_decoded"
        for row in rows[carried.line[rows] >= 0].tolist():
            counts[int(carried.source[row]), int(carried.address[row]), pgn, word] += 1
    for loss in losses:
        counts[loss.channel, loss.address, loss.pgn, "bad"] += 1
    of_pgn = {
        pgn: Rows(rows, np.zeros_like(rows), carried.source[rows], carried.address[rows], payload)
        for pgn, (rows, payload) in whole.items()
        if pgn in READ_GROUPS
    }
    of_pgn = {pgn: rows.taken(carried.line[rows.line] >= 0) for pgn, rows in of_pgn.items()}
    made = make_tables({pgn: rows for pgn, rows in of_pgn.items() if len(rows.line)}, names or [""], None)
    tables = {kind: _placed(table, carried, sources) for kind, table in made.items()}
    told: Counts = {}
    for source, address, pgn, _ in counts:
        key = (source, address, pgn)
        name = (names[sources[1][source]], TALKERS[address], str(pgn))
        told[name] = counts[(*key, "good")], counts[(*key, "bad")], counts[(*key, "not_decoded")]
    return tables, _loss_table(losses, carried, sources), told


def merge_tables(own: dict[str, pa.Table], carried: dict[str, pa.Table]) -> dict[str, pa.Table]:
    """Return tables of sentences and of what others carried as one of each kind, in order of lines."""
    merged = dict(own)
    for kind, table in carried.items():
        if kind in own:
            both = pa.concat_tables([own[kind], table], promote_options="permissive").unify_dictionaries()
            order = np.argsort(integers(both["line"])[0], kind="stable")
            merged[kind] = both.take(to_arrow(order)).combine_chunks()
        else:
            merged[kind] = table
    return merged


def _in_order(carried: Carried) -> Carried:
    """Return the payloads as the bus had them."""
    payload = carried.payload.copy()
    for source in np.unique(carried.source[carried.last_first]).tolist():
        mine = np.flatnonzero(carried.last_first & (carried.source == source))
        if _is_forward(carried.taken(mine)):
            continue
        size = carried.size[mine, None]
        at = np.arange(payload.shape[1])
        turned = np.take_along_axis(payload[mine], np.clip(size - 1 - at, 0, None), axis=1)
        payload[mine] = np.where(at < size, turned, 0xFF)
    return carried._replace(payload=payload)


def _is_forward(carried: Carried) -> bool:
    """Return whether more messages of a source tell that they stand in the order of the bus than the other way."""
    full = carried.size == _FRAME_BYTES
    first, last = carried.payload[:, 0], carried.payload[:, min(_FRAME_BYTES, carried.payload.shape[1]) - 1]
    reserved = full & np.isin(carried.pgn, _LAST_IS_RESERVED)
    forward = int(np.count_nonzero(reserved & (last == 0xFF) & (first != 0xFF)))
    reverse = int(np.count_nonzero(reserved & (first == 0xFF) & (last != 0xFF)))
    for row in np.flatnonzero(full & np.isin(carried.pgn, list(_FAST_SIZES))).tolist():
        data, sizes = carried.payload[row], _FAST_SIZES[int(carried.pgn[row])]
        forward += bool(data[0] & 0x1F == 0 and data[1] in sizes)
        reverse += bool(data[7] & 0x1F == 0 and data[6] in sizes)
    return forward > reverse


def _whole_messages(carried: Carried) -> tuple[dict[int, tuple[I64, U8]], list[Loss]]:
    """Return by parameter group the rows that complete whole messages and their bytes; and what did not come whole."""
    longer = np.isin(carried.pgn, [*FAST, TP_CM, TP_DT]) & (carried.size <= _FRAME_BYTES)
    width = min(max(carried.payload.shape[1], _FRAME_BYTES), _KEPT_BYTES)
    padded = np.full((len(carried.line), width), 0xFF, np.uint8)
    padded[:, : carried.payload.shape[1]] = carried.payload[:, :width]
    found: dict[int, tuple[I64, U8]] = {}
    for pgn in np.unique(carried.pgn[~longer]).tolist():
        rows = np.flatnonzero(~longer & (carried.pgn == pgn))
        found[pgn] = rows, padded[rows]
    fast, transport, losses = FastPackets(), Transport(), list[Loss]()
    joined: dict[int, list[tuple[int, bytes]]] = {}
    for row in np.flatnonzero(longer).tolist():
        if carried.line[row] < 0:
            fast.losses, transport.losses = [], []
        pgn, address, source = int(carried.pgn[row]), int(carried.address[row]), int(carried.source[row])
        stamp_ns = int(carried.mono_ns[row] if carried.mono_known[row] else carried.wall_ms[row] * 1_000_000)
        data = carried.payload[row, : carried.size[row]].tobytes()
        message = (
            fast.feed(pgn, address, source, row, stamp_ns, data)
            if pgn in FAST
            else transport.feed(pgn, address, 0xFF, source, row, stamp_ns, data)
        )
        if message is not None:
            joined.setdefault(message.pgn, []).append((row, message.payload))
    losses += [*fast.losses, *transport.losses]
    for pgn, messages in joined.items():
        payload = np.full((len(messages), _KEPT_BYTES), 0xFF, np.uint8)
        for nth, (_, data) in enumerate(messages):
            part = np.frombuffer(data[:_KEPT_BYTES], np.uint8)
            payload[nth, : len(part)] = part
        rows = np.array([row for row, _ in messages], np.int64)
        if pgn in found:
            before, bytes_before = found[pgn]
            wide = np.full((len(before), _KEPT_BYTES), 0xFF, np.uint8)
            wide[:, : bytes_before.shape[1]] = bytes_before
            rows, payload = np.concatenate((before, rows)), np.concatenate((wide, payload))
            order = np.argsort(rows, kind="stable")
            rows, payload = rows[order], payload[order]
        found[pgn] = rows, payload
    return found, losses


def _placed(table: pa.Table, carried: Carried, sources: tuple[pa.Array, I32]) -> pa.Table:
    """Return a table whose lines are rows of `carried` with their lines, times, source and talker."""
    row = integers(table["line"])[0]
    prefix = {
        "line": to_arrow(carried.line[row]),
        "mono_ns": to_arrow(carried.mono_ns[row], carried.mono_known[row]),
        "wall_ms": to_arrow(carried.wall_ms[row], carried.wall_known[row]),
        "source": pa.DictionaryArray.from_arrays(to_arrow(sources[1][carried.source[row]]), sources[0]),
        "talker": byte_columns.dictionary(carried.address[row].astype(np.int32), TALKERS),
    }
    return pa.table({name: prefix.get(name, table[name]) for name in table.column_names})


def _loss_table(losses: list[Loss], carried: Carried, sources: tuple[pa.Array, I32]) -> pa.Table:
    losses = sorted(losses, key=lambda loss: loss.line)
    row = np.array([loss.line for loss in losses], np.int64)
    groups = sorted({loss.pgn for loss in losses})
    return pa.Table.from_arrays(
        [
            pa.DictionaryArray.from_arrays(to_arrow(sources[1][carried.source[row]]), sources[0]),
            to_arrow(carried.line[row]),
            to_arrow(carried.mono_ns[row], carried.mono_known[row]),
            byte_columns.dictionary(np.array([_LOSSES.index(loss.reason) for loss in losses], np.int32), _LOSSES),
            column_of([loss.payload for loss in losses], pa.binary()),
            optional_words(np.array([groups.index(loss.pgn) for loss in losses], np.int32), [str(g) for g in groups]),
            no_words(len(losses)),
        ],
        schema=SCHEMA,
    )
