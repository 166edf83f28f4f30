"""Uncertainty: worked examples of the GUM and the `uncertainties` package.

Source: JCGM 100:2008 (GUM); the data rows are from memory, every derived value was recomputed and agrees.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats
from uncertainties import correlated_values, ufloat, umath

from trialcapture.prepare.sample_statistics import chauvenet_limit, find_chauvenet_outliers
from trialcapture.reduce.budget import economy_budget
from trialcapture.reduce.fuel import economy_nm_per_l
from trialcapture.reduce.uncertainty import (
    Budget,
    Term,
    combine_uncertainties,
    coverage_factor,
    effective_degrees_of_freedom,
    pooled_scatter,
)

GUM_4_4_3_C = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip


def test_mean_and_its_uncertainty_of_gum_4_4_3() -> None:
    t = np.array(GUM_4_4_3_C)
    assert t.mean() == pytest.approx(100.145, abs=5e-4)
    s, freedom = pooled_scatter(t - t.mean(), t.size - 1, prior_sd=0.0, prior_degrees_of_freedom=0.0)
    assert freedom == 19
    assert s == pytest.approx(1.4888, abs=5e-4)
    assert s / np.sqrt(t.size) == pytest.approx(0.3329, abs=5e-4)


def test_welch_satterthwaite_of_gum_g_4_1() -> None:
    u, nu = [0.25, 0.57, 0.82], [9, 4, 14]
    assert combine_uncertainties(*u) == pytest.approx(1.0295, abs=1e-3)
    effective = effective_degrees_of_freedom(u, nu)
    assert effective == pytest.approx(19.0, abs=0.05)
    t95 = coverage_factor(float(np.round(effective)), 0.95)
    assert t95 == pytest.approx(2.0930, abs=1e-3)
    assert t95 * combine_uncertainties(*u) == pytest.approx(2.155, abs=1e-3)


@pytest.mark.parametrize(
    ("freedom", "level", "k"),
    # GUM table G.2, and scipy.stats.t
    [
        (16, 0.95, 2.1199),
        (16, 0.99, 2.9208),
        (5, 0.95, 2.5706),
        (10, 0.9545, 2.28),
        (1, 0.9545, 13.97),
        (50, 0.9545, 2.05),
    ],
)
def test_coverage_factors_of_gum_table_g_2(freedom: int, level: float, k: float) -> None:
    printed = 5e-5 if k != round(k, 2) else 6e-3
    assert coverage_factor(freedom, level) == pytest.approx(k, abs=printed)
    assert coverage_factor(freedom, level) == pytest.approx(stats.t.ppf(0.5 + level / 2, freedom), abs=1e-9)


def test_two_standard_uncertainties_hold_95_45_percent() -> None:
    # GUM 4.3.4 and table G.1
    assert special.ndtr(2.0) - special.ndtr(-2.0) == pytest.approx(0.9545, abs=5e-5)
    assert coverage_factor(np.inf, 0.9545) == pytest.approx(2.0, abs=1e-4)


def test_correlated_inputs_of_gum_h_2_as_the_reference_library_sees_them() -> None:
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    milliampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.vstack([volt, milliampere / 1000, phase])
    v, i, phi = correlated_values(data.mean(axis=1), np.cov(data) / 5)
    resistance = v / i * umath.cos(phi)
    # GUM table H.4
    assert resistance.nominal_value == pytest.approx(127.732, abs=1e-3)
    assert resistance.std_dev == pytest.approx(0.071, abs=1e-3)


def test_reactance_and_impedance_of_gum_h_2_and_their_correlations() -> None:
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    milliampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.vstack([volt, milliampere, phase])
    u = data.std(axis=1, ddof=1) / np.sqrt(5)
    assert u == pytest.approx([0.00321, 0.00947, 0.000752], abs=6e-6)
    r = np.corrcoef(data)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.355, 0.858, -0.645), abs=6e-4)
    v, i, phi = correlated_values(data.mean(axis=1), np.cov(data) / 5)
    for value, mean, spread in ((1000 * v / i * umath.sin(phi), 219.847, 0.295), (1000 * v / i, 254.260, 0.236)):
        assert value.nominal_value == pytest.approx(mean, abs=1e-3)
        assert value.std_dev == pytest.approx(spread, abs=1e-3)


def test_a_double_run_halves_the_variance() -> None:
    # 24.0 and 26.0 kn, 0.10 kn each: 25.00 kn, u 0.0707, U 0.14 (uncertainties package)
    mean = (ufloat(24.0, 0.10) + ufloat(26.0, 0.10)) / 2
    assert (mean.nominal_value, round(2 * mean.std_dev, 2)) == (25.0, 0.14)
    assert combine_uncertainties(0.10 / 2, 0.10 / 2) == pytest.approx(mean.std_dev, abs=1e-12)


def test_economy_carries_both_uncertainties() -> None:
    # 30 kn +/- 0.1, 60 L/h +/- 1.2: 0.5000 nm/L, u 0.01014, U 4.1 % (uncertainties package)
    peer = ufloat(30.0, 0.1) / ufloat(60.0, 1.2)
    speed_kn, rate = np.array([30.0]), np.array([60.0])
    speed, fuel = (Budget((Term("stated", np.array([u]), "worked example"),)) for u in (0.1, 1.2))
    economy = economy_nm_per_l(speed_kn, rate)
    u = economy_budget(economy, speed_kn, speed, rate, fuel).u
    assert economy[0] == pytest.approx(peer.nominal_value, abs=1e-12)
    assert u[0] == pytest.approx(peer.std_dev, abs=1e-12)
    assert u[0] == pytest.approx(0.01014, abs=1e-5)
    assert 200 * u[0] / economy[0] == pytest.approx(4.1, abs=0.05)


def test_power_from_torque_and_revolutions_as_the_reference_library_sees_it() -> None:
    # 800 Nm +/- 8, 3500 rpm +/- 5: 293.22 kW, u 2.96 (uncertainties package; sensitivity by hand)
    power = 2 * np.pi * ufloat(3500, 5) / 60 * ufloat(800, 8) / 1000
    by_hand = power.nominal_value * combine_uncertainties(8 / 800, 5 / 3500)
    assert power.nominal_value == pytest.approx(293.22, abs=0.01)
    assert power.std_dev == pytest.approx(2.96, abs=0.01)
    assert by_hand == pytest.approx(power.std_dev, rel=1e-9)


@pytest.mark.parametrize(
    ("n", "z"),
    # scipy.stats.norm.ppf(1 - 1/(4 n)); the criterion is the one ISO 19030-2 names (from memory)
    [(5, 1.6449), (10, 1.9600), (20, 2.2414), (50, 2.5758), (100, 2.8070), (600, 3.3415), (1200, 3.5293)],
)
def test_limits_of_chauvenets_criterion(n: int, z: float) -> None:
    assert chauvenet_limit(n) == pytest.approx(z, abs=1e-4)
    assert n * special.erfc(chauvenet_limit(n) / np.sqrt(2)) == pytest.approx(0.5, abs=1e-9)


def test_chauvenet_takes_the_odd_one_out_once_with_the_sample_deviation() -> None:
    # nine tens and a twenty: mean 11, s (n-1) 3.1623, z 2.846 > 1.960 (exact arithmetic)
    values = [10.0] * 9 + [20.0]
    assert find_chauvenet_outliers(values).tolist() == [False] * 9 + [True]
    assert not find_chauvenet_outliers([*values[:4], np.nan]).any()
    assert not find_chauvenet_outliers([10.0] * 50).any()
