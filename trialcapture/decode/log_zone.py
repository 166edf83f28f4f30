"""Clock readings of a zone to UTC, block by block, when the clocks change too."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone, tzinfo

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SECOND_NS = 1_000_000_000
BAD, SKIPPED, TWICE = 1, 2, 3
"""How sure a stamp is: 0 as read, else not in the format, a time that never was, or one that came twice."""

_PATIENCE_NS = 60 * SECOND_NS
_SHORT_STEP_NS = _PATIENCE_NS // 10


class ZoneClock:
    """Offsets from UTC of a log's clock readings that name none, in file order.

    A reading that came twice is placed by the readings around it, so a block that ends among such readings
    cannot be resolved before more have come.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._pace = _Pace()
        self._before_ns: int | None = None
        self._must_wait = False

    def add(self, clock_ns: Ints) -> None:
        """Take note of readings [ns], each once, before they are resolved."""
        self._pace.add(clock_ns)

    def resolve(self, clock_ns: Ints, *, is_last: bool) -> tuple[Ints, npt.NDArray[np.uint8]] | None:
        """Return each reading's offset from UTC [ns] and its state, or None where later readings must tell.

        Args:
            clock_ns: Readings that were not resolved yet, the older ones first; shape (n,).
            is_last: No more will come.
        """
        if isinstance(self._zone, timezone):
            offset_ns = delta_ns(self._zone.utcoffset(None))
            return np.full(clock_ns.size, offset_ns, dtype=np.int64), np.zeros(clock_ns.size, dtype=np.uint8)
        if self._must_wait and not is_last:
            return None
        first, second = _both_offsets(clock_ns, self._zone)
        state = np.where(first < second, SKIPPED, 0).astype(np.uint8)
        offset = first.copy()
        twice = first > second
        if twice.size and twice[-1] and not is_last:
            return None
        edges = np.flatnonzero(np.diff(np.concatenate(([False], twice, [False])).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2):
            run = slice(int(start), int(stop))
            chosen = self._which_of_two(clock_ns, first, second, run, self._pace.median_ns() if is_last else 0.0)
            if not is_last and not _is_same(chosen, self._which_of_two(clock_ns, first, second, run, np.inf)):
                # The pace of the whole log decides how long a hole may be, and it is not known yet; it matters only
                # where a hole is longer than the shortest patience and shorter than the longest.
                self._must_wait = True
                return None
            if chosen is None:
                state[run] = TWICE
            else:
                offset[run] = chosen
        if clock_ns.size:
            self._before_ns = int(clock_ns[-1] - first[-1])
        return offset, state

    def _which_of_two(self, clock_ns: Ints, first: Ints, second: Ints, run: slice, pace_ns: float) -> Ints | None:
        """Return the offsets of a run of readings that each came twice, or None where the order does not tell.

        A step back by about the width of the change inside the run is the change itself. Without one the whole
        run lies on one side of it: the side on which it joins the row before, or the row after, without a hole.
        When both neighbours answer, they must agree.
        """
        clock, before, after = clock_ns[run], first[run], second[run]
        width = int(before[0] - after[0])
        back = np.flatnonzero(np.diff(clock) < -width // 2)
        if back.size == 1:
            return np.where(np.arange(clock.size) <= back[0], before, after)
        if back.size > 1:
            return None
        patience = min(max(10 * pace_ns, _PATIENCE_NS), width / 4)
        earlier = int(clock_ns[run.start - 1] - first[run.start - 1]) if run.start > 0 else self._before_ns
        answers = set()
        for side in (before, after):
            if earlier is not None:
                hole = int(clock[0] - side[0]) - earlier
                answers |= {int(side[0])} if 0 <= hole <= patience else set()
            if run.stop < clock_ns.size:
                hole = int((clock_ns[run.stop] - first[run.stop]) - (clock[-1] - side[-1]))
                answers |= {int(side[0])} if 0 <= hole <= patience else set()
        if len(answers) != 1:
            return None
        return before if answers == {int(before[0])} else after


def _is_same(one: Ints | None, other: Ints | None) -> bool:
    return one is other if one is None or other is None else np.array_equal(one, other)


class _Pace:
    """Median of the steps forward of a log, as far as it matters: of steps too short to, only the longest is kept."""

    def __init__(self) -> None:
        self._last: int | None = None
        self._short = 0
        self._longest_short_ns = 0
        self._long: list[int] = []

    def add(self, clock_ns: Ints) -> None:
        if not clock_ns.size:
            return
        step = np.diff(clock_ns) if self._last is None else np.diff(clock_ns, prepend=self._last)
        self._last = int(clock_ns[-1])
        is_short = (step > 0) & (step <= _SHORT_STEP_NS)
        self._short += int(np.count_nonzero(is_short))
        self._longest_short_ns = max(self._longest_short_ns, int(step[is_short].max(initial=0)))
        self._long.extend(step[step > _SHORT_STEP_NS].tolist())

    def median_ns(self) -> float:
        """Return the median, exact where it is longer than the shortest step that matters."""
        count = self._short + len(self._long)
        if not count:
            return 0.0
        steps = sorted(self._long)
        middle = [n - self._short for n in ((count - 1) // 2, count // 2)]
        return sum(steps[n] if n >= 0 else self._longest_short_ns for n in middle) / 2


def _both_offsets(clock_ns: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Return each reading's offsets from UTC [ns], which differ where the clocks change (PEP 495, fold 0 and 1)."""
    minutes, back = np.unique(clock_ns // (60 * SECOND_NS), return_inverse=True)
    pairs = np.array([_offsets_at(int(minute), zone) for minute in minutes], dtype=np.int64).reshape(-1, 2)
    return pairs[back, 0], pairs[back, 1]


def _offsets_at(minute: int, zone: tzinfo) -> tuple[int, int]:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(minutes=minute)
    pair = [moment.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta() for fold in (0, 1)]
    return delta_ns(pair[0]), delta_ns(pair[1])


def delta_ns(delta: timedelta) -> int:
    """Return a span of time in whole nanoseconds."""
    return ((delta.days * 86400 + delta.seconds) * 1_000_000 + delta.microseconds) * 1000
