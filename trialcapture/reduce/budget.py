"""The uncertainty budget of every band: what each cause adds to the standard uncertainty of its speed and fuel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import pyarrow as pa
import scipy

from trialcapture.buffers import to_arrow, truths
from trialcapture.config import Config, Fuel, Steady
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.bands import Band, band_key
from trialcapture.reduce.engine_checks import usable_fuel_l
from trialcapture.reduce.runs import NS_PER_H, IntArray, Legs, Runs, RunSequence, read_numbers, select_legs
from trialcapture.reduce.summary import (
    BandBudget,
    BandStandardErrors,
    BudgetTerm,
    QuantityBudget,
    StandardErrorComparison,
    StandardErrors,
    TrialStatistics,
)
from trialcapture.reduce.uncertainty import LEVEL, BoolArray, Budget, FloatArray, Term, weighted_mean
from trialcapture.reduce.vectorfit import VectorFit

STRONGEST_CURRENT_KN = 3.0
"""Strength up to which any current is as likely as any other, where nobody has said more (common practice, no
source)."""
ROOM_ABOVE_FOUND = 1.5
"""By what factor the strongest current is above the one found along the line, at least (our choice)."""
WEAKEST_ALONG_KN = 0.1
"""A current along the line is never known better than this, as far as the one abeam follows from it (our choice)."""
UNSEEN_BENT_KN = 0.7
"""Current abeam, one standard deviation, that may have bent the courses both ways, at least: most of what is believed
of a current (common practice, no source)."""
ONE_LINE_DEG = 30.0
"""Runs whose lines all lie within this angle show no current abeam by themselves (common practice, no source)."""


_FIT_SOURCES = {
    "sampling": "spread within each leg over its effective sample size",
    "repeat": "spread of runs about their bands, pooled over the trial",
    "current": "fit of one changing current to all runs",
    "heading": "fit, error of the headings",
    "rpm match": "slope of speed against rpm, 30 %",
    "wind": "effect of the wind that the runs both ways do not show",
    "choice of model": "spread between likely strengths of current and scatter",
}
"""Where the terms that the fit knows come from."""


def speed_budget(
    fit: VectorFit,
    runs: Runs,
    weights: FloatArray,
    line_heading_deg: FloatArray,
    legs: Legs,
    clocks: pa.Table | None,
    outlying: list[int],
    refused_u_kn: FloatArray,
    settling_u_kn: FloatArray,
    current_max_kn: float | None,
) -> Budget:
    """Return the budget of the band speeds [kn].

    Beside what the fit knows (sampling, repeat, current, heading, rpm match, choice of model) these are Type B: the
    receiver's own bias, which no number of runs reduces; the rounding of its speed; the clocks; a current abeam that
    a boat without heading cannot see on one line of runs; half of what an outlying run would move; what a refused run
    back puts in doubt; and what is left of the approach to the speeds.

    Args:
        fit: Fit to all runs.
        runs: The runs.
        weights: Share of each run in the means of its band, both ways alike, shape (B, n).
        line_heading_deg: Direction of each run's line, NaN where only one way was run.
        legs: The accepted segments.
        clocks: Clocks table; None or without offsets counts nothing.
        outlying: Indices of outlying runs.
        refused_u_kn: From `refused_return_u_kn`.
        settling_u_kn: From `find_settling`.
        current_max_kn: Strongest current of the place, where people gave it.

    Source: GUM (JCGM 100:2008) 4.3, 5.1.2.
    """
    values = legs.values
    n_bands = fit.speed_kn.size
    bias = np.where(np.isfinite(values["sog_bias_u_kn"]), values["sog_bias_u_kn"], SOG_BIAS_U_KN)
    slope = np.abs(np.nan_to_num(values["sog_slope_kn_per_min"])) / 60.0
    members = [[leg for k in np.flatnonzero(runs.band == b) for leg in runs.members[k]] for b in range(n_bands)]
    by_fit, rounding = _without_rounding(fit, runs)
    terms = [
        Term(name, u, _FIT_SOURCES[name], freedom=fit.repeat_freedom if name == "repeat" else np.inf)
        for name, u in by_fit.items()
    ]
    clock = np.array([_worst_clock_s(clocks, legs, m) * slope[m].mean() for m in members])
    terms += [
        Term("rounding", rounding, "least count of the speed readings"),
        Term("receiver bias", np.array([bias[m].mean() for m in members]), "speed against positions", is_common=True),
        Term("clock alignment", clock, "slope of the speed times the widest clock"),
        Term("run back refused", refused_u_kn, "refused runs back against the fitted current"),
    ]
    if settling_u_kn.any():
        terms.append(Term("settling", settling_u_kn, "slopes and bends of all legs along their approach"))
    if _sees_no_current_abeam(runs, line_heading_deg):
        unseen = _unseen_abeam_kn(fit, runs, weights, line_heading_deg, current_max_kn)
        terms.append(Term("current abeam unseen", unseen, "c²/2V without a heading"))
    if outlying:
        moved = np.zeros(n_bands)
        for k in outlying:
            moved[runs.band[k]] += abs(fit.gain[runs.band[k], k] * fit.residual_kn[k])
        terms.append(Term("outlying run", moved / 2.0, "half of what leaving it out moves"))
    return Budget(tuple(terms))


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
    legs: Legs, runs: Runs, weights: FloatArray, engine_ids: Sequence[str], quantity: str
) -> FloatArray:
    """Return what rounding leaves open in the sum over engines of a quantity of each band, shape (B,).

    Args:
        legs: The accepted segments.
        runs: The runs.
        weights: Share of each run in the means of its band, shape (B, n).
        engine_ids: Engines.
        quantity: ``rpm`` or ``fuel_l_per_h``.
    """
    values, duration = legs.values, legs.values["duration_s"]

    def means(name: str) -> FloatArray:
        return np.array([weighted_mean(values[name][m], duration[m]) for m in runs.members])

    stem = {"rpm": "rpm_{}", "fuel_l_per_h": "fuel_l_per_h_{}"}[quantity]
    at = [means(f"{stem.format(e)}_mean") for e in engine_ids]
    u = [means(f"{stem.format(e)}_rounding_u") for e in engine_ids]
    if not at:
        return np.zeros(weights.shape[0])
    found = [rounding_in_mean(np.tile(w, len(at)), np.concatenate(at), np.concatenate(u)) for w in weights]
    return np.array(found)


def _without_rounding(fit: VectorFit, runs: Runs) -> tuple[dict[str, FloatArray], FloatArray]:
    """Return the terms of the fit without what rounding of the speed adds to the sampling error, and that by itself.

    The fit takes rounding for an error of each run by itself; runs at one reading have it in common.
    """
    terms, own = dict(fit.terms_u_kn), runs.rounding_u_kn
    if not own.any():
        return terms, np.zeros(fit.speed_kn.size)
    terms["sampling"] = np.sqrt(np.maximum(terms["sampling"] ** 2 - fit.gain**2 @ own**2, 0.0))
    return terms, np.array([rounding_in_mean(g, runs.sog_kn, own) for g in fit.gain])


def economy_budget(
    economy_nm_per_l: FloatArray, speed_kn: FloatArray, speed: Budget, rate_l_per_h: FloatArray, fuel: Budget
) -> Budget:
    """Return the budget of the economies [nm/L].

    What holds a boat back, at the same engine speed, also loads the engine more: its propeller's torque falls about as
    its advance grows. By such causes (`RESISTANCE_TERMS`) speed and fuel err against each other; how far, cannot
    exceed what either of them errs by. The calibration of the fuel figures and the receiver's bias have nothing in
    common.

    Args:
        economy_nm_per_l: Speed over fuel rate, shape (B,); NaN where unknown.
        speed_kn: Of each band.
        speed: Its budget.
        rate_l_per_h: Fuel rate of each band; NaN where unknown.
        fuel: Its budget.

    Source: GUM (JCGM 100:2008) 5.1.6, relative uncertainties of a quotient, and 5.2.2, correlated quantities.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        by_speed, by_fuel = economy_nm_per_l / speed_kn, economy_nm_per_l / rate_l_per_h
    together = []
    for name in RESISTANCE_TERMS:
        # errors that go against each other add up once more, 2 u(V) u(F), beside their squares
        opposed = np.minimum(by_speed * speed.term(name), by_fuel * fuel.term(name))
        freedom = np.minimum(_freedom_of(speed, name), _freedom_of(fuel, name))
        together.append(Term(f"{name}, opposed", np.sqrt(2.0) * opposed, "slower at more fuel", freedom=freedom))
    for term in speed.terms:
        if term.name in RPM_TERMS:
            # speed and fuel at another engine speed are both higher or both lower
            apart = np.abs(by_speed * term.u - by_fuel * fuel.term(term.name))
            together.append(replace(term, u=apart))
    parts = (*speed.without(RPM_TERMS).parts(by_speed, "speed"), *fuel.without(RPM_TERMS).parts(by_fuel, "fuel"))
    return Budget((*parts, *together))


