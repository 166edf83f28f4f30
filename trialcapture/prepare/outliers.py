"""Chauvenet's criterion: samples so far from the mean that fewer than half a one is expected there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.statistics import circular_mean_deg, wrap_deg

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def chauvenet_limit(n: int, expected: float = 0.5) -> float:
    """Return the distance from the mean, in standard deviations, past which `expected` values of `n` are expected.

    Source: Chauvenet's criterion ``n * erfc(z / sqrt 2) < 0.5``, as ISO 19030-2 uses it (from memory).
    """
    from scipy.special import ndtri  # noqa: PLC0415  (slow import, needed by few)

    return float(ndtri(1.0 - min(expected / n, 1.0) / 2.0))


def find_chauvenet_outliers(values: npt.ArrayLike, *, angle: bool = False) -> Bools:
    """Return a mask, True where Chauvenet's criterion calls a value an outlier; applied once, not repeatedly.

    Args:
        values: One block of samples; NaN is never an outlier. The spread is the sample standard deviation (n-1).
        angle: Values are directions [deg]: distances are taken from the circular mean, the short way round.

    Source: Chauvenet's criterion as ISO 19030-2 uses it per block (from memory).
    """
    x = np.asarray(values, dtype=np.float64)
    use = np.isfinite(x)
    n = int(use.sum())
    outlying = np.zeros(x.shape, dtype=np.bool_)
    if n < 3:
        return outlying
    middle = circular_mean_deg(x[use]) if angle else float(x[use].mean())
    if middle is None:
        return outlying
    apart = wrap_deg(x[use] - middle) if angle else x[use] - middle
    spread = float(np.sqrt(np.sum(apart**2) / (n - 1)))
    if spread == 0.0:
        return outlying
    outlying[use] = np.abs(apart) / spread > chauvenet_limit(n)
    return outlying


def leave_out_outliers(
    values: dict[str, Floats], angles: tuple[str, ...], untouched: tuple[str, ...]
) -> tuple[dict[str, Floats], int]:
    """Return the samples of one segment with the outliers of every channel void, and how many values that are.

    Args:
        values: Channels by name, shape (n,) each.
        angles: Channels that hold directions.
        untouched: Channels whose extremes are what is asked for, such as the least depth.
    """
    kept: dict[str, Floats] = {}
    count = 0
    for name, x in values.items():
        if name in untouched:
            kept[name] = x
            continue
        outlying = find_chauvenet_outliers(x, angle=name in angles)
        count += int(outlying.sum())
        kept[name] = np.where(outlying, np.nan, x)
    return kept, count
