"""What the engines tell: rated rpm reached or not, their split, slip, and figures outside the usual."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats
from trialcapture.config import Config
from trialcapture.reduce.legs import Legs, read_times_ns
from trialcapture.reduce.performance import (
    admiralty_coefficient,
    apparent_slip_pct,
    crouch_coefficient,
    propeller_law_exponent,
    specific_fuel_g_per_kwh,
)
from trialcapture.reduce.statistics import FloatArray
from trialcapture.reduce.summary import PlausibilityLine, RatedRpmCheck

REACHED_OVER_S = 5.0
"""The highest engine speed is the highest mean over this long (common practice, no source)."""
RPM_SPLIT_PCT = 1.5
FUEL_SPLIT_PCT = 5.0
"""Port and starboard at equal throttle (common practice, no source)."""


def check_rated_rpm(legs: Legs, samples: pa.Table | None, config: Config) -> tuple[RatedRpmCheck, ...]:
    """Return for every engine the highest rpm held beside its rated rpm, and what that means.

    The highest mean over five seconds is looked for in all samples, so that a full-throttle stretch too short for a
    band counts too; without samples the accepted legs have to do.

    Limits are common practice, no source.
    """
    found = []
    for engine in config.engine:
        means = legs["values"][f"rpm_{engine.id}_mean"]
        reached = float(np.nanmax(means)) if np.isfinite(means).any() else float(np.nan)
        reached = float(np.fmax(reached, _highest_mean(samples, f"rpm_{engine.id}")))
        pct = 100.0 * reached / engine.rated_rpm
        loads = legs["values"][f"load_pct_{engine.id}_mean"]
        load = float(np.nanmax(loads)) if np.isfinite(loads).any() else float(np.nan)
        found.append(
            RatedRpmCheck(
                engine=engine.id,
                rated_rpm=engine.rated_rpm,
                reached_rpm=none_if_nan(reached),
                pct=none_if_nan(pct),
                highest_load_pct=none_if_nan(load),
                verdict=_verdict(pct, load),
            )
        )
    return tuple(found)


def _verdict(pct: float, load_pct: float) -> str:
    if not np.isfinite(pct):
        return "engine speed not known"
    if pct > 103.0:
        return "above rated rpm: propeller too small, boat light, or the governor allows it"
    if pct >= 99.0:
        return "rated rpm reached"
    if pct >= 97.0:
        return "just short of rated rpm"
    if load_pct >= 95.0:
        return "short of rated rpm at full load: propeller too large, fouled hull, or boat heavy"
    if pct >= 90.0:
        return "short of rated rpm: full throttle not tried, or propeller too large"
    return "full throttle not tried"


def _highest_mean(samples: pa.Table | None, name: str) -> float:
    if samples is None or name not in samples.column_names or samples.num_rows < 2:
        return float(np.nan)
    values = floats(samples[name])
    first, last = read_times_ns(samples.slice(0, 1), "t")[0], read_times_ns(samples.slice(samples.num_rows - 1), "t")[0]
    width = max(round(REACHED_OVER_S * 1e9 * (samples.num_rows - 1) / max(int(last - first), 1)), 1)
    if values.size < width:
        return float(np.nan)
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    # a window with a hole in it is no five seconds
    whole = count[width:] - count[:-width] == width
    return float(np.max((total[width:] - total[:-width])[whole], initial=-np.inf) / width) if whole.any() else np.nan


def split_pct(values: list[float]) -> float:
    """Return by how much the largest of some engines' values exceeds the smallest [% of their mean]; NaN for one."""
    known = np.array([v for v in values if np.isfinite(v)])
    return float(100.0 * np.ptp(known) / known.mean()) if known.size > 1 and known.mean() > 0 else float(np.nan)


def band_slip_pct(speed_kn: float, engine_rpm: dict[str, float], config: Config) -> float:
    """Return the mean apparent slip of the engines whose gear and propeller are stated [%]; NaN without any."""
    slips = [
        apparent_slip_pct(speed_kn, engine_rpm[e.id] / e.gear_ratio, e.propeller_pitch_m)
        for e in config.engine
        if e.gear_ratio is not None and e.propeller_pitch_m is not None and engine_rpm.get(e.id, np.nan) > 0
    ]
    return float(np.mean(slips)) if slips else float(np.nan)


def plausibility_lines(
    rpm: FloatArray,
    speed_kn: FloatArray,
    fuel_l_per_h: FloatArray,
    slip_pct: FloatArray,
    displacement_kg: float | None,
    rated: Sequence[RatedRpmCheck],
    config: Config,
) -> tuple[PlausibilityLine, ...]:
    """Return figures an engineer looks at first, each with what is usual.

    Power is not measured: the rated power stands for it, and only where every engine reached its rated rpm.
    """
    lines: list[PlausibilityLine] = []

    def add(name: str, value: float, unit: str, usual: tuple[float, float] | None) -> None:
        if np.isfinite(value):
            ok = None if usual is None else bool(usual[0] <= value <= usual[1])
            lines.append(PlausibilityLine(name, float(value), unit, usual, ok))

    add("exponent of fuel against rpm (propeller law)", propeller_law_exponent(rpm, fuel_l_per_h), "1", (1.8, 3.6))
    top = int(np.nanargmax(speed_kn)) if np.isfinite(speed_kn).any() else -1
    if top >= 0:
        add("apparent slip at top speed", float(slip_pct[top]), "%", (3.0, 50.0))
    power_kw = sum(e.rated_kw or np.nan for e in config.engine) if config.engine else np.nan
    reached = bool(rated) and all((r.pct or 0.0) >= 99.0 for r in rated)
    if top >= 0 and reached and np.isfinite(power_kw) and displacement_kg:
        add(
            "Crouch's C at top speed",
            crouch_coefficient(speed_kn[top], power_kw, displacement_kg),
            "kn",
            (100.0, 250.0),
        )
        admiralty = admiralty_coefficient(speed_kn[top], power_kw, displacement_kg)
        add("admiralty coefficient at top speed", admiralty, "t^(2/3) kn^3 / kW", None)
    if top >= 0 and reached and np.isfinite(power_kw) and config.fuel.density_kg_per_m3:
        specific = specific_fuel_g_per_kwh(fuel_l_per_h[top], config.fuel.density_kg_per_m3, power_kw)
        add("fuel at top speed over rated power", specific, "g/kWh", (190.0, 360.0))
    return tuple(lines)


def none_if_nan(x: float) -> float | None:
    """Return a float for JSON or Arrow: NaN and infinity have no meaning there and become None."""
    return float(x) if np.isfinite(x) else None
