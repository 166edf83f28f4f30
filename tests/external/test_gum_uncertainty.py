"""Uncertainty: worked examples of the GUM (JCGM 100:2008) and the `uncertainties` package, each by our own code.

Data and results are those printed in JCGM 100:2008, 4.4.3, annex G and annex H.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats
from uncertainties import ufloat

from trialcapture.measure.steady_bands import fit_line
from trialcapture.prepare.sample_statistics import chauvenet_limit, find_chauvenet_outliers
from trialcapture.reduce.budget import economy_budget
from trialcapture.reduce.engine_checks import economy_nm_per_l
from trialcapture.reduce.runs import alternating_weights
from trialcapture.reduce.uncertainty import (
    Budget,
    ComparedValue,
    Term,
    combine_uncertainties,
    compare_values,
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
    assert coverage_factor(np.inf, 0.9545) == pytest.approx(2.0, abs=1e-4)


def test_a_quotient_of_correlated_inputs_of_gum_h_2() -> None:
    # the impedance V / I of five sets of readings; economy is a quotient of the same kind, of speed and fuel rate
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000.0
    u = [pooled_scatter(x - x.mean(), 4, prior_sd=0.0, prior_degrees_of_freedom=0.0)[0] for x in (volt, ampere)] / (
        np.sqrt(5.0)
    )
    # table H.2 and H.3
    assert u == pytest.approx([0.00321, 0.00947e-3], rel=2e-3)
    # table H.2: the readings err against each other, r = -0.355; that part stands in both budgets as "repeat"
    whole = u / np.array([volt.mean(), ampere.mean()])
    opposed = np.sqrt(0.355 * whole.prod())
    rest = np.sqrt(whole**2 - opposed**2)

    def budget(mean: float, own: float) -> Budget:
        terms = {"repeat": opposed, "rest": own}
        return Budget(tuple(Term(name, np.array([mean * share]), "", freedom=4.0) for name, share in terms.items()))

    means = np.array([volt.mean()]), np.array([ampere.mean()])
    impedance = economy_nm_per_l(*means)
    found = economy_budget(impedance, means[0], budget(volt.mean(), rest[0]), means[1], budget(ampere.mean(), rest[1]))
    # table H.4
    assert impedance[0] == pytest.approx(254.260, abs=1e-3)
    assert found.u[0] == pytest.approx(0.236, abs=1e-3)


# Table H.1 of GUM H.1, calibration of an end gauge: standard uncertainty [nm] and degrees of freedom of each cause.
# Those of 0 nm count in second order only.
END_GAUGE = {
    "calibration of the standard": (25.0, 18.0),
    "difference, repeated observations": (5.8, 24.0),
    "comparator, random": (3.9, 5.0),
    "comparator, systematic": (6.7, 8.0),
    "expansion of the standard": (0.0, np.inf),
    "mean temperature of the bed": (0.0, np.inf),
    "cyclic temperature of the room": (0.0, np.inf),
    "difference of expansion": (2.9, 50.0),
    "difference of temperature": (16.6, 2.0),
}


def test_the_budget_of_an_end_gauge_of_gum_h_1() -> None:
    budget = Budget(tuple(Term(name, np.array([u]), "GUM H.1", freedom=nu) for name, (u, nu) in END_GAUGE.items()))
    # H.1.5 and H.1.6: u_c 32 nm, 16 degrees of freedom, t99 2.92, U99 93 nm
    assert budget.u[0] == pytest.approx(32.0, abs=0.5)
    freedom = np.floor(budget.freedom[0])
    assert freedom == 16
    assert coverage_factor(freedom, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert coverage_factor(freedom, 0.99) * budget.u[0] == pytest.approx(93.0, abs=0.6)
    # H.1.3.2: the three causes of the measured difference together, 9.7 nm and 25.6
    difference = Budget(budget.terms[1:4])
    assert difference.u[0] == pytest.approx(9.7, abs=0.05)
    assert difference.freedom[0] == pytest.approx(25.6, abs=0.3)
    # the printed ± of a band is made the same way, for 95.45 %
    assert budget.k[0] == pytest.approx(stats.t.ppf(0.97725, budget.freedom[0]), abs=1e-4)


def test_what_is_common_to_two_bands_keeps_its_degrees_of_freedom_apart() -> None:
    # the end gauge with its standard common to all gauges compared: 9.7, 2.9 and 16.6 nm are each gauge's own
    terms = tuple(
        Term(name, np.array([u]), "GUM H.1", name.startswith("calibration"), nu) for name, (u, nu) in END_GAUGE.items()
    )
    budget = Budget(terms)
    assert budget.common_u[0] == 25.0
    assert budget.common_freedom[0] == 18.0
    assert np.hypot(budget.own_u[0], budget.common_u[0]) == pytest.approx(budget.u[0])
    own = np.array([9.7, 2.9, 16.6])
    by_hand = np.sum(own**2) ** 2 / np.sum(own**4 / np.array([25.6, 50.0, 2.0]))
    assert budget.own_freedom[0] == pytest.approx(by_hand, rel=0.01)
    # one budget as two terms of the next, as speed and fuel stand in economy: nothing is lost
    again = Budget(budget.parts(np.array([2.0]), "gauge"))
    assert (again.u[0], again.freedom[0]) == pytest.approx((2.0 * budget.u[0], budget.freedom[0]))


def test_a_mean_of_means_of_four_runs_has_the_budget_of_its_weights() -> None:
    # ITTC 7.5-04-01-01.1 and ISO 15016 (from memory): weights 1, 3, 3, 1 of 8; runs of 0.10 kn each, from five values
    # each: 0.10 sqrt(20) / 8 and 4 x 20^2 / (1 + 81 + 81 + 1) degrees of freedom, by hand
    weights, _ = alternating_weights(0.25 * np.arange(4), np.array([1.0, -1.0, 1.0, -1.0]))
    budget = Budget(tuple(Term(f"run {k}", np.array([0.10 * w]), "", freedom=4.0) for k, w in enumerate(weights)))
    assert budget.u[0] == pytest.approx(0.10 * np.sqrt(20.0) / 8.0)
    assert budget.freedom[0] == pytest.approx(4.0 * 400.0 / 164.0)


def test_a_straight_line_through_the_thermometer_of_gum_h_3() -> None:
    # table H.6: readings and observed corrections; 20 C is the reference of the line
    reading_c = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    correction_c = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    line = fit_line(reading_c - 20.0, correction_c)
    u = np.sqrt(np.diag(line.covariance))
    assert (line.intercept, line.slope) == pytest.approx((-0.1712, 0.00218), abs=6e-5)
    assert line.slope == pytest.approx(0.00218, abs=6e-6)
    assert u == pytest.approx([0.0029, 0.00067], rel=0.02)
    assert line.covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=6e-4)
    assert line.at(10.0) == pytest.approx((-0.1494, 0.0041), abs=6e-5)
    # the same with uncertainties given: those of the points as they scatter, and a tenth of them
    scatter = float(np.sqrt(np.sum((correction_c - line.intercept - line.slope * (reading_c - 20.0)) ** 2) / 9.0))
    assert scatter == pytest.approx(0.0035, abs=6e-5)
    for share in (1.0, 0.1):
        again = fit_line(reading_c - 20.0, correction_c, np.full(11, share * scatter))
        assert again.covariance == pytest.approx(line.covariance, rel=1e-9)
    wide = fit_line(reading_c - 20.0, correction_c, np.full(11, 2.0 * scatter))
    assert wide.covariance == pytest.approx(4.0 * line.covariance, rel=1e-9)


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


def test_what_two_trials_share_cancels_as_correlated_variables_do() -> None:
    """The peer carries correlations through arithmetic exactly (package uncertainties, linear propagation)."""
    receiver, tachometer = ufloat(0.0, 0.05), ufloat(0.0, 0.002)
    first = ufloat(14.2, 0.06) + receiver + 14.2 * 1.3 * tachometer
    second = ufloat(14.9, 0.09) + receiver + 14.9 * 1.1 * tachometer
    found = compare_values(
        ComparedValue(14.2, 0.06, (0.05, 14.2 * 1.3 * 0.002)), ComparedValue(14.9, 0.09, (0.05, 14.9 * 1.1 * 0.002))
    )
    difference, ratio = second - first, second / first
    assert found.difference_u == pytest.approx(difference.std_dev, rel=1e-9)
    assert found.ratio_u == pytest.approx(ratio.std_dev, rel=1e-9)
    apart = compare_values(ComparedValue(14.2, 0.06, (0.05,)), ComparedValue(14.9, 0.09, (0.05,)), same_errors=False)
    assert apart.difference_u == pytest.approx(float(np.sqrt(0.06**2 + 0.09**2 + 2 * 0.05**2)))
