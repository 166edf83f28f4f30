"""The criteria of a steady stretch, and the cutting of a recording into episodes.

Criteria are limits on slope and spread of speed, on rpm and on course; a violation is named with its value and its key.
Episodes bound what detection must hold: a recording is cut where rpm or speed moves far, or comes or goes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.config import Config, Steady
from trialcapture.prepare.sample_statistics import (
    MEMORY_S,
    autocorrelation_sum,
    bend_of,
    bend_weights,
    circular_sd_deg,
    rolling_mean,
    slope_per_s,
    wrap_deg,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_SLOPE_ERRORS, _RUN_KN = 3.0, 0.15
"""Speed drifts where its slope is beyond so many standard errors, and its change over the stretch beyond this [kn] (our
choice: three standard errors, 99.7 %; 1.5 counts of a display in tenths)."""
_LARGE_RUN_KN = 0.5
"""A change over the stretch that is refused whatever its error [kn] (our choice, no source)."""
_BEND_KN = 0.3
"""A bend of the speed over a stretch that is refused where it is beyond three of its errors too: hulls that overshoot
stand on a crest without a slope [kn] (our choice, measured on simulated hulls: settled ones bend by 0.15 kn at most,
crests mistaken for settled by 0.3 to 1.2 kn)."""
_STILL_RPM = 3.0
"""A smaller spread of rpm is held whatever its share (our choice, no source)."""
_CALM_S = 5.0
"""The spread of rpm is that of its mean over this [s] (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Track:
    """What detection looks at, on one uniform time axis.

    Attributes:
        sog_kn: Speed over ground, shape (n,), NaN where unknown.
        rpm: Engine speeds, shape (engines, n), NaN where unknown; (0, n) when no engine is known.
        heading_true_deg: Heading, or course over ground where there is no heading, shape (n,).
        dt_s: Spacing [s].
        over_ground: True where the direction is the course over ground, which follows the helm later than a heading;
            one value for all samples, or shape (n,).
    """

    sog_kn: Floats
    rpm: npt.NDArray[np.float64]
    heading_true_deg: Floats
    dt_s: float
    over_ground: bool | Bools = False

    def part(self, start: int, stop: int) -> Track:
        """Return the samples [start, stop)."""
        inside = slice(start, stop)
        over_ground = self.over_ground[inside] if isinstance(self.over_ground, np.ndarray) else self.over_ground
        return Track(self.sog_kn[inside], self.rpm[:, inside], self.heading_true_deg[inside], self.dt_s, over_ground)

    @property
    def duration_s(self) -> float:
        """Number of samples times their spacing [s]."""
        return self.sog_kn.size * self.dt_s


@dataclass(frozen=True, slots=True)
class Limits:
    """What counts as steady for one boat, every default filled in.

    Attributes:
        steady: The limits as configured.
        sog_sd_kn: Limit on the spread of speed [kn].
        guard_s: Left out after every change of rpm or course [s].
        idle_rpm: Highest idle speed of the engines [rpm]; 0 when not known.
    """

    steady: Steady
    sog_sd_kn: float = 0.4
    guard_s: float = 20.0
    idle_rpm: float = 0.0


def limits_of(config: Config) -> Limits:
    """Return the limits a configuration sets."""
    idle_rpm = max((e.idle_rpm for e in config.engine), default=0.0)
    return Limits(config.steady, config.sog_sd_kn, config.guard_s, idle_rpm)


def drifts(v_kn: Floats, dt_s: float, limits: Limits) -> bool:
    """Return True when speed has a slope that is both real and large enough to matter.

    A slope matters beyond the limit, and where it makes up 0.15 kn over the stretch; it is real where it is more than
    three times its error. In a short stretch of a noisy sea chance alone gives slopes beyond the limit, and their
    error is in that of the mean.
    """
    slope = slope_per_s(v_kn, dt_s)
    beyond, run_kn = abs(slope) * 60.0 > limits.steady.sog_slope_kn_per_min, abs(slope) * v_kn.size * dt_s
    if beyond and run_kn > _LARGE_RUN_KN:
        return True
    if not beyond and run_kn <= _RUN_KN:
        return False
    # the error of a slope costs far more than the slope: it is asked for only where it decides
    return abs(slope) > _SLOPE_ERRORS * slope_with_error(v_kn, dt_s)[1]


def bends(v_kn: Floats, dt_s: float) -> bool:
    """Return True when speed goes over a crest or through a trough that is both real and large enough to matter.

    A hull whose trim overshoots rises beyond the speed it settles at and comes back; about the crest its slope is
    none.
    """
    bend_kn = bend_of(v_kn)
    if abs(bend_kn) <= _BEND_KN:
        return False
    n = v_kn.size
    weights = bend_weights(n)
    t: Floats = np.arange(n, dtype=np.float64) - (n - 1) / 2.0
    flat = v_kn - v_kn.mean()
    rest = flat - t * float(t @ flat) / float(t @ t) - bend_kn * weights / float(weights @ weights)
    tau = max(autocorrelation_sum([rest], max(n // 3, 1), own_mean=False), MEMORY_S / dt_s)
    error_kn = float(np.sqrt(float(rest @ rest) / (n - 3) * tau * float(weights @ weights)))
    return abs(bend_kn) > _SLOPE_ERRORS * error_kn


def slope_with_error(v: Floats, dt_s: float) -> tuple[float, float]:
    """Return the least-squares slope of v [1/s] and its standard error with autocorrelated residuals.

    The white-noise error of the slope is widened by the square root of the residuals' integrated
    autocorrelation factor, which is taken to be that of a memory of five seconds at least.
    """
    slope = slope_per_s(v, dt_s)
    t: Floats = np.arange(v.size, dtype=np.float64) * dt_s
    rest = v - v.mean() - slope * (t - t.mean())
    if v.size < 5:
        return slope, float("inf")
    tau = max(autocorrelation_sum([rest], max(v.size // 3, 1), own_mean=False), MEMORY_S / dt_s)
    variance = float(rest @ rest) / (v.size - 2) * tau
    spread = float(((t - t.mean()) ** 2).sum())
    return slope, float(np.sqrt(variance / spread))


def find_violation(track: Track, limits: Limits) -> str:
    """Return the first limit a stretch breaks, in words with the value and the key, or an empty string."""
    steady = limits.steady
    for rpm in track.rpm:
        if violation := _rpm_violation(rpm, track, steady):
            return violation
    slope = slope_per_s(track.sog_kn, track.dt_s) * 60.0
    if abs(slope) > steady.sog_slope_kn_per_min and drifts(track.sog_kn, track.dt_s, limits):
        limit = f"limit {steady.sog_slope_kn_per_min:g} (sog_slope_kn_per_min)"
        return f"speed not settled: {slope:+.2f} kn/min, {limit}"
    if bends(track.sog_kn, track.dt_s):
        return f"speed not settled: it swings by {abs(bend_of(track.sog_kn)):.2f} kn"
    spread = float(track.sog_kn.std())
    if spread > limits.sog_sd_kn:
        return f"speed not steady: spread {spread:.2f} kn, limit {limits.sog_sd_kn:g} (sog_sd_kn)"
    yaw = circular_sd_deg(track.heading_true_deg)
    if yaw is not None and yaw > steady.heading_sd_deg:
        return f"course not held: spread {yaw:.1f} deg, limit {steady.heading_sd_deg:g} (heading_sd_deg)"
    turned = _turned_deg(track.heading_true_deg)
    if abs(turned) > steady.turn_deg:
        return f"course changed by {turned:+.0f} deg, limit {steady.turn_deg:g} (turn_deg)"
    return ""


def _rpm_violation(rpm: Floats, track: Track, steady: Steady) -> str:
    if not np.isfinite(rpm).all():
        return "rpm missing for part of the stretch"
    # a display that toggles between two of its steps is no moving throttle
    calm = rolling_mean(rpm, max(round(_CALM_S / track.dt_s), 1))
    mean, spread = float(rpm.mean()), float(calm.std())
    spread_pct = 100.0 * spread / max(mean, 1.0)
    if spread_pct > steady.rpm_sd_pct and spread > _STILL_RPM:
        return f"rpm not held: spread {spread_pct:.2f} %, limit {steady.rpm_sd_pct:g} % (rpm_sd_pct)"
    per_min = 60.0 * slope_per_s(rpm, track.dt_s)
    run_pct = abs(per_min) * track.duration_s / 60.0 / max(mean, 1.0) * 100.0
    if abs(per_min) > steady.rpm_slope_pct_per_min / 100.0 * mean and run_pct > steady.rpm_sd_pct:
        return f"rpm creeping: {per_min:+.0f} rpm/min (rpm_slope_pct_per_min)"
    return ""


def _turned_deg(heading: Floats) -> float:
    """Return the change of mean direction from the first to the last third [deg]; 0 where either is unknown."""
    third = max(heading.size // 3, 1)
    directions = []
    for part in (heading[:third], heading[-third:]):
        known = np.radians(part[np.isfinite(part)])
        if known.size == 0:
            return 0.0
        directions.append(np.degrees(np.arctan2(np.sin(known).mean(), np.cos(known).mean())))
    return float(wrap_deg(np.array([directions[1] - directions[0]]))[0])


# Episodes: a recording is cut at changes that no steady stretch reaches across.
#
# Detection looks at one episode at a time, so that an answer is final as soon as its episode is over and memory does
# not grow with the recording. Whether a sample is a cut follows from the samples around it alone, counted in blocks
# from the first sample of the recording: never from how the recording was handed over.

Ints = npt.NDArray[np.int64]

LONGEST_EPISODE_S = 7200.0
"""A recording without any change is cut all the same after this time [s]: it bounds memory (our choice, no source)."""
_BLOCK_S, _MOVE_S = 2.0, 10.0
"""Changes are looked for by medians of so long, across such a time [s] (our choice, no source)."""
_RPM_MOVE_SHARE = 0.08
"""Change of rpm within ten seconds that is a moved throttle beyond doubt, eight times what ends a hold
(common practice, no source); what is less stays inside an episode and is evaluated there."""
_RPM_MOVE = 100.0
"""The same in rpm; both must be passed (common practice, no source)."""
_SPEED_MOVE_SHARE, _SPEED_MOVE_KN = 0.2, 2.0
"""The same of speed, where no engine speed is known (common practice, no source)."""
_RPM_PRESENCE_S, _SPEED_PRESENCE_S = 20.0, 60.0
"""So long must rpm, or speed, have come or gone for a cut [s] (our choice, no source)."""


class _Blocks(NamedTuple):
    """Blocks of samples of every signal, arrays of shape (signals, blocks); sample numbers count from the first ever.

    Attributes:
        level: Median of the known samples, NaN where there are none.
        first: First known sample, -1 for none.
        last: Last known sample, -1 for none.
        jump_at: Sample at which the largest change from the sample before it ends.
        jump: That change; -1 where there is none.
    """

    level: Floats
    first: Ints
    last: Ints
    jump_at: Ints
    jump: Floats


class _Presence:
    """Whether one signal is there, block by block.

    Args:
        sure: Number of blocks in a row that make a change between there and not there.
    """

    def __init__(self, sure: int) -> None:
        self._sure = sure
        self._there: bool | None = None
        self._against = 0
        self._since = 0
        self._last_known = -1

    def follow(self, first: Ints, last: Ints) -> tuple[Bools, dict[int, int]]:
        """Take the next blocks, by their first and last known samples.

        Returns:
            At which blocks the signal is there; and by block, each change of that at the block where it has become
            sure, as the sample from which it holds.
        """
        known = last >= 0
        there = np.empty(known.size, dtype=np.bool_)
        changes: dict[int, int] = {}
        for start, stop in pairwise([0, *(np.flatnonzero(np.diff(known)) + 1).tolist(), known.size]):
            now = bool(known[start])
            if self._there is None:
                self._there = now
            there[start:stop] = self._there
            if now == self._there:
                self._against = 0
            else:
                if self._against == 0:
                    self._since = int(first[start]) if now else self._last_known + 1
                sure_at = start + self._sure - self._against - 1
                self._against += stop - start
                if sure_at < stop:
                    there[sure_at:stop] = now
                    changes[sure_at] = self._since
                    self._there, self._against = now, 0
            if now:
                self._last_known = int(last[stop - 1])
        return there, changes


class _Moves:
    """Where signals move far within a few blocks.

    Args:
        reach: Number of blocks back to which a move is measured.
        share: Move that counts, as a share of the level, one for each signal.
        least: Smallest move that counts, one for each signal [its unit].
    """

    def __init__(self, reach: int, share: list[float], least: list[float]) -> None:
        self._reach = reach
        self._share, self._least = np.array(share)[:, None], np.array(least)[:, None]
        shape = (len(share), reach)
        self._level, self._jump_at, self._jump = np.full(shape, np.nan), np.zeros(shape, np.int64), np.zeros(shape)

    def follow(self, blocks: _Blocks, watched: Bools) -> dict[int, int]:
        """Take the next blocks and which signals are watched at each, shape (signals, blocks).

        Returns:
            By each block up to which a watched signal has moved far, the sample at which the first of them moved most.
        """
        done, reach = self._level.shape[1] - self._reach, self._reach
        self._level = np.concatenate([self._level[:, done:], blocks.level], axis=1)
        self._jump_at = np.concatenate([self._jump_at[:, done:], blocks.jump_at], axis=1)
        self._jump = np.concatenate([self._jump[:, done:], blocks.jump], axis=1)
        far = self._is_far(self._level) & watched
        moves: dict[int, int] = {}
        for block in np.flatnonzero(far.any(axis=0)).tolist():
            moved = np.flatnonzero(far[:, block]).tolist()
            if not moved:  # it was far only from what is forgotten by now
                continue
            moves[block] = min(self._moved_at(signal, slice(block, block + reach + 1)) for signal in moved)
            # a throttle still on its way is measured against where it is now
            self._level[:, : block + reach] = np.nan
            again = slice(block, block + reach + 1)
            far[:, again] = self._is_far(self._level[:, block : again.stop + reach]) & watched[:, again]
        return moves

    def _is_far(self, level: Floats) -> Bools:
        """Return where signals have moved far, from their levels at blocks and at as many before as a move reaches."""
        latest = np.maximum.accumulate(np.where(np.isnan(level), 0, np.arange(level.shape[1])), axis=1)
        now = np.take_along_axis(level, latest, axis=1)[:, self._reach :]
        # the farther of two levels on one side is the greater move in shares too, so the extremes decide
        within = np.stack([level[:, first : first + now.shape[1]] for first in range(self._reach + 1)])
        far = np.zeros(now.shape, dtype=np.bool_)
        for then in (np.fmin.reduce(within), np.fmax.reduce(within)):
            far |= np.abs(now - then) > np.maximum(self._share * np.maximum(now, then), self._least)
        return far

    def _moved_at(self, signal: int, window: slice) -> int:
        """Return the sample at which a signal that moved far within a window moved most."""
        known = window.start + np.flatnonzero(~np.isnan(self._level[signal, window]))
        most = int(np.abs(np.diff(self._level[signal, known])).argmax())
        before, after = known[most], known[most + 1]
        jump = self._jump[signal]
        return int(self._jump_at[signal, before if jump[before] > jump[after] else after])


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
        self._width = max(round(_BLOCK_S / dt_s), 1)
        self._longest = round(LONGEST_EPISODE_S / dt_s)
        self._rest: Floats = np.zeros((1 + engines, 0))
        self._before: Floats = np.full((1 + engines, 1), np.nan)
        self._done = 0
        self._last_cut = 0
        reach, speed_sure, rpm_sure = (
            max(round(seconds / (self._width * dt_s)), 1) for seconds in (_MOVE_S, _SPEED_PRESENCE_S, _RPM_PRESENCE_S)
        )
        self._presence = [_Presence(speed_sure), *(_Presence(rpm_sure) for _ in range(engines))]
        self._moves = _Moves(
            reach, [_SPEED_MOVE_SHARE, *[_RPM_MOVE_SHARE] * engines], [_SPEED_MOVE_KN, *[_RPM_MOVE] * engines]
        )

    def push(self, track: Track) -> list[int]:
        """Take the next samples and return the cuts that are sure now, ascending sample numbers."""
        signals = np.concatenate([self._rest, np.vstack([track.sog_kn[None, :], track.rpm])], axis=1)
        whole = signals.shape[1] // self._width
        size = whole * self._width
        self._rest = signals[:, size:].copy()
        if whole == 0:
            return []
        found = self._find_changes(self._describe(signals[:, :size].reshape(signals.shape[0], whole, self._width)))
        cuts: list[int] = []
        for block in sorted(found):
            cuts += self._cut_long(self._done + block * self._width)
            for at in sorted(found[block]):
                if at > self._last_cut:
                    cuts.append(at)
                    self._last_cut = at
        self._done += size
        return cuts + self._cut_long(self._done)

    def _cut_long(self, done: int) -> list[int]:
        """Return the cuts of what has been without one for too long by the end of some block."""
        cuts = []
        # it is cut at the end of the block in which it has become too long
        while (at := -(-(self._last_cut + self._longest) // self._width) * self._width) <= done:
            cuts.append(at)
            self._last_cut = at
        return cuts

    def _find_changes(self, blocks: _Blocks) -> dict[int, list[int]]:
        """Return by block the samples at which changes happened that show by then."""
        followed = [
            presence.follow(first, last)
            for presence, first, last in zip(self._presence, blocks.first, blocks.last, strict=True)
        ]
        watched = np.stack([there for there, _ in followed])
        # speed tells of a throttle only where no engine does
        watched[0] = ~watched[1:].any(axis=0)
        changes: dict[int, list[int]] = {}
        for found in (*(sure for _, sure in followed), self._moves.follow(blocks, watched)):
            for block, at in found.items():
                changes.setdefault(block, []).append(at)
        return changes

    def _describe(self, x: npt.NDArray[np.float64]) -> _Blocks:
        """Return the features of blocks of samples, an array of shape (signals, blocks, width)."""
        count, width = x.shape[1:]
        known = np.isfinite(x)
        x = np.where(known, x, np.nan)
        some = known.any(axis=2)
        start = self._done + np.arange(count) * width
        first = np.where(some, start + known.argmax(axis=2), -1)
        last = np.where(some, start + width - 1 - known[:, :, ::-1].argmax(axis=2), -1)
        # NaN sorts to the end; the lower median is a value that was measured, whatever the number of samples
        middle = np.maximum(known.sum(axis=2) - 1, 0) // 2
        level = np.take_along_axis(np.sort(x, axis=2), middle[:, :, None], axis=2)[:, :, 0]
        flat = x.reshape(x.shape[0], -1)
        change = np.abs(np.diff(flat, axis=1, prepend=self._before))
        change = np.where(np.isfinite(change), change, -1.0).reshape(x.shape)
        at = change.argmax(axis=2)
        jump = np.take_along_axis(change, at[:, :, None], axis=2)[:, :, 0]
        self._before = flat[:, -1:].copy()
        return _Blocks(level, first, last, start + at, jump)
