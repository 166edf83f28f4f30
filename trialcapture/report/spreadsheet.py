"""The results as a workbook (.xlsx) that people calculate on: trial sheet, bands, legs, manoeuvres, notes, charts.

Every number is a number, converted once from the stored one and not rounded; its format shows the decimals of the trial
sheet. A value and its ± stand in two columns, and the heading names the unit. Text never becomes a formula or a link:
it is written as text, and `trialcapture.safe_text.spreadsheet_text` keeps a formula from arising where a cell is saved
as CSV later. Equal results give equal bytes: the date in the file is that of the session.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from types import MappingProxyType
from typing import Any, NamedTuple

import pyarrow as pa
import xlsxwriter
from xlsxwriter.utility import xl_range_abs

from trialcapture.archive.note_kinds import KINDS
from trialcapture.archive.notes import DAMAGED, Note, standing
from trialcapture.prepare.steady.segment_review import REVIEW_KINDS
from trialcapture.reduce.combined_bands import session_letter
from trialcapture.reduce.summary import Measured, Summary
from trialcapture.report.band_table import BAND_QUANTITIES, flag_text, quantity_decimals
from trialcapture.report.format import (
    ReaderUnits,
    Scale,
    band_label,
    column_decimals,
    expanded,
    number,
    own_decimals,
    parse_moment,
    rows,
    split_flags,
    words,
)
from trialcapture.report.sheet import Sheet, SheetAnswer
from trialcapture.report.traced import Phrase, Traced, text_of
from trialcapture.safe_text import clean_page, spreadsheet_text

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NO_DATE = datetime(1980, 1, 1)
"""Creation date where the session names none: the first one that a ZIP archive can hold."""
_EXCEL_1970 = 25569.0
"""1970-01-01 in days since 1899-12-30, as a spreadsheet counts (ISO/IEC 29500-1, 18.17.4.1)."""
_SECOND_NS = 1_000_000_000
_LONGEST = 32_000
"""UTF-16 units of a text; a cell holds 32,767 characters (ISO/IEC 29500-1, annex on limits, from memory)."""
_CUT = " … (cut)"
_TIME_FORM = "yyyy-mm-dd hh:mm:ss"
_LINE_POINTS, _MOST_LINES = 15, 27
"""Height of a line of the usual print, and lines of a row at most: 409 points (ISO/IEC 29500-1, from memory)."""
_A4, _LETTER = 9, 1
"""Codes of paper (ISO/IEC 29500-1, 18.3.1.63)."""
_INK, _PETROL, _RUST, _RULE, _TINT = "#14212B", "#004C5A", "#8F3300", "#C9D0D5", "#EFF5F5"


_NO_LABELS: Mapping[str, str] = MappingProxyType({})
"""Of the sessions of a trial: one by itself needs none."""


class _Entry(NamedTuple):
    """What stands in a cell: a number with its format, a text, or nothing."""

    value: float | str | None
    form: str = ""


_NOTHING = _Entry(None)


class _Column(NamedTuple):
    """A column with its heading, its width [characters], and what stands in it."""

    heading: str
    width: float
    entries: Sequence[_Entry]
    wraps: bool = False


@dataclass(frozen=True, slots=True)
class _Page:
    """One sheet of the workbook; the names of columns that stay in view are the first `kept`."""

    name: str
    columns: Sequence[_Column]
    kept: int
    sections: frozenset[int] = frozenset()
    marked: frozenset[int] = frozenset()


def trial_xlsx(
    bands: pa.Table, legs: pa.Table | None, sheet: Sheet, summary: Summary, notes: Sequence[Note], units: ReaderUnits
) -> bytes:
    """Return the results of a trial as a workbook.

    Args:
        bands: One row an RPM band.
        legs: The accepted segments that made each band.
        sheet: The trial sheet.
        summary: The summary.
        notes: Of the session; what people took back and what the recorder wrote is left out.
        units: Of the reader.
    """
    plain = _by_engine_speed(bands)
    pages = [
        _trial_page(sheet, plain, [summary], units), _bands_page(plain, legs, [summary], units), _legs_page(legs, units)
    ]  # fmt: skip
    if summary.measures:
        pages.append(_manoeuvres_page([("", summary.measures)], units))
    pages.append(_notes_page([("", notes)], units))
    return _workbook(pages, plain, sheet, summary, units)


def combined_xlsx(
    bands: pa.Table,
    legs: pa.Table,
    sheet: Sheet,
    summaries: Sequence[Summary],
    notes: Sequence[Sequence[Note]],
    units: ReaderUnits,
) -> bytes:
    """Return the results of a trial of several sessions as a workbook: as `trial_xlsx`, with whose each row is.

    Args:
        bands: Of all sessions.
        legs: Of all sessions.
        sheet: Of the whole, from `trialcapture.report.combined_sheet.build_combined_sheet`.
        summaries: Of the sessions, in their order.
        notes: Of each session.
        units: Of the reader.
    """
    plain = _by_engine_speed(bands)
    labels = {s.session.id: f"{session_letter(n)} {s.session.id}" for n, s in enumerate(summaries)}
    pages = [
        _trial_page(sheet, plain, summaries, units), _bands_page(plain, legs, summaries, units, labels),
        _legs_page(legs, units, labels),
    ]  # fmt: skip
    if any(s.measures for s in summaries):
        pages.append(_manoeuvres_page([(labels[s.session.id], s.measures) for s in summaries], units))
    pages.append(_notes_page(list(zip(labels.values(), notes, strict=True)), units))
    return _workbook(pages, plain, sheet, summaries[0], units)


def _by_engine_speed(bands: pa.Table) -> list[Mapping[str, Any]]:
    return sorted(rows(bands), key=lambda r: (number(r.get("band_rpm")) is None, number(r.get("band_rpm")) or 0.0))


def _workbook(
    pages: Sequence[_Page], plain: Sequence[Mapping[str, Any]], sheet: Sheet, summary: Summary, units: ReaderUnits
) -> bytes:
    """Return pages as a workbook, with the charts below the bands."""
    out = io.BytesIO()
    options = {
        "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }  # fmt: skip
    with xlsxwriter.Workbook(out, options) as book:
        created = parse_moment(summary.session.created)
        book.set_properties({
            "title": "Sea trial", "comments": f"trialcapture {summary.software_version}",
            "created": created.astimezone(UTC).replace(tzinfo=None, microsecond=0) if created else _NO_DATE,
        })  # fmt: skip
        formats = _Formats(book)
        for page in pages:
            made = book.add_worksheet(page.name)
            _write_page(made, page, formats, _LETTER if sheet.paper == "letter" else _A4)
            if page.name == _BANDS:
                _add_charts(book, made, page, plain, units)
    return out.getvalue()


# ------------------------------------------------------------------------------
# Writing.
# ------------------------------------------------------------------------------


class _Formats:
    """The formats of a workbook, each made once."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._made: dict[tuple[tuple[str, Any], ...], Any] = {}

    def of(self, **properties: Any) -> Any:
        """Return the format with these properties."""
        key = tuple(sorted(properties.items()))
        if key not in self._made:
            self._made[key] = self._book.add_format({"valign": "top", "font_color": _INK, **properties})
        return self._made[key]


