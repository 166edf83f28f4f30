"""The commands of ``trialcapture archive`` as they are typed: arguments, options, help."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trialcapture.cli.declaring import PATH, UNITS, LazyGroup, archive_argument, json_option, path_option

if TYPE_CHECKING:
    from trialcapture.reduce.session_comparison import SharedKind

SHARED_KINDS: dict[str, SharedKind] = {
    "receiver": "receiver",
    "fuel": "fuel figures",
    "tachometer": "tachometer",
    "tank": "tank",
    "air-drag": "air drag",
}
"""Causes of error that two trials can have in common, by the word of ``archive compare``."""


@click.group(cls=LazyGroup)
def archive() -> None:
    """Many sessions in one place: find, compare and check them.

    ARCHIVE is a folder, or s3://bucket/prefix of any server that speaks S3
    (extra 'archive'). Endpoint, region and credentials come from the usual
    environment variables: AWS_ENDPOINT_URL, AWS_REGION, AWS_PROFILE, or
    AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY. They are never printed.
    """


_workers_option = click.option(
    "--workers", type=click.IntRange(1, 64), help="Sessions read at once; twice the processors, at most 8, by default."
)


@archive.command(module="archive")
@archive_argument()
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option(
    "--accept-damage",
    metavar="REASON",
    help="Add damaged sessions as well, or one whose seal does not go on from the revision there; the archive keeps "
    "the reason.",
)
@json_option
def add() -> None:
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


@archive.command(module="archive_index")
@archive_argument()
@click.option("--rebuild", is_flag=True, help="Read every session again, whatever the index there says.")
@json_option
def index() -> None:
    """Bring the index of an archive up to date.

    Six Parquet files: sessions, bands, segments, segment_engines, manoeuvres
    and notes. Only sessions of which something was added are read. The files
    are put in place all at once; DuckDB, Polars and pandas read them as they
    are. A session that cannot be read is named, and the others are indexed;
    then the exit code is 1.
    """


@archive.command(name="list", module="archive_index")
@archive_argument()
@click.option("--csv", "as_csv", is_flag=True, help="Print every column as CSV.")
@json_option
def list_sessions() -> None:
    """List the sessions of an archive.

    One row a session: its revision in force, the version that made its
    results, day, boat, top speed, and what 'verify' said when it was added.
    With an index it is there at once; without one every session is looked at.
    --csv and --json have every column.
    """


@archive.command(module="archive_get")
@archive_argument()
@click.argument("session")
@click.argument("into", metavar="INTO", type=PATH)
@click.option("--revision", type=click.IntRange(min=1), help="An older one; the one in force by default.")
@click.option("--results", "number", type=click.IntRange(min=1), help="A set of results; the last by default.")
@json_option
def get() -> None:
    """Fetch a session from an archive into the new folder INTO.

    SESSION is an id as 'archive list' prints it, or its first letters if no
    other begins so. Every file is checked by its hash.
    """


@archive.command(module="archive")
@archive_argument()
@_workers_option
@json_option
def verify() -> None:
    """Check every file, commit and seal of an archive.

    Names what is damaged or missing, session by session; nothing is changed.
    'archive mirror' puts it right from a second copy. The exit code is 1 where
    there is anything.
    """


@archive.command(module="archive")
@archive_argument()
@archive_argument("SECOND")
@_workers_option
@json_option
def mirror() -> None:
    """Keep a second copy of an archive, and repair each from the other.

    What SECOND lacks is copied. What is damaged in one of the two, or missing
    there although it belongs to a session, is put right from the other, in
    either direction. A good file is never replaced. The exit code is 1 where
    something could not be put right.
    """


@archive.command(module="archive_compare")
@click.argument("places", metavar="[ARCHIVE] A B", nargs=-1, required=True)
@path_option("--out", metavar="FILE", help="Write the sheet (HTML) there; comparison.html by default.")
@click.option("--units", type=UNITS, default="metric", show_default=True, help="Units of the reader.")
@click.option("--also", type=UNITS, help="Units that stand beside them.")
@click.option(
    "--same", type=click.Choice(list(SHARED_KINDS)), multiple=True, help="This error is one and the same in all."
)
@click.option(
    "--other", type=click.Choice(list(SHARED_KINDS)), multiple=True, help="This error is another one in some."
)
@json_option
def compare() -> None:
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


@archive.command(module="archive_query")
@archive_argument()
@click.argument("sql", metavar="SQL")
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "parquet"]), default="table", show_default=True
)
@path_option("--out", metavar="FILE", help="Write it there; needed for Parquet.")
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), default=60.0, show_default=True, help="Stop it then.")
@click.option("--memory-mb", type=click.IntRange(64, 1 << 20), default=1024, show_default=True)
@json_option
def query() -> None:
    """Ask the index of an archive a question in SQL.

    Tables: sessions, bands, segments, segment_engines, manoeuvres, notes, as
    'archive index' made them; "DESCRIBE sessions" names the columns. SQL is
    DuckDB's (extra 'archive'). It reads and nothing else: no other file, no
    network and no setting can be reached from it.

    \b
    trialcapture archive query trials "SELECT boat, top_speed_kn FROM sessions"
    trialcapture archive query trials "FROM bands" --format csv --out bands.csv
    """


@archive.command(name="process", module="archive_process")
@archive_argument()
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; one a processor by default.")
@click.option("--scheduler", metavar="ADDRESS", help="Use the workers of this dask.distributed scheduler.")
@click.option("--session", "names", multiple=True, metavar="ID", help="Only this one; may be given several times.")
@click.option("--again", is_flag=True, help="Derive also what this version and these libraries have derived.")
@path_option("--out", metavar="FILE", help="Write the report of differences there, as CSV.")
@json_option
def process_all() -> None:
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
