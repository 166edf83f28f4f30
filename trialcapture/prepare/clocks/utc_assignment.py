"""UTC assignment: every sentence of a log gets its UTC, whatever stamps the log carries.

Three receive-time axes, best first: the monotonic receive clock of a journal, a wall clock finer than a second, and,
for a plain log, the order of the lines between the sentences that carry a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, known, to_arrow, truths
from trialcapture.prepare.clocks.downsampled_index import (
    AXIS,
    DownsampledIndex,
    find_pace_ns,
)
from trialcapture.prepare.clocks.lower_envelope import FROZEN_NS, LONG_FROZEN_NS, ClockFit, find_repeats, find_slips
from trialcapture.prepare.clocks.receiver_clocks import (
    ClockRow,
    Epochs,
    TimesByOrder,
    assign_utc_by_order,
    declared_latency_s,
    envelope_latency_s,
    find_times_by_order,
    fit_receivers,
    follow_by_order,
    gather_timed_sentences,
    order_row,
    two_devices,
)
from trialcapture.prepare.clocks.receiver_steps import LONGEST_DELAY_S, TimeCorrection, TimedSentences
from trialcapture.prepare.clocks.sentence_times import (
    CLOCKS,
    DAY_NS,
    Calendar,
    Stamps,
    block_axes,
    choose_clock,
    integer_column,
    live_times,
    main_receiver,
    nearest_day,
    read_calendar,
    receiver_codes,
    rough_utc,
    sentence_times,
    time_of_neighbour,
)
from trialcapture.prepare.data_health import TIME_OF_DAY, Item, Rejection, Spikes, Stuck

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

Stop = tuple[int, int, int]
"""Between what UTC a receiver's time stood still, and at what time [ns each]."""

_COMPANY = 2
"""Sentences in a row whose times cannot be, from which it is the receiver and not damage (our choice, no source)."""
_SLIP_NS = 800_000_000
"""Smallest deviation looked at as a whole second off [ns] (our choice, no source)."""
_EARLY_NS, _LATE_NS = -1_000_000_000, round(LONGEST_DELAY_S * 1e9)
"""A sentence's own time is believed where the delay it implies lies between these [ns] (our choice; see
`LONGEST_DELAY_S`)."""


@dataclass(frozen=True, slots=True)
class UtcAssignment:
    """How the lines of one log get their UTC.

    Attributes:
        clock: ``mono``, ``wall``, ``order`` or ``none``: what UTC is assigned by.
        receiver: ``source/talker`` of the receiver that tells UTC, or None.
        fit: The receive clock against UTC, where there is such a fit.
        calendar: Which day it was along the log.
        epochs: The receiver's times, where the order of lines has to do.
        envelope_s: How far the lower envelope stands behind UTC [s].
        latency_s: Declared delay of each source's sentences behind the measurement [s].
        own: What to add to the own times of receivers whose clock was set, by ``source/talker``.
        items: What is wrong with the times of the log.
        stopped: When the times of receivers stood still for long, by ``source/talker``.
    """

    clock: str
    receiver: str | None
    fit: ClockFit | None
    calendar: Calendar
    epochs: Epochs | None
    envelope_s: float
    latency_s: Mapping[str, float]
    own: Mapping[str, TimeCorrection] = field(default_factory=dict)
    items: tuple[Item, ...] = ()
    stopped: Mapping[str, tuple[Stop, ...]] = field(default_factory=dict)

    @property
    def can_place(self) -> bool:
        """True where a line can get its UTC though it carries no time itself."""
        return self.fit is not None or self.clock == "wall" or self.epochs is not None