def _write_page(made: Any, page: _Page, formats: _Formats, paper: int) -> None:
    looks = {"bold": True, "font_color": "#FFFFFF", "bg_color": _PETROL, "text_wrap": True, "valign": "bottom"}
    head, right = formats.of(**looks, align="left", indent=1), formats.of(**looks, align="right")
    for at, column in enumerate(page.columns):
        is_number = any(isinstance(entry.value, float) for entry in column.entries)
        made.set_column(at, at, column.width)
        made.write_string(0, at, column.heading, right if is_number else head)
        for row, entry in enumerate(column.entries, 1):
            look: dict[str, Any] = {"bottom": 4, "bottom_color": _RULE}
            if row - 1 in page.sections:
                look = {"bold": True, "font_color": _PETROL, "bottom": 1, "bottom_color": _PETROL}
            elif row - 1 in page.marked:
                look["bg_color"] = _TINT
            if isinstance(entry.value, str):
                made.write_string(
                    row, at, _cell_text(entry.value), formats.of(text_wrap=column.wraps, align="left", indent=1, **look)
                )
            elif entry.value is None:
                made.write_blank(row, at, None, formats.of(**look))
            else:
                made.write_number(row, at, entry.value, formats.of(num_format=entry.form, **look))
    for row in range(len(page.columns[0].entries) + 1):
        made.set_row(row, _LINE_POINTS * _lines_of(page, row))
    made.freeze_panes(1, page.kept)
    made.repeat_rows(0)
    made.hide_gridlines(2)
    made.set_landscape()
    made.set_paper(paper)
    made.fit_to_pages(1, 0)
    made.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    made.set_footer("&L&A&RPage &P of &N")


