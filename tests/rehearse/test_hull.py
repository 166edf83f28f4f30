"""Resistance, propellers and engines behave as published work and the trade say such boats do."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import brentq

from trialcapture.rehearse import hull
from trialcapture.rehearse import hull as hulls
from trialcapture.rehearse.boats import OLD_SEDGE, SMALL_TERN, TARN_PLOVER, BoatModel
from trialcapture.units import FT_M, KN_M_PER_S, LB_KG, convert

PLANING = [TARN_PLOVER, SMALL_TERN]
ALL = [*PLANING, OLD_SEDGE]
G = 9.80665


def drag_n(speed_m_s: float, boat: BoatModel) -> float:
    speed = np.array([speed_m_s])
    mass = boat.displacement_kg
    share = hulls.planing_share(speed, boat.hull, mass)
    air = 0.5 * hulls.RHO_AIR_KG_PER_M3 * boat.hull.air_drag_m2 * speed_m_s**2
    return float(hulls.resistance_n(speed, share, boat.hull, mass)[0]) + air


def settled_speed(rpm: float, boat: BoatModel) -> float:
    """Speed [m/s] at which thrust and drag balance; the lowest one."""
    shaft = np.array(rpm / 60.0 / boat.engine.gear_ratio)

    def surplus(speed: float) -> float:
        thrust = hull.thrust_n(shaft, np.array(speed), boat.propeller)
        return len(boat.engine_ids) * float(thrust) - drag_n(speed, boat)

    speeds = np.arange(0.2, 25.0, 0.1)
    for a, b in itertools.pairwise(speeds):
        if surplus(a) > 0 >= surplus(b):
            return float(brentq(surplus, a, b))
    raise AssertionError("no balance found")


def test_volumetric_froude_number_follows_its_definition() -> None:
    # V / sqrt(g cbrt(volume)): 5 m³ at 8, 20 and 40 kn, computed by hand from the definition
    speed = np.array([8.0, 20.0, 40.0]) * KN_M_PER_S
    assert hulls.volumetric_froude(speed, 5.0 * hulls.RHO_WATER_KG_PER_M3) == pytest.approx(
        [1.0050, 2.5125, 5.0251], abs=1e-4
    )


@pytest.mark.parametrize(("reynolds", "expected"), [(1e7, 0.0030000), (1e8, 0.00208333), (1e9, 0.00153061)])
def test_friction_is_the_ittc_1957_line(reynolds: float, expected: float) -> None:
    # ITTC 1957 model-ship correlation line, C_F = 0.075/(log10 Re - 2)²; values by arithmetic
    hull = TARN_PLOVER.hull
    speed = reynolds * hulls.NU_WATER_M2_PER_S / hull.waterline_m
    area = hull.wetted_m2 * (1.0 + hull.appendage_share)
    dynamic = 0.5 * hulls.RHO_WATER_KG_PER_M3 * speed**2 * area
    found = float(hulls.friction_n(np.array([speed]), hull)[0]) / dynamic - hulls.ROUGHNESS
    assert found == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("boat", PLANING, ids=lambda b: b.name)
def test_the_hump_lies_at_a_volumetric_froude_number_of_1_to_1_6(boat: BoatModel) -> None:
    # Radojcic et al. 2014, Polish Maritime Research 21(2):9: planing begins to pay above Fnv 1,
    # full planing at about 3 to 3.5; the hump lies in between, near the lower end
    froude = np.arange(0.3, 3.6, 0.01)
    speed = froude / float(hulls.volumetric_froude(np.array([1.0]), boat.displacement_kg)[0])
    ratio = np.array([drag_n(float(v), boat) for v in speed]) / (boat.displacement_kg * G)
    hump = np.flatnonzero((ratio[1:-1] > ratio[:-2]) & (ratio[1:-1] >= ratio[2:])) + 1
    assert hump.size == 1
    assert 1.0 <= froude[hump[0]] <= 1.6
    after = ratio[froude > froude[hump[0]]]
    assert after.min() < ratio[hump[0]] - 0.005
    # drag over weight of planing craft at the hump and at full planing (common practice, no source)
    assert 0.10 < ratio[hump[0]] < 0.18
    assert 0.10 < ratio[np.argmin(np.abs(froude - 3.0))] < 0.20


@pytest.mark.parametrize("boat", PLANING, ids=lambda b: b.name)
def test_running_trim_is_greatest_at_the_hump_and_settles_on_the_plane(boat: BoatModel) -> None:
    froude = np.arange(0.3, 3.6, 0.01)
    speed = froude / float(hulls.volumetric_froude(np.array([1.0]), boat.displacement_kg)[0])
    share = hulls.planing_share(speed, boat.hull, boat.displacement_kg)
    trim = hulls.running_trim_deg(speed, share, boat.hull, boat.displacement_kg)
    assert 1.0 <= froude[np.argmax(trim)] <= 1.7
    # a few degrees, as planing craft run (common practice, no source)
    assert 4.0 < trim.max() < 8.0
    assert 2.0 < trim[-1] < trim.max() - 2.0


def test_the_displacement_boat_meets_a_wall_at_hull_speed() -> None:
    # 1.34 sqrt(waterline in feet) knots is a length Froude number of 0.40 (common practice; Fn by arithmetic)
    hull_speed = 1.34 * np.sqrt(OLD_SEDGE.hull.waterline_m / FT_M) * KN_M_PER_S
    assert float(hulls.length_froude(np.array([hull_speed]), OLD_SEDGE.hull)[0]) == pytest.approx(0.399, abs=0.002)

    def exponent(speed: float) -> float:
        return float(np.log(drag_n(speed * 1.01, OLD_SEDGE) / drag_n(speed / 1.01, OLD_SEDGE)) / np.log(1.01**2))

    assert exponent(0.5 * hull_speed) < 2.5
    assert exponent(hull_speed) > 4.0
    assert 1.0 < settled_speed(OLD_SEDGE.steps_rpm[-1], OLD_SEDGE) / hull_speed < 1.25


def test_power_follows_the_propeller_law_in_displacement_mode() -> None:
    # P ~ n³ while the boat's resistance grows with about the square of speed (propeller law)
    rpm = np.array([900.0, 1000.0, 1100.0, 1200.0])
    power = [
        float(n * hull.brake_torque_nm(np.array(n), np.array(settled_speed(n, OLD_SEDGE)), OLD_SEDGE)) for n in rpm
    ]
    exponent = np.polyfit(np.log(rpm), np.log(power), 1)[0]
    assert 2.9 < exponent < 3.3


@pytest.mark.parametrize(
    ("boat", "low", "high"), [(TARN_PLOVER, 200, 260), (OLD_SEDGE, 200, 260), (SMALL_TERN, 260, 350)],
    ids=["diesel yacht", "diesel boat", "petrol boat"],
)  # fmt: skip
def test_specific_consumption_is_that_of_the_fuel(boat: BoatModel, low: float, high: float) -> None:
    # 200 to 260 g/kWh diesel, 260 to 350 g/kWh petrol above 40 % load (common practice, no source)
    engine = boat.engine
    for share in (0.6, 0.8, 1.0):
        rpm = np.array(share * engine.rated_rpm)
        for load in (0.4, 0.7, 1.0):
            torque = load * hull.full_torque_nm(rpm, engine)
            mass = hull.fuel_l_per_h(rpm, torque, engine) * engine.fuel_kg_per_l * 1000.0
            assert low <= float(mass / hull.power_kw(rpm, torque)) <= high


@pytest.mark.parametrize("boat", ALL, ids=lambda b: b.name)
def test_speed_and_fuel_rise_with_rpm_and_slip_is_sane(boat: BoatModel) -> None:
    speeds, fuels = [], []
    for rpm in boat.steps_rpm:
        speed = settled_speed(rpm, boat)
        torque = hull.brake_torque_nm(np.array(rpm), np.array(speed), boat)
        speeds.append(speed)
        fuels.append(float(hull.fuel_l_per_h(np.array(rpm), torque, boat.engine)))
        slip = 1.0 - speed / (boat.propeller.pitch_m * rpm / 60.0 / boat.engine.gear_ratio)
        assert 0.05 < slip < 0.6
    assert np.all(np.diff(speeds) > 0)
    assert np.all(np.diff(fuels) > 0)


@pytest.mark.parametrize("boat", PLANING, ids=lambda b: b.name)
def test_top_speed_agrees_with_crouchs_formula(boat: BoatModel) -> None:
    # Crouch: V [kn] = C sqrt(shp / lb), C 150 for average runabouts and cruisers to 190 for fast runabouts,
    # 210 for race boats (knot table from memory)
    engine = boat.engine
    shp = len(boat.engine_ids) * convert(engine.rated_kw * engine.gear_efficiency, "kW", "hp")
    speed_kn = settled_speed(engine.rated_rpm, boat) / KN_M_PER_S
    assert 150.0 <= speed_kn / np.sqrt(shp / (boat.displacement_kg / LB_KG)) <= 210.0


@pytest.mark.parametrize("boat", ALL, ids=lambda b: b.name)
def test_no_propeller_is_better_than_propellers_are(boat: BoatModel) -> None:
    ratio = np.linspace(0.05, 1.2, 200)
    kt = np.polynomial.polynomial.polyval(ratio, boat.propeller.kt)
    kq = np.polynomial.polynomial.polyval(ratio, boat.propeller.kq)
    useful = (kt > 0) & (kq > 0)
    efficiency = ratio[useful] * kt[useful] / (2.0 * np.pi * kq[useful])
    # the best open-water efficiency of small-craft propellers is 0.55 to 0.78 (common practice, no source)
    assert 0.55 < efficiency.max() < 0.78


def test_a_stopped_shaft_only_drags() -> None:
    still = hull.thrust_n(np.array(0.0), np.array([0.0, 5.0]), TARN_PLOVER.propeller)
    assert still[0] == 0.0
    assert still[1] < 0.0


def test_hysteresis_makes_the_way_up_harder_than_the_way_down() -> None:
    hull, mass = SMALL_TERN.hull, SMALL_TERN.displacement_kg
    speed = np.array([hull.plane_froude / float(hulls.volumetric_froude(np.array([1.0]), mass)[0])])
    going_up, coming_down = (float(hulls.planing_share(speed, hull, mass, share)[0]) for share in (0.0, 1.0))
    assert going_up < 0.5 < coming_down
