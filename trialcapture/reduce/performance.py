"""Sanity formulas of the trade: slip, propeller law, Crouch, admiralty coefficient, specific fuel consumption."""

from __future__ import annotations

import numpy as np

from trialcapture.reduce.statistics import FloatArray
from trialcapture.units import G_M_PER_S2, KN_M_PER_S, LB_KG, convert


def apparent_slip_pct(speed_kn: float, shaft_rpm: float, pitch_m: float) -> float:
    """Return apparent slip [%]: what the boat falls short of pitch times revolutions.

    Args:
        speed_kn: Through water; with speed over ground the slip is wrong by the current.
        shaft_rpm: Of the propeller, after the gear.
        pitch_m: Of the propeller.

    Source: ``1 - V / (p n)``, any text on marine propellers.
    """
    return float(100.0 * (1.0 - speed_kn * KN_M_PER_S / (pitch_m * shaft_rpm / 60.0)))


def propeller_law_exponent(rpm: FloatArray, fuel_l_per_h: FloatArray) -> float:
    """Return the exponent of fuel against rpm, by least squares on logarithms; NaN with fewer than three points.

    The propeller law gives 3 for power; makers' curves for pleasure craft run at about 2.5 (from memory), and fuel
    follows power closely.
    """
    use = np.isfinite(rpm) & np.isfinite(fuel_l_per_h) & (rpm > 0) & (fuel_l_per_h > 0)
    if use.sum() < 3 or np.ptp(rpm[use]) == 0:
        return float(np.nan)
    return float(np.polyfit(np.log(rpm[use]), np.log(fuel_l_per_h[use]), 1)[0])


def crouch_coefficient(speed_kn: float, power_kw: float, displacement_kg: float) -> float:
    """Return Crouch's C in knots: ``V sqrt(displacement [lb] / power [shp])``.

    About 150 for runabouts and cruisers, 190 for fast runabouts, 210 for race boats, in knots (172, 218, 240 in
    miles per hour; the two lists are easily mixed up). Source: Crouch's formula as commonly tabulated (from memory).
    """
    return float(speed_kn * np.sqrt((displacement_kg / LB_KG) / convert(power_kw, "kw", "hp")))


def admiralty_coefficient(speed_kn: float, power_kw: float, displacement_kg: float) -> float:
    """Return the admiralty coefficient ``D^(2/3) V^3 / P`` with D in tonnes, V in knots, P in kW.

    Good for comparing a displacement hull with herself. Source: any text on ship powering.
    """
    return float((displacement_kg / 1000.0) ** (2.0 / 3.0) * speed_kn**3 / power_kw)


def specific_fuel_g_per_kwh(fuel_l_per_h: float, density_kg_per_m3: float, power_kw: float) -> float:
    """Return specific fuel consumption [g/kWh].

    At rated power 200 to 260 is usual for diesels, 260 to 350 for petrol engines (common practice, no source).
    """
    return fuel_l_per_h * density_kg_per_m3 / power_kw


def depth_without_correction_m(speed_kn: float, beam_m: float | None, draught_m: float | None) -> float:
    """Return the depth from which a speed trial needs no shallow-water correction [m].

    The larger of ``3 sqrt(B T)`` and ``2.75 V²/g``; the second alone where beam or draught is unknown. It is a rule
    for displacement ships and strict for planing boats: at 30 kn it asks for 67 m.

    Source: ISO 15016 and ITTC 7.5-04-01-01.1 (from memory).
    """
    by_speed = 2.75 * (speed_kn * KN_M_PER_S) ** 2 / G_M_PER_S2
    by_hull = 3.0 * np.sqrt(beam_m * draught_m) if beam_m is not None and draught_m is not None else 0.0
    return float(max(by_speed, by_hull))
