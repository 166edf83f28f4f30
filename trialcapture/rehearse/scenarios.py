"""Plans of a trial, and named trials: a boat, a plan, a sea, sensors with their faults, how it is written down.

Every place is invented open sea; every boat is invented.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from typing import Any, Literal, get_args

from trialcapture.config import PlannedManoeuvre
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.boats import (
    OLD_SEDGE,
    SMALL_TERN,
    TARN_PLOVER,
    BoatModel,
    Damage,
    FuelTank,
    Handling,
    Instruments,
    Laptop,
    LogStyle,
    Outage,
    Receiver,
    Repeatability,
    Wire,
)
from trialcapture.rehearse.sea import Front, Sea

# ------------------------------------------------------------------------------
# What is ordered during a trial: a list of phases, built from the boat's steps and from a plan people can read.
#
# A phase holds until its time is up, or, for a turn, until the new heading is reached.
# ------------------------------------------------------------------------------

Kind = Literal["neutral", "blip", "hold", "turn", "ramp", "circle", "astern"]

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
            ``ramp`` rpm slowly from one value to another; ``astern`` gear astern until she lies still.
        duration_s: How long [s]; for ``turn`` the longest time allowed.
        rpm: Engine speed wanted, `FULL` for full throttle; the highest speed of a ``blip``.
        rpm_from: Where a ``ramp`` begins.
        heading_deg: Heading wanted [deg true].
        turn_deg: Degrees to turn, starboard positive, of a ``circle``.
        label: What it is for.
        hand_s: How long the hand takes to move the levers [s]; None for as long as it takes to set a step.
    """

    kind: Kind
    duration_s: float
    rpm: float = 0.0
    rpm_from: float = 0.0
    heading_deg: float = 0.0
    turn_deg: float = 0.0
    label: str = ""
    hand_s: float | None = None


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
        manoeuvres: Whether ramps, accelerations from idle ahead and turning circles are run; or a list of those that
            are run in full: ``acceleration`` from rest, both ways; ``stop`` in neutral and with the gear astern, both
            ways; ``turn`` twice round to each side; ``slow_planing`` down and up through the hump.
        marks: Whether the throttle is blipped three times at start and end.
        up_then_down: Whether all steps are run one way from slow to fast, then all back from fast to slow.
        one_way: Steps that are run one way only, by their place in the ladder; -1 is the last.
        drift_s: How long the boat lies still in neutral before, half way through and after the steps [s].
        second_axis_deg: Heading of a second line of runs [deg true]: steps begin on one line and the other in turn,
            and change it after every two runs; None for one line.
        idle_share: How long the engines idle before and after, over the usual.
    """

    axis_deg: float
    steps_rpm: tuple[float, ...]
    hold_s: float = 140.0
    full_throttle: bool = True
    reciprocal: bool = True
    ways: int = 2
    rounds: int = 1
    warm_up_s: float = 600.0
    manoeuvres: bool | tuple[PlannedManoeuvre, ...] = True
    marks: bool = True
    up_then_down: bool = False
    one_way: tuple[int, ...] = ()
    drift_s: float = 0.0
    second_axis_deg: float | None = None
    idle_share: float = 1.0


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
    for key in sorted(set(data) & {"axis_deg", "hold_s", "warm_up_s", "drift_s", "second_axis_deg", "idle_share"}):
        if not _is_number(data[key]) or data[key] < 0:
            faults.append(f"{key}: must be a number, 0 or above")
    for key in sorted(set(data) & {"ways", "rounds"}):
        if not isinstance(data[key], int) or isinstance(data[key], bool) or data[key] < 1:
            faults.append(f"{key}: must be a whole number above 0")
    listed = data.get("manoeuvres")
    if isinstance(listed, list) and all(name in get_args(PlannedManoeuvre) for name in listed):
        # a sound level is read, not driven
        data["manoeuvres"] = tuple(name for name in listed if name != "sound") or False
    for key in sorted(set(data) & {"full_throttle", "reciprocal", "manoeuvres", "marks", "up_then_down"}):
        if not isinstance(data[key], bool | tuple):
            also = f", or a list of {', '.join(get_args(PlannedManoeuvre))}" if key == "manoeuvres" else ""
            faults.append(f"{key}: must be true or false{also}")
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


def briefed(plan: Plan) -> Plan:
    """Return a version that is over in less than eight minutes, to be played live: two steps, nothing else."""
    steps = plan.steps_rpm
    picked = tuple(sorted({steps[(2 * len(steps)) // 3], steps[-1]}))
    return replace(
        plan, steps_rpm=picked, hold_s=68.0, warm_up_s=10.0, manoeuvres=False, marks=False, ways=min(plan.ways, 2),
        idle_share=0.2,
    )  # fmt: skip


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
    out: list[Phase] = [Phase("neutral", 45.0 * plan.idle_share, label="idle")]
    marks = [Phase("blip", 9.0, idle * 2.4, label=f"mark {n}") for n in (1, 2, 3)] if plan.marks else []
    out += [*marks, Phase("neutral", 25.0 * plan.idle_share, label="idle")]
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
                if plan.second_axis_deg is not None:
                    before, heading = heading, _on_line(plan, n, way, heading)
                    if heading != before:
                        out.append(Phase("turn", 240.0, heading_deg=heading, label="turn"))
                elif way or not plan.reciprocal:
                    heading = plan.axis_deg if not plan.reciprocal else (heading + 180.0) % 360.0
                    out.append(Phase("turn", 240.0, heading_deg=heading, label="turn"))
                out.append(Phase("hold", plan.hold_s, order, heading_deg=heading, label=f"step {rpm:.0f}"))
            if not plan.reciprocal:
                back = (plan.axis_deg + 180.0) % 360.0
                out.append(Phase("turn", 240.0, heading_deg=back, label="return"))
                out.append(Phase("ramp", plan.hold_s * 0.7, rpm * 0.8, rpm, back, label="return"))
        if plan.manoeuvres and lap == 0:
            if isinstance(plan.manoeuvres, bool):
                out += _manoeuvres(plan, boat, heading)
            else:
                out += _listed_manoeuvres(plan, boat, heading)
            heading = out[-1].heading_deg
        if lap + 1 < plan.rounds:
            out.append(Phase("ramp", 60.0, plan.steps_rpm[0], plan.steps_rpm[-1], heading, label="slow down"))
    out += [Phase("ramp", 12.0, idle, plan.steps_rpm[-1], heading, label="slow down")]
    out += [Phase("neutral", 120.0 * plan.idle_share, label="stop"), *drift, *marks]
    out.append(Phase("neutral", 40.0 * plan.idle_share, label="idle"))
    return tuple(out)


def _on_line(plan: Plan, step: int, way: int, heading: float) -> float:
    """Return the heading of a run where there are two lines: back on the same one, or the nearer way of the other."""
    if way % 2:
        return (heading + 180.0) % 360.0
    axes = (plan.axis_deg, plan.axis_deg if plan.second_axis_deg is None else plan.second_axis_deg)
    axis = axes[(step + way // 2) % 2]
    turned = (axis - heading + 180.0) % 360.0 - 180.0
    return axis % 360.0 if abs(turned) <= 90.0 else (axis + 180.0) % 360.0


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


LABEL_ACCELERATION, LABEL_COAST, LABEL_ASTERN = "acceleration from rest", "stop in neutral", "stop with the gear astern"
LABEL_CIRCLE = {1: "turn to starboard", -1: "turn to port"}
"""What manoeuvres of a list are labelled, for whoever tells the truth of them."""
_SLAM_S = 0.8
"""How long the levers take from idle to full when they are pushed at once (common practice, no source)."""
_REST_S = 25.0
"""She lies still so long before an acceleration (our choice)."""


def _listed_manoeuvres(plan: Plan, boat: BoatModel, heading: float) -> list[Phase]:
    """Return manoeuvres as they are driven to be measured: from rest, on a straight approach, both ways or sides."""
    wanted = plan.manoeuvres if isinstance(plan.manoeuvres, tuple) else ()
    idle, steps = boat.engine.idle_rpm, plan.steps_rpm
    fast = steps[-2] if len(steps) > 1 else steps[-1]
    other = (heading + 180.0) % 360.0
    ease = Phase("ramp", 10.0, idle, steps[-1], heading, label="slow down")
    out: list[Phase] = []
    if "slow_planing" in wanted:
        out += [
            Phase("ramp", 6.0, fast, steps[-1], heading, label="ease"),
            Phase("ramp", 280.0, steps[0], fast, heading, label="slow run-down"),
            Phase("ramp", 280.0, fast, steps[0], heading, label="slow run-up"),
        ]
    if "turn" in wanted:
        for side in (1, -1):
            out += [
                Phase("hold", 35.0, fast, heading_deg=heading, label="approach"),
                Phase("circle", 400.0, turn_deg=720.0 * side, heading_deg=heading, label=LABEL_CIRCLE[side]),
            ]
        out.append(Phase("hold", 20.0, fast, heading_deg=heading, label="steady up"))
    ends = [way for way in ("neutral", "astern") if "stop" in wanted]
    for way in (heading, other) if "acceleration" in wanted or ends else ():
        lies_still = bool(out) and out[-1].kind == "astern"
        out += [
            Phase("ramp", 5.0, idle, idle, way, label="clutch in") if lies_still else replace(ease, heading_deg=way),
            Phase("turn", 240.0, heading_deg=way, label="turn"),
            Phase("ramp", 15.0, idle, idle, way, label="steady up"),
        ]
        for end in ends or ["none"]:
            out += [
                Phase("astern", 60.0, 1.6 * idle, heading_deg=way, label="take the way off", hand_s=1.0),
                Phase("neutral", _REST_S, heading_deg=way, label="lie still"),
                Phase("hold", 60.0, FULL, heading_deg=way, label=LABEL_ACCELERATION, hand_s=_SLAM_S),
            ]
            if end == "neutral":
                out.append(Phase("neutral", 170.0, heading_deg=way, label=LABEL_COAST))
            elif end == "astern":
                out.append(Phase("neutral", 1.5, heading_deg=way, label=LABEL_ASTERN))
                out.append(Phase("astern", 120.0, 2.0 * idle, heading_deg=way, label=LABEL_ASTERN, hand_s=2.0))
    last = other if "acceleration" in wanted or ends else heading
    return [*out, Phase("ramp", 10.0, steps[0], idle, last, label="get under way")]


Form = Literal["journal", "plain", "tagged"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A trial to be simulated.

    Attributes:
        name: What to ask for.
        summary: One line for the list.
        boat: The boat.
        plan: What is run.
        sea: Where.
        receivers: GNSS receivers, the best first.
        instruments: What else is on the bus.
        wires: How each source reaches the laptop.
        damage: What goes wrong on the way.
        laptop: The clocks of the recording laptop.
        logs: The engine loggers.
        start_utc: When it begins, ISO 8601.
        place: Name of the invented trial area.
        fuel_calibration: Factor and origin written into the settings, if the flow meter was checked.
        primary_gnss: Receiver named first in the settings, "" for none.
        vary: Whether current, wind and clocks differ a little from seed to seed.
        form: How the NMEA log is kept: the journal, plain sentences, or another logger's TAG blocks.
        trim_note: What the helm wrote down about trim.
        handling: How the levers are used.
        repeats: How well the boat repeats herself, in trials with errors.
        tank: How the fuel tank differs from what the settings say.
        fuel_calibration_u_pct: Standard uncertainty of the calibration written into the settings, and of the error
            drawn [%]; None where nobody states it.
        rpm_u_pct: Standard uncertainty of the engine speed as shown, written into the settings [%]; None where nobody
            states it.
        current_max_kn: Strongest stream by the chart, written into the settings [kn]; None where nobody looked it up.
        tells_settled: Whether the truth tells what the boat would settle at, and how far, as
            `trialcapture.rehearse.truth.tell_settled` does.
    """

    name: str
    summary: str
    boat: BoatModel
    plan: Plan
    sea: Sea
    receivers: tuple[Receiver, ...] = (
        Receiver(),
        Receiver(
            source="ins1", talker="GN", rate_hz=1.0, sentences=("RMC", "GGA"), slow=(), velocity_sd_kn=0.14,
            position_sd_m=2.5, latency_s=0.24, jitter_s=0.08, forward_m=2.5, starboard_m=-0.8, height_m=4.0,
            minute_decimals=4, sog_decimals=1,
        ),
    )  # fmt: skip
    instruments: Instruments = field(default_factory=Instruments)
    wires: tuple[Wire, ...] = (Wire("gps1", 38400), Wire("ins1", 0, 0.004))
    damage: Damage = field(default_factory=lambda: Damage(flipped=0.0002, cut=0.0001))
    laptop: Laptop = field(default_factory=Laptop)
    logs: tuple[LogStyle, ...] = (LogStyle(),)
    start_utc: str = "2026-05-14T08:30:07+00:00"
    place: str = "Orrin Bank, open sea"
    fuel_calibration: tuple[float, str] | None = None
    primary_gnss: str = ""
    vary: bool = True
    form: Form = "journal"
    trim_note: str = "tabs 20 %, both sides"
    handling: Handling = field(default_factory=Handling)
    repeats: Repeatability = field(default_factory=Repeatability)
    tank: FuelTank = field(default_factory=FuelTank)
    fuel_calibration_u_pct: float | None = None
    rpm_u_pct: float | None = None
    current_max_kn: float | None = None
    tells_settled: bool = False


