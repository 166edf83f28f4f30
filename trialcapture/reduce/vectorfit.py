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

from trialcapture.reduce.current_model import STRENGTHS, CurrentModel, Strengths, current_covariance, strength_grid
from trialcapture.reduce.observations import Observations, linearise
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import FloatArray

NEGLIGIBLE_SHARE = 1e-4
"""A combination this much less likely than the best one is left out of the average."""


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


class _White(TypedDict):
    water: FloatArray
    compass: FloatArray
    scatter_var: float
    factor: FloatArray
    gain: FloatArray
    speed: FloatArray
    log_likelihood: float


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
            seen = linearise(runs, heading, measured, current, speed, band_rpm_mean, model)
            solved = _solve(seen, centre, runs["mid_h"], times, model)
            step = float(np.abs(solved["state"][: current.shape[0]] - current).max())
            current, speed = solved["state"][: current.shape[0]], solved["speed"]
            if step < 1e-6:
                break
        seen = linearise(runs, heading, measured, current, speed, band_rpm_mean, model)
        likely = [_whiten(seen, strengths, runs["mid_h"], model)["log_likelihood"] for strengths, _ in grid]
        share = _shares(np.array(likely), np.array([weight for _, weight in grid]))
        best = grid[int(np.argmax(share))][0]
        if best == centre and sweep:
            break
        centre = best
    kept = np.flatnonzero(share >= NEGLIGIBLE_SHARE * share.max())
    solutions = [_solve(seen, grid[k][0], runs["mid_h"], times, model) for k in kept]
    return _average(seen, solutions, share[kept] / share[kept].sum(), [grid[k][0] for k in kept], current.shape[0])


def _shares(log_likelihood: FloatArray, prior: FloatArray) -> FloatArray:
    posterior = np.exp(log_likelihood - log_likelihood.max()) * prior
    return np.asarray(posterior / posterior.sum(), dtype=np.float64)


def _whiten(seen: Observations, strengths: Strengths, run_h: FloatArray, model: CurrentModel) -> _White:
    """Return the covariance of the equations, and with it band speeds and restricted likelihood."""
    tide, wander, scatter, heading = strengths
    unit, lever, obs_h = seen["unit"], seen["offset_lever_kn"], run_h[seen["position"]]
    water = current_covariance(obs_h[:, None] - obs_h[None, :], tide, wander, model) * (unit @ unit.T)
    compass = np.radians(model.heading_offset_deg) ** 2 * np.outer(lever, lever)
    compass += np.diag((seen["lever_kn"] * np.radians(heading)) ** 2)
    own = seen["own_var"] + seen["slope_var"] + scatter**2
    factor = np.linalg.cholesky(water + compass + np.diag(own))
    design, y = np.linalg.solve(factor, seen["design"]), np.linalg.solve(factor, seen["y"])
    normal = design.T @ design
    cov = np.linalg.inv(normal)
    speed = cov @ (design.T @ y)
    left = y - design @ speed
    spread = 2.0 * np.log(np.diag(factor)).sum() + np.linalg.slogdet(normal)[1]
    return {
        "water": water,
        "compass": compass,
        "scatter_var": scatter**2,
        "factor": factor,
        "gain": cov @ np.linalg.solve(factor.T, design).T,
        "speed": speed,
        "log_likelihood": float(-0.5 * (spread + left @ left)),
    }


def _solve(
    seen: Observations, strengths: Strengths, run_h: FloatArray, times_h: FloatArray, model: CurrentModel
) -> _Solution:
    white = _whiten(seen, strengths, run_h, model)
    gain, y, design = white["gain"], seen["y"], seen["design"]
    inverse_factor = np.linalg.inv(white["factor"])
    precision = inverse_factor.T @ inverse_factor
    projected = precision - precision @ design @ gain
    state, state_cov = _predict(seen, strengths, run_h[seen["position"]], times_h, projected, model)
    offset_var = np.radians(model.heading_offset_deg) ** 2
    to_offset = offset_var * seen["offset_lever_kn"]
    left, own = projected @ y, np.maximum(np.diag(projected), 1e-12)
    return {
        "speed": white["speed"],
        "terms": {
            "sampling": (gain**2) @ seen["own_var"],
            "repeat": np.sum(gain**2, axis=1) * white["scatter_var"],
            "current": np.sum((gain @ white["water"]) * gain, axis=1),
            "heading": np.sum((gain @ white["compass"]) * gain, axis=1),
            "rpm match": (gain**2) @ seen["slope_var"],
        },
        "state": state,
        "state_cov": state_cov,
        "offset": float(to_offset @ left),
        "offset_var": float(offset_var - to_offset @ projected @ to_offset),
        "residual": left / np.sqrt(own),
        "residual_kn": left / own,
        "gain": gain,
        "covariance": white["factor"] @ white["factor"].T,
    }


def _predict(
    seen: Observations,
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
