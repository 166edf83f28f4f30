"""All runs at once: one speed through water per band, and a current that changes slowly.

Ground velocity of a run = speed of its band along the heading + current at that time. The speeds are unknown
constants, the current a smooth random function of time: a constant, a trend, a tide-like change, and local wandering.
How strong each part is, how much runs scatter beyond their own sampling error and how good the compass is, is not
known beforehand; every combination of a small grid is solved by generalised least squares, and the answers are
averaged by how well each combination explains all runs (restricted likelihood times a weak prior). So nothing is tuned
to one trial, and what the trial cannot tell stays in the uncertainty.

Sources: generalised least squares and restricted likelihood (Patterson & Thompson 1971, Biometrika 58:545);
covariance functions (Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, chapter 4); averaging over
models (Hoeting et al. 1999, Statistical Science 14:382). All from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypedDict

import numpy as np

from trialcapture.reduce.current_model import (
    CurrentCovariance,
    CurrentModel,
    Strengths,
    Trend,
    find_likely,
    raise_constant,
    strength_axes,
)
from trialcapture.reduce.drifts import Drifts, no_drifts, select_drifts
from trialcapture.reduce.observations import Observations, linearise
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import BoolArray, FloatArray
from trialcapture.reduce.summary import FitStrengths
from trialcapture.reduce.whitening import Whitening, explain

MOST_SWEEPS, MOST_STEPS, SMALLEST_STEP_KN = 3, 12, 1e-6
ANY_CURRENT_KN = 3.0
"""Standard deviation per axis that a current is given before it was looked for (common practice, no source)."""
ONE_LINE_RESULTANT = 0.8
"""Courses, both ways alike, more closely bundled than this are one line: within some 18 degrees of it (no source)."""
CONTRADICTS = 3.5
"""Of its standard deviations, by which a drift contradicts the runs: of a thousand true ones it leaves out one."""
NEGLIGIBLE_SHARE = 1e-3
"""A combination this much less likely than the best one is left out of the average."""


class VectorFit(TypedDict):
    """Result of `fit_current`; B bands, n runs, q times asked for. Uncertainties are standard (k=1)."""

    speed_kn: FloatArray
    """Shape (B,), at the band's mean rpm."""
    speed_u_kn: FloatArray
    terms_u_kn: dict[str, FloatArray]
    """What `speed_u_kn` is made of, shape (B,) each; their squares add up to it."""
    unseen_trend_u_kn: FloatArray
    """Part of the current's term that a steady change of the current makes, which the runs do not show, shape (B,)."""
    current_kn: FloatArray
    """North and east at the times asked for, shape (q, 2)."""
    current_cov: FloatArray
    """Covariance of north and east, shape (q, 2, 2)."""
    run_current_kn: FloatArray
    """Same at the runs, shape (n, 2)."""
    run_current_cov: FloatArray
    along_kn: FloatArray
    """Speed through water each run shows by itself, shape (n,), brought to the band's mean rpm."""
    residual: FloatArray
    """Leave-one-out residual of each run in its own standard deviations, shape (n,)."""
    residual_kn: FloatArray
    """Same in knots: what the run shows minus what all others predict for it."""
    gain: FloatArray
    """Band speeds as a linear function of the along-track speeds, shape (B, n)."""
    along_cov: FloatArray
    """Covariance of the along-track speeds about their band speeds, shape (n, n)."""
    heading_offset_deg: float
    heading_offset_u_deg: float
    strengths: FitStrengths
    """Averaged."""


class _Solution(TypedDict):
    speed: FloatArray
    terms: dict[str, FloatArray]
    state: FloatArray
    state_cov: FloatArray
    offset: float
    offset_var: float
    residual: FloatArray
    residual_kn: FloatArray
    gain: FloatArray
    covariance: FloatArray
    trend_var: FloatArray


