"""One series per channel group from all its sources: the best first, another only as a marked fallback.

Channels that are published when they change and otherwise not are told from silent ones, and held until they change.
Some loggers leave a cell empty, and some instruments send nothing, as long as a reading stays what it was. Such a
channel shows itself: of its readings, no two in a row are alike, and after a silence it has moved by about the
smallest step it ever moves, however long the silence was. A channel that was read all the time and lost for a while
repeats itself where it is coarse, and moves by less than any step where it is fine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.buffers import equals, floats_to_arrow, integers
from trialcapture.config import Config
from trialcapture.prepare.clocks.downsampled_index import LONGEST_SPACING_S
from trialcapture.prepare.clocks.sentence_times import STANDS_FOR_COLUMN, integer_column, readings_of, receiver_codes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One source's readings of one channel group.

    Attributes:
        source: ``source/talker`` and formatter.
        t_ns: UTC of each reading [ns], ascending.
        values: One array per channel name, NaN where void.
        preference: Lower is better; how directly the formatter measures the group.
        stands_for: How many readings each one stands for where the candidate is a downsampled index; None for one each.
        age_ns: How long each reading has been held for want of another [ns]; None where none is.
    """

    source: str
    t_ns: Ints
    values: dict[str, Floats]
    preference: int
    stands_for: Ints | None = None
    age_ns: Ints | None = None

    def select(self, which: slice | Bools) -> Candidate:
        """Return some of the readings."""
        return replace(
            self,
            t_ns=self.t_ns[which],
            values={name: of[which] for name, of in self.values.items()},
            stands_for=None if self.stands_for is None else self.stands_for[which],
            age_ns=None if self.age_ns is None else self.age_ns[which],
        )

    def between(self, low_ns: int, high_ns: int) -> Candidate:
        """Return the readings from one instant to another [ns UTC], both included."""
        return self.select(slice(*np.searchsorted(self.t_ns, [low_ns, high_ns + 1])))


def series_schema(channels: Sequence[str]) -> pa.Schema:
    """Return the schema of one group's series; ``age_ns`` follows where readings are held."""
    values = ((name, pa.float64()) for name in channels)
    return pa.schema([("t_ns", pa.int64()), *values, ("fallback", pa.bool_())])


def column(table: pa.Table, name: str) -> Floats:
    """Return a numeric column as float64 with NaN for null."""
    return buffers.floats(table[name])


def truth(table: pa.Table, name: str) -> Bools:
    """Return a boolean column with null as False."""
    return buffers.truths(table[name])


@dataclass(frozen=True, slots=True)
class SourceRows:
    """The rows of a table with UTC that one source sent and that have a time, in order of time.

    Attributes:
        source: ``source/talker``.
        rows: Which rows of the table; a slice takes them without a copy where they are all of it.
        t_ns: UTC of each [ns], ascending.
        stands_for: As in `Candidate`.
    """

    source: str
    rows: Ints | slice
    t_ns: Ints
    stands_for: Ints | None


def find_sources(table: pa.Table) -> list[SourceRows]:
    """Return the rows of each ``source/talker`` of a table with UTC; rows without a time are left out."""
    t_ns, has_time = integer_column(table, "t_ns")
    codes, names = receiver_codes(table)
    counts = readings_of(table) if STANDS_FOR_COLUMN in table.column_names else None
    found = []
    for code in np.flatnonzero(np.bincount(codes[has_time])):
        mine = has_time & (codes == code)
        rows: Ints | slice = slice(None) if mine.all() else np.flatnonzero(mine)
        own = t_ns[rows]
        if np.any(own[1:] < own[:-1]):
            rows = np.flatnonzero(mine)[np.argsort(own, kind="stable")]
            own = t_ns[rows]
        found.append(SourceRows(names[code], rows, own, None if counts is None else counts[rows]))
    return found


def split_sources(
    sources: Iterable[SourceRows], values: Mapping[str, Floats], formatter: str, preference: int
) -> list[Candidate]:
    """Return one candidate per source of a table; rows without any value are left out.

    Args:
        sources: From `find_sources`; one call serves all groups that a table tells.
        values: Channels by name, one value a row of the table, void as NaN.
        formatter: Of the table.
        preference: As in `Candidate`.
    """
    found = []
    for of in sources:
        t_ns, readings, stands_for = of.t_ns, {n: v[of.rows] for n, v in values.items()}, of.stands_for
        some = np.zeros(t_ns.size, dtype=np.bool_)
        for value in readings.values():
            some |= np.isfinite(value)
        if not some.all():
            t_ns, readings = t_ns[some], {n: v[some] for n, v in readings.items()}
            stands_for = None if stands_for is None else stands_for[some]
        if t_ns.size:
            found.append(Candidate(f"{of.source} {formatter}", t_ns, readings, preference, stands_for))
    return found


