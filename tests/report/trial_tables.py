# ruff: noqa: E501 - tables of data read better unbroken
"""An invented trial as finished tables: samples, segments, clocks, rejects, bands, legs and summary.

The boat is simulated just far enough that the tables agree with one another: a speed for each rpm, a lag behind the
throttle, a current that turns, reciprocal legs. It is not a test of the science.
"""

from __future__ import annotations

import copy
import hashlib
import json
import math
import pickle
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import numpy as np
import pyarrow as pa
from scipy.signal import lfilter

from trialcapture.prepare.data_health import DataHealth
from trialcapture.reduce.summary import Summary, as_json, parse_summary
from trialcapture.reduce.tables import QUANTITY_COLUMNS
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_results import band_figures, draw_specification
from trialcapture.report.format import METRIC, ReaderUnits
from trialcapture.report.page import render_report, render_sheet
from trialcapture.report.sheet import build_sheet

START_NS = 1_936_512_000_000_000_000 + 8 * 3600 * 10**9
STAMP = pa.timestamp("ns", tz="UTC")
STEPS = (800, 1100, 1400, 1700, 2000, 2300, 2600, 2900, 3200, 3500)
HOLD_S, TURN_S = 90.0, 60.0


def speed_at(rpm: float) -> float:
    """Speed through water [kn]: displacement, hump, plane."""
    return 0.0075 * rpm + 17.5 / (1 + math.exp(-(rpm - 2250) / 190))


def fuel_at(rpm: float) -> float:
    """Fuel flow of all engines [L/h]."""
    return 3.0 + 250.0 * (rpm / 3500) ** 2.9 + 22.0 * math.exp(-(((rpm - 2150) / 260) ** 2))


def make_trial(
    *,
    steps: Sequence[int] = STEPS,
    engines: Sequence[str] = ("port", "stbd"),
    hz: float = 2.0,
    fuel: bool = True,
    heading: bool = True,
    depth: bool = True,
    position: bool = True,
    accepted: bool = True,
    one_way: Sequence[int] = (),
    name: str = "Varnelle 46 “Osk”",
    pad_s: float = 0.0,
    seed: int = 3,
) -> dict[str, Any]:
    """Return the keyword arguments of `render_report`; what may be changed of them, the summary, is the caller's own."""
    made = _made(
        tuple(steps), tuple(engines), hz, fuel, heading, depth, position, accepted, tuple(one_way), name, pad_s, seed
    )
    return made | {"summary": copy.deepcopy(made["summary"])}