def _lines_of(page: _Page, row: int) -> int:
    """Return how many lines the longest text of a row takes: not every program finds that out by itself."""
    if row == 0:
        needs = [_wrapped(c.heading, c.width) for c in page.columns]
    else:
        needs = [_wrapped(str(c.entries[row - 1].value or ""), c.width) for c in page.columns if c.wraps]
    return min(max(needs, default=1), _MOST_LINES)


def _wrapped(text: str, width: float) -> int:
    """Return the lines of a text whose words are wrapped at a width [characters]; letters are narrower than digits."""
    lines, room = 0, max(1, int(1.05 * width) - 2)
    for part in text.splitlines() or [""]:
        lines, used = lines + 1, 0
        for word in part.split(" "):
            if used and used + 1 + len(word) > room:
                lines, used = lines + 1, 0
            used += len(word) + (1 if used else 0)
            lines, used = lines + (used - 1) // room if used else lines, (used - 1) % room + 1 if used else 0
    return lines


def _cell_text(text: str) -> str:
    """Return a text as it may stand in a cell: nothing hidden in it, no formula, and not too long."""
    cleaned = spreadsheet_text(clean_page(text))
    encoded = cleaned.encode("utf-16-le", "replace")
    if len(encoded) <= 2 * _LONGEST:
        return cleaned
    return encoded[: 2 * _LONGEST].decode("utf-16-le", "ignore") + _CUT


def _fixed_form(decimals: int) -> str:
    return f"0.{'0' * decimals}" if decimals else "0"


def _pm_form(decimals: int) -> str:
    """Return the format of a ±: one too small for the decimals is "<0.01", never a zero."""
    least, form = 10.0**-decimals, _fixed_form(decimals)
    return f'[=0]{form};[<{0.5 * least:.{decimals + 1}f}]"<{least:.{decimals}f}";{form}'


def _numbers(values: Iterable[Any], decimals: int) -> list[_Entry]:
    return [_Entry(number(x), _fixed_form(decimals)) for x in values]


def _texts(values: Iterable[Any]) -> list[_Entry]:
    return [_Entry(None if x in (None, "") else str(x)) for x in values]


def _times(values: Iterable[Any]) -> list[_Entry]:
    """Return times [ns since 1970 UTC, or ISO 8601] as a spreadsheet counts them, to the second."""
    made = []
    for value in values:
        t = parse_moment(value)
        days = None if t is None else (t - _EPOCH).total_seconds() // 1 / 86_400.0 + _EXCEL_1970
        made.append(_Entry(days, _TIME_FORM))
    return made


def _measured(values: Iterable[tuple[Any, Any]], scale: Scale, decimals: int, name: str) -> tuple[_Column, _Column]:
    """Return the columns of values and of what is printed behind their ±, in one unit."""
    pairs = list(values)
    known = [(scale.value(x), None if number(x) is None else scale.u(pm)) for x, pm in pairs]
    return (
        _Column(_heading(name, scale.text), 9, [_Entry(x, _fixed_form(decimals)) for x, _ in known]),
        _Column(_heading(f"{name} ±", scale.text), 8, [_Entry(pm, _pm_form(decimals)) for _, pm in known]),
    )


def _heading(name: str, unit: str) -> str:
    return f"{name} [{unit}]" if unit else name


def _in_units(
    name: str, values: Iterable[Any], unit: str, decimals: int, units: ReaderUnits, width: float = 9
) -> list[_Column]:
    """Return a column for the usual unit, and one for that of `also` where it is another."""
    known = list(values)
    return [
        _Column(_heading(name, s.text), width, _numbers(map(s.value, known), s.decimals(decimals)))
        for s in units.beside(unit)
    ]


# ------------------------------------------------------------------------------
# The trial sheet.
# ------------------------------------------------------------------------------

_PROGRAM_UNITS = ("kn", "nm", "L/h", "nm/L", "L/nm", "L", "kg", "m", "°C", "hPa", "kW", "kg/m³")
_OTHER_UNITS = frozenset(("rpm", "s", "dB(A)", "in", "°/s", "°/min"))
_PRINTED_NUMBER = re.compile(r"[-+−]?\d[\d\u202f]*(?:\.\d+)?")


class _Figure(NamedTuple):
    """A number as the sheet prints it, with its ± and its unit."""

    place: str
    value: _Entry
    pm: _Entry
    unit: str


