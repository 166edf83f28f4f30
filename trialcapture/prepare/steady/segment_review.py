"""What people decided about single stretches, and read off displays in them, laid over what was found automatically.

A review entry names one stretch by time, because the numbers of stretches may change with the program's version, and
gives a reason. Entries count in the order they were written, and the last one on a stretch stands.

Readings off the displays stand in where no instrument recorded a quantity. Many boats have engines whose displays can
be read and not logged. A reading belongs to the stretch it was made in, or to the one that ended shortly before it was
typed. Of each stretch, engine and quantity the mean of its readings stands in the segments table where nothing was
recorded, and the column ``read_by_hand`` names it. What was recorded is never replaced.

A reading is rounded to the display's count and shows one instant of a value that flutters. The count is read from all
readings of the quantity, the flutter from the readings of stretches that have more than one, with an expectation that
stands in where there are few.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, floats, floats_to_arrow, integers
from trialcapture.channels import ENGINE_QUANTITIES
from trialcapture.config import Config
from trialcapture.prepare.data_health import utc_text

# One review entry.

EXCLUDE, INCLUDE, RELABEL, UNDO = "exclude", "include", "relabel", "review-undo"
REVIEW_KINDS = (INCLUDE, EXCLUDE, RELABEL, UNDO)
"""Kinds of note that are review entries."""
HIGHEST_RPM = 20_000.0
"""A relabelled engine speed above this is a slip of the pen (common practice, no source)."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_NS = 1_000_000_000
_SHOWN = 60
"""Characters of an entry that a message shows (our choice)."""


class EntryError(ValueError):
    """An entry cannot be followed; the text says why."""


@dataclass(frozen=True, slots=True)
class ReviewEntry:
    """One review entry as it was noted; nothing in it has been checked.

    Attributes:
        line: 0-based line in the notes.
        kind: One of `REVIEW_KINDS`.
        times: What names the stretch: each an instant inside it, or its interval as ``start/stop``, ISO 8601.
        segment_id: Its number, as a check on the time; None where not given.
        band_rpm: The band a relabelled stretch is to stand in; None where not given.
        reason: Why.
        by: Who.
        file: Name of the file of notes it stands in.
    """

    line: int
    kind: str
    times: tuple[Any, ...]
    segment_id: Any = None
    band_rpm: Any = None
    reason: str = ""
    by: str = ""
    file: str = "notes.jsonl"


def parse_interval(text: Any) -> tuple[int, int]:
    """Return the half-open interval [ns since 1970 UTC] that an instant or a ``start/stop`` pair speaks of.

    Tables show times cut to whole seconds, so an instant without a fraction stands for its whole second.

    Raises:
        EntryError: It is neither, a time has no zone, or the stop does not follow the start; the text says which.
    """
    shown = repr(text)[:_SHOWN]
    if not isinstance(text, str) or not text.strip():
        raise EntryError(f"{shown} is no time; give a UTC instant inside the stretch, or start/stop")
    ends = [_parse_ns(part) for part in text.split("/")]
    if len(ends) == 1:
        return ends[0], ends[0] + (_SECOND_NS if ends[0] % _SECOND_NS == 0 else 1)
    if len(ends) > 2 or ends[1] <= ends[0]:
        raise EntryError(f"{shown} is no interval; give start/stop, the start first")
    return ends[0], ends[1]


def _parse_ns(text: str) -> int:
    shown = repr(text.strip())[:_SHOWN]
    try:
        stamp = datetime.fromisoformat(text.strip())
    except ValueError:
        raise EntryError(f"{shown} is no time such as 2026-05-12T10:12:30Z") from None
    if stamp.tzinfo is None:
        raise EntryError(f"{shown} has no zone; end it in Z for UTC")
    return (stamp - EPOCH) // timedelta(microseconds=1) * 1000


def parse_rpm(value: Any) -> float:
    """Return the engine speed of a relabelling [rpm].

    Raises:
        EntryError: It is no number, or none an engine has.
    """
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 < value <= HIGHEST_RPM:
        shown = "no band_rpm" if value is None else f"band_rpm {value!r}"[:_SHOWN]
        raise EntryError(f"{shown} where an engine speed in rpm is needed")
    return float(value)


