"""The kinds of field a sentence is made of: each reads one column of text and says what is wrong with it.

A field has a published shape (six digits of time, two digits of minutes before the point, a letter out of
few), and text of another shape is damage that the checksum, one byte, has let through: chance alone does so
once in 256 times. A blank field is no damage; it is absent.

Every kind reads in two ways. Called, it takes text of any shape from anywhere in a buffer. Where many lines
have their digits in the same places, `fit` says for those places what each digit is worth, all fields of all
lines become numbers in one matrix product, and `finish` makes a column of them. `fit` takes only what both ways
read alike; everything else is left to the first way.

Shapes are those of IEC 61162-1 as restated in the open "NMEA Revealed" document.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from trialcapture.decode.digits import LONGEST, POWER_OF_10, parse_decimals
from trialcapture.decode.rejects import Reason

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FLOAT_POWER_OF_10 = POWER_OF_10.astype(np.float64)
EXACT_DIGITS = 15
"""Whole numbers of so many digits are exact in a float, and so is a sum of digits times powers of ten."""


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


class Fit(NamedTuple):
    """How a field is read where its characters stand in fixed places.

    A letter or text is the same in all lines of a shape; digits may differ.
    """

    caps: bytes
    """For each character how far it may lie above "0"; 0 where it must be the very character."""
    weights: tuple[tuple[float, ...], ...] = ()
    """For each number the field gives (`Reader.numbers`), what a one in each place is worth."""
    scales: tuple[float, ...] = ()
    """For each number, what the sum is divided by."""
    fixed: bytes = b""
    """The letter or text."""


class Reader(Protocol):
    """One kind of field."""

    @property
    def numbers(self) -> int:
        """How many numbers a fit gives; 0 for letters and texts."""

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """Read a column: buffer, (n,) start and length of the field.

        Returns:
            The column and (n,) `Reason` codes, or None when there is nothing wrong with any.
        """

    def fit(self, text: bytes) -> Fit | None:
        """Return how fields that look like this (digits given as "0") are read, None to leave them."""

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """Make a column of what fits gave.

        Args:
            found: (numbers, n) what the weighted digits came to, divided, zero where absent; where `numbers` is
                0, the (n,) letters or texts (S).
            present: (n,) where the field is not blank.

        Returns:
            The column, and (n,) where a value is one the field cannot have; None when nowhere.
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
        """See `Reader`."""
        present = length > 0
        if not present.any():
            return Column(np.zeros(len(start)), present), None
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
        return Column(values, present), fault

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if not text:
            return Fit(b"", ((),), (1.0,))
        found = _SIGNED.fullmatch(text)
        if found is None or (found[1] and self.low >= 0):
            return None
        sign, before, point, after = found.groups()
        weights = weigh_digits(len(before), len(after))
        if not 0 < len(weights) <= EXACT_DIGITS:
            return None
        scale = FLOAT_POWER_OF_10[len(after)] * (-1 if sign == b"-" else 1)
        placed = (0.0,) * len(sign) + weights[: len(before)] + (0.0,) * len(point) + weights[len(before) :]
        return Fit(bytes(9 * (byte == ord("0")) for byte in text), (placed,), (float(scale),))

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        values = found[0]
        bad = None
        if values.max() > self.high or values.min() < self.low:
            bad = present & ((values > self.high) | (values < self.low))
        if self.full_turn and values.max() >= self.high:
            values[values == self.high] = 0
        return Column(values, present), bad


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
        """See `Reader`."""
        present = length > 0
        text = parse_decimals(buf, start, length)
        shaped = text.sound & ~text.point & (length <= self.digits)
        values = np.where(shaped, text.mantissa, 0)
        return Column(values.astype(self.dtype), present), find_faults(
            (present & ~shaped, Reason.NUMBER), (present & (values > self.most), Reason.RANGE)
        )

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if len(text) > self.digits or text.strip(b"0"):
            return None
        return Fit(b"\x09" * len(text), (weigh_digits(len(text), 0),), (1.0,))

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        values = found[0]
        bad = present & (values > self.most) if values.max() > self.most else None
        return Column(values.astype(self.dtype), present), bad


@dataclass(frozen=True)
class Letter:
    """One letter out of a set."""

    allowed: str
    numbers = 0

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `Reader`."""
        present = length > 0
        found = buf[start]
        known = np.zeros(len(start), np.bool_)
        for code in self.allowed.encode():
            known |= found == code
        known &= length == 1
        return Column(found, present), find_faults((present & ~known, Reason.LETTER))

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if len(text) > 1 or text not in self.allowed.encode():
            return None
        return Fit(bytes(len(text)), fixed=text)

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        return Column(found.astype("S1").view(np.uint8), present), None


@dataclass(frozen=True)
class Text:
    """Short texts made of certain characters."""

    allowed: str
    longest: int
    numbers = 0

    def __call__(self, buf: U8, start: I64, length: I64) -> Read:
        """See `Reader`."""
        table = np.zeros(256, np.bool_)
        table[np.frombuffer(self.allowed.encode(), np.uint8)] = True
        within = np.arange(self.longest) < length[:, None]
        found = np.where(within, buf[start[:, None] + np.arange(self.longest)], 0).astype(np.uint8)
        odd = (within & ~table[found]).any(axis=1) | (length > self.longest)
        return Column(found.view(f"S{self.longest}")[:, 0], length > 0), find_faults((odd, Reason.LETTER))

    def fit(self, text: bytes) -> Fit | None:
        """See `Reader`."""
        if len(text) > self.longest or text.strip(self.allowed.encode()):
            return None
        return Fit(bytes(len(text)), fixed=text)

    def finish(self, found: npt.NDArray[Any], present: Bools) -> tuple[Column, Bools | None]:
        """See `Reader`."""
        return Column(found.astype(f"S{self.longest}"), present), None


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
