"""Receive times of a raw log: when each line came in, by the best clock the log carries, block by block.

On a serial line the time a sentence took on the wire is subtracted.

A log is read in blocks of whole lines. A block's own axis needs only its stamps; how far earlier set-backs of the
clock have moved the axis by then is one number a block (`shifts`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import coded, integers, to_arrow
from trialcapture.config import Config
from trialcapture.config.inputs import declared_source
from trialcapture.prepare.clocks.sentence_times import integer_column

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SET_BACK_NS = 100_000_000
"""A stamp this much earlier than the one before it is a clock set back or begun again; less is the jitter of lines
from several sources, which follow each other out of order by milliseconds."""

_STRAY_NS = 10_000_000_000
"""A stamp further than this from both neighbours is damage [ns] (our choice, no source)."""
_SECOND_NS = 1_000_000_000

CLOCKS = {"mono": ("mono_ns", 1), "wall": ("wall_ms", 1_000_000)}
"""Receive clocks, best first: column, and nanoseconds of its unit."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """How one receive clock stamped one block.

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


def monotone_axis(receive_ns: Ints) -> tuple[Ints, Ints]:
    """Return receive-time stamps [ns] with every set-back taken out, and where on the new axis those were.

    A wall clock set back, or a monotonic clock that began again when a session was resumed, would otherwise
    fold two stretches onto each other. The size of the step is not lost: `lower_envelope.fit_lower_envelope`
    finds it again as a new level of (receive time - sentence time).
    """
    step = np.diff(receive_ns)
    at = np.flatnonzero(step < -SET_BACK_NS)
    if not at.size:
        return receive_ns, at
    back = np.zeros(receive_ns.size, dtype=np.int64)
    # a nanosecond more, so that the two sides of a set-back never share an instant of the axis
    back[at + 1] = step[at] - 1
    axis: Ints = receive_ns - np.cumsum(back)
    breaks: Ints = axis[at + 1]
    return axis, breaks


