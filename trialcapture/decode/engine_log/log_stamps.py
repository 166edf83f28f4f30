"""The time of each row of an engine log: its columns read as declared, completed, and converted to UTC.

Stamps of one form (equal length, digits in the same places) are read together as arrays; all others one by one by
`log_time`. `RowTimes` adds the day or year that stamps lack, and the offset of the log's zone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import to_arrow
from trialcapture.config import COUNTED_NS, EngineLog
from trialcapture.decode.byte_columns import POWER_OF_10, read_windows
from trialcapture.decode.engine_log.log_cells import LogRows, NumberCells, column_name
from trialcapture.decode.engine_log.log_time import (
    BAD,
    DAY_NS,
    ISO,
    ISO_TIME,
    LARGEST_NS,
    LEAP_YEAR,
    SECOND_NS,
    SECONDS,
    TIME_OF_DAY,
    ZONELESS,
    PartialClock,
    Readings,
    ZoneClock,
    day_ns,
    digit_pattern,
    parse_stamps,
    stamp_parser,
)

# Columns of stamps, of serial days, and of six parts.

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

_MOST_FORMS = 24
"""Forms (lengths, zones) of stamps that are read in columns, for one block (our choice); others go one by one."""
_ISO_GROUPS = {"Y": 1, "m": 2, "d": 3, "H": 4, "M": 5, "S": 6, "f": 7}
_ISO_TIME_GROUPS = {"H": 1, "M": 2, "S": 3, "f": 4}
_SECONDS_GROUPS = {"s": 2, "f": 3}
_PLACES = {1_000_000_000: 9, 1_000_000: 6, 1000: 3}
_COUNTED = {name: _PLACES[unit_ns] for name, unit_ns in COUNTED_NS.items() if unit_ns in _PLACES}
"""Formats that count a power of ten of nanoseconds: they are read in columns too."""
_EPOCH_DAYS = 25_569
"""Serial day of 1970-01-01 (ECMA-376 part 1, 18.17.4.1)."""
_LEAP_BUG_DAY = 60
"""Serial day of 1900-02-29, which never was (ECMA-376 part 1, 18.17.4.1)."""
_LARGEST_DAYS = 100_000
"""Largest serial day that is a time (our choice: the year 2173)."""
_DIGITS_KEPT = 18
"""Most decimal digits that fit into 64 bits."""


@dataclass(frozen=True, slots=True)
class _Form:
    """One form of a stamp: the spans of its parts, and the characters between them.

    Any text of this length with digits in the same places and the same characters everywhere else is matched by
    the format in the same way, as its parts have a fixed width or end where no digit stands.
    """

    text: bytes
    parts: dict[str, slice]
    offset_ns: int | None
    is_negative: bool = False


def read_stamp_cells(found: LogRows, columns: Sequence[int], time_format: str, locale: str | None = None) -> Readings:
    """Read the stamps of a log's rows.

    Args:
        found: The rows.
        columns: Which wanted cells make up the stamp, one or two, one space between.
        time_format: As `log_time.stamp_parser` takes it.
        locale: The same.
    """
    readings = Readings.empty(found.rows.size)
    texts = found.texts(columns)
    letters, start, length = _spans(texts)
    left, unread = np.arange(length.size), [np.zeros(0, np.int64)]
    for _ in range(_MOST_FORMS if _has_forms(time_format) else 0):
        if not left.size:
            break
        form = _form_of(texts[int(left[0])].as_py(), time_format)
        if form is None:
            unread.append(left[:1])
            left = left[1:]
            continue
        same = length[left] == len(form.text)
        these = left[same]
        clock_ns, fits = _read_form(read_windows(letters, start[these], len(form.text)).T, form, time_format)
        rows = found.in_columns[these[fits]]
        readings.clock_ns[rows] = clock_ns[fits]
        readings.offset_ns[rows] = form.offset_ns or 0
        readings.is_local[rows] = form.offset_ns is None and time_format not in ZONELESS
        is_read = np.zeros(left.size, dtype=np.bool_)
        is_read[same] = fits
        left = left[~is_read]
    odd = np.concatenate([*unread, left])
    words = texts.take(to_arrow(odd)).to_pylist() + found.cells(found.by_line, columns)
    one_by_one = parse_stamps(words, time_format, locale)
    rows = np.concatenate([found.in_columns[odd], found.by_line])
    for target, source in (
        (readings.clock_ns, one_by_one.clock_ns),
        (readings.offset_ns, one_by_one.offset_ns),
        (readings.is_local, one_by_one.is_local),
        (readings.state, one_by_one.state),
    ):
        target[rows] = source
    return readings


def _spans(texts: pa.StringArray) -> tuple[Bytes, Ints, Ints]:
    """Return the bytes of a text column, and first byte and length of each text; there are no nulls."""
    _, ends, letters = texts.buffers()
    if not len(texts) or letters is None:
        return np.zeros(0, np.uint8), np.zeros(len(texts), np.int64), np.zeros(len(texts), np.int64)
    edges = np.frombuffer(ends, np.int32, len(texts) + 1, 4 * texts.offset).astype(np.int64)
    return np.frombuffer(letters, np.uint8), edges[:-1], np.diff(edges)


def read_serial_days(days: Sequence[Floats], *, is_time_of_day: bool) -> Readings:
    """Read times as a spreadsheet counts them, rounded to the microsecond that a number of days resolves.

    The 1900 date system (ECMA-376 part 1, 18.17.4.1): day 1 is 1900-01-01; it has a day 60, 1900-02-29, that never
    was, so from day 61 on days count from 1899-12-30.

    Args:
        days: One column of days, or one of whole days and one of fractions; NaN where void, infinite where no
            number; each of shape (n,).
        is_time_of_day: Fractions of a day alone.
    """
    total = days[0]
    is_sound = np.isfinite(total)
    if len(days) > 1:
        is_sound &= np.isfinite(days[1]) & (days[1] >= 0) & (days[1] < 1) & (total == np.floor(total))
    with np.errstate(invalid="ignore"):
        is_sound &= (total >= 0) & (total < 1 if is_time_of_day else (total >= 1) & (total < _LARGEST_DAYS))
        if not is_time_of_day:
            is_sound &= np.floor(total) != _LEAP_BUG_DAY
    total = np.where(is_sound, total, 0.0)
    whole = np.floor(total)
    rest = total - whole + (np.where(is_sound, days[1], 0.0) if len(days) > 1 else 0.0)
    first = np.where(whole < _LEAP_BUG_DAY, _EPOCH_DAYS - 1, _EPOCH_DAYS)
    shown = 0 if is_time_of_day else (whole - first).astype(np.int64) * DAY_NS
    clock_ns = shown + np.rint(rest * (DAY_NS // 1000)).astype(np.int64) * 1000
    return _local(clock_ns, is_sound)


def read_six_columns(parts: Sequence[Floats]) -> Readings:
    """Read times from year, month, day, hour, minute and second, each of shape (n,), not finite where unreadable.

    A year of two digits lies between 1969 and 2068, as ``strptime`` has it (POSIX).
    """
    table = np.stack(parts)
    is_sound = np.isfinite(table).all(axis=0)
    table = np.where(is_sound, table, 0.0)
    is_sound &= (table[:5] == np.floor(table[:5])).all(axis=0) & (np.abs(table) < 10_000).all(axis=0)
    whole = np.where(is_sound, table[:5], 0.0).astype(np.int64)
    hour, minute, second = whole[3], whole[4], np.where(is_sound, table[5], 0.0)
    is_sound &= (hour >= 0) & (hour <= 23) & (minute >= 0) & (minute <= 59)
    is_sound &= (second >= 0) & (second < np.where(minute == 59, 61, 60))
    days, back = np.unique(whole[:3], axis=1, return_inverse=True)
    back = back.reshape(-1)
    begins = [_day_of(*day) for day in days.T.tolist()]
    is_sound &= np.array([begin is not None for begin in begins], dtype=np.bool_)[back]
    clock_ns = np.array([begin or 0 for begin in begins], dtype=np.int64)[back]
    clock_ns += (hour * 60 + minute) * (60 * SECOND_NS) + np.rint(second * SECOND_NS).astype(np.int64)
    return _local(clock_ns, is_sound)


def _day_of(year: int, month: int, day: int) -> int | None:
    if 0 <= year < 100:
        year += 1900 if year > 68 else 2000
    return day_ns(year, month, day) if 1678 < year < 2262 else None


def _local(clock_ns: Ints, is_sound: Bools) -> Readings:
    found = Readings.empty(clock_ns.size)
    found.clock_ns[is_sound] = clock_ns[is_sound]
    found.is_local[:] = is_sound
    found.state[~is_sound] = BAD
    return found


def _has_forms(time_format: str) -> bool:
    if time_format in ("iso", TIME_OF_DAY) or time_format in _COUNTED:
        return True
    return digit_pattern(time_format) is not None


def _form_of(text: str, time_format: str) -> _Form | None:
    """Return the form of a stamp, or None where it fits no format or its parts run into one another."""
    stamp = stamp_parser(time_format)(text)
    if stamp is None or not text.isascii():
        return None
    if time_format in _COUNTED:
        match = SECONDS.fullmatch(text)
        groups: dict[str, int | str] = dict(_SECONDS_GROUPS)
    elif time_format in ("iso", TIME_OF_DAY):
        match = (ISO if time_format == "iso" else ISO_TIME).fullmatch(text)
        groups = dict(_ISO_GROUPS if time_format == "iso" else _ISO_TIME_GROUPS)
    else:
        pattern = digit_pattern(time_format)
        match = None if pattern is None else pattern.fullmatch(text)
        groups = {} if pattern is None else {name: name for name in pattern.groupindex}
    if match is None:
        return None
    parts = {name: slice(*match.span(group)) for name, group in groups.items() if match[group] is not None}
    if time_format not in ("iso", TIME_OF_DAY) and any(_touches_digit(text, part) for part in parts.values()):
        return None
    return _Form(text.encode(), parts, stamp.offset_ns, text.startswith("-") and time_format in _COUNTED)


def _touches_digit(text: str, part: slice) -> bool:
    around = text[max(part.start - 1, 0) : part.start] + text[part.stop : part.stop + 1]
    return bool(re.search(r"\d", around)) or not text[part].isdigit()


def _read_form(characters: Bytes, form: _Form, time_format: str) -> tuple[Ints, Bools]:
    """Return clock readings [ns], and which of the stamps are of the form."""
    text = np.frombuffer(form.text, np.uint8)
    is_digit = np.zeros(text.size, dtype=np.bool_)
    for part in form.parts.values():
        is_digit[part] = True
    fits = (characters[~is_digit] == text[~is_digit, None]).all(axis=0)
    digits = characters - np.uint8(ord("0"))
    fits &= (digits[is_digit] <= 9).all(axis=0)
    if not fits.all():
        digits[:, ~fits] = 0
    parts = form.parts
    unit = _COUNTED.get(time_format, 9)
    fraction = np.zeros(fits.size, dtype=np.int64)
    if "f" in parts:
        places = min(parts["f"].stop - parts["f"].start, _DIGITS_KEPT)
        surplus = places - unit
        read = _whole(digits[parts["f"]])
        fraction = read // POWER_OF_10[surplus] if surplus > 0 else read * POWER_OF_10[-surplus]
    if time_format in _COUNTED:
        unit_ns = POWER_OF_10[unit]
        whole = _whole(digits[parts["s"]])
        fits &= whole < LARGEST_NS // unit_ns
        counted_ns = whole * fits * unit_ns + fraction
        return (-counted_ns if form.is_negative else counted_ns), fits
    clock_ns, is_minute = _minutes_ns(digits, parts)
    fits &= is_minute
    if "S" in parts:
        second = _whole(digits[parts["S"]])
        fits &= second <= 59
        clock_ns += second * SECOND_NS
    return clock_ns + fraction, fits


def _whole(digits: Bytes) -> Ints:
    value: Ints = digits[0].astype(np.int64)
    for digit in digits[1:_DIGITS_KEPT]:
        value *= 10
        value += digit
    return value


def _minutes_ns(digits: Bytes, parts: dict[str, slice]) -> tuple[Ints, Bools]:
    """Return where each stamp's minute begins [ns since 1970-01-01], and whether there is such a minute."""
    coarse = {name: digits[part] for name, part in parts.items() if name not in ("S", "f")}
    letters = np.concatenate(list(coarse.values()))
    # Neighbours mostly share a minute, so each run is worked out once.
    is_first = np.ones(letters.shape[1], dtype=np.bool_)
    is_first[1:] = (letters[:, 1:] != letters[:, :-1]).any(axis=0)
    first = np.flatnonzero(is_first)
    value = {name: _whole(part[:, first]) for name, part in coarse.items()}
    begins: list[int | None] = [0] * first.size
    if "d" in value:
        year = np.full(first.size, LEAP_YEAR)
        if "Y" in value or "y" in value:
            year = value["Y"] if "Y" in value else value["y"] + np.where(value["y"] > 68, 1900, 2000)
        days = zip(year.tolist(), value["m"].tolist(), value["d"].tolist(), strict=True)
        # other years do not fit into 64 bits
        begins = [day_ns(*day) if 1678 < day[0] < 2262 else None for day in days]
    is_minute = np.array([begin is not None for begin in begins], dtype=np.bool_)
    is_minute &= (value["H"] <= 23) & (value["M"] <= 59)
    minute_ns = np.array([begin or 0 for begin in begins], dtype=np.int64)
    minute_ns += (value["H"] * 60 + value["M"]) * (60 * SECOND_NS)
    runs = np.diff(first, append=letters.shape[1])
    return np.repeat(minute_ns, runs), np.repeat(is_minute, runs)


