"""Arrow columns as NumPy arrays for drawing and printing; an absent column is all null, never a fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ENGINE_COLUMN = "rpm_"

_PLAIN = (pa.int64(), pa.int32(), pa.int16(), pa.int8(), pa.uint8())
"""Types read by their buffers: a cast imports all of Arrow's functions, which the report needs for nothing else."""


def floats(table: pa.Table | None, name: str) -> Floats:
    """Return a numeric column as float64, NaN where null; all NaN when the column is absent.

    Returns:
        Array of shape (rows,); empty without a table.
    """
    if table is None:
        return np.empty(0)
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    column = table.column(name)
    kind = column.type
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        return np.full(table.num_rows, np.nan)
    return buffers.floats(column if pa.types.is_floating(kind) or kind in _PLAIN else column.cast(pa.float64()))


def times_ns(table: pa.Table | None, name: str) -> Ints:
    """Return a timestamp (or integer) column as int64 nanoseconds since 1970 UTC, the smallest int64 where null.

    Returns:
        Array of shape (rows,); empty when the table or the column is absent.
    """
    if table is None or name not in table.column_names:
        return np.empty(0, dtype=np.int64)
    column = table.column(name)
    if pa.types.is_timestamp(column.type):
        column = _in_ns(column)
        return np.where(buffers.known(column), buffers.values(column), np.iinfo(np.int64).min)
    if not pa.types.is_integer(column.type):
        return np.empty(0, dtype=np.int64)
    values, known = buffers.integers(column if column.type in _PLAIN else column.cast(pa.int64()))
    return np.where(known, values, np.iinfo(np.int64).min)


def _in_ns(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column if column.type.unit == "ns" else column.cast(pa.timestamp("ns", tz=column.type.tz))


def has_values(table: pa.Table | None, name: str) -> bool:
    """Say whether a column is there and holds at least one value that is not null or NaN."""
    if table is None or name not in table.column_names or table.num_rows == 0:
        return False
    values = floats(table, name)
    return bool(np.isfinite(values).any())


def rows(table: pa.Table | None) -> list[dict[str, Any]]:
    """Return a small table as dicts, times as int64 nanoseconds since 1970 UTC."""
    if table is None:
        return []
    plain: dict[str, list[Any]] = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_timestamp(column.type):
            column = _in_ns(column)
            known = buffers.known(column).tolist()
            plain[name] = [t if k else None for t, k in zip(buffers.values(column).tolist(), known, strict=True)]
        else:
            plain[name] = column.to_pylist()
    return [dict(zip(plain, values, strict=True)) for values in zip(*plain.values(), strict=True)]


def engine_ids(table: pa.Table | None) -> tuple[str, ...]:
    """Return the engine ids of a samples or segments table, in column order."""
    if table is None:
        return ()
    found = []
    for name in table.column_names:
        if not name.startswith(ENGINE_COLUMN):
            continue
        engine = name.removeprefix(ENGINE_COLUMN).removesuffix("_mean")
        if engine.endswith(("_age_s", "_flag")) or engine in ("mean", "sd", "low", "high", ""):
            continue
        if engine not in found:
            found.append(engine)
    return tuple(found)
