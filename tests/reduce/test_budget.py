"""What the uncertainty of fuel and economy is made of, against simulated runs and the `uncertainties` package."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from trialcapture.config import Fuel
from trialcapture.reduce.bands import reduce_fuel
from trialcapture.reduce.budget import economy_budget, range_budget
from trialcapture.reduce.uncertainty import Budget, Term

RPM = np.array([1000.0, 1500.0, 2000.0, 2500.0, 3000.0])
RATE = 60.0 * (RPM / 3000.0) ** 2.7


def both_ways(
    rng: np.random.Generator, *, headwind_share: float, scatter_share: float, axis_deg: float = 40.0
) -> tuple[Any, np.ndarray]:
    """Runs up and down one line, in every band, with their weights; wind adds a share of fuel one way."""
    band = np.repeat(np.arange(RPM.size), 2)
    way = np.tile([1.0, -1.0], RPM.size)
    rate = RATE[band] * (1.0 + headwind_share * way + scatter_share * rng.standard_normal(band.size))
    runs: Any = SimpleNamespace(
        fuel_l_per_h=rate,
        fuel_u_l_per_h=np.full(band.size, 1e-4),
        rpm=RPM[band],
        cog_deg=axis_deg + 90.0 * (1.0 - way) + rng.uniform(-3.0, 3.0, band.size),
    )
    weights = np.where(band[None, :] == np.arange(RPM.size)[:, None], 0.5, 0.0)
    return runs, weights


def test_a_headwind_is_no_scatter_of_the_mean_of_both_ways() -> None:
    rng = np.random.default_rng(1)
    settings = Fuel(uncalibrated_u_pct=0.0)
    calm, windy = (
        np.mean(
            [
                reduce_fuel(*both_ways(rng, headwind_share=share, scatter_share=0.005), RPM, settings).budget.u / RATE
                for _ in range(50)
            ]
        )
        for share in (0.0, 0.04)
    )
    assert windy == pytest.approx(calm, rel=0.1)


@pytest.mark.parametrize("headwind_share", [0.0, 0.03])
def test_the_scatter_of_fuel_is_stated_as_large_as_it_is(headwind_share: float) -> None:
    rng = np.random.default_rng(2)
    z = []
    for _ in range(300):
        runs, weights = both_ways(rng, headwind_share=headwind_share, scatter_share=0.005)
        found = reduce_fuel(runs, weights, RPM, Fuel(uncalibrated_u_pct=0.0))
        z.append((found.rate_l_per_h - RATE) / (found.budget.k / 2.0 * found.budget.u))
    assert 0.93 < np.mean(np.abs(z) < 2.0) < 0.98


def test_a_band_run_one_way_keeps_what_wind_does_to_it() -> None:
    rng = np.random.default_rng(3)
    runs, weights = both_ways(rng, headwind_share=0.03, scatter_share=0.002)
    weights[2] = 0.0
    weights[2, 4] = 1.0
    one_way = SimpleNamespace(**{name: np.delete(values, 5) for name, values in vars(runs).items()})
    found = reduce_fuel(one_way, np.delete(weights, 5, axis=1), RPM, Fuel())
    share = found.budget.term("one way") / found.rate_l_per_h
    assert share[2] == pytest.approx(0.03, abs=0.005)
    assert np.all(np.delete(share, 2) < 0.002)
    # and that is about what its rate is off by
    assert found.rate_l_per_h[2] / RATE[2] - 1.0 == pytest.approx(0.03, abs=0.008)


def test_runs_all_one_way_tell_nothing_of_the_wind() -> None:
    runs, weights = both_ways(np.random.default_rng(4), headwind_share=0.03, scatter_share=0.002)
    forth = SimpleNamespace(**{name: values[::2] for name, values in vars(runs).items()})
    forth.cog_deg = np.full(RPM.size, 40.0)
    found = reduce_fuel(forth, 2.0 * weights[:, ::2], RPM, Fuel())
    assert found.budget.term("one way") == pytest.approx(np.zeros(RPM.size), abs=1e-9)
    assert np.all(np.isfinite(found.budget.u))


def test_bands_without_fuel_leave_the_others_alone() -> None:
    runs, weights = both_ways(np.random.default_rng(5), headwind_share=0.02, scatter_share=0.004)
    runs.fuel_l_per_h[:2] = np.nan
    found = reduce_fuel(runs, weights, RPM, Fuel())
    assert np.isnan(found.rate_l_per_h[0])
    assert np.isnan(found.budget.u[0])
    assert np.all(np.isfinite(found.budget.u[1:]))


def budget_of(**terms: tuple[list[float], bool]) -> Budget:
    return Budget(tuple(Term(name, np.array(u), "made up", common) for name, (u, common) in terms.items()))


def test_economy_counts_what_moves_speed_and_fuel_opposite_ways_once_more() -> None:
    """Against linear propagation with a covariance matrix by the `uncertainties` package."""
    speed, rate, shared = 22.0, 150.0, 0.004
    of_speed = budget_of(repeat=([shared * speed], False), bias=([0.002 * speed], True))
    of_fuel = budget_of(repeat=([shared * rate], False), calibration=([0.025 * rate], True))
    covariance = -(shared**2) * speed * rate
    v, f = correlated_values([speed, rate], [[of_speed.u[0] ** 2, covariance], [covariance, of_fuel.u[0] ** 2]])
    reference = v / f
    found = economy_budget(np.array([speed / rate]), np.array([speed]), of_speed, np.array([rate]), of_fuel)
    assert found.u[0] == pytest.approx(reference.std_dev, rel=1e-6)


def test_an_error_of_the_tachometer_moves_speed_and_fuel_the_same_way() -> None:
    """Against a quotient of two functions of one uncertain engine speed, by the `uncertainties` package."""
    rpm = ufloat(3000.0, 15.0)
    speed, rate = 30.0 * (rpm / 3000.0) ** 1.3, 120.0 * (rpm / 3000.0) ** 2.7
    of_speed, of_fuel = (budget_of(tachometer=([x.std_dev], True), bias=([0.0], True)) for x in (speed, rate))
    found = economy_budget(np.array([30.0 / 120.0]), np.array([30.0]), of_speed, np.array([120.0]), of_fuel)
    assert found.u[0] == pytest.approx((speed / rate).std_dev, rel=1e-6)
    assert found.own_u[0] == 0.0


def test_what_is_common_to_speed_and_fuel_is_no_larger_than_either_repeats() -> None:
    speed_kn, rate = np.array([10.0, 20.0, 30.0]), np.array([50.0, 100.0, np.nan])
    of_speed, of_fuel = budget_of(repeat=([0.05, 0.02, 0.03], False)), budget_of(repeat=([0.1, 0.5, np.nan], False))
    found = economy_budget(speed_kn / rate, speed_kn, of_speed, rate, of_fuel)
    share = found.term("repeat, opposed") / (speed_kn / rate)
    assert share[:2] == pytest.approx([0.002 * np.sqrt(2.0), 0.001 * np.sqrt(2.0)])
    assert np.isnan(share[2])


def test_a_range_holds_the_tank_as_well_as_the_economy() -> None:
    """Against propagation of a product by the `uncertainties` package."""
    settings = Fuel(capacity_l=2000.0, capacity_u_pct=2.0, usable_fraction=0.97, usable_u=0.015)
    economy = budget_of(repeat=([0.004], False), calibration=([0.003], True))
    reference = ufloat(0.2, float(np.hypot(0.004, 0.003))) * ufloat(2000.0, 40.0) * ufloat(0.97, 0.015) * 0.9
    found = range_budget(np.array([0.2]), economy, settings)
    assert found.u[0] == pytest.approx(reference.std_dev, rel=1e-6)
    # only the scatter of the runs is the band's own
    assert found.own_u[0] == pytest.approx(0.004 * 2000.0 * 0.97 * 0.9)
