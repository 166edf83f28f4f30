"""Synthetic segments tables with a known truth, for the tests of the reduction.

A run is made from one speed through water, a current vector at its time, and errors of known size; nothing here
knows how the reduction works.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.reduce.summary import Findings, Summary

T0_NS = 1_790_000_000 * 10**9

Current = Callable[[float], tuple[float, float]]
"""Time [h] -> current north, east [kn]."""


@dataclass(frozen=True)
class Leg:
    """One pass: what was true, before any sensor error."""

    rpm: float
    speed_kn: float
    direction_deg: float
    mid_h: float
    fuel_l_per_h: float | None = None
    duration_s: float = 90.0
    extra: dict[str, Any] = field(default_factory=dict)


def steady_current(speed_kn: float, towards_deg: float) -> Current:
    """Return a current that does not change."""
    north, east = speed_kn * np.cos(np.radians(towards_deg)), speed_kn * np.sin(np.radians(towards_deg))
    return lambda t_h: (float(north), float(east))


def tide(peak_kn: float, towards_deg: float, phase_h: float, turn_deg_per_h: float = 0.0) -> Current:
    """Return a tidal stream of 12.42 h that may rotate."""

    def at(t_h: float) -> tuple[float, float]:
        speed = peak_kn * np.cos(2 * np.pi * (t_h - phase_h) / 12.4206)
        way = np.radians(towards_deg + turn_deg_per_h * t_h)
        return float(speed * np.cos(way)), float(speed * np.sin(way))

    return at


def reciprocal_legs(
    steps: Sequence[tuple[float, float]],
    *,
    axis_deg: float | Callable[[int], float] = 40.0,
    gap_min: Callable[[int], float] | float = 6.0,
    duration_s: float = 90.0,
    fuel: Callable[[float], float] | None = None,
    ways: int = 2,
    start_h: float = 0.0,
) -> list[Leg]:
    """Return one run each way for every (rpm, speed) step, in order, `gap_min` from end to start."""
    legs: list[Leg] = []
    t_h = start_h
    count = 0
    for k, (rpm, speed) in enumerate(steps):
        axis = axis_deg(k) if callable(axis_deg) else axis_deg
        for way in range(ways):
            direction = (axis + 180.0 * way) % 360.0
            burn = fuel(rpm) if fuel else None
            legs.append(Leg(rpm, speed, direction, t_h + duration_s / 7200.0, burn, duration_s))
            gap = gap_min(count) if callable(gap_min) else gap_min
            t_h += duration_s / 3600.0 + gap / 60.0
            count += 1
    return legs


def build_segments(
    legs: Sequence[Leg],
    current: Current,
    *,
    engines: Sequence[str] = ("port", "stbd"),
    course_held: bool = False,
    heading: bool = True,
    rng: np.random.Generator | None = None,
    sampling_kn: float = 0.0,
    scatter_kn: float = 0.0,
    heading_sd_deg: float = 0.0,
    heading_offset_deg: float = 0.0,
    rpm_sd: float = 0.0,
    speed_power: float = 1.0,
    fuel_scatter_pct: float = 0.0,
    fuel_factor: float = 1.0,
    bias_u_kn: float | None = 0.02,
    depth_m: float | None = 60.0,
) -> pa.Table:
    """Return a segments table as the preparation would make it.

    Args:
        legs: Passes; with `course_held` their direction is the course over ground, else the heading.
        current: Water velocity over ground.
        engines: Engine ids; none means no engine data at all.
        course_held: The boat crabs to stay on the line.
        heading: Whether there is a heading sensor.
        rng: Source of the errors; none makes everything exact.
        sampling_kn: Error of a segment's mean speed that its own uncertainty tells of, per axis.
        scatter_kn: Real change of speed through water from run to run.
        heading_sd_deg: Compass error that differs from run to run.
        heading_offset_deg: Compass error common to all.
        rpm_sd: Spread of the held rpm.
        speed_power: d ln V / d ln rpm used for that spread.
        fuel_scatter_pct: Spread of fuel from run to run.
        fuel_factor: Shown fuel over true fuel.
        bias_u_kn: Type B uncertainty of speed written to the table.
        depth_m: Depth written to the table.
    """

    def noise(sd: float) -> float:
        return 0.0 if rng is None or sd == 0.0 else float(rng.normal(0.0, sd))

    rows: list[dict[str, Any]] = []
    for number, leg in enumerate(legs, start=1):
        north, east = current(leg.mid_h)
        rpm = leg.rpm + noise(rpm_sd)
        speed = leg.speed_kn * (rpm / leg.rpm) ** speed_power + noise(scatter_kn)
        pointed = np.radians(leg.direction_deg)
        if course_held:
            abeam = -north * np.sin(pointed) + east * np.cos(pointed)
            pointed -= np.arcsin(abeam / speed)
        over_n = speed * np.cos(pointed) + north + noise(sampling_kn)
        over_e = speed * np.sin(pointed) + east + noise(sampling_kn)
        shown = np.degrees(pointed) - heading_offset_deg + noise(heading_sd_deg)
        start = T0_NS + round((leg.mid_h * 3600.0 - leg.duration_s / 2) * 1e9)
        fuel = None
        if leg.fuel_l_per_h is not None:
            fuel = leg.fuel_l_per_h * (rpm / leg.rpm) ** 2.7 * fuel_factor * (1.0 + noise(fuel_scatter_pct) / 100.0)
        sog = float(np.hypot(over_n, over_e))
        row: dict[str, Any] = {
            "segment_id": number,
            "start": start,
            "stop": start + round(leg.duration_s * 1e9),
            "duration_s": leg.duration_s,
            "band_rpm": None,
            "rpm_mean": rpm if engines else None,
            "rpm_sd": 3.0 if engines else None,
            "sog_kn_mean": sog,
            "sog_kn_sd": 0.15,
            "sog_slope_kn_per_min": 0.02,
            "sog_u_kn": max(sampling_kn, 1e-6),
            "sog_bias_u_kn": bias_u_kn,
            "n_eff": 20.0,
            "heading_true_deg_mean": float(shown % 360.0) if heading else None,
            "heading_sd_deg": 1.0 if heading else None,
            "cog_true_deg_mean": float(np.degrees(np.arctan2(over_e, over_n)) % 360.0),
            "stw_kn_mean": None,
            "fuel_l_per_h_mean": fuel,
            "fuel_u_l_per_h": None if fuel is None else 0.001 * fuel,
            "depth_m_min": depth_m,
            "depth_froude": None if depth_m is None else sog * 0.514444 / float(np.sqrt(9.80665 * depth_m)),
            "wind_speed_true_kn_mean": 6.0,
            "wind_from_true_deg_mean": 240.0,
            "pitch_deg_mean": 3.0,
            "roll_deg_mean": 0.5,
            "water_temp_c_mean": 15.0,
            "trim": "50 %",
            "n_samples": round(leg.duration_s * 10),
            "accepted": True,
            "reason": None,
        }
        for e in engines:
            row[f"rpm_{e}_mean"] = rpm
            row[f"fuel_l_per_h_{e}_mean"] = None if fuel is None else fuel / len(engines)
            row[f"load_pct_{e}_mean"] = None
        row |= leg.extra
        rows.append(row)
    return pa.Table.from_pylist(rows, schema=segments_schema(engines))


def segments_schema(engines: Sequence[str] = ("port", "stbd")) -> pa.Schema:
    """Return the schema of the segments table."""
    text = {"trim", "reason"}
    integer = {"segment_id": pa.int32(), "n_samples": pa.int32()}
    names = [
        "segment_id", "start", "stop", "duration_s", "band_rpm", "rpm_mean", "rpm_sd", "sog_kn_mean", "sog_kn_sd",
        "sog_slope_kn_per_min", "sog_u_kn", "sog_bias_u_kn", "n_eff", "heading_true_deg_mean", "heading_sd_deg",
        "cog_true_deg_mean", "stw_kn_mean", "fuel_l_per_h_mean", "fuel_u_l_per_h", "depth_m_min", "depth_froude",
        "wind_speed_true_kn_mean", "wind_from_true_deg_mean", "pitch_deg_mean", "roll_deg_mean", "water_temp_c_mean",
        "trim", "n_samples", "accepted", "reason",
    ]  # fmt: skip
    for e in engines:
        names += [f"rpm_{e}_mean", f"fuel_l_per_h_{e}_mean", f"load_pct_{e}_mean"]
    fields = []
    for name in names:
        if name in text:
            kind = pa.string()
        elif name in integer:
            kind = integer[name]
        elif name in ("start", "stop"):
            kind = pa.timestamp("ns", "UTC")
        elif name == "accepted":
            kind = pa.bool_()
        else:
            kind = pa.float64()
        fields.append(pa.field(name, kind))
    return pa.schema(fields)


PLANING_STEPS = (
    (1000.0, 6.4),
    (1500.0, 8.6),
    (2000.0, 11.5),
    (2400.0, 16.5),
    (2800.0, 21.4),
    (3200.0, 25.8),
    (3500.0, 29.1),
)
"""Speed through water of an invented planing boat."""


def planing_fuel(rpm: float) -> float:
    """Return an invented fuel rate, both engines [L/h]."""
    return 150.0 * (rpm / 3500.0) ** 2.7


def no_clocks() -> pa.Table:
    """Return an empty clocks table."""
    names = ["offset_s", "offset_u_s", "drift_ppm", "drift_u_ppm"]
    schema = pa.schema(
        [pa.field("source", pa.string()), *(pa.field(n, pa.float64()) for n in names),
         pa.field("method", pa.string()), pa.field("quality", pa.string())]
    )  # fmt: skip
    return schema.empty_table()


def terms_of(found: Findings | Summary, quantity: str = "speed") -> list[dict[str, float]]:
    """What each cause adds to the standard uncertainty of a quantity, in its unit, for every band."""
    budgets = [budget.of(quantity) for budget in found.budgets]
    return [{t.name: t.u for t in budget.terms} if budget else {} for budget in budgets]
