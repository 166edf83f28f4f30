"""What people heard, saw and judged on a trial, tied to the bands: sound on board, the tester's own cruise, remarks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np
import pyarrow as pa

from trialcapture.buffers import integers
from trialcapture.reduce.summary import (
    BestEconomy,
    Findings,
    Manoeuvre,
    QuantityChange,
    Remark,
    SoundLevel,
    TesterCruise,
)
from trialcapture.reduce.tables import QUANTITY_COLUMNS, iso_utc
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
