"""Lines that repeat a template to columns: the second, fast reader of NMEA 0183 sentences.

It exists for speed alone: most lines of a log repeat a few templates, and reading those together halves the time of
`process` on a long log (measured: 4.1 s against 7.4 s for eight hours). Three steps:

1. `find_lines` finds the *plain* lines of a block: one sentence behind at most one TAG block, checksums right.
2. `group_by_template` puts lines together whose separators, points and signs stand in the same places.
3. `compile_line` makes a template of the first line of a group: which byte must stand in each column, how far a digit
   may go, and the weights that turn the digits of all fields into numbers in one matrix product.

Accepted here is only what `general` would decode without a fault, to the same bits. Every other line is left to
`general`, which says what is wrong with it.
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
from trialcapture.decode.nmea0183.fields import EXACT_DIGITS, F64, FieldColumn, FieldTemplate, weigh_digits
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
from trialcapture.decode.nmea0183.general import ColumnBatch, Names
from trialcapture.decode.nmea0183.sentences import (
    GROUP_FIELDS,
    LAYOUTS,
    SEMANTICS,
    TRANSDUCER_VALUE,
    Columns,
    Transducer,
    is_wanted,
)

# The plain lines of a block. Their checksums and line ends tell them from all others without a look at the fields;
# what is cut, glued, escaped or damaged, and a last line without a line end, is left to `framing`.

LONGEST_LINE_BYTES = 255
"""Longest line, line end included, that is read here: below the longest sentence accepted, and a column number fits
into a byte (our choice)."""
MARGIN_BYTES = 256
"""Bytes before and after a block, so that no read at its edge leaves the buffer: one more than the longest line."""
_MARGIN = b"\n" * MARGIN_BYTES
_STRETCH_BYTES = 1 << 17
"""Bytes searched at once, so that they stay in the processor's cache; a multiple of eight (our choice)."""
_RARE = 1 << 10
"""Up to so many bytes of one kind are found one by one, which is faster than a search of all (our choice)."""
MOST_ABOVE_0 = ord("~") - ord("0")
"""Largest (byte - "0") of a byte that is not marked."""
# For each pair of checksum digits, the XOR of all bytes from the first summed one to the second digit.
_PAIR = np.arange(1 << 16, dtype=np.uint16)
_OWED = np.where(HEX_PAIR >= 0, HEX_PAIR ^ (_PAIR & 0xFF ^ _PAIR >> 8).astype(np.int16), np.int16(-1))
_ODD = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93)
"""Odd multipliers of a hash over words (our choice; lines of one hash are compared byte by byte afterwards)."""
_LETTER_BIT, _EACH_BYTE = np.uint64(6), np.uint64(0x0101010101010101)
"""The bit that letters have and digits and marks do not."""
_WORD_BITS = 56
"""Bits of a 64-bit word that remain whichever bit of its first byte reading begins at."""
_IN_WORD = np.clip(
    np.arange(LONGEST_LINE_BYTES + 1) - np.arange(0, LONGEST_LINE_BYTES, _WORD_BITS)[:, None], 0, _WORD_BITS
)
_FIRST_BITS = (np.uint64(1) << _IN_WORD.astype(np.uint64)) - np.uint64(1)
"""(words, lengths) masks of the first `length` bits, word by word."""


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
    plain: Bools
    """True for a sentence behind at most one TAG block, both with a right checksum."""
    lone_cr: I64
    """(k,) where a CR ends a line by itself."""


def find_lines(block: bytes) -> Lines:
    """Find the lines of a block, and which are plain."""
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
    plain = tagged | (between == 1)
    plain &= end > sentence + 1
    plain &= stop - start < LONGEST_LINE_BYTES
    plain &= _adds_up(buf, start, sentence, end, stop, crlf, tagged)
    caret = _find_rare(block, b"^")  # an escape in a journal, to be undone first
    if len(caret) and len(stop):
        plain[np.minimum(np.searchsorted(stop, caret + MARGIN_BYTES), len(stop) - 1)] = False
    lone = np.zeros(0, np.int64)
    if carriage_returns > np.count_nonzero(crlf):
        lone = np.flatnonzero(buf == CR)
        lone = lone[buf[lone + 1] != LF]
    return Lines(buf, marked, start, stop, sentence, plain, lone)


