"""Manoeuvres rehearsed, processed and held against their truth; a small form of ``tests.accuracy --manoeuvres``."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import trialcapture
from tests.accuracy.manoeuvres import demands, run
from tests.made_once import simulated
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.rehearse.motion import Crew, Motion, integrate
from trialcapture.rehearse.scenarios import MANOEUVRES, build_phases, load_plan
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.truth import tell_manoeuvres
from trialcapture.rehearse.write import write_session

COLUMNS = [
    "session_id", "kind", "start", "direction", "from", "to", "value", "unit", "u", "conditions", "claimed", "reason",
]  # fmt: skip


@pytest.fixture(scope="module")
def motion() -> Motion:
    phases = build_phases(MANOEUVRES.plan, MANOEUVRES.boat)
    return integrate(MANOEUVRES.boat, phases, MANOEUVRES.sea, Crew((0.0, 0.0)), np.random.default_rng(1))


@pytest.fixture(scope="module")
def trial() -> SimulatedTrial:
    return simulate(MANOEUVRES, 4)


@pytest.fixture(scope="module")
def session(trial: SimulatedTrial, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manoeuvres") / "session"
    write_session(trial, folder)
    process(folder)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "rate_hz"), [(1000, 1.0), (1001, 5.0)])
def test_the_truth_of_a_few_seeds_lies_within_the_uncertainty(seed: int, rate_hz: float) -> None:
    found = run(seed, rate_hz)
    met = {what: (ok, figure) for what, ok, figure in demands(found)}
    assert met["inside the printed ±, all"][0], met
    assert met["claimed, of what was driven"][0], met


def test_the_truth_is_of_all_kinds_both_ways_and_to_both_sides(motion: Motion) -> None:
    told = tell_manoeuvres(motion, MANOEUVRES.boat, 0)
    by_kind: dict[str, set[str]] = {}
    for entry in told:
        by_kind.setdefault(entry["kind"], set()).add(entry["direction"])
    assert by_kind["acceleration"] == by_kind["stop track reach"] == {"075", "255"}
    assert by_kind["turn tactical diameter"] == by_kind["turn advance"] == {"starboard", "port"}


def test_the_boat_moves_as_boats_do(motion: Motion) -> None:
    told = {(e["kind"], e["to"], e["label"]): e["value"] for e in tell_manoeuvres(motion, MANOEUVRES.boat, 0)}
    # throttles closed she slows by a tenth to a third of g, with the gear astern sooner (common practice, no source)
    idle, astern = (told["stop time", "5 kn", how] for how in ("stop in neutral", "stop with the gear astern"))
    assert 4.0 < astern < idle < 15.0
    # a turn takes speed off, and points the bow into it
    assert 60.0 < told["turn speed kept", "690 deg", "turn to port"] < 98.0
    # ships take 5 lengths at most (IMO MSC.137(76), 5.3), a planing yacht some 10 (common practice, no source)
    assert 5.0 < told["turn tactical diameter", "180 deg", "turn to port"] / MANOEUVRES.boat.hull.length_m < 15.0


def test_the_csv_has_the_columns_of_the_contract_and_is_loaded_typed(session: Path) -> None:
    rows = list(csv.DictReader((session / "reduction" / "manoeuvres.csv").read_text(encoding="utf-8").splitlines()))
    assert list(rows[0]) == COLUMNS
    assert {row["claimed"] for row in rows} <= {"true", "false"}
    assert all(bool(row["reason"]) != (row["claimed"] == "true") for row in rows)
    assert all(bool(row["value"]) == (row["claimed"] == "true") for row in rows)
    assert [row["start"] for row in rows] == sorted(row["start"] for row in rows)
    frame = trialcapture.load(session).manoeuvres
    assert list(frame.columns) == COLUMNS
    assert frame["claimed"].dtype == bool
    assert {"075", "255", "both", "starboard", "port"} <= set(frame["direction"])
    assert frame["u"].dtype == frame["value"].dtype == float


def test_answers_and_the_table_stand_in_the_report_in_the_reader_s_units(session: Path) -> None:
    page = (session / "reduction" / "report.html").read_text(encoding="utf-8")
    assert "0 to 20 kn" in page
    assert "Table 2d." in page
    assert "Track of the turns through the water" in page
    process(session, units="us")
    assert " ft" in (session / "reduction" / "report.html").read_text(encoding="utf-8").split("Table 2d.")[1][:6000]


def test_manoeuvres_are_no_legs(trial: SimulatedTrial, session: Path) -> None:
    truth = trial.truth
    legs = trialcapture.load(session).legs
    steady = sum(step["label"].startswith("step ") for step in truth["steps"])
    begun = min(entry["start"] for entry in truth["manoeuvres"])
    # a full throttle that is held after an acceleration is steady; what turns, gathers way or stops is not
    turning = [e["start"] for e in truth["manoeuvres"] if e["kind"].startswith("turn")]
    assert (legs["start"].astype(str) < begun).sum() >= steady
    for start in turning:
        inside = (legs["start"].astype(str) >= start) & (legs["start"].astype(str) < start[:14] + "59:59")
        assert not (inside & (legs["rpm_mean"] < 2100.0)).any()


def test_a_plan_lists_its_manoeuvres() -> None:
    text = "[plan]\naxis_deg = 75.0\nsteps_rpm = [1000.0, 2000.0]\nmanoeuvres = "
    assert load_plan(text + '["turn", "stop"]').manoeuvres == ("turn", "stop")
    assert load_plan(text + "false").manoeuvres is False
    with pytest.raises(TrialCaptureError, match="manoeuvres: must be true or false, or a list"):
        load_plan(text + '["donuts"]')


@pytest.mark.parametrize("names", [("turn",), ("acceleration",), ("stop",), ("slow_planing",), ()])
def test_any_of_them_alone_can_be_run(names: tuple[str, ...]) -> None:
    plan = replace(MANOEUVRES.plan, manoeuvres=names)  # type: ignore[arg-type]
    labels = {phase.label for phase in build_phases(plan, MANOEUVRES.boat)}
    assert ("turn to port" in labels) == ("turn" in names)
    assert ("stop in neutral" in labels) == ("stop" in names)
    assert ("acceleration from rest" in labels) == bool({"acceleration", "stop"} & set(names))
    assert ("slow run-up" in labels) == ("slow_planing" in names)


def test_older_scenarios_tell_no_manoeuvres() -> None:
    assert "manoeuvres" not in simulated("small-petrol", 7, short=True).truth
