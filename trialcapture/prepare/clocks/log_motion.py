"""The clock of an engine log from the boat's motion, where the network carries no rpm.

Two matches are combined. The level of the speed, a free function of lagged rpm, finds the offset among days, to some
ten seconds. The onset of acceleration at the edges of rpm (`fit_onsets`) finds the instant, but cannot tell one step of
a ladder of rpm from the next. An offset that is not clearly the best by both together is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.clocks.log_clock import LogFit
from trialcapture.prepare.clocks.log_match import longest_gap_s, misfit_by_lag, to_seconds, usual_pace_s
from trialcapture.prepare.sample_statistics import rolling_mean

# Lasting changes of rpm on a uniform grid.

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEP_S = 0.25
"""Spacing both recordings are brought to [s] (our choice, no source)."""
CHANGE_S = 8.0
"""Time within which a change of rpm is one edge [s] (our choice, no source)."""
_LEAST_SHARE, _LEAST_RPM = 0.04, 40.0
"""An edge changes rpm within 8 s by so much of its whole range, and by so much at least (our choice, no source)."""
_SMOOTH_S = 2.0
"""Rpm is averaged over this before edges are looked for [s] (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Uniform:
    """A signal on a grid of `STEP_S`: `values` [k] stands at ``first + k`` steps; NaN inside gaps."""

    first: int
    values: Floats


def to_uniform(t_s: Floats, value: Floats) -> Uniform:
    """Return a signal on the common grid, linearly interpolated, NaN inside gaps.

    Args:
        t_s: Times [s], ascending, at least two.
        value: The signal, finite.
    """
    first = int(np.ceil(t_s[0] / STEP_S))
    grid = np.arange(first, int(np.floor(t_s[-1] / STEP_S)) + 1) * STEP_S
    after = np.clip(np.searchsorted(t_s, grid), 1, t_s.size - 1)
    values = np.interp(grid, t_s, value)
    values[t_s[after] - t_s[after - 1] > longest_gap_s(usual_pace_s(t_s))] = np.nan
    return Uniform(first, values)


def find_edges(rpm: Floats) -> tuple[Ints, Floats]:
    """Return index and size [rpm] of the lasting changes of rpm on the common grid, ascending.

    The change over 8 s of a short mean, at its largest; weaker ones within 10 s of a stronger one belong to it.
    """
    half = round(CHANGE_S / STEP_S / 2)
    smooth = rolling_mean(rpm, round(_SMOOTH_S / STEP_S) | 1)
    change = np.full(rpm.size, np.nan)
    if rpm.size > 2 * half:
        change[half:-half] = smooth[2 * half :] - smooth[: -2 * half]
    if not np.isfinite(change).any():
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    low, high = np.nanquantile(rpm, [0.05, 0.95])
    least = max(_LEAST_SHARE * float(high - low), _LEAST_RPM)
    size = np.abs(np.nan_to_num(change))
    found: list[int] = []
    taken = np.zeros(rpm.size, dtype=np.bool_)
    apart = round(10.0 / STEP_S)
    large = np.flatnonzero(size >= least)
    for i in large[np.argsort(-size[large], kind="stable")]:
        if not taken[i]:
            taken[max(0, i - apart) : i + apart + 1] = True
            found.append(int(i))
    at = np.array(sorted(found), dtype=np.int64)
    return at, change[at]


# The onset of acceleration against the edges of rpm in a log.
#
# Speed lags rpm by many seconds, so matching the two is biased late. The onset of the change does not lag: thrust
# follows the shaft at once. Round every lasting change of rpm the speed is taken for a straight line plus the
# response of a first-order hull to thrust proportional to rpm², ``y' = rpm² − y / T``; line, size and time constant T
# are fitted edge by edge, so lag and hull are nuisances and only the instant is common to all edges. The sum of the
# logarithms of what each edge leaves unexplained is the likelihood of the offset where every edge has a noise of its
# own; an edge the model does not suit (astern, out of gear, a turn, a wave) is flat in it and hardly counts.
#
# A hull that swings like a mass on a spring begins its answer late, by up to a third of its period. Hulls of several
# periods and dampings are therefore tried for all edges of a trial together, and the offsets they come to are averaged
# by their likelihood. The constants of that were found by 390 simulated trials of two kinds of simulator: boats without
# swinging and with periods of 8 to 30 s, crash stops, hunting throttles and receivers that smooth. 99 % of them lie
# within twice the stated uncertainty, the worst at 2.6 times. They are not sharp: 2 or 3 readings an edge, and 0.4 to 1
# as its limit, leave no trial of the first 275 beyond 3 u.

_BEFORE_S, _AFTER_S = 9.0, 15.0
"""How much of an edge is looked at: long enough for the slope before and the bend after, too short for much else (our
choice, no source)."""
_TIME_CONSTANTS_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 1000.0)
"""Time constants of a hull that are tried [s]; the last one stands for speed that only grows (our choice, no
source)."""
_FLOOR_KN2 = 0.03**2
"""Noise no speed is believed to be better than [kn²] (common practice, no source)."""
_KIND_U_S = 0.3
"""How far large and small, rising and falling edges of one boat stand apart [s], by simulated trials. Where a trial
begins with one kind and ends with another this looks like drift."""
_EDGES_FOR_SLOPE = 8
"""Edges from which a drift is fitted (our choice, no source)."""
_CLEAR = 0.5
"""An edge leaving more than this share unexplained shows no onset (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class OnsetFit:
    """The offset at which speed answers rpm.

    Attributes:
        offset_s: Speed's time minus log time, at `middle_s` [s].
        offset_u_s: Standard uncertainty from the scatter between edges [s].
        unexplained: Typical share (geometric mean over edges) of an edge's change of speed left unexplained.
        rises: Edges upwards that show an onset, and
        falls: downwards.
        edges: Edges both recordings hold, whether they show an onset or not.
        middle_s: Log time the edges stand about [s].
        span_s: From the first to the last edge [s].
        slope: Growth of the offset per second, and
        slope_u: its standard uncertainty; NaN where the edges are too few.
        hull_u_s: Standard uncertainty of what a hull which answers like a mass on a spring may add [s].
    """

    offset_s: float
    offset_u_s: float
    unexplained: float
    rises: int
    falls: int
    edges: int
    middle_s: float
    span_s: float
    slope: float
    slope_u: float
    hull_u_s: float = 0.0


def scan_onsets(speed: Uniform, rpm: Uniform, offset_s: float, span_s: float) -> tuple[float, float] | None:
    """Look for the offset over a wide span, by the share of each edge's own change of speed that is left.

    Args:
        speed: Speed over ground [kn].
        rpm: Rpm in the log.
        offset_s: Where to look [s].
        span_s: How far to either side [s].

    Returns:
        Best offset [s] and the typical unexplained share there, or None when no edge can be used.
    """
    steps = round(span_s / STEP_S)
    shift = round(offset_s / STEP_S) + rpm.first - speed.first
    before, after = round(_BEFORE_S / STEP_S), round(_AFTER_S / STEP_S)
    line = _line_basis(before + after + 1)
    floor = _usual_unrest(speed)
    total = np.zeros(2 * steps + 1)
    count = 0
    for i in find_edges(rpm.values)[0]:
        low, high = i + shift - steps - before, i + shift + steps + after + 1
        if i < before or i + after >= rpm.values.size or low < 0 or high > speed.values.size:
            continue
        heard, drive = speed.values[low:high], rpm.values[i - before : i + after + 1]
        if not (np.isfinite(heard).all() and np.isfinite(drive).all()):
            continue
        windows = np.lib.stride_tricks.sliding_window_view(heard - heard.mean(), before + after + 1)
        rest = windows - (windows @ line) @ line.T
        whole = (rest**2).sum(axis=1)
        left = whole.copy()
        for response in _responses(drive, before):
            shape = response - line @ (line.T @ response)
            norm = float(np.linalg.norm(shape))
            if norm > 1e-9:
                gain = np.maximum(rest @ (shape / norm), 0.0)
                left = np.minimum(left, whole - gain**2)
        total += np.log((np.maximum(left, 0.0) + floor) / (whole + floor))
        count += 1
    if not count:
        return None
    best = int(total.argmin())
    return offset_s + (best - steps) * STEP_S, float(np.exp(total[best] / count))


class SecondOrderHull(NamedTuple):
    """A hull that answers like a mass on a spring: trim and speed overshoot, and the answer begins slowly.

    Attributes:
        period_s: Of its own swinging [s].
        damping: Damping ratio.
    """

    period_s: float
    damping: float


SECOND_ORDER_HULLS = tuple(
    SecondOrderHull(period_s, damping) for period_s in (6.0, 9.0, 13.0, 18.0, 25.0) for damping in (0.2, 0.4, 0.7)
)
"""The second-order hulls that are tried beside the first-order one; boats between them are told well enough by their
neighbours (by simulated trials)."""
_READINGS = 3.0
"""Independent readings an edge counts for in the likelihood of a hull: 24 s of a receiver's slow noise, less the line,
the size and the time constant that are fitted to them (our choice, no source)."""
_ORDINARY = 0.1
"""By how much per edge (logarithm of what is left unexplained) a second-order hull must do better than the first-order
one to be as likely. Real first-order hulls are not quite linear: simulated ones leave 0 to 0.25 more than the best
second-order hull explains, and hulls that swing with 12 to 22 s leave 0.1 to 1."""
_MOST = 1.0
"""What one edge may say for or against a hull, as above: a crash stop, with the gear out or astern, answers late too,
and as clearly as no other change of rpm (our choice, no source)."""
_UNLIKE_S = 0.8
"""How far the instant of a hull that swings in another way than those tried stands from theirs, one standard deviation
[s] (by simulated trials)."""
_REACH_S, _FAR_S = 4.0, 8.0
"""How far the onset is looked for to either side [s], and where hulls are tried whose answer begins slowly (our choice,
no source)."""


class _Search(NamedTuple):
    """Where the onsets fit best.

    Attributes:
        offset_s: The offset looked about [s].
        curves: Of the likeliest hull, per edge the share left unexplained at every shift.
        known: Which edges.
        best: The likeliest hull's best shift.
        moved_s: Mean offset over the hulls, by their likelihood, from `offset_s` [s].
        hull_u_s: Standard deviation of the hulls' offsets, by their likelihood, and what hulls unlike them may add [s].
    """

    offset_s: float
    curves: Floats
    known: Ints
    best: int
    moved_s: float
    hull_u_s: float


def fit_onsets(speed: Uniform, rpm: Uniform, offset_s: float, *, is_slow: bool = False) -> OnsetFit | None:
    """Fit the offset near a value known to a few seconds; each edge is evaluated on the same stretch of speed.

    A hull that swings answers late, and so short a look at each edge does not always tell whether it does. So all
    `SECOND_ORDER_HULLS` are tried beside the first-order hull, each with an offset of its own; the fit is their mean,
    weighed by how likely each hull makes the edges of all the trial, and their spread is part of its uncertainty.

    Args:
        speed: Speed over ground [kn].
        rpm: Rpm in the log.
        offset_s: Offset to start from [s].
        is_slow: Whether readings are so far apart that the shape of an answer tells nothing about the hull.

    Returns:
        The fit, or None when fewer than two edges show an onset or it does not settle.
    """
    at, size = find_edges(rpm.values)
    found = _search(speed, rpm, at, offset_s, (None,), _REACH_S)
    if found is not None and not is_slow:
        found = _search(speed, rpm, at, found.offset_s + found.moved_s, (None, *SECOND_ORDER_HULLS), _FAR_S)
    return None if found is None else _as_fit(rpm, at, size, found)


def _search(
    speed: Uniform, rpm: Uniform, at: Ints, offset_s: float, hulls: tuple[SecondOrderHull | None, ...], reach_s: float
) -> _Search | None:
    """Look for the offset at which the hulls explain the edges best; the first of them is the ordinary one."""
    reach = round(reach_s / STEP_S)
    following_s = round(offset_s / STEP_S) * STEP_S
    for attempt in range(8):
        offset_s = following_s
        curves, known = _edge_curves(speed, rpm, at, offset_s, reach, hulls)
        if len(known) < 2:
            return None
        logs = np.log(curves)
        totals = logs.sum(axis=1)
        lowest = totals.argmin(axis=1)
        each = np.array([log[:, k] for log, k in zip(logs, lowest, strict=True)])
        least = np.clip(each, each[0] - _MOST, each[0] + _MOST).sum(axis=1)
        least[1:] += _ORDINARY * known.size + 2.0 / _READINGS * np.log(max(len(hulls) - 1, 1))
        chance = np.exp(-0.5 * _READINGS * (least - least.min()))
        chance /= chance.sum()
        shifts_s = np.array([_lowest(total) - reach for total in totals]) * STEP_S
        moved_s = float(chance @ shifts_s)
        away = round(moved_s / STEP_S)
        if abs(away) <= 2:
            break
        # the stretches looked at move along, and a shallow minimum may swing: half steps calm it
        following_s = offset_s + STEP_S * (away if attempt < 3 else round(away / 2))
    likeliest = int(chance.argmax())
    best = int(lowest[likeliest])
    hull_u_s = float(np.hypot(np.sqrt(chance @ (shifts_s - moved_s) ** 2), _UNLIKE_S * (1.0 - chance[0])))
    found = _Search(offset_s, curves[likeliest], known, best, moved_s, hull_u_s)
    return found if 0 < best < 2 * reach else None


def _lowest(total: Floats) -> float:
    """Return where a curve is lowest, in steps, by a parabola through its lowest point and that point's neighbours."""
    best = int(total.argmin())
    if not 0 < best < total.size - 1:
        return float(best)
    bend = float(total[best - 1] - 2.0 * total[best] + total[best + 1])
    return best + (0.5 * float(total[best - 1] - total[best + 1]) / bend if bend > 0.0 else 0.0)


