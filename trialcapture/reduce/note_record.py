"""What people measured, found, weighed and photographed on a trial: tied to legs and manoeuvres, held against the load.

Sound, the tester's cruise and remarks are in `trialcapture.reduce.observations`; here is what else people noted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers
from trialcapture.config import Config, Tank, WalkRoundItem
from trialcapture.reduce.conditions import beaufort_force
from trialcapture.reduce.observations import NamedStretch, Observation, named_stretches, stretch_at, topic_of
from trialcapture.reduce.summary import (
    Findings,
    FuelBalance,
    LegFuel,
    LoadItem,
    NotedConditions,
    NotedFinding,
    NotedLoad,
    NotedMeasure,
    NotedPhoto,
    NoteRecord,
    TrialConditions,
    TrialWarning,
    WalkRoundEntry,
)
from trialcapture.reduce.tables import iso_utc, warn

LEAST_FLOW_SHARE = 0.95
"""Share of the time from the first sample in which the fuel flow must be known to tell what was burnt (our choice)."""
STATED_AS_READ = 0.02
"""A tank stated this close to what was read, as a share of it, is as stated (common practice, no source)."""
_NS_PER_H = 3_600_000_000_000


def with_note_record(
    findings: Findings, observed: Sequence[Observation], legs: pa.Table, overview: pa.Table, config: Config
) -> Findings:
    """Return the findings with what people measured, found, weighed and photographed.

    Conditions that no instrument told are those that people read.

    Args:
        findings: Of the reduction.
        observed: The notes, ascending in time.
        legs: `LEGS_SCHEMA`.
        overview: A row a second of the samples.
        config: Settings as used.
    """
    of: dict[str, list[Observation]] = {}
    for o in observed:
        of.setdefault(o.kind, []).append(o)
    stretches = named_stretches(findings, legs)
    conditions = tuple(_conditions_of(o, stretches) for o in of.get("conditions", ()))
    loads = tuple(_load_of(o, config.load.tanks, findings.load.items) for o in of.get("load", ()))
    record = NoteRecord(
        measures=tuple(
            NotedMeasure(iso_utc(o.t_ns), o.what, o.where, o.value, o.unit, _name(o.t_ns, stretches), o.by)
            for o in of.get("measure", ())
        ),
        findings=tuple(_finding_of(o, stretches) for o in of.get("finding", ())),
        walk_round=tuple(walk_round_entries(config.trial.walk_round, observed)),
        conditions=conditions,
        conditions_gap_s=_longest_gap_s(of.get("conditions", ()), findings.conditions),
        loads=loads,
        fuel=fuel_balance(loads, legs, overview, config) if any(load.tank for load in loads) else None,
        photos=tuple(_photo_of(o, stretches) for o in observed if o.file or o.kind == "photo"),
    )
    if not any((record.measures, record.findings, record.walk_round, conditions, loads, record.photos)):
        return findings
    return replace(
        findings,
        noted=record,
        conditions=with_noted_conditions(findings.conditions, conditions),
        warnings=(*findings.warnings, *_load_warnings(loads, config)),
    )


def _name(t_ns: int | None, stretches: Sequence[NamedStretch]) -> str:
    during = None if t_ns is None else stretch_at(t_ns, stretches)
    return "" if during is None else during.name


def _finding_of(o: Observation, stretches: Sequence[NamedStretch]) -> NotedFinding:
    during = stretch_at(o.t_ns, stretches)
    return NotedFinding(
        iso_utc(o.t_ns), o.grade, o.text, o.what, o.where, topic_of(o, during), "" if during is None else during.name,
        o.by,
    )  # fmt: skip


def _conditions_of(o: Observation, stretches: Sequence[NamedStretch]) -> NotedConditions:
    return NotedConditions(
        iso_utc(o.t_ns), o.air_temp_c, o.pressure_hpa, o.wind_speed_kn, o.wind_from_deg, o.wave_height_m,
        _name(o.t_ns, stretches), o.by,
    )  # fmt: skip


def _photo_of(o: Observation, stretches: Sequence[NamedStretch]) -> NotedPhoto:
    taken = None if o.taken_ns is None else iso_utc(o.taken_ns)
    return NotedPhoto(
        iso_utc(o.t_ns), o.file, o.sha256, o.text or o.what, o.where, taken,
        o.taken_from, o.fault, _name(o.taken_ns, stretches), o.by,
    )  # fmt: skip


# ------------------------------------------------------------------------------
# The walk round.
# ------------------------------------------------------------------------------


def walk_round_entries(items: Sequence[WalkRoundItem], observed: Sequence[Observation]) -> list[WalkRoundEntry]:
    """Return the items of a checklist with whether each is open: nothing of its kind and name was noted.

    Args:
        items: The checklist.
        observed: The notes; capitals and spaces of their names do not matter.
    """
    answered = {(o.kind, item_key(o.what)) for o in observed if o.kind in ("measure", "finding")}
    return [
        WalkRoundEntry(
            i.area, i.what, i.kind, i.unit, i.standard,
            # a thing measured may be judged as well, and either answers a finding
            not ({(i.kind, item_key(i.what)), ("measure", item_key(i.what))} & answered),
        )
        for i in items
    ]  # fmt: skip


def item_key(what: str) -> str:
    """Return how items of a checklist are told apart: without regard to capitals and spaces."""
    return " ".join(what.casefold().split())


# ------------------------------------------------------------------------------
# Conditions.
# ------------------------------------------------------------------------------


def with_noted_conditions(told: TrialConditions, noted: Sequence[NotedConditions]) -> TrialConditions:
    """Return the conditions of a trial; what neither instrument nor settings told is the mean of what was read.

    Of the waves it is the highest, because each breach counts; the direction of the wind is that of the mean vector.
    """

    def known(name: str) -> list[float]:
        return [x for n in noted if (x := getattr(n, name)) is not None]

    air, pressure, waves, wind = (
        known(name) for name in ("air_temp_c", "pressure_hpa", "wave_height_m", "wind_speed_kn")
    )
    if told.air_temp_c is None and air:
        told = replace(told, air_temp_c=float(np.mean(air)))
    if told.pressure_hpa is None and pressure:
        told = replace(told, pressure_hpa=float(np.mean(pressure)))
    if told.wave_height_m is None and told.sea_state is None and waves:
        told = replace(told, wave_height_m=max(waves))
    if told.wind_speed_true_kn_mean is None and wind:
        told = replace(
            told,
            wind_speed_true_kn_mean=float(np.mean(wind)),
            wind_speed_true_kn_max=max(wind),
            wind_from_true_deg=_mean_wind_from_deg(noted),
            wind_beaufort_max=beaufort_force(max(wind)),
        )
    return told


def _mean_wind_from_deg(noted: Sequence[NotedConditions]) -> float | None:
    both = [(n.wind_speed_kn, n.wind_from_deg) for n in noted if n.wind_speed_kn and n.wind_from_deg is not None]
    if not both:
        return None
    speeds, froms = np.array(both, dtype=np.float64).T
    vector = np.sum(speeds * np.exp(1j * np.radians(froms)))
    # winds from all sides have no mean direction
    return float(np.degrees(np.angle(vector)) % 360.0) if abs(vector) > 1e-6 * speeds.sum() else None


def _longest_gap_s(noted: Sequence[Observation], told: TrialConditions) -> float | None:
    if not noted or told.start is None or told.stop is None:
        return None
    start, stop = (datetime.fromisoformat(t).timestamp() for t in (told.start, told.stop))
    times = sorted(o.t_ns / 1e9 for o in noted)
    # what was read before the first run holds for its beginning
    before = [t for t in times if t <= start]
    inside = [t for t in times if start < t < stop]
    return float(max(np.diff([before[-1] if before else start, *inside, stop]), default=0.0))


# ------------------------------------------------------------------------------
# Load and fuel.
# ------------------------------------------------------------------------------


def _load_of(o: Observation, tanks: Sequence[Tank], items: Sequence[LoadItem]) -> NotedLoad:
    tank = _tank_named(o.tank, tanks)
    litres, fraction = o.litres, o.fraction
    if tank is not None:
        litres = fraction * tank.capacity_l if litres is None and fraction is not None else litres
        fraction = litres / tank.capacity_l if fraction is None and litres is not None else fraction
    density = None
    if tank is not None:
        density = next((i.density_kg_per_m3 for i in items if item_key(i.name) == item_key(tank.name)), None)
    kg = None if litres is None or density is None else litres * density / 1000.0
    return NotedLoad(iso_utc(o.t_ns), o.when, o.tank, litres, fraction, kg, o.persons, o.by)


def _tank_named(name: str, tanks: Sequence[Tank]) -> Tank | None:
    return next((tank for tank in tanks if name and item_key(tank.name) == item_key(name)), None)


def fuel_balance(loads: Sequence[NotedLoad], legs: pa.Table, overview: pa.Table, config: Config) -> FuelBalance:
    """Return fuel by the tanks beside fuel by the flow meters, and what was on board in each leg.

    Args:
        loads: What was read of the tanks.
        legs: `LEGS_SCHEMA`.
        overview: A row a second of the samples.
        config: Settings as used.
    """
    before_l, after_l = (_fuel_read(loads, when, config.load.tanks) for when in ("before", "after"))
    t_ns, burnt_l = _burnt(overview, config)
    by_flow_l = float(burnt_l[-1]) if burnt_l.size and np.isfinite(burnt_l[-1]) else None
    nothing = FuelBalance(before_l, after_l, by_flow_l, (), "")
    if before_l is None:
        return replace(nothing, reason="not every fuel tank of the load sheet was read before the runs")
    rows = legs.select(["band_rpm", "band_name", "segment_id"]).to_pylist()
    starts, stops = (integers(legs[name])[0] for name in ("start", "stop"))
    found = []
    for row, start, stop in zip(rows, starts.tolist(), stops.tolist(), strict=True):
        at = int(np.searchsorted(t_ns, (start + stop) // 2, side="right")) - 1
        if at < 0 or not np.isfinite(burnt_l[at]):
            continue
        left = before_l - float(burnt_l[at])
        density = _fuel_density(config)
        found.append(
            LegFuel(
                row["band_rpm"], row["band_name"] or "", row["segment_id"], iso_utc(start), float(burnt_l[at]), left,
                None if density is None else left * density / 1000.0,
            )
        )  # fmt: skip
    if not found and rows:
        return replace(nothing, reason="too little of the fuel flow was recorded to tell what was burnt")
    return replace(nothing, legs=tuple(found), reason="" if found else "there is no leg")


def _fuel_read(loads: Sequence[NotedLoad], when: str, tanks: Sequence[Tank]) -> float | None:
    """Return what all fuel tanks held by the last reading of each; None where one was not read."""
    read: Mapping[str, float] = {
        item_key(load.tank): load.litres for load in loads if load.when == when and load.litres is not None
    }
    fuel = [tank.name for tank in tanks if tank.contents == "fuel"]
    if not fuel or any(item_key(name) not in read for name in fuel):
        return None
    return sum(read[item_key(name)] for name in fuel)


def _fuel_density(config: Config) -> float | None:
    own = {tank.density_kg_per_m3 for tank in config.load.tanks if tank.contents == "fuel"} - {None}
    return own.pop() if len(own) == 1 else config.fuel.density_kg_per_m3


def _burnt(overview: pa.Table, config: Config) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Return times [ns] and what had been burnt by then [L], shape (n,); NaN where too little of it is known."""
    names = [f"fuel_l_per_h_{engine}" for engine in config.engine_ids]
    t_ns = integers(overview["t"])[0]
    if not names or any(name not in overview.column_names for name in names) or t_ns.size < 2:
        return t_ns, np.full(t_ns.size, np.nan)
    columns = [overview[name].to_numpy(zero_copy_only=False).astype(np.float64) for name in names]
    factor = 1.0 if config.fuel.calibration is None else config.fuel.calibration.factor
    flow = factor * np.sum(columns, axis=0)
    is_known = np.isfinite(flow)
    hours = np.diff(t_ns, prepend=t_ns[0]) / _NS_PER_H
    known_h, whole_h = np.cumsum(np.where(is_known, hours, 0.0)), np.cumsum(hours)
    litres = np.cumsum(np.where(is_known, flow, 0.0) * hours)
    with np.errstate(invalid="ignore", divide="ignore"):
        # what is missing flowed as the rest did
        whole = litres * whole_h / known_h
    return t_ns, np.where(known_h >= LEAST_FLOW_SHARE * whole_h, np.where(whole_h > 0, whole, 0.0), np.nan)


def _load_warnings(loads: Sequence[NotedLoad], config: Config) -> list[TrialWarning]:
    """Return what was read before the runs and is stated otherwise: the test weight rests on what was stated."""
    made = []
    for tank in config.load.tanks:
        read = [
            load.fraction for load in loads
            if load.when == "before" and load.fraction is not None and item_key(load.tank) == item_key(tank.name)
        ]  # fmt: skip
        if read and abs(read[-1] - tank.fraction) > STATED_AS_READ:
            detail = f"Read {100 * read[-1]:.0f} % full before the runs, stated {100 * tank.fraction:.0f} %."
            made.append(warn("load-read", tank.name, detail))
    persons = [load.persons for load in loads if load.when == "before" and load.persons is not None]
    if persons and config.load.persons is not None and persons[-1] != config.load.persons:
        detail = f"Counted {persons[-1]} persons before the runs, stated {config.load.persons}."
        made.append(warn("load-read", "", detail))
    return made
