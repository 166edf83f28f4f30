"""Lines of an engine log to the cells that are wanted; what is no whole row is a reject.

Lines that have the usual number of delimiters, no zero bytes and quotes only around whole cells are cut all at once;
every other line is looked at by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from trialcapture.decode.log_headings import Layout, find_layout, parse_cells
from trialcapture.decode.log_rows import LogRows, Regular, Reject

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_MARGIN = 16
"""Bytes before the first line and after the last, so that numbers can be loaded as words."""
_SPACE, _LF, _QUOTE = b' \n"'
_LONGEST_QUOTED = 100_000
"""Longer lines with quotes are left to `csv`, which has a limit of its own."""
_IS_STAMP_START = np.isin(np.arange(256), list(b"+-0123456789"))
_IS_INK = (np.arange(256) > _SPACE) & (np.arange(256) < 0x7F)
_STAMP_START = re.compile(r"\s*[+\-0-9]", re.ASCII)
_NOTHING = Regular(b"", np.zeros(0, np.uint8), np.zeros(0, np.int64), np.zeros(0, np.int64), has_quotes=False)


class RowCutter:
    """Cuts the lines below a log's headings, in order; headings that stand there again may move the columns."""

    def __init__(self, above: Sequence[str], layout: Layout, wanted: Sequence[str], delimiter: str, where: str) -> None:
        """Set out.

        Args:
            above: The lines above the data.
            layout: By the headings among them.
            wanted: Headings in the order the cells are wanted; the first is the time's.
            delimiter: Between cells.
            where: What to call the log in messages.
        """
        self._layout = layout
        self._wanted = wanted
        self._delimiter = delimiter
        self._where = where
        self._above = {line.strip() for line in above if line.strip()}
        cells = {line: parse_cells(line, delimiter) or [line] for line in self._above}
        # All others are told from rows by how their first cell begins.
        self._like_data = [line for line in cells if any(map(_STAMP_START.match, cells[line]))]
        self._blank = f"{delimiter} \t"
        self._first = wanted[0].encode("utf-8", "surrogateescape")
        mark = re.escape(delimiter.encode("utf-8", "surrogateescape"))
        self._heading = re.compile(re.escape(self._first) + rb"(?=[^0-9A-Za-z]|" + mark + rb"|\Z)")

    def cut(self, data: bytes, first_line: int, errors: str) -> Iterator[LogRows]:
        """Cut whole lines.

        Args:
            data: Lines in UTF-8, each ended by LF.
            first_line: 0-based number of the first.
            errors: How to decode what is no UTF-8.

        Yields:
            The rows between one row of headings and the next.

        Raises:
            TrialCaptureError: Headings that stand again lack a wanted one.
        """
        begin = 0
        for start, end, line in self._new_headings(data, errors):
            found = self._cut(data[begin:start], first_line, errors)
            number = first_line + data.count(b"\n", begin, start)
            found.rejects.append(Reject(number, "repeated heading", line))
            yield found
            self._layout = find_layout(line, self._wanted, self._delimiter, f"{self._where}, row {number + 1}")
            begin, first_line = end, number + 1
        if begin < len(data):
            yield self._cut(data[begin:], first_line, errors)

    def cut_torn(self, torn: bytes, number: int, errors: str) -> LogRows:
        """Cut the last line of a log, which has no end."""
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
        if self._first not in data:
            return
        end = 0
        for match in self._heading.finditer(data):
            if match.start() < end:
                continue
            start, end = data.rfind(b"\n", 0, match.start()) + 1, data.find(b"\n", match.start()) + 1
            line = data[start : end - 1].decode("utf-8", errors)
            if line.strip() in self._above or not line.strip(self._blank):
                continue
            if self._wanted[0] in map(str.strip, parse_cells(line, self._delimiter) or []):
                yield start, end, line

    def _cut(self, data: bytes, first_line: int, errors: str) -> LogRows:
        raw = b"".join([b"\n" * _MARGIN, data, b"\n" * _MARGIN])
        buf = np.frombuffer(raw, np.uint8)
        inner = buf[_MARGIN:-_MARGIN]
        is_end = inner == _LF
        if len(self._delimiter) == 1 and self._delimiter.isascii():
            is_end |= inner == ord(self._delimiter)
        ends = np.concatenate([[_MARGIN - 1], np.flatnonzero(is_end) + _MARGIN])
        line_ends = np.flatnonzero(buf[ends] == _LF)  # the first stands before the first line
        starts, stops = ends[line_ends[:-1]] + 1, ends[line_ends[1:]]
        is_regular, first_end = self._regular_lines(data, buf, ends, line_ends, errors)
        regular = Regular(raw, buf, ends, first_end[is_regular], b'"' in data)
        found = LogRows(np.zeros(0, np.int64), self._layout, errors, regular)
        is_row = is_regular.copy()
        picked = {}
        for index in np.flatnonzero(~is_regular).tolist():
            line = data[starts[index] - _MARGIN : stops[index] - _MARGIN].decode("utf-8", errors)
            cells = self._read_line(line, first_line + index, found, is_torn=False)
            if cells is not None:
                picked[index] = self._pick(cells)
                is_row[index] = True
        lines = np.flatnonzero(is_row)
        found.rows = lines + first_line
        if lines.size:
            first = int(found.rows[0])
            found.first_row = first if found.first_row is None else min(first, found.first_row)
        found.regular = np.flatnonzero(is_regular[lines])
        found.texts = dict(zip(np.searchsorted(lines, list(picked)).tolist(), picked.values(), strict=True))
        return found

    def _regular_lines(
        self, data: bytes, buf: Bytes, ends: Ints, line_ends: Ints, errors: str
    ) -> tuple[npt.NDArray[np.bool_], Ints]:
        """Return which lines can be cut all at once, and the index of each line's first end of a cell."""
        width = self._layout.width
        first_end = line_ends[:-1] + 1
        delimiters = line_ends[1:] - first_end
        enough = delimiters[delimiters >= width - 1]
        if not enough.size or not self._delimiter.isascii() or self._delimiter in '\0"+-0123456789':
            return np.zeros(first_end.size, np.bool_), first_end
        usual = int(np.bincount(enough).argmax())
        is_regular = delimiters == usual
        if usual > width - 1:  # what stands beyond the last heading must be empty
            beyond = ends[line_ends[1:]] - ends[np.minimum(first_end + width - 1, line_ends[1:])]
            is_regular &= beyond == usual - (width - 1)
        line_stops = ends[line_ends[1:]]
        if b'"' in data:
            is_regular &= _has_whole_quotes(buf, ends, line_stops)
        if b"\0" in data:
            is_regular[np.searchsorted(line_stops, np.flatnonzero(buf == 0))] = False
        # A line that is blank or a heading has no stamp.
        start = ends[first_end[is_regular] + self._layout.places[0] - 1] + 1
        start = start + (buf[start] == _QUOTE)
        while self._delimiter != " " and (spaced := buf[start] == _SPACE).any():
            start = start + spaced
        is_data, like_data = _IS_STAMP_START[buf[start]], self._like_data
        if 2 * np.count_nonzero(is_data) < is_data.size:  # these stamps begin with a word, as headings do
            is_data, like_data = (_IS_INK & (np.arange(256) != ord(self._delimiter)))[buf[start]], list(self._above)
        is_regular[is_regular] = is_data
        for line in like_data:
            if line.count(self._delimiter) != usual and not self._delimiter.isspace():
                continue
            for match in re.finditer(re.escape(line.encode("utf-8", errors)), data):
                is_regular[np.searchsorted(line_stops, match.start() + _MARGIN)] = False
        return is_regular, first_end

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


