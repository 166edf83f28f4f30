"""The best of a trial: top speed, best economy, slowest speed held on the plane, each chosen from every band.

A band run one way may be the best, and is the answer where it is better than any band run both ways by more than
their uncertainties allow. Only a top speed is never claimed from one way: it is the figure that is argued over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from trialcapture.buffers import floats, integers
from trialcapture.config import Config
from trialcapture.measure.circumstances import Circumstances, TrialSamples
from trialcapture.measure.planing import find_regimes, froude_numbers, is_past_hump
from trialcapture.reduce.bands import SAME_STEP_PCT, Band, band_key, band_means
from trialcapture.reduce.engine_checks import RATED_REACHED_PCT, bias_of_highest, find_best_economy, none_if_nan
from trialcapture.reduce.reduction import Reduction
from trialcapture.reduce.runs import NS_PER_H, velocity_kn
from trialcapture.reduce.summary import (
    BandRegime,
    BestEconomy,
    FastestSeen,
    LogCalibration,
    OneWayAsGood,
    Regime,
    Regimes,
    SlowestHeld,
    TopSpeed,
    TrialWarning,
)
from trialcapture.reduce.tables import warn
from trialcapture.reduce.uncertainty import BoolArray, Budget, FloatArray, Term, coverage_factor, weighted_mean

BEYOND_U = 2.0
"""Two figures differ where they lie further apart than this many standard uncertainties of their difference: 95 %."""
SEEN_OVER_S = 15
"""A speed counts as seen where it is the median over this long: longer than a gust of speed on a wave, and than a run
of damaged readings (common practice, no source)."""
SEEN_FASTER_SHARE = 0.02
"""A speed that was seen and not held counts from this much above the fastest one held; hulls overshoot by about as much
when they accelerate (common practice, no source)."""
HIGHER_STEP_SHARE = SAME_STEP_PCT / 100.0
"""An engine speed this much higher is another step."""


@dataclass(frozen=True, slots=True)
class SteadyBands:
    """What the bands say of the boat, each as in `trialcapture.reduce.summary.Findings`, and the warnings of it."""

    top_speed: TopSpeed | None
    fastest_seen: FastestSeen | None
    economy_planing: BestEconomy | None
    economy_between: BestEconomy | None
    economy_displacement: BestEconomy | None
    economy_overall: BestEconomy | None
    regimes: Regimes
    slowest_on_the_plane: SlowestHeld | None
    speed_log: LogCalibration | None
    warnings: tuple[TrialWarning, ...]


NO_BANDS = SteadyBands(None, None, None, None, None, None, Regimes("", ()), None, None, ())
"""The result of a trial without a band."""


def measure_steady_bands(
    made: Reduction, circumstances: Circumstances, samples: TrialSamples, threshold_kn: float | None
) -> SteadyBands:
    """Return the best of a reduced trial.

    Args:
        made: The reduction.
        circumstances: Boat and settings.
        samples: Of the trial; the overview shows what was fastest.
        threshold_kn: Slowest planing speed that a slow run shows; None where none does.
    """
    config, speed_kn = circumstances.config, made.fit.speed_kn
    volume_m3, length_m = circumstances.volume_m3, config.boat.length_m
    regimes, judged_by = find_regimes(
        made.rpm, speed_kn, planing_hull=config.boat.planing, volume_m3=volume_m3, length_m=length_m,
        threshold_kn=threshold_kn,
    )  # fmt: skip
    is_planing, is_between, is_displacing = (
        np.array([r == name for r in regimes]) for name in ("planing", "between", "displacement")
    )
    fastest, seen = top_speed(made, samples.overview, config)
    return SteadyBands(
        top_speed=fastest,
        fastest_seen=seen,
        economy_planing=best_economy(made, is_planing),
        economy_between=best_economy(made, is_between),
        economy_displacement=best_economy(made, is_displacing),
        economy_overall=best_economy(made, np.ones(speed_kn.size, dtype=np.bool_)),
        regimes=Regimes(
            judged_by,
            tuple(
                _regime(band, regime, float(v), circumstances)
                for band, regime, v in zip(made.bands, regimes, speed_kn, strict=True)
            ),
        ),
        slowest_on_the_plane=slowest_on_the_plane(made, is_planing & is_past_hump(speed_kn, volume_m3, length_m)),
        speed_log=calibrate_log(made),
        warnings=tuple(top_speed_warnings(seen)),
    )


def _regime(band: Band, regime: Regime, speed_kn: float, circumstances: Circumstances) -> BandRegime:
    by_volume, by_length = froude_numbers(speed_kn, circumstances.volume_m3, circumstances.config.boat.length_m)
    return BandRegime(**band_key(band), regime=regime, volumetric_froude=by_volume, length_froude=by_length)


def top_speed(made: Reduction, samples: pa.Table | None, config: Config) -> tuple[TopSpeed | None, FastestSeen | None]:
    """Return the top speed, claimed from runs both ways only, and what was seen that is faster.

    Args:
        made: The reduction.
        samples: Samples of the trial set, or None.
        config: Engines.

    Returns:
        The top speed and None; or None and the fastest speed seen where that was never held both ways.
    """
    speed, u, k, rpm = made.fit.speed_kn, made.quantities.speed.u, made.quantities.speed.k, made.rpm
    held = int(np.argmax(np.where(made.two_ways, speed, -np.inf))) if made.two_ways.any() else None
    seen: list[FastestSeen] = []
    for b in np.flatnonzero(~made.two_ways):
        if held is None or _is_faster(float(speed[b]), float(u[b]), float(rpm[b]), made, held):
            heading = _band_heading_deg(made, int(b))
            seen.append(
                FastestSeen(
                    float(speed[b]),
                    float(u[b]),
                    float(k[b]),
                    none_if_nan(float(rpm[b])),
                    heading,
                    _way_back(heading, float(rpm[b])),
                )
            )
    fastest = max(seen, key=lambda s: s.speed_kn, default=None)
    passing = _fastest_passing(made, samples, config)
    known = float(speed[held]) if held is not None else -np.inf
    if passing is not None and passing.speed_kn > max(
        (1.0 + SEEN_FASTER_SHARE) * max(known, fastest.speed_kn if fastest else -np.inf),
        known + BEYOND_U * float(np.hypot(passing.u_kn, u[held] if held is not None else 0.0)),
    ):
        fastest = passing
    if fastest is not None or held is None:
        return None, fastest
    return TopSpeed(
        **band_key(made.bands[held]),
        speed_kn=known,
        speed_u_kn=float(u[held]),
        speed_k=float(k[held]),
        rpm_mean=none_if_nan(float(rpm[held])),
        ways=2,
        rated=rated_statement(_engine_rpm(made, held, config), config),
    ), None


def _engine_rpm(made: Reduction, band: int, config: Config) -> dict[str, float]:
    """Return the mean engine speed of each engine in a band; NaN where unknown."""
    legs = np.flatnonzero(made.band == band)
    duration = made.legs.values["duration_s"][legs]
    return {e: weighted_mean(made.legs.values[f"rpm_{e}_mean"][legs], duration) for e in config.engine_ids}


def rated_statement(engine_rpm: dict[str, float], config: Config) -> str:
    """Return whether engines ran at rated speed: "3480 rpm, 99.4 % of rated 3500", or "rated rpm not reached: …".

    Args:
        engine_rpm: Engine speed by engine; NaN where unknown.
        config: Engines.

    Returns:
        With several engines each is named; "" where no engine speed is known.
    """
    said, short = [], False
    for engine in config.engine:
        rpm = engine_rpm.get(engine.id, float("nan"))
        if np.isfinite(rpm):
            pct = 100.0 * rpm / engine.rated_rpm
            short = short or pct < RATED_REACHED_PCT
            name = f"{engine.id} " if len(config.engine) > 1 else ""
            said.append(f"{name}{rpm:.0f} rpm, {pct:.1f} % of rated {engine.rated_rpm:.0f}")
    return ("rated rpm not reached: " if short else "") + "; ".join(said)


def _is_faster(speed_kn: float, u_kn: float, rpm: float, made: Reduction, held: int) -> bool:
    """Return whether a band run one way is faster than one held both ways: by its figure, or by its engine speed."""
    known, known_u = float(made.fit.speed_kn[held]), float(made.quantities.speed.u[held])
    if speed_kn - known > BEYOND_U * float(np.hypot(u_kn, known_u)):
        return True
    return speed_kn > known and rpm > (1.0 + HIGHER_STEP_SHARE) * float(made.rpm[held])


def _band_heading_deg(made: Reduction, band: int) -> float | None:
    runs = made.runs
    (members,) = np.nonzero(runs.band == band)
    k = members[np.argmax(runs.duration_s[members])]
    heading = runs.heading_deg[k] if np.isfinite(runs.heading_deg[k]) else runs.cog_deg[k]
    return none_if_nan(float(heading))


def _way_back(heading_deg: float | None, rpm: float) -> str:
    at = f" at {rpm:.0f} rpm" if np.isfinite(rpm) else ""
    if heading_deg is None:
        return f"a run back{at}"
    return f"repeat{at} on {(heading_deg + 180.0) % 360.0:03.0f}°"


def _fastest_passing(made: Reduction, samples: pa.Table | None, config: Config) -> FastestSeen | None:
    """Return the highest speed through water that lasted `SEEN_OVER_S`, held steadily or not; None without samples."""
    if samples is None or samples.num_rows < 2 * SEEN_OVER_S:
        return None
    t_ns = integers(samples["t"])[0]
    step_s = float(np.median(np.diff(t_ns[: 2 * SEEN_OVER_S]))) / 1e9
    ground = velocity_kn(floats(samples["sog_kn"]), floats(samples["cog_true_deg"]))
    look_h, fit = made.look_h, made.fit
    hours = (t_ns - made.legs.t0_ns) / NS_PER_H
    # a current is known at the runs; hours away from them it is taken as it was at the nearest
    current = np.column_stack([np.interp(hours, look_h, fit.current_kn[: look_h.size, axis]) for axis in (0, 1)])
    through = np.hypot(*(ground - current).T)
    width = max(round(SEEN_OVER_S / step_s), 3)
    if through.size < width:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(through, width)
    whole = np.isfinite(windows).all(axis=1)
    if not whole.any():
        return None
    lasting = np.full(windows.shape[0], -np.inf)
    lasting[whole] = np.median(windows[whole], axis=1)
    first = int(np.argmax(lasting))
    middle = first + width // 2
    nearest = int(np.abs(look_h - hours[middle]).argmin())
    u_kn = float(np.sqrt(np.linalg.eigvalsh(fit.current_cov[nearest])[-1]))
    rpm = [np.median(floats(samples[f"rpm_{e}"])[first : first + width]) for e in config.engine_ids]
    mean_rpm = float(np.mean(rpm)) if rpm else float("nan")
    course = float(np.degrees(np.arctan2(ground[middle, 1], ground[middle, 0])) % 360.0)
    at = f"hold {mean_rpm:.0f} rpm" if np.isfinite(mean_rpm) else "hold it"
    return FastestSeen(
        speed_kn=float(lasting[first]),
        u_kn=u_kn,
        k=float(coverage_factor(np.inf)),
        rpm=none_if_nan(mean_rpm),
        heading_deg=course,
        missing=f"{at} steadily on {course:03.0f}° and {(course + 180.0) % 360.0:03.0f}°",
    )


def best_economy(made: Reduction, regime: BoolArray) -> BestEconomy | None:
    """Return the most economical band of a regime, and what range it gives; None where no band has an economy.

    The best band run both ways is the answer, unless a band run one way is better by more than the uncertainty of
    the difference. What moves all bands alike, such as the calibration of the fuel figures, cancels in it.

    The highest of several noisy figures is too high on average: that much is taken off. How much it is cannot be known
    better than to lie between nothing and twice that (rectangular, GUM (JCGM 100:2008) 4.3.7).

    Args:
        made: The reduction.
        regime: True for bands of the regime, shape (B,).
    """
    all_of = made.quantities
    economy, own_u = all_of.economy_nm_per_l, all_of.economy.own_u
    pool = np.flatnonzero(regime & np.isfinite(economy))
    if not pool.size:
        return None
    both, single = pool[made.two_ways[pool]], pool[~made.two_ways[pool]]
    best = int(both[np.argmax(economy[both])]) if both.size else int(single[np.argmax(economy[single])])
    contender: int | None = None
    if both.size and single.size:
        rival = int(single[np.argmax(economy[single])])
        better = float(economy[rival] - economy[best])
        if better > BEYOND_U * float(np.hypot(own_u[rival], own_u[best])):
            best = rival
        elif better > 0.0:
            contender = rival
    found = find_best_economy(made.fit.speed_kn, economy, regime, best=best)
    if found is None:
        return None
    b = found.band
    compared = both if made.two_ways[b] else pool
    bias = bias_of_highest(economy[compared], own_u[compared])
    of_economy, of_range = _with_bias(all_of.economy, bias), all_of.range
    usable_l = None if of_range is None else float(all_of.range_nm[b] / economy[b])
    if of_range is not None and usable_l is not None:
        of_range = _with_bias(of_range, usable_l * bias)
    rival_as_good = None
    if contender is not None:
        rival_speed = float(made.fit.speed_kn[contender])
        rival_as_good = OneWayAsGood(
            **band_key(made.bands[contender]), speed_kn=rival_speed, economy_nm_per_l=float(economy[contender])
        )
    return BestEconomy(
        **band_key(made.bands[b]),
        speed_kn=float(made.fit.speed_kn[b]),
        speed_u_kn=float(all_of.speed.u[b]),
        speed_k=float(all_of.speed.k[b]),
        fuel_l_per_h=float(all_of.fuel_l_per_h[b]),
        economy_nm_per_l=float(economy[b]) - bias,
        economy_u_nm_per_l=float(of_economy.u[b]),
        economy_k=float(of_economy.k[b]),
        corrected_by_nm_per_l=bias,
        range_nm=None if usable_l is None else usable_l * (float(economy[b]) - bias),
        range_u_nm=None if of_range is None else float(of_range.u[b]),
        range_k=None if of_range is None else float(of_range.k[b]),
        ways=2 if made.two_ways[b] else 1,
        one_way_as_good=rival_as_good,
        flat_from_kn=found.flat_from_kn,
        flat_to_kn=found.flat_to_kn,
        within_pct=found.within_pct,
        at_edge=found.at_edge,
    )


def _with_bias(budget: Budget, bias: float) -> Budget:
    """Return a budget with what the correction for the choice of the highest leaves open."""
    left = np.full(budget.u.shape, bias / np.sqrt(3.0))
    return Budget((*budget.terms, Term("highest of several", left, "choice of the best band")))


def slowest_on_the_plane(made: Reduction, is_planing: BoolArray) -> SlowestHeld | None:
    """Return the slowest band held clearly on the plane; None where none was.

    It is an upper bound of the slowest planing speed: the hull held the plane there, and may hold it slower.

    Args:
        made: The reduction.
        is_planing: True for bands past the hump, shape (B,).
    """
    speed = made.fit.speed_kn
    planing = np.flatnonzero(is_planing & np.isfinite(speed))
    if not planing.size:
        return None
    b = int(planing[np.argmin(speed[planing])])
    return SlowestHeld(
        **band_key(made.bands[b]),
        speed_kn=float(speed[b]),
        speed_u_kn=float(made.quantities.speed.u[b]),
        speed_k=float(made.quantities.speed.k[b]),
        ways=2 if made.two_ways[b] else 1,
    )


# ------------------------------------------------------------------------------
# The boat's own speed log held against the current-free speed.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line ``y = intercept + slope x``, and the covariance of the two, shape (2, 2)."""

    intercept: float
    slope: float
    covariance: FloatArray

    def at(self, x: float) -> tuple[float, float]:
        """Return y at x, and its standard uncertainty."""
        along = np.array([1.0, x])
        return float(along @ [self.intercept, self.slope]), float(np.sqrt(along @ self.covariance @ along))


