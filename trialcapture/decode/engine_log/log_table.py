"""Engine logs as offloaded to tables: declared columns, units and clock; nothing is guessed.

`EngineLogDecoder` reads a log block by block: `log_cells` gives cells and numbers, `RowTimes` the times; here numbers
become channels in their units, cells and rows that do not fit become rejects, and a log that does not fit its
declaration (`RowFit`, `CellFit`) is refused with row, column, the cell seen and what would be right.

Long forms, one reading a row, are joined to rows that hold all quantities of one time.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.buffers import values as values_of
from trialcapture.config import BY_DENSITY, EngineLog, LogColumn, log_channel
from trialcapture.decode import byte_columns, rejects
from trialcapture.decode.engine_log.log_cells import (
    NUMBER,
    VOID_CELLS,
    LogRows,
    LogText,
    NumberCells,
    Reject,
    RowReader,
    column_name,
    find_layout,
    has_numbers_only,
    shown,
)
from trialcapture.decode.engine_log.log_stamps import RowTimes
from trialcapture.decode.engine_log.log_time import SKIPPED, TWICE, Readings, fitting_formats
from trialcapture.errors import TrialCaptureError
from trialcapture.units import convert, dimension

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_CLASH_SHARE = 0.01
_ENOUGH_TRIPLES = 20
_BACK_SHARE, _ALTERNATING_SHARE = 0.25, 0.5
_BACK = 0.25
_SAME_STAMPS_SHARE = 0.9
"""How mixed readings are told from those of one engine (common practice, no source). Of one engine a reading seldom
returns at once to within a quarter of where it came from: in 15 of 100 triples of pure noise, hardly ever in a trend;
of two engines in turns it nearly always does."""


@dataclass(frozen=True, slots=True)
class LongReadings:
    """Readings in file order, all of shape (n,): 0-based line, time [ns], index of the quantity, value."""

    row: Ints
    t_ns: Ints
    code: Ints
    value: Floats

    def only(self, index: npt.NDArray[np.bool_] | Ints | slice) -> LongReadings:
        """Return some of them."""
        return LongReadings(self.row[index], self.t_ns[index], self.code[index], self.value[index])


@dataclass(slots=True)
class _Sequence:
    """What the readings of one name have shown so far; `t_ns` and `value` are the last two."""

    t_ns: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    value: Floats = field(default_factory=lambda: np.zeros(0))
    stamps: int = 0
    clashes: int = 0
    triples: int = 0
    back: int = 0

    def add(self, t_ns: Ints, value: Floats) -> None:
        t_ns, value = np.concatenate([self.t_ns, t_ns]), np.concatenate([self.value, value])
        begin = max(self.t_ns.size - 1, 0)
        same = t_ns[begin + 1 :] == t_ns[begin:-1]
        self.stamps += int(np.count_nonzero(~same)) + (self.t_ns.size == 0)
        self.clashes += int(np.count_nonzero(same & (value[begin + 1 :] != value[begin:-1])))
        out, home = np.abs(value[1:-1] - value[:-2]), np.abs(value[2:] - value[1:-1])
        returns = (out > 0) & (np.abs(value[2:] - value[:-2]) < _BACK * np.minimum(out, home))
        self.triples += out.size
        self.back += int(np.count_nonzero(returns))
        self.t_ns, self.value = t_ns[-2:], value[-2:]

    @property
    def is_mixed(self) -> bool:
        """True where the readings are of two things in turns."""
        enough = self.triples >= _ENOUGH_TRIPLES
        if enough and self.back > _ALTERNATING_SHARE * self.triples:
            return True
        clashes = self.clashes > _CLASH_SHARE * self.stamps
        return clashes and not (enough and self.back <= _BACK_SHARE * self.triples)


class LongRows:
    """Gathers readings into rows of one time each.

    Logs in order of time pass through. An export quantity by quantity begins again for each of them, so that all is
    held until the end, 32 bytes a reading.
    """

    def __init__(self, names: Sequence[str]) -> None:
        """Set out.

        Args:
            names: What the quantities are called in the log, in the order of their codes.
        """
        self._names = names
        self._held: list[LongReadings] = []
        self._is_by_time = False
        self._sequences = [_Sequence() for _ in names]

    def add(self, found: LongReadings) -> None:
        """Take in the next readings of the log."""
        if not found.row.size:
            return
        for code, sequence in enumerate(self._sequences):
            mine = found.code == code
            if mine.any():
                sequence.add(found.t_ns[mine], found.value[mine])
        self._held.append(found)

    def take(self, *, is_last: bool) -> tuple[Ints, Ints, Floats]:
        """Return the rows that are whole: line of the first reading, time [ns], and values (n, quantities), NaN
        where there is none.
        """
        if not self._held:
            return self._none()
        held = _joined(self._held)
        self._held = [held]
        if not self._is_by_time:
            runs = 1 + int(np.count_nonzero(np.diff(held.code)))
            self._is_by_time = runs > np.unique(held.code).size
        if is_last:
            self._held = []
            if not self._is_by_time:
                return self._rows(*_in_order_of_time(held))
            return self._rows(held, np.zeros(held.row.size, np.int64))
        if not self._is_by_time:
            return self._none()
        # the last stamp may go on in the next block
        ends = np.flatnonzero(np.diff(held.t_ns))
        stop = int(ends[-1]) + 1 if ends.size else 0
        self._held = [held.only(slice(stop, None))]
        return self._rows(held.only(slice(0, stop)), np.zeros(stop, np.int64))

    def _none(self) -> tuple[Ints, Ints, Floats]:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, len(self._names)))

    def check(self, where: str) -> None:
        """Refuse readings of two things under one name.

        Raises:
            TrialCaptureError: There are such.
        """
        for name, sequence in zip(self._names, self._sequences, strict=True):
            if sequence.is_mixed:
                seen = f"{sequence.clashes} times two different readings at one time" if sequence.clashes else (
                    f"{sequence.back} of {sequence.triples} readings that return at once to the last but one"
                )  # fmt: skip
                raise _mixed(name, seen, where)
        if self._held and not self._is_by_time:
            held = _joined(self._held)
            for code, name in enumerate(self._names):
                if _comes_twice(held.t_ns[held.code == code], held.value[held.code == code]):
                    raise _mixed(name, "all its times come twice, with other readings", where)

    def _rows(self, found: LongReadings, part: Ints) -> tuple[Ints, Ints, Floats]:
        """Return one row for each run of equal times; a quantity that comes again in a run begins another row."""
        if not found.row.size:
            return self._none()
        count = len(self._names)
        begins = (np.diff(found.t_ns, prepend=found.t_ns[0] - 1) != 0) | (np.diff(part, prepend=part[0]) != 0)
        key = (np.cumsum(begins) - 1) * count + found.code
        order = np.argsort(key, kind="stable")
        first = np.flatnonzero(np.diff(key[order], prepend=-1))
        nth = np.arange(key.size) - np.repeat(first, np.diff(first, append=key.size))
        again = np.zeros(key.size, np.int64)
        again[order] = nth
        group = (np.cumsum(begins) - 1) * (int(again.max()) + 1) + again
        _, start, index = np.unique(group, return_index=True, return_inverse=True)
        values = np.full((start.size, count), np.nan)
        values[index, found.code] = found.value
        row = np.full(start.size, np.iinfo(np.int64).max)
        np.minimum.at(row, index, found.row)
        return row, found.t_ns[start], values


def _joined(parts: Sequence[LongReadings]) -> LongReadings:
    return LongReadings(
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.t_ns for part in parts]),
        np.concatenate([part.code for part in parts]),
        np.concatenate([part.value for part in parts]),
    )


def _mixed(name: str, seen: str, where: str) -> TrialCaptureError:
    return TrialCaptureError(
        f"the readings named {name!r} are of two things in turns, such as two engines",
        seen=seen,
        where=where,
        expected="export the log with a name of its own for each engine's quantity, or each engine by itself",
    )


def _epochs(t_ns: Ints) -> tuple[Ints, int]:
    """Return how often the time of one quantity has begun again at each reading, and which way it runs, 1 or -1."""
    step = np.diff(t_ns)
    way = -1 if np.count_nonzero(step < 0) > np.count_nonzero(step > 0) else 1
    return np.concatenate([[0], np.cumsum(way * step < 0)]).astype(np.int64), way


def _in_order_of_time(found: LongReadings) -> tuple[LongReadings, Ints]:
    """Return readings that came quantity by quantity in order of time, and the epoch of each."""
    epoch, way = np.zeros(found.row.size, np.int64), 1
    for code in np.unique(found.code).tolist():
        mine = found.code == code
        epoch[mine], way = _epochs(found.t_ns[mine])
    order = np.lexsort((found.row, way * found.t_ns, epoch))
    return found.only(order), epoch[order]


def _comes_twice(t_ns: Ints, value: Floats) -> bool:
    """Return True where the time of a quantity begins again and gives the same stamps other readings."""
    if t_ns.size < 2:
        return False
    epoch, _ = _epochs(t_ns)
    for nth in range(1, int(epoch[-1]) + 1):
        (one, seen), (other, again) = ((t_ns[epoch == e], value[epoch == e]) for e in (nth - 1, nth))
        both, at, to = np.intersect1d(one, other, return_indices=True)
        if both.size >= _SAME_STAMPS_SHARE * max(one.size, other.size) and (seen[at] != again[to]).any():
            return True
    return False


# Channels and units.


@dataclass(frozen=True, slots=True)
class LogChannel:
    """One channel to be read: its name and unit here, its column, unit and scale in the log."""

    channel: str
    unit: str
    column: str | int
    log_unit: str
    scale: float = 1.0
    offset: float = 0.0

    @property
    def heading(self) -> str:
        """What to call its column."""
        return column_name(self.column)


def log_channels(spec: EngineLog, engine_ids: tuple[str, ...]) -> list[LogChannel]:
    """Return the channels declared for a log, in their order."""
    wanted = []
    for key, column in spec.columns.items():
        known = log_channel(key, engine_ids)
        if isinstance(column, LogColumn) and known is not None:
            name, unit, engine_id = known
            stem = f"{name}_{engine_id}"
            wanted.append(LogChannel(stem, unit, column.name, column.unit, column.scale, column.offset))
    return wanted


BY_MASS = "by_mass"
"""Key of the metadata of a column that the log gives by mass: its litres are those at 15 °C, where density is
stated."""


def needs_density(channel: LogChannel) -> bool:
    """Return True where the log gives by mass what is wanted by volume."""
    kind, needed = dimension(channel.log_unit), dimension(channel.unit)
    return kind != needed and BY_DENSITY.get(needed) == kind


def to_unit(values: Floats, channel: LogChannel, density_kg_per_m3: float | None) -> Floats:
    """Return a log's numbers in the channel's unit; NaN where that needs a density which is not known."""
    if channel.scale != 1.0 or channel.offset != 0.0:
        values = values * channel.scale + channel.offset
    if not needs_density(channel):
        return convert(values, channel.log_unit, channel.unit)
    if density_kg_per_m3 is None:
        return np.full(values.shape, np.nan)
    by_mass = "kg/h" if dimension(channel.log_unit) == "mass flow" else "kg"
    return convert(values, channel.log_unit, by_mass) / (density_kg_per_m3 / 1000.0)


# Refusal of a log that does not fit its declaration.

MISFIT_SHARE = 0.01
"""A larger share of cells of a column, or of rows, that do not fit means a wrong declaration and not damage
(common practice, no source). A single one never does."""


@dataclass(frozen=True, slots=True)
class FirstRow:
    """The first row of data, if it is whole.

    Attributes:
        row: 0-based line.
        cells: The wanted cells by heading or number of their column, those of the time first.
        times: How many of them are of the time.
        fits: True where its time or one of its numbers fits what was declared.
    """

    row: int
    cells: Mapping[str, str]
    times: int
    fits: bool

    @property
    def is_of_units(self) -> bool:
        """True for a row that is more likely one of units than of data: they may not be those declared."""
        if self.fits or any(re.search(r"\d\d", text) for text in self.cells.values()):
            return False
        values = list(self.cells.values())[self.times :]
        return any(_UNIT.fullmatch(text) and text.lower() not in VOID_CELLS for text in values)

    def __str__(self) -> str:
        """Return the row as people may compare it with the declaration."""
        return f"row {self.row + 1} reads " + ", ".join(
            f"{name} = {shown(text)!r}" for name, text in self.cells.items()
        )


_UNIT = re.compile(r"[^#=]*(?:[^\W\d_]|[%°\u00ba])[^#=]*")
_MISFITS = ("field count", "quotes", "control bytes")


class RowFit:
    """How far the rows of a log fit its headings.

    Attributes:
        first_row: 0-based line of the first row of data, whole or not, or None before there was one.
    """

    def __init__(self) -> None:
        self.first_row: int | None = None
        self._rows = 0
        self._misfits = 0
        self._first_misfit: Reject | None = None
        self._first_reject: Reject | None = None

    def add(self, found: LogRows) -> None:
        """Count rows as they come."""
        bad = [reject for reject in found.rejects if reject.reason in _MISFITS]
        self._rows += len(found.rows)
        self._misfits += len(bad)
        self._first_misfit = self._first_misfit or next(iter(bad), None)
        self._first_reject = self._first_reject or next(iter(found.rejects), None)
        self.first_row = found.first_row if self.first_row is None else self.first_row

    def check(self, spec: EngineLog, where: str) -> None:
        """Refuse a log whose rows do not fit its headings.

        Raises:
            TrialCaptureError: There is no row, or too many have not one cell a heading.
        """
        bad = self._first_misfit
        if not self._rows and bad is None:
            raise TrialCaptureError(
                "this engine log has no whole row of data",
                seen=shown(self._first_reject.text) if self._first_reject else "nothing but empty rows",
                where=where,
                expected="one whole row at least",
            )
        limit = max(1.0, MISFIT_SHARE * (self._rows + self._misfits))
        if bad is None or (self._rows and self._misfits <= limit):
            return
        hint = f"each row must have a cell for each heading, with {spec.delimiter!r} between"
        if bad.reason == "field count" and spec.delimiter == ",":
            hint += "; decimal commas need another delimiter, or quotes around each number"
        raise TrialCaptureError(
            "the rows of this engine log do not fit its headings",
            seen=shown(bad.text),
            where=f"{where}, row {bad.row + 1} ({bad.reason}), {self._misfits} such row(s) in all",
            expected=hint,
        )


class CellFit:
    """How far the cells of one column fit what was declared of it."""

    def __init__(self, heading: str) -> None:
        self.heading = heading
        self.numbers: tuple[int, ...] = ()
        """Numbers of its columns in a row, from 1, where they were found by heading."""
        self._filled = 0
        self._misfits = 0
        self._first: tuple[int, str, str] | None = None

    def add(self, misfits: Sequence[Reject], filled: int, hint: Callable[[], str]) -> None:
        """Count cells as they come.

        Args:
            misfits: Those that do not fit, in order.
            filled: How many cells are not void.
            hint: Says what would fit instead of the first misfit.
        """
        self._filled += filled
        self._misfits += len(misfits)
        if misfits and self._first is None:
            self._first = (misfits[0].row, misfits[0].text, hint())

    def check(self, first: FirstRow | None, where: str, *, needs_one: bool = False) -> None:
        """Refuse a log one of whose columns does not fit what was declared of it.

        Args:
            first: The first row of data.
            where: What to call the log.
            needs_one: There is nothing without a cell that fits.

        Raises:
            TrialCaptureError: Too many cells do not fit, or none does, or the first row is one of units.
        """
        if self._first is None:
            return
        row, text, expected = self._first
        is_units = first is not None and row == first.row and first.is_of_units
        is_none = self._misfits >= self._filled
        if not is_units and self._misfits <= max(1.0, MISFIT_SHARE * self._filled) and not (is_none and needs_one):
            return
        if is_none and first is not None:
            expected += f"; {first}"
        share = "" if self._misfits == 1 else f", one of {self._misfits} such cells in {self._filled}"
        raise TrialCaptureError(
            "a cell of this engine log does not fit what was declared",
            seen=shown(text),
            where=f"{where}, row {row + 1}, {self._column()}{share}{self._number()}",
            expected=expected,
        )

    def _column(self) -> str:
        is_number = not self.numbers and self.heading.startswith("column ")
        return self.heading if is_number else f"column {self.heading!r}"

    def _number(self) -> str:
        return f" (column {' + '.join(map(str, self.numbers))} from the left)" if self.numbers else ""


def number_hint(text: str, spec: EngineLog, row: int) -> str:
    """Return what would be right where a number was expected."""
    other = "," if spec.decimal == "." else "."
    if text.count(other) == 1 and spec.decimal not in text and NUMBER.fullmatch(text.replace(other, ".")):
        thousands = f", or thousands = {other!r}" if re.search(r"\D\d{3}$", text) else ""
        return f"expected a number with decimal {spec.decimal!r}; decimal = {other!r}{thousands}?"
    if re.fullmatch(r"[\d.,' \u00a0\u202f]+", text):
        mark = next((m for m in ",.' \u2019" if m != spec.decimal and m in re.sub("[\u00a0\u202f]", " ", text)), other)
        return f"expected a number without thousands separators; if {mark!r} is one, declare thousands = {mark!r}"
    if re.match(r"[+-]?\d", text):
        return "expected a number alone; export the log without units or other text in the cells"
    return f"expected a number with decimal {spec.decimal!r}, or an empty cell" + _unit_row_hint(text, spec, row)


def time_hint(text: str, state: int, spec: EngineLog, row: int) -> str:
    """Return what would be right where a time was expected; `state` as `RowTimes` gives it."""
    if state in (SKIPPED, TWICE):
        what = (
            "never was, the clocks were put forward past it"
            if state == SKIPPED
            else "came twice as the clocks were put back, and the rows around it do not tell which is meant"
        )
        return (
            f"in {spec.timezone} this time {what}; declare the offset from UTC that the logger kept, "
            f"such as timezone = '+01:00'"
        )
    hint = f"expected a time as time_format = {spec.time_format!r} declares it"
    fitting = [pattern for pattern in fitting_formats(text) if pattern != spec.time_format]
    if len(fitting) == 1:
        return f"{hint}; this one would fit time_format = {fitting[0]!r}"
    if fitting:
        choice = " or ".join(repr(pattern) for pattern in fitting)
        return f"{hint}; this one would fit {choice}: find out which, it is not guessed here"
    if re.match(r"\d{1,2}:\d\d", text):
        return (
            f'{hint}; this one has no date: if that stands in another column, declare date = "…" beside time; if '
            'nowhere, declare date = "2026-05-14", the day of the first row; if it counts from the start of the log, '
            'declare time_format = "elapsed_hms"'
        )
    return hint + _unit_row_hint(text, spec, row)


def _unit_row_hint(text: str, spec: EngineLog, row: int) -> str:
    if row != spec.header_rows + spec.skip_rows_after_header or re.search(r"\d\d", text):
        return ""
    return f"; if this is a row of units, declare skip_rows_after_header = {spec.skip_rows_after_header + 1}"


# Rejects, and their counts by column and reason.

_REASONS = ("control bytes", "field count", "number", "quotes", "range", "repeated heading", "time", "truncated")


@dataclass(frozen=True, slots=True)
class LogRejection:
    """Cells of one column, or whole rows, that could not be used for one reason.

    Attributes:
        column: Heading of the column, or its number; "" where whole rows could not be used.
        reason: Why, as the table of rejects has it.
        count: How many.
        row: The first of them, counted from 1 as an editor or a spreadsheet shows it.
        text: What stood there.
    """

    column: str
    reason: str
    count: int
    row: int
    text: str


class RejectCounter:
    """Counts rejects, and makes tables of them."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._counted: dict[tuple[str, str], LogRejection] = {}

    def counted(self) -> list[LogRejection]:
        """Return the counts so far, by column and reason."""
        return [self._counted[key] for key in sorted(self._counted)]

    def table(self, found: Sequence[Reject]) -> pa.Table:
        """Return rejects as a table, and count them."""
        for reject in found:
            key = (reject.column, reject.reason)
            first = self._counted.get(key)
            count, row, text = (
                (0, reject.row + 1, reject.text) if first is None else (first.count, first.row, first.text)
            )
            self._counted[key] = LogRejection(*key, count + 1, row, text)
        what = [f"{r.column}={r.text}" if r.column else r.text for r in found]
        kept = [text.encode("utf-8", "surrogateescape")[: rejects.LONGEST_KEPT_BYTES] for text in what]
        count = len(found)
        names = sorted({r.column for r in found if r.column})
        field = np.array([names.index(r.column) if r.column else -1 for r in found], np.int32)
        return pa.Table.from_arrays(
            [
                byte_columns.dictionary(np.zeros(count, np.int32), [self._where]),
                to_arrow(np.array([r.row for r in found], dtype=np.int64)),
                to_arrow(np.zeros(count, np.int64), np.zeros(count, np.bool_)),
                byte_columns.dictionary(np.array([_REASONS.index(r.reason) for r in found], dtype=np.int32), _REASONS),
                column_of(kept, pa.binary()),
                rejects.no_words(count),
                rejects.optional_words(field, names),
            ],
            schema=rejects.SCHEMA,
        )