@cache
def _made(
    steps: tuple[int, ...],
    engines: tuple[str, ...],
    hz: float,
    fuel: bool,
    heading: bool,
    depth: bool,
    position: bool,
    accepted: bool,
    one_way: tuple[int, ...],
    name: str,
    pad_s: float,
    seed: int,
) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    plan = [(rpm, way) for rpm in steps for way in ((0,) if rpm in one_way else (0, 1))]
    n = int(((HOLD_S + TURN_S) * len(plan) + 240 + pad_s) * hz)
    t_s = np.arange(n) / hz
    order, course = np.full(n, 650.0), np.full(n, 65.0)
    holds = []
    for i, (rpm, way) in enumerate(plan):
        a = 60 + i * (HOLD_S + TURN_S)
        inside = (t_s >= a) & (t_s < a + HOLD_S + TURN_S)
        order[inside] = rpm
        turn = np.clip((t_s[inside] - a) / 25, 0, 1)
        last = course[np.flatnonzero(inside)[0] - 1]
        course[inside] = last + turn * (65 + 180 * way - last)
        holds.append((a + TURN_S, a + TURN_S + HOLD_S, rpm, way))
    stw = _lag(np.vectorize(speed_at)(order), hz, 9.0)
    towards = 200 + 90 * t_s / t_s[-1]
    drift = 0.75 - 0.3 * t_s / t_s[-1]
    rad, to = np.radians(course), np.radians(towards)
    north, east = stw * np.cos(rad) + drift * np.cos(to), stw * np.sin(rad) + drift * np.sin(to)
    sog = np.hypot(north, east) + _noise(rng, n, hz, 0.06)
    cog = np.degrees(np.arctan2(east, north)) % 360
    lat = 56.31 + np.cumsum(north) / hz / 3600 / 60
    lon = -9.84 + np.cumsum(east) / hz / 3600 / 60 / math.cos(math.radians(56.31))
    samples = {
        "t": pa.array((START_NS + t_s * 1e9).astype(np.int64)).cast(STAMP),
        "lat_deg": _column(lat, position), "lon_deg": _column(lon, position), "sog_kn": _column(sog, True),
        "cog_true_deg": _column(cog, True), "heading_true_deg": _column(course % 360, heading),
        "stw_kn": _column(stw * 0.98, True), "depth_m": _column(38 + 6 * np.sin(t_s / 900), depth),
        "wind_speed_true_kn": _column(8 + rng.normal(0, 0.8, n), True),
        "wind_from_true_deg": _column(np.full(n, 285.0), True), "water_temp_c": _column(np.full(n, 13.4), True),
    }  # fmt: skip
    for k, engine in enumerate(engines):
        rpm = _lag(order, hz, 2.0) * (1 + 0.003 * k) + rng.normal(0, 2, n)
        samples[f"rpm_{engine}"] = _column(rpm, True)
        samples[f"fuel_l_per_h_{engine}"] = _column(np.vectorize(fuel_at)(rpm) / len(engines), fuel)
        samples[f"rpm_{engine}_age_s"] = _column(np.full(n, 0.1), True)
        samples[f"rpm_{engine}_flag"] = pa.array(np.ones(n, dtype=np.uint8))
    segments = _segments(holds, samples, engines, accepted, fuel, heading, depth, t_s)
    legs = segments.filter(segments["accepted"])
    bands = _bands(legs, one_way, drift, towards, t_s, depth)
    return {
        "samples": pa.table(samples), "segments": segments, "clocks": _clocks(), "rejects": _rejects(),
        "bands": bands, "legs": legs, "summary": _summary(bands, engines, name, heading, t_s),
    }  # fmt: skip


def _lag(values: np.ndarray, hz: float, tau_s: float) -> np.ndarray:
    share = 1 / (tau_s * hz)
    filtered, _ = lfilter([share], [1, share - 1], values, zi=[values[0] * (1 - share)])
    return np.asarray(filtered)


def _noise(rng: np.random.Generator, n: int, hz: float, sd: float) -> np.ndarray:
    return _lag(rng.normal(0, sd * math.sqrt(8 * hz), n), hz, 4.0)


def _column(values: np.ndarray, known: bool) -> pa.Array:
    return pa.array(values, pa.float64()) if known else pa.nulls(len(values), pa.float64())


REASONS = (
    "speed not settled: +0.44 kn/min, limit 0.3 (sog_slope_kn_per_min)",
    "too short: 12 s, 30 s are needed",
    "turning",
    "course not held: spread 6.1 deg, limit 5 (heading_sd_deg)",
)


def _segments(
    holds: list[tuple[float, float, int, int]], samples: dict[str, Any], engines: Sequence[str], accepted: bool,
    fuel: bool, heading: bool, depth: bool, t_s: np.ndarray,
) -> pa.Table:  # fmt: skip
    rows: list[dict[str, Any]] = []
    for i, (start, stop, rpm, _) in enumerate(holds):
        if i % 3 == 1:
            rows.append(_segment(len(rows) + 1, start - 55, start - 42, rpm, samples, engines, t_s, REASONS[i % 4]))
        rows.append(
            _segment(len(rows) + 1, start, stop - 1, rpm, samples, engines, t_s, "" if accepted else REASONS[i % 2])
        )
    for row in rows:
        row["fuel_l_per_h_mean"], row["fuel_u_l_per_h"] = (
            (row["fuel_l_per_h_mean"], 0.006 * row["fuel_l_per_h_mean"]) if fuel else (None, None)
        )
        row["heading_true_deg_mean"] = row["cog_true_deg_mean"] if heading else None
        row["depth_m_min"] = row["depth_m_min"] if depth else None
        row["trim"] = None if row["segment_id"] == 4 else "tabs 20 %"
    return pa.Table.from_pylist(rows, schema=_segment_schema(engines))


