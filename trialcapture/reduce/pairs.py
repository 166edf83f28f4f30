"""Which runs are reciprocal, and what the classical reduction makes of them."""

from __future__ import annotations

from itertools import pairwise
from typing import TypedDict

import numpy as np

from trialcapture.config import Steady
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.current import alternating_weights, combine_runs, velocity_kn
from trialcapture.reduce.legs import IntArray
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import FloatArray

CROSS_CURRENT_ALLOWED_KN = 1.0
"""Without a heading, courses may miss the reciprocal by what this current abeam does to them (common practice)."""


class Sequence(TypedDict):
    """Runs of one band up and down one line, none longer than the allowed gap after the one before.

    ``weights`` and ``speed_kn`` are None where only one way was run: a half pair stays half.
    """

    band: int
    runs: list[int]
    sign: FloatArray
    gap_min: float
    in_time: bool
    rpm_difference_pct: float
    method: str
    weights: FloatArray | None
    speed_kn: float | None
    axis_deg: float
    current_along_kn: float | None


def relation(runs: Runs, i: int, j: int, limit_deg: float) -> int:
    """Return +1 when two runs go the same way, -1 when they are reciprocal, 0 otherwise.

    Headings decide where both are known, and courses may instead: a boat that holds a course across a stream points
    elsewhere. With no heading the courses get the allowance of a moderate stream abeam.
    """
    allowance = [limit_deg, limit_deg]
    differences = [runs["heading_deg"][i] - runs["heading_deg"][j], runs["cog_deg"][i] - runs["cog_deg"][j]]
    if not np.isfinite(differences[0]):
        sine = [min(1.0, CROSS_CURRENT_ALLOWED_KN / max(runs["sog_kn"][k], 1e-6)) for k in (i, j)]
        allowance[1] += float(np.degrees(np.arcsin(sine)).sum())
    for difference, limit in zip(differences, allowance, strict=True):
        if not np.isfinite(difference):
            continue
        turned, back = np.abs(wrap_deg(np.array([difference, difference - 180.0])))
        if min(turned, back) <= min(limit, 60.0):
            return 1 if turned < back else -1
    return 0


def find_sequences(runs: Runs, settings: Steady) -> list[Sequence]:
    """Return the sequences of every band, in order of band and time; every run is in exactly one.

    A line is taken from the first run of a band; runs along it, either way, belong to it. Runs off it open another
    line. Where the gap between two runs of a line passes the limit a new sequence begins, unless the pieces would
    be one way only: then they stay together and are marked late.

    Args:
        runs: Runs in order of time.
        settings: ``reciprocal_deg``, ``reciprocal_max_gap_min`` and ``reciprocal_rpm_pct`` are used.
    """
    found: list[Sequence] = []
    for band in np.unique(runs["band"]):
        left = [int(k) for k in np.flatnonzero(runs["band"] == band)]
        while left:
            first = left[0]
            way = {k: (1 if k == first else relation(runs, first, k, settings.reciprocal_deg)) for k in left}
            line = [k for k in left if way[k] != 0]
            left = [k for k in left if way[k] == 0]
            for piece in _cut_at_gaps(runs, line, way, settings.reciprocal_max_gap_min):
                found.append(_reduce(runs, piece, np.array([way[k] for k in piece], dtype=np.float64), settings))
    return found


def _cut_at_gaps(runs: Runs, line: list[int], way: dict[int, int], limit_min: float) -> list[list[int]]:
    pieces: list[list[int]] = [[line[0]]]
    for before, after in pairwise(line):
        if 60.0 * (runs["start_h"][after] - runs["stop_h"][before]) > limit_min:
            pieces.append([])
        pieces[-1].append(after)
    both_ways = [len({way[k] for k in piece}) == 2 for piece in pieces]
    if len({way[k] for k in line}) == 2 and not any(both_ways):
        return [line]
    return pieces


def _reduce(runs: Runs, members: list[int], sign: FloatArray, settings: Steady) -> Sequence:
    index: IntArray = np.array(members, dtype=np.int64)
    gaps = 60.0 * (runs["start_h"][index[1:]] - runs["stop_h"][index[:-1]])
    rpm = runs["rpm"][index]
    sequence: Sequence = {
        "band": int(runs["band"][index[0]]),
        "runs": members,
        "sign": sign,
        "gap_min": float(gaps.max()) if gaps.size else 0.0,
        "in_time": bool(np.all(gaps <= settings.reciprocal_max_gap_min)),
        "rpm_difference_pct": float(100.0 * np.ptp(rpm) / rpm.mean()) if np.isfinite(rpm).all() else float(np.nan),
        "method": "one way",
        "weights": None,
        "speed_kn": None,
        "axis_deg": float(runs["cog_deg"][index[0]]),
        "current_along_kn": None,
    }
    if np.unique(sign).size == 2:
        weights, method = alternating_weights(runs["mid_h"][index], sign)
        ground = runs["ground_kn"][index]
        speed, axis = combine_runs(weights, sign, ground, runs["heading_deg"][index])
        along = ground @ velocity_kn(np.ones(1), np.array([axis]))[0]
        mean_each_way = [along[sign > 0].mean(), along[sign < 0].mean()]
        sequence |= {
            "method": method,
            "weights": weights,
            "speed_kn": speed,
            "axis_deg": axis,
            "current_along_kn": float(np.mean(mean_each_way)),
        }
    return sequence


def find_line_headings(runs: Runs, sequences: list[Sequence]) -> FloatArray:
    """Return the heading [deg, true] each run would have if both ways of a line were steered exactly reciprocal.

    NaN for runs of a half pair. It stands in, with its own wide uncertainty, where the boat has no heading sensor.
    """
    headings = np.full(len(runs["members"]), np.nan)
    for sequence in sequences:
        if sequence["weights"] is not None:
            turned = np.where(sequence["sign"] > 0, 0.0, 180.0)
            headings[sequence["runs"]] = (sequence["axis_deg"] + turned) % 360.0
    return headings