def cell_rejects(
    found: LogRows, mask: npt.NDArray[np.bool_], heading: str, parts: Sequence[int], reason: str
) -> list[Reject]:
    """Return the marked rows' cells of some wanted columns as rejects."""
    indexes = np.flatnonzero(mask)
    rows = found.rows[indexes].tolist()
    texts = found.cells(indexes.tolist(), parts)
    return [Reject(row, reason, text, heading) for row, text in zip(rows, texts, strict=True)]


_BLOCK_BYTES = 4 << 20
"""Bytes of a log decoded at once (our choice)."""
_NAMES_SHOWN = 40
"""Most names listed in a message (our choice: half a screen)."""


@dataclass(frozen=True, slots=True)
class _ReadBlock:
    """Rows of a block whose stamps are read; their offsets from UTC may not be known yet."""

    found: LogRows
    readings: Readings
    values: list[tuple[Floats, Bools]]
    cell_rejects: list[Reject]
    codes: Ints | None = None
    """Of a long form, which channel each row is a reading of, -1 for none; `values` are then one column."""


def decode_engine_log(
    data: bytes,
    spec: EngineLog,
    engine_ids: Sequence[str],
    where: str,
    *,
    density_kg_per_m3: float | None = None,
) -> tuple[pa.Table, pa.Table]:
    """Read one engine log that is at hand as a whole; see `EngineLogDecoder`.

    Args:
        data: The file, unpacked, as offloaded.
        spec: What was declared about it.
        engine_ids: Ids of the boat's engines.
        where: What to call the log in messages and as source of rejects, usually its file name.
        density_kg_per_m3: Density of the fuel, for logs that give it by mass.

    Returns:
        The rows and the rejects; ``backward_stamps`` counts those of the whole log.

    Raises:
        TrialCaptureError: As `EngineLogDecoder.finish` does.
    """
    decoder = EngineLogDecoder(spec, engine_ids, where, density_kg_per_m3=density_kg_per_m3)
    parts = [decoder.decode(data[at : at + _BLOCK_BYTES]) for at in range(0, len(data), _BLOCK_BYTES)]
    parts.append(decoder.finish())
    tables = [table for table, _ in parts]
    backward = sum(int(table.schema.metadata[b"backward_stamps"]) for table in tables)
    rows = pa.concat_tables(tables).combine_chunks()
    bad = pa.concat_tables([found for _, found in parts]).combine_chunks()
    return rows.replace_schema_metadata({"backward_stamps": str(backward)}), bad


