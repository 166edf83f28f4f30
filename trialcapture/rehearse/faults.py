"""Faults that a simulated trial can have: each is data, goes with any scenario it fits, and with other faults.

A fault changes settings of what is on board; the classes in `trialcapture.rehearse.boats`, the plan, the hull and the
sea say what each setting does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, TypeVar

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.boats import (
    Frozen,
    Handling,
    Hull,
    Instruments,
    LogStyle,
    Outage,
    PositionJumps,
    Receiver,
    Silences,
    SpeedError,
    SpeedSpikes,
    TimeError,
    When,
    Wire,
    WrongRpm,
)
from trialcapture.rehearse.motion import Ordered, spans_s
from trialcapture.rehearse.scenarios import Plan, Scenario
from trialcapture.rehearse.sea import Sea, Wakes
from trialcapture.rehearse.truth import utc_text

Touches = Literal["receiver", "other receiver", "rpm", "fuel", "log clock", "log", "fields", "time", "boat", "depth"]

_Part = TypeVar("_Part", bound=Any)

_CLASSES = {
    "receiver": Receiver, "log": LogStyle, "instruments": Instruments, "sea": Sea, "plan": Plan, "hull": Hull,
    "handling": Handling, "scenario": Scenario,
}  # fmt: skip
_TALKERS = ("GP", "GN", "GL", "GA")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault, as changes of settings; a setting that is an empty tuple in a sound trial is added to.

    Attributes:
        name: What to ask for.
        summary: One line for the list.
        touches: What it spoils: the first receiver (``receiver``), one put beside it (``other receiver``), rpm,
            fuel, the engine log's clock or rows, fields of sentences, the receiver's time, depth, or nothing but
            the way the boat and her crew behave (``boat``).
        acts: When it acts.
        loses: Whether legs it acts in have no sound reading left of what it touches. A leg of a wrong receiver is
            not lost where another receiver is sound.
        size: Its size.
        unit: Unit of `size`.
        beside: Changes of the first receiver that make another one beside it, which sends RMC and GGA, at most
            5 Hz; its talker is one not used yet, its source, where given, a new wire.
        is_first: Whether the one beside comes first in the settings.
        receiver: Changes of the first receiver.
        receivers: Changes of every receiver.
        log: Changes of every engine log; there must be one.
        any_log: The same, where there may be none.
        instruments, sea, plan, hull, handling, scenario: Changes of those.
        least_engines: How many engines the boat must have.
    """

    name: str
    summary: str
    touches: Touches
    acts: When = field(default_factory=When)
    loses: bool = False
    size: float | None = None
    unit: str = ""
    beside: Mapping[str, Any] = field(default_factory=dict)
    is_first: bool = False
    receiver: Mapping[str, Any] = field(default_factory=dict)
    receivers: Mapping[str, Any] = field(default_factory=dict)
    instruments: Mapping[str, Any] = field(default_factory=dict)
    log: Mapping[str, Any] = field(default_factory=dict)
    any_log: Mapping[str, Any] = field(default_factory=dict)
    sea: Mapping[str, Any] = field(default_factory=dict)
    plan: Mapping[str, Any] = field(default_factory=dict)
    hull: Mapping[str, Any] = field(default_factory=dict)
    handling: Mapping[str, Any] = field(default_factory=dict)
    scenario: Mapping[str, Any] = field(default_factory=dict)
    least_engines: int = 1

    def misfit(self, run: Scenario) -> str:
        """Return why the fault cannot be had in a scenario, "" where it can."""
        if len(run.boat.engine_ids) < self.least_engines:
            return f"needs {self.least_engines} engines"
        if self.log and not run.logs:
            return "needs an engine log"
        if "rpm_form" in self.instruments and run.instruments.rpm_sentence != "RPM":
            return "needs RPM sentences"
        if any(key.startswith("rpm_") for key in self.instruments) and run.instruments.rpm_hz <= 0.0:
            return "needs rpm on the network"
        return ""

    def applied(self, run: Scenario) -> Scenario:
        """Return the scenario with this fault.

        Raises:
            TrialCaptureError: The scenario has not what the fault is about.
        """
        if why := self.misfit(run):
            raise TrialCaptureError(
                "this fault does not fit the scenario", seen=self.name, where=run.name, expected=why
            )
        first, *others = run.receivers
        receivers = [_changed(first, self.receiver), *others]
        receivers = [_changed(receiver, self.receivers) for receiver in receivers]
        wires = run.wires
        if self.beside:
            source = self.beside.get("source", first.source)
            used = {receiver.talker for receiver in receivers if receiver.source == source}
            talker = next(name for name in _TALKERS if name not in used)
            added = replace(
                first, talker=talker, is_beside=True, sentences=("RMC", "GGA"), slow=(), rate_hz=min(first.rate_hz, 5.0)
            )
            added = _changed(added, self.beside)
            receivers = [added, *receivers] if self.is_first else [*receivers, added]
            if source not in {wire.source for wire in wires}:
                wire = Wire(source, 38400)
                wires = (wire, *wires) if self.is_first else (*wires, wire)
        run = replace(
            run,
            receivers=tuple(receivers),
            wires=wires,
            instruments=_changed(run.instruments, self.instruments),
            logs=tuple(_changed(style, {**self.log, **self.any_log}) for style in run.logs),
            sea=_changed(run.sea, self.sea),
            plan=_changed(run.plan, self.plan),
            handling=_changed(run.handling, self.handling),
            boat=replace(run.boat, hull=_changed(run.boat.hull, self.hull)),
        )
        return _changed(run, self.scenario)


