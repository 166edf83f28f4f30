"""Clock readings of a zone to UTC, block by block, when the clocks change too."""

from __future__ import annotations

from calendar import isleap
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
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


@dataclass(slots=True)
class _Round:
    """Where a clock that starts again at the end of each period stands: its last reading, and what led to it."""

    last_ns: int | None = None
    turns: int = 0
    forward: int = 0
    backward: int = 0


class PartialClock:
    """Makes readings whole that lack the day, or the year, in file order: at its end the day or year moves on.

    A reading is the time of day, or the time within a leap year. From one to the next less than half a period
    passes, or the log has a hole: then it moves on as the log as a whole does, which may be backwards where the
    newest rows come first. A lone reading far from neighbours that fit together is damage and moves nothing.
    """

    def __init__(self, first: date, *, lacks: str) -> None:
        """Set out.

        Args:
            first: Day of the first row; its year alone counts where only that is lacking.
            lacks: ``day`` or ``year``.
        """
        self._first = first
        self._lacks = lacks
        self._period_ns = DAY_NS if lacks == "day" else 366 * DAY_NS
        self._now = _Round()
        self._next = _Round()

    def resolve(self, shown_ns: Ints, *, is_last: bool) -> tuple[Ints, Bools] | None:
        """Return whole readings [ns since 1970-01-01], and which there are; None where later rows must tell.

        Nothing is taken note of before `accept`.

        Args:
            shown_ns: Readings that were not accepted yet, the older ones first; shape (n,).
            is_last: No more will come.
        """
        before = [] if self._now.last_ns is None else [self._now.last_ns]
        shown = np.concatenate([np.array(before, dtype=np.int64), shown_ns])
        if shown.size == 0:
            return shown, np.zeros(0, dtype=np.bool_)
        near = self._period_ns // 24
        far = np.abs(self._around(np.diff(shown))) > near
        if far.size and far[-1] and not is_last:
            return None  # damage or a hole? the next row tells
        across = np.abs(self._around(shown[2:] - shown[:-2])) <= near
        lone = np.flatnonzero(far[:-1] & far[1:] & across) + 1
        smooth = shown.copy()
        smooth[lone] = shown[lone - 1]
        turns = self._turns(smooth)
        self._next.last_ns, self._next.turns = int(smooth[-1]), int(turns[-1])
        own = slice(len(before), None)
        return self._whole(shown[own], turns[own])

    def accept(self) -> None:
        """Go on behind the readings resolved last."""
        self._now = self._next
        self._next = _Round(self._now.last_ns, self._now.turns, self._now.forward, self._now.backward)

    def _around(self, step_ns: Ints) -> Ints:
        """Return steps the short way round."""
        half = self._period_ns // 2
        return (step_ns + half) % self._period_ns - half

    def _turns(self, shown: Ints) -> Ints:
        step = np.diff(shown)
        half = self._period_ns // 2
        is_plain = np.abs(step) < half
        forward = self._now.forward + np.cumsum(is_plain & (step > 0))
        backward = self._now.backward + np.cumsum(is_plain & (step < 0))
        turned = np.zeros(shown.size, dtype=np.int64)
        for at in np.flatnonzero(~is_plain).tolist():
            falls = bool(step[at] < 0)
            is_short = abs(int(self._around(step[at : at + 1])[0])) <= self._period_ns // 24
            if is_short or falls == bool(forward[at] >= backward[at]):
                turned[at + 1] = 1 if falls else -1
        if step.size:
            self._next.forward, self._next.backward = int(forward[-1]), int(backward[-1])
        turns: Ints = self._now.turns + np.cumsum(turned)
        return turns

    def _whole(self, shown: Ints, turns: Ints) -> tuple[Ints, Bools]:
        if self._lacks == "day":
            days = self._first.toordinal() - _EPOCH_DAY + turns
            is_there = np.abs(days) < _MOST_DAYS
            return shown + np.where(is_there, days, 0) * DAY_NS, is_there
        day_of_year = (shown - _day_begin(2000)) // DAY_NS
        whole, is_there = np.zeros(shown.size, dtype=np.int64), np.ones(shown.size, dtype=np.bool_)
        for turn in np.unique(turns).tolist():
            year, its = self._first.year + turn, turns == turn
            if not 1678 < year < 2262:
                is_there &= ~its
                continue
            lost = 0 if isleap(year) else 1
            moved = _day_begin(year) - _day_begin(2000) - lost * (day_of_year > _FEBRUARY_29) * DAY_NS
            whole = np.where(its, shown + moved, whole)
            is_there &= ~(its & bool(lost) & (day_of_year == _FEBRUARY_29))
        return whole, is_there


_EPOCH_DAY = date(1970, 1, 1).toordinal()
_FEBRUARY_29 = 59
_MOST_DAYS = 100_000


def _day_begin(year: int) -> int:
    return (date(year, 1, 1).toordinal() - _EPOCH_DAY) * DAY_NS


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