class EngineLogDecoder:
    """Reads an engine log block by block, in memory that does not grow with its length.

    The one exception: where readings of the clock came twice, as the clocks were put back, rows are held until
    those after them tell which is meant; that is an hour of rows, or all that follow where there is a hole of more
    than a minute beside them, as then the pace of the whole log decides.

    Each table of rows is in file order and has `row` (0-based line in the file), `t_log_ns` (the log's own clock in
    its declared zone [ns since 1970 UTC], or since its start for elapsed times) and one float64 column a declared
    channel, null where void or unreadable; field metadata names the unit, schema metadata counts the table's
    ``backward_stamps``. Rejects are whole rows, or single cells as ``heading=cell``; their ``line`` is the row.
    Readings of one time in a long form are one row, as `LongRows` gathers them.
    """

    def __init__(
        self, spec: EngineLog, engine_ids: Sequence[str], where: str, *, density_kg_per_m3: float | None = None
    ) -> None:
        """Take the arguments of `decode_engine_log`."""
        self._spec = spec
        self._where = where
        self._density_kg_per_m3 = density_kg_per_m3
        self._wanted = log_channels(spec, tuple(engine_ids))
        self._times = RowTimes(spec)
        self._time_headings = [column_name(column) for column in self._times.columns]
        self._code_of: dict[str, int] = {}
        self._long: LongRows | None = None
        of_values: list[str | int] = [w.column for w in self._wanted]
        if spec.form == "long" and spec.parameter is not None and spec.value is not None:
            self._code_of = {w.heading: code for code, w in enumerate(self._wanted)}
            self._long = LongRows(list(self._code_of))
            of_values = [spec.parameter, spec.value]
        self._columns = [*self._times.columns, *of_values]
        self._text = LogText(spec.encoding)
        self._above = b""
        self._reader: RowReader | None = None
        self._numbers = NumberCells(spec.decimal, spec.thousands)
        self._names_seen: dict[str, None] = {}
        self._rejected = RejectCounter(where)
        self._held: list[_ReadBlock] = []
        self._last_ns: int | None = None
        self._row_fit = RowFit()
        self._first: FirstRow | None = None
        self._time_fit = CellFit(self._times.heading)
        self._cell_fits = [CellFit(w.heading) for w in self._wanted]

    def decode(self, block: bytes) -> tuple[pa.Table, pa.Table]:
        """Read the next block, cut anywhere, and return the rows and rejects that are certain by now.

        Raises:
            TrialCaptureError: A heading is missing.
        """
        return self._emit(self._read(self._text.take(block)), is_last=False)

    def finish(self, *, with_torn: bool = True) -> tuple[pa.Table, pa.Table]:
        """Return the last rows and rejects.

        Args:
            with_torn: Read a last line without its end too; not where the log still grows, as half a number is a
                number.

        Raises:
            TrialCaptureError: There is no row, or the first row of data does not fit what was declared, or more
                than one in a hundred cells of a column do not, or the fuel's density is needed and not known.
        """
        whole, torn = self._text.finish()
        torn = torn if with_torn else b""
        blocks = self._read(whole, torn)
        if self._reader is None:
            self._refuse_empty(bool(torn))
        elif torn:
            blocks.append(self._read_block(self._reader.read_torn(torn, self._text.errors)))
        last = self._emit(blocks, is_last=True)
        self._number_columns()
        self._row_fit.check(self._spec, self._where)
        self._time_fit.check(self._first, self._where, needs_one=True)
        self._refuse_missing_names()
        for channel, fit in zip(self._wanted, self._cell_fits, strict=True):
            fit.check(self._first, self._where)
            if needs_density(channel) and self._density_kg_per_m3 is None:
                raise TrialCaptureError(
                    "a fuel by mass needs the fuel's density to become a volume",
                    seen=channel.log_unit,
                    where=f"the column headed {channel.heading!r}",
                    expected="declare density_kg_per_m3 under [fuel]",
                )
        return last

    @property
    def rejections(self) -> list[LogRejection]:
        """What could not be used so far, counted by column and reason."""
        return self._rejected.counted()

    def _number_columns(self) -> None:
        """Give the fits the numbers of their columns, as a spreadsheet counts them."""
        if self._reader is None or has_numbers_only(self._columns):
            return
        numbers, times = self._reader.numbers, len(self._time_headings)
        self._time_fit.numbers = numbers[:times]
        for nth, fit in enumerate(self._cell_fits):
            fit.numbers = numbers[-1:] if self._long is not None else (numbers[times + nth],)

    def _refuse_missing_names(self) -> None:
        missing = [name for name in self._code_of if name not in self._names_seen]
        if missing:
            seen = [shown(name) for name in self._names_seen if name not in self._code_of][:_NAMES_SHOWN]
            raise TrialCaptureError(
                f"there is no reading named {missing[0]!r}",
                seen="the names " + ", ".join(map(repr, seen)) if seen else "no other name",
                where=f"{self._where}, column {column_name(self._columns[-2])!r}",
                expected="give a name as it stands there, capitals too",
            )

    def _read(self, data: bytes, torn: bytes = b"") -> list[_ReadBlock]:
        if self._reader is None:
            data = self._begin(self._above + data, torn)
        if self._reader is None:
            return []
        return [self._read_block(found) for found in self._reader.read(data, self._text.errors)]

    def _begin(self, data: bytes, torn: bytes) -> bytes:
        """Find the headings once all rows above the data are there, and return what follows them."""
        spec = self._spec
        count = spec.header_rows + spec.skip_rows_after_header
        *above, rest = data.split(b"\n", count)
        if len(above) < count or not (rest or torn):
            self._above = data
            return b""
        lines = [line.removesuffix(b"\r").decode("utf-8", self._text.errors) for line in above]
        if has_numbers_only(self._columns):  # how many cells a row has, the first row of data tells
            line, where = (rest or torn).split(b"\n", 1)[0].removesuffix(b"\r"), f"{self._where}, row {count + 1}"
            layout = find_layout(line.decode("utf-8", self._text.errors), self._columns, spec.delimiter, where)
        else:
            where = f"{self._where}, row {spec.header_rows}"
            layout = find_layout(lines[spec.header_rows - 1], self._columns, spec.delimiter, where)
        self._reader = RowReader(lines, layout, self._columns, spec.delimiter, self._where)
        return rest

    def _refuse_empty(self, is_torn: bool) -> None:
        count = self._above.count(b"\n") + is_torn
        start = self._spec.header_rows + self._spec.skip_rows_after_header
        raise TrialCaptureError(
            "this engine log has no row of data",
            seen=f"{count} row" + ("s" if count != 1 else ""),
            where=self._where,
            expected=f"there must be rows after row {start}, by header_rows and skip_rows_after_header",
        )

    def _read_block(self, found: LogRows) -> _ReadBlock:
        self._row_fit.add(found)
        readings = self._times.read(found)
        bad: list[Reject] = []
        codes, times = None, len(self._time_headings)
        if self._long is not None:
            codes, values = self._long_values(found, bad)
        else:
            values = [
                self._channel(found, nth, nth + times, self._numbers.read(found, nth + times), bad)
                for nth in range(len(self._wanted))
            ]
        if self._first is None and len(found.rows) and found.rows[0] == self._row_fit.first_row:
            cells = {column_name(column): found.cells([0], [nth])[0] for nth, column in enumerate(self._columns)}
            fits = readings.state[0] == 0 or any(has_value[0] for _, has_value in values)
            self._first = FirstRow(int(found.rows[0]), cells, times, bool(fits))
        return _ReadBlock(found, readings, values, bad, codes)

    def _long_values(self, found: LogRows, bad: list[Reject]) -> tuple[Ints, list[tuple[Floats, Bools]]]:
        """Return which channel each row is a reading of, and the one column of their values."""
        cell = len(self._columns) - 1
        names, index = found.distinct([cell - 1])
        self._names_seen |= dict.fromkeys(
            names if len(self._names_seen) < _NAMES_SHOWN else set(names) & set(self._code_of)
        )
        codes = np.array([self._code_of.get(name, -1) for name in names], dtype=np.int64)[index]
        read = self._numbers.read(found, cell)
        values, has_value = np.full(read.size, np.nan), np.zeros(read.size, dtype=np.bool_)
        for nth in range(len(self._wanted)):
            mine = codes == nth
            its, has_its = self._channel(found, nth, cell, np.where(mine, read, np.nan), bad)
            values[mine], has_value[mine] = its[mine], has_its[mine]
        return codes, [(values, has_value)]

    def _channel(
        self, found: LogRows, nth: int, wanted: int, values: Floats, bad: list[Reject]
    ) -> tuple[Floats, Bools]:
        """Return the values of one channel and where it has one; cells neither number nor void become rejects.

        Args:
            found: The rows.
            nth: Which channel.
            wanted: Which of the wanted cells holds it.
            values: The numbers in its cells, NaN where void and infinite where no number.
            bad: Where to put rejects.
        """
        channel = self._wanted[nth]
        has_value = np.isfinite(values)
        filled, misfits = len(values), list[Reject]()
        if found.unsure_column or not has_value.all():
            is_void = np.isnan(values)
            is_cut = _cut_rows(found, [column_name(self._columns[wanted])]) & ~is_void
            misfits = cell_rejects(found, np.isinf(values) & ~is_cut, channel.heading, [wanted], "number")
            bad += misfits
            bad += cell_rejects(found, is_cut, channel.heading, [wanted], "truncated")
            filled = int(np.count_nonzero(~is_void))
            has_value &= ~is_cut
        self._cell_fits[nth].add(misfits, filled, lambda: number_hint(misfits[0].text, self._spec, misfits[0].row))
        with np.errstate(over="ignore", invalid="ignore"):
            values = to_unit(values, channel, self._density_kg_per_m3)
        is_over = has_value & np.isinf(values)
        if is_over.any():
            bad += cell_rejects(found, is_over, channel.heading, [wanted], "range")
        return values, has_value & np.isfinite(values)

    def _emit(self, blocks: list[_ReadBlock], *, is_last: bool) -> tuple[pa.Table, pa.Table]:
        self._held += blocks
        placed = self._times.place([block.readings for block in self._held], is_last=is_last)
        if placed is None:
            return self._table([]), self._rejected.table([])
        bad: list[Reject] = []
        tables = [self._timed(block, t_ns, state, bad) for block, (t_ns, state) in zip(self._held, placed, strict=True)]
        self._held = []
        if self._long is not None:
            tables = [self._gathered(self._long, is_last=is_last)]
        return self._table(tables), self._rejected.table(bad)

    def _gathered(self, long: LongRows, *, is_last: bool) -> list[pa.Array]:
        """Return the columns of the rows that the readings of a long form make."""
        if is_last:
            long.check(self._where)
        rows, t_ns, values = long.take(is_last=is_last)
        its = [np.ascontiguousarray(column) for column in values.T]
        return [to_arrow(rows), to_arrow(t_ns), *(to_arrow(column, ~np.isnan(column)) for column in its)]

    def _timed(self, block: _ReadBlock, t_ns: Ints, state: npt.NDArray[np.uint8], bad: list[Reject]) -> list[pa.Array]:
        """Return the columns of the rows that have a time; those that have none become rejects."""
        found = block.found
        is_cut = _cut_rows(found, self._time_headings)
        parts = list(range(len(self._time_headings)))
        is_bad = (state != 0) & ~is_cut
        misfits = cell_rejects(found, is_bad, self._time_fit.heading, parts, "time")
        self._time_fit.add(
            misfits,
            len(found.rows),
            lambda: time_hint(misfits[0].text, int(state[is_bad][0]), self._spec, misfits[0].row),
        )
        cut = cell_rejects(found, is_cut, self._time_fit.heading, parts, "truncated")
        bad += sorted([*found.rejects, *misfits, *cut, *block.cell_rejects], key=lambda reject: reject.row)
        timed = (state == 0) & ~is_cut
        if self._long is not None and block.codes is not None:
            values, has_value = block.values[0]
            used = timed & has_value
            self._long.add(LongReadings(found.rows[used], t_ns[used], block.codes[used], values[used]))
            return []
        arrays = [to_arrow(_select(found.rows, timed)), to_arrow(_select(t_ns, timed))]
        return arrays + [
            to_arrow(_select(values, timed), _select(has_value, timed)) for values, has_value in block.values
        ]

    def _table(self, blocks: list[list[pa.Array]]) -> pa.Table:
        fields = [pa.field("row", pa.int64()), pa.field("t_log_ns", pa.int64(), metadata={"unit": "ns"})]
        for wanted in self._wanted:
            by_mass = {BY_MASS: "yes"} if needs_density(wanted) else {}
            fields.append(pa.field(wanted.channel, pa.float64(), metadata={"unit": wanted.unit} | by_mass))
        backward = 0
        for arrays in blocks:
            t_ns = values_of(arrays[1])
            if t_ns.size:
                before = t_ns[0] if self._last_ns is None else self._last_ns
                backward += int(np.count_nonzero(np.diff(t_ns, prepend=before) < 0))
                self._last_ns = int(t_ns[-1])
        schema = pa.schema(fields, metadata={"backward_stamps": str(backward)})
        empty = [pa.nulls(0, column.type) for column in fields]
        tables = [pa.Table.from_arrays(arrays, schema=schema) for arrays in blocks or [empty]]
        return pa.concat_tables(tables).combine_chunks()


def _cut_rows(found: LogRows, headings: list[str]) -> Bools:
    is_cut = np.zeros(len(found.rows), dtype=np.bool_)
    is_cut[-1:] = found.unsure_column in headings
    return is_cut


def _select(values: npt.NDArray[Any], mask: Bools) -> npt.NDArray[Any]:
    """Return the rows that are marked; a copy only where some are not."""
    return values if mask.all() else values[mask]
