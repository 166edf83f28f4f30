"""Means of angles, uncertainty budgets, and the comparison of two values, as the literature gives them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy

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


def effective_degrees_of_freedom(u: npt.ArrayLike, degrees_of_freedom: npt.ArrayLike) -> FloatArray:
    """Return the effective degrees of freedom of combined uncertainties, one for each column.

    Args:
        u: Standard uncertainties, sensitivity applied, any one unit, shape (t,) or (t, B).
        degrees_of_freedom: Of each; ``inf`` for a Type B value taken as exactly known, same shape or (t, 1).

    Source: Welch-Satterthwaite formula, GUM (JCGM 100:2008) G.4.1.
    """
    u2 = np.square(np.asarray(u, dtype=np.float64))
    share = np.square(u2) / np.asarray(degrees_of_freedom, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.square(u2.sum(axis=0)) / share.sum(axis=0)
    return np.asarray(np.where(share.sum(axis=0) == 0.0, np.inf, found), dtype=np.float64)


LEVEL = 0.9545
"""Of every printed ±: 95.45 % is k = 2 in the normal limit (GUM G.1.2)."""


def coverage_factor(degrees_of_freedom: npt.ArrayLike, level: float = LEVEL) -> FloatArray:
    """Return the two-sided coverage factor of Student's t, or of the normal law for infinite degrees of freedom.

    Args:
        degrees_of_freedom: Any shape; they need not be whole.
        level: Share of values inside.

    Raises:
        ValueError: The level is not between 0 and 1.

    Source: GUM (JCGM 100:2008) G.3.2.
    """
    if level <= 0 or level >= 1:
        raise ValueError(f"level must lie between 0 and 1, saw {level}")
    upper, freedom = 0.5 + level / 2, np.asarray(degrees_of_freedom, dtype=np.float64)
    normal = np.isinf(freedom)
    return np.asarray(
        np.where(normal, scipy.special.ndtri(upper), scipy.special.stdtrit(np.where(normal, 1.0, freedom), upper)),
        dtype=np.float64,
    )


@dataclass(frozen=True, slots=True)
class Term:
    """One cause of uncertainty and what it adds to the standard uncertainty of a quantity, for every band.

    Attributes:
        name: What it is.
        u: Standard uncertainty in the unit of the quantity, sensitivity applied, shape (B,).
        source: Where its size comes from.
        is_common: It moves every band of a trial alike, so it cancels where two of them are compared.
        freedom: Degrees of freedom, shape () or (B,); ``inf`` for a Type B value taken as exactly known.
    """

    name: str
    u: FloatArray
    source: str
    is_common: bool = False
    freedom: float | FloatArray = np.inf


@dataclass(frozen=True)
class Budget:
    """The uncertainty budget of one quantity for every band.

    The printed ± is ``k`` times ``u``; comparisons of two bands of a trial use the part that is each one's own.

    Source: GUM (JCGM 100:2008) 5.1.2 (combination), G.4.1 (degrees of freedom), G.6.4 (coverage factor).
    """

    terms: tuple[Term, ...]
    """At least one."""

    @cached_property
    def u(self) -> FloatArray:
        """Standard uncertainty, k = 1, shape (B,)."""
        return self._root_sum_of_squares(self.terms)

    @cached_property
    def own_u(self) -> FloatArray:
        """The part of `u` that each band has for itself."""
        return self._root_sum_of_squares(self._own)

    @cached_property
    def common_u(self) -> FloatArray:
        """The part of `u` that all bands have in common."""
        return self._root_sum_of_squares(self._common)

    @cached_property
    def freedom(self) -> FloatArray:
        """Effective degrees of freedom of `u`."""
        return self._effective_freedom(self.terms)

    @cached_property
    def own_freedom(self) -> FloatArray:
        """Effective degrees of freedom of `own_u`."""
        return self._effective_freedom(self._own)

    @cached_property
    def common_freedom(self) -> FloatArray:
        """Effective degrees of freedom of `common_u`."""
        return self._effective_freedom(self._common)

    @cached_property
    def k(self) -> FloatArray:
        """Coverage factor of the printed ±, shape (B,)."""
        return coverage_factor(self.freedom)

    def term(self, name: str) -> FloatArray:
        """Return what the terms of a name add, shape (B,); 0 where there is none of that name."""
        return self._root_sum_of_squares([t for t in self.terms if t.name == name])

    def without(self, names: Sequence[str]) -> Budget:
        """Return the budget without the terms of these names."""
        return Budget(tuple(t for t in self.terms if t.name not in names))

    def parts(self, sensitivity: FloatArray, name: str) -> tuple[Term, Term]:
        """Return this budget as two terms of another quantity's: what is each band's own, and what is common.

        Args:
            sensitivity: How much the other quantity moves with this one, shape (B,).
            name: Of the two terms.
        """
        scale = np.abs(sensitivity)
        return (
            Term(f"{name}, own", scale * self.own_u, f"budget of {name}", freedom=self.own_freedom),
            Term(f"{name}, common", scale * self.common_u, f"budget of {name}", True, self.common_freedom),
        )

    @property
    def _own(self) -> tuple[Term, ...]:
        return tuple(t for t in self.terms if not t.is_common)

    @property
    def _common(self) -> tuple[Term, ...]:
        return tuple(t for t in self.terms if t.is_common)

    def _root_sum_of_squares(self, terms: Sequence[Term]) -> FloatArray:
        none = np.zeros(self.terms[0].u.shape)
        return np.asarray(np.sqrt(sum((np.square(t.u) for t in terms), start=none)), dtype=np.float64)

    def _effective_freedom(self, terms: Sequence[Term]) -> FloatArray:
        shape = self.terms[0].u.shape
        if not terms:
            return np.full(shape, np.inf)
        freedom = [np.broadcast_to(np.asarray(t.freedom, dtype=np.float64), shape) for t in terms]
        return effective_degrees_of_freedom([t.u for t in terms], freedom)


@dataclass(frozen=True, slots=True)
class ComparedValue:
    """A value with the parts of its standard uncertainty, as a row of the bands table holds them.

    Attributes:
        value: In any unit.
        own_u: What is its own.
        common_u: What it has in common with the value it is compared with: one figure, or one a cause, the causes of
            both values in the same order.
        own_freedom: Degrees of freedom of `own_u`.
    """

    value: float
    own_u: float
    common_u: float | tuple[float, ...]
    own_freedom: float = float("inf")


@dataclass(frozen=True, slots=True)
class Comparison:
    """How one value differs from another.

    Attributes:
        difference, difference_u: The second less the first, and its standard uncertainty.
        ratio, ratio_u: The second over the first, and its standard uncertainty.
        k: Coverage factor of both.
        is_real: Whether they differ by more than k times the uncertainty of their ratio; else within noise.
    """

    difference: float
    difference_u: float
    ratio: float
    ratio_u: float
    k: float
    is_real: bool


def compare_values(
    first: ComparedValue, second: ComparedValue, *, same_errors: bool = True, comparisons: int = 1
) -> Comparison:
    """Return how two values differ, with what their errors in common take out of it.

    An error in common moves both the same way: one in knots cancels in their difference, one in percent in their
    ratio; what it leaves in the other follows from its size in each of the two.

    Args:
        first, second: The values, both positive.
        same_errors: The parts in common come from the same instruments and settings; False for two trials with
            instruments of their own, whose common errors are independent.
        comparisons: How many comparisons this one was chosen from by its result; k grows with it, so that all of them
            together hold as one would alone.

    Source: GUM (JCGM 100:2008) 5.2.2, correlated input quantities, with correlation 1; for several comparisons Šidák
    1967, J. Am. Stat. Assoc. 62:626 (from memory).
    """
    values, own = np.array([first.value, second.value]), np.array([first.own_u, second.own_u])
    common = np.array([np.atleast_1d(first.common_u), np.atleast_1d(second.common_u)], dtype=np.float64)
    freedom = [first.own_freedom, second.own_freedom]

    def spread(own_u: FloatArray, common_u: FloatArray) -> tuple[float, float]:
        shared = (common_u[1] - common_u[0] if same_errors else common_u.ravel()).tolist()
        u = np.array([*own_u, *np.abs(shared)])
        level = LEVEL ** (1.0 / comparisons)
        k = coverage_factor(effective_degrees_of_freedom(u, [*freedom, *([np.inf] * len(shared))]), level)
        return float(np.sqrt(u @ u)), float(k)

    difference_u = spread(own, common)[0]
    share_u, k = spread(own / np.abs(values), common / np.abs(values)[:, None])
    ratio = float(values[1] / values[0])
    return Comparison(
        difference=float(values[1] - values[0]),
        difference_u=difference_u,
        ratio=ratio,
        ratio_u=ratio * share_u,
        k=k,
        # the logarithm, so that either may stand first
        is_real=abs(float(np.log(ratio))) > k * share_u,
    )


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
