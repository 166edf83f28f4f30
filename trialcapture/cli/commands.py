"""Every command as it is typed, in the order of a trial day: arguments, options, help. Its module does the work.

`LazyGroup` is where the command line loads what it needs and nothing else: help, completion and the answer to a
mistyped command are there at once.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from trialcapture import __version__
from trialcapture.archive.note_kinds import FIELDS, KINDS

if TYPE_CHECKING:
    from trialcapture.reduce.session_comparison import SharedKind

Declared = TypeVar("Declared", bound=Callable[..., Any])
PATH = click.Path(path_type=Path, readable=False)
"""Any path; whether it is there and may be read is said later, in more words and with exit code 1."""
UNITS = click.Choice(("metric", "us", "imperial"))


class LazyCommand(click.Command):
    """A command whose module is imported when it runs, and not for its help.

    Args:
        args: See `click.Command`, whose callback gives name and help alone.
        module: Of `trialcapture.cli`. Its function of the same name as the callback takes what was typed.
        kwargs: See `click.Command`.
    """

    def __init__(self, *args: Any, module: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._module, self._function = f"trialcapture.cli.{module}", getattr(self.callback, "__name__", "")

    def load(self) -> Callable[..., Any]:
        """Import the module and return the function that does the work."""
        found: Callable[..., Any] = getattr(import_module(self._module), self._function)
        return found

    def invoke(self, ctx: click.Context) -> Any:
        """Do the work."""
        return ctx.invoke(self.load(), **ctx.params)


class LazyGroup(click.Group):
    """A group whose commands are declared as ``@group.command(module="note")`` on a function without a body."""

    command_class = LazyCommand


def path_argument(name: str) -> Callable[[Declared], Declared]:
    """Give a command a path as argument."""
    return click.argument(name.lower(), metavar=name, type=PATH)


def path_option(*names: str, **look: Any) -> Callable[[Declared], Declared]:
    """Give a command an option that takes a path; the rest as `click.option` takes it."""
    return click.option(*names, type=PATH, **look)


def archive_argument(name: str = "ARCHIVE") -> Callable[[Declared], Declared]:
    """Give a command an archive as argument."""
    return click.argument(name.lower(), metavar=name)


def json_option(command: Declared) -> Declared:
    """Give a command ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print machine-readable output.")(command)


def plan_option(command: Declared) -> Declared:
    """Give a command ``--plan``."""
    text = "Trial plan (TOML with a [plan] table) to use instead of that of the settings."
    return path_option("--plan", "plan_path", metavar="FILE", help=text)(command)


def accept_option(command: Declared) -> Declared:
    """Give a command ``--accept-changes``."""
    return click.option(
        "--accept-changes",
        "accept",
        metavar="REASON",
        help="Take over what was changed since the session was sealed; the reason becomes a line of the seal.",
    )(command)


_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


@click.group(cls=LazyGroup, context_settings=_SETTINGS)
@click.version_option(__version__, prog_name="trialcapture")
def group() -> None:
    """Sea trials of instrumented boats: from NMEA 0183 and engine logs to a
    table of speed, fuel, economy and range with its evidence.

    Raw files are never altered. On a boat's network the program only listens.
    """


@group.command(module="preflight")
@path_argument("CONFIG")
@click.option(
    "--seconds",
    type=click.FloatRange(min=1),
    default=30.0,
    show_default=True,
    help="How long to listen.",
)
@path_option("--into", metavar="DIR", help="Session to store the result with; made if it is not there.")
@json_option
def preflight() -> None:
    """Listen on every source of CONFIG: what is there, what is missing.

    Only listens. Ends with exit code 1 when something the trial needs is
    missing, and says in one line how to mend it.

    \b
    trialcapture preflight boat.toml
    """


@group.command(module="record")
@click.argument("config", metavar="[CONFIG]", type=PATH, required=False)
@path_option("--into", metavar="DIR", help="Folder of the session to make, or to go on with.")
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="Stop after so long; else Ctrl-C stops.")
@click.option("--resume", is_flag=True, help="Go on with a session that is there, with the same settings.")
@path_option("--second", metavar="DIR", help="Folder on another disk, taken when the first one fails or fills.")
@path_option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    help="A log that another program is writing; copied as it grows.",
)
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Times real time: for a replay, or a rehearsal that is played on this computer at the same --speed.",
)
@path_option("--attach", metavar="SESSION", help="Show the screen of a recorder that is at work.")
@path_option("--stop", "stop", metavar="SESSION", help="End a recorder that is at work.")
@click.option("--desk", "with_desk", is_flag=True, help="Open the page of the trial day beside it.")
@plan_option
@json_option
def record() -> None:
    """Record every source of CONFIG until Ctrl-C or the time is up.

    The program only listens. It is no substitute for a lookout: the skipper
    decides, and nobody at the helm reads this screen.

    A closed terminal, a broken pipe or a full disk behind a redirection do
    not end a recording. --attach shows its screen again, --stop ends it.

    \b
    trialcapture record boat.toml --into monday
    trialcapture record boat.toml --into monday --desk
    trialcapture record --attach monday
    trialcapture record --stop monday
    """


