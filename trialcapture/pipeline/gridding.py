"""The samples of a trial, written hour by hour from blocks set aside, and what is kept of them in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.archive.parquet import ROW_GROUP_ROWS, open_parquet
from trialcapture.archive.second_process import SecondProcess, release_memory
from trialcapture.archive.spill import Spilled, read_spill, write_spill
from trialcapture.config import Config
from trialcapture.pipeline.pieces import Piece
from trialcapture.prepare.channels.grid import (
    LeftOut,
    grid_times,
    left_out_of,
    overview_of,
    reaches_s,
    sample_window,
    samples_schema,
)
from trialcapture.prepare.channels.on_change import OnChange
from trialcapture.prepare.steady.detection import SegmentFinder
from trialcapture.prepare.steady.setpoint_holds import Stretch
from trialcapture.prepare.trial_alignment import Candidates

Ints = npt.NDArray[np.int64]
Rankings = dict[str, tuple[str, ...]]

WINDOW_ROWS = ROW_GROUP_ROWS // 2
"""Rows made at a time: half an hour of the default grid."""
_OWN_WORK = 0.75
"""What detecting and writing a window takes, which this process alone does, over making it (measured)."""


@dataclass(frozen=True, slots=True)
class Gridded:
    """What is kept in memory of the samples.

    Attributes:
        first_ns: First instant of the grid [ns UTC].
        rows: Rows of the samples.
        overview: One row a second (`trialcapture.prepare.channels.grid.overview_of`).
        stretches: The steady stretches and what looked like one, as rows of the samples.
        left_out: Readings that failed a test.
    """

    first_ns: int
    rows: int
    overview: pa.Table
    stretches: list[Stretch]
    left_out: list[LeftOut]


def write_samples(
    path: Path,
    provenance: dict[str, str],
    pieces: Sequence[Piece],
    rankings: Rankings,
    on_change: OnChange,
    span_ns: tuple[int, int],
    config: Config,
    aside: Path,
    second: SecondProcess,
    progress: Callable[[str, float | None], None],
) -> Gridded:
    """Write ``samples.parquet``, an hour of it at a time.

    Args:
        path: The file.
        provenance: For its metadata.
        pieces: What to make them from.
        rankings: By channel group, its sources, the leader first.
        on_change: What is published on change only.
        span_ns: First and last UTC of the trial [ns].
        config: Boat and trial settings.
        aside: Where the second process sets its windows aside.
        second: Makes most windows, where it is there.
        progress: Called with the name of the step and its share.

    Raises:
        TrialCaptureError: The disk is full.
    """
    block = max(round(config.samples.grid_hz), 1)
    rows = max(WINDOW_ROWS // block, 1) * block
    grid_ns = grid_times(*span_ns, config.samples.grid_hz)
    windows = [grid_ns[first : first + rows] for first in range(0, grid_ns.size, rows)]
    finder = SegmentFinder(config)
    overviews: list[pa.Table] = []
    stretches: list[Stretch] = []
    left_out: list[LeftOut] = []
    # compressing needs no Python, so it goes on beside detection
    with open_parquet(path, samples_schema(config), provenance) as file, ThreadPoolExecutor(1) as writer:
        written: Future[None] | None = None
        for number, made in enumerate(_made(windows, pieces, rankings, on_change, config, aside, second), start=1):
            if written is not None:
                written.result()
            left_out += left_out_of(made)
            samples = made.replace_schema_metadata(None)
            written = writer.submit(file.write, samples)
            overviews.append(overview_of(samples, block, config.engine_ids))
            stretches += finder.push(samples)
            release_memory()
            progress("samples", number / len(windows))
        if written is not None:
            written.result()
    stretches += finder.finish()
    overview = pa.concat_tables(overviews).combine_chunks()
    return Gridded(int(grid_ns[0]), int(grid_ns.size), overview, stretches, left_out)


def _made(
    windows: Sequence[Ints],
    pieces: Sequence[Piece],
    rankings: Rankings,
    on_change: OnChange,
    config: Config,
    aside: Path,
    second: SecondProcess,
) -> Iterator[pa.Table]:
    """Yield the samples of each window in order.

    The second process makes them from the first on. While the next one is not there yet, this process makes the last
    that nobody has begun, as long as more are waiting for that than its own work on the windows to come makes up for.
    """
    needed = [_needed(window, pieces, rankings, on_change, config) for window in windows]
    kept: dict[Path, Candidates] = {}
    if not second.is_there:
        for window, parts in zip(windows, needed, strict=True):
            yield _make(window, parts, rankings, on_change, config, kept)
        return
    calls = [
        second.submit(_set_aside, w, n, rankings, on_change, config, aside)
        for w, n in zip(windows, needed, strict=True)
    ]
    second.submit(_forget)
    own: dict[int, Spilled] = {}
    for number, call in enumerate(calls):
        while not call.done():  # a call taken back counts as done
            waiting = [n for n in range(number, len(calls)) if not (calls[n].running() or calls[n].done())]
            if len(waiting) <= _OWN_WORK * (len(calls) - number) or not calls[waiting[-1]].cancel():
                break
            last = waiting[-1]
            own[last] = _set_aside(windows[last], needed[last], rankings, on_change, config, aside, kept)
        spilled = own.pop(number, None) or call.result()
        yield read_spill(spilled)["samples"]
        spilled.path.unlink(missing_ok=True)


def _set_aside(
    window: Ints,
    needed: list[Piece],
    rankings: Rankings,
    on_change: OnChange,
    config: Config,
    aside: Path,
    kept: dict[Path, Candidates] | None = None,
) -> Spilled:
    """Make one window and set it aside; `kept` as for `_make`, None in the second process, which keeps its own."""
    samples = _make(window, needed, rankings, on_change, config, _KEPT if kept is None else kept)
    return write_spill(aside / f"samples-{window[0]}.arrows", {"samples": samples})


def _forget() -> None:
    _KEPT.clear()


_KEPT: dict[Path, Candidates] = {}
"""In the second process, from one call to the next: see `_make`."""


def _make(
    window: Ints,
    needed: list[Piece],
    rankings: Rankings,
    on_change: OnChange,
    config: Config,
    kept: dict[Path, Candidates],
) -> pa.Table:
    """Return the samples of a window.

    Args:
        window: Its instants [ns UTC].
        needed: The pieces it is made from.
        rankings: By channel group, its sources, the leader first.
        on_change: What is published on change only.
        config: Boat and trial settings.
        kept: Candidates of the pieces the window before needed, by the file they lie in, whose name no other run has;
            brought up to those of this window, because the next one needs the last of them again.
    """
    for path in kept.keys() - {piece.path for piece in needed}:
        del kept[path]
    for piece in needed:
        if piece.path not in kept:
            kept[piece.path] = piece.load(config)
    merged: Candidates = {}
    for piece in needed:
        for group, found in kept[piece.path].items():
            merged.setdefault(group, []).extend(found)
    return sample_window(merged, rankings, window, config, on_change)


def _needed(
    window: Ints, pieces: Sequence[Piece], rankings: Rankings, on_change: OnChange, config: Config
) -> list[Piece]:
    """Return the pieces a window needs, in order."""
    reach_ns = round(max(reaches_s(rankings, config, on_change).values(), default=0.0) * 1e9)
    low, high = int(window[0]) - reach_ns, int(window[-1]) + reach_ns
    return [p for p in pieces if p.low_ns <= high and p.high_ns >= low]
