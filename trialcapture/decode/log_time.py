"""Stamps of an engine log, read with its declared format in its declared zone."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from trialcapture.decode.log_zone import BAD, SECOND_NS, ZoneClock, delta_ns

Ints = npt.NDArray[np.int64]

_EPOCH_DAY = date(1970, 1, 1).toordinal()
LARGEST_NS = 9_223_372_036_000_000_000
ISO = re.compile(
    r"(\d{4})-?(\d\d)-?(\d\d)[T ](\d\d):?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?\s?(Z|[+-]\d\d(?::?\d\d)?)?",
    re.ASCII,
)
SECONDS = re.compile(r"([+-]?)(\d{1,13})(?:[.,](\d+))?", re.ASCII)

COUNTED = ("unix_s", "unix_ms", "elapsed_s")
"""Formats that count from a moment and so know no zone."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """A clock reading [ns since 1970-01-01 00:00 on that clock] and its offset from UTC [ns] where given."""

    clock_ns: int
    offset_ns: int | None


@dataclass(frozen=True, slots=True)
class Readings:
    """Stamps as read, before those without an offset are placed in their zone; all of shape (n,).

    Attributes:
        clock_ns: What the clock showed [ns since 1970-01-01 00:00 on that clock], 0 where `state` is `BAD`.
        offset_ns: Offset from UTC [ns] where the stamp names one.
        is_local: True where the zone must tell the offset.
        state: 0 or `BAD`.
    """

    clock_ns: Ints
    offset_ns: Ints
    is_local: npt.NDArray[np.bool_]
    state: npt.NDArray[np.uint8]

    @classmethod
    def empty(cls, count: int) -> Readings:
        """Return so many readings of no time."""
        clock, offset = np.zeros((2, count), dtype=np.int64)
        return cls(clock, offset, np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.uint8))


def stamp_parser(time_format: str) -> Callable[[str], Stamp | None]:
    """Return the function that reads one stamp, or None where it does not fit.

    Args:
        time_format: ``iso``, ``unix_s``, ``unix_ms``, ``elapsed_s`` or a ``strptime`` pattern.
    """
    if time_format == "iso":
        return _parse_iso
    if time_format in ("unix_s", "elapsed_s"):
        return lambda text: _parse_seconds(text, SECOND_NS)
    if time_format == "unix_ms":
        return lambda text: _parse_seconds(text, 1_000_000)
    return lambda text: _parse_pattern(text, time_format)


def read_stamps(texts: Sequence[str], time_format: str, zone: tzinfo) -> tuple[Ints, npt.NDArray[np.uint8]]:
    """Read the stamps of a log in file order.

    Args:
        texts: Stamps as written.
        time_format: As `stamp_parser` takes it.
        zone: Zone of stamps that carry none; not used for Unix and elapsed times.

    Returns:
        Times [ns since 1970 UTC, or since the log's start for ``elapsed_s``], and for each 0, or `BAD` (not
        in the format), `SKIPPED` (the clocks were put forward past it) or `TWICE` (it came twice, and the
        neighbouring rows do not tell which is meant).
    """
    found = parse_stamps(texts, time_format)
    local = np.flatnonzero(found.is_local)
    clock = ZoneClock(zone)
    clock.add(found.clock_ns[local])
    resolved = clock.resolve(found.clock_ns[local], is_last=True)
    offset, state = found.offset_ns.copy(), found.state.copy()
    if resolved is not None:
        offset[local], state[local] = resolved
    return found.clock_ns - offset, state


def parse_stamps(texts: Sequence[str], time_format: str) -> Readings:
    """Read stamps one by one, each distinct text once; `Readings` of shape (n,)."""
    parse = stamp_parser(time_format)
    by_text = {text: parse(text) for text in set(texts)}
    found = Readings.empty(len(texts))
    has_zone = time_format not in COUNTED
    for index, text in enumerate(texts):
        stamp = by_text[text]
        if stamp is None:
            found.state[index] = BAD
            continue
        found.clock_ns[index] = stamp.clock_ns
        found.offset_ns[index] = stamp.offset_ns or 0
        found.is_local[index] = has_zone and stamp.offset_ns is None
    return found


@lru_cache(maxsize=64)
def day_ns(year: int, month: int, day: int) -> int | None:
    """Return where a day begins [ns since 1970-01-01], or None where there is no such day."""
    try:
        return (date(year, month, day).toordinal() - _EPOCH_DAY) * 86400 * SECOND_NS
    except ValueError:
        return None


def _fraction_ns(digits: str | None, unit_ns: int = SECOND_NS) -> int:
    return int((digits or "0")[:18].ljust(18, "0")) * unit_ns // 10**18


def _parse_iso(text: str) -> Stamp | None:
    match = ISO.fullmatch(text)
    if match is None or not 1678 < int(match[1]) < 2262:
        return None
    day = day_ns(int(match[1]), int(match[2]), int(match[3]))
    hour, minute, second = int(match[4]), int(match[5]), int(match[6] or 0)
    is_leap = second == 60 and minute == 59
    if day is None or hour > 23 or minute > 59 or (second > 59 and not is_leap):
        return None
    clock = day + ((hour * 60 + minute) * 60 + second) * SECOND_NS + _fraction_ns(match[7])
    zone = match[8]
    if zone is None or zone == "Z":
        return Stamp(clock, None if zone is None else 0)
    digits = zone[1:].replace(":", "").ljust(4, "0")
    offset = (int(digits[:2]) * 60 + int(digits[2:])) * 60 * SECOND_NS
    return Stamp(clock, -offset if zone[0] == "-" else offset)


def _parse_seconds(text: str, unit_ns: int) -> Stamp | None:
    match = SECONDS.fullmatch(text)
    if match is None:
        return None
    value = int(match[2]) * unit_ns + _fraction_ns(match[3], unit_ns)
    return None if value > LARGEST_NS else Stamp(-value if match[1] == "-" else value, None)


# What strptime reads for the directives that are digits only (CPython's own expressions), but any number of
# decimals for %f.
_DIGITS = {
    "Y": r"(?P<Y>\d{4})", "y": r"(?P<y>\d\d)", "m": r"(?P<m>1[0-2]|0[1-9]|[1-9])",
    "d": r"(?P<d>3[01]|[12]\d|0[1-9]|[1-9]| [1-9])", "H": r"(?P<H>2[0-3]|[01]\d|\d)",
    "M": r"(?P<M>[0-5]\d|\d)", "S": r"(?P<S>[0-5]\d|\d)", "f": r"(?P<f>\d{1,12})",
}  # fmt: skip


@lru_cache
def digit_pattern(pattern: str) -> re.Pattern[str] | None:
    """Return an expression for a pattern of digits only, which is read six times as fast as by strptime."""
    parts = re.split(r"%(.)", pattern)
    names = parts[1::2]
    if not set(names) <= set(_DIGITS) or len(set(names)) < len(names) or not {"m", "d", "H", "M"} <= set(names):
        return None
    if len({"Y", "y"} & set(names)) != 1:
        return None
    text = re.sub(r"(?:\\ )+", r"\\s+", re.escape(parts[0]))
    for name, literal in zip(names, parts[2::2], strict=True):
        text += _DIGITS[name] + re.sub(r"(?:\\ )+", r"\\s+", re.escape(literal))
    return re.compile(text, re.ASCII)


def _parse_pattern(text: str, pattern: str) -> Stamp | None:
    digits = digit_pattern(pattern)
    if digits is None:
        return _parse_strptime(text, pattern)
    match = digits.fullmatch(text)
    if match is None:
        return None
    part = match.groupdict()
    year = int(part["Y"]) if "Y" in part else int(part["y"]) + (1900 if int(part["y"]) > 68 else 2000)
    day = day_ns(year, int(part["m"]), int(part["d"]))
    if day is None or not 1678 < year < 2262:
        return None
    seconds = (int(part["H"]) * 60 + int(part["M"])) * 60 + int(part.get("S", 0))
    return Stamp(day + seconds * SECOND_NS + _fraction_ns(part.get("f")), None)


def _parse_strptime(text: str, pattern: str) -> Stamp | None:
    try:
        read = datetime.strptime(text, pattern)
    except ValueError:
        return None
    day = day_ns(read.year, read.month, read.day)
    if day is None or not 1678 < read.year < 2262:
        return None
    seconds = (read.hour * 60 + read.minute) * 60 + read.second
    offset = read.utcoffset()
    return Stamp(day + seconds * SECOND_NS + read.microsecond * 1000, None if offset is None else delta_ns(offset))


_DATES = (
    "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%m-%d-%Y", "%Y-%m-%d", "%d.%m.%y",
    "%d/%m/%y", "%m/%d/%y", "%d %b %Y", "%d-%b-%Y",
)  # fmt: skip
_CLOCKS = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%I:%M:%S %p", "%H:%M", "%I:%M %p")


def fitting_formats(text: str) -> list[str]:
    """Return the time formats a stamp would fit, for a message; several where day and month could swap."""
    if _parse_iso(text) is not None:
        return ["iso"]
    if number := SECONDS.fullmatch(text):
        return [{10: "unix_s", 13: "unix_ms"}.get(len(number[2]), "elapsed_s")]
    patterns = [f"{day}{gap}{clock}" for day in _DATES for gap in " T" for clock in _CLOCKS]
    return [pattern for pattern in patterns if _parse_pattern(text, pattern) is not None]
