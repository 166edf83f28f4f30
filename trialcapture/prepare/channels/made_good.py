"""Speed as a receiver shows it against the distance its positions make good, and against another receiver's speed.

A position may be metres off, but it cannot run away: one knot too much for a minute is 31 m. So the slope of the
difference between positions and summed-up velocity tells the error of a speed, block by block; what many blocks tell
together is an offset and a share of speed, with their uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import radii_m
from trialcapture.units import KN_M_PER_S

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SOG_BIAS_U_KN = 0.03
"""Standard uncertainty of a GNSS receiver's Doppler speed that no averaging removes [kn] (common practice, no
source)."""
BLOCK_S = 30.0
"""Speed is compared with positions over blocks of this length [s] (our choice, no source)."""
_GAP_S = 3.5
"""Longest time between velocities that are summed up [s] (common practice, no source)."""
_LEAST_SPAN_SHARE, _LEAST_POSITIONS = 0.6, 4
"""A block is used where positions span this share of it, and are so many (our choice, no source)."""
_STRAIGHT = 0.97
"""Distance between the ends of a block over distance along the track, below which the block has a turn in it: that of
an arc of 50 degrees (our choice)."""
_UNDER_WAY_KN = 1.5
"""Speed below which a block says nothing about a speed error [kn] (our choice, no source)."""
_JUMP_M, _JUMP_NOISES = 6.0, 6.0
"""A position jumps where from one to the next it moves by more than both, beyond what velocity tells: in metres, and in
medians of those moves (common practice, no source)."""
_LEAST_BLOCKS, _LEAST_NOISE_KN = 5, 0.02
"""Blocks a fit needs, and the least noise it is given [kn] (our choice, no source)."""
_BISQUARE = 4.685
"""Tuning constant of Tukey's bisquare: 95 % efficient for normal errors (Holland & Welsch, Commun. Stat. A6, 1977)."""
SURE = 5.0
"""Two speeds disagree beyond this many standard uncertainties: of 100 sound trials none should (chosen so)."""
_LEAST_ERROR_KN = 0.15
"""A smaller error of a speed is not corrected [kn] (our choice: 1.5 counts of a display in tenths)."""


@dataclass(frozen=True, slots=True)
class Velocity:
    """Velocities of one source: UTC [ns], speed [kn] and course [deg], all known, ascending in time."""

    t_ns: Ints
    sog_kn: Floats
    cog_true_deg: Floats


@dataclass(frozen=True, slots=True)
class Position:
    """Positions of one source: UTC [ns], latitude and longitude [deg], all known, ascending in time."""

    t_ns: Ints
    lat_deg: Floats
    lon_deg: Floats


@dataclass(frozen=True, slots=True)
class Errors:
    """What a speed shows over another way of measuring it, block by block.

    Attributes:
        t_ns: Middle of each block [ns UTC], shape (n,).
        speed_kn: What it shows in the mean.
        error_kn: How much more that is.
        aside_kn: Speed made good to starboard of the course that is shown; 0 between two speeds.
    """

    t_ns: Floats
    speed_kn: Floats
    error_kn: Floats
    aside_kn: Floats


