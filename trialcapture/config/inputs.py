"""Settings of the inputs: sources on the boat's network, engine logs as offloaded, transducers by name."""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from difflib import get_close_matches
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from babel import Locale, UnknownLocaleError
from pydantic import Discriminator, Field, StringConstraints, Tag, ValidationInfo, field_validator

from trialcapture.config.sections import Flag, Number, Section, Text, Whole
from trialcapture.errors import TrialCaptureError
from trialcapture.units import parse_unit

# Ids of sources.

ID_LENGTH = 15
"""Longest source id: what a TAG block's ``s`` holds (NMEA 0183, as restated in the open "NMEA Revealed" document)."""
_NUMBERED = re.compile(r"(.+)-([2-9]|[1-9]\d+)")


def declared_source(seen: str, declared: Collection[str]) -> str:
    """Return the declared id that a journalled id stands for.

    The recorder journals the second sender heard on source ``gps1`` as ``gps1-2``, and cuts a long id so that the
    number fits. A sender inherits what was declared for its source.

    Args:
        seen: Id as journalled.
        declared: Ids of the settings.

    Returns:
        `seen` where it is declared itself, or belongs to no declared id, or could belong to two; else the declared id.
    """
    if seen in declared:
        return seen
    match = _NUMBERED.fullmatch(seen)
    if match is None:
        return seen
    stem = match[1]
    if stem in declared:
        return stem
    if len(seen) == ID_LENGTH:
        whole = [name for name in declared if len(name) > len(stem) and name.startswith(stem)]
        if len(whole) == 1:
            return whole[0]
    return seen


# Names of months and days, a.m. and p.m., in a declared language; from the Unicode CLDR by way of Babel.

if TYPE_CHECKING:
    from babel import Locale

_SHORTEST_PREFIX = 3
"""Fewest letters of a month cut short (our choice: two months share two letters in most languages)."""
_WIDTHS = ("wide", "abbreviated")

_ALSO_MONTHS = {"de": {"mrz": 3}}
_ALSO_HALVES = {"de": {"vorm": 0, "nachm": 1}}
"""What spreadsheets and operating systems write beside the CLDR (from memory)."""


@dataclass(frozen=True, slots=True)
class LocaleWords:
    """How a language writes parts of a date; every key is folded by `fold_word`.

    Attributes:
        months: Month, 1 to 12.
        halves: 0 for a.m., 1 for p.m.
        days: Names of the days of the week.
    """

    months: Mapping[str, int]
    halves: Mapping[str, int]
    days: frozenset[str]


def fold_word(text: str) -> str:
    """Return a word without case, accents, full stops and spaces: ``févr.`` and ``Fevr`` are the same."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in letters if letter.isalnum())


@lru_cache(maxsize=16)
def locale_words(name: str) -> LocaleWords:
    """Return the words of a language.

    A month may be cut short after three letters or more where that leaves one month only. "AM" and "PM" are
    known in every language.

    Args:
        name: Language, and country where they differ, such as ``fr``, ``pt_BR`` or ``en-AU``.

    Raises:
        ValueError: There is no such language.
    """
    try:
        locale = Locale.parse(name.replace("-", "_"))
    except (UnknownLocaleError, ValueError, TypeError) as fault:
        raise ValueError("must be a language, such as 'fr', 'de', 'pt_BR' or 'en_AU'") from fault
    whole = list(_names(locale, "months", ("wide",)))
    months = _known(_names(locale, "months", _WIDTHS))
    for word, month in whole:
        for length in range(_SHORTEST_PREFIX, len(word)):
            if {m for w, m in whole if w.startswith(word[:length])} == {month}:
                months.setdefault(word[:length], month)
    halves = {"am": 0, "pm": 1} | _known(_halves(locale))
    days = frozenset(word for word, _ in _names(locale, "days", (*_WIDTHS, "short")))
    months |= _ALSO_MONTHS.get(locale.language, {})
    halves |= _ALSO_HALVES.get(locale.language, {})
    return LocaleWords(months, halves, days)


def _names(locale: Locale, what: str, widths: Iterable[str]) -> Iterator[tuple[str, int]]:
    for names in getattr(locale, what).values():
        for width in widths:
            for number, name in (names.get(width) or {}).items():
                yield fold_word(str(name)), int(number)


def _halves(locale: Locale) -> Iterator[tuple[str, int]]:
    for widths in locale.day_periods.values():
        for names in widths.values():
            for number, key in enumerate(("am", "pm")):
                if names.get(key):
                    yield fold_word(str(names[key])), number


def _known(names: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Return the names that mean one thing only."""
    meanings: dict[str, set[int]] = {}
    for word, meaning in names:
        meanings.setdefault(word, set()).add(meaning)
    return {word: next(iter(found)) for word, found in meanings.items() if word and len(found) == 1}


