"""UTC as the sentences themselves tell it: dates joined to times of day, rollovers undone, strays left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.prepare.utc import find_believable_times

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TIMED = ("RMC", "GGA", "GNS", "GLL", "ZDA")
"""Formatters whose sentences carry their own UTC."""
OUTLINE_COUNT = "stands_for"
"""Column of an outline: how many rows of the log each of its rows stands for."""
_DAY_NS = 86_400_000_000_000
_WEEKS_1024_DAYS = 7168


def integers(table: pa.Table, column: str) -> tuple[Ints, Bools]:
    """Return a nullable integer column as values and where they are known."""
    return buffers.integers(table[column])


def receiver_codes(table: pa.Table) -> tuple[Ints, list[str]]:
    """Return a code for each row's ``source/talker``, and the names the codes stand for."""
    source, talker = (buffers.coded(table[name]) for name in ("source", "talker"))
    names = [f"{s}/{t}" for s in source[1] for t in talker[1]]
    return source[0] * max(len(talker[1]), 1) + talker[0], names


def readings_of(table: pa.Table) -> Ints:
    """Return how many sentences each row stands for: one, or as many as an outline took it for."""
    if OUTLINE_COUNT in table.column_names:
        return integers(table, OUTLINE_COUNT)[0]
    return np.ones(table.num_rows, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Calendar:
    """Which day it was along a log.

    Attributes:
        line: Lines of sentences whose date is believed, shape (n,), ascending.
        utc_ns: Their UTC [ns since 1970], rollovers undone.
        shift_days: Days added to every date of the log's receivers.
        wall_ms: Median wall-clock stamp [ms since 1970], or None where lines carry none.
    """

    line: Ints
    utc_ns: Ints
    shift_days: int
    wall_ms: int | None


def read_calendar(tables: Mapping[str, pa.Table], warnings: list[str]) -> Calendar:
    """Return the calendar of a log from its outline."""
    dated_line, dated_utc = [], []
    for name in ("RMC", "ZDA"):
        if name in tables:
            utc, known = _dated(tables[name])
            dated_line.append(integers(tables[name], "line")[0][known])
            dated_utc.append(utc[known])
    line = np.concatenate(dated_line) if dated_line else np.zeros(0, dtype=np.int64)
    utc = np.concatenate(dated_utc) if dated_utc else np.zeros(0, dtype=np.int64)
    order = np.argsort(line, kind="stable")
    line, utc = line[order], utc[order]
    if utc.size > 3:
        steady = find_believable_times(line * 100_000_000, utc)
        line, utc = (line[steady], utc[steady]) if steady.any() else (line, utc)
    shift_days = _rollover_days(tables, utc, warnings)
    walls = [wall[known] for wall, known in (integers(t, "wall_ms") for t in tables.values()) if known.any()]
    wall_ms = int(np.median(np.concatenate(walls))) if walls else None
    return Calendar(line, utc + shift_days * _DAY_NS, shift_days, wall_ms)


def _dated(table: pa.Table) -> tuple[Ints, Bools]:
    tod, known = integers(table, "tod_ns")
    days, has_date = integers(table, "date_days")
    return days * _DAY_NS + tod, known & has_date


def sentence_times(tables: Mapping[str, pa.Table], calendar: Calendar) -> dict[str, tuple[Ints, Bools]]:
    """Return UTC [ns] and where known, by formatter, for sentences that carry a time of day."""
    times: dict[str, tuple[Ints, Bools]] = {}
    for name in TIMED:
        if name not in tables or not tables[name].num_rows:
            continue
        table = tables[name]
        tod, known = integers(table, "tod_ns")
        utc, dated = np.zeros(tod.size, dtype=np.int64), np.zeros(tod.size, dtype=np.bool_)
        if "date_days" in table.column_names:
            utc, dated = _dated(table)
            utc = utc + calendar.shift_days * _DAY_NS
        if not dated.all():
            reference = _reference_utc(table, calendar)
            if reference is None:
                continue
            # a sentence without a date belongs to the day that puts it nearest to its neighbours
            utc = np.where(dated, utc, nearest_day(tod, reference))
        times[name] = (utc, known)
    return times


def nearest_day(tod_ns: Ints, reference_ns: Ints) -> Ints:
    """Return UTC [ns] of times of day [ns] on the day that lies within twelve hours of a reference [ns]."""
    nearest: Ints = reference_ns + (tod_ns - reference_ns % _DAY_NS + _DAY_NS // 2) % _DAY_NS - _DAY_NS // 2
    return nearest


def rough_utc(at_line: Ints, calendar: Calendar) -> Ints | None:
    """Return UTC [ns] of the dated sentence near each line, or None where the log has no date."""
    if not calendar.utc_ns.size:
        return None
    return calendar.utc_ns[np.clip(np.searchsorted(calendar.line, at_line), 0, calendar.utc_ns.size - 1)]


def _reference_utc(table: pa.Table, calendar: Calendar) -> Ints | None:
    """Return a rough UTC for each row: that of the nearest dated sentence, else the wall clock, else None."""
    rough = rough_utc(integers(table, "line")[0], calendar)
    if rough is not None:
        return rough
    if calendar.wall_ms is None:
        return None
    wall, known = integers(table, "wall_ms")
    return np.where(known, wall, calendar.wall_ms) * 1_000_000


def _rollover_days(tables: Mapping[str, pa.Table], utc: Ints, warnings: list[str]) -> int:
    """Return the days to add to a receiver's date that is whole 1024-week epochs away from the wall clock."""
    if not utc.size:
        return 0
    wall_days = []
    for table in tables.values():
        wall, known = integers(table, "wall_ms")
        if known.any():
            wall_days.append(float(np.median(wall[known])) / 86_400_000)
    if not wall_days:
        return 0
    away_days = float(np.median(wall_days)) - float(np.median(utc)) / _DAY_NS
    epochs = round(away_days / _WEEKS_1024_DAYS)
    if epochs != 0 and abs(away_days - epochs * _WEEKS_1024_DAYS) < 1.5:
        warnings.append(
            f"the receiver's date is {abs(epochs) * 1024} weeks off (GPS week rollover); corrected by whole epochs"
        )
        return epochs * _WEEKS_1024_DAYS
    if abs(away_days) > 1.0:
        warnings.append(
            f"the receiver's date and the recording computer's clock differ by {abs(away_days):.1f} days; "
            "the receiver's is used"
        )
    return 0


def main_receiver(tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]]) -> str | None:
    """Return ``source/talker`` of the receiver with most timed sentences of one formatter."""
    best: tuple[int, str] | None = None
    for name, (_, known) in times.items():
        codes, names = receiver_codes(tables[name])
        counts = np.bincount(codes[known], weights=readings_of(tables[name])[known], minlength=len(names))
        for key, count in zip(names, counts, strict=True):
            if count and (best is None or (int(count), key) > best):
                best = (int(count), key)
    return best[1] if best else None