def fit_line(x: FloatArray, y: FloatArray, u: FloatArray | None = None, *, through_origin: bool = False) -> LineFit:
    """Return the straight line through points by weighted least squares.

    Args:
        x: Taken as exact, shape (n,).
        y: Same shape.
        u: Standard uncertainty of each y; where the points scatter more than that, the line's uncertainty grows with
            it (Birge ratio). None takes it from the scatter alone, for which one point more than parameters is needed.
        through_origin: Whether the intercept is 0.

    Source: GUM (JCGM 100:2008) H.3; Birge 1932, Physical Review 40:207 (from memory).
    """
    design = x[:, None] if through_origin else np.column_stack([np.ones(x.size), x])
    weight = np.ones(x.size) if u is None else 1.0 / u
    white, aim = design * weight[:, None], y * weight
    covariance = np.linalg.inv(white.T @ white)
    solved = covariance @ white.T @ aim
    left = aim - white @ solved
    freedom = x.size - solved.size
    scatter = float(left @ left / freedom) if freedom else 1.0
    covariance *= scatter if u is None else max(scatter, 1.0)
    whole = np.zeros((2, 2))
    whole[2 - solved.size :, 2 - solved.size :] = covariance
    return LineFit(0.0 if through_origin else float(solved[0]), float(solved[-1]), whole)


