"""Robust least squares finds the same place as SciPy's, with outliers and with bounds, and says where it cannot."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares

from trialcapture.prepare.clocks.log_match import Model, RobustFit, fit_robustly

Floats = npt.NDArray[np.float64]
FREE = np.full(3, np.inf)


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


def scipy_fit(model: Model, start: Floats, low: Floats, high: Floats, soft: float) -> tuple[Floats, float, Floats]:
    """SciPy's place, cost and Gauss-Newton curvature."""

    def residual(p: Floats) -> Floats:
        return model(p)[0]

    def slopes(p: Floats, *_: object) -> Floats:
        return model(p)[1].T

    found = least_squares(
        residual, start, slopes, bounds=(low, high), loss="soft_l1", f_scale=soft, ftol=1e-15, xtol=1e-15,
        gtol=1e-15, max_nfev=2000,
    )  # fmt: skip
    jacobian = np.asarray(found.jac, dtype=np.float64)
    return found.x, float(found.cost), jacobian.T @ jacobian


def settled(fit: RobustFit | None) -> RobustFit:
    assert fit is not None
    return fit


def cost(residual: Floats, soft: float) -> float:
    return float((soft**2 * (np.sqrt(1.0 + (residual / soft) ** 2) - 1.0)).sum())


@pytest.mark.parametrize("seed", range(40))
def test_place_cost_and_curvature_are_those_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = np.array([rng.uniform(1.0, 1000.0), rng.uniform(-2.0, 2.0), rng.uniform(0.5, 3.0)])
    sd = truth[0] * rng.uniform(0.001, 0.05)
    model = bell(rng, truth, sd)
    start = truth * rng.uniform(0.8, 1.2, 3) + np.array([0.0, rng.normal(0.0, 0.2), 0.0])
    low, high = np.array([0.0, -5.0, 0.1]), np.array([5000.0, 5.0, 10.0])
    fit = settled(fit_robustly(model, start, low, high, 3.0 * sd))
    at, least, curvature = scipy_fit(model, start, low, high, 3.0 * sd)
    u = np.sqrt(np.diag(np.linalg.inv(fit.curvature))) * sd
    assert np.all(np.abs(fit.at - at) < 1e-4 * u)
    assert cost(fit.residual, 3.0 * sd) == pytest.approx(least, rel=1e-9)
    assert fit.curvature == pytest.approx(curvature, rel=1e-3, abs=1e-6 * np.abs(curvature).max())


@pytest.mark.parametrize("seed", range(20))
def test_where_the_best_place_lies_beyond_bounds_the_fit_is_scipys_on_the_bound(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = np.array([50.0, rng.uniform(-1.0, 1.0), rng.uniform(1.0, 2.0)])
    model = bell(rng, truth, 1.0)
    low, high = truth - np.array([40.0, 1.0, 0.9]), truth + np.array([40.0, 1.0, 0.9])
    side = rng.integers(0, 2, 3).astype(np.bool_) & np.array([seed % 2 == 0, True, True])
    high = np.where(side, truth - np.array([5.0, 0.1, 0.1]), high)
    start = 0.5 * (low + high)
    fit = settled(fit_robustly(model, start, low, high, 3.0))
    at, least, _ = scipy_fit(model, start, low, high, 3.0)
    assert np.all((fit.at >= low) & (fit.at <= high))
    assert cost(fit.residual, 3.0) <= least * (1.0 + 1e-9)
    assert fit.at == pytest.approx(at, abs=1e-3)


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


def test_a_model_that_never_gets_better_ends_where_it_began_and_an_endless_slope_is_no_fit() -> None:
    def unknown(p: Floats) -> tuple[Floats, Floats]:
        return (np.full(5, np.nan) if p[0] != 1.0 else np.ones(5)), np.ones((1, 5))

    stuck = settled(fit_robustly(unknown, np.ones(1), np.full(1, -9.0), np.full(1, 9.0), 1.0))
    assert stuck.at == pytest.approx([1.0])

    def endless(p: Floats) -> tuple[Floats, Floats]:
        return np.exp(-p), -np.exp(-p)[None, :]

    assert fit_robustly(endless, np.zeros(1), np.full(1, -np.inf), np.full(1, np.inf), np.inf) is None
