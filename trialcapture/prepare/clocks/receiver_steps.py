"""Steps of a receiver's own time: cold starts, restarts, leap seconds, dates of another epoch.

A receiver's time is compared with the receive-time axis of its log. Where their difference changes for good, either the
receiver's clock was set or the computer's was. What else happened there decides: the second clock of the computer, the
lines of other instruments, and how far the boat moved. A step of the receiver is taken out of its times; which level is
UTC is chosen once for the whole log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import offsets_m
from trialcapture.prepare.clocks.lower_envelope import ClockFit, usual_step_ns
from trialcapture.prepare.data_health import ClockStep, Disagreement, Item, Restart

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

JUMP_NS = 2_000_000_000
"""Two sentences of a receiver whose delays differ by more do not lie on one level (common practice, no source)."""
LONGEST_DELAY_S = 15.0
"""A sentence later than this is no delayed one: its time is wrong (common practice, no source)."""
WHOLE_S = 0.15
"""A step this near to whole seconds is one of whole seconds (common practice, no source)."""
EPOCH_S = 1024 * 7 * 86_400.0
"""The week number of the GPS message has ten bits (IS-GPS-200)."""
_SAME_LEVEL_NS = 1_000_000_000
"""Levels nearer than this are one [ns]; smaller steps are found by `fit_lower_envelope` (our choice)."""
_ORDER_JUMP_NS, _ORDER_ROOM_S = 700_000_000, 0.3
"""Where lines have no stamps: the smallest jump [ns], and how near to whole seconds a step is one of them [s] (our
choice, no source)."""
_ENVELOPE_WINDOW_NS, _ENVELOPE_ROWS = 60_000_000_000, 200
"""The lower envelope at the end of a run is taken over so long [ns] and so many rows at most (our choice, no
source)."""
_MOST_RUNS = 4000
"""Runs that are followed: a bound on time, far above any log's (our choice)."""
_LIKE_S = 0.5
"""Levels this near agree [s] (our choice, no source)."""
_GOOD_WALL_S, _FAIR_WALL_S = 0.5, 5.0
"""A computer's clock tells which level is UTC where it is this near one of them and far from the next [s] (our choice,
no source)."""
BEFORE_ALL = -(1 << 62)
"""Earlier than any time on an axis [ns]."""
_MOTION_S, _MOTION_REACH_S = 3.0, 60.0
"""Speed is taken from fixes at least so far apart and within such a reach [s] (our choice, no source)."""
MOTION_FLOOR_M, _MOTION_SHARE = 3.0, 0.3
"""What the distance between two fixes may be off by: in metres, and as a share of the way (common practice, no
source)."""
_FIRST_YEAR_NS = 788_918_400_000_000_000  # 1995-01-01: GPS was declared operational in that year
_NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class TimeCorrection:
    """What to add to a receiver's own time, level by level.

    Attributes:
        starts_ns: Where on the log's receive-time axis each level begins [ns]; the first reaches back for ever.
        added_ns: What to add there [ns].
    """

    starts_ns: tuple[int, ...] = (BEFORE_ALL,)
    added_ns: tuple[int, ...] = (0,)

    @property
    def is_plain(self) -> bool:
        """True where nothing is to be added."""
        return not any(self.added_ns)

    def level(self, at_ns: Ints) -> Ints:
        """Return the index of the level each place on the axis falls in."""
        found = np.searchsorted(np.asarray(self.starts_ns[1:], dtype=np.int64), at_ns, side="right")
        return found.astype(np.int64)

    def added(self, at_ns: Ints, step: int = 0) -> Ints:
        """Return what to add at places on the axis [ns]; `step` takes the level so many later instead."""
        level = np.clip(self.level(at_ns) + step, 0, len(self.added_ns) - 1)
        return np.asarray(self.added_ns, dtype=np.int64)[level]

    def moved(self, by_ns: int) -> TimeCorrection:
        """Return the same with as much more added everywhere [ns]."""
        return TimeCorrection(self.starts_ns, tuple(a + by_ns for a in self.added_ns))

    def joined(self, starts_ns: Sequence[int], added_ns: Sequence[int]) -> TimeCorrection:
        """Return this and a second such list as one; its first start reaches back for ever too."""
        starts = sorted({*self.starts_ns[1:], *starts_ns[1:]})
        at = np.array([BEFORE_ALL, *starts], dtype=np.int64)
        total = self.added(at) + TimeCorrection(tuple(starts_ns), tuple(added_ns)).added(at)
        kept = np.concatenate([[True], np.diff(total) != 0])
        return TimeCorrection(tuple(int(s) for s in at[kept]), tuple(int(a) for a in total[kept]))


