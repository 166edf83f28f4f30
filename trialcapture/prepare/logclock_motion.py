"""Tying an engine log's clock to UTC without rpm on the network, by the boat's motion.

Two looks at the same recordings, each blind where the other sees. The level of the speed, as a free function of a
lagging rpm, tells over days which stretch of the trial the log belongs to, but only to some ten seconds. The onset of
acceleration at the edges of rpm (`trialcapture.prepare.logedges`) tells the instant, but one step of a ladder looks
like the next. A place that both do not prefer clearly is not taken.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logclock import LogFit
from trialcapture.prepare.logedges import OnsetFit, fit_onsets, scan_onsets
from trialcapture.prepare.logmatch import misfit_by_lag, to_seconds
from trialcapture.prepare.rpm_edges import to_uniform

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

METHOD = "rpm against the onset of acceleration"
THRUST_U_S = 0.8
"""Standard uncertainty of how far the speed a receiver tells stands behind the shaft [s]: its filter, the gear, the
slack of the drive (common practice, no source)."""
_SLOW_S = 1.5
_LATE_S = 0.5
"""What a hull that may answer late must add to the uncertainty to be named [s] (common practice, no source)."""
_DRIFT_PPM = 100.0
_NO_MATCH = 0.16
"""Share left unexplained (geometric mean of level and edges) above which the log is taken for another run's. Logs of
a trial with its own speed leave 0.01 to 0.12, and of another trial seldom less than 0.2."""
_CLEARER = 2.0
"""How much more a rival must leave unexplained to be ruled out. Few edges decide here, so the bar is higher than where
rpm meets rpm: true alignments leave rivals at 2.5 times and more."""
_LEAST_EDGES = 4
_LEAST_ANSWERED = 0.4
"""Share of the edges both recordings hold that speed must answer; what is missing is blips in neutral and steps that
the waves hide."""
_LEAST_OVERLAP = 0.5
"""Share of the shorter recording that both must have."""
_APART_S = 30
_MOST_PLACES = 8
_LAGS_S = (4.0, 12.0, 36.0)
"""Lags of speed behind rpm that are tried for the level [s]."""
_SPAN_S = 25.0
_LONG_S = 3.0 * 3600.0
"""A drift is only looked for over so long."""


class _Place(NamedTuple):
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
    places: list[_Place] = []
    for lag in level.find_lags():
        left, best = level.refined(lag)
        onset = scan_onsets(speed, drive, float(best - (r.size - 1) + first_v - first_r), _SPAN_S)
        if onset is not None:
            places.append(_Place(float(np.sqrt(left * onset[1])), onset[0]))
    places.sort()
    if not places or places[0].misfit > _NO_MATCH:
        return _failed("speed does not follow the rpm in the log: another run?")
    rivals = [p for p in places[1:] if abs(p.offset_s - places[0].offset_s) > _APART_S]
    rival = rivals[0] if rivals else None
    if rival is not None and rival.misfit < _CLEARER * places[0].misfit:
        return _ambiguous(places[0], rival)
    pace_s = max(float(np.median(np.diff(t))) / 1e9 for t in (log_ns, sog_ns))
    fit = fit_onsets(speed, drive, places[0].offset_s, is_slow=pace_s > _SLOW_S)
    if fit is None or abs(fit.offset_s - places[0].offset_s) > _SPAN_S:
        return _failed("no clear onset of acceleration at the changes of rpm; give a mark", places[0], rival)
    answered = fit.rises + fit.falls
    if answered < max(_LEAST_EDGES, _LEAST_ANSWERED * fit.edges):
        why = f"speed answers only {answered} of {fit.edges} changes of rpm; give a mark"
        return _failed(why, places[0], rival)
    return _told(fit, places[0], rival, pace_s)


def _told(fit: OnsetFit, place: _Place, rival: _Place | None, pace_s: float) -> LogFit:
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


def _failed(why: str, place: _Place | None = None, rival: _Place | None = None) -> LogFit:
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


def _ambiguous(place: _Place, rival: _Place) -> LogFit:
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
        while len(found) < _MOST_PLACES:
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
