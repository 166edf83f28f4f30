"""Two independent NMEA 0183 libraries, asked for the same quantities under our column names.

pynmea2 keeps every digit (`float` and `Decimal`); pynmeagps rounds positions to ten decimals. Both give what
stands in the field: what a status calls void is for the caller to judge. None where the field is blank.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pynmea2
import pynmeagps

NS = 1_000_000_000
EPOCH = dt.date(1970, 1, 1)
Values = dict[str, Any]

# Our column: pynmea2's attribute, pynmeagps' attribute; "" where the library does not know the sentence.
NUMBERS: dict[str, dict[str, tuple[str, str]]] = {
    "RMC": {"sog_kn": ("spd_over_grnd", "spd"), "cog_true_deg": ("true_course", "cog")},
    "GGA": {
        "satellites": ("num_sats", "numSV"),
        "quality": ("gps_qual", "quality"),
        "hdop": ("horizontal_dil", "HDOP"),
        "altitude_m": ("altitude", "alt"),
        "separation_m": ("geo_sep", "sep"),
    },
    "GNS": {"satellites": ("num_sats", "numSV"), "hdop": ("hdop", "HDOP")},
    "GLL": {},
    "VTG": {
        "cog_true_deg": ("true_track", "cogt"),
        "cog_magnetic_deg": ("mag_track", "cogm"),
        "sog_kn": ("spd_over_grnd_kts", "sogn"),
    },
    "ZDA": {},
    "HDT": {"heading_true_deg": ("heading", "headingT")},
    "THS": {"heading_true_deg": ("", "headt")},
    "HDG": {"heading_sensor_deg": ("heading", "headingM")},
    "HDM": {"heading_magnetic_deg": ("heading", "headingM")},
    "VHW": {
        "heading_true_deg": ("heading_true", "hdgT"),
        "heading_magnetic_deg": ("heading_magnetic", "hdgM"),
        "stw_kn": ("water_speed_knots", "spdN"),
    },
    "VBW": {"stw_kn": ("lon_water_spd", "longwaterspd"), "sog_long_kn": ("lon_grnd_spd", "longgroundspd")},
    "RPM": {"number": ("engine_no", "engineshaftnum"), "rpm": ("speed", "rpm"), "pitch_pct": ("pitch", "pitch")},
    "RSA": {"rudder_stbd_deg": ("rsa_starboard", "stbdangle"), "rudder_port_deg": ("rsa_port", "portangle")},
    "MWV": {"wind_angle_deg": ("wind_angle", "angle")},
    "MWD": {
        "wind_from_true_deg": ("direction_true", "dirT"),
        "wind_from_magnetic_deg": ("direction_magnetic", "dirM"),
        "wind_speed_true_kn": ("wind_speed_knots", "speedN"),
    },
    "MDA": {
        "wind_from_true_deg": ("direction_true", ""),
        "wind_from_magnetic_deg": ("direction_magnetic", ""),
        "wind_speed_true_kn": ("wind_speed_knots", ""),
        "air_temp_c": ("air_temp", ""),
        "water_temp_c": ("water_temp", ""),
        "relative_humidity_pct": ("rel_humidity", ""),
    },
    "VWR": {"wind_speed_apparent_kn": ("wind_speed_kn", "")},
    "VWT": {"wind_speed_kn": ("wind_speed_knots", "")},
    "DPT": {"depth_m": ("depth", "depth"), "offset_m": ("offset", "offset")},
    "DBT": {"depth_m": ("depth_meters", "depthm")},
    "DBS": {"depth_m": ("depth_meter", "")},
    "MTW": {"water_temp_c": ("temperature", "temp")},
    "ROT": {"rate_of_turn_deg_per_min": ("rate_of_turn", "rot")},
}
ANGLES = {"cog_true_deg", "cog_magnetic_deg", "heading_true_deg", "heading_magnetic_deg", "heading_sensor_deg",
          "wind_angle_deg", "wind_from_true_deg", "wind_from_magnetic_deg"}  # fmt: skip
LETTERS = {
    "RMC": {"mode": ("mode_indicator", "posMode"), "nav_status": ("nav_status", "navStatus")},
    "GLL": {"mode": ("faa_mode", "posMode")},
    "RPM": {"kind": ("source", "source")},
    "MWV": {"reference": ("reference", "reference")},
}
SIGNED = {
    "RMC": {"variation_deg": (("mag_variation", "mag_var_dir"), ("mv", "mvEW"))},
    "HDG": {
        "deviation_deg": (("deviation", "dev_dir"), ("deviation", "deviationEW")),
        "variation_deg": (("variation", "var_dir"), ("variation", "variationEW")),
    },
}
_POSITION = {"RMC", "GGA", "GNS", "GLL"}
_CLOCK = {"RMC", "GGA", "GNS", "GLL", "ZDA"}


def by_pynmea2(line: bytes) -> Values | None:
    """What pynmea2 reads from a sentence, None where it does not know or not accept it."""
    try:
        message = pynmea2.parse(line.decode("ascii").strip(), check=True)
    except (pynmea2.ParseError, UnicodeDecodeError):
        return None
    kind = message.sentence_type
    values = _common(message, kind, 0)
    if kind in _POSITION:
        try:
            lat, lon = message.latitude, message.longitude
        except ValueError:
            return None
        whole = message.lat and message.lat_dir and message.lon and message.lon_dir
        values["lat_deg"], values["lon_deg"] = (lat, lon) if whole else (None, None)
    if kind in _CLOCK:
        values["tod_ns"] = _tod_ns(message.timestamp)
    if kind == "RMC":
        found = message.datestamp
        values["date_days"] = (found - EPOCH).days if isinstance(found, dt.date) else None
    if kind == "ZDA":
        parts = (message.year, message.month, message.day)
        values["date_days"] = None if None in parts else (dt.date(*parts) - EPOCH).days
    if kind == "XDR":
        groups = [message.get_transducer(i) for i in range(message.num_transducers)]
        values["groups"] = [(g.type, _number(g.value), g.units, g.id) for g in groups]
    return values


def by_pynmeagps(line: bytes) -> Values | None:
    """What pynmeagps reads from a sentence, None where it does not know or not accept it."""
    try:
        message = pynmeagps.NMEAReader.parse(line.strip() + b"\r\n")
    except (
        pynmeagps.NMEAParseError,
        pynmeagps.NMEAMessageError,
        pynmeagps.NMEATypeError,
        ValueError,
        UnicodeDecodeError,
    ):
        return None
    if message is None:
        return None
    kind = message.msgID
    values = _common(message, kind, 1)
    if kind in _POSITION:
        whole = all(getattr(message, name, "") != "" for name in ("lat", "NS", "lon", "EW"))
        values["lat_deg"], values["lon_deg"] = (message.lat, message.lon) if whole else (None, None)
    if kind in _CLOCK:
        values["tod_ns"] = _tod_ns(message.time)
    if kind == "RMC":
        values["date_days"] = (message.date - EPOCH).days if message.date != "" else None
    if kind == "ZDA":
        parts = (message.year, message.month, message.day)
        values["date_days"] = None if "" in parts else (dt.date(*parts) - EPOCH).days
    if kind == "XDR":
        count = 0
        while hasattr(message, f"tdrid_{count + 1:02d}"):
            count += 1
        names = ("tdrtype", "data", "dataunit", "tdrid")
        rows = [[getattr(message, f"{name}_{nth:02d}") for name in names] for nth in range(1, count + 1)]
        values["groups"] = [(a, _number(b), c, d) for a, b, c, d in rows]
    return values


def _common(message: Any, kind: str, which: int) -> Values:
    values: Values = {}
    for column, names in NUMBERS.get(kind, {}).items():
        if names[which]:
            value = _number(getattr(message, names[which], None))
            values[column] = value % 360 if value is not None and column in ANGLES else value
    for column, names in LETTERS.get(kind, {}).items():
        values[column] = getattr(message, names[which], None) or None
    for column, pairs in SIGNED.get(kind, {}).items():
        size, side = (getattr(message, name, None) for name in pairs[which])
        number = _number(size)
        values[column] = None if number is None or side not in ("E", "W") else number if side == "E" else -number
    return values


def _number(value: Any) -> float | None:
    if value is None or value == "":
        return None
    if isinstance(value, int | float | Decimal | str):
        return float(value)
    raise TypeError(type(value))


def _tod_ns(value: Any) -> int | None:
    if not isinstance(value, dt.time):
        return None  # a leap second is no time for either library
    return (value.hour * 3600 + value.minute * 60 + value.second) * NS + value.microsecond * 1000
