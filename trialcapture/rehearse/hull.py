"""Forces on a hull: resistance and running trim from speed, thrust of propellers, wind and current met.

Friction is the ITTC-1957 line on the wetted area. Afloat, wave making is a smooth rise in the volumetric
Froude number (planing hulls) or in the length Froude number (displacement hulls); on the plane it is the
pressure drag, weight times tan(trim) (Savitsky 1964, Marine Technology 1(1):71). The flow changes from one to
the other at the hump, near a volumetric Froude number of 1 to 1.5 (Radojcic et al. 2014, Polish Maritime
Research 21(2):9), with an own lag and, where asked for, hysteresis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import BoatModel, EngineModel, Hull, Propeller
from trialcapture.rehearse.sea import TIDE_PERIOD_S, Sea, front_m_s, growth_m_s2, tide_m_s
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

Floats = npt.NDArray[np.float64]

RHO_WATER_KG_PER_M3 = 1025.0
"""Sea water at 15 °C (ITTC 7.5-02-01-03, rounded)."""
NU_WATER_M2_PER_S = 1.19e-6
"""Sea water at 15 °C (ITTC 7.5-02-01-03, rounded)."""
RHO_AIR_KG_PER_M3 = 1.22
"""Air at 15 °C and 1013 hPa (International Standard Atmosphere, rounded)."""
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


def air_drag_n(ahead_m_s: Floats, across_m_s: Floats, hull: Hull) -> Floats:
    """Return the drag of the air along the boat's axis [N], from its speed relative to her.

    X = ½ ρ C A U² cos γ / (1 − κ sin² 2γ), with γ the angle of the wind felt from the bow, C A the hull's
    ``air_drag_m2`` and κ its ``air_oblique``, δ/2 (1 − C A / (C_t A_L)) of the source (Blendermann 1994, J. Wind Eng.
    Ind. Aerodyn. 51:339; its table gives C 0.40 to 0.90 for wind from ahead, 0.55 for a speed boat).
    """
    felt2 = np.maximum(ahead_m_s**2 + across_m_s**2, 1e-12)
    oblique = 1.0 - hull.air_oblique * (2.0 * ahead_m_s * across_m_s / felt2) ** 2
    return 0.5 * RHO_AIR_KG_PER_M3 * hull.air_drag_m2 * ahead_m_s * np.sqrt(felt2) / oblique


def resistance_n(speed_m_s: Floats, share: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return the resistance in still air and calm water [N], for a speed [m/s] and a planing share."""
    friction = friction_n(speed_m_s, hull) * (1.0 - hull.wetted_drop * share)
    weight = mass_kg * G_M_PER_S2
    return friction + np.sign(speed_m_s) * weight * pressure_ratio(speed_m_s, share, hull, mass_kg)


def running_trim_deg(speed_m_s: Floats, share: Floats, hull: Hull, mass_kg: float) -> Floats:
    """Return the running trim, bow up from rest [deg]."""
    return np.degrees(np.arctan(pressure_ratio(speed_m_s, share, hull, mass_kg)))


# ------------------------------------------------------------------------------
# Propeller, gear, engine and fuel; pure functions of arrays.
#
# Thrust and torque come from KT and KQ at the advance ratio J = Va / (n D), written so that a stopped shaft is
# an ordinary case. Fuel follows the Willans line: proportional to brake power plus the engine's own friction.
# ------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------
# Where everything has settled: the speed at which the forces balance, and the fuel burnt there.
# ------------------------------------------------------------------------------

_SEARCHED_M_S = 4.0
"""The balance is sought so far on both sides of where the boat was seen (our choice)."""
_SOUGHT_EVERY_M_S = 0.02
"""Forces are taken so close, with straight lines between (our choice)."""
_HYSTERESIS_ROUNDS = 12
"""Rounds in which the planing share and its own threshold come to agree (our choice)."""


