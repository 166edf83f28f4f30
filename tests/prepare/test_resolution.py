"""The least count of a channel and what rounding leaves open in a mean: against the theory of quantisation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.prepare.channels.engine_readings import slope_of_total
from trialcapture.prepare.channels.resolution import (
    NEGLIGIBLE_COUNTS,
    Resolution,
    counter_u_l_per_h,
    find_resolution,
    rounding_u,
)
from trialcapture.units import convert

RNG = np.random.default_rng(5)
DAY = np.concatenate([np.linspace(2.0, 60.0, 500), np.full(200, 12.4), np.full(200, 33.3)])
"""Fuel rates of a trial [l/h]: a slow run and two holds."""


@pytest.mark.parametrize(
    ("shown", "count"),
    [
        (np.rint(DAY), 1.0),
        (np.rint(2.0 * DAY) / 2.0, 0.5),
        (np.round(DAY, 1), 0.1),
        (convert(np.rint(convert(DAY, "l/h", "US gal/h")), "US gal/h", "l/h"), 3.785411784),
        (np.round(convert(np.rint(convert(DAY, "l/h", "US gal/h")), "US gal/h", "l/h"), 1), 3.785411784),
        (50.0 * np.rint(DAY) + 7.0, 50.0),
    ],
    ids=["whole", "half", "tenth", "gallons", "gallons kept to a tenth of a litre", "offset"],
)
def test_the_least_count_is_found_in_any_unit(shown: np.ndarray, count: float) -> None:
    assert find_resolution("fuel", "l/h", shown).least_count == pytest.approx(count, rel=2e-3)


def test_a_signal_without_a_count_has_none_and_a_stray_reading_does_not_hide_one() -> None:
    assert find_resolution("fuel", "l/h", DAY + RNG.normal(0.0, 0.3, DAY.size)).least_count == 0.0
    assert find_resolution("fuel", "l/h", np.append(np.rint(DAY), [12.37, 33.09])).least_count == pytest.approx(1.0)
    assert find_resolution("fuel", "l/h", np.full(100, 12.0)).least_count == 0.0


def test_a_logger_with_two_significant_digits_counts_in_larger_steps_where_values_are_larger() -> None:
    rates = np.linspace(2.0, 95.0, 4000)
    shown = np.where(rates < 10.0, np.round(rates, 1), np.rint(rates))
    resolution = find_resolution("fuel", "l/h", shown)
    assert resolution.count_near(4.0) == pytest.approx(0.1)
    assert resolution.count_near(40.0) == pytest.approx(1.0)


def test_readings_at_one_count_leave_a_rectangle_however_many_there_are() -> None:
    # GUM (JCGM 100:2008) F.2.2.1: u = δx / √12 = 0.29 δx
    for n in (10, 10_000):
        assert rounding_u(np.full(n, 12.0), 1.0) == pytest.approx(0.29, abs=0.005)
        assert rounding_u(np.full(n, 12.5), 0.5, origin=1.0) == pytest.approx(0.5 / np.sqrt(12.0))


@given(st.floats(0.0, 0.999), st.floats(0.6, 3.0))
@settings(max_examples=40, deadline=None)
def test_what_dithers_over_its_counts_leaves_nothing(offset: float, spread: float) -> None:
    # for a normal spread of 0.6 counts the amplitude of the mean's error is exp(-2π² 0.36) / π = 0.0003 counts
    readings = np.rint(12.0 + offset + spread * np.random.default_rng(1).standard_normal(4000))
    assert rounding_u(readings, 1.0) == 0.0


@pytest.mark.parametrize("spread", [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5])
def test_twice_the_uncertainty_holds_the_error_of_the_mean_of_rounded_readings(spread: float) -> None:
    rng = np.random.default_rng(int(1000 * spread))
    inside, sizes = [], []
    for _ in range(600):
        true = rng.uniform(10.0, 20.0) + spread * rng.standard_normal(900)
        shown = np.rint(true)
        u = rounding_u(shown, 1.0)
        # what 900 rounded readings scatter by is sampling, and stands elsewhere in the budget
        sampling = 2.0 * np.sqrt(1.0 / 12.0 / 900.0)
        inside.append(abs(shown.mean() - true.mean()) <= 2.0 * u + sampling + NEGLIGIBLE_COUNTS)
        sizes.append(u)
    assert np.mean(inside) >= 0.95
    assert np.sqrt(np.mean(np.square(sizes))) <= 1.0 / np.sqrt(12.0) + 1e-9


def test_a_total_that_counts_in_tenths_leaves_what_its_slope_shows_against_the_truth() -> None:
    t_s = np.arange(0.0, 400.0)
    t_ns = (t_s * 1e9).astype(np.int64)
    for count, usual in ((0.1, 20.0), (0.5, 20.0), (0.02, 4.0)):
        found = []
        # rates far apart, so that a hold is no whole number of counts
        for phase, rate in zip(RNG.uniform(0.0, count, 80), usual * RNG.uniform(0.5, 1.5, 80), strict=True):
            total = np.floor((phase + rate / 3600.0 * t_s) / count) * count
            slope = slope_of_total(t_ns, total)
            found.append((slope[100:190].mean() - rate) / counter_u_l_per_h(count, rate, 90.0, 30.0))
        # where several counts pass in a window it may be stated too large, never too small
        assert 0.4 <= np.sqrt(np.mean(np.square(found))) <= 1.4


def test_two_meters_leave_more_than_one_and_a_deadband_more_than_rounding() -> None:
    steady = np.full(500, 12.0)
    levels = np.arange(1.0, 40.0)
    one = Resolution("fuel", "l/h", levels, 1.0).u_of_mean(steady, 50.0, 0.003)
    both = Resolution("fuel", "l/h", levels, 1.0, meters=2).u_of_mean(steady, 50.0, 0.003)
    held = Resolution("fuel", "l/h", levels, 1.0, deadband=1.0).u_of_mean(steady, 50.0, 0.003)
    assert both == pytest.approx(np.sqrt(2.0) * one)
    # anywhere within one deadband to either side: a rectangle of half width 1
    assert held == pytest.approx(1.0 / np.sqrt(3.0))
