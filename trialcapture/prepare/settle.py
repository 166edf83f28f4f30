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

from trialcapture.prepare.statistics import autocorrelation_sum

Floats = npt.NDArray[np.float64]

TOLERANCE_KN = 0.05
"""What may be left of the approach at the start of a steady stretch [kn]; the instrument display step is 0.1 kn."""
TOLERANCE_SHARE = 0.0025
"""The same as a share of speed; the larger of the two holds (common practice, no source)."""
_TAUS_S = np.geomspace(2.0, 120.0, 36)
_STEP_S = 2.0
_COARSE_S = 1.0
_SHORTEST_S = 12.0
_TELLING_S = 25.0
_CHANCE = 0.001


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


def tail_scatter(v_kn: Floats, dt_s: float) -> float:
    """Return the variance of speed [kn**2] that no exponential tail explains in one hold; NaN for a short hold.

    Short tails absorb autocorrelated noise and show too little of it, so only tails of 25 s and more count.
    """
    v_kn, dt_s = _coarse(v_kn, dt_s)
    n = v_kn.size
    longest = n - round(_TELLING_S / dt_s)
    if longest < 0:
        return float("nan")
    starts = range(0, longest + 1, max(round(_STEP_S / dt_s), 1))
    return float(np.quantile([_fit_tail(v_kn[s:], dt_s).variance for s in starts], 0.2))


def find_settled(v_kn: Floats, dt_s: float, scatter: float, tolerance_share: float = TOLERANCE_SHARE) -> Approach:
    """Find where the speed of one hold has settled.

    Args:
        v_kn: Speed within one hold of rpm and course, shape (n,), finite.
        dt_s: Spacing [s].
        scatter: Variance of speed about a settled value [kn**2], from `tail_scatter`.
        tolerance_share: What may be left of the approach, as a share of speed.

    Returns:
        The approach; ``settled_s`` is 0 for a hold that begins settled, and beyond the end for one that never
        settles.
    """
    v_kn, dt_s = _coarse(v_kn, dt_s)
    n = v_kn.size
    length_s = n * dt_s
    if length_s < _SHORTEST_S:
        return Approach(0.0, float(v_kn.mean()) if n else 0.0, 0.0, 1.0, length_s)
    step = max(round(_STEP_S / dt_s), 1)
    starts = range(0, max(n - round(_SHORTEST_S / dt_s), 1), step)
    for start in starts:
        fit = _fit_tail(v_kn[start:], dt_s)
        # the earliest start from which one exponential is enough places the cut best
        if fit.variance <= 1.6 * scatter or start == starts[-1]:
            return _approach(start * dt_s, fit, v_kn[start:], dt_s, tolerance_share)
    raise AssertionError("unreachable: the last start always returns")


def _coarse(v_kn: Floats, dt_s: float) -> tuple[Floats, float]:
    """Return means over blocks of about a second: finer samples of a hull say nothing more, and cost time."""
    block = max(round(_COARSE_S / dt_s), 1)
    whole = v_kn.size // block * block
    if block == 1 or whole == 0:
        return v_kn, dt_s
    return v_kn[:whole].reshape(-1, block).mean(axis=1), block * dt_s


@dataclass(frozen=True, slots=True)
class _Tail:
    level: float
    excess: float
    tau_s: float
    variance: float
    flat_variance: float


def _fit_tail(v: Floats, dt_s: float) -> _Tail:
    """Fit an exponential tail by least squares over a fixed set of time constants."""
    n = v.size
    t = np.arange(n) * dt_s
    mean = float(v.mean())
    flat = float(((v - mean) ** 2).sum())
    best = _Tail(mean, 0.0, 1.0, flat / max(n - 1, 1), flat / max(n - 1, 1))
    for tau in _TAUS_S[max(0.7 * n * dt_s, 2.0) >= _TAUS_S]:
        shape = np.exp(-t / tau)
        centred = shape - shape.mean()
        spread = float(centred @ centred)
        excess = float(centred @ v) / spread
        left = max(flat - excess * excess * spread, 0.0) / max(n - 3, 1)
        if left < best.variance:
            best = _Tail(mean - excess * float(shape.mean()), excess, float(tau), left, best.flat_variance)
    return best


def _approach(start_s: float, fit: _Tail, v: Floats, dt_s: float, tolerance_share: float) -> Approach:
    if fit.excess == 0.0 or not _is_real(fit, v, dt_s):
        return Approach(start_s, float(v.mean()), 0.0, 1.0, start_s)
    tolerance = max(TOLERANCE_KN, tolerance_share * abs(fit.level))
    wait_s = fit.tau_s * math.log(abs(fit.excess) / tolerance) if abs(fit.excess) > tolerance else 0.0
    return Approach(start_s, fit.level, fit.excess, fit.tau_s, start_s + wait_s)


def _is_real(fit: _Tail, v: Floats, dt_s: float) -> bool:
    """Return True when the tail explains more than autocorrelated noise of this size would by chance.

    An F test of two parameters (amplitude and time constant) at the 0.1 % level, with the number of samples
    divided by the residuals' integrated autocorrelation factor. For two numerator degrees of freedom the
    quantile is exact: ``F = (d / 2) (p ** (-2 / d) - 1)`` with d denominator degrees of freedom.
    """
    t = np.arange(v.size) * dt_s
    rest = v - fit.level - fit.excess * np.exp(-t / fit.tau_s)
    tau = autocorrelation_sum([rest - rest.mean()], max(v.size // 3, 1))
    gain = (fit.flat_variance * (v.size - 1) - fit.variance * (v.size - 3)) / max(fit.variance, 1e-9)
    freedom = max(v.size / tau - 3.0, 1.0)
    return bool(gain / tau / 2.0 > freedom / 2.0 * (_CHANCE ** (-2.0 / freedom) - 1.0))
