"""The band table, and every stretch with its verdict, for a screen of 40 columns or more, complete without colour."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from textwrap import wrap
from typing import Any, NamedTuple

import pyarrow as pa
from rich.box import Box
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from trialcapture.archive.seal import short_root
from trialcapture.prepare.data_health import DataHealth
from trialcapture.reduce.summary import Severity, Summary
from trialcapture.report.answers import (
    Answer,
    also_found,
    answers,
    calibration_statement,
    other_result,
    reserve_statement,
)
from trialcapture.report.band_table import BandTable, band_table, coverage_statement, review_line
from trialcapture.report.format import (
    DASH,
    METRIC,
    NARROW_SPACE,
    ReaderUnits,
    clock,
    degrees,
    duration,
    fixed,
    number,
    plural,
    rows,
    without_keys,
    words,
)
from trialcapture.report.limits import WarningLine, seal_line, warning_lines
from trialcapture.safe_text import clean_text

_SCREEN, _NARROW = 80, 62
"""Columns a table takes at most, and below which labels stand above what they belong to (our choice)."""
_MOST_CHANGES = 8
# plain hyphens, so that a terminal without line-drawing characters shows the same table
RULED = Box("    \n    \n -- \n    \n    \n -- \n    \n    \n", ascii=True)
_SEVERITY: dict[Severity, tuple[str, str]] = {
    "red": ("SERIOUS", "bold red"),
    "yellow": ("CAUTION", "yellow"),
    "info": ("NOTE", ""),
}


class _Fitted:
    """What is laid out when the width of the screen is known."""

    def __init__(self, make: Callable[[int], RenderableType]) -> None:
        self._make = make

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield self._make(options.max_width)


def bands_view(bands: pa.Table, summary: Summary, units: ReaderUnits = METRIC) -> RenderableType:
    """Return the RPM-band table with reserve, answers and warnings, readable from 40 columns on without colour.

    Where the screen is too narrow for a row, the columns stand in several tables below each other; no figure is cut.

    Args:
        bands: One row an RPM band; uncertainties are k = 1 and printed k = 2.
        summary: The summary.
        units: What the reader asked for.
    """
    return _Fitted(lambda width: _bands_at(width, bands, summary, units))


def _bands_at(width: int, bands: pa.Table, summary: Summary, units: ReaderUnits) -> RenderableType:
    table = band_table(bands, summary, units)
    parts: list[RenderableType] = []
    if summary.seal.state == "changed":
        parts += [Text(line, style="bold red") for line in _changed_lines(summary)]
        parts.append(Text(""))
    if table.rows:
        parts += [*_tables(table, units, min(width, _SCREEN)), *_below(table, bands, summary, units)]
    else:
        parts.append(Text("No RPM band: no steady stretch was accepted.", style="bold"))
        parts += [Text(plain_text(line)) for line in why_no_band(summary)]
    reviewed = review_line(summary)
    if reviewed:
        parts.append(hanging("Reviewed:", f"{reviewed}; the automatic result stands beside it in the report."))
    parts += [Text(""), *_answers(bands, summary, units, width < _NARROW)]
    parts += [Text(""), hanging("Data:", health_line(summary.data_health))]
    parts.append(hanging("Seal:", plain_text(seal_line(summary))))
    root = summary.seal.root or summary.seal.root_of_files
    parts.append(Text(f"Root: {short_root(root)}{'' if summary.seal.root else ' (of what is there now)'}"))
    parts.append(Text(f"      {root}"))
    warnings = warning_lines(summary, units)
    if warnings:
        parts += [Text(""), Text(f"Warnings ({len(warnings)})", style="bold")]
        parts += [_warning(w) for w in warnings]
    return Group(*parts)


def _changed_lines(summary: Summary) -> list[str]:
    changes = summary.seal.changes
    lines = ["THE DATA OF THIS SESSION WAS CHANGED SINCE IT WAS SEALED:"]
    for change in changes[:_MOST_CHANGES]:
        lines += wrap(f"- {plain_text(change.path)}: {plain_text(change.text)}", _SCREEN, subsequent_indent="  ")
    if len(changes) > _MOST_CHANGES:
        lines.append(f"- and {len(changes) - _MOST_CHANGES} more; 'trialcapture verify' names them all")
    return [*lines, "The figures below rest on the changed data."]


def why_no_band(summary: Summary) -> list[str]:
    """Return why every stretch was refused: how many by which limit, and the longest that came near."""
    tally, longest = summary.dropped.segments, summary.dropped.longest_segment
    if not tally:
        return ["Nothing looked like a run: engines, course and speed were never held together."]
    ranked = sorted(tally.items(), key=lambda item: (-item[1], item[0]))
    lines = [f"Refused: {', '.join(f'{count} {words(reason)}' for reason, count in ranked)}."]
    if longest is not None:
        length, when = f"{longest.duration_s:.0f} s", longest.start[11:19]
        lines.append(f"The longest that may have been a run: {length} from {when} UTC, {without_keys(longest.reason)}.")
    return lines


def health_line(health: DataHealth) -> str:
    """Return "2 holes (190 s), 1 step of a clock; 214 sentences or fields not used. All are listed in the report."."""
    counted = (
        (len(health.holes), "hole", "holes"),
        (len(health.clock_steps), "step of a clock", "steps of a clock"),
        (len(health.restarts), "restart", "restarts"),
        (len(health.disagreements), "contradiction", "contradictions"),
        (len(health.stuck), "stuck reading", "stuck readings"),
        (len(health.spikes), "channel with spikes", "channels with spikes"),
        (len(health.undecoded), "type not decoded", "types not decoded"),
    )
    seconds = sum(hole.stop_ns - hole.start_ns for hole in health.holes) / 1e9
    said = [
        plural(count, one, many) + (f" ({seconds:.0f} s)" if one == "hole" else "")
        for count, one, many in counted
        if count
    ]
    refused = sum(item.count for item in health.rejected)
    text = ", ".join(said) or "no hole, no step of a clock, no contradiction"
    text += f"; {plural(refused, 'sentence or field', 'sentences or fields')} not used" if refused else ""
    return f"{text}. Each stands with its cost in the report."


def plain_text(text: str) -> str:
    """Return text in characters an old code page has too, and no control characters among them.

    Output may be redirected where Unicode is not taken.
    """
    # without the space between thousands a line never ends inside a number
    for rare, common in ((NARROW_SPACE, ""), (DASH, "-"), ("’", "'"), ("√", "sqrt"), ("×", "x"), ("′", "'")):
        text = text.replace(rare, common)
    return clean_text(text)


class _Column(NamedTuple):
    head: str
    unit: str
    cells: list[str]

    @property
    def width(self) -> int:
        return max(len(text) for text in (self.head, self.unit, *self.cells))


_HEADS = {"speed": "Speed", "fuel": "Fuel", "economy": "Economy", "range": "Range"}


def _tables(table: BandTable, units: ReaderUnits, width: int) -> list[RenderableType]:
    """Return the band table in the usual units, then the same in the reader's other units where there are any.

    Figures are never cut short: where they need the room, the current stands in the page alone. On a screen narrower
    than usual it stands below, and so do other columns, in as many tables as it takes.
    """
    named = any(row.rpm and not row.rpm.isdigit() for row in table.rows)
    engine_speeds = _with_pm([row.rpm for row in table.rows], [row.rpm_pm for row in table.rows])
    head = "Band ±" if any(row.rpm_pm for row in table.rows) else "Band"
    band = _Column(head, "" if named else "[rpm]", engine_speeds)
    columns = [band, _Column("Ways", "", [row.ways for row in table.rows])]
    columns += [_quantity_column(table, n) for n in table.usual]
    currents = [row.current if row.towards == DASH else f"{row.current} {row.towards}" for row in table.rows]
    columns.append(_Column("Current", f"[{units.scale('kn').text}], to", currents))
    notes = [" ".join(part for part in (row.answers, row.notes) if part) for row in table.rows]
    others = [_quantity_column(table, n) for n in table.others]
    apart: list[_Column] = []
    if _width(columns) + len("Notes") > width:
        columns, apart = columns[:-1], columns[-1:] if width < _SCREEN else []
    if _width(columns) + len("Notes") > width:
        parts = [*_stacked(band, [*columns[1:], *apart], width), Text(""), _ruled([band], notes)]
        return [*parts, *([Text(""), *_stacked(band, others, width)] if others else [])]
    below = [*apart, *others]
    return [_ruled(columns, notes), *([Text(""), *_stacked(band, below, width)] if below else [])]


def _stacked(band: _Column, columns: Sequence[_Column], width: int) -> list[RenderableType]:
    """Return columns in tables below each other, as many in each as fit; each begins with the band."""
    made: list[RenderableType] = []
    left = list(columns)
    while left:
        fitting = 1
        while fitting < len(left) and _width([band, *left[: fitting + 1]]) <= width:
            fitting += 1
        made += [*([Text("")] if made else []), _ruled([band, *left[:fitting]])]
        left = left[fitting:]
    return made


def _width(columns: Sequence[_Column]) -> int:
    return sum(column.width + 1 for column in columns)


def _quantity_column(table: BandTable, n: int) -> _Column:
    quantity, scale = table.columns[n]
    cells = [row.cells[n] for row in table.rows]
    return _Column(
        f"{_HEADS[quantity.name]} ±", f"[{scale.text}]", _with_pm([c.value for c in cells], [c.pm for c in cells])
    )


def _ruled(columns: Sequence[_Column], notes: Sequence[str] = ()) -> Table:
    view = Table(box=RULED, padding=0, pad_edge=False, show_edge=False, header_style="bold")
    for column in columns:
        head = Text(f"{plain_text(column.head)}\n{plain_text(column.unit)}")
        view.add_column(head, justify="right", no_wrap=True, min_width=column.width)
    if notes:
        view.add_column("Notes", overflow="fold")
    for i in range(len(columns[0].cells)):
        view.add_row(
            *(Text(plain_text(c.cells[i])) for c in columns), *(Text(plain_text(note)) for note in notes[i : i + 1])
        )
    return view


def _with_pm(values: list[str], pms: list[str]) -> list[str]:
    width = max(map(len, pms), default=0)
    if not width:
        return values
    return [
        f"{value} ± {pm.rjust(width)}" if pm else value + " " * (width + 3)
        for value, pm in zip(values, pms, strict=True)
    ]


def _below(table: BandTable, bands: pa.Table, summary: Summary, units: ReaderUnits) -> list[RenderableType]:
    said = [
        f"± = 95 % ({coverage_statement(bands)}). Speed has the current removed where Ways is 2.",
        reserve_statement(summary, bands, units),
        calibration_statement(summary, bands),
    ]
    parts: list[RenderableType] = [Text(""), *(Text(plain_text(text)) for text in said if text)]
    if table.answers:
        parts.append(Text(plain_text(", ".join(f"{letter} = {text}" for letter, text in table.answers) + ".")))
    parts += [hanging(f"{letter}", text) for letter, text in table.notes]
    return parts


def hanging(mark: str, text: str, style: str = "") -> Table:
    """Return a text that hangs under itself behind its mark."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True, style=style, width=max(len(mark), 1))
    grid.add_column()
    grid.add_row(Text(mark, style=style), Text(plain_text(text)))
    return grid


