"""The cells of an engine log: bytes to lines, lines to the wanted cells, cells to numbers.

`pyarrow.csv` splits the lines of a block and Arrow reads plain numbers, a column at a time. What they cannot judge as
strictly as is wanted here is read alone by the exact functions: a line by `parse_cells`, a cell by `parse_number`.
Such lines have quotes inside a cell or an odd number of them, zero bytes, too few or too many cells, no time, or look
like the headings; such cells are neither empty nor a plain number. A line that is no whole row is a reject.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from trialcapture.buffers import coded, column_of, floats, known, one_chunk, to_arrow, truths
from trialcapture.errors import TrialCaptureError

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

# Bytes to whole lines in UTF-8, whatever the encoding and wherever the bytes were cut.

LONGEST_LINE_BYTES = 1 << 20
"""Longest row (our choice: 16 384 columns of 64 characters); of a longer line only the beginning is kept."""

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
        self._decoder = decoder("replace" if is_wide else _SPOILED)
        self.errors = "surrogatepass"
        return head


def _spoiled(fault: UnicodeError) -> tuple[str, int]:
    """Return lone surrogates for bytes that are no text, and U+FFFD for those below 0x80, which have no surrogate."""
    if not isinstance(fault, UnicodeDecodeError):
        raise fault
    data = fault.object[fault.start : fault.end]
    return "".join(chr(0xDC00 + byte) if byte >= 0x80 else "\ufffd" for byte in data), fault.end


_SPOILED = "trialcapture.spoiled"
codecs.register_error(_SPOILED, _spoiled)


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


# Where the wanted columns stand, by their headings.

_NTH = re.compile(r"(.*)#([1-9]\d?)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How rows are laid out under one row of headings.

    Attributes:
        positions: Position of each wanted cell in a row, from 0.
        width: How many cells a row has.
        last: Which wanted heading stands at the end of a row, or "".
    """

    positions: tuple[int, ...]
    width: int
    last: str

    def pick(self, cells: Sequence[str]) -> tuple[str, ...]:
        """Return the wanted cells of a row, white space off."""
        return tuple(cells[position].strip() for position in self.positions)


_MOST_COLUMNS = 16_384
"""As many as a sheet of a workbook has (its makers' published limit, from memory)."""


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
    if len(headings) > _MOST_COLUMNS:
        raise TrialCaptureError(
            "this engine log has more columns than a log can",
            seen=f"{len(headings)} columns",
            where=where,
            expected=f"at most {_MOST_COLUMNS}; is the delimiter {delimiter!r} right?",
        )
    positions = tuple(_position(name, headings, delimiter, where) for name in wanted)
    last = column_name(wanted[positions.index(len(headings) - 1)]) if len(headings) - 1 in positions else ""
    return Layout(positions, len(headings), last)


def has_numbers_only(wanted: Sequence[str | int]) -> bool:
    """Return True where no column is declared by its heading."""
    return not any(isinstance(name, str) for name in wanted)


def _position(name: str | int, headings: list[str], delimiter: str, where: str) -> int:
    if isinstance(name, int):
        if name <= len(headings):
            return name - 1
        raise TrialCaptureError(
            f"there is no column {name}",
            seen=f"{len(headings)} columns: " + ", ".join(repr(shown(heading)) for heading in headings[:40]),
            where=where,
            expected=_delimiter_hint(headings, delimiter) or "give the number of a column, counted from 1 at the left",
        )
    positions = [index for index, heading in enumerate(headings) if heading == name]
    if not positions and (nth := _NTH.fullmatch(name)):
        positions = [index for index, heading in enumerate(headings) if heading == nth[1]][int(nth[2]) - 1 :][:1]
    if len(positions) == 1:
        return positions[0]
    if positions:
        at = ", ".join(str(position + 1) for position in positions)
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


# The wanted cells of some rows.


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


@dataclass(frozen=True)
class TextBlock:
    """Whole lines of a log.

    Attributes:
        data: Lines in UTF-8, each ended by LF or CRLF, without any other CR.
        errors: How to decode what is no UTF-8.
        delimiter: Between cells.
        first_line: 0-based line in the file of the first of them.
    """

    data: bytes
    errors: str
    delimiter: str
    first_line: int

    @cached_property
    def ends(self) -> Ints:
        """The byte after each line; shape (n,)."""
        return np.flatnonzero(np.frombuffer(self.data, np.uint8) == ord("\n")) + 1

    def bounds(self, index: int) -> slice:
        """Return where a line stands, its end included."""
        return slice(int(self.ends[index - 1]) if index else 0, int(self.ends[index]))

    def line(self, index: int) -> str:
        """Return the text of a line without its end."""
        data = self.data[self.bounds(index)]
        return data.removesuffix(b"\n").removesuffix(b"\r").decode("utf-8", self.errors)


