"""Long forms of engine logs, one reading a row, to rows that hold all quantities of one time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from trialcapture.errors import TrialCaptureError

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_CLASH_SHARE = 0.01
_ENOUGH_TRIPLES = 20
_BACK_SHARE, _ALTERNATING_SHARE = 0.25, 0.5
_BACK = 0.25
_SAME_STAMPS_SHARE = 0.9
"""How mixed readings are told from those of one engine (common practice, no source). Of one engine a reading seldom
returns at once to within a quarter of where it came from: in 15 of 100 triples of pure noise, hardly ever in a trend;
of two engines in turns it nearly always does."""


@dataclass(frozen=True, slots=True)
class LongReadings:
    """Readings in file order, all of shape (n,): 0-based line, time [ns], index of the quantity, value."""

    row: Ints
    t_ns: Ints
    code: Ints
    value: Floats

    def only(self, index: npt.NDArray[np.bool_] | Ints | slice) -> LongReadings:
        """Return some of them."""
        return LongReadings(self.row[index], self.t_ns[index], self.code[index], self.value[index])


@dataclass(slots=True)
class _Sequence:
    """What the readings of one name have shown so far; `t_ns` and `value` are the last two."""

    t_ns: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    value: Floats = field(default_factory=lambda: np.zeros(0))
    stamps: int = 0
    clashes: int = 0
    triples: int = 0
    back: int = 0

    def add(self, t_ns: Ints, value: Floats) -> None:
        t_ns, value = np.concatenate([self.t_ns, t_ns]), np.concatenate([self.value, value])
        begin = max(self.t_ns.size - 1, 0)
        same = t_ns[begin + 1 :] == t_ns[begin:-1]
        self.stamps += int(np.count_nonzero(~same)) + (self.t_ns.size == 0)
        self.clashes += int(np.count_nonzero(same & (value[begin + 1 :] != value[begin:-1])))
        out, home = np.abs(value[1:-1] - value[:-2]), np.abs(value[2:] - value[1:-1])
        returns = (out > 0) & (np.abs(value[2:] - value[:-2]) < _BACK * np.minimum(out, home))
        self.triples += out.size
        self.back += int(np.count_nonzero(returns))
        self.t_ns, self.value = t_ns[-2:], value[-2:]

    @property
    def is_mixed(self) -> bool:
        """True where the readings are of two things in turns."""
        enough = self.triples >= _ENOUGH_TRIPLES
        if enough and self.back > _ALTERNATING_SHARE * self.triples:
            return True
        clashes = self.clashes > _CLASH_SHARE * self.stamps
        return clashes and not (enough and self.back <= _BACK_SHARE * self.triples)


class LongRows:
    """Gathers readings into rows of one time each.

    Logs in order of time pass through. An export quantity by quantity begins again for each of them, so that all is
    held until the end, 32 bytes a reading.
    """

    def __init__(self, names: Sequence[str]) -> None:
        """Set out.

        Args:
            names: What the quantities are called in the log, in the order of their codes.
        """
        self._names = names
        self._held: list[LongReadings] = []
        self._is_by_time = False
        self._sequences = [_Sequence() for _ in names]

    def add(self, found: LongReadings) -> None:
        """Take in the next readings of the log."""
        if not found.row.size:
            return
        for code, sequence in enumerate(self._sequences):
            mine = found.code == code
            if mine.any():
                sequence.add(found.t_ns[mine], found.value[mine])
        self._held.append(found)

    def take(self, *, is_last: bool) -> tuple[Ints, Ints, Floats]:
        """Return the rows that are whole: line of the first reading, time [ns], and values (n, quantities), NaN
        where there is none.
        """
        if not self._held:
            return self._none()
        held = _joined(self._held)
        self._held = [held]
        if not self._is_by_time:
            runs = 1 + int(np.count_nonzero(np.diff(held.code)))
            self._is_by_time = runs > np.unique(held.code).size
        if is_last:
            self._held = []
            if not self._is_by_time:
                return self._rows(*_in_order_of_time(held))
            return self._rows(held, np.zeros(held.row.size, np.int64))
        if not self._is_by_time:
            return self._none()
        # the last stamp may go on in the next block
        ends = np.flatnonzero(np.diff(held.t_ns))
        stop = int(ends[-1]) + 1 if ends.size else 0
        self._held = [held.only(slice(stop, None))]
        return self._rows(held.only(slice(0, stop)), np.zeros(stop, np.int64))

    def _none(self) -> tuple[Ints, Ints, Floats]:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, len(self._names)))

    def check(self, where: str) -> None:
        """Refuse readings of two things under one name.

        Raises:
            TrialCaptureError: There are such.
        """
        for name, sequence in zip(self._names, self._sequences, strict=True):
            if sequence.is_mixed:
                seen = f"{sequence.clashes} times two different readings at one time" if sequence.clashes else (
                    f"{sequence.back} of {sequence.triples} readings that return at once to the last but one"
                )  # fmt: skip
                raise _mixed(name, seen, where)
        if self._held and not self._is_by_time:
            held = _joined(self._held)
            for code, name in enumerate(self._names):
                if _comes_twice(held.t_ns[held.code == code], held.value[held.code == code]):
                    raise _mixed(name, "all its times come twice, with other readings", where)

    def _rows(self, found: LongReadings, part: Ints) -> tuple[Ints, Ints, Floats]:
        """Return one row for each run of equal times; a quantity that comes again in a run begins another row."""
        if not found.row.size:
            return self._none()
        count = len(self._names)
        begins = (np.diff(found.t_ns, prepend=found.t_ns[0] - 1) != 0) | (np.diff(part, prepend=part[0]) != 0)
        key = (np.cumsum(begins) - 1) * count + found.code
        order = np.argsort(key, kind="stable")
        first = np.flatnonzero(np.diff(key[order], prepend=-1))
        nth = np.arange(key.size) - np.repeat(first, np.diff(first, append=key.size))
        again = np.zeros(key.size, np.int64)
        again[order] = nth
        group = (np.cumsum(begins) - 1) * (int(again.max()) + 1) + again
        _, start, index = np.unique(group, return_index=True, return_inverse=True)
        values = np.full((start.size, count), np.nan)
        values[index, found.code] = found.value
        row = np.full(start.size, np.iinfo(np.int64).max)
        np.minimum.at(row, index, found.row)
        return row, found.t_ns[start], values


def _joined(parts: Sequence[LongReadings]) -> LongReadings:
    return LongReadings(
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.t_ns for part in parts]),
        np.concatenate([part.code for part in parts]),
        np.concatenate([part.value for part in parts]),
    )


def _mixed(name: str, seen: str, where: str) -> TrialCaptureError:
    return TrialCaptureError(
        f"the readings named {name!r} are of two things in turns, such as two engines",
        seen=seen,
        where=where,
        expected="export the log with a name of its own for each engine's quantity, or each engine by itself",
    )


def _epochs(t_ns: Ints) -> tuple[Ints, int]:
    """Return how often the time of one quantity has begun again at each reading, and which way it runs, 1 or -1."""
    step = np.diff(t_ns)
    way = -1 if np.count_nonzero(step < 0) > np.count_nonzero(step > 0) else 1
    return np.concatenate([[0], np.cumsum(way * step < 0)]).astype(np.int64), way


def _in_order_of_time(found: LongReadings) -> tuple[LongReadings, Ints]:
    """Return readings that came quantity by quantity in order of time, and the epoch of each."""
    epoch, way = np.zeros(found.row.size, np.int64), 1
    for code in np.unique(found.code).tolist():
        mine = found.code == code
        epoch[mine], way = _epochs(found.t_ns[mine])
    order = np.lexsort((found.row, way * found.t_ns, epoch))
    return found.only(order), epoch[order]


def _comes_twice(t_ns: Ints, value: Floats) -> bool:
    """Return True where the time of a quantity begins again and gives the same stamps other readings."""
    if t_ns.size < 2:
        return False
    epoch, _ = _epochs(t_ns)
    for nth in range(1, int(epoch[-1]) + 1):
        (one, seen), (other, again) = ((t_ns[epoch == e], value[epoch == e]) for e in (nth - 1, nth))
        both, at, to = np.intersect1d(one, other, return_indices=True)
        if both.size >= _SAME_STAMPS_SHARE * max(one.size, other.size) and (seen[at] != again[to]).any():
            return True
    return False
