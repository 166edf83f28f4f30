"""What a run back that was refused still says about a band run one way: whether the current is the others' current.

A hold is refused where its speed did not settle or too little of it was left. Its mean is no measurement of the band,
but a current taken from other bands has to hold there too: where the mean of both ways lies far from the speed found
with it, the water at this band was not the water of the others (a front, an eddy, the lee of a headland).
"""

from __future__ import annotations

from collections.abc import Sequence as ListOf

import numpy as np
import pyarrow as pa

from trialcapture.buffers import to_arrow, truths
from trialcapture.config import Steady
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.legs import NS_PER_H, Legs, select_legs
from trialcapture.reduce.pairs import Sequence
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import FloatArray

SHORTEST_S = 15.0
"""A refused hold shorter than this says nothing (common practice, no source)."""
ONE_STEP_PCT = 2.0
"""Engine speeds within this are one step, for a hold whose speed is only a check (common practice, no source)."""
UNKNOWN_CURRENT_KN = 0.7
"""No refused hold makes a current more uncertain than one nothing is known of (common practice, no source)."""
ELSEWHERE_SHARE = 0.5
"""A one-way run lies on the other side of a front that another band shows, or does not (no source)."""


def select_refused(segments: pa.Table, engine_ids: ListOf[str]) -> Legs:
    """Return the refused segments, by whoever refused them, as `select_legs` returns the accepted ones.

    Args:
        segments: Segments of the trial set.
        engine_ids: Engines in the order of the configuration.
    """
    names = [n for n in ("reviewed_accepted", "accepted") if n in segments.column_names]
    if not names:
        return select_legs(segments, engine_ids)
    refused = to_arrow(~truths(segments.column(names[0])))
    return select_legs(segments.drop_columns(names).append_column("accepted", refused), engine_ids)


def refused_return_u_kn(
    refused: Legs,
    legs: Legs,
    runs: Runs,
    sequences: list[Sequence],
    speed_kn: FloatArray,
    band_rpm: FloatArray,
    steady: Steady,
) -> FloatArray:
    """Return by how much refused runs back put the speed of bands run one way in doubt [kn, k=1], shape (B,).

    It is the difference between the speed found and the mean of both ways. Bands run one way without such a hold get
    half of the largest difference seen in the trial. Bands run both ways get 0: their own runs show their current.

    Args:
        refused: From `select_refused`.
        legs: The accepted segments; gives the origin of time.
        runs: The runs.
        sequences: Which runs are reciprocal.
        speed_kn: Speed found for each band, shape (B,).
        band_rpm: Engine speed it holds for, shape (B,); NaN where unknown.
        steady: ``reciprocal_deg``, ``reciprocal_max_gap_min`` and ``heading_sd_deg`` are used.
    """
    found = np.full(speed_kn.size, np.nan)
    both_ways = {s["band"] for s in sequences if s["weights"] is not None}
    one_way = [b for b in range(speed_kn.size) if b not in both_ways]
    if both_ways:
        for b in one_way:
            found[b] = _apart_kn(refused, legs, runs, b, float(speed_kn[b]), float(band_rpm[b]), steady)
    if not np.isfinite(found).any():
        return np.zeros(speed_kn.size)
    elsewhere = ELSEWHERE_SHARE * float(np.nanmax(found))
    doubt = np.zeros(speed_kn.size)
    doubt[one_way] = np.where(np.isfinite(found[one_way]), found[one_way], elsewhere)
    return np.minimum(doubt, UNKNOWN_CURRENT_KN)


def _apart_kn(
    refused: Legs, legs: Legs, runs: Runs, band: int, speed_kn: float, band_rpm: float, steady: Steady
) -> float:
    """Return how far the mean of both ways is from the speed of a band, by its longest refused way back; NaN if none.

    Speeds are brought to the band's engine speed in proportion (constant slip).
    """
    values, own = refused["values"], np.flatnonzero(runs["band"] == band)
    start_h = (refused["start_ns"] - legs["t0_ns"]) / NS_PER_H
    stop_h = (refused["stop_ns"] - legs["t0_ns"]) / NS_PER_H
    straight = ~(values["heading_sd_deg"] > steady.heading_sd_deg)
    same_step = np.abs(values["rpm_mean"] / band_rpm - 1.0) <= ONE_STEP_PCT / 100.0
    usable = straight & same_step & (values["duration_s"] >= SHORTEST_S)
    best_s, apart = 0.0, np.nan
    for k in own:
        back = np.abs(wrap_deg(values["cog_true_deg_mean"] - runs["cog_deg"][k] - 180.0)) <= steady.reciprocal_deg
        gap_h = np.maximum(start_h - runs["stop_h"][k], runs["start_h"][k] - stop_h)
        near = 60.0 * gap_h <= steady.reciprocal_max_gap_min
        for i in np.flatnonzero(usable & back & near):
            if values["duration_s"][i] > best_s:
                best_s = float(values["duration_s"][i])
                there = runs["sog_kn"][k] * band_rpm / runs["rpm"][k]
                here = values["sog_kn_mean"][i] * band_rpm / values["rpm_mean"][i]
                apart = abs(speed_kn - (there + here) / 2.0)
    return float(apart)
