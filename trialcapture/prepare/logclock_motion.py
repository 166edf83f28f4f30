"""Tying an engine log's clock to UTC without rpm on the network: by the boat's motion, or by marks.

Speed lags rpm by many seconds, so correlating the two is biased. What does not lag is acceleration: at every
instant it is thrust (a function of rpm now) minus resistance (a function of speed now). The offset is the one at
which that relation, fitted freely, leaves the least unexplained acceleration.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logclock import AMBIGUOUS_RATIO, NO_MATCH, LogFit
from trialcapture.prepare.logmatch import misfit_by_lag, to_seconds

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_STEP_S = 2
_SPAN_S = 60
_MOTION_U_S = 10.0
"""Standard uncertainty of an alignment by acceleration [s]: running astern or out of gear moves the boat without a sign
in the rpm, and on simulated trials with crash stops that shifted the fit by 9 to 10 s."""
_RISE_RPM = 150.0
_REACTION_S = 0.25
"""What even a quick hand takes to follow the throttle [s] (common practice, no source)."""


def fit_by_motion(sog_ns: Ints, sog_kn: Floats, cog_true_deg: Floats, log_ns: Ints, rpm: Floats) -> LogFit:
    """Fit a log's clock by matching its rpm with the boat's acceleration.

    Args:
        sog_ns: UTC of speed readings [ns], ascending.
        sog_kn: Speed over ground [kn], finite.
        cog_true_deg: Course [deg true], NaN where unknown.
        log_ns: Log stamps [ns], ascending.
        rpm: Mean engine rpm in the log, finite.

    Returns:
        The fit; drift cannot be seen this way and is reported as 0 ± 100 ppm.
    """
    method = "rpm against acceleration"
    first_v, v = to_seconds(sog_ns, sog_kn)
    first_r, r = to_seconds(log_ns, rpm)
    if v.size < 300 or r.size < 300:
        return LogFit(None, None, 0.0, 100.0, method, "failed: too little of both recordings")
    misfit, count = misfit_by_lag(v, r)
    need = max(300.0, 0.25 * min(np.isfinite(v).sum(), np.isfinite(r).sum()))
    misfit[count < need] = np.nan
    if not np.isfinite(misfit).any():
        return LogFit(None, None, 0.0, 100.0, method, "failed: the recordings hardly overlap")
    best = int(np.nanargmin(misfit))
    away = np.abs(np.arange(misfit.size) - best) > 120
    rival = float(np.nanmin(misfit[away])) if np.isfinite(misfit[away]).any() else None
    if misfit[best] > 2 * NO_MATCH:
        return LogFit(None, None, 0.0, 100.0, method, "failed: speed does not follow the rpm in the log: another run?")
    if rival is not None and rival < AMBIGUOUS_RATIO * misfit[best]:
        return LogFit(None, None, 0.0, 100.0, method, "failed: two alignments fit about equally well; give a mark")
    coarse = best - (r.size - 1) + first_v - first_r
    heading = _course_at(first_v + np.arange(v.size), sog_ns, cog_true_deg)
    lags = np.arange(coarse - _SPAN_S, coarse + _SPAN_S + 1)
    left = np.array([_unexplained(v, heading, r, int(lag) + first_r - first_v) for lag in lags])
    if not np.isfinite(left).any():
        return LogFit(None, None, 0.0, 100.0, method, "failed: too little overlap to see acceleration")
    i = int(np.nanargmin(left))
    offset_s, curve = float(lags[i]), np.nan
    if 0 < i < left.size - 1 and np.isfinite(left[i - 1 : i + 2]).all():
        curve = float(left[i - 1] - 2 * left[i] + left[i + 1])
        if curve > 0:
            offset_s += 0.5 * float(left[i - 1] - left[i + 1]) / curve
    if not np.isfinite(curve) or curve <= 0:
        return LogFit(None, None, 0.0, 100.0, method, "failed: no clear best alignment")
    quality = "poor: by acceleration alone; marks would be surer"
    return LogFit(offset_s, _MOTION_U_S, 0.0, 100.0, method, quality, float(misfit[best]), None, rival)


def _course_at(second: Ints, t_ns: Ints, cog_true_deg: Floats) -> Floats:
    """Return the course [rad] at whole seconds, the last known one held."""
    known = np.isfinite(cog_true_deg)
    if not known.any():
        return np.zeros(second.size)
    at = np.clip(np.searchsorted(t_ns[known], second * 1_000_000_000, side="right") - 1, 0, int(known.sum()) - 1)
    held: Floats = np.radians(cog_true_deg[known][at])
    return held


def _unexplained(v: Floats, course: Floats, rpm: Floats, shift: int) -> float:
    """Return the mean squared acceleration left over when log sample k stands at speed sample k + shift."""
    low, high = max(0, shift), min(v.size - _STEP_S, shift + rpm.size - _STEP_S)
    if high - low < 300:
        return np.nan
    now = slice(low, high)
    later = slice(low + _STEP_S, high + _STEP_S)
    gain = v[later] - v[now]
    speed = 0.5 * (v[later] + v[now])
    inside = np.arange(low, high) - shift
    power = 0.5 * rpm[inside] + 0.25 * (rpm[np.maximum(inside - 1, 0)] + rpm[np.minimum(inside + 1, rpm.size - 1)])
    power = 0.5 * (power + rpm[np.minimum(inside + _STEP_S, rpm.size - 1)])
    known = np.isfinite(gain) & np.isfinite(power)
    if known.sum() < 300:
        return np.nan
    basis = [
        _hats(power[known], 6),
        _hats(speed[known], 6),
        np.cos(course[now][known])[:, None],
        np.sin(course[now][known])[:, None],
    ]
    design = np.hstack(basis)
    solution, *_ = np.linalg.lstsq(design, gain[known], rcond=1e-8)
    rest = gain[known] - design @ solution
    return float(rest @ rest) / float(known.sum())


def _hats(x: Floats, count: int) -> Floats:
    """Return piecewise-linear basis functions on knots at quantiles of x, shape (len(x), <= count)."""
    knots = np.unique(np.quantile(x, np.linspace(0, 1, count)))
    if knots.size < 2:
        return np.ones((x.size, 1))
    basis: Floats = np.stack([np.interp(x, knots, np.eye(knots.size)[k]) for k in range(knots.size)], axis=1)
    return basis


def fit_by_marks(mark_ns: Ints, log_ns: Ints, rpm: Floats) -> LogFit:
    """Fit a log's clock by marks made at throttle blips: each mark stands at the start of a sharp rise of rpm.

    Args:
        mark_ns: UTC of marks [ns].
        log_ns: Log stamps [ns], ascending.
        rpm: Rpm in the log, finite.
    """
    method = "marks"
    rises = find_rises(log_ns, rpm)
    if mark_ns.size < 3 or rises.size < 3:
        return LogFit(None, None, 0.0, 100.0, method, "failed: fewer than three marks or rises of rpm")
    trial = np.unique(np.round((mark_ns[:, None] - rises[None, :]).ravel() / 1e9, 1))
    scores = np.array([_marks_met(mark_ns, rises, o)[0] for o in trial])
    best = int(np.argmax(scores))
    top = trial[scores == scores[best]]
    if scores[best] < 3 or float(top.max() - top.min()) > 5.0:
        return LogFit(None, None, 0.0, 100.0, method, "failed: the marks fit at more than one offset, or at none")
    _, apart = _marks_met(mark_ns, rises, float(np.median(top)))
    # a hand follows the eye, late and never early: the quickest mark is the truest
    offset_s = float(np.median(top)) + float(apart.min()) - _REACTION_S
    spread = float(np.std(apart)) if apart.size > 1 else 1.0
    offset_u = float(np.hypot(0.5, spread / np.sqrt(apart.size)))
    return LogFit(offset_s, offset_u, 0.0, 100.0, method, f"fair: {apart.size} marks, by hand")


def find_rises(t_ns: Ints, rpm: Floats) -> Ints:
    """Return the instants [ns] at which rpm begins to rise by more than 150 within 3 s, one per rise.

    The beginning is where the steepest slope of the rise, run backwards, meets the level before it.
    """
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


def _marks_met(mark_ns: Ints, rise_ns: Ints, offset_s: float) -> tuple[int, Floats]:
    """Return how many marks have a rise within 1.5 s at an offset, and how far each is from it [s]."""
    at = (rise_ns + round(offset_s * 1e9)).astype(np.float64)
    apart = (mark_ns[:, None] - at[None, :]) / 1e9
    nearest = apart[np.arange(mark_ns.size), np.abs(apart).argmin(axis=1)]
    met = np.abs(nearest) <= 1.5
    return int(met.sum()), nearest[met]