@dataclass
class LogRows:
    """The wanted cells of some lines of a log under one row of headings.

    Attributes:
        block: The lines.
        layout: Where the wanted cells stand.
        rows: 0-based line in the file of each row; shape (n,).
        regular: Indexes of the rows that were split as columns; shape (r,).
        columns: Their cells by position, null where empty; each of shape (r,).
        exact: Cells that were read from their line alone, by index of the row; those of every row not in `in_columns`.
        rejects: Lines that are no row, and headings that are repeated.
        first_row: 0-based line of the first row of data, whole or not.
        unsure_column: Heading of the cell at the end of a file without a last line end: it may be cut; or "".
    """

    block: TextBlock
    layout: Layout
    rows: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    in_columns: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    columns: dict[int, pa.StringArray] = field(default_factory=dict)
    exact: dict[int, tuple[str, ...]] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)
    first_row: int | None = None
    unsure_column: str = ""

    @cached_property
    def by_line(self) -> Ints:
        """Indexes of the rows that are not in `in_columns`."""
        return np.setdiff1d(np.arange(self.rows.size), self.in_columns, assume_unique=True)

    def column(self, wanted: int) -> pa.StringArray:
        """Return the regular rows' cells of one wanted column as they stand, null where empty; shape (r,)."""
        return self.columns.get(self.layout.positions[wanted], _NO_TEXT)

    def texts(self, wanted: Sequence[int]) -> pa.StringArray:
        """Return the regular rows' cells of some wanted columns, white space off, joined by a space; shape (r,)."""
        parts = [pc.fill_null(pc.utf8_trim_whitespace(self.column(nth)), _BLANK) for nth in wanted]
        return parts[0] if len(parts) == 1 else pc.binary_join_element_wise(*parts, _SPACE)

    def cells(self, indexes: Sequence[int] | Ints, wanted: Sequence[int]) -> list[str]:
        """Return the exact texts of some rows' cells, those of several columns joined by a space."""
        return [" ".join(self._cells(int(index))[nth] for nth in wanted) for index in indexes]

    def distinct(self, wanted: Sequence[int]) -> tuple[list[str], Ints]:
        """Return the different texts that `cells` would give of all rows, and which of them each row has."""
        codes, words = coded(self.texts(wanted))
        index = np.zeros(self.rows.size, np.int64)
        index[self.in_columns] = codes
        index[self.by_line] = len(words) + np.arange(self.by_line.size)
        return words + self.cells(self.by_line, wanted), index

    def _cells(self, index: int) -> tuple[str, ...]:
        if index not in self.exact:
            line = self.block.line(int(self.rows[index]) - self.block.first_line)
            self.exact[index] = self.layout.pick(parse_cells(line, self.block.delimiter) or [])
        return self.exact[index]


_NO_TEXT = pa.nulls(0, pa.string())
_BLANK, _SPACE = column_of(["", " "], pa.string())
"""Texts as Arrow has them: making them of Python's imports pandas."""

# Cells to numbers.

VOID_CELLS = frozenset({"", "-", "--", "---", "n/a", "#n/a", "nan", "null"})
"""What stands for "no value", capitals or not."""

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)

_COMMA_AS_POINT = bytes.maketrans(b".,", b"?.")


class NumberCells:
    """Reads the cells of number columns.

    Arrow reads a column whose cells are all empty or plain numbers, with the bits that `float` gives. Of any other
    column each different text is given to `parse_number`, which alone decides what is a number, void or neither.
    """

    def __init__(self, decimal: str, thousands: str | None = None) -> None:
        self._decimal = decimal
        self._thousands = thousands

    def read(self, found: LogRows, wanted: int) -> Floats:
        """Return the numbers of one wanted column, NaN where void and infinity where no number; shape (n,)."""
        texts = found.column(wanted)
        try:
            plain = floats(pc.cast(texts if self._decimal == "." else _with_points(texts), pa.float64()))
        except pa.ArrowInvalid:
            return self._read_exactly(found, wanted)
        # Arrow takes the words for infinity and "not a number" too.
        if not np.isfinite(plain).all() and (np.isfinite(plain) != known(texts)).any():
            return self._read_exactly(found, wanted)
        if not found.by_line.size:
            return plain
        values = np.empty(found.rows.size)
        values[found.in_columns] = plain
        values[found.by_line] = [self._parse(text) for text in found.cells(found.by_line, [wanted])]
        return values

    def _read_exactly(self, found: LogRows, wanted: int) -> Floats:
        texts, index = found.distinct([wanted])
        return np.array([self._parse(text) for text in texts])[index]

    def _parse(self, text: str) -> float:
        return parse_number(text, self._decimal, self._thousands)


