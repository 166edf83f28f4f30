"""What a perfect measurement of each manoeuvre would find, from the motion without waves and sensors; pure.

The definitions are those of `trialcapture.measure`: an acceleration and a stop begin where the engine speed leaves its
level, a turn where the helm is ordered over; speeds and distances are those through the water.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.hull import RHO_WATER_KG_PER_M3
from trialcapture.rehearse.motion import STEP_S, Floats, Motion, Ordered, turn_drift_rad
from trialcapture.rehearse.scenarios import LABEL_ACCELERATION, LABEL_ASTERN, LABEL_CIRCLE, LABEL_COAST
from trialcapture.rehearse.truth import utc_text
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

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
