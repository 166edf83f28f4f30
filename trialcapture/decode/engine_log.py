"""Engine logs as offloaded: declared columns, units and clock; what does not fit is refused, not guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.config import BY_DENSITY, Column, EngineLog, log_channel
from trialcapture.decode import columns, rejects
from trialcapture.decode.log_fit import (
    NUMBER,
    number_hint,
    refuse_misfit_cells,
    refuse_misfit_rows,
    time_hint,
)
from trialcapture.decode.log_rows import LogRows, Reject, decode_log_text, split_log_rows
from trialcapture.decode.log_time import read_stamps
from trialcapture.errors import TrialCaptureError
from trialcapture.units import convert, dimension

VOID_CELLS = frozenset({"", "-", "--", "---", "n/a", "nan", "null"})
"""What stands for "no value", capitals or not."""

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One channel to be read: its name and unit here, its heading and unit in the log."""

    channel: str
    unit: str
    heading: str
    log_unit: str


def decode_engine_log(
    data: bytes,
    spec: EngineLog,
    engine_ids: Sequence[str],
    where: str,
    *,
    density_kg_per_m3: float | None = None,
) -> tuple[pa.Table, pa.Table]:
    """Read one engine log.

    Args:
        data: The file, unpacked, as offloaded.
        spec: What was declared about it.
        engine_ids: Ids of the boat's engines.
        where: What to call the log in messages and as source of rejects, usually its file name.
        density_kg_per_m3: Density of the fuel, for logs that give it by mass.

    Returns:
        A table in file order and the rejects. The table has `row` (0-based line in the file), `t_log_ns`
        (the log's own clock in its declared zone [ns since 1970 UTC], or since its start for ``elapsed_s``)
        and one float64 column a declared channel, null where void or unreadable; field metadata names the
        unit, schema metadata counts ``backward_stamps``. Rejects are whole rows, or single cells as
        ``heading=cell``; their ``line`` is the row.

    Raises:
        TrialCaptureError: A heading is missing, or the first row of data does not fit what was declared,
            or more than one in a hundred cells of a column do not.
    """
    wanted = _wanted_channels(spec, tuple(engine_ids))
    time_headings = [str(spec.columns[key]) for key in ("date", "time") if key in spec.columns]
    found = split_log_rows(
        decode_log_text(data, spec.encoding),
        [*time_headings, *(w.heading for w in wanted)],
        delimiter=spec.delimiter,
        header_rows=spec.header_rows,
        skip_rows_after_header=spec.skip_rows_after_header,
        where=where,
    )
    refuse_misfit_rows(found, spec, where)
    row = np.array(found.rows, dtype=np.int64)
    cells = list(zip(*found.cells, strict=True))
    t_ns, is_timed = _read_times(cells[: len(time_headings)], time_headings, found, spec, where)
    fields = [pa.field("row", pa.int64()), pa.field("t_log_ns", pa.int64(), metadata={"unit": "ns"})]
    arrays = [columns.numbers(row[is_timed]), columns.numbers(t_ns[is_timed])]
    for channel, texts in zip(wanted, cells[len(time_headings) :], strict=False):
        values, has_value = _read_numbers(texts, channel.heading, found, spec, where)
        with np.errstate(over="ignore"):
            values = _to_unit(values, channel, density_kg_per_m3)
        has_value &= np.isfinite(values)
        values = np.where(has_value, values, 0.0)
        fields.append(pa.field(channel.channel, pa.float64(), metadata={"unit": channel.unit}))
        arrays.append(columns.numbers(values[is_timed], has_value[is_timed]))
    backward = int(np.count_nonzero(np.diff(t_ns[is_timed]) < 0))
    schema = pa.schema(fields, metadata={"backward_stamps": str(backward)})
    return pa.Table.from_arrays(arrays, schema=schema), _reject_table(found.rejects, where)


def _wanted_channels(spec: EngineLog, engine_ids: tuple[str, ...]) -> list[_Wanted]:
    wanted = []
    for key, column in spec.columns.items():
        known = log_channel(key, engine_ids)
        if isinstance(column, Column) and known is not None:
            name, unit, engine_id = known
            wanted.append(_Wanted(f"{name}_{engine_id}", unit, column.name, column.unit))
    return wanted


