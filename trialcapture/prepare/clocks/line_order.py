"""Logs without receive-time stamps: UTC by the order of the lines between the sentences that carry a time.

Pauses of the recording are told from steps of the receiver's clock by what else the lines say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.prepare.clocks.lower_envelope import usual_step_ns
from trialcapture.prepare.clocks.receiver_steps import (
    BEFORE_ALL,
    MOTION_FLOOR_M,
    WHOLE_S,
    TimeCorrection,
    TimedSentences,
    choose_level,
    epochs_behind_ns,
    is_possible,
    moved_on,
    whole_ns,
)
from trialcapture.prepare.clocks.sentence_times import integer_column, receiver_codes

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_FEW = 10
"""Sentences of a kind from which its place in the burst is known (our choice, no source)."""
_MOST_STRAYS = 4
"""Wrong times in a row that are taken for damage (our choice, no source)."""
_MOST_BREAKS = 2000
"""Breaks of a log that are looked at: a bound on time, far above any log's (our choice)."""
_FAR_NS = 60_000_000_000
"""Several wrong times in a row are damage only where they are so far off [ns] (our choice, no source)."""
_SLIP_NS = 600_000_000
"""A step longer than usual by this is looked at as a slip of a whole second [ns] (our choice, no source)."""
_COARSE_NS = 3_000_000_000
"""What a wall clock of whole seconds, seen on a line nearby, may be off by (common practice, no source)."""
_LONGEST_PAUSE_NS = 14 * 86_400_000_000_000
"""A longer step of time is no pause of the recording [ns]: the longest session of one trial, 14 days (our
choice)."""


@dataclass(frozen=True, slots=True)
class Epochs:
    """The times one receiver told, in the order of the log.

    Attributes:
        line: First line of each new time, shape (n,), strictly ascending.
        utc_ns: Those times [ns since 1970 UTC], ascending unless recordings are joined in another order.
        usual_ns: Median step from one to the next [ns].
        pace_ns: Median time a line takes [ns].
        mean_ns: The same, the mean [ns]: right over many lines, where those of an epoch differ in number.
    """

    line: Ints
    utc_ns: Ints
    usual_ns: float
    pace_ns: float
    mean_ns: float


@dataclass(frozen=True, slots=True)
class TimesByOrder:
    """A receiver's times along a log without stamps.

    Attributes:
        epochs: Its times, steps taken out; None where it told none.
        own: What to add to its own time; a level begins at a line.
        timed: Its times as told, strays left out; the axis is the line.
        why: Which of its times is taken for UTC, in words that follow "the time".
        pauses: Indices into `timed` of the first time after each pause of the recording.
    """

    epochs: Epochs | None
    own: TimeCorrection
    timed: TimedSentences
    why: str
    pauses: tuple[int, ...]


