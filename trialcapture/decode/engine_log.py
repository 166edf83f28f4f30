"""Engine logs as offloaded: declared columns, units and clock; what does not fit is refused, not guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.buffers import values as values_of
from trialcapture.config import EngineLog
from trialcapture.decode import columns, rejects
from trialcapture.decode.log_cells import NumberCells
from trialcapture.decode.log_channels import log_channels, needs_density, to_unit
from trialcapture.decode.log_cutter import RowCutter
from trialcapture.decode.log_fit import CellFit, RowFit, number_hint, time_hint
from trialcapture.decode.log_headings import find_layout
from trialcapture.decode.log_lines import only
from trialcapture.decode.log_rows import LogRows, Reject
from trialcapture.decode.log_stamps import read_stamp_cells
from trialcapture.decode.log_text import LogText
from trialcapture.decode.log_time import Readings
from trialcapture.decode.log_zone import ZoneClock
from trialcapture.errors import TrialCaptureError

_REASONS = ("control bytes", "field count", "number", "quotes", "repeated heading", "time", "truncated")
_BLOCK_BYTES = 4 << 20

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows whose stamps are read and may still have to be placed in their zone."""

    found: LogRows
    readings: Readings
    values: list[tuple[Floats, Bools]]
    cell_rejects: list[Reject]


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
    its declared zone [ns since 1970 UTC], or since its start for ``elapsed_s``) and one float64 column a declared
    channel, null where void or unreadable; field metadata names the unit, schema metadata counts the table's
    ``backward_stamps``. Rejects are whole rows, or single cells as ``heading=cell``; their ``line`` is the row.
    """

    def __init__(
        self, spec: EngineLog, engine_ids: Sequence[str], where: str, *, density_kg_per_m3: float | None = None
    ) -> None:
        """Take the arguments of `decode_engine_log`."""
        self._spec = spec
        self._where = where
        self._density_kg_per_m3 = density_kg_per_m3
        self._wanted = log_channels(spec, tuple(engine_ids))
        self._time_headings = [str(spec.columns[key]) for key in ("date", "time") if key in spec.columns]
        self._headings = [*self._time_headings, *(w.heading for w in self._wanted)]
        self._text = LogText(spec.encoding)
        self._above = b""
        self._cutter: RowCutter | None = None
        self._numbers = NumberCells(spec.decimal)
        self._zone = ZoneClock(spec.zone)
        self._held: list[_Piece] = []
        self._last_ns: int | None = None
        self._row_fit = RowFit()
        self._time_fit = CellFit(" + ".join(self._time_headings))
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
        self._row_fit.check(self._spec, self._where)
        self._time_fit.check(self._row_fit.first_row, self._where)
        for channel, fit in zip(self._wanted, self._cell_fits, strict=True):
            fit.check(self._row_fit.first_row, self._where)
            if needs_density(channel) and self._density_kg_per_m3 is None:
                raise TrialCaptureError(
                    "a fuel by mass needs the fuel's density to become a volume",
                    seen=channel.log_unit,
                    where=f"the column headed {channel.heading!r}",
                    expected="declare density_kg_per_m3 under [fuel]",
                )
        return last

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
        where = f"{self._where}, row {spec.header_rows}"
        layout = find_layout(lines[spec.header_rows - 1], self._headings, spec.delimiter, where)
        self._cutter = RowCutter(lines, layout, self._headings, spec.delimiter, self._where)
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
        readings = read_stamp_cells(found, range(len(self._time_headings)), self._spec.time_format)
        self._zone.add(readings.clock_ns[readings.is_local])
        bad: list[Reject] = []
        values = [self._channel(found, nth, bad) for nth in range(len(self._wanted))]
        return _Piece(found, readings, values, bad)

    def _channel(self, found: LogRows, nth: int, bad: list[Reject]) -> tuple[Floats, Bools]:
        """Return the values of one channel and where it has one; cells neither number nor void become rejects."""
        channel, wanted = self._wanted[nth], nth + len(self._time_headings)
        values = self._numbers.read(found, wanted)
        has_value = np.isfinite(values)
        filled, misfits = len(values), list[Reject]()
        if found.unsure_column or not has_value.all():
            is_void = np.isnan(values)
            is_cut = _cut_rows(found, [channel.heading]) & ~is_void
            misfits = _cell_rejects(found, np.isinf(values) & ~is_cut, channel.heading, [wanted], "number")
            bad += misfits
            bad += _cell_rejects(found, is_cut, channel.heading, [wanted], "truncated")
            filled = int(np.count_nonzero(~is_void))
            has_value &= ~is_cut
        self._cell_fits[nth].add(misfits, filled, lambda: number_hint(misfits[0].text, self._spec, misfits[0].row))
        with np.errstate(over="ignore"):
            values = to_unit(values, channel, self._density_kg_per_m3)
        return values, has_value & np.isfinite(values)

    def _emit(self, pieces: list[_Piece], *, is_last: bool) -> tuple[pa.Table, pa.Table]:
        self._held += pieces
        local = [piece.readings.clock_ns[piece.readings.is_local] for piece in self._held]
        empty = np.zeros(0, dtype=np.int64)
        placed = self._zone.resolve(np.concatenate([empty, *local]), is_last=is_last)
        if placed is None:
            return self._table([]), _reject_table([], self._where)
        offset_ns, state = placed
        tables: list[list[pa.Array]] = []
        bad: list[Reject] = []
        begin = 0
        for piece, clock_ns in zip(self._held, local, strict=True):
            its = slice(begin, begin + clock_ns.size)
            tables.append(self._timed(piece, offset_ns[its], state[its], bad))
            begin = its.stop
        self._held = []
        return self._table(tables), _reject_table(bad, self._where)

    def _timed(
        self, piece: _Piece, offset_ns: npt.NDArray[np.int64], state: npt.NDArray[np.uint8], bad: list[Reject]
    ) -> list[pa.Array]:
        """Return the columns of the rows that have a time; those that have none become rejects."""
        found, readings = piece.found, piece.readings
        readings.offset_ns[readings.is_local] = offset_ns
        readings.state[readings.is_local] = state
        is_cut = _cut_rows(found, self._time_headings)
        parts = list(range(len(self._time_headings)))
        is_bad = (readings.state != 0) & ~is_cut
        misfits = _cell_rejects(found, is_bad, self._time_fit.heading, parts, "time")
        self._time_fit.add(
            misfits,
            len(found.rows),
            lambda: time_hint(misfits[0].text, int(readings.state[is_bad][0]), self._spec, misfits[0].row),
        )
        cut = _cell_rejects(found, is_cut, self._time_fit.heading, parts, "truncated")
        bad += sorted([*found.rejects, *misfits, *cut, *piece.cell_rejects], key=lambda reject: reject.row)
        timed = (readings.state == 0) & ~is_cut
        arrays = [to_arrow(only(found.rows, timed)), to_arrow(only(readings.clock_ns - readings.offset_ns, timed))]
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


def _cell_rejects(found: LogRows, mask: Bools, heading: str, parts: Sequence[int], reason: str) -> list[Reject]:
    indexes = np.flatnonzero(mask)
    rows = found.rows[indexes].tolist()
    texts = found.joined(indexes.tolist(), parts)
    return [Reject(row, reason, text, heading) for row, text in zip(rows, texts, strict=True)]


def _cut_rows(found: LogRows, headings: list[str]) -> Bools:
    is_cut = np.zeros(len(found.rows), dtype=np.bool_)
    is_cut[-1:] = found.unsure_column in headings
    return is_cut


def _reject_table(found: list[Reject], where: str) -> pa.Table:
    what = [f"{r.column}={r.text}" if r.column else r.text for r in found]
    kept = [text.encode("utf-8", "surrogateescape")[: rejects.LONGEST_KEPT_BYTES] for text in what]
    count = len(found)
    return pa.Table.from_arrays(
        [
            columns.dictionary(np.zeros(count, np.int32), [where]),
            to_arrow(np.array([r.row for r in found], dtype=np.int64)),
            to_arrow(np.zeros(count, np.int64), np.zeros(count, np.bool_)),
            columns.dictionary(np.array([_REASONS.index(r.reason) for r in found], dtype=np.int32), _REASONS),
            column_of(kept, pa.binary()),
        ],
        schema=rejects.SCHEMA,
    )
