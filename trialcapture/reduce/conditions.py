"""What wind, sea, depth, trim and engines do to a row's worth: flags on rows, lines for the report, never a drop.

Slips of unit are found where weights and tanks cannot belong to a boat of the stated length. Bounds are wide: a stated
figure outside them is asked about and used all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np

from trialcapture.config import WATER_KG_PER_M3, Config, Tank, TankContents
from trialcapture.prepare.steady.segments import depth_froude
from trialcapture.reduce.engine_checks import (
    FUEL_SPLIT_PCT,
    RPM_SPLIT_PCT,
    depth_without_correction_m,
    none_if_nan,
    split_pct,
)
from trialcapture.reduce.runs import Legs
from trialcapture.reduce.summary import LoadItem, LoadKind, LoadSheet, Quantity, TrialConditions, TrialWarning
from trialcapture.reduce.tables import iso_utc, quantity, warn
from trialcapture.reduce.uncertainty import FloatArray, weighted_direction_deg, weighted_mean

# ------------------------------------------------------------------------------
# Water density, sea state and wind force: what the published tables and equations say.
# ------------------------------------------------------------------------------

SALINITY: dict[str, float] = {"sea": 35.0, "brackish": 10.0, "fresh": 0.0}
"""Practical salinity taken for a kind of water; 35 is the reference of EOS-80, 10 for brackish is common practice."""

_BEAUFORT_LOWER: dict[str, tuple[float, ...]] = {
    "kn": (1, 4, 7, 11, 17, 22, 28, 34, 41, 48, 56, 64),
    "m/s": (0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7),
}
_BEAUFORT_STEP: dict[str, float] = {"kn": 1.0, "m/s": 0.1}
"""The step the scale is printed in; both from the WMO scale, see `beaufort_force`."""
_SEA_STATE_UPPER_M = (0.0, 0.10, 0.50, 1.25, 2.50, 4.0, 6.0, 9.0, 14.0)
"""Upper bound of significant wave height of each code; WMO code table 3700."""


def water_density_kg_per_m3(temperature_c: float, salinity: float) -> float:
    """Return the density of water at one atmosphere [kg/m³].

    Args:
        temperature_c: Temperature, ITS-90 [°C], -2 to 40.
        salinity: Practical salinity, 0 to 42.

    Source: EOS-80, UNESCO Technical Papers in Marine Science 44 (Fofonoff & Millard 1983), equations 13-14;
    temperatures of that scale are 1.00024 times ITS-90 (Saunders 1990).
    """
    t = 1.00024 * temperature_c
    s = salinity
    pure = np.polynomial.polynomial.polyval(
        t, [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9]
    )
    a = np.polynomial.polynomial.polyval(t, [8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9])
    b = np.polynomial.polynomial.polyval(t, [-5.72466e-3, 1.0227e-4, -1.6546e-6])
    return float(pure + a * s + b * s * np.sqrt(s) + 4.8314e-4 * s * s)


def trial_water_density(
    kind: Literal["sea", "fresh", "brackish"], measured_kg_per_m3: float | None, temperature_c: float | None
) -> float:
    """Return the water density to reckon with [kg/m³]: as measured, else from the kind of water at its temperature.

    15 °C is taken when no temperature is known (the reference temperature of towing-tank practice).
    """
    if measured_kg_per_m3 is not None:
        return measured_kg_per_m3
    return water_density_kg_per_m3(15.0 if temperature_c is None else temperature_c, SALINITY[kind])


def beaufort_force(wind_speed: float, unit: Literal["kn", "m/s"] = "kn") -> int:
    """Return the Beaufort force of a mean wind speed.

    The scale is printed in whole knots and in tenths of m/s, with gaps between the classes, and the two columns
    disagree at their edges (16 kn is force 4, the same wind in m/s force 5); so the unit measured decides, and
    values are rounded to the column's step, halves up.

    Source: WMO Beaufort scale (WMO-No. 306, Manual on Codes, code table 1100; from memory).
    """
    step = _BEAUFORT_STEP[unit]
    rounded = np.floor(wind_speed / step + 0.5 + 1e-9) * step
    return int(np.searchsorted(_BEAUFORT_LOWER[unit], rounded + 1e-9, side="right"))


def sea_state_code(significant_height_m: float) -> int:
    """Return the sea-state code (0 to 9) of a significant wave height [m]; at a bound, the lower code.

    Source: WMO code table 3700.
    """
    return int(np.searchsorted(_SEA_STATE_UPPER_M, significant_height_m, side="left"))


def least_wave_height_m(sea_state: int) -> float:
    """Return the significant wave height above which a sea-state code (0 to 9) begins [m].

    Source: WMO code table 3700.
    """
    return _SEA_STATE_UPPER_M[sea_state - 1] if sea_state > 0 else 0.0


def wave_height_limit_m(length_m: float) -> float:
    """Return the visually observed significant wave height up to which a ship's speed trial is made [m].

    Source: 1.5 √(L/100), ISO 15016 and ITTC speed trials (from memory; written for ships, a yardstick for yachts).
    """
    return float(1.5 * np.sqrt(length_m / 100.0))


CRITICAL_FROUDE = (0.9, 1.1)
"""Depth Froude numbers about the critical speed; 1 by definition, the width common practice."""
GENTLE_BREEZE = 3
"""Beaufort force past which a yacht's speed runs are marked (common practice, no source; ships go up to 5 or 6)."""


