"""What people noted on a trial, tied to bands, legs and manoeuvres, and held against the load.

They heard, saw and judged: sound on board, the tester's own cruise, remarks. They measured, found, weighed and
photographed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers
from trialcapture.config import Config, Tank, WalkRoundItem
from trialcapture.reduce.conditions import beaufort_force
from trialcapture.reduce.summary import (
    BestEconomy,
    Findings,
    FuelBalance,
    LegFuel,
    LoadItem,
    Manoeuvre,
    NotedConditions,
    NotedFinding,
    NotedLoad,
    NotedMeasure,
    NotedPhoto,
    NoteRecord,
    QuantityChange,
    Remark,
    SoundLevel,
    TesterCruise,
    TrialConditions,
    TrialWarning,
    WalkRoundEntry,
)
from trialcapture.reduce.tables import QUANTITY_COLUMNS, iso_utc, warn
from trialcapture.reduce.uncertainty import ComparedValue, compare_values

SOUND_U_DB = 1.5
"""Standard uncertainty of a level on board [dB]: reproducibility of measurements after ISO 2923 (catalogue text)."""
NEAR_BACKGROUND_DB = 10.0
"""A background no further below than this adds to the level (common practice, no source)."""
AFTER_LEG_NS = 60_000_000_000
"""A reading is written down no later than this after the run it was taken in (common practice, no source)."""
SAME_STEP_SHARE = 0.02
"""An engine speed this close to a band's mean was run in it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One note of what somebody heard, saw or judged.

    Attributes:
        t_ns: When it was entered [ns since 1970 UTC].
        kind: ``sound``, ``cruise``, ``sea``, ``remark``, ``measure``, ``finding``, ``conditions``, ``load``, ``photo``.
        value: The number: dB(A), rpm, what was measured; None where it is none.
        text: The whole of it as written.
        where, doors, seconds, background_db: Of a sound.
        by: Who noted it.
        unit: Of the value.
        what: What was measured, or the item of the checklist.
        grade: Of a finding.
        about: ``handling`` or ``boat`` where somebody said so.
        when, tank, fraction, litres, persons: Of a load.
        air_temp_c, pressure_hpa, wind_speed_kn, wind_from_deg, wave_height_m: Of conditions.
        file, sha256: Of a photo.
        taken_ns, taken_from, fault: When a photo was taken, what tells so, and what cannot be told of it.
    """

    t_ns: int
    kind: str
    value: float | None
    text: str
    where: str
    doors: str
    seconds: float | None
    background_db: float | None
    by: str
    unit: str = ""
    what: str = ""
    grade: str = ""
    about: str = ""
    when: str = ""
    tank: str = ""
    fraction: float | None = None
    litres: float | None = None
    persons: int | None = None
    air_temp_c: float | None = None
    pressure_hpa: float | None = None
    wind_speed_kn: float | None = None
    wind_from_deg: float | None = None
    wave_height_m: float | None = None
    file: str = ""
    sha256: str = ""
    taken_ns: int | None = None
    taken_from: Literal["camera", "satellites", "note", ""] = ""
    fault: str = ""


def with_observations(findings: Findings, observed: Sequence[Observation], bands: pa.Table, legs: pa.Table) -> Findings:
    """Return the findings with what people noted.

    Args:
        findings: Of the reduction.
        observed: The notes, ascending in time.
        bands: `BANDS_SCHEMA`.
        legs: `LEGS_SCHEMA`.
    """
    stretches = named_stretches(findings, legs)
    cruises = [o for o in observed if o.kind == "cruise" and o.value is not None and o.value > 0]
    return replace(
        findings,
        # the last word stands
        cruise=judge_cruise(cruises[-1], findings, bands) if cruises else None,
        sound=sound_levels([o for o in observed if o.kind == "sound" and o.value is not None], legs),
        remarks=tuple(remark_of(o, stretches) for o in observed if o.kind in ("sea", "remark")),
    )


@dataclass(frozen=True, slots=True)
class NamedStretch:
    """A leg or a manoeuvre that notes fall in: its ends [ns since 1970 UTC] and its name."""

    start_ns: int
    stop_ns: int
    name: str
    is_manoeuvre: bool


def named_stretches(findings: Findings, legs: pa.Table) -> tuple[NamedStretch, ...]:
    """Return the legs and manoeuvres of a trial, ascending in time."""
    starts, stops = (integers(legs[name])[0].tolist() for name in ("start", "stop"))
    courses = legs["heading_true_deg_mean"].to_pylist()
    made = [
        NamedStretch(start, stop, f"{name or 'leg'}{_course(course)}", False)
        for start, stop, name, course in zip(starts, stops, legs["band_name"].to_pylist(), courses, strict=True)
    ]
    groups: dict[tuple[int, str, str], list[Manoeuvre]] = {}
    for m in (m for measured in findings.measures for m in measured.manoeuvres):
        if m.direction != "both" and not m.conditions.startswith("mean of"):
            start_ns = (datetime.fromisoformat(m.start) - _EPOCH) // timedelta(seconds=1) * 1_000_000_000
            groups.setdefault((start_ns, m.kind.replace("_", " ").partition(" ")[0], m.direction), []).append(m)
    for (start_ns, kind, direction), members in groups.items():
        lasted_s = max((m.value for m in members if m.unit == "s" and m.value), default=_MANOEUVRE_S)
        side = "" if direction.isdigit() else f" {direction}".rstrip()
        name = f"{kind}{side}{'' if side else _course(members[0].direction_deg)}"
        made.append(NamedStretch(start_ns, start_ns + int(lasted_s * 1e9), name, True))
    return tuple(sorted(made, key=lambda e: (e.start_ns, e.stop_ns, e.name)))


_MANOEUVRE_S = 60.0
"""A manoeuvre of which no time is known lasts so long [s] (our choice)."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _course(direction_deg: float | None) -> str:
    return "" if direction_deg is None or not np.isfinite(direction_deg) else f", {round(direction_deg) % 360:03d}°"