RESISTANCE_TERMS = ("repeat", "wind", "settling")
"""Causes that hold the boat back at one engine speed, and so load her engines."""


def resistance_terms(speed: Budget, speed_kn: FloatArray, rate_l_per_h: FloatArray) -> list[Term]:
    """Return what wind and settling do to the fuel rates [L/h]: the same share as to the speeds.

    Source: at constant engine speed the torque of a propeller falls about in proportion to its advance near its best
    efficiency (open-water curves such as those of the Wageningen B series, Oosterveld & van Oossanen 1975,
    International Shipbuilding Progress 22:251; from memory).
    """
    return [
        replace(term, u=np.abs(rate_l_per_h) * term.u / speed_kn)
        for term in speed.terms
        if term.name in RESISTANCE_TERMS and term.name != "repeat"
    ]


RPM_TERMS = ("tachometer", "rpm rounding")
"""Causes that make the engine speed another than the one that is read."""


def tachometer_share(config: Config) -> float:
    """Return the standard uncertainty of the engine speed as shown, as a share of it: one error for all engines."""
    return max((e.rpm_u_pct for e in config.engine), default=0.0) / 100.0


def tachometer_terms(
    values: FloatArray, power: FloatArray, rpm: FloatArray, rounding_u_rpm: FloatArray, config: Config
) -> tuple[Term, Term]:
    """Return what a wrong engine speed does to a quantity "at 3000 rpm": two terms, common and own.

    Args:
        values: Of the quantity, shape (B,).
        power: Its exponent on engine speed, shape (B,).
        rpm: Engine speed of each band; NaN where unknown.
        rounding_u_rpm: What rounding of the tachometer leaves open in it.
        config: Engines.

    Source: GUM (JCGM 100:2008) 5.1.2, with the sensitivity of a power law.
    """
    share = tachometer_share(config)
    known = np.isfinite(rpm) & (rpm > 0)
    moves = np.abs(values) * power
    rounded = np.where(known, moves * rounding_u_rpm / np.where(known, rpm, 1.0), 0.0)
    return (
        Term("tachometer", np.where(known, moves * share, 0.0), f"{100 * share:g} % of the engine speed", True),
        Term("rpm rounding", rounded, "least count of the engine speed"),
    )