def leg_depth_froude(legs: Legs, through_water_kn: FloatArray) -> FloatArray:
    """Return the depth Froude number of each leg from its speed through water and least depth; NaN where unknown.

    It is the greatest within the leg. The value that came with the segment stands in where no depth did.
    """
    depth = legs.values["depth_m_min"]
    return np.array(
        [
            depth_froude(v, h) if np.isfinite(v) and h > 0 else given
            for v, h, given in zip(through_water_kn, depth, legs.values["depth_froude"], strict=True)
        ],
        dtype=np.float64,
    )


def is_near_critical(froude: FloatArray, depth_m_min: FloatArray, depth_m_max: FloatArray) -> bool:
    """Say whether any leg was about the critical depth Froude number somewhere along it.

    Args:
        froude: Of each leg at its least depth.
        depth_m_min: The least depth of each leg.
        depth_m_max: Its greatest depth; NaN counts as the least.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        deeper = np.sqrt(depth_m_min / depth_m_max)
        least = froude * np.where(np.isfinite(deeper), np.minimum(deeper, 1.0), 1.0)
        return bool(np.any((froude >= CRITICAL_FROUDE[0]) & (least <= CRITICAL_FROUDE[1])))


def condition_flags(legs: Legs, members: list[int], speed_kn: float, froude: FloatArray, config: Config) -> list[str]:
    """Return the flags that depth, wind, trim and engine split put on one band.

    Args:
        legs: Accepted segments.
        members: Legs of the band.
        speed_kn: Its speed through water.
        froude: Depth Froude number of every leg, at its least depth.
        config: Boat and engines.
    """
    values = legs.values
    flags = []
    depth = values["depth_m_min"][members]
    needed = depth_without_correction_m(speed_kn, config.boat.beam_m, config.boat.draught_m)
    if np.isfinite(depth).any() and np.nanmin(depth) < needed:
        flags.append("shallow")
    if is_near_critical(froude[members], depth, values["depth_m_max"][members]):
        flags.append("near-critical")
    wind = values["wind_speed_true_kn_mean"][members]
    if np.isfinite(wind).any() and beaufort_force(float(np.nanmax(wind))) > GENTLE_BREEZE:
        flags.append("wind")
    trims = [legs.trim[k] for k in members]
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
    values, trial = legs.values, config.trial
    weights = values["duration_s"]
    wind, depth = values["wind_speed_true_kn_mean"], values["depth_m_min"]
    temperature = none_if_nan(weighted_mean(values["water_temp_c_mean"], weights))
    strongest = float(np.nanmax(wind)) if np.isfinite(wind).any() else None
    sea_state = trial.sea_state
    if sea_state is None and trial.wave_height_m is not None:
        sea_state = sea_state_code(trial.wave_height_m)
    return TrialConditions(
        start=iso_utc(legs.start_ns.min()) if legs.start_ns.size else None,
        stop=iso_utc(legs.stop_ns.max()) if legs.stop_ns.size else None,
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
        trim=tuple(sorted({t for t in legs.trim if t})),
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


# ------------------------------------------------------------------------------
# The load sheet: what was on board, item by item, with the sum shown.
# ------------------------------------------------------------------------------


def load_sheet(config: Config) -> LoadSheet:
    """Return the load sheet of a trial; unknown is never counted as zero without being named as missing."""
    items: list[LoadItem] = []
    missing: list[str] = []
    if config.boat.lightship_kg is None:
        missing.append("light ship")
    else:
        items.append(LoadItem("light ship", config.boat.lightship_kg, "light", None, None, ""))
    items += [_tank_item(tank, config) for tank in config.load.tanks]
    if not config.load.tanks:
        missing.append("tanks")
    persons, person_kg = config.load.persons, config.load.person_kg
    if persons is None:
        missing.append("persons")
    else:
        name = "1 person" if persons == 1 else f"{persons} persons"
        items.append(LoadItem(name, persons * person_kg, "persons", None, None, ""))
    if config.load.gear_kg is None:
        missing.append("gear")
    else:
        items.append(LoadItem("gear", config.load.gear_kg, "gear", None, None, ""))
    known = config.boat.lightship_kg is not None
    total = sum(item.kg for item in items) if known else None
    return LoadSheet(tuple(items), total, tuple(missing), tuple(_parts(items)))


def _tank_item(tank: Tank, config: Config) -> LoadItem:
    """Return what a tank held; `trialcapture.config` has seen to it that its density is known."""
    contents, litres = tank.contents, tank.capacity_l * tank.fraction
    density, origin = tank.density_kg_per_m3, ""
    if density is None and contents in WATER_KG_PER_M3:
        density, origin = WATER_KG_PER_M3[contents], contents
    elif density is None:
        density, origin = config.fuel.density_kg_per_m3, "as the fuel"
    if density is None:
        raise ValueError(f"{tank.name}: settings without a density do not pass")
    kind: dict[TankContents, LoadKind] = {"fuel": "fuel", "fresh water": "water", "salt water": "water"}
    return LoadItem(tank.name, litres * density / 1000.0, kind.get(contents, "other"), litres, density, origin)


_PART_NAMES: dict[LoadKind, str] = {
    "light": "light ship", "fuel": "fuel", "water": "water", "persons": "persons", "gear": "gear",
    "other": "other tanks",
}  # fmt: skip


def _parts(items: Sequence[LoadItem]) -> Iterator[LoadItem]:
    for kind, name in _PART_NAMES.items():
        own = [item for item in items if item.kind == kind]
        if own:
            name = own[0].name if kind == "persons" else name  # noqa: PLW2901  says how many
            yield LoadItem(name, sum(item.kg for item in own), kind, None, None, "")


LENGTH_OVER_CUBE_ROOT = (4.3, 8.5)
"""Length over the cube root of the displaced volume, of light ship. The series of round-bilge hulls after which fast
boats are drawn spans 4.47 to 8.30 (NPL series, Bailey 1976, from memory); the margin is common practice, no source."""
SEA_KG_PER_M3 = 1025.0
FUEL_OF_LIGHT_SHIP: dict[bool, tuple[float, float]] = {True: (0.05, 0.22), False: (0.005, 0.25)}
"""Mass of full fuel tanks over the light ship, by whether she planes (common practice, no source)."""
FUEL_L_OVER_LENGTH3: dict[bool, tuple[float, float]] = {True: (0.35, 1.5), False: (0.02, 1.5)}
"""Fuel capacity over the cube of the length [L/m³], where no light ship is stated (common practice, no source)."""
USUAL_FUEL_KG_PER_M3 = 800.0
"""Taken for a fuel of unknown density: between petrol and diesel."""
PART_OF_LIGHT_SHIP = 0.25
"""Gear, and the contents of other tanks when full, are less than this share (common practice, no source)."""
SAME_CAPACITY_SHARE = 0.05
"""Fuel tanks of the load sheet and the stated capacity differ by less (common practice, no source)."""


def size_warnings(config: Config) -> list[TrialWarning]:
    """Return a warning for every weight and tank that does not fit the boat's length or its light ship."""
    return [
        warn("size-doubtful", where, text, quantities)
        for where, text, quantities in (*_light_ship(config), *_fuel(config), *_others(config))
    ]