@dataclass(frozen=True, slots=True)
class SpeedFit:
    """Error of a speed as an offset and a share of it.

    Attributes:
        offset_kn: At no speed.
        share: More for each knot shown.
        variance: Of offset [kn²] and share, and their covariance [kn]: ``(v_oo, v_os, v_ss)``.
        speeds_kn: A low, a middle and a high speed it rests on.
        blocks: How many blocks that is.
    """

    offset_kn: float
    share: float
    variance: tuple[float, float, float]
    speeds_kn: tuple[float, float, float]
    blocks: int

    def error_kn(self, speed_kn: Floats) -> Floats:
        """Return what is shown too much at a shown speed."""
        return np.asarray(self.offset_kn + self.share * speed_kn)

    def u_kn(self, speed_kn: Floats) -> Floats:
        """Return the standard uncertainty of that."""
        both, mixed, of_share = self.variance
        return np.asarray(np.sqrt(np.maximum(both + 2.0 * mixed * speed_kn + of_share * speed_kn**2, 0.0)))

    def worst(self, bias_kn: float = SOG_BIAS_U_KN) -> tuple[float, float, float]:
        """Return the speed at which the error is surest, the error and its standard uncertainty [kn]."""
        at = np.array(self.speeds_kn)
        error, u = self.error_kn(at), np.hypot(self.u_kn(at), bias_kn)
        i = int(np.argmax(np.abs(error) / u))
        return float(at[i]), float(error[i]), float(u[i])

    def is_real(self, bias_kn: float = SOG_BIAS_U_KN) -> bool:
        """Return whether the error is beyond its uncertainty and what receivers' own biases explain."""
        _, error, u = self.worst(bias_kn)
        few = 1.0 + 4.0 / self.blocks
        return abs(error) > max(SURE * few * u, _LEAST_ERROR_KN)


def errors_of_speed(velocity: Velocity, position: Position, block_s: float = BLOCK_S) -> Errors:
    """Return the error of a speed block by block, from positions; blocks in turns and at rest are left out.

    In each block a straight line is fitted to positions minus summed-up velocity; its slope along the way made good
    is the error. Course and speed are summed as vectors, so a wandering course costs nothing. Where positions jump,
    or either is silent, the line begins anew with the same slope.
    """
    rest = _rest_of(velocity, position)
    if rest is None:
        return _NOTHING
    block = np.floor(rest.t_s / block_s).astype(np.int64)
    part = rest.part * (int(block[-1]) + 1) + block
    _, begins, sizes = np.unique(part, return_index=True, return_counts=True)
    # pieces of one block have one slope and each its own start: the sums about their own means add up
    of, first = np.unique(block[begins], return_inverse=True)
    mean_t, spread, sums = _sums(rest.t_s, [*rest.told_m, *rest.rest_m], begins, sizes)
    ends = begins + sizes - 1
    span, count, whole, weighted = (
        np.bincount(first, x, of.size) for x in (rest.t_s[ends] - rest.t_s[begins], sizes, spread, mean_t * sizes)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        to_north, to_east, along, rest_north, rest_east = (np.bincount(first, x, of.size) / whole for x in sums)
        ahead = np.hypot(to_north, to_east)
        error = -(rest_north * to_north + rest_east * to_east) / ahead / KN_M_PER_S
        aside = (rest_east * to_north - rest_north * to_east) / ahead / KN_M_PER_S
        straight = ahead / along > _STRAIGHT
    shown = along / KN_M_PER_S
    used = straight & (shown > _UNDER_WAY_KN) & (count >= _LEAST_POSITIONS) & (span > _LEAST_SPAN_SHARE * block_s)
    return Errors(rest.t0_ns + weighted[used] / count[used] * 1e9, shown[used], error[used], aside[used])


@dataclass(frozen=True, slots=True)
class _Rest:
    """Positions less summed-up velocity.

    Attributes:
        t0_ns: UTC that `t_s` counts from [ns].
        t_s: Time of each position [s], shape (n,).
        part: Number of the stretch without a silence or a jump it lies in.
        told_m: What velocities sum up to: north, east and along the way [m].
        rest_m: What positions are beyond that: north and east [m].
        jumps_m: Sizes of the jumps between stretches [m].
    """

    t0_ns: int
    t_s: Floats
    part: Ints
    told_m: tuple[Floats, Floats, Floats]
    rest_m: tuple[Floats, Floats]
    jumps_m: Floats


def _rest_of(velocity: Velocity, position: Position) -> _Rest | None:
    if velocity.t_ns.size < 2 or position.t_ns.size < _LEAST_POSITIONS:
        return None
    t0 = int(min(velocity.t_ns[0], position.t_ns[0]))
    t_v, t_p = (velocity.t_ns - t0) / 1e9, (position.t_ns - t0) / 1e9
    run = np.cumsum(np.append(0, np.diff(t_v) > _GAP_S))
    after = np.searchsorted(t_v, t_p)
    inside = (after > 0) & (after < t_v.size)
    inside[inside] &= run[after[inside]] == run[after[inside] - 1]
    t_p, after = t_p[inside], after[inside]
    if t_p.size < _LEAST_POSITIONS:
        return None
    lat, lon = position.lat_deg[inside], position.lon_deg[inside]
    meridian, vertical = radii_m(float(lat[0]))
    north = np.radians(lat - lat[0]) * meridian
    # a trial may run over the antimeridian
    east = np.radians((lon - lon[0] + 180.0) % 360.0 - 180.0) * vertical * np.cos(np.radians(lat))
    told = tuple(np.interp(t_p, t_v, s) for s in _summed_m(t_v, velocity.sog_kn, velocity.cog_true_deg))
    rest = north - told[0], east - told[1]
    part = run[after - 1]
    moved = np.hypot(np.diff(rest[0]), np.diff(rest[1]))
    jumped = (moved > max(_JUMP_M, _JUMP_NOISES * np.median(moved))) & (np.diff(part) == 0)
    part = part + np.append(0, np.cumsum(jumped))
    return _Rest(t0, t_p, part, (told[0], told[1], told[2]), rest, moved[jumped])


_NOTHING = Errors(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))


