"""Matching two recordings of one rpm: the offset to the second, then offset, drift and scale by least squares.

The first step is a masked cross-correlation over every overlap; the second a robust fit on the transients.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy

from trialcapture.prepare.sample_statistics import rolling_mean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_MIN_OVERLAP_S, _APART_S = 120, 5
"""Least overlap of two recordings [s], and how near offsets belong to one minimum [s] (our choice, no source)."""

Pair = tuple[Ints, Floats, Ints, Floats]
"""One engine seen twice: network UTC [ns], network rpm, log stamp [ns], log rpm; finite values only."""

Sampled = tuple[int, Floats, int, Floats]
"""Both sides at 1 Hz: first UTC second, values (NaN where unknown), first log second, values."""


def search_offset(pairs: list[Pair]) -> tuple[float, float, float | None, float | None] | None:
    """Return offset [s], misfit, rival offset [s] and rival misfit of the best whole-second match, or None."""
    found = _misfit_by_offset(pairs, _MIN_OVERLAP_S, 0.25)
    if found is None:
        return None
    lags, total_best = found
    best = int(np.nanargmin(total_best))
    others = total_best.copy()
    # the flank of the best minimum is not a rival
    others[best - _flank(others[best::-1]) : best + _flank(others[best:]) + 1] = np.nan
    if not np.isfinite(others).any():
        return float(lags[best]), float(total_best[best]), None, None
    rival = int(np.nanargmin(others))
    return float(lags[best]), float(total_best[best]), float(lags[rival]), float(others[rival])


def find_offsets(pairs: list[Pair], count: int, least_s: float, most_misfit: float) -> list[float]:
    """Return the whole-second offsets [s] at which two recordings fit best, the best first.

    Args:
        pairs: One entry per engine both sides saw.
        count: How many are wanted at most.
        least_s: Least overlap [s]; half of the shorter recording is asked for too.
        most_misfit: Share of the variance that may be unexplained.
    """
    found = _misfit_by_offset(pairs, least_s, 0.5)
    places: list[float] = []
    if found is None:
        return places
    offsets, misfit = found[0], np.where(np.isfinite(found[1]), found[1], np.inf)
    while len(places) < count:
        best = int(misfit.argmin())
        if misfit[best] > most_misfit:
            break
        places.append(float(offsets[best]))
        misfit[max(0, best - _APART_S) : best + _APART_S + 1] = np.inf
    return places


def _misfit_by_offset(pairs: list[Pair], least_s: float, share: float) -> tuple[Ints, Floats] | None:
    """Return whole-second offsets [s] and the engines' mean misfit at each, NaN where too little overlaps; or None."""
    total_best: Floats | None = None
    lags: Ints | None = None
    base: int | None = None
    for first_utc, seen, first_log, logged in map(_at_1_hz, pairs):
        if seen.size < 10 or logged.size < 10:
            continue
        misfit, count = misfit_by_lag(seen, logged)
        need = max(least_s, share * min(np.isfinite(seen).sum(), np.isfinite(logged).sum()))
        misfit[count < need] = np.nan
        # index k pairs log sample i with network sample i + k - (logged.size - 1)
        offsets = np.arange(misfit.size) - (logged.size - 1) + first_utc - first_log
        if total_best is None or lags is None or base is None:
            total_best, lags, base = misfit, offsets, int(offsets[0])
        else:
            shift = int(offsets[0]) - base
            aligned = np.full(total_best.size, np.nan)
            low, high = max(0, shift), min(total_best.size, shift + misfit.size)
            if high > low:
                aligned[low:high] = misfit[low - shift : high - shift]
            total_best = np.where(np.isfinite(aligned), (total_best + aligned) / 2, total_best)
    if total_best is None or lags is None or not np.isfinite(total_best).any():
        return None
    return lags, total_best


def _flank(outward: Floats) -> int:
    """Return how many samples from a minimum outwards belong to it: up to where the misfit falls again."""
    climbs = ~np.isfinite(outward[1:]) | (outward[1:] >= outward[:-1])
    climbs[:_APART_S] = True
    return int(np.concatenate([climbs, [False]]).argmin())


