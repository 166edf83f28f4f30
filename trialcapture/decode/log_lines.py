"""Lines of an engine log and where all their cells end, found in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
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