def _summed_m(t_s: Floats, sog_kn: Floats, cog_deg: Floats) -> tuple[Floats, Floats, Floats]:
    """Return how far velocities have gone: north, east, and along the way [m]."""
    course = np.radians(cog_deg)
    step = np.diff(t_s)

    def total(speed: Floats) -> Floats:
        return np.append(0.0, np.cumsum(0.5 * (speed[1:] + speed[:-1]) * step))

    speed = sog_kn * KN_M_PER_S
    return total(speed * np.cos(course)), total(speed * np.sin(course)), total(speed)


def _sums(t_s: Floats, of: list[Floats], begins: Ints, sizes: Ints) -> tuple[Floats, Floats, list[Floats]]:
    """Return the mean time of each stretch, and sums about it: of squared times, of times by each series."""
    mean_t = np.add.reduceat(t_s, begins) / sizes
    away = t_s - np.repeat(mean_t, sizes)
    return mean_t, np.add.reduceat(away**2, begins), [np.add.reduceat(away * series, begins) for series in of]


def jumps_of(velocity: Velocity, position: Position) -> Floats:
    """Return the sizes of jumps of positions that the velocity of the same receiver knows nothing of [m]."""
    rest = _rest_of(velocity, position)
    return np.zeros(0) if rest is None else rest.jumps_m


@dataclass(frozen=True, slots=True)
class LegError:
    """What speed shows over the distance made good in one steady stretch.

    Attributes:
        error_kn: How much [kn]; NaN where positions do not tell.
        is_another_way: Whether positions go another way, or another speed altogether, so that one of the two cannot
            be of this boat: neither is believed.
        span_s: Time it rests on [s].
        pieces_kn: Errors of its pieces of `PIECE_S`, whose scatter tells the noise.
    """

    error_kn: float
    is_another_way: bool
    span_s: float
    pieces_kn: Floats


PIECE_S = 20.0
"""Length of the pieces of a leg whose scatter tells the noise [s] (our choice, no source)."""
_SPACING_S = 1.0
"""Spacing of the positions used [s] (our choice: most receivers tell one a second)."""
_PIECE_NOISE_KN = 0.25
"""Standard deviation of the error of one piece where too few tell it [kn]: positions good to 2.5 m (no source)."""
_FEW_PIECES = 6
"""Degrees of freedom from which the scatter of pieces is used (our choice, no source)."""
_TELLING_PIECES, _SHARE_OF_MOST = 3, 0.5
"""The median of so many pieces, or more, must show this share of the error of a leg."""
_ASTRAY = 0.35
"""Positions that go this share of the way ahead to the side of the shown course go another way (our choice: 20 degrees,
far more than leeway)."""
_LEAST_LEG_ERROR_KN = 0.3
"""A smaller error of one leg is not corrected [kn] (our choice: twice that of a speed throughout a trial)."""


