"""The whole flow finds the truth of simulated trials: speed, fuel, clocks, and no transient taken for a run."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from trialcapture.pipeline import process
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

RECIPROCAL = [name for name, scenario in SCENARIOS.items() if scenario.plan.reciprocal]


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.slow
@pytest.mark.parametrize("name", RECIPROCAL)
def test_reciprocal_runs_give_the_true_speed_and_fuel(name: str, tmp_path: Path) -> None:
    trial = simulate(name, 7)
    write_session(trial, tmp_path / "s")
    found = {row["band_rpm"]: row for row in process(tmp_path / "s")["bands"].to_pylist()}
    truth = {band["band_rpm"]: band for band in trial.truth["bands"]}
    both_ways = {rpm: row for rpm, row in found.items() if row["ways"] == 2}
    assert len(both_ways) >= len(truth) - (2 if name == "gnss-outages" else 1)
    for rpm, row in both_ways.items():
        assert row["speed_kn"] == pytest.approx(truth[rpm]["speed_kn"], abs=0.15), rpm
        if trial.engine_logs:
            assert row["fuel_l_per_h"] == pytest.approx(truth[rpm]["fuel_l_per_h"], rel=0.01), rpm


@pytest.mark.slow
@pytest.mark.parametrize("name", ["twin-planing", "displacement", "clock-zone", "log-per-engine", "messy-bus"])
def test_engine_clocks_are_found(name: str, tmp_path: Path) -> None:
    trial = simulate(name, 8)
    write_session(trial, tmp_path / "s")
    clocks = {row["source"]: row for row in process(tmp_path / "s")["summary"]["clocks"]}
    for log in trial.truth["engine_log"]:
        (clock,) = [row for source, row in clocks.items() if source.endswith(log["file"])]
        assert clock["offset_s"] == pytest.approx(log["offset_s"], abs=0.3)
        assert abs(clock["drift_ppm"] - log["drift_ppm"]) < 3.0 * clock["drift_u_ppm"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["twin-planing", "displacement", "small-petrol", "coarse-1hz"])
def test_no_accepted_segment_reaches_more_than_3_seconds_into_a_transient(name: str, tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    trial = simulate(name, 9)
    write_session(trial, tmp_path / "s")
    process(tmp_path / "s")
    transients = [(seconds(a), seconds(b)) for a, b in trial.truth["transients"]]
    for segment in pq.read_table(tmp_path / "s" / "trialset" / "segments.parquet").to_pylist():
        if segment["accepted"]:
            start, stop = segment["start"].timestamp(), segment["stop"].timestamp()
            over = max(min(stop, b) - max(start, a) for a, b in transients)
            assert over <= 3.0, (segment["start"], segment["rpm_mean"])
