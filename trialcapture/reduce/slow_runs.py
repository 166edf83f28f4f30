"""Slow run-downs and run-ups: stretches over which the engine speed falls or rises evenly on a steady course."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypedDict

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats, to_arrow
from trialcapture.prepare.sample_statistics import rolling_mean, wrap_deg
from trialcapture.reduce.current import velocity_kn
from trialcapture.reduce.legs import IntArray, read_times_ns
from trialcapture.reduce.statistics import BoolArray, FloatArray, weighted_direction_deg

SLOWEST_PCT_PER_S, FASTEST_PCT_PER_S = 0.03, 0.6
"""Change of engine speed in a slow run, as a share of the highest of the trial: the whole range in three minutes or
more, so that the hull is never far from its steady state (common practice, no source)."""
SHORTEST_S = 60.0
LEAST_RANGE_PCT = 25.0
"""How much of its higher engine speed a slow run must cover."""
EVEN_FACTOR, LEAST_EVEN_SHARE = 3.0, 0.85
"""An intended slow change keeps its rate: over this share of the run it stays within this factor of its median. A
throttle pushed and followed slowly by the engine, or moved now and then, does not (no source)."""
COURSE_HELD_DEG = 12.0
"""From the mean course of the run."""
TURNING_DEG = 15.0
"""A course that changes by this much in twenty seconds is a turn, not yaw."""
AFTER_TURN_S = 20
"""A turn takes speed, which comes back at constant rpm and would be mistaken for the hump (no source)."""
LONGEST_GAP_S = 10
"""Seconds without speed or engine speed that do not end a run."""
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
    fault: str
    """Why it can show nothing; "" where it can."""


def find_slow_runs(samples: pa.Table | None, engine_ids: Sequence[str]) -> list[SlowRun]:
    """Return the slow runs of a trial in order of time; none without samples or engine speed.

    A stretch that changes engine speed slowly but not evenly, or not on one course, is returned with its fault. How
    fast a boat must have gone to speak of a hump is no question of engine speed: see `trialcapture.reduce.planing`.

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
    if rpm.size <= 2 * _LAG_S or not np.isfinite(rpm).any():
        return []
    rpm = _bridge(rpm)
    speed, course = _second_means(samples, "sog_kn", block), _middles(samples, "cog_true_deg", block)
    pitch = _second_means(samples, "pitch_deg", block)
    t_ns = read_times_ns(samples.select(["t"]).take(to_arrow(np.arange(block // 2, rpm.size * block, block))), "t")
    rate = np.full(rpm.size, np.nan)
    rate[_LAG_S:-_LAG_S] = 100.0 * (rpm[2 * _LAG_S :] - rpm[: -2 * _LAG_S]) / (2 * _LAG_S) / np.nanmax(rpm)
    with np.errstate(invalid="ignore"):
        slow = (np.abs(rate) >= SLOWEST_PCT_PER_S) & (np.abs(rate) <= FASTEST_PCT_PER_S)
    sense = np.where(slow, np.sign(rate), 0.0)
    sense[_long_gaps(np.isfinite(speed) & np.isfinite(course))] = 0.0
    cuts = np.flatnonzero(np.diff(sense)) + 1
    found: list[SlowRun] = []
    for start, stop in zip(np.concatenate([[0], cuts]), np.concatenate([cuts, [sense.size]]), strict=True):
        whole = slice(int(start), int(stop))
        if sense[start] == 0 or not _covers(rpm[whole]):
            continue
        held = _where_course_held(course, whole)
        if not _covers(rpm[held]):
            piece, fault = whole, "the course was not held"
        elif not _is_even(rate[held]):
            piece, fault = held, "the engine speed did not change evenly"
        else:
            piece, fault = held, ""
        found.append(
            {
                "way": "down" if sense[int(start)] < 0 else "up",
                "t_ns": t_ns[piece],
                "rpm": rpm[piece],
                "ground_kn": velocity_kn(speed[piece], course[piece]),
                "pitch_deg": pitch[piece],
                "fault": fault,
            }
        )
    return found


def _covers(rpm: FloatArray) -> bool:
    """Return whether a stretch is long enough, and changes engine speed enough, to be a slow run."""
    if rpm.size < SHORTEST_S or not np.isfinite(rpm).any():
        return False
    highest = float(np.nanmax(rpm))
    return 100.0 * (highest - float(np.nanmin(rpm))) >= LEAST_RANGE_PCT * highest


def _is_even(rate_pct_per_s: FloatArray) -> bool:
    size = np.abs(rate_pct_per_s)
    usual = float(np.median(size))
    return float(np.mean((size >= usual / EVEN_FACTOR) & (size <= usual * EVEN_FACTOR))) >= LEAST_EVEN_SHARE


def _bridge(values: FloatArray) -> FloatArray:
    """Return values with gaps no longer than `LONGEST_GAP_S` filled in a straight line."""
    known = np.isfinite(values)
    every = np.arange(values.size)
    return np.where(_long_gaps(known), np.nan, np.interp(every, every[known], values[known]))


def _long_gaps(known: BoolArray) -> BoolArray:
    """Return True where nothing is known for longer than `LONGEST_GAP_S`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~known).astype(np.int8), [0]])))
    long = np.zeros(known.size, dtype=np.bool_)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        long[start:stop] = stop - start > LONGEST_GAP_S
    return long


def _where_course_held(course_deg: FloatArray, whole: slice) -> slice:
    """Return the longest stretch of a run on one course: a turn is no part of it, nor is the recovery from one."""
    piece = _steady_course(course_deg[whole])
    change = np.zeros(piece.size)
    change[_LAG_S:-_LAG_S] = np.abs(piece[2 * _LAG_S :] - piece[: -2 * _LAG_S])
    start, stop = _longest(~(change > TURNING_DEG))
    if start > 0:
        start = min(start + AFTER_TURN_S, stop)
    straight = piece[start:stop]
    off = np.abs(wrap_deg(straight - weighted_direction_deg(straight, np.ones(straight.size))))
    first, last = _longest(~(off > COURSE_HELD_DEG))
    return slice(whole.start + start + first, whole.start + start + last)


def _steady_course(course_deg: FloatArray) -> FloatArray:
    """Return a course without its jumps at north, its short gaps and its single wrong values."""
    known = np.flatnonzero(np.isfinite(course_deg))
    if not known.size:
        return course_deg
    filled = np.interp(np.arange(course_deg.size), known, np.unwrap(course_deg[known], period=360.0))
    padded = np.pad(filled, 2, mode="edge")
    middle: FloatArray = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return middle


def _longest(good: BoolArray) -> tuple[int, int]:
    """Return the longest stretch of True as a half-open interval; an empty one where there is none."""
    edges = np.concatenate([[-1], np.flatnonzero(~good), [good.size]])
    longest = int(np.argmax(np.diff(edges)))
    return int(edges[longest]) + 1, int(edges[longest + 1])


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
