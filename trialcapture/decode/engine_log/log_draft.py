"""A draft of an engine log's declaration, from a first look at its rows, for a person to edit.

`look_at_bytes` and `look_at_rows` find delimiter, headings, marks and what the first time may mean; `draft_table` makes
a ``[[engine_log]]`` table. What only a person can know stands as ``"?"`` in it, which no settings accept. Logs are read
by declarations alone, never by what is found here.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from trialcapture.config import BY_DENSITY, LOG_QUANTITIES
from trialcapture.decode.engine_log.log_cells import VOID_CELLS, parse_number, shown
from trialcapture.decode.engine_log.log_stamps import read_serial_days, read_six_columns
from trialcapture.decode.engine_log.log_time import TIME_OF_DAY, stamp_parser
from trialcapture.errors import TrialCaptureError
from trialcapture.units import dimension, parse_unit

# The first look.

Cells = list[list[str]]

_DELIMITERS = ";\t,|"
_LINES = 3000
"""Lines of a log that are looked at (our choice: five minutes at 10 Hz)."""
_TRIED = 60
"""Times of the first rows that a format must fit to be offered (our choice: a minute at 1 Hz)."""
EPOCH = datetime(1970, 1, 1)
"""Where clock readings count from."""
_LANGUAGES = ("en", "de", "fr", "es", "it", "nl", "pt")
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"),
)  # fmt: skip
_DAYS = (
    "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%m.%d.%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d", "%d/%m/%y",
    "%m/%d/%y", "%d.%m.%y", "%y/%m/%d", "%d-%m-%y", "%d %b %Y", "%d-%b-%Y", "%d-%b-%y", "%b %d %Y", "%d %B %Y",
    "%B %d, %Y", "%b %d, %Y", "%Y%m%d",
)  # fmt: skip
_DAYS_OF_YEAR = ("%d/%m", "%m/%d", "%d.%m.", "%m-%d", "%d-%m", "%d %b", "%b %d", "%d %B", "%B %d")
_CLOCKS = (
    "%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%I:%M:%S %p", "%I:%M:%S%p", "%H:%M", "%I:%M %p", "%H%M%S", "%H.%M.%S",
)  # fmt: skip
_TIME_WORD = re.compile(
    r"time|date|zeit|datum|uhr|heure|hora|fecha|jour|ora\b|data\b|stamp|clock|utc|elapsed|tijd", re.I
)
_SIX_INITIALS = ("ymdhms", "jmthms", "amjhms", "amdhms")
"""Year, month, day, hour, minute, second in English, German, French, and Spanish and Italian."""


@dataclass(frozen=True, slots=True)
class TimeReading:
    """What one declaration would make of the first time.

    Attributes:
        declared: The keys of ``[[engine_log]]`` and their values; "de or fr" where languages cannot be told apart.
        clock: What the clock showed; without a year in 2000, without a date in 1970.
        offset_ns: Offset from UTC [ns] where the time names one; None where a zone must be declared.
        kind: ``utc`` where it counts from 1970, ``elapsed`` where it counts from the log's start, else ``clock``.
        lacks: ``day`` or ``year`` where that must be declared, else "".
        last: What the clock showed in the last row looked at.
    """

    declared: Mapping[str, str]
    clock: datetime
    offset_ns: int | None
    kind: str = "clock"
    lacks: str = ""
    last: datetime | None = None


@dataclass(slots=True)
class FirstLook:
    """How a log seems to be laid out.

    Attributes:
        rows: Its first rows as cells.
        encoding: How its bytes are text; "" for a workbook.
        delimiter: Between cells, the likeliest; "" for a workbook.
        delimiters: Those that fit, the likeliest first, with how many lines have as many as the most.
        header_rows, skip_rows: Where headings and data seem to begin.
        names: Headings of the columns, or their numbers from 1 where there are none.
        decimal, thousands: What fits most numbers.
        time_places: Columns that seem to hold the time, from 0.
        times: What each declaration that fits would make of the first time.
        long: Columns of names and values where each row seems to be one reading.
    """

    rows: Cells
    encoding: str = ""
    delimiter: str = ""
    delimiters: dict[str, int] = field(default_factory=dict)
    header_rows: int = 0
    skip_rows: int = 0
    names: list[str | int] = field(default_factory=list)
    decimal: str = "."
    thousands: str = ""
    time_columns: list[int] = field(default_factory=list)
    times: list[TimeReading] = field(default_factory=list)
    long: tuple[int, int] | None = None

    @property
    def is_workbook(self) -> bool:
        """True where the rows are those of a sheet."""
        return not self.encoding

    @property
    def data(self) -> Cells:
        """The rows of data."""
        rows = self.rows[self.header_rows + self.skip_rows :]
        return [row for row in rows if any(cell.strip() for cell in row)]

    def column(self, place: int) -> list[str]:
        """Return the cells of one column."""
        return [row[place].strip() for row in self.data if place < len(row)]


def look_at_bytes(head: bytes, where: str, *, is_whole: bool) -> FirstLook:
    """Return what a first look at delimited text shows.

    Args:
        head: The beginning of the file, unpacked.
        where: What to call the log.
        is_whole: That is all there is.

    Raises:
        TrialCaptureError: There is no row of data in it.
    """
    encoding = _encoding_of(head)
    text = head.removeprefix(codecs.BOM_UTF8).decode("utf-8" if encoding == "utf-8-sig" else encoding, "replace")
    lines = re.split(r"\r\n|\n|\r", text)
    if not is_whole and len(lines) > 1:
        lines.pop()
    lines = lines[:_LINES]
    while lines and not lines[-1].strip():
        lines.pop()
    counts = _delimiters_of(lines)
    delimiter = next(iter(counts), ",")
    return _looked(FirstLook([_cells(line, delimiter) for line in lines], encoding, delimiter, counts), where)


def look_at_rows(rows: Cells, where: str) -> FirstLook:
    """Return what a first look at the first rows of a workbook's sheet shows.

    Raises:
        TrialCaptureError: There is no row of data in it.
    """
    width = max((len(row) for row in rows), default=0)
    return _looked(FirstLook([row + [""] * (width - len(row)) for row in rows]), where)


def _looked(look: FirstLook, where: str) -> FirstLook:
    _find_headings(look, where)
    _find_marks(look)
    look.time_columns, look.times = _find_times(look)
    look.long = _find_long(look, look.time_columns)
    return look


def _encoding_of(head: bytes) -> str:
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name
    if head[:4000].count(b"\0") > len(head[:4000]) // 4:
        return "utf-16-le" if head[1:4000:2].count(b"\0") >= head[0:4000:2].count(b"\0") else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True), [""])]
    except csv.Error:
        return [cell.strip() for cell in line.split(delimiter)]


def _delimiters_of(lines: Sequence[str]) -> dict[str, int]:
    """Return the delimiters that give most lines one number of cells, the likeliest first."""
    found: dict[str, tuple[int, int]] = {}
    filled = [line for line in lines if line.strip()]
    for delimiter in _DELIMITERS:
        widths = Counter(len(_cells(line, delimiter)) for line in filled)
        several = {width: count for width, count in widths.items() if width > 1}
        if several:
            width = max(several, key=lambda w: (several[w], w))
            found[delimiter] = (several[width], width)
    ranked = sorted(found, key=lambda d: (-found[d][0], _DELIMITERS.index(d)))
    return {delimiter: found[delimiter][0] for delimiter in ranked}


def _is_datum(cell: str) -> bool:
    return bool(re.match(r"[+-]?[.,]?\d", cell)) and not re.search(r"[A-Za-z]{4}", cell)


def _find_headings(look: FirstLook, name: str) -> None:
    """Find where the data begin, and which row above it names the columns."""
    rows = look.rows
    likely = [n for n, row in enumerate(rows) if _share(row) >= 0.5 and len(row) > 1]
    usual = Counter(len(rows[n]) for n in likely).most_common(1)
    starts = [n for n in likely if not usual or abs(len(rows[n]) - usual[0][0]) <= 1]
    if not starts:
        raise TrialCaptureError(
            "no row of this file looks like data of an engine log",
            seen=shown(" | ".join(rows[0][:6])) if rows else "nothing",
            where=name,
            expected="there must be rows with a time and numbers, one below the other",
        )
    first = starts[0]
    width = len(rows[first])
    above = [n for n in range(first) if sum(bool(cell) for cell in rows[n]) > 1 and len(rows[n]) <= width + 1]
    look.header_rows = 0
    if above:
        heading = above[-1]
        if (
            len(above) > 1
            and above[-2] == heading - 1
            and _is_units(rows[heading])
            and not _is_units(rows[heading - 1])
        ):
            heading -= 1
        look.header_rows, look.skip_rows = heading + 1, first - heading - 1
        labels = rows[heading] + [""] * (width - len(rows[heading]))
        seen: Counter[str] = Counter()
        for n, label in enumerate(labels[:width]):
            seen[label] += 1
            again = f"{label}#{seen[label]}" if labels.count(label) > 1 else label
            look.names.append(again if label else n + 1)
    else:
        look.skip_rows = first
        look.names = list(range(1, width + 1))


def _share(row: Sequence[str]) -> float:
    filled = [cell for cell in row if cell.lower() not in VOID_CELLS]
    return sum(map(_is_datum, filled)) / len(filled) if filled else 0.0


def _is_units(row: Sequence[str]) -> bool:
    filled = [cell.strip("()[]") for cell in row if cell]
    return sum(unit_of(cell) is not None or len(cell) <= 1 for cell in filled) * 2 >= len(filled) > 0


def unit_of(text: str) -> str | None:
    """Return the unit a text names, or None."""
    try:
        return parse_unit(text)
    except TrialCaptureError:
        return None


def _find_marks(look: FirstLook) -> None:
    """Find decimal mark and thousands separator by what fits most numbers."""
    cells = [cell for row in look.data for cell in row if re.fullmatch(r"[+-]?\d[\d.,' \u00a0\u202f\u2019]*", cell)]
    fits: dict[tuple[str, str], int] = {}
    for decimal in ".,":
        for thousands in ("", *(mark for mark in ",. '\u2019" if mark != decimal)):
            read = [parse_number(cell, decimal, thousands or None) for cell in cells]
            fits[decimal, thousands] = sum(abs(value) < float("inf") for value in read)
    look.decimal, look.thousands = max(fits, key=lambda key: fits[key])


def _patterns(lacks: str) -> list[str]:
    if lacks == "day":
        return list(_CLOCKS)
    days = _DAYS if not lacks else _DAYS_OF_YEAR
    return [f"{day}{gap}{clock}" for day in days for gap in (" ", "T", ", ") for clock in _CLOCKS]


def _readings(texts: Sequence[str]) -> list[TimeReading]:
    """Return what each declaration that fits nearly all of some times would make of the first of them."""
    texts = [text for text in texts if text][:_TRIED]
    if not texts:
        return []
    is_number = re.fullmatch(r"-?\d+(?:[.,]\d+)?(?:[eE][+]?\d+)?", texts[0])
    found = _counted_readings(texts) if is_number else list[TimeReading | None]()
    if not is_number:
        found.append(_reading(texts, "iso"))
        for lacks in ("", "year", "day"):
            if not any(found) or lacks == "day":
                found += [r for pattern in _patterns(lacks) for r in _pattern_readings(texts, pattern, lacks)]
        if not any(found) or any(reading and reading.lacks == "day" for reading in found):
            found.append(_reading(texts, "elapsed_hms", "elapsed"))
        if _reading(texts, TIME_OF_DAY) is not None:
            found = [r for r in found if r and r.declared["time_format"] != "%H:%M:%S"]
            found.insert(0, _reading(texts, TIME_OF_DAY, lacks="day"))
    different: dict[tuple[Any, ...], TimeReading] = {}
    for reading in found:
        if reading is None:
            continue
        key = (reading.clock, reading.last, reading.lacks, reading.kind)
        known = different.setdefault(key, reading)
        languages = [r.declared.get("locale", "") for r in (known, reading)]
        if all(languages) and known.declared["time_format"] == reading.declared["time_format"] and known is not reading:
            locale = " or ".join(languages)  # a month may be called the same in several
            different[key] = replace(known, declared={**known.declared, "locale": locale})
    return list(different.values())


def _counted_readings(texts: Sequence[str]) -> list[TimeReading | None]:
    found: list[TimeReading | None] = []
    value = abs(float(texts[0].replace(",", ".")))
    for word, low, high in (("unix_s", 8e8, 4e9), ("unix_ms", 8e11, 4e12), ("unix_us", 8e14, 4e15)):
        found += [_reading(texts, word, "utc")] if low <= value <= high else []
    if 30_000 < value < 80_000:
        found.append(_serial_reading(texts))
    if len(texts[0]) == len("20260514090403"):
        found.append(_reading(texts, "%Y%m%d%H%M%S"))
    if value < 1e8:
        found += [_reading(texts, word, "elapsed") for word in ("elapsed_s", "elapsed_ms", "elapsed_min")]
    return found


def _pattern_readings(texts: Sequence[str], pattern: str, lacks: str) -> list[TimeReading | None]:
    plain = _reading(texts, pattern, lacks=lacks)
    has_words = re.search(r"[^\W\d_]", texts[0]) and re.search("%[bBp]", pattern)
    if plain is not None or not has_words:
        return [plain]
    return [_reading(texts, pattern, lacks=lacks, locale=language) for language in _LANGUAGES]


def _reading(
    texts: Sequence[str], time_format: str, kind: str = "clock", *, lacks: str = "", locale: str | None = None
) -> TimeReading | None:
    parse = stamp_parser(time_format, locale)
    stamps = [parse(text) for text in texts]
    first = stamps[0]
    if first is None or stamps.count(None) > len(texts) // 50:
        return None
    declared = {"time_format": "iso" if time_format == TIME_OF_DAY else time_format}
    declared |= {"locale": locale} if locale else {}
    clock, last = (
        EPOCH + timedelta(microseconds=stamp.clock_ns // 1000)
        for stamp in (first, next(stamp for stamp in reversed(stamps) if stamp is not None))
    )
    return TimeReading(declared, clock, first.offset_ns, kind, lacks, last)


def _serial_reading(texts: Sequence[str]) -> TimeReading | None:
    days = np.array([parse_number(text.replace(",", "."), ".") for text in texts])
    readings = read_serial_days([days], is_time_of_day=False)
    if readings.state[0] or np.count_nonzero(readings.state) > len(texts) // 50:
        return None
    clock = EPOCH + timedelta(microseconds=int(readings.clock_ns[0]) // 1000)
    return TimeReading({"time_format": "spreadsheet"}, clock, None)


def _find_times(look: FirstLook) -> tuple[list[int], list[TimeReading]]:
    """Return the columns that seem to hold the time, and what may be made of them."""
    labels = [str(name).lower() for name in look.names]
    for n in range(len(labels) - 5):
        if "".join(label[:1] for label in labels[n : n + 6]) in _SIX_INITIALS:
            six = list(range(n, n + 6))
            parts = [[parse_number(cell, look.decimal) for cell in look.column(place)] for place in six]
            readings = read_six_columns([np.array(part) for part in parts])
            if readings.state.size and readings.state[0] == 0:
                clock = EPOCH + timedelta(microseconds=int(readings.clock_ns[0]) // 1000)
                return six, [TimeReading({}, clock, None)]
    named = sorted(range(len(labels)), key=lambda n: (not _TIME_WORD.search(labels[n]), n))
    alone = {n: _readings(look.column(n)) for n in named}
    whole = [n for n in named if any(r.lacks == "" and r.kind == "clock" for r in alone[n]) and _moves(look, n)]
    if whole:
        return [whole[0]], alone[whole[0]]
    clocks = [n for n in named if any(r.lacks == "day" for r in alone[n])]
    for of_day in clocks:
        for day in named:
            if day == of_day or not any(look.column(day)):
                continue
            both = [f"{d} {c}" for d, c in zip(look.column(day), look.column(of_day), strict=False) if d and c]
            found = [r for r in _readings(both) if r.lacks != "day" and r.kind == "clock"]
            if found:
                return [day, of_day], found
    for n in [*clocks, *(n for n in named if _TIME_WORD.search(labels[n])), *named[:1]]:
        if alone[n]:
            return [n], alone[n]
    return named[:1], []


def _moves(look: FirstLook, place: int) -> bool:
    """Return True unless a column is all one value, as that of a date alone may be."""
    texts = look.column(place)
    return len(texts) < 3 or len(set(texts)) > 1


def _find_long(look: FirstLook, times: Sequence[int]) -> tuple[int, int] | None:
    """Return the columns of names and values where each row seems to be one reading."""
    others = [n for n in range(len(look.names)) if n not in times]
    words = []
    for n in others:
        texts = [text for text in look.column(n) if text]
        is_words = texts and not any(map(_is_datum, texts))
        if is_words and 1 < len(set(texts)) <= max(len(texts) // 2, 2):
            words.append(n)
    numbers = [n for n in others if n not in words and _share([cell for cell in look.column(n) if cell]) > 0.5]
    return (words[0], numbers[0]) if len(words) == 1 and len(numbers) == 1 else None


_QUANTITY_WORDS = (
    ("fuel_supply_temp", r"supply.*temp"), ("fuel_return_temp", r"return.*temp"), ("fuel_supply", r"supply"),
    ("fuel_return", r"return|leak"),
    ("fuel_total", r"(total|trip|used|consumed).*fuel|fuel.*(total|trip|used|consumed)"),
    ("fuel", r"fuel(?!.*(press|temp|level))|verbrauch|kraftstoff|conso|carbur|gasto|lph|gph"),
    ("coolant", r"cool|ect\b|k(ü|ue)hl|water.*temp|refroid|refrig"),
    ("oil", r"oil.*p|(ö|oe)ldruck|pression.*huile|aceite"),
    ("boost", r"boost|map\b|turbo|manifold|ladedruck"), ("load", r"load|\blast\b|charge\b|carga"), ("trim", r"trim"),
    ("rpm", r"rpm|r/min|1/min|u/min|tr/min|drehzahl|r(é|e)gime|giri|(engine|motor|eng).*speed|/speed|^speed$|\brev"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Draft:
    """A declaration to edit.

    Attributes:
        text: A ``[[engine_log]]`` table in TOML.
        questions: What a person must decide in it.
    """

    text: str
    questions: tuple[str, ...]


def _quantity_of(label: str, unit: str | None) -> str | None:
    kind = dimension(unit) if unit else None
    for quantity, words in _QUANTITY_WORDS:
        if re.search(words, label.replace("_", " "), re.I):
            wanted = dimension(LOG_QUANTITIES[quantity][1])
            if kind in (None, wanted, BY_DENSITY.get(wanted)):
                return quantity
    return None


def _heading_unit(look: FirstLook, place: int, label: str) -> str | None:
    """Return the unit that a heading, or the row of units below it, names."""
    texts = [*_units_in(look, place, label), re.split(r"[_ ]", label)[-1]]
    return next((text for text in texts if unit_of(text)), None)


def _units_in(look: FirstLook, place: int, label: str) -> list[str]:
    texts = re.findall(r"[(\[]([^)\]]+)[)\]]", label)
    if look.skip_rows and look.header_rows:
        below = look.rows[look.header_rows]
        texts += [below[place].strip("()[]")] if place < len(below) and below[place] else []
    return texts


def draft_table(look: FirstLook, name: str, sheet: str | None = None) -> Draft:
    """Return a draft for a log.

    Args:
        look: What a first look at it shows.
        name: Name of the file.
        sheet: Which sheet it is of a workbook of several.
    """
    times, long = look.times, look.long
    columns = [look.names[place] for place in look.time_columns]
    questions: list[str] = []
    lines = ["[[engine_log]]", f"files = {_toml(name)}"]

    def ask(key: str, why: str) -> None:
        lines.append(f'{key} = "?"  # decide: {why}')
        questions.append(f"{key}: {why}")

    if look.is_workbook:
        lines += [f"sheet = {_toml(sheet)}"] if sheet is not None else []
    else:
        lines.append(f"delimiter = {_toml(look.delimiter)}")
        if look.encoding == "cp1252":
            ask("encoding", "the text is not UTF-8; cp1252 in western Europe and America, or what the logger uses")
        elif look.encoding not in ("utf-8", "utf-8-sig"):
            lines.append(f"encoding = {_toml(look.encoding)}")
    lines.append(f"header_rows = {look.header_rows}")
    lines += [f"skip_rows_after_header = {look.skip_rows}"] if look.skip_rows else []
    lines += [f"decimal = {_toml(look.decimal)}"] if look.decimal != "." else []
    lines += [f"thousands = {_toml(look.thousands)}"] if look.thousands else []
    _time_lines(lines, times, ask)
    if long is not None:
        lines += ['form = "long"', f"parameter = {_toml(look.names[long[0]])}", f"value = {_toml(look.names[long[1]])}"]
    lines += ["", "[engine_log.columns]"]
    if len(columns) == 6:
        lines.append(f"time = [{', '.join(map(_toml, columns))}]")
    else:
        lines += [
            f"{key} = {_toml(column)}" for key, column in zip(("date", "time")[-len(columns) :], columns, strict=True)
        ]
    if long is not None:
        wanted: list[tuple[int | None, str | int]] = [
            (None, text) for text in dict.fromkeys(look.column(long[0])) if text
        ]
    else:
        wanted = [(n, label) for n, label in enumerate(look.names) if n not in look.time_columns]
    _column_lines(lines, look, wanted, questions)
    if long is not None:
        lines.append(f"# these are the names in the first {len(look.data)} rows; others may follow")
    return Draft("\n".join(lines) + "\n", tuple(questions))


def _time_lines(lines: list[str], times: Sequence[TimeReading], ask: Callable[[str, str], None]) -> None:
    if not times:
        ask("time_format", "no declaration fits the first time; see the README for what there is")
        return
    if len(times) > 1:
        ask("time_format", " or ".join(f"{_declared(r)} ({reading_text(r)})" for r in times))
    elif times[0].declared:
        for key, value in times[0].declared.items():
            if " or " in value and key == "locale":
                ask(key, f"language of the month names: {value}; the months seen are written alike in these")
            else:
                lines.append(f"{key} = {_toml(value)}")
    lacking = {reading.lacks for reading in times if reading.kind == "clock"}
    if "day" in lacking:
        ask("date", "day of the first row, such as 2026-05-14; the log has times of day only")
    elif "year" in lacking:
        ask("year", "year of the first row, without quotes; the log has none")
    if any(reading.kind == "clock" and reading.offset_ns is None for reading in times):
        ask("timezone", "zone of the logger's clock, such as Europe/Athens or +02:00, or UTC")


def _declared(reading: TimeReading) -> str:
    return ", ".join(f"{key} {_toml(value)}" for key, value in reading.declared.items())


def reading_text(reading: TimeReading) -> str:
    """Return a reading as people write a date and a time."""
    clock = f"{reading.clock:%H:%M:%S}"
    if reading.kind == "elapsed":
        spans = [f"{(clock - EPOCH).total_seconds():g} s" for clock in (reading.clock, reading.last) if clock]
        return f"{' to '.join(spans)} after the log's start in the rows looked at"
    if reading.lacks == "day":
        return clock
    return (
        f"{reading.clock.day} {reading.clock:%b} {clock}"
        if reading.lacks
        else f"{reading.clock.day} {reading.clock:%b %Y} {clock}"
    )


def _column_lines(
    lines: list[str], look: FirstLook, wanted: Sequence[tuple[int | None, str | int]], questions: list[str]
) -> None:
    counts: Counter[str] = Counter()
    others: list[str] = []
    for place, label in wanted:
        unit = None if place is None else _heading_unit(look, place, str(label))
        quantity = _quantity_of(str(label), unit)
        if quantity is None:
            seen = [cell for cell in look.column(place) if cell][:3] if place is not None else []
            first = f"  # first values {', '.join(map(_toml, seen))}" if seen else ""
            others.append(f'# QUANTITY_ENGINE1 = {{ name = {_toml(label)}, unit = "?" }}{first}')
            continue
        counts[quantity] += 1
        key = f"{quantity}_ENGINE{counts[quantity]}"
        named = _units_in(look, place, str(label)) if place is not None else []
        why = [] if unit else [
            f"unit, such as {LOG_QUANTITIES[quantity][1]}" + (f"; the file says {_toml(named[0])}" if named else "")
        ]  # fmt: skip
        lines.append(
            f"{key} = {{ name = {_toml(label)}, unit = {_toml(unit or '?')} }}"
            + "".join(f"  # decide: {w}" for w in why)
        )
        questions += [f"{key}: {w}" for w in why]
    if counts:
        engines = ", ".join(f"ENGINE{n}" for n in range(1, max(counts.values()) + 1))
        at = lines.index("[engine_log.columns]")
        lines.insert(at + 1, f"# decide: write for {engines} the id of an [[engine]] of your settings")
        questions.append(f"{engines}: which engine it is, by its id in your settings")
    if others:
        lines.append("# not recognised; for what is wanted, take the # away. QUANTITY is one of:")
        lines.append("# " + ", ".join(word for word, _ in _QUANTITY_WORDS))
        lines.extend(others)


def _toml(value: str | int) -> str:
    if isinstance(value, int):
        return str(value)
    return (
        '"'
        + "".join(_ESCAPES.get(letter, letter if letter.isprintable() else f"\\u{ord(letter):04x}") for letter in value)
        + '"'
    )


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\t": "\\t", "\n": "\\n"}
