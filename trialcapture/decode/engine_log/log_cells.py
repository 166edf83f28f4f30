"""The cells of an engine log: bytes to lines, lines to the wanted cells, cells to numbers.

Plain numbers are read in columns, all others one by one; what is no whole row is a reject."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.byte_columns import POWER_OF_10, parse_decimals, words_of
from trialcapture.errors import TrialCaptureError

# ------------------------------------------------------------------------------
# A column of numbers that all have as many decimals, as most loggers write them, read without looking for the point.
#
# It builds on the technique of `digits`: eight characters are one word. As the place of the point is known, it is
# checked as one more character, and closed up by what the digits before it are worth instead of by moving them.
# ------------------------------------------------------------------------------

U64 = npt.NDArray[np.uint64]
Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_LONGEST = 8
_TOP = np.uint64(0x8080_8080_8080_8080)
_PAIRS = np.uint64(0x000000FF_000000FF)
_TEN, _ONE_BYTE, _TWO_BYTES, _FOUR_BYTES = (np.uint64(n) for n in (10, 8, 16, 32))
# Keep the last n of eight characters; in a little-endian word the last character is the highest byte.
_KEEP = np.array([(1 << 64) - (1 << 8 * (_LONGEST - n)) for n in range(_LONGEST + 1)], np.uint64)


class _Form(NamedTuple):
    """What the last eight characters of a number are to be, and what they are worth.

    Attributes:
        text: ``0`` for each digit, and the decimal mark.
        past: What lifts a byte to 0x80 and more, once `text` is xored away, if it is no digit or not the mark.
        first_and_third: What the first and third pair of characters are worth, counted from the left.
        second_and_fourth: The same of the others.
    """

    text: np.uint64
    past: np.uint64
    first_and_third: np.uint64
    second_and_fourth: np.uint64


def read_equal_decimals(buf: Bytes, start: Ints, length: Ints, decimal: str) -> npt.NDArray[np.float64] | None:
    """Read a column of unsigned numbers.

    Args:
        buf: (b,) bytes, with 8 bytes of margin before the first number.
        start: (n,) first character of each number, at least one.
        length: (n,) its length in characters.
        decimal: The decimal mark, one ASCII character.

    Returns:
        The numbers, the same bits as ``float`` gives; shape (n,). None where one is longer than eight characters,
        or has not as many decimals as the first, or is no unsigned number.
    """
    shortest, longest = int(length.min()), int(length.max())
    if longest > _LONGEST or shortest == 0:
        return None
    first = buf[start[0] : start[0] + length[0]].tobytes()
    _, mark, decimals = first.partition(decimal.encode())
    places = len(decimals)
    if shortest <= places or (mark and not decimals):
        return None
    form = _form(places, decimal)
    digits: U64 = words_of(buf, 8)[start + length - _LONGEST]
    digits ^= form.text
    digits &= _KEEP[longest] if shortest == longest else _KEEP[length]
    if (((digits + form.past) | digits) & _TOP).any():
        return None
    digits = digits * _TEN + (digits >> _ONE_BYTE)
    whole = (digits & _PAIRS) * form.first_and_third
    whole += (digits >> _TWO_BYTES & _PAIRS) * form.second_and_fourth
    whole >>= _FOUR_BYTES
    # both are exact in binary floating point, and the division rounds once
    return whole.view(np.int64) / POWER_OF_10[places]  # type: ignore[no-any-return]


@lru_cache(maxsize=16)
def _form(places: int, decimal: str) -> _Form:
    text, past = bytearray(b"0" * _LONGEST), bytearray([0x80 - 10] * _LONGEST)
    if places:
        text[-1 - places], past[-1 - places] = ord(decimal), 0x7F
    # From the right, the pairs would be worth 1, 100, 10 000 and 1 000 000; those that begin before the mark have
    # it in one of their places, or behind them, and are worth a tenth.
    fourth, third, second, first = (
        10 ** (2 * pair) if not places or 2 * pair < places else 10 ** (2 * pair - 1) for pair in range(4)
    )
    return _Form(
        np.uint64(int.from_bytes(text, "little")),
        np.uint64(int.from_bytes(past, "little")),
        np.uint64(first << 32 | third),
        np.uint64(second << 32 | fourth),
    )


# ------------------------------------------------------------------------------
# Lines of an engine log and where all their cells end, found in one pass.
# ------------------------------------------------------------------------------

Bools = npt.NDArray[np.bool_]

MARGIN = 16
"""Bytes before the first line and after the last, so that numbers can be loaded as words."""
_LONGEST_QUOTED = 100_000
"""Longer lines with quotes are left to `csv`, which has a limit of its own."""
_SPACE, _LF, _CR, _QUOTE = b' \n\r"'


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines one after the other in a buffer, and all their cells.

    Attributes:
        raw: The buffer, with a margin on either side.
        buf: The same as an array.
        starts: First byte of each line; shape (n,).
        ends: The byte after each cell, for the last one of a line its LF or CRLF; shape (sum of `widths`,).
        stops: The byte after each line's last cell; shape (n,).
        widths: How many cells each line has; shape (n,).
        has_padding: There are spaces beside a delimiter or a line end.
    """

    raw: bytes
    buf: Bytes
    starts: Ints
    ends: Ints
    stops: Ints
    widths: Ints
    has_padding: bool

    def text(self, index: int, errors: str) -> str:
        """Return one line."""
        return self.raw[self.starts[index] : self.stops[index]].decode("utf-8", errors)


