"""Turns: what is found, what is refused with why, and that the ± holds the truth under noise and without a compass."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measure.manoeuvre_samples import circumstances, samples_of, turning
from trialcapture.measure.circumstances import ReceiverLag, TrialSamples
from trialcapture.measure.turning import find_turn_currents, find_turns, measure_turns
from trialcapture.reduce.summary import Manoeuvre, Measured

BEGIN_S = 60.0
RADIUS_M = 9.0 / np.radians(4.0)


def turn(
    turn_deg: float = 720.0, side: int = 1, *, length_s: float = 300.0, bend_deg: float = 0.0, **more: object
) -> TrialSamples:
    """A turn at 9 m/s and 4 deg/s, and what else is asked for."""
    t_s = np.arange(0.0, length_s, 0.02)
    heading = 100.0 + turning(t_s, BEGIN_S, 4.0, 1.5, turn_deg, side)
    heading -= bend_deg * np.clip((t_s - BEGIN_S + 12.0) / 10.0, 0.0, 1.0)
    given = {"rpm": np.full(t_s.size, 2000.0)} | more
    return samples_of(t_s, np.full(t_s.size, 9.0), heading, **given)  # type: ignore[arg-type]


def named(found: tuple[Measured, ...], kind: str) -> Manoeuvre:
    return next(m for measured in found for m in measured.manoeuvres if m.kind == f"turn {kind}")


def test_both_sides_stand_apart_with_their_approach() -> None:
    t_s = np.arange(0.0, 520.0, 0.02)
    heading = turning(t_s, 60.0, 4.0, 1.5, 720.0) - turning(t_s, 300.0, 3.0, 1.5, 540.0)
    found = measure_turns(circumstances(), samples_of(t_s, np.full(t_s.size, 9.0), heading, np.full(t_s.size, 1800.0)))
    labels = {m.answer.label for m in found if m.claimed}
    assert {"Tactical diameter to starboard", "Tactical diameter to port"} <= labels
    starboard, port = (m for m in found if m.name.startswith("turn_steady_diameter"))
    # D = 2 V / r
    assert starboard.answer.value == pytest.approx(2.0 * RADIUS_M, rel=0.005)
    assert port.answer.value == pytest.approx(2.0 * 9.0 / np.radians(3.0), rel=0.005)
    assert named(found, "rate").value == pytest.approx(4.0, rel=0.005)
    assert named(found, "speed kept").value == pytest.approx(100.0, abs=0.5)
    assert starboard.manoeuvres[0].conditions == "from 17.5 kn on 000 at 1800 rpm"
    (figure,) = found[0].figures
    assert figure.is_map
    assert max(figure.series[0].x) == pytest.approx(2.0 * RADIUS_M, rel=0.05)
    assert min(figure.series[1].x) < -2.0 * RADIUS_M
    assert all(not m.warnings for m in found)


def test_one_side_only_is_told() -> None:
    found = measure_turns(circumstances(), turn())
    assert [w.code for m in found for w in m.warnings] == ["turn-one-side"]


@pytest.mark.parametrize(("turn_deg", "seen"), [(180.0, 0), (290.0, 0), (310.0, 1), (360.0, 1)])
def test_a_change_of_course_is_no_turn(turn_deg: float, seen: int) -> None:
    assert len(find_turns(circumstances(), turn(turn_deg))) == seen


def test_half_a_turn_between_two_marks_is_one() -> None:
    marks = [(BEGIN_S - 1.0, "turn"), (BEGIN_S + 52.0, "end")]
    found = measure_turns(circumstances(marks_s=marks), turn(177.0))
    assert named(found, "tactical diameter").value is None
    found = measure_turns(circumstances(marks_s=marks), turn(200.0))
    assert named(found, "tactical diameter").value == pytest.approx(2.0 * RADIUS_M, rel=0.03)
    assert "not held beyond" in named(found, "steady diameter").reason


@pytest.mark.parametrize(
    ("turn_deg", "limits"),
    [(560.0, ("180 deg", "530 deg")), (571.0, ("180 deg", "540 deg")), (720.0, ("330 deg", "690 deg")),
     (940.0, ("190 deg", "910 deg"))],
)  # fmt: skip
def test_steady_values_are_those_of_whole_rounds_at_the_end(turn_deg: float, limits: tuple[str, str]) -> None:
    # MSC/Circ.1053: positions 360° apart, after the first 180°
    steady = named(measure_turns(circumstances(), turn(turn_deg)), "rate")
    assert (steady.from_, steady.to) == limits


def test_a_single_round_needs_the_current_of_the_trial() -> None:
    found = measure_turns(circumstances(shows_current=False), turn(360.0))
    assert not any(m.claimed for m in found)
    assert "the current is not known" in found[0].reason
    assert measure_turns(circumstances(), turn(360.0))[0].claimed
    assert measure_turns(circumstances(shows_current=False), turn(720.0))[0].claimed


def test_an_approach_that_bends_is_refused() -> None:
    assert measure_turns(circumstances(), turn(bend_deg=5.0))[0].claimed
    assert measure_turns(circumstances(), turn(bend_deg=40.0))[0].reason == "the approach was not straight"


def test_without_a_compass_the_course_stands_for_the_heading_and_costs_certainty() -> None:
    drift = 5.0 * (np.arange(0.0, 300.0, 0.02) > BEGIN_S)
    with_, without = (
        measure_turns(circumstances(marks_s=[(BEGIN_S, "helm")]), turn(has_heading=has, drift_deg=drift))
        for has in (True, False)
    )
    for kind in ("tactical diameter", "steady diameter"):
        seen, by_course = named(with_, kind), named(without, kind)
        assert by_course.value == pytest.approx(seen.value, rel=0.02)
        assert "by course, no heading" in by_course.conditions
    assert (named(without, "tactical diameter").u or 0.0) > (named(with_, "tactical diameter").u or 0.0)
    assert named(with_, "advance").claimed
    assert "needs a heading" in named(without, "advance").reason


@pytest.mark.parametrize("every_s", [0.1, 0.2, 1.0])
def test_the_current_of_a_turn_lies_within_its_uncertainty(every_s: float) -> None:
    # MSC/Circ.1053: the current from a full circle; here under noise, at the rates of receivers
    errors = []
    for seed in range(12):
        trial = turn(current_ne_m_s=(-0.6, 0.3), noise_kn=0.1, every_s=every_s, seed=seed)
        ((_, current),) = find_turn_currents(circumstances(shows_current=False), trial)
        off = current.north_east_kn * 0.514444 - np.array([-0.6, 0.3])
        errors += (off / np.sqrt(np.diag(current.covariance)) / 0.514444).tolist()
    assert np.mean(np.abs(errors) < 2.0) >= 0.9


def test_a_mark_of_the_order_may_be_off_by_a_hand_and_no_more() -> None:
    for late_s, claimed in ((-4.0, True), (0.3, True), (-7.5, False), (6.0, False)):
        found = measure_turns(circumstances(marks_s=[(BEGIN_S + late_s, "helm over")]), turn())
        assert named(found, "advance").claimed is claimed
    blip = measure_turns(circumstances(marks_s=[(BEGIN_S, "throttle blip")]), turn())
    assert not named(blip, "advance").claimed


def test_a_filter_that_shortens_the_velocity_is_allowed_for() -> None:
    # a first-order filter of time constant T shortens a velocity that turns at w by sqrt(1 + (w T)²)
    t_s = np.arange(0.0, 300.0, 0.02)
    shortened = 9.0 / np.sqrt(1.0 + (np.radians(4.0) * 3.0 * (t_s > BEGIN_S)) ** 2)
    heading = turning(t_s, BEGIN_S, 4.0, 1.5, 720.0)
    trial = samples_of(t_s, shortened, heading, np.full(t_s.size, 2000.0))
    row = named(measure_turns(circumstances(lag=ReceiverLag(3.0, 0.1, "")), trial), "steady diameter")
    assert row.value is not None
    assert row.u is not None
    assert abs(row.value - 2.0 * RADIUS_M) < 2.0 * row.u


def test_a_hole_in_the_speed_is_refused_with_its_reason() -> None:
    trial = turn()
    assert trial.read is not None
    whole = trial.read

    def read(start_ns: int, stop_ns: int, columns: object) -> object:
        table = whole(start_ns, stop_ns, columns)  # type: ignore[arg-type]
        hole = np.arange(table.num_rows)
        for name in ("sog_kn", "cog_true_deg"):
            values = table[name].to_numpy().copy()
            values[(hole > 500) & (hole < 700)] = np.nan
            table = table.set_column(table.column_names.index(name), name, [values])
        return table

    found = measure_turns(circumstances(), TrialSamples(trial.overview, read))  # type: ignore[arg-type]
    assert found[0].reason == "the speed in the turn is not known throughout"


def test_without_samples_there_is_nothing() -> None:
    assert measure_turns(circumstances(), TrialSamples(None, None)) == ()


@pytest.mark.parametrize("side", [1, -1])
def test_rudder_angles_tell_the_order_and_go_before_a_mark(side: int) -> None:
    t_s = np.arange(0.0, 300.0, 0.02)
    rudder = 0.5 * np.sin(t_s) + side * np.clip(10.0 * (t_s - BEGIN_S), 0.0, 30.0)
    marked = circumstances(marks_s=[(BEGIN_S + 2.0, "helm over")])
    by_rudder = named(measure_turns(marked, turn(side=side, rudder_deg=rudder)), "advance")
    by_mark = named(measure_turns(marked, turn(side=side)), "advance")
    # closed form: r (1 - exp(-t / T)) with T 1.5 s, advance from the order to 90° by quadrature
    since = np.arange(0.0, 60.0, 0.001)
    turned = np.radians(4.0) * (since - 1.5 * (1.0 - np.exp(-since / 1.5)))
    truth = float(np.sum(9.0 * np.cos(turned[turned <= np.pi / 2.0]))) * 0.001
    assert by_rudder.value == pytest.approx(truth, abs=4.0)
    assert (by_mark.value or 0.0) < truth - 12.0
    amid = named(measure_turns(circumstances(), turn(rudder_deg=np.zeros(t_s.size))), "advance")
    assert not amid.claimed
