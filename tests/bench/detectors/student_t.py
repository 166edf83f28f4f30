"""The windowed Student-t test of Kelly & Hedengren, J. Process Control 23 (2013) 326.

doi 10.1016/j.jprocont.2012.12.001.

In each window the drift is the mean of the first differences, ``m = (x_n - x_1) / (n - 1)``; with it out, the
intercept and the scatter follow. The share of samples within ``t_crit`` scatters of the intercept is the
probability of being steady: a drift carries samples away from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from tests.bench.detectors.common import Bools, Floats, Interval, find_where, from_windows, windows
from trialcapture.prepare.steady.criteria import Track


@dataclass(frozen=True, slots=True)
class Settings:
    """Window, significance and threshold, chosen by ``--tune``; the paper leaves them to each signal."""

    window_s: float = 60.0
    alpha: float = 0.01
    least_probability: float = 0.9
    whole: bool = True
    block_s: float = 2.0
    trim_s: tuple[float, float] = (0.0, 0.0)
    gap_s: float = 0.0
    rpm_floor_pct: float = 0.0
    sog_floor_kn: float = 0.0


def fit_windows(x: Floats, n: int, floor_sd: npt.ArrayLike = 0.0) -> tuple[Floats, Floats, Floats]:
    """Return drift a sample, intercept and scatter of every window of n samples, each (x.size - n + 1,).

    Args:
        x: Samples.
        n: Samples in a window, at least 3.
        floor_sd: Least scatter, one value or one a window; a quantised signal that stands still shows none.
    """
    rows = windows(x, n)
    t = np.arange(1, n + 1)
    drift = (rows[:, -1] - rows[:, 0]) / (n - 1)
    intercept = rows.mean(axis=1) - drift * t.mean()
    rest = rows - drift[:, None] * t - intercept[:, None]
    return drift, intercept, np.maximum(np.sqrt(np.square(rest).sum(axis=1) / (n - 2)), floor_sd)


def probability_steady(x: Floats, n: int, t_crit: float, floor_sd: npt.ArrayLike = 0.0) -> Floats:
    """Return the share of samples within `t_crit` scatters of the intercept, for every window of n samples."""
    _, intercept, scatter = fit_windows(x, n, floor_sd)
    # a rounding error is no deviation: a constant has a scatter of zero
    near = np.abs(windows(x, n) - intercept[:, None]) <= t_crit * scatter[:, None] + 1e-9
    return near.mean(axis=1)


def find_steady(track: Track, least_count_rpm: float, settings: Settings) -> list[Interval]:
    """Find the stretches in which the windows of every channel are probably steady."""
    s = settings
    n = max(round(s.window_s / s.block_s), 3)
    t_crit = float(student.ppf(1.0 - s.alpha / 2.0, n))

    def channel(x: Floats, floor_sd: npt.ArrayLike) -> Bools:
        if x.size < n:
            return np.zeros(x.size, dtype=np.bool_)
        passed = probability_steady(x, n, t_crit, floor_sd) >= s.least_probability
        return from_windows(passed, n, whole=s.whole)

    def steady(percent: list[Floats], rpm: Floats, sog: Floats) -> Bools:
        count_pct = 100.0 * least_count_rpm / np.sqrt(12.0) / np.maximum(rpm, 1.0)
        floor_pct = np.maximum(s.rpm_floor_pct, count_pct[: max(rpm.size - n + 1, 0)])
        mask = channel(sog, s.sog_floor_kn)
        for engine in percent:
            mask &= channel(engine, floor_pct)
        return mask

    return find_where(track, s.block_s, s.gap_s, s.trim_s, steady)
