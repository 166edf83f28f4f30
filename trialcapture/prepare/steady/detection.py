"""Detection of steady stretches: rpm held, course held, nothing missing, and the speed settled.

`SteadyFinder` takes a recording in pieces of any size and gives the same answer as for the whole. It keeps the samples
of one episode (`SampleRingBuffer`) and what earlier episodes show of the noise of rpm and speed (`NoiseHistory`).
`SegmentFinder` feeds it with block means of a samples table.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.series import column
from trialcapture.prepare.sample_statistics import circular_mean_deg, wrap_deg
from trialcapture.prepare.steady.criteria import EpisodeCutter, Limits, Track, limits_of
from trialcapture.prepare.steady.exponential_settling import fit_hold_speed, residual_variance
from trialcapture.prepare.steady.setpoint_holds import (
    LEAD_S,
    WORTH_LISTING_S,
    Interval,
    Silence,
    Stretch,
    apply_criteria,
    bridge,
    find_course_holds,
    find_rpm_holds,
    find_speed_holds,
    increments,
    intersect,
    least_count,
    lies_still,
    runs,
)

# Noise history.

Floats = npt.NDArray[np.float64]

_INCREMENTS_KEPT, _HOLDS_KEPT = 200, 32
"""Increments of rpm, and holds, that are remembered (our choice, no source)."""
_PRIOR_VARIANCE_KN2 = (0.01, 0.01, 0.01)
"""Variances of speed within holds that are counted with those observed: a spread of 0.1 kn, as if it had been seen
three times (common practice, no source). So the first holds of a calm or of a rough hour do not decide alone."""


@dataclass(frozen=True, slots=True)
class NoiseHistory:
    """Bounded history of rpm increments and speed variance over past episodes; sets the noise thresholds.

    Attributes:
        increments: Per engine, the latest changes of rpm from sample to sample.
        speed_variance: Variances of speed within the latest holds under way [kn**2].
        rpm_seen: True once any engine's rpm was known.
    """

    increments: tuple[Floats, ...]
    speed_variance: tuple[float, ...] = ()
    rpm_seen: bool = False

    def with_increments(self, rpm: Floats) -> NoiseHistory:
        """Add one episode's rpm, shape (engines, n)."""
        new = [increments(engine) for engine in rpm]
        kept = [
            n if n.size >= _INCREMENTS_KEPT else np.concatenate([old, n])[-_INCREMENTS_KEPT:]
            for old, n in zip(self.increments, new, strict=True)
        ]
        return replace(self, increments=tuple(kept), rpm_seen=self.rpm_seen or bool(np.isfinite(rpm).any()))

    def with_speed_variance(self, parts: list[Track], limits: Limits) -> NoiseHistory:
        """Add the scatter of speed in one episode's holds."""
        under_way = [p for p in parts if float(p.sog_kn.mean()) >= limits.steady.min_sog_kn]
        found = [residual_variance(fit_hold_speed(p.sog_kn, p.dt_s)) for p in under_way]
        return replace(
            self, speed_variance=(*self.speed_variance, *(s for s in found if np.isfinite(s)))[-_HOLDS_KEPT:]
        )

    def typical_speed_variance(self) -> float:
        """Return the typical variance of speed within a hold [kn**2]."""
        return float(np.median([*self.speed_variance, *_PRIOR_VARIANCE_KN2]))


# Sample ring buffer.

_LEAST = 1024
"""Samples of the first buffer (our choice)."""


class SampleRingBuffer:
    """The latest samples of a track, addressed by their number since the first one ever appended.

    Args:
        engines: Number of rpm signals.
        dt_s: Spacing [s].
    """

    def __init__(self, engines: int, dt_s: float) -> None:
        """Begin empty."""
        self.engines = engines
        self.size = 0
        """Number of samples ever appended."""
        self._dt_s = dt_s
        self._data: npt.NDArray[np.float64] = np.empty((3 + engines, _LEAST))
        self._begin = 0
        self._end = 0

    @property
    def held(self) -> int:
        """Number of samples kept."""
        return self._end - self._begin

    def append(self, track: Track) -> None:
        """Add samples at the end."""
        n = track.sog_kn.size
        if self._end + n > self._data.shape[1]:
            held = self.held
            room = np.empty((self._data.shape[0], max(2 * (held + n), _LEAST)))
            room[:, :held] = self._data[:, self._begin : self._end]
            self._data, self._begin, self._end = room, 0, held
        at = slice(self._end, self._end + n)
        self._data[0, at] = track.sog_kn
        self._data[1, at] = track.heading_true_deg
        self._data[2, at] = track.over_ground
        self._data[3:, at] = track.rpm
        self._end += n
        self.size += n

    def drop_before(self, index: int) -> None:
        """Forget the samples before a sample number."""
        self._begin = min(max(self._begin, self._end - (self.size - index)), self._end)

    def part(self, start: int, stop: int) -> Track:
        """Return the samples [start, stop) by number; they are valid until the next append."""
        shift = self._end - self.size
        rows = self._data[:, start + shift : stop + shift]
        return Track(rows[0], rows[3:], rows[1], self._dt_s, rows[2] > 0.5)


