"""What a perfect reduction would find: steady stretches, speeds, fuel, current, clocks, manoeuvres; pure.

Steady means: the order is constant, the speed through water without waves is within 0.5 % or 0.05 kn,
whichever is larger, of the value it settles at, every engine's rpm is within 0.3 % of its own, and the heading
is held. All other time under way is transient.

Manoeuvres are those of the motion without waves and sensors. The definitions are those of `trialcapture.measure`: an
acceleration and a stop begin where the engine speed leaves its level, a turn where the helm is ordered over; speeds and
distances are those through the water.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import BoatModel, FuelTank
from trialcapture.rehearse.enginelog import WrittenLog
from trialcapture.rehearse.hull import RHO_WATER_KG_PER_M3, settled_fuel_l_per_h, settled_speed_m_s
from trialcapture.rehearse.motion import STEP_S, Motion, Ordered, turn_drift_rad
from trialcapture.rehearse.scenarios import LABEL_ACCELERATION, LABEL_ASTERN, LABEL_CIRCLE, LABEL_COAST
from trialcapture.rehearse.sea import Sea
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

Floats = npt.NDArray[np.float64]

SPEED_SHARE = 0.005
"""Settled: within this share of the final speed, or"""
SPEED_KN = 0.05
"""within this [kn], whichever is larger (our choice: what no detector can tell from noise)."""
RPM_SHARE = 0.003
"""Held: rpm within this share of the ordered one (our choice)."""
HEADING_DEG = 2.0
"""Held: heading within this of the ordered one (our choice)."""
SHORTEST_S = 15.0
"""Steady for less than this counts as transient."""
UNDER_WAY_KN = 1.0
"""Slower than this is no run (our choice)."""
SET_CLOCK_S = 3.0
"""An engine log's clock was set where its offset changes by more than this from row to row."""


def utc_text(start_utc_ns: int, t_s: float) -> str:
    """Return an instant of the simulation as ISO 8601 UTC with milliseconds."""
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=start_utc_ns // 1000 + round(t_s * 1e6))
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