def split_lines(data: bytes, delimiter: str) -> Lines:
    """Find all lines and cells.

    Args:
        data: Lines in UTF-8, each ended by LF or CRLF, without any other CR.
        delimiter: Between cells; where it is not one ASCII character each line is one cell.
    """
    raw = b"".join([b"\n" * MARGIN, data, b"\n" * MARGIN])
    buf = np.frombuffer(raw, np.uint8)
    is_end = buf == _LF
    if len(delimiter) == 1 and delimiter.isascii():
        is_end |= buf == ord(delimiter)
    ends = np.flatnonzero(is_end)[MARGIN:-MARGIN]
    last = np.flatnonzero(buf[ends] == _LF)
    line_ends = ends[last]
    starts = np.concatenate([[MARGIN - 1], line_ends])[:-1] + 1
    stops = line_ends - (buf[line_ends - 1] == _CR)
    ends[last] = stops
    has_padding = False
    if b" " in data:
        is_space = buf == _SPACE
        is_beside = is_space[1:-1] & (is_end[:-2] | is_end[2:])
        has_padding = bool(is_beside.any() or is_space[stops - 1].any())
    return Lines(raw, buf, starts, ends, stops, np.diff(last, prepend=-1), has_padding)


def only(values: npt.NDArray[Any], mask: Bools) -> npt.NDArray[Any]:
    """Return the rows that are marked; a copy only where some are not."""
    return values if mask.all() else values[mask]


def has_whole_quotes(lines: Lines) -> Bools:
    """Return which lines have quotes in pairs around whole cells and nowhere else; they then mean nothing."""
    at = np.flatnonzero(lines.buf == _QUOTE)
    line = np.searchsorted(lines.stops, at)
    is_edge = np.zeros(len(lines.buf), dtype=np.bool_)
    is_edge[lines.ends] = True
    is_edge[lines.starts - 1] = True
    opens, closes = is_edge[at - 1], is_edge[at + 1]
    is_whole: Bools = np.bincount(line, minlength=lines.stops.size) % 2 == 0
    is_whole[line[opens == closes]] = False
    is_whole &= lines.stops - lines.starts < _LONGEST_QUOTED
    paired = is_whole[line]
    at, line, opens = at[paired], line[paired], opens[paired]
    cell = np.searchsorted(lines.ends, at)
    is_pair = opens[::2] & ~opens[1::2] & (cell[::2] == cell[1::2])
    is_whole[line[::2][~is_pair]] = False
    return is_whole


# ------------------------------------------------------------------------------
# Engine-log bytes to whole lines in UTF-8, whatever the encoding and wherever the bytes were cut.
# ------------------------------------------------------------------------------

LONGEST_LINE_BYTES = 1 << 20
"""What is longer is no row: of a line that does not end within this, only the beginning is kept."""

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_LONGEST_MARK = 4
_WITHOUT_MARK = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}


