"""Data health: every fault of a trial's data with its cost to the result.

Whoever finds a fault makes one item of it; `DataHealth` gathers them; summary, terminal and report show them in the
same words. Also here: counts of what was refused or is not decoded, and times without readings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, integers, truths
from trialcapture.decode.can import parameter_groups
from trialcapture.decode.nmea0183 import sentences
from trialcapture.decode.nmea0183.encapsulated import TALKERS

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
        against: What it was compared with, such as ``distance made good of gps1/GP``.
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
        severity: ``yellow`` where it cost the result something, ``info`` where it was corrected.
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
    holes are added up by what is missing. What was corrected at no cost and comes with every recording (a computer's
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


# Refused sentences, void fields, and types that feed no result, counted.
#
# What never came in is not here. Where all that a source said of something was refused, that is said, so that nobody
# takes it for missing.

Counts = Mapping[tuple[str, str, str], Sequence[int]]
"""Sentences good, bad and not decoded, by source, talker and formatter or parameter group."""
ByField = Mapping[tuple[str, str, str, str], int]
"""How many were refused or void, by source, sentence, field and reason; "" for no sentence and for all of one."""

NO_COST = "none"
"""How the cost of what cost nothing begins."""
COSTLY_SHARE = 0.05
"""Share of a type's sentences refused from which on it costs something (common practice, no source)."""
_FEWEST_OF_A_TYPE = 5
"""Fewer refused sentences of a type, none of which was ever sound, are damage to other addresses (our choice, no
source)."""
_TRANSDUCERS = {
    "A": "angle", "C": "temperature", "D": "distance", "F": "frequency", "G": "generic", "H": "humidity",
    "I": "electric current",
    "L": "salinity", "N": "force", "P": "pressure", "R": "flow rate", "S": "switch", "T": "engine or shaft speed",
    "U": "voltage", "V": "volume",
}  # fmt: skip
"""Type letters of XDR ("NMEA Revealed")."""


def rejection_items(by_field: ByField, counts: Counts) -> list[Rejection]:
    """Return the refused sentences and void fields of a trial's NMEA and CAN logs, source by source, the most first.

    Args:
        by_field: From the table of rejects.
        counts: Of all sentences.
    """
    good: dict[tuple[str, str], int] = {}
    for (source, talker, formatter), (sound, _, unread) in counts.items():
        # what sentences carry of a bus is counted by its group
        carried = ("PCDIN", "PGN") if talker in TALKERS else ()
        names = (formatter if formatter.isdigit() else f"{talker}{formatter}", *carried)
        for name in names:
            good[source, name] = good.get((source, name), 0) + sound + unread
    refused: dict[tuple[str, str], int] = {}
    items: dict[tuple[str, str, str, str], int] = {}
    for (source, sentence, field, reason), count in by_field.items():
        name = sentence if field or _is_type(source, sentence, count, good) else ""
        key = (source, name, field, reason)
        items[key] = items.get(key, 0) + count
        if name and not field:
            refused[source, name] = refused.get((source, name), 0) + count
    found = []
    for (source, sentence, field, reason), count in items.items():
        sound = good.get((source, "PGN" if sentence[2:] == "PGN" else sentence), 0)
        if not sentence:
            cost = f"{NO_COST}: what is damaged beyond knowing its type is left out"
        elif field:
            cost = _cost_of_field(field, count, sound)
        else:
            cost = _cost_of_refusal(sentence, refused[source, sentence], sound)
        found.append(Rejection(f"{source} {sentence or '(damaged)'}".strip(), field, reason, count, cost))
    return sorted(found, key=lambda item: (item.sentence.split(" ")[0], -item.count, item.sentence, item.field))


def _is_type(source: str, sentence: str, count: int, good: Mapping[tuple[str, str], int]) -> bool:
    """Return whether an address that was refused is one that a talker sends, and not damage of another."""
    if not sentence:
        return False
    known = "PGN" if sentence[2:] == "PGN" else sentence
    return good.get((source, known), 0) > 0 or (count >= _FEWEST_OF_A_TYPE and bool(feeds_of(sentence)))


