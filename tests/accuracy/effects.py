"""Trials in which everything that makes a band's value uncertain is drawn at once, one level a factor a trial.

The levels below are fixed; which of them a trial has, and what it then draws of it, follow from its seed alone. Levels
are drawn independently of each other, so every one of them is met with every other: the table of one factor averages
over all the rest.

Sizes are common practice, no source, unless a source stands beside them. They are written down here and not taken from
the reduction, whose uncertainties they test.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from trialcapture.config.sections import Trial as TrialSettings
from trialcapture.rehearse.boats import (
    OLD_SEDGE,
    SMALL_TERN,
    TARN_PLOVER,
    BoatModel,
    Damage,
    FuelTank,
    Instruments,
    Laptop,
    LogStyle,
    Receiver,
    Repeatability,
    Wire,
)
from trialcapture.rehearse.scenarios import Plan, Scenario
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.truth import USABLE_SHARE

Level = float | int | str

FIRST_SEED = 20_001

FACTORS: dict[str, tuple[Level, ...]] = {
    "boat": ("displacement", "sports", "yacht"),
    "run to run [kn]": (0.03, 0.1, 0.2, 0.35),
    "slow settling": ("none", "8 % at 25 s", "15 % at 60 s"),
    "wind [kn]": (0, 5, 10, 16),
    "wind angle": ("along", "oblique", "across"),
    "tank": ("not stated", "stated 1 %, 0.01", "stated 3 %, 0.02"),
    "tachometer": ("not stated", "stated 0.5 %", "stated 1 %"),
    "rpm in steps of": (1, 10, 25),
    "fuel": ("calibrated 0.5 %", "calibrated 1 %", "uncalibrated"),
    "wander": ("4 s", "4 s and little of 45 s", "4 s and much of 45 s"),
    "tide [kn/h]": (0.0, 0.5, 1.0, 1.5),
    "current [kn]": (0, 1, 2, 3),
    "lines": (1, 2),
    "runs a band": (1, 2, 3, 4),
    "bands": (1, 2, 3, 4, 5, 6, 7),
    "heading": ("yes", "no"),
    "wind instrument": ("yes", "no"),
    "hold [s]": (60, 90, 120, 180),
}
"""Every factor and its levels. The largest sizes are those the reduction is asked to stand."""

SLOW = {"none": (0.0, 60.0), "8 % at 25 s": (0.08, 25.0), "15 % at 60 s": (0.15, 60.0)}
"""Share of a change of speed that comes slowly, and its time constant [s]."""
WANDER = {
    "4 s": ((0.05, 4.0),),
    "4 s and little of 45 s": ((0.05, 4.0), (0.05, 45.0)),
    "4 s and much of 45 s": ((0.05, 4.0), (0.12, 45.0)),
}
"""Standard deviation [kn] and correlation time [s] of each part."""
TANK = {"not stated": (2.0, 0.015), "stated 1 %, 0.01": (1.0, 0.01), "stated 3 %, 0.02": (3.0, 0.02)}
"""Standard deviation of the tank's capacity [%] and of its usable share."""
TACHOMETER_SD_PCT = {"not stated": 0.1, "stated 0.5 %": 0.5, "stated 1 %": 1.0}
"""Standard deviation of the engine speed shown over the true one; engines that count teeth are those where nobody
states it."""
CALIBRATION_U_PCT = {"calibrated 0.5 %": 0.5, "calibrated 1 %": 1.0, "uncalibrated": None}
WIND_ANGLE_DEG = {"along": (0.0, 30.0), "oblique": (30.0, 60.0), "across": (60.0, 90.0)}
"""Angle between the first line of runs and the wind, either way."""

