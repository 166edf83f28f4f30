"""The channels of a trial set: names, units, groups, plausible ranges, and how each may be joined.

A *group* is what one sensor reports in one go; every group has one ``_age_s`` and one ``_flag`` column.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal

Kind = Literal["linear", "angle", "step"]


class QualityFlag(IntEnum):
    """QARTOD quality flags (US IOOS, Manual for Real-Time Quality Control of Wind Data)."""

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


@dataclass(frozen=True, slots=True)
class Channel:
    """One dimensional quantity of the trial set.

    Attributes:
        name: Column name, with its unit.
        unit: Unit of the column, as `trialcapture.units` spells it.
        group: Group whose age and flag columns speak for this channel.
        kind: ``linear`` is interpolated, ``angle`` is interpolated through sine and cosine,
            ``step`` keeps the last value.
        low: Smallest plausible value; outside is flagged FAIL (common practice, no source).
        high: Largest plausible value.
        resolution: Step of the values on the grid, a power of ten: about ten times finer than usual instruments
            report and far below their uncertainty (common practice, no source).
        meaning: One line for people.
    """

    name: str
    unit: str
    group: str
    kind: Kind
    low: float
    high: float
    resolution: float
    meaning: str

    @property
    def decimals(self) -> int:
        """Decimals of the values on the grid."""
        return round(-math.log10(self.resolution))


BOAT_CHANNELS: tuple[Channel, ...] = (
    Channel("lat_deg", "deg", "position", "linear", -90, 90, 1e-8, "latitude, WGS84, north positive"),
    Channel("lon_deg", "deg", "position", "angle", -180, 180, 1e-8, "longitude, WGS84, east positive"),
    Channel("sog_kn", "kn", "velocity", "linear", 0, 80, 1e-3, "speed over ground"),
    Channel("cog_true_deg", "deg", "velocity", "angle", 0, 360, 1e-3, "course over ground, true"),
    Channel("heading_true_deg", "deg", "heading", "angle", 0, 360, 1e-3, "heading, true"),
    Channel("stw_kn", "kn", "stw", "linear", -20, 80, 1e-3, "speed through water by the log"),
    Channel("depth_m", "m", "depth", "linear", 0, 11000, 1e-3, "depth of water below the surface"),
    Channel("wind_speed_true_kn", "kn", "wind_true", "linear", 0, 200, 1e-3, "true wind speed over ground"),
    Channel("wind_from_true_deg", "deg", "wind_true", "angle", 0, 360, 1e-3, "true wind blows from, true"),
    Channel("wind_speed_apparent_kn", "kn", "wind_apparent", "linear", 0, 200, 1e-3, "apparent wind speed"),
    Channel("wind_angle_apparent_deg", "deg", "wind_apparent", "angle", 0, 360, 1e-3, "from the bow, clockwise"),
    Channel("water_temp_c", "degc", "water_temp", "linear", -3, 45, 1e-3, "water temperature"),
    Channel("pitch_deg", "deg", "attitude", "linear", -45, 45, 1e-3, "pitch, bow up positive"),
    Channel("roll_deg", "deg", "attitude", "linear", -90, 90, 1e-3, "roll, starboard down positive"),
    Channel("rate_of_turn_deg_per_min", "deg/min", "turn", "linear", -6000, 6000, 1e-2, "starboard positive"),
    Channel("rudder_deg", "deg", "rudder", "linear", -90, 90, 1e-2, "rudder angle, turning to starboard positive"),
)  # fmt: skip

ENGINE_QUANTITIES: tuple[Channel, ...] = (
    Channel("rpm", "rpm", "rpm", "linear", 0, 8000, 1e-2, "engine speed"),
    Channel("fuel_l_per_h", "l/h", "fuel", "linear", 0, 3000, 1e-3, "fuel rate"),
    Channel("load_pct", "%", "engine", "linear", 0, 150, 1e-2, "engine load"),
    Channel("coolant_c", "degc", "engine", "linear", -40, 200, 1e-2, "coolant temperature"),
    Channel("oil_bar", "bar", "engine", "linear", 0, 20, 1e-3, "oil pressure"),
    Channel("boost_bar", "bar", "engine", "linear", -1, 10, 1e-3, "boost pressure"),
    Channel("trim_pct", "%", "trim", "step", -100, 100, 1e-1, "drive trim or tab position"),
)
"""Per engine; the column is ``<name>_<engine id>``, the group ``<group>_<engine id>``."""

MAX_GAP_S: dict[str, float] = {
    "position": 3.0, "velocity": 3.0, "heading": 2.0, "stw": 5.0, "depth": 10.0, "wind_true": 5.0,
    "wind_apparent": 5.0, "water_temp": 120.0, "attitude": 2.0, "turn": 2.0, "rudder": 2.0,
    "rpm": 2.5, "fuel": 5.0, "engine": 10.0, "trim": 600.0,
}  # fmt: skip
"""Longest gap bridged, by group; nothing is joined or interpolated past it (common practice, no source)."""


def engine_channels(engine_ids: Sequence[str]) -> tuple[Channel, ...]:
    """Return the engine channels of a boat, engine by engine, in trial-set order."""
    return tuple(
        replace(q, name=f"{q.name}_{e}", group=f"{q.group}_{e}", meaning=f"{q.meaning}, engine {e}")
        for e in engine_ids
        for q in ENGINE_QUANTITIES
    )


def trial_channels(engine_ids: Sequence[str]) -> tuple[Channel, ...]:
    """Return every channel of a boat's trial set, in column order."""
    return BOAT_CHANNELS + engine_channels(engine_ids)


def groups(engine_ids: Sequence[str]) -> dict[str, tuple[Channel, ...]]:
    """Return the channels by group, groups in column order."""
    found: dict[str, list[Channel]] = {}
    for channel in trial_channels(engine_ids):
        found.setdefault(channel.group, []).append(channel)
    return {name: tuple(members) for name, members in found.items()}


def base_group(group: str, engine_ids: Sequence[str]) -> str:
    """Return a group's name without its engine id, as `MAX_GAP_S` is keyed."""
    for engine_id in engine_ids:
        stem = group.removesuffix(f"_{engine_id}")
        if stem != group and stem in MAX_GAP_S:
            return stem
    return group