def _changed(part: _Part, changes: Mapping[str, Any]) -> _Part:
    """Return a setting's class with changes; a tuple that is empty by default is added to, others are replaced."""
    if not changes:
        return part
    made = {k: getattr(part, k) + v if _is_added_to(type(part), k) else v for k, v in changes.items()}
    return replace(part, **made)


def _is_added_to(kind: type[Any], name: str) -> bool:
    return {f.name: f.default for f in fields(kind)}[name] == ()


def conflicts(one: Fault, other: Fault) -> bool:
    """Return whether two faults change the same setting, so that they cannot both be had."""
    if one.name == other.name or (one.beside and other.beside):
        return True
    return any(
        not _is_added_to(_CLASSES[part], key)
        for part, changes in _settings(one).items()
        for key in changes.keys() & _settings(other)[part].keys()
    )


def _settings(fault: Fault) -> dict[str, Mapping[str, Any]]:
    """Return the changes of a fault by what is changed."""
    return {
        "receiver": {**fault.receiver, **fault.receivers},
        "log": {**fault.log, **fault.any_log},
        **{part: getattr(fault, part) for part in ("instruments", "sea", "plan", "hull", "handling", "scenario")},
    }


def tell_faults(
    faults: Sequence[Fault],
    run: Scenario,
    ordered: Sequence[Ordered],
    steps: Sequence[Mapping[str, Any]],
    start_utc_ns: int,
    end_s: float,
) -> list[dict[str, Any]]:
    """Return what is wrong in a trial, ready for JSON.

    Args:
        faults: The faults.
        run: The scenario with them.
        ordered: The phases as run.
        steps: The steady stretches, as the truth tells them.
        start_utc_ns: UTC at the start of the simulation [ns].
        end_s: Length of the trial [s].

    Returns:
        For each fault its name, size and unit, ``spans`` (from when to when), ``legs`` (which of `steps` it acts
        in, where it touches what they are made from), ``lost`` (which of those have no sound reading left), and
        ``bands``: of the legs.
    """
    out = []
    for fault in faults:
        spans = [(utc_text(start_utc_ns, a), utc_text(start_utc_ns, b)) for a, b in spans_s(fault.acts, ordered, end_s)]
        is_spoilt = fault.touches not in ("other receiver", "boat")
        legs = [
            n
            for n, step in enumerate(steps)
            if is_spoilt and any(a < step["steady_stop_utc"] and b > step["steady_start_utc"] for a, b in spans)
        ]
        is_replaced = fault.touches == "receiver" and any(_is_sound(receiver) for receiver in run.receivers)
        out.append(
            {
                "name": fault.name,
                "touches": fault.touches,
                "size": fault.size,
                "unit": fault.unit,
                "spans": [list(span) for span in spans],
                "legs": legs,
                "lost": legs if fault.loses and not is_replaced else [],
                "bands": sorted({steps[n]["nominal_rpm"] for n in legs}),
            }
        )
    return out


