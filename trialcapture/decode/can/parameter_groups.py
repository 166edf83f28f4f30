"""The parameter groups that matter on a trial: where their fields lie, how they scale, which column each becomes.

NMEA 2000: positions and resolutions of the open canboat database (version 8). All ones means "not available";
the two codes below it are reserved too, for signed fields counted from the largest positive number.
SAE J1939: SPN positions and resolutions as the same project's j1939 data and public parameter lists state them;
0xFB and above in the highest byte is no data.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode.can.messages import Rows, TableRows, build_table
from trialcapture.units import convert

F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]


class Field(NamedTuple):
    """One field of a parameter group.

    Attributes:
        bit: First bit, little-endian order.
        bits: Length.
        scale: Value of one count in the group's own unit.
        offset: Added after scaling.
        unit: Own unit, as `trialcapture.units` spells it; "" for a bare number, "rad" and "rad/s" for angles.
        to: Unit of the column.
        signed: Two's complement.
    """

    bit: int
    bits: int
    scale: float = 1.0
    unit: str = ""
    to: str = ""
    signed: bool = False
    offset: float = 0.0


Fields = dict[str, Field]


def _angle(bit: int, *, signed: bool = False) -> Field:
    return Field(bit, 16, 1e-4, "rad", "deg", signed)


def _kelvin(bit: int, scale: float, bits: int = 16) -> Field:
    return Field(bit, bits, scale, "k", "degc")


def _pressure(bit: int, scale: float, bits: int = 16) -> Field:
    return Field(bit, bits, scale, "pa", "bar")


def _speed(bit: int) -> Field:
    return Field(bit, 16, 0.01, "m/s", "kn")


_INSTANCE = Field(0, 8)

NMEA2000: dict[int, Fields] = {
    126992: {"time_source": Field(8, 4), "date_days": Field(16, 16), "tod_s": Field(32, 32, 1e-4)},
    127245: {"instance": _INSTANCE, "position_deg": _angle(32, signed=True)},
    127250: {
        "heading_deg": _angle(8),
        "deviation_deg": _angle(24, signed=True),
        "variation_deg": _angle(40, signed=True),
        "reference": Field(56, 2),
    },
    127251: {"rate_deg_per_min": Field(8, 32, 3.125e-8, "rad/s", "deg/min", True)},
    127257: {"pitch_deg": _angle(24, signed=True), "roll_deg": _angle(40, signed=True)},
    127488: {
        "instance": _INSTANCE,
        "rpm": Field(8, 16, 0.25),
        "boost_bar": _pressure(24, 100.0),
        "trim_pct": Field(40, 8, 1.0, signed=True),
    },
    127489: {
        "instance": _INSTANCE,
        "oil_bar": _pressure(8, 100.0),
        "oil_c": _kelvin(24, 0.1),
        "coolant_c": _kelvin(40, 0.01),
        "alternator_v": Field(56, 16, 0.01, signed=True),
        "fuel_l_per_h": Field(72, 16, 0.1, signed=True),
        "hours_h": Field(88, 32, 1.0, "s", "h"),
        "coolant_bar": _pressure(120, 100.0),
        "fuel_bar": _pressure(136, 1000.0),
        "load_pct": Field(192, 8, 1.0, signed=True),
        "torque_pct": Field(200, 8, 1.0, signed=True),
    },
    127497: {
        "instance": _INSTANCE,
        "trip_fuel_l": Field(8, 16),
        "trip_mean_l_per_h": Field(24, 16, 0.1, signed=True),
        "economy_l_per_h": Field(40, 16, 0.1, signed=True),
        "economy_now_l_per_h": Field(56, 16, 0.1, signed=True),
    },
    127505: {
        "instance": Field(0, 4),
        "kind": Field(4, 4),
        "level_pct": Field(8, 16, 0.004, signed=True),
        "capacity_l": Field(24, 32, 0.1),
    },
    128259: {"stw_kn": _speed(8)},
    128267: {"depth_m": Field(8, 32, 0.01), "offset_m": Field(40, 16, 0.001, signed=True)},
    129025: {"lat_deg": Field(0, 32, 1e-7, signed=True), "lon_deg": Field(32, 32, 1e-7, signed=True)},
    129026: {"reference": Field(8, 2), "cog_deg": _angle(16), "sog_kn": _speed(32)},
    129029: {
        "date_days": Field(8, 16),
        "tod_s": Field(24, 32, 1e-4),
        "lat_deg": Field(56, 64, 1e-16, signed=True),
        "lon_deg": Field(120, 64, 1e-16, signed=True),
        "altitude_m": Field(184, 64, 1e-6, signed=True),
        "method": Field(252, 4),
        "satellites": Field(264, 8),
        "hdop": Field(272, 16, 0.01, signed=True),
        "separation_m": Field(304, 32, 0.01, signed=True),
    },
    129033: {"date_days": Field(0, 16), "tod_s": Field(16, 32, 1e-4)},
    130306: {"speed_kn": _speed(8), "angle_deg": _angle(24), "reference": Field(40, 3)},
    130310: {"water_temp_c": _kelvin(8, 0.01)},
    130311: {"place": Field(8, 6), "temperature_c": _kelvin(16, 0.01)},
    130312: {"place": Field(16, 8), "temperature_c": _kelvin(24, 0.01)},
    130316: {"place": Field(16, 8), "temperature_c": _kelvin(24, 0.001, 24)},
}
"""Fields by parameter group number; angles become degrees, speeds knots, pressures bar, temperatures °C."""

FAST = frozenset({127489, 127497, 129029})
"""Which of `NMEA2000` come as fast packets."""

J1939: dict[int, Fields] = {
    61443: {"load_pct": Field(16, 8)},  # EEC2, SPN 92
    61444: {"torque_pct": Field(16, 8, offset=-125.0), "rpm": Field(24, 16, 0.125)},  # EEC1, SPN 513, 190
    65253: {"hours_h": Field(0, 32, 0.05)},  # HOURS, SPN 247
    65262: {  # ET1, SPN 110, 174, 175
        "coolant_c": Field(0, 8, offset=-40.0),
        "fuel_c": Field(8, 8, offset=-40.0),
        "oil_c": Field(16, 16, 0.03125, offset=-273.0),
    },
    65263: {"oil_bar": Field(24, 8, 4.0, "kpa", "bar")},  # EFL/P1, SPN 100
    65266: {"fuel_l_per_h": Field(0, 16, 0.05), "throttle_pct": Field(48, 8, 0.4)},  # LFE, SPN 183, 51
    65270: {  # IC1, SPN 102, 105, 106
        "boost_bar": Field(8, 8, 2.0, "kpa", "bar"),
        "intake_c": Field(16, 8, offset=-40.0),
        "air_inlet_bar": Field(24, 8, 2.0, "kpa", "bar"),
    },
}
"""Fields by parameter group number; the suspect parameter numbers are named beside them."""


CARRIES: dict[int, str] = {
    127490: "engine: electric drive, dynamic",
    127491: "engine: electric energy storage",
    127493: "engine: gear, oil pressure and temperature of the transmission",
    127494: "engine: electric drive, ratings",
    127496: "engine: fuel of the trip, time and distance to empty",
    127498: "engine: rated speed, name and software",
    128000: "wind: leeway",
    128275: "speed: distance through the water",
    128776: "engine: windlass control",
    129291: "speed: set and drift of the current",
    130323: "wind: weather station",
    130576: "engine: trim tabs",
    130577: "speed: course, heading and speeds together",
    130578: "speed: speed along and across, over ground and through water",
    130579: "speed: status of the drive",
    61440: "engine: retarder",
    61445: "engine: gear",
    65209: "engine: fuel of the trip (liquid)",
    65203: "engine: fuel of the trip, rates",
    65213: "engine: fan",
    65214: "engine: rated speed and power",
    65247: "engine: friction and desired speed (EEC3)",
    65251: "engine: configuration",
    65257: "engine: total fuel used",
    65265: "speed: road or log speed, cruise control",
    65269: "engine: ambient and inlet conditions",
    65271: "engine: electrical power",
    65272: "engine: transmission fluids",
    65276: "engine: fuel level and filter",
    64777: "engine: total fuel used, fine",
}
"""Groups that are not decoded and carry engine, wind, depth or speed data (canboat's database for those above 126000;
SAE J1939-71, from memory, for the rest)."""


def read_field(payload: U8, field: Field, *, j1939: bool = False) -> tuple[F64, Bools]:
    """Return one field of many messages in its column's unit, and where it says something.

    Args:
        payload: (n, b) bytes of n messages, padded with 0xFF.
        field: Which.
        j1939: By the rules of J1939 for "not available", else by those of NMEA 2000.
    """
    raw = _raw(payload, field.bit, field.bits)
    top = (1 << field.bits) - 1
    if j1939:
        present = raw < np.uint64(0xFB << (field.bits - 8))
    elif field.signed:
        present = np.asarray(_signed(raw, field.bits) <= (top >> 1) - 3)
    else:
        reserved = 3 if field.bits >= 8 else 2 if field.bits >= 4 else 1
        present = raw <= np.uint64(top - reserved)
    values = (_signed(raw, field.bits) if field.signed else raw).astype(np.float64)
    values = values * field.scale + field.offset
    return np.where(present, _in_unit(values, field), 0.0), present


def _in_unit(values: F64, field: Field) -> F64:
    if field.unit == "rad":
        return np.degrees(values)
    if field.unit == "rad/s":
        return np.degrees(values) * 60.0
    return convert(values, field.unit, field.to) if field.unit else values


def _raw(payload: U8, bit: int, bits: int) -> npt.NDArray[np.uint64]:
    first, last = bit // 8, (bit + bits - 1) // 8
    value = np.zeros(len(payload), np.uint64)
    for nth, at in enumerate(range(first, last + 1)):
        byte = payload[:, at] if at < payload.shape[1] else np.full(len(payload), 0xFF, np.uint8)
        value |= byte.astype(np.uint64) << np.uint64(8 * nth)
    value >>= np.uint64(bit % 8)
    return value & np.uint64((1 << bits) - 1)


def _signed(raw: npt.NDArray[np.uint64], bits: int) -> npt.NDArray[np.int64]:
    return (raw << np.uint64(64 - bits)).view(np.int64) >> (64 - bits)


# Message semantics: from fields of whole messages to the columns of tables.

Read = dict[str, tuple[F64, Bools]]

# Codes of the open canboat database: wind reference, direction reference, temperature source, time source and
# GNSS method.
_APPARENT, _GROUND_NORTH, _MAGNETIC, _BOAT, _WATER = 2, 0, 1, 3, 4
_TRUE_REFERENCE, _MAGNETIC_REFERENCE = 0, 1
_SEA = 0
_CRYSTAL = 5
_METHOD_MEASURED = (1, 2, 3, 4, 5)

ENGINE_COLUMNS = (
    "rpm", "boost_bar", "trim_pct", "oil_bar", "oil_c", "coolant_c", "alternator_v", "fuel_l_per_h", "hours_h",
    "coolant_bar", "fuel_bar", "load_pct", "torque_pct", "trip_fuel_l", "trip_mean_l_per_h", "throttle_pct",
    "fuel_c", "intake_c", "air_inlet_bar",
)  # fmt: skip
"""Quantities of the ENGINE table, each float64 and null where a message does not say."""


def make_tables(whole: dict[int, Rows], channels: Sequence[str], epoch_ns: int | None) -> dict[str, pa.Table]:
    """Return one table a kind.

    Args:
        whole: Messages by parameter group.
        channels: Names of the channels.
        epoch_ns: Stamp at session time 0 [ns since 1970 UTC], None when not known.
    """
    parts: dict[str, list[TableRows]] = {}
    for pgn, rows in sorted(whole.items()):
        j1939 = pgn in J1939
        fields = (J1939 if j1939 else NMEA2000)[pgn]
        read = {name: read_field(rows.payload, field, j1939=j1939) for name, field in fields.items()}
        if j1939:
            read["instance"] = (rows.address.astype(np.float64), np.ones(len(rows.line), np.bool_))
        for kind, part in _semantics_of(pgn)(rows, read):
            if len(part.rows.line):
                parts.setdefault(kind, []).append(part)
    return {kind: build_table(made, channels, epoch_ns) for kind, made in sorted(parts.items())}


Semantics = Callable[[Rows, Read], list[tuple[str, TableRows]]]


def _numbers(value: tuple[F64, Bools]) -> pa.Array:
    return to_arrow(*value)


def _absent(count: int) -> pa.Array:
    return to_arrow(np.zeros(count), np.zeros(count, np.bool_))


def _whole(value: tuple[F64, Bools], dtype: npt.DTypeLike) -> pa.Array:
    return to_arrow(value[0].astype(dtype), value[1])


def _is(value: tuple[F64, Bools], *wanted: int) -> Bools:
    return value[1] & np.isin(value[0], wanted)


def _within(value: tuple[F64, Bools], low: float, high: float) -> tuple[F64, Bools]:
    return value[0], value[1] & (value[0] >= low) & (value[0] <= high)


def _turn(value: tuple[F64, Bools]) -> tuple[F64, Bools]:
    """Return an angle in [0, 360)."""
    turned = value[0] % 360.0
    return np.where(turned >= 360.0, 0.0, turned), value[1]


def _only(rows: Rows, mask: Bools, **values: tuple[F64, Bools]) -> tuple[Rows, dict[str, tuple[F64, Bools]]]:
    return rows.taken(mask), {name: (v[mask], p[mask]) for name, (v, p) in values.items()}


def _clock(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    """126992 system time, 129033 time and date; a display's own crystal is no time of a receiver."""
    tod = _within(read["tod_s"], 0, 86_401)
    trusted = ~_is(read["time_source"], _CRYSTAL) if "time_source" in read else np.ones(len(rows.line), np.bool_)
    return [("ZDA", _zda(rows, trusted & tod[1] & read["date_days"][1], tod, read["date_days"]))]