_HELM_LEAD_S, _COURSE_LEAD_S = 6.0, 15.0
"""Heading lags the rudder, so the last seconds of each course hold are dropped: the first of a heading, the second of a
course over ground [s] (common practice, no source)."""
_AROUND_S = 30.0
"""What is looked at on both sides of an episode: a course over ground lags the rudder by as much (our
choice, no source)."""
_SEEN_SHARE = 0.05
"""An engine counts in an episode where its rpm is known for this share of it (our choice, no source)."""
_SILENCE_S = 5.0
"""A hold is evaluated across as long a silence of any channel [s]: four readings lost at 1 Hz (common practice, no
source). The samples of a silence stay unknown."""
_KNOWN_SHARE = 0.8
"""What must be known of a stretch all the same, of each channel (our choice, no source)."""
_BEFORE_S, _AT_START_S = 30.0, 3.0
"""The speed before a change is looked for over the first before a hold, and her speed as it begins over the second [s]
(our choice, no source)."""
_TURN_DEG, _THROTTLE_SHARE = 30.0, 0.02
"""A hold follows a turn, or a moved throttle, where course or rpm were so far from it [deg, share] (common practice, no
source)."""
_LOST_IN_A_TURN = 0.05
"""Share of speed that a boat loses in a turn at the least (common practice, no source)."""
_NO_STEP_KN, _NO_STEP_SHARE = 0.2, 0.02
"""What differs by less than both was not approached [kn, share of speed] (our choice, no source)."""
_ROUND_A_SILENCE_S = 5.0
"""Both sides of a silence are compared over this [s] (our choice, no source)."""
_SAME_RPM_SHARE, _SAME_COURSE_DEG = 0.02, 10.0
"""Rpm and course are the same on both sides of a silence within these (our choice, no source)."""


