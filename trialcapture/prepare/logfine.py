"""The last step of matching rpm with rpm: offset, drift and scale by least squares on the transients."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logmatch import Pair, longest_gap_s, usual_pace_s
from trialcapture.prepare.robust_fit import Model, RobustFit, fit_robustly
from trialcapture.prepare.statistics import rolling_mean

Floats = npt.NDArray[np.float64]

MAX_DRIFT = 1000e-6
"""Largest drift a clock is believed to have; quartz clocks stay within a tenth of it (common practice, no source)."""
WIDE_DRIFT = 10_000e-6
"""Largest drift that is looked for where the clock is worse than that: a logger that counts by an oscillator without
a crystal may be a per cent off (common practice, no source)."""
_AT_BOUND = 0.98
"""Share of a bound from which a fit counts as pressed against it."""
_REACH_S = 10.0
"""How far from the rough offset the fine one is looked for [s]."""
_WANDER_S = 0.1
"""By how much the delay of rpm on the network is taken to change during a recording [s]."""
_SLOW_LOG, _SLOW_BOTH = 0.03, 0.12
"""What a slow log, and one met with a slow network, adds to the uncertainty of the offset, as a share of the time
between readings beyond 1 s and 1.5 s: a change of rpm falls between two of them (by simulated trials)."""
_CHANGE_S = 20.0
"""Readings of one change of rpm lie within so long [s]."""
_FINE_S = 0.25
_SLOWER = 2.0
"""Where one side's readings come so much slower than the other's, its readings are compared one by one."""


@dataclass(frozen=True, slots=True)
class _Compared:
    """Readings of one side and the other side as a smooth line; times in seconds since the log's first row.

    Attributes:
        line_s: Time the smooth line begins [s], and
        line: its rpm every `_FINE_S`, NaN in gaps and at both ends: what lies beyond them is unknown too.
        at_s: Times of the readings compared with it [s].
        rpm: Their rpm.
        log_reads: True where the readings are the log's and the line the network's; False the other way round.
    """

    line_s: float
    line: Floats
    at_s: Floats
    rpm: Floats
    log_reads: bool

    def residual(self, p: Floats, span_s: float) -> tuple[Floats, Floats]:
        """Return log rpm times scale less network rpm, and its derivatives; 0 where either side is unknown.

        Args:
            p: Offset in the middle of the span [s], its growth over the span [s], and scale.
            span_s: From the log's first row to the end of the span [s].
        """
        turn = self.at_s / span_s - 0.5
        late_s = p[0] + p[1] * turn
        if self.log_reads:
            seen, slope = self._line_at(self.at_s + late_s)
            rest, by_late, by_scale = p[2] * self.rpm - seen, -slope, self.rpm
        else:
            logged, slope = self._line_at(self.at_s - late_s)
            rest, by_late, by_scale = p[2] * logged - self.rpm, -p[2] * slope, logged
        known = np.isfinite(rest)
        return np.where(known, rest, 0.0), np.where(known, [by_late, by_late * turn, by_scale], 0.0)

    def _line_at(self, t_s: Floats) -> tuple[Floats, Floats]:
        """Return the line's rpm and its slope [1/s] at times [s]."""
        place = (t_s - self.line_s) / _FINE_S
        left = np.clip(place.astype(np.int64), 0, self.line.size - 2)
        before = self.line[left]
        rise = self.line[left + 1] - before
        return before + rise * (place - left), rise / _FINE_S


def _compared(pair: Pair, log_start_ns: int, offset_s: float) -> _Compared:
    """Return the two sides of one engine, the slower one's readings against the faster one's line.

    A straight line between readings seconds apart cuts the corners of a change, each side's at other places; an
    alignment of two such lines is biased. So where the paces differ, nothing is laid between the slower readings.
    """
    utc_ns, seen, log_ns, logged = pair
    seen_s, log_s = (utc_ns - log_start_ns) / 1e9 - offset_s, (log_ns - log_start_ns) / 1e9
    seen_pace_s, log_pace_s = usual_pace_s(seen_s), usual_pace_s(log_s)
    if log_pace_s > max(_SLOWER * seen_pace_s, 1.5):
        return _Compared(*_line(seen_s, seen, seen_pace_s), log_s, logged, True)
    if seen_pace_s > max(_SLOWER * log_pace_s, 1.5):
        return _Compared(*_line(log_s, logged, log_pace_s), seen_s, seen, False)
    at_s, rpm = (values[:: round(1.0 / _FINE_S)] for values in _smoothed(log_s, logged, log_pace_s))
    known = np.isfinite(rpm)
    return _Compared(*_line(seen_s, seen, seen_pace_s), at_s[known], rpm[known], True)


