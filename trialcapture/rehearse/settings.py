"""The settings file that belongs to a simulated trial, as a technician would have written it; pure."""

from __future__ import annotations

from typing import Any

import tomli_w

from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.enginelog import heading_text
from trialcapture.rehearse.instruments import ATTITUDE_NAMES, fuel_transducer, rpm_transducer
from trialcapture.rehearse.kit import LogStyle
from trialcapture.rehearse.scenarios import Scenario


def config_text(scenario: Scenario) -> str:
    """Return the settings of a scenario as TOML that `trialcapture.config.load_config` reads."""
    boat = scenario.boat
    data: dict[str, Any] = {
        "boat": boat_table(boat),
        "fuel": _fuel_table(scenario),
        "load": load_table(boat),
        "trial": {
            "title": "Speed and fuel trial",
            "place": scenario.place,
            "water": "sea",
            "wave_height_m": scenario.sea.wave_height_m,
            "hull_cleaned": "three weeks before the trial",
            "trim": scenario.trim_note,
            "generator_running": False,
            "magnetic_variation_deg": scenario.sea.variation_deg,
            "notes": f"Simulated: {scenario.summary}. Boat and place are invented.",
        },
        "engine": engine_tables(boat, counted_from_0=scenario.instruments.rpm_sentence in ("PCDIN", "MXPGN")),
        "bands": {"steps_rpm": [float(step) for step in scenario.plan.steps_rpm]},
        "source": [
            {"id": wire.source, "kind": "serial", "port": f"COM{7 + n}", "baud": wire.baud}
            if wire.baud
            else {"id": wire.source, "kind": "udp", "port": 10110}
            for n, wire in enumerate(scenario.wires)
        ],
    }
    if scenario.primary_gnss:
        data["trial"]["primary_gnss"] = scenario.primary_gnss
    if scenario.logs:
        data["engine_log"] = [_log_table(style, boat) for style in scenario.logs]
    xdr = [
        {"name": name, "type": "A", "unit": "D", "channel": channel}
        for name, channel in zip(ATTITUDE_NAMES, ("pitch_deg", "roll_deg"), strict=True)
        if scenario.instruments.attitude_hz
    ]
    if scenario.instruments.rpm_sentence == "XDR":
        xdr += [
            {"name": rpm_transducer(n), "type": "T", "unit": "R", "channel": f"rpm_{engine_id}"}
            for n, engine_id in enumerate(boat.engine_ids)
        ]
    if scenario.instruments.fuel_hz:
        letter = scenario.instruments.fuel_unit
        xdr += [
            {"name": fuel_transducer(n), "type": "R", "unit": letter, "channel": f"fuel_l_per_h_{engine_id}"}
            for n, engine_id in enumerate(boat.engine_ids)
        ]
    if xdr:
        data["xdr"] = xdr
    return tomli_w.dumps(data)


def boat_table(boat: BoatModel) -> dict[str, Any]:
    """Return the ``[boat]`` table."""
    hull = boat.hull
    return {
        "name": boat.name,
        "length_m": hull.length_m,
        "beam_m": hull.beam_m,
        "draught_m": hull.draught_m,
        "lightship_kg": hull.lightship_kg,
        "planing": hull.planing,
    }


def load_table(boat: BoatModel) -> dict[str, Any]:
    """Return the ``[load]`` table: it adds up to the displacement that is simulated."""
    return {
        "persons": boat.persons,
        "gear_kg": boat.gear_kg,
        "tanks": [
            {
                "name": "fuel",
                "capacity_l": boat.fuel_capacity_l,
                "fraction": boat.fuel_fraction,
                "density_kg_per_m3": round(boat.engine.fuel_kg_per_l * 1000.0, 6),
            },
            {
                "name": "fresh water",
                "capacity_l": boat.water_capacity_l,
                "fraction": boat.water_l / boat.water_capacity_l,
                "density_kg_per_m3": 1000.0,
            },
        ],
    }


def engine_tables(boat: BoatModel, *, counted_from_0: bool = False) -> list[dict[str, Any]]:
    """Return the ``[[engine]]`` tables; on a CAN network engines are counted from 0, in RPM sentences otherwise."""
    numbers = tuple(range(len(boat.engine_ids))) if counted_from_0 else boat.nmea_numbers
    return [
        {
            "id": engine_id,
            "rated_rpm": boat.engine.rated_rpm,
            "idle_rpm": boat.engine.idle_rpm,
            "rated_kw": boat.engine.rated_kw,
            "gear_ratio": boat.engine.gear_ratio,
            "propeller_pitch_m": boat.propeller.pitch_m,
            "nmea_instance": number,
        }
        for engine_id, number in zip(boat.engine_ids, numbers, strict=True)
    ]


def _fuel_table(scenario: Scenario) -> dict[str, Any]:
    table: dict[str, Any] = {
        "capacity_l": scenario.boat.fuel_capacity_l,
        "usable_fraction": 0.97,
        "reserve_fraction": 0.10,
        "density_kg_per_m3": round(scenario.boat.engine.fuel_kg_per_l * 1000.0, 6),
    }
    if scenario.fuel_calibration is not None:
        factor, origin = scenario.fuel_calibration
        table["calibration"] = {"factor": factor, "origin": origin}
    return table


def _log_table(style: LogStyle, boat: BoatModel) -> dict[str, Any]:
    columns: dict[str, Any] = {"time": "Time"}
    for engine_id in style.engines or boat.engine_ids:
        for quantity, unit, _ in style.written:
            columns[f"{quantity}_{engine_id}"] = {"name": heading_text(quantity, unit, engine_id), "unit": unit}
    encoding = {} if style.encoding == "utf-8" else {"encoding": style.encoding}
    return {
        "files": style.file,
        "time_format": style.time_format,
        "timezone": style.declared_zone or style.zone,
        "delimiter": style.delimiter,
        "decimal": style.decimal,
        **encoding,
        "header_rows": 1 + len(style.preamble),
        "skip_rows_after_header": 1 if style.units_row else 0,
        "columns": columns,
    }