def _cost_of_refusal(sentence: str, refused: int, sound: int) -> str:
    feeds = feeds_of(sentence)
    if not feeds:
        return f"{NO_COST}: the sentence feeds no result"
    if not sound:
        return f"all {refused:,} that came in were refused; they give no {feeds}"
    share = refused / (refused + sound)
    if share < COSTLY_SHARE:
        return f"{NO_COST}: {refused:,} of {refused + sound:,} refused"
    return f"{share:.0%} of the sentences that give {feeds}"


def _cost_of_field(field: str, count: int, sound: int) -> str:
    if field in ("status", "surplus"):
        return f"{NO_COST}: the sentence is used as if nothing spoke against it"
    used = _FIELDS_USED.get(field)
    if used is None:
        return f"{NO_COST}: the sentence is used without it"
    if count < COSTLY_SHARE * sound:
        return f"{NO_COST}: {count:,} of {sound:,} do not tell {used}"
    return f"{min(count / max(sound, 1), 1.0):.0%} of these sentences do not tell {used}"


_FIELDS_USED = {
    "cog": "course over ground", "cog_true": "course over ground", "t": "course or direction", "north": "position",
    "position": "position", "variation": "magnetic variation", "variation_east": "magnetic variation",
    "deviation": "deviation of the compass", "deviation_east": "deviation of the compass", "speed": "wind speed",
    "speed_kn": "wind speed", "unit": "wind speed", "angle": "wind angle", "side": "wind angle",
    "reference": "which wind it is", "depth_m": "depth in metres", "offset_m": "offset of the transducer",
}  # fmt: skip
"""What is lost with a field that feeds a result."""


def feeds_of(sentence: str) -> str:
    """Return what a sentence type (``GPRMC``) or parameter group (``127488``) feeds, "" for nothing."""
    if sentence.isdigit():
        return _FEEDS_OF_GROUP.get(int(sentence), "")
    if sentence == "PCDIN" or sentence[2:] == "PGN":
        return "what messages of a CAN bus tell"
    return "" if sentence[:1] == "P" else sentences.FEEDS.get(sentence[2:], "")


_FEEDS_OF_GROUP: dict[int, str] = {
    126992: "UTC and date", 127250: "heading", 127251: "rate of turn", 127257: "pitch and roll", 127488: "engine speed",
    127489: "fuel rate and engine readings", 128259: "speed through water", 128267: "depth", 129025: "position",
    129026: "speed and course over ground", 129029: "position, UTC", 129033: "UTC and date", 130306: "wind",
    130310: "water temperature", 130311: "water temperature", 130312: "water temperature", 130316: "water temperature",
    61443: "engine load", 61444: "engine speed", 65262: "coolant temperature", 65263: "oil pressure",
    65266: "fuel rate", 65270: "boost pressure",
}  # fmt: skip


def undecoded_items(counts: Counts) -> list[Undecoded]:
    """Return the types that came in, carry engine, wind, depth or speed data, and feed no result."""
    told = {formatter for (_, _, formatter), (sound, *_) in counts.items() if sound}
    found = []
    for (source, talker, formatter), (sound, _, unread) in sorted(counts.items()):
        carries = carries_of(formatter)
        if carries and sound + unread:
            name = f"{source} {talker} {formatter}" if formatter.isdigit() else f"{source} {talker}{formatter}"
            kind = carries.partition(":")[0]
            others = sorted(_TELLERS.get(kind, frozenset()) & told)
            cost = f"{NO_COST}: {kind} is told by {', '.join(others)}" if others else "nothing of it is used"
            found.append(Undecoded(name.strip(), carries, sound + unread, cost))
    return found


_TELLERS = {
    "speed": frozenset({"RMC", "VTG", "129026"}),
    "wind": frozenset({"MWV", "MWD", "MDA", "VWR", "130306"}),
    "depth": frozenset({"DPT", "DBT", "DBS", "DBK", "128267"}),
}
"""What tells the same and feeds results, by kind."""


def carries_of(formatter: str) -> str:
    """Return what a formatter or parameter group that feeds no result carries, "" where nothing a trial needs."""
    if formatter.isdigit():
        return parameter_groups.CARRIES.get(int(formatter), "")
    return sentences.CARRIES.get(formatter, "")


