"""What shows current and wind beside the runs: her drift in neutral, and the wind an instrument shows at the runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow, truths
from trialcapture.config import Config
from trialcapture.reduce.runs import NS_PER_H, IntArray, Legs, Runs, read_numbers, read_times_ns, velocity_kn
from trialcapture.reduce.uncertainty import BoolArray, FloatArray, weighted_mean

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
