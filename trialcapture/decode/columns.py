"""NumPy arrays to Arrow columns, by their buffers.

`pyarrow.array` and `to_numpy` import pandas wherever it is installed, a quarter of a second and 40 MB for
nothing; handing the buffers over copies nothing either.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Bools = npt.NDArray[np.bool_]

_TYPE_OF = {
    np.dtype(np.float64): pa.float64(),
    np.dtype(np.int64): pa.int64(),
    np.dtype(np.int32): pa.int32(),
    np.dtype(np.int16): pa.int16(),
    np.dtype(np.int8): pa.int8(),
}


def numbers(values: npt.NDArray[Any], present: Bools | None = None) -> pa.Array:
    """Return a numeric column, null where `present` is False.

    What stands under a null is set to zero, so that equal columns are equal byte for byte.
    """
    mask = None
    if present is not None and not present.all():
        mask, values = _bits(present), values * present
    buffers = [mask, pa.py_buffer(np.ascontiguousarray(values))]
    return pa.Array.from_buffers(_TYPE_OF[values.dtype], len(values), buffers)


def booleans(values: Bools) -> pa.Array:
    """Return a column of true and false."""
    return pa.Array.from_buffers(pa.bool_(), len(values), [None, _bits(values)])


def letters(values: npt.NDArray[np.uint8], present: Bools) -> pa.Array:
    """Return a string column of one ASCII letter a row, null where `present` is False."""
    if present.all():
        ends, text = np.arange(len(values) + 1, dtype=np.int32), np.ascontiguousarray(values)
    else:
        ends = np.concatenate(([0], np.cumsum(present, dtype=np.int32))).astype(np.int32)
        text = values[present]
    return pa.Array.from_buffers(pa.string(), len(values), [_bitmap(present), pa.py_buffer(ends), pa.py_buffer(text)])


def texts(values: npt.NDArray[np.bytes_], present: Bools) -> pa.Array:
    """Return a string column of short ASCII texts, null where `present` is False."""
    column = byte_strings(values.tolist(), pa.string())
    return pa.Array.from_buffers(pa.string(), len(values), [_bitmap(present), *column.buffers()[1:]])


def byte_strings(values: Sequence[bytes], kind: pa.DataType | None = None) -> pa.Array:
    """Return a binary column (or string, when `kind` says so) of Python byte strings."""
    ends = np.zeros(len(values) + 1, np.int32)
    np.cumsum([len(value) for value in values], out=ends[1:])
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(b"".join(values))]
    return pa.Array.from_buffers(kind or pa.binary(), len(values), buffers)


def strings(values: Sequence[str]) -> pa.Array:
    """Return a string column of Python strings."""
    return byte_strings([value.encode() for value in values], pa.string())


def dictionary(codes: npt.NDArray[np.int32], words: Sequence[str], present: Bools | None = None) -> pa.Array:
    """Return a dictionary column: row i reads ``words[codes[i]]``, null where `present` is False."""
    return pa.DictionaryArray.from_arrays(numbers(codes, present), strings(words))


def encode_spans(
    buf: npt.NDArray[np.uint8], start: npt.NDArray[np.int64], length: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int32], list[str]]:
    """Number the distinct byte strings among many spans of a buffer, in order of first appearance.

    Args:
        buf: (b,) bytes, with at least `_LONGEST_SPAN` bytes of margin after the last span.
        start: (n,) first byte of each span.
        length: (n,) length of each span; what exceeds `_LONGEST_SPAN` bytes is cut off.

    Returns:
        (n,) codes and the strings they stand for (Latin-1 where not ASCII).
    """
    if not len(start):
        return np.zeros(0, np.int32), []
    n_words = min(max(-(-int(length.max()) // 8), 1), _LONGEST_SPAN // 8)
    words = np.ndarray((len(buf) - 7,), "<u8", buffer=buf, strides=(1,))
    text = np.empty((len(start), n_words), "<u8")
    for nth in range(n_words):
        left = length - 8 * nth
        text[:, nth] = words[start + 8 * nth] & _FIRST_BYTES[left if n_words == 1 else np.clip(left, 0, 8)]
    spans = pa.Array.from_buffers(pa.binary(8 * n_words), len(start), [None, pa.py_buffer(text)])
    encoded = spans.dictionary_encode()
    names = [name.rstrip(b"\0").decode("latin-1") for name in encoded.dictionary.to_pylist()]
    return np.frombuffer(encoded.indices.buffers()[1], np.int32, len(start)), names


_LONGEST_SPAN = 96
_FIRST_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(9)], np.uint64)


def _bitmap(present: Bools | None) -> pa.Buffer | None:
    return None if present is None or bool(present.all()) else _bits(present)


def _bits(values: Bools) -> pa.Buffer:
    return pa.py_buffer(np.packbits(values, bitorder="little"))