def _answers(bands: pa.Table, summary: Summary, units: ReaderUnits, is_narrow: bool) -> list[RenderableType]:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    lines: list[RenderableType] = [] if is_narrow else [grid]
    for answer in [*answers(bands, summary, units), *(other_result(found, units) for found in summary.measures)]:
        shown = _figure(answer)
        said = "; ".join(part.rstrip(".") for part in answer.lines)
        text = Text(plain_text(shown), style="bold")
        text.append(plain_text(f", {said}" if shown else said), style="not bold")
        if is_narrow:
            lines += [Text(f"{plain_text(answer.label)}:"), Padding(text, (0, 0, 0, 2))]
        else:
            grid.add_row(Text(plain_text(answer.label)), text)
    lines += [Padding(Text(plain_text(line)), (0, 0, 0, 0)) for line in also_found(summary, units)]
    return lines


def _figure(answer: Answer) -> str:
    """Return "31.92 ± 0.12 kn (36.73 ± 0.14 mph)"; "" where there is no answer."""
    printed = [(answer.value, answer.pm, answer.unit), *answer.others]
    first, *others = [f"{value} ± {pm} {unit}" if pm else f"{value} {unit}".strip() for value, pm, unit in printed]
    return f"{first} ({'; '.join(others)})" if others else first