def _freedom_of(budget: Budget, name: str) -> FloatArray:
    return np.asarray(next((t.freedom for t in budget.terms if t.name == name), np.inf), dtype=np.float64)


def range_budget(economy_nm_per_l: FloatArray, economy: Budget, settings: Fuel) -> Budget:
    """Return the budget of the ranges [nm]: economy, the tank's capacity, and the share of it that can be drawn.

    Args:
        economy_nm_per_l: Of each band, shape (B,).
        economy: Its budget.
        settings: ``[fuel]`` of the configuration, with a capacity.

    Source: GUM (JCGM 100:2008) 5.1.6: the relative variances of a product's factors add up.
    """
    usable = np.full(economy_nm_per_l.shape, usable_fuel_l(settings) or np.nan)
    range_nm = usable * economy_nm_per_l
    capacity = range_nm * settings.capacity_u_pct / 100.0
    share = range_nm * settings.usable_u / settings.usable_fraction
    return Budget(
        (
            *economy.parts(usable, "economy"),
            Term("tank capacity", capacity, f"{settings.capacity_u_pct:g} % of it", is_common=True),
            Term("usable share", share, f"{settings.usable_u:g} of {settings.usable_fraction:g}", is_common=True),
        )
    )


@dataclass(frozen=True, slots=True)
class BandQuantities:
    """The four quantities of a band with their budgets, shape (B,) each; range is None without a tank's capacity."""

    speed_kn: FloatArray
    speed: Budget
    fuel_l_per_h: FloatArray
    fuel: Budget
    economy_nm_per_l: FloatArray
    economy: Budget
    range_nm: FloatArray
    range: Budget | None

    def items(self) -> list[tuple[str, str, FloatArray, Budget]]:
        """Return name, unit, values and budget of each quantity that there is."""
        found = [
            ("speed", "kn", self.speed_kn, self.speed),
            ("fuel", "l/h", self.fuel_l_per_h, self.fuel),
            ("economy", "nm/l", self.economy_nm_per_l, self.economy),
        ]
        return [*found, ("range", "nm", self.range_nm, self.range)] if self.range else found


