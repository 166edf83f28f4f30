"""Stretches of decoded logs as they lie on the disk, read and placed when a window of the grid needs them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.spill import Spilled, read_spill
from trialcapture.buffers import integers
from trialcapture.config import Config
from trialcapture.pipeline.reading import DecodedEngineLog, DecodedLog
from trialcapture.prepare.channels.engine_readings import Numbers, gather_log
from trialcapture.prepare.channels.on_change import HOLD_MOST_S, RowsOnChange
from trialcapture.prepare.channels.receiver_choice import Screen
from trialcapture.prepare.channels.series import Candidate
from trialcapture.prepare.clocks.log_alignment import place_rows
from trialcapture.prepare.clocks.log_clock import LogClock
from trialcapture.prepare.clocks.receive_time import Stamps
from trialcapture.prepare.clocks.sentence_times import TIMED
from trialcapture.prepare.clocks.utc_assignment import Placing, place_block
from trialcapture.prepare.trial_alignment import Arrangement, Candidates, Told, gather_tables

_LOG_CONTEXT_S = 150.0
"""What a row of an engine log may need of the rows around it [s]: the slope of a total, a temperature bridged."""
_BLOCK_MARGIN_NS = 20_000_000_000
_NEIGHBOURS = 20
"""Outline rows of each formatter that are kept of the blocks before and after: more than share one instant."""


@dataclass(frozen=True, slots=True)
class BlockPiece:
    """One decoded block of an NMEA or CAN log.

    Attributes:
        low_ns, high_ns: Between what UTC its readings lie [ns].
        tables: Its sentences, set aside.
        placing: How the log's lines are placed.
        shift_ns: What to add to the block's own receipt axis [ns].
        stamps: How the placing's clock stamped the block; None where lines are not placed by stamps.
        near: Placed outline rows of timed sentences of the blocks before and after.
        variation_deg: Of the log.
        numbers: Which engine number is which engine.
        screen: What of its readings is not used as told.
    """

    low_ns: int
    high_ns: int
    tables: Spilled
    placing: Placing
    shift_ns: int
    stamps: Stamps | None
    near: dict[str, pa.Table]
    variation_deg: float | None
    numbers: Numbers
    screen: Screen

    @property
    def path(self) -> Path:
        """The file it lies in."""
        return self.tables.path

    def load(self, config: Config) -> Candidates:
        """Read, place and gather."""
        placed = place_block(read_spill(self.tables), self.placing, self.shift_ns, self.near, self.stamps)
        found = gather_tables(placed, self.variation_deg, self.numbers, config)[0]
        return {group: self.screen.apply(group, of) for group, of in found.items()}


@dataclass(frozen=True, slots=True)
class LogPiece:
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
    rows: Spilled
    before: Spilled | None
    after: Spilled | None
    context: int
    clock: LogClock
    on_change: frozenset[str] = frozenset()
    rows_on_change: RowsOnChange | None = None

    @property
    def path(self) -> Path:
        """The file its own rows lie in."""
        return self.rows.path

    def load(self, config: Config) -> Candidates:
        """Read, place and gather."""
        parts = [read_spill(self.rows)["rows"]]
        if self.before:
            earlier = read_spill(self.before)["rows"]
            parts.insert(0, earlier.slice(max(earlier.num_rows - self.context, 0)))
        if self.after:
            parts.append(read_spill(self.after)["rows"].slice(0, self.context))
        rows, t_ns = place_rows(pa.concat_tables(parts).combine_chunks(), self.clock)
        found = gather_log(rows, t_ns, self.name, config, self.on_change, self.rows_on_change)
        return {group: [self._own(c) for c in members] for group, members in found.items()}

    def _own(self, c: Candidate) -> Candidate:
        kept = slice(*np.searchsorted(c.t_ns, [self.low_ns, self.high_ns + 1]))
        ages = None if c.age_ns is None else c.age_ns[kept]
        return Candidate(c.source, c.t_ns[kept], {n: v[kept] for n, v in c.values.items()}, c.preference, age_ns=ages)


Piece = BlockPiece | LogPiece


def find_pieces(
    logs: Sequence[DecodedLog], engine_logs: Sequence[DecodedEngineLog], arrangement: Arrangement
) -> list[Piece]:
    """Return the pieces of every log that has a place in time."""
    pieces: list[Piece] = []
    for log in logs:
        told = arrangement.logs[log.name]
        shifts = log.outline.shifts_ns.get(told.placing.clock)
        stamps = log.outline.stamps.get(told.placing.clock)
        for number, tables in enumerate(log.blocks):
            span = _span(_outline_rows(log, told, number))
            if span is not None:
                near = _neighbours(log, told, number)
                shift_ns = shifts[number] if shifts else 0
                how = stamps[number] if stamps else None
                pieces.append(
                    BlockPiece(
                        *span,
                        tables,
                        told.placing,
                        shift_ns,
                        how,
                        near,
                        told.variation_deg,
                        told.numbers,
                        arrangement.screen,
                    )
                )
    for engine_log in engine_logs:
        if engine_log.name in arrangement.fits:
            on_change = frozenset(arrangement.on_change.columns.get(engine_log.name, ()))
            rows = arrangement.on_change.rows.get(engine_log.name)
            pieces += _log_pieces(engine_log, arrangement.fits[engine_log.name], on_change, rows)
    return pieces


def _outline_rows(log: DecodedLog, told: Told, number: int) -> dict[str, pa.Table]:
    """Return the placed outline rows of one block, by formatter."""
    found = {}
    for name, table in told.placed.items():
        at = log.outline.bounds[name]
        found[name] = table.slice(at[number], at[number + 1] - at[number])
    return found


def _neighbours(log: DecodedLog, told: Told, number: int) -> dict[str, pa.Table]:
    """Return the placed outline rows of timed sentences just before and just after a block."""
    found = {}
    for name in TIMED:
        if name in told.placed:
            at = log.outline.bounds[name]
            before, after = at[number], at[number + 1]
            table = told.placed[name]
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


def _log_pieces(
    log: DecodedEngineLog, clock: LogClock, on_change: frozenset[str], rows_on_change: RowsOnChange | None
) -> list[LogPiece]:
    pieces = []
    step_ns = np.diff(integers(log.outline["t_log_ns"])[0])
    usual_s = float(np.median(step_ns[step_ns > 0])) / 1e9 if np.any(step_ns > 0) else 1.0
    context_s = _LOG_CONTEXT_S + (HOLD_MOST_S if on_change or rows_on_change else 0.0)
    context = ceil(context_s / max(usual_s * log.outline.num_rows / max(sum(log.sizes), 1), 1e-3))
    around = [None, *log.blocks, None]
    for number, rows in enumerate(log.blocks):
        _, t_ns = place_rows(read_spill(rows)["rows"], clock)
        if t_ns.size:
            before, after = around[number], around[number + 2]
            low, high = int(t_ns.min()), int(t_ns.max())
            pieces.append(LogPiece(low, high, log.name, rows, before, after, context, clock, on_change, rows_on_change))
    return pieces