@group.command(module="desk")
@click.argument("subject", metavar="[CONFIG|SESSION]", type=PATH, required=False)
@click.option("--port", type=click.IntRange(1, 65535), help="To listen on; 8765 or one of the next when not given.")
@click.option("--share", is_flag=True, help="Let other devices look, by a link with a token and its QR code.")
@click.option("--share-entry", is_flag=True, help="Let other devices with the link make entries too.")
@click.option("--no-browser", is_flag=True, help="Do not open the page.")
@click.option("--beside-recorder", is_flag=True, hidden=True)
@json_option
def desk() -> None:
    """Open the page for the whole trial day.

    At the dock it shows the settings as forms, under way what is measured
    and what to run next, afterwards the review and the results. It runs on
    this computer alone and needs no internet; ending it harms nothing.

    --share shows it on a tablet. The link is plain HTTP: everybody on the
    same wireless network can read what goes over it.

    Nobody at the helm reads a screen under way; the skipper decides.

    \b
    trialcapture desk boat.toml
    trialcapture desk monday
    trialcapture desk monday --share
    """


@group.command("draft-log", module="collect")
@click.argument("files", metavar="FILE...", nargs=-1, type=PATH)
@path_option(
    "--nmea",
    "logs",
    metavar="LOG",
    multiple=True,
    help="Explain every kind of sentence (or CAN message) in a log, with its latest values and what it feeds.",
)
@click.option("--sheet", metavar="NAME", help="Which sheet of a workbook, where it has several.")
@click.option(
    "--timezone",
    "zones",
    metavar="ZONE",
    multiple=True,
    help="Show what the first time is in UTC if the logger's clock was set to ZONE, such as Europe/Athens or +02:00; "
    "may be given several times. Without it this computer's own zone is tried.",
)
@json_option
def draft_log() -> None:
    """Show an engine log's first rows and draft its [[engine_log]] table.

    Prints how the file seems to be laid out, what each declaration that fits
    would make of the first time, and a table to copy into the settings. What
    only you can know (the zone, units, day or month first) stands there as "?"
    and must be answered. Nothing is written, and nothing is guessed later.

    \b
    trialcapture draft-log port.csv --timezone Europe/Athens
    trialcapture draft-log --nmea monday.nmea
    """


@group.command(module="collect")
@click.argument("logs", metavar="LOG...", nargs=-1, type=PATH)
@path_option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    help="An engine log as offloaded; may be given several times.",
)
@path_option(
    "--config", "config_path", metavar="CONFIG", help="Boat and trial settings (TOML). Not needed to add to a session."
)
@path_option("--into", metavar="SESSION", help="Folder of the session to make or to add to.")
@path_option(
    "--join",
    "halves",
    metavar="HALF HALF",
    nargs=2,
    help="Make one session of two that were recorded on two disks; in the first one, or --into a new one.",
)
@accept_option
@click.option("--by", metavar="NAME", default="", help="Who accepts the changes.")
@json_option
def collect() -> None:
    """Make a session from files recorded elsewhere.

    Files are copied as they are and hashed; the originals are not touched.
    A LOG is an NMEA 0183 log or a CAN log (candump text): plain, .gz or .zst,
    several of each in order of time. Engine logs (delimited text or .xlsx) may
    also be added later to a session that is there; 'draft-log' helps to
    declare what they look like.

    \b
    trialcapture collect monday.nmea --engine-log port.csv \\
        --config boat.toml --into monday
    trialcapture collect --join monday /media/stick/monday
    """


@group.command(module="process")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@path_option("--into", metavar="DIR", help="Put several sessions of one trial together into this folder.")
@path_option("--config", "config_path", metavar="CONFIG", help="Settings to use instead of those in the session.")
@plan_option
@click.option("--units", type=UNITS, help="Units of table and report; those of the settings when not given.")
@click.option("--pdf", "as_pdf", is_flag=True, help="Write sheet.pdf and report.pdf too; needs trialcapture[pdf].")
@click.option("--keep", is_flag=True, help="Keep the settings given in the session; the seal tells of it.")
@click.option("--by", metavar="NAME", default="", help="Who keeps them.")
@accept_option
@json_option
def process() -> None:
    """Turn a session into trial set, band table and report.

    Everything is derived from SESSION/raw and can be made again: the same raw
    files, settings, seal and versions of program and libraries give the same
    bytes. The session is compared with its seal first, and what was changed
    since is said; nothing is sealed, except with --keep.

    A trial spread over several sessions or days: they are copied into one
    folder, each processed with its own load, conditions and current, and their
    bands put into one table.

    \b
    trialcapture process monday
    trialcapture process monday tuesday --into whole_trial
    """