def budget_entries(bands: list[Band], quantities: BandQuantities) -> tuple[BandBudget, ...]:
    """Return the budgets for the summary, one entry a band; terms that add nothing are left out."""
    return tuple(
        BandBudget(
            **band_key(band),
            quantities=tuple(
                _quantity_budget(name, unit, float(value[b]), budget, b)
                for name, unit, value, budget in quantities.items()
                if np.isfinite(value[b])
            ),
        )
        for b, band in enumerate(bands)
    )


def _quantity_budget(name: str, unit: str, value: float, budget: Budget, b: int) -> QuantityBudget:
    terms = []
    for term in budget.terms:
        u, freedom = float(term.u[b]), float(np.broadcast_to(term.freedom, term.u.shape)[b])
        if u > 0.0:
            terms.append(BudgetTerm(term.name, u, term.is_common, _finite(freedom), term.source))
    return QuantityBudget(
        quantity=name,
        unit=unit,
        value=value,
        u=float(budget.u[b]),
        own_u=float(budget.own_u[b]),
        common_u=float(budget.common_u[b]),
        freedom=_finite(float(budget.freedom[b])),
        coverage_factor=float(budget.k[b]),
        terms=tuple(terms),
    )


def _finite(freedom: float) -> float | None:
    return freedom if np.isfinite(freedom) else None


def _worst_clock_s(clocks: pa.Table | None, legs: Legs, members: Sequence[int]) -> float:
    """Return the largest uncertainty of a clock that placed any of these legs [s].

    A piece of an engine log counts where it overlaps one of them; every other clock counts for all.
    """
    if clocks is None or not clocks.num_rows:
        return 0.0
    u = read_numbers(clocks, "offset_u_s")
    begins, ends = read_numbers(clocks, "from_ns"), read_numbers(clocks, "to_ns")
    start, stop = legs.start_ns[members], legs.stop_ns[members]
    overlaps = (start[None, :] <= ends[:, None]) & (stop[None, :] >= begins[:, None])
    u = np.where(np.isnan(begins) | overlaps.any(axis=1), u, np.nan)
    return float(np.nanmax(u)) if np.isfinite(u).any() else 0.0


def _unseen_abeam_kn(
    fit: VectorFit, runs: Runs, weights: FloatArray, line_heading_deg: FloatArray, current_max_kn: float | None
) -> FloatArray:
    """Return what a current abeam, unseen without a heading, may do to each band's speed [kn, k=1], shape (B,).

    A current c abeam changes the speed by c²/2V: by more where the course was held, by less where the heading was. How
    strong it may be follows from the one found along the line (`likely_abeam_kn`), and from drifts where the boat lay
    in neutral, which show it. Where the courses both ways are not quite reciprocal it changes the speed by its share
    along their bisector too, and courses cannot tell whether a drift bent them, which the mean of both ways loses, or
    the helm.
    """
    radians = np.radians(runs.cog_deg)
    ways = np.column_stack([np.cos(radians), np.sin(radians)])
    along_var = np.einsum("ni,nij,nj->n", ways, fit.run_current_cov, ways)
    along = np.sqrt(weights @ (np.sum(ways * fit.run_current_kn, axis=1) ** 2 + along_var))
    abeam = likely_abeam_kn(along, current_max_kn)
    if fit.has_drifts:
        sides = np.column_stack([-ways[:, 1], ways[:, 0]])
        drifted = 2.0 * np.sqrt(weights @ np.einsum("ni,nij,nj->n", sides, fit.run_current_cov, sides))
        abeam = np.minimum(abeam, drifted)
    bisector = np.hypot(weights @ ways[:, 0], weights @ ways[:, 1])
    both_ways = np.array([np.isfinite(line_heading_deg[w > 0]).all() for w in weights])
    bent = np.maximum(UNSEEN_BENT_KN, abeam / 2.0) * np.where(both_ways, bisector, 0.0)
    # a boat slower than the stream loses no more than all of it
    through = np.minimum(abeam**2 / (2.0 * np.maximum(fit.speed_kn, 1.0)), abeam) / 2.0
    return np.asarray(np.hypot(through, bent), dtype=np.float64)


