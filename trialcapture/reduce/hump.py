"""Where one slow run passes the hump: by the running trim, or by speed against rpm; and why where it shows none."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from trialcapture.prepare.sample_statistics import autocorrelation_sum, effective_size, rolling_mean
from trialcapture.reduce.regime import HUMP_RISE_PCT
from trialcapture.reduce.statistics import FloatArray, combine_uncertainties

LEAST_BOW_RISE_DEG = 1.0
"""The highest running trim must pass the trim on either side by this much to show a hump (no source)."""
CLEAR_OF_NOISE = 5.0
"""And by this many standard uncertainties of the difference: the highest of some twenty independent means passes their
own mean by two by chance (no source)."""
STEEPENING = 1.8
"""Speed must rise this many times as fast with rpm past the knee as before it to show a hump (no source)."""
WIDEST_RATIO = 2.5
"""A steep part that ends at more than this many times the speed it began with is no threshold (no source)."""
NARROWEST_RATIO = 1.3
"""Where the speed goes on rising steeply to the end of the run, the fit may call a mere wrinkle the steep part; coming
onto the plane takes at least to this many times the speed it begins with (no source)."""
BIC_MARGIN = 10.0
"""The three lines must be better than one smooth curve by this much in the Bayesian information criterion: "very
strong" evidence (Kass & Raftery 1995, Journal of the American Statistical Association 90:773; from memory)."""
MOST_UNLIKE = 10.0
"""The bow may rise to its highest with at most this many times the curvature it sinks with, or the reverse: a top
with one side flat is noise (no source)."""
_SMOOTH_S = 15
_LONGEST_MEMORY_S = 60
_CURVE_DEGREE = 6


class Hump(NamedTuple):
    """Speed through water at the hump [kn], its standard uncertainty from this run's own scatter, and what shows it."""

    speed_kn: float
    u_kn: float
    basis: str


