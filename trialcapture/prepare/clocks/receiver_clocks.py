"""How receive clocks relate to UTC, receiver by receiver, and the evidence people are shown of it.

Logs without receive-time stamps have UTC by the order of the lines between the sentences that carry a time. Pauses of
the recording are told from steps of the receiver's clock by what else the lines say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, truths
from trialcapture.config.inputs import declared_source
from trialcapture.prepare.clocks.downsampled_index import AXIS, DownsampledIndex
from trialcapture.prepare.clocks.lower_envelope import (
    ClockFit,
    find_slips,
    find_too_early,
    fit_lower_envelope,
    usual_step_ns,
)
from trialcapture.prepare.clocks.receiver_steps import (
    BEFORE_ALL,
    EPOCH_S,
    LONGEST_DELAY_S,
    MOTION_FLOOR_M,
    WHOLE_S,
    RecordingContext,
    TimeCorrection,
    TimedSentences,
    choose_level,
    computer_steps,
    corrected_epochs,
    corrected_time,
    deciding_rows,
    describe_steps,
    epochs_behind_ns,
    find_time_correction,
    is_possible,
    moved_on,
    whole_ns,
)
from trialcapture.prepare.clocks.sentence_times import integer_column, receiver_codes
from trialcapture.prepare.data_health import Disagreement, Hole, Item

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

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


GNSS_LATENCY_S, GNSS_LATENCY_U_S = 0.10, 0.12
"""Delay of a receiver's promptest sentence behind its own time, and its standard uncertainty [s], where the source
declares none: delays only add, so nothing received shows the least of them; receivers take 0.05 to 0.35 s (common
practice, no source)."""
_DECLARED_LATENCY_U_S, _DECLARED_LATENCY_U_SHARE = 0.02, 0.2
"""Standard uncertainty of a delay that is declared: the larger of these [s, share of it] (common practice, no
source)."""
_AHEAD_S = 1.0
"""A receiver further ahead of the main one than this is wrong [s]: delays only add (our choice, no source)."""
_MOST_DRIFT = 300e-6
"""No computer's clock is as far off as this by itself; ordinary ones are within 100e-6 (common practice, no source)."""
_EPOCH_ROOM_S = 1.5 * 86_400.0
"""How far from whole 1024-week epochs a date off by them may be [s]: a computer's date may be a day wrong (our
choice)."""


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One line of clock evidence: how a source's stamps relate to UTC.

    Attributes:
        source: Source and talker, or engine-log file.
        offset_s: Source stamp minus UTC for receive clocks, UTC minus log time for engine logs [s].
        offset_u_s: Standard uncertainty [s].
        drift_ppm: Rate error [1e-6].
        drift_u_ppm: Standard uncertainty [1e-6].
        method: How it was found.
        quality: ``good``, ``fair``, ``poor`` or ``failed``, then the reason.
        from_ns: Of a log in pieces, the UTC at which this piece begins [ns], and
        to_ns: at which it ends; None where the row holds for all of the source.
    """

    source: str
    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float | None
    drift_u_ppm: float | None
    method: str
    quality: str
    from_ns: int | None = None
    to_ns: int | None = None


def envelope_latency_s(receiver: str | None, latency_s: Mapping[str, float]) -> float:
    """Return the delay of the main receiver's promptest sentence [s]: as declared, else what is usual."""
    if receiver is None:
        return 0.0
    return declared_latency_s(receiver, latency_s) or GNSS_LATENCY_S


def envelope_latency_u_s(receiver: str, latency_s: Mapping[str, float]) -> float:
    """Return the standard uncertainty of `envelope_latency_s` [s]."""
    declared_s = declared_latency_s(receiver, latency_s)
    if declared_s == 0.0:
        return GNSS_LATENCY_U_S
    return max(_DECLARED_LATENCY_U_S, _DECLARED_LATENCY_U_SHARE * declared_s)


def declared_latency_s(key: str, latency_s: Mapping[str, float]) -> float:
    """Return the declared latency of a ``source/talker`` [s], 0 where none is declared."""
    return latency_s.get(declared_source(key.split("/", maxsplit=1)[0], latency_s), 0.0)


@dataclass(frozen=True, slots=True)
class FittedReceivers:
    """How the receive clock of a log stands to UTC by its receivers.

    Attributes:
        fit: By the main receiver, or None where it told too few times.
        own: What to add to each receiver's own time, by ``source/talker``; plain ones are left out.
        rows: The evidence of all.
        items: What was found wrong with their times and the computer's.
    """

    fit: ClockFit | None
    own: Mapping[str, TimeCorrection]
    rows: list[ClockRow]
    items: list[Item]


