"""What wind, sea, depth, trim and engines do to a row's worth: flags on rows, lines for the report, never a drop."""

from __future__ import annotations

import numpy as np

from trialcapture.config import Config
from trialcapture.prepare.steady.segments import depth_froude
from trialcapture.reduce.engines import FUEL_SPLIT_PCT, RPM_SPLIT_PCT, none_if_nan, split_pct
from trialcapture.reduce.flags import quantity, warn
from trialcapture.reduce.legs import Legs
from trialcapture.reduce.performance import depth_without_correction_m
from trialcapture.reduce.statistics import FloatArray, weighted_direction_deg, weighted_mean
from trialcapture.reduce.summary import TrialConditions, TrialWarning
from trialcapture.reduce.tables import iso_utc
from trialcapture.reduce.water import (
    beaufort_force,
    least_wave_height_m,
    sea_state_code,
    trial_water_density,
    wave_height_limit_m,
)

CRITICAL_FROUDE = (0.9, 1.1)
"""Depth Froude numbers about the critical speed; textbook value 1, the width common practice."""
GENTLE_BREEZE = 3
"""Beaufort force past which a yacht's speed runs are marked (common practice, no source; ships go up to 5 or 6)."""


def leg_depth_froude(legs: Legs, through_water_kn: FloatArray) -> FloatArray:
    """Return the depth Froude number of each leg from its speed through water and least depth; NaN where unknown.

    The value that came with the segment stands in where no depth did.
    """
    depth = legs["values"]["depth_m_min"]
    return np.array(
        [
            depth_froude(v, h) if np.isfinite(v) and h > 0 else given
            for v, h, given in zip(through_water_kn, depth, legs["values"]["depth_froude"], strict=True)
        ],
        dtype=np.float64,
    )


def is_near_critical(froude: FloatArray) -> bool:
    """Say whether any depth Froude number lies about the critical one."""
    with np.errstate(invalid="ignore"):
        return bool(np.any((froude >= CRITICAL_FROUDE[0]) & (froude <= CRITICAL_FROUDE[1])))


def condition_flags(legs: Legs, members: list[int], speed_kn: float, froude: FloatArray, config: Config) -> list[str]:
    """Return the flags that depth, wind, trim and engine split put on one band.

    Args:
        legs: Accepted segments.
        members: Legs of the band.
        speed_kn: Its speed through water.
        froude: Depth Froude number of every leg.
        config: Boat and engines.
    """
    values = legs["values"]
    flags = []
    depth = values["depth_m_min"][members]
    needed = depth_without_correction_m(speed_kn, config.boat.beam_m, config.boat.draught_m)
    if np.isfinite(depth).any() and np.nanmin(depth) < needed:
        flags.append("shallow")
    if is_near_critical(froude[members]):
        flags.append("near-critical")
    wind = values["wind_speed_true_kn_mean"][members]
    if np.isfinite(wind).any() and beaufort_force(float(np.nanmax(wind))) > GENTLE_BREEZE:
        flags.append("wind")
    trims = [legs["trim"][k] for k in members]
    if None in trims:
        flags.append("trim-unknown")
    if len(set(trims) - {None}) > 1:
        flags.append("trim-differs")
    weights = values["duration_s"][members]
    rpm, fuel = (
        split_pct([weighted_mean(values[stem.format(e)][members], weights) for e in config.engine_ids])
        for stem in ("rpm_{}_mean", "fuel_l_per_h_{}_mean")
    )
    if rpm > RPM_SPLIT_PCT:
        flags.append("engines-differ")
    # at different rpm, different fuel is no fault
    if fuel > FUEL_SPLIT_PCT and not rpm > RPM_SPLIT_PCT:
        flags.append("fuel-differs")
    return flags


def trial_conditions(legs: Legs, config: Config) -> TrialConditions:
    """Return the conditions of the trial: measured where there was an instrument, else as people stated them."""
    values, trial = legs["values"], config.trial
    weights = values["duration_s"]
    wind, depth = values["wind_speed_true_kn_mean"], values["depth_m_min"]
    temperature = none_if_nan(weighted_mean(values["water_temp_c_mean"], weights))
    strongest = float(np.nanmax(wind)) if np.isfinite(wind).any() else None
    sea_state = trial.sea_state
    if sea_state is None and trial.wave_height_m is not None:
        sea_state = sea_state_code(trial.wave_height_m)
    return TrialConditions(
        start=iso_utc(legs["start_ns"].min()) if legs["start_ns"].size else None,
        stop=iso_utc(legs["stop_ns"].max()) if legs["stop_ns"].size else None,
        place=trial.place,
        wind_speed_true_kn_mean=none_if_nan(weighted_mean(wind, weights)),
        wind_speed_true_kn_max=strongest,
        wind_from_true_deg=none_if_nan(weighted_direction_deg(values["wind_from_true_deg_mean"], weights)),
        wind_beaufort_max=None if strongest is None else beaufort_force(strongest),
        wave_height_m=trial.wave_height_m,
        sea_state=sea_state,
        depth_m_min=float(np.nanmin(depth)) if np.isfinite(depth).any() else None,
        water=trial.water,
        water_temp_c=temperature,
        water_density_kg_per_m3=trial_water_density(trial.water, trial.water_density_kg_per_m3, temperature),
        generator_running=trial.generator_running,
        hull_cleaned=trial.hull_cleaned,
        trim=tuple(sorted({t for t in legs["trim"] if t})),
    )


def sea_warnings(config: Config) -> list[TrialWarning]:
    """Return the warning that the stated waves pass what a speed trial allows for this length, if they do."""
    height, state, length = config.trial.wave_height_m, config.trial.sea_state, config.boat.length_m
    if length is None:
        return []
    limit = wave_height_limit_m(length)
    allowed = quantity(limit, "m", ".2f")
    if height is not None:
        stated = quantity(height, "m", "g")
        detail = f"Stated {stated.text}, allowed {allowed.text}."
        return [warn("sea", "", detail, (stated, allowed))] if height > limit else []
    if state is not None and least_wave_height_m(state) >= limit:
        least = quantity(least_wave_height_m(state), "m", "g")
        detail = f"Stated sea state {state}, more than {least.text}, allowed {allowed.text}."
        return [warn("sea", "", detail, (least, allowed))]
    return []
