"""The wanted cells of an engine log's rows, as they stand in its bytes or as texts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from trialcapture.decode.log_headings import Layout

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_SPACE, _QUOTE = b' "'


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
