"""A smooth curve through points that never rises or falls where its points do not."""

from __future__ import annotations

import numpy as np

from trialcapture.reduce.statistics import FloatArray


def monotone_curve(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Return the monotone piecewise cubic through points.

    Args:
        x: Abscissae, ascending, at least two, shape (n,).
        y: Ordinates, shape (n,).
        at: Where the curve is wanted, between the first and the last abscissa, shape (m,).

    Returns:
        Its ordinates, shape (m,).

    Source: Fritsch & Butland 1984 (SIAM J. Sci. Stat. Comput. 5:300), slopes by the weighted harmonic mean; at the
    ends the three-point formula, held to monotony as in Moler, *Numerical Computing with MATLAB*, section 3.6 (from
    memory).
    """
    step = np.diff(x)
    rise = np.diff(y) / step
    slope = _slopes(step, rise)
    left = np.clip(np.searchsorted(x, at, side="right") - 1, 0, step.size - 1)
    h, s = step[left], (at - x[left]) / step[left]
    bend = slope[left] + slope[left + 1] - 2.0 * rise[left]
    more = 3.0 * rise[left] - 2.0 * slope[left] - slope[left + 1]
    return np.asarray(y[left] + h * s * (slope[left] + s * (more + s * bend)), dtype=np.float64)


def _slopes(step: FloatArray, rise: FloatArray) -> FloatArray:
    """Return the slope at each point from the steps between them and the secants."""
    if step.size == 1:
        return np.repeat(rise, 2)
    before, after = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    turning = rise[:-1] * rise[1:] <= 0.0
    safe = [np.where(turning, 1.0, part) for part in (rise[:-1], rise[1:])]
    inner = np.where(turning, 0.0, (before + after) / (before / safe[0] + after / safe[1]))
    first = _end(step[0], step[1], rise[0], rise[1])
    last = _end(step[-1], step[-2], rise[-1], rise[-2])
    return np.concatenate([[first], inner, [last]])


def _end(own_step: float, next_step: float, own_rise: float, next_rise: float) -> float:
    slope = ((2.0 * own_step + next_step) * own_rise - own_step * next_rise) / (own_step + next_step)
    if slope * own_rise <= 0.0:
        return 0.0
    if own_rise * next_rise <= 0.0 and abs(slope) > 3.0 * abs(own_rise):
        return 3.0 * own_rise
    return float(slope)
