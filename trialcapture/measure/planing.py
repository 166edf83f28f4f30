"""The slowest planing speed, up and down, and each band's regime; nothing is claimed where no run shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
import pyarrow as pa
import scipy

from trialcapture.buffers import floats, to_arrow
from trialcapture.config import Config
from trialcapture.measure.circumstances import Circumstances, TrialSamples
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import autocorrelation_sum, effective_size, rolling_mean, wrap_deg
from trialcapture.reduce.conditions import load_sheet, trial_conditions
from trialcapture.reduce.runs import IntArray, Legs, read_times_ns, velocity_kn
from trialcapture.reduce.summary import JudgedSlowRun, MeanThreshold, Regime, SlowestPlaning, ThresholdRun, TrialWarning
from trialcapture.reduce.tables import iso_utc, warn
from trialcapture.reduce.uncertainty import BoolArray, FloatArray, combine_uncertainties, weighted_direction_deg
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

# ------------------------------------------------------------------------------
# How the hull runs at each speed: displacing, on the plane, or between.
# ------------------------------------------------------------------------------

DISPLACEMENT_FNV = 1.0
"""Below this volumetric Froude number the hull displaces (Radojcic et al. 2014, Polish Maritime Research 21(2):9)."""
PLANING_FNV = 1.5
"""From here on a hull made for it may be past its hump: the middle of the pre-planing range 1 to 2 of Savitsky &
Brown 1976 (Marine Technology 13:381; from memory)."""
PAST_HUMP_FNV, FULL_PLANING_FNV = 2.0, 3.5
"""Past the pre-planing range of 1 to 2 (Savitsky & Brown 1976), and where planing is full at the latest (3 to 3.5 in
Radojcic et al. 2014)."""
DISPLACEMENT_FNL = 0.4
"""By length, where displacement and hump are unknown: below it the hull displaces (Radojcic et al. 2014)."""
PLANING_FNL = 1.0
"""Same: from here on it planes (Radojcic et al. 2014)."""
HUMP_RISE_PCT = 8.0
"""The advance per revolution must rise by this much past its lowest value to call that the hump (no source)."""


def length_froude_number(speed_kn: float, length_m: float) -> float:
    """Return ``V / sqrt(g L)`` [-] (Froude number, by definition)."""
    return speed_kn * KN_M_PER_S / float(np.sqrt(G_M_PER_S2 * length_m))


def volumetric_froude_number(speed_kn: float, volume_m3: float) -> float:
    """Return ``V / sqrt(g ∇^(1/3))`` [-] (Radojcic et al. 2014, Polish Maritime Research 21(2):9)."""
    return speed_kn * KN_M_PER_S / float(np.sqrt(G_M_PER_S2 * volume_m3 ** (1.0 / 3.0)))


def froude_numbers(
    speed_kn: float, volume_m3: float | None, length_m: float | None
) -> tuple[float | None, float | None]:
    """Return the volumetric and the length Froude number of a speed; None where the boat is unknown."""
    by_volume = None if volume_m3 is None else volumetric_froude_number(speed_kn, volume_m3)
    return by_volume, None if length_m is None else length_froude_number(speed_kn, length_m)


def find_hump(rpm: FloatArray, speed_kn: FloatArray) -> int | None:
    """Return the band at the hump, or None where the curve shows none.

    Climbing its own bow wave a hull gains less and less speed per revolution; over the hump it gains more again. The
    hump is the band with the least speed per revolution, between bands that have clearly more of it.

    Args:
        rpm: Ascending, shape (B,).
        speed_kn: Through water, shape (B,).
    """
    advance = speed_kn / rpm
    known = np.flatnonzero(np.isfinite(advance))
    if known.size < 3:
        return None
    low = int(known[np.argmin(advance[known])])
    before, after = advance[known[known < low]], advance[known[known > low]]
    if not before.size or not after.size:
        return None
    least = (1.0 + HUMP_RISE_PCT / 100.0) * advance[low]
    return low if before.max() >= least and after.max() >= least else None


def find_regimes(
    rpm: FloatArray,
    speed_kn: FloatArray,
    *,
    planing_hull: bool,
    volume_m3: float | None,
    length_m: float | None,
    threshold_kn: float | None = None,
) -> tuple[list[Regime], str]:
    """Return the regime of every band and what it was judged by.

    What the trial itself shows decides: the slowest planing speed of its slow runs, else the hump of speed against rpm.
    From there on the hull planes, however slow that is; below it a band displaces by its Froude number, or is between.
    Where the trial shows neither, the Froude number decides alone.

    Args:
        rpm: Mean of each band, ascending; NaN where unknown.
        speed_kn: Through water.
        planing_hull: False for a boat that is not made to plane.
        volume_m3: Volume displaced.
        length_m: Length of the boat.
        threshold_kn: Slowest planing speed that a slow run shows; None where none does.
    """
    if not planing_hull:
        return ["displacement"] * speed_kn.size, "the boat is stated not to plane"
    if volume_m3 is not None:
        name, lowest, past, highest = "volumetric Froude number", DISPLACEMENT_FNV, PLANING_FNV, FULL_PLANING_FNV
        numbers = np.array([volumetric_froude_number(v, volume_m3) for v in speed_kn])
    elif length_m is not None:
        name, lowest, past, highest = "length Froude number", DISPLACEMENT_FNL, PLANING_FNL, PLANING_FNL
        numbers = np.array([length_froude_number(v, length_m) for v in speed_kn])
    else:
        name, lowest, past, highest = "", np.nan, np.inf, np.nan
        numbers = np.full(speed_kn.size, np.nan)
    hump = find_hump(rpm, speed_kn)
    if hump is not None and (numbers[hump] < lowest or numbers[hump] > highest):
        hump = None  # no hull has its hump there
    displaces = numbers < lowest
    if threshold_kn is not None:
        planes, shown = speed_kn >= threshold_kn, "the slowest planing speed of the slow runs"
    elif hump is not None:
        planes, shown = np.arange(speed_kn.size) > hump, "the hump of speed against rpm"
        displaces |= np.isnan(numbers) & (np.arange(speed_kn.size) < hump)
    elif name:
        planes, shown = numbers >= past, ""
    else:
        return ["unknown"] * speed_kn.size, "nothing: neither displacement nor length nor a hump is known"
    regimes: list[Regime] = [
        "planing" if p else "displacement" if d else "between" for p, d in zip(planes, displaces, strict=True)
    ]
    return regimes, " and ".join(x for x in (shown, name) if x)


def is_past_hump(speed_kn: FloatArray, volume_m3: float | None, length_m: float | None) -> BoolArray:
    """Return True where a speed lies clearly past the hump: by volume, else by length; False where neither is known."""
    if volume_m3 is not None:
        return np.array([volumetric_froude_number(v, volume_m3) >= PAST_HUMP_FNV for v in speed_kn], dtype=np.bool_)
    if length_m is not None:
        return np.array([length_froude_number(v, length_m) >= PLANING_FNL for v in speed_kn], dtype=np.bool_)
    return np.zeros(speed_kn.size, dtype=np.bool_)


# ------------------------------------------------------------------------------
# Where one slow run passes the hump: by the running trim, or by speed against rpm; and why where it shows none.
# ------------------------------------------------------------------------------

LEAST_BOW_RISE_DEG = 1.0
"""The highest running trim must pass the trim on either side by this much to show a hump (no source)."""
STEEPENING = 1.8
"""Speed must rise this many times as fast with rpm past the knee as before it to show a hump (no source)."""
WIDEST_RATIO = 2.5
"""A steep part that ends at more than this many times the speed it began with is no threshold (no source)."""
NARROWEST_RATIO = 1.3
"""Where the speed goes on rising steeply to the end of the run, the fit may call a mere wrinkle the steep part; coming
onto the plane takes at least to this many times the speed it begins with (no source)."""
BIC_MARGIN = 10.0
"""The three lines must be better than one smooth curve by this much in the Bayesian information criterion: "very
strong" evidence (Kass & Raftery 1995, Journal of the American Statistical Association 90:773; from memory)."""
_SMOOTH_S = 15
"""Width of a moving mean that takes waves out and leaves the hump [s] (our choice)."""
_LONGEST_MEMORY_S = 60
"""Longest lag at which noise is taken to remember itself [s] (our choice)."""
TOPS = 61
"""How many speeds are tried for the highest trim, evenly from the slowest to the fastest (our choice)."""
RISE_WIDTHS = (0.04, 0.06, 0.09, 0.13, 0.2, 0.3)
"""Widths of the rise of the bow that are tried, as a share of the speeds of the run (our choice)."""
SINK_RATIOS = (1.0, 1.5, 2.2, 3.3)
"""How many times as wide the bow sinks as it rises: never faster, because over the hump drag falls and the hull is
quickly past it going up, while on the plane trim falls with speed slowly (Savitsky 1964, Marine Technology 1(1):71;
from memory); the values are our choice, measured on simulated runs of six shapes of hump."""
TRIM_PARAMETERS, PLATEAU_PARAMETERS = 6.0, 4.0
"""Of a hump in the trim: the highest trim, where, and how far and how wide it falls on either side; of a rise to a
plateau: its level, where, and how far and how wide it rises."""
SLOW_NOISE_TAKEN_UP = 1.5
"""The best of so many curves follows some of the slow noise, so that what it leaves seems to hold this many times as
many independent values as it does (our choice, measured on simulated noise with a memory of 2 to 10 s)."""


