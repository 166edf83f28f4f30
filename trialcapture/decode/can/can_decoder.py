"""CAN to tables: frames, then whole messages, then one Arrow table a kind, shaped like those of NMEA 0183.

Where a message says the same as an NMEA 0183 sentence it has that sentence's table and columns, so that it can
be placed on UTC and merged like one: RPM, HDG, HDT, ROT, RSA, VHW, DPT, MTW, MWV, MWD, XDR (attitude), GGA, ZDA.
Where there is no such sentence it has a table of its own (`OWN_TABLES`).

Frames are read from candump text lines, all lines of a block at once:

    (1790000000.123456) can1 09F20010#00B036D204FBFFFF
     (1790000000.123456)  can1  09F20010   [8]  00 B0 36 D2 04 FB FF FF

The first is what ``candump -L`` of the can-utils writes and what the recorder keeps; the second is what ``candump -ta``
shows on a screen. The channel is the source's id. Lines of another shape (remote, FD and error frames, damage) are no
data frames for us and are reported, never an exception.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode import byte_columns
from trialcapture.decode.byte_columns import encode_spans
from trialcapture.decode.can.messages import ADDRESSES, TP_CM, TP_DT, FastPackets, Loss, Message, Rows, Transport
from trialcapture.decode.can.parameter_groups import FAST, J1939, NMEA2000, make_tables
from trialcapture.decode.rejects import SCHEMA, no_words, optional_words

I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]

_MARGIN = b"\n" + b" " * 127
"""Stands around a block: longer than any look ahead, so that none leaves the buffer."""
_HEX = np.full(256, 255, np.uint8)
for _digit in b"0123456789ABCDEFabcdef":
    _HEX[_digit] = int(chr(_digit), 16)
_LONGEST_STAMP = 11
"""Most digits of a stamp's seconds (our choice: ten last until 2286)."""
_EXTENDED = 8
"""Hexadecimal digits of a 29-bit identifier, as candump writes it."""
_NO_DATA_FRAME = re.compile(
    rb"\(\d+\.\d{6}\) \S+ ([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(#[0-9A-Fa-f]+|R[0-9A-Fa-f]?|[0-9A-Fa-f]*)( [RT])?"
)
# Both shapes with any spacing and any number of decimals; between channel and identifier ``candump -x`` tells the
# direction and the state of the controller, behind the data ``-a`` shows it as letters.
_SPACED = re.compile(
    rb"^[ \t]*\((\d{1,11})\.(\d{1,9})\)[ \t]+(\S+)[ \t]+(?:[RT]X[ \t]+[-B][ \t]+[-E][ \t]+)?"
    rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
    rb"(?:#([0-9A-Fa-f]{0,16})|[ \t]+\[([0-8])\]((?:[ \t]+[0-9A-Fa-f]{2})*)(?:[ \t]+'[^\r\n]*')?)[ \t]*(\r?)$",
    re.MULTILINE,
)
_WITHOUT_TIME = re.compile(
    rb"^[ \t]*(?:\(\d{4}-\d\d-\d\d[^)\r\n]*\)[ \t]+)?\S+[ \t]+(?:[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
    rb"(?:[ \t]+\[\d+\](?:[ \t]+[0-9A-Fa-f]{2})*|#[0-9A-Fa-f]*)[ \t]*\r?$",
    re.MULTILINE,
)


def candump_kind(block: bytes) -> str:
    """Return what a text holds: ``frames`` with times, ``frames without times``, or "" where it is no CAN log."""
    if _SPACED.search(block):
        return "frames"
    return "frames without times" if _WITHOUT_TIME.search(block) else ""


def is_candump_line(line: bytes) -> bool:
    """Return True for a line, its end included, of either shape; frames that hold no data count too."""
    bare = line.rstrip(b"\r\n")
    return _NO_DATA_FRAME.fullmatch(bare) is not None or _SPACED.fullmatch(bare) is not None


class Frames(NamedTuple):
    """The data frames of a block with 29-bit identifiers, in order; each field is an array (n,)."""

    line: I64
    """0-based line in the file."""
    stamp_ns: I64
    """Time written in the line [ns since 1970 UTC]."""
    channel: npt.NDArray[np.int32]
    """Index into `channels`."""
    pgn: I64
    """Parameter group number; the destination is not part of it."""
    address: U8
    """Address of the sender."""
    destination: U8
    """Address of the receiver, 255 for all."""
    data: U8
    """(n, 8) data bytes, 0xFF where a frame has fewer: that reads as "not available"."""
    length: U8
    """Number of data bytes."""
    channels: list[str]
    """Names of the channels."""


