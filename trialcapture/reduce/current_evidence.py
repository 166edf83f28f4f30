"""What the current was, shown both ways: each sequence of runs alone, and the fit to all runs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trialcapture.prepare.sample_statistics import chauvenet_limit, wrap_deg
from trialcapture.reduce.bands import Band, band_key
from trialcapture.reduce.engine_checks import none_if_nan
from trialcapture.reduce.runs import NS_PER_H, Legs, Runs, RunSequence, RunWind
from trialcapture.reduce.summary import (
    CurrentEvidence,
    FittedCurrent,
    HalfPair,
    MethodComparison,
    OneMoreRunAdvice,
    SequenceCurrent,
    StillAir,
    StillAirBand,
    ThirdRunAdvice,
)
from trialcapture.reduce.tables import iso_utc
from trialcapture.reduce.uncertainty import Budget, FloatArray
from trialcapture.reduce.vectorfit import RunToCome, VectorFit, grown_with_speed, predict_shrinkage

LOOK_EVERY_H = 1.0 / 20.0
"""Spacing of the fitted current in the summary (our choice)."""
MOST_LOOKS = 200
"""Most times at which it is shown (our choice)."""
THIRD_RUN_KN = 0.1
"""A third run is worth its time when a double run is expected to err by more (common practice, no source)."""
UNKNOWN_ABOVE_KN = 0.5
"""A current known no better than this, along its worse axis, is not printed (common practice, no source)."""
DISAGREEMENT_FLOOR_KN = 0.02
"""Differences below what any instrument here resolves are no disagreement (our choice)."""


def look_times_h(runs: Runs) -> FloatArray:
    """Return evenly spaced times from the first to the last run at which the fitted current is shown [h]."""
    first, last = float(runs.start_h.min()), float(runs.stop_h.max())
    n = int(np.clip(np.ceil((last - first) / LOOK_EVERY_H), 1, MOST_LOOKS)) + 1
    return np.linspace(first, last, n)


def find_outlying(fit: VectorFit) -> list[int]:
    """Return the runs that do not fit the others.

    Chauvenet's criterion with a tenth of its half: of all runs of a trial, 0.05 are expected past the limit.
    """
    limit = chauvenet_limit(fit.residual.size, expected=0.05)
    return [int(k) for k in np.flatnonzero(np.abs(fit.residual) > limit)]


def band_current(runs: Runs, fit: VectorFit, band: int) -> tuple[float, float]:
    """Return speed [kn] and direction towards [deg, true] of the mean current at a band's runs; NaN where unknown."""
    at = np.flatnonzero(runs.band == band)
    worst = float(np.sqrt(np.linalg.eigvalsh(fit.run_current_cov[at].mean(axis=0))[-1]))
    if worst > UNKNOWN_ABOVE_KN:
        return np.nan, np.nan
    north, east = fit.run_current_kn[at].mean(axis=0)
    return float(np.hypot(north, east)), float(np.degrees(np.arctan2(east, north)) % 360.0 % 360.0)


def compare_methods(sequences: list[RunSequence], fit: VectorFit, bands: list[Band]) -> dict[int, MethodComparison]:
    """Return by number of the band the classical result beside the fit, and whether they agree.

    The two use the same runs, so what may part them is far less than either uncertainty; it follows from the
    covariance of the runs. A band without runs both ways has no classical result and is left out.
    """
    found: dict[int, MethodComparison] = {}
    for band in range(fit.speed_kn.size):
        complete = [s for s in sequences if s.band == band and s.weights is not None]
        if not complete:
            continue
        shares = np.array([len(s.runs) for s in complete], dtype=np.float64)
        shares /= shares.sum()
        classical = float(sum(f * s.speed_kn for f, s in zip(shares, complete, strict=True) if s.speed_kn))
        weights = np.zeros(fit.gain.shape[1])
        for f, s in zip(shares, complete, strict=True):
            weights[s.runs] += f * np.asarray(s.weights)
        apart = fit.gain[band] - weights
        allowed = 2.0 * float(np.sqrt(apart @ fit.along_cov @ apart)) + DISAGREEMENT_FLOOR_KN
        difference = float(fit.speed_kn[band]) - classical
        found[band] = MethodComparison(
            **band_key(bands[band]),
            method=" + ".join(s.method for s in complete),
            classical_kn=classical,
            fit_kn=float(fit.speed_kn[band]),
            difference_kn=difference,
            allowed_kn=allowed,
            agree=abs(difference) <= allowed,
        )
    return found


