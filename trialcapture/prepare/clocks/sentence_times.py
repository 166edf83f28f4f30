"""The times of a raw log's lines: UTC as the sentences state it, and when each line came in.

Dates are joined to times of day, rollovers undone, strays left out. A sentence without a time of its own takes that of
the sentence its receiver sent beside it.

Receive times are by the best clock the log carries, block by block. On a serial line the time a sentence took on the
wire is subtracted.

A log is read in blocks of whole lines. A block's own axis needs only its stamps; how far earlier set-backs of the
clock have moved the axis by then is one number a block (`shifts`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.buffers import coded, integers, to_arrow
from trialcapture.config import Config
from trialcapture.config.inputs import declared_source
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


SET_BACK_NS = 100_000_000
"""A stamp this much earlier than the one before it is a clock set back or begun again; less is the jitter of lines
from several sources, which follow each other out of order by milliseconds."""

_STRAY_NS = 10_000_000_000
"""A stamp further than this from both neighbours is damage [ns] (our choice, no source)."""
_SECOND_NS = 1_000_000_000

CLOCKS = {"mono": ("mono_ns", 1), "wall": ("wall_ms", 1_000_000)}
"""Receive clocks, best first: column, and nanoseconds of its unit."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """How one receive clock stamped one block.

    Attributes:
        rows: Decoded rows of the block.
        known: Rows that carry a stamp.
        first_ns: First stamp in order of lines [ns]; 0 where none is known.
        last_ns: Last stamp [ns].
        back_ns: Sum of the set-backs inside the block [ns], zero or less.
        breaks_ns: Where those stand on the block's own axis [ns].
        is_fine: Some stamp is finer than a second.
    """

    rows: int
    known: int
    first_ns: int
    last_ns: int
    back_ns: int
    breaks_ns: tuple[int, ...]
    is_fine: bool

    @property
    def is_plain(self) -> bool:
        """True where the stamps themselves are the block's axis: every row has one and none was set back."""
        return self.known == self.rows and self.back_ns == 0


def monotone_axis(receive_ns: Ints) -> tuple[Ints, Ints]:
    """Return receive-time stamps [ns] with every set-back taken out, and where on the new axis those were.

    A wall clock set back, or a monotonic clock that began again when a session was resumed, would otherwise
    fold two stretches onto each other. The size of the step is not lost: `lower_envelope.fit_lower_envelope`
    finds it again as a new level of (receive time - sentence time).
    """
    step = np.diff(receive_ns)
    at = np.flatnonzero(step < -SET_BACK_NS)
    if not at.size:
        return receive_ns, at
    back = np.zeros(receive_ns.size, dtype=np.int64)
    # a nanosecond more, so that the two sides of a set-back never share an instant of the axis
    back[at + 1] = step[at] - 1
    axis: Ints = receive_ns - np.cumsum(back)
    breaks: Ints = axis[at + 1]
    return axis, breaks


