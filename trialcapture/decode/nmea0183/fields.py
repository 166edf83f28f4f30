"""The kinds of field a sentence is made of: numbers, letters, texts, times, dates, latitudes and longitudes.

A field has a published form (six digits of time, two digits of minutes before the point, a letter of a set), and text
of another form is damage that passed the checksum: one byte, which chance passes once in 256 times. A blank field is no
damage; it is absent.

Each kind reads a column of fields in two ways. Called, it reads text of any form anywhere in a buffer (`general`). For
lines that repeat a template, `compile` returns the weight of each digit, one matrix product gives the numbers of all
fields of all lines, and `to_column` makes a column of them (`templated`). `compile` accepts only forms that both ways
read alike.

Forms are those of IEC 61162-1 as restated in the open "NMEA Revealed" document.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from trialcapture.decode.byte_columns import LONGEST, POWER_OF_10, parse_decimals, split_at_point
from trialcapture.decode.rejects import Reason

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FLOAT_POWER_OF_10 = POWER_OF_10.astype(np.float64)
EXACT_DIGITS = 15
"""Most digits of a whole number that is exact in a float (IEEE 754 binary64), and so is a sum of digits times powers
of ten."""


class FieldColumn(NamedTuple):
    """One value a row, and where there is one.

    The dtype says what it is: float64, int8 … int64, bool, uint8 for a letter, S for a short text.
    """

    values: npt.NDArray[Any]
    present: Bools

    def where(self, mask: Bools) -> FieldColumn:
        """Return the column with everything absent where the mask is False."""
        return FieldColumn(self.values, self.present & mask)


Read = tuple[FieldColumn, U8 | None]


class FieldTemplate(NamedTuple):
    """How a field of a line template is read.

    Letters and texts are the same in all lines of a template; digits may differ.
    """

    max_offsets: bytes
    """For each character the largest allowed (character - "0"); 0 means an exact match."""
    weights: tuple[tuple[float, ...], ...] = ()
    """For each number the field gives (`FieldReader.numbers`), the weight of each character."""
    scales: tuple[float, ...] = ()
    """For each number, the divisor of the weighted sum."""
    fixed: bytes = b""
    """The letter or text."""


class FieldReader(Protocol):
    """One kind of field."""

    @property
    def numbers(self) -> int:
        """How many numbers a template gives; 0 for letters and texts."""

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """Read a column: buffer, (n,) start and length of the field.

        Returns:
            The column and (n,) `Reason` codes, or None when there is nothing wrong with any.
        """

    def compile(self, text: bytes) -> FieldTemplate | None:
        """Return the template of a field (digits given as "0"), None where it must be read the other way."""

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """Return the column of the numbers that templates gave.

        Args:
            found: (numbers, n) weighted sums over their divisors, zero where absent; where `numbers` is 0, the (n,)
                letters or texts (S).
            present: (n,) where the field is not blank.

        Returns:
            The column, and (n,) where a value is out of range; None when nowhere.
        """


_SIGNED = re.compile(rb"([-+]?)(0*)(\.?)(0*)")


@dataclass(frozen=True)
class Number:
    """Decimal numbers within [low, high]; a sign is allowed where `low` is negative."""

    low: float
    high: float
    full_turn: bool = False
    """Whether `high` reads as 0."""
    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        present = length > 0
        if not present.any():
            return FieldColumn(np.zeros(len(start)), present), None
        if self.low < 0:
            first = buf[start]
            minus = present & (first == ord("-"))
            signed = minus | (present & (first == ord("+")))
            start, length = start + signed, length - signed
        text = parse_decimals(buf, start, length)
        values, sound = text.mantissa / FLOAT_POWER_OF_10[text.places], text.sound
        for row in np.flatnonzero(length > LONGEST):
            values[row], sound[row] = _long_value(buf[start[row] : start[row] + length[row]].tobytes())
        if self.low < 0:
            np.negative(values, out=values, where=minus)
        within = (values <= self.high) & (values >= self.low)
        fault = find_faults((present & ~sound, Reason.NUMBER), (present & ~within, Reason.RANGE))
        if self.full_turn:
            values[values == self.high] = 0
        return FieldColumn(values, present), fault

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if not text:
            return FieldTemplate(b"", ((),), (1.0,))
        found = _SIGNED.fullmatch(text)
        if found is None or (found[1] and self.low >= 0):
            return None
        sign, before, point, after = found.groups()
        weights = weigh_digits(len(before), len(after))
        if not 0 < len(weights) <= EXACT_DIGITS:
            return None
        scale = FLOAT_POWER_OF_10[len(after)] * (-1 if sign == b"-" else 1)
        placed = (0.0,) * len(sign) + weights[: len(before)] + (0.0,) * len(point) + weights[len(before) :]
        return FieldTemplate(bytes(9 * (byte == ord("0")) for byte in text), (placed,), (float(scale),))

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        values = found[0]
        bad = None
        if values.max() > self.high or values.min() < self.low:
            bad = present & ((values > self.high) | (values < self.low))
        if self.full_turn and values.max() >= self.high:
            values[values == self.high] = 0
        return FieldColumn(values, present), bad


def angle() -> Number:
    """Return the reader of degrees clockwise from 0 to 360; 360 reads as 0."""
    return Number(0, 360, full_turn=True)


@dataclass(frozen=True)
class Whole:
    """Whole numbers of at most so many digits, up to `most`."""

    digits: int
    most: int
    dtype: type[np.signedinteger[Any]]
    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        present = length > 0
        text = parse_decimals(buf, start, length)
        shaped = text.sound & ~text.point & (length <= self.digits)
        values = np.where(shaped, text.mantissa, 0)
        return FieldColumn(values.astype(self.dtype), present), find_faults(
            (present & ~shaped, Reason.NUMBER), (present & (values > self.most), Reason.RANGE)
        )

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if len(text) > self.digits or text.strip(b"0"):
            return None
        return FieldTemplate(b"\x09" * len(text), (weigh_digits(len(text), 0),), (1.0,))

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        values = found[0]
        bad = present & (values > self.most) if values.max() > self.most else None
        return FieldColumn(values.astype(self.dtype), present), bad


@dataclass(frozen=True)
class Letter:
    """One letter out of a set."""

    allowed: str
    numbers = 0

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        present = length > 0
        found = buf[start]
        known = np.zeros(len(start), np.bool_)
        for code in self.allowed.encode():
            known |= found == code
        known &= length == 1
        return FieldColumn(found, present), find_faults((present & ~known, Reason.LETTER))

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if len(text) > 1 or text not in self.allowed.encode():
            return None
        return FieldTemplate(bytes(len(text)), fixed=text)

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        return FieldColumn(found.astype("S1").view(np.uint8), present), None


@dataclass(frozen=True)
class Text:
    """Short texts made of certain characters."""

    allowed: str
    longest: int
    numbers = 0

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        table = np.zeros(256, np.bool_)
        table[np.frombuffer(self.allowed.encode(), np.uint8)] = True
        within = np.arange(self.longest) < length[:, None]
        found = np.where(within, buf[start[:, None] + np.arange(self.longest)], 0).astype(np.uint8)
        odd = (within & ~table[found]).any(axis=1) | (length > self.longest)
        return FieldColumn(found.view(f"S{self.longest}")[:, 0], length > 0), find_faults((odd, Reason.LETTER))

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if len(text) > self.longest or text.strip(self.allowed.encode()):
            return None
        return FieldTemplate(bytes(len(text)), fixed=text)

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        return FieldColumn(found.astype(f"S{self.longest}"), present), None


def weigh_digits(before: int, after: int) -> tuple[float, ...]:
    """Return what each digit of a number is worth in units of its last one."""
    return tuple(float(10**n) for n in range(before + after - 1, -1, -1))


def find_faults(*found: tuple[Bools, Reason]) -> U8 | None:
    """Return the first fault of each row, None when no row has one."""
    codes = None
    for bad, reason in found:
        if bad.any():
            new = np.where(bad, np.uint8(reason), np.uint8(Reason.SOUND))
            codes = new if codes is None else np.where(codes == Reason.SOUND, new, codes)
    return codes


def _long_value(text: bytes) -> tuple[float, bool]:
    """Read a number with more digits than a float holds exactly; `float` rounds it right."""
    before, _, after = text.partition(b".")
    if not (before + after).isdigit():
        return 0.0, False
    return float(text), True


# Time and position fields.

_NS_PER_S = 1_000_000_000
_NS_PER_DAY = 86_400 * _NS_PER_S
_CLOCK = re.compile(rb"000000(\.?)(0*)")
_HHMMSS_S = (36_000, 3_600, 600, 60, 10, 1)


class TimeOfDay:
    """``hhmmss`` with or without decimals, as UTC time of day [ns]; a leap second's 60 counts on."""

    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        digits = parse_decimals(buf, start, length)
        hhmmss, parts = split_at_point(digits)
        hours, minutes, seconds = hhmmss // 10000, hhmmss // 100 % 100, hhmmss % 100
        shaped = digits.sound & (length - digits.point - digits.places == 6)
        sound = shaped & (hours < 24) & (minutes < 60) & (seconds <= 60)
        to_ns = np.where(digits.places <= 9, POWER_OF_10[np.maximum(9 - digits.places, 0)], 1)
        parts = parts // POWER_OF_10[np.maximum(digits.places - 9, 0)]
        tod_ns = (hours * 3600 + minutes * 60 + seconds) * _NS_PER_S + parts * to_ns
        present = length > 0
        return FieldColumn(tod_ns, present), find_faults((present & ~sound, Reason.TIME))

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if not text:
            return FieldTemplate(b"", ((),), (1.0,))
        found = _CLOCK.fullmatch(text)
        if found is None or len(found[2]) > 9 or (found[2] and not found[1]):
            return None
        whole = tuple(float(seconds * _NS_PER_S) for seconds in _HHMMSS_S)
        parts = tuple(float(10**n) for n in range(8, 8 - len(found[2]), -1))
        # The caps leave out second 60, which the other way reads.
        max_offsets = bytes((2, 9, 5, 9, 5, 9, *[0] * len(found[1]), *[9] * len(found[2])))
        return FieldTemplate(max_offsets, ((*whole, *[0.0] * len(found[1]), *parts),), (1.0,))

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        bad = present & (found[0] >= _NS_PER_DAY) if found[0].max() >= _NS_PER_DAY else None
        return FieldColumn(found[0].astype(np.int64), present), bad


