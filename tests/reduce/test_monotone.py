"""The monotone cubic against SciPy's PchipInterpolator, a general-purpose reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from trialcapture.reduce.monotone import monotone_curve


@pytest.mark.parametrize("seed", range(60))
def test_it_is_the_curve_of_the_reference(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 14))
    x = np.cumsum(rng.uniform(0.05, 4.0, n))
    y = rng.normal(0.0, 1.0, n) if seed % 3 else np.round(rng.normal(0.0, 1.0, n))
    at = np.unique(np.concatenate([np.linspace(x[0], x[-1], 501), x]))
    assert np.allclose(monotone_curve(x, y, at), PchipInterpolator(x, y)(at), rtol=0.0, atol=1e-12)


def test_it_stays_between_its_neighbours() -> None:
    x = np.array([0.0, 1.0, 1.1, 4.0, 9.0])
    y = np.array([0.2, 0.9, 0.9, 0.1, 0.3])
    at = np.linspace(0.0, 9.0, 4001)
    left = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
    low, high = np.minimum(y[left], y[left + 1]), np.maximum(y[left], y[left + 1])
    curve = monotone_curve(x, y, at)
    assert np.all(curve >= low - 1e-12)
    assert np.all(curve <= high + 1e-12)


def test_it_goes_through_its_points() -> None:
    x, y = np.array([1.0, 2.0, 4.0]), np.array([3.0, 5.0, 4.0])
    assert np.array_equal(monotone_curve(x, y, x[:2]), y[:2])
    assert monotone_curve(x, y, x[2:])[0] == pytest.approx(4.0, abs=1e-15)


def test_two_points_give_their_straight_line() -> None:
    assert monotone_curve(np.array([2.0, 4.0]), np.array([1.0, 2.0]), np.array([2.5, 3.0])).tolist() == [1.25, 1.5]
