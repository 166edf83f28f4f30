"""One stretch of the grid at a time: the samples between two instants, from the readings around them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats_to_arrow, integers, to_arrow
from trialcapture.channels import BOAT_CHANNELS, Flag, base_group, groups
from trialcapture.config import Config
from trialcapture.prepare.flags import CONTEXT_S
from trialcapture.prepare.grid import (
    LeftOut,
    count_impossible,
    possible_channels,
    reach_s,
    sample_grid,
    to_resolution,
    with_left_out,
)
from trialcapture.prepare.on_change import HOLD_MOST_S, OnChange, alive_times, find_contradicted, hold
from trialcapture.prepare.series import Candidate, choose, column
from trialcapture.prepare.truewind import true_wind

Ints = npt.NDArray[np.int64]


def reaches_s(
    rankings: Mapping[str, Sequence[str]], config: Config, on_change: OnChange | None = None
) -> dict[str, float]:
    """Return how far around a window readings of each group matter [s]; groups without a source are left out."""
    held_s = HOLD_MOST_S if on_change else 0.0
    return {
        group: reach_s(config.samples.gap_s(base_group(group, config.engine_ids))) + CONTEXT_S + held_s
        for group, sources in rankings.items()
        if sources
    }


def sample_window(
    candidates: Mapping[str, Sequence[Candidate]],
    rankings: Mapping[str, Sequence[str]],
    grid_ns: Ints,
    config: Config,
    on_change: OnChange | None = None,
) -> pa.Table:
    """Return the samples of one window, as the grid of the whole recording has them.

    Args:
        candidates: By channel group, readings from at least `reaches_s` before the first to as long after the last
            instant; several of one source are joined.
        rankings: By channel group, its sources, the leader first.
        grid_ns: The window's instants [ns UTC].
        config: Boat and trial settings.
        on_change: What is published on change only, in the whole trial.
    """
    series: dict[str, pa.Table] = {}
    reach = reaches_s(rankings, config, on_change)
    held = {} if on_change is None else on_change.sources
    engine_speeds = {f"rpm_{e}" for e in config.engine_ids}
    impossible: list[LeftOut] = []
    for group, channels in groups(config.engine_ids).items():
        if group not in reach:
            continue
        around = round(reach[group] * 1e9)
        low, high = int(grid_ns[0]) - around, int(grid_ns[-1]) + around
        mine = joined_by_source([_between(c, low, high) for c in candidates.get(group, [])])
        if group in held:
            mine = [hold(c, _alive(candidates, c.source, low, high)) if c.source in held[group] else c for c in mine]
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        series[group] = choose(mine, [c.name for c in channels], gap_s, ranking=rankings[group])
        if group in engine_speeds:
            (engine_speed,) = possible_channels(channels, config)
            others = [c for c in mine if c.source != rankings[group][0]]
            impossible += [entry for c in others for entry in count_impossible(c, engine_speed, grid_ns)]
    samples = with_left_out(sample_grid(series, grid_ns, config), impossible)
    if on_change:
        samples = _without_contradicted(samples, series, grid_ns, config)
    if not rankings["wind_true"]:
        return with_true_wind(samples)
    return samples


def _alive(candidates: Mapping[str, Sequence[Candidate]], source: str, low_ns: int, high_ns: int) -> Ints:
    near = {group: [_between(c, low_ns, high_ns) for c in members] for group, members in candidates.items()}
    return alive_times(near, source)


def _without_contradicted(samples: pa.Table, series: Mapping[str, pa.Table], grid_ns: Ints, config: Config) -> pa.Table:
    """Return the samples without engine readings that were held while the speed shows that they changed."""
    if "velocity" not in series:
        return samples
    speed_ns, speed_kn = integers(series["velocity"]["t_ns"])[0], column(series["velocity"], "sog_kn")
    for group, channels in groups(config.engine_ids).items():
        if group not in series or group not in {f"{base}_{e}" for base in ("rpm", "fuel") for e in config.engine_ids}:
            continue
        age_s = column(samples, f"{group}_age_s")
        age_ns = np.where(np.isfinite(age_s), np.round(np.nan_to_num(age_s) * 1e9), -1.0).astype(np.int64)
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        wrong = find_contradicted(grid_ns, age_ns, speed_ns, speed_kn, gap_s)
        if wrong.any():
            for c in channels:
                values = np.where(wrong, np.nan, column(samples, c.name))
                samples = _replaced(samples, c.name, floats_to_arrow(values))
            flags = np.where(wrong, Flag.MISSING, integers(samples[f"{group}_flag"])[0]).astype(np.uint8)
            samples = _replaced(samples, f"{group}_flag", to_arrow(flags))
    return samples


def joined_by_source(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Join the candidates of one source into one, in order of time."""
    by_source: dict[str, list[Candidate]] = {}
    for c in candidates:
        if c.t_ns.size:
            by_source.setdefault(c.source, []).append(c)
    return [parts[0] if len(parts) == 1 else _in_order(source, parts) for source, parts in by_source.items()]


