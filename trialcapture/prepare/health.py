"""The account of what is wrong with the data of a trial: every fault with its cost to the result.

Whoever finds a fault makes one item of it; `DataHealth` gathers them, and the summary, the screen and the report
tell them in the same words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

Action = Literal["excluded", "in uncertainty", "corrected", "warning"]
"""What was done about readings that disagree."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A time without data.

    Attributes:
        start_ns, stop_ns: Between what UTC [ns].
        what: The source or channel that is missing, as people know it.
        cause: Why, as far as known.
        cost: What it cost the result (seconds, legs, bands), in words.
    """

    start_ns: int
    stop_ns: int
    what: str
    cause: str
    cost: str


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A clock that was set, or whose time jumped.

    Attributes:
        at_ns: When, UTC [ns]; None where it cannot be told.
        what: Whose clock.
        size_s: How far it moved [s], forward positive.
        cause: Why, as far as known.
        cost: What it cost the result, in words.
    """

    at_ns: int | None
    what: str
    size_s: float
    cause: str
    cost: str


@dataclass(frozen=True, slots=True)
class Restart:
    """A device or log that began anew.

    Attributes:
        at_ns: When, UTC [ns]; None where it cannot be told.
        what: Which device or log.
        size_s: How far its clock moved in that [s], or None where it did not.
        cause: Why, as far as known.
        cost: What it cost the result, in words.
    """

    at_ns: int | None
    what: str
    size_s: float | None
    cause: str
    cost: str


@dataclass(frozen=True, slots=True)
class Rejection:
    """Sentences, fields or cells that could not be used, counted.

    Attributes:
        sentence: Source and type, such as ``gps1 GPRMC``, or the engine-log file.
        field: The field that was void; "" where the whole sentence was refused.
        reason: Why.
        count: How many.
        cost: What it cost the result, in words.
    """

    sentence: str
    field: str
    reason: str
    count: int
    cost: str


@dataclass(frozen=True, slots=True)
class Undecoded:
    """A type of sentence or message that carries engine, wind, depth or speed data and is not decoded.

    Attributes:
        sentence: Source and type.
        carries: What it would tell.
        count: How many came in.
        cost: What it cost the result, in words.
    """

    sentence: str
    carries: str
    count: int
    cost: str


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two ways of measuring one thing that differ by more than their uncertainty.

    Attributes:
        what: What is doubted, such as ``speed of gps2/GP``.
        against: What it was held against, such as ``distance made good of gps1/GP``.
        size: How far it is off, in `unit`; positive where what is doubted reads high.
        u: Standard uncertainty of `size`.
        unit: Unit of `size` and `u`.
        start_ns, stop_ns: Between what UTC [ns]; None where it holds throughout.
        action: What was done about it.
        cost: What it cost the result, in words.
    """

    what: str
    against: str
    size: float
    u: float
    unit: str
    start_ns: int | None
    stop_ns: int | None
    action: Action
    cost: str


TIME_OF_DAY = "s since midnight"
"""Unit of a time at which a receiver's clock stood still."""


@dataclass(frozen=True, slots=True)
class Stuck:
    """A reading that did not move while others show that it should have, or a receiver's time that stood still.

    Attributes:
        what: Source and channel.
        start_ns, stop_ns: Between what UTC [ns].
        value: What it showed all the time.
        unit: Its unit.
        cost: What it cost the result, in words.
    """

    what: str
    start_ns: int
    stop_ns: int
    value: float
    unit: str
    cost: str


@dataclass(frozen=True, slots=True)
class Spikes:
    """Lone readings far from their neighbours, or outside what can be, left out.

    Attributes:
        what: Source and channel.
        count: How many.
        largest: The reading farthest from its neighbours, as a difference from them, or the impossible value itself.
        unit: Its unit.
        cost: What it cost the result, in words.
    """

    what: str
    count: int
    largest: float
    unit: str
    cost: str