def describe_sequences(
    legs: Legs, runs: Runs, sequences: list[RunSequence], fit: VectorFit, bands: list[Band]
) -> tuple[list[SequenceCurrent], list[HalfPair]]:
    """Return the complete sequences and the half ones, as the summary shows them."""
    complete: list[SequenceCurrent] = []
    half: list[HalfPair] = []
    for sequence in sequences:
        index = sequence.runs
        segments = tuple(int(legs.segment_id[leg]) for k in index for leg in runs.members[k])
        t = iso_utc(legs.t0_ns + round(float(runs.mid_h[index].mean()) * NS_PER_H))
        key = band_key(bands[sequence.band])
        along, through = sequence.current_along_kn, sequence.speed_kn
        if along is None or through is None:
            half.append(HalfPair(**key, t=t, segments=segments, direction_deg=sequence.axis_deg))
            continue
        axis = np.radians(sequence.axis_deg)
        unit = np.array([np.cos(axis), np.sin(axis)])
        sampling = float(np.sqrt(np.sum(runs.u_kn[index] ** 2))) / len(index)
        complete.append(
            SequenceCurrent(
                **key,
                t=t,
                segments=segments,
                method=sequence.method,
                through_water_kn=through,
                axis_deg=sequence.axis_deg,
                along_kn=along,
                speed_kn=abs(along),
                towards_deg=float((sequence.axis_deg + (180.0 if along < 0 else 0.0)) % 360.0),
                u_kn=float(np.hypot(sampling, fit.strengths.scatter_kn / np.sqrt(len(index)))),
                fit_along_kn=float(fit.run_current_kn[index].mean(axis=0) @ unit),
                gap_min=sequence.gap_min,
                in_time=sequence.in_time,
                rpm_difference_pct=none_if_nan(sequence.rpm_difference_pct),
                off_reciprocal_deg=_off_reciprocal_deg(runs, sequence),
                expected_error_kn=_expected_error_kn(sequence, fit, unit),
            )
        )
    return complete, half


def _off_reciprocal_deg(runs: Runs, sequence: RunSequence) -> float:
    index = np.array(sequence.runs)
    direction = np.where(np.isfinite(runs.heading_deg), runs.heading_deg, runs.cog_deg)[index]
    turned = direction + np.where(sequence.sign > 0, 0.0, 180.0)
    return float(np.max(np.abs(wrap_deg(turned - turned[0]))))


def _expected_error_kn(sequence: RunSequence, fit: VectorFit, unit: FloatArray) -> float:
    """Return what the fitted current leaves in the sequence's own result: its weights meet a current that changed."""
    along = fit.run_current_kn[sequence.runs] @ unit
    return float(abs(np.asarray(sequence.weights) @ (sequence.sign * along)))


def describe_current(
    legs: Legs,
    runs: Runs,
    sequences: list[RunSequence],
    fit: VectorFit,
    methods: dict[int, MethodComparison],
    bands: list[Band],
    at_h: FloatArray,
    speed: Budget,
    wind: RunWind,
    *,
    with_one_more: bool = True,
) -> CurrentEvidence:
    """Return the evidence on the current: sequence by sequence, and the fitted current over time.

    Args:
        legs: Accepted segments.
        runs: The runs.
        sequences: Which of them are reciprocal.
        fit: The fit.
        methods: From `compare_methods`.
        bands: The bands.
        at_h: The times the fit was asked for; empty where it tells no current.
        speed: Budget of the band speeds.
        wind: At the runs, as the fit was given it.
        with_one_more: Tell what one more run of each band would buy, which takes as long as all else.
    """
    pairs, half = describe_sequences(legs, runs, sequences, fit, bands)
    measured = bool(np.isfinite(runs.heading_deg).any())
    advised = [p for p in pairs if p.method == "double run" and p.expected_error_kn > THIRD_RUN_KN]
    return CurrentEvidence(
        pairs=tuple(pairs),
        half_pairs=tuple(half),
        methods=tuple(methods.values()),
        disagreement=_disagreement(methods),
        third_run_advice=tuple(ThirdRunAdvice(p.band_rpm, p.band_name, p.expected_error_kn) for p in advised),
        one_more_run=tuple(
            OneMoreRunAdvice(
                **band_key(bands[more.band]),
                number=more.number,
                heading_deg=more.heading_deg,
                now_kn=more.now_kn,
                then_kn=more.then_kn,
            )
            for more in (plan_one_more_run(runs, fit, speed, wind) if with_one_more else ())
        ),
        fit=_current_over_time(legs, fit, at_h),
        strengths=fit.strengths,
        heading_used=measured,
        heading_offset_deg=fit.heading_offset_deg if measured else None,
        heading_offset_u_deg=fit.heading_offset_u_deg if measured else None,
    )


