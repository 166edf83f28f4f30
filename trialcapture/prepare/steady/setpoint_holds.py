"""Setpoint holds: stretches of one rpm and one course, and the steady stretches within them. Arrays in, intervals out.

All functions take uniformly spaced arrays and return half-open index intervals [start, stop).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.sample_statistics import rolling_mean, window_sums, wrap_deg
from trialcapture.prepare.steady.criteria import Limits, Track, bends, drifts, find_violation
from trialcapture.prepare.steady.exponential_settling import (
    TOLERANCE_SHARE,
    Approach,
    find_settled,
    fit_hold_speed,
    residual_variance,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Interval = tuple[int, int]

_WINDOW_S, _SMOOTH_S, _LONG_SMOOTH_S, _SHIFT_S = 10.0, 2.0, 6.0, 15.0
"""Changes are measured over the first [s], after smoothing over the second (rpm) or third (heading, speed); a lasting
shift is that of means over the fourth (our choice, no source)."""
_RPM_CHANGE_PCT = 1.0
"""Change over ten seconds that counts as a moving throttle [% of rpm] (common practice, no source)."""
_RPM_SHIFT_PCT = 0.5
"""Lasting change of level that splits a hold [% of rpm] (common practice, no source)."""
_COURSE_CHANGE_DEG, _COURSE_SHIFT_DEG = 10.0, 8.0
"""Change of heading over ten seconds that is a turn, and lasting shift that splits a hold (common practice, no
source)."""
_YAW_S = 10.0
"""A swing of the heading this short that ends where it began is yaw in a seaway, no turn (common practice, no
source)."""
_YAW_FLANK_S, _YAW_DEG = 20.0, 20.0
"""Both sides of a swing are compared over this [s]; a wider swing is a turn (our choice, no source)."""
_SPEED_CHANGE_KN = 0.5
"""Change of speed that ends a hold where no engine speed is known [kn] (our choice, no source)."""
_DIP_KN, _DIP_SPREADS = 0.5, 5.0
"""A wake is a departure of speed from the level around it by more than both: kn, and robust standard deviations (our
choice, no source)."""
_DIP_S = (2.0, 20.0)
"""Shortest and longest wake [s] (common practice, no source)."""
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


def increments(y: Floats) -> Floats:
    """Return the changes from one known sample to the next that are no zero [unit of y], in order."""
    steps = np.diff(y[np.isfinite(y)])
    return steps[np.abs(steps) > 1e-9]


def least_count(steps: Floats) -> float:
    """Return the step a quantised signal moves in [its unit], from its `increments`; 0 when they show none."""
    size = np.abs(steps)
    if size.size < 10:
        # few moves may all belong to a throttle; one that is taken back at once is the last digit's
        taken_back = size[:-1][np.abs(steps[:-1] + steps[1:]) < 1e-9 * size[:-1]]
        return float(taken_back.min()) if taken_back.size else 0.0
    smallest = np.quantile(size, 0.02)
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
    threshold = max(smallest, 6.0 * np.median(left))
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
        level = np.median(smooth[start:stop])
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
    level = np.median(core)
    spread = 1.4826 * np.median(np.abs(core - level))
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
            away = np.abs(wrap_deg(fine[room] - np.median(steady[piece])))
            spread = 1.4826 * np.median(away[piece.start - room.start : piece.stop - room.start])
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
            before, after = np.median(steady[max(first, last - flank) : last]), np.median(steady[start:stop][:flank])
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
    spread = 1.4826 * np.median(np.abs(away))
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


# From a hold to steady stretches: the approach is cut off, fronts of current split it, the criteria are applied.

WORTH_LISTING_S = 10.0
"""A shorter hold is not listed [s] (our choice)."""
LEAD_S = 2.0
"""Left out before the end of a hold [s] (common practice, no source)."""
_MARGIN_S = 1.0
"""Left out after the start of a hold [s] (our choice, no source)."""
_FRONT_KN, _FRONT_S = 0.4, 20.0
"""A front of current is a lasting shift of speed by so much between means over so long (common practice, no source)."""
_FLANK_S = 3.0
"""Left out on both sides of a front [s] (our choice, no source)."""
_SHORT_HOLD_SHARE = 0.005
"""Share of speed that may be left of the approach in a short hold: half a per cent (our choice, no source)."""
_LEAST_GUARD = 0.75
"""Share of the guard time that a short hold must keep (our choice, no source)."""
_DOUBTFUL_SHARE = 2.0
"""Of a hold whose approach may be slow waves, the last of it counts: so many times the least duration (common
practice, no source)."""
_IDLE_SHARE, _DRIFT_KN = 1.1, 2.0
"""An engine idles up to this share of its idle speed; below this speed a boat at idle may only drift [kn] (common
practice, no source)."""
_STEP_SHARE = 0.01
"""Step of the starts that are tried, as a share of the stretch (our choice)."""


@dataclass(frozen=True, slots=True)
class Silence:
    """A time without readings in a hold, too long to be evaluated across.

    Attributes:
        what: ``speed``, ``heading`` or ``rpm``.
        engine: Number of the engine whose rpm it is, from 0; None for the boat's own channels.
        start, stop: Samples without a reading, half-open.
        whole: False where it may have begun earlier or ended later than was looked at.
    """

    what: str
    engine: int | None
    start: int
    stop: int
    whole: bool = True

    def moved(self, by: int, times: int = 1) -> Silence:
        """Return it with sample numbers multiplied, then counted from `by` samples earlier."""
        return replace(self, start=self.start * times + by, stop=self.stop * times + by)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A candidate for a steady segment, as a half-open index interval, accepted or with the reason why not.

    Attributes:
        start, stop: Its samples.
        accepted: True where it is steady.
        reason: Why not, "" where it is: the name of the limit, and after a colon the figures.
        silence: The silence that ends or precedes it in the middle of a hold, if any.
        approach_step_kn: By how much its mean speed differs from the speed before the throttle or the turn that led
            to it [kn]: positive where it was approached from below. None where there was no such change, or where
            the recording begins with it.
        since_change: Samples from the beginning of its hold, where throttle and course were set, to its start.
    """

    start: int
    stop: int
    accepted: bool
    reason: str
    silence: Silence | None = None
    approach_step_kn: float | None = None
    since_change: int | None = None

    def moved(self, by: int, times: int = 1) -> Stretch:
        """Return it with sample numbers multiplied, then counted from `by` samples earlier."""
        silence = self.silence and self.silence.moved(by, times)
        since = None if self.since_change is None else self.since_change * times
        return replace(
            self, start=self.start * times + by, stop=self.stop * times + by, silence=silence, since_change=since
        )


