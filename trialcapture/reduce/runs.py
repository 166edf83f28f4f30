"""One pass in one direction at one engine speed is one run, even where a gap cut it into several segments."""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.current import velocity_kn
from trialcapture.reduce.legs import NS_PER_H, IntArray, Legs
from trialcapture.reduce.statistics import FloatArray, weighted_direction_deg, weighted_mean

SAME_RUN_GAP_S = 120.0
"""Segments of one band and direction closer than this are one run (common practice, no source)."""
UNKNOWN_SAMPLING_U_KN = 0.1
"""Standard uncertainty of a segment's mean speed where none came with it (common practice, no source)."""
WRONG_COMPASS_DEG = 30.0
LOOSE_COMPASS_RESULTANT = 0.95
"""Course minus heading beyond this on average, or more loosely bundled than this, is no heading (no source)."""
DRIFT_ALLOWED_KN = 2.0
"""What a current of this speed turns the course by says nothing against the compass (common practice, no source)."""


class Runs(TypedDict):
    """Runs in order of time; arrays have one entry a run, NaN where unknown. Times in hours since the first leg."""

    members: list[list[int]]
    band: IntArray
    start_h: FloatArray
    stop_h: FloatArray
    mid_h: FloatArray
    duration_s: FloatArray
    ground_kn: FloatArray
    sog_kn: FloatArray
    cog_deg: FloatArray
    heading_deg: FloatArray
    rpm: FloatArray
    u_kn: FloatArray
    rounding_u_kn: FloatArray
    fuel_l_per_h: FloatArray
    fuel_u_l_per_h: FloatArray
    stw_kn: FloatArray


def merge_runs(legs: Legs, band: IntArray, same_way_deg: float) -> Runs:
    """Return the runs made of legs that belong to a band.

    A leg joins the run before it when band and direction (within `same_way_deg`) are the same, less than two
    minutes lie between, and no other leg does. Means are weighted by duration, directions through sine and cosine.

    Args:
        legs: Accepted segments in order of time.
        band: Band number of each leg; negative for none.
        same_way_deg: How far the courses of one run may differ [deg].
    """
    course = legs["values"]["cog_true_deg_mean"]
    members: list[list[int]] = []
    for i in range(band.size):
        if band[i] < 0:
            continue
        last = members[-1][-1] if members else -1
        joins = (
            last == i - 1
            and last >= 0
            and band[last] == band[i]
            and legs["start_ns"][i] - legs["stop_ns"][last] <= SAME_RUN_GAP_S * 1e9
            and abs(wrap_deg(course[i] - course[last])) <= same_way_deg
        )
        if joins:
            members[-1].append(i)
        else:
            members.append([i])
    return _average(legs, band, members)


def _average(legs: Legs, band: IntArray, members: list[list[int]]) -> Runs:
    values = legs["values"]
    duration = np.maximum(values["duration_s"], 1e-3)
    ground = velocity_kn(values["sog_kn_mean"], values["cog_true_deg_mean"])
    start = (legs["start_ns"] - legs["t0_ns"]) / NS_PER_H
    stop = (legs["stop_ns"] - legs["t0_ns"]) / NS_PER_H
    sampling = np.where(np.isfinite(values["sog_u_kn"]), values["sog_u_kn"], UNKNOWN_SAMPLING_U_KN)

    def mean(x: FloatArray) -> FloatArray:
        return np.array([weighted_mean(x[m], duration[m]) for m in members], dtype=np.float64)

    def spread(u: FloatArray) -> FloatArray:
        return np.array(
            [np.sqrt(np.sum((duration[m] * u[m]) ** 2)) / duration[m].sum() for m in members], dtype=np.float64
        )

    made = np.column_stack([mean(ground[:, 0]), mean(ground[:, 1])]) if members else np.zeros((0, 2))
    course = np.degrees(np.arctan2(made[:, 1], made[:, 0])) % 360.0
    # the vector mean of pieces that differ by some degrees is too short; the speed is kept as it was made good
    speed = mean(values["sog_kn_mean"])
    heading = values["heading_true_deg_mean"]
    return {
        "members": members,
        "band": np.array([band[m[0]] for m in members], dtype=np.int64),
        "start_h": np.array([start[m[0]] for m in members], dtype=np.float64),
        "stop_h": np.array([stop[m[-1]] for m in members], dtype=np.float64),
        "mid_h": mean((start + stop) / 2.0),
        "duration_s": np.array([duration[m].sum() for m in members], dtype=np.float64),
        "ground_kn": velocity_kn(speed, course),
        "sog_kn": speed,
        "cog_deg": course,
        "heading_deg": np.array([weighted_direction_deg(heading[m], duration[m]) for m in members], dtype=np.float64),
        "rpm": mean(values["rpm_mean"]),
        "u_kn": spread(sampling),
        # one reading rounded the same way all the time: pieces of a run have it in common
        "rounding_u_kn": mean(np.nan_to_num(values["sog_rounding_u_kn"])),
        "fuel_l_per_h": mean(values["fuel_l_per_h_mean"]),
        "fuel_u_l_per_h": spread(values["fuel_u_l_per_h"]),
        "stw_kn": mean(values["stw_kn_mean"]),
    }


def drop_unusable_heading(runs: Runs) -> tuple[Runs, str]:
    """Return the runs, without headings where these do not follow the courses, and a sentence saying so, or "".

    A compass may be wrong by an angle, which the fit finds; one that is stuck, upside down or a quarter turn off is
    no compass. A current can turn course from heading, far at low speed: that much is left out of the comparison.
    """
    drift = np.degrees(np.arcsin(np.minimum(DRIFT_ALLOWED_KN / np.maximum(runs["sog_kn"], 1e-6), 1.0)))
    turned = wrap_deg(runs["cog_deg"] - runs["heading_deg"])
    apart = np.sign(turned) * np.maximum(np.abs(turned) - drift, 0.0)
    known = np.isfinite(apart)
    if not known.any():
        return runs, ""
    weights = np.where(known, runs["sog_kn"], 0.0)
    radians = np.radians(np.where(known, apart, 0.0))
    north, east = float(weights @ np.cos(radians)), float(weights @ np.sin(radians))
    length = float(np.hypot(north, east) / weights.sum())
    mean = float(np.degrees(np.arctan2(east, north)))
    if abs(mean) <= WRONG_COMPASS_DEG and length >= LOOSE_COMPASS_RESULTANT:
        return runs, ""
    without = runs.copy()
    without["heading_deg"] = np.full(apart.size, np.nan)
    return without, f"Course minus heading is {mean:+.0f}° on average, resultant length {length:.2f}."
