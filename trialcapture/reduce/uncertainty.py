"""Means of angles and combination of uncertainties, as the literature gives them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def weighted_mean(x: FloatArray, weights: FloatArray) -> float:
    """Return the weighted mean of the finite values, NaN when there are none."""
    use = np.isfinite(x) & (weights > 0)
    share = weights[use]
    return float((x[use] * share).sum() / share.sum()) if share.size else float(np.nan)


def weighted_direction_deg(angles_deg: FloatArray, weights: FloatArray) -> float:
    """Return the weighted mean direction in [0, 360) [deg]; NaN where nothing is left or the directions cancel.

    Source: Mardia & Jupp, *Directional Statistics* (2000), section 2.2 (from memory).
    """
    radians = np.radians(angles_deg)
    north, east = weighted_mean(np.cos(radians), weights), weighted_mean(np.sin(radians), weights)
    if not np.hypot(north, east) > 1e-9:
        return float(np.nan)
    # the remainder of a tiny negative angle rounds to 360 itself
    return float(np.degrees(np.arctan2(east, north)) % 360.0 % 360.0)


def combine_uncertainties(*u: float | None) -> float:
    """Return the root sum of squares of independent standard uncertainties; None counts as nothing.

    Source: GUM (JCGM 100:2008) 5.1.2, sensitivity coefficients already applied.
    """
    return float(np.sqrt(sum(x * x for x in u if x is not None)))


def effective_degrees_of_freedom(u: npt.ArrayLike, degrees_of_freedom: npt.ArrayLike) -> float:
    """Return the effective degrees of freedom of a combined uncertainty.

    Args:
        u: Standard uncertainties, sensitivity applied, any one unit.
        degrees_of_freedom: Of each; ``inf`` for a Type B value taken as exactly known.

    Source: Welch-Satterthwaite formula, GUM (JCGM 100:2008) G.4.1.
    """
    u2 = np.square(np.asarray(u, dtype=np.float64))
    share = np.square(u2) / np.asarray(degrees_of_freedom, dtype=np.float64)
    return float(np.inf) if share.sum() == 0 else float(u2.sum() ** 2 / share.sum())


def coverage_factor(degrees_of_freedom: float, level: float = 0.9545) -> float:
    """Return the two-sided coverage factor of Student's t, or of the normal law for infinite degrees of freedom.

    Source: GUM (JCGM 100:2008) G.3.2; 95.45 % gives k = 2 in the normal limit.
    """
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415  (slow import, needed by few)

    if level <= 0 or level >= 1:
        raise ValueError(f"level must lie between 0 and 1, saw {level}")
    upper = 0.5 + level / 2
    return float(ndtri(upper)) if np.isinf(degrees_of_freedom) else float(stdtrit(degrees_of_freedom, upper))


def pooled_scatter(
    residuals: FloatArray, degrees_of_freedom: int, *, prior_sd: float, prior_degrees_of_freedom: float
) -> tuple[float, float]:
    """Return the pooled standard deviation of residuals, held by a prior when they are few, and its degrees of freedom.

    Two legs in a band say little about their own scatter, so the residuals of all bands are pooled; the prior
    keeps the result sensible when even that is little.

    Args:
        residuals: Leg values minus band means, any one unit.
        degrees_of_freedom: Legs minus bands.
        prior_sd: Scatter expected before looking, same unit.
        prior_degrees_of_freedom: How many legs that expectation is worth.

    Source: scaled-inverse-chi-square prior for a normal variance, Gelman et al., *Bayesian Data Analysis*,
    section 2.6 (from memory).
    """
    total = float(np.sum(np.square(residuals))) + prior_degrees_of_freedom * prior_sd**2
    freedom = degrees_of_freedom + prior_degrees_of_freedom
    return float(np.sqrt(total / freedom)), float(freedom)
