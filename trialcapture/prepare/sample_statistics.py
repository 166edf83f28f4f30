"""Means, spreads, effective sample sizes and outliers of autocorrelated and circular samples.

Circular means are written out: they are four lines, and importing `scipy.stats` takes 0.4 s of CPU.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy

Floats = npt.NDArray[np.float64]

_WINDOW, _WINDOW_OWN_MEAN = 5.0, 3.0
"""Lags summed up, in running taus. On simulated legs the correction was surest with three; each lag more adds noise."""
_LEAST_LEFT = 0.1
"""Share of the variance that must be left in a stretch once its own mean is out; below, it is one long swing (our
choice, no source)."""

MEMORY_S = 5.0
"""Integrated memory that the speed in a seaway has at least, twice a correlation time [s]. Waves that swing to and fro
leave none in a sum of autocorrelations, and a part of one swing is a slope all the same (common practice, no
source)."""


def autocorrelation_sum(deviations: list[Floats], max_lag: int, *, own_mean: bool = True) -> float:
    """Return the integrated autocorrelation factor tau of pooled stationary stretches.

    ``tau = 1 + 2 * sum(rho_k)``; the variance of a mean of n samples is ``s**2 / n * tau``. The sum is cut where its
    lag has reached a multiple of the running tau, a self-consistent window as of Sokal, "Monte Carlo Methods in
    Statistical Mechanics" (1996), section 3.

    A stretch's own mean takes ``c0 * tau / n`` out of every autocovariance. With S the sum of the measured rho up to
    lag W this gives ``tau = (1 + 2 S) / (1 + (2 S - 2 W) / n)``; left out, two minutes of noise that remembers five
    seconds look like twice as many samples as they are (bias as in Wolff, Comput. Phys. Commun. 156, 2004, 143, from
    memory).

    Args:
        deviations: One array per stretch: samples at one common spacing, minus the stretch's own mean.
        max_lag: Largest lag looked at [samples].
        own_mean: Put back what the own means took out. A test for what is left of a transient does without: there it
            would explain the transient as slow noise.

    Returns:
        tau, at least 1 and at most the mean length of a stretch. It is 1 when there is nothing to learn from (no
        spread, or too few samples).
    """
    variance = sum(float(d @ d) for d in deviations)
    count = sum(d.size for d in deviations)
    if count < 4 or variance <= 0.0:
        return 1.0
    c0 = variance / count
    mean_size = count / len(deviations)
    longer = deviations
    total, raw, lag = 0.0, 1.0, 0
    for lag in range(1, max_lag + 1):
        longer = [d for d in longer if d.size > lag]
        pairs = sum([d.size for d in longer]) - lag * len(longer)
        if pairs < 2:
            break
        # of two vectors `dot` is twice as fast as `@`
        total += sum([float(d[:-lag].dot(d[lag:])) for d in longer]) / pairs / c0
        raw = max(1.0 + 2.0 * total, 1.0)
        if lag >= (_WINDOW_OWN_MEAN if own_mean else _WINDOW) * raw:
            break
    if not own_mean:
        return min(raw, mean_size)
    left = 1.0 + 2.0 * (total - lag) / mean_size
    return min(max(raw / left, 1.0), mean_size) if left > _LEAST_LEFT else mean_size


def effective_size(n: int, tau: float) -> float:
    """Return how many independent samples n autocorrelated ones are worth: ``n / tau``, at least 1."""
    return max(n / max(tau, 1.0), 1.0)


def circular_mean_deg(angles_deg: Floats) -> float | None:
    """Return the mean direction in [0, 360) [deg], or None where it is undefined.

    The direction of the mean unit vector (Mardia & Jupp, "Directional Statistics", 2000, section 2.2). It is
    undefined for no angles, and where the resultant length is below 1e-9 (0 and 180 have no mean).
    """
    known = angles_deg[np.isfinite(angles_deg)]
    if known.size == 0:
        return None
    radians = np.radians(known)
    east, north = float(np.sin(radians).mean()), float(np.cos(radians).mean())
    if math.hypot(east, north) < 1e-9:
        return None
    # the remainder of a tiny negative angle rounds to exactly 360.0
    return math.degrees(math.atan2(east, north)) % 360.0 % 360.0


def circular_sd_deg(angles_deg: Floats) -> float | None:
    """Return the circular standard deviation ``sqrt(-2 ln R)`` [deg] (Mardia & Jupp 2000, section 2.3)."""
    known = angles_deg[np.isfinite(angles_deg)]
    if known.size == 0:
        return None
    radians = np.radians(known)
    resultant = math.hypot(float(np.sin(radians).mean()), float(np.cos(radians).mean()))
    return math.degrees(math.sqrt(max(-2.0 * math.log(min(max(resultant, 1e-12), 1.0)), 0.0)))


def wrap_deg(difference_deg: Floats) -> Floats:
    """Return angle differences wrapped to [-180, 180) [deg]."""
    wrapped: Floats = (difference_deg + 180.0) % 360.0 - 180.0
    return wrapped


def slope_per_s(y: Floats, dt_s: float) -> float:
    """Return the least-squares slope of samples `dt_s` apart [unit of y per s]; 0 for fewer than three."""
    if y.size < 3:
        return 0.0
    t_s = np.arange(y.size, dtype=np.float64) * dt_s
    centred = t_s - t_s.mean()
    spread = float(centred @ centred)
    return float(centred @ (y - y.mean())) / spread if spread > 0.0 else 0.0


def rolling_mean(y: Floats, width: int) -> Floats:
    """Return the centred moving mean over `width` samples; NaN is skipped, a window of NaN gives NaN."""
    # SciPy's uniform filter knows no unknown values, and pandas takes 0.4 s of CPU to import
    if width <= 1 or y.size == 0:
        return y.astype(np.float64, copy=True)
    before, after = width // 2, (width - 1) // 2
    known = np.isfinite(y)
    n = window_sums(known, before, after)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean: Floats = window_sums(np.where(known, y, 0.0), before, after) / np.where(n > 0, n, np.nan)
    return mean


def first_least(values: npt.NDArray[Any], begins: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return where each stretch of values has its smallest, the first one of equals.

    Args:
        values: Shape (n,), at least one, all known.
        begins: Where each stretch begins, ascending from 0; it ends where the next one begins.
    """
    least = np.repeat(np.minimum.reduceat(values, begins), np.diff(begins, append=values.size))
    at = np.flatnonzero(values == least)
    return at[np.searchsorted(at, begins)]


