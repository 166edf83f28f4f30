"""From whole CAN messages to tables: which field of which parameter group becomes which column."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode.can_rows import Bools, Part, Rows, build_table
from trialcapture.decode.pgn_fields import J1939, NMEA2000, read_field

F64 = npt.NDArray[np.float64]
Read = dict[str, tuple[F64, Bools]]

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
    parts: dict[str, list[Part]] = {}
    for pgn, rows in sorted(whole.items()):
        j1939 = pgn in J1939
        fields = (J1939 if j1939 else NMEA2000)[pgn]
        read = {name: read_field(rows.payload, field, j1939=j1939) for name, field in fields.items()}
        if j1939:
            read["instance"] = (rows.address.astype(np.float64), np.ones(len(rows.line), np.bool_))
        for kind, part in _meaning_of(pgn)(rows, read):
            if len(part.rows.line):
                parts.setdefault(kind, []).append(part)
    return {kind: build_table(made, channels, epoch_ns) for kind, made in sorted(parts.items())}


Meaning = Callable[[Rows, Read], list[tuple[str, Part]]]


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


def _clock(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    """126992 system time, 129033 time and date; a display's own crystal is no time of a receiver."""
    tod = _within(read["tod_s"], 0, 86_401)
    trusted = ~_is(read["time_source"], _CRYSTAL) if "time_source" in read else np.ones(len(rows.line), np.bool_)
    return [("ZDA", _zda(rows, trusted & tod[1] & read["date_days"][1], tod, read["date_days"]))]


def _zda(rows: Rows, mask: Bools, tod: tuple[F64, Bools], days: tuple[F64, Bools]) -> Part:
    kept, v = _only(rows, mask, tod=tod, days=days)
    return Part(kept, {"tod_ns": _tod(v["tod"]), "date_days": _whole(v["days"], np.int32)})


def _tod(tod_s: tuple[F64, Bools]) -> pa.Array:
    return to_arrow(np.rint(tod_s[0] * 1e4).astype(np.int64) * 100_000, tod_s[1])


def _rudder(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    mask = _is(read["instance"], 0)
    kept, v = _only(rows, mask, position=read["position_deg"])
    n = len(kept.line)
    values = {
        "rudder_stbd_deg": _numbers(v["position"]),
        "stbd_valid": to_arrow(v["position"][1]),
        "rudder_port_deg": _absent(n),
        "port_valid": to_arrow(np.zeros(n, np.bool_)),
    }
    return [("RSA", Part(kept, values))]


def _heading(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    heading = _turn(read["heading_deg"])
    true, v = _only(rows, _is(read["reference"], _TRUE_REFERENCE), heading=heading)
    hdt = Part(true, {"heading_true_deg": _numbers(v["heading"])})
    magnetic, v = _only(
        rows,
        _is(read["reference"], _MAGNETIC_REFERENCE),
        heading=heading,
        deviation=read["deviation_deg"],
        variation=read["variation_deg"],
    )
    hdg = Part(
        magnetic,
        {
            "heading_sensor_deg": _numbers(v["heading"]),
            "deviation_deg": _numbers(v["deviation"]),
            "variation_deg": _numbers(v["variation"]),
        },
    )
    return [("HDT", hdt), ("HDG", hdg)]


def _rate_of_turn(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    rate = read["rate_deg_per_min"]
    return [("ROT", Part(rows, {"rate_of_turn_deg_per_min": _numbers(rate), "valid": to_arrow(rate[1])}))]


def _attitude(rows: Rows, read: Read) -> list[tuple[str, Part]]:
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
        made.append(("XDR", Part(kept, values)))
    return made


def _engine(rows: Rows, read: Read) -> list[tuple[str, Part]]:
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
        made.append(("RPM", Part(rows, values)))
    present = [name for name in ENGINE_COLUMNS if name in read]
    some = np.any([read[name][1] for name in present], axis=0)
    kept, v = _only(rows, some, number=number, **{name: read[name] for name in present})
    values = {"number": _whole(v["number"], np.int16)}
    for name in ENGINE_COLUMNS:
        values[name] = _numbers(v[name]) if name in v else _absent(len(kept.line))
    return [*made, ("ENGINE", Part(kept, values))]


def _tank(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    values = {
        "number": _whole(read["instance"], np.int16),
        "kind": _whole(read["kind"], np.int16),
        "level_pct": _numbers(read["level_pct"]),
        "capacity_l": _numbers(read["capacity_l"]),
    }
    return [("TANK", Part(rows, values))]


def _water_speed(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    n = len(rows.line)
    values = {
        "heading_true_deg": _absent(n),
        "heading_magnetic_deg": _absent(n),
        "stw_kn": _numbers(read["stw_kn"]),
    }
    return [("VHW", Part(rows, values))]


def _depth(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    return [("DPT", Part(rows, {name: _numbers(read[name]) for name in ("depth_m", "offset_m")}))]


def _position(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    lat, lon = _within(read["lat_deg"], -90, 90), _within(read["lon_deg"], -180, 180)
    both = lat[1] & lon[1]
    values = {
        "valid": to_arrow(both),
        "lat_deg": to_arrow(lat[0], both),
        "lon_deg": to_arrow(lon[0], both),
    }
    return [("POSITION", Part(rows, values))]


def _velocity(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    course = _turn(read["cog_deg"])
    values = {
        "valid": to_arrow(read["sog_kn"][1]),
        "cog_true_deg": to_arrow(course[0], course[1] & _is(read["reference"], _TRUE_REFERENCE)),
        "cog_magnetic_deg": to_arrow(course[0], course[1] & _is(read["reference"], _MAGNETIC_REFERENCE)),
        "sog_kn": _numbers(read["sog_kn"]),
    }
    return [("VELOCITY", Part(rows, values))]


def _gnss(rows: Rows, read: Read) -> list[tuple[str, Part]]:
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
    return [("GGA", Part(rows, values)), ("ZDA", _zda(rows, dated, tod, read["date_days"]))]


def _wind(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    speed, angle, reference = read["speed_kn"], _turn(read["angle_deg"]), read["reference"]
    relative, v = _only(rows, _is(reference, _APPARENT, _BOAT, _WATER), speed=speed, angle=angle, reference=reference)
    mwv = Part(
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
    mwd = Part(
        compass,
        {
            "wind_from_true_deg": to_arrow(v["angle"][0], v["angle"][1] & north),
            "wind_from_magnetic_deg": to_arrow(v["angle"][0], v["angle"][1] & ~north),
            "wind_speed_true_kn": _numbers(v["speed"]),
        },
    )
    return [("MWV", mwv), ("MWD", mwd)]


def _water_temperature(rows: Rows, read: Read) -> list[tuple[str, Part]]:
    if "place" in read:
        rows, v = _only(rows, _is(read["place"], _SEA), temperature=read["temperature_c"])
        value = v["temperature"]
    else:
        value = read["water_temp_c"]
    return [("MTW", Part(rows, {"water_temp_c": _numbers(value)}))]


_MEANINGS: dict[int, Meaning] = {
    126992: _clock, 129033: _clock, 127245: _rudder, 127250: _heading, 127251: _rate_of_turn, 127257: _attitude,
    127505: _tank, 128259: _water_speed, 128267: _depth, 129025: _position, 129026: _velocity, 129029: _gnss,
    130306: _wind, 130310: _water_temperature, 130311: _water_temperature, 130312: _water_temperature,
    130316: _water_temperature,
}  # fmt: skip


def _meaning_of(pgn: int) -> Meaning:
    return _MEANINGS.get(pgn, _engine)
