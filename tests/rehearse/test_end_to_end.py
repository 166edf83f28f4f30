"""The whole flow finds the truth of simulated trials: speed, fuel, clocks, and no transient taken for a run.

Trials are short but for two; ``python -m tests.accuracy --seeds 20`` runs all of them whole, and more of each.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pyarrow.parquet as pq
import pytest

from tests.made_once import simulated
from tests.numbers import process_numbers
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

pytestmark = pytest.mark.slow

# trials of manoeuvres have tests of their own (test_manoeuvres.py)
RECIPROCAL = [n for n, s in SCENARIOS.items() if s.plan.reciprocal and not n.startswith("manoeuvres")]
MATCHED_BY_RPM = [name for name in RECIPROCAL if name not in ("no-bus-rpm", "no-engine-log")]
SEED = 7
WHOLE = ("small-petrol", "current-front")
IN_LONG = ("current-ahead", "current-abeam")
"""Between them runs current-quartering, and `tests/reduce/test_current_at_any_angle.py` takes all angles."""


def all_of(names: Sequence[str]) -> list[Any]:
    return [pytest.param(name, marks=pytest.mark.long) if name in IN_LONG else name for name in names]


@cache
def run(name: str) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    """Truth, bands, segments and clocks of a scenario, simulated and processed once."""
    trial = simulate(name, SEED) if name in WHOLE else simulated(name, SEED, short=True)
    with TemporaryDirectory() as folder:
        session = write_session(trial, Path(folder) / "s")
        result = process_numbers(session.folder)
        segments = pq.read_table(session.folder / "trialset" / "segments.parquet").to_pylist()
    return trial.truth, result["bands"].to_pylist(), segments, result["summary"]["clocks"]


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize("name", all_of(RECIPROCAL))
def test_reciprocal_runs_give_the_true_speed_and_fuel(name: str) -> None:
    truth, rows, _, _ = run(name)
    bands = {band["band_rpm"]: band for band in truth["bands"]}
    both_ways = [row for row in rows if row["ways"] == 2]
    assert len(both_ways) >= len(bands) - (2 if name in WHOLE else 0)
    biases = list(truth["errors"]["receiver_speed_bias_kn"].values())
    shown = 1.0 + truth["errors"]["fuel_calibration_pct"] / 100.0
    for row in both_ways:
        true = bands[row["band_rpm"]]
        # the receiver's bias cannot be found out; runs that differ by 0.2 % leave less than 0.15 kn in their mean
        assert row["speed_kn"] - biases[0] == pytest.approx(true["speed_kn"], abs=0.15), row["band_rpm"]
        if truth["engine_log"]:
            assert row["fuel_l_per_h"] == pytest.approx(shown * true["fuel_l_per_h"], rel=0.01), row["band_rpm"]


@pytest.mark.parametrize("name", all_of(MATCHED_BY_RPM))
def test_engine_clocks_are_found_within_0_3_seconds(name: str) -> None:
    truth, _, _, clocks = run(name)
    for log in truth["engine_log"]:
        (clock,) = [row for row in clocks if row["source"].endswith(log["file"])]
        assert clock["offset_s"] == pytest.approx(log["offset_s"], abs=0.3)
        assert abs(clock["drift_ppm"] - log["drift_ppm"]) < 3.0 * clock["drift_u_ppm"]


@pytest.mark.parametrize("name", all_of(RECIPROCAL))
def test_no_accepted_segment_reaches_more_than_3_seconds_into_a_transient(name: str) -> None:
    truth, _, segments, _ = run(name)
    transients = [(seconds(a), seconds(b)) for a, b in truth["transients"]]
    for segment in segments:
        if segment["accepted"]:
            start, stop = segment["start"].timestamp(), segment["stop"].timestamp()
            over = max(min(stop, b) - max(start, a) for a, b in transients)
            assert over <= 3.0, (segment["start"], segment["rpm_mean"])


def test_one_direction_only_is_said_and_its_uncertainty_holds_the_truth() -> None:
    truth, rows, _, _ = run("one-direction")
    bands = {band["band_rpm"]: band for band in truth["bands"]}
    assert {row["ways"] for row in rows} == {1}
    for row in rows:
        assert abs(row["speed_kn"] - bands[row["band_rpm"]]["speed_kn"]) < 2.0 * row["speed_u_kn"]
