"""Channels that are published when they change and otherwise not: told from silent ones, and held until they change.

Some loggers leave a cell empty, and some instruments send nothing, as long as a reading stays what it was. Such a
channel shows itself: of its readings, no two in a row are alike, and after a silence it has moved by about the
smallest step it ever moves, however long the silence was. A channel that was read all the time and lost for a while
repeats itself where it is coarse, and moves by less than any step where it is fine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats_to_arrow, integers
from trialcapture.prepare.channels.series import Candidate, column

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

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