def find_utc_assignment(
    log_index: DownsampledIndex, latency_s: Mapping[str, float], shared: ClockFit | None = None, day: int = 0
) -> tuple[UtcAssignment, list[ClockRow], list[str], ClockFit | None]:
    """Find how the lines of one log get their UTC, from its downsampled index.

    Args:
        log_index: Of the whole log.
        latency_s: Declared delay of a source's sentences behind the measurement [s]; absent means 0.
        shared: How the session's monotonic clock was aligned with UTC by another log; used where this log is stamped
            by that clock and carries no time of its own.
        day: Days since 1970 of the day times are put on where nothing in the log tells it.

    Returns:
        The assignment; clock evidence; warnings as sentences for people; and the fit of the monotonic clock where
        there is one.
    """
    warnings: list[str] = []
    rows: list[ClockRow] = []
    items: list[Item] = []
    calendar = read_calendar(log_index.tables, items, warnings, day)
    told = sentence_times(log_index.tables, calendar)
    teller = main_receiver(log_index.tables, told)
    clock = choose_clock(log_index.stamps, teller is not None)
    times = live_times(log_index.tables, told, _rough_axes(log_index, clock))
    receiver = main_receiver(log_index.tables, times)
    if receiver is None:
        clock = choose_clock(log_index.stamps, has_receiver=False)
    fit: ClockFit | None = None
    epochs: Epochs | None = None
    own: Mapping[str, TimeCorrection] = {}
    if clock in AXIS and receiver is not None:
        found = fit_receivers(log_index, times, clock, receiver, latency_s)
        fit, own = found.fit, found.own
        rows += found.rows
        items += found.items
    elif clock == "order":
        by_order = _times_by_order(log_index, times, calendar, receiver)
        epochs = None if by_order is None else by_order.epochs
        rows.append(order_row(receiver, epochs))
        if by_order is not None and receiver is not None and epochs is not None:
            found = follow_by_order(log_index, times, receiver, by_order)
            own = found.own
            items += found.items
    if fit is None and clock == "mono":
        fit = shared
    if fit is None and clock != "wall" and receiver is None and log_index.tables:
        lack = "no sentence in this log carries a time"
        lack = lack if teller is None else f"the time of {teller} stands still in all of this log"
        warnings.append(f"{lack}, so it cannot be placed on UTC")
    if fit is None and clock == "wall" and receiver is None:
        lack = "no GNSS time in this log" + ("" if teller is None else f", that of {teller} stands still")
        warnings.append(f"{lack}: the recording computer's clock is used as it stands")
        rows.append(ClockRow("computer clock", 0.0, 60.0, None, None, "wall clock", "poor: no GNSS time"))
    items += two_devices(log_index)
    items += [
        Rejection(sentence, "time", "its time stands alone among those before and after", count, "left out")
        for sentence, count in sorted(log_index.strays.items())
    ]
    stopped: Mapping[str, tuple[Stop, ...]] = {}
    if fit is not None or epochs is not None:
        bare = UtcAssignment(clock, receiver, fit, calendar, epochs, 0.0, latency_s, own)
        items += _slips(log_index, times, bare)
        stopped = _stops(log_index, told, bare)
        items += [
            Stuck(
                f"time of {key}", start_ns, stop_ns, time_ns % DAY_NS / 1e9, TIME_OF_DAY,
                "none: its sentences of that time are placed by when they came in",
            )
            for key, of in stopped.items() for start_ns, stop_ns, time_ns in of
        ]  # fmt: skip
    # the lower envelope stands behind UTC by the delay of the receiver's promptest sentence
    envelope_s = envelope_latency_s(receiver, latency_s)
    assignment = UtcAssignment(
        clock, receiver, fit, calendar, epochs, envelope_s, latency_s, own, tuple(items), stopped
    )
    return assignment, rows, warnings, fit if clock == "mono" else shared


def assign_utc(
    tables: Mapping[str, pa.Table],
    assignment: UtcAssignment,
    shift_ns: int,
    around: Mapping[str, pa.Table] | None = None,
    stamps: Stamps | None = None,
) -> dict[str, pa.Table]:
    """Give every sentence of one decoded block its UTC.

    Args:
        tables: By formatter, lines ascending in each.
        assignment: Of the whole log.
        shift_ns: What to add to the block's own receive-time axis [ns]; see `downsampled_index.DownsampledIndex`.
        around: Placed downsampled index rows of the blocks before and after, whose times a sentence at the edge may
            share.
        stamps: How the assignment's clock stamped the block, where the downsampled index has told it.

    Returns:
        The tables with a column ``t_ns`` (int64 UTC, null where a sentence's own time is not believable or
        nothing in the log tells time).
    """
    present = {name: table for name, table in tables.items() if table.num_rows}
    axis: dict[str, Ints] | None = None
    if assignment.clock in CLOCKS:
        axis, _ = block_axes(present, assignment.clock, stamps)
        axis = {name: values + shift_ns for name, values in axis.items()} if shift_ns else axis
    return _assign(present, assignment, axis, around or {})


def assign_utc_to_index(log_index: DownsampledIndex, assignment: UtcAssignment) -> dict[str, pa.Table]:
    """Give every row of a downsampled index its UTC, as `assign_utc` does for a block."""
    axis: dict[str, Ints] | None = None
    if assignment.clock in AXIS:
        axis = {name: integer_column(table, AXIS[assignment.clock])[0] for name, table in log_index.tables.items()}
    return _assign(log_index.tables, assignment, axis, {})


