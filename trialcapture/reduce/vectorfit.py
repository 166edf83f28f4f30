"""All runs at once: one speed through water per band, and a current that changes slowly.

Ground velocity of a run = speed of its band along the heading + current at that time. The speeds are unknown
constants, the current a smooth random function of time: a constant, a trend, a tide-like change, and local wandering.
How strong each part is, how much runs scatter beyond their own sampling error and how good the compass is, is not
known beforehand; every combination of a small grid is solved by generalised least squares, and the answers are
averaged by how well each combination explains all runs (restricted likelihood times a weak prior). So nothing is tuned
to one trial, and what the trial cannot tell stays in the uncertainty.

Sources: generalised least squares and restricted likelihood (Patterson & Thompson 1971, Biometrika 58:545);
covariance functions (Rasmussen & Williams 2006, *Gaussian Processes for Machine Learning*, chapter 4); averaging over
models (Hoeting et al. 1999, Statistical Science 14:382). All from memory.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import scipy

from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.runs import Drifts, IntArray, Runs, RunWind, no_drifts, select_drifts
from trialcapture.reduce.summary import FitStrengths
from trialcapture.reduce.uncertainty import LEVEL, BoolArray, FloatArray

# ------------------------------------------------------------------------------
# What is believed of current, compass and runs before any run is seen.
# ------------------------------------------------------------------------------

Strengths = tuple[float, float, float, float]
"""Standard deviations of tide [kn], wander [kn], scatter [kn] and heading error [deg]."""
_SCATTER = 2
"""Place of the scatter among them."""
SCATTER_STEPS = 200
"""Steps of the sum over all scatters (our choice; twice as many change no printed digit)."""
UPPER = 0.5 + LEVEL / 2.0
"""Part of all errors below the upper end of an interval that holds `LEVEL` of them."""
HALVINGS = 40
"""Of an interval that is searched for a half width (our choice; the last digits of a float)."""
LEAST_FREEDOM, MOST_FREEDOM = 1.0, 1000.0
"""Degrees of freedom are sought between these; more are as good as infinitely many (our choice)."""
_M2_PERIOD_H = 12.4206
"""Period of the principal lunar semidiurnal tide, M2 [h] (Doodson 1921, Proc. R. Soc. A 100:305; from memory)."""
SCATTER_KN, SCATTER_WORTH = 0.12, 2.0
"""Scatter of runs about their band that is expected before any run is seen, and how many runs that expectation is worth
(common practice, no source; the pair was chosen so that bands of few runs are covered at scatters of 0.03 to 0.35 kn,
measured by `tests.reduce.fit_trials`)."""
WIND_AT_KN = 20.0
"""Speed through water for which the effect of wind is stated (our choice)."""
WIND_EVEN_BELOW_KN = 10.0
"""Below, the effect does not fall any further: resistance falls as fast as air drag (our choice, measured on simulated
hulls)."""
WIND_SHARE, WIND_SHARE_U = 0.018, 0.010
"""By what share of a head wind a boat is slower at `WIND_AT_KN`, and its standard uncertainty from boat to boat; see
`wind_exposure_kn`, where the model is."""
WIND_MODEL_SHARE = 0.5
"""Of the expected effect, by which one speed of a boat may differ from what the others tell, one standard deviation:
near the hump resistance rises little with speed, and the wind costs two to three times as much (our choice, measured on
simulated hulls)."""
UNKNOWN_WIND_KN = 6.0
"""Wind where no instrument shows it, one standard deviation each of north and east: strengths of 3 to 14 kn, as trials
are held in (common practice, no source)."""
ROOM_FOR_CURRENT = 3.0
"""How many times a current that was found is allowed for: what it is pulled towards nothing by falls with the square
of this (our choice)."""


@dataclass(frozen=True, slots=True)
class CurrentModel:
    """What is believed before any run is seen. Strengths are common practice, no source, unless said otherwise.

    Each ``*_kn`` grid holds standard deviations and each ``*_weight`` how likely each is beforehand. The scatter has a
    scaled inverse chi-square prior instead of weights (Gelman et al., *Bayesian Data Analysis*, section 2.6; from
    memory), looked at on a grid even on the logarithm.

    Attributes:
        constant_kn: Of the current that stays, per axis.
        tide_kn: Of the tide-like change.
        tide_length_h: Its correlation length: a squared exponential of length T/2π curves like a sinusoid of period
            T, here the principal lunar tide of 12.42 h.
        trend_kn_per_h: Of a steady change, per axis. A stream of amplitude A turns at up to 2πA/12.42 h, so this is
            three quarters of what 2 kn can do and half of what 3 kn can (common practice, no source). Runs there and
            back a few minutes apart show the change by themselves; where all runs one way came before all runs back,
            nothing tells it from speed, and this is what is then allowed for.
        wander_kn: Of local wandering (eddies, fronts, another stretch of water).
        wander_length_h: Its correlation length (Matérn 3/2).
        scatter_kn: Of runs about their band beyond their own sampling error (waves, wind, helm); values looked at.
        scatter_prior_kn, scatter_prior_freedom: Its scale and degrees of freedom before any run is seen.
        heading_deg: Error of a compass heading that differs from run to run.
        line_heading_deg: Same, where a missing compass is replaced by "both ways were steered reciprocal".
        line_bend_deg: By how much all lines alike were bent, each way, where a missing compass is so replaced: the same
            marks steered for every time, or a coast followed.
        heading_offset_deg: Error common to all headings.
        rpm_slope_share: Relative error of the speed-against-rpm slope used to bring runs to one rpm.
    """

    constant_kn: float = 0.7
    tide_kn: tuple[float, ...] = (0.05, 0.2, 0.6, 1.5)
    tide_weight: tuple[float, ...] = (0.2, 0.35, 0.3, 0.15)
    tide_length_h: float = _M2_PERIOD_H / (2.0 * np.pi)
    trend_kn_per_h: float = 0.75
    wander_kn: tuple[float, ...] = (0.01, 0.05, 0.12, 0.3)
    wander_weight: tuple[float, ...] = (0.3, 0.37, 0.25, 0.08)
    wander_length_h: float = 0.25
    scatter_kn: tuple[float, ...] = (0.02, 0.037, 0.0684, 0.1265, 0.2339, 0.4326, 0.8)
    scatter_prior_kn: float = SCATTER_KN
    scatter_prior_freedom: float = SCATTER_WORTH
    heading_deg: tuple[float, ...] = (0.7, 2.0, 5.0)
    heading_weight: tuple[float, ...] = (0.3, 0.5, 0.2)
    line_heading_deg: tuple[float, ...] = (3.0, 12.0)
    line_heading_weight: tuple[float, ...] = (0.6, 0.4)
    line_bend_deg: float = 6.0
    heading_offset_deg: float = 5.0
    rpm_slope_share: float = 0.3


def limit_current(model: CurrentModel, current_max_kn: float | None) -> CurrentModel:
    """Return the beliefs for waters whose strongest current is known; None leaves them as they are.

    A stream of amplitude A along one line, seen at any hour and from any angle, has a root mean square of A/2 along
    an axis and changes by π A/12.42 an hour, in the same measure.

    Args:
        model: Beliefs.
        current_max_kn: As chart and tide tables give it.

    Source: mean squares of a sinusoid of the lunar tide (elementary).
    """
    if current_max_kn is None:
        return model
    kept = [k for k, kn in enumerate(model.tide_kn) if kn <= current_max_kn] or [0]
    weight = np.array([model.tide_weight[k] for k in kept])
    return replace(
        model,
        constant_kn=current_max_kn / 2.0,
        trend_kn_per_h=np.pi / _M2_PERIOD_H * current_max_kn,
        tide_kn=tuple(model.tide_kn[k] for k in kept),
        tide_weight=tuple((weight / weight.sum()).tolist()),
    )


Axes = tuple[tuple[tuple[float, float], ...], ...]
"""Per strength the values looked at, each with how likely it is beforehand."""


def strength_axes(model: CurrentModel, has_heading: bool) -> Axes:
    """Return the values of the four strengths that are looked at, in the order of `FitStrengths`."""
    heading = (
        zip(model.heading_deg, model.heading_weight, strict=True)
        if has_heading
        else zip(model.line_heading_deg, model.line_heading_weight, strict=True)
    )
    return (
        tuple(zip(model.tide_kn, model.tide_weight, strict=True)),
        tuple(zip(model.wander_kn, model.wander_weight, strict=True)),
        tuple(zip(model.scatter_kn, _scatter_weights(model), strict=True)),
        tuple(heading),
    )


def _scatter_weights(model: CurrentModel) -> tuple[float, ...]:
    """Return how likely each scatter is beforehand: the scaled inverse chi-square density on the logarithm."""
    scatter = np.array(model.scatter_kn)
    ratio = model.scatter_prior_kn / scatter
    log_weight = model.scatter_prior_freedom * (np.log(ratio) - ratio**2 / 2.0)
    weight = np.exp(log_weight - log_weight.max())
    return tuple((weight / weight.sum()).tolist())


def raise_constant(model: CurrentModel, current_kn: FloatArray) -> CurrentModel:
    """Return the beliefs with room for a current that was found: `constant_kn` is raised, never lowered.

    Args:
        model: Beliefs.
        current_kn: North and east as found with an open mind, shape (n, 2).
    """
    found_kn = float(np.hypot(*current_kn.mean(axis=0)))
    return replace(model, constant_kn=max(model.constant_kn, ROOM_FOR_CURRENT * found_kn))


class Likely(NamedTuple):
    """Combinations of strengths after the runs were seen."""

    strengths: list[Strengths]
    """Those that matter."""
    share: FloatArray
    """Their shares, adding up to 1."""
    log_scatter: FloatArray
    """Logarithm of how likely each scatter is, summed over all other strengths; -inf where none was looked at."""


def find_likely(
    axes: Axes, log_likelihood: Callable[[Strengths], float], first: tuple[int, ...], negligible: float
) -> Likely:
    """Return the combinations of strengths that matter and their shares.

    From the best one, or near it, the search spreads to neighbouring values as long as they are not negligible beside
    the best so far; with many runs few combinations are left, with few runs nearly all.

    Args:
        axes: From `strength_axes`.
        log_likelihood: Of a combination.
        first: Position to begin at.
        negligible: A combination this much less likely than the best is left out.
    """
    found: dict[tuple[int, ...], float] = {}
    waiting = [first]
    top, margin = -np.inf, float(np.log(negligible))
    while waiting:
        at = waiting.pop(0)
        if at in found:
            continue
        found[at] = _log_posterior(axes, log_likelihood, at)
        top = max(top, found[at])
        if found[at] < top + margin:
            continue
        for place, axis in enumerate(axes):
            for step in (-1, 1):
                k = at[place] + step
                if 0 <= k < len(axis):
                    waiting.append((*at[:place], k, *at[place + 1 :]))
    places = sorted(found)
    share = np.exp(np.array([found[at] for at in places]) - top)
    kept = np.flatnonzero(share >= negligible)
    strengths = [tuple(axis[k][0] for axis, k in zip(axes, places[i], strict=True)) for i in kept]
    by_scatter = np.zeros(len(axes[_SCATTER]))
    np.add.at(by_scatter, [at[_SCATTER] for at in places], share)
    with np.errstate(divide="ignore"):
        log_scatter = np.log(by_scatter)
    return Likely(strengths, share[kept] / share[kept].sum(), log_scatter)  # type: ignore[arg-type]


def find_best(axes: Axes, log_likelihood: Callable[[Strengths], float], first: tuple[int, ...]) -> tuple[int, ...]:
    """Return where a combination stands that is likelier than all its neighbours, climbing along one axis at a time.

    Args:
        axes: From `strength_axes`.
        log_likelihood: Of a combination.
        first: Position to begin at.
    """
    best, top, unmoved = first, _log_posterior(axes, log_likelihood, first), 0
    for place, axis in itertools.cycle(enumerate(axes)):
        moved = False
        for step in (-1, 1):
            while not (moved and step > 0) and 0 <= best[place] + step < len(axis):
                at = (*best[:place], best[place] + step, *best[place + 1 :])
                height = _log_posterior(axes, log_likelihood, at)
                if height <= top:
                    break
                best, top, moved = at, height, True
        unmoved = 0 if moved else unmoved + 1
        if unmoved == len(axes):
            break
    return best


def _log_posterior(axes: Axes, log_likelihood: Callable[[Strengths], float], at: tuple[int, ...]) -> float:
    """Return how likely a combination is after the runs were seen, as a logarithm without its constant."""
    (tide, _), (wander, _), (scatter, _), (heading, _) = chosen = [axis[k] for axis, k in zip(axes, at, strict=True)]
    return log_likelihood((tide, wander, scatter, heading)) + sum(float(np.log(weight)) for _, weight in chosen)


def match_scatter(scatter_kn: FloatArray, share: FloatArray) -> tuple[float, float]:
    """Return scale [kn] and degrees of freedom of the Student's t that errs as runs of so uncertain a scatter do.

    An error is normal under any one scatter, so over all of them it is a mixture of normal laws. Student's t with the
    same 68.27 and 95.45 % stands for it. Where nothing but the scatter is unknown, what is believed of it is a scaled
    inverse chi-square law, and this is exact; where wandering of the current may have passed for scatter there are
    two heaps, of which matching moments of the precision ``1/s²`` would see the smaller one alone.

    Args:
        scatter_kn: Values, ascending, shape (k,).
        share: How likely each is, adding up to 1.

    Source: Student's t as a mixture of normal laws: Gelman et al., *Bayesian Data Analysis*, section 3.2 (from
    memory).
    """
    narrow, wide = (float(_half_width(scatter_kn[:, None], share, p)[0]) for p in (0.6827, LEVEL))

    student = scipy.special.stdtrit

    def apart(log_freedom: float) -> float:
        return float(student(np.exp(log_freedom), UPPER) / student(np.exp(log_freedom), 0.84135) - wide / narrow)

    low, high = np.log(LEAST_FREEDOM), np.log(MOST_FREEDOM)
    if apart(high) >= 0.0:
        return wide / 2.0, float(np.inf)
    freedom = float(np.exp(scipy.optimize.brentq(apart, low, high))) if apart(low) > 0.0 else LEAST_FREEDOM
    return wide / float(student(freedom, UPPER)), freedom


def refine_scatter(scatter_kn: FloatArray, log_share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return finely spaced scatters [kn] between the values looked at, and how likely each is, adding up to 1.

    The values looked at are too far apart for a narrow law, so an inverse chi-square law is laid through them; what is
    left beside it is smooth, and a spline takes it.

    Args:
        scatter_kn: Values looked at, ascending, shape (k,).
        log_share: Logarithm of how likely each is, per step of the logarithm of the scatter; -inf for values that were
            not looked at because their neighbours are negligible.
    """
    seen = np.flatnonzero(np.isfinite(log_share))
    if seen.size < 2:
        return scatter_kn[seen], np.ones(seen.size)
    x = np.log(scatter_kn[seen])
    at = np.linspace(x[0], x[-1], SCATTER_STEPS)
    law, law_at = (np.column_stack([np.ones(v.size), v, np.exp(2.0 * (x[0] - v))]) for v in (x, at))
    weight = np.exp(0.5 * (log_share[seen] - log_share[seen].max()))
    fitted = np.linalg.lstsq(law * weight[:, None], log_share[seen] * weight, rcond=None)[0]
    log_density = law_at @ fitted + scipy.interpolate.CubicSpline(x, log_share[seen] - law @ fitted)(at)
    share = np.exp(log_density - log_density.max())
    return np.exp(at), share / share.sum()


