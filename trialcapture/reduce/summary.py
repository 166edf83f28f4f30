"""What ``summary.json`` holds, as frozen dataclasses; JSON is made of them at the edge only.

`Findings` is what a reduction finds out; `Summary` adds what only the whole flow knows: origin, counts, clocks,
faults of the data. A field is a key of the JSON object of the same name (a trailing underscore, which keeps words of
Python apart, is no part of it). A field with a default is left out of the JSON while it has that default. Speeds are
in knots, directions true in degrees, times ISO 8601 UTC; ``u`` is a standard uncertainty, k=1.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Annotated, Any, ClassVar, Literal, TypeVar, cast

from pydantic import ConfigDict, TypeAdapter, ValidationError, ValidatorFunctionWrapHandler, WrapValidator

from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.data_health import DataHealth
from trialcapture.reduce.uncertainty import Comparison

SCHEMA_VERSION = 2
"""Of ``summary.json``; it rises when a key changes its meaning or goes, not when one is added."""

Severity = Literal["red", "yellow", "info"]
LoadKind = Literal["light", "fuel", "water", "persons", "gear", "other"]
"""Parts of the test weight."""
Regime = Literal["displacement", "between", "planing", "unknown"]
"""How a hull runs."""
RunDirection = Literal["down", "up"]
"""Whether the engine speed fell or rose in a slow run."""


class _Entry:
    """Base of all entries; keys that are not declared are a fault when a summary is read back."""

    __slots__ = ()
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(
        extra="forbid", alias_generator=lambda name: name.removesuffix("_")
    )


@dataclass(frozen=True, slots=True)
class NamedBand(_Entry):
    """What entries are told apart by: the band's engine speed [rpm], None where unknown, and what people call it."""

    band_rpm: float | None
    band_name: str


@dataclass(frozen=True, slots=True)
class Quantity(_Entry):
    """A number in a sentence, so that it can be printed in other units: its value, unit, and how it stands there."""

    value: float
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class TrialWarning(_Entry):
    """One thing that is to be said against a row or a trial.

    Attributes:
        code: Names what it is.
        severity: How grave it is.
        text: A sentence.
        where: What it concerns.
        quantities: Numbers of the sentence whose unit readers may want to change, in the order they stand in it.
    """

    code: str
    severity: Severity
    text: str
    where: str
    quantities: tuple[Quantity, ...] = ()


@dataclass(frozen=True, slots=True)
class BoatStatement(_Entry):
    """The hull as stated: lengths [m], light ship [kg], and whether she is made to plane."""

    name: str
    length_m: float | None
    beam_m: float | None
    draught_m: float | None
    lightship_kg: float | None
    planing: bool


@dataclass(frozen=True, slots=True)
class EngineStatement(_Entry):
    """One propulsion engine with its gear and propeller, as stated."""

    id: str
    model: str
    rated_rpm: float
    rated_kw: float | None
    gear_ratio: float | None
    propeller_pitch_m: float | None
    propeller_diameter_m: float | None
    propeller_blades: int | None


@dataclass(frozen=True, slots=True)
class TrialStatement(_Entry):
    """What the trial is called, who made it, and what they wrote about it, as stated."""

    title: str
    tested_by: str
    notes: str


@dataclass(frozen=True, slots=True)
class LoadItem(_Entry):
    """One line of the load sheet, or the sum of those of a kind.

    Attributes:
        name: What it is.
        kg: Its mass.
        kind: Which part of the test weight it is.
        litres, density_kg_per_m3: Of what a tank held.
        density_from: Where the density comes from; "" where it was stated for the tank.
    """

    name: str
    kg: float
    kind: LoadKind
    litres: float | None
    density_kg_per_m3: float | None
    density_from: str


@dataclass(frozen=True, slots=True)
class LoadSheet(_Entry):
    """What was on board.

    Attributes:
        items: Line by line.
        displacement_kg: Their sum; None while the light ship is unknown, because a sum of extras is no displacement.
        missing: What nobody stated and the sum therefore lacks.
        parts: The same added up by kind, as the test weight is told.
    """

    items: tuple[LoadItem, ...]
    displacement_kg: float | None
    missing: tuple[str, ...]
    parts: tuple[LoadItem, ...]


@dataclass(frozen=True, slots=True)
class FuelCheck(_Entry):
    """How the fuel rate was checked: true flow = factor times shown flow, and the factor's uncertainty [%]."""

    factor: float
    origin: str
    u_pct: float


@dataclass(frozen=True, slots=True)
class FuelStatement(_Entry):
    """Tank, reserve, and what is known about the flow figures.

    Attributes:
        capacity_l, capacity_u_pct: Of the tanks [L], and its standard uncertainty [%].
        usable_fraction, usable_u: Share of it that can be drawn, and its standard uncertainty.
        reserve_fraction: Share of that which is kept.
        usable_after_reserve_l: Fuel a range is reckoned with [L].
        density_kg_per_m3: Of the fuel.
        calibration: None where the flow is uncalibrated.
        uncalibrated_u_pct: Standard uncertainty taken then [%].
    """

    capacity_l: float | None
    capacity_u_pct: float
    usable_fraction: float
    usable_u: float
    reserve_fraction: float
    usable_after_reserve_l: float | None
    density_kg_per_m3: float | None
    calibration: FuelCheck | None
    uncalibrated_u_pct: float | None


@dataclass(frozen=True, slots=True)
class TopSpeed(NamedBand):
    """The top speed through water, from runs both ways; the printed ± is ``speed_k`` times ``speed_u_kn``.

    ``rated`` says whether rated engine speed was reached in these runs; "" where engine speed is unknown.
    """

    speed_kn: float
    speed_u_kn: float
    speed_k: float
    rpm_mean: float | None
    ways: int
    rated: str


