"""Sanity formulas of naval architecture against worked values."""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.measure.planing import find_regimes, length_froude_number, volumetric_froude_number
from trialcapture.prepare.steady.segments import depth_froude
from trialcapture.reduce.conditions import wave_height_limit_m
from trialcapture.reduce.engine_checks import (
    admiralty_coefficient,
    apparent_slip_pct,
    crouch_coefficient,
    depth_without_correction_m,
    propeller_law_exponent,
    specific_fuel_g_per_kwh,
)
from trialcapture.units import KN_M_PER_S, convert


def test_slip_of_a_ship_over_a_day() -> None:
    # slip is what the log falls short of the engine distance (Bowditch, American Practical Navigator; from memory):
    # 3.8 m pitch, 87 rpm and 24 h make 257.054 nm, 10 kn make 240
    engine_distance_nm = 3.8 * 87 * 60 * 24 / 1852
    assert apparent_slip_pct(10.0, 87.0, 3.8) == pytest.approx(100 * (1 - 240 / engine_distance_nm), abs=1e-9)


@pytest.mark.parametrize(
    ("pitch_in", "gear", "rpm", "speed", "unit", "per_rpm_inch"),
    # speed without slip is rpm x pitch[in] / (gear x constant): 1215.22 in knots (1852 / 0.0254 / 60, exact), 1056 in
    # miles per hour (63360 / 60, exact)
    [(21.0, 1.75, 5500.0, 48.0, "kn", 1852 / 0.0254 / 60), (25.0, 1.86, 6000.0, 68.0, "mph", 63360 / 60)],
)
def test_slip_of_geared_outboards(
    pitch_in: float, gear: float, rpm: float, speed: float, unit: str, per_rpm_inch: float
) -> None:
    slip = apparent_slip_pct(convert(speed, unit, "kn"), rpm / gear, convert(pitch_in, "in", "m"))
    assert slip == pytest.approx(100 * (1 - speed * gear * per_rpm_inch / (rpm * pitch_in)), abs=1e-9)


@pytest.mark.parametrize(("speed_kn", "coefficient"), [(33.541, 150.0), (33.541 * 210 / 150, 210.0)])
def test_crouchs_constants_are_for_knots(speed_kn: float, coefficient: float) -> None:
    # 300 hp, 6000 lb: C = 150 gives 33.541 kn, C = 172 gives 38.46 mph (Crouch's formula; both constants from memory)
    power_kw, displacement_kg = convert(300.0, "hp", "kw"), convert(6000.0, "lb", "kg")
    assert crouch_coefficient(speed_kn, power_kw, displacement_kg) == pytest.approx(coefficient, rel=1e-4)
    assert convert(33.541, "kn", "mph") == pytest.approx(38.46, rel=5e-3)


@pytest.mark.parametrize(
    ("speed_kn", "by_length", "by_volume"), [(8.0, 0.4156, 1.0050), (20.0, 1.0390, 2.5125), (40.0, 2.0780, 5.0251)]
)
def test_froude_numbers_of_a_ten_metre_five_tonne_hull(speed_kn: float, by_length: float, by_volume: float) -> None:
    # definitions; values computed from g = 9.80665 m/s2
    assert length_froude_number(speed_kn, 10.0) == pytest.approx(by_length, abs=1e-4)
    assert volumetric_froude_number(speed_kn, 5.0) == pytest.approx(by_volume, abs=1e-4)


def test_regimes_by_length_begin_where_the_literature_says() -> None:
    # Radojcic et al. 2014, Polish Maritime Research 21(2):9: planing hulls superior above FnL 0.4, planing about FnL 1;
    # hull speed 1.34 sqrt(L in ft) is Fn 0.3987, 7.675 kn for 10 m
    hull_speed_kn = 1.34 * float(np.sqrt(convert(10.0, "m", "ft")))
    assert length_froude_number(hull_speed_kn, 10.0) == pytest.approx(0.3987, abs=1e-4)
    speed_kn = np.array([hull_speed_kn, 1.03 * hull_speed_kn, 19.0, 19.5])
    regimes, _ = find_regimes(np.full(4, np.nan), speed_kn, planing_hull=True, volume_m3=None, length_m=10.0)
    assert regimes == ["displacement", "between", "between", "planing"]


@pytest.mark.parametrize(
    ("speed_kn", "depth_m", "number"), [(10, 3, 0.9485), (20, 10, 1.0390), (25, 5, 1.8367), (30, 20, 1.1020)]
)
def test_depth_froude_numbers(speed_kn: float, depth_m: float, number: float) -> None:
    assert depth_froude(speed_kn, depth_m) == pytest.approx(number, abs=1e-4)


