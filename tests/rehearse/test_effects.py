"""What makes runs differ from a boat's own speed has the size that its formula gives, and the truth leaves it out."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from trialcapture.rehearse import hull as hulls
from trialcapture.rehearse.boats import OLD_SEDGE, SMALL_TERN, TARN_PLOVER, BoatModel, FuelTank, Repeatability
from trialcapture.rehearse.motion import STEP_S, Crew, Motion, integrate, ride
from trialcapture.rehearse.scenarios import SCENARIOS, Phase, Plan, build_phases
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.truth import tell_settled
from trialcapture.units import KN_M_PER_S

CALM = Sea(48.0, -8.0, current_kn=0.0, wind_kn=0.0, wave_height_m=0.0)
BOATS = [OLD_SEDGE, SMALL_TERN, TARN_PLOVER]
CRUISE_RPM = {OLD_SEDGE.name: 1900.0, SMALL_TERN.name: 4000.0, TARN_PLOVER.name: 1800.0}


def run(boat: BoatModel, phases: list[Phase], sea: Sea = CALM) -> Motion:
    crew = Crew((0.0,) * len(boat.engine_ids), reading_share=0.0)
    return integrate(boat, tuple(phases), sea, crew, np.random.default_rng(3))


def settled_kn(boat: BoatModel, rpm: float, heading_deg: float, sea: Sea, near_kn: float) -> float:
    engines = [rpm] * len(boat.engine_ids)
    heading, near = math.radians(heading_deg), near_kn * KN_M_PER_S
    speed = hulls.settled_speed_m_s(boat, sea, engines, heading, (0.0, 0.0), boat.displacement_kg, near)
    return speed / KN_M_PER_S


def test_air_drag_is_the_formula_and_table_of_blendermann() -> None:
    # Blendermann 1994, J. Wind Eng. Ind. Aerodyn. 51:339, as restated in Fossen, Handbook of Marine Craft
    # Hydrodynamics and Motion Control (2011), section 8.1: X = q AF CDl (AL/AF) cos γ / (1 − δ/2 (1 − CDl/CDt) sin² 2γ)
    # with CDl = CDlAF AF/AL; a speed boat has CDt 0.90, CDlAF 0.55, δ 0.60
    frontal, side, felt = 16.0, 41.6, 14.0
    c_across, c_ahead, delta = 0.90, 0.55, 0.60
    along = c_ahead * frontal / side
    hull = replace(TARN_PLOVER.hull, air_drag_m2=c_ahead * frontal, air_oblique=delta / 2.0 * (1.0 - along / c_across))
    for gamma in np.radians([0.0, 20.0, 45.0, 80.0, 120.0, 180.0]):
        pressure = 0.5 * 1.22 * felt**2
        shape = np.cos(gamma) / (1.0 - 0.5 * delta * (1.0 - along / c_across) * np.sin(2.0 * gamma) ** 2)
        expected = pressure * along * (side / frontal) * shape * frontal
        found = hulls.air_drag_n(np.array(felt * np.cos(gamma)), np.array(felt * np.sin(gamma)), hull)
        assert float(found) == pytest.approx(expected, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("boat", BOATS, ids=lambda b: b.name)
@pytest.mark.parametrize("wind_from_deg", [0.0, 50.0, 90.0, 180.0])
def test_a_long_hold_ends_at_the_speed_where_the_forces_balance(boat: BoatModel, wind_from_deg: float) -> None:
    rpm = CRUISE_RPM[boat.name]
    boat = replace(boat, hull=replace(boat.hull, air_oblique=0.23))
    sea = replace(CALM, wind_kn=16.0, wind_from_deg=wind_from_deg, wave_height_m=0.2)
    motion = run(boat, [Phase("hold", 240.0, rpm)], sea)
    last = slice(-200, None)
    turning = [float(np.mean(motion.series[f"rpm_{e}"][last])) for e in boat.engine_ids]
    found = float(np.mean(motion.series["stw_m_s"][last]))
    expected = hulls.settled_speed_m_s(boat, sea, turning, 0.0, (0.0, 0.0), boat.displacement_kg, found + 0.5)
    assert found / KN_M_PER_S == pytest.approx(expected / KN_M_PER_S, abs=0.01)
    burnt = sum(float(np.mean(motion.series[f"fuel_l_per_h_{e}"][last])) for e in boat.engine_ids)
    assert hulls.settled_fuel_l_per_h(boat, turning, expected) == pytest.approx(burnt, rel=0.002)


@pytest.mark.parametrize("boat", BOATS, ids=lambda b: b.name)
def test_head_wind_slows_tail_wind_helps_and_both_ways_together_lose_a_little(boat: BoatModel) -> None:
    """The loss is what the added drag makes of it: ΔV = −ΔX / (dR/dV − dT/dV), to first order."""
    rpm = CRUISE_RPM[boat.name]
    near = float(run(boat, [Phase("hold", 120.0, rpm)]).series["stw_m_s"][-1]) / KN_M_PER_S
    still = settled_kn(boat, rpm, 0.0, CALM, near)
    breeze = replace(CALM, wind_kn=6.0, wind_from_deg=0.0)
    ahead, astern = settled_kn(boat, rpm, 0.0, breeze, near), settled_kn(boat, rpm, 180.0, breeze, near)
    assert ahead < still < astern
    assert -0.2 < (ahead + astern) / 2.0 - still < 0.0

    def surplus(speed_kn: float) -> float:
        speed = np.array(speed_kn * KN_M_PER_S)
        share = np.full(1, 0.5)
        for _ in range(60):
            share = hulls.planing_share(speed, boat.hull, boat.displacement_kg, share)
        drag = hulls.resistance_n(speed, share, boat.hull, boat.displacement_kg)
        drag = drag + hulls.air_drag_n(speed, np.array(0.0), boat.hull)
        shaft = np.array(rpm / 60.0 / boat.engine.gear_ratio)
        return float((len(boat.engine_ids) * hulls.thrust_n(shaft, speed, boat.propeller) - drag).item())

    slope = (surplus(still + 0.05) - surplus(still - 0.05)) / 0.1
    for found, wind_kn in ((ahead, 6.0), (astern, -6.0)):
        felt, own = (still + wind_kn) * KN_M_PER_S, still * KN_M_PER_S
        added = 0.5 * 1.22 * boat.hull.air_drag_m2 * (felt * abs(felt) - own**2)
        assert found - still == pytest.approx(added / slope, rel=0.15)


def test_a_slow_part_is_short_by_its_share_of_the_step_and_dies_away_with_its_time() -> None:
    share, time_s = 0.15, 60.0
    phases = [Phase("hold", 400.0, 1300.0), Phase("hold", 300.0, 1900.0)]
    slow = replace(OLD_SEDGE, hull=replace(OLD_SEDGE.hull, slow_share=share, slow_s=time_s))
    with_part, without = run(slow, phases), run(OLD_SEDGE, phases)
    short = without.series["stw_m_s"] - with_part.series["stw_m_s"]
    at = [round((400.0 + t) / STEP_S) for t in (60.0, 120.0, 180.0)]
    for early, late in pairwise(short[at]):
        assert late / early == pytest.approx(math.exp(-60.0 / time_s), rel=0.02)
    step = without.series["stw_m_s"][-1] - without.series["stw_m_s"][at[0] - round(61.0 / STEP_S)]
    # the step itself takes some seconds, as the lever is moved and the boat gathers way
    assert share * step * math.exp(-60.0 / time_s) < short[at[0]] < share * step * math.exp(-45.0 / time_s)
    # she asks for as much more fuel as she is behind
    fuel = with_part.series["fuel_l_per_h_main"][at[0]] / without.series["fuel_l_per_h_main"][at[0]]
    assert fuel - 1.0 == pytest.approx(short[at[0]] / without.series["stw_m_s"][at[0]], rel=1e-6)


def through_kn(motion: Motion, repeats: Repeatability, seed: int | None) -> np.ndarray:
    run_rng = None if seed is None else np.random.default_rng(seed)
    return ride(motion, OLD_SEDGE, CALM, np.random.default_rng(8), run_rng, repeats)["stw_kn"]


def test_runs_spread_by_the_standard_deviation_asked_for() -> None:
    motion = run(OLD_SEDGE, [Phase("hold", 60.0, 1900.0)] * 40)
    off = through_kn(motion, Repeatability(run_sd_kn=0.2), 5) - through_kn(motion, Repeatability(), None)
    ends = [round(60.0 * n / STEP_S) - 1 for n in range(2, 41)]
    # chi-square with 39 degrees of freedom, one in a thousand on either side: 0.65 to 1.37 times
    assert 0.65 < float(np.std(off[ends])) / 0.2 < 1.37


def test_wander_has_the_size_and_the_memory_asked_for() -> None:
    motion = run(OLD_SEDGE, [Phase("hold", 6000.0, 1900.0)])
    steady = Repeatability(run_sd_kn=0.0)
    restless = Repeatability(run_sd_kn=0.0, wander=((0.1, 45.0),))
    off = (through_kn(motion, restless, 5) - through_kn(motion, steady, 5))[round(120.0 / STEP_S) :]
    # about 65 independent values
    assert float(np.std(off)) == pytest.approx(0.1, rel=0.3)
    lag = round(20.0 / STEP_S)
    assert float(np.corrcoef(off[:-lag], off[lag:])[0, 1]) == pytest.approx(math.exp(-20.0 / 45.0), abs=0.2)


def test_two_lines_are_run_in_turn_and_every_second_run_goes_back() -> None:
    plan = Plan(40.0, (1300.0, 1600.0), ways=4, second_axis_deg=130.0, manoeuvres=False, full_throttle=False)
    held = [p.heading_deg for p in build_phases(plan, OLD_SEDGE) if p.kind == "hold"]
    lines = [round(h % 180.0) for h in held]
    assert lines == [40, 40, 130, 130, 130, 130, 40, 40]
    for out, back in zip(held[::2], held[1::2], strict=True):
        assert (back - out) % 360.0 == pytest.approx(180.0)


def test_settled_bands_leave_out_what_differs_and_hold_at_the_engine_speed_shown() -> None:
    plan = Plan(0.0, (1600.0, 2200.0), hold_s=90.0, manoeuvres=False, marks=False, full_throttle=False)
    sea = replace(CALM, wind_kn=12.0, wind_from_deg=10.0)
    slow = replace(OLD_SEDGE, hull=replace(OLD_SEDGE.hull, slow_share=0.15, slow_s=60.0))
    motion = run(slow, list(build_phases(plan, slow)), sea)
    plain = tell_settled(motion, slow, sea, 1.0, FuelTank())
    for step in plain:
        near = step["speed_kn"]
        ways = [settled_kn(slow, step["rpm"], way, sea, near) for way in (0.0, 180.0)]
        # fuel burnt since the start makes her lighter by less than a thousandth
        assert step["speed_kn"] == pytest.approx(np.mean(ways), abs=0.003)
        assert step["economy_nm_per_l"] == pytest.approx(step["speed_kn"] / step["fuel_l_per_h"], rel=1e-5)
        assert step["range_nm"] == pytest.approx(step["economy_nm_per_l"] * 480.0 * 0.97 * 0.9, rel=1e-5)
        assert step["still_air_kn"] > step["speed_kn"]
        assert [run["way_kn"] > 0 for run in step["runs"]] == [
            math.cos(math.radians(run["direction_deg"] - 190.0)) > 0 for run in step["runs"]
        ]
    # the first run of each step comes from below; the turn after it brings the slow part no further behind
    assert all(step["runs"][0]["unsettled_kn"] < min(step["runs"][1]["unsettled_kn"], -0.05) for step in plain)
    shown = tell_settled(motion, slow, sea, 1.01, FuelTank(capacity_error_pct=-3.0, usable_error=0.01))
    for before, after in zip(plain, shown, strict=True):
        assert after["rpm"] == pytest.approx(1.01 * before["rpm"], rel=1e-6)
        slope = np.interp(after["rpm"], *([e[key] for e in before["nearby"]] for key in ("rpm", "speed_kn")))
        assert after["speed_kn"] == pytest.approx(float(slope), abs=0.01)
        tank = 0.97 * (0.98 / 0.97)
        assert after["range_nm"] / after["economy_nm_per_l"] == pytest.approx(
            before["range_nm"] / before["economy_nm_per_l"] * tank, rel=1e-5
        )


def test_a_tachometer_shows_its_factor_on_the_network_and_in_the_log() -> None:
    scenario = replace(SCENARIOS["displacement"], vary=False, plan=Plan(0.0, (1600.0,), hold_s=60.0, manoeuvres=False))
    wrong = replace(
        scenario,
        instruments=replace(scenario.instruments, rpm_factor=1.02),
        logs=tuple(replace(log, rpm_factor=1.02) for log in scenario.logs),
    )
    shown = [_rpm_shown(simulate(s, 3, short=True)) for s in (scenario, wrong)]
    for right, high in zip(*shown, strict=True):
        assert high / right == pytest.approx(1.02, abs=0.001)


def _rpm_shown(trial) -> tuple[float, float]:
    lines = [bytes(b) for b in trial.lines["bytes"].to_pylist()]
    network = [float(line.split(b",")[2]) for line in lines if line.startswith(b"$ERXDR,T")]
    rows = [row.split(";") for row in trial.engine_logs[0].data.decode().splitlines()[4:]]
    return float(np.mean(network)), float(np.mean([float(row[1].replace(",", ".")) for row in rows if len(row) > 1]))
