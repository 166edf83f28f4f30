"""The averaging over strengths of current, scatter and compass error."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from trialcapture.reduce.vectorfit import (
    CurrentCovariance,
    CurrentModel,
    Strengths,
    find_likely,
    raise_constant,
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
    found, share, best = find_likely(axes, function, (0, 3, 0, 0), 1e-3)
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


def test_a_sharp_likelihood_leaves_most_of_the_grid_alone() -> None:
    seen: list[Strengths] = []
    axes = strength_axes(CurrentModel(), True)
    find_likely(axes, peaked((0.6, 0.01, 0.15, 5.0), 50.0, seen), (2, 0, 3, 2), 1e-3)
    assert len(seen) < 20


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