def _as_fit(rpm: Uniform, at: Ints, size: Floats, found: _Search) -> OnsetFit | None:
    """Return the fit that a search comes to, or None where its minimum has no bottom."""
    curves, known, best = found.curves, found.known, found.best
    clear = curves[:, best] < _CLEAR
    at_s: Floats = ((rpm.first + at[known]) * STEP_S).astype(np.float64)
    slopes, bends = _derivatives(np.log(curves), best)
    if bends.sum() <= 0.0 or clear.sum() < 2:
        return None
    scale = float(np.sqrt(clear.sum() / (clear.sum() - 1.0)))
    own_s = -slopes / bends.sum()  # what each edge would move the offset by
    weight = np.maximum(bends, 0.0)
    middle_s = float((weight * at_s).sum() / weight.sum())
    span_s = float(at_s[clear][-1] - at_s[clear][0])
    slope, slope_u = (
        _slope(slopes, weight, at_s - middle_s, span_s, scale) if clear.sum() >= _EDGES_FOR_SLOPE else (np.nan, np.nan)
    )
    return OnsetFit(
        offset_s=found.offset_s + found.moved_s,
        offset_u_s=scale * float(np.sqrt((own_s**2).sum())),
        unexplained=float(np.exp(np.log(curves[:, best]).mean())),
        rises=int((clear & (size[known] > 0)).sum()),
        falls=int((clear & (size[known] < 0)).sum()),
        edges=int(known.size),
        middle_s=middle_s,
        span_s=span_s,
        slope=slope,
        slope_u=slope_u,
        hull_u_s=found.hull_u_s,
    )