def no_current() -> CurrentEvidence:
    """Return the evidence of a trial without a band: none."""
    return CurrentEvidence((), (), (), "", (), (), (), None, None, None, None)


def _current_over_time(legs: Legs, fit: VectorFit, at_h: FloatArray) -> tuple[FittedCurrent, ...]:
    series = []
    for t_h, (north, east), cov in zip(at_h, fit.current_kn, fit.current_cov, strict=False):
        speed = float(np.hypot(north, east))
        ahead = np.array([north, east]) / max(speed, 1e-9)
        along = float(ahead @ cov @ ahead) if speed > 1e-6 else float(np.trace(cov) / 2.0)
        worst = float(np.sqrt(np.linalg.eigvalsh(cov)[-1]))
        if worst <= UNKNOWN_ABOVE_KN:
            series.append(
                FittedCurrent(
                    t=iso_utc(legs.t0_ns + round(float(t_h) * NS_PER_H)),
                    speed_kn=speed,
                    towards_deg=float(np.degrees(np.arctan2(east, north)) % 360.0 % 360.0),
                    u_kn=float(np.sqrt(max(along, 0.0))),
                    worst_axis_u_kn=worst,
                )
            )
    return tuple(series)


def _disagreement(methods: dict[int, MethodComparison]) -> str:
    apart = [abs(m.difference_kn) for m in methods.values() if not m.agree]
    if not apart:
        return ""
    return f"pair and fit differ at {len(apart)} of {len(methods)} bands, at most by {max(apart):.2f} kn"


# ------------------------------------------------------------------------------
# What one more run of a band would buy.
# ------------------------------------------------------------------------------

