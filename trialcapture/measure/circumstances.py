"""What every result of a trial is given: current, wind, boat, common uncertainties, and its episode at the full rate.

An episode is one manoeuvre: speed over ground and through water, engine speed, heading; and when they change. What all
transient results have in common stands here: how late the receiver's speed follows, found from its own positions; when
an engine speed left its level; when a speed was passed; what the current was, and how well it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats, integers
from trialcapture.config import Config
from trialcapture.geodesy import radii_m
from trialcapture.prepare.sample_statistics import MEMORY_S, wrap_deg
from trialcapture.reduce.conditions import load_sheet, trial_conditions
from trialcapture.reduce.current_evidence import UNKNOWN_ABOVE_KN
from trialcapture.reduce.reduction import GatheredLegs, Reduction
from trialcapture.reduce.runs import NS_PER_H, IntArray, Legs, read_numbers, velocity_kn
from trialcapture.reduce.summary import Manoeuvre, TrialConditions
from trialcapture.reduce.tables import iso_utc
from trialcapture.reduce.uncertainty import FloatArray, combine_uncertainties
from trialcapture.units import KN_M_PER_S

ReadSamples = Callable[[int, int, Sequence[str]], pa.Table]
"""Returns some columns of the samples of a trial from a start to a stop [ns since 1970 UTC], half-open, at their full
rate; every channel of the trial set and its age may be asked for (`trialcapture.channels`)."""


@dataclass(frozen=True, slots=True)
class TrialSamples:
    """Samples of a trial.

    Attributes:
        overview: A row a second, of the whole trial; None where there are none.
        read: Reads the full rate of an episode; None where only the overview is there.
    """

    overview: pa.Table | None
    read: ReadSamples | None


CurrentAt = Callable[[IntArray | FloatArray], tuple[FloatArray, FloatArray]]
"""Returns the current, north and east [kn], shape (q, 2), and its covariance [kn²], shape (q, 2, 2), at times
[ns since 1970 UTC], shape (q,)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that a person marked: when [ns since 1970 UTC], and what was said of it, in lower case."""

    t_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class ReceiverLag:
    """How late a receiver's speed follows the boat, behind the time that its sentence tells.

    Attributes:
        lag_s: What is taken out of every transient result.
        u_s: Its standard uncertainty.
        origin: Where both come from.
    """

    lag_s: float
    u_s: float
    origin: str


USUAL_LAG = ReceiverLag(0.3, 0.3, "usual for receivers of small craft")
"""Where positions do not show it: filters of receivers lag by 0 to 1 s, mostly by little (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What every result is measured under.

    Attributes:
        config: Boat, engines and settings.
        conditions: Wind, sea and water as the trial had them.
        volume_m3: Volume the hull displaces; None where the displacement is unknown.
        legs: The accepted segments.
        current_at: The fitted current; None where there is no band.
        shows_current: Whether runs of the trial tell the current; where not, `current_at` is a mere belief.
        clock_u_s: Standard uncertainty of the worst clock that speed and engine speed were placed by [s].
        lag: Of the receiver's speed.
        marks: Moments people marked, ascending.
    """

    config: Config
    conditions: TrialConditions
    volume_m3: float | None
    legs: Legs
    current_at: CurrentAt | None
    shows_current: bool
    clock_u_s: float
    lag: ReceiverLag = USUAL_LAG
    marks: tuple[Mark, ...] = ()


def find_circumstances(
    gathered: GatheredLegs, reduction: Reduction | None, clocks: pa.Table | None, config: Config
) -> Circumstances:
    """Return what every result of a trial is measured under.

    Args:
        gathered: The legs.
        reduction: Made of them.
        clocks: Clocks of the trial set.
        config: Settings as used.
    """
    conditions = trial_conditions(gathered.legs, config)
    kg = load_sheet(config).displacement_kg
    t0_ns = gathered.legs.t0_ns
    current = None if reduction is None else reduction.fit.current
    clock_u_s = _clocks_u_s(clocks) if clocks is not None else np.zeros(0)
    return Circumstances(
        config=config,
        conditions=conditions,
        volume_m3=kg and kg / conditions.water_density_kg_per_m3,
        legs=gathered.legs,
        current_at=None if current is None else lambda t_ns: current.at((t_ns - t0_ns) / NS_PER_H),
        shows_current=reduction is not None and reduction.shows_current,
        clock_u_s=float(np.max(clock_u_s[np.isfinite(clock_u_s)], initial=0.0)),
    )


def _clocks_u_s(clocks: pa.Table) -> FloatArray:
    """Return the standard uncertainties of the clocks that speed and engine speed were placed by [s].

    Where a log was aligned by the engine speed on the network, that one leads, and no clock of a log has a part in it.
    """
    is_log = np.array([str(name).startswith("engine log") for name in clocks["source"].to_pylist()], dtype=np.bool_)
    on_network = "rpm against rpm" in clocks["method"].to_pylist()
    u_s = read_numbers(clocks, "offset_u_s")
    return u_s[~is_log] if on_network and not is_log.all() else u_s


LEVEL_RPM = 60.0
"""An engine speed so far off its level has left it: several times what a tachometer wanders (common practice, no
source)."""
QUIET_S = (8.0, 2.0)
"""Between so long before a change and so long before it the engine speed of the level is read (our choice)."""
COUNTED_S, COUNTED_U_S = 0.1, 0.06
"""How late a tachometer shows a change, and its standard uncertainty: it counts over 0 to 0.2 s, rectangular (common
practice, no source)."""
BENT_U_S = 0.05
"""Standard uncertainty of when an engine speed left its level by how it went on: levers and governors begin gently
(common practice, no source)."""
MARK_U_S = 0.3
"""Standard uncertainty of a mark: a hand's reaction (common practice, no source)."""
USUAL_NOISE_KN = 0.15
"""Spread of the shown speed at a steady one where no leg tells it: receiver and waves (common practice, no source)."""
STILL_COG_KN = 1.0
"""Slower over ground than this, a receiver may leave the course empty: no way is then taken (common practice, no
source)."""
SHOWN_EVERY_S, MOST_SHOWN = 0.5, 6
"""Spacing of the points of a figure, and how many manoeuvres one shows (our choice)."""


# ------------------------------------------------------------------------------
# How late the receiver's speed follows the boat, from what its own positions made good.
# ------------------------------------------------------------------------------

LAG_FLOOR_U_S = 0.1
"""Standard uncertainty of what positions and speed lag by together, which no position shows, and of how far a filter
is no pure delay: within 0.17 s, rectangular (common practice, no source)."""
_TURNING_KN_PER_S = 0.5
"""A velocity that changes faster than this tells the lag (our choice: a tenth of it is what waves do)."""
_SPAN_S = 1.0
"""Positions so far apart are compared with the speed between them; the receiver's own interval where it is longer."""
_MOST_S = 1800.0
"""No more of a trial is read for it (our choice)."""


def find_receiver_lag(samples: TrialSamples) -> ReceiverLag:
    """Return how late the receiver's speed is behind its positions, weighed with what is usual.

    Over a second in which velocity changes by a, positions make good v − lag · a less than the speed shown: the lag is
    the slope of that difference over a, north and east of all accelerations, stops and turns of the trial. Its
    scatter, in blocks of ten seconds, is its uncertainty.

    Source: least squares through the origin with grouped errors (cluster-robust variance, Liang & Zeger 1986,
    Biometrika 73:13, from memory); combination with the usual lag as the mean of two normal laws (GUM H.1, weights).
    """
    overview = samples.overview
    if overview is None or samples.read is None or overview.num_rows < 10:
        return USUAL_LAG
    t_ns = integers(overview["t"])[0]
    shown = velocity_kn(floats(overview["sog_kn"]), floats(overview["cog_true_deg"]))
    with np.errstate(invalid="ignore"):
        changing = np.hypot(*np.gradient(shown, axis=0).T) > _TURNING_KN_PER_S
    blocks, read_s = [], 0.0
    for first, last in _spans(changing, reach=4, longest=60):
        if read_s > _MOST_S:
            break
        table = samples.read(int(t_ns[first]), int(t_ns[last]), _LAG_COLUMNS)
        read_s += float(last - first)
        blocks += _lag_sums(table)
    if not blocks:
        return USUAL_LAG
    products, squares = np.array(blocks).T
    total = float(squares.sum())
    if not total > 0.0:  # a receiver that tells the same speed all the time
        return USUAL_LAG
    lag_s = float(products.sum()) / total
    scatter = float(np.sqrt(np.sum((products - lag_s * squares) ** 2))) / total
    if len(blocks) < 4 or not np.isfinite(scatter):
        return USUAL_LAG
    u2 = scatter**2 * len(blocks) / (len(blocks) - 1)
    weight = USUAL_LAG.u_s**2 / (USUAL_LAG.u_s**2 + u2)
    mean_s = USUAL_LAG.lag_s + weight * (lag_s - USUAL_LAG.lag_s)
    left_s = float(np.sqrt(weight * u2))
    return ReceiverLag(mean_s, combine_uncertainties(left_s, LAG_FLOOR_U_S), "the receiver's own positions")


_LAG_COLUMNS = ("t", "lat_deg", "lon_deg", "sog_kn", "cog_true_deg", "position_age_s", "velocity_age_s")
_BLOCK_S = 10.0


def _spans(mask: np.ndarray, *, reach: int, longest: int) -> Iterator[tuple[int, int]]:
    """Yield first and last row of every stretch where a mask holds, with rows around it, cut to a length."""
    wide = np.convolve(mask.astype(np.int8), np.ones(2 * reach + 1, dtype=np.int8), "same") > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wide.astype(np.int8), [0]])))
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        for begin in range(int(first), int(stop) - 1, longest):
            yield begin, min(begin + longest, int(stop) - 1)


