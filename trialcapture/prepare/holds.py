"""Stretches in which something is held: rpm at one level, heading on one course. Arrays in, intervals out.

All functions take uniformly spaced arrays and return half-open index intervals [start, stop).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.statistics import median, quantile, rolling_mean, window_sums, wrap_deg

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Interval = tuple[int, int]

_WINDOW_S = 10.0
_SMOOTH_S = 2.0
_LONG_SMOOTH_S = 6.0
_SHIFT_S = 15.0
_RPM_CHANGE_PCT = 1.0
"""Change over ten seconds that counts as a moving throttle [% of rpm] (common practice, no source)."""
_RPM_SHIFT_PCT = 0.5
"""Lasting change of level that splits a hold [% of rpm] (common practice, no source)."""
_COURSE_CHANGE_DEG = 10.0
_COURSE_SHIFT_DEG = 8.0
_YAW_S = 10.0
"""A swing of the heading this short that ends where it began is yaw in a seaway, no turn (common practice, no
source)."""
_YAW_FLANK_S = 20.0
_YAW_DEG = 20.0
_SPEED_CHANGE_KN = 0.5
_DIP_KN, _DIP_SPREADS = 0.5, 5.0
"""A wake is a departure of speed from the level around it by more than both: kn, and robust standard deviations."""
_DIP_S = (2.0, 20.0)
_AROUND_DIP_S = 61.0
"""Level is the median over this time [s]: three times the longest wake (common practice, no source)."""


def runs(mask: Bools) -> list[Interval]:
    """Return the intervals in which a mask is True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def window_change(y: Floats, dt_s: float, window_s: float = _WINDOW_S) -> Floats:
    """Return the least-squares change of y over a centred window [unit of y per window], NaN where not all known.

    The window shrinks at the ends of the array so that a hold may begin with the recording.
    """
    half = max(round(window_s / 2 / dt_s), 1)
    known = np.isfinite(y)
    filled = np.where(known, y, 0.0)
    window = _window(y.size, half)
    whole = window_sums(known, half, half) == window.size
    cross = window_sums(window.x * filled, half, half) - window.mean_x * window_sums(filled, half, half)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.where(window.spread > 0, cross / window.spread, 0.0)
    return np.where(whole & (window.size > half), slope * window_s / dt_s, np.nan)


class _Window(NamedTuple):
    """Windows around each of n samples: their numbers about the middle, and of each window size, mean and spread."""

    x: Floats
    size: Floats
    mean_x: Floats
    spread: Floats


@lru_cache(maxsize=1)
def _window(n: int, half: int) -> _Window:
    """Return the windows of `half` samples to both sides; kept because all signals of an episode share them."""
    x: Floats = np.arange(n, dtype=np.float64) - n / 2
    size = window_sums(np.ones(n), half, half)
    mean_x = window_sums(x, half, half) / size
    return _Window(x, size, mean_x, window_sums(x**2, half, half) - size * mean_x**2)


def moves(y: Floats) -> Floats:
    """Return the changes from one known sample to the next that are no zero [unit of y], in order."""
    steps = np.diff(y[np.isfinite(y)])
    return steps[np.abs(steps) > 1e-9]


def least_count(steps: Floats) -> float:
    """Return the step a quantised signal moves in [its unit], from its `moves`; 0 when they show none."""
    size = np.abs(steps)
    if size.size < 10:
        # few moves may all belong to a throttle; one that is taken back at once is the last digit's
        taken_back = size[:-1][np.abs(steps[:-1] + steps[1:]) < 1e-9 * size[:-1]]
        return float(taken_back.min()) if taken_back.size else 0.0
    smallest = quantile(size, 0.02)
    # a quantised signal moves in whole multiples of its least count, a smooth one does not
    whole = np.abs(size / smallest - np.rint(size / smallest)) < 0.02
    return smallest if whole.mean() > 0.95 else 0.0


def find_shifts(y: Floats, dt_s: float, smallest: float, window_s: float = _SHIFT_S) -> list[int]:
    """Return indices at which the level of y changes lastingly by more than `smallest` and more than its noise.

    Compares the means of the windows before and after every point; noise is the median absolute value of that
    comparison itself, so that slow wander in the signal raises the threshold.
    """
    w = round(window_s / dt_s)
    if y.size < 2 * w or w < 2:
        return []
    total = np.concatenate([[0.0], np.cumsum(y)])
    sums = total[w:] - total[:-w]
    left = np.abs(sums[w:] - sums[:-w]) / w
    # most stretches show none, and then their noise need not be known
    if left.max() <= smallest:
        return []
    threshold = max(smallest, 6.0 * median(left))
    found: list[int] = []
    while left.max() > threshold:
        peak = int(left.argmax())
        found.append(w + peak)
        left[max(peak - w, 0) : peak + w] = 0.0
    return sorted(found)


