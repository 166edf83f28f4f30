"""Readings onto the uniform grid of the trial set: bridged only across short gaps, angles through sine and cosine."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats_to_arrow, integers, to_arrow
from trialcapture.channels import Channel, Flag, base_group, groups
from trialcapture.config import Config
from trialcapture.prepare.flags import flag_channel, worst
from trialcapture.prepare.series import column, truth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]


def reach_s(gap_s: float) -> float:
    """Return how far from an instant a reading can matter to it [s]; an age beyond is null.

    Twice the longest gap: once for what is bridged, once so that a source is known to have been silent before
    another fills in for it.
    """
    return 2.0 * gap_s + 5.0


def grid_times(first_ns: int, last_ns: int, grid_hz: float) -> Ints:
    """Return grid instants [ns UTC] from first to last, on whole multiples of the grid step since 1970."""
    step = round(1e9 / grid_hz)
    start = -(-first_ns // step) * step
    return np.arange(start, last_ns + 1, step, dtype=np.int64)


def samples_schema(config: Config) -> pa.Schema:
    """Return the Arrow schema of ``samples.parquet``; units in field metadata."""
    fields = [pa.field("t", pa.timestamp("ns", tz="UTC"), metadata={"unit": "UTC"})]
    for group, channels in groups(config.engine_ids).items():
        fields += [pa.field(c.name, pa.float64(), metadata={"unit": c.unit, "meaning": c.meaning}) for c in channels]
        fields.append(pa.field(f"{group}_age_s", pa.float32(), metadata={"unit": "s"}))
        fields.append(pa.field(f"{group}_flag", pa.uint8(), metadata={"unit": "QARTOD flag"}))
    return pa.schema(fields)


def sample_grid(series: Mapping[str, pa.Table], grid_ns: Ints, config: Config) -> pa.Table:
    """Return the samples table: every channel group of the boat on the grid.

    Args:
        series: One table per channel group as `trialcapture.prepare.series.choose` makes it; absent groups
            become null columns flagged MISSING.
        grid_ns: Grid instants [ns UTC].
        config: Engine ids and longest gaps.
    """
    arrays: list[pa.Array] = [to_arrow(grid_ns, kind=pa.timestamp("ns", tz="UTC"))]
    for group, channels in groups(config.engine_ids).items():
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        values, age_s, flags = _group_on_grid(series.get(group), channels, grid_ns, gap_s)
        arrays += [floats_to_arrow(values[c.name]) for c in channels]
        arrays.append(floats_to_arrow(age_s.astype(np.float32)))
        arrays.append(to_arrow(flags))
    return pa.Table.from_arrays(arrays, schema=samples_schema(config))


def to_resolution(values: Floats, channel: Channel) -> Floats:
    """Return values of a channel rounded to its resolution.

    Digits that interpolation makes up far below any instrument's step tell nothing and take half of the file. A
    value with no more decimals than the channel stays as it is, bit for bit: an integer over a power of ten is the
    double nearest to the decimal.
    """
    rounded: Floats = np.round(values, channel.decimals) + 0.0  # no negative zero
    if channel.kind == "angle" and channel.low >= 0:
        # what rounds up to a whole turn is north again; a reading of 360 stays one
        rounded = np.where((rounded == 360.0) & (values < 360.0), 0.0, rounded)
    return rounded


def _group_on_grid(
    table: pa.Table | None, channels: tuple[Channel, ...], grid_ns: Ints, gap_s: float
) -> tuple[dict[str, Floats], Floats, Flags]:
    n = grid_ns.size
    values = {c.name: np.full(n, np.nan) for c in channels}
    if table is None or table.num_rows == 0:
        return values, np.full(n, np.nan), np.full(n, Flag.MISSING, dtype=np.uint8)
    t_ns = integers(table["t_ns"])[0]
    raw = {c.name: column(table, c.name) for c in channels}
    marked = np.where(truth(table, "fallback"), Flag.SUSPECT, Flag.MISSING).astype(np.uint8)
    tested = {c.name: flag_channel(raw[c.name], c) for c in channels}
    reading_flags = worst(marked, *tested.values())
    for c in channels:
        passed = np.isfinite(raw[c.name]) & (tested[c.name] != Flag.FAIL)
        values[c.name] = to_resolution(_bridge(t_ns[passed], raw[c.name][passed], grid_ns, gap_s, c), c)
    at = np.searchsorted(t_ns, grid_ns, side="right") - 1
    at[(at >= 0) & (grid_ns - t_ns[np.maximum(at, 0)] > round(reach_s(gap_s) * 1e9))] = -1
    # an age finer than a hundredth of a second tells nothing and would not pack
    since_s = np.where(at >= 0, np.round((grid_ns - t_ns[np.maximum(at, 0)]) / 1e9, 2), np.nan)
    flags = np.where(at >= 0, reading_flags[np.maximum(at, 0)], Flag.MISSING).astype(np.uint8)
    some = np.any([np.isfinite(v) for v in values.values()], axis=0)
    flags[~some] = np.where(flags[~some] == Flag.FAIL, Flag.FAIL, Flag.MISSING)
    flags[some & ((flags == Flag.FAIL) | (flags == Flag.MISSING))] = Flag.SUSPECT
    return values, since_s, flags


def _bridge(t_ns: Ints, value: Floats, grid_ns: Ints, gap_s: float, channel: Channel) -> Floats:
    """Return a channel on the grid, NaN wherever the readings around an instant are further apart than `gap_s`."""
    if t_ns.size == 0:
        return np.full(grid_ns.size, np.nan)
    after = np.searchsorted(t_ns, grid_ns, side="left")
    exact = (after < t_ns.size) & (t_ns[np.minimum(after, t_ns.size - 1)] == grid_ns)
    before = np.where(exact, after, after - 1)
    inside = exact | ((before >= 0) & (after < t_ns.size))
    low, high = np.clip(before, 0, t_ns.size - 1), np.clip(after, 0, t_ns.size - 1)
    span = (t_ns[high] - t_ns[low]) / 1e9
    if channel.kind == "step":
        held = (before >= 0) & ((grid_ns - t_ns[low]) / 1e9 <= gap_s)
        return np.where(held, value[low], np.nan)
    weight = np.where(span > 0, (grid_ns - t_ns[low]) / 1e9 / np.where(span > 0, span, 1.0), 0.0)
    if channel.kind == "angle":
        radians = np.radians(value)
        east = (1 - weight) * np.sin(radians[low]) + weight * np.sin(radians[high])
        north = (1 - weight) * np.cos(radians[low]) + weight * np.cos(radians[high])
        joined = np.degrees(np.arctan2(east, north))
        if channel.low >= 0:
            joined = joined % 360.0 % 360.0
        # exactly opposite readings have no angle between them
        joined[np.hypot(east, north) < 1e-9] = np.nan
    else:
        joined = (1 - weight) * value[low] + weight * value[high]
    # where the instant falls on a reading the reading itself stands, bit for bit
    joined = np.where(exact, value[low], joined)
    bridged: Floats = np.where(inside & (span <= gap_s), joined, np.nan)
    return bridged
