"""The samples of a trial, written hour by hour from blocks set aside, and what is kept of them in memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.parquet import ROW_GROUP_ROWS, open_parquet
from trialcapture.archive.spill import read_spill
from trialcapture.buffers import integers
from trialcapture.config import Config
from trialcapture.pipeline.reading import DecodedEngineLog, DecodedLog
from trialcapture.prepare.arrange import Arrangement, Candidates, Told, gather_tables
from trialcapture.prepare.candidates import Stretch
from trialcapture.prepare.engines import gather_log
from trialcapture.prepare.grid import grid_times, samples_schema
from trialcapture.prepare.logclock import LogFit
from trialcapture.prepare.placing import place_block
from trialcapture.prepare.segment_finder import SegmentFinder
from trialcapture.prepare.sentence_times import TIMED
from trialcapture.prepare.series import Candidate
from trialcapture.prepare.window import overview_of, reaches_s, sample_window

_LOG_CONTEXT_S = 150.0
"""What a row of an engine log may need of the rows around it [s]: the slope of a total, a temperature bridged."""
_BLOCK_MARGIN_NS = 20_000_000_000


@dataclass(slots=True)
class _Piece:
    """A stretch of one log that is read in one go.

    Attributes:
        low_ns, high_ns: Between what UTC its readings lie [ns].
        load: Reads it.
    """

    low_ns: int
    high_ns: int
    load: Callable[[], Candidates]


@dataclass(frozen=True, slots=True)
class Gridded:
    """What is kept in memory of the samples.

    Attributes:
        first_ns: First instant of the grid [ns UTC].
        rows: Rows of the samples.
        overview: One row a second (`trialcapture.prepare.window.overview_of`).
        stretches: The steady stretches and what looked like one, as rows of the samples.
    """

    first_ns: int
    rows: int
    overview: pa.Table
    stretches: list[Stretch]


def write_samples(
    path: Path,
    provenance: dict[str, str],
    logs: Sequence[DecodedLog],
    engine_logs: Sequence[DecodedEngineLog],
    arrangement: Arrangement,
    config: Config,
    progress: Callable[[str, float | None], None],
) -> Gridded:
    """Write ``samples.parquet``, an hour of it at a time.

    Args:
        path: The file.
        provenance: For its metadata.
        logs: Decoded NMEA and CAN logs.
        engine_logs: Decoded engine logs.
        arrangement: What holds for the whole trial; its span must be known.
        config: Boat and trial settings.
        progress: Called with the name of the step and its share.

    Raises:
        TrialCaptureError: The disk is full.
    """
    first_ns, last_ns = arrangement.span_ns or (0, -1)
    grid_hz, engine_ids = config.samples.grid_hz, config.engine_ids
    second = max(round(grid_hz), 1)
    rows = max(ROW_GROUP_ROWS // second, 1) * second
    pieces = _pieces(logs, engine_logs, arrangement, config)
    reach_ns = round(max(reaches_s(arrangement.rankings, config).values(), default=0.0) * 1e9)
    grid_ns = grid_times(first_ns, last_ns, grid_hz)
    loaded: dict[int, Candidates] = {}
    overviews: list[pa.Table] = []
    finder = SegmentFinder(config)
    stretches: list[Stretch] = []
    with open_parquet(path, samples_schema(config), provenance) as file:
        for first in range(0, grid_ns.size, rows):
            window = grid_ns[first : first + rows]
            low, high = int(window[0]) - reach_ns, int(window[-1]) + reach_ns
            needed = [i for i, p in enumerate(pieces) if p.low_ns <= high and p.high_ns >= low]
            loaded = {i: loaded[i] if i in loaded else pieces[i].load() for i in needed}
            samples = sample_window(_merged(loaded), arrangement.rankings, window, config)
            file.write(samples)
            overviews.append(overview_of(samples, second, engine_ids))
            stretches += finder.push(samples)
            progress("samples", min((first + rows) / grid_ns.size, 1.0))
    start = int(grid_ns[0]) if grid_ns.size else 0
    stretches += finder.finish()
    return Gridded(start, int(grid_ns.size), pa.concat_tables(overviews).combine_chunks(), stretches)


def _merged(loaded: dict[int, Candidates]) -> Candidates:
    merged: Candidates = {}
    for _, candidates in sorted(loaded.items()):
        for group, found in candidates.items():
            merged.setdefault(group, []).extend(found)
    return merged


def _pieces(
    logs: Sequence[DecodedLog],
    engine_logs: Sequence[DecodedEngineLog],
    arrangement: Arrangement,
    config: Config,
) -> list[_Piece]:
    pieces: list[_Piece] = []
    for log in logs:
        told = arrangement.logs[log.name]
        for number in range(len(log.blocks)):
            span = _block_span(log, told, number)
            if span is not None:
                pieces.append(_Piece(*span, _block_loader(log, told, number, config)))
    for engine_log in engine_logs:
        if engine_log.name in arrangement.fits:
            fit, origin = arrangement.fits[engine_log.name]
            pieces += _log_pieces(engine_log, fit, origin, config)
    return pieces


def _block_rows(log: DecodedLog, told: Told, numbers: Sequence[int]) -> dict[str, pa.Table]:
    """Return the placed outline rows of some blocks, by formatter."""
    found = {}
    for name, table in told.placed.items():
        at = log.outline.bounds[name]
        parts = [table.slice(at[n], at[n + 1] - at[n]) for n in numbers if 0 <= n < len(log.blocks)]
        if parts:
            found[name] = pa.concat_tables(parts)
    return found


def _block_span(log: DecodedLog, told: Told, number: int) -> tuple[int, int] | None:
    """Return between what UTC [ns] the readings of a block lie, or None where none has a time."""
    low, high = [], []
    for table in _block_rows(log, told, [number]).values():
        t_ns, known = integers(table["t_ns"])
        if known.any():
            low.append(int(t_ns[known].min()))
            high.append(int(t_ns[known].max()))
    return (min(low) - _BLOCK_MARGIN_NS, max(high) + _BLOCK_MARGIN_NS) if low else None


def _block_loader(log: DecodedLog, told: Told, number: int, config: Config) -> Callable[[], Candidates]:
    def load() -> Candidates:
        around = _block_rows(log, told, [number - 1, number + 1])
        near = {name: around[name] for name in TIMED if name in around}
        clock = told.placing.clock
        shift_ns = log.outline.shifts_ns[clock][number] if clock in log.outline.shifts_ns else 0
        placed = place_block(read_spill(log.blocks[number]), told.placing, shift_ns, near)
        return gather_tables(placed, told, config)[0]

    return load


def _log_pieces(log: DecodedEngineLog, fit: LogFit, origin_ns: int, config: Config) -> list[_Piece]:
    """Return the pieces of an engine log, each read with the rows around it that its own may need."""
    pieces = []
    step_ns = np.diff(integers(log.outline["t_log_ns"])[0])
    usual_s = float(np.median(step_ns[step_ns > 0])) / 1e9 if np.any(step_ns > 0) else 1.0
    context = ceil(_LOG_CONTEXT_S / max(usual_s * log.outline.num_rows / max(sum(log.sizes), 1), 1e-3))
    for number, blocks in enumerate(log.blocks):
        stamps = fit.to_utc(integers(read_spill(blocks)["rows"]["t_log_ns"])[0], origin_ns)
        low, high = int(stamps.min()), int(stamps.max())
        pieces.append(_Piece(low, high, _log_loader(log, number, context, (low, high), fit, origin_ns, config)))
    return pieces


def _log_loader(
    log: DecodedEngineLog,
    number: int,
    context: int,
    span_ns: tuple[int, int],
    fit: LogFit,
    origin_ns: int,
    config: Config,
) -> Callable[[], Candidates]:
    def load() -> Candidates:
        parts = [read_spill(log.blocks[number])["rows"]]
        if number > 0:
            earlier = read_spill(log.blocks[number - 1])["rows"]
            parts.insert(0, earlier.slice(max(earlier.num_rows - context, 0)))
        if number + 1 < len(log.blocks):
            parts.append(read_spill(log.blocks[number + 1])["rows"].slice(0, context))
        rows = pa.concat_tables(parts).combine_chunks()
        t_ns = fit.to_utc(integers(rows["t_log_ns"])[0], origin_ns)
        found = gather_log(rows, t_ns, log.name, config)
        return {group: [_inside(c, span_ns) for c in members] for group, members in found.items()}

    return load


def _inside(c: Candidate, span_ns: tuple[int, int]) -> Candidate:
    kept = slice(*np.searchsorted(c.t_ns, [span_ns[0], span_ns[1] + 1]))
    return Candidate(c.source, c.t_ns[kept], {n: v[kept] for n, v in c.values.items()}, c.preference)
