"""The boat as she really moves: waves and governor hunting laid over the mean motion, placed on the earth.

What is added here is of mean zero and, within a run, stationary: it disturbs sensors, and makes runs differ from each
other, without changing what is steady.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import radii_m
from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.hull import RHO_AIR_KG_PER_M3
from trialcapture.rehearse.motion import STEP_S, Motion
from trialcapture.rehearse.noise import correlated, low_pass
from trialcapture.rehearse.sea import Sea, depth_m, wake_dip_m_s, wave_motion
from trialcapture.units import KN_M_PER_S

Floats = npt.NDArray[np.float64]


RUN_SD_SHARE = 0.002
"""Spread of a boat's speed from run to run at one rpm, as a share: trim, persons moving, helm, patches of sea, weed
(common practice, no source)."""
_RUN_LAG_S = 10.0


def ride(
    motion: Motion, boat: BoatModel, sea: Sea, rng: np.random.Generator, run_rng: np.random.Generator | None = None
) -> dict[str, Floats]:
    """Return the true state of boat, water and air on the time grid of the motion.

    Args:
        motion: The mean motion.
        boat: The boat.
        sea: Waves and wind.
        rng: Source of waves, gusts and hunting.
        run_rng: Source of what differs from run to run; None for a boat that repeats herself exactly.

    Returns:
        ``t_s``, ``stw_kn``, ``heading_rad`` (unwrapped), ``yaw_rad_s``, ``roll_rad``, ``pitch_rad``,
        ``lat_deg``, ``lon_deg``, ``east_m_s``, ``north_m_s`` (over ground), ``current_e_m_s``,
        ``current_n_m_s``, ``depth_m``, ``wind_e_m_s``, ``wind_n_m_s`` (towards), ``planing``; per engine
        ``rpm_<id>``, ``fuel_l_per_h_<id>``, ``load_pct_<id>``, ``boost_<id>``.
    """
    mean = motion.series
    t_s = motion.t_s
    count = t_s.size
    stw = mean["stw_m_s"]
    way = np.clip(stw / 2.0, 0.0, 1.0)  # a boat without way is steered by nothing
    steered = mean["heading_rad"] + np.radians(0.5) * way * correlated(count, STEP_S, 20.0, rng)
    steered += np.radians(8.0) * (1.0 - way) * correlated(count, STEP_S, 90.0, rng)
    waves = wave_motion(t_s, stw, steered, sea, boat.hull.waterline_m, rng)

    out: dict[str, Floats] = {"t_s": t_s, "planing": mean["planing"]}
    luck = _run_luck(motion, run_rng)
    hunting = []
    for engine_id in boat.engine_ids:
        wander = 0.0008 * correlated(count, STEP_S, 4.0, rng)
        hunting.append(wander)
        out[f"rpm_{engine_id}"] = mean[f"rpm_{engine_id}"] * (1.0 + wander)
        # a propeller's torque falls about as its advance grows: held back at the same rpm, it asks for more
        out[f"fuel_l_per_h_{engine_id}"] = mean[f"fuel_l_per_h_{engine_id}"] * (1.0 + 2.5 * wander - luck)
        out[f"load_pct_{engine_id}"] = mean[f"load_pct_{engine_id}"]
        out[f"boost_{engine_id}"] = mean[f"boost_{engine_id}"]
    followed = stw * low_pass(np.mean(hunting, axis=0), STEP_S, 8.0)
    through = stw * (1.0 + luck) + followed + waves["surge_m_s"]
    if sea.wakes is not None:
        through = through - wake_dip_m_s(t_s, stw, sea.wakes)

    gust = sea.wind_gust_share * correlated(count, STEP_S, 15.0, rng)
    swing = np.radians(6.0) * correlated(count, STEP_S, 120.0, rng)
    wind = sea.wind_kn * KN_M_PER_S * np.maximum(1.0 + gust, 0.05)
    towards = np.radians(sea.wind_from_deg) + np.pi + swing
    out["wind_e_m_s"], out["wind_n_m_s"] = wind * np.sin(towards), wind * np.cos(towards)

    # the boat goes where she points, but not at once: quick yaw turns the hull and not the track
    course = steered + low_pass(waves["yaw_rad"], STEP_S, 2.0)
    sin_h, cos_h = np.sin(course), np.cos(course)
    east = through * sin_h + mean["current_e_m_s"]
    north = through * cos_h + mean["current_n_m_s"]
    # leeway: the crosswind felt pushes the boat to leeward
    across = (out["wind_e_m_s"] - east) * cos_h - (out["wind_n_m_s"] - north) * sin_h
    leeway = boat.hull.leeway_share * low_pass(across, STEP_S, 5.0) * (RHO_AIR_KG_PER_M3 / 1.22)
    east, north = east + leeway * cos_h, north - leeway * sin_h

    meridian, vertical = radii_m(sea.latitude_deg)
    out["lat_deg"] = sea.latitude_deg + np.degrees(_travelled(north) / meridian)
    parallel = vertical * np.cos(np.radians(out["lat_deg"]))
    out["lon_deg"] = (sea.longitude_deg + np.degrees(_travelled(east / parallel)) + 180.0) % 360.0 - 180.0
    heading = steered + waves["yaw_rad"]
    turning = low_pass(stw * mean["yaw_rad_s"], STEP_S, 1.5)
    out |= {
        "stw_kn": through / KN_M_PER_S,
        "heading_rad": heading,
        "yaw_rad_s": np.gradient(heading, STEP_S),
        "roll_rad": waves["roll_rad"] + 0.04 * turning,
        "pitch_rad": mean["trim_rad"] + waves["pitch_rad"],
        "east_m_s": east,
        "north_m_s": north,
        "current_e_m_s": mean["current_e_m_s"],
        "current_n_m_s": mean["current_n_m_s"],
        "depth_m": depth_m(mean["x_m"], mean["y_m"], sea),
    }
    return out


def _run_luck(motion: Motion, rng: np.random.Generator | None) -> Floats:
    """Return by what share the speed through water differs from the boat's own at each instant, run by run."""
    luck = np.zeros(motion.t_s.size)
    if rng is None:
        return luck
    for ordered in motion.ordered:
        if ordered.phase.kind == "hold":
            luck[round(ordered.start_s / STEP_S) : round(ordered.stop_s / STEP_S)] = rng.normal(0.0, RUN_SD_SHARE)
    return low_pass(luck, STEP_S, _RUN_LAG_S)


def _travelled(rate: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) * STEP_S])