def settled_speed_m_s(
    boat: BoatModel,
    sea: Sea,
    rpm: Sequence[float],
    heading_rad: float,
    current_m_s: tuple[float, float],
    mass_kg: float,
    near_m_s: float,
) -> float:
    """Return the speed through water that the boat comes to in the end [m/s]: where thrust and drag balance.

    Args:
        boat: The boat.
        sea: Wind and waves.
        rpm: Speed of each engine [rpm].
        heading_rad: Heading [rad].
        current_m_s: Current east and north [m/s]: the wind is felt over ground.
        mass_kg: Mass [kg].
        near_m_s: Where she was seen; of several balances the nearest is taken.

    Raises:
        ValueError: No balance lies near.
    """
    hull = boat.hull
    speeds = np.arange(max(near_m_s - _SEARCHED_M_S, 0.5), near_m_s + _SEARCHED_M_S, _SOUGHT_EVERY_M_S)
    share = planing_share(speeds, hull, mass_kg)
    for _ in range(_HYSTERESIS_ROUNDS if hull.plane_hysteresis else 0):
        share = planing_share(speeds, hull, mass_kg, share)
    sin_h, cos_h = math.sin(heading_rad), math.cos(heading_rad)
    towards, wind = math.radians(sea.wind_from_deg) + math.pi, sea.wind_kn * KN_M_PER_S
    air_e = speeds * sin_h + current_m_s[0] - wind * math.sin(towards)
    air_n = speeds * cos_h + current_m_s[1] - wind * math.cos(towards)
    surplus = -resistance_n(speeds, share, hull, mass_kg)
    surplus -= air_drag_n(air_e * sin_h + air_n * cos_h, air_e * cos_h - air_n * sin_h, hull)
    facing = 0.6 + 0.4 * math.cos(heading_rad - math.radians(sea.wave_from_deg))
    surplus -= hull.wave_drag_n_per_m2 * sea.wave_height_m**2 * facing
    for turning in rpm:
        surplus += thrust_n(np.array(turning / (60.0 * boat.engine.gear_ratio)), speeds, boat.propeller)
    falls = np.flatnonzero((surplus[:-1] > 0.0) & (surplus[1:] <= 0.0))
    if not falls.size:
        raise ValueError(f"no balance within {_SEARCHED_M_S} m/s of {near_m_s:.2f} m/s")
    at = int(falls[np.argmin(np.abs(speeds[falls] - near_m_s))])
    return float(speeds[at] + _SOUGHT_EVERY_M_S * surplus[at] / (surplus[at] - surplus[at + 1]))


def settled_fuel_l_per_h(boat: BoatModel, rpm: Sequence[float], speed_m_s: float) -> float:
    """Return what all engines burn at these speeds of theirs and this speed through water [L/h]."""
    turning = np.array(rpm, dtype=np.float64)
    torque = brake_torque_nm(turning, np.array(speed_m_s), boat)
    return float(np.sum(fuel_l_per_h(turning, torque, boat.engine)))


# ------------------------------------------------------------------------------
# Water and air on a moving hull, step by step: resistance that lags behind the speed, and the current met.
# ------------------------------------------------------------------------------

_PER_M_S = 50
"""Steps of the tables of forces [1/(m/s)] (our choice)."""
_LOWEST_M_S = -4.0
"""Slowest speed of the tables: going astern."""
_HIGHEST_M_S = 45.0
"""Fastest speed of the tables."""