class Hump(NamedTuple):
    """Speed through water at the hump [kn], its standard uncertainty from this run's own scatter, and what shows it."""

    speed_kn: float
    u_kn: float
    basis: str


def find_hump_by_trim(speed_kn: FloatArray, pitch_deg: FloatArray) -> Hump | str:
    """Return the speed of the highest running trim, or why there is none; "" where pitch was not recorded.

    Curves that rise to a highest trim and fall from it are fitted to the whole run, with a form, a width and a level on
    either side. Each is weighed by its likelihood for as many independent values as the run holds; the speed is the
    mean over all of them and its uncertainty their spread. A single best curve lies towards the side on which trim
    changes more slowly, the more so the noisier it is.

    A hump is claimed where the bow clearly rises to the highest trim and sinks from it, and where no curve that only
    rises, or only falls, explains the run as well: a plateau is no hump.

    Args:
        speed_kn: Through water, one value a second, shape (N,), NaN where unknown.
        pitch_deg: Bow up positive, same shape.

    Source: the highest trim marks the hump (Savitsky & Brown 1976, Marine Technology 13:381; from memory); mean over
    models by their likelihood (Kass & Raftery 1995, Journal of the American Statistical Association 90:773; from
    memory).
    """
    use = np.isfinite(pitch_deg) & np.isfinite(speed_kn)
    if use.mean() < 0.8 or use.sum() < 4 * _SMOOTH_S:
        return ""
    v, p = rolling_mean(speed_kn[use], _SMOOTH_S // 3), pitch_deg[use]
    slowest, fastest = np.quantile(v, (0.02, 0.98))
    tops = np.linspace(float(slowest), float(fastest), TOPS)
    squares, curve = _fit_humps(v, p, tops)
    if not np.isfinite(squares).any():
        return "the highest trim cannot be placed"
    fitted = curve(v)
    if fitted.max() <= max(fitted[np.argmin(v)], fitted[np.argmax(v)]) + 0.5 * LEAST_BOW_RISE_DEG:
        return "the trim is highest at an end of the run"
    rise = float(fitted.max() - max(fitted[np.argmin(v)], fitted[np.argmax(v)]))
    if rise < LEAST_BOW_RISE_DEG:
        return f"the trim passes its ends by {rise:.1f}°, less than {LEAST_BOW_RISE_DEG:g}°"
    independent = effective_size(p.size, autocorrelation_sum([p - fitted], _LONGEST_MEMORY_S))
    ordered = p[np.argsort(v, kind="stable")]
    without = min(float(np.sum((ordered - _monotone(ordered, sense)) ** 2)) for sense in (1.0, -1.0))
    gain = independent * np.log(without / squares.min())
    if gain - (TRIM_PARAMETERS - PLATEAU_PARAMETERS) * np.log(independent) < BIC_MARGIN:
        return "a trim that only rises or only falls, and slow noise, explain the run as well as a hump"
    freedom = max(independent / SLOW_NOISE_TAKEN_UP - TRIM_PARAMETERS, 1.0)
    likelihood = np.sum((squares / squares.min()) ** (-freedom / 2.0), axis=(1, 2, 3, 4))
    weight = likelihood / likelihood.sum()
    speed = float(weight @ tops)
    spread = float(np.sqrt(weight @ (tops - speed) ** 2))
    return Hump(speed, max(spread, float(tops[1] - tops[0]) / 2.0), "highest running trim")


def _monotone(values: FloatArray, sense: float) -> FloatArray:
    """Return the curve that only rises (sense 1) or only falls (-1) and lies closest to values in order of speed."""
    return np.asarray(scipy.optimize.isotonic_regression(values, increasing=sense > 0).x, dtype=np.float64)


def _bell(x: FloatArray) -> FloatArray:
    return 1.0 - np.exp(-0.5 * x * x)


def _long_tail(x: FloatArray) -> FloatArray:
    return x * x / (1.0 + x * x)


def _cusp(x: FloatArray) -> FloatArray:
    return 1.0 - np.exp(-np.abs(x))


_FORMS = (_bell, _long_tail, _cusp)
"""How trim falls off on one side with the distance from its highest, in widths: curves that differ most near the top
and far from it (our choice)."""


def _fit_humps(
    speed_kn: FloatArray, pitch_deg: FloatArray, tops_kn: FloatArray
) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    """Return the sum of squares that each curve of trim leaves, and the curve that leaves the least.

    A curve is ``highest - fall_before f(x / rise width)`` before the top and ``highest - fall_after g(x / sink width)``
    after it; the highest trim and both falls are solved for.

    Returns:
        Squares, shape (tops, forms before, forms after, rise widths, sink ratios), infinite where a curve does not fall
        on both sides; and trim against speed.
    """
    rise = np.asarray(RISE_WIDTHS) * float(np.ptp(tops_kn)) / 0.96
    sink = rise[:, None] * np.asarray(SINK_RATIOS)
    squares = np.full((tops_kn.size, len(_FORMS), len(_FORMS), *sink.shape), np.inf)
    solved = np.zeros((3, *squares.shape))
    n, total, own = speed_kn.size, float(pitch_deg.sum()), float(pitch_deg @ pitch_deg)
    for k, top in enumerate(tops_kn):
        before = speed_kn < top
        left = (speed_kn[before, None] - top) / rise
        right = (speed_kn[~before, None] - top) / sink.ravel()
        rising = [[x[:, None] for x in _sums(form(left), pitch_deg[before])] for form in _FORMS]
        sinking = [[x.reshape(sink.shape) for x in _sums(form(right), pitch_deg[~before])] for form in _FORMS]
        for f, (s1, q1, p1) in enumerate(rising):
            for g, (s2, q2, p2) in enumerate(sinking):
                # normal equations of three unknowns: the two falls meet only in the highest trim
                whole = np.maximum(n - s1**2 / q1 - s2**2 / q2, 1e-9)
                highest = (total - s1 * p1 / q1 - s2 * p2 / q2) / whole
                fall_1, fall_2 = (highest * s1 - p1) / q1, (highest * s2 - p2) / q2
                left_over = np.maximum(own - highest * total + fall_1 * p1 + fall_2 * p2, 1e-12)
                squares[k, f, g] = np.where((fall_1 > 0.0) & (fall_2 > 0.0), left_over, np.inf)
                solved[:, k, f, g] = highest, fall_1, fall_2
    at = np.unravel_index(int(np.argmin(squares)), squares.shape)
    k, f, g, i, j = (int(x) for x in at)
    best = [float(x[at]) for x in solved]

    def curve(v: FloatArray) -> FloatArray:
        off = v - tops_kn[k]
        fall = np.where(off < 0, best[1] * _FORMS[f](off / rise[i]), best[2] * _FORMS[g](off / sink[i, j]))
        return np.asarray(best[0] - fall, dtype=np.float64)

    return squares, curve


def _sums(shape: FloatArray, pitch_deg: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the sum of every shape, of its square, and of its product with the trim."""
    return shape.sum(axis=0), np.sum(shape**2, axis=0) + 1e-9, pitch_deg @ shape


def find_hump_by_rpm(speed_kn: FloatArray, rpm: FloatArray) -> Hump | str:
    """Return the speed in the lower half of the steep part of speed against rpm, or why there is none.

    Three straight lines are fitted, the middle one the steepest: over the hump speed is regained without rpm. The
    hull comes on the plane where the steep part begins and has long done so where it ends; a rectangular
    distribution over its lower half says no more than that. They must explain the run far better than one smooth
    curve does, for as many independent values as the run holds, and speed per revolution must fall to its lowest
    and rise again.

    Args:
        speed_kn: Through water, one value a second, shape (N,), NaN where unknown.
        rpm: Same shape.
    """
    use = np.isfinite(speed_kn) & (rpm > 0.0)  # NaN is not above 0
    if use.sum() < 60:
        return "speed or rpm is unknown"
    n, v = rpm[use], speed_kn[use]
    knees = np.quantile(n, np.linspace(0.08, 0.92, 29))
    tried: list[tuple[float, float, float]] = []
    left = v
    for i, lower in enumerate(knees):
        for upper in knees[i + 1 :]:
            design = np.column_stack([np.ones(n.size), n, np.maximum(n - lower, 0.0), np.maximum(n - upper, 0.0)])
            solved, *_ = np.linalg.lstsq(design, v, rcond=None)
            before, steep, after = np.cumsum(solved[1:])
            if steep < STEEPENING * before or steep <= after or before <= 0:
                continue
            off = v - design @ solved
            cost, begin = float(off @ off), float(solved[0] + before * lower)
            if not tried or cost < min(tried)[0]:
                left = off
            tried.append((cost, begin, begin + float(steep * (upper - lower))))
    if not tried:
        return "speed rises with rpm without a steep part"
    cost, begin, end = min(tried)
    smooth = v - np.polyval(np.polyfit(n, v, 2), n)
    independent = effective_size(n.size, autocorrelation_sum([left], _LONGEST_MEMORY_S))
    # three coefficients against four and two knees
    gain = independent * np.log(float(smooth @ smooth) / max(cost, 1e-12)) - 3.0 * np.log(independent)
    if gain < BIC_MARGIN:
        return "speed against rpm is as well explained by a smooth curve"
    if not _advance_dips(n, v):
        return "speed per revolution does not fall and rise again"
    if end > WIDEST_RATIO * begin:
        return (
            f"the steep part of speed against rpm reaches from {begin:.1f} to {end:.1f} kn, which places no threshold"
        )
    # knees that fit as well as the best, by the profile of the sum of squares
    alike = cost * (1.0 + 1.0 / max(independent - 6.0, 1.0))
    middles = [_lower_half(low, high)[0] for c, low, high in tried if c <= alike]
    middle, u_of_part = _lower_half(begin, end)
    return Hump(middle, combine_uncertainties(u_of_part, (max(middles) - min(middles)) / 2.0), "speed against rpm")


def _lower_half(begin_kn: float, end_kn: float) -> tuple[float, float]:
    """Return middle and standard uncertainty of the lower half of a steep part, rectangular."""
    half = (max(end_kn, NARROWEST_RATIO * begin_kn) - begin_kn) / 2.0
    return begin_kn + half / 2.0, half / float(np.sqrt(12.0))


def _advance_dips(rpm: FloatArray, speed_kn: FloatArray) -> bool:
    """Return whether speed per revolution has its lowest value inside the run and rises clearly past it."""
    order = np.argsort(rpm, kind="stable")
    advance = rolling_mean(speed_kn[order] / rpm[order], _SMOOTH_S)[_SMOOTH_S // 2 : -_SMOOTH_S // 2]
    low = int(np.argmin(advance))
    return bool(
        0 < low < advance.size - 1 and advance[low:].max() >= (1.0 + HUMP_RISE_PCT / 100.0) * float(advance[low])
    )


# ------------------------------------------------------------------------------
# Slow run-downs and run-ups: stretches over which the engine speed falls or rises evenly on a steady course.
# ------------------------------------------------------------------------------

SLOWEST_PCT_PER_S, FASTEST_PCT_PER_S = 0.03, 0.6
"""Change of engine speed in a slow run, as a share of the highest of the trial: the whole range in three minutes or
more, so that the hull is never far from its steady state (common practice, no source)."""
SHORTEST_S = 60.0
"""A shorter change of engine speed is no slow run [s] (common practice, no source)."""
LEAST_RANGE_PCT = 25.0
"""How much of its higher engine speed a slow run must cover (common practice, no source)."""
EVEN_FACTOR, LEAST_EVEN_SHARE = 3.0, 0.85
"""An intended slow change keeps its rate: over this share of the run it stays within this factor of its median. A
throttle pushed and followed slowly by the engine, or moved now and then, does not (no source)."""
COURSE_HELD_DEG = 12.0
"""From the mean course of the run (common practice, no source)."""
TURNING_DEG = 15.0
"""A course that changes by this much in twenty seconds is a turn, not yaw (common practice, no source)."""
AFTER_TURN_S = 20
"""A turn takes speed, which comes back at constant rpm and would be mistaken for the hump (no source)."""
LONGEST_GAP_S = 10
"""Seconds without speed or engine speed that do not end a run (our choice)."""
SLOW_LOOKS = 9
"""Times at which the current is asked for in a slow run; between them it is interpolated (our choice)."""
_LAG_S = 10
"""Half the span over which a rate of change is taken [s] (our choice)."""


@dataclass(frozen=True, slots=True)
class SlowRun:
    """One slow run on a grid of one second; arrays of one length, NaN where unknown."""

    way: Literal["down", "up"]
    t_ns: IntArray
    rpm: FloatArray
    ground_kn: FloatArray
    pitch_deg: FloatArray
    fault: str
    """Why it can show nothing; "" where it can."""


def find_slow_runs(samples: pa.Table | None, engine_ids: Sequence[str]) -> list[SlowRun]:
    """Return the slow runs of a trial in order of time; none without samples or engine speed.

    A stretch that changes engine speed slowly but not evenly, or not on one course, is returned with its fault. How
    fast a boat must have gone to speak of a hump is no question of engine speed: see `trialcapture.measure.planing`.

    Args:
        samples: Samples of the trial set on their uniform grid.
        engine_ids: Engines; their mean speed counts.
    """
    if samples is None or samples.num_rows < 3 or not engine_ids:
        return []
    edges = pa.concat_tables([samples.slice(0, 1), samples.slice(samples.num_rows - 1)])
    first, last = read_times_ns(edges, "t")
    block = max(round((samples.num_rows - 1) * 1e9 / max(int(last - first), 1)), 1)
    rpm = np.mean([_second_means(samples, f"rpm_{e}", block) for e in engine_ids], axis=0)
    if rpm.size <= 2 * _LAG_S or not np.isfinite(rpm).any():
        return []
    rpm = _bridge(rpm)
    speed, course = _second_means(samples, "sog_kn", block), _middles(samples, "cog_true_deg", block)
    pitch = _second_means(samples, "pitch_deg", block)
    t_ns = read_times_ns(samples.select(["t"]).take(to_arrow(np.arange(block // 2, rpm.size * block, block))), "t")
    rate = np.full(rpm.size, np.nan)
    rate[_LAG_S:-_LAG_S] = 100.0 * (rpm[2 * _LAG_S :] - rpm[: -2 * _LAG_S]) / (2 * _LAG_S) / np.nanmax(rpm)
    with np.errstate(invalid="ignore"):
        slow = (np.abs(rate) >= SLOWEST_PCT_PER_S) & (np.abs(rate) <= FASTEST_PCT_PER_S)
    sense = np.where(slow, np.sign(rate), 0.0)
    sense[_long_gaps(np.isfinite(speed) & np.isfinite(course))] = 0.0
    cuts = np.flatnonzero(np.diff(sense)) + 1
    found: list[SlowRun] = []
    for start, stop in zip(np.concatenate([[0], cuts]), np.concatenate([cuts, [sense.size]]), strict=True):
        whole = slice(int(start), int(stop))
        if sense[start] == 0 or not _covers(rpm[whole]):
            continue
        held = _where_course_held(course, whole)
        if not _covers(rpm[held]):
            piece, fault = whole, "the course was not held"
        elif not _is_even(rate[held]):
            piece, fault = held, "the engine speed did not change evenly"
        else:
            piece, fault = held, ""
        found.append(
            SlowRun(
                way="down" if sense[int(start)] < 0 else "up",
                t_ns=t_ns[piece],
                rpm=rpm[piece],
                ground_kn=velocity_kn(speed[piece], course[piece]),
                pitch_deg=pitch[piece],
                fault=fault,
            )
        )
    return found


def _covers(rpm: FloatArray) -> bool:
    """Return whether a stretch is long enough, and changes engine speed enough, to be a slow run."""
    if rpm.size < SHORTEST_S or not np.isfinite(rpm).any():
        return False
    highest = float(np.nanmax(rpm))
    return 100.0 * (highest - float(np.nanmin(rpm))) >= LEAST_RANGE_PCT * highest


def _is_even(rate_pct_per_s: FloatArray) -> bool:
    size = np.abs(rate_pct_per_s)
    usual = float(np.median(size))
    return float(np.mean((size >= usual / EVEN_FACTOR) & (size <= usual * EVEN_FACTOR))) >= LEAST_EVEN_SHARE


def _bridge(values: FloatArray) -> FloatArray:
    """Return values with gaps no longer than `LONGEST_GAP_S` filled in a straight line."""
    known = np.isfinite(values)
    every = np.arange(values.size)
    return np.where(_long_gaps(known), np.nan, np.interp(every, every[known], values[known]))


def _long_gaps(known: BoolArray) -> BoolArray:
    """Return True where nothing is known for longer than `LONGEST_GAP_S`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~known).astype(np.int8), [0]])))
    long = np.zeros(known.size, dtype=np.bool_)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        long[start:stop] = stop - start > LONGEST_GAP_S
    return long


