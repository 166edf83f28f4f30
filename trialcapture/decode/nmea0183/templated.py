"""Templated lines to columns: lines that look alike are read together, all their digits in one matrix product.

This is a second reader of the same sentences, kept for speed alone: most lines of a log repeat a few templates, and
reading those together halves the time of `process` on a long log (measured: 4.1 s against 7.4 s for eight hours).

What is accepted here is what `general` would decode without a fault, to the same bits: lines whose checksums
are right, that have their shape to the letter, and whose values all are such as the quantity can have. A line
that falls short anywhere is left, and `general` says what is wrong with it, if anything is.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from functools import lru_cache
from itertools import chain, pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.decode.byte_columns import read_windows, words_of
from trialcapture.decode.nmea0183.encapsulated import is_encapsulated
from trialcapture.decode.nmea0183.fields import EXACT_DIGITS, F64, Column, Fit, weigh_digits
from trialcapture.decode.nmea0183.framing import (
    BANG,
    CR,
    DOLLAR,
    FIRST_MS,
    HEX_PAIR,
    I64,
    LF,
    STAR,
    TAG,
    U8,
    Bools,
    split_address,
)
from trialcapture.decode.nmea0183.general import Names, Part
from trialcapture.decode.nmea0183.sentences import (
    GROUP_FIELDS,
    LAYOUTS,
    MEANINGS,
    TRANSDUCER_VALUE,
    Columns,
    Transducer,
    is_wanted,
)

# ------------------------------------------------------------------------------
# The regular lines of a block: one sentence, behind at most one TAG block, both with a right checksum.
#
# A recorder and a receiver write the same few kinds of line over and over, so most lines of a log can be told
# from where their line end and backslashes are, without looking at what is in them. What is not so plain
# (anything cut, glued, escaped or damaged, and the end of a file that has no line end) is left out here and
# taken apart by `framing`.
#
# Lines whose separators, points and signs stand in the same places are of one *shape*; they are found together.
# ------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------
# The shape of a line: what must stand where, and what the digits in each place are worth.
#
# A shape is made once from the text of one line with every digit given as ``0``; the lines that have it differ in
# their digits alone. It says for each column which byte must stand there or how far a digit may go, and holds the
# weights that turn digits into the numbers of all fields in one matrix product. Lines of which this cannot be said
# have no shape and are decoded the other way.
# ------------------------------------------------------------------------------

ANY_DIGIT_AS_0 = bytes(ord("0") if byte in b"123456789" else byte for byte in range(256))
ZERO = ord("0")

ANY = MOST_ABOVE_0
"""Cap of a column in which any byte may stand that is not marked."""
_DIGIT = 9
_SOURCE = re.compile(rb"[0-9A-Za-z_.:;/+@#()& -]{1,64}")
_ADDRESS = re.compile(rb"\$[A-Z0]+|![A-Z0]{5}")
_FIELDS = re.compile(rb"[ \"#%-)+-\[\]-~]*")
"""Printable text without the bytes that start or end something."""
_LONGEST_NAME = 90
_OF_TAG = 2
"""So many numbers are of the TAG block."""
MS_DIGITS, _S_DIGITS = 13, 10

Span = tuple[int, int]


class Shape(NamedTuple):
    """How the lines of one shape are read; the arrays over columns are (c,), as long as a line with its LF."""

    formatter: str
    """Three letters, "" where the sentence is only to be counted."""
    fields: int
    """How many fields it has."""
    literal: U8
    """1 where the byte is the same in every line."""
    zero: U8
    """0 where the byte is the same in every line, else "0"."""
    cap: U8
    """How far a byte may lie above the literal one, or above `zero`."""
    source: Span | None
    """Columns of the source's name, if the TAG block gives one."""
    address: Span
    """Columns of the sentence's address, ``$`` or ``!`` included."""
    wall_digits: int
    """How many digits the wall clock has, 0 where it is not given."""
    mono: bool
    """Whether a relative time is given."""
    digits: slice
    """Columns from the first digit that matters to the last."""
    weights: F64
    """(2 + numbers, columns) what they are worth to the wall clock [ms], the relative time [µs] and each number of
    each field; column after column in memory, in which order BLAS takes half the time."""
    scales: F64
    """(numbers, 1) what each number of a field is divided by."""
    present: tuple[bool, ...]
    """For each field, whether it is not blank."""
    fixed: tuple[bytes, ...]
    """For each field, the letters it says, where it says any."""
    groups: tuple[tuple[Span, Span, Span], ...]
    """Columns of type, unit and name in each group of an XDR sentence."""


