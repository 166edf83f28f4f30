"""Steps of an engine log's clock, and the offset of each piece between them.

A clock set back shows in its stamps; one set forward looks like a pause. So each irregular step of the stamps is only a
*candidate*, and rpm on the network decides. A dynamic program (Viterbi, "Error Bounds for Convolutional Codes", IEEE
Trans. Inf. Theory 13(2), 1967) assigns an offset to each piece between candidates: its cost is the misfit of rpm plus a
penalty for each change of the offset, lower where the rows then come at their usual interval, as from a logger that was
set while it went on writing. A piece that would fit nearly as well at another offset gets none.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import known, values
from trialcapture.prepare.clocks.log_match import Pair, find_offsets, to_seconds, usual_pace_s

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MOST_CUTS = 64
"""More candidates than this are not weighed; the weakest pauses are left out, and a log whose stamps run backwards more
often has no order (our choice, no source)."""
_JITTER_S = 1.2
"""By how much the step between two rows may differ from the usual one: stamps in whole seconds do by one second (our
choice, no source)."""
_BLOCK = 32
"""Rows over which the usual step is taken (our choice, no source)."""
_FEW = 3
"""So many rows in a row may be out of order without the clock having been set (our choice, no source)."""
_LONG_S = 6 * 3600.0
"""Beyond such a step rows may come in any order: files of several days put together (our choice, no source)."""
_SET = 6.0
"""What a clock that is set while the logger goes on has to explain [nats]: about five rows of a changing rpm (our
choice, no source)."""
_RESTARTED = 10.0
"""What a clock that is set with a pause has to explain [nats] (our choice, no source)."""
_IMPOSSIBLE = 1000.0
"""Cost of what cannot be [nats] (our choice: more than any log explains)."""
_CLEAR = 5.0
"""How much worse a piece must be placed anywhere else [nats]; rivals are 150 times less likely."""
_WORST, _UNKNOWN = 12.5, 2.0
"""Cost of a row whose rpm differs by five standard deviations and more, and of one the network tells nothing about
[nats]; a row that fits costs a half (our choice, no source)."""
_MEMORY_S = 3.0
"""Rows closer than this share their noise (our choice, no source)."""
_MOST_OFFSETS = 160
"""Offsets that are tried: a bound on time (our choice)."""
_APART_S, _SAME_S, _FLANK_S = 1.0, 1.5, 3.0
"""Offsets tried are no nearer than the first [s], one clock's change by no more than the second, and rivals lie beyond
the third (our choice, no source)."""
_LATE = 1.0
"""Cost of rows written late instead of a clock set back [nats] (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Cuts:
    """Where a log's stamps do not go on at their own pace.

    Attributes:
        at: Index of the first row of each piece but the first, ascending.
        may_be_late: True where a piece may begin with rows written late instead, so that the clock may not have been
            set at all; shape as `at`.
        late: True for rows that stand behind rows they were logged before.
        wild: True for single rows whose stamp is far off.
    """

    at: Ints
    may_be_late: Bools
    late: Bools
    wild: Bools


def find_cuts(stamps: Ints) -> Cuts | None:
    """Return the candidates for a step of the clock; None where the stamps run backwards too often to have an order.

    Args:
        stamps: Of rows in the order they were logged [ns], shape (n,).
    """
    t_s = (stamps - stamps[0]) / 1e9
    late, wild = _find_misplaced(t_s)
    kept = np.flatnonzero(~late & ~wild)
    step = np.diff(t_s[kept])
    # no step that goes forward and is within the jitter is a candidate, whatever the usual one
    if bool(((step >= 0.0) & (step <= _JITTER_S)).all()):
        return Cuts(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_), late, wild)
    pace, slack = _local_pace(step)
    excess = step - pace
    is_back = step < -0.6
    if is_back.sum() > MOST_CUTS:
        return None
    is_back |= excess < -slack
    strength = np.where(is_back, np.inf, excess / slack)
    candidates = np.flatnonzero(is_back | (excess > slack))
    if candidates.size > MOST_CUTS:
        candidates = np.sort(candidates[np.argsort(-strength[candidates], kind="stable")[:MOST_CUTS]])
    may_be_late = np.array([_may_be_late(t_s[kept], int(i) + 1) for i in candidates], dtype=np.bool_)
    return Cuts(kept[candidates + 1].astype(np.int64), may_be_late, late, wild)