class UnusableLine(NamedTuple):
    """A line that holds no data frame we can use."""

    line: int
    reason: str
    text: bytes


def parse_candump(block: bytes, first_line: int = 0) -> tuple[Frames, list[UnusableLine], int]:
    """Take candump lines apart.

    Args:
        block: Whole lines, ended by LF or CRLF, or all by CR.
        first_line: Line number of the block's first line in its file.

    Returns:
        The frames, the lines that are none, and how many frames had an 11-bit identifier (these are neither
        NMEA 2000 nor J1939 and are not looked at).
    """
    if b"\n" not in block:
        block = block.replace(b"\r", b"\n")
    if b"[" in block or b")  " in block or block.startswith(b" ") or b"\n " in block:
        block = _SPACED.sub(_as_recorded, block)
    frames, odd, short = _parse_recorded(block, first_line)
    if odd and not frames.line.size and not short:  # another number of decimals
        frames, odd, short = _parse_recorded(_SPACED.sub(_as_recorded, block), first_line)
    return frames, odd, short


def _as_recorded(match: re.Match[bytes]) -> bytes:
    """Return a line as the recorder would write it, or as it is where it does not hold the bytes it announces."""
    seconds, decimals, channel, identifier, data, count, spaced, end = match.groups()
    if data is None:
        data = b"".join(spaced.split())
        if len(data) != 2 * int(count):
            return match[0]
    micros = decimals[:6].ljust(6, b"0")
    return b"(%s.%s) %s %s#%s%s" % (seconds, micros, channel, identifier, data, end)


def _parse_recorded(block: bytes, first_line: int) -> tuple[Frames, list[UnusableLine], int]:
    """Take lines apart that are as the recorder writes them."""
    buf = np.frombuffer(_MARGIN[::-1] + block + _MARGIN, np.uint8)
    ends = np.flatnonzero(buf == ord("\n"))
    start, stop = ends[:-1] + 1, ends[1:].copy()
    stop -= (buf[stop - 1] == ord("\r")) & (stop > start)
    line = first_line + np.arange(len(start), dtype=np.int64)
    filled = stop > start
    start, stop, line = start[filled], stop[filled], line[filled]
    sound, close, space, mark = _landmarks(buf, start, stop)
    stamp_ns, stamped = _stamps(buf, start, close)
    ident, named = hex_numbers(buf, space + 1, mark)
    data, length, readable = _data(buf, mark, stop)
    sound &= stamped & named & readable
    extended = mark - space - 1 == _EXTENDED
    extended &= ident < 1 << 29
    odd = [
        UnusableLine(int(line[at]), _why(bytes(buf[start[at] : stop[at]])), bytes(buf[start[at] : stop[at]][:256]))
        for at in np.flatnonzero(~(sound & ((mark - space - 1 == 3) | extended)))
    ]
    keep = np.flatnonzero(sound & extended)
    channel, channels = encode_spans(buf, close[keep] + 2, space[keep] - close[keep] - 2)
    ident = ident[keep]
    pdu_format, specific = (ident >> 16) & 0xFF, (ident >> 8) & 0xFF
    broadcast = pdu_format >= 240
    frames = Frames(
        line[keep],
        stamp_ns[keep],
        channel,
        (ident >> 8 & 0x3FF00) | np.where(broadcast, specific, 0),
        (ident & 0xFF).astype(np.uint8),
        np.where(broadcast, 255, specific).astype(np.uint8),
        data[keep],
        length[keep],
        channels,
    )
    return frames, odd, int((sound & ~extended & (mark - space - 1 == 3)).sum())


def _why(text: bytes) -> str:
    return "no data frame" if _NO_DATA_FRAME.fullmatch(text) else "no can frame"