def _at_1_hz(pair: Pair) -> Sampled:
    utc_ns, seen, log_ns, logged = pair
    return (*to_seconds(utc_ns, seen), *to_seconds(log_ns, logged))


def usual_pace_s(t_s: Floats) -> float:
    """Return the usual time between readings [s]; 1 s for a single one."""
    return float(np.median(np.diff(t_s))) if t_s.size > 1 else 1.0


def longest_gap_s(pace_s: float) -> float:
    """Return the longest gap bridged by a straight line [s]: 3 s, or 2.5 readings where they come slower than that.

    Beyond 30 s nothing is bridged, however slow the readings.
    """
    return min(max(3.0, 2.5 * pace_s), 30.0)


def to_seconds(t_ns: Ints, value: Floats) -> tuple[int, Floats]:
    """Return first second and 1 Hz values, linearly interpolated, NaN inside gaps (`longest_gap_s`).

    Readings that come faster than once a second are averaged over a second first, so that a fast noisy recording
    does not look unlike a slow one.
    """
    t_s, value = _averaged(t_ns / 1e9, value)
    first, last = int(np.ceil(t_s[0])), int(np.floor(t_s[-1]))
    grid = np.arange(first, last + 1)
    after = np.clip(np.searchsorted(t_s, grid), 1, max(t_s.size - 1, 1))
    gap = t_s[np.minimum(after, t_s.size - 1)] - t_s[after - 1]
    values = np.interp(grid, t_s, value)
    values[gap > longest_gap_s(usual_pace_s(t_s))] = np.nan
    return first, values