def block_axes(
    tables: Mapping[str, pa.Table], clock: str, known_stamps: Stamps | None = None
) -> tuple[dict[str, Ints], Stamps]:
    """Return a block's own receive-time axis [ns] for every row by formatter, and how its clock stamped it.

    Args:
        tables: The decoded block, lines ascending in each table.
        clock: A key of `CLOCKS`.
        known_stamps: How the clock stamped the block, where its downsampled index has told; plain stamps need no second
            look.
    """
    column, scale = CLOCKS[clock]
    stamps = {name: integer_column(table, column) for name, table in tables.items()}
    if known_stamps is not None and known_stamps.is_plain:
        return _plain_axes(stamps, scale), known_stamps
    lines = {name: integer_column(table, "line")[0] for name, table in tables.items()}
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
    received = by_line[told]
    if not received.size:
        return {name: np.zeros(line.size, dtype=np.int64) for name, line in lines.items()}, Stamps(
            rows, 0, 0, 0, 0, (), is_fine=False
        )
    received *= scale
    stray = _strays(received)
    if stray.size:
        known_rows -= stray.size
        told[np.flatnonzero(told)[stray]] = False
        received = np.delete(received, stray)
    axis, breaks = monotone_axis(received)
    back = int(received[-1] - received[0]) - int(axis[-1] - axis[0])
    # a division and a product are several times faster than a remainder
    fine = scale == 1 or bool(np.any(received // _SECOND_NS * _SECOND_NS != received))
    found = Stamps(rows, known_rows, int(received[0]), int(received[-1]), back, tuple(int(b) for b in breaks), fine)
    if found.is_plain:
        return _plain_axes(stamps, scale), found
    at = np.flatnonzero(told)
    return {name: _interpolate(line - low, at, axis) for name, line in lines.items()}, found


def _plain_axes(stamps: Mapping[str, tuple[Ints, Bools]], scale: int) -> dict[str, Ints]:
    """Return the axes of a block whose stamps are plain: the stamps themselves [ns]."""
    return {name: stamp * scale for name, (stamp, _) in stamps.items()}


def _strays(receive_ns: Ints) -> Ints:
    """Return which stamps are far from both neighbours, which agree: damage that the checksum let through."""
    step = np.diff(receive_ns)
    far = np.flatnonzero(np.abs(step, out=step) > _STRAY_NS)
    # the stamp between two such steps that follow each other
    between = far[1:][np.diff(far) == 1]
    found: Ints = between[np.abs(receive_ns[between + 1] - receive_ns[between - 1]) < _STRAY_NS]
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
    """Return the best receive clock of a log: ``mono``, ``wall``, or ``order`` where no clock says enough.

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


# Time on a serial line.
#
# A character is ten bits on the line: a start bit, eight data bits, no parity, a stop bit (NMEA 0183 and
# IEC 61162-1, from memory), so n characters take ``10 n / baud`` seconds: 82 of them 171 ms at 4800 baud, 21 ms at
# 38 400.
#
# A measurement's time is the instant its sentence's first byte leaves the talker, less the talker's declared latency.
# Three things can stand between that byte and a receive-time stamp:
#
# - the sentence's own time on the line, where a program stamps a line when it is complete. It is certain once baud
#   and length are known, and is taken off;
# - several sentences read at once and stamped alike. A line carries one byte after the other, so a sentence had left
#   the talker entirely before the next one began: that bound is certain too;
# - waiting in the talker or multiplexer behind the sentences sent before. Whether a sentence that follows closely on
#   another was waiting, or was measured just then, cannot be seen. It is taken off only where the source is declared
#   to send bursts.

BITS_A_CHARACTER = 10
"""Start bit, eight data bits, stop bit (NMEA 0183 and IEC 61162-1, from memory)."""
LINE_END_CHARACTERS = 2
"""CR and LF, which a sentence's text does not count (NMEA 0183, from memory)."""
_TOUCHING_NS = 5_000_000
"""Sentences no further apart than this on the line follow each other without a pause (common practice, no source)."""
_OVERLOADED = 1.02
"""A line cannot carry more than it can; what seems to, runs at another speed than declared (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How a source's sentences came in.

    Attributes:
        baud: Speed of the slowest line they came over [bit/s]; None where it is not known, or there is none (a
            network, a bus), and nothing is taken off.
        stamp: Which byte of a sentence its receive-time stamp was made at.
        bursts: Whether sentences that touch each other were all measured when the first of them set out.
    """

    baud: int | None = None
    stamp: Literal["first_byte", "last_byte"] = "first_byte"
    bursts: bool = False


def serial_lines(config: Config) -> dict[str, SerialLine]:
    """Return the sources whose receive-time stamps stand later than the first byte, by id; most configs have none."""
    return {
        s.id: SerialLine(s.baud, s.stamped_at, s.bursts)
        for s in config.source
        if s.baud is not None and (s.stamped_at == "last_byte" or s.bursts)
    }


def count_characters(block: bytes) -> Ints:
    """Return how many characters each line of a block took on the wire, line end included, TAG block left out."""
    is_whole = block.endswith((b"\n", b"\r"))
    data = np.frombuffer(block if is_whole else block + b"\n", np.uint8)
    line_feed, ends = data == ord("\n"), data == ord("\r")
    # CRLF, LF and CR each end one line
    np.greater(ends[:-1], line_feed[1:], out=ends[:-1])
    ends |= line_feed
    marked = data == ord("\\")
    marked |= ends
    mark = np.concatenate([[-1], np.flatnonzero(marked)])
    nth_end = np.flatnonzero(ends[mark[1:]]) + 1
    # what comes before is the line before, or the backslash that closes a TAG block
    begins, stop = mark[nth_end - 1] + 1, mark[nth_end]
    paired = (stop > begins) & line_feed[stop] & (data[stop - 1] == ord("\r"))
    characters: Ints = stop - begins - paired + LINE_END_CHARACTERS
    return characters


def correct_receive_times(
    tables: Mapping[str, pa.Table], block: bytes, first_line: int, lines: Mapping[str, SerialLine]
) -> dict[str, pa.Table]:
    """Move the stamps of a decoded block back to the first byte of each sentence, as far as that is certain.

    Args:
        tables: By formatter, as decoded.
        block: The bytes they were decoded from.
        first_line: Line number of its first line.
        lines: From `serial_lines`; without any the tables are returned as they are.
    """
    if not lines or not tables:
        return dict(tables)
    characters = count_characters(block)
    at, stamp, code = [], [], []
    names = list(lines)
    ranks = {}
    for name, table in tables.items():
        index, words = coded(table["source"])
        known_as = np.array([_place(declared_source(w, lines), names) for w in words] or [-1], dtype=np.int64)
        ranks[name] = known_as[index] if index.size else index
        mono, known = integers(table["mono_ns"])
        mine = np.flatnonzero(known & (ranks[name] >= 0))
        at.append(integers(table["line"])[0][mine] - first_line)
        stamp.append(mono[mine])
        code.append(ranks[name][mine])
    line, where = _first_of_each(np.concatenate(at), characters.size)
    sent = first_byte_ns(
        np.concatenate(stamp)[where], characters[line], np.concatenate(code)[where], tuple(lines.values())
    )
    earlier = np.zeros(characters.size, dtype=np.int64)
    earlier[line] = np.concatenate(stamp)[where] - sent
    return {name: _earlier(table, earlier, first_line) for name, table in tables.items()}


def _first_of_each(line: Ints, count: int) -> tuple[Ints, Ints]:
    """Return which of `count` lines occur, ascending, and where each does first."""
    inside = np.flatnonzero(line < count)
    where = np.full(count, -1)
    # of several values for one place the last one stays
    where[line[inside[::-1]]] = inside[::-1]
    found = np.flatnonzero(where >= 0)
    return found, where[found]


def _place(name: str, names: Sequence[str]) -> int:
    return names.index(name) if name in names else -1


def _earlier(table: pa.Table, by_ns: Ints, first_line: int) -> pa.Table:
    shift = by_ns[np.clip(integers(table["line"])[0] - first_line, 0, by_ns.size - 1)]
    for column, scale in (("mono_ns", 1), ("wall_ms", 1_000_000)):
        values, known = integers(table[column])
        moved = to_arrow(values - np.rint(shift / scale).astype(np.int64), known)
        table = table.set_column(table.schema.get_field_index(column), column, moved)
    return table


def line_time_ns(characters: Ints, baud: int) -> Ints:
    """Return the time sentences take on a line [ns].

    Args:
        characters: (n,) length of each, line end included.
        baud: Speed of the line [bit/s], above 0.
    """
    return (characters.astype(np.int64) * (BITS_A_CHARACTER * 1_000_000_000) + baud // 2) // baud


def first_byte_ns(stamp_ns: Ints, characters: Ints, source: Ints, lines: tuple[SerialLine, ...]) -> Ints:
    """Return the instant each sentence's first byte was sent, as far as that is certain.

    Args:
        stamp_ns: (n,) receive-time stamps [ns], in order of arrival in each source.
        characters: (n,) length of each sentence, line end included.
        source: (n,) index of each sentence's source in `lines`.
        lines: How each source's sentences came in.

    Returns:
        (n,) instants [ns], never later than the stamps. A source whose declared speed could not have carried what
        came is left as it is; `find_overloaded` names it.
    """
    sent = stamp_ns.astype(np.int64, copy=True)
    overloaded = find_overloaded(stamp_ns, characters, source, lines)
    for code, line in enumerate(lines):
        mine = np.flatnonzero(source == code)
        if line.baud is None or code in overloaded or not mine.size:
            continue
        took = line_time_ns(characters[mine], line.baud)
        # a clock set back would otherwise drag everything before it along
        set_back = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(np.maximum(-np.diff(sent[mine]), 0))])
        first = sent[mine] + set_back - (took if line.stamp == "last_byte" else 0)
        first = _before_the_next(first, took)
        sent[mine] = (_start_of_burst(first, took) if line.bursts else first) - set_back
    return sent


def find_overloaded(stamp_ns: Ints, characters: Ints, source: Ints, lines: tuple[SerialLine, ...]) -> tuple[int, ...]:
    """Return the sources whose declared speed could not have carried what came, as indices into `lines`.

    Args:
        stamp_ns, characters, source, lines: As `first_byte_ns` takes them.
    """
    found = []
    for code, line in enumerate(lines):
        mine = np.flatnonzero(source == code)
        if line.baud is None or mine.size < 100:
            continue
        span_ns = int(stamp_ns[mine[-1]] - stamp_ns[mine[0]])
        carried_ns = int(line_time_ns(characters[mine], line.baud)[1:].sum())
        # a burst kept back by the computer explains a second, not more
        if carried_ns > _OVERLOADED * span_ns + 1_000_000_000:
            found.append(code)
    return tuple(found)


def _before_the_next(first: Ints, took: Ints) -> Ints:
    """Return instants put back so far that each sentence has left before the next one begins.

    ``f[i] = min(f[i], f[i + 1] - took[i])`` from the end is a running minimum of ``f`` less the time on the line of
    all sentences before.
    """
    before = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(took[:-1])])
    bound: Ints = np.minimum.accumulate((first - before)[::-1])[::-1] + before
    return bound


def _start_of_burst(first: Ints, took: Ints) -> Ints:
    """Return for each sentence the instant the first of its burst set out."""
    pause = first[1:] - (first[:-1] + took[:-1]) > _TOUCHING_NS
    begins = np.concatenate([[True], pause])
    at = np.maximum.accumulate(np.where(begins, np.arange(first.size), 0))
    start: Ints = first[at]
    return start