def _slope(slopes: Floats, weight: Floats, since_s: Floats, span_s: float, scale: float) -> tuple[float, float]:
    """Return how the offset grows per second and its standard uncertainty, by one step from no growth."""
    lever = float((weight * since_s**2).sum())
    if lever <= 0.0 or span_s <= 0.0:
        return np.nan, np.nan
    score = slopes * since_s
    scatter = scale * float(np.sqrt((score**2).sum())) / lever
    return -float(score.sum()) / lever, float(np.hypot(scatter, _KIND_U_S / (span_s / 2.0)))


def _edge_curves(
    speed: Uniform, rpm: Uniform, at: Ints, offset_s: float, reach: int, hulls: tuple[SecondOrderHull | None, ...]
) -> tuple[Floats, Ints]:
    """Return what is left unexplained, shape (hulls, edges, shifts within reach), and which edges can be used."""
    before, after = round(_BEFORE_S / STEP_S), round(_AFTER_S / STEP_S)
    count = before + after + 1
    shift = round(offset_s / STEP_S) + rpm.first - speed.first
    line = _line_basis(count)
    floor = _usual_unrest(speed)
    curves: list[Floats] = []
    known: list[int] = []
    for n, i in enumerate(at):
        low, high = i - before - reach, i + after + reach + 1
        start = i + shift - before
        if low < 0 or high > rpm.values.size or start < 0 or start + count > speed.values.size:
            continue
        heard, drive = speed.values[start : start + count], rpm.values[low:high]
        if not (np.isfinite(heard).all() and np.isfinite(drive).all()):
            continue
        rest = heard - heard.mean()
        rest = rest - line @ (line.T @ rest)
        whole = float(rest @ rest)
        # speed later by one step is the response taken one step earlier
        responses = np.array([_responses(drive, before + reach, hull) for hull in hulls])
        shapes = np.lib.stride_tricks.sliding_window_view(responses, count, axis=2)[:, :, ::-1]
        squares = np.einsum("htsk,htsk->hts", shapes, shapes) - ((shapes @ line) ** 2).sum(axis=3)
        told = np.maximum(shapes @ rest, 0.0) ** 2 / np.maximum(squares, 1e-12)
        left = np.maximum(whole - told.max(axis=1), 0.0)
        curves.append((left + floor) / (whole + floor))
        known.append(n)
    stacked = np.stack(curves, axis=1) if curves else np.zeros((len(hulls), 0, 2 * reach + 1))
    return stacked, np.array(known, dtype=np.int64)


