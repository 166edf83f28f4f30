"""The kinds of field a sentence is made of: each reads one column of text and says what is wrong with it.

A field has a published shape (six digits of time, two digits of minutes before the point, a letter out of
few), and text of another shape is damage that the checksum, one byte, has let through: chance alone does so
once in 256 times. A blank field is no damage; it is absent.

Shapes are those of IEC 61162-1 as restated in the open "NMEA Revealed" document.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.digits import LONGEST, POWER_OF_10, parse_decimals, split_at_point
from trialcapture.decode.rejects import Reason

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_POWER_OF_10 = POWER_OF_10.astype(np.float64)
_NS_PER_S = 1_000_000_000


class Column(NamedTuple):
    """One value a row, and where there is one.

    The dtype says what it is: float64, int8 … int64, bool, uint8 for a letter, S for a short text.
    """

    values: npt.NDArray[Any]
    present: Bools

    def where(self, mask: Bools) -> Column:
        """Return the column with everything absent where the mask is False."""
        return Column(self.values, self.present & mask)


Read = tuple[Column, U8 | None]
Reader = Callable[[U8, I64, I64], Read]
"""Reads a column: buffer, (n,) start and length of the field; gives the column and (n,) `Reason` codes, or None
when there is nothing wrong with any."""


def number(low: float, high: float) -> Reader:
    """Return a reader of decimal numbers within [low, high]; a sign is allowed where `low` is negative."""

    def read(buf: U8, start: I64, length: I64) -> Read:
        present = length > 0
        if not present.any():
            return Column(np.zeros(len(start)), present), None
        if low < 0:
            first = buf[start]
            minus = present & (first == ord("-"))
            signed = minus | (present & (first == ord("+")))
            start, length = start + signed, length - signed
        text = parse_decimals(buf, start, length)
        values, sound = text.mantissa / _POWER_OF_10[text.places], text.sound
        for row in np.flatnonzero(length > LONGEST):
            values[row], sound[row] = _long_value(buf[start[row] : start[row] + length[row]].tobytes())
        if low < 0:
            np.negative(values, out=values, where=minus)
        within = (values <= high) & (values >= low)
        return Column(values, present), _faults((present & ~sound, Reason.NUMBER), (present & ~within, Reason.RANGE))

    return read


def angle(buf: U8, start: I64, length: I64) -> Read:
    """Read degrees clockwise from 0 to 360; 360 reads as 0."""
    (values, present), reason = _turn(buf, start, length)
    values[values == 360] = 0
    return Column(values, present), reason


_turn = number(0, 360)


def whole(digits: int, most: int, dtype: type[np.signedinteger[Any]]) -> Reader:
    """Return a reader of whole numbers of at most so many digits, up to `most`."""

    def read(buf: U8, start: I64, length: I64) -> Read:
        present = length > 0
        text = parse_decimals(buf, start, length)
        shaped = text.sound & ~text.point & (length <= digits)
        values = np.where(shaped, text.mantissa, 0)
        return Column(values.astype(dtype), present), _faults(
            (present & ~shaped, Reason.NUMBER), (present & (values > most), Reason.RANGE)
        )

    return read


def letter(allowed: str) -> Reader:
    """Return a reader of one letter out of a set."""
    codes = [np.uint8(ord(one)) for one in allowed]

    def read(buf: U8, start: I64, length: I64) -> Read:
        present = length > 0
        found = buf[start]
        known = found == codes[0]
        for code in codes[1:]:
            known |= found == code
        known &= length == 1
        return Column(found, present), _faults((present & ~known, Reason.LETTER))

    return read


def text(allowed: str, longest: int) -> Reader:
    """Return a reader of short texts made of certain characters."""
    table = np.zeros(256, np.bool_)
    table[np.frombuffer(allowed.encode(), np.uint8)] = True

    def read(buf: U8, start: I64, length: I64) -> Read:
        within = np.arange(longest) < length[:, None]
        found = np.where(within, buf[start[:, None] + np.arange(longest)], 0).astype(np.uint8)
        odd = (within & ~table[found]).any(axis=1) | (length > longest)
        return Column(found.view(f"S{longest}")[:, 0], length > 0), _faults((odd, Reason.LETTER))

    return read


def clock(buf: U8, start: I64, length: I64) -> Read:
    """Read ``hhmmss`` with or without decimals as UTC time of day [ns]; a leap second's 60 counts on."""
    digits = parse_decimals(buf, start, length)
    hhmmss, parts = split_at_point(digits)
    hours, minutes, seconds = hhmmss // 10000, hhmmss // 100 % 100, hhmmss % 100
    shaped = digits.sound & (length - digits.point - digits.places == 6)
    sound = shaped & (hours < 24) & (minutes < 60) & (seconds <= 60)
    to_ns = np.where(digits.places <= 9, POWER_OF_10[np.maximum(9 - digits.places, 0)], 1)
    parts = parts // POWER_OF_10[np.maximum(digits.places - 9, 0)]
    tod_ns = (hours * 3600 + minutes * 60 + seconds) * _NS_PER_S + parts * to_ns
    present = length > 0
    return Column(tod_ns, present), _faults((present & ~sound, Reason.TIME))


