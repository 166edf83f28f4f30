"""A column of numbers that all have as many decimals, as most loggers write them, read without looking for the point.

It builds on the technique of `digits`: eight characters are one word. As the place of the point is known, it is
checked as one more character, and closed up by what the digits before it are worth instead of by moving them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialcapture.decode.digits import POWER_OF_10
from trialcapture.decode.views import words_of

U64 = npt.NDArray[np.uint64]
Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_LONGEST = 8
_TOP = np.uint64(0x8080_8080_8080_8080)
_PAIRS = np.uint64(0x000000FF_000000FF)
_TEN, _ONE_BYTE, _TWO_BYTES, _FOUR_BYTES = (np.uint64(n) for n in (10, 8, 16, 32))
# Keep the last n of eight characters; in a little-endian word the last character is the highest byte.
_KEEP = np.array([(1 << 64) - (1 << 8 * (_LONGEST - n)) for n in range(_LONGEST + 1)], np.uint64)


class _Form(NamedTuple):
    """What the last eight characters of a number are to be, and what they are worth.

    Attributes:
        text: ``0`` for each digit, and the decimal mark.
        past: What lifts a byte to 0x80 and more, once `text` is xored away, if it is no digit or not the mark.
        first_and_third: What the first and third pair of characters are worth, counted from the left.
        second_and_fourth: The same of the others.
    """

    text: np.uint64
    past: np.uint64
    first_and_third: np.uint64
    second_and_fourth: np.uint64


def read_equal_decimals(buf: Bytes, start: Ints, length: Ints, decimal: str) -> npt.NDArray[np.float64] | None:
    """Read a column of unsigned numbers.

    Args:
        buf: (b,) bytes, with 8 bytes of margin before the first number.
        start: (n,) first character of each number, at least one.
        length: (n,) its length in characters.
        decimal: The decimal mark, one ASCII character.

    Returns:
        The numbers, the same bits as ``float`` gives; shape (n,). None where one is longer than eight characters,
        or has not as many decimals as the first, or is no unsigned number.
    """
    shortest, longest = int(length.min()), int(length.max())
    if longest > _LONGEST or shortest == 0:
        return None
    first = buf[start[0] : start[0] + length[0]].tobytes()
    _, mark, decimals = first.partition(decimal.encode())
    places = len(decimals)
    if shortest <= places or (mark and not decimals):
        return None
    form = _form(places, decimal)
    digits: U64 = words_of(buf, 8)[start + length - _LONGEST]
    digits ^= form.text
    digits &= _KEEP[longest] if shortest == longest else _KEEP[length]
    if (((digits + form.past) | digits) & _TOP).any():
        return None
    digits = digits * _TEN + (digits >> _ONE_BYTE)
    whole = (digits & _PAIRS) * form.first_and_third
    whole += (digits >> _TWO_BYTES & _PAIRS) * form.second_and_fourth
    whole >>= _FOUR_BYTES
    # both are exact in binary floating point, and the division rounds once
    return whole.view(np.int64) / POWER_OF_10[places]  # type: ignore[no-any-return]


@lru_cache(maxsize=16)
def _form(places: int, decimal: str) -> _Form:
    text, past = bytearray(b"0" * _LONGEST), bytearray([0x80 - 10] * _LONGEST)
    if places:
        text[-1 - places], past[-1 - places] = ord(decimal), 0x7F
    # From the right, the pairs would be worth 1, 100, 10 000 and 1 000 000; those that begin before the mark have
    # it in one of their places, or behind them, and are worth a tenth.
    fourth, third, second, first = (
        10 ** (2 * pair) if not places or 2 * pair < places else 10 ** (2 * pair - 1) for pair in range(4)
    )
    return _Form(
        np.uint64(int.from_bytes(text, "little")),
        np.uint64(int.from_bytes(past, "little")),
        np.uint64(first << 32 | third),
        np.uint64(second << 32 | fourth),
    )
