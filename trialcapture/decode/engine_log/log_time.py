"""Stamps of an engine log: parsing in the declared format, the declared zone, and days or years that stamps lack.

`stamp_parser` parses one stamp, `ZoneClock` finds the offset from UTC also where the clocks change, `PartialClock` adds
the day or year. Both clocks work block by block.
"""

from __future__ import annotations

import re
from calendar import isleap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from trialcapture.config import COUNTED_NS, fold_word, locale_words

# Local clock readings to UTC, block by block.

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
BAD, SKIPPED, TWICE = 1, 2, 3
"""State of a stamp, 0 where it is sound: not in the format, skipped when the clocks went forward, or one of a repeated
hour that its neighbours do not settle."""

_PATIENCE_NS = 60 * SECOND_NS
"""Longest step between neighbouring rows that still shows on which side of a change of the clocks they lie, where the
log's own pace allows no longer one (our choice)."""
_SHORT_STEP_NS = _PATIENCE_NS // 10
"""Steps up to this one give the shortest patience, ten steps of the log's pace."""


class ZoneClock:
    """Offsets from UTC of a log's clock readings that name none, in file order.

    A reading of the repeated hour is settled by its neighbours, so a block that ends in it waits for the next one.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._pace = _Pace()
        self._before_ns: int | None = None
        self._must_wait = False

    def add(self, clock_ns: Ints) -> None:
        """Add readings [ns] to the log's pace, each once, before they are resolved."""
        self._pace.add(clock_ns)

    def resolve(self, clock_ns: Ints, *, is_last: bool) -> tuple[Ints, npt.NDArray[np.uint8]] | None:
        """Return each reading's offset from UTC [ns] and its state, or None where later readings must tell.

        Args:
            clock_ns: Readings that were not resolved yet, the older ones first; shape (n,).
            is_last: No more will come.
        """
        if isinstance(self._zone, timezone):
            offset_ns = delta_ns(self._zone.utcoffset(None))
            return np.full(clock_ns.size, offset_ns, dtype=np.int64), np.zeros(clock_ns.size, dtype=np.uint8)
        if self._must_wait and not is_last:
            return None
        first, second = _both_offsets(clock_ns, self._zone)
        state = np.where(first < second, SKIPPED, 0).astype(np.uint8)
        offset = first.copy()
        twice = first > second
        if twice.size and twice[-1] and not is_last:
            return None
        edges = np.flatnonzero(np.diff(np.concatenate(([False], twice, [False])).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2):
            run = slice(int(start), int(stop))
            chosen = self._which_of_two(clock_ns, first, second, run, self._pace.median_ns() if is_last else 0.0)
            if not is_last and not _is_same(chosen, self._which_of_two(clock_ns, first, second, run, np.inf)):
                # The pace of the whole log decides how long a hole may be, and it is not known yet; it matters only
                # where a hole is longer than the shortest patience and shorter than the longest.
                self._must_wait = True
                return None
            if chosen is None:
                state[run] = TWICE
            else:
                offset[run] = chosen
        if clock_ns.size:
            self._before_ns = int(clock_ns[-1] - first[-1])
        return offset, state

    def _which_of_two(self, clock_ns: Ints, first: Ints, second: Ints, run: slice, pace_ns: float) -> Ints | None:
        """Return the offsets of a run of readings that each came twice, or None where the order does not tell.

        A step back by about the width of the change inside the run is the change itself. Without one the whole
        run lies on one side of it: the side on which it joins the row before, or the row after, without a hole.
        When both neighbours answer, they must agree.
        """
        clock, before, after = clock_ns[run], first[run], second[run]
        width = int(before[0] - after[0])
        back = np.flatnonzero(np.diff(clock) < -width // 2)
        if back.size == 1:
            return np.where(np.arange(clock.size) <= back[0], before, after)
        if back.size > 1:
            return None
        patience = min(max(10 * pace_ns, _PATIENCE_NS), width / 4)
        earlier = int(clock_ns[run.start - 1] - first[run.start - 1]) if run.start > 0 else self._before_ns
        answers = set()
        for side in (before, after):
            if earlier is not None:
                hole = int(clock[0] - side[0]) - earlier
                answers |= {int(side[0])} if 0 <= hole <= patience else set()
            if run.stop < clock_ns.size:
                hole = int((clock_ns[run.stop] - first[run.stop]) - (clock[-1] - side[-1]))
                answers |= {int(side[0])} if 0 <= hole <= patience else set()
        if len(answers) != 1:
            return None
        return before if answers == {int(before[0])} else after


@dataclass(slots=True)
class _Round:
    """State of a clock that starts again at each period: last reading, periods passed, steps forward and backward."""

    last_ns: int | None = None
    turns: int = 0
    forward: int = 0
    backward: int = 0


class PartialClock:
    """Adds the day, or the year, to readings that lack it, in file order: it moves on at midnight or New Year.

    A reading is the time of day, or the time within a leap year. From one to the next less than half a period
    passes, or the log has a hole: then it moves on as the log as a whole does, which may be backwards where the
    newest rows come first. A lone reading far from neighbours that fit together is damage and moves nothing.
    """

    def __init__(self, first: date, *, lacks: str) -> None:
        """Set out.

        Args:
            first: Day of the first row; its year alone counts where only that is lacking.
            lacks: ``day`` or ``year``.
        """
        self._first = first
        self._lacks = lacks
        self._period_ns = DAY_NS if lacks == "day" else 366 * DAY_NS
        self._now = _Round()
        self._next = _Round()

    def resolve(self, shown_ns: Ints, *, is_last: bool) -> tuple[Ints, Bools] | None:
        """Return whole readings [ns since 1970-01-01], and which there are; None where later rows must tell.

        Nothing is taken note of before `accept`.

        Args:
            shown_ns: Readings that were not accepted yet, the older ones first; shape (n,).
            is_last: No more will come.
        """
        before = [] if self._now.last_ns is None else [self._now.last_ns]
        shown = np.concatenate([np.array(before, dtype=np.int64), shown_ns])
        if shown.size == 0:
            return shown, np.zeros(0, dtype=np.bool_)
        near = self._period_ns // 24
        far = np.abs(self._around(np.diff(shown))) > near
        if far.size and far[-1] and not is_last:
            return None  # damage or a hole? the next row tells
        across = np.abs(self._around(shown[2:] - shown[:-2])) <= near
        lone = np.flatnonzero(far[:-1] & far[1:] & across) + 1
        smooth = shown.copy()
        smooth[lone] = shown[lone - 1]
        turns = self._turns(smooth)
        self._next.last_ns, self._next.turns = int(smooth[-1]), int(turns[-1])
        own = slice(len(before), None)
        return self._whole(shown[own], turns[own])

    def accept(self) -> None:
        """Go on behind the readings resolved last."""
        self._now = self._next
        self._next = _Round(self._now.last_ns, self._now.turns, self._now.forward, self._now.backward)

    def _around(self, step_ns: Ints) -> Ints:
        """Return steps the short way round."""
        half = self._period_ns // 2
        return (step_ns + half) % self._period_ns - half

    def _turns(self, shown: Ints) -> Ints:
        step = np.diff(shown)
        half = self._period_ns // 2
        is_plain = np.abs(step) < half
        forward = self._now.forward + np.cumsum(is_plain & (step > 0))
        backward = self._now.backward + np.cumsum(is_plain & (step < 0))
        turned = np.zeros(shown.size, dtype=np.int64)
        for at in np.flatnonzero(~is_plain).tolist():
            falls = bool(step[at] < 0)
            is_short = abs(int(self._around(step[at : at + 1])[0])) <= self._period_ns // 24
            if is_short or falls == bool(forward[at] >= backward[at]):
                turned[at + 1] = 1 if falls else -1
        if step.size:
            self._next.forward, self._next.backward = int(forward[-1]), int(backward[-1])
        turns: Ints = self._now.turns + np.cumsum(turned)
        return turns

    def _whole(self, shown: Ints, turns: Ints) -> tuple[Ints, Bools]:
        if self._lacks == "day":
            days = self._first.toordinal() - _EPOCH_DAY + turns
            is_there = np.abs(days) < _MOST_DAYS
            return shown + np.where(is_there, days, 0) * DAY_NS, is_there
        day_of_year = (shown - _day_begin(2000)) // DAY_NS
        whole, is_there = np.zeros(shown.size, dtype=np.int64), np.ones(shown.size, dtype=np.bool_)
        for turn in np.unique(turns).tolist():
            year, its = self._first.year + turn, turns == turn
            if not 1678 < year < 2262:
                is_there &= ~its
                continue
            lost = 0 if isleap(year) else 1
            moved = _day_begin(year) - _day_begin(2000) - lost * (day_of_year > _FEBRUARY_29) * DAY_NS
            whole = np.where(its, shown + moved, whole)
            is_there &= ~(its & bool(lost) & (day_of_year == _FEBRUARY_29))
        return whole, is_there


_EPOCH_DAY = date(1970, 1, 1).toordinal()
_FEBRUARY_29 = 59
"""Days of a leap year before 29 February."""
_MOST_DAYS = 100_000
"""Days from 1970 that fit into 64-bit nanoseconds, rounded down (292 years are 106 751)."""


def _day_begin(year: int) -> int:
    return (date(year, 1, 1).toordinal() - _EPOCH_DAY) * DAY_NS


def _is_same(one: Ints | None, other: Ints | None) -> bool:
    return one is other if one is None or other is None else np.array_equal(one, other)


class _Pace:
    """Median step forward of a log; of steps too short to matter only the count and the longest are kept."""

    def __init__(self) -> None:
        self._last: int | None = None
        self._short = 0
        self._longest_short_ns = 0
        self._long: list[int] = []

    def add(self, clock_ns: Ints) -> None:
        if not clock_ns.size:
            return
        step = np.diff(clock_ns) if self._last is None else np.diff(clock_ns, prepend=self._last)
        self._last = int(clock_ns[-1])
        is_short = (step > 0) & (step <= _SHORT_STEP_NS)
        self._short += int(np.count_nonzero(is_short))
        self._longest_short_ns = max(self._longest_short_ns, int(step[is_short].max(initial=0)))
        self._long.extend(step[step > _SHORT_STEP_NS].tolist())

    def median_ns(self) -> float:
        """Return the median, exact where it is longer than the shortest step that matters."""
        count = self._short + len(self._long)
        if not count:
            return 0.0
        steps = sorted(self._long)
        middle = [n - self._short for n in ((count - 1) // 2, count // 2)]
        return sum(steps[n] if n >= 0 else self._longest_short_ns for n in middle) / 2


def _both_offsets(clock_ns: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Return each reading's offsets from UTC [ns], which differ where the clocks change (PEP 495, fold 0 and 1)."""
    minutes, back = np.unique(clock_ns // (60 * SECOND_NS), return_inverse=True)
    pairs = np.array([_offsets_at(int(minute), zone) for minute in minutes], dtype=np.int64).reshape(-1, 2)
    return pairs[back, 0], pairs[back, 1]


def _offsets_at(minute: int, zone: tzinfo) -> tuple[int, int]:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(minutes=minute)
    pair = [moment.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta() for fold in (0, 1)]
    return delta_ns(pair[0]), delta_ns(pair[1])


def delta_ns(delta: timedelta) -> int:
    """Return a span of time in whole nanoseconds."""
    return ((delta.days * 86400 + delta.seconds) * 1_000_000 + delta.microseconds) * 1000


LARGEST_NS = 9_223_372_036_000_000_000
"""Largest time of whole seconds in 64-bit nanoseconds."""
ISO = re.compile(
    r"(\d{4})-?(\d\d)-?(\d\d)[T ](\d\d):?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?\s?(Z|[+-]\d\d(?::?\d\d)?)?",
    re.ASCII,
)
SECONDS = re.compile(r"([+-]?)(\d{1,16})(?:[.,](\d+))?", re.ASCII)

ISO_TIME = re.compile(r"T?(\d\d):?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?\s?(Z|[+-]\d\d(?::?\d\d)?)?", re.ASCII)
_WITH_EXPONENT = re.compile(r"[+-]?\d{1,20}(?:[.,]\d{0,20})?[eE][+-]?\d{1,2}", re.ASCII)
_HOURS = re.compile(r"([+-]?)(\d{1,6}):([0-5]\d):([0-5]\d)(?:[.,](\d+))?", re.ASCII)

TIME_OF_DAY = "iso time of day"
"""Time format ``iso`` where rows carry no date."""
LEAP_YEAR = 2000
"""Stamps without a year are read as of this one, which has every day there is."""
ZONELESS = (*COUNTED_NS, "elapsed_hms")
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


def stamp_parser(time_format: str, locale: str | None = None) -> Callable[[str], Stamp | None]:
    """Return the function that reads one stamp, or None where it does not fit.

    A pattern without a day gives the time of day, one without a year the time in `LEAP_YEAR`.

    Args:
        time_format: ``iso``, `TIME_OF_DAY`, a format of `ZONELESS`, or a ``strptime`` pattern.
        locale: Language of the words in a pattern; None for English.
    """
    if time_format == "iso":
        return _parse_iso
    if time_format == TIME_OF_DAY:
        return _parse_iso_time
    if time_format == "elapsed_hms":
        return _parse_hours
    if time_format in COUNTED_NS:
        unit_ns = COUNTED_NS[time_format]
        return lambda text: _parse_count(text, unit_ns)
    if locale is not None and re.search("%[bBpaA]", time_format):
        return lambda text: _parse_in_language(text, time_format, locale)
    return lambda text: _parse_pattern(text, time_format)


def parse_stamps(texts: Sequence[str], time_format: str, locale: str | None = None) -> Readings:
    """Read stamps one by one, each distinct text once; `Readings` of shape (n,)."""
    parse = stamp_parser(time_format, locale)
    by_text = {text: parse(text) for text in set(texts)}
    found = Readings.empty(len(texts))
    has_zone = time_format not in ZONELESS
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
    return Stamp(clock, _zone_ns(match[8]))


def _parse_iso_time(text: str) -> Stamp | None:
    match = ISO_TIME.fullmatch(text)
    if match is None:
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    is_leap = second == 60 and minute == 59
    if hour > 23 or minute > 59 or (second > 59 and not is_leap):
        return None
    return Stamp(((hour * 60 + minute) * 60 + second) * SECOND_NS + _fraction_ns(match[4]), _zone_ns(match[5]))


def _zone_ns(zone: str | None) -> int | None:
    if zone is None or zone == "Z":
        return None if zone is None else 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    offset = (int(digits[:2]) * 60 + int(digits[2:])) * 60 * SECOND_NS
    return -offset if zone[0] == "-" else offset


def _parse_count(text: str, unit_ns: int) -> Stamp | None:
    match = SECONDS.fullmatch(text)
    if match is None:
        return _parse_exponent(text, unit_ns)
    value = int(match[2]) * unit_ns + _fraction_ns(match[3], unit_ns)
    return None if value > LARGEST_NS else Stamp(-value if match[1] == "-" else value, None)


def _parse_exponent(text: str, unit_ns: int) -> Stamp | None:
    """Read a count such as ``1.7778888E+09``; None where its last digit is worth more than a second."""
    if not _WITH_EXPONENT.fullmatch(text):
        return None
    count = Decimal(text.replace(",", "."))
    exponent = count.as_tuple().exponent
    if not isinstance(exponent, int) or Decimal((0, (1,), exponent)) * unit_ns > SECOND_NS:
        return None
    value = int(count * unit_ns)
    return None if abs(value) > LARGEST_NS else Stamp(value, None)


def _parse_hours(text: str) -> Stamp | None:
    match = _HOURS.fullmatch(text)
    if match is None:
        return None
    seconds = (int(match[2]) * 60 + int(match[3])) * 60 + int(match[4])
    value = seconds * SECOND_NS + _fraction_ns(match[5])
    return Stamp(-value if match[1] == "-" else value, None)


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
    if not set(names) <= set(_DIGITS) or len(set(names)) < len(names) or not {"H", "M"} <= set(names):
        return None
    has_day, years = {"m", "d"} & set(names), {"Y", "y"} & set(names)
    if len(has_day) == 1 or len(years) > len(has_day) // 2:
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
    return _stamp_of(match.groupdict())


def _stamp_of(part: dict[str, str]) -> Stamp | None:
    """Return the stamp that has these parts, each named as its directive, month and hour in digits."""
    year = LEAP_YEAR
    if "Y" in part or "y" in part:
        year = int(part["Y"]) if "Y" in part else int(part["y"]) + (1900 if int(part["y"]) > 68 else 2000)
    day = day_ns(year, int(part["m"]), int(part["d"])) if "d" in part else 0
    if day is None or not 1678 < year < 2262:
        return None
    seconds = (int(part["H"]) * 60 + int(part["M"])) * 60 + int(part.get("S", 0))
    return Stamp(day + seconds * SECOND_NS + _fraction_ns(part.get("f")), None)


def _parse_strptime(text: str, pattern: str) -> Stamp | None:
    directives = set(re.findall("%(.)", pattern))
    has_day, has_year = bool(directives & set("djc")), bool(directives & set("Yyc"))
    try:
        if has_day and not has_year:
            read = datetime.strptime(f"{text} {LEAP_YEAR}", f"{pattern} %Y")
        else:
            read = datetime.strptime(text, pattern)
    except ValueError:
        return None
    day = day_ns(read.year, read.month, read.day) if has_day else 0
    if day is None or not 1678 < read.year < 2262:
        return None
    seconds = (read.hour * 60 + read.minute) * 60 + read.second
    offset = read.utcoffset()
    return Stamp(day + seconds * SECOND_NS + read.microsecond * 1000, None if offset is None else delta_ns(offset))


_WORDS = {
    "I": r"(?P<I>1[0-2]|0?[1-9])", "b": r"(?P<b>\S+?)", "B": r"(?P<b>\S+?)", "a": r"(?P<a>\S+?)", "A": r"(?P<a>\S+?)",
    "p": r"(?P<p>\S+?(?:[ \u00a0\u202f]\S{1,3})?)",
}  # fmt: skip


@lru_cache
def _language_pattern(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"%(.)", pattern)
    text = re.sub(r"(?:\\ )+", r"\\s+", re.escape(parts[0]))
    for name, literal in zip(parts[1::2], parts[2::2], strict=True):
        text += (_DIGITS | _WORDS)[name] + re.sub(r"(?:\\ )+", r"\\s+", re.escape(literal))
    return re.compile(text, re.ASCII | re.IGNORECASE)


def _parse_in_language(text: str, pattern: str, locale: str) -> Stamp | None:
    # of the expression only digits and spaces are ASCII; words are any characters, folded when they are looked up
    match = _language_pattern(pattern).fullmatch(text.replace("\u00a0", " ").replace("\u202f", " "))
    if match is None:
        return None
    words, part = locale_words(locale), match.groupdict()
    if "a" in part and fold_word(part["a"]) not in words.days:
        return None
    if "b" in part:
        month = words.months.get(fold_word(part["b"]))
        if month is None:
            return None
        part["m"] = str(month)
    if "p" in part and "I" in part:
        half = words.halves.get(fold_word(part["p"]))
        if half is None:
            return None
        part["H"] = str(int(part["I"]) % 12 + 12 * half)
    return _stamp_of(part)


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
        fitting = [{10: "unix_s", 13: "unix_ms", 16: "unix_us"}.get(len(number[2]), "elapsed_s")]
        return ["spreadsheet", *fitting] if 36526 <= int(number[2]) < 73051 and number[3] else fitting
    patterns = [f"{day}{gap}{clock}" for day in _DATES for gap in " T" for clock in _CLOCKS]
    return [pattern for pattern in patterns if _parse_pattern(text, pattern) is not None]
