"""Seeded noise with memory, and first-order lags, on uniform grids; pure functions of arrays."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import bilinear, lfilter, lfilter_zi

Floats = npt.NDArray[np.float64]


def correlated(count: int, step_s: float, memory_s: float, rng: np.random.Generator) -> Floats:
    """Return first-order autoregressive noise of unit variance, stationary from the first sample on.

    Args:
        count: Samples.
        step_s: Time between samples [s].
        memory_s: Time after which the correlation has fallen to 1/e [s]; 0 for white noise.
        rng: Source of the draws.
    """
    if memory_s <= 0.0:
        return rng.standard_normal(count)
    phi = float(np.exp(-step_s / memory_s))
    drive = rng.standard_normal(count) * np.sqrt(1.0 - phi**2)
    first = rng.standard_normal()
    filtered, _ = lfilter([1.0], [1.0, -phi], drive, zi=np.array([phi * first]))
    return np.asarray(filtered, dtype=np.float64)


def swing(values: Floats, step_s: float, period_s: float, damping: float) -> Floats:
    """Return the values as a mass on a damped spring follows them, started at rest on the first value.

    The transfer function ω² / (s² + 2 ζ ω s + ω²), made discrete by Tustin's bilinear transform.
    """
    omega = 2.0 * np.pi / period_s
    b, a = bilinear([omega**2], [1.0, 2.0 * damping * omega, omega**2], fs=1.0 / step_s)
    filtered, _ = lfilter(b, a, values, zi=lfilter_zi(b, a) * values[0])
    return np.asarray(filtered, dtype=np.float64)


def low_pass(values: Floats, step_s: float, time_s: float) -> Floats:
    """Return the values behind a first-order lag of `time_s`, started at rest on the first value."""
    if time_s <= 0.0:
        return values
    share = 1.0 - float(np.exp(-step_s / time_s))
    filtered, _ = lfilter([share], [1.0, share - 1.0], values, zi=np.array([(1.0 - share) * values[0]]))
    return np.asarray(filtered, dtype=np.float64)