@dataclass(frozen=True, slots=True)
class FastestSeen(_Entry):
    """A speed faster than any held both ways, with its coverage factor, and what is missing to claim it."""

    speed_kn: float
    u_kn: float
    k: float
    rpm: float | None
    heading_deg: float | None
    missing: str


@dataclass(frozen=True, slots=True)
class OneWayAsGood(NamedBand):
    """A band run one way that looks better than the best, within its uncertainty."""

    speed_kn: float
    economy_nm_per_l: float


@dataclass(frozen=True, slots=True)
class BestEconomy(NamedBand):
    """The most economical band of a regime.

    Attributes:
        speed_kn, speed_u_kn: Through water; each ``*_k`` is the coverage factor of a quantity's printed ±.
        fuel_l_per_h: Fuel rate of all engines.
        economy_nm_per_l, economy_u_nm_per_l: Mean speed over mean fuel rate, less `corrected_by_nm_per_l`.
        corrected_by_nm_per_l: By how much the highest of the bands that were compared is too high on average; the row
            of the table holds the figure with it.
        range_nm, range_u_nm: With the usable fuel; None where the capacity is not stated.
        ways: 2 where it was run both ways.
        one_way_as_good: A rival run one way.
        flat_from_kn, flat_to_kn: Speeds about as good, to `within_pct`.
        within_pct: What counts as about as good [%].
        at_edge: Nothing of the regime was run slower, or nothing faster, so a better one may lie outside.
    """

    speed_kn: float
    speed_u_kn: float
    speed_k: float
    fuel_l_per_h: float
    economy_nm_per_l: float
    economy_u_nm_per_l: float
    economy_k: float
    corrected_by_nm_per_l: float
    range_nm: float | None
    range_u_nm: float | None
    range_k: float | None
    ways: int
    one_way_as_good: OneWayAsGood | None
    flat_from_kn: float
    flat_to_kn: float
    within_pct: float
    at_edge: bool


@dataclass(frozen=True, slots=True)
class QuantityChange(Comparison, _Entry):
    """By how much a quantity of one band differs from that of another, with what both have in common taken out."""


@dataclass(frozen=True, slots=True)
class TesterCruise(NamedBand):
    """The engine speed at which the tester would cruise, and what that costs.

    Attributes:
        rpm: As noted.
        by: Who noted it.
        speed_kn, fuel_l_per_h, economy_nm_per_l, range_nm: Of the band it was run in; None where that has none.
        best_band_name: The most economical band of the same regime, which it is compared with; "" without one.
        speed, fuel, economy, range: What it gains or costs against that; None where they are one, or one is unknown.
        reason: Why nothing is told; "" where something is.
    """

    rpm: float
    by: str
    speed_kn: float | None
    fuel_l_per_h: float | None
    economy_nm_per_l: float | None
    range_nm: float | None
    best_band_name: str
    speed: QuantityChange | None
    fuel: QuantityChange | None
    economy: QuantityChange | None
    range: QuantityChange | None
    reason: str


@dataclass(frozen=True, slots=True)
class SoundLevel(NamedBand):
    """Sound on board, A-weighted: the level that means as much sound energy as the readings of a place in a band.

    Attributes:
        place, doors: Where, and whether doors were open or closed; "" where not noted.
        level_db, u_db: The level and its standard uncertainty.
        readings: How many.
        seconds: How long they lasted in all; None where not noted.
        near_background: Whether a background within 10 dB was noted, so that the level is too high.
    """

    place: str
    doors: str
    level_db: float
    u_db: float
    readings: int
    seconds: float | None
    near_background: bool


@dataclass(frozen=True, slots=True)
class Remark(_Entry):
    """What somebody noted: when, of what kind (remark or sea), and who.

    Attributes:
        during: The leg or manoeuvre it fell in; "" outside all of them.
        where: Place on board; "" where not noted.
        about: ``handling`` where it says how she handles; "" elsewhere.
    """

    t: str
    kind: str
    text: str
    by: str
    during: str = ""
    where: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True)
class NotedMeasure(_Entry):
    """What was measured on board: value and unit as noted; the value is None where it is no number.

    Attributes:
        what, where: What was measured, and where on board.
        during: The leg or manoeuvre it fell in; "" outside all of them.
    """

    t: str
    what: str
    where: str
    value: float | None
    unit: str
    during: str
    by: str


@dataclass(frozen=True, slots=True)
class NotedFinding(_Entry):
    """What was found on board.

    Attributes:
        grade: ``good``, ``watch`` or ``defect``.
        what: The item of the checklist it answers; "" for none.
        about: ``handling`` where it says how she handles; "" elsewhere.
        during: The leg or manoeuvre it fell in; "" outside all of them.
    """

    t: str
    grade: str
    text: str
    what: str
    where: str
    about: str
    during: str
    by: str


@dataclass(frozen=True, slots=True)
class WalkRoundEntry(_Entry):
    """One item of the checklist for the walk round.

    Attributes:
        area: Part of the boat.
        what: What is to be measured or found.
        kind: Whether a number or a judgement is asked for.
        unit: A number's, as the checklist has it.
        is_standard: Whether it belongs to every walk round.
        is_open: Whether nobody noted it.
    """

    area: str
    what: str
    kind: Literal["measure", "finding"]
    unit: str
    is_standard: bool
    is_open: bool


@dataclass(frozen=True, slots=True)
class NotedConditions(_Entry):
    """Weather and sea as somebody read them at one time; None where not noted."""

    t: str
    air_temp_c: float | None
    pressure_hpa: float | None
    wind_speed_kn: float | None
    wind_from_deg: float | None
    wave_height_m: float | None
    during: str
    by: str


