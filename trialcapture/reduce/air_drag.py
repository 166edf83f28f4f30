"""What the wind costs in a mean of both ways, so that trials in different winds can be compared as in still air.

A head wind takes more from the speed than the same wind from astern gives, and a wind from the side takes too: this
rest of the air drag stays in a mean of both ways. How much it is follows from the wind that was measured, and from how
the boat answers to wind at all: her engines burn more against it than with it, at one engine speed, and no current
changes that. All sessions of a boat tell of it together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trialcapture.reduce.runs import FEWEST_WITH_WIND, IntArray
from trialcapture.reduce.uncertainty import FloatArray
from trialcapture.reduce.vectorfit import (
    WIND_MODEL_SHARE,
    WIND_SHARE,
    WIND_SHARE_U,
    grown_with_speed,
)

STRONGEST_WIND_KN = 60.0
"""Winds above are no wind of a trial (common practice, no source)."""
SLOWEST_KN = 1.0
"""Below, no boat is under way, and the wind is no small part of what she feels (common practice, no source)."""
MOST_LOST = 0.5
"""More than this, as a logarithm, is never taken out (our choice)."""
UNNOTED_WIND_KN = 10.0
"""Wind up to which trials are held of which nobody noted one: the end of a gentle breeze, Beaufort 3 (WMO-No. 8, from
memory); every strength below is as likely (our choice)."""
SPEED_AGAINST_FUEL = 0.5
"""By what share of itself the loss of speed may differ from the gain of fuel, one standard deviation: how steep torque
and resistance are at a speed is not known (our choice, measured on simulated hulls)."""
_APART = 0.2
"""Speeds that differ by this share, as a logarithm, hardly tell of each other how the boat answers to wind: resistance
changes its course within less near a hump (our choice)."""
_NODE = 0.05
"""Bands whose logarithms of speed are this near to each other answer alike (our choice)."""


@dataclass(frozen=True, slots=True)
class RunsInWind:
    """The runs of a session, shape (n,) each, and its bands, shape (B,).

    Attributes:
        band: Band of each run.
        way: 1 or -1.
        ahead_kn, across_kn: The wind as felt in the water's frame, without the boat's own way: from ahead, and from the
            right.
        log_fuel: Logarithm of the fuel rate at the engine speed of the band; NaN where unknown.
        speed_kn: Speed through water of each band.
        fuel_scatter: Standard deviation of `log_fuel` from run to run, of each band; NaN where unknown.
    """

    band: IntArray
    way: IntArray
    ahead_kn: FloatArray
    across_kn: FloatArray
    log_fuel: FloatArray
    speed_kn: FloatArray
    fuel_scatter: FloatArray

    @property
    def is_known(self) -> bool:
        """Whether every run has a wind that may be one."""
        return bool(self.band.size) and bool((np.hypot(self.ahead_kn, self.across_kn) <= STRONGEST_WIND_KN).all())

    def with_holes_filled(self) -> RunsInWind:
        """Return the same where a run without wind has the mean of those of its way; if most have one."""
        known = np.isfinite(self.ahead_kn) & np.isfinite(self.across_kn)
        if known.all() or not known.size or known.mean() < FEWEST_WITH_WIND:
            return self
        ahead, across = self.ahead_kn.copy(), self.across_kn.copy()
        for way in np.unique(self.way[~known]):
            same = self.way == way
            if (same & known).any():
                ahead[same & ~known], across[same & ~known] = ahead[same & known].mean(), across[same & known].mean()
        return replace(self, ahead_kn=ahead, across_kn=across)


@dataclass(frozen=True, slots=True)
class WindLoss:
    """What the wind did to the mean of both ways of each band of a session, as logarithms, shape (B,).

    Attributes:
        is_measured: Whether the wind was; else nothing is to be taken out, and the uncertainties are of all of it.
        speed, fuel: To be added to the logarithm of the speed in still air, and of the fuel rate: the first is
            negative.
        speed_u, fuel_u, economy_u: Standard uncertainties; that of the economy is not the root sum of squares of the
            others, because the boat answers to wind with both.
    """

    is_measured: bool
    speed: FloatArray
    fuel: FloatArray
    speed_u: FloatArray
    fuel_u: FloatArray
    economy_u: FloatArray

    def of(self, quantity: str) -> tuple[FloatArray, FloatArray]:
        """Return the change of a quantity's logarithm by the wind, and its standard uncertainty."""
        if quantity == "speed":
            return self.speed, self.speed_u
        if quantity == "fuel":
            return self.fuel, self.fuel_u
        return self.speed - self.fuel, self.economy_u


def air_excess_kn(speed_kn: FloatArray, ahead_kn: FloatArray, across_kn: FloatArray) -> FloatArray:
    """Return by how much the air drag exceeds that in still air, as the head wind that does as much [kn].

    The air drag along the axis of a boat at speed V in a wind of the parts w from ahead and c from abeam is as
    ``(V + w) √((V + w)² + c²)``. Less V², over 2 V, it is w to the first order: the exposure of
    `trialcapture.reduce.vectorfit.wind_exposure_kn`.

    Args:
        speed_kn, ahead_kn, across_kn: V, w and c, any one shape.

    Source: drag in proportion to the square of the air's speed, and along its direction (elementary).
    """
    through = speed_kn + ahead_kn
    return np.asarray((through * np.hypot(through, across_kn) - speed_kn**2) / (2.0 * speed_kn), dtype=np.float64)


