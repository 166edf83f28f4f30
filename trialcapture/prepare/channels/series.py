"""One series per channel group from all its sources: the best first, another only as a marked fallback."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.buffers import equals
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
