"""What people measured, found, weighed and read is tied to legs and manoeuvres, and held against what was stated."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.report.trial_tables import make_trial, typed
from trialcapture.config import Config, WalkRoundItem, load_config
from trialcapture.reduce.conditions import load_sheet
from trialcapture.reduce.note_record import (
    AFTER_LEG_NS,
    Observation,
    fuel_balance,
    named_stretches,
    stretch_at,
    walk_round_entries,
    with_note_record,
    with_noted_conditions,
    with_observations,
)
from trialcapture.reduce.summary import (
    AnswerLine,
    Manoeuvre,
    Measured,
    NotedConditions,
    NotedLoad,
    Summary,
    as_json,
    parse_summary,
)
from trialcapture.reduce.tables import iso_utc

S = 10**9
TANKS = """
[fuel]
density_kg_per_m3 = 840
[[load.tanks]]
name = "fuel"
capacity_l = 1000
fraction = 0.8
[[load.tanks]]
name = "fresh water"
capacity_l = 200
fraction = 0.5
[load]
persons = 3
[[engine]]
id = "port"
rated_rpm = 3000
"""


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return make_trial()


@pytest.fixture(scope="module")
def summary(trial: dict[str, Any]) -> Summary:
    return typed(trial["summary"])


def seen(kind: str, t_ns: int, **more: Any) -> Observation:
    stated: dict[str, Any] = {
        "value": None, "text": "seen", "where": "", "doors": "", "seconds": None, "background_db": None, "by": "Kim",
    }  # fmt: skip
    return Observation(t_ns=t_ns, kind=kind, **(stated | more))


def ends(legs: pa.Table) -> tuple[list[int], list[int]]:
    starts, stops = (legs[name].cast(pa.int64()).to_pylist() for name in ("start", "stop"))
    return starts, stops


def turn_at(start_ns: int) -> Measured:
    made = Manoeuvre("turn", iso_utc(start_ns), None, "", "", 20.0, 1.0, "s", "", True, "", "port")
    answer = AnswerLine("Turn", None, None, "", None, ())
    return Measured("turn", True, "", answer, (made,), (), ())


def test_a_note_falls_in_the_leg_or_manoeuvre_of_its_time(trial: dict[str, Any], summary: Summary) -> None:
    legs = trial["legs"]
    starts, stops = ends(legs)
    after = max(stops) + 10 * 60 * S
    found = replace(summary, measures=(turn_at(after),))
    stretches = named_stretches(found, legs)
    name = legs["band_name"].to_pylist()[0]
    course = legs["heading_true_deg_mean"].to_pylist()[0]
    first = stretch_at(starts[0], stretches)
    assert first is not None
    assert first.name == f"{name}, {round(course) % 360:03d}°"
    assert not first.is_manoeuvre
    assert stretch_at(starts[0] - 1, stretches) is None
    assert stretch_at(max(stops) + AFTER_LEG_NS - 1, stretches) is not None
    assert stretch_at(max(stops) + AFTER_LEG_NS, stretches) is None
    turn = stretch_at(after + 20 * S, stretches)
    assert turn is not None
    assert (turn.name, turn.is_manoeuvre) == ("turn port", True)
    assert stretch_at(after + 20 * S + AFTER_LEG_NS, stretches) is None


def test_what_is_noted_in_a_manoeuvre_or_said_so_is_about_handling(trial: dict[str, Any], summary: Summary) -> None:
    legs = trial["legs"]
    starts, stops = ends(legs)
    after = max(stops) + 10 * 60 * S
    findings = replace(summary, measures=(turn_at(after),))
    observed = [
        seen("remark", starts[0], text="in a leg"),
        seen("remark", starts[0], text="said so", about="handling"),
        seen("remark", after + S, text="in the turn"),
        seen("remark", after + S, text="the boat", about="boat"),
        seen("sea", after + S, text="calm"),
    ]
    made = with_observations(findings, observed, trial["bands"], legs)
    assert {r.text: r.about for r in made.remarks} == {
        "in a leg": "", "said so": "handling", "in the turn": "handling", "the boat": "", "calm": "",
    }  # fmt: skip
    assert {r.text: r.during for r in made.remarks}["in the turn"] == "turn port"
    found = [seen("finding", after + S, grade="watch"), seen("finding", starts[0], grade="good")]
    noted = with_note_record(findings, found, legs, trial["samples"], Config()).noted
    assert noted is not None
    assert [(f.about, f.during != "") for f in noted.findings] == [("handling", True), ("", True)]


def test_nothing_noted_leaves_the_findings_as_they_are(trial: dict[str, Any], summary: Summary) -> None:
    assert with_note_record(summary, [], trial["legs"], trial["samples"], Config()) is summary
    only = [seen("remark", 0), seen("sound", 0, value=70.0)]
    assert with_note_record(summary, only, trial["legs"], trial["samples"], Config()) is summary


def test_the_record_is_read_back_from_json(trial: dict[str, Any], summary: Summary) -> None:
    starts, _ = ends(trial["legs"])
    config = load_config(TANKS)
    observed = [
        seen("measure", starts[0], value=0.4, unit="m", what="deck"),
        seen("measure", starts[0], value=None, unit="m", what="odd"),
        seen("finding", starts[0], grade="odd"),
        seen("conditions", starts[0], air_temp_c=20.0),
        seen("load", starts[0], when="before", tank="fuel", litres=700.0),
        seen("photo", starts[0], file="raw/photos/a.jpg", taken_ns=starts[0], taken_from="camera"),
    ]
    config = config.model_copy(
        update={"trial": config.trial.model_copy(update={"walk_round": (ITEM, ITEM_OF_FINDING)})}
    )
    made = with_note_record(summary, observed, trial["legs"], trial["samples"], config)
    assert isinstance(made, Summary)
    assert parse_summary(json.dumps(as_json(made))) == made


ITEM = WalkRoundItem(area="Decks", what="Side deck  width", kind="measure", unit="m")
ITEM_OF_FINDING = WalkRoundItem(area="Cleats", what="bow cleat", kind="finding", standard=False)


@pytest.mark.parametrize(
    ("kind", "what", "is_open"),
    [
        ("measure", "side deck width", False),
        ("measure", " SIDE deck width ", False),
        ("finding", "side deck width", True),
        ("measure", "side deck", True),
        ("remark", "side deck width", True),
    ],
)
def test_an_item_is_open_until_it_is_noted_by_name(kind: str, what: str, is_open: bool) -> None:
    (entry, other) = walk_round_entries([ITEM, ITEM_OF_FINDING], [seen(kind, 0, what=what)])
    assert (entry.is_open, entry.is_standard) == (is_open, True)
    assert (other.is_open, other.is_standard) == (True, False)


def test_a_finding_is_answered_by_a_finding_or_a_measure() -> None:
    for kind in ("finding", "measure"):
        assert not walk_round_entries([ITEM_OF_FINDING], [seen(kind, 0, what="Bow cleat")])[0].is_open


def conditions(t: str, **more: float) -> NotedConditions:
    names = ("air_temp_c", "pressure_hpa", "wind_speed_kn", "wind_from_deg", "wave_height_m")
    return NotedConditions(t, *(more.get(name) for name in names), "", "Kim")


def test_conditions_nobody_measured_are_those_that_were_read(summary: Summary) -> None:
    bare = replace(
        summary.conditions, air_temp_c=None, pressure_hpa=None, wave_height_m=None, sea_state=None,
        wind_speed_true_kn_mean=None, wind_speed_true_kn_max=None, wind_from_true_deg=None, wind_beaufort_max=None,
    )  # fmt: skip
    noted = [
        conditions(
            "a", air_temp_c=18.0, pressure_hpa=1012.0, wind_speed_kn=10.0, wind_from_deg=350.0, wave_height_m=0.3
        ),
        conditions("b", air_temp_c=20.0, wind_speed_kn=10.0, wind_from_deg=10.0, wave_height_m=0.5),
        conditions("c"),
    ]
    told = with_noted_conditions(bare, noted)
    assert (told.air_temp_c, told.pressure_hpa, told.wave_height_m) == (19.0, 1012.0, 0.5)
    assert (told.wind_speed_true_kn_mean, told.wind_speed_true_kn_max) == (10.0, 10.0)
    assert told.wind_from_true_deg is not None
    # by hand: the mean of 350 and 10 degrees is north
    assert math.cos(math.radians(told.wind_from_true_deg)) == pytest.approx(1.0)
    assert told.wind_beaufort_max == 3  # 7 to 10 kn, WMO code table 1100, from memory
    measured = replace(bare, air_temp_c=5.0, wind_speed_true_kn_mean=2.0, sea_state=2)
    kept = with_noted_conditions(measured, noted)
    assert (kept.air_temp_c, kept.wind_speed_true_kn_mean, kept.wave_height_m) == (5.0, 2.0, None)
    opposite = [
        conditions("a", wind_speed_kn=10.0, wind_from_deg=0.0),
        conditions("b", wind_speed_kn=10.0, wind_from_deg=180.0),
    ]
    assert with_noted_conditions(bare, opposite).wind_from_true_deg is None


def test_the_longest_time_without_conditions_is_told(trial: dict[str, Any], summary: Summary) -> None:
    starts, stops = ends(trial["legs"])
    start, stop = min(starts), max(stops)
    whole = (stop - start) / S

    def gap(*times: int) -> float | None:
        observed = [seen("conditions", t, air_temp_c=20.0) for t in times]
        told = replace(summary.conditions, start=iso_utc(start), stop=iso_utc(stop))
        found = with_note_record(replace(summary, conditions=told), observed, trial["legs"], trial["samples"], Config())
        return None if found.noted is None else found.noted.conditions_gap_s

    middle = start + (stop - start) // 2
    assert gap(middle) == pytest.approx(whole / 2, abs=0.01)
    assert gap(start - 600 * S, middle) == pytest.approx(600 + whole / 2, abs=0.01)
    assert gap(stop + S) == pytest.approx(whole, abs=0.01)


def load(when: str, tank: str, litres: float) -> NotedLoad:
    return NotedLoad("t", when, tank, litres, None, None, None, "")


def flow(l_per_h: list[float | None], step_s: int = 1) -> pa.Table:
    t = np.arange(len(l_per_h), dtype=np.int64) * step_s * S
    return pa.table(
        {"t": pa.array(t).cast(pa.timestamp("ns", "UTC")), "fuel_l_per_h_port": pa.array(l_per_h, pa.float64())}
    )


def one_leg(start_s: int, stop_s: int) -> pa.Table:
    stamp = pa.timestamp("ns", "UTC")
    return pa.table(
        {
            "band_rpm": [2000.0], "band_name": ["2000 rpm"], "segment_id": pa.array([7], pa.int32()),
            "start": pa.array([start_s * S]).cast(stamp), "stop": pa.array([stop_s * S]).cast(stamp),
        }
    )  # fmt: skip


def test_fuel_on_board_is_what_was_read_less_what_was_burnt() -> None:
    config = load_config(TANKS)
    loads = [load("before", "Fuel", 800.0), load("after", "fuel", 690.0), load("before", "fresh water", 100.0)]
    found = fuel_balance(loads, one_leg(1700, 1900), flow([100.0] * 3601), config)
    assert (found.before_l, found.after_l) == (800.0, 690.0)
    # by hand: 100 L/h for an hour, and for the 1800 s to the middle of the leg
    assert found.by_flow_l == pytest.approx(100.0)
    (leg,) = found.legs
    assert (leg.segment_id, leg.band_name) == (7, "2000 rpm")
    assert leg.burnt_l == pytest.approx(50.0)
    assert leg.on_board_l == pytest.approx(750.0)
    assert leg.on_board_kg == pytest.approx(750.0 * 0.84)


def test_the_flow_is_calibrated_before_it_is_summed() -> None:
    config = load_config(TANKS + '[fuel.calibration]\nfactor = 1.1\norigin = "tank"\nu_pct = 1\n')
    found = fuel_balance([load("before", "fuel", 800.0)], one_leg(0, 0), flow([100.0] * 3601), config)
    assert found.by_flow_l == pytest.approx(110.0)


def test_a_short_hole_in_the_flow_is_bridged_and_a_long_one_is_not() -> None:
    config, before = load_config(TANKS), [load("before", "fuel", 800.0)]
    short = fuel_balance(before, one_leg(1700, 1900), flow([100.0] * 3500 + [None] * 101), config)
    assert short.by_flow_l == pytest.approx(100.0, rel=1e-3)
    lost = fuel_balance(before, one_leg(1700, 1900), flow([100.0] * 1000 + [None] * 2601), config)
    assert lost.by_flow_l is None
    assert lost.legs == ()
    assert "too little of the fuel flow" in lost.reason
    none = fuel_balance(before, one_leg(1700, 1900), flow([None] * 3601), config)
    assert none.by_flow_l is None


def test_without_a_reading_of_every_fuel_tank_nothing_is_told() -> None:
    config = load_config(TANKS)
    for loads in ([], [load("after", "fuel", 1.0)], [load("before", "fresh water", 1.0)]):
        found = fuel_balance(loads, one_leg(1700, 1900), flow([100.0] * 3601), config)
        assert found.legs == ()
        assert "not every fuel tank" in found.reason


def test_a_load_read_otherwise_than_stated_is_a_caution(trial: dict[str, Any], summary: Summary) -> None:
    config = load_config(TANKS)

    def told(**more: Any) -> list[str]:
        observed = [seen("load", 1, when="before", **more)]
        made = with_note_record(summary, observed, trial["legs"], trial["samples"], config)
        return [w.text for w in made.warnings if w.code == "load-read"]

    assert told(tank="fuel", fraction=0.81) == []
    assert told(tank="fuel", litres=800.0) == []
    assert "Read 50 % full before the runs, stated 80 %" in told(tank="FUEL", litres=500.0)[0]
    assert told(persons=3) == []
    assert "Counted 4 persons" in told(persons=4)[0]


def test_a_tank_of_the_load_sheet_tells_mass_and_share(trial: dict[str, Any], summary: Summary) -> None:
    config = load_config(TANKS)
    stated = replace(summary, load=load_sheet(config))
    observed = [
        seen("load", 1, when="before", tank="fuel", fraction=0.5),
        seen("load", 2, when="before", tank="other", litres=20.0),
    ]
    noted = with_note_record(stated, observed, trial["legs"], trial["samples"], config).noted
    assert noted is not None
    fuel, other = noted.loads
    assert (fuel.litres, fuel.fraction, fuel.kg) == (500.0, 0.5, pytest.approx(420.0))
    assert (other.litres, other.fraction, other.kg) == (20.0, None, None)