class SteadyFinder:
    """Finds the steady stretches of a recording that arrives in pieces of any size.

    The answer is the same however the recording is cut into pieces, and `find_steady` is this with one piece. A
    recording is taken apart into episodes (`EpisodeCutter`); each is evaluated once it is over and the half minute
    after it is known, with the noise history of it and the episodes before it. Only the episode under way is
    kept: at most two hours of samples.

    A hold is where every engine's rpm stays at one level and the boat on one course. From each hold the approach
    of the speed to its final value is cut off at the start; the rest is compared with the limits. An engine counts
    in an episode where its rpm is known for a twentieth of it; where none is, speed alone has to show a hold, and
    such a stretch is accepted only while the recording has shown no rpm at all.

    Args:
        limits: What counts as steady.
        dt_s: Spacing of the samples [s].
    """

    def __init__(self, limits: Limits, dt_s: float) -> None:
        """Begin before the first sample."""
        self._limits = limits
        self._dt_s = dt_s
        self._around = round(_AROUND_S / dt_s)
        self._buffer: SampleRingBuffer | None = None
        self._cutter = EpisodeCutter(dt_s, 0)
        self._history = NoiseHistory(())
        self._cuts: deque[int] = deque()
        self._start = 0
        self._finished = False

    def push(self, track: Track) -> list[Stretch]:
        """Take the next samples, none or any number, and return the stretches that have become final.

        Returns:
            Candidates in order of time, none overlapping, with sample numbers counted from the first sample ever
            pushed. ``accepted`` is True exactly where ``reason`` is empty.

        Raises:
            TrialCaptureError: The samples do not go on from those before, or the finder was finished.
        """
        buffer = self._ready(track)
        buffer.append(track)
        self._cuts.extend(self._cutter.push(track))
        final: list[Stretch] = []
        while self._cuts and self._cuts[0] + self._around <= buffer.size:
            stop = self._cuts.popleft()
            found, self._history = self._find_in_part(buffer, self._start, stop, self._history, ended=False)
            final += found
            self._start = stop
            buffer.drop_before(max(stop - self._around, 0))
        return final

    def finish(self) -> list[Stretch]:
        """Return the stretches of what is left, with the recording ending here; nothing can be pushed afterwards."""
        left = self.peek()
        self._finished = True
        return left

    def peek(self) -> list[Stretch]:
        """Return what `finish` would return if the recording ended here, and change nothing.

        What is said about the episode under way may still change: it is for showing, not for keeping.
        """
        buffer, history = self._buffer, self._history
        if buffer is None or self._finished:
            return []
        edges = [self._start, *self._cuts, buffer.size]
        found: list[Stretch] = []
        for start, stop in pairwise(edges):
            more, history = self._find_in_part(buffer, start, stop, history, ended=True)
            found += more
        return found

    @property
    def held(self) -> int:
        """Number of samples kept."""
        return 0 if self._buffer is None else self._buffer.held

    def _ready(self, track: Track) -> SampleRingBuffer:
        if self._finished:
            raise TrialCaptureError("no samples can be added to a detection that was finished", expected="a new one")
        engines = track.rpm.shape[0]
        if self._buffer is None:
            self._buffer = SampleRingBuffer(engines, self._dt_s)
            self._cutter = EpisodeCutter(self._dt_s, engines)
            self._history = NoiseHistory(tuple(np.zeros(0) for _ in range(engines)))
        if engines != self._buffer.engines or abs(track.dt_s - self._dt_s) > 1e-9 * self._dt_s:
            raise TrialCaptureError(
                "these samples do not go on from those before",
                seen=f"{engines} engines, {track.dt_s:g} s apart",
                expected=f"{self._buffer.engines} engines, {self._dt_s:g} s apart",
            )
        return self._buffer

    def _find_in_part(
        self, buffer: SampleRingBuffer, start: int, stop: int, history: NoiseHistory, *, ended: bool
    ) -> tuple[list[Stretch], NoiseHistory]:
        """Judge one episode; return its stretches and what is known after it."""
        if (stop - start) * self._dt_s < WORTH_LISTING_S:
            return [], history.with_increments(buffer.part(start, stop).rpm)
        low, high = max(start - self._around, 0), min(stop + self._around, buffer.size)
        last = ended and high == buffer.size
        found, history = _find_in_episode(
            buffer.part(low, high), (start - low, stop - low), self._limits, history, first=low == 0, last=last
        )
        return [s.moved(low) for s in found], history


def find_steady(track: Track, limits: Limits) -> list[Stretch]:
    """Find the steady stretches of a recording, and the stretches that looked like one and are not.

    Returns:
        Candidates in order of time; they do not overlap. ``accepted`` is True exactly where ``reason`` is empty.
    """
    finder = SteadyFinder(limits, track.dt_s)
    return finder.push(track) + finder.finish()


def _find_in_episode(
    track: Track, inside: Interval, limits: Limits, history: NoiseHistory, *, first: bool, last: bool
) -> tuple[list[Stretch], NoiseHistory]:
    """Find the stretches of one episode.

    Args:
        track: The episode and what is known around it.
        inside: The episode itself.
        limits: What counts as steady.
        history: Noise history of the episodes before.
        first: True where the track begins with the recording.
        last: True where the track ends with it.
    """
    dt_s, within = track.dt_s, slice(*inside)
    history = history.with_increments(track.rpm[:, within])
    seen = [e for e, known in enumerate(np.isfinite(track.rpm[:, within]).mean(axis=1)) if known > _SEEN_SHARE]
    as_received, silences = track, _find_silences(track, seen)
    track = _bridged(track)
    holds = [inside]
    for e in seen:
        holds = intersect(holds, find_rpm_holds(track.rpm[e], dt_s, least_count(history.increments[e])))
    if not seen:
        holds = intersect(holds, find_speed_holds(track.sog_kn, dt_s))
    track = replace(track, rpm=track.rpm[seen])
    course_held = find_course_holds(track.heading_true_deg, dt_s)
    known = runs(np.isfinite(track.sog_kn))
    steered = _before_the_helm(course_held, track, last=last)
    candidates = intersect(intersect(holds, steered), known)
    history = history.with_speed_variance([track.part(a, b) for a, b in candidates], limits)
    speed_variance = history.typical_speed_variance()
    found: list[Stretch] = []
    for a, b in candidates:
        checked = [
            _with_enough_known(s, as_received, seen)
            for s in _with_approach(apply_criteria(a, b, track, limits, speed_variance, first=first), a, track)
        ]
        found += _with_silence(checked, (a, b), _cut_by(a, b, silences, track), dt_s)
    if not seen and history.rpm_seen:
        found = [
            replace(s, accepted=False, reason=s.reason or "no engine speed, though it was known before") for s in found
        ]
    for hold in holds:
        on_course = intersect([hold], course_held)
        found += _off_course(hold, on_course, track, limits)
        found += _without_speed(on_course, known, dt_s)
    return sorted(found, key=lambda s: s.start), history