def fit_current(
    runs: Runs,
    band_rpm_mean: FloatArray,
    line_heading_deg: FloatArray,
    at_h: FloatArray,
    model: CurrentModel | None = None,
    drifts: Drifts | None = None,
) -> VectorFit:
    """Fit band speeds and current to all runs.

    Where the boat lay in neutral between runs, her drift shows the current at that time, but for leeway. A drift that
    contradicts the runs by more than `CONTRADICTS` of its standard deviations is left out: a boat that is held in
    place, or stems the stream, drifts with nothing.

    A run is used by its speed along the direction it moved through the water, and, where a heading is known, by the
    angle between the two, which shows the current abeam. Both depend on the current and are solved by iteration
    (Gauss-Newton). Where boat and compass were turned round, the current is looked for first as if it could be any,
    and what is believed of its size follows from what is found (`raise_constant`): a fixed belief of a weak current
    would pull a strong one towards nothing, and with it the speed of a pair that is not quite reciprocal.

    Args:
        runs: At least one run; ``band`` numbers count from 0 to B-1 without a hole.
        band_rpm_mean: Engine speed each band's speed shall hold for [rpm], shape (B,); NaN where unknown.
        line_heading_deg: Headings of runs both ways were they reciprocal, which stand in where the sensor is
            missing, shape (n,); NaN where only one way was run.
        at_h: Times at which the current is wanted, shape (q,).
        model: Beliefs; the default suits coastal water.
        drifts: Times at which she lay in neutral.
    """
    drifts = drifts or no_drifts()
    fit, residual = _fit_with(runs, band_rpm_mean, line_heading_deg, at_h, model or CurrentModel(), drifts)
    agrees = np.abs(residual).max(axis=1, initial=0.0) <= CONTRADICTS
    if agrees.all():
        return fit
    kept = select_drifts(drifts, agrees)
    return _fit_with(runs, band_rpm_mean, line_heading_deg, at_h, model or CurrentModel(), kept)[0]


def _fit_with(
    runs: Runs,
    band_rpm_mean: FloatArray,
    line_heading_deg: FloatArray,
    at_h: FloatArray,
    model: CurrentModel,
    drifts: Drifts,
) -> tuple[VectorFit, FloatArray]:
    """Return the fit, and the leave-one-out residuals of the drifts in their standard deviations, shape (d, 2)."""
    measured = np.isfinite(runs["heading_deg"])
    heading = np.where(measured, runs["heading_deg"], line_heading_deg)
    if np.any(measured & np.isfinite(line_heading_deg)):
        open_minded = replace(model, constant_kn=max(model.constant_kn, ANY_CURRENT_KN))
        current = _search(runs, heading, measured, band_rpm_mean, open_minded, drifts)[3]
        model = raise_constant(model, current)
    equations, likely, share, _ = _search(runs, heading, measured, band_rpm_mean, model, drifts)
    n, d = runs["mid_h"].size, drifts["mid_h"].size
    seen_h = np.concatenate([runs["mid_h"], drifts["mid_h"]])
    times_h = np.concatenate([runs["mid_h"], at_h])
    asked = _Asked(times_h, seen_h, _trend(runs, measured, model), model)
    solutions = [_solve(equations, strengths, asked, model) for strengths in likely]
    residual = share @ np.array([s["residual"] for s in solutions])
    return _average(equations.seen, solutions, share, likely, n), residual[residual.size - 2 * d :].reshape(d, 2)