class Resistance:
    """Everything that holds the boat back.

    Waves and trim follow a change of speed over some boat lengths; a wave system is left behind quicker than
    it is built up.

    Attributes:
        ratio: Resistance other than friction over weight, as it has come so far.
        share: How far the flow is that of planing, 0 to 1.
    """

    def __init__(self, hull: Hull, sea: Sea, mass_kg: float) -> None:
        speeds = np.arange(_LOWEST_M_S, _HIGHEST_M_S, 1.0 / _PER_M_S)
        self.ratio = 0.0
        self.share = 0.0
        self._hull = hull
        self._friction = friction_n(speeds, hull).tolist()
        self._afloat = (np.sign(speeds) * wave_ratio(speeds, hull, mass_kg)).tolist()
        self._lifted = lift_ratio(speeds, hull, mass_kg).tolist()
        self._froude_per_m_s = float(volumetric_froude(np.ones(1), mass_kg)[0])
        towards = math.radians(sea.wind_from_deg) + math.pi
        self._wind_e = sea.wind_kn * KN_M_PER_S * math.sin(towards)
        self._wind_n = sea.wind_kn * KN_M_PER_S * math.cos(towards)
        self._wave_from = math.radians(sea.wave_from_deg)
        self._wave_n = hull.wave_drag_n_per_m2 * sea.wave_height_m**2
        self._air = 0.5 * RHO_AIR_KG_PER_M3 * hull.air_drag_m2
        self._oblique = hull.air_oblique

    def step(
        self, speed: float, heading: float, yaw: float, over_e: float, over_n: float, mass_kg: float, dt: float
    ) -> float:
        """Return the drag along the axis [N] and let waves and trim follow by one step.

        Args:
            speed: Speed through water [m/s].
            heading: Heading [rad].
            yaw: Rate of turn [rad/s].
            over_e: Speed over ground east [m/s].
            over_n: Speed over ground north [m/s].
            mass_kg: Mass now [kg].
            dt: Step [s].
        """
        hull = self._hull
        at = (speed - _LOWEST_M_S) * _PER_M_S
        cell = int(at)
        part = at - cell
        drag = self._friction[cell] + (self._friction[cell + 1] - self._friction[cell]) * part
        ratio_to = self._afloat[cell] + (self._afloat[cell + 1] - self._afloat[cell]) * part
        lag_s = hull.wave_lag_lengths * hull.waterline_m / max(speed, 2.0)
        if hull.planing:
            threshold = hull.plane_froude + hull.plane_hysteresis * (0.5 - self.share)
            exponent = (speed * self._froude_per_m_s - threshold) / hull.plane_width
            share_to = 1.0 / (1.0 + math.exp(-exponent)) if exponent > -40.0 else 0.0
            self.share += (share_to - self.share) * dt * 3.0 / lag_s
            lifted = self._lifted[cell] + (self._lifted[cell + 1] - self._lifted[cell]) * part
            ratio_to = (1.0 - self.share) * ratio_to + self.share * lifted
            drag *= 1.0 - hull.wetted_drop * self.share
        self.ratio += (ratio_to - self.ratio) * dt / (lag_s if ratio_to > self.ratio else lag_s / 4.0)
        if hull.wave_fade_m_s:
            held = min(max(speed, 0.0) / hull.wave_fade_m_s, 1.0) ** 2
        else:
            held = min(max(speed, 0.0) / 1.5, 1.0)
        drag += self.ratio * mass_kg * G_M_PER_S2 * held
        air_e, air_n = over_e - self._wind_e, over_n - self._wind_n
        ahead = air_e * math.sin(heading) + air_n * math.cos(heading)
        felt = math.hypot(air_e, air_n)
        air = self._air * ahead * felt
        if self._oblique and felt > 0.0:
            across = air_e * math.cos(heading) - air_n * math.sin(heading)
            air /= 1.0 - self._oblique * (2.0 * ahead * across / (felt * felt)) ** 2
        drag += air
        drag += hull.turn_drag * mass_kg * speed * abs(yaw)
        if speed > 0.5:
            drag += self._wave_n * (0.6 + 0.4 * math.cos(heading - self._wave_from))
        return float(drag)


class Stream:
    """The current the boat is in, and what a change of it does to the speed through water."""

    def __init__(self, sea: Sea) -> None:
        # the tide is a constant, a sine and a cosine part: told from three instants
        zero = -math.radians(sea.tide_phase_deg) / (2.0 * math.pi) * TIDE_PERIOD_S
        instants = np.array([zero, zero + TIDE_PERIOD_S / 4.0, zero + TIDE_PERIOD_S / 2.0])
        self._parts = []
        for at_0, at_90, at_180 in tide_m_s(instants, sea):
            constant = (at_0 + at_180) / 2.0
            self._parts.append((float(constant), float(at_90 - constant), float(at_0 - constant)))
        self._phase = math.radians(sea.tide_phase_deg)
        self._omega = 2.0 * math.pi / TIDE_PERIOD_S
        self._grows = growth_m_s2(sea)
        self._front = sea.front
        self._before: tuple[float, float] | None = None

    def at(self, now: float, x: float, y: float, sin_h: float, cos_h: float) -> tuple[float, float, float]:
        """Return the current east and north [m/s], and its growth along the heading since the last step [m/s].

        Args:
            now: Time since the start [s].
            x: Position east of the start [m].
            y: Position north of the start [m].
            sin_h: Sine of the heading.
            cos_h: Cosine of the heading.
        """
        swing = self._phase + self._omega * now
        sin_s, cos_s = math.sin(swing), math.cos(swing)
        (e0, e1, e2), (n0, n1, n2) = self._parts
        east, north = e0 + e1 * sin_s + e2 * cos_s, n0 + n1 * sin_s + n2 * cos_s
        east, north = east + self._grows[0] * now, north + self._grows[1] * now
        if self._front is not None:
            extra_e, extra_n = front_m_s(np.array(x), np.array(y), self._front)
            east, north = east + float(extra_e), north + float(extra_n)
        jump = 0.0
        if self._before is not None:
            jump = (east - self._before[0]) * sin_h + (north - self._before[1]) * cos_h
        self._before = (east, north)
        return east, north, jump
