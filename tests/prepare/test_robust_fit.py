"""Robust least squares: outliers hardly count, bounds hold, and a fit that does not converge is none."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from trialcapture.prepare.clocks.log_match import Model, RobustFit, fit_robustly

Floats = npt.NDArray[np.float64]


def bell(rng: np.random.Generator, truth: Floats, sd: float) -> Model:
    """A bell of height, place and width under noise, one reading in ten an outlier."""
    x = np.linspace(-5.0, 5.0, 200)
    seen = truth[0] * np.exp(-(((x - truth[1]) / truth[2]) ** 2)) + rng.normal(0.0, sd, x.size)
    seen[::10] += rng.normal(0.0, 30.0 * sd, seen[::10].size)

    def model(p: Floats) -> tuple[Floats, Floats]:
        away = (x - p[1]) / p[2]
        shape = np.exp(-(away**2))
        rise = 2.0 * p[0] * shape * away / p[2]
        return p[0] * shape - seen, np.stack([shape, rise, rise * away])

    return model


def settled(fit: RobustFit | None) -> RobustFit:
    assert fit is not None
    return fit


def cost(residual: Floats, soft: float) -> float:
    return float((soft**2 * (np.sqrt(1.0 + (residual / soft) ** 2) - 1.0)).sum())


@pytest.mark.parametrize("seed", range(20))
def test_truth_comes_back_within_its_uncertainty_though_one_reading_in_ten_is_an_outlier(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = np.array([rng.uniform(1.0, 1000.0), rng.uniform(-2.0, 2.0), rng.uniform(0.5, 3.0)])
    sd = truth[0] * rng.uniform(0.001, 0.05)
    start = truth * rng.uniform(0.8, 1.2, 3) + np.array([0.0, rng.normal(0.0, 0.2), 0.0])
    low, high = np.array([0.0, -5.0, 0.1]), np.array([5000.0, 5.0, 10.0])
    fit = settled(fit_robustly(bell(rng, truth, sd), start, low, high, 3.0 * sd))
    u = np.sqrt(np.diag(np.linalg.inv(fit.curvature))) * sd
    # 60 values in all: one normal value in 390 000 lies beyond 4.5 u
    assert np.all(np.abs(fit.at - truth) < 4.5 * u)


@pytest.mark.parametrize("seed", range(20))
def test_where_the_best_place_lies_beyond_bounds_the_fit_lies_on_them_and_no_place_near_costs_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = np.array([50.0, rng.uniform(-1.0, 1.0), rng.uniform(1.0, 2.0)])
    model = bell(rng, truth, 1.0)
    low, high = truth - np.array([40.0, 1.0, 0.9]), truth + np.array([40.0, 1.0, 0.9])
    side = rng.integers(0, 2, 3).astype(np.bool_) & np.array([seed % 2 == 0, True, True])
    high = np.where(side, truth - np.array([5.0, 0.1, 0.1]), high)
    fit = settled(fit_robustly(model, 0.5 * (low + high), low, high, 3.0))
    assert np.all((fit.at >= low) & (fit.at <= high))
    least = cost(fit.residual, 3.0)
    for k in range(3):
        for way in (-1.0, 1.0):
            near = fit.at.copy()
            near[k] = np.clip(near[k] + way * 1e-3 * (high[k] - low[k]), low[k], high[k])
            assert least <= cost(model(near)[0], 3.0) * (1.0 + 1e-9)


def test_a_start_outside_the_bounds_is_moved_inside() -> None:
    model = bell(np.random.default_rng(1), np.array([50.0, 0.5, 1.5]), 1.0)
    low, high = np.array([0.0, -2.0, 0.5]), np.array([100.0, 2.0, 3.0])
    inside = settled(fit_robustly(model, np.array([60.0, 0.0, 1.0]), low, high, 3.0))
    outside = settled(fit_robustly(model, np.array([60.0, 0.0, 0.1]), low, high, 3.0))
    assert outside.at == pytest.approx(inside.at, abs=1e-6)


def test_outliers_hardly_move_it_where_squares_would() -> None:
    x = np.arange(100.0)
    seen = 2.0 + 0.5 * x
    seen[:10] += 1000.0

    def line(p: Floats) -> tuple[Floats, Floats]:
        return p[0] + p[1] * x - seen, np.stack([np.ones(x.size), x])

    wide = np.full(2, np.inf)
    robust = settled(fit_robustly(line, np.zeros(2), -wide, wide, 1.0))
    plain = settled(fit_robustly(line, np.zeros(2), -wide, wide, np.inf))
    assert robust.at == pytest.approx([2.0, 0.5], abs=1.0)
    assert plain.at == pytest.approx(np.polynomial.polynomial.polyfit(x, seen, 1), rel=1e-6)
    assert abs(plain.at[0] - 2.0) > 100.0


def test_a_parameter_without_effect_stays_where_it_was() -> None:
    def model(p: Floats) -> tuple[Floats, Floats]:
        return np.array([p[0] - 3.0, p[0] - 5.0]), np.array([[1.0, 1.0], [0.0, 0.0]])

    fit = settled(fit_robustly(model, np.array([0.0, 7.0]), np.full(2, -10.0), np.full(2, 10.0), np.inf))
    assert fit.at == pytest.approx([4.0, 7.0], abs=1e-6)


def test_an_endless_slope_is_no_fit() -> None:
    def endless(p: Floats) -> tuple[Floats, Floats]:
        return np.exp(-p), -np.exp(-p)[None, :]

    assert fit_robustly(endless, np.zeros(1), np.full(1, -np.inf), np.full(1, np.inf), np.inf) is None
