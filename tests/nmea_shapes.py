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
LAT = r"(?:[0-8]\d[0-5]\d\.\d+|9000\.0+)?"
LON = r"(?:(?:0\d\d|1[0-7]\d)[0-5]\d\.\d+|18000\.0+)?"
POSITION = (f"={LAT}", "=[NS]?", f"={LON}", "=[EW]?")
MODE = "[ADEFMNPRS]?"
NAV = "[SCUV]?"
STATUS = "=[AV]?"

# Field by field; "=" stands in front of one without which the sentence says nothing. And how many a whole one has.
FORMS: dict[str, list[tuple[tuple[str, ...], tuple[int, ...]]]] = {
    # Eleven fields may have the mode where the variation's letter belongs (recorded).
    "RMC": [((f"={TIME}", STATUS, *POSITION, f"={N}", D, r"=(?:\d{6})?", N, "[EWADFMNPRS]?", MODE, NAV), (11, 12, 13))],
    # Without the last one or two fields, or with a number more: recorded.
    "GGA": [((f"={TIME}", *POSITION, r"=\d?", r"\d?\d?", N, S, "M?", S, "M?", N, r"\d{0,4}", N), (12, 13, 14, 15))],
    "GNS": [((f"={TIME}", *POSITION, "=[A-Z]{0,8}", r"\d?\d?", N, S, S, N, r"\d{0,4}", NAV), (12, 13))],
    "GLL": [((*POSITION, f"={TIME}", STATUS, MODE), (6, 7))],
    "VTG": [((D, "T?", D, "M?", f"={N}", "=N?", N, "K?", MODE), (8, 9)), ((D, D, f"={N}", N), (4,))],
    "ZDA": [((f"={TIME}", r"=\d?\d?", r"=\d?\d?", r"=\d{0,4}", S, S), (6,))],
    "HDT": [((f"={D}", "=T?"), (2,))],
    "HDG": [((f"={D}", N, "[EW]?", N, "[EW]?"), (5,))],
    "VHW": [((D, "T?", D, "M?", f"={S}", "=N?", S, "K?"), (8,))],
    "RPM": [
        (("=[ES]?", r"=\d?\d?", f"={S}", S, STATUS), (5,)),
        (("=[ES]?", r"=\d?\d?", f"={S}", STATUS), (4,)),
    ],
    "MWV": [((D, "[RT]?", N, "[KMNS]?", STATUS), (5,))],
    "MWD": [((D, "T?", D, "M?", N, "N?", N, "M?"), (8,))],
    "DPT": [((f"={N}", S, N), (2, 3))],
    "DBT": [((N, "f?", N, "M?", N, "F?"), (6,))],
    "MTW": [((f"={S}", "=C?"), (2,))],
    "ROT": [((f"={S}", STATUS), (2,))],
}
TYPES = {*FORMS, "XDR"}
_FRAMED = re.compile(rb"\$([A-Z0-9]{2}([A-Z0-9]{3}),([ -#%-)+-\[\]-~]*))\*([0-9A-Fa-f]{2})")


def undamaged(stream: bytes) -> list[tuple[str, int, bytes]]:
    """Every sentence of a known type whose frame, checksum and published field shapes hold.

    Returns:
        Formatter, position in the stream and text without line end, in order.
    """
    return [
        (formatter, at, text)
        for formatter, at, text, fields in framed(stream)
        if formatter in TYPES and has_shape(formatter, fields)
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


def has_shape(formatter: str, text: str) -> bool:
    """Whether a sentence has the fields it says nothing without, and a date in them exists.

    Any other field may read as it likes in a whole sentence. In one that ends early, or goes on, it has its shape too
    (of a number any size), as in one that leaves its status blank; a status alone may be missing.
    """
    fields = text.split(",")
    if formatter == "XDR":
        return _has_groups(fields)
    if not any(_fits(fields, forms, whole) for forms, whole in FORMS[formatter]):
        return False
    if formatter == "RMC" and fields[8] not in ("", "000000"):
        return _exists(int(fields[8][4:]) + 2000, int(fields[8][2:4]), int(fields[8][:2]))
    if formatter == "ZDA":
        day, month, year = (int(field or -1) for field in fields[1:4])
        return -1 in (year, month, day) or year == month == day == 0 or _exists(year, month, day)
    return True


def _fits(fields: list[str], forms: tuple[str, ...], whole: tuple[int, ...]) -> bool:
    missing, surplus = forms[len(fields) :], fields[len(forms) :]
    if any(form.startswith("=") and form != STATUS for form in missing):
        return False
    odd = (len(fields) not in whole and len(fields) < max(whole)) or any(surplus)
    odd |= any("!" in field for field in fields)  # that starts a sentence
    odd |= any(form == STATUS and not field for field, form in zip(fields, forms, strict=False))
    for field, form in zip(fields, forms, strict=False):
        shape = form.removeprefix("=")
        if not form.startswith("="):
            shape = (N if form == D else form) if odd else ".*"
        if re.fullmatch(shape, field) is None:
            return False
    return True


def _has_groups(fields: list[str]) -> bool:
    """Whether a group of four is in shape; where the last is cut off, all of them are."""
    groups = [fields[nth : nth + 4] for nth in range(0, len(fields) - 3, 4)]
    good = [len(kind) <= 1 and len(unit) <= 1 and bool(re.fullmatch(S, value)) for kind, value, unit, _ in groups]
    cut = any(fields[4 * len(groups) :]) or any("!" in field for field in fields)
    return all(good) if cut or not groups else any(good)


def _exists(year: int, month: int, day: int) -> bool:
    try:
        dt.date(year, month, day)
    except ValueError:
        return False
    return True
