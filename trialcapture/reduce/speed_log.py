"""The boat's own speed log held against the current-free speed."""

from __future__ import annotations

import numpy as np

from trialcapture.reduce.band_values import band_means
from trialcapture.reduce.reduction import Reduction
from trialcapture.reduce.statistics import BoolArray
from trialcapture.reduce.summary import LogCalibration


def calibrate_log(made: Reduction, two_ways: BoolArray) -> LogCalibration | None:
    """Return factor and offset that turn the log's speed into speed through water, or None without a log.

    Weighted least squares of band speed on log speed over bands run both ways; with fewer than three of them the
    factor alone is fitted. The result is shown, and used for nothing: a log that read well today may foul tomorrow.

    Source: weighted straight-line fit (any text on regression); the uncertainty of the factor follows from the band
    speeds' own, enlarged where the points scatter more than that (Birge ratio; from memory).
    """
    shown = band_means(made["weights"], made["runs"]["stw_kn"])
    speed, u = made["fit"]["speed_kn"], made["speed_u"]
    use = two_ways & np.isfinite(shown) & (shown > 0)
    n = int(use.sum())
    if n == 0:
        return None
    with_offset = n >= 3 and float(np.ptp(shown[use])) > 1.0
    design = np.column_stack([shown[use], np.ones(n)]) if with_offset else shown[use][:, None]
    white, aim = design / u[use][:, None], speed[use] / u[use]
    cov = np.linalg.inv(white.T @ white)
    solved = cov @ white.T @ aim
    left = aim - white @ solved
    freedom = n - solved.size
    ratio = max(float(np.sqrt(left @ left / freedom)), 1.0) if freedom else 1.0
    return LogCalibration(
        bands=n,
        factor=float(solved[0]),
        factor_u=ratio * float(np.sqrt(cov[0, 0])),
        offset_kn=float(solved[1]) if with_offset else 0.0,
        worst_left_kn=float(np.max(np.abs(speed[use] - design @ solved))),
    )
