"""Means per band that give both directions equal weight, with the scatter of fuel from run to run."""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from trialcapture.config import Fuel
from trialcapture.reduce.legs import IntArray
from trialcapture.reduce.pairs import Sequence
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import BoolArray, FloatArray, coverage_factor, pooled_scatter, weighted_mean

FUEL_POWER = 2.7
"""d ln fuel / d ln rpm where one band alone cannot tell; between 2.5 and 3 in propeller practice (no source)."""
FUEL_SCATTER_SHARE = 0.005
"""Spread of fuel rate from run to run expected before looking (common practice, no source)."""
FUEL_SCATTER_WORTH = 3.0
"""How many runs that expectation is worth."""
CALIBRATION_TERMS = ("calibration", "no calibration")
"""Causes that move the fuel rate of every band by the same share."""
_SAME_LINE = 0.3
"""Courses that spread across their line by less than this share of their spread along it are one line."""


class FuelValues(TypedDict):
    """Fuel rate per band [L/h], calibrated, at the band's mean rpm; NaN where unknown. Uncertainties k=1."""

    rate_l_per_h: FloatArray
    u_l_per_h: FloatArray
    terms_u_l_per_h: dict[str, FloatArray]


def balance_ways(runs: Runs, sequences: list[Sequence], n_bands: int) -> FloatArray:
    """Return the weight of every run in its band's means, shape (B, n), each row adding up to 1.

    Both ways of a sequence count half, so that wind and sea, which favour one way, cancel. Sequences count by
    their number of runs.
    """
    weights = np.zeros((n_bands, len(runs["members"])))
    for sequence in sequences:
        members, sign = np.array(sequence["runs"]), sequence["sign"]
        sides = [side for side in (sign > 0, sign < 0) if side.any()]
        for side in sides:
            weights[sequence["band"], members[side]] = len(members) / len(sides) / side.sum()
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)


def band_means(weights: FloatArray, values: FloatArray) -> FloatArray:
    """Return the weighted mean per band of a value per run, NaN where no run of a band has one."""
    return np.array([weighted_mean(values, w) for w in weights], dtype=np.float64)


def reduce_fuel(
    runs: Runs,
    weights: FloatArray,
    band_rpm: FloatArray,
    settings: Fuel,
    rounding_u_l_per_h: FloatArray | None = None,
    run_rounding_u_l_per_h: FloatArray | None = None,
) -> FuelValues:
    """Return the fuel rate of every band.

    Each run's rate is first brought to the band's mean rpm by the local slope of fuel against rpm on logarithmic
    scales. The scatter of runs about their bands is pooled over all bands as a share of the rate. What wind and sea
    add one way and spare the other is no scatter: it is fitted to all runs and taken out of it, because it cancels in
    the mean of both ways; a band run one way keeps all of it, as a term of its own. What a wrong calibration does, it
    does to every run: it is a Type B term that no number of runs reduces.

    Args:
        runs: All runs.
        weights: From `balance_ways`, shape (B, n).
        band_rpm: Mean rpm per band, shape (B,); NaN where unknown.
        settings: ``[fuel]`` of the configuration.
        rounding_u_l_per_h: What rounding of readings leaves open in each band as shown, shape (B,); None for nothing.
        run_rounding_u_l_per_h: Same in each run, shape (n,): runs that differ by no more than rounding can make them
            differ show no scatter.

    Source: GUM (JCGM 100:2008) 4.2 (Type A, pooled), 4.3 (Type B), 5.1.2; 4.2.5 (scatter about a fitted line).
    """
    shown, band = runs["fuel_l_per_h"], np.argmax(weights > 0, axis=0)
    raw = band_means(weights, shown)
    ratio = band_rpm[band] / runs["rpm"]
    at_band = shown * np.where(np.isfinite(ratio), ratio, 1.0) ** _fuel_power(raw, band_rpm)[band]
    rate = band_means(weights, at_band)
    use = np.isfinite(at_band) & (rate[band] > 0)
    known = np.where(use, weights, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        known = known / known.sum(axis=1, keepdims=True)
        off = np.where(use, at_band / rate[band] - 1.0, 0.0)
    if run_rounding_u_l_per_h is not None and run_rounding_u_l_per_h.any():
        with np.errstate(invalid="ignore", divide="ignore"):
            hidden = np.where(use, np.sqrt(3.0) * run_rounding_u_l_per_h / rate[band], 0.0)
        off = np.sign(off) * np.maximum(np.abs(off) - hidden, 0.0)
    by_way, ways = _way_effect(runs["cog_deg"], off, band, known, use)
    share, freedom = pooled_scatter(
        (off - by_way + np.nansum(known * by_way, axis=1)[band])[use],
        max(int(use.sum() - np.unique(band[use]).size) - ways, 0),
        prior_sd=FUEL_SCATTER_SHARE,
        prior_degrees_of_freedom=FUEL_SCATTER_WORTH,
    )
    repeat = share * coverage_factor(freedom) / 2.0 * rate * np.sqrt(np.sum(known**2, axis=1))
    sampling = np.sqrt(np.sum((known * np.nan_to_num(runs["fuel_u_l_per_h"])) ** 2, axis=1))
    factor, calibration_pct = 1.0, settings.uncalibrated_u_pct
    if settings.calibration is not None:
        factor, calibration_pct = settings.calibration.factor, settings.calibration.u_pct
    terms = {
        # the scatter between runs already holds their sampling error; whichever shows more is taken
        "repeat": factor * np.maximum(repeat, sampling),
        "one way": factor * np.abs(rate * np.sum(known * by_way, axis=1)),
        CALIBRATION_TERMS[0 if settings.calibration else 1]: factor * rate * calibration_pct / 100.0,
    }
    if rounding_u_l_per_h is not None and rounding_u_l_per_h.any():
        # a reading of nothing may be a little fuel that was rounded away: then that is all its ± holds
        nothing = rate == 0.0
        terms = {name: np.where(nothing, 0.0, u) for name, u in terms.items()}
        terms["rounding"] = factor * rounding_u_l_per_h
    return {
        "rate_l_per_h": factor * rate,
        "u_l_per_h": np.sqrt(np.sum([u**2 for u in terms.values()], axis=0)),
        "terms_u_l_per_h": terms,
    }


def _way_effect(
    course_deg: FloatArray, off: FloatArray, band: IntArray, known: FloatArray, use: BoolArray
) -> tuple[FloatArray, int]:
    """Return by what share of the rate wind and sea change each run's fuel, and how many parameters that took.

    The effect is taken to go with the cosine of the angle between course and wind, which two parameters describe
    whatever the direction of the wind; on one line of runs they are one. Bands are compared within themselves.
    """
    radians = np.radians(course_deg)
    way = np.where(use[:, None], np.column_stack([np.cos(radians), np.sin(radians)]), 0.0)
    inside = np.where(use[:, None], way - np.nan_to_num(known @ way)[band], 0.0)
    effect, _, rank, _ = np.linalg.lstsq(inside, off, rcond=_SAME_LINE)
    return np.asarray(way @ effect, dtype=np.float64), int(rank)


def _fuel_power(rate: FloatArray, rpm: FloatArray) -> FloatArray:
    power = np.full(rate.size, FUEL_POWER)
    known = np.flatnonzero(np.isfinite(rate) & np.isfinite(rpm) & (rate > 0) & (rpm > 0))
    if known.size >= 2 and np.all(np.diff(rpm[known]) > 0):
        power[known] = np.clip(np.gradient(np.log(rate[known]), np.log(rpm[known])), 0.0, 5.0)
    return power