_PLAN = Plan(axis_deg=75.0, steps_rpm=TARN_PLOVER.steps_rpm)
_SEA = Sea(latitude_deg=48.3125, longitude_deg=-7.9054)

TWIN = Scenario(
    "twin-planing", "two-engine planing motor yacht, 24 t, 10 Hz GNSS, engine log minutes off",
    TARN_PLOVER, _PLAN, _SEA,
)  # fmt: skip

_COARSE = Receiver(
    source="bus", talker="GP", rate_hz=1.0, sentences=("RMC", "GGA"), slow=("GLL",), velocity_sd_kn=0.12,
    velocity_memory_s=5.0, position_sd_m=2.5, latency_s=0.28, jitter_s=0.06, minute_decimals=3, sog_decimals=1,
    time_decimals=0, mode_field=False,
)  # fmt: skip

SEDGE = Scenario(
    "displacement", "single-engine displacement boat, 10 t, 5 Hz GNSS, decimal commas and local time in the log",
    OLD_SEDGE,
    Plan(axis_deg=118.0, steps_rpm=OLD_SEDGE.steps_rpm, hold_s=150.0),
    Sea(
        latitude_deg=-38.9021, longitude_deg=147.8876, current_kn=0.6, current_towards_deg=250.0, wind_kn=8.0,
        wind_from_deg=300.0, wave_height_m=0.25, wave_period_s=3.0, wave_from_deg=310.0, depth_m=42.0,
        depth_relief_m=5.0, water_temp_c=17.6, variation_deg=11.8,
    ),
    receivers=(
        Receiver(talker="GN", rate_hz=5.0, sentences=("RMC", "GNS", "VTG"), slow=("ZDA",), velocity_sd_kn=0.06,
                 latency_s=0.16, forward_m=1.0, starboard_m=0.3, height_m=2.6),
    ),
    instruments=Instruments(
        heading="HDG", heading_hz=2.0, heading_error_deg=1.5, rpm_hz=2.0, rpm_sentence="XDR", rpm_quantum=1.0,
        wind_true=True, log_factor=1.04, log_offset_kn=-0.05, attitude_hz=1.0, turn_hz=1.0,
    ),
    wires=(Wire("gps1", 38400), Wire("ins1", 4800)),
    logs=(
        LogStyle(
            file="engine main.csv", quantities=(("rpm", "rpm", 0), ("fuel", "L/h", 2), ("coolant", "degC", 1)),
            clock_error_s=-412.0, drift_ppm=-35.0, zone="+10:00", time_format="%d.%m.%Y %H:%M:%S", delimiter=";",
            decimal=",", preamble=("Engine monitor;unit 3", "Exported log", ""), fuel_scale=1 / 1.031,
        ),
    ),
    start_utc="2026-02-11T22:40:30+00:00",
    place="Greyling Reach, open sea",
    fuel_calibration=(1.031, "tank to tank over 6 h"),
    trim_note="no tabs",
)  # fmt: skip

