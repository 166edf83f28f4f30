"""Without rpm on the network a log is tied by the onset of acceleration, or refused; its uncertainty is honest."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from tests.prepare.plain_boat import Kit, Recorded, recorded
from trialcapture.prepare.clocks.log_clock import LogFit
from trialcapture.prepare.clocks.log_motion import STEP_S, _Level, _lowest, find_edges, fit_by_motion, to_uniform

Floats = npt.NDArray[np.float64]
Programme = list[tuple[float, int, float]]


def fit(trial: Recorded) -> LogFit:
    return fit_by_motion(trial.sog_ns, trial.sog_kn, trial.cog_true_deg, trial.log_ns, trial.rpm)


def swinging(trial: Recorded, period_s: float, damping: float) -> Floats:
    """The speed of a trial behind a mass on a damped spring [kn]."""
    step_s = float(np.median(np.diff(trial.sog_ns))) / 1e9
    t_s = (np.arange(round(120.0 / step_s)) + 0.5) * step_s
    omega = 2.0 * np.pi / period_s
    damped = omega * (1.0 - damping**2) ** 0.5
    answer = np.exp(-damping * omega * t_s) * np.sin(damped * t_s)
    before = np.full(t_s.size - 1, trial.sog_kn[0])
    speed: Floats = np.convolve(np.concatenate([before, trial.sog_kn]), answer / answer.sum(), "valid")
    return speed


@pytest.mark.parametrize("crash_stops", [0, 3])
def test_random_boats_are_tied_within_their_uncertainty_crash_stops_or_not(crash_stops: int) -> None:
    trials = [recorded(seed, crash_stops=crash_stops) for seed in range(100, 112)]
    fits = [fit(trial) for trial in trials]
    found = [(f, t) for f, t in zip(fits, trials, strict=True) if f.offset_s is not None]
    assert len(found) >= 11
    errors = np.array([f.offset_s - t.offset_s for f, t in found if f.offset_s is not None])
    u = np.array([f.offset_u_s for f, _ in found], dtype=np.float64)
    assert (np.abs(errors) < 2.0 * u).mean() >= 0.9
    assert np.median(np.abs(errors)) < 1.0
    assert u.min() >= 0.8
    assert all(f.quality.startswith("fair") for f, _ in found)


@pytest.mark.parametrize("period_s", [0.1, 2.0, 5.0, 10.0])
def test_a_slow_log_is_tied_less_surely(period_s: float) -> None:
    trial = recorded(21, kit=Kit(log_period_s=period_s, whole_seconds=False))
    found = fit(trial)
    assert found.offset_s is not None
    assert found.offset_u_s is not None
    assert abs(found.offset_s - trial.offset_s) < 2.0 * found.offset_u_s
    assert found.offset_u_s == pytest.approx(np.hypot(0.85, max(period_s - 1.0, 0.0) / 12**0.5), rel=0.15)


def test_a_strictly_repeating_pattern_is_refused_with_both_candidates() -> None:
    for programme in (
        [(1200.0, 1, 150.0), (2000.0, 1, 150.0)] * 8,
        [(900.0, 1, 100.0), (1300.0, 1, 100.0), (1700.0, 1, 100.0), (2100.0, 1, 100.0)] * 5,
    ):
        for seed in (1, 4):
            trial = recorded(seed, programme=programme)
            found = fit(trial)
            assert found.offset_s is None
            assert "two alignments fit about equally well" in found.quality
            assert found.rival_s is not None
            assert f"{found.rival_s:.0f} s" in found.quality


def test_the_log_of_another_trial_is_hardly_ever_taken() -> None:
    trials = [recorded(seed, crash_stops=seed % 3) for seed in range(200, 206)]
    claimed = [
        fit_by_motion(a.sog_ns, a.sog_kn, a.cog_true_deg, b.log_ns, b.rpm).offset_s is not None
        for a in trials
        for b in trials
        if a is not b
    ]
    assert sum(claimed) <= 1


def test_few_changes_of_rpm_give_a_poor_fit_and_none_gives_none() -> None:
    few: Programme = [(700, 1, 60.0), (1200, 1, 150.0), (1800, 1, 150.0), (2400, 1, 150.0), (700, 0, 100.0)]
    trial = recorded(1, programme=few)
    found = fit(trial)
    assert found.offset_s is not None
    assert found.quality.startswith("poor")
    assert found.offset_u_s is not None
    assert found.offset_u_s > 2.0
    assert abs(found.offset_s - trial.offset_s) < 2.0 * found.offset_u_s
    constant = fit(recorded(1, programme=[(2000, 1, 1500.0)]))
    assert constant.offset_s is None


def test_drift_is_found_only_where_the_recording_is_long_enough() -> None:
    short = fit(recorded(5, drift_ppm=60.0))
    assert (short.drift_ppm, short.drift_u_ppm) == (0.0, 100.0)
    trial = recorded(5, rounds=8, drift_ppm=60.0)
    long = fit(trial)
    assert 10.0 < long.drift_u_ppm < 60.0
    assert abs(long.drift_ppm - 60.0) < 2.0 * long.drift_u_ppm
    assert long.offset_s == pytest.approx(trial.offset_s, abs=2.0 * (long.offset_u_s or 0.0))


def test_a_day_of_log_finds_the_hour_of_the_trial() -> None:
    trial = recorded(31, offset_s=7200.0)
    rng = np.random.default_rng(1)
    idle_ns = trial.log_ns[0] - np.arange(20_000, 0, -1) * 1_000_000_000
    rpm = np.concatenate([np.round(rng.normal(700.0, 3.0, idle_ns.size)), trial.rpm])
    log_ns = np.concatenate([idle_ns, trial.log_ns])
    found = fit_by_motion(trial.sog_ns, trial.sog_kn, trial.cog_true_deg, log_ns, rpm)
    assert found.offset_s is not None
    assert found.offset_s == pytest.approx(trial.offset_s, abs=5.0)
    assert found.offset_u_s is not None
    assert abs(found.offset_s - trial.offset_s) < 2.0 * found.offset_u_s


def test_missing_stretches_on_either_side_move_nothing() -> None:
    trial = recorded(42)
    sog_kept = (np.arange(trial.sog_ns.size) // (trial.sog_ns.size // 20)) % 5 != 2
    log_kept = (np.arange(trial.log_ns.size) // 211) % 6 != 3
    found = fit_by_motion(
        trial.sog_ns[sog_kept],
        trial.sog_kn[sog_kept],
        trial.cog_true_deg[sog_kept],
        trial.log_ns[log_kept],
        trial.rpm[log_kept],
    )
    assert found.offset_s == pytest.approx(trial.offset_s, abs=2.0)


def test_nothing_to_go_by_is_said_and_never_a_crash() -> None:
    none = np.zeros(0, dtype=np.int64)
    empty = np.zeros(0)
    assert fit_by_motion(none, empty, empty, none, empty).offset_s is None
    second = np.arange(400, dtype=np.int64) * 1_000_000_000
    flat = np.full(400, 5.0)
    assert fit_by_motion(second, flat, flat, second, flat * 200).offset_s is None
    rng = np.random.default_rng(2)
    noise = fit_by_motion(second, rng.normal(5, 1, 400), flat, second, rng.normal(1500, 200, 400))
    assert noise.offset_s is None


def test_edges_are_where_rpm_changes_for_good_and_once_each() -> None:
    t = np.arange(0.0, 400.0, 1.0)
    rpm = 800.0 + 600.0 * np.clip((t - 100.0) / 4.0, 0, 1) - 300.0 * np.clip((t - 250.0) / 4.0, 0, 1)
    rpm += np.random.default_rng(0).normal(0.0, 5.0, t.size)
    line = to_uniform(t, rpm)
    at, size = find_edges(line.values)
    assert ((line.first + at) * STEP_S).tolist() == pytest.approx([102.0, 252.0], abs=1.0)
    assert size.tolist() == pytest.approx([600.0, -300.0], abs=40.0)


@pytest.mark.parametrize(("period_s", "damping"), [(12.0, 0.7), (16.0, 0.3)])
def test_a_hull_that_swings_like_a_mass_on_a_spring_is_tied_within_its_uncertainty(
    period_s: float, damping: float
) -> None:
    z = []
    for seed in (100, 102, 105, 107):
        trial = recorded(seed)
        speed = swinging(trial, period_s, damping)
        found = fit_by_motion(trial.sog_ns, speed, trial.cog_true_deg, trial.log_ns, trial.rpm)
        if found.offset_s is not None:
            z.append((found.offset_s - trial.offset_s) / (found.offset_u_s or 1.0))
    assert len(z) >= 3
    assert np.median(np.abs(z)) < 2.0
    assert np.abs(z).max() < 3.0


def test_hulls_of_any_period_are_tied_within_twice_the_uncertainty_and_ordinary_ones_stay_sure() -> None:
    """Periods and dampings between and beyond those the fit tries, and answers half prompt and half swinging.

    The limits are those a standard uncertainty promises, 90 % within 2 u for a bell curve's 95 %, none beyond 4 u.
    Over 16 seeds a hull 97 % lay within 2 u and the worst at 2.6 u; an ordinary hull's median u was 0.84 s.
    """
    z, ordinary_u_s = [], []
    for seed in range(130, 135):
        trial = recorded(seed, crash_stops=seed % 3)
        speeds = [swinging(trial, *hull) for hull in ((22.0, 0.3), (30.0, 0.3), (10.0, 0.15), (22.0, 0.8))]
        speeds += [0.5 * (trial.sog_kn + swinging(trial, 16.0, 0.3)), trial.sog_kn]
        for speed in speeds:
            found = fit_by_motion(trial.sog_ns, speed, trial.cog_true_deg, trial.log_ns, trial.rpm)
            if found.offset_s is not None and found.offset_u_s is not None:
                z.append(abs(found.offset_s - trial.offset_s) / found.offset_u_s)
                if speed is trial.sog_kn:
                    ordinary_u_s.append(found.offset_u_s)
    assert len(z) >= 27
    assert np.mean(np.array(z) < 2.0) >= 0.9
    assert max(z) < 4.0
    assert np.median(ordinary_u_s) < 1.1


@pytest.mark.parametrize(("seconds", "is_found"), [(7.0, False), (9.0, True), (11.0, True), (20.0, True)])
def test_a_change_shows_in_a_record_as_long_as_it_is_looked_at(seconds: float, is_found: bool) -> None:
    """The change over 8 s is looked at."""
    rpm = np.where(np.arange(round(seconds / STEP_S)) * STEP_S < seconds / 2.0, 1000.0, 2000.0)
    at, size = find_edges(rpm)
    assert at.size == int(is_found)
    if is_found:
        # without noise all places within half of that are alike
        assert at[0] * STEP_S == pytest.approx(seconds / 2.0, abs=4.0)
        assert size[0] == pytest.approx(1000.0)


@pytest.mark.parametrize("at", [3.0, 3.2, 3.45, 2.6])
def test_the_lowest_point_of_a_parabola_is_found_between_its_samples(at: float) -> None:
    k = np.arange(8.0)
    assert _lowest(2.0 + 0.7 * (k - at) ** 2) == pytest.approx(at)
    assert _lowest(2.0 - 0.1 * k) == 7.0


@pytest.mark.parametrize(("known_s", "share"), [(270, 1.0), (390, 0.0)])
def test_too_little_of_a_speed_explains_nothing_however_well_it_fits(known_s: int, share: float) -> None:
    """A hundred of every third second are asked for: ten numbers are fitted to them."""
    n = 420
    rpm = 1500.0 + 800.0 * np.sin(np.arange(n) / 15.0)
    speed = np.where(np.arange(n) < known_s, rpm / 100.0, np.nan)
    level = _Level(speed, np.zeros(n), rpm)
    assert level.refined(n - 1)[0] == pytest.approx(share, abs=0.1)
