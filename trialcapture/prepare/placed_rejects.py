"""Rejected lines with their place in time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, known, to_arrow

Ints = npt.NDArray[np.int64]

REJECTS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        ("line", pa.int64()),
        ("t", pa.timestamp("ns", tz="UTC")),
        ("reason", pa.string()),
        ("bytes", pa.binary()),
        ("field", pa.string()),
    ]
)
"""Schema of ``rejects.parquet``; ``line`` is counted from 1, as an editor or a spreadsheet shows it; ``field`` is what
alone is void, null where all of the bytes were refused."""

LineTimes = tuple[Ints, Ints]
"""Lines of one raw file, ascending, and the UTC [ns] of each."""


def line_times(placed: Mapping[str, pa.Table]) -> LineTimes:
    """Return the lines of a placed outline that have a time, and that time."""
    at, t_ns = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for table in placed.values():
        told = known(table["t_ns"])
        at.append(integers(table["line"])[0][told])
        t_ns.append(integers(table["t_ns"])[0][told])
    lines, times = np.concatenate(at), np.concatenate(t_ns)
    order = np.argsort(lines, kind="stable")
    return lines[order], times[order]


def place_rejects(rejects: pa.Table, times: LineTimes) -> pa.Table:
    """Return rejects as ``rejects.parquet`` holds them, each with the time of the outline's line before it.

    Args:
        rejects: As decoded (`trialcapture.decode.rejects.SCHEMA`).
        times: From `line_times` of the same raw file; empty where nothing in it could be placed.
    """
    line, _ = integers(rejects["line"])  # counted from 0 so far, from 1 in the file that people read
    stamp = pa.timestamp("ns", tz="UTC")
    at, t_ns = times
    if at.size:
        before = np.clip(np.searchsorted(at, line, side="right") - 1, 0, at.size - 1)
        when = to_arrow(t_ns[before], kind=stamp)
    else:
        when = pa.nulls(line.size, stamp)
    texts = {name: rejects[name].cast(pa.string()) for name in ("source", "reason", "field")}
    columns = [texts["source"], to_arrow(line + 1), when, texts["reason"], rejects["bytes"], texts["field"]]
    return pa.table(columns, schema=REJECTS_SCHEMA)
