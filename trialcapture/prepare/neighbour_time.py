"""Course and speed carry no time of their own; their receiver sends them beside a sentence that does."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.prepare.sentence_times import TIMED, integers, receiver_codes

Ints = npt.NDArray[np.int64]

_BESIDE_NS = 1_000_000_000
"""Received no further apart than this, two sentences belong together."""


def time_of_neighbour(
    placed: Mapping[str, pa.Table],
    receipts: Mapping[str, Ints],
    around: Mapping[str, pa.Table],
    near: Mapping[str, Ints],
) -> pa.Table:
    """Return VTG with the time of the timed sentence of the same receiver that arrived nearest to it.

    Args:
        placed: Tables of a block or an outline by formatter, with ``t_ns``; VTG among them.
        receipts: By formatter, when each row was received [ns].
        around: Placed rows of timed sentences before and after the block.
        near: By formatter, when those were received [ns].
    """
    table = placed["VTG"]
    (codes, names), (t_ns, known) = receiver_codes(table), integers(table, "t_ns")
    result, sure = t_ns.copy(), known.copy()
    timed = [
        (*receiver_codes(tables[name]), *integers(tables[name], "t_ns"), came[name])
        for tables, came in ((placed, receipts), (around, near))
        for name in TIMED
        if name in tables
    ]
    for code in np.flatnonzero(np.bincount(codes)):
        receipt, utc = [], []
        for others, keys, own, ok, received in timed:
            if names[code] in keys:
                mine = ok & (others == keys.index(names[code]))
                receipt.append(received[mine])
                utc.append(own[mine])
        if not sum(r.size for r in receipt):
            continue
        x, u = np.concatenate(receipt), np.concatenate(utc)
        order = np.argsort(x, kind="stable")
        x, u = x[order], u[order]
        rows = np.flatnonzero(codes == code)
        at = receipts["VTG"][rows]
        right = np.clip(np.searchsorted(x, at), 0, x.size - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.where(np.abs(x[left] - at) <= np.abs(x[right] - at), left, right)
        close = np.abs(x[nearest] - at) < _BESIDE_NS
        result[rows[close]] = u[nearest[close]]
        sure[rows[close]] = True
    return table.set_column(table.schema.get_field_index("t_ns"), "t_ns", to_arrow(result, sure))
