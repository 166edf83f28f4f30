"""The clock of an engine log: its offset and drift from rpm on the network or from marks, and its steps.

Marks are throttle blips. In order of trust: rpm on the network against rpm in the log; marks; rpm in the log against
the motion of the boat (`log_motion`). The offset is UTC minus log time at the log's first row; drift is how much the
offset grows per second.

Steps cut a log into pieces, each with an offset of its own. A clock set back shows in its stamps; one set forward looks
like a pause. So each irregular step of the stamps is only a *candidate*, and rpm on the network decides. A dynamic
program (Viterbi, "Error Bounds for Convolutional Codes", IEEE Trans. Inf. Theory 13(2), 1967) assigns an offset to each
piece between candidates: its cost is the misfit of rpm plus a penalty for each change of the offset, lower where the
rows then come at their usual interval, as from a logger that was set while it went on writing. A piece that would fit
nearly as well at another offset gets none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import comb

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import known, values
from trialcapture.prepare.clocks.log_match import (
    MAX_DRIFT,
    WIDE_DRIFT,
    FineFit,
    Pair,
    find_offsets,
    refine_offset,
    search_offset,
    to_seconds,
    usual_pace_s,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

AMBIGUOUS_RATIO = 1.10
"""Two fits whose misfit differs by less than this ratio cannot be told apart (our choice, no source)."""
NO_MATCH = 0.30
"""Unexplained share of the rpm's variance, offset known to the second, above which two recordings are of different runs
(our choice, no source)."""
NO_MATCH_FINE = 0.05
"""The same once offset and drift are fitted (our choice, no source)."""
USUAL_DRIFT = 100e-6
"""Standard uncertainty of the drift of a clock nobody has measured (common practice, no source)."""
SHOWN_DRIFT = 3.0
"""A drift larger than this many of its standard uncertainties is one of the clock, not of the fit: 99.7 % (our choice,
no source)."""
SHORT_DRIFT_U = 300e-6
"""A drift known no better than this is taken for that of any clock (our choice: three times the usual one)."""
BUS_U_S = 0.2
"""Standard uncertainty of when rpm seen on the network was true [s]: bus, gateway and receiver delay it by 0.05 to
0.5 s (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LogFit:
    """How a log's clock relates to UTC.

    Attributes:
        offset_s: UTC minus log time at the log's first row [s]; None when no fit can be trusted.
        offset_u_s: Standard uncertainty of the offset [s].
        drift_ppm: Growth of the offset [1e-6].
        drift_u_ppm: Standard uncertainty [1e-6].
        method: What was matched.
        quality: ``good``, ``fair: …``, ``poor: …`` or ``failed: …``.
        misfit: Unexplained share of the variance at the fit.
        rival_s: Offset of the next best, separate fit [s], and
        rival_misfit: its unexplained share.
    """

    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float
    drift_u_ppm: float
    method: str
    quality: str
    misfit: float | None = None
    rival_s: float | None = None
    rival_misfit: float | None = None

    def to_utc(self, t_log_ns: Ints, first_ns: int | None = None) -> Ints:
        """Return UTC [ns] of log stamps [ns]; `first_ns` is the log's first stamp, by default the first one given."""
        if self.offset_s is None:
            raise ValueError("this fit has no offset")
        since = t_log_ns - (t_log_ns[0] if first_ns is None else first_ns)
        utc: Ints = t_log_ns + round(self.offset_s * 1e9) + np.rint(since * (self.drift_ppm * 1e-6)).astype(np.int64)
        return utc


@dataclass(frozen=True, slots=True)
class LogRun:
    """Rows of a log over which its clock ran on undisturbed.

    Attributes:
        rows: First and last of them, as 0-based lines of the file, the lesser first.
        origin_ns: The stamp at which the fit's offset holds [ns].
        fit: How the clock relates to UTC.
    """

    rows: tuple[int, int]
    origin_ns: int
    fit: LogFit


@dataclass(frozen=True, slots=True)
class EngineLogClock:
    """The clock of a log, run by run; rows that belong to none have no place in time.

    Attributes:
        runs: In order of time; a log whose clock was never set has one.
    """

    runs: tuple[LogRun, ...]

    def to_utc(self, t_log_ns: Ints, row: Ints) -> tuple[Ints, Bools]:
        """Return UTC [ns] of rows and where it is known, shape (n,); 0 elsewhere.

        Args:
            t_log_ns: Stamps [ns], shape (n,).
            row: 0-based lines of the file, shape (n,).
        """
        utc, known = np.zeros(row.size, dtype=np.int64), np.zeros(row.size, dtype=np.bool_)
        for run in self.runs:
            mine = (row >= run.rows[0]) & (row <= run.rows[1])
            if mine.all():
                return run.fit.to_utc(t_log_ns, run.origin_ns), mine
            utc[mine] = run.fit.to_utc(t_log_ns[mine], run.origin_ns)
            known |= mine
        return utc, known


def fit_by_rpm(pairs: list[Pair], log_start_ns: int, network_u_s: float = BUS_U_S) -> LogFit:
    """Fit a log's clock by matching its rpm with rpm seen on the network.

    A masked, normalised cross-correlation finds the offset to the second over every overlap; a robust
    least-squares fit of offset, drift and rpm scale on the transients then refines it.

    Args:
        pairs: One entry per engine both sides saw.
        log_start_ns: Stamp of the log's first row [ns].
        network_u_s: Standard uncertainty of when rpm seen on the network was true [s].
    """
    coarse = search_offset(pairs)
    if coarse is None:
        return _failed("rpm against rpm", "too little of both recordings, or the rpm never changed")
    offset_s, misfit, rival_s, rival_misfit = coarse
    if misfit > NO_MATCH:
        return _failed(
            "rpm against rpm",
            f"the rpm in the log does not match the rpm on the network ({misfit:.0%} unexplained): another run?",
            coarse,
        )
    if rival_misfit is not None and rival_misfit < AMBIGUOUS_RATIO * misfit:
        return _ambiguous("rpm against rpm", coarse)
    fine = refine_offset(pairs, log_start_ns, offset_s)
    if fine is not None and fine.is_at_bound:
        fine = _beyond_bound(fine, pairs, log_start_ns, offset_s)
    if fine is None:
        return _failed("rpm against rpm", "the fit did not settle", coarse)
    if fine.is_at_bound:
        why = (
            f"no drift up to {WIDE_DRIFT * 1e6:.0f} ppm makes the rpm in the log follow the rpm on the network all "
            "the way: was its clock set meanwhile?"
        )
        return _failed("rpm against rpm", why, coarse)
    if fine.unexplained > NO_MATCH_FINE:
        why = f"at best {fine.unexplained:.0%} of the rpm's variance stays unexplained: another run?"
        return _failed("rpm against rpm", why, coarse)
    return to_log_fit(fine, network_u_s, rival_s, rival_misfit)


def _beyond_bound(fine: FineFit, pairs: list[Pair], log_start_ns: int, offset_s: float) -> FineFit | None:
    """Return a fit that is not pressed against the bound of the drift, or one that still is where there is none.

    The drift is looked for farther away. Where that shows none beyond `SHOWN_DRIFT` of its standard uncertainties,
    in a recording too short to show one, the clock is given the drift that clocks usually have.
    """
    wide = refine_offset(pairs, log_start_ns, offset_s, WIDE_DRIFT)
    is_shown = wide is not None and not wide.is_at_bound and abs(wide.drift) > SHOWN_DRIFT * wide.drift_u
    if is_shown or fine.drift_u <= SHORT_DRIFT_U:
        return wide
    held = fine.with_drift(0.0, USUAL_DRIFT)
    return replace(held, is_at_bound=abs(float(held.at[0])) > 5.0)


def to_log_fit(
    fine: FineFit, network_u_s: float, rival_s: float | None = None, rival_misfit: float | None = None
) -> LogFit:
    """Return the fit of a log's clock that a fine fit comes to, with what is to be said about it."""
    notes = []
    if fine.unexplained > 0.01:
        notes.append(f"{fine.unexplained:.0%} of the rpm's variance unexplained")
    if abs(fine.scale - 1.0) > 0.01:
        notes.append(f"network rpm reads {1.0 / fine.scale - 1.0:+.1%} against the log")
    if abs(fine.drift) > MAX_DRIFT:
        notes.append(f"its clock runs {abs(fine.drift):.2%} {'slow' if fine.drift > 0 else 'fast'}")
    quality = "fair: " + ", ".join(notes) if notes else "good"
    return LogFit(
        fine.offset_s(),
        fine.offset_u_s(network_u_s),
        fine.drift * 1e6,
        fine.drift_u * 1e6,
        "rpm against rpm",
        quality,
        fine.unexplained,
        rival_s,
        rival_misfit,
    )


def _failed(method: str, why: str, coarse: tuple[float, float, float | None, float | None] | None = None) -> LogFit:
    misfit, rival_s, rival_misfit = coarse[1:] if coarse else (None, None, None)
    return LogFit(None, None, 0.0, 0.0, method, f"failed: {why}", misfit, rival_s, rival_misfit)


def _ambiguous(method: str, coarse: tuple[float, float, float | None, float | None]) -> LogFit:
    offset_s, misfit, rival_s, rival_misfit = coarse
    why = (
        f"two alignments fit about equally well, {offset_s:.0f} s and {rival_s or 0.0:.0f} s "
        f"({misfit:.1%} and {rival_misfit or 0.0:.1%} unexplained); give a mark or a fixed offset"
    )
    return LogFit(None, None, 0.0, 0.0, method, f"failed: {why}", misfit, rival_s, rival_misfit)


# Marks at throttle blips.

_RISE_RPM = 150.0
"""A rise of rpm within three seconds from which it may be a blip (our choice, no source)."""
_REACTION_S = 0.25
"""What even a quick hand takes to follow the throttle [s] (common practice, no source)."""
_HAND_U_S = 0.5
"""Standard uncertainty of a mark made by hand [s] (common practice, no source)."""
_MET_S = 1.5
"""How far from a rise a mark may stand to be a mark of it [s] (our choice, no source)."""
_APART_S = 5.0
"""Offsets further apart than this are rivals [s] (our choice, no source)."""
_RIVAL_SHARE = 0.8
"""Share of the best offset's marks at which another offset is as good (our choice, no source)."""
_BY_CHANCE = 0.05
"""Number of offsets expected to meet as many marks by chance above which marks prove nothing (our choice, no
source)."""
_EARLY_S = 0.8
"""A mark that stands so far before all others was made before its blip (our choice, no source)."""
_DRIFTS = tuple(d * 1e-6 for d in (0, 50, -50, 100, -100, 150, -150, 200, -200))
"""Drifts that are tried: those of quartz clocks (common practice, no source)."""
_DRIFT_PPM = 100.0
"""Standard uncertainty of the drift of a clock nobody has measured [1e-6], as `USUAL_DRIFT`."""


def fit_by_marks(mark_ns: Ints, log_ns: Ints, rpm: Floats) -> LogFit:
    """Fit a log's clock by marks made at throttle blips: each mark stands at the start of a sharp rise of rpm.

    Marks at both ends of a long trial give the drift too. Marks that fit at two offsets, or would fit somewhere by
    chance, are refused.

    Args:
        mark_ns: UTC of marks [ns].
        log_ns: Log stamps [ns], ascending.
        rpm: Log rpm, finite.
    """
    rises = find_rises(log_ns, rpm)
    if mark_ns.size < 3 or rises.size < 3:
        return _no_mark_clock("fewer than three marks or rises of rpm")
    marks = np.sort(mark_ns)
    pace_s = float(np.median(np.diff(log_ns))) / 1e9
    near_s = _MET_S + max(pace_s - 1.0, 0.0) / 2.0
    base_ns = int(log_ns[0])
    # offsets can be years, which a float holds to a microsecond
    tried = np.unique(np.round((marks[:, None] - rises[None, :]).ravel() / 1e9, 1))
    scores = np.stack([_count_met(marks, _drifted(rises, base_ns, d), tried, near_s) for d in _DRIFTS])
    most = int(scores.max())
    # of equal scores the smallest drift is taken: a clock is good until shown otherwise
    drift = _DRIFTS[int((scores == most).any(axis=1).argmax())]
    row = scores[_DRIFTS.index(drift)]
    top = tried[row == most]
    middle_s = float(top[top.size // 2])
    away = np.abs(tried - middle_s) > _APART_S
    rival_met = int(scores[:, away].max()) if away.any() else 0
    if most < 3:
        return _no_mark_clock("the marks fit the rises of rpm at no offset")
    if rival_met >= _RIVAL_SHARE * most:
        other_s = float(tried[away][scores[:, away].max(axis=0).argmax()])
        return _no_mark_clock(
            f"the marks fit at two offsets, {middle_s:.0f} s and {other_s:.0f} s "
            f"({most} and {rival_met} of {marks.size} met); give a fixed offset",
            other_s,
        )
    share = min(1.0, rises.size * 2.0 * near_s * 1e9 / max(float(log_ns[-1] - log_ns[0]), 1.0))
    chance = tried.size * comb(marks.size - 1, most - 1) * share ** (most - 1)
    if chance > _BY_CHANCE:
        return _no_mark_clock(f"{most} of {marks.size} marks fit, which among {rises.size} rises of rpm may be chance")
    moved = _drifted(rises, base_ns, drift)
    at_s, late_s = _lateness(marks, moved, middle_s, near_s, base_ns)
    return _result(at_s, late_s + drift * at_s, middle_s, pace_s)


def _result(at_s: Floats, late_s: Floats, offset_s: float, pace_s: float) -> LogFit:
    """Return the fit from how late each mark stands behind its rise.

    Args:
        at_s: Log time of each rise since the first row [s].
        late_s: Mark less rise at `offset_s` [s].
        offset_s: The rough offset [s].
        pace_s: Usual time between rows [s].
    """
    drift_ppm, drift_u_ppm = 0.0, _DRIFT_PPM
    halves = at_s > 0.5 * (at_s.min() + at_s.max())
    if min(halves.sum(), (~halves).sum()) >= 2:
        first, last = _quickest(late_s[~halves]), _quickest(late_s[halves])
        span_s = float(at_s[halves].mean() - at_s[~halves].mean())
        each_u_s = float(np.hypot(_HAND_U_S, pace_s / 12**0.5)) / 2.0
        own_u_ppm = 2**0.5 * each_u_s / span_s * 1e6
        # weighed with what clocks usually do, so that a short trial is given none
        weight = 1.0 / (1.0 + (own_u_ppm / _DRIFT_PPM) ** 2)
        drift_ppm, drift_u_ppm = weight * (last - first) / span_s * 1e6, weight**0.5 * own_u_ppm
    straight_s = late_s - drift_ppm * 1e-6 * at_s
    scatter_s = float(np.std(straight_s)) / late_s.size**0.5
    turning_s = drift_u_ppm * 1e-6 * float(at_s.mean())
    offset_u_s = float(np.sqrt(_HAND_U_S**2 + scatter_s**2 + turning_s**2 + max(pace_s - 1.0, 0.0) ** 2 / 12.0))
    return LogFit(
        # a hand follows the eye, late and never early: the quickest mark is the truest
        offset_s + _quickest(straight_s) - _REACTION_S,
        offset_u_s,
        drift_ppm,
        drift_u_ppm,
        "marks",
        f"fair: {late_s.size} marks, by hand",
    )


def _quickest(late_s: Floats) -> float:
    """Return the least lateness, or the next where one mark stands far before all others."""
    low = np.sort(late_s)
    return float(low[1]) if low.size >= 3 and low[1] - low[0] > _EARLY_S else float(low[0])


def _no_mark_clock(why: str, rival_s: float | None = None) -> LogFit:
    return LogFit(None, None, 0.0, _DRIFT_PPM, "marks", f"failed: {why}", None, rival_s)


def find_rises(t_ns: Ints, rpm: Floats) -> Ints:
    """Return the instants [ns] at which rpm begins to rise by more than 150 within 3 s, one per rise.

    The beginning is where the steepest slope of the rise, run backwards, meets the level before it.
    """
    if t_ns.size == 0:  # a log without rpm
        return np.empty(0, dtype=np.int64)
    gain = np.interp(t_ns + 3_000_000_000, t_ns, rpm) - rpm
    steep = gain > _RISE_RPM
    begun: list[int] = []
    for first in np.flatnonzero(steep & ~np.concatenate([[False], steep[:-1]])):
        last = int(np.searchsorted(t_ns, t_ns[first] + 4_000_000_000))
        part = rpm[first : last + 1]
        reached = int(np.argmax(part > part[0] + 0.1 * (part.max() - part[0])))
        if reached == 0:
            continue
        i = int(first) + reached
        # readings are a second apart and the rise is quick: run its steepest slope back to the level before it
        steepest = float(np.diff(part[: reached + 2]).max()) / ((t_ns[i] - t_ns[i - 1]) / 1e9)
        back_ns = round(float(rpm[i] - part[0]) / steepest * 1e9)
        begun.append(max(int(t_ns[i]) - back_ns, int(t_ns[i - 1])))
    return np.array(begun, dtype=np.int64)


def _drifted(rise_ns: Ints, base_ns: int, drift: float) -> Ints:
    """Return rises as a clock that loses `drift` would have to be corrected from the log's first row on."""
    moved: Ints = rise_ns + np.rint((rise_ns - base_ns) * drift).astype(np.int64)
    return moved


def _nearest(mark_ns: Ints, rise_ns: Ints) -> tuple[Ints, Floats]:
    """Return the index of the rise nearest to each mark and mark less rise [s]; rises ascending."""
    right = np.clip(np.searchsorted(rise_ns, mark_ns), 0, rise_ns.size - 1)
    left = np.maximum(right - 1, 0)
    near = np.where(np.abs(mark_ns - rise_ns[left]) <= np.abs(rise_ns[right] - mark_ns), left, right)
    return near.astype(np.int64), (mark_ns - rise_ns[near]) / 1e9


def _count_met(mark_ns: Ints, rise_ns: Ints, offsets_s: Floats, near_s: float) -> Ints:
    """Return, for each offset, how many marks have a rise near them."""
    shift = np.rint(offsets_s * 1e9).astype(np.int64)
    _, late_s = _nearest((mark_ns[None, :] - shift[:, None]).ravel(), rise_ns)
    met: Ints = (np.abs(late_s) <= near_s).reshape(shift.size, mark_ns.size).sum(axis=1).astype(np.int64)
    return met


def _lateness(mark_ns: Ints, rise_ns: Ints, offset_s: float, near_s: float, base_ns: int) -> tuple[Floats, Floats]:
    """Return log time since the first row [s] and lateness [s] of the marks that have a rise near them."""
    near, late_s = _nearest(mark_ns - round(offset_s * 1e9), rise_ns)
    met = np.abs(late_s) <= near_s
    at_s: Floats = (rise_ns[near[met]] - base_ns) / 1e9
    return at_s, late_s[met]


MOST_CUTS = 64
"""More candidates than this are not weighed; the weakest pauses are left out, and a log whose stamps run backwards more
often has no order (our choice, no source)."""
_JITTER_S = 1.2
"""By how much the step between two rows may differ from the usual one: stamps in whole seconds do by one second (our
choice, no source)."""
_BLOCK = 32
"""Rows over which the usual step is taken (our choice, no source)."""
_FEW = 3
"""So many rows in a row may be out of order without the clock having been set (our choice, no source)."""
_LONG_S = 6 * 3600.0
"""Beyond such a step rows may come in any order: files of several days put together (our choice, no source)."""
_SET = 6.0
"""What a clock that is set while the logger goes on has to explain [nats]: about five rows of a changing rpm (our
choice, no source)."""
_RESTARTED = 10.0
"""What a clock that is set with a pause has to explain [nats] (our choice, no source)."""
_IMPOSSIBLE = 1000.0
"""Cost of what cannot be [nats] (our choice: more than any log explains)."""
_CLEAR = 5.0
"""How much worse a piece must be placed anywhere else [nats]; rivals are 150 times less likely."""
_WORST, _UNKNOWN = 12.5, 2.0
"""Cost of a row whose rpm differs by five standard deviations and more, and of one the network tells nothing about
[nats]; a row that fits costs a half (our choice, no source)."""
_MEMORY_S = 3.0
"""Rows closer than this share their noise (our choice, no source)."""
_MOST_OFFSETS = 160
"""Offsets that are tried: a bound on time (our choice)."""
_PIECES_APART_S, _SAME_S, _FLANK_S = 1.0, 1.5, 3.0
"""Offsets tried are no nearer than the first [s], one clock's change by no more than the second, and rivals lie beyond
the third (our choice, no source)."""
_LATE = 1.0
"""Cost of rows written late instead of a clock set back [nats] (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Cuts:
    """Where a log's stamps do not go on at their own pace.

    Attributes:
        at: Index of the first row of each piece but the first, ascending.
        may_be_late: True where a piece may begin with rows written late instead, so that the clock may not have been
            set at all; shape as `at`.
        late: True for rows that stand behind rows they were logged before.
        wild: True for single rows whose stamp is far off.
    """

    at: Ints
    may_be_late: Bools
    late: Bools
    wild: Bools


def find_cuts(stamps: Ints) -> Cuts | None:
    """Return the candidates for a step of the clock; None where the stamps run backwards too often to have an order.

    Args:
        stamps: Of rows in the order they were logged [ns], shape (n,).
    """
    t_s = (stamps - stamps[0]) / 1e9
    late, wild = _find_misplaced(t_s)
    kept = np.flatnonzero(~late & ~wild)
    step = np.diff(t_s[kept])
    # no step that goes forward and is within the jitter is a candidate, whatever the usual one
    if bool(((step >= 0.0) & (step <= _JITTER_S)).all()):
        return Cuts(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_), late, wild)
    pace, slack = _local_pace(step)
    excess = step - pace
    is_back = step < -0.6
    if is_back.sum() > MOST_CUTS:
        return None
    is_back |= excess < -slack
    strength = np.where(is_back, np.inf, excess / slack)
    candidates = np.flatnonzero(is_back | (excess > slack))
    if candidates.size > MOST_CUTS:
        candidates = np.sort(candidates[np.argsort(-strength[candidates], kind="stable")[:MOST_CUTS]])
    may_be_late = np.array([_may_be_late(t_s[kept], int(i) + 1) for i in candidates], dtype=np.bool_)
    return Cuts(kept[candidates + 1].astype(np.int64), may_be_late, late, wild)


def _may_be_late(t_s: Floats, i: int) -> bool:
    """Return True where the stamps soon go on beyond those before a step backwards."""
    return bool(t_s[i] < t_s[i - 1] and t_s[i : i + _FEW + 1].max() > t_s[i - 1])


def _local_pace(step: Floats) -> tuple[Floats, Floats]:
    """Return the usual step round each row [s], and how far from it a step is nothing unusual [s]."""
    count = max(round(step.size / _BLOCK), 1)
    parts = np.array_split(step, count)
    forward = [part[part > 0.0] if bool((part > 0.0).any()) else np.ones(1) for part in parts]
    pace = np.array([np.median(part) for part in forward])
    spread = np.array([np.quantile(np.abs(f - p), 0.9, method="lower") for f, p in zip(forward, pace, strict=True)])
    slack = np.maximum(np.maximum(_JITTER_S, 0.6 * pace), 1.5 * spread)
    sizes = [part.size for part in parts]
    return np.repeat(pace, sizes), np.repeat(slack, sizes)


def _find_misplaced(t_s: Floats) -> tuple[Bools, Bools]:
    """Return True for rows written late among others, and True for single rows whose stamp is far off."""
    late, wild = np.zeros((2, t_s.size), dtype=np.bool_)
    backward = np.flatnonzero(np.diff(t_s) < 0.0) + 1
    if not 0 < backward.size <= 50 * MOST_CUTS:
        return late, wild
    step = np.diff(t_s)
    usual = float(np.median(step[step > 0.0])) if np.any(step > 0.0) else 1.0
    # among rows that come at no regular pace nobody can tell a row written late from a clock put back a little
    is_regular = bool(np.quantile(np.abs(step - usual), 0.85) <= max(0.3 * usual, _JITTER_S))
    for i in backward.tolist():
        if late[i] or late[i - 1] or wild[i - 1]:
            continue
        # rows before it that jump ahead and are followed by what came before them
        for few in range(1, _FEW + 1):
            before = i - few - 1
            gap = t_s[i] - t_s[before] if before >= 0 else np.nan
            if 0.0 <= gap <= (few + 1) * usual + _JITTER_S and t_s[i - few] - t_s[before] > 3.0 * usual + _JITTER_S:
                wild[i - few : i] = True
                break
        if wild[i - 1]:
            continue
        # rows that were written late: they fill a hole before
        top = t_s[i - 1]
        stop = i
        while stop < min(i + _FEW, t_s.size) and t_s[stop] <= top:
            stop += 1
        if stop == i or (stop < t_s.size and t_s[stop] <= top):
            continue
        others = t_s[max(0, i - 60) : i]
        if is_regular and float(np.abs(t_s[i:stop, None] - others).min()) >= 0.5 * usual:
            late[i:stop] = True
    return late, wild


@dataclass(frozen=True, slots=True)
class PieceOffsets:
    """The pieces of a log and the rough offset of each.

    Attributes:
        bounds: Index of the first row of each piece, and the number of rows; shape (k + 1,).
        offset_s: UTC minus stamp [s], shape (k,), to a second.
        is_clear: True where no other offset does nearly as well, shape (k,).
    """

    bounds: Ints
    offset_s: Floats
    is_clear: Bools


Engine = tuple[Ints, Floats, Floats]
"""One engine: network UTC [ns] and rpm, finite; rpm in the log, one a row, NaN where unknown."""


def find_piece_offsets(stamps: Ints, engines: list[Engine], cuts: Cuts, drift: float = 0.0) -> PieceOffsets | None:
    """Return the offset of each piece between candidates, by rpm; None where nothing fits anywhere.

    Args:
        stamps: Of rows in the order they were logged [ns].
        engines: What both sides saw.
        cuts: From `find_cuts`.
        drift: Growth of all offsets per second, as far as known.
    """
    bounds = np.concatenate([[0], cuts.at, [stamps.size]]).astype(np.int64)
    seen = [_Network(*engine) for engine in engines]
    tried_s = _find_tried_offsets(stamps, engines, bounds)
    if not tried_s.size:
        return None
    pace_s = usual_pace_s(stamps[np.concatenate([[True], np.diff(stamps) > 0])] / 1e9)
    stamp_s = stamps / 1e9
    base_s = float(stamp_s[0])
    _calibrate(seen, stamp_s, engines, bounds, tried_s)
    cost = np.zeros((bounds.size - 1, tried_s.size))
    for k in range(bounds.size - 1):
        rows = _thinned(stamp_s, slice(int(bounds[k]), int(bounds[k + 1])))
        for network, (_, _, logged) in zip(seen, engines, strict=True):
            cost[k] += network.cost(stamp_s[rows] * (1.0 + drift) - base_s * drift, logged[rows], tried_s)
    cost /= max(1.0, _MEMORY_S / pace_s)
    steps = stamp_s[bounds[1:-1]] - stamp_s[bounds[1:-1] - 1]
    moves = [
        _move_cost(tried_s, float(step), pace_s, bool(late)) for step, late in zip(steps, cuts.may_be_late, strict=True)
    ]
    return _best_path(bounds, cost, tried_s, moves, pace_s)


def _thinned(stamp_s: Floats, rows: slice) -> Ints:
    """Return the rows of a piece, one a second at most."""
    second = np.floor(stamp_s[rows])
    kept: Ints = rows.start + np.flatnonzero(np.concatenate([[True], np.diff(second) != 0.0]))
    return kept


class _Network:
    """Rpm of one engine as the network told it, each second."""

    def __init__(self, t_ns: Ints, rpm: Floats, _logged: Floats) -> None:
        self._first, self._rpm = to_seconds(t_ns, rpm)
        low, high = np.nanquantile(self._rpm, [0.02, 0.98])
        self._sigma = max(0.01 * float(high - low), 5.0)
        self.scale = 1.0

    def at(self, t_s: Floats) -> Floats:
        """Return rpm at times [s], NaN where unknown."""
        place = t_s - self._first
        left = np.clip(np.floor(place).astype(np.int64), 0, self._rpm.size - 2)
        share = place - left
        found: Floats = self._rpm[left] * (1.0 - share) + self._rpm[left + 1] * share
        found[(place < 0.0) | (place > self._rpm.size - 1)] = np.nan
        return found

    def cost(self, stamp_s: Floats, logged: Floats, tried_s: Floats) -> Floats:
        """Return what each offset leaves unexplained [nats], the best within a second of it."""
        known = np.isfinite(logged)
        stamp_s, logged = stamp_s[known], logged[known] * self.scale
        found = np.empty(tried_s.size)
        for n, place in enumerate(tried_s):
            tried = []
            for near in (-1.0, -0.5, 0.0, 0.5, 1.0):
                rest = np.minimum(0.5 * ((logged - self.at(stamp_s + (place + near))) / self._sigma) ** 2, _WORST)
                tried.append(float(np.where(np.isfinite(rest), rest, _UNKNOWN).sum()))
            found[n] = min(tried)
        return found


def _calibrate(seen: list[_Network], stamp_s: Floats, engines: list[Engine], bounds: Ints, tried_s: Floats) -> None:
    """Set how much the network's rpm reads against the log's, by the longest piece at its best place."""
    longest = int(np.argmax(np.diff(bounds)))
    rows = _thinned(stamp_s, slice(int(bounds[longest]), int(bounds[longest + 1])))
    for network, (_, _, logged) in zip(seen, engines, strict=True):
        ratios: list[tuple[float, float]] = []
        for place in tried_s:
            both = network.at(stamp_s[rows] + place)
            usable = np.isfinite(both) & np.isfinite(logged[rows]) & (logged[rows] > 100.0) & (both > 100.0)
            if usable.sum() >= 30:
                ratio = np.log(both[usable] / logged[rows][usable])
                middle = float(np.median(ratio))
                ratios.append((float(np.median(np.abs(ratio - middle))) - 1e-4 * float(usable.sum()) ** 0.5, middle))
        if ratios:
            network.scale = float(np.exp(min(ratios)[1]))


def _find_tried_offsets(stamps: Ints, engines: list[Engine], bounds: Ints) -> Floats:
    """Return the offsets that any piece might have [s], ascending."""
    step_s = np.diff(stamps) / 1e9
    pace_s = float(np.median(step_s[step_s > 0.0])) if np.any(step_s > 0.0) else 1.0
    cut_s = step_s[bounds[1:-1] - 1]
    apart = np.flatnonzero((cut_s < -0.6) | (cut_s > _LONG_S)) + 1
    edges = np.concatenate([[0], apart, [bounds.size - 1]])
    runs = [(int(bounds[a]), int(bounds[b])) for a, b in pairwise(edges)]
    pieces = [(int(a), int(b)) for a, b in pairwise(bounds)]
    ranked = sorted(dict.fromkeys(runs + pieces), key=lambda r: -_movement(engines, r))[:16]
    found: list[float] = []
    for a, b in ranked:
        pairs = pairs_of(stamps, engines, slice(a, b))
        if pairs:
            found += find_offsets(pairs, 4, 40.0, 0.5)
    own = list(dict.fromkeys(found))
    # a clock that was set while rows kept coming: its offset changes by what the step is too short or too long
    shifts = pace_s - cut_s
    shifts = shifts[np.abs(shifts) < _LONG_S]
    moved = [o + s for o in own[:12] for s in (*shifts, *-shifts)]
    total = np.concatenate([[0.0], np.cumsum(pace_s - cut_s)])
    chained = [o + t for o in own[:6] for t in (*total, *(total - total[-1]), *(-total))]
    kept: list[float] = []
    for place in [*own, *moved, *chained]:
        if len(kept) < _MOST_OFFSETS and all(abs(place - other) >= _PIECES_APART_S for other in kept):
            kept.append(place)
    return np.array(sorted(kept))


def _movement(engines: list[Engine], rows: tuple[int, int]) -> float:
    """Return how much rpm changes over some rows, noise left out."""
    total = 0.0
    for _, _, logged in engines:
        part = logged[rows[0] : rows[1]]
        change = np.abs(np.diff(part[np.isfinite(part)]))
        total += float(change[change > 20.0].sum())
    return total


def pairs_of(stamps: Ints, engines: list[Engine], rows: slice | Bools) -> list[Pair]:
    """Return the two sides of each engine over some rows of the log, rising stamps only."""
    pairs: list[Pair] = []
    for t_ns, seen, logged in engines:
        known = np.isfinite(logged[rows])
        t, value = stamps[rows][known], logged[rows][known]
        if not t.size:
            continue
        rising = np.concatenate([[True], t[1:] > np.maximum.accumulate(t)[:-1]])
        if rising.sum() >= 10:
            pairs.append((t_ns, seen, t[rising], value[rising]))
    return pairs


def _best_path(bounds: Ints, cost: Floats, tried_s: Floats, moves: list[Floats], pace_s: float) -> PieceOffsets:
    """Return the offsets that together cost least, and where no piece could go elsewhere."""
    forward = np.zeros_like(cost)
    forward[0] = cost[0]
    for k, move in enumerate(moves, start=1):
        forward[k] = cost[k] + (forward[k - 1][:, None] + move).min(axis=0)
    backward = np.zeros_like(cost)
    for k in range(len(moves) - 1, -1, -1):
        backward[k] = (moves[k] + (cost[k + 1] + backward[k + 1])[None, :]).min(axis=1)
    chosen = np.zeros(len(cost), dtype=np.int64)
    chosen[-1] = int(forward[-1].argmin())
    for k in range(len(moves), 0, -1):
        chosen[k - 1] = int((forward[k - 1] + moves[k - 1][:, chosen[k]]).argmin())
    total = forward + backward
    offset_s = tried_s[chosen]
    # what lies nearer is the flank of the same minimum, and in the uncertainty
    other = np.abs(tried_s[None, :] - offset_s[:, None]) > max(_FLANK_S, pace_s)
    rival = np.where(other, total, np.inf).min(axis=1)
    is_clear = rival - total[np.arange(len(cost)), chosen] >= _CLEAR
    return PieceOffsets(bounds, offset_s, is_clear)


def _move_cost(tried_s: Floats, step_s: float, pace_s: float, may_be_late: bool) -> Floats:
    """Return what it costs to go from one offset to another across a step of the stamps, shape (from, to) [nats]."""
    change = tried_s[None, :] - tried_s[:, None]
    paused = step_s + change - pace_s
    kept_writing = np.abs(paused) <= max(2.0, 0.5 * pace_s)
    cost = np.where(kept_writing, _SET, _RESTARTED)
    cost[np.abs(change) <= _SAME_S] = _LATE if step_s < 0.0 else 0.0
    if abs(step_s) <= _LONG_S:
        # no row was logged before the one above it
        cost[(step_s + change < -1.0) & ((np.abs(change) > _SAME_S) | (not may_be_late))] = _IMPOSSIBLE
    return cost


# Order of the rows as offloaded, and rows written twice.

Codes = npt.NDArray[np.uint64]

_LEAST_RUN = 5
"""So many rows in a row must come again, in the same order, to be a stretch that was offloaded twice (our choice, no
source)."""
_LEAST_KINDS = 3
"""So many of them must differ: an engine at rest shows the same values at other times too (our choice, no source)."""
_UNLIKE_SHARE = 0.1
"""Where more than this share of the rows of one stamp differ, stamps are coarse and rows alike are no repeats (our
choice, no source)."""
_STAMPS = ("row", "t_log_ns")
_ODD = np.uint64(0x9E3779B97F4A7C15)
"""2**64 over the golden ratio, odd: the multiplier of Fibonacci hashing (Knuth, "The Art of Computer Programming", vol.
3, section 6.4, from memory)."""


def is_newest_first(t_log_ns: Ints) -> bool:
    """Return True where most rows are older than the row above them."""
    step = np.diff(t_log_ns)
    return bool(np.count_nonzero(step < 0) > 2 * np.count_nonzero(step > 0))


def row_codes(rows: pa.Table) -> Codes:
    """Return a number for what stands in each row beside its stamp: equal rows have equal ones, shape (n,)."""
    codes = np.zeros(rows.num_rows, dtype=np.uint64)
    for name in rows.column_names:
        if name in _STAMPS:
            continue
        column = rows[name].combine_chunks()
        bits = np.where(known(column), values(column).view(np.uint64), np.uint64(1))
        codes = (codes ^ bits) * _ODD
        codes ^= codes >> np.uint64(29)
    return codes


def find_repeated(t_log_ns: Ints, codes: Codes) -> Bools:
    """Return True for rows that repeat an earlier one: stamp, values, and place in a stretch of such rows.

    Args:
        t_log_ns: Stamps in the order of the file [ns], shape (n,).
        codes: From `row_codes`, shape (n,).
    """
    order = np.lexsort((np.arange(t_log_ns.size), codes, t_log_ns))
    t, code = t_log_ns[order], codes[order]
    is_first = np.concatenate([[True], (t[1:] != t[:-1]) | (code[1:] != code[:-1])])
    begins = np.flatnonzero(is_first)
    original = np.empty(t_log_ns.size, dtype=np.int64)
    original[order] = order[begins[np.cumsum(is_first) - 1]]
    rows = np.arange(t_log_ns.size)
    again = original != rows
    repeated = np.zeros(t_log_ns.size, dtype=np.bool_)
    same_stamp = np.concatenate([[False], t_log_ns[1:] == t_log_ns[:-1]])
    same_row = same_stamp & np.concatenate([[False], codes[1:] == codes[:-1]])
    if np.count_nonzero(same_row) >= (1.0 - _UNLIKE_SHARE) * np.count_nonzero(same_stamp):
        repeated |= same_row
    # stretches of rows that come again in the same order, rows next to their original left out
    far = again & (rows - original > 1)
    joins = far & np.concatenate([[False], far[:-1] & (np.diff(original) >= 0) & (np.diff(original) <= 2)])
    starts = np.flatnonzero(far & ~joins)
    for start, stop in pairwise([*starts.tolist(), rows.size]):
        length = int(np.argmin(np.append(far[start:stop], False)))
        stretch = slice(start, start + length)
        if length >= _LEAST_RUN and np.unique(codes[stretch]).size >= _LEAST_KINDS:
            repeated[stretch] = True
    return repeated
