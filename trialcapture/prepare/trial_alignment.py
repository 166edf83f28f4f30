"""Trial alignment: what must be known of a whole trial before it is gridded, found from downsampled indexes.

These are the clocks, the ranking of sources by channel group, engines by number, channels published on change, and the
readings that are not used.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, table_of
from trialcapture.channels import base_group, engine_channels, groups
from trialcapture.config import Config, EngineLog
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.engine_readings import (
    FUEL_STEMS,
    Numbers,
    fuel_rate_warnings,
    fuel_resolution,
    gather_can_engines,
    gather_log,
    gather_network_rpm,
    gather_xdr,
    impossible_fuel,
    log_source,
    match_engines,
    unmapped_transducers,
)
from trialcapture.prepare.channels.grid import joined_by_source, void_failed
from trialcapture.prepare.channels.receiver_choice import (
    Screen,
    compare_receivers,
    find_stuck,
    find_stuck_rpm,
    jump_items,
    receiver_of,
)
from trialcapture.prepare.channels.resolution import Resolution, find_resolution
from trialcapture.prepare.channels.series import (
    Candidate,
    OnChange,
    alive_times,
    choose,
    find_air,
    find_deadband,
    find_in_log,
    find_rows_on_change,
    find_variation_deg,
    gather_boat,
    hold,
    hold_in_log,
    rank_sources,
)
from trialcapture.prepare.clocks.downsampled_index import DownsampledIndex
from trialcapture.prepare.clocks.log_alignment import align_engine_log, assign_utc_to_rows, find_exchanged, rate_items
from trialcapture.prepare.clocks.log_clock import BUS_U_S, EngineLogClock
from trialcapture.prepare.clocks.lower_envelope import ClockFit
from trialcapture.prepare.clocks.receiver_clocks import GNSS_LATENCY_S, ClockRow
from trialcapture.prepare.clocks.sentence_times import DAY_NS
from trialcapture.prepare.clocks.utc_assignment import Stop, UtcAssignment, assign_utc_to_index, find_utc_assignment
from trialcapture.prepare.data_health import DataHealth, Item, unmapped_items

Ints = npt.NDArray[np.int64]
Candidates = dict[str, list[Candidate]]
"""Candidates by channel group."""
WallOffsets = tuple[tuple[int, int], ...]
"""From which stamp of the computer's clock on [ns since 1970] UTC is how much later [ns]; the last entry ends it."""

CLOCKS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        pa.field("offset_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("offset_u_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("drift_ppm", pa.float64(), metadata={"unit": "1e-6"}),
        pa.field("drift_u_ppm", pa.float64(), metadata={"unit": "1e-6"}),
        ("method", pa.string()),
        ("quality", pa.string()),
        pa.field("from_ns", pa.int64(), metadata={"unit": "ns"}),
        pa.field("to_ns", pa.int64(), metadata={"unit": "ns"}),
    ]
)
"""Schema of ``clocks.parquet``. Of a log in pieces, `from_ns` and `to_ns` tell between what UTC a piece lies; null
elsewhere."""

