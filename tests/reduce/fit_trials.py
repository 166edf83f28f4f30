"""Invented trials for the fit alone: runs with a known truth, milliseconds a draw, and the share of errors inside ±k·u.

Nothing here knows how the fit works. The long form prints a table by scatter, runs a band and bands:

    python -m tests.reduce.fit_trials [TRIALS]

An oracle who knows every variance of the truth, but not the errors, sets the standard for the width.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from trialcapture.reduce.runs import Runs, velocity_kn
from trialcapture.reduce.uncertainty import FloatArray, coverage_factor, effective_degrees_of_freedom
from trialcapture.reduce.vectorfit import CurrentModel, VectorFit, fit_current

SCATTERS_KN = (0.03, 0.07, 0.14, 0.2, 0.35)
RUNS_A_BAND = (1, 2, 3, 4)
BANDS = (1, 2, 6)
SAMPLING_KN = 0.03


@dataclass(frozen=True)
class Trial:
    """Runs of one invented trial, what is true of them, and what an oracle knows."""

    runs: Runs
    band_rpm: FloatArray
    line_heading_deg: FloatArray
    speed_kn: FloatArray
    oracle: CurrentModel


def make_runs(
    band: FloatArray, mid_h: FloatArray, ground_kn: FloatArray, heading_deg: FloatArray, rpm: FloatArray, u_kn: float
) -> Runs:
    """Return runs of a minute and a half each."""
    n = band.size
    half_h, nan = 0.75 / 60.0, np.full(n, np.nan)
    return Runs(
        members=[[k] for k in range(n)], band=band.astype(np.int64), start_h=mid_h - half_h, stop_h=mid_h + half_h,
        mid_h=mid_h, duration_s=np.full(n, 90.0), ground_kn=ground_kn, sog_kn=np.hypot(*ground_kn.T),
        cog_deg=np.degrees(np.arctan2(ground_kn[:, 1], ground_kn[:, 0])) % 360.0, heading_deg=heading_deg, rpm=rpm,
        u_kn=np.full(n, u_kn), rounding_u_kn=np.zeros(n), fuel_l_per_h=nan, fuel_u_l_per_h=nan, stw_kn=nan,
    )  # fmt: skip


def draw_trial(
    rng: np.random.Generator, scatter_kn: float, bands: int, runs_a_band: int, *, has_heading: bool = True
) -> Trial:
    """Return a trial with every band run there and back in turn, in a tide with some local wandering.

    Args:
        rng: Source of everything that is drawn.
        scatter_kn: Of runs about their band.
        bands: How many.
        runs_a_band: Runs of each, the first two reciprocal.
        has_heading: Whether there is a compass.
    """
    band = np.repeat(np.arange(bands), runs_a_band)
    way = np.tile(np.arange(runs_a_band) % 2, bands)
    n = band.size
    mid_h = np.cumsum(rng.uniform(4.5, 11.5, n)) / 60.0
    speed = np.sort(rng.uniform(6.0, 30.0, bands))
    heading = rng.uniform(0.0, 360.0) + 180.0 * way + rng.normal(0.0, 2.0, n)
    tide_kn, phase_h, towards = rng.uniform(0.0, 2.0), rng.uniform(0.0, 12.4206), rng.uniform(0.0, 360.0)
    wander_kn = float(np.exp(rng.uniform(np.log(0.01), np.log(0.12))))
    x = np.sqrt(3.0) * np.abs(mid_h[:, None] - mid_h[None, :]) / 0.25
    wander = wander_kn * np.linalg.cholesky((1.0 + x) * np.exp(-x) + 1e-9 * np.eye(n)) @ rng.normal(size=(n, 2))
    stream = tide_kn * np.cos(2.0 * np.pi * (mid_h - phase_h) / 12.4206)
    current = velocity_kn(stream, np.full(n, towards)) + wander
    through = speed[band] + rng.normal(0.0, scatter_kn, n)
    ground = velocity_kn(through, heading) + current + rng.normal(0.0, SAMPLING_KN, (n, 2))
    compass_deg = float(rng.choice([0.7, 2.0]))
    shown = (heading + rng.normal(0.0, 2.0) + rng.normal(0.0, compass_deg, n)) % 360.0
    rpm = 1000.0 + 300.0 * np.arange(bands)
    oracle = CurrentModel(
        tide_kn=(float(max(tide_kn / np.sqrt(2.0), 0.05)),), tide_weight=(1.0,), wander_kn=(wander_kn,),
        wander_weight=(1.0,), scatter_kn=(scatter_kn,), heading_deg=(compass_deg,), heading_weight=(1.0,),
        line_heading_deg=(2.0,), line_heading_weight=(1.0,), constant_kn=0.05, trend_kn_per_h=0.01,
    )  # fmt: skip
    line = (heading - rng.normal(0.0, 2.0)) % 360.0 if runs_a_band > 1 else np.full(n, np.nan)
    runs = make_runs(band, mid_h, ground, shown if has_heading else np.full(n, np.nan), rpm[band], SAMPLING_KN)
    return Trial(runs, rpm, line, speed, oracle)


def half_width_kn(fit: VectorFit) -> FloatArray:
    """Return the half width of 95.45 % of each band speed, by what the fit knows, shape (B,)."""
    repeat, u = fit.terms_u_kn["repeat"], fit.speed_u_kn
    rest = np.sqrt(np.maximum(u**2 - repeat**2, 0.0))
    freedom = [
        effective_degrees_of_freedom([a, b], [f, np.inf])
        for a, b, f in zip(repeat, rest, fit.repeat_freedom, strict=True)
    ]
    return u * np.array([coverage_factor(f) for f in freedom])


def try_trial(trial: Trial, model: CurrentModel | None = None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the error of each band, its stated half width, and the oracle's [kn], shape (B,) each."""
    asked = (trial.runs, trial.band_rpm, trial.line_heading_deg, trial.runs.mid_h[:1])
    fit, known = fit_current(*asked, model), fit_current(*asked, trial.oracle)
    return fit.speed_kn - trial.speed_kn, half_width_kn(fit), half_width_kn(known)


def print_tables(trials: int, model: CurrentModel | None = None, *, has_heading: bool = True) -> None:
    """Print coverage and the median width against the oracle's for every scatter, number of runs and of bands."""
    whole: list[tuple[FloatArray, ...]] = []
    for bands in BANDS:
        for runs_a_band in RUNS_A_BAND:
            cells = []
            for scatter_kn in SCATTERS_KN:
                found = []
                for seed in range(trials):
                    rng = np.random.default_rng([seed, bands, runs_a_band, round(1000 * scatter_kn)])
                    trial = draw_trial(rng, scatter_kn, bands, runs_a_band, has_heading=has_heading)
                    found.append(try_trial(trial, model))
                error, half, oracle = (np.concatenate(x) for x in zip(*found, strict=True))
                whole.append((error, half, oracle))
                inside = 100.0 * np.mean(np.abs(error) <= half)
                cells.append(f"{inside:5.1f} {np.median(half) / np.median(oracle):4.2f} {np.median(half):4.2f}")
            print(f"{bands} bands, {runs_a_band} runs:  " + "  |  ".join(cells), flush=True)
    # every design weighs alike, whatever its number of bands
    inside = 100.0 * np.mean([np.mean(np.abs(e) <= h) for e, h, _ in whole])
    ratio = np.median(np.concatenate([h / o for _, h, o in whole]))
    print(f"all: {inside:.1f} % inside, median width {ratio:.2f} of the oracle's")


if __name__ == "__main__":
    print_tables(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
