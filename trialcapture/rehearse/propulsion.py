"""Propeller, gear, engine and fuel; pure functions of arrays.

Thrust and torque come from KT and KQ at the advance ratio J = Va / (n D), written so that a stopped shaft is
an ordinary case. Fuel follows the Willans line: proportional to brake power plus the engine's own friction.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import BoatModel, EngineModel, Propeller
from trialcapture.rehearse.hull import RHO_WATER_KG_PER_M3

Floats = npt.NDArray[np.float64]

TORQUE_AT = (0.0, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 0.9, 1.0, 1.10, 1.2)
"""Engine speed over rated speed at which `TORQUE_SHARE` is given."""
TORQUE_SHARE = (0.30, 0.42, 0.55, 0.75, 0.95, 1.10, 1.10, 1.06, 1.00, 0.0, 0.0)
"""Full-throttle torque over rated torque; beyond rated speed the governor shuts down (common practice)."""
MOTORING_SHARE = 0.08
"""Drag torque of an engine with closed throttle, over rated torque."""


def thrust_n(shaft_rps: Floats, speed_m_s: Floats, propeller: Propeller) -> Floats:
    """Return the thrust that reaches the hull from one propeller [N].

    ρ D² (k0 u² + k1 u Va + k2 Va²) with u = n D and Va = V (1 − w): KT(J) ρ n² D⁴ without dividing by n.
    """
    tip = shaft_rps * propeller.diameter_m
    advance = speed_m_s * (1.0 - propeller.wake)
    k0, k1, k2 = propeller.kt
    scale = RHO_WATER_KG_PER_M3 * propeller.diameter_m**2 * (1.0 - propeller.thrust_deduction)
    return scale * (k0 * tip**2 + k1 * tip * advance + k2 * advance**2)


def shaft_torque_nm(shaft_rps: Floats, speed_m_s: Floats, propeller: Propeller) -> Floats:
    """Return the torque one propeller asks for [N·m]: KQ(J) ρ n² D⁵ without dividing by n."""
    tip = shaft_rps * propeller.diameter_m
    advance = speed_m_s * (1.0 - propeller.wake)
    k0, k1, k2 = propeller.kq
    return RHO_WATER_KG_PER_M3 * propeller.diameter_m**3 * (k0 * tip**2 + k1 * tip * advance + k2 * advance**2)


def brake_torque_nm(engine_rpm: Floats, speed_m_s: Floats, boat: BoatModel) -> Floats:
    """Return the torque one engine must give to hold this speed and rpm [N·m]."""
    engine = boat.engine
    shaft = shaft_torque_nm(engine_rpm / (60.0 * engine.gear_ratio), speed_m_s, boat.propeller)
    return shaft / (engine.gear_ratio * engine.gear_efficiency)


def rated_torque_nm(engine: EngineModel) -> float:
    """Return the torque at rated power and speed [N·m]."""
    return engine.rated_kw * 1000.0 / (engine.rated_rpm * 2.0 * np.pi / 60.0)


def full_torque_nm(engine_rpm: Floats, engine: EngineModel) -> Floats:
    """Return the torque at full throttle with the boost up [N·m]."""
    return rated_torque_nm(engine) * np.interp(engine_rpm / engine.rated_rpm, TORQUE_AT, TORQUE_SHARE)


def power_kw(engine_rpm: Floats, torque_nm: Floats) -> Floats:
    """Return brake power [kW]."""
    return torque_nm * engine_rpm * (2.0 * np.pi / 60.0) / 1000.0


def fuel_l_per_h(engine_rpm: Floats, torque_nm: Floats, engine: EngineModel) -> Floats:
    """Return the fuel rate of one engine [L/h] by the Willans line; never negative."""
    share = engine_rpm / engine.rated_rpm
    friction_kw = engine.rated_kw * (engine.friction_share[0] * share + engine.friction_share[1] * share**2)
    indicated_kw = np.maximum(power_kw(engine_rpm, torque_nm) + friction_kw, 0.15 * friction_kw)
    return indicated_kw * engine.indicated_g_per_kwh / 1000.0 / engine.fuel_kg_per_l
