"""The accepted steady segments as NumPy columns; null becomes NaN here and turns back into null in `tables`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.reduce.statistics import FloatArray

IntArray = npt.NDArray[np.int64]

NS_PER_H = 3_600_000_000_000
DISBELIEVED_PCT = 4.0
"""Where a person's band is further than this from the engine speed that was read, the reading is held to be wrong;
holds this far apart are never one step (common practice, no source)."""


class Legs(TypedDict):
    """Accepted segments in order of time; all arrays have one entry a leg."""

    t0_ns: int
    start_ns: IntArray
    stop_ns: IntArray
    segment_id: IntArray
    trim: list[str | None]
    values: dict[str, FloatArray]


_COLUMNS = (
    "duration_s", "rpm_mean", "rpm_sd", "sog_kn_mean", "sog_kn_sd", "sog_slope_kn_per_min", "sog_u_kn",
    "sog_bias_u_kn", "n_eff", "heading_true_deg_mean", "cog_true_deg_mean", "heading_sd_deg", "stw_kn_mean",
    "fuel_l_per_h_mean", "fuel_u_l_per_h", "depth_m_min", "depth_froude", "wind_speed_true_kn_mean",
    "wind_from_true_deg_mean", "pitch_deg_mean", "roll_deg_mean", "water_temp_c_mean", "relabelled_rpm",
    "sog_u_blocking_kn", "sog_blocks", "n_outliers", "sog_rounding_u_kn",
)  # fmt: skip
_ENGINE_COLUMNS = (
    "rpm_{}_mean", "fuel_l_per_h_{}_mean", "load_pct_{}_mean", "rpm_{}_rounding_u", "fuel_l_per_h_{}_rounding_u",
)  # fmt: skip


def read_numbers(table: pa.Table, name: str) -> FloatArray:
    """Return a numeric column as float64 with NaN for null; all NaN when the table has no such column."""
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    values = table.column(name).to_pylist()
    return np.array([np.nan if v is None else float(v) for v in values], dtype=np.float64)


def read_times_ns(table: pa.Table, name: str) -> IntArray:
    """Return a timestamp column as nanoseconds since 1970 UTC; it must hold no null."""
    return np.array(table.column(name).cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_pylist(), dtype=np.int64)


def select_legs(segments: pa.Table, engine_ids: Sequence[str]) -> Legs:
    """Return the accepted segments that have a speed over ground, a course and a time.

    Where people reviewed the segments, their verdict counts (`steady.segment_review`), and so does the band they
    put one into.

    Where the boat's total is missing it is the sum over engines (fuel) or their mean (rpm), provided that every
    engine has a value: half a fuel figure is none.

    Args:
        segments: Segments of the trial set, accepted and refused.
        engine_ids: Engines in the order of the configuration.
    """
    names = set(segments.column_names)
    verdict = "reviewed_accepted" if "reviewed_accepted" in names else "accepted"
    accepted = (
        np.array([bool(a) for a in segments.column(verdict).to_pylist()], dtype=np.bool_)
        if verdict in names
        else np.zeros(segments.num_rows, dtype=np.bool_)
    )
    usable = (
        accepted
        & np.isfinite(read_numbers(segments, "sog_kn_mean"))
        & np.isfinite(read_numbers(segments, "cog_true_deg_mean"))
    )
    for edge in ("start", "stop"):
        usable &= (
            np.array([v is not None for v in segments.column(edge).cast(pa.int64()).to_pylist()], dtype=np.bool_)
            if edge in names
            else False
        )
    chosen = segments.filter(to_arrow(usable))
    if chosen.num_rows:
        chosen = chosen.sort_by([("start", "ascending"), ("stop", "ascending")])
    wanted = [*_COLUMNS, *(stem.format(e) for e in engine_ids for stem in _ENGINE_COLUMNS)]
    values = {name: read_numbers(chosen, name) for name in wanted}
    _fill_totals(values, engine_ids)
    label = values["relabelled_rpm"]
    near = np.abs(values["rpm_mean"] - label) <= DISBELIEVED_PCT / 100.0 * label
    values["rpm_mean"] = np.where(near | ~np.isfinite(label), values["rpm_mean"], label)
    start = read_times_ns(chosen, "start") if chosen.num_rows else np.zeros(0, np.int64)
    stop = read_times_ns(chosen, "stop") if chosen.num_rows else np.zeros(0, np.int64)
    missing = ~np.isfinite(values["duration_s"])
    values["duration_s"][missing] = (stop - start)[missing] / 1e9
    ids = read_numbers(chosen, "segment_id")
    return {
        "t0_ns": int(start[0]) if start.size else 0,
        "start_ns": start,
        "stop_ns": stop,
        "segment_id": np.where(np.isfinite(ids), ids, -1).astype(np.int64),
        "trim": [t or None for t in chosen.column("trim").to_pylist()] if "trim" in names else [None] * chosen.num_rows,
        "values": values,
    }


def _fill_totals(values: dict[str, FloatArray], engine_ids: Sequence[str]) -> None:
    if not engine_ids:
        return
    for total, stem in (("fuel_l_per_h_mean", "fuel_l_per_h_{}_mean"), ("rpm_mean", "rpm_{}_mean")):
        engines = np.stack([values[stem.format(e)] for e in engine_ids])
        summed = engines.sum(axis=0) if total.startswith("fuel") else engines.mean(axis=0)
        values[total] = np.where(np.isfinite(values[total]), values[total], summed)
