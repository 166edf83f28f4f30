"""``trialcapture archive``: many sessions in one place. Add them, index, list, fetch, verify and mirror."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from trialcapture.cli.output import PATH, Command, json_option, print_json, say, shown_progress, tell, tell_lines
from trialcapture.safe_text import clean_text, spreadsheet_text

if TYPE_CHECKING:
    import pyarrow as pa

    from trialcapture.archive.fleet.fleet_adding import AddedSession
    from trialcapture.errors import TrialCaptureError

_STATES = {
    "sound": "sound", "sound with named losses": "losses", "damaged": "damaged", "cannot be vouched for": "unvouched",
}  # fmt: skip
_MOST_NAMED = 20
"""Of faults, remarks and names that are printed one by one (our choice); --json has all of them."""


@click.group()
def archive() -> None:
    """Many sessions in one place: find, compare and check them.

    ARCHIVE is a folder, or s3://bucket/prefix of any server that speaks S3
    (extra 'archive'). Endpoint, region and credentials come from the usual
    environment variables: AWS_ENDPOINT_URL, AWS_REGION, AWS_PROFILE, or
    AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY. They are never printed.
    """


def archive_argument(name: str = "ARCHIVE") -> Callable[[Command], Command]:
    """Give a command an archive as argument."""
    return click.argument(name.lower(), metavar=name)


_workers_option = click.option(
    "--workers", type=click.IntRange(1, 64), help="Sessions read at once; twice the processors, at most 8, by default."
)


# ------------------------------------------------------------------------------
# add
# ------------------------------------------------------------------------------


@archive.command()
@archive_argument()
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option(
    "--accept-damage",
    metavar="REASON",
    help="Add damaged sessions as well, or one whose seal does not go on from the revision there; the archive keeps "
    "the reason.",
)
@json_option
@click.pass_context
def add(
    context: click.Context, archive: str, sessions: tuple[Path, ...], accept_damage: str | None, as_json: bool
) -> None:
    """Add sessions to an archive, with their results.

    Each is verified first, stored file by file, and every file is read back.
    What is there already is never overwritten: a session that was changed
    since, such as by a note, becomes a further revision beside the old one.
    When it is stopped, the same command goes on where it was. A session that
    is refused is named and stops no other; then the exit code is 1. Only a
    store that cannot be reached ends it: the rest is not tried.

    \b
    trialcapture archive add trials monday tuesday
    trialcapture archive add s3://yard/trials monday
    """
    from trialcapture.archive.fleet.fleet_adding import add_sessions  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415
    from trialcapture.archive.seal import utc_now  # noqa: PLC0415

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
    from trialcapture.archive.atomic import size_text  # noqa: PLC0415

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


# ------------------------------------------------------------------------------
# index and list
# ------------------------------------------------------------------------------


@archive.command()
@archive_argument()
@click.option("--rebuild", is_flag=True, help="Read every session again, whatever the index there says.")
@json_option
@click.pass_context
def index(context: click.Context, archive: str, rebuild: bool, as_json: bool) -> None:
    """Bring the index of an archive up to date.

    Six Parquet files: sessions, bands, segments, segment_engines, manoeuvres
    and notes. Only sessions of which something was added are read. The files
    are put in place all at once; DuckDB, Polars and pandas read them as they
    are. A session that cannot be read is named, and the others are indexed;
    then the exit code is 1.
    """
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_index import update_index  # noqa: PLC0415

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
        _say_all("fault", done.faults)
    context.exit(1 if done.faults else 0)


@archive.command(name="list")
@archive_argument()
@click.option("--csv", "as_csv", is_flag=True, help="Print every column as CSV.")
@json_option
@click.pass_context
def list_sessions(context: click.Context, archive: str, as_csv: bool, as_json: bool) -> None:
    """List the sessions of an archive.

    One row a session: its revision in force, the version that made its
    results, day, boat, top speed, and what 'verify' said when it was added.
    With an index it is there at once; without one every session is looked at.
    --csv and --json have every column.
    """
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_index import current_sessions  # noqa: PLC0415

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
        _say_all("fault", [f"{row['session_id'] or row['key']}: {row['fault']}" for row in faults])
        _say_all("note", list(strange))
    context.exit(1 if faults else 0)


def _print_sessions(sessions: pa.Table) -> None:
    from rich import box  # noqa: PLC0415  help must not wait for it
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

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


# ------------------------------------------------------------------------------
# get
# ------------------------------------------------------------------------------


@archive.command()
@archive_argument()
@click.argument("session")
@click.argument("into", metavar="INTO", type=PATH)
@click.option("--revision", type=click.IntRange(min=1), help="An older one; the one in force by default.")
@click.option("--results", "number", type=click.IntRange(min=1), help="A set of results; the last by default.")
@json_option
def get(archive: str, session: str, into: Path, revision: int | None, number: int | None, as_json: bool) -> None:
    """Fetch a session from an archive into the new folder INTO.

    SESSION is an id as 'archive list' prints it, or its first letters if no
    other begins so. Every file is checked by its hash.
    """
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415  help must not wait for it
    from trialcapture.errors import TrialCaptureError  # noqa: PLC0415

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


# ------------------------------------------------------------------------------
# verify and mirror
# ------------------------------------------------------------------------------


@archive.command()
@archive_argument()
@_workers_option
@json_option
@click.pass_context
def verify(context: click.Context, archive: str, workers: int | None, as_json: bool) -> None:
    """Check every file, commit and seal of an archive.

    Names what is damaged or missing, session by session; nothing is changed.
    'archive mirror' puts it right from a second copy. The exit code is 1 where
    there is anything.
    """
    from trialcapture.archive.atomic import size_text  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415
    from trialcapture.archive.fleet.fleet_checking import verify_archive  # noqa: PLC0415

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
        _say_all("note", found.remarks)
        _say_all("fault", [str(fault) for fault in found.faults])
        tell(ending)
    context.exit(1 if found.faults else 0)


@archive.command()
@archive_argument()
@archive_argument("SECOND")
@_workers_option
@json_option
@click.pass_context
def mirror(context: click.Context, archive: str, second: str, workers: int | None, as_json: bool) -> None:
    """Keep a second copy of an archive, and repair each from the other.

    What SECOND lacks is copied. What is damaged in one of the two, or missing
    there although it belongs to a session, is put right from the other, in
    either direction. A good file is never replaced. The exit code is 1 where
    something could not be put right.
    """
    from trialcapture.archive.atomic import size_text  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415
    from trialcapture.archive.fleet.fleet_checking import mirror_archive, open_second  # noqa: PLC0415

    first = open_archive(archive)
    other = open_second(first, second)
    with shown_progress() as progress:
        done = mirror_archive(first, other, workers=workers, progress=progress)
    if as_json:
        print_json({"archive": first.place, "second": other.place, **asdict(done)})
    else:
        tell(f"{counted(done.sessions, 'session')}, {counted(done.objects, 'object')} compared")
        tell(f"{done.copied} copied, {len(done.repaired)} repaired, {size_text(done.bytes)} written")
        _say_all("repaired", done.repaired)
        _say_all("only in the second", done.only_in_second)
        _say_all("fault", [str(fault) for fault in done.faults])
        if done.only_in_second:
            tell(f"to copy them back: trialcapture archive mirror {other.place} {first.place}")
    context.exit(1 if done.faults else 0)


def counted(count: int, noun: str) -> str:
    """Return a number with its noun in the right number."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _say_all(label: str, texts: Sequence[str]) -> None:
    for text in texts[:_MOST_NAMED]:
        say(text, label=label, err=False)
    if len(texts) > _MOST_NAMED:
        say(f"{len(texts) - _MOST_NAMED} more; --json names all of them", label=label, err=False)