def find_row(entry: ReviewEntry, start: list[int], stop: list[int], ids: list[int]) -> int:
    """Return the row of the one stretch an entry names; everything it says of the stretch must fit.

    Args:
        entry: The entry.
        start: Of each stretch [ns since 1970 UTC].
        stop: Likewise.
        ids: Number of each stretch.

    Raises:
        EntryError: It gives no reason, cannot be read, or fits no stretch or more than one.
    """
    if not entry.reason.strip():
        raise EntryError("it gives no reason")
    if not entry.times:
        more = "; a number alone may mean another stretch in another version" if entry.segment_id is not None else ""
        raise EntryError(f"it does not say when (value){more}")
    found: set[int] = set()
    for text in entry.times:
        rows = _rows_meant(parse_interval(text), start, stop)
        if not rows:
            raise EntryError(f"no stretch lies at {str(text)[:_SHOWN]}")
        if len(rows) > 1:
            numbers = ", ".join(str(ids[row]) for row in rows)
            raise EntryError(f"{str(text)[:_SHOWN]} fits stretches {numbers}; name one")
        found.update(rows)
    if len(found) > 1:
        raise EntryError("value and start name different stretches")
    row = found.pop()
    if entry.segment_id is not None and (isinstance(entry.segment_id, bool) or entry.segment_id != ids[row]):
        shown = repr(entry.segment_id)[:_SHOWN]
        raise EntryError(f"it says stretch {shown}, at that time lies stretch {ids[row]}")
    return row


def _rows_meant(interval: tuple[int, int], start: list[int], stop: list[int]) -> list[int]:
    """Return the stretches an interval covers by half, or that cover half of it; of an instant, the one it lies in.

    Half, because limits noted by hand or found by another version differ by some seconds.
    """
    first, last = interval
    if last - first <= _SECOND_NS:
        inside = [row for row in range(len(start)) if start[row] <= first < stop[row]]
        return inside or [row for row in range(len(start)) if first <= start[row] < last]
    rows = []
    for row, (a, b) in enumerate(zip(start, stop, strict=True)):
        shared = min(b, last) - max(a, first)
        if shared > 0 and 2 * shared >= min(b - a, last - first):
            rows.append(row)
    return rows


REVIEW_FIELDS = (
    pa.field("reviewed_accepted", pa.bool_()),
    pa.field("review_reason", pa.string()),
    pa.field("review_by", pa.string()),
    pa.field("relabelled_rpm", pa.float64(), metadata={"unit": "rpm"}),
)
"""Columns at the end of ``segments.parquet``: the verdict the reduction uses (the automatic one where nobody reviewed
it), reasons and names of those who changed something, and the band a person put the stretch into."""
REVIEW_COLUMNS = tuple(field.name for field in REVIEW_FIELDS)


@dataclass(frozen=True, slots=True)
class Review:
    """Segments with what people decided about them.

    Attributes:
        segments: The segments with `REVIEW_COLUMNS` at the end.
        changes: One entry a stretch and kind of change, in order of time, as JSON can hold it; empty when the result
            is the automatic one.
        warnings: What is to be said about the entries: code, severity, text and where.
        entries: How many review entries there are, good or not.
    """

    segments: pa.Table
    changes: list[dict[str, Any]]
    warnings: list[dict[str, str]]
    entries: int


def review_segments(segments: pa.Table, entries: Sequence[ReviewEntry]) -> Review:
    """Lay review entries over the automatic verdicts.

    An entry that cannot be followed (no reason, no such stretch, more than one, a number that does not fit the time)
    changes nothing and is told. Of entries that contradict each other the last in order stands, which is told too.

    Args:
        segments: Segments as prepared; review columns of an earlier pass are replaced.
        entries: In the order they were written.
    """
    plain = without_review(segments)
    start, stop = _times_ns(plain, "start"), _times_ns(plain, "stop")
    ids = plain["segment_id"].to_pylist()
    accepted = [bool(a) for a in plain["accepted"].to_pylist()]
    known = [_finite(a) and _finite(b) for a, b in zip(*_pair(plain, "sog_kn_mean", "cog_true_deg_mean"), strict=True)]
    verdicts: dict[int, ReviewEntry] = {}
    labels: dict[int, ReviewEntry] = {}
    warnings: list[dict[str, str]] = []
    for noted in entries:

        def tell(severity: str, text: str, noted: ReviewEntry = noted) -> None:
            warnings.append(_warning(severity, f"review entry '{noted.kind}' {text}", noted))

        try:
            row = find_row(noted, start, stop, ids)
            entry = replace(noted, band_rpm=parse_rpm(noted.band_rpm)) if noted.kind == RELABEL else noted
        except EntryError as fault:
            tell("red", f"is not used: {fault}")
            continue
        if entry.kind == INCLUDE and not known[row]:
            tell("red", f"is not used: stretch {ids[row]} has no mean speed or course")
            continue
        if not entry.by:
            tell("yellow", f"on stretch {ids[row]} does not say who made it (by)")
        _enter(entry, row, ids[row], verdicts, labels, tell)
    used = [verdicts[row].kind == INCLUDE if row in verdicts else verdict for row, verdict in enumerate(accepted)]
    idle = [(row, e, "used" if used[row] else "left out") for row, e in verdicts.items() if used[row] == accepted[row]]
    idle += [(row, e, "left out") for row, e in labels.items() if not used[row]]
    for row, entry, state in sorted(idle, key=lambda found: (found[1].file, found[1].line)):
        text = f"review entry '{entry.kind}' changes nothing: stretch {ids[row]} is {state}"
        warnings.append(_warning("info", text, entry))
    labels = {row: entry for row, entry in labels.items() if used[row]}
    changed = {row: [e] for row, e in verdicts.items() if used[row] != accepted[row]}
    for row, entry in labels.items():
        changed.setdefault(row, []).append(entry)
    columns: dict[str, Sequence[object]] = {
        "reviewed_accepted": used,
        "review_reason": [_joined([e.reason for e in changed.get(row, [])]) for row in range(len(ids))],
        "review_by": [_joined([e.by for e in changed.get(row, [])]) for row in range(len(ids))],
        "relabelled_rpm": [labels[row].band_rpm if row in labels else None for row in range(len(ids))],
    }
    table = plain
    for field in REVIEW_FIELDS:
        table = table.append_column(field, column_of(columns[field.name], field.type))
    order = sorted(changed, key=lambda row: (start[row], row))
    changes = [_change(plain, row, entry) for row in order for entry in changed[row]]
    return Review(table, changes, warnings, len(entries))