@dataclass(frozen=True, slots=True)
class TimedSentences:
    """The timed sentences of one receiver, in order of arrival, without those whose time stood still; shape (n,) each.

    Attributes:
        axis_ns: Place on the receive-time axis [ns].
        utc_ns: Their own time [ns since 1970 UTC].
        wall_ns: Wall clock when received [ns since 1970], or None where lines do not carry it.
        fixed: True where the receiver had a fix.
        lat_deg, lon_deg: Position with that fix, else NaN.
        judges: True where the receiver says at all whether it has a fix.
    """

    axis_ns: Ints
    utc_ns: Ints
    wall_ns: Ints | None
    fixed: Bools
    lat_deg: Floats
    lon_deg: Floats
    judges: bool


@dataclass(frozen=True, slots=True)
class RecordingContext:
    """What else is known of the recording.

    Attributes:
        clock: Receive clock, ``mono``, ``wall`` or ``order``.
        breaks_ns: Where on the axis that clock was set back [ns].
        lines_ns: Places on the axis of all kept lines of the log, ascending [ns].
    """

    clock: str
    breaks_ns: Ints
    lines_ns: Ints


def find_time_correction(timed: TimedSentences, around: RecordingContext) -> TimeCorrection:
    """Return what puts a receiver's time on one level, its last, wherever its own clock was set by over a second.

    Smaller steps are found by `lower_envelope.fit_lower_envelope`, which knows the clocks' drift.
    """
    starts: list[int] = [BEFORE_ALL]
    steps: list[int] = [0]
    delay_ns = timed.axis_ns - timed.utc_ns
    # lines in order have no delays, so smaller jumps show
    jump_ns, same_ns = (_ORDER_JUMP_NS, _ORDER_JUMP_NS) if around.clock == "order" else (JUMP_NS, _SAME_LEVEL_NS)
    runs = find_runs(timed, delay_ns, jump_ns)
    usual_ns = usual_step_ns(timed.utc_ns)
    before = runs[0] if runs else np.zeros(0, dtype=np.int64)
    for after in runs[1:]:
        edges = [_envelope_level_ns(delay_ns, timed.axis_ns, run, last=run is before) for run in (before, after)]
        step_ns = edges[0] - edges[1]
        if abs(step_ns) > same_ns:
            size_ns = _receiver_step_ns(timed, around, int(before[-1]), int(after[0]), step_ns, usual_ns)
            if size_ns is None:
                continue
            if size_ns:
                starts.append(int(timed.axis_ns[after[0]]))
                steps.append(whole_ns(size_ns))
        before = after
    # the receiver went ahead by `steps`; what came before is behind by them
    added = np.cumsum(steps[::-1])[::-1]
    return TimeCorrection(tuple(starts), (*(int(a) for a in added[1:]), 0))


def find_runs(timed: TimedSentences, delay_ns: Ints, jump_ns: int) -> list[Ints]:
    """Return the indices of each lasting run of sentences whose delays are alike; lone strays belong to none."""
    index = np.arange(timed.axis_ns.size)
    if index.size < 2:
        return []
    cuts = np.flatnonzero(np.abs(np.diff(delay_ns)) > jump_ns) + 1
    if not cuts.size:
        return [index]
    sizes = np.diff(np.concatenate([[0], cuts, [index.size]]))
    least = 2 if cuts.size <= _MOST_RUNS else int(np.sort(sizes)[-_MOST_RUNS])
    lasting = [run for run in np.split(index, cuts) if run.size >= max(least, 2)]
    joined: list[Ints] = []
    for run in lasting:
        # what only strays had parted is one run still
        if joined and abs(int(delay_ns[run[0]] - delay_ns[joined[-1][-1]])) <= jump_ns:
            joined[-1] = np.concatenate([joined[-1], run])
        else:
            joined.append(run)
    return joined


def whole_ns(size_ns: int, room_s: float = WHOLE_S) -> int:
    """Return a step [ns], as whole seconds where it is as good as that."""
    whole = round(size_ns / 1e9) * _NS_PER_S
    return whole if abs(size_ns - whole) < room_s * 1e9 else size_ns