def _with_approach(found: list[Stretch], begin: int, track: Track) -> list[Stretch]:
    """Return the stretches of a hold that begins at `begin`, with how the speed of each was approached."""
    return [
        replace(
            s,
            approach_step_kn=_approach_step_kn(float(track.sog_kn[s.start : s.stop].mean()), (begin, s.stop), track),
            since_change=s.start - begin,
        )
        for s in found
    ]


def _approach_step_kn(mean_kn: float, hold: Interval, track: Track) -> float | None:
    """Return by how much a speed differs from that before the change that led to its hold; None where that is unknown.

    After a turn the speed over ground before it says nothing, because the current then was another along the course.
    With the throttle kept a boat has lost speed in the turn and regains it: what counts is how far she is from her
    speed as the hold begins. Where the throttle was moved too, rpm says how far, at constant slip.

    Args:
        mean_kn: The speed.
        hold: The hold [begin, stop).
        track: What it is part of.
    """
    begin, stop = hold
    low, near = max(begin - round(_BEFORE_S / track.dt_s), 0), max(round(_AT_START_S / track.dt_s), 1)
    before, start = slice(low, low + near), slice(begin, begin + near)
    if begin - low < near or not np.isfinite(track.sog_kn[before]).any():
        return None
    course_deg, before_deg = (circular_mean_deg(track.heading_true_deg[part]) for part in (slice(begin, stop), before))
    has_turned = (
        course_deg is not None
        and before_deg is not None
        and abs(float(wrap_deg(np.array([course_deg - before_deg]))[0])) > _TURN_DEG
    )
    if has_turned:
        lost_kn, rpm_share = _LOST_IN_A_TURN * mean_kn, _rpm_step_share(track.rpm, hold, before)
        if rpm_share == 0.0:
            return max(mean_kn - float(np.nanmean(track.sog_kn[start])), lost_kn)
        step_kn = mean_kn * rpm_share + lost_kn
    else:
        step_kn = mean_kn - float(np.nanmean(track.sog_kn[before]))
    return step_kn if abs(step_kn) > max(_NO_STEP_KN, _NO_STEP_SHARE * mean_kn) else None


def _rpm_step_share(rpm: npt.NDArray[np.float64], hold: Interval, before: slice) -> float:
    """Return the largest change of rpm from before a hold as a share of its rpm; 0 where the throttle was kept."""
    steps = [0.0]
    for engine in rpm:
        held, earlier = (part[np.isfinite(part)] for part in (engine[slice(*hold)], engine[before]))
        if held.size and earlier.size and np.median(held) > 0.0:
            steps.append(1.0 - float(np.median(earlier) / np.median(held)))
    largest = max(steps, key=abs)
    return largest if abs(largest) > _THROTTLE_SHARE else 0.0


def _short_silence(dt_s: float) -> int:
    """Return how many samples in a row may be unknown; those at both ends of a silence are so only in part."""
    return round(_SILENCE_S / dt_s) + 2


def _bridged(track: Track) -> Track:
    """Return a track with its short silences filled in, and with headings where a course stood in for a short one."""
    longest = _short_silence(track.dt_s)
    heading, over_ground = track.heading_true_deg, np.broadcast_to(track.over_ground, track.sog_kn.shape).copy()
    own = np.where(over_ground, np.nan, heading)
    filled = bridge(own, longest, angle=True)
    stood_in = np.isfinite(filled) & over_ground
    over_ground[stood_in] = False
    heading = bridge(np.where(stood_in, filled, heading), longest, angle=True)
    rpm = np.stack([bridge(engine, longest) for engine in track.rpm]) if track.rpm.size else track.rpm
    return Track(bridge(track.sog_kn, longest), rpm, heading, track.dt_s, over_ground)


