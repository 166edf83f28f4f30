"""From a hold of rpm and course to steady stretches: the approach cut off, fronts of current split, limits kept."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trialcapture.prepare.holds import find_dips, find_shifts
from trialcapture.prepare.judge import Limits, Track, drifts, find_breach
from trialcapture.prepare.settle import TOLERANCE_SHARE, Approach, find_settled, fit_speed, tail_scatter

WORTH_LISTING_S = 10.0
LEAD_S = 2.0
"""Left out before the end of a hold [s]."""
_MARGIN_S = 1.0
_FRONT_KN = 0.4
_FRONT_S = 20.0
_FLANK_S = 3.0
_SHORT_HOLD_SHARE = 0.005
_LEAST_GUARD = 0.75
_DOUBTFUL_SHARE = 2.0
"""Of a hold whose approach may be slow waves, the last of it counts: so many times the least duration (common
practice, no source)."""
_IDLE_SHARE = 1.1
_DRIFT_KN = 2.0
_STEP_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Silence:
    """A time without readings in a hold, too long to be judged across.

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
    """

    start: int
    stop: int
    accepted: bool
    reason: str
    silence: Silence | None = None

    def moved(self, by: int, times: int = 1) -> Stretch:
        """Return it with sample numbers multiplied, then counted from `by` samples earlier."""
        silence = self.silence and self.silence.moved(by, times)
        return replace(self, start=self.start * times + by, stop=self.stop * times + by, silence=silence)


def judge_hold(
    start: int, stop: int, track: Track, limits: Limits, scatter: float, first: bool, fronted: bool = False
) -> list[Stretch]:
    """Cut one hold of rpm and course down to where speed has settled, split it at fronts, and judge the parts.

    Args:
        start: First sample of the hold in the track; speed is known from here to `stop`.
        stop: The sample after its last.
        track: What the hold is part of.
        limits: What counts as steady.
        scatter: Typical variance of speed within holds [kn**2].
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
        parts = judge_hold(start, a + lead + begins - flank, track, limits, scatter, first, fronted)
        parts += judge_hold(a + lead + ends + flank, stop, track, limits, scatter, first, fronted=True)
        why = f"wake: {size_kn:+.1f} kn for {(ends - begins) * dt_s:.0f} s"
        judged = [replace(s, reason=why) if s.reason.startswith("too short") else s for s in parts]
        return judged or [Stretch(a, b, False, why)]
    for after in find_shifts(track.sog_kn[a + lead : b], dt_s, _FRONT_KN, _FRONT_S):
        front = lead + after
        # a step of speed in a hold that had settled is the water's doing: what follows is judged by itself
        if not isinstance(_settle(track.part(a, a + front), limits, scatter), Approach):
            flank = round(_FLANK_S / dt_s)
            before = judge_hold(start, a + front - flank, track, limits, scatter, first, fronted)
            return before + judge_hold(a + front + flank, stop, track, limits, scatter, first, fronted=True)
    settled = _settle(track.part(a, b), limits, scatter)
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
    return [_judge(a + settled, b, track, limits)]


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


def _settle(track: Track, limits: Limits, scatter: float) -> int | Approach:
    """Return from which sample on the speed of a hold has settled, or its approach when too little is left."""
    speed = fit_speed(track.sog_kn, track.dt_s)
    own = tail_scatter(speed)
    scatter = max(scatter, own) if np.isfinite(own) else scatter
    need_s, n = limits.steady.min_duration_s, track.sog_kn.size
    # rather than lose a hold, slow waves may pass for what looks like an approach, and a short hold may keep half a
    # percent of speed
    for share in (TOLERANCE_SHARE, _SHORT_HOLD_SHARE):
        for in_waves in (False, True):
            approach = find_settled(speed, scatter, share, in_waves=in_waves)
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


def _judge(start: int, stop: int, track: Track, limits: Limits) -> Stretch:
    """Shrink a settled part until its slope is insignificant or small, then hold it against every limit."""
    need = round(limits.steady.min_duration_s / track.dt_s)
    step = max(round(2.0 / track.dt_s), round(_STEP_SHARE * (stop - start)), 1)
    starts = range(start, stop - need + 1, step)
    calm = next((a for a in starts if not drifts(track.sog_kn[a:stop], track.dt_s, limits)), None)
    if calm is None:
        reason = find_breach(track.part(start, stop), limits) or "speed not settled: it drifts to the end of the hold"
        return Stretch(start, stop, False, reason)
    reason = find_breach(track.part(calm, stop), limits)
    return Stretch(calm, stop, reason == "", reason)
