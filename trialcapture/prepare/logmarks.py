"""Tying an engine log's clock to UTC by marks a person made at throttle blips."""

from __future__ import annotations

from math import comb

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logclock import LogFit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_RISE_RPM = 150.0
_REACTION_S = 0.25
"""What even a quick hand takes to follow the throttle [s] (common practice, no source)."""
_HAND_U_S = 0.5
"""Standard uncertainty of a mark made by hand [s] (common practice, no source)."""
_MET_S = 1.5
"""How far from a rise a mark may stand to be a mark of it [s]."""
_APART_S = 5.0
_RIVAL_SHARE = 0.8
"""Share of the best offset's marks at which another offset is as good."""
_BY_CHANCE = 0.05
"""Number of offsets expected to meet as many marks by chance above which marks prove nothing."""
_EARLY_S = 0.8
"""A mark that stands so far before all others was made before its blip."""
_DRIFTS = tuple(d * 1e-6 for d in (0, 50, -50, 100, -100, 150, -150, 200, -200))
_DRIFT_PPM = 100.0


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
        return _failed("fewer than three marks or rises of rpm")
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
        return _failed("the marks fit the rises of rpm at no offset")
    if rival_met >= _RIVAL_SHARE * most:
        other_s = float(tried[away][scores[:, away].max(axis=0).argmax()])
        return _failed(
            f"the marks fit at two offsets, {middle_s:.0f} s and {other_s:.0f} s "
            f"({most} and {rival_met} of {marks.size} met); give a fixed offset",
            other_s,
        )
    share = min(1.0, rises.size * 2.0 * near_s * 1e9 / max(float(log_ns[-1] - log_ns[0]), 1.0))
    chance = tried.size * comb(marks.size - 1, most - 1) * share ** (most - 1)
    if chance > _BY_CHANCE:
        return _failed(f"{most} of {marks.size} marks fit, which among {rises.size} rises of rpm may be chance")
    moved = _drifted(rises, base_ns, drift)
    at_s, late_s = _lateness(marks, moved, middle_s, near_s, base_ns)
    return _told(at_s, late_s + drift * at_s, middle_s, pace_s)


def _told(at_s: Floats, late_s: Floats, offset_s: float, pace_s: float) -> LogFit:
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


def _failed(why: str, rival_s: float | None = None) -> LogFit:
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
    """Return rises as a clock that loses `drift` would have to be put right from the log's first row on."""
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