def _landmarks(buf: U8, start: I64, stop: I64) -> tuple[Bools, I64, I64, I64]:
    """Return which lines have the shape ``(…) channel id#…``, and where ``)``, the last space and ``#`` stand."""
    positions = [_only(buf, start, stop, byte) for byte in b"()#"]
    spaces = np.flatnonzero(buf == ord(" "))
    first = np.searchsorted(spaces, start)
    two = np.searchsorted(spaces, stop) - first == 2
    first = np.where(two, first, 0)
    after_stamp, before_id = spaces[first], spaces[np.minimum(first + 1, len(spaces) - 1)]
    (opened, has_open), (close, has_close), (mark, has_mark) = positions
    sound = two & has_open & has_close & has_mark
    sound &= (opened == start) & (after_stamp == close + 1) & (before_id > after_stamp + 1) & (mark > before_id + 1)
    safe = np.where(sound, start, 0)
    return (
        sound,
        np.where(sound, close, safe),
        np.where(sound, before_id, safe),
        np.where(sound, mark, safe + 1),
    )


def _only(buf: U8, start: I64, stop: I64, byte: int) -> tuple[I64, Bools]:
    """Return the position of a byte in each line and whether it stands there exactly once."""
    found = np.flatnonzero(buf == byte)
    if not len(found):
        return np.zeros_like(start), np.zeros(len(start), np.bool_)
    first = np.searchsorted(found, start)
    once = np.searchsorted(found, stop) - first == 1
    return found[np.where(once, first, 0)], once


def _stamps(buf: U8, start: I64, close: I64) -> tuple[I64, Bools]:
    """Return ``(seconds.microseconds)`` in ns, and where it has that shape."""
    whole = close - 7 - start - 1
    good = (whole >= 1) & (whole <= _LONGEST_STAMP) & (buf[np.maximum(close - 7, 0)] == ord("."))
    value = np.zeros(len(start), np.int64)
    for nth in range(_LONGEST_STAMP + 7):
        at = np.minimum(start + 1 + nth, len(buf) - 1)
        inside = good & (at < close) & (at != close - 7)
        digit = buf[at].astype(np.int64) - ord("0")
        good &= ~inside | ((digit >= 0) & (digit <= 9))
        value = np.where(inside, value * 10 + digit, value)
    return np.where(good, value, 0) * 1000, good


def hex_numbers(buf: U8, start: I64, stop: I64) -> tuple[I64, Bools]:
    """Return the value of up to eight hexadecimal digits, and where they are such."""
    length = stop - start
    good = (length >= 1) & (length <= _EXTENDED)
    value = np.zeros(len(start), np.int64)
    for nth in range(_EXTENDED):
        inside = good & (nth < length)
        digit = _HEX[buf[np.minimum(start + nth, len(buf) - 1)]]
        good &= ~inside | (digit < 16)
        value = np.where(inside, value * 16 + digit, value)
    return value, good


