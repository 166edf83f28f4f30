r"""The regular lines of a block: one sentence, behind at most one TAG block, both with a right checksum.

A recorder and a receiver write the same few kinds of line over and over, so most lines of a log can be told
from where their line end and backslashes are, without looking at what is in them. What is not so plain
(anything cut, glued, escaped or damaged, and the end of a file that has no line end) is left out here and
taken apart by `framing`.

Lines whose separators, points and signs stand in the same places are of one *shape*; they are found together.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.decode.framing import BANG, CR, DOLLAR, HEX_PAIR, I64, LF, STAR, TAG, U8, Bools, byte_pairs

LONGEST_LINE_BYTES = 255
"""Longest line, line end included, that is looked at here; it is below the longest sentence accepted."""
MARGIN_BYTES = 256
_MARGIN = b"\n" * MARGIN_BYTES
_STRETCH_BYTES = 1 << 16
"""So many bytes are searched at once: they stay in the processor's cache."""
_STRETCH_LINES = 1 << 13
_RARE = 1 << 10
"""So many bytes of a kind in a block are found faster one by one."""
_WORD_BITS = 64
# What the byte pair of a checksum must make of all bytes from the first summed one to the second digit.
_OWED = np.where(HEX_PAIR >= 0, HEX_PAIR ^ (np.arange(1 << 16) & 0xFF) ^ (np.arange(1 << 16) >> 8), -1).astype(np.int16)
_ODD = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93)
"""Odd multipliers that mix the words of a shape (any will do: what they put together is compared in full)."""
_FIRST_BITS = np.packbits(
    np.arange(LONGEST_LINE_BYTES + 1) < np.arange(1, LONGEST_LINE_BYTES + 2)[:, None], axis=1, bitorder="little"
).view("<u8")
"""(lines' lengths, 4) bits 0 to n, in 64-bit words."""


class Lines(NamedTuple):
    """The lines of a block that end in LF; each field is an array (n,) where nothing else is said."""

    buf: U8
    """(b,) the block between margins; every position below counts in it."""
    marked: U8
    """(b,) 1 where a byte is below "0", above "~" or a backslash: separators, points, signs, control bytes."""
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
    marked, mark = _find_marks(buf, MARGIN_BYTES + len(block))
    nth_end = np.flatnonzero(buf[mark] == LF)
    between = np.diff(nth_end)
    before, stop = mark[nth_end[:-1]], mark[nth_end[1:]]
    start = before + 1
    second = mark[np.minimum(nth_end[:-1] + 2, len(mark) - 1)]
    tagged = (between == 3) & (buf[start] == TAG)
    sentence = np.where(tagged, second + 1, start)
    first = buf[sentence]
    crlf = buf[stop - 1] == CR
    end = stop - 3 - crlf
    regular = tagged | (between == 1)
    regular &= ((first == DOLLAR) | (first == BANG)) & (buf[end] == STAR)
    regular &= (end > sentence + 1) & (stop - start < LONGEST_LINE_BYTES)
    regular &= _adds_up(buf, start, sentence, end, stop, crlf, tagged)
    caret = _find_rare(block, b"^")  # an escape in a journal, to be undone first
    if len(caret) and len(stop):
        regular[np.minimum(np.searchsorted(stop, caret + MARGIN_BYTES), len(stop) - 1)] = False
    lone = np.zeros(0, np.int64)
    if np.count_nonzero(buf == CR) > np.count_nonzero(crlf):
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


def _find_marks(buf: U8, stop: int) -> tuple[U8, I64]:
    """Return which bytes are marked, and where line ends and backslashes are: from one ahead of the block on."""
    marked = np.ones(len(buf), np.bool_)
    found = [np.array([MARGIN_BYTES - 1])]
    for offset in range(MARGIN_BYTES, stop, _STRETCH_BYTES):
        end = min(offset + _STRETCH_BYTES, stop)
        part, some = buf[offset:end], marked[offset:end]
        np.greater(part - np.uint8(ord("0")), ord("~") - ord("0"), out=some)
        slash = part == TAG
        some |= slash
        slash |= part == LF
        at = np.flatnonzero(slash)
        at += offset
        found.append(at)
    return marked.view(np.uint8), np.concatenate(found)


