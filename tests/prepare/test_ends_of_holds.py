"""Where a steady stretch begins and ends: what is left out before a change, after it, and when too little is left."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from tests.signals import lagging, wandering
from trialcapture.config import Steady
from trialcapture.prepare.steady.criteria import Limits, Track
from trialcapture.prepare.steady.detection import Stretch, find_steady
from trialcapture.prepare.steady.exponential_settling import find_settled, fit_hold_speed, residual_variance

Floats = npt.NDArray[np.float64]
DT = 0.25
CHANGE_S = 200.0
T_S = np.arange(round(400.0 / DT)) * DT


def detect(sog_kn: Floats, rpm: Floats, heading_deg: Floats, *, over_ground: bool = False) -> list[Stretch]:
    return find_steady(Track(sog_kn, rpm[None, :], heading_deg, DT, over_ground), Limits(Steady()))


def accepted(found: list[Stretch]) -> list[tuple[float, float]]:
    return [(s.start * DT, s.stop * DT) for s in found if s.accepted]


@pytest.mark.parametrize(("what", "lead_s"), [("heading", 6.0), ("course", 15.0), ("rpm", 2.0)])
def test_the_last_seconds_before_a_change_are_left_out(what: str, lead_s: float) -> None:
    """A helm is put over before the heading shows it, and long before a course over ground does."""
    changed = T_S >= CHANGE_S
    heading = np.where(changed & (what != "rpm"), 130.0, 40.0)
    rpm = np.where(changed & (what == "rpm"), 2900.0, 2500.0)
    sog = 20.0 + wandering(T_S.size, DT, 0.03, 2.0, np.random.default_rng(1))
    before, after = accepted(detect(sog, rpm, heading, over_ground=what == "course"))
    assert CHANGE_S - lead_s - 1.5 <= before[1] <= CHANGE_S - lead_s
    # and the guard time after it, 20 s by default; the end of the recording is no helm put over
    assert CHANGE_S + 20.0 <= after[0] <= CHANGE_S + 23.0
    assert after[1] == pytest.approx(T_S[-1] + DT - 2.0, abs=0.5)


def held_for(seconds: float) -> list[Stretch]:
    """What is found of a hold between two others, in which the speed follows at once."""
    rpm = np.where(np.abs(T_S - 100.0 - seconds / 2.0) <= seconds / 2.0, 2500.0, 2000.0)
    found = detect(rpm / 100.0, rpm, np.full(T_S.size, 40.0))
    return [s for s in found if s.start * DT >= 98.0 and s.stop * DT <= 100.0 + seconds]


@pytest.mark.parametrize(("seconds", "is_long_enough"), [(46.5, False), (48.5, False), (50.5, True), (60.0, True)])
def test_thirty_seconds_must_be_left_of_a_hold(seconds: float, is_long_enough: bool) -> None:
    """Of a hold the throttle's own 2 s go, 3 s at its ends and 15 s of guard time at the least: 50 s are needed."""
    [only] = held_for(seconds)
    assert only.accepted is is_long_enough
    if is_long_enough:
        assert (only.stop - only.start) * DT >= 30.0
    else:
        assert only.reason.startswith("too short: ")
        assert only.reason.endswith("30 s needed (min_duration_s)")


@pytest.mark.parametrize(("sog_kn", "reason"), [(0.97, "lying still"), (1.03, "")])
def test_a_boat_that_makes_no_way_is_not_measured(sog_kn: float, reason: str) -> None:
    [only] = detect(np.full(T_S.size, sog_kn), np.full(T_S.size, 800.0), np.full(T_S.size, 40.0))
    assert only.reason.partition(":")[0] == reason
    assert only.accepted is (reason == "")


@pytest.mark.parametrize(("rpm", "sog_kn", "reason"), [(760.0, 1.9, "idling"), (760.0, 2.1, ""), (780.0, 1.9, "")])
def test_below_two_knots_at_idle_nothing_tells_driving_from_drifting(rpm: float, sog_kn: float, reason: str) -> None:
    n = T_S.size
    track = Track(np.full(n, sog_kn), np.full((1, n), rpm), np.full(n, 40.0), DT)
    # idle speed and a tenth: 770 rpm
    [only] = find_steady(track, Limits(Steady(), idle_rpm=700.0))
    assert only.reason.partition(":")[0] == reason


@pytest.mark.parametrize("memory_s", [1.0, 3.0])
def test_slow_noise_is_no_approach(memory_s: float) -> None:
    """What noise that remembers takes off the start of a hold is the exception: one in seven at the most."""
    approaches = 0
    for seed in range(60):
        v = 20.0 + wandering(round(120.0 / DT), DT, 0.15, memory_s, np.random.default_rng(seed))
        speed = fit_hold_speed(v, DT)
        approaches += find_settled(speed, residual_variance(speed)).excess_kn != 0.0
    assert approaches <= 8


@pytest.mark.parametrize("tau_s", [8.0, 15.0])
def test_an_approach_is_one_in_spite_of_noise_that_remembers(tau_s: float) -> None:
    for seed in range(20):
        target = np.concatenate([[15.0], np.full(round(120.0 / DT), 20.0)])
        v = lagging(target, DT, tau_s)[1:] + wandering(round(120.0 / DT), DT, 0.1, 2.0, np.random.default_rng(seed))
        speed = fit_hold_speed(v, DT)
        approach = find_settled(speed, residual_variance(speed))
        assert approach.excess_kn < 0.0
        assert approach.settled_s > 2.0 * tau_s
