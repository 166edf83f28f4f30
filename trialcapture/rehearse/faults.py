"""Faults that a simulated trial can have: each is data, goes with any scenario it fits, and with other faults.

A fault changes settings of what is on board; the classes in `trialcapture.rehearse.kit`, the plan, the hull and the
sea say what each setting does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, TypeVar

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.boats import Hull
from trialcapture.rehearse.kit import Handling, Instruments, LogStyle, Receiver, When, Wire
from trialcapture.rehearse.motion import Ordered, spans_s
from trialcapture.rehearse.plan import Plan
from trialcapture.rehearse.scenarios import Scenario
from trialcapture.rehearse.sea import Sea
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
