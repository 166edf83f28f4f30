"""The findings of a reduction: the answers, the conditions, the evidence on the current, and every warning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa

from trialcapture.config import Config
from trialcapture.reduce.bands import band_key
from trialcapture.reduce.best_points import best_economy, slowest_on_the_plane, top_speed
from trialcapture.reduce.budget import budget_entries
from trialcapture.reduce.conditions import trial_conditions
from trialcapture.reduce.current_evidence import describe_current, no_current
from trialcapture.reduce.engines import check_rated_rpm, plausibility_lines
from trialcapture.reduce.fuel import usable_fuel_l
from trialcapture.reduce.legs import IntArray, Legs
from trialcapture.reduce.load import load_sheet
from trialcapture.reduce.planing import find_slowest_planing, judge_slow_runs
from trialcapture.reduce.reduction import Reduction
from trialcapture.reduce.regime import find_regimes, froude_numbers, is_past_hump
from trialcapture.reduce.slow_runs import SLOW_LOOKS
from trialcapture.reduce.speed_log import calibrate_log
from trialcapture.reduce.standard_errors import describe_statistics
from trialcapture.reduce.summary import (
    SCHEMA_VERSION,
    BandRegime,
    BoatStatement,
    Findings,
    FuelCheck,
    FuelStatement,
    JudgedSlowRun,
    Regimes,
)
from trialcapture.reduce.trial_warnings import empty_warnings, trial_warnings


def empty_findings(legs: Legs, band: IntArray, samples: pa.Table | None, config: Config) -> Findings:
    """Return the findings of a trial without a band; its warnings say why there is none."""
    load = load_sheet(config)
    return Findings(
        schema_version=SCHEMA_VERSION,
        boat=_boat(config),
        load=load,
        fuel=_fuel(config),
        top_speed=None,
        fastest_seen=None,
        economy_planing=None,
        economy_displacement=None,
        economy_overall=None,
        regimes=Regimes("", ()),
        slowest_planing_speed=None,
        slowest_on_the_plane=None,
        slow_runs=(),
        rated_rpm_check=check_rated_rpm(legs, samples, config),
        conditions=trial_conditions(legs, config),
        current=no_current(),
        speed_log=None,
        plausibility=(),
        budgets=(),
        statistics=describe_statistics(legs, band, [], config),
        warnings=tuple(empty_warnings(legs, band, load, config)),
        review=None,
    )


def make_findings(made: Reduction, samples: pa.Table | None, config: Config) -> Findings:
    """Return the findings of a reduced trial.

    Args:
        made: The reduction.
        samples: Samples of the trial set, or None.
        config: Settings as used.
    """
    legs, runs, fit = made["legs"], made["runs"], made["fit"]
    two_ways = np.zeros(len(made["bands"]), dtype=np.bool_)
    two_ways[[s["band"] for s in made["sequences"] if s["weights"] is not None]] = True
    load = load_sheet(config)
    conditions = trial_conditions(legs, config)
    volume = load.displacement_kg and load.displacement_kg / conditions.water_density_kg_per_m3
    regimes, judged_by = find_regimes(
        made["rpm"],
        fit["speed_kn"],
        planing_hull=config.boat.planing,
        volume_m3=volume,
        length_m=config.boat.length_m,
    )
    rated = check_rated_rpm(legs, samples, config)
    slow_runs = _judge_slow_runs(made, config)
    is_planing = np.array([r == "planing" for r in regimes])
    is_displacing = np.array([r == "displacement" for r in regimes])
    is_past = is_planing & is_past_hump(fit["speed_kn"], volume, config.boat.length_m)
    fastest, seen = top_speed(made, two_ways, samples, config)
    shown_h = made["look_h"] if made["shows_current"] else made["look_h"][:0]
    findings = Findings(
        schema_version=SCHEMA_VERSION,
        boat=_boat(config),
        load=load,
        fuel=_fuel(config),
        top_speed=fastest,
        fastest_seen=seen,
        economy_planing=best_economy(made, is_planing, two_ways, config),
        economy_displacement=best_economy(made, is_displacing, two_ways, config),
        economy_overall=best_economy(made, np.ones(two_ways.size, dtype=np.bool_), two_ways, config),
        regimes=Regimes(
            judged_by,
            tuple(
                BandRegime(**band_key(band), regime=regime, volumetric_froude=by_volume, length_froude=by_length)
                for band, regime, (by_volume, by_length) in zip(
                    made["bands"],
                    regimes,
                    [froude_numbers(float(v), volume, config.boat.length_m) for v in fit["speed_kn"]],
                    strict=True,
                )
            ),
        ),
        slowest_planing_speed=find_slowest_planing(slow_runs),
        slowest_on_the_plane=slowest_on_the_plane(made, is_past, two_ways),
        slow_runs=slow_runs,
        rated_rpm_check=rated,
        conditions=conditions,
        current=describe_current(legs, runs, made["sequences"], fit, made["methods"], made["bands"], shown_h),
        speed_log=calibrate_log(made, two_ways),
        plausibility=plausibility_lines(
            made["rpm"], fit["speed_kn"], made["fuel"]["rate_l_per_h"], made["slip_pct"], load.displacement_kg, rated,
            config,
        ),
        budgets=budget_entries(made["bands"], made["terms"], made["fuel"]["terms_u_l_per_h"]),
        statistics=describe_statistics(legs, made["band"], made["bands"], config),
        warnings=(),
        review=None,
    )  # fmt: skip
    return replace(findings, warnings=tuple(trial_warnings(made, findings, two_ways, config)))


def _boat(config: Config) -> BoatStatement:
    boat = config.boat
    return BoatStatement(boat.name, boat.length_m, boat.beam_m, boat.draught_m, boat.lightship_kg, boat.planing)


def _fuel(config: Config) -> FuelStatement:
    fuel, check = config.fuel, config.fuel.calibration
    return FuelStatement(
        capacity_l=fuel.capacity_l,
        usable_fraction=fuel.usable_fraction,
        reserve_fraction=fuel.reserve_fraction,
        usable_after_reserve_l=usable_fuel_l(fuel),
        density_kg_per_m3=fuel.density_kg_per_m3,
        calibration=None if check is None else FuelCheck(check.factor, check.origin, check.u_pct),
        uncalibrated_u_pct=fuel.uncalibrated_u_pct if check is None else None,
    )


def _judge_slow_runs(made: Reduction, config: Config) -> tuple[JudgedSlowRun, ...]:
    """Take the fitted current out of the slow runs and look for the planing threshold in them."""
    currents, us = [], []
    at = made["look_h"].size
    for run in made["slow_runs"]:
        looks = slice(at, at + SLOW_LOOKS)
        at += SLOW_LOOKS
        asked_ns = np.linspace(run["t_ns"][0], run["t_ns"][-1], SLOW_LOOKS)
        known = made["fit"]["current_kn"][looks]
        currents.append(np.column_stack([np.interp(run["t_ns"], asked_ns, known[:, axis]) for axis in (0, 1)]))
        course = np.nanmean(run["ground_kn"], axis=0)
        course /= max(float(np.hypot(*course)), 1e-9)
        us.append(float(np.sqrt(course @ made["fit"]["current_cov"][looks].mean(axis=0) @ course)))
    return judge_slow_runs(made["slow_runs"], currents, us, made["legs"], config)