COUNTED_NS = {
    "unix_s": 1_000_000_000,
    "unix_ms": 1_000_000,
    "unix_us": 1000,
    "elapsed_s": 1_000_000_000,
    "elapsed_ms": 1_000_000,
    "elapsed_min": 60_000_000_000,
}
"""Time formats that count from a moment, and the nanoseconds in one count."""
TIME_WORDS = ("iso", *COUNTED_NS, "elapsed_hms", "spreadsheet")
SIX_PARTS = ("year", "month", "day", "hour", "minute", "second")
"""What the six columns of a time are, in this order."""
LONGEST_OFFSET_S = 9.2e9
"""Longest offset of a clock [s]: a time is 64-bit nanoseconds, which end after 292 years."""
_LARGEST = 1e12
"""Largest scale and offset of raw counts, and one over the smallest scale (our choice: beyond lies only a slip)."""
_NO_CHARACTER_SETS = frozenset(
    {"idna", "punycode", "unicodeescape", "rawunicodeescape", "utf7", "undefined", "mbcs", "oem"}
)
"""Codecs of Python that turn bytes into text and are no encodings of a file, or differ from computer to computer."""
_OF_DAY, _OF_YEAR = frozenset("dejmbByYGUWuwC"), frozenset("yYjGUWC")
_LOCALE_DIRECTIVES = frozenset("YymdHIMSfbBpaA")
_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2})(?::?([0-5]\d))?")


class SourceSettings(Section):
    """One input on the boat's network; we only listen."""

    id: Annotated[Text, Field(pattern=r"^[A-Za-z0-9_-]{1,15}$")]
    kind: Literal["serial", "tcp", "udp", "can", "replay"]
    port: Whole | Text | None = None
    """Serial device name, or TCP/UDP port number."""
    host: Text | None = None
    """TCP server, or UDP interface or multicast group to listen on."""
    baud: Literal[4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800] | None = None
    channel: Text | None = None
    interface: Text | None = None
    bitrate: Whole | None = None
    path: Text | None = None
    latency_s: Annotated[Number, Field(ge=0, le=10)] = 0.0
    """Delay of the sentences behind the measurement [s]; the upper bound is our choice."""
    require_checksum: Flag = True
    stamp: Literal["first_byte", "last_byte"] | None = None
    """Which byte of a sentence receipt stamps were made at. By default the first, as the recorder does, and the last
    for ``replay``: most programs stamp a line when it is complete. Counts only where `baud` is known."""
    bursts: Flag = False
    """Sentences that follow each other without a pause were all measured when the first of them set out."""

    @property
    def stamped_at(self) -> Literal["first_byte", "last_byte"]:
        """Which byte of a sentence receipt stamps were made at."""
        return self.stamp or ("last_byte" if self.kind == "replay" else "first_byte")


Place = Annotated[Whole, Field(ge=1, le=16_384)]
"""Number of a column, from 1; a sheet of an .xlsx workbook has at most 16 384 (its makers' published limit, from
memory)."""
Heading = Annotated[Text, Field(min_length=1)]


class LogColumn(Section):
    """One quantity of an engine log: its heading or column number, its declared unit, and what its counts mean."""

    name: Heading | Place
    unit: Text
    scale: Annotated[Number, Field(ge=-_LARGEST, le=_LARGEST)] = 1.0
    """Value in `unit` = `scale` times the number in the cell plus `offset`."""
    offset: Annotated[Number, Field(ge=-_LARGEST, le=_LARGEST)] = 0.0

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if abs(value) < 1 / _LARGEST:
            raise ValueError("must not be zero, nor nearly so")
        return value

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str) -> str:
        try:
            return parse_unit(value)
        except TrialCaptureError as fault:
            raise ValueError(f"{fault.what}; {fault.expected}") from fault


