"""Rows of one sentence type as they were decoded, here and there in a block, put together into its table."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode import columns
from trialcapture.decode.fields import I64, Column
from trialcapture.decode.meanings import Columns

I32 = npt.NDArray[np.int32]


class Part(NamedTuple):
    """Rows of one sentence type; every array is (n,)."""

    line: I64
    """The line of the file each is from; ascending, or to be sorted."""
    columns: Columns
    """``mono_ns``, ``wall_ms``, ``source`` and ``talker`` (codes), then those of the sentence."""


class Names:
    """Names numbered as they come, listed in the order of the lines they first stand in."""

    def __init__(self, first: str | None = None) -> None:
        """Begin with a name that comes before all others, if one is given."""
        self._first_line: dict[str, int] = {} if first is None else {first: -1}
        self._code = {name: code for code, name in enumerate(self._first_line)}

    def code(self, name: str, line: int) -> int:
        """Return the number of a name, found in a line."""
        if line < self._first_line.get(name, line + 1):
            self._first_line[name] = line
        return self._code.setdefault(name, len(self._code))

    def codes(self, names: list[str], code: I32, line: I64) -> I32:
        """Return the numbers of many names, given by their places in a list; ``code`` and ``line`` are (n,)."""
        first = np.full(len(names), -1, np.int64)
        first[code[::-1]] = np.arange(len(code) - 1, -1, -1)  # of several written to one place the last one stays
        place = np.zeros(len(names), np.int32)
        for at in np.argsort(first, kind="stable").tolist():
            if first[at] >= 0:
                place[at] = self.code(names[at], int(line[first[at]]))
        return place[code]

    def listed(self) -> tuple[pa.Array, I32]:
        """Return a column of the names in order, and for each number the name's place in it."""
        names = sorted(self._first_line, key=lambda name: (self._first_line[name], self._code[name]))
        place = np.zeros(len(names), np.int32)
        place[[self._code[name] for name in names]] = np.arange(len(names), dtype=np.int32)
        return column_of(names, pa.string()), place


def constant(value: int, count: int) -> Column:
    """Return a column of codes that are all the same."""
    return Column(np.full(count, value, np.int32), np.ones(count, np.bool_))


def join_parts(parts: list[Part]) -> Part:
    """Put parts together in the order of their lines; rows of one line stay in the order given."""
    line = np.concatenate([part.line for part in parts])
    order = None if (line[1:] >= line[:-1]).all() else np.argsort(line, kind="stable")
    merged = {}
    for name in parts[0].columns:
        column = Column(
            np.concatenate([part.columns[name].values for part in parts]),
            np.concatenate([part.columns[name].present for part in parts]),
        )
        if order is not None:
            present = column.present if column.present.all() else column.present.take(order)
            column = Column(column.values.take(order), present)
        merged[name] = column
    return Part(line if order is None else line.take(order), merged)


def to_table(part: Part, named: dict[str, tuple[pa.Array, I32]]) -> pa.Table:
    """Return the Arrow table of a sentence type.

    Args:
        part: All its rows, in order.
        named: For each column of codes, the names and where among them each code's stands.
    """
    table = {"line": to_arrow(part.line)}
    for name, column in part.columns.items():
        if name in named:
            names, place = named[name]
            array = pa.DictionaryArray.from_arrays(to_arrow(place[column.values], column.present), names)
            table[name] = array.cast(pa.string()) if name == "name" else array
        else:
            table[name] = _to_arrow(column)
    return pa.table(table)


def _to_arrow(column: Column) -> pa.Array:
    if column.values.dtype == np.bool_:
        return to_arrow(column.values)
    if column.values.dtype == np.uint8:
        return columns.letters(column.values, column.present)
    if column.values.dtype.kind == "S":
        return columns.texts(column.values, column.present)
    return to_arrow(column.values, column.present)