def find_times_by_order(timed: TimedSentences, others: Mapping[str, TimedSentences], around: Ints) -> TimesByOrder:
    """Return the believable new times of the main receiver, on one level wherever its clock was set.

    Where a time is not the next one after the time before, either the recording paused or the receiver's clock was
    set. There are only the lines to tell, so what else they say decides: the computer's clock where they carry a
    coarse one, whether the receiver had a fix, how far the boat moved, other receivers. Where nothing does, time
    that goes back is a step, and so is time that leaps ahead and comes back; other leaps ahead are pauses.

    Args:
        timed: Of the main receiver; the axis is the line.
        others: The same of other receivers, from the downsampled index.
        around: How many sentences of other talkers and sources came in before each time.
    """
    told, stray = timed, _find_strays(timed.utc_ns)
    timed, around = _taken(timed, ~stray), around[~stray]
    line, utc = timed.axis_ns, timed.utc_ns
    if not line.size:
        return TimesByOrder(None, TimeCorrection(), timed, "", ())
    step, usual = np.diff(utc), usual_step_ns(utc)
    regular = (step > 0) & (step <= _limit_ns(usual))
    passed = _passed_ns(np.diff(line), np.diff(around), step, regular, usual)
    # a second more than usual shows where no more lines than usual lie between
    slip = regular & (step >= usual + _SLIP_NS) & (passed <= np.maximum(1.3 * usual, 0.5 * step))
    breaks = np.flatnonzero(~regular | slip)[:_MOST_BREAKS]
    elapsed = usual * np.maximum(np.rint(passed / usual), 1.0)
    sizes = [_step_ns(timed, others, int(i), usual, float(elapsed[i])) for i in breaks]
    # how many epochs of a fast receiver went by, lines tell to two or three only
    room_s = float(np.clip(3.0 * usual / 1e9, WHOLE_S, 0.45)) if usual < 0.5e9 else WHOLE_S
    own = TimeCorrection()
    settled = _settled(sizes, [round(step[i] - elapsed[i]) for i in breaks])
    for i, size in zip(breaks[::-1], settled[::-1], strict=True):
        if size:
            own = own.joined((BEFORE_ALL, int(line[i + 1])), (whole_ns(size, room_s), 0))
    level = own.level(line)
    pauses = [
        int(i) + 1
        for i in breaks
        if step[i] > _limit_ns(usual) and level[i] == level[i + 1] and not _was_silent(float(step[i]), elapsed[i])
    ]
    ahead_s = _ahead_s(others, line, utc + own.added(line))
    chosen, why = choose_level(timed, own, ahead_s)
    own = own.moved(epochs_behind_ns(own, chosen, ahead_s) - own.added_ns[chosen])
    assigned = utc + own.added(line)
    line, assigned = _with_strays(line, assigned, told.axis_ns[stray], usual)
    # two formatters of one epoch may share a line only where a log is damaged; a time told twice is one
    alone = np.concatenate([np.diff(line) > 0, [True]]) & np.concatenate([[True], np.diff(assigned) != 0])
    line, assigned = line[alone], assigned[alone]
    pace_ns = float(np.median(np.diff(assigned) / np.diff(line))) if line.size > 1 else 0.0
    mean_ns = _mean_pace_ns(line, assigned, usual) or max(pace_ns, 0.0)
    return TimesByOrder(Epochs(line, assigned, usual, max(pace_ns, 0.0), mean_ns), own, timed, why, tuple(pauses))


def _mean_pace_ns(line: Ints, utc: Ints, usual: float) -> float:
    """Return the mean time a line takes while the receiver tells its times [ns], 0 where nothing shows it."""
    step = np.diff(utc)
    regular = (step > 0) & (step <= _limit_ns(usual))
    return float(step[regular].sum()) / float(np.diff(line)[regular].sum()) if regular.any() else 0.0


def _passed_ns(lines: Ints, around: Ints, step: Ints, regular: Bools, usual: float) -> Floats:
    """Return how long it was from each time to the next by what else came in meanwhile [ns].

    By all lines; across a silence of the receiver by those of others, where there are enough.
    """
    lines = np.maximum(lines, 1)
    pace = float(np.median(step[regular] / lines[regular])) if regular.any() else usual
    passed: Floats = lines.astype(np.float64) * pace
    told_ns = float(step[regular].sum())
    count = float(around[regular].sum())
    if count * usual >= told_ns > 0:
        passed = np.where(passed > 2.5 * usual, around * (told_ns / count), passed)
    return passed


def _with_strays(line: Ints, assigned: Ints, strays: Ints, usual: float) -> tuple[Ints, Ints]:
    """Return the times with those lines put back where a time that could not be stood, if just they are missing."""
    if not strays.size or line.size < 2:
        return line, assigned
    after = np.searchsorted(line, strays)
    inside = (after > 0) & (after < line.size)
    strays, after = strays[inside], after[inside]
    nth = np.arange(strays.size) - np.searchsorted(after, after) + 1
    missing = np.bincount(after, minlength=line.size)[after]
    fits = np.abs(assigned[after] - assigned[after - 1] - (missing + 1) * usual) < 0.1 * usual
    strays, at = strays[fits], (assigned[after - 1] + np.rint(nth * usual).astype(np.int64))[fits]
    order = np.argsort(np.concatenate([line, strays]), kind="stable")
    return np.concatenate([line, strays])[order], np.concatenate([assigned, at])[order]


def _limit_ns(usual_ns: float) -> float:
    """Return the longest step that is still the next time of a receiver [ns]: some of its sentences may be lost."""
    return max(3.0 * usual_ns, 5e9)


def _taken(timed: TimedSentences, kept: Bools) -> TimedSentences:
    wall = None if timed.wall_ns is None else timed.wall_ns[kept]
    return TimedSentences(
        timed.axis_ns[kept], timed.utc_ns[kept], wall, timed.fixed[kept], timed.lat_deg[kept], timed.lon_deg[kept],
        timed.judges,
    )  # fmt: skip