def _where_course_held(course_deg: FloatArray, whole: slice) -> slice:
    """Return the longest stretch of a run on one course: a turn is no part of it, nor is the recovery from one."""
    piece = _steady_course(course_deg[whole])
    change = np.zeros(piece.size)
    change[_LAG_S:-_LAG_S] = np.abs(piece[2 * _LAG_S :] - piece[: -2 * _LAG_S])
    start, stop = _longest(~(change > TURNING_DEG))
    if start > 0:
        start = min(start + AFTER_TURN_S, stop)
    straight = piece[start:stop]
    off = np.abs(wrap_deg(straight - weighted_direction_deg(straight, np.ones(straight.size))))
    first, last = _longest(~(off > COURSE_HELD_DEG))
    return slice(whole.start + start + first, whole.start + start + last)


def _steady_course(course_deg: FloatArray) -> FloatArray:
    """Return a course without its jumps at north, its short gaps and its single wrong values."""
    known = np.flatnonzero(np.isfinite(course_deg))
    if not known.size:
        return course_deg
    filled = np.interp(np.arange(course_deg.size), known, np.unwrap(course_deg[known], period=360.0))
    padded = np.pad(filled, 2, mode="edge")
    middle: FloatArray = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return middle


def _longest(good: BoolArray) -> tuple[int, int]:
    """Return the longest stretch of True as a half-open interval; an empty one where there is none."""
    edges = np.concatenate([[-1], np.flatnonzero(~good), [good.size]])
    longest = int(np.argmax(np.diff(edges)))
    return int(edges[longest]) + 1, int(edges[longest + 1])