def likely_abeam_kn(along_kn: FloatArray, current_max_kn: float | None = None) -> FloatArray:
    """Return the current abeam that 95.45 % of all currents do not exceed which have this along the line [kn].

    Taken before the trial: the strength of the current is as likely anything between nothing and the strongest, its
    direction is any. The density of the part c abeam beside a part a along is then as 1/√(a² + c²), and its
    distribution as asinh(c/a).

    Args:
        along_kn: Root mean square of the current along the line, its uncertainty in it.
        current_max_kn: The strongest; None takes `STRONGEST_CURRENT_KN`.

    Source: Bayes' rule for a vector of uniform strength and direction (elementary).
    """
    along = np.maximum(along_kn, WEAKEST_ALONG_KN)
    strongest = np.maximum(STRONGEST_CURRENT_KN if current_max_kn is None else current_max_kn, ROOM_ABOVE_FOUND * along)
    most = np.arcsinh(np.sqrt(strongest**2 - along**2) / along)
    return np.asarray(along * np.sinh(LEVEL * most), dtype=np.float64)


def _sees_no_current_abeam(runs: Runs, line_heading_deg: FloatArray) -> bool:
    """Return whether the boat has no heading and all its lines are one.

    Lines run both ways count where there are any: drift turns single courses, and a band run one way tells nothing of
    the current as long as its own speed is not known.
    """
    if np.isfinite(runs.heading_deg).all():
        return False
    lines = line_heading_deg[np.isfinite(line_heading_deg)]
    doubled = np.radians(2.0 * (lines if lines.size else runs.cog_deg))
    apart = np.abs(np.angle(np.exp(1j * (doubled[:, None] - doubled[None, :]))))
    return bool(np.degrees(apart.max()) / 2.0 < ONE_LINE_DEG)


# ------------------------------------------------------------------------------
# Two standard errors of every mean speed side by side: by effective sample size, and by blocking.
# ------------------------------------------------------------------------------

DISAGREE_FACTOR = 2.0
"""Standard errors further apart than this are told (common practice, no source)."""
_CHANCE = 0.01
"""Share of sound bands that few blocks may make look unsound, on either side (our choice)."""


def compare_standard_errors(legs: Legs, band: IntArray, bands: list[Band]) -> StandardErrorComparison:
    """Return per band, and for all legs together, the standard error of the mean speed found in two ways.

    The effective sample size of a leg comes from the autocorrelation of all legs; blocking needs none of it. A leg
    holds few blocks, so their own spread is known badly; a band disagrees only where the two differ by more than a
    factor of two beyond what so few blocks leave open (1 % of the chi-square distribution on either side).

    Args:
        legs: Accepted segments.
        band: Band of each leg; negative for none.
        bands: The bands.

    Returns:
        The comparison; bands without a leg long enough for blocks are left out.

    Source: Flyvbjerg & Petersen 1989, J. Chem. Phys. 91:461.
    """
    entries = []
    for b, limits in enumerate(bands):
        entry = _compare(legs, band == b)
        if entry is not None:
            entries.append(BandStandardErrors(**band_key(limits), **asdict(entry)))
    return StandardErrorComparison(DISAGREE_FACTOR, tuple(entries), _compare(legs, band >= 0))


def describe_statistics(legs: Legs, band: IntArray, bands: list[Band], config: Config) -> TrialStatistics:
    """Return what was done to the samples of the legs, and how their standard errors compare."""
    left_out = legs.values["n_outliers"]
    known = config.steady.chauvenet and bool(np.isfinite(left_out).any())
    return TrialStatistics(
        chauvenet=config.steady.chauvenet,
        values_left_out=int(np.nansum(left_out)) if known else None,
        standard_errors=compare_standard_errors(legs, band, bands),
    )


def _compare(legs: Legs, members: BoolArray) -> StandardErrors | None:
    values = legs.values
    by_size, by_blocks, blocks = values["sog_u_kn"], values["sog_u_blocking_kn"], values["sog_blocks"]
    use = members & np.isfinite(by_blocks) & np.isfinite(blocks) & (blocks > 1) & (by_size > 0)
    if not use.any():
        return None
    ours, theirs = (float(np.sqrt(np.mean(u[use] ** 2))) for u in (by_size, by_blocks))
    freedom = float(np.sum(blocks[use] - 1))
    low, high = (float(np.sqrt(scipy.special.chdtri(freedom, p) / freedom)) for p in (1.0 - _CHANCE, _CHANCE))
    ratio = theirs / ours
    return StandardErrors(
        n_eff_u_kn=ours,
        blocking_u_kn=theirs,
        ratio=ratio,
        blocks=int(blocks[use].sum()),
        agree=bool(low / DISAGREE_FACTOR <= ratio <= high * DISAGREE_FACTOR),
    )