def _may_be_late(t_s: Floats, i: int) -> bool:
    """Return True where the stamps soon go on beyond those before a step backwards."""
    return bool(t_s[i] < t_s[i - 1] and t_s[i : i + _FEW + 1].max() > t_s[i - 1])


def _local_pace(step: Floats) -> tuple[Floats, Floats]:
    """Return the usual step round each row [s], and how far from it a step is nothing unusual [s]."""
    count = max(round(step.size / _BLOCK), 1)
    parts = np.array_split(step, count)
    forward = [part[part > 0.0] if bool((part > 0.0).any()) else np.ones(1) for part in parts]
    pace = np.array([np.median(part) for part in forward])
    spread = np.array([np.quantile(np.abs(f - p), 0.9, method="lower") for f, p in zip(forward, pace, strict=True)])
    slack = np.maximum(np.maximum(_JITTER_S, 0.6 * pace), 1.5 * spread)
    sizes = [part.size for part in parts]
    return np.repeat(pace, sizes), np.repeat(slack, sizes)


def _find_misplaced(t_s: Floats) -> tuple[Bools, Bools]:
    """Return True for rows written late among others, and True for single rows whose stamp is far off."""
    late, wild = np.zeros((2, t_s.size), dtype=np.bool_)
    backward = np.flatnonzero(np.diff(t_s) < 0.0) + 1
    if not 0 < backward.size <= 50 * MOST_CUTS:
        return late, wild
    step = np.diff(t_s)
    usual = float(np.median(step[step > 0.0])) if np.any(step > 0.0) else 1.0
    # among rows that come at no regular pace nobody can tell a row written late from a clock put back a little
    is_regular = bool(np.quantile(np.abs(step - usual), 0.85) <= max(0.3 * usual, _JITTER_S))
    for i in backward.tolist():
        if late[i] or late[i - 1] or wild[i - 1]:
            continue
        # rows before it that jump ahead and are followed by what came before them
        for few in range(1, _FEW + 1):
            before = i - few - 1
            gap = t_s[i] - t_s[before] if before >= 0 else np.nan
            if 0.0 <= gap <= (few + 1) * usual + _JITTER_S and t_s[i - few] - t_s[before] > 3.0 * usual + _JITTER_S:
                wild[i - few : i] = True
                break
        if wild[i - 1]:
            continue
        # rows that were written late: they fill a hole before
        top = t_s[i - 1]
        stop = i
        while stop < min(i + _FEW, t_s.size) and t_s[stop] <= top:
            stop += 1
        if stop == i or (stop < t_s.size and t_s[stop] <= top):
            continue
        others = t_s[max(0, i - 60) : i]
        if is_regular and float(np.abs(t_s[i:stop, None] - others).min()) >= 0.5 * usual:
            late[i:stop] = True
    return late, wild


@dataclass(frozen=True, slots=True)
class PieceOffsets:
    """The pieces of a log and the rough offset of each.

    Attributes:
        bounds: Index of the first row of each piece, and the number of rows; shape (k + 1,).
        offset_s: UTC minus stamp [s], shape (k,), to a second.
        is_clear: True where no other offset does nearly as well, shape (k,).
    """

    bounds: Ints
    offset_s: Floats
    is_clear: Bools


Engine = tuple[Ints, Floats, Floats]
"""One engine: network UTC [ns] and rpm, finite; rpm in the log, one a row, NaN where unknown."""


