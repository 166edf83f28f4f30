"""All results of a trial: segments and samples in; band table, legs, findings and warnings out.

A warning is one entry a cause, naming the bands it concerns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.buffers import empty_table
from trialcapture.config import Config, Engine
from trialcapture.measure.acceleration import measure_acceleration
from trialcapture.measure.circumstances import (
    Circumstances,
    Mark,
    ReadSamples,
    TrialSamples,
    find_circumstances,
    find_receiver_lag,
)
from trialcapture.measure.planing import measure_planing
from trialcapture.measure.repeated_step import compare_repeats, repeat_warnings
from trialcapture.measure.steady_bands import NO_BANDS, measure_steady_bands
from trialcapture.measure.stopping import measure_stops
from trialcapture.measure.trim_sweep import measure_trim_sweeps
from trialcapture.measure.turning import measure_turns
from trialcapture.reduce.bands import join_names
from trialcapture.reduce.budget import budget_entries, describe_statistics
from trialcapture.reduce.conditions import load_sheet, sea_warnings, size_warnings
from trialcapture.reduce.current_evidence import describe_current, describe_still_air, no_current
from trialcapture.reduce.engine_checks import check_rated_rpm, plausibility_lines, usable_fuel_l
from trialcapture.reduce.reduction import GatheredLegs, Reduction, bands_table, legs_table, reduce_segments
from trialcapture.reduce.runs import IntArray, Legs
from trialcapture.reduce.summary import (
    SCHEMA_VERSION,
    BandStandardErrors,
    BoatStatement,
    CurrentEvidence,
    EngineStatement,
    Findings,
    FuelCheck,
    FuelStatement,
    LoadSheet,
    Measured,
    StandardErrors,
    StillAir,
    TrialStatement,
    TrialStatistics,
    TrialWarning,
)
from trialcapture.reduce.tables import BAND_FLAGS, BANDS_SCHEMA, LEGS_SCHEMA, quantity, warn
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


Measure = Callable[[Circumstances, TrialSamples], tuple[Measured, ...]]
MEASURES: tuple[Measure, ...] = (measure_acceleration, measure_stops, measure_turns, measure_trim_sweeps)
"""Results beside the bands and the planing threshold, in the order they are told."""


def measure_manoeuvres(circumstances: Circumstances, trial: TrialSamples) -> tuple[Measured, ...]:
    """Return the results beside the bands and the planing threshold.

    Args:
        circumstances: What they are measured under; how late the receiver's speed follows is found here.
        trial: Samples.
    """
    found = replace(circumstances, lag=find_receiver_lag(trial))
    return tuple(result for measure in MEASURES for result in measure(found, trial))


@dataclass(frozen=True, slots=True)
class TrialParts:
    """How the costly parts of a trial's results are made.

    Attributes:
        reduce: Reduces segments, as `reduce_segments` does, given the clocks.
        measure: Gives the results beside the bands and the planing threshold.
        are_provisional: The trial goes on, and what is only printed afterwards is left out: what one more run of each
            band would buy, and by how much a step that was run again differs.
    """

    reduce: Callable[[pa.Table, Config, pa.Table | None], tuple[GatheredLegs, Reduction | None]] = reduce_segments
    measure: Measure = measure_manoeuvres
    are_provisional: bool = False


WHOLE = TrialParts()


def measure_trial(
    segments: pa.Table,
    config: Config,
    *,
    clocks: pa.Table | None,
    samples: pa.Table | None,
    session_id: str,
    read_samples: ReadSamples | None = None,
    marks: Sequence[Mark] = (),
    parts: TrialParts = WHOLE,
) -> tuple[pa.Table, pa.Table, Findings]:
    """Reduce a trial to bands and current, and measure everything that rests on them.

    Args:
        segments: Segments of the trial set; only accepted ones are used, as people reviewed them.
        config: Boat, fuel, load, engines, bands, and what counts as reciprocal.
        clocks: Clocks of the trial set, for the alignment term of the budget; None or empty counts nothing.
        samples: A row a second of the trial set, for the highest engine speed, the planing threshold and for finding
            manoeuvres; None does without.
        session_id: Of the trial, for the tables.
        read_samples: Reads the full rate of an episode; None where it is not there.
        marks: Moments people marked.
        parts: How the costly parts are made; of a trial that goes on, what was found before may do.

    Returns:
        Bands (`BANDS_SCHEMA`), legs (`LEGS_SCHEMA`) and the findings. With nothing accepted the tables are empty
        and the findings say so.
    """
    gathered, made = parts.reduce(segments, config, clocks)
    legs, band = gathered.legs, gathered.band
    trial = TrialSamples(samples, read_samples)
    circumstances = replace(find_circumstances(gathered, made, clocks, config), marks=tuple(marks))
    planing = measure_planing(circumstances, trial)
    threshold_kn = None if planing.slowest is None else planing.slowest.speed_kn
    steady = NO_BANDS if made is None else measure_steady_bands(made, circumstances, trial, threshold_kn)
    measured = parts.measure(circumstances, trial)
    repeated = (
        ()
        if made is None
        else compare_repeats(gathered, made, segments, config, clocks, with_differences=not parts.are_provisional)
    )
    load, rated = load_sheet(config), check_rated_rpm(legs, samples, config)
    findings = Findings(
        schema_version=SCHEMA_VERSION,
        boat=_boat(config),
        engines=tuple(_engine(engine) for engine in config.engine),
        trial=TrialStatement(config.trial.title, config.trial.tested_by, config.trial.notes),
        load=load,
        fuel=_fuel(config),
        top_speed=steady.top_speed,
        fastest_seen=steady.fastest_seen,
        economy_planing=steady.economy_planing,
        economy_between=steady.economy_between,
        economy_displacement=steady.economy_displacement,
        economy_overall=steady.economy_overall,
        regimes=steady.regimes,
        slowest_planing_speed=planing.slowest,
        slowest_on_the_plane=steady.slowest_on_the_plane,
        slow_runs=planing.slow_runs,
        rated_rpm_check=rated,
        conditions=circumstances.conditions,
        current=no_current() if made is None else _current(made, with_one_more=not parts.are_provisional),
        still_air=StillAir("", "", ()) if made is None else describe_still_air(
            made.runs, made.weights, made.fit, made.wind, made.bands
        ),
        speed_log=steady.speed_log,
        plausibility=() if made is None else plausibility_lines(
            made.rpm, made.fit.speed_kn, made.quantities.fuel_l_per_h, made.slip_pct, load.displacement_kg, rated,
            config,
        ),
        budgets=() if made is None else budget_entries(made.bands, made.quantities),
        statistics=describe_statistics(legs, band, gathered.bands, config),
        measures=measured,
        warnings=(),
        review=None,
        repeated=repeated,
        cruise=None,
        sound=(),
        remarks=(),
    )  # fmt: skip
    told = [*steady.warnings, *planing.warnings, *(w for m in measured for w in m.warnings)]
    told += repeat_warnings(repeated)
    if made is None:
        warnings = empty_warnings(legs, band, load, config)
    else:
        warnings = trial_warnings(made, findings, told, config)
    warnings += [warn("drifted")] if gathered.has_drifted else []
    findings = replace(findings, warnings=tuple(warnings))
    if made is None:
        return empty_table(BANDS_SCHEMA), empty_table(LEGS_SCHEMA), findings
    return bands_table(made, session_id), legs_table(made, session_id), findings


def _current(made: Reduction, *, with_one_more: bool) -> CurrentEvidence:
    shown_h = made.look_h if made.shows_current else made.look_h[:0]
    return describe_current(
        made.legs,
        made.runs,
        made.sequences,
        made.fit,
        made.methods,
        made.bands,
        shown_h,
        made.quantities.speed,
        made.wind,
        with_one_more=with_one_more,
    )


def _boat(config: Config) -> BoatStatement:
    boat = config.boat
    return BoatStatement(boat.name, boat.length_m, boat.beam_m, boat.draught_m, boat.lightship_kg, boat.planing)


def _engine(engine: Engine) -> EngineStatement:
    return EngineStatement(
        engine.id, engine.model, engine.rated_rpm, engine.rated_kw, engine.gear_ratio, engine.propeller_pitch_m,
        engine.propeller_diameter_m, engine.propeller_blades,
    )  # fmt: skip


def _fuel(config: Config) -> FuelStatement:
    fuel, check = config.fuel, config.fuel.calibration
    return FuelStatement(
        capacity_l=fuel.capacity_l,
        capacity_u_pct=fuel.capacity_u_pct,
        usable_fraction=fuel.usable_fraction,
        usable_u=fuel.usable_u,
        reserve_fraction=fuel.reserve_fraction,
        usable_after_reserve_l=usable_fuel_l(fuel),
        density_kg_per_m3=fuel.density_kg_per_m3,
        calibration=None if check is None else FuelCheck(check.factor, check.origin, check.u_pct),
        uncalibrated_u_pct=fuel.uncalibrated_u_pct if check is None else None,
    )
