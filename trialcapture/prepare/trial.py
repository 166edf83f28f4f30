"""The whole preparation of a trial on one screen: sentences and engine logs in, trial-set tables out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from trialcapture.channels import base_group, groups
from trialcapture.config import Config, EngineLog
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.engines import gather_can_engines, gather_log, gather_network_rpm, gather_xdr, merge_attitude
from trialcapture.prepare.grid import grid_times, sample_grid
from trialcapture.prepare.logalign import align_log
from trialcapture.prepare.logclock import BUS_U_S
from trialcapture.prepare.placing import GNSS_LATENCY_S, ClockRow, place_sentences
from trialcapture.prepare.segments import TrimEntry, find_segments, make_segments
from trialcapture.prepare.series import Candidate, choose, column, gather_boat, series_schema
from trialcapture.prepare.truewind import true_wind
from trialcapture.prepare.utc import ClockFit

CLOCKS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        pa.field("offset_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("offset_u_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("drift_ppm", pa.float64(), metadata={"unit": "1e-6"}),
        pa.field("drift_u_ppm", pa.float64(), metadata={"unit": "1e-6"}),
        ("method", pa.string()),
        ("quality", pa.string()),
    ]
)
"""Schema of ``clocks.parquet``."""

LONGEST_DAYS = 14
"""Longest session that is taken for one trial."""

REJECTS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        ("line", pa.int64()),
        ("t", pa.timestamp("ns", tz="UTC")),
        ("reason", pa.string()),
        ("bytes", pa.binary()),
    ]
)
"""Schema of ``rejects.parquet``."""


def prepare_trial(
    nmea: Sequence[tuple[str, Mapping[str, pa.Table]]],
    logs: Sequence[tuple[str, EngineLog, pa.Table]],
    config: Config,
    *,
    trims: Sequence[TrimEntry] = (),
    marks_ns: Sequence[int] = (),
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[pa.Table, pa.Table, pa.Table, dict[str, Mapping[str, pa.Table]], list[str]]:
    """Place, align, flag, grid and segment one session.

    Args:
        nmea: Per raw NMEA file, its name and its decoded sentences by formatter.
        logs: Per engine-log file, its name, its description and its decoded rows.
        config: Boat and trial settings.
        trims: Trim notes, ascending in time.
        marks_ns: Marks a person made, by the recording computer's wall clock [ns since 1970].
        progress: Called with the name of each step.

    Returns:
        samples, segments, clocks, the placed sentences by file, and warnings as sentences for people. Samples
        is empty when no sentence tells position or speed.
    """
    progress("clocks")
    placed: dict[str, Mapping[str, pa.Table]] = {}
    clocks: list[ClockRow] = []
    warnings: list[str] = []
    latency_s = {s.id: s.latency_s for s in config.source}
    shared: ClockFit | None = None
    for name, sentences in nmea:
        placed[name], rows, told, shared = place_sentences(sentences, latency_s, shared)
        clocks += rows
        warnings += told
    progress("channels")
    candidates = _gather(placed, config, warnings)
    series = _choose(candidates, config)
    progress("engine clocks")
    marks_utc_ns = _wall_to_utc(marks_ns, placed)
    network_u_s = max([BUS_U_S, *(c.offset_u_s for c in clocks if c.method.startswith("order") and c.offset_u_s)])
    for name, spec, rows_table in logs:
        t_ns, row, told = align_log(name, spec, rows_table, series, config, marks_utc_ns, network_u_s)
        clocks.append(row)
        warnings += told
        if t_ns is not None:
            for group, found in gather_log(rows_table, t_ns, name, config).items():
                candidates.setdefault(group, []).extend(found)
    network_span = _span(series)
    series = _choose(candidates, config)
    progress("grid")
    clocks_table = pa.Table.from_pylist([asdict(r) for r in clocks], schema=CLOCKS_SCHEMA)
    if network_span is None:
        empty = sample_grid({}, np.zeros(0, dtype=np.int64), config)
        return empty, make_segments(empty, [], config, []), clocks_table, placed, warnings
    samples = _with_true_wind(sample_grid(series, grid_times(*network_span, config.samples.grid_hz), config))
    progress("steady stretches")
    segments = make_segments(samples, find_segments(samples, config), config, trims)
    return samples, segments, clocks_table, placed, _unique(warnings)


def _gather(
    placed: Mapping[str, Mapping[str, pa.Table]], config: Config, warnings: list[str]
) -> dict[str, list[Candidate]]:
    candidates: dict[str, list[Candidate]] = {}
    for tables in placed.values():
        boat, told = gather_boat(tables, config)
        rpm, more = gather_network_rpm(tables, config)
        xdr, rest = gather_xdr(tables, config)
        if "attitude" in xdr:
            xdr["attitude"] = merge_attitude(xdr["attitude"])
        for part in (boat, rpm, xdr, gather_can_engines(tables, config)):
            for group, found in part.items():
                candidates.setdefault(group, []).extend(found)
        warnings += told + more + rest
    return candidates


def _choose(candidates: Mapping[str, list[Candidate]], config: Config) -> dict[str, pa.Table]:
    """Return one series per channel group; position and velocity come from the same receiver where it can be."""
    series = {}
    lead = config.trial.primary_gnss
    for group, channels in groups(config.engine_ids).items():
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        names = [c.name for c in channels]
        wanted = lead if group in ("velocity", "position") else ""
        series[group] = choose(candidates.get(group, []), names, gap_s, wanted)
    if not lead and series["velocity"].num_rows:
        source = series["velocity"]["source"].chunk(0).dictionary[0].as_py().split(" ")[0]
        names = [c.name for c in groups(config.engine_ids)["position"]]
        gap_s = config.samples.gap_s("position")
        series["position"] = choose(candidates.get("position", []), names, gap_s, source)
    return series


def _wall_to_utc(wall_ns: Sequence[int], placed: Mapping[str, Mapping[str, pa.Table]]) -> list[int]:
    """Return UTC [ns] of wall-clock stamps, by the sentence received nearest to each.

    The computer's clock may have been set during the session, so no single offset holds for all of it.
    """
    wall: list[npt.NDArray[np.int64]] = []
    utc: list[npt.NDArray[np.int64]] = []
    for tables in placed.values():
        if "RMC" in tables:
            both = tables["RMC"].select(["wall_ms", "t_ns"]).drop_null()
            wall.append(np.asarray(both["wall_ms"].combine_chunks()).astype(np.int64) * 1_000_000)
            utc.append(np.asarray(both["t_ns"].combine_chunks()).astype(np.int64))
    if not sum(w.size for w in wall):
        return list(wall_ns)
    stamps, times = np.concatenate(wall), np.concatenate(utc)
    nearest = [int(np.abs(stamps - w).argmin()) for w in wall_ns]
    late_ns = round(GNSS_LATENCY_S * 1e9)
    return [int(times[i]) + late_ns + w - int(stamps[i]) for i, w in zip(nearest, wall_ns, strict=True)]


def _span(series: Mapping[str, pa.Table]) -> tuple[int, int] | None:
    """Return first and last UTC [ns] of position and speed, or None when there is neither."""
    known = [series[g]["t_ns"] for g in ("velocity", "position") if g in series and series[g].num_rows]
    if not known:
        return None
    first, last = min(pc.min(t).as_py() for t in known), max(pc.max(t).as_py() for t in known)
    if last - first > LONGEST_DAYS * 86_400_000_000_000:
        raise TrialCaptureError(
            "the NMEA logs of this session lie too far apart to be one trial",
            seen=f"{(last - first) / 86_400e9:.0f} days from first to last position",
            expected=f"make one session a trial; at most {LONGEST_DAYS} days",
        )
    return first, last


def _with_true_wind(samples: pa.Table) -> pa.Table:
    """Fill the true wind from the apparent one where no sentence told it anywhere in the session."""
    if samples["wind_speed_true_kn"].null_count < samples.num_rows:
        return samples
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
        samples = _replaced(samples, name, pa.array(values, pa.float64(), from_pandas=True))
    for name in ("wind_true_age_s", "wind_true_flag"):
        samples = _replaced(samples, name, samples[name.replace("true", "apparent")])
    return samples


def _replaced(table: pa.Table, name: str, values: pa.Array) -> pa.Table:
    index = table.schema.get_field_index(name)
    return table.set_column(index, table.schema.field(index), values)


def rejects_table(rejects: Sequence[tuple[str, pa.Table]], placed: Mapping[str, Mapping[str, pa.Table]]) -> pa.Table:
    """Return all rejects of a session, each placed on UTC by the sentence before it.

    Args:
        rejects: Per raw file, its name and its rejects as decoded.
        placed: Placed sentences by raw file.
    """
    parts = []
    for name, table in rejects:
        t_ns = _time_of_lines(placed.get(name, {}), np.asarray(table["line"].combine_chunks()).astype(np.int64))
        parts.append(
            pa.table(
                [
                    table["source"].cast(pa.string()),
                    table["line"].cast(pa.int64()),
                    t_ns,
                    table["reason"].cast(pa.string()),
                    table["bytes"],
                ],
                schema=REJECTS_SCHEMA,
            )
        )
    return pa.concat_tables(parts) if parts else REJECTS_SCHEMA.empty_table()


def _time_of_lines(tables: Mapping[str, pa.Table], line: np.ndarray) -> pa.Array:
    stamp = pa.timestamp("ns", tz="UTC")
    known = [t.filter(pc.is_valid(t["t_ns"])) for t in tables.values()]
    known = [t for t in known if t.num_rows]
    if not known or not line.size:
        return pa.nulls(line.size, stamp)
    at = np.concatenate([np.asarray(t["line"].combine_chunks()) for t in known])
    t_ns = np.concatenate([np.asarray(t["t_ns"].combine_chunks()) for t in known])
    order = np.argsort(at, kind="stable")
    before = np.clip(np.searchsorted(at[order], line, side="right") - 1, 0, at.size - 1)
    return pa.array(t_ns[order][before], pa.int64()).cast(stamp)


def _unique(texts: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(texts))


__all__ = ["CLOCKS_SCHEMA", "REJECTS_SCHEMA", "prepare_trial", "rejects_table", "series_schema"]
