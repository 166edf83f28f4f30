"""Manoeuvres against closed forms and published definitions.

Definitions: IMO resolution MSC.137(76), section 4.2 (advance, tactical diameter, track reach, head reach), and
MSC/Circ.1053 (current from positions a full circle apart after the first 180°; times to 720°), as read. The check
values are those of analytic tracks: constant speed and rate of turn, a rate of turn that comes as 3 (1 − exp(−t/4))
deg/s, constant acceleration, and exponential approach and decay; computed apart from this program by exact arithmetic
and, for the second turn, by quadrature.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.measure.manoeuvre_samples import circumstances, samples_of, turning
from trialcapture.measure.acceleration import KN_PER_MPH, measure_acceleration
from trialcapture.measure.circumstances import TrialSamples, find_crossing, integral
from trialcapture.measure.stopping import find_stops, measure_stops
from trialcapture.measure.turning import find_turn_currents, find_turns, measure_turns
from trialcapture.reduce.summary import Manoeuvre, Measured
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

BEGIN_S = 60.0


def rows(found: tuple[Measured, ...]) -> dict[tuple[str, str], Manoeuvre]:
    return {(m.kind, m.to): m for measured in found for m in measured.manoeuvres if m.direction != "both"}


def start(t_s: np.ndarray, speed_m_s: np.ndarray) -> TrialSamples:
    rpm = np.where(t_s >= BEGIN_S, np.minimum(600.0 + 4000.0 * (t_s - BEGIN_S), 2600.0), 600.0)
    return samples_of(t_s, speed_m_s, np.full(t_s.size, 40.0), rpm)


@pytest.mark.parametrize(
    ("share_of_g", "to", "seconds", "metres"), [(0.1, "20 kn", 10.492, 53.97), (0.2, "30 mph", 6.838, 45.85)]
)
def test_constant_acceleration_to_a_speed(share_of_g: float, to: str, seconds: float, metres: float) -> None:
    t_s = np.arange(0.0, 100.0, 0.01)
    speed = np.minimum(share_of_g * G_M_PER_S2 * np.clip(t_s - BEGIN_S, 0.0, None), 20.0)
    found = rows(measure_acceleration(circumstances(), start(t_s, speed)))
    assert found["acceleration", to].value == pytest.approx(seconds, abs=0.03)
    assert found["acceleration distance", to].value == pytest.approx(metres, abs=0.3)


def test_an_acceleration_that_comes_to_rest_on_its_top_speed() -> None:
    # v = 32 (1 - exp(-t / 6)) kn
    t_s = np.arange(0.0, 130.0, 0.01)
    speed = 32.0 * (1.0 - np.exp(-np.clip(t_s - BEGIN_S, 0.0, None) / 6.0)) * KN_M_PER_S
    found = rows(measure_acceleration(circumstances(), start(t_s, speed)))
    assert found["acceleration", "20 kn"].value == pytest.approx(5.8850, abs=0.03)
    assert found["acceleration distance", "20 kn"].value == pytest.approx(35.146, abs=0.3)


def test_the_first_sample_above_would_be_late_at_1_hz() -> None:
    # first sample instead of interpolation at 1 Hz: +0.41 ± 0.30 s; here every phase of the receiver
    errors = []
    for late_s in np.arange(0.0, 1.0, 0.1):
        t_s = np.arange(0.0, 110.0, 0.01)
        since = np.clip(t_s - BEGIN_S - late_s, 0.0, None)
        rpm = np.minimum(600.0 + 4000.0 * since, 2600.0)
        speed = 32.0 * (1.0 - np.exp(-since / 6.0)) * KN_M_PER_S
        trial = samples_of(t_s, speed, np.full(t_s.size, 40.0), rpm, every_s=1.0)
        row = rows(measure_acceleration(circumstances(), trial))["acceleration", "20 kn"]
        assert row.value is not None
        assert row.u is not None
        errors.append(row.value - 5.8850)
        assert abs(errors[-1]) < 2.0 * row.u
    assert abs(np.mean(errors)) < 0.1


def test_30_mph_is_26_0693_kn() -> None:
    assert pytest.approx(26.0693, abs=1e-4) == 30.0 * KN_PER_MPH


def turn(
    settle_s: float, current_ne_m_s: tuple[float, float] = (0.0, 0.0), side: int = 1, **more: bool
) -> TrialSamples:
    t_s = np.arange(0.0, 340.0, 0.01)
    heading = turning(t_s, BEGIN_S, 3.0, settle_s, 720.0, side)
    return samples_of(
        t_s, np.full(t_s.size, 10.0), heading, np.full(t_s.size, 2000.0), current_ne_m_s=current_ne_m_s, **more
    )


ORDER = [(BEGIN_S, "helm over")]


@pytest.mark.parametrize("side", [1, -1])
def test_a_circle_at_once(side: int) -> None:
    # TC-1: V 10 m/s, r 3 deg/s: R 190.986 m, advance and transfer 190.986 m, tactical diameter 381.972 m
    found = rows(measure_turns(circumstances(marks_s=ORDER), turn(0.0, side=side)))
    assert found["turn tactical diameter", "180 deg"].value == pytest.approx(381.972, abs=0.5)
    assert found["turn advance", "90 deg"].value == pytest.approx(190.986, abs=0.5)
    assert found["turn transfer", "90 deg"].value == pytest.approx(190.986, abs=0.5)
    steady = next(m for (kind, _), m in found.items() if kind == "turn steady diameter")
    # D = 2 V / r
    assert steady.value == pytest.approx(381.972, abs=0.5)
    assert {m.direction for m in found.values()} == {"starboard" if side > 0 else "port"}


def test_a_circle_that_comes_with_a_time_constant() -> None:
    # TC-2: r = 3 (1 - exp(-t / 4)) deg/s: advance 230.284, transfer 195.030, tactical diameter 386.023 m
    found = rows(measure_turns(circumstances(marks_s=ORDER), turn(4.0)))
    assert found["turn tactical diameter", "180 deg"].value == pytest.approx(386.023, abs=0.6)
    assert found["turn advance", "90 deg"].value == pytest.approx(230.284, abs=0.6)
    assert found["turn transfer", "90 deg"].value == pytest.approx(195.030, abs=0.6)


@pytest.mark.parametrize("shows_current", [True, False])
def test_a_circle_in_a_current(shows_current: bool) -> None:
    # TC-3: as before in a current of 0.5 m/s north, 0.25 m/s west: raw advance 247.284, tactical diameter 370.023 m
    set_kn = (0.5 / KN_M_PER_S, -0.25 / KN_M_PER_S)
    known = circumstances(current_ne_kn=set_kn, shows_current=shows_current, marks_s=ORDER)
    trial = turn(4.0, (0.5, -0.25))
    ((_, current),) = find_turn_currents(known, trial)
    assert current.north_east_kn * KN_M_PER_S == pytest.approx([0.5, -0.25], abs=0.003)
    found = rows(measure_turns(known, trial))
    assert found["turn tactical diameter", "180 deg"].value == pytest.approx(386.023, abs=0.8)
    assert found["turn advance", "90 deg"].value == pytest.approx(230.284, abs=0.8)
    assert found["turn transfer", "90 deg"].value == pytest.approx(195.030, abs=0.8)


def test_advance_and_transfer_are_not_claimed_without_the_order() -> None:
    # a start at a rate of turn of 0.5 deg/s would give 223.1 m for 230.1 m, at 1 deg/s 214.5 m
    found = rows(measure_turns(circumstances(), turn(4.0)))
    for name in ("turn advance", "turn transfer"):
        row = found[name, "90 deg"]
        assert not row.claimed
        assert row.value is None
        assert "order to the helm" in row.reason


@pytest.mark.parametrize(
    ("share_of_g", "metres", "seconds"),
    [(0.10, 121.44, 15.74), (0.15, 80.96, 10.49), (0.20, 60.72, 7.87), (0.35, 34.70, 4.50)],
)
def test_a_stop_at_constant_deceleration(share_of_g: float, metres: float, seconds: float) -> None:
    # ST-1: from 30 kn to rest; to 5 and 2 kn by the closed forms (v0² - v²) / 2a and (v0 - v) / a
    v0, a = 30.0 * KN_M_PER_S, share_of_g * G_M_PER_S2
    assert (v0**2 / 2.0 / a, v0 / a) == pytest.approx((metres, seconds), abs=0.01)
    t_s = np.arange(0.0, 120.0, 0.01)
    speed = np.clip(v0 - a * np.clip(t_s - BEGIN_S, 0.0, None), 0.0, None)
    rpm = np.clip(2400.0 - 3000.0 * np.clip(t_s - BEGIN_S, 0.0, None), 600.0, None)
    found = rows(measure_stops(circumstances(), samples_of(t_s, speed, np.full(t_s.size, 40.0), rpm)))
    for target in (5.0, 2.0):
        v = target * KN_M_PER_S
        to = f"{target:.0f} kn"
        assert found["stop time", to].value == pytest.approx((v0 - v) / a, abs=0.1)
        for kind in ("stop track reach", "stop head reach"):
            assert found[kind, to].value == pytest.approx((v0**2 - v**2) / 2.0 / a, abs=1.5)


def test_a_stop_that_never_ends_has_a_stated_speed() -> None:
    # ST-2: v = 10 exp(-t / 8) m/s: 76.0 m to 0.5 m/s, 80.0 m to rest
    t_s = np.arange(-5.0, 120.0, 0.05)
    speed = 10.0 * np.exp(-np.clip(t_s, 0.0, None) / 8.0)
    crossing = find_crossing(
        t_s, speed / KN_M_PER_S, 0.5 / KN_M_PER_S, 0.0, interval_s=0.1, sense=-1
    )  # fmt: skip
    assert crossing is not None
    assert crossing.t_s == pytest.approx(8.0 * np.log(20.0), abs=0.05)
    gone = integral(t_s, speed)
    assert np.interp([crossing.t_s, 119.0], t_s, gone) - np.interp(0.0, t_s, gone) == pytest.approx(
        [76.0, 80.0], abs=0.05
    )


def test_a_zig_zag_is_no_turn_and_no_stop() -> None:
    # first-order Nomoto, K 0.5 1/s, T 2 s, 10/10: 10 deg at 3.6828 s at 4.2070 deg/s, first overshoot 2.3088 deg
    dt, rate, heading, helm, side = 0.001, 0.0, 0.0, 10.0, 1
    past = []
    track = []
    for n in range(round(60.0 / dt)):
        rate += (0.5 * helm * side - rate) / 2.0 * dt
        heading += rate * dt
        if side * heading >= 10.0:
            past.append((n * dt, rate))
            side = -side
        if n % 10 == 0:
            track.append(heading)
    assert past[0] == pytest.approx((3.6828, 4.2070), abs=0.003)
    swung = np.array(track)
    assert swung[:600].max() == pytest.approx(12.3088, abs=0.01)
    t_s = np.arange(0.0, 140.0, 0.01)
    whole = np.concatenate([np.zeros(4000), swung, np.full(t_s.size - 4000 - swung.size, swung[-1])])
    trial = samples_of(t_s, np.full(t_s.size, 10.0), whole, np.full(t_s.size, 2000.0))
    assert find_turns(circumstances(), trial) == []
    assert find_stops(circumstances(), trial) == []
    assert measure_turns(circumstances(), trial) == ()
