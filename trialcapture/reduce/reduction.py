"""The whole reduction: accepted segments in; bands, current and uncertainties out, and their tables; and its review.

Where people reviewed stretches, the reviewed result stands beside the automatic one, band by band.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
import pyarrow as pa

from trialcapture.buffers import column_of, table_of
from trialcapture.config import Config
from trialcapture.prepare.steady.segment_review import ReviewEntry, review_segments, without_review
from trialcapture.reduce.bands import (
    Band,
    FuelValues,
    assign_relabelled,
    assign_without_rpm,
    balance_ways,
    band_means,
    join_names,
    reduce_fuel,
)
from trialcapture.reduce.budget import (
    BandQuantities,
    Settling,
    economy_budget,
    engine_rounding_u,
    find_settling,
    range_budget,
    refused_return_u_kn,
    resistance_terms,
    select_refused,
    speed_budget,
    tachometer_share,
    tachometer_terms,
)
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
from trialcapture.reduce.engine_checks import band_slip_pct, economy_nm_per_l, none_if_nan, usable_fuel_l
from trialcapture.reduce.runs import (
    IntArray,
    Legs,
    Runs,
    RunSequence,
    RunWind,
    drop_unusable_heading,
    find_drifts,
    find_line_headings,
    find_sequences,
    find_wind,
    merge_runs,
    no_drifts,
    refuse_drifting,
    select_legs,
)
from trialcapture.reduce.summary import (
    AutomaticAnswers,
    BandComparison,
    ComparedBand,
    Findings,
    MethodComparison,
    ReviewChange,
    ReviewComparison,
    TrialWarning,
)
from trialcapture.reduce.tables import BAND_FLAGS, BANDS_SCHEMA, LEGS_SCHEMA, QUANTITY_COLUMNS, iso_utc, warn
from trialcapture.reduce.uncertainty import BoolArray, Budget, FloatArray, weighted_mean
from trialcapture.reduce.vectorfit import (
    CurrentModel,
    CurrentOverTime,
    VectorFit,
    fit_current,
    limit_current,
    speed_power,
)

COARSE_PCT = 10.0
"""An economy that rounding leaves more uncertain than this (k=2) is told (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class GatheredLegs:
    """The accepted segments and which band each belongs to.

    Attributes:
        legs: The segments.
        band: Band of each; negative for none, shape (n,).
        bands: The bands, ascending.
        has_drifted: Whether segments were left out that only moved with the current.
    """

    legs: Legs
    band: IntArray
    bands: list[Band]
    has_drifted: bool


@dataclass(frozen=True, slots=True)
class Reduction:
    """Everything the tables and the results are made from; B bands, n runs, uncertainties k=1.

    Attributes:
        legs: The accepted segments.
        band: Band of each; negative for none.
        bands: The bands, ascending.
        runs: Passes in one direction.
        heading_note: Why the heading was not used; "" where it was.
        sequences: Which runs are reciprocal.
        two_ways: True for bands run both ways, shape (B,).
        weights: Share of each run in its band's means, shape (B, n).
        rpm, rpm_u: Mean engine speed, and what rounding leaves open in it, shape (B,).
        wind: Wind at the runs, as the fit took it.
        look_h: Times at which the fitted current is shown [h since the first leg].
        fit: Band speeds and current.
        settling: What is left of the approach to the speeds.
        quantities: Speed through water, fuel rate, economy and range of each band, with their budgets.
        slip_pct, slip_u_pct: Apparent slip, shape (B,).
        froude: Depth Froude number of each leg.
        methods: Classical result beside the fit, by number of the band.
        shows_current: False where nothing tells the current: no engine speed, and no runs both ways.
        flags: Of each band.
    """

    legs: Legs
    band: IntArray
    bands: list[Band]
    runs: Runs
    heading_note: str
    sequences: list[RunSequence]
    two_ways: BoolArray
    weights: FloatArray
    rpm: FloatArray
    rpm_u: FloatArray
    wind: RunWind
    look_h: FloatArray
    fit: VectorFit
    settling: Settling
    quantities: BandQuantities
    slip_pct: FloatArray
    slip_u_pct: FloatArray
    froude: FloatArray
    methods: dict[int, MethodComparison]
    shows_current: bool
    flags: list[list[str]]


def reduce_segments(
    segments: pa.Table, config: Config, clocks: pa.Table | None
) -> tuple[GatheredLegs, Reduction | None]:
    """Reduce the accepted segments: bands with the current removed and every uncertainty stated.

    Segments that turn out to have only moved with the current are refused, and the rest is reduced again.

    Args:
        segments: Segments of the trial set; only accepted ones are used, as people reviewed them.
        config: Boat, fuel, engines, bands, and what counts as reciprocal.
        clocks: Clocks of the trial set, for the alignment term of the budget; None or empty counts nothing.

    Returns:
        The legs, and the reduction; None where no band is left.
    """
    has_drifted = False
    while True:
        legs = select_legs(segments, config.engine_ids)
        rpm, label = legs.values["rpm_mean"], legs.values["relabelled_rpm"]
        has_rpm = bool(np.isfinite(rpm).any())
        band, bands = (
            assign_relabelled(rpm, label, config.bands) if has_rpm else assign_without_rpm(legs, config.steady)
        )
        gathered = GatheredLegs(legs, band, bands, has_drifted)
        if not bands:
            return gathered, None
        made = reduce_gathered(gathered, segments, config, clocks)
        driven = refuse_drifting(
            segments, legs, band, made.rpm, made.fit.speed_kn, made.quantities.speed.u, made.two_ways, config
        )
        if driven is None:
            return gathered, made
        segments, has_drifted = driven, True


def reduce_gathered(
    gathered: GatheredLegs,
    segments: pa.Table,
    config: Config,
    clocks: pa.Table | None,
    former: CurrentOverTime | None = None,
) -> Reduction:
    """Reduce legs by the bands they have been put in.

    Args:
        gathered: The legs; at least one in a band, and no band without a leg.
        segments: They were chosen from; the refused ones tell of drifts and of runs back that failed.
        config: Settings as used.
        clocks: Clocks of the trial set; None or empty counts nothing.
        former: The current by a reduction of the same legs in other bands, see `fit_current`.
    """
    legs, band, bands = gathered.legs, gathered.band, gathered.bands
    refused = select_refused(segments, config.engine_ids)
    drifts = find_drifts(segments, legs, config)
    runs, heading_note = drop_unusable_heading(merge_runs(legs, band, config.steady.reciprocal_deg))
    sequences = find_sequences(runs, config.steady)
    weights = balance_ways(runs, sequences, len(bands))
    rpm = band_means(weights, runs.rpm)
    look_h = look_times_h(runs)
    lines = find_line_headings(runs, sequences)
    if drifts.mid_h.size == 1 and not any(s.weights is not None for s in sequences):
        # a single drift, with no pair of runs that it could be held against, shows nothing that anything confirms
        drifts = no_drifts()
    shows_current = bool(np.isfinite(rpm).any()) or bool(np.isfinite(lines).any())
    # with nothing to tell speed from current, a compass a little off the course would be taken for a strong one
    asked = runs if shows_current else replace(runs, heading_deg=lines)
    believed = limit_current(CurrentModel(), config.trial.current_max_kn)
    wind = find_wind(legs, runs)
    fit = fit_current(asked, rpm, lines, look_h, believed, drifts, wind, former)
    bands = _named(bands, band, legs, fit.speed_kn)
    outlying = find_outlying(fit)
    refused_u = refused_return_u_kn(refused, legs, runs, sequences, fit.speed_kn, rpm, config.steady)
    strongest = config.trial.current_max_kn
    settling = find_settling(legs, runs, weights)
    speed = speed_budget(fit, runs, weights, lines, legs, clocks, outlying, refused_u, settling.u_kn, strongest)
    fuel_rounding, each_run = (
        engine_rounding_u(legs, runs, shares, config.engine_ids, "fuel_l_per_h")
        for shares in (weights, np.eye(len(runs.members)))
    )
    scatter_kn = fit.terms_u_kn["repeat"] / np.maximum(np.sqrt(np.square(fit.gain).sum(axis=1)), 1e-9)
    fuel = reduce_fuel(runs, weights, rpm, config.fuel, fuel_rounding, each_run, scatter_kn / fit.speed_kn)
    rpm_u = engine_rounding_u(legs, runs, weights, config.engine_ids, "rpm") / max(len(config.engine_ids), 1)
    quantities = _quantities(fit, speed, fuel, rpm, rpm_u, config)
    through = np.full(band.size, np.nan)
    for k, members in enumerate(runs.members):
        through[members] = fit.along_kn[k]
    froude = leg_depth_froude(legs, through)
    methods = compare_methods(sequences, fit, bands)
    by_engine = {e: _engine_rpm(legs, runs, weights, e) for e in config.engine_ids}
    slips = [
        band_slip_pct(v, {e: float(rpms[b]) for e, rpms in by_engine.items()}, config)
        for b, v in enumerate(fit.speed_kn)
    ]
    slip_pct = np.array(slips)
    speed_share = speed.u / fit.speed_kn
    rpm_share = np.hypot(rpm_u / rpm, tachometer_share(config))
    made = Reduction(
        legs=legs, band=band, bands=bands, runs=runs, heading_note=heading_note, sequences=sequences,
        two_ways=np.isin(np.arange(len(bands)), [s.band for s in sequences if s.weights is not None]),
        weights=weights, rpm=rpm, rpm_u=rpm_u, wind=wind, look_h=look_h, fit=fit, settling=settling,
        quantities=quantities,
        # of the speed as measured and the engine speed as shown; the pitch is taken as stated
        slip_pct=slip_pct, slip_u_pct=np.abs(100.0 - slip_pct) * np.hypot(speed_share, rpm_share),
        froude=froude, methods=methods, shows_current=shows_current, flags=[],
    )  # fmt: skip
    return replace(made, flags=[_band_flags(made, b, outlying, config) for b in range(len(bands))])


def _quantities(
    fit: VectorFit, speed: Budget, fuel: FuelValues, rpm: FloatArray, rpm_u: FloatArray, config: Config
) -> BandQuantities:
    """Return the quantities of the bands at the engine speed they stand for, with their budgets."""
    speed_kn, rate = fit.speed_kn, fuel.rate_l_per_h
    at_speed = tachometer_terms(speed_kn, speed_power(speed_kn, rpm), rpm, rpm_u, config)
    at_fuel = tachometer_terms(rate, fuel.power, rpm, rpm_u, config)
    held_back = resistance_terms(speed, speed_kn, rate)
    speed, rate_budget = Budget((*speed.terms, *at_speed)), Budget((*fuel.budget.terms, *held_back, *at_fuel))
    economy = economy_nm_per_l(speed_kn, rate)
    of_economy = economy_budget(economy, speed_kn, speed, rate, rate_budget)
    usable_l = usable_fuel_l(config.fuel)
    return BandQuantities(
        speed_kn=speed_kn,
        speed=speed,
        fuel_l_per_h=rate,
        fuel=rate_budget,
        economy_nm_per_l=economy,
        economy=of_economy,
        range_nm=economy * (np.nan if usable_l is None else usable_l),
        range=None if usable_l is None else range_budget(economy, of_economy, config.fuel),
    )


def _named(bands: list[Band], band: IntArray, legs: Legs, speed_kn: FloatArray) -> list[Band]:
    """Return the bands with names: those of unknown engine speed after their speed and when they were first held."""
    started = [iso_utc(int(legs.start_ns[band == b].min())) for b in range(len(bands))]
    minutes = [f"{v:.1f} kn {t[11:16]}" for v, t in zip(speed_kn, started, strict=True)]
    # two rows of one speed within one minute are told apart by the second
    own = [n if minutes.count(n) == 1 else n + t[16:19] for n, t in zip(minutes, started, strict=True)]
    return [replace(limits, name=limits.name or name) for limits, name in zip(bands, own, strict=True)]


def _engine_rpm(legs: Legs, runs: Runs, weights: FloatArray, engine_id: str) -> FloatArray:
    values, duration = legs.values[f"rpm_{engine_id}_mean"], legs.values["duration_s"]
    return band_means(weights, np.array([weighted_mean(values[m], duration[m]) for m in runs.members]))


def _band_flags(made: Reduction, band: int, outlying: list[int], config: Config) -> list[str]:
    """Return the flags of one band in the order of `BAND_FLAGS`."""
    runs, fit = made.runs, made.fit
    own = [s for s in made.sequences if s.band == band]
    complete = [s for s in own if s.weights is not None]
    members = np.flatnonzero(made.band == band).tolist()
    flags = condition_flags(made.legs, members, float(fit.speed_kn[band]), made.froude, config)
    if not complete:
        known = made.shows_current and fit.terms_u_kn["current"][band] <= UNKNOWN_ABOVE_KN
        flags += ["one-way", "current-from-other-bands" if known else "current-unknown"]
    if any(not s.in_time for s in complete):
        flags.append("late-reciprocal")
    if any(s.rpm_difference_pct > config.steady.reciprocal_rpm_pct for s in own):
        flags.append("rpm-mismatch")
    if band in made.methods and not made.methods[band].agree:
        flags.append("methods-disagree")
    if any(runs.band[k] == band for k in outlying):
        flags.append("outlying-leg")
    shown, _ = describe_sequences(made.legs, runs, complete, fit, made.bands)
    if any(s.method == "double run" and s.expected_error_kn > THIRD_RUN_KN for s in shown):
        flags.append("third-run-advised")
    limits = made.bands[band]
    if not config.bands.is_automatic and np.isfinite(limits.band_rpm) and not limits.declared:
        flags.append("undeclared-step")
    if not np.isfinite(made.quantities.fuel_l_per_h[band]):
        flags.append("no-fuel")
    if _is_coarse(made, band):
        flags.append("coarse-readings")
    if any(made.legs.read_by_hand[leg] for leg in members):
        flags.append("read-by-hand")
    return [f for f in BAND_FLAGS if f in flags]


def _is_coarse(made: Reduction, band: int) -> bool:
    """Return whether rounding of readings makes a band's economy uncertain by more than `COARSE_PCT`."""
    all_of = made.quantities
    with np.errstate(divide="ignore", invalid="ignore"):
        speed_share = all_of.speed.term("rounding") / all_of.speed_kn
        fuel_share = all_of.fuel.term("rounding") / all_of.fuel_l_per_h
    rounding = float(np.hypot(speed_share, fuel_share)[band])
    whole = float(all_of.economy.u[band] / all_of.economy_nm_per_l[band])
    limit = COARSE_PCT / 100.0 / 2.0
    # by itself, or because without it the limit would have been kept
    return rounding > 0.0 and (rounding > limit or whole > limit >= np.sqrt(max(whole**2 - rounding**2, 0.0)))


def bands_table(made: Reduction, session_id: str) -> pa.Table:
    """Return the band table of a reduction, `BANDS_SCHEMA`."""
    runs, fit, all_of = made.runs, made.fit, made.quantities
    stw = band_means(made.weights, runs.stw_kn)
    rows = []
    for b, limits in enumerate(made.bands):
        current, towards = band_current(runs, fit, b) if made.shows_current else (np.nan, np.nan)
        froude = made.froude[made.band == b]
        numbers: dict[str, float] = {
            "band_rpm": limits.band_rpm, "rpm_low": limits.low_rpm, "rpm_high": limits.high_rpm,
            "rpm_mean": made.rpm[b], "stw_kn": stw[b], "current_kn": current, "current_towards_deg": towards,
            "slip_pct": made.slip_pct[b], "slip_u_pct": made.slip_u_pct[b],
            "depth_froude_max": np.nanmax(froude) if np.isfinite(froude).any() else np.nan,
        }  # fmt: skip
        for name, _, value, budget in all_of.items():
            if np.isfinite(value[b]):
                column, u_column = QUANTITY_COLUMNS[name]
                numbers |= {
                    column: value[b], u_column: budget.u[b], f"{name}_k": budget.k[b],
                    f"{name}_u_own": budget.own_u[b], f"{name}_u_common": budget.common_u[b],
                    f"{name}_dof_own": budget.own_freedom[b],
                }  # fmt: skip
        # infinite degrees of freedom are null too: no table can hold them
        row: dict[str, Any] = {n: float(x) if np.isfinite(x) else None for n, x in numbers.items()}
        row["legs"] = int(np.sum(made.band == b))
        row["ways"] = 2 if made.two_ways[b] else 1
        row["flags"] = ";".join(made.flags[b])
        row["band_name"] = limits.name
        row["session_id"] = session_id
        row["rpm_u"] = none_if_nan(float(made.rpm_u[b])) if np.isfinite(made.rpm[b]) else None
        rows.append(row)
    return table_of(rows, BANDS_SCHEMA)


def legs_table(made: Reduction, session_id: str) -> pa.Table:
    """Return the legs behind the bands, `LEGS_SCHEMA`."""
    legs, runs, fit, values = made.legs, made.runs, made.fit, made.legs.values
    heading = np.where(np.isfinite(runs.heading_deg), runs.heading_deg, runs.cog_deg)
    ahead = np.column_stack([np.cos(np.radians(heading)), np.sin(np.radians(heading))])
    along = np.sum(fit.run_current_kn * ahead, axis=1)
    place = {k: (n, int(w)) for n, s in enumerate(made.sequences, 1) for k, w in zip(s.runs, s.sign, strict=True)}
    rows = []
    for k, members in enumerate(runs.members):
        b = int(runs.band[k])
        for leg in members:
            numbers = {name: values[name][leg] for name in LEGS_SCHEMA.names if name in values} | {
                "band_rpm": made.bands[b].band_rpm,
                "through_water_kn": fit.along_kn[k],
                "current_along_kn": along[k],
                "residual_kn": fit.residual_kn[k],
                "weight": made.weights[b, k],
                "depth_froude": made.froude[leg],
            }
            row: dict[str, Any] = {name: none_if_nan(float(x)) for name, x in numbers.items()}
            row |= {
                "segment_id": int(legs.segment_id[leg]),
                "run": k + 1,
                "sequence": place[k][0],
                "way": place[k][1],
                "start": int(legs.start_ns[leg]),
                "stop": int(legs.stop_ns[leg]),
                "trim": legs.trim[leg],
                "read_by_hand": legs.read_by_hand[leg],
                "band_name": made.bands[b].name,
                "session_id": session_id,
            }
            rows.append(row)
    return table_of(rows, LEGS_SCHEMA)


COMPARED = (
    "band_rpm", "band_name", "legs", "ways", "speed_kn", "speed_u_kn", "fuel_l_per_h", "fuel_u_l_per_h",
    "economy_nm_per_l", "economy_u_nm_per_l", "range_nm", "range_u_nm",
    "speed_k", "fuel_k", "economy_k", "range_k",
)  # fmt: skip
"""Columns of the band table that are shown twice."""
Result = tuple[pa.Table, pa.Table, Findings]
"""Bands, legs and findings of one reduction."""
Tables = tuple[pa.Table, pa.Table]
"""Bands and legs."""


def reduce_reviewed(
    segments: pa.Table, entries: Sequence[ReviewEntry], reduce: Callable[[pa.Table], Result]
) -> tuple[pa.Table, Result]:
    """Reduce a trial as people reviewed it, and once more without them where they changed something.

    Args:
        segments: As prepared.
        entries: Review entries in the order they were written.
        reduce: Reduces a segments table.

    Returns:
        The segments with the review's columns, and the reviewed result. Its findings have ``review``: None where the
        result is the automatic one, else what was changed, why and by whom, with both results beside each other.
    """
    review = review_segments(segments, entries)
    bands, legs, found = automatic = reduce(without_review(review.segments))
    if review.changes:
        bands, legs, found = reduce(review.segments)
        bands, compared = compare_results(automatic[:2], (bands, legs))
        where = [_either(row).band_name for row in compared if row.changed]
        before = automatic[2]
        answers = AutomaticAnswers(
            before.top_speed, before.economy_planing, before.economy_displacement, before.economy_overall
        )
        changes = tuple(ReviewChange(**change) for change in review.changes)
        marked = (warn("reviewed", join_names(where)),) if where else ()
        comparison = ReviewComparison(review.entries, changes, compared, answers)
        found = replace(found, review=comparison, warnings=(*found.warnings, *marked))
    told = tuple(TrialWarning(**cast(dict[str, Any], warning)) for warning in review.warnings)
    return review.segments, (bands, legs, replace(found, warnings=(*found.warnings, *told)))


def compare_results(automatic: Tables, reviewed: Tables) -> tuple[pa.Table, tuple[BandComparison, ...]]:
    """Return the reviewed bands with those marked that were changed, and the rows of both results side by side.

    A band counts as changed where it is made of other stretches than its automatic counterpart: the band that shares
    most of its stretches, else the one of the same name, else the one nearest in speed where engine speed is unknown.
    Its row gets the flag ``reviewed``. Other rows may differ a little too, because all runs tell the current.

    Args:
        automatic: Bands and legs of the segments as prepared.
        reviewed: Same of the segments as people reviewed them.
    """
    before, after = _rows(automatic), _rows(reviewed)
    pairs = _matched(before, after)
    rows: list[BandComparison] = []
    changed: list[bool] = [False] * len(after)
    for b, new in enumerate(after):
        old = before[pairs[b]] if b in pairs else None
        changed[b] = old is None or old["members"] != new["members"] or any(old[k] != new[k] for k in ("legs", "ways"))
        rows.append(BandComparison(_shown(old), _shown(new), changed[b]))
    gone = [row for a, row in enumerate(before) if a not in pairs.values()]
    rows += [BandComparison(_shown(row), None, changed=True) for row in gone]
    rows.sort(key=_place)
    return _marked(reviewed[0], changed), tuple(rows)


def _rows(result: Tables) -> list[dict[str, Any]]:
    bands, legs = result
    members: dict[str, set[int]] = {}
    for name, segment_id in zip(legs["band_name"].to_pylist(), legs["segment_id"].to_pylist(), strict=True):
        members.setdefault(name, set()).add(segment_id)
    return [row | {"members": members.get(row["band_name"], set())} for row in bands.select(COMPARED).to_pylist()]


def _matched(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> dict[int, int]:
    """Return the automatic row of each reviewed row that has one, the likest pairs first."""
    ranked = []
    for b, new in enumerate(after):
        for a, old in enumerate(before):
            shared = len(new["members"] & old["members"])
            nameless = new["band_rpm"] is None and old["band_rpm"] is None
            if shared or nameless or new["band_rpm"] == old["band_rpm"]:
                apart = abs(new["speed_kn"] - old["speed_kn"]) if nameless else 0.0
                ranked.append((-shared, new["band_rpm"] != old["band_rpm"], apart, b, a))
    pairs: dict[int, int] = {}
    for *_, b, a in sorted(ranked):
        if b not in pairs and a not in pairs.values():
            pairs[b] = a
    return pairs


def _shown(row: Mapping[str, Any] | None) -> ComparedBand | None:
    return None if row is None else ComparedBand(**{name: row[name] for name in COMPARED})


def _either(row: BandComparison) -> ComparedBand:
    shown = row.reviewed or row.automatic
    assert shown is not None
    return shown


def _place(row: BandComparison) -> tuple[bool, float]:
    shown = _either(row)
    rpm = shown.band_rpm
    return rpm is None, (shown.speed_kn or 0.0) if rpm is None else rpm


def _marked(bands: pa.Table, changed: list[bool]) -> pa.Table:
    flags = [
        ";".join(part for part in (told, "reviewed" if mark else "") if part)
        for told, mark in zip(bands["flags"].to_pylist(), changed, strict=True)
    ]
    index = bands.schema.get_field_index("flags")
    return bands.set_column(index, bands.schema.field(index), column_of(flags, pa.string()))