_Doubt = tuple[str, str, tuple[Quantity, ...]]
"""What it concerns, a sentence, and the quantities in it."""


def _light_ship(config: Config) -> list[_Doubt]:
    length, kg = config.boat.length_m, config.boat.lightship_kg
    if length is None or kg is None:
        return []
    low, high = LENGTH_OVER_CUBE_ROOT
    ratio = length / (kg / SEA_KG_PER_M3) ** (1 / 3)
    if low <= ratio <= high:
        return []
    # what the bounds allow for this length, in figures that a person can hold against the builder's
    usual = [SEA_KG_PER_M3 * (length / bound) ** 3 for bound in (high, low)]
    said = (quantity(kg, "kg", ".0f"), quantity(length, "m", ".1f"), *(quantity(x, "kg", ".0f") for x in usual))
    text = (
        f"The light ship is stated as {said[0].text} on a length of {said[1].text}; boats of that length weigh "
        f"{said[2].text} to {said[3].text}."
    )
    return [("light ship", text, said)]


def _fuel(config: Config) -> list[_Doubt]:
    capacity, kg, length = config.fuel.capacity_l, config.boat.lightship_kg, config.boat.length_m
    if capacity is None:
        return []
    found: list[_Doubt] = []
    stated = quantity(capacity, "L", ".0f")
    kind = "planing boat" if config.boat.planing else "boat that does not plane"
    per_l = (config.fuel.density_kg_per_m3 or USUAL_FUEL_KG_PER_M3) / 1000.0
    limits = None
    if kg is not None:
        limits = [share * kg / per_l for share in FUEL_OF_LIGHT_SHIP[config.boat.planing]]
    elif length is not None:
        limits = [share * length**3 for share in FUEL_L_OVER_LENGTH3[config.boat.planing]]
    if limits is not None and not limits[0] <= capacity <= limits[1]:
        said = (stated, *(quantity(x, "L", ".0f") for x in limits))
        usual = f"a {kind} of this size has {said[1].text} to {said[2].text}"
        text = f"The fuel capacity is stated as {said[0].text}; {usual}."
        found.append(("fuel capacity", text, said))
    tanks = sum(tank.capacity_l for tank in config.load.tanks if tank.contents == "fuel")
    if tanks and abs(tanks / capacity - 1.0) > SAME_CAPACITY_SHARE:
        said = (quantity(tanks, "L", ".0f"), stated)
        text = f"The fuel tanks of the load sheet hold {said[0].text}, the stated capacity is {said[1].text}."
        found.append(("fuel tanks", text, said))
    return found


def _others(config: Config) -> list[_Doubt]:
    kg = config.boat.lightship_kg
    if kg is None:
        return []
    parts = [(tank.name, tank.capacity_l) for tank in config.load.tanks if tank.contents != "fuel"]
    found: list[_Doubt] = []
    for name, litres in parts:
        if litres > PART_OF_LIGHT_SHIP * kg:
            said = (quantity(litres, "L", ".0f"), quantity(kg, "kg", ".0f"))
            text = f"The tank holds {said[0].text}, on a light ship of {said[1].text}."
            found.append((name, text, said))
    gear = config.load.gear_kg
    if gear is not None and gear > PART_OF_LIGHT_SHIP * kg:
        said = (quantity(gear, "kg", ".0f"), quantity(kg, "kg", ".0f"))
        found.append(("gear", f"The gear is stated as {said[0].text}, on a light ship of {said[1].text}.", said))
    return found
