"""Fields of time and place: the clock, the date, latitude and longitude; read as `fields` describes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from trialcapture.decode.digits import LONGEST, POWER_OF_10, parse_decimals, split_at_point
from trialcapture.decode.fields import (
    EXACT_DIGITS,
    FLOAT_POWER_OF_10,
    I64,
    U8,
    Bools,
    Column,
    Fit,
    Read,
    find_faults,
    weigh_digits,
)
from trialcapture.decode.rejects import Reason

_NS_PER_S = 1_000_000_000
_NS_PER_DAY = 86_400 * _NS_PER_S
_CLOCK = re.compile(rb"000000(\.?)(0*)")
_HHMMSS_S = (36_000, 3_600, 600, 60, 10, 1)


class Clock:
    """``hhmmss`` with or without decimals, as UTC time of day [ns]; a leap second's 60 counts on."""

    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `Reader`."""
        digits = parse_decimals(buf, start, length)
        hhmmss, parts = split_at_point(digits)
        hours, minutes, seconds = hhmmss // 10000, hhmmss // 100 % 100, hhmmss % 100
        shaped = digits.sound & (length - digits.point - digits.places == 6)
        sound = shaped & (hours < 24) & (minutes < 60) & (seconds <= 60)
        to_ns = np.where(digits.places <= 9, POWER_OF_10[np.maximum(9 - digits.places, 0)], 1)
        parts = parts // POWER_OF_10[np.maximum(digits.places - 9, 0)]
        tod_ns = (hours * 3600 + minutes * 60 + seconds) * _NS_PER_S + parts * to_ns
        present = length > 0
        return Column(tod_ns, present), find_faults((present & ~sound, Reason.TIME))

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if not text:
            return Fit(b"", ((),), (1.0,))
        found = _CLOCK.fullmatch(text)
        if found is None or len(found[2]) > 9 or (found[2] and not found[1]):
            return None
        whole = tuple(float(seconds * _NS_PER_S) for seconds in _HHMMSS_S)
        parts = tuple(float(10**n) for n in range(8, 8 - len(found[2]), -1))
        # The caps leave out second 60, which the other way reads.
        caps = bytes((2, 9, 5, 9, 5, 9, *[0] * len(found[1]), *[9] * len(found[2])))
        return Fit(caps, ((*whole, *[0.0] * len(found[1]), *parts),), (1.0,))

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        bad = present & (found[0] >= _NS_PER_DAY) if found[0].max() >= _NS_PER_DAY else None
        return Column(found[0].astype(np.int64), present), bad


class Date:
    """``ddmmyy`` as days since 1970; years 69 to 99 are 1969 to 1999 (as POSIX has it), 000000 is none."""

    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `Reader`."""
        digits = parse_decimals(buf, start, length)
        present = (length > 0) & ~(digits.sound & (digits.mantissa == 0) & (length == 6))
        days, sound = _days_of(digits.mantissa)
        sound &= digits.sound & ~digits.point & (length == 6)
        return Column(days, present), find_faults((present & ~sound, Reason.DATE))

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if text.strip(b"0") or len(text) not in (0, 6):
            return None
        return Fit(b"\x09" * len(text), (weigh_digits(len(text), 0),), (1.0,))

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        ddmmyy, given = found[0], present & (found[0] != 0)
        if (ddmmyy == ddmmyy[0]).all():  # as almost always
            days, sound = _days_of(ddmmyy[:1].astype(np.int64))
            days, sound = np.repeat(days, len(ddmmyy)), np.repeat(sound, len(ddmmyy))
        else:
            days, sound = _days_of(ddmmyy.astype(np.int64))
        bad = given & ~sound
        return Column(days, given), bad if bad.any() else None


@dataclass(frozen=True)
class Degrees:
    """``ddmm.m…`` or ``dddmm.m…`` as degrees up to `most`, the hemisphere left out."""

    before_point: int
    most: int
    numbers = 2

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `Reader`."""
        digits = parse_decimals(buf, start, length)
        ddmm, parts = split_at_point(digits)
        degrees, minutes = ddmm // 100, (ddmm % 100) * POWER_OF_10[digits.places] + parts
        exact = minutes / FLOAT_POWER_OF_10[digits.places]
        values = degrees + exact / 60.0  # in this order it is the same bits as float(dd) + float(mm.mm) / 60
        sound = digits.sound & (digits.places > 0) & (length - digits.places == self.before_point + 1)
        for row in np.flatnonzero(length > LONGEST):
            text = buf[start[row] : start[row] + length[row]].tobytes()
            values[row], exact[row], sound[row] = _long_degrees(text, self.before_point)
        present = length > 0
        bad = present & ~(sound & (exact < 60) & (values <= self.most))
        return Column(values, present), find_faults((bad, Reason.POSITION))

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if not text:
            return Fit(b"", ((), ()), (1.0, 1.0))
        places = len(text) - self.before_point - 1
        if places < 1 or places + 2 > EXACT_DIGITS or text != b"0" * self.before_point + b"." + b"0" * places:
            return None
        two = self.before_point - 2
        degrees = (*weigh_digits(two, 0), *[0.0] * (3 + places))
        of_minutes = weigh_digits(2, places)
        minutes = (*[0.0] * two, *of_minutes[:2], 0.0, *of_minutes[2:])
        caps = bytes((*[9] * two, 5, 9, 0, *[9] * places))
        return Fit(caps, (degrees, minutes), (1.0, float(FLOAT_POWER_OF_10[places])))

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        values = found[0] + found[1] / 60.0
        bad = present & (values > self.most) if values.max() > self.most else None
        return Column(values, present), bad


def day_number(year: I64, month: I64, day: I64) -> tuple[npt.NDArray[np.int32], Bools]:
    """Return days since 1970-01-01 in the Gregorian calendar, and where the date exists."""
    months = (year - 1970) * 12 + month - 1
    sane = (year > 1900) & (year < 2200) & (month >= 1) & (month <= 12)
    months = np.where(sane, months, 0)
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return (first + day - 1).astype(np.int32), sane & (day >= 1) & (day <= after - first)


def _days_of(ddmmyy: I64) -> tuple[npt.NDArray[np.int32], Bools]:
    year = ddmmyy % 100
    return day_number(year + np.where(year < 69, 2000, 1900), ddmmyy // 100 % 100, ddmmyy // 10000)


def _long_degrees(text: bytes, before_point: int) -> tuple[float, float, bool]:
    before, point, after = text.partition(b".")
    if not (point and len(before) == before_point and (before + after).isdigit()):
        return 0.0, 0.0, False
    minutes = float(text[before_point - 2 :])
    return float(before[:-2]) + minutes / 60.0, minutes, True