USUAL_GAP_H = 5.0 / 60.0
"""From the end of a run to the begin of the next, where no two runs show it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class OneMoreRun:
    """What one more run of a band would buy.

    Attributes:
        band: Number of the band.
        number: Which run of the band it would be: 3 for a third.
        heading_deg: To be run, true [deg]; a course where no compass is there.
        now_kn: Half width of 95 % of the band's speed as it is.
        then_kn: Same with the run.
    """

    band: int
    number: int
    heading_deg: float
    now_kn: float
    then_kn: float


def plan_one_more_run(runs: Runs, fit: VectorFit, speed: Budget, wind: RunWind | None = None) -> tuple[OneMoreRun, ...]:
    """Return for every band what one more run would buy, made after all others, the way that buys most.

    Of the two ways along the band's line that one is taken that leaves the smaller uncertainty, as a rule the way back
    of the last run. How the trial's runs scatter is known by one degree of freedom more then.

    Args:
        runs: The runs.
        fit: Fit to them.
        speed: Budget of the band speeds; causes that the fit does not know stay as they are.
        wind: At the runs, as the fit was given it.
    """
    later = None if wind is None else RunWind(wind.from_kn.mean(axis=0, keepdims=True))
    gaps_h = runs.start_h[1:] - runs.stop_h[:-1]
    usual_gap_h = float(np.median(gaps_h)) if gaps_h.size else USUAL_GAP_H
    has_heading = bool(np.isfinite(runs.heading_deg).any())
    direction = np.where(np.isfinite(runs.heading_deg), runs.heading_deg, runs.cog_deg)
    planned = []
    for band in range(fit.speed_kn.size):
        own = np.flatnonzero(runs.band == band)
        half_h = float(runs.duration_s[own].mean()) / 7200.0
        # exact ties go to the way back, which comes first
        ways = [
            RunToCome(
                band=band,
                heading_deg=float((direction[own[-1]] + turned) % 360.0 % 360.0),
                mid_h=float(runs.stop_h.max()) + max(usual_gap_h, 0.0) + half_h,
                speed_kn=float(fit.speed_kn[band]),
                u_kn=float(np.sqrt(np.mean(np.hypot(runs.u_kn, runs.rounding_u_kn)[own] ** 2))),
                has_heading=has_heading,
                wind=later,
            )
            for turned in (180.0, 0.0)
        ]
        then = [_half_width_kn(_with_run(speed, fit, *predict_shrinkage(fit, way)), band) for way in ways]
        best = int(np.argmin(then))
        now = _half_width_kn(speed, band)
        planned.append(OneMoreRun(band, own.size + 1, ways[best].heading_deg, now, min(then[best], now)))
    return tuple(planned)


def _with_run(speed: Budget, fit: VectorFit, repeat: float, rest: float) -> Budget:
    """Return the budget with the terms of the fit shrunk, and one degree of freedom more for the scatter of runs."""
    made = []
    for term in speed.terms:
        if term.name == "repeat":
            made.append(replace(term, u=term.u * repeat, freedom=np.asarray(term.freedom) + 1.0))
        else:
            made.append(replace(term, u=term.u * (rest if term.name in fit.terms_u_kn else 1.0)))
    return Budget(tuple(made))


def _half_width_kn(speed: Budget, band: int) -> float:
    return float(speed.k[band] * speed.u[band])


# ------------------------------------------------------------------------------
# What the wind of the trial leaves in a mean of both ways: the speed in still air.
# ------------------------------------------------------------------------------

STILL_AIR_MODEL_SHARE = 0.5
"""Of the difference, by which the second order may be wrong: hull and propeller bend in it too, and a wind from the
side costs helm (common practice, no source)."""
STILL_AIR_METHOD = (
    "second order of air drag at constant engine speed, scaled by the effect of wind that the runs both ways show"
)
STILL_AIR_SOURCE = "air drag of superstructures: Savitsky & Brown 1976, Marine Technology 13(4):381 (from memory)"


def describe_still_air(runs: Runs, weights: FloatArray, fit: VectorFit, wind: RunWind, bands: list[Band]) -> StillAir:
    """Return the estimate for every band as the summary shows it; see `still_air_differences`."""
    found = still_air_differences(runs, weights, fit, wind)
    entries = (
        StillAirBand(**band_key(bands[d.band]), wind_kn=d.wind_kn, difference_kn=d.difference_kn, u_kn=d.u_kn)
        for d in found
    )
    return StillAir(STILL_AIR_METHOD, STILL_AIR_SOURCE, tuple(entries))


@dataclass(frozen=True, slots=True)
class StillAirDifference:
    """By how much a band was slower in the wind of the trial than in still air, which no mean of both ways takes out.

    Attributes:
        band: Number of the band.
        wind_kn: Mean strength at its runs.
        difference_kn: Speed as given minus speed in still air; negative.
        u_kn: Its standard uncertainty (k=1).
    """

    band: int
    wind_kn: float
    difference_kn: float
    u_kn: float


def still_air_differences(
    runs: Runs, weights: FloatArray, fit: VectorFit, wind: RunWind
) -> tuple[StillAirDifference, ...]:
    """Return the estimate for every band; nothing where the wind is unknown.

    The air drag on a boat at speed V in a wind W at an angle φ from ahead is as ``(V + W cos φ) √(V² + 2 V W cos φ +
    W²)``, to the second order ``V² + 2 V W cos φ + W² (cos² φ + sin² φ / 2)``. The second term is the effect that both
    ways have with opposite signs: b g W cos φ for the share b the fit found and its growth g with speed
    (`trialcapture.reduce.vectorfit.wind_exposure_kn`). The third stays in the mean: with h the half difference that
    wind right along the runs makes, it is ``h W/2V``.

    Args:
        runs: The runs.
        weights: Share of each run in the means of its band, shape (B, n).
        fit: Fit to them.
        wind: At the runs.

    Source: see `STILL_AIR_SOURCE`; the expansion is elementary.
    """
    if not wind.is_known or not np.isfinite(fit.wind_share):
        return ()
    through = runs.ground_kn - fit.run_current_kn
    speed = np.maximum(np.hypot(through[:, 0], through[:, 1]), 0.1)
    ahead = through / speed[:, None]
    strength = np.hypot(wind.from_kn[:, 0], wind.from_kn[:, 1])
    along = np.sum(ahead * wind.from_kn, axis=1)
    second = (along**2 + (strength**2 - along**2) / 2.0) * grown_with_speed(speed) / (2.0 * speed)
    share = max(fit.wind_share, 0.0)
    found = []
    for band, w in enumerate(weights):
        lost = float(w @ second)
        u = lost * float(np.hypot(fit.wind_share_u, STILL_AIR_MODEL_SHARE * share))
        found.append(StillAirDifference(band, float(w @ strength), -share * lost, u))
    return tuple(found)