def find_rpm_holds(rpm: Floats, dt_s: float, count: float) -> list[Interval]:
    """Return the stretches in which one engine's rpm is held at one level.

    Args:
        rpm: Shape (n,), NaN where unknown.
        dt_s: Spacing [s].
        count: Step the signal moves in, from `least_count` [rpm].
    """
    smooth = rolling_mean(rpm, round(_SMOOTH_S / dt_s))
    smooth[~np.isfinite(rpm)] = np.nan
    with np.errstate(invalid="ignore"):
        limit = np.maximum(_RPM_CHANGE_PCT / 100.0 * np.abs(smooth), 1.5 * count + 3.0)
        still = np.abs(window_change(smooth, dt_s)) <= limit
    held: list[Interval] = []
    for (start, stop), latest in _with_room(runs(still), rpm.size):
        level = median(smooth[start:stop])
        cuts = find_shifts(smooth[start:stop], dt_s, max(_RPM_SHIFT_PCT / 100.0 * level, 0.75 * count))
        edges = [start, *(start + c for c in cuts), stop]
        for piece, room in _room(edges, held[-1][1] if held else 0, latest):
            held.append(_fit_to(_near_level(smooth[room], smooth[piece], count), piece, room))
    return [(a, b) for a, b in held if b > a]


def _with_room(still: list[Interval], size: int) -> list[tuple[Interval, int]]:
    """Return each interval with where the next one begins: a hold may not grow into its neighbour."""
    return [(now, after[0]) for now, after in pairwise([*still, (size, size)])]


def _room(edges: list[int], earliest: int, latest: int) -> list[tuple[slice, slice]]:
    """Return each piece between edges with the room its ends may move in: outwards only at the outermost edges."""
    pieces = [slice(a, b) for a, b in pairwise(edges)]
    return [
        (piece, slice(earliest if i == 0 else piece.start, latest if i == len(pieces) - 1 else piece.stop))
        for i, piece in enumerate(pieces)
    ]


def _near_level(smooth: Floats, core: Floats, count: float) -> Bools:
    """Return True where rpm is at the level of a core stretch, within the core's own scatter."""
    level = median(core)
    spread = 1.4826 * median(np.abs(core - level))
    tolerance = max(0.4 / 100.0 * abs(level), 0.75 * count, 3.0 * spread, 2.0)
    with np.errstate(invalid="ignore"):
        near: Bools = np.abs(smooth - level) <= tolerance
    return near


def _fit_to(near: Bools, piece: slice, room: slice) -> Interval:
    """Move both ends of a piece to where it leaves its level: inwards freely, outwards inside the room around it.

    Args:
        near: True where the signal is at the level, over the room.
    """
    a, b = piece.start - room.start, piece.stop - room.start
    inside = np.flatnonzero(near[a:b])
    if inside.size == 0:
        return piece.start, piece.start
    if near[a]:
        away = np.flatnonzero(~near[:a])
        start = int(away[-1]) + 1 if away.size else 0
    else:
        start = a + int(inside[0])
    if near[b - 1]:
        away = np.flatnonzero(~near[b:])
        stop = b + int(away[0]) if away.size else near.size
    else:
        stop = a + int(inside[-1]) + 1
    return room.start + start, room.start + stop


def find_course_holds(heading_true_deg: Floats, dt_s: float) -> list[Interval]:
    """Return the stretches in which the boat holds one course; yaw in a seaway is not a turn.

    Args:
        heading_true_deg: Shape (n,), NaN where unknown.
        dt_s: Spacing [s].
    """
    smooth, fine = _smooth_angles(heading_true_deg, (round(_LONG_SMOOTH_S / dt_s), round(_SMOOTH_S / dt_s)))
    steady = np.full(smooth.size, np.nan)
    held: list[Interval] = []
    for start, stop in runs(np.isfinite(smooth)):
        steady[start:stop] = np.unwrap(smooth[start:stop], period=360.0)
    with np.errstate(invalid="ignore"):
        still = np.abs(window_change(steady, dt_s)) <= _COURSE_CHANGE_DEG
    for (start, stop), latest in _with_room(_across_yaw(runs(still), steady, dt_s), heading_true_deg.size):
        cuts = find_shifts(steady[start:stop], dt_s, _COURSE_SHIFT_DEG)
        edges = [start, *(start + c for c in cuts), stop]
        for piece, room in _room(edges, held[-1][1] if held else 0, latest):
            away = np.abs(wrap_deg(fine[room] - median(steady[piece])))
            spread = 1.4826 * median(away[piece.start - room.start : piece.stop - room.start])
            with np.errstate(invalid="ignore"):
                near = away <= max(5.0, 2.5 * spread)
            held.append(_fit_to(near, piece, room))
    return [(a, b) for a, b in held if b > a]


