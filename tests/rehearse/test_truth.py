"""The truth written beside a trial is what the simulated boat did, by a check that does not share its code."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pytest

from trialcapture.rehearse.boats import TARN_PLOVER, LogStyle
from trialcapture.rehearse.enginelog import write_engine_log
from trialcapture.rehearse.motion import RUN_SD_SHARE, STEP_S, Crew, Motion, integrate, ride
from trialcapture.rehearse.scenarios import Plan, build_phases
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.truth import tell_truth
from trialcapture.units import KN_M_PER_S

START_NS = 1_778_747_407 * 10**9
PLAN = Plan(75.0, (800.0, 1800.0, 2320.0), hold_s=90.0, warm_up_s=60.0, manoeuvres=True)
SEA = Sea(48.0, -8.0, current_kn=1.0, current_towards_deg=30.0)


@lru_cache(maxsize=1)
def trial() -> tuple[Motion, dict[str, np.ndarray], dict]:
    rng = np.random.default_rng(5)
    motion = integrate(TARN_PLOVER, build_phases(PLAN, TARN_PLOVER), SEA, Crew((0.001, -0.001)), rng)
    state = ride(motion, TARN_PLOVER, SEA, rng)
    style = LogStyle(clock_error_s=137.0, drift_ppm=40.0, jitter_s=0.0)
    log = write_engine_log(state, TARN_PLOVER, style, START_NS, rng)
    return motion, state, tell_truth(motion, state, TARN_PLOVER, [log], START_NS)


def index(text: str) -> int:
    at = datetime.fromisoformat(text).astimezone(UTC)
    return round((at.timestamp() - START_NS / 1e9) / STEP_S)


def test_every_step_has_a_steady_stretch_each_way() -> None:
    truth = trial()[2]
    legs = [(s["nominal_rpm"], s["direction_deg"]) for s in truth["steps"] if s["label"].startswith("step")]
    assert sorted(legs) == [(n, d) for n in (800.0, 1800.0, 2320.0) for d in (75.0, 255.0)]


def test_a_steady_stretch_is_steady_and_begins_as_soon_as_it_is() -> None:
    motion, _, truth = trial()
    for step in truth["steps"]:
        a, b = index(step["steady_start_utc"]), index(step["steady_stop_utc"])
        speed = motion.series["stw_m_s"][a:b] / KN_M_PER_S
        rpm = motion.series["rpm_port"][a:b]
        heading = np.degrees(motion.series["heading_rad"][a:b])
        assert np.ptp(speed) <= 2.0 * max(0.05, 0.0051 * speed.mean())
        assert np.ptp(rpm) <= 2.0 * 0.003 * rpm.mean() + 1e-9
        assert np.ptp(heading) <= 4.0
        assert (b - a) * STEP_S >= 15.0
        if step["label"].startswith("step"):
            # just before it, something was not yet settled
            early = slice(a - 3, a)
            settled = np.median(speed[-400:])
            off_speed = np.abs(motion.series["stw_m_s"][early] / KN_M_PER_S - settled) > max(0.05, 0.005 * settled)
            off_rpm = np.abs(motion.series["rpm_port"][early] / np.median(rpm[-400:]) - 1.0) > 0.003
            off_rpm |= (
                np.abs(motion.series["rpm_stbd"][early] / np.median(motion.series["rpm_stbd"][b - 400 : b]) - 1) > 0.003
            )
            off_heading = np.abs(np.degrees(motion.series["heading_rad"][early]) - np.median(heading)) > 2.0
            began = [round(o.start_s / STEP_S) for o in motion.ordered if o.phase.label == step["label"]]
            assert (off_speed | off_rpm | off_heading).any() or a in began


def test_steady_and_transient_time_make_up_all_time_under_way() -> None:
    motion, _, truth = trial()
    under_way = np.abs(motion.series["stw_m_s"]) >= 1.0 * KN_M_PER_S
    marked = np.zeros(under_way.size, dtype=int)
    for step in truth["steps"]:
        marked[index(step["steady_start_utc"]) : index(step["steady_stop_utc"])] += 1
    for start, stop in truth["transients"]:
        marked[index(start) : index(stop)] += 1
    assert np.array_equal(marked[under_way], np.ones(under_way.sum(), dtype=int))
    assert not marked[~under_way].any()


def test_ramps_turns_and_circles_are_transient() -> None:
    motion, _, truth = trial()
    steady = np.zeros(motion.t_s.size, dtype=bool)
    for step in truth["steps"]:
        steady[index(step["steady_start_utc"]) : index(step["steady_stop_utc"])] = True
    for ordered in motion.ordered:
        if ordered.phase.kind in ("turn", "circle", "blip") or "slow run" in ordered.phase.label:
            span = slice(round(ordered.start_s / STEP_S), round(ordered.stop_s / STEP_S))
            assert not steady[span].any(), ordered.phase


def test_step_means_are_means_of_the_true_state() -> None:
    _, state, truth = trial()
    step = truth["steps"][2]
    span = slice(index(step["steady_start_utc"]), index(step["steady_stop_utc"]))
    assert step["stw_kn"] == pytest.approx(state["stw_kn"][span].mean(), abs=1e-3)
    fuel = state["fuel_l_per_h_port"][span].mean() + state["fuel_l_per_h_stbd"][span].mean()
    assert step["fuel_l_per_h"] == pytest.approx(fuel, abs=1e-3)


def test_band_truth_is_the_mean_of_its_ways() -> None:
    truth = trial()[2]
    for band in truth["bands"]:
        legs = [s for s in truth["steps"] if s["label"] == f"step {band['band_rpm']:.0f}"]
        assert band["ways"] == 2
        # waves and hunting leave a little in the mean of a stretch; the band is free of them
        assert band["speed_kn"] == pytest.approx(np.mean([s["stw_kn"] for s in legs]), abs=0.02)


def test_what_differs_from_run_to_run_is_in_the_steps_and_not_in_the_bands() -> None:
    motion, _, _ = trial()
    even, uneven = (
        tell_truth(motion, ride(motion, TARN_PLOVER, SEA, np.random.default_rng(6), runs), TARN_PLOVER, [], START_NS)
        for runs in (None, np.random.default_rng(7))
    )
    assert uneven["bands"] == even["bands"]
    shares = [s["stw_kn"] / t["stw_kn"] - 1.0 for s, t in zip(uneven["steps"], even["steps"], strict=True)]
    fuel = [s["fuel_l_per_h"] / t["fuel_l_per_h"] - 1.0 for s, t in zip(uneven["steps"], even["steps"], strict=True)]
    steps = [k for k, s in enumerate(even["steps"]) if s["label"].startswith("step")]
    # six draws: 0.1 % of the chi-square law on either side
    assert 0.25 * RUN_SD_SHARE < np.sqrt(np.mean([shares[k] ** 2 for k in steps])) < 1.94 * RUN_SD_SHARE
    # a run held back burns more
    assert [fuel[k] for k in steps] == pytest.approx([-shares[k] for k in steps], abs=1e-4)


def test_current_is_the_difference_of_ground_and_water_velocity() -> None:
    _, state, truth = trial()
    for step in truth["steps"]:
        span = slice(index(step["steady_start_utc"]), index(step["steady_stop_utc"]))
        heading, stw = state["heading_rad"][span], state["stw_kn"][span] * KN_M_PER_S
        east = np.mean(state["east_m_s"][span] - stw * np.sin(heading)) / KN_M_PER_S
        north = np.mean(state["north_m_s"][span] - stw * np.cos(heading)) / KN_M_PER_S
        told = np.radians(step["current_towards_deg"])
        # leeway, and yaw that the velocity does not follow (0.5° is 0.25 kn at full speed), are the rest
        assert np.hypot(east - step["current_kn"] * np.sin(told), north - step["current_kn"] * np.cos(told)) < 0.2


def test_engine_log_clock_truth_is_how_the_log_was_stamped() -> None:
    truth = trial()[2]
    (clock,) = truth["engine_log"]
    # the cut-off second adds up to one second to the clock's own error
    assert 137.0 <= clock["offset_s"] < 138.1
    assert clock["drift_ppm"] == pytest.approx(40.0, abs=1.0)
    assert clock["offset_at_last_row_s"] - clock["offset_s"] == pytest.approx(
        40e-6 * (index(truth["stop_utc"]) * STEP_S), abs=0.005
    )


def test_planing_thresholds_lie_about_the_hump() -> None:
    planing = trial()[2]["planing"]
    assert 12.0 < planing["run_down_stw_kn"] <= planing["run_up_stw_kn"] < 17.0