def _envelope_level_ns(delay_ns: Ints, axis_ns: Ints, run: Ints, *, last: bool) -> int:
    """Return the lower envelope of one end of a run [ns]: the second least delay there, so that no stray rules."""
    part = run[-_ENVELOPE_ROWS:] if last else run[:_ENVELOPE_ROWS]
    near = np.abs(axis_ns[part] - axis_ns[part[-1] if last else part[0]]) <= _ENVELOPE_WINDOW_NS
    found = np.sort(delay_ns[part[near]])
    return int(found[1 if found.size > 2 else 0])


def _receiver_step_ns(
    timed: TimedSentences, around: RecordingContext, i: int, j: int, step_ns: int, usual_ns: float
) -> int | None:
    """Return how far the receiver's clock was set between its sentences `i` and `j` [ns].

    0 where another clock was, None where nothing but the sentences' delay changed.
    """
    axis = int(timed.axis_ns[j] - timed.axis_ns[i])
    told = int(timed.utc_ns[j] - timed.utc_ns[i])
    runs_on = 0 < told <= 2.5 * usual_ns + 0.5e9
    wall = None if timed.wall_ns is None else int(timed.wall_ns[j] - timed.wall_ns[i])
    has_break = bool(np.any((around.breaks_ns > timed.axis_ns[i]) & (around.breaks_ns <= timed.axis_ns[j])))
    if has_break:
        # the clock of the axis began anew, so it does not tell how long that took
        if wall is None or abs(told - wall) <= 2e9:
            return 0
        if around.clock == "mono":
            return told - wall
        both = step_ns < 0 or moved_on(timed, i, j, axis + usual_ns, told)
        # the axis leaves out the time from the last line before to the first line after
        return round(told - max(np.ceil(axis / usual_ns - 0.05), 1.0) * usual_ns) if both else 0
    if around.clock == "order":
        size_ns = whole_ns(step_ns, _ORDER_ROOM_S)
        return size_ns if size_ns % _NS_PER_S == 0 or abs(step_ns) > JUMP_NS else None
    if runs_on and -LONGEST_DELAY_S * 1e9 < step_ns < 0:
        return None
    if around.clock == "mono" and wall is not None:
        with_wall = abs((wall - axis) - step_ns) <= np.clip(0.1 * abs(step_ns), 0.4e9, 2e9)
        # both went on without the monotonic clock: it stood still, unless the boat shows that no time went by
        return 0 if with_wall and not moved_on(timed, i, j, axis, told) else step_ns
    if not runs_on and axis > 2.5 * usual_ns and moved_on(timed, i, j, usual_ns, axis):
        return round(told - usual_ns)  # both clocks were set
    if step_ns > 0:
        return step_ns
    # a receive clock set ahead leaves a hole of that size between two lines; a receiver set back leaves none
    inside = around.lines_ns[
        np.searchsorted(around.lines_ns, timed.axis_ns[i]) : np.searchsorted(around.lines_ns, timed.axis_ns[j], "right")
    ]
    hole = int(np.diff(inside).max()) if inside.size > 1 else axis
    return 0 if hole >= -step_ns - 0.5e9 else step_ns


def moved_on(
    timed: TimedSentences, i: int, j: int, short_ns: float, long_ns: float, *, floor_m: float = MOTION_FLOOR_M
) -> bool | None:
    """Return whether the boat moved between sentences `i` and `j` as in the shorter of two times.

    Args:
        timed: With positions.
        i, j: Last sentence before and first after.
        short_ns, long_ns: How long it was between them, if one clock or the other is right [ns].
        floor_m: What a distance between fixes a second or so apart may be off by [m].

    Returns:
        True where she was no farther on than the first would bring her, False where she was, None where she
        moved too slowly, or too little is known of her, to tell.
    """
    reach = 120
    before = np.flatnonzero(np.isfinite(timed.lat_deg[max(i - reach, 0) : i + 1])) + max(i - reach, 0)
    after = np.flatnonzero(np.isfinite(timed.lat_deg[j : j + reach])) + j
    if before.size < 2 or after.size < 2:
        return None
    a, b = int(before[-1]), int(after[0])
    speeds = [v for v in (_speed(timed, before[::-1]), _speed(timed, after)) if v is not None]
    extra_s = float((timed.utc_ns[i] - timed.utc_ns[a]) + (timed.utc_ns[b] - timed.utc_ns[j])) / 1e9
    if not speeds or not 0.0 <= extra_s <= _MOTION_REACH_S:
        return None
    speed = float(np.mean(speeds))
    short_s, long_s = short_ns / 1e9 + extra_s, long_ns / 1e9 + extra_s
    expected = speed * abs(short_s)
    room = floor_m + _MOTION_SHARE * expected
    if speed * abs(long_s - short_s) < 2.0 * room:
        return None
    apart = _distance_m(timed, a, b) - expected
    # less far is right too, for the two may be sentences of one fix; unless it is a shorter time that may be true
    return apart <= room and (apart >= -room or not 0.0 <= long_s < short_s)