def find_steady(
    motion: Motion, ordered: Ordered, engine_ids: Sequence[str], hunting_share: float = 0.0
) -> list[tuple[int, int]]:
    """Return the steady stretches of one order as half-open index intervals into the motion's grid.

    `hunting_share` is the amplitude of a slow oscillation of rpm that belongs to the hold, as a share.
    """
    phase = ordered.phase
    constant = phase.kind == "hold" or (phase.kind == "ramp" and phase.rpm == phase.rpm_from)
    first, last = round(ordered.start_s / STEP_S), round(ordered.stop_s / STEP_S)
    if not constant or last - first < SHORTEST_S / STEP_S:
        return []
    settled = slice(last - min((last - first) // 3, round(30.0 / STEP_S)), last)
    speed = motion.series["stw_m_s"]
    final = float(np.median(speed[settled]))
    if final < UNDER_WAY_KN * KN_M_PER_S:
        return []
    good = np.abs(speed[first:last] - final) <= max((SPEED_SHARE + hunting_share) * final, SPEED_KN * KN_M_PER_S)
    for engine_id in engine_ids:
        rpm = motion.series[f"rpm_{engine_id}"]
        settled_rpm = float(np.median(rpm[settled]))
        good &= np.abs(rpm[first:last] - settled_rpm) <= (RPM_SHARE + 1.2 * hunting_share) * settled_rpm
    heading = motion.series["heading_rad"]
    wanted = float(np.median(heading[settled]))
    good &= np.abs(heading[first:last] - wanted) <= np.radians(HEADING_DEG)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    return [
        (first + int(a), first + int(b))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if (b - a) * STEP_S >= SHORTEST_S
    ]


def tell_truth(
    motion: Motion,
    state: dict[str, Floats],
    boat: BoatModel,
    logs: Sequence[WrittenLog],
    start_utc_ns: int,
    hunting_share: float = 0.0,
) -> dict[str, Any]:
    """Return the truth of a simulated trial, ready for JSON.

    Args:
        motion: The mean motion.
        state: The true state.
        boat: The boat.
        logs: The engine logs as written.
        start_utc_ns: UTC at the start of the simulation [ns].
        hunting_share: As for `find_steady`.

    Returns:
        ``steps`` (every steady stretch, as it was), ``bands`` (speed through water and fuel that are the boat's own
        over a band's stretches, both ways weighing the same: what differs from run to run by waves, gusts and luck is
        left out, because a band claims what she does again), ``transients`` (the rest of the time under way),
        ``current`` and ``wind`` as time series, ``engine_log`` clocks, ``planing`` thresholds, ``marks``.
    """

    def utc(index: float) -> str:
        return utc_text(start_utc_ns, index * STEP_S)

    stretches = [
        (ordered, a, b)
        for ordered in motion.ordered
        for a, b in find_steady(motion, ordered, boat.engine_ids, hunting_share)
    ]
    steps = [_step(ordered, a, b, state, boat, utc) for ordered, a, b in stretches]
    steady = np.zeros(motion.t_s.size, dtype=bool)
    for _, a, b in stretches:
        steady[a:b] = True
    restless = (np.abs(motion.series["stw_m_s"]) >= UNDER_WAY_KN * KN_M_PER_S) & ~steady
    edges = np.flatnonzero(np.diff(np.concatenate([[0], restless.astype(np.int8), [0]])))
    return {
        "start_utc": utc(0),
        "stop_utc": utc(motion.t_s.size),
        "steps": steps,
        "bands": _bands(steps, [_own(motion, a, b, boat) for _, a, b in stretches]),
        "transients": [[utc(int(a)), utc(int(b))] for a, b in zip(edges[::2], edges[1::2], strict=True)],
        "current": _series(state, "current_e_m_s", "current_n_m_s", "towards_deg", start_utc_ns),
        "wind": _series(state, "wind_e_m_s", "wind_n_m_s", "from_deg", start_utc_ns),
        "engine_log": [_clock(log, start_utc_ns) for log in logs],
        "planing": _thresholds(motion, boat),
        "marks": [utc_text(start_utc_ns, o.start_s) for o in motion.ordered if o.phase.kind == "blip"],
    }


def nominal_rpm(ordered: Ordered, rpm: float) -> float:
    """Return the rpm an order is known by: the step's own name, else the rpm itself."""
    label = ordered.phase.label
    return float(label.removeprefix("step ")) if label.startswith("step ") else round(rpm, 0)


def _step(ordered: Ordered, a: int, b: int, state: dict[str, Floats], boat: BoatModel, utc: Any) -> dict[str, Any]:
    rpm = {e: float(np.mean(state[f"rpm_{e}"][a:b])) for e in boat.engine_ids}
    fuel = {e: float(np.mean(state[f"fuel_l_per_h_{e}"][a:b])) for e in boat.engine_ids}
    mean_rpm = sum(rpm.values()) / len(rpm)
    east, north = float(np.mean(state["current_e_m_s"][a:b])), float(np.mean(state["current_n_m_s"][a:b]))
    return {
        "label": ordered.phase.label,
        "nominal_rpm": nominal_rpm(ordered, mean_rpm),
        "direction_deg": round(ordered.phase.heading_deg % 360.0, 1),
        "steady_start_utc": utc(a),
        "steady_stop_utc": utc(b),
        "stw_kn": round(float(np.mean(state["stw_kn"][a:b])), 4),
        "sog_kn": round(float(np.mean(np.hypot(state["east_m_s"], state["north_m_s"])[a:b])) / KN_M_PER_S, 4),
        "rpm": round(mean_rpm, 2),
        "fuel_l_per_h": round(sum(fuel.values()), 4),
        "current_kn": round(float(np.hypot(east, north)) / KN_M_PER_S, 4),
        "current_towards_deg": round(float(np.degrees(np.arctan2(east, north))) % 360.0, 2),
        "pitch_deg": round(float(np.degrees(np.mean(state["pitch_rad"][a:b]))), 3),
        "depth_m": round(float(np.min(state["depth_m"][a:b])), 2),
        **{f"rpm_{e}": round(value, 2) for e, value in rpm.items()},
        **{f"fuel_l_per_h_{e}": round(value, 4) for e, value in fuel.items()},
    }


def _own(motion: Motion, a: int, b: int, boat: BoatModel) -> dict[str, float]:
    """Return what is the boat's own over one stretch, without waves and luck."""

    def total(stem: str) -> float:
        return sum(float(np.mean(motion.series[f"{stem}_{e}"][a:b])) for e in boat.engine_ids)

    return {
        "stw_kn": float(np.mean(motion.series["stw_m_s"][a:b])) / KN_M_PER_S,
        "rpm": total("rpm") / len(boat.engine_ids),
        "fuel_l_per_h": total("fuel_l_per_h"),
    }


def _bands(steps: list[dict[str, Any]], own: list[dict[str, float]]) -> list[dict[str, Any]]:
    """Return bands over the stretches of the trial's own steps; `own` are the values of each stretch."""
    out = []
    ordered = [step | values for step, values in zip(steps, own, strict=True) if step["label"].startswith("step ")]
    for nominal in sorted({step["nominal_rpm"] for step in ordered}):
        members = [s for s in ordered if s["nominal_rpm"] == nominal]
        ways = sorted({s["direction_deg"] for s in members})

        def mean(name: str, members: Any = members, ways: Any = ways) -> float:
            """Mean of the ways, so that a third run does not weigh its own direction twice."""
            return float(np.mean([np.mean([s[name] for s in members if s["direction_deg"] == way]) for way in ways]))

        out.append(
            {
                "band_rpm": nominal,
                "rpm_mean": round(mean("rpm"), 2),
                "legs": len(members),
                "ways": len(ways),
                "speed_kn": round(mean("stw_kn"), 4),
                "fuel_l_per_h": round(mean("fuel_l_per_h"), 4),
                "economy_nm_per_l": round(mean("stw_kn") / mean("fuel_l_per_h"), 6),
            }
        )
    return out


def _series(
    state: dict[str, Floats], east: str, north: str, direction: str, start_utc_ns: int, every_s: float = 60.0
) -> list[dict[str, Any]]:
    """Return a vector once a minute; wind *from* is opposite to where it goes."""
    at = np.arange(0, state["t_s"].size, round(every_s / STEP_S))
    e, n = state[east][at], state[north][at]
    turn = 180.0 if direction == "from_deg" else 0.0
    angle = (np.degrees(np.arctan2(e, n)) + turn) % 360.0
    return [
        {"t": utc_text(start_utc_ns, k * STEP_S), "speed_kn": round(s, 4), direction: round(a, 2)}
        for k, s, a in zip(at.tolist(), (np.hypot(e, n) / KN_M_PER_S).tolist(), angle.tolist(), strict=True)
    ]


def _clock(log: WrittenLog, start_utc_ns: int) -> dict[str, Any]:
    """Return how a log's stamps lie to UTC: a line through all rows, so that the cut-off second is in it.

    ``offset_s`` is UTC minus stamp at the first row, ``drift_ppm`` how much it grows. Where the clock was set on the
    way, they are those of the first piece, and ``pieces`` tells all.
    """
    order = np.argsort(log.sample_s, kind="stable")
    sample_s, offset_s = log.sample_s[order], log.offset_s[order]
    cuts = np.flatnonzero(np.abs(np.diff(offset_s)) > SET_CLOCK_S) + 1
    pieces = [
        _piece(s, o, start_utc_ns) for s, o in zip(np.split(sample_s, cuts), np.split(offset_s, cuts), strict=True)
    ]
    return {"file": log.file, **pieces[0], **({"pieces": pieces} if cuts.size else {})}


def _piece(sample_s: Floats, offset_s: Floats, start_utc_ns: int) -> dict[str, Any]:
    since_s = sample_s - sample_s[0]
    middle_s, middle_offset_s = float(since_s.mean()), float(offset_s.mean())
    slope = float(np.polyfit(since_s - middle_s, offset_s - middle_offset_s, 1)[0]) if since_s.size > 1 else 0.0
    first_s = middle_offset_s - slope * middle_s
    return {
        "offset_s": round(first_s, 4),
        "drift_ppm": round(slope * 1e6, 2),
        "at_utc": utc_text(start_utc_ns, float(sample_s[0])),
        "offset_at_last_row_s": round(first_s + slope * float(since_s[-1]), 4),
    }


def _thresholds(motion: Motion, boat: BoatModel) -> dict[str, float] | None:
    """Return the speeds through water at which planing began and ended in the slow runs [kn]."""
    if not boat.hull.planing:
        return None
    out = {}
    for label, name in (("slow run-up", "run_up_stw_kn"), ("slow run-down", "run_down_stw_kn")):
        for ordered in motion.ordered:
            if ordered.phase.label == label:
                span = slice(round(ordered.start_s / STEP_S), round(ordered.stop_s / STEP_S))
                planing = motion.series["planing"][span] >= 0.5
                change = np.flatnonzero(np.diff(planing.astype(np.int8)))
                if change.size:
                    speed = float(motion.series["stw_m_s"][span][change[0]])
                    out[name] = round(speed / KN_M_PER_S, 3)
    return out or None


# ------------------------------------------------------------------------------
# What the boat would settle at: the truth of a band where runs differ, settle slowly, and meet wind.
# ------------------------------------------------------------------------------

USABLE_SHARE = 0.97
"""Usable share of the tank, as the settings of a simulated trial state it (common practice, no source)."""
RESERVE_SHARE = 0.10
"""Share of the usable fuel kept as reserve, as they state it (common practice, no source)."""
_HELD_SHARE = 0.5
"""The engine speed of a hold is that of so much of it, at its end (our choice)."""
_NEARBY = (0.97, 1.0, 1.03)
"""Engine speeds at which settled values are told, over that of the band: a printed one lies a little off."""


@dataclass(frozen=True, slots=True)
class _Run:
    """One hold: its number, its heading, and means over its end, still settling as they may be."""

    number: int
    direction_deg: float
    rpm: tuple[float, ...]
    speed_m_s: float
    current_m_s: tuple[float, float]
    mass_kg: float
    start_s: float
    stop_s: float


def tell_settled(motion: Motion, boat: BoatModel, sea: Sea, rpm_factor: float, tank: FuelTank) -> list[dict[str, Any]]:
    """Return for each step of the trial what the boat settles at, and by how much her runs fell short of it.

    The true speed of a band is the one through the water at which thrust and drag balance at an engine speed, in the
    mean wind of the trial: on each line that was run, both ways weighing the same, whether both were run or one. Fuel
    is what the engines burn there. Economy is that speed over that fuel, and range is economy times the fuel in the
    true tank, usable and not reserve. Spread from run to run, wander, gusts and what had not settled are left out.

    The engine speed is the true one that equals what the tachometer showed, because a table says "at 3000 rpm" of what
    it read.

    Args:
        motion: The mean motion.
        boat: The boat.
        sea: Wind and waves.
        rpm_factor: Engine speed shown over the true one.
        tank: How the tank differs from what the settings say.

    Returns:
        One entry a step: ``band_rpm``; ``rpm`` as shown and ``speed_kn fuel_l_per_h economy_nm_per_l range_nm`` there;
        ``nearby``, the same at engine speeds about it; ``still_air_kn``, the speed without wind; ``wind_way_kn`` and
        ``wind_way_fuel_share``, half of what running with the wind gains over running against it; ``runs``, each with
        ``number``, ``direction_deg``, ``start_s`` and ``stop_s`` since the start of the trial, ``unsettled_kn`` (speed
        of its second half less what it would settle at, at its own engine speed) and ``way_kn`` (what it would settle
        at less the mean of all ways).
    """
    runs = _runs(motion, boat)
    litres = boat.fuel_capacity_l * (1.0 + tank.capacity_error_pct / 100.0) * (USABLE_SHARE + tank.usable_error)
    litres *= 1.0 - RESERVE_SHARE
    out = []
    for label in dict.fromkeys(runs):
        members = runs[label]
        ways = sorted({_way(run.direction_deg + back) for run in members for back in (0.0, 180.0)})
        near = float(np.mean([run.speed_m_s for run in members]))
        middle = _middle(members)
        shown = tuple(rpm * rpm_factor for rpm in middle.rpm)

        def settle(rpm: Sequence[float], way: float, wind: Sea = sea, at: _Run = middle, near: float = near) -> float:
            return settled_speed_m_s(boat, wind, rpm, math.radians(way), at.current_m_s, at.mass_kg, near)

        def both_ways(factor: float, shown: tuple[float, ...] = shown, ways: Any = ways) -> dict[str, float]:
            rpm = [factor * turning for turning in shown]
            speeds = [settle(rpm, way) for way in ways]
            fuel = float(np.mean([settled_fuel_l_per_h(boat, rpm, speed) for speed in speeds]))
            speed_kn = float(np.mean(speeds)) / KN_M_PER_S
            return {
                "rpm": float(np.mean(rpm)),
                "speed_kn": speed_kn,
                "fuel_l_per_h": fuel,
                "economy_nm_per_l": speed_kn / fuel,
                "range_nm": litres * speed_kn / fuel,
            }

        against = settle(shown, sea.wind_from_deg), settle(shown, sea.wind_from_deg + 180.0)
        burnt = [settled_fuel_l_per_h(boat, shown, speed) for speed in against]
        calm = float(np.mean([settle(shown, way, replace(sea, wind_kn=0.0)) for way in ways]))
        nearby = [both_ways(factor) for factor in _NEARBY]
        through = {way: settle(middle.rpm, way) for way in ways}
        mean = float(np.mean(list(through.values())))
        out.append(
            {
                "band_rpm": float(label.removeprefix("step ")),
                **{name: round(value, 6) for name, value in nearby[1].items()},
                "still_air_kn": round(calm / KN_M_PER_S, 6),
                "wind_way_kn": round((against[1] - against[0]) / 2.0 / KN_M_PER_S, 6),
                "wind_way_fuel_share": round((burnt[0] - burnt[1]) / (burnt[0] + burnt[1]), 6),
                "nearby": [{name: round(value, 6) for name, value in entry.items()} for entry in nearby],
                "runs": [
                    {
                        "number": run.number,
                        "direction_deg": round(run.direction_deg, 2),
                        "start_s": round(run.start_s, 2),
                        "stop_s": round(run.stop_s, 2),
                        "unsettled_kn": round((run.speed_m_s - settle(run.rpm, run.direction_deg)) / KN_M_PER_S, 6),
                        "way_kn": round((through[_way(run.direction_deg)] - mean) / KN_M_PER_S, 6),
                    }
                    for run in members
                ],
            }
        )
    return out


def _runs(motion: Motion, boat: BoatModel) -> dict[str, list[_Run]]:
    """Return the holds of each step, in order."""
    series, out = motion.series, dict[str, list[_Run]]()
    for ordered in motion.ordered:
        if ordered.phase.kind != "hold" or not ordered.phase.label.startswith("step "):
            continue
        number = sum(map(len, out.values()))
        last = round(ordered.stop_s / STEP_S)
        span = slice(round((ordered.stop_s - _HELD_SHARE * (ordered.stop_s - ordered.start_s)) / STEP_S), last)

        def mean(name: str, span: slice = span) -> float:
            return float(np.mean(series[name][span]))

        out.setdefault(ordered.phase.label, []).append(
            _Run(
                number,
                _way(ordered.phase.heading_deg),
                tuple(mean(f"rpm_{engine_id}") for engine_id in boat.engine_ids),
                mean("stw_m_s"),
                (mean("current_e_m_s"), mean("current_n_m_s")),
                mean("mass_kg"),
                ordered.start_s,
                ordered.stop_s,
            )
        )
    return out


def _way(heading_deg: float) -> float:
    """Return a heading in [0, 360), rounded so that a way and the way back of the way back are one."""
    return round(heading_deg % 360.0, 3) % 360.0


def _middle(runs: Sequence[_Run]) -> _Run:
    """Return the mean of the runs of a step, every direction weighing the same."""
    ways = [[run for run in runs if run.direction_deg == way] for way in dict.fromkeys(r.direction_deg for r in runs)]

    def mean(read: Any) -> Floats:
        return np.asarray(np.mean([np.mean([read(run) for run in way], axis=0) for way in ways], axis=0))

    current = mean(lambda run: run.current_m_s)
    return _Run(
        number=-1,
        direction_deg=float("nan"),
        rpm=tuple(mean(lambda run: run.rpm).tolist()),
        speed_m_s=float(mean(lambda run: run.speed_m_s)),
        current_m_s=(float(current[0]), float(current[1])),
        mass_kg=float(mean(lambda run: run.mass_kg)),
        start_s=float("nan"),
        stop_s=float("nan"),
    )


LEFT_SHARE = 0.003
"""The engine speed has left its level when it is off by this share (our choice)."""
TARGETS_KN = {"5 kn": 5.0, "20 kn": 20.0, "30 mph": 30.0 * 1609.344 / 1852.0}
"""Speeds to which accelerations are told."""
STOPPED_KN = {"5 kn": 5.0, "2 kn": 2.0}
"""Speeds to which stops are told."""
PLANING_TRIM_DEG = 1.0
"""On the plane: trim within so much of where it settles (CHECKS: no published definition; common practice)."""
PLANING_FROUDE = 2.5
"""Or, where the trim has no hump, from this volumetric Froude number on (common practice)."""
SETTLED_S = 10.0
"""The trim it settles at is that of so long before the end of the run (our choice)."""
STEADY_FROM_DEG, EASED_DEG, EASED_SHARE = 180.0, 30.0, 0.93
"""A turn is steady from the first of these to its end less the second (MSC/Circ.1053: after the first 180°); where that
is more than once round, the last whole rounds count."""


def tell_manoeuvres(motion: Motion, boat: BoatModel, start_utc_ns: int) -> list[dict[str, Any]]:
    """Return the truth of each manoeuvre of a list: kind, start, direction, from, to, value, unit."""
    out: list[dict[str, Any]] = []
    for ordered, after in pairwise((*motion.ordered, motion.ordered[-1])):
        label = ordered.phase.label
        if label == LABEL_ACCELERATION:
            found = list(_acceleration(motion, boat, ordered))
        elif label == LABEL_COAST or (label == LABEL_ASTERN and ordered.phase.kind == "neutral"):
            last_s = after.stop_s if label == LABEL_ASTERN else ordered.stop_s
            found = list(_stop(motion, boat, ordered.start_s, last_s))
        elif label in LABEL_CIRCLE.values():
            found = list(_turn(motion, boat, ordered))
        else:
            continue
        heading = f"{round(ordered.phase.heading_deg) % 360:03d}"
        side = dict(zip(LABEL_CIRCLE.values(), ("starboard", "port"), strict=True))
        for start_s, kind, from_, to, value, unit in found:
            out.append(
                {
                    "kind": kind, "start": utc_text(start_utc_ns, start_s), "direction": side.get(label, heading),
                    "from": from_, "to": to, "value": round(value, 4), "unit": unit, "label": label,
                }
            )  # fmt: skip
    return out


_Told = tuple[float, str, str, str, float, str]


def _mean_rpm(motion: Motion, boat: BoatModel) -> Floats:
    return np.asarray(np.mean([motion.series[f"rpm_{e}"] for e in boat.engine_ids], axis=0))


def _span(start_s: float, stop_s: float) -> slice:
    return slice(round(start_s / STEP_S), round(stop_s / STEP_S))


def _first(mask: Any) -> int | None:
    at = np.flatnonzero(mask)
    return int(at[0]) if at.size else None


def _acceleration(motion: Motion, boat: BoatModel, ordered: Ordered) -> Iterator[_Told]:
    span = _span(ordered.start_s, ordered.stop_s)
    rpm, stw = _mean_rpm(motion, boat)[span], motion.series["stw_m_s"][span] / KN_M_PER_S
    idle = _mean_rpm(motion, boat)[max(span.start - round(5.0 / STEP_S), 0) : span.start].mean()
    rise = _first(rpm > (1.0 + LEFT_SHARE) * idle)
    if rise is None:
        return
    start_s = ordered.start_s + rise * STEP_S
    gone_m = np.cumsum(stw) * KN_M_PER_S * STEP_S
    for name, target in TARGETS_KN.items():
        at = _first(stw[rise:] >= target)
        if at is not None:
            yield start_s, "acceleration", "0 kn", name, at * STEP_S, "s"
            yield start_s, "acceleration distance", "0 kn", name, float(gone_m[rise + at] - gone_m[rise]), "m"
    if boat.hull.planing:
        trim = np.degrees(motion.series["trim_rad"][span])
        top = int(np.argmax(trim))
        settled = float(trim[-round(SETTLED_S / STEP_S) :].mean())
        at = _first(trim[top:] <= settled + PLANING_TRIM_DEG)
        if trim[top] <= settled + 2.0 * PLANING_TRIM_DEG:  # no hump to tell it by
            volume = boat.displacement_kg / RHO_WATER_KG_PER_M3
            planing_m_s = PLANING_FROUDE * float(np.sqrt(G_M_PER_S2 * volume ** (1 / 3)))
            top, at = rise, _first(stw[rise:] * KN_M_PER_S >= planing_m_s)
        if at is not None:
            yield start_s, "acceleration", "0 kn", "plane", (top + at - rise) * STEP_S, "s"


def _stop(motion: Motion, boat: BoatModel, order_s: float, last_s: float) -> Iterator[_Told]:
    span = _span(order_s, last_s)
    whole = _mean_rpm(motion, boat)
    held = float(whole[max(span.start - round(5.0 / STEP_S), 0) : span.start].mean())
    fall = _first(whole[span] < (1.0 - LEFT_SHARE) * held)
    if fall is None:
        return
    begin = span.start + fall
    stw, heading = motion.series["stw_m_s"][begin : span.stop], motion.series["heading_rad"][begin : span.stop]
    along = stw * np.cos(heading - heading[0])
    for name, target in STOPPED_KN.items():
        at = _first(stw <= target * KN_M_PER_S)
        if at is None:
            continue
        start_s, from_ = begin * STEP_S, f"{stw[0] / KN_M_PER_S:.1f} kn"
        yield start_s, "stop time", from_, name, at * STEP_S, "s"
        yield start_s, "stop track reach", from_, name, float(np.abs(stw[:at]).sum() * STEP_S), "m"
        yield start_s, "stop head reach", from_, name, float(along[:at].sum() * STEP_S), "m"


def _turn(motion: Motion, boat: BoatModel, ordered: Ordered) -> Iterator[_Told]:
    span = _span(ordered.start_s, ordered.stop_s)
    drift = turn_drift_rad(motion.series, boat.hull)[span]
    stw, heading = motion.series["stw_m_s"][span], motion.series["heading_rad"][span]
    side = float(np.sign(ordered.phase.turn_deg))
    turned = np.degrees((heading - heading[0]) * side)
    course = heading - heading[0] - drift
    advance, transfer = np.cumsum(stw * np.cos(course)) * STEP_S, side * np.cumsum(stw * np.sin(course)) * STEP_S
    start_s, from_ = ordered.start_s, "0 deg"
    quarter, half = _first(turned >= 90.0), _first(turned >= 180.0)
    if quarter is not None:
        yield start_s, "turn advance", from_, "90 deg", float(advance[quarter]), "m"
        yield start_s, "turn transfer", from_, "90 deg", float(transfer[quarter]), "m"
    if half is not None:
        yield start_s, "turn tactical diameter", from_, "180 deg", float(transfer[half]), "m"
    rate_now = np.gradient(turned, STEP_S)
    beyond = turned >= STEADY_FROM_DEG
    held = np.flatnonzero(beyond & (rate_now >= EASED_SHARE * np.median(rate_now[beyond])))
    last = 10.0 * ((min(turned[held[-1]], abs(ordered.phase.turn_deg) - EASED_DEG)) // 10.0) if held.size else 0.0
    rounds = (last - STEADY_FROM_DEG) // 360.0
    first = last - 360.0 * rounds if rounds >= 1 else STEADY_FROM_DEG
    steady = (turned >= first) & (turned <= last)
    if steady.any():
        rate = float((heading[steady][-1] - heading[steady][0]) * side) / (STEP_S * (int(steady.sum()) - 1))
        mean = float(stw[steady].mean())
        approach = float(motion.series["stw_m_s"][span.start - round(8.0 / STEP_S) : span.start].mean())
        names = f"{first:.0f} deg", f"{last:.0f} deg"
        yield start_s, "turn steady diameter", *names, 2.0 * mean / rate, "m"
        yield start_s, "turn speed kept", *names, 100.0 * mean / approach, "%"
        yield start_s, "turn rate", *names, float(np.degrees(rate)), "deg/s"
