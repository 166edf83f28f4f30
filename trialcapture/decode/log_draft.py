"""A draft of an engine log's declaration, for a person to edit.

What only a person can know stands as ``"?"`` in it, which no settings accept.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from trialcapture.config import BY_DENSITY, LOG_QUANTITIES
from trialcapture.decode.log_first_look import EPOCH, FirstLook, TimeReading, unit_of
from trialcapture.units import dimension

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
    texts = [*_said_units(look, place, label), re.split(r"[_ ]", label)[-1]]
    return next((text for text in texts if unit_of(text)), None)


def _said_units(look: FirstLook, place: int, label: str) -> list[str]:
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
    columns = [look.names[place] for place in look.time_places]
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
        wanted = [(n, label) for n, label in enumerate(look.names) if n not in look.time_places]
    _column_lines(lines, look, wanted, questions)
    if long is not None:
        lines.append(f"# these are the names in the first {len(look.data)} rows; others may follow")
    return Draft("\n".join(lines) + "\n", tuple(questions))


def _time_lines(lines: list[str], times: Sequence[TimeReading], ask: Callable[[str, str], None]) -> None:
    if not times:
        ask("time_format", "no declaration fits the first time; see the README for what there is")
        return
    if len(times) > 1:
        ask("time_format", " or ".join(f"{_declared(r)} ({said(r)})" for r in times))
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


def said(reading: TimeReading) -> str:
    """Return what a reading says, as people write a date and a time."""
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
        named = _said_units(look, place, str(label)) if place is not None else []
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
