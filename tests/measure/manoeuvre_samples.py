"""Samples of analytic motions, as a perfect receiver, compass and tachometer would show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa

from tests.segment_builder import build_segments, reciprocal_legs, steady_current
from trialcapture.config import Config, load_config
from trialcapture.measure.circumstances import (
    COUNTED_S,
    Circumstances,
    Mark,
    ReceiverLag,
    TrialSamples,
    find_circumstances,
)
from trialcapture.reduce.reduction import reduce_segments
from trialcapture.units import KN_M_PER_S

T0_NS = 1_800_000_000_000_000_000
CONFIG = load_config(
    '[boat]\nlength_m = 12.0\nbeam_m = 4.0\n[[engine]]\nid = "main"\nrated_rpm = 2600\nidle_rpm = 600\n'
)


def circumstances(
    *,
    current_ne_kn: tuple[float, float] = (0.0, 0.0),
    current_u_kn: float = 0.02,
    shows_current: bool = True,
    lag: ReceiverLag | None = None,
    marks_s: Sequence[tuple[float, str]] = (),
    config: Config = CONFIG,
) -> Circumstances:
    """Return what a trial with this current and these marks is measured under; the receiver does not lag."""
    known = (np.array([current_ne_kn]), np.array([np.eye(2) * current_u_kn**2]))
    return replace(
        _of_one_band(config),
        current_at=lambda t_ns: tuple(np.repeat(part, len(t_ns), axis=0) for part in known),
        shows_current=shows_current,
        lag=lag or ReceiverLag(0.0, 0.0, "made without"),
        marks=tuple(Mark(T0_NS + round(s * 1e9), text) for s, text in marks_s),
    )


_MADE: list[tuple[Config, Circumstances]] = []


def _of_one_band(config: Config) -> Circumstances:
    """Return what a trial of one pair in still water is measured under, made once for each of the settings."""
    for known, made in _MADE:
        if known is config:
            return made
    segments = build_segments(reciprocal_legs([(1000.0, 7.0)]), steady_current(0.0, 0.0), engines=("main",))
    _MADE.append((config, find_circumstances(*reduce_segments(segments, config, clocks=None), None, config)))
    return _MADE[-1][1]


def samples_of(
    t_s: np.ndarray,
    speed_m_s: np.ndarray,
    heading_deg: np.ndarray,
    rpm: np.ndarray,
    *,
    current_ne_m_s: tuple[float, float] = (0.0, 0.0),
    drift_deg: np.ndarray | float = 0.0,
    has_heading: bool = True,
    every_s: float = 0.1,
    noise_kn: float = 0.0,
    lag_s: float = 0.0,
    rudder_deg: np.ndarray | None = None,
    seed: int = 1,
) -> TrialSamples:
    """Return samples at 10 Hz, read by the receiver every so often, `lag_s` late, and the overview of them.

    Args:
        t_s: Times of the motion, evenly spaced, from 0 on.
        speed_m_s: Speed through water.
        heading_deg: True heading, unwrapped.
        rpm: Engine speed; the tachometer shows it a little late, as the program expects.
        current_ne_m_s: Current, north and east.
        drift_deg: By how much the way through the water lies to port of the heading.
        has_heading: Whether there is a compass.
        every_s: Between readings of the receiver.
        noise_kn: Spread of each component of its velocity, white.
        lag_s: How much later its velocity is than its position.
        rudder_deg: Rudder angle; None without a sensor.
        seed: Of the noise.
    """
    rng = np.random.default_rng(seed)
    course = np.radians(heading_deg - drift_deg)
    grid_s = np.arange(0.0, t_s[-1], 0.1)
    read_s = np.arange(0.0, t_s[-1] + every_s, every_s)
    step_s = float(t_s[1] - t_s[0])
    velocity, place = [], []
    for axis, drift in ((np.cos(course), current_ne_m_s[0]), (np.sin(course), current_ne_m_s[1])):
        part = speed_m_s * axis + drift
        gone = np.concatenate([[0.0], np.cumsum(0.5 * (part[1:] + part[:-1])) * step_s])
        shown = np.interp(read_s - lag_s, t_s, part) / KN_M_PER_S + noise_kn * rng.standard_normal(read_s.size)
        velocity.append(np.interp(grid_s, read_s, shown))
        place.append(np.interp(grid_s, read_s, np.interp(read_s, t_s, gone)))
    north, east = velocity
    age_s = grid_s - np.floor(grid_s / every_s + 1e-9) * every_s
    t_ns = T0_NS + np.round(grid_s * 1e9).astype(np.int64)
    heading = np.interp(grid_s, t_s, heading_deg) % 360.0
    unknown = np.full(grid_s.size, np.nan)
    # on the equator a degree is the same both ways: 60 nm
    full = pa.table(
        {
            "t": pa.array(t_ns, pa.timestamp("ns", "UTC")),
            "sog_kn": np.hypot(north, east),
            "cog_true_deg": np.degrees(np.arctan2(east, north)) % 360.0,
            "velocity_age_s": age_s,
            "heading_true_deg": heading if has_heading else unknown,
            "heading_age_s": np.zeros(grid_s.size),
            "pitch_deg": unknown,
            "rudder_deg": unknown if rudder_deg is None else np.interp(grid_s, t_s, rudder_deg),
            "lat_deg": np.degrees(place[0] / 6335439.327),
            "lon_deg": np.degrees(place[1] / 6378137.0),
            "position_age_s": age_s,
            "rpm_main": np.interp(grid_s - COUNTED_S, t_s, rpm),
            "rpm_main_age_s": np.zeros(grid_s.size),
        }
    )

    def read(start_ns: int, stop_ns: int, columns: Sequence[str]) -> pa.Table:
        first, last = np.searchsorted(t_ns, [start_ns, stop_ns])
        return full.select(list(columns)).slice(first, last - first)

    return TrialSamples(full.take(pa.array(np.arange(5, grid_s.size, 10))), read)


def turning(
    t_s: np.ndarray, begin_s: float, rate_deg_per_s: float, settle_s: float, turn_deg: float, side: int = 1
) -> np.ndarray:
    """Return the heading of a turn whose rate comes as r (1 − exp(−t / T)), T 0 for at once, and stops after a turn."""
    since = np.clip(t_s - begin_s, 0.0, None)
    lost = settle_s * (1.0 - np.exp(-since / settle_s)) if settle_s else 0.0
    return side * np.minimum(rate_deg_per_s * (since - lost), turn_deg)
