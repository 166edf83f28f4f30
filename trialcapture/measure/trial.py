"""All results of a trial on one screen: segments and samples in; band table, legs and findings out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import pyarrow as pa

from trialcapture.buffers import empty_table
from trialcapture.config import Config, Engine
from trialcapture.measure.acceleration import measure_acceleration
from trialcapture.measure.circumstances import Circumstances, Mark, ReadSamples, TrialSamples, find_circumstances
from trialcapture.measure.episode import find_receiver_lag
from trialcapture.measure.planing import measure_planing
from trialcapture.measure.repeated_step import compare_repeats, repeat_warnings
from trialcapture.measure.steady_bands import NO_BANDS, measure_steady_bands
from trialcapture.measure.stopping import measure_stops
from trialcapture.measure.trial_warnings import empty_warnings, trial_warnings
from trialcapture.measure.trim_sweep import measure_trim_sweeps
from trialcapture.measure.turning import measure_turns
from trialcapture.reduce.budget import budget_entries, describe_statistics
from trialcapture.reduce.conditions import load_sheet
from trialcapture.reduce.current_evidence import describe_current, describe_still_air, no_current
from trialcapture.reduce.engine_checks import check_rated_rpm, plausibility_lines
from trialcapture.reduce.fuel import usable_fuel_l
from trialcapture.reduce.reduction import GatheredLegs, Reduction, bands_table, legs_table, reduce_segments
from trialcapture.reduce.summary import (
    SCHEMA_VERSION,
    BoatStatement,
    CurrentEvidence,
    EngineStatement,
    Findings,
    FuelCheck,
    FuelStatement,
    Measured,
    StillAir,
    TrialStatement,
)
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA, warn

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