@dataclass(frozen=True, slots=True)
class Rounding:
    """The least count of a channel that feeds a result.

    Attributes:
        what: Source and channel.
        least_count: Smallest step between its readings.
        unit: Its unit.
        dithers: True where readings within a hold move over several counts, so that their mean is finer than one.
        cost: What it cost the result, in words.
    """

    what: str
    least_count: float
    unit: str
    dithers: bool
    cost: str


Item = Hole | ClockStep | Restart | Rejection | Undecoded | Disagreement | Stuck | Spikes | Rounding


@dataclass(frozen=True, slots=True)
class DataHealth:
    """All that was found wrong with the data of a trial, by kind, in order of finding."""

    holes: tuple[Hole, ...] = ()
    clock_steps: tuple[ClockStep, ...] = ()
    restarts: tuple[Restart, ...] = ()
    rejected: tuple[Rejection, ...] = ()
    undecoded: tuple[Undecoded, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    stuck: tuple[Stuck, ...] = ()
    spikes: tuple[Spikes, ...] = ()
    readings_rounded_to: tuple[Rounding, ...] = ()

    def with_items(self, items: Iterable[Item]) -> DataHealth:
        """Return the account with more items in it; an item that is there already is not added twice."""
        kept: dict[str, dict[Item, None]] = {f.name: dict.fromkeys(getattr(self, f.name)) for f in fields(self)}
        for item in items:
            kept[_KINDS[type(item)]][item] = None
        return DataHealth(**{name: tuple(found) for name, found in kept.items()})  # type: ignore[arg-type]

    def joined(self, other: DataHealth) -> DataHealth:
        """Return both accounts as one."""
        return self.with_items(item for f in fields(other) for item in getattr(other, f.name))

    def as_json(self) -> dict[str, list[dict[str, Any]]]:
        """Return the account as ``summary.json`` keeps it: times as ISO 8601 UTC, holes with their seconds."""
        return {f.name: [_as_json(item) for item in getattr(self, f.name)] for f in fields(self)}


_KINDS: dict[type, str] = {
    Hole: "holes",
    ClockStep: "clock_steps",
    Restart: "restarts",
    Rejection: "rejected",
    Undecoded: "undecoded",
    Disagreement: "disagreements",
    Stuck: "stuck",
    Spikes: "spikes",
    Rounding: "readings_rounded_to",
}


def _as_json(item: Item) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for name, value in asdict(item).items():
        made[name.removesuffix("_ns")] = utc_text(value) if name.endswith("_ns") and value is not None else value
    if isinstance(item, Hole | Stuck):
        made["seconds"] = round((item.stop_ns - item.start_ns) / 1e9, 3)
    return made | {"text": describe(item).text}


class Line(NamedTuple):
    """One fault in words.

    Attributes:
        severity: ``yellow`` where it cost the result something, ``info`` where it was put right.
        what: What is at fault.
        text: When, how much, and what it cost; reads on from `what`.
    """

    severity: Literal["yellow", "info"]
    what: str
    text: str


def describe(item: Item) -> Line:
    """Return one fault in words, as the report lists it."""
    severity: Literal["yellow", "info"] = "info" if is_free(item) else "yellow"
    match item:
        case Hole():
            text = f"has no data {_span(item.start_ns, item.stop_ns)}: {item.cause}"
        case ClockStep():
            text = f"moved by {_seconds(item.size_s)}{_at(item.at_ns)}: {item.cause}"
        case Restart():
            moved = "" if item.size_s is None else f", its clock moved by {_seconds(item.size_s)}"
            text = f"began anew{_at(item.at_ns)}{moved}: {item.cause}"
        case Rejection():
            field = f" with {item.field} void" if item.field else " refused"
            text = f"came in {item.count} time{'s' if item.count > 1 else ''}{field}: {item.reason}"
        case Undecoded():
            text = f"carries {item.carries} and is not decoded; {item.count} came in"
        case Disagreement():
            when = "" if item.start_ns is None or item.stop_ns is None else f" {_span(item.start_ns, item.stop_ns)}"
            decimals = max(-math.floor(math.log10(max(2.0 * item.u, 1e-6))), 0)
            text = (
                f"is {item.size:+.{decimals}f} ± {2.0 * item.u:.{decimals}f} {item.unit} off the {item.against}{when}"
            )
        case Stuck():
            shown = f"{item.value:g} {item.unit}"
            if item.unit == TIME_OF_DAY:
                shown = utc_text(round(item.value * 1e9))[11:19]
            text = f"stood still at {shown} {_span(item.start_ns, item.stop_ns)}"
        case Spikes():
            text = f"shows {item.count} lone wrong readings, the worst {item.largest:g} {item.unit}"
        case Rounding():
            text = f"is read in steps of {item.least_count:g} {item.unit}"
            text += ", over which it dithers" if item.dithers else ""
    # a subject in words, so that no name of a source or a file begins a sentence and gets a capital letter
    what = f"data of {item.sentence}" if isinstance(item, Rejection | Undecoded) else item.what
    return Line(severity, what, f"{text}. {_cost(item)}")


def _cost(item: Item) -> str:
    if not is_free(item):
        return f"Cost: {item.cost}"
    why = item.cost.removeprefix("none").lstrip(":, ")
    return f"No cost: {why}" if why else "No cost"


def is_free(item: Item) -> bool:
    """Return whether a fault cost the result nothing."""
    return item.cost == "none" or item.cost.startswith("none:")


def page_one(health: DataHealth) -> list[Line]:
    """Return the faults that a reader has to know before he reads the figures, one line for each cause.

    Contradictions, stuck readings, spikes, and what a receiver's or an engine log's clock did are told one by one;
    holes are added up by what is missing. What was put right at no cost and comes with every recording (a computer's
    clock that was set, sentences damaged on the way, the steps readings come in) stands in the list of the report.
    """
    told: list[Item] = [*health.disagreements, *health.stuck, *health.spikes]
    told += [s for s in health.clock_steps if not (is_free(s) and "computer" in s.what)]
    told += [*health.restarts, *health.undecoded]
    told += [r for r in health.rejected if not is_free(r) and r.cost != ROUTINE]
    lines = [describe(item) for item in told]
    for what in dict.fromkeys(h.what for h in health.holes if not is_free(h)):
        lines.append(_all_holes([h for h in health.holes if h.what == what and not is_free(h)]))
    return lines


ROUTINE = "left out"
"""Cost of a reject as every recording has them: a sentence damaged on the way, whose neighbours stand in for it."""


def _all_holes(holes: Sequence[Hole]) -> Line:
    if len(holes) == 1:
        return describe(holes[0])
    longest = max(holes, key=lambda h: h.stop_ns - h.start_ns)
    seconds = sum(h.stop_ns - h.start_ns for h in holes) / 1e9
    worst = _span(longest.start_ns, longest.stop_ns)
    text = f"has {len(holes)} times no data, {seconds:.0f} s in all; the longest {worst}"
    costs = "; ".join(dict.fromkeys(h.cost for h in holes))
    return Line("yellow", longest.what, f"{text}: {longest.cause}. Cost: {costs}")


def _span(start_ns: int, stop_ns: int) -> str:
    seconds = (stop_ns - start_ns) / 1e9
    length = f"{seconds:.1f} s" if seconds < 60.0 else f"{seconds / 60.0:.1f} min"
    return f"from {utc_text(start_ns)[11:19]} to {utc_text(stop_ns)[11:19]} UTC ({length})"


def _at(at_ns: int | None) -> str:
    return "" if at_ns is None else f" at {utc_text(at_ns)[11:19]} UTC"


def _seconds(size_s: float) -> str:
    """Return a step of a clock in the unit people think of: seconds, hours or days."""
    if abs(size_s) >= 86_400.0:
        return f"{size_s / 86_400.0:+.5g} days"
    return f"{size_s:+.2f} s" if abs(size_s) < 100.0 else f"{size_s:+.0f} s"


def utc_text(t_ns: int) -> str:
    """Return UTC [ns since 1970] as ISO 8601 with milliseconds, such as ``2026-05-14T09:24:10.300Z``."""
    seconds, rest = divmod(t_ns, 1_000_000_000)
    moment = datetime.fromtimestamp(seconds, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{rest // 1_000_000:03d}Z"
