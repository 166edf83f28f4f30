"""The conditions of the trial as text: the usual ones in plain words, any other under its own name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialcapture.report.answers import at
from trialcapture.report.format import DASH, degrees, fixed, general, label_and_unit, number, span

_NAMED: tuple[tuple[str, str, str, int], ...] = (
    ("wave_height_m", "Wave height", "m", 1),
    ("sea_state", "Sea state, WMO code", "", 0),
    ("depth_m_min", "Least depth", "m", 1),
    ("water_temp_c", "Water temperature", "°C", 1),
    ("water_density_kg_per_m3", "Water density", "kg/m³", 1),
)
"""Key, label, unit, decimals."""
_TOLD = (
    "start",
    "stop",
    "place",
    "wind_speed_true_kn_mean",
    "wind_speed_true_kn_max",
    "wind_from_true_deg",
    "wind_beaufort_max",
)


def conditions_line(summary: Mapping[str, Any]) -> str:
    """Return day, place, wind, sea and depth in one line."""
    c = at(summary, "conditions") or {}
    said = dict(condition_items(summary))
    parts = [said[k] for k in ("Time of the legs", "Place") if k in said]
    if "Wind, true" in said:
        parts.append("wind " + said["Wind, true"])
    parts += [
        f"{text} {said[label]}"
        for label, text in (("Wave height", "waves"), ("Least depth", "depth from"))
        if label in said
    ]
    if "Wave height" not in said and number(c.get("sea_state")) is not None:
        parts.append(f"sea state {fixed(c['sea_state'], 0)}")
    return "; ".join(parts)


def wind(c: Mapping[str, Any]) -> str:
    """Return "8.1 kn from 285°, at most 11.0 kn (Beaufort 4)"; "" without a wind."""
    mean, most = number(c.get("wind_speed_true_kn_mean")), number(c.get("wind_speed_true_kn_max"))
    if mean is None and most is None:
        return ""
    text = f"{fixed(mean if mean is not None else most, 1)} kn"
    if number(c.get("wind_from_true_deg")) is not None:
        text += f" from {degrees(c['wind_from_true_deg'])}"
    if mean is not None and most is not None and fixed(most, 1) != fixed(mean, 1):
        text += f", at most {fixed(most, 1)} kn"
    force = number(c.get("wind_beaufort_max"))
    return text if force is None else f"{text} (Beaufort {fixed(force, 0)})"


def condition_items(summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the conditions as label and value; what was neither measured nor stated is left to the list of gaps."""
    flat = _flatten(at(summary, "conditions") or {})
    items: list[tuple[str, str]] = []
    if flat.get("start"):
        items.append(("Time of the legs", span(flat["start"], flat.get("stop"))))
    if flat.get("place"):
        items.append(("Place", str(flat["place"])))
    if wind(flat):
        items.append(("Wind, true", wind(flat)))
    for key, label, unit, decimals in _NAMED:
        if number(flat.get(key)) is not None:
            items.append((label, f"{fixed(flat[key], decimals)} {unit}".strip()))
    named = {key for key, *_ in _NAMED} | set(_TOLD)
    for key, value in flat.items():
        if key in named or value is None or value in ("", [], ()):
            continue
        label, unit = label_and_unit(key)
        items.append((label[:1].upper() + label[1:], plain_value(value, unit)))
    return items


def plain_value(value: Any, unit: str = "") -> str:
    """Return any JSON value as text, with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(plain_value(item, unit) for item in value)
    if number(value) is not None:
        if unit == "° true":
            return f"{degrees(value)} true"
        return f"{general(value, 3)}{'' if unit in ('', '°') else ' '}{unit}"
    return DASH if value is None else str(value)


def _flatten(data: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in data.items():
        if isinstance(value, Mapping):
            flat.update(_flatten(value, f"{prefix}{key}_"))
        else:
            flat[f"{prefix}{key}"] = value
    return flat
