"""From raw files to a prepared trial: decoded, placed on UTC, samples and rejects written, steady stretches judged.

Memory does not grow with the length of a session: decoded blocks are set aside on the disk once, what must be known
of all of it is found from outlines, and the samples are made and written hour by hour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from math import ceil
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from threadpoolctl import threadpool_limits

from trialcapture.archive.atomic import HeldTables, StoredTables, open_run_folder, read_table, read_tables
from trialcapture.archive.parquet import ROW_GROUP_ROWS, open_parquet, open_sample_rows
from trialcapture.archive.result_set import ResultSet
from trialcapture.archive.session import Session
from trialcapture.buffers import integers
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.reading import (
    REJECTS,
    DecodedEngineLog,
    DecodedLog,
    Progress,
    SentenceCounts,
    counts_table,
    log_rejections,
    read_engine_logs,
    read_logs,
    write_rejects,
)
from trialcapture.pipeline.reuse import PreparedTrial
from trialcapture.prepare.channels.engine_readings import Numbers, gather_log
from trialcapture.prepare.channels.grid import (
    FailedReadings,
    failed_readings_of,
    grid_times,
    overview_of,
    reaches_s,
    sample_window,
    samples_schema,
    spike_items,
)
from trialcapture.prepare.channels.receiver_choice import Screen, receiver_of
from trialcapture.prepare.channels.resolution import find_roundings
from trialcapture.prepare.channels.series import HOLD_MOST_S, OnChange, RowsOnChange
from trialcapture.prepare.clocks.log_alignment import assign_utc_to_rows
from trialcapture.prepare.clocks.log_clock import EngineLogClock
from trialcapture.prepare.clocks.sentence_times import TIMED, Stamps
from trialcapture.prepare.clocks.utc_assignment import UtcAssignment, assign_utc
from trialcapture.prepare.data_health import find_holes, rejection_items, undecoded_items
from trialcapture.prepare.steady.detection import SegmentFinder
from trialcapture.prepare.steady.segments import check_segments, silence_holes
from trialcapture.prepare.steady.setpoint_holds import Stretch
from trialcapture.prepare.trial_alignment import Candidates, LogFacts, TrialAlignment, align_trial, gather_tables

Ints = npt.NDArray[np.int64]
Rankings = dict[str, tuple[str, ...]]

WINDOW_ROWS = ROW_GROUP_ROWS
"""Rows made at a time: an hour of the default grid (our choice, measured on 8 h)."""
_LOG_CONTEXT_S = 150.0
"""What a row of an engine log may need of the rows around it [s]: the slope of a total, a temperature bridged."""
_BLOCK_MARGIN_NS = 20_000_000_000
_NEIGHBOURS = 20
"""Outline rows of each formatter that are kept of the blocks before and after: more than share one instant."""


def prepare_trial(
    session: Session,
    config: Config,
    marks_ns: Sequence[int],
    origin: Callable[[], dict[str, str]],
    files: ResultSet,
    progress: Progress = lambda _step, _share: None,
) -> PreparedTrial:
    """Decode a session, place it on UTC, write samples and rejects, and judge its steady stretches.

    Args:
        session: The session.
        config: Boat and trial settings.
        marks_ns: Marks a person made, by the recording computer's clock [ns since 1970].
        origin: Called when it is needed: what the samples are made of, for their metadata.
        files: Where samples and rejects are written.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: There is no NMEA log, or no GNSS data in it; or the disk is full.
    """
    samples_path = files.place("trialset/samples.parquet")
    with open_run_folder(session.folder) as aside, threadpool_limits(limits=1, user_api="blas"):
        logs, counts, warnings = read_logs(session, config, aside, progress)
        engine_logs = read_engine_logs(session, config, aside)
        arrangement = align_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_ns,
            progress=lambda step: progress(step, None),
        )
        rankings, span_ns, resolutions = arrangement.rankings, arrangement.span_ns, arrangement.resolutions
        if span_ns is None:
            raise no_gnss(session, counts)
        # what is free goes back to the system, so that the peak of the next step does not lie on top of this one's
        pa.default_memory_pool().release_unused()
        made_of = origin()
        rejected = write_rejects(files.place("trialset/rejects.parquet"), made_of, logs, engine_logs, arrangement)
        slices = find_slices(logs, engine_logs, arrangement)
        warnings += [*(text for log in engine_logs for text in log.warnings), *arrangement.warnings]
        health = arrangement.health.with_items(item for log in engine_logs for item in log.items)
        health = health.with_items(log_rejections(engine_logs))
        # the outlines have done their work; they are the largest thing held, and windows need room
        arrangement = replace(arrangement, logs={})
        del logs, engine_logs
        gridded = write_samples(
            samples_path, made_of, slices, rankings, arrangement.on_change, span_ns, config, progress
        )
    progress("segments", None)
    leading = next(iter(rankings["velocity"]), "")
    with open_sample_rows(samples_path) as samples:
        segments, contradictions = check_segments(
            samples.read, gridded.first_ns, gridded.stretches, config, receiver_of(leading),
            partial(arrangement.screen.u_kn, leading), resolutions,
        )  # fmt: skip
    health = health.with_items(spike_items(gridded.left_out, rankings, (span_ns[1] - span_ns[0]) / 3.6e12, config))
    health = health.with_items(silence_holes(gridded.stretches, gridded.first_ns, config))
    health = health.with_items([*contradictions, *find_roundings(segments, resolutions, config.engine_ids)])
    health = health.with_items(find_holes(gridded.overview, segments, config.engine_ids, health.holes))
    health = health.with_items([*rejection_items(rejected.by_field, counts), *undecoded_items(counts)])
    return PreparedTrial(
        segments,
        arrangement.clocks,
        gridded.overview,
        counts_table(counts),
        rejected.by_source,
        warnings,
        health,
        arrangement.air,
        arrangement.marks_ns,
        arrangement.wall_offsets,
    )


def no_gnss(session: Session, counts: SentenceCounts) -> TrialCaptureError:
    """Return the error of a session that tells neither position nor speed."""
    seen = sorted({f"{talker}{formatter}" for _, talker, formatter in counts})
    return TrialCaptureError(
        "no position and no speed over ground in this session, so there is nothing to place the trial on",
        seen="sentences " + ", ".join(seen[:12]) if seen else "no sentence at all",
        where=str(session.folder / "raw"),
        expected="RMC, or GGA with VTG, from a GNSS receiver with a fix; the raw data is kept as it is",
    )


# From decoded blocks set aside to the samples of a trial, and what is kept of them in memory.


@dataclass(frozen=True, slots=True)
class BlockSlice:
    """The readings of one decoded block of an NMEA or CAN log.

    Attributes:
        low_ns, high_ns: Between what UTC they lie [ns].
        tables: Its sentences, set aside.
        placing: How the log's lines are placed on UTC.
        shift_ns: What to add to the block's own receipt axis [ns].
        stamps: How the placing's clock stamped the block; None where lines are not placed by stamps.
        near: Placed outline rows of timed sentences of the blocks before and after.
        variation_deg: Of the log.
        numbers: Which engine number is which engine.
        screen: What of its readings is not used as told.
    """

    low_ns: int
    high_ns: int
    tables: StoredTables | HeldTables
    placing: UtcAssignment
    shift_ns: int
    stamps: Stamps | None
    near: dict[str, pa.Table]
    variation_deg: float | None
    numbers: Numbers
    screen: Screen

    def load(self, config: Config) -> Candidates:
        """Read the block, place it on UTC and gather its readings by channel group."""
        tables = read_tables(self.tables, leave_out=REJECTS)
        placed = assign_utc(tables, self.placing, self.shift_ns, self.near, self.stamps)
        found = gather_tables(placed, self.variation_deg, self.numbers, config)[0]
        return {group: self.screen.apply(group, of) for group, of in found.items()}


@dataclass(frozen=True, slots=True)
class EngineLogSlice:
    """Some rows of an engine log, with those around them that their own values may need.

    Attributes:
        low_ns, high_ns: First and last UTC of its own rows [ns].
        name: The log.
        rows: Its rows, set aside as the table ``rows``.
        before, after: The rows around it, set aside in the same way, or None.
        context: How many of those may matter.
        clock: The log's clock.
        on_change: Columns that are filled on change only.
        rows_on_change: How it has a row on change only; None where it has not.
    """

    low_ns: int
    high_ns: int
    name: str
    rows: StoredTables | HeldTables
    before: StoredTables | HeldTables | None
    after: StoredTables | HeldTables | None
    context: int
    clock: EngineLogClock
    on_change: frozenset[str] = frozenset()
    rows_on_change: RowsOnChange | None = None

    def load(self, config: Config) -> Candidates:
        """Read the rows, place them on UTC and gather their readings by channel group."""
        parts = [read_table(self.rows, "rows")]
        if self.before:
            earlier = read_table(self.before, "rows")
            parts.insert(0, earlier.slice(max(earlier.num_rows - self.context, 0)))
        if self.after:
            parts.append(read_table(self.after, "rows").slice(0, self.context))
        rows, t_ns = assign_utc_to_rows(pa.concat_tables(parts).combine_chunks(), self.clock)
        found = gather_log(rows, t_ns, self.name, config, self.on_change, self.rows_on_change)
        return {group: [c.between(self.low_ns, self.high_ns) for c in members] for group, members in found.items()}


TimeSlice = BlockSlice | EngineLogSlice


@dataclass(frozen=True, slots=True)
class Gridded:
    """What is kept in memory of the samples.

    Attributes:
        first_ns: First instant of the grid [ns UTC].
        overview: One row a second (`trialcapture.prepare.channels.grid.overview_of`).
        stretches: The steady stretches and what looked like one, as rows of the samples.
        left_out: Readings that failed a test.
    """

    first_ns: int
    overview: pa.Table
    stretches: list[Stretch]
    left_out: list[FailedReadings]


def write_samples(
    path: Path,
    provenance: dict[str, str],
    slices: Sequence[TimeSlice],
    rankings: Rankings,
    on_change: OnChange,
    span_ns: tuple[int, int],
    config: Config,
    progress: Callable[[str, float | None], None],
) -> Gridded:
    """Write ``samples.parquet``, an hour of it at a time, and look for steady stretches.

    Args:
        path: The file.
        provenance: For its metadata.
        slices: What to make them from.
        rankings: By channel group, its sources, the leader first.
        on_change: What is published on change only.
        span_ns: First and last UTC of the trial [ns].
        config: Boat and trial settings.
        progress: Called with the name of the step and its share.

    Raises:
        TrialCaptureError: The disk is full.
    """
    block = max(round(config.samples.grid_hz), 1)
    finder = SegmentFinder(config)
    overviews: list[pa.Table] = []
    stretches: list[Stretch] = []
    left_out: list[FailedReadings] = []
    # compressing needs no Python, so it goes on in a thread while the next window is made
    with open_parquet(path, samples_schema(config), provenance) as file, ThreadPoolExecutor(1) as writer:
        written: Future[None] | None = None
        for samples, share in sample_windows(slices, rankings, on_change, span_ns, config):
            left_out += failed_readings_of(samples)
            plain = samples.replace_schema_metadata(None)
            if written is not None:
                written.result()
            written = writer.submit(file.write, plain)
            overviews.append(overview_of(plain, block, config.engine_ids))
            stretches += finder.push(plain)
            pa.default_memory_pool().release_unused()
            progress("samples", share)
        if written is not None:
            written.result()
    stretches += finder.finish()
    first_ns = int(grid_times(*span_ns, config.samples.grid_hz)[0])
    return Gridded(first_ns, pa.concat_tables(overviews).combine_chunks(), stretches, left_out)


def sample_windows(
    slices: Sequence[TimeSlice],
    rankings: Rankings,
    on_change: OnChange,
    span_ns: tuple[int, int],
    config: Config,
) -> Iterator[tuple[pa.Table, float]]:
    """Yield the samples of a trial window by window, and which share of the trial is done with each.

    Args:
        slices, rankings, on_change, span_ns, config: As `write_samples` takes them.
    """
    block = max(round(config.samples.grid_hz), 1)
    rows = max(WINDOW_ROWS // block, 1) * block
    grid_ns = grid_times(*span_ns, config.samples.grid_hz)
    reach_ns = round(max(reaches_s(rankings, config, on_change).values(), default=0.0) * 1e9)
    loaded: dict[int, Candidates] = {}
    for first in range(0, grid_ns.size, rows):
        window = grid_ns[first : first + rows]
        low, high = int(window[0]) - reach_ns, int(window[-1]) + reach_ns
        needed = [n for n, s in enumerate(slices) if s.low_ns <= high and s.high_ns >= low]
        # neighbouring windows share a slice at their border
        loaded = {n: loaded[n] if n in loaded else slices[n].load(config) for n in needed}
        samples = sample_window(joined_candidates(loaded.values()), rankings, window, config, on_change)
        yield samples, min((first + rows) / grid_ns.size, 1.0)


def joined_candidates(parts: Iterable[Candidates]) -> Candidates:
    """Return candidates of several slices by channel group."""
    merged: Candidates = {}
    for part in parts:
        for group, found in part.items():
            merged.setdefault(group, []).extend(found)
    return merged


def find_slices(
    logs: Sequence[DecodedLog], engine_logs: Sequence[DecodedEngineLog], arrangement: TrialAlignment
) -> list[TimeSlice]:
    """Return the slices of every log that has a place in time."""
    slices: list[TimeSlice] = []
    for log in logs:
        facts = arrangement.logs[log.name]
        shifts = log.outline.shifts_ns.get(facts.assignment.clock)
        stamps = log.outline.stamps.get(facts.assignment.clock)
        for number, tables in enumerate(log.blocks):
            span = _span(_outline_rows(log, facts, number))
            if span is not None:
                slices.append(
                    BlockSlice(
                        *span,
                        tables,
                        facts.assignment,
                        shifts[number] if shifts else 0,
                        stamps[number] if stamps else None,
                        _neighbours(log, facts, number),
                        facts.variation_deg,
                        facts.numbers,
                        arrangement.screen,
                    )
                )
    for engine_log in engine_logs:
        if engine_log.name in arrangement.fits:
            on_change = frozenset(arrangement.on_change.columns.get(engine_log.name, ()))
            rows = arrangement.on_change.rows.get(engine_log.name)
            slices += _log_slices(engine_log, arrangement.fits[engine_log.name], on_change, rows)
    return slices


def _outline_rows(log: DecodedLog, facts: LogFacts, number: int) -> dict[str, pa.Table]:
    """Return the placed outline rows of one block, by formatter."""
    found = {}
    for name, table in facts.with_utc.items():
        at = log.outline.bounds[name]
        found[name] = table.slice(at[number], at[number + 1] - at[number])
    return found


def _neighbours(log: DecodedLog, facts: LogFacts, number: int) -> dict[str, pa.Table]:
    """Return the placed outline rows of timed sentences just before and just after a block."""
    found = {}
    for name in TIMED:
        if name in facts.with_utc:
            at = log.outline.bounds[name]
            before, after = at[number], at[number + 1]
            table = facts.with_utc[name]
            parts = [
                table.slice(max(before - _NEIGHBOURS, 0), min(before, _NEIGHBOURS)),
                table.slice(after, _NEIGHBOURS),
            ]
            found[name] = pa.concat_tables(parts).combine_chunks()
    return found


def _span(rows: dict[str, pa.Table]) -> tuple[int, int] | None:
    """Return between what UTC [ns] the readings of a block lie, or None where none has a time."""
    low, high = [], []
    for table in rows.values():
        t_ns, known = integers(table["t_ns"])
        if known.any():
            low.append(int(t_ns[known].min()))
            high.append(int(t_ns[known].max()))
    return (min(low) - _BLOCK_MARGIN_NS, max(high) + _BLOCK_MARGIN_NS) if low else None


def _log_slices(
    log: DecodedEngineLog, clock: EngineLogClock, on_change: frozenset[str], rows_on_change: RowsOnChange | None
) -> list[EngineLogSlice]:
    slices = []
    step_ns = np.diff(integers(log.outline["t_log_ns"])[0])
    usual_s = float(np.median(step_ns[step_ns > 0])) / 1e9 if np.any(step_ns > 0) else 1.0
    context_s = _LOG_CONTEXT_S + (HOLD_MOST_S if on_change or rows_on_change else 0.0)
    context = ceil(context_s / max(usual_s * log.outline.num_rows / max(sum(log.sizes), 1), 1e-3))
    around = [None, *log.blocks, None]
    for number, rows in enumerate(log.blocks):
        _, t_ns = assign_utc_to_rows(read_table(rows, "rows"), clock)
        if t_ns.size:
            before, after = around[number], around[number + 2]
            low, high = int(t_ns.min()), int(t_ns.max())
            found = EngineLogSlice(low, high, log.name, rows, before, after, context, clock, on_change, rows_on_change)
            slices.append(found)
    return slices
