"""Labelled tracks: what a boat did, what her sensors said of it, and where she was steady.

First-order lags and drawn noise, no hull theory. Truth follows the words of `trialcapture.rehearse.truth`: the order
is constant, speed without noise and waves is within 0.05 kn or 0.5 % of the value it settles at, rpm within 0.3 % of
its own, the heading within two degrees, all for fifteen seconds at least. Speed is over ground here, so that a
current front ends one steady stretch and begins another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.bench.detectors.common import Floats, Interval, runs
from trialcapture.config import Steady
from trialcapture.prepare.steady.criteria import Limits, Track

GRID_HZ = 10.0
BLOCK = 2
DT_S = BLOCK / GRID_HZ
SHORTEST_S = 15.0
_TURN_DEG_PER_S = 6.0


@dataclass(frozen=True, slots=True)
class Condition:
    """What is hard about a track.

    Attributes:
        name: What to call it.
        rate_hz: Readings of speed, rpm and heading a second.
        rpm_count: Least count of rpm.
        sog_count_kn: Least count of speed; 0 for as fine as it comes.
        tau_s: Range of the time constant of speed.
        hold_s: Range of the length of an order.
        waves_kn: Amplitude of the speed's motion in waves.
        nudge_pct: Change of the throttle half way through every other hold.
        front_kn: Range of a change of current half way through every other hold.
    """

    name: str
    rate_hz: float = 10.0
    rpm_count: float = 1.0
    sog_count_kn: float = 0.0
    tau_s: tuple[float, float] = (4.0, 12.0)
    hold_s: tuple[float, float] = (100.0, 160.0)
    waves_kn: float = 0.05
    nudge_pct: float = 0.0
    front_kn: tuple[float, float] = (0.0, 0.0)


CONDITIONS = (
    Condition("10 Hz"),
    Condition("5 Hz", rate_hz=5.0),
    Condition("1 Hz, 0.1 kn", rate_hz=1.0, rpm_count=10.0, sog_count_kn=0.1),
    Condition("10 rpm steps", rpm_count=10.0),
    Condition("25 rpm steps", rpm_count=25.0),
    Condition("waves", waves_kn=0.4),
    Condition("slow settling", tau_s=(10.0, 40.0), hold_s=(120.0, 300.0)),
    Condition("1 % nudge", nudge_pct=1.0, hold_s=(160.0, 220.0)),
    Condition("current front", front_kn=(0.5, 1.0), hold_s=(160.0, 220.0)),
)


@dataclass(frozen=True, slots=True)
class Case:
    """One labelled recording.

    Attributes:
        name: Condition or scenario.
        seed: Its seed.
        track: What was measured.
        limits: The limits its owner would set.
        least_count_rpm: What the rpm sensor's manual says.
        steady: True steady stretches, half-open indices into the track.
        settled_kn: What speed over ground settles at in each of them.
        bound_for_kn: What it was bound for at every sample, NaN where nobody knows.
    """

    name: str
    seed: int
    track: Track
    limits: Limits
    least_count_rpm: float
    steady: tuple[Interval, ...]
    settled_kn: tuple[float, ...]
    bound_for_kn: Floats


def make_track(condition: Condition, seed: int) -> Case:
    """Make one labelled track of about half an hour: a creeping throttle, steps both ways, turns, a slow run-down."""
    salt = sum(condition.name.encode())
    rng = np.random.default_rng([seed, salt])
    order_rpm, course, current, holds = _orders(condition, rng)
    top_rpm, top_kn = 3600.0, float(rng.uniform(20.0, 34.0))
    power = float(rng.uniform(0.9, 1.4))
    rpm = _lag(_limit_rate(order_rpm, 120.0), 0.6)
    turning = np.abs(np.gradient(course)) * GRID_HZ > 1.0
    target = top_kn * (rpm / top_rpm) ** power * np.where(turning, 0.8, 1.0)
    water_kn = _lag(target, float(rng.uniform(*condition.tau_s)))
    final_kn = top_kn * (order_rpm / top_rpm) ** power + current
    clean_kn = water_kn + current
    good = np.abs(clean_kn - final_kn) <= np.maximum(0.05, 0.005 * final_kn)
    good &= np.abs(rpm - order_rpm) <= 0.003 * order_rpm
    steady = [
        (a + i, a + j)
        for a, b in holds
        for i, j in runs(good[a:b] & (np.abs(course[a:b] - course[b - 1]) <= 2.0))
        if (j - i) / GRID_HZ >= SHORTEST_S
    ]
    return Case(
        condition.name,
        seed,
        _measure(condition, rng, clean_kn, rpm, course),
        Limits(Steady()),
        condition.rpm_count,
        tuple((round(a / BLOCK), round(b / BLOCK)) for a, b in steady),
        tuple(float(final_kn[a:b].mean()) for a, b in steady),
        final_kn[: final_kn.size // BLOCK * BLOCK : BLOCK],
    )


def _orders(condition: Condition, rng: np.random.Generator) -> tuple[Floats, Floats, Floats, list[Interval]]:
    """Return ordered rpm, course [deg, unwrapped], current along it [kn], and the levels that were ordered to be held.

    A level ends where the order changes or where the current does.
    """
    rpm: list[Floats] = []
    course: list[Floats] = []
    current: list[Floats] = []
    holds: list[Interval] = []
    stream, heading, way = float(rng.uniform(-1.0, 1.0)), float(rng.uniform(0.0, 360.0)), 1.0

    def add(order: Floats, to: Floats, along: Floats, *, hold: bool) -> None:
        start = sum(part.size for part in rpm)
        rpm.append(order)
        course.append(to)
        current.append(along)
        if hold:
            holds.append((start, start + order.size))

    def level(order: float, seconds: float) -> None:
        n = round(seconds * GRID_HZ)
        add(np.full(n, order), np.full(n, heading), np.full(n, way * stream), hold=True)

    def ramp(start: float, stop: float, seconds: float) -> None:
        n = round(seconds * GRID_HZ)
        add(np.linspace(start, stop, n), np.full(n, heading), np.full(n, way * stream), hold=False)

    steps = np.sort(rng.choice(np.arange(1000.0, 3700.0, 300.0), 5, replace=False)) + rng.integers(-40, 40, 5)
    # a lever that creeps by 4 to 8 % a minute; slower than that nobody would call it moving
    creep_s, creep_per_min = float(rng.uniform(100.0, 200.0)), float(rng.uniform(0.04, 0.08))
    ramp(0.95 * steps[0] / (1.0 + creep_per_min * creep_s / 60.0), 0.95 * steps[0], creep_s)
    for k, rung in enumerate(steps):
        step = float(rung)
        for leg in range(2):
            if leg:
                n = round(180.0 / _TURN_DEG_PER_S * GRID_HZ)
                along = way * stream * np.cos(np.linspace(0.0, np.pi, n))
                add(np.full(n, step), heading + np.linspace(0.0, 180.0, n), along, hold=False)
                heading, way = heading + 180.0, -way
            seconds = float(rng.uniform(*condition.hold_s))
            half = seconds * float(rng.uniform(0.4, 0.6))
            if condition.nudge_pct and (k + leg) % 2:
                level(step, half)
                step *= 1.0 + condition.nudge_pct / 100.0 * float(rng.choice([-1.0, 1.0]))
                level(step, seconds - half)
            elif condition.front_kn[1] and (k + leg) % 2:
                level(step, half)
                change = float(rng.uniform(*condition.front_kn)) * float(rng.choice([-1.0, 1.0]))
                n = round(float(rng.uniform(2.0, 10.0)) * GRID_HZ)
                along = way * stream + np.linspace(0.0, change, n)
                add(np.full(n, step), np.full(n, heading), along, hold=False)
                stream += way * change
                level(step, seconds - half)
            else:
                level(step, seconds)
    ramp(steps[-1], steps[0], float(rng.uniform(180.0, 300.0)))
    ramp(steps[0], 800.0, 15.0)
    return np.concatenate(rpm), np.concatenate(course), np.concatenate(current), holds


def _measure(condition: Condition, rng: np.random.Generator, sog: Floats, rpm: Floats, course: Floats) -> Track:
    """Return what the sensors say, bridged onto the grid and averaged over blocks as the pipeline does it."""
    t = np.arange(sog.size) / GRID_HZ
    wave_s = float(rng.uniform(2.5, 6.0))
    swell = np.sin(2.0 * np.pi * np.cumsum(1.0 / GRID_HZ / (wave_s * (1.0 + 0.2 * _wander(t.size, 1.0, 20.0, rng)))))
    envelope = 1.0 + 0.4 * _wander(t.size, 1.0, 15.0, rng)
    waves = swell * envelope
    seen_kn = sog + condition.waves_kn * waves + _wander(t.size, float(rng.uniform(0.04, 0.1)), 4.0, rng)
    seen_kn += rng.normal(0.0, 0.03, t.size)
    wave_pct = 0.5 * condition.waves_kn
    seen_rpm = rpm * (1.0 + (_wander(t.size, 0.08, 6.0, rng) + wave_pct * np.roll(waves, 8)) / 100.0)
    seen_rpm += rng.normal(0.0, 2.0, t.size)
    seen_deg = course + (1.0 + 8.0 * condition.waves_kn) * np.roll(waves, 5) + _wander(t.size, 0.8, 5.0, rng)
    every = round(GRID_HZ / condition.rate_hz)
    at = slice(int(rng.integers(0, every)), None, every)
    whole = t.size // BLOCK * BLOCK

    def bridged(y: Floats, count: float) -> Floats:
        readings = np.round(y[at] / count) * count if count else y[at]
        return np.interp(t, t[at], readings)[:whole].reshape(-1, BLOCK)

    deg_count = 1.0 if condition.rate_hz < 2.0 else 0.1
    return Track(
        bridged(np.maximum(seen_kn, 0.0), condition.sog_count_kn).mean(axis=1),
        bridged(seen_rpm, condition.rpm_count).mean(axis=1)[None, :],
        bridged(seen_deg, deg_count)[:, BLOCK // 2] % 360.0,
        DT_S,
    )


def _wander(n: int, sd: float, memory_s: float, rng: np.random.Generator) -> Floats:
    """Return first-order autoregressive noise, as `tests.signals.wandering` but for arrays too long for a loop."""
    phi = float(np.exp(-1.0 / GRID_HZ / memory_s))
    kicks = rng.normal(0.0, sd * np.sqrt(1.0 - phi * phi), n)
    kicks[0] = rng.normal(0.0, sd)
    noise: npt.NDArray[np.float64] = lfilter([1.0], [1.0, -phi], kicks)
    return noise


def _lag(target: Floats, tau_s: float) -> Floats:
    """Return the first-order lag behind a target, beginning on it."""
    share = 1.0 - float(np.exp(-1.0 / GRID_HZ / tau_s))
    lagged: npt.NDArray[np.float64] = lfilter([share], [1.0, share - 1.0], target, zi=[(1.0 - share) * target[0]])[0]
    return lagged


def _limit_rate(order: Floats, per_s: float) -> Floats:
    """Return the order followed at no more than a rate."""
    out = np.empty(order.size)
    now = float(order[0])
    most = per_s / GRID_HZ
    for i, wanted in enumerate(order.tolist()):
        now += min(max(wanted - now, -most), most)
        out[i] = now
    return out
