"""Arrow columns to NumPy arrays and back, by their buffers.

`pyarrow.array`, `numpy.asarray` of a column and `to_numpy` import pandas wherever it is installed: a quarter of a
second and 40 MB for nothing. Handing the buffers over copies nothing either.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_ARROW_TYPE: dict[np.dtype[Any], pa.DataType] = {
    np.dtype(np.float64): pa.float64(),
    np.dtype(np.float32): pa.float32(),
    np.dtype(np.int64): pa.int64(),
    np.dtype(np.int32): pa.int32(),
    np.dtype(np.int16): pa.int16(),
    np.dtype(np.int8): pa.int8(),
    np.dtype(np.uint8): pa.uint8(),
}
_NUMPY_TYPE: dict[str, np.dtype[Any]] = {str(arrow): numpy for numpy, arrow in _ARROW_TYPE.items()}


def to_arrow(values: npt.NDArray[Any], known: Bools | None = None, kind: pa.DataType | None = None) -> pa.Array:
    """Return a numeric or boolean column, null where `known` is False.

    Args:
        values: Shape (n,). What stands under a null is set to zero, so that equal columns are equal byte for byte.
        known: Shape (n,), or None for no nulls.
        kind: A type of the same width to give instead, such as a timestamp for int64.
    """
    mask = None
    if known is not None and not known.all():
        mask = _bits(known)
        values = np.where(known, values, np.zeros(1, values.dtype))
    if values.dtype == np.bool_:
        return pa.Array.from_buffers(pa.bool_(), len(values), [mask, _bits(values)])
    buffers = [mask, pa.py_buffer(np.ascontiguousarray(values))]
    return pa.Array.from_buffers(kind or _ARROW_TYPE[values.dtype], len(values), buffers)


def floats_to_arrow(values: npt.NDArray[np.floating[Any]]) -> pa.Array:
    """Return a float column, null where a value is not finite."""
    return to_arrow(values, np.isfinite(values))


def known(column: pa.ChunkedArray | pa.Array) -> Bools:
    """Return True where a column is not null."""
    chunk = one_chunk(column)
    bitmap = chunk.buffers()[0]
    if bitmap is None or chunk.null_count == 0:
        return np.full(len(chunk), chunk.type != pa.null(), dtype=np.bool_)
    return _unpacked(bitmap, chunk.offset, len(chunk))


def values(column: pa.ChunkedArray | pa.Array) -> npt.NDArray[Any]:
    """Return a primitive column's values; what stands where it is null means nothing.

    Timestamps give their int64, dictionary columns their int32 codes, booleans NumPy booleans.
    """
    chunk = one_chunk(column)
    if pa.types.is_dictionary(chunk.type):
        chunk = chunk.indices
    if pa.types.is_boolean(chunk.type):
        return _unpacked(chunk.buffers()[1], chunk.offset, len(chunk))
    dtype: np.dtype[Any] = np.dtype(np.int64) if pa.types.is_timestamp(chunk.type) else _NUMPY_TYPE[str(chunk.type)]
    if len(chunk) == 0:
        return np.zeros(0, dtype=dtype)
    found: npt.NDArray[Any] = np.frombuffer(chunk.buffers()[1], dtype, len(chunk), chunk.offset * dtype.itemsize)
    return found


def floats(column: pa.ChunkedArray | pa.Array) -> Floats:
    """Return a numeric column as float64, NaN where it is null."""
    chunk = one_chunk(column)
    if chunk.type == pa.null():
        return np.full(len(chunk), np.nan)
    found: Floats = values(chunk).astype(np.float64)
    if chunk.null_count:
        found[~known(chunk)] = np.nan
    return found


def integers(column: pa.ChunkedArray | pa.Array) -> tuple[Ints, Bools]:
    """Return a nullable integer column as int64, zero where it is null, and where it is known."""
    chunk = one_chunk(column)
    if chunk.type == pa.null():
        return np.zeros(len(chunk), dtype=np.int64), np.zeros(len(chunk), dtype=np.bool_)
    is_known = known(chunk)
    found: Ints = values(chunk).astype(np.int64, copy=False)
    return (np.where(is_known, found, 0) if chunk.null_count else found), is_known


def truths(column: pa.ChunkedArray | pa.Array) -> Bools:
    """Return a boolean column, False where it is null."""
    chunk = one_chunk(column)
    if chunk.type == pa.null():
        return np.zeros(len(chunk), dtype=np.bool_)
    found: Bools = values(chunk)
    return found & known(chunk) if chunk.null_count else found


def one_chunk(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """Return a column as one array, its dictionary unified."""
    if isinstance(column, pa.Array):
        return column
    if column.num_chunks == 1:
        return column.chunk(0)
    whole = column.unify_dictionaries().combine_chunks() if pa.types.is_dictionary(column.type) else None
    whole = column.combine_chunks() if whole is None else whole
    return whole.chunk(0) if isinstance(whole, pa.ChunkedArray) and whole.num_chunks else _array(whole)


def _array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    return column if isinstance(column, pa.Array) else pa.nulls(0, column.type)


def _unpacked(bitmap: pa.Buffer, offset: int, length: int) -> Bools:
    first = offset // 8
    packed = np.frombuffer(bitmap, np.uint8)[first : (offset + length + 7) // 8]
    bits = np.unpackbits(packed, bitorder="little")[offset - 8 * first : offset - 8 * first + length]
    return bits.astype(np.bool_)


def _bits(mask: Bools) -> pa.Buffer:
    return pa.py_buffer(np.packbits(mask, bitorder="little"))
