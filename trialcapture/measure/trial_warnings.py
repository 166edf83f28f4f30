"""Every warning of a trial: one entry a cause, naming the bands it concerns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from trialcapture.config import Config
from trialcapture.reduce.bands import join_names
from trialcapture.reduce.boat_size import size_warnings
from trialcapture.reduce.conditions import sea_warnings
from trialcapture.reduce.reduction import Reduction
from trialcapture.reduce.runs import IntArray, Legs
from trialcapture.reduce.summary import (
    BandStandardErrors,
    Findings,
    LoadSheet,
    StandardErrors,
    TrialStatistics,
    TrialWarning,
)
from trialcapture.reduce.tables import BAND_FLAGS, quantity, warn
from trialcapture.reduce.uncertainty import BoolArray

SHORT_OF_RATED_PCT = 97.0
"""Below this share of rated rpm the propeller is asked about (common practice, no source)."""
OFFSET_WORTH_TELLING_DEG = 4.0
"""A compass off by less is within what its mounting does (common practice, no source)."""
UNSEEN_TREND_KN, UNSEEN_TREND_SHARE = 0.05, 0.5
"""A change of the current that the runs do not show is told where it adds more than this to a band's standard
uncertainty, and more than this share of it (common practice, no source)."""


def empty_warnings(legs: Legs, band: IntArray, load: LoadSheet, config: Config) -> list[TrialWarning]:
    """Return the warnings of a trial without a band."""
    found = [warn("no-bands")]
    outside = _outside_bands(legs, band)
    if outside:
        found.append(warn("outside-bands", outside))
    if load.missing:
        found.append(warn("load-incomplete", ", ".join(load.missing)))
    return found + _stated_conditions(config)


def trial_warnings(
    made: Reduction, summary: Findings, measured: Sequence[TrialWarning], config: Config
) -> list[TrialWarning]:
    """Return the warnings of a reduced trial: flags of bands first, then what concerns the whole.

    Args:
        made: The reduction.
        summary: Everything else of the summary.
        measured: Warnings of the results.
        config: Settings as used.
    """
    names = [b.name for b in made.bands]
    found = []
    no_fuel = not np.isfinite(made.quantities.fuel_l_per_h).any()
    for code in BAND_FLAGS:
        marked = [name for name, flags in zip(names, made.flags, strict=True) if code in flags]
        if marked:
            where = "all bands" if len(marked) == len(names) else join_names(marked)
            found.append(warn(code, where))
    found += _heading_warnings(made)
    found += _statistics_warnings(summary.statistics)
    if not np.isfinite(made.froude).any():
        found.append(warn("no-depth"))
    if not no_fuel and config.fuel.calibration is None:
        found.append(warn("fuel-uncalibrated", "", f"±{2 * config.fuel.uncalibrated_u_pct:g} % is taken (k=2)."))
    if not no_fuel and config.fuel.capacity_l is None:
        found.append(warn("capacity-unknown"))
    missing = summary.load.missing
    if missing:
        found.append(warn("load-incomplete", ", ".join(missing)))
    found += _engine_warnings(summary)
    found += measured
    found += _tide_warnings(made, made.two_ways, names)
    found += _settling_warnings(made)
    speed = made.fit.speed_kn
    falling = [n for n, v in (("speed", speed), ("fuel", made.quantities.fuel_l_per_h)) if _falls(v, made.rpm)]
    if falling:
        found.append(warn("not-monotonic", ", ".join(falling)))
    outside = _outside_bands(made.legs, made.band)
    if outside:
        found.append(warn("outside-bands", outside))
    if not no_fuel and config.trial.generator_running is None:
        found.append(warn("generator-unknown"))
    return found + _stated_conditions(config)


def _tide_warnings(made: Reduction, two_ways: BoolArray, names: list[str]) -> list[TrialWarning]:
    unseen = made.fit.unseen_trend_u_kn
    told = two_ways & (unseen > UNSEEN_TREND_KN) & (unseen > UNSEEN_TREND_SHARE * made.quantities.speed.u)
    if not told.any():
        return []
    bands = join_names([name for name, wide in zip(names, told, strict=True) if wide])
    return [warn("tide-not-told", bands, f"It is up to ±{2.0 * unseen[told].max():.2f} kn of the ±.")]


def _settling_warnings(made: Reduction) -> list[TrialWarning]:
    settling = made.settling
    if not settling.is_clear or settling.longer_s <= 0.0:
        return []
    most = quantity(float(np.abs(settling.left_kn).max()), "kn", ".2f")
    # no hold is timed more finely than by ten seconds
    longer = quantity(10.0 * np.ceil(settling.longer_s / 10.0), "s", ".0f")
    said = f"Up to {most.text} is left in a band; wait {longer.text} longer before each run."
    return [warn("not-settled", "", said, (most, longer))]


def _heading_warnings(made: Reduction) -> list[TrialWarning]:
    runs, fit = made.runs, made.fit
    found = [] if np.isfinite(made.rpm).any() else [warn("no-rpm")]
    if made.heading_note:
        return [*found, warn("heading-not-usable", "", made.heading_note)]
    if not np.isfinite(runs.heading_deg).any():
        return [*found, warn("no-heading")]
    if abs(fit.heading_offset_deg) > max(OFFSET_WORTH_TELLING_DEG, 3.0 * fit.heading_offset_u_deg):
        found.append(warn("heading-offset", "", f"True minus shown: {fit.heading_offset_deg:+.1f}°."))
    return found


def _statistics_warnings(statistics: TrialStatistics) -> list[TrialWarning]:
    found = []
    if statistics.values_left_out:
        found.append(warn("outliers-left-out", "", f"They are {statistics.values_left_out} single values."))
    compared = statistics.standard_errors
    apart = [e for e in compared.bands if not e.agree]
    if apart:
        told = "; ".join(_both_errors(e) for e in apart)
        found.append(warn("standard-errors-differ", join_names([e.band_name for e in apart]), f"{told}."))
    elif compared.all is not None and not compared.all.agree:
        found.append(warn("standard-errors-differ", "all legs together", f"{_both_errors(compared.all)}."))
    return found


def _both_errors(found: StandardErrors | BandStandardErrors) -> str:
    return f"{found.blocking_u_kn:.3f} against {found.n_eff_u_kn:.3f} kn"


def _engine_warnings(summary: Findings) -> list[TrialWarning]:
    found = []
    for check in summary.rated_rpm_check:
        if check.pct is not None and check.pct < SHORT_OF_RATED_PCT:
            reached = f"{check.reached_rpm:.0f} of {check.rated_rpm:.0f} rpm: {check.verdict}."
            found.append(warn("no-full-throttle", f"engine {check.engine}", reached))
    for line in summary.plausibility:
        if line.ok is False and line.usual is not None:
            low, high = line.usual
            said = (
                quantity(line.value, line.unit, ".3g"),
                quantity(low, line.unit, "g"),
                quantity(high, line.unit, "g"),
            )
            text = f"It is {said[0].text}, usual is {said[1].text} to {said[2].text}."
            found.append(warn("implausible", line.name, text, said))
    return found


def _stated_conditions(config: Config) -> list[TrialWarning]:
    found = sea_warnings(config) + size_warnings(config)
    if config.trial.generator_running:
        found.append(warn("generator"))
    return found


def _outside_bands(legs: Legs, band: IntArray) -> str:
    rpm = legs.values["rpm_mean"]
    held = sorted({round(float(x), -1) for x in rpm[(band < 0) & np.isfinite(rpm)]})
    unknown = int(np.sum((band < 0) & ~np.isfinite(rpm)))
    parts = [f"held at {', '.join(f'{x:.0f}' for x in held)} rpm"] if held else []
    return "; ".join(parts + ([f"{unknown} without engine speed"] if unknown else []))


def _falls(values: Any, rpm: Any) -> bool:
    known = np.isfinite(values) & np.isfinite(rpm)
    return bool(np.any(np.diff(values[known]) < 0))
