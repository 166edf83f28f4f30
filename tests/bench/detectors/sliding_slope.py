"""The sliding slope test after Dalheim & Steen, J. Ocean Eng. Sci. 5 (2020): a deterministic trend in a moving window.

Only the abstract was at hand: the window and the level of significance are therefore chosen by ``--tune``, and the
test is the usual one of a regression slope (``t = b / se(b)``, n - 2 degrees of freedom, two-sided). Significance
alone calls a drift transient that nobody would mind, so a slope that changes the channel by less than a practical
limit over the window passes too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from tests.bench.detectors.common import Bools, Floats, Interval, find_where, from_windows, windows
from trialcapture.prepare.steady.criteria import Track


@dataclass(frozen=True, slots=True)
class Settings:
    """Window, significance and practical limits, chosen by ``--tune``."""

    window_s: float = 60.0
    alpha: float = 0.05
    sog_change_kn: float = 0.2
    rpm_change_pct: float = 0.5
    whole: bool = True
    block_s: float = 2.0
    trim_s: tuple[float, float] = (0.0, 0.0)
    gap_s: float = 0.0


def slope_test(x: Floats, n: int) -> tuple[Floats, Floats, Floats]:
    """Return slope a sample, its standard error and t of every window of n samples, each (x.size - n + 1,).

    Where a window has no scatter about its line, t is 0 for a slope of zero and infinite otherwise.
    """
    rows = windows(x, n)
    t = np.arange(n) - (n - 1) / 2.0
    spread = float(t @ t)
    centred = rows - rows.mean(axis=1, keepdims=True)
    slope = centred @ t / spread
    rest = centred - slope[:, None] * t
    error = np.sqrt(np.square(rest).sum(axis=1) / (n - 2) / spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(np.abs(slope) < 1e-15, 0.0, slope / error)
    return slope, error, ratio


def find_steady(track: Track, least_count_rpm: float, settings: Settings) -> list[Interval]:
    """Find the stretches in which no window of any channel has a slope that is both real and large enough to matter."""
    s = settings
    n = max(round(s.window_s / s.block_s), 4)
    t_crit = float(student.ppf(1.0 - s.alpha / 2.0, n - 2))

    def channel(x: Floats, change: float | Floats) -> Bools:
        if x.size < n:
            return np.zeros(x.size, dtype=np.bool_)
        slope, _, ratio = slope_test(x, n)
        passed = (np.abs(ratio) < t_crit) | (np.abs(slope) * n < change)
        return from_windows(passed, n, whole=s.whole)

    def steady(percent: list[Floats], rpm: Floats, sog: Floats) -> Bools:
        count_pct = 100.0 * least_count_rpm / np.maximum(rpm, 1.0)[: max(rpm.size - n + 1, 0)]
        mask = channel(sog, s.sog_change_kn)
        for engine in percent:
            # less than one least count over a window is no change a quantised signal could show
            mask &= channel(engine, np.maximum(s.rpm_change_pct, count_pct) if s.rpm_change_pct else 0.0)
        return mask

    return find_where(track, s.block_s, s.gap_s, s.trim_s, steady)