def _search(
    runs: Runs,
    heading: FloatArray,
    measured: BoolArray,
    band_rpm_mean: FloatArray,
    model: CurrentModel,
    drifts: Drifts,
) -> tuple[Whitening, list[Strengths], FloatArray, FloatArray]:
    """Return the equations about the best answer, the strengths that matter, their shares, and the current at runs."""
    axes = strength_axes(model, bool(measured.any()))
    best = tuple(int(np.argmax([weight for _, weight in axis])) for axis in axes)
    seen_h = np.concatenate([runs["mid_h"], drifts["mid_h"]])
    covariance = CurrentCovariance(seen_h[:, None] - seen_h[None, :], model)
    trend = _trend(runs, measured, model)
    here = _Asked(seen_h, seen_h, trend, model)
    current = np.zeros((seen_h.size, 2))
    speed = np.array([runs["sog_kn"][runs["band"] == b].mean() for b in range(band_rpm_mean.size)])

    def equations_about(current: FloatArray, speed: FloatArray) -> Whitening:
        seen = linearise(runs, heading, measured, current, speed, band_rpm_mean, model, drifts)
        return Whitening(seen, covariance, model, trend.lever_kn(seen["unit"], seen_h[seen["position"]]))

    for sweep in range(MOST_SWEEPS):
        tide, wander, scatter, degrees = (axis[k][0] for axis, k in zip(axes, best, strict=True))
        lagged = here.lagged(tide, wander)
        for _ in range(MOST_STEPS):
            equations = equations_about(current, speed)
            white = equations.whiten((tide, wander, scatter, degrees))
            before, current = current, here.link(equations, lagged) @ explain(white)[1]
            speed = white.speed
            if float(np.abs(current - before).max()) < SMALLEST_STEP_KN:
                break
        equations = equations_about(current, speed)
        first = best
        likely, share, best = find_likely(axes, equations.log_likelihood, first, NEGLIGIBLE_SHARE)
        if best == first and sweep:
            break
    return equations, likely, share, current


def _trend(runs: Runs, measured: BoolArray, model: CurrentModel) -> Trend:
    """Return the trend that is allowed for: along the line of the runs alone where no heading shows the current abeam.

    A current abeam changes the speed of runs both ways by its square alone; without a heading its change in time is
    no more to be seen than itself, and is allowed for with it (`trialcapture.reduce.budget`).
    """
    axes = np.eye(2)
    if not measured.any():
        doubled = np.radians(2.0 * runs["cog_deg"])
        north, east = float(np.cos(doubled).mean()), float(np.sin(doubled).mean())
        if np.hypot(north, east) > ONE_LINE_RESULTANT:
            along = 0.5 * np.arctan2(east, north)
            axes = np.array([[np.cos(along), np.sin(along)]])
    return Trend(axes, float(runs["mid_h"].mean()), model.trend_kn_per_h)