States = npt.NDArray[np.uint8]


class RowTimes:
    """Reads the time columns of a log, in file order.

    Attributes:
        columns: Headings or numbers of the columns, in the order their cells are wanted.
        heading: What to call them together.
    """

    def __init__(self, spec: EngineLog) -> None:
        self.columns: list[str | int] = _time_columns(spec)
        self.heading = " + ".join(column_name(column) for column in self.columns)
        self._spec = spec
        self._has_parts = isinstance(spec.columns["time"], tuple)
        self._numbers = NumberCells(spec.decimal)
        self._zone = ZoneClock(spec.zone)
        self._partial = _partial_clock(spec)

    def read(self, found: LogRows) -> Readings:
        """Read the times of some rows; `place` completes those that lack a day or a year."""
        spec, places = self._spec, range(len(self.columns))
        if self._has_parts:
            readings = read_six_columns([self._numbers.read(found, nth) for nth in places])
        elif spec.time_format == "spreadsheet":
            days = [self._numbers.read(found, nth) for nth in places]
            readings = read_serial_days(days, is_time_of_day=spec.date is not None)
        else:
            is_time = spec.time_format == "iso" and spec.date is not None
            readings = read_stamp_cells(found, places, TIME_OF_DAY if is_time else spec.time_format, spec.locale)
        self._zone.add(readings.clock_ns[readings.is_local])
        return readings

    def place(self, held: Sequence[Readings], *, is_last: bool) -> list[tuple[Ints, States]] | None:
        """Return the times of rows [ns since 1970 UTC, or since the log's start] and how sure each is.

        Args:
            held: Readings that were not placed yet, the older ones first.
            is_last: No more will come.

        Returns:
            For each of `held` times and states, as `ZoneClock` gives them; None where later rows must tell.
        """
        completed = self._completed(held, is_last=is_last)
        if completed is None:
            return None
        clocks, states = completed
        locals_ = [readings.is_local & (state == 0) for readings, state in zip(held, states, strict=True)]
        local_ns = [clock_ns[is_local] for clock_ns, is_local in zip(clocks, locals_, strict=True)]
        placed = self._zone.resolve(np.concatenate([np.zeros(0, dtype=np.int64), *local_ns]), is_last=is_last)
        if placed is None:
            return None
        if self._partial is not None:
            self._partial.accept()
        found: list[tuple[Ints, States]] = []
        begin = 0
        for readings, clock_ns, state, is_local in zip(held, clocks, states, locals_, strict=True):
            its = slice(begin, begin + int(np.count_nonzero(is_local)))
            offset_ns, its_state = readings.offset_ns.copy(), state.copy()
            offset_ns[is_local], its_state[is_local] = placed[0][its], placed[1][its]
            found.append((clock_ns - offset_ns, its_state))
            begin = its.stop
        return found

    def _completed(self, held: Sequence[Readings], *, is_last: bool) -> tuple[list[Ints], list[States]] | None:
        if self._partial is None:
            return [readings.clock_ns for readings in held], [readings.state for readings in held]
        sound = [readings.state == 0 for readings in held]
        shown = [readings.clock_ns[is_sound] for readings, is_sound in zip(held, sound, strict=True)]
        whole = self._partial.resolve(np.concatenate([np.zeros(0, dtype=np.int64), *shown]), is_last=is_last)
        if whole is None:
            return None
        clocks, states, begin = [], [], 0
        for readings, is_sound in zip(held, sound, strict=True):
            its = slice(begin, begin + int(np.count_nonzero(is_sound)))
            clock_ns, state = readings.clock_ns.copy(), readings.state.copy()
            clock_ns[is_sound] = whole[0][its]
            state[is_sound] = np.where(whole[1][its], 0, BAD)
            clocks.append(clock_ns)
            states.append(state)
            begin = its.stop
        return clocks, states


def _time_columns(spec: EngineLog) -> list[str | int]:
    time, day = spec.columns["time"], spec.columns.get("date")
    parts = list(time) if isinstance(time, tuple) else [day, time]
    return [part for part in parts if isinstance(part, str | int)]


def _partial_clock(spec: EngineLog) -> PartialClock | None:
    if spec.time_format in ZONELESS:
        return None
    if spec.date is not None:
        return PartialClock(date.fromisoformat(spec.date), lacks="day")
    return None if spec.year is None else PartialClock(date(spec.year, 1, 1), lacks="year")