def apply_criteria(
    start: int, stop: int, track: Track, limits: Limits, speed_variance: float, first: bool, fronted: bool = False
) -> list[Stretch]:
    """Cut a hold down to where speed has settled, split it at fronts, and apply the criteria to the parts.

    Args:
        start: First sample of the hold in the track; speed is known from here to `stop`.
        stop: The sample after its last.
        track: What the hold is part of.
        limits: What counts as steady.
        speed_variance: Typical variance of speed within holds [kn**2].
        first: True where the track begins with the recording: a hold from its first sample follows no change.
        fronted: True where the hold begins with a front of the water, which leaves no transient behind.
    """
    dt_s = track.dt_s
    a, b = start + round(_MARGIN_S / dt_s), stop - round(LEAD_S / dt_s)
    if (b - a) * dt_s < WORTH_LISTING_S:
        return []
    if reason := _not_under_way(track.part(a, b), limits):
        return [Stretch(a, b, False, reason)]
    changed = (start > 0 or not first) and not fronted
    # an approach would hide a front that comes after it, and be taken for one itself
    lead = round(limits.guard_s / dt_s) if changed else 0
    if dips := find_dips(track.sog_kn[a + lead : b], dt_s):
        begins, ends, size_kn = dips[0]
        flank = round(_FLANK_S / dt_s)
        parts = apply_criteria(start, a + lead + begins - flank, track, limits, speed_variance, first, fronted)
        parts += apply_criteria(a + lead + ends + flank, stop, track, limits, speed_variance, first, fronted=True)
        why = f"wake: {size_kn:+.1f} kn for {(ends - begins) * dt_s:.0f} s"
        parts_of_wake = [replace(s, reason=why) if s.reason.startswith("too short") else s for s in parts]
        return parts_of_wake or [Stretch(a, b, False, why)]
    for after in find_shifts(track.sog_kn[a + lead : b], dt_s, _FRONT_KN, _FRONT_S):
        front = lead + after
        # a step of speed in a hold that had settled is the water's doing: what follows is evaluated by itself
        if not isinstance(_find_settling(track.part(a, a + front), limits, speed_variance), Approach):
            flank = round(_FLANK_S / dt_s)
            before = apply_criteria(start, a + front - flank, track, limits, speed_variance, first, fronted)
            return before + apply_criteria(a + front + flank, stop, track, limits, speed_variance, first, fronted=True)
    settled = _find_settling(track.part(a, b), limits, speed_variance)
    if isinstance(settled, Approach):
        return [Stretch(a, b, False, _not_settled(settled, (b - a) * dt_s, limits))]
    if changed:
        # a hold a little too short loses a little less, never so much that a transient could hide in it
        need_s = limits.steady.min_duration_s
        guard_s = min(limits.guard_s, max((b - a) * dt_s - need_s, _LEAST_GUARD * limits.guard_s))
        settled = max(settled, round(guard_s / dt_s))
        if (b - a - settled) * dt_s < need_s:
            left_s = max((b - a - settled) * dt_s, 0.0)
            need = f"{need_s:g} s needed (min_duration_s)"
            return [Stretch(a, b, False, f"too short: {left_s:.0f} s left after the guard time, {need}")]
    return [_check_settled_part(a + settled, b, track, limits)]