def _segment(
    n: int, start: float, stop: float, rpm: int, samples: dict[str, Any], engines: Sequence[str], t_s: np.ndarray, reason: str
) -> dict[str, Any]:  # fmt: skip
    inside = (t_s >= start) & (t_s < stop)

    def mean(name: str) -> float:
        return float(np.mean(samples[name].to_numpy(zero_copy_only=False)[inside]))

    rpms = {f"rpm_{e}_mean": mean(f"rpm_{e}") for e in engines}
    return {
        "segment_id": n, "start": START_NS + int(start * 1e9), "stop": START_NS + int(stop * 1e9),
        "duration_s": stop - start, "band_rpm": None if reason else float(rpm),
        "rpm_mean": float(np.mean(list(rpms.values()))) if rpms else None, "rpm_sd": 3.1, **rpms,
        "sog_kn_mean": mean("sog_kn"), "sog_kn_sd": 0.11, "sog_u_kn": 0.021 + 0.003 * (n % 4), "n_eff": 22.0,
        "cog_true_deg_mean": mean("cog_true_deg"), "depth_m_min": 33.0 + n % 7, "fuel_l_per_h_mean": fuel_at(rpm),
        "wind_speed_true_kn_mean": 8.0, "accepted": not reason, "reason": reason,
        "band_name": None if reason else f"{rpm} rpm",
    }  # fmt: skip


def _segment_schema(engines: Sequence[str]) -> pa.Schema:
    numbers = (
        "duration_s", "band_rpm", "rpm_mean", "rpm_sd", *(f"rpm_{e}_mean" for e in engines), "sog_kn_mean", "sog_kn_sd",
        "sog_slope_kn_per_min", "sog_u_kn", "n_eff", "heading_true_deg_mean", "cog_true_deg_mean", "stw_kn_mean",
        "fuel_l_per_h_mean", "fuel_u_l_per_h", "depth_m_min", "depth_froude", "wind_speed_true_kn_mean", "pitch_deg_mean",
    )  # fmt: skip
    head = [pa.field("segment_id", pa.int32()), pa.field("start", STAMP), pa.field("stop", STAMP)]
    tail = [pa.field("trim", pa.string()), pa.field("accepted", pa.bool_()), pa.field("reason", pa.string())]
    tail.append(pa.field("band_name", pa.string()))
    return pa.schema(head + [pa.field(name, pa.float64()) for name in numbers] + tail)


