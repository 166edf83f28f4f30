"""The sentences that are decoded: their fields in order, by formatter and number of fields.

A field is *essential* where the sentence says nothing without it: its time, position, speed or rpm, and the status or
quality that says whether those hold. A sentence whose essential field is damaged is refused; any other field is void
by itself. A letter that gives the unit or side of the number before it is void with that number, and is essential
where the number is. Fields a sentence lacks at its end, or has beyond it, do not matter unless they are essential:
later editions of the standard append fields, and a listener reads those it knows (IEC 61162-1, from memory). Too few
or too many fields and a misshapen one besides are two signs of damage, and refuse the sentence.

Fields and variants are those of IEC 61162-1 as restated in the open "NMEA Revealed" document; variants that
only recorded receivers show (Debian's gpsd test logs) are marked so. Field names here are private to the
package; `trialcapture.decode.meanings` turns them into the columns of the result.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from trialcapture.decode.fields import Letter, Number, Reader, Text, Whole, angle
from trialcapture.decode.places import Clock, Date, Degrees

Layout = dict[str, Reader]
"""Field name to reader, in the order of the sentence."""

_clock, _date, _angle = Clock(), Date(), angle()
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