def _zda(rows: Rows, mask: Bools, tod: tuple[F64, Bools], days: tuple[F64, Bools]) -> TableRows:
    kept, v = _only(rows, mask, tod=tod, days=days)
    return TableRows(kept, {"tod_ns": _tod(v["tod"]), "date_days": _whole(v["days"], np.int32)})


def _tod(tod_s: tuple[F64, Bools]) -> pa.Array:
    return to_arrow(np.rint(tod_s[0] * 1e4).astype(np.int64) * 100_000, tod_s[1])


def _rudder(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    mask = _is(read["instance"], 0)
    kept, v = _only(rows, mask, position=read["position_deg"])
    n = len(kept.line)
    values = {
        "rudder_stbd_deg": _numbers(v["position"]),
        "stbd_valid": to_arrow(v["position"][1]),
        "rudder_port_deg": _absent(n),
        "port_valid": to_arrow(np.zeros(n, np.bool_)),
    }
    return [("RSA", TableRows(kept, values))]


def _heading(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    heading = _turn(read["heading_deg"])
    true, v = _only(rows, _is(read["reference"], _TRUE_REFERENCE), heading=heading)
    hdt = TableRows(true, {"heading_true_deg": _numbers(v["heading"])})
    magnetic, v = _only(
        rows,
        _is(read["reference"], _MAGNETIC_REFERENCE),
        heading=heading,
        deviation=read["deviation_deg"],
        variation=read["variation_deg"],
    )
    hdg = TableRows(
        magnetic,
        {
            "heading_sensor_deg": _numbers(v["heading"]),
            "deviation_deg": _numbers(v["deviation"]),
            "variation_deg": _numbers(v["variation"]),
        },
    )
    return [("HDT", hdt), ("HDG", hdg)]


def _rate_of_turn(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    rate = read["rate_deg_per_min"]
    return [("ROT", TableRows(rows, {"rate_of_turn_deg_per_min": _numbers(rate), "valid": to_arrow(rate[1])}))]


def _attitude(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    made = []
    for name, value in (("PITCH", read["pitch_deg"]), ("ROLL", read["roll_deg"])):
        kept, v = _only(rows, value[1], value=value)
        n = len(kept.line)
        values = {
            "type": column_of(["A"] * n, pa.string()),
            "value": _numbers(v["value"]),
            "unit": column_of(["D"] * n, pa.string()),
            "name": column_of([name] * n, pa.string()),
        }
        made.append(("XDR", TableRows(kept, values)))
    return made


def _engine(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    made = []
    number = read["instance"]
    if "rpm" in read:
        values = {
            "kind": column_of(["E"] * len(rows.line), pa.string()),
            "number": _whole(number, np.int16),
            "rpm": _numbers(read["rpm"]),
            "pitch_pct": _absent(len(rows.line)),
            "valid": to_arrow(read["rpm"][1]),
        }
        made.append(("RPM", TableRows(rows, values)))
    present = [name for name in ENGINE_COLUMNS if name in read]
    some = np.any([read[name][1] for name in present], axis=0)
    kept, v = _only(rows, some, number=number, **{name: read[name] for name in present})
    values = {"number": _whole(v["number"], np.int16)}
    for name in ENGINE_COLUMNS:
        values[name] = _numbers(v[name]) if name in v else _absent(len(kept.line))
    return [*made, ("ENGINE", TableRows(kept, values))]


def _tank(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    values = {
        "number": _whole(read["instance"], np.int16),
        "kind": _whole(read["kind"], np.int16),
        "level_pct": _numbers(read["level_pct"]),
        "capacity_l": _numbers(read["capacity_l"]),
    }
    return [("TANK", TableRows(rows, values))]


def _water_speed(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    n = len(rows.line)
    values = {
        "heading_true_deg": _absent(n),
        "heading_magnetic_deg": _absent(n),
        "stw_kn": _numbers(read["stw_kn"]),
    }
    return [("VHW", TableRows(rows, values))]


def _depth(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    return [("DPT", TableRows(rows, {name: _numbers(read[name]) for name in ("depth_m", "offset_m")}))]


def _position(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    lat, lon = _within(read["lat_deg"], -90, 90), _within(read["lon_deg"], -180, 180)
    both = lat[1] & lon[1]
    values = {
        "valid": to_arrow(both),
        "lat_deg": to_arrow(lat[0], both),
        "lon_deg": to_arrow(lon[0], both),
    }
    return [("POSITION", TableRows(rows, values))]


def _velocity(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    course = _turn(read["cog_deg"])
    values = {
        "valid": to_arrow(read["sog_kn"][1]),
        "cog_true_deg": to_arrow(course[0], course[1] & _is(read["reference"], _TRUE_REFERENCE)),
        "cog_magnetic_deg": to_arrow(course[0], course[1] & _is(read["reference"], _MAGNETIC_REFERENCE)),
        "sog_kn": _numbers(read["sog_kn"]),
    }
    return [("VELOCITY", TableRows(rows, values))]


def _gnss(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    tod = _within(read["tod_s"], 0, 86_401)
    lat, lon = _within(read["lat_deg"], -90, 90), _within(read["lon_deg"], -180, 180)
    fixed = lat[1] & lon[1] & read["method"][1] & (read["method"][0] > 0)
    values = {
        "tod_ns": _tod(tod),
        "valid": to_arrow(fixed & _is(read["method"], *_METHOD_MEASURED)),
        "quality": _whole(read["method"], np.int8),
        "lat_deg": to_arrow(lat[0], fixed),
        "lon_deg": to_arrow(lon[0], fixed),
        "satellites": _whole(read["satellites"], np.int16),
        "hdop": _numbers(read["hdop"]),
        "altitude_m": to_arrow(read["altitude_m"][0], read["altitude_m"][1] & fixed),
        "separation_m": _numbers(read["separation_m"]),
    }
    dated = tod[1] & read["date_days"][1] & fixed
    return [("GGA", TableRows(rows, values)), ("ZDA", _zda(rows, dated, tod, read["date_days"]))]


def _wind(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    speed, angle, reference = read["speed_kn"], _turn(read["angle_deg"]), read["reference"]
    relative, v = _only(rows, _is(reference, _APPARENT, _BOAT, _WATER), speed=speed, angle=angle, reference=reference)
    mwv = TableRows(
        relative,
        {
            "wind_angle_deg": _numbers(v["angle"]),
            "reference": column_of(["R" if r == _APPARENT else "T" for r in v["reference"][0]], pa.string()),
            "wind_speed_kn": _numbers(v["speed"]),
            "valid": to_arrow(v["speed"][1] & v["angle"][1]),
        },
    )
    compass, v = _only(rows, _is(reference, _GROUND_NORTH, _MAGNETIC), speed=speed, angle=angle, reference=reference)
    north = _is(v["reference"], _GROUND_NORTH)
    mwd = TableRows(
        compass,
        {
            "wind_from_true_deg": to_arrow(v["angle"][0], v["angle"][1] & north),
            "wind_from_magnetic_deg": to_arrow(v["angle"][0], v["angle"][1] & ~north),
            "wind_speed_true_kn": _numbers(v["speed"]),
        },
    )
    return [("MWV", mwv), ("MWD", mwd)]


def _water_temperature(rows: Rows, read: Read) -> list[tuple[str, TableRows]]:
    if "place" in read:
        rows, v = _only(rows, _is(read["place"], _SEA), temperature=read["temperature_c"])
        value = v["temperature"]
    else:
        value = read["water_temp_c"]
    return [("MTW", TableRows(rows, {"water_temp_c": _numbers(value)}))]


_SEMANTICS: dict[int, Semantics] = {
    126992: _clock, 129033: _clock, 127245: _rudder, 127250: _heading, 127251: _rate_of_turn, 127257: _attitude,
    127505: _tank, 128259: _water_speed, 128267: _depth, 129025: _position, 129026: _velocity, 129029: _gnss,
    130306: _wind, 130310: _water_temperature, 130311: _water_temperature, 130312: _water_temperature,
    130316: _water_temperature,
}  # fmt: skip


def _semantics_of(pgn: int) -> Semantics:
    return _SEMANTICS.get(pgn, _engine)