def fit_receivers(
    log_index: DownsampledIndex,
    times: Mapping[str, tuple[Ints, Bools]],
    clock: str,
    receiver: str,
    latency_s: Mapping[str, float],
) -> FittedReceivers:
    """Fit the receive clock on every receiver, steps of their own times taken out, and keep the main one's fit.

    Args:
        log_index: Of the whole log.
        times: UTC [ns] of the downsampled index's timed sentences and where known, by formatter.
        clock: Receive clock, ``mono`` or ``wall``.
        receiver: ``source/talker`` of the one whose fit is wanted.
        latency_s: Declared delay of each source [s].
    """
    tables, breaks = log_index.tables, log_index.breaks_ns[clock]
    has_wall = clock == "mono" and all(bool(integer_column(tables[n], "wall_ms")[1].all()) for n in times)
    axes = {name: integer_column(table, AXIS[clock])[0] for name, table in tables.items()}
    timed = gather_timed_sentences(tables, _even(tables, times, axes), axes, with_wall=has_wall or clock == "wall")
    around = RecordingContext(clock, breaks, np.sort(np.concatenate(list(axes.values()))))
    fits: dict[str, ClockFit] = {}
    own: dict[str, TimeCorrection] = {}
    rows: list[ClockRow] = []
    for key, sentences in timed.items():
        followed = find_time_correction(sentences, around)
        utc = sentences.utc_ns if followed.is_plain else sentences.utc_ns + followed.added(sentences.axis_ns)
        used = ~find_too_early(sentences.axis_ns - utc)
        used &= True if followed.is_plain else deciding_rows(sentences, followed)
        steady = sentences.wall_ns[used] if has_wall and sentences.wall_ns is not None else None
        fit = fit_lower_envelope(sentences.axis_ns[used], utc[used], steady, breaks)
        if fit is None:
            rows.append(ClockRow(key, None, None, None, None, f"early edge, {clock} clock", "failed: too few times"))
            own[key] = followed
            continue
        fits[key] = fit
        own[key] = followed.joined(fit.starts_ns, [round(r * 1e9) for r in fit.repaired_s or (0.0,)])
    items: list[Item] = []
    main = fits.get(receiver)
    if main is not None:
        steady_others = [k for k in fits if k != receiver and own[k].is_plain]
        at = timed[receiver].axis_ns[-1:]
        ahead_s = [(k, float(fits[k].to_utc(at)[0] - main.to_utc(at)[0]) / 1e9) for k in steady_others]
        level, why = choose_level(timed[receiver], own[receiver], ahead_s)
        off_ns = _epochs_off_ns(timed[receiver], own[receiver], level)
        off_ns = off_ns or epochs_behind_ns(own[receiver], level, ahead_s)
        if off_ns:
            items.append(corrected_epochs(f"date of {receiver}", off_ns / 86_400e9))
        by_ns = off_ns - own[receiver].added_ns[level]
        own[receiver], fits[receiver] = _shifted(own[receiver], main, by_ns)
        main = fits[receiver]
        items += describe_steps(receiver, timed[receiver], own[receiver], main, why)
        items += computer_steps(clock, timed[receiver], own[receiver], main, breaks)
        for key in sorted(own.keys() - {receiver}):
            if key in fits:
                own[key], fits[key], found = _against_main(key, timed[key], own[key], fits[key], receiver, main)
                items += found
    for key in sorted(fits, key=lambda k: (k != receiver, k)):
        fit, sentences = fits[key], timed[key]
        if abs(fit.drift) > _MOST_DRIFT + 3.0 * fit.drift_u:
            items.append(
                Disagreement(
                    f"rate of the time of {key}", "clock of the recording computer", -fit.drift * 1e6,
                    fit.drift_u * 1e6, "1e-6", None, None, "warning",
                    f"times follow the receiver; they run apart by {abs(fit.drift) * 3600:.1f} s in an hour",
                )
            )  # fmt: skip
        quality = "good" if fit.points > 100 and fit.offset_u_s < 0.1 else "fair: few or late sentences"
        if fit.drift_u > 50e-6:
            quality = "fair: too short to see drift" if quality == "good" else quality
        # people know the computer by its wall clock, so that is what the evidence compares with UTC
        behind_ns = sentences.wall_ns - sentences.axis_ns if has_wall and sentences.wall_ns is not None else None
        shown_ns = fit.offsets_ns[-1] + (0 if behind_ns is None else int(np.median(behind_ns[-100:])))
        rows.append(
            ClockRow(
                key,
                shown_ns / 1e9 - envelope_latency_s(key, latency_s),
                float(np.hypot(fit.offset_u_s, envelope_latency_u_s(key, latency_s))),
                fit.drift * 1e6,
                fit.drift_u * 1e6,
                f"early edge, {clock} clock, {len(fit.starts_ns)} level" + ("s" if len(fit.starts_ns) > 1 else ""),
                quality,
            )
        )
    rows.sort(key=lambda r: (r.source != receiver, r.source))
    return FittedReceivers(main, {k: o for k, o in own.items() if not o.is_plain}, rows, items)


