"""Whether weights and tanks can belong to a boat of the stated length: slips of unit are found where they are not.

Bounds are wide: a stated figure outside them is asked about and used all the same.
"""

from __future__ import annotations

from trialcapture.config import Config
from trialcapture.reduce.summary import Quantity, TrialWarning
from trialcapture.reduce.tables import quantity, warn

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