def _half_width(sd: FloatArray, share: FloatArray, level: float) -> FloatArray:
    """Return what so large a part of the errors stays within, for errors that are normal of any of k deviations.

    Args:
        sd: Standard deviations, shape (k, B).
        share: How likely each is, adding up to 1, shape (k,).
        level: Of all errors.
    """
    low, high = np.zeros(sd.shape[1]), 10.0 * sd.max(axis=0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        inside = share @ scipy.special.erf(middle / (np.sqrt(2.0) * sd)) < level
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.asarray(high, dtype=np.float64)


def _repeat_freedom(half_width_kn: FloatArray, whole_u_kn: FloatArray, repeat_u_kn: FloatArray) -> FloatArray:
    """Return the degrees of freedom of the term "repeat" with which a sum of terms has this half width, shape (B,).

    Welch-Satterthwaite gives the sum ``ν (u/u_repeat)⁴`` degrees of freedom where all other terms have infinitely many.
    The formula is too narrow where ν is below about 4, so ν is chosen by what it has to give.
    """
    found = np.full(half_width_kn.size, np.inf)
    most, student = np.log(MOST_FREEDOM), scipy.special.stdtrit
    for b, k in enumerate(half_width_kn / whole_u_kn):
        if k > student(MOST_FREEDOM, UPPER):
            # half a degree of freedom gives a k of about 200, more than any sum of terms that are known at all
            sought = min(float(k), float(student(0.5, UPPER)))
            root = scipy.optimize.brentq(lambda x, k=sought: student(np.exp(x), UPPER) - k, np.log(0.5), most)
            whole = float(np.exp(root))
            found[b] = whole * (repeat_u_kn[b] / whole_u_kn[b]) ** 4
    return found


@dataclass(frozen=True, slots=True)
class Trend:
    """A steady change of the current, counted from the middle of the runs.

    Attributes:
        axes: Unit vectors (north, east) along which it is allowed for, shape (k, 2).
        middle_h: When it is zero.
        kn_per_h: Its standard deviation along each axis.
    """

    axes: FloatArray
    middle_h: float
    kn_per_h: float

    def lever_kn(self, unit: FloatArray, at_h: FloatArray) -> FloatArray:
        """Return what one standard deviation moves the current's component along `unit` (n, 2) by, shape (n, k)."""
        return np.asarray(self.kn_per_h * (at_h - self.middle_h)[:, None] * (unit @ self.axes.T), dtype=np.float64)

    def state_kn(self, at_h: FloatArray) -> FloatArray:
        """Return what one standard deviation moves north and east by at some times, shape (q, 2, k)."""
        return np.asarray(self.kn_per_h * (at_h - self.middle_h)[:, None, None] * self.axes.T[None], dtype=np.float64)


class CurrentCovariance:
    """Covariance of one component of the current at pairs of times, under any strengths.

    What takes time, the exponentials, follows from the lags alone and is worked out once.

    Args:
        lag_h: How far apart the two times are, any shape.
        model: Beliefs.
    """

    def __init__(self, lag_h: FloatArray, model: CurrentModel) -> None:
        x = np.sqrt(3.0) * np.abs(lag_h) / model.wander_length_h
        self._constant = model.constant_kn**2
        self._tide = np.exp(-0.5 * (lag_h / model.tide_length_h) ** 2)
        self._wander_rise, self._wander_fall = 1.0 + x, np.exp(-x)

    def at(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance for these strengths [kn²], in the shape of the lags."""
        wander = wander_kn**2 * self._wander_rise * self._wander_fall
        return np.asarray(self._constant + tide_kn**2 * self._tide + wander, dtype=np.float64)


# ------------------------------------------------------------------------------
# What each run says of speed and current, as equations that are linear about the answer so far.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Observations:
    """Runs and drifts as linear equations in band speeds, current and compass offset.

    First come the n speeds of the runs along the way through the water, then the cross speeds that heading against
    course shows, then north and east of every drift.
    """

    y: FloatArray
    design: FloatArray
    position: IntArray
    unit: FloatArray
    own_var: FloatArray
    slope_var: FloatArray
    lever_kn: FloatArray
    offset_lever_kn: FloatArray
    """What an error common to all measured headings moves."""
    bend_lever_kn: FloatArray
    """What a bend common to all lines moves, where reciprocal headings stand in for measured ones."""
    leeway_lever_kn: FloatArray
    """What one standard deviation of the leeway, north and east, moves each equation by, shape (N, 2)."""
    wind_lever_kn: FloatArray
    """What one standard deviation of each unknown of the wind's effect moves each equation by, shape (N, k)."""
    wind_expected_kn: FloatArray
    """By how much the wind is expected to slow each run down, which `y` has back already, shape (n,)."""


def speed_power(speed: FloatArray, rpm: FloatArray) -> FloatArray:
    """Return d ln V / d ln rpm at each band, between 0 and 4; 1 (constant slip) where there is nothing to tell."""
    power = np.ones(speed.size)
    known = np.flatnonzero(np.isfinite(rpm) & (speed > 0))
    if known.size >= 2 and np.all(np.diff(rpm[known]) > 0):
        power[known] = np.clip(np.gradient(np.log(speed[known]), np.log(rpm[known])), 0.0, 4.0)
    return power


def _rpm_excess(runs: Runs, speed_kn: FloatArray, band_rpm: FloatArray) -> FloatArray:
    """Return how much faster each run was than its band because its rpm was higher [kn]; 0 where rpm is unknown."""
    band = runs.band
    ratio = runs.rpm / band_rpm[band]
    ratio = np.where(np.isfinite(ratio), ratio, 1.0)
    return np.asarray(speed_kn[band] * (ratio ** speed_power(speed_kn, band_rpm)[band] - 1.0), dtype=np.float64)


def linearise(
    runs: Runs,
    heading_deg: FloatArray,
    measured: BoolArray,
    current_kn: FloatArray,
    speed_kn: FloatArray,
    band_rpm: FloatArray,
    model: CurrentModel,
    drifts: Drifts | None = None,
    wind: RunWind | None = None,
) -> Observations:
    """Return the equations of all runs and drifts about a current and band speeds assumed so far.

    Args:
        runs: The runs.
        heading_deg: Heading or its stand-in, shape (n,); NaN for none.
        measured: True where a sensor gave the heading.
        current_kn: Current at each run so far, shape (n, 2) or longer.
        speed_kn: Band speeds so far, shape (B,).
        band_rpm: Engine speed the band speeds hold for, shape (B,).
        model: Gives the uncertainty of the slope of speed against rpm.
        drifts: Times at which the boat lay in neutral.
        wind: True wind at the runs; None where the wind has no effect.
    """
    drifts = no_drifts() if drifts is None else drifts
    band = runs.band
    current_kn = current_kn[: band.size]
    through = runs.ground_kn - current_kn
    moved_kn = np.maximum(np.hypot(through[:, 0], through[:, 1]), 0.1)
    ahead = through / moved_kn[:, None]
    abeam = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    excess_kn = _rpm_excess(runs, speed_kn, band_rpm)
    with_heading = np.flatnonzero(np.isfinite(heading_deg))
    direction = np.degrees(np.arctan2(through[:, 1], through[:, 0]))
    turned = np.radians(wrap_deg(direction - heading_deg))[with_heading]
    wind_lever, slowed_kn = _wind_levers_kn(ahead, moved_kn, np.eye(speed_kn.size)[band], wind)
    y_along = np.sum(ahead * runs.ground_kn, axis=1) - excess_kn + slowed_kn
    y_across = moved_kn[with_heading] * turned + np.sum(abeam * current_kn, axis=1)[with_heading]
    n, m = band.size, with_heading.size
    design = np.zeros((n + m, speed_kn.size))
    design[np.arange(n), band] = 1.0
    lever = np.concatenate([np.zeros(n), moved_kn[with_heading]])
    sensed = np.concatenate([np.zeros(n, bool), measured[with_heading]])
    run_u_kn = np.hypot(runs.u_kn, runs.rounding_u_kn)
    bend = np.where(sensed, 0.0, lever * np.concatenate([np.zeros(n), _way(heading_deg[with_heading])]))
    d = drifts.mid_h.size
    none = np.zeros(2 * d)
    axes = np.tile(np.eye(2), (d, 1))
    return Observations(
        y=np.concatenate([y_along, y_across, drifts.velocity_kn.ravel()]),
        design=np.concatenate([design, np.zeros((2 * d, speed_kn.size))]),
        position=np.concatenate([np.arange(n), with_heading, n + np.repeat(np.arange(d), 2)]),
        unit=np.concatenate([ahead, abeam[with_heading], axes]),
        own_var=np.concatenate([run_u_kn, runs.u_kn[with_heading], np.repeat(drifts.u_kn, 2)]) ** 2,
        slope_var=np.concatenate([(model.rpm_slope_share * excess_kn) ** 2, np.zeros(m), none]),
        lever_kn=np.concatenate([lever, none]),
        offset_lever_kn=np.concatenate([np.where(sensed, lever, 0.0), none]),
        bend_lever_kn=np.concatenate([bend, none]),
        leeway_lever_kn=np.concatenate([np.zeros((n + m, 2)), axes * np.repeat(drifts.leeway_u_kn, 2)[:, None]]),
        wind_lever_kn=np.concatenate([wind_lever, np.zeros((m + 2 * d, wind_lever.shape[1]))]),
        wind_expected_kn=slowed_kn,
    )


def wind_exposure_kn(ahead: FloatArray, speed_kn: FloatArray, wind: RunWind) -> FloatArray:
    """Return what the effect of the wind on each run's speed is in proportion to [kn], shape (n, 1) or (n, 2).

    A boat at speed V in a wind W, at an angle φ from ahead, meets the air drag ``½ρ C A (V + W cos φ)²`` instead of
    ``½ρ C A V²``. At constant engine speed resistance R and thrust T change with speed as ``R/V (n + m)``, with n the
    power of V that R grows with and m the share by which thrust falls per share of speed gained, so that

        dV = −2 a/(n + m) W cos φ,    a = ½ρ C A V² / R,

    with a the share of air drag in the resistance. With C = 0.7 on the frontal area, R = 0.15 of the weight on the
    plane and 0.03 of it at displacement speeds, n + m = 5 and 8, a boat of 10 to 20 t has 2a/(n + m) = 0.006 to 0.009
    at 8 kn, 0.012 to 0.022 at 25 kn and 0.03 at 35 kn; a light open boat has half as much again. Above 10 kn it grows
    about as V, below it stays: ``dV = −b g W cos φ``, g = max(V, 10 kn)/20 kn, b = 0.018 ± 0.010 (k=1).

    Sources: air drag and C = 0.7 (Savitsky & Brown 1976, Marine Technology 13(4):381), resistance over weight (Savitsky
    1964, Marine Technology 1(1):71), thrust against advance (any four-bladed propeller series at a slip of 0.2 to
    0.3), all from memory; b and its uncertainty follow from them.

    Args:
        ahead: Unit vectors (north, east) of the ways through the water, shape (n, 2).
        speed_kn: Speeds through water, shape (n,).
        wind: True wind at the runs.

    Returns:
        Where the wind is known, g W cos φ; else the same of one knot from north and of one from east.
    """
    grown = grown_with_speed(speed_kn)[:, None]
    if not wind.is_known:
        return np.asarray(grown * ahead, dtype=np.float64)
    return np.asarray(grown * np.sum(ahead * wind.from_kn, axis=1)[:, None], dtype=np.float64)


def grown_with_speed(speed_kn: FloatArray) -> FloatArray:
    """Return g, by which the effect of the wind at a speed through water exceeds that at `WIND_AT_KN`, same shape."""
    return np.asarray(np.maximum(speed_kn, WIND_EVEN_BELOW_KN) / WIND_AT_KN, dtype=np.float64)


def _wind_levers_kn(
    ahead: FloatArray, speed_kn: FloatArray, design: FloatArray, wind: RunWind | None
) -> tuple[FloatArray, FloatArray]:
    """Return the levers of the wind's unknowns on the runs' speeds, shape (n, k), and the expected loss, shape (n,).

    What is unknown is the boat's share, common to all runs, and by how much each band differs from it; `design` tells
    the band of each run, shape (n, B).
    """
    n = speed_kn.size
    if wind is None:
        return np.zeros((n, 0)), np.zeros(n)
    exposure = wind_exposure_kn(ahead, speed_kn, wind)
    own = WIND_MODEL_SHARE * WIND_SHARE * (exposure[:, :, None] * design[:, None, :]).reshape(n, -1)
    if wind.is_known:
        return np.column_stack([-WIND_SHARE_U * exposure, -own]), WIND_SHARE * exposure[:, 0]
    share = float(np.hypot(WIND_SHARE, WIND_SHARE_U))
    return -UNKNOWN_WIND_KN * np.column_stack([share * exposure, own]), np.zeros(n)


def _way(heading_deg: FloatArray) -> FloatArray:
    """Return +1 for headings on the side of the first one, -1 for those back."""
    if not heading_deg.size:
        return np.zeros(0)
    return np.where(np.abs(wrap_deg(heading_deg - heading_deg[0])) <= 90.0, 1.0, -1.0)


# ------------------------------------------------------------------------------
# Generalised least squares of the runs' equations under any strengths of current, scatter and compass error.
#
# Some hundred combinations of strengths are tried on the same equations, so what none of them changes is worked out
# once, and only the combinations that are used afterwards are solved any further than their likelihood.
# ------------------------------------------------------------------------------


class White(NamedTuple):
    """Equations turned into independent ones of unit variance; N equations, B bands."""

    factor: FloatArray
    """Lower Cholesky factor of the covariance of the equations, shape (N, N)."""
    design: FloatArray
    """Shape (N, B)."""
    left: FloatArray
    """What the band speeds leave of the right-hand side, shape (N,)."""
    speed_cov: FloatArray
    """Shape (B, B)."""
    speed: FloatArray
    """Band speeds [kn], shape (B,)."""
    log_likelihood: float
    """Restricted: the band speeds are integrated out."""


class Whitening:
    """The equations of all runs with their covariance under any strengths.

    Args:
        seen: The equations.
        current: Of the current at every two runs, shape (n, n).
        model: Beliefs that no strength changes.
        trend_kn: What one standard deviation of a steady change of the current moves each equation by along each of
            its axes, shape (N, k); None for no such change.
    """

    def __init__(
        self, seen: Observations, current: CurrentCovariance, model: CurrentModel, trend_kn: FloatArray | None = None
    ) -> None:
        self.seen = seen
        self.trend_kn = np.zeros((seen.y.size, 0)) if trend_kn is None else trend_kn
        # what all equations of a kind share and no strength changes: the trend, and the leeway of a drifting boat
        self._shared = self.trend_kn @ self.trend_kn.T + seen.leeway_lever_kn @ seen.leeway_lever_kn.T
        self._current = current
        self._facing = seen.unit @ seen.unit.T
        self._compass = _common_var(seen.offset_lever_kn, model.heading_offset_deg)
        if seen.bend_lever_kn.any():
            self._compass += _common_var(seen.bend_lever_kn, model.line_bend_deg)
        self._wind = seen.wind_lever_kn @ seen.wind_lever_kn.T
        self._own_var = seen.own_var + seen.slope_var
        self._sides = np.column_stack([seen.design, seen.y])
        self._explained: dict[Strengths, tuple[FloatArray, FloatArray]] = {}

    def water(self, strengths: Strengths) -> FloatArray:
        """Return the covariance of the equations by the current, and by leeway taken for it [kn²], shape (N, N)."""
        position, by_run = self.seen.position, self._current.at(strengths[0], strengths[1])
        made = by_run.take(position, axis=0).take(position, axis=1)
        made *= self._facing
        made += self._shared
        return made

    def compass(self, strengths: Strengths) -> FloatArray:
        """Return the covariance of the equations by the headings alone [kn²], shape (N, N)."""
        return self._compass + np.diag(self._heading_var(strengths))

    def whiten(self, strengths: Strengths) -> White:
        """Return the equations made independent, with the band speeds and the restricted likelihood they give."""
        covariance = self.water(strengths)
        variance = np.diagonal(covariance) + (np.diagonal(self._compass) + self._heading_var(strengths))
        variance += np.diagonal(self._wind)
        covariance += self._compass
        covariance += self._wind
        np.fill_diagonal(covariance, variance + (self._own_var + strengths[2] ** 2))
        # symmetric, and by columns as LAPACK wants it
        factor = np.asarray(np.linalg.cholesky(covariance.T), dtype=np.float64)
        white = _solve_lower(factor, self._sides)
        design, y = white[:, :-1], white[:, -1]
        normal = design.T @ design
        speed_cov = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        speed = speed_cov @ (design.T @ y)
        left = y - design @ speed
        spread = 2.0 * np.log(np.diag(factor)).sum() + np.linalg.slogdet(normal)[1]
        return White(factor, design, left, speed_cov, speed, float(-0.5 * (spread + left @ left)))

    def log_likelihood(self, strengths: Strengths) -> float:
        """Return the restricted log-likelihood of the strengths."""
        return self.whiten(strengths).log_likelihood

    def explained(self, strengths: Strengths) -> tuple[FloatArray, FloatArray]:
        """Return the gain of the band speeds, see `explain`, and their covariance; remembered, for it is asked again.

        Every band's run to come is held against the same runs so far.
        """
        if strengths not in self._explained:
            white = self.whiten(strengths)
            self._explained[strengths] = explain(white)[0], white.speed_cov
        return self._explained[strengths]

    def _heading_var(self, strengths: Strengths) -> FloatArray:
        return np.asarray((self.seen.lever_kn * np.radians(strengths[3])) ** 2, dtype=np.float64)


def explain(white: White) -> tuple[FloatArray, FloatArray]:
    """Return band speeds as a linear function of the right-hand side, and what is left, both by the equations.

    Returns:
        The gain, shape (B, N), and the inverse covariance times what the band speeds leave of the right-hand side,
        shape (N,): a covariance with the equations times it is the best guess of what is left.
    """
    sides = np.column_stack([white.design, white.left])
    back = _solve_lower(white.factor, sides, transposed=True)
    return white.speed_cov @ back[:, :-1].T, back[:, -1]


def _solve_lower(factor: FloatArray, sides: FloatArray, *, transposed: bool = False) -> FloatArray:
    """Return the solution of a lower triangular system, or of its transpose; the factor has no zero on its diagonal.

    LAPACK is asked without what `scipy.linalg.solve_triangular` looks at first: with some twenty equations, thousands
    of times a trial, that takes longer than to solve them.
    """
    # handed over by columns as LAPACK wants it: the transpose of a factor that lies by rows
    solved, _ = scipy.linalg.lapack.dtrtrs(factor.T, sides, lower=0, trans=0 if transposed else 1)
    return np.asarray(solved, dtype=np.float64)


def _common_var(lever_kn: FloatArray, error_deg: float) -> FloatArray:
    """Return the covariance that one error common to all headings makes [kn²], shape (N, N)."""
    made = np.outer(lever_kn, lever_kn)
    made *= np.radians(error_deg) ** 2
    return made


MOST_SWEEPS, MOST_STEPS, SMALLEST_STEP_KN = 3, 12, 1e-6
"""Bounds of the search, far above what it takes, and the step at which it ends (our choice)."""
ANY_CURRENT_KN = 3.0
"""Standard deviation per axis that a current is given before it was looked for (common practice, no source)."""
ONE_LINE_RESULTANT = 0.8
"""Courses, both ways alike, more closely bundled than this are one line: within some 18 degrees of it (no source)."""
CONTRADICTS = 3.5
"""Of its standard deviations, by which a drift contradicts the runs: of a thousand true ones it leaves out one (our
choice)."""
NEGLIGIBLE_SHARE = 1e-3
"""A combination this much less likely than the best one is left out of the average (our choice)."""


@dataclass(frozen=True, slots=True)
class VectorFit:
    """Result of `fit_current`; B bands, n runs, q times asked for. Uncertainties are standard (k=1)."""

    speed_kn: FloatArray
    """Shape (B,), at the band's mean rpm."""
    speed_u_kn: FloatArray
    terms_u_kn: dict[str, FloatArray]
    """What `speed_u_kn` is made of, shape (B,) each; their squares add up to it."""
    repeat_freedom: FloatArray
    """Degrees of freedom of the term "repeat", shape (B,): with them and infinitely many of all other terms,
    Welch-Satterthwaite gives `half_width_kn`."""
    half_width_kn: FloatArray
    """What 95.45 % of the errors of each speed stay within by what the fit knows, shape (B,)."""
    unseen_trend_u_kn: FloatArray
    """Part of the current's term that a steady change of the current makes, which the runs do not show, shape (B,)."""
    current: CurrentOverTime
    """The current at any other time."""
    current_kn: FloatArray
    """North and east at the times asked for, shape (q, 2)."""
    current_cov: FloatArray
    """Covariance of north and east, shape (q, 2, 2)."""
    run_current_kn: FloatArray
    """Same at the runs, shape (n, 2)."""
    run_current_cov: FloatArray
    along_kn: FloatArray
    """Speed through water each run shows by itself, shape (n,), brought to the band's mean rpm."""
    residual: FloatArray
    """Leave-one-out residual of each run in its own standard deviations, shape (n,)."""
    residual_kn: FloatArray
    """Same in knots: what the run shows minus what all others predict for it."""
    gain: FloatArray
    """Band speeds as a linear function of the along-track speeds, shape (B, n)."""
    along_cov: FloatArray
    """Covariance of the along-track speeds about their band speeds, shape (n, n)."""
    heading_offset_deg: float
    heading_offset_u_deg: float
    has_drifts: bool
    """Whether the boat's drift in neutral was used."""
    strengths: FitStrengths
    """Averaged."""
    wind_share: float
    """Share of a head wind by which the boat is slower at `WIND_AT_KN`; NaN where the wind is unknown."""
    wind_share_u: float


@dataclass(frozen=True, slots=True)
class _Solution:
    speed: FloatArray
    terms: dict[str, FloatArray]
    projected: FloatArray
    """Inverse covariance of the equations with the band speeds taken out, shape (N, N)."""
    offset: float
    offset_var: float
    wind_share: float
    wind_share_var: float
    residual: FloatArray
    residual_kn: FloatArray
    gain: FloatArray
    covariance: FloatArray
    trend_var: FloatArray


def fit_current(
    runs: Runs,
    band_rpm_mean: FloatArray,
    line_heading_deg: FloatArray,
    at_h: FloatArray,
    model: CurrentModel | None = None,
    drifts: Drifts | None = None,
    wind: RunWind | None = None,
    former: CurrentOverTime | None = None,
) -> VectorFit:
    """Fit band speeds and current to all runs.

    Where the boat lay in neutral between runs, her drift shows the current at that time, but for leeway. A drift that
    contradicts the runs by more than `CONTRADICTS` of its standard deviations is left out: a boat that is held in
    place, or stems the stream, drifts with nothing.

    A run is used by its speed along the direction it moved through the water, and, where a heading is known, by the
    angle between the two, which shows the current abeam. Both depend on the current and are solved by iteration
    (Gauss-Newton). Where boat and compass were turned round, the current is looked for first as if it could be any,
    and what is believed of its size follows from what is found (`raise_constant`): a fixed belief of a weak current
    would pull a strong one towards nothing, and with it the speed of a pair that is not quite reciprocal.

    Args:
        runs: At least one run; ``band`` numbers count from 0 to B-1 without a hole.
        band_rpm_mean: Engine speed each band's speed shall hold for [rpm], shape (B,); NaN where unknown.
        line_heading_deg: Headings of runs both ways were they reciprocal, which stand in where the sensor is
            missing, shape (n,); NaN where only one way was run.
        at_h: Times at which the current is wanted, shape (q,).
        model: Beliefs; the default suits coastal water.
        drifts: Times at which she lay in neutral.
        wind: True wind at the runs, known or not; None takes it that the wind has no effect.
        former: The current by a fit of the same runs in other bands; what it believed of the size of the current, and
            which drifts it used, is taken over and not sought again.
    """
    drifts = drifts or no_drifts()
    if former is not None:
        kept = select_drifts(drifts, np.isin(drifts.mid_h, former.seen_h))
        believed = former.model
        return _fit_with(runs, band_rpm_mean, line_heading_deg, at_h, believed, kept, wind, former, is_believed=True)[0]
    model = model or CurrentModel()
    fit, residual = _fit_with(runs, band_rpm_mean, line_heading_deg, at_h, model, drifts, wind)
    agrees = np.abs(residual).max(axis=1, initial=0.0) <= CONTRADICTS
    if agrees.all():
        return fit
    kept = select_drifts(drifts, agrees)
    return _fit_with(runs, band_rpm_mean, line_heading_deg, at_h, model, kept, wind, fit.current)[0]


def _fit_with(
    runs: Runs,
    band_rpm_mean: FloatArray,
    line_heading_deg: FloatArray,
    at_h: FloatArray,
    model: CurrentModel,
    drifts: Drifts,
    wind: RunWind | None,
    near: CurrentOverTime | None = None,
    *,
    is_believed: bool = False,
) -> tuple[VectorFit, FloatArray]:
    """Return the fit, and the leave-one-out residuals of the drifts in their standard deviations, shape (d, 2).

    The search begins at the current of the fit `near`; the size of the current is as the model has it where that
    `is_believed`, and else sought first.
    """
    measured = np.isfinite(runs.heading_deg)
    # where she was seen to drift, nothing need be taken for her headings: a course held across a stream looks straight
    stand_in = np.full(measured.size, np.nan) if drifts.mid_h.size and not measured.any() else line_heading_deg
    heading = np.where(measured, runs.heading_deg, stand_in)
    seen_h = np.concatenate([runs.mid_h, drifts.mid_h])
    begin = None if near is None else (near.strengths[int(near.share.argmax())], near.at(seen_h)[0])
    if not is_believed and np.any(measured & np.isfinite(line_heading_deg)):
        open_minded = replace(model, constant_kn=max(model.constant_kn, ANY_CURRENT_KN))
        found = _search(runs, heading, measured, band_rpm_mean, open_minded, drifts, wind, begin)
        model = raise_constant(model, found.current_kn)
        begin = found.strengths(), found.current_kn
    found = _search(runs, heading, measured, band_rpm_mean, model, drifts, wind, begin)
    equations, likely = found.equations, found.likely()
    d = drifts.mid_h.size
    solutions = [_solve(equations, strengths, model) for strengths in likely.strengths]
    residual = likely.share @ np.array([s.residual for s in solutions])
    projected = tuple(s.projected for s in solutions)
    trend = _trend(runs, measured, model)
    over_time = CurrentOverTime(equations, tuple(likely.strengths), likely.share, projected, seen_h, trend, model)
    scatter = refine_scatter(np.array(model.scatter_kn), likely.log_scatter)
    fit = _average(equations.seen, solutions, scatter, over_time, runs.mid_h, at_h, wind is not None and wind.is_known)
    return fit, residual[residual.size - 2 * d :].reshape(d, 2)


class _Found(NamedTuple):
    """Where the search for the current ended."""

    equations: Whitening
    """About the answer by the best strengths."""
    axes: Axes
    log_likelihood: Callable[[Strengths], float]
    """Of the strengths by these equations; what was asked before is remembered."""
    best: tuple[int, ...]
    """Where the best strengths stand."""
    current_kn: FloatArray
    """At runs and drifts, north and east, shape (n + d, 2)."""

    def strengths(self) -> Strengths:
        """Return the best strengths."""
        tide, wander, scatter, degrees = (axis[k][0] for axis, k in zip(self.axes, self.best, strict=True))
        return tide, wander, scatter, degrees

    def likely(self) -> Likely:
        """Return all strengths that matter."""
        return find_likely(self.axes, self.log_likelihood, self.best, NEGLIGIBLE_SHARE)


def _search(
    runs: Runs,
    heading: FloatArray,
    measured: BoolArray,
    band_rpm_mean: FloatArray,
    model: CurrentModel,
    drifts: Drifts,
    wind: RunWind | None,
    begin: tuple[Strengths, FloatArray] | None = None,
) -> _Found:
    """Return the equations about the best answer, and the current by it.

    Strengths and answer depend on each other: the answer is settled for the best strengths so far, then the best
    strengths are sought about that answer, until they stay. What a search with other beliefs or bands ended at is
    given as `begin`, strengths and current; otherwise it begins at the likeliest strengths and with no current.
    """
    axes = strength_axes(model, bool(measured.any()))
    best = tuple(int(np.argmax([weight for _, weight in axis])) for axis in axes)
    seen_h = np.concatenate([runs.mid_h, drifts.mid_h])
    covariance = CurrentCovariance(seen_h[:, None] - seen_h[None, :], model)
    trend = _trend(runs, measured, model)
    here = _Asked(seen_h, seen_h, trend, model)
    current = np.zeros((seen_h.size, 2))
    if begin is not None:
        best, current = tuple([v for v, _ in axis].index(x) for axis, x in zip(axes, begin[0], strict=True)), begin[1]
    speed = np.array([runs.sog_kn[runs.band == b].mean() for b in range(band_rpm_mean.size)])

    def equations_about(current: FloatArray, speed: FloatArray) -> Whitening:
        seen = linearise(runs, heading, measured, current, speed, band_rpm_mean, model, drifts, wind)
        return Whitening(seen, covariance, model, trend.lever_kn(seen.unit, seen_h[seen.position]))

    for _ in range(MOST_SWEEPS):
        tide, wander, scatter, degrees = (axis[k][0] for axis, k in zip(axes, best, strict=True))
        lagged = here.lagged(tide, wander)
        for _ in range(MOST_STEPS):
            equations = equations_about(current, speed)
            white = equations.whiten((tide, wander, scatter, degrees))
            before, current = current, here.link(equations, lagged) @ explain(white)[1]
            speed = white.speed
            if float(np.abs(current - before).max()) < SMALLEST_STEP_KN:
                break
        equations = equations_about(current, speed)
        log_likelihood = functools.cache(equations.log_likelihood)
        settled_for, best = best, find_best(axes, log_likelihood, best)
        if best == settled_for:
            break
    return _Found(equations, axes, log_likelihood, best, current)


def _trend(runs: Runs, measured: BoolArray, model: CurrentModel) -> Trend:
    """Return the trend that is allowed for: along the line of the runs alone where no heading shows the current abeam.

    A current abeam changes the speed of runs both ways by its square alone; without a heading its change in time is
    no more to be seen than itself, and is allowed for with it (`trialcapture.reduce.budget`).
    """
    axes = np.eye(2)
    if not measured.any():
        doubled = np.radians(2.0 * runs.cog_deg)
        north, east = float(np.cos(doubled).mean()), float(np.sin(doubled).mean())
        if np.hypot(north, east) > ONE_LINE_RESULTANT:
            along = 0.5 * np.arctan2(east, north)
            axes = np.array([[np.cos(along), np.sin(along)]])
    return Trend(axes, float(runs.mid_h.mean()), model.trend_kn_per_h)


class _Asked:
    """The current at some times, and how it goes with what the equations see of it.

    Args:
        at_h: The times, shape (q,).
        seen_h: Times of the runs and drifts, shape (n + d,).
        trend: The trend allowed for.
        model: Beliefs.
    """

    def __init__(self, at_h: FloatArray, seen_h: FloatArray, trend: Trend, model: CurrentModel) -> None:
        self._covariance = CurrentCovariance(at_h[:, None] - seen_h[None, :], model)
        self._alone = CurrentCovariance(np.zeros(1), model)
        self._trend_kn = trend.state_kn(at_h)

    def lagged(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance of one component of the current at the times and the runs, shape (q, n + d)."""
        return self._covariance.at(tide_kn, wander_kn)

    def link(self, equations: Whitening, lagged: FloatArray) -> FloatArray:
        """Return the covariance of north and east with what each equation sees, shape (q, 2, N)."""
        seen = equations.seen
        at = np.take(lagged, seen.position, axis=1)
        return np.asarray(at[:, None, :] * seen.unit.T[None, :, :] + self._trend_kn @ equations.trend_kn.T)

    def prior(self, tide_kn: float, wander_kn: float) -> FloatArray:
        """Return the covariance of north and east before any run is seen, shape (q, 2, 2)."""
        constant = float(self._alone.at(tide_kn, wander_kn)[0]) * np.eye(2)
        return np.asarray(constant + self._trend_kn @ np.swapaxes(self._trend_kn, 1, 2), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class CurrentOverTime:
    """The fitted current at any time of a trial.

    Attributes:
        equations: What runs and drifts say of it.
        strengths: The combinations that matter.
        share: Their shares, adding up to 1.
        projected: Of each, the inverse covariance of the equations with the band speeds taken out.
        seen_h: Times of the runs and drifts [h since the first leg].
        trend: The trend allowed for.
        model: Beliefs.
    """

    equations: Whitening
    strengths: tuple[Strengths, ...]
    share: FloatArray
    projected: tuple[FloatArray, ...]
    seen_h: FloatArray
    trend: Trend
    model: CurrentModel

    def at(self, at_h: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the current, north and east [kn], shape (q, 2), and its covariance [kn²], shape (q, 2, 2).

        Args:
            at_h: Times [h since the first leg], shape (q,). Away from the runs its uncertainty grows.
        """
        asked = _Asked(at_h, self.seen_h, self.trend, self.model)
        states, covariances = [], []
        for (tide_kn, wander_kn, *_), projected in zip(self.strengths, self.projected, strict=True):
            link = asked.link(self.equations, asked.lagged(tide_kn, wander_kn))
            carried = link @ projected
            states.append(carried @ self.equations.seen.y)
            covariances.append(asked.prior(tide_kn, wander_kn) - carried @ np.swapaxes(link, 1, 2))
        state = np.einsum("k,kqc->qc", self.share, np.array(states))
        off = np.array(states) - state
        covariance = np.einsum("k,kqcd->qcd", self.share, np.array(covariances))
        return state, covariance + np.einsum("k,kqc,kqd->qcd", self.share, off, off)


def _solve(equations: Whitening, strengths: Strengths, model: CurrentModel) -> _Solution:
    seen, white = equations.seen, equations.whiten(strengths)
    gain, y, design = explain(white)[0], seen.y, seen.design
    inverse_factor = np.linalg.inv(white.factor)
    precision = inverse_factor.T @ inverse_factor
    projected = precision - precision @ design @ gain
    offset_var = np.radians(model.heading_offset_deg) ** 2
    to_offset = offset_var * seen.offset_lever_kn
    # the share of a known wind common to all bands stands first among the wind's unknowns
    to_share = WIND_SHARE_U * seen.wind_lever_kn[:, 0] if seen.wind_lever_kn.size else np.zeros(y.size)
    left, own = projected @ y, np.maximum(np.diag(projected), 1e-12)
    return _Solution(
        speed=white.speed,
        terms={
            "sampling": (gain**2) @ seen.own_var,
            # per unit of scatter: how large that is, is known for all combinations together
            "repeat": np.sum(gain**2, axis=1),
            "current": np.sum((gain @ equations.water(strengths)) * gain, axis=1),
            "heading": np.sum((gain @ equations.compass(strengths)) * gain, axis=1),
            "rpm match": (gain**2) @ seen.slope_var,
            "wind": np.sum((gain @ seen.wind_lever_kn) ** 2, axis=1),
        },
        projected=projected,
        offset=float(to_offset @ left),
        offset_var=float(offset_var - to_offset @ projected @ to_offset),
        wind_share=float(WIND_SHARE + to_share @ left),
        wind_share_var=float(WIND_SHARE_U**2 - to_share @ projected @ to_share),
        residual=left / np.sqrt(own),
        residual_kn=left / own,
        gain=gain,
        covariance=white.factor @ white.factor.T,
        trend_var=np.sum((gain @ equations.trend_kn) ** 2, axis=1),
    )


def _average(
    seen: Observations,
    solutions: list[_Solution],
    scatter: tuple[FloatArray, FloatArray],
    current: CurrentOverTime,
    run_h: FloatArray,
    at_h: FloatArray,
    has_wind: bool,
) -> VectorFit:
    """Return the fit averaged over all combinations of strengths that matter.

    Args:
        seen: The equations.
        solutions: Of each combination.
        scatter: Values of the scatter [kn] and how likely each is, from `refine_scatter`.
        current: The combinations and the current by them.
        run_h: Times of the runs [h].
        at_h: Times at which the current is wanted [h].
    """
    n, share = run_h.size, current.share
    speeds = np.array([s.speed for s in solutions])
    state, state_cov = current.at(np.concatenate([run_h, at_h]))
    offsets = np.array([s.offset for s in solutions])
    speed = share @ speeds
    terms = {name: share @ np.array([s.terms[name] for s in solutions]) for name in solutions[0].terms} | {
        "choice of model": share @ (speeds - speed) ** 2
    }
    half_width = _half_width(_spread(solutions, current, speeds, scatter[0]), scatter[1], LEVEL)
    terms["repeat"] *= match_scatter(*scatter)[0] ** 2
    whole_u = np.sqrt(sum(terms.values(), start=np.zeros(speed.size)))
    offset = float(share @ offsets)
    offset_var = float(share @ (np.array([s.offset_var for s in solutions]) + (offsets - offset) ** 2))
    shares = np.array([s.wind_share for s in solutions])
    wind_share = float(share @ shares)
    wind_share_var = float(share @ (np.array([s.wind_share_var for s in solutions]) + (shares - wind_share) ** 2))
    mean_strengths = share @ np.array(current.strengths)
    gain = np.einsum("k,kbi->bi", share, np.array([s.gain for s in solutions]))
    covariance = np.einsum("k,kij->ij", share, np.array([s.covariance for s in solutions]))
    residual = share @ np.array([s.residual for s in solutions])
    residual_kn = share @ np.array([s.residual_kn for s in solutions])
    return VectorFit(
        speed_kn=speed,
        speed_u_kn=whole_u,
        terms_u_kn={name: np.sqrt(np.maximum(variance, 0.0)) for name, variance in terms.items()},
        repeat_freedom=_repeat_freedom(half_width, whole_u, np.sqrt(terms["repeat"])),
        half_width_kn=half_width,
        unseen_trend_u_kn=np.sqrt(share @ np.array([s.trend_var for s in solutions])),
        current=current,
        current_kn=state[n:],
        current_cov=state_cov[n:],
        run_current_kn=state[:n],
        run_current_cov=state_cov[:n],
        along_kn=seen.y[:n] - seen.wind_expected_kn - np.sum(seen.unit[:n] * state[:n], axis=1),
        residual=residual[:n],
        residual_kn=residual_kn[:n],
        gain=gain[:, :n],
        along_cov=covariance[:n, :n],
        heading_offset_deg=float(np.degrees(offset)),
        heading_offset_u_deg=float(np.degrees(np.sqrt(max(offset_var, 0.0)))),
        has_drifts=current.seen_h.size > n,
        strengths=FitStrengths(*mean_strengths.tolist()),
        wind_share=wind_share if has_wind else float(np.nan),
        wind_share_u=float(np.sqrt(max(wind_share_var, 0.0))) if has_wind else float(np.nan),
    )


def _spread(
    solutions: list[_Solution], current: CurrentOverTime, speeds: FloatArray, scatter_kn: FloatArray
) -> FloatArray:
    """Return the standard deviation of each band speed at finely spaced scatters, shape (k, B).

    The other strengths are averaged over at each scatter that was looked at, and what they leave is taken as smooth
    between: where runs scatter little, a current that wanders is the likelier, and the other way round.
    """
    looked_at = np.array([strengths[_SCATTER] for strengths in current.strengths])
    values = np.unique(looked_at)
    mean = current.share @ speeds
    per_scatter = np.array([s.terms["repeat"] for s in solutions])
    rest = np.array([sum(v for n, v in s.terms.items() if n != "repeat") for s in solutions]) + (speeds - mean) ** 2
    made = np.zeros((scatter_kn.size, speeds.shape[1]))
    for b in range(speeds.shape[1]):
        repeat_at, rest_at = (
            [float(np.average(x[looked_at == v, b], weights=current.share[looked_at == v])) for v in values]
            for x in (per_scatter, rest)
        )
        between = np.log(scatter_kn)
        made[:, b] = scatter_kn**2 * np.interp(between, np.log(values), repeat_at)
        made[:, b] += np.interp(between, np.log(values), rest_at)
    return np.sqrt(made)


# ------------------------------------------------------------------------------
# What one more run would buy: the same equations with one run more, whatever that run will show.
# ------------------------------------------------------------------------------

LOOKED_AHEAD_SHARE = 0.9
"""Of all combinations of strengths, the likeliest that together weigh this much are looked at (our choice)."""


@dataclass(frozen=True, slots=True)
class RunToCome:
    """One more run of a band.

    Attributes:
        band: Number of the band.
        heading_deg: To be run.
        mid_h: When [h since the first leg].
        speed_kn: Of the band.
        u_kn: Sampling error expected of the run's mean speed.
        has_heading: Whether a compass will show its heading.
        wind: Expected then; None as in the fit.
    """

    band: int
    heading_deg: float
    mid_h: float
    speed_kn: float
    u_kn: float
    has_heading: bool
    wind: RunWind | None = None


def predict_shrinkage(fit: VectorFit, coming: RunToCome) -> tuple[float, float]:
    """Return by what factors a run shrinks the terms of its band's speed: repeat, and all others the fit knows.

    Nothing of this depends on what the run will show: the covariance of a least-squares solution follows from the
    equations alone. Strengths and scatter are taken as the runs so far show them.

    Args:
        fit: Fit to the runs so far.
        coming: The run.

    Source: generalised least squares (any text; covariance of the estimate).
    """
    order = np.argsort(fit.current.share)[::-1]
    weight = fit.current.share[order]
    order = order[: int(np.searchsorted(np.cumsum(weight), LOOKED_AHEAD_SHARE)) + 1]
    share = fit.current.share[order] / fit.current.share[order].sum()
    longer = _with_run(fit.current, coming)
    variances = np.zeros((2, 2))
    for f, k in zip(share, order, strict=True):
        strengths = fit.current.strengths[k]
        for row, equations in enumerate((fit.current.equations, longer)):
            gain, speed_cov = equations.explained(strengths)
            repeat = float(np.sum(gain[coming.band] ** 2))
            rest = speed_cov[coming.band, coming.band] - strengths[_SCATTER] ** 2 * repeat
            variances[row] += f * np.array([repeat, rest])
    before, after = np.maximum(variances, 1e-12)
    shrunk = np.minimum(np.sqrt(after / before), 1.0)
    return float(shrunk[0]), float(shrunk[1])


def _with_run(current: CurrentOverTime, coming: RunToCome) -> Whitening:
    """Return the equations with those of one more run: its speed along its heading and, with a compass, across it."""
    seen, model = current.equations.seen, current.model
    radians = np.radians(coming.heading_deg)
    ahead = np.array([np.cos(radians), np.sin(radians)])
    unit = np.array([ahead, [-ahead[1], ahead[0]]])[: 2 if coming.has_heading else 1]
    m = unit.shape[0]
    lever = np.array([0.0, coming.speed_kn])[:m]
    along = np.zeros((m, seen.design.shape[1]))
    along[0, coming.band] = 1.0
    wind_lever = np.zeros((m, seen.wind_lever_kn.shape[1]))
    wind_lever[:1] = _wind_levers_kn(unit[:1], np.array([coming.speed_kn]), along[:1], coming.wind)[0]
    seen_h = np.append(current.seen_h, coming.mid_h)
    none = np.zeros(m)
    longer = Observations(
        y=np.append(seen.y, none),
        design=np.concatenate([seen.design, along]),
        position=np.append(seen.position, np.full(m, current.seen_h.size)),
        unit=np.concatenate([seen.unit, unit]),
        own_var=np.append(seen.own_var, np.full(m, coming.u_kn**2)),
        slope_var=np.append(seen.slope_var, none),
        lever_kn=np.append(seen.lever_kn, lever),
        offset_lever_kn=np.append(seen.offset_lever_kn, lever),
        bend_lever_kn=np.append(seen.bend_lever_kn, none),
        leeway_lever_kn=np.concatenate([seen.leeway_lever_kn, np.zeros((m, 2))]),
        wind_lever_kn=np.concatenate([seen.wind_lever_kn, wind_lever]),
        wind_expected_kn=seen.wind_expected_kn,
    )
    covariance = CurrentCovariance(seen_h[:, None] - seen_h[None, :], model)
    return Whitening(longer, covariance, model, current.trend.lever_kn(longer.unit, seen_h[longer.position]))
