"""Number cells of an engine log: plain ones in columns, all others one by one."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from trialcapture.decode.digits import POWER_OF_10, parse_decimals
from trialcapture.decode.log_digits import read_equal_decimals
from trialcapture.decode.log_rows import LogRows

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

VOID_CELLS = frozenset({"", "-", "--", "---", "n/a", "#n/a", "nan", "null"})
"""What stands for "no value", capitals or not."""

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)

_KEPT_TEXTS, _LONGEST_KEPT = 4096, 64
_PLUS, _MINUS = b"+-"
_ONLY_POINT = bytes(c if c < 0x80 else ord("?") for c in range(256))
_COMMA_AS_POINT = _ONLY_POINT.translate(bytes.maketrans(b".,", b"?."))


class NumberCells:
    """Reads the cells of number columns.

    Plain decimals of up to `digits.LONGEST` characters are exact in columns; whatever else stands in a cell is
    given to `parse_number`, which alone decides what is a number, void or neither.
    """

    def __init__(self, decimal: str, thousands: str | None = None) -> None:
        self._decimal = decimal
        self._thousands = thousands
        self._known: dict[str, float] = {}
        self._rows: LogRows | None = None
        self._buf: npt.NDArray[np.uint8] = np.zeros(0, np.uint8)

    def read(self, found: LogRows, wanted: int) -> npt.NDArray[np.float64]:
        """Return the numbers of one wanted column, NaN where void and infinity where no number; shape (n,)."""
        odd = list(found.texts)
        read = np.zeros(0)
        if found.regular.size:
            start, length = found.spans(wanted)
            equal = read_equal_decimals(found.buf, start, length, self._decimal)
            if equal is None:
                read, is_odd = self._read_unequal(found, start, length)
                odd += found.regular[is_odd].tolist()
            else:
                read = equal
        if not odd:
            return read
        values = np.zeros(len(found.rows))
        values[found.regular] = read
        values[odd] = [self._parse(text) for text in found.cells(odd, wanted)]
        return values

    def _read_unequal(self, found: LogRows, start: Ints, length: Ints) -> tuple[Floats, Bools]:
        """Return the numbers of the regular rows, NaN where there is none, and which cells are left to `_parse`."""
        buf = self._number_bytes(found)
        sign = buf[start]
        is_signed = ((sign == _PLUS) | (sign == _MINUS)) & (length > 0)
        if is_signed.any():
            start, length = start + is_signed, length - is_signed
        number = parse_decimals(buf, start, length)
        read = number.mantissa / _power_of_10(number.places)
        if is_signed.any():
            read = np.where(is_signed & (sign == _MINUS), -read, read)
        return np.where(number.sound, read, np.nan), ~number.sound & ((length > 0) | is_signed)

    def _number_bytes(self, found: LogRows) -> npt.NDArray[np.uint8]:
        """Return the buffer as the columns take it: a point for the decimal mark, nothing beyond ASCII."""
        if self._rows is not found:
            self._rows, self._buf = found, found.buf
            if self._decimal != ".":
                self._buf = np.frombuffer(found.buf.tobytes().translate(_COMMA_AS_POINT), np.uint8)
            elif found.buf.max() >= 0x80:
                self._buf = np.frombuffer(found.buf.tobytes().translate(_ONLY_POINT), np.uint8)
        return self._buf

    def _parse(self, text: str) -> float:
        value = self._known.get(text)
        if value is None:
            value = parse_number(text, self._decimal, self._thousands)
            if len(self._known) >= _KEPT_TEXTS:
                self._known.clear()
            if len(text) <= _LONGEST_KEPT:
                self._known[text] = value
        return value


def parse_number(text: str, decimal: str, thousands: str | None = None) -> float:
    """Return the number in a cell, NaN where it is void and infinity where it is no number.

    Args:
        text: The cell, white space off.
        decimal: The decimal mark.
        thousands: What parts groups of three digits before the decimal mark; other groups are no number.
    """
    if text.lower() in VOID_CELLS:
        return np.nan
    if thousands is not None and len(text) > _FEWEST_GROUPED:
        text = _ungrouped(text, decimal, thousands)
    if decimal != ".":
        text = "invalid" if "." in text else text.replace(decimal, ".")
    return float(text) if NUMBER.fullmatch(text) else np.inf


_FEWEST_GROUPED = 4


def _ungrouped(text: str, decimal: str, thousands: str) -> str:
    if thousands == " ":
        text = text.replace("\u00a0", " ").replace("\u202f", " ")
    if thousands not in text:
        return text
    whole, mark, rest = text.partition(decimal)
    grouped = re.fullmatch(rf"[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+", whole, re.ASCII)
    return whole.replace(thousands, "") + mark + rest if grouped else "invalid"


def _power_of_10(places: npt.NDArray[np.int64]) -> npt.NDArray[np.int64] | np.int64:
    if places.size and bool((places == places[0]).all()):
        return POWER_OF_10[places[0]]  # type: ignore[no-any-return]
    return POWER_OF_10[np.clip(places, 0, len(POWER_OF_10) - 1)]
