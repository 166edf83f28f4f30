r"""The regular lines of a block: one sentence, behind at most one TAG block, both with a right checksum.

A recorder and a receiver write the same few kinds of line over and over, so most lines of a log can be told
from where their line end and backslashes are, without looking at what is in them. What is not so plain
(anything cut, glued, escaped or damaged, and the end of a file that has no line end) is left out here and
taken apart by `framing`.

Lines whose separators, points and signs stand in the same places are of one *shape*; they are found together.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain, pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.decode.framing import BANG, CR, DOLLAR, HEX_PAIR, I64, LF, STAR, TAG, U8, Bools
from trialcapture.decode.views import words_of

LONGEST_LINE_BYTES = 255
"""Longest line, line end included, that is looked at here; it is below the longest sentence accepted."""
MARGIN_BYTES = 256
_MARGIN = b"\n" * MARGIN_BYTES
_STRETCH_BYTES = 1 << 17
"""So many bytes are searched at once: they stay in the processor's cache. A multiple of eight."""
_RARE = 1 << 10
"""So many bytes of a kind in a block are found faster one by one."""
MOST_ABOVE_0 = ord("~") - ord("0")
"""How far a byte that is not marked lies above "0" at most."""
# What the byte pair of a checksum must make of all bytes from the first summed one to the second digit.
_PAIR = np.arange(1 << 16, dtype=np.uint16)
_OWED = np.where(HEX_PAIR >= 0, HEX_PAIR ^ (_PAIR & 0xFF ^ _PAIR >> 8).astype(np.int16), np.int16(-1))
_ODD = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93)
"""Odd multipliers that mix words (any will do: whether lines are alike is checked byte by byte afterwards)."""
_LETTER_BIT, _EACH_BYTE = np.uint64(6), np.uint64(0x0101010101010101)
"""The bit that letters have and digits and marks do not."""
_WORD_BITS = 56
"""So many bits are in a 64-bit word whatever bit of its first byte it is read from."""
_IN_WORD = np.clip(
    np.arange(LONGEST_LINE_BYTES + 1) - np.arange(0, LONGEST_LINE_BYTES, _WORD_BITS)[:, None], 0, _WORD_BITS
)
_FIRST_BITS = (np.uint64(1) << _IN_WORD.astype(np.uint64)) - np.uint64(1)
"""(words, lengths) those of the first bits that fall into each word."""


class Lines(NamedTuple):
    """The lines of a block that end in LF; each field is an array (n,) where nothing else is said."""

    buf: U8
    """(b,) the block between margins; every position below counts in it."""
    marked: U8
    """(b/8,) a bit a byte of `buf`, lowest first: 1 where it is below "0", above "~" or a backslash (separators,
    points, signs, control bytes)."""
    start: I64
    """First byte of each line."""
    stop: I64
    """Its LF."""
    sentence: I64
    """Where its sentence starts."""
    regular: Bools
    """Whether it is a sentence behind at most one TAG block, both with a right checksum."""
    lone_cr: I64
    """(k,) where a CR ends a line by itself."""


def find_lines(block: bytes) -> Lines:
    """Find the lines of a block, and which are regular."""
    buf = np.frombuffer(b"".join((_MARGIN, block, _MARGIN)), np.uint8)
    marked, mark, carriage_returns = _find_marks(buf, MARGIN_BYTES + len(block))
    nth_end = np.flatnonzero(buf[mark] == LF)
    between = nth_end[1:] - nth_end[:-1]
    line_end = mark[nth_end]
    start, stop = line_end[:-1] + 1, line_end[1:]
    tagged = between == 3  # two backslashes, the first of them in front
    tagged &= mark[nth_end[:-1] + 1] == start
    sentence = np.where(tagged, mark[nth_end[1:] - 1] + 1, start)
    crlf = buf[stop - 1] == CR
    end = stop - 3
    end -= crlf
    regular = tagged | (between == 1)
    regular &= end > sentence + 1
    regular &= stop - start < LONGEST_LINE_BYTES
    regular &= _adds_up(buf, start, sentence, end, stop, crlf, tagged)
    caret = _find_rare(block, b"^")  # an escape in a journal, to be undone first
    if len(caret) and len(stop):
        regular[np.minimum(np.searchsorted(stop, caret + MARGIN_BYTES), len(stop) - 1)] = False
    lone = np.zeros(0, np.int64)
    if carriage_returns > np.count_nonzero(crlf):
        lone = np.flatnonzero(buf == CR)
        lone = lone[buf[lone + 1] != LF]
    return Lines(buf, marked, start, stop, sentence, regular, lone)


def _find_rare(block: bytes, byte: bytes) -> I64:
    """Return where a byte occurs that hardly ever does."""
    found: list[int] = []
    at = block.find(byte)
    while at >= 0 and len(found) < _RARE:
        found.append(at)
        at = block.find(byte, at + 1)
    if at < 0:
        return np.array(found, np.int64)
    return np.flatnonzero(np.frombuffer(block, np.uint8) == ord(byte))


