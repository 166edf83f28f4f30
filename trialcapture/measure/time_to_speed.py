"""Time from neutral to 5 kn: from the rise of the engine speed to the moment the speed through water passes 5 kn.

The engine speed leaves idle while the boat lies at rest; from then on her speed through the water, along the course
she takes, is what the receiver shows less the current. A start is measured where it really began from rest, on one
course, and where the current is known; else its reason is told. Of the starts one way the fastest counts, because a
throttle can be opened more slowly but not faster than it was; the mean of both ways takes the wind out (common
practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats, integers
from trialcapture.measure.circumstances import Circumstances, TrialSamples
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.current_evidence import UNKNOWN_ABOVE_KN
from trialcapture.reduce.drifts import NEAR_IDLE
from trialcapture.reduce.runs import velocity_kn
from trialcapture.reduce.summary import (
    AnswerLine,
    FigureAxis,
    FigureMark,
    FigureSeries,
    FigureSpec,
    Manoeuvre,
    Measured,
    TrialWarning,
)
from trialcapture.reduce.tables import iso_utc
from trialcapture.reduce.uncertainty import FloatArray, combine_uncertainties

TARGET_KN = 5.0
"""Speed through water at which the clock stops (our choice: every boat that is tried passes it)."""
AT_REST_KN = 0.7
"""Speed through water below which she counts as lying still: what wind and the end of her way leave (common practice,
no source)."""
LONGEST_S = 60.0
"""A start that takes longer to 5 kn is no acceleration (common practice, no source)."""
BEFORE_S, AFTER_S = 12.0, 5.0
"""What of the samples before a start and after its end is looked at (our choice)."""
QUIET_S = (8.0, 2.0)
"""Between so long before the rise and so long before it the engine speed at idle is read (our choice)."""
RISE_RPM = 60.0
"""An engine speed this far above idle has left it: several times what a tachometer wanders (common practice, no
source)."""
FIT_S = 1.0
"""Half width of the straight line that is fitted to the speed about its crossing (our choice)."""
TURNED_DEG = 25.0
"""A course that leaves the mean of the start by more than this, once she moves at `STEERED_KN`, is a turn (common
practice, no source)."""
STEERED_KN = 2.5
"""Speed through water from which her course can be told (common practice, no source)."""
RECEIVER_LAG_U_S = 0.3
"""Standard uncertainty of how late a receiver's speed follows: filters of receivers for small craft lag by 0 to 1 s,
rectangular (common practice, no source)."""
SHOWN_EVERY_S = 0.5
"""Spacing of the points of the figure (our choice)."""
_NAME = "time_to_5_kn"
_KIND, _FROM, _TO = "acceleration", "neutral", "5 kn"
_LABEL = "Time from neutral to 5 kn"


@dataclass(frozen=True, slots=True)
class _Start:
    """One start: the manoeuvre, and the speed through water over the time since the engine speed rose."""

    manoeuvre: Manoeuvre
    since_s: FloatArray
    speed_kn: FloatArray


def measure_time_to_5_kn(circumstances: Circumstances, samples: TrialSamples) -> Measured:
    """Return the time from neutral to 5 kn, and every start that was seen.

    Args:
        circumstances: Current, wind and clocks.
        samples: Of the trial; starts are found in the overview and measured at the full rate.
    """
    starts = [_measure_start(circumstances, samples, *episode) for episode in find_starts(circumstances, samples)]
    claimed = [s for s in starts if s.manoeuvre.claimed]
    ways = [fastest for fastest in map(_fastest, _by_way(claimed)) if fastest is not None]
    reason = ""
    if not starts:
        reason = "no start from idle was seen"
    elif not claimed:
        reason = starts[-1].manoeuvre.reason
    elif len(ways) == 1 and circumstances.conditions.wind_speed_true_kn_mean is None:
        reason = "it was run one way only, and the wind is not known"
    value = u = None
    notes: tuple[str, ...] = (reason,) if reason else ()
    warnings: tuple[TrialWarning, ...] = ()
    if not reason:
        times = [(s.manoeuvre.value or 0.0, s.manoeuvre.u or 0.0) for s in ways]
        value = float(np.mean([t for t, _ in times]))
        # lag, clocks and current are common to both ways, so their mean is no better than the worse of them
        u = max(of_one for _, of_one in times)
        courses = [f"{s.manoeuvre.direction_deg or 0.0:03.0f}°" for s in ways]
        notes = (f"mean of {courses[0]} and {courses[1]}" if len(ways) == 2 else f"one direction only, {courses[0]}",)
        if len(ways) == 1:
            text = f"{_LABEL} was run one direction only: the wind is not taken out of it."
            warnings = (TrialWarning("time-to-5-kn-one-way", "info", text, courses[0]),)
    return Measured(
        name=_NAME,
        claimed=not reason,
        reason=reason,
        answer=AnswerLine(_LABEL, value, u, "s", 2.0, notes),
        manoeuvres=tuple(s.manoeuvre for s in starts),
        warnings=warnings,
        figures=(_figure(claimed),) if claimed else (),
    )


def find_starts(circumstances: Circumstances, samples: TrialSamples) -> list[tuple[int, int, int]]:
    """Return start, rise of the engine speed and stop of every episode in which she passes 5 kn from idle [ns UTC].

    The engine speed leaves idle with less than 5 kn through the water and stays above it until she passes 5 kn.
    """
    overview, engines = samples.overview, circumstances.config.engine
    if overview is None or samples.read is None or circumstances.current_at is None or not engines:
        return []
    if overview.num_rows < 3:
        return []
    t_ns = integers(overview["t"])[0]
    rpm = _mean_rpm(overview, circumstances.config.engine_ids)
    ground = velocity_kn(floats(overview["sog_kn"]), floats(overview["cog_true_deg"]))
    with np.errstate(invalid="ignore"):
        turning = rpm > NEAR_IDLE * max(e.idle_rpm for e in engines)
        rises = np.flatnonzero(turning[1:] & ~turning[:-1] & np.isfinite(rpm[:-1])) + 1
    found: list[tuple[int, int, int]] = []
    for k in rises:
        last = int(np.searchsorted(t_ns, t_ns[k] + round(LONGEST_S * 1e9)))
        through = np.hypot(*(ground[k - 1 : last] - circumstances.current_at(t_ns[k : k + 1])[0]).T)
        passed = np.flatnonzero(through >= TARGET_KN)
        if not passed.size or passed[0] == 0 or not turning[k : k + passed[0]].all():
            continue
        begin, end = t_ns[k] - round(BEFORE_S * 1e9), t_ns[k - 1 + passed[0]] + round(AFTER_S * 1e9)
        found.append((int(begin), int(t_ns[k]), int(end)))
    return found


def _mean_rpm(samples: pa.Table, engine_ids: Sequence[str]) -> FloatArray:
    return np.asarray(np.mean([floats(samples[f"rpm_{e}"]) for e in engine_ids], axis=0), dtype=np.float64)


def _measure_start(
    circumstances: Circumstances, samples: TrialSamples, begin_ns: int, rise_ns: int, end_ns: int
) -> _Start:
    """Return what one start shows, from its samples at full rate."""
    engine_ids = circumstances.config.engine_ids
    rpm_names = [f"rpm_{e}" for e in engine_ids]
    columns = ["t", "sog_kn", "cog_true_deg", "velocity_age_s", *rpm_names, *(f"{n}_age_s" for n in rpm_names)]
    assert samples.read is not None
    assert circumstances.current_at is not None
    table = samples.read(begin_ns, end_ns, columns)
    t_ns = integers(table["t"])[0]
    t_s = (t_ns - rise_ns) / 1e9
    current, covariance = circumstances.current_at(np.array([rise_ns], dtype=np.int64))
    through = velocity_kn(floats(table["sog_kn"]), floats(table["cog_true_deg"])) - current
    nothing = Manoeuvre(
        kind=_KIND, start=iso_utc(rise_ns), direction_deg=None, from_=_FROM, to=_TO, value=None, u=None, unit="s",
        conditions="", claimed=False, reason="",
    )  # fmt: skip

    def refused(reason: str) -> _Start:
        return _Start(replace(nothing, reason=reason), np.zeros(0), np.zeros(0))

    rpm = _mean_rpm(table, engine_ids)
    rise = find_rise_s(t_s, rpm, _interval_s(table, f"{rpm_names[0]}_age_s"))
    if rise is None:
        return refused("the engine speed at its rise is not known")
    rise_s, rise_u_s = rise
    nothing = replace(nothing, start=iso_utc(rise_ns + round(rise_s * 1e9)))
    speed = np.hypot(through[:, 0], through[:, 1])
    before = speed[(t_s >= rise_s - 3.0) & (t_s < rise_s)]
    if not np.isfinite(before).all() or not before.size:
        return refused("the speed before the start is not known")
    if float(np.median(before)) > AT_REST_KN:
        return refused(f"she made {np.median(before):.1f} kn through the water when the engine speed rose")
    moving = (t_s > rise_s) & (speed >= STEERED_KN)
    if not moving.any():
        return refused("the speed about 5 kn is not known")
    ahead = through[moving].mean(axis=0)
    ahead /= float(np.hypot(*ahead))
    nothing = replace(nothing, direction_deg=float(np.degrees(np.arctan2(ahead[1], ahead[0])) % 360.0))
    turned = wrap_deg(np.degrees(np.arctan2(through[moving, 1], through[moving, 0])) - (nothing.direction_deg or 0.0))
    if float(np.abs(turned).max()) > TURNED_DEG:
        return refused("she turned")
    current_u = float(np.sqrt(ahead @ covariance[0] @ ahead))
    if not circumstances.shows_current or current_u > UNKNOWN_ABOVE_KN:
        return refused("the current along her course is not known well enough")
    along = through @ ahead
    interval_s = _interval_s(table, "velocity_age_s")
    crossing = find_crossing_s(t_s, along, rise_s, interval_s)
    if crossing is None:
        return refused("the speed about 5 kn is not known")
    cross_s, cross_u_s, kn_per_s = crossing
    u = combine_uncertainties(
        rise_u_s, cross_u_s, RECEIVER_LAG_U_S, circumstances.clock_u_s,
        SOG_BIAS_U_KN / kn_per_s, current_u / kn_per_s,
    )  # fmt: skip
    at = int(np.argmin(np.abs(t_s - cross_s)))
    conditions = f"engine speed {rpm[at]:.0f} rpm at {_TO}" if np.isfinite(rpm[at]) else ""
    made = replace(nothing, value=cross_s - rise_s, u=u, conditions=conditions, claimed=True)
    return _Start(made, t_s - rise_s, along)


def find_rise_s(t_s: FloatArray, rpm: FloatArray, interval_s: float) -> tuple[float, float] | None:
    """Return when the engine speed left idle, and the standard uncertainty of that [s]; None where it is not known.

    The line through `RISE_RPM` and twice that above idle is drawn back to idle. Where the tachometer is read seldom,
    that line begins at the last reading at idle, and the throttle was opened anywhere up to the next one: the middle
    is taken, rectangular.

    Args:
        t_s: Times, zero where the rise was seen in the overview, shape (N,).
        rpm: Mean engine speed, shape (N,), NaN where unknown.
        interval_s: Between readings of the tachometer.

    Source: GUM (JCGM 100:2008) 4.3.7, rectangular distribution.
    """
    idle = rpm[(t_s >= -QUIET_S[0]) & (t_s < -QUIET_S[1])]
    after = (t_s >= -QUIET_S[1]) & (t_s <= QUIET_S[1])
    if not idle.size or not np.isfinite(idle).all() or not np.isfinite(rpm[after]).all():
        return None
    excess, at = rpm[after] - float(np.median(idle)), t_s[after]
    crossings = []
    for level in (RISE_RPM, 2.0 * RISE_RPM):
        # from the last sample at idle: what wandered above it before is no rise
        above = np.flatnonzero((excess[1:] >= level) & (excess[:-1] < level))
        if not above.size:
            return None
        k = int(above[0])
        crossings.append(at[k] + (level - excess[k]) / (excess[k + 1] - excess[k]) * (at[k + 1] - at[k]))
    first, second = crossings
    drawn_back = max(second - first, 0.0)
    return float(first - drawn_back + interval_s / 2.0), combine_uncertainties(
        interval_s / float(np.sqrt(12.0)), drawn_back / float(np.sqrt(12.0))
    )


def find_crossing_s(
    t_s: FloatArray, along_kn: FloatArray, rise_s: float, interval_s: float
) -> tuple[float, float, float] | None:
    """Return when the speed first passes 5 kn, the standard uncertainty of that [s], and how fast it rises [kn/s].

    A straight line is fitted to the speed within `FIT_S` of the first crossing; what it leaves, for as many readings as
    the receiver gave, is the scatter of the crossing. Between two readings the speed is a guess: the interval adds a
    rectangular term. None where the speed about the crossing is not known or does not rise.

    Args:
        t_s: Times, shape (N,).
        along_kn: Speed through water along the course, shape (N,), NaN where unknown.
        rise_s: When the engine speed rose.
        interval_s: Between readings of the receiver.

    Source: GUM (JCGM 100:2008) H.3, line fitted by least squares, and 4.3.7.
    """
    with np.errstate(invalid="ignore"):
        passed = np.flatnonzero((along_kn[1:] >= TARGET_KN) & (along_kn[:-1] < TARGET_KN) & (t_s[1:] > rise_s))
    if not passed.size:
        return None
    k = int(passed[0])
    first = t_s[k] + (TARGET_KN - along_kn[k]) / (along_kn[k + 1] - along_kn[k]) * (t_s[k + 1] - t_s[k])
    width = max(FIT_S, 1.5 * interval_s)
    near = (np.abs(t_s - first) <= width) & (t_s >= rise_s)
    if near.sum() < 3 or not np.isfinite(along_kn[near]).all():
        return None
    slope, level = np.polyfit(t_s[near] - first, along_kn[near], 1)
    if slope <= 0.0:
        return None
    left = along_kn[near] - (level + slope * (t_s[near] - first))
    readings = max(float(np.ptp(t_s[near])) / max(interval_s, 1e-3), 2.0)
    scatter = float(left.std()) / float(np.sqrt(readings)) / float(slope)
    u = combine_uncertainties(scatter, interval_s / float(np.sqrt(12.0)))
    return float(first + (TARGET_KN - level) / slope), u, float(slope)


def _interval_s(table: pa.Table, age_name: str) -> float:
    """Return the time between readings of a channel: the oldest a sample of it gets, and a step of the grid [s]."""
    age_s = floats(table[age_name])
    known = age_s[np.isfinite(age_s)]
    step_s = float(np.median(np.diff(integers(table["t"])[0]))) / 1e9 if table.num_rows > 1 else 0.0
    return (float(np.quantile(known, 0.9)) if known.size else 0.0) + step_s


def _by_way(starts: list[_Start]) -> tuple[list[_Start], list[_Start]]:
    """Return the starts that go the way of the first one, and the others."""
    if not starts:
        return [], []
    courses = np.array([s.manoeuvre.direction_deg or 0.0 for s in starts])
    ahead = np.abs(wrap_deg(courses - courses[0])) <= 90.0
    out = [s for s, is_ahead in zip(starts, ahead, strict=True) if is_ahead]
    return out, [s for s, is_ahead in zip(starts, ahead, strict=True) if not is_ahead]


def _fastest(starts: list[_Start]) -> _Start | None:
    return min(starts, key=lambda s: s.manoeuvre.value or np.inf, default=None)


def _figure(starts: list[_Start]) -> FigureSpec:
    """Return the speed through water of every claimed start over the time since the engine speed rose."""
    series = []
    for start in starts:
        last_s = (start.manoeuvre.value or 0.0) + AFTER_S
        shown = np.arange(0.0, last_s, SHOWN_EVERY_S)
        speed = np.interp(shown, start.since_s, np.nan_to_num(start.speed_kn))
        label = f"{start.manoeuvre.start[11:19]} UTC on {start.manoeuvre.direction_deg or 0.0:03.0f}°"
        series.append(FigureSeries(label, tuple(shown.tolist()), tuple(speed.tolist()), None, "line"))
    marks = tuple(FigureMark(s.manoeuvre.value or 0.0, TARGET_KN, s.manoeuvre.start[11:19]) for s in starts)
    return FigureSpec(
        name=_NAME,
        title=_LABEL,
        x=FigureAxis("Time since the engine speed rose", "s"),
        y=FigureAxis("Speed through water", "kn"),
        series=tuple(series),
        marks=marks,
        caption="Speed over ground along the course, less the fitted current; the marks are where it passes 5 kn.",
    )
