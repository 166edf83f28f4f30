"""What the water does to a hull: resistance and running trim from speed; pure functions of arrays.

Friction is the ITTC-1957 line on the wetted area. Afloat, wave making is a smooth rise in the volumetric
Froude number (planing hulls) or in the length Froude number (displacement hulls); on the plane it is the
pressure drag, weight times tan(trim) (Savitsky 1964, Marine Technology 1(1):71). The flow changes from one to
the other at the hump, near a volumetric Froude number of 1 to 1.5 (Radojcic et al. 2014, Polish Maritime
Research 21(2):9), with an own lag and, where asked for, hysteresis.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import Hull
from trialcapture.units import G_M_PER_S2

Floats = npt.NDArray[np.float64]

RHO_WATER_KG_PER_M3 = 1025.0
NU_WATER_M2_PER_S = 1.19e-6
RHO_AIR_KG_PER_M3 = 1.22
ROUGHNESS = 0.0004
"""Allowance for a hull that is not a model's, added to the friction coefficient (from memory)."""


def volumetric_froude(speed_m_s: Floats, mass_kg: float) -> Floats:
    """Return V / sqrt(g ∇^(1/3)) for a speed through water [m/s] and a displacement [kg]."""
    return speed_m_s / math.sqrt(G_M_PER_S2 * (mass_kg / RHO_WATER_KG_PER_M3) ** (1 / 3))


def length_froude(speed_m_s: Floats, hull: Hull) -> Floats:
    """Return V / sqrt(g L) on the waterline length."""
    return speed_m_s / math.sqrt(G_M_PER_S2 * hull.waterline_m)


def friction_n(speed_m_s: Floats, hull: Hull) -> Floats:
    """Return the friction of hull and appendages with all of the hull wetted [N].

    C_F = 0.075 / (log10 Re − 2)² (ITTC 1957), plus `ROUGHNESS`.
    """
    speed = np.maximum(np.abs(speed_m_s), 1e-3)
    reynolds = np.maximum(speed * hull.waterline_m / NU_WATER_M2_PER_S, 1e4)
    coefficient = 0.075 / (np.log10(reynolds) - 2.0) ** 2 + ROUGHNESS
    drag = 0.5 * RHO_WATER_KG_PER_M3 * speed**2 * hull.wetted_m2 * coefficient * (1.0 + hull.appendage_share)
    return np.sign(speed_m_s) * drag


def wave_ratio(speed_m_s: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return wave-making resistance over weight, afloat."""
    if hull.planing:
        froude = volumetric_froude(np.abs(speed_m_s), mass_kg)
        return hull.wave_ratio * (1.0 - np.exp(-((froude / hull.wave_froude) ** 4)))
    froude = np.minimum(length_froude(np.abs(speed_m_s), hull), 0.6)
    return hull.wave_ratio * np.expm1(hull.wave_froude * froude)


def lift_ratio(speed_m_s: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return pressure drag over weight, on the plane; 0 for a hull that does not plane."""
    return hull.lift_ratio / np.maximum(volumetric_froude(np.abs(speed_m_s), mass_kg), 0.5)


def planing_share(speed_m_s: Floats, hull: Hull, mass_kg: float, share_before: Floats | float = 0.5) -> Floats:
    """Return how far the flow is that of planing, 0 to 1, once it has settled at this speed.

    With hysteresis the threshold depends on `share_before`: higher going up than coming down.
    """
    if not hull.planing:
        return np.zeros_like(speed_m_s)
    threshold = hull.plane_froude + hull.plane_hysteresis * (0.5 - np.asarray(share_before))
    froude = volumetric_froude(speed_m_s, mass_kg)
    return 1.0 / (1.0 + np.exp(-np.clip((froude - threshold) / hull.plane_width, -60.0, 60.0)))


def pressure_ratio(speed_m_s: Floats, share: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return the part of the resistance that is not friction, over weight; also tan of the running trim."""
    afloat, lifted = wave_ratio(speed_m_s, hull, mass_kg), lift_ratio(speed_m_s, hull, mass_kg)
    return (1.0 - share) * afloat + share * lifted


def resistance_n(speed_m_s: Floats, share: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return the resistance in still air and calm water [N], for a speed [m/s] and a planing share."""
    friction = friction_n(speed_m_s, hull) * (1.0 - hull.wetted_drop * share)
    weight = mass_kg * G_M_PER_S2
    return friction + np.sign(speed_m_s) * weight * pressure_ratio(speed_m_s, share, hull, mass_kg)


def running_trim_deg(speed_m_s: Floats, share: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return the running trim, bow up from rest [deg]."""
    return np.degrees(np.arctan(pressure_ratio(speed_m_s, share, hull, mass_kg)))
