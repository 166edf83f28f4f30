"""Where a speed has settled: the tail of a first-order approach is fitted, and cut where it no longer matters.

After a change of thrust a hull approaches its new speed along dv/dt = f(v); near the end f is linear and the
approach exponential. Fitting that tail uses the whole approach to place the cut, where a slope test sees only
the noise of the last few seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.sample_statistics import MEMORY_S, autocorrelation_sum

# Exponential settling fitted by least squares to every end part of a speed record at once.

Floats = npt.NDArray[np.float64]

_TIME_CONSTANTS_S = np.geomspace(2.0, 120.0, 36)
"""Time constants that are tried [s]: from a light boat's to a heavy ship's (common practice, no source)."""
_LONGEST_SHARE = 0.7
"""Longest time constant as a share of what it is fitted to: a longer one cannot be told from a straight line (our
choice, no source)."""


@dataclass(frozen=True, slots=True)
class SettlingFits:
    """Fits of ``level + excess * exp(-(t - start) / tau)`` to v[start:], one for each start, as arrays of one shape.

    Attributes:
        starts: Index of the first sample of each end part.
        level: Value approached.
        excess: Distance from it at the start; 0 where no tail is better than a constant.
        tau_s: Time constant.
        variance: What the fit leaves, with three degrees of freedom taken off.
        flat_variance: What a constant leaves.
    """

    starts: npt.NDArray[np.int64]
    level: Floats
    excess: Floats
    tau_s: Floats
    variance: Floats
    flat_variance: Floats


def fit_settling(v: Floats, dt_s: float, starts: npt.NDArray[np.int64]) -> SettlingFits:
    """Fit an exponential tail to v[start:] for every start, over a fixed set of time constants.

    With the time constant given the fit is linear, and its sums over an end part follow from those over the part
    one sample shorter, so that all starts together cost little more than one.

    Args:
        v: Shape (n,), finite.
        dt_s: Spacing [s].
        starts: Ascending, each below n.
    """
    n = v.size
    sizes = n - starts
    m = sizes.astype(np.float64)
    # sums of squares about a value near the end lose no digits to the size of the values
    reference = float(v[-max(n // 3, 1) :].mean())
    w = v - reference
    total, squares = _sums_to_end(w)[starts], _sums_to_end(w * w)[starts]
    flat = np.maximum(squares - total * total / m, 0.0)
    flat_variance = flat / np.maximum(m - 1.0, 1.0)
    # a power of two serves all holds of about this length
    decays = _decays(dt_s, 1 << n.bit_length())
    shape_sum, spread, allowed = decays.sum[sizes], decays.spread[sizes], decays.allowed[sizes]
    cross = _weighted_to_end(w, decays.ratio)[starts] - shape_sum * total[:, None] / m[:, None]
    excess = np.divide(cross, spread, out=np.zeros_like(cross), where=allowed)
    left = np.maximum(flat[:, None] - excess * cross, 0.0) / np.maximum(m - 3.0, 1.0)[:, None]
    left[~allowed] = np.inf
    best = left.argmin(axis=1)
    at = np.arange(starts.size)
    better = left[at, best] < flat_variance
    chosen = np.where(better, excess[at, best], 0.0)
    level = reference + (total - chosen * shape_sum[at, best]) / m
    tau_s = np.where(better, _TIME_CONSTANTS_S[best], 1.0)
    return SettlingFits(starts, level, chosen, tau_s, np.where(better, left[at, best], flat_variance), flat_variance)


class _Decays(NamedTuple):
    """What ``exp(-t / tau)`` sums up to over the samples of an end part, arrays of shape (sizes, taus).

    Attributes:
        ratio: By how much it fades from sample to sample, shape (taus,).
        sum: Its sum.
        spread: The sum of its squares about its mean.
        allowed: True where it can be told from a constant and from a straight line.
    """

    ratio: Floats
    sum: Floats
    spread: Floats
    allowed: npt.NDArray[np.bool_]


@lru_cache(maxsize=4)
def _decays(dt_s: float, sizes: int) -> _Decays:
    """Return the shapes over 0 to `sizes` - 1 samples; powers are dear, and the same for every hold."""
    m = np.arange(sizes, dtype=np.float64)[:, None]
    ratio = np.exp(-dt_s / _TIME_CONSTANTS_S)
    total = (1.0 - ratio**m) / (1.0 - ratio)
    squares = (1.0 - ratio ** (2.0 * m)) / (1.0 - ratio**2)
    spread = squares - total * total / np.maximum(m, 1.0)
    allowed = (np.maximum(_LONGEST_SHARE * m * dt_s, 2.0) >= _TIME_CONSTANTS_S) & (spread > 1e-9)
    return _Decays(ratio, total, spread, allowed)


def _sums_to_end(values: Floats) -> Floats:
    """Return the sum of values[s:] for every s, added from the end."""
    sums: Floats = np.cumsum(values[::-1])[::-1]
    return sums


def _weighted_to_end(values: Floats, ratio: Floats) -> Floats:
    """Return ``sum_k ratio**k * values[s + k]`` for every s and ratio, shape (n, ratios).

    By doubling: a sum over 2 h samples is one over h samples and, faded, the one that follows it (Hillis & Steele,
    "Data Parallel Algorithms", 1986). SciPy's recursive filter takes one ratio at a time, and importing
    `scipy.signal` takes 0.4 s of CPU.
    """
    sums = np.repeat(values[:, None], ratio.size, axis=1)
    reach, fade = 1, ratio
    while reach < values.size:
        sums[:-reach] += fade * sums[reach:]
        reach *= 2
        fade = fade * fade
    return sums


TOLERANCE_KN = 0.05
"""What may be left of the approach at the start of a steady stretch [kn]; the instrument display step is 0.1 kn (our
choice, no source)."""
TOLERANCE_SHARE = 0.0025
"""The same as a share of speed; the larger of the two holds (common practice, no source)."""
_STEP_S, _COARSE_S = 2.0, 1.0
"""Spacing of the starts that are tried, and of the means fitted [s] (our choice: no hull settles within seconds)."""
_SHORTEST_S, _TELLING_S = 12.0, 25.0
"""Shortest part that is fitted, and shortest whose residual variance counts [s] (our choice, no source)."""
_CHANCE, _CHANCE_IN_WAVES = 0.005, 0.001
"""Chance at which noise passes for an approach (common practice, no source). What is cut off a hold without need
costs little: hence the first. Only where nothing would be left of it the second is asked."""
_LONGEST_APPROACH_S = 900.0
"""An approach is looked for in this much of a long hold: later, slow wander of the water would hide it [s] (our choice,
no source)."""


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
class HoldSpeed:
    """The speed of one hold, coarse, with the tails fitted to it; made by `fit_hold_speed`."""

    v_kn: Floats
    dt_s: float
    fits: SettlingFits


def fit_hold_speed(v_kn: Floats, dt_s: float) -> HoldSpeed:
    """Fit tails from every second on to the speed of one hold.

    Args:
        v_kn: Speed within one hold of rpm and course, shape (n,), finite, n at least 1.
        dt_s: Spacing [s].
    """
    v_kn, dt_s = _coarse(v_kn[: round(_LONGEST_APPROACH_S / dt_s)], dt_s)
    step = max(round(_STEP_S / dt_s), 1)
    return HoldSpeed(v_kn, dt_s, fit_settling(v_kn, dt_s, np.arange(0, v_kn.size, step)))


def residual_variance(speed: HoldSpeed) -> float:
    """Return the variance of speed [kn**2] that no exponential tail explains in one hold; NaN for a short hold.

    Short tails absorb autocorrelated noise and show too little of it, so only tails of 25 s and more count.
    """
    telling = speed.fits.starts <= speed.v_kn.size - round(_TELLING_S / speed.dt_s)
    return np.quantile(speed.fits.variance[telling], 0.2) if telling.any() else float("nan")


def find_settled(
    speed: HoldSpeed, speed_variance: float, tolerance_share: float = TOLERANCE_SHARE, *, in_waves: bool = False
) -> Approach:
    """Find where the speed of one hold has settled.

    Args:
        speed: Of one hold of rpm and course.
        speed_variance: Variance of speed about a settled value [kn**2], from `residual_variance`.
        tolerance_share: What may be left of the approach, as a share of speed.
        in_waves: Take for an approach only what slow waves would hardly look like.

    Returns:
        The approach; ``settled_s`` is 0 for a hold that begins settled, and beyond the end for one that never
        settles.
    """
    v_kn, dt_s, fits = speed.v_kn, speed.dt_s, speed.fits
    length_s = v_kn.size * dt_s
    if length_s < _SHORTEST_S:
        return Approach(0.0, float(v_kn.mean()), 0.0, 1.0, length_s)
    last = int(np.searchsorted(fits.starts, max(v_kn.size - round(_SHORTEST_S / dt_s), 1))) - 1
    enough = np.flatnonzero(fits.variance[:last] <= 1.6 * speed_variance)
    # the earliest start from which one exponential is enough places the cut best
    return _approach(speed, int(enough[0]) if enough.size else last, tolerance_share, in_waves)


def _coarse(v_kn: Floats, dt_s: float) -> tuple[Floats, float]:
    """Return means over blocks of about a second: finer samples of a hull say nothing more, and cost time."""
    block = max(round(_COARSE_S / dt_s), 1)
    whole = v_kn.size // block * block
    if block == 1 or whole == 0:
        return v_kn, dt_s
    return v_kn[:whole].reshape(-1, block).mean(axis=1), block * dt_s


def _approach(speed: HoldSpeed, which: int, tolerance_share: float, in_waves: bool) -> Approach:
    fits, dt_s = speed.fits, speed.dt_s
    start = int(fits.starts[which])
    start_s, v = start * dt_s, speed.v_kn[start:]
    level, excess, tau_s = float(fits.level[which]), float(fits.excess[which]), float(fits.tau_s[which])
    if excess == 0.0 or not _is_real(fits, which, v, dt_s, in_waves):
        return Approach(start_s, float(v.mean()), 0.0, 1.0, start_s)
    tolerance = max(TOLERANCE_KN, tolerance_share * abs(level))
    wait_s = tau_s * math.log(abs(excess) / tolerance) if abs(excess) > tolerance else 0.0
    return Approach(start_s, level, excess, tau_s, start_s + wait_s)


def _is_real(fits: SettlingFits, which: int, v: Floats, dt_s: float, in_waves: bool) -> bool:
    """Return True when the tail explains more than autocorrelated noise of this size would by chance.

    An F test of two parameters (amplitude and time constant), with the number of samples divided by the residuals'
    integrated autocorrelation factor; in waves that is one of a memory of five seconds at least. For two numerator
    degrees of freedom the quantile is exact: ``F = (d / 2) (p ** (-2 / d) - 1)`` with d denominator degrees of
    freedom.
    """
    chance, memory_s = (_CHANCE_IN_WAVES, MEMORY_S) if in_waves else (_CHANCE, 0.0)
    t = np.arange(v.size) * dt_s
    rest = v - fits.level[which] - fits.excess[which] * np.exp(-t / fits.tau_s[which])
    tau = max(autocorrelation_sum([rest - rest.mean()], max(v.size // 3, 1), own_mean=False), memory_s / dt_s)
    variance = max(float(fits.variance[which]), 1e-9)
    gain = (float(fits.flat_variance[which]) * (v.size - 1) - variance * (v.size - 3)) / variance
    freedom = max(v.size / tau - 3.0, 1.0)
    return bool(gain / tau / 2.0 > freedom / 2.0 * (chance ** (-2.0 / freedom) - 1.0))