class LogText:
    """Turns the bytes of a log, block by block, into whole lines that end in LF or CRLF.

    A byte order mark, where there is one, says more than what was declared. Bytes that are no text in the
    encoding become lone surrogates once decoded with `errors` (or U+FFFD in UTF-16), so that they spoil the
    cell they stand in and no other. UTF-8 passes as it is; other encodings are decoded and written as UTF-8.

    Attributes:
        errors: How the lines must be decoded from UTF-8.
    """

    def __init__(self, encoding: str) -> None:
        self.errors = "surrogateescape"
        self._encoding = encoding
        self._decoder: codecs.IncrementalDecoder | None = None
        self._head: bytes | None = b""
        self._open: list[bytes] = []
        self._open_bytes = 0

    def take(self, block: bytes) -> bytes:
        """Return the lines that are whole with this block, which may be cut anywhere."""
        data = self._as_utf8(block, is_last=False)
        # A CR at the end may be half of a CRLF.
        end = max(data.rfind(b"\n"), data.rfind(b"\r", 0, -1)) + 1
        if end == 0:
            self._hold(data)
            return b""
        whole = b"".join([*self._open, data[:end]])
        self._open, self._open_bytes = [], 0
        self._hold(data[end:])
        return _without_lone_cr(whole)

    def finish(self) -> tuple[bytes, bytes]:
        """Return the last whole lines, and the last line where it has no end."""
        rest = _without_lone_cr(b"".join([*self._open, self._as_utf8(b"", is_last=True)]))
        end = rest.rfind(b"\n") + 1
        return rest[:end], rest[end:]

    def _hold(self, data: bytes) -> None:
        if self._open_bytes > LONGEST_LINE_BYTES:
            data = b"\r" if data.endswith(b"\r") else b""
        if data:
            self._open.append(data)
            self._open_bytes += len(data)

    def _as_utf8(self, block: bytes, *, is_last: bool) -> bytes:
        if self._head is not None:
            self._head += block
            if len(self._head) < _LONGEST_MARK and not is_last:
                return b""
            block = self._begin(self._head)
            self._head = None
        if self._decoder is None:
            return block
        return self._decoder.decode(block, is_last).encode("utf-8", self.errors)

    def _begin(self, head: bytes) -> bytes:
        marked = next((name for mark, name in _BYTE_ORDER_MARKS if head.startswith(mark)), None)
        name = codecs.lookup(marked or self._encoding).name
        if name in ("utf-8", "utf-8-sig"):
            return head.removeprefix(codecs.BOM_UTF8)
        is_wide = name.startswith(("utf-16", "utf-32"))
        decoder = codecs.getincrementaldecoder(name if marked else _WITHOUT_MARK.get(name, name))
        self._decoder = decoder("replace" if is_wide else "surrogateescape")
        self.errors = "surrogatepass"
        return head


def _without_lone_cr(data: bytes) -> bytes:
    """Return lines that end in LF or CRLF; where any ends in CR alone, all end in LF."""
    if b"\r" not in data:
        return data
    # To replace CRLF as well would take as long as all else that is done to find the cells.
    letters = np.frombuffer(data, np.uint8)
    after = np.flatnonzero(letters == ord("\r")) + 1
    if after[-1] < letters.size and (letters[after] == ord("\n")).all():
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


# ------------------------------------------------------------------------------
# Where the wanted columns of an engine log stand, by their headings.
# ------------------------------------------------------------------------------

