"""Readings of the boat as a whole: position, speeds, heading, depth, wind, water, turn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import equals
from trialcapture.config import Config
from trialcapture.prepare.series import Candidate, SourceRows, column, find_sources, split_sources, truth

Floats = npt.NDArray[np.float64]


class Adder(Protocol):
    """Takes one formatter's values for a channel group."""

    def __call__(self, group: str, name: str, preference: int, **values: Floats) -> None:
        """Add the values, one array per channel, void as NaN."""


def gather_boat(
    placed: Mapping[str, pa.Table], config: Config, variation_deg: float | None = None
) -> tuple[dict[str, list[Candidate]], list[str]]:
    """Return candidates by boat channel group from placed sentences, and warnings for people.

    Args:
        placed: Tables by formatter with ``t_ns``.
        config: Boat and trial settings.
        variation_deg: Magnetic variation of the whole log, east positive, from `find_variation_deg`; None finds it
            in these tables.
    """
    found: dict[str, list[Candidate]] = {}
    warnings: list[str] = []
    sources: dict[str, list[SourceRows]] = {}

    def add(group: str, name: str, preference: int, **values: Floats) -> None:
        if name not in sources:
            sources[name] = find_sources(placed[name])
        found.setdefault(group, []).extend(split_sources(sources[name], values, name, preference))

    for preference, name in enumerate(("RMC", "GNS", "GGA", "GLL", "POSITION")):
        if name in placed:
            valid = truth(placed[name], "valid")
            lat, lon = (np.where(valid, column(placed[name], c), np.nan) for c in ("lat_deg", "lon_deg"))
            add("position", name, preference, lat_deg=lat, lon_deg=lon)
    for preference, name in enumerate(("RMC", "VTG", "VELOCITY")):
        if name in placed:
            valid = truth(placed[name], "valid")
            sog, cog = (np.where(valid, column(placed[name], c), np.nan) for c in ("sog_kn", "cog_true_deg"))
            add("velocity", name, preference, sog_kn=sog, cog_true_deg=cog)
    variation_deg = find_variation_deg(placed, config) if variation_deg is None else variation_deg
    _gather_heading(placed, variation_deg, add, warnings)
    if "VHW" in placed:
        add("stw", "VHW", 0, stw_kn=column(placed["VHW"], "stw_kn"))
    if "VBW" in placed:
        water = np.where(truth(placed["VBW"], "water_valid"), column(placed["VBW"], "stw_kn"), np.nan)
        add("stw", "VBW", 1, stw_kn=water)
    _gather_depth(placed, add)
    _gather_wind(placed, variation_deg, add)
    if "MTW" in placed:
        add("water_temp", "MTW", 0, water_temp_c=column(placed["MTW"], "water_temp_c"))
    if "MDA" in placed:
        add("water_temp", "MDA", 1, water_temp_c=column(placed["MDA"], "water_temp_c"))
    if "ROT" in placed:
        turn = np.where(truth(placed["ROT"], "valid"), column(placed["ROT"], "rate_of_turn_deg_per_min"), np.nan)
        add("turn", "ROT", 0, rate_of_turn_deg_per_min=turn)
    return found, warnings


def _gather_heading(placed: Mapping[str, pa.Table], variation: float | None, add: Adder, warnings: list[str]) -> None:
    for preference, name in enumerate(("HDT", "THS", "VHW")):
        if name in placed:
            heading = column(placed[name], "heading_true_deg")
            if name == "THS":
                heading = np.where(truth(placed[name], "valid"), heading, np.nan)
            add("heading", name, preference if name != "VHW" else 5, heading_true_deg=heading)
    for preference, name, magnetic in ((3, "HDG", "heading_sensor_deg"), (4, "HDM", "heading_magnetic_deg")):
        if name not in placed:
            continue
        heading = column(placed[name], magnetic)
        own = column(placed[name], "variation_deg") if name == "HDG" else np.full(heading.size, np.nan)
        if name == "HDG":
            heading = heading + np.nan_to_num(column(placed[name], "deviation_deg"))
        used = np.where(np.isfinite(own), own, np.nan if variation is None else variation)
        if np.isfinite(heading).any() and not np.isfinite(used).any():
            warnings.append(
                f"{name} gives a magnetic heading and no sentence gives the variation; heading is left out "
                "(set trial.magnetic_variation_deg)"
            )
        add("heading", name, preference, heading_true_deg=(heading + used) % 360.0)


def find_variation_deg(placed: Mapping[str, pa.Table], config: Config) -> float | None:
    """Return the magnetic variation, east positive: as declared, else the receiver's own median."""
    if config.trial.magnetic_variation_deg is not None:
        return config.trial.magnetic_variation_deg
    for name in ("RMC", "HDG"):
        if name in placed:
            told = column(placed[name], "variation_deg")
            if np.isfinite(told).any():
                return float(np.nanmedian(told))
    return None


def _gather_depth(placed: Mapping[str, pa.Table], add: Adder) -> None:
    """Depth of water: DBS as told; DPT and DBT from the transducer, DPT with its offset to the waterline."""
    if "DBS" in placed:
        add("depth", "DBS", 0, depth_m=column(placed["DBS"], "depth_m"))
    if "DPT" in placed:
        offset = np.nan_to_num(column(placed["DPT"], "offset_m"))
        # a negative offset points to the keel and says nothing about the surface
        add("depth", "DPT", 1, depth_m=column(placed["DPT"], "depth_m") + np.maximum(offset, 0.0))
    for preference, name in ((2, "DBT"), (3, "DBK")):
        if name in placed:
            add("depth", name, preference, depth_m=column(placed[name], "depth_m"))


def _gather_wind(placed: Mapping[str, pa.Table], variation: float | None, add: Adder) -> None:
    """Apparent wind from MWV with reference R and VWR; true wind over ground from MWD and MDA.

    MWV with reference T and VWT tell the theoretical wind off the bow, which rests on the boat's log: not used.
    """
    if "MWV" in placed:
        table = placed["MWV"]
        valid = truth(table, "valid") & equals(table["reference"], "R")
        angle, speed = (np.where(valid, column(table, c), np.nan) for c in ("wind_angle_deg", "wind_speed_kn"))
        add("wind_apparent", "MWV", 0, wind_speed_apparent_kn=speed, wind_angle_apparent_deg=angle)
    if "VWR" in placed:
        angle, speed = (column(placed["VWR"], c) for c in ("wind_angle_apparent_deg", "wind_speed_apparent_kn"))
        add("wind_apparent", "VWR", 1, wind_speed_apparent_kn=speed, wind_angle_apparent_deg=angle)
    for preference, name in enumerate(("MWD", "MDA")):
        if name in placed:
            true, magnetic = (column(placed[name], f"wind_from_{north}_deg") for north in ("true", "magnetic"))
            by_compass = (magnetic + (np.nan if variation is None else variation)) % 360.0
            angle, speed = np.where(np.isfinite(true), true, by_compass), column(placed[name], "wind_speed_true_kn")
            add("wind_true", name, preference, wind_speed_true_kn=speed, wind_from_true_deg=angle)


def find_air(placed: Iterable[Mapping[str, pa.Table]]) -> dict[str, float]:
    """Return the medians of air pressure [hPa] and air temperature [°C] over all logs, where they are told."""
    logs = [tables["MDA"] for tables in placed if "MDA" in tables]
    found = {}
    for name in ("pressure_hpa", "air_temp_c"):
        told = np.concatenate([column(table, name) for table in logs] or [np.zeros(0)])
        if np.isfinite(told).any():
            found[name] = float(np.nanmedian(told))
    return found