def block_axes(
    tables: Mapping[str, pa.Table], clock: str, known_stamps: Stamps | None = None
) -> tuple[dict[str, Ints], Stamps]:
    """Return a block's own receive-time axis [ns] for every row by formatter, and how its clock stamped it.

    Args:
        tables: The decoded block, lines ascending in each table.
        clock: A key of `CLOCKS`.
        known_stamps: How the clock stamped the block, where its downsampled index has told; plain stamps need no second
            look.
    """
    column, scale = CLOCKS[clock]
    stamps = {name: integer_column(table, column) for name, table in tables.items()}
    if known_stamps is not None and known_stamps.is_plain:
        return _plain_axes(stamps, scale), known_stamps
    lines = {name: integer_column(table, "line")[0] for name, table in tables.items()}
    rows = sum(line.size for line in lines.values())
    low = min((int(line[0]) for line in lines.values() if line.size), default=0)
    high = max((int(line[-1]) for line in lines.values() if line.size), default=-1)
    by_line = np.zeros(high - low + 1, dtype=np.int64)
    told = np.zeros(high - low + 1, dtype=np.bool_)
    known_rows = 0
    for name, (stamp, known) in stamps.items():
        mine = slice(None) if known.all() else known
        at = lines[name][mine] - low
        by_line[at] = stamp[mine]
        told[at] = True
        known_rows += at.size
    received = by_line[told]
    if not received.size:
        return {name: np.zeros(line.size, dtype=np.int64) for name, line in lines.items()}, Stamps(
            rows, 0, 0, 0, 0, (), is_fine=False
        )
    received *= scale
    stray = _strays(received)
    if stray.size:
        known_rows -= stray.size
        told[np.flatnonzero(told)[stray]] = False
        received = np.delete(received, stray)
    axis, breaks = monotone_axis(received)
    back = int(received[-1] - received[0]) - int(axis[-1] - axis[0])
    # a division and a product are several times faster than a remainder
    fine = scale == 1 or bool(np.any(received // _SECOND_NS * _SECOND_NS != received))
    found = Stamps(rows, known_rows, int(received[0]), int(received[-1]), back, tuple(int(b) for b in breaks), fine)
    if found.is_plain:
        return _plain_axes(stamps, scale), found
    at = np.flatnonzero(told)
    return {name: _interpolate(line - low, at, axis) for name, line in lines.items()}, found


def _plain_axes(stamps: Mapping[str, tuple[Ints, Bools]], scale: int) -> dict[str, Ints]:
    """Return the axes of a block whose stamps are plain: the stamps themselves [ns]."""
    return {name: stamp * scale for name, (stamp, _) in stamps.items()}


def _strays(receive_ns: Ints) -> Ints:
    """Return which stamps are far from both neighbours, which agree: damage that the checksum let through."""
    step = np.diff(receive_ns)
    far = np.flatnonzero(np.abs(step, out=step) > _STRAY_NS)
    # the stamp between two such steps that follow each other
    between = far[1:][np.diff(far) == 1]
    found: Ints = between[np.abs(receive_ns[between + 1] - receive_ns[between - 1]) < _STRAY_NS]
    return found


def _interpolate(at: Ints, line: Ints, axis: Ints) -> Ints:
    """Return the axis at given lines, exact where a line is known, between its neighbours elsewhere."""
    base = int(axis[0])
    between = np.rint(np.interp(at, line, (axis - base).astype(np.float64))).astype(np.int64) + base
    index = np.clip(np.searchsorted(line, at), 0, line.size - 1)
    return np.where(line[index] == at, axis[index], between)


def find_shifts_ns(blocks: Sequence[Stamps]) -> tuple[list[int], Ints]:
    """Return what to add to each block's own axis [ns] so that one axis runs through the log, and its set-backs.

    Args:
        blocks: The log's blocks in order, one clock.
    """
    shifts: list[int] = []
    breaks: list[int] = []
    shift, last = 0, None
    for block in blocks:
        if block.known:
            if last is not None and block.first_ns - last < -SET_BACK_NS:
                shift += last - block.first_ns + 1
                breaks.append(block.first_ns + shift)
            breaks += [b + shift for b in block.breaks_ns]
            last = block.last_ns
        shifts.append(shift)
        shift -= block.back_ns
    return shifts, np.array(breaks, dtype=np.int64)


def choose_clock(blocks: Mapping[str, Sequence[Stamps]], has_receiver: bool) -> str:
    """Return the best receive clock of a log: ``mono``, ``wall``, or ``order`` where no clock says enough.

    Args:
        blocks: The log's blocks in order, by clock.
        has_receiver: Some sentence tells UTC. A wall clock of whole seconds then says less than the order of the
            lines between such sentences.
    """
    for clock, found in blocks.items():
        rows, known = sum(b.rows for b in found), sum(b.known for b in found)
        fine = clock == "mono" or not has_receiver or any(b.is_fine for b in found)
        if rows and known >= 0.9 * rows and fine:
            return clock
    return "order" if has_receiver else "none"


# Time on a serial line.
#
# A character is ten bits on the line: a start bit, eight data bits, no parity, a stop bit (NMEA 0183 and
# IEC 61162-1, from memory), so n characters take ``10 n / baud`` seconds: 82 of them 171 ms at 4800 baud, 21 ms at
# 38 400.
#
# A measurement's time is the instant its sentence's first byte leaves the talker, less the talker's declared latency.
# Three things can stand between that byte and a receive-time stamp:
#
# - the sentence's own time on the line, where a program stamps a line when it is complete. It is certain once baud
#   and length are known, and is taken off;
# - several sentences read at once and stamped alike. A line carries one byte after the other, so a sentence had left
#   the talker entirely before the next one began: that bound is certain too;
# - waiting in the talker or multiplexer behind the sentences sent before. Whether a sentence that follows closely on
#   another was waiting, or was measured just then, cannot be seen. It is taken off only where the source is declared
#   to send bursts.

BITS_A_CHARACTER = 10
"""Start bit, eight data bits, stop bit (NMEA 0183 and IEC 61162-1, from memory)."""
LINE_END_CHARACTERS = 2
"""CR and LF, which a sentence's text does not count (NMEA 0183, from memory)."""
_TOUCHING_NS = 5_000_000
"""Sentences no further apart than this on the line follow each other without a pause (common practice, no source)."""
_OVERLOADED = 1.02
"""A line cannot carry more than it can; what seems to, runs at another speed than declared (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How a source's sentences came in.

    Attributes:
        baud: Speed of the slowest line they came over [bit/s]; None where it is not known, or there is none (a
            network, a bus), and nothing is taken off.
        stamp: Which byte of a sentence its receive-time stamp was made at.
        bursts: Whether sentences that touch each other were all measured when the first of them set out.
    """

    baud: int | None = None
    stamp: Literal["first_byte", "last_byte"] = "first_byte"
    bursts: bool = False


def serial_lines(config: Config) -> dict[str, SerialLine]:
    """Return the sources whose receive-time stamps stand later than the first byte, by id; most configs have none."""
    return {
        s.id: SerialLine(s.baud, s.stamped_at, s.bursts)
        for s in config.source
        if s.baud is not None and (s.stamped_at == "last_byte" or s.bursts)
    }


def count_characters(block: bytes) -> Ints:
    """Return how many characters each line of a block took on the wire, line end included, TAG block left out."""
    is_whole = block.endswith((b"\n", b"\r"))
    data = np.frombuffer(block if is_whole else block + b"\n", np.uint8)
    line_feed, ends = data == ord("\n"), data == ord("\r")
    # CRLF, LF and CR each end one line
    np.greater(ends[:-1], line_feed[1:], out=ends[:-1])
    ends |= line_feed
    marked = data == ord("\\")
    marked |= ends
    mark = np.concatenate([[-1], np.flatnonzero(marked)])
    nth_end = np.flatnonzero(ends[mark[1:]]) + 1
    # what comes before is the line before, or the backslash that closes a TAG block
    begins, stop = mark[nth_end - 1] + 1, mark[nth_end]
    paired = (stop > begins) & line_feed[stop] & (data[stop - 1] == ord("\r"))
    characters: Ints = stop - begins - paired + LINE_END_CHARACTERS
    return characters


def correct_receive_times(
    tables: Mapping[str, pa.Table], block: bytes, first_line: int, lines: Mapping[str, SerialLine]
) -> dict[str, pa.Table]:
    """Move the stamps of a decoded block back to the first byte of each sentence, as far as that is certain.

    Args:
        tables: By formatter, as decoded.
        block: The bytes they were decoded from.
        first_line: Line number of its first line.
        lines: From `serial_lines`; without any the tables are returned as they are.
    """
    if not lines or not tables:
        return dict(tables)
    characters = count_characters(block)
    at, stamp, code = [], [], []
    names = list(lines)
    ranks = {}
    for name, table in tables.items():
        index, words = coded(table["source"])
        known_as = np.array([_place(declared_source(w, lines), names) for w in words] or [-1], dtype=np.int64)
        ranks[name] = known_as[index] if index.size else index
        mono, known = integers(table["mono_ns"])
        mine = np.flatnonzero(known & (ranks[name] >= 0))
        at.append(integers(table["line"])[0][mine] - first_line)
        stamp.append(mono[mine])
        code.append(ranks[name][mine])
    line, where = _first_of_each(np.concatenate(at), characters.size)
    sent = first_byte_ns(
        np.concatenate(stamp)[where], characters[line], np.concatenate(code)[where], tuple(lines.values())
    )
    earlier = np.zeros(characters.size, dtype=np.int64)
    earlier[line] = np.concatenate(stamp)[where] - sent
    return {name: _earlier(table, earlier, first_line) for name, table in tables.items()}


def _first_of_each(line: Ints, count: int) -> tuple[Ints, Ints]:
    """Return which of `count` lines occur, ascending, and where each does first."""
    inside = np.flatnonzero(line < count)
    where = np.full(count, -1)
    # of several values for one place the last one stays
    where[line[inside[::-1]]] = inside[::-1]
    found = np.flatnonzero(where >= 0)
    return found, where[found]


def _place(name: str, names: Sequence[str]) -> int:
    return names.index(name) if name in names else -1


def _earlier(table: pa.Table, by_ns: Ints, first_line: int) -> pa.Table:
    shift = by_ns[np.clip(integers(table["line"])[0] - first_line, 0, by_ns.size - 1)]
    for column, scale in (("mono_ns", 1), ("wall_ms", 1_000_000)):
        values, known = integers(table[column])
        moved = to_arrow(values - np.rint(shift / scale).astype(np.int64), known)
        table = table.set_column(table.schema.get_field_index(column), column, moved)
    return table


def line_time_ns(characters: Ints, baud: int) -> Ints:
    """Return the time sentences take on a line [ns].

    Args:
        characters: (n,) length of each, line end included.
        baud: Speed of the line [bit/s], above 0.
    """
    return (characters.astype(np.int64) * (BITS_A_CHARACTER * 1_000_000_000) + baud // 2) // baud


def first_byte_ns(stamp_ns: Ints, characters: Ints, source: Ints, lines: tuple[SerialLine, ...]) -> Ints:
    """Return the instant each sentence's first byte was sent, as far as that is certain.

    Args:
        stamp_ns: (n,) receive-time stamps [ns], in order of arrival in each source.
        characters: (n,) length of each sentence, line end included.
        source: (n,) index of each sentence's source in `lines`.
        lines: How each source's sentences came in.

    Returns:
        (n,) instants [ns], never later than the stamps. A source whose declared speed could not have carried what
        came is left as it is; `find_overloaded` names it.
    """
    sent = stamp_ns.astype(np.int64, copy=True)
    overloaded = find_overloaded(stamp_ns, characters, source, lines)
    for code, line in enumerate(lines):
        mine = np.flatnonzero(source == code)
        if line.baud is None or code in overloaded or not mine.size:
            continue
        took = line_time_ns(characters[mine], line.baud)
        # a clock set back would otherwise drag everything before it along
        set_back = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(np.maximum(-np.diff(sent[mine]), 0))])
        first = sent[mine] + set_back - (took if line.stamp == "last_byte" else 0)
        first = _before_the_next(first, took)
        sent[mine] = (_start_of_burst(first, took) if line.bursts else first) - set_back
    return sent


def find_overloaded(stamp_ns: Ints, characters: Ints, source: Ints, lines: tuple[SerialLine, ...]) -> tuple[int, ...]:
    """Return the sources whose declared speed could not have carried what came, as indices into `lines`.

    Args:
        stamp_ns, characters, source, lines: As `first_byte_ns` takes them.
    """
    found = []
    for code, line in enumerate(lines):
        mine = np.flatnonzero(source == code)
        if line.baud is None or mine.size < 100:
            continue
        span_ns = int(stamp_ns[mine[-1]] - stamp_ns[mine[0]])
        carried_ns = int(line_time_ns(characters[mine], line.baud)[1:].sum())
        # a burst kept back by the computer explains a second, not more
        if carried_ns > _OVERLOADED * span_ns + 1_000_000_000:
            found.append(code)
    return tuple(found)


def _before_the_next(first: Ints, took: Ints) -> Ints:
    """Return instants put back so far that each sentence has left before the next one begins.

    ``f[i] = min(f[i], f[i + 1] - took[i])`` from the end is a running minimum of ``f`` less the time on the line of
    all sentences before.
    """
    before = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(took[:-1])])
    bound: Ints = np.minimum.accumulate((first - before)[::-1])[::-1] + before
    return bound


def _start_of_burst(first: Ints, took: Ints) -> Ints:
    """Return for each sentence the instant the first of its burst set out."""
    pause = first[1:] - (first[:-1] + took[:-1]) > _TOUCHING_NS
    begins = np.concatenate([[True], pause])
    at = np.maximum.accumulate(np.where(begins, np.arange(first.size), 0))
    start: Ints = first[at]
    return start
