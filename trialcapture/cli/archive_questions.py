"""``trialcapture archive compare``, ``query`` and ``process``: what the sessions of an archive say together."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from trialcapture.cli.archive import archive, archive_argument, counted, csv_text
from trialcapture.cli.output import PATH, json_option, print_json, say, shown_progress, tell, tell_lines
from trialcapture.safe_text import clean_text, spreadsheet_text

if TYPE_CHECKING:
    import pyarrow as pa

    from trialcapture.pipeline.archive_processing import DerivedStored
    from trialcapture.reduce.session_comparison import SessionsCompared, SharedKind

__all__ = ["archive", "compare", "process_all", "query"]
_UNITS = click.Choice(["metric", "us", "imperial"])
_KINDS: dict[str, SharedKind] = {
    "receiver": "receiver",
    "fuel": "fuel figures",
    "tachometer": "tachometer",
    "tank": "tank",
    "air-drag": "air drag",
}


@archive.command()
@click.argument("places", metavar="[ARCHIVE] A B", nargs=-1, required=True)
@click.option("--out", type=PATH, metavar="FILE", help="Write the sheet (HTML) there; comparison.html by default.")
@click.option("--units", type=_UNITS, default="metric", show_default=True, help="Units of the reader.")
@click.option("--also", type=_UNITS, help="Units that stand beside them.")
@click.option("--same", type=click.Choice(list(_KINDS)), multiple=True, help="This error is one and the same in all.")
@click.option("--other", type=click.Choice(list(_KINDS)), multiple=True, help="This error is another one in some.")
@json_option
def compare(
    places: tuple[str, ...], out: Path | None, units: str, also: str | None, same: tuple[str, ...],
    other: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Compare trials at equal engine speed: real, or within noise.

    Two trials, or two groups of them. A and B are sessions of the archive by id; several parted by commas, with
    a star, or boat=NAME; or folders of processed sessions, and then no archive
    is needed. The difference is B less A. Every difference has its ± and a
    verdict: real, or within noise (95 %). Errors that both share cancel: the
    receiver, the fuel figures, the tachometer, the tank. Which ones these are
    follows from the sessions; --same and --other say so where you know better.
    What the wind of each trial cost is taken out where it was measured.

    \b
    trialcapture archive compare trials spring autumn
    trialcapture archive compare trials "spring-*" "autumn-*" --out hull.html
    trialcapture archive compare monday tuesday
    """
    from trialcapture.archive.compared_sessions import read_side  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415
    from trialcapture.reduce.session_comparison import compare_sessions  # noqa: PLC0415

    if len(places) not in (2, 3):
        raise click.UsageError("Give an archive and two sides, or the folders of two sessions.")
    both = sorted(set(same) & set(other))
    if both:
        raise click.UsageError(f"--same and --other contradict each other: {', '.join(both)}.")
    with shown_progress() as progress:
        progress("reading sessions", None)
        opened = open_archive(places[0]) if len(places) == 3 else None
        first, second = (read_side(opened, text) for text in places[-2:])
    stated = {_KINDS[name]: name in same for name in (*same, *other)}
    found = compare_sessions(first, second, stated)
    _tell_comparison(found, out or Path("comparison.html"), units, also, as_json=as_json)


def _tell_comparison(found: SessionsCompared, out: Path, units: Any, also: Any, *, as_json: bool) -> None:
    from rich.console import Console  # noqa: PLC0415  help must not wait for it

    from trialcapture.archive.atomic import write_file  # noqa: PLC0415
    from trialcapture.reduce.summary import as_json as to_json  # noqa: PLC0415
    from trialcapture.report.comparison_sheet import comparison_screen, render_comparison  # noqa: PLC0415
    from trialcapture.report.reader_units import ReaderUnits  # noqa: PLC0415

    read_in = ReaderUnits(units, also)
    write_file(out, render_comparison(found, read_in).encode())
    if as_json:
        sides = {name: [s.session.id for s in of] for name, of in (("first", found.first), ("second", found.second))}
        versions = {s.session.id: s.software_version for s in (*found.first, *found.second)}
        kept = {name: to_json(getattr(found, name)) for name in ("shared", "bands", "top", "not_compared")}
        remarks = {"remarks": found.remarks, "rule": found.rule, "versions": versions}
        print_json({**sides, **remarks, **kept, "sheet": out})
        return
    Console(soft_wrap=False).print(comparison_screen(found, read_in))
    tell(f"sheet: {out}")


# ------------------------------------------------------------------------------
# query
# ------------------------------------------------------------------------------

_SHOWN_ROWS = 200
"""Rows of a table on the screen; CSV, JSON and Parquet have all of them (our choice)."""


@archive.command()
@archive_argument()
@click.argument("sql", metavar="SQL")
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "parquet"]), default="table", show_default=True
)
@click.option("--out", type=PATH, metavar="FILE", help="Write it there; needed for Parquet.")
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), default=60.0, show_default=True, help="Stop it then.")
@click.option("--memory-mb", type=click.IntRange(64, 1 << 20), default=1024, show_default=True)
@json_option
def query(archive: str, sql: str, form: str, out: Path | None, seconds: float, memory_mb: int, as_json: bool) -> None:
    """Ask the index of an archive a question in SQL.

    Tables: sessions, bands, segments, segment_engines, manoeuvres, notes, as
    'archive index' made them; "DESCRIBE sessions" names the columns. SQL is
    DuckDB's (extra 'archive'). It reads and nothing else: no other file, no
    network and no setting can be reached from it.

    \b
    trialcapture archive query trials "SELECT boat, top_speed_kn FROM sessions"
    trialcapture archive query trials "FROM bands" --format csv --out bands.csv
    """
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_query import query_index  # noqa: PLC0415

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
    from trialcapture.archive.parquet import write_file, write_parquet  # noqa: PLC0415  help must not wait for it
    from trialcapture.cli.output import plain  # noqa: PLC0415

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
    from pyarrow import types  # noqa: PLC0415  help must not wait for it
    from rich import box  # noqa: PLC0415
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

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