LOOKED_UP_KN = 1.5
"""Where the stream becomes stronger, the settings state the strongest one of the chart: a crew looks it up."""
AIR_C_LEAST, AIR_C_MOST = 0.45, 0.70
"""Drag coefficient of hull and superstructure, wind from ahead: about the 0.55 of a speed boat, within the 0.40 to 0.90
of other kinds (Blendermann 1994, J. Wind Eng. Ind. Aerodyn. 51:339, table of coefficients)."""
AIR_CROSS_C, AIR_DELTA = 0.90, 0.60
"""Of a speed boat: drag coefficient across, and cross-force parameter (same table)."""
FRONTAL_M2 = {"displacement": 9.5, "sports": 4.2, "yacht": 16.0}
"""Frontal area above water: beam times about the height of the superstructure."""
SIDE_OVER_FRONTAL = 2.6
"""Lateral over frontal area of a motor boat."""

RUNGS = 9
"""Engine speeds, evenly spaced, from which those of a trial are drawn."""
BOATS: dict[str, BoatModel] = {"displacement": OLD_SEDGE, "sports": SMALL_TERN, "yacht": TARN_PLOVER}


@dataclass(frozen=True)
class Drawn:
    """A trial as drawn: its levels, and the scenario with everything they stand for."""

    seed: int
    levels: Mapping[str, Level]
    scenario: Scenario


def draw_levels(rng: np.random.Generator) -> dict[str, Level]:
    """Return one level of every factor, each with equal chance and independent of the others."""
    return {name: levels[int(rng.integers(len(levels)))] for name, levels in FACTORS.items()}


def draw(seed: int, **fixed: Level) -> Drawn:
    """Return the trial of a seed; `fixed` replaces levels (blanks and units of a name left out) of the same draw."""
    rng = np.random.default_rng(seed)
    levels = draw_levels(rng)
    for key, level in fixed.items():
        name = next(n for n in FACTORS if n.split(" [")[0].replace(" ", "_") == key)
        levels[name] = level
    return Drawn(seed, levels, _scenario(levels, rng))


def _scenario(levels: Mapping[str, Level], rng: np.random.Generator) -> Scenario:
    kind = str(levels["boat"])
    plain = BOATS[kind]
    boat = _with_air(plain, kind, float(rng.uniform(AIR_C_LEAST, AIR_C_MOST)))
    share, time_s = SLOW[str(levels["slow settling"])]
    boat = replace(boat, hull=replace(boat.hull, slow_share=share, slow_s=time_s))
    plan = _plan(levels, boat, rng)
    sea, strongest_kn = _sea(levels, plan, rng)
    factor = 1.0 + float(rng.standard_normal()) * TACHOMETER_SD_PCT[str(levels["tachometer"])] / 100.0
    u_pct = CALIBRATION_U_PCT[str(levels["fuel"])]
    scale = 1.0 if u_pct is None else 1.0 / 1.02
    tachometer = str(levels["tachometer"])
    return Scenario(
        "all-effects",
        "every effect drawn at once",
        boat,
        plan,
        sea,
        receivers=(
            Receiver(source="bus", rate_hz=2.0, sentences=("RMC",), slow=(), forward_m=0.0, starboard_m=0.0,
                     height_m=2.0, time_decimals=1),
        ),
        instruments=Instruments(
            source="bus",
            heading_hz=1.0 if levels["heading"] == "yes" else 0.0,
            wind_hz=1.0 if levels["wind instrument"] == "yes" else 0.0,
            depth_hz=0.2, log_hz=0.0, attitude_hz=0.0, turn_hz=0.0, temperature_hz=0.0, rpm_hz=1.0,
            rpm_quantum=float(levels["rpm in steps of"]), rpm_factor=factor,
        ),
        wires=(Wire("bus", 38400),),
        damage=Damage(ais_hz=0.0, proprietary_hz=0.0),
        laptop=Laptop(steps=()),
        logs=(
            LogStyle(
                quantities=(("rpm", "rpm", 0), ("fuel", "L/h", 2)), clock_error_s=float(rng.uniform(-90.0, 90.0)),
                drift_ppm=float(rng.normal(0.0, 20.0)), rpm_factor=factor, fuel_scale=scale,
            ),
        ),
        fuel_calibration=None if u_pct is None else (1.02, "tank to tank"),
        fuel_calibration_u_pct=u_pct,
        current_max_kn=_charted_kn(strongest_kn),
        rpm_u_pct=None if tachometer == "not stated" else TACHOMETER_SD_PCT[tachometer],
        vary=False,
        repeats=Repeatability(float(levels["run to run [kn]"]), WANDER[str(levels["wander"])]),
        tank=_tank(str(levels["tank"]), rng),
        tells_settled=True,
    )  # fmt: skip


