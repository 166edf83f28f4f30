"""Where a recording may be cut before it has ended: at changes no steady stretch reaches across.

Detection looks at one episode at a time, so that an answer is final as soon as its episode is over and memory does
not grow with the recording. Whether a sample is a cut follows from the samples around it alone, counted in blocks
from the first sample of the recording: never from how the recording was handed over.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.judge import Track

Floats = npt.NDArray[np.float64]

LONGEST_EPISODE_S = 7200.0
"""A recording without any change is cut all the same after this time [s]: it bounds memory."""
_BLOCK_S = 2.0
_MOVE_S = 10.0
_RPM_MOVE_SHARE = 0.08
"""Change of rpm within ten seconds that is a moved throttle beyond doubt, eight times what ends a hold
(common practice, no source); what is less stays inside an episode and is judged there."""
_RPM_MOVE = 100.0
_SPEED_MOVE_SHARE = 0.2
_SPEED_MOVE_KN = 2.0
_RPM_PRESENCE_S = 20.0
_SPEED_PRESENCE_S = 60.0


@dataclass(slots=True)
class _Presence:
    """Whether a signal is there, changed only by a run of blocks that all say otherwise."""

    blocks: int
    there: bool | None = None
    against: int = 0
    since: int = 0
    last_known: int = -1

    def step(self, first: int, last: int) -> int | None:
        """Take one block's first and last known sample (-1 for none); return where a change lies once it is sure."""
        known = last >= 0
        if self.there is None:
            self.there = known
        if known == self.there:
            self.against = 0
        else:
            if self.against == 0:
                self.since = first if known else self.last_known + 1
            self.against += 1
        if known:
            self.last_known = last
        if self.against < self.blocks:
            return None
        self.there, self.against = known, 0
        return self.since


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Features of blocks of samples, one list a signal, one entry a block; sample numbers count from the first ever.

    Attributes:
        level: Median of the known samples, NaN where there are none.
        first: First known sample, -1 for none.
        last: Last known sample, -1 for none.
        jump_at: Sample at which the largest change from the sample before it ends.
        jump: That change; -1 where there is none.
    """

    level: list[list[float]]
    first: list[list[int]]
    last: list[list[int]]
    jump_at: list[list[int]]
    jump: list[list[float]]


@dataclass(slots=True)
class EpisodeCutter:
    """Finds the cuts of a recording that arrives in pieces.

    A recording is cut where an engine's rpm (or, with no engine known, speed) moves far within ten seconds, where
    an engine's rpm appears or vanishes for 20 s, where speed does so for 60 s, and after `LONGEST_EPISODE_S`.

    Args:
        dt_s: Spacing [s].
        engines: Number of rpm signals.
    """

    dt_s: float
    engines: int
    _rest: Floats = field(init=False)
    _before: Floats = field(init=False)
    _presence: list[_Presence] = field(init=False)
    _recent: deque[tuple[list[float], list[int], list[float]]] = field(init=False)
    _width: int = field(init=False)
    _done: int = field(init=False, default=0)
    _last_cut: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        """Begin before the first sample."""
        rows = 1 + self.engines
        self._width = max(round(_BLOCK_S / self.dt_s), 1)
        self._rest = np.zeros((rows, 0))
        self._before = np.full((rows, 1), np.nan)
        self._recent = deque(maxlen=self._blocks_in(_MOVE_S) + 1)
        speed, rpm = self._blocks_in(_SPEED_PRESENCE_S), self._blocks_in(_RPM_PRESENCE_S)
        self._presence = [_Presence(speed), *(_Presence(rpm) for _ in range(self.engines))]

    def push(self, track: Track) -> list[int]:
        """Take the next samples and return the cuts that are sure now, ascending sample numbers."""
        signals = np.concatenate([self._rest, np.vstack([track.sog_kn[None, :], track.rpm])], axis=1)
        whole = signals.shape[1] // self._width
        size = whole * self._width
        self._rest = signals[:, size:].copy()
        if whole == 0:
            return []
        blocks = self._describe(signals[:, :size].reshape(signals.shape[0], whole, self._width))
        cuts: list[int] = []
        for b in range(whole):
            for at in self._step(blocks, b):
                if at > self._last_cut:
                    cuts.append(at)
                    self._last_cut = at
        return cuts

    def _blocks_in(self, seconds: float) -> int:
        return max(round(seconds / (self._width * self.dt_s)), 1)

    def _describe(self, x: npt.NDArray[np.float64]) -> _Blocks:
        """Return the features of blocks, from an array of shape (signals, blocks, width)."""
        rows, count, width = x.shape
        known = np.isfinite(x)
        some = known.any(axis=2)
        start = self._done + np.arange(count) * width
        first = np.where(some, start + known.argmax(axis=2), -1)
        last = np.where(some, start + width - 1 - known[:, :, ::-1].argmax(axis=2), -1)
        # NaN sorts to the end; the lower median is a value that was measured, whatever the number of samples
        middle = np.maximum(known.sum(axis=2) - 1, 0) // 2
        level = np.take_along_axis(np.sort(x, axis=2), middle[:, :, None], axis=2)[:, :, 0]
        flat = x.reshape(rows, -1)
        change = np.abs(np.diff(flat, axis=1, prepend=self._before))
        change = np.where(np.isfinite(change), change, -1.0).reshape(x.shape)
        at = change.argmax(axis=2)
        jump = np.take_along_axis(change, at[:, :, None], axis=2)[:, :, 0]
        self._before = flat[:, -1:].copy()
        return _Blocks(level.tolist(), first.tolist(), last.tolist(), (start + at).tolist(), jump.tolist())

    def _step(self, blocks: _Blocks, b: int) -> list[int]:
        """Take one block and return where it shows a cut, ascending."""
        self._done += self._width
        found = []
        for r, presence in enumerate(self._presence):
            at = presence.step(blocks.first[r][b], blocks.last[r][b])
            if at is not None:
                found.append(at)
        rows = range(len(self._presence))
        self._recent.append(tuple([part[r][b] for r in rows] for part in (blocks.level, blocks.jump_at, blocks.jump)))
        watched = [r for r in rows[1:] if self._presence[r].there] or [0]
        moved = [at for r in watched if (at := self._moved(r)) is not None]
        if moved:
            found.append(min(moved))
            # a throttle still on its way is measured against where it is now
            now = self._recent[-1]
            self._recent.clear()
            self._recent.append(now)
        found.sort()
        if self._done - max([self._last_cut, *found]) >= round(LONGEST_EPISODE_S / self.dt_s):
            found.append(self._done)
        return found

    def _moved(self, row: int) -> int | None:
        """Return the sample at which a signal that moved far in the recent blocks moved most, or None."""
        share, least = (_RPM_MOVE_SHARE, _RPM_MOVE) if row else (_SPEED_MOVE_SHARE, _SPEED_MOVE_KN)
        known = [(level[row], at[row], jump[row]) for level, at, jump in self._recent if level[row] == level[row]]
        if len(known) < 2:
            return None
        now = known[-1][0]
        if all(abs(now - then) <= max(share * max(abs(now), abs(then)), least) for then, _, _ in known):
            return None
        before, after = max(pairwise(known), key=lambda pair: abs(pair[1][0] - pair[0][0]))
        return before[1] if before[2] > after[2] else after[1]