# ------------------------------------------------------------------------------
# process
# ------------------------------------------------------------------------------

_MOST_CHANGES = 12
"""Changes of one session that are printed one by one (our choice); --out and --json have all of them."""


@archive.command(name="process")
@archive_argument()
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; one a processor by default.")
@click.option("--scheduler", metavar="ADDRESS", help="Use the workers of this dask.distributed scheduler.")
@click.option("--session", "names", multiple=True, metavar="ID", help="Only this one; may be given several times.")
@click.option("--again", is_flag=True, help="Derive also what this version and these libraries have derived.")
@click.option("--out", type=PATH, metavar="FILE", help="Write the report of differences there, as CSV.")
@json_option
@click.pass_context
def process_all(
    context: click.Context, archive: str, workers: int | None, scheduler: str | None, names: tuple[str, ...],
    again: bool, out: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Derive all sessions of an archive again with this version.

    The results stand beside the former ones, which stay. What changed by more
    than its printed digits is reported, with the versions behind it. Each
    session is a task by itself: one that fails is tried once more, then named,
    and stops no other; then the exit code is 1. When it is stopped, or a
    worker dies, the same command goes on with what is missing. At the end the
    index is brought up to date.

    \b
    trialcapture archive process trials
    trialcapture archive process s3://yard/trials --scheduler tcp://node1:8786
    """
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_index import update_index  # noqa: PLC0415
    from trialcapture.pipeline.archive_processing import process_archive  # noqa: PLC0415

    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers are processes of this computer; a scheduler has workers of its own.")
    opened = open_archive(archive)
    keys = [opened.find(name).key for name in names] or None
    place = archive if "://" in archive else str(Path(archive).absolute())
    with shown_progress() as progress:

        def told(one: DerivedStored, done: int, every: int) -> None:
            if not as_json:
                _tell_derived(one, done, every)
            progress("deriving", done / every)

        found = process_archive(place, workers=workers, scheduler=scheduler, keys=keys, again=again, told=told)
        updated = update_index(opened, progress=progress)
    if out is not None:
        _write_changes(found, out)
    failed = [one for one in found if one.state == "failed"]
    if as_json:
        states = {state: sum(one.state == state for one in found) for state in dict.fromkeys(o.state for o in found)}
        entries = [{**asdict(one), "changes": [asdict(c) for c in one.changes]} for one in found]
        print_json({"archive": opened.place, "states": states, "sessions": entries, "index": updated.faults})
    else:
        _tell_differences(found, out)
    context.exit(1 if failed or updated.faults else 0)


def _tell_derived(one: DerivedStored, done: int, every: int) -> None:
    name = one.session_id or one.key
    words = {"derived": "derived", "equal": "derived again, equal bytes", "there": "this version had derived it"}
    tries = f" (try {one.tries})" if one.tries > 1 else ""
    if one.state == "failed":
        say(f"{name}: {one.fault}{tries}", label=f"[{done}/{every}] failed")
        return
    changes = counted(len(one.changes), "change")
    against = f", {changes} against {one.before}" if one.before is not None and one.changes else ""
    tell(f"[{done}/{every}] {name}: {words[one.state]}, results {one.results}{tries}{against}")


def _tell_differences(found: Sequence[DerivedStored], out: Path | None) -> None:
    changed = [one for one in found if one.changes]
    for one in changed:
        tell("")
        why = "; ".join(one.causes) or "nothing that it was made with differs: please report this"
        say(
            f"{one.session_id}: results {one.results} against the former ones. Differs: {why}",
            label="changed",
            err=False,
        )
        for change in one.changes[:_MOST_CHANGES]:
            tell(f"  {change}")
        if len(one.changes) > _MOST_CHANGES:
            tell(f"  and {len(one.changes) - _MOST_CHANGES} more")
    counts = {state: sum(one.state == state for one in found) for state in ("derived", "equal", "there", "failed")}
    names = {"derived": "derived", "equal": "equal", "there": "there before", "failed": "failed"}
    tell("")
    tell(f"{counted(len(found), 'session')}: " + ", ".join(f"{n} {names[state]}" for state, n in counts.items() if n))
    compared = sum(one.before is not None for one in found)
    tell(f"{len(changed)} of {compared} with former results changed by more than their printed digits")
    if out is not None:
        tell(f"differences: {out}")


def _write_changes(found: Sequence[DerivedStored], out: Path) -> None:
    from trialcapture.archive.atomic import write_file  # noqa: PLC0415  help must not wait for it

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["session_id", "state", "version_before", "version_after", "why", "where", "what", "before",
                     "after", "unit", "fault"])  # fmt: skip
    for one in found:
        head = [one.session_id or one.key, one.state, one.before or "", one.after or "", "; ".join(one.causes)]
        rows = [[c.where, c.what, c.before, c.after, c.unit] for c in one.changes] or [[""] * 5]
        for row in rows:
            writer.writerow([spreadsheet_text(cell) for cell in (*head, *row, one.fault)])
    write_file(out, text.getvalue().encode())