def lies_still(speed_kn: float, limits: Limits) -> str:
    """Return the words for a boat that makes no way, or an empty string."""
    if speed_kn >= limits.steady.min_sog_kn:
        return ""
    return f"lying still: {speed_kn:.1f} kn, below {limits.steady.min_sog_kn:g} kn (min_sog_kn)"


def _not_under_way(track: Track, limits: Limits) -> str:
    """Return why a hold is no run at all, or an empty string."""
    speed = float(track.sog_kn.mean())
    if still := lies_still(speed, limits):
        return still
    if speed < _DRIFT_KN and track.rpm.size > 0 and float(np.nanmean(track.rpm)) < _IDLE_SHARE * limits.idle_rpm:
        return f"idling: {speed:.1f} kn, and below {_DRIFT_KN:g} kn this cannot be told from drifting"
    if speed < _DRIFT_KN and track.rpm.size == 0:
        return f"no engine speed: {speed:.1f} kn, and below {_DRIFT_KN:g} kn this cannot be told from drifting"
    return ""


def _find_settling(track: Track, limits: Limits, speed_variance: float) -> int | Approach:
    """Return from which sample on the speed of a hold has settled, or its approach when too little is left."""
    speed = fit_hold_speed(track.sog_kn, track.dt_s)
    own = residual_variance(speed)
    speed_variance = max(speed_variance, own) if np.isfinite(own) else speed_variance
    need_s, n = limits.steady.min_duration_s, track.sog_kn.size
    # rather than lose a hold, slow waves may pass for what looks like an approach, and a short hold may keep half a
    # percent of speed
    for share in (TOLERANCE_SHARE, _SHORT_HOLD_SHARE):
        for in_waves in (False, True):
            approach = find_settled(speed, speed_variance, share, in_waves=in_waves)
            settled = int(np.ceil(approach.settled_s / track.dt_s))
            if (n - settled) * track.dt_s >= need_s:
                # in doubt the early part is what may be unsettled
                return max(settled, n - round(_DOUBTFUL_SHARE * need_s / track.dt_s)) if in_waves else settled
    return approach


def _not_settled(approach: Approach, held_s: float, limits: Limits) -> str:
    need = f"{limits.steady.min_duration_s:g} s needed (min_duration_s)"
    left_s = max(held_s - approach.settled_s, 0.0)
    if approach.excess_kn == 0.0:
        return f"too short: held for {held_s:.0f} s, {need}"
    if left_s == 0.0:
        word = "rising" if approach.excess_kn < 0 else "falling"
        remaining = approach.excess_kn * float(np.exp(-max(held_s - approach.start_s, 0.0) / approach.tau_s))
        return f"speed still {word}: {abs(remaining):.2f} kn to go at the end of the hold"
    return f"too short after settling: {left_s:.0f} s left of {held_s:.0f} s, {need}"


def _check_settled_part(start: int, stop: int, track: Track, limits: Limits) -> Stretch:
    """Shrink a settled part until slope and bend are insignificant or small, then hold it against every limit."""
    need = round(limits.steady.min_duration_s / track.dt_s)
    step = max(round(2.0 / track.dt_s), round(_STEP_SHARE * (stop - start)), 1)
    starts = range(start, stop - need + 1, step)
    speed, dt_s = track.sog_kn, track.dt_s
    calm = next((a for a in starts if not drifts(speed[a:stop], dt_s, limits) and not bends(speed[a:stop], dt_s)), None)
    if calm is None:
        reason = (
            find_violation(track.part(start, stop), limits) or "speed not settled: it drifts to the end of the hold"
        )
        return Stretch(start, stop, False, reason)
    reason = find_violation(track.part(calm, stop), limits)
    return Stretch(calm, stop, reason == "", reason)
