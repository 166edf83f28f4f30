"""The arithmetic of runs up and down one line: what weights make the current vanish."""

from __future__ import annotations

from math import comb

import numpy as np

from trialcapture.reduce.statistics import FloatArray

EQUAL_SPACING_PCT = 10.0
"""Runs whose spacing varies more than this are not equally spaced (common practice, no source)."""
WORST_AMPLIFICATION = 1.0
"""A least-squares result noisier than a single run is refused (sum of squared weights above 1)."""


def mean_of_means_weights(n: int) -> FloatArray:
    """Return the weights of `n` alternating, equally spaced runs: ``C(n-1, k) / 2^(n-1)``.

    They cancel a current that is a polynomial in time of degree n-2.

    Source: mean of means of ship speed trials (ITTC 7.5-04-01-01.1, ISO 15016; weights from memory, the property
    follows from the binomial theorem).
    """
    if n < 2:
        raise ValueError(f"a mean of means needs at least two runs, saw {n}")
    return np.array([comb(n - 1, k) for k in range(n)], dtype=np.float64) / 2.0 ** (n - 1)


def alternating_run_weights(t_h: FloatArray) -> FloatArray:
    """Return the mean of means of strictly alternating runs at the times they were made.

    ``w_k ∝ 1 / Π_{j≠k} |t_k - t_j|``, adding up to 1: the divided difference of order n-1, which is zero for every
    polynomial in time of degree n-2, whatever the spacing. At equal spacing these are the weights of
    `mean_of_means_weights`.

    Args:
        t_h: Time of each run, ascending, no two alike [h].

    Source: divided differences (Newton; any text on numerical analysis).
    """
    t = t_h / float(np.ptp(t_h))
    apart = np.abs(t[:, None] - t[None, :]) + np.eye(t.size)
    weights = 1.0 / np.prod(apart, axis=1)
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def least_squares_weights(t_h: FloatArray, sign: FloatArray) -> FloatArray:
    """Return the weights that give V in ``speed_k = V + sign_k (c0 + c1 t_k)``, at any spacing of the runs.

    Args:
        t_h: Time of each run [h].
        sign: +1 one way, -1 the other.

    Raises:
        ValueError: Fewer than three runs, or no solution (all runs one way).

    Source: ordinary least squares; exact for a current linear in time.
    """
    if t_h.size < 3 or np.unique(sign).size < 2:
        raise ValueError("three runs, not all one way, are needed")
    t = t_h - t_h.mean()
    scale = float(np.abs(t).max()) or 1.0
    design = np.column_stack([np.ones(t.size), sign, sign * t / scale])
    return np.asarray(np.linalg.pinv(design, rcond=1e-10)[0], dtype=np.float64)


def alternating_weights(t_h: FloatArray, sign: FloatArray) -> tuple[FloatArray, str]:
    """Return the weights of a sequence of runs and the name of the method they belong to.

    Two runs: their mean. More, strictly alternating and equally spaced within 10 %: mean of means, at the times the
    runs were made, so that what the spacing lacks in evenness costs nothing. Otherwise least squares in time, unless
    that is noisier than a single run (two runs one way and one back, close in time), where each direction is averaged
    first and the two means then.

    Args:
        t_h: Mid time of each run, ascending [h].
        sign: +1 one way, -1 the other; both must occur.
    """
    n = t_h.size
    if n < 2 or np.unique(sign).size < 2:
        raise ValueError("a run each way is needed")
    if n == 2:
        return mean_of_means_weights(2), "double run"
    spacing = np.diff(t_h)
    alternate = bool(np.all(sign[1:] * sign[:-1] < 0))
    if alternate and np.ptp(spacing) <= EQUAL_SPACING_PCT / 100.0 * spacing.mean():
        return alternating_run_weights(t_h), f"mean of means of {n}"
    weights = least_squares_weights(t_h, sign)
    if float(weights @ weights) <= WORST_AMPLIFICATION:
        return weights, f"least squares in time of {n}"
    ways = [sign > 0, sign < 0]
    return np.sum([0.5 * way / way.sum() for way in ways], axis=0), f"mean of two directions, {n} runs"


def combine_runs(
    weights: FloatArray, sign: FloatArray, ground_kn: FloatArray, heading_deg: FloatArray
) -> tuple[float, float]:
    """Return speed through water [kn] and the mean course axis [deg, true] of runs up and down one line.

    The weighted ground velocities, turned to one side, lose the current; what remains is speed times the equally
    weighted unit vectors of heading. With the two headings reciprocal this is the mean speed made along them; a
    current abeam drops out too, whether heading or course was held, and a compass that is wrong by one and the
    same angle changes nothing. Without headings they are taken as reciprocal.

    Args:
        weights: Sum 1, shape (n,).
        sign: +1 one way, -1 the other, shape (n,).
        ground_kn: Velocity over ground, north and east, shape (n, 2).
        heading_deg: Heading, true, shape (n,); any NaN and none is used.

    Source: vector form of the double run (elementary).
    """
    made = (weights * sign) @ ground_kn
    axis = float(np.degrees(np.arctan2(made[1], made[0]))) % 360.0
    if np.isfinite(heading_deg).all():
        radians = np.radians(heading_deg)
        pointed = (weights * sign) @ np.column_stack([np.cos(radians), np.sin(radians)])
        return float(np.hypot(*made) / np.hypot(*pointed)), axis
    return float(np.hypot(*made)), axis


def velocity_kn(speed_kn: FloatArray, direction_deg: FloatArray) -> FloatArray:
    """Return north and east components, shape (n, 2)."""
    radians = np.radians(direction_deg)
    return np.column_stack([speed_kn * np.cos(radians), speed_kn * np.sin(radians)])
