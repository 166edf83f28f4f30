"""Engine-log text to the cells that are wanted, row by row; what is no whole row is a reject."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from operator import itemgetter
from typing import Any

from trialcapture.errors import TrialCaptureError

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NTH = re.compile(r"(.*)#([1-9]\d?)")


@dataclass(frozen=True, slots=True)
class Reject:
    """Something in a log that could not be used.

    Attributes:
        row: 0-based line in the file.
        reason: A short word.
        text: What stood there.
        column: Heading of the cell, "" where the whole row is rejected.
    """

    row: int
    reason: str
    text: str
    column: str = ""


@dataclass(slots=True)
class LogRows:
    """The wanted cells of a log.

    Attributes:
        rows: 0-based line of each row.
        cells: For each row, the wanted cells in the order of the headings asked for.
        rejects: Rows that are not in `rows`, and headings that are repeated.
        first_row: 0-based line of the first row of data, whole or not.
        unsure_column: Heading of the cell at the end of a file without a last line end: it may be cut; or "".
    """

    rows: list[int] = field(default_factory=list)
    cells: list[tuple[str, ...]] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    first_row: int | None = None
    unsure_column: str = ""


def decode_log_text(data: bytes, encoding: str) -> str:
    """Return the text of a log: a byte order mark, where there is one, says more than what was declared.

    Bytes that are no text in that encoding are kept as lone surrogates (or U+FFFD in UTF-16), so that they
    spoil the cell they stand in and no other.
    """
    for mark, marked in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            encoding = marked
            break
    canonical = codecs.lookup(encoding).name
    return data.decode(encoding, "replace" if canonical.startswith(("utf-16", "utf-32")) else "surrogateescape")


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


def split_log_rows(
    text: str,
    wanted: Sequence[str],
    *,
    delimiter: str,
    header_rows: int,
    skip_rows_after_header: int,
    where: str,
) -> LogRows:
    """Cut a log into rows and pick the wanted columns by their headings.

    Args:
        text: The log.
        wanted: Headings in the order the cells are wanted; the first is the time's.
        delimiter: Between cells.
        header_rows: Rows up to and including the headings.
        skip_rows_after_header: Rows between the headings and the data.
        where: What to call the log in messages.

    Raises:
        TrialCaptureError: A heading is missing or not the only one of its name, or there is no row of data.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    is_terminated = lines[-1] == ""
    if is_terminated:
        lines.pop()
    start = header_rows + skip_rows_after_header
    if len(lines) <= start:
        raise TrialCaptureError(
            "this engine log has no row of data",
            seen=f"{len(lines)} row" + ("s" if len(lines) != 1 else ""),
            where=where,
            expected=f"there must be rows after row {start}, by header_rows and skip_rows_after_header",
        )
    pick, width, last = _find_columns(lines[header_rows - 1], wanted, delimiter, f"{where}, row {header_rows}")
    preamble = {line.strip() for line in lines[:start] if line.strip()}
    found = LogRows()
    for number in range(start, len(lines)):
        line = lines[number]
        if not line.strip() or not line.strip(f"{delimiter} \t"):
            continue
        if line.strip() in preamble:
            found.rejects.append(Reject(number, "repeated heading", line))
            continue
        is_torn = number == len(lines) - 1 and not is_terminated
        cells = parse_cells(line, delimiter)
        if cells and wanted[0] in line and wanted[0] in map(str.strip, cells) and not is_torn:
            pick, width, last = _find_columns(line, wanted, delimiter, f"{where}, row {number + 1}")
            found.rejects.append(Reject(number, "repeated heading", line))
            continue
        fault = _row_fault(line, cells, width)
        if found.first_row is None and not (fault and is_torn):
            found.first_row = number
        if fault or cells is None:
            found.rejects.append(Reject(number, "truncated" if is_torn else fault, line))
            continue
        found.rows.append(number)
        found.cells.append(tuple(map(str.strip, pick(cells))))
        if is_torn and len(cells) == width and not line.endswith('"'):
            found.unsure_column = last
    return found


def _row_fault(line: str, cells: list[str] | None, width: int) -> str:
    if "\0" in line:
        return "control bytes"
    if cells is None:
        return "quotes"
    is_whole = len(cells) == width or (len(cells) > width and not "".join(cells[width:]).strip())
    return "" if is_whole else "field count"


def _find_columns(
    line: str, wanted: Sequence[str], delimiter: str, where: str
) -> tuple[Callable[[list[str]], tuple[str, ...]], int, str]:
    """Return what picks the wanted cells, how many cells a row has, and the wanted heading at its end."""
    headings = [heading.strip() for heading in parse_cells(line, delimiter) or [line]]
    while len(headings) > 1 and not headings[-1]:
        headings.pop()
    places = [_place(name, headings, delimiter, where) for name in wanted]
    last = wanted[places.index(len(headings) - 1)] if len(headings) - 1 in places else ""
    pick: Any = itemgetter(*places)  # two at least, time and a channel, and so it gives a tuple
    return pick, len(headings), last


def _place(name: str, headings: list[str], delimiter: str, where: str) -> int:
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
    if len(headings) == 1:
        counts = {other: line.count(other) for other in ",;\t|" if other != delimiter}
        other, count = max(counts.items(), key=lambda item: item[1])
        if count:
            return f"the row has {count} of {other!r} and no {delimiter!r}: declare delimiter = {other!r}"
    if any("\ud800" <= letter <= "\udfff" or letter == "\ufffd" for letter in line):
        return "the headings are in another encoding: declare encoding = 'cp1252' or what the logger uses"
    as_written = {heading.lower(): heading for heading in headings}
    near = get_close_matches(name.lower(), as_written, 1)
    if near:
        return f"did you mean {as_written[near[0]]!r}? Headings must be written as they stand, capitals too"
    return "give a heading as it stands, or the number of the row they stand in as header_rows"


def shown(text: str) -> str:
    """Return a text fit for a message: short, and without what a terminal cannot print."""
    plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in text)
    return plain if len(plain) <= 40 else f"{plain[:39]}…"
