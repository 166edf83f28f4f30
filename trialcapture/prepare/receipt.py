"""The receipt axis of a raw log: when each line came in, by the best clock the log carries."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.prepare.sentence_times import integers, receivers
from trialcapture.prepare.utc import find_believable_times, monotone_axis

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def receipt_axis(
    tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]], receiver: str | None
) -> tuple[dict[str, Ints], Ints, str]:
    """Return a receipt axis [ns] for every row by formatter, its set-back points, and its kind."""
    line = np.concatenate([integers(t, "line")[0] for t in tables.values()])
    order = np.argsort(line, kind="stable")
    for column, scale, kind in (("mono_ns", 1, "mono"), ("wall_ms", 1_000_000, "wall")):
        stamp = np.concatenate([integers(t, column)[0] for t in tables.values()])
        known = np.concatenate([integers(t, column)[1] for t in tables.values()])
        # a wall clock of whole seconds tells less than the order of the lines
        fine = kind == "mono" or receiver is None or bool(np.any(stamp[known] % 1000))
        if known.mean() < 0.9 or not fine:
            continue
        at = order[known[order]]
        axis, breaks = monotone_axis(stamp[at] * scale)
        by_line = line[at]
        return {n: _interpolate(integers(t, "line")[0], by_line, axis) for n, t in tables.items()}, breaks, kind
    empty = np.zeros(0, dtype=np.int64)
    if receiver is None:
        return {n: np.zeros(t.num_rows, dtype=np.int64) for n, t in tables.items()}, empty, "none"
    epoch_line, epoch_utc = find_epochs(tables, times, receiver)
    placed: dict[str, Ints] = {}
    for name, table in tables.items():
        at = integers(table, "line")[0]
        placed[name] = _by_order(at, epoch_line, epoch_utc)
        burst = _in_burst(table, at, epoch_line)
        placed[name][burst] = epoch_utc[np.searchsorted(epoch_line, at[burst], side="right") - 1]
    return placed, empty, "order"


def _in_burst(table: pa.Table, at: Ints, epoch_line: Ints) -> Bools:
    """Return True for sentences that belong to the receiver's own burst at the start of an epoch.

    What comes exactly once an epoch and always in the same place is sent together with the receiver's time; what
    keeps its own pace (several an epoch, or a wandering place) is spread over the epoch.
    """
    belongs = np.zeros(at.size, dtype=np.bool_)
    epoch = np.searchsorted(epoch_line, at, side="right") - 1
    keys = receivers(table)
    if "number" in table.column_names:
        keys = np.char.add(keys, integers(table, "number")[0].astype(np.str_))
    for key in np.unique(keys):
        mine = np.flatnonzero((keys == key) & (epoch >= 0))
        if mine.size < 10:
            continue
        place = at[mine] - epoch_line[epoch[mine]]
        count = np.bincount(epoch[mine], minlength=epoch_line.size)
        lived = count[epoch[mine][0] : epoch[mine][-1] + 1]
        usual = np.bincount(place).max() / place.size
        if float((lived == 1).mean()) > 0.97 and usual > 0.9:
            belongs[mine] = True
    return belongs


def _interpolate(at: Ints, line: Ints, axis: Ints) -> Ints:
    """Return the axis at given lines, exact where a line is known, between its neighbours elsewhere."""
    base = int(axis[0])
    between = np.rint(np.interp(at, line, (axis - base).astype(np.float64))).astype(np.int64) + base
    index = np.clip(np.searchsorted(line, at), 0, line.size - 1)
    return np.where(line[index] == at, axis[index], between)


def find_epochs(
    tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]], receiver: str
) -> tuple[Ints, Ints]:
    """Return first line and UTC of each new time the receiver told, strictly ascending in both."""
    line, utc = [], []
    for name, (own, known) in times.items():
        mine = known & (receivers(tables[name]) == receiver)
        line.append(integers(tables[name], "line")[0][mine])
        utc.append(own[mine])
    lines, utcs = np.concatenate(line), np.concatenate(utc)
    order = np.argsort(lines, kind="stable")
    lines, utcs = lines[order], utcs[order]
    if lines.size > 3:
        per_line = np.diff(utcs) / np.maximum(np.diff(lines), 1)
        pace = max(int(np.median(per_line[per_line > 0])) if np.any(per_line > 0) else 100_000_000, 1)
        kept = find_believable_times(lines * pace, utcs)
        lines, utcs = lines[kept], utcs[kept]
    rising = utcs > np.concatenate([[np.iinfo(np.int64).min], np.maximum.accumulate(utcs)[:-1]])
    return lines[rising], utcs[rising]


def _by_order(at: Ints, line: Ints, utc: Ints) -> Ints:
    """Return UTC of lines by their place between the timed ones; across a pause they stay with the earlier."""
    if line.size == 1:
        return np.full(at.size, utc[0], dtype=np.int64)
    step = np.diff(utc)
    pace = float(np.median(step / np.diff(line)))
    usual = float(np.median(step))
    index = np.clip(np.searchsorted(line, at, side="right") - 1, 0, line.size - 1)
    nxt = np.minimum(index + 1, line.size - 1)
    span_line = np.maximum(line[nxt] - line[index], 1)
    span_utc = (utc[nxt] - utc[index]).astype(np.float64)
    paused = span_utc > max(3.0 * usual, 5e9)
    rate = np.where((nxt == index) | paused, pace, span_utc / span_line)
    ahead = np.where(paused, np.minimum((at - line[index]) * rate, usual), (at - line[index]) * rate)
    return utc[index] + np.rint(ahead).astype(np.int64)