def _adds_up(buf: U8, start: I64, sentence: I64, end: I64, stop: I64, crlf: Bools, tagged: Bools) -> Bools:
    """Return where the checksums of TAG block and sentence are what their digits say."""
    if not len(start):
        return np.zeros(0, np.bool_)
    pairs = byte_pairs(buf)
    if tagged.any():
        # Stretches from line start to sentence to next line start; what is no sum in them is known.
        edges = np.empty(2 * len(start) + 1, np.int64)
        edges[:-1:2], edges[1::2], edges[-1] = start, sentence, stop[-1] + 1
        sums = np.bitwise_xor.reduceat(buf, edges)
        tag, text = sums[:-1:2], sums[1::2]
        tag_owed = _OWED[pairs[sentence - 3]]
        holds = ~tagged | ((tag ^ STAR) == tag_owed)
    else:
        text = np.bitwise_xor.reduceat(buf, np.append(start, stop[-1] + 1))[:-1]
        holds = np.ones(len(start), np.bool_)
    text = text ^ buf[sentence] ^ (STAR ^ LF) ^ crlf * CR
    found: Bools = holds & (text == _OWED[pairs[end + 1]])
    return found


class Group(NamedTuple):
    """Lines of one shape."""

    rows: I64
    """(m,) which lines, ascending."""
    length: int
    """How long each is, LF left out."""


def group_by_shape(lines: Lines, fewest: int) -> list[Group]:
    """Return the regular lines of each shape that at least `fewest` of them have."""
    rows = np.flatnonzero(lines.regular)
    if len(rows) < fewest:
        return []
    start, length = lines.start[rows], lines.stop[rows] - lines.start[rows]
    words = -(-(int(length.max()) + 1) // _WORD_BITS)
    windows = _windows(lines.marked, words * _WORD_BITS)
    key = np.empty((len(rows), words), np.uint64)
    for offset in range(0, len(rows), _STRETCH_LINES):
        part = slice(offset, offset + _STRETCH_LINES)
        bits = np.packbits(windows[start[part]].view(np.uint8), bitorder="little").view("<u8").reshape(-1, words)
        key[part] = bits & _FIRST_BITS[length[part], :words]
    order, edges = sort_alike(key, fewest)
    groups = []
    for a, b in edges:
        members = order[a:b]
        same = key[members] == key[members[0]]
        if not same.all():
            members = members[same.all(axis=1)]
        groups.append(Group(rows[members], int(length[members[0]])))
    return groups


def sort_alike(words: npt.NDArray[np.uint64], fewest: int) -> tuple[I64, list[tuple[int, int]]]:
    """Sort rows of words so that equal ones stand together, each kind in the order given.

    Rows that are not equal may still come together, once in 2**64 pairs; the caller compares.

    Args:
        words: (n, w) rows.
        fewest: Kinds of fewer rows are left out.

    Returns:
        Row numbers, and the stretch of them that each kind takes.
    """
    mixed = words[:, 0] * np.uint64(_ODD[0])
    for nth in range(1, words.shape[1]):
        mixed ^= mixed >> np.uint64(29)
        mixed += words[:, nth]
        mixed *= np.uint64(_ODD[nth % len(_ODD)])
    coded = pa.Array.from_buffers(pa.uint64(), len(mixed), [None, pa.py_buffer(mixed)]).dictionary_encode()
    code = np.frombuffer(coded.indices.buffers()[1], np.int32, len(mixed))
    count = np.bincount(code)
    frequent = count >= fewest
    rows = np.arange(len(mixed))
    if not frequent.all():
        rows = np.flatnonzero(frequent[code])
        code = (np.cumsum(frequent, dtype=np.int32) - 1)[code[rows]]
        count = count[frequent]
    if len(count) < 1 << 16:
        code = code.astype(np.uint16)  # sixteen bits are sorted by radix
    order = rows[np.argsort(code, kind="stable")]
    edges = np.concatenate(([0], np.cumsum(count))).tolist()
    return order, list(pairwise(edges))


def read_windows(buf: U8, start: I64, width: int) -> U8:
    """Return the bytes from each position on, as (n, width)."""
    return _windows(buf, width)[start].view(np.uint8).reshape(-1, width)


def _windows(buf: U8, width: int) -> npt.NDArray[np.void]:
    return np.ndarray((len(buf) - width + 1,), f"V{width}", buffer=buf, strides=(1,))