def _even(
    tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]], axes: Mapping[str, Ints]
) -> dict[str, tuple[Ints, Bools]]:
    """Return the times told, those corrected that are whole seconds off now and then; see `find_slips`."""
    even = {}
    for name, (own, known) in times.items():
        codes, _ = receiver_codes(tables[name])
        right = own.copy()
        for code in np.unique(codes[known]):
            mine = np.flatnonzero(known & (codes == code))
            right[mine] += find_slips(axes[name][mine], own[mine])
        even[name] = (right, known)
    return even


def follow_by_order(
    log_index: DownsampledIndex, times: Mapping[str, tuple[Ints, Bools]], receiver: str, by_order: TimesByOrder
) -> FittedReceivers:
    """Follow the other receivers of a log without stamps against the main one's times, and tell what was wrong.

    Args:
        log_index: Of the whole log.
        times: UTC [ns] of the downsampled index's timed sentences and where known, by formatter.
        receiver: ``source/talker`` of the main one.
        by_order: Its times.
    """
    items: list[Item] = []
    own = {receiver: by_order.own}
    if by_order.epochs is None:
        return FittedReceivers(None, own, [], items)
    timed = by_order.timed
    assigned_ns = timed.utc_ns + by_order.own.added(timed.axis_ns)
    items += describe_steps(
        receiver, replace(timed, axis_ns=assigned_ns), _by_time(by_order.own, timed), None, by_order.why
    )
    for i in by_order.pauses:
        items.append(
            Hole(
                int(assigned_ns[i - 1]), int(assigned_ns[i]), "the whole log",
                "no line between, by the receiver's times; the log has no receipt stamps to tell otherwise",
                f"{(assigned_ns[i] - assigned_ns[i - 1]) / 1e9:.0f} s are not recorded",
            )
        )  # fmt: skip
    axes = {name: assign_utc_by_order(table, by_order.epochs) for name, table in log_index.tables.items()}
    lines = {name: integer_column(table, "line")[0] for name, table in log_index.tables.items()}
    around = RecordingContext("order", np.zeros(0, dtype=np.int64), np.sort(np.concatenate(list(axes.values()))))
    others = gather_timed_sentences(log_index.tables, times, axes, with_wall=False)
    by_line = gather_timed_sentences(log_index.tables, times, lines, with_wall=False)
    for key in sorted(others.keys() - {receiver}):
        followed = find_time_correction(others[key], around)
        behind_s = [
            float(np.median((others[key].axis_ns - others[key].utc_ns)[followed.level(others[key].axis_ns) == k])) / 1e9
            for k in range(len(followed.added_ns))
        ]
        level = int(np.argmin(np.abs(behind_s)))
        followed = followed.moved(-followed.added_ns[level])
        items += describe_steps(key, others[key], followed, None, f"that agrees with {receiver}")
        if abs(behind_s[level]) > LONGEST_DELAY_S:
            by_ns = round(behind_s[level]) * 1_000_000_000  # lines in order tell no better
            followed = followed.moved(by_ns)
            items.append(corrected_time(key, receiver, by_ns, 0.5))
        at = np.searchsorted(others[key].axis_ns, followed.starts_ns[1:])
        starts = [int(by_line[key].axis_ns[min(i, by_line[key].axis_ns.size - 1)]) for i in at]
        own[key] = TimeCorrection((BEFORE_ALL, *starts), followed.added_ns)
    return FittedReceivers(None, {k: o for k, o in own.items() if not o.is_plain}, [], items)


def _by_time(own: TimeCorrection, timed: TimedSentences) -> TimeCorrection:
    """Return levels that begin at lines as levels that begin at the time placed there."""
    at = np.searchsorted(timed.axis_ns, own.starts_ns[1:])
    assigned = timed.utc_ns[at] + own.added(timed.axis_ns[at])
    return TimeCorrection((BEFORE_ALL, *(int(t) for t in assigned)), own.added_ns)