def window_sums(y: Floats | npt.NDArray[np.bool_], before: int, after: int) -> Floats:
    """Return at each sample the sum of y from `before` samples before it to `after` after it, as far as there are any.

    Args:
        y: Shape (n,), all known.
        before: At least 0.
        after: At least 0.
    """
    padded = np.zeros(before + 1 + y.size + after)
    padded[before + 1 : before + 1 + y.size] = y
    total = np.cumsum(padded)
    sums: Floats = total[before + 1 + after :] - total[: y.size]
    return sums


# Noise that remembers on two time scales: what it leaves open in the mean and the slope of a stretch.

_BLOCK_S = 4.0
"""Samples are averaged over so long before their memory is looked at [s]: a mean over a stretch asks for no more, and
waves are out of it (our choice, no source)."""
_FEWEST = 5
"""A stretch of fewer blocks tells nothing of its own memory (our choice, no source)."""
_LONGEST_PART_S, _MOST_PARTS = 180.0, 100
"""A longer stretch is looked at in parts of so long, and no more than so many parts of a trial are [s] (our choice, no
source)."""
_QUICK_S, _SLOW_S = (0.3, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0), (20.0, 45.0, 100.0)
"""Correlation times that are tried [s]: waves, receiver and helm; gusts, eddies and wander of the water (common
practice, no source)."""
_SLOW_SHARE = {0.0: 0.4, 0.2: 0.1, 0.4: 0.15, 0.7: 0.15, 1.2: 0.12, 2.0: 0.08}
"""Standard deviations of the slow part over that of the quick part that are tried, and how likely each is beforehand
(common practice, no source)."""
_LEVEL_PRIOR = 5.0
"""Differences between neighbouring blocks that all stretches together count for in the level of one (our choice, no
source)."""
_POINTS = 64
"""Parts of a stretch over which its errors are summed up (our choice)."""
_NEGLIGIBLE = 1e-3
"""Combinations less likely than this beside the best are left out (our choice)."""