def _with_points(texts: pa.StringArray) -> pa.StringArray:
    """Return a column with a point for each comma; a cell that has a point is made no number."""
    valid, offsets, letters = texts.buffers()
    swapped = None if letters is None else pa.py_buffer(letters.to_pybytes().translate(_COMMA_AS_POINT))
    return pa.Array.from_buffers(texts.type, len(texts), [valid, offsets, swapped], offset=texts.offset)


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
"""Texts of at most so many characters hold no group of three digits behind a separator."""


def _ungrouped(text: str, decimal: str, thousands: str) -> str:
    if thousands == " ":
        text = text.replace("\u00a0", " ").replace("\u202f", " ")
    if thousands not in text:
        return text
    whole, mark, rest = text.partition(decimal)
    grouped = re.fullmatch(rf"[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+", whole, re.ASCII)
    return whole.replace(thousands, "") + mark + rest if grouped else "invalid"


# Lines to rows.

_ONLY_EXACT = (b"\0", codecs.BOM_UTF8)
"""What a line cannot have if `pyarrow.csv` is to read it: zero bytes, and what it takes for a byte order mark."""


class RowReader:
    """Reads the lines below a log's headings, in order; headings that stand there again may move the columns.

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
        self._width = layout.width
        self._wanted = wanted
        self._delimiter = delimiter
        self._where = where
        self._above = {line.strip() for line in above if line.strip()}
        cells = {cell.strip() for line in self._above for cell in parse_cells(line, delimiter) or [line]}
        self._not_times = column_of(sorted({"", *cells}), pa.string())
        self._blank = f"{delimiter} \t"
        # without headings none can stand again
        self._first_name = "" if has_numbers_only(wanted) else column_name(wanted[0])
        self._first = self._first_name.encode("utf-8", "surrogateescape")
        mark = re.escape(delimiter.encode("utf-8", "surrogateescape"))
        self._heading = re.compile(re.escape(self._first) + rb"(?=[^0-9A-Za-z]|" + mark + rb"|\Z)")

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the wanted columns in a row, from 1."""
        return tuple(position + 1 for position in self._layout.positions)

    def read(self, data: bytes, errors: str) -> Iterator[LogRows]:
        """Read whole lines.

        Args:
            data: As `TextBlock` has it.
            errors: The same.

        Yields:
            The rows between one row of headings and the next.

        Raises:
            TrialCaptureError: Headings that stand again lack a wanted one.
        """
        begin = 0
        for start, end, line in self._new_headings(data, errors):
            found = self._read(data[begin:start], errors)
            found.rejects.append(Reject(self.line, "repeated heading", line))
            begin, self.line = end, self.line + 1
            yield found
            self._layout = find_layout(line, self._wanted, self._delimiter, f"{self._where}, row {self.line}")
            self._width = self._layout.width
        if begin < len(data):
            yield self._read(data[begin:], errors)

    def read_torn(self, torn: bytes, errors: str) -> LogRows:
        """Read the last line of a log, which has no end."""
        found = LogRows(TextBlock(torn, errors, self._delimiter, self.line), self._layout)
        line = torn.decode("utf-8", errors)
        cells = self._read_line(line, self.line, found, is_torn=True)
        if cells is not None:
            found.rows, found.exact = np.array([self.line], np.int64), {0: self._layout.pick(cells)}
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

    def _read(self, data: bytes, errors: str) -> LogRows:
        block = TextBlock(data, errors, self._delimiter, self.line)
        is_plain, columns = self._read_columns(block)
        found = LogRows(block, self._layout, columns=columns)
        exact = {}
        for index in np.flatnonzero(~is_plain).tolist():
            cells = self._read_line(block.line(index), self.line + index, found, is_torn=False)
            if cells is not None:
                exact[index] = self._layout.pick(cells)
        is_row = is_plain.copy()
        is_row[list(exact)] = True
        lines = np.flatnonzero(is_row)
        found.rows = lines + self.line
        if lines.size:
            first = int(found.rows[0])
            found.first_row = first if found.first_row is None else min(first, found.first_row)
        found.in_columns = np.flatnonzero(is_plain[lines])
        found.exact = dict(zip(np.searchsorted(lines, list(exact)).tolist(), exact.values(), strict=True))
        self.line += is_plain.size
        return found

    def _read_columns(self, block: TextBlock) -> tuple[Bools, dict[int, pa.StringArray]]:
        """Return which lines are whole rows of data for certain, and the cells of these by position."""
        if not self._delimiter.isascii():
            return np.zeros(block.data.count(b"\n"), np.bool_), {}
        is_plain = ~_needs_exact(block)
        if not is_plain.any():
            return is_plain, {}
        data = block.data
        if not is_plain.all():
            data = b"".join(data[block.bounds(index)] for index in np.flatnonzero(is_plain).tolist())
        table, misfits = self._split(data)
        widths = Counter(width for _, width in misfits if width >= self._layout.width)
        if widths and (usual := widths.most_common(1)[0])[1] > table.num_rows:
            self._width = usual[0]
            table, misfits = self._split(data)
        is_plain[np.flatnonzero(is_plain)[[number for number, _ in misfits]]] = False
        time, *_ = self._layout.positions
        # blank lines and headings have no time; beyond the last heading all cells must be empty
        is_odd = truths(pc.is_in(pc.fill_null(pc.utf8_trim_whitespace(table[str(time)]), _BLANK), self._not_times))
        for surplus in range(self._layout.width, self._width):
            is_odd |= known(table[str(surplus)])
        if is_odd.any():
            table = table.filter(to_arrow(~is_odd))
            is_plain[is_plain] = ~is_odd
        return is_plain, {int(name): one_chunk(table[name]) for name in table.column_names}

    def _split(self, data: bytes) -> tuple[pa.Table, list[tuple[int, int]]]:
        """Return the wanted cells of lines that have the usual width, and number and width of all other lines."""
        misfits: list[tuple[int, int]] = []

        def skip(row: arrow_csv.InvalidRow) -> str:
            misfits.append((row.number - 1, row.actual_columns))
            return "skip"

        if not data.isascii():  # it takes nothing but UTF-8
            data = data.decode("utf-8", "replace").encode()
        needed = {*self._layout.positions, *range(self._layout.width, self._width)}
        names = [str(position) for position in range(self._width)]
        table = arrow_csv.read_csv(
            pa.BufferReader(data),
            arrow_csv.ReadOptions(use_threads=False, block_size=len(data) + 1, column_names=names),
            arrow_csv.ParseOptions(
                delimiter=self._delimiter,
                quote_char='"' if b'"' in data else False,
                double_quote=False,
                ignore_empty_lines=False,
                invalid_row_handler=skip,
            ),
            arrow_csv.ConvertOptions(
                check_utf8=False,
                column_types=dict.fromkeys(names, pa.string()),
                include_columns=[name for name in names if int(name) in needed],
                null_values=[""],
                strings_can_be_null=True,
            ),
        )
        return table, misfits

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