def _bands(legs: pa.Table, one_way: Sequence[int], drift: Any, towards: Any, t_s: Any, depth: bool) -> pa.Table:
    by_band: dict[float, list[dict[str, Any]]] = {}
    for leg in legs.to_pylist():
        by_band.setdefault(leg["band_rpm"], []).append(leg)
    rows = []
    for rpm, members in sorted(by_band.items()):
        ways = 1 if rpm in one_way else 2
        speed = speed_at(rpm)
        u = 0.052 if ways == 2 else 0.41
        flow = members[0]["fuel_l_per_h_mean"]
        fuel_u = None if flow is None else 0.011 * flow
        economy = None if flow is None else speed / flow
        economy_u = None if economy is None else economy * math.hypot(u / speed, 0.011)
        at = np.searchsorted(t_s, (members[0]["start"].timestamp() - START_NS / 1e9))
        froude = speed * 1852 / 3600 / math.sqrt(9.80665 * 33) if depth else None
        flags = (["one-way"] if ways == 1 else []) + (["near-critical"] if depth and 0.9 < froude < 1.1 else [])
        rows.append({
            "band_rpm": rpm, "rpm_low": rpm - 100, "rpm_high": rpm + 100,
            "rpm_mean": float(np.mean([m["rpm_mean"] for m in members])), "legs": len(members), "ways": ways,
            "speed_kn": speed, "speed_u_kn": u, "stw_kn": 0.98 * speed, "current_kn": float(drift[at]),
            "current_towards_deg": float(towards[at]), "fuel_l_per_h": flow, "fuel_u_l_per_h": fuel_u,
            "economy_nm_per_l": economy, "economy_u_nm_per_l": economy_u,
            "range_nm": None if economy is None else economy * 1620, "range_u_nm": None if economy is None else economy_u * 1620,
            "slip_pct": 18.5, "slip_u_pct": 0.4, "depth_froude_max": froude, "flags": ";".join(flags),
            "band_name": f"{rpm:.0f} rpm",
            "speed_k": 2.0, "fuel_k": 2.0, "economy_k": 2.0, "range_k": 2.0,
        })  # fmt: skip
    numbers = (
        "band_rpm", "rpm_low", "rpm_high", "rpm_mean", "legs", "ways", "speed_kn", "speed_u_kn", "stw_kn", "current_kn",
        "current_towards_deg", "fuel_l_per_h", "fuel_u_l_per_h", "economy_nm_per_l", "economy_u_nm_per_l", "range_nm",
        "range_u_nm", "slip_pct", "slip_u_pct", "depth_froude_max", "speed_k", "fuel_k", "economy_k", "range_k",
    )  # fmt: skip
    whole = ("legs", "ways")
    schema = [pa.field(c, pa.int32() if c in whole else pa.float64()) for c in numbers] + [
        pa.field("flags", pa.string()),
        pa.field("band_name", pa.string()),
    ]
    return pa.Table.from_pylist(rows, schema=pa.schema(schema))


def _clocks() -> pa.Table:
    return pa.table({
        "source": ["gps1 GP", "compass HC", "engine/port.csv"], "offset_s": [0.212, 0.198, -3718.42],
        "offset_u_s": [0.004, 0.02, 0.06], "drift_ppm": [1.2, 1.3, 38.0], "drift_u_ppm": [0.4, 2.0, 9.0],
        "method": ["early edge of receipt minus sentence time", "placed by receipt", "rpm against rpm"],
        "quality": ["good", "good", "fair: network rpm reads +1.2 % against the log"],
    })  # fmt: skip


def _rejects() -> pa.Table:
    return pa.table({
        "source": ["gps1", "gps1", "bus"], "reason": ["checksum", "truncated", "noise"], "count": [150, 64, 31],
    })  # fmt: skip


def _budgets(row: dict[str, Any]) -> list[dict[str, Any]]:
    """A budget for each quantity of a band: two causes of its own, one in common."""
    made = []
    for name, (column, u_column) in QUANTITY_COLUMNS.items():
        if row[column] is None:
            continue
        terms = [
            {"name": n, "u": share * row[u_column], "is_common": common, "freedom": freedom, "source": "made up"}
            for n, share, common, freedom in (
                ("repeat", 0.48, False, 7.0),
                ("current", 0.64, False, None),
                ("calibration", 0.6, True, None),
            )
        ]
        made.append({
            "quantity": name, "unit": UNITS[name], "value": row[column], "u": row[u_column], "own_u": 0.8 * row[u_column],
            "common_u": 0.6 * row[u_column], "freedom": 131.9, "coverage_factor": row[f"{name}_k"], "terms": terms,
        })  # fmt: skip
    return made


UNITS = {"speed": "kn", "fuel": "l/h", "economy": "nm/l", "range": "nm"}


def _answer(row: dict[str, Any], low: float, high: float) -> dict[str, Any]:
    kept = (
        "band_rpm", "band_name", "speed_kn", "speed_u_kn", "fuel_l_per_h", "economy_nm_per_l", "economy_u_nm_per_l",
        "range_nm", "range_u_nm", "ways", "speed_k", "economy_k", "range_k",
    )  # fmt: skip
    stated = {"one_way_as_good": None, "flat_from_kn": low, "flat_to_kn": high, "within_pct": 3.0, "at_edge": False}
    stated["corrected_by_nm_per_l"] = 0.0
    return {k: row[k] for k in kept} | stated