def find_piece_offsets(stamps: Ints, engines: list[Engine], cuts: Cuts, drift: float = 0.0) -> PieceOffsets | None:
    """Return the offset of each piece between candidates, by rpm; None where nothing fits anywhere.

    Args:
        stamps: Of rows in the order they were logged [ns].
        engines: What both sides saw.
        cuts: From `find_cuts`.
        drift: Growth of all offsets per second, as far as known.
    """
    bounds = np.concatenate([[0], cuts.at, [stamps.size]]).astype(np.int64)
    seen = [_Network(*engine) for engine in engines]
    tried_s = _find_tried_offsets(stamps, engines, bounds)
    if not tried_s.size:
        return None
    pace_s = usual_pace_s(stamps[np.concatenate([[True], np.diff(stamps) > 0])] / 1e9)
    stamp_s = stamps / 1e9
    base_s = float(stamp_s[0])
    _calibrate(seen, stamp_s, engines, bounds, tried_s)
    cost = np.zeros((bounds.size - 1, tried_s.size))
    for k in range(bounds.size - 1):
        rows = _thinned(stamp_s, slice(int(bounds[k]), int(bounds[k + 1])))
        for network, (_, _, logged) in zip(seen, engines, strict=True):
            cost[k] += network.cost(stamp_s[rows] * (1.0 + drift) - base_s * drift, logged[rows], tried_s)
    cost /= max(1.0, _MEMORY_S / pace_s)
    steps = stamp_s[bounds[1:-1]] - stamp_s[bounds[1:-1] - 1]
    moves = [
        _move_cost(tried_s, float(step), pace_s, bool(late)) for step, late in zip(steps, cuts.may_be_late, strict=True)
    ]
    return _best_path(bounds, cost, tried_s, moves, pace_s)


def _thinned(stamp_s: Floats, rows: slice) -> Ints:
    """Return the rows of a piece, one a second at most."""
    second = np.floor(stamp_s[rows])
    kept: Ints = rows.start + np.flatnonzero(np.concatenate([[True], np.diff(second) != 0.0]))
    return kept


class _Network:
    """Rpm of one engine as the network told it, each second."""

    def __init__(self, t_ns: Ints, rpm: Floats, _logged: Floats) -> None:
        self._first, self._rpm = to_seconds(t_ns, rpm)
        low, high = np.nanquantile(self._rpm, [0.02, 0.98])
        self._sigma = max(0.01 * float(high - low), 5.0)
        self.scale = 1.0

    def at(self, t_s: Floats) -> Floats:
        """Return rpm at times [s], NaN where unknown."""
        place = t_s - self._first
        left = np.clip(np.floor(place).astype(np.int64), 0, self._rpm.size - 2)
        share = place - left
        found: Floats = self._rpm[left] * (1.0 - share) + self._rpm[left + 1] * share
        found[(place < 0.0) | (place > self._rpm.size - 1)] = np.nan
        return found

    def cost(self, stamp_s: Floats, logged: Floats, tried_s: Floats) -> Floats:
        """Return what each offset leaves unexplained [nats], the best within a second of it."""
        known = np.isfinite(logged)
        stamp_s, logged = stamp_s[known], logged[known] * self.scale
        found = np.empty(tried_s.size)
        for n, place in enumerate(tried_s):
            tried = []
            for near in (-1.0, -0.5, 0.0, 0.5, 1.0):
                rest = np.minimum(0.5 * ((logged - self.at(stamp_s + (place + near))) / self._sigma) ** 2, _WORST)
                tried.append(float(np.where(np.isfinite(rest), rest, _UNKNOWN).sum()))
            found[n] = min(tried)
        return found


def _calibrate(seen: list[_Network], stamp_s: Floats, engines: list[Engine], bounds: Ints, tried_s: Floats) -> None:
    """Set how much the network's rpm reads against the log's, by the longest piece at its best place."""
    longest = int(np.argmax(np.diff(bounds)))
    rows = _thinned(stamp_s, slice(int(bounds[longest]), int(bounds[longest + 1])))
    for network, (_, _, logged) in zip(seen, engines, strict=True):
        ratios: list[tuple[float, float]] = []
        for place in tried_s:
            both = network.at(stamp_s[rows] + place)
            usable = np.isfinite(both) & np.isfinite(logged[rows]) & (logged[rows] > 100.0) & (both > 100.0)
            if usable.sum() >= 30:
                ratio = np.log(both[usable] / logged[rows][usable])
                middle = float(np.median(ratio))
                ratios.append((float(np.median(np.abs(ratio - middle))) - 1e-4 * float(usable.sum()) ** 0.5, middle))
        if ratios:
            network.scale = float(np.exp(min(ratios)[1]))