TERN = Scenario(
    "small-petrol", "single-engine petrol sports boat, 2.5 t, hysteresis at the hump, 5 Hz GNSS",
    SMALL_TERN,
    Plan(axis_deg=20.0, steps_rpm=SMALL_TERN.steps_rpm, hold_s=100.0),
    Sea(
        latitude_deg=43.8127, longitude_deg=9.2203, current_kn=0.3, current_towards_deg=310.0, wind_kn=5.0,
        wind_from_deg=160.0, wave_height_m=0.12, wave_period_s=2.2, wave_from_deg=165.0, depth_m=75.0,
        water_temp_c=21.4, variation_deg=3.1,
    ),
    receivers=(
        Receiver(source="bus", rate_hz=5.0, sentences=("RMC", "GGA"), slow=(), velocity_sd_kn=0.09,
                 forward_m=-1.5, starboard_m=0.0, height_m=1.6),
    ),
    instruments=Instruments(source="bus", heading="HDG", heading_error_deg=2.0, rpm_hz=2.0, rpm_quantum=10.0,
                            wind_hz=0.0, attitude_hz=2.0, depth_hz=1.0),
    wires=(Wire("bus", 38400),),
    logs=(
        LogStyle(
            file="outboard.csv", quantities=(("rpm", "rpm", 0), ("fuel", "US gal/h", 2), ("coolant", "degF", 0),
                                             ("oil", "psi", 0)),
            clock_error_s=61.0, drift_ppm=40.0, zone="-05:00", time_format="%m/%d/%Y %I:%M:%S %p", units_row=True,
        ),
    ),
    place="Selvane Deep, open sea",
    start_utc="2026-06-22T14:05:00+00:00",
    trim_note="drive trim 40 %",
)  # fmt: skip


