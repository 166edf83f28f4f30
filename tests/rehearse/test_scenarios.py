"""Every named trial runs, repeats to the byte, differs by seed, and comes with settings that fit it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from tests.made_once import simulated
from trialcapture.config import Config, load_config
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.scenarios import DEFAULT, SCENARIOS, Plan, briefed, build_phases, load_plan
from trialcapture.rehearse.simulate import SimulatedTrial, config_text, simulate
from trialcapture.rehearse.write import nmea_log, notes_text, truth_text

ROOT = Path(__file__).parents[2]
SEED = 7
"""That of ``test_end_to_end.py``, which begins with the same trials."""
CONFIGS = {"tarn_plover": "twin-planing", "old_sedge": "displacement", "small_tern": "small-petrol"}


@lru_cache(maxsize=3)
def short(name: str, seed: int = SEED) -> SimulatedTrial:
    return simulated(name, seed, short=True)


def test_there_is_a_trial_for_each_trouble_that_must_be_met() -> None:
    wanted = {
        "twin-planing", "displacement", "current-ahead", "current-abeam", "current-quartering", "messy-bus",
        "one-direction", "clock-zone", "coarse-1hz", "changing-tide", "gnss-outages", "plain-nmea", "log-per-engine",
    }  # fmt: skip
    assert wanted <= set(SCENARIOS)
    assert DEFAULT == "twin-planing"
    assert all(name == scenario.name and scenario.summary for name, scenario in SCENARIOS.items())


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_runs_and_its_engine_logs_fit_its_settings(name: str) -> None:
    trial = short(name)
    assert trial.lines.num_rows > 2000
    assert all(band["ways"] == (2 if trial.scenario.plan.reciprocal else 1) for band in trial.truth["bands"])
    assert [band["band_rpm"] for band in trial.truth["bands"]] == list(trial.scenario.plan.steps_rpm)
    mono = trial.lines["mono_us"].to_numpy()
    assert np.all(np.diff(mono) >= 0)
    for log, spec, clock in zip(trial.engine_logs, trial.config.engine_log, trial.truth["engine_log"], strict=True):
        rows, rejects = decode_engine_log(log.data, spec, trial.config.engine_ids, log.file)
        assert rows.num_rows >= 0.97 * len(log.sample_s)
        assert rejects.num_rows <= 2
        # the offset told as truth is UTC of the measurement minus the stamp as the reader reads it
        assert rows.num_rows == len(log.sample_s)
        utc_s = trial.start_utc_ns / 1e9 + log.sample_s
        offset_s = utc_s - rows["t_log_ns"].to_numpy() / 1e9
        assert np.median(offset_s[:60]) == pytest.approx(clock["offset_s"], abs=0.06)
        assert np.median(offset_s[-60:]) == pytest.approx(clock["offset_at_last_row_s"], abs=0.06)


def test_equal_seeds_give_equal_bytes_and_other_seeds_another_day() -> None:
    first, again, other = short("messy-bus"), simulate("messy-bus", SEED, short=True), short("messy-bus", 2)
    for part in (lambda t: b"".join(nmea_log(t, "journal")), notes_text, truth_text, lambda t: t.engine_logs[0].data):
        assert part(first) == part(again)
        assert part(first) != part(other)


@pytest.mark.parametrize("name", ["one-direction", "displacement", "small-petrol"])
def test_every_step_is_held_at_the_engine_speed_that_was_ordered(name: str) -> None:
    whole = SCENARIOS[name].plan
    plan = replace(whole, steps_rpm=whole.steps_rpm[::2], manoeuvres=False, warm_up_s=60.0)
    for step in simulate(name, 1, plan=plan).truth["steps"]:
        if step["label"].startswith("step") and step["nominal_rpm"] != plan.steps_rpm[-1]:
            # the hand reads the order to 0.15 % and leaves the lever within 0.2 %
            assert step["rpm"] == pytest.approx(step["nominal_rpm"], rel=0.007), step["label"]


def test_noise_of_one_sensor_does_not_change_the_trial_of_another() -> None:
    clean, messy = short("twin-planing").truth, short("messy-bus").truth
    assert clean["steps"][0]["label"] == messy["steps"][0]["label"]
    again = simulate("twin-planing", SEED, short=True)
    assert [s["stw_kn"] for s in again.truth["steps"]] == [s["stw_kn"] for s in clean["steps"]]


# one scenario of each boat and plan: what she is measured with does not make her trial longer
@pytest.mark.parametrize("name", {(s.boat.name, briefed(s.plan)): s.name for s in SCENARIOS.values()}.values())
def test_the_short_version_is_over_in_eight_minutes(name: str) -> None:
    trial = simulate(name, 2, plan=briefed(SCENARIOS[name].plan))
    assert trial.lines["t_s"][-1].as_py() < 480.0
    steps = len(briefed(SCENARIOS[name].plan).steps_rpm)
    assert len(trial.truth["bands"]) == steps >= 1


def test_a_trial_comes_near_the_length_asked_for() -> None:
    for hours in (0.4, 1.0):
        length_s = simulate("small-petrol", 1, hours=hours).lines["t_s"][-1].as_py()
        assert length_s / 3600.0 == pytest.approx(hours, rel=0.2)


def test_a_long_trial_runs_the_ladder_again() -> None:
    scenario = SCENARIOS["coarse-1hz"]
    plan = replace(scenario.plan, steps_rpm=scenario.plan.steps_rpm[2:4], manoeuvres=False, warm_up_s=60.0)
    trial = simulate(scenario, 1, plan=plan, hours=0.6)
    assert trial.lines["t_s"][-1].as_py() / 3600.0 == pytest.approx(0.6, rel=0.2)
    assert {band["legs"] for band in trial.truth["bands"]} == {4}


def test_a_trial_that_cannot_be_is_refused_in_words() -> None:
    with pytest.raises(TrialCaptureError, match="no such scenario"):
        simulate("round-the-world")
    with pytest.raises(TrialCaptureError, match="cannot be that short"):
        simulate(DEFAULT, hours=0.05)


def test_the_load_sheet_adds_up_to_the_displacement_simulated() -> None:
    for scenario in SCENARIOS.values():
        config = load_config(config_text(scenario))
        load = config.load
        tanks_kg = sum(t.capacity_l * t.fraction * t.density_kg_per_m3 / 1000.0 for t in load.tanks)
        total_kg = config.boat.lightship_kg + tanks_kg + load.persons * load.person_kg + load.gear_kg
        assert total_kg == pytest.approx(scenario.boat.displacement_kg, abs=0.01)


@pytest.mark.parametrize(
    "path", sorted(p for p in (ROOT / "configs").glob("*.toml") if p.stem != "walk_round"), ids=lambda p: p.stem
)
def test_each_example_config_loads_and_describes_the_boat_it_names(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    config = load_config(text, where=str(path))
    simulated = load_config(config_text(SCENARIOS[CONFIGS[path.stem]]))

    def without_words(config: Config) -> dict:
        data = config.model_dump()
        data["trial"].pop("notes")
        data["plan"].pop("manoeuvres")  # a rehearsal asks for those that it plays
        return data

    assert without_words(config) == without_words(simulated)
    assert text.count("#") >= 3  # it is commented


@pytest.mark.parametrize("path", sorted((ROOT / "configs" / "plans").glob("*.toml")), ids=lambda p: p.stem)
def test_each_example_plan_loads_and_can_be_run(path: Path) -> None:
    plan = load_plan(path.read_text(encoding="utf-8"), where=str(path))
    name = "displacement" if "displacement" in path.stem else "twin-planing"
    assert isinstance(plan.manoeuvres, tuple)
    assert "sound" not in plan.manoeuvres  # it is read, not driven
    assert replace(plan, manoeuvres=True) == SCENARIOS[name].plan
    assert len(build_phases(plan, SCENARIOS[name].boat)) > 20


def test_a_plan_with_faults_has_them_all_named() -> None:
    text = '[plan]\nsteps_rpm = [1000, 900]\nhold_s = "long"\nways = 0\nspeed = 3\nmarks = 1\n'
    with pytest.raises(TrialCaptureError) as caught:
        load_plan(text, where="my plan")
    for word in ("axis_deg", "ascend", "hold_s", "ways", "speed", "marks", "my plan"):
        assert word in str(caught.value)
    with pytest.raises(TrialCaptureError, match="not TOML"):
        load_plan("[plan")


def test_a_plan_of_ones_own_is_run() -> None:
    plan = Plan(
        axis_deg=10.0, steps_rpm=(900.0, 1500.0), hold_s=60.0, full_throttle=False, manoeuvres=False, warm_up_s=30.0
    )
    truth = simulate(DEFAULT, 1, plan=plan).truth
    assert [band["band_rpm"] for band in truth["bands"]] == [900.0, 1500.0]
    assert {s["direction_deg"] for s in truth["steps"]} == {10.0, 190.0}