# ------------------------------------------------------------------------------
# What a run back that was refused still says about a band run one way: whether the current is the others' current.
#
# A hold is refused where its speed did not settle or too little of it was left. Its mean is no measurement of the band,
# but a current taken from other bands has to hold there too: where the mean of both ways lies far from the speed found
# with it, the water at this band was not the water of the others (a front, an eddy, the lee of a headland).
# ------------------------------------------------------------------------------

SHORTEST_S = 15.0
"""A refused hold shorter than this says nothing (common practice, no source)."""
ONE_STEP_PCT = 2.0
"""Engine speeds within this are one step, for a hold whose speed is only a check (common practice, no source)."""
UNKNOWN_CURRENT_KN = 0.7
"""No refused hold makes a current more uncertain than one nothing is known of (common practice, no source)."""
ELSEWHERE_SHARE = 0.5
"""A one-way run lies on the other side of a front that another band shows, or does not (no source)."""


def select_refused(segments: pa.Table, engine_ids: Sequence[str]) -> Legs:
    """Return the refused segments, by whoever refused them, as `select_legs` returns the accepted ones.

    Args:
        segments: Segments of the trial set.
        engine_ids: Engines in the order of the configuration.
    """
    names = [n for n in ("reviewed_accepted", "accepted") if n in segments.column_names]
    if not names:
        return select_legs(segments, engine_ids)
    refused = to_arrow(~truths(segments.column(names[0])))
    return select_legs(segments.drop_columns(names).append_column("accepted", refused), engine_ids)


def refused_return_u_kn(
    refused: Legs,
    legs: Legs,
    runs: Runs,
    sequences: list[RunSequence],
    speed_kn: FloatArray,
    band_rpm: FloatArray,
    steady: Steady,
) -> FloatArray:
    """Return by how much refused runs back put the speed of bands run one way in doubt [kn, k=1], shape (B,).

    It is the difference between the speed found and the mean of both ways. Bands run one way without such a hold get
    half of the largest difference seen in the trial. Bands run both ways get 0: their own runs show their current.

    Args:
        refused: From `select_refused`.
        legs: The accepted segments; gives the origin of time.
        runs: The runs.
        sequences: Which runs are reciprocal.
        speed_kn: Speed found for each band, shape (B,).
        band_rpm: Engine speed it holds for, shape (B,); NaN where unknown.
        steady: ``reciprocal_deg``, ``reciprocal_max_gap_min`` and ``heading_sd_deg`` are used.
    """
    found = np.full(speed_kn.size, np.nan)
    both_ways = {s.band for s in sequences if s.weights is not None}
    one_way = [b for b in range(speed_kn.size) if b not in both_ways]
    if both_ways:
        for b in one_way:
            found[b] = _apart_kn(refused, legs, runs, b, float(speed_kn[b]), float(band_rpm[b]), steady)
    if not np.isfinite(found).any():
        return np.zeros(speed_kn.size)
    elsewhere = ELSEWHERE_SHARE * float(np.nanmax(found))
    doubt = np.zeros(speed_kn.size)
    doubt[one_way] = np.where(np.isfinite(found[one_way]), found[one_way], elsewhere)
    return np.minimum(doubt, UNKNOWN_CURRENT_KN)


def _apart_kn(
    refused: Legs, legs: Legs, runs: Runs, band: int, speed_kn: float, band_rpm: float, steady: Steady
) -> float:
    """Return how far the mean of both ways is from the speed of a band, by its longest refused way back; NaN if none.

    Speeds are brought to the band's engine speed in proportion (constant slip).
    """
    values, own = refused.values, np.flatnonzero(runs.band == band)
    start_h = (refused.start_ns - legs.t0_ns) / NS_PER_H
    stop_h = (refused.stop_ns - legs.t0_ns) / NS_PER_H
    straight = ~(values["heading_sd_deg"] > steady.heading_sd_deg)
    same_step = np.abs(values["rpm_mean"] / band_rpm - 1.0) <= ONE_STEP_PCT / 100.0
    usable = straight & same_step & (values["duration_s"] >= SHORTEST_S)
    best_s, apart = 0.0, np.nan
    for k in own:
        back = np.abs(wrap_deg(values["cog_true_deg_mean"] - runs.cog_deg[k] - 180.0)) <= steady.reciprocal_deg
        gap_h = np.maximum(start_h - runs.stop_h[k], runs.start_h[k] - stop_h)
        near = 60.0 * gap_h <= steady.reciprocal_max_gap_min
        for i in np.flatnonzero(usable & back & near):
            if values["duration_s"][i] > best_s:
                best_s = float(values["duration_s"][i])
                there = runs.sog_kn[k] * band_rpm / runs.rpm[k]
                here = values["sog_kn_mean"][i] * band_rpm / values["rpm_mean"][i]
                apart = abs(speed_kn - (there + here) / 2.0)
    return float(apart)


