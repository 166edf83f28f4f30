"""Runs, each one pass in one direction at one engine speed, and what shows current and wind beside them.

A pass is one run even where a gap cut it into several segments. Beside the runs, her drift in neutral shows the
current, and an instrument the wind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow, truths
from trialcapture.config import Config, Steady
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.uncertainty import BoolArray, FloatArray, weighted_direction_deg, weighted_mean

# ------------------------------------------------------------------------------
# The accepted steady segments as NumPy columns; null becomes NaN here and turns back into null in `tables`.
# ------------------------------------------------------------------------------

IntArray = npt.NDArray[np.int64]

NS_PER_H = 3_600_000_000_000
DISBELIEVED_PCT = 4.0
"""Where a person's band is further than this from the engine speed that was read, the reading is held to be wrong;
holds this far apart are never one step (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Legs:
    """Accepted segments in order of time; all arrays have one entry a leg."""

    t0_ns: int
    start_ns: IntArray
    stop_ns: IntArray
    segment_id: IntArray
    trim: list[str | None]
    read_by_hand: list[str | None]
    """What a person read off a display, such as ``rpm port``; None where nothing was."""
    values: dict[str, FloatArray]


_COLUMNS = (
    "duration_s", "rpm_mean", "rpm_sd", "sog_kn_mean", "sog_kn_sd", "sog_slope_kn_per_min", "sog_u_kn",
    "sog_bias_u_kn", "n_eff", "heading_true_deg_mean", "cog_true_deg_mean", "heading_sd_deg", "stw_kn_mean",
    "fuel_l_per_h_mean", "fuel_u_l_per_h", "depth_m_min", "depth_froude", "wind_speed_true_kn_mean",
    "wind_from_true_deg_mean", "pitch_deg_mean", "roll_deg_mean", "water_temp_c_mean", "relabelled_rpm",
    "sog_u_blocking_kn", "sog_blocks", "n_outliers", "sog_rounding_u_kn", "depth_m_max", "approach_step_kn",
    "since_change_s", "sog_slope_u_kn_per_min", "sog_bend_kn", "sog_bend_u_kn",
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
    return Legs(
        t0_ns=int(start[0]) if start.size else 0,
        start_ns=start,
        stop_ns=stop,
        segment_id=np.where(np.isfinite(ids), ids, -1).astype(np.int64),
        trim=_texts(chosen, "trim"),
        read_by_hand=_texts(chosen, "read_by_hand"),
        values=values,
    )


def _texts(table: pa.Table, name: str) -> list[str | None]:
    return [t or None for t in table[name].to_pylist()] if name in table.column_names else [None] * table.num_rows


def _fill_totals(values: dict[str, FloatArray], engine_ids: Sequence[str]) -> None:
    if not engine_ids:
        return
    for total, stem in (("fuel_l_per_h_mean", "fuel_l_per_h_{}_mean"), ("rpm_mean", "rpm_{}_mean")):
        engines = np.stack([values[stem.format(e)] for e in engine_ids])
        summed = engines.sum(axis=0) if total.startswith("fuel") else engines.mean(axis=0)
        values[total] = np.where(np.isfinite(values[total]), values[total], summed)


# ------------------------------------------------------------------------------
# The arithmetic of runs up and down one line: what weights make the current vanish.
# ------------------------------------------------------------------------------


def alternating_weights(t_h: FloatArray, sign: FloatArray) -> tuple[FloatArray, str]:
    """Return the weights of runs up and down one line, adding up to 1, and the name of what they are.

    It is the mean of means, at the times the runs were made. Runs one way that follow each other first become one, at
    the mean of their times, so that passes both ways alternate. Pass ``k`` of ``m`` then has the weight
    ``w_k ∝ 1 / Π_{j≠k} |t_k - t_j|``: with alternating signs this is the divided difference of order m-1, which is
    zero for every current that is a polynomial in time of degree m-2, whatever the spacing. At equal spacing it is the
    mean of means, ``C(m-1, k) / 2^(m-1)``. All weights are positive and change smoothly with the times, so that no
    spacing makes the result noisier than the double run of its two passes closest in time.

    Args:
        t_h: Mid time of each run, ascending [h].
        sign: +1 one way, -1 the other; both must occur.

    Raises:
        ValueError: No run, or runs one way only.

    Source: mean of means of ship speed trials (ITTC 7.5-04-01-01.1, ISO 15016; from memory); divided differences (NIST
    Digital Library of Mathematical Functions, 3.3(iii); from memory).
    """
    if np.unique(sign).size < 2:
        raise ValueError("a run each way is needed")
    passes = np.concatenate([[0], np.cumsum(sign[1:] * sign[:-1] < 0)])
    size = np.bincount(passes)
    mid = np.bincount(passes, weights=t_h) / size
    apart = np.abs(mid[:, None] - mid[None, :]) / np.ptp(mid) + np.eye(mid.size)
    weights = 1.0 / np.prod(apart, axis=1)
    weights = (weights / weights.sum() / size)[passes]
    n, m = sign.size, mid.size
    if n == m:
        return weights, "double run" if n == 2 else f"mean of means of {n}"
    return weights, f"mean of two directions, {n} runs" if m == 2 else f"mean of means of {m} passes, {n} runs"


def combine_runs(
    weights: FloatArray, sign: FloatArray, ground_kn: FloatArray, heading_deg: FloatArray
) -> tuple[float, float]:
    """Return speed through water [kn] and the mean course axis [deg, true] of runs up and down one line.

    The weighted ground velocities, turned to one side, lose the current; what remains is speed times the equally
    weighted unit vectors of heading. With the two headings reciprocal this is the mean speed made along them; a
    current abeam drops out too, whether heading or course was held, and a compass that is wrong by one and the
    same angle changes nothing. Without headings they are taken as reciprocal.

    Args:
        weights: Sum 1, shape (n,).
        sign: +1 one way, -1 the other, shape (n,).
        ground_kn: Velocity over ground, north and east, shape (n, 2).
        heading_deg: Heading, true, shape (n,); any NaN and none is used.

    Source: vector form of the double run (elementary).
    """
    made = (weights * sign) @ ground_kn
    axis = float(np.degrees(np.arctan2(made[1], made[0]))) % 360.0
    if np.isfinite(heading_deg).all():
        radians = np.radians(heading_deg)
        pointed = (weights * sign) @ np.column_stack([np.cos(radians), np.sin(radians)])
        return float(np.hypot(*made) / np.hypot(*pointed)), axis
    return float(np.hypot(*made)), axis


def velocity_kn(speed_kn: FloatArray, direction_deg: FloatArray) -> FloatArray:
    """Return north and east components, shape (n, 2)."""
    radians = np.radians(direction_deg)
    return np.column_stack([speed_kn * np.cos(radians), speed_kn * np.sin(radians)])


SAME_RUN_GAP_S = 120.0
"""Segments of one band and direction closer than this are one run (common practice, no source)."""
UNKNOWN_SAMPLING_U_KN = 0.1
"""Standard uncertainty of a segment's mean speed where none came with it (common practice, no source)."""
WRONG_COMPASS_DEG = 30.0
"""Course minus heading beyond this on average is no heading (common practice, no source)."""
LOOSE_COMPASS_RESULTANT = 0.95
"""Same where they are bundled more loosely than this (common practice, no source)."""
DRIFT_ALLOWED_KN = 2.0
"""What a current of this speed turns the course by says nothing against the compass (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Runs:
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
    course = legs.values["cog_true_deg_mean"]
    members: list[list[int]] = []
    for i in range(band.size):
        if band[i] < 0:
            continue
        last = members[-1][-1] if members else -1
        joins = (
            last == i - 1
            and last >= 0
            and band[last] == band[i]
            and legs.start_ns[i] - legs.stop_ns[last] <= SAME_RUN_GAP_S * 1e9
            and abs(wrap_deg(course[i] - course[last])) <= same_way_deg
        )
        if joins:
            members[-1].append(i)
        else:
            members.append([i])
    return _average(legs, band, members)


def _average(legs: Legs, band: IntArray, members: list[list[int]]) -> Runs:
    values = legs.values
    duration = np.maximum(values["duration_s"], 1e-3)
    ground = velocity_kn(values["sog_kn_mean"], values["cog_true_deg_mean"])
    start = (legs.start_ns - legs.t0_ns) / NS_PER_H
    stop = (legs.stop_ns - legs.t0_ns) / NS_PER_H
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
    return Runs(
        members=members,
        band=np.array([band[m[0]] for m in members], dtype=np.int64),
        start_h=np.array([start[m[0]] for m in members], dtype=np.float64),
        stop_h=np.array([stop[m[-1]] for m in members], dtype=np.float64),
        mid_h=mean((start + stop) / 2.0),
        duration_s=np.array([duration[m].sum() for m in members], dtype=np.float64),
        ground_kn=velocity_kn(speed, course),
        sog_kn=speed,
        cog_deg=course,
        heading_deg=np.array([weighted_direction_deg(heading[m], duration[m]) for m in members], dtype=np.float64),
        rpm=mean(values["rpm_mean"]),
        u_kn=spread(sampling),
        # one reading rounded the same way all the time: pieces of a run have it in common
        rounding_u_kn=mean(np.nan_to_num(values["sog_rounding_u_kn"])),
        fuel_l_per_h=mean(values["fuel_l_per_h_mean"]),
        fuel_u_l_per_h=spread(values["fuel_u_l_per_h"]),
        stw_kn=mean(values["stw_kn_mean"]),
    )


def drop_unusable_heading(runs: Runs) -> tuple[Runs, str]:
    """Return the runs, without headings where these do not follow the courses, and a sentence saying so, or "".

    A compass may be wrong by an angle, which the fit finds; one that is stuck, upside down or a quarter turn off is
    no compass. A current can turn course from heading, far at low speed: that much is left out of the comparison.
    """
    drift = np.degrees(np.arcsin(np.minimum(DRIFT_ALLOWED_KN / np.maximum(runs.sog_kn, 1e-6), 1.0)))
    turned = wrap_deg(runs.cog_deg - runs.heading_deg)
    apart = np.sign(turned) * np.maximum(np.abs(turned) - drift, 0.0)
    known = np.isfinite(apart)
    if not known.any():
        return runs, ""
    weights = np.where(known, runs.sog_kn, 0.0)
    radians = np.radians(np.where(known, apart, 0.0))
    north, east = float(weights @ np.cos(radians)), float(weights @ np.sin(radians))
    length = float(np.hypot(north, east) / weights.sum())
    mean = float(np.degrees(np.arctan2(east, north)))
    if abs(mean) <= WRONG_COMPASS_DEG and length >= LOOSE_COMPASS_RESULTANT:
        return runs, ""
    without = replace(runs, heading_deg=np.full(apart.size, np.nan))
    return without, f"Course minus heading is {mean:+.0f}° on average, resultant length {length:.2f}."


# ------------------------------------------------------------------------------
# Which runs are reciprocal, and what the classical reduction makes of them.
# ------------------------------------------------------------------------------

CROSS_CURRENT_ALLOWED_KN = 1.0
"""Without a heading, courses may miss the reciprocal by what this current abeam does to them (common practice)."""


@dataclass(frozen=True, slots=True)
class RunSequence:
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
    differences = [runs.heading_deg[i] - runs.heading_deg[j], runs.cog_deg[i] - runs.cog_deg[j]]
    if not np.isfinite(differences[0]):
        sine = [min(1.0, CROSS_CURRENT_ALLOWED_KN / max(runs.sog_kn[k], 1e-6)) for k in (i, j)]
        allowance[1] += float(np.degrees(np.arcsin(sine)).sum())
    for difference, limit in zip(differences, allowance, strict=True):
        if not np.isfinite(difference):
            continue
        turned, back = np.abs(wrap_deg(np.array([difference, difference - 180.0])))
        if min(turned, back) <= min(limit, 60.0):
            return 1 if turned < back else -1
    return 0


def find_sequences(runs: Runs, settings: Steady) -> list[RunSequence]:
    """Return the sequences of every band, in order of band and time; every run is in exactly one.

    A line is taken from the first run of a band; runs along it, either way, belong to it. Runs off it open another
    line. Where the gap between two runs of a line passes the limit a new sequence begins, unless the pieces would
    be one way only: then they stay together and are marked late.

    Args:
        runs: Runs in order of time.
        settings: ``reciprocal_deg``, ``reciprocal_max_gap_min`` and ``reciprocal_rpm_pct`` are used.
    """
    found: list[RunSequence] = []
    for band in np.unique(runs.band):
        left = [int(k) for k in np.flatnonzero(runs.band == band)]
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
        if 60.0 * (runs.start_h[after] - runs.stop_h[before]) > limit_min:
            pieces.append([])
        pieces[-1].append(after)
    both_ways = [len({way[k] for k in piece}) == 2 for piece in pieces]
    if len({way[k] for k in line}) == 2 and not any(both_ways):
        return [line]
    return pieces


def _reduce(runs: Runs, members: list[int], sign: FloatArray, settings: Steady) -> RunSequence:
    index: IntArray = np.array(members, dtype=np.int64)
    gaps = 60.0 * (runs.start_h[index[1:]] - runs.stop_h[index[:-1]])
    rpm = runs.rpm[index]
    one_way = RunSequence(
        band=int(runs.band[index[0]]),
        runs=members,
        sign=sign,
        gap_min=float(gaps.max()) if gaps.size else 0.0,
        in_time=bool(np.all(gaps <= settings.reciprocal_max_gap_min)),
        rpm_difference_pct=float(100.0 * np.ptp(rpm) / rpm.mean()) if np.isfinite(rpm).all() else float(np.nan),
        method="one way",
        weights=None,
        speed_kn=None,
        axis_deg=float(runs.cog_deg[index[0]]),
        current_along_kn=None,
    )
    if np.unique(sign).size < 2:
        return one_way
    weights, method = alternating_weights(runs.mid_h[index], sign)
    ground = runs.ground_kn[index]
    speed, axis = combine_runs(weights, sign, ground, runs.heading_deg[index])
    along = ground @ velocity_kn(np.ones(1), np.array([axis]))[0]
    mean_each_way = [along[sign > 0].mean(), along[sign < 0].mean()]
    return replace(
        one_way,
        method=method,
        weights=weights,
        speed_kn=speed,
        axis_deg=axis,
        current_along_kn=float(np.mean(mean_each_way)),
    )


def find_line_headings(runs: Runs, sequences: list[RunSequence]) -> FloatArray:
    """Return the heading [deg, true] each run would have if both ways of a line were steered exactly reciprocal.

    NaN for runs of a half pair. It stands in, with its own wide uncertainty, where the boat has no heading sensor.
    """
    headings = np.full(len(runs.members), np.nan)
    for sequence in sequences:
        if sequence.weights is not None:
            turned = np.where(sequence.sign > 0, 0.0, 180.0)
            headings[sequence.runs] = (sequence.axis_deg + turned) % 360.0
    return headings


LYING_STILL = ("lying still", "in neutral")
"""Limits by which the detection refuses a stretch because the boat was not driven."""
SHORTEST_S = 30.0
"""A shorter drift still holds the last of her way (common practice, no source)."""
SLOWEST_KN = 0.3
"""A slower one may be a boat made fast, at anchor or aground: it shows no current (common practice, no source)."""
WAY_LEFT_KN = 0.6
"""Of her way through the water, by the log, that still counts as none: logs stop turning below about that (common
practice, no source)."""
NEAR_IDLE = 1.15
"""Of the idle speed: engines that turn no faster may be out of gear (common practice, no source)."""
SLOWEST_RUN_KN = 3.0
"""Where the engine speed is unknown and she went one way only, a slower stretch is idling or drifting: a step that is
meant to be measured is run both ways (common practice, no source)."""
NEAR_RUNS_H = 0.5
"""How long before the first run or after the last one a drift counts: later she may be in other water (no source)."""
LEEWAY_SHARE, LEEWAY_U_SHARE = 0.035, 0.02
"""Leeway of a motor boat beam to the wind as a share of the wind, and its standard uncertainty (search-and-rescue
leeway tables, Allen & Plourde 1999, "Review of Leeway", USCG R&D Center; from memory)."""
UNKNOWN_WIND_U_KN = 0.3
"""Standard uncertainty of the leeway where the wind is unknown: 3.5 % of a moderate breeze (no source)."""
OWN_U_KN = 0.06
"""Of a drift's mean velocity beside its sampling error: what is left of her way, and swinging (no source)."""


@dataclass(frozen=True, slots=True)
class Drifts:
    """Drifts in order of time; arrays have one entry a drift. Times in hours since the first leg."""

    mid_h: FloatArray
    velocity_kn: FloatArray
    """North and east, leeway taken out, shape (d, 2)."""
    u_kn: FloatArray
    """Standard uncertainty of each component, independent from drift to drift."""
    leeway_u_kn: FloatArray
    """Standard uncertainty of the leeway, common to all drifts."""


def no_drifts() -> Drifts:
    """Return no drift at all."""
    none = np.zeros(0)
    return Drifts(mid_h=none, velocity_kn=np.zeros((0, 2)), u_kn=none, leeway_u_kn=none)


def select_drifts(drifts: Drifts, keep: BoolArray) -> Drifts:
    """Return the drifts where `keep` is True."""
    return Drifts(
        mid_h=drifts.mid_h[keep],
        velocity_kn=drifts.velocity_kn[keep],
        u_kn=drifts.u_kn[keep],
        leeway_u_kn=drifts.leeway_u_kn[keep],
    )


FEWEST_WITH_WIND = 0.5
"""Where fewer of the runs have a wind than this, it is unknown (our choice)."""


@dataclass(frozen=True, slots=True)
class RunWind:
    """True wind at the runs."""

    from_kn: FloatArray
    """North and east of where it comes from, as long as it is strong, shape (n, 2); NaN where it is unknown."""

    @property
    def is_known(self) -> bool:
        """True where it is known at every run."""
        return bool(np.isfinite(self.from_kn).all())


def find_wind(legs: Legs, runs: Runs) -> RunWind:
    """Return the wind at each run by the instrument; a run without it has the mean of the others.

    Args:
        legs: Accepted segments.
        runs: Made of them.
    """
    values, duration = legs.values, legs.values["duration_s"]
    by_leg = velocity_kn(values["wind_speed_true_kn_mean"], values["wind_from_true_deg_mean"])
    made = np.array([[weighted_mean(by_leg[m, axis], duration[m]) for axis in (0, 1)] for m in runs.members])
    known = np.isfinite(made).all(axis=1)
    if known.mean() < FEWEST_WITH_WIND:
        return RunWind(np.full(made.shape, np.nan))
    return RunWind(np.where(known[:, None], made, made[known].mean(axis=0)))


def find_drifts(segments: pa.Table, legs: Legs, config: Config) -> Drifts:
    """Return the times at which the boat lay in neutral and her drift shows the current.

    The boat must be known to make no way: by her speed through water, or, without a log, by engines at idle. One that
    does not move over the ground may be made fast; it is left out, and with it what slack water would show.

    Args:
        segments: Segments of the trial set, refused ones included.
        legs: Accepted ones, which say when she ran.
        config: Idle speeds of the engines.
    """
    if "reason" not in segments.column_names or not legs.start_ns.size:
        return no_drifts()
    limits = np.array([str(r or "").split(":")[0] for r in segments["reason"].to_pylist()])
    start = (read_times_ns(segments, "start") - legs.t0_ns) / NS_PER_H
    stop = (read_times_ns(segments, "stop") - legs.t0_ns) / NS_PER_H
    runs_h = (np.array([legs.start_ns.min(), legs.stop_ns.max()]) - legs.t0_ns) / NS_PER_H
    sog, cog, stw = (read_numbers(segments, n) for n in ("sog_kn_mean", "cog_true_deg_mean", "stw_kn_mean"))
    rpm = read_numbers(segments, "rpm_mean")
    idle = max((e.idle_rpm or 0.0 for e in config.engine), default=0.0)
    no_way = np.where(np.isfinite(stw), np.abs(stw) <= WAY_LEFT_KN, np.isfinite(rpm) & (rpm <= 1.1 * idle))
    use = (
        np.isin(limits, LYING_STILL)
        & ((stop - start) * 3600.0 >= SHORTEST_S)
        & (start >= runs_h[0] - NEAR_RUNS_H)
        & (stop <= runs_h[1] + NEAR_RUNS_H)
        & np.isfinite(cog)
        & (np.nan_to_num(sog) >= SLOWEST_KN)
        & no_way
    )
    wind, wind_from = (read_numbers(segments, f"{n}_mean") for n in ("wind_speed_true_kn", "wind_from_true_deg"))
    known = np.isfinite(wind) & np.isfinite(wind_from)
    leeway = velocity_kn(np.where(known, LEEWAY_SHARE * wind, 0.0), np.where(known, wind_from + 180.0, 0.0))
    sampling = np.nan_to_num(read_numbers(segments, "sog_u_kn"), nan=0.1)
    return Drifts(
        mid_h=((start + stop) / 2.0)[use],
        velocity_kn=(velocity_kn(sog, cog) - leeway)[use],
        u_kn=np.hypot(sampling, OWN_U_KN)[use],
        leeway_u_kn=np.where(known, LEEWAY_U_SHARE * np.nan_to_num(wind), UNKNOWN_WIND_U_KN)[use],
    )


def refuse_drifting(
    segments: pa.Table,
    legs: Legs,
    band: IntArray,
    rpm: FloatArray,
    speed_kn: FloatArray,
    speed_u_kn: FloatArray,
    two_ways: BoolArray,
    config: Config,
) -> pa.Table | None:
    """Return the segments without those that only moved with the current; None where there are none.

    With the current from right ahead or astern a boat in neutral keeps her course and her speed over ground, and
    nothing on board tells it from idling ahead. The current that the other bands show does: at idle, or where the
    engine speed is unknown, a speed through the water that cannot be told from none is none. What a person included
    stays.

    Args:
        segments: Segments of the trial set.
        legs: The accepted ones.
        band: Band of each leg; negative for none.
        rpm: Mean of each band.
        speed_kn: Through water, of each band.
        speed_u_kn: Its standard uncertainty.
        two_ways: True for bands run both ways.
        config: Idle speeds of the engines.
    """
    idle = max((e.idle_rpm or 0.0 for e in config.engine), default=0.0)
    with np.errstate(invalid="ignore"):
        # the wind drives her through the water too
        from_none = speed_kn <= 2.0 * np.hypot(speed_u_kn, UNKNOWN_WIND_U_KN)
        drifting = (rpm <= NEAR_IDLE * idle) & from_none
        drifting |= ~np.isfinite(rpm) & (from_none | (~two_ways & (speed_kn < SLOWEST_RUN_KN)))
    if not drifting.any() or drifting.all():
        return None
    ids = legs.segment_id[(band >= 0) & drifting[np.maximum(band, 0)]]
    verdicts = [name for name in ("accepted", "reviewed_accepted") if name in segments.column_names]
    mine = np.isin(read_numbers(segments, "segment_id"), ids)
    if len(verdicts) > 1:
        mine &= truths(segments["accepted"]) == truths(segments["reviewed_accepted"])
    if not mine.any():
        return None
    moved = np.isin(read_numbers(segments, "segment_id"), legs.segment_id[(band >= 0) & from_none[np.maximum(band, 0)]])
    reasons = (
        "in neutral: she moved with the current that the other runs show",
        "idling: slow, one way only and without an engine speed, this cannot be told from drifting",
    )
    told = [
        reasons[0 if with_it else 1] if now else before
        for before, now, with_it in zip(segments["reason"].to_pylist(), mine, moved, strict=True)
    ]
    made = segments.set_column(segments.schema.get_field_index("reason"), "reason", column_of(told, pa.string()))
    for name in verdicts:
        index = made.schema.get_field_index(name)
        made = made.set_column(index, made.schema.field(index), to_arrow(truths(made[name]) & ~mine))
    return made