def _with_air(boat: BoatModel, kind: str, coefficient: float) -> BoatModel:
    across = coefficient / SIDE_OVER_FRONTAL
    oblique = AIR_DELTA / 2.0 * (1.0 - across / AIR_CROSS_C)
    hull = replace(boat.hull, air_drag_m2=coefficient * FRONTAL_M2[kind], air_oblique=oblique)
    return replace(boat, hull=hull)


def _plan(levels: Mapping[str, Level], boat: BoatModel, rng: np.random.Generator) -> Plan:
    # up to the step before the last one, which is full throttle and not an engine speed that is asked for
    ladder = np.round(np.linspace(boat.steps_rpm[0], boat.steps_rpm[-2], RUNGS), -1)
    chosen = np.sort(rng.choice(ladder, int(levels["bands"]), replace=False)).tolist()
    axis = float(rng.integers(0, 360))
    across = (axis + float(rng.choice([60.0, 90.0, 120.0]))) % 360.0
    return Plan(
        axis_deg=axis,
        steps_rpm=tuple(chosen),
        hold_s=float(levels["hold [s]"]),
        full_throttle=False,
        ways=int(levels["runs a band"]),
        warm_up_s=40.0,
        manoeuvres=False,
        marks=False,
        second_axis_deg=across if levels["lines"] == 2 else None,
        idle_share=0.2,
    )


def _charted_kn(strongest_kn: float) -> float | None:
    """Return the strongest stream by the chart, in half knots; None where it is too weak for anybody to look it up."""
    # a program that knows no such setting cannot be told
    if strongest_kn <= LOOKED_UP_KN or "current_max_kn" not in TrialSettings.model_fields:
        return None
    return float(np.ceil(2.0 * strongest_kn) / 2.0)


def _sea(levels: Mapping[str, Level], plan: Plan, rng: np.random.Generator) -> tuple[Sea, float]:
    """Return the sea, and how strong the stream becomes at most [kn]."""
    low, high = WIND_ANGLE_DEG[str(levels["wind angle"])]
    angle = float(rng.uniform(low, high)) * float(rng.choice([-1.0, 1.0])) + float(rng.choice([0.0, 180.0]))
    wind_kn = float(levels["wind [kn]"])
    wind_from = (plan.axis_deg + angle) % 360.0
    # the stream grows or shrinks along its direction, and has the drawn strength half way through
    rate = float(levels["tide [kn/h]"]) * float(rng.choice([-1.0, 1.0]))
    legs = len(plan.steps_rpm) * plan.ways
    half_h = (120.0 + legs * (plan.hold_s + 35.0)) / 2.0 / 3600.0
    middle_kn = float(levels["current [kn]"])
    sea = Sea(
        latitude_deg=47.5, longitude_deg=-8.2,
        current_kn=middle_kn - rate * half_h,
        current_towards_deg=float(rng.uniform(0.0, 360.0)),
        tide_share=0.0, tide_turning=0.0, tide_rate_kn_per_h=rate,
        wind_kn=wind_kn, wind_from_deg=wind_from,
        wave_height_m=0.1 + 0.01 * wind_kn, wave_period_s=2.5, wave_from_deg=wind_from,
        depth_m=80.0,
    )  # fmt: skip
    return sea, middle_kn + abs(rate) * half_h


def _tank(level: str, rng: np.random.Generator) -> FuelTank:
    capacity_pct, usable = TANK[level]
    errors = rng.standard_normal(2)
    stated = None if level == "not stated" else (capacity_pct, usable)
    # of no tank can more than all be used
    return FuelTank(capacity_pct * float(errors[0]), min(usable * float(errors[1]), 1.0 - USABLE_SHARE), stated)
