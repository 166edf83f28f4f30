"""The order of an engine log's rows as offloaded: newest first is turned round, and rows written twice count once."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import known, values

Ints = npt.NDArray[np.int64]
Codes = npt.NDArray[np.uint64]
Bools = npt.NDArray[np.bool_]

_LEAST_RUN = 5
"""So many rows in a row must come again, in the same order, to be a stretch that was offloaded twice."""
_LEAST_KINDS = 3
"""So many of them must differ: an engine at rest shows the same values at other times too."""
_UNLIKE_SHARE = 0.1
"""Where more than this share of the rows of one stamp differ, stamps are coarse and rows alike are no repeats."""
_STAMPS = ("row", "t_log_ns")
_ODD = np.uint64(0x9E3779B97F4A7C15)


def is_newest_first(t_log_ns: Ints) -> bool:
    """Return True where most rows are older than the row above them."""
    step = np.diff(t_log_ns)
    return bool(np.count_nonzero(step < 0) > 2 * np.count_nonzero(step > 0))


def row_codes(rows: pa.Table) -> Codes:
    """Return a number for what stands in each row beside its stamp: equal rows have equal ones, shape (n,)."""
    codes = np.zeros(rows.num_rows, dtype=np.uint64)
    for name in rows.column_names:
        if name in _STAMPS:
            continue
        column = rows[name].combine_chunks()
        bits = np.where(known(column), values(column).view(np.uint64), np.uint64(1))
        codes = (codes ^ bits) * _ODD
        codes ^= codes >> np.uint64(29)
    return codes


def find_repeated(t_log_ns: Ints, codes: Codes) -> Bools:
    """Return True for rows that repeat an earlier one: stamp, values, and place in a stretch of such rows.

    Args:
        t_log_ns: Stamps in the order of the file [ns], shape (n,).
        codes: From `row_codes`, shape (n,).
    """
    order = np.lexsort((np.arange(t_log_ns.size), codes, t_log_ns))
    t, code = t_log_ns[order], codes[order]
    is_first = np.concatenate([[True], (t[1:] != t[:-1]) | (code[1:] != code[:-1])])
    begins = np.flatnonzero(is_first)
    original = np.empty(t_log_ns.size, dtype=np.int64)
    original[order] = order[begins[np.cumsum(is_first) - 1]]
    rows = np.arange(t_log_ns.size)
    again = original != rows
    repeated = np.zeros(t_log_ns.size, dtype=np.bool_)
    same_stamp = np.concatenate([[False], t_log_ns[1:] == t_log_ns[:-1]])
    same_row = same_stamp & np.concatenate([[False], codes[1:] == codes[:-1]])
    if np.count_nonzero(same_row) >= (1.0 - _UNLIKE_SHARE) * np.count_nonzero(same_stamp):
        repeated |= same_row
    # stretches of rows that come again in the same order, rows next to their original left out
    far = again & (rows - original > 1)
    joins = far & np.concatenate([[False], far[:-1] & (np.diff(original) >= 0) & (np.diff(original) <= 2)])
    starts = np.flatnonzero(far & ~joins)
    for start, stop in pairwise([*starts.tolist(), rows.size]):
        length = int(np.argmin(np.append(far[start:stop], False)))
        stretch = slice(start, start + length)
        if length >= _LEAST_RUN and np.unique(codes[stretch]).size >= _LEAST_KINDS:
            repeated[stretch] = True
    return repeated
