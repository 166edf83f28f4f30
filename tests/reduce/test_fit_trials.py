"""Few runs a band: what the fit states holds the truth as often as it says, and what one more run would buy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.reduce.fit_trials import Trial, draw_trial, fit_budget, half_width_kn, make_runs, try_trial
from trialcapture.reduce.current_evidence import OneMoreRun, plan_one_more_run
from trialcapture.reduce.uncertainty import Budget, Term, coverage_factor
from trialcapture.reduce.vectorfit import CurrentModel, VectorFit, fit_current


def fit(trial: Trial) -> VectorFit:
    return fit_current(trial.runs, trial.band_rpm, trial.line_heading_deg, trial.runs.mid_h[:1])


def with_bias(fitted: VectorFit) -> Budget:
    return fit_budget(fitted, Term("receiver bias", np.full(fitted.speed_kn.size, 0.02), "stated", is_common=True))


def plan(trial: Trial) -> tuple[OneMoreRun, ...]:
    fitted = fit(trial)
    return plan_one_more_run(trial.runs, fitted, with_bias(fitted))


@pytest.mark.slow
@pytest.mark.parametrize(("bands", "runs_a_band"), [(1, 2), (2, 2), (2, 3)])
def test_few_runs_hold_the_truth_at_any_scatter(bands: int, runs_a_band: int) -> None:
    # the long form, by every level, is the module of the draws itself
    found = []
    for seed in range(36):
        rng = np.random.default_rng([seed, bands, runs_a_band])
        found.append(try_trial(draw_trial(rng, 0.03 * (0.35 / 0.03) ** ((seed + 0.5) / 36), bands, runs_a_band)))
    error, half, oracle = (np.concatenate(x) for x in zip(*found, strict=True))
    # of 36 trials that are covered 93 %, fewer than 29 are covered in one of 500 (binomial)
    assert np.mean(np.abs(error) <= half) >= 29 / 36
    # where the runs tell little of their scatter, a ± for 0.35 kn is twice what one for 0.1 kn need be
    assert np.median(half / oracle) < (2.0 if runs_a_band == 2 else 1.7)


def test_one_pair_of_one_band_tells_nothing_of_the_scatter_and_many_runs_do() -> None:
    pair = fit(draw_trial(np.random.default_rng(1), 0.1, 1, 2))
    # the half-difference of a pair is current or scatter; what is left is what was believed before any run: 95.45 %
    # of Student's t of two degrees of freedom are 4.53 times the scale
    model = CurrentModel()
    believed = model.scatter_prior_kn * coverage_factor(model.scatter_prior_freedom) / np.sqrt(2.0)
    assert pair.half_width_kn == pytest.approx(believed, rel=0.2)
    assert half_width_kn(pair) == pytest.approx(pair.half_width_kn, rel=1e-6)
    many = fit(draw_trial(np.random.default_rng(1), 0.1, 5, 4))
    assert np.all(many.repeat_freedom > 5.0)
    scale = many.terms_u_kn["repeat"] / np.sqrt(np.sum(many.gain**2, axis=1))
    assert scale == pytest.approx(np.full(5, 0.1), rel=0.5)


@pytest.mark.parametrize("runs_a_band", [1, 2, 3])
def test_one_more_run_buys_about_what_a_trial_with_it_has(runs_a_band: int) -> None:
    now, then, made = [], [], []
    for seed in range(6):
        longer = draw_trial(np.random.default_rng(seed), 0.1, 2, runs_a_band + 1)
        runs = longer.runs
        # the last run of the second band is the one that was not made yet
        k = slice(0, runs.band.size - 1)
        shorter = make_runs(
            runs.band[k], runs.mid_h[k], runs.ground_kn[k], runs.heading_deg[k], runs.rpm[k], float(runs.u_kn[0])
        )
        line = longer.line_heading_deg[k].copy()
        if runs_a_band == 1:
            line[-1] = np.nan
        before = replace(longer, runs=shorter, line_heading_deg=line)
        first = fit(before)
        _, planned = plan_one_more_run(shorter, first, with_bias(first))
        assert planned.number == runs_a_band + 1
        assert planned.then_kn < planned.now_kn
        assert planned.now_kn == pytest.approx(np.hypot(half_width_kn(first)[1], 0.04), rel=0.1)
        now.append(planned.now_kn)
        then.append(planned.then_kn)
        made.append(float(np.hypot(half_width_kn(fit(longer))[1], 0.04)))
    assert np.median(then) == pytest.approx(np.median(made), rel=0.35)
    assert np.median(then) < 0.97 * np.median(now)


def test_the_run_that_is_wanted_goes_back() -> None:
    trial = draw_trial(np.random.default_rng(3), 0.05, 2, 2)
    last = trial.runs.heading_deg[[1, 3]]
    for planned, heading in zip(plan(trial), last, strict=True):
        assert planned.heading_deg == pytest.approx((heading + 180.0) % 360.0)


def test_a_band_run_one_way_gains_most() -> None:
    trial = draw_trial(np.random.default_rng(4), 0.05, 3, 2)
    runs, k = trial.runs, np.array([0, 1, 2, 3, 4])
    one_way = make_runs(runs.band[k], runs.mid_h[k], runs.ground_kn[k], runs.heading_deg[k], runs.rpm[k], 0.03)
    line = np.where(k < 4, trial.line_heading_deg[k], np.nan)
    planned = plan(replace(trial, runs=one_way, line_heading_deg=line))
    gained = [p.now_kn - p.then_kn for p in planned]
    assert int(np.argmax(gained)) == 2
    assert [p.number for p in planned] == [3, 3, 2]


@pytest.mark.parametrize(("bands", "runs_a_band"), [(2, 2), (5, 4), (8, 6)])
def test_a_search_that_begins_near_the_answer_ends_where_one_from_nothing_does(bands: int, runs_a_band: int) -> None:
    trial = draw_trial(np.random.default_rng(bands), 0.1, bands, runs_a_band)
    whole = fit(trial)
    asked = (trial.runs, trial.band_rpm, trial.line_heading_deg, trial.runs.mid_h[:1])
    # with what the first fit came to believe of the size of the current, its own answer is found again
    again = fit_current(*asked, former=whole.current)
    assert again.speed_kn == pytest.approx(whole.speed_kn, abs=1e-6)
    assert again.speed_u_kn == pytest.approx(whole.speed_u_kn, abs=1e-6)
    assert again.run_current_kn == pytest.approx(whole.run_current_kn, abs=1e-5)
    assert again.current.strengths == whole.current.strengths