def error_of_leg(sog_kn: Floats, cog_true_deg: Floats, lat_deg: Floats, lon_deg: Floats, dt_s: float) -> LegError:
    """Return what the speed of one stretch shows over the distance made good.

    Args:
        sog_kn, cog_true_deg, lat_deg, lon_deg: Samples `dt_s` apart, NaN where unknown, shape (n,).
        dt_s: Their spacing [s].
    """
    t_ns = np.round(np.arange(sog_kn.size) * dt_s * 1e9).astype(np.int64)
    moving = np.isfinite(sog_kn) & np.isfinite(cog_true_deg)
    # positions are interpolated to the grid: one a second tells as much as all
    few = slice(0, None, max(round(_SPACING_S / dt_s), 1))
    with_utc = (np.isfinite(lat_deg) & np.isfinite(lon_deg))[few]
    velocity = Velocity(t_ns[moving], sog_kn[moving], cog_true_deg[moving])
    position = Position(t_ns[few][with_utc], lat_deg[few][with_utc], lon_deg[few][with_utc])
    whole = errors_of_speed(velocity, position, (sog_kn.size + 1) * dt_s)
    if whole.error_kn.size != 1:
        return LegError(np.nan, False, 0.0, np.zeros(0))
    shown, error, aside = (float(x[0]) for x in (whole.speed_kn, whole.error_kn, whole.aside_kn))
    astray = abs(aside) > _ASTRAY * (shown - error) or abs(error) > 0.5 * shown
    pieces = np.zeros(0) if astray else errors_of_speed(velocity, position, PIECE_S).error_kn
    return LegError(error, astray, sog_kn.size * dt_s, pieces)