_NTH = re.compile(r"(.*)#([1-9]\d?)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How rows are laid out under one row of headings.

    Attributes:
        places: Place of each wanted cell in a row, from 0.
        width: How many cells a row has.
        last: Which wanted heading stands at the end of a row, or "".
    """

    places: tuple[int, ...]
    width: int
    last: str


def parse_cells(line: str, delimiter: str) -> list[str] | None:
    """Return the cells of one row; None where its quotes do not close.

    A row is one line: no engine log needs a line end inside a cell, and so a stray quote costs one row only.
    """
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error:
        return None


def column_name(wanted: str | int) -> str:
    """Return what to call a column that was declared by its heading or its number."""
    return f"column {wanted}" if isinstance(wanted, int) else wanted


def find_layout(line: str, wanted: Sequence[str | int], delimiter: str, where: str) -> Layout:
    """Find the wanted columns by a row of headings, or, where all are numbers, by a row of data.

    Raises:
        TrialCaptureError: A heading is missing, or not the only one of its name; or there are fewer columns.
    """
    headings = [heading.strip() for heading in parse_cells(line, delimiter) or [line]]
    while len(headings) > 1 and not headings[-1] and not has_numbers_only(wanted):
        headings.pop()
    places = tuple(_place(name, headings, delimiter, where) for name in wanted)
    last = column_name(wanted[places.index(len(headings) - 1)]) if len(headings) - 1 in places else ""
    return Layout(places, len(headings), last)


def has_numbers_only(wanted: Sequence[str | int]) -> bool:
    """Return True where no column is declared by its heading."""
    return not any(isinstance(name, str) for name in wanted)


def _place(name: str | int, headings: list[str], delimiter: str, where: str) -> int:
    if isinstance(name, int):
        if name <= len(headings):
            return name - 1
        raise TrialCaptureError(
            f"there is no column {name}",
            seen=f"{len(headings)} columns: " + ", ".join(repr(shown(heading)) for heading in headings[:40]),
            where=where,
            expected=_delimiter_hint(headings, delimiter) or "give the number of a column, counted from 1 at the left",
        )
    places = [index for index, heading in enumerate(headings) if heading == name]
    if not places and (nth := _NTH.fullmatch(name)):
        places = [index for index, heading in enumerate(headings) if heading == nth[1]][int(nth[2]) - 1 :][:1]
    if len(places) == 1:
        return places[0]
    if places:
        at = ", ".join(str(place + 1) for place in places)
        raise TrialCaptureError(
            f"the heading {name!r} stands more than once",
            seen=f"columns {at}",
            where=where,
            expected=f"name the one that is meant by '{name}#1', '{name}#2' …, counted from the left",
        )
    raise TrialCaptureError(
        f"there is no column headed {name!r}",
        seen="the headings " + ", ".join(repr(shown(heading)) for heading in headings[:40]),
        where=where,
        expected=_heading_hint(name, headings, delimiter),
    )


def _heading_hint(name: str, headings: list[str], delimiter: str) -> str:
    line = "".join(headings)
    if "\0" in line:
        return "the file has zero bytes: if it is UTF-16 text, declare encoding = 'utf-16-le'"
    if line.lower().startswith("sep="):
        return "the headings stand one row below: declare header_rows = 2"
    if hint := _delimiter_hint(headings, delimiter):
        return hint
    if any("\ud800" <= letter <= "\udfff" or letter == "\ufffd" for letter in line):
        return "the headings are in another encoding: declare encoding = 'cp1252' or what the logger uses"
    as_written = {heading.lower(): heading for heading in headings}
    near = get_close_matches(name.lower(), as_written, 1)
    if near:
        return f"did you mean {as_written[near[0]]!r}? Headings must be written as they stand, capitals too"
    return "give a heading as it stands, or the number of the row they stand in as header_rows"


def _delimiter_hint(headings: list[str], delimiter: str) -> str:
    if len(headings) > 1:
        return ""
    counts = {other: headings[0].count(other) for other in ",;\t|" if other != delimiter}
    other, count = max(counts.items(), key=lambda item: item[1])
    return f"the row has {count} of {other!r} and no {delimiter!r}: declare delimiter = {other!r}" if count else ""


def shown(text: str) -> str:
    """Return a text fit for a message: short, and without what a terminal cannot print."""
    plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in text)
    return plain if len(plain) <= 40 else f"{plain[:39]}…"


# ------------------------------------------------------------------------------
# The wanted cells of an engine log's rows, as they stand in its bytes or as texts.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reject:
    """Something in a log that could not be used.

    Attributes:
        row: 0-based line in the file.
        reason: A short word.
        text: What stood there.
        column: Heading of the cell, "" where the whole row is rejected.
    """

    row: int
    reason: str
    text: str
    column: str = ""


@dataclass(slots=True)
class Regular:
    """Lines cut all at once.

    Attributes:
        raw: Their bytes and others.
        buf: The same as an array.
        starts: Where each line begins in it; shape (r,).
        ends: Where each of its cells ends; shape (r, cells).
        has_quotes: There may be quotes around cells.
        has_padding: There may be spaces beside a delimiter or a line end.
    """

    raw: bytes
    buf: Bytes
    starts: Ints
    ends: Ints
    has_quotes: bool
    has_padding: bool


@dataclass
class LogRows:
    """The wanted cells of some lines of a log under one row of headings.

    Attributes:
        rows: 0-based line of each row; shape (n,).
        layout: Where the wanted cells stand.
        regular: Indexes of the rows that were cut all at once; shape (r,).
        texts: The wanted cells of each other row, by its index.
        rejects: Rows that are not in `rows`, and headings that are repeated.
        first_row: 0-based line of the first row of data, whole or not.
        unsure_column: Heading of the cell at the end of a file without a last line end: it may be cut; or "".
    """

    rows: Ints
    layout: Layout
    errors: str
    cut: Regular
    regular: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    texts: dict[int, tuple[str, ...]] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)
    first_row: int | None = None
    unsure_column: str = ""

    @property
    def buf(self) -> Bytes:
        """The bytes that `spans` point into, with a margin on either side."""
        return self.cut.buf

    def spans(self, wanted: int) -> tuple[Ints, Ints]:
        """Return where the regular rows' cells of one wanted column begin in `buf`, and their lengths, spaces off."""
        start, end = self._bounds(wanted, slice(None))
        if not self.cut.has_padding and not self.cut.has_quotes:
            return start, end - start
        while (spaced := (self.buf[start] == _SPACE) & (start < end)).any():
            start = start + spaced
        while (spaced := (self.buf[end - 1] == _SPACE) & (start < end)).any():
            end = end - spaced
        return start, end - start

    def cells(self, indexes: Sequence[int] | Ints, wanted: int) -> list[str]:
        """Return the texts of some rows' cells of one wanted column, white space off."""
        if not len(self.regular) or not len(indexes):
            return [self.texts[index][wanted] for index in indexes]
        at = np.searchsorted(self.regular, indexes)
        starts, ends = self._bounds(wanted, np.minimum(at, self.regular.size - 1))
        raw, errors = self.cut.raw, self.errors
        return [
            self.texts[index][wanted] if index in self.texts else raw[start:end].decode("utf-8", errors).strip()
            for index, start, end in zip(indexes, starts.tolist(), ends.tolist(), strict=True)
        ]

    def joined(self, indexes: Sequence[int] | Ints, columns: Sequence[int]) -> list[str]:
        """Return some rows' cells of several wanted columns, one text a row, one space between."""
        if len(columns) == 1:
            return self.cells(indexes, columns[0])
        return [" ".join(parts) for parts in zip(*(self.cells(indexes, nth) for nth in columns), strict=True)]

    def _bounds(self, wanted: int, lines: Ints | slice) -> tuple[Ints, Ints]:
        """Return begin and end of the cells of some regular lines, quotes off."""
        place = self.layout.places[wanted]
        start = self.cut.ends[lines, place - 1] + 1 if place else self.cut.starts[lines]
        end = self.cut.ends[lines, place]
        if self.cut.has_quotes:
            is_quoted = (self.buf[start] == _QUOTE) & (start < end)
            start, end = start + is_quoted, end - is_quoted
        return start, end


Floats = npt.NDArray[np.float64]

VOID_CELLS = frozenset({"", "-", "--", "---", "n/a", "#n/a", "nan", "null"})
"""What stands for "no value", capitals or not."""

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)