class Date:
    """``ddmmyy`` as days since 1970; years 69 to 99 are 1969 to 1999 (as POSIX has it), 000000 is none."""

    numbers = 1

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
        digits = parse_decimals(buf, start, length)
        present = (length > 0) & ~(digits.sound & (digits.mantissa == 0) & (length == 6))
        days, sound = _days_of(digits.mantissa)
        sound &= digits.sound & ~digits.point & (length == 6)
        return FieldColumn(days, present), find_faults((present & ~sound, Reason.DATE))

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if text.strip(b"0") or len(text) not in (0, 6):
            return None
        return FieldTemplate(b"\x09" * len(text), (weigh_digits(len(text), 0),), (1.0,))

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        ddmmyy, given = found[0], present & (found[0] != 0)
        if (ddmmyy == ddmmyy[0]).all():  # as almost always
            days, sound = _days_of(ddmmyy[:1].astype(np.int64))
            days, sound = np.repeat(days, len(ddmmyy)), np.repeat(sound, len(ddmmyy))
        else:
            days, sound = _days_of(ddmmyy.astype(np.int64))
        bad = given & ~sound
        return FieldColumn(days, given), bad if bad.any() else None


@dataclass(frozen=True)
class Degrees:
    """``ddmm.m…`` or ``dddmm.m…`` as degrees up to `most`, the hemisphere left out."""

    before_point: int
    most: int
    numbers = 2

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `FieldReader`."""
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
        return FieldColumn(values, present), find_faults((bad, Reason.POSITION))

    def compile(self, text: bytes) -> FieldTemplate | None:
        """See `FieldReader`."""
        if not text:
            return FieldTemplate(b"", ((), ()), (1.0, 1.0))
        places = len(text) - self.before_point - 1
        if places < 1 or places + 2 > EXACT_DIGITS or text != b"0" * self.before_point + b"." + b"0" * places:
            return None
        two = self.before_point - 2
        degrees = (*weigh_digits(two, 0), *[0.0] * (3 + places))
        of_minutes = weigh_digits(2, places)
        minutes = (*[0.0] * two, *of_minutes[:2], 0.0, *of_minutes[2:])
        max_offsets = bytes((*[9] * two, 5, 9, 0, *[9] * places))
        return FieldTemplate(max_offsets, (degrees, minutes), (1.0, float(FLOAT_POWER_OF_10[places])))

    def to_column(self, found: npt.NDArray[Any], present: Bools) -> tuple[FieldColumn, Bools | None]:
        """See `FieldReader`."""
        values = found[0] + found[1] / 60.0
        bad = present & (values > self.most) if values.max() > self.most else None
        return FieldColumn(values, present), bad


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
