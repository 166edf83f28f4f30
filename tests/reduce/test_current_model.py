"""The averaging over strengths of current, scatter and compass error."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from trialcapture.reduce.uncertainty import coverage_factor
from trialcapture.reduce.vectorfit import (
    CurrentCovariance,
    CurrentModel,
    Strengths,
    find_best,
    find_likely,
    match_scatter,
    raise_constant,
    refine_scatter,
    strength_axes,
)


def peaked(at: Strengths, sharpness: float, seen: list[Strengths] | None = None):  # type: ignore[no-untyped-def]
    def log_likelihood(strengths: Strengths) -> float:
        if seen is not None:
            seen.append(strengths)
        return -sharpness * float(np.sum(np.square(np.log(np.array(strengths) / np.array(at)))))

    return log_likelihood


@pytest.mark.parametrize("sharpness", [0.0, 0.3, 3.0])
def test_the_search_finds_what_the_whole_grid_holds(sharpness: float) -> None:
    axes = strength_axes(CurrentModel(), True)
    function = peaked((0.6, 0.01, 0.15, 5.0), sharpness)
    best = find_best(axes, function, (0, 3, 3, 0))
    found, share, log_scatter = find_likely(axes, function, best, 1e-3)
    whole = {
        tuple(v for v, _ in point): function(tuple(v for v, _ in point)) + sum(np.log(w) for _, w in point)  # type: ignore[arg-type]
        for point in product(*axes)
    }
    top = max(whole.values())
    kept = {k for k, v in whole.items() if v >= top + np.log(1e-3)}
    assert set(found) == kept
    weights = np.array([np.exp(whole[k] - top) for k in found])
    assert share == pytest.approx(weights / weights.sum())
    assert whole[tuple(axis[k][0] for axis, k in zip(axes, best, strict=True))] == top
    for k, (scatter, _) in enumerate(axes[2]):
        summed = np.log(sum(np.exp(v - top) for strengths, v in whole.items() if strengths[2] == scatter))
        # what was not looked at is negligible
        assert np.exp(log_scatter[k]) == pytest.approx(np.exp(summed), rel=0.02, abs=0.02)


def test_a_sharp_likelihood_leaves_most_of_the_grid_alone() -> None:
    seen: list[Strengths] = []
    axes = strength_axes(CurrentModel(), True)
    find_likely(axes, peaked((0.6, 0.01, 0.1265, 5.0), 50.0, seen), (2, 0, 3, 2), 1e-3)
    assert len(seen) < 20


def test_the_climb_looks_at_few_combinations() -> None:
    seen: list[Strengths] = []
    axes = strength_axes(CurrentModel(), True)
    best = find_best(axes, peaked((0.6, 0.01, 0.1265, 5.0), 50.0, seen), (0, 3, 0, 0))
    assert best == (2, 0, 3, 2)
    assert len(set(seen)) < 25


def test_the_beliefs_are_probabilities_and_the_tide_curves_like_the_lunar_one() -> None:
    for has_heading in (True, False):
        for axis in strength_axes(CurrentModel(), has_heading):
            assert sum(weight for _, weight in axis) == pytest.approx(1.0)
            values = [value for value, _ in axis]
            assert values == sorted(values)
    # a sinusoid of period T has the covariance cos(2 pi lag / T); its curvature at lag 0 is that of the model
    model, lag = CurrentModel(constant_kn=0.0), np.array([0.0, 0.1])
    tide = CurrentCovariance(lag, model).at(1.0, 0.0)
    assert tide == pytest.approx(np.cos(2 * np.pi * lag / 12.4206), abs=1e-6)


def test_a_current_that_was_found_makes_room_for_itself_and_a_weak_one_changes_nothing() -> None:
    model = CurrentModel()
    weak, strong = np.array([[0.1, 0.1], [0.1, -0.1]]), np.array([[0.0, 2.0], [0.2, 2.0]])
    assert raise_constant(model, weak) == model
    raised = raise_constant(model, strong).constant_kn
    # what is pulled towards nothing is 1/(1 + room²) of what one equation of equal worth shows
    assert raised > 2.5 * 2.0


SCATTERS_KN = np.array(CurrentModel().scatter_kn)


def student(log_share: np.ndarray) -> tuple[float, float]:
    return match_scatter(*refine_scatter(SCATTERS_KN, log_share))


def inverse_chi_square(scatter_kn: np.ndarray, freedom: float, scale_kn: float) -> np.ndarray:
    """Logarithm of the scaled inverse chi-square density on the logarithm of the scatter, but for a constant."""
    return freedom * (np.log(scale_kn / scatter_kn) - (scale_kn / scatter_kn) ** 2 / 2.0)


@pytest.mark.parametrize(("freedom", "scale_kn"), [(2.0, 0.1), (4.0, 0.05), (8.0, 0.17), (30.0, 0.13), (60.0, 0.3)])
def test_a_scatter_known_by_its_own_law_gives_that_law_back(freedom: float, scale_kn: float) -> None:
    # a normal mean of a normal variance so known errs as Student's t of the same scale and freedom: Gelman et al. 3.2
    scale, found = student(inverse_chi_square(SCATTERS_KN, freedom, scale_kn))
    assert scale == pytest.approx(scale_kn, rel=0.02)
    # of two degrees of freedom 1.6 % lie above 0.8 kn, which is not believed
    assert found == pytest.approx(freedom, rel=0.16 if freedom == 2.0 else 0.03)


def test_values_that_the_search_left_out_change_little() -> None:
    whole = inverse_chi_square(SCATTERS_KN, 20.0, 0.11)
    seen = np.where(whole > whole.max() - 20.0, whole, -np.inf)
    assert 2 < np.isfinite(seen).sum() < SCATTERS_KN.size
    assert student(seen) == pytest.approx(student(whole), rel=0.05)


def test_a_scatter_in_two_heaps_is_as_wide_as_both() -> None:
    # half of the trials scatter by about 0.06 kn, half by about 0.25 kn, each known by 12 runs
    laws = [inverse_chi_square(SCATTERS_KN, 12.0, scale_kn) for scale_kn in (0.06, 0.25)]
    scale, freedom = student(np.logaddexp(*laws))
    generator = np.random.default_rng(20261130)
    scatter = np.array([0.06, 0.25]) / np.sqrt(generator.chisquare(12.0, (100_000, 2)) / 12.0)
    errors = generator.normal(0.0, 1.0, scatter.shape) * scatter
    assert np.mean(np.abs(errors) <= scale * coverage_factor(freedom)) == pytest.approx(0.9545, abs=0.005)


def test_a_scatter_of_one_value_is_certain() -> None:
    alone = np.full(7, -np.inf)
    alone[3] = 0.0
    assert student(alone) == (pytest.approx(SCATTERS_KN[3], rel=1e-4), np.inf)