class _Columns:
    """A line's columns from left to right, with what the digits in them are worth."""

    def __init__(self) -> None:
        self.caps = bytearray()
        self.terms: list[tuple[int, tuple[float, ...], float]] = []

    def add(self, caps: bytes) -> Span:
        self.caps += caps
        return len(self.caps) - len(caps), len(self.caps)

    def add_number(self, weights: tuple[float, ...], scale: float = 1.0) -> None:
        self.terms.append((len(self.caps), weights, scale))

    def add_fit(self, fit: Fit) -> Span:
        for weights, scale in zip(fit.weights, fit.scales, strict=True):
            self.add_number(weights, scale)
        return self.add(fit.caps)

    def product(self) -> tuple[slice, F64]:
        """Return the columns that matter to some numbers, and the weights of those columns."""
        terms = self.terms
        used = [term for term in terms if term[1]]
        first = min((at for at, _, _ in used), default=0)
        last = max((at + len(weights) for at, weights, _ in used), default=0)
        matrix = np.zeros((len(terms), last - first), order="F")
        for row, (at, weights, _) in enumerate(terms):
            if weights:
                matrix[row, at - first : at - first + len(weights)] = weights
        return slice(first, last), matrix


@lru_cache(maxsize=4096)
def find_shape(tag: bytes, sentence: bytes, ending: int) -> Shape | None:
    """Return the shape of a line, or None where its lines are not all read alike.

    Args:
        tag: Its TAG block, or nothing; up to the ``*``, every digit given as 0.
        sentence: Its sentence up to the ``*``, given likewise.
        ending: How many bytes follow that ``*``: three, or four with a CR.
    """
    line = _Columns()
    head = _read_tag(line, tag)
    address, comma, text = sentence.partition(b",")
    if head is None or not comma or _ADDRESS.fullmatch(address) is None or _FIELDS.fullmatch(text) is None:
        return None
    source, wall_digits, mono = head
    talker, formatter, standard = split_address(address.decode())
    if not formatter or is_encapsulated(talker, formatter):
        return None
    is_ours = standard and address[:1] == b"$"
    where = line.add(bytes(len(address)))
    fields = text.split(b",")
    present: tuple[bool, ...] = ()
    fixed: tuple[bytes, ...] = ()
    groups: tuple[tuple[Span, Span, Span], ...] = ()
    if is_ours and formatter == "XDR":
        found = _read_groups(line, fields)
        if found is None:
            return None
        groups, present = found
    elif is_ours and formatter in LAYOUTS:
        fits = _read_fields(line, formatter, fields)
        if fits is None:
            return None
        present, fixed = tuple(bool(fit.caps) for fit in fits), tuple(fit.fixed for fit in fits)
    else:
        formatter = ""
        line.add(bytes([0, *(ANY * (byte >= ZERO) for byte in text)]))
    line.add(bytes((0, ANY, ANY, 0, 0)[: 1 + ending]))

    cap = np.frombuffer(bytes(line.caps), np.uint8)
    digits, weights = line.product()
    scales = np.array([scale for _, _, scale in line.terms[_OF_TAG:]]).reshape(-1, 1)
    return Shape(
        formatter, len(fields), (cap == 0).view(np.uint8), (cap > 0) * np.uint8(ZERO), cap, source, where, wall_digits,
        mono, digits, weights, scales, present, fixed, groups,
    )  # fmt: skip


def _read_tag(line: _Columns, tag: bytes) -> tuple[Span | None, int, bool] | None:
    """Add a TAG block; return its source's columns, the digits of its wall clock and whether it has a time."""
    if not tag:
        line.terms += [(0, (), 1.0)] * _OF_TAG
        return None, 0, False
    source, wall, mono = None, b"", b""
    seen = set()
    if tag[:1] != b"\\":
        return None
    terms = {}
    for field in tag[1:].split(b","):
        key, value = field[:2], field[2:]
        if key in seen:
            return None
        seen.add(key)
        line.add(bytes(3))  # the backslash or comma before it, and its key
        if key == b"s:" and _SOURCE.fullmatch(value):
            source = line.add(bytes(len(value)))
            continue
        if value.strip(b"0") or not 0 < len(value) <= EXACT_DIGITS:
            return None
        weights = weigh_digits(len(value), 0)
        if key == b"c:" and len(value) in (MS_DIGITS, _S_DIGITS):
            wall = value
            in_ms = 1 if len(value) == MS_DIGITS else 1000
            terms[key] = len(line.caps), tuple(weight * in_ms for weight in weights), 1.0
        elif key == b"r:":
            mono = value
            terms[key] = len(line.caps), weights, 1.0
        else:
            return None
        line.add(bytes([_DIGIT] * len(value)))
    line.terms += [terms.get(key, (0, (), 1.0)) for key in (b"c:", b"r:")]
    line.add(bytes((0, ANY, ANY, 0)))
    return source, len(wall), bool(mono)