def check_legs(legs: Sequence[LegError], known_u_kn: Floats) -> tuple[Floats, Floats]:
    """Return the error to be taken off each leg's speed and its standard uncertainty [kn]; both 0 where none is real.

    The noise is that of the pieces of all legs about the mean of their own leg, so a speed that is wrong throughout a
    leg does not hide in it. The error of a leg is that of a piece by the square root of their number: cautious, since
    the errors of positions at both ends of a piece cancel against those of its neighbours.

    Args:
        legs: The stretches.
        known_u_kn: Standard uncertainty of each one's speed that is allowed for already [kn].
    """
    away = [
        np.abs(leg.pieces_kn - leg.pieces_kn.mean()) * np.sqrt(leg.pieces_kn.size / (leg.pieces_kn.size - 1.0))
        for leg in legs
        if leg.pieces_kn.size > 1
    ]
    free = sum(a.size - 1 for a in away)
    noise = _PIECE_NOISE_KN
    if free >= _FEW_PIECES:
        noise = max(1.4826 * np.median(np.concatenate(away)), _LEAST_NOISE_KN)
    error = np.array([leg.error_kn for leg in legs])
    astray = np.array([leg.is_another_way for leg in legs], dtype=np.bool_)
    span_s = np.array([leg.span_s for leg in legs])
    # a speed that is wrong is so in most pieces; where another receiver takes over, positions step in one of them
    most = np.array(
        [np.median(leg.pieces_kn) if leg.pieces_kn.size >= _TELLING_PIECES else leg.error_kn for leg in legs]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        u = noise * np.sqrt(PIECE_S / span_s)
        sure = SURE * (1.0 + 4.0 / max(free, 1)) * np.sqrt(u**2 + SOG_BIAS_U_KN**2 + known_u_kn**2)
        real = np.isfinite(error) & ~astray & (np.abs(error) > np.maximum(sure, _LEAST_LEG_ERROR_KN))
        real &= most / error > _SHARE_OF_MOST
    return np.where(real, error, 0.0), np.where(real, u, 0.0)


def difference_of_speeds(one: Velocity, other: Velocity, block_s: float = BLOCK_S) -> Errors:
    """Return what one speed shows over another, block by block, while the boat is under way by either."""
    if one.t_ns.size < 2 or other.t_ns.size < 2:
        return _NOTHING
    t0 = int(one.t_ns[0])
    t, t_other = (one.t_ns - t0) / 1e9, (other.t_ns - t0) / 1e9
    after = np.clip(np.searchsorted(t_other, t), 1, t_other.size - 1)
    between = (t >= t_other[after - 1]) & (t <= t_other[after]) & (t_other[after] - t_other[after - 1] <= _GAP_S)
    if not between.any():
        return _NOTHING
    t = t[between]
    shown, held_against = one.sog_kn[between], np.interp(t, t_other, other.sog_kn)
    _, begins, sizes = np.unique(np.floor(t / block_s), return_index=True, return_counts=True)
    speed = np.add.reduceat(shown, begins) / sizes
    error = np.add.reduceat(shown - held_against, begins) / sizes
    used = (np.maximum(speed, speed - error) > _UNDER_WAY_KN) & (sizes >= _LEAST_POSITIONS)
    middle_s = np.add.reduceat(t, begins)[used] / sizes[used]
    return Errors(t0 + middle_s * 1e9, speed[used], error[used], np.zeros(middle_s.size))


def fit_errors(errors: Errors) -> SpeedFit | None:
    """Fit offset and share to the errors of blocks, by Tukey's bisquare; None where there are too few.

    Blocks that lie far off, in turns or where a speed is wrong for a while, have no say. SciPy has no loss that gives
    them none at all, so the weights are iterated here.
    """
    speed, error = errors.speed_kn, errors.error_kn
    if speed.size < _LEAST_BLOCKS:
        return None
    speeds = (np.quantile(speed, 0.1), np.median(speed), np.quantile(speed, 0.9))
    # a share shows only where speeds differ
    columns = [np.ones(speed.size), speed - speeds[1]]
    told = np.array(columns if speeds[2] - speeds[0] > 2.0 else columns[:1])
    at = np.array([np.median(error), 0.0])[: told.shape[0]]
    if told.shape[0] == 2:
        at = _start(speed - speeds[1], error)
    for _ in range(50):
        rest = error - at @ told
        scale = max(1.4826 * np.median(np.abs(rest)), _LEAST_NOISE_KN)
        weight = np.clip(1.0 - (rest / (_BISQUARE * scale)) ** 2, 0.0, None) ** 2
        normal = (told * weight) @ told.T
        if np.linalg.det(normal) <= 1e-9:
            return None
        new = np.linalg.solve(normal, (told * weight) @ error)
        settled = float(np.abs(new - at).max()) < 1e-9
        at = new
        if settled:
            break
    rest = error - at @ told
    scale = max(1.4826 * np.median(np.abs(rest)), _LEAST_NOISE_KN)
    cov = np.zeros((2, 2))
    cov[: told.shape[0], : told.shape[0]] = scale**2 * np.linalg.inv(normal)
    share, middle = float(at[1]) if at.size == 2 else 0.0, speeds[1]
    variance = (
        float(cov[0, 0] - 2.0 * middle * cov[0, 1] + middle**2 * cov[1, 1]),
        float(cov[0, 1] - middle * cov[1, 1]),
        float(cov[1, 1]),
    )
    return SpeedFit(float(at[0]) - share * middle, share, variance, speeds, int((weight > 0.0).sum()))


def _start(speed: Floats, error: Floats) -> Floats:
    """Return offset and share by the median of the slopes from the slow half of blocks to the fast one.

    Theil's method with pairs of blocks half a rank apart (Sen, J. Am. Stat. Assoc. 63, 1968, 1379, from memory).
    """
    order = np.argsort(speed, kind="stable")
    half = speed.size // 2
    slow, fast = order[:half], order[speed.size - half :]
    apart = speed[fast] - speed[slow]
    far = apart > 0.5
    share = np.median((error[fast] - error[slow])[far] / apart[far]) if far.any() else 0.0
    return np.array([np.median(error - share * speed), share])
