"""The clock of an engine log from rpm on the network, or from marks at throttle blips.

In order of trust: rpm on the network against rpm in the log; marks; rpm in the log against the motion of the boat
(`log_motion`). The offset is UTC minus log time at the log's first row; drift is how much the offset grows per second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import comb

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.clocks.log_match import MAX_DRIFT, WIDE_DRIFT, FineFit, Pair, refine_offset, search_offset

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