def _has_whole_quotes(buf: Bytes, ends: Ints, line_stops: Ints) -> npt.NDArray[np.bool_]:
    """Return which lines have quotes in pairs around whole cells and nowhere else; they then mean nothing."""
    at = np.flatnonzero(buf == _QUOTE)
    line = np.searchsorted(line_stops, at)
    is_end = np.zeros(len(buf), dtype=np.bool_)
    is_end[ends] = True
    opens, closes = is_end[at - 1], is_end[at + 1]
    is_whole: npt.NDArray[np.bool_] = np.bincount(line, minlength=line_stops.size) % 2 == 0
    is_whole[line[opens == closes]] = False
    is_whole &= np.diff(line_stops, prepend=_MARGIN - 1) < _LONGEST_QUOTED
    paired = is_whole[line]
    at, line, opens = at[paired], line[paired], opens[paired]
    cell = np.searchsorted(ends, at)
    is_pair = opens[::2] & ~opens[1::2] & (cell[::2] == cell[1::2])
    is_whole[line[::2][~is_pair]] = False
    return is_whole


def _row_fault(line: str, cells: list[str] | None, width: int) -> str:
    if "\0" in line:
        return "control bytes"
    if cells is None:
        return "quotes"
    is_whole = len(cells) == width or (len(cells) > width and not "".join(cells[width:]).strip())
    return "" if is_whole else "field count"