def _smoothed(t_s: Floats, value: Floats, pace_s: float) -> tuple[Floats, Floats]:
    """Return a fine time axis [s] and the signal on it, averaged over at least two seconds; NaN inside gaps.

    Interpolating between noisy readings averages them, most so halfway, and a fit would be drawn to the offsets
    that put every reading halfway. A moving mean over the interpolated signal has the same noise everywhere.
    """
    grid = np.arange(t_s[0], t_s[-1], _FINE_S)
    if grid.size == 0:
        return grid, grid
    values = np.interp(grid, t_s, value)
    at = np.searchsorted(grid, t_s)
    values[: at[-1]][np.repeat(np.diff(t_s) > longest_gap_s(pace_s), np.diff(at))] = np.nan
    smooth = rolling_mean(values, round(max(2.0, 3.0 * pace_s) / _FINE_S) | 1)
    smooth[~np.isfinite(values)] = np.nan
    return grid, smooth


def _line(t_s: Floats, value: Floats, pace_s: float) -> tuple[float, Floats]:
    """Return where the smooth line of a signal begins [s], and the line with an unknown value before and behind."""
    return float(t_s[0]) - _FINE_S, np.concatenate([[np.nan], _smoothed(t_s, value, pace_s)[1], [np.nan]])


def _scatter_of_changes(data: list[_Compared], residual: Model, fit: RobustFit, soft: float) -> Floats:
    """Return the covariance that changes of rpm which do not agree give the parameters, shape (3, 3).

    What the model gets wrong of a change (corners cut between slow readings, a delay of its own) is common to all
    readings of it, whichever engine's, and to no other change. So the covariance is taken from the scatter of such
    clusters (White, "A heteroskedasticity-consistent covariance matrix estimator", Econometrica 48(4), 1980; Liang &
    Zeger, "Longitudinal data analysis using generalized linear models", Biometrika 73(1), 1986), with the weights the
    loss gives each reading.
    """
    rest, slopes = residual(fit.at)
    weighed = slopes / np.sqrt(1.0 + (rest / soft) ** 2)
    curvature = weighed @ slopes.T
    if np.linalg.cond(curvature) > 1e16:
        return np.zeros((3, 3))
    cluster = np.floor(np.concatenate([d.at_s for d in data]) / _CHANGE_S).astype(np.int64)
    _, number = np.unique(cluster, return_inverse=True)
    sums = np.stack([np.bincount(number, weights=row) for row in weighed * rest])
    inverse = np.linalg.inv(curvature)
    count = sums.shape[1]
    return np.asarray(inverse @ (sums @ sums.T) @ inverse * (count / max(count - 3, 1)))


@dataclass(frozen=True, slots=True)
class FineFit:
    """Offset, drift and rpm scale as fitted.

    Attributes:
        rough_s: The offset the fit began from [s].
        at: Offset in the middle of the span less `rough_s` [s], its growth over the span [s], log-to-network rpm
            scale; shape (3,).
        covariance: Of `at`, shape (3, 3).
        span_s: From the log's first row to the end of the span [s].
        unexplained: Share of the rpm's variance left.
        pace_u_s: Standard uncertainty that slow readings add to the offset [s].
        is_at_bound: Whether the least misfit lies at the edge of what was searched.
    """

    rough_s: float
    at: Floats
    covariance: Floats
    span_s: float
    unexplained: float
    pace_u_s: float
    is_at_bound: bool

    @property
    def scale(self) -> float:
        """Log-to-network rpm scale."""
        return float(self.at[2])

    @property
    def drift(self) -> float:
        """Growth of the offset per second."""
        return float(self.at[1]) / self.span_s

    @property
    def drift_u(self) -> float:
        """Standard uncertainty of the drift: a delay on the network that wanders looks like drift."""
        return float(np.hypot(np.sqrt(self.covariance[1, 1]), _WANDER_S)) / self.span_s

    def offset_s(self) -> float:
        """Return the offset at the log's first row [s]: the middle value less half the run of the drift."""
        return self.rough_s + float(self.at[0]) - float(self.at[1]) * 0.5

    def offset_u_s(self, network_u_s: float) -> float:
        """Return its standard uncertainty [s]."""
        toward = np.array([1.0, -0.5, 0.0])
        return float(np.sqrt(toward @ self.covariance @ toward + network_u_s**2 + self.pace_u_s**2))

    def with_drift(self, drift: float, drift_u: float) -> FineFit:
        """Return the fit with what is known of the drift from elsewhere: a value and its standard uncertainty."""
        own = self.covariance.copy()
        own[1, 1] += _WANDER_S**2
        gain = own[:, 1] / (own[1, 1] + (drift_u * self.span_s) ** 2)
        at = self.at + gain * (drift * self.span_s - self.at[1])
        return replace(self, at=at, covariance=own - np.outer(gain, own[1]))