def stretch_at(t_ns: int, stretches: Sequence[NamedStretch]) -> NamedStretch | None:
    """Return the leg or manoeuvre a note falls in, or that ended no longer than `AFTER_LEG_NS` before; else None.

    Of several the one that began last, so that of a leg that just ended and one that just began it is the latter.
    """
    inside = [e for e in stretches if e.start_ns <= t_ns < e.stop_ns + AFTER_LEG_NS]
    return max(inside, key=lambda e: e.start_ns, default=None)


def remark_of(o: Observation, stretches: Sequence[NamedStretch]) -> Remark:
    """Return a remark with the leg or manoeuvre it falls in."""
    during = stretch_at(o.t_ns, stretches)
    return Remark(
        iso_utc(o.t_ns), o.kind, o.text, o.by, "" if during is None else during.name, o.where,
        "" if o.kind == "sea" else topic_of(o, during),
    )  # fmt: skip


def topic_of(o: Observation, during: NamedStretch | None) -> str:
    """Return ``handling`` for what says how she handles: by its note, or because it was noted in a manoeuvre."""
    if o.about:
        return "handling" if o.about == "handling" else ""
    return "handling" if during is not None and during.is_manoeuvre else ""


def equivalent_level_db(levels_db: Sequence[float], weights: Sequence[float] | None = None) -> float:
    """Return the level of the mean sound energy of levels [dB]: 10 log10 of the mean of 10^(L/10).

    Args:
        levels_db: Levels, shape (n,).
        weights: How long each lasted; equally long when not given.

    Source: definition of the equivalent continuous sound level (ISO 1996-1, from memory).
    """
    energy = np.average(10.0 ** (np.asarray(levels_db, dtype=np.float64) / 10.0), weights=weights)
    return float(10.0 * np.log10(energy))


def sound_levels(readings: Sequence[Observation], legs: pa.Table) -> tuple[SoundLevel, ...]:
    """Return the level of every place in every band, the place with most readings first, then by engine speed.

    Readings that fall in no leg belong to no band: their engine speed is not known and their name is "".
    """
    starts, stops = (integers(legs[name])[0] for name in ("start", "stop"))
    names = [(r["band_rpm"], r["band_name"]) for r in legs.select(["band_rpm", "band_name"]).to_pylist()]
    groups: dict[tuple[str, str, float | None, str], list[Observation]] = {}
    for reading in readings:
        inside = np.flatnonzero((starts <= reading.t_ns) & (reading.t_ns < stops + AFTER_LEG_NS))
        # of a leg that just ended and one that just began, the latter
        rpm, name = names[int(inside[np.argmax(starts[inside])])] if inside.size else (None, "")
        groups.setdefault((reading.where, reading.doors, rpm, name or ""), []).append(reading)
    told = Counter(reading.where for reading in readings)
    ranked = sorted(groups.items(), key=lambda g: (-told[g[0][0]], g[0][0], g[0][1], g[0][2] is None, g[0][2] or 0.0))
    return tuple(_level(*key, own) for key, own in ranked)