@dataclass(frozen=True, slots=True)
class TrendErrors:
    """Standard errors of what is read off one stretch.

    Attributes:
        mean: Of its mean [unit of the samples].
        slope_per_s: Of its least-squares slope [unit/s].
        bend: Of its bend, see `bend_of` [unit of the samples].
    """

    mean: float
    slope_per_s: float
    bend: float


@dataclass(frozen=True, slots=True)
class Wander:
    """How samples wander about their level: a quick and a slow first-order process, each with its correlation time.

    One stretch is too short to show a memory of a minute, and two are too few to be sure of it. Every combination of
    a small grid is held against all stretches by the restricted likelihood of their block means (Patterson & Thompson
    1971, Biometrika 58:545; from memory), and the variances are averaged by how well each explains them. So what the
    stretches cannot tell stays in the errors.

    Attributes:
        quick_s, slow_s: Correlation times [s], one for each combination.
        quick_variance, slow_variance: Variances of both processes.
        share: How likely each combination is, adding up to 1.
        step_variance: Mean square of half the difference between neighbouring blocks, over all stretches.
    """

    quick_s: Floats
    slow_s: Floats
    quick_variance: Floats
    slow_variance: Floats
    share: Floats
    step_variance: float

    def errors(self, values: Floats, dt_s: float) -> TrendErrors:
        """Return the standard errors of a stretch of such samples, with the quick part at the stretch's own level.

        Args:
            values: Its samples, finite, shape (n,), n at least 1.
            dt_s: Spacing [s].
        """
        level = _level(_blocks_of(values, dt_s), self.step_variance)
        part_s = values.size * dt_s / _POINTS
        quick, slow = level * self.share * self.quick_variance, self.share * self.slow_variance
        covariance = sum(
            (v * _block_covariance(part_s, tau_s) for v, tau_s in _summed(self.quick_s, quick, self.slow_s, slow)),
            start=np.zeros(_POINTS),
        )
        lag = np.abs(np.arange(_POINTS)[:, None] - np.arange(_POINTS)[None, :])
        whole = covariance[lag]
        at_s = (np.arange(_POINTS) - (_POINTS - 1) / 2.0) * part_s
        weights = np.stack([np.full(_POINTS, 1.0 / _POINTS), at_s / (at_s @ at_s), bend_weights(_POINTS)])
        mean, slope, bend = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", weights, whole, weights), 0.0))
        return TrendErrors(float(mean), float(slope), float(bend))


