"""The uncertainty budget of every band: what each cause adds to the standard uncertainty of its speed and fuel."""

from __future__ import annotations

from collections.abc import Sequence as ListOf

import numpy as np
import pyarrow as pa

from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.reduce.bands import Band, band_key
from trialcapture.reduce.legs import Legs, read_numbers
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import FloatArray, weighted_mean
from trialcapture.reduce.summary import BandBudget, FuelTerm, SpeedTerm
from trialcapture.reduce.vectorfit import VectorFit

UNSEEN_ABEAM_KN = 0.5
"""Current abeam that may go unseen without a heading, one standard deviation (common practice, no source)."""
UNSEEN_BENT_KN = 0.7
"""Same where the courses both ways are bent, where most of what is believed of a current counts (no source)."""
COMMON_TERMS = ("receiver bias",)
"""Causes that move the speed of every band alike, and so cancel where two bands of a trial are compared."""
ONE_LINE_DEG = 30.0
"""Runs whose lines all lie within this angle show no current abeam by themselves."""


def speed_terms(
    fit: VectorFit,
    runs: Runs,
    weights: FloatArray,
    line_heading_deg: FloatArray,
    legs: Legs,
    clocks: pa.Table | None,
    outlying: list[int],
) -> dict[str, FloatArray]:
    """Return the causes of a band speed's uncertainty and how much each adds [kn, k=1], shape (B,) each.

    Beside what the fit knows (sampling, repeat, current, heading, rpm match, choice of model) these are Type B: the
    receiver's own bias, which no number of runs reduces; the rounding of its speed; the clocks; a current abeam that
    a boat without heading cannot see on one line of runs; and half of what an outlying run would move.

    Args:
        fit: Fit to all runs.
        runs: The runs.
        weights: Share of each run in the means of its band, both ways alike, shape (B, n).
        line_heading_deg: Direction of each run's line, NaN where only one way was run.
        legs: The accepted segments.
        clocks: Clocks table; None or without offsets counts nothing.
        outlying: Indices of outlying runs.

    Source: GUM (JCGM 100:2008) 4.3, 5.1.2.
    """
    values = legs["values"]
    n_bands = fit["speed_kn"].size
    bias = np.where(np.isfinite(values["sog_bias_u_kn"]), values["sog_bias_u_kn"], SOG_BIAS_U_KN)
    slope = np.abs(np.nan_to_num(values["sog_slope_kn_per_min"])) / 60.0
    members = [[leg for k in np.flatnonzero(runs["band"] == b) for leg in runs["members"][k]] for b in range(n_bands)]
    terms = _with_rounding(fit, runs)
    terms["receiver bias"] = np.array([bias[m].mean() for m in members])
    terms["clock alignment"] = np.array([_worst_clock_s(clocks, legs, m) * slope[m].mean() for m in members])
    if _sees_no_current_abeam(runs, line_heading_deg):
        terms["current abeam unseen"] = _unseen_abeam_kn(fit, runs, weights, line_heading_deg)
    if outlying:
        moved = np.zeros(n_bands)
        for k in outlying:
            moved[runs["band"][k]] += abs(fit["gain"][runs["band"][k], k] * fit["residual_kn"][k])
        terms["outlying run"] = moved / 2.0
    return terms


def rounding_in_mean(weights: FloatArray, values: FloatArray, u: FloatArray) -> float:
    """Return what rounding of readings leaves open in a weighted sum of means, same unit.

    Means that agree within half a count were rounded from about one value, so they err alike however many there are;
    means that differ by more err independently. Half a count is √3 u where readings stood at one count, and less in
    proportion where they dithered.

    Args:
        weights: Of each mean, shape (m,).
        values: The means; those that are NaN are left out.
        u: Standard uncertainty of each from rounding; NaN counts as nothing.

    Source: GUM (JCGM 100:2008) 5.2.2, correlated input quantities.
    """
    use = np.isfinite(values) & np.isfinite(u) & (u > 0)
    if not use.any():
        return 0.0
    moved, at, own = (weights * np.nan_to_num(u))[use], values[use], u[use]
    alike = np.abs(at[:, None] - at[None, :]) <= np.sqrt(3.0) * np.maximum(own[:, None], own[None, :])
    return float(np.sqrt(max(moved @ alike @ moved, 0.0)))


def engine_rounding_u(
    legs: Legs, runs: Runs, weights: FloatArray, engine_ids: ListOf[str], quantity: str
) -> FloatArray:
    """Return what rounding leaves open in the sum over engines of a quantity of each band, shape (B,).

    Args:
        legs: The accepted segments.
        runs: The runs.
        weights: Share of each run in the means of its band, shape (B, n).
        engine_ids: Engines.
        quantity: ``rpm`` or ``fuel_l_per_h``.
    """
    values, duration = legs["values"], legs["values"]["duration_s"]

    def means(name: str) -> FloatArray:
        return np.array([weighted_mean(values[name][m], duration[m]) for m in runs["members"]])

    stem = {"rpm": "rpm_{}", "fuel_l_per_h": "fuel_l_per_h_{}"}[quantity]
    at = [means(f"{stem.format(e)}_mean") for e in engine_ids]
    u = [means(f"{stem.format(e)}_rounding_u") for e in engine_ids]
    if not at:
        return np.zeros(weights.shape[0])
    found = [rounding_in_mean(np.tile(w, len(at)), np.concatenate(at), np.concatenate(u)) for w in weights]
    return np.array(found)