def _is_sound(receiver: Receiver) -> bool:
    """Return whether nothing is wrong with a receiver's speed and position."""
    return not (receiver.speed_errors or receiver.frozen or receiver.spikes or receiver.jumps or receiver.smoothing_s)


# ------------------------------------------------------------------------------
# Every fault by name, with the sizes met in the trade (common practice, no source).
# ------------------------------------------------------------------------------

_WHOLE = When()
_ONE_STEP = When(step=0.5)
"""The middle step of the trial, whole."""
_TEN_MINUTES = When(share=0.4, duration_s=600.0)
"""Ten minutes in the middle of the trial."""
_OFTEN_VOID = (Outage(0.0, 90.0), *(Outage(0.16 + 0.04 * n, 3.0) for n in range(20)))
"""A late first fix and moments without one, none long enough to cost a hold."""


def _other(name: str, words: str, size: float, unit: str, error: SpeedError) -> tuple[Fault, ...]:
    """Return the faults of a wrong receiver beside the right one: with the same coverage, more, and first."""
    wrong = {"speed_errors": (error,)}
    return (
        Fault(
            f"other-receiver-{name}", f"a second receiver beside the right one, on its wire, reads {words} high",
            "other receiver", size=size, unit=unit, beside=wrong,
        ),
        Fault(
            f"other-receiver-{name}-covers-more",
            f"a second receiver reads {words} high, and the right one is void now and then",
            "other receiver", size=size, unit=unit, beside=wrong | {"outages": ()},
            receiver={"outages": _OFTEN_VOID},
        ),
        Fault(
            f"other-receiver-{name}-first",
            f"a second receiver on a wire of its own, first in the settings, reads {words} high",
            "other receiver", size=size, unit=unit, beside=wrong | {"source": "aux1"}, is_first=True,
        ),
    )  # fmt: skip


_RECEIVERS = (
    *_other("3kn-high", "3 kn", 3.0, "kn", SpeedError(offset_kn=3.0)),
    *_other("10pct-high", "10 %", 10.0, "%", SpeedError(factor=1.10)),
    Fault(
        "speed-5pct-high", "the first receiver's speed is 5 % high throughout, its positions are right", "receiver",
        loses=True, size=5.0, unit="%", receiver={"speed_errors": (SpeedError(factor=1.05),)},
    ),
    Fault(
        "speed-high-in-one-band", "the first receiver reads 1.5 kn high in the runs of one step, positions right",
        "receiver", _ONE_STEP, loses=True, size=1.5, unit="kn",
        receiver={"speed_errors": (SpeedError(_ONE_STEP, offset_kn=1.5),)},
    ),
    Fault(
        "frozen-both", "the first receiver repeats its position and speed for 10 min while its time runs on",
        "receiver", _TEN_MINUTES, loses=True, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES),)},
    ),
    Fault(
        "frozen-speed", "the first receiver repeats its speed and course for 10 min", "receiver", _TEN_MINUTES,
        loses=True, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES, "speed"),)},
    ),
    Fault(
        "frozen-position", "the first receiver repeats its position for 10 min, its speed is right", "receiver",
        _TEN_MINUTES, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES, "position"),)},
    ),
    Fault(
        "speed-spikes", "the first receiver's speed jumps up by 6 kn for one fix every 30 s", "receiver",
        size=6.0, unit="kn", receiver={"spikes": (SpeedSpikes(30.0, 6.0),)},
    ),
    Fault(
        "position-jumps", "the first receiver's position jumps 40 m aside for 5 s every 70 s, its speed is right",
        "receiver", size=40.0, unit="m", receiver={"jumps": (PositionJumps(70.0, 40.0),)},
    ),
    Fault(
        "heavy-smoothing", "the first receiver smooths speed and course with a time constant of 8 s", "receiver",
        size=8.0, unit="s", receiver={"smoothing_s": 8.0},
    ),
)  # fmt: skip