def _find_tried_offsets(stamps: Ints, engines: list[Engine], bounds: Ints) -> Floats:
    """Return the offsets that any piece might have [s], ascending."""
    step_s = np.diff(stamps) / 1e9
    pace_s = float(np.median(step_s[step_s > 0.0])) if np.any(step_s > 0.0) else 1.0
    cut_s = step_s[bounds[1:-1] - 1]
    apart = np.flatnonzero((cut_s < -0.6) | (cut_s > _LONG_S)) + 1
    edges = np.concatenate([[0], apart, [bounds.size - 1]])
    runs = [(int(bounds[a]), int(bounds[b])) for a, b in pairwise(edges)]
    pieces = [(int(a), int(b)) for a, b in pairwise(bounds)]
    ranked = sorted(dict.fromkeys(runs + pieces), key=lambda r: -_movement(engines, r))[:16]
    found: list[float] = []
    for a, b in ranked:
        pairs = pairs_of(stamps, engines, slice(a, b))
        if pairs:
            found += find_offsets(pairs, 4, 40.0, 0.5)
    own = list(dict.fromkeys(found))
    # a clock that was set while rows kept coming: its offset changes by what the step is too short or too long
    shifts = pace_s - cut_s
    shifts = shifts[np.abs(shifts) < _LONG_S]
    moved = [o + s for o in own[:12] for s in (*shifts, *-shifts)]
    total = np.concatenate([[0.0], np.cumsum(pace_s - cut_s)])
    chained = [o + t for o in own[:6] for t in (*total, *(total - total[-1]), *(-total))]
    kept: list[float] = []
    for place in [*own, *moved, *chained]:
        if len(kept) < _MOST_OFFSETS and all(abs(place - other) >= _APART_S for other in kept):
            kept.append(place)
    return np.array(sorted(kept))


def _movement(engines: list[Engine], rows: tuple[int, int]) -> float:
    """Return how much rpm changes over some rows, noise left out."""
    total = 0.0
    for _, _, logged in engines:
        part = logged[rows[0] : rows[1]]
        change = np.abs(np.diff(part[np.isfinite(part)]))
        total += float(change[change > 20.0].sum())
    return total


def pairs_of(stamps: Ints, engines: list[Engine], rows: slice | Bools) -> list[Pair]:
    """Return the two sides of each engine over some rows of the log, rising stamps only."""
    pairs: list[Pair] = []
    for t_ns, seen, logged in engines:
        known = np.isfinite(logged[rows])
        t, value = stamps[rows][known], logged[rows][known]
        if not t.size:
            continue
        rising = np.concatenate([[True], t[1:] > np.maximum.accumulate(t)[:-1]])
        if rising.sum() >= 10:
            pairs.append((t_ns, seen, t[rising], value[rising]))
    return pairs


def _best_path(bounds: Ints, cost: Floats, tried_s: Floats, moves: list[Floats], pace_s: float) -> PieceOffsets:
    """Return the offsets that together cost least, and where no piece could go elsewhere."""
    forward = np.zeros_like(cost)
    forward[0] = cost[0]
    for k, move in enumerate(moves, start=1):
        forward[k] = cost[k] + (forward[k - 1][:, None] + move).min(axis=0)
    backward = np.zeros_like(cost)
    for k in range(len(moves) - 1, -1, -1):
        backward[k] = (moves[k] + (cost[k + 1] + backward[k + 1])[None, :]).min(axis=1)
    chosen = np.zeros(len(cost), dtype=np.int64)
    chosen[-1] = int(forward[-1].argmin())
    for k in range(len(moves), 0, -1):
        chosen[k - 1] = int((forward[k - 1] + moves[k - 1][:, chosen[k]]).argmin())
    total = forward + backward
    offset_s = tried_s[chosen]
    # what lies nearer is the flank of the same minimum, and in the uncertainty
    other = np.abs(tried_s[None, :] - offset_s[:, None]) > max(_FLANK_S, pace_s)
    rival = np.where(other, total, np.inf).min(axis=1)
    is_clear = rival - total[np.arange(len(cost)), chosen] >= _CLEAR
    return PieceOffsets(bounds, offset_s, is_clear)