def _assign(
    tables: Mapping[str, pa.Table],
    assignment: UtcAssignment,
    axis: Mapping[str, Ints] | None,
    around: Mapping[str, pa.Table],
) -> dict[str, pa.Table]:
    times = sentence_times(tables, assignment.calendar)
    with_utc, receive_ns = {}, {}
    for name, table in tables.items():
        received = _receive_ns(table, assignment) if axis is None else axis[name]
        base = received if assignment.fit is None or axis is None else assignment.fit.to_utc(received)
        sure = np.full(base.size, assignment.can_place)
        t_ns = base + round(assignment.envelope_s * 1e9) - _latency_ns(table, assignment.latency_s)
        if name in times:
            at = received if assignment.clock in CLOCKS else integer_column(table, "line")[0]
            own, believed = _own_times(table, times[name], base, at, assignment)
            t_ns = np.where(believed, own, t_ns)
            sure &= believed
        with_utc[name] = table.append_column("t_ns", to_arrow(t_ns, sure))
        receive_ns[name] = received
    if "VTG" in with_utc:
        near = {name: _receive_ns(table, assignment) for name, table in around.items()}
        with_utc["VTG"] = time_of_neighbour(with_utc, receive_ns, around, near)
    return with_utc


def _receive_ns(table: pa.Table, assignment: UtcAssignment) -> Ints:
    """Return the receive time of rows that carry it in a column, or by their order in a log without stamps."""
    if assignment.clock in AXIS and AXIS[assignment.clock] in table.column_names:
        return integer_column(table, AXIS[assignment.clock])[0]
    return (
        assign_utc_by_order(table, assignment.epochs) if assignment.epochs else np.zeros(table.num_rows, dtype=np.int64)
    )


def _slips(
    log_index: DownsampledIndex, times: Mapping[str, tuple[Ints, Bools]], assignment: UtcAssignment
) -> list[Item]:
    """Return an item for each receiver that tells a second more or less than it is, now and then."""
    items: list[Item] = []
    for name, told in times.items():
        table = log_index.tables[name]
        base = _receive_ns(table, assignment)
        at = base if assignment.clock in CLOCKS else integer_column(table, "line")[0]
        base = base if assignment.fit is None else assignment.fit.to_utc(base)
        own = _moved(table, told[0], at, assignment, 0)
        believed = told[1] & _is_near(base - own, assignment)
        moved_s = (_without_slips(table, own, believed, base) - own) / 1e9
        codes, names = receiver_codes(table)
        for code in np.unique(codes[moved_s != 0]):
            mine = moved_s[(codes == code) & (moved_s != 0)]
            source, talker = names[code].rsplit("/", 1)
            items.append(
                Spikes(
                    f"time of {source} {talker}{name}", mine.size, float(-mine[np.argmax(np.abs(mine))]), "s",
                    "none: sentences that came in evenly are placed evenly",
                )
            )  # fmt: skip
    return items


def _times_by_order(
    log_index: DownsampledIndex, times: Mapping[str, tuple[Ints, Bools]], calendar: Calendar, receiver: str | None
) -> TimesByOrder | None:
    """Return the times of the main receiver of a log without stamps."""
    if receiver is None or receiver not in log_index.epochs:
        return None
    told = log_index.epochs[receiver]
    rough = rough_utc(told.line, calendar, receiver)
    if rough is None:
        # no date in the log: the rows kept have taken theirs from the computer's clock
        name = next(iter(times))
        kept_line, (kept_utc, _) = integer_column(log_index.tables[name], "line")[0], times[name]
        rough = kept_utc[np.clip(np.searchsorted(kept_line, told.line), 0, kept_line.size - 1)]
    lines = {name: integer_column(table, "line")[0] for name, table in log_index.tables.items()}
    timed = gather_timed_sentences(log_index.tables, times, lines, with_wall=False)
    dated = (told.days + calendar.shift_days) * DAY_NS + told.tod_ns
    main = TimedSentences(
        told.line, np.where(told.days >= 0, dated, nearest_day(told.tod_ns, rough)),
        _coarse_wall(log_index.tables, lines, told.line), told.fixed,
        told.lat_deg, told.lon_deg, timed[receiver].judges if receiver in timed else False,
    )  # fmt: skip
    return find_times_by_order(main, {key: other for key, other in timed.items() if key != receiver}, told.around)