def wind_losses(sessions: Sequence[RunsInWind]) -> tuple[WindLoss, ...]:
    """Return what the wind did to the bands of sessions of one boat.

    Her answer to wind is a share b of the exposure, one for all speeds and a part for each; what is believed of both
    before any run is that of `trialcapture.reduce.vectorfit`. Fuel rates of runs with and against the wind show b at
    their speed. Her speeds answer by about the same share.

    Args:
        sessions: Each with known wind.

    Source: linear model with a normal prior, Gelman et al., *Bayesian Data Analysis*, chapter 14; Gaussian process with
    an exponential covariance, Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, section 4.2 (both
    from memory).
    """
    nodes = [np.round(np.log(s.speed_kn) / _NODE).astype(np.int64) for s in sessions]
    every = np.unique(np.concatenate(nodes)) if nodes else np.zeros(0, dtype=np.int64)
    apart = np.abs(every[:, None] - every[None, :]) * _NODE
    believed = WIND_SHARE_U**2 + (WIND_MODEL_SHARE * WIND_SHARE) ** 2 * np.exp(-apart / _APART)
    told, told_share = np.zeros(every.size), np.zeros(every.size)
    for session, at in zip(sessions, nodes, strict=True):
        weight, share = _shown_by_fuel(session)
        place = np.searchsorted(every, at)
        np.add.at(told, place, weight)
        np.add.at(told_share, place, weight * share)
    # of independent measurements with weights `told`: K - K (K + 1/told)^-1 K, without dividing by a weight of nothing
    gain = believed @ np.linalg.inv(np.eye(every.size) + told[:, None] * believed)
    answer = WIND_SHARE + gain @ (told_share - told * WIND_SHARE)
    answer_u = np.sqrt(np.maximum(np.diagonal(believed - gain @ (told[:, None] * believed)), 0.0))
    found = []
    for session, at in zip(sessions, nodes, strict=True):
        place = np.searchsorted(every, at)
        rest = _rest_of_both_ways(session)
        b, u = np.maximum(answer[place], 0.0), answer_u[place]
        lost = np.clip(b * rest, -MOST_LOST, MOST_LOST)
        found.append(
            WindLoss(
                True, speed=-lost, fuel=lost,
                speed_u=np.abs(rest) * np.hypot(u, SPEED_AGAINST_FUEL * b), fuel_u=np.abs(rest) * u,
                economy_u=np.abs(rest) * np.hypot(2.0 * u, SPEED_AGAINST_FUEL * b),
            )
        )  # fmt: skip
    return tuple(found)


def unmeasured_loss(speed_kn: FloatArray, noted_kn: float | None) -> WindLoss:
    """Return what a wind that no instrument showed may have done to bands of these speeds.

    The second order of the exposure is W² (cos² φ + sin² φ / 2) / 2V, and 3/8 W²/V over all directions.

    Args:
        speed_kn: Speed through water of each band, shape (B,).
        noted_kn: Strength that somebody noted; None takes any up to `UNNOTED_WIND_KN`. What winds of that kind take on
            average they take from both sides, so their spread counts: the square of what is as likely up to W has the
            standard deviation W² √(1/5 - 1/9).

    Source: expansion of `air_excess_kn` to the second order (elementary).
    """
    square = UNNOTED_WIND_KN**2 * (1 / 5 - 1 / 9) ** 0.5
    if noted_kn is not None and 0.0 <= noted_kn <= STRONGEST_WIND_KN:
        square = noted_kn**2
    speed_kn = np.maximum(speed_kn, SLOWEST_KN)
    share = float(np.sqrt(WIND_SHARE**2 + WIND_SHARE_U**2 + (WIND_MODEL_SHARE * WIND_SHARE) ** 2))
    u = share * grown_with_speed(speed_kn) / speed_kn * 0.375 * square / speed_kn
    return WindLoss(False, np.zeros(u.shape), np.zeros(u.shape), speed_u=u, fuel_u=u, economy_u=2.0 * u)


def _exposure(session: RunsInWind) -> tuple[FloatArray, FloatArray]:
    """Return what the answer of each run is in proportion to: all of the air drag, and its first order."""
    speed = np.maximum(session.speed_kn[session.band], SLOWEST_KN)
    per_kn = grown_with_speed(speed) / speed
    return per_kn * air_excess_kn(speed, session.ahead_kn, session.across_kn), per_kn * session.ahead_kn


def _shown_by_fuel(session: RunsInWind) -> tuple[FloatArray, FloatArray]:
    """Return what the fuel rates of each band show of its share b: one over the variance, and b; shape (B,) each."""
    exposure, _ = _exposure(session)
    weight, share = np.zeros(session.speed_kn.size), np.zeros(session.speed_kn.size)
    for band in range(session.speed_kn.size):
        own = (session.band == band) & np.isfinite(session.log_fuel)
        if own.sum() < 2 or not session.fuel_scatter[band] > 0.0:
            continue
        x = exposure[own] - exposure[own].mean()
        if x @ x > 0.0:
            share[band] = (x @ session.log_fuel[own]) / (x @ x)
            weight[band] = (x @ x) / session.fuel_scatter[band] ** 2
    return weight, share


def _rest_of_both_ways(session: RunsInWind) -> FloatArray:
    """Return the mean over both ways of the exposure beyond its first order, which cancels or is fitted; shape (B,)."""
    whole, first_order = _exposure(session)
    rest = np.zeros(session.speed_kn.size)
    for band in range(session.speed_kn.size):
        own = session.band == band
        ways = [float(np.mean((whole - first_order)[own & (session.way == w)])) for w in set(session.way[own].tolist())]
        rest[band] = np.mean(ways) if ways else 0.0
    return rest
