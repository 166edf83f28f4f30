"""Two trials, or two groups of them, side by side: what differs at equal engine speed, and whether that is real.

Errors that both have in common (the same receiver, the same calibration of the fuel figures, the same tachometer, the
same tank) move both alike and cancel; which ones these are follows from what the sessions say of themselves, and the
caller may know better. Values are compared at equal engine speed: as held, brought to it along the curve over a short
way, or between two bands of a session, with what the curve may do between them in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any, ClassVar, Literal

import numpy as np
import pyarrow as pa
import scipy
from pydantic import ConfigDict, TypeAdapter, ValidationError

from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.air_drag import RunsInWind, WindLoss, unmeasured_loss, wind_losses
from trialcapture.reduce.bands import POWER_U, SAME_STEP_PCT, power_at
from trialcapture.reduce.summary import (
    BandBudget,
    BoatStatement,
    EngineStatement,
    FuelStatement,
    LoadSheet,
    QuantityBudget,
    SealStatement,
    SentenceCount,
    SessionOrigin,
    TrialConditions,
    TrialStatement,
)
from trialcapture.reduce.tables import QUANTITY_UNITS
from trialcapture.reduce.uncertainty import (
    ComparedValue,
    Comparison,
    FloatArray,
    combine_uncertainties,
    compare_values,
    coverage_factor,
    effective_degrees_of_freedom,
)

SharedKind = Literal["receiver", "fuel figures", "tachometer", "tank", "air drag"]
"""What two sessions may have in common that moves both results alike."""
SHARED_KINDS: tuple[SharedKind, ...] = ("receiver", "fuel figures", "tachometer", "tank", "air drag")
RULE = (
    "Real: the two differ by more than k times the standard uncertainty of their ratio, k being the coverage factor "
    "for 95 % (2 with many degrees of freedom). Else within noise. Errors that both share take no part."
)
"""Of the verdict, as it is printed."""
FARTHEST_PCT = 3.0
"""A band is brought along its curve no further than this share of the engine speed (common practice, no source)."""
WIDEST_GAP = 1.5
"""Between bands further apart than this factor of engine speed nothing is interpolated (common practice, no source)."""
CURVE_U = 0.002
"""Least standard uncertainty of a value between two bands, as a share of it (our choice)."""
STEEPEST_STEP = 0.05
"""A curve that climbs by more than this share beyond what its neighbours tell may have its hump anywhere between two
bands: then nothing is interpolated (our choice, tried on simulated hulls)."""
LEAST_LOSS_PCT = 0.05
"""What the wind took is not worth a remark where it is less of every speed (our choice)."""
LEG_COLUMNS = (
    "run", "band_name", "way", "rpm_mean", "through_water_kn", "fuel_l_per_h_mean", "heading_true_deg_mean",
    "cog_true_deg_mean", "sog_kn_mean", "wind_speed_true_kn_mean", "wind_from_true_deg_mean",
)  # fmt: skip
"""What is read of the legs."""
_KIND_OF: dict[str, SharedKind] = {
    "receiver bias": "receiver", "speed, common": "receiver", "calibration": "fuel figures",
    "no calibration": "fuel figures", "fuel, common": "fuel figures", "tachometer": "tachometer",
    "tank capacity": "tank", "usable share": "tank",
}  # fmt: skip
"""Terms of the budgets that all bands of a session share, and what they come from."""


# ------------------------------------------------------------------------------
# What is compared: the parts of a result that a comparison reads, as this or an earlier version wrote them.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DerivedSession:
    """What a comparison reads of a summary; keys that it does not know are left alone.

    Attributes: as of `trialcapture.reduce.summary.Summary`.
    """

    session: SessionOrigin
    software_version: str
    config_hash: str
    boat: BoatStatement
    engines: tuple[EngineStatement, ...]
    trial: TrialStatement
    load: LoadSheet
    fuel: FuelStatement
    conditions: TrialConditions
    counts: tuple[SentenceCount, ...]
    budgets: tuple[BandBudget, ...]
    seal: SealStatement

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="ignore")


@cache
def _adapter() -> TypeAdapter[DerivedSession]:
    return TypeAdapter(DerivedSession)


def parse_derived(text: str | bytes) -> DerivedSession:
    """Return what a comparison needs of a ``summary.json``, also of another version as far as it says the same.

    Raises:
        TrialCaptureError: It is no JSON, or lacks what a comparison needs.
    """
    try:
        return _adapter().validate_json(text, strict=True)
    except ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        raise TrialCaptureError(
            f"the result of a session cannot be compared: {first['msg'].lower()}",
            seen=repr(first["input"])[:80],
            where=".".join(str(part) for part in first["loc"]) or "summary.json",
            expected="results of this version; derive the session again with 'trialcapture process' or, in an "
            "archive, 'trialcapture archive process'",
        ) from fault


@dataclass(frozen=True, slots=True)
class ComparedSession:
    """A session with its bands.

    Attributes:
        derived: What its summary says.
        bands: `trialcapture.reduce.tables.BANDS_SCHEMA`.
        legs: `LEG_COLUMNS` of `trialcapture.reduce.tables.LEGS_SCHEMA`.
    """

    derived: DerivedSession
    bands: pa.Table
    legs: pa.Table

    @property
    def id(self) -> str:
        """Of the session."""
        return self.derived.session.id


@dataclass(frozen=True, slots=True)
class SharedCause:
    """Whether an error is one and the same in all sessions compared, and why that is believed."""

    kind: SharedKind
    is_shared: bool
    reason: str


def find_shared(sessions: Sequence[ComparedSession], stated: Mapping[SharedKind, bool]) -> tuple[SharedCause, ...]:
    """Return which errors the sessions share, as far as they say so themselves.

    Args:
        sessions: All of both sides.
        stated: What somebody knows better.
    """
    found = []
    for kind in SHARED_KINDS:
        if kind in stated:
            words = "the same in all" if stated[kind] else "another one in some"
            found.append(SharedCause(kind, stated[kind], f"{words}, as stated for this comparison"))
            continue
        said = {_identity(kind, session.derived) for session in sessions}
        found.append(SharedCause(kind, len(said) == 1, _reason(kind, len(said) == 1)))
    return tuple(found)


def _reason(kind: SharedKind, is_shared: bool) -> str:
    if is_shared:
        return {
            "receiver": "same boat, and the satellite receivers have the same source names",
            "fuel figures": "same boat and engines, and the same calibration or none",
            "tachometer": "same boat and engines",
            "tank": "same boat, and the tank is stated alike",
            "air drag": "same boat",
        }[kind]
    return {
        "receiver": "another boat, or receivers of other source names",
        "fuel figures": "another boat, other engines or another calibration",
        "tachometer": "another boat or other engines",
        "tank": "another boat, or the tank is stated otherwise",
        "air drag": "another boat",
    }[kind]


def _identity(kind: SharedKind, of: DerivedSession) -> tuple[object, ...]:
    boat = (" ".join(of.boat.name.casefold().split()), of.boat.length_m)
    engines = tuple((e.id, e.model, e.rated_rpm, e.rated_kw) for e in of.engines)
    if kind == "receiver":
        return (*boat, *sorted({c.source for c in of.counts if c.good and c.formatter in ("RMC", "VTG")}))
    if kind == "fuel figures":
        checked = of.fuel.calibration
        return (*boat, engines, None if checked is None else (checked.factor, checked.origin, checked.u_pct))
    if kind == "tachometer":
        return (*boat, engines)
    if kind == "air drag":
        return boat
    return (*boat, of.fuel.capacity_l, of.fuel.usable_fraction)


# ------------------------------------------------------------------------------
# One session at any engine speed.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Reading:
    """A quantity of one session at one engine speed.

    Attributes:
        value: In the unit of the quantity.
        own_u, own_freedom: Standard uncertainty that is the session's own here, and its degrees of freedom.
        shared_u: By cause, what may be shared with other sessions.
        how: "held", or from where it was brought.
        ways: Of the band; the fewer of two.
        flags: Of the bands it rests on.
    """

    value: float
    own_u: float
    own_freedom: float
    shared_u: Mapping[str, float]
    how: str
    ways: int
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Curve:
    """A quantity over the engine speeds of one session, ascending; at least one point."""

    rpm: FloatArray
    readings: tuple[_Reading, ...]
    power: FloatArray
    """d ln q / d ln rpm at each point."""

    def at(self, rpm: float, *, is_held: bool) -> _Reading | str:
        """Return the value at an engine speed, or why there is none.

        Args:
            rpm: Engine speed.
            is_held: Whether the session held it, so that the next band is the one.
        """
        away = np.abs(np.log(self.rpm / rpm))
        near = int(np.argmin(away))
        brought = self._brought(near, rpm) if away[near] <= np.log1p(FARTHEST_PCT / 100.0) else None
        if is_held and brought is not None:
            return replace(brought, how="held")
        between = self._between(rpm)
        if brought is not None and (isinstance(between, str) or brought.own_u <= between.own_u):
            return brought
        return between

    def _brought(self, near: int, rpm: float) -> _Reading:
        reading, step = self.readings[near], float(np.log(rpm / self.rpm[near]))
        factor = float(np.exp(self.power[near] * step))
        moved_u = reading.value * factor * POWER_U * abs(step)
        own_u = combine_uncertainties(reading.own_u * factor, moved_u)
        freedom = effective_degrees_of_freedom([reading.own_u * factor, moved_u], [reading.own_freedom, np.inf])
        return replace(
            reading, value=reading.value * factor, own_u=own_u, own_freedom=float(freedom),
            shared_u={kind: u * factor for kind, u in reading.shared_u.items()},
            how=f"brought from {self.rpm[near]:.0f} rpm",
        )  # fmt: skip

    def _between(self, rpm: float) -> _Reading | str:
        """Return a value between two bands: shape-preserving interpolation of logarithms.

        What the curve may do between the bands is taken from how much its slope changes around them: half of the
        deviation of a parabola of that change, and, where the slope between them is steeper (or flatter) than before
        and after, a step of that height that lies anywhere between.

        Source: Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5:300 (interpolation); GUM (JCGM 100:2008) 5.1.2.
        """
        if rpm < self.rpm[0] or rpm > self.rpm[-1]:
            return f"run from {self.rpm[0]:.0f} to {self.rpm[-1]:.0f} rpm only" if self.rpm.size > 1 else "not run"
        x, log_rpm = np.log(self.rpm), float(np.log(rpm))
        y = np.log([r.value for r in self.readings])
        right = int(np.clip(np.searchsorted(x, log_rpm), 1, x.size - 1))
        left = right - 1
        names = f"{self.rpm[left]:.0f} and {self.rpm[right]:.0f} rpm"
        if self.rpm[right] / self.rpm[left] > WIDEST_GAP:
            return f"nothing was run between {names}, which are too far apart"
        slopes, width = np.diff(y) / np.diff(x), float(x[right] - x[left])
        around = slopes[max(left - 2, 0) : left + 3]
        beside = [slopes[k] for k in (left - 1, left + 1) if 0 <= k < slopes.size]
        bend = width * float(np.abs(around - slopes[left]).max())
        beyond = max(slopes[left] - max(beside), min(beside) - slopes[left], 0.0) if beside else 0.0
        if width * beyond > STEEPEST_STEP or not beside:
            return f"the curve may have a step between {names}" if beside else f"only {names} were run"
        t = (log_rpm - float(x[left])) / width
        share = t * (1.0 - t)
        curve_u = float(np.sqrt((share * bend / 2.0) ** 2 + (width * beyond) ** 2 * share + CURVE_U**2))
        value = float(np.exp(scipy.interpolate.PchipInterpolator(x, y)(log_rpm)))
        a, b = self.readings[left], self.readings[right]
        parts = [(1.0 - t) * value * a.own_u / a.value, t * value * b.own_u / b.value, value * curve_u]
        kinds = dict.fromkeys((*a.shared_u, *b.shared_u))
        return _Reading(
            value=value, own_u=combine_uncertainties(*parts),
            own_freedom=float(effective_degrees_of_freedom(parts, [a.own_freedom, b.own_freedom, np.inf])),
            shared_u={
                k: value * ((1.0 - t) * a.shared_u.get(k, 0.0) / a.value + t * b.shared_u.get(k, 0.0) / b.value)
                for k in kinds
            },
            how=f"between {names}", ways=min(a.ways, b.ways), flags=tuple(dict.fromkeys((*a.flags, *b.flags))),
        )  # fmt: skip


def _curves(session: ComparedSession, scatter: Mapping[str, _FittedScatter], wind: WindLoss) -> dict[str, _Curve]:
    """Return the quantities of a session over its engine speeds; without what it does not know.

    Args:
        session: The session.
        scatter: From `_fit_scatter`.
        wind: What the wind did to each band; it is taken out.
    """
    rows, by_name = _known_rows(session), {budget.band_name: budget for budget in session.derived.budgets}
    rpm = np.array([r["rpm_mean"] for r in rows], dtype=np.float64)
    powers = _powers(rows)
    found = {}
    for quantity in QUANTITY_UNITS:
        points = [(k, _read(by_name[row["band_name"]], quantity, row, scatter, k)) for k, row in enumerate(rows)]
        known = [(k, reading) for k, reading in points if reading is not None]
        known = [(k, _in_still_air(reading, wind, quantity, k)) for k, reading in known]
        if known:
            places = [k for k, _ in known]
            found[quantity] = _Curve(rpm[places], tuple(r for _, r in known), powers[quantity][places])
    return found


def _known_rows(session: ComparedSession) -> list[Mapping[str, Any]]:
    """Return the bands of known engine speed, ascending; of two at one engine speed, the first."""
    names = {budget.band_name for budget in session.derived.budgets}
    found: dict[float, Mapping[str, Any]] = {}
    for row in session.bands.to_pylist():
        if row["band_name"] in names and _is_size(row["rpm_mean"]) and _is_size(row["speed_kn"]):
            found.setdefault(float(row["rpm_mean"]), row)
    return [found[rpm] for rpm in sorted(found)]


def _is_size(value: Any) -> bool:
    """Return whether a value is a positive number that may be one of a boat: files come from strangers."""
    return isinstance(value, int | float) and 1e-9 < value < 1e9


def _powers(rows: Sequence[Mapping[str, Any]]) -> dict[str, FloatArray]:
    """Return d ln q / d ln rpm of each quantity at each band."""
    rpm, speed, fuel = (
        np.array([r[name] or np.nan for r in rows], dtype=np.float64)
        for name in ("rpm_mean", "speed_kn", "fuel_l_per_h")
    )
    of_speed = np.array([power_at(speed, rpm, k, 1.0, 4.0) for k in range(rpm.size)])
    of_fuel = np.array([power_at(fuel, rpm, k, 3.0, 6.0) for k in range(rpm.size)])
    return {"speed": of_speed, "fuel": of_fuel, "economy": of_speed - of_fuel, "range": of_speed - of_fuel}


def _read(
    budgets: BandBudget, quantity: str, row: Mapping[str, Any], scatter: Mapping[str, _FittedScatter], band: int
) -> _Reading | None:
    budget = budgets.of(quantity)
    sizes = () if budget is None else (budget.own_u, budget.u, *(term.u for term in budget.terms))
    if budget is None or not _is_size(budget.value) or not all(0.0 <= u < 1e9 for u in sizes):
        return None
    fitted = scatter.get("economy" if quantity == "range" else quantity)
    if fitted is None:
        own = [term for term in budget.terms if not term.is_common]
        parts = [term.u for term in own]
        freedom = [np.inf if term.freedom is None else max(term.freedom, 1.0) for term in own]
        own_u = budget.own_u
    else:
        pooled = budget.value * _scatter_share(budgets, quantity)[0]
        parts = [float(pooled * fitted.factor[band]), float(np.sqrt(max(budget.own_u**2 - pooled**2, 0.0)))]
        freedom = [float(fitted.freedom[band]), np.inf]
        own_u = combine_uncertainties(*parts)
    return _Reading(
        value=budget.value, own_u=own_u,
        own_freedom=float(effective_degrees_of_freedom(parts, freedom)) if parts else float("inf"),
        shared_u=_shared_u(budgets, budget), how="held", ways=row["ways"] or 1,
        flags=tuple(flag for flag in str(row["flags"] or "").split(";") if flag),
    )  # fmt: skip


def _in_still_air(reading: _Reading, wind: WindLoss, quantity: str, band: int) -> _Reading:
    """Return a reading without what the wind of its trial did to it.

    How a boat answers to wind is an error that her trials share; a wind that was not measured is each trial's own.
    """
    moved, moved_u = (float(x[band]) for x in wind.of(quantity))
    factor = float(np.exp(-moved))
    shared_u = {kind: u * factor for kind, u in reading.shared_u.items()}
    return replace(
        reading, value=reading.value * factor, own_u=reading.own_u * factor,
        shared_u=shared_u | {"air drag" if wind.is_measured else "wind not measured": reading.value * factor * moved_u},
    )  # fmt: skip


def _shared_u(budgets: BandBudget, budget: QuantityBudget) -> dict[str, float]:
    """Return what all bands of a session share, by what it comes from; a term of another name stands by itself."""
    found: dict[str, float] = {}
    for term in budget.terms:
        if not term.is_common:
            continue
        economy = budgets.of("economy")
        parts = {_KIND_OF.get(term.name, term.name): term.u}
        if term.name == "economy, common" and economy is not None and _is_size(economy.value):
            parts = {k: u * budget.value / economy.value for k, u in _shared_u(budgets, economy).items()}
        for kind, u in parts.items():
            found[kind] = combine_uncertainties(found.get(kind), u)
    return found


# ------------------------------------------------------------------------------
# How the scatter of runs grows with speed.
#
# The reduction pools the scatter of all runs of a trial in knots, which few runs ask for. Where scatter goes with the
# speed, as waves make it, that is too much for slow bands and too little for fast ones: a verdict on one band would be
# wrong too seldom or too often. Here the scatter of a band is the pooled one times c (V / V0)^p; c of each session and
# one p of all of them follow from how runs of one band and one way differ.
# ------------------------------------------------------------------------------

_EXPONENTS = np.linspace(-1.0, 3.0, 41)
_FACTORS = np.exp(np.linspace(-1.5, 1.5, 23))
_EXPONENT_MEAN, _EXPONENT_SD = 0.75, 0.6
"""Of p, before anything is seen: scatter in knots (0), in per cent (1) and, in the economy of a planing hull, growing
faster than the speed (1.5) are all met (common practice, no source; the last on simulated hulls)."""
_FACTOR_SD = 0.7
"""Of ln c: the pooled scatter comes from the same runs, so it shall say little more than the order (our choice)."""


@dataclass(frozen=True, slots=True)
class _RunScatter:
    """How runs of one band and way differ, of one session and quantity, as shares; shape (B,) each.

    Attributes:
        squares, freedom: Sum of squares of the differences, and degrees of freedom.
        pooled, other: Variances of one run: what the pooled scatter makes it, and what else differs from run to run.
        log_speed: Logarithm of the speed, less its mean.
    """

    squares: FloatArray
    freedom: FloatArray
    pooled: FloatArray
    other: FloatArray
    log_speed: FloatArray


@dataclass(frozen=True, slots=True)
class _FittedScatter:
    """What the scatter of runs is multiplied with in each band, and its degrees of freedom; shape (B,) each."""

    factor: FloatArray
    freedom: FloatArray


def _fit_scatter(sessions: Sequence[ComparedSession]) -> dict[str, dict[str, _FittedScatter]]:
    """Return by session and quantity how runs scatter in each band of known engine speed, where runs show it.

    What is known of a variance is taken for a scaled inverse chi-square of the mean and the variance that its logarithm
    has, so that Student's t with these degrees of freedom tells how far a mean may lie off.

    Source: a variance that is a power of the mean, on a grid, Davidian & Carroll 1987, J. Am. Stat. Assoc. 82:1079
    (variance functions); Gelman et al., *Bayesian Data Analysis*, section 3.2 (Student's t); both from memory.
    """
    found: dict[str, dict[str, _FittedScatter]] = {session.id: {} for session in sessions}
    for quantity in ("speed", "fuel", "economy"):
        seen = {s.id: scatter for s in sessions if (scatter := _run_scatter(s, quantity)) is not None}
        if not seen:
            continue
        prior = -0.5 * ((_EXPONENTS - _EXPONENT_MEAN) / _EXPONENT_SD) ** 2
        chances = {name: _log_chance(scatter) for name, scatter in seen.items()}
        of_p = {name: _log_sum(chance, axis=1) for name, chance in chances.items()}
        whole = prior + np.sum(list(of_p.values()), axis=0)
        for name, scatter in seen.items():
            # what the others say of p stands beside what this session says of both
            joint = chances[name] + (whole - of_p[name])[:, None]
            weight = np.exp(joint - joint.max())
            weight /= weight.sum()
            found[name][quantity] = _as_student(weight, scatter.log_speed)
    return found


def _as_student(weight: FloatArray, log_speed: FloatArray) -> _FittedScatter:
    """Return scale and degrees of freedom of a variance whose exponent and factor have these weights.

    Of a scaled inverse chi-square with n degrees of freedom the logarithm has the mean ln s² + 1/n and the variance
    2/n + 2/n², but for terms of 1/n³.
    """
    of_log = 2.0 * (np.log(_FACTORS)[None, :, None] + _EXPONENTS[:, None, None] * log_speed)
    mean = np.einsum("pc,pcb->b", weight, of_log)
    spread = np.maximum(np.einsum("pc,pcb->b", weight, (of_log - mean) ** 2), 1e-6)
    freedom = (1.0 + np.sqrt(1.0 + 2.0 * spread)) / spread
    return _FittedScatter(np.exp((mean - 1.0 / freedom) / 2.0), freedom)


def _log_chance(scatter: _RunScatter) -> FloatArray:
    """Return the logarithm of the likelihood of what is seen times the prior of c, shape (exponents, factors)."""
    grows = np.exp(2.0 * _EXPONENTS[:, None, None] * scatter.log_speed) * np.square(_FACTORS)[None, :, None]
    variance = scatter.pooled * grows + scatter.other
    fit = -0.5 * (scatter.freedom * np.log(variance) + scatter.squares / variance).sum(axis=2)
    return np.asarray(fit - 0.5 * np.square(np.log(_FACTORS) / _FACTOR_SD)[None, :], dtype=np.float64)


def _log_sum(values: FloatArray, axis: int) -> FloatArray:
    most = values.max()
    return np.asarray(np.log(np.exp(values - most).sum(axis=axis)) + most, dtype=np.float64)


def _run_scatter(session: ComparedSession, quantity: str) -> _RunScatter | None:
    """Return how runs of one band and way differ; None where no two of one way tell."""
    rows, by_name = _known_rows(session), {budget.band_name: budget for budget in session.derived.budgets}
    values = _run_values(session, rows, quantity)
    squares, freedom, pooled, other, speed = [], [], [], [], []
    for row in rows:
        budgets = by_name[row["band_name"]]
        of_scatter, of_other = _scatter_share(budgets, quantity)
        of_band = [x for key, x in values.items() if key[0] == row["band_name"]]
        runs = sum(len(x) for x in of_band)
        inside = [np.asarray(x) - np.mean(x) for x in of_band]
        squares.append(sum(float(x @ x) for x in inside))
        freedom.append(sum(len(x) - 1 for x in of_band))
        pooled.append(max(of_scatter**2 * max(runs, 1), 1e-12))
        other.append(of_other**2 * max(runs, 1))
        speed.append(row["speed_kn"] or 1.0)
    if not sum(freedom):
        return None
    log_speed = np.log(np.array(speed))
    return _RunScatter(
        np.array(squares), np.array(freedom), np.array(pooled), np.array(other), log_speed - log_speed.mean()
    )


def _run_values(
    session: ComparedSession, rows: Sequence[Mapping[str, Any]], quantity: str
) -> dict[tuple[str, int], list[float]]:
    """Return the logarithm of the quantity in each run at the engine speed of its band, by band and way."""
    powers = _powers(rows)["fuel"].tolist()
    of_band = {row["band_name"]: (row["rpm_mean"], power) for row, power in zip(rows, powers, strict=True)}
    found: dict[tuple[str, int], list[float]] = {}
    for leg in _runs_of(session):
        if leg["band_name"] not in of_band or not _is_size(leg["rpm_mean"]):
            continue
        rpm, power = of_band[leg["band_name"]]
        speed = leg["through_water_kn"] if quantity != "fuel" else 1.0
        fuel = (leg["fuel_l_per_h_mean"] or 0.0) * (rpm / leg["rpm_mean"]) ** power if quantity != "speed" else 1.0
        if _is_size(speed) and _is_size(fuel):
            value = {"speed": np.log(speed), "fuel": np.log(fuel), "economy": np.log(speed / fuel)}[quantity]
            found.setdefault((leg["band_name"], leg["way"]), []).append(float(value))
    return found


def _runs_of(session: ComparedSession) -> list[dict[str, Any]]:
    """Return one leg of each run, the last."""
    return list({leg["run"]: leg for leg in session.legs.select(LEG_COLUMNS).to_pylist()}.values())


def _scatter_share(budgets: BandBudget, quantity: str) -> tuple[float, float]:
    """Return what the scatter of runs, and their sampling, add to a band's mean, as shares of the quantity."""

    def share(of: str, *names: str) -> float:
        budget = budgets.of(of)
        if budget is None or not budget.value > 0.0:
            return 0.0
        return combine_uncertainties(*(t.u / budget.value for t in budget.terms if t.name in names))

    speed, fuel = share("speed", "repeat"), share("fuel", "repeat")
    sampling = share("speed", "sampling")
    if quantity == "speed":
        return speed, sampling
    if quantity == "fuel":
        return fuel, 0.0
    return combine_uncertainties(speed, fuel, share("economy", "repeat, opposed")), sampling


# ------------------------------------------------------------------------------
# What the wind of each trial did to its means.
# ------------------------------------------------------------------------------


def _wind_losses(
    first: Sequence[ComparedSession],
    second: Sequence[ComparedSession],
    scatter: Mapping[str, Mapping[str, _FittedScatter]],
    *,
    is_one: bool,
) -> dict[str, WindLoss]:
    """Return by session what the wind did to its bands; where any of them does not know its wind, none is corrected.

    Args:
        first, second: The sides.
        scatter: From `_fit_scatter`.
        is_one: Whether all sessions are of one boat that answers to wind in one way.
    """
    known = {s.id: _runs_in_wind(s, scatter[s.id].get("fuel")).with_holes_filled() for s in (*first, *second)}
    if not all(runs.is_known for runs in known.values()):
        noted = {s.id: s.derived.conditions.wind_speed_true_kn_mean for s in (*first, *second)}
        return {name: unmeasured_loss(runs.speed_kn, noted[name]) for name, runs in known.items()}
    groups: dict[tuple[object, ...], list[str]] = {}
    for side, sessions in enumerate((first, second)):
        for s in sessions:
            key = () if is_one else (side, _identity("air drag", s.derived))
            groups.setdefault(key, []).append(s.id)
    return {
        name: loss
        for names in groups.values()
        for name, loss in zip(names, wind_losses([known[n] for n in names]), strict=True)
    }


def _runs_in_wind(session: ComparedSession, fuel: _FittedScatter | None) -> RunsInWind:
    rows, by_name = _known_rows(session), {budget.band_name: budget for budget in session.derived.budgets}
    place, power = {row["band_name"]: n for n, row in enumerate(rows)}, _powers(rows)["fuel"]
    runs = [leg for leg in _runs_of(session) if leg["band_name"] in place]
    band = np.array([place[leg["band_name"]] for leg in runs], dtype=np.int64)

    def of(name: str) -> FloatArray:
        return np.array([np.nan if leg[name] is None else leg[name] for leg in runs], dtype=np.float64)

    cog = of("cog_true_deg_mean")
    heading = np.where(np.isfinite(of("heading_true_deg_mean")), of("heading_true_deg_mean"), cog)
    bow, drift = np.radians(of("wind_from_true_deg_mean") - heading), np.radians(cog - heading)
    wind, over_ground = of("wind_speed_true_kn_mean"), of("sog_kn_mean")
    # the current carries her through the air too
    ahead = wind * np.cos(bow) + over_ground * np.cos(drift) - of("through_water_kn")
    across = wind * np.sin(bow) + over_ground * np.sin(drift)
    rpm = np.array([row["rpm_mean"] for row in rows], dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        at_band = np.log(of("fuel_l_per_h_mean")) + power[band] * np.log(rpm[band] / of("rpm_mean"))
    count = np.bincount(band, minlength=len(rows)) if band.size else np.zeros(len(rows))
    share = np.array([_scatter_share(by_name[row["band_name"]], "fuel")[0] for row in rows])
    return RunsInWind(
        band=band, way=np.array([leg["way"] or 0 for leg in runs], dtype=np.int64),
        ahead_kn=ahead, across_kn=across,
        log_fuel=np.where(np.isfinite(at_band), at_band, np.nan),
        speed_kn=np.array([row["speed_kn"] for row in rows], dtype=np.float64),
        fuel_scatter=share * np.sqrt(count) * (1.0 if fuel is None else fuel.factor),
    )  # fmt: skip


# ------------------------------------------------------------------------------
# One side: a session, or the mean of several.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ComparedSide:
    """A quantity of one side at an engine speed, as it is printed.

    Attributes:
        value, u, k: Value, standard uncertainty with everything in it, and coverage factor of the printed ±.
        sessions: How many sessions it is the mean of.
        how: "held", or where it was taken from.
        ways: 2 where every session ran it both ways, else 1.
        flags: Of the bands behind it.
    """

    value: float
    u: float
    k: float
    sessions: int
    how: str
    ways: int
    flags: tuple[str, ...]


def _mean_of_side(
    readings: Sequence[tuple[ComparedSession, _Reading]], shared: Sequence[str]
) -> tuple[ComparedSide, ComparedValue]:
    """Return the mean of a side as printed, and as it is compared.

    Sessions count by the inverse squares of what is each one's own. Where they scatter about their mean by more than
    that, the standard uncertainty grows with the scatter, which has as many degrees of freedom as there are sessions
    less one. An error that some sessions of a side share does not shrink by averaging over these.

    Source: weighted mean with the Birge ratio, Birge 1932, Phys. Rev. 40:207 (from memory); GUM (JCGM 100:2008) 5.2.2.
    """
    values = np.array([r.value for _, r in readings])
    apart = [
        combine_uncertainties(r.own_u, *(u for k, u in r.shared_u.items() if k not in shared and _differs(k, readings)))
        for _, r in readings
    ]
    own = np.maximum(np.array(apart), 1e-12 * values)
    weights = own**-2 / np.sum(own**-2)
    mean = float(weights @ values)
    freedom = float(effective_degrees_of_freedom(weights * own, [r.own_freedom for _, r in readings]))
    birge = 1.0
    if values.size > 1:
        birge = float(np.sqrt(np.sum(((values - mean) / own) ** 2) / (values.size - 1)))
        if birge > 1.0:
            freedom = float(values.size - 1)
    own_u = max(birge, 1.0) * float(np.sqrt(np.sum((weights * np.array([r.own_u for _, r in readings])) ** 2)))
    kinds = dict.fromkeys(k for _, r in readings for k in r.shared_u)
    by_kind = {k: _summed(k, readings, weights, k in shared) for k in kinds}
    unshared_u = combine_uncertainties(*(u for k, u in by_kind.items() if k not in shared))
    whole_own_u = combine_uncertainties(own_u, unshared_u)
    whole_freedom = float(effective_degrees_of_freedom([own_u, unshared_u], [freedom, np.inf]))
    common = tuple(by_kind.get(k, 0.0) for k in shared)
    u = combine_uncertainties(whole_own_u, *common)
    k = float(
        coverage_factor(effective_degrees_of_freedom([whole_own_u, *common], [whole_freedom, *[np.inf] * len(common)]))
    )
    hows = list(dict.fromkeys(r.how for _, r in readings))
    side = ComparedSide(
        mean, u, k, values.size, hows[0] if len(hows) == 1 else "; ".join(hows), min(r.ways for _, r in readings),
        tuple(dict.fromkeys(flag for _, r in readings for flag in r.flags)),
    )  # fmt: skip
    return side, ComparedValue(mean, whole_own_u, common, whole_freedom)


def _differs(kind: str, readings: Sequence[tuple[ComparedSession, _Reading]]) -> bool:
    return len({_identity_of(kind, session) for session, _ in readings}) > 1


def _identity_of(kind: str, session: ComparedSession) -> tuple[object, ...]:
    return next((_identity(k, session.derived) for k in SHARED_KINDS if k == kind), (session.id,))


def _summed(
    kind: str, readings: Sequence[tuple[ComparedSession, _Reading]], weights: FloatArray, is_shared: bool
) -> float:
    """Return what a cause adds to the mean: sums within sessions that share it, root sum of squares between them."""
    sums: dict[tuple[object, ...], float] = {}
    for (session, reading), weight in zip(readings, weights.tolist(), strict=True):
        key = () if is_shared else _identity_of(kind, session)
        sums[key] = sums.get(key, 0.0) + weight * reading.shared_u.get(kind, 0.0)
    return combine_uncertainties(*sums.values())


# ------------------------------------------------------------------------------
# Both sides.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class QuantityDifference(Comparison):
    """One quantity of both sides at one engine speed, and how the second differs from the first, by `RULE`.

    Attributes:
        quantity, unit: What is compared.
        first, second: Of the two sides.
    """

    quantity: str
    unit: str
    first: ComparedSide
    second: ComparedSide


@dataclass(frozen=True, slots=True)
class BandDifference:
    """Both sides at one engine speed.

    Attributes:
        name: Of the row.
        rpm: Engine speed both stand for; None for the highest of each.
        quantities: What both know.
    """

    name: str
    rpm: float | None
    quantities: tuple[QuantityDifference, ...]

    def of(self, quantity: str) -> QuantityDifference | None:
        """Return one quantity; None where either side lacks it."""
        return next((q for q in self.quantities if q.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class NotCompared:
    """An engine speed, or a quantity at it, that only one side has, and why the other has none."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class SessionsCompared:
    """The result of a comparison.

    Attributes:
        first, second: The sessions of the two sides.
        remarks: What is to be read before the numbers.
        shared: Which errors cancel.
        bands: Ascending in engine speed.
        top: The highest engine speed of each side, each as it was; None where either has no band both ways.
        not_compared: What could not be compared.
        rule: `RULE`.
    """

    first: tuple[DerivedSession, ...]
    second: tuple[DerivedSession, ...]
    remarks: tuple[str, ...]
    shared: tuple[SharedCause, ...]
    bands: tuple[BandDifference, ...]
    top: BandDifference | None
    not_compared: tuple[NotCompared, ...]
    rule: str = RULE

    def counted(self) -> tuple[int, int]:
        """Return how many comparisons of bands there are, and how many are real."""
        every = [q for band in self.bands for q in band.quantities]
        return len(every), sum(q.is_real for q in every)


def compare_sessions(
    first: Sequence[ComparedSession],
    second: Sequence[ComparedSession],
    stated: Mapping[SharedKind, bool] | None = None,
) -> SessionsCompared:
    """Compare two sessions, or two groups of sessions, band by band at equal engine speed.

    Args:
        first, second: The sides; the difference is second less first.
        stated: Which errors are shared, or are not, where somebody knows better than the sessions say.

    Raises:
        TrialCaptureError: A side is empty, or a session stands on both sides or twice.

    Source: GUM (JCGM 100:2008) 5.2.2 (correlated input quantities), through `compare_values`.
    """
    _refuse_unusable(first, second)
    every = [*first, *second]
    causes = find_shared(every, stated or {})
    shared = [cause.kind for cause in causes if cause.is_shared]
    scatter = _fit_scatter(every)
    winds = _wind_losses(first, second, scatter, is_one="air drag" in shared)
    curves = {session.id: _curves(session, scatter[session.id], winds[session.id]) for session in every}
    bands, missing = [], []
    for row in _rows(first, second, curves):
        made: list[QuantityDifference] = []
        for quantity in QUANTITY_UNITS:
            sides = [_side(sessions, curves, quantity, row) for sessions in (first, second)]
            found = [side for side in sides if not isinstance(side, str)]
            if len(found) == 2:
                made.append(_difference(quantity, found[0], found[1], shared))
            elif found and quantity == "speed":
                number = next(n for n, side in enumerate(sides) if isinstance(side, str))
                missing.append(NotCompared(row.name, f"{'AB'[number]}: {sides[number]}"))
        if made:
            bands.append(BandDifference(row.name, row.rpm, tuple(made)))
    nameless = [s.id for s in every if not curves[s.id]]
    missing += [NotCompared(name, "it has no band of known engine speed") for name in nameless]
    return SessionsCompared(
        first=tuple(s.derived for s in first), second=tuple(s.derived for s in second),
        remarks=(*_remarks(first, second), *_wind_remarks(first, second, winds)), shared=causes, bands=tuple(bands),
        top=_top(first, second, curves, shared), not_compared=tuple(missing),
    )  # fmt: skip


def _refuse_unusable(first: Sequence[ComparedSession], second: Sequence[ComparedSession]) -> None:
    if not first or not second:
        raise TrialCaptureError("there is nothing to compare", seen="no session on one side", expected="two sides")
    ids = [session.id for session in (*first, *second)]
    twice = sorted({name for name in ids if ids.count(name) > 1})
    if twice:
        raise TrialCaptureError(
            "a session cannot be compared with itself", seen=f"{', '.join(twice)} more than once", expected="each once"
        )


@dataclass(frozen=True, slots=True)
class _Row:
    """An engine speed to compare at, and which sessions held it."""

    name: str
    rpm: float
    held_by: tuple[str, ...]


def _rows(
    first: Sequence[ComparedSession], second: Sequence[ComparedSession], curves: Mapping[str, Mapping[str, _Curve]]
) -> list[_Row]:
    """Return the engine speeds that either side held, ascending.

    Bands within `SAME_STEP_PCT` are one step, and so are two a little further apart that only one side each held: a
    step that came out differently, as full throttle does. Such a row stands for what the first side held.
    """
    ours = {session.id for session in first}
    points = sorted(
        (float(rpm), s.id) for s in (*first, *second) if "speed" in curves[s.id] for rpm in curves[s.id]["speed"].rpm
    )
    groups: list[list[tuple[float, str]]] = []
    for rpm, name in points:
        last = groups[-1] if groups else []
        is_new = not last or rpm > last[0][0] * (1.0 + SAME_STEP_PCT / 100.0) or any(name == n for _, n in last)
        if is_new:
            groups.append([(rpm, name)])
        else:
            last.append((rpm, name))
    merged: list[list[tuple[float, str]]] = []
    for group in groups:
        before = merged[-1] if merged else []
        sides = [{name in ours for _, name in g} for g in (before, group)]
        near = bool(before) and group[-1][0] <= before[0][0] * (1.0 + FARTHEST_PCT / 100.0)
        if near and len(sides[0]) == len(sides[1]) == 1 and sides[0] != sides[1]:
            before.extend(group)
        else:
            merged.append(list(group))
    rows = []
    for group in merged:
        own = [rpm for rpm, name in group if name in ours] or [rpm for rpm, _ in group]
        rpm = float(np.mean(own))
        rows.append(_Row(f"{rpm:.0f} rpm", rpm, tuple(name for _, name in group)))
    return rows


def _side(
    sessions: Sequence[ComparedSession], curves: Mapping[str, Mapping[str, _Curve]], quantity: str, row: _Row
) -> list[tuple[ComparedSession, _Reading]] | str:
    """Return what the sessions of a side show at an engine speed, or why none of them shows anything."""
    found, reasons = [], []
    for session in sessions:
        curve = curves[session.id].get(quantity)
        reading = "not known" if curve is None else curve.at(row.rpm, is_held=session.id in row.held_by)
        if isinstance(reading, str):
            reasons.append(reading)
        else:
            found.append((session, reading))
    held = [(s, r) for s, r in found if r.how == "held"]
    # what was held needs no help from what lies between other bands
    return held or found or "; ".join(dict.fromkeys(reasons))


def _difference(
    quantity: str,
    first: Sequence[tuple[ComparedSession, _Reading]],
    second: Sequence[tuple[ComparedSession, _Reading]],
    shared: Sequence[str],
) -> QuantityDifference:
    a, value_a = _mean_of_side(first, shared)
    b, value_b = _mean_of_side(second, shared)
    found = compare_values(value_a, value_b)
    return QuantityDifference(quantity=quantity, unit=QUANTITY_UNITS[quantity], first=a, second=b, **asdict(found))


def _top(
    first: Sequence[ComparedSession],
    second: Sequence[ComparedSession],
    curves: Mapping[str, Mapping[str, _Curve]],
    shared: Sequence[str],
) -> BandDifference | None:
    """Return both sides at the highest engine speed that each of their sessions ran both ways, each at its own."""
    sides: list[dict[str, list[tuple[ComparedSession, _Reading]]]] = []
    for sessions in (first, second):
        side: dict[str, list[tuple[ComparedSession, _Reading]]] = {}
        for session in sessions:
            for quantity, curve in curves[session.id].items():
                both = [n for n, r in enumerate(curve.readings) if r.ways == 2]
                if both:
                    highest = replace(curve.readings[both[-1]], how=f"held at {curve.rpm[both[-1]]:.0f} rpm")
                    side.setdefault(quantity, []).append((session, highest))
        sides.append(side)
    made = tuple(
        _difference(q, sides[0][q], sides[1][q], shared) for q in QUANTITY_UNITS if q in sides[0] and q in sides[1]
    )
    return BandDifference("highest engine speed of each", None, made) if made else None


def _remarks(first: Sequence[ComparedSession], second: Sequence[ComparedSession]) -> list[str]:
    """Return what is to be read before the numbers."""
    every = [s.derived for s in (*first, *second)]
    said = []
    versions: dict[str, list[str]] = {}
    for s in every:
        versions.setdefault(s.software_version, []).append(s.session.id)
    if len(versions) > 1:
        listed = "; ".join(f"{version}: {', '.join(names)}" for version, names in sorted(versions.items()))
        said.append(
            f"Derived by different versions of the program ({listed}): a difference may come from the program. "
            "'trialcapture archive process' derives all of them with one version."
        )
    boats = list(dict.fromkeys(" ".join(s.boat.name.split()) for s in every))
    if len({name.casefold() for name in boats}) > 1:
        said.append(f"Different boats: {', '.join(boats)}. At equal engine speed they need not be at equal power.")
    changed = [s.session.id for s in every if s.seal.state == "changed"]
    if changed:
        said.append(f"Changed since sealed: {', '.join(changed)}.")
    others = [s.session.id for s in every if s.seal.settings == "others"]
    if others:
        said.append(f"Computed with other settings than those of the session: {', '.join(others)}.")
    return said


def _wind_remarks(
    first: Sequence[ComparedSession], second: Sequence[ComparedSession], winds: Mapping[str, WindLoss]
) -> list[str]:
    """Return what was done about the winds of the trials."""
    unknown = [name for name, wind in winds.items() if not wind.is_measured and wind.speed_u.any()]
    if unknown:
        return [
            "The wind was not measured in every trial, so nothing is corrected for it; the ± holds what a wind may "
            "take from a mean of both ways."
        ]
    most = [
        max((100.0 * float(np.abs(winds[s.id].speed).max(initial=0.0)) for s in sessions), default=0.0)
        for sessions in (first, second)
    ]
    if max(most) < LEAST_LOSS_PCT:
        return []
    return [
        "Values are those in still air: what the measured wind took from a mean of both ways is taken out "
        f"(A: up to {most[0]:.1f} % of the speed, B: up to {most[1]:.1f} %). Sheets of the trials give what was "
        "reached in that wind."
    ]
