"""Engine logs as offloaded: declared columns, units and clock; what does not fit is refused, not guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.buffers import values as values_of
from trialcapture.config import EngineLog
from trialcapture.decode.log_cells import NumberCells
from trialcapture.decode.log_channels import log_channels, needs_density, to_unit
from trialcapture.decode.log_clock import RowTimes
from trialcapture.decode.log_cutter import RowCutter
from trialcapture.decode.log_fit import CellFit, FirstRow, RowFit, number_hint, time_hint
from trialcapture.decode.log_headings import column_name, find_layout, has_numbers_only, shown
from trialcapture.decode.log_lines import only
from trialcapture.decode.log_long import LongReadings, LongRows
from trialcapture.decode.log_rejects import LogRejection, Rejected, cell_rejects
from trialcapture.decode.log_rows import LogRows, Reject
from trialcapture.decode.log_text import LogText
from trialcapture.decode.log_time import Readings
from trialcapture.errors import TrialCaptureError

_BLOCK_BYTES = 4 << 20
_NAMES_SHOWN = 40

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows whose stamps are read and may still have to be placed in their zone."""

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
    Readings of one time in a long form are one row, as `log_long.LongRows` gathers them.
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
        self._cutter: RowCutter | None = None
        self._numbers = NumberCells(spec.decimal, spec.thousands)
        self._names_seen: dict[str, None] = {}
        self._rejected = Rejected(where)
        self._held: list[_Piece] = []
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

    def finish(self) -> tuple[pa.Table, pa.Table]:
        """Return the last rows and rejects.

        Raises:
            TrialCaptureError: There is no row, or the first row of data does not fit what was declared, or more
                than one in a hundred cells of a column do not, or the fuel's density is needed and not known.
        """
        whole, torn = self._text.finish()
        pieces = self._read(whole, torn)
        if self._cutter is None:
            self._refuse_empty(bool(torn))
        elif torn:
            pieces.append(self._piece(self._cutter.cut_torn(torn, self._text.errors)))
        last = self._emit(pieces, is_last=True)
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
        """Tell the fits which columns they are of, as a spreadsheet would count them."""
        if self._cutter is None or has_numbers_only(self._columns):
            return
        numbers, times = self._cutter.numbers, len(self._time_headings)
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

    def _read(self, data: bytes, torn: bytes = b"") -> list[_Piece]:
        if self._cutter is None:
            data = self._begin(self._above + data, torn)
        if self._cutter is None:
            return []
        return [self._piece(found) for found in self._cutter.cut(data, self._text.errors)]

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
        self._cutter = RowCutter(lines, layout, self._columns, spec.delimiter, self._where)
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

    def _piece(self, found: LogRows) -> _Piece:
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
            cells = {column_name(column): found.cells([0], nth)[0] for nth, column in enumerate(self._columns)}
            fits = readings.state[0] == 0 or any(has_value[0] for _, has_value in values)
            self._first = FirstRow(int(found.rows[0]), cells, times, bool(fits))
        return _Piece(found, readings, values, bad, codes)

    def _long_values(self, found: LogRows, bad: list[Reject]) -> tuple[Ints, list[tuple[Floats, Bools]]]:
        """Return which channel each row is a reading of, and the one column of their values."""
        cell = len(self._columns) - 1
        names = found.cells(range(len(found.rows)), cell - 1)
        self._names_seen |= dict.fromkeys(
            names if len(self._names_seen) < _NAMES_SHOWN else set(names) & set(self._code_of)
        )
        codes = np.array([self._code_of.get(name, -1) for name in names], dtype=np.int64)
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

    def _emit(self, pieces: list[_Piece], *, is_last: bool) -> tuple[pa.Table, pa.Table]:
        self._held += pieces
        placed = self._times.place([piece.readings for piece in self._held], is_last=is_last)
        if placed is None:
            return self._table([]), self._rejected.table([])
        bad: list[Reject] = []
        tables = [self._timed(piece, t_ns, state, bad) for piece, (t_ns, state) in zip(self._held, placed, strict=True)]
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

    def _timed(self, piece: _Piece, t_ns: Ints, state: npt.NDArray[np.uint8], bad: list[Reject]) -> list[pa.Array]:
        """Return the columns of the rows that have a time; those that have none become rejects."""
        found = piece.found
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
        bad += sorted([*found.rejects, *misfits, *cut, *piece.cell_rejects], key=lambda reject: reject.row)
        timed = (state == 0) & ~is_cut
        if self._long is not None and piece.codes is not None:
            values, has_value = piece.values[0]
            used = timed & has_value
            self._long.add(LongReadings(found.rows[used], t_ns[used], piece.codes[used], values[used]))
            return []
        arrays = [to_arrow(only(found.rows, timed)), to_arrow(only(t_ns, timed))]
        return arrays + [to_arrow(only(values, timed), only(has_value, timed)) for values, has_value in piece.values]

    def _table(self, pieces: list[list[pa.Array]]) -> pa.Table:
        fields = [pa.field("row", pa.int64()), pa.field("t_log_ns", pa.int64(), metadata={"unit": "ns"})]
        fields += [pa.field(w.channel, pa.float64(), metadata={"unit": w.unit}) for w in self._wanted]
        backward = 0
        for arrays in pieces:
            t_ns = values_of(arrays[1])
            if t_ns.size:
                before = t_ns[0] if self._last_ns is None else self._last_ns
                backward += int(np.count_nonzero(np.diff(t_ns, prepend=before) < 0))
                self._last_ns = int(t_ns[-1])
        schema = pa.schema(fields, metadata={"backward_stamps": str(backward)})
        empty = [pa.nulls(0, column.type) for column in fields]
        tables = [pa.Table.from_arrays(arrays, schema=schema) for arrays in pieces or [empty]]
        return pa.concat_tables(tables).combine_chunks()


def _cut_rows(found: LogRows, headings: list[str]) -> Bools:
    is_cut = np.zeros(len(found.rows), dtype=np.bool_)
    is_cut[-1:] = found.unsure_column in headings
    return is_cut