def _read_fields(line: _Columns, formatter: str, fields: list[bytes]) -> list[Fit] | None:
    layout = LAYOUTS[formatter].get(len(fields))
    if layout is None:
        return None
    fits = []
    for reader, text in zip(layout.values(), fields, strict=True):
        fit = reader.fit(text)
        if fit is None:
            return None
        line.add(bytes(1))  # the comma before it
        line.add_fit(fit)
        fits.append(fit)
    return fits


def _read_groups(
    line: _Columns, fields: list[bytes]
) -> tuple[tuple[tuple[Span, Span, Span], ...], tuple[bool, ...]] | None:
    """Add the groups of an XDR sentence; return the columns of their letters and names, and which have a value."""
    if len(fields) % GROUP_FIELDS:
        return None
    groups, present = [], []
    for nth in range(0, len(fields), GROUP_FIELDS):
        kind, value, unit, name = fields[nth : nth + GROUP_FIELDS]
        fit = TRANSDUCER_VALUE.fit(value)
        if fit is None or len(kind) > 1 or len(unit) > 1 or len(name) > _LONGEST_NAME:
            return None
        columns = []
        for text in (kind, None, unit, name):
            line.add(bytes(1))
            columns.append(line.add_fit(fit) if text is None else line.add(bytes(len(text))))
        groups.append((columns[0], columns[2], columns[3]))
        present.append(bool(value))
    return tuple(groups), tuple(present)


FEWEST_ALIKE = 3
"""Shapes of fewer lines in a block are left: each shape costs about as much as so many lines do."""
_MOST_AT_ONCE = 4096
"""So many lines of one shape stay in the processor's cache."""
_SMALL_PRODUCT = 250_000
"""Multiplications in one matrix product: of so few a BLAS makes no threads, whose start costs more than the work
(OpenBLAS: below 4 x 65 536)."""
_MOST_TRIES = 8
"""Lines of one shape may still differ in their letters; so many sets of letters are tried."""


Key = tuple[str, str, str]
"""Source, talker and formatter."""


class Regular(NamedTuple):
    """What the regular lines of a block gave."""

    parts: dict[str, list[Part]]
    """By formatter, in any order of lines."""
    good: Counter[Key]
    """Sentences decoded."""
    not_decoded: Counter[Key]
    """Sound sentences of types that are not decoded."""
    done: Bools
    """(lines,) which lines are dealt with."""


class _Run(NamedTuple):
    """Lines read by one shape, and their numbers."""

    shape: Shape
    rows: I64
    numbers: F64
    """(2 + k, n) wall clock, relative time, and the numbers of the fields."""
    text: bytes
    """The first line."""
    source: int
    talker: int
    key: tuple[str, str, str]


