"""Columns of short texts, from letters, from byte strings and from spans of a buffer (see `trialcapture.buffers`)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import bits, column_of, to_arrow
from trialcapture.decode.views import words_of

Bools = npt.NDArray[np.bool_]


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
    column = column_of(values.tolist(), pa.string())
    return pa.Array.from_buffers(pa.string(), len(values), [_bitmap(present), *column.buffers()[1:]])


def dictionary(codes: npt.NDArray[np.int32], words: Sequence[str], present: Bools | None = None) -> pa.Array:
    """Return a dictionary column: row i reads ``words[codes[i]]``, null where `present` is False."""
    return pa.DictionaryArray.from_arrays(to_arrow(codes, present), column_of(words, pa.string()))


def encode_spans(
    buf: npt.NDArray[np.uint8], start: npt.NDArray[np.int64], length: npt.NDArray[np.int64] | int
) -> tuple[npt.NDArray[np.int32], list[str]]:
    """Number the distinct byte strings among many spans of a buffer, in order of first appearance.

    Args:
        buf: (b,) bytes, with at least `_LONGEST_SPAN` bytes of margin after the last span.
        start: (n,) first byte of each span.
        length: (n,) length of each span, or that of all; what exceeds `_LONGEST_SPAN` bytes is cut off.

    Returns:
        (n,) codes and the strings they stand for (Latin-1 where not ASCII).
    """
    if not len(start):
        return np.zeros(0, np.int32), []
    n_words = min(max(-(-int(np.max(length)) // 8), 1), _LONGEST_SPAN // 8)
    words = words_of(buf, 8)
    text = np.empty((len(start), n_words), "<u8")
    for nth in range(n_words):
        left = length - 8 * nth
        text[:, nth] = words[start + 8 * nth] & _FIRST_BYTES[left if n_words == 1 else np.clip(left, 0, 8)]
    # A whole number is found in a dictionary several times faster than a text.
    kind = pa.uint64() if n_words == 1 else pa.binary(8 * n_words)
    encoded = pa.Array.from_buffers(kind, len(start), [None, pa.py_buffer(text)]).dictionary_encode()
    distinct = np.frombuffer(encoded.dictionary.buffers()[1], f"S{8 * n_words}", len(encoded.dictionary))
    names = [name.decode("latin-1") for name in distinct.tolist()]
    return np.frombuffer(encoded.indices.buffers()[1], np.int32, len(start)), names


_LONGEST_SPAN = 96
_FIRST_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(9)], np.uint64)


def _bitmap(present: Bools) -> pa.Buffer | None:
    return None if present.all() else bits(present)
