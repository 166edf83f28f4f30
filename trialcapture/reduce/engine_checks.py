"""What the engines tell: rated rpm reached or not, split, slip, unusual figures; fuel, and the most economical speed.

Of the most economical speed it is told where it lies and how flat it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyarrow as pa
import scipy

from trialcapture.buffers import floats
from trialcapture.config import Config, Fuel
from trialcapture.reduce.runs import Legs, read_times_ns
from trialcapture.reduce.summary import PlausibilityLine, RatedRpmCheck
from trialcapture.reduce.uncertainty import BoolArray, FloatArray
from trialcapture.units import G_M_PER_S2, KN_M_PER_S, LB_KG, convert

# ------------------------------------------------------------------------------
# Sanity formulas of the trade: slip, propeller law, Crouch, admiralty coefficient, specific fuel consumption.
# ------------------------------------------------------------------------------


def apparent_slip_pct(speed_kn: float, shaft_rpm: float, pitch_m: float) -> float:
    """Return apparent slip [%]: what the boat falls short of pitch times revolutions.

    Args:
        speed_kn: Through water; with speed over ground the slip is wrong by the current.
        shaft_rpm: Of the propeller, after the gear.
        pitch_m: Of the propeller.

    Source: definition, ``1 - V / (p n)`` (ITTC Dictionary of Hydrodynamics; from memory).
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

    Good for comparing a displacement hull with herself. Source: definition (ITTC Dictionary of
    Hydrodynamics; from memory).
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


REACHED_OVER_S = 5.0
"""The highest engine speed is the highest mean over this long (common practice, no source)."""
RATED_REACHED_PCT = 99.0
"""Rated rpm counts as reached from here on (common practice, no source)."""
RPM_SPLIT_PCT = 1.5
"""Port and starboard at equal throttle: engine speeds (common practice, no source)."""
FUEL_SPLIT_PCT = 5.0
"""Same: fuel rates (common practice, no source)."""


def check_rated_rpm(legs: Legs, samples: pa.Table | None, config: Config) -> tuple[RatedRpmCheck, ...]:
    """Return for every engine the highest rpm held beside its rated rpm, and what that means.

    The highest mean over five seconds is looked for in all samples, so that a full-throttle stretch too short for a
    band counts too; without samples the accepted legs have to do.

    Limits are common practice, no source.
    """
    found = []
    for engine in config.engine:
        means = legs.values[f"rpm_{engine.id}_mean"]
        reached = float(np.nanmax(means)) if np.isfinite(means).any() else float(np.nan)
        reached = float(np.fmax(reached, _highest_mean(samples, f"rpm_{engine.id}")))
        pct = 100.0 * reached / engine.rated_rpm
        loads = legs.values[f"load_pct_{engine.id}_mean"]
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
    if pct >= RATED_REACHED_PCT:
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
            (100.0, 250.0) if config.boat.planing else None,  # the list is one of planing hulls
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


WITHIN_PCT = 3.0
"""Speeds this close to the best economy are called as good (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class EconomyPeak:
    """Where the most economical band lies.

    Attributes:
        band: Its index.
        flat_from_kn, flat_to_kn: Speeds about as good.
        within_pct: What counts as about as good [%].
        at_edge: Nothing of the regime was run slower, or nothing faster, so a better one may lie outside.
    """

    band: int
    flat_from_kn: float
    flat_to_kn: float
    within_pct: float
    at_edge: bool


def economy_nm_per_l(speed_kn: FloatArray, fuel_l_per_h: FloatArray) -> FloatArray:
    """Return economy [nm/L]: mean speed over mean fuel rate, never a mean of ratios; NaN where no fuel is known.

    Args:
        speed_kn: Speed through water.
        fuel_l_per_h: Fuel rate.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(fuel_l_per_h > 0, speed_kn / fuel_l_per_h, np.nan)


def usable_fuel_l(settings: Fuel) -> float | None:
    """Return the fuel a range is reckoned with [L]: capacity x usable fraction x (1 - reserve); None if unknown."""
    if settings.capacity_l is None:
        return None
    return settings.capacity_l * settings.usable_fraction * (1.0 - settings.reserve_fraction)


