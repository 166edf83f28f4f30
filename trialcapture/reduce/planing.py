"""The slowest planing speed, up and down, where a slow run shows it; nothing is claimed where none does."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialcapture.config import Config
from trialcapture.prepare.segments import SOG_BIAS_U_KN
from trialcapture.prepare.statistics import rolling_mean
from trialcapture.reduce.legs import Legs
from trialcapture.reduce.slow_runs import SlowRun
from trialcapture.reduce.statistics import FloatArray, combine_uncertainties
from trialcapture.reduce.tables import iso_utc

DEFINITION_U_KN = 0.3
"""Standard uncertainty of what "slowest planing speed" means: the change is gradual (common practice, no source)."""
LEAST_BOW_RISE_DEG = 1.0
"""The running trim must pass its ends by this much to show a hump."""
FLOW_LAG_S = 4.0
"""How long flow and trim take to follow the speed (common practice, no source); what that moves the threshold by is
taken as uncertainty, because its size differs from hull to hull."""
STEEPENING = 1.8
"""Speed must rise this many times as fast with rpm past the knee as before it to show a hump (no source)."""
WIDEST_RATIO = 2.5
"""A steep part that ends at more than this many times the speed it began with is no threshold (no source)."""
_SMOOTH_S = 15


def find_slowest_planing(
    runs: list[SlowRun], current_kn: list[FloatArray], current_u_kn: list[float], legs: Legs, config: Config
) -> dict[str, Any] | None:
    """Return the slowest planing speed through water, from the way down; None where no slow run shows one.

    A hull that planes holds on to it when slowing down, and must go faster to get there: both values are kept, each
    the mean of the runs that way, and the way down answers the question. Where pitch was recorded, the threshold is
    the speed of the highest running trim; where not, it lies
    in the lower half of the steep part of speed against rpm, which is known far less well.

    Args:
        runs: From `find_slow_runs`.
        current_kn: Current at every second of each run, north and east.
        current_u_kn: Its standard uncertainty along the course, per run.
        legs: For the trim last noted before a run.
        config: A boat stated not to plane has no such speed.

    Source: the highest trim marks the hump (Savitsky & Brown 1976, Marine Technology 13:381; from memory).
    """
    if not config.boat.planing:
        return None
    shown = []
    for run, current, u in zip(runs, current_kn, current_u_kn, strict=True):
        through = run["ground_kn"] - current
        speed = rolling_mean(np.hypot(through[:, 0], through[:, 1]), _SMOOTH_S)
        found = _by_pitch(speed, run["pitch_deg"]) or _by_rpm(speed, run["rpm"])
        if found is not None:
            threshold, own_u, basis = found
            shown.append(
                {
                    "way": run["way"],
                    "t": iso_utc(run["t_ns"][0]),
                    "speed_kn": threshold,
                    "u_kn": combine_uncertainties(own_u, u, SOG_BIAS_U_KN, DEFINITION_U_KN, _lag_u(speed, threshold)),
                    "basis": basis,
                    "trim": _trim_at(int(run["t_ns"][0]), legs),
                }
            )
    ways = {way: [s for s in shown if s["way"] == way] for way in ("down", "up")}
    answer = ways["down"] or ways["up"]
    if not answer:
        return None
    means = {way: _mean(found) for way, found in ways.items()}
    chosen = means["down"] or means["up"]
    return {
        **(chosen or {}),
        "from": f"slow run-{answer[0]['way']}, {answer[0]['basis']}",
        "trim": answer[0]["trim"],
        "run_down": means["down"],
        "run_up": means["up"],
        "runs": shown,
    }


def _mean(found: list[dict[str, Any]]) -> dict[str, float] | None:
    if not found:
        return None
    speeds = np.array([f["speed_kn"] for f in found])
    # the definition and the current are common to all runs, so their mean is no better than one
    u = combine_uncertainties(max(f["u_kn"] for f in found), float(speeds.std(ddof=1)) if speeds.size > 1 else None)
    return {"speed_kn": float(speeds.mean()), "u_kn": u}


def _by_pitch(speed_kn: FloatArray, pitch_deg: FloatArray) -> tuple[float, float, str] | None:
    """Return the speed of the highest trim: the vertex of a parabola through the points about it."""
    trim = rolling_mean(pitch_deg, _SMOOTH_S)
    use = np.isfinite(trim) & np.isfinite(speed_kn)
    if use.mean() < 0.8 or use.sum() < 2 * _SMOOTH_S:
        return None
    v, p = speed_kn[use], trim[use]
    top = int(np.argmax(p))
    rise = p[top] - max(p[0], p[-1])
    if rise < LEAST_BOW_RISE_DEG:
        return None
    low = np.flatnonzero(p < p[top] - rise / 8.0)
    before, after = low[low < top], low[low > top]
    near = slice(int(before[-1]) + 1 if before.size else 0, int(after[0]) if after.size else p.size)
    x, y = v[near] - v[top], p[near]
    if x.size < 5 or np.ptp(x) < 0.2:
        return None
    (a, b, _), cov = np.polyfit(x, y, 2, cov="unscaled")
    if a >= 0:
        return None
    vertex = -b / (2.0 * a)
    if not x.min() <= vertex <= x.max():
        return None
    left = y - np.polyval(np.polyfit(x, y, 2), x)
    slope = np.array([b / (2.0 * a**2), -1.0 / (2.0 * a), 0.0])
    # smoothing and waves make neighbouring seconds one value
    u = float(np.sqrt(slope @ cov @ slope * (left @ left) / max(x.size - 3, 1) * _SMOOTH_S))
    return float(v[top] + vertex), u, "highest running trim"


def _by_rpm(speed_kn: FloatArray, rpm: FloatArray) -> tuple[float, float, str] | None:
    """Return the speed in the lower half of the steep part of speed against rpm.

    Three straight lines are fitted, the middle one the steepest: over the hump speed is regained without rpm. The
    hull comes on the plane where the steep part begins and has long done so where it ends; a rectangular
    distribution over its lower half says no more than that.
    """
    use = np.isfinite(speed_kn) & np.isfinite(rpm)
    if use.sum() < 60:
        return None
    n, v = rpm[use], speed_kn[use]
    knees = np.quantile(n, np.linspace(0.08, 0.92, 29))
    best: tuple[float, float, float] | None = None
    for i, lower in enumerate(knees):
        for upper in knees[i + 1 :]:
            design = np.column_stack([np.ones(n.size), n, np.maximum(n - lower, 0.0), np.maximum(n - upper, 0.0)])
            solved, *_ = np.linalg.lstsq(design, v, rcond=None)
            before, steep, after = np.cumsum(solved[1:])
            if steep < STEEPENING * before or steep <= after or before <= 0:
                continue
            cost = float(np.sum((v - design @ solved) ** 2))
            if best is None or cost < best[0]:
                low = float(solved[0] + before * lower)
                best = cost, low, low + float(steep * (upper - lower))
    if best is None or best[2] > WIDEST_RATIO * best[1]:
        return None
    half = (best[2] - best[1]) / 2.0
    return best[1] + half / 2.0, half / float(np.sqrt(12.0)), "speed against rpm"


def _lag_u(speed_kn: FloatArray, threshold_kn: float) -> float:
    """Return what a lagging flow does to the threshold: the change of speed there over the lag [kn]."""
    near = np.abs(speed_kn - threshold_kn)
    rate = np.abs(np.gradient(speed_kn))
    return FLOW_LAG_S * float(rate[int(np.nanargmin(near))]) if np.isfinite(near).any() else 0.0


def _trim_at(t_ns: int, legs: Legs) -> str | None:
    earlier = np.flatnonzero(legs["start_ns"] <= t_ns)
    return legs["trim"][int(earlier[-1])] if earlier.size else None
