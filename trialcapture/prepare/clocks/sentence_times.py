"""UTC as the sentences themselves state it: dates joined to times of day, rollovers undone, strays left out.

A sentence without a time of its own takes that of the sentence its receiver sent beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.buffers import to_arrow
from trialcapture.prepare.clocks.lower_envelope import find_believable_times, find_frozen
from trialcapture.prepare.clocks.receiver_steps import corrected_epochs
from trialcapture.prepare.data_health import Disagreement, Item

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TIMED = ("RMC", "GGA", "GNS", "GLL", "ZDA")
"""Formatters whose sentences carry their own UTC."""
STANDS_FOR_COLUMN = "stands_for"
"""Column of a downsampled index: how many rows of the log each of its rows stands for."""
_NONE = np.zeros(0, dtype=np.int64)
DAY_NS = 86_400_000_000_000
_WEEKS_1024_DAYS = 7168
"""Days of the ten-bit week number of the GPS message (IS-GPS-200)."""
_AGREEING = 0.02
"""Share of a log's dates that must agree with the computer's for none of them to be taken for an epoch off; the rest
are steps of the receiver's clock (common practice, no source)."""


def integer_column(table: pa.Table, column: str) -> tuple[Ints, Bools]:
    """Return a nullable integer column as values and where they are known."""
    return buffers.integers(table[column])


def receiver_codes(table: pa.Table) -> tuple[Ints, list[str]]:
    """Return a code for each row's ``source/talker``, and the names the codes stand for."""
    source, talker = (buffers.coded(table[name]) for name in ("source", "talker"))
    names = [f"{s}/{t}" for s in source[1] for t in talker[1]]
    return source[0] * max(len(talker[1]), 1) + talker[0], names