def bare_summary() -> dict[str, Any]:
    """Return a summary in which nothing is known that need not be."""
    known = make_trial(steps=(2000,), accepted=False)["summary"]
    stated = {"capacity_l": None, "usable_after_reserve_l": None, "density_kg_per_m3": None, "calibration": None}
    empty: dict[str, Any] = {
        key: [] for key in ("rated_rpm_check", "plausibility", "budgets", "warnings", "counts", "raw")
    }
    return known | empty | {
        "load": {"items": [], "displacement_kg": None, "missing": [], "parts": []},
        "engines": [],
        "trial": {"title": "", "tested_by": "", "notes": ""},
        "fuel": known["fuel"] | stated,
        "current": known["current"] | {"pairs": [], "fit": [], "methods": []},
        "conditions": known["conditions"] | {k: None for k in known["conditions"] if k not in ("water", "water_density_kg_per_m3")}
        | {"place": "", "hull_cleaned": "", "trim": []},
        "speed_log": None,
    }  # fmt: skip


def typed(summary: dict[str, Any]) -> Summary:
    """Return a summary as the program holds it, of one as ``summary.json`` holds it."""
    return parse_summary(json.dumps(summary))


def curves(bands: pa.Table, legs: pa.Table | None, summary: Summary, units: ReaderUnits = METRIC) -> list[Drawing]:
    """Return the drawn figures of the band table."""
    return [draw_specification(spec, units) for spec in band_figures(bands, legs, summary)]


def drawn_once(make: Callable[..., Any], *given: Any) -> Any:
    """Return a drawing, of an earlier call where it was drawn from the same: what `draw` of `render_report` is given.

    Tests of pages look at their words; drawing the figures is most of the work. Whether equal input is drawn alike is
    for tests that draw by `draw_now`.
    """
    key = make.__qualname__, hashlib.sha256(pickle.dumps(given)).hexdigest()
    if key not in _DRAWN:
        _DRAWN[key] = make(*given)
    return _DRAWN[key]


_DRAWN: dict[tuple[str, str], Any] = {}


def report_of(
    summary: Summary, *, bands: pa.Table, legs: pa.Table | None, units: ReaderUnits = METRIC, **parts: Any
) -> str:
    """Return the whole report of a trial."""
    sheet = build_sheet(bands, legs, summary, units)
    return render_report(bands=bands, legs=legs, summary=summary, sheet=sheet, units=units, **parts)


def render(*, summary: dict[str, Any], draw: Callable[..., Any] = drawn_once, **parts: Any) -> str:
    """Return the page of a trial from `make_trial`, without the sheet that stands before the evidence."""
    before, _, rest = report_of(typed(summary), draw=draw, **parts).partition('<article class="one')
    return before + rest.partition("</article>")[2]


def render_one_page(*, summary: dict[str, Any], bands: pa.Table, legs: pa.Table | None, **parts: Any) -> str:
    """Return the trial sheet of a trial from `make_trial`."""
    found, units = typed(summary), parts.get("units", METRIC)
    return render_sheet(build_sheet(bands, legs, found, units), bands, found, units, drawn_once)


def _item(
    name: str, kg: float, kind: str, litres: float | None = None, density: float | None = None, origin: str = ""
) -> dict[str, Any]:
    return {
        "name": name, "kg": kg, "kind": kind, "litres": litres, "density_kg_per_m3": density, "density_from": origin,
    }  # fmt: skip


