"""Steady stretches are found where the truth has them, and nowhere else."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.signals import lagging, stairs, wandering
from trialcapture.config import Steady
from trialcapture.prepare.steady.criteria import Limits, Track
from trialcapture.prepare.steady.detection import Stretch, find_steady
from trialcapture.prepare.steady.exponential_settling import Approach, find_settled, fit_hold_speed, residual_variance
from trialcapture.prepare.steady.setpoint_holds import (
    find_course_holds,
    find_rpm_holds,
    find_shifts,
    increments,
    least_count,
)

DT = 0.25
LEVELS = [900.0, 1400.0, 1900.0, 2400.0, 2900.0]


def trial(
    seed: int, tau_s: float, *, quantum: float = 10.0, noise_kn: float = 0.08, hold_s: float = 150.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """True speed, measured speed, measured rpm and heading of a stair of rpm steps."""
    rng = np.random.default_rng(seed)
    rpm = stairs(LEVELS, hold_s, DT, 100.0)
    speed = lagging(rpm / 110.0, DT, tau_s)
    measured = speed + wandering(speed.size, DT, noise_kn, 4.0, rng)
    seen = np.round((rpm + rng.normal(0, 4, rpm.size)) / quantum) * quantum
    yaw = 45.0 + 3.0 * np.sin(2 * np.pi * np.arange(rpm.size) * DT / 6.0)
    return speed, measured, seen, yaw


def detect(sog: np.ndarray, rpm: np.ndarray, heading: np.ndarray, limits: Steady | None = None) -> list[Stretch]:
    return find_steady(Track(sog, np.atleast_2d(rpm), heading, DT), Limits(limits or Steady()))


def settled(v_kn: np.ndarray) -> Approach:
    speed = fit_hold_speed(v_kn, DT)
    return find_settled(speed, residual_variance(speed))


@pytest.mark.parametrize("tau_s", [6.0, 12.0, 20.0])
@pytest.mark.parametrize("quantum", [1.0, 10.0, 25.0])
def test_each_step_gives_one_stretch_that_starts_after_the_boat_has_settled(tau_s: float, quantum: float) -> None:
    overlaps, biases = [], []
    for seed in range(4):
        speed, sog, rpm, heading = trial(seed, tau_s, quantum=quantum)
        accepted = [s for s in detect(sog, rpm, heading) if s.accepted]
        assert len(accepted) == len(LEVELS)
        for stretch, level in zip(accepted, LEVELS, strict=True):
            final = level / 110.0
            unsettled = np.abs(speed[stretch.start : stretch.stop] - final) > max(0.05, 0.005 * final)
            overlaps.append(unsettled.sum() * DT)
            biases.append(abs(speed[stretch.start : stretch.stop].mean() - final))
    assert np.quantile(overlaps, 0.95) <= 3.0
    assert max(biases) < 0.05


@pytest.mark.parametrize("tau_s", [40.0, 60.0, 90.0, 150.0])
@pytest.mark.parametrize("quantum", [1.0, 10.0])
def test_full_rpm_while_speed_still_rises_gives_none(tau_s: float, quantum: float) -> None:
    rpm = np.concatenate([np.full(200, 900.0), np.full(480, 3000.0)])
    speed = lagging(rpm / 100.0, DT, tau_s)
    rng = np.random.default_rng(1)
    seen = np.round((rpm + rng.normal(0.0, 4.0, rpm.size)) / quantum) * quantum
    found = detect(speed + wandering(speed.size, DT, 0.05, 3.0, rng), seen, np.full(rpm.size, 10.0))
    late = [s for s in found if s.start * DT > 50.0]
    assert late
    assert not any(s.accepted for s in late)
    assert any("rising" in s.reason or "settl" in s.reason for s in late)


@pytest.mark.parametrize("rpm", [0.0, 700.0, 703.0, np.nan])
@pytest.mark.parametrize("count_kn", [0.0, 0.1])
def test_a_boat_lying_still_gives_none_and_says_why(rpm: float, count_kn: float) -> None:
    n = 4000
    sog = np.abs(wandering(n, DT, 0.1, 5.0, np.random.default_rng(2)))
    found = detect(np.round(sog, 1) if count_kn else sog, np.full(n, rpm), np.full(n, 10.0))
    assert found
    assert not any(s.accepted for s in found)
    assert "lying still" in found[0].reason


def test_a_throttle_nudge_of_one_percent_splits_the_hold() -> None:
    rpm = np.concatenate([np.full(400, 2500.0), np.full(400, 2525.0)]) + np.random.default_rng(3).normal(0, 3, 800)
    holds = find_rpm_holds(rpm, DT, 0.0)
    assert len(holds) == 2
    assert abs(holds[0][1] - 400) * DT <= 2.0


def test_a_slow_ramp_of_rpm_is_not_held() -> None:
    rpm = np.linspace(3000.0, 1500.0, round(300 / DT))
    assert sum(b - a for a, b in find_rpm_holds(rpm, DT, 0.0)) * DT < 30.0


def test_a_turn_at_constant_rpm_ends_one_stretch_and_begins_another() -> None:
    n = round(300 / DT)
    heading = np.where(np.arange(n) < n // 2, 10.0, 190.0)
    turn = slice(n // 2 - round(30 / DT), n // 2 + round(30 / DT))
    heading[turn] = np.linspace(10.0, 190.0, heading[turn].size)
    sog = np.full(n, 20.0) + wandering(n, DT, 0.05, 3.0, np.random.default_rng(4))
    accepted = [s for s in detect(sog, np.full(n, 2500.0), heading) if s.accepted]
    assert len(accepted) == 2
    assert accepted[0].stop <= turn.start + round(4 / DT)
    assert accepted[1].start >= turn.stop - round(4 / DT)


def test_holds_never_overlap_even_where_an_early_one_was_unsteady() -> None:
    rng = np.random.default_rng(12)
    drifting = 23.0 + wandering(400, DT, 12.0, 8.0, rng)
    heading = (
        np.concatenate([drifting, 23.0 + wandering(2400, DT, 1.0, 3.0, rng), np.linspace(23.0, 203.0, 200)]) % 360.0
    )
    rpm = np.concatenate([rng.normal(700, 40, 400), np.full(2400, 1500.0), np.full(200, 1500.0)])
    for holds in (find_course_holds(heading, DT), find_rpm_holds(rpm, DT, 0.0)):
        assert all(b <= c for (_, b), (c, _) in itertools.pairwise(holds))
    assert max(b for _, b in find_course_holds(heading, DT)) <= 2800 + round(8 / DT)


def test_heading_across_north_is_one_course() -> None:
    heading = (5.0 * np.sin(np.arange(800) * DT)) % 360.0
    assert find_course_holds(heading, DT) == [(0, 800)]


def test_a_current_front_splits_the_stretch() -> None:
    n = round(240 / DT)
    sog = np.where(np.arange(n) < n // 2, 20.0, 20.9) + wandering(n, DT, 0.06, 3.0, np.random.default_rng(5))
    accepted = [s for s in detect(sog, np.full(n, 2500.0), np.full(n, 80.0)) if s.accepted]
    assert len(accepted) == 2
    means = [sog[s.start : s.stop].mean() for s in accepted]
    assert means == pytest.approx([20.0, 20.9], abs=0.08)


def test_a_gap_in_speed_is_never_inside_a_stretch() -> None:
    speed, sog, rpm, heading = trial(6, 6.0)
    sog[2000:2040] = np.nan
    for s in detect(sog, rpm, heading):
        if s.accepted:
            assert np.isfinite(sog[s.start : s.stop]).all()
    assert np.isfinite(speed).all()


@pytest.mark.parametrize("silent_s", [0.25, 2.5, 3.0, 4.0, 5.0])
@pytest.mark.parametrize("what", ["sog", "rpm", "heading"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_short_silence_costs_no_hold_and_moves_no_mean(silent_s: float, what: str, seed: int) -> None:
    speed, sog, rpm, heading = trial(seed, 6.0)
    whole = [s for s in detect(sog, rpm, heading) if s.accepted]
    signals = {"sog": sog, "rpm": rpm, "heading": heading}
    for stretch in whole:
        first = (stretch.start + stretch.stop) // 2
        signals[what][first : first + round(silent_s / DT)] = np.nan
    accepted = [s for s in detect(sog, rpm, heading) if s.accepted]
    assert len(accepted) == len(whole) == len(LEVELS)
    for before, after in zip(whole, accepted, strict=True):
        assert after.stop - after.start >= 0.9 * (before.stop - before.start)
        assert np.nanmean(sog[after.start : after.stop]) == pytest.approx(
            speed[before.start : before.stop].mean(), abs=0.05
        )


@pytest.mark.parametrize("silent_s", [6.5, 9.0, 15.0])
@pytest.mark.parametrize(("what", "named"), [("sog", "speed"), ("rpm", "rpm"), ("heading", "heading")])
def test_a_longer_silence_cuts_the_hold_and_is_named_with_its_length(silent_s: float, what: str, named: str) -> None:
    n = round(100.0 / DT)
    rng = np.random.default_rng(16)
    signals = {
        "sog": 20.0 + wandering(n, DT, 0.05, 4.0, rng),
        "rpm": 2500.0 + rng.normal(0.0, 3.0, n),
        "heading": np.full(n, 10.0),
    }
    for first_s in (25.0, 55.0):
        signals[what][round(first_s / DT) : round((first_s + silent_s) / DT)] = np.nan
    found = detect(signals["sog"], signals["rpm"], signals["heading"])
    assert not any(s.accepted for s in found)
    between = [s for s in found if np.isfinite(signals[what][s.start : s.stop]).all()]
    assert len(between) == 3
    assert {s.reason for s in between} == {f"{named} silent: {silent_s:.1f} s"}
    assert between[0].silence is not None
    assert between[0].silence.start * DT == pytest.approx(25.0, abs=DT)


def test_silences_one_after_another_are_no_stretch_however_short_each_is() -> None:
    n = round(200.0 / DT)
    sog = 20.0 + wandering(n, DT, 0.05, 4.0, np.random.default_rng(17))
    sog[np.arange(n) % 16 >= 4] = np.nan
    found = detect(sog, np.full(n, 2500.0), np.full(n, 10.0))
    assert found
    assert not any(s.accepted for s in found)
    assert all(s.reason.startswith("speed silent: 75 %") for s in found)


def test_a_throttle_moved_in_a_short_silence_is_seen() -> None:
    speed, sog, rpm, heading = trial(3, 6.0)
    step = round(150.0 / DT)
    rpm[step - 4 : step + 10] = np.nan
    accepted = [s for s in detect(sog, rpm, heading) if s.accepted]
    assert len(accepted) == len(LEVELS)
    assert accepted[0].stop <= step
    assert all(np.ptp(speed[s.start : s.stop]) < 0.15 for s in accepted)


@pytest.mark.parametrize("size_kn", [-3.0, -1.5, -1.0, 1.5])
@pytest.mark.parametrize("lasts_s", [4.0, 8.0, 14.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_wake_in_a_hold_is_cut_out_or_named(size_kn: float, lasts_s: float, seed: int) -> None:
    n, hit_s = round(180.0 / DT), 100.0
    t = np.arange(n) * DT
    bump = np.where(np.abs(t - hit_s) < lasts_s / 2.0, np.cos(np.pi * (t - hit_s) / lasts_s), 0.0)
    sog = 20.0 + wandering(n, DT, 0.08, 4.0, np.random.default_rng(seed)) + size_kn * bump
    found = detect(sog, np.full(n, 2500.0), np.full(n, 10.0))
    accepted = [s for s in found if s.accepted]
    assert sum(s.stop - s.start for s in accepted) * DT > 100.0
    for s in accepted:
        assert (sog - size_kn * bump)[s.start : s.stop].mean() == pytest.approx(sog[s.start : s.stop].mean(), abs=0.02)
    short = detect(
        sog[round(70.0 / DT) : round(125.0 / DT)], np.full(n, 2500.0)[: round(55.0 / DT)], np.full(220, 10.0)
    )
    assert not any(s.accepted for s in short)
    assert any(s.reason.startswith(f"wake: {'+' if size_kn > 0 else '-'}") for s in short)


def test_without_any_rpm_speed_alone_still_gives_stretches() -> None:
    _, sog, _, heading = trial(7, 6.0)
    found = find_steady(Track(sog, np.zeros((0, sog.size)), heading, DT), Limits(Steady()))
    assert sum(s.accepted for s in found) >= 4


def test_constant_and_quantised_signals_never_break_detection() -> None:
    n = 800
    flat = detect(np.full(n, 10.0), np.full(n, 2000.0), np.full(n, 0.0))
    assert [(s.accepted, s.reason) for s in flat] == [(True, "")]
    stepped = np.round(np.linspace(10.0, 10.05, n), 1)
    assert detect(stepped, np.full(n, 2000.0), np.full(n, 359.9))
    rng = np.random.default_rng(14)
    sog = np.round(10.0 + wandering(n, DT, 0.03, 4.0, rng), 1)
    for count in (10.0, 25.0, 50.0):
        # 2000 rpm and a bit: the last digit flickers
        rpm = np.round((2000.0 + 0.45 * count + rng.normal(0.0, 0.1 * count, n)) / count) * count
        (whole,) = detect(sog, rpm, np.full(n, 359.9), Steady(rpm_sd_pct=2.0))
        assert whole.accepted, whole
        assert (whole.stop - whole.start) * DT > 0.9 * n * DT


def test_gappy_signals_give_what_is_whole_between_their_gaps() -> None:
    n = round(600.0 / DT)
    rng = np.random.default_rng(15)
    sog, rpm = 20.0 + wandering(n, DT, 0.05, 4.0, rng), np.full(n, 2500.0) + rng.normal(0.0, 3.0, n)
    for signal in (sog, rpm):
        whole = signal.copy()
        for first in range(0, n, round(100.0 / DT)):
            signal[first : first + round(6.0 / DT)] = np.nan
        accepted = [s for s in detect(sog, rpm, np.full(n, 10.0)) if s.accepted]
        assert len(accepted) == 6
        assert sum(s.stop - s.start for s in accepted) * DT > 6 * 70.0
        assert all(np.isfinite(signal[s.start : s.stop]).all() for s in accepted)
        signal[:] = whole


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_signal_gives_ordered_disjoint_stretches_and_no_exception(data: st.DataObject) -> None:
    n = data.draw(st.integers(0, 600))
    value = st.one_of(st.just(float("nan")), st.floats(0, 60, width=16))
    block = st.lists(value, min_size=1, max_size=8)
    sog = np.repeat(data.draw(block), 80)[:n]
    rpm = np.repeat(np.array(data.draw(block)) * 60.0, 70)[:n]
    heading = np.repeat(np.array(data.draw(block)) * 6.0, 90)[:n]
    size = min(sog.size, rpm.size, heading.size)
    found = detect(sog[:size], rpm[:size], heading[:size], Steady(min_duration_s=10.0))
    for s in found:
        assert 0 <= s.start < s.stop <= size
        assert s.accepted == (s.reason == "")


def test_least_count_is_found_for_quantised_signals_only() -> None:
    rng = np.random.default_rng(8)
    assert least_count(increments(np.round(rng.normal(2000, 20, 500) / 10) * 10)) == pytest.approx(10.0)
    assert least_count(increments(rng.normal(2000, 20, 500))) == 0.0
    assert least_count(increments(np.full(50, 7.0))) == 0.0


def test_a_throttle_moved_once_is_not_taken_for_the_last_digit() -> None:
    steady = np.full(100, 1000.0)
    assert least_count(increments(np.concatenate([steady, [1125.0, 1250.0, 1375.0], steady + 500.0]))) == 0.0
    flicker = steady.copy()
    flicker[[20, 21, 60]] = 1050.0
    assert least_count(increments(np.concatenate([flicker, steady + 500.0]))) == 50.0


def test_a_shift_is_placed_where_it_happens_and_noise_is_none() -> None:
    rng = np.random.default_rng(9)
    y = wandering(1200, DT, 0.1, 4.0, rng)
    assert find_shifts(y, DT, 0.3) == []
    y[600:] += 1.0
    assert find_shifts(y, DT, 0.3) == [pytest.approx(600, abs=12)]


def swinging(target: np.ndarray, period_s: float, damping: float) -> np.ndarray:
    """A mass on a damped spring behind a target, in steps short beside its period."""
    w = 2.0 * np.pi / period_s
    place, speed, values = float(target[0]), 0.0, np.empty(target.size)
    for i, wanted in enumerate(target):
        speed += (w * w * (float(wanted) - place) - 2.0 * damping * w * speed) * DT
        place += speed * DT
        values[i] = place
    return values


@pytest.mark.parametrize(("period_s", "damping"), [(30.0, 0.2), (45.0, 0.2), (65.0, 0.4)])
def test_a_hull_that_overshoots_is_not_measured_on_the_crest(period_s: float, damping: float) -> None:
    """About the crest there is no slope; what is left of the swing is a quarter of a knot at most."""
    accepted = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        levels = np.sort(rng.choice(np.arange(900.0, 3100.0, 250.0), 5, replace=False)).tolist()
        rpm = stairs(levels, float(rng.uniform(60.0, 130.0)), DT, 120.0)
        speed = swinging(rpm / 110.0, period_s, damping)
        sog = speed + wandering(speed.size, DT, 0.06, 4.0, rng)
        for s in detect(sog, rpm + rng.normal(0.0, 2.0, rpm.size), np.full(rpm.size, 40.0)):
            if s.accepted:
                accepted += 1
                assert abs((speed - rpm / 110.0)[s.start : s.stop].mean()) < 0.25
    assert accepted >= 6


def test_the_side_and_the_size_of_an_approach_are_told() -> None:
    """A step of a stair comes from below or from above; a turn with the throttle kept always from below."""
    levels = [1500.0, 2500.0, 1900.0]
    rpm = stairs(levels, 150.0, DT, 100.0)
    sog = lagging(rpm / 110.0, DT, 6.0) + wandering(rpm.size, DT, 0.05, 3.0, np.random.default_rng(2))
    first, up, down = (s for s in detect(sog, rpm, np.full(rpm.size, 40.0)) if s.accepted)
    assert first.approach_step_kn is None
    assert up.approach_step_kn == pytest.approx(1000.0 / 110.0, abs=0.5)
    assert down.approach_step_kn == pytest.approx(-600.0 / 110.0, abs=0.5)
    assert up.since_change is not None
    # the throttle takes ten seconds
    assert up.start - up.since_change == pytest.approx(round(160.0 / DT), abs=12)
    n = round(300.0 / DT)
    t = np.arange(n) * DT
    heading = np.interp(t, [0.0, 140.0, 170.0, 300.0], [10.0, 10.0, 190.0, 190.0])
    turning = (t >= 140.0) & (t < 170.0)
    # 1.5 kn of current with her and then against her: over ground the way back is slower than any part of the turn
    current = 1.5 * np.cos(np.radians(heading - 10.0))
    sog = lagging(np.where(turning, 16.0, 20.0), DT, 6.0) + current
    sog = sog + wandering(n, DT, 0.05, 3.0, np.random.default_rng(3))
    _, back = (s for s in detect(sog, np.full(n, 2500.0), heading) if s.accepted)
    assert back.approach_step_kn is not None
    assert 1.0 <= back.approach_step_kn < 6.0


def test_an_exponential_approach_is_cut_where_its_tail_falls_below_the_tolerance() -> None:
    t = np.arange(0, 150, DT)
    v = 20.0 - 6.0 * np.exp(-t / 15.0)
    expected = 15.0 * np.log(6.0 / 0.05)
    quiet = v + np.random.default_rng(10).normal(0, 0.01, t.size)
    assert settled(quiet).settled_s == pytest.approx(expected, abs=4.0)
    noisy = v + wandering(t.size, DT, 0.08, 4.0, np.random.default_rng(11))
    assert settled(noisy).settled_s == pytest.approx(expected, abs=15.0)


def test_without_engine_speed_a_boat_below_two_knots_may_be_drifting():
    dt_s = 0.25
    n = round(120 / dt_s)
    noise = 0.03 * np.random.default_rng(4).standard_normal(n)
    for speed, accepted in ((1.6, False), (3.2, True)):
        track = Track(speed + noise, np.zeros((0, n)), np.full(n, 40.0), dt_s)
        found = find_steady(track, Limits(Steady()))
        assert [s.accepted for s in found] == [accepted]
        assert accepted or "cannot be told from drifting" in found[0].reason