class LogClockSettings(Section):
    """How an engine log's clock is tied to UTC."""

    method: Literal["auto", "rpm", "marks", "fixed"] = "auto"
    offset_s: Annotated[Number, Field(ge=-LONGEST_OFFSET_S, le=LONGEST_OFFSET_S)] | None = None
    """UTC minus log time [s], for ``fixed``."""


def _column_kind(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "list"
    return "heading" if isinstance(value, str) else "place" if isinstance(value, int) else "table"


HeadingOrColumn = Annotated[
    Annotated[Text, Tag("heading")]
    | Annotated[Place, Tag("place")]
    | Annotated[tuple[Heading | Place, ...], Tag("list")]
    | Annotated[LogColumn, Tag("table")],
    Discriminator(_column_kind),
]


class EngineLog(Section):
    """One kind of engine log, as offloaded after the trial."""

    files: Text | tuple[Text, ...] = "*.csv"
    """Name pattern, or several, under ``raw/engine``."""
    form: Literal["wide", "long"] = "wide"
    """``long`` where each row is one reading, with its name in the column `parameter` and its number in `value`."""
    parameter: Heading | Place | None = None
    value: Heading | Place | None = None
    columns: dict[str, HeadingOrColumn]
    """``time`` gives a heading, and ``date`` too where day and time stand in two columns, or a list of six where
    year, month, day, hour, minute and second do; every other key is ``<quantity>_<engine id>`` and gives heading
    and unit. ``"RPM#2"`` is the second column headed RPM; a number is a column counted from 1. In a long form
    the name is what stands in the column `parameter`."""
    date: Text | None = None
    """Day of the first row, where rows carry a time of day only; midnight moves it on."""
    year: Annotated[Whole, Field(ge=1970, le=2200)] | None = None
    """Year of the first row, where rows carry none; New Year moves it on."""
    time_format: Text = "iso"
    """``strptime`` pattern, or ``iso``, ``unix_s``, ``unix_ms``, ``unix_us``, ``elapsed_s``, ``elapsed_ms``,
    ``elapsed_min``, ``elapsed_hms`` (hours:minutes:seconds), or ``spreadsheet`` (days since 1899-12-30, as the
    1900 date system counts them from 1900-03-01 on; the 1904 system is never guessed). With a ``date`` column
    the pattern is for date, one space, time."""
    locale: Text | None = None
    """Language of month names, a.m. and p.m. in a pattern, such as ``fr`` or ``pt_BR``; English without."""
    timezone: Text = "UTC"
    """IANA zone name, or an offset such as ``+02:00``; read only where the stamps carry no zone."""
    delimiter: Annotated[str, Field(strict=True), StringConstraints(strip_whitespace=False)] = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal[",", ".", " ", "'", "\u2019"] | None = None
    """What parts groups of three digits; a space stands for the no-break spaces too."""
    sheet: Heading | None = None
    """Name of the sheet, where the log is a workbook of several."""
    encoding: Text = "utf-8-sig"
    header_rows: Annotated[Whole, Field(ge=0, le=100)] = 1
    """Rows up to and including the headings; 0 where there are none and columns are numbered."""
    skip_rows_after_header: Annotated[Whole, Field(ge=0, le=100)] = 0
    """Rows between headings and data, such as a row of units."""
    clock: LogClockSettings = Field(default_factory=LogClockSettings)

    @property
    def zone(self) -> tzinfo:
        """The zone of stamps that carry none."""
        return parse_zone(self.timezone)

    @field_validator("date", mode="before")
    @classmethod
    def _real_day(cls, value: Any) -> Any:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value.isoformat()
        if isinstance(value, str):
            try:
                if re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII) and 1970 <= date.fromisoformat(value).year <= 2200:
                    return value
            except ValueError:
                pass
            raise ValueError("must be the day of the first row, year first, such as '2026-05-14'")
        return value

    @field_validator("time_format")
    @classmethod
    def _reads_a_whole_stamp(cls, value: str, info: ValidationInfo) -> str:
        if value in TIME_WORDS:
            return value
        if "%" not in value:
            raise ValueError(f"must be {', '.join(TIME_WORDS)} or a pattern such as '%d.%m.%Y %H:%M:%S'")
        if found := re.search("%[-#]?[cxXZ]", value):
            raise ValueError(f"{found[0]} differs from computer to computer; spell the stamp out, zone apart")
        # one that is at fault is not in there, and declared all the same
        has_date, has_year = (info.data.get(key, "?") is not None for key in ("date", "year"))
        _check_pattern(value, has_date=has_date, has_year=has_year and not has_date)
        return value

    @field_validator("locale")
    @classmethod
    def _known_language(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is None:
            return None
        locale_words(value)
        pattern = info.data.get("time_format", "")
        unknown = sorted(set(re.findall("%(.)", pattern)) - _LOCALE_DIRECTIVES)
        if "%" in pattern and unknown:
            raise ValueError(f"with a language the pattern may not have %{unknown[0]}")
        return value

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        parse_zone(value)
        return value

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, value: str) -> str:
        if len(value) != 1 or value in '\r\n"':
            raise ValueError(r"must be one character, such as ';', or '\t' for a tab")
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            b"\0\0\0\0".decode(value)  # four zeros are sound in every text encoding
            name = codecs.lookup(value).name
        except (LookupError, ValueError) as fault:
            raise ValueError("must be a text encoding, such as utf-8, cp1252, latin-1 or utf-16") from fault
        if re.sub("[^a-z0-9]", "", name.lower()) in _NO_CHARACTER_SETS:
            raise ValueError("must be a text encoding, such as utf-8; this one is a way to write text in other letters")
        return value