def _across_yaw(still: list[Interval], steady: Floats, dt_s: float) -> list[Interval]:
    """Return intervals of still heading with those joined that only a swing of the boat parts.

    Args:
        still: Where the heading is still, ascending.
        steady: The heading, yaw averaged out, unwrapped where known [deg].
        dt_s: Spacing [s].
    """
    longest, flank = round(_YAW_S / dt_s), round(_YAW_FLANK_S / dt_s)
    joined: list[Interval] = []
    for start, stop in still:
        if joined and start - joined[-1][1] <= longest and np.isfinite(steady[joined[-1][1] : start]).all():
            first, last = joined[-1]
            before, after = median(steady[max(first, last - flank) : last]), median(steady[start:stop][:flank])
            away = np.abs(steady[last:start] - 0.5 * (before + after)).max()
            if abs(after - before) <= _COURSE_SHIFT_DEG and away <= _YAW_DEG:
                joined[-1] = (first, stop)
                continue
        joined.append((start, stop))
    return joined


def _smooth_angles(angle_deg: Floats, widths: Iterable[int]) -> list[Floats]:
    """Return moving mean directions over some numbers of samples [deg in [0, 360)], NaN where the angle is unknown."""
    radians = np.radians(angle_deg)
    north, east, unknown = np.cos(radians), np.sin(radians), ~np.isfinite(angle_deg)
    smooth: list[Floats] = []
    for width in widths:
        mean = np.degrees(np.arctan2(rolling_mean(east, width), rolling_mean(north, width))) % 360.0
        mean[unknown] = np.nan
        smooth.append(mean)
    return smooth


def bridge(y: Floats, longest: int, *, angle: bool = False) -> Floats:
    """Return y with the unknown between two known samples filled in a straight line where it is short.

    Args:
        y: Shape (n,), NaN where unknown.
        longest: Samples that may be filled in a row.
        angle: Values are directions [deg]: joined the short way round.
    """
    filled = y
    for start, stop in runs(~np.isfinite(y)):
        if start == 0 or stop == y.size or stop - start > longest:
            continue
        if filled is y:
            filled = y.copy()
        change = y[stop] - y[start - 1]
        change = float(wrap_deg(np.array([change]))[0]) if angle else change
        line = y[start - 1] + change * np.arange(1, stop - start + 1) / (stop - start + 1)
        filled[start:stop] = line % 360.0 if angle else line
    return filled


def find_dips(v_kn: Floats, dt_s: float) -> list[tuple[int, int, float]]:
    """Return where speed leaves its level for some seconds and comes back, as from a wake or a set that passes.

    Args:
        v_kn: Speed in a hold, shape (n,), finite.
        dt_s: Spacing [s].

    Returns:
        First sample, the sample after the last, and the largest departure [kn], in order.
    """
    block = max(round(1.0 / dt_s), 1)
    whole = v_kn.size // block
    half = min(round(_AROUND_DIP_S / 2.0 / (block * dt_s)), (whole - 1) // 2)
    if half * block * dt_s < _DIP_S[1] / 2.0:
        return []
    coarse = v_kn[: whole * block].reshape(whole, block).mean(axis=1)
    padded = np.pad(coarse, half, mode="reflect")
    away = coarse - np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    spread = 1.4826 * median(np.abs(away))
    found: list[tuple[int, int, float]] = []
    for first, last in runs(np.abs(away) > max(_DIP_KN, _DIP_SPREADS * spread)):
        # the flanks of a wake are part of it
        calm = np.abs(away) <= max(_DIP_KN / 4.0, 1.5 * spread)
        begin, end = np.flatnonzero(calm[:first]), np.flatnonzero(calm[last:])
        if not (begin.size and end.size):
            continue
        start, stop = int(begin[-1]) + 1, last + int(end[0])
        lasts_s = (stop - start) * block * dt_s
        if _DIP_S[0] <= lasts_s <= _DIP_S[1] and not (found and found[-1][1] > start * block):
            size = away[first:last]
            found.append((start * block, stop * block, float(size[np.abs(size).argmax()])))
    return found


def find_speed_holds(sog_kn: Floats, dt_s: float) -> list[Interval]:
    """Return the stretches in which speed hardly changes; used only where no engine's rpm is known at all."""
    smooth = rolling_mean(sog_kn, round(_LONG_SMOOTH_S / dt_s))
    smooth[~np.isfinite(sog_kn)] = np.nan
    with np.errstate(invalid="ignore"):
        still = np.abs(window_change(smooth, dt_s, 20.0)) <= _SPEED_CHANGE_KN
    held: list[Interval] = []
    for start, stop in runs(still):
        cuts = find_shifts(smooth[start:stop], dt_s, _SPEED_CHANGE_KN)
        held += pairwise([start, *(start + c for c in cuts), stop])
    return held


def intersect(first: list[Interval], second: list[Interval]) -> list[Interval]:
    """Return the intervals common to two ascending lists."""
    common, i, j = [], 0, 0
    while i < len(first) and j < len(second):
        a, b = max(first[i][0], second[j][0]), min(first[i][1], second[j][1])
        if a < b:
            common.append((a, b))
        if first[i][1] < second[j][1]:
            i += 1
        else:
            j += 1
    return common