def gather_timed_sentences(
    tables: Mapping[str, pa.Table],
    times: Mapping[str, tuple[Ints, Bools]],
    axes: Mapping[str, Ints],
    *,
    with_wall: bool,
) -> dict[str, TimedSentences]:
    """Return the timed sentences of each receiver of a downsampled index.

    Args:
        tables: Of the downsampled index, by formatter.
        times: UTC [ns] of its timed sentences and where known, by formatter.
        axes: Place of each row on the receive-time axis [ns], by formatter.
        with_wall: Whether every row carries the wall clock.
    """
    gathered: dict[str, list[tuple[npt.NDArray[Any], ...]]] = {}
    judging: set[str] = set()
    for name, (own, known) in times.items():
        table = tables[name]
        codes, names = receiver_codes(table)
        wall = integer_column(table, "wall_ms")[0] * 1_000_000
        judges = "valid" in table.column_names
        fixed = truths(table["valid"]) if judges else np.zeros(own.size, dtype=np.bool_)
        lat, lon = (
            np.where(fixed, floats(table[c]), np.nan) if c in table.column_names else np.full(own.size, np.nan)
            for c in ("lat_deg", "lon_deg")
        )
        for code in np.unique(codes[known]):
            mine = known & (codes == code)
            judging |= {names[code]} if judges else set()
            gathered.setdefault(names[code], []).append(
                (axes[name][mine], own[mine], wall[mine], fixed[mine], lat[mine], lon[mine])
            )
    timed = {}
    for key, parts in gathered.items():
        axis, utc, wall, fixed, lat, lon = (np.concatenate(part) for part in zip(*parts, strict=True))
        order = np.argsort(axis, kind="stable")
        stamps = wall[order] if with_wall else None
        timed[key] = TimedSentences(
            axis[order], utc[order], stamps, fixed[order], lat[order], lon[order], key in judging
        )
    return timed


def _shifted(own: TimeCorrection, fit: ClockFit, by_ns: int) -> tuple[TimeCorrection, ClockFit]:
    """Return a receiver's times and its fit with UTC so much later [ns]."""
    return own.moved(by_ns), replace(fit, offsets_ns=tuple(o - by_ns for o in fit.offsets_ns))


def _epochs_off_ns(timed: TimedSentences, own: TimeCorrection, level: int) -> int:
    """Return whole epochs of 1024 weeks by which the level taken for UTC lies before the computer's clock [ns]."""
    if timed.wall_ns is None:
        return 0
    mine = own.level(timed.axis_ns) == level
    away_s = float(np.median((timed.wall_ns - timed.utc_ns)[mine])) / 1e9
    epochs = round(away_s / EPOCH_S)
    return round(epochs * EPOCH_S) * 1_000_000_000 if abs(away_s - epochs * EPOCH_S) < _EPOCH_ROOM_S else 0


def _against_main(
    key: str, timed: TimedSentences, own: TimeCorrection, fit: ClockFit, receiver: str, main: ClockFit
) -> tuple[TimeCorrection, ClockFit, list[Item]]:
    """Put another receiver's levels on the main receiver's UTC, and say what was wrong with them."""
    at = timed.axis_ns[-1:]
    behind_s = float(main.to_utc(at)[0] - fit.to_utc(at)[0]) / 1e9 + np.array(own.added_ns) / 1e9
    level = int(np.argmin(np.where(behind_s > -_AHEAD_S, np.abs(behind_s), 1e6 + np.abs(behind_s))))
    own, fit = _shifted(own, fit, -own.added_ns[level])
    off_s = float(behind_s[level])
    items: list[Item] = []
    if not -_AHEAD_S < off_s < LONGEST_DELAY_S:
        by_ns = whole_ns(round(off_s * 1e9))
        own, fit = _shifted(own, fit, by_ns)
        items.append(corrected_time(key, receiver, by_ns, float(np.hypot(fit.offset_u_s, main.offset_u_s))))
    return own, fit, [*describe_steps(key, timed, own, main, f"that agrees with {receiver}"), *items]


def two_devices(log_index: DownsampledIndex) -> list[Item]:
    """Return an item for each name under which two devices send."""
    found: dict[str, float] = {}
    for (key, _), crossed in sorted(log_index.crossed.items()):
        if crossed.is_two:
            found.setdefault(key, max(apart for apart, _ in crossed.apart_m))
    return [
        Disagreement(
            f"position of {key}", "position of a second device under this name", apart_m, 0.5 * apart_m, "m", None,
            None,
            "warning", "the readings of both are mixed; give each a source or a talker of its own",
        )
        for key, apart_m in found.items()
    ]  # fmt: skip


def order_row(receiver: str | None, epochs: Epochs | None) -> ClockRow:
    """Return the evidence of a log whose lines are placed by their order."""
    if receiver is None or epochs is None:
        return ClockRow("log", None, None, None, None, "none", "failed: no sentence carries a time")
    return ClockRow(
        receiver,
        0.0,
        epochs.usual_ns / 1e9 / 12**0.5,
        None,
        None,
        "order of lines between timed sentences",
        "fair: no receipt stamps",
    )