_COVERS_ENOUGH = 0.8
"""Least share of the longest time covered at which a source may lead for its readings (our choice)."""


def rank_sources(candidates: Iterable[Candidate], gap_s: float, wanted: str = "") -> tuple[str, ...]:
    """Return the sources of one group, the one that is to lead first.

    The leader is the candidate the technician named (`wanted`, found in its source name), else the most direct
    formatter that covers at least half as much time as the best covering one. Among those of one formatter that
    miss little (`_COVERS_ENOUGH`) the one with most readings leads: a fast receiver that was silent for some seconds
    still shows the boat's motion better than a slow one that never was.
    """
    pool = [c for c in candidates if c.t_ns.size]
    covered = {c.source: _covered_s(c, gap_s) for c in pool}
    longest = max(covered.values(), default=0.0)
    named = {c.source for c in pool if wanted and wanted in c.source.split()[0].split("/")}
    ranked = sorted(
        pool,
        key=lambda c: (
            c.source not in named,
            covered[c.source] < 0.5 * longest,
            c.preference,
            covered[c.source] < _COVERS_ENOUGH * longest,
            -(c.t_ns.size if c.stands_for is None else int(c.stands_for.sum())),
            -covered[c.source],
            c.source,
        ),
    )
    return tuple(dict.fromkeys(c.source for c in ranked))


def choose(
    candidates: Iterable[Candidate],
    channels: Sequence[str],
    gap_s: float,
    wanted: str = "",
    ranking: Sequence[str] | None = None,
) -> pa.Table:
    """Merge candidates of one group: one leads, another fills only its gaps and is marked.

    Readings of two receivers are never interleaved: a fallback's reading is used only where the leader has
    been silent for longer than `gap_s`.

    Args:
        candidates: All sources of the group, for the whole recording or a stretch of it.
        channels: Channel names of the group.
        gap_s: Longest gap bridged [s].
        wanted: As in `rank_sources`.
        ranking: Sources in order, the leader first, where it is known; else `rank_sources` decides.
    """
    pool = [c for c in candidates if c.t_ns.size]
    if not pool:
        return buffers.empty_table(series_schema(channels))
    order = rank_sources(pool, gap_s, wanted) if ranking is None else tuple(ranking)
    place = {name: i for i, name in enumerate(order)}
    ranked = sorted(pool, key=lambda c: (place.get(c.source, len(order)), c.source))
    lead = ranked[0]
    t_ns, fallback = lead.t_ns, np.full(lead.t_ns.size, place.get(lead.source, len(order)) > 0)
    values = {name: lead.values.get(name, np.full(t_ns.size, np.nan)) for name in channels}
    ages = _ages(lead)
    for other in ranked[1:]:
        inside = _inside_gaps(other.t_ns, t_ns, gap_s)
        if not inside.size:
            continue
        t_ns = np.concatenate([t_ns, other.t_ns[inside]])
        by_time = np.argsort(t_ns, kind="stable")
        t_ns = t_ns[by_time]
        fallback = np.concatenate([fallback, np.ones(inside.size, dtype=np.bool_)])[by_time]
        ages = np.concatenate([ages, _ages(other)[inside]])[by_time]
        for name in channels:
            added = other.values[name][inside] if name in other.values else np.full(inside.size, np.nan)
            values[name] = np.concatenate([values[name], added])[by_time]
    # of several readings at one instant the last one stands
    last = np.append(t_ns[1:] > t_ns[:-1], True)
    if not last.all():
        t_ns, fallback, values = t_ns[last], fallback[last], {name: v[last] for name, v in values.items()}
        ages = ages[last]
    columns = [buffers.to_arrow(t_ns), *(buffers.floats_to_arrow(values[name]) for name in channels)]
    series = pa.Table.from_arrays([*columns, buffers.to_arrow(fallback)], schema=series_schema(channels))
    return series.append_column("age_ns", buffers.to_arrow(ages)) if ages.any() else series


