"""The R-statistic of Cao & Rhinehart, J. Process Control 5(6) (1995) 363: a ratio of two estimates of variance.

One estimate is made from deviations from a filtered value, the other from successive differences; a signal that
moves raises the first alone. Three traps have a remedy here: noise must be independent (block means as long as its
memory), a quantised signal that stands still leaves both estimates to shrink at one rate so that their ratio
freezes (a floor of the least count's variance under both), and a constant is 0/0 (called steady).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.bench.detectors.common import Bools, Floats, Interval, find_where
from trialcapture.prepare.steady.criteria import Track


@dataclass(frozen=True, slots=True)
class Settings:
    """Filter factors and threshold as published (0.2, 0.1, 0.1; R below 2.5), the rest chosen by ``--tune``."""

    lambdas: tuple[float, float, float] = (0.2, 0.1, 0.1)
    accept: float = 2.5
    reject: float = 2.5
    both_ways: bool = False
    block_s: float = 2.0
    trim_s: tuple[float, float] = (0.0, 0.0)
    gap_s: float = 0.0
    rpm_floor_pct: float = 0.0
    sog_floor_kn: float = 0.0


def r_statistic(
    x: Floats, lambdas: tuple[float, float, float] = (0.2, 0.1, 0.1), floor_variance: npt.ArrayLike = 0.0
) -> Floats:
    """Return R at every sample; the first, which only starts the filters, is 1.

    Args:
        x: Samples, shape (n,); the filters start at ``x[0]`` with both variances zero.
        lambdas: Filter factors of value, deviation and difference.
        floor_variance: Variance of the smallest noise there can be, such as ``least_count**2 / 12``; one value
            or one a sample. Both estimates are kept at or above what noise of this variance would give, so that
            R is 1 where both are at their floor.
    """
    l1, l2, l3 = lambdas
    if x.size == 0:
        return np.zeros(0)
    filtered = lfilter([l1], [1.0, l1 - 1.0], x, zi=[(1.0 - l1) * x[0]])[0]
    deviation = lfilter([l2], [1.0, l2 - 1.0], np.square(x[1:] - filtered[:-1]))
    difference = lfilter([l3], [1.0, l3 - 1.0], np.square(np.diff(x)))
    floor = np.broadcast_to(np.asarray(floor_variance, dtype=np.float64), x.shape)[1:]
    deviation = np.maximum(deviation, 2.0 / (2.0 - l1) * floor)
    difference = np.maximum(difference, 2.0 * floor)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (2.0 - l1) * deviation / difference
    ratio[(deviation == 0.0) & (difference == 0.0)] = 1.0
    return np.concatenate([[1.0], ratio])


def steady_mask(r: Floats, accept: float, reject: float) -> Bools:
    """Return True where steady: from R below `accept` until R above `reject`, as Rhinehart's two error rates ask."""
    verdict = np.where(r > reject, 0, np.where(r < accept, 1, -1))
    at = np.maximum.accumulate(np.where(verdict >= 0, np.arange(r.size), 0))
    return verdict[at] == 1


def find_steady(track: Track, least_count_rpm: float, settings: Settings) -> list[Interval]:
    """Find the stretches in which R of every channel says steady."""
    s = settings

    def channel(x: Floats, floor_sd: npt.ArrayLike) -> Bools:
        floor = np.broadcast_to(np.square(np.asarray(floor_sd, dtype=np.float64)), x.shape)
        mask = steady_mask(r_statistic(x, s.lambdas, floor), s.accept, s.reject)
        if s.both_ways:
            # run backwards the filters remember what follows, not what went before: either run may find it steady
            mask |= steady_mask(r_statistic(x[::-1], s.lambdas, floor[::-1]), s.accept, s.reject)[::-1]
        return mask

    def steady(percent: list[Floats], rpm: Floats, sog: Floats) -> Bools:
        count_pct = 100.0 * least_count_rpm / np.sqrt(12.0) / np.maximum(rpm, 1.0)
        mask = channel(sog, s.sog_floor_kn)
        for engine in percent:
            mask &= channel(engine, np.maximum(s.rpm_floor_pct, count_pct))
        return mask

    return find_where(track, s.block_s, s.gap_s, s.trim_s, steady)
