"""The planing threshold of simulated trials: found where the plan has a slow run, and never where it has none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.numbers import process_numbers
from trialcapture.rehearse.scenarios import SCENARIOS, Scenario
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

pytestmark = pytest.mark.slow


def with_slow_runs(name: str) -> Scenario:
    """Return a trial of three steps whose slow runs go through the hump as in the whole one."""
    scenario = SCENARIOS[name]
    steps = scenario.plan.steps_rpm
    picked = tuple(sorted({steps[0], *steps[-2:]}))  # slow runs are between the first and the last but one
    plan = replace(
        scenario.plan, steps_rpm=picked, hold_s=85.0, warm_up_s=60.0, ways=min(scenario.plan.ways, 2),
        manoeuvres=("slow_planing",),
    )  # fmt: skip
    return replace(scenario, plan=plan)


def run(scenario: str | Scenario, seed: int, folder: Path, *, short: bool = False) -> tuple[Any, dict[str, Any]]:
    """Return truth of the planing thresholds, and the summary."""
    trial = simulate(scenario, seed, short=short)
    session = write_session(trial, folder / "s")
    return trial.truth["planing"], process_numbers(session.folder)["summary"]


@pytest.mark.parametrize(
    ("name", "seed"),
    [("small-petrol", 2), ("small-petrol", 20), ("twin-planing", 3), ("coarse-1hz", 4), ("displacement", 5)],
)
def test_a_trial_without_a_slow_run_claims_no_planing_speed(name: str, seed: int, tmp_path: Path) -> None:
    """Warming up under way changes the rpm slowly too, far below the hump: nothing is claimed, and nothing said."""
    _, summary = run(name, seed, tmp_path, short=True)
    assert summary["bands"] if "bands" in summary else summary["top_speed"]
    assert summary["slowest_planing_speed"] is None
    assert summary["slow_runs"] == []


def test_slowing_down_between_two_rounds_claims_no_planing_speed(tmp_path: Path) -> None:
    """From full speed to the slowest step in a minute: too fast for the hull to follow."""
    scenario = SCENARIOS["small-petrol"]
    steps = scenario.plan.steps_rpm
    plan = replace(
        scenario.plan, rounds=2, manoeuvres=False, hold_s=70.0, warm_up_s=60.0, steps_rpm=(steps[0], *steps[-2:])
    )
    _, summary = run(replace(scenario, plan=plan), 1, tmp_path)
    assert summary["slowest_planing_speed"] is None


@pytest.mark.parametrize("name", ["twin-planing", "small-petrol", "coarse-1hz", "gnss-outages"])
def test_slow_runs_show_the_thresholds_of_the_hull(name: str, tmp_path: Path) -> None:
    truth, summary = run(with_slow_runs(name), 11, tmp_path)
    found = summary["slowest_planing_speed"]
    for way in ("run_up", "run_down"):
        assert abs(found[way]["speed_kn"] - truth[f"{way}_stw_kn"]) <= 2.0 * found[way]["u_kn"]
    assert found["speed_kn"] == found["run_down"]["speed_kn"]
    assert found["run_down"]["u_kn"] < 0.15 * found["run_down"]["speed_kn"]
    assert all(shown["trim"] for shown in found["runs"])
    assert "planing-reversed" not in {w["code"] for w in summary["warnings"]}


def test_slow_runs_of_a_displacement_boat_claim_nothing_even_if_she_is_said_to_plane(tmp_path: Path) -> None:
    trial = simulate(with_slow_runs("displacement"), 6)
    session = write_session(trial, tmp_path / "s")
    settings = tmp_path / "s" / "session.toml"
    text = settings.read_text(encoding="utf-8")
    assert "planing = false" in text
    settings.write_text(text.replace("planing = false", "planing = true"), encoding="utf-8")
    summary = process_numbers(session.folder)["summary"]
    assert summary["slowest_planing_speed"] is None
    assert summary["slow_runs"]
    assert all("Froude numbers" in run["reason"] for run in summary["slow_runs"])
    said = [w for w in summary["warnings"] if w["code"] == "no-planing-threshold"]
    assert len(said) == len(summary["slow_runs"])