@pytest.mark.parametrize(
    ("speed_kn", "critical_m", "depth_07_m"),
    # depth Froude number V / sqrt(g h) (definition), g = 9.80665
    [
        (6, 1.0, 2.0),
        (8, 1.7, 3.5),
        (10, 2.7, 5.5),
        (15, 6.1, 12.4),
        (20, 10.8, 22.0),
        (25, 16.9, 34.4),
        (30, 24.3, 49.6),
        (40, 43.2, 88.1),
    ],
)
def test_critical_depths(speed_kn: float, critical_m: float, depth_07_m: float) -> None:
    assert depth_froude(speed_kn, critical_m) == pytest.approx(1.0, abs=0.03)
    assert depth_froude(speed_kn, depth_07_m) == pytest.approx(0.7, abs=0.015)


@pytest.mark.parametrize(("speed_kn", "depth_m"), [(10.0, 7.42), (20.0, 29.69), (30.0, 66.79)])
def test_depth_that_needs_no_correction(speed_kn: float, depth_m: float) -> None:
    # larger of 3 sqrt(B T) and 2.75 V2/g, ISO 15016 and ITTC 7.5-04-01-01.1 (from memory); B = 3.5 m, T = 0.9 m
    assert depth_without_correction_m(speed_kn, 3.5, 0.9) == pytest.approx(depth_m, abs=5e-3)
    assert depth_without_correction_m(speed_kn, None, 0.9) == pytest.approx(depth_m, abs=5e-3)
    # the second criterion is depth Froude number 1/sqrt(2.75) at every speed
    assert depth_froude(speed_kn, depth_without_correction_m(speed_kn, 3.5, 0.9)) == pytest.approx(0.603, abs=1e-3)


def test_a_slow_boat_is_judged_by_beam_and_draught() -> None:
    # same source: 3 sqrt(3.5 x 0.9) = 5.324 m
    assert depth_without_correction_m(4.0, 3.5, 0.9) == pytest.approx(5.324, abs=1e-3)


@pytest.mark.parametrize(("length_m", "height_m"), [(24.0, 0.735), (12.0, 0.520), (100.0, 1.500)])
def test_wave_height_by_eye(length_m: float, height_m: float) -> None:
    # 1.5 sqrt(L/100), ISO 15016 (from memory)
    assert wave_height_limit_m(length_m) == pytest.approx(height_m, abs=1e-3)


def test_exponent_of_an_exact_power_law_is_recovered() -> None:
    # F = 60 (n/3500)^2.7 at 1500 to 3500 rpm: 6.0900, 13.2418, 24.1883, 39.5726, 60 L/h
    rpm = np.array([1500.0, 2000.0, 2500.0, 3000.0, 3500.0])
    fuel = 60.0 * (rpm / 3500.0) ** 2.7
    assert fuel == pytest.approx([6.0900, 13.2418, 24.1883, 39.5726, 60.0], abs=5e-5)
    assert propeller_law_exponent(rpm, fuel) == pytest.approx(2.7, abs=1e-9)
    assert np.isnan(propeller_law_exponent(rpm[:2], fuel[:2]))


@pytest.mark.parametrize(("exponent", "share"), [(3.0, 0.5120), (2.7, 0.5474), (2.5, 0.5724), (2.2, 0.6121)])
def test_power_at_eighty_per_cent_of_rated_rpm(exponent: float, share: float) -> None:
    # propeller law P/P0 = (n/n0)^exponent: 3 by theory, 2.5 on makers' curves of pleasure craft (from memory)
    rpm = np.array([0.6, 0.8, 1.0]) * 3500.0
    power = (rpm / 3500.0) ** exponent
    assert power[1] == pytest.approx(share, abs=1e-4)
    assert propeller_law_exponent(rpm, power) == pytest.approx(exponent, abs=1e-9)


def test_admiralty_coefficient_of_a_twenty_tonne_boat() -> None:
    # 20 t, 20 kn, 400 kW: 147.361 (by hand, from the definition)
    assert admiralty_coefficient(20.0, 400.0, 20000.0) == pytest.approx(147.361, abs=1e-3)
    # P2 = P1 (D2/D1)^(2/3) at one speed: 400 kW at 20.4 t is 394.754 kW at 20.0 t
    power = 400.0 * admiralty_coefficient(20.0, 400.0, 20000.0) / admiralty_coefficient(20.0, 400.0, 20400.0)
    assert power == pytest.approx(394.754, abs=1e-3)


def test_specific_consumption_of_a_worked_example() -> None:
    # 50 L/h of 0.84 kg/L at 200 kW: 210.0 g/kWh (exact arithmetic)
    assert specific_fuel_g_per_kwh(50.0, 840.0, 200.0) == pytest.approx(210.0, abs=1e-9)


def test_a_current_biases_slip_by_its_share_of_speed() -> None:
    # slip needs speed through water: 1 kn of current at 10 kn changes it by a tenth of (1 - slip) (definition)
    with_current = apparent_slip_pct(11.0, 87.0, 3.8)
    assert with_current - apparent_slip_pct(10.0, 87.0, 3.8) == pytest.approx(
        -100 * KN_M_PER_S / (3.8 * 87 / 60), abs=1e-9
    )
