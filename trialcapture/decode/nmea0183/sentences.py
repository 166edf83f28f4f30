"""The sentences that are decoded: their fields in order, and their semantics as columns of a table.

A field is *essential* where the sentence says nothing without it: its time, position, speed or rpm, and the status or
quality that says whether those hold. A sentence whose essential field is damaged is refused; any other field is void
by itself. A letter that gives the unit or side of the number before it is void with that number, and is essential
where the number is. Fields a sentence lacks at its end, or has beyond it, do not matter unless they are essential:
later editions of the standard append fields, and a listener reads those it knows (IEC 61162-1, from memory). Too few
or too many fields and a malformed one besides are two signs of damage, and refuse the sentence.

Fields and variants are those of IEC 61162-1 as restated in the open "NMEA Revealed" document; variants that
only recorded receivers show (Debian's gpsd test logs) are marked so. Field names are private to the package; the
functions of `SEMANTICS` turn them into the columns of the result. XDR, of variable length, is decoded by `decode_xdr`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from trialcapture.decode import byte_columns
from trialcapture.decode.nmea0183.fields import (
    I64,
    U8,
    Bools,
    Date,
    Degrees,
    FieldColumn,
    FieldReader,
    Letter,
    Number,
    Text,
    TimeOfDay,
    Whole,
    angle,
    day_number,
)
from trialcapture.decode.nmea0183.framing import Frame, holds_bang
from trialcapture.decode.rejects import Reason
from trialcapture.units import convert

Layout = dict[str, FieldReader]
"""Field name to reader, in the order of the sentence."""

# Bounds of values are our choice, far outside what a boat can show: a value beyond is damage that passed the checksum.
_clock, _date, _angle = TimeOfDay(), Date(), angle()
_latitude, _longitude = Degrees(4, 90), Degrees(5, 180)
_speed = Number(0, 2000)
_signed_speed = Number(-2000, 2000)
_depth = Number(0, 12000)
_turned = Number(0, 180)  # deviation, variation, wind off the bow: a letter says to which side
_modes = Letter("ADEFMNPRS")
_valid = Letter("AV")
_north, _east = Letter("NS"), Letter("EW")
_t, _m, _n, _k, _f, _fathoms = (Letter(unit) for unit in "TMNKfF")


def _first(fields: Layout, count: int) -> Layout:
    return dict(list(fields.items())[:count])


_POSITION: Layout = {"lat": _latitude, "north": _north, "lon": _longitude, "east": _east}

_RMC: Layout = {
    "time": _clock, "status": _valid, **_POSITION, "sog_kn": _speed, "cog": _angle, "date": _date,
    "variation": _turned, "variation_east": _east, "mode": _modes, "nav_status": Letter("SCUV"),
}  # fmt: skip
# Seen in recorded receivers: the mode stands where the variation's letter should.
_RMC_11 = {**_first(_RMC, 11), "variation_east": Letter("EWADFMNPRS")}

_GGA: Layout = {
    "time": _clock, **_POSITION, "quality": Whole(1, 9, np.int8), "satellites": Whole(2, 99, np.int16),
    "hdop": Number(0, 1000), "altitude_m": Number(-1000, 100_000), "m1": _m,
    "separation_m": Number(-1000, 1000), "m2": _m, "age_s": Number(0, 100_000), "station": Whole(4, 9999, np.int16),
}  # fmt: skip

_GNS: Layout = {
    "time": _clock, **_POSITION, "mode": Text("ABCDEFGHIJKLMNOPQRSTUVWXYZ", 8), "satellites": Whole(2, 99, np.int16),
    "hdop": Number(0, 1000), "altitude_m": Number(-1000, 100_000), "separation_m": Number(-1000, 1000),
    "age_s": Number(0, 100_000), "station": Whole(4, 9999, np.int16), "nav_status": Letter("SCUV"),
}  # fmt: skip

_GLL: Layout = {**_POSITION, "time": _clock, "status": _valid, "mode": _modes}

_VTG: Layout = {
    "cog_true": _angle, "t": _t, "cog_magnetic": _angle, "m": _m, "sog_kn": _speed, "n": _n, "sog_km_per_h": _speed,
    "k": _k, "mode": _modes,
}  # fmt: skip
_VTG_OLD: Layout = {"cog_true": _angle, "cog_magnetic": _angle, "sog_kn": _speed, "sog_km_per_h": _speed}

_ZDA: Layout = {
    "time": _clock, "day": Whole(2, 31, np.int64), "month": Whole(2, 12, np.int64), "year": Whole(4, 9999, np.int64),
    "zone_h": Number(-14, 14), "zone_min": Number(-59, 59),
}  # fmt: skip

_HDG: Layout = {
    "sensor": _angle, "deviation": _turned, "deviation_east": _east, "variation": _turned, "variation_east": _east,
}  # fmt: skip

_VHW: Layout = {
    "true": _angle, "t": _t, "magnetic": _angle, "m": _m, "stw_kn": _signed_speed, "n": _n,
    "stw_km_per_h": _signed_speed, "k": _k,
}  # fmt: skip

_VBW: Layout = {
    "stw_kn": _signed_speed, "across_water_kn": _signed_speed, "water": _valid,
    "sog_long_kn": _signed_speed, "across_ground_kn": _signed_speed, "ground": _valid,
    "stern_water_kn": _signed_speed, "stern_water": _valid, "stern_ground_kn": _signed_speed, "stern_ground": _valid,
}  # fmt: skip

_RPM: Layout = {
    "kind": Letter("ES"), "number": Whole(2, 99, np.int16), "rpm": Number(-30_000, 30_000),
    "pitch_pct": Number(-200, 200), "status": _valid,
}  # fmt: skip

_RSA: Layout = {"starboard": Number(-180, 180), "s_status": _valid, "port": Number(-180, 180), "p_status": _valid}

# Seen where pitch is left out altogether (common practice, no source).
_RPM_WITHOUT_PITCH = {name: reader for name, reader in _RPM.items() if name != "pitch_pct"}

_MWV: Layout = {
    "angle": _angle, "reference": Letter("RT"), "speed": _speed, "unit": Letter("KMNS"), "status": _valid,
}  # fmt: skip

_MWD: Layout = {
    "true": _angle, "t": _t, "magnetic": _angle, "m": _m, "speed_kn": _speed, "n": _n,
    "speed_m_per_s": _speed, "m2": _m,
}  # fmt: skip

_temperature = Number(-100, 200)
_MDA: Layout = {
    "pressure_inhg": Number(0, 100), "inches": Letter("I"), "pressure_bar": Number(0, 3), "bar": Letter("B"),
    "air_c": _temperature, "c1": Letter("C"), "water_c": _temperature, "c2": Letter("C"),
    "relative_humidity_pct": Number(0, 100), "absolute_humidity_pct": Number(0, 100),
    "dew_point_c": _temperature, "c3": Letter("C"), "true": _angle, "t": _t, "magnetic": _angle, "m": _m,
    "speed_kn": _speed, "n": _n, "speed_m_per_s": _speed, "m2": _m,
}  # fmt: skip

_OFF_BOW: Layout = {
    "angle": _turned, "side": Letter("LR"), "speed_kn": _speed, "n": _n, "speed_m_per_s": _speed, "m": _m,
    "speed_km_per_h": _speed, "k": _k,
}  # fmt: skip

_DPT: Layout = {"depth_m": _depth, "offset_m": Number(-1000, 1000), "range_m": _depth}
_DEPTH: Layout = {
    "depth_ft": Number(0, 40_000), "f": _f, "depth_m": _depth, "m": _m, "depth_fathoms": _depth, "fathoms": _fathoms,
}  # fmt: skip

LAYOUTS: dict[str, dict[int, Layout]] = {
    "RMC": {11: _RMC_11, 12: _first(_RMC, 12), 13: _RMC},
    # 12 and 13 fields: the last ones left off; 15: one number more. All seen in recorded receivers.
    "GGA": {**{n: _first(_GGA, n) for n in (12, 13, 14)}, 15: {**_GGA, "more": Number(0, 100_000)}},
    "GNS": {12: _first(_GNS, 12), 13: _GNS},
    "GLL": {6: _first(_GLL, 6), 7: _GLL},
    "VTG": {4: _VTG_OLD, 8: _first(_VTG, 8), 9: _VTG},
    "ZDA": {6: _ZDA},
    "HDT": {2: {"true": _angle, "t": _t}},
    "THS": {2: {"true": _angle, "mode": Letter("AEMSV")}},
    "HDG": {5: _HDG},
    "HDM": {2: {"magnetic": _angle, "m": _m}},
    "VHW": {8: _VHW},
    "VBW": {6: _first(_VBW, 6), 8: _first(_VBW, 8), 10: _VBW},
    "RPM": {5: _RPM},
    "RSA": {4: _RSA},
    "MWV": {5: _MWV},
    "MWD": {8: _MWD},
    "MDA": {20: _MDA},
    "VWR": {8: _OFF_BOW},
    "VWT": {8: _OFF_BOW},
    "DPT": {2: _first(_DPT, 2), 3: _DPT},
    "DBT": {6: _DEPTH},
    "DBS": {6: _DEPTH},
    "DBK": {6: _DEPTH},
    "MTW": {2: {"temperature_c": Number(-60, 200), "c": Letter("C")}},
    "ROT": {2: {"rate": Number(-36_000, 36_000), "status": _valid}},
}
"""Formatter to number of fields to layout. ``XDR`` repeats its fields and is decoded apart."""
FORMATTERS = (*LAYOUTS, "XDR")
"""The sentence types that are decoded; others are counted."""

FEEDS: dict[str, str] = {
    "RMC": "position, speed and course over ground, UTC and date, magnetic variation",
    "GGA": "position, UTC",
    "GNS": "position, UTC",
    "GLL": "position, UTC",
    "VTG": "speed and course over ground",
    "ZDA": "UTC and date",
    "HDT": "heading",
    "THS": "heading",
    "HDG": "heading, magnetic variation",
    "HDM": "heading",
    "VHW": "speed through water, heading",
    "VBW": "speed through water",
    "RPM": "engine speed",
    "XDR": "what its transducers are mapped to: engine readings, pitch and roll",
    "MWV": "apparent wind (reference R; theoretical wind, reference T, is not used)",
    "MWD": "true wind",
    "MDA": "true wind, water temperature, air pressure and temperature",
    "VWR": "apparent wind",
    "DPT": "depth",
    "DBT": "depth",
    "DBS": "depth",
    "DBK": "depth",
    "MTW": "water temperature",
    "ROT": "rate of turn",
}
"""What each sentence type that is decoded feeds; those not named are decoded and feed no result."""

CARRIES: dict[str, str] = {
    "CUR": "speed: current at depths",
    "DRU": "speed: dual Doppler log",
    "ETL": "engine: telegraph",
    "GEN": "engine: status of a machine",
    "OSD": "speed: own ship's speed, course and drift",
    "PRC": "engine: demanded rpm and pitch",
    "RMA": "speed: speed and course over ground",
    "TRC": "engine: demanded thruster rpm and pitch",
    "TRD": "engine: thruster rpm and pitch",
    "VCD": "speed: current at a depth",
    "VDR": "speed: set and drift of the current",
    "VLW": "speed: distance through the water",
    "VPW": "speed: speed made good to windward",
    "VWE": "wind: wind track efficiency",
    "VWT": "wind: theoretical wind off the bow",
    "WCV": "speed: closing speed to a waypoint",
}
"""Standard types that feed no result and carry engine, wind, depth or speed data (IEC 61162-1, from memory)."""

_ESSENTIAL: dict[str, tuple[str, ...]] = {
    "RMC": ("time", "status", "lat", "lon", "sog_kn", "date"),
    "GGA": ("time", "lat", "lon", "quality"),
    "GNS": ("time", "lat", "lon", "mode"),
    "GLL": ("time", "lat", "lon", "status"),
    "VTG": ("sog_kn",),
    "ZDA": ("time", "day", "month", "year"),
    "HDT": ("true",),
    "THS": ("true", "mode"),
    "HDG": ("sensor",),
    "HDM": ("magnetic",),
    "VHW": ("stw_kn",),
    "VBW": ("stw_kn", "water"),
    "RPM": ("kind", "number", "rpm", "status"),
    "MWV": ("status",),
    "DPT": ("depth_m",),
    "MTW": ("temperature_c",),
    "ROT": ("rate", "status"),
}
"""Fields whose damage refuses the sentence. Sentences that are not named here tell several things side by side, or one
in several units, and none of them stands for the others."""
_BY_THEMSELVES = {
    "status", "mode", "nav_status", "kind", "reference", "water", "ground", "stern_water", "stern_ground", "s_status",
    "p_status",
}  # fmt: skip
"""Letters that say something themselves; any other belongs to the number before it."""
_MAY_BE_MISSING = frozenset({"status"})
"""Essential fields that a sentence may end without: what it then says is believed as if nothing spoke against it."""


class Variant(NamedTuple):
    """How sentences of one type with so many fields are read."""

    layout: Layout
    """The fields that are there."""
    missing: Layout
    """Those the sentence ends before."""
    surplus: int
    """How many fields follow that are not read."""
    essential: frozenset[str]
    """Fields whose damage refuses the sentence."""
    with_it: dict[str, str]
    """For a letter, the number that is void with it."""


@lru_cache(maxsize=1024)
def find_variants(formatter: str, count: int) -> tuple[Variant, ...]:
    """Return the ways in which a sentence with so many fields may be read, the likeliest first; none to refuse it."""
    known = LAYOUTS[formatter]
    found: list[Variant] = []
    if formatter == "RPM" and count == 4:
        found.append(_variant(formatter, _RPM_WITHOUT_PITCH, {}, 0))
    if count in known:
        found.append(_variant(formatter, known[count], {}, 0))
    else:
        longer = [n for n in sorted(known) if n > count]
        shorter = [n for n in sorted(known) if n < count]
        if longer:
            layout = _first(known[longer[0]], count)
            missing = {name: reader for name, reader in known[longer[0]].items() if name not in layout}
            if not (_essential(formatter, known[longer[0]]) - _MAY_BE_MISSING) & missing.keys():
                found.append(_variant(formatter, layout, missing, 0))
        if shorter:
            found.append(_variant(formatter, known[shorter[-1]], {}, count - shorter[-1]))
    if formatter == "RPM" and count > 4:
        found.append(_variant(formatter, _RPM_WITHOUT_PITCH, {}, count - 4))
    return tuple(found)


def _variant(formatter: str, layout: Layout, missing: Layout, surplus: int) -> Variant:
    if layout is _RPM_WITHOUT_PITCH:
        missing = {"pitch_pct": _RPM["pitch_pct"]}
    return Variant(layout, missing, surplus, _essential(formatter, layout | missing), _with_their_letters(layout))


def _essential(formatter: str, layout: Layout) -> frozenset[str]:
    named = _ESSENTIAL.get(formatter, ())
    letters = {letter for letter, number in _with_their_letters(layout).items() if number in named}
    return frozenset(named) | letters


def _with_their_letters(layout: Layout) -> dict[str, str]:
    """Return the letters of units and sides, and the number each belongs to."""
    names = list(layout)
    return {
        name: before
        for before, name in pairwise(names)
        if isinstance(layout[name], Letter) and name not in _BY_THEMSELVES
    }


# Sentence semantics: from fields to the columns of the table; units, signs, validity, and void to null.
#
# What a sentence itself calls void (status V, mode N, quality 0) is absent here, whatever digits stand in it:
# receivers fill such fields with zeros or with the last place they knew. Estimated, manual and simulated values
# are kept and marked not valid.

Columns = dict[str, FieldColumn]
Faults = dict[tuple[str, Reason], Bools]
"""By field and reason, where a field is void (it is so already); "" is the whole sentence."""
Semantics = Callable[[Columns], tuple[Columns, Faults]]

_HPA_PER_INHG = 33.86389
"""Conventional inch of mercury [hPa] (NIST SP 811, appendix B.8)."""
_MEASURED = np.frombuffer(b"ADFPR", np.uint8)  # autonomous, differential, float, precise, real time
_MODES = np.frombuffer(b"\0ADEFMNPRS", np.uint8)


def _is(column: FieldColumn, letters: str) -> Bools:
    """Return where a letter is there and is one of these."""
    found: Bools = column.values == ord(letters[0])
    for other in letters[1:]:
        found |= column.values == ord(other)
    return column.present & found


def _optional(c: Columns, name: str, like: str) -> FieldColumn:
    """Return a letter that only newer versions of the sentence have; absent everywhere in older ones."""
    return c[name] if name in c else _absent_like(c[like])


def _truth(values: Bools) -> FieldColumn:
    return FieldColumn(values, np.ones(len(values), np.bool_))


def _absent_like(column: FieldColumn) -> FieldColumn:
    return FieldColumn(np.zeros_like(column.values), np.zeros_like(column.present))


def _first_of(*choices: FieldColumn) -> FieldColumn:
    """Return the first of several columns that has a value, row by row."""
    best = choices[0]
    for other in choices[1:]:
        best = FieldColumn(np.where(best.present, best.values, other.values), best.present | other.present)
    return best


def _in_unit(column: FieldColumn, unit: str, to: str) -> FieldColumn:
    return FieldColumn(convert(column.values, unit, to), column.present)


def _signed(size: FieldColumn, letter: FieldColumn, negative: str) -> tuple[FieldColumn, Bools]:
    """Give a size the sign its letter tells; also return where the letter is missing."""
    values = np.where(letter.values == ord(negative), -size.values, size.values)
    return size._replace(values=values).where(letter.present), size.present & ~letter.present


def _position(c: Columns, fixed: Bools) -> tuple[FieldColumn, FieldColumn, Faults]:
    """Return latitude and longitude, both or none, and where part of a position is missing."""
    lat, no_ns = _signed(c["lat"], c["north"], "S")
    lon, no_ew = _signed(c["lon"], c["east"], "W")
    both = lat.present & lon.present
    doubtful = no_ns | no_ew | (c["lat"].present != c["lon"].present)
    return lat.where(both & fixed), lon.where(both & fixed), {("position", Reason.HEMISPHERE): doubtful & fixed}


def _rmc(c: Columns) -> tuple[Columns, Faults]:
    east = c["variation_east"]
    mode = _optional(c, "mode", "status")
    if "mode" not in c:  # the 11-field form; some receivers put the mode where the variation's letter belongs
        is_side = (east.values == ord("E")) | (east.values == ord("W"))
        mode, east = east.where(~is_side), east.where(is_side)
        c["variation"] = c["variation"].where(is_side)
    fixed = _is(c["status"], "A") & ~_is(mode, "N")
    lat, lon, faults = _position(c, fixed)
    variation, no_side = _signed(c["variation"], east, "W")
    faults["variation", Reason.HEMISPHERE] = no_side & fixed & (variation.values != 0)
    valid = fixed & lat.present & ~_is(mode, "EMS")
    return {
        "tod_ns": c["time"], "date_days": c["date"], "valid": _truth(valid), "mode": mode,
        "nav_status": _optional(c, "nav_status", "status"), "lat_deg": lat, "lon_deg": lon,
        "sog_kn": c["sog_kn"].where(fixed), "cog_true_deg": c["cog"].where(fixed),
        "variation_deg": variation.where(fixed),
    }, faults  # fmt: skip


def _gga(c: Columns) -> tuple[Columns, Faults]:
    quality = c["quality"]
    fixed = quality.present & (quality.values > 0)
    lat, lon, faults = _position(c, fixed)
    valid = fixed & lat.present & (quality.values <= 5)  # 6 estimated, 7 manual, 8 simulated
    return {
        "tod_ns": c["time"], "valid": _truth(valid), "quality": quality, "lat_deg": lat, "lon_deg": lon,
        "satellites": c["satellites"], "hdop": c["hdop"].where(fixed), "altitude_m": c["altitude_m"].where(fixed),
        "separation_m": c["separation_m"].where(fixed),
    }, faults  # fmt: skip


def _gns(c: Columns) -> tuple[Columns, Faults]:
    mode = c["mode"]
    systems = mode.values.view(np.uint8).reshape(len(mode.values), -1)  # one letter a satellite system
    fixed = ((systems != 0) & (systems != ord("N"))).any(axis=1)
    measured = np.isin(systems, _MEASURED).any(axis=1)
    odd = np.asarray(np.isin(systems, _MODES, invert=True).any(axis=1))
    lat, lon, faults = _position(c, fixed)
    faults["mode", Reason.LETTER] = odd
    return {
        "tod_ns": c["time"], "valid": _truth(measured & lat.present), "mode": mode.where(~odd), "lat_deg": lat,
        "lon_deg": lon, "satellites": c["satellites"], "hdop": c["hdop"].where(fixed),
    }, faults  # fmt: skip


def _gll(c: Columns) -> tuple[Columns, Faults]:
    mode = _optional(c, "mode", "status")
    fixed = _is(c["status"], "A") & ~_is(mode, "N")
    lat, lon, faults = _position(c, fixed)
    valid = fixed & lat.present & ~_is(mode, "EMS")
    return {"tod_ns": c["time"], "valid": _truth(valid), "lat_deg": lat, "lon_deg": lon, "mode": mode}, faults


def _vtg(c: Columns) -> tuple[Columns, Faults]:
    sog = _first_of(c["sog_kn"], _in_unit(c["sog_km_per_h"], "km/h", "kn"))
    none = np.zeros(len(sog.values), np.bool_)
    mode = c["mode"] if "mode" in c else FieldColumn(none.view(np.uint8), none)
    fixed = ~_is(mode, "N")
    return {
        "valid": _truth(sog.present & ~_is(mode, "NEMS")), "cog_true_deg": c["cog_true"].where(fixed),
        "cog_magnetic_deg": c["cog_magnetic"].where(fixed), "sog_kn": sog.where(fixed),
    }, {}  # fmt: skip


def _zda(c: Columns) -> tuple[Columns, Faults]:
    parts = (c["day"], c["month"], c["year"])
    days, exists = day_number(*(part.values for part in parts[::-1]))
    given = parts[0].present & parts[1].present & parts[2].present
    none = (parts[0].values == 0) & (parts[1].values == 0) & (parts[2].values == 0)  # 00,00,0000
    return {"tod_ns": c["time"], "date_days": FieldColumn(days, given & exists)}, {
        ("", Reason.DATE): given & ~exists & ~none
    }


def _ths(c: Columns) -> tuple[Columns, Faults]:
    heading = c["true"].where(~_is(c["mode"], "V"))
    return {"heading_true_deg": heading, "valid": _truth(heading.present & _is(c["mode"], "A"))}, {}


def _hdg(c: Columns) -> tuple[Columns, Faults]:
    deviation, no_side = _signed(c["deviation"], c["deviation_east"], "W")
    variation, no_side_2 = _signed(c["variation"], c["variation_east"], "W")
    faults = {
        ("deviation", Reason.HEMISPHERE): no_side & (deviation.values != 0),
        ("variation", Reason.HEMISPHERE): no_side_2 & (variation.values != 0),
    }
    return {"heading_sensor_deg": c["sensor"], "deviation_deg": deviation, "variation_deg": variation}, faults


def _vhw(c: Columns) -> tuple[Columns, Faults]:
    stw = _first_of(c["stw_kn"], _in_unit(c["stw_km_per_h"], "km/h", "kn"))
    return {"heading_true_deg": c["true"], "heading_magnetic_deg": c["magnetic"], "stw_kn": stw}, {}


def _vbw(c: Columns) -> tuple[Columns, Faults]:
    water, ground = c["stw_kn"].where(_is(c["water"], "A")), c["sog_long_kn"].where(_is(c["ground"], "A"))
    return {
        "stw_kn": water, "water_valid": _truth(water.present), "sog_long_kn": ground,
        "ground_valid": _truth(ground.present),
    }, {}  # fmt: skip


def _not_denied(c: Columns, value: FieldColumn) -> tuple[Bools, Faults]:
    """Return where a status says valid, or says nothing; and where a value is believed without it."""
    has_status = c["status"].present
    return ~has_status | _is(c["status"], "A"), {("status", Reason.MISSING_FIELD): value.present & ~has_status}


def _rpm(c: Columns) -> tuple[Columns, Faults]:
    valid, faults = _not_denied(c, c["rpm"])
    rpm = c["rpm"].where(valid)
    return {
        "kind": c["kind"], "number": c["number"], "rpm": rpm, "pitch_pct": c["pitch_pct"].where(valid),
        "valid": _truth(rpm.present),
    }, faults  # fmt: skip


def _rsa(c: Columns) -> tuple[Columns, Faults]:
    starboard, port = c["starboard"].where(_is(c["s_status"], "A")), c["port"].where(_is(c["p_status"], "A"))
    return {
        "rudder_stbd_deg": starboard, "stbd_valid": _truth(starboard.present), "rudder_port_deg": port,
        "port_valid": _truth(port.present),
    }, {}  # fmt: skip


def _mwv(c: Columns) -> tuple[Columns, Faults]:
    unit, speed = c["unit"], c["speed"].values
    valid, faults = _not_denied(c, FieldColumn(speed, c["speed"].present | c["angle"].present))
    in_kn = np.where(unit.values == ord("K"), convert(speed, "km/h", "kn"), speed)
    in_kn = np.where(unit.values == ord("M"), convert(speed, "m/s", "kn"), in_kn)
    in_kn = np.where(unit.values == ord("S"), convert(speed, "mph", "kn"), in_kn)
    wind = FieldColumn(in_kn, c["speed"].present & unit.present).where(valid)
    return {
        "wind_angle_deg": c["angle"].where(valid), "reference": c["reference"], "wind_speed_kn": wind,
        "valid": _truth(wind.present & c["angle"].present),
    }, faults  # fmt: skip


def _mwd(c: Columns) -> tuple[Columns, Faults]:
    speed = _first_of(c["speed_kn"], _in_unit(c["speed_m_per_s"], "m/s", "kn"))
    return {
        "wind_from_true_deg": c["true"], "wind_from_magnetic_deg": c["magnetic"], "wind_speed_true_kn": speed,
    }, {}  # fmt: skip


def _mda(c: Columns) -> tuple[Columns, Faults]:
    """Weather: wind over ground as MWD has it; the pressure in bar has more digits than that in inches."""
    wind, _ = _mwd(c)
    inches = c["pressure_inhg"]
    pressure = _first_of(
        _in_unit(c["pressure_bar"], "bar", "mbar"), FieldColumn(inches.values * _HPA_PER_INHG, inches.present)
    )
    return {
        **wind, "pressure_hpa": pressure, "air_temp_c": c["air_c"],
        "water_temp_c": c["water_c"], "relative_humidity_pct": c["relative_humidity_pct"],
    }, {}  # fmt: skip


def _off_bow(c: Columns) -> tuple[FieldColumn, FieldColumn, Faults]:
    """Return angle clockwise from the bow [0, 360) and speed [kn]."""
    angle, side = c["angle"], c["side"]
    clockwise = np.where((side.values == ord("L")) & (angle.values > 0), 360.0 - angle.values, angle.values)
    speed = _first_of(
        c["speed_kn"], _in_unit(c["speed_m_per_s"], "m/s", "kn"), _in_unit(c["speed_km_per_h"], "km/h", "kn")
    )
    ahead = angle.values == 0
    no_side = angle.present & ~side.present & ~ahead
    return (
        FieldColumn(clockwise, angle.present & (side.present | ahead)),
        speed,
        {("angle", Reason.HEMISPHERE): no_side},
    )


def _vwr(c: Columns) -> tuple[Columns, Faults]:
    angle, speed, faults = _off_bow(c)
    return {"wind_angle_apparent_deg": angle, "wind_speed_apparent_kn": speed}, faults


def _vwt(c: Columns) -> tuple[Columns, Faults]:
    angle, speed, faults = _off_bow(c)
    return {"wind_angle_true_bow_deg": angle, "wind_speed_kn": speed}, faults


def _depth_in_m(c: Columns) -> tuple[Columns, Faults]:
    feet, fathoms = _in_unit(c["depth_ft"], "ft", "m"), _in_unit(c["depth_fathoms"], "fathom", "m")
    return {"depth_m": _first_of(c["depth_m"], feet, fathoms)}, {}


def _rot(c: Columns) -> tuple[Columns, Faults]:
    valid, faults = _not_denied(c, c["rate"])
    rate = c["rate"].where(valid)
    return {"rate_of_turn_deg_per_min": rate, "valid": _truth(rate.present)}, faults


def _renamed(**names: str) -> Semantics:
    return lambda c: ({new: c[old] for new, old in names.items()}, {})


SEMANTICS: dict[str, Semantics] = {
    "RMC": _rmc, "GGA": _gga, "GNS": _gns, "GLL": _gll, "VTG": _vtg, "ZDA": _zda,
    "HDT": _renamed(heading_true_deg="true"), "THS": _ths, "HDG": _hdg,
    "HDM": _renamed(heading_magnetic_deg="magnetic"),
    "VHW": _vhw, "VBW": _vbw, "RPM": _rpm, "RSA": _rsa, "MWV": _mwv, "MWD": _mwd, "MDA": _mda, "VWR": _vwr, "VWT": _vwt,
    "DPT": _renamed(depth_m="depth_m", offset_m="offset_m"), "DBT": _depth_in_m, "DBS": _depth_in_m, "DBK": _depth_in_m,
    "MTW": _renamed(water_temp_c="temperature_c"), "ROT": _rot,
}  # fmt: skip
"""Formatter to the function that makes its columns; the two tables have the same keys, XDR aside."""


# XDR, the one sentence of variable length: groups of type, value, unit and name, one row a group.


class Transducer(Protocol):
    """Which transducer is wanted, as the configuration names it; an empty type or unit fits any."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def type(self) -> str: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102


