"""Stops: what is found, told apart and refused with why; and that the ± holds the truth under noise and current."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measure.manoeuvre_samples import circumstances, samples_of
from trialcapture.measure.circumstances import ReceiverLag, TrialSamples
from trialcapture.measure.stopping import measure_stops
from trialcapture.reduce.summary import Manoeuvre, Measured
from trialcapture.units import KN_M_PER_S

BEGIN_S = 60.0
V0 = 20.0 * KN_M_PER_S


def stop(
    *,
    a: float = 1.0,
    heading_deg: float = 40.0,
    closed_s: float = 1.0,
    left_kn: float = 0.0,
    astern_rpm: float = 600.0,
    turn_deg: float = 0.0,
    slowing: float = 0.0,
    **more: object,
) -> TrialSamples:
    """A boat at 20 kn and 2400 rpm whose speed falls evenly when the throttles are closed."""
    t_s = np.arange(0.0, 140.0, 0.02)
    since = np.clip(t_s - BEGIN_S, 0.0, None)
    speed = np.clip(V0 - a * since, left_kn * KN_M_PER_S, None) + slowing * np.clip(BEGIN_S - t_s, 0.0, 10.0)
    rpm = np.clip(2400.0 - 1800.0 / closed_s * since, 600.0, None)
    rpm = np.where(since > closed_s + 1.0, astern_rpm, rpm)
    heading = heading_deg + turn_deg * np.clip(since / 5.0, 0.0, 1.0)
    given = {"rpm": rpm} | more
    return samples_of(t_s, speed, heading, **given)  # type: ignore[arg-type]


def both(first: TrialSamples, second_deg: float = 220.0, **more: object) -> TrialSamples:
    """Two stops, there and back."""
    t_s = np.arange(0.0, 280.0, 0.02)
    since = np.where(t_s < 140.0, np.clip(t_s - BEGIN_S, 0.0, None), np.clip(t_s - 200.0, 0.0, None))
    speed = np.clip(V0 - since, 0.0, None)
    rpm = np.clip(2400.0 - 1800.0 * since, 600.0, None)
    heading = np.where(t_s < 140.0, 40.0, second_deg)
    return samples_of(t_s, speed, heading, rpm, **more)  # type: ignore[arg-type]


def row(found: tuple[Measured, ...], kind: str, to: str, direction: str = "040") -> Manoeuvre:
    return next(
        m for measured in found for m in measured.manoeuvres
        if (m.kind, m.to, m.direction) == (f"stop {kind}", to, direction)
    )  # fmt: skip


TO_2_M = (V0**2 - (2.0 * KN_M_PER_S) ** 2) / 2.0


def test_time_and_reaches_with_their_direction_and_conditions() -> None:
    found = measure_stops(circumstances(), stop())
    assert [m.answer.label for m in found] == [
        "Stopping time, throttles to idle", "Track reach, throttles to idle", "Head reach, throttles to idle",
    ]  # fmt: skip
    reach = row(found, "track reach", "2 kn")
    assert reach.value == pytest.approx(TO_2_M, abs=1.0)
    assert (reach.from_, reach.conditions) == ("20.0 kn", "throttles to idle, from 2400 rpm")
    assert [w.code for m in found for w in m.warnings] == ["stop-one-way"]
    assert found[0].answer.notes[-1] == "one direction only, 040°"


@pytest.mark.parametrize("turn_deg", [20.0, 25.0])
def test_the_head_reach_is_shorter_than_the_track_where_she_sheers(turn_deg: float) -> None:
    found = measure_stops(circumstances(), stop(turn_deg=turn_deg))
    track, head = (row(found, kind, "5 kn").value or 0.0 for kind in ("track reach", "head reach"))
    assert np.cos(np.radians(turn_deg)) < head / track < 1.0


def test_gear_astern_is_another_kind_of_stop() -> None:
    found = measure_stops(circumstances(), stop(a=2.0, astern_rpm=1300.0))
    assert found[0].answer.label == "Stopping time, gear astern"
    assert "gear astern at 1300 rpm" in row(found, "time", "2 kn").conditions


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"closed_s": 12.0, "a": 0.5}, "the throttles were eased"),
        ({"turn_deg": 40.0}, "she turned"),
        ({"slowing": 0.15}, "her speed changed by"),
    ],
)
def test_what_is_no_stop_is_refused_with_its_reason(more: dict[str, float], reason: str) -> None:
    found = measure_stops(circumstances(), stop(**more))  # type: ignore[arg-type]
    assert not found[0].claimed
    assert reason in found[0].reason
    assert [m.value for m in found[0].manoeuvres] == [None]


@pytest.mark.parametrize(("change_kn", "claimed"), [(0.92, True), (1.08, False)])
def test_the_speed_may_change_by_a_knot_in_the_five_seconds_before(change_kn: float, claimed: bool) -> None:
    found = measure_stops(circumstances(), stop(slowing=change_kn / 5.0 * KN_M_PER_S))
    refused = [m.reason for measured in found for m in measured.manoeuvres if "her speed changed by" in m.reason]
    assert (not refused) is claimed
    assert all("1.1 kn in the 5 s before" in reason for reason in refused)


def test_a_boat_that_goes_on_in_gear_comes_to_no_stated_speed() -> None:
    found = measure_stops(circumstances(), stop(left_kn=3.5))
    assert row(found, "time", "5 kn").claimed
    assert "did not come below 2 kn" in row(found, "time", "2 kn").reason
    assert found[0].answer.notes[0] == "from 20.0 kn to 5 kn"


def test_easing_to_another_speed_is_no_stop() -> None:
    assert measure_stops(circumstances(), stop(left_kn=12.0)) == ()


def test_ways_are_meaned_and_the_current_goes_out() -> None:
    set_kn = (0.8, 0.6)
    moved = both(stop(), current_ne_m_s=tuple(x * KN_M_PER_S for x in set_kn))
    found = measure_stops(circumstances(current_ne_kn=set_kn, current_u_kn=0.2), moved)
    mean = row(found, "track reach", "2 kn", "both")
    assert mean.value == pytest.approx(TO_2_M, abs=1.0)
    one = row(found, "track reach", "2 kn")
    assert (mean.u or 0.0) < (one.u or 0.0)
    assert found[1].answer.notes[-1] == "mean of 040° and 220°"
    assert not [w for m in found for w in m.warnings]


def test_without_a_current_the_ways_are_claimed_only_together() -> None:
    moved = both(stop(), current_ne_m_s=(0.2, 0.2))
    found = measure_stops(circumstances(shows_current=False), moved)
    assert row(found, "track reach", "5 kn", "both").value == pytest.approx(
        (V0**2 - (5.0 * KN_M_PER_S) ** 2) / 2.0, rel=0.02
    )
    assert "current" in row(found, "track reach", "5 kn").reason
    alone = measure_stops(circumstances(shows_current=False), stop())
    assert not alone[0].claimed


@pytest.mark.parametrize("every_s", [0.1, 0.2, 1.0])
def test_noise_and_lag_lie_within_the_uncertainty(every_s: float) -> None:
    inside = []
    for seed in range(10):
        trial = stop(noise_kn=0.12, every_s=every_s, lag_s=0.4, seed=seed)
        found = measure_stops(circumstances(lag=ReceiverLag(0.4, 0.1, "")), trial)
        for kind, truth in (("time", V0 - 2.0 * KN_M_PER_S), ("track reach", TO_2_M), ("head reach", TO_2_M)):
            seen = row(found, kind, "2 kn")
            assert seen.value is not None
            assert seen.u is not None
            inside.append(abs(seen.value - truth) < 2.0 * seen.u)
    assert np.mean(inside) >= 0.9


def test_between_two_marks_where_no_engine_speed_is_known() -> None:
    trial = stop(rpm=np.full(7000, np.nan))
    assert measure_stops(circumstances(), trial) == ()
    found = measure_stops(circumstances(marks_s=[(BEGIN_S, "stop"), (BEGIN_S + 40.0, "end")]), trial)
    assert row(found, "track reach", "2 kn").value == pytest.approx(TO_2_M, abs=1.0)
    assert "from a mark" in row(found, "time", "2 kn").conditions


def test_without_samples_there_is_nothing() -> None:
    assert measure_stops(circumstances(), TrialSamples(None, None)) == ()