def _find_strays(utc_ns: Ints) -> Bools:
    """Return True for up to four times that stand apart from those before and after, which run on."""
    stray = np.zeros(utc_ns.size, dtype=np.bool_)
    if utc_ns.size < 3:
        return stray
    usual = usual_step_ns(utc_ns)
    limit, step = _limit_ns(usual), np.diff(utc_ns)
    # a time told twice beside one that is missing was a second off, and the lines went on
    double = (step > 1.5 * usual) & (step < 2.5 * usual)
    slipped = ((step[:-1] == 0) & double[1:]) | (double[:-1] & (step[1:] == 0))
    stray[1:-1] = slipped
    odd = np.flatnonzero((step < 0) | (step > limit))
    for count in range(1, _MOST_STRAYS + 1):
        at = odd[(odd + 1 + count < utc_ns.size) & ~stray[odd]]
        onward = utc_ns[at + 1 + count] - utc_ns[at]
        far = np.abs(step[at]) > (0 if count == 1 else _FAR_NS)
        for i in at[(onward > 0) & (onward <= limit + count * usual) & far]:
            stray[i + 1 : i + 1 + count] |= not stray[i]
    return stray


def _step_ns(
    timed: TimedSentences, others: Mapping[str, TimedSentences], i: int, usual: float, elapsed: float
) -> int | None:
    """Return how far the receiver was set between times `i` and `i + 1` [ns]; 0 if not, None if nothing tells.

    `elapsed` is how long it was between them by the lines [ns].
    """
    line, utc = timed.axis_ns, timed.utc_ns
    step = int(utc[i + 1] - utc[i])
    size = round(step - elapsed)
    if step > _limit_ns(usual) and _was_silent(step, elapsed):
        return 0  # lines came in meanwhile: only the receiver was silent
    if timed.wall_ns is not None:
        wall = float(timed.wall_ns[i + 1] - timed.wall_ns[i])
        if abs(size) > _COARSE_NS and min(abs(wall - step), abs(wall - elapsed)) < _COARSE_NS:
            return size if abs(wall - elapsed) < abs(wall - step) else 0
    if abs(size) > _LONGEST_PAUSE_NS or is_possible(utc[i : i + 1]) != is_possible(utc[i + 1 : i + 2]):
        return size
    if step > 0 and timed.judges and abs(size) > _COARSE_NS and not timed.fixed[: i + 1].any() and timed.fixed.any():
        return size
    is_small = abs(step) <= _limit_ns(usual)
    moved = moved_on(timed, i, i + 1, elapsed, step, floor_m=_floor_m(timed, i) if is_small else MOTION_FLOOR_M)
    if moved is not None:
        return size if moved else 0
    for other in others.values():
        before = int(np.searchsorted(other.axis_ns, line[i], "right")) - 1
        after = int(np.searchsorted(other.axis_ns, line[i + 1]))
        if before >= 0 and after < other.axis_ns.size and not is_small:
            theirs = int(other.utc_ns[after] - other.utc_ns[before])
            if 0 < theirs < elapsed + _COARSE_NS:
                return size
    return 0 if step >= 0 and is_small else None


def _was_silent(step: float, elapsed: float) -> bool:
    """Return True where lines came in for as long as a receiver told no time: only it was silent, or stood still."""
    return abs(step - elapsed) <= max(2e9, 0.25 * elapsed)


def _settled(sizes: list[int | None], steps: list[int]) -> list[int]:
    """Return how far the receiver was set at each break, those too that nothing decides.

    Args:
        sizes: From `_step_ns`.
        steps: How far each time is from where the lines since the one before would bring it [ns].
    """
    settled = [0 if size is None else size for size in sizes]
    open_ends: list[int] = []
    for k, size in enumerate(sizes):
        if size is not None:
            continue
        if steps[k] > 0:
            open_ends.append(k)
            continue
        settled[k] = steps[k]
        for m in open_ends[::-1]:
            if abs(steps[m] + steps[k]) <= _COARSE_NS:
                settled[m] = steps[m]
                open_ends.remove(m)
                break
    return settled