def readings_of(table: pa.Table) -> Ints:
    """Return how many sentences each row stands for: one, or as many as a downsampled index took it for."""
    if STANDS_FOR_COLUMN in table.column_names:
        return integer_column(table, STANDS_FOR_COLUMN)[0]
    return np.ones(table.num_rows, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Calendar:
    """Which day it was along a log.

    Attributes:
        line: Lines of sentences whose date is believed, shape (n,), ascending.
        utc_ns: Their UTC [ns since 1970], rollovers undone.
        shift_days: Days added to every date of the log's receivers.
        wall_ms: Median wall-clock stamp [ms since 1970], or None where lines carry none.
        by_receiver: Lines and UTC as above of each receiver, where there are several.
    """

    line: Ints
    utc_ns: Ints
    shift_days: int
    wall_ms: int | None
    by_receiver: Mapping[str, tuple[Ints, Ints]] = field(default_factory=dict)


def read_calendar(tables: Mapping[str, pa.Table], items: list[Item], warnings: list[str], day: int = 0) -> Calendar:
    """Return the calendar of a log from its downsampled index.

    Args:
        tables: Of the downsampled index, by formatter.
        items: Takes what is wrong with its dates.
        warnings: Takes sentences for people.
        day: Days since 1970 of the day its times of day are put on where neither a date nor a wall clock tells it.
    """
    dated_line, dated_utc, dated_by, with_fix = [], [], [], []
    for name in ("RMC", "ZDA"):
        if name in tables:
            utc, known = _dated(tables[name])
            dated_line.append(integer_column(tables[name], "line")[0][known])
            dated_utc.append(utc[known])
            codes, names = receiver_codes(tables[name])
            dated_by.append(np.array(names or [""])[codes[known]])
            if name == "RMC":
                with_fix.append(utc[known & buffers.truths(tables[name]["valid"])])
    line = np.concatenate(dated_line) if dated_line else np.zeros(0, dtype=np.int64)
    utc = np.concatenate(dated_utc) if dated_utc else np.zeros(0, dtype=np.int64)
    by = np.concatenate(dated_by) if dated_by else np.zeros(0, dtype=np.str_)
    order = np.argsort(line, kind="stable")
    line, utc, by = line[order], utc[order], by[order]
    receivers = [str(key) for key in np.unique(by)]
    own = {key: _believable(line[by == key], utc[by == key]) for key in receivers} if len(receivers) > 1 else {}
    line, utc = _believable(line, utc)
    # what a receiver tells before it has a fix may be any time
    shift_days = _rollover_days(tables, with_fix[0] if with_fix and with_fix[0].size else utc, items)
    walls = [wall[known] for wall, known in (integer_column(t, "wall_ms") for t in tables.values()) if known.any()]
    wall_ms = int(np.median(np.concatenate(walls))) if walls else None
    if not utc.size and wall_ms is None:
        line, utc = _on_day(tables, day)
        if utc.size:
            date = np.datetime64(day, "D")
            warnings.append(
                f"no sentence in this log carries a date; its times of day are put on {date}"
                + (", the day of the engine log" if day else ", because no other day is known")
            )
    shift_ns = shift_days * DAY_NS
    own = {key: (at, told + shift_ns) for key, (at, told) in own.items()}
    return Calendar(line, utc + shift_ns, shift_days, wall_ms, own)


def _on_day(tables: Mapping[str, pa.Table], day: int) -> tuple[Ints, Ints]:
    """Return lines and UTC [ns] of times of day that begin on a day and run on over midnight."""
    timed = [tables[name] for name in TIMED if name in tables]
    line = np.concatenate([integer_column(t, "line")[0][integer_column(t, "tod_ns")[1]] for t in timed] or [_NONE])
    tod = np.concatenate([integer_column(t, "tod_ns")[0][integer_column(t, "tod_ns")[1]] for t in timed] or [_NONE])
    order = np.argsort(line, kind="stable")
    line, tod = line[order], tod[order]
    step = np.diff(tod, prepend=tod[:1])
    turns = (step < -DAY_NS // 2).astype(np.int64) - (step > DAY_NS // 2)
    return line, (day + np.cumsum(turns)) * DAY_NS + tod


def _believable(line: Ints, utc: Ints) -> tuple[Ints, Ints]:
    """Return dated sentences without those that stand alone."""
    if utc.size <= 3:
        return line, utc
    steady = find_believable_times(line * 100_000_000, utc)
    return (line[steady], utc[steady]) if steady.any() else (line, utc)


def _dated(table: pa.Table) -> tuple[Ints, Bools]:
    tod, known = integer_column(table, "tod_ns")
    days, has_date = integer_column(table, "date_days")
    return days * DAY_NS + tod, known & has_date


def sentence_times(tables: Mapping[str, pa.Table], calendar: Calendar) -> dict[str, tuple[Ints, Bools]]:
    """Return UTC [ns] and where known, by formatter, for sentences that carry a time of day."""
    times: dict[str, tuple[Ints, Bools]] = {}
    for name in TIMED:
        if name not in tables or not tables[name].num_rows:
            continue
        table = tables[name]
        tod, known = integer_column(table, "tod_ns")
        utc, dated = np.zeros(tod.size, dtype=np.int64), np.zeros(tod.size, dtype=np.bool_)
        if "date_days" in table.column_names:
            utc, dated = _dated(table)
            utc = utc + calendar.shift_days * DAY_NS
        if not dated.all():
            reference = _reference_utc(table, calendar)
            if reference is None:
                continue
            # a sentence without a date belongs to the day that puts it nearest to its neighbours
            utc = np.where(dated, utc, nearest_day(tod, reference))
        times[name] = (utc, known)
    return times


def live_times(
    tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]], axes: Mapping[str, Ints]
) -> dict[str, tuple[Ints, Bools]]:
    """Return the times told, those that stand still while sentences go on coming in taken for unknown.

    Args:
        tables: Of the downsampled index, by formatter.
        times: UTC [ns] of its timed sentences and where known, by formatter.
        axes: Place of each row on the receive-time axis [ns], by formatter.
    """
    live = {}
    for name, (utc, known) in times.items():
        told = np.flatnonzero(known)
        frozen = find_frozen(axes[name][told], utc[told], receiver_codes(tables[name])[0][told])
        moving = known.copy()
        moving[told[frozen]] = False
        live[name] = (utc, moving)
    return live