_LOGS = (
    *(
        Fault(
            f"log-clock-set-{name}", f"the engine log's clock is set by {words} half way", "log clock",
            size=step_s, unit="s", log={"clock_steps": ((0.52, step_s),)},
        )
        for name, words, step_s in (
            ("back-120s", "-120 s", -120.0), ("back-40s", "-40 s", -40.0), ("back-10s", "-10 s", -10.0),
            ("on-25s", "+25 s", 25.0), ("on-1h", "+1 h", 3600.0),
        )
    ),
    Fault(
        "log-pauses", "the engine log pauses three times for 20 to 50 s", "log", size=50.0, unit="s",
        log={"pauses": ((0.3, 50.0), (0.55, 20.0), (0.8, 35.0))},
    ),
    Fault(
        "log-restarts", "the engine log pauses for 30 s, begins again with headings, its clock set by -70 s",
        "log clock", size=-70.0, unit="s",
        log={"pauses": ((0.5, 30.0),), "restart_share": 0.5, "clock_steps": ((0.5, -70.0),)},
    ),
    Fault("log-newest-first", "the engine log begins with its last row", "log", log={"newest_first": True}),
    Fault("log-rows-repeated", "every 12th row of the engine log stands twice", "log", log={"repeat_every": 12}),
    Fault(
        "log-clock-drifts", "the engine log's clock runs 1800 ppm slow", "log clock", size=1800.0, unit="ppm",
        log={"drift_ppm": 1800.0},
    ),
    Fault(
        "log-engines-swapped", "port and starboard are mixed up in the engine log; the levers stand 3 % apart",
        "log", log={"is_swapped": True}, handling={"apart_share": 0.03}, least_engines=2,
    ),
    Fault(
        "fuel-whole-litres", "the engine log keeps fuel in whole litres an hour", "fuel", size=1.0, unit="L/h",
        log={"fuel_as": ("L/h", 0)},
    ),
    Fault(
        "fuel-half-litres", "the engine log keeps fuel rounded to half a litre an hour", "fuel", size=0.5, unit="L/h",
        log={"fuel_as": ("L/h", 1), "fuel_step": 0.5},
    ),
    Fault(
        "fuel-whole-gallons", "the engine log keeps fuel in whole US gallons an hour", "fuel", size=3.785, unit="L/h",
        log={"fuel_as": ("US gal/h", 0)},
    ),
    Fault(
        "log-cells-on-change", "cells of the engine log are empty unless the value has changed; fuel to 0.5 L/h",
        "fuel", log={"on_change": "cells", "fuel_as": ("L/h", 1), "fuel_step": 0.5, "rpm_step": 5.0},
    ),
    Fault(
        "log-rows-on-change", "the engine log has a row only when a value has changed; fuel to 0.5 L/h, rpm to 10",
        "fuel", log={"on_change": "rows", "fuel_as": ("L/h", 1), "fuel_step": 0.5, "rpm_step": 10.0,
                     "without": ("coolant", "load", "oil", "boost")},
    ),
    Fault("log-without-rpm", "the engine log has no rpm", "log", log={"without": ("rpm",)}),
)  # fmt: skip

