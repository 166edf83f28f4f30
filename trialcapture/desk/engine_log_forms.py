"""An engine log that was dropped on the page: its first rows, the declarations to choose, the first time as read.

What a first look finds alone fills a field; where more than one reading fits, all are offered and none is chosen. The
fields are those of ``[[engine_log]]``, made from its model. Nothing is collected before the declarations read the file
as `collect` would.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture.archive.collect import check_engine_log, look_at_engine_log
from trialcapture.archive.raw import open_engine_log, sheet_names
from trialcapture.archive.session import match_engine_log
from trialcapture.bounded_parsing import parse_toml
from trialcapture.config import Config, load_config
from trialcapture.decode.engine_log.log_draft import Draft, FirstLook, TimeReading, draft_table, reading_text
from trialcapture.decode.engine_log.log_table import EngineLogDecoder
from trialcapture.desk.dock_forms import (
    FormField,
    FormGroup,
    KeyChange,
    apply_changes,
    build_form,
    changed_data,
    column_rows,
    part_text,
    read_form,
)
from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.safe_text import clean_text

_ROWS, _CELLS, _LETTERS = 12, 40, 60
"""What is shown of a log: rows, cells of each, letters of each cell (our choice)."""
_BLOCK = 1 << 18
_OPEN_COLUMNS = 200
_FIRST = 6
"""Rows shown as read."""
_FIRST_KEYS = ("time_format", "timezone", "delimiter", "decimal", "header_rows")
"""What nearly every log needs."""
_UNDECIDED = "?"
"""What a draft has where only a person can decide."""


@dataclass(frozen=True, slots=True)
class DroppedLog:
    """A log that waits for its declarations.

    Attributes:
        path: Where it lies, verbatim, under the name it came with.
        sheets: Of a workbook with several; one must be chosen before anything else.
        look: What a first look shows; None where that needs a sheet first.
        draft: The table that was drafted, as data, without what a person must decide.
        questions: What must be decided, one sentence each.
        described: Number of the ``[[engine_log]]`` table of the settings that fits its name; None for a new one.
        open_columns: Those of which a person must say what they hold.
        undecided: Keys of the table that have a default, and must be declared all the same.
    """

    path: Path
    sheets: tuple[str, ...]
    look: FirstLook | None
    draft: Mapping[str, Any]
    questions: tuple[str, ...]
    described: int | None
    open_columns: tuple[OpenColumn, ...] = ()
    undecided: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OpenColumn:
    """A column of which nobody has said what it holds: its heading or number, its unit where the log says one, and
    what it looks like."""

    name: str
    unit: str
    looks_like: str


def look_at(path: Path, config: Config, config_text: str, sheet: str | None = None) -> DroppedLog:
    """Return what a first look at a log shows.

    Args:
        path: The log.
        config: Settings of the session.
        config_text: The same as TOML.
        sheet: Of a workbook of several.

    Raises:
        TrialCaptureError: It is no engine log, or empty, or cannot be read.
    """
    described = match_engine_log(path.name, config)
    number = None if described is None else config.engine_log.index(described)
    if sheet is None and described is not None:
        sheet = described.sheet
    sheets = _sheets(path)
    if len(sheets) > 1 and sheet is None:
        return DroppedLog(path, sheets, None, {}, ("sheet: which sheet of the workbook is the log",), number)
    look, of_several = look_at_engine_log(path, sheet)
    draft = draft_table(look, path.name, of_several)
    if number is not None:
        return DroppedLog(path, sheets, look, parse_toml(config_text)["engine_log"][number], (), number)
    table, still_open = _decided(draft, look, config.engine_ids)
    drafted = parse_toml(draft.text)["engine_log"][0]
    undecided = tuple(key for key, value in drafted.items() if value == _UNDECIDED)
    return DroppedLog(path, sheets, look, table, _questions(draft, config.engine_ids), None, still_open, undecided)


def _sheets(path: Path) -> tuple[str, ...]:
    try:
        return tuple(sheet_names(path))
    except TrialCaptureError:  # it is no workbook, or said so when it is looked at
        return ()


def _decided(draft: Draft, look: FirstLook, engine_ids: Sequence[str]) -> tuple[dict[str, Any], tuple[OpenColumn, ...]]:
    """Return a draft as data, without what nobody has decided, and the columns that are open."""
    table: dict[str, Any] = parse_toml(draft.text)["engine_log"][0]
    columns = table.pop("columns", {})
    table = {key: value for key, value in table.items() if value != _UNDECIDED}
    kept: dict[str, Any] = {}
    still_open: list[OpenColumn] = []
    for key, item in columns.items():
        if key in ("time", "date"):
            kept[key] = item
            continue
        stem, _, engine = key.rpartition("_ENGINE")
        unit = "" if item.get("unit", "") == _UNDECIDED else item.get("unit", "")
        if len(engine_ids) == 1 and engine == "1":
            kept[f"{stem}_{engine_ids[0]}"] = {"name": item["name"], "unit": unit}
        else:
            still_open.append(OpenColumn(part_text("name", item["name"]), unit, f"{stem} of engine {engine}"))
    if look.long is None:
        told = {_heading_of(item) for item in columns.values()} | {look.names[place] for place in look.time_columns}
        others = [name for name in look.names if name not in told]
        still_open += [OpenColumn(part_text("name", name), "", "") for name in others[:_OPEN_COLUMNS]]
    return {**table, "columns": kept}, tuple(still_open)


def _heading_of(item: Any) -> Any:
    return item.get("name") if isinstance(item, Mapping) else item if not isinstance(item, list) else None


def _questions(draft: Draft, engine_ids: Sequence[str]) -> tuple[str, ...]:
    found = []
    for question in draft.questions:
        if question.startswith("ENGINE"):
            if len(engine_ids) != 1:
                found.append("columns: which engine each one is, and what the others hold")
        elif question.startswith("time_format: ") and " or " in question:
            found.append("time format: which of the readings above is right")
        else:
            key, _, why = question.partition(": ")
            found.append(f"{key.replace('_ENGINE', ' of engine ').replace('_', ' ')}: {why}")
    return tuple(found)


def rows_shown(look: FirstLook) -> list[tuple[int, list[str], str]]:
    """Return the first rows: number, cells, and what the row seems to be."""
    found = []
    data = look.header_rows + look.skip_rows
    for number, row in enumerate(look.rows[: data + _ROWS], 1):
        kind = "headings" if number == look.header_rows else "before the data" if number <= data else ""
        cells = [clean_text(c if len(c) <= _LETTERS else c[:_LETTERS] + "…") for c in row[:_CELLS]]
        found.append((number, cells + (["…"] if len(row) > _CELLS else []), kind))
    return found


def times_shown(look: FirstLook) -> list[dict[str, str]]:
    """Return what each declaration that fits would make of the first time."""
    return [
        {
            "format": reading.declared.get("time_format", "six columns" if len(look.time_columns) == 6 else "iso"),
            "locale": reading.declared.get("locale", ""),
            "reads": reading_text(reading),
            "zone": _zone_words(reading),
            "lacks": reading.lacks,
        }
        for reading in look.times
    ]


def _zone_words(reading: TimeReading) -> str:
    if reading.kind == "utc":
        return "UTC"
    if reading.kind == "elapsed":
        return "counted from the log's start; matched by rpm or marks"
    if reading.offset_ns is not None:
        return f"UTC{reading.offset_ns / 3.6e12:+g} h, as the stamp says"
    return "in the zone of the logger's clock, to be declared"


def log_form(
    dropped: DroppedLog,
    engine_ids: Sequence[str],
    *,
    typed: Mapping[str, Sequence[str]] | None = None,
    faults: Sequence[str] = (),
    field_faults: Mapping[str, Sequence[str]] | None = None,
) -> tuple[list[FormGroup], list[str]]:
    """Return the fields of the log's table, and faults that belong to none of them.

    Args:
        dropped: The log.
        engine_ids: Of the settings.
        typed: What stands in the fields.
        faults, field_faults: See `build_form`.
    """
    data = {"engine": [{"id": name} for name in engine_ids], "engine_log": [dropped.draft]}
    known = len(column_rows(dropped.draft.get("columns")))
    at = {f"engine_log.0.columns.{known + n}": column for n, column in enumerate(dropped.open_columns)}
    if typed is None:
        typed = {}
        for name, column in at.items():
            typed |= {f"{name}.key": [""], f"{name}.name": [column.name], f"{name}.unit": [column.unit]}
    groups, loose = build_form(data, typed=typed, faults=faults, field_faults=field_faults)
    mine = [group for group in groups if group.name == "engine_log.0"]
    for group in mine:
        group.is_item = group.is_new = False
        group.adds = []
        group.title = "Declarations"
        entries = [replace(f, default="", needed=True) if f.path[-1] in dropped.undecided else f for f in group.fields]
        first = {f.name: f for f in entries if f.path[-1] in (*_FIRST_KEYS, *dropped.undecided) or f.typed or f.faults}
        group.fields = sorted(first.values(), key=_by_first_keys)
        others = [f for f in entries if f.name not in first]
        clock = [inner for inner in group.groups if inner.name.endswith(".clock")]
        is_used = any(f.typed or f.faults for inner in clock for f in inner.every_field())
        rest = FormGroup(f"{group.name}.others", "Other declarations", fields=others, is_folded=not is_used)
        rest.groups = clock
        group.groups = [inner for inner in group.groups if inner not in clock] + [rest]
    for row in (inner for group in mine for inner in group.every_group() if inner.name in at):
        if at[row.name].looks_like:
            key = row.fields[0]
            row.fields[0] = replace(key, choices=(("", f"choose: {at[row.name].looks_like}?"), *key.choices[1:]))
    return mine, loose


def declared_table(
    dropped: DroppedLog, typed: Mapping[str, Sequence[str]], engine_ids: Sequence[str]
) -> tuple[dict[str, Any], dict[str, list[str]]]:
    """Return the ``[[engine_log]]`` table that the fields declare, and what could not be read, by field.

    Columns whose meaning nobody chose are left out: the log keeps them, the results do not use them.
    """
    first = "engine_log.0.columns."
    rows = {name.removeprefix(first).split(".")[0] for name in typed if name.startswith(first)}
    unused = {row for row in rows if not (typed.get(f"{first}{row}.key") or [""])[0].strip()}
    given = {
        name: values
        for name, values in typed.items()
        if not (name.startswith(first) and name.removeprefix(first).split(".")[0] in unused)
    }
    base = {"engine": [{"id": name} for name in engine_ids]}
    changes, faults = read_form(base, given)
    made = changed_data(base, [c for c in changes if c.path[0] == "engine_log"])
    tables = made.get("engine_log") or [{}]
    table = dict(tables[0])
    table.setdefault("files", dropped.path.name)
    for key in dropped.undecided:
        if key not in table:
            faults.setdefault(f"engine_log.0.{key}", []).append("Decide this: it is not taken for granted")
    return table, faults


def settings_with(
    config_text: str, dropped: DroppedLog, table: Mapping[str, Any]
) -> tuple[str, Config | None, list[str]]:
    """Return the settings with a log's table put in, checked; None and the faults where it cannot be meant.

    Faults name the table as the form does, ``engine_log[0]``.
    """
    data = parse_toml(config_text)
    logs = data.get("engine_log") or []
    number = dropped.described if dropped.described is not None else len(logs)
    former = logs[number] if number < len(logs) else {}
    changes = [KeyChange(("engine_log", number, key), None) for key in former if key not in table]
    changes += [
        KeyChange(("engine_log", number, key), value) for key, value in table.items() if former.get(key) != value
    ]
    text, _ = apply_changes(config_text, changes)
    try:
        return text, load_config(text, "settings"), []
    except ConfigError as fault:
        own, mine = f"engine_log[{number}]", "engine_log[0]"
        return text, None, [line.replace(own, mine, 1) if line.startswith(own) else line for line in fault.faults]


def _by_first_keys(entry: FormField) -> int:
    key = str(entry.path[-1])
    return _FIRST_KEYS.index(key) if key in _FIRST_KEYS else len(_FIRST_KEYS)


@dataclass(frozen=True, slots=True)
class AsRead:
    """What the declarations make of a log.

    Attributes:
        first: The first time, in words.
        names: Columns, the time first.
        rows: The first rows, as text.
        told: What is odd, one sentence each.
    """

    first: str
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    told: tuple[str, ...]


def as_read(path: Path, config: Config) -> AsRead:
    """Return what the declarations of the settings make of a log, read as `collect` reads it.

    Raises:
        TrialCaptureError: They do not fit it; it says where and why.
    """
    told: list[str] = []
    check_engine_log(path, config, told.append)
    spec = match_engine_log(path.name, config)
    if spec is None:
        raise TrialCaptureError("no table of the settings describes this log", seen=path.name)
    spec, blocks = open_engine_log(path, spec, _BLOCK, warn=lambda _: None)
    decoder = EngineLogDecoder(spec, config.engine_ids, path.name, density_kg_per_m3=config.fuel.density_kg_per_m3)
    table: pa.Table | None = None
    for block in blocks:
        table, _ = decoder.decode(block)
        if table.num_rows:
            break
    if table is None or not table.num_rows:
        table, _ = decoder.finish()
    counts = spec.time_format.startswith("elapsed")
    rows = []
    for row in table.slice(0, _FIRST).to_pylist():
        t_ns = row["t_log_ns"]
        values = [_number_text(row[name]) for name in table.column_names[2:]]
        rows.append((_time_text(t_ns, counts), *values))
    heads = ["Time", *(f"{name} [{_unit(table, name)}]" for name in table.column_names[2:])]
    first = rows[0][0] if rows else "no row"
    return AsRead(first, tuple(heads), tuple(rows), tuple(dict.fromkeys(t.replace(f"{path}: ", "") for t in told)))


def _unit(table: pa.Table, name: str) -> str:
    metadata = table.schema.field(name).metadata or {}
    return str(metadata.get(b"unit", b"").decode())


def _time_text(t_ns: int, is_elapsed: bool) -> str:
    if is_elapsed:
        return f"{t_ns / 1e9:.1f} s after the log's start"
    at = datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
    return f"{at:%Y-%m-%d %H:%M:%S}.{t_ns % 1_000_000_000 // 100_000_000} UTC"


def _number_text(value: float | None) -> str:
    return "–" if value is None else f"{value:.6g}"