class _Line(NamedTuple):
    """A row of the trial sheet; one without text is the heading of a part."""

    label: str
    said: Phrase | None


def _trial_page(
    sheet: Sheet, plain: Sequence[Mapping[str, Any]], summaries: Sequence[Summary], units: ReaderUnits
) -> _Page:
    lines = _trial_lines(sheet, plain, summaries, units)
    known = _OTHER_UNITS | {s.text for unit in _PROGRAM_UNITS for s in units.scales(unit)}
    known |= {s.text for summary in summaries for found in summary.measures for s in units.scales(found.answer.unit)}
    labels: list[_Entry] = []
    said: list[_Entry] = []
    figures: list[list[_Figure]] = []
    sections = set()
    for line in lines:
        if line.said is None:
            sections.add(len(labels))
        # one row a stored number; the same in other units stands beside it
        found = [list(same) for _, same in groupby(_figures(line.said or (), known), key=lambda f: f.place)] or [[]]
        for n, same in enumerate(found):
            labels.append(_Entry(line.label if n == 0 and line.label else None))
            said.append(_Entry(text_of(line.said) if n == 0 and line.said else None))
            figures.append(same)
    columns = [_Column("Trial", 28, labels, wraps=True), _Column("As on the trial sheet", 72, said, wraps=True)]
    for n in range(max((len(same) for same in figures), default=1) or 1):
        other = f" {n + 1}" if n else ""
        there = [same[n] if n < len(same) else None for same in figures]
        columns += [
            _Column(f"Value{other}", 10, [f.value if f else _NOTHING for f in there]),
            _Column(f"±{other}", 9, [f.pm if f else _NOTHING for f in there]),
            _Column(f"Unit{other}", 10, [_Entry(f.unit) if f else _NOTHING for f in there]),
        ]
    return _Page("Trial", columns, 1, sections=frozenset(sections))


def _trial_lines(
    sheet: Sheet, plain: Sequence[Mapping[str, Any]], summaries: Sequence[Summary], units: ReaderUnits
) -> list[_Line]:
    made = [_Line("Boat", (sheet.boat if sheet.boat.text else "not stated",)), _Line("Trial", sheet.title)]
    made += [_Line("When", sheet.when), _Line("Who", sheet.tested_by)]
    made += [_Line("Answers", None), *_answer_lines(sheet.answers), *_answer_lines(sheet.others)]
    for name, pairs in (("Boat", sheet.particulars), ("Test weight", sheet.weight), ("Conditions", sheet.conditions)):
        made += [_Line(name, None), *(_Line(label, text) for label, text in pairs)]
    made += [_Line("In words", None), *(_Line("", (text_of(text),)) for text in sheet.words)]
    made.append(_Line("What limits this result", None))
    made += [_Line(name, text) for _, name, text in sheet.limits]
    made.append(_Line("Missing", (sheet.missing,)))
    made += [_Line("Plan", sheet.plan)] if sheet.plan else []
    flags = dict.fromkeys(flag for r in plain for flag in split_flags(r.get("flags")))
    if flags:
        made += [_Line("Remarks on bands", None)]
        made += [_Line(words(flag.replace("-", " ")), (flag_text(flag, summaries[0]),)) for flag in flags]
    noted = dict.fromkeys(summary.trial.notes for summary in summaries if summary.trial.notes)
    made += [_Line("Notes of the trial", None), *(_Line("", (text,)) for text in noted)] if noted else []
    made += [_Line("What the figures are", None), _Line("Seal", sheet.seal), *(_Line("", text) for text in sheet.foot)]
    made.append(_Line("", (f"± is the 95 % uncertainty. Times are UTC. {units.definitions()}",)))
    return made


def _answer_lines(answers: Iterable[SheetAnswer]) -> list[_Line]:
    made = []
    for answer in answers:
        texts = [text for text in (answer.figure, *answer.lines) if text]
        made += [_Line("" if n else answer.label, text) for n, text in enumerate(texts)]
    return made


def _figures(said: Phrase, known: Iterable[str]) -> list[_Figure]:
    """Return the numbers of a phrase that have a unit."""
    made: list[_Figure] = []
    for piece in said:
        if not isinstance(piece, Traced):
            continue
        if piece.unit.startswith("±") and made and made[-1].unit == piece.unit[1:] and made[-1].pm.value is None:
            made[-1] = made[-1]._replace(pm=_printed(piece.text.removeprefix("<"), piece.text))
        elif piece.unit in known and _PRINTED_NUMBER.fullmatch(piece.text):
            made.append(_Figure(piece.place, _printed(piece.text, piece.text), _NOTHING, piece.unit))
    return made


