"""Tying an engine log's own clock to UTC by what both sides saw of the same engine.

In order of trust: rpm seen on the network against rpm in the log; marks; rpm in the log against the motion of the
boat. The offset is UTC minus log time at the log's first row; drift is how much the offset grows per second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.optimize

from trialcapture.prepare.logmatch import Pair, search_offset
from trialcapture.prepare.statistics import rolling_mean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

AMBIGUOUS_RATIO = 1.10
"""Two fits whose misfit differs by less than this ratio cannot be told apart."""
NO_MATCH = 0.30
"""Unexplained share of the rpm's variance, offset known to the second, above which two recordings are not of the same
run."""
NO_MATCH_FINE = 0.05
"""The same once offset and drift are fitted."""
MAX_DRIFT = 1000e-6
"""Largest drift a clock is believed to have; quartz clocks stay within a tenth of it (common practice, no source)."""
BUS_U_S = 0.1
"""Standard uncertainty of when rpm seen on the network was true [s]: the bus and the receiver's latency."""
_FINE_S = 0.25


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

    def to_utc(self, t_log_ns: Ints) -> Ints:
        """Return UTC [ns] of log stamps [ns]; the log's first row is the first stamp given."""
        if self.offset_s is None:
            raise ValueError("this fit has no offset")
        since = t_log_ns - t_log_ns[0]
        utc: Ints = t_log_ns + round(self.offset_s * 1e9) + np.rint(since * (self.drift_ppm * 1e-6)).astype(np.int64)
        return utc


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
    fine = _refine(pairs, log_start_ns, offset_s, network_u_s)
    if fine is None:
        return _failed("rpm against rpm", "the fit did not settle", coarse)
    offset_s, offset_u_s, drift_ppm, drift_u_ppm, scale, misfit = fine
    if misfit > NO_MATCH_FINE:
        why = f"at best {misfit:.0%} of the rpm's variance stays unexplained: another run?"
        return _failed("rpm against rpm", why, coarse)
    notes = []
    if misfit > 0.01:
        notes.append(f"{misfit:.0%} of the rpm's variance unexplained")
    if abs(scale - 1.0) > 0.01:
        notes.append(f"network rpm reads {1.0 / scale - 1.0:+.1%} against the log")
    quality = "fair: " + ", ".join(notes) if notes else "good"
    return LogFit(
        offset_s,
        offset_u_s,
        drift_ppm,
        drift_u_ppm,
        "rpm against rpm",
        quality,
        misfit,
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
    values[t_s[after] - t_s[after - 1] > 3.0] = np.nan
    pace_s = float(np.median(np.diff(t_s)))
    smooth = rolling_mean(values, round(max(2.0, 3.0 * pace_s) / _FINE_S) | 1)
    smooth[~np.isfinite(values)] = np.nan
    return grid, smooth


def _refine(
    pairs: list[Pair], log_start_ns: int, offset_s: float, network_u_s: float
) -> tuple[float, float, float, float, float, float] | None:
    """Fit offset, drift and rpm scale by robust least squares.

    Returns:
        Offset at the log's first row [s], its u, drift [ppm], its u, log-to-network rpm scale, unexplained share.
    """
    data = []
    for utc_ns, seen, log_ns, logged in pairs:
        seen_s, seen_rpm = _smoothed((utc_ns - log_start_ns) / 1e9 - offset_s, seen)
        log_s, log_rpm = _smoothed((log_ns - log_start_ns) / 1e9, logged)
        each = slice(None, None, round(1.0 / _FINE_S))
        inside, rpm = log_s[each], log_rpm[each]
        data.append((seen_s, seen_rpm, inside[np.isfinite(rpm)], rpm[np.isfinite(rpm)]))
    if not any(d[2].size > 30 for d in data):
        return None
    span = max(float(d[2][-1] - d[2][0]) for d in data if d[2].size > 1)

    def residual(p: Floats) -> Floats:
        parts = []
        for seen_s, seen_rpm, inside, rpm in data:
            at = inside + p[0] + p[1] * (inside / span - 0.5)
            expected = np.interp(at, seen_s, seen_rpm, left=np.nan, right=np.nan)
            parts.append(np.where(np.isfinite(expected), p[2] * rpm - expected, 0.0))
        return np.concatenate(parts)

    starts = [np.array([o, d, 1.0]) for o in (-1.0, 0.0, 1.0) for d in (-200e-6 * span, 0.0, 200e-6 * span)]
    start = min(starts, key=lambda p: float(np.abs(residual(p)).mean()))
    scale = max(1.4826 * float(np.median(np.abs(residual(start)))), 1.0)
    fit = scipy.optimize.least_squares(
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
    drift_u = float(np.hypot(np.sqrt(covariance[1, 1]), BUS_U_S)) / span
    rpm = np.concatenate([d[3] for d in data])[r != 0.0]
    unexplained = float(np.mean(used**2)) / max(float(rpm.var()) * float(fit.x[2]) ** 2, 1.0)
    return at_start, offset_u, drift * 1e6, drift_u * 1e6, float(fit.x[2]), unexplained