GROUP_FIELDS = 4
"""Type, value, unit, name."""
_LAST_GROUP, _NO_NAME = "last group", "transducer without a name"
TRANSDUCER_VALUE = Number(-1e12, 1e12)


def decode_xdr(
    frame: Frame, first: I64, fields: I64, wanted: Iterable[Transducer] = ()
) -> tuple[Columns, list[str], I64, U8, list[tuple[I64, Reason, str]]]:
    """Decode XDR sentences.

    Args:
        frame: The block they stand in.
        first: (n,) their starts, as indices into `Frame.at`.
        fields: (n,) how many fields each has.
        wanted: Transducers to keep; empty keeps all.

    Returns:
        The columns ``type value unit name`` (the last one in codes); the names those stand for; (rows,) which
        sentence each row is from; (n,) `Reason` codes of the sentences, refused where no group of theirs is sound, or
        the last is cut off and another malformed; and the groups left out of the others: which sentences, why, and
        the transducer's name.
    """
    at, buf = frame.at, frame.buf
    groups = fields // 4
    left = fields - 4 * groups
    blank = at[first + 1 + fields] - at[first + 1 + 4 * groups] == left
    incomplete = (left > 0) & ~blank

    owner = np.repeat(np.arange(len(first)), groups)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(groups) - groups, groups)
    comma = np.repeat(first, groups) + 1 + 4 * nth
    edges = [at[comma + k] for k in range(5)]
    kind, unit = _one_letter(buf, edges[0], edges[1]), _one_letter(buf, edges[2], edges[3])
    value, fault = TRANSDUCER_VALUE(buf, edges[1] + 1, edges[2] - edges[1] - 1)
    if fault is None:
        fault = np.zeros(len(owner), np.uint8)
    fault[(edges[1] - edges[0] > 2) | (edges[3] - edges[2] > 2)] = Reason.LETTER

    name_code, names = byte_columns.encode_spans(buf, edges[3] + 1, edges[4] - edges[3] - 1)
    sound = fault == Reason.SOUND
    damaged = np.bincount(owner[~sound], minlength=len(first)) > 0
    some = np.bincount(owner[sound], minlength=len(first)) > 0
    some &= ~(incomplete & damaged)  # two signs of damage; a "!" is one too, see `general`
    some[damaged] &= ~holds_bang(frame, first[damaged], fields[damaged])
    reason = np.zeros(len(first), np.uint8)
    faulty = np.flatnonzero(~sound)[::-1]
    reason[owner[faulty]] = fault[faulty]
    reason[some] = Reason.SOUND
    kept = sound & some[owner]
    void: list[tuple[I64, Reason, str]] = [
        (np.flatnonzero(incomplete & (reason == Reason.SOUND)), Reason.INCOMPLETE_GROUP, _LAST_GROUP)
    ]
    left_out = ~sound & some[owner]
    for code, name in sorted(set(zip(fault[left_out].tolist(), name_code[left_out].tolist(), strict=True))):
        these = left_out & (fault == code) & (name_code == name)
        void.append((owner[these], Reason(code), names[name] or _NO_NAME))
    if wanted := tuple(wanted):
        kept &= _is_wanted(wanted, kind, unit, name_code, names)
    rows = np.flatnonzero(kept)
    named = FieldColumn(name_code, edges[4] - edges[3] > 1)
    table = {"type": kind, "value": value, "unit": unit, "name": named}
    table = {key: FieldColumn(column.values[rows], column.present[rows]) for key, column in table.items()}
    return table, names, owner[rows], reason, void


def is_wanted(wanted: tuple[Transducer, ...], kind: str, unit: str, name: str) -> bool:
    """Return whether one group is among the transducers wanted; none wanted is all."""
    return not wanted or any(name == one.name and one.type in ("", kind) and one.unit in ("", unit) for one in wanted)


def _one_letter(buf: U8, before: I64, after: I64) -> FieldColumn:
    return FieldColumn(buf[before + 1], after - before == 2)


def _is_wanted(
    wanted: tuple[Transducer, ...],
    kind: FieldColumn,
    unit: FieldColumn,
    name_code: npt.NDArray[np.int32],
    names: list[str],
) -> Bools:
    kept = np.zeros(len(name_code), np.bool_)
    for transducer in wanted:
        fits = np.array([name == transducer.name for name in names], np.bool_)[name_code]
        for letter, column in ((transducer.type, kind), (transducer.unit, unit)):
            if letter:
                fits &= column.present & (column.values == ord(letter))
        kept |= fits
    return kept
