"""Which channels an engine log gives, and its numbers in their units."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.config import BY_DENSITY, Column, EngineLog, log_channel
from trialcapture.decode.log_headings import column_name
from trialcapture.units import convert, dimension

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LogChannel:
    """One channel to be read: its name and unit here, its column, unit and scale in the log."""

    channel: str
    unit: str
    column: str | int
    log_unit: str
    scale: float = 1.0
    offset: float = 0.0

    @property
    def heading(self) -> str:
        """What to call its column."""
        return column_name(self.column)


def log_channels(spec: EngineLog, engine_ids: tuple[str, ...]) -> list[LogChannel]:
    """Return the channels declared for a log, in their order."""
    wanted = []
    for key, column in spec.columns.items():
        known = log_channel(key, engine_ids)
        if isinstance(column, Column) and known is not None:
            name, unit, engine_id = known
            stem = f"{name}_{engine_id}"
            wanted.append(LogChannel(stem, unit, column.name, column.unit, column.scale, column.offset))
    return wanted


def needs_density(channel: LogChannel) -> bool:
    """Return True where the log gives by mass what is wanted by volume."""
    kind, needed = dimension(channel.log_unit), dimension(channel.unit)
    return kind != needed and BY_DENSITY.get(needed) == kind


def to_unit(values: Floats, channel: LogChannel, density_kg_per_m3: float | None) -> Floats:
    """Return a log's numbers in the channel's unit; NaN where that needs a density which is not known."""
    if channel.scale != 1.0 or channel.offset != 0.0:
        values = values * channel.scale + channel.offset
    if not needs_density(channel):
        return convert(values, channel.log_unit, channel.unit)
    if density_kg_per_m3 is None:
        return np.full(values.shape, np.nan)
    by_mass = "kg/h" if dimension(channel.log_unit) == "mass flow" else "kg"
    return convert(values, channel.log_unit, by_mass) / (density_kg_per_m3 / 1000.0)