def _coarse_wall(tables: Mapping[str, pa.Table], lines: Mapping[str, Ints], at: Ints) -> Ints | None:
    """Return the wall clock [ns] of the stamped line before each of some lines, or None where none is stamped."""
    stamps = {name: integer_column(table, "wall_ms") for name, table in tables.items()}
    line = np.concatenate([lines[name][known] for name, (_, known) in stamps.items()])
    wall = np.concatenate([values[known] for values, known in stamps.values()])
    if not line.size:
        return None
    order = np.argsort(line, kind="stable")
    before = np.clip(np.searchsorted(line[order], at, side="right") - 1, 0, line.size - 1)
    found: Ints = wall[order][before] * 1_000_000
    return found


def _latency_ns(table: pa.Table, latency_s: Mapping[str, float]) -> Ints:
    """Return the declared latency of each row's source [ns]."""
    if not any(latency_s.values()):
        return np.zeros(table.num_rows, dtype=np.int64)
    codes, names = receiver_codes(table)
    by_code = [round(declared_latency_s(name, latency_s) * 1e9) for name in names]
    return np.array(by_code, dtype=np.int64)[codes]


def _own_times(
    table: pa.Table, told: tuple[Ints, Bools], base: Ints, at: Ints, assignment: UtcAssignment
) -> tuple[Ints, Bools]:
    """Return a formatter's own times with receivers' steps taken out, and where they can be believed.

    Args:
        table: Its rows.
        told: Their own times [ns UTC], and where they carry one.
        base: UTC of their receive time, the least delay taken for none [ns].
        at: Their place on the receive-time axis [ns], or their line in a log without stamps.
        assignment: Of the log.
    """
    raw, known = told
    own = raw
    if assignment.own:
        own = _moved(table, raw, at, assignment, 0)
    stopped = _has_stopped(table, told, base, base - own)
    believed = known & ~stopped & _is_near(base - own, assignment)
    own = _without_slips(table, own, believed, base)
    valid = truths(table["valid"]) if "valid" in table.column_names else np.zeros(known.size, dtype=np.bool_)
    if believed.all() or not np.any(~believed & (known | valid)):
        return own, believed
    for step in (0, -1, 1) if assignment.own else (0,):
        # a sentence at the very step may belong to the time before or after; one without a date, to another day
        other = nearest_day(_moved(table, raw, at, assignment, step), base)
        right = known & ~believed & ~stopped & _is_near(base - other, assignment)
        own = np.where(right, other, own)
        believed |= right
    # a fix without a time, or among several whose times cannot be, is placed by its receive time; a lone one is damaged
    rest = find_companies(~believed & known, receiver_codes(table)[0]) | (valid & ~known)
    delay_ns = round(assignment.fit.delay_s * 1e9) if assignment.fit is not None else 0
    return np.where(rest, base - delay_ns, own), believed | rest


def _has_stopped(table: pa.Table, told: tuple[Ints, Bools], base: Ints, late: Ints) -> Bools:
    """Return True for sentences whose receiver's time has stood still; `late` is how far they lag behind it [ns]."""
    stopped = np.zeros(base.size, dtype=np.bool_)
    known = np.flatnonzero(told[1])
    since_ns, span_ns = find_repeats(base[known], told[0][known], receiver_codes(table)[0][known])
    stopped[known] = (span_ns > FROZEN_NS) & ((since_ns > 0) | (late[known] > FROZEN_NS))
    return stopped


def _stops(
    log_index: DownsampledIndex, told: Mapping[str, tuple[Ints, Bools]], assignment: UtcAssignment
) -> dict[str, tuple[Stop, ...]]:
    """Return when the time of each receiver stood still for long."""
    found: dict[str, list[Stop]] = {}
    for name, (utc, is_known) in told.items():
        table = log_index.tables[name]
        base = _receive_ns(table, assignment)
        base = base if assignment.fit is None else assignment.fit.to_utc(base)
        codes, names = receiver_codes(table)
        rows = np.flatnonzero(is_known)
        since_ns, span_ns = find_repeats(base[rows], utc[rows], codes[rows])
        for i in np.flatnonzero((span_ns > LONG_FROZEN_NS) & (since_ns == span_ns)):
            stop_ns = int(base[rows[i]])
            found.setdefault(names[codes[rows[i]]], []).append((stop_ns - int(span_ns[i]), stop_ns, int(utc[rows[i]])))
    return {key: _joined(of) for key, of in sorted(found.items())}


def _joined(stops: Sequence[Stop]) -> tuple[Stop, ...]:
    """Return times of several formatters of one receiver, those that overlap as one."""
    joined: list[Stop] = []
    for start_ns, stop_ns, time_ns in sorted(stops):
        if joined and start_ns <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stop_ns), joined[-1][2])
        else:
            joined.append((start_ns, stop_ns, time_ns))
    return tuple(joined)