def _summary(bands: pa.Table, engines: Sequence[str], name: str, heading: bool, t_s: Any) -> dict[str, Any]:
    rows = bands.to_pylist()
    top = max(rows, key=lambda r: r["speed_kn"], default=None)
    economical = [r for r in rows if r["economy_nm_per_l"] is not None]
    plane = max((r for r in economical if r["speed_kn"] > 20), key=lambda r: r["economy_nm_per_l"], default=None)
    slow = max((r for r in economical if r["speed_kn"] < 12), key=lambda r: r["economy_nm_per_l"], default=None)
    stop = START_NS + int(t_s[-1] * 1e9)
    minutes = [START_NS / 1e9 + x for x in np.linspace(0, t_s[-1], 12)]
    iso = [np.datetime64(int(m), "s").astype(str) + "Z" for m in minutes]
    return {
        "schema_version": 2,
        "versions": {
            "trialcapture": "0.1.0", "python": "3.11.7", "numpy": "2.4.6", "scipy": "1.17.1", "pyarrow": "26.0.1",
            "matplotlib": "3.11.2",
        },
        "seal": {
            "state": "intact", "root": "1b8bd77deb" + "0" * 54, "root_of_files": "1b8bd77deb" + "0" * 54, "changes": [],
            "reason": "", "settings": "of the session",
            "events": [{
                "t": "2031-05-14T12:00:00Z", "what": "recording closed", "by": "recorder",
                "root": "1b8bd77deb" + "0" * 54,
            }],
        },
        "boat": {
            "name": name, "length_m": 14.2, "beam_m": None, "draught_m": None, "lightship_kg": 14200.0, "planing": True,
        },
        "engines": [
            {
                "id": e, "model": "", "rated_rpm": 3500.0, "rated_kw": 221.0, "gear_ratio": 2.04, "propeller_pitch_m": 0.61,
                "propeller_diameter_m": None, "propeller_blades": 4,
            }
            for e in engines
        ],
        "trial": {"title": "Speed and fuel trial", "tested_by": "A. Tester", "notes": ""},
        "load": {
            "items": [
                _item("light ship", 14200.0, "light"), _item("fuel", 1134.0, "fuel", 1350.0, 840.0),
                _item("fresh water", 300.0, "water", 300.0, 1000.0, "fresh water"), _item("4 persons", 300.0, "persons"),
                _item("gear", 420.0, "gear"),
            ],
            "displacement_kg": 16354.0, "missing": [],
            "parts": [
                _item("light ship", 14200.0, "light"), _item("fuel", 1134.0, "fuel"), _item("water", 300.0, "water"),
                _item("4 persons", 300.0, "persons"), _item("gear", 420.0, "gear"),
            ],
        },
        "fuel": {
            "capacity_l": 1800.0, "capacity_u_pct": 2.0, "usable_fraction": 1.0, "usable_u": 0.015, "reserve_fraction": 0.10, "usable_after_reserve_l": 1620.0,
            "density_kg_per_m3": 840.0, "calibration": {"factor": 1.013, "origin": "tank to tank, 240 L", "u_pct": 1.0},
            "uncalibrated_u_pct": None,
        },
        "top_speed": top and {
            k: top[k] for k in ("speed_kn", "speed_u_kn", "speed_k", "band_rpm", "band_name", "rpm_mean", "ways")
        } | {"rated": ""},
        "fastest_seen": None, "economy_between": None, "economy_overall": None, "slowest_on_the_plane": None, "slow_runs": [],
        "economy_planing": plane and _answer(plane, plane["speed_kn"] - 1.8, plane["speed_kn"] + 1.4),
        "economy_displacement": slow and _answer(slow, slow["speed_kn"] - 0.6, slow["speed_kn"] + 0.3),
        "slowest_planing_speed": {
            "speed_kn": 17.3, "u_kn": 0.35, "from": "slow run-down", "trim": None, "run_down": None, "run_up": None, "runs": [],
        } if rows else None,
        "rated_rpm_check": [
            {"engine": e, "rated_rpm": 3500.0, "reached_rpm": 3496.0 + k, "pct": 99.9, "highest_load_pct": None, "verdict": "rated rpm reached"}
            for k, e in enumerate(engines)
        ] if rows else [],
        "conditions": {
"start": iso[0], "stop": np.datetime64(stop // 10**9, "s").astype(str) + "Z", "place": "Osk Bank",
            "wind_speed_true_kn_mean": 8.1, "wind_speed_true_kn_max": 9.4, "wind_from_true_deg": 285.0,
            "wind_beaufort_max": 3, "depth_m_min": 32.1, "wave_height_m": 0.3, "sea_state": 2, "water_temp_c": 13.4,
            "water": "sea", "water_density_kg_per_m3": 1025.6, "generator_running": False, "hull_cleaned": "",
            "trim": ["tabs 20 %"],
        },
        "current": {
            "pairs": [
                {
                    "t": iso[1 + i], "band_rpm": r["band_rpm"], "speed_kn": r["current_kn"] + 0.04 * (-1) ** i,
                    "towards_deg": 245.0, "along_kn": -(r["current_kn"] + 0.04 * (-1) ** i), "fit_along_kn": -r["current_kn"],
                    "u_kn": 0.06, "band_name": r["band_name"], "segments": [1, 2], "method": "double run", "through_water_kn": r["speed_kn"],
                    "axis_deg": 65.0, "gap_min": 2.5, "in_time": True, "rpm_difference_pct": 0.1, "off_reciprocal_deg": 0.0,
                    "expected_error_kn": 0.01,
                }
                for i, r in enumerate(rows[:10])
            ],
            "methods": [
                {
                    "band_rpm": r["band_rpm"], "band_name": r["band_name"], "method": "double run", "classical_kn": r["speed_kn"] + 0.012,
                    "fit_kn": r["speed_kn"], "difference_kn": -0.012, "allowed_kn": 0.03, "agree": True,
                }
                for r in rows if r["ways"] == 2
            ],
            "fit": [
                {"t": t, "speed_kn": 0.75 - 0.3 * i / 11, "towards_deg": 200 + 90 * i / 11, "u_kn": 0.03, "worst_axis_u_kn": 0.03}
                for i, t in enumerate(iso)
            ] if rows else [],
            "half_pairs": [], "disagreement": "", "third_run_advice": [], "one_more_run": [], "strengths": None, "heading_used": heading,
            "heading_offset_deg": None, "heading_offset_u_deg": None,
        },
        "still_air": {"method": "second order", "source": "made up", "bands": []},
        "statistics": {
            "chauvenet": False, "values_left_out": 0, "standard_errors": {"factor": 2.0, "bands": [], "all": None},
        },
        "review": None,
        "cruise": None,
        "sound": [],
        "remarks": [],
        "measures": [],
        "clocks": [],
        "data_health": as_json(DataHealth()),
        "dropped": {"segments": {}, "longest_segment": None, "rejects": {}},
        "regimes": {"by": "volumetric Froude number", "bands": []},
        "speed_log": {"bands": 9, "factor": 1.0204, "factor_u": 0.0031, "offset_kn": -0.04, "worst_left_kn": 0.06},
        "plausibility": [
            {"name": "apparent slip at top speed", "value": 18.5, "unit": "%", "usual": [5.0, 40.0], "ok": True},
            {"name": "exponent of fuel against rpm (propeller law)", "value": 4.1, "unit": "1", "usual": [1.8, 3.6], "ok": False},
        ],
        "budgets": [
            {"band_rpm": r["band_rpm"], "band_name": r["band_name"], "quantities": _budgets(r)} for r in rows
        ],
        "warnings": [
            {"code": "trim-unknown", "severity": "yellow", "text": "Trim was not noted on leg 4", "where": "leg 4"},
            {"code": "data", "severity": "info", "text": "Sentence types seen and not decoded: GSV, GSA", "where": "raw/nmea.log"},
        ],
        "counts": [
            {"source": "gps1", "talker": t, "formatter": f, "good": g, "bad": b, "not_decoded": n}
            for t, f, g, b, n in (("GP", "RMC", 30120, 61, 0), ("GP", "GGA", 30118, 58, 0), ("GP", "GSV", 0, 12, 90344), ("HC", "HDT", 30991, 31, 0))
            if heading or f != "HDT"
        ],
        "session": {"id": "2031-05-14-osk", "created": iso[0], "made_by": "trialcapture 0.1.0"},
        "software_version": "0.1.0",
        "config_hash": "5f1d" * 16,
        "raw": [
            {"path": "raw/nmea.log", "sha256": "9c" * 32, "bytes": 20_482_113},
            {"path": "raw/engine/port.csv", "sha256": "0b" * 32, "bytes": 1_204_331},
        ],
    }  # fmt: skip
