"""Lines of an engine log to the cells that are wanted; what is no whole row is a reject.

Lines that have the usual number of delimiters, no zero bytes and quotes only around whole cells are cut all at once;
every other line is looked at by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from trialcapture.decode.log_headings import Layout, column_name, find_layout, has_numbers_only, parse_cells
from trialcapture.decode.log_lines import MARGIN, Lines, has_whole_quotes, only, split_lines
from trialcapture.decode.log_rows import LogRows, Regular, Reject

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_SPACE, _QUOTE = b' "'
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
