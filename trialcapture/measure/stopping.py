"""Stops: time, track reach and head reach from the fall of the engine speed to a stated speed through the water.

A stop begins where the engine speed leaves its level, and is over when she is slower than 5 or 2 kn through the water
(a boat that drifts to rest never ends to grow slower, so a speed is stated). The track reach is the distance along the
path, the head reach that along the course before (IMO resolution MSC.137(76), section 4.2), both through the water:
over ground less the current. In neutral and with the gear astern are two kinds of stop, told apart by the engine speed
on the way; the mean of both ways takes wind and current out (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from trialcapture.buffers import floats, integers
from trialcapture.measure.circumstances import (
    LEVEL_RPM,
    MARK_U_S,
    MOST_SHOWN,
    SHOWN_EVERY_S,
    Circumstances,
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
from trialcapture.reduce.runs import NEAR_IDLE, IntArray, velocity_kn
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
from trialcapture.reduce.uncertainty import BoolArray, FloatArray, combine_uncertainties
from trialcapture.units import KN_M_PER_S

STOPPED_KN = (5.0, 2.0)
"""Speeds through water to which a stop is told; slower than the second, wind moves her as much (our choice)."""
FROM_KN, LOST_SHARE = 4.0, 0.55
"""A stop begins at this speed over ground at least, and takes so much of it off (our choice)."""
ABOVE_KN = 2.0
"""A stated speed lies so much below that at the start (our choice)."""
FALLEN_SHARE = 0.85
"""The engine speed has fallen when it is below this share of what it was (our choice)."""
LONGEST_S = 300.0
"""She lies still by then, or drifts (our choice)."""
CLOSED_WITHIN_S = 5.0
"""Throttles that take longer from the level to idle were eased, not closed (common practice, no source)."""
CLOSED_SHARE = 0.65
"""Throttles are closed where the engine speed is below this share of the level, or idle: gear astern follows soon (our
choice)."""
BEFORE_S, AFTER_S = 12.0, 10.0
"""What of the samples before a stop and after its end is looked at (our choice)."""
APPROACH_S = 5.0
"""The speed and the course before are those of so long before it (our choice)."""
STEADY_KN = 1.0
"""The speed before may change by so much over that (common practice, no source)."""
TURNED_DEG, STEERED_KN = 30.0, 3.0
"""A course that leaves the first one by more than this while she is faster than that is a turn (common practice, no
source)."""
AGAIN_KN = 1.5
"""A speed that rises again by so much is no stop any more (our choice)."""
ASTERN_SHARE = 1.25
"""Engines that turn faster than this share of idle while she slows are in gear astern (common practice, no source)."""
SPUN_DOWN_S, SLOW_SHARE = 1.5, 0.2
"""The engine speed of a stop is that from so long after the throttles were closed until she has so much of her speed
left (our choice)."""
ALIKE_SHARE = 0.06
"""Stops from speeds that differ by no more than this share are of one kind (our choice)."""
TOLD_SHARE = 0.2
"""A distance or time that is known no better than this share of it, k=1, is not claimed (our choice)."""
_KINDS = {
    "time": ("stop time", "s", "Stopping time"),
    "track": ("stop track reach", "m", "Track reach"),
    "head": ("stop head reach", "m", "Head reach"),
}


@dataclass(frozen=True, slots=True)
class _Stop:
    """One stop: where it began, how, and what it shows to each stated speed."""

    utc: str
    course_deg: float | None
    from_kn: float | None
    how: str = ""
    reason: str = ""
    found: dict[tuple[str, float], Parts] = field(default_factory=dict)
    open_: dict[float, str] = field(default_factory=dict)
    rpm: float = float("nan")
    since_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    speed_kn: FloatArray = field(default_factory=lambda: np.zeros(0))
    has_current: bool = True

    @property
    def from_(self) -> str:
        """How its begin is told."""
        return "" if self.from_kn is None else f"{self.from_kn:.1f} kn"

    @property
    def conditions(self) -> str:
        """What it holds for."""
        rpm = f"from {self.rpm:.0f} rpm" if np.isfinite(self.rpm) else ""
        return ", ".join(part for part in (self.how, rpm) if part)


@dataclass(frozen=True, slots=True)
class StopSeen:
    """Where a stop was seen: from and to [ns UTC] its samples are read, its start, and what tells that."""

    begin_ns: int
    start_ns: int
    end_ns: int
    by_mark: bool = False


def measure_stops(circumstances: Circumstances, samples: TrialSamples) -> tuple[Measured, ...]:
    """Return time, track reach and head reach of each kind of stop, and every stop that was seen.

    Args:
        circumstances: Current, wind and clocks.
        samples: Of the trial; stops are found in the overview and measured at the full rate.
    """
    seen = find_stops(circumstances, samples)
    if not seen:
        return ()
    turns = find_turn_currents(circumstances, samples)
    stops = [_measure_stop(circumstances, samples, s, turns) for s in seen]
    refused = [s for s in stops if s.reason]
    rows = tuple(
        described("stop time", s.utc, s.course_deg, s.from_, "", "s", conditions=s.conditions, reason=s.reason)
        for s in refused
    )
    found: list[Measured] = []
    for group in _groups([s for s in stops if not s.reason]):
        found += _measured_group(group)
    if not found:
        reason = refused[-1].reason if refused else "the speed on the way is not known"
        line = AnswerLine("Stopping", None, None, "s", 2.0, (reason,))
        return (Measured("stop", False, reason, line, rows, (), ()),)
    first = found[0]
    figure = _figure([s for s in stops if not s.reason])
    found[0] = Measured(
        first.name, first.claimed, first.reason, first.answer, (*rows, *first.manoeuvres), first.warnings, (figure,)
    )
    return tuple(found)


def find_stops(circumstances: Circumstances, samples: TrialSamples) -> list[StopSeen]:
    """Return every episode in which the engine speed falls off and she loses most of her way.

    Where no engine speed is known, what lies between two marks is taken, if she lost most of her way from the first on.
    """
    overview = samples.overview
    if overview is None or samples.read is None or overview.num_rows < 10:
        return []
    t_ns = integers(overview["t"])[0]
    rpm = mean_rpm(overview, circumstances.config.engine_ids)
    sog = floats(overview["sog_kn"])
    ground = velocity_kn(sog, floats(overview["cog_true_deg"]))
    idle = max((e.idle_rpm for e in circumstances.config.engine), default=0.0)
    # level of the engine speed in four rows, up to the second row before each from the sixth on; NaN where one is
    level = np.median(np.lib.stride_tricks.sliding_window_view(rpm, 4)[: t_ns.size - 5], axis=1)
    has_fallen = (rpm[5:] < FALLEN_SHARE * level) & (rpm[4:-1] >= FALLEN_SHARE * level)
    has_fallen &= (level > NEAR_IDLE * idle) & (sog[3:-2] >= FROM_KN)
    found: list[StopSeen] = []
    over = -1
    for k in (np.flatnonzero(has_fallen) + 5).tolist():
        last = _lost_way(t_ns, ground, k - 2) if k > over else None
        if last is not None:
            begin, end = t_ns[k] - round(BEFORE_S * 1e9), t_ns[last] + round(AFTER_S * 1e9)
            found.append(StopSeen(int(begin), int(t_ns[k]), int(end)))
            over = last
    for a, b in marked_spans(circumstances):
        first, last_row = np.searchsorted(t_ns, [a.t_ns, b.t_ns])
        if first < 3 or last_row >= t_ns.size or np.isfinite(rpm[first:last_row]).any() or sog[first - 1] < FROM_KN:
            continue
        if _lost_way(t_ns, ground, int(first)) is not None:
            found.append(StopSeen(a.t_ns - round(BEFORE_S * 1e9), a.t_ns, b.t_ns, by_mark=True))
    return found


def _lost_way(t_ns: IntArray, ground: FloatArray, first: int) -> int | None:
    """Return the row at which she is slowest before her speed rises again; None where she kept most of her way."""
    last = int(np.searchsorted(t_ns, t_ns[first] + round(LONGEST_S * 1e9)))
    # along the first course: a current abeam is no way that is left
    ahead = ground[first] / max(float(np.hypot(*ground[first])), 1e-6)
    way = ground[first:last] @ ahead
    way = np.where(np.isfinite(way), way, np.nan)
    lowest = np.fmin.accumulate(way)
    with np.errstate(invalid="ignore"):
        again = np.flatnonzero(way > lowest + AGAIN_KN)
    end = int(again[0]) if again.size else way.size
    if end < 2 or not np.isfinite(way[:end]).any():
        return None
    slowest = int(np.nanargmin(way[:end]))
    return first + slowest if way[slowest] <= (1.0 - LOST_SHARE) * way[0] else None


def _measure_stop(
    circumstances: Circumstances, samples: TrialSamples, seen: StopSeen, turns: Sequence[tuple[int, KnownCurrent]]
) -> _Stop:
    """Return what one stop shows, from its samples at full rate."""
    episode = read_episode(circumstances, samples, seen.begin_ns, seen.end_ns, seen.start_ns)
    current = known_current(circumstances, seen.start_ns, turns)
    t_s, through = episode.t_s, episode.through_kn(current.north_east_kn)
    fall = (0.0, MARK_U_S) if seen.by_mark else level_left_s(circumstances, episode, -1)
    if fall is None:
        return _Stop(episode.utc(0.0), None, None, reason=_why_no_fall(episode))
    fall_s, fall_u_s = fall
    utc = episode.utc(fall_s)
    before = (t_s >= fall_s - APPROACH_S) & (t_s < fall_s)
    known: BoolArray = np.isfinite(through[:, 0]) & np.isfinite(through[:, 1])
    if not before.any() or not known[before].all():
        return _Stop(utc, None, None, reason="the speed before the stop is not known")
    ahead = through[before].mean(axis=0)
    from_kn = float(np.hypot(ahead[0], ahead[1]))
    ahead /= from_kn
    course_deg = float(np.degrees(np.arctan2(ahead[1], ahead[0])) % 360.0)
    speed: FloatArray = np.hypot(through[:, 0], through[:, 1])
    how, why_not = _how(circumstances, episode, speed, fall_s, seen.by_mark)
    stop = _Stop(utc, course_deg, from_kn, how, rpm=float(np.median(episode.rpm[before])))
    drifted = float(np.polyfit(t_s[before], speed[before], 1)[0]) * APPROACH_S
    if not why_not and abs(drifted) > STEADY_KN:
        why_not = f"her speed changed by {abs(drifted):.1f} kn in the {APPROACH_S:.0f} s before"
    slow = np.flatnonzero((t_s > fall_s) & (speed < SLOW_SHARE * from_kn))
    last_s = float(t_s[slow[0]]) if slow.size else float(t_s[-1])
    steered = (t_s > fall_s) & (t_s < last_s) & known & (speed > max(STEERED_KN, 0.3 * from_kn))
    course = wrap_deg(np.degrees(np.arctan2(through[:, 1], through[:, 0])) - course_deg)
    if not why_not and steered.any() and float(np.abs(course[steered]).max()) > TURNED_DEG:
        why_not = "she turned"
    if why_not:
        return replace(stop, reason=why_not)
    run = _Run(
        episode, through @ ahead, speed, fall_s, fall_u_s, from_kn, speed_noise_kn(circumstances),
        current.u_along(ahead), common_time_u_s(circumstances, seen.by_mark),
    )  # fmt: skip
    for target in STOPPED_KN:
        if target <= from_kn - ABOVE_KN:
            run.measure(target, stop)
    shown = t_s >= fall_s - APPROACH_S
    return replace(
        stop, since_s=(t_s - fall_s)[shown], speed_kn=run.along_kn[shown], has_current=bool(current.origin)
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Run:
    """One stop on a straight course: speed along it and in all, and what is uncertain of it."""

    episode: Episode
    along_kn: FloatArray
    speed_kn: FloatArray
    fall_s: float
    fall_u_s: float
    from_kn: float
    noise_kn: float
    current_u_kn: float
    common_s: float

    def measure(self, target_kn: float, stop: _Stop) -> None:
        """Fill a stop with time and reaches to a stated speed, or why there are none."""
        t_s = self.episode.t_s
        # the speed ahead: noise of a boat that lies still never reads as no speed
        crossing = find_crossing(
            t_s, self.along_kn, target_kn, self.fall_s, interval_s=self.episode.speed_every_s,
            noise_kn=self.noise_kn, sense=-1,
        )  # fmt: skip
        if crossing is None:
            stop.open_[target_kn] = f"she did not come below {target_kn:.0f} kn through the water before she went on"
            return
        inside = (t_s >= self.fall_s) & (t_s <= crossing.t_s)
        if not np.isfinite(self.speed_kn[inside]).all():
            stop.open_[target_kn] = "the speed on the way is not known throughout"
            return
        slope, span_s = abs(crossing.kn_per_s), crossing.t_s - self.fall_s
        stop.found["time", target_kn] = Parts(
            span_s,
            combine_uncertainties(crossing.u_s, self.fall_u_s),
            combine_uncertainties(self.common_s, SOG_BIAS_U_KN / slope),
            self.current_u_kn / slope,
        )
        noise = mean_noise_kn(self.noise_kn, span_s) * span_s
        reach_s = span_s + target_kn / slope
        for name, values in (("track", self.speed_kn), ("head", self.along_kn)):
            first, last = np.interp([self.fall_s, crossing.t_s], t_s, integral(t_s, values))
            stop.found[name, target_kn] = Parts(
                float(last - first) * KN_M_PER_S,
                combine_uncertainties(noise, self.fall_u_s * self.from_kn, crossing.u_s * target_kn) * KN_M_PER_S,
                combine_uncertainties(self.common_s * self.from_kn, SOG_BIAS_U_KN * reach_s) * KN_M_PER_S,
                self.current_u_kn * reach_s * KN_M_PER_S,
            )


def _why_no_fall(episode: Episode) -> str:
    near = (episode.t_s > -8.0) & (episode.t_s < 2.0)
    if not np.isfinite(episode.rpm[near]).all():
        return "the engine speed at its fall is not known"
    return "the throttles were eased before, not closed at once"


def _how(
    circumstances: Circumstances, episode: Episode, speed_kn: FloatArray, fall_s: float, by_mark: bool
) -> tuple[str, str]:
    """Return how she was stopped, and why that is no stop to be measured; "" where it is one."""
    if by_mark or not np.isfinite(episode.rpm).any():
        return "from a mark, engine speed unknown", ""
    idle = max(e.idle_rpm for e in circumstances.config.engine)
    after = episode.t_s > fall_s
    t_s, rpm = episode.t_s[after] - fall_s, episode.rpm[after]
    level = float(np.median(episode.rpm[(episode.t_s >= fall_s - APPROACH_S) & (episode.t_s < fall_s)]))
    closed = np.flatnonzero(rpm <= max(NEAR_IDLE * idle + LEVEL_RPM, CLOSED_SHARE * level))
    if not closed.size:
        return "", "the throttles were not closed"
    if t_s[closed[0]] > CLOSED_WITHIN_S + episode.rpm_every_s:
        return "", f"the throttles were eased over {t_s[closed[0]]:.0f} s, not closed at once"
    slow = np.flatnonzero(speed_kn[after] < SLOW_SHARE * float(speed_kn[after][0]))
    slow_s = float(t_s[slow[0]]) if slow.size else 30.0
    begin_s = float(t_s[closed[0]]) + SPUN_DOWN_S
    later = rpm[(t_s > begin_s) & (t_s < max(slow_s, begin_s + 2.0)) & np.isfinite(rpm)]
    if later.size and float(np.median(later)) > ASTERN_SHARE * idle:
        return f"gear astern at {np.quantile(later, 0.9):.0f} rpm", ""
    return "throttles to idle", ""


# ------------------------------------------------------------------------------
# From stops to answers.
# ------------------------------------------------------------------------------


def _groups(stops: Sequence[_Stop]) -> list[list[_Stop]]:
    """Return the stops by kind: the same way of stopping, from about the same speed."""
    groups: list[list[_Stop]] = []
    for stop in stops:
        for group in groups:
            same = group[0].how.split(" at ")[0] == stop.how.split(" at ")[0]
            if same and abs((stop.from_kn or 0.0) - (group[0].from_kn or 0.0)) <= ALIKE_SHARE * (
                group[0].from_kn or 0.0
            ):
                group.append(stop)
                break
        else:
            groups.append([stop])
    return groups


def _measured_group(group: Sequence[_Stop]) -> list[Measured]:
    """Return one answer for time and both reaches of one kind of stop, to the lowest speed that can be claimed."""
    first = group[0]
    how = "gear astern" if "astern" in first.how else first.how
    out = []
    for quantity, (kind, unit, label) in _KINDS.items():
        rows: list[Manoeuvre] = []
        best: tuple[Parts, tuple[str, ...]] | None = None
        for target in STOPPED_KN:
            rows += _rows(group, quantity, target)
            made = _mean_stop(group, quantity, target)
            if made is None:
                continue
            parts, ways, why_not = made
            courses = [course_text(s.course_deg) for s in ways]
            if len(ways) == 2:
                conditions = f"mean of {' and '.join(courses)}, {first.conditions}"
                rows.append(
                    described(
                        kind, first.utc, "both", first.from_, f"{target:.0f} kn", unit, parts=parts, reason=why_not,
                        conditions=conditions,
                    )
                )  # fmt: skip
            if not why_not:
                told = "°, ".join(courses)
                note = f"mean of {'° and '.join(courses)}°" if len(ways) == 2 else f"one direction only, {told}°"
                best = (parts, (f"from {first.from_} to {target:.0f} kn", first.how, note))
        name = f"{kind} {how} {first.from_}".replace(" ", "_").replace(".", "_")
        line_label = f"{label}, {how}"
        if best is None:
            reason = next((r.reason for r in rows if r.reason), "she did not slow down far enough")
            line = AnswerLine(line_label, None, None, unit, 2.0, (reason,))
            out.append(Measured(name, False, reason, line, tuple(rows), (), ()))
            continue
        line = AnswerLine(line_label, best[0].value, best[0].u, unit, 2.0, best[1])
        warnings = _one_way(group) if quantity == "time" else ()
        out.append(Measured(name, True, "", line, tuple(rows), warnings, ()))
    return out


def _ways(group: Sequence[_Stop]) -> tuple[list[_Stop], list[_Stop]]:
    """Return the stops that go the way of the first one, and those the other way."""
    course = group[0].course_deg or 0.0
    return (
        [s for s in group if are_opposite(s.course_deg or 0.0, course + 180.0)],
        [s for s in group if are_opposite(s.course_deg or 0.0, course)],
    )


def _one_way(group: Sequence[_Stop]) -> tuple[TrialWarning, ...]:
    if all(_ways(group)):
        return ()
    text = f"The stop ({group[0].how}) was run one direction only: the wind is not taken out of it."
    return (TrialWarning("stop-one-way", "info", text, f"{course_text(group[0].course_deg)}°"),)


def _mean_stop(group: Sequence[_Stop], quantity: str, target: float) -> tuple[Parts, list[_Stop], str] | None:
    """Return the mean of both ways, or of one; the first stop of each; and why it is not claimed."""
    means: list[tuple[Parts, _Stop]] = []
    for way in _ways(group):
        made = [s.found[quantity, target] for s in way if (quantity, target) in s.found]
        if made:
            means.append((_mean(made), way[0]))
    if not means:
        return None
    parts = mean_of_ways(means[0][0], means[1][0]) if len(means) == 2 else means[0][0]
    has_current = len(means) == 2 or means[0][1].has_current
    return parts, [s for _, s in means], _why_not(parts, has_current, _KINDS[quantity][1])


def _rows(group: Sequence[_Stop], quantity: str, target: float) -> list[Manoeuvre]:
    """Return a row for every stop of a group."""
    kind, unit, _ = _KINDS[quantity]
    rows = []
    for s in group:
        to = f"{target:.0f} kn"
        parts = s.found.get((quantity, target))
        reason = s.open_.get(target, "") if parts is None else _why_not(parts, s.has_current, unit)
        if parts is not None or reason:
            rows.append(
                described(
                    kind, s.utc, s.course_deg, s.from_, to, unit, parts=parts, conditions=s.conditions, reason=reason
                )
            )
    return rows


def _mean(parts: Sequence[Parts]) -> Parts:
    """Return the mean of repeats one way."""
    return Parts(
        float(np.mean([p.value for p in parts])),
        combine_uncertainties(*(p.own for p in parts)) / len(parts),
        float(np.mean([p.common for p in parts])),
        float(np.mean([p.way for p in parts])),
    )


def _why_not(parts: Parts, has_current: bool, unit: str) -> str:
    if not has_current:
        return "the current along her course is not known well enough; the mean of both ways does without"
    if parts.u > TOLD_SHARE * parts.value:
        return f"it is known to ±{2.0 * parts.u:.0f} {unit} only: she slowed too little about that speed"
    return ""


def _figure(stops: Sequence[_Stop]) -> FigureSpec:
    """Return the speed ahead of every stop over the time since the engine speed fell."""
    series = []
    for stop in stops[:MOST_SHOWN]:
        last_s = max((parts.value for (name, _), parts in stop.found.items() if name == "time"), default=0.0) + 2.0
        shown = np.arange(-APPROACH_S, min(last_s, float(stop.since_s[-1])), SHOWN_EVERY_S)
        speed = np.interp(shown, stop.since_s, np.nan_to_num(stop.speed_kn))
        label = f"{course_text(stop.course_deg)}° {stop.utc[11:16]} {stop.how.split(' at ')[0].split()[-1]}"
        series.append(FigureSeries(label, tuple(shown.tolist()), tuple(speed.tolist()), None, "line"))
    marks = tuple(
        FigureMark(min(times), target, f"{target:.0f} kn")
        for target in STOPPED_KN[-1:]
        if (times := [s.found["time", target].value for s in stops if ("time", target) in s.found])
    )
    return FigureSpec(
        name="stops",
        title="Stops",
        x=FigureAxis("Time since the engine speed fell", "s"),
        y=FigureAxis("Speed through water", "kn"),
        series=tuple(series),
        marks=marks,
        caption="Speed over ground along the course before, less the current, the receiver's lag taken out. The mark "
        "is where the quickest stop is told to.",
    )