def _current(name: str, words: str, towards_deg: float, speed_kn: float) -> Scenario:
    sea = replace(_SEA, current_kn=speed_kn, current_towards_deg=towards_deg, tide_share=0.5)
    return replace(TWIN, name=name, summary=f"the planing yacht in {speed_kn:g} kn of current {words}", sea=sea)


_HARD_OVER = replace(
    TARN_PLOVER,
    hull=replace(
        TARN_PLOVER.hull, turn_radius_m=70.0, turn_rate_max_deg_per_s=7.0, turn_drag=0.25, turn_drift_lengths=0.5,
        wave_fade_m_s=4.0,
    ),
)  # fmt: skip
_HARD_OVER_TERN = replace(
    SMALL_TERN,
    hull=replace(
        SMALL_TERN.hull, turn_radius_m=28.0, turn_rate_max_deg_per_s=20.0, turn_drag=0.25, turn_drift_lengths=0.5,
        wave_fade_m_s=3.0,
    ),
)  # fmt: skip
"""The boats as they behave with the helm hard over and the throttles closed; length over radius of the drift angle as
slender hulls have it (from memory), the rest common practice, no source."""
_HARD_PLAN = Plan(
    axis_deg=75.0, steps_rpm=(1400.0, 2000.0, 2320.0), hold_s=95.0, warm_up_s=60.0, marks=False,
    manoeuvres=("turn", "acceleration", "stop"),
)  # fmt: skip
MANOEUVRES = Scenario(
    "manoeuvres", "accelerations from rest, stops, and turns hard over to both sides, of the planing yacht",
    _HARD_OVER, _HARD_PLAN, _SEA,
)  # fmt: skip