def _responses(rpm: Floats, edge: int, swing: SecondOrderHull | None = None) -> list[Floats]:
    """Return the speed a hull gains by rpm² over its level before the edge, per time constant."""
    drive = (rpm / 1000.0) ** 2
    calm = round(CHANGE_S / STEP_S / 2)
    drive = drive - drive[max(0, edge - 2 * calm) : max(1, edge - calm)].mean()
    if swing is not None:
        drive = np.convolve(drive, _impulse(swing, drive.size))[: drive.size]
    pushed = 0.5 * STEP_S * (drive + np.concatenate([[0.0], drive[:-1]]))
    since_s = np.arange(drive.size) * STEP_S
    return [np.convolve(pushed, np.exp(-since_s / tau_s))[: drive.size] for tau_s in _TIME_CONSTANTS_S]


def _impulse(swing: SecondOrderHull, count: int) -> Floats:
    """Return the answer of a damped oscillator of unit gain to an impulse, per sample, shape (count,).

    Source: ``ω² / ω_d · exp(−ζωt) sin(ω_d t)`` with ``ω_d = ω sqrt(1 − ζ²)`` (Den Hartog, *Mechanical Vibrations*;
    from memory).
    """
    omega = 2.0 * np.pi / swing.period_s
    damped = omega * (1.0 - swing.damping**2) ** 0.5
    t_s = (np.arange(count) + 0.5) * STEP_S
    answer: Floats = omega**2 / damped * np.exp(-swing.damping * omega * t_s) * np.sin(damped * t_s) * STEP_S
    return answer


