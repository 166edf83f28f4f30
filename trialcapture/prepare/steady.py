"""Steady stretches of a trial: rpm held, course held, nothing missing, and the speed settled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.holds import (
    Interval,
    find_course_holds,
    find_rpm_holds,
    find_shifts,
    find_speed_holds,
    intersect,
    runs,
)
from trialcapture.prepare.judge import Limits, Track, drifts, find_breach
from trialcapture.prepare.settle import TOLERANCE_SHARE, Approach, find_settled, tail_scatter

Floats = npt.NDArray[np.float64]

_MARGIN_S = 1.0
_LEAD_S = 2.0
_HELM_LEAD_S = 6.0
_COURSE_LEAD_S = 15.0
_WORTH_LISTING_S = 10.0
_FRONT_KN = 0.4
_FRONT_S = 20.0
_FLANK_S = 3.0
_SHORT_HOLD_SHARE = 0.005
_LEAST_GUARD = 0.75
_IDLE_SHARE = 1.1
_DRIFT_KN = 2.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A candidate for a steady segment, as a half-open index interval, accepted or with the reason why not."""

    start: int
    stop: int
    accepted: bool
    reason: str


def find_steady(track: Track, limits: Limits) -> list[Stretch]:
    """Find the steady stretches of a recording, and the stretches that looked like one and are not.

    A hold is where every engine's rpm stays at one level and the boat on one course. From each hold the approach
    of the speed to its final value is cut off at the start; the rest is held against the limits.

    Returns:
        Candidates in order of time; they do not overlap. ``accepted`` is True exactly where ``reason`` is empty.
    """
    if track.sog_kn.size == 0:
        return []
    seen = [engine for engine in track.rpm if np.isfinite(engine).mean() > 0.05]
    if seen:
        holds = find_rpm_holds(seen[0], track.dt_s)
        for engine in seen[1:]:
            holds = intersect(holds, find_rpm_holds(engine, track.dt_s))
        track = replace(track, rpm=np.stack(seen))
    else:
        holds = find_speed_holds(track.sog_kn, track.dt_s)
        track = replace(track, rpm=np.zeros((0, track.sog_kn.size)))
    course_held = find_course_holds(track.heading_true_deg, track.dt_s)
    known = runs(np.isfinite(track.sog_kn))
    # a helm is put over well before the heading shows it; an rpm shows a throttle at once
    helm_s = _COURSE_LEAD_S if track.over_ground else _HELM_LEAD_S
    lead = round((helm_s - _LEAD_S) / track.dt_s)
    steered = [(a, b if b == track.sog_kn.size else max(b - lead, a)) for a, b in course_held]
    candidates = [(a, b) for a, b in intersect(intersect(holds, steered), known) if b > a]
    scatter = _typical_scatter(track, candidates, limits)
    found = [stretch for a, b in candidates for stretch in _judge_hold(a, b, track, limits, scatter)]
    for hold in holds:
        on_course = intersect([hold], course_held)
        found += _off_course(hold, on_course, track)
        found += _without_speed(on_course, known, track.dt_s)
    return sorted(found, key=lambda s: s.start)


def _typical_scatter(track: Track, candidates: list[Interval], limits: Limits) -> float:
    """Return the typical variance of speed within the holds of this trial under way [kn**2]."""
    parts = [track.sog_kn[a:b] for a, b in candidates]
    under_way = [tail_scatter(v, track.dt_s) for v in parts if float(v.mean()) >= limits.steady.min_sog_kn]
    known = [s for s in under_way if np.isfinite(s)]
    return max(float(np.median(known)), 1e-6) if known else 0.01


def _complement(outer: Interval, inner: list[Interval], dt_s: float) -> list[Interval]:
    """Return what of an interval the inner ones leave free, where it is long enough to be worth a line."""
    edges = [outer[0], *(edge for interval in inner for edge in interval), outer[1]]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * dt_s >= _WORTH_LISTING_S]


def _off_course(hold: Interval, on_course: list[Interval], track: Track) -> list[Stretch]:
    off = _complement(hold, on_course, track.dt_s)
    known = [np.isfinite(track.heading_true_deg[a:b]).mean() > 0.5 for a, b in off]
    return [
        Stretch(a, b, False, "turning" if k else "no heading and no course")
        for (a, b), k in zip(off, known, strict=True)
    ]