class _Reader:
    """Reads the lines of a block shape by shape."""

    def __init__(self, lines: Lines, file_line: I64, sources: Names, talkers: Names, source: str) -> None:
        self.lines, self.file_line, self.sources, self.talkers, self.source = lines, file_line, sources, talkers, source
        self.runs: defaultdict[tuple[str, int], list[_Run]] = defaultdict(list)
        self.not_decoded: Counter[Key] = Counter()
        self.done = np.zeros(len(lines.start), np.bool_)

    def read(self, rows: I64, length: int, split: bool = True) -> None:
        """Read lines of one shape, template by template, until few are left.

        Args:
            rows: The lines, ascending.
            length: How long each is.
            split: Whether those that differ from the first in their letters may be sorted by them.
        """
        for _ in range(_MOST_TRIES):
            if len(rows) < FEWEST_ALIKE:
                return
            window = read_windows(self.lines.buf, self.lines.start[rows], length)
            text = window[0].tobytes()
            shape = self._shape_of(text, int(self.lines.sentence[rows[0]] - self.lines.start[rows[0]]))
            if shape is None:
                rows = rows[1:]
                continue
            above = window - (window[0] * shape.literal + shape.zero)
            fits = above <= shape.cap
            if fits.all():
                self._take(shape, rows, above, text)
                return
            fits = fits.all(axis=1)
            self._take(shape, rows[fits], above[fits], text)
            fits[0] = True  # it had its turn, even where it does not fit itself
            left = ~fits
            if split and left.sum() >= FEWEST_ALIKE:
                for members in _sort_by_letters(window[left] * (shape.cap < ANY)):
                    self.read(rows[left][members], length, split=False)
                return
            rows = rows[left]

    @staticmethod
    def _shape_of(text: bytes, sentence: int) -> Shape | None:
        ending = 4 if text.endswith(b"\r\n") else 3
        tag_star, star = sentence - 4, len(text) - ending - 1
        if (sentence and text[tag_star] != STAR) or text[-1] != LF:
            return None
        plain = text.translate(ANY_DIGIT_AS_0)
        return find_shape(plain[: max(tag_star, 0)], plain[sentence:star], ending)

    def _take(self, shape: Shape, rows: I64, above: U8, text: bytes) -> None:
        """Turn the digits of lines that have a shape into numbers."""
        if not len(rows):
            return
        numbers = _multiply(shape.weights, above[:, shape.digits])
        if shape.wall_digits == MS_DIGITS and numbers[0].min() < FIRST_MS:
            later = numbers[0] >= FIRST_MS
            self._take(shape, rows[later], above[later], text)
            return
        source = text[slice(*shape.source)].decode() if shape.source else self.source
        talker, formatter, _ = split_address(text[slice(*shape.address)].decode())
        key = (source, talker, formatter)
        line = int(self.file_line[rows[0]])
        codes = self.sources.code(source, line), self.talkers.code(talker, line)
        self.done[rows] = True
        if not shape.formatter:
            self.not_decoded[key] += len(rows)
            return
        numbers[2:] /= shape.scales
        self.runs[shape.formatter, shape.fields].append(_Run(shape, rows, numbers, text, *codes, key))


def decode_regular(
    lines: Lines, file_line: I64, *, source: str, sources: Names, talkers: Names, xdr_names: Names,
    wanted: tuple[Transducer, ...],
) -> Regular:  # fmt: skip
    """Decode the regular lines of a block, as far as they are like others.

    Args:
        lines: The lines of the block.
        file_line: (lines,) their numbers in the file.
        source: Source name of sentences whose TAG block names none.
        sources: Takes the sources' names.
        talkers: Takes the talkers.
        xdr_names: Takes the names of transducers.
        wanted: Transducers wanted from XDR sentences; empty keeps all.
    """
    reader = _Reader(lines, file_line, sources, talkers, source)
    for group in group_by_shape(lines, FEWEST_ALIKE):
        for offset in range(0, len(group.rows), _MOST_AT_ONCE):
            reader.read(group.rows[offset : offset + _MOST_AT_ONCE], group.length)
    parts: defaultdict[str, list[Part]] = defaultdict(list)
    good: Counter[Key] = Counter()
    for (formatter, fields), runs in reader.runs.items():
        if formatter == "XDR":
            parts[formatter] += _join_groups(runs, reader, xdr_names, wanted, good)
        else:
            parts[formatter].append(_join_runs(runs, reader, formatter, fields, good))
    return Regular(parts, good, reader.not_decoded, reader.done)