def refine_offset(
    pairs: list[Pair], log_start_ns: int, offset_s: float, most_drift: float = MAX_DRIFT, least: int = 30
) -> FineFit | None:
    """Fit offset, drift and rpm scale by robust least squares.

    Args:
        pairs: One entry per engine both sides saw.
        log_start_ns: Stamp of the log's first row [ns].
        offset_s: Where to begin, right to a few seconds [s].
        most_drift: Largest drift that is tried.
        least: Readings that are asked for.

    Returns:
        The fit; None when it does not settle.
    """
    data = [_compared(pair, log_start_ns, offset_s) for pair in pairs]
    if not any(d.at_s.size > least for d in data):
        return None
    span = max(float(d.at_s[-1] - d.at_s[0]) for d in data if d.at_s.size > 1)

    def residual(p: Floats) -> tuple[Floats, Floats]:
        # offset in the middle, growth over the whole, scale: of one size, and hardly correlated
        rests, slopes = zip(*(d.residual(p, span) for d in data), strict=True)
        return np.concatenate(rests), np.concatenate(slopes, axis=1)

    slow = (0.0,) if most_drift <= MAX_DRIFT else (0.0, -4e-3, -1.6e-3, 1.6e-3, 4e-3)
    drifts = [(d + more) * span for d in slow for more in (-200e-6, 0.0, 200e-6)]
    starts = [np.array([o, d, 1.0]) for o in (-1.0, 0.0, 1.0) for d in drifts]
    begun = [np.abs(residual(p)[0]) for p in starts]
    nearest = int(np.argmin([r.mean() for r in begun]))
    scale = max(1.4826 * float(np.median(begun[nearest])), 1.0)
    low, high = np.array([-_REACH_S, -most_drift * span, 0.5]), np.array([_REACH_S, most_drift * span, 2.0])
    fit = fit_robustly(residual, starts[nearest], low, high, 3.0 * scale)
    if fit is None:
        return None
    r = fit.residual
    used = r[r != 0.0]
    if used.size < least:
        return None
    # neighbouring residuals share the network's quantisation and the bus delay: three count as one
    variance = float(np.median(np.abs(used)) * 1.4826) ** 2 + float(np.var(np.clip(used, -3 * scale, 3 * scale)))
    if np.linalg.cond(fit.curvature) > 1e16:
        return None
    covariance = np.linalg.inv(fit.curvature) * variance * 3.0 + _scatter_of_changes(data, residual, fit, 3.0 * scale)
    rpm = np.concatenate([d.rpm for d in data])[r != 0.0]
    unexplained = float(np.mean(used**2)) / max(float(rpm.var()) * float(fit.at[2]) ** 2, 1.0)
    pressed = np.abs(fit.at[:2]) >= _AT_BOUND * high[:2]
    pace_u_s = max(_pace_u_s(pair) for pair in pairs)
    return FineFit(
        offset_s, np.asarray(fit.at), np.asarray(covariance), span, unexplained, pace_u_s, bool(pressed.any())
    )


def _pace_u_s(pair: Pair) -> float:
    """Return the standard uncertainty that slow readings add to an offset [s]."""
    seen_pace_s, log_pace_s = usual_pace_s(pair[0] / 1e9), usual_pace_s(pair[2] / 1e9)
    slower_s = max(min(seen_pace_s, log_pace_s) - 1.5, 0.0)
    return float(np.hypot(_SLOW_LOG * max(log_pace_s - 1.0, 0.0), _SLOW_BOTH * slower_s))