def _warning(warning: WarningLine) -> Table:
    name, style = _SEVERITY[warning.severity]
    return hanging(f"{name:<7}", f"{warning.where}: {warning.text}" if warning.where else warning.text, style)


def stretches_view(segments: pa.Table) -> RenderableType:
    """Return the stretches in order of time: number, begin, length, engine speed, speed, course, verdict.

    Args:
        segments: With the review's columns.
    """
    if not segments.num_rows:
        return Text("No stretch was found.", style="bold")
    return _Fitted(lambda width: _narrow_stretches(segments) if width < _NARROW else _wide_stretches(segments))


def _narrow_stretches(segments: pa.Table) -> RenderableType:
    made = []
    for r in sorted(rows(segments), key=lambda r: r["start"]):
        figures = (
            clock(r.get("start")), duration(r.get("duration_s")), f"{fixed(r.get('rpm_mean'), 0)} rpm",
            f"{fixed(r.get('sog_kn_mean'), 2)} kn", degrees(r.get("cog_true_deg_mean")),
        )  # fmt: skip
        made.append(hanging(fixed(r.get("segment_id"), 0).rjust(3), f"{', '.join(figures)}: {_verdict(r)}"))
    return Group(*made)


def _wide_stretches(segments: pa.Table) -> RenderableType:
    view = Table(box=RULED, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, header_style="bold")
    for head in ("No.", "Begun\nUTC", "Held\n", "Rpm\n", "Speed\nkn", "Course\ntrue"):
        view.add_column(head, justify="right", no_wrap=True)
    view.add_column("Verdict\n", overflow="fold")
    for r in sorted(rows(segments), key=lambda r: r["start"]):
        cells = (
            fixed(r.get("segment_id"), 0), clock(r.get("start")), duration(r.get("duration_s")),
            fixed(r.get("rpm_mean"), 0), fixed(r.get("sog_kn_mean"), 2), degrees(r.get("cog_true_deg_mean")),
        )  # fmt: skip
        used = bool(r.get("reviewed_accepted"))
        view.add_row(
            *(Text(plain_text(cell)) for cell in cells), Text(plain_text(_verdict(r)), style="bold" if used else "")
        )
    return view


def _verdict(r: Mapping[str, Any]) -> str:
    used, automatic = bool(r.get("reviewed_accepted")), bool(r.get("accepted"))
    refused = str(r.get("reason") or DASH).split(", ")[0]  # the limit itself stands in the report
    why = str(r.get("review_reason") or DASH)
    by = f" ({r['review_by']})" if r.get("review_by") else ""
    label = number(r.get("relabelled_rpm"))
    band = "" if label is None else f" in band {fixed(label, 0)}"
    if used != automatic:
        return (
            f"USED{band}, included: {why}{by}; else left out: {refused}" if used else f"left out, excluded: {why}{by}"
        )
    if used:
        return f"USED{band}: {why}{by}" if band else "USED"
    return f"left out: {refused}"