def _multiply(weights: F64, digits: U8) -> F64:
    """Return the sums (k, n) of ``digits`` (n, c) by ``weights`` (k, c).

    Every product and sum is a whole number that a float holds exactly, so the order of summation does not matter.
    """
    numbers = np.empty((len(weights), len(digits)))
    size = max(_SMALL_PRODUCT // max(weights.size, 1), 1)
    for offset in range(0, len(digits), size):
        part = slice(offset, offset + size)
        np.matmul(weights, digits[part].astype(np.float64).T, out=numbers[:, part])
    return numbers


def _sort_by_letters(window: U8) -> list[I64]:
    """Return which rows have the same letters in the same places."""
    letters = np.zeros((len(window), -(-window.shape[1] // 8) * 8), np.uint8)
    np.multiply(window, window >= ord("A"), out=letters[:, : window.shape[1]])
    order, edges = sort_alike(letters.view(np.uint64).T, FEWEST_ALIKE)
    return [np.sort(order[a:b]) for a, b in edges]


def _join_runs(runs: list[_Run], reader: _Reader, formatter: str, fields: int, good: Counter[Key]) -> Part:
    """Make columns of one variant of a sentence, and leave the lines in which a value cannot be."""
    numbers = np.concatenate([run.numbers for run in runs], axis=1)
    sizes = [len(run.rows) for run in runs]
    found: Columns = {}
    wrong: list[Bools] = []
    at = 2
    for nth, (name, field) in enumerate(LAYOUTS[formatter][fields].items()):
        present = _repeat([run.shape.present[nth] for run in runs], sizes, np.bool_)
        read = numbers[at : at + field.numbers]
        if not field.numbers:
            read = _repeat_texts([run.shape.fixed[nth] for run in runs], sizes)
        found[name], bad = field.finish(read, present)
        at += field.numbers
        if bad is not None:
            wrong.append(bad)
    columns, faults = MEANINGS[formatter](found)
    wrong += [bad for bad in faults.values() if bad.any()]
    rows = np.concatenate([run.rows for run in runs])
    part = Part(reader.file_line[rows], {**_prefix(runs, sizes, numbers), **columns})
    sound = ~np.logical_or.reduce(wrong) if wrong else None
    _settle(runs, sound, reader, good)
    return part if sound is None else _where(part, sound)


def _join_groups(
    runs: list[_Run], reader: _Reader, names: Names, wanted: tuple[Transducer, ...], good: Counter[Key]
) -> list[Part]:
    """Make columns of XDR sentences: a part for each group of four in each shape."""
    parts = []
    for run in runs:
        count = len(run.rows)
        line, given = reader.file_line[run.rows], np.ones(count, np.bool_)
        found: list[Part] = []
        wrong: list[Bools] = []
        for nth, spans in enumerate(run.shape.groups):
            kind, unit, name = (run.text[slice(*span)] for span in spans)
            present = given & run.shape.present[nth]
            value, bad = TRANSDUCER_VALUE.finish(run.numbers[2 + nth : 3 + nth], present)
            if bad is not None:
                wrong.append(bad)
            if not is_wanted(wanted, *(text.decode() for text in (kind, unit, name))):
                continue
            code = names.code(name.decode(), int(line[0]))
            columns = {
                "type": Column(_repeat_texts([kind], [count]).view(np.uint8), given & bool(kind)),
                "value": value,
                "unit": Column(_repeat_texts([unit], [count]).view(np.uint8), given & bool(unit)),
                "name": Column(np.full(count, code, np.int32), given & bool(name)),
            }
            found.append(Part(line, {**_prefix([run], [count], run.numbers), **columns}))
        sound = ~np.logical_or.reduce(wrong) if wrong else None
        _settle([run], sound, reader, good)
        parts += found if sound is None else [_where(part, sound) for part in found]
    return parts


def _settle(runs: list[_Run], sound: Bools | None, reader: _Reader, good: Counter[Key]) -> None:
    """Count the sound sentences, and give back the lines of the others."""
    at = 0
    for run in runs:
        count = len(run.rows)
        if sound is None:
            good[run.key] += count
        else:
            here = sound[at : at + count]
            good[run.key] += int(np.count_nonzero(here))
            reader.done[run.rows[~here]] = False
        at += count


def _where(part: Part, kept: Bools) -> Part:
    columns = {name: Column(column.values[kept], column.present[kept]) for name, column in part.columns.items()}
    return Part(part.line[kept], columns)


def _prefix(runs: list[_Run], sizes: list[int], numbers: F64) -> Columns:
    """Return the columns every table begins with, behind the line."""
    wall = _repeat([run.shape.wall_digits > 0 for run in runs], sizes, np.bool_)
    mono = _repeat([run.shape.mono for run in runs], sizes, np.bool_)
    given = np.ones(len(wall), np.bool_)
    return {
        "mono_ns": Column(numbers[1].astype(np.int64) * 1000, mono),
        "wall_ms": Column(numbers[0].astype(np.int64), wall),
        "source": Column(_repeat([run.source for run in runs], sizes, np.int32), given),
        "talker": Column(_repeat([run.talker for run in runs], sizes, np.int32), given),
    }


def _repeat(values: list[Any], sizes: list[int], dtype: type[Any]) -> npt.NDArray[Any]:
    """Return each value as often as its size says."""
    if len(set(values)) == 1:
        return np.full(sum(sizes), values[0], dtype)
    return np.repeat(np.array(values, dtype), sizes)


def _repeat_texts(texts: list[bytes], sizes: list[int]) -> npt.NDArray[np.bytes_]:
    """Return each text as often as its size says."""
    if len(set(texts)) == 1:
        return np.full(sum(sizes), texts[0], f"S{max(len(texts[0]), 1)}")
    return np.repeat(np.array(texts), sizes)