_KEPT_TEXTS, _LONGEST_KEPT = 4096, 64
_PLUS, _MINUS = b"+-"
_ONLY_POINT = bytes(c if c < 0x80 else ord("?") for c in range(256))
_COMMA_AS_POINT = _ONLY_POINT.translate(bytes.maketrans(b".,", b"?."))


class NumberCells:
    """Reads the cells of number columns.

    Plain decimals of up to `digits.LONGEST` characters are exact in columns; whatever else stands in a cell is
    given to `parse_number`, which alone decides what is a number, void or neither.
    """

    def __init__(self, decimal: str, thousands: str | None = None) -> None:
        self._decimal = decimal
        self._thousands = thousands
        self._known: dict[str, float] = {}
        self._rows: LogRows | None = None
        self._buf: npt.NDArray[np.uint8] = np.zeros(0, np.uint8)

    def read(self, found: LogRows, wanted: int) -> npt.NDArray[np.float64]:
        """Return the numbers of one wanted column, NaN where void and infinity where no number; shape (n,)."""
        odd = list(found.texts)
        read = np.zeros(0)
        if found.regular.size:
            start, length = found.spans(wanted)
            equal = read_equal_decimals(found.buf, start, length, self._decimal)
            if equal is None:
                read, is_odd = self._read_unequal(found, start, length)
                odd += found.regular[is_odd].tolist()
            else:
                read = equal
        if not odd:
            return read
        values = np.zeros(len(found.rows))
        values[found.regular] = read
        values[odd] = [self._parse(text) for text in found.cells(odd, wanted)]
        return values

    def _read_unequal(self, found: LogRows, start: Ints, length: Ints) -> tuple[Floats, Bools]:
        """Return the numbers of the regular rows, NaN where there is none, and which cells are left to `_parse`."""
        buf = self._number_bytes(found)
        sign = buf[start]
        is_signed = ((sign == _PLUS) | (sign == _MINUS)) & (length > 0)
        if is_signed.any():
            start, length = start + is_signed, length - is_signed
        number = parse_decimals(buf, start, length)
        read = number.mantissa / _power_of_10(number.places)
        if is_signed.any():
            read = np.where(is_signed & (sign == _MINUS), -read, read)
        return np.where(number.sound, read, np.nan), ~number.sound & ((length > 0) | is_signed)

    def _number_bytes(self, found: LogRows) -> npt.NDArray[np.uint8]:
        """Return the buffer as the columns take it: a point for the decimal mark, nothing beyond ASCII."""
        if self._rows is not found:
            self._rows, self._buf = found, found.buf
            if self._decimal != ".":
                self._buf = np.frombuffer(found.buf.tobytes().translate(_COMMA_AS_POINT), np.uint8)
            elif found.buf.max() >= 0x80:
                self._buf = np.frombuffer(found.buf.tobytes().translate(_ONLY_POINT), np.uint8)
        return self._buf

    def _parse(self, text: str) -> float:
        value = self._known.get(text)
        if value is None:
            value = parse_number(text, self._decimal, self._thousands)
            if len(self._known) >= _KEPT_TEXTS:
                self._known.clear()
            if len(text) <= _LONGEST_KEPT:
                self._known[text] = value
        return value


