"""Errors common to a whole trial are drawn as stated, by generators of their own, and stand in the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.made_once import simulated
from trialcapture.rehearse.boats import Receiver
from trialcapture.rehearse.instruments import receive
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import (
    CALIBRATED_SD_PCT,
    SPEED_BIAS_SD_KN,
    UNCALIBRATED_SD_PCT,
    CalibrationErrors,
    draw_errors,
    with_errors,
)

START_NS = 1_778_747_407 * 10**9


def draws(name: str, count: int = 2000) -> list[CalibrationErrors]:
    return [
        draw_errors(SCENARIOS[name], np.random.default_rng([1, seed]), np.random.default_rng([2, seed]))
        for seed in range(count)
    ]


def test_receivers_are_biased_by_the_stated_spread_each_for_itself() -> None:
    biases = np.array([list(e.speed_bias_kn.values()) for e in draws("twin-planing")])
    assert biases.shape[1] == 2
    # 2000 draws know their spread to 1.6 %, so 6 % is nearly four standard errors
    assert biases.std(axis=0) == pytest.approx([SPEED_BIAS_SD_KN] * 2, rel=0.06)
    assert np.abs(biases.mean(axis=0)).max() < 4.0 * SPEED_BIAS_SD_KN / np.sqrt(2000)
    assert abs(np.corrcoef(biases.T)[0, 1]) < 0.09


@pytest.mark.parametrize(
    ("name", "sd_pct"), [("twin-planing", UNCALIBRATED_SD_PCT), ("displacement", CALIBRATED_SD_PCT)]
)
def test_fuel_errs_by_the_stated_spread_less_where_it_was_calibrated(name: str, sd_pct: float) -> None:
    errors = np.array([e.fuel_pct for e in draws(name)])
    assert errors.std() == pytest.approx(sd_pct, rel=0.06)
    assert abs(errors.mean()) < 4.0 * sd_pct / np.sqrt(2000)


def test_all_engines_and_logs_share_one_fuel_error() -> None:
    run = SCENARIOS["log-per-engine"]
    changed = with_errors(run, CalibrationErrors({r.source: 0.0 for r in run.receivers}, 2.0))
    scales = [after.fuel_scale / before.fuel_scale for before, after in zip(run.logs, changed.logs, strict=True)]
    assert scales == pytest.approx([1.02, 1.02])


def test_another_receiver_does_not_change_the_fuel_error() -> None:
    run = SCENARIOS["twin-planing"]
    fewer = replace(run, receivers=run.receivers[:1])
    first, second = (draw_errors(r, np.random.default_rng(1), np.random.default_rng(2)) for r in (run, fewer))
    assert first.fuel_pct == second.fuel_pct
    assert first.speed_bias_kn["gps1"] == second.speed_bias_kn["gps1"]


def test_a_biased_receiver_shows_every_speed_off_by_its_bias() -> None:
    count = 400
    state = {name: np.zeros(count) for name in ("heading_rad", "yaw_rad_s", "pitch_rad", "roll_rad", "east_m_s")}
    state |= {"t_s": 0.05 * np.arange(count), "north_m_s": np.full(count, 10.0)}
    state |= {"lat_deg": np.full(count, 48.0), "lon_deg": np.full(count, -8.0)}
    receiver = Receiver(sentences=("RMC",), slow=(), sog_decimals=3)

    def speeds(kit: Receiver) -> np.ndarray:
        bodies = receive(state, kit, START_NS, 0.0, np.random.default_rng(3)).bodies
        return np.array([float(body.split(",")[7]) for body in bodies])

    assert speeds(replace(receiver, speed_bias_kn=0.05)) - speeds(receiver) == pytest.approx(0.05, abs=0.0011)


def test_the_truth_names_the_errors_of_the_trial_and_the_log_shows_them() -> None:
    trial = simulated("twin-planing", 3, short=True, errors=True)
    errors = trial.truth["errors"]
    assert set(errors["receiver_speed_bias_kn"]) == {r.source for r in trial.scenario.receivers}
    scale = trial.scenario.logs[0].fuel_scale
    assert scale == pytest.approx(1.0 + errors["fuel_calibration_pct"] / 100.0, abs=1e-6)
    assert simulated("twin-planing", 4, short=True, errors=True).truth["errors"] != errors


def test_unless_asked_for_sensors_are_right_in_the_mean() -> None:
    truth = simulated("twin-planing", 3, short=True).truth
    assert set(truth["errors"]["receiver_speed_bias_kn"].values()) == {0.0}
    assert truth["errors"]["fuel_calibration_pct"] == 0.0
    plain = [step["stw_kn"] for step in truth["steps"]]
    spread = [step["stw_kn"] for step in simulated("twin-planing", 3, short=True, errors=True).truth["steps"]]
    # two thousandths of the speed, drawn for each run
    assert plain != spread
    assert np.abs(np.array(spread) / np.array(plain) - 1.0).max() < 0.01
