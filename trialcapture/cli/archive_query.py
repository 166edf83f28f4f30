"""``trialcapture archive query``: a question in SQL to the index of an archive."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from pyarrow import types
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_query import query_index
from trialcapture.archive.parquet import write_file, write_parquet
from trialcapture.cli.archive_index import csv_text
from trialcapture.cli.output import counted, plain, print_json, say, shown_progress, tell, tell_lines
from trialcapture.safe_text import clean_text

if TYPE_CHECKING:
    import pyarrow as pa


_SHOWN_ROWS = 200
"""Rows of a table on the screen; CSV, JSON and Parquet have all of them (our choice)."""


def query(archive: str, sql: str, form: str, out: Path | None, seconds: float, memory_mb: int, as_json: bool) -> None:
    """Ask the index and print or write the answer."""
    form = "json" if as_json else form
    if form == "parquet" and out is None:
        raise click.UsageError("Parquet goes into a file: --out FILE.")
    opened = open_archive(archive)
    with shown_progress() as progress:
        progress("asking", None)
        answer = query_index(opened, sql, longest_s=seconds, memory_mb=memory_mb)
    if out is not None:
        _write_answer(answer, form, out)
        say(f"{counted(answer.num_rows, 'row')} in {out}", label="written")
    elif form == "csv":
        tell_lines(csv_text(answer))
    elif form == "json":
        print_json({"columns": answer.column_names, "rows": answer.to_pylist()})
    else:
        _print_answer(answer)


def _write_answer(answer: pa.Table, form: str, out: Path) -> None:
    if form == "parquet":
        write_parquet(out, answer, {})
    elif form == "json":
        rows = plain({"columns": answer.column_names, "rows": answer.to_pylist()})
        write_file(out, (json.dumps(rows, indent=1, allow_nan=False) + "\n").encode())
    elif form == "csv":
        write_file(out, csv_text(answer).encode())
    else:
        raise click.UsageError("A table is for the screen; a file needs --format csv, json or parquet.")


def _print_answer(answer: pa.Table) -> None:
    shown = answer.slice(0, _SHOWN_ROWS)
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for field in answer.schema:
        is_number = types.is_floating(field.type) or types.is_integer(field.type)
        table.add_column(Text(clean_text(field.name)), overflow="fold", justify="right" if is_number else "left")
    for row in zip(*(column.to_pylist() for column in shown.columns), strict=True):
        table.add_row(*(Text(_cell_text(value)) for value in row))
    if answer.num_columns:
        Console().print(table)
    more = f"; the first {_SHOWN_ROWS} are shown, --format csv has all" if answer.num_rows > _SHOWN_ROWS else ""
    tell(f"{counted(answer.num_rows, 'row')}{more}")


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S}"
    return clean_text(str(value))