def parse_number(text: str, decimal: str, thousands: str | None = None) -> float:
    """Return the number in a cell, NaN where it is void and infinity where it is no number.

    Args:
        text: The cell, white space off.
        decimal: The decimal mark.
        thousands: What parts groups of three digits before the decimal mark; other groups are no number.
    """
    if text.lower() in VOID_CELLS:
        return np.nan
    if thousands is not None and len(text) > _FEWEST_GROUPED:
        text = _ungrouped(text, decimal, thousands)
    if decimal != ".":
        text = "invalid" if "." in text else text.replace(decimal, ".")
    return float(text) if NUMBER.fullmatch(text) else np.inf


_FEWEST_GROUPED = 4


def _ungrouped(text: str, decimal: str, thousands: str) -> str:
    if thousands == " ":
        text = text.replace("\u00a0", " ").replace("\u202f", " ")
    if thousands not in text:
        return text
    whole, mark, rest = text.partition(decimal)
    grouped = re.fullmatch(rf"[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+", whole, re.ASCII)
    return whole.replace(thousands, "") + mark + rest if grouped else "invalid"


def _power_of_10(places: npt.NDArray[np.int64]) -> npt.NDArray[np.int64] | np.int64:
    if places.size and bool((places == places[0]).all()):
        return POWER_OF_10[places[0]]  # type: ignore[no-any-return]
    return POWER_OF_10[np.clip(places, 0, len(POWER_OF_10) - 1)]


# ------------------------------------------------------------------------------
# Lines of an engine log to the cells that are wanted; what is no whole row is a reject.
#
# Lines that have the usual number of delimiters, no zero bytes and quotes only around whole cells are cut all at once;
# every other line is looked at by itself.
# ------------------------------------------------------------------------------