def _ages(c: Candidate) -> Ints:
    return np.zeros(c.t_ns.size, dtype=np.int64) if c.age_ns is None else c.age_ns


def _covered_s(candidate: Candidate, gap_s: float) -> float:
    """Return the time a series speaks for [s]: its intervals, none counted longer than `gap_s` a reading."""
    if candidate.t_ns.size < 2:
        return 0.0
    step_s = np.diff(candidate.t_ns) / 1e9
    if candidate.stands_for is None:
        return float(np.minimum(step_s, gap_s).sum())
    # a row of a downsampled index that stands for several readings speaks for its bin, and for one gap after it
    several = candidate.stands_for[:-1]
    most_s = np.where(several > 1, np.minimum(several * gap_s, LONGEST_SPACING_S + gap_s), gap_s)
    return float(np.minimum(step_s, most_s).sum())


def _inside_gaps(t_ns: Ints, lead_ns: Ints, gap_s: float) -> Ints:
    """Return indices of the times in a silence of the leader longer than `gap_s`, or outside its whole span.

    Args:
        t_ns: Times, ascending [ns].
        lead_ns: Times of the leader, ascending [ns], at least one.
        gap_s: Longest gap bridged [s]; within half of it from a reading of the leader nothing is taken.
    """
    gap = round(gap_s * 1e9)
    silent = np.flatnonzero(lead_ns[1:] - lead_ns[:-1] > gap)
    # silences are few and times many: each silence is looked up among the times
    first = np.searchsorted(t_ns, lead_ns[silent] + gap // 2, side="right")
    end = np.searchsorted(t_ns, lead_ns[silent + 1] - gap // 2)
    before = np.searchsorted(t_ns, lead_ns[0] - gap // 2)
    after = np.searchsorted(t_ns, lead_ns[-1] + gap // 2, side="right")
    bounds = zip([0, *first, after], [before, *end, t_ns.size], strict=True)
    return np.concatenate([np.arange(a, b) for a, b in bounds])


# Channels of the boat: position, speeds, heading, depth, wind, water, turn.


class Adder(Protocol):
    """Takes one formatter's values for a channel group."""

    def __call__(self, group: str, name: str, preference: int, **values: Floats) -> None:
        """Add the values, one array per channel, void as NaN."""


def gather_boat(
    with_utc: Mapping[str, pa.Table], config: Config, variation_deg: float | None = None
) -> tuple[dict[str, list[Candidate]], list[str]]:
    """Return candidates by boat channel group from sentences with UTC, and warnings for people.

    Args:
        with_utc: Tables by formatter with ``t_ns``.
        config: Boat and trial settings.
        variation_deg: Magnetic variation of the whole log, east positive, from `find_variation_deg`; None finds it
            in these tables.
    """
    found: dict[str, list[Candidate]] = {}
    warnings: list[str] = []
    sources: dict[str, list[SourceRows]] = {}

    def add(group: str, name: str, preference: int, **values: Floats) -> None:
        if name not in sources:
            sources[name] = find_sources(with_utc[name])
        found.setdefault(group, []).extend(split_sources(sources[name], values, name, preference))

    for preference, name in enumerate(("RMC", "GNS", "GGA", "GLL", "POSITION")):
        if name in with_utc:
            valid = truth(with_utc[name], "valid")
            lat, lon = (np.where(valid, column(with_utc[name], c), np.nan) for c in ("lat_deg", "lon_deg"))
            add("position", name, preference, lat_deg=lat, lon_deg=lon)
    for preference, name in enumerate(("RMC", "VTG", "VELOCITY")):
        if name in with_utc:
            valid = truth(with_utc[name], "valid")
            sog, cog = (np.where(valid, column(with_utc[name], c), np.nan) for c in ("sog_kn", "cog_true_deg"))
            add("velocity", name, preference, sog_kn=sog, cog_true_deg=cog)
    variation_deg = find_variation_deg(with_utc, config) if variation_deg is None else variation_deg
    _gather_heading(with_utc, variation_deg, add, warnings)
    if "VHW" in with_utc:
        add("stw", "VHW", 0, stw_kn=column(with_utc["VHW"], "stw_kn"))
    if "VBW" in with_utc:
        water = np.where(truth(with_utc["VBW"], "water_valid"), column(with_utc["VBW"], "stw_kn"), np.nan)
        add("stw", "VBW", 1, stw_kn=water)
    _gather_depth(with_utc, add)
    _gather_wind(with_utc, variation_deg, add)
    if "MTW" in with_utc:
        add("water_temp", "MTW", 0, water_temp_c=column(with_utc["MTW"], "water_temp_c"))
    if "MDA" in with_utc:
        add("water_temp", "MDA", 1, water_temp_c=column(with_utc["MDA"], "water_temp_c"))
    if "ROT" in with_utc:
        turn = np.where(truth(with_utc["ROT"], "valid"), column(with_utc["ROT"], "rate_of_turn_deg_per_min"), np.nan)
        add("turn", "ROT", 0, rate_of_turn_deg_per_min=turn)
    if "RSA" in with_utc:
        # a single rudder is told as the starboard one (IEC 61162-1, as restated in the open "NMEA Revealed" document)
        sides = [column(with_utc["RSA"], f"rudder_{side}_deg") for side in ("stbd", "port")]
        add("rudder", "RSA", 0, rudder_deg=np.where(np.isfinite(sides[0]), *sides))
    return found, warnings


def _gather_heading(with_utc: Mapping[str, pa.Table], variation: float | None, add: Adder, warnings: list[str]) -> None:
    for preference, name in enumerate(("HDT", "THS", "VHW")):
        if name in with_utc:
            heading = column(with_utc[name], "heading_true_deg")
            if name == "THS":
                heading = np.where(truth(with_utc[name], "valid"), heading, np.nan)
            add("heading", name, preference if name != "VHW" else 5, heading_true_deg=heading)
    for preference, name, magnetic in ((3, "HDG", "heading_sensor_deg"), (4, "HDM", "heading_magnetic_deg")):
        if name not in with_utc:
            continue
        heading = column(with_utc[name], magnetic)
        own = column(with_utc[name], "variation_deg") if name == "HDG" else np.full(heading.size, np.nan)
        if name == "HDG":
            heading = heading + np.nan_to_num(column(with_utc[name], "deviation_deg"))
        used = np.where(np.isfinite(own), own, np.nan if variation is None else variation)
        if np.isfinite(heading).any() and not np.isfinite(used).any():
            warnings.append(
                f"{name} gives a magnetic heading and no sentence gives the variation; heading is left out "
                "(set trial.magnetic_variation_deg)"
            )
        add("heading", name, preference, heading_true_deg=(heading + used) % 360.0)


def find_variation_deg(with_utc: Mapping[str, pa.Table], config: Config) -> float | None:
    """Return the magnetic variation, east positive: as declared, else the receiver's own median."""
    if config.trial.magnetic_variation_deg is not None:
        return config.trial.magnetic_variation_deg
    for name in ("RMC", "HDG"):
        if name in with_utc:
            told = column(with_utc[name], "variation_deg")
            if np.isfinite(told).any():
                return float(np.nanmedian(told))
    return None


def _gather_depth(with_utc: Mapping[str, pa.Table], add: Adder) -> None:
    """Depth of water: DBS as told; DPT and DBT from the transducer, DPT with its offset to the waterline."""
    if "DBS" in with_utc:
        add("depth", "DBS", 0, depth_m=column(with_utc["DBS"], "depth_m"))
    if "DPT" in with_utc:
        offset = np.nan_to_num(column(with_utc["DPT"], "offset_m"))
        # a negative offset points to the keel and says nothing about the surface
        add("depth", "DPT", 1, depth_m=column(with_utc["DPT"], "depth_m") + np.maximum(offset, 0.0))
    for preference, name in ((2, "DBT"), (3, "DBK")):
        if name in with_utc:
            add("depth", name, preference, depth_m=column(with_utc[name], "depth_m"))


def _gather_wind(with_utc: Mapping[str, pa.Table], variation: float | None, add: Adder) -> None:
    """Apparent wind from MWV with reference R and VWR; true wind over ground from MWD and MDA.

    MWV with reference T and VWT tell the theoretical wind off the bow, which rests on the boat's log: not used.
    """
    if "MWV" in with_utc:
        table = with_utc["MWV"]
        valid = truth(table, "valid") & equals(table["reference"], "R")
        angle, speed = (np.where(valid, column(table, c), np.nan) for c in ("wind_angle_deg", "wind_speed_kn"))
        add("wind_apparent", "MWV", 0, wind_speed_apparent_kn=speed, wind_angle_apparent_deg=angle)
    if "VWR" in with_utc:
        angle, speed = (column(with_utc["VWR"], c) for c in ("wind_angle_apparent_deg", "wind_speed_apparent_kn"))
        add("wind_apparent", "VWR", 1, wind_speed_apparent_kn=speed, wind_angle_apparent_deg=angle)
    for preference, name in enumerate(("MWD", "MDA")):
        if name in with_utc:
            true, magnetic = (column(with_utc[name], f"wind_from_{north}_deg") for north in ("true", "magnetic"))
            by_compass = (magnetic + (np.nan if variation is None else variation)) % 360.0
            angle, speed = np.where(np.isfinite(true), true, by_compass), column(with_utc[name], "wind_speed_true_kn")
            add("wind_true", name, preference, wind_speed_true_kn=speed, wind_from_true_deg=angle)


def find_air(with_utc: Iterable[Mapping[str, pa.Table]]) -> dict[str, float]:
    """Return the medians of air pressure [hPa] and air temperature [°C] over all logs, where they are told."""
    logs = [tables["MDA"] for tables in with_utc if "MDA" in tables]
    found = {}
    for name in ("pressure_hpa", "air_temp_c"):
        told = np.concatenate([column(table, name) for table in logs] or [np.zeros(0)])
        if np.isfinite(told).any():
            found[name] = float(np.nanmedian(told))
    return found


HOLD_MOST_S = 900.0
"""No reading is held longer: the device behind it may have died (common practice, no source)."""
PAUSE_S = 5.0
"""A logger without any reading for this long, and for three of its usual intervals, has paused (no source)."""
FEWEST_CHANGES, FEWEST_ROWS = 8, 30
"""Changes and rows from which a channel can be called published on change (our choice, no source)."""
REPEATING_SHARE = 0.2
"""Rows written on change repeat at least one of their columns this often (no source)."""
FEW_CHANGES = 3.0
"""A row after a silence differs by no more smallest changes than this where the logger was at work (no source)."""
SILENT_STEP_S = 1.0
"""Least spacing of the rows made for a silence [s] (our choice, no source)."""
REPEATED_SHARE = 0.01
"""Share of readings that repeat the one before, above which a channel is published whether it changes or not (our
choice, no source)."""
FLOOR_SHARE = 0.4
"""Changes after a silence are about the smallest there are: the smallest must be this share of them. Of normal noise it
is a tenth (our choice, no source)."""
SETTLED_S = 90.0
"""Time in which a hull has answered a change of rpm [s] (common practice, no source)."""
SPEED_MOVED_SHARE, SPEED_MOVED_KN = 0.25, 2.0
"""A speed that moves this far while an engine reading is held, later than a hull needs to settle, says that the
reading is not being told any more (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RowsOnChange:
    """An engine log with a row only where some reading has changed.

    Attributes:
        interval_s: Shortest time between its rows.
        smallest: Smallest change of each of its columns.
    """

    interval_s: float
    smallest: Mapping[str, float]

    def silences(self, t_ns: Ints, values: Mapping[str, Floats]) -> Ints:
        """Return times without a row at which the readings of the row before still stood [ns].

        A silence is one of a logger at work where the row after it differs by little: what had paused, or died, comes
        back with other readings.

        Args:
            t_ns: Time of each row, ascending [ns].
            values: Its readings by column.
        """
        changed = _changes(values, self.smallest)
        gap_ns = np.diff(t_ns)
        step_ns = round(max(self.interval_s, SILENT_STEP_S) * 1e9)
        quiet = (gap_ns > step_ns) & (gap_ns <= HOLD_MOST_S * 1e9) & (changed <= FEW_CHANGES)
        found = [np.arange(t_ns[i] + step_ns, t_ns[i + 1], step_ns) for i in np.flatnonzero(quiet)]
        return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class OnChange:
    """Which channels of a trial are published on change only, with the smallest change that is published.

    Attributes:
        columns: By engine log, its columns.
        sources: By channel group, its sources on the network.
        rows: Engine logs that have a row on change only.
    """

    columns: dict[str, dict[str, float]] = field(default_factory=dict)
    sources: dict[str, dict[str, float]] = field(default_factory=dict)
    rows: dict[str, RowsOnChange] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Return whether anything is."""
        return bool(self.columns or self.sources or self.rows)

    def deadband(self, group: str, source: str) -> float:
        """Return the smallest change published by a source on the network; 0 where it publishes all."""
        return self.sources.get(group, {}).get(source, 0.0)


def find_deadband(t_ns: Ints, values: Floats, gap_s: float, stands_for: Ints | None = None) -> float:
    """Return the smallest change a channel publishes, 0 where it is not published on change only.

    Args:
        t_ns: Times of its readings, ascending [ns].
        values: The readings; NaN where there was none.
        gap_s: Longest gap that is bridged anyway [s]: a channel without a longer one is left alone.
        stands_for: How many readings each stands for; only those next to each other in the log are compared.
    """
    known = np.isfinite(values)
    t_ns, values = t_ns[known], values[known]
    next_to = np.ones(max(values.size - 1, 0), dtype=np.bool_)
    if stands_for is not None:
        next_to = stands_for[known][:-1] <= 1
    changes, spacing_s = np.abs(np.diff(values))[next_to], np.diff(t_ns)[next_to] / 1e9
    if changes.size < FEWEST_CHANGES or not (spacing_s > gap_s).any():
        return 0.0
    if np.mean(changes <= 1e-9 * np.abs(values).max()) > REPEATED_SHARE:
        return 0.0
    after_silence = changes[spacing_s > 2.0 * float(np.quantile(spacing_s, 0.1))]
    smallest = float(np.quantile(changes, 0.05))
    return smallest if after_silence.size and smallest >= FLOOR_SHARE * float(np.median(after_silence)) else 0.0


def find_in_log(log: pa.Table, names: Iterable[str], gap_s: Mapping[str, float]) -> dict[str, float]:
    """Return the columns of an engine log that are filled on change only, each with the smallest change.

    Args:
        log: Rows, or their downsampled index.
        names: Columns in question.
        gap_s: Longest gap that is bridged in each [s].
    """
    t_ns = integers(log["t_log_ns"])[0]
    found = {name: find_deadband(t_ns, column(log, name), gap_s[name]) for name in names}
    return {name: deadband for name, deadband in found.items() if deadband > 0.0}


def find_rows_on_change(log: pa.Table, names: Iterable[str], gap_s: float) -> RowsOnChange | None:
    """Return how an engine log has a row on change only, None where it has not.

    No row is as the one before, though single columns repeat; and after a silence one reading or two have moved, by
    about the smallest step they ever move.

    Args:
        log: Rows, or their downsampled index.
        names: Columns in question.
        gap_s: Longest gap that is bridged anyway [s].
    """
    t_ns = integers(log["t_log_ns"])[0]
    values = {name: column(log, name) for name in names}
    spacing_s = np.diff(t_ns) / 1e9
    if spacing_s.size < FEWEST_ROWS or not values:
        return None
    steps = {name: np.abs(np.diff(v)) for name, v in values.items()}
    smallest = {
        name: float(np.quantile(moved, 0.05))
        for name, s in steps.items()
        if (moved := s[np.isfinite(s) & (s > 0)]).size
    }
    repeats = [float(np.mean(s[np.isfinite(s)] == 0.0)) for s in steps.values() if np.isfinite(s).any()]
    changed = _changes(values, smallest)
    interval_s = float(np.quantile(spacing_s, 0.05))
    silent = spacing_s > 2.0 * interval_s
    if np.mean(changed == 0.0) > REPEATED_SHARE or max(repeats, default=0.0) < REPEATING_SHARE:
        return None
    if silent.sum() < FEWEST_CHANGES or not (spacing_s > gap_s).any() or np.median(changed[silent]) > FEW_CHANGES:
        return None
    return RowsOnChange(interval_s, smallest)


def _changes(values: Mapping[str, Floats], smallest: Mapping[str, float]) -> Floats:
    """Return by how many smallest changes, over all columns, each row differs from the one before, shape (n - 1,)."""
    moved = [np.nan_to_num(np.abs(np.diff(values[name]))) / step for name, step in smallest.items() if name in values]
    size = next(iter(values.values())).size - 1 if values else 0
    return np.asarray(np.sum(moved, axis=0), dtype=np.float64) if moved else np.zeros(max(size, 0))


def held_rows(t_ns: Ints, values: Floats, alive_ns: Ints) -> tuple[Floats, Ints]:
    """Return what a channel published on change shows at rows without a reading, and how old that is [ns].

    Args:
        t_ns: Time of each row, ascending [ns].
        values: Shape (n,), NaN where the row has no reading of it.
        alive_ns: When the logger is known to have been at work, ascending; a pause of it ends what was held.
    """
    rows = np.arange(values.size)
    last = np.maximum.accumulate(np.where(np.isfinite(values), rows, -1))
    age_ns = np.where(last >= 0, t_ns - t_ns[np.maximum(last, 0)], 0)
    pause_ns = max(PAUSE_S * 1e9, 3.0 * float(np.median(np.diff(alive_ns))) if alive_ns.size > 1 else 0.0)
    pauses = alive_ns[1:][np.diff(alive_ns) > pause_ns]
    so_far = np.searchsorted(pauses, t_ns, side="right")
    same = (last >= 0) & (so_far == so_far[np.maximum(last, 0)]) & (age_ns <= HOLD_MOST_S * 1e9)
    return np.where(same, values[np.maximum(last, 0)], values), np.where(same, age_ns, 0)


def hold_in_log(log: pa.Table, columns: Iterable[str]) -> pa.Table:
    """Return an engine log with the columns filled on change held until they change."""
    t_ns = integers(log["t_log_ns"])[0]
    for name in columns:
        held = held_rows(t_ns, column(log, name), t_ns)[0]
        log = log.set_column(log.schema.get_field_index(name), log.schema.field(name), floats_to_arrow(held))
    return log


def hold(c: Candidate, alive_ns: Ints) -> Candidate:
    """Return readings published on change with what is held of them at every instant the logger was at work.

    Args:
        c: The readings.
        alive_ns: As in `held_rows`.
    """
    if not c.t_ns.size:
        return c
    added = np.setdiff1d(alive_ns[alive_ns > c.t_ns[0]], c.t_ns)
    t_ns = np.concatenate([c.t_ns, added])
    order = np.argsort(t_ns, kind="stable")
    t_ns, none = t_ns[order], np.full(added.size, np.nan)
    values, ages = {}, np.zeros(t_ns.size, dtype=np.int64)
    for name, readings in c.values.items():
        values[name], age_ns = held_rows(t_ns, np.concatenate([readings, none])[order], alive_ns)
        ages = np.maximum(ages, age_ns)
    known = np.any([np.isfinite(v) for v in values.values()], axis=0)
    return replace(c, t_ns=t_ns[known], values={n: v[known] for n, v in values.items()}, age_ns=ages[known])


def alive_times(candidates: Mapping[str, Iterable[Candidate]], source: str) -> Ints:
    """Return when the wire of a source is known to have been at work: any reading that came by it [ns].

    Where nothing else came by it, all the network stands for it.
    """
    network = [c for members in candidates.values() for c in members if not c.source.startswith("log/")]
    wire = source.split("/", maxsplit=1)[0]
    others = [c.t_ns for c in network if c.source.split("/")[0] == wire and c.source != source]
    own = [c.t_ns for c in network if c.source == source]
    times = [*(others or [c.t_ns for c in network]), *own]
    return np.unique(np.concatenate(times)) if times else np.zeros(0, dtype=np.int64)


def find_contradicted(
    grid_ns: Ints, age_ns: Ints, speed_ns: Ints, speed_kn: Floats, gap_s: float
) -> npt.NDArray[np.bool_]:
    """Return the instants at which a held engine reading cannot be true: the speed has long moved away.

    Args:
        grid_ns: Instants [ns UTC].
        age_ns: How old the reading is at each; negative where there is none.
        speed_ns: Times of the speed over ground, ascending.
        speed_kn: The speed.
        gap_s: Ages up to this are no hold.
    """
    wrong = np.zeros(grid_ns.size, dtype=np.bool_)
    known = np.isfinite(speed_kn)
    speed_ns, speed_kn = speed_ns[known], speed_kn[known]
    held = age_ns > max(gap_s, SETTLED_S) * 1e9
    if not held.any() or speed_ns.size < 2:
        return wrong
    told = grid_ns - age_ns
    for last in np.unique(told[held]):
        settled = slice(
            *np.searchsorted(speed_ns, [last + round(SETTLED_S * 1e9), last + round((SETTLED_S + 10) * 1e9)])
        )
        if settled.start == settled.stop:
            continue
        reference = float(np.median(speed_kn[settled]))
        moved = np.abs(speed_kn[settled.start :] - reference) > max(SPEED_MOVED_SHARE * reference, SPEED_MOVED_KN)
        if moved.any():
            wrong |= held & (told == last) & (grid_ns >= speed_ns[settled.start + int(np.argmax(moved))])
    return wrong
