"""Arrow columns to NumPy arrays and back, by their buffers.

Handing the buffers over copies nothing, and nulls stay apart from values: `to_numpy` of a column with nulls makes a
copy in which whole numbers are floats.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
        mask = bits(known)
        values = np.where(known, values, np.zeros(1, values.dtype))
    if values.dtype == np.bool_:
        return pa.Array.from_buffers(pa.bool_(), len(values), [mask, bits(values)])
    buffers = [mask, pa.py_buffer(np.ascontiguousarray(values))]
    return pa.Array.from_buffers(kind or _ARROW_TYPE[values.dtype], len(values), buffers)


def floats_to_arrow(values: npt.NDArray[np.floating[Any]]) -> pa.Array:
    """Return a float column, null where a value is not finite."""
    return to_arrow(values, np.isfinite(values))


def column_of(items: Sequence[Any], kind: pa.DataType) -> pa.Array:
    """Return a column of Python values, None for null: texts, truths, whole numbers, floats, or int64 time stamps."""
    told = np.array([item is not None for item in items], dtype=np.bool_)
    if pa.types.is_string(kind) or pa.types.is_binary(kind):
        parts = [b"" if i is None else i.encode() if isinstance(i, str) else i for i in items]
        ends = np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int32)
        mask = None if told.all() else bits(told)
        return pa.Array.from_buffers(kind, len(parts), [mask, pa.py_buffer(ends), pa.py_buffer(b"".join(parts))])
    dtype = np.dtype(np.int64) if pa.types.is_timestamp(kind) else _NUMPY_TYPE.get(str(kind), np.dtype(np.bool_))
    plain = np.array([0 if item is None else item for item in items], dtype=dtype)
    return to_arrow(plain, told, kind)


def table_of(rows: Sequence[Mapping[str, Any]], schema: pa.Schema) -> pa.Table:
    """Return a table of Python rows; what a row does not have is null."""
    columns = [column_of([row.get(field.name) for row in rows], field.type) for field in schema]
    return pa.Table.from_arrays(columns, schema=schema)


def empty_table(schema: pa.Schema) -> pa.Table:
    """Return a table of no rows."""
    return pa.Table.from_arrays([pa.nulls(0, field.type) for field in schema], schema=schema)


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


def dictionary(column: pa.ChunkedArray | pa.Array) -> pa.DictionaryArray:
    """Return a text column as one dictionary array; `coded` and `equals` answer at once from such a one."""
    chunk = one_chunk(column)
    return chunk if pa.types.is_dictionary(chunk.type) else chunk.dictionary_encode()


def coded(column: pa.ChunkedArray | pa.Array) -> tuple[Ints, list[str]]:
    """Return a text column as codes and the words they stand for; null has the last word, an empty one."""
    chunk = dictionary(column)
    codes, is_known = integers(chunk.indices)
    words = chunk.dictionary.to_pylist()
    if is_known.all():
        return codes, words
    return np.where(is_known, codes, len(words)), [*words, ""]


def count_texts(*columns: pa.ChunkedArray | pa.Array) -> dict[tuple[str, ...], int]:
    """Return how often each combination of texts stands in columns of equal length, in order of the texts."""
    total = np.zeros(len(columns[0]), dtype=np.int64)
    vocabularies = []
    for column in columns:
        codes, words = coded(column)
        total = total * max(len(words), 1) + codes
        vocabularies.append(words)
    found = {}
    for code, count in zip(*np.unique(total, return_counts=True), strict=True):
        left, texts = int(code), []
        for words in reversed(vocabularies):
            left, index = divmod(left, max(len(words), 1))
            texts.append(words[index])
        found[tuple(reversed(texts))] = int(count)
    return dict(sorted(found.items()))


def equals(column: pa.ChunkedArray | pa.Array, text: str) -> Bools:
    """Return True where a text column reads `text`."""
    codes, words = coded(column)
    found: Bools = (codes == (words.index(text) if text in words else -1)) & known(column)
    return found


def one_chunk(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """Return a column as one array, its dictionary unified."""
    if isinstance(column, pa.Array):
        return column
    if column.num_chunks == 0:
        return pa.nulls(0, column.type)
    if column.num_chunks > 1:
        column = column.unify_dictionaries() if pa.types.is_dictionary(column.type) else column
        whole = column.combine_chunks()
        return whole.chunk(0) if isinstance(whole, pa.ChunkedArray) else whole
    return column.chunk(0)


def _unpacked(bitmap: pa.Buffer, offset: int, length: int) -> Bools:
    first = offset // 8
    packed = np.frombuffer(bitmap, np.uint8)[first : (offset + length + 7) // 8]
    bits = np.unpackbits(packed, bitorder="little")[offset - 8 * first : offset - 8 * first + length]
    return bits.astype(np.bool_)


def bits(mask: Bools) -> pa.Buffer:
    """Return a mask as Arrow keeps it, a bit a row."""
    return pa.py_buffer(np.packbits(mask, bitorder="little"))