def _find_silences(track: Track, seen: list[int]) -> list[Silence]:
    """Return the silences of a track that are too long to be evaluated across."""
    signals: list[tuple[str, int | None, Floats]]
    signals = [("speed", None, track.sog_kn), ("heading", None, track.heading_true_deg)]
    signals += [("rpm", engine, track.rpm[engine]) for engine in seen]
    longest, n = _short_silence(track.dt_s), track.sog_kn.size
    return [
        Silence(what, engine, a, b, whole=a > 0 and b < n)
        for what, engine, values in signals
        for a, b in runs(~np.isfinite(values))
        if b - a > longest
    ]


def _cut_by(a: int, b: int, silences: list[Silence], track: Track) -> Silence | None:
    """Return the longest silence that begins or ends a hold [a, b) which is the same on both sides of it."""
    reach, helm = round(_ROUND_A_SILENCE_S / track.dt_s), round(_COURSE_LEAD_S / track.dt_s)
    cut = [
        s
        for s in silences
        if -reach <= s.start - b <= reach + (helm if s.what == "heading" else 0) or abs(a - s.stop) <= reach
    ]
    cut = [s for s in cut if _goes_on(s, track)]
    return max(cut, key=lambda s: (s.stop - s.start, -s.start)) if cut else None


def _goes_on(silence: Silence, track: Track) -> bool:
    """Return False where rpm or course are known to be others after a silence."""
    near = round(_ROUND_A_SILENCE_S / track.dt_s)
    before, after = slice(max(silence.start - near, 0), silence.start), slice(silence.stop, silence.stop + near)
    for rpm in track.rpm:
        then, now = (known[np.isfinite(known)] for known in (rpm[before], rpm[after]))
        if then.size and now.size and abs(np.median(now) - np.median(then)) > _SAME_RPM_SHARE * np.median(then):
            return False
    then_deg, now_deg = (circular_mean_deg(track.heading_true_deg[part]) for part in (before, after))
    if then_deg is None or now_deg is None:
        return True
    return abs(float(wrap_deg(np.array([now_deg - then_deg]))[0])) <= _SAME_COURSE_DEG


def _with_silence(found: list[Stretch], hold: Interval, silence: Silence | None, dt_s: float) -> list[Stretch]:
    """Return the stretches of a hold with the silence that cut it, which is the reason where it made them too short."""
    if silence is None:
        return found
    seconds = (silence.stop - silence.start) * dt_s
    why = f"{silence.what} silent: {'' if silence.whole else 'over '}{seconds:.1f} s"
    if not found and (hold[1] - hold[0]) * dt_s >= _ROUND_A_SILENCE_S:
        return [Stretch(*hold, False, why, silence)]
    return [replace(s, silence=silence, reason=why if s.reason.startswith("too short") else s.reason) for s in found]


def _with_enough_known(stretch: Stretch, as_received: Track, seen: list[int]) -> Stretch:
    """Return a stretch refused where too much of it lies in silences, short as each of them was."""
    if not stretch.accepted:
        return stretch
    part = as_received.part(stretch.start, stretch.stop)
    signals = [("speed", part.sog_kn), ("heading", part.heading_true_deg), *(("rpm", part.rpm[e]) for e in seen)]
    for what, values in signals:
        known = float(np.isfinite(values).mean())
        if known < _KNOWN_SHARE:
            reason = f"{what} silent: {100.0 * (1.0 - known):.0f} % of the stretch, in short pieces"
            return replace(stretch, accepted=False, reason=reason)
    return stretch


def _before_the_helm(course_held: list[Interval], track: Track, *, last: bool) -> list[Interval]:
    """Return course holds without their last seconds: heading lags the rudder, and course over ground more."""
    over_ground = np.broadcast_to(track.over_ground, track.sog_kn.shape)
    steered = []
    for a, b in course_held:
        lead_s = _HELM_LEAD_S
        if over_ground[max(b - round(_COURSE_LEAD_S / track.dt_s), a) : b].any():
            lead_s = _COURSE_LEAD_S
        # an rpm shows a throttle at once, so what is left out at any end of a hold is part of it
        stop = b if last and b == track.sog_kn.size else b - round((lead_s - LEAD_S) / track.dt_s)
        if stop > a:
            steered.append((a, stop))
    return steered


