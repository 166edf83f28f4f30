"""Byte views and columns of a buffer: decimal numbers, eight characters at a time, and short texts; all rows at once.

A number's last eight (or sixteen) characters are loaded as one (two) 64-bit words, the characters before the
number are masked to ``0``, the decimal point is closed up by a shift, and three multiplications turn eight
digits into an integer. The value is that integer over a power of ten: both are exact in binary floating
point up to 15 digits, and IEEE 754 division rounds once, so the result is the same bits as ``float(text)``
(sixteen digits fit only without a point; then the conversion rounds once and the division is by one).

The technique is SIMD within a register, described for parsing numbers by D. Lemire ("Quickly parsing eight
digits", 2018); the point and the masking are handled here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import bits, column_of, to_arrow

# Byte views: the word, or the window, that begins at each byte of a buffer; nothing is copied.

U8 = npt.NDArray[np.uint8]


def words_of(buf: U8, size: int) -> npt.NDArray[Any]:
    """Return the little-endian word of `size` bytes (2, 4 or 8) that begins at each byte."""
    return np.ndarray((len(buf) - size + 1,), f"<u{size}", buffer=buf, strides=(1,))


def read_windows(buf: U8, start: npt.NDArray[np.int64], width: int) -> U8:
    """Return the `width` bytes from each position on, at least one, as (n, width)."""
    windows = np.ndarray((len(buf) - width + 1,), f"V{width}", buffer=buf, strides=(1,))
    return windows[start].view(np.uint8).reshape(-1, width)


U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LONGEST = 16
"""Most characters (sign left out) read in columns: two 64-bit words. Longer numbers are left to `float`, one by one."""


def _each(byte: int) -> np.uint64:
    return np.uint64(int.from_bytes(bytes([byte]) * 8, "little"))


_POINT, _ZERO, _ONE = _each(ord(".")), _each(ord("0")), _each(1)
_LOW_7, _TOP = _each(0x7F), _each(0x80)
_PAST_9 = _each(0x80 - 10)
_ALL, _DIGIT_0, _ONE_BIT = np.uint64(0xFFFF_FFFF_FFFF_FFFF), np.uint64(ord("0")), np.uint64(1)
_BYTE, _TWO_BYTES, _FOUR_BYTES, _SEVEN_BYTES = (np.uint64(8 * n) for n in (1, 2, 4, 7))
_EIGHT, _TEN, _E8 = np.uint64(8), np.uint64(10), np.uint64(100_000_000)
# Two digit pairs a word, and what the first and third (second and fourth) pair are worth.
_PAIRS = np.uint64(0x000000FF_000000FF)
_E6_AND_E2, _E4_AND_1 = np.uint64(1_000_000 << 32 | 100), np.uint64(10_000 << 32 | 1)
# Keep the last n of 16 characters; in a little-endian word the last character is the highest byte.
_KEEP = np.array([((1 << 128) - 1) ^ ((1 << 8 * (16 - n)) - 1) for n in range(17)], object)
_KEEP_LAST = np.array([int(mask) >> 64 for mask in _KEEP], np.uint64)
_KEEP_FIRST = np.array([int(mask) & ((1 << 64) - 1) for mask in _KEEP], np.uint64)

POWER_OF_10 = np.array([10**n for n in range(19)], np.int64)


class Decimals(NamedTuple):
    """Numbers as read: value = mantissa / 10**places; each field is an array (n,)."""

    mantissa: I64
    """All digits as one integer, sign left out."""
    places: I64
    """How many digits stand after the point."""
    point: Bools
    """True where there is a point."""
    sound: Bools
    """True where the text is digits and at most one point, with at least one digit."""


def parse_decimals(buf: npt.NDArray[np.uint8], start: I64, length: I64) -> Decimals:
    """Read unsigned decimal numbers from many places of a buffer.

    Args:
        buf: (b,) bytes, with 16 bytes of margin before the first number.
        start: (n,) first character of each number.
        length: (n,) its length in characters; where it is 0 or beyond `LONGEST`, `sound` is False.
    """
    words = words_of(buf, 8)
    end = start + length
    longest = int(length.max(initial=0))
    size: I64 | int = length
    if longest == int(length.min(initial=LONGEST)):
        size = longest  # a column of one width, as most are, needs one mask for all
    if longest <= 8:
        mantissa, places, point, sound = _read_8(words[end - 8], size)
    else:
        size = np.minimum(size, LONGEST)
        mantissa, places, point, sound = _read_16(words[end - 16], words[end - 8], size)
        sound &= length <= LONGEST
    sound &= length > point
    return Decimals(mantissa.view(np.int64), places.view(np.int64), point, sound)


def split_at_point(number: Decimals) -> tuple[I64, I64]:
    """Return what stands before the point and what behind it, as whole numbers."""
    places = number.places
    if places.size and (places == places[0]).all():
        scale: np.int64 | I64 = POWER_OF_10[places[0]]  # dividing by one number is several times faster
    else:
        scale = POWER_OF_10[places]
    before = number.mantissa // scale
    return before, number.mantissa - before * scale


def _read_8(word: U64, size: I64 | int) -> tuple[U64, U64, Bools, Bools]:
    word = _mask(word, _KEEP_LAST[size])
    before, point = _up_to_point(word)
    places = np.zeros(len(word), np.uint64)
    if point.any():
        word = (word & ~before) | ((word << _BYTE | _DIGIT_0) & before)
        places = _places(before, point)
    value, sound = _value(word)
    return value, places, point, sound


def _read_16(first: U64, last: U64, size: I64 | int) -> tuple[U64, U64, Bools, Bools]:
    first, last = _mask(first, _KEEP_FIRST[size]), _mask(last, _KEEP_LAST[size])
    if len(first) and bool((first == first[0]).all()):
        first = first[:1]  # the numbers of a column often begin alike; that part is then read once for all
    high, high_sound = _value(first)
    low, low_sound = _value(last)
    sound = high_sound & low_sound
    if sound.all():
        return high * _E8 + low, np.zeros(len(last), np.uint64), np.zeros(len(last), np.bool_), sound
    before_in_first, point_in_first = _up_to_point(first)
    before_in_last, point_in_last = _up_to_point(last)
    if not point_in_first.any() and point_in_last.all():
        before_in_first = np.full(1, _ALL)
    else:  # with the point in the last word, all of the first stands before it, and the other way round
        before_in_first = np.where(point_in_last & ~point_in_first, _ALL, before_in_first)
        before_in_last = before_in_last * ~point_in_first
    in_first, in_last = _places(before_in_first, point_in_first), _places(before_in_last, point_in_last)
    places = np.where(point_in_first, in_first + _EIGHT, in_last)
    carried = first >> _SEVEN_BYTES
    last = (last & ~before_in_last) | ((last << _BYTE | carried) & before_in_last)
    first = (first & ~before_in_first) | ((first << _BYTE | _DIGIT_0) & before_in_first)
    high, high_sound = _value(first)
    low, low_sound = _value(last)
    return high * _E8 + low, places, point_in_first | point_in_last, high_sound & low_sound


def _mask(word: U64, keep: U64 | np.uint64) -> U64:
    return (word & keep) | (_ZERO & ~keep)


def _up_to_point(word: U64) -> tuple[U64, Bools]:
    """Return a mask of the bytes up to and with the first point (0 where there is none), and where one is.

    Bytes are below 0x80 here, so no carry leaves its byte.
    """
    found = ~((word ^ _POINT) + _LOW_7) & _TOP
    some = found != 0
    found ^= found - _ONE_BIT
    return found * some, some


def _places(before: U64, point: Bools) -> U64:
    after = (~before & _ONE) * _ONE >> _SEVEN_BYTES
    return after * point


def _value(word: U64) -> tuple[U64, Bools]:
    """Return the number that eight characters make, and whether all are digits (first character lowest)."""
    digits = word ^ _ZERO
    sound = ((digits + _PAST_9) | digits) & _TOP == 0
    digits = digits * _TEN + (digits >> _BYTE)
    pairs = (digits & _PAIRS) * _E6_AND_E2
    pairs += (digits >> _TWO_BYTES & _PAIRS) * _E4_AND_1
    return pairs >> _FOUR_BYTES, sound


# Columns of short texts, from letters, from byte strings and from spans of a buffer (see `trialcapture.buffers`).


def letters(values: npt.NDArray[np.uint8], present: Bools) -> pa.Array:
    """Return a string column of one ASCII letter a row, null where `present` is False."""
    if present.all():
        ends, text = np.arange(len(values) + 1, dtype=np.int32), np.ascontiguousarray(values)
    else:
        ends = np.concatenate(([0], np.cumsum(present, dtype=np.int32))).astype(np.int32)
        text = values[present]
    return pa.Array.from_buffers(pa.string(), len(values), [_bitmap(present), pa.py_buffer(ends), pa.py_buffer(text)])


def texts(values: npt.NDArray[np.bytes_], present: Bools) -> pa.Array:
    """Return a string column of short ASCII texts, null where `present` is False."""
    column = column_of(values.tolist(), pa.string())
    return pa.Array.from_buffers(pa.string(), len(values), [_bitmap(present), *column.buffers()[1:]])


def dictionary(codes: npt.NDArray[np.int32], words: Sequence[str], present: Bools | None = None) -> pa.Array:
    """Return a dictionary column: row i reads ``words[codes[i]]``, null where `present` is False."""
    return pa.DictionaryArray.from_arrays(to_arrow(codes, present), column_of(words, pa.string()))


def encode_spans(
    buf: npt.NDArray[np.uint8], start: npt.NDArray[np.int64], length: npt.NDArray[np.int64] | int
) -> tuple[npt.NDArray[np.int32], list[str]]:
    """Number the distinct byte strings among many spans of a buffer, in order of first appearance.

    Args:
        buf: (b,) bytes, with at least `_LONGEST_SPAN` bytes of margin after the last span.
        start: (n,) first byte of each span.
        length: (n,) length of each span, or that of all; what exceeds `_LONGEST_SPAN` bytes is cut off.

    Returns:
        (n,) codes and the strings they stand for (Latin-1 where not ASCII).
    """
    if not len(start):
        return np.zeros(0, np.int32), []
    n_words = min(max(-(-int(np.max(length)) // 8), 1), _LONGEST_SPAN // 8)
    words = words_of(buf, 8)
    text = np.empty((len(start), n_words), "<u8")
    for nth in range(n_words):
        left = length - 8 * nth
        text[:, nth] = words[start + 8 * nth] & _FIRST_BYTES[left if n_words == 1 else np.clip(left, 0, 8)]
    # A whole number is found in a dictionary several times faster than a text.
    kind = pa.uint64() if n_words == 1 else pa.binary(8 * n_words)
    encoded = pa.Array.from_buffers(kind, len(start), [None, pa.py_buffer(text)]).dictionary_encode()
    distinct = np.frombuffer(encoded.dictionary.buffers()[1], f"S{8 * n_words}", len(encoded.dictionary))
    names = [name.decode("latin-1") for name in distinct.tolist()]
    return np.frombuffer(encoded.indices.buffers()[1], np.int32, len(start)), names


_LONGEST_SPAN = 96
"""Bytes of a span that are told apart: twelve 64-bit words, more than a sentence of 82 holds (our choice)."""
_FIRST_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(9)], np.uint64)


def _bitmap(present: Bools) -> pa.Buffer | None:
    return None if present.all() else bits(present)