def find_best_economy(
    speed_kn: FloatArray,
    economy: FloatArray,
    usable: BoolArray,
    within_pct: float = WITHIN_PCT,
    *,
    best: int | None = None,
) -> EconomyPeak | None:
    """Return the most economical of the measured bands and the interval of speeds about as good.

    Between bands the economy is interpolated monotonically against speed, so that it never exceeds the better of
    two neighbours; nothing is said outside the bands.

    Args:
        speed_kn: Of each band.
        economy: Of each band [nm/L].
        usable: True for bands of the regime in question.
        within_pct: What counts as about as good.
        best: The usable band to take for the best, where more than the figure decides; None takes the highest.

    Returns:
        The best; None without a usable band.
    """
    members = np.flatnonzero(usable & np.isfinite(speed_kn) & np.isfinite(economy))
    if not members.size:
        return None
    order = members[np.argsort(speed_kn[members], kind="stable")]
    if best is not None:
        # of two bands of one speed the one asked for stays
        order = order[(np.abs(speed_kn[order] - speed_kn[best]) > 1e-9) | (order == best)]
    order = order[np.concatenate([[True], np.diff(speed_kn[order]) > 1e-9])]
    best = int(order[np.argmax(economy[order])]) if best is None else best
    low = high = float(speed_kn[best])
    if order.size > 1:
        grid = np.unique(np.concatenate([np.linspace(speed_kn[order[0]], speed_kn[order[-1]], 2001), speed_kn[order]]))
        curve = scipy.interpolate.PchipInterpolator(speed_kn[order], economy[order])(grid)
        good = curve >= (1.0 - within_pct / 100.0) * economy[best]
        at = int(np.searchsorted(grid, speed_kn[best]))
        worse = np.flatnonzero(~good)
        before, after = worse[worse < at], worse[worse > at]
        low = float(grid[before[-1] + 1] if before.size else grid[0])
        high = float(grid[after[0] - 1] if after.size else grid[-1])
    run = speed_kn[usable & np.isfinite(speed_kn)]
    at_edge = bool(speed_kn[best] <= run.min() + 1e-9 or speed_kn[best] >= run.max() - 1e-9)
    return EconomyPeak(best, low, high, within_pct, at_edge)


_QUADRATURE_POINTS = 32
"""Of the normal law (Gauss-Hermite); more change the result by less than 0.1 % of one uncertainty."""


def bias_of_highest(values: FloatArray, u: FloatArray) -> float:
    """Return by how much the highest of several uncertain values is too high on average, same unit.

    The highest is most often one whose error is positive. What its error is on average, were the values found the true
    ones, is the sum over all values of the mean error of each where it is the highest. The true values lie closer
    together than those found, so where they are alike about two thirds of the bias are told; where one stands out
    there is none.

    Args:
        values: Shape (n,).
        u: Standard uncertainty of each that the others do not share, same shape.

    Source: estimate of bias with the values found in place of the true ones (bootstrap; Efron & Tibshirani 1993, *An
    Introduction to the Bootstrap*, chapter 10; from memory), by Gauss-Hermite quadrature instead of drawing.
    """
    points, weights = _quadrature()
    known = np.maximum(u, 1e-12 * np.abs(values).max(initial=1.0))
    error = known[:, None] * points
    drawn = values[:, None] + error
    # how probable it is that value j lies below each value that i may take, shape (i, points, j)
    below = scipy.special.ndtr((drawn[:, :, None] - values) / known)
    below[np.arange(values.size), :, np.arange(values.size)] = 1.0
    return float(np.sum(weights * error * below.prod(axis=2)))


@cache
def _quadrature() -> tuple[FloatArray, FloatArray]:
    """Return the points of Gauss-Hermite quadrature for the normal law, and their weights, adding up to 1."""
    points, weights = np.polynomial.hermite_e.hermegauss(_QUADRATURE_POINTS)
    return points, weights / weights.sum()
