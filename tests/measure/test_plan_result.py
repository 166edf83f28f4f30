"""The plan against the result: each cell's state, just inside and outside of what counts as a step and as a way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import PLANING_STEPS, Leg, build_segments, planing_fuel, reciprocal_legs, steady_current
from trialcapture.config import load_config
from trialcapture.measure.plan_result import NotedForPlan, SignOff, compare_plan, plan_warnings
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.summary import AnswerLine, Manoeuvre, Measured, PlanComparison
from trialcapture.reduce.tables import BANDS_SCHEMA

NOTHING = NotedForPlan((), (), 0)
STEPS = (*PLANING_STEPS[:3], PLANING_STEPS[-1])
PLAN = "axis_deg = 40\nsteps_rpm = [1000, 1500, 2000, 3500]\n"
ENGINES = '[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n'


def compared(
    legs: Sequence[Leg], plan: str = PLAN, noted: NotedForPlan = NOTHING, more: str = "", **made: Any
) -> PlanComparison:
    config = load_config(f"[boat]\nlength_m = 14.0\n{more}\n[plan]\n{plan}\n{ENGINES}")
    segments = build_segments(legs, steady_current(0.5, 100.0), **made)
    bands, table, findings = measure_trial(segments, config, clocks=None, samples=None, session_id="s")
    found = compare_plan(config, segments, table, bands, findings, noted)
    assert found is not None
    return found


def states(found: PlanComparison) -> dict[str, str]:
    return {f"{cell.step} {cell.way}".strip(): cell.state for cell in found.cells}


def ladder(steps: Sequence[tuple[float, float]] = STEPS, **more: Any) -> list[Leg]:
    return reciprocal_legs(steps, fuel=planing_fuel, **more)


REFUSED = {"accepted": False, "reason": "speed not settled: +0.42 kn/min, limit 0.3 (sog_slope_kn_per_min)"}


def test_a_plan_run_whole_has_nothing_open() -> None:
    found = compared(ladder())
    assert set(states(found).values()) == {"done"}
    assert [cell.step for cell in found.cells[::2]] == ["1000 rpm", "1500 rpm", "2000 rpm", "3500 rpm, full throttle"]
    assert [cell.way for cell in found.cells[:2]] == ["040°", "220°"]
    assert [cell.legs for cell in found.cells] == [(n,) for n in range(1, 9)]
    assert plan_warnings(found, load_config("[plan]\nsteps_rpm = [1000]"), BANDS_SCHEMA.empty_table()) == []


def test_three_of_nine_steps_are_not_called_whole() -> None:
    plan = "axis_deg = 40\nsteps_rpm = [600, 800, 1000, 1500, 2000, 2400, 2800, 3200, 3500]\n"
    found = compared(ladder(PLANING_STEPS[:3]), plan)
    assert len(found.of("missing")) == 12
    assert len(found.of("done")) == 6
    (warning,) = plan_warnings(found, load_config("[plan]\nsteps_rpm = [1000]"), BANDS_SCHEMA.empty_table())
    wanted = "Missing: 600, 800, 2400, 2800, 3200 rpm; 3500 rpm, full throttle on 040° and 220°."
    assert warning.text.endswith(wanted)


def test_one_way_only_is_half_and_names_the_way_that_is_missing() -> None:
    found = compared([*ladder(STEPS[:3]), Leg(3500.0, 29.1, 220.0, 2.0)])
    assert states(found)["3500 rpm, full throttle 220°"] == "half"
    assert states(found)["3500 rpm, full throttle 040°"] == "missing"
    assert found.of("half")[0].reason == "nothing on 040°"


def test_a_refused_run_names_the_limit() -> None:
    legs = ladder()
    legs[3] = Leg(1500.0, 8.6, 220.0, legs[3].mid_h, 15.0, extra=REFUSED)
    found = compared(legs)
    (cell,) = found.of("refused")
    assert (cell.step, cell.way, cell.legs) == ("1500 rpm", "220°", (4,))
    assert cell.reason.startswith("speed not settled: +0.42")
    assert [c.state for c in found.cells if c.step == "1500 rpm"] == ["half", "refused"]


def test_turning_or_drifting_at_that_engine_speed_is_no_try() -> None:
    legs = ladder()
    legs[3] = Leg(1500.0, 8.6, 220.0, legs[3].mid_h, extra={"accepted": False, "reason": "turning"})
    assert states(compared(legs))["1500 rpm 220°"] == "missing"


@pytest.mark.parametrize(("rpm", "state"), [(1599.0, "done"), (1601.0, "missing")])
def test_a_step_is_what_lies_within_the_half_width(rpm: float, state: str) -> None:
    legs = [*ladder([STEPS[0]]), *ladder([(rpm, 8.9)], start_h=0.4)]
    assert (
        states(compared(legs, "axis_deg = 40\nfull_throttle = false\nsteps_rpm = [1000, 1500, 2500]"))["1500 rpm 040°"]
        == state
    )


@pytest.mark.parametrize(
    ("rpm", "state"), [(3040.0, "done"), (2960.0, "missing"), (3900.0, "done"), (2000.0, "missing")]
)
def test_full_throttle_is_the_highest_speed_held_near_what_was_planned(rpm: float, state: str) -> None:
    legs = [*ladder(STEPS[:2]), *ladder([(rpm, 20.0)], start_h=1.0)]
    assert states(compared(legs))["3500 rpm, full throttle 040°"] == state


def test_below_the_highest_there_is_no_full_throttle() -> None:
    legs = [*ladder(STEPS), *ladder([(3250.0, 27.0)], start_h=2.0)]
    found = compared(legs)
    assert [cell.legs for cell in found.cells[-2:]] == [(7,), (8,)]
    assert found.beside == ("3250 rpm",)


def test_ways_lie_about_the_line_of_the_plan_and_without_one_about_the_first_run() -> None:
    legs = ladder(axis_deg=52.0)
    assert set(states(compared(legs)).values()) == {"done"}
    found = compared(legs, "steps_rpm = [1000, 1500, 2000, 3500]")
    assert found.axis_deg == 52.0
    assert {cell.way for cell in found.cells} == {"052°", "232°"}


def test_a_step_run_on_a_line_of_its_own_is_judged_by_that() -> None:
    legs = [*ladder(STEPS[:3]), *ladder(STEPS[3:], axis_deg=130.0, start_h=1.5)]
    found = compared(legs)
    assert [(c.way, c.state) for c in found.cells[-2:]] == [("130°", "done"), ("310°", "done")]


def test_runs_both_ways_that_are_no_pair_are_half() -> None:
    legs = [*ladder(STEPS[:3]), Leg(3500.0, 29.1, 40.0, 2.0), Leg(3500.0, 29.1, 180.0, 2.1)]
    cells = compared(legs).cells[-2:]
    assert [c.state for c in cells] == ["half", "half"]
    assert "not as a pair" in cells[0].reason


def test_three_ways_want_three_runs() -> None:
    found = compared(ladder(STEPS), PLAN + "ways = 3")
    assert states(found)["1000 rpm 040°, again"] == "missing"
    assert set(states(compared(ladder(STEPS, ways=3), PLAN + "ways = 3")).values()) == {"done"}


def test_one_way_asked_for_is_done_with_one() -> None:
    legs = [Leg(rpm, kn, 220.0, 0.1 * n) for n, (rpm, kn) in enumerate(STEPS)]
    found = compared(legs, PLAN + "reciprocal = false")
    assert [c.state for c in found.cells] == ["done"] * 4


def test_without_any_engine_speed_every_step_is_open_and_says_why() -> None:
    found = compared(ladder(), engines=())
    assert {c.state for c in found.cells} == {"missing"}
    assert {c.reason for c in found.cells} == {"the engine speed of no run is known"}


def test_a_steady_run_that_no_band_takes_is_not_done() -> None:
    more = "[bands]\nsteps_rpm = [1000, 2000]\nhalf_width_rpm = 150\n"
    found = compared(ladder(STEPS[:3]), "axis_deg = 40\nfull_throttle = false\nsteps_rpm = [1000, 2000]", more=more)
    assert set(states(found).values()) == {"done"}
    outside = compared(
        [*ladder(STEPS[:1]), Leg(2000.0, 11.5, 40.0, 1.0, extra=REFUSED | {"reason": "rpm not held: spread 2 %"})],
        "axis_deg = 40\nfull_throttle = false\nsteps_rpm = [1000, 2000]",
        more=more,
    )
    assert states(outside)["2000 rpm 040°"] == "refused"


# ------------------------------------------------------------------------------
# Signed off by a person.
# ------------------------------------------------------------------------------


def signed(*offs: SignOff) -> NotedForPlan:
    return NotedForPlan(offs, (), 0)


@pytest.mark.parametrize(
    ("step", "way", "closed"),
    [
        ("2000", "", 2), ("2000 rpm", "220", 1), ("2000.0", "235°", 1), ("full throttle", "", 2),
        ("3500", "40", 1), ("3500", "2", 1), ("2000", "3", 0),
        ("2000", "130", 0), ("1500", "", 0), ("2100", "", 0), ("", "", 0),
    ],
)  # fmt: skip
def test_a_hole_closes_what_it_names(step: str, way: str, closed: int) -> None:
    found = compared(ladder(STEPS[:2]), noted=signed(SignOff(step, way, "fuel ran low", "Kim")))
    assert len(found.of("signed_off")) == closed
    assert len(found.of("missing")) == 4 - closed
    assert all(c.reason == "fuel ran low (Kim)" for c in found.of("signed_off"))
    assert bool(found.unfit) == (closed == 0)


def test_nothing_is_signed_off_without_a_reason() -> None:
    found = compared(ladder(STEPS[:2]), noted=signed(SignOff("2000", "", "", "Kim")))
    assert not found.of("signed_off")
    assert found.unfit == ("2000 (no reason given)",)
    codes = [w.code for w in plan_warnings(found, load_config("[plan]\nsteps_rpm = [1]"), BANDS_SCHEMA.empty_table())]
    assert codes == ["plan-open", "plan-unfit"]


# ------------------------------------------------------------------------------
# Manoeuvres, marks and sound.
# ------------------------------------------------------------------------------


def with_manoeuvres(name: str, entries: list[Manoeuvre], plan: str, noted: NotedForPlan = NOTHING) -> PlanComparison:
    config = load_config(f"[plan]\nsteps_rpm = [1000]\naxis_deg = 40\nmanoeuvres = {plan}\n{ENGINES}")
    segments = build_segments(ladder(), steady_current(0.5, 100.0))
    bands, table, findings = measure_trial(segments, config, clocks=None, samples=None, session_id="s")
    answer = AnswerLine(name, None, None, "s", 2.0, ())
    measured = Measured(name, True, "", answer, tuple(entries), (), ())
    from dataclasses import replace  # noqa: PLC0415

    found = compare_plan(config, segments, table, bands, replace(findings, measures=(measured,)), noted)
    assert found is not None
    return found


def entry(direction_deg: float | None, claimed: bool = True, direction: str = "", reason: str = "") -> Manoeuvre:
    return Manoeuvre("x", "t", direction_deg, "0 kn", "20 kn", 8.0, 0.1, "s", "", claimed, reason, direction)


def test_accelerations_both_ways_are_asked_for_and_a_mean_of_both_is_no_run() -> None:
    found = with_manoeuvres("acceleration", [entry(42.0), entry(None, direction="both")], '["acceleration"]')
    assert states(found)["acceleration 040°"] == "half"
    assert states(found)["acceleration 220°"] == "missing"
    both = with_manoeuvres("acceleration", [entry(42.0), entry(219.0)], '["acceleration"]')
    assert [c.state for c in both.cells if c.step == "acceleration"] == ["done", "done"]


def test_a_manoeuvre_that_nothing_is_claimed_of_is_refused_with_the_reason() -> None:
    found = with_manoeuvres("stops", [entry(40.0, False, reason="the way was not straight")], '["stop"]')
    assert [(c.way, c.state, c.reason) for c in found.cells if c.step == "stop"] == [
        ("040°", "refused", "the way was not straight"), ("220°", "missing", ""),
    ]  # fmt: skip


def test_turns_are_asked_for_to_both_sides() -> None:
    found = with_manoeuvres("turns", [entry(None, direction="starboard")], '["turn"]')
    assert [(c.way, c.state) for c in found.cells if c.step == "turn"] == [("port", "missing"), ("starboard", "half")]
    off = signed(SignOff("turn", "port", "a ferry near", "Kim"))
    closed = with_manoeuvres("turns", [entry(None, direction="starboard")], '["turn"]', off)
    assert [c.state for c in closed.cells if c.step == "turn"] == ["signed_off", "half"]


def test_all_means_all_and_none_means_none() -> None:
    wanted = {c.step for c in with_manoeuvres("x", [], "true").cells if c.step_rpm is None}
    assert wanted == {"acceleration", "slow run through the planing threshold", "turn", "stop", "sound"}
    assert {c.step for c in with_manoeuvres("x", [], "false").cells if c.step_rpm is None} == set()
    assert states(with_manoeuvres("x", [], '["sound"]', NotedForPlan((), (), 1)))["sound"] == "done"


def test_throttle_blips_count_before_the_first_run_and_after_the_last() -> None:
    start = 1_790_000_000 * 10**9
    found = compared(ladder(), PLAN + "marks = true", NotedForPlan((), (start - 10**11, start - 9 * 10**10), 0))
    assert [(c.way, c.state) for c in found.cells if c.step == "marks"] == [
        ("before the runs", "done"), ("after the runs", "missing"),
    ]  # fmt: skip


def test_declared_bands_without_a_run_are_named_where_there_is_no_plan() -> None:
    config = load_config(f"[bands]\nsteps_rpm = [1000, 1500, 2000, 2800, 3500]\n{ENGINES}")
    segments = build_segments(ladder(STEPS[:3]), steady_current(0.5, 100.0))
    bands, table, findings = measure_trial(segments, config, clocks=None, samples=None, session_id="s")
    assert compare_plan(config, segments, table, bands, findings, NOTHING) is None
    (warning,) = plan_warnings(None, config, bands)
    assert (warning.code, warning.where) == ("declared-not-run", "2800, 3500 rpm")


def test_no_segment_at_all_leaves_everything_missing() -> None:
    empty = build_segments([], steady_current(0.5, 100.0))
    assert isinstance(empty, pa.Table)
    found = compared([])
    assert {c.state for c in found.cells} == {"missing"}
    assert {c.way for c in found.cells} == {"040°", "220°"}
    assert np.isfinite(found.half_width_rpm)