def find_hump_by_trim(speed_kn: FloatArray, pitch_deg: FloatArray) -> Hump | str:
    """Return the speed of the highest running trim, or why there is none; "" where pitch was not recorded.

    Before the hump the bow rises faster than it sinks after it; one parabola would be drawn to the slower side, so two
    halves with a common top are fitted to the points about the highest trim.

    Args:
        speed_kn: Through water, one value a second, shape (N,), NaN where unknown.
        pitch_deg: Bow up positive, same shape.

    Source: the highest trim marks the hump (Savitsky & Brown 1976, Marine Technology 13:381; from memory).
    """
    use = np.isfinite(pitch_deg) & np.isfinite(speed_kn)
    if use.mean() < 0.8 or use.sum() < 4 * _SMOOTH_S:
        return ""
    v, raw = rolling_mean(speed_kn[use], _SMOOTH_S // 3), pitch_deg[use]
    p = rolling_mean(raw, _SMOOTH_S)
    top = _SMOOTH_S + int(np.argmax(p[_SMOOTH_S:-_SMOOTH_S]))
    if p[top] < p.max():
        return "the trim is highest at an end of the run"
    tau, gain, left = _gain_over_line(v, raw)
    u_mean = float(left.std()) / float(np.sqrt(effective_size(_SMOOTH_S, tau)))
    rise = float(p[top] - max(p[:top].min(), p[top:].min()))
    if rise < LEAST_BOW_RISE_DEG:
        return f"the trim passes its ends by {rise:.1f}°, less than {LEAST_BOW_RISE_DEG:g}°"
    if rise < CLEAR_OF_NOISE * np.sqrt(2.0) * u_mean:
        return f"the trim passes its ends by {rise:.1f}°, which its scatter of {u_mean:.1f}° can do by itself"
    if gain < BIC_MARGIN:
        return "the trim against speed is as well explained by a straight line and slow noise"
    # from the first to the last of the high values: where noise parts them, the top may lie on either side
    high = np.flatnonzero(p >= p[top] - max(rise / 2.0, 3.0 * u_mean))
    near = slice(int(high[0]), int(high[-1]) + 1)
    return _top_of_curve(v[near], raw[near], v[top], tau) or "the highest trim cannot be placed"


def _gain_over_line(speed_kn: FloatArray, pitch_deg: FloatArray) -> tuple[float, float, FloatArray]:
    """Return tau of the trim's noise, what a curve gains over a straight line (BIC), and what the curve leaves.

    The curve is stiff, so that slow swell stays in the remainder and lengthens tau.
    """
    scaled = (speed_kn - speed_kn.mean()) / max(float(speed_kn.std()), 1e-9)
    line = pitch_deg - np.polyval(np.polyfit(scaled, pitch_deg, 1), scaled)
    left = pitch_deg - np.polyval(np.polyfit(scaled, pitch_deg, _CURVE_DEGREE), scaled)
    tau = autocorrelation_sum([left], _LONGEST_MEMORY_S)
    independent = effective_size(left.size, tau)
    ratio = float(line @ line) / max(float(left @ left), 1e-12)
    return tau, independent * np.log(ratio) - (_CURVE_DEGREE - 1.0) * np.log(independent), left


def _top_of_curve(speed_kn: FloatArray, pitch_deg: FloatArray, about_kn: float, tau: float) -> Hump | None:
    """Return the common top of two half parabolas, one before and one after it.

    Its uncertainty is the half width over which the sum of squares stays within one part in the degrees of freedom of
    its least value (profile likelihood), for as many independent values as there are.
    """
    x, y = speed_kn - about_kn, pitch_deg
    if x.size < _SMOOTH_S or np.ptp(x) < 0.2:
        return None
    tops = np.linspace(x.min(), x.max(), 121)
    costs = np.full(tops.size, np.inf)
    for k, top in enumerate(tops):
        off = x - top
        design = np.column_stack([np.ones(x.size), np.minimum(off, 0.0) ** 2, np.maximum(off, 0.0) ** 2])
        solved, *_ = np.linalg.lstsq(design, y, rcond=None)
        if solved[1] < 0.0 and solved[2] < 0.0 and 1.0 / MOST_UNLIKE < solved[1] / solved[2] < MOST_UNLIKE:
            left = y - design @ solved
            costs[k] = left @ left
    whole = np.polyfit(x, y, 2)
    if whole[0] >= 0.0:
        return None
    of_whole = float(np.clip(-whole[1] / (2.0 * whole[0]), x.min(), x.max()))
    best = int(np.argmin(costs))
    if not np.isfinite(costs[best]):
        return Hump(float(about_kn + of_whole), float(np.ptp(x)) / float(np.sqrt(12.0)), "highest running trim")
    freedom = max(effective_size(x.size, tau) - 4.0, 1.0)
    near = tops[costs <= costs[best] * (1.0 + 1.0 / freedom)]
    middle = float(near[0] + near[-1]) / 2.0
    # one parabola puts the top elsewhere; a third curve is taken to lie no further away
    of_form = (middle - of_whole) / float(np.sqrt(3.0))
    u = combine_uncertainties(max(float(np.ptp(near)) / 2.0, float(tops[1] - tops[0])), of_form)
    return Hump(float(about_kn + middle), u, "highest running trim")


def find_hump_by_rpm(speed_kn: FloatArray, rpm: FloatArray) -> Hump | str:
    """Return the speed in the lower half of the steep part of speed against rpm, or why there is none.

    Three straight lines are fitted, the middle one the steepest: over the hump speed is regained without rpm. The
    hull comes on the plane where the steep part begins and has long done so where it ends; a rectangular
    distribution over its lower half says no more than that. They must explain the run far better than one smooth
    curve does, for as many independent values as the run holds, and speed per revolution must fall to its lowest
    and rise again.

    Args:
        speed_kn: Through water, one value a second, shape (N,), NaN where unknown.
        rpm: Same shape.
    """
    use = np.isfinite(speed_kn) & (rpm > 0.0)  # NaN is not above 0
    if use.sum() < 60:
        return "speed or rpm is unknown"
    n, v = rpm[use], speed_kn[use]
    knees = np.quantile(n, np.linspace(0.08, 0.92, 29))
    tried: list[tuple[float, float, float]] = []
    left = v
    for i, lower in enumerate(knees):
        for upper in knees[i + 1 :]:
            design = np.column_stack([np.ones(n.size), n, np.maximum(n - lower, 0.0), np.maximum(n - upper, 0.0)])
            solved, *_ = np.linalg.lstsq(design, v, rcond=None)
            before, steep, after = np.cumsum(solved[1:])
            if steep < STEEPENING * before or steep <= after or before <= 0:
                continue
            off = v - design @ solved
            cost, begin = float(off @ off), float(solved[0] + before * lower)
            if not tried or cost < min(tried)[0]:
                left = off
            tried.append((cost, begin, begin + float(steep * (upper - lower))))
    if not tried:
        return "speed rises with rpm without a steep part"
    cost, begin, end = min(tried)
    smooth = v - np.polyval(np.polyfit(n, v, 2), n)
    independent = effective_size(n.size, autocorrelation_sum([left], _LONGEST_MEMORY_S))
    # three coefficients against four and two knees
    gain = independent * np.log(float(smooth @ smooth) / max(cost, 1e-12)) - 3.0 * np.log(independent)
    if gain < BIC_MARGIN:
        return "speed against rpm is as well explained by a smooth curve"
    if not _advance_dips(n, v):
        return "speed per revolution does not fall and rise again"
    if end > WIDEST_RATIO * begin:
        return (
            f"the steep part of speed against rpm reaches from {begin:.1f} to {end:.1f} kn, which places no threshold"
        )
    # knees that fit as well as the best, by the profile of the sum of squares
    alike = cost * (1.0 + 1.0 / max(independent - 6.0, 1.0))
    middles = [_lower_half(low, high)[0] for c, low, high in tried if c <= alike]
    middle, u_of_part = _lower_half(begin, end)
    return Hump(middle, combine_uncertainties(u_of_part, (max(middles) - min(middles)) / 2.0), "speed against rpm")


def _lower_half(begin_kn: float, end_kn: float) -> tuple[float, float]:
    """Return middle and standard uncertainty of the lower half of a steep part, rectangular."""
    half = (max(end_kn, NARROWEST_RATIO * begin_kn) - begin_kn) / 2.0
    return begin_kn + half / 2.0, half / float(np.sqrt(12.0))


def _advance_dips(rpm: FloatArray, speed_kn: FloatArray) -> bool:
    """Return whether speed per revolution has its lowest value inside the run and rises clearly past it."""
    order = np.argsort(rpm, kind="stable")
    advance = rolling_mean(speed_kn[order] / rpm[order], _SMOOTH_S)[_SMOOTH_S // 2 : -_SMOOTH_S // 2]
    low = int(np.argmin(advance))
    return bool(
        0 < low < advance.size - 1 and advance[low:].max() >= (1.0 + HUMP_RISE_PCT / 100.0) * float(advance[low])
    )