class Xdr(Section):
    """Which transducer of an XDR sentence is which channel; confirmed once per boat."""

    name: Text
    type: Annotated[Text, Field(max_length=1)] = ""
    unit: Annotated[Text, Field(max_length=1)] = ""
    channel: Text


def _check_pattern(pattern: str, *, has_date: bool, has_year: bool) -> None:
    """Refuse a pattern that lacks a part of the time that is declared nowhere else, or repeats a declared one.

    Raises:
        ValueError: Says what is missing or too much.
    """
    directives = set(re.findall("%[-#]?([A-Za-z])", pattern))
    if has_date and directives & _OF_DAY:
        raise ValueError("has a day, and date is declared too; leave date out, or the day out of the pattern")
    if has_year and directives & _OF_YEAR:
        raise ValueError("has a year, and year is declared too; leave one of them out")
    whole = pattern + (" %Y-%m-%d" if has_date else " %Y" if has_year else "")
    sample = datetime(2026, 11, 24, 17, 48, 39, tzinfo=UTC)
    try:
        read = datetime.strptime(sample.strftime(whole), whole).replace(tzinfo=None)
    except ValueError as fault:
        raise ValueError(f"is no pattern strptime can read ({fault})") from fault
    if read.date() != sample.date():
        raise ValueError(
            "lacks the day, the month or the year; where the date has a column of its own, map it with "
            'date = "…" and write the pattern for date, one space, time; where no column has the day, or the year, '
            'declare date = "2026-05-14" or year = 2026 in [[engine_log]]'
        )
    if (read.hour, read.minute) != (sample.hour, sample.minute):
        raise ValueError("lacks the hour (%H, or %I with %p) or the minute (%M)")


def parse_zone(text: str) -> tzinfo:
    """Return a time zone.

    Args:
        text: IANA name such as ``"Europe/Athens"``, or an offset such as ``"+02:00"``.

    Raises:
        ValueError: There is no such zone; the text says what comes near.
    """
    if text in ("UTC", "Z"):
        return UTC
    if match := _OFFSET.fullmatch(text):
        offset = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
        if offset > timedelta(hours=14):
            raise ValueError("an offset from UTC lies between -14:00 and +14:00")
        return timezone(-offset if match[1] == "-" else offset)
    zones = available_timezones()
    if text in zones:
        return ZoneInfo(text)
    near = [zone for zone in sorted(zones) if zone.rpartition("/")[2].lower() == text.lower()]
    near = near or get_close_matches(text, sorted(zones), 3)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    raise ValueError(f"must be an IANA zone such as 'Europe/Athens' or an offset such as '+02:00'{hint}")
