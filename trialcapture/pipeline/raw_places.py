"""From a stretch of time back to the raw files: which lines of which log, at which bytes, and which engine-log rows.

The logs are decoded and placed on UTC again by the code that made the result, so that a line is named by the same
rule by which it was used.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from trialcapture.archive.atomic import open_run_folder, read_table, read_tables
from trialcapture.archive.raw import count_lines, is_packed, read_blocks
from trialcapture.archive.session import Session, can_files, nmea_files
from trialcapture.buffers import integers
from trialcapture.config import Config
from trialcapture.pipeline.preparing import BlockSlice, find_slices
from trialcapture.pipeline.reading import REJECTS, DecodedEngineLog, Progress, read_engine_logs, read_logs
from trialcapture.prepare.clocks.log_alignment import assign_utc_to_rows
from trialcapture.prepare.clocks.utc_assignment import assign_utc
from trialcapture.prepare.trial_alignment import TrialAlignment, align_trial

Interval = tuple[int, int]
"""Half-open, UTC [ns since 1970]."""


@dataclass(frozen=True, slots=True)
class RawLines:
    """The lines of one log whose readings lie in a stretch of time.

    Attributes:
        file: Relative to the session.
        first_line, last_line: Counted from 1; lines of other sources may lie between.
        first_byte, stop_byte: Where the first begins and the last ends, half-open, counted from 0.
        is_packed: The file is packed, and bytes are those of what it holds.
        sentences: How many of each, as "source talker-and-formatter".
    """

    file: str
    first_line: int
    last_line: int
    first_byte: int
    stop_byte: int
    is_packed: bool
    sentences: dict[str, int]


@dataclass(frozen=True, slots=True)
class RawRows:
    """The rows of one engine log in a stretch of time.

    Attributes:
        file: Relative to the session.
        first_row, last_row: Lines of the file, or rows of the sheet, counted from 1, headings included.
        rows: How many lie in it.
        offset_s: UTC less the log's own time [s], at its middle.
    """

    file: str
    first_row: int
    last_row: int
    rows: int
    offset_s: float


@dataclass(frozen=True, slots=True)
class RawPlaces:
    """Where the raw data of one stretch of time stands."""

    lines: tuple[RawLines, ...]
    rows: tuple[RawRows, ...]


def find_raw_places(
    session: Session,
    config: Config,
    marks_ns: Sequence[int],
    intervals: Sequence[Interval],
    progress: Progress = lambda _step, _share: None,
) -> list[RawPlaces]:
    """Return where the raw data of some stretches of time stands, in the order of the stretches.

    Args:
        session: The session.
        config: The settings that its result was made with.
        marks_ns: Marks a person made [ns since 1970].
        intervals: The stretches.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: There is no log, or the disk is full.
    """
    paths = {f"raw/{path.name}": path for path in [*nmea_files(session), *can_files(session)]}
    lines: list[list[RawLines]] = [[] for _ in intervals]
    rows: list[list[RawRows]] = [[] for _ in intervals]
    with open_run_folder(session.folder) as aside:
        logs, _, _ = read_logs(session, config, aside, progress)
        engine_logs = read_engine_logs(session, config, aside)
        aligned = align_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_ns,
        )
        for log in logs:
            blocks = [s for s in find_slices([log], [], aligned) if isinstance(s, BlockSlice)]
            found = [_lines_in(blocks, interval) for interval in intervals]
            ends = {line for of in found if of is not None for line in of[:2]}
            offsets = _line_bytes(paths[log.name], sorted(ends))
            for n, of in enumerate(found):
                if of is not None:
                    first, last, sentences = of
                    lines[n].append(
                        RawLines(
                            log.name, first + 1, last + 1, offsets[first][0], offsets[last][1],
                            is_packed(paths[log.name]), sentences,
                        )
                    )  # fmt: skip
        for engine_log in engine_logs:
            for n, interval in enumerate(intervals):
                rows[n] += _rows_in(engine_log, aligned, interval)
    return [RawPlaces(tuple(a), tuple(b)) for a, b in zip(lines, rows, strict=True)]


def _lines_in(blocks: Sequence[BlockSlice], interval: Interval) -> tuple[int, int, dict[str, int]] | None:
    """Return first and last line, from 0, and the sentences of a log in a stretch of time; None where there is none."""
    start_ns, stop_ns = interval
    ends: list[int] = []
    counted: Counter[str] = Counter()
    for block in blocks:
        if block.low_ns > stop_ns or block.high_ns < start_ns:
            continue
        tables = read_tables(block.tables, leave_out=REJECTS)
        for formatter, table in assign_utc(tables, block.placing, block.shift_ns, block.near, block.stamps).items():
            t_ns, is_known = integers(table["t_ns"])
            inside = np.flatnonzero(is_known & (t_ns >= start_ns) & (t_ns < stop_ns))
            if inside.size:
                own = table.take(pa.array(inside))
                line = integers(own["line"])[0]
                ends += [int(line.min()), int(line.max())]
                names = zip(own["source"].to_pylist(), own["talker"].to_pylist(), strict=True)
                counted.update(f"{source} {talker}{formatter}" for source, talker in names)
    return (min(ends), max(ends), dict(sorted(counted.items()))) if ends else None


def _line_bytes(path: Path, lines: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Return where some lines, counted from 0, begin and end in what a file holds, its packing undone."""
    found: dict[int, tuple[int, int]] = {}
    wanted = list(lines)
    block_at = 0
    for first_line, block in read_blocks(path, warn=lambda _: None):
        last_line = first_line + max(1, count_lines(block))
        own = {line for line in wanted if first_line <= line < last_line}
        if own:
            at = block_at
            for number, text in enumerate(block.splitlines(keepends=True), first_line):
                if number in own:
                    found[number] = (at, at + len(text))
                at += len(text)
        block_at += len(block)
    return found


def _rows_in(log: DecodedEngineLog, aligned: TrialAlignment, interval: Interval) -> list[RawRows]:
    """Return the rows of an engine log in a stretch of time; none where it has no place in time."""
    if log.name not in aligned.fits:
        return []
    start_ns, stop_ns = interval
    rows, t_ns, own_ns = [], [], []
    for block in log.blocks:
        table, utc = assign_utc_to_rows(read_table(block, "rows"), aligned.fits[log.name])
        inside = (utc >= start_ns) & (utc < stop_ns)
        if inside.any():
            rows.append(integers(table["row"])[0][inside])
            own_ns.append(integers(table["t_log_ns"])[0][inside])
            t_ns.append(utc[inside])
    if not rows:
        return []
    row = np.concatenate(rows)
    offset_s = float(np.median(np.concatenate(t_ns) - np.concatenate(own_ns))) / 1e9
    return [RawRows(f"raw/engine/{log.name}", int(row.min()) + 1, int(row.max()) + 1, int(row.size), offset_s)]
