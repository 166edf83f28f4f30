"""Slow run-downs and run-ups: stretches over which the engine speed falls or rises evenly on a steady course."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypedDict

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats, to_arrow
from trialcapture.prepare.statistics import rolling_mean, wrap_deg
from trialcapture.reduce.current import velocity_kn
from trialcapture.reduce.legs import IntArray, read_times_ns
from trialcapture.reduce.statistics import FloatArray, weighted_direction_deg

SLOWEST_PCT_PER_S, FASTEST_PCT_PER_S = 0.03, 0.6
"""Change of engine speed in a slow run, as a share of the highest of the trial: the whole range in three minutes or
more, so that the hull is never far from its steady state (common practice, no source)."""
SHORTEST_S = 60.0
LEAST_RANGE_PCT = 25.0
"""How much of its higher engine speed a slow run must cover."""
COURSE_HELD_DEG = 12.0
"""From the mean course of the run."""
SLOW_LOOKS = 9
"""Times at which the current is asked for in a slow run; between them it is interpolated."""
_LAG_S = 10


class SlowRun(TypedDict):
    """One slow run on a grid of one second; arrays of one length, NaN where unknown."""

    way: Literal["down", "up"]
    t_ns: IntArray
    rpm: FloatArray
    ground_kn: FloatArray
    pitch_deg: FloatArray


def find_slow_runs(samples: pa.Table | None, engine_ids: Sequence[str]) -> list[SlowRun]:
    """Return the slow runs of a trial in order of time; none without samples or engine speed.

    Args:
        samples: Samples of the trial set on their uniform grid.
        engine_ids: Engines; their mean speed counts.
    """
    if samples is None or samples.num_rows < 3 or not engine_ids:
        return []
    edges = pa.concat_tables([samples.slice(0, 1), samples.slice(samples.num_rows - 1)])
    first, last = read_times_ns(edges, "t")
    block = max(round((samples.num_rows - 1) * 1e9 / max(int(last - first), 1)), 1)
    rpm = np.mean([_second_means(samples, f"rpm_{e}", block) for e in engine_ids], axis=0)
    if not np.isfinite(rpm).any():
        return []
    speed, course = _second_means(samples, "sog_kn", block), _middles(samples, "cog_true_deg", block)
    pitch = _second_means(samples, "pitch_deg", block)
    t_ns = read_times_ns(samples.select(["t"]).take(to_arrow(np.arange(block // 2, rpm.size * block, block))), "t")
    rate = np.full(rpm.size, np.nan)
    rate[_LAG_S:-_LAG_S] = 100.0 * (rpm[2 * _LAG_S :] - rpm[: -2 * _LAG_S]) / (2 * _LAG_S) / np.nanmax(rpm)
    with np.errstate(invalid="ignore"):
        slow = (np.abs(rate) >= SLOWEST_PCT_PER_S) & (np.abs(rate) <= FASTEST_PCT_PER_S) & np.isfinite(speed)
    sense = np.where(slow, np.sign(rate), 0.0)
    cuts = np.flatnonzero(np.diff(sense)) + 1
    found: list[SlowRun] = []
    for start, stop in zip(np.concatenate([[0], cuts]), np.concatenate([cuts, [sense.size]]), strict=True):
        if sense[start] == 0 or stop - start < SHORTEST_S:
            continue
        piece = _where_course_held(course, int(start), int(stop))
        if piece.stop - piece.start < SHORTEST_S:
            continue
        if 100.0 * np.ptp(rpm[piece]) / rpm[piece].max() < LEAST_RANGE_PCT:
            continue
        found.append(
            {
                "way": "down" if sense[int(start)] < 0 else "up",
                "t_ns": t_ns[piece],
                "rpm": rpm[piece],
                "ground_kn": velocity_kn(speed[piece], course[piece]),
                "pitch_deg": pitch[piece],
            }
        )
    return found


def _where_course_held(course_deg: FloatArray, start: int, stop: int) -> slice:
    """Return the longest stretch of a run on one course: the turn that ends it is no part of it."""
    piece = course_deg[start:stop]
    weights = np.where(np.isfinite(piece), 1.0, 0.0)
    off = np.abs(wrap_deg(piece - weighted_direction_deg(piece, weights)))
    wrong = np.flatnonzero(~(off <= COURSE_HELD_DEG))
    edges = np.concatenate([[-1], wrong, [piece.size]])
    longest = int(np.argmax(np.diff(edges)))
    return slice(start + int(edges[longest]) + 1, start + int(edges[longest + 1]))


def _second_means(samples: pa.Table, name: str, block: int) -> FloatArray:
    """Return means over whole seconds, NaN where nothing is known in a second."""
    n = samples.num_rows // block
    if name not in samples.column_names:
        return np.full(n, np.nan)
    values = floats(samples[name])[: n * block]
    # a moving mean of one block's width, taken at the middle of each block, is the mean of the block
    return rolling_mean(values, block)[block // 2 :: block][:n]


def _middles(samples: pa.Table, name: str, block: int) -> FloatArray:
    """Return the value in the middle of each second: an angle is not averaged across north."""
    n = samples.num_rows // block
    values = floats(samples[name])
    return values[block // 2 : n * block : block]