MEASURING = ("velocity", "rpm", "fuel")
"""Groups whose first channel feeds a result as a number."""
ON_CHANGE = ("rpm", "fuel", "trim", "stw", "depth", "water_temp")
"""Groups of one channel that instruments may publish on change only."""
LONGEST_DAYS = 14
"""Longest session that is taken for one trial (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class LogFacts:
    """What holds for all of one NMEA or CAN log.

    Attributes:
        assignment: How its lines get their UTC.
        variation_deg: Magnetic variation, east positive, or None.
        numbers: Which engine number is which engine.
        with_utc: The log's downsampled index with ``t_ns``.
    """

    assignment: UtcAssignment
    variation_deg: float | None
    numbers: Numbers
    with_utc: dict[str, pa.Table]


@dataclass(frozen=True, slots=True)
class TrialAlignment:
    """What holds for the whole trial.

    Attributes:
        logs: By raw file, what holds for it.
        fits: By engine-log file that is used, its clock.
        rankings: By channel group, its sources, the leader first.
        span_ns: First and last UTC of position or speed [ns], or None where there is neither.
        clocks: The clocks table.
        warnings: Sentences for people.
        health: What is wrong with the data, as far as clocks and sources tell.
        screen: What of the readings is not used as told.
        on_change: What is published on change only.
        resolutions: By channel that feeds a result, how finely its leading source can be read.
        air: Pressure [hPa] and temperature [°C] of the air, as far as told: ``pressure_hpa``, ``air_temp_c``.
        marks_ns: The marks people made, on UTC [ns since 1970], in the order given.
        wall_offsets: How far the recording computer's clock was off UTC.
    """

    logs: dict[str, LogFacts]
    fits: dict[str, EngineLogClock]
    rankings: dict[str, tuple[str, ...]]
    span_ns: tuple[int, int] | None
    clocks: pa.Table
    warnings: list[str]
    health: DataHealth
    screen: Screen
    on_change: OnChange
    resolutions: dict[str, Resolution]
    air: dict[str, float]
    marks_ns: tuple[int, ...] = ()
    wall_offsets: WallOffsets = ()


def align_trial(
    indexes: Sequence[tuple[str, DownsampledIndex]],
    logs: Sequence[tuple[str, EngineLog, pa.Table]],
    config: Config,
    *,
    marks_ns: Sequence[int] = (),
    progress: Callable[[str], None] = lambda _: None,
) -> TrialAlignment:
    """Align a trial from the downsampled indexes of its logs.

    Args:
        indexes: Per raw NMEA or CAN file, its name and its downsampled index.
        logs: Per engine-log file, its name, its description and the downsampled index of its rows.
        config: Boat and trial settings.
        marks_ns: Marks a person made, by the recording computer's wall clock [ns since 1970].
        progress: Called with the name of each step.

    Raises:
        TrialCaptureError: The logs lie too far apart to be one trial.
    """
    progress("clocks")
    clocks: list[ClockRow] = []
    warnings: list[str] = []
    health = DataHealth()
    facts: dict[str, LogFacts] = {}
    shared: ClockFit | None = None
    first_ns = [int(integers(rows["t_log_ns"])[0][0]) for _, _, rows in logs if rows.num_rows]
    day = min(first_ns, default=0) // DAY_NS
    for name, log_index in indexes:
        assignment, rows, more_warnings, shared = find_utc_assignment(
            log_index, {s.id: s.latency_s for s in config.source}, shared, day
        )
        with_utc = assign_utc_to_index(log_index, assignment)
        numbers, more = match_engines(with_utc, config)
        clocks += rows
        warnings += [*more_warnings, *more]
        health = health.with_items(assignment.items)
        facts[name] = LogFacts(assignment, find_variation_deg(with_utc, config), numbers, with_utc)
    progress("channels")
    candidates: Candidates = {}
    for log in facts.values():
        found, more_warnings = gather_tables(log.with_utc, log.variation_deg, log.numbers, config)
        _extend(candidates, {group: [void_failed(c, group, config) for c in of] for group, of in found.items()})
        warnings += more_warnings
    candidates, order, screen, faults = _screened(candidates, config, [log.assignment for log in facts.values()])
    unmapped, more_warnings = _unmapped([log.with_utc for log in facts.values()], config)
    warnings += more_warnings
    health = health.with_items([*faults, *unmapped])
    on_change = find_on_change(candidates, {name: table for name, _, table in logs}, config)
    series = _series(_held(candidates, on_change), _rank(candidates, config, order), config)
    progress("engine clocks")
    marks_utc_ns = _wall_to_utc(marks_ns, [log.with_utc for log in facts.values()])
    network_u_s = max([BUS_U_S, *(c.offset_u_s for c in clocks if c.method.startswith("order") and c.offset_u_s)])
    fits: dict[str, EngineLogClock] = {}
    from_logs: Candidates = {}
    for name, spec, rows_table in logs:
        filled = on_change.columns.get(name, {})
        aligned = align_engine_log(
            name, spec, hold_in_log(rows_table, filled), series, config, marks_utc_ns, network_u_s
        )
        clocks += aligned.rows
        warnings += aligned.warnings
        health = health.with_items([*aligned.items, *rate_items(aligned.rows)])
        if aligned.clock is not None:
            fits[name] = aligned.clock
            used, t_ns = assign_utc_to_rows(rows_table, aligned.clock)
            if used.num_rows:
                health = health.with_items(find_exchanged(name, used, t_ns, series, config))
            warnings += fuel_rate_warnings(hold_in_log(used, filled), t_ns, name, config)
            _extend(from_logs, gather_log(used, t_ns, name, config, filled, on_change.rows.get(name)))
    voids, stuck = find_stuck_rpm(
        {group: joined_by_source(of) for group, of in candidates.items()}, from_logs, config.engine_ids
    )
    screen, health = (
        replace(screen, voids=(*screen.voids, *voids)),
        health.with_items([*stuck, *impossible_fuel(candidates, series, config)]),
    )
    candidates = {group: Screen(tuple(voids)).apply(group, of) for group, of in candidates.items()}
    _extend(candidates, from_logs)
    clocks_table = table_of([asdict(r) for r in clocks], CLOCKS_SCHEMA)
    rankings = _rank(candidates, config, order)
    return TrialAlignment(
        facts,
        fits,
        rankings,
        _span(series),
        clocks_table,
        list(dict.fromkeys(warnings)),
        health,
        screen,
        on_change,
        find_resolutions(candidates, rankings, {name: table for name, _, table in logs}, on_change, config),
        find_air(log.with_utc for log in facts.values()),
        tuple(marks_utc_ns),
        _wall_offsets([log.with_utc for log in facts.values()]),
    )


def find_resolutions(
    candidates: Mapping[str, Sequence[Candidate]],
    rankings: Mapping[str, Sequence[str]],
    logs: Mapping[str, pa.Table],
    on_change: OnChange,
    config: Config,
) -> dict[str, Resolution]:
    """Return how finely each channel that feeds a result can be read in the source that leads its group.

    Args:
        candidates: By channel group, from downsampled indexes: each reading as it was told.
        rankings: By channel group, its sources, the leader first.
        logs: Downsampled indexes of the engine logs by name: fuel may be made of other columns there.
        on_change: What is published on change only.
        config: Engines.
    """
    found = {}
    for group, channels in groups(config.engine_ids).items():
        base = base_group(group, config.engine_ids)
        if base not in MEASURING or not rankings[group]:
            continue
        leader = rankings[group][0]
        mine = [c for c in candidates.get(group, []) if c.source == leader]
        engine_id = group.removeprefix(f"{base}_")
        log = next((name for name in logs if leader == log_source(name)), None)
        made = fuel_resolution(logs[log], engine_id, log) if log is not None and base == "fuel" else None
        channel = channels[0]
        values = [c.values[channel.name] for c in mine if channel.name in c.values]
        if made is None and values:
            made = find_resolution(f"{leader} {channel.meaning}", channel.unit, np.concatenate(values))
        if made is not None:
            columns = on_change.columns.get(log or "", {})
            deadband = on_change.deadband(group, leader) or columns.get(channel.name, 0.0)
            found[channel.name] = replace(made, deadband=deadband)
    return found


def find_on_change(
    candidates: Mapping[str, Sequence[Candidate]], logs: Mapping[str, pa.Table], config: Config
) -> OnChange:
    """Return what is published on change only, on the network and in engine logs, from downsampled indexes.

    Args:
        candidates: Those of the network by channel group.
        logs: Engine logs by name.
        config: Engines and longest gaps.
    """
    sources: dict[str, dict[str, float]] = {}
    for group, channels in groups(config.engine_ids).items():
        base = base_group(group, config.engine_ids)
        if base not in ON_CHANGE:
            continue
        gap_s = config.samples.gap_s(base)
        for c in candidates.get(group, []):
            deadband = find_deadband(c.t_ns, c.values[channels[0].name], gap_s, c.stands_for)
            if deadband > 0.0:
                sources.setdefault(group, {})[c.source] = deadband
    gaps_s = {
        c.name: config.samples.gap_s(base_group(c.group, config.engine_ids)) for c in engine_channels(config.engine_ids)
    }
    gaps_s |= {f"{stem}_{e}": config.samples.gap_s("fuel") for stem in FUEL_STEMS for e in config.engine_ids}
    columns = {
        name: find_in_log(table, [c for c in table.column_names if c in gaps_s], gaps_s) for name, table in logs.items()
    }
    rows = {
        name: find_rows_on_change(
            table, [c for c in table.column_names if c in gaps_s], min(gaps_s.values(), default=0.0)
        )
        for name, table in logs.items()
    }
    return OnChange(
        {name: found for name, found in columns.items() if found},
        sources,
        {name: how for name, how in rows.items() if how is not None},
    )


def _held(candidates: Candidates, on_change: OnChange) -> Candidates:
    """Return candidates of the network with those published on change held until they change."""
    made = dict(candidates)
    for group, sources in on_change.sources.items():
        made[group] = [
            replace(hold(c, alive_times(candidates, c.source)), stands_for=None) if c.source in sources else c
            for c in candidates[group]
        ]
    return made


def _screened(
    candidates: Candidates, config: Config, assignments: Sequence[UtcAssignment]
) -> tuple[Candidates, tuple[str, ...], Screen, list[Item]]:
    """Return candidates without what is stuck or wrong, sources of speed in order, how that is done, and what it is."""
    judged = {group: joined_by_source(of) for group, of in candidates.items()}
    stopped: dict[str, list[Stop]] = {}
    for assignment in assignments:
        for key, stops in assignment.stopped.items():
            stopped.setdefault(key, []).extend(stops)
    voids, stuck = find_stuck(judged, config.engine_ids, stopped)
    frozen = Screen(tuple(voids))
    judged = {group: frozen.apply(group, of) for group, of in judged.items()}
    ranking = _rank(judged, config, ())["velocity"]
    order, screen, receiver_faults = compare_receivers(judged, ranking, config.trial.primary_gnss)
    screen = replace(screen, voids=frozen.voids)
    return (
        {g: screen.apply(g, of) for g, of in candidates.items()},
        order,
        screen,
        [*stuck, *receiver_faults, *jump_items(judged)],
    )


def gather_tables(
    with_utc: Mapping[str, pa.Table], variation_deg: float | None, numbers: Numbers, config: Config
) -> tuple[Candidates, list[str]]:
    """Return the candidates that tables with UTC of one log give, by channel group, and warnings for people.

    Args:
        with_utc: By formatter, with ``t_ns``: a block or a downsampled index.
        variation_deg: Magnetic variation of all of the log, or None.
        numbers: Which engine number is which engine in all of it.
        config: Boat and trial settings.
    """
    candidates: Candidates = {}
    boat, more_warnings = gather_boat(with_utc, config, variation_deg)
    xdr = gather_xdr(with_utc, config)
    rpm = gather_network_rpm(with_utc, config, numbers)
    for part in (boat, rpm, xdr, gather_can_engines(with_utc, config, numbers)):
        _extend(candidates, part)
    return candidates, more_warnings


def _unmapped(with_utc: Sequence[Mapping[str, pa.Table]], config: Config) -> tuple[list[Item], list[str]]:
    """Return the XDR transducers of whole logs that are no channel, and a warning that names them all."""
    left = [unmapped_transducers(tables, config) for tables in with_utc]
    names = sorted({",".join(key[1:]) for found in left for key in found})
    more_warnings = [f"XDR transducers seen, not mapped to a channel: {'; '.join(names)}"] if names else []
    return [item for found in left for item in unmapped_items(found)], more_warnings


def _extend(candidates: Candidates, more: Mapping[str, list[Candidate]]) -> None:
    for group, found in more.items():
        candidates.setdefault(group, []).extend(found)


def _rank(candidates: Candidates, config: Config, speeds: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Return each group's sources in order; position and velocity come from the same receiver where they can.

    Args:
        candidates: By channel group.
        config: Boat and trial settings.
        speeds: Sources of speed in order where that is known.
    """
    lead = config.trial.primary_gnss
    ranked = {}
    for group in groups(config.engine_ids):
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        wanted = lead if group in ("velocity", "position") else ""
        ranked[group] = rank_sources(candidates.get(group, []), gap_s, wanted)
    ranked["velocity"] = tuple(speeds) or ranked["velocity"]
    if ranked["velocity"] and lead not in receiver_of(ranked["velocity"][0]).split("/"):
        receiver = ranked["velocity"][0].split(" ")[0]
        ranked["position"] = rank_sources(candidates.get("position", []), config.samples.gap_s("position"), receiver)
    return ranked