def _floor_m(timed: TimedSentences, i: int) -> float:
    """Return what the distance between two fixes may be off by, by the resolution of the positions near one [m]."""
    near = timed.lat_deg[max(i - 50, 0) : i + 50]
    # of an even run, only the counts that the last digit jumps by are left in second differences
    counts = np.abs(np.diff(near[np.isfinite(near)], 2))
    counts = counts[counts > 1e-9]
    resolution_m = float(counts.min()) * 111_000.0 if counts.size else 0.0
    return 0.4 + min(2.0 * resolution_m, MOTION_FLOOR_M)


def _ahead_s(others: Mapping[str, TimedSentences], line: Ints, utc_ns: Ints) -> list[tuple[str, float]]:
    """Return how far each other receiver that was never set is ahead of times at lines [s]."""
    found = []
    for key, other in others.items():
        at = np.interp(other.axis_ns, line, (utc_ns - utc_ns[0]).astype(np.float64))
        away_s = (other.utc_ns - utc_ns[0] - at) / 1e9
        ends_s = [float(np.median(half)) for half in np.array_split(away_s, 2)] if away_s.size > 3 else [0.0, 1.0]
        if abs(ends_s[1] - ends_s[0]) < 0.5 and np.ptp(away_s) < _COARSE_NS / 1e9:
            found.append((key, float(np.median(away_s))))
    return found


def assign_utc_by_order(table: pa.Table, epochs: Epochs) -> Ints:
    """Return UTC [ns] of each row by its place between the epochs; a receiver's own burst has its epoch's time."""
    at = integer_column(table, "line")[0]
    assigned = _between(at, epochs)
    burst = _in_burst(table, at, epochs.line)
    begun_ns = epochs.utc_ns[np.searchsorted(epochs.line, at, side="right") - 1]
    # what comes in long after the last time told is of no epoch
    burst &= assigned - begun_ns <= _limit_ns(epochs.usual_ns)
    assigned[burst] = begun_ns[burst]
    return assigned


def _between(at: Ints, epochs: Epochs) -> Ints:
    """Return UTC of lines by their place between the timed ones; across a pause they stay with the earlier."""
    line, utc, usual, pace = epochs.line, epochs.utc_ns, epochs.usual_ns, epochs.pace_ns
    if line.size == 1:
        return np.full(at.size, utc[0], dtype=np.int64)
    index = np.clip(np.searchsorted(line, at, side="right") - 1, 0, line.size - 1)
    nxt = np.minimum(index + 1, line.size - 1)
    span_line = np.maximum(line[nxt] - line[index], 1)
    span_utc = (utc[nxt] - utc[index]).astype(np.float64)
    # where lines went on coming in, only the receiver was silent
    paused = (span_utc < 0) | ((span_utc > max(3.0 * usual, 5e9)) & (span_line * pace < 0.5 * span_utc))
    # after the last time, and before the first, a lasting rest is placed by the mean
    outside = (nxt == index) | (at < line[0])
    rest = outside & (np.abs(at - line[index]) * epochs.mean_ns > max(3.0 * usual, 5e9))
    rate = np.where(rest, epochs.mean_ns, np.where((nxt == index) | paused, pace, span_utc / span_line))
    ahead = np.where(paused, np.minimum((at - line[index]) * rate, usual), (at - line[index]) * rate)
    return utc[index] + np.rint(ahead).astype(np.int64)


def _in_burst(table: pa.Table, at: Ints, epoch_line: Ints) -> Bools:
    """Return True for sentences that belong to the receiver's own burst at the start of an epoch.

    What comes exactly once an epoch and always in the same place is sent together with the receiver's time; what
    keeps its own pace (several an epoch, or a wandering place) is spread over the epoch.
    """
    belongs = np.zeros(at.size, dtype=np.bool_)
    epoch = np.searchsorted(epoch_line, at, side="right") - 1
    keys, _ = receiver_codes(table)
    if "number" in table.column_names:
        keys = keys * 1000 + np.clip(integer_column(table, "number")[0], 0, 999)
    for key in np.unique(keys):
        mine = np.flatnonzero((keys == key) & (epoch >= 0))
        if mine.size < _FEW:
            continue
        place = at[mine] - epoch_line[epoch[mine]]
        count = np.bincount(epoch[mine] - epoch[mine][0])
        usual = np.bincount(place).max() / place.size
        if float((count == 1).mean()) > 0.97 and usual > 0.9:
            belongs[mine] = True
    return belongs
