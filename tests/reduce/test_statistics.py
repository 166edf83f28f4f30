"""Helpers every step relies on."""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.engine_readings import thermal_expansion_per_c
from trialcapture.reduce.uncertainty import (
    coverage_factor,
    effective_degrees_of_freedom,
    pooled_scatter,
    weighted_direction_deg,
    weighted_mean,
)


def test_a_mean_of_nothing_is_nan_and_never_zero() -> None:
    assert np.isnan(weighted_mean(np.array([np.nan]), np.ones(1)))
    assert np.isnan(weighted_mean(np.array([1.0]), np.zeros(1)))
    assert np.isnan(weighted_direction_deg(np.array([np.nan]), np.ones(1)))


@pytest.mark.parametrize(
    ("angles", "mean"), [((359.0, 1.0), 0.0), ((350.0, 20.0, 10.0), 6.7050), ((350, 0, 10, 20), 5.0)]
)
def test_directions_are_averaged_round_the_circle(angles: tuple[float, ...], mean: float) -> None:
    found = weighted_direction_deg(np.array(angles, dtype=np.float64), np.ones(len(angles)))
    assert 0.0 <= found < 360.0
    assert (found - mean + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-4)


def test_opposite_directions_have_no_mean() -> None:
    assert np.isnan(weighted_direction_deg(np.array([0.0, 180.0]), np.ones(2)))


def test_few_residuals_lean_on_the_prior_and_many_do_not() -> None:
    assert pooled_scatter(np.array([]), 0, prior_sd=0.005, prior_degrees_of_freedom=3)[0] == pytest.approx(0.005)
    rng = np.random.default_rng(1)
    sd, freedom = pooled_scatter(rng.normal(0, 0.02, 4000), 4000, prior_sd=0.005, prior_degrees_of_freedom=3)
    assert sd == pytest.approx(0.02, rel=0.05)
    assert freedom == 4003


def test_exactly_known_uncertainties_have_infinite_freedom() -> None:
    assert np.isinf(effective_degrees_of_freedom([0.1, 0.2], [np.inf, np.inf]))
    assert coverage_factor(np.inf) == pytest.approx(2.0, abs=1e-4)
    with pytest.raises(ValueError, match="level"):
        coverage_factor(5.0, 1.0)


def test_a_density_no_fuel_has_is_refused_with_what_is_right() -> None:
    with pytest.raises(TrialCaptureError, match=r"0\.84.*kg/m³"):
        thermal_expansion_per_c(0.84)
