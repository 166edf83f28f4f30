"""Helpers every step relies on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.engine_readings import thermal_expansion_per_c
from trialcapture.reduce.uncertainty import (
    ComparedValue,
    compare_values,
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


def test_what_two_bands_have_in_common_leaves_their_comparison() -> None:
    """Against linear propagation with the shared error as one variable, by the `uncertainties` package."""
    calibration = ufloat(1.0, 0.018)
    a, b = ufloat(0.41, 0.0017) * calibration, ufloat(0.425, 0.0018) * calibration
    first, second = (
        ComparedValue(x.nominal_value, own, 0.018 * x.nominal_value) for x, own in ((a, 0.0017), (b, 0.0018))
    )
    found = compare_values(first, second)
    assert found.ratio_u == pytest.approx((b / a).std_dev, rel=1e-9)
    assert found.difference_u == pytest.approx((b - a).std_dev, rel=1e-9)
    assert found.is_real
    # the same two values by two meters are within noise
    apart = compare_values(first, second, same_errors=False)
    by_two = [ufloat(x.value, np.hypot(x.own_u, x.common_u)) for x in (first, second)]
    assert apart.ratio_u == pytest.approx((by_two[1] / by_two[0]).std_dev, rel=1e-9)
    assert not apart.is_real


def test_an_error_in_knots_leaves_the_difference_and_not_wholly_the_ratio() -> None:
    bias = ufloat(0.0, 0.05)
    a, b = ufloat(8.0, 0.02) + bias, ufloat(24.0, 0.03) + bias
    found = compare_values(ComparedValue(8.0, 0.02, 0.05), ComparedValue(24.0, 0.03, 0.05))
    assert found.difference_u == pytest.approx((b - a).std_dev, rel=1e-9)
    assert found.ratio_u == pytest.approx((b / a).std_dev, rel=1e-9)


@pytest.mark.parametrize(("apart", "is_real"), [(0.0199, False), (0.0203, True)])
def test_two_values_differ_from_twice_the_uncertainty_of_their_ratio_on(apart: float, is_real: bool) -> None:
    u, ratio = 0.01 / np.sqrt(2.0), 1.0 + apart
    first, second = ComparedValue(1.0, u, 0.3), ComparedValue(ratio, u * ratio, 0.3 * ratio)
    assert compare_values(first, second).is_real is is_real
    assert compare_values(second, first).is_real is is_real


def test_few_degrees_of_freedom_ask_for_a_larger_difference() -> None:
    first, second = ComparedValue(1.0, 0.01, 0.0, 2.0), ComparedValue(1.04, 0.01, 0.0, 2.0)
    found = compare_values(first, second)
    # two equal uncertainties of 2 degrees of freedom each make 4 (Welch-Satterthwaite)
    assert found.k == pytest.approx(float(coverage_factor(4.0)), rel=0.01)
    assert not found.is_real
    assert compare_values(replace(first, own_freedom=np.inf), replace(second, own_freedom=np.inf)).is_real