def _find_rare(block: bytes, byte: bytes) -> I64:
    """Return where a rare byte occurs."""
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
        stretch = buf[offset : min(offset + _STRETCH_BYTES, stop)]
        some = stretch - np.uint8(ord("0")) > MOST_ABOVE_0
        slash = stretch == TAG
        some |= slash
        bits = np.packbits(some, bitorder="little")
        marked[offset // 8 : offset // 8 + len(bits)] = bits
        slash |= stretch == LF
        at = np.flatnonzero(slash)
        at += offset
        found.append(at)
        carriage_returns += int(np.count_nonzero(stretch == CR))
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


class LineGroup(NamedTuple):
    """Lines whose separators, points and signs stand in the same places."""

    rows: I64
    """(m,) which lines, ascending."""
    length: int
    """How long each is, with its LF."""


def group_by_template(lines: Lines, fewest: int) -> list[LineGroup]:
    """Return groups of at least `fewest` plain lines with equal separators and equal letters in the address.

    Lines of one group may differ in other letters, and once in 2**64 pairs in their separators; the reader compares.
    """
    rows = np.flatnonzero(lines.plain)
    if len(rows) < fewest:
        return []
    start = lines.start[rows]
    length = lines.stop[rows] - start
    length += 1  # the LF is marked too, so that lines of other lengths form other groups
    words, byte, bit = words_of(lines.marked, 8), start >> 3, (start & 7).astype(np.uint64)
    marks = (
        words[byte + nth * (_WORD_BITS // 8)] >> bit & first_bits[length]
        for nth, first_bits in enumerate(_FIRST_BITS[: -(-int(length.max()) // _WORD_BITS)])
    )
    address = words_of(lines.buf, 8)[lines.sentence[rows]]
    address &= (address >> _LETTER_BIT & _EACH_BYTE) * np.uint64(0xFF)
    order, edges = sort_alike(chain((address,), marks), fewest)
    return [LineGroup(rows[order[a:b]], int(length[order[a]])) for a, b in edges]


def sort_alike(words: Iterable[npt.NDArray[np.uint64]], fewest: int) -> tuple[I64, list[tuple[int, int]]]:
    """Sort rows by a hash of their words, stably, so that equal rows stand together.

    Unequal rows share a hash once in 2**64 pairs; the caller compares.

    Args:
        words: The first word of all rows, then the second of all, and so on; each is (n,).
        fewest: Smaller groups are left out.

    Returns:
        Row numbers, and the range of them that each group takes.
    """
    mixed = np.zeros(1, np.uint64)
    for nth, word in enumerate(words):
        mixed = (mixed ^ mixed >> np.uint64(29)) + word
        mixed *= np.uint64(_ODD[nth % len(_ODD)])
    coded = pa.Array.from_buffers(pa.uint64(), len(mixed), [None, pa.py_buffer(mixed)]).dictionary_encode()
    code = np.frombuffer(coded.indices.buffers()[1], np.int32, len(mixed))
    count = np.bincount(code)
    frequent = np.flatnonzero(count >= fewest)
    # Small groups come last, as one. Sixteen bits are sorted by radix.
    place = np.full(len(count), len(frequent), np.uint16 if len(frequent) < 1 << 16 else np.int64)
    place[frequent] = np.arange(len(frequent))
    order = np.argsort(place[code], kind="stable")
    edges = np.concatenate(([0], np.cumsum(count[frequent]))).tolist()
    return order, list(pairwise(edges))


# The template of a line, compiled once from the text of one line with every digit given as ``0``.

ANY_DIGIT_AS_0 = bytes(ord("0") if byte in b"123456789" else byte for byte in range(256))
ZERO = ord("0")

ANY = MOST_ABOVE_0
"""Largest offset of a column in which any byte may stand that is not marked."""
_DIGIT = 9
"""Largest offset of a digit."""
_SOURCE = re.compile(rb"[0-9A-Za-z_.:;/+@#()& -]{1,64}")
_ADDRESS = re.compile(rb"\$[A-Z0]+|![A-Z0]{5}")
_FIELDS = re.compile(rb"[ \"#%-)+-\[\]-~]*")
"""Printable text without the bytes that start or end something."""
_LONGEST_NAME = 90
"""Longest name of a transducer [bytes]; longer ones, which no sentence of 82 holds, are left (our choice)."""
_OF_TAG = 2
"""Numbers that come from the TAG block: wall clock and relative time."""
MS_DIGITS, _S_DIGITS = 13, 10
"""Digits of a Unix time in ms and in s, from 2001 to 2286."""

Span = tuple[int, int]


class LineTemplate(NamedTuple):
    """How the lines of one template are read; the arrays over columns are (c,), as long as a line with its LF."""

    formatter: str
    """Three letters, "" where the sentence is only to be counted."""
    fields: int
    """How many fields it has."""
    literal: U8
    """1 where the byte is the same in every line."""
    zero: U8
    """0 where the byte is the same in every line, else "0"."""
    max_offset: U8
    """Largest allowed (byte - template byte), that being the literal one or `zero`; 0 means an exact match."""
    source: Span | None
    """Columns of the source's name; None where the TAG block gives none."""
    address: Span
    """Columns of the sentence's address, ``$`` or ``!`` included."""
    wall_digits: int
    """Digits of the wall clock, 0 where it is not given."""
    mono: bool
    """Whether a relative time is given."""
    digits: slice
    """Columns from the first digit of a number to the last."""
    weights: F64
    """(2 + numbers, columns) weights of those digits in the wall clock [ms], the relative time [µs] and each number of
    each field; in column-major order, which halves the time of the product (measured)."""
    scales: F64
    """(numbers, 1) divisor of each number of a field."""
    present: tuple[bool, ...]
    """For each field, True where it is not blank."""
    fixed: tuple[bytes, ...]
    """For each field of letters, its text."""
    groups: tuple[tuple[Span, Span, Span], ...]
    """Columns of type, unit and name in each group of four fields of an XDR sentence."""


class _LineCompiler:
    """Collects the columns of a template from left to right, with the weights of the digits in them."""

    def __init__(self) -> None:
        self.max_offsets = bytearray()
        self.terms: list[tuple[int, tuple[float, ...], float]] = []

    def add(self, max_offsets: bytes) -> Span:
        self.max_offsets += max_offsets
        return len(self.max_offsets) - len(max_offsets), len(self.max_offsets)

    def add_number(self, weights: tuple[float, ...], scale: float = 1.0) -> None:
        self.terms.append((len(self.max_offsets), weights, scale))

    def add_template(self, template: FieldTemplate) -> Span:
        for weights, scale in zip(template.weights, template.scales, strict=True):
            self.add_number(weights, scale)
        return self.add(template.max_offsets)

    def product(self) -> tuple[slice, F64]:
        """Return the columns from the first weighted digit to the last, and the weights of those columns."""
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
def compile_line(tag: bytes, sentence: bytes, ending: int) -> LineTemplate | None:
    """Return the template of a line, or None where lines like it must be read by `general`.

    Args:
        tag: Its TAG block, or nothing; up to the ``*``, every digit given as 0.
        sentence: Its sentence up to the ``*``, given likewise.
        ending: How many bytes follow that ``*``: three, or four with a CR.
    """
    line = _LineCompiler()
    head = _compile_tag(line, tag)
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
        found = _compile_xdr(line, fields)
        if found is None:
            return None
        groups, present = found
    elif is_ours and formatter in LAYOUTS:
        templates = _compile_fields(line, formatter, fields)
        if templates is None:
            return None
        present = tuple(bool(template.max_offsets) for template in templates)
        fixed = tuple(template.fixed for template in templates)
    else:
        formatter = ""
        line.add(bytes([0, *(ANY * (byte >= ZERO) for byte in text)]))
    line.add(bytes((0, ANY, ANY, 0, 0)[: 1 + ending]))

    max_offset = np.frombuffer(bytes(line.max_offsets), np.uint8)
    digits, weights = line.product()
    scales = np.array([scale for _, _, scale in line.terms[_OF_TAG:]]).reshape(-1, 1)
    return LineTemplate(
        formatter, len(fields), (max_offset == 0).view(np.uint8), (max_offset > 0) * np.uint8(ZERO), max_offset,
        source, where, wall_digits, mono, digits, weights, scales, present, fixed, groups,
    )  # fmt: skip


def _compile_tag(line: _LineCompiler, tag: bytes) -> tuple[Span | None, int, bool] | None:
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
            terms[key] = len(line.max_offsets), tuple(weight * in_ms for weight in weights), 1.0
        elif key == b"r:":
            mono = value
            terms[key] = len(line.max_offsets), weights, 1.0
        else:
            return None
        line.add(bytes([_DIGIT] * len(value)))
    line.terms += [terms.get(key, (0, (), 1.0)) for key in (b"c:", b"r:")]
    line.add(bytes((0, ANY, ANY, 0)))
    return source, len(wall), bool(mono)


def _compile_fields(line: _LineCompiler, formatter: str, fields: list[bytes]) -> list[FieldTemplate] | None:
    layout = LAYOUTS[formatter].get(len(fields))
    if layout is None:
        return None
    templates = []
    for reader, text in zip(layout.values(), fields, strict=True):
        template = reader.compile(text)
        if template is None:
            return None
        line.add(bytes(1))  # the comma before it
        line.add_template(template)
        templates.append(template)
    return templates


def _compile_xdr(
    line: _LineCompiler, fields: list[bytes]
) -> tuple[tuple[tuple[Span, Span, Span], ...], tuple[bool, ...]] | None:
    """Add the groups of an XDR sentence; return the columns of their letters and names, and which have a value."""
    if len(fields) % GROUP_FIELDS:
        return None
    groups, present = [], []
    for nth in range(0, len(fields), GROUP_FIELDS):
        kind, value, unit, name = fields[nth : nth + GROUP_FIELDS]
        template = TRANSDUCER_VALUE.compile(value)
        if template is None or len(kind) > 1 or len(unit) > 1 or len(name) > _LONGEST_NAME:
            return None
        columns = []
        for text in (kind, None, unit, name):
            line.add(bytes(1))
            columns.append(line.add_template(template) if text is None else line.add(bytes(len(text))))
        groups.append((columns[0], columns[2], columns[3]))
        present.append(bool(value))
    return tuple(groups), tuple(present)


FEWEST_ALIKE = 3
"""Smaller groups are left to `general`: a template costs about as much as reading three lines there (our choice)."""
_MOST_AT_ONCE = 4096
"""Lines read at once, so that they stay in the processor's cache (our choice)."""
_SMALL_PRODUCT = 250_000
"""Multiplications in one matrix product: below 4 x 65 536 OpenBLAS starts no threads, which would cost more than the
work does (its source, from memory)."""
_MOST_TRIES = 8
"""Templates tried for one group, whose lines may still differ in their letters (our choice)."""


Key = tuple[str, str, str]
"""Source, talker and formatter."""


class TemplatedRows(NamedTuple):
    """What the templated lines of a block gave."""

    batches: dict[str, list[ColumnBatch]]
    """By formatter, in any order of lines."""
    good: Counter[Key]
    """Sentences decoded."""
    not_decoded: Counter[Key]
    """Sound sentences of types that are not decoded."""
    done: Bools
    """(lines,) True for lines that are decoded or counted."""


class _Batch(NamedTuple):
    """Lines read by one template, and their numbers."""

    template: LineTemplate
    rows: I64
    numbers: F64
    """(2 + k, n) wall clock, relative time, and the numbers of the fields."""
    text: bytes
    """The first line."""
    source: int
    talker: int
    key: tuple[str, str, str]


class _Reader:
    """Reads the lines of a block group by group."""

    def __init__(self, lines: Lines, file_line: I64, sources: Names, talkers: Names, source: str) -> None:
        self.lines, self.file_line, self.sources, self.talkers, self.source = lines, file_line, sources, talkers, source
        self.batches: defaultdict[tuple[str, int], list[_Batch]] = defaultdict(list)
        self.not_decoded: Counter[Key] = Counter()
        self.done = np.zeros(len(lines.start), np.bool_)

    def read(self, rows: I64, length: int, split: bool = True) -> None:
        """Read the lines of one group, template by template, until few are left.

        Args:
            rows: The lines, ascending.
            length: How long each is.
            split: Those that differ from the first in their letters may be grouped by them.
        """
        for _ in range(_MOST_TRIES):
            if len(rows) < FEWEST_ALIKE:
                return
            window = read_windows(self.lines.buf, self.lines.start[rows], length)
            text = window[0].tobytes()
            template = self._compile_first(text, int(self.lines.sentence[rows[0]] - self.lines.start[rows[0]]))
            if template is None:
                rows = rows[1:]
                continue
            above = window - (window[0] * template.literal + template.zero)
            fits = above <= template.max_offset
            if fits.all():
                self._take(template, rows, above, text)
                return
            fits = fits.all(axis=1)
            self._take(template, rows[fits], above[fits], text)
            fits[0] = True  # it was tried, even where it does not fit its own template
            left = ~fits
            if split and left.sum() >= FEWEST_ALIKE:
                for members in _sort_by_letters(window[left] * (template.max_offset < ANY)):
                    self.read(rows[left][members], length, split=False)
                return
            rows = rows[left]

    @staticmethod
    def _compile_first(text: bytes, sentence: int) -> LineTemplate | None:
        ending = 4 if text.endswith(b"\r\n") else 3
        tag_star, star = sentence - 4, len(text) - ending - 1
        if (sentence and text[tag_star] != STAR) or text[-1] != LF:
            return None
        plain = text.translate(ANY_DIGIT_AS_0)
        return compile_line(plain[: max(tag_star, 0)], plain[sentence:star], ending)

    def _take(self, template: LineTemplate, rows: I64, above: U8, text: bytes) -> None:
        """Turn the digits of lines that fit a template into numbers."""
        if not len(rows):
            return
        numbers = _multiply(template.weights, above[:, template.digits])
        if template.wall_digits == MS_DIGITS and numbers[0].min() < FIRST_MS:
            later = numbers[0] >= FIRST_MS
            self._take(template, rows[later], above[later], text)
            return
        source = text[slice(*template.source)].decode() if template.source else self.source
        talker, formatter, _ = split_address(text[slice(*template.address)].decode())
        key = (source, talker, formatter)
        line = int(self.file_line[rows[0]])
        codes = self.sources.code(source, line), self.talkers.code(talker, line)
        self.done[rows] = True
        if not template.formatter:
            self.not_decoded[key] += len(rows)
            return
        numbers[2:] /= template.scales
        self.batches[template.formatter, template.fields].append(_Batch(template, rows, numbers, text, *codes, key))


def decode_templated(
    lines: Lines, file_line: I64, *, source: str, sources: Names, talkers: Names, xdr_names: Names,
    wanted: tuple[Transducer, ...],
) -> TemplatedRows:  # fmt: skip
    """Decode the plain lines of a block that repeat a template.

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
    for group in group_by_template(lines, FEWEST_ALIKE):
        for offset in range(0, len(group.rows), _MOST_AT_ONCE):
            reader.read(group.rows[offset : offset + _MOST_AT_ONCE], group.length)
    found: defaultdict[str, list[ColumnBatch]] = defaultdict(list)
    good: Counter[Key] = Counter()
    for (formatter, fields), batches in reader.batches.items():
        if formatter == "XDR":
            found[formatter] += _join_xdr(batches, reader, xdr_names, wanted, good)
        else:
            found[formatter].append(_join_fields(batches, reader, formatter, fields, good))
    return TemplatedRows(found, good, reader.not_decoded, reader.done)


def _multiply(weights: F64, digits: U8) -> F64:
    """Return ``weights`` (k, c) times ``digits`` (n, c) transposed; shape (k, n).

    Every product and sum is a whole number that a float holds exactly, so the order of summation does not matter.
    """
    numbers = np.empty((len(weights), len(digits)))
    size = max(_SMALL_PRODUCT // max(weights.size, 1), 1)
    for offset in range(0, len(digits), size):
        rows = slice(offset, offset + size)
        np.matmul(weights, digits[rows].astype(np.float64).T, out=numbers[:, rows])
    return numbers


def _sort_by_letters(window: U8) -> list[I64]:
    """Return which rows have the same letters in the same places."""
    letters = np.zeros((len(window), -(-window.shape[1] // 8) * 8), np.uint8)
    np.multiply(window, window >= ord("A"), out=letters[:, : window.shape[1]])
    order, edges = sort_alike(letters.view(np.uint64).T, FEWEST_ALIKE)
    return [np.sort(order[a:b]) for a, b in edges]


def _join_fields(
    batches: list[_Batch], reader: _Reader, formatter: str, fields: int, good: Counter[Key]
) -> ColumnBatch:
    """Return the columns of one variant of a sentence; lines with a value out of range are left to `general`."""
    numbers = np.concatenate([batch.numbers for batch in batches], axis=1)
    sizes = [len(batch.rows) for batch in batches]
    found: Columns = {}
    wrong: list[Bools] = []
    at = 2
    for nth, (name, field) in enumerate(LAYOUTS[formatter][fields].items()):
        present = _repeat([batch.template.present[nth] for batch in batches], sizes, np.bool_)
        read = numbers[at : at + field.numbers]
        if not field.numbers:
            read = _repeat_texts([batch.template.fixed[nth] for batch in batches], sizes)
        found[name], bad = field.to_column(read, present)
        at += field.numbers
        if bad is not None:
            wrong.append(bad)
    columns, faults = SEMANTICS[formatter](found)
    wrong += [bad for bad in faults.values() if bad.any()]
    rows = np.concatenate([batch.rows for batch in batches])
    joined = ColumnBatch(reader.file_line[rows], {**_prefix(batches, sizes, numbers), **columns})
    sound = ~np.logical_or.reduce(wrong) if wrong else None
    _mark_done(batches, sound, reader, good)
    return joined if sound is None else _select(joined, sound)


def _join_xdr(
    batches: list[_Batch], reader: _Reader, names: Names, wanted: tuple[Transducer, ...], good: Counter[Key]
) -> list[ColumnBatch]:
    """Return the columns of XDR sentences, a batch for each group of four fields in each template."""
    joined: list[ColumnBatch] = []
    for batch in batches:
        count = len(batch.rows)
        line, given = reader.file_line[batch.rows], np.ones(count, np.bool_)
        found: list[ColumnBatch] = []
        wrong: list[Bools] = []
        for nth, spans in enumerate(batch.template.groups):
            kind, unit, name = (batch.text[slice(*span)] for span in spans)
            present = given & batch.template.present[nth]
            value, bad = TRANSDUCER_VALUE.to_column(batch.numbers[2 + nth : 3 + nth], present)
            if bad is not None:
                wrong.append(bad)
            if not is_wanted(wanted, *(text.decode() for text in (kind, unit, name))):
                continue
            code = names.code(name.decode(), int(line[0]))
            columns = {
                "type": FieldColumn(_repeat_texts([kind], [count]).view(np.uint8), given & bool(kind)),
                "value": value,
                "unit": FieldColumn(_repeat_texts([unit], [count]).view(np.uint8), given & bool(unit)),
                "name": FieldColumn(np.full(count, code, np.int32), given & bool(name)),
            }
            found.append(ColumnBatch(line, {**_prefix([batch], [count], batch.numbers), **columns}))
        sound = ~np.logical_or.reduce(wrong) if wrong else None
        _mark_done([batch], sound, reader, good)
        joined += found if sound is None else [_select(part, sound) for part in found]
    return joined


def _mark_done(batches: list[_Batch], sound: Bools | None, reader: _Reader, good: Counter[Key]) -> None:
    """Count the sound sentences, and leave the lines of the others to `general`."""
    at = 0
    for batch in batches:
        count = len(batch.rows)
        if sound is None:
            good[batch.key] += count
        else:
            here = sound[at : at + count]
            good[batch.key] += int(np.count_nonzero(here))
            reader.done[batch.rows[~here]] = False
        at += count


def _select(batch: ColumnBatch, kept: Bools) -> ColumnBatch:
    columns = {name: FieldColumn(column.values[kept], column.present[kept]) for name, column in batch.columns.items()}
    return ColumnBatch(batch.line[kept], columns)


def _prefix(batches: list[_Batch], sizes: list[int], numbers: F64) -> Columns:
    """Return the columns that follow ``line`` in every table."""
    wall = _repeat([batch.template.wall_digits > 0 for batch in batches], sizes, np.bool_)
    mono = _repeat([batch.template.mono for batch in batches], sizes, np.bool_)
    given = np.ones(len(wall), np.bool_)
    return {
        "mono_ns": FieldColumn(numbers[1].astype(np.int64) * 1000, mono),
        "wall_ms": FieldColumn(numbers[0].astype(np.int64), wall),
        "source": FieldColumn(_repeat([batch.source for batch in batches], sizes, np.int32), given),
        "talker": FieldColumn(_repeat([batch.talker for batch in batches], sizes, np.int32), given),
    }


def _repeat(values: list[Any], sizes: list[int], dtype: type[Any]) -> npt.NDArray[Any]:
    """Return each value repeated by its size."""
    if len(set(values)) == 1:
        return np.full(sum(sizes), values[0], dtype)
    return np.repeat(np.array(values, dtype), sizes)


def _repeat_texts(texts: list[bytes], sizes: list[int]) -> npt.NDArray[np.bytes_]:
    """Return each text repeated by its size."""
    if len(set(texts)) == 1:
        return np.full(sum(sizes), texts[0], f"S{max(len(texts[0]), 1)}")
    return np.repeat(np.array(texts), sizes)
