"""Published steady-state tests and standard errors against values worked out for them.

The detectors are the references the product is compared with in `tests.bench.detectors`; that they are right is
shown here, by hand calculation, by their own statistics on drawn noise, and by libraries. Then the product's own
standard errors against the theory of autocorrelated means and against blocking as pyblock does it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import linregress
from scipy.stats import t as student

from tests.bench.detectors.change_points import levels
from tests.bench.detectors.r_statistic import r_statistic, steady_mask
from tests.bench.detectors.sliding_slope import slope_test
from tests.bench.detectors.student_t import fit_windows, probability_steady
from trialcapture.prepare.sample_statistics import autocorrelation_sum, effective_size, find_wander
from trialcapture.prepare.steady.criteria import slope_with_error
from trialcapture.prepare.steady.segments import worth_in_samples

Floats = np.ndarray

SERIES, LENGTH, SETTLED = 3000, 160, 100
"""Drawn series and their length; by sample 100 filters of 0.05 have forgotten their start to within 1 %."""


def autoregressive(shape: tuple[int, int], phi: float, seed: int) -> Floats:
    """Stationary first-order autoregressive series of unit variance, one a row."""
    rng = np.random.default_rng(seed)
    kicks = rng.normal(0.0, np.sqrt(1.0 - phi * phi), shape)
    kicks[:, 0] = rng.normal(0.0, 1.0, shape[0])
    return lfilter([1.0], [1.0, -phi], kicks, axis=1)


def drawn_r(x: Floats, lambdas: tuple[float, float, float] = (0.2, 0.1, 0.1)) -> Floats:
    """R of every series at a few late instants far enough apart to be nearly independent."""
    return np.concatenate([r_statistic(row, lambdas)[[SETTLED, SETTLED + 30, LENGTH - 1]] for row in x])


# --- R-statistic -----------------------------------------------------------------------------------------------
# Cao & Rhinehart, J. Process Control 5(6) (1995) 363; formula, order and factors as restated in Rhinehart, Proc.
# ACC (2013) 4477. Their table of critical values (1997) was not at hand.


def r_by_recursion(x: Floats, l1: float, l2: float, l3: float) -> Floats:
    """Return R after each sample but the first, step by step as printed."""
    filtered, deviation, difference, found = x[0], 0.0, 0.0, []
    for before, now in pairwise(x):
        deviation = l2 * (now - filtered) ** 2 + (1.0 - l2) * deviation
        filtered = l1 * now + (1.0 - l1) * filtered
        difference = l3 * (now - before) ** 2 + (1.0 - l3) * difference
        found.append((2.0 - l1) * deviation / difference)
    return np.array(found)


@pytest.mark.parametrize("lambdas", [(0.2, 0.1, 0.1), (0.05, 0.05, 0.05), (0.3, 0.2, 0.1)])
@pytest.mark.parametrize(("phi", "slope"), [(0.0, 0.0), (0.0, 0.2), (0.9, 0.0)])
def test_r_is_the_recursion_of_its_authors(lambdas: tuple[float, float, float], phi: float, slope: float) -> None:
    for row in autoregressive((5, LENGTH), phi, 1) + slope * np.arange(LENGTH):
        assert r_statistic(row, lambdas)[1:] == pytest.approx(r_by_recursion(row, *lambdas), rel=1e-9)


def test_r_of_white_noise_lies_about_one() -> None:
    # both estimates of variance are right in white noise
    r = drawn_r(autoregressive((SERIES, LENGTH), 0.0, 1))
    assert np.median(r) == pytest.approx(1.0, rel=0.03)
    assert np.mean(r > 2.5) < 0.001


@pytest.mark.parametrize("slope", [1e-3, 1.0, 250.0])
def test_r_of_a_noiseless_ramp_tends_to_forty_five(slope: float) -> None:
    # a filter lags a ramp by slope / l1, so R = (2 - l1) / l1**2
    assert r_statistic(slope * np.arange(600.0))[-1] == pytest.approx(45.0, abs=1e-6)


def test_r_of_an_alternating_signal_tends_to_five_ninths() -> None:
    # the filtered value swings by l1 / (2 - l1) against the signal; deviation 2 / (2 - l1), difference 2
    x = np.where(np.arange(600) % 2 == 0, 1.0, -1.0)
    assert r_statistic(x)[-1] == pytest.approx(0.555556, abs=1e-6)


def test_r_rises_with_the_slope_of_a_ramp_and_with_the_memory_of_the_noise() -> None:
    noise = autoregressive((1000, LENGTH), 0.0, 3)
    ramps = [np.median(drawn_r(noise + slope * np.arange(LENGTH))) for slope in (0.0, 0.1, 0.2, 0.5)]
    assert ramps == sorted(ramps)
    assert ramps[-1] > 4.0
    # noise that remembers itself is taken for a transient
    shares = [np.mean(drawn_r(autoregressive((1000, LENGTH), phi, 4)) > 2.0) for phi in (0.0, 0.3, 0.5, 0.7, 0.9)]
    assert shares == sorted(shares)
    assert shares[-1] > 0.5


def test_r_is_right_again_when_correlated_noise_is_thinned_to_one_sample_a_decorrelation_time() -> None:
    # phi = 0.9: the noise forgets in about ten samples
    r = drawn_r(autoregressive((1000, 20 * LENGTH), 0.9, 5)[:, ::20])
    assert np.median(r) == pytest.approx(1.0, rel=0.12)
    assert np.mean(r > 2.5) < 0.01


def test_r_step_by_step_as_by_hand() -> None:
    r = r_statistic(np.array([10.0, 12.0, 11.0, 13.0, 12.0, 14.0]))
    assert r[0] == 1.0
    assert r[1:] == pytest.approx([1.8, 1.549565, 2.148147, 2.099470, 2.585435], abs=1e-5)


def test_r_of_a_quantised_step_freezes_unless_both_variances_have_a_floor() -> None:
    rpm = np.repeat([3500.0, 3510.0], 100)
    bare = r_statistic(rpm)
    assert bare[[100, 104, 109]] == pytest.approx([1.8, 5.098, 6.025], abs=1e-3)
    assert bare[150:] == pytest.approx(6.230769, abs=1e-3)
    assert not steady_mask(bare, 2.5, 2.5)[110:].any()
    floored = r_statistic(rpm, floor_variance=10.0**2 / 12.0)
    assert floored[-1] == pytest.approx(1.0)
    assert steady_mask(floored, 2.5, 2.5)[140:].all()


@pytest.mark.parametrize("floor", [0.0, 8.3])
def test_r_of_a_constant_is_steady_and_never_void(floor: float) -> None:
    r = r_statistic(np.full(50, 2400.0), floor_variance=floor)
    assert np.isfinite(r).all()
    assert steady_mask(r, 2.5, 2.5).all()


# --- windowed Student-t ----------------------------------------------------------------------------------------
# Kelly & Hedengren, J. Process Control 23 (2013) 326. The drift is the mean of the n - 1 first differences.


def test_student_t_window_as_by_hand() -> None:
    x = np.array([10.0, 12.0, 11.0, 13.0, 12.0, 14.0, 13.0, 15.0])
    drift, intercept, scatter = fit_windows(x, 8)
    assert [drift[0], intercept[0], scatter[0]] == pytest.approx([0.714286, 9.285714, 0.925820], abs=1e-6)
    assert probability_steady(x, 8, 2.0) == pytest.approx([0.25], abs=1e-6)


def test_student_t_probability_falls_with_drift() -> None:
    n, t_crit = 60, float(student.ppf(0.995, 60))
    noise = np.random.default_rng(6).normal(0.0, 1.0, (1000, n))
    shares = [
        np.mean([probability_steady(row + slope * np.arange(n), n, t_crit)[0] for row in noise])
        for slope in (0.0, 0.02, 0.05, 0.10)
    ]
    # without drift the share inside is about that of the t distribution; the drift it takes out is noisy itself
    assert 0.98 < shares[0] < 0.99
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.5


def test_student_t_calls_a_constant_steady() -> None:
    assert probability_steady(np.full(60, 2400.0), 60, 2.66) == pytest.approx([1.0])


# --- sliding slope ---------------------------------------------------------------------------------------------
# Dalheim & Steen, J. Ocean Eng. Sci. 5 (2020), abstract; the regression itself against scipy.stats.linregress.

WINDOW = np.array([24.9, 25.1, 25.0, 25.2, 25.1, 25.3, 25.2, 25.4, 25.3, 25.5])


def test_a_sliding_slope_is_the_regression_of_scipy() -> None:
    slope, error, ratio = slope_test(WINDOW, 10)
    assert [slope[0], error[0], ratio[0]] == pytest.approx([0.0545455, 0.00909091, 6.0], abs=1e-7)
    fit = linregress(np.arange(10.0), WINDOW)
    assert (slope[0], error[0]) == pytest.approx((fit.slope, fit.stderr), rel=1e-9)
    assert 2.0 * student.sf(ratio[0], 8) == pytest.approx(3.234e-4, rel=1e-3)
    assert abs(ratio[0]) > student.ppf(0.975, 8) == pytest.approx(2.306004, abs=1e-6)


def test_every_window_of_a_sliding_slope_is_its_own_regression() -> None:
    x = np.random.default_rng(7).normal(20.0, 0.3, 60) + 0.01 * np.arange(60)
    slope, error, _ = slope_test(x, 15)
    for k in range(slope.size):
        fit = linregress(np.arange(15.0), x[k : k + 15])
        assert (slope[k], error[k]) == pytest.approx((fit.slope, fit.stderr), rel=1e-7, abs=1e-12)


def test_our_slope_is_the_regression_of_scipy_and_its_error_never_smaller() -> None:
    slope, error = slope_with_error(WINDOW, 1.0)
    assert slope == pytest.approx(0.0545455, abs=1e-7)
    assert error >= 0.00909091 - 1e-7


# --- change points ---------------------------------------------------------------------------------------------


def test_change_points_are_found_at_their_place_and_noise_has_none() -> None:
    noise = np.random.default_rng(8).normal(0.0, 1.0, (300, 2))
    penalty = 4.0 * 2.0 * np.log(300)
    assert levels(noise, penalty, 5) == [(0, 300)]
    noise[100:, 0] += 4.0
    noise[200:, 1] -= 4.0
    found = levels(noise, penalty, 5)
    assert [b for _, b in found[:-1]] == pytest.approx([100, 200], abs=2)


# --- standard error of a mean of autocorrelated samples --------------------------------------------------------
# Var(mean) = s**2 / n * (1 + 2 * sum((1 - k / n) * rho_k)), e.g. Flyvbjerg & Petersen, J. Chem. Phys. 91 (1989)
# 461, eq. 8; for a first-order autoregressive process rho_k = phi**k and tau tends to (1 + phi) / (1 - phi).


def exact_size(n: int, phi: float) -> float:
    k = np.arange(1, n)
    return n / (1.0 + 2.0 * float(np.sum((1.0 - k / n) * phi**k)))


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_the_effective_sample_size_of_theory(phi: float) -> None:
    # the long-series limit, which the product uses, agrees as long as the series is long against its memory
    assert effective_size(600, (1.0 + phi) / (1.0 - phi)) == pytest.approx(exact_size(600, phi), rel=0.02)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_the_memory_of_residuals_gives_the_effective_sample_size_of_theory(phi: float) -> None:
    pooled = list(autoregressive((40, 600), phi, 9))
    tau = autocorrelation_sum([row - row.mean() for row in pooled], 200)
    assert effective_size(600, tau) == pytest.approx(exact_size(600, phi), rel=0.12)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_our_standard_error_is_how_far_means_scatter(phi: float) -> None:
    rows = autoregressive((1500, 600), phi, 10)
    tau = autocorrelation_sum([row - row.mean() for row in rows[:40]], 200)
    # the spread about a row's own mean lacks the variance of that mean
    stated = float(np.mean([row.std() / np.sqrt(effective_size(600, tau) - 1.0) for row in rows]))
    assert stated == pytest.approx(float(rows.mean(axis=1).std()), rel=0.10)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_the_standard_error_of_legs_is_theirs_and_allows_for_a_slow_part_that_forty_cannot_rule_out(phi: float) -> None:
    stated, sizes = [], []
    for seed in range(4):
        rows = autoregressive((40, 600), phi, 20 + seed)
        wander = find_wander(list(rows), 0.5)
        stated += [wander.errors(row, 0.5).mean for row in rows]
        sizes += [worth_in_samples(600, float(row.std(ddof=1)), wander.errors(row, 0.5).mean) for row in rows]
    exact = 1.0 / np.sqrt(exact_size(600, phi))
    assert 0.95 * exact < np.sqrt(np.mean(np.square(stated))) < 1.4 * exact
    assert 0.5 * exact_size(600, phi) < np.mean(sizes) < 1.1 * exact_size(600, phi)


def sizes_of_two_minutes(memory_s: float) -> tuple[float, float]:
    """Effective sample size of two minutes of noise with one memory, as the product finds it, at 10 Hz and at 1 Hz."""
    rows = autoregressive((60, 1200), float(np.exp(-0.1 / memory_s)), 11)
    sizes = []
    for every in (1, 10):
        thinned = [row[::every] for row in rows]
        tau = autocorrelation_sum([row - row.mean() for row in thinned], thinned[0].size // 3)
        sizes.append(effective_size(thinned[0].size, tau))
    return sizes[0], sizes[1]


def test_sampling_ten_times_as_often_does_not_shrink_the_error() -> None:
    fast, slow = sizes_of_two_minutes(5.0)
    assert fast == pytest.approx(slow, rel=0.05)


def test_two_minutes_of_noise_with_a_memory_of_five_seconds_are_worth_twelve_samples() -> None:
    # about T / (2 tau) = 12 independent samples, however often they are taken
    exact = exact_size(1200, float(np.exp(-0.1 / 5.0))), exact_size(120, float(np.exp(-1.0 / 5.0)))
    assert exact == pytest.approx((12.0, 12.0), rel=0.05)
    assert sizes_of_two_minutes(5.0) == pytest.approx(exact, rel=0.15)


def test_our_standard_error_is_that_of_blocking() -> None:
    pyblock = pytest.importorskip("pyblock", reason="NOT CHECKED against pyblock: it is not installed")
    theory = np.sqrt(1.0 / exact_size(4096, 0.9))
    naive = 1.0 / np.sqrt(4096.0)
    plateaus, stated = [], []
    for row in autoregressive((30, 4096), 0.9, 12):
        steps = pyblock.blocking.reblock(row)
        best = pyblock.blocking.find_optimal_block(row.size, steps)[0]
        assert float(steps[0].std_err) == pytest.approx(naive, rel=0.15)
        plateaus.append(float(steps[best].std_err))
        size = effective_size(row.size, autocorrelation_sum([row - row.mean()], row.size // 3))
        stated.append(float(row.std()) / np.sqrt(size - 1.0))
    assert np.mean(plateaus) == pytest.approx(theory, rel=0.15)
    assert np.mean(stated) == pytest.approx(np.mean(plateaus), rel=0.15)
    assert np.mean(stated) == pytest.approx(theory, rel=0.15)