def calibrate_log(made: Reduction) -> LogCalibration | None:
    """Return factor and offset that turn the log's speed into speed through water, or None without a log.

    A line is fitted to band speed against log speed over bands run both ways; with fewer than three of them the factor
    alone is fitted. The result is shown, and used for nothing: a log that read well today may foul tomorrow.
    """
    shown = band_means(made.weights, made.runs.stw_kn)
    speed, u = made.fit.speed_kn, made.quantities.speed.u
    use = made.two_ways & np.isfinite(shown) & (shown > 0)
    n = int(use.sum())
    if n == 0:
        return None
    with_offset = n >= 3 and float(np.ptp(shown[use])) > 1.0
    line = fit_line(shown[use], speed[use], u[use], through_origin=not with_offset)
    return LogCalibration(
        bands=n,
        factor=line.slope,
        factor_u=float(np.sqrt(line.covariance[1, 1])),
        offset_kn=line.intercept,
        worst_left_kn=float(np.max(np.abs(speed[use] - line.intercept - line.slope * shown[use]))),
    )


def top_speed_warnings(seen: FastestSeen | None) -> list[TrialWarning]:
    """Return the warning that no top speed is claimed, and what would be missing; none where one is."""
    if seen is None:
        return []
    at = f"{seen.speed_kn:.1f} kn" + ("" if seen.rpm is None else f" at {seen.rpm:.0f} rpm")
    return [warn("top-speed-not-claimed", "", f"{at} was seen; to claim it, {seen.missing}.")]
