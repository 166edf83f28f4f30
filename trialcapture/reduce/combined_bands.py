"""Bands of a trial spread over several sessions: one table, in which only what agrees is averaged.

Each session keeps its own current, load and conditions, so its bands come out of a reduction of its own. A step that
was run in several of them is one row where the speeds agree within their uncertainty, and a row for each session where
they do not: a mean over two loads or two seas would be the speed of neither.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import table_of
from trialcapture.reduce.bands import SAME_STEP_PCT
from trialcapture.reduce.summary import (
    BestEconomy,
    BoatStatement,
    FittedCurrent,
    LoadSheet,
    PlanCell,
    PlanComparison,
    PlanState,
    Summary,
    TrialConditions,
    TrialWarning,
)
from trialcapture.reduce.tables import BANDS_SCHEMA, QUANTITY_COLUMNS
from trialcapture.reduce.uncertainty import (
    ComparedValue,
    Comparison,
    compare_values,
    coverage_factor,
    effective_degrees_of_freedom,
)

Row = Mapping[str, Any]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StepOfSessions:
    """One step that was run in two sessions, and how the second differs from the first.

    Attributes:
        band_name: Of the step.
        sessions: The two.
        quantity: ``speed``, ``fuel`` or ``economy``.
        difference, difference_u, k: Second less first, its standard uncertainty, and the coverage factor.
        is_real: Whether they differ by more than k u; else within noise.
    """

    band_name: str
    sessions: tuple[str, str]
    quantity: str
    difference: float
    difference_u: float
    k: float
    is_real: bool


@dataclass(frozen=True, slots=True)
class UnpairedStep:
    """One step that no session ran both ways and several ran one way: runs of different days are no pair.

    Attributes:
        band_name: Of the step.
        sessions: Those that ran it.
        is_averaged: Whether it is one row: each session has a current of its own, known from its other steps, and the
            speeds agree.
    """

    band_name: str
    sessions: tuple[str, ...]
    is_averaged: bool


@dataclass(frozen=True, slots=True)
class SessionOfTrial:
    """One session of a trial spread over several, with what was its own.

    Attributes:
        id: Of the session.
        folder: Where its copy and its own result lie, relative to the whole.
        config_hash: SHA-256 of its settings.
        root_of_files: Root of its files (`trialcapture.archive.seal`).
        load, conditions: As on its own page.
        seal: Whether its files are as they were sealed.
        current: Fitted to its runs alone.
        warnings: What is to be said of it.
    """

    id: str
    folder: str
    config_hash: str
    root_of_files: str
    seal: Literal["intact", "changed", "unsealed"]
    load: LoadSheet
    conditions: TrialConditions
    current: tuple[FittedCurrent, ...]
    warnings: tuple[TrialWarning, ...]


@dataclass(frozen=True, slots=True)
class BestOfSessions:
    """An answer of a trial spread over several sessions, and whose it is."""

    session_id: str
    band_name: str
    value: float
    u: float
    k: float
    unit: str


@dataclass(frozen=True, slots=True)
class CombinedTrial:
    """The result of a trial spread over several sessions, beside its band table.

    Attributes:
        schema_version: Of this object.
        software_version: Of the program that made it.
        boat: As stated in every session.
        sessions: In the order given.
        steps: Every step that two sessions have, compared.
        unpaired: Steps that several sessions ran one way and none both ways.
        top_speed: From runs both ways; None where something faster was seen and not held both ways.
        fastest_seen: What that was, and in which session.
        economy_planing, economy_displacement: The best of the sessions' own answers.
        plan: What became of their plans in all of them together; None without one.
    """

    schema_version: int
    software_version: str
    boat: BoatStatement
    sessions: tuple[SessionOfTrial, ...]
    steps: tuple[StepOfSessions, ...]
    unpaired: tuple[UnpairedStep, ...]
    top_speed: BestOfSessions | None
    fastest_seen: BestOfSessions | None
    economy_planing: BestOfSessions | None
    economy_displacement: BestOfSessions | None
    plan: PlanComparison | None


def session_letter(n: int) -> str:
    """Return what the n-th session of a trial goes by, counted from 0: A to Z, then AA."""
    return chr(65 + n) if n < 26 else session_letter(n // 26 - 1) + chr(65 + n % 26)


def combine_summaries(
    parts: Sequence[Summary], folders: Sequence[str], bands: pa.Table, steps: Sequence[StepOfSessions], version: str
) -> CombinedTrial:
    """Return the result of all sessions together.

    Args:
        parts: Summaries of the sessions.
        folders: Where each lies.
        bands: Of all of them, from `combine_bands`.
        steps: From `combine_bands`.
        version: Of the program.
    """
    both = [row for row in bands.to_pylist() if row["ways"] == 2 and row["speed_kn"] is not None]
    held = max(both, key=lambda row: row["speed_kn"], default=None)
    top = None if held is None else BestOfSessions(
        held["session_id"], held["band_name"], held["speed_kn"], held["speed_u_kn"], held["speed_k"], "kn"
    )  # fmt: skip
    seen = [
        BestOfSessions(s.session.id, "" if s.fastest_seen.rpm is None else f"{s.fastest_seen.rpm:.0f} rpm",
                       s.fastest_seen.speed_kn, s.fastest_seen.u_kn, s.fastest_seen.k, "kn")
        for s in parts if s.fastest_seen is not None
    ]  # fmt: skip
    fastest = max(seen, key=lambda found: found.value, default=None)
    if fastest is not None and top is not None:
        margin = 2.0 * float(np.hypot(fastest.u, top.u))
        fastest, top = (fastest, None) if fastest.value > top.value + margin else (None, top)
    return CombinedTrial(
        schema_version=1,
        software_version=version,
        boat=parts[0].boat,
        sessions=tuple(
            SessionOfTrial(s.session.id, folder, s.config_hash, s.seal.root_of_files, s.seal.state, s.load,
                           s.conditions, s.current.fit, s.warnings)
            for s, folder in zip(parts, folders, strict=True)
        ),
        steps=tuple(steps),
        unpaired=tuple(_unpaired(bands)),
        top_speed=top,
        fastest_seen=fastest,
        economy_planing=_best([(s.session.id, s.economy_planing) for s in parts]),
        economy_displacement=_best([(s.session.id, s.economy_displacement) for s in parts]),
        plan=combine_plans([s.plan for s in parts]),
    )  # fmt: skip


def _unpaired(bands: pa.Table) -> list[UnpairedStep]:
    """Return the steps of a combined table that were run one way by several sessions and both ways by none."""
    steps: list[list[Row]] = []
    for row in bands.to_pylist():
        home = next((step for step in steps if _is_one_step(step[0], row)), None)
        steps.append([row]) if home is None else home.append(row)
    made = []
    for step in steps:
        sessions = tuple(dict.fromkeys(name for row in step for name in row["session_id"].split("; ")))
        if len(sessions) > 1 and all(row["ways"] == 1 for row in step):
            made.append(UnpairedStep(step[0]["band_name"].split(", ")[0], sessions, len(step) == 1))
    return made


def _best(found: Sequence[tuple[str, BestEconomy | None]]) -> BestOfSessions | None:
    answers = [
        BestOfSessions(session, a.band_name, a.economy_nm_per_l, a.economy_u_nm_per_l, a.economy_k, "nm/L")
        for session, a in found
        if a is not None
    ]
    return max(answers, key=lambda answer: answer.value, default=None)


_STATES: tuple[PlanState, ...] = ("done", "half", "signed_off", "refused", "missing")
"""The best first."""


def combine_plans(parts: Sequence[PlanComparison | None]) -> PlanComparison | None:
    """Return what became of the plans of all sessions together: of each cell, the best that any of them made of it.

    Two halves of two sessions are no pair: they stay half.
    """
    known = [part for part in parts if part is not None]
    if not known:
        return None
    best: dict[tuple[str, str], PlanCell] = {}
    for cell in (cell for part in known for cell in part.cells):
        former = best.setdefault((cell.step, cell.way), cell)
        if _STATES.index(cell.state) < _STATES.index(former.state):
            best[cell.step, cell.way] = cell
    cells = sorted(best.values(), key=lambda cell: (cell.step_rpm is None, cell.step_rpm or 0.0))
    asked = {cell.step.split(",")[0] for cell in cells}
    beside = dict.fromkeys(name for part in known for name in part.beside if name not in asked)
    unfit = dict.fromkeys(text for part in known for text in part.unfit)
    # numbers of legs mean nothing beside those of another session
    whole = tuple(replace(cell, legs=()) for cell in cells)
    return replace(known[0], cells=whole, beside=tuple(beside), unfit=tuple(unfit))


def combine_bands(parts: Sequence[pa.Table]) -> tuple[pa.Table, list[StepOfSessions]]:
    """Return one band table of several sessions, and the comparison of every step that two of them have.

    Rows of one step are averaged by the inverse squares of what is each one's own uncertainty; what instruments and
    settings share is not made smaller by that. ``session_id`` of such a row names all its sessions. The economy of it
    is its speed over its fuel flow. A row run both ways is averaged with such rows only, and one run one way only where
    the current of its session is known from other steps: two ways of two days are no pair.

    Args:
        parts: `BANDS_SCHEMA` each, of sessions of one boat with the same instruments.

    Source: GUM (JCGM 100:2008) 5.1.2 and 5.2.2; weighted mean by least squares.
    """
    groups: list[list[Row]] = []
    for part in parts:
        for row in part.to_pylist():
            home = next((g for g in groups if _is_one_step(g[0], row) and _is_other_session(g, row)), None)
            if home is None:
                groups.append([row])
            else:
                home.append(row)
    compared: list[StepOfSessions] = []
    rows: list[dict[str, Any]] = []
    for group in groups:
        found = [c for a, b in combinations(group, 2) for c in _compare_rows(a, b)]
        compared += found
        alike = _alike(group)
        names = {row["session_id"] for row in alike}
        differ = any(c.is_real for c in found if c.quantity in ("speed", "fuel") and names.issuperset(c.sessions))
        if len(alike) > 1 and not differ:
            rows.append(_mean_row(alike))
            rows += [_own_row(row, True) for row in group if row["session_id"] not in names]
        else:
            rows += [_own_row(row, len(group) > 1) for row in group]
    rows.sort(key=lambda r: (r["band_rpm"] is None, r["band_rpm"] or r["speed_kn"] or 0.0))
    return table_of(rows, BANDS_SCHEMA), compared


def _is_one_step(a: Row, b: Row) -> bool:
    if a["band_rpm"] is None or b["band_rpm"] is None:
        return False
    return bool(abs(a["band_rpm"] - b["band_rpm"]) <= SAME_STEP_PCT / 100.0 * a["band_rpm"])


def _alike(group: Sequence[Row]) -> list[Row]:
    """Return the rows of a step that may be averaged: those run both ways, or else those whose current is known."""
    both = [row for row in group if row["ways"] == 2]
    return both or [row for row in group if "current-unknown" not in str(row["flags"] or "").split(";")]


def _is_other_session(group: Sequence[Row], row: Row) -> bool:
    return all(r["session_id"] != row["session_id"] for r in group)


def _value(row: Row, name: str) -> ComparedValue | None:
    column = QUANTITY_COLUMNS[name][0]
    own, common, freedom = (row[f"{name}_{key}"] for key in ("u_own", "u_common", "dof_own"))
    if row[column] is None or own is None or common is None or row[column] <= 0.0:
        return None
    return ComparedValue(row[column], own, common, np.inf if freedom is None else freedom)


def _compare_rows(a: Row, b: Row) -> list[StepOfSessions]:
    made = []
    for name in ("speed", "fuel", "economy"):
        first, second = _value(a, name), _value(b, name)
        if first is None or second is None:
            continue
        found: Comparison = compare_values(first, second)
        made.append(
            StepOfSessions(
                a["band_name"], (a["session_id"], b["session_id"]), name, found.difference, found.difference_u, found.k,
                found.is_real,
            )
        )  # fmt: skip
    return made


def _own_row(row: Row, is_apart: bool) -> dict[str, Any]:
    return {**row, "band_name": f"{row['band_name']}, {row['session_id']}"} if is_apart else dict(row)


def _mean_row(group: Sequence[Row]) -> dict[str, Any]:
    made: dict[str, Any] = dict(group[0])
    shares: dict[str, FloatArray] = {}
    for name in QUANTITY_COLUMNS:
        values = [_value(row, name) for row in group]
        known = np.array([v is not None for v in values])
        if not known.any():
            continue
        own, common, at = (
            np.array([0.0 if v is None else float(getattr(v, key)) for v in values])
            for key in ("own_u", "common_u", "value")
        )
        share = np.where(known, 1.0 / np.square(np.maximum(own, 1e-12)), 0.0)
        shares[name] = share = share / share.sum()
        made |= _mean_columns(name, float(share @ at), share * own, float(share @ common), values)
    if "speed" in shares and "fuel" in shares:
        made |= _economy(group, shares, made)
    else:
        made |= {key: None for name in ("economy", "range") for key in (*QUANTITY_COLUMNS[name], f"{name}_k",
                 f"{name}_u_own", f"{name}_u_common", f"{name}_dof_own")}  # fmt: skip
    legs = np.array([row["legs"] for row in group], dtype=np.float64)
    rpm = [row["rpm_mean"] for row in group]
    flags = dict.fromkeys(flag for row in group for flag in str(row["flags"] or "").split(";") if flag)
    return made | {
        "legs": int(legs.sum()), "ways": max(row["ways"] for row in group), "flags": ";".join(flags),
        "session_id": "; ".join(row["session_id"] for row in group),
        "rpm_mean": None if None in rpm else float(np.average(rpm, weights=legs)),
        # each session has a current of its own
        "current_kn": None, "current_towards_deg": None, "stw_kn": None,
        "depth_froude_max": max((row["depth_froude_max"] for row in group if row["depth_froude_max"] is not None),
                                default=None),
    }  # fmt: skip


def _mean_columns(
    name: str, value: float, own: FloatArray, common_u: float, values: Sequence[ComparedValue | None]
) -> dict[str, Any]:
    """Return the columns of a quantity from its value and what each session adds to its uncertainty."""
    column, u_column = QUANTITY_COLUMNS[name]
    freedoms = [np.inf if v is None else v.own_freedom for v in values]
    freedom = float(effective_degrees_of_freedom(own, freedoms))
    own_u = float(np.sqrt(own @ own))
    whole = effective_degrees_of_freedom([own_u, common_u], [freedom, np.inf])
    return {
        column: value, u_column: float(np.hypot(own_u, common_u)), f"{name}_u_own": own_u,
        f"{name}_u_common": common_u, f"{name}_k": float(coverage_factor(whole)),
        f"{name}_dof_own": freedom if np.isfinite(freedom) else None,
    }  # fmt: skip


def _economy(group: Sequence[Row], shares: Mapping[str, FloatArray], made: Mapping[str, Any]) -> dict[str, Any]:
    """Return economy and range of an averaged row: the ratio of its speed and fuel flow, never the mean of ratios.

    What speed and fuel flow of one session have in common follows from the uncertainty of its own ratio, so that it is
    neither lost nor counted twice.

    Source: GUM (JCGM 100:2008) 5.2.2, and its example H.2 for a ratio of correlated means.
    """
    by_speed, by_fuel = shares["speed"], shares["fuel"]
    columns: dict[str, Any] = {}
    economy = made["speed_kn"] / made["fuel_l_per_h"]
    for name in ("economy", "range"):
        values = [_value(row, name) for row in group]
        own, common = np.zeros(len(group)), np.zeros(len(group))
        for n, (row, v) in enumerate(zip(group, values, strict=True)):
            speed, fuel = _value(row, "speed"), _value(row, "fuel")
            speed_2 = 0.0 if speed is None else (speed.own_u / speed.value) ** 2
            fuel_2 = 0.0 if fuel is None else (fuel.own_u / fuel.value) ** 2
            both = by_speed[n] * by_fuel[n]
            covered = 0.0 if v is None else both * (speed_2 + fuel_2 - (v.own_u / v.value) ** 2)
            own[n] = np.sqrt(max(by_speed[n] ** 2 * speed_2 + by_fuel[n] ** 2 * fuel_2 - covered, 0.0))
            common[n] = np.nan if v is None else float(v.common_u) / v.value  # type: ignore[arg-type]
        known = np.isfinite(common)
        if not known.any():
            continue
        weights = by_fuel[known] / by_fuel[known].sum()
        value = economy
        if name == "range":
            litres = [row["range_nm"] / row["economy_nm_per_l"] for row, of in zip(group, known, strict=True) if of]
            value *= float(weights @ np.array(litres))
        columns |= _mean_columns(name, value, own * value, float(weights @ common[known]) * value, values)
    return columns
