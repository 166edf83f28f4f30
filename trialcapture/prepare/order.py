"""Logs without receipt stamps: lines placed by their order between the sentences that carry a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.prepare.sentence_times import integers, receiver_codes
from trialcapture.prepare.utc import find_believable_times

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_FEW = 10


@dataclass(frozen=True, slots=True)
class Epochs:
    """The times one receiver told, in the order of the log.

    Attributes:
        line: First line of each new time, shape (n,), strictly ascending.
        utc_ns: Those times [ns since 1970 UTC], strictly ascending.
        usual_ns: Median step from one to the next [ns].
        pace_ns: Median time a line takes [ns].
    """

    line: Ints
    utc_ns: Ints
    usual_ns: float
    pace_ns: float


def find_epochs(line: Ints, utc_ns: Ints) -> Epochs | None:
    """Return the believable new times of one receiver, or None where there is none.

    Args:
        line: Lines of its timed sentences, shape (n,), ascending.
        utc_ns: Their times [ns since 1970 UTC].
    """
    if line.size > 3:
        per_line = np.diff(utc_ns) / np.maximum(np.diff(line), 1)
        pace = max(int(np.median(per_line[per_line > 0])) if np.any(per_line > 0) else 100_000_000, 1)
        kept = find_believable_times(line * pace, utc_ns)
        line, utc_ns = line[kept], utc_ns[kept]
    rising = utc_ns > np.concatenate([[np.iinfo(np.int64).min], np.maximum.accumulate(utc_ns)[:-1]])
    line, utc_ns = line[rising], utc_ns[rising]
    # two formatters of one epoch may share a line only where a log is damaged; the later time stands
    alone = np.concatenate([np.diff(line) > 0, [True]]) if line.size else np.zeros(0, dtype=np.bool_)
    line, utc_ns = line[alone], utc_ns[alone]
    if not line.size:
        return None
    step = np.diff(utc_ns)
    usual = float(np.median(step)) if step.size else 1e9
    pace_ns = float(np.median(step / np.diff(line))) if step.size else 0.0
    return Epochs(line, utc_ns, usual, pace_ns)


def place_by_order(table: pa.Table, epochs: Epochs) -> Ints:
    """Return UTC [ns] of each row by its place between the epochs; a receiver's own burst has its epoch's time."""
    at = integers(table, "line")[0]
    placed = _between(at, epochs)
    burst = _in_burst(table, at, epochs.line)
    placed[burst] = epochs.utc_ns[np.searchsorted(epochs.line, at[burst], side="right") - 1]
    return placed


def _between(at: Ints, epochs: Epochs) -> Ints:
    """Return UTC of lines by their place between the timed ones; across a pause they stay with the earlier."""
    line, utc, usual, pace = epochs.line, epochs.utc_ns, epochs.usual_ns, epochs.pace_ns
    if line.size == 1:
        return np.full(at.size, utc[0], dtype=np.int64)
    index = np.clip(np.searchsorted(line, at, side="right") - 1, 0, line.size - 1)
    nxt = np.minimum(index + 1, line.size - 1)
    span_line = np.maximum(line[nxt] - line[index], 1)
    span_utc = (utc[nxt] - utc[index]).astype(np.float64)
    paused = span_utc > max(3.0 * usual, 5e9)
    rate = np.where((nxt == index) | paused, pace, span_utc / span_line)
    ahead = np.where(paused, np.minimum((at - line[index]) * rate, usual), (at - line[index]) * rate)
    return utc[index] + np.rint(ahead).astype(np.int64)


def _in_burst(table: pa.Table, at: Ints, epoch_line: Ints) -> Bools:
    """Return True for sentences that belong to the receiver's own burst at the start of an epoch.

    What comes exactly once an epoch and always in the same place is sent together with the receiver's time; what
    keeps its own pace (several an epoch, or a wandering place) is spread over the epoch.
    """
    belongs = np.zeros(at.size, dtype=np.bool_)
    epoch = np.searchsorted(epoch_line, at, side="right") - 1
    keys, _ = receiver_codes(table)
    if "number" in table.column_names:
        keys = keys * 1000 + np.clip(integers(table, "number")[0], 0, 999)
    for key in np.unique(keys):
        mine = np.flatnonzero((keys == key) & (epoch >= 0))
        if mine.size < _FEW:
            continue
        place = at[mine] - epoch_line[epoch[mine]]
        count = np.bincount(epoch[mine] - epoch[mine][0])
        usual = np.bincount(place).max() / place.size
        if float((count == 1).mean()) > 0.97 and usual > 0.9:
            belongs[mine] = True
    return belongs
