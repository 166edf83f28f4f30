"""The load sheet: what was on board, item by item, with the sum shown."""

from __future__ import annotations

from trialcapture.config import Config
from trialcapture.reduce.summary import LoadItem, LoadSheet


def load_sheet(config: Config) -> LoadSheet:
    """Return the load sheet of a trial; unknown is never counted as zero without being named as missing."""
    items: list[LoadItem] = []
    missing: list[str] = []
    if config.boat.lightship_kg is None:
        missing.append("light ship")
    else:
        items.append(LoadItem("light ship", config.boat.lightship_kg))
    for tank in config.load.tanks:
        litres = tank.capacity_l * tank.fraction
        items.append(LoadItem(tank.name, litres * tank.density_kg_per_m3 / 1000.0))
    if not config.load.tanks:
        missing.append("tanks")
    if config.load.persons is None:
        missing.append("persons")
    else:
        items.append(LoadItem(f"{config.load.persons} persons", config.load.persons * config.load.person_kg))
    if config.load.gear_kg is None:
        missing.append("gear")
    else:
        items.append(LoadItem("gear", config.load.gear_kg))
    known = config.boat.lightship_kg is not None
    return LoadSheet(tuple(items), sum(item.kg for item in items) if known else None, tuple(missing))