_RPM = (
    Fault(
        "rpm-minus-5", "every 20th sentence of rpm shows -5 rpm", "rpm", size=-5.0, unit="rpm",
        instruments={"rpm_wrong": (WrongRpm(20, -5.0),)},
    ),
    Fault(
        "rpm-far-too-high", "every 143rd sentence of rpm shows three times the rated rpm", "rpm", size=3.0,
        unit="rated",
        instruments={"rpm_wrong": (WrongRpm(143, rated_share=3.0),)},
    ),
    Fault(
        "rpm-silences", "rpm on the network is silent for 2.5 to 4 s, every 23 s", "rpm", size=4.0, unit="s",
        instruments={"rpm_silences": (Silences(23.0, 2.5, 4.0),)},
    ),
    Fault(
        "rpm-to-10", "tachometers on the network and in the log round to 10 rpm", "rpm", size=10.0, unit="rpm",
        instruments={"rpm_quantum": 10.0}, any_log={"rpm_step": 10.0},
    ),
    Fault(
        "rpm-to-50", "tachometers on the network and in the log round to 50 rpm", "rpm", size=50.0, unit="rpm",
        instruments={"rpm_quantum": 50.0}, any_log={"rpm_step": 50.0},
    ),
    Fault(
        "rpm-stuck", "rpm on the network repeats its last value for 10 min", "rpm", _TEN_MINUTES, loses=True,
        size=600.0, unit="s", instruments={"rpm_stuck": (_TEN_MINUTES,)},
    ),
    Fault(
        "no-bus-rpm", "no rpm on the network", "rpm", instruments={"rpm_hz": 0.0},
    ),
    Fault(
        "no-rpm", "no rpm at all, neither on the network nor in the engine log", "rpm",
        instruments={"rpm_hz": 0.0}, any_log={"without": ("rpm",)},
    ),
    Fault(
        "instruments-on-change", "instruments send only what has changed, rpm in steps of 10", "rpm",
        instruments={"on_change": True, "rpm_quantum": 10.0},
    ),
    Fault(
        "speed-whole-knots", "every receiver shows whole knots", "receiver", size=1.0, unit="kn",
        receivers={"sog_decimals": 0},
    ),
    Fault(
        "speed-tenths", "every receiver shows tenths of a knot", "receiver", size=0.1, unit="kn",
        receivers={"sog_decimals": 1},
    ),
)  # fmt: skip

_LATE = When(share=0.45)
"""From before the middle of the trial to its end."""
_FIRST_MINUTE = When(duration_s=70.0)
"""As long as a receiver may take to find itself after it was switched on (common practice, no source)."""


def _time(name: str, summary: str, size_s: float, *errors: TimeError, silent_s: float = 0.0) -> Fault:
    outages = (Outage(_LATE.share - 0.01, silent_s, "silent"),) if silent_s else ()
    return Fault(
        name, summary, "time", errors[0].when, size=size_s, unit="s",
        receiver={"time_errors": errors, "outages": outages},
    )  # fmt: skip


_TIME = (
    *(
        _time(f"time-steps-{name}", f"the first receiver's time is {words} from 0.45 of the trial on", step_s,
              TimeError(_LATE, step_s))
        for name, words, step_s in (
            ("back-1h", "an hour behind", -3600.0), ("back-30s", "30 s behind", -30.0),
            ("on-1s", "1 s ahead", 1.0), ("on-1h", "an hour ahead", 3600.0),
        )
    ),
    _time("time-steps-after-silence", "the first receiver restarts: silent for 20 s, then 95 s behind for good",
          -95.0, TimeError(_LATE, -95.0), silent_s=20.0),
    _time("time-free-running", "before the first fix the first receiver's clock runs freely from 1980, marked void",
          0.0, TimeError(_FIRST_MINUTE, from_utc="1980-01-06T00:00:14+00:00", status="V")),
    _time("time-free-running-unmarked",
          "before the first fix the first receiver's clock runs freely, 777 s ahead, and looks like any other",
          777.0, TimeError(_FIRST_MINUTE, 777.0)),
    _time("time-leap-seconds", "for 70 s the first receiver's time is 2 s ahead, until it knows the leap second",
          2.0, TimeError(_FIRST_MINUTE, 2.0)),
    _time("dates-an-epoch-off", "the first receiver's dates are 1024 weeks too early throughout", -1024 * 604800.0,
          TimeError(_WHOLE, -1024 * 604800.0)),
    _time("dates-out-of-range", "the first receiver's dates are in the year 2093 for the first 70 s", 0.0,
          TimeError(_FIRST_MINUTE, from_utc="2093-07-01T12:00:00+00:00")),
    Fault(
        "dates-from-zda-only", "every receiver sends its date in ZDA only", "time",
        receivers={"sentences": ("GGA", "VTG"), "slow": ("ZDA",)},
    ),
)  # fmt: skip