def _level(place: str, doors: str, rpm: float | None, name: str, own: Sequence[Observation]) -> SoundLevel:
    levels = [o.value for o in own if o.value is not None]
    seconds = [o.seconds for o in own if o.seconds is not None and o.seconds > 0]
    timed = len(seconds) == len(own)
    level = equivalent_level_db(levels, seconds if timed else None)
    loud = any(o.background_db is not None and level - o.background_db < NEAR_BACKGROUND_DB for o in own)
    return SoundLevel(
        band_rpm=rpm, band_name=name, place=place, doors=doors, level_db=level, u_db=SOUND_U_DB, readings=len(own),
        seconds=sum(seconds) if timed else None, near_background=loud,
    )  # fmt: skip


def judge_cruise(noted: Observation, findings: Findings, bands: pa.Table) -> TesterCruise:
    """Return what the tester's cruise gains and costs against the most economical band of the same regime.

    What both bands have in common (receiver, fuel calibration, tank) takes no part in the verdict.
    """
    rpm, rows = noted.value or 0.0, bands.to_pylist()
    own = _band_run_at(rpm, rows)
    nothing = TesterCruise(None, "", rpm, noted.by, None, None, None, None, "", None, None, None, None, "")
    if own is None:
        run = sorted(r["rpm_mean"] for r in rows if r["rpm_mean"] is not None)
        near = [f"{x:.0f}" for x in sorted(sorted(run, key=lambda x: abs(x - rpm))[:2])]
        why = f"{rpm:.0f} rpm was not run" + (f"; the nearest are {' and '.join(near)} rpm" if near else "")
        return replace(nothing, reason=why)
    best = _best_of_regime(own, findings)
    other = next((r for r in rows if best is not None and r["band_name"] == best.band_name), None)
    changes = {name: None if other in (None, own) else _change(name, own, other) for name in QUANTITY_COLUMNS}
    return TesterCruise(
        band_rpm=own["band_rpm"], band_name=own["band_name"], rpm=rpm, by=noted.by, speed_kn=own["speed_kn"],
        fuel_l_per_h=own["fuel_l_per_h"], economy_nm_per_l=own["economy_nm_per_l"], range_nm=own["range_nm"],
        best_band_name="" if other is None else other["band_name"], speed=changes["speed"], fuel=changes["fuel"],
        economy=changes["economy"], range=changes["range"], reason="",
    )  # fmt: skip


def _band_run_at(rpm: float, rows: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    near = [r for r in rows if r["rpm_mean"] is not None and abs(r["rpm_mean"] - rpm) <= SAME_STEP_SHARE * rpm]
    near += [r for r in rows if r["band_rpm"] == rpm and r not in near]
    return min(near, key=lambda r: abs((r["rpm_mean"] or rpm) - rpm), default=None)


def _best_of_regime(own: Mapping[str, Any], findings: Findings) -> BestEconomy | None:
    regime = next((b.regime for b in findings.regimes.bands if b.band_name == own["band_name"]), "unknown")
    of = {
        "planing": findings.economy_planing, "displacement": findings.economy_displacement,
        "between": findings.economy_planing or findings.economy_between,
    }  # fmt: skip
    return of.get(regime) or findings.economy_overall


def _change(name: str, own: Mapping[str, Any], other: Mapping[str, Any] | None) -> QuantityChange | None:
    """Return how a quantity of a band differs from that of another; None where either has none."""
    column, u_column = QUANTITY_COLUMNS[name]
    values = []
    for row in (other, own):
        if row is None or row[column] is None or not row[column] > 0:
            return None
        own_u, common_u = row[f"{name}_u_own"], row[f"{name}_u_common"]
        freedom = row[f"{name}_dof_own"]
        values.append(
            ComparedValue(
                row[column],
                row[u_column] if own_u is None else own_u,
                common_u or 0.0,
                float("inf") if freedom is None else freedom,
            )
        )
    return QuantityChange(**asdict(compare_values(*values)))


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