def find_wander(stretches: Sequence[Floats], dt_s: float) -> Wander:
    """Return how the samples of some stretches wander about the level of each.

    Args:
        stretches: At one common spacing; those with unknown samples, and those too short, are passed over.
        dt_s: The spacing [s].

    Returns:
        Nothing but zeros where there is nothing to learn from.
    """
    longest = max(round(_LONGEST_PART_S / dt_s), 1)
    parts = [
        _blocks_of(part, dt_s)
        for s in stretches
        if np.isfinite(s).all()
        for part in np.array_split(s, -(-s.size // longest) or 1)
    ]
    parts = [p for p in parts if p.size >= _FEWEST]
    parts = parts[:: max(-(-len(parts) // _MOST_PARTS), 1)]
    steps = [np.diff(p) for p in parts]
    count = sum(d.size for d in steps)
    step_variance = sum(float(d @ d) for d in steps) / 2.0 / count if count else 0.0
    if step_variance <= 0.0:
        none = np.zeros(1)
        return Wander(np.ones(1), np.ones(1), none, none, np.ones(1), 0.0)
    chosen = [
        (quick_s, slow_s, ratio, prior if ratio == 0.0 else prior / len(_SLOW_S))
        for quick_s in _QUICK_S
        for ratio, prior in _SLOW_SHARE.items()
        for slow_s in (_SLOW_S if ratio else _SLOW_S[:1])
    ]
    quick_s, slow_s, ratio, prior = (np.array(column) for column in zip(*chosen, strict=True))
    alike = [p / _level(p, step_variance) ** 0.5 for p in parts]
    chance, variance = np.array(_likelihoods(alike, [c[:3] for c in chosen])).T
    share = prior * np.exp(chance - chance.max())
    share[share < _NEGLIGIBLE * share.max()] = 0.0
    return Wander(quick_s, slow_s, variance, ratio**2 * variance, share / share.sum(), step_variance)


def _likelihoods(
    parts: Sequence[Floats], combinations: Sequence[tuple[float, float, float]]
) -> list[tuple[float, float]]:
    """Return the restricted log-likelihood of each combination, and the quick variance that goes with it.

    The variance is integrated out; its prior is flat in its logarithm. One factor serves all parts, because the
    Cholesky factor of the covariance of the first n blocks is the corner of that of more.
    """
    sizes = np.array([p.size for p in parts])
    longest = int(sizes.max())
    inside = np.arange(longest)[:, None] < sizes
    rest = np.zeros((longest, sizes.size))
    for column, p in zip(rest.T, parts, strict=True):
        column[: p.size] = p - p.mean()
    sides = np.column_stack([np.ones(longest), rest])
    lag = np.abs(np.arange(longest)[:, None] - np.arange(longest)[None, :])
    freedom = int((sizes - 1).sum())
    found = []
    for quick_s, slow_s, ratio in combinations:
        covariance = _block_covariance(_BLOCK_S, quick_s, longest)
        covariance = covariance + ratio**2 * _block_covariance(_BLOCK_S, slow_s, longest)
        factor = np.linalg.cholesky(covariance[lag])
        white = np.linalg.solve(factor, sides)
        one, left = white[:, :1] * inside, white[:, 1:] * inside
        weight, match = (one * one).sum(axis=0), (one * left).sum(axis=0)
        squares = float((left * left).sum() - (match**2 / weight).sum())
        spread = 2.0 * float(np.cumsum(np.log(np.diagonal(factor)))[sizes - 1].sum() + 0.5 * np.log(weight).sum())
        found.append((-0.5 * spread - 0.5 * freedom * math.log(squares), squares / max(freedom - 2, 1)))
    return found


def _summed(quick_s: Floats, quick: Floats, slow_s: Floats, slow: Floats) -> list[tuple[float, float]]:
    """Return the variance that belongs to each correlation time, and that time."""
    taus, of = np.unique(np.concatenate([quick_s, slow_s]), return_inverse=True)
    variance = np.bincount(of, np.concatenate([quick, slow]), taus.size)
    return [(v, tau) for v, tau in zip(variance.tolist(), taus.tolist(), strict=True) if v > 0.0]


def _level(blocks: Floats, step_variance: float) -> float:
    """Return the variance of one stretch over that of all, by the differences between its neighbouring blocks."""
    if step_variance <= 0.0:
        return 1.0
    steps = np.diff(blocks)
    return (_LEVEL_PRIOR + float(steps @ steps) / 2.0 / step_variance) / (_LEVEL_PRIOR + steps.size)


def _blocks_of(values: Floats, dt_s: float) -> Floats:
    """Return means over `_BLOCK_S`; what is left over at the end belongs to none."""
    return _block_means(values, max(round(_BLOCK_S / dt_s), 1))


def _block_covariance(block_s: float, tau_s: float, count: int = _POINTS) -> Floats:
    """Return the covariance of block means, by how many blocks they are apart, of a process of variance 1.

    Integrated over both blocks from ``exp(-|t| / tau)`` (elementary).
    """
    x = block_s / tau_s
    apart = np.exp(-x * np.maximum(np.arange(count) - 1, 0)) * (-math.expm1(-x) / x) ** 2
    apart[0] = 2.0 * (x + math.expm1(-x)) / x**2
    return apart


def bend_weights(n: int) -> Floats:
    """Return the weights of the bend of n samples, see `bend_of`."""
    if n < 3:
        return np.zeros(n)
    u = np.linspace(-1.0, 1.0, n)
    square = u**2 - float(u @ u) / n
    return square / float(square @ square)


def bend_of(values: Floats) -> float:
    """Return by how much a stretch is bent: the fitted parabola's rise from its middle to both ends [its unit].

    It is negative for a crest; a straight line has none, whatever its slope.
    """
    return float(bend_weights(values.size) @ (values - values.mean()))


# Standard error by blocking: a check on the effective sample size that shares none of its arithmetic.

FEWEST_BLOCKS = 3
"""Fewer blocks than this tell nothing of their own spread (our choice, no source)."""


def choose_block(parts: Sequence[Floats]) -> int:
    """Return the block length [samples] at which the standard error of stretches like these has become flat.

    The shortest B with ``B³ > 2 n g²`` is taken, n the samples of a stretch and g the ratio of variances of the mean
    with and without blocking: there the bias of a block too short equals the noise of blocks too few. Stretches are
    pooled, each about its own mean, because one alone holds few blocks.

    Args:
        parts: Stretches at one common spacing, finite; those shorter than eight samples are passed over.

    Returns:
        A power of two; 1 where there is nothing to learn from. No longer than leaves `FEWEST_BLOCKS` in a stretch of
        middle length.

    Source: criterion of Lee et al. 2011, Phys. Rev. E 83:066706 (from memory).
    """
    known = [p for p in parts if p.size >= 8]
    single = _pooled_variance(known, 1)
    if not known or single <= 0.0:
        return 1
    n = int(np.median([p.size for p in known]))
    block, ratio = 1, 1.0
    while 2 * block * FEWEST_BLOCKS <= n and float(block) ** 3 <= 2.0 * n * ratio**2:
        block *= 2
        ratio = block * _pooled_variance(known, block) / single
    return block


def blocking_error(values: Floats, block: int) -> tuple[float, int]:
    """Return the standard error of the mean from blocks of one length, and how many blocks it rests on.

    Args:
        values: Samples, finite, shape (n,).
        block: Samples a block; what is left over at the end belongs to none.

    Returns:
        NaN and the number of blocks where they are fewer than `FEWEST_BLOCKS`.
    """
    means = _block_means(values, block)
    if means.size < FEWEST_BLOCKS:
        return float(np.nan), means.size
    # the samples left over at the end sharpen the mean they are part of
    return float(means.std(ddof=1)) * float(np.sqrt(block / values.size)), means.size


def _block_means(values: Floats, block: int) -> Floats:
    whole = values.size // block * block
    return np.asarray(values[:whole].reshape(-1, block).mean(axis=1), dtype=np.float64)


def _pooled_variance(parts: Sequence[Floats], block: int) -> float:
    means = [_block_means(p, block) for p in parts]
    apart = [m - m.mean() for m in means if m.size > 1]
    freedom = sum(a.size - 1 for a in apart)
    return sum(float(a @ a) for a in apart) / freedom if freedom else 0.0


# Chauvenet's criterion.

Bools = npt.NDArray[np.bool_]


def chauvenet_limit(n: int, expected: float = 0.5) -> float:
    """Return the distance from the mean, in standard deviations, past which `expected` values of `n` are expected.

    Source: Chauvenet's criterion ``n * erfc(z / sqrt 2) < 0.5``, as ISO 19030-2 uses it (from memory).
    """
    return float(scipy.special.ndtri(1.0 - min(expected / n, 1.0) / 2.0))


def find_chauvenet_outliers(values: npt.ArrayLike, *, angle: bool = False) -> Bools:
    """Return a mask, True where Chauvenet's criterion calls a value an outlier; applied once, not repeatedly.

    Args:
        values: One block of samples; NaN is never an outlier. The spread is the sample standard deviation (n-1).
        angle: Values are directions [deg]: distances are taken from the circular mean, the short way round.

    Source: Chauvenet's criterion as ISO 19030-2 uses it per block (from memory).
    """
    x = np.asarray(values, dtype=np.float64)
    use = np.isfinite(x)
    n = int(use.sum())
    outlying = np.zeros(x.shape, dtype=np.bool_)
    if n < 3:
        return outlying
    middle = circular_mean_deg(x[use]) if angle else float(x[use].mean())
    if middle is None:
        return outlying
    apart = wrap_deg(x[use] - middle) if angle else x[use] - middle
    spread = float(np.sqrt(np.sum(apart**2) / (n - 1)))
    if spread == 0.0:
        return outlying
    outlying[use] = np.abs(apart) / spread > chauvenet_limit(n)
    return outlying


def leave_out_outliers(
    values: dict[str, Floats], angles: tuple[str, ...], untouched: tuple[str, ...]
) -> tuple[dict[str, Floats], int]:
    """Return the samples of one segment with the outliers of every channel void, and how many values that are.

    Args:
        values: Channels by name, shape (n,) each.
        angles: Channels that hold directions.
        untouched: Channels whose extremes are what is asked for, such as the least depth.
    """
    kept: dict[str, Floats] = {}
    count = 0
    for name, x in values.items():
        if name in untouched:
            kept[name] = x
            continue
        outlying = find_chauvenet_outliers(x, angle=name in angles)
        count += int(outlying.sum())
        kept[name] = np.where(outlying, np.nan, x)
    return kept, count
