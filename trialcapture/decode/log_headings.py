"""Where the wanted columns of an engine log stand, by their headings."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from trialcapture.errors import TrialCaptureError

_NTH = re.compile(r"(.*)#([1-9]\d?)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How rows are laid out under one row of headings.

    Attributes:
        places: Place of each wanted cell in a row, from 0.
        width: How many cells a row has.
        last: Which wanted heading stands at the end of a row, or "".
    """

    places: tuple[int, ...]
    width: int
    last: str


def parse_cells(line: str, delimiter: str) -> list[str] | None:
    """Return the cells of one row; None where its quotes do not close.

    A row is one line: no engine log needs a line end inside a cell, and so a stray quote costs one row only.
    """
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error:
        return None


def column_name(wanted: str | int) -> str:
    """Return what to call a column that was declared by its heading or its number."""
    return f"column {wanted}" if isinstance(wanted, int) else wanted


def find_layout(line: str, wanted: Sequence[str | int], delimiter: str, where: str) -> Layout:
    """Find the wanted columns by a row of headings, or, where all are numbers, by a row of data.

    Raises:
        TrialCaptureError: A heading is missing, or not the only one of its name; or there are fewer columns.
    """
    headings = [heading.strip() for heading in parse_cells(line, delimiter) or [line]]
    while len(headings) > 1 and not headings[-1] and not has_numbers_only(wanted):
        headings.pop()
    places = tuple(_place(name, headings, delimiter, where) for name in wanted)
    last = column_name(wanted[places.index(len(headings) - 1)]) if len(headings) - 1 in places else ""
    return Layout(places, len(headings), last)


def has_numbers_only(wanted: Sequence[str | int]) -> bool:
    """Return True where no column is declared by its heading."""
    return not any(isinstance(name, str) for name in wanted)


def _place(name: str | int, headings: list[str], delimiter: str, where: str) -> int:
    if isinstance(name, int):
        if name <= len(headings):
            return name - 1
        raise TrialCaptureError(
            f"there is no column {name}",
            seen=f"{len(headings)} columns: " + ", ".join(repr(shown(heading)) for heading in headings[:40]),
            where=where,
            expected=_delimiter_hint(headings, delimiter) or "give the number of a column, counted from 1 at the left",
        )
    places = [index for index, heading in enumerate(headings) if heading == name]
    if not places and (nth := _NTH.fullmatch(name)):
        places = [index for index, heading in enumerate(headings) if heading == nth[1]][int(nth[2]) - 1 :][:1]
    if len(places) == 1:
        return places[0]
    if places:
        at = ", ".join(str(place + 1) for place in places)
        raise TrialCaptureError(
            f"the heading {name!r} stands more than once",
            seen=f"columns {at}",
            where=where,
            expected=f"name the one that is meant by '{name}#1', '{name}#2' …, counted from the left",
        )
    raise TrialCaptureError(
        f"there is no column headed {name!r}",
        seen="the headings " + ", ".join(repr(shown(heading)) for heading in headings[:40]),
        where=where,
        expected=_heading_hint(name, headings, delimiter),
    )


def _heading_hint(name: str, headings: list[str], delimiter: str) -> str:
    line = "".join(headings)
    if "\0" in line:
        return "the file has zero bytes: if it is UTF-16 text, declare encoding = 'utf-16-le'"
    if line.lower().startswith("sep="):
        return "the headings stand one row below: declare header_rows = 2"
    if hint := _delimiter_hint(headings, delimiter):
        return hint
    if any("\ud800" <= letter <= "\udfff" or letter == "\ufffd" for letter in line):
        return "the headings are in another encoding: declare encoding = 'cp1252' or what the logger uses"
    as_written = {heading.lower(): heading for heading in headings}
    near = get_close_matches(name.lower(), as_written, 1)
    if near:
        return f"did you mean {as_written[near[0]]!r}? Headings must be written as they stand, capitals too"
    return "give a heading as it stands, or the number of the row they stand in as header_rows"


def _delimiter_hint(headings: list[str], delimiter: str) -> str:
    if len(headings) > 1:
        return ""
    counts = {other: headings[0].count(other) for other in ",;\t|" if other != delimiter}
    other, count = max(counts.items(), key=lambda item: item[1])
    return f"the row has {count} of {other!r} and no {delimiter!r}: declare delimiter = {other!r}" if count else ""


def shown(text: str) -> str:
    """Return a text fit for a message: short, and without what a terminal cannot print."""
    plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in text)
    return plain if len(plain) <= 40 else f"{plain[:39]}…"