def _lag_sums(table: pa.Table) -> list[tuple[float, float]]:
    """Return per block of ten seconds the sums of difference times acceleration, and of acceleration squared."""
    t_ns = integers(table["t"])[0]
    if t_ns.size < 20:
        return []
    t_s = (t_ns - t_ns[0]) / 1e9
    lat, lon = floats(table["lat_deg"]), floats(table["lon_deg"])
    if not np.isfinite(lat).any():
        return []
    meridian, vertical = radii_m(float(lat[np.isfinite(lat)][0]))
    north = np.radians(lat) * meridian
    east = np.radians(wrap_deg(lon - lon[np.isfinite(lon)][0])) * vertical * np.cos(np.radians(lat))
    made = np.column_stack([north, east]) / KN_M_PER_S
    shown = velocity_kn(floats(table["sog_kn"]), floats(table["cog_true_deg"]))
    # at the instants of the fixes: between them both are straight lines, which lag nothing
    fixes = np.flatnonzero(np.diff(floats(table["position_age_s"]), prepend=np.inf) < 0.0)
    grid_s = float(np.median(np.diff(t_s)))
    if fixes.size < 5:
        fixes = np.arange(0, t_s.size)
    spacing = max(float(np.median(np.diff(t_s[fixes]))), grid_s)
    step = max(round(_SPAN_S / spacing), 1)
    at = fixes[::step]
    gone = np.concatenate([np.zeros((1, 2)), np.cumsum(0.5 * (shown[1:] + shown[:-1]) * np.diff(t_s)[:, None], axis=0)])
    span_s = np.diff(t_s[at])
    difference = (np.diff(made[at], axis=0) - np.diff(gone[at], axis=0)) / span_s[:, None]
    change = np.diff(shown[at], axis=0) / span_s[:, None]
    known = np.isfinite(difference).all(axis=1) & np.isfinite(change).all(axis=1) & (span_s < 3.0)
    known &= np.hypot(difference[:, 0], difference[:, 1]) < 4.0  # a jump of the position tells nothing
    block = (t_s[at[:-1]] // _BLOCK_S).astype(np.int64)
    return [
        (
            float(np.sum(difference[known & (block == b)] * change[known & (block == b)])),
            float(np.sum(change[known & (block == b)] ** 2)),
        )
        for b in np.unique(block[known])
    ]


# ------------------------------------------------------------------------------
# Samples of one manoeuvre.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Episode:
    """Samples of a manoeuvre at the full rate of the trial set, shape (N,) each.

    Attributes:
        zero_ns: Where its times count from [ns since 1970 UTC].
        t_s: Times.
        ground_kn: Velocity over ground, north and east, the receiver's lag taken out, shape (N, 2); NaN where unknown.
        rpm: Mean engine speed, NaN where unknown.
        heading_deg: True heading, unwrapped; NaN where unknown.
        pitch_deg: Pitch, bow up positive.
        rudder_deg: Rudder angle; NaN where unknown.
        speed_every_s, rpm_every_s, heading_every_s: Between readings.
    """

    zero_ns: int
    t_s: FloatArray
    ground_kn: FloatArray
    rpm: FloatArray
    heading_deg: FloatArray
    pitch_deg: FloatArray
    rudder_deg: FloatArray
    speed_every_s: float
    rpm_every_s: float
    heading_every_s: float

    def through_kn(self, current_kn: FloatArray) -> FloatArray:
        """Return the velocity through water, north and east, shape (N, 2)."""
        return self.ground_kn - current_kn

    def utc(self, t_s: float) -> str:
        """Return a time of it as ISO 8601 UTC."""
        return iso_utc(self.zero_ns + round(t_s * 1e9))


def read_episode(
    circumstances: Circumstances, samples: TrialSamples, begin_ns: int, end_ns: int, zero_ns: int
) -> Episode:
    """Read the samples of a manoeuvre, from a start to a stop [ns since 1970 UTC]."""
    engine_ids = circumstances.config.engine_ids
    rpm_names = [f"rpm_{e}" for e in engine_ids]
    columns = [
        "t", "sog_kn", "cog_true_deg", "velocity_age_s", "heading_true_deg", "heading_age_s", "pitch_deg", "rudder_deg",
        *rpm_names, *(f"{n}_age_s" for n in rpm_names),
    ]  # fmt: skip
    assert samples.read is not None
    table = samples.read(begin_ns, end_ns, columns)
    t_s = (integers(table["t"])[0] - zero_ns) / 1e9
    sog, cog = floats(table["sog_kn"]), floats(table["cog_true_deg"])
    lying = np.isfinite(sog) & ~np.isfinite(cog) & (sog < STILL_COG_KN)
    shown = velocity_kn(np.where(lying, 0.0, sog), np.where(lying, 0.0, cog))
    lag_s = circumstances.lag.lag_s
    ground = np.column_stack([np.interp(t_s + lag_s, t_s, part) for part in shown.T]) if t_s.size else shown
    rpm = np.mean([floats(table[n]) for n in rpm_names], axis=0) if rpm_names else np.full(t_s.size, np.nan)
    heading = floats(table["heading_true_deg"])
    return Episode(
        zero_ns=zero_ns,
        t_s=t_s,
        ground_kn=ground,
        rpm=np.asarray(rpm, dtype=np.float64),
        heading_deg=unwrapped_deg(heading),
        pitch_deg=floats(table["pitch_deg"]),
        rudder_deg=floats(table["rudder_deg"]),
        speed_every_s=_interval_s(table, "velocity_age_s"),
        rpm_every_s=_interval_s(table, f"{rpm_names[0]}_age_s") if rpm_names else np.nan,
        heading_every_s=_interval_s(table, "heading_age_s"),
    )


def unwrapped_deg(angles_deg: FloatArray) -> FloatArray:
    """Return angles without jumps past north, NaN left as they are."""
    known = np.isfinite(angles_deg)
    out = np.full(angles_deg.shape, np.nan)
    out[known] = np.degrees(np.unwrap(np.radians(angles_deg[known])))
    return out


def _interval_s(table: pa.Table, age_name: str) -> float:
    """Return the time between readings of a channel: the oldest a sample of it gets, and a step of the grid [s]."""
    if age_name not in table.column_names:
        return 0.0
    age_s = floats(table[age_name])
    known = age_s[np.isfinite(age_s)]
    step_s = float(np.median(np.diff(integers(table["t"])[0]))) / 1e9 if table.num_rows > 1 else 0.0
    return (float(np.quantile(known, 0.9)) if known.size else 0.0) + step_s


def mean_rpm(samples: pa.Table, engine_ids: Sequence[str]) -> FloatArray:
    """Return the mean engine speed of all engines, NaN where one is unknown."""
    if not engine_ids:
        return np.full(samples.num_rows, np.nan)
    return np.asarray(np.mean([floats(samples[f"rpm_{e}"]) for e in engine_ids], axis=0), dtype=np.float64)


def speed_noise_kn(circumstances: Circumstances) -> float:
    """Return the spread of the shown speed at a steady one [kn]: that of the legs, in the median."""
    spread = circumstances.legs.values.get("sog_kn_sd", np.zeros(0))
    known = spread[np.isfinite(spread)]
    return float(np.clip(np.median(known), 0.03, 0.6)) if known.size else USUAL_NOISE_KN


def mean_noise_kn(noise_kn: float, span_s: float) -> float:
    """Return the standard uncertainty of a mean speed over a time, its noise being correlated [kn].

    Source: variance of a mean of correlated samples, s² τ / T with integrated memory τ (Sokal 1996, section 2).
    """
    return noise_kn * float(np.sqrt(min(MEMORY_S / max(span_s, 1e-3), 1.0)))


def common_time_u_s(circumstances: Circumstances, by_mark: bool) -> float:
    """Return what all times of a trial may be wrong by alike [s]: lag of the receiver, clocks, tachometer."""
    if by_mark:
        return circumstances.lag.u_s
    shared_s = shared_latency_s(circumstances) / float(np.sqrt(12.0))
    return combine_uncertainties(circumstances.lag.u_s, circumstances.clock_u_s, COUNTED_U_S, shared_s)


def shared_latency_s(circumstances: Circumstances) -> float:
    """Return the latency that is declared where all comes by one source [s]; else 0.

    It is the receiver's, and taken off every sentence of the source; a tachometer beside it may be as late or not at
    all, rectangular.
    """
    sources = circumstances.config.source
    return sources[0].latency_s if len(sources) == 1 else 0.0


def level_left_s(circumstances: Circumstances, episode: Episode, sense: int = 1) -> tuple[float, float] | None:
    """Return when the engine speed left its level, as `find_level_left_s`, by the clock of the trial."""
    found = find_level_left_s(episode.t_s, episode.rpm, episode.rpm_every_s, sense)
    return None if found is None else (found[0] + shared_latency_s(circumstances) / 2.0, found[1])


def integral(t_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return the running integral by the trapezoidal rule, NaN counted as nothing, shape (N,)."""
    known = np.nan_to_num(values)
    steps = 0.5 * (known[1:] + known[:-1]) * np.diff(t_s)
    return np.concatenate([[0.0], np.cumsum(steps)])


# ------------------------------------------------------------------------------
# When an engine speed left its level, and when a speed was passed.
# ------------------------------------------------------------------------------


def find_level_left_s(
    t_s: FloatArray, rpm: FloatArray, interval_s: float, sense: int = 1
) -> tuple[float, float] | None:
    """Return when the engine speed left its level near time zero, and the standard uncertainty of that [s].

    The first reading off the level tells how far the engine speed had come, the next one how fast it went: drawn back
    with that speed, it left the level in between. Where it was over before the next reading, the throttle was moved
    anywhere between the two readings: the middle is taken, rectangular. What a tachometer is late, `COUNTED_S`, is
    taken off. None where it is not known.

    Args:
        t_s: Times, zero where the change was seen in the overview, shape (N,).
        rpm: Mean engine speed, shape (N,), NaN where unknown.
        interval_s: Between readings of the tachometer.
        sense: 1 where it rose, -1 where it fell.

    Source: GUM (JCGM 100:2008) 4.3.7, rectangular distribution.
    """
    level = rpm[(t_s >= -QUIET_S[0]) & (t_s < -QUIET_S[1])]
    after = (t_s >= -QUIET_S[1]) & (t_s <= QUIET_S[1])
    if not level.size or not np.isfinite(level).all() or not np.isfinite(rpm[after]).all():
        return None
    excess, at = sense * (rpm[after] - float(np.median(level))), t_s[after]
    # from the last sample on the level: what wandered above it before is no change
    above = np.flatnonzero((excess[1:] >= LEVEL_RPM) & (excess[:-1] < LEVEL_RPM))
    if not above.size:
        return None
    k = int(above[0])
    rate = (excess[k + 1] - excess[k]) / (at[k + 1] - at[k])
    # samples between two readings lie on the line that joins them: it leaves the level with the earlier one
    earlier = float(at[k] - max(excess[k], 0.0) / rate)
    later = earlier + interval_s
    come, going = (float(np.interp(s, at, excess)) for s in (later, later + interval_s))
    between = interval_s / float(np.sqrt(12.0))
    if going - come < 0.3 * come:
        return earlier + interval_s / 2.0 - COUNTED_S, between
    left = later - min(come / (going - come) * interval_s, interval_s)
    return left - COUNTED_S, combine_uncertainties(0.6 * between, BENT_U_S)


@dataclass(frozen=True, slots=True)
class Crossing:
    """When a speed was passed: time [s], its own standard uncertainty [s], and how fast it changed [kn/s]."""

    t_s: float
    u_s: float
    kn_per_s: float


FIT_KN, FIT_S = 1.0, (1.0, 8.0)
"""A curve is fitted to the speed within so much of the one that is passed; so long at least and at most on either
side (our choice)."""


def find_crossing(
    t_s: FloatArray,
    speed_kn: FloatArray,
    target_kn: float,
    after_s: float,
    *,
    interval_s: float,
    noise_kn: float = 0.0,
    sense: int = 1,
) -> Crossing | None:
    """Return when a speed was first passed; None where the speed about it is not known or does not go that way.

    A parabola is fitted to the speed about the crossing, over the time in which it changes by `FIT_KN` each way, so
    that waves and noise are averaged; where few readings lie in it, a straight line. Between two readings the speed
    is a guess: the interval adds a rectangular term, as far as the parabola leaves one.

    Args:
        t_s: Times, shape (N,).
        speed_kn: Speed through water, shape (N,), NaN where unknown.
        target_kn: The speed.
        after_s: It is passed after this time.
        interval_s: Between readings of the receiver.
        noise_kn: Spread of the shown speed, remembered for `MEMORY_S`.
        sense: 1 for a speed that rises, -1 for one that falls.

    Source: GUM (JCGM 100:2008) H.3, curve fitted by least squares, and 4.3.7.
    """
    off = sense * (speed_kn - target_kn)
    with np.errstate(invalid="ignore"):
        passed = np.flatnonzero((off[1:] >= 0.0) & (off[:-1] < 0.0) & (t_s[1:] > after_s))
    for k in passed[:20].tolist():
        first = t_s[k] - off[k] / (off[k + 1] - off[k]) * (t_s[k + 1] - t_s[k])
        found = _fitted_crossing(t_s, off, first, after_s, interval_s, noise_kn)
        if found is not None:
            return replace(found, kn_per_s=sense * found.kn_per_s)
    return None


def _fitted_crossing(
    t_s: FloatArray, off: FloatArray, first: float, after_s: float, interval_s: float, noise_kn: float
) -> Crossing | None:
    least = max(FIT_S[0], 1.5 * interval_s)
    near = (np.abs(t_s - first) <= least) & (t_s >= after_s)
    if near.sum() < 3 or not np.isfinite(off[near]).all():
        return None
    slope = float(np.polyfit(t_s[near] - first, off[near], 1)[0])
    width = float(np.clip(FIT_KN / max(slope, 1e-6), least, max(FIT_S[1], least)))
    near = (np.abs(t_s - first) <= width) & (t_s >= after_s)
    if not np.isfinite(off[near]).all():
        width, near = least, (np.abs(t_s - first) <= least) & (t_s >= after_s)
    span_s = float(np.ptp(t_s[near]))
    readings = max(span_s / max(interval_s, 1e-3), 2.0)
    since = t_s[near] - first
    # an end at the start of a motion bends the parabola: the fit needs readings on both sides
    degree = 2 if readings >= 5.0 and since.min() < -0.5 * width else 1
    curve = np.polyfit(since, off[near], degree)
    roots = np.roots(curve)
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[np.abs(real) <= width]
    if not real.size:
        return None
    root = float(real[np.argmin(np.abs(real))])
    slope = float(np.polyval(np.polyder(curve), root))
    if slope <= 0.0:
        return None
    left = off[near] - np.polyval(curve, since)
    scatter = float(left.std()) * np.sqrt((degree + 1) / readings)
    between = interval_s / float(np.sqrt(12.0)) * (0.25 if degree == 2 else 1.0)
    u = combine_uncertainties(float(scatter) / slope, mean_noise_kn(noise_kn, span_s) / slope, between)
    return Crossing(first + root, u, slope)


# ------------------------------------------------------------------------------
# Current, marks, and means of ways.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KnownCurrent:
    """The current at a manoeuvre: north and east [kn], its covariance [kn²], and what tells it; "" where nothing."""

    north_east_kn: FloatArray
    covariance: FloatArray
    origin: str

    def u_along(self, ahead: FloatArray) -> float:
        """Return its standard uncertainty along a direction, north and east of a unit vector [kn]."""
        return float(np.sqrt(max(float(ahead @ self.covariance @ ahead), 0.0)))

    @property
    def worst_u_kn(self) -> float:
        """Its standard uncertainty along its worse axis [kn]."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance)[-1]))


UNKNOWN_CURRENT = KnownCurrent(np.zeros(2), np.eye(2) * UNKNOWN_ABOVE_KN**2, "")


def known_current(
    circumstances: Circumstances, t_ns: int, seen: Sequence[tuple[int, KnownCurrent]] = ()
) -> KnownCurrent:
    """Return the current at a time: as the runs of the trial show it, and the nearest turn that went all round.

    Args:
        circumstances: With the fitted current.
        t_ns: The time [ns since 1970 UTC].
        seen: What turns of the trial showed, with their times.
    """
    found: KnownCurrent | None = None
    if circumstances.shows_current and circumstances.current_at is not None:
        vector, covariance = circumstances.current_at(np.array([t_ns], dtype=np.int64))
        found = KnownCurrent(vector[0], covariance[0], "the runs of the trial")
    if seen:
        at_ns, nearest = min(seen, key=lambda s: abs(s[0] - t_ns))
        grown = (TIDE_KN_PER_H * abs(at_ns - t_ns) / 3.6e12) ** 2
        found = weigh_currents(replace(nearest, covariance=nearest.covariance + np.eye(2) * grown), found)
    return found if found is not None and found.worst_u_kn <= UNKNOWN_ABOVE_KN else UNKNOWN_CURRENT


def weigh_currents(one: KnownCurrent | None, other: KnownCurrent | None) -> KnownCurrent | None:
    """Return the current by two that are independent, each with its weight; None where there is neither.

    Source: mean of two normal laws, each weighed by the inverse of its covariance (GUM H.1, weights).
    """
    if one is None or other is None or not one.origin or not other.origin:
        return other if one is None or not one.origin else one
    precision = np.linalg.inv(one.covariance), np.linalg.inv(other.covariance)
    covariance = np.linalg.inv(precision[0] + precision[1])
    vector = covariance @ (precision[0] @ one.north_east_kn + precision[1] @ other.north_east_kn)
    return KnownCurrent(vector, covariance, f"{one.origin} and {other.origin}")


TIDE_KN_PER_H = 0.5
"""Standard uncertainty of how a current changes with time, where one moment alone shows it [kn/h] (common practice,
no source)."""

MARKED_S = (3.0, 600.0)
"""Two marks so far apart may stand for begin and end of a manoeuvre (our choice)."""


def marked_spans(circumstances: Circumstances) -> list[tuple[Mark, Mark]]:
    """Return every two marks, one after the other, between which a manoeuvre may lie."""
    marks = circumstances.marks
    return [(a, b) for a, b in pairwise(marks) if MARKED_S[0] <= (b.t_ns - a.t_ns) / 1e9 <= MARKED_S[1]]


@dataclass(frozen=True, slots=True)
class Parts:
    """A value with the parts of its standard uncertainty.

    Attributes:
        value: In any unit.
        own: What repeats of a manoeuvre have each for themselves.
        common: What all of a trial have in common: clocks, lag, calibration.
        way: What turns its sign with the direction: the current.
    """

    value: float
    own: float
    common: float
    way: float = 0.0

    @property
    def u(self) -> float:
        """Standard uncertainty, k = 1."""
        return combine_uncertainties(self.own, self.common, self.way)


def mean_of_ways(first: Parts, second: Parts) -> Parts:
    """Return the mean of both ways: what is each one's own averages, what is common stays, the current cancels.

    Source: GUM (JCGM 100:2008) 5.2.2, correlation 1 and -1.
    """
    return Parts(
        (first.value + second.value) / 2.0,
        combine_uncertainties(first.own, second.own) / 2.0,
        (first.common + second.common) / 2.0,
        abs(first.way - second.way) / 2.0,
    )


def are_opposite(first_deg: float, second_deg: float) -> bool:
    """Return whether two courses are ways there and back: within 30° of the reciprocal (common practice, no source)."""
    return abs(float(wrap_deg(np.array([first_deg - second_deg - 180.0]))[0])) <= 30.0


def course_text(course_deg: float | None) -> str:
    """Return a course as three digits, "" where there is none."""
    return "" if course_deg is None else f"{round(course_deg) % 360:03d}"


def described(
    kind: str, start: str, direction: str | float | None, from_: str, to: str, unit: str, *,
    parts: Parts | None = None, conditions: str = "", reason: str = "",
) -> Manoeuvre:  # fmt: skip
    """Return a row: claimed where parts are given and no reason is; a value may stand beside a reason."""
    course = direction if isinstance(direction, float) else None
    return Manoeuvre(
        kind=kind, start=start, direction_deg=course, from_=from_, to=to,
        value=None if parts is None or reason else parts.value, u=None if parts is None or reason else parts.u,
        unit=unit, conditions=conditions, claimed=parts is not None and not reason, reason=reason,
        direction=direction if isinstance(direction, str) else course_text(course),
    )  # fmt: skip
