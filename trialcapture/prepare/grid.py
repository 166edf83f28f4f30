"""Readings onto the uniform grid of the trial set: bridged only across short gaps, angles through sine and cosine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

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
    """Return grid instants [ns UTC] from first to last, on whole multiples of the grid step since 1970.

    Where none lies between, as in a log of a single fix, it is the next one after.
    """
    step = round(1e9 / grid_hz)
    start = -(-first_ns // step) * step
    return np.arange(start, max(last_ns, start) + 1, step, dtype=np.int64)


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
    if table is None or table.num_rows == 0:
        values = {c.name: np.full(n, np.nan) for c in channels}
        return values, np.full(n, np.nan), np.full(n, Flag.MISSING, dtype=np.uint8)
    t_ns = integers(table["t_ns"])[0]
    around = _find_neighbours(t_ns, grid_ns, gap_s)
    reading_flags = [np.where(truth(table, "fallback"), Flag.SUSPECT, Flag.MISSING).astype(np.uint8)]
    values, some = {}, np.zeros(n, dtype=np.bool_)
    for c in channels:
        raw = column(table, c.name)
        tested = flag_channel(raw, c)
        passed = np.isfinite(raw) & (tested != Flag.FAIL)
        if passed.all():
            joined = _bridge(raw, around, gap_s, c)
        else:
            joined = _bridge(raw[passed], _find_neighbours(t_ns[passed], grid_ns, gap_s), gap_s, c)
        values[c.name] = to_resolution(joined, c)
        some |= np.isfinite(joined)
        reading_flags.append(tested)
    told = (around.since_ns >= 0) & (around.since_ns <= round(reach_s(gap_s) * 1e9))
    # an age finer than a hundredth of a second tells nothing and would not pack
    since_s = np.where(told, np.round(around.since_ns / 1e9, 2), np.nan)
    flags = np.where(told, worst(*reading_flags)[around.before], Flag.MISSING).astype(np.uint8)
    flags[~some & (flags != Flag.FAIL)] = Flag.MISSING
    flags[some & ((flags == Flag.FAIL) | (flags == Flag.MISSING))] = Flag.SUSPECT
    return values, since_s, flags


@dataclass(frozen=True, slots=True)
class _Neighbours:
    """Which of some readings stand around each instant of a grid.

    Attributes:
        before: Shape (n,), the last reading at or before each instant; the first one where there is none.
        since_ns: Shape (n,), how long before the instant that was [ns], negative where there is none.
        between: Shape (m,), instants between two readings that may be bridged and at neither of them.
        low: Shape (m,), the reading before each of those; the next one is the reading after.
        weight: Shape (m,), how far each of those is on its way from the reading before to the one after, 0 to 1.
    """

    before: Ints
    since_ns: Ints
    between: Ints
    low: Ints
    weight: Floats


def _find_neighbours(t_ns: Ints, grid_ns: Ints, gap_s: float) -> _Neighbours:
    """Return what stands around each instant of a grid, bridging no more than `gap_s`.

    Args:
        t_ns: UTC of the readings, strictly ascending [ns].
        grid_ns: Instants, evenly spaced [ns].
        gap_s: Longest gap bridged [s].
    """
    n = grid_ns.size
    if t_ns.size == 0 or n == 0:
        none = np.zeros(0, dtype=np.int64)
        return _Neighbours(np.zeros(n, dtype=np.int64), np.full(n, -1, dtype=np.int64), none, none, np.zeros(0))
    step_ns = int(grid_ns[1] - grid_ns[0]) if n > 1 else 1
    # arithmetic instead of a search: the instant at or after each reading, then how many readings that makes so far
    reaches = np.clip(-((grid_ns[0] - t_ns) // step_ns), 0, n)
    before = np.maximum(np.cumsum(np.bincount(reaches, minlength=n + 1)[:n]) - 1, 0)
    since_ns = grid_ns - t_ns[before]
    step_s = np.diff(t_ns) / 1e9
    between = np.flatnonzero((since_ns > 0) & np.append(step_s <= gap_s, False)[before])
    low = before[between]
    return _Neighbours(before, since_ns, between, low, since_ns[between] / 1e9 / step_s[low])


def _bridge(value: Floats, around: _Neighbours, gap_s: float, channel: Channel) -> Floats:
    """Return finite readings on the grid, NaN wherever those around an instant are further apart than `gap_s`."""
    if value.size == 0:
        return np.full(around.before.size, np.nan)
    held = value[around.before]
    if channel.kind == "step":
        return np.where((around.since_ns >= 0) & (around.since_ns / 1e9 <= gap_s), held, np.nan)
    # where the instant falls on a reading the reading itself stands, bit for bit
    bridged = np.where(around.since_ns == 0, held, np.nan)
    if around.between.size:
        if channel.kind == "angle":
            joined = _join_angles(value, around, from_zero=channel.low >= 0)
        else:
            joined = _join(value, around)
        bridged[around.between] = joined
    return bridged


def _join(value: Floats, around: _Neighbours) -> Floats:
    """Return what lies between two readings, at the instants between."""
    joined: Floats = (1 - around.weight) * value[around.low] + around.weight * value[around.low + 1]
    return joined


def _join_angles(value: Floats, around: _Neighbours, *, from_zero: bool) -> Floats:
    """Return the same of angles [deg]: from 0 to 360 or from -180 to 180, NaN between opposite ones."""
    radians = np.radians(value)
    east, north = _join(np.sin(radians), around), _join(np.cos(radians), around)
    joined: Floats = np.degrees(np.arctan2(east, north))
    if from_zero:
        # what `% 360` gives, several times as fast; a tiny negative angle rounds up to a whole turn, which is north
        joined = np.where(joined < 0, joined + 360.0, joined)
        joined[joined == 360.0] = 0.0
    # exactly opposite readings have no angle between them
    joined[np.hypot(east, north) < 1e-9] = np.nan
    return joined
