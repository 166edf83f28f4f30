"""The sentences that are decoded: their fields in order, by formatter and number of fields.

Fields and variants are those of IEC 61162-1 as restated in the open "NMEA Revealed" document; variants that
only recorded receivers show (Debian's gpsd test logs) are marked so. Field names here are private to the
package; `trialcapture.decode.meanings` turns them into the columns of the result.
"""

from __future__ import annotations

import numpy as np

from trialcapture.decode.fields import Reader, angle, clock, date, latitude, letter, longitude, number, text, whole

Layout = dict[str, Reader]
"""Field name to reader, in the order of the sentence."""

_speed = number(0, 2000)
_signed_speed = number(-2000, 2000)
_depth = number(0, 12000)
_turned = number(0, 180)  # deviation, variation, wind off the bow: a letter says to which side
_modes = letter("ADEFMNPRS")
_valid = letter("AV")
_north, _east = letter("NS"), letter("EW")
_t, _m, _n, _k, _f, _fathoms = (letter(unit) for unit in "TMNKfF")


def _first(fields: Layout, count: int) -> Layout:
    return dict(list(fields.items())[:count])


_POSITION: Layout = {"lat": latitude, "north": _north, "lon": longitude, "east": _east}

_RMC: Layout = {
    "time": clock, "status": _valid, **_POSITION, "sog_kn": _speed, "cog": angle, "date": date,
    "variation": _turned, "variation_east": _east, "mode": _modes, "nav_status": letter("SCUV"),
}  # fmt: skip
# Seen in recorded receivers: the mode stands where the variation's letter should.
_RMC_11 = {**_first(_RMC, 11), "variation_east": letter("EWADFMNPRS")}

_GGA: Layout = {
    "time": clock, **_POSITION, "quality": whole(1, 9, np.int8), "satellites": whole(2, 99, np.int16),
    "hdop": number(0, 1000), "altitude_m": number(-1000, 100_000), "m1": _m,
    "separation_m": number(-1000, 1000), "m2": _m, "age_s": number(0, 100_000), "station": whole(4, 9999, np.int16),
}  # fmt: skip

_GNS: Layout = {
    "time": clock, **_POSITION, "mode": text("ADEFMNPRS", 8), "satellites": whole(2, 99, np.int16),
    "hdop": number(0, 1000), "altitude_m": number(-1000, 100_000), "separation_m": number(-1000, 1000),
    "age_s": number(0, 100_000), "station": whole(4, 9999, np.int16), "nav_status": letter("SCUV"),
}  # fmt: skip

_GLL: Layout = {**_POSITION, "time": clock, "status": _valid, "mode": _modes}

_VTG: Layout = {
    "cog_true": angle, "t": _t, "cog_magnetic": angle, "m": _m, "sog_kn": _speed, "n": _n, "sog_km_per_h": _speed,
    "k": _k, "mode": _modes,
}  # fmt: skip
_VTG_OLD: Layout = {"cog_true": angle, "cog_magnetic": angle, "sog_kn": _speed, "sog_km_per_h": _speed}

_ZDA: Layout = {
    "time": clock, "day": whole(2, 31, np.int64), "month": whole(2, 12, np.int64), "year": whole(4, 9999, np.int64),
    "zone_h": number(-14, 14), "zone_min": number(-59, 59),
}  # fmt: skip

_HDG: Layout = {
    "sensor": angle, "deviation": _turned, "deviation_east": _east, "variation": _turned, "variation_east": _east,
}  # fmt: skip

_VHW: Layout = {
    "true": angle, "t": _t, "magnetic": angle, "m": _m, "stw_kn": _signed_speed, "n": _n,
    "stw_km_per_h": _signed_speed, "k": _k,
}  # fmt: skip

_VBW: Layout = {
    "stw_kn": _signed_speed, "across_water_kn": _signed_speed, "water": _valid,
    "sog_long_kn": _signed_speed, "across_ground_kn": _signed_speed, "ground": _valid,
    "stern_water_kn": _signed_speed, "stern_water": _valid, "stern_ground_kn": _signed_speed, "stern_ground": _valid,
}  # fmt: skip

_RPM: Layout = {
    "kind": letter("ES"), "number": whole(2, 99, np.int16), "rpm": number(-30_000, 30_000),
    "pitch_pct": number(-200, 200), "status": _valid,
}  # fmt: skip

_RSA: Layout = {"starboard": number(-180, 180), "s_status": _valid, "port": number(-180, 180), "p_status": _valid}

_MWV: Layout = {
    "angle": angle, "reference": letter("RT"), "speed": _speed, "unit": letter("KMNS"), "status": _valid,
}  # fmt: skip

_MWD: Layout = {
    "true": angle, "t": _t, "magnetic": angle, "m": _m, "speed_kn": _speed, "n": _n, "speed_m_per_s": _speed, "m2": _m,
}  # fmt: skip

_OFF_BOW: Layout = {
    "angle": _turned, "side": letter("LR"), "speed_kn": _speed, "n": _n, "speed_m_per_s": _speed, "m": _m,
    "speed_km_per_h": _speed, "k": _k,
}  # fmt: skip

_DPT: Layout = {"depth_m": _depth, "offset_m": number(-1000, 1000), "range_m": _depth}
_DEPTH: Layout = {
    "depth_ft": number(0, 40_000), "f": _f, "depth_m": _depth, "m": _m, "depth_fathoms": _depth, "fathoms": _fathoms,
}  # fmt: skip

LAYOUTS: dict[str, dict[int, Layout]] = {
    "RMC": {11: _RMC_11, 12: _first(_RMC, 12), 13: _RMC},
    # 12 and 13 fields: the last ones left off; 15: one number more. All seen in recorded receivers.
    "GGA": {**{n: _first(_GGA, n) for n in (12, 13, 14)}, 15: {**_GGA, "more": number(0, 100_000)}},
    "GNS": {12: _first(_GNS, 12), 13: _GNS},
    "GLL": {6: _first(_GLL, 6), 7: _GLL},
    "VTG": {4: _VTG_OLD, 8: _first(_VTG, 8), 9: _VTG},
    "ZDA": {6: _ZDA},
    "HDT": {2: {"true": angle, "t": _t}},
    "THS": {2: {"true": angle, "mode": letter("AEMSV")}},
    "HDG": {5: _HDG},
    "HDM": {2: {"magnetic": angle, "m": _m}},
    "VHW": {8: _VHW},
    "VBW": {6: _first(_VBW, 6), 8: _first(_VBW, 8), 10: _VBW},
    "RPM": {5: _RPM},
    "RSA": {4: _RSA},
    "MWV": {5: _MWV},
    "MWD": {8: _MWD},
    "VWR": {8: _OFF_BOW},
    "VWT": {8: _OFF_BOW},
    "DPT": {2: _first(_DPT, 2), 3: _DPT},
    "DBT": {6: _DEPTH},
    "DBS": {6: _DEPTH},
    "DBK": {6: _DEPTH},
    "MTW": {2: {"temperature_c": number(-60, 200), "c": letter("C")}},
    "ROT": {2: {"rate": number(-36_000, 36_000), "status": _valid}},
}
"""Formatter to number of fields to layout. ``XDR`` repeats its fields and is decoded apart."""