@group.command(module="explain")
@path_argument("SESSION")
@click.argument("what", metavar="BAND|LEG", nargs=-1, required=True)
@path_option("--config", "config_path", metavar="CONFIG", help="Settings the session was processed with, if others.")
@click.option("--units", type=UNITS, help="Units of the figures; those of the settings when not given.")
@json_option
def explain() -> None:
    """Trace a printed number back to its legs and raw lines.

    BAND is a row by its name or engine speed, LEG a stretch by its number; a
    number that could be both is the band, and "leg 12" is the leg. Prints what
    was measured on each leg and what was done to it (current, engine speed and
    wind, depth, fuel calibration), what the ± is made of, and where the raw
    data stands: lines and bytes of the logs, rows of the engine logs.

    \b
    trialcapture explain monday 1800
    trialcapture explain monday leg 12

    Of a trial of several sessions, a row is traced to each session it is made
    of; a leg, and a row of one session, is named with the session's letter:

    \b
    trialcapture explain whole_trial 1800
    trialcapture explain whole_trial B leg 12
    """


def _field_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, field in reversed(list(FIELDS.items())):
        text = field.help + (f": {', '.join(field.allowed)}" if 0 < len(field.allowed) < 5 else "")
        command = click.option(f"--{name.replace('_', '-')}", name, metavar="X", help=f"{text}.")(command)
    return command


# a value may be a negative number, which click would take for an option
@group.command(context_settings={"ignore_unknown_options": True}, module="note")
@path_argument("SESSION")
@click.argument("kind", metavar="[KIND]", type=click.Choice(list(KINDS)), required=False)
@click.argument("value", metavar="[VALUE]", required=False)
@click.option("--unit", default="", metavar="U", help="Unit of the value.")
@click.option("--where", default="", metavar="W", help="Place on board.")
@click.option("--at", "at", metavar="T", help="When, UTC: 2026-05-14T10:12:30Z; now when not given.")
@click.option("--by", default="", metavar="NAME", help="Who notes it.")
@path_option("--photo", metavar="FILE", help="A photo to copy into the session.")
@click.option(
    "--list",
    "checklist",
    metavar="[FILE]",
    is_flag=False,
    flag_value="",
    default=None,
    help="Instead of noting, show what of the walk round is open, by a checklist such as configs/walk_round.toml.",
)
@_field_options
@accept_option
@json_option
def note() -> None:
    """Note what was seen, measured or found.

    The entry is added to raw/notes-note.jsonl and sealed; nothing that was
    noted is changed. A recorder may be at work: it seals the entry when it
    ends.

    \b
    trialcapture note monday mark
    trialcapture note monday trim 25 --unit % --side port --by Kim
    trialcapture note monday sound 71.5 --where helm --doors closed
    trialcapture note monday reading 2400 --unit rpm --quantity rpm --engine port
    trialcapture note monday finding "hose chafed" --grade watch --photo hose.jpg
    trialcapture note monday photo --photo bow.jpg --camera-zone +02:00
    trialcapture note monday undo 2026-05-14T10:12:30Z --of trim
    trialcapture note monday --list walk_round.toml
    """


@group.command(module="note")
@path_argument("SESSION")
@click.option("--exclude", metavar="N", multiple=True, type=int, help="Leave out a stretch that was used.")
@click.option("--include", metavar="N", multiple=True, type=int, help="Use a stretch that was left out.")
@click.option(
    "--relabel",
    metavar="N RPM",
    multiple=True,
    type=(int, float),
    help="Put a stretch into the band of another engine speed.",
)
@click.option("--undo", metavar="N", multiple=True, type=int, help="Take back what was entered on a stretch.")
@click.option("--reason", metavar="TEXT", default="", help="Why. Needed for every change.")
@click.option("--by", metavar="NAME", default="", help="Who. Needed for every change.")
@accept_option
@json_option
def review() -> None:
    """List the stretches of a session, or change the verdict on some.

    Without an option every stretch is listed with its number and verdict.
    A change is added to the notes with its reason; nothing is deleted, and
    the automatic result stays in the report beside the reviewed one.

    \b
    trialcapture review monday
    trialcapture review monday --exclude 12 --reason "ferry wash" --by Kim
    """