def _rough_axes(log_index: DownsampledIndex, clock: str) -> dict[str, Ints]:
    """Return where on the receive-time axis each row stands [ns]; without stamps by its line and the pace of lines."""
    if clock in AXIS:
        return {name: integer_column(table, AXIS[clock])[0] for name, table in log_index.tables.items()}
    paces = [find_pace_ns(told.line, told.tod_ns) for told in log_index.epochs.values()]
    pace_ns = min(paces, default=0.0)
    return {
        name: np.rint(integer_column(table, "line")[0] * pace_ns).astype(np.int64)
        for name, table in log_index.tables.items()
    }


def _without_slips(table: pa.Table, own: Ints, believed: Bools, base: Ints) -> Ints:
    """Return own times [ns] where those of a second too early or late, now and then, are corrected."""
    late = (base - own)[believed]
    if late.size < 3 or np.ptp(late) < _SLIP_NS:
        return own
    codes, _ = receiver_codes(table)
    right = own.copy()
    for code in np.unique(codes[believed]):
        mine = np.flatnonzero(believed & (codes == code))
        right[mine] += find_slips(base[mine], own[mine])
    return right


def find_companies(odd: Bools, stream: Ints) -> Bools:
    """Return where odd rows of a stream follow each other, two and more.

    Args:
        odd: True for the rows in question, shape (n,).
        stream: What each row belongs to.
    """
    order = np.argsort(stream, kind="stable")
    marked = odd[order]
    new = np.concatenate([[True], (np.diff(stream[order]) != 0) | (np.diff(marked.astype(np.int8)) != 0)])
    run = np.cumsum(new) - 1
    many = np.bincount(run)[run] >= _COMPANY
    found = np.zeros(odd.size, dtype=np.bool_)
    found[order] = marked & many
    return found


def _moved(table: pa.Table, own: Ints, at: Ints, assignment: UtcAssignment, step: int) -> Ints:
    """Return own times [ns] with each receiver's steps taken out; see `TimeCorrection.added`."""
    moved = own
    codes, names = receiver_codes(table)
    for code in np.unique(codes):
        if names[code] in assignment.own:
            moved = np.where(codes == code, moved + assignment.own[names[code]].added(at, step), moved)
    return moved


def _is_near(late: Ints, assignment: UtcAssignment) -> Bools:
    """Return True where a sentence is no later than one can be, nor earlier [ns]."""
    near: Bools = (late > (-_LATE_NS if assignment.fit is None else _EARLY_NS)) & (late < _LATE_NS)
    return near


# UTC of rejected lines.

REJECTS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        ("line", pa.int64()),
        ("t", pa.timestamp("ns", tz="UTC")),
        ("reason", pa.string()),
        ("bytes", pa.binary()),
        ("field", pa.string()),
    ]
)
"""Schema of ``rejects.parquet``; ``line`` is counted from 1, as an editor or a spreadsheet shows it; ``field`` is what
alone is void, null where all of the bytes were refused."""

LineTimes = tuple[Ints, Ints]
"""Lines of one raw file, ascending, and the UTC [ns] of each."""


def line_times(with_utc: Mapping[str, pa.Table]) -> LineTimes:
    """Return the lines of a placed downsampled index that have a time, and that time."""
    at, t_ns = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for table in with_utc.values():
        told = known(table["t_ns"])
        at.append(integers(table["line"])[0][told])
        t_ns.append(integers(table["t_ns"])[0][told])
    lines, times = np.concatenate(at), np.concatenate(t_ns)
    order = np.argsort(lines, kind="stable")
    return lines[order], times[order]


def assign_utc_to_rejects(rejects: pa.Table, times: LineTimes) -> pa.Table:
    """Return rejects as ``rejects.parquet`` holds them, each with the time of the downsampled index's line before it.

    Args:
        rejects: As decoded (`trialcapture.decode.rejects.SCHEMA`).
        times: From `line_times` of the same raw file; empty where nothing in it could be placed.
    """
    line, _ = integers(rejects["line"])  # counted from 0 so far, from 1 in the file that people read
    stamp = pa.timestamp("ns", tz="UTC")
    at, t_ns = times
    if at.size:
        before = np.clip(np.searchsorted(at, line, side="right") - 1, 0, at.size - 1)
        when = to_arrow(t_ns[before], kind=stamp)
    else:
        when = pa.nulls(line.size, stamp)
    texts = {name: rejects[name].cast(pa.string()) for name in ("source", "reason", "field")}
    columns = [texts["source"], to_arrow(line + 1), when, texts["reason"], rejects["bytes"], texts["field"]]
    return pa.table(columns, schema=REJECTS_SCHEMA)
