"""One stretch of the grid at a time: the samples between two instants, from the readings around them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats_to_arrow, integers, to_arrow
from trialcapture.channels import BOAT_CHANNELS, base_group, groups
from trialcapture.config import Config
from trialcapture.prepare.flags import CONTEXT_S
from trialcapture.prepare.grid import reach_s, sample_grid, to_resolution
from trialcapture.prepare.series import Candidate, choose, column
from trialcapture.prepare.truewind import true_wind

Ints = npt.NDArray[np.int64]


def reaches_s(rankings: Mapping[str, Sequence[str]], config: Config) -> dict[str, float]:
    """Return how far around a window readings of each group matter [s]; groups without a source are left out."""
    return {
        group: reach_s(config.samples.gap_s(base_group(group, config.engine_ids))) + CONTEXT_S
        for group, sources in rankings.items()
        if sources
    }


def sample_window(
    candidates: Mapping[str, Sequence[Candidate]],
    rankings: Mapping[str, Sequence[str]],
    grid_ns: Ints,
    config: Config,
) -> pa.Table:
    """Return the samples of one window, as the grid of the whole recording has them.

    Args:
        candidates: By channel group, readings from at least `reaches_s` before the first to as long after the last
            instant; several of one source are joined.
        rankings: By channel group, its sources, the leader first.
        grid_ns: The window's instants [ns UTC].
        config: Boat and trial settings.
    """
    series: dict[str, pa.Table] = {}
    reach = reaches_s(rankings, config)
    for group, channels in groups(config.engine_ids).items():
        if group not in reach:
            continue
        around = round(reach[group] * 1e9)
        low, high = int(grid_ns[0]) - around, int(grid_ns[-1]) + around
        mine = joined_by_source([_between(c, low, high) for c in candidates.get(group, [])])
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        series[group] = choose(mine, [c.name for c in channels], gap_s, ranking=rankings[group])
    samples = sample_grid(series, grid_ns, config)
    if not rankings["wind_true"]:
        return with_true_wind(samples)
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
    if np.any(t_ns[1:] < t_ns[:-1]):
        # blocks that lie next to each other overlap only where lines came out of order
        order = np.argsort(t_ns, kind="stable")
        t_ns, values = t_ns[order], {n: v[order] for n, v in values.items()}
    return Candidate(source, t_ns, values, min(p.preference for p in parts))


def _between(c: Candidate, low_ns: int, high_ns: int) -> Candidate:
    inside = slice(*np.searchsorted(c.t_ns, [low_ns, high_ns + 1]))
    return Candidate(c.source, c.t_ns[inside], {n: v[inside] for n, v in c.values.items()}, c.preference)


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
