"""Holding a settled stretch against the limits: slope, spread, rpm, course; each breach is named with its value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.config import Config, Steady
from trialcapture.prepare.statistics import (
    MEMORY_S,
    autocorrelation_sum,
    circular_sd_deg,
    effective_size,
    rolling_mean,
    slope_per_s,
    wrap_deg,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_SLOPE_ERRORS = 3.0
_RUN_KN = 0.15
_LARGE_RUN_KN = 0.5
"""A change over the stretch that is refused whatever its error [kn]."""
_STILL_RPM = 3.0
_CALM_S = 5.0


@dataclass(frozen=True, slots=True)
class Track:
    """What detection looks at, on one uniform time axis.

    Attributes:
        sog_kn: Speed over ground, shape (n,), NaN where unknown.
        rpm: Engine speeds, shape (engines, n), NaN where unknown; (0, n) when no engine is known.
        heading_true_deg: Heading, or course over ground where there is no heading, shape (n,).
        dt_s: Spacing [s].
        over_ground: True where the direction is the course over ground, which follows the helm later than a heading;
            one value for all samples, or shape (n,).
    """

    sog_kn: Floats
    rpm: npt.NDArray[np.float64]
    heading_true_deg: Floats
    dt_s: float
    over_ground: bool | Bools = False

    def part(self, start: int, stop: int) -> Track:
        """Return the samples [start, stop)."""
        inside = slice(start, stop)
        over_ground = self.over_ground[inside] if isinstance(self.over_ground, np.ndarray) else self.over_ground
        return Track(self.sog_kn[inside], self.rpm[:, inside], self.heading_true_deg[inside], self.dt_s, over_ground)

    @property
    def duration_s(self) -> float:
        """Number of samples times their spacing [s]."""
        return self.sog_kn.size * self.dt_s


@dataclass(frozen=True, slots=True)
class Limits:
    """What counts as steady for one boat, every default filled in.

    Attributes:
        steady: The limits as configured.
        sog_sd_kn: Limit on the spread of speed [kn].
        guard_s: Left out after every change of rpm or course [s].
        idle_rpm: Highest idle speed of the engines [rpm]; 0 when not known.
    """

    steady: Steady
    sog_sd_kn: float = 0.4
    guard_s: float = 20.0
    idle_rpm: float = 0.0


def limits_of(config: Config) -> Limits:
    """Return the limits a configuration sets."""
    idle_rpm = max((e.idle_rpm for e in config.engine), default=0.0)
    return Limits(config.steady, config.sog_sd_kn, config.guard_s, idle_rpm)


def drifts(v_kn: Floats, dt_s: float, limits: Limits) -> bool:
    """Return True when speed has a slope that is both real and large enough to matter.

    A slope matters beyond the limit, and where it makes up 0.15 kn over the stretch; it is real where it is more than
    three times its error. In a short stretch of a noisy sea chance alone gives slopes beyond the limit, and their
    error is in that of the mean.
    """
    slope = slope_per_s(v_kn, dt_s)
    beyond, run_kn = abs(slope) * 60.0 > limits.steady.sog_slope_kn_per_min, abs(slope) * v_kn.size * dt_s
    if beyond and run_kn > _LARGE_RUN_KN:
        return True
    if not beyond and run_kn <= _RUN_KN:
        return False
    # the error of a slope costs far more than the slope: it is asked for only where it decides
    return abs(slope) > _SLOPE_ERRORS * slope_with_error(v_kn, dt_s)[1]


def slope_with_error(v: Floats, dt_s: float) -> tuple[float, float]:
    """Return the least-squares slope of v [1/s] and its standard error with autocorrelated residuals.

    The white-noise error of the slope is widened by the square root of the residuals' integrated
    autocorrelation factor, which is taken to be that of a memory of five seconds at least.
    """
    slope = slope_per_s(v, dt_s)
    t: Floats = np.arange(v.size, dtype=np.float64) * dt_s
    rest = v - v.mean() - slope * (t - t.mean())
    if v.size < 5:
        return slope, float("inf")
    tau = max(autocorrelation_sum([rest], max(v.size // 3, 1), own_mean=False), MEMORY_S / dt_s)
    variance = float(rest @ rest) / (v.size - 2) * tau
    spread = float(((t - t.mean()) ** 2).sum())
    return slope, float(np.sqrt(variance / spread))


def find_breach(track: Track, limits: Limits) -> str:
    """Return the first limit a stretch breaks, in words with the value and the key, or an empty string."""
    steady = limits.steady
    for rpm in track.rpm:
        if breach := _rpm_breach(rpm, track, steady):
            return breach
    slope = slope_per_s(track.sog_kn, track.dt_s) * 60.0
    if abs(slope) > steady.sog_slope_kn_per_min and drifts(track.sog_kn, track.dt_s, limits):
        limit = f"limit {steady.sog_slope_kn_per_min:g} (sog_slope_kn_per_min)"
        return f"speed not settled: {slope:+.2f} kn/min, {limit}"
    spread = float(track.sog_kn.std())
    if spread > limits.sog_sd_kn:
        return f"speed not steady: spread {spread:.2f} kn, limit {limits.sog_sd_kn:g} (sog_sd_kn)"
    yaw = circular_sd_deg(track.heading_true_deg)
    if yaw is not None and yaw > steady.heading_sd_deg:
        return f"course not held: spread {yaw:.1f} deg, limit {steady.heading_sd_deg:g} (heading_sd_deg)"
    turned = _turned_deg(track.heading_true_deg)
    if abs(turned) > steady.turn_deg:
        return f"course changed by {turned:+.0f} deg, limit {steady.turn_deg:g} (turn_deg)"
    return ""


def _rpm_breach(rpm: Floats, track: Track, steady: Steady) -> str:
    if not np.isfinite(rpm).all():
        return "rpm missing for part of the stretch"
    # a display that toggles between two of its steps is no moving throttle
    calm = rolling_mean(rpm, max(round(_CALM_S / track.dt_s), 1))
    mean, spread = float(rpm.mean()), float(calm.std())
    spread_pct = 100.0 * spread / max(mean, 1.0)
    if spread_pct > steady.rpm_sd_pct and spread > _STILL_RPM:
        return f"rpm not held: spread {spread_pct:.2f} %, limit {steady.rpm_sd_pct:g} % (rpm_sd_pct)"
    per_min = 60.0 * slope_per_s(rpm, track.dt_s)
    run_pct = abs(per_min) * track.duration_s / 60.0 / max(mean, 1.0) * 100.0
    if abs(per_min) > steady.rpm_slope_pct_per_min / 100.0 * mean and run_pct > steady.rpm_sd_pct:
        return f"rpm creeping: {per_min:+.0f} rpm/min (rpm_slope_pct_per_min)"
    return ""


def _turned_deg(heading: Floats) -> float:
    """Return the change of mean direction from the first to the last third [deg]; 0 where either is unknown."""
    third = max(heading.size // 3, 1)
    directions = []
    for part in (heading[:third], heading[-third:]):
        known = np.radians(part[np.isfinite(part)])
        if known.size == 0:
            return 0.0
        directions.append(np.degrees(np.arctan2(np.sin(known).mean(), np.cos(known).mean())))
    return float(wrap_deg(np.array([directions[1] - directions[0]]))[0])


def mean_with_error(v: Floats, tau: float) -> tuple[float, float, float, float]:
    """Return mean, standard deviation, effective sample size and standard error of the mean of finite samples.

    The spread about a stretch's own mean lacks the variance of that mean, ``1 / size`` of the whole; hence the one
    less below the root, as in the standard error of independent samples.
    """
    n = v.size
    spread = float(v.std(ddof=1)) if n > 1 else 0.0
    size = effective_size(n, tau)
    return float(v.mean()), spread, size, float(v.std()) / float(np.sqrt(max(size - 1.0, 0.5)))