def _in_order(source: str, parts: Sequence[Candidate]) -> Candidate:
    t_ns = np.concatenate([p.t_ns for p in parts])
    names = dict.fromkeys(n for p in parts for n in p.values)
    values = {n: np.concatenate([p.values.get(n, np.full(p.t_ns.size, np.nan)) for p in parts]) for n in names}
    ages = None
    if any(p.age_ns is not None for p in parts):
        ages = np.concatenate([np.zeros(p.t_ns.size, np.int64) if p.age_ns is None else p.age_ns for p in parts])
    if np.any(t_ns[1:] < t_ns[:-1]):
        # blocks that lie next to each other overlap only where lines came out of order
        order = np.argsort(t_ns, kind="stable")
        t_ns, values = t_ns[order], {n: v[order] for n, v in values.items()}
        ages = None if ages is None else ages[order]
    return Candidate(source, t_ns, values, min(p.preference for p in parts), age_ns=ages)


def _between(c: Candidate, low_ns: int, high_ns: int) -> Candidate:
    inside = slice(*np.searchsorted(c.t_ns, [low_ns, high_ns + 1]))
    ages = None if c.age_ns is None else c.age_ns[inside]
    return Candidate(c.source, c.t_ns[inside], {n: v[inside] for n, v in c.values.items()}, c.preference, age_ns=ages)


def with_true_wind(samples: pa.Table) -> pa.Table:
    """Fill the true wind from the apparent one, for a recording in which no sentence told it."""
    inputs = (
        "heading_true_deg",
        "wind_angle_apparent_deg",
        "wind_speed_apparent_kn",
        "cog_true_deg",
        "sog_kn",
    )
    arrays = [column(samples, name) for name in inputs]
    # a drifting boat has no course; its speed hardly matters then
    arrays[3] = np.where(np.isfinite(arrays[3]) | (arrays[4] > 0.5), arrays[3], 0.0)
    speed, from_deg = true_wind(arrays[0], arrays[1], arrays[2], arrays[3], arrays[4])
    if not np.isfinite(speed).any():
        return samples
    for name, values in (("wind_speed_true_kn", speed), ("wind_from_true_deg", from_deg)):
        stored = to_resolution(values, next(c for c in BOAT_CHANNELS if c.name == name))
        samples = _replaced(samples, name, floats_to_arrow(stored))
    for name in ("wind_true_age_s", "wind_true_flag"):
        samples = _replaced(samples, name, samples[name.replace("true", "apparent")])
    return samples


def _replaced(table: pa.Table, name: str, values: pa.Array) -> pa.Table:
    index = table.schema.get_field_index(name)
    return table.set_column(index, table.schema.field(index), values)


OVERVIEW_GROUPS = ("position", "velocity", "heading", "stw", "depth", "wind_true", "water_temp", "attitude")


def overview_of(samples: pa.Table, block: int, engine_ids: Sequence[str]) -> pa.Table:
    """Return one row for each `block` rows of a window: what the reduction and the drawings need of the whole trial.

    Means of the block, unknown where any sample of it is; of positions and angles the middle sample.

    Args:
        samples: Rows of the grid; rows after the last whole block are left out.
        block: Rows a block.
        engine_ids: Engines.
    """
    whole = samples.num_rows // block
    middle = slice(block // 2, whole * block, block)
    wanted = {*OVERVIEW_GROUPS, *(f"{g}_{e}" for g in ("rpm", "fuel") for e in engine_ids)}
    fields = [samples.schema.field("t")]
    arrays = [to_arrow(integers(samples["t"])[0][middle], kind=fields[0].type)]
    for group, channels in groups(engine_ids).items():
        for c in channels if group in wanted else ():
            fields.append(samples.schema.field(c.name))
            values = column(samples, c.name)
            if c.kind == "linear" and group != "position":
                with np.errstate(invalid="ignore"):
                    values = values[: whole * block].reshape(whole, block).mean(axis=1)
            else:
                values = values[middle]
            arrays.append(floats_to_arrow(values))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))
