"""Accelerations: against closed forms of constant acceleration, and against the simulated motion.

The truth of a simulated start is her speed through the water as the equations of motion gave it; the receiver, the
tachometer and the current that are laid over it are made here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import build_segments, no_clocks, reciprocal_legs, steady_current
from trialcapture.config import load_config
from trialcapture.measure.acceleration import measure_acceleration
from trialcapture.measure.circumstances import (
    COUNTED_S,
    Circumstances,
    Mark,
    ReadSamples,
    ReceiverLag,
    TrialSamples,
    find_circumstances,
    find_crossing,
    find_level_left_s,
)
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.reduction import reduce_segments
from trialcapture.reduce.summary import Manoeuvre, Measured, as_json
from trialcapture.rehearse.motion import Crew, integrate
from trialcapture.rehearse.scenarios import FULL, SCENARIOS, Phase

T0_NS = 1_800_000_000_000_000_000
CONFIG = load_config('[boat]\nlength_m = 12.0\n[[engine]]\nid = "main"\nrated_rpm = 2600\nidle_rpm = 600\n')
CURRENT_NE_KN = (0.6, -0.4)
HZ = 10

Trial = tuple[pa.Table, ReadSamples]


def circumstances(
    *, shows_current: bool = True, current_u_kn: float = 0.05, wind_kn: float | None = 6.0
) -> Circumstances:
    segments = build_segments(reciprocal_legs([(1000.0, 7.0)]), steady_current(0.0, 0.0), engines=("main",))
    legs, made = reduce_segments(segments, CONFIG, clocks=None)
    found = find_circumstances(legs, made, None, CONFIG)
    known = (np.array([CURRENT_NE_KN]), np.array([np.eye(2) * current_u_kn**2]))
    return replace(
        found,
        conditions=replace(found.conditions, wind_speed_true_kn_mean=wind_kn),
        current_at=lambda t_ns: tuple(np.repeat(part, len(t_ns), axis=0) for part in known),
        shows_current=shows_current,
        lag=ReceiverLag(0.0, 0.1, "made without"),
    )


def samples_of(
    t_s: np.ndarray, through_kn: np.ndarray, rpm: np.ndarray, heading_deg: np.ndarray | float = 30.0, *,
    every_s: float = 0.1, noise_kn: float = 0.0, seed: int = 1,
) -> Trial:  # fmt: skip
    """Return overview and reader of a boat with this speed through water, as a receiver shows it every so often."""
    rng = np.random.default_rng(seed)
    grid_s = np.arange(0.0, t_s[-1], 1.0 / HZ)
    read_s = np.arange(0.0, t_s[-1], every_s)
    radians = np.radians(np.broadcast_to(heading_deg, t_s.shape))
    parts = []
    for axis, drift in ((np.cos(radians), CURRENT_NE_KN[0]), (np.sin(radians), CURRENT_NE_KN[1])):
        shown = np.interp(read_s, t_s, through_kn * axis + drift) + noise_kn * rng.standard_normal(read_s.size)
        parts.append(np.interp(grid_s, read_s, shown))
    north, east = parts
    age_s = grid_s - np.floor(grid_s / every_s + 1e-9) * every_s
    t_ns = T0_NS + np.round(grid_s * 1e9).astype(np.int64)
    rpm_on_grid = np.interp(grid_s - COUNTED_S, t_s, rpm)  # a tachometer shows a change a little late
    full = pa.table(
        {
            "t": pa.array(t_ns, pa.timestamp("ns", "UTC")),
            "sog_kn": np.hypot(north, east),
            "cog_true_deg": np.degrees(np.arctan2(east, north)) % 360.0,
            "velocity_age_s": age_s,
            "heading_true_deg": np.full(grid_s.size, np.nan),
            "heading_age_s": np.full(grid_s.size, np.nan),
            "pitch_deg": np.full(grid_s.size, np.nan),
            "rudder_deg": np.full(grid_s.size, np.nan),
            "lat_deg": np.full(grid_s.size, np.nan),
            "lon_deg": np.full(grid_s.size, np.nan),
            "position_age_s": np.full(grid_s.size, np.nan),
            "rpm_main": rpm_on_grid,
            "rpm_main_age_s": np.zeros(grid_s.size),
        }
    )

    def read(start_ns: int, stop_ns: int, columns: Sequence[str]) -> pa.Table:
        first, last = np.searchsorted(t_ns, [start_ns, stop_ns])
        return full.select(list(columns)).slice(first, last - first)

    return full.take(pa.array(np.arange(HZ // 2, grid_s.size, HZ))), read


def constant(acceleration_kn_per_s: float, start_s: float = 30.0, **more: float) -> Trial:
    """A boat at rest whose speed rises evenly from the moment the throttle is opened."""
    t_s = np.arange(0.0, 60.0, 0.01)
    speed = np.clip(acceleration_kn_per_s * (t_s - start_s), 0.0, 20.0)
    rpm = 600.0 + np.clip(800.0 * (t_s - start_s), 0.0, 1500.0)
    return samples_of(t_s, speed, rpm, **more)


def measure(trial: Trial, found: Circumstances | None = None) -> Measured:
    """Return the result to 5 kn, which stands first."""
    return measure_acceleration(found or circumstances(), TrialSamples(*trial))[0]


def times(found: Measured) -> list[Manoeuvre]:
    return [m for m in found.manoeuvres if m.kind == "acceleration" and m.direction != "both"]


@pytest.mark.parametrize("acceleration", [0.5, 1.3, 3.0])
@pytest.mark.parametrize("start_s", [30.0, 30.33, 30.87])
def test_constant_acceleration_takes_five_knots_over_it(acceleration: float, start_s: float) -> None:
    # closed form: t = v / a
    found = measure(constant(acceleration, start_s))
    assert found.claimed
    assert found.answer.value == pytest.approx(5.0 / acceleration, abs=0.08)
    (start,) = times(found)
    assert start.direction_deg == pytest.approx(30.0, abs=0.5)
    assert start.direction == "030"
    assert start.u is not None
    assert start.u >= 0.1


def test_the_current_is_in_the_uncertainty_by_what_it_moves_the_crossing() -> None:
    # closed form: dt = du / a, and the fixed terms are those of a current that is known exactly
    trial = constant(0.5)
    exact, vague = (measure(trial, circumstances(current_u_kn=u)).answer.u for u in (0.0, 0.4))
    assert exact is not None
    assert vague is not None
    assert vague**2 - exact**2 == pytest.approx((0.4 / 0.5) ** 2, rel=1e-3)


@pytest.mark.parametrize("every_s", [0.2, 1.0])
def test_a_receiver_that_tells_its_speed_seldom_widens_the_uncertainty(every_s: float) -> None:
    quick, seldom = (measure(constant(1.0, every_s=e)).answer for e in (0.1, every_s))
    assert quick.value is not None
    assert quick.u is not None
    assert seldom.u is not None
    assert seldom.u > quick.u
    assert abs((seldom.value or 0.0) - quick.value) < 2.0 * seldom.u


def test_noise_of_the_receiver_is_within_the_uncertainty() -> None:
    z = []
    for seed in range(40):
        answer = measure(constant(1.0, noise_kn=0.15, every_s=0.5, seed=seed)).answer
        assert answer.value is not None
        assert answer.u is not None
        z.append((answer.value - 5.0) / answer.u)
    assert np.mean(np.abs(z) < 2.0) >= 0.95


def test_a_start_with_way_on_is_refused_with_the_speed_she_made() -> None:
    t_s = np.arange(0.0, 60.0, 0.01)
    for way_kn, claimed in ((0.6, True), (0.82, False)):
        speed = np.clip(way_kn + 1.0 * (t_s - 30.0), way_kn, 20.0)
        found = measure(samples_of(t_s, speed, 600.0 + np.clip(800.0 * (t_s - 30.0), 0.0, 1500.0)))
        assert found.claimed is claimed
        if not claimed:
            assert found.reason == "she made 0.8 kn through the water when the engine speed rose"
            assert found.answer.value is None


def test_a_current_that_nothing_shows_or_that_is_known_badly_claims_nothing() -> None:
    for how in (circumstances(shows_current=False), circumstances(current_u_kn=0.51)):
        found = measure(constant(1.0), how)
        assert not found.claimed
        assert "current" in found.reason
    assert measure(constant(1.0), circumstances(current_u_kn=0.49)).claimed


def test_one_way_without_a_wind_claims_nothing() -> None:
    assert not measure(constant(1.0), circumstances(wind_kn=None)).claimed
    found = measure(constant(1.0))
    assert [w.severity for w in found.warnings] == ["info"]
    assert found.answer.notes == ("one direction only, 030°",)


def test_a_turn_during_the_start_is_refused() -> None:
    t_s = np.arange(0.0, 60.0, 0.01)
    speed = np.clip(0.5 * (t_s - 30.0), 0.0, 20.0)
    heading = 30.0 + np.clip(12.0 * (t_s - 35.0), 0.0, 120.0)
    found = measure(samples_of(t_s, speed, 600.0 + np.clip(800.0 * (t_s - 30.0), 0.0, 1500.0), heading))
    assert found.reason == "she turned"


def test_a_blip_in_neutral_and_a_step_under_way_are_no_starts() -> None:
    t_s = np.arange(0.0, 120.0, 0.01)
    blip = np.where((t_s > 20.0) & (t_s < 23.0), 1400.0, 600.0)
    step = np.where(t_s > 80.0, 1800.0, blip)
    speed = np.where(t_s > 60.0, 8.0, 0.0)
    assert measure(samples_of(t_s, speed, step)).manoeuvres == ()


def test_fastest_of_each_way_and_mean_of_both() -> None:
    t_s = np.arange(0.0, 400.0, 0.01)
    speed, rpm = np.zeros(t_s.size), np.full(t_s.size, 600.0)
    heading = np.where(t_s < 200.0, 30.0, 210.0)
    for at_s, acceleration in ((30.0, 1.0), (130.0, 0.5), (230.0, 1.25), (330.0, 0.8)):
        going = (t_s >= at_s) & (t_s < at_s + 20.0)
        speed[going] = np.minimum(acceleration * (t_s[going] - at_s), 9.0)
        rpm[going] = 600.0 + np.minimum(800.0 * (t_s[going] - at_s), 1500.0)
    found = measure(samples_of(t_s, speed, rpm, heading), circumstances(wind_kn=None))
    assert len(times(found)) == 4
    assert found.answer.value == pytest.approx((5.0 + 4.0) / 2.0, abs=0.08)
    assert found.answer.notes == ("mean of 030° and 210°",)
    assert len(found.figures[0].series) == 4
    assert found.warnings == ()


def test_a_hole_in_the_speed_is_no_crossing() -> None:
    t_s = np.arange(0.0, 20.0, 0.1)
    speed = np.clip(t_s - 5.0, 0.0, None)
    assert find_crossing(t_s, speed, 5.0, 5.0, interval_s=0.1) is not None
    assert find_crossing(t_s, np.where(np.abs(t_s - 10.4) < 0.3, np.nan, speed), 5.0, 5.0, interval_s=0.1) is None


def test_a_hole_some_way_off_leaves_the_readings_next_to_the_crossing() -> None:
    t_s = np.arange(0.0, 20.0, 0.1)
    speed = 5.0 + 0.5 * (t_s - 10.0) - 0.005 * (t_s - 10.0) ** 2
    whole = find_crossing(t_s, speed, 5.0, 5.0, interval_s=0.1)
    holed = find_crossing(t_s, np.where(np.abs(t_s - 8.5) < 0.2, np.nan, speed), 5.0, 5.0, interval_s=0.1)
    assert whole is not None
    assert holed is not None
    assert holed.t_s == pytest.approx(10.0, abs=1e-6)
    assert holed.kn_per_s == pytest.approx(0.5, abs=1e-6)
    assert whole.t_s == pytest.approx(10.0, abs=1e-6)


def test_the_rise_lies_in_the_middle_between_two_readings() -> None:
    # readings every second, the last at idle at 0 s: the line to the next one begins there
    t_s = np.arange(-10.0, 5.0, 0.1)
    rpm = 600.0 + np.clip(900.0 * t_s, 0.0, 900.0)
    found = find_level_left_s(t_s, rpm, 1.0)
    assert found is not None
    rise_s, u_s = found
    assert rise_s == pytest.approx(0.5 - COUNTED_S, abs=0.02)
    assert u_s == pytest.approx(1.0 / np.sqrt(12.0), rel=0.05)


@pytest.mark.parametrize("name", ["twin-planing", "displacement", "small-petrol"])
def test_starts_of_simulated_boats_are_as_their_motion_says(name: str) -> None:
    scenario = SCENARIOS[name]
    boat = scenario.boat
    phases = (
        Phase("neutral", 40.0, boat.engine.idle_rpm, heading_deg=30.0),
        Phase("hold", 40.0, FULL, heading_deg=30.0),
        Phase("ramp", 6.0, boat.engine.idle_rpm, boat.engine.rated_rpm, 30.0),
        Phase("neutral", 420.0, boat.engine.idle_rpm, heading_deg=30.0),
        Phase("hold", 40.0, FULL, heading_deg=30.0),
    )
    motion = integrate(boat, phases, scenario.sea, Crew((0.0, 0.0)[: len(boat.engine_ids)]), np.random.default_rng(3))
    t_s, stw = motion.t_s, motion.series["stw_m_s"] * 3600.0 / 1852.0
    engine = next(n for n in motion.series if n.startswith("rpm_"))
    rpm = motion.series[engine]
    found = measure(samples_of(t_s, stw, rpm * 600.0 / boat.engine.idle_rpm, every_s=0.2, noise_kn=0.05))
    claimed = [m for m in times(found) if m.claimed]
    assert claimed
    for manoeuvre in claimed:
        began_s = (np.datetime64(manoeuvre.start.removesuffix("Z"), "ms").astype(np.int64) * 10**6 - T0_NS) / 1e9
        near = int(np.searchsorted(t_s, began_s))
        # truth: from the first step above idle to the first step at 5 kn
        window = slice(max(near - 400, 0), near + 400)
        rise = t_s[window][np.flatnonzero(rpm[window] > 1.02 * boat.engine.idle_rpm)[0]]
        crossing = t_s[near:][np.flatnonzero(stw[near:] >= 5.0)[0]]
        assert manoeuvre.value is not None
        assert manoeuvre.u is not None
        assert abs(manoeuvre.value - (crossing - rise)) < 2.0 * manoeuvre.u


def test_without_samples_nothing_is_measured_and_the_summary_says_so() -> None:
    segments = build_segments(reciprocal_legs([(1000.0, 7.0)]), steady_current(0.0, 0.0))
    _, _, findings = measure_trial(segments, CONFIG, clocks=no_clocks(), samples=None, session_id="t")
    (found,) = as_json(findings)["measures"]
    assert (found["name"], found["claimed"]) == ("time_to_5_kn", False)
    assert found["reason"] == "no start from idle was seen"


@pytest.mark.parametrize(("still_s", "claimed"), [(1.0, False), (1.7, True)])
def test_she_lies_still_for_most_of_the_three_seconds_before(still_s: float, claimed: bool) -> None:
    t_s = np.arange(0.0, 60.0, 0.01)
    speed = np.where(t_s < 30.0 - still_s, 1.0, 0.3) + np.clip(1.0 * (t_s - 30.0), 0.0, 20.0)
    found = measure(samples_of(t_s, speed, 600.0 + np.clip(800.0 * (t_s - 30.0), 0.0, 1500.0)))
    assert found.claimed is claimed


def test_a_single_reading_above_the_target_while_she_slows_is_no_crossing() -> None:
    t_s = np.arange(0.0, 20.0, 0.1)
    speed = 5.0 - 0.5 * (t_s - 10.0)
    speed[99], speed[100] = 4.9, 5.05
    assert find_crossing(t_s, speed, 5.0, 5.0, interval_s=0.1) is None


def test_a_start_from_idle_ahead_is_named_so_and_only_to_what_lies_well_above() -> None:
    t_s = np.arange(0.0, 90.0, 0.01)
    speed = np.clip(4.0 + 1.0 * (t_s - 30.0), 4.0, 29.0)
    found = measure_acceleration(
        circumstances(), TrialSamples(*samples_of(t_s, speed, 600.0 + np.clip(800.0 * (t_s - 30.0), 0.0, 1500.0)))
    )
    assert [m.answer.label for m in found] == ["Idle ahead to 20 kn", "Idle ahead to 30 mph"]
    # closed form: (20 - 4) / 1
    assert found[0].answer.value == pytest.approx(16.0, abs=0.1)
    assert "4.0 kn through the water at the start" in found[0].manoeuvres[0].conditions


def test_the_lag_of_the_receiver_is_taken_out_and_is_in_the_uncertainty() -> None:
    late = [
        replace(circumstances(), lag=ReceiverLag(lag_s, u_s, "")) for lag_s, u_s in ((0.0, 0.1), (0.5, 0.1), (0.5, 0.3))
    ]
    plain, taken, vague = (measure(constant(1.0), found).answer for found in late)
    assert plain.value is not None
    assert taken.value == pytest.approx(plain.value - 0.5, abs=0.02)
    assert plain.u is not None
    assert vague.u is not None
    # closed form: the lag goes in one to one
    assert vague.u**2 - plain.u**2 == pytest.approx(0.3**2 - 0.1**2, rel=1e-2)


def test_without_a_current_only_the_mean_of_both_ways_is_claimed() -> None:
    t_s = np.arange(0.0, 200.0, 0.01)
    speed, rpm = np.zeros(t_s.size), np.full(t_s.size, 600.0)
    heading = np.where(t_s < 100.0, 30.0, 210.0)
    for at_s in (30.0, 130.0):
        going = (t_s >= at_s) & (t_s < at_s + 20.0)
        speed[going] = np.minimum(1.0 * (t_s[going] - at_s), 9.0)
        rpm[going] = 600.0 + np.minimum(800.0 * (t_s[going] - at_s), 1500.0)
    found = measure(samples_of(t_s, speed, rpm, heading), circumstances(shows_current=False))
    assert found.claimed
    assert found.answer.value == pytest.approx(5.0, abs=0.12)
    assert [m.claimed for m in found.manoeuvres if m.direction != "both"] == [False] * len(times(found)) * 2
    assert all("current" in m.reason for m in times(found))


def test_a_throttle_opened_more_slowly_is_no_measure_of_the_boat() -> None:
    t_s = np.arange(0.0, 200.0, 0.01)
    speed, rpm = np.zeros(t_s.size), np.full(t_s.size, 600.0)
    for at_s, acceleration in ((30.0, 1.0), (130.0, 0.5)):
        going = (t_s >= at_s) & (t_s < at_s + 20.0)
        speed[going] = np.minimum(acceleration * (t_s[going] - at_s), 9.0)
        rpm[going] = 600.0 + np.minimum(800.0 * (t_s[going] - at_s), 1500.0)
    quick, slow = times(measure(samples_of(t_s, speed, rpm)))
    assert quick.claimed
    assert not slow.claimed
    assert "slowly" in slow.reason


def test_between_two_marks_where_no_engine_speed_is_known() -> None:
    t_s = np.arange(0.0, 60.0, 0.01)
    overview, read = samples_of(t_s, np.clip(t_s - 30.0, 0.0, 9.0), np.full(t_s.size, np.nan))
    marks = tuple(Mark(T0_NS + round(s * 1e9), "acceleration") for s in (30.0, 50.0))
    found = measure((overview, read), replace(circumstances(), marks=marks))
    assert found.claimed
    assert found.answer.value == pytest.approx(5.0, abs=0.1)
    assert (found.answer.u or 0.0) > 0.3
    assert not measure((overview, read)).claimed
