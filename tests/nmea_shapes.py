"""What an undamaged NMEA 0183 sentence looks like, written plainly as regular expressions.

The field lists are those of the open "NMEA Revealed" document (which restates IEC 61162-1); variants that it
does not list but recorded receivers send are marked. This is the yardstick the decoder is held against, so it
shares no code with it.
"""

from __future__ import annotations

import datetime as dt
import re

from tests.nmea_builders import xor

N = r"(?:\d+\.?\d*|\.\d+)?"  # a number or nothing
S = r"(?:[-+]?(?:\d+\.?\d*|\.\d+))?"  # the same with a sign
D = r"(?:(?!360\.0*[1-9])(?:0*(?:[0-9]|[1-9][0-9]|[12][0-9]{2}|3[0-5][0-9]|360))(?:\.\d*)?|\.\d+)?"  # 0 to 360
TIME = r"(?:(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d|60)(?:\.\d*)?)?"
LAT = r"(?:[0-8]\d[0-5]\d\.\d+|9000\.0+)?,[NS]?"
LON = r"(?:(?:0\d\d|1[0-7]\d)[0-5]\d\.\d+|18000\.0+)?,[EW]?"
MODE = "[ADEFMNPRS]?"
NAV = "[SCUV]?"

FIELDS = {
    # The last alternative: eleven fields with the mode where the variation's letter belongs (recorded).
    "RMC": rf"{TIME},[AV]?,{LAT},{LON},{N},{D},(?P<date>\d{{6}})?,{N},(?:[EW]?(?:,{MODE}(?:,{NAV})?)?|[ADFMNPRS])",
    # Without the last one or two fields, or with a number more: recorded.
    "GGA": rf"{TIME},{LAT},{LON},\d?,\d?\d?,{N},{S},M?,{S},M?(?:,{N}(?:,\d{{0,4}}(?:,{N})?)?)?",
    "GNS": rf"{TIME},{LAT},{LON},[ADEFMNPRS]*,\d?\d?,{N},{S},{S},{N},\d{{0,4}}(?:,{NAV})?",
    "GLL": rf"{LAT},{LON},{TIME},[AV]?(?:,{MODE})?",
    "VTG": rf"{D},T?,{D},M?,{N},N?,{N},K?(?:,{MODE})?|{D},{D},{N},{N}",
    "ZDA": rf"{TIME},(?P<day>\d?\d?),(?P<month>\d?\d?),(?P<year>\d{{0,4}}),{S},{S}",
    "HDT": rf"{D},T?",
    "HDG": rf"{D},{N},[EW]?,{N},[EW]?",
    "VHW": rf"{D},T?,{D},M?,{S},N?,{S},K?",
    "RPM": rf"[ES]?,\d?\d?,{S},{S},[AV]?",
    "MWV": rf"{D},[RT]?,{N},[KMNS]?,[AV]?",
    "MWD": rf"{D},T?,{D},M?,{N},N?,{N},M?",
    "DPT": rf"{N},{S}(?:,{N})?",
    "DBT": rf"{N},f?,{N},M?,{N},F?",
    "MTW": rf"{S},C?",
    "ROT": rf"{S},[AV]?",
    "XDR": rf"(?:[^,]?,{S},[^,]?,[^,]*(?:,|$))*(?:[^,]*,){{0,2}}[^,]*",
}
_FRAMED = re.compile(rb"\$([A-Z0-9]{2}([A-Z0-9]{3}),([ -#%-)+-\[\]-~]*))\*([0-9A-Fa-f]{2})")


def undamaged(stream: bytes) -> list[tuple[str, int, bytes]]:
    """Every sentence of a known type whose frame, checksum and published field shapes hold.

    Returns:
        Formatter, position in the stream and text without line end, in order.
    """
    return [
        (formatter, at, text)
        for formatter, at, text, fields in framed(stream)
        if formatter in FIELDS and has_shape(formatter, fields)
    ]


def framed(stream: bytes) -> list[tuple[str, int, bytes, str]]:
    """Every sentence whose frame and checksum hold: formatter, position, text, and fields as text.

    Talkers that begin with P are manufacturers' own formats and are left out.
    """
    return [
        (found[2].decode(), found.start(), found[0], found[3].decode())
        for found in _FRAMED.finditer(stream)
        if found[1][:1] != b"P" and xor(found[1]) == int(found[4], 16)
    ]


def has_shape(formatter: str, fields: str) -> bool:
    """Whether the fields are those the sentence type demands, and a date in them exists."""
    found = re.fullmatch(FIELDS[formatter], fields)
    if found is None:
        return False
    named = found.groupdict()
    if formatter == "RMC" and named["date"] not in (None, "000000"):
        return _exists(int(named["date"][4:]) + 2000, int(named["date"][2:4]), int(named["date"][:2]))
    if formatter == "ZDA":
        year, month, day = (int(named[part] or -1) for part in ("year", "month", "day"))
        return -1 in (year, month, day) or year == month == day == 0 or _exists(year, month, day)
    return True


def _exists(year: int, month: int, day: int) -> bool:
    try:
        dt.date(year, month, day)
    except ValueError:
        return False
    return True
