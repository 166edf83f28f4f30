"""A boat in one dimension with random size and programme, for tests of the engine-log clock.

Made apart from the package's own simulator: thrust ``k0 n² − k1 n V`` in gear, resistance ``V²`` and a hump, levers
that move at a hand's pace, a gear that goes astern for crash stops, turns that cost speed, a receiver that filters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.signals import wandering

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

UTC0_S = 1_790_000_000
_DT = 0.1


@dataclass(frozen=True)
class Recorded:
    """What receiver and engine logger kept, and the truth: UTC minus log time at the first row [s]."""

    sog_ns: Ints
    sog_kn: Floats
    cog_true_deg: Floats
    log_ns: Ints
    rpm: Floats
    offset_s: float
    drift_ppm: float


@dataclass(frozen=True)
class Kit:
    """Receiver and logger."""

    sog_hz: float = 5.0
    sog_sd_kn: float = 0.06
    sog_quantum_kn: float = 0.01
    filter_s: float = 0.3
    log_period_s: float = 1.0
    rpm_quantum: float = 1.0
    whole_seconds: bool = True


def orders(rng: np.random.Generator, idle: float, rated: float, *, crash_stops: int) -> list[tuple[float, int, float]]:
    """A random trial: (rpm, gear, seconds) one after another."""
    steps = np.linspace(idle * rng.uniform(1.2, 1.8), rated, int(rng.integers(5, 9)))
    out: list[tuple[float, int, float]] = [(idle, 0, 60.0)]
    out += [x for _ in range(3) for x in ((idle * 2.0, 0, 2.5), (idle, 0, float(rng.uniform(5, 9))))]
    out += [(idle, 1, 40.0), (float(steps[1]), 1, float(rng.uniform(120, 300)))]
    ladder = [float(s) for s in (steps if rng.random() < 0.6 else steps[::-1])]
    for rpm in ladder:
        out += [(rpm, 1, float(rng.uniform(60, 160)))] * 2
    for _ in range(crash_stops):
        out += [(float(steps[-2]), 1, float(rng.uniform(40, 80))), (idle, 1, 1.5), (idle, 0, float(rng.uniform(2, 4)))]
        out += [(idle, -1, 1.5), (0.6 * rated, -1, float(rng.uniform(8, 18))), (idle, 0, float(rng.uniform(15, 40)))]
    for _ in range(int(rng.integers(1, 3))):
        out += [(idle, 1, 30.0), (rated, 1, 45.0), (float(rng.uniform(idle * 1.5, rated)), 1, 60.0)]
    out += [(idle, 1, 30.0), (idle, 0, 120.0)]
    return out


def recorded(
    seed: int,
    *,
    crash_stops: int = 2,
    kit: Kit | None = None,
    offset_s: float | None = None,
    drift_ppm: float = 20.0,
    rounds: int = 1,
    programme: list[tuple[float, int, float]] | None = None,
) -> Recorded:
    """Run a random boat through a random trial and return what was recorded."""
    rng = np.random.default_rng(seed)
    kit = kit or Kit(
        sog_hz=float(rng.choice([1.0, 5.0, 10.0])),
        sog_sd_kn=float(rng.uniform(0.03, 0.12)),
        sog_quantum_kn=float(rng.choice([0.01, 0.1])),
        filter_s=float(rng.uniform(0.0, 1.0)),
        rpm_quantum=float(rng.choice([1.0, 10.0, 25.0])),
    )
    idle, rated = float(rng.uniform(550, 800)), float(rng.uniform(2000, 5500))
    top_kn, slow_s = float(rng.uniform(8, 42)), float(rng.uniform(4.0, 25.0))
    hump = float(rng.uniform(0.0, 0.35)) if top_kn > 16 else 0.0
    plan = programme or [o for _ in range(rounds) for o in orders(rng, idle, rated, crash_stops=crash_stops)]
    wanted = np.concatenate([np.full(round(s / _DT), r) for r, _, s in plan])
    gear = np.concatenate([np.full(round(s / _DT), g) for _, g, s in plan])
    hand = (rated - idle) / float(rng.uniform(3.0, 6.0))
    now, speed, heading, aim = idle, 0.0, float(rng.uniform(0, 360)), 0.0
    turns = np.zeros(wanted.size)
    for at in np.flatnonzero(np.diff(wanted) == 0)[:: round(90 / _DT)]:
        turns[at] = 180.0 if rng.random() < 0.6 else 0.0
    k1 = float(rng.uniform(0.2, 0.5))
    # plain floats: numbers of an array cost ten times as much one by one
    ran = []
    for ordered, engaged, turn in zip(wanted.tolist(), gear.tolist(), turns.tolist(), strict=True):
        now += min(max((ordered - now) / 0.5, -hand), hand) * _DT
        n, x = now / rated * engaged, speed / top_kn
        thrust = (n * abs(n) - k1 * abs(n) * x) / (1.0 - k1)
        drag = x * abs(x) * (1.0 - hump) + hump * x * math.exp(-(((x - 0.45) / 0.2) ** 2)) + 0.05 * x
        aim += turn
        rate = min(max(aim * 0.3, -5.0), 5.0) if abs(speed) > 1.5 else 0.0
        aim -= rate * _DT
        heading += rate * _DT
        drag += 0.04 * x * abs(rate) / 5.0
        speed += (thrust - drag) * top_kn / slow_s * _DT
        ran.append((now, speed, heading))
    rpm, v, course = np.array(ran).T
    t = np.arange(wanted.size) * _DT
    towards = float(rng.uniform(0, 360))
    current = float(rng.uniform(0, 1.2))
    east = v * np.sin(np.radians(course)) + current * np.sin(np.radians(towards))
    north = v * np.cos(np.radians(course)) + current * np.cos(np.radians(towards))
    keep = math.exp(-_DT / kit.filter_s) if kit.filter_s > 0.0 else 0.0
    east, north = (lfilter([1.0 - keep], [1.0, -keep], axis, zi=[keep * axis[0]])[0] for axis in (east, north))
    fix_s = np.arange(0.5, t[-1], 1.0 / kit.sog_hz)
    e, nn = np.interp(fix_s, t, east), np.interp(fix_s, t, north)
    e = e + wandering(e.size, 1.0 / kit.sog_hz, kit.sog_sd_kn, 3.0, rng)
    nn = nn + wandering(e.size, 1.0 / kit.sog_hz, kit.sog_sd_kn, 3.0, rng)
    sog = np.round(np.hypot(e, nn) / kit.sog_quantum_kn) * kit.sog_quantum_kn
    cog = np.degrees(np.arctan2(e, nn)) % 360.0
    offset = float(rng.uniform(-600, 600)) if offset_s is None else offset_s
    first_s = float(rng.uniform(5.0, 40.0))
    since = np.arange(0.0, t[-1] - first_s - 10.0, kit.log_period_s)
    true_s = first_s + since * (1.0 + drift_ppm * 1e-6)
    shown = np.interp(true_s, t, rpm) + rng.normal(0.0, 3.0, since.size)
    stamps = first_s - offset + since
    stamps_ns = np.rint((UTC0_S + (np.round(stamps) if kit.whole_seconds else stamps)) * 1e9).astype(np.int64)
    return Recorded(
        np.rint((UTC0_S + fix_s) * 1e9).astype(np.int64),
        sog,
        cog,
        stamps_ns,
        np.round(shown / kit.rpm_quantum) * kit.rpm_quantum,
        float(np.mean(UTC0_S + true_s - stamps_ns / 1e9 - drift_ppm * 1e-6 * since)),
        drift_ppm,
    )
