"""The whole reduction on one screen: accepted segments in, band table, legs and summary out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pyarrow as pa

from trialcapture.buffers import empty_table, table_of
from trialcapture.config import Config
from trialcapture.reduce.band_values import balance_ways, band_means, reduce_fuel
from trialcapture.reduce.bands import Band, assign_without_rpm
from trialcapture.reduce.budget import combined, engine_rounding_u, opposed_share, speed_terms
from trialcapture.reduce.conditions import condition_flags, leg_depth_froude
from trialcapture.reduce.current_evidence import (
    THIRD_RUN_KN,
    UNKNOWN_ABOVE_KN,
    band_current,
    compare_methods,
    describe_sequences,
    find_outlying,
    look_times_h,
)
from trialcapture.reduce.drifts import Drifts, find_drifts, no_drifts, refuse_drifting
from trialcapture.reduce.engines import band_slip_pct, none_if_nan
from trialcapture.reduce.findings import empty_findings, make_findings
from trialcapture.reduce.flags import BAND_FLAGS, warn
from trialcapture.reduce.fuel import economy_nm_per_l, usable_fuel_l
from trialcapture.reduce.legs import NS_PER_H, IntArray, Legs, select_legs
from trialcapture.reduce.pairs import find_line_headings, find_sequences
from trialcapture.reduce.reduction import Reduction
from trialcapture.reduce.refused_returns import refused_return_u_kn, select_refused
from trialcapture.reduce.relabel import assign_relabelled
from trialcapture.reduce.runs import Runs, drop_unusable_heading, merge_runs
from trialcapture.reduce.slow_runs import SLOW_LOOKS, SlowRun, find_slow_runs
from trialcapture.reduce.statistics import FloatArray, weighted_mean
from trialcapture.reduce.summary import Findings
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA, iso_utc
from trialcapture.reduce.vectorfit import fit_current

COARSE_PCT = 10.0
"""An economy that rounding leaves more uncertain than this (k=2) is told (common practice, no source)."""


def reduce_trial(
    segments: pa.Table, config: Config, *, clocks: pa.Table | None, samples: pa.Table | None
) -> tuple[pa.Table, pa.Table, Findings]:
    """Reduce a trial: one row an RPM band, with the current removed and every uncertainty stated.

    Args:
        segments: Segments of the trial set; only accepted ones are used, as people reviewed them.
        config: Boat, fuel, load, engines, bands, and what counts as reciprocal.
        clocks: Clocks of the trial set, for the alignment term of the budget; None or empty counts nothing.
        samples: Samples of the trial set, for the highest engine speed and the planing threshold; None does without.

    Returns:
        Bands (`BANDS_SCHEMA`), legs (`LEGS_SCHEMA`) and the findings. With nothing accepted the tables are empty
        and the findings say so.
    """
    legs = select_legs(segments, config.engine_ids)
    rpm = legs["values"]["rpm_mean"]
    label = legs["values"]["relabelled_rpm"]
    has_rpm = bool(np.isfinite(rpm).any())
    band, bands = assign_relabelled(rpm, label, config.bands) if has_rpm else assign_without_rpm(legs, config.steady)
    if not bands:
        return empty_table(BANDS_SCHEMA), empty_table(LEGS_SCHEMA), empty_findings(legs, band, samples, config)
    refused = select_refused(segments, config.engine_ids)
    drifts = find_drifts(segments, legs, config)
    made = _reduce(legs, refused, drifts, band, bands, config, clocks, samples)
    two_ways = np.isin(np.arange(len(bands)), [s["band"] for s in made["sequences"] if s["weights"] is not None])
    driven = refuse_drifting(
        segments, legs, band, made["rpm"], made["fit"]["speed_kn"], made["speed_u"], two_ways, config
    )
    if driven is not None:
        bands_table, legs_table, found = reduce_trial(driven, config, clocks=clocks, samples=samples)
        return bands_table, legs_table, replace(found, warnings=(*found.warnings, warn("drifted")))
    return _bands_table(made, config), _legs_table(made), make_findings(made, samples, config)


def _reduce(
    legs: Legs,
    refused: Legs,
    drifts: Drifts,
    band: IntArray,
    bands: list[Band],
    config: Config,
    clocks: pa.Table | None,
    samples: pa.Table | None,
) -> Reduction:
    runs, heading_note = drop_unusable_heading(merge_runs(legs, band, config.steady.reciprocal_deg))
    sequences = find_sequences(runs, config.steady)
    weights = balance_ways(runs, sequences, len(bands))
    rpm = band_means(weights, runs["rpm"])
    look_h = look_times_h(runs)
    slow_runs = find_slow_runs(samples, config.engine_ids)
    slow_h = [_look_h(run, legs) for run in slow_runs]
    lines = find_line_headings(runs, sequences)
    if drifts["mid_h"].size == 1 and not any(s["weights"] is not None for s in sequences):
        # a single drift, with no pair of runs that it could be held against, shows nothing that anything confirms
        drifts = no_drifts()
    shows_current = bool(np.isfinite(rpm).any()) or bool(np.isfinite(lines).any())
    # with nothing to tell speed from current, a compass a little off the course would be taken for a strong one
    asked = runs if shows_current else cast(Runs, {**runs, "heading_deg": lines})
    fit = fit_current(asked, rpm, lines, np.concatenate([look_h, *slow_h]), drifts=drifts)
    bands = _named(bands, band, legs, fit["speed_kn"])
    outlying = find_outlying(fit)
    terms = speed_terms(fit, runs, weights, lines, legs, clocks, outlying)
    terms["run back refused"] = refused_return_u_kn(refused, legs, runs, sequences, fit["speed_kn"], rpm, config.steady)
    speed_u = combined(terms)
    fuel_rounding, each_run = (
        engine_rounding_u(legs, runs, shares, config.engine_ids, "fuel_l_per_h")
        for shares in (weights, np.eye(len(runs["members"])))
    )
    fuel = reduce_fuel(runs, weights, rpm, config.fuel, fuel_rounding, each_run)
    rpm_u = engine_rounding_u(legs, runs, weights, config.engine_ids, "rpm") / max(len(config.engine_ids), 1)
    rate, rate_u = fuel["rate_l_per_h"], fuel["u_l_per_h"]
    opposed = opposed_share(fit["speed_kn"], terms, rate, fuel["terms_u_l_per_h"])
    economy, economy_u = economy_nm_per_l(fit["speed_kn"], speed_u, rate, rate_u, opposed)
    through = np.full(band.size, np.nan)
    for k, members in enumerate(runs["members"]):
        through[members] = fit["along_kn"][k]
    froude = leg_depth_froude(legs, through)
    methods = compare_methods(sequences, fit, bands)
    by_engine = {e: _engine_rpm(legs, runs, weights, e) for e in config.engine_ids}
    slips = [
        band_slip_pct(speed, {e: float(rpms[b]) for e, rpms in by_engine.items()}, config)
        for b, speed in enumerate(fit["speed_kn"])
    ]
    made: Reduction = {
        "legs": legs, "band": band, "bands": bands, "runs": runs, "heading_note": heading_note, "sequences": sequences,
        "weights": weights, "rpm": rpm, "rpm_u": rpm_u, "look_h": look_h, "slow_runs": slow_runs, "fit": fit,
        "terms": terms, "speed_u": speed_u, "fuel": fuel,
        "economy": economy, "economy_u": economy_u, "slip_pct": np.array(slips), "froude": froude, "methods": methods,
        "shows_current": shows_current,
        "flags": [],
    }  # fmt: skip
    made["flags"] = [_band_flags(made, b, outlying, config) for b in range(len(bands))]
    return made


def _named(bands: list[Band], band: IntArray, legs: Legs, speed_kn: FloatArray) -> list[Band]:
    """Return the bands with names: those of unknown engine speed after their speed and when they were first held."""
    started = [iso_utc(int(legs["start_ns"][band == b].min())) for b in range(len(bands))]
    minutes = [f"{v:.1f} kn {t[11:16]}" for v, t in zip(speed_kn, started, strict=True)]
    # two rows of one speed within one minute are told apart by the second
    own = [n if minutes.count(n) == 1 else n + t[16:19] for n, t in zip(minutes, started, strict=True)]
    return [{**limits, "name": limits["name"] or name} for limits, name in zip(bands, own, strict=True)]


def _look_h(run: SlowRun, legs: Legs) -> FloatArray:
    first, last = (run["t_ns"][[0, -1]] - legs["t0_ns"]) / NS_PER_H
    return np.linspace(float(first), float(last), SLOW_LOOKS)


def _engine_rpm(legs: Legs, runs: Runs, weights: FloatArray, engine_id: str) -> FloatArray:
    values, duration = legs["values"][f"rpm_{engine_id}_mean"], legs["values"]["duration_s"]
    return band_means(weights, np.array([weighted_mean(values[m], duration[m]) for m in runs["members"]]))


def _band_flags(made: Reduction, band: int, outlying: list[int], config: Config) -> list[str]:
    """Return the flags of one band in the order of `BAND_FLAGS`."""
    runs, fit = made["runs"], made["fit"]
    own = [s for s in made["sequences"] if s["band"] == band]
    complete = [s for s in own if s["weights"] is not None]
    members = np.flatnonzero(made["band"] == band).tolist()
    flags = condition_flags(made["legs"], members, float(fit["speed_kn"][band]), made["froude"], config)
    if not complete:
        known = made["shows_current"] and fit["terms_u_kn"]["current"][band] <= UNKNOWN_ABOVE_KN
        flags += ["one-way", "current-from-other-bands" if known else "current-unknown"]
    if any(not s["in_time"] for s in complete):
        flags.append("late-reciprocal")
    if any(s["rpm_difference_pct"] > config.steady.reciprocal_rpm_pct for s in own):
        flags.append("rpm-mismatch")
    if band in made["methods"] and not made["methods"][band].agree:
        flags.append("methods-disagree")
    if any(runs["band"][k] == band for k in outlying):
        flags.append("outlying-leg")
    shown, _ = describe_sequences(made["legs"], runs, complete, fit, made["bands"])
    if any(s.method == "double run" and s.expected_error_kn > THIRD_RUN_KN for s in shown):
        flags.append("third-run-advised")
    limits = made["bands"][band]
    if not config.bands.is_automatic and np.isfinite(limits["band_rpm"]) and not limits["declared"]:
        flags.append("undeclared-step")
    if not np.isfinite(made["fuel"]["rate_l_per_h"][band]):
        flags.append("no-fuel")
    if _is_coarse(made, band):
        flags.append("coarse-readings")
    return [f for f in BAND_FLAGS if f in flags]


def _is_coarse(made: Reduction, band: int) -> bool:
    """Return whether rounding of readings makes a band's economy uncertain by more than `COARSE_PCT`."""
    nothing = np.zeros(made["rpm"].size)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed_share = made["terms"].get("rounding", nothing) / made["fit"]["speed_kn"]
        fuel_share = made["fuel"]["terms_u_l_per_h"].get("rounding", nothing) / made["fuel"]["rate_l_per_h"]
    rounding = float(np.hypot(speed_share, fuel_share)[band])
    whole = float(made["economy_u"][band] / made["economy"][band])
    limit = COARSE_PCT / 100.0 / 2.0
    # by itself, or because without it the limit would have been kept
    return rounding > 0.0 and (rounding > limit or whole > limit >= np.sqrt(max(whole**2 - rounding**2, 0.0)))


