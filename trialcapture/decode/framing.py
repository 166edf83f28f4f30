r"""Where the lines, TAG blocks, sentences and noise of a block of bytes lie, found for all of it at once.

NMEA 0183 as restated in the open "NMEA Revealed" document: a sentence starts at ``$`` or ``!``, its fields are
separated by commas, ``*`` and two hexadecimal digits end it. A sentence ends, whole or not, where the line
ends or where the next one starts; so a good sentence behind noise, behind a cut one or glued to another is
found. Lines end in CRLF, LF or CR.

Everything is decided on the *structural* bytes (those separators, and bytes outside 0x20–0x7E), about one
byte in seven; the text between them is only looked at to sum it and, later, to read its fields.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.rejects import Reason
from trialcapture.decode.views import words_of

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LONGEST_SENTENCE_BYTES = 256
"""Longest sentence accepted, ``$`` to checksum. The standard's 82 is too short for precise receivers
(common practice, no source)."""

_STRETCH_BYTES = 1 << 16
"""So many bytes are searched at once: they stay in the processor's cache."""
_BEFORE = b"0" * 127 + b"\n"
_AFTER = b"\n" + b"," * 127
"""Stand around a block, so that no look behind or ahead leaves it; the LF ends a last line that nothing ends."""

COMMA, STAR, DOLLAR, BANG, TAG, CR, LF = (np.uint8(ord(byte)) for byte in ",*$!\\\r\n")
_HEX = np.full(256, -1, np.int16)
for _digit in b"0123456789ABCDEFabcdef":
    _HEX[_digit] = int(chr(_digit), 16)