def _without_speed(on_course: list[Interval], known: list[Interval], dt_s: float) -> list[Stretch]:
    lost = [gap for hold in on_course for gap in _complement(hold, intersect([hold], known), dt_s)]
    return [Stretch(a, b, False, "no speed over ground") for a, b in lost]


def _judge_hold(start: int, stop: int, track: Track, limits: Limits, scatter: float) -> list[Stretch]:
    """Cut one hold of rpm and course down to where speed has settled, split it at fronts, and judge the parts."""
    dt_s = track.dt_s
    a, b = start + round(_MARGIN_S / dt_s), stop - round(_LEAD_S / dt_s)
    if (b - a) * dt_s < _WORTH_LISTING_S:
        return []
    if reason := _not_under_way(track.part(a, b), limits):
        return [Stretch(a, b, False, reason)]
    for front in find_shifts(track.sog_kn[a:b], dt_s, _FRONT_KN, _FRONT_S):
        # a step of speed in a hold that had settled is the water's doing: what follows is judged by itself
        if not isinstance(_settle(track.part(a, a + front), limits, scatter), Approach):
            flank = round(_FLANK_S / dt_s)
            before = _judge_hold(start, a + front - flank, track, limits, scatter)
            return before + _judge_hold(a + front + flank, stop, track, limits, scatter)
    settled = _settle(track.part(a, b), limits, scatter)
    if isinstance(settled, Approach):
        return [Stretch(a, b, False, _not_settled(settled, (b - a) * dt_s, limits))]
    if start > 0:
        # a hold a little too short loses a little less, never so much that a transient could hide in it
        need_s = limits.steady.min_duration_s
        guard_s = min(limits.guard_s, max((b - a) * dt_s - need_s, _LEAST_GUARD * limits.guard_s))
        settled = max(settled, round(guard_s / dt_s))
        if (b - a - settled) * dt_s < need_s:
            left_s = max((b - a - settled) * dt_s, 0.0)
            need = f"{need_s:g} s needed (min_duration_s)"
            return [Stretch(a, b, False, f"too short: {left_s:.0f} s left after the guard time, {need}")]
    return [_judge(a + settled, b, track, limits)]


def _not_under_way(track: Track, limits: Limits) -> str:
    """Return why a hold is no run at all, or an empty string."""
    speed = float(track.sog_kn.mean())
    if speed < limits.steady.min_sog_kn:
        return f"lying still: {speed:.1f} kn, below {limits.steady.min_sog_kn:g} kn (min_sog_kn)"
    idling = track.rpm.size > 0 and float(np.nanmean(track.rpm)) < _IDLE_SHARE * limits.idle_rpm
    if idling and speed < _DRIFT_KN:
        return f"idling at {speed:.1f} kn: below {_DRIFT_KN:g} kn this cannot be told from drifting"
    return ""


def _settle(track: Track, limits: Limits, scatter: float) -> int | Approach:
    """Return from which sample on the speed of a hold has settled, or its approach when too little is left."""
    own = tail_scatter(track.sog_kn, track.dt_s)
    scatter = max(scatter, own) if np.isfinite(own) else scatter
    # a short hold is worth half a percent of speed more than no value at all
    for share in (TOLERANCE_SHARE, _SHORT_HOLD_SHARE):
        approach = find_settled(track.sog_kn, track.dt_s, scatter, share)
        settled = int(np.ceil(approach.settled_s / track.dt_s))
        if (track.sog_kn.size - settled) * track.dt_s >= limits.steady.min_duration_s:
            return settled
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


def _judge(start: int, stop: int, track: Track, limits: Limits) -> Stretch:
    """Shrink a settled part until its slope is insignificant or small, then hold it against every limit."""
    need = round(limits.steady.min_duration_s / track.dt_s)
    step = max(round(2.0 / track.dt_s), 1)
    starts = range(start, stop - need + 1, step)
    calm = next((a for a in starts if not drifts(track.sog_kn[a:stop], track.dt_s, limits)), None)
    if calm is None:
        reason = find_breach(track.part(start, stop), limits) or "speed not settled: it drifts to the end of the hold"
        return Stretch(start, stop, False, reason)
    reason = find_breach(track.part(calm, stop), limits)
    return Stretch(calm, stop, reason == "", reason)