def _series(candidates: Candidates, rankings: Mapping[str, tuple[str, ...]], config: Config) -> dict[str, pa.Table]:
    """Return what clocks are aligned by: position, velocity and engine speeds."""
    wanted = {"position", "velocity", *(f"rpm_{e}" for e in config.engine_ids)}
    series = {}
    for group, channels in groups(config.engine_ids).items():
        if group not in wanted:
            continue
        gap_s = config.samples.gap_s(base_group(group, config.engine_ids))
        names = [c.name for c in channels]
        series[group] = choose(candidates.get(group, []), names, gap_s, ranking=rankings[group])
    return series


def _wall_to_utc(wall_ns: Sequence[int], with_utc: Sequence[Mapping[str, pa.Table]]) -> list[int]:
    """Return UTC [ns] of wall-clock stamps, by the sentence received nearest to each.

    The computer's clock may have been set during the session, so no single offset holds for all of it.
    """
    stamps, times = _stamped(with_utc)
    if not stamps.size:
        return list(wall_ns)
    nearest = [int(np.abs(stamps - w).argmin()) for w in wall_ns]
    late_ns = round(GNSS_LATENCY_S * 1e9)
    return [int(times[i]) + late_ns + w - int(stamps[i]) for i, w in zip(nearest, wall_ns, strict=True)]


