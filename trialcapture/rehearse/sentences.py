"""NMEA 0183 sentences from columns of numbers (forms as in the open "NMEA Revealed" document); pure.

A *body* is a sentence without its start character, checksum and line end.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from math import isnan

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_HEX = [f"*{value:02X}\r\n".encode() for value in range(256)]


def finish(bodies: Sequence[str], start: str = "$") -> list[bytes]:
    """Return whole sentences with checksum and CRLF; `start` is ``$`` or ``!``."""
    if not bodies:
        return []
    encoded = [body.encode("ascii") for body in bodies]
    joined = np.frombuffer(b"".join(encoded), dtype=np.uint8)
    lengths = np.array([len(body) for body in encoded])
    starts = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    sums = np.bitwise_xor.reduceat(joined, starts).tolist()
    first = start.encode()
    return [first + body + _HEX[value] for body, value in zip(encoded, sums, strict=True)]


def clock_texts(utc_ns: Ints, decimals: int) -> list[str]:
    """Return ``hhmmss`` with decimals, cut off and not rounded."""
    unit = 10 ** (9 - decimals)
    ticks = (utc_ns % 86_400_000_000_000) // unit
    per_s = 10**decimals
    seconds, part = np.divmod(ticks, per_s)
    minutes, seconds = np.divmod(seconds, 60)
    hours, minutes = np.divmod(minutes, 60)
    whole = (hours * 10000 + minutes * 100 + seconds).tolist()
    if decimals == 0:
        return [f"{value:06d}" for value in whole]
    return [f"{value:06d}.{rest:0{decimals}d}" for value, rest in zip(whole, part.tolist(), strict=True)]


def date_texts(utc_ns: Ints, form: str = "%d%m%y") -> list[str]:
    """Return the UTC date, ``ddmmyy`` unless another `form` is asked for."""
    days = (utc_ns // 86_400_000_000_000).tolist()
    names = {day: (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)).strftime(form) for day in set(days)}
    return [names[day] for day in days]


def position_texts(degrees: Floats, decimals: int, letters: str) -> list[str]:
    """Return ``ddmm.mmmm,N``: degrees, minutes and hemisphere; `letters` is ``NS`` or ``EW``."""
    scale = 10**decimals
    ticks = np.rint(np.abs(degrees) * 60.0 * scale).astype(np.int64)
    whole, rest = np.divmod(ticks, 60 * scale)
    minutes, part = np.divmod(rest, scale)
    width = 2 if letters == "NS" else 3
    return [
        f"{d:0{width}d}{m:02d}.{p:0{decimals}d},{letters[0] if positive else letters[1]}"
        for d, m, p, positive in zip(
            whole.tolist(), minutes.tolist(), part.tolist(), (degrees >= 0).tolist(), strict=True
        )
    ]


def number_texts(values: Floats, decimals: int) -> list[str]:
    """Return numbers with so many decimals; NaN gives an empty field."""
    rounded = np.round(values, decimals) + 0.0  # no minus zero
    form = f".{decimals}f"
    return ["" if isnan(value) else format(value, form) for value in rounded.tolist()]


def angle_texts(degrees: Floats, decimals: int) -> list[str]:
    """Return angles in [0, 360); NaN gives an empty field."""
    rounded = np.round(degrees % 360.0, decimals)
    return number_texts(np.where(rounded >= 360.0, 0.0, rounded), decimals)


def signed_texts(degrees: Floats, decimals: int, letters: str = "EW") -> list[str]:
    """Return ``2.4,W``: size and letter."""
    sizes = number_texts(np.abs(degrees), decimals)
    return [
        f"{size},{letters[0] if positive else letters[1]}"
        for size, positive in zip(sizes, (degrees >= 0).tolist(), strict=True)
    ]