class _Asked:
    """The current at some times, and how it goes with what the equations see of it.

    Args:
        at_h: The times, shape (q,).
        seen_h: Times of the runs and drifts, shape (n + d,).
        trend: The trend allowed for.
        model: Beliefs.
    """

    def __init__(self, at_h: FloatArray, seen_h: FloatArray, trend: Trend, model: CurrentModel) -> None:
        self._covariance = CurrentCovariance(at_h[:, None] - seen_h[None, :], model)
        self._alone = CurrentCovariance(np.zeros(1), model)
        self._trend_kn = trend.state_kn(at_h)

    def lagged(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance of one component of the current at the times and the runs, shape (q, n + d)."""
        return self._covariance.at(tide_kn, wander_kn)

    def link(self, equations: Whitening, lagged: FloatArray) -> FloatArray:
        """Return the covariance of north and east with what each equation sees, shape (q, 2, N)."""
        seen = equations.seen
        at = np.take(lagged, seen["position"], axis=1)
        return np.asarray(at[:, None, :] * seen["unit"].T[None, :, :] + self._trend_kn @ equations.trend_kn.T)

    def prior(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance of north and east before any run is seen, shape (q, 2, 2)."""
        constant = float(self._alone.at(tide_kn, wander_kn)[0]) * np.eye(2)
        return np.asarray(constant + self._trend_kn @ np.swapaxes(self._trend_kn, 1, 2), dtype=np.float64)


def _solve(equations: Whitening, strengths: Strengths, asked: _Asked, model: CurrentModel) -> _Solution:
    seen, white = equations.seen, equations.whiten(strengths)
    gain, y, design = explain(white)[0], seen["y"], seen["design"]
    inverse_factor = np.linalg.inv(white.factor)
    precision = inverse_factor.T @ inverse_factor
    projected = precision - precision @ design @ gain
    link = asked.link(equations, asked.lagged(strengths[0], strengths[1]))
    carried = link @ projected
    offset_var = np.radians(model.heading_offset_deg) ** 2
    to_offset = offset_var * seen["offset_lever_kn"]
    left, own = projected @ y, np.maximum(np.diag(projected), 1e-12)
    return {
        "speed": white.speed,
        "terms": {
            "sampling": (gain**2) @ seen["own_var"],
            "repeat": np.sum(gain**2, axis=1) * strengths[2] ** 2,
            "current": np.sum((gain @ equations.water(strengths)) * gain, axis=1),
            "heading": np.sum((gain @ equations.compass(strengths)) * gain, axis=1),
            "rpm match": (gain**2) @ seen["slope_var"],
        },
        "state": carried @ y,
        "state_cov": asked.prior(strengths[0], strengths[1]) - carried @ np.swapaxes(link, 1, 2),
        "offset": float(to_offset @ left),
        "offset_var": float(offset_var - to_offset @ projected @ to_offset),
        "residual": left / np.sqrt(own),
        "residual_kn": left / own,
        "gain": gain,
        "covariance": white.factor @ white.factor.T,
        "trend_var": np.sum((gain @ equations.trend_kn) ** 2, axis=1),
    }


def _average(
    seen: Observations,
    solutions: list[_Solution],
    share: FloatArray,
    strengths: list[Strengths],
    n: int,
) -> VectorFit:
    speeds = np.array([s["speed"] for s in solutions])
    states = np.array([s["state"] for s in solutions])
    offsets = np.array([s["offset"] for s in solutions])
    speed = share @ speeds
    state = np.einsum("k,kqc->qc", share, states)
    off = states - state
    state_cov = np.einsum("k,kqcd->qcd", share, np.array([s["state_cov"] for s in solutions]))
    state_cov += np.einsum("k,kqc,kqd->qcd", share, off, off)
    terms = {name: share @ np.array([s["terms"][name] for s in solutions]) for name in solutions[0]["terms"]} | {
        "choice of model": share @ (speeds - speed) ** 2
    }
    offset = float(share @ offsets)
    offset_var = float(share @ (np.array([s["offset_var"] for s in solutions]) + (offsets - offset) ** 2))
    mean_strengths = share @ np.array(strengths)
    gain = np.einsum("k,kbi->bi", share, np.array([s["gain"] for s in solutions]))
    covariance = np.einsum("k,kij->ij", share, np.array([s["covariance"] for s in solutions]))
    residual = share @ np.array([s["residual"] for s in solutions])
    residual_kn = share @ np.array([s["residual_kn"] for s in solutions])
    return {
        "speed_kn": speed,
        "speed_u_kn": np.sqrt(sum(terms.values(), start=np.zeros(speed.size))),
        "terms_u_kn": {name: np.sqrt(np.maximum(variance, 0.0)) for name, variance in terms.items()},
        "unseen_trend_u_kn": np.sqrt(share @ np.array([s["trend_var"] for s in solutions])),
        "current_kn": state[n:],
        "current_cov": state_cov[n:],
        "run_current_kn": state[:n],
        "run_current_cov": state_cov[:n],
        "along_kn": seen["y"][:n] - np.sum(seen["unit"][:n] * state[:n], axis=1),
        "residual": residual[:n],
        "residual_kn": residual_kn[:n],
        "gain": gain[:, :n],
        "along_cov": covariance[:n, :n],
        "heading_offset_deg": float(np.degrees(offset)),
        "heading_offset_u_deg": float(np.degrees(np.sqrt(max(offset_var, 0.0)))),
        "strengths": FitStrengths(*mean_strengths.tolist()),
    }