def _with_rounding(fit: VectorFit, runs: Runs) -> dict[str, FloatArray]:
    """Return the terms of the fit with what rounding of the speed adds set apart from the sampling error.

    The fit takes rounding for an error of each run by itself; runs at one reading have it in common.
    """
    terms, own = dict(fit["terms_u_kn"]), runs["rounding_u_kn"]
    if not own.any():
        return terms
    terms["sampling"] = np.sqrt(np.maximum(terms["sampling"] ** 2 - fit["gain"] ** 2 @ own**2, 0.0))
    terms["rounding"] = np.array([rounding_in_mean(g, runs["sog_kn"], own) for g in fit["gain"]])
    return terms


def opposed_share(
    speed_kn: FloatArray, speed_terms_kn: dict[str, FloatArray], rate: FloatArray, fuel_terms: dict[str, FloatArray]
) -> FloatArray:
    """Return the standard uncertainty of what moves speed and fuel opposite ways, as a share of each, shape (B,).

    What holds a boat back in one run, at the same engine speed, also loads the engine more: its propeller's torque
    falls about as its advance grows. So far as runs do not repeat, speed and fuel err against each other; how far,
    cannot exceed what either of them does not repeat. The calibration of the fuel figures and the receiver's bias
    have nothing in common.

    Args:
        speed_kn: Of each band.
        speed_terms_kn: From `speed_terms`.
        rate: Fuel rate of each band [L/h]; NaN where unknown.
        fuel_terms: Causes of its uncertainty [L/h].
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.minimum(speed_terms_kn["repeat"] / speed_kn, fuel_terms["repeat"] / rate))


def combined(terms: dict[str, FloatArray]) -> FloatArray:
    """Return the root sum of squares of the terms, shape (B,)."""
    return np.asarray(np.sqrt(np.sum([u**2 for u in terms.values()], axis=0)), dtype=np.float64)


def budget_entries(
    bands: list[Band], speed: dict[str, FloatArray], fuel: dict[str, FloatArray]
) -> tuple[BandBudget, ...]:
    """Return the budgets for the summary, one entry a band; terms that add nothing are left out."""
    total = combined(speed)
    entries: list[BandBudget] = []
    for b, band in enumerate(bands):
        entries.append(
            BandBudget(
                **band_key(band),
                speed_u_kn=float(total[b]),
                terms=tuple(SpeedTerm(n, float(u[b])) for n, u in speed.items() if u.any()),
                fuel_terms=tuple(FuelTerm(n, float(u[b])) for n, u in fuel.items() if np.isfinite(u[b])),
                coverage_factor=2.0,
            )
        )
    return tuple(entries)


def _worst_clock_s(clocks: pa.Table | None, legs: Legs, members: ListOf[int]) -> float:
    """Return the largest uncertainty of a clock that placed any of these legs [s].

    A piece of an engine log counts where it overlaps one of them; every other clock counts for all.
    """
    if clocks is None or not clocks.num_rows:
        return 0.0
    u = read_numbers(clocks, "offset_u_s")
    begins, ends = read_numbers(clocks, "from_ns"), read_numbers(clocks, "to_ns")
    start, stop = legs["start_ns"][members], legs["stop_ns"][members]
    overlaps = (start[None, :] <= ends[:, None]) & (stop[None, :] >= begins[:, None])
    u = np.where(np.isnan(begins) | overlaps.any(axis=1), u, np.nan)
    return float(np.nanmax(u)) if np.isfinite(u).any() else 0.0


def _unseen_abeam_kn(fit: VectorFit, runs: Runs, weights: FloatArray, line_heading_deg: FloatArray) -> FloatArray:
    """Return what a current abeam, unseen without a heading, may do to each band's speed [kn, k=1], shape (B,).

    A current c abeam changes the speed by c²/2V; √3 makes the mean square of c² out of its variance. Where the
    courses both ways are not quite reciprocal it changes the speed by its share along their bisector too, and courses
    cannot tell whether a drift bent them, which the mean of both ways loses, or the helm.
    """
    radians = np.radians(runs["cog_deg"])
    bisector = np.hypot(weights @ np.cos(radians), weights @ np.sin(radians))
    both_ways = np.array([np.isfinite(line_heading_deg[w > 0]).all() for w in weights])
    bent = UNSEEN_BENT_KN * np.where(both_ways, bisector, 0.0)
    through = np.sqrt(3.0) * UNSEEN_ABEAM_KN**2 / (2.0 * np.maximum(fit["speed_kn"], 1.0))
    return np.asarray(np.hypot(through, bent), dtype=np.float64)


def _sees_no_current_abeam(runs: Runs, line_heading_deg: FloatArray) -> bool:
    """Return whether the boat has no heading and all its lines are one.

    Lines run both ways count where there are any: drift turns single courses, and a band run one way tells nothing of
    the current as long as its own speed is not known.
    """
    if np.isfinite(runs["heading_deg"]).all():
        return False
    lines = line_heading_deg[np.isfinite(line_heading_deg)]
    doubled = np.radians(2.0 * (lines if lines.size else runs["cog_deg"]))
    apart = np.abs(np.angle(np.exp(1j * (doubled[:, None] - doubled[None, :]))))
    return bool(np.degrees(apart.max()) / 2.0 < ONE_LINE_DEG)