@group.command(module="verify")
@path_argument("SESSION")
@click.option("--root", metavar="ROOT", help="A root that was noted elsewhere, whole or its first digits.")
@click.option("--derive", is_flag=True, help="Derive the results again from the raw files and compare them.")
@path_option("--config", "config_path", metavar="CONFIG", help="With --derive: settings the results were made with.")
@json_option
def verify() -> None:
    """Check a session: its seal, every hash, line and second, its results.

    Says what is damaged, what survives and what was lost while recording, and
    ends in one of: sound, sound with named losses, damaged, cannot be vouched
    for; the last two with exit code 1. Nothing is changed.

    With --root it says whether that root is in the seal, and what was added
    since it was noted. With --derive it makes the results again, in a folder
    of its own, and compares them: no seal covers results, since they follow
    from what it covers.
    """


@group.command(module="seal")
@path_argument("SESSION")
@path_option("--sign", "key", metavar="KEY", help="Sign the last root with this Ed25519 key (PEM).")
@click.option("--by", default="", metavar="NAME", help="Who closes it late.")
@accept_option
@json_option
def seal() -> None:
    """Close a recording late, or sign its root.

    A recording that was cut off has no seal: 'record --resume' goes on with
    it and seals it at its end, this command seals it as it is. The seal says
    that it was closed late.

    \b
    trialcapture seal monday --by Kim
    trialcapture seal monday --sign builder.pem
    """


@group.command(module="seal")
@path_argument("SESSION")
@click.argument("out", metavar="OUT", type=PATH)
@click.option("--share", is_flag=True, help="Leave out raw data, photos, notes, names, places and tracks.")
@click.option(
    "--accept-damage",
    metavar="REASON",
    help="Pack a damaged session; the bag says so, and why.",
)
@json_option
def pack() -> None:
    """Pack a session to hand it over.

    OUT becomes a BagIt bag (RFC 8493) with an RO-Crate description: a folder,
    or one file where its name ends in .zip. Any BagIt program can check it. In
    it, the folder data is the session, to be verified or processed again.

    With --share, what is left says what a boat did, but not which boat, where
    or who was on board.
    """


@group.command(module="rehearse")
@click.argument("out", metavar="OUT", required=False, type=PATH)
@click.option("--scenario", metavar="NAME", help="Which trial; --list shows them.")
@click.option("--fault", "faults", metavar="NAME", multiple=True, help="Something to go wrong; may be repeated.")
@click.option("--list", "is_list", is_flag=True, help="List the scenarios and the faults and stop.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Equal seeds, equal bytes.")
@plan_option
@click.option("--short", is_flag=True, help="Two steps, over in less than eight minutes.")
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), help="Make it about so long.")
@click.option("--at", "at", metavar="T", help="When it begins, UTC, such as 2026-05-15T08:30Z; played live, it is now.")
@click.option(
    "--errors", is_flag=True, help="With a receiver bias, a fuel calibration error and a spread from run to run."
)
@click.option("--udp", is_flag=True, help="Play it live as UDP datagrams to this computer.")
@click.option("--tcp", is_flag=True, help="Play it live on a TCP port of this computer.")
@click.option("--serial", metavar="PORT", help="Play it live into a serial port.")
@click.option("--port", type=click.IntRange(1, 65535), default=10110, show_default=True, help="UDP or TCP port.")
@click.option("--baud", type=int, default=38400, show_default=True, help="Rate of the serial port.")
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Times real time. Over UDP or TCP, record it with the same --speed; on a serial port it is for watching only.",
)
@json_option
def rehearse() -> None:
    """Simulate a boat on trial, for practice and for tests.

    Writes a session to OUT as the recorder would have left it; or plays it
    live on a port, while its engine logs grow in OUT. What was true is written
    beside it, to OUT.truth.json, and is never read by 'process'.

    \b
    trialcapture rehearse demo && trialcapture process demo
    """


@group.command(hidden=True, module="follow")
@path_argument("SESSION")
def follow() -> None:
    """Follow a recording and append a line a second for its screen.

    The recorder's screen starts it; it ends when no recorder is at work.
    """


SHARED_KINDS: dict[str, SharedKind] = {
    "receiver": "receiver",
    "fuel": "fuel figures",
    "tachometer": "tachometer",
    "tank": "tank",
    "air-drag": "air drag",
}
"""Causes of error that two trials can have in common, by the word of ``archive compare``."""


@group.group(cls=LazyGroup)
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


@archive.command(module="archive")
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


@archive.command(name="list", module="archive")
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


@archive.command(module="archive")
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


@archive.command(name="verify", module="archive")
@archive_argument()
@_workers_option
@json_option
def verify_sessions() -> None:
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


@archive.command(module="archive_results")
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


@archive.command(module="archive")
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


@archive.command(name="process", module="archive_results")
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