def _bands_table(made: Reduction, config: Config) -> pa.Table:
    runs, fit, fuel = made["runs"], made["fit"], made["fuel"]
    stw = band_means(made["weights"], runs["stw_kn"])
    usable_l = usable_fuel_l(config.fuel)
    usable_l = np.nan if usable_l is None else usable_l
    rows = []
    for b, limits in enumerate(made["bands"]):
        current, towards = band_current(runs, fit, b) if made["shows_current"] else (np.nan, np.nan)
        froude = made["froude"][made["band"] == b]
        two_ways = any(s["band"] == b and s["weights"] is not None for s in made["sequences"])
        numbers = {
            "band_rpm": limits["band_rpm"], "rpm_low": limits["low_rpm"], "rpm_high": limits["high_rpm"],
            "rpm_mean": made["rpm"][b], "speed_kn": fit["speed_kn"][b], "speed_u_kn": made["speed_u"][b],
            "stw_kn": stw[b], "current_kn": current, "current_towards_deg": towards,
            "fuel_l_per_h": fuel["rate_l_per_h"][b], "fuel_u_l_per_h": fuel["u_l_per_h"][b],
            "economy_nm_per_l": made["economy"][b], "economy_u_nm_per_l": made["economy_u"][b],
            "range_nm": usable_l * made["economy"][b], "range_u_nm": usable_l * made["economy_u"][b],
            "slip_pct": made["slip_pct"][b],
            "depth_froude_max": np.nanmax(froude) if np.isfinite(froude).any() else np.nan,
        }  # fmt: skip
        row: dict[str, Any] = {name: none_if_nan(float(x)) for name, x in numbers.items()}
        row["legs"] = int(np.sum(made["band"] == b))
        row["ways"] = 2 if two_ways else 1
        row["flags"] = ";".join(made["flags"][b])
        row["band_name"] = limits["name"]
        row["rpm_u"] = none_if_nan(float(made["rpm_u"][b])) if np.isfinite(made["rpm"][b]) else None
        rows.append(row)
    return table_of(rows, BANDS_SCHEMA)