_IS_STAMP_START = np.isin(np.arange(256), list(b"+-0123456789"))
_IS_INK = (np.arange(256) > _SPACE) & (np.arange(256) < 0x7F)
_STAMP_START = re.compile(r"\s*[+\-0-9]", re.ASCII)
_NO_INTS = np.zeros(0, np.int64)
_NOTHING = Regular(b"", np.zeros(0, np.uint8), _NO_INTS, _NO_INTS.reshape(0, 1), has_quotes=False, has_padding=False)


class RowCutter:
    """Cuts the lines below a log's headings, in order; headings that stand there again may move the columns.

    Attributes:
        line: 0-based number of the line that comes next.
    """

    def __init__(
        self, above: Sequence[str], layout: Layout, wanted: Sequence[str | int], delimiter: str, where: str
    ) -> None:
        """Set out.

        Args:
            above: The lines above the data.
            layout: By the headings among them.
            wanted: Headings, or numbers from 1, in the order the cells are wanted; the first is the time's.
            delimiter: Between cells.
            where: What to call the log in messages.
        """
        self.line = len(above)
        self._layout = layout
        self._wanted = wanted
        self._delimiter = delimiter
        self._where = where
        self._above = {line.strip() for line in above if line.strip()}
        cells = {line: parse_cells(line, delimiter) or [line] for line in self._above}
        # All others are told from rows by how their first cell begins.
        self._like_data = [line for line in cells if any(map(_STAMP_START.match, cells[line]))]
        self._blank = f"{delimiter} \t"
        # without headings none can stand again
        self._first_name = "" if has_numbers_only(wanted) else column_name(wanted[0])
        self._first = self._first_name.encode("utf-8", "surrogateescape")
        mark = re.escape(delimiter.encode("utf-8", "surrogateescape"))
        self._heading = re.compile(re.escape(self._first) + rb"(?=[^0-9A-Za-z]|" + mark + rb"|\Z)")

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the wanted columns in a row, from 1."""
        return tuple(place + 1 for place in self._layout.places)

    def cut(self, data: bytes, errors: str) -> Iterator[LogRows]:
        """Cut whole lines.

        Args:
            data: Lines in UTF-8, each ended by LF or CRLF, without any other CR.
            errors: How to decode what is no UTF-8.

        Yields:
            The rows between one row of headings and the next.

        Raises:
            TrialCaptureError: Headings that stand again lack a wanted one.
        """
        begin = 0
        for start, end, line in self._new_headings(data, errors):
            found = self._cut(data[begin:start], errors)
            found.rejects.append(Reject(self.line, "repeated heading", line))
            begin, self.line = end, self.line + 1
            yield found
            self._layout = find_layout(line, self._wanted, self._delimiter, f"{self._where}, row {self.line}")
        if begin < len(data):
            yield self._cut(data[begin:], errors)

    def cut_torn(self, torn: bytes, errors: str) -> LogRows:
        """Cut the last line of a log, which has no end."""
        number = self.line
        found = LogRows(np.zeros(0, np.int64), self._layout, errors, _NOTHING)
        line = torn.decode("utf-8", errors)
        cells = self._read_line(line, number, found, is_torn=True)
        if cells is not None:
            found.rows, found.texts = np.array([number], dtype=np.int64), {0: self._pick(cells)}
            if len(cells) == self._layout.width and not line.endswith('"'):
                found.unsure_column = self._layout.last
        return found

    def _new_headings(self, data: bytes, errors: str) -> Iterator[tuple[int, int, str]]:
        """Yield begin, end and text of each line that has the time's heading as a cell and did not stand above."""
        # Most logs lack one letter of it, and one letter is looked for many times faster than a word.
        if not self._first or not all(bytes([letter]) in data for letter in self._first) or self._first not in data:
            return
        end = 0
        for match in self._heading.finditer(data):
            if match.start() < end:
                continue
            start, end = data.rfind(b"\n", 0, match.start()) + 1, data.find(b"\n", match.start()) + 1
            line = data[start : end - 1].removesuffix(b"\r").decode("utf-8", errors)
            if line.strip() in self._above or not line.strip(self._blank):
                continue
            if self._first_name in map(str.strip, parse_cells(line, self._delimiter) or []):
                yield start, end, line

    def _cut(self, data: bytes, errors: str) -> LogRows:
        lines = split_lines(data, self._delimiter)
        is_regular, ends = self._regular_lines(data, lines, errors)
        starts = only(lines.starts, is_regular)
        regular = Regular(lines.raw, lines.buf, starts, ends, b'"' in data, lines.has_padding)
        found = LogRows(np.zeros(0, np.int64), self._layout, errors, regular)
        is_row = is_regular.copy()
        picked = {}
        for index in np.flatnonzero(~is_regular).tolist():
            cells = self._read_line(lines.text(index, errors), self.line + index, found, is_torn=False)
            if cells is not None:
                picked[index] = self._pick(cells)
                is_row[index] = True
        rows = np.flatnonzero(is_row)
        found.rows = rows + self.line
        if rows.size:
            first = int(found.rows[0])
            found.first_row = first if found.first_row is None else min(first, found.first_row)
        found.regular = np.flatnonzero(is_regular[rows])
        found.texts = dict(zip(np.searchsorted(rows, list(picked)).tolist(), picked.values(), strict=True))
        self.line += is_regular.size
        return found

    def _regular_lines(self, data: bytes, lines: Lines, errors: str) -> tuple[Bools, Ints]:
        """Return which lines can be cut all at once, and where the cells of each of them end, shape (r, cells)."""
        width = self._layout.width
        enough = lines.widths[lines.widths >= width]
        if not enough.size or not self._delimiter.isascii() or self._delimiter in '\0"+-0123456789':
            return np.zeros(lines.starts.size, np.bool_), _NO_INTS.reshape(0, 1)
        usual = int(np.bincount(enough).argmax())
        is_regular = lines.widths == usual
        if b'"' in data:
            is_regular &= has_whole_quotes(lines)
        if b"\0" in data:
            is_regular[np.searchsorted(lines.stops, np.flatnonzero(lines.buf == 0))] = False
        ends = only(lines.ends, np.repeat(is_regular, lines.widths)).reshape(-1, usual)
        has_ends = is_regular.copy()
        if usual > width:  # what stands beyond the last heading must be empty
            is_regular[has_ends] = ends[:, -1] - ends[:, width - 1] == usual - width
        # A line that is blank or a heading has no stamp.
        place = self._layout.places[0]
        start = only(ends[:, place - 1] + 1 if place else lines.starts[has_ends], is_regular[has_ends])
        start = start + (lines.buf[start] == _QUOTE)
        while self._delimiter != " " and (spaced := lines.buf[start] == _SPACE).any():
            start = start + spaced
        is_data, like_data = _IS_STAMP_START[lines.buf[start]], self._like_data
        if 2 * np.count_nonzero(is_data) < is_data.size:  # these stamps begin with a word, as headings do
            is_ink = _IS_INK & (np.arange(256) != ord(self._delimiter))
            is_data, like_data = is_ink[lines.buf[start]], list(self._above)
        is_regular[is_regular] = is_data
        for line in like_data:
            if line.count(self._delimiter) != usual - 1 and not self._delimiter.isspace():
                continue
            for match in re.finditer(re.escape(line.encode("utf-8", errors)), data):
                is_regular[np.searchsorted(lines.stops, match.start() + MARGIN)] = False
        return is_regular, only(ends, is_regular[has_ends])

    def _read_line(self, line: str, number: int, found: LogRows, *, is_torn: bool) -> list[str] | None:
        """Return the cells of one line, or None where it is blank or a reject."""
        if not line.strip() or not line.strip(self._blank):
            return None
        if line.strip() in self._above:
            found.rejects.append(Reject(number, "repeated heading", line))
            return None
        cells = parse_cells(line, self._delimiter)
        fault = _row_fault(line, cells, self._layout.width)
        if found.first_row is None and not (fault and is_torn):
            found.first_row = number
        if fault or cells is None:
            found.rejects.append(Reject(number, "truncated" if is_torn else fault, line))
            return None
        return cells

    def _pick(self, cells: list[str]) -> tuple[str, ...]:
        return tuple(cells[place].strip() for place in self._layout.places)


def _row_fault(line: str, cells: list[str] | None, width: int) -> str:
    if "\0" in line:
        return "control bytes"
    if cells is None:
        return "quotes"
    is_whole = len(cells) == width or (len(cells) > width and not "".join(cells[width:]).strip())
    return "" if is_whole else "field count"
