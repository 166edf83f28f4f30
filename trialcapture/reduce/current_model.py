"""What is believed of current, compass and runs before any run is seen."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from trialcapture.reduce.statistics import FloatArray

Strengths = tuple[float, float, float, float]
"""Standard deviations of tide [kn], wander [kn], scatter [kn] and heading error [deg]."""
_M2_PERIOD_H = 12.4206
STRENGTHS = ("tide_kn", "wander_kn", "scatter_kn", "heading_deg")


@dataclass(frozen=True, slots=True)
class CurrentModel:
    """What is believed before any run is seen. Strengths are common practice, no source, unless said otherwise.

    Each ``*_kn`` grid holds standard deviations and each ``*_weight`` how likely each is beforehand.

    Attributes:
        constant_kn: Of the current that stays, per axis.
        tide_kn: Of the tide-like change.
        tide_length_h: Its correlation length: a squared exponential of length T/2π curves like a sinusoid of period
            T, here the principal lunar tide of 12.42 h.
        wander_kn: Of local wandering (eddies, fronts, another stretch of water).
        wander_length_h: Its correlation length (Matérn 3/2).
        scatter_kn: Of runs about their band beyond their own sampling error (waves, wind, helm).
        heading_deg: Error of a compass heading that differs from run to run.
        line_heading_deg: Same, where a missing compass is replaced by "both ways were steered reciprocal".
        heading_offset_deg: Error common to all headings.
        rpm_slope_share: Relative error of the speed-against-rpm slope used to bring runs to one rpm.
    """

    constant_kn: float = 0.7
    tide_kn: tuple[float, ...] = (0.05, 0.2, 0.6, 1.5)
    tide_weight: tuple[float, ...] = (0.2, 0.35, 0.3, 0.15)
    tide_length_h: float = _M2_PERIOD_H / (2.0 * np.pi)
    wander_kn: tuple[float, ...] = (0.01, 0.05, 0.12, 0.3)
    wander_weight: tuple[float, ...] = (0.3, 0.37, 0.25, 0.08)
    wander_length_h: float = 0.25
    scatter_kn: tuple[float, ...] = (0.01, 0.03, 0.07, 0.15, 0.35)
    scatter_weight: tuple[float, ...] = (0.2, 0.35, 0.28, 0.13, 0.04)
    heading_deg: tuple[float, ...] = (0.7, 2.0, 5.0)
    heading_weight: tuple[float, ...] = (0.3, 0.5, 0.2)
    line_heading_deg: tuple[float, ...] = (3.0, 12.0)
    line_heading_weight: tuple[float, ...] = (0.6, 0.4)
    heading_offset_deg: float = 5.0
    rpm_slope_share: float = 0.3


def strength_grid(model: CurrentModel, has_heading: bool) -> list[tuple[Strengths, float]]:
    """Return every combination of strengths with how likely it is beforehand."""
    headings = (
        zip(model.heading_deg, model.heading_weight, strict=True)
        if has_heading
        else zip(model.line_heading_deg, model.line_heading_weight, strict=True)
    )
    axes = (
        tuple(zip(model.tide_kn, model.tide_weight, strict=True)),
        tuple(zip(model.wander_kn, model.wander_weight, strict=True)),
        tuple(zip(model.scatter_kn, model.scatter_weight, strict=True)),
        tuple(headings),
    )
    return [((t[0], w[0], s[0], h[0]), t[1] * w[1] * s[1] * h[1]) for t, w, s, h in product(*axes)]


def current_covariance(lag_h: FloatArray, tide_kn: float, wander_kn: float, model: CurrentModel) -> FloatArray:
    """Return the covariance of one component of the current at two times `lag_h` apart [kn²], same shape."""
    x = np.sqrt(3.0) * np.abs(lag_h) / model.wander_length_h
    tide = tide_kn**2 * np.exp(-0.5 * (lag_h / model.tide_length_h) ** 2)
    return np.asarray(model.constant_kn**2 + tide + wander_kn**2 * (1.0 + x) * np.exp(-x), dtype=np.float64)
