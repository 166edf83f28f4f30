"""Signals with a known answer, for tests of the pure functions: no boat, no physics, only time constants and noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def wandering(n: int, dt_s: float, sd: float, memory_s: float, rng: np.random.Generator) -> Floats:
    """First-order autoregressive noise with a given standard deviation and correlation time."""
    phi = float(np.exp(-dt_s / memory_s))
    kicks = rng.normal(0.0, sd * np.sqrt(1.0 - phi * phi), n)
    values = np.empty(n)
    level = rng.normal(0.0, sd)
    for i in range(n):
        level = phi * level + kicks[i]
        values[i] = level
    return values


def stairs(levels: list[float], hold_s: float, dt_s: float, rate_per_s: float) -> Floats:
    """A signal that ramps from one level to the next and holds it."""
    wanted = np.repeat(levels, round(hold_s / dt_s))
    values = np.empty(wanted.size)
    now = levels[0]
    for i, target in enumerate(wanted):
        now += float(np.clip(target - now, -rate_per_s * dt_s, rate_per_s * dt_s))
        values[i] = now
    return values


def lagging(target: Floats, dt_s: float, tau_s: float) -> Floats:
    """First-order lag behind a target."""
    values = np.empty(target.size)
    now = float(target[0])
    for i, wanted in enumerate(target):
        now += (float(wanted) - now) * (1.0 - float(np.exp(-dt_s / tau_s)))
        values[i] = now
    return values