def _find_marks(buf: U8, stop: int) -> tuple[U8, I64, int]:
    """Return which bytes are marked, where line ends (from one ahead of the block on) and backslashes are, and how
    many CR there are.
    """
    marked = np.zeros(len(buf) // 8 + 8, np.uint8)
    found = [np.array([MARGIN_BYTES - 1])]
    carriage_returns = 0
    for offset in range(MARGIN_BYTES, stop, _STRETCH_BYTES):
        part = buf[offset : min(offset + _STRETCH_BYTES, stop)]
        some = part - np.uint8(ord("0")) > MOST_ABOVE_0
        slash = part == TAG
        some |= slash
        bits = np.packbits(some, bitorder="little")
        marked[offset // 8 : offset // 8 + len(bits)] = bits
        slash |= part == LF
        at = np.flatnonzero(slash)
        at += offset
        found.append(at)
        carriage_returns += int(np.count_nonzero(part == CR))
    return marked, np.concatenate(found), carriage_returns


def _adds_up(buf: U8, start: I64, sentence: I64, end: I64, stop: I64, crlf: Bools, tagged: Bools) -> Bools:
    """Return where a sentence starts and its checksum, and its TAG block's, are what their digits say."""
    if not len(start):
        return np.zeros(0, np.bool_)
    four = words_of(buf, 4)
    beginning = four[sentence - 3]  # what may be the digits and the end of a TAG block, and the first byte
    first = (beginning >> 24).astype(np.uint8)
    holds = (first == DOLLAR) | (first == BANG)
    if tagged.any():
        # Stretches from line start to sentence to next line start; what is no sum in them is known.
        edges = np.empty(2 * len(start) + 1, np.int64)
        edges[:-1:2], edges[1::2], edges[-1] = start, sentence, stop[-1] + 1
        sums = np.bitwise_xor.reduceat(buf, edges)
        tag, text = sums[:-1:2], sums[1::2]
        holds &= ~tagged | ((tag ^ STAR) == _OWED[beginning.astype(np.uint16)])
    else:
        text = np.bitwise_xor.reduceat(buf, np.append(start, stop[-1] + 1))[:-1]
    ending = four[end]
    holds &= ending.astype(np.uint8) == STAR
    ending >>= 8
    text = text ^ first
    text ^= crlf * CR
    text ^= STAR ^ LF
    found: Bools = holds & (text == _OWED[ending.astype(np.uint16)])
    return found


class Group(NamedTuple):
    """Lines of one shape."""

    rows: I64
    """(m,) which lines, ascending."""
    length: int
    """How long each is, with its LF."""


def group_by_shape(lines: Lines, fewest: int) -> list[Group]:
    """Return the regular lines of each shape that at least `fewest` of them have.

    Of two shapes that differ in letters alone each comes by itself if those of their addresses do; otherwise they
    come together, and hardly ever (once in 2**64 pairs of lines) so do others.
    """
    rows = np.flatnonzero(lines.regular)
    if len(rows) < fewest:
        return []
    start = lines.start[rows]
    length = lines.stop[rows] - start
    length += 1  # the LF is a mark too: with it, lines of other lengths are of other shapes
    words, byte, bit = words_of(lines.marked, 8), start >> 3, (start & 7).astype(np.uint64)
    marks = (
        words[byte + nth * (_WORD_BITS // 8)] >> bit & first_bits[length]
        for nth, first_bits in enumerate(_FIRST_BITS[: -(-int(length.max()) // _WORD_BITS)])
    )
    address = words_of(lines.buf, 8)[lines.sentence[rows]]
    address &= (address >> _LETTER_BIT & _EACH_BYTE) * np.uint64(0xFF)
    order, edges = sort_alike(chain((address,), marks), fewest)
    return [Group(rows[order[a:b]], int(length[order[a]])) for a, b in edges]


def sort_alike(words: Iterable[npt.NDArray[np.uint64]], fewest: int) -> tuple[I64, list[tuple[int, int]]]:
    """Sort rows of words so that equal ones stand together, each kind in the order given.

    Rows that are not equal may still come together, once in 2**64 pairs; the caller compares.

    Args:
        words: The first word of all rows, then the second of all, and so on; each is (n,).
        fewest: Kinds of fewer rows are left out.

    Returns:
        Row numbers, and the stretch of them that each kind takes.
    """
    mixed = np.zeros(1, np.uint64)
    for nth, word in enumerate(words):
        mixed = (mixed ^ mixed >> np.uint64(29)) + word
        mixed *= np.uint64(_ODD[nth % len(_ODD)])
    coded = pa.Array.from_buffers(pa.uint64(), len(mixed), [None, pa.py_buffer(mixed)]).dictionary_encode()
    code = np.frombuffer(coded.indices.buffers()[1], np.int32, len(mixed))
    count = np.bincount(code)
    frequent = np.flatnonzero(count >= fewest)
    # Rare kinds come last, as one. Sixteen bits are sorted by radix.
    place = np.full(len(count), len(frequent), np.uint16 if len(frequent) < 1 << 16 else np.int64)
    place[frequent] = np.arange(len(frequent))
    order = np.argsort(place[code], kind="stable")
    edges = np.concatenate(([0], np.cumsum(count[frequent]))).tolist()
    return order, list(pairwise(edges))
