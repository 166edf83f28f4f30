"""The fields of the parameter groups that matter on a trial: where they lie, how they scale, when they say nothing.

NMEA 2000: positions and resolutions of the open canboat database (version 8). All ones means "not available";
the two codes below it are reserved too, for signed fields counted from the largest positive number.
SAE J1939: SPN positions and resolutions as the same project's j1939 data and public parameter lists state them;
0xFB and above in the highest byte is no data.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

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
