"""Lasting changes of rpm, and the fine uniform grid on which they are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logmatch import longest_gap_s, usual_pace_s
from trialcapture.prepare.statistics import rolling_mean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEP_S = 0.25
"""Spacing both recordings are brought to [s]."""
CHANGE_S = 8.0
_LEAST_SHARE, _LEAST_RPM = 0.04, 40.0
"""An edge changes rpm within 8 s by so much of its whole range, and by so much at least."""
_SMOOTH_S = 2.0


@dataclass(frozen=True, slots=True)
class Uniform:
    """A signal on a grid of `STEP_S`: `values` [k] stands at ``first + k`` steps; NaN inside gaps."""

    first: int
    values: Floats


def to_uniform(t_s: Floats, value: Floats) -> Uniform:
    """Return a signal on the common grid, linearly interpolated, NaN inside gaps.

    Args:
        t_s: Times [s], ascending, at least two.
        value: The signal, finite.
    """
    first = int(np.ceil(t_s[0] / STEP_S))
    grid = np.arange(first, int(np.floor(t_s[-1] / STEP_S)) + 1) * STEP_S
    after = np.clip(np.searchsorted(t_s, grid), 1, t_s.size - 1)
    values = np.interp(grid, t_s, value)
    values[t_s[after] - t_s[after - 1] > longest_gap_s(usual_pace_s(t_s))] = np.nan
    return Uniform(first, values)


def find_edges(rpm: Floats) -> tuple[Ints, Floats]:
    """Return index and size [rpm] of the lasting changes of rpm on the common grid, ascending.

    The change over 8 s of a short mean, at its largest; weaker ones within 10 s of a stronger one belong to it.
    """
    half = round(CHANGE_S / STEP_S / 2)
    smooth = rolling_mean(rpm, round(_SMOOTH_S / STEP_S) | 1)
    change = np.full(rpm.size, np.nan)
    if rpm.size > 2 * half:
        change[half:-half] = smooth[2 * half :] - smooth[: -2 * half]
    if not np.isfinite(change).any():
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    low, high = np.nanquantile(rpm, [0.05, 0.95])
    least = max(_LEAST_SHARE * float(high - low), _LEAST_RPM)
    size = np.abs(np.nan_to_num(change))
    found: list[int] = []
    taken = np.zeros(rpm.size, dtype=np.bool_)
    apart = round(10.0 / STEP_S)
    large = np.flatnonzero(size >= least)
    for i in large[np.argsort(-size[large], kind="stable")]:
        if not taken[i]:
            taken[max(0, i - apart) : i + apart + 1] = True
            found.append(int(i))
    at = np.array(sorted(found), dtype=np.int64)
    return at, change[at]