def nearest_day(tod_ns: Ints, reference_ns: Ints) -> Ints:
    """Return UTC [ns] of times of day [ns] on the day that lies within twelve hours of a reference [ns]."""
    nearest: Ints = reference_ns + (tod_ns - reference_ns % DAY_NS + DAY_NS // 2) % DAY_NS - DAY_NS // 2
    return nearest


def rough_utc(at_line: Ints, calendar: Calendar, receiver: str = "") -> Ints | None:
    """Return UTC [ns] of the dated sentence near each line, of a receiver where it tells dates, or None without any."""
    line, utc_ns = calendar.by_receiver.get(receiver, (calendar.line, calendar.utc_ns))
    if not utc_ns.size:
        return None
    return utc_ns[np.clip(np.searchsorted(line, at_line), 0, utc_ns.size - 1)]


def _reference_utc(table: pa.Table, calendar: Calendar) -> Ints | None:
    """Return a rough UTC for each row: that of the nearest dated sentence, else the wall clock, else None."""
    line = integer_column(table, "line")[0]
    rough = rough_utc(line, calendar)
    if rough is not None:
        codes, names = receiver_codes(table)
        for code in np.unique(codes) if calendar.by_receiver else ():
            own = rough_utc(line, calendar, names[code])
            rough = rough if own is None else np.where(codes == code, own, rough)
        return rough
    if calendar.wall_ms is None:
        return None
    wall, known = integer_column(table, "wall_ms")
    return np.where(known, wall, calendar.wall_ms) * 1_000_000


def _rollover_days(tables: Mapping[str, pa.Table], utc: Ints, items: list[Item]) -> int:
    """Return the days to add to a receiver's date that is whole 1024-week epochs away from the wall clock."""
    if not utc.size:
        return 0
    wall_days = []
    for table in tables.values():
        wall, known = integer_column(table, "wall_ms")
        if known.any():
            wall_days.append(float(np.median(wall[known])) / 86_400_000)
    if not wall_days:
        return 0
    wall_day = float(np.median(wall_days))
    if np.mean(np.abs(wall_day - utc / DAY_NS) < 1.0) > _AGREEING:
        return 0
    away_days = wall_day - float(np.median(utc)) / DAY_NS
    epochs = round(away_days / _WEEKS_1024_DAYS)
    if epochs != 0 and abs(away_days - epochs * _WEEKS_1024_DAYS) < 1.5:
        items.append(corrected_epochs("date of the receivers", epochs * _WEEKS_1024_DAYS))
        return epochs * _WEEKS_1024_DAYS
    if abs(away_days) > 1.0:
        items.append(
            Disagreement(
                "date of the receivers", "clock of the recording computer", -away_days, 0.5, "days", None, None,
                "warning", "none: the receiver's date is used",
            )
        )  # fmt: skip
    return 0


def main_receiver(tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]]) -> str | None:
    """Return ``source/talker`` of the receiver with most timed sentences of one formatter.

    One that never had a fix tells no UTC where another did.
    """
    counts: dict[tuple[str, str], int] = {}
    fixed: set[str] = set()
    judging: set[str] = set()
    for name, (_, known) in times.items():
        codes, names = receiver_codes(tables[name])
        told = np.bincount(codes[known], weights=readings_of(tables[name])[known], minlength=len(names))
        counts |= {(key, name): int(n) for key, n in zip(names, told, strict=True) if n}
        if "valid" in tables[name].column_names:
            valid = buffers.truths(tables[name]["valid"])
            fixed |= {names[code] for code in np.unique(codes[known & valid])}
            judging |= {names[code] for code in np.unique(codes[known])}
    without = judging - fixed if fixed else set()
    best = max(((n, key) for (key, _), n in counts.items() if key not in without), default=None)
    return best[1] if best else None


# VTG carries no time of its own; its receiver sends it beside a sentence that does.

_BESIDE_NS = 1_000_000_000
"""Received no further apart than this, two sentences belong together (our choice, no source)."""


def time_of_neighbour(
    with_utc: Mapping[str, pa.Table],
    receive_ns: Mapping[str, Ints],
    around: Mapping[str, pa.Table],
    near: Mapping[str, Ints],
) -> pa.Table:
    """Return VTG with the time of the timed sentence of the same receiver that arrived nearest to it.

    Args:
        with_utc: Tables of a block or a downsampled index by formatter, with ``t_ns``; VTG among them.
        receive_ns: By formatter, when each row was received [ns].
        around: Rows of timed sentences with UTC, before and after the block.
        near: By formatter, when those were received [ns].
    """
    table = with_utc["VTG"]
    (codes, names), (t_ns, known) = receiver_codes(table), integer_column(table, "t_ns")
    result, sure = t_ns.copy(), known.copy()
    timed = [
        (*receiver_codes(tables[name]), *integer_column(tables[name], "t_ns"), came[name])
        for tables, came in ((with_utc, receive_ns), (around, near))
        for name in TIMED
        if name in tables
    ]
    for code in np.flatnonzero(np.bincount(codes)):
        came_ns, utc = [], []
        for others, keys, own, ok, received in timed:
            if names[code] in keys:
                mine = ok & (others == keys.index(names[code]))
                came_ns.append(received[mine])
                utc.append(own[mine])
        if not sum(r.size for r in came_ns):
            continue
        x, u = np.concatenate(came_ns), np.concatenate(utc)
        order = np.argsort(x, kind="stable")
        x, u = x[order], u[order]
        rows = np.flatnonzero(codes == code)
        at = receive_ns["VTG"][rows]
        right = np.clip(np.searchsorted(x, at), 0, x.size - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.where(np.abs(x[left] - at) <= np.abs(x[right] - at), left, right)
        close = np.abs(x[nearest] - at) < _BESIDE_NS
        result[rows[close]] = u[nearest[close]]
        sure[rows[close]] = True
    return table.set_column(table.schema.get_field_index("t_ns"), "t_ns", to_arrow(result, sure))
