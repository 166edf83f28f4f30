"""Turns: tactical and steady diameter, speed kept and rate of turn, to each side, the current taken out.

A turn is found where the heading goes round by `LEAST_DEG` or more without a break; what is less is a change of
course, unless it lies between two marks. Definitions are those of IMO resolution MSC.137(76), section 4.2: the tactical
diameter is the distance across the original course from the order to where the heading has changed by 180°; the advance
and the transfer are those along and across it where the heading has changed by 90°. Both of these need the moment of
the order: a mark, or rudder angles. The current follows from the turn itself, as MSC/Circ.1053 advises: all round the
circle the velocities over ground lie on a circle about the current. Without a heading the course through the water
stands for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from trialcapture.buffers import floats, integers
from trialcapture.measure.circumstances import (
    MARK_U_S,
    MOST_SHOWN,
    Circumstances,
    Episode,
    KnownCurrent,
    Mark,
    Parts,
    TrialSamples,
    course_text,
    described,
    known_current,
    marked_spans,
    mean_noise_kn,
    read_episode,
    speed_noise_kn,
    unwrapped_deg,
    weigh_currents,
)
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import MEMORY_S
from trialcapture.reduce.runs import IntArray
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
from trialcapture.units import KN_M_PER_S

LEAST_DEG, MARKED_DEG = 300.0, 170.0
"""A heading that changes by less is a change of course; between two marks by less than the second (our choice)."""
LEAST_DEG_PER_S = 0.8
"""Slower than this she is not turning (common practice, no source)."""
LEAST_KN = 3.0
"""A turn is measured from this speed over ground on (common practice, no source)."""
APPROACH_S = 8.0
"""The approach is the time just before the turn, so long (MSC.137(76), 4.2: a steady approach without rate of turn)."""
BEFORE_S, AFTER_S = 25.0, 3.0
"""What of the samples before a turn and after its end is looked at (our choice)."""
STEADY_FROM_DEG, EASED_DEG = 180.0, 30.0
"""A turn is steady from the first of these on (MSC/Circ.1053: after the first 180°), at most to its end less the second
(common practice, no source)."""
EASED_SHARE = 0.93
"""The helm is eased where the rate of turn falls below this share of its median (our choice)."""
STEADY_LEAST_DEG = 90.0
"""Over less nothing steady is told (our choice)."""
ROUND_DEG = 330.0
"""Over so much of a steady turn the current is told by it alone (MSC/Circ.1053: positions 360° apart)."""
CURVED_APPROACH_DEG = 12.0
"""The course of the approach may spread by so much (common practice, no source)."""
ORDER_WITHIN_S = (6.0, 3.0)
"""A mark so long before and after the heading begins to change is the order to the helm (our choice)."""
RUDDER_DEG, RUDDER_U_S = 3.0, 0.2
"""The helm is over where the rudder is so far off its middle: more than it steers straight with; and the standard
uncertainty of the order by it: steering gears move by some 10 deg/s, and are told now and then (common practice, no
source)."""
OFF_CENTRE_SHARE, OFF_MIDSHIP_SHARE = 0.25, 0.3
"""An antenna may stand so far off the centreline, as a share of the beam, and off midship, as a share of the length,
rectangular (common practice, no source); the definitions are those of the midship point."""
COMPASS_U_DEG = 2.0
"""Standard uncertainty of a change of heading: the deviation of a compass that was not swung (common practice, no
source). It is nothing where the heading went all round."""
DRIFT_MOST_DEG = 15.0
"""A hull in a turn points so far into it at most: what a course says less than a heading (common practice, no
source)."""
LEAST_ROUND_KN, PER_WIND = 0.02, 0.02
"""Standard uncertainty of a current from a turn, at least: what a wandering current leaves, and so much of the wind:
a boat that is slower against it than with it shifts the circle of her velocities by half the difference. A head wind
takes 0.018 ± 0.010 of itself (`trialcapture.reduce.vectorfit`), and from a light boat as much more (common practice,
no source)."""
USUAL_WIND_KN = 8.0
"""Where no wind is known (common practice, no source)."""
SHOWN_EVERY_S = 1.0
_SIDES = {1: "starboard", -1: "port"}
_KINDS = {
    "tactical": ("turn tactical diameter", "m", "Tactical diameter"),
    "steady": ("turn steady diameter", "m", "Steady turning diameter"),
    "kept": ("turn speed kept", "%", "Speed kept in the turn"),
    "rate": ("turn rate", "deg/s", "Rate of turn"),
    "advance": ("turn advance", "m", "Advance"),
    "transfer": ("turn transfer", "m", "Transfer"),
}
_NO_ORDER = "needs the moment of the order to the helm: a mark, or rudder angles"


@dataclass(frozen=True, slots=True)
class TurnSeen:
    """Where a turn was seen: begin and end [ns UTC], side (1 starboard), and how far round it went [deg]."""

    begin_ns: int
    end_ns: int
    side: int
    turned_deg: float


@dataclass(frozen=True, slots=True)
class _Turn:
    """One turn, measured."""

    utc: str
    side: int
    conditions: str
    reason: str = ""
    found: dict[str, tuple[Parts, str, str]] = field(default_factory=dict)
    open_: dict[str, str] = field(default_factory=dict)
    track_m: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))


def measure_turns(circumstances: Circumstances, samples: TrialSamples) -> tuple[Measured, ...]:
    """Return what turns show to each side, and every turn that was seen.

    Args:
        circumstances: Current, marks and boat.
        samples: Of the trial; turns are found in the overview and measured at the full rate.
    """
    turns = [_measure_turn(circumstances, samples, seen) for seen in find_turns(circumstances, samples)]
    if not turns:
        return ()
    shown = [t for t in turns if not t.reason]
    found: list[Measured] = []
    for quantity in _KINDS:
        for side in (1, -1):
            mine = [t for t in turns if t.side == side]
            made = _measured(mine, quantity, side)
            found += [made] if made is not None else []
    if shown and found:
        first = found[0]
        found[0] = Measured(
            first.name, first.claimed, first.reason, first.answer, first.manoeuvres,
            (*first.warnings, *_one_side(shown)), (_figure(shown),),
        )  # fmt: skip
    return tuple(found)


def _one_side(turns: Sequence[_Turn]) -> tuple[TrialWarning, ...]:
    sides = {t.side for t in turns}
    if len(sides) == 2:
        return ()
    side = _SIDES[sides.pop()]
    text = f"Turns were run to {side} only; a boat turns differently to the other side."
    return (TrialWarning("turn-one-side", "info", text, side),)


def find_turns(circumstances: Circumstances, samples: TrialSamples) -> list[TurnSeen]:
    """Return every stretch in which the heading goes round one way without a break.

    Without a heading the course over ground stands for it.
    """
    overview = samples.overview
    if overview is None or samples.read is None or overview.num_rows < 20:
        return []
    t_ns = integers(overview["t"])[0]
    sog = floats(overview["sog_kn"])
    heading = (
        floats(overview["heading_true_deg"])
        if "heading_true_deg" in overview.column_names
        else np.full(sog.size, np.nan)
    )
    course = floats(overview["cog_true_deg"])
    found: list[TurnSeen] = []
    for angles in (heading, course):
        found += [t for t in _rounds(t_ns, angles, sog, LEAST_DEG) if not _overlaps(t, found)]
        for a, b in marked_spans(circumstances):
            inside = slice(*np.searchsorted(t_ns, [a.t_ns - 5_000_000_000, b.t_ns + 5_000_000_000]))
            near = _rounds(t_ns[inside], angles[inside], sog[inside], MARKED_DEG)
            found += [t for t in near if not _overlaps(t, found)]
    return sorted(found, key=lambda t: t.begin_ns)


def _overlaps(turn: TurnSeen, others: Sequence[TurnSeen]) -> bool:
    return any(turn.begin_ns < o.end_ns and o.begin_ns < turn.end_ns for o in others)


def _rounds(t_ns: IntArray, angles: FloatArray, sog: FloatArray, least_deg: float) -> list[TurnSeen]:
    if t_ns.size < 8 or not np.isfinite(angles).any():
        return []
    t_s = (t_ns - t_ns[0]) / 1e9
    known = np.isfinite(angles)
    whole = np.interp(t_s, t_s[known], unwrapped_deg(angles)[known])
    # over four seconds: waves yaw a boat within them
    rate = np.interp(t_s, t_s[2:-2], (whole[4:] - whole[:-4]) / (t_s[4:] - t_s[:-4]))
    out = []
    for side in (1, -1):
        turning = (side * rate >= LEAST_DEG_PER_S) & (np.nan_to_num(sog) >= 1.0)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], turning.astype(np.int8), [0]])))
        for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            turned = side * (whole[stop - 1] - whole[first])
            gaps = np.diff(t_s[first:stop][known[first:stop]])
            if turned >= least_deg and np.nan_to_num(sog[first]) >= LEAST_KN and gaps.max(initial=0.0) <= 10.0:
                out.append(TurnSeen(int(t_ns[first]), int(t_ns[stop - 1]), side, float(turned)))
    return out


def find_turn_currents(circumstances: Circumstances, samples: TrialSamples) -> list[tuple[int, KnownCurrent]]:
    """Return what each turn that went all round shows of the current, with its time [ns since 1970 UTC]."""
    found = []
    for seen in find_turns(circumstances, samples):
        episode = _read(circumstances, samples, seen)
        angle = _angles(episode, seen.side)
        current = None if angle is None else _current_of(circumstances, episode, angle[0])
        if current is not None:
            found.append(((seen.begin_ns + seen.end_ns) // 2, current))
    return found


def _read(circumstances: Circumstances, samples: TrialSamples, seen: TurnSeen) -> Episode:
    return read_episode(
        circumstances, samples, seen.begin_ns - round(BEFORE_S * 1e9), seen.end_ns + round(AFTER_S * 1e9), seen.begin_ns
    )


def _angles(episode: Episode, side: int) -> tuple[FloatArray, bool] | None:
    """Return the heading, positive into the turn and unwrapped, and True; else the course over ground and False."""
    inside = episode.t_s >= -BEFORE_S
    if np.isfinite(episode.heading_deg[inside]).mean() > 0.9:
        known = np.isfinite(episode.heading_deg)
        return side * np.interp(episode.t_s, episode.t_s[known], episode.heading_deg[known]), True
    north, east = episode.ground_kn.T
    known = np.isfinite(north)
    if known.mean() < 0.9:
        return None
    course = unwrapped_deg(np.degrees(np.arctan2(east, north)))
    return side * np.interp(episode.t_s, episode.t_s[known], course[known]), False


def _current_of(circumstances: Circumstances, episode: Episode, angle_deg: FloatArray) -> KnownCurrent | None:
    """Return the current from the steady part of a turn; None where that does not go far enough round.

    The velocities over ground v lie on a circle about the current c, whose radius is the speed through water V:
    |v|² = 2 v·c + V² − |c|², with V² changing evenly; linear in c.

    Source: algebraic circle fit, Kåsa 1976 (IEEE Trans. Instrum. Meas. 25:8, from memory).
    """
    turned = angle_deg - np.interp(0.0, episode.t_s, angle_deg)
    steady = (turned >= STEADY_FROM_DEG) & (turned <= turned.max() - EASED_DEG)
    steady &= np.isfinite(episode.ground_kn).all(axis=1) & (episode.t_s > 0.0)
    if not steady.any() or np.ptp(turned[steady]) < ROUND_DEG:
        return None
    t_s, ground = episode.t_s[steady], episode.ground_kn[steady]
    since = (t_s - t_s.mean()) / max(float(np.ptp(t_s)), 1.0)
    design = np.column_stack([2.0 * ground, np.ones(t_s.size), since])
    solved = np.linalg.lstsq(design, np.sum(ground**2, axis=1), rcond=None)[0]
    vector = solved[:2]
    off = np.hypot(*(ground - vector).T)
    spread = off - np.polyval(np.polyfit(since, off, 1), since)
    worth = max(float(np.ptp(t_s)) / MEMORY_S, 2.0)
    scatter = max(float(spread.std()), 0.3 * speed_noise_kn(circumstances))
    wind_kn = circumstances.conditions.wind_speed_true_kn_mean
    wind_u = PER_WIND * (USUAL_WIND_KN if wind_kn is None else wind_kn)
    u = combine_uncertainties(scatter * float(np.sqrt(2.0 / worth)), LEAST_ROUND_KN, wind_u)
    return KnownCurrent(vector, np.eye(2) * u**2, "the turn itself")


def _measure_turn(circumstances: Circumstances, samples: TrialSamples, seen: TurnSeen) -> _Turn:
    """Return what one turn shows, from its samples at full rate."""
    episode = _read(circumstances, samples, seen)
    utc = episode.utc(0.0)
    angle = _angles(episode, seen.side)
    if angle is None:
        return _Turn(utc, seen.side, "", "the speed in the turn is not known throughout")
    angle_deg, has_heading = angle
    noise_kn = speed_noise_kn(circumstances)
    own, trial = _current_of(circumstances, episode, angle_deg), known_current(circumstances, seen.begin_ns)
    current = weigh_currents(own, trial) or trial
    if not current.origin:
        return _Turn(
            utc, seen.side, "", f"the current is not known: the turn went round {seen.turned_deg:.0f}°, and a current "
            f"shows after {STEADY_FROM_DEG + ROUND_DEG + EASED_DEG:.0f}°; or run steps both ways",
        )  # fmt: skip
    through = episode.through_kn(current.north_east_kn)
    known = np.isfinite(through).all(axis=1)
    if known.mean() < 0.95:
        return _Turn(utc, seen.side, "", "the speed in the turn is not known throughout")
    through = np.column_stack([np.interp(episode.t_s, episode.t_s[known], part[known]) for part in through.T])
    if not has_heading:
        course = unwrapped_deg(np.degrees(np.arctan2(through[:, 1], through[:, 0])))
        angle_deg = seen.side * course
    begin_s = _begin_s(episode.t_s, angle_deg)
    utc = episode.utc(begin_s)
    before = (episode.t_s >= begin_s - 2.0 - APPROACH_S) & (episode.t_s < begin_s - 2.0)
    if not before.any() or episode.t_s[0] > begin_s - 2.0 - 0.8 * APPROACH_S:
        return _Turn(utc, seen.side, "", "there is no straight approach before it")
    if float(np.ptp(angle_deg[before])) > CURVED_APPROACH_DEG:
        return _Turn(utc, seen.side, "", "the approach was not straight")
    ahead = through[before].mean(axis=0)
    approach_kn = float(np.hypot(*ahead))
    if approach_kn < LEAST_KN - 1.0:
        return _Turn(utc, seen.side, "", f"she made {approach_kn:.1f} kn through the water before it")
    ahead /= approach_kn
    course_deg = float(np.degrees(np.arctan2(ahead[1], ahead[0])) % 360.0)
    rpm = episode.rpm[before]
    conditions = f"from {approach_kn:.1f} kn on {course_text(course_deg)}"
    conditions += f" at {np.median(rpm):.0f} rpm" if np.isfinite(rpm).all() else ""
    conditions += "" if has_heading else ", by course, no heading"
    made = _Made(circumstances, episode, through, angle_deg, has_heading, seen.side, current, noise_kn, begin_s, ahead)
    found, open_ = made.all(approach_kn)
    track = made.track_m[episode.t_s >= begin_s - APPROACH_S]
    every = max(round(SHOWN_EVERY_S / max(float(np.median(np.diff(episode.t_s))), 1e-3)), 1)
    return _Turn(utc, seen.side, conditions, "", found, open_, track[::every])


def _begin_s(t_s: FloatArray, angle_deg: FloatArray) -> float:
    """Return when the heading began to change: the line through 5° and 15° drawn back to nothing."""
    at_zero = angle_deg[(t_s >= -10.0) & (t_s <= -5.0)]
    level = float(np.median(at_zero)) if at_zero.size else float(angle_deg[0])
    after = t_s > -5.0
    turned, at = angle_deg[after] - level, t_s[after]
    first, second = (float(at[int(np.argmax(turned >= limit))]) for limit in (5.0, 15.0))
    return first - 0.5 * max(second - first, 0.0)


@dataclass
class _Made:
    """A turn with its current taken out: what is measured of it."""

    circumstances: Circumstances
    episode: Episode
    through_kn: FloatArray
    angle_deg: FloatArray
    has_heading: bool
    side: int
    current: KnownCurrent
    noise_kn: float
    begin_s: float
    ahead: FloatArray

    def __post_init__(self) -> None:
        t_s = self.episode.t_s
        steps = 0.5 * (self.through_kn[1:] + self.through_kn[:-1]) * np.diff(t_s)[:, None] * KN_M_PER_S
        gone = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
        start = np.array([np.interp(self.begin_s, t_s, part) for part in gone.T])
        across = self.side * np.array([-self.ahead[1], self.ahead[0]])
        self.track_m = np.column_stack([(gone - start) @ self.ahead, (gone - start) @ across])
        straight = (t_s >= self.begin_s - 2.0 - APPROACH_S) & (t_s < self.begin_s - 2.0)
        self.turned_deg = self.angle_deg - float(np.mean(self.angle_deg[straight]))

    def all(self, approach_kn: float) -> tuple[dict[str, tuple[Parts, str, str]], dict[str, str]]:
        """Return every quantity with from and to, and what cannot be told, with why."""
        found: dict[str, tuple[Parts, str, str]] = {}
        open_: dict[str, str] = {}
        tactical = self._tactical()
        if tactical is None:
            open_["tactical"] = "the heading did not change by 180°"
        else:
            found["tactical"] = (tactical, "0 deg", "180 deg")
        steady = self._steady()
        if steady is None:
            for name in ("steady", "kept", "rate"):
                open_[name] = f"the turn was not held beyond {STEADY_FROM_DEG + STEADY_LEAST_DEG + EASED_DEG:.0f}°"
        else:
            found |= self._steady_values(steady, approach_kn)
        order = self._order()
        for name, column in (("advance", 0), ("transfer", 1)):
            if order is None:
                open_[name] = _NO_ORDER
            elif not self.has_heading:
                open_[name] = "needs a heading: a course lags behind it in a turn"
            else:
                found[name] = (self._from_order(order, column), "0 deg", "90 deg")
        return found, open_

    @property
    def _off_centre_u_m(self) -> float:
        beam = self.circumstances.config.boat.beam_m or 0.3 * (self.circumstances.config.boat.length_m or 12.0)
        return 2.0 * OFF_CENTRE_SHARE * beam / float(np.sqrt(3.0))

    def _at(self, limit_deg: float) -> float | None:
        passed = np.flatnonzero(self.turned_deg >= limit_deg)
        if not passed.size or passed[0] == 0:
            return None
        k = int(passed[0])
        low, high = self.turned_deg[k - 1], self.turned_deg[k]
        return float(
            self.episode.t_s[k - 1] + (limit_deg - low) / (high - low) * (self.episode.t_s[k] - self.episode.t_s[k - 1])
        )

    def _tactical(self) -> Parts | None:
        at_s = self._at(180.0)
        if at_s is None:
            return None
        t_s = self.episode.t_s
        along, across = (float(np.interp(at_s, t_s, part)) for part in self.track_m.T)
        span_s = at_s - self.begin_s
        speed_m_s = float(np.interp(at_s, t_s, np.hypot(*self.through_kn.T))) * KN_M_PER_S
        # the course of the approach turns the line that the distance is measured from
        course_u = combine_uncertainties(
            mean_noise_kn(self.noise_kn, APPROACH_S), self.current.u_along(np.array([-self.ahead[1], self.ahead[0]]))
        ) / max(float(np.hypot(*self.through_kn[self.episode.t_s < self.begin_s].mean(axis=0))), 1.0)
        drift = np.radians(DRIFT_MOST_DEG)
        heading_s = self._turn_u_deg(180.0) / max(self._rate_at(at_s), 1.0)
        lead_m = speed_m_s * heading_s * float(np.sin(drift)) / float(np.sqrt(3.0))
        terms = [
            mean_noise_kn(self.noise_kn, span_s) * span_s * KN_M_PER_S,
            abs(along) * course_u,
            0.0 if self.has_heading else across * (1.0 - float(np.cos(drift))) / 2.0 / float(np.sqrt(3.0)),
        ]
        smoothed = self._shortened(self._rate_at(at_s))
        across *= 1.0 + smoothed
        common = combine_uncertainties(
            self._off_centre_u_m, lead_m, SOG_BIAS_U_KN * 0.64 * span_s * KN_M_PER_S,
            across * smoothed / float(np.sqrt(3.0)),
        )  # fmt: skip
        across_unit = np.array([-self.ahead[1], self.ahead[0]])
        current_m = self.current.u_along(across_unit) * span_s * KN_M_PER_S
        return Parts(across, combine_uncertainties(*terms, current_m), common)

    def _turn_u_deg(self, turned_deg: float) -> float:
        """Return the standard uncertainty of a change of heading [deg]: a deviation is nothing all round."""
        part = abs(float(np.sin(np.radians(turned_deg / 2.0))))
        own = 0.5 if self.has_heading else float(np.degrees(self.current.u_along(self.ahead) / 5.0))
        return combine_uncertainties(own, COMPASS_U_DEG * part if self.has_heading else None)

    def _shortened(self, rate_deg_per_s: float) -> float:
        """Return by what share a velocity is shortened that a receiver smooths while it turns; half of the most.

        A first-order filter of time constant T takes (ω T)² / 2 off, a pure delay nothing. One that works at the
        receiver's own rate lags by half an interval less than its time constant.
        """
        longest_s = self.circumstances.lag.lag_s + self.episode.speed_every_s / 2.0
        return float((np.radians(rate_deg_per_s) * longest_s) ** 2 / 4.0)

    def _rate_at(self, at_s: float) -> float:
        ends = np.interp([at_s - 2.0, at_s + 2.0], self.episode.t_s, self.angle_deg)
        return float(ends[1] - ends[0]) / 4.0

    def _steady(self) -> tuple[float, float] | None:
        """Return from which to which change of heading the turn is steady: whole rounds at its end if there are any."""
        t_s = self.episode.t_s
        swung = np.interp(t_s + 1.0, t_s, self.turned_deg) - np.interp(t_s - 1.0, t_s, self.turned_deg)
        beyond = self.turned_deg >= STEADY_FROM_DEG
        if not beyond.any():
            return None
        held = np.flatnonzero(beyond & (swung >= EASED_SHARE * float(np.median(swung[beyond]))))
        # to ten degrees, so that turns of one order are told by the same angles
        last = min(float(self.turned_deg[held[-1]]), float(self.turned_deg.max()) - EASED_DEG)
        last = 10.0 * float(np.floor(last / 10.0))
        if last - STEADY_FROM_DEG < STEADY_LEAST_DEG:
            return None
        rounds = np.floor((last - STEADY_FROM_DEG) / 360.0)
        return (last - 360.0 * rounds, last) if rounds >= 1 else (STEADY_FROM_DEG, last)

    def _steady_values(self, steady: tuple[float, float], approach_kn: float) -> dict[str, tuple[Parts, str, str]]:
        first_s, last_s = (self._at(limit) or 0.0 for limit in steady)
        span_s, turned = last_s - first_s, steady[1] - steady[0]
        inside = (self.episode.t_s >= first_s) & (self.episode.t_s <= last_s)
        speed = np.hypot(*self.through_kn[inside].T)
        rate = turned / span_s
        smoothed = self._shortened(rate)
        speed = speed * (1.0 + smoothed)
        mean_kn = float(speed.mean())
        # what is left of slowing down and of a rate that is still growing: first half against second
        middle_s = (first_s + last_s) / 2.0
        half = self.episode.t_s[inside] < middle_s
        slowing = float(speed[half].mean() - speed[~half].mean()) / float(np.sqrt(12.0))
        at_middle = float(np.interp(middle_s, self.episode.t_s, self.turned_deg))
        uneven = (2.0 * at_middle - steady[0] - steady[1]) / span_s * 2.0 / float(np.sqrt(12.0)) / 2.0
        # a wrong current adds all round what it takes away, but for the part that is no whole round
        part = abs(float(np.sin(np.radians(turned / 2.0)))) / np.radians(turned / 2.0)
        current_u = self.current.u_along(self.ahead)
        speed_u = combine_uncertainties(
            mean_noise_kn(self.noise_kn, span_s), slowing, current_u * float(part), current_u**2 / max(mean_kn, 1.0),
            smoothed / float(np.sqrt(3.0)) * mean_kn,
        )  # fmt: skip
        rate_own = combine_uncertainties(0.5 * float(np.sqrt(2.0)) / span_s, uneven)
        rate_common = self._turn_u_deg(turned) / span_s
        diameter = 2.0 * mean_kn * KN_M_PER_S / float(np.radians(rate))
        names = f"{steady[0]:.0f} deg", f"{steady[1]:.0f} deg"
        kept = 100.0 * mean_kn / approach_kn
        approach_u = mean_noise_kn(self.noise_kn, APPROACH_S)
        return {
            "steady": (
                Parts(
                    diameter,
                    diameter * combine_uncertainties(speed_u / mean_kn, rate_own / rate),
                    combine_uncertainties(
                        diameter * rate_common / rate, diameter * SOG_BIAS_U_KN / mean_kn, self._off_centre_u_m
                    ),
                ),
                *names,
            ),
            "kept": (
                Parts(
                    kept,
                    kept * combine_uncertainties(speed_u / mean_kn, approach_u / approach_kn, current_u / approach_kn),
                    combine_uncertainties(
                        100.0 * SOG_BIAS_U_KN * abs(1.0 - kept / 100.0) / approach_kn,
                        # an antenna off the centreline goes faster or slower in a turn
                        kept * self._off_centre_u_m / diameter,
                    ),
                ),
                *names,
            ),
            "rate": (Parts(rate, rate_own, rate_common), *names),
        }  # fmt: skip

    def _order(self) -> tuple[float, float, str] | None:
        """Return when the helm was ordered over [s], its standard uncertainty, and what tells it; None if nothing."""
        by_rudder = find_helm_over_s(self.episode.t_s, self.episode.rudder_deg, self.begin_s)
        if by_rudder is not None:
            return by_rudder, RUDDER_U_S, "rudder"
        begin_ns = self.episode.zero_ns + round(self.begin_s * 1e9)
        near = [m for m in self.circumstances.marks if _is_order(m, begin_ns)]
        if not near:
            return None
        mark = min(near, key=lambda m: abs(m.t_ns - begin_ns))
        return (mark.t_ns - self.episode.zero_ns) / 1e9, MARK_U_S, "mark"

    def _from_order(self, order: tuple[float, float, str], column: int) -> Parts:
        order_s, order_u_s, _ = order
        at_s = self._at(90.0) or 0.0
        t_s = self.episode.t_s
        ends = [float(np.interp(s, t_s, self.track_m[:, column])) for s in (order_s, at_s)]
        span_s = at_s - order_s
        approach_m_s, across_m_s = (
            float(np.gradient(self.track_m[:, c], t_s)[int(np.argmin(np.abs(t_s - s)))])
            for c, s in ((column, order_s), (column, at_s))
        )
        heading_s = self._turn_u_deg(90.0) / max(self._rate_at(at_s), 1.0)
        length = self.circumstances.config.boat.length_m or 12.0
        # the antenna is ahead of midship before, and abreast of where it was after, or the other way round
        lever_m = OFF_MIDSHIP_SHARE * length / float(np.sqrt(3.0))
        direction = self.ahead if column == 0 else np.array([-self.ahead[1], self.ahead[0]])
        own = combine_uncertainties(
            order_u_s * approach_m_s, mean_noise_kn(self.noise_kn, span_s) * span_s * KN_M_PER_S,
            self.current.u_along(direction) * span_s * KN_M_PER_S,
        )  # fmt: skip
        common = combine_uncertainties(
            heading_s * across_m_s, lever_m, self._off_centre_u_m / 2.0, self.circumstances.lag.u_s * across_m_s,
            self.circumstances.clock_u_s * across_m_s, SOG_BIAS_U_KN * span_s * KN_M_PER_S,
        )  # fmt: skip
        return Parts(ends[1] - ends[0], own, common)


def find_helm_over_s(t_s: FloatArray, rudder_deg: FloatArray, begin_s: float) -> float | None:
    """Return when the rudder left its middle before the heading began to change [s]; None where it is not known.

    Args:
        t_s: Times, shape (N,).
        rudder_deg: Rudder angle, shape (N,), NaN where unknown.
        begin_s: When the heading began to change.
    """
    straight = (t_s >= begin_s - ORDER_WITHIN_S[0] - APPROACH_S) & (t_s < begin_s - ORDER_WITHIN_S[0])
    near = (t_s >= begin_s - ORDER_WITHIN_S[0]) & (t_s <= begin_s + ORDER_WITHIN_S[1])
    if not straight.any() or not near.any() or not np.isfinite(rudder_deg[straight | near]).all():
        return None
    off = np.abs(rudder_deg[near] - float(np.median(rudder_deg[straight])))
    over = np.flatnonzero(off >= RUDDER_DEG)
    if not over.size or over[0] == 0:
        return None
    k = int(over[0])
    at = t_s[near]
    return float(at[k - 1] + (RUDDER_DEG - off[k - 1]) / (off[k] - off[k - 1]) * (at[k] - at[k - 1]))


def _is_order(mark: Mark, begin_ns: int) -> bool:
    since_s = (mark.t_ns - begin_ns) / 1e9
    return -ORDER_WITHIN_S[0] <= since_s <= ORDER_WITHIN_S[1] and "blip" not in mark.text


# ------------------------------------------------------------------------------
# From turns to answers.
# ------------------------------------------------------------------------------


def _measured(turns: Sequence[_Turn], quantity: str, side: int) -> Measured | None:
    """Return the answer of one quantity to one side, with a row for every turn; None where none was run."""
    if not turns:
        return None
    kind, unit, label = _KINDS[quantity]
    rows: list[Manoeuvre] = []
    shown: list[_Turn] = []
    for t in turns:
        if t.reason or quantity not in t.found:
            reason = t.reason or t.open_[quantity]
            to = {"tactical": "180 deg", "advance": "90 deg", "transfer": "90 deg"}.get(quantity, "")
            rows.append(described(kind, t.utc, _SIDES[side], "0 deg", to, unit, conditions=t.conditions, reason=reason))
            continue
        parts, from_, to = t.found[quantity]
        shown.append(t)
        rows.append(described(kind, t.utc, _SIDES[side], from_, to, unit, parts=parts, conditions=t.conditions))
    name = f"{kind.replace(' ', '_')}_{_SIDES[side]}"
    label = f"{label} to {_SIDES[side]}"
    if not shown:
        reason = rows[-1].reason
        line = AnswerLine(label, None, None, unit, 2.0, (reason,))
        return Measured(name, False, reason, line, tuple(rows), (), ())
    alike = _alike(shown)
    values = [t.found[quantity][0] for t in alike]
    mean = Parts(
        float(np.mean([p.value for p in values])),
        combine_uncertainties(*(p.own for p in values)) / len(values),
        float(np.mean([p.common for p in values])),
    )
    notes = [alike[0].conditions] if len(alike) == 1 else [f"mean of {len(alike)} turns {alike[0].conditions}"]
    if len(alike) > 1:
        _, from_, to = alike[0].found[quantity]
        rows.append(
            described(
                kind, alike[0].utc, _SIDES[side], from_, to, unit, parts=mean, conditions=f"mean of {len(alike)} turns"
            )
        )
    line = AnswerLine(label, mean.value, mean.u, unit, 2.0, tuple(notes))
    return Measured(name, True, "", line, tuple(rows), (), ())


def _alike(turns: Sequence[_Turn]) -> list[_Turn]:
    """Return the turns that began as the first one did: those with the same speed and engine speed before."""

    def before(turn: _Turn) -> float:
        return float(turn.conditions.split()[1]) if turn.conditions else 0.0

    first = before(turns[0])
    return [t for t in turns if abs(before(t) - first) <= 0.1 * first]


def _figure(turns: Sequence[_Turn]) -> FigureSpec:
    """Return the track of every turn through the water, its approach upwards."""
    series = []
    for t in turns[:MOST_SHOWN]:
        label = f"{_SIDES[t.side]} {t.utc[11:19]}"
        across, along = t.side * t.track_m[:, 1], t.track_m[:, 0]
        series.append(FigureSeries(label, tuple(across.tolist()), tuple(along.tolist()), None, "line"))
    return FigureSpec(
        name="turns",
        title="Track of the turns through the water",
        x=FigureAxis("Across the approach, starboard to the right", "m"),
        y=FigureAxis("Along the approach", "m"),
        series=tuple(series),
        marks=(FigureMark(0.0, 0.0, "helm over"),),
        caption="Where the antenna went through the water: over ground less the current. The approach is from below.",
        is_map=True,
    )
