"""``trialcapture archive index`` and ``list``: what an archive holds, as tables and on the screen."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_index import current_sessions, update_index
from trialcapture.cli.output import counted, print_json, say_all, shown_progress, tell, tell_lines
from trialcapture.safe_text import clean_text, spreadsheet_text

if TYPE_CHECKING:
    import pyarrow as pa


_STATES = {
    "sound": "sound", "sound with named losses": "losses", "damaged": "damaged", "cannot be vouched for": "unvouched",
}  # fmt: skip


@click.pass_context
def index(context: click.Context, archive: str, rebuild: bool, as_json: bool) -> None:
    """Bring the index up to date."""
    opened = open_archive(archive)
    with shown_progress() as progress:
        done = update_index(opened, rebuild=rebuild, progress=progress)
    folder = f"{opened.place.rstrip('/')}/index/{done.state.generation}"
    if as_json:
        content = {"archive": opened.place, "folder": folder, "rows": done.rows, "read": done.read, "kept": done.kept}
        print_json(content | {"gone": done.gone, "faults": done.faults, "is_new": done.is_new})
    else:
        tell("rows: " + ", ".join(f"{name} {count}" for name, count in done.rows.items()))
        tell(
            f"{counted(len(done.read), 'session')} read, {done.kept} taken over"
            + ("" if done.is_new else "; nothing is new")
        )
        tell(f"index: {folder}/*.parquet")
        say_all("fault", done.faults)
    context.exit(1 if done.faults else 0)


@click.pass_context
def list_sessions(context: click.Context, archive: str, as_csv: bool, as_json: bool) -> None:
    """Print one row a session."""
    if as_csv and as_json:
        raise click.UsageError("--csv and --json do not go together.")
    opened = open_archive(archive)
    with shown_progress() as progress:
        sessions, strange = current_sessions(opened, progress)
    faults = [row for row in sessions.select(["session_id", "key", "fault"]).to_pylist() if row["fault"] is not None]
    if as_json:
        print_json({"archive": opened.place, "sessions": sessions.to_pylist(), "strange": strange})
    elif as_csv:
        tell_lines(csv_text(sessions))
    else:
        _print_sessions(sessions)
        say_all("fault", [f"{row['session_id'] or row['key']}: {row['fault']}" for row in faults])
        say_all("note", list(strange))
    context.exit(1 if faults else 0)


def _print_sessions(sessions: pa.Table) -> None:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("session", overflow="fold", min_width=26)
    table.add_column("rev", justify="right", no_wrap=True)
    table.add_column("by", no_wrap=True, max_width=8)
    table.add_column("day", no_wrap=True)
    table.add_column("boat", overflow="ellipsis", no_wrap=True, max_width=14)
    table.add_column("top kn", justify="right", no_wrap=True)
    table.add_column("state", no_wrap=True)
    for row in sessions.to_pylist():
        day = row["start"] or row["created"]
        cells = (
            row["session_id"] or row["key"],
            "" if row["revision"] is None else str(row["revision"]),
            row["version"] or "-",
            "" if day is None else f"{day:%Y-%m-%d}",
            row["boat"] or "",
            "" if row["top_speed_kn"] is None else f"{row['top_speed_kn']:.1f}",
            _STATES.get(row["ending"], "unread"),
        )
        table.add_row(*(Text(clean_text(cell)) for cell in cells))
    if sessions.num_rows:
        Console().print(table)
    tell(counted(sessions.num_rows, "session"))


def csv_text(table: pa.Table) -> str:
    """Return a table as CSV: UTF-8, LF, times ISO 8601 UTC, null empty, texts as spreadsheets may have them."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.column_names)
    for row in zip(*(column.to_pylist() for column in table.columns), strict=True):
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC):%Y-%m-%dT%H:%M:%S}Z"
    return spreadsheet_text(clean_text(value)) if isinstance(value, str) else str(value)