def _stamped(with_utc: Sequence[Mapping[str, pa.Table]]) -> tuple[Ints, Ints]:
    """Return wall-clock stamps of sentences with a time [ns], and the UTC they say [ns], in the order received."""
    tables = [of["RMC"].select(["wall_ms", "t_ns"]).drop_null() for of in with_utc if "RMC" in of]
    if not tables:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    wall, utc = (np.concatenate([integers(t[name])[0] for t in tables]) for name in ("wall_ms", "t_ns"))
    return wall * 1_000_000, utc


_OFFSET_OF = 20
"""Sentences whose median says how far the computer's clock is off: some seconds, so that a late one tells nothing."""
_SAME_OFFSET_NS = 200_000_000
"""Offsets nearer to each other are one (our choice: people note no faster)."""


def _wall_offsets(with_utc: Sequence[Mapping[str, pa.Table]]) -> WallOffsets:
    """Return from which wall-clock stamp on [ns] the computer's clock was how far off UTC; the last entry ends it."""
    stamps, times = _stamped(with_utc)
    if not stamps.size:
        return ()
    off = times + round(GNSS_LATENCY_S * 1e9) - stamps
    found: list[tuple[int, int]] = []
    for k in range(0, stamps.size, _OFFSET_OF):
        offset = int(np.median(off[k : k + _OFFSET_OF]))
        if not found or abs(offset - found[-1][1]) > _SAME_OFFSET_NS:
            found.append((int(stamps[k]), offset))
    return (*found, (int(stamps[-1]), found[-1][1]))


def _span(series: Mapping[str, pa.Table]) -> tuple[int, int] | None:
    """Return first and last UTC [ns] of position and speed, or None when there is neither."""
    known = [integers(series[g]["t_ns"])[0] for g in ("velocity", "position") if series[g].num_rows]
    if not known:
        return None
    first, last = min(int(t.min()) for t in known), max(int(t.max()) for t in known)
    if last - first > LONGEST_DAYS * 86_400_000_000_000:
        raise TrialCaptureError(
            "the NMEA logs of this session lie too far apart to be one trial",
            seen=f"{(last - first) / 86_400e9:.0f} days from first to last position",
            expected=f"make one session a trial; at most {LONGEST_DAYS} days",
        )
    return first, last
