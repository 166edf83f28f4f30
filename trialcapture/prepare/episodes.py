"""Where a recording may be cut before it has ended: at changes no steady stretch reaches across.

Detection looks at one episode at a time, so that an answer is final as soon as its episode is over and memory does
not grow with the recording. Whether a sample is a cut follows from the samples around it alone, counted in blocks
from the first sample of the recording: never from how the recording was handed over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

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


class _Block(NamedTuple):
    """One block of samples of one signal; sample numbers count from the first ever.

    Attributes:
        level: Median of the known samples, NaN where there are none.
        first: First known sample, -1 for none.
        last: Last known sample, -1 for none.
        jump_at: Sample at which the largest change from the sample before it ends.
        jump: That change; -1 where there is none.
    """

    level: float
    first: int
    last: int
    jump_at: int
    jump: float


class _Signal:
    """One signal block by block: whether it is there, and whether it moves.

    Args:
        presence: Number of blocks in a row that make a change between there and not there.
        recent: Number of blocks within which a move counts.
        share: Move that counts, as a share of the level.
        least: Smallest move that counts [unit of the signal].
    """

    def __init__(self, presence: int, recent: int, share: float, least: float) -> None:
        self.there: bool | None = None
        self._presence = presence
        self._against = 0
        self._since = 0
        self._last_known = -1
        self._share, self._least = share, least
        self._recent: deque[_Block] = deque(maxlen=recent)

    def step(self, block: _Block) -> int | None:
        """Take one block; return the sample from which the signal is there, or not, once that is sure."""
        self._recent.append(block)
        known = block.last >= 0
        if self.there is None:
            self.there = known
        if known == self.there:
            self._against = 0
        else:
            if self._against == 0:
                self._since = block.first if known else self._last_known + 1
            self._against += 1
        if known:
            self._last_known = block.last
        if self._against < self._presence:
            return None
        self.there, self._against = known, 0
        return self._since

    def moved_at(self) -> int | None:
        """Return the sample at which a signal that moved far in the recent blocks moved most, or None."""
        levels = [block.level for block in self._recent if block.last >= 0]
        # the farther of two levels on one side is the greater move in shares too, so the extremes decide
        if len(levels) < 2 or not (self._is_move(levels[-1], min(levels)) or self._is_move(levels[-1], max(levels))):
            return None
        known = [block for block in self._recent if block.last >= 0]
        before, after = max(pairwise(known), key=lambda pair: abs(pair[1].level - pair[0].level))
        return before.jump_at if before.jump > after.jump else after.jump_at

    def forget(self) -> None:
        """Measure moves from the latest block on."""
        now = self._recent[-1]
        self._recent.clear()
        self._recent.append(now)

    def _is_move(self, now: float, then: float) -> bool:
        return abs(now - then) > max(self._share * max(now, then), self._least)


class EpisodeCutter:
    """Finds the cuts of a recording that arrives in pieces.

    A recording is cut where an engine's rpm (or, with no engine known, speed) moves far within ten seconds, where
    an engine's rpm appears or vanishes for 20 s, where speed does so for 60 s, and after `LONGEST_EPISODE_S`.

    Args:
        dt_s: Spacing [s].
        engines: Number of rpm signals.
    """

    def __init__(self, dt_s: float, engines: int) -> None:
        """Begin before the first sample."""
        self._dt_s = dt_s
        self._width = max(round(_BLOCK_S / dt_s), 1)
        self._rest: Floats = np.zeros((1 + engines, 0))
        self._before: Floats = np.full((1 + engines, 1), np.nan)
        self._done = 0
        self._last_cut = 0
        recent, sure = self._blocks_in(_MOVE_S) + 1, self._blocks_in(_RPM_PRESENCE_S)
        speed = _Signal(self._blocks_in(_SPEED_PRESENCE_S), recent, _SPEED_MOVE_SHARE, _SPEED_MOVE_KN)
        self._signals = [speed, *(_Signal(sure, recent, _RPM_MOVE_SHARE, _RPM_MOVE) for _ in range(engines))]

    def push(self, track: Track) -> list[int]:
        """Take the next samples and return the cuts that are sure now, ascending sample numbers."""
        signals = np.concatenate([self._rest, np.vstack([track.sog_kn[None, :], track.rpm])], axis=1)
        whole = signals.shape[1] // self._width
        size = whole * self._width
        self._rest = signals[:, size:].copy()
        if whole == 0:
            return []
        cuts: list[int] = []
        for blocks in self._describe(signals[:, :size].reshape(signals.shape[0], whole, self._width)):
            for at in self._step(blocks):
                if at > self._last_cut:
                    cuts.append(at)
                    self._last_cut = at
        return cuts

    def _blocks_in(self, seconds: float) -> int:
        return max(round(seconds / (self._width * self._dt_s)), 1)

    def _describe(self, x: npt.NDArray[np.float64]) -> Iterable[tuple[_Block, ...]]:
        """Return for each block its features in every signal, from an array of shape (signals, blocks, width)."""
        rows, count, width = x.shape
        known = np.isfinite(x)
        x = np.where(known, x, np.nan)
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
        features = (level, first, last, start + at, jump)
        return zip(*(map(_Block, *(f[r].tolist() for f in features)) for r in range(rows)), strict=True)

    def _step(self, blocks: tuple[_Block, ...]) -> list[int]:
        """Take one block of every signal and return where it shows a cut, ascending."""
        self._done += self._width
        changed = [signal.step(block) for signal, block in zip(self._signals, blocks, strict=True)]
        found = [at for at in changed if at is not None]
        watched = [rpm for rpm in self._signals[1:] if rpm.there] or self._signals[:1]
        moved = [at for signal in watched if (at := signal.moved_at()) is not None]
        if moved:
            found.append(min(moved))
            # a throttle still on its way is measured against where it is now
            for signal in self._signals:
                signal.forget()
        found.sort()
        if self._done - max([self._last_cut, *found]) >= round(LONGEST_EPISODE_S / self._dt_s):
            found.append(self._done)
        return found
