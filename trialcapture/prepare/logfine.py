"""The last step of matching rpm with rpm: offset, drift and scale by least squares on the transients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logmatch import Pair, longest_gap_s
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
        line_s: Times of the smooth line [s], ascending, and
        line: its rpm, NaN in gaps.
        at_s: Times of the readings compared with it [s].
        rpm: Their rpm.
        log_reads: True where the readings are the log's and the line the network's; False the other way round.
    """

    line_s: Floats
    line: Floats
    at_s: Floats
    rpm: Floats
    log_reads: bool

    def residual(self, offset_s: float, slope: float, scale: float, middle_s: float) -> Floats:
        """Return log rpm times `scale` less network rpm, 0 where either is unknown."""
        bend = slope * (self.at_s - middle_s)
        if self.log_reads:
            seen = np.interp(self.at_s + offset_s + bend, self.line_s, self.line, left=np.nan, right=np.nan)
            rest = scale * self.rpm - seen
        else:
            logged = np.interp(self.at_s - offset_s - bend, self.line_s, self.line, left=np.nan, right=np.nan)
            rest = scale * logged - self.rpm
        return np.where(np.isfinite(rest), rest, 0.0)


def _compared(pair: Pair, log_start_ns: int, offset_s: float) -> _Compared:
    """Return the two sides of one engine, the slower one's readings against the faster one's line.

    A straight line between readings seconds apart cuts the corners of a change, each side's at other places; an
    alignment of two such lines is biased. So where the paces differ, nothing is laid between the slower readings.
    """
    utc_ns, seen, log_ns, logged = pair
    seen_s, log_s = (utc_ns - log_start_ns) / 1e9 - offset_s, (log_ns - log_start_ns) / 1e9
    seen_pace_s, log_pace_s = float(np.median(np.diff(seen_s))), float(np.median(np.diff(log_s)))
    if log_pace_s > max(_SLOWER * seen_pace_s, 1.5):
        return _Compared(*_smoothed(seen_s, seen), log_s, logged, True)
    if seen_pace_s > max(_SLOWER * log_pace_s, 1.5):
        return _Compared(*_smoothed(log_s, logged), seen_s, seen, False)
    at_s, rpm = (values[:: round(1.0 / _FINE_S)] for values in _smoothed(log_s, logged))
    known = np.isfinite(rpm)
    return _Compared(*_smoothed(seen_s, seen), at_s[known], rpm[known], True)


def _smoothed(t_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Return a fine time axis [s] and the signal on it, averaged over at least two seconds; NaN inside gaps.

    Interpolating between noisy readings averages them, most so halfway, and a fit would be drawn to the offsets
    that put every reading halfway. A moving mean over the interpolated signal has the same noise everywhere.
    """
    grid = np.arange(t_s[0], t_s[-1], _FINE_S)
    if grid.size == 0:
        return grid, grid
    after = np.clip(np.searchsorted(t_s, grid, side="right"), 1, t_s.size - 1)
    values = np.interp(grid, t_s, value)
    values[t_s[after] - t_s[after - 1] > longest_gap_s(t_s)] = np.nan
    pace_s = float(np.median(np.diff(t_s)))
    smooth = rolling_mean(values, round(max(2.0, 3.0 * pace_s) / _FINE_S) | 1)
    smooth[~np.isfinite(values)] = np.nan
    return grid, smooth


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

    def residual(p: Floats) -> Floats:
        # offset in the middle, growth over the whole, scale: of one size, and hardly correlated
        return np.concatenate([d.residual(p[0], p[1] / span, p[2], 0.5 * span) for d in data])

    starts = [np.array([o, d, 1.0]) for o in (-1.0, 0.0, 1.0) for d in (-200e-6 * span, 0.0, 200e-6 * span)]
    start = min(starts, key=lambda p: float(np.abs(residual(p)).mean()))
    scale = max(1.4826 * float(np.median(np.abs(residual(start)))), 1.0)
    from scipy.optimize import least_squares  # noqa: PLC0415  (slow import, needed only where there is an engine log)

    fit = least_squares(
        residual,
        start,
        loss="soft_l1",
        f_scale=3.0 * scale,
        x_scale=[0.1, 0.1, 0.01],
        diff_step=[1e-2, 1e-2, 1e-4],
        bounds=([-10.0, -MAX_DRIFT * span, 0.5], [10.0, MAX_DRIFT * span, 2.0]),
    )
    if not fit.success and fit.status <= 0:
        return None
    r = residual(fit.x)
    used = r[r != 0.0]
    if used.size < 30:
        return None
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    # neighbouring residuals share the network's quantisation and the bus delay: three count as one
    variance = float(np.median(np.abs(used)) * 1.4826) ** 2 + float(np.var(np.clip(used, -3 * scale, 3 * scale)))
    normal = jacobian.T @ jacobian
    if np.linalg.cond(normal) > 1e16:
        return None
    covariance = np.linalg.inv(normal) * variance * 3.0
    drift = float(fit.x[1]) / span
    # offset at the log's first row is the middle value minus half the run of the drift
    at_start = float(offset_s + fit.x[0] - fit.x[1] * 0.5)
    toward = np.array([1.0, -0.5, 0.0])
    offset_u = float(np.sqrt(toward @ covariance @ toward + network_u_s**2))
    # a delay on the bus that wanders looks like drift
    drift_u = float(np.hypot(np.sqrt(covariance[1, 1]), _WANDER_S)) / span
    rpm = np.concatenate([d.rpm for d in data])[r != 0.0]
    unexplained = float(np.mean(used**2)) / max(float(rpm.var()) * float(fit.x[2]) ** 2, 1.0)
    return at_start, offset_u, drift * 1e6, drift_u * 1e6, float(fit.x[2]), unexplained