def _second_means(samples: pa.Table, name: str, block: int) -> FloatArray:
    """Return means over whole seconds, NaN where nothing is known in a second."""
    n = samples.num_rows // block
    if name not in samples.column_names:
        return np.full(n, np.nan)
    values = floats(samples[name])[: n * block]
    # a moving mean of one block's width, taken at the middle of each block, is the mean of the block
    return rolling_mean(values, block)[block // 2 :: block][:n]


def _middles(samples: pa.Table, name: str, block: int) -> FloatArray:
    """Return the value in the middle of each second: an angle is not averaged across north."""
    n = samples.num_rows // block
    values = floats(samples[name])
    return values[block // 2 : n * block : block]


DEFINITION_U_KN, DEFINITION_U_PCT = 0.3, 3.0
"""Standard uncertainty of what "slowest planing speed" means, the larger of the two: the change is gradual, and the
faster the boat, the more knots it takes (common practice, no source)."""
FLOW_LAG_S = 4.0
"""How long flow and trim take to follow the speed (common practice, no source); what that moves the threshold by is
taken as uncertainty, because its size differs from hull to hull."""


@dataclass(frozen=True, slots=True)
class PlaningThreshold:
    """What the slow runs of a trial show, as in `trialcapture.reduce.summary.Findings`, and the warnings of it."""

    slowest: SlowestPlaning | None
    slow_runs: tuple[JudgedSlowRun, ...]
    warnings: tuple[TrialWarning, ...]


NO_SLOW_RUNS = PlaningThreshold(None, (), ())
"""The result of a trial in which there is none, or no current to take out of it."""


def measure_planing(circumstances: Circumstances, samples: TrialSamples) -> PlaningThreshold:
    """Return the slowest planing speed, with the fitted current taken out of every slow run.

    A slow run takes minutes and waves take seconds, so a row a second holds all that it shows.

    Args:
        circumstances: Current, boat and settings.
        samples: Of the trial; the overview is used.
    """
    if circumstances.current_at is None:
        return NO_SLOW_RUNS
    runs = find_slow_runs(samples.overview, circumstances.config.engine_ids)
    currents, us = [], []
    for run in runs:
        asked_ns = np.linspace(run.t_ns[0], run.t_ns[-1], SLOW_LOOKS)
        known, covariance = circumstances.current_at(asked_ns)
        currents.append(np.column_stack([np.interp(run.t_ns, asked_ns, known[:, axis]) for axis in (0, 1)]))
        course = np.nanmean(run.ground_kn, axis=0)
        course /= max(float(np.hypot(*course)), 1e-9)
        us.append(float(np.sqrt(course @ covariance.mean(axis=0) @ course)))
    judged = judge_slow_runs(runs, currents, us, circumstances.legs, circumstances.config)
    slowest = find_slowest_planing(judged)
    return PlaningThreshold(slowest, judged, tuple(planing_warnings(judged, slowest)))


def judge_slow_runs(
    runs: list[SlowRun], current_kn: list[FloatArray], current_u_kn: list[float], legs: Legs, config: Config
) -> tuple[JudgedSlowRun, ...]:
    """Return what each slow run through the hump shows: a threshold, or the reason why none.

    A run can show the threshold when it reaches from clearly displacing to clearly planing: by the volumetric Froude
    number where the displacement is known, by the length Froude number where only the length is. Where neither is, a
    hump must show both in the trim and in speed against rpm, at one speed. Stretches that stay on one side of the
    hump (warming up, slowing from fast to less fast) are no slow runs in this sense and are left out.

    Args:
        runs: From `find_slow_runs`.
        current_kn: Current at every second of each run, north and east.
        current_u_kn: Its standard uncertainty along the course, per run.
        legs: For the trim last noted before a run.
        config: A boat stated not to plane has no such speed.

    Returns:
        In order of time.
    """
    if not config.boat.planing:
        return ()
    hull = _Hull(legs, config)
    judged = []
    for run, current, current_u in zip(runs, current_kn, current_u_kn, strict=True):
        through = run.ground_kn - current
        speed = np.hypot(through[:, 0], through[:, 1])
        smooth = rolling_mean(speed, _SMOOTH_S)
        if not np.isfinite(smooth).any():
            continue
        low, high = float(np.nanmin(smooth)), float(np.nanmax(smooth))
        if not hull.meets_hump(low, high):
            continue
        found = run.fault or hull.falls_short(low, high) or _find_threshold(run, speed, hull)
        begin_ns = int(run.t_ns[0])
        nothing = JudgedSlowRun(
            way=run.way, t=iso_utc(begin_ns), from_kn=low, to_kn=high, speed_kn=None, u_kn=None, basis=None,
            trim=_trim_at(begin_ns, legs), reason="",
        )  # fmt: skip
        if isinstance(found, str):
            judged.append(replace(nothing, reason=found))
            continue
        u = combine_uncertainties(
            found.u_kn, current_u, SOG_BIAS_U_KN, _definition_u_kn(found.speed_kn), _lag_u(smooth, found.speed_kn)
        )
        judged.append(replace(nothing, speed_kn=found.speed_kn, u_kn=u, basis=found.basis))
    return tuple(judged)


def find_slowest_planing(judged: Sequence[JudgedSlowRun]) -> SlowestPlaning | None:
    """Return the slowest planing speed through water, from the way down; None where no slow run shows one.

    A hull that planes holds on to it when slowing down, and must go faster to get there: both values are kept, each
    the mean of the runs that way, and the way down answers the question. Where runs of one way were judged by
    different evidence, those by the running trim count, because speed against rpm tells it far less well.

    Args:
        judged: From `judge_slow_runs`.
    """
    shown = [
        ThresholdRun(way=run.way, t=run.t, speed_kn=run.speed_kn, u_kn=run.u_kn, basis=run.basis, trim=run.trim)
        for run in judged
        if run.speed_kn is not None and run.u_kn is not None and run.basis is not None
    ]
    down, up = (_best_shown([s for s in shown if s.way == way]) for way in ("down", "up"))
    mean_down, mean_up = _mean(down), _mean(up)
    answer, mean = down or up, mean_down or mean_up
    if mean is None:
        return None
    alone = "" if down and up else " only"
    return SlowestPlaning(
        speed_kn=mean.speed_kn,
        u_kn=mean.u_kn,
        from_=f"slow run-{answer[0].way}{alone}, {answer[0].basis}",
        trim=answer[0].trim,
        run_down=mean_down,
        run_up=mean_up,
        runs=(*down, *up),
    )


def is_hysteresis_reversed(found: SlowestPlaning | None) -> bool:
    """Return whether planing ended at a clearly higher speed than it began: no hull does, so one of them is wrong."""
    if found is None or found.run_down is None or found.run_up is None:
        return False
    # the definition is common to both and says nothing about their difference
    both = (found.run_down, found.run_up)
    u = [np.sqrt(max(x.u_kn**2 - _definition_u_kn(x.speed_kn) ** 2, 0.0)) for x in both]
    return bool(found.run_down.speed_kn - found.run_up.speed_kn > 2.0 * combine_uncertainties(*u))


def _definition_u_kn(speed_kn: float) -> float:
    return max(DEFINITION_U_KN, DEFINITION_U_PCT / 100.0 * speed_kn)


class _Hull:
    """What is known of the hull's size, and what that says about a slow run."""

    def __init__(self, legs: Legs, config: Config) -> None:
        kg = load_sheet(config).displacement_kg
        self.volume_m3 = kg and kg / trial_conditions(legs, config).water_density_kg_per_m3
        self.length_m = config.boat.length_m
        self.is_known = self.volume_m3 is not None or self.length_m is not None

    def _number(self, speed_kn: float) -> tuple[float, str]:
        if self.volume_m3 is not None:
            return volumetric_froude_number(speed_kn, self.volume_m3), "volumetric"
        return length_froude_number(speed_kn, self.length_m or 1.0), "length"

    def _limits(self) -> tuple[float, float, float]:
        """Return where displacing ends, where a run is clearly past the hump, and the highest likely threshold."""
        if self.volume_m3 is not None:
            return DISPLACEMENT_FNV, PAST_HUMP_FNV, FULL_PLANING_FNV
        return DISPLACEMENT_FNL, PLANING_FNL, PLANING_FNL

    def meets_hump(self, low_kn: float, high_kn: float) -> bool:
        """Return whether a run comes where the hump may be; any may where the hull is unknown."""
        if not self.is_known:
            return True
        displacing, past, _ = self._limits()
        begins = PLANING_FNV if self.volume_m3 is not None else past
        return self._number(low_kn)[0] < begins and self._number(high_kn)[0] > displacing

    def falls_short(self, low_kn: float, high_kn: float) -> str:
        """Return why a run does not reach from displacing to planing; "" where it does or that cannot be said."""
        if not self.is_known:
            return ""
        (low, kind), (high, _) = self._number(low_kn), self._number(high_kn)
        displacing, past, _ = self._limits()
        if low <= displacing and high >= past:
            return ""
        return (
            f"it covers {low_kn:.1f} to {high_kn:.1f} kn, {kind} Froude numbers {low:.2f} to {high:.2f}; from "
            f"{displacing:g} or less to {past:g} or more is needed"
        )

    def disbelieves(self, speed_kn: float) -> str:
        """Return why a threshold is not plausible for the hull; "" where it is or that cannot be said."""
        if not self.is_known:
            return ""
        number, kind = self._number(speed_kn)
        lowest, _, highest = self._limits()
        if lowest <= number <= highest:
            return ""
        return f"{speed_kn:.1f} kn, {kind} Froude number {number:.2f}, lies outside {lowest:g} to {highest:g}"


def _find_threshold(run: SlowRun, speed_kn: FloatArray, hull: _Hull) -> Hump | str:
    """Return the threshold of one run that reaches over the hump, or why there is none."""
    by_trim = find_hump_by_trim(speed_kn, run.pitch_deg)
    if hull.is_known:
        # a trim that was recorded and shows no hump is not overruled by weaker evidence
        found = find_hump_by_rpm(speed_kn, run.rpm) if by_trim == "" else by_trim
    else:
        by_rpm = find_hump_by_rpm(speed_kn, run.rpm)
        if by_trim == "":
            return "neither displacement nor length is stated, and speed against rpm alone does not tell a hump"
        if isinstance(by_trim, str) or isinstance(by_rpm, str):
            return by_trim if isinstance(by_trim, str) else str(by_rpm)
        if abs(by_trim.speed_kn - by_rpm.speed_kn) > 2.0 * combine_uncertainties(
            by_trim.u_kn, by_rpm.u_kn, _definition_u_kn(by_trim.speed_kn)
        ):
            return f"the trim shows {by_trim.speed_kn:.1f} kn, speed against rpm {by_rpm.speed_kn:.1f} kn"
        found = by_trim
    if isinstance(found, str):
        return found
    return hull.disbelieves(found.speed_kn) or found


def _best_shown(found: list[ThresholdRun]) -> list[ThresholdRun]:
    by_trim = [f for f in found if f.basis == "highest running trim"]
    return by_trim or found


def _mean(found: list[ThresholdRun]) -> MeanThreshold | None:
    if not found:
        return None
    speeds = np.array([f.speed_kn for f in found])
    # the definition and the current are common to all runs, so their mean is no better than one
    u = combine_uncertainties(max(f.u_kn for f in found), float(speeds.std(ddof=1)) if speeds.size > 1 else None)
    return MeanThreshold(float(speeds.mean()), u)


def _lag_u(speed_kn: FloatArray, threshold_kn: float) -> float:
    """Return what a lagging flow does to the threshold: the change of speed there over the lag [kn]."""
    near = np.abs(speed_kn - threshold_kn)
    rate = np.abs(np.gradient(speed_kn))
    return FLOW_LAG_S * float(rate[int(np.nanargmin(near))]) if np.isfinite(near).any() else 0.0


def _trim_at(t_ns: int, legs: Legs) -> str | None:
    earlier = np.flatnonzero(legs.start_ns <= t_ns)
    return legs.trim[int(earlier[-1])] if earlier.size else None


def planing_warnings(runs: Iterable[JudgedSlowRun], slowest: SlowestPlaning | None) -> list[TrialWarning]:
    """Return why slow runs show no planing threshold, and whether the one they show can be believed."""
    found = [
        warn("no-planing-threshold", f"slow run-{run.way} at {run.t[11:16]} UTC", f"{run.reason}.")
        for run in runs
        if run.reason
    ]
    return found + ([warn("planing-reversed")] if is_hysteresis_reversed(slowest) else [])
