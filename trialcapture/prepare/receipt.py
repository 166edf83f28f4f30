"""The receipt axis of a raw log: when each line came in, by the best clock the log carries, block by block.

A log is read in blocks of whole lines. A block's own axis needs only its stamps; how far earlier set-backs of the
clock have moved the axis by then is one number a block (`shifts`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.prepare.sentence_times import integers

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SET_BACK_NS = 100_000_000
"""A stamp this much earlier than the one before it is a clock set back or begun again; less is the jitter of lines
from several sources, which follow each other out of order by milliseconds."""

_STRAY_NS = 10_000_000_000
_SECOND_NS = 1_000_000_000

CLOCKS = {"mono": ("mono_ns", 1), "wall": ("wall_ms", 1_000_000)}
"""Receipt clocks, best first: column, and nanoseconds of its unit."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """How one receipt clock stamped one block.

    Attributes:
        rows: Decoded rows of the block.
        known: Rows that carry a stamp.
        first_ns: First stamp in order of lines [ns]; 0 where none is known.
        last_ns: Last stamp [ns].
        back_ns: Sum of the set-backs inside the block [ns], zero or less.
        breaks_ns: Where those stand on the block's own axis [ns].
        is_fine: Some stamp is finer than a second.
    """

    rows: int
    known: int
    first_ns: int
    last_ns: int
    back_ns: int
    breaks_ns: tuple[int, ...]
    is_fine: bool

    @property
    def is_plain(self) -> bool:
        """True where the stamps themselves are the block's axis: every row has one and none was set back."""
        return self.known == self.rows and self.back_ns == 0


def monotone_axis(receipt_ns: Ints) -> tuple[Ints, Ints]:
    """Return receipt stamps [ns] with every set-back taken out, and where on the new axis those were.

    A wall clock set back, or a monotonic clock that began again when a session was resumed, would otherwise
    fold two stretches onto each other. The size of the step is not lost: `trialcapture.prepare.utc.fit_early_edge`
    finds it again as a new level of (receipt - sentence time).
    """
    step = np.diff(receipt_ns)
    at = np.flatnonzero(step < -SET_BACK_NS)
    if not at.size:
        return receipt_ns, at
    back = np.zeros(receipt_ns.size, dtype=np.int64)
    # a nanosecond more, so that the two sides of a set-back never share an instant of the axis
    back[at + 1] = step[at] - 1
    axis: Ints = receipt_ns - np.cumsum(back)
    breaks: Ints = axis[at + 1]
    return axis, breaks


def block_axes(
    tables: Mapping[str, pa.Table], clock: str, outlined: Stamps | None = None
) -> tuple[dict[str, Ints], Stamps]:
    """Return a block's own receipt axis [ns] for every row by formatter, and how its clock stamped it.

    Args:
        tables: The decoded block, lines ascending in each table.
        clock: A key of `CLOCKS`.
        outlined: How the clock stamped the block, where its outline has told; plain stamps need no second look.
    """
    column, scale = CLOCKS[clock]
    stamps = {name: integers(table, column) for name, table in tables.items()}
    if outlined is not None and outlined.is_plain:
        return _plain_axes(stamps, scale), outlined
    lines = {name: integers(table, "line")[0] for name, table in tables.items()}
    rows = sum(line.size for line in lines.values())
    low = min((int(line[0]) for line in lines.values() if line.size), default=0)
    high = max((int(line[-1]) for line in lines.values() if line.size), default=-1)
    by_line = np.zeros(high - low + 1, dtype=np.int64)
    told = np.zeros(high - low + 1, dtype=np.bool_)
    known_rows = 0
    for name, (stamp, known) in stamps.items():
        mine = slice(None) if known.all() else known
        at = lines[name][mine] - low
        by_line[at] = stamp[mine]
        told[at] = True
        known_rows += at.size
    receipt = by_line[told]
    if not receipt.size:
        return {name: np.zeros(line.size, dtype=np.int64) for name, line in lines.items()}, Stamps(
            rows, 0, 0, 0, 0, (), is_fine=False
        )
    receipt *= scale
    stray = _strays(receipt)
    if stray.size:
        known_rows -= stray.size
        told[np.flatnonzero(told)[stray]] = False
        receipt = np.delete(receipt, stray)
    axis, breaks = monotone_axis(receipt)
    back = int(receipt[-1] - receipt[0]) - int(axis[-1] - axis[0])
    # a division and a product are several times faster than a remainder
    fine = scale == 1 or bool(np.any(receipt // _SECOND_NS * _SECOND_NS != receipt))
    found = Stamps(rows, known_rows, int(receipt[0]), int(receipt[-1]), back, tuple(int(b) for b in breaks), fine)
    if found.is_plain:
        return _plain_axes(stamps, scale), found
    at = np.flatnonzero(told)
    return {name: _interpolate(line - low, at, axis) for name, line in lines.items()}, found


def _plain_axes(stamps: Mapping[str, tuple[Ints, Bools]], scale: int) -> dict[str, Ints]:
    """Return the axes of a block whose stamps are plain: the stamps themselves [ns]."""
    return {name: stamp * scale for name, (stamp, _) in stamps.items()}


def _strays(receipt_ns: Ints) -> Ints:
    """Return which stamps are far from both neighbours, which agree: damage that the checksum let through."""
    step = np.diff(receipt_ns)
    far = np.flatnonzero(np.abs(step, out=step) > _STRAY_NS)
    # the stamp between two such steps that follow each other
    between = far[1:][np.diff(far) == 1]
    found: Ints = between[np.abs(receipt_ns[between + 1] - receipt_ns[between - 1]) < _STRAY_NS]
    return found


def _interpolate(at: Ints, line: Ints, axis: Ints) -> Ints:
    """Return the axis at given lines, exact where a line is known, between its neighbours elsewhere."""
    base = int(axis[0])
    between = np.rint(np.interp(at, line, (axis - base).astype(np.float64))).astype(np.int64) + base
    index = np.clip(np.searchsorted(line, at), 0, line.size - 1)
    return np.where(line[index] == at, axis[index], between)


def find_shifts_ns(blocks: Sequence[Stamps]) -> tuple[list[int], Ints]:
    """Return what to add to each block's own axis [ns] so that one axis runs through the log, and its set-backs.

    Args:
        blocks: The log's blocks in order, one clock.
    """
    shifts: list[int] = []
    breaks: list[int] = []
    shift, last = 0, None
    for block in blocks:
        if block.known:
            if last is not None and block.first_ns - last < -SET_BACK_NS:
                shift += last - block.first_ns + 1
                breaks.append(block.first_ns + shift)
            breaks += [b + shift for b in block.breaks_ns]
            last = block.last_ns
        shifts.append(shift)
        shift -= block.back_ns
    return shifts, np.array(breaks, dtype=np.int64)


def choose_clock(blocks: Mapping[str, Sequence[Stamps]], has_receiver: bool) -> str:
    """Return the best receipt clock of a log: ``mono``, ``wall``, or ``order`` where no clock says enough.

    Args:
        blocks: The log's blocks in order, by clock.
        has_receiver: Some sentence tells UTC. A wall clock of whole seconds then says less than the order of the
            lines between such sentences.
    """
    for clock, found in blocks.items():
        rows, known = sum(b.rows for b in found), sum(b.known for b in found)
        fine = clock == "mono" or not has_receiver or any(b.is_fine for b in found)
        if rows and known >= 0.9 * rows and fine:
            return clock
    return "order" if has_receiver else "none"