def _to_unit(values: Floats, channel: _Wanted, density_kg_per_m3: float | None) -> Floats:
    kind, needed = dimension(channel.log_unit), dimension(channel.unit)
    if kind == needed or BY_DENSITY.get(needed) != kind:
        return convert(values, channel.log_unit, channel.unit)
    if density_kg_per_m3 is None:
        raise TrialCaptureError(
            "a fuel by mass needs the fuel's density to become a volume",
            seen=channel.log_unit,
            where=f"the column headed {channel.heading!r}",
            expected="declare density_kg_per_m3 under [fuel]",
        )
    by_mass = "kg/h" if kind == "mass flow" else "kg"
    return convert(values, channel.log_unit, by_mass) / (density_kg_per_m3 / 1000.0)


def _read_times(
    cells: Sequence[tuple[str, ...]], headings: list[str], found: LogRows, spec: EngineLog, where: str
) -> tuple[npt.NDArray[np.int64], Bools]:
    """Return each row's time and where it has one; rows that have none become rejects."""
    heading = " + ".join(headings)
    texts = [" ".join(parts) for parts in zip(*cells, strict=True)]
    t_ns, state = read_stamps(texts, spec.time_format, spec.zone)
    is_cut = _cut_rows(found, headings)
    bad = np.flatnonzero((state != 0) & ~is_cut)
    refuse_misfit_cells(
        found,
        heading,
        texts,
        bad,
        filled=len(texts),
        where=where,
        hint=lambda i: time_hint(texts[i], int(state[i]), spec, found.rows[i]),
    )
    _reject_cells(found, heading, texts, bad, "time")
    _reject_cells(found, heading, texts, np.flatnonzero(is_cut), "truncated")
    return t_ns, (state == 0) & ~is_cut


def _read_numbers(
    texts: tuple[str, ...], heading: str, found: LogRows, spec: EngineLog, where: str
) -> tuple[Floats, Bools]:
    """Return each row's value and where it has one; cells that are neither number nor void become rejects."""
    # NaN stands for void and infinity for what does not fit; neither can be read from a cell.
    by_text = {text: _parse_number(text, spec.decimal) for text in set(texts)}
    values = np.fromiter(map(by_text.__getitem__, texts), np.float64, len(texts))
    is_void = np.isnan(values)
    is_cut = _cut_rows(found, [heading]) & ~is_void
    bad = np.flatnonzero(np.isinf(values) & ~is_cut)
    filled = int(np.count_nonzero(~is_void))
    refuse_misfit_cells(
        found,
        heading,
        texts,
        bad,
        filled=filled,
        where=where,
        hint=lambda i: number_hint(texts[i], spec, found.rows[i]),
    )
    _reject_cells(found, heading, texts, bad, "number")
    _reject_cells(found, heading, texts, np.flatnonzero(is_cut), "truncated")
    return values, np.isfinite(values) & ~is_cut


def _reject_cells(
    found: LogRows, heading: str, texts: Sequence[str], indexes: npt.NDArray[np.int64], reason: str
) -> None:
    found.rejects.extend(Reject(found.rows[i], reason, texts[i], heading) for i in indexes)


def _parse_number(text: str, decimal: str) -> float:
    if text.lower() in VOID_CELLS:
        return np.nan
    if decimal != ".":
        text = "invalid" if "." in text else text.replace(decimal, ".")
    return float(text) if NUMBER.fullmatch(text) else np.inf


def _cut_rows(found: LogRows, headings: list[str]) -> Bools:
    is_cut = np.zeros(len(found.rows), dtype=np.bool_)
    is_cut[-1] = found.unsure_column in headings
    return is_cut


def _reject_table(found: list[Reject], where: str) -> pa.Table:
    found = sorted(found, key=lambda reject: reject.row)
    words = sorted({reject.reason for reject in found})
    what = [f"{r.column}={r.text}" if r.column else r.text for r in found]
    kept = [text.encode("utf-8", "surrogateescape")[: rejects.LONGEST_KEPT_BYTES] for text in what]
    count = len(found)
    return pa.Table.from_arrays(
        [
            columns.dictionary(np.zeros(count, np.int32), [where]),
            columns.numbers(np.array([r.row for r in found], dtype=np.int64)),
            columns.numbers(np.zeros(count, np.int64), np.zeros(count, np.bool_)),
            columns.dictionary(np.array([words.index(r.reason) for r in found], dtype=np.int32), words),
            columns.byte_strings(kept),
        ],
        schema=rejects.SCHEMA,
    )