def date(buf: U8, start: I64, length: I64) -> Read:
    """Read ``ddmmyy`` as days since 1970; years 69 to 99 are 1969 to 1999 (as POSIX has it), 000000 is none."""
    digits = parse_decimals(buf, start, length)
    ddmmyy = digits.mantissa
    present = (length > 0) & ~(digits.sound & (ddmmyy == 0) & (length == 6))
    year = ddmmyy % 100
    days, sound = day_number(year + np.where(year < 69, 2000, 1900), ddmmyy // 100 % 100, ddmmyy // 10000)
    sound &= digits.sound & ~digits.point & (length == 6)
    return Column(days, present), _faults((present & ~sound, Reason.DATE))


def day_number(year: I64, month: I64, day: I64) -> tuple[npt.NDArray[np.int32], Bools]:
    """Return days since 1970-01-01 in the Gregorian calendar, and where the date exists."""
    months = (year - 1970) * 12 + month - 1
    sane = (year > 1900) & (year < 2200) & (month >= 1) & (month <= 12)
    months = np.where(sane, months, 0)
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return (first + day - 1).astype(np.int32), sane & (day >= 1) & (day <= after - first)


def latitude(buf: U8, start: I64, length: I64) -> Read:
    """Read ``ddmm.m…`` as degrees, the hemisphere left out."""
    return _degrees(buf, start, length, 4, 90)


def longitude(buf: U8, start: I64, length: I64) -> Read:
    """Read ``dddmm.m…`` as degrees, the hemisphere left out."""
    return _degrees(buf, start, length, 5, 180)


def _degrees(buf: U8, start: I64, length: I64, before_point: int, most: int) -> Read:
    digits = parse_decimals(buf, start, length)
    ddmm, parts = split_at_point(digits)
    degrees, minutes = ddmm // 100, (ddmm % 100) * POWER_OF_10[digits.places] + parts
    exact = minutes / _POWER_OF_10[digits.places]
    values = degrees + exact / 60.0  # in this order it is the same bits as float(dd) + float(mm.mm) / 60
    sound = digits.sound & (digits.places > 0) & (length - digits.places == before_point + 1)
    for row in np.flatnonzero(length > LONGEST):
        text = buf[start[row] : start[row] + length[row]].tobytes()
        values[row], exact[row], sound[row] = _long_degrees(text, before_point)
    present = length > 0
    return Column(values, present), _faults((present & ~(sound & (exact < 60) & (values <= most)), Reason.POSITION))


def _long_value(text: bytes) -> tuple[float, bool]:
    """Read a number with more digits than a float holds exactly; `float` rounds it right."""
    before, _, after = text.partition(b".")
    if not (before + after).isdigit():
        return 0.0, False
    return float(text), True


def _long_degrees(text: bytes, before_point: int) -> tuple[float, float, bool]:
    before, point, after = text.partition(b".")
    if not (point and len(before) == before_point and (before + after).isdigit()):
        return 0.0, 0.0, False
    minutes = float(text[before_point - 2 :])
    return float(before[:-2]) + minutes / 60.0, minutes, True


def _faults(*found: tuple[Bools, Reason]) -> U8 | None:
    """Return the first fault of each row, None when no row has one."""
    codes = None
    for bad, reason in found:
        if bad.any():
            new = np.where(bad, np.uint8(reason), np.uint8(Reason.SOUND))
            codes = new if codes is None else np.where(codes == Reason.SOUND, new, codes)
    return codes