def unmapped_items(left: Mapping[tuple[str, str, str, str], int]) -> Iterator[Undecoded]:
    """Return the transducers that are no channel; from `engine_readings.unmapped_transducers`."""
    for (source, kind, unit, name), count in left.items():
        carries = f"{_TRANSDUCERS.get(kind, 'something')}{f' in {unit}' if unit else ''}"
        yield Undecoded(
            f"{source} XDR {kind},{unit},{name}",
            carries,
            count,
            "nothing of it is used: map it in [[xdr]] if it matters",
        )


# Times without readings of a channel that feeds the result.

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SHORTEST_S = 3.0
"""A shorter silence is one of a slow or busy line, and readings on both sides speak for it (common practice, no
source)."""
ENDS_S = 60.0
"""Engine data that begins this much after the first position, or ends this much before the last, has a hole there: a
logger is switched on and off with the engines (common practice, no source)."""
_NAMES = {"sog_kn": "speed over ground", "lat_deg": "position", "heading_true_deg": "heading"}


def find_holes(
    overview: pa.Table, segments: pa.Table, engine_ids: Sequence[str], named: Sequence[Hole] = ()
) -> list[Hole]:
    """Return the holes of speed, position, heading, rpm and fuel, in order of channel and time.

    A channel that was never recorded has no holes: it is said to be missing as a whole.

    Args:
        overview: A row a second of the samples.
        segments: Steady stretches, accepted or not.
        engine_ids: Engines.
        named: Holes that are named already, with what they cost; none is named twice.
    """
    if overview.num_rows < 2:
        return []
    t_ns = integers(overview["t"])[0]
    step_ns = int(np.median(np.diff(t_ns)))
    starts, stops = (integers(segments[name])[0] for name in ("start", "stop"))
    used = truths(segments["accepted"])
    channels = [*_NAMES, *(f"{q}_{e}" for q in ("rpm", "fuel_l_per_h") for e in engine_ids)]
    found: list[Hole] = []
    for name in channels:
        if name not in overview.column_names:
            continue
        known = np.isfinite(floats(overview[name]))
        if not known.any():
            continue
        is_engine = name not in _NAMES
        for first, stop in _missing(known, step_ns, is_engine):
            low, high = int(t_ns[first]) - step_ns // 2, int(t_ns[stop - 1]) + step_ns // 2
            touched = (starts < high) & (stops > low)
            what = _NAMES.get(name) or _engine_name(name)
            if any(h.what == what and h.start_ns < high and h.stop_ns > low for h in named):
                continue
            cost = _cost_of_silence(name, touched, used, (high - low) / 1e9)
            found.append(Hole(low, high, what, "no usable reading came in", cost))
    return found


def _missing(known: Bools, step_ns: int, is_engine: bool) -> list[tuple[int, int]]:
    """Return runs of rows without a reading; those before the first and after the last one count for engines alone."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], known, [True]]).astype(np.int8)))
    out = []
    for first, stop in edges.reshape(-1, 2).tolist():
        at_end = first == 0 or stop == known.size
        if at_end and not is_engine:
            continue
        if (stop - first) * step_ns / 1e9 >= (ENDS_S if at_end else SHORTEST_S):
            out.append((first, stop))
    return out


def _engine_name(name: str) -> str:
    return (
        f"rpm of engine {name[4:]}"
        if name.startswith("rpm_")
        else f"fuel of engine {name.removeprefix('fuel_l_per_h_')}"
    )


def _cost_of_silence(name: str, touched: Bools, used: Bools, seconds: float) -> str:
    legs = int((touched & used).sum())
    refused = int((touched & ~used).sum())
    if name == "lat_deg":
        return f"none: {seconds:.0f} s of track; speed comes from its own readings"
    parts = []
    if legs:
        parts.append(f"part of {legs} used stretch{'es' if legs > 1 else ''}")
    if refused:
        parts.append(
            f"{refused} refused stretch{'es' if refused > 1 else ''} lie{'' if refused > 1 else 's'} in or beside it"
        )
    return " and ".join(parts) or f"none: {seconds:.0f} s outside steady stretches"
