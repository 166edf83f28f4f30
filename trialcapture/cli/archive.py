"""``trialcapture archive``: sessions put into an archive, found, checked, copied and taken out.

``archive add``, ``verify`` and ``mirror``: sessions are put into an archive and stay as they were.

``archive index`` and ``list``: what an archive holds, as tables and on the screen.

``archive query``: a question in SQL to the index of an archive.

``archive get``: a session out of an archive.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from pyarrow import types
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from trialcapture.archive.atomic import size_text, write_file
from trialcapture.archive.fleet.fleet_adding import AddedSession, add_sessions
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_checking import mirror_archive, open_second, verify_archive
from trialcapture.archive.fleet.fleet_index import current_sessions, update_index
from trialcapture.archive.fleet.fleet_query import query_index
from trialcapture.archive.parquet import write_parquet
from trialcapture.archive.seal import utc_now
from trialcapture.cli.output import counted, plain, print_json, say, say_all, shown_progress, tell, tell_lines
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text, spreadsheet_text

if TYPE_CHECKING:
    import pyarrow as pa


@click.pass_context
def add(
    context: click.Context, archive: str, sessions: tuple[Path, ...], accept_damage: str | None, as_json: bool
) -> None:
    """Add sessions and print what became of each."""
    opened = open_archive(archive, create=True)
    with shown_progress() as progress:
        found = add_sessions(
            opened,
            sessions,
            t=utc_now,
            accept_damage=accept_damage,
            progress=progress,
            told=(lambda _: None) if as_json else _tell_added,
        )
    refused, untried = (sum(one.outcome == word for one in found) for word in ("refused", "not tried"))
    if as_json:
        print_json(
            {
                "archive": opened.place,
                "sessions": [{**_without_fault(one), "fault": _fault(one.fault)} for one in found],
                "refused": refused,
                "not_tried": untried,
            }
        )
    else:
        if untried:
            say(
                f"{counted(untried, 'session')} not tried, because the archive cannot be reached; the same command "
                "goes on where this one ended",
                label="note",
            )
        counts = {word: sum(one.outcome == word for one in found) for word in dict.fromkeys(o.outcome for o in found)}
        tell(f"{counted(len(found), 'session')}: " + ", ".join(f"{count} {word}" for word, count in counts.items()))
        if refused + untried < len(found):
            tell(f"next: trialcapture archive index {opened.place}")
    context.exit(1 if refused else 0)


def _tell_added(one: AddedSession) -> None:
    if one.fault is not None:
        say(f"{one.folder}: {one.fault}", label="refused")
        return
    results = f", results {one.results}" if one.results is not None else ", no results"
    tell(f"{one.session_id}: {one.outcome}, revision {one.revision}{results}, {size_text(one.bytes_written)} written")
    for remark in one.remarks:
        say(remark, label="note")


def _without_fault(one: AddedSession) -> dict[str, Any]:
    return {name: getattr(one, name) for name in one.__dataclass_fields__ if name != "fault"}


def _fault(fault: TrialCaptureError | None) -> dict[str, Any] | None:
    if fault is None:
        return None
    seen = None if fault.seen is None else str(fault.seen)
    return {"what": fault.what, "seen": seen, "where": fault.where, "expected": fault.expected}


@click.pass_context
def verify_sessions(context: click.Context, archive: str, workers: int | None, as_json: bool) -> None:
    """Check every stored file."""
    opened = open_archive(archive)
    with shown_progress() as progress:
        found = verify_archive(opened, workers=workers, progress=progress)
    ending = "damaged" if found.faults else "sound"
    if as_json:
        print_json({"archive": opened.place, **asdict(found), "ending": ending})
    else:
        counts = ((found.sessions, "session"), (found.revisions, "revision"), (found.results, "result set"))
        tell(", ".join(counted(count, noun) for count, noun in counts))
        tell(
            f"{counted(found.files, 'stored file')} as hashed ({size_text(found.bytes)}), "
            f"{counted(found.seals, 'seal')} compared"
        )
        say_all("note", found.remarks)
        say_all("fault", [str(fault) for fault in found.faults])
        tell(ending)
    context.exit(1 if found.faults else 0)


@click.pass_context
def mirror(context: click.Context, archive: str, second: str, workers: int | None, as_json: bool) -> None:
    """Copy to a second archive, and repair each from the other."""
    first = open_archive(archive)
    other = open_second(first, second)
    with shown_progress() as progress:
        done = mirror_archive(first, other, workers=workers, progress=progress)
    if as_json:
        print_json({"archive": first.place, "second": other.place, **asdict(done)})
    else:
        tell(f"{counted(done.sessions, 'session')}, {counted(done.objects, 'object')} compared")
        tell(f"{done.copied} copied, {len(done.repaired)} repaired, {size_text(done.bytes)} written")
        say_all("repaired", done.repaired)
        say_all("only in the second", done.only_in_second)
        say_all("fault", [str(fault) for fault in done.faults])
        if done.only_in_second:
            tell(f"to copy them back: trialcapture archive mirror {other.place} {first.place}")
    context.exit(1 if done.faults else 0)


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


def get(archive: str, session: str, into: Path, revision: int | None, number: int | None, as_json: bool) -> None:
    """Fetch a session, every file checked."""
    opened = open_archive(archive)
    stored = opened.find(session)
    found = opened.revision(stored, revision)
    numbers = stored.results.get(found.number, ())
    if number is not None and number not in numbers:
        raise TrialCaptureError(
            "the archive has no such results of this session",
            seen=number,
            where=found.session_id,
            expected=", ".join(map(str, numbers)) or "none are stored",
        )
    chosen = number if number is not None else (numbers[-1] if numbers else None)
    results = None if chosen is None else opened.read_results(stored.key, found.number, chosen)
    with shown_progress() as progress:
        opened.fetch(found, into, results, progress=progress)
    if as_json:
        print_json({"session": found.session_id, "revision": found.number, "results": chosen, "folder": into})
        return
    version = "" if results is None else f", results {chosen} by version {results.version}"
    tell(f"{found.session_id}, revision {found.number}{version}, in {into}")
