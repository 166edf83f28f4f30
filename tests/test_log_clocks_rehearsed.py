"""Engine logs of whole short trials: a clock far off its rate is tied and named; pauses alone cut no log."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.numbers import process_numbers
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session


@pytest.mark.parametrize("scenario", ["displacement", "coarse-1hz"])
def test_a_clock_far_off_its_rate_is_told_from_one_that_a_short_trial_cannot_judge(
    scenario: str, tmp_path: Path
) -> None:
    trial = simulate(scenario, 402, short=True, errors=True, faults=["log-clock-drifts"])
    (true,) = trial.truth["engine_log"]
    assert true["drift_ppm"] == pytest.approx(1800.0, abs=5.0)
    write_session(trial, tmp_path / "session")
    summary = process_numbers(tmp_path / "session")["summary"]
    (clock,) = [c for c in summary["clocks"] if c["source"] == f"engine log {true['file']}"]
    assert abs(clock["offset_s"] - true["offset_s"]) <= 2.0 * clock["offset_u_s"]
    assert abs(clock["drift_ppm"] - true["drift_ppm"]) <= 3.0 * clock["drift_u_ppm"]
    (item,) = [d for d in summary["data_health"]["disagreements"] if d["unit"] == "ppm"]
    assert item["action"] == "corrected"
    assert any("rate of the clock" in w["text"] for w in summary["warnings"])


@pytest.mark.parametrize("seed", [303, 305])
def test_a_log_that_only_paused_is_tied_as_one_and_keeps_its_fuel(seed: int, tmp_path: Path) -> None:
    trial = simulate("small-petrol", seed, short=True, errors=True, faults=["log-pauses"])
    (true,) = trial.truth["engine_log"]
    write_session(trial, tmp_path / "session")
    result = process_numbers(tmp_path / "session")
    (clock,) = [c for c in result["summary"]["clocks"] if c["source"].startswith("engine log")]
    assert clock["source"] == f"engine log {true['file']}"
    assert abs(clock["offset_s"] - true["offset_s"]) <= 2.0 * clock["offset_u_s"]
    assert result["summary"]["data_health"]["restarts"] == []
    assert all(band["fuel_l_per_h"] is not None for band in result["bands"].to_pylist())
