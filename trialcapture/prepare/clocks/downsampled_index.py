"""The downsampled index of a log: few rows, held whole, from which clocks are fitted and sources ranked.

A day's log does not fit into memory. What must be known of all of it at once does: one sentence a second of each
receiver, two rpm readings a second, one row in five seconds of all else. Every row says how many it stands for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import coded, floats, to_arrow, truths
from trialcapture.prepare.clocks.lower_envelope import FROZEN_NS, find_repeats
from trialcapture.prepare.clocks.sentence_times import (
    CLOCKS,
    DAY_NS,
    STANDS_FOR_COLUMN,
    TIMED,
    Stamps,
    block_axes,
    find_shifts_ns,
    integer_column,
    receiver_codes,
)
from trialcapture.prepare.sample_statistics import first_least

Ints = npt.NDArray[np.int64]

SPACING_S = {"RMC": 1.0, "VELOCITY": 1.0, "ZDA": 1.0, "VTG": 1.0, "RPM": 0.5}
"""Spacing of the rows kept of one stream, by formatter [s] (our choice: no clock drifts and no boat moves faster; rpm
does)."""
LONGEST_SPACING_S = 5.0
"""Spacing of all other streams [s] (our choice, as above)."""
AXIS = {clock: f"axis_{clock}_ns" for clock in CLOCKS}
"""Columns of a downsampled index: each row's place on the log's receive-time axes [ns]."""
_EARLY_NS, _LATE_NS = 1_000_000_000, 15_000_000_000
"""A time so much too early, or so much too late, for its neighbours stands alone [ns] (our choice, no source)."""
_AGREEING_NS = 5_000_000_000
"""Neighbours whose delays differ by less agree [ns] (our choice, no source)."""
_USUAL_PACE_NS = 100_000_000
"""Time a line takes where nothing tells it (common practice, no source)."""
_STANDING = 3
"""A time told so many times more stands still, or is one of whole seconds (common practice, no source)."""
_RARE = 0.2
"""A receiver whose sentences repeat their time oftener does so by its nature (common practice, no source)."""
_BACK_NS = 2_000_000_000
"""A time that goes back by no more than this between two devices' sentences [ns] (our choice, no source)."""
_SOME, _LONGER, _UNEVEN, _MOSTLY = 0.3, 1.4, 0.2, 0.6
"""Two devices: share of times told once; longest period, in usual ones; how far from the middle, and how often, the
second sentence of a time stands (our choice, no source)."""
_APART_M = 1.0
_CROSSED, _MANY_CROSSED = 0.04, 30
"""Two devices send under one name where more sentences than this share, and than so many, tell a second position, over
a metre off, for a time (common practice, no source): a device of ten times a second beside one of one leaves 0.09."""
_M_PER_DEG = 111_200.0
"""Metres a degree of latitude, to a per cent: WGS 84 at 50 degrees."""
_STREAM = ("kind", "number", "reference", "type", "unit", "name")


