"""The band table, and every stretch with its verdict, for an 80-column screen, complete without colour."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pyarrow as pa
from rich.box import Box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from trialcapture.report.answers import also_found, answers, at, calibration_statement, reserve_statement
from trialcapture.report.arrow_columns import rows
from trialcapture.report.band_table import QUANTITIES, BandTable, band_table, review_line
from trialcapture.report.format import (
    DASH,
    NARROW_SPACE,
    clock,
    degrees,
    duration,
    fixed,
    number,
    plural,
    sentence,
    words,
)
from trialcapture.report.limits import sorted_warnings

_SCREEN = 80
# plain hyphens, so that a terminal without line-drawing characters shows the same table
RULED = Box("    \n    \n -- \n    \n    \n -- \n    \n    \n", ascii=True)
_SEVERITY = {"red": ("SERIOUS", "bold red"), "yellow": ("CAUTION", "yellow"), "info": ("NOTE", "")}


def bands_view(bands: pa.Table, summary: Mapping[str, Any]) -> RenderableType:
    """Return the RPM-band table with reserve, answers and warnings, readable at 80 columns without colour.

    Args:
        bands: One row an RPM band; uncertainties are k = 1 and printed k = 2.
        summary: The reduction's summary.
    """
    table = band_table(bands, summary)
    parts: list[RenderableType] = []
    if table.rows:
        parts += [_table(table), *_below(table, bands, summary)]
    else:
        parts.append(Text("No RPM band: no steady stretch was accepted.", style="bold"))
        parts += [Text(plain_text(line)) for line in why_no_band(summary)]
    reviewed = review_line(summary)
    if reviewed:
        parts.append(_hanging("Reviewed:", f"{reviewed}; the automatic result stands beside it in the report."))
    parts += [Text(""), *_answers(bands, summary)]
    counted = health_line(summary)
    if counted:
        parts += [Text(""), _hanging("Data:", counted)]
    warnings = sorted_warnings(summary)
    if warnings:
        parts += [Text(""), Text(f"Warnings ({len(warnings)})", style="bold")]
        parts += [_warning(w) for w in warnings]
    return Group(*parts)


def why_no_band(summary: Mapping[str, Any]) -> list[str]:
    """Return why every stretch was refused: how many by which limit, and the longest that came near."""
    tally = at(summary, "dropped", "segments")
    if not isinstance(tally, Mapping) or not tally:
        return ["Nothing looked like a run: engines, course and speed were never held together."]
    ranked = sorted(tally.items(), key=lambda item: (-int(item[1]), str(item[0])))
    lines = [f"Refused: {', '.join(f'{count} {words(str(reason))}' for reason, count in ranked)}."]
    longest = at(summary, "dropped", "longest_segment")
    if isinstance(longest, Mapping):
        when, length = str(longest.get("start"))[11:19], float(longest.get("duration_s") or 0.0)
        lines.append(f"The longest that may have been a run: {length:.0f} s from {when} UTC, {longest.get('reason')}.")
    return lines


_COUNTED = (
    ("holes", "hole", "holes"), ("clock_steps", "step of a clock", "steps of a clock"),
    ("restarts", "restart", "restarts"), ("disagreements", "contradiction", "contradictions"),
    ("stuck", "stuck reading", "stuck readings"), ("spikes", "channel with spikes", "channels with spikes"),
    ("undecoded", "type not decoded", "types not decoded"),
)  # fmt: skip


def health_line(summary: Mapping[str, Any]) -> str:
    """Return "2 holes (190 s), 1 step of a clock; 214 sentences or fields not used. All are listed in the report."."""
    health = at(summary, "data_health")
    if not isinstance(health, Mapping):
        return ""
    said = []
    for key, one, many in _COUNTED:
        found = [item for item in health.get(key) or [] if isinstance(item, Mapping)]
        if found:
            seconds = sum(float(item.get("seconds") or 0.0) for item in found)
            said.append(plural(len(found), one, many) + (f" ({seconds:.0f} s)" if key == "holes" else ""))
    refused = sum(int(item.get("count") or 0) for item in health.get("rejected") or [] if isinstance(item, Mapping))
    text = ", ".join(said) or "no hole, no step of a clock, no contradiction"
    text += f"; {plural(refused, 'sentence or field', 'sentences or fields')} not used" if refused else ""
    return f"{text}. Each stands with its cost in the report."


def plain_text(text: str) -> str:
    """Return text in characters an old code page has too: output may be redirected where Unicode is not taken."""
    for rare, common in ((NARROW_SPACE, " "), (DASH, "-"), ("’", "'"), ("√", "sqrt"), ("×", "x"), ("′", "'")):
        text = text.replace(rare, common)
    return text


def _table(table: BandTable) -> Table:
    named = any(row.rpm and not row.rpm.isdigit() for row in table.rows)
    engine_speeds = _with_pm([row.rpm for row in table.rows], [row.rpm_pm for row in table.rows])
    head = "Band ±" if any(row.rpm_pm for row in table.rows) else "Band"
    columns = [(head, "" if named else "[rpm]", engine_speeds), ("Ways", "", [row.ways for row in table.rows])]
    heads = {"speed": "Speed", "fuel": "Fuel", "economy": "Economy", "range": "Range"}
    for name, _, _, unit, *_ in QUANTITIES:
        cells = _with_pm([r.cells[name].value for r in table.rows], [r.cells[name].pm for r in table.rows])
        columns.append((f"{heads[name]} ±", f"[{unit}]", cells))
    currents = [row.current if row.towards == DASH else f"{row.current} {row.towards}" for row in table.rows]
    columns.append(("Current", "[kn], to", currents))
    notes = [" ".join(part for part in (row.answers, row.notes) if part) for row in table.rows]
    widths = [max(len(text) for text in (head, unit, *cells)) for head, unit, cells in columns]
    # figures are never cut short: where they need the room, the current stands in the page alone
    if sum(widths) + len(widths) + len("Notes") > _SCREEN:
        columns, widths = columns[:-1], widths[:-1]
    view = Table(box=RULED, padding=0, pad_edge=False, show_edge=False, header_style="bold")
    for (head, unit, _), width in zip(columns, widths, strict=True):
        view.add_column(Text(plain_text(f"{head}\n{unit}")), justify="right", no_wrap=True, min_width=width)
    view.add_column("Notes", overflow="fold")
    for i in range(len(table.rows)):
        view.add_row(*(Text(plain_text(cells[i])) for _, _, cells in columns), Text(notes[i]))
    return view


def _with_pm(values: list[str], pms: list[str]) -> list[str]:
    width = max(map(len, pms), default=0)
    if not width:
        return values
    return [
        f"{value} ± {pm.rjust(width)}" if pm else value + " " * (width + 3)
        for value, pm in zip(values, pms, strict=True)
    ]


def _below(table: BandTable, bands: pa.Table, summary: Mapping[str, Any]) -> list[RenderableType]:
    said = [
        "± = 95 % (k = 2). Speed has the current removed where Ways is 2.",
        reserve_statement(summary, bands),
        calibration_statement(summary, bands),
    ]
    parts: list[RenderableType] = [Text(""), *(Text(plain_text(text)) for text in said if text)]
    if table.answers:
        parts.append(Text(", ".join(f"{letter} = {text}" for letter, text in table.answers) + "."))
    parts += [_hanging(f"{letter}", text) for letter, text in table.notes]
    return parts


def _hanging(mark: str, text: str, style: str = "") -> Table:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True, style=style, width=max(len(mark), 1))
    grid.add_column()
    grid.add_row(Text(mark, style=style), Text(plain_text(text)))
    return grid


def _answers(bands: pa.Table, summary: Mapping[str, Any]) -> list[RenderableType]:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for answer in answers(bands, summary):
        shown = f"{answer.value} ± {answer.pm} {answer.unit}" if answer.pm else f"{answer.value} {answer.unit}".strip()
        said = "; ".join(part.rstrip(".") for part in answer.lines)
        text = Text(plain_text(shown), style="bold")
        text.append(plain_text(f", {said}" if shown else said), style="not bold")
        grid.add_row(Text(answer.label), text)
    lines: list[RenderableType] = [grid]
    lines += [Padding(Text(plain_text(line)), (0, 0, 0, 0)) for line in also_found(summary)]
    return lines


def _warning(warning: Mapping[str, Any]) -> Table:
    name, style = _SEVERITY.get(str(warning.get("severity")), _SEVERITY["info"])
    where = str(warning.get("where") or "")
    text = sentence(str(warning.get("text") or warning.get("code") or ""))
    return _hanging(f"{name:<7}", f"{where}: {text}" if where else text, style)


def stretches_view(segments: pa.Table) -> RenderableType:
    """Return the stretches in order of time: number, begin, length, engine speed, speed, course, verdict.

    Args:
        segments: With the review's columns.
    """
    if not segments.num_rows:
        return Text("No stretch was found.", style="bold")
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
