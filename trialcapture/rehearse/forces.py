"""Water and air on a moving hull, step by step: resistance that lags behind the speed, and the current met."""

from __future__ import annotations

import math

import numpy as np

from trialcapture.rehearse import hull as hulls
from trialcapture.rehearse.boats import Hull
from trialcapture.rehearse.sea import TIDE_PERIOD_S, Sea, front_m_s, growth_m_s2, tide_m_s
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

_PER_M_S = 50
_LOWEST_M_S = -4.0
_HIGHEST_M_S = 45.0


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
        self._friction = hulls.friction_n(speeds, hull).tolist()
        self._afloat = (np.sign(speeds) * hulls.wave_ratio(speeds, hull, mass_kg)).tolist()
        self._lifted = hulls.lift_ratio(speeds, hull, mass_kg).tolist()
        self._froude_per_m_s = float(hulls.volumetric_froude(np.ones(1), mass_kg)[0])
        towards = math.radians(sea.wind_from_deg) + math.pi
        self._wind_e = sea.wind_kn * KN_M_PER_S * math.sin(towards)
        self._wind_n = sea.wind_kn * KN_M_PER_S * math.cos(towards)
        self._wave_from = math.radians(sea.wave_from_deg)
        self._wave_n = hull.wave_drag_n_per_m2 * sea.wave_height_m**2
        self._air = 0.5 * hulls.RHO_AIR_KG_PER_M3 * hull.air_drag_m2

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
        drag += self.ratio * mass_kg * G_M_PER_S2 * min(max(speed, 0.0) / 1.5, 1.0)
        air_e, air_n = over_e - self._wind_e, over_n - self._wind_n
        ahead = air_e * math.sin(heading) + air_n * math.cos(heading)
        drag += self._air * ahead * math.hypot(air_e, air_n)
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