@dataclass(frozen=True, slots=True)
class NotedLoad(_Entry):
    """A tank or the persons on board, before or after the runs.

    Attributes:
        when: ``before`` or ``after``.
        tank: Its name; "" where only persons were noted.
        litres, fraction: In the tank; one of them follows from the other where the load sheet has the tank.
        kg: Mass of what was in it; None where the load sheet has no such tank.
        persons: On board; None where not noted.
    """

    t: str
    when: str
    tank: str
    litres: float | None
    fraction: float | None
    kg: float | None
    persons: int | None
    by: str


@dataclass(frozen=True, slots=True)
class LegFuel(NamedBand):
    """Fuel on board in the middle of a leg: the tanks as read before, less what the engines had burnt since.

    Attributes:
        segment_id, start: Of the leg.
        burnt_l: Since the first sample, by the flow meters with their calibration.
        on_board_l, on_board_kg: What was left.
    """

    segment_id: int
    start: str
    burnt_l: float
    on_board_l: float
    on_board_kg: float | None


@dataclass(frozen=True, slots=True)
class FuelBalance(_Entry):
    """Fuel by the tanks beside fuel by the flow meters [L].

    Attributes:
        before_l, after_l: In all fuel tanks; None where not all of it was read.
        by_flow_l: Burnt from the first sample to the last; None where too little of the flow was recorded.
        legs: Fuel on board, leg by leg.
        reason: Why no leg has any; "" where they have.
    """

    before_l: float | None
    after_l: float | None
    by_flow_l: float | None
    legs: tuple[LegFuel, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class NotedPhoto(_Entry):
    """A photo, which stands in ``raw/photos`` as it was given.

    Attributes:
        t: When it was noted.
        file, sha256: The file in the session and its hash.
        caption, where: As noted.
        taken: When it was taken, ISO 8601 UTC; None where that is not known.
        taken_from: What tells so.
        reason: Why the time is not known, or why there is no small picture; "" where all is well.
        during: The leg or manoeuvre it was taken in; "" outside all of them.
    """

    t: str
    file: str
    sha256: str
    caption: str
    where: str
    taken: str | None
    taken_from: Literal["camera", "satellites", "note", ""]
    reason: str
    during: str
    by: str


@dataclass(frozen=True, slots=True)
class NoteRecord(_Entry):
    """What people noted beside sound, cruise and remarks, each ascending in time.

    Attributes:
        walk_round: The checklist, and what of it is open; empty without one.
        conditions_gap_s: Longest time within the runs without conditions noted [s]; None where none were.
        fuel: None where no tank was read.
    """

    measures: tuple[NotedMeasure, ...]
    findings: tuple[NotedFinding, ...]
    walk_round: tuple[WalkRoundEntry, ...]
    conditions: tuple[NotedConditions, ...]
    conditions_gap_s: float | None
    loads: tuple[NotedLoad, ...]
    fuel: FuelBalance | None
    photos: tuple[NotedPhoto, ...]


@dataclass(frozen=True, slots=True)
class BandRegime(NamedBand):
    """How the hull runs at a band; Froude numbers where the boat is known."""

    regime: Regime
    volumetric_froude: float | None
    length_froude: float | None


@dataclass(frozen=True, slots=True)
class Regimes(_Entry):
    """How the hull runs at every band, and what that was judged by."""

    by: str
    bands: tuple[BandRegime, ...]


@dataclass(frozen=True, slots=True)
class JudgedSlowRun(_Entry):
    """What one slow run through the hump shows.

    Attributes:
        way: Slowing down or speeding up.
        t: Its start.
        from_kn, to_kn: Slowest and fastest speed through water.
        speed_kn, u_kn, basis: The threshold and what shows it; None where nothing is claimed.
        trim: As last noted before it.
        reason: Why nothing is claimed; "" where something is.
    """

    way: RunDirection
    t: str
    from_kn: float
    to_kn: float
    speed_kn: float | None
    u_kn: float | None
    basis: str | None
    trim: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class ThresholdRun(_Entry):
    """A slow run that shows a planing threshold."""

    way: RunDirection
    t: str
    speed_kn: float
    u_kn: float
    basis: str
    trim: str | None


@dataclass(frozen=True, slots=True)
class MeanThreshold(_Entry):
    """Planing threshold by all runs of one way."""

    speed_kn: float
    u_kn: float


@dataclass(frozen=True, slots=True)
class SlowestPlaning(_Entry):
    """The slowest planing speed through water.

    Attributes:
        speed_kn, u_kn: The answer: by the runs down where there are any.
        from_: What shows it.
        trim: As noted.
        run_down, run_up: By the runs of each way.
        runs: The runs behind it.
    """

    speed_kn: float
    u_kn: float
    from_: str
    trim: str | None
    run_down: MeanThreshold | None
    run_up: MeanThreshold | None
    runs: tuple[ThresholdRun, ...]


@dataclass(frozen=True, slots=True)
class SlowestHeld(NamedBand):
    """The slowest band held clearly on the plane: an upper bound of the slowest planing speed."""

    speed_kn: float
    speed_u_kn: float
    speed_k: float
    ways: int


@dataclass(frozen=True, slots=True)
class RatedRpmCheck(_Entry):
    """Whether an engine reached its rated speed."""

    engine: str
    rated_rpm: float
    reached_rpm: float | None
    pct: float | None
    highest_load_pct: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class TrialConditions(_Entry):
    """Conditions of the trial: measured where there was an instrument, else as stated; None where neither.

    Attributes:
        start, stop: Of the first and last leg.
        place: As stated.
        wind_speed_true_kn_mean, wind_speed_true_kn_max, wind_from_true_deg, wind_beaufort_max: True wind of the legs.
        wave_height_m, sea_state: As stated; the code follows from the height where only that was.
        depth_m_min: Least depth of the legs.
        water, water_temp_c, water_density_kg_per_m3: The water.
        generator_running, hull_cleaned: As stated.
        trim: Settings noted on the legs.
        pressure_hpa, air_temp_c: The air, where told.
    """

    start: str | None
    stop: str | None
    place: str
    wind_speed_true_kn_mean: float | None
    wind_speed_true_kn_max: float | None
    wind_from_true_deg: float | None
    wind_beaufort_max: int | None
    wave_height_m: float | None
    sea_state: int | None
    depth_m_min: float | None
    water: Literal["sea", "fresh", "brackish"]
    water_temp_c: float | None
    water_density_kg_per_m3: float
    generator_running: bool | None
    hull_cleaned: str
    trim: tuple[str, ...]
    pressure_hpa: float | None = None
    air_temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class SequenceCurrent(NamedBand):
    """The current one sequence of reciprocal runs shows by itself.

    Attributes:
        t: Its middle.
        segments: Segments it is made of.
        method: Double run, mean of means, or mean of two directions.
        through_water_kn: Speed through water.
        axis_deg: Direction of its line.
        along_kn: Current along that line.
        speed_kn, towards_deg: The same as speed and direction.
        u_kn: Standard uncertainty of `along_kn`.
        fit_along_kn: The fitted current along the same line.
        gap_min: Longest gap between runs.
        in_time: False where the way back came later than allowed.
        rpm_difference_pct: Spread of engine speed over the runs; None where unknown.
        off_reciprocal_deg: How far the directions miss the reciprocal.
        expected_error_kn: What the changing current left in the result.
    """

    t: str
    segments: tuple[int, ...]
    method: str
    through_water_kn: float
    axis_deg: float
    along_kn: float
    speed_kn: float
    towards_deg: float
    u_kn: float
    fit_along_kn: float
    gap_min: float
    in_time: bool
    rpm_difference_pct: float | None
    off_reciprocal_deg: float
    expected_error_kn: float


@dataclass(frozen=True, slots=True)
class HalfPair(NamedBand):
    """Runs of a band one way only."""

    t: str
    segments: tuple[int, ...]
    direction_deg: float


@dataclass(frozen=True, slots=True)
class MethodComparison(NamedBand):
    """Speed of a band by its reciprocal runs alone beside the fit to all runs."""

    method: str
    classical_kn: float
    fit_kn: float
    difference_kn: float
    allowed_kn: float
    agree: bool


@dataclass(frozen=True, slots=True)
class ThirdRunAdvice(NamedBand):
    """A double run that a third run would have improved, and by how much."""

    expected_error_kn: float


@dataclass(frozen=True, slots=True)
class OneMoreRunAdvice(NamedBand):
    """What one more run of a band would buy.

    Attributes:
        number: Which run of the band it would be: 3 for a third.
        heading_deg: To be run, true; a course where no compass is there.
        now_kn, then_kn: The ± of the band's speed at 95 %, as it is and with the run.
    """

    number: int
    heading_deg: float
    now_kn: float
    then_kn: float


@dataclass(frozen=True, slots=True)
class StillAirBand(NamedBand):
    """By how much a band was slower in the wind than in still air [kn]: a negative difference, and its u."""

    wind_kn: float
    difference_kn: float
    u_kn: float


@dataclass(frozen=True, slots=True)
class StillAir(_Entry):
    """Speeds in still air beside those in the wind of the trial; the bands are empty where the wind is unknown.

    Attributes:
        method: How the differences are found.
        source: Of the method.
        bands: One a band.
    """

    method: str
    source: str
    bands: tuple[StillAirBand, ...]


@dataclass(frozen=True, slots=True)
class FittedCurrent(_Entry):
    """The fitted current at one time.

    Attributes:
        t: When.
        speed_kn, towards_deg: Of the current.
        u_kn: Along its own direction.
        worst_axis_u_kn: Along the direction it is known worst.
    """

    t: str
    speed_kn: float
    towards_deg: float
    u_kn: float
    worst_axis_u_kn: float


@dataclass(frozen=True, slots=True)
class FitStrengths(_Entry):
    """Standard deviations the fit found: tide, local wander, scatter of runs [kn], heading error [deg]."""

    tide_kn: float
    wander_kn: float
    scatter_kn: float
    heading_deg: float


@dataclass(frozen=True, slots=True)
class CurrentEvidence(_Entry):
    """What the current was, shown both ways: each sequence of runs alone, and the fit to all runs.

    Attributes:
        pairs, half_pairs: Sequences run both ways, and those run one way.
        methods: Speed of each band by both methods.
        disagreement: A sentence where they differ; else "".
        third_run_advice: Double runs that a third run would have improved.
        one_more_run: What one more run of each band would buy.
        fit: The fitted current over time, where it is known.
        strengths: What the fit found; None without a band.
        heading_used: Whether a heading was there; None without a band.
        heading_offset_deg, heading_offset_u_deg: By how much the heading reads low; None without a heading.
    """

    pairs: tuple[SequenceCurrent, ...]
    half_pairs: tuple[HalfPair, ...]
    methods: tuple[MethodComparison, ...]
    disagreement: str
    third_run_advice: tuple[ThirdRunAdvice, ...]
    one_more_run: tuple[OneMoreRunAdvice, ...]
    fit: tuple[FittedCurrent, ...]
    strengths: FitStrengths | None
    heading_used: bool | None
    heading_offset_deg: float | None
    heading_offset_u_deg: float | None


@dataclass(frozen=True, slots=True)
class LogCalibration(_Entry):
    """Factor and offset that turn the boat's log into speed through water, over so many bands run both ways."""

    bands: int
    factor: float
    factor_u: float
    offset_kn: float
    worst_left_kn: float


@dataclass(frozen=True, slots=True)
class PlausibilityLine(_Entry):
    """A figure an engineer looks at first: its value, what is usual (low, high), and whether it is."""

    name: str
    value: float
    unit: str
    usual: tuple[float, float] | None
    ok: bool | None


@dataclass(frozen=True, slots=True)
class BudgetTerm(_Entry):
    """What one cause adds to the standard uncertainty of a quantity.

    Attributes:
        name: The cause.
        u: In the unit of the quantity.
        is_common: It moves all bands of the trial alike.
        freedom: Degrees of freedom; None where infinite.
        source: Where its size comes from.
    """

    name: str
    u: float
    is_common: bool
    freedom: float | None
    source: str


@dataclass(frozen=True, slots=True)
class QuantityBudget(_Entry):
    """The uncertainty budget of one quantity of a band.

    Attributes:
        quantity: ``speed``, ``fuel``, ``economy`` or ``range``.
        unit: Its unit.
        value: The quantity.
        u: Its standard uncertainty, k=1.
        own_u, common_u: Its parts: the band's own, and what all bands share.
        freedom: Effective degrees of freedom; None where infinite.
        coverage_factor: What u is multiplied with for the printed ±.
        terms: The causes that add something.
    """

    quantity: str
    unit: str
    value: float
    u: float
    own_u: float
    common_u: float
    freedom: float | None
    coverage_factor: float
    terms: tuple[BudgetTerm, ...]


@dataclass(frozen=True, slots=True)
class BandBudget(NamedBand):
    """The uncertainty budgets of one band: of every quantity it has."""

    quantities: tuple[QuantityBudget, ...]

    def of(self, quantity: str) -> QuantityBudget | None:
        """Return the budget of a quantity, None where the band has none."""
        return next((q for q in self.quantities if q.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class StandardErrors(_Entry):
    """Standard error of the mean speed found in two ways, root mean squares over legs.

    Attributes:
        n_eff_u_kn: By the effective sample size.
        blocking_u_kn: By blocking.
        ratio: The second over the first.
        blocks: How many blocks there are.
        agree: Whether they agree within the factor and what so few blocks leave open.
    """

    n_eff_u_kn: float
    blocking_u_kn: float
    ratio: float
    blocks: int
    agree: bool


@dataclass(frozen=True, slots=True)
class BandStandardErrors(NamedBand):
    """The same of one band."""

    n_eff_u_kn: float
    blocking_u_kn: float
    ratio: float
    blocks: int
    agree: bool


@dataclass(frozen=True, slots=True)
class StandardErrorComparison(_Entry):
    """The two standard errors of every band, of all legs together, and the factor they may differ by."""

    factor: float
    bands: tuple[BandStandardErrors, ...]
    all: StandardErrors | None


@dataclass(frozen=True, slots=True)
class TrialStatistics(_Entry):
    """What was done to the samples of the legs, and how their standard errors compare.

    Attributes:
        chauvenet: Whether outliers were left out.
        values_left_out: How many; None where that is not known.
        standard_errors: The comparison.
    """

    chauvenet: bool
    values_left_out: int | None
    standard_errors: StandardErrorComparison


@dataclass(frozen=True, slots=True)
class ReviewChange(_Entry):
    """One thing a person changed about a segment."""

    segment_id: int
    start: str
    stop: str
    change: Literal["excluded", "included", "relabelled"]
    automatic_accepted: bool
    automatic_reason: str
    rpm_mean: float | None
    relabelled_rpm: float | None
    reason: str
    by: str
    line: int
    file: str = "notes.jsonl"


@dataclass(frozen=True, slots=True)
class ComparedBand(NamedBand):
    """A row of the band table, as it is shown beside its counterpart."""

    legs: int
    ways: int
    speed_kn: float | None
    speed_u_kn: float | None
    fuel_l_per_h: float | None
    fuel_u_l_per_h: float | None
    economy_nm_per_l: float | None
    economy_u_nm_per_l: float | None
    range_nm: float | None
    range_u_nm: float | None
    speed_k: float | None
    fuel_k: float | None
    economy_k: float | None
    range_k: float | None


@dataclass(frozen=True, slots=True)
class BandComparison(_Entry):
    """A row as prepared beside the same as reviewed; either may be missing."""

    automatic: ComparedBand | None
    reviewed: ComparedBand | None
    changed: bool


@dataclass(frozen=True, slots=True)
class AutomaticAnswers(_Entry):
    """The answers without any review."""

    top_speed: TopSpeed | None
    economy_planing: BestEconomy | None
    economy_displacement: BestEconomy | None
    economy_overall: BestEconomy | None


@dataclass(frozen=True, slots=True)
class ReviewComparison(_Entry):
    """What people changed, and the result with and without that.

    Attributes:
        entries: How many review entries there are, good or not.
        changes: One a segment and kind of change.
        bands: Row by row.
        automatic: The answers as prepared.
    """

    entries: int
    changes: tuple[ReviewChange, ...]
    bands: tuple[BandComparison, ...]
    automatic: AutomaticAnswers


@dataclass(frozen=True, slots=True)
class AnswerLine(_Entry):
    """One answer as a reader is told it: "label: value ± k u unit, notes".

    Attributes:
        label: What was asked.
        value: None where nothing is claimed; then the notes say why.
        u: Standard uncertainty.
        unit: Of both.
        coverage_factor: What u is multiplied with for 95 %.
        notes: What the value holds for; without numbers in units that a reader may want changed.
    """

    label: str
    value: float | None
    u: float | None
    unit: str
    coverage_factor: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FigureAxis(_Entry):
    """One axis of a figure."""

    label: str
    unit: str


@dataclass(frozen=True, slots=True)
class FigureSeries(_Entry):
    """Points of a figure that belong together.

    Attributes:
        label: Its name.
        x, y: Of the points, in the units of the axes.
        pm: What is printed behind the ± of `y`; None where it is not drawn.
        style: Whether the points are joined; else how they look: filled, open, or as small crosses.
    """

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    pm: tuple[float, ...] | None
    style: Literal["line", "points", "open", "crosses"]


@dataclass(frozen=True, slots=True)
class FigureMark(_Entry):
    """A point of a figure that is named."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class FigureSpec(_Entry):
    """What a figure shows, as plain data; how it looks is the report's business.

    Attributes:
        name: For anchors and file names.
        title: What stands above it.
        x, y: The axes.
        series: What is drawn.
        marks: What is named.
        caption: What stands below it.
        shaded: Spans of x set off by a tint.
        is_map: Both axes are drawn to one scale.
    """

    name: str
    title: str
    x: FigureAxis
    y: FigureAxis
    series: tuple[FigureSeries, ...]
    marks: tuple[FigureMark, ...]
    caption: str
    shaded: tuple[tuple[float, float], ...] = ()
    is_map: bool = False


@dataclass(frozen=True, slots=True)
class Manoeuvre(_Entry):
    """One manoeuvre: what it shows, or why nothing.

    Attributes:
        kind: What was done, and what of it was measured, such as ``stop track reach``.
        start: When it began.
        direction_deg: Course; None where unknown, and for a turn.
        from_, to: Between which states it is measured.
        value, u, unit: The result; None where nothing is claimed.
        conditions: What it holds for.
        claimed: Whether the value may be held against anybody.
        reason: Why not; "" where it may.
        direction: The course as three digits, ``both`` for a mean of two ways, or the side of a turn.
    """

    kind: str
    start: str
    direction_deg: float | None
    from_: str
    to: str
    value: float | None
    u: float | None
    unit: str
    conditions: str
    claimed: bool
    reason: str
    direction: str = ""


@dataclass(frozen=True, slots=True)
class Measured(_Entry):
    """One result of the trial beside the bands.

    Attributes:
        name: Its key.
        claimed: Whether there is an answer.
        reason: Why not; "" where there is.
        answer: The answer.
        manoeuvres: What it rests on.
        warnings: What is to be said about it.
        figures: What shows it.
    """

    name: str
    claimed: bool
    reason: str
    answer: AnswerLine
    manoeuvres: tuple[Manoeuvre, ...]
    warnings: tuple[TrialWarning, ...]
    figures: tuple[FigureSpec, ...]


PlanState = Literal["done", "half", "refused", "missing", "signed_off"]
"""What became of one run or manoeuvre of the plan."""


@dataclass(frozen=True, slots=True)
class PlanCell(_Entry):
    """One run or manoeuvre of the plan, and what became of it.

    Attributes:
        step: What was to be run, such as "1800 rpm", "2320 rpm, full throttle" or "turn".
        step_rpm: Engine speed of a step; None for a manoeuvre.
        way: Direction, such as "075°", or side; "" where it was asked for once.
        state: ``done``; ``half``: run one way only, so that no run back takes the current out; ``refused``: tried, and
            nothing accepted; ``missing``; ``signed_off``: a person said why it was not run.
        reason: Why it is not done: the limit refused by, or what the person said.
        legs: Numbers of its segments; of those refused where nothing was accepted.
    """

    step: str
    step_rpm: float | None
    way: str
    state: PlanState
    reason: str
    legs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlanComparison(_Entry):
    """The plan against the result.

    Attributes:
        cells: Every run and manoeuvre asked for, in the order of the plan.
        axis_deg: Direction of the first way; None without a plan of it and without a run.
        half_width_rpm: A run belongs to the nearest step within this.
        beside: Bands that were run beside the plan.
        unfit: What was signed off and fits nothing that is open, as people wrote it.
    """

    cells: tuple[PlanCell, ...]
    axis_deg: float | None
    half_width_rpm: float
    beside: tuple[str, ...]
    unfit: tuple[str, ...]

    def of(self, *states: PlanState) -> list[PlanCell]:
        """Return the cells in one of some states."""
        return [cell for cell in self.cells if cell.state in states]


@dataclass(frozen=True, slots=True)
class RepeatedQuantity(_Entry):
    """One quantity of a repeated step, the later runs beside the first.

    Attributes:
        quantity: ``speed``, ``fuel`` or ``economy``.
        unit: Of all values.
        first, last: By the first runs and the last ones, both at the engine speed of the first.
        difference, difference_u: Last less first, and its standard uncertainty; what all runs share is not in it.
        k: Coverage factor.
        is_real: Whether they differ by more than k u; else within noise.
    """

    quantity: str
    unit: str
    first: float
    last: float
    difference: float
    difference_u: float
    k: float
    is_real: bool


@dataclass(frozen=True, slots=True)
class RepeatedStep(NamedBand):
    """A step that was run again after others: whether boat, engines and instruments were still the same.

    Attributes:
        first_start, last_start: Of the first runs and of the last ones.
        first_legs, last_legs: Numbers of their segments.
        quantities: What was compared.
    """

    first_start: str
    last_start: str
    first_legs: tuple[int, ...]
    last_legs: tuple[int, ...]
    quantities: tuple[RepeatedQuantity, ...]


@dataclass(frozen=True, slots=True)
class Findings(_Entry):
    """All that a reduction found out.

    Attributes:
        schema_version: `SCHEMA_VERSION`.
        boat, engines, trial, load, fuel: As stated.
        top_speed: None where it cannot be claimed; then `fastest_seen` says what is missing.
        economy_planing, economy_between, economy_displacement, economy_overall: None where no band of the kind has an
            economy.
        regimes: How the hull runs at every band.
        slowest_planing_speed: Where a slow run shows it.
        slowest_on_the_plane: Where a band was held clearly on the plane.
        slow_runs: What each slow run shows.
        rated_rpm_check: One an engine.
        conditions: Of the trial.
        current: The evidence.
        still_air: What the wind of the trial cost.
        speed_log: None without a log.
        plausibility: Figures beside what is usual.
        budgets: One a band.
        statistics: Standard errors compared.
        measures: Results that have no field of their own.
        warnings: Everything that is to be said.
        review: None where the result is the automatic one.
        cruise: What the tester's own cruise costs; None where none was noted.
        sound: Sound on board.
        remarks: What was noted of the sea and of anything else.
        repeated: Steps that were run again after others, the bookend of a trial among them.
        plan: What became of the plan; None where there was none.
        noted: What else people noted; None where nobody did and there was no checklist.
    """

    schema_version: int
    boat: BoatStatement
    engines: tuple[EngineStatement, ...]
    trial: TrialStatement
    load: LoadSheet
    fuel: FuelStatement
    top_speed: TopSpeed | None
    fastest_seen: FastestSeen | None
    economy_planing: BestEconomy | None
    economy_between: BestEconomy | None
    economy_displacement: BestEconomy | None
    economy_overall: BestEconomy | None
    regimes: Regimes
    slowest_planing_speed: SlowestPlaning | None
    slowest_on_the_plane: SlowestHeld | None
    slow_runs: tuple[JudgedSlowRun, ...]
    rated_rpm_check: tuple[RatedRpmCheck, ...]
    conditions: TrialConditions
    current: CurrentEvidence
    still_air: StillAir
    speed_log: LogCalibration | None
    plausibility: tuple[PlausibilityLine, ...]
    budgets: tuple[BandBudget, ...]
    statistics: TrialStatistics
    measures: tuple[Measured, ...]
    warnings: tuple[TrialWarning, ...]
    review: ReviewComparison | None
    cruise: TesterCruise | None
    sound: tuple[SoundLevel, ...]
    remarks: tuple[Remark, ...]
    repeated: tuple[RepeatedStep, ...] = field(default=(), kw_only=True)
    plan: PlanComparison | None = field(default=None, kw_only=True)
    noted: NoteRecord | None = field(default=None, kw_only=True)


@dataclass(frozen=True, slots=True)
class SessionOrigin(_Entry):
    """Which session it is, when it was begun (ISO 8601 UTC), and by which program."""

    id: str
    created: str
    made_by: str


@dataclass(frozen=True, slots=True)
class RawFile(_Entry):
    """A raw file with its hash and its size."""

    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class SoftwareVersions(_Entry):
    """Versions of the program, of Python and of the libraries that numbers and figures depend on."""

    trialcapture: str
    python: str
    numpy: str
    scipy: str
    pyarrow: str
    matplotlib: str


@dataclass(frozen=True, slots=True)
class SealChange(_Entry):
    """One file that is not as it was sealed: what happened to it, and how."""

    path: str
    kind: Literal["missing", "changed", "added", "unreadable"]
    text: str


@dataclass(frozen=True, slots=True)
class SealEvent(_Entry):
    """One line of the seal.

    Attributes:
        t: When, ISO 8601 UTC.
        what: What happened, such as "recording closed".
        by: Who.
        root: Of all files then.
        reason: Why changes were accepted.
    """

    t: str
    what: str
    by: str
    root: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SealStatement(_Entry):
    """Whether the result rests on what was sealed.

    Attributes:
        state: ``intact``; ``changed`` since it was sealed; or ``unsealed``.
        root: The last root of the seal; None without one.
        root_of_files: Root of the files that the result was made of.
        changes: What is not as it was sealed.
        reason: Why the session is unsealed; "" elsewhere.
        events: The lines of the seal.
        settings: Whether the settings used are those of the session, or others that were given.
    """

    state: Literal["intact", "changed", "unsealed"]
    root: str | None
    root_of_files: str
    changes: tuple[SealChange, ...]
    reason: str
    events: tuple[SealEvent, ...]
    settings: Literal["of the session", "others"]


@dataclass(frozen=True, slots=True)
class SentenceCount(_Entry):
    """How many sentences of a kind came in, by what became of them."""

    source: str
    talker: str
    formatter: str
    good: int
    bad: int
    not_decoded: int


@dataclass(frozen=True, slots=True)
class ClockEntry(_Entry):
    """A row of ``clocks.parquet``."""

    source: str
    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float | None
    drift_u_ppm: float | None
    method: str | None
    quality: str | None
    from_ns: int | None
    to_ns: int | None


@dataclass(frozen=True, slots=True)
class LongestRefused(_Entry):
    """The longest refused segment that may have been meant for a run."""

    start: str
    duration_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Dropped(_Entry):
    """What was left out: segments and rejects, counted by reason."""

    segments: Mapping[str, int]
    longest_segment: LongestRefused | None
    rejects: Mapping[str, int]


_TIMES = ("start", "stop", "at")
"""Keys of times in the account of faults; there they are fields that end in ``_ns``."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _health_from_json(value: Any, check: ValidatorFunctionWrapHandler) -> DataHealth:
    """Return the account of faults from its JSON; what follows from the rest (texts, seconds) must do so."""
    if isinstance(value, DataHealth):
        return value
    names = {f.name for f in fields(DataHealth)}
    if not isinstance(value, Mapping) or value.keys() != names or not all(map(_is_list_of_objects, value.values())):
        raise ValueError(f"must be an object of lists named {', '.join(sorted(names))}")
    health: DataHealth = check({name: tuple(map(_item_from_json, items)) for name, items in value.items()})
    if health.as_json() != value:
        raise ValueError("lacks a key, has one too many, or a text that does not follow from its numbers")
    return health


def _is_list_of_objects(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, Mapping) for item in value)


def _item_from_json(item: Mapping[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in item.items() if key not in ("text", "seconds")}
    return {f"{key}_ns" if key in _TIMES else key: _parse_ns(v) if key in _TIMES else v for key, v in kept.items()}


def _parse_ns(text: str | None) -> int | None:
    if text is None:
        return None
    return (datetime.fromisoformat(text) - _EPOCH) // timedelta(microseconds=1) * 1000


@dataclass(frozen=True, slots=True)
class Summary(Findings):
    """All that is known of a result: the findings, and what only the whole flow knows.

    Attributes:
        session: Which session it is.
        software_version: Of the program that made the result.
        config_hash: SHA-256 of the settings.
        versions: Of program and libraries.
        seal: Whether the result rests on what was sealed.
        raw: Every raw file.
        counts: Sentences by source, talker and formatter.
        clocks: Rows of ``clocks.parquet``.
        data_health: Every fault of the data with what it cost.
        dropped: What was left out.
    """

    session: SessionOrigin
    software_version: str
    config_hash: str
    versions: SoftwareVersions
    seal: SealStatement
    raw: tuple[RawFile, ...]
    counts: tuple[SentenceCount, ...]
    clocks: tuple[ClockEntry, ...]
    data_health: Annotated[DataHealth, WrapValidator(_health_from_json)]
    dropped: Dropped


def complete(
    findings: Findings,
    *,
    session: SessionOrigin,
    software_version: str,
    config_hash: str,
    versions: SoftwareVersions,
    seal: SealStatement,
    raw: tuple[RawFile, ...],
    counts: tuple[SentenceCount, ...],
    clocks: tuple[ClockEntry, ...],
    data_health: DataHealth,
    dropped: Dropped,
) -> Summary:
    """Return the summary of findings with what the whole flow knows; see `Summary`."""
    return Summary(
        **{f.name: getattr(findings, f.name) for f in fields(Findings)},
        session=session, software_version=software_version, config_hash=config_hash, versions=versions,
        seal=seal, raw=raw, counts=counts, clocks=clocks, data_health=data_health, dropped=dropped,
    )  # fmt: skip


def as_json(value: Any) -> Any:
    """Return a summary, or any part of one, as JSON can hold it: no number stands where none is known."""
    if isinstance(value, DataHealth):
        return value.as_json()
    if is_dataclass(value):
        stored = _stored_fields(cast("Hashable", type(value)))
        kept = [(key, getattr(value, name), default) for name, key, default in stored]
        return {key: as_json(x) for key, x, default in kept if x != default}
    if isinstance(value, Mapping):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [as_json(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


@cache
def _stored_fields(kind: type[Any]) -> tuple[tuple[str, str, Any], ...]:
    """Return the name of each field of a record, its key in JSON and its default, with which it is left out."""
    return tuple((f.name, f.name.removesuffix("_"), f.default) for f in fields(kind))


Stored = TypeVar("Stored")


@cache
def _adapter(kind: type[Any] = Summary) -> TypeAdapter[Any]:
    return TypeAdapter(kind)


def parse_summary(text: str | bytes) -> Summary:
    """Return the summary that ``summary.json`` holds; see `parse_stored`."""
    return parse_stored(text, Summary)


def parse_stored(text: str | bytes, kind: type[Stored]) -> Stored:
    """Return what ``summary.json`` holds, of a trial of one session or of several.

    Args:
        text: Of the file.
        kind: What it is read as.

    Raises:
        TrialCaptureError: It is no JSON, lacks a key, or has one that is not known.
    """
    try:
        found: Stored = _adapter(cast("Hashable", kind)).validate_json(text, strict=True)
    except ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        raise TrialCaptureError(
            f"summary.json is not as this version of the program writes it: {first['msg'].lower()}",
            seen=repr(first["input"])[:80],
            where=".".join(str(part) for part in first["loc"]) or "summary.json",
            expected="a summary of this version; process the session again",
        ) from fault
    return found


def summary_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``summary.json``, made from the dataclasses."""
    schema = _adapter().json_schema(by_alias=True)
    kinds = [name for name, entry in schema["$defs"].items() if "cost" in entry["properties"]]
    for name in kinds:
        schema["$defs"][name] = _schema_of_fault(schema["$defs"][name])
    health = schema["$defs"]["DataHealth"]
    health |= {"required": list(health["properties"]), "additionalProperties": False}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema


def _schema_of_fault(entry: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of one kind of fault as the account writes it: times as text, and a sentence."""
    properties: dict[str, Any] = {}
    for name, what in entry["properties"].items():
        may_be_null = any(x.get("type") == "null" for x in what.get("anyOf", ()))
        time = {"type": ["string", "null"] if may_be_null else "string", "format": "date-time"}
        properties[name.removesuffix("_ns")] = time if name.endswith("_ns") else what
    if {"start", "stop"} <= properties.keys() and "against" not in properties:
        properties["seconds"] = {"type": "number"}
    properties["text"] = {"type": "string"}
    return entry | {"properties": properties, "required": list(properties), "additionalProperties": False}