def _move_cost(tried_s: Floats, step_s: float, pace_s: float, may_be_late: bool) -> Floats:
    """Return what it costs to go from one offset to another across a step of the stamps, shape (from, to) [nats]."""
    change = tried_s[None, :] - tried_s[:, None]
    paused = step_s + change - pace_s
    kept_writing = np.abs(paused) <= max(2.0, 0.5 * pace_s)
    cost = np.where(kept_writing, _SET, _RESTARTED)
    cost[np.abs(change) <= _SAME_S] = _LATE if step_s < 0.0 else 0.0
    if abs(step_s) <= _LONG_S:
        # no row was logged before the one above it
        cost[(step_s + change < -1.0) & ((np.abs(change) > _SAME_S) | (not may_be_late))] = _IMPOSSIBLE
    return cost


# Order of the rows as offloaded, and rows written twice.

Codes = npt.NDArray[np.uint64]

_LEAST_RUN = 5
"""So many rows in a row must come again, in the same order, to be a stretch that was offloaded twice (our choice, no
source)."""
_LEAST_KINDS = 3
"""So many of them must differ: an engine at rest shows the same values at other times too (our choice, no source)."""
_UNLIKE_SHARE = 0.1
"""Where more than this share of the rows of one stamp differ, stamps are coarse and rows alike are no repeats (our
choice, no source)."""
_STAMPS = ("row", "t_log_ns")
_ODD = np.uint64(0x9E3779B97F4A7C15)
"""2**64 over the golden ratio, odd: the multiplier of Fibonacci hashing (Knuth, "The Art of Computer Programming", vol.
3, section 6.4, from memory)."""


def is_newest_first(t_log_ns: Ints) -> bool:
    """Return True where most rows are older than the row above them."""
    step = np.diff(t_log_ns)
    return bool(np.count_nonzero(step < 0) > 2 * np.count_nonzero(step > 0))


def row_codes(rows: pa.Table) -> Codes:
    """Return a number for what stands in each row beside its stamp: equal rows have equal ones, shape (n,)."""
    codes = np.zeros(rows.num_rows, dtype=np.uint64)
    for name in rows.column_names:
        if name in _STAMPS:
            continue
        column = rows[name].combine_chunks()
        bits = np.where(known(column), values(column).view(np.uint64), np.uint64(1))
        codes = (codes ^ bits) * _ODD
        codes ^= codes >> np.uint64(29)
    return codes


def find_repeated(t_log_ns: Ints, codes: Codes) -> Bools:
    """Return True for rows that repeat an earlier one: stamp, values, and place in a stretch of such rows.

    Args:
        t_log_ns: Stamps in the order of the file [ns], shape (n,).
        codes: From `row_codes`, shape (n,).
    """
    order = np.lexsort((np.arange(t_log_ns.size), codes, t_log_ns))
    t, code = t_log_ns[order], codes[order]
    is_first = np.concatenate([[True], (t[1:] != t[:-1]) | (code[1:] != code[:-1])])
    begins = np.flatnonzero(is_first)
    original = np.empty(t_log_ns.size, dtype=np.int64)
    original[order] = order[begins[np.cumsum(is_first) - 1]]
    rows = np.arange(t_log_ns.size)
    again = original != rows
    repeated = np.zeros(t_log_ns.size, dtype=np.bool_)
    same_stamp = np.concatenate([[False], t_log_ns[1:] == t_log_ns[:-1]])
    same_row = same_stamp & np.concatenate([[False], codes[1:] == codes[:-1]])
    if np.count_nonzero(same_row) >= (1.0 - _UNLIKE_SHARE) * np.count_nonzero(same_stamp):
        repeated |= same_row
    # stretches of rows that come again in the same order, rows next to their original left out
    far = again & (rows - original > 1)
    joins = far & np.concatenate([[False], far[:-1] & (np.diff(original) >= 0) & (np.diff(original) <= 2)])
    starts = np.flatnonzero(far & ~joins)
    for start, stop in pairwise([*starts.tolist(), rows.size]):
        length = int(np.argmin(np.append(far[start:stop], False)))
        stretch = slice(start, start + length)
        if length >= _LEAST_RUN and np.unique(codes[stretch]).size >= _LEAST_KINDS:
            repeated[stretch] = True
    return repeated