HEX_PAIR = np.where((_HEX >= 0) & (_HEX[:, None] >= 0), _HEX * 16 + _HEX[:, None], -1).astype(np.int16).ravel()
"""The value of two hexadecimal digits read as one little-endian 16-bit word; -1 where they are none."""
_UPPER = np.zeros(256, np.bool_)
_UPPER[np.frombuffer(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", np.uint8)] = True


class Frame(NamedTuple):
    """A block taken apart at its structural bytes."""

    buf: U8
    """(b,) the block between margins; every position below counts in it."""
    at: I64
    """(n,) positions of the structural bytes."""
    mark: U8
    """(n,) those bytes; a CR or LF that ends no line reads as 0."""
    bound: I64
    """(m,) the *bounds*, where something new begins: starts, backslashes, line ends; as indices into `at`."""
    place: I64
    """(m,) position of each bound."""
    bound_mark: U8
    """(m,) the byte there."""
    inner: I64
    """(m,) the first structural byte after each bound that is no comma, as index into `at`."""
    line: I64
    """(m,) 0-based line, within the block, of what begins at each bound."""
    sums: Bools
    """(m,) whether ``*`` and the right checksum end what begins at each bound, before the next bound."""


class Pieces(NamedTuple):
    """The sentences of a block, sound ones and damaged ones, in order; each field is an array (p,)."""

    bound: I64
    """Which bound of the frame it begins at."""
    start: I64
    """Position of its ``$`` or ``!``."""
    end: I64
    """Position where its fields end: of ``*``, or of the line end where there is no checksum."""
    stop: I64
    """Position where the next thing begins; between the checksum and here there may be noise."""
    first: I64
    """Its start as index into `Frame.at`: comma k of the sentence is ``at[first + 1 + k]``."""
    commas: I64
    """How many commas it has."""
    reason: U8
    """`Reason` code, SOUND when framing and checksum are right."""


def frame_block(block: bytes) -> Frame:
    """Take a block of whole lines apart at its structural bytes."""
    return frame_buffer(np.frombuffer(_BEFORE + block + _AFTER, np.uint8))


def frame_buffer(buf: U8, line_ends: I64 | None = None) -> Frame:
    """Take a block that already has its margins apart.

    Args:
        buf: (b,) the block between margins.
        line_ends: Positions of the bytes that end lines; any other CR or LF is then a control byte. Without
            it every CR and LF ends a line.
    """
    at = _find_structural(buf)
    mark = buf[at]
    text = (mark >= 0x20) & (mark < ord("-")) & (mark != COMMA) & (mark != STAR) & (mark != DOLLAR)
    if text.any():
        bang = np.flatnonzero(mark == BANG)
        text[bang] = ~_starts_encapsulated(buf, at[bang])
        at, mark = at[~text], mark[~text]
    if line_ends is not None:
        ends = np.searchsorted(at, line_ends)
        kept = mark[ends]
        mark[(mark == CR) | (mark == LF)] = 0
        mark[ends] = kept
    inner = np.flatnonzero(mark != COMMA)
    inner_mark = mark[inner]
    is_end = (inner_mark == CR) | (inner_mark == LF)
    which = np.flatnonzero(is_end | (inner_mark == DOLLAR) | (inner_mark == TAG) | (inner_mark == BANG))
    bound = inner[which]
    bound_mark, place = mark[bound], at[bound]
    following = np.minimum(which + 1, len(inner) - 1)
    after = inner[following]
    ends_line = is_end[which]
    cr = np.flatnonzero((bound_mark[:-1] == CR) & (bound_mark[1:] == LF))
    ends_line[cr[place[cr + 1] == place[cr] + 1]] = False
    line = ends_line.astype(np.int64)
    line[0] = 0  # the margin before the block ends no line of it
    sums = _sum_up(buf, place, at[after], inner_mark[following] == STAR)
    return Frame(buf, at, mark, bound, place, bound_mark, after, np.cumsum(line, out=line), sums)


def _sum_up(buf: U8, place: I64, end: I64, starred: Bools) -> Bools:
    """Return where the XOR of the bytes between a bound and its ``*`` is what the two digits behind it say.

    Args:
        buf: (b,) bytes.
        place: (m,) bounds.
        end: (m,) the first structural byte after each that is no comma.
        starred: (m,) where that is a ``*``.
    """
    holds = np.zeros(len(place), np.bool_)
    rows = np.flatnonzero(starred)
    first, star = place[rows] + 1, end[rows]
    digits = hex_pair(buf, star + 1)
    some = (star > first) & (digits >= 0)
    if not some.all():
        rows, first, star, digits = rows[some], first[some], star[some], digits[some]
    if len(rows):
        edges = np.empty(2 * len(rows), np.int64)
        edges[0::2], edges[1::2] = first, star
        holds[rows] = np.bitwise_xor.reduceat(buf, edges)[::2] == digits
    return holds


def _starts_encapsulated(buf: U8, at: I64) -> Bools:
    """Return which ``!`` start a sentence (AIS and the like): five letters or digits and a comma follow."""
    five: Bools = _UPPER[buf[at[:, None] + np.arange(1, 6)]].all(axis=1)
    five &= buf[at + 6] == COMMA
    return five


def _find_structural(buf: U8) -> I64:
    """Return where the structural bytes are, and some blanks and signs that the caller sorts out."""
    some = np.empty(len(buf), np.bool_)
    for offset in range(0, len(buf), _STRETCH_BYTES):
        part, found = buf[offset : offset + _STRETCH_BYTES], some[offset : offset + _STRETCH_BYTES]
        # Below "-" are the separators and little else that occurs; above "~" is nothing printable.
        np.greater(part - np.uint8(ord("-")), ord("~") - ord("-"), out=found)
        found |= part == TAG
    return np.flatnonzero(some)


def find_pieces(frame: Frame) -> Pieces:
    """Find every sentence, sound or not, with the first thing that is wrong with its frame or checksum."""
    bound = np.flatnonzero(starts(frame))
    first, last = frame.bound[bound], frame.inner[bound]
    start, end, stop = frame.place[bound], frame.at[last], frame.place[bound + 1]
    reason = np.where(frame.sums[bound], np.uint8(Reason.SOUND), np.uint8(Reason.CHECKSUM))
    if (reason != Reason.SOUND).any():
        mark = frame.mark[last]
        at_line_end = (mark == CR) | (mark == LF)
        reason[at_line_end] = Reason.NO_CHECKSUM
        reason[(mark != STAR) & ~at_line_end & (end < stop)] = Reason.CONTROL_BYTES
        reason[(mark != STAR) & ~at_line_end & (end == stop)] = Reason.TRUNCATED
        reason[(mark == STAR) & ((end + 3 > stop) | (end == start + 1))] = Reason.TRUNCATED
    long = end - start > LONGEST_SENTENCE_BYTES - 3
    if long.any():
        reason[long & (reason != Reason.CONTROL_BYTES)] = Reason.TOO_LONG
    return Pieces(bound, start, end, stop, first, last - first - 1, reason)


def starts(frame: Frame) -> Bools:
    """Return which bounds start a sentence, (m,)."""
    found: Bools = (frame.bound_mark == DOLLAR) | (frame.bound_mark == BANG)
    return found


def hex_pair(buf: U8, at: I64) -> npt.NDArray[np.int16]:
    """Return the value of the two hexadecimal digits at each position, -1 where they are none."""
    value: npt.NDArray[np.int16] = HEX_PAIR[words_of(buf, 2)[at]]
    return value


def holds_bang(frame: Frame, first: I64, commas: I64 | int) -> Bools:
    """Return which sentences hold a ``!``, which the standard reserves for the start of one.

    Args:
        frame: The block.
        first: (n,) their starts, as indices into `Frame.at`.
        commas: How many commas each has.
    """
    start, stop = frame.at[first], frame.at[first + 1 + commas]
    spans = zip(start.tolist(), stop.tolist(), strict=True)
    return np.array([b"!" in frame.buf[a + 1 : b].tobytes() for a, b in spans], np.bool_)


def rows_from(values: I64, start: I64, width: int) -> I64:
    """Return ``values[start + k]`` for each k below `width`, as (width, n)."""
    rows = np.ndarray((len(values) - width + 1,), f"V{8 * width}", buffer=values, strides=(8,))
    return np.ascontiguousarray(rows[start].view(np.int64).reshape(-1, width).T)


def find_noise(frame: Frame, pieces: Pieces, summed: Bools, tag_open: Bools, tag_close: Bools) -> tuple[I64, I64, I64]:
    """Find what belongs to no sentence and no TAG block.

    Args:
        frame: The block.
        pieces: Its sentences.
        summed: (p,) which of them have a checksum that holds: they end behind it, others where the next begins.
        tag_open: (m,) bounds that open a TAG block.
        tag_close: (m,) bounds that close one.

    Returns:
        Start and stop positions of each stretch (it may be blank), and the bound it begins at.
    """
    place = frame.place
    stray = (frame.bound_mark == TAG) & ~(tag_open | tag_close)
    after = np.flatnonzero((place[1:] > place[:-1] + 1) & ~(starts(frame) | tag_open)[:-1] | stray[:-1])
    tail = np.flatnonzero(summed & (pieces.end + 3 < pieces.stop))
    return (
        np.concatenate([place[after] + ~stray[after], pieces.end[tail] + 3]),
        np.concatenate([place[after + 1], pieces.stop[tail]]),
        np.concatenate([after, pieces.bound[tail]]),
    )