# ------------------------------------------------------------------------------
# What is left of the approach to a speed: too little to show in one leg, and alike in all of a trial.
#
# Both ways of a band are approached from below, the first from a lower speed and the second out of a turn, so a mean of
# both does not lose it. After the change v(t) = V - a step exp(-t / tau): of a leg, slope and bend show how much of it
# is left. All legs have the share a of their step and the time constant tau in common.
# ------------------------------------------------------------------------------

_TAUS_S = np.geomspace(15.0, 240.0, 13)
"""Time constants of a slow approach that are tried, all as likely [s]: quicker ones are cut off, slower ones are a
change of the water (our choice, no source)."""
_SHARE_SD = 0.15
"""Share of the step that a slow part may be, one standard deviation (our choice, no source)."""
_SLOW_PRIOR = 0.2
"""How likely a hull is to have a slow part, before a trial is seen (our choice, no source)."""
_CLEARLY = 0.95
"""From this likelihood on it is told, with how much longer to hold (common practice, no source)."""
_SCATTER_PRIOR = 4.0
"""Figures for which it counts beforehand that slopes and bends scatter as their errors say (our choice, no source)."""
_LEFT_TOLERANCE_KN = 0.05
"""What may be left of an approach [kn], as for one leg in `exponential_settling` (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Settling:
    """What is left of the approach to the speeds of a trial.

    Attributes:
        drop_kn: Change of speed over a leg along its approach, all legs together [kn]; positive where speed goes on in
            the direction of its approach, negative where it comes back from beyond. NaN without legs that tell.
        drop_u_kn: Its standard uncertainty.
        likelihood: How likely something is left that matters, 0 to 1.
        tau_s: Time constant of it.
        left_kn: How far the speed of each band is below what it settles at, if something is left [kn], shape (B,).
        u_kn: Standard uncertainty of the band speeds for it: the root mean square of what may be left, shape (B,).
        longer_s: How much longer to hold before speeds are taken [s]; 0 where nothing shows.
    """

    drop_kn: float
    drop_u_kn: float
    likelihood: float
    tau_s: float
    left_kn: FloatArray
    u_kn: FloatArray
    longer_s: float

    @property
    def is_clear(self) -> bool:
        """Whether something is left beyond doubt."""
        return self.likelihood >= _CLEARLY


def find_settling(legs: Legs, runs: Runs, weights: FloatArray) -> Settling:
    """Return what slopes and bends of all legs together show to be left of the approach to their speeds.

    The mean of a leg of length T lacks ``left (1 - exp(-T / tau)) tau / T``, left being what is left as it begins.
    Its slope alone tells nothing of tau; the bend does, and legs of other lengths and other waits. What they leave open
    stays in the uncertainty: time constants are averaged by how well each explains all legs, and so is the case that
    nothing is left. The correction is not applied: its root mean square is the uncertainty for it.

    Args:
        legs: The accepted segments.
        runs: The runs.
        weights: Share of each run in the means of its band, both ways alike, shape (B, n).

    Source: first-order linear response (elementary); linear model with a normal prior, Gelman et al., *Bayesian Data
    Analysis*, chapter 14 (from memory).
    """
    values = legs.values
    step = np.nan_to_num(values["approach_step_kn"])
    length_s, wait_s = values["duration_s"], np.nan_to_num(values["since_change_s"])
    drop, drop_u = (values[n] * length_s / 60.0 for n in ("sog_slope_kn_per_min", "sog_slope_u_kn_per_min"))
    tells = (step != 0.0) & np.isfinite(drop) & (drop_u > 0.0)
    nothing = np.zeros(weights.shape[0])
    if not tells.any():
        return Settling(np.nan, np.nan, 0.0, np.nan, nothing, nothing, 0.0)
    bent = tells & np.isfinite(values["sog_bend_kn"]) & (values["sog_bend_u_kn"] > 0.0)
    seen = np.concatenate([drop[tells], values["sog_bend_kn"][bent]])
    seen_u = np.concatenate([drop_u[tells], values["sog_bend_u_kn"][bent]])
    by_tau = [_shape_of_remainder(length_s, wait_s, tau_s) for tau_s in _TAUS_S]
    shapes = np.stack([np.concatenate([(step * d)[tells], (step * b)[bent]]) for _, d, b in by_tau]) / seen_u
    share, share_u, chance = _share_left(shapes, seen / seen_u)
    lacks = np.stack([_in_bands(step * mean, legs, runs, weights) for mean, _, _ in by_tau])
    likelihood = _SLOW_PRIOR * float(np.exp(chance).mean())
    likelihood /= likelihood + 1.0 - _SLOW_PRIOR
    of_tau = np.exp(chance - chance.max())
    of_tau /= of_tau.sum()
    left = of_tau @ (share[:, None] * lacks)
    u = np.sqrt(likelihood * (of_tau @ ((share**2 + share_u**2)[:, None] * lacks**2)))
    tau_s = float(np.exp(of_tau @ np.log(_TAUS_S)))
    most = float(np.abs(left).max())
    longer_s = tau_s * float(np.log(most / _LEFT_TOLERANCE_KN)) if most > _LEFT_TOLERANCE_KN else 0.0
    along, weight = np.sign(step[tells]) * drop[tells], drop_u[tells] ** -2
    pooled = float(along @ weight / weight.sum())
    scatter = _scatter((along - pooled) / drop_u[tells], 1)
    return Settling(
        pooled, scatter / float(np.sqrt(weight.sum())), likelihood, tau_s, left, u,
        longer_s if likelihood >= _CLEARLY else 0.0,
    )  # fmt: skip


def _shape_of_remainder(
    length_s: FloatArray, wait_s: FloatArray, tau_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what a step of one knot, all of it slow, takes from the mean of each leg, and adds to its drop and bend.

    Integrals over a leg, from -1 to 1, by Gauss-Legendre quadrature.
    """
    at, share = np.polynomial.legendre.leggauss(24)
    left = np.exp(-(wait_s[:, None] + length_s[:, None] * (1.0 + at) / 2.0) / tau_s)
    mean, slope, bend = (
        left @ (share * form) for form in (0.5 * np.ones(24), 1.5 * at, 45.0 / 8.0 * (at**2 - 1.0 / 3.0))
    )
    return mean, -2.0 * slope, -bend


