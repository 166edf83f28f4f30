"""Where one slow run passes the hump: by the running trim, or by speed against rpm; and why where it shows none."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from trialcapture.prepare.statistics import autocorrelation_sum, effective_size, rolling_mean
from trialcapture.reduce.regime import HUMP_RISE_PCT
from trialcapture.reduce.statistics import FloatArray, combine_uncertainties

LEAST_BOW_RISE_DEG = 1.0
"""The highest running trim must pass the trim on either side by this much to show a hump (no source)."""
CLEAR_OF_NOISE = 4.0
"""And by this many standard uncertainties of the difference: the highest of some twenty independent means passes their
own mean by two by chance (no source)."""
STEEPENING = 1.8
"""Speed must rise this many times as fast with rpm past the knee as before it to show a hump (no source)."""
WIDEST_RATIO = 2.5
"""A steep part that ends at more than this many times the speed it began with is no threshold (no source)."""
BIC_MARGIN = 10.0
"""The three lines must be better than one smooth curve by this much in the Bayesian information criterion: "very
strong" evidence (Kass & Raftery 1995, Journal of the American Statistical Association 90:773; from memory)."""
_SMOOTH_S = 15
_LONGEST_MEMORY_S = 60


class Hump(NamedTuple):
    """Speed through water at the hump [kn], its standard uncertainty from this run's own scatter, and what shows it."""

    speed_kn: float
    u_kn: float
    basis: str


def find_hump_by_trim(speed_kn: FloatArray, pitch_deg: FloatArray) -> Hump | str:
    """Return the speed of the highest running trim, or why there is none; "" where pitch was not recorded.

    The top of a cubic through the points about the highest trim: before the hump the bow rises faster than it sinks
    after it, and a parabola would be drawn to the slower side. What the choice of curve moves is taken as uncertainty.

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
    # a curve stiff enough to leave slow swell in the remainder: with it in, the noise is not taken for independent
    scaled = (v - v.mean()) / max(float(v.std()), 1e-9)
    left = raw - np.polyval(np.polyfit(scaled, raw, 4), scaled)
    tau = autocorrelation_sum([left], _LONGEST_MEMORY_S, own_mean=False)
    u_mean = float(left.std()) / float(np.sqrt(effective_size(_SMOOTH_S, tau)))
    rise = float(p[top] - max(p[:top].min(), p[top:].min()))
    if rise < LEAST_BOW_RISE_DEG:
        return f"the trim passes its ends by {rise:.1f}°, less than {LEAST_BOW_RISE_DEG:g}°"
    if rise < CLEAR_OF_NOISE * np.sqrt(2.0) * u_mean:
        return f"the trim passes its ends by {rise:.1f}°, which its scatter of {u_mean:.1f}° can do by itself"
    low = np.flatnonzero(p < p[top] - max(rise / 3.0, 3.0 * u_mean))
    before, after = low[low < top], low[low > top]
    near = slice(int(before[-1]) + 1 if before.size else 0, int(after[0]) if after.size else p.size)
    return _top_of_curve(v[near], raw[near], v[top], tau) or "the highest trim cannot be placed"


def _top_of_curve(speed_kn: FloatArray, pitch_deg: FloatArray, about_kn: float, tau: float) -> Hump | None:
    x, y = speed_kn - about_kn, pitch_deg
    if x.size < _SMOOTH_S or np.ptp(x) < 0.2:
        return None
    tops: list[tuple[float, float]] = []
    for degree in (2, 3):
        solved, cov = np.polyfit(x, y, degree, cov="unscaled")
        slope = np.polyder(solved)
        roots = np.roots(slope)
        bend = np.polyder(slope)
        real = [float(r.real) for r in roots if abs(r.imag) < 1e-9 and x.min() <= r.real <= x.max()]
        real = [r for r in real if np.polyval(bend, r) < 0]
        if not real:
            continue
        top = min(real, key=abs)
        left = y - np.polyval(solved, x)
        # implicit function theorem on f'(top) = 0
        powers = np.arange(degree, -1, -1)
        gradient = -powers * top ** np.maximum(powers - 1, 0) / np.polyval(bend, top)
        variance = float(gradient @ cov @ gradient) * float(left @ left) / max(x.size - degree - 1, 1) * tau
        tops.append((top, float(np.sqrt(variance))))
    if not tops:
        return None
    best, u = tops[-1]
    of_form = (tops[0][0] - best) / float(np.sqrt(12.0)) if len(tops) > 1 else float(np.ptp(x)) / float(np.sqrt(12.0))
    return Hump(float(about_kn + best), combine_uncertainties(u, of_form), "highest running trim")


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
    use = np.isfinite(speed_kn) & np.isfinite(rpm)
    if use.sum() < 60:
        return "speed or rpm is unknown"
    n, v = rpm[use], speed_kn[use]
    knees = np.quantile(n, np.linspace(0.08, 0.92, 29))
    best: tuple[float, float, float, FloatArray] | None = None
    for i, lower in enumerate(knees):
        for upper in knees[i + 1 :]:
            design = np.column_stack([np.ones(n.size), n, np.maximum(n - lower, 0.0), np.maximum(n - upper, 0.0)])
            solved, *_ = np.linalg.lstsq(design, v, rcond=None)
            before, steep, after = np.cumsum(solved[1:])
            if steep < STEEPENING * before or steep <= after or before <= 0:
                continue
            left = v - design @ solved
            cost = float(left @ left)
            if best is None or cost < best[0]:
                begin = float(solved[0] + before * lower)
                best = cost, begin, begin + float(steep * (upper - lower)), left
    if best is None:
        return "speed rises with rpm without a steep part"
    cost, begin, end, left = best
    tau = autocorrelation_sum([left], _LONGEST_MEMORY_S, own_mean=False)
    smooth = v - np.polyval(np.polyfit(n, v, 2), n)
    independent = effective_size(n.size, tau)
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
    half = (end - begin) / 2.0
    return Hump(float(begin + half / 2.0), float(half) / float(np.sqrt(12.0)), "speed against rpm")


def _advance_dips(rpm: FloatArray, speed_kn: FloatArray) -> bool:
    """Return whether speed per revolution has its lowest value inside the run and rises clearly past it."""
    order = np.argsort(rpm, kind="stable")
    advance = rolling_mean(speed_kn[order] / rpm[order], _SMOOTH_S)[_SMOOTH_S // 2 : -_SMOOTH_S // 2]
    low = int(np.argmin(advance))
    return bool(
        0 < low < advance.size - 1 and advance[low:].max() >= (1.0 + HUMP_RISE_PCT / 100.0) * float(advance[low])
    )
