"""Change points of rpm and speed together: exact segmentation with a penalty, as the library ruptures finds it.

PELT (Killick, Fearnhead & Eckley, J. Am. Stat. Assoc. 107 (2012) 1590) with the cost of a constant mean. Channels
are scaled by their own noise, told from successive differences; the penalty is ``share * channels * ln(n)``, the
rule of the Bayesian information criterion times a share. A level is kept where its drift is small, because an
approach is cut into steps that are no steady states.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import ruptures

from tests.bench.detectors.common import Bools, Floats, Interval, find_where
from trialcapture.prepare.steady.criteria import Track


@dataclass(frozen=True, slots=True)
class Settings:
    """Penalty, limits on drift and what is cut off at both ends of a level, chosen by ``--tune``."""

    penalty_share: float = 4.0
    sog_change_kn: float = 0.2
    rpm_change_pct: float = 0.5
    shortest_s: float = 10.0
    block_s: float = 2.0
    trim_s: tuple[float, float] = (0.0, 0.0)
    rpm_floor_pct: float = 0.1
    sog_floor_kn: float = 0.02


def noise_sd(x: Floats) -> float:
    """Return the standard deviation of independent noise about any slow signal, from successive differences.

    Median absolute difference times 1.4826 / sqrt 2, which jumps of the signal hardly move.
    """
    return float(np.median(np.abs(np.diff(x)))) * 1.4826 / np.sqrt(2.0) if x.size > 1 else 0.0


def levels(signals: Floats, penalty: float, shortest: int) -> list[Interval]:
    """Return the levels of signals scaled to unit noise, shape (n, channels), as half-open intervals."""
    if signals.shape[0] < 2 * shortest:
        return [(0, signals.shape[0])]
    ends = ruptures.KernelCPD(kernel="linear", min_size=shortest, jump=1).fit(signals).predict(pen=penalty)
    return list(pairwise([0, *ends]))


def find_steady(track: Track, least_count_rpm: float, settings: Settings) -> list[Interval]:
    """Find the levels of rpm and speed that do not drift."""
    s = settings

    def steady(percent: list[Floats], rpm: Floats, sog: Floats) -> Bools:
        count_pct = 100.0 * least_count_rpm / np.sqrt(12.0) / float(np.median(np.maximum(rpm, 1.0)))
        channels = [sog / max(noise_sd(sog), s.sog_floor_kn)]
        channels += [e / max(noise_sd(e), s.rpm_floor_pct, count_pct) for e in percent]
        scaled = np.column_stack(channels)
        penalty = s.penalty_share * scaled.shape[1] * np.log(max(scaled.shape[0], 2))
        mask = np.zeros(sog.size, dtype=np.bool_)
        for a, b in levels(scaled, float(penalty), max(round(s.shortest_s / s.block_s), 2)):
            drifts = [(sog, s.sog_change_kn), *((e, s.rpm_change_pct) for e in percent)]
            # the first block of a level stays out, so that two levels are never joined into one stretch
            mask[a + 1 : b] = b - a > 3 and all(
                abs(np.polyfit(np.arange(b - a), y[a:b], 1)[0]) * (b - a) < most for y, most in drifts
            )
        return mask

    return find_where(track, s.block_s, 0.0, s.trim_s, steady)
