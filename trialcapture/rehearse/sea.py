"""Water and air of the trial area: tide, a current front, wind, waves, depth, noise. Pure functions.

Directions: current *towards*, wind and waves *from*, degrees true. Positions are metres east and north of the
start. Everything varies slowly and smoothly; what is random is drawn once, by the scenario's seed.

Seeded noise has memory, and lags are of first order, on uniform grids.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import bilinear, lfilter, lfilter_zi

from trialcapture.units import G_M_PER_S2

Floats = npt.NDArray[np.float64]

TIDE_PERIOD_S = 12.4206012 * 3600.0
"""Period of the principal lunar tide M2 [s]: 12.42 h."""
_WAVE_COUNT = 7
"""Sines that make up the waves (our choice)."""


@dataclass(frozen=True, slots=True)
class Front:
    """A line in the water behind which the current is another one.

    Attributes:
        at_m: Distance of the line from the start, along `normal_deg` [m].
        normal_deg: Direction across the line [deg true].
        width_m: How sharp it is [m].
        extra_kn: Current added behind it [kn].
        extra_towards_deg: Direction of that addition [deg true].
    """

    at_m: float
    normal_deg: float
    width_m: float
    extra_kn: float
    extra_towards_deg: float


@dataclass(frozen=True, slots=True)
class Wakes:
    """Dips of the speed through water, as other boats' wakes or a passing set give.

    Attributes:
        every_s: Time between them [s].
        dip_kn: How far the speed falls at most [kn]; never by more than 0.3 of it.
        length_s: How long a dip lasts [s].
    """

    every_s: float
    dip_kn: float
    length_s: float


@dataclass(frozen=True, slots=True)
class Sea:
    """The trial area.

    Attributes:
        latitude_deg: Start of the trial, WGS84.
        longitude_deg: Start of the trial, WGS84.
        current_kn: Current at full stream [kn].
        current_towards_deg: Its direction then [deg true].
        tide_phase_deg: Phase of the tide at the start: 90 is full stream, 180 is slack and turning.
        tide_share: Share of the current that follows the tide; the rest is constant.
        tide_turning: Cross component of the tidal ellipse over the main one: makes the direction swing.
        tide_rate_kn_per_h: Growth of the current along its direction beside all that, steady [kn/h].
        front: A current front, if any.
        wakes: Wakes met, if any.
        wind_kn: True wind over ground [kn].
        wind_from_deg: Where it blows from [deg true].
        wind_gust_share: Standard deviation of gusts over mean wind.
        wave_height_m: Significant wave height [m].
        wave_period_s: Peak period [s].
        wave_from_deg: Where waves come from [deg true].
        depth_m: Mean depth of water [m].
        depth_relief_m: Height of the bottom's undulation [m].
        water_temp_c: Water temperature [°C].
        variation_deg: Magnetic variation, east positive [deg].
    """

    latitude_deg: float
    longitude_deg: float
    current_kn: float = 0.8
    current_towards_deg: float = 40.0
    tide_phase_deg: float = 70.0
    tide_share: float = 0.8
    tide_turning: float = 0.12
    tide_rate_kn_per_h: float = 0.0
    front: Front | None = None
    wakes: Wakes | None = None
    wind_kn: float = 9.0
    wind_from_deg: float = 215.0
    wind_gust_share: float = 0.12
    wave_height_m: float = 0.4
    wave_period_s: float = 3.6
    wave_from_deg: float = 225.0
    depth_m: float = 60.0
    depth_relief_m: float = 6.0
    water_temp_c: float = 15.2
    variation_deg: float = -2.4


def tide_m_s(t_s: Floats, sea: Sea) -> tuple[Floats, Floats]:
    """Return the current far from any front, east and north [m/s], at seconds since the start."""
    phase = np.radians(sea.tide_phase_deg) + 2.0 * np.pi * np.asarray(t_s) / TIDE_PERIOD_S
    speed = sea.current_kn * 1852.0 / 3600.0
    along = speed * (1.0 - sea.tide_share + sea.tide_share * np.sin(phase))
    across = speed * sea.tide_share * sea.tide_turning * np.cos(phase)
    towards = np.radians(sea.current_towards_deg)
    return (
        along * np.sin(towards) + across * np.cos(towards),
        along * np.cos(towards) - across * np.sin(towards),
    )


def growth_m_s2(sea: Sea) -> tuple[float, float]:
    """Return by how much the current grows beside the tide, east and north [m/s²]."""
    rate = sea.tide_rate_kn_per_h * 1852.0 / 3600.0 / 3600.0
    towards = np.radians(sea.current_towards_deg)
    return float(rate * np.sin(towards)), float(rate * np.cos(towards))


def wake_dip_m_s(t_s: Floats, speed_m_s: Floats, wakes: Wakes) -> Floats:
    """Return by how much wakes hold the boat back [m/s]: a raised cosine each, at every multiple of the time."""
    since_s = t_s - np.floor(t_s / wakes.every_s) * wakes.every_s
    inside = (t_s >= wakes.every_s) & (since_s < wakes.length_s)
    shape = np.where(inside, 0.5 * (1.0 - np.cos(2.0 * np.pi * since_s / wakes.length_s)), 0.0)
    return shape * np.minimum(wakes.dip_kn * 1852.0 / 3600.0, 0.3 * np.maximum(speed_m_s, 0.0))


def front_m_s(x_m: Floats, y_m: Floats, front: Front) -> tuple[Floats, Floats]:
    """Return what a front adds to the current at a place, east and north [m/s]."""
    normal, towards = np.radians(front.normal_deg), np.radians(front.extra_towards_deg)
    distance = x_m * np.sin(normal) + y_m * np.cos(normal) - front.at_m
    share = 0.5 * (1.0 + np.tanh(2.0 * distance / front.width_m))
    speed = share * front.extra_kn * 1852.0 / 3600.0
    return speed * np.sin(towards), speed * np.cos(towards)


def depth_m(x_m: Floats, y_m: Floats, sea: Sea) -> Floats:
    """Return the depth of water at a place [m]: a mean with two crossing undulations."""
    swell = np.sin(2.0 * np.pi * (0.8 * x_m + 0.3 * y_m) / 3100.0) + np.sin(
        2.0 * np.pi * (0.2 * x_m - 0.9 * y_m) / 1700.0
    )
    return sea.depth_m + 0.5 * sea.depth_relief_m * swell


def wave_motion(
    t_s: Floats,
    speed_m_s: Floats,
    heading_rad: Floats,
    sea: Sea,
    length_m: float,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    """Return what waves do to the boat: a few wave trains met at the encounter frequency.

    The encounter frequency is ω − ω² V cos μ / g in deep water, μ between heading and the waves' way.

    Returns:
        ``surge_m_s``, ``yaw_rad``, ``pitch_rad``, ``roll_rad``, each of mean zero and the shape of `t_s`.
    """
    out = {name: np.zeros_like(t_s) for name in ("surge_m_s", "yaw_rad", "pitch_rad", "roll_rad")}
    if sea.wave_height_m <= 0.0:
        return out
    step = np.diff(t_s, prepend=t_s[0])
    peak = 2.0 * np.pi / sea.wave_period_s
    spread = rng.normal(0.0, 0.35, _WAVE_COUNT)
    omegas = peak * np.exp(rng.normal(0.05, 0.18, _WAVE_COUNT))
    amplitude = sea.wave_height_m / 4.0 * np.sqrt(2.0 / _WAVE_COUNT)
    for omega, offset, start in zip(omegas, spread, rng.uniform(0, 2 * np.pi, _WAVE_COUNT), strict=True):
        relative = np.radians(sea.wave_from_deg) + np.pi + offset - heading_rad
        number = omega**2 / G_M_PER_S2
        encounter = omega - number * speed_m_s * np.cos(relative)
        phase = start + np.cumsum(encounter * step)
        # a hull longer than the wave averages it out
        felt = amplitude / (1.0 + (number * length_m / 2.5) ** 2)
        # and inertia keeps it from following waves that are met quickly (time constants: common practice)
        quick = np.hypot(1.0, 0.4 * encounter)
        out["surge_m_s"] += 1.2 * omega * felt / quick * np.cos(relative) * np.cos(phase)
        out["pitch_rad"] += 1.8 * number * felt / quick * np.cos(relative) * np.sin(phase)
        out["roll_rad"] += 3.5 * number * felt / quick * np.sin(relative) * np.sin(phase)
        out["yaw_rad"] += 6.0 * number * felt / quick**2 * np.sin(2.0 * relative) * np.cos(phase)
    return out


def correlated(count: int, step_s: float, memory_s: float, rng: np.random.Generator) -> Floats:
    """Return first-order autoregressive noise of unit variance, stationary from the first sample on.

    Args:
        count: Samples.
        step_s: Time between samples [s].
        memory_s: Time after which the correlation has fallen to 1/e [s]; 0 for white noise.
        rng: Source of the draws.
    """
    if memory_s <= 0.0:
        return rng.standard_normal(count)
    phi = float(np.exp(-step_s / memory_s))
    drive = rng.standard_normal(count) * np.sqrt(1.0 - phi**2)
    first = rng.standard_normal()
    filtered, _ = lfilter([1.0], [1.0, -phi], drive, zi=np.array([phi * first]))
    return np.asarray(filtered, dtype=np.float64)


def swing(values: Floats, step_s: float, period_s: float, damping: float) -> Floats:
    """Return the values as a mass on a damped spring follows them, started at rest on the first value.

    The transfer function ω² / (s² + 2 ζ ω s + ω²), made discrete by Tustin's bilinear transform.
    """
    omega = 2.0 * np.pi / period_s
    b, a = bilinear([omega**2], [1.0, 2.0 * damping * omega, omega**2], fs=1.0 / step_s)
    filtered, _ = lfilter(b, a, values, zi=lfilter_zi(b, a) * values[0])
    return np.asarray(filtered, dtype=np.float64)


def low_pass(values: Floats, step_s: float, time_s: float) -> Floats:
    """Return the values behind a first-order lag of `time_s`, started at rest on the first value."""
    if time_s <= 0.0:
        return values
    share = 1.0 - float(np.exp(-step_s / time_s))
    filtered, _ = lfilter([share], [1.0, share - 1.0], values, zi=np.array([(1.0 - share) * values[0]]))
    return np.asarray(filtered, dtype=np.float64)