def _averaged(t_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Return mean time and mean value of the readings of each second; a slow recording as it is."""
    second = np.floor(t_s + 0.5)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(second) > 0.0]))
    if begins.size > 0.6 * t_s.size:
        return t_s, value
    count = np.diff(np.concatenate([begins, [t_s.size]]))
    base_s = t_s[0]  # sums of seconds since 1970 would lose their last digits
    return base_s + np.add.reduceat(t_s - base_s, begins) / count, np.add.reduceat(value, begins) / count


def misfit_by_lag(seen: Floats, logged: Floats) -> tuple[Floats, Floats]:
    """Return 1 - r**2 and the overlap [samples] for every lag, samples unknown on either side left out.

    Masked normalised cross-correlation: Padfield, "Masked Object Registration in the Fourier Domain", IEEE
    Trans. Image Processing 21(5), 2012.
    """
    n = seen.size + logged.size - 1
    size = 1 << (n - 1).bit_length()

    def transform(values: Floats) -> npt.NDArray[np.complex128]:
        return np.fft.rfft(values, size)

    ms, ml = np.isfinite(seen).astype(np.float64), np.isfinite(logged).astype(np.float64)
    s = np.where(ms > 0, _standardised(seen), 0.0)
    g = np.where(ml > 0, _standardised(logged), 0.0)[::-1]
    ml = ml[::-1]
    fs, fss, fms = transform(s), transform(s * s), transform(ms)
    fg, fgg, fml = transform(g), transform(g * g), transform(ml)

    def back(product: npt.NDArray[np.complex128]) -> Floats:
        return np.fft.irfft(product, size)[:n]

    count = np.maximum(np.rint(back(fms * fml)), 0.0)
    safe = np.maximum(count, 1.0)
    sum_s, sum_g = back(fs * fml), back(fms * fg)
    var_s = back(fss * fml) - sum_s**2 / safe
    var_g = back(fms * fgg) - sum_g**2 / safe
    cross = back(fs * fg) - sum_s * sum_g / safe
    # an overlap in which either side hardly changes shows nothing about the lag
    floor = 0.02 * safe
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.clip(cross / np.sqrt(np.maximum(var_s, floor) * np.maximum(var_g, floor)), 0.0, 1.0)
    return 1.0 - r**2, count


def _standardised(values: Floats) -> Floats:
    """Return values less their mean, over their spread; a constant gives zeros."""
    spread = float(np.nanstd(values))
    scaled: Floats = (values - np.nanmean(values)) / (spread if spread > 0 else 1.0)
    return scaled


# Robust least squares.

Model = Callable[[Floats], tuple[Floats, Floats]]
"""Takes parameters, shape (p,); gives residuals, shape (n,), and their derivatives by each parameter, shape (p, n)."""

_TOLERANCES = (1e-12, 1e-6)
"""Relative change of the cost, and of the parameters, at which a fit has converged. Residuals have kinks, as of lines
between coarse readings, over which steps may shrink slowly: the second tolerance is for fits that miss the first (our
choice: of 1e-6 of the cost, 100 000 readings tell a third of a standard uncertainty)."""
_MAX_EVALUATIONS = 60
"""Evaluations for each tolerance (our choice: fits of the simulated sessions take 9 to 32)."""


class RobustFit(NamedTuple):
    """Where the cost is least.

    Attributes:
        at: The parameters, shape (p,).
        residual: Residuals there, shape (n,).
        curvature: Second derivatives of the cost there, residuals taken for linear (Gauss-Newton), shape (p, p).
    """

    at: Floats
    residual: Floats
    curvature: Floats


def fit_robustly(model: Model, start: Floats, low: Floats, high: Floats, soft: float) -> RobustFit | None:
    """Fit parameters by the soft L1 loss, ``2 f² (sqrt(1 + (r / f)²) - 1)`` for a residual r.

    Args:
        model: The residuals and their derivatives.
        start: Where to begin, moved within the bounds, shape (p,).
        low: Least value of each parameter, shape (p,), and
        high: greatest.
        soft: Size from which a residual counts by its size, no longer by its square (f above); infinite for plain
            least squares.

    Returns:
        The fit, or None where it does not converge.
    """

    def residual(p: Floats) -> Floats:
        return model(p)[0]

    def slopes(p: Floats, *_: object) -> Floats:
        return model(p)[1].T

    is_robust = np.isfinite(soft)
    at = np.clip(start, low, high)
    for tolerance in _TOLERANCES:
        found = scipy.optimize.least_squares(
            residual,
            at,
            slopes,
            bounds=(low, high),
            method="dogbox",  # ends on a bound, where "trf" stays short of it, in fewer steps
            loss="soft_l1" if is_robust else "linear",
            f_scale=soft if is_robust else 1.0,
            x_scale="jac",
            ftol=tolerance,
            xtol=tolerance,
            gtol=None,  # absolute, and so void for a cost without a scale
            max_nfev=_MAX_EVALUATIONS,
        )
        if found.success:
            weighted = np.asarray(found.jac, dtype=np.float64)  # by the second derivative of the loss
            return RobustFit(found.x, found.fun, weighted.T @ weighted)
        at = found.x
    return None


MAX_DRIFT = 1000e-6
"""Largest drift a clock is believed to have; quartz clocks stay within a tenth of it (common practice, no source)."""
WIDE_DRIFT = 10_000e-6
"""Largest drift that is looked for where the clock is worse than that: a logger that counts by an oscillator without
a crystal may be a per cent off (common practice, no source)."""
_AT_BOUND = 0.98
"""Share of a bound from which a fit counts as pressed against it (our choice, no source)."""
_REACH_S = 10.0
"""How far from the rough offset the fine one is looked for [s] (our choice, no source)."""
_WANDER_S = 0.1
"""By how much the delay of rpm on the network is taken to change during a recording [s] (common practice, no
source)."""
_SLOW_LOG, _SLOW_BOTH = 0.03, 0.12
"""What a slow log, and one met with a slow network, adds to the uncertainty of the offset, as a share of the time
between readings beyond 1 s and 1.5 s: a change of rpm falls between two of them (by simulated trials)."""
_CHANGE_S = 20.0
"""Readings of one change of rpm lie within so long [s] (our choice, no source)."""
_FINE_S = 0.25
"""Spacing of the smooth lines [s] (our choice, no source)."""
_SLOWER = 2.0
"""Where one side's readings come so much slower than the other's, its readings are compared one by one (our choice, no
source)."""


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