def _usual_unrest(speed: Uniform) -> float:
    """Return the sum of squares about a straight line that is usual in a stretch as long as an edge's [kn²].

    Most of a recording is not an edge, so the median tells what waves and the receiver do without any change of rpm;
    an edge has to stand out from that to count.
    """
    count = round((_BEFORE_S + _AFTER_S) / STEP_S) + 1
    if speed.values.size < count:
        return _FLOOR_KN2 * count
    line = _line_basis(count)
    windows = np.lib.stride_tricks.sliding_window_view(speed.values, count)[:: count // 2]
    windows = windows[np.isfinite(windows).all(axis=1)]
    rest = windows - windows.mean(axis=1, keepdims=True)
    rest = rest - (rest @ line) @ line.T
    usual = float(np.median((rest**2).sum(axis=1))) if windows.size else 0.0
    return max(usual, _FLOOR_KN2 * count)


def _line_basis(count: int) -> Floats:
    """Return an orthonormal basis of straight lines over `count` samples, shape (count, 2)."""
    x = np.arange(count, dtype=np.float64)
    basis, _ = np.linalg.qr(np.stack([np.ones(count), x - x.mean()], axis=1))
    return np.asarray(basis, dtype=np.float64)


def _derivatives(logs: Floats, best: int) -> tuple[Floats, Floats]:
    """Return slope [1/s] and bend [1/s²] of each edge's curve at the best shift, over a second to either side."""
    wide = max(1, min(round(1.0 / STEP_S), best, logs.shape[1] - 1 - best))
    h = wide * STEP_S
    slopes = (logs[:, best + wide] - logs[:, best - wide]) / (2.0 * h)
    bends = (logs[:, best + wide] - 2.0 * logs[:, best] + logs[:, best - wide]) / h**2
    return slopes, bends


METHOD = "rpm against the onset of acceleration"
THRUST_U_S = 0.8
"""Standard uncertainty of how far the speed a receiver tells stands behind the shaft [s]: its filter, the gear, the
slack of the drive (common practice, no source)."""
_SLOW_S = 1.5
"""Readings further apart than this tell nothing about the hull [s] (our choice, no source)."""
_LATE_S = 0.5
"""What a hull that may answer late must add to the uncertainty to be named [s] (common practice, no source)."""
_DRIFT_PPM = 100.0
"""Standard uncertainty of the drift of a clock nobody has measured [1e-6] (common practice, no source)."""
_NO_MATCH = 0.16
"""Share left unexplained (geometric mean of level and edges) above which the log is taken for another run's. Logs of a
trial with its own speed leave 0.01 to 0.12, and of another trial seldom less than 0.2 (by simulated trials)."""
_CLEARER = 2.0
"""How much more a rival must leave unexplained to be ruled out. Few edges decide here, so the bar is higher than where
rpm meets rpm: true alignments leave rivals at 2.5 times and more (by simulated trials)."""
_LEAST_EDGES = 4
"""Edges that must show an onset (our choice, no source)."""
_LEAST_ANSWERED = 0.4
"""Share of the edges both recordings hold that speed must answer; what is missing is blips in neutral and steps that
the waves hide (our choice, no source)."""
_LEAST_OVERLAP = 0.5
"""Share of the shorter recording that both must have (our choice, no source)."""
_APART_S = 30
"""Offsets further apart than this are rivals [s] (our choice, no source)."""
_MOST_CANDIDATES = 8
"""Offsets at which onsets are looked at: a bound on time (our choice)."""
_LAGS_S = (4.0, 12.0, 36.0)
"""Lags of speed behind rpm that are tried for the level [s] (common practice, no source)."""
_SPAN_S = 25.0
"""How far the onset is looked for from an offset by the level of speed [s] (our choice: that is known to some ten
seconds)."""
_LONG_S = 3.0 * 3600.0
"""A drift is only looked for over so long (our choice, no source)."""


class _Candidate(NamedTuple):
    misfit: float
    offset_s: float


def fit_by_motion(sog_ns: Ints, sog_kn: Floats, cog_true_deg: Floats, log_ns: Ints, rpm: Floats) -> LogFit:
    """Fit a log's clock by matching its rpm with the boat's acceleration.

    Args:
        sog_ns: UTC of speed readings [ns], ascending.
        sog_kn: Speed over ground [kn], finite.
        cog_true_deg: Course [deg true], NaN where unknown.
        log_ns: Log stamps [ns], ascending.
        rpm: Mean engine rpm in the log, finite.

    Returns:
        The fit. Its drift is 0 ± 100 ppm unless the edges of rpm span three hours.
    """
    if sog_ns.size < 2 or log_ns.size < 2:
        return _failed("too little of both recordings")
    first_v, v = to_seconds(sog_ns, sog_kn)
    first_r, r = to_seconds(log_ns, rpm)
    if np.isfinite(v).sum() < 300 or np.isfinite(r).sum() < 300:
        return _failed("too little of both recordings")
    if np.nanstd(r) == 0.0 or np.nanstd(v) == 0.0:
        return _failed("rpm or speed never changed")
    level = _Level(v, _course_at(first_v + np.arange(v.size), sog_ns, cog_true_deg), r)
    base_ns = int(log_ns[0])
    speed, drive = to_uniform((sog_ns - base_ns) / 1e9, sog_kn), to_uniform((log_ns - base_ns) / 1e9, rpm)
    candidates: list[_Candidate] = []
    for lag in level.find_lags():
        left, best = level.refined(lag)
        onset = scan_onsets(speed, drive, float(best - (r.size - 1) + first_v - first_r), _SPAN_S)
        if onset is not None:
            candidates.append(_Candidate(float(np.sqrt(left * onset[1])), onset[0]))
    candidates.sort()
    if not candidates or candidates[0].misfit > _NO_MATCH:
        return _failed("speed does not follow the rpm in the log: another run?")
    rivals = [p for p in candidates[1:] if abs(p.offset_s - candidates[0].offset_s) > _APART_S]
    rival = rivals[0] if rivals else None
    if rival is not None and rival.misfit < _CLEARER * candidates[0].misfit:
        return _ambiguous(candidates[0], rival)
    pace_s = max(float(np.median(np.diff(t))) / 1e9 for t in (log_ns, sog_ns))
    fit = fit_onsets(speed, drive, candidates[0].offset_s, is_slow=pace_s > _SLOW_S)
    if fit is None or abs(fit.offset_s - candidates[0].offset_s) > _SPAN_S:
        return _failed("no clear onset of acceleration at the changes of rpm; give a mark", candidates[0], rival)
    answered = fit.rises + fit.falls
    if answered < max(_LEAST_EDGES, _LEAST_ANSWERED * fit.edges):
        why = f"speed answers only {answered} of {fit.edges} changes of rpm; give a mark"
        return _failed(why, candidates[0], rival)
    return _result(fit, candidates[0], rival, pace_s)


def _result(fit: OnsetFit, place: _Candidate, rival: _Candidate | None, pace_s: float) -> LogFit:
    """Return the fit of a log's clock that an onset fit comes to."""
    drift_ppm, drift_u_ppm = 0.0, _DRIFT_PPM
    if fit.span_s > _LONG_S and np.isfinite(fit.slope_u) and fit.slope_u * 1e6 < _DRIFT_PPM:
        # an unknown drift is no larger than a clock's usual one: the two are weighed together
        share = 1.0 / (1.0 + (fit.slope_u * 1e6 / _DRIFT_PPM) ** 2)
        drift_ppm, drift_u_ppm = share * fit.slope * 1e6, float(np.sqrt(share)) * fit.slope_u * 1e6
    parts = [
        THRUST_U_S,
        fit.offset_u_s,
        fit.hull_u_s,
        drift_u_ppm * 1e-6 * fit.middle_s,
        max(pace_s - 1.0, 0.0) / 12**0.5,
    ]
    one_way = min(fit.rises, fit.falls) == 0
    if one_way:
        parts.append(1.0)
    few = fit.rises + fit.falls < 6
    if few:
        parts.append(2.0)
    offset_u_s = float(np.sqrt(sum(p * p for p in parts)))
    notes = [f"{fit.rises} rises and {fit.falls} falls of rpm"]
    if few:
        notes.append("few")
    if fit.hull_u_s > _LATE_S:
        notes.append("a hull that may answer late")
    quality = f"{'poor' if few or offset_u_s > 2.0 else 'fair'}: by {', '.join(notes)}; marks would be surer"
    return LogFit(
        fit.offset_s - drift_ppm * 1e-6 * fit.middle_s,
        offset_u_s,
        drift_ppm,
        drift_u_ppm,
        METHOD,
        quality,
        place.misfit,
        None if rival is None else rival.offset_s,
        None if rival is None else rival.misfit,
    )


def _failed(why: str, place: _Candidate | None = None, rival: _Candidate | None = None) -> LogFit:
    return LogFit(
        None,
        None,
        0.0,
        _DRIFT_PPM,
        METHOD,
        f"failed: {why}",
        None if place is None else place.misfit,
        None if rival is None else rival.offset_s,
        None if rival is None else rival.misfit,
    )


def _ambiguous(place: _Candidate, rival: _Candidate) -> LogFit:
    why = (
        f"two alignments fit about equally well, {place.offset_s:.0f} s and {rival.offset_s:.0f} s "
        f"({place.misfit:.1%} and {rival.misfit:.1%} unexplained); give a mark or a fixed offset"
    )
    return _failed(why, place, rival)


class _Level:
    """How well the level of the speed is told by the log's rpm, at any lag in whole seconds.

    Lag k pairs log second i with speed second ``i + k - (rpm seconds - 1)``.
    """

    def __init__(self, v: Floats, course_rad: Floats, r: Floats) -> None:
        self._v, self._course, self._size = v, course_rad, r.size
        self._lagged = [_low_pass(r, lag_s) for lag_s in _LAGS_S]

    def find_lags(self) -> list[int]:
        """Return the lags at which speed and lagging rpm go together, the best first."""
        misfit, count = misfit_by_lag(self._v, self._lagged[1])
        need = max(300.0, _LEAST_OVERLAP * min(np.isfinite(self._v).sum(), np.isfinite(self._lagged[1]).sum()))
        misfit[count < need] = np.inf
        found: list[int] = []
        while len(found) < _MOST_CANDIDATES:
            best = int(misfit.argmin())
            if not misfit[best] < 0.95:
                break
            found.append(best)
            misfit[max(0, best - 2 * _APART_S) : best + 2 * _APART_S + 1] = np.inf
        return found

    def refined(self, lag: int) -> tuple[float, int]:
        """Return the least unexplained share of the speed's variance near a lag, and where it is."""
        return min((min(self._unexplained(r, k) for r in self._lagged), k) for k in range(lag - 20, lag + 21, 4))

    def _unexplained(self, r: Floats, lag: int) -> float:
        shift = lag - (self._size - 1)
        low, high = max(0, shift), min(self._v.size, shift + r.size)
        if high - low < 300:
            return 1.0
        each = slice(low, high, 3)
        v, rpm, course = self._v[each], r[low - shift : high - shift : 3], self._course[each]
        known = np.isfinite(v) & np.isfinite(rpm)
        v, rpm, course = v[known], rpm[known], course[known]
        if v.size < 100 or v.var() == 0.0:
            return 1.0
        design = np.hstack([_hats(rpm, 8), np.cos(course)[:, None], np.sin(course)[:, None]])
        solution, *_ = np.linalg.lstsq(design, v, rcond=1e-8)
        rest = v - design @ solution
        # what crash stops and running out of gear leave is clipped, not squared
        limit = 4.0 * 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        return float(np.mean(np.clip(rest, -limit, limit) ** 2) / v.var())


def _low_pass(values: Floats, lag_s: float) -> Floats:
    """Return a 1 Hz signal behind a first-order lag; NaN where it was unknown."""
    known = np.flatnonzero(np.isfinite(values))
    bridged = np.interp(np.arange(values.size), known, values[known])
    # what is older than 40 lags weighs less than a float's last digit
    weight = np.exp(-np.arange(np.ceil(40.0 * lag_s)) / lag_s)
    held = np.concatenate([np.full(weight.size - 1, bridged[0]), bridged])  # before the first, the first
    passed = np.convolve(held, weight / weight.sum(), "valid")
    lagging: Floats = np.where(np.isfinite(values), passed, np.nan)
    return lagging


def _course_at(second: Ints, t_ns: Ints, cog_true_deg: Floats) -> Floats:
    """Return the course [rad] at whole seconds, the last known one held."""
    known = np.isfinite(cog_true_deg)
    if not known.any():
        return np.zeros(second.size)
    at = np.clip(np.searchsorted(t_ns[known], second * 1_000_000_000, side="right") - 1, 0, int(known.sum()) - 1)
    held: Floats = np.radians(cog_true_deg[known][at])
    return held


def _hats(x: Floats, count: int) -> Floats:
    """Return piecewise-linear basis functions on knots at quantiles of x, shape (len(x), <= count)."""
    knots = np.unique(np.quantile(x, np.linspace(0, 1, count)))
    if knots.size < 2:
        return np.ones((x.size, 1))
    basis: Floats = np.stack([np.interp(x, knots, np.eye(knots.size)[k]) for k in range(knots.size)], axis=1)
    return basis
