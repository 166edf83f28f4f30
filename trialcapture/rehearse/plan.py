"""What is ordered during a trial: a list of phases, built from the boat's steps and from a plan people can read.

A phase holds until its time is up, or, for a turn, until the new heading is reached.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from typing import Any, Literal

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.boats import BoatModel

Kind = Literal["neutral", "blip", "hold", "turn", "ramp", "circle"]

FULL = float("inf")
"""Order for full throttle."""
_TURN_S, _OTHER_S, _MANOEUVRES_S = 42.0, 310.0, 1000.0
"""Rough times, for planning: a turn; start, end and marks; all manoeuvres [s]."""


@dataclass(frozen=True, slots=True)
class Phase:
    """One order to the helm.

    Attributes:
        kind: ``neutral`` engines idle, out of gear; ``blip`` a short burst in neutral; ``hold`` rpm and heading;
            ``turn`` to a heading and ``circle`` so many degrees at the rpm as it is;
            ``ramp`` rpm slowly from one value to another.
        duration_s: How long [s]; for ``turn`` the longest time allowed.
        rpm: Engine speed wanted, `FULL` for full throttle; the highest speed of a ``blip``.
        rpm_from: Where a ``ramp`` begins.
        heading_deg: Heading wanted [deg true].
        turn_deg: Degrees to turn, starboard positive, of a ``circle``.
        label: What it is for.
    """

    kind: Kind
    duration_s: float
    rpm: float = 0.0
    rpm_from: float = 0.0
    heading_deg: float = 0.0
    turn_deg: float = 0.0
    label: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """A trial plan.

    Attributes:
        axis_deg: Heading of the first way [deg true]; the other is its reciprocal.
        steps_rpm: Engine speeds to hold, the last one being full throttle where `full_throttle` is set.
        hold_s: How long each is held each way, settling included [s].
        full_throttle: Whether the last step is full throttle.
        reciprocal: Whether each step is run both ways.
        ways: Runs a step, alternating direction; 1 with ``reciprocal = false``.
        rounds: How often the whole ladder is run.
        warm_up_s: Time spent warming up under way [s].
        manoeuvres: Whether ramps, accelerations and turning circles are run.
        marks: Whether the throttle is blipped three times at start and end.
        up_then_down: Whether all steps are run one way from slow to fast, then all back from fast to slow.
        one_way: Steps that are run one way only, by their place in the ladder; -1 is the last.
        drift_s: How long the boat lies still in neutral before, half way through and after the steps [s].
    """

    axis_deg: float
    steps_rpm: tuple[float, ...]
    hold_s: float = 140.0
    full_throttle: bool = True
    reciprocal: bool = True
    ways: int = 2
    rounds: int = 1
    warm_up_s: float = 600.0
    manoeuvres: bool = True
    marks: bool = True
    up_then_down: bool = False
    one_way: tuple[int, ...] = ()
    drift_s: float = 0.0


def load_plan(text: str, where: str = "trial plan") -> Plan:
    """Read a trial plan from TOML text: the ``[plan]`` table; other tables are for people.

    Raises:
        TrialCaptureError: The text is no TOML, a key is unknown, or a value cannot be meant.
    """
    try:
        data: dict[str, Any] = dict(tomllib.loads(text).get("plan", {}))
    except tomllib.TOMLDecodeError as fault:
        raise TrialCaptureError("the trial plan is not TOML", seen=str(fault), where=where) from fault
    faults = [f"{key}: no such key" for key in data if key not in Plan.__dataclass_fields__]
    faults += [f"{key}: missing" for key in ("axis_deg", "steps_rpm") if key not in data]
    steps = data.get("steps_rpm", [])
    if not isinstance(steps, list) or not all(_is_number(step) and step > 0 for step in steps):
        faults.append("steps_rpm: must be a list of numbers above 0")
    elif sorted(set(steps)) != steps or not steps:
        faults.append("steps_rpm: must ascend")
    for key in sorted(set(data) & {"axis_deg", "hold_s", "warm_up_s", "drift_s"}):
        if not _is_number(data[key]) or data[key] < 0:
            faults.append(f"{key}: must be a number, 0 or above")
    for key in sorted(set(data) & {"ways", "rounds"}):
        if not isinstance(data[key], int) or isinstance(data[key], bool) or data[key] < 1:
            faults.append(f"{key}: must be a whole number above 0")
    for key in sorted(set(data) & {"full_throttle", "reciprocal", "manoeuvres", "marks", "up_then_down"}):
        if not isinstance(data[key], bool):
            faults.append(f"{key}: must be true or false")
    one_way = data.get("one_way", [])
    if not isinstance(one_way, list) or not all(isinstance(n, int) and -len(steps) <= n < len(steps) for n in one_way):
        faults.append("one_way: must be a list of places in steps_rpm, counted from 0, or from -1 backwards")
    if faults:
        raise TrialCaptureError("the trial plan has faults", seen="; ".join(faults), where=where)
    return Plan(**{**data, "steps_rpm": tuple(float(step) for step in steps), "one_way": tuple(one_way)})


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def shortened(plan: Plan) -> Plan:
    """Return a quick version for tests: three steps, short legs, no manoeuvres."""
    steps = plan.steps_rpm
    picked = tuple(sorted({steps[len(steps) // 4], steps[(2 * len(steps)) // 3], steps[-1]}))
    return replace(plan, steps_rpm=picked, hold_s=85.0, warm_up_s=60.0, manoeuvres=False, ways=min(plan.ways, 2))


def fitted(plan: Plan, hours: float) -> Plan:
    """Return the plan made longer or shorter, to last about so many hours.

    Steps and manoeuvres are left out, or the ladder is run again, and legs are held a little longer or shorter.

    Raises:
        TrialCaptureError: Not even one step fits.
    """
    wanted_s = hours * 3600.0
    legs = plan.ways if plan.reciprocal else 1
    turns_s = plan.ways * _TURN_S if plan.reciprocal else 0.7 * plan.hold_s + 2 * _TURN_S
    per_step_s = legs * plan.hold_s + turns_s
    count = len(plan.steps_rpm)
    other_s = _OTHER_S + plan.warm_up_s + (_MANOEUVRES_S if plan.manoeuvres else 0.0)
    if wanted_s < other_s + 0.9 * per_step_s * count and plan.manoeuvres:
        plan = replace(plan, manoeuvres=False, warm_up_s=min(plan.warm_up_s, 60.0))
        other_s = _OTHER_S + plan.warm_up_s
    room = (wanted_s - other_s) / per_step_s
    if room < 0.8:
        least_h = (other_s + 0.8 * per_step_s) / 3600.0
        raise TrialCaptureError(
            "a trial cannot be that short", seen=hours, where="hours", expected=f"ask for {least_h:.2f} h or more"
        )
    rounds = max(1, round(room / count))
    many = count if room >= 0.9 * count else max(1, round(room))
    kept = {plan.steps_rpm[-1 - round(k * (count - 1) / max(many - 1, 1))] for k in range(many)}
    spare_s = (wanted_s - other_s) / (rounds * many) - turns_s
    hold_s = min(max(spare_s / legs, 0.75 * plan.hold_s), 1.6 * plan.hold_s)
    return replace(plan, steps_rpm=tuple(sorted(kept)), rounds=rounds, hold_s=hold_s)


def build_phases(plan: Plan, boat: BoatModel) -> tuple[Phase, ...]:
    """Return the orders of a whole trial.

    Steps run from slow to fast; each step's second way needs one turn, and the next step begins on the heading
    the last one ended with. Engines are warmed, and boats sent back, with the rpm changing all the time, as in no
    measured leg.
    """
    idle = boat.engine.idle_rpm
    out: list[Phase] = [Phase("neutral", 45.0, label="idle")]
    marks = [Phase("blip", 9.0, idle * 2.4, label=f"mark {n}") for n in (1, 2, 3)] if plan.marks else []
    out += [*marks, Phase("neutral", 25.0, label="idle")]
    out.append(Phase("ramp", 8.0, idle * 1.05, idle, plan.axis_deg, label="warm up"))
    out.append(Phase("ramp", plan.warm_up_s, idle * 1.7, idle * 1.05, plan.axis_deg, label="warm up"))
    slower = max(idle * 1.05, 0.85 * plan.steps_rpm[0])  # so that the first step too is reached from below
    out.append(Phase("ramp", 25.0, slower, idle * 1.7, plan.axis_deg, label="warm up"))
    heading = plan.axis_deg
    drift = [Phase("neutral", plan.drift_s, label="lie still")] if plan.drift_s > 0.0 else []
    out += drift
    single = {plan.steps_rpm[n] for n in plan.one_way}
    for lap in range(plan.rounds):
        if plan.up_then_down:
            out += _up_then_down(plan, heading, drift)
            heading = (heading + 180.0) % 360.0
        for n, rpm in enumerate(() if plan.up_then_down else plan.steps_rpm):
            out += drift if n == len(plan.steps_rpm) // 2 else []
            order = FULL if plan.full_throttle and rpm == plan.steps_rpm[-1] else rpm
            ways = plan.ways if plan.reciprocal and rpm not in single else 1
            for way in range(ways):
                if way or not plan.reciprocal:
                    heading = plan.axis_deg if not plan.reciprocal else (heading + 180.0) % 360.0
                    out.append(Phase("turn", 240.0, heading_deg=heading, label="turn"))
                out.append(Phase("hold", plan.hold_s, order, heading_deg=heading, label=f"step {rpm:.0f}"))
            if not plan.reciprocal:
                back = (plan.axis_deg + 180.0) % 360.0
                out.append(Phase("turn", 240.0, heading_deg=back, label="return"))
                out.append(Phase("ramp", plan.hold_s * 0.7, rpm * 0.8, rpm, back, label="return"))
        if plan.manoeuvres and lap == 0:
            out += _manoeuvres(plan, boat, heading)
            heading = out[-1].heading_deg
        if lap + 1 < plan.rounds:
            out.append(Phase("ramp", 60.0, plan.steps_rpm[0], plan.steps_rpm[-1], heading, label="slow down"))
    out += [Phase("ramp", 12.0, idle, plan.steps_rpm[-1], heading, label="slow down")]
    out += [Phase("neutral", 120.0, label="stop"), *drift, *marks, Phase("neutral", 40.0, label="idle")]
    return tuple(out)


def _up_then_down(plan: Plan, heading: float, drift: list[Phase]) -> list[Phase]:
    """Return all steps one way from slow to fast, then all the other way from fast to slow."""
    out: list[Phase] = []
    for way, steps in ((heading, plan.steps_rpm), ((heading + 180.0) % 360.0, plan.steps_rpm[::-1])):
        if out:
            out += [*drift, Phase("turn", 240.0, heading_deg=way, label="turn")]
        for rpm in steps:
            order = FULL if plan.full_throttle and rpm == plan.steps_rpm[-1] else rpm
            out.append(Phase("hold", plan.hold_s, order, heading_deg=way, label=f"step {rpm:.0f}"))
    return out


def _manoeuvres(plan: Plan, boat: BoatModel, heading: float) -> list[Phase]:
    idle, steps = boat.engine.idle_rpm, plan.steps_rpm
    fast = steps[-2] if len(steps) > 1 else steps[-1]
    other = (heading + 180.0) % 360.0
    out = [
        Phase("ramp", 6.0, fast, steps[-1], heading, label="ease"),
        Phase("ramp", 280.0, steps[0], fast, heading, label="slow run-down"),
        Phase("ramp", 280.0, fast, steps[0], heading, label="slow run-up"),
        Phase("circle", 180.0, turn_deg=360.0, heading_deg=heading, label="turning circle to starboard"),
        Phase("circle", 180.0, turn_deg=-360.0, heading_deg=heading, label="turning circle to port"),
    ]
    for way in (heading, other):
        out += [
            Phase("ramp", 5.0, idle, fast, way, label="slow down"),
            Phase("turn", 240.0, heading_deg=way, label="turn"),
            Phase("ramp", 25.0, idle, idle, way, label="before acceleration"),
            Phase("hold", 45.0, FULL, heading_deg=way, label="acceleration"),
        ]
    return out