def _speed(timed: TimedSentences, rows: Ints) -> float | None:
    """Return the speed from the first of some rows to the next one that is some seconds away [m/s]."""
    since = np.abs(timed.utc_ns[rows] - timed.utc_ns[rows[0]]) / 1e9
    far = rows[(since >= _MOTION_S) & (since <= _MOTION_REACH_S)]
    if not far.size:
        far = rows[(since > 0.0) & (since <= _MOTION_REACH_S)][-1:]
    if not far.size:
        return None
    other = int(far[0])
    return _distance_m(timed, int(rows[0]), other) / (abs(int(timed.utc_ns[other] - timed.utc_ns[rows[0]])) / 1e9)


def _distance_m(timed: TimedSentences, a: int, b: int) -> float:
    north, east = offsets_m(
        float(timed.lat_deg[b]),
        float(timed.lon_deg[b]),
        (float(timed.lat_deg[a]), float(timed.lon_deg[a])),
    )
    return float(np.hypot(north, east))


def deciding_rows(timed: TimedSentences, own: TimeCorrection) -> Bools:
    """Return True for sentences whose level may decide UTC: one with a fix, and in a year that can be."""
    level = own.level(timed.axis_ns)
    count = len(own.added_ns)
    fixed = np.bincount(level[timed.fixed], minlength=count) > 0
    possible = np.array([is_possible(timed.utc_ns[level == k]) for k in range(count)])
    for good in (fixed & possible, fixed, possible):
        if good.any():
            mask: Bools = good[level]
            return mask
    return np.ones(level.size, dtype=np.bool_)


def is_possible(utc_ns: Ints) -> bool:
    """Return True where times [ns] lie in years in which a receiver can have had a fix."""
    return bool(utc_ns.size) and float(np.median(utc_ns)) > _FIRST_YEAR_NS


def _is_epochs(ahead_s: Floats) -> Bools:
    """Return True where a time is ahead by whole epochs of 1024 weeks, but for what else it may have been set by."""
    epochs = np.rint(ahead_s / EPOCH_S)
    found: Bools = (epochs > 0) & (np.abs(ahead_s - epochs * EPOCH_S) < 86_400.0)
    return found


def epochs_behind_ns(own: TimeCorrection, level: int, others_s: Sequence[tuple[str, float]]) -> int:
    """Return whole epochs by which a level lies behind another receiver [ns]; arguments as for `choose_level`."""
    ahead_s = np.array([own.added_ns[level] / 1e9 + ahead for _, ahead in others_s])
    found = ahead_s[_is_epochs(ahead_s)]
    return round(EPOCH_S) * round(float(found[0]) / EPOCH_S) * _NS_PER_S if found.size else 0


