"""Exponential tails fitted by least squares to every end part of a speed record at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_TAUS_S = np.geomspace(2.0, 120.0, 36)
_LONGEST_SHARE = 0.7
"""Longest time constant as a share of what it is fitted to: a longer one cannot be told from a straight line."""


@dataclass(frozen=True, slots=True)
class Tails:
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


def fit_tails(v: Floats, dt_s: float, starts: npt.NDArray[np.int64]) -> Tails:
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
    shapes = _shapes(dt_s, 1 << n.bit_length())
    shape_sum, spread, allowed = shapes.sum[sizes], shapes.spread[sizes], shapes.allowed[sizes]
    cross = _weighted_to_end(w, shapes.ratio)[starts] - shape_sum * total[:, None] / m[:, None]
    excess = np.divide(cross, spread, out=np.zeros_like(cross), where=allowed)
    left = np.maximum(flat[:, None] - excess * cross, 0.0) / np.maximum(m - 3.0, 1.0)[:, None]
    left[~allowed] = np.inf
    best = left.argmin(axis=1)
    at = np.arange(starts.size)
    better = left[at, best] < flat_variance
    chosen = np.where(better, excess[at, best], 0.0)
    level = reference + (total - chosen * shape_sum[at, best]) / m
    tau_s = np.where(better, _TAUS_S[best], 1.0)
    return Tails(starts, level, chosen, tau_s, np.where(better, left[at, best], flat_variance), flat_variance)


class _Shapes(NamedTuple):
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
def _shapes(dt_s: float, sizes: int) -> _Shapes:
    """Return the shapes over 0 to `sizes` - 1 samples; powers are dear, and the same for every hold."""
    m = np.arange(sizes, dtype=np.float64)[:, None]
    ratio = np.exp(-dt_s / _TAUS_S)
    total = (1.0 - ratio**m) / (1.0 - ratio)
    squares = (1.0 - ratio ** (2.0 * m)) / (1.0 - ratio**2)
    spread = squares - total * total / np.maximum(m, 1.0)
    allowed = (np.maximum(_LONGEST_SHARE * m * dt_s, 2.0) >= _TAUS_S) & (spread > 1e-9)
    return _Shapes(ratio, total, spread, allowed)


def _sums_to_end(values: Floats) -> Floats:
    """Return the sum of values[s:] for every s, added from the end."""
    sums: Floats = np.cumsum(values[::-1])[::-1]
    return sums


def _weighted_to_end(values: Floats, ratio: Floats) -> Floats:
    """Return ``sum_k ratio**k * values[s + k]`` for every s and ratio, shape (n, ratios).

    By doubling: a sum over 2 h samples is one over h samples and, faded, the one that follows it (Hillis & Steele,
    "Data Parallel Algorithms", 1986).
    """
    sums = np.repeat(values[:, None], ratio.size, axis=1)
    reach, fade = 1, ratio
    while reach < values.size:
        sums[:-reach] += fade * sums[reach:]
        reach *= 2
        fade = fade * fade
    return sums