def _legs_table(made: Reduction) -> pa.Table:
    legs, runs, fit, values = made["legs"], made["runs"], made["fit"], made["legs"]["values"]
    heading = np.where(np.isfinite(runs["heading_deg"]), runs["heading_deg"], runs["cog_deg"])
    ahead = np.column_stack([np.cos(np.radians(heading)), np.sin(np.radians(heading))])
    along = np.sum(fit["run_current_kn"] * ahead, axis=1)
    place = {
        k: (n, int(w)) for n, s in enumerate(made["sequences"], 1) for k, w in zip(s["runs"], s["sign"], strict=True)
    }
    rows = []
    for k, members in enumerate(runs["members"]):
        b = int(runs["band"][k])
        for leg in members:
            numbers = {name: values[name][leg] for name in LEGS_SCHEMA.names if name in values} | {
                "band_rpm": made["bands"][b]["band_rpm"],
                "through_water_kn": fit["along_kn"][k],
                "current_along_kn": along[k],
                "residual_kn": fit["residual_kn"][k],
                "weight": made["weights"][b, k],
                "depth_froude": made["froude"][leg],
            }
            row: dict[str, Any] = {name: none_if_nan(float(x)) for name, x in numbers.items()}
            row |= {
                "segment_id": int(legs["segment_id"][leg]),
                "run": k + 1,
                "sequence": place[k][0],
                "way": place[k][1],
                "start": int(legs["start_ns"][leg]),
                "stop": int(legs["stop_ns"][leg]),
                "trim": legs["trim"][leg],
                "band_name": made["bands"][b]["name"],
            }
            rows.append(row)
    return table_of(rows, LEGS_SCHEMA)
