"""What is believed of current, compass and runs before any run is seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from trialcapture.reduce.statistics import FloatArray

Strengths = tuple[float, float, float, float]
"""Standard deviations of tide [kn], wander [kn], scatter [kn] and heading error [deg]."""
_M2_PERIOD_H = 12.4206
ROOM_FOR_CURRENT = 3.0
"""How many times a current that was found is allowed for: what it is pulled towards nothing by falls with the square
of this."""


@dataclass(frozen=True, slots=True)
class CurrentModel:
    """What is believed before any run is seen. Strengths are common practice, no source, unless said otherwise.

    Each ``*_kn`` grid holds standard deviations and each ``*_weight`` how likely each is beforehand.

    Attributes:
        constant_kn: Of the current that stays, per axis.
        tide_kn: Of the tide-like change.
        tide_length_h: Its correlation length: a squared exponential of length T/2π curves like a sinusoid of period
            T, here the principal lunar tide of 12.42 h.
        trend_kn_per_h: Of a steady change, per axis. A stream of amplitude A turns at up to 2πA/12.42 h, so this is
            three quarters of what 2 kn can do and half of what 3 kn can (common practice, no source). Runs there and
            back a few minutes apart show the change by themselves; where all runs one way came before all runs back,
            nothing tells it from speed, and this is what is then allowed for.
        wander_kn: Of local wandering (eddies, fronts, another stretch of water).
        wander_length_h: Its correlation length (Matérn 3/2).
        scatter_kn: Of runs about their band beyond their own sampling error (waves, wind, helm).
        heading_deg: Error of a compass heading that differs from run to run.
        line_heading_deg: Same, where a missing compass is replaced by "both ways were steered reciprocal".
        line_bend_deg: By how much all lines alike were bent, each way, where a missing compass is so replaced: the same
            marks steered for every time, or a coast followed.
        heading_offset_deg: Error common to all headings.
        rpm_slope_share: Relative error of the speed-against-rpm slope used to bring runs to one rpm.
    """

    constant_kn: float = 0.7
    tide_kn: tuple[float, ...] = (0.05, 0.2, 0.6, 1.5)
    tide_weight: tuple[float, ...] = (0.2, 0.35, 0.3, 0.15)
    tide_length_h: float = _M2_PERIOD_H / (2.0 * np.pi)
    trend_kn_per_h: float = 0.75
    wander_kn: tuple[float, ...] = (0.01, 0.05, 0.12, 0.3)
    wander_weight: tuple[float, ...] = (0.3, 0.37, 0.25, 0.08)
    wander_length_h: float = 0.25
    scatter_kn: tuple[float, ...] = (0.01, 0.03, 0.07, 0.15, 0.35)
    scatter_weight: tuple[float, ...] = (0.2, 0.35, 0.28, 0.13, 0.04)
    heading_deg: tuple[float, ...] = (0.7, 2.0, 5.0)
    heading_weight: tuple[float, ...] = (0.3, 0.5, 0.2)
    line_heading_deg: tuple[float, ...] = (3.0, 12.0)
    line_heading_weight: tuple[float, ...] = (0.6, 0.4)
    line_bend_deg: float = 6.0
    heading_offset_deg: float = 5.0
    rpm_slope_share: float = 0.3


Axes = tuple[tuple[tuple[float, float], ...], ...]
"""Per strength the values looked at, each with how likely it is beforehand."""


def strength_axes(model: CurrentModel, has_heading: bool) -> Axes:
    """Return the values of the four strengths that are looked at, in the order of `FitStrengths`."""
    heading = (
        zip(model.heading_deg, model.heading_weight, strict=True)
        if has_heading
        else zip(model.line_heading_deg, model.line_heading_weight, strict=True)
    )
    return (
        tuple(zip(model.tide_kn, model.tide_weight, strict=True)),
        tuple(zip(model.wander_kn, model.wander_weight, strict=True)),
        tuple(zip(model.scatter_kn, model.scatter_weight, strict=True)),
        tuple(heading),
    )


def raise_constant(model: CurrentModel, current_kn: FloatArray) -> CurrentModel:
    """Return the beliefs with room for a current that was found: `constant_kn` is raised, never lowered.

    Args:
        model: Beliefs.
        current_kn: North and east as found with an open mind, shape (n, 2).
    """
    found_kn = float(np.hypot(*current_kn.mean(axis=0)))
    return replace(model, constant_kn=max(model.constant_kn, ROOM_FOR_CURRENT * found_kn))


def find_likely(
    axes: Axes, log_likelihood: Callable[[Strengths], float], first: tuple[int, ...], negligible: float
) -> tuple[list[Strengths], FloatArray, tuple[int, ...]]:
    """Return the combinations of strengths that matter, their shares, and where the best one stands.

    From a first guess the search spreads to neighbouring values as long as they are not negligible beside the best
    so far; with many runs few combinations are left, with few runs nearly all.

    Args:
        axes: From `strength_axes`.
        log_likelihood: Of a combination.
        first: Position to begin at.
        negligible: A combination this much less likely than the best is left out.

    Returns:
        The combinations, their shares (adding up to 1), and the position of the best.
    """
    found: dict[tuple[int, ...], float] = {}
    waiting = [first]
    top, margin = -np.inf, float(np.log(negligible))
    while waiting:
        at = waiting.pop(0)
        if at in found:
            continue
        chosen = [axis[k] for axis, k in zip(axes, at, strict=True)]
        tide, wander, scatter, heading = (value for value, _ in chosen)
        found[at] = log_likelihood((tide, wander, scatter, heading)) + sum(float(np.log(w)) for _, w in chosen)
        top = max(top, found[at])
        if found[at] < top + margin:
            continue
        for place, axis in enumerate(axes):
            for step in (-1, 1):
                k = at[place] + step
                if 0 <= k < len(axis):
                    waiting.append((*at[:place], k, *at[place + 1 :]))
    places = sorted(found)
    share = np.exp(np.array([found[at] for at in places]) - top)
    kept = np.flatnonzero(share >= negligible)
    best = places[int(np.argmax(share))]
    strengths = [tuple(axis[k][0] for axis, k in zip(axes, places[i], strict=True)) for i in kept]
    return strengths, share[kept] / share[kept].sum(), best  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Trend:
    """A steady change of the current, counted from the middle of the runs.

    Attributes:
        axes: Unit vectors (north, east) along which it is allowed for, shape (k, 2).
        middle_h: When it is zero.
        kn_per_h: Its standard deviation along each axis.
    """

    axes: FloatArray
    middle_h: float
    kn_per_h: float

    def lever_kn(self, unit: FloatArray, at_h: FloatArray) -> FloatArray:
        """Return what one standard deviation moves the current's component along `unit` (n, 2) by, shape (n, k)."""
        return np.asarray(self.kn_per_h * (at_h - self.middle_h)[:, None] * (unit @ self.axes.T), dtype=np.float64)

    def state_kn(self, at_h: FloatArray) -> FloatArray:
        """Return what one standard deviation moves north and east by at some times, shape (q, 2, k)."""
        return np.asarray(self.kn_per_h * (at_h - self.middle_h)[:, None, None] * self.axes.T[None], dtype=np.float64)


class CurrentCovariance:
    """Covariance of one component of the current at pairs of times, under any strengths.

    What takes time, the exponentials, follows from the lags alone and is worked out once.

    Args:
        lag_h: How far apart the two times are, any shape.
        model: Beliefs.
    """

    def __init__(self, lag_h: FloatArray, model: CurrentModel) -> None:
        x = np.sqrt(3.0) * np.abs(lag_h) / model.wander_length_h
        self._constant = model.constant_kn**2
        self._tide = np.exp(-0.5 * (lag_h / model.tide_length_h) ** 2)
        self._wander_rise, self._wander_fall = 1.0 + x, np.exp(-x)

    def at(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance for these strengths [kn²], in the shape of the lags."""
        wander = wander_kn**2 * self._wander_rise * self._wander_fall
        return np.asarray(self._constant + tide_kn**2 * self._tide + wander, dtype=np.float64)