def hex_bytes(buf: U8, start: I64, stop: I64) -> tuple[U8, I64, Bools]:
    """Return the bytes of pairs of hexadecimal digits, padded with 0xFF, how many, and where the digits are such."""
    digits = np.maximum(stop - start, 0)
    good = (stop >= start) & (digits % 2 == 0)
    data = np.full((len(start), max(int(digits.max(initial=0)) // 2, 1)), 0xFF, np.uint8)
    for nth in range(data.shape[1]):
        inside = good & (2 * nth < digits)
        at = np.minimum(start + 2 * nth, len(buf) - 2)
        high, low = _HEX[buf[at]], _HEX[buf[at + 1]]
        good &= ~inside | ((high < 16) & (low < 16))
        data[:, nth] = np.where(inside, (high << 4) | (low & 0x0F), 0xFF)
    return data, np.where(good, digits // 2, 0), good


def _data(buf: U8, mark: I64, stop: I64) -> tuple[U8, U8, Bools]:
    """Return data bytes, their number, and where they are pairs of hexadecimal digits, at most eight."""
    digits = stop - mark - 1
    good = (digits >= 0) & (digits <= 16) & (digits % 2 == 0)
    data = np.full((len(mark), 8), 0xFF, np.uint8)
    for nth in range(8):
        inside = good & (2 * nth < digits)
        at = np.minimum(mark + 1 + 2 * nth, len(buf) - 2)
        high, low = _HEX[buf[at]], _HEX[buf[at + 1]]
        good &= ~inside | ((high < 16) & (low < 16))
        data[:, nth] = np.where(inside, (high << 4) | low, 0xFF)
    return data, np.where(good, digits // 2, 0).astype(np.uint8), good


CAN_REASONS = (
    "no can frame",
    "no data frame",
    "frame missing",
    "frame order",
    "timeout",
    "no start",
    "length",
    "aborted",
    "unfinished",
)
"""Every word that can stand in the ``reason`` column for CAN."""

OWN_TABLES = ("POSITION", "VELOCITY", "ENGINE", "TANK")
"""Tables without a sentence of NMEA 0183 that says the same."""

_WIDTH = 64
"""Bytes kept of a payload (our choice): the last field that is read ends at byte 42."""
_READ = frozenset(NMEA2000) | frozenset(J1939)


class CanDecoder:
    """Decodes a log block by block; messages may span blocks.

    Args:
        epoch_wall_ns: What the log's stamps are at session time 0 [ns since 1970 UTC], as the recorder notes it;
            without it ``mono_ns`` is null.
    """

    def __init__(self, epoch_wall_ns: int | None = None) -> None:
        self._epoch_ns = epoch_wall_ns
        self._channels: list[str] = []
        self._fast = FastPackets()
        self._transport = Transport()

    def decode(self, block: bytes, first_line: int = 0) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
        """Decode a block of whole candump lines.

        Args:
            block: Lines ended by LF or CRLF.
            first_line: Line number of its first line in the file.

        Returns:
            Tables by kind. Each begins with ``line`` int64 (of the message's first frame), ``mono_ns`` int64,
            ``wall_ms`` int64, ``source`` (the channel) and ``talker`` (the sender's address, two hexadecimal
            digits), like those of `trialcapture.decode.nmea0183.nmea_decoder.decode_nmea`. Then rejects
            (`trialcapture.decode.rejects.SCHEMA`, `CAN_REASONS`), and counts: per ``source``, ``talker`` and
            ``formatter`` (the parameter group number) messages ``good``, ``bad`` and ``not_decoded``.
        """
        frames, odd, _short_ids = parse_candump(block, first_line)
        code_of = np.array([self._channel(name) for name in frames.channels] or [0], np.int32)
        frames = frames._replace(channel=code_of[frames.channel], channels=self._channels)
        whole, counts = self._whole_messages(frames)
        losses = self._take_losses()
        for loss in losses:
            counts[(loss.channel, loss.address, loss.pgn, "bad")] += 1
        tables = make_tables(whole, self._channels, self._epoch_ns)
        stray = [Loss(0, 0, -1, o.line, -1, o.reason, o.text) for o in odd]
        return tables, self._rejects([*stray, *losses]), self._counts(counts)

    def finish(self) -> tuple[pa.Table, pa.Table]:
        """Return rejects and counts of the messages that were still open at the end of the log."""
        losses = [*self._fast.finish(), *self._transport.finish()]
        return self._rejects(losses), self._counts(Counter((x.channel, x.address, x.pgn, "bad") for x in losses))

    def _channel(self, name: str) -> int:
        if name not in self._channels:
            self._channels.append(name)
        return self._channels.index(name)

    def _take_losses(self) -> list[Loss]:
        losses = [*self._fast.losses, *self._transport.losses]
        self._fast.losses, self._transport.losses = [], []
        return losses

    def _whole_messages(self, frames: Frames) -> tuple[dict[int, Rows], Counter[tuple[int, int, int, str]]]:
        """Return the whole messages by parameter group, and counts."""
        counts: Counter[tuple[int, int, int, str]] = Counter()
        whole: dict[int, Rows] = {}
        joined = self._join(frames)
        for pgn in np.unique(frames.pgn).tolist():
            mine = frames.pgn == pgn
            if pgn in FAST or pgn in (TP_CM, TP_DT):
                continue
            for (channel, address), number in _tally(frames, mine):
                counts[(channel, address, pgn, "good" if pgn in _READ else "not_decoded")] += number
            if pgn in _READ:
                whole[pgn] = Rows(
                    frames.line[mine],
                    frames.stamp_ns[mine],
                    frames.channel[mine],
                    frames.address[mine],
                    frames.data[mine],
                )
        by_pgn: dict[int, list[Message]] = {}
        for message in joined:
            known = message.pgn in _READ
            counts[(message.channel, message.address, message.pgn, "good" if known else "not_decoded")] += 1
            if known:
                by_pgn.setdefault(message.pgn, []).append(message)
        for pgn, messages in by_pgn.items():
            rows = Rows.of(messages, _WIDTH)
            whole[pgn] = rows if pgn not in whole else whole[pgn].joined(rows, _WIDTH)
        return whole, counts

    def _join(self, frames: Frames) -> list[Message]:
        """Feed the frames of longer messages, in order, and return what they complete."""
        wanted = np.isin(frames.pgn, [*FAST, TP_CM, TP_DT])
        found = []
        for at in np.flatnonzero(wanted).tolist():
            pgn, data = int(frames.pgn[at]), frames.data[at, : frames.length[at]].tobytes()
            address, channel = int(frames.address[at]), int(frames.channel[at])
            line, stamp_ns = int(frames.line[at]), int(frames.stamp_ns[at])
            if pgn in FAST:
                message = self._fast.feed(pgn, address, channel, line, stamp_ns, data)
            else:
                destination = int(frames.destination[at])
                message = self._transport.feed(pgn, address, destination, channel, line, stamp_ns, data)
            if message is not None:
                found.append(message)
        return found

    def _rejects(self, losses: list[Loss]) -> pa.Table:
        losses = sorted(losses, key=lambda loss: loss.line)
        source = np.array([max(loss.channel, 0) for loss in losses], np.int32)
        known = np.array([loss.channel >= 0 for loss in losses], np.bool_)
        stamp = np.array([loss.stamp_ns for loss in losses], np.int64)
        has_time = known & (self._epoch_ns is not None)
        groups = sorted({loss.pgn for loss in losses if loss.pgn >= 0})
        pgn = np.array([groups.index(loss.pgn) if loss.pgn >= 0 else -1 for loss in losses], np.int32)
        return pa.Table.from_arrays(
            [
                byte_columns.dictionary(source, self._channels or [""], known),
                to_arrow(np.array([loss.line for loss in losses], np.int64)),
                to_arrow(stamp - (self._epoch_ns or 0), has_time),
                byte_columns.dictionary(
                    np.array([CAN_REASONS.index(loss.reason) for loss in losses], np.int32), CAN_REASONS
                ),
                column_of([loss.payload for loss in losses], pa.binary()),
                optional_words(pgn, [str(group) for group in groups]),
                no_words(len(losses)),
            ],
            schema=SCHEMA,
        )

    def _counts(self, counts: Counter[tuple[int, int, int, str]]) -> pa.Table:
        keys = sorted({key[:3] for key in counts})
        pgns = sorted({key[2] for key in keys})
        return pa.table(
            {
                "source": byte_columns.dictionary(np.array([k[0] for k in keys], np.int32), self._channels or [""]),
                "talker": byte_columns.dictionary(np.array([k[1] for k in keys], np.int32), ADDRESSES),
                "formatter": byte_columns.dictionary(
                    np.array([pgns.index(k[2]) for k in keys], np.int32), [str(pgn) for pgn in pgns]
                ),
                **{
                    word: to_arrow(np.array([counts[(*k, word)] for k in keys], np.int64))
                    for word in ("good", "bad", "not_decoded")
                },
            }
        )


def decode_can(
    block: bytes, *, epoch_wall_ns: int | None = None, first_line: int = 0
) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
    """Decode a whole log at once; see `CanDecoder.decode`.

    Args:
        block: Whole candump lines.
        epoch_wall_ns: What the stamps are at session time 0 [ns since 1970 UTC], None when not known.
        first_line: Line number of the first line in its file.
    """
    decoder = CanDecoder(epoch_wall_ns)
    tables, rejects, counts = decoder.decode(block, first_line)
    more_rejects, more_counts = decoder.finish()
    rejects = pa.concat_tables([rejects, more_rejects]).unify_dictionaries()
    if more_counts.num_rows:
        both = pa.concat_tables([counts, more_counts]).unify_dictionaries()
        summed = both.group_by(["source", "talker", "formatter"], use_threads=False).aggregate(
            [(word, "sum") for word in ("good", "bad", "not_decoded")]
        )
        counts = summed.rename_columns(["source", "talker", "formatter", "good", "bad", "not_decoded"])
    return tables, rejects, counts


def _tally(frames: Frames, mine: npt.NDArray[np.bool_]) -> list[tuple[tuple[int, int], int]]:
    key = frames.channel[mine].astype(np.int64) << 8 | frames.address[mine]
    return [((int(k) >> 8, int(k) & 0xFF), int(n)) for k, n in zip(*np.unique(key, return_counts=True), strict=True)]