def _share_left(shapes: FloatArray, seen: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return by time constant the share of the step that is left, its uncertainty, and how much likelier it makes it.

    Args:
        shapes: What the whole step would show, over the standard error of each figure, shape (taus, figures).
        seen: What shows, likewise, shape (figures,).

    Returns:
        The third is the logarithm of the likelihood of what shows, over that without anything left.
    """
    power, match = (shapes**2).sum(axis=1), shapes @ seen
    best = int(np.argmax(match**2 / np.maximum(power, 1e-12)))
    scale = _scatter(seen - shapes[best] * match[best] / max(float(power[best]), 1e-12), 1) ** 2
    precision = power / scale + _SHARE_SD**-2
    share = match / scale / precision
    chance = 0.5 * (share**2 * precision - np.log(precision * _SHARE_SD**2))
    return share, precision**-0.5, chance


def _scatter(standardised: FloatArray, fitted: int) -> float:
    """Return by what factor residuals scatter more, or less, than their standard errors say.

    Something left makes the legs seem to wander slowly, which the standard errors hold; their scatter does not.
    """
    freedom = standardised.size - fitted + _SCATTER_PRIOR
    return float(np.sqrt((standardised @ standardised + _SCATTER_PRIOR) / freedom))


def _in_bands(of_leg: FloatArray, legs: Legs, runs: Runs, weights: FloatArray) -> FloatArray:
    """Return the mean of a figure of each leg over the runs of each band."""
    duration_s = legs.values["duration_s"]
    of_run = np.array([weighted_mean(of_leg[m], duration_s[m]) for m in runs.members])
    return np.asarray(weights @ of_run, dtype=np.float64)
