"""Accelerations: from the rise of the engine speed to the moment the speed through water passes 5 kn, 20 kn, 30 mph,
or the boat is on the plane.

The engine speed leaves idle; from then on her speed through the water, along the course she takes, is what the receiver
shows less the current, and as much earlier as the receiver is late. A start is measured where it went straight and the
current is known; else its reason is told. It counts from rest where she lay still, else from idle ahead. Of the starts
one way the fastest counts, because a throttle can be opened more slowly but not faster than it was; the mean of both
ways takes wind and current out (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from trialcapture.buffers import floats, integers
from trialcapture.measure.circumstances import (
    COUNTED_U_S,
    MARK_U_S,
    MOST_SHOWN,
    QUIET_S,
    SHOWN_EVERY_S,
    Circumstances,
    Crossing,
    Episode,
    KnownCurrent,
    Parts,
    TrialSamples,
    are_opposite,
    common_time_u_s,
    course_text,
    described,
    find_crossing,
    integral,
    known_current,
    level_left_s,
    marked_spans,
    mean_noise_kn,
    mean_of_ways,
    mean_rpm,
    read_episode,
    speed_noise_kn,
)
from trialcapture.measure.turning import find_turn_currents
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.current_evidence import UNKNOWN_ABOVE_KN
from trialcapture.reduce.runs import NEAR_IDLE, velocity_kn
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
from trialcapture.reduce.uncertainty import FloatArray, combine_uncertainties
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

KN_PER_MPH = 1609.344 / 1852.0
"""Statute miles an hour in knots, exact (international mile 1609.344 m, nautical mile 1852 m)."""
PLANE = "plane"
TARGETS_KN = {"5 kn": 5.0, "20 kn": 20.0, "30 mph": 30.0 * KN_PER_MPH}
"""Speeds through water at which the clock stops: every boat passes the first (our choice), planing boats the others
(common practice, no source)."""
AT_REST_KN = 0.7
"""Speed through water below which she counts as lying still: what wind and the end of her way leave (common practice,
no source)."""
AHEAD_FROM_KN = 2.0
"""From this speed on she runs ahead at idle; slower, she neither lies still nor has a speed of her own (common
practice, no source)."""
GAINED_KN = 3.0
"""A target counts from idle ahead where it lies so much above the speed at the start (our choice)."""
EPISODE_KN = 4.0
"""An acceleration gains at least so much through the water within `LONGEST_S` (our choice)."""
LONGEST_S = 90.0
"""A start that takes longer is no acceleration (common practice, no source)."""
BEFORE_S, AFTER_S = 12.0, 8.0
"""What of the samples before a start and after its end is looked at (our choice)."""
REST_S = 3.0
"""The speed at the start is that of so long before it (our choice)."""
EASED_SHARE = 0.85
"""The throttle was eased where the engine speed fell below this share of the highest before (our choice)."""
TURNED_DEG = 25.0
"""A course that leaves the mean of the start by more than this, once she moves at `STEERED_KN`, is a turn (common
practice, no source)."""
STEERED_KN = 4.0
"""Speed through water from which her course can be told (common practice, no source)."""
SLOWER_SHARE = 1.25
"""A start that takes this much longer than the fastest of its way had the throttle opened more slowly (common
practice, no source)."""
PLANING_FROUDE = 2.5
"""Volumetric Froude number from which a hull planes, where no hump of the trim tells it; 2.5 to 3 in use, no definition
is published (common practice, no source)."""
DISPLACEMENT_U_SHARE = 0.03
"""Standard uncertainty of a displacement from a load sheet, as a share (common practice, no source)."""
PITCH_U_S = 0.3
"""Standard uncertainty of how late a pitch sensor follows (common practice, no source)."""
PLANING_TRIM_DEG = 1.0
"""On the plane: trim back within so much of where it settles (common practice, no source)."""
TRIM_SETTLED_S = 10.0
"""Trim settles at its mean over so long before the throttle is moved again (our choice)."""
_KIND, _GONE, _REST, _AHEAD = "acceleration", "acceleration distance", "0 kn", "idle ahead"
_LABELS = {
    ("5 kn", _REST): "Time from neutral to 5 kn", ("20 kn", _REST): "0 to 20 kn", ("30 mph", _REST): "0 to 30 mph",
    (PLANE, _REST): "From rest to the plane", ("5 kn", _AHEAD): "Idle ahead to 5 kn",
    ("20 kn", _AHEAD): "Idle ahead to 20 kn", ("30 mph", _AHEAD): "Idle ahead to 30 mph",
    (PLANE, _AHEAD): "Idle ahead to the plane",
}  # fmt: skip
_NAMES = {"5 kn": "time_to_5_kn", "20 kn": "time_to_20_kn", "30 mph": "time_to_30_mph", PLANE: "time_to_plane"}


@dataclass(frozen=True, slots=True)
class _Start:
    """One start: where it began, and per target what it shows; the speed over the time since, for the figure."""

    utc: str
    course_deg: float | None
    from_: str
    reason: str = ""
    times: dict[str, tuple[Parts, str]] = field(default_factory=dict)
    gone_m: dict[str, Parts] = field(default_factory=dict)
    open_: dict[str, str] = field(default_factory=dict)
    since_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    speed_kn: FloatArray = field(default_factory=lambda: np.zeros(0))
    has_current: bool = True


@dataclass(frozen=True, slots=True)
class Seen:
    """Where an acceleration was seen: from and to [ns UTC] its samples are read, its start, and what tells that."""

    begin_ns: int
    start_ns: int
    end_ns: int
    by_mark: bool = False


def measure_acceleration(circumstances: Circumstances, samples: TrialSamples) -> tuple[Measured, ...]:
    """Return the time to each speed that was reached, and every start that was seen.

    Args:
        circumstances: Current, wind and clocks.
        samples: Of the trial; starts are found in the overview and measured at the full rate.
    """
    seen = find_starts(circumstances, samples)
    turns = find_turn_currents(circumstances, samples) if seen else []
    starts = [_measure_start(circumstances, samples, start, turns) for start in seen]
    if not starts:
        return (_nothing("5 kn", "no start from idle was seen"),)
    if all(s.reason for s in starts):
        rows = tuple(_row(s, "5 kn", s.reason) for s in starts)
        return (_nothing("5 kn", starts[-1].reason, rows),)
    reached = [t for t in (*TARGETS_KN, PLANE) if any(t in s.times for s in starts)]
    found = [_measured(circumstances, starts, target) for target in reached]
    refused = tuple(_row(s, reached[0] if reached else "5 kn", s.reason) for s in starts if s.reason)
    if not found:
        return (_nothing("5 kn", next(iter(starts[0].open_.values()), starts[0].reason), refused),)
    return (_with(found[0], refused, _figure([s for s in starts if s.times])), *found[1:])


def _with(first: Measured, rows: tuple[Manoeuvre, ...], figure: FigureSpec) -> Measured:
    return Measured(
        first.name, first.claimed, first.reason, first.answer, (*rows, *first.manoeuvres), first.warnings, (figure,)
    )


def _nothing(target: str, reason: str, rows: tuple[Manoeuvre, ...] = ()) -> Measured:
    line = AnswerLine(_LABELS[target, _REST], None, None, "s", 2.0, (reason,))
    return Measured(_NAMES[target], False, reason, line, rows, (), ())


def find_starts(circumstances: Circumstances, samples: TrialSamples) -> list[Seen]:
    """Return every episode in which the engine speed leaves idle and she gains `EPISODE_KN` through the water.

    Where no engine speed is known, what lies between two marks is taken, if she lay still at the first of them.
    """
    overview, engines = samples.overview, circumstances.config.engine
    if overview is None or samples.read is None or overview.num_rows < 3:
        return []
    t_ns = integers(overview["t"])[0]
    rpm = mean_rpm(overview, circumstances.config.engine_ids)
    ground = velocity_kn(floats(overview["sog_kn"]), floats(overview["cog_true_deg"]))
    found: list[Seen] = []
    with np.errstate(invalid="ignore"):
        turning = rpm > NEAR_IDLE * max((e.idle_rpm for e in engines), default=0.0)
        rises = np.flatnonzero(turning[1:] & ~turning[:-1] & np.isfinite(rpm[:-1])) + 1
    for k in rises.tolist():
        last = int(np.searchsorted(t_ns, t_ns[k] + round(LONGEST_S * 1e9)))
        held = _not_eased(rpm[k:last])
        if not _gained_kn(ground, k, k + held) >= EPISODE_KN:
            continue
        begin, end = t_ns[k] - round(BEFORE_S * 1e9), t_ns[k + held - 1] + round(AFTER_S * 1e9)
        found.append(Seen(int(begin), int(t_ns[k]), int(end)))
    for a, b in marked_spans(circumstances):
        first, last = np.searchsorted(t_ns, [a.t_ns, b.t_ns])
        if first < 3 or last - first < 3 or np.isfinite(rpm[first:last]).any():
            continue
        if _gained_kn(ground, int(first), int(last)) >= EPISODE_KN:
            found.append(Seen(a.t_ns - round(BEFORE_S * 1e9), a.t_ns, b.t_ns, by_mark=True))
    return found


def _gained_kn(ground: FloatArray, first: int, last: int) -> float:
    """Return what she gains along the way she goes from one row to another [kn]: losing way is no gain."""
    before = np.nan_to_num(ground[max(first - 2, 0)])
    change = ground[first:last] - before
    size = np.nan_to_num(np.hypot(change[:, 0], change[:, 1]))
    if not size.size:
        return 0.0
    most = int(np.argmax(size))
    after = np.hypot(*np.nan_to_num(ground[first + most]))
    return float(size[most]) if after > np.hypot(*before) + 1.0 else 0.0


def _not_eased(rpm: FloatArray) -> int:
    """Return how many rows it takes until the engine speed falls off again, at least one."""
    eased = np.flatnonzero(~(rpm >= EASED_SHARE * np.maximum.accumulate(np.nan_to_num(rpm))))
    return max(int(eased[0]) if eased.size else rpm.size, 1)


def _measure_start(
    circumstances: Circumstances, samples: TrialSamples, seen: Seen, turns: Sequence[tuple[int, KnownCurrent]]
) -> _Start:
    """Return what one start shows, from its samples at full rate."""
    episode = read_episode(circumstances, samples, seen.begin_ns, seen.end_ns, seen.start_ns)
    current = known_current(circumstances, seen.start_ns, turns)
    through = episode.through_kn(current.north_east_kn)
    t_s, speed = episode.t_s, np.hypot(through[:, 0], through[:, 1])
    rise = (0.0, MARK_U_S) if seen.by_mark else level_left_s(circumstances, episode)
    if rise is None:
        near = np.isfinite(episode.rpm[(t_s > -QUIET_S[0]) & (t_s < QUIET_S[1])])
        slowly = near.size and near.all()
        why = "the throttle was opened slowly" if slowly else "the engine speed at its rise is not known"
        return _Start(episode.utc(0.0), None, _REST, why)
    rise_s, rise_u_s = rise
    utc = episode.utc(rise_s)
    before = speed[(t_s >= rise_s - REST_S) & (t_s < rise_s)]
    if not before.size or not np.isfinite(before).all():
        return _Start(utc, None, _REST, "the speed before the start is not known")
    at_start_kn = float(np.median(before))
    # what the current may be wrong by is no way of her own
    still_kn = AT_REST_KN + min(2.0 * current.worst_u_kn, UNKNOWN_ABOVE_KN)
    from_ = _REST if at_start_kn <= still_kn else _AHEAD
    if from_ == _AHEAD and at_start_kn < AHEAD_FROM_KN:
        moved = f"she made {at_start_kn:.1f} kn through the water when the engine speed rose"
        return _Start(utc, None, _REST, moved)
    last_s = rise_s + _held_s(episode, rise_s)
    moving = (t_s > rise_s) & (t_s <= last_s) & (speed >= max(STEERED_KN, at_start_kn))
    if not moving.any():
        return _Start(utc, None, from_, "the speed after the start is not known")
    ahead = through[moving].mean(axis=0)
    ahead /= float(np.hypot(*ahead))
    course_deg = float(np.degrees(np.arctan2(ahead[1], ahead[0])) % 360.0)
    turned = wrap_deg(np.degrees(np.arctan2(through[moving, 1], through[moving, 0])) - course_deg)
    if float(np.abs(turned).max()) > TURNED_DEG:
        return _Start(utc, course_deg, from_, "she turned")
    run = _Run(
        episode, through @ ahead, rise_s, rise_u_s, last_s, at_start_kn, from_, speed_noise_kn(circumstances),
        current.u_along(ahead), common_time_u_s(circumstances, seen.by_mark),
    )  # fmt: skip
    start = _Start(utc, course_deg, from_, has_current=bool(current.origin))
    run.measure(circumstances, start)
    shown = t_s <= last_s
    return replace(start, since_s=(t_s - rise_s)[shown], speed_kn=run.along_kn[shown])


@dataclass(frozen=True, slots=True)
class _Run:
    """One straight acceleration: the speed along its course, and what is uncertain of it."""

    episode: Episode
    along_kn: FloatArray
    rise_s: float
    rise_u_s: float
    last_s: float
    at_start_kn: float
    from_: str
    noise_kn: float
    current_u_kn: float
    common_s: float

    def measure(self, circumstances: Circumstances, start: _Start) -> None:
        """Fill a start with its time and distance to each target, or why there is none."""
        is_planing = circumstances.config.boat.planing
        by_trim = _planing_by_trim(self.episode, self.rise_s, self.last_s) if is_planing else None
        t_s, along = self.episode.t_s, self.along_kn
        gone_kn_s = integral(t_s, along)
        reached_kn = float(np.nanmax(along[(t_s > self.rise_s) & (t_s <= self.last_s)], initial=0.0))
        for name, target in (TARGETS_KN | (_planing_target(circumstances) if by_trim is None else {})).items():
            if target < self.at_start_kn + GAINED_KN:
                continue
            if reached_kn <= target:
                start.open_[name] = f"she did not reach {name}"
                continue
            crossing = find_crossing(
                t_s, along, target, self.rise_s, interval_s=self.episode.speed_every_s, noise_kn=self.noise_kn
            )
            if crossing is None:
                start.open_[name] = f"the speed about {name} is not known"
                continue
            start.times[name] = self._timed(name, target, crossing)
            start.gone_m[name] = self._gone(gone_kn_s, crossing, target)
        if by_trim is not None:
            at_s, own_s = by_trim
            own, late_s = combine_uncertainties(own_s, self.rise_u_s), combine_uncertainties(COUNTED_U_S, PITCH_U_S)
            judged = f"trim within {PLANING_TRIM_DEG:.0f}° of where it settled"
            start.times[PLANE] = (Parts(at_s - self.rise_s, own, late_s), f"{self._conditions(at_s)}, {judged}")

    def _timed(self, name: str, target: float, crossing: Crossing) -> tuple[Parts, str]:
        common = combine_uncertainties(self.common_s, SOG_BIAS_U_KN / crossing.kn_per_s)
        conditions = self._conditions(crossing.t_s)
        if name == PLANE:
            # V goes with the sixth root of the displacement
            common = combine_uncertainties(common, DISPLACEMENT_U_SHARE / 6.0 * target / crossing.kn_per_s)
            conditions += f", planing from volumetric Froude number {PLANING_FROUDE}, {target:.1f} kn"
        own = combine_uncertainties(crossing.u_s, self.rise_u_s)
        return Parts(crossing.t_s - self.rise_s, own, common, self.current_u_kn / crossing.kn_per_s), conditions

    def _gone(self, gone_kn_s: FloatArray, crossing: Crossing, target_kn: float) -> Parts:
        """Return the distance through the water: a clock or a lag shifts the whole curve and leaves it."""
        first, last = np.interp([self.rise_s, crossing.t_s], self.episode.t_s, gone_kn_s)
        span_s, to_m = crossing.t_s - self.rise_s, KN_M_PER_S
        reach_s = span_s + target_kn / crossing.kn_per_s
        noise = mean_noise_kn(self.noise_kn, span_s) * span_s
        return Parts(
            value=float(last - first) * to_m,
            own=combine_uncertainties(noise, crossing.u_s * target_kn, self.at_start_kn * self.rise_u_s) * to_m,
            common=combine_uncertainties(SOG_BIAS_U_KN * reach_s, self.at_start_kn * self.common_s) * to_m,
            way=self.current_u_kn * reach_s * to_m,
        )

    def _conditions(self, at_s: float) -> str:
        rpm = self.episode.rpm[int(np.argmin(np.abs(self.episode.t_s - at_s)))]
        said = [f"engine speed {rpm:.0f} rpm at the end"] if np.isfinite(rpm) else []
        said += [f"{self.at_start_kn:.1f} kn through the water at the start"] if self.from_ == _AHEAD else []
        return ", ".join(said)


def _held_s(episode: Episode, rise_s: float) -> float:
    """Return for how long from its rise on the engine speed was held [s]."""
    after = np.flatnonzero(episode.t_s > rise_s + 1.0)
    if not after.size or not np.isfinite(episode.rpm[after]).any():
        return float(episode.t_s[-1] - rise_s)
    held = _not_eased(episode.rpm[after])
    return float(episode.t_s[after[min(held, after.size - 1)]] - rise_s)


def _planing_target(circumstances: Circumstances) -> dict[str, float]:
    """Return the speed at which she planes by her Froude number; nothing for a boat that does not plane."""
    volume = circumstances.volume_m3
    if not circumstances.config.boat.planing or not volume:
        return {}
    return {PLANE: PLANING_FROUDE * float(np.sqrt(G_M_PER_S2 * volume ** (1 / 3))) / KN_M_PER_S}


def _planing_by_trim(episode: Episode, rise_s: float, last_s: float) -> tuple[float, float] | None:
    """Return when the trim was back within `PLANING_TRIM_DEG` of where it settles, and its own uncertainty [s]."""
    run = (episode.t_s > rise_s) & (episode.t_s <= last_s) & np.isfinite(episode.pitch_deg)
    t_s, pitch = episode.t_s[run], episode.pitch_deg[run]
    if t_s.size < 30 or t_s[-1] - rise_s < TRIM_SETTLED_S + 5.0:
        return None
    settled_run = t_s > t_s[-1] - TRIM_SETTLED_S
    settled = float(pitch[settled_run].mean())
    spread = float(pitch[settled_run].std())
    smooth = _running_mean(t_s, pitch, 2.0)
    top = int(np.argmax(smooth[t_s < t_s[-1] - TRIM_SETTLED_S])) if (t_s < t_s[-1] - TRIM_SETTLED_S).any() else 0
    if smooth[top] < settled + 2.0 * PLANING_TRIM_DEG + 2.0 * spread:
        return None
    crossing = find_crossing(
        t_s[top:], smooth[top:], settled + PLANING_TRIM_DEG, float(t_s[top]), interval_s=0.5, sense=-1
    )
    if crossing is None:
        return None
    # the level is a mean over the last seconds, the curve a mean over two: waves are seen half by each
    noise = spread * combine_uncertainties(1.0 / np.sqrt(TRIM_SETTLED_S / 2.0), 0.7)
    return crossing.t_s, combine_uncertainties(crossing.u_s, noise / abs(crossing.kn_per_s))


def _running_mean(t_s: FloatArray, values: FloatArray, span_s: float) -> FloatArray:
    gone = np.concatenate([[0.0], np.cumsum(values)])
    low = np.searchsorted(t_s, t_s - span_s / 2.0)
    high = np.searchsorted(t_s, t_s + span_s / 2.0, side="right")
    return np.asarray((gone[high] - gone[low]) / (high - low), dtype=np.float64)


# ------------------------------------------------------------------------------
# From starts to an answer.
# ------------------------------------------------------------------------------


def _row(start: _Start, target: str, reason: str) -> Manoeuvre:
    return described(_KIND, start.utc, start.course_deg, start.from_, target, "s", reason=reason)


def _measured(circumstances: Circumstances, starts: Sequence[_Start], target: str) -> Measured:
    """Return the answer for one target, with a row for every start."""
    from_ = _REST if any(target in s.times and s.from_ == _REST for s in starts) else _AHEAD
    mine = [s for s in starts if target in s.times and s.from_ == from_]
    ways = _by_way(mine)
    fastest = [min(way, key=lambda s: s.times[target][0].value) for way in ways if way]
    rows: list[Manoeuvre] = []
    for s in starts:
        if s.reason:
            continue
        if target not in s.times:
            rows += [_row(s, target, s.open_[target])] if target in s.open_ and s.from_ == from_ else []
            continue
        parts, conditions = s.times[target]
        best = min((f.times[target][0].value for f in fastest if _same_way(f, s)), default=parts.value)
        reason = "" if s.has_current else _NO_CURRENT
        if s in mine and parts.value > SLOWER_SHARE * best + 2.0 * parts.u:
            reason = "the throttle was opened more slowly than at the fastest start this way"
        rows.append(
            described(
                _KIND, s.utc, s.course_deg, s.from_, target, "s", parts=parts, conditions=conditions, reason=reason
            )
        )
        if target in s.gone_m:
            rows.append(
                described(
                    _GONE, s.utc, s.course_deg, s.from_, target, "m", parts=s.gone_m[target], conditions=conditions,
                    reason=reason,
                )
            )  # fmt: skip
    reason = ""
    if len(fastest) == 1 and not fastest[0].has_current:
        reason = _NO_CURRENT
    elif len(fastest) == 1 and circumstances.conditions.wind_speed_true_kn_mean is None:
        reason = "it was run one way only, and the wind is not known"
    label = _LABELS[target, from_]
    name = _NAMES[target] if from_ == _REST else f"{_NAMES[target]}_from_idle"
    if reason:
        line = AnswerLine(label, None, None, "s", 2.0, (reason,))
        return Measured(name, False, reason, line, tuple(rows), (), ())
    courses = [f"{course_text(s.course_deg)}°" for s in fastest]
    warnings: tuple[TrialWarning, ...] = ()
    if len(fastest) == 2:
        made = mean_of_ways(*(s.times[target][0] for s in fastest))
        notes = [f"mean of {courses[0]} and {courses[1]}"]
        both = " and ".join(course_text(s.course_deg) for s in fastest)
        rows.append(
            described(_KIND, fastest[0].utc, "both", from_, target, "s", parts=made, conditions=f"mean of {both}")
        )
        if all(target in s.gone_m for s in fastest):
            gone = mean_of_ways(*(s.gone_m[target] for s in fastest))
            rows.append(
                described(_GONE, fastest[0].utc, "both", from_, target, "m", parts=gone, conditions=f"mean of {both}")
            )
    else:
        made = fastest[0].times[target][0]
        notes = [f"one direction only, {courses[0]}"]
        text = f"{label} was run one direction only: the wind is not taken out of it."
        warnings = (TrialWarning(f"{name.replace('_', '-')}-one-way", "info", text, courses[0]),)
    line = AnswerLine(label, made.value, made.u, "s", 2.0, tuple(notes))
    return Measured(name, True, "", line, tuple(rows), warnings, ())


_NO_CURRENT = "the current along her course is not known well enough, and it was not run both ways"


def _by_way(starts: Sequence[_Start]) -> tuple[list[_Start], list[_Start]]:
    """Return the starts that go the way of the first one, and those the other way."""
    if not starts:
        return [], []
    first = starts[0]
    return [s for s in starts if _same_way(first, s)], [
        s for s in starts if are_opposite(first.course_deg or 0.0, s.course_deg or 0.0)
    ]


def _same_way(a: _Start, b: _Start) -> bool:
    return are_opposite(a.course_deg or 0.0, (b.course_deg or 0.0) + 180.0)


def _figure(starts: Sequence[_Start]) -> FigureSpec:
    """Return the speed through water of every start over the time since the engine speed rose."""
    series, marks = [], []
    for start in starts[:MOST_SHOWN]:
        last_s = max(parts.value for parts, _ in start.times.values()) + AFTER_S
        shown = np.arange(0.0, min(last_s, float(start.since_s[-1])), SHOWN_EVERY_S)
        speed = np.interp(shown, start.since_s, np.nan_to_num(start.speed_kn))
        label = f"{course_text(start.course_deg)}° {start.utc[11:19]}"
        series.append(FigureSeries(label, tuple(shown.tolist()), tuple(speed.tolist()), None, "line"))
    for name, target in TARGETS_KN.items():
        timed = [s.times[name][0].value for s in starts if name in s.times]
        if timed:
            marks.append(FigureMark(min(timed), target, name))
    return FigureSpec(
        name="acceleration",
        title="Acceleration",
        x=FigureAxis("Time since the engine speed rose", "s"),
        y=FigureAxis("Speed through water", "kn"),
        series=tuple(series),
        marks=tuple(marks),
        caption="Speed over ground along the course, less the current, the receiver's lag taken out. The marks are "
        "where the fastest start passes each speed.",
    )
