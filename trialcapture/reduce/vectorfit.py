"""All runs at once: one speed through water per band, and a current that changes slowly.

Ground velocity of a run = speed of its band along the heading + current at that time. The speeds are unknown
constants, the current a smooth random function of time: a constant, a tide-like change, and local wandering. How
strong each part is, how much runs scatter beyond their own sampling error and how good the compass is, is not known
beforehand; every combination of a small grid is solved by generalised least squares, and the answers are averaged by
how well each combination explains all runs (restricted likelihood times a weak prior). So nothing is tuned to one
trial, and what the trial cannot tell stays in the uncertainty.

Sources: generalised least squares and restricted likelihood (Patterson & Thompson 1971, Biometrika 58:545);
covariance functions (Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, chapter 4); averaging over
models (Hoeting et al. 1999, Statistical Science 14:382). All from memory.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from trialcapture.prepare.statistics import wrap_deg
from trialcapture.reduce.current_model import STRENGTHS, CurrentModel, Strengths, current_covariance, strength_grid
from trialcapture.reduce.legs import IntArray
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import BoolArray, FloatArray


class VectorFit(TypedDict):
    """Result of `fit_current`; B bands, n runs, q times asked for. Uncertainties are standard (k=1)."""

    speed_kn: FloatArray
    """Shape (B,), at the band's mean rpm."""
    speed_u_kn: FloatArray
    terms_u_kn: dict[str, FloatArray]
    """What `speed_u_kn` is made of, shape (B,) each; their squares add up to it."""
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
    strengths: dict[str, float]
    """Averaged strengths of tide, wander, scatter [kn] and heading error [deg]."""


class _Observations(TypedDict):
    y: FloatArray
    design: FloatArray
    position: IntArray
    unit: FloatArray
    across: FloatArray
    own_var: FloatArray
    slope_var: FloatArray
    lever_kn: FloatArray
    offset_lever_kn: FloatArray


class _Solution(TypedDict):
    log_likelihood: float
    speed: FloatArray
    cov: FloatArray
    terms: dict[str, FloatArray]
    state: FloatArray
    state_cov: FloatArray
    offset: float
    offset_var: float
    residual: FloatArray
    residual_kn: FloatArray
    gain: FloatArray
    covariance: FloatArray


def fit_current(
    runs: Runs,
    band_rpm_mean: FloatArray,
    line_heading_deg: FloatArray,
    at_h: FloatArray,
    model: CurrentModel | None = None,
) -> VectorFit:
    """Fit band speeds and current to all runs.

    A run is used by its speed along the direction it moved through the water, and, where a heading is known, by the
    angle between the two, which shows the current abeam. Both depend on the current and are solved by iteration
    (Gauss-Newton).

    Args:
        runs: At least one run; ``band`` numbers count from 0 to B-1 without a hole.
        band_rpm_mean: Engine speed each band's speed shall hold for [rpm], shape (B,); NaN where unknown.
        line_heading_deg: Stand-in headings where the sensor is missing, shape (n,); NaN for none.
        at_h: Times at which the current is wanted, shape (q,).
        model: Beliefs; the default suits coastal water.
    """
    model = model or CurrentModel()
    measured = np.isfinite(runs["heading_deg"])
    heading = np.where(measured, runs["heading_deg"], line_heading_deg)
    grid = strength_grid(model, bool(measured.any()))
    centre = max(grid, key=lambda entry: entry[1])[0]
    times = np.concatenate([runs["mid_h"], at_h])
    current = np.zeros((runs["mid_h"].size, 2))
    speed = np.array([runs["sog_kn"][runs["band"] == b].mean() for b in range(band_rpm_mean.size)])
    for sweep in range(3):
        for _ in range(12):
            seen = _linearise(runs, heading, measured, current, speed, band_rpm_mean, model)
            solved = _solve(seen, centre, runs["mid_h"], times, model)
            step = float(np.abs(solved["state"][: current.shape[0]] - current).max())
            current, speed = solved["state"][: current.shape[0]], solved["speed"]
            if step < 1e-6:
                break
        seen = _linearise(runs, heading, measured, current, speed, band_rpm_mean, model)
        solutions = [_solve(seen, strengths, runs["mid_h"], times, model) for strengths, _ in grid]
        share = _shares(np.array([s["log_likelihood"] for s in solutions]), np.array([w for _, w in grid]))
        best = grid[int(np.argmax(share))][0]
        if best == centre and sweep:
            break
        centre = best
    return _average(seen, solutions, share, [g[0] for g in grid], current.shape[0])


def _shares(log_likelihood: FloatArray, prior: FloatArray) -> FloatArray:
    posterior = np.exp(log_likelihood - log_likelihood.max()) * prior
    return np.asarray(posterior / posterior.sum(), dtype=np.float64)


def _speed_power(speed: FloatArray, rpm: FloatArray) -> FloatArray:
    """Return d ln V / d ln rpm at each band, between 0 and 4; 1 (constant slip) where there is nothing to tell."""
    power = np.ones(speed.size)
    known = np.flatnonzero(np.isfinite(rpm) & (speed > 0))
    if known.size >= 2 and np.all(np.diff(rpm[known]) > 0):
        power[known] = np.clip(np.gradient(np.log(speed[known]), np.log(rpm[known])), 0.0, 4.0)
    return power


def _rpm_excess(runs: Runs, speed_kn: FloatArray, band_rpm: FloatArray) -> FloatArray:
    """Return how much faster each run was than its band because its rpm was higher [kn]; 0 where rpm is unknown."""
    band = runs["band"]
    ratio = runs["rpm"] / band_rpm[band]
    ratio = np.where(np.isfinite(ratio), ratio, 1.0)
    return np.asarray(speed_kn[band] * (ratio ** _speed_power(speed_kn, band_rpm)[band] - 1.0), dtype=np.float64)


