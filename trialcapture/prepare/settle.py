"""Where a speed has settled: the tail of a first-order approach is fitted, and cut where it no longer matters.

After a change of thrust a hull approaches its new speed along dv/dt = f(v); near the end f is linear and the
approach exponential. Fitting that tail uses the whole approach to place the cut, where a slope test sees only
the noise of the last few seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.statistics import MEMORY_S, autocorrelation_sum, quantile
from trialcapture.prepare.tails import Tails, fit_tails

Floats = npt.NDArray[np.float64]

TOLERANCE_KN = 0.05
"""What may be left of the approach at the start of a steady stretch [kn]; the instrument display step is 0.1 kn."""
TOLERANCE_SHARE = 0.0025
"""The same as a share of speed; the larger of the two holds (common practice, no source)."""
_STEP_S = 2.0
_COARSE_S = 1.0
_SHORTEST_S = 12.0
_TELLING_S = 25.0
_CHANCE, _CHANCE_IN_WAVES = 0.005, 0.001
"""Chance at which noise passes for an approach (common practice, no source). What is cut off a hold without need
costs little: hence the first. Only where nothing would be left of it the second is asked."""
_LONGEST_APPROACH_S = 900.0
"""An approach is looked for in this much of a long hold: later, slow wander of the water would hide it [s]."""


@dataclass(frozen=True, slots=True)
class Approach:
    """An exponential tail ``level + excess * exp(-(t - start) / tau)``.

    Attributes:
        start_s: Where the tail is fitted from, seconds from the first sample.
        level_kn: Speed approached.
        excess_kn: Distance from it at `start_s`.
        tau_s: Time constant.
        settled_s: Where less than the tolerance is left, seconds from the first sample.
    """

    start_s: float
    level_kn: float
    excess_kn: float
    tau_s: float
    settled_s: float


@dataclass(frozen=True, slots=True)
class Speed:
    """The speed of one hold, coarse, with the tails fitted to it; made by `fit_speed`."""

    v_kn: Floats
    dt_s: float
    tails: Tails


def fit_speed(v_kn: Floats, dt_s: float) -> Speed:
    """Fit tails from every second on to the speed of one hold.

    Args:
        v_kn: Speed within one hold of rpm and course, shape (n,), finite, n at least 1.
        dt_s: Spacing [s].
    """
    v_kn, dt_s = _coarse(v_kn[: round(_LONGEST_APPROACH_S / dt_s)], dt_s)
    step = max(round(_STEP_S / dt_s), 1)
    return Speed(v_kn, dt_s, fit_tails(v_kn, dt_s, np.arange(0, v_kn.size, step)))


def tail_scatter(speed: Speed) -> float:
    """Return the variance of speed [kn**2] that no exponential tail explains in one hold; NaN for a short hold.

    Short tails absorb autocorrelated noise and show too little of it, so only tails of 25 s and more count.
    """
    telling = speed.tails.starts <= speed.v_kn.size - round(_TELLING_S / speed.dt_s)
    return quantile(speed.tails.variance[telling], 0.2) if telling.any() else float("nan")


def find_settled(
    speed: Speed, scatter: float, tolerance_share: float = TOLERANCE_SHARE, *, in_waves: bool = False
) -> Approach:
    """Find where the speed of one hold has settled.

    Args:
        speed: Of one hold of rpm and course.
        scatter: Variance of speed about a settled value [kn**2], from `tail_scatter`.
        tolerance_share: What may be left of the approach, as a share of speed.
        in_waves: Take for an approach only what slow waves would hardly look like.

    Returns:
        The approach; ``settled_s`` is 0 for a hold that begins settled, and beyond the end for one that never
        settles.
    """
    v_kn, dt_s, tails = speed.v_kn, speed.dt_s, speed.tails
    length_s = v_kn.size * dt_s
    if length_s < _SHORTEST_S:
        return Approach(0.0, float(v_kn.mean()), 0.0, 1.0, length_s)
    last = int(np.searchsorted(tails.starts, max(v_kn.size - round(_SHORTEST_S / dt_s), 1))) - 1
    enough = np.flatnonzero(tails.variance[:last] <= 1.6 * scatter)
    # the earliest start from which one exponential is enough places the cut best
    return _approach(speed, int(enough[0]) if enough.size else last, tolerance_share, in_waves)


def _coarse(v_kn: Floats, dt_s: float) -> tuple[Floats, float]:
    """Return means over blocks of about a second: finer samples of a hull say nothing more, and cost time."""
    block = max(round(_COARSE_S / dt_s), 1)
    whole = v_kn.size // block * block
    if block == 1 or whole == 0:
        return v_kn, dt_s
    return v_kn[:whole].reshape(-1, block).mean(axis=1), block * dt_s


def _approach(speed: Speed, which: int, tolerance_share: float, in_waves: bool) -> Approach:
    tails, dt_s = speed.tails, speed.dt_s
    start = int(tails.starts[which])
    start_s, v = start * dt_s, speed.v_kn[start:]
    level, excess, tau_s = float(tails.level[which]), float(tails.excess[which]), float(tails.tau_s[which])
    if excess == 0.0 or not _is_real(tails, which, v, dt_s, in_waves):
        return Approach(start_s, float(v.mean()), 0.0, 1.0, start_s)
    tolerance = max(TOLERANCE_KN, tolerance_share * abs(level))
    wait_s = tau_s * math.log(abs(excess) / tolerance) if abs(excess) > tolerance else 0.0
    return Approach(start_s, level, excess, tau_s, start_s + wait_s)


def _is_real(tails: Tails, which: int, v: Floats, dt_s: float, in_waves: bool) -> bool:
    """Return True when the tail explains more than autocorrelated noise of this size would by chance.

    An F test of two parameters (amplitude and time constant), with the number of samples divided by the residuals'
    integrated autocorrelation factor; in waves that is one of a memory of five seconds at least. For two numerator
    degrees of freedom the quantile is exact: ``F = (d / 2) (p ** (-2 / d) - 1)`` with d denominator degrees of
    freedom.
    """
    chance, memory_s = (_CHANCE_IN_WAVES, MEMORY_S) if in_waves else (_CHANCE, 0.0)
    t = np.arange(v.size) * dt_s
    rest = v - tails.level[which] - tails.excess[which] * np.exp(-t / tails.tau_s[which])
    tau = max(autocorrelation_sum([rest - rest.mean()], max(v.size // 3, 1), own_mean=False), memory_s / dt_s)
    variance = max(float(tails.variance[which]), 1e-9)
    gain = (float(tails.flat_variance[which]) * (v.size - 1) - variance * (v.size - 3)) / variance
    freedom = max(v.size / tau - 3.0, 1.0)
    return bool(gain / tau / 2.0 > freedom / 2.0 * (chance ** (-2.0 / freedom) - 1.0))