def without_review(segments: pa.Table) -> pa.Table:
    """Return segments as prepared, with the automatic verdicts alone."""
    return segments.drop_columns([name for name in REVIEW_COLUMNS if name in segments.column_names])


def as_reviewed(segments: pa.Table) -> pa.Table:
    """Return segments whose ``accepted`` and ``reason`` are what the result rests on, not the automatic verdict.

    A stretch that a person excluded is refused with the reason "excluded by a person: …". Without review columns the
    table is returned as it is.
    """
    if "reviewed_accepted" not in segments.column_names:
        return segments
    used, automatic = segments["reviewed_accepted"].to_pylist(), segments["accepted"].to_pylist()
    why = zip(*_pair(segments, "review_reason", "review_by"), segments["reason"].to_pylist(), strict=True)
    reasons = []
    for now, before, (reason, by, told) in zip(used, automatic, why, strict=True):
        excluded = f"excluded by a person: {reason}{f' ({by})' if by else ''}"
        reasons.append(("" if now else excluded) if now != before else told)
    for name, values in (("accepted", used), ("reason", reasons)):
        index = segments.schema.get_field_index(name)
        field = segments.schema.field(index)
        segments = segments.set_column(index, field, column_of(values, field.type))
    return segments


def _enter(
    entry: ReviewEntry, row: int, segment_id: int, verdicts: dict[int, ReviewEntry], labels: dict[int, ReviewEntry],
    tell: Callable[[str, str], None],
) -> None:  # fmt: skip
    """Let an entry take its place among those before it."""
    if entry.kind == UNDO:
        verdict, label = verdicts.pop(row, None), labels.pop(row, None)
        if verdict is None and label is None:
            tell("info", f"changes nothing: there is no entry on stretch {segment_id} before it")
        return
    held = labels if entry.kind == RELABEL else verdicts
    former = held.get(row)
    if former is not None and (former.kind, former.band_rpm) != (entry.kind, entry.band_rpm):
        where = f"line {former.line + 1}" + (f" of {former.file}" if former.file != entry.file else "")
        tell("yellow", f"contradicts {where} ('{former.kind}') on stretch {segment_id}; this one counts")
    held[row] = entry


def _change(segments: pa.Table, row: int, entry: ReviewEntry) -> dict[str, Any]:
    """Return one change as the summary holds it."""
    words = {EXCLUDE: "excluded", INCLUDE: "included", RELABEL: "relabelled"}
    names = ("segment_id", "rpm_mean", "accepted", "reason")
    of = {name: segments[name][row].as_py() for name in names if name in segments.column_names}
    rpm = of.get("rpm_mean")
    return {
        "segment_id": of["segment_id"],
        "start": _iso(_times_ns(segments.slice(row, 1), "start")[0]),
        "stop": _iso(_times_ns(segments.slice(row, 1), "stop")[0]),
        "change": words[entry.kind],
        "automatic_accepted": bool(of["accepted"]),
        "automatic_reason": of.get("reason") or "",
        "rpm_mean": rpm if _finite(rpm) else None,
        "relabelled_rpm": entry.band_rpm if entry.kind == RELABEL else None,
        "reason": entry.reason,
        "by": entry.by,
        "line": entry.line + 1,
        "file": entry.file,
    }