def _linearise(
    runs: Runs,
    heading_deg: FloatArray,
    measured: BoolArray,
    current_kn: FloatArray,
    speed_kn: FloatArray,
    band_rpm: FloatArray,
    model: CurrentModel,
) -> _Observations:
    band = runs["band"]
    through = runs["ground_kn"] - current_kn
    moved_kn = np.maximum(np.hypot(through[:, 0], through[:, 1]), 0.1)
    ahead = through / moved_kn[:, None]
    abeam = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    excess_kn = _rpm_excess(runs, speed_kn, band_rpm)
    with_heading = np.flatnonzero(np.isfinite(heading_deg))
    direction = np.degrees(np.arctan2(through[:, 1], through[:, 0]))
    turned = np.radians(wrap_deg(direction - heading_deg))[with_heading]
    y_along = np.sum(ahead * runs["ground_kn"], axis=1) - excess_kn
    y_across = moved_kn[with_heading] * turned + np.sum(abeam * current_kn, axis=1)[with_heading]
    n, m = band.size, with_heading.size
    design = np.zeros((n + m, speed_kn.size))
    design[np.arange(n), band] = 1.0
    lever = np.concatenate([np.zeros(n), moved_kn[with_heading]])
    return {
        "y": np.concatenate([y_along, y_across]),
        "design": design,
        "position": np.concatenate([np.arange(n), with_heading]),
        "unit": np.concatenate([ahead, abeam[with_heading]]),
        "across": np.concatenate([np.zeros(n), np.ones(m)]),
        "own_var": np.concatenate([runs["u_kn"], runs["u_kn"][with_heading]]) ** 2,
        "slope_var": np.concatenate([(model.rpm_slope_share * excess_kn) ** 2, np.zeros(m)]),
        "lever_kn": lever,
        "offset_lever_kn": np.where(np.concatenate([np.zeros(n, bool), measured[with_heading]]), lever, 0.0),
    }


def _solve(
    seen: _Observations,
    strengths: Strengths,
    run_h: FloatArray,
    times_h: FloatArray,
    model: CurrentModel,
) -> _Solution:
    tide, wander, scatter, heading = strengths
    y, design, unit = seen["y"], seen["design"], seen["unit"]
    obs_h = run_h[seen["position"]]
    offset_var = np.radians(model.heading_offset_deg) ** 2
    lever = seen["offset_lever_kn"]
    water = current_covariance(obs_h[:, None] - obs_h[None, :], tide, wander, model) * (unit @ unit.T)
    compass = offset_var * np.outer(lever, lever) + np.diag((seen["lever_kn"] * np.radians(heading)) ** 2)
    repeat = np.diag(np.full(y.size, scatter**2))
    covariance = water + compass + repeat + np.diag(seen["own_var"] + seen["slope_var"])
    factor = np.linalg.cholesky(covariance)
    white_design, white_y = np.linalg.solve(factor, design), np.linalg.solve(factor, y)
    normal = white_design.T @ white_design
    cov = np.linalg.inv(normal)
    speed = cov @ (white_design.T @ white_y)
    white_left = white_y - white_design @ speed
    log_likelihood = -0.5 * (
        2.0 * np.log(np.diag(factor)).sum() + np.linalg.slogdet(normal)[1] + float(white_left @ white_left)
    )
    inverse_factor = np.linalg.inv(factor)
    gain = cov @ white_design.T @ inverse_factor
    precision = inverse_factor.T @ inverse_factor
    projected = precision - precision @ design @ gain
    state, state_cov = _predict(seen, strengths, obs_h, times_h, projected, model)
    to_offset = offset_var * lever
    return {
        "log_likelihood": float(log_likelihood),
        "speed": speed,
        "cov": cov,
        "terms": {
            "sampling": np.einsum("bi,i,bi->b", gain, seen["own_var"], gain),
            "repeat": np.einsum("bi,ij,bj->b", gain, repeat, gain),
            "current": np.einsum("bi,ij,bj->b", gain, water, gain),
            "heading": np.einsum("bi,ij,bj->b", gain, compass, gain),
            "rpm match": np.einsum("bi,i,bi->b", gain, seen["slope_var"], gain),
        },
        "state": state,
        "state_cov": state_cov,
        "offset": float(to_offset @ projected @ y),
        "offset_var": float(offset_var - to_offset @ projected @ to_offset),
        "residual": projected @ y / np.sqrt(np.maximum(np.diag(projected), 1e-12)),
        "residual_kn": projected @ y / np.maximum(np.diag(projected), 1e-12),
        "gain": gain,
        "covariance": covariance,
    }


def _predict(
    seen: _Observations,
    strengths: Strengths,
    obs_h: FloatArray,
    times_h: FloatArray,
    projected: FloatArray,
    model: CurrentModel,
) -> tuple[FloatArray, FloatArray]:
    """Return the current at some times, shape (q, 2), and its covariance, shape (q, 2, 2)."""
    lagged = current_covariance(times_h[:, None] - obs_h[None, :], strengths[0], strengths[1], model)
    link = lagged[:, None, :] * seen["unit"].T[None, :, :]
    prior = float(current_covariance(np.zeros(1), strengths[0], strengths[1], model)[0]) * np.eye(2)
    carried = link @ projected
    return carried @ seen["y"], prior[None] - carried @ np.swapaxes(link, 1, 2)


def _average(
    seen: _Observations,
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
        "strengths": dict(zip(STRENGTHS, mean_strengths.tolist(), strict=True)),
    }