def choose_level(timed: TimedSentences, own: TimeCorrection, others_s: Sequence[tuple[str, float]]) -> tuple[int, str]:
    """Return which level of a receiver tells UTC, and why.

    Args:
        timed: Its sentences.
        own: Its levels.
        others_s: Names of other receivers that were never set, and how far ahead of the last level of this one
            each is [s].

    Returns:
        Index of the level, and the reason in words that follow "UTC is taken from the time".
    """
    count = len(own.added_ns)
    if count == 1:
        return 0, ""
    level = own.level(timed.axis_ns)
    decides = np.unique(level[deciding_rows(timed, own)])
    after_s = np.array(own.added_ns) / 1e9  # how far ahead of each level the last one is
    # a date that is whole epochs off is too early, never too late
    behind = [k for k in decides if np.any(_is_epochs(after_s[k] - after_s[decides]))]
    decides = decides[~np.isin(decides, behind)]
    for name, ahead_s in others_s:
        away = np.abs(after_s + ahead_s)
        best = decides[np.argmin(away[decides])]
        if away[best] < 1.5 and np.all(away[decides][away[decides] > away[best] + _LIKE_S] > away[best] + _LIKE_S):
            return int(best), f"that agrees with {name}"
    if timed.wall_ns is not None:
        off_s = np.array(
            [abs(float(np.median((timed.wall_ns - timed.utc_ns)[level == k]))) / 1e9 for k in range(count)]
        )
        best = decides[np.argmin(off_s[decides])]
        unlike = decides[np.abs(after_s[decides] - after_s[best]) > _LIKE_S]
        if unlike.size:
            next_s = float(off_s[unlike].min())
            if (off_s[best] < _GOOD_WALL_S and next_s > off_s[best] + 0.6) or (
                off_s[best] < _FAIR_WALL_S and next_s > 10.0 * _FAIR_WALL_S
            ):
                return int(best), "that agrees with the computer's clock"
    for k in decides[::-1]:
        alike = [int(m) for m in decides if abs(after_s[m] - after_s[k]) <= _LIKE_S]
        if len(alike) > 1 and max(alike) - min(alike) > 1:
            return int(k), "that it came back to"
    last = int(decides[-1])
    if decides.size == 1:
        return last, "with a fix"
    return last, "after it"


# Items of data health: steps of receivers' times and of the recording computer's clocks.

_RESTART_S = 10.0
"""A receiver silent for longer before its time steps has begun anew (common practice, no source)."""
_NEAR_ROWS, _MOST_STEPS = 20, 1000
"""Rows on both sides by which a step of the computer's clock is sized, and steps looked at: a bound on time (our
choice)."""
_TIES = ("computer's clock", "order of lines")


def corrected_time(key: str, receiver: str, by_ns: int, u_s: float) -> Disagreement:
    """Return the item of a receiver whose time was moved onto that of the main one, by so much [ns]."""
    return Disagreement(
        f"time of {key}", f"time of {receiver}", -by_ns / 1e9, u_s, "s", None, None, "corrected",
        f"none: its sentences are placed on the UTC of {receiver}",
    )  # fmt: skip


def corrected_epochs(what: str, days: float) -> ClockStep:
    """Return the item of dates that were moved by so many days, whole epochs of 1024 weeks, onto the true ones."""
    weeks = round(abs(days) / 7.0)
    return ClockStep(
        None, what, -days * 86_400.0,
        f"the receiver's date is {weeks} weeks off (GPS week rollover); corrected by whole epochs",
        "none: the time of day is the receiver's",
    )  # fmt: skip


def describe_steps(key: str, timed: TimedSentences, own: TimeCorrection, main: ClockFit | None, why: str) -> list[Item]:
    """Return an item for each step of a receiver's own time.

    Args:
        key: ``source/talker``.
        timed: Its timed sentences.
        own: What is added to its time.
        main: The receive clock against UTC; None where the axis is UTC itself.
        why: Which of its times is taken for UTC, in words that follow "the time".
    """
    items: list[Item] = []
    level = own.level(timed.axis_ns)
    for k in range(1, len(own.added_ns)):
        size_s = (own.added_ns[k - 1] - own.added_ns[k]) / 1e9
        start = np.array([own.starts_ns[k]], dtype=np.int64)
        at_ns = int(start[0] if main is None else main.to_utc(start)[0])
        before, after = timed.axis_ns[level < k], timed.axis_ns[level >= k]
        silent_s = float(after[0] - before[-1]) / 1e9 if before.size and after.size else 0.0
        free = timed.judges and not timed.fixed[level < k].any() and bool(timed.fixed[level >= k].any())
        cause = _cause(size_s, silent_s, free=free)
        cost = f"none: what came before and after is tied together by the {_TIES[main is None]}; UTC is the time {why}"
        items.append(ClockStep(at_ns, f"time of {key}", round(size_s, 3), cause, cost))
        if silent_s > _RESTART_S and not free:
            items.append(
                Restart(
                    at_ns, f"receiver {key}", round(size_s, 3),
                    f"silent for {silent_s:.0f} s, then another time", f"{silent_s:.0f} s without its sentences",
                )
            )  # fmt: skip
    return items


