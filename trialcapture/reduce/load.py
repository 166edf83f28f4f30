"""The load sheet: what was on board, item by item, with the sum shown."""

from __future__ import annotations

from typing import Any

from trialcapture.config import Config


def load_sheet(config: Config) -> dict[str, Any]:
    """Return the load sheet of a trial.

    Returns:
        ``items`` (name, kg), ``displacement_kg`` (their sum; None while the light ship is unknown, because a sum
        of extras is no displacement), and ``missing``: what nobody stated and the sum therefore lacks. Unknown is
        never counted as zero without being named there.
    """
    items: list[dict[str, Any]] = []
    missing: list[str] = []
    if config.boat.lightship_kg is None:
        missing.append("light ship")
    else:
        items.append({"name": "light ship", "kg": config.boat.lightship_kg})
    for tank in config.load.tanks:
        litres = tank.capacity_l * tank.fraction
        items.append({"name": tank.name, "kg": litres * tank.density_kg_per_m3 / 1000.0})
    if not config.load.tanks:
        missing.append("tanks")
    if config.load.persons is None:
        missing.append("persons")
    else:
        items.append({"name": f"{config.load.persons} persons", "kg": config.load.persons * config.load.person_kg})
    if config.load.gear_kg is None:
        missing.append("gear")
    else:
        items.append({"name": "gear", "kg": config.load.gear_kg})
    known = config.boat.lightship_kg is not None
    return {
        "items": items,
        "displacement_kg": sum(item["kg"] for item in items) if known else None,
        "missing": missing,
    }
