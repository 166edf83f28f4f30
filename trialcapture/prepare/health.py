"""The account of what is wrong with the data of a trial: every fault with its cost to the result.

Whoever finds a fault makes one item of it; `DataHealth` gathers them, and the summary, the screen and the report
tell them in the same words.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, Literal

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


@dataclass(frozen=True, slots=True)
class Stuck:
    """A reading that did not move while others show that it should have.

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
    return made


def utc_text(t_ns: int) -> str:
    """Return UTC [ns since 1970] as ISO 8601 with milliseconds, such as ``2026-05-14T09:24:10.300Z``."""
    seconds, rest = divmod(t_ns, 1_000_000_000)
    moment = datetime.fromtimestamp(seconds, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{rest // 1_000_000:03d}Z"
