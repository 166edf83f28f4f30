"""Economy, usable fuel, and where the most economical speed lies and how flat it is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from trialcapture.config import Fuel
from trialcapture.reduce.uncertainty import BoolArray, FloatArray

WITHIN_PCT = 3.0
"""Speeds this close to the best economy are called as good (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class EconomyPeak:
    """Where the most economical band lies.

    Attributes:
        band: Its index.
        flat_from_kn, flat_to_kn: Speeds about as good.
        within_pct: What counts as about as good [%].
        at_edge: Nothing of the regime was run slower, or nothing faster, so a better one may lie outside.
    """

    band: int
    flat_from_kn: float
    flat_to_kn: float
    within_pct: float
    at_edge: bool


def economy_nm_per_l(speed_kn: FloatArray, fuel_l_per_h: FloatArray) -> FloatArray:
    """Return economy [nm/L]: mean speed over mean fuel rate, never a mean of ratios; NaN where no fuel is known.

    Args:
        speed_kn: Speed through water.
        fuel_l_per_h: Fuel rate.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(fuel_l_per_h > 0, speed_kn / fuel_l_per_h, np.nan)


def usable_fuel_l(settings: Fuel) -> float | None:
    """Return the fuel a range is reckoned with [L]: capacity x usable fraction x (1 - reserve); None if unknown."""
    if settings.capacity_l is None:
        return None
    return settings.capacity_l * settings.usable_fraction * (1.0 - settings.reserve_fraction)


def find_best_economy(
    speed_kn: FloatArray,
    economy: FloatArray,
    usable: BoolArray,
    within_pct: float = WITHIN_PCT,
    *,
    best: int | None = None,
) -> EconomyPeak | None:
    """Return the most economical of the measured bands and the interval of speeds about as good.

    Between bands the economy is interpolated monotonically against speed, so that it never exceeds the better of
    two neighbours; nothing is said outside the bands.

    Args:
        speed_kn: Of each band.
        economy: Of each band [nm/L].
        usable: True for bands of the regime in question.
        within_pct: What counts as about as good.
        best: The usable band to take for the best, where more than the figure decides; None takes the highest.

    Returns:
        The best; None without a usable band.
    """
    members = np.flatnonzero(usable & np.isfinite(speed_kn) & np.isfinite(economy))
    if not members.size:
        return None
    order = members[np.argsort(speed_kn[members], kind="stable")]
    if best is not None:
        # of two bands of one speed the one asked for stays
        order = order[(np.abs(speed_kn[order] - speed_kn[best]) > 1e-9) | (order == best)]
    order = order[np.concatenate([[True], np.diff(speed_kn[order]) > 1e-9])]
    best = int(order[np.argmax(economy[order])]) if best is None else best
    low = high = float(speed_kn[best])
    if order.size > 1:
        grid = np.unique(np.concatenate([np.linspace(speed_kn[order[0]], speed_kn[order[-1]], 2001), speed_kn[order]]))
        curve = scipy.interpolate.PchipInterpolator(speed_kn[order], economy[order])(grid)
        good = curve >= (1.0 - within_pct / 100.0) * economy[best]
        at = int(np.searchsorted(grid, speed_kn[best]))
        worse = np.flatnonzero(~good)
        before, after = worse[worse < at], worse[worse > at]
        low = float(grid[before[-1] + 1] if before.size else grid[0])
        high = float(grid[after[0] - 1] if after.size else grid[-1])
    run = speed_kn[usable & np.isfinite(speed_kn)]
    at_edge = bool(speed_kn[best] <= run.min() + 1e-9 or speed_kn[best] >= run.max() - 1e-9)
    return EconomyPeak(best, low, high, within_pct, at_edge)


_QUADRATURE_POINTS = 32
"""Of the normal law (Gauss-Hermite); more change the result by less than 0.1 % of one uncertainty."""


def bias_of_highest(values: FloatArray, u: FloatArray) -> float:
    """Return by how much the highest of several uncertain values is too high on average, same unit.

    The highest is most often one whose error is positive. What its error is on average, were the values found the true
    ones, is the sum over all values of the mean error of each where it is the highest. The true values lie closer
    together than those found, so where they are alike about two thirds of the bias are told; where one stands out
    there is none.

    Args:
        values: Shape (n,).
        u: Standard uncertainty of each that the others do not share, same shape.

    Source: estimate of bias with the values found in place of the true ones (bootstrap; Efron & Tibshirani 1993, *An
    Introduction to the Bootstrap*, chapter 10; from memory), by Gauss-Hermite quadrature instead of drawing.
    """
    points, weights = _quadrature()
    known = np.maximum(u, 1e-12 * np.abs(values).max(initial=1.0))
    error = known[:, None] * points
    drawn = values[:, None] + error
    # how probable it is that value j lies below each value that i may take, shape (i, points, j)
    below = scipy.special.ndtr((drawn[:, :, None] - values) / known)
    below[np.arange(values.size), :, np.arange(values.size)] = 1.0
    return float(np.sum(weights * error * below.prod(axis=2)))


@cache
def _quadrature() -> tuple[FloatArray, FloatArray]:
    """Return the points of Gauss-Hermite quadrature for the normal law, and their weights, adding up to 1."""
    points, weights = np.polynomial.hermite_e.hermegauss(_QUADRATURE_POINTS)
    return points, weights / weights.sum()