def _printed(digits: str, text: str) -> _Entry:
    """Return a printed number with the format that shows it as it was printed."""
    decimals = len(digits.partition(".")[2])
    value = float(digits.replace("−", "-").replace("\u202f", ""))
    return _Entry(value, f'"{text}"' if text.startswith("<") else _fixed_form(decimals))


# ------------------------------------------------------------------------------
# Bands and their charts.
# ------------------------------------------------------------------------------

_RPM_MEAN, _BANDS = "Rpm mean", "Bands"


def _bands_page(
    plain: Sequence[Mapping[str, Any]],
    legs: pa.Table | None,
    summaries: Sequence[Summary],
    units: ReaderUnits,
    labels: Mapping[str, str] = _NO_LABELS,
) -> _Page:
    trims: dict[tuple[str, str], dict[str, None]] = {}
    for leg in rows(legs):
        if leg.get("trim"):
            key = str(leg.get("session_id")) if labels else "", str(leg.get("band_name"))
            trims.setdefault(key, {})[str(leg["trim"])] = None
    own = [_own_names(r, labels) for r in plain]

    def of(name: str) -> list[Any]:
        return [r.get(name) for r in plain]

    columns = [
        _Column("Band", 14, _texts(map(_band_name, plain))),
        *_whose(labels, of("session_id")),
        _Column("Rpm", 8, _numbers(of("band_rpm"), 0)),
        _Column(_RPM_MEAN, 8, _numbers(of("rpm_mean"), 0)),
    ]
    for q in BAND_QUANTITIES:
        pairs = [(r.get(q.value), expanded(r.get(q.u), r.get(q.k))) for r in plain]
        for scale in units.scales(q.unit):
            columns += _measured(pairs, scale, quantity_decimals(q, scale, plain), q.heading)
    economies = map(number, of("economy_nm_per_l"))
    columns += _in_units("Consumption", [1 / x if x else None for x in economies], "L/nm", 2, units, 13)
    columns += [_Column("Legs", 6, _numbers(of("legs"), 0)), _Column("Ways", 6, _numbers(of("ways"), 0))]
    columns += _in_units("Current", of("current_kn"), "kn", 2, units)
    columns.append(_Column("Current towards [°]", 9, _numbers(of("current_towards_deg"), 0)))
    columns += _in_units("Speed by log", of("stw_kn"), "kn", 2, units)
    columns.append(_Column("Slip [%]", 8, _numbers(of("slip_pct"), 1)))
    slip_pm = [None if number(r.get("slip_pct")) is None else expanded(r.get("slip_u_pct")) for r in plain]
    columns.append(_Column("Slip ± [%]", 8, [_Entry(pm, _pm_form(1)) for pm in slip_pm]))
    columns.append(_Column("Depth Froude number", 9, _numbers(of("depth_froude_max"), 2)))
    levels = [_level(names, summaries, labels) for names in own]
    trim = ["; ".join(dict.fromkeys(text for name in names for text in trims.get(name, ()))) for names in own]
    columns += [
        _Column("Sound [dB(A)]", 8, _numbers(levels, 0)),
        _Column("Trim", 14, _texts(trim), True),
        _Column("Remarks", 30, _texts("; ".join(words(f.replace("-", " ")) for f in _flags(r)) for r in plain), True),
    ]
    first = summaries[0]
    answers = () if labels else (first.top_speed, first.economy_planing, first.economy_displacement)
    names = {found.band_name for found in answers if found is not None}
    marked = frozenset(n for n, r in enumerate(plain) if r.get("band_name") in names)
    return _Page(_BANDS, columns, 1, marked=marked)