@dataclass(frozen=True, slots=True)
class ReportedTimes:
    """The times one receiver told in a log without stamps, in order of lines; shape (n,) each.

    Attributes:
        line: First line of each new time.
        tod_ns: Time of day [ns].
        days: Days since 1970 where a date came with it, else -1.
        fixed: True where the receiver had a fix.
        lat_deg, lon_deg: Position with that fix, else NaN.
        around: How many sentences of other talkers and sources came in before it.
        total: How many of those there are in all.
    """

    line: Ints
    tod_ns: Ints
    days: Ints
    fixed: npt.NDArray[np.bool_]
    lat_deg: npt.NDArray[np.float64]
    lon_deg: npt.NDArray[np.float64]
    around: Ints
    total: int

    @staticmethod
    def joined(parts: Sequence[ReportedTimes]) -> ReportedTimes:
        """Return several blocks' as one."""
        before = np.cumsum([0, *(p.total for p in parts)])
        around = [p.around + int(n) for p, n in zip(parts, before[:-1], strict=True)]
        return ReportedTimes(
            np.concatenate([p.line for p in parts]), np.concatenate([p.tod_ns for p in parts]),
            np.concatenate([p.days for p in parts]), np.concatenate([p.fixed for p in parts]),
            np.concatenate([p.lat_deg for p in parts]), np.concatenate([p.lon_deg for p in parts]),
            np.concatenate(around), int(before[-1]),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class MixedPositions:
    """How often sentences of one formatter and one name tell two positions for one time.

    Attributes:
        count: How many times such a sentence came between those of later times, or at once after the other.
        total: Sentences with a position in all.
        apart_m: Median distance of the two positions of one time [m], shape (blocks,), and how many there are.
    """

    count: int
    total: int
    apart_m: tuple[tuple[float, int], ...]

    def joined(self, other: MixedPositions) -> MixedPositions:
        """Return two blocks' as one."""
        return MixedPositions(self.count + other.count, self.total + other.total, self.apart_m + other.apart_m)

    @property
    def is_two(self) -> bool:
        """True where this is no accident of one device."""
        return self.count >= _MANY_CROSSED and self.count > _CROSSED * self.total


@dataclass(frozen=True, slots=True)
class BlockIndex:
    """What is kept of one block.

    Attributes:
        tables: Kept rows by formatter, with their axis columns (the block's own axis) and `STANDS_FOR_COLUMN`.
        stamps: How each receive clock stamped the block.
        epochs: By receiver, the times it told; only where lines carry no stamps and their order has to do.
        strays: By source and type, such as ``gps1 GPRMC``, how many sentences tell a time that stands alone.
        crossed: By receiver and formatter, what shows that two devices send under one name.
    """

    tables: dict[str, pa.Table]
    stamps: dict[str, Stamps]
    epochs: dict[str, ReportedTimes]
    strays: dict[str, int]
    crossed: dict[tuple[str, str], MixedPositions]


@dataclass(frozen=True, slots=True)
class DownsampledIndex:
    """What is kept of one log.

    Attributes:
        tables: Kept rows by formatter; the axis columns stand on the log's axes.
        stamps: By receive clock, each block's stamps in order.
        shifts_ns: By receive clock, what to add to each block's own axis [ns].
        breaks_ns: By receive clock, where on the log's axis the clock was set back [ns].
        epochs: As in `BlockIndex`, for the whole log.
        bounds: For each block, where its rows begin in every table of `tables`, by formatter.
        strays: As in `BlockIndex`, for the whole log.
        crossed: As in `BlockIndex`, for the whole log.
    """

    tables: dict[str, pa.Table]
    stamps: dict[str, tuple[Stamps, ...]]
    shifts_ns: dict[str, list[int]]
    breaks_ns: dict[str, Ints]
    epochs: dict[str, ReportedTimes]
    bounds: dict[str, list[int]]
    strays: dict[str, int]
    crossed: dict[tuple[str, str], MixedPositions]


def index_block(tables: Mapping[str, pa.Table]) -> BlockIndex:
    """Return the downsampled index of one decoded block.

    Args:
        tables: By formatter, lines ascending in each.
    """
    present = {name: table for name, table in tables.items() if table.num_rows}
    axes: dict[str, dict[str, Ints]] = {}
    stamps: dict[str, Stamps] = {}
    for clock in CLOCKS:
        axes[clock], stamps[clock] = block_axes(present, clock)
    told = next((c for c in CLOCKS if stamps[c].rows and stamps[c].known >= 0.9 * stamps[c].rows), None)
    clock_ns = axes[told] if told else _times_of_day(present)
    kept = {}
    strays: dict[str, int] = {}
    crossed: dict[tuple[str, str], MixedPositions] = {}
    for name, table in present.items():
        delay = clock_ns[name] - integer_column(table, "tod_ns")[0] if name in TIMED and told else None
        if name in TIMED:
            strays |= _count_strays(table, name, delay)
            crossed |= _find_crossed(table, name, clock_ns[name] if told else integer_column(table, "line")[0])
        spacing_ns = round(SPACING_S.get(name, LONGEST_SPACING_S) * 1e9)
        rows, counts = _thin(clock_ns[name], _streams(table), spacing_ns, delay)
        few = table.take(to_arrow(rows))
        added = [to_arrow(axes[clock][name][rows]) for clock in AXIS] + [to_arrow(counts.astype(np.int32))]
        names = [*few.column_names, *AXIS.values(), STANDS_FOR_COLUMN]
        kept[name] = pa.Table.from_arrays([*few.columns, *added], names=names)
    fine = told == "mono" or (told == "wall" and stamps["wall"].is_fine)
    return BlockIndex(kept, stamps, {} if fine else _epochs(present), strays, crossed)


def index_log(rows: pa.Table, spacing_s: float = 0.5) -> pa.Table:
    """Return the downsampled index of an engine log: first row, last row, and one in each `spacing_s` of its clock."""
    t_log_ns = integer_column(rows, "t_log_ns")[0]
    if not t_log_ns.size:
        return rows.append_column(STANDS_FOR_COLUMN, pa.nulls(0, pa.int32()))
    # a clock set back begins a new stream: times seen twice are two readings, not one
    stream = np.concatenate([[0], np.cumsum(np.diff(t_log_ns) < 0)])
    kept, counts = _thin(t_log_ns, stream, round(spacing_s * 1e9), None)
    return rows.take(to_arrow(kept)).append_column(STANDS_FOR_COLUMN, to_arrow(counts.astype(np.int32)))


def _streams(table: pa.Table) -> Ints:
    """Return a code for what each row belongs to: receiver, and engine, transducer or reference where it has one."""
    codes, _ = receiver_codes(table)
    names = table.column_names
    for column in _STREAM:
        if column in names:
            is_number = pa.types.is_integer(table[column].type)
            index, _ = integer_column(table, column) if is_number else coded(table[column])
            codes = codes * (int(index.max(initial=0)) + 1) + index
    return codes


def _times_of_day(tables: Mapping[str, pa.Table]) -> dict[str, Ints]:
    """Return the time of day [ns] told last before each row; it paces a log that has no stamps."""
    timed = [tables[n] for n in TIMED if n in tables]
    line = np.concatenate([integer_column(t, "line")[0] for t in timed] or [np.zeros(0, dtype=np.int64)])
    tod = np.concatenate([integer_column(t, "tod_ns")[0] for t in timed] or [np.zeros(0, dtype=np.int64)])
    if not line.size:
        return {name: integer_column(t, "line")[0] * 100_000_000 for name, t in tables.items()}
    moving = np.concatenate([~_find_told_again(t) for t in timed])
    if not moving.all():
        return _times_of_moving(tables, line[moving], tod[moving])
    order = np.argsort(line, kind="stable")
    line, tod = line[order], tod[order]
    return {
        name: tod[np.maximum(np.searchsorted(line, integer_column(t, "line")[0], side="right") - 1, 0)]
        for name, t in tables.items()
    }


def _times_of_moving(tables: Mapping[str, pa.Table], line: Ints, tod: Ints) -> dict[str, Ints]:
    """Return the time of day [ns] of each row where some receiver's time stood still, by the lines between others."""
    order = np.argsort(line, kind="stable")
    line, tod = line[order], tod[order]
    pace_ns = find_pace_ns(line, tod)
    found = {}
    for name, t in tables.items():
        at = integer_column(t, "line")[0]
        last = np.maximum(np.searchsorted(line, at, side="right") - 1, 0)
        passed_ns = (at - line[last]) * pace_ns
        # a time told in the second before does, as where no time stands still
        found[name] = tod[last] + np.where(np.abs(passed_ns) > FROZEN_NS, passed_ns, 0).astype(np.int64)
    return found


def find_pace_ns(line: Ints, tod_ns: Ints) -> float:
    """Return how long a line takes, by the times of day [ns] told at lines that ascend."""
    step, lines = np.diff(tod_ns), np.diff(line)
    regular = (step >= 0) & (step < _AGREEING_NS)
    count = int(lines[regular].sum())
    return float(step[regular].sum()) / count if count and np.any(step[regular]) else _USUAL_PACE_NS


def _find_told_again(table: pa.Table) -> npt.NDArray[np.bool_]:
    """Return True for sentences that tell again the time of the one before, where a receiver tells one many times."""
    tod, known = integer_column(table, "tod_ns")
    again = np.zeros(tod.size, dtype=np.bool_)
    told = np.flatnonzero(known)
    codes = receiver_codes(table)[0][told]
    rank = np.empty(told.size, dtype=np.int64)
    rank[np.argsort(codes, kind="stable")] = np.arange(told.size)
    since, span = find_repeats(rank, tod[told], codes)
    again[told] = (since > 0) & (span >= _STANDING)
    return again


def _thin(t_ns: Ints, stream: Ints, spacing_ns: int, delay_ns: Ints | None) -> tuple[Ints, Ints]:
    """Return the rows to keep, ascending, and how many rows each stands for.

    In each bin of `spacing_ns` a stream keeps its first row, or where delays are given the one that came with the
    least; the first and the last row of a stream are kept whatever they are.
    """
    # sixteen bits, which tell so many streams apart, are sorted by radix
    is_narrow = bool(np.ptp(stream) < 1 << 16)
    order = np.argsort(stream.astype(np.uint16) if is_narrow else stream, kind="stable")
    own, bins = stream[order], t_ns[order] // spacing_ns
    other = own[1:] != own[:-1]
    first = np.flatnonzero(np.append(True, other | (bins[1:] != bins[:-1])))
    sizes = np.diff(first, append=order.size)
    chosen = first if delay_ns is None else first_least(delay_ns[order], first)
    counts = np.zeros(t_ns.size, dtype=np.int64)
    counts[order[chosen]] = sizes
    ends = np.flatnonzero(other)
    outer = order[np.concatenate([[0], ends, ends + 1, [order.size - 1]])]
    counts[outer] = np.maximum(counts[outer], 1)
    rows = np.flatnonzero(counts)
    return rows, counts[rows]


def _count_strays(table: pa.Table, name: str, delay_ns: Ints | None) -> dict[str, int]:
    """Return how many sentences of each source and type tell a time far from those before and after, which agree.

    Args:
        table: Of one formatter.
        name: The formatter.
        delay_ns: Receive time less the time of day told [ns]; None where lines carry no stamps.
    """
    tod, known = integer_column(table, "tod_ns")
    told = np.flatnonzero(known)
    codes, names = receiver_codes(table)
    found: dict[str, int] = {}
    value = -tod if delay_ns is None else delay_ns
    early_ns = _LATE_NS if delay_ns is None else _EARLY_NS
    if told.size < 3 or np.ptp(value[told]) < min(early_ns, _LATE_NS):
        return found
    for code in np.unique(codes[told]):
        mine = value[told[codes[told] == code]]
        off = _within_a_day(mine[1:-1] - mine[:-2]), _within_a_day(mine[1:-1] - mine[2:])
        apart = np.abs(_within_a_day(mine[2:] - mine[:-2])) < _AGREEING_NS
        far = [(o > _LATE_NS) | (o < -early_ns) for o in off]
        count = int(np.count_nonzero(far[0] & far[1] & apart))
        if count:
            source, talker = names[code].rsplit("/", 1)
            found[f"{source} {talker}{name}"] = count
    return found


def _find_crossed(table: pa.Table, name: str, at: Ints) -> dict[tuple[str, str], MixedPositions]:
    """Return what shows that two devices send a formatter under one name.

    One device tells its times in order, and each once. Where each of its times stands for several sentences, they
    come evenly spaced.

    Args:
        table: Of one formatter.
        name: The formatter.
        at: Receive time of each row [ns], or its line.
    """
    if "lat_deg" not in table.column_names:
        return {}
    tod, known = integer_column(table, "tod_ns")
    lat, lon = floats(table["lat_deg"]), floats(table["lon_deg"])
    rows = np.flatnonzero(known & np.isfinite(lat) & np.isfinite(lon))
    codes, names = receiver_codes(table)
    found = {}
    for code in np.unique(codes[rows]):
        mine = rows[codes[rows] == code]
        # the same sentence again is that of one device, sent on twice
        sent_on = (np.diff(tod[mine]) == 0) & (np.diff(lat[mine]) == 0) & (np.diff(lon[mine]) == 0)
        mine = mine[np.concatenate([[True], ~sent_on])]
        step = np.diff(tod[mine])
        back = (step < 0) & (step >= -_BACK_NS)
        total = int(mine.size)
        found[names[code], name] = MixedPositions(0, total, ())
        odd = int(np.count_nonzero(back)) + _count_between(at[mine], step)
        if odd <= _CROSSED * total:
            continue
        order = mine[np.argsort(tod[mine], kind="stable")]
        pair = np.flatnonzero(np.diff(tod[order]) == 0)
        first, second = order[pair], order[pair + 1]
        scale = np.cos(np.radians(lat[first]))
        apart_m = _M_PER_DEG * np.hypot(lat[second] - lat[first], (lon[second] - lon[first]) * scale)
        apart_m = apart_m[apart_m > _APART_M]
        count = min(odd, apart_m.size)
        if count:
            found[names[code], name] = MixedPositions(count, total, ((float(np.median(apart_m)), apart_m.size),))
    return found


def _count_between(at: Ints, step: Ints) -> int:
    """Return how many times were told twice though one device tells them once.

    Where some times are told twice and most once, a single device would take the longer over the former; where all
    are told twice, it would space its sentences evenly.

    Args:
        at: Receive time of one stream's sentences [ns], or their lines, shape (n,).
        step: From each time told to the next [ns], shape (n - 1,).
    """
    begins = np.flatnonzero(np.concatenate([[True], step != 0]))
    sizes, periods = np.diff(begins), np.diff(at[begins])
    pairs, singles = sizes == 2, sizes == 1
    if not pairs.any():
        return 0
    if np.count_nonzero(singles) > _SOME * sizes.size:
        return int(np.count_nonzero(pairs & (periods < _LONGER * np.median(periods[singles]))))
    first = begins[:-1][pairs]
    share = (at[first + 1] - at[first]) / np.maximum(periods[pairs], 1)
    uneven = np.abs(share - 0.5) > _UNEVEN
    return int(np.count_nonzero(uneven)) if np.mean(uneven) > _MOSTLY else 0


def _within_a_day(difference_ns: Ints) -> Ints:
    """Return differences of times of day [ns] the short way round midnight."""
    return (difference_ns + DAY_NS // 2) % DAY_NS - DAY_NS // 2


def _epochs(tables: Mapping[str, pa.Table]) -> dict[str, ReportedTimes]:
    """Return, by receiver, the first sentence of each new time; a formatter that repeats its time begins one too."""
    gathered: dict[str, list[tuple[Any, ...]]] = {}
    lines: dict[str, list[Ints]] = {}
    for name, table in tables.items():
        line, _ = integer_column(table, "line")
        codes, names = receiver_codes(table)
        present = np.flatnonzero(np.bincount(codes))
        for code in present:
            lines.setdefault(names[code], []).append(line[codes == code])
        if name not in TIMED:
            continue
        tod, known = integer_column(table, "tod_ns")
        columns = table.column_names
        moving = ~_find_told_again(table)
        days, dated = integer_column(table, "date_days") if "date_days" in columns else (tod, np.zeros_like(known))
        days = np.where(dated, days, -1)
        fixed = truths(table["valid"]) if "valid" in columns else np.zeros_like(known)
        lat, lon = (
            np.where(fixed, floats(table[c]), np.nan) if c in columns else np.full(tod.size, np.nan)
            for c in ("lat_deg", "lon_deg")
        )
        for code in present:
            mine = np.flatnonzero(known & moving & (codes == code))
            if mine.size:
                again = np.concatenate([[False], np.diff(tod[mine]) == 0])
                gathered.setdefault(names[code], []).append(
                    (line[mine], tod[mine], days[mine], fixed[mine], lat[mine], lon[mine], again)
                )
    found = {}
    for key, parts in gathered.items():
        line, tod, days, fixed, lat, lon, again = (np.concatenate(p) for p in zip(*parts, strict=True))
        order = np.argsort(line, kind="stable")
        line, tod, days, again = line[order], tod[order], days[order], again[order]
        fixed, lat, lon = fixed[order], lat[order], lon[order]
        new = np.concatenate([[True], np.diff(tod) != 0])
        if np.count_nonzero(again) <= _RARE * np.count_nonzero(new):
            new |= again
        begins = np.flatnonzero(new)
        # the position of an epoch is the first that any of its sentences gives, and so is its date
        at = _first_where(np.isfinite(lat), begins)
        others = np.sort(np.concatenate([x for other, of in lines.items() if other != key for x in of] or [line[:0]]))
        found[key] = ReportedTimes(
            line[begins], tod[begins], days[_first_where(days >= 0, begins)], np.logical_or.reduceat(fixed, begins),
            lat[at], lon[at], np.searchsorted(others, line[begins]), int(others.size),
        )  # fmt: skip
    return found


def _first_where(good: npt.NDArray[np.bool_], begins: Ints) -> Ints:
    """Return the first good row of each stretch that begins so, or its first row where none is good."""
    first = np.minimum.reduceat(np.where(good, np.arange(good.size), good.size), begins)
    return np.where(first < good.size, first, begins)


def join_indexes(blocks: Sequence[BlockIndex]) -> DownsampledIndex:
    """Return the downsampled index of a log from those of its blocks, in order."""
    stamps = {clock: tuple(b.stamps[clock] for b in blocks) for clock in CLOCKS}
    shifts, breaks = {}, {}
    for clock in CLOCKS:
        shifts[clock], breaks[clock] = find_shifts_ns(stamps[clock])
    tables, bounds = {}, {}
    for name in dict.fromkeys(n for b in blocks for n in b.tables):
        parts = []
        sizes = [0]
        for i, block in enumerate(blocks):
            part = block.tables.get(name)
            sizes.append(sizes[-1] + (0 if part is None else part.num_rows))
            if part is not None:
                parts.append(_shifted(part, {clock: shifts[clock][i] for clock in CLOCKS}))
        tables[name] = pa.concat_tables(parts, promote_options="permissive").unify_dictionaries().combine_chunks()
        bounds[name] = sizes
    epochs = {}
    for key in dict.fromkeys(k for b in blocks for k in b.epochs):
        epochs[key] = ReportedTimes.joined([b.epochs[key] for b in blocks if key in b.epochs])
    strays: Counter[str] = Counter()
    for block in blocks:
        strays.update(block.strays)
    crossed: dict[tuple[str, str], MixedPositions] = {}
    for block in blocks:
        for of, found in block.crossed.items():
            crossed[of] = crossed[of].joined(found) if of in crossed else found
    return DownsampledIndex(tables, stamps, shifts, breaks, epochs, bounds, dict(strays), crossed)


def _shifted(table: pa.Table, shift_ns: Mapping[str, int]) -> pa.Table:
    for clock, column in AXIS.items():
        if shift_ns[clock]:
            moved = to_arrow(integer_column(table, column)[0] + shift_ns[clock])
            table = table.set_column(table.schema.get_field_index(column), column, moved)
    return table
