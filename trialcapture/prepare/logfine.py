"""The last step of matching rpm with rpm: offset, drift and scale by least squares on the transients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logmatch import Pair, longest_gap_s, usual_pace_s
from trialcapture.prepare.robust_fit import fit_robustly
from trialcapture.prepare.statistics import rolling_mean

Floats = npt.NDArray[np.float64]

MAX_DRIFT = 1000e-6
"""Largest drift a clock is believed to have; quartz clocks stay within a tenth of it (common practice, no source)."""
_WANDER_S = 0.1
"""By how much the delay of rpm on the network is taken to change during a recording [s]."""
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


def refine_offset(
    pairs: list[Pair], log_start_ns: int, offset_s: float, network_u_s: float
) -> tuple[float, float, float, float, float, float] | None:
    """Fit offset, drift and rpm scale by robust least squares.

    Args:
        pairs: One entry per engine both sides saw.
        log_start_ns: Stamp of the log's first row [ns].
        offset_s: Where to begin, right to a few seconds [s].
        network_u_s: Standard uncertainty of when rpm seen on the network was true [s].

    Returns:
        Offset at the log's first row [s], its u, drift [ppm], its u, log-to-network rpm scale, unexplained share;
        None when the fit does not settle.
    """
    data = [_compared(pair, log_start_ns, offset_s) for pair in pairs]
    if not any(d.at_s.size > 30 for d in data):
        return None
    span = max(float(d.at_s[-1] - d.at_s[0]) for d in data if d.at_s.size > 1)

    def residual(p: Floats) -> tuple[Floats, Floats]:
        # offset in the middle, growth over the whole, scale: of one size, and hardly correlated
        rests, slopes = zip(*(d.residual(p, span) for d in data), strict=True)
        return np.concatenate(rests), np.concatenate(slopes, axis=1)

    starts = [np.array([o, d, 1.0]) for o in (-1.0, 0.0, 1.0) for d in (-200e-6 * span, 0.0, 200e-6 * span)]
    begun = [np.abs(residual(p)[0]) for p in starts]
    nearest = int(np.argmin([r.mean() for r in begun]))
    scale = max(1.4826 * float(np.median(begun[nearest])), 1.0)
    low, high = np.array([-10.0, -MAX_DRIFT * span, 0.5]), np.array([10.0, MAX_DRIFT * span, 2.0])
    fit = fit_robustly(residual, starts[nearest], low, high, 3.0 * scale)
    if fit is None:
        return None
    r = fit.residual
    used = r[r != 0.0]
    if used.size < 30:
        return None
    # neighbouring residuals share the network's quantisation and the bus delay: three count as one
    variance = float(np.median(np.abs(used)) * 1.4826) ** 2 + float(np.var(np.clip(used, -3 * scale, 3 * scale)))
    if np.linalg.cond(fit.curvature) > 1e16:
        return None
    covariance = np.linalg.inv(fit.curvature) * variance * 3.0
    middle_s, growth_s, rpm_scale = (float(v) for v in fit.at)
    # offset at the log's first row is the middle value minus half the run of the drift
    at_start = offset_s + middle_s - growth_s * 0.5
    toward = np.array([1.0, -0.5, 0.0])
    offset_u = float(np.sqrt(toward @ covariance @ toward + network_u_s**2))
    # a delay on the bus that wanders looks like drift
    drift_u = float(np.hypot(np.sqrt(covariance[1, 1]), _WANDER_S)) / span
    rpm = np.concatenate([d.rpm for d in data])[r != 0.0]
    unexplained = float(np.mean(used**2)) / max(float(rpm.var()) * rpm_scale**2, 1.0)
    return at_start, offset_u, growth_s / span * 1e6, drift_u * 1e6, rpm_scale, unexplained