def _own_names(r: Mapping[str, Any], labels: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what a row is called in each of its sessions; of one session alone without it."""
    if not labels:
        return [("", str(r.get("band_name")))]
    return [(name, str(r.get("band_name")).split(", ")[0]) for name in str(r.get("session_id")).split("; ")]


def _whose(labels: Mapping[str, str], ids: Iterable[Any]) -> list[_Column]:
    """Return the column of the sessions of rows; nothing for a trial of one."""
    if not labels:
        return []
    return _label_column(["; ".join(labels.get(name, name) for name in str(x).split("; ")) for x in ids])


def _level(names: Sequence[tuple[str, str]], summaries: Sequence[Summary], labels: Mapping[str, str]) -> float | None:
    """Return the sound level of a row, as on the trial sheet: of several places the one noted first."""
    for summary in summaries:
        for s in summary.sound:
            is_first_place = (s.place, s.doors) == (summary.sound[0].place, summary.sound[0].doors)
            if s.band_name and is_first_place and (summary.session.id if labels else "", s.band_name) in names:
                return s.level_db
    return None


def _band_name(r: Mapping[str, Any]) -> str:
    return str(r.get("band_name") or band_label(r))


def _flags(r: Mapping[str, Any]) -> list[str]:
    return split_flags(r.get("flags"))


def _add_charts(book: Any, made: Any, page: _Page, plain: Sequence[Mapping[str, Any]], units: ReaderUnits) -> None:
    """Draw speed and economy, and fuel flow, over the engine speed, below the table; nothing where that is unknown."""
    headings = [column.heading for column in page.columns]
    rpm = headings.index(_RPM_MEAN)
    known = [n for n, r in enumerate(plain) if number(r.get("rpm_mean")) is not None]
    if not known:
        return
    first, last = known[0] + 1, known[-1] + 1

    def curve(name: str, unit: str, colour: str, **more: Any) -> dict[str, Any] | None:
        at = headings.index(_heading(name, units.scale(unit).text))
        if all(entry.value is None for entry in page.columns[at].entries):
            return None
        spread = f"={page.name}!{xl_range_abs(first, at + 1, last, at + 1)}"
        return {
            "name": [page.name, 0, at], "categories": [page.name, first, rpm, last, rpm],
            "values": [page.name, first, at, last, at], "line": {"color": colour, "width": 1.75},
            "marker": {"type": "circle", "size": 6, "fill": {"color": colour}, "border": {"color": colour}},
            "y_error_bars": {
                "type": "custom", "plus_values": spread, "minus_values": spread,
                "line": {"color": colour, "width": 0.75},
            }, **more,
        }  # fmt: skip

    speed, economy, fuel = (
        curve("Speed", "kn", _PETROL),
        curve("Economy", "nm/L", _RUST, y2_axis=True),
        curve("Fuel flow", "L/h", _PETROL),
    )
    drawn = [
        ("Speed and economy over engine speed" if economy else "Speed over engine speed", [speed, economy]),
        ("Fuel flow over engine speed", [fuel]),
    ]
    axis = {"name": "Engine speed [rpm]", "major_gridlines": {"visible": False}, "num_format": "0"}
    place = 0
    for title, curves in drawn:
        there = [c for c in curves if c is not None]
        if not there:
            continue
        chart = book.add_chart({"type": "scatter", "subtype": "straight_with_markers"})
        for c in there:
            chart.add_series(c)
            side = chart.set_y2_axis if c.get("y2_axis") else chart.set_y_axis
            name, grid = headings[c["name"][2]], {"visible": not c.get("y2_axis"), "line": {"color": _RULE}}
            side({"name": name, "num_format": "General", "min": 0, "major_gridlines": grid})
        chart.set_title({"name": title, "name_font": {"size": 12, "color": _INK}, "overlay": False})
        chart.set_x_axis(axis)
        chart.set_legend({"position": "bottom"} if len(there) > 1 else {"none": True})
        chart.set_size({"width": _CHART_WIDTH, "height": 380})
        options = {"x_offset": place * (_CHART_WIDTH + 20), "y_offset": 5, "description": title}
        made.insert_chart(len(plain) + 2, 0, chart, options)
        place += 1


_CHART_WIDTH = 640


# ------------------------------------------------------------------------------
# Legs, manoeuvres, notes.
# ------------------------------------------------------------------------------


def _legs_page(legs: pa.Table | None, units: ReaderUnits, labels: Mapping[str, str] = _NO_LABELS) -> _Page:
    plain = sorted(rows(legs), key=lambda r: r.get("start") or 0)

    def of(name: str) -> list[Any]:
        return [r.get(name) for r in plain]

    # as in the evidence report: one number of decimals for what lies over ground and through water
    decimals = column_decimals([expanded(r.get("sog_u_kn")) for r in plain], usual=2, most=2)
    columns = [
        _Column("Leg", 6, _numbers(of("segment_id"), 0)),
        *_whose(labels, of("session_id")),
        _Column("Band", 15, _texts(map(_band_name, plain))),
        _Column("Start [UTC]", 19, _times(of("start"))),
        _Column("Stop [UTC]", 19, _times(of("stop"))),
        _Column("Held [s]", 8, _numbers(of("duration_s"), 0)),
        _Column("Run", 6, _numbers(of("run"), 0)),
        _Column("Way", 6, _numbers(of("way"), 0)),
        _Column("Heading, true [°]", 9, _numbers(of("heading_true_deg_mean"), 0)),
        _Column("Course, true [°]", 9, _numbers(of("cog_true_deg_mean"), 0)),
        _Column("Rpm", 8, _numbers(of("rpm_mean"), 0)),
    ]
    over_ground = [(r.get("sog_kn_mean"), expanded(r.get("sog_u_kn"))) for r in plain]
    for scale in units.beside("kn"):
        columns += _measured(over_ground, scale, scale.decimals(decimals), "Speed over ground")
    for name, column, unit, places in (
        ("Through water, current removed", "through_water_kn", "kn", decimals),
        ("Current along", "current_along_kn", "kn", 2),
        ("Residual", "residual_kn", "kn", 2),
        ("Fuel flow", "fuel_l_per_h_mean", "L/h", 1),
        ("Least depth", "depth_m_min", "m", 1),
        ("Wind, true", "wind_speed_true_kn_mean", "kn", 1),
    ):
        columns += _in_units(name, of(column), unit, places, units)
    columns.append(_Column("Wind from, true [°]", 9, _numbers(of("wind_from_true_deg_mean"), 0)))
    columns += _in_units("Water", of("water_temp_c_mean"), "°C", 1, units, 8)
    columns.append(_Column("Trim", 14, _texts(of("trim")), True))
    columns.append(_Column("Read by hand", 14, _texts(of("read_by_hand")), True))
    return _Page("Legs", columns, 3 if labels else 2)


class _Result(NamedTuple):
    """A row of the manoeuvres: a result by itself, or one manoeuvre behind it."""

    told: tuple[str, str, str, str, str, str]
    start: str | None
    value: float | None
    half_width: float | None
    unit: str
    decimals: Callable[[Scale], int]


def _manoeuvres_page(measured: Sequence[tuple[str, Sequence[Measured]]], units: ReaderUnits) -> _Page:
    """Return the manoeuvres, of each session with its label; "" for the one of a trial of one."""
    each = [(label, result) for label, measures in measured for measure in measures for result in _results(measure)]
    found = [result for _, result in each]
    texts = list(zip(*(r.told for r in found), strict=True))
    result, kind, direction, ends, holds, reason = (_texts(column) for column in texts)
    columns = [
        _Column("Result", 26, result, True), _Column("What", 22, kind, True),
        _Column("Start [UTC]", 19, _times(r.start for r in found)), _Column("Direction", 10, direction),
        _Column("From, to", 18, ends, True),
    ]  # fmt: skip
    scales = [units.scales(r.unit) for r in found]
    for n in range(max(map(len, scales))):
        other = f" {n + 1}" if n else ""
        values, pms, names = [], [], []
        for r, own in zip(found, scales, strict=True):
            scale = own[n] if n < len(own) and r.value is not None else None
            decimals = r.decimals(scale) if scale else 0
            values.append(_Entry(scale.value(r.value) if scale else None, _fixed_form(decimals)))
            pms.append(_Entry(scale.u(r.half_width) if scale else None, _pm_form(decimals)))
            names.append(_Entry(scale.text if scale else None))
        columns += [_Column(f"Value{other}", 10, values), _Column(f"±{other}", 9, pms)]
        columns.append(_Column(f"Unit{other}", 8, names))
    columns[1:1] = _label_column([label for label, _ in each])
    columns += [_Column("Holds for", 36, holds, True), _Column("Not claimed because", 36, reason, True)]
    first = frozenset(n for n, r in enumerate(found) if r.start is None)
    return _Page("Manoeuvres", columns, 1, marked=first)


def _label_column(labels: Sequence[str]) -> list[_Column]:
    """Return the column of the sessions of rows by their labels; nothing where these are empty."""
    return [_Column("Session", 22, _texts(labels), True)] if any(labels) else []


def _results(measure: Measured) -> list[_Result]:
    line = measure.answer
    half_width = expanded(line.u, line.coverage_factor)
    claimed = measure.claimed and line.value is not None
    why = "" if claimed else measure.reason or "; ".join(line.notes)
    told = (line.label, "result", "", "", "; ".join(line.notes) if claimed else "", why)
    value = line.value if claimed else None
    made = [_Result(told, None, value, half_width, line.unit, own_decimals(half_width, 1, 2))]
    for m in measure.manoeuvres:
        course = number(m.direction_deg)
        direction = m.direction or ("" if course is None else f"{round(course) % 360:03d}")
        ends = " to ".join(end for end in (m.from_, m.to) if end)
        told = (line.label, words(m.kind), direction, ends, m.conditions, "" if m.claimed else m.reason)
        half_width = expanded(m.u)
        value = m.value if m.claimed else None
        made.append(_Result(told, m.start, value, half_width, m.unit, own_decimals(half_width, 1)))
    return made


_FIELD_UNITS = {
    "_c": "°C", "_hpa": "hPa", "_kn": "kn", "_m": "m", "_db": "dB(A)", "_deg": "°", "litres": "L", "seconds": "s",
    "_s": "s",
}  # fmt: skip
"""Unit of a field of a note by the end of its name."""
_MOST_NOTES = 10_000
"""More than anybody notes on a trial (our choice); a workbook with millions takes minutes to write and to open."""
_OWN_COLUMN = ("where", "reason")


def _notes_page(noted_in: Sequence[tuple[str, Sequence[Note]]], units: ReaderUnits) -> _Page:
    entered = {*KINDS, *REVIEW_KINDS, DAMAGED}
    kept: list[Note] = []
    labels: list[str] = []
    for label, notes in noted_in:
        every = [note for note in standing(notes) if note.kind in entered]
        kept += every[:_MOST_NOTES]
        if len(every) > _MOST_NOTES:
            more = f"{len(every) - _MOST_NOTES} more notes stand in the session"
            kept.append(Note(0, 0, "…", more, "", "", {}))
        labels += [label] * (len(kept) - len(labels))
    numbers, names, noted = [], [], []
    for note in kept:
        x = number(note.value)
        scale = _scale_of(note.unit, units) if x is not None else None
        decimals = _decimals_of(note.value)
        if scale is None:
            numbers.append(_Entry(x, _fixed_form(decimals)))
            names.append(note.unit if x is not None else "")
        else:
            numbers.append(_Entry(scale.value(x), _fixed_form(scale.decimals(decimals))))
            names.append(scale.text)
        noted.append("" if note.value is None else f"{_plain(note.value)} {note.unit}".strip())
    columns = [
        _Column("Time [UTC]", 19, _times(note.t_ns or None for note in kept)),
        *_label_column(labels),
        _Column("Kind", 12, _texts(note.kind for note in kept)),
        _Column("As noted", 44, _texts(noted), True),
        _Column("Value", 10, numbers), _Column("Unit", 9, _texts(names)),
        _Column("Where", 16, _texts(_plain(note.more.get("where")) for note in kept), True),
        _Column("Reason", 30, _texts(_plain(note.more.get("reason")) for note in kept), True),
        _Column("More", 36, _texts(_more(note, units) for note in kept), True),
        _Column("By", 16, _texts(note.by for note in kept), True),
    ]  # fmt: skip
    return _Page("Notes", columns, 2)


def _more(note: Note, units: ReaderUnits) -> str:
    """Return the other fields of a note: "doors closed; seconds 30 s"."""
    said = []
    for name, value in note.more.items():
        if name in _OWN_COLUMN or value is None:
            continue
        ending = max((e for e in _FIELD_UNITS if name.endswith(e)), key=len, default="")
        label = words(name.removesuffix(ending) if ending.startswith("_") else name)
        x = number(value)
        unit = _FIELD_UNITS.get(ending, "")
        said.append(f"{label} {units.say(x, unit, _decimals_of(value)) if unit and x is not None else _plain(value)}")
    return "; ".join(said)


def _plain(value: Any) -> str:
    """Return a value of a note as text: whole numbers without a point."""
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _decimals_of(value: Any) -> int:
    return len(_plain(value).partition(".")[2]) if number(value) is not None and "e" not in _plain(value) else 0


def _scale_of(unit: str, units: ReaderUnits) -> Scale | None:
    """Return the reader's unit for one that somebody wrote; None where it is none that is converted."""
    own = next((name for name in _PROGRAM_UNITS if name.lower() == unit.strip().lower()), None)
    return None if own is None else units.scale(own)