def _cause(size_s: float, silent_s: float, *, free: bool) -> str:
    if free:
        return "its clock ran free until it had a fix"
    epochs = round(size_s / EPOCH_S)
    if epochs and abs(size_s - epochs * EPOCH_S) < 1.0:
        return f"its week count moved by {abs(epochs) * 1024} weeks"
    if 1 <= abs(size_s) <= 20 and size_s == round(size_s):
        return "the receiver's UTC was whole seconds off, as before it has learned the leap seconds, and was put right"
    return "it restarted" if silent_s > _RESTART_S else "it restarted or its clock was set"


def computer_steps(
    clock: str, timed: TimedSentences, own: TimeCorrection, fit: ClockFit, breaks_ns: Ints
) -> list[Item]:
    """Return an item for each step of the recording computer's clocks against UTC."""
    items: list[Item] = []
    utc = timed.utc_ns + own.added(timed.axis_ns)
    repaired = fit.repaired_s or (0.0,) * len(fit.starts_ns)
    levels = [k for k in range(1, len(fit.starts_ns)) if repaired[k] == repaired[k - 1]]
    for k in levels if clock == "mono" else []:
        at = np.array([fit.starts_ns[k]], dtype=np.int64)
        size_s = round((fit.offsets_ns[k] - fit.offsets_ns[k - 1]) / 1e9, 3)
        near = breaks_ns.size and np.abs(breaks_ns - at[0]).min() < 10e9
        if near:
            items.append(
                Restart(
                    int(fit.to_utc(at)[0]), "recorder", None, "the recording was begun anew, its monotonic clock too",
                    f"{max(-size_s, 0.0):.0f} s between are missing; times are taken from GNSS on both sides",
                )
            )  # fmt: skip
        elif timed.wall_ns is not None and not _wall_moved(timed, int(at[0]), -size_s):
            items.append(
                ClockStep(
                    int(fit.to_utc(at)[0]), "delay of the receiver", size_s,
                    "its sentences were longer on the way from here on, or shorter; the computer's clocks ran on",
                    f"times on one side may be off by {abs(size_s):.1f} s",
                )
            )  # fmt: skip
        else:
            cause = "the recording computer slept or its clock was interrupted"
            items.append(
                ClockStep(
                    int(fit.to_utc(at)[0]), "monotonic clock of the recording computer", size_s, cause,
                    f"{max(-size_s, 0.0):.0f} s are missing; times are taken from GNSS on both sides",
                )
            )  # fmt: skip
    if timed.wall_ns is None:
        return items
    off_ns = timed.wall_ns - utc
    starts = (
        [int(np.searchsorted(timed.axis_ns, fit.starts_ns[k])) for k in levels]
        if clock == "wall"
        else _lasting_steps(off_ns)
    )
    for i in starts:
        before, after = off_ns[max(i - _NEAR_ROWS, 0) : i], off_ns[i : i + _NEAR_ROWS]
        if not before.size or not after.size:
            continue
        size_s = round(float(np.median(after) - np.median(before)) / 1e9, 1)
        cost = (
            "none: times come from the monotonic clock"
            if clock == "mono"
            else "none: times are taken from GNSS, by the lines before and after"
        )
        items.append(
            ClockStep(
                int(utc[i]), "wall clock of the recording computer", size_s,
                "the recording computer's clock was stepped", cost,
            )
        )  # fmt: skip
    return items


def _wall_moved(timed: TimedSentences, start_ns: int, by_s: float) -> bool:
    """Return True where the wall clock moved against the monotonic one just there and so far."""
    at = int(np.searchsorted(timed.axis_ns, start_ns))
    if timed.wall_ns is None or not 0 < at < timed.axis_ns.size:
        return True
    moved_ns = np.diff(timed.wall_ns - timed.axis_ns)[max(at - 3, 0) : at + 2]
    return bool(np.any(np.abs(moved_ns / 1e9 - by_s) < max(0.3, 0.1 * abs(by_s))))


def _lasting_steps(off_ns: Ints) -> list[int]:
    """Return where a clock moved by over a second against UTC and stayed there."""
    found = []
    for i in (np.flatnonzero(np.abs(np.diff(off_ns)) > 1e9) + 1)[:_MOST_STEPS]:
        before, after = off_ns[max(i - 5, 0) : i], off_ns[i : i + 5]
        if abs(float(np.median(after) - np.median(before))) > 1e9 and np.ptp(after) < 1e9 and np.ptp(before) < 1e9:
            found.append(int(i))
    return found