def _iso(t_ns: int) -> str:
    return (EPOCH + timedelta(microseconds=t_ns // 1000)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _warning(severity: str, text: str, entry: ReviewEntry) -> dict[str, str]:
    where = f"raw/{entry.file}, line {entry.line + 1}"
    return {"code": "review-entry", "severity": severity, "text": text, "where": where}


def _times_ns(table: pa.Table, name: str) -> list[int]:
    times: list[int] = table[name].cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_pylist()
    return times


def _pair(table: pa.Table, *names: str) -> list[list[Any]]:
    return [table[n].to_pylist() if n in table.column_names else [None] * table.num_rows for n in names]


def _finite(value: float | None) -> bool:
    return value is not None and bool(np.isfinite(value))


def _joined(texts: list[str]) -> str | None:
    kept = list(dict.fromkeys(text for text in texts if text))
    return "; ".join(kept) or None


Floats = npt.NDArray[np.float64]

READ_BY_HAND = "read_by_hand"
"""Column of the segments table that names what was read by hand, such as ``rpm port, fuel port``; null for nothing."""
TYPED_WITHIN_S = 60.0
"""A reading typed so soon after a stretch belongs to it [s] (common practice, no source)."""
FLUTTER = {"rpm": 0.003, "fuel_l_per_h": 0.015}
"""Standard deviation of single readings about the mean of a stretch that is expected before any is seen, as a share
of the value (common practice, no source)."""
FLUTTER_ELSE = 0.02
"""Same of all other quantities (common practice, no source)."""
FLUTTER_WORTH = 4.0
"""How many degrees of freedom that expectation is worth (our choice)."""
_NS_PER_S = 1_000_000_000
_RANGES = {q.name: (q.low, q.high) for q in ENGINE_QUANTITIES}
_WORDS = {"fuel_l_per_h": "fuel", "load_pct": "load", "coolant_c": "coolant", "oil_bar": "oil", "boost_bar": "boost"}


@dataclass(frozen=True, slots=True)
class HandReading:
    """One number that a person read off a display.

    Attributes:
        t_ns: UTC it was read [ns].
        engine: Engine it is of.
        channel: Engine channel it is of, such as ``rpm`` or ``fuel_l_per_h``.
        value: In the channel's unit.
        count: Unit of its last digit, in the channel's unit.
    """

    t_ns: int
    engine: str
    channel: str
    value: float
    count: float


def last_digit(text: str) -> Decimal:
    """Return what the last digit of a number as typed is worth: 10 for ``2150``, 0.1 for ``78.5``, 100 for ``2100``.

    Zeros at the end of a whole number may be rounding or not; `_display_counts` takes the finest of all readings.

    Args:
        text: A decimal number, without a unit.

    Raises:
        ValueError: The text is no finite number.
    """
    try:
        number = Decimal(text)
    except ArithmeticError as fault:
        raise ValueError(f"no number: {text!r}") from fault
    if not number.is_finite():
        raise ValueError(f"no number: {text!r}")
    _, digits, exponent = number.as_tuple()
    power = int(exponent)
    if power < 0:
        return Decimal(1).scaleb(power)
    zeros = len(digits) - len("".join(map(str, digits)).rstrip("0")) if number else 0
    return Decimal(1).scaleb(power + zeros)


def with_readings(
    segments: pa.Table, readings: Sequence[HandReading], config: Config
) -> tuple[pa.Table, tuple[str, ...]]:
    """Return segments with what was read by hand where nothing was recorded, and what is to be said of the readings.

    Args:
        segments: From `check_segments`; a column `READ_BY_HAND` of an earlier pass is replaced.
        readings: In any order.
        config: Engines.

    Returns:
        The segments, and one sentence for each reading or group of readings that has no part in the result.

    Source of the uncertainties: q/√12 of a display's count q (GUM, JCGM 100:2008, F.2.2.1); pooled standard deviation
    of repeated readings (GUM 4.2.2 and H.3.6), with an expectation of `FLUTTER_WORTH` degrees of freedom.
    """
    start, stop = (integers(segments[name])[0] for name in ("start", "stop"))
    order = sorted(readings, key=lambda r: (r.t_ns, r.engine, r.channel, r.value))
    lost: list[str] = []
    by_cell: dict[tuple[int, str, str], list[float]] = defaultdict(list)
    for reading in order:
        low, high = _RANGES[reading.channel]
        if not low <= reading.value <= high:
            lost.append(f"{_told(reading)} is not possible and is left out")
            continue
        row = _row_of(reading.t_ns, start, stop)
        if row is None:
            lost.append(f"{_told(reading)} falls into no steady stretch")
            continue
        by_cell[row, reading.engine, reading.channel].append(reading.value)
    counts = _display_counts(order)
    flutter = _flutter(by_cell)
    columns = {
        name: floats(segments[name]) for name in segments.column_names if pa.types.is_floating(segments[name].type)
    }
    named: dict[int, list[str]] = defaultdict(list)
    fuel_var = np.zeros(segments.num_rows)
    for (row, engine, channel), values in sorted(by_cell.items()):
        mean_of = columns[f"{channel}_{engine}_mean"]
        if np.isfinite(mean_of[row]):
            continue
        mean_of[row] = mean = float(np.mean(values))
        named[row].append(f"{_WORDS.get(channel, channel)} {engine}")
        display_u = counts[channel] / math.sqrt(12.0)
        own_u = flutter[channel] * mean / math.sqrt(len(values))
        if channel == "rpm":
            columns[f"rpm_{engine}_rounding_u"][row] = math.hypot(display_u, own_u)
        elif channel == "fuel_l_per_h":
            columns[f"fuel_l_per_h_{engine}_rounding_u"][row] = display_u
            fuel_var[row] += own_u**2
    for row in named:
        _fill_totals(row, columns, config.engine_ids, math.sqrt(fuel_var[row]))
    table = segments.drop_columns([READ_BY_HAND]) if READ_BY_HAND in segments.column_names else segments
    if named:
        for k, name in enumerate(table.column_names):
            if name in columns:
                table = table.set_column(k, table.schema.field(k), floats_to_arrow(columns[name]))
    texts = [", ".join(named[row]) if row in named else None for row in range(segments.num_rows)]
    return table.append_column(pa.field(READ_BY_HAND, pa.string()), column_of(texts, pa.string())), tuple(lost)


def _row_of(t_ns: int, start: npt.NDArray[np.int64], stop: npt.NDArray[np.int64]) -> int | None:
    """Return the stretch that an instant falls into, or that ended shortly before it with none begun since."""
    begun = np.flatnonzero(start <= t_ns)
    if not begun.size:
        return None
    row = int(begun[np.argmax(start[begun])])
    return row if t_ns < stop[row] + round(TYPED_WITHIN_S * _NS_PER_S) else None


def _display_counts(readings: Sequence[HandReading]) -> dict[str, float]:
    """Return the count of the display of each channel: the finest last digit that any reading shows."""
    counts: dict[str, float] = {}
    for reading in readings:
        counts[reading.channel] = min(counts.get(reading.channel, math.inf), reading.count)
    return counts


def _flutter(by_cell: Mapping[tuple[int, str, str], Sequence[float]]) -> dict[str, float]:
    """Return the standard deviation of single readings of each channel about their mean, as a share of it."""
    squares: dict[str, float] = defaultdict(float)
    freedom: dict[str, int] = defaultdict(int)
    for (_, _, channel), values in by_cell.items():
        mean = float(np.mean(values))
        if len(values) > 1 and mean != 0.0:
            squares[channel] += float(np.sum((np.array(values) / mean - 1.0) ** 2))
        freedom[channel] += len(values) - 1
    return {
        channel: math.sqrt(
            (FLUTTER_WORTH * FLUTTER.get(channel, FLUTTER_ELSE) ** 2 + squares[channel]) / (FLUTTER_WORTH + n)
        )
        for channel, n in freedom.items()
    }


def _fill_totals(row: int, columns: Mapping[str, Floats], engine_ids: Sequence[str], fuel_u_l_per_h: float) -> None:
    """Fill in the boat's engine speed and fuel rate where they are unknown and every engine has a value."""
    rpm, fuel = ([columns[f"{c}_{e}_mean"][row] for e in engine_ids] for c in ("rpm", "fuel_l_per_h"))
    if not np.isfinite(columns["rpm_mean"][row]):
        columns["rpm_mean"][row] = np.mean(rpm)
    if not np.isfinite(columns["fuel_l_per_h_mean"][row]):
        columns["fuel_l_per_h_mean"][row] = np.sum(fuel)
        columns["fuel_u_l_per_h"][row] = fuel_u_l_per_h if np.isfinite(fuel).all() else np.nan


def _told(reading: HandReading) -> str:
    what = _WORDS.get(reading.channel, reading.channel)
    return f"the {what} reading {reading.value:g} of engine {reading.engine} at {utc_text(reading.t_ns)}"