_FIELDS = (
    Fault(
        "variation-999", "every receiver gives a magnetic variation of 999.9", "fields", size=999.9, unit="deg",
        receivers={"variation_text": "999.9,E"},
    ),
    Fault("mode-unknown", "every receiver gives a mode letter that no table knows", "fields",
          receivers={"mode_letter": "Q", "mode_field": True}),
    Fault("rpm-four-fields", "RPM sentences have four fields, without the pitch", "fields",
          instruments={"rpm_form": "four fields"}),
    Fault("rpm-trailing-comma", "RPM sentences end with one comma too many", "fields",
          instruments={"rpm_form": "trailing comma"}),
    Fault("rpm-in-pcdin", "rpm comes as messages of the CAN network in PCDIN sentences", "fields",
          instruments={"rpm_sentence": "PCDIN"}),
    Fault("rpm-in-mxpgn", "rpm comes as messages of the CAN network in MXPGN sentences", "fields",
          instruments={"rpm_sentence": "MXPGN"}),
    Fault("wind-in-mda", "wind comes in MDA sentences instead of MWV and MWD", "fields",
          instruments={"wind_sentence": "MDA", "wind_hz": 1.0, "wind_true": False}),
    Fault("fuel-in-xdr", "fuel comes as XDR volume flow in l/s, and no engine log", "fields",
          instruments={"fuel_hz": 1.0}, scenario={"logs": ()}),
    Fault("fuel-in-xdr-capital-i", "fuel comes as XDR volume flow with a capital I as its unit, and no engine log",
          "fields", instruments={"fuel_hz": 1.0, "fuel_unit": "I"}, scenario={"logs": ()}),
    Fault("depth-bad-four-times", "four soundings are below 1.2 m in deep water", "depth", size=1.2, unit="m",
          instruments={"depth_bad": ((0.35, 0.6), (0.5, 0.9), (0.62, 0.5), (0.75, 1.1))}),
    Fault("no-heading", "no heading on the network", "fields", instruments={"heading_hz": 0.0}),
)  # fmt: skip

_BOAT = (
    Fault("trim-overshoots", "trim and speed answer like a mass on a spring and swing beyond where they settle",
          "boat", size=16.0, unit="s", hull={"swing_period_s": 16.0, "swing_damping": 0.3}),
    Fault("throttle-hunts", "rpm swings slowly by 0.4 % within each hold", "boat", size=0.4, unit="%",
          handling={"hunting_share": 0.004}),
    Fault("throttle-hunts-widely", "rpm swings slowly by 1 % within each hold, too far for a steady run", "rpm",
          loses=True, size=1.0, unit="%", handling={"hunting_share": 0.01}),
    Fault("all-up-then-all-down", "all steps are run one way from slow to fast, then all back", "boat",
          plan={"up_then_down": True}),
    Fault("tide-grows", "the current grows steadily by 1.5 kn an hour", "boat", size=1.5, unit="kn/h",
          sea={"tide_rate_kn_per_h": 1.5}),
    Fault("lies-still-in-current", "the boat lies in neutral for 90 s three times in 2.5 kn of current", "boat",
          size=2.5, unit="kn", plan={"drift_s": 90.0}, sea={"current_kn": 2.5}),
    Fault("lies-still-in-strong-current", "the boat lies in neutral for 90 s three times in 6 kn of current", "boat",
          size=6.0, unit="kn", plan={"drift_s": 90.0}, sea={"current_kn": 6.0}),
    Fault("wakes", "wakes hold the boat back by 1.5 kn for 7 s, every 64 s", "boat", size=1.5, unit="kn",
          sea={"wakes": Wakes(64.0, 1.5, 7.0)}),
    Fault("full-throttle-one-way", "full throttle is run one way only", "boat", plan={"one_way": (-1,)}),
    Fault("slowest-step-one-way", "the slowest step, the best in economy, is run one way only", "boat",
          plan={"one_way": (0,)}),
)  # fmt: skip

_ALL = (*_RECEIVERS, *_LOGS, *_RPM, *_TIME, *_FIELDS, *_BOAT)

FAULTS: dict[str, Fault] = {fault.name: fault for fault in _ALL}
"""Every fault, by name."""