def _complement(outer: Interval, inner: list[Interval], dt_s: float) -> list[Interval]:
    """Return what of an interval the inner ones leave free, where it is long enough to be worth a line."""
    edges = [outer[0], *(edge for interval in inner for edge in interval), outer[1]]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * dt_s >= WORTH_LISTING_S]


def _off_course(hold: Interval, on_course: list[Interval], track: Track, limits: Limits) -> list[Stretch]:
    off = _complement(hold, on_course, track.dt_s)
    return [Stretch(a, b, False, _why_off_course(track.part(a, b), limits)) for a, b in off]


def _why_off_course(track: Track, limits: Limits) -> str:
    """Return why a part of a hold is on no course: a boat that lies still swings, or tells none."""
    sog = track.sog_kn[np.isfinite(track.sog_kn)]
    if sog.size > 0.5 * track.sog_kn.size and (still := lies_still(float(sog.mean()), limits)):
        return still
    return "turning" if np.isfinite(track.heading_true_deg).mean() > 0.5 else "no heading and no course"


def _without_speed(on_course: list[Interval], known: list[Interval], dt_s: float) -> list[Stretch]:
    lost = [gap for hold in on_course for gap in _complement(hold, intersect([hold], known), dt_s)]
    return [Stretch(a, b, False, "no speed over ground") for a, b in lost]


# Detection on block means of a samples table.

_WORK_HZ = 4.0
"""Rate at which detection works: a hull takes seconds to answer (our choice)."""


class BlockMeans:
    """Averages samples over blocks of a quarter of a second or more, counted from the very first row.

    The blocks are the same however the table is cut into pieces: rows that do not fill a block wait for the next
    piece, and a block that is never filled is left out. Finer sampling would add no information about a hull that
    takes seconds to answer.

    Args:
        config: Engines and grid.
    """

    def __init__(self, config: Config) -> None:
        """Begin before the first row."""
        self.rows = max(round(config.samples.grid_hz / _WORK_HZ), 1)
        """Number of rows in a block."""
        self.dt_s = self.rows / config.samples.grid_hz
        """Spacing of the blocks [s]."""
        self._names = ["sog_kn", *(f"rpm_{e}" for e in config.engine_ids), "heading_true_deg", "cog_true_deg"]
        self._rest: Floats = np.zeros((len(self._names), 0))

    def push(self, samples: pa.Table) -> Track:
        """Take the next rows and return the blocks they complete; a block with an unknown value is unknown."""
        values = np.concatenate([self._rest, np.vstack([column(samples, name) for name in self._names])], axis=1)
        whole = values.shape[1] // self.rows
        self._rest = values[:, whole * self.rows :].copy()
        blocks = values[:, : whole * self.rows].reshape(len(self._names), whole, self.rows)
        means = blocks[:-2].mean(axis=2)
        # an angle is not averaged across north: the middle sample of a block stands for it
        heading, course = blocks[-2:, :, self.rows // 2]
        over_ground = ~np.isfinite(heading)
        return Track(means[0], means[1:], np.where(over_ground, course, heading), self.dt_s, over_ground)


class SegmentFinder:
    """Finds the steady stretches of samples that arrive in pieces of any size; see `SteadyFinder`.

    Args:
        config: Engines, grid and limits.
    """

    def __init__(self, config: Config) -> None:
        """Begin before the first row."""
        self._blocks = BlockMeans(config)
        self._finder = SteadyFinder(limits_of(config), self._blocks.dt_s)

    def push(self, samples: pa.Table) -> list[Stretch]:
        """Take the next rows and return the stretches that have become final, as rows counted from the first ever."""
        return self._in_rows(self._finder.push(self._blocks.push(samples)))

    def peek(self) -> list[Stretch]:
        """Return what `finish` would return if the recording ended here, and change nothing."""
        return self._in_rows(self._finder.peek())

    def finish(self) -> list[Stretch]:
        """Return the stretches of what is left, with the recording ending here; nothing can be pushed afterwards."""
        return self._in_rows(self._finder.finish())

    def _in_rows(self, stretches: Sequence[Stretch]) -> list[Stretch]:
        rows = self._blocks.rows
        return [s.moved(0, rows) for s in stretches]