def _needs_exact(block: TextBlock) -> Bools:
    """Return which lines `pyarrow.csv` would read otherwise than `parse_cells`; shape (n,).

    It reads quotes alike where they stand in pairs, each pair around one whole cell and none inside it.
    """
    needs_exact = np.zeros(block.data.count(b"\n"), np.bool_)
    for mark in _ONLY_EXACT:
        if mark[:1] in block.data:  # one byte is looked for many times faster than three
            odd = [match.start() for match in re.finditer(mark, block.data)]
            needs_exact[np.searchsorted(block.ends, odd, "right")] = True
    if b'"' not in block.data:
        return needs_exact
    letters = np.frombuffer(b"\n" + block.data, np.uint8)
    at = np.flatnonzero(letters == ord('"'))
    line = np.searchsorted(block.ends, at - 1, "right")
    closes = (np.arange(at.size) - np.searchsorted(line, line)) % 2 == 1
    beside = np.where(closes, letters[at + 1], letters[at - 1])
    is_whole = (beside == ord(block.delimiter)) | (beside == ord("\n")) | (closes & (beside == ord("\r")))
    needs_exact[line[~is_whole]] = True
    needs_exact |= np.bincount(line, minlength=needs_exact.size) % 2 == 1
    return needs_exact | (np.diff(block.ends, prepend=0) > csv.field_size_limit())


def _row_fault(line: str, cells: list[str] | None, width: int) -> str:
    if "\0" in line:
        return "control bytes"
    if cells is None:
        return "quotes"
    is_whole = len(cells) == width or (len(cells) > width and not "".join(cells[width:]).strip())
    return "" if is_whole else "field count"