_ALL = (
    TWIN,
    SEDGE,
    TERN,
    _current("current-ahead", "along the course", 75.0, 1.5),
    _current("current-abeam", "across the course", 165.0, 1.2),
    _current("current-quartering", "from the quarter", 30.0, 1.4),
    replace(
        TWIN, name="changing-tide", summary="the tide turns during the trial; three runs a step, alternating",
        plan=replace(_PLAN, ways=3, hold_s=115.0),
        sea=replace(_SEA, current_kn=1.6, current_towards_deg=82.0, tide_phase_deg=142.0, tide_share=1.0,
                    tide_turning=0.25),
    ),
    replace(
        TWIN, name="current-front", summary="a tide race: one side of a line has 0.7 kn more current",
        sea=replace(_SEA, current_kn=0.5, front=Front(900.0, 75.0, 60.0, 0.7, 60.0)),
    ),
    replace(
        TWIN, name="one-direction", summary="every step in one direction only",
        plan=replace(_PLAN, reciprocal=False),
        sea=replace(_SEA, current_kn=0.9, current_towards_deg=95.0),
    ),
    replace(
        TWIN, name="messy-bus", summary="bit flips, lost bytes, glued and cut sentences, noise, AIS, two talkers",
        damage=Damage(flipped=0.004, dropped=0.003, cut=0.003, glued=0.004, noise=0.002, ais_hz=2.0,
                      proprietary_hz=1.0),
        laptop=Laptop(wall_error_s=-40.0, drift_ppm=-60.0, steps=((0.25, 39.2), (0.6, -3600.0)), stall_share=0.01),
        logs=(LogStyle(missing_share=0.01, jitter_s=0.05, restart_share=0.55),),
    ),
    replace(
        TWIN, name="gnss-outages", summary="fixes lost, estimated or silent again and again; laptop clock stepped",
        receivers=(
            replace(TWIN.receivers[0], outages=(
                Outage(0.20, 40.0), Outage(0.33, 25.0, "silent"), Outage(0.45, 60.0, "estimated"),
                Outage(0.52, 8.0), Outage(0.62, 150.0, "silent"),
            )),
            TWIN.receivers[1],
        ),
        laptop=Laptop(steps=((0.3, 3600.0), (0.5, -3600.0))),
        primary_gnss="gps1",
    ),
    replace(
        TWIN, name="clock-zone", summary="the engine log is in local time, two hours off, and nobody declared it",
        logs=(LogStyle(zone="+02:00", declared_zone="+00:00", clock_error_s=-74.0,
                       time_format="%Y-%m-%d %H:%M:%S"),),
    ),
    replace(
        TWIN, name="coarse-1hz", summary="all on one 4800 baud line: 1 Hz, 0.1 kn, whole degrees, 10 rpm",
        receivers=(_COARSE,),
        instruments=Instruments(
            source="bus", heading="HDG", heading_hz=1.0, heading_decimals=0, heading_error_deg=2.0, depth_hz=0.5,
            wind_hz=0.5, log_hz=0.5, rpm_hz=1.0, rpm_quantum=10.0, attitude_hz=0.0, turn_hz=0.0,
        ),
        wires=(Wire("bus", 4800),),
        damage=Damage(flipped=0.0003, ais_hz=0.0, proprietary_hz=0.05),
    ),
    replace(
        TWIN, name="plain-nmea", summary="kept by another logger: plain sentences in one file, no TAG blocks",
        form="plain",
    ),
    replace(
        TWIN, name="log-per-engine", summary="one log an engine, with clocks of their own, US units, a totaliser",
        logs=(
            LogStyle(
                file="port engine.csv", engines=("port",), clock_error_s=95.0, drift_ppm=30.0,
                quantities=(("rpm", "rpm", 0), ("fuel", "US gal/h", 2), ("coolant", "degF", 0), ("boost", "psi", 1)),
                time_format="%m/%d/%Y %I:%M:%S %p", zone="-04:00",
            ),
            LogStyle(
                file="stbd engine.csv", engines=("stbd",), clock_error_s=-23.0, drift_ppm=-18.0,
                quantities=(("rpm", "rpm", 1), ("fuel_total", "L", 2), ("load", "%", 1)), time_format="unix_s",
                delimiter="\t",
            ),
        ),
    ),
    replace(
        TWIN, name="no-bus-rpm", summary="no engine on the bus: rpm and fuel only in the log, tied by the marks",
        instruments=Instruments(rpm_hz=0.0),
    ),
    replace(TWIN, name="no-engine-log", summary="no engine log at all: speed against rpm, no fuel", logs=()),
    MANOEUVRES,
    replace(
        MANOEUVRES, name="manoeuvres-small", summary="the same of the petrol sports boat, 5 Hz GNSS",
        boat=_HARD_OVER_TERN, plan=replace(_HARD_PLAN, axis_deg=20.0, steps_rpm=(3000.0, 4500.0, 5500.0)), sea=TERN.sea,
        receivers=TERN.receivers, instruments=TERN.instruments, wires=TERN.wires, logs=TERN.logs, place=TERN.place,
        trim_note=TERN.trim_note,
    ),
    replace(TWIN, name="midnight", summary="the trial runs over midnight UTC", start_utc="2026-05-14T23:40:07+00:00"),
)  # fmt: skip

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
"""Every named trial; the first one is the default."""

DEFAULT = _ALL[0].name
