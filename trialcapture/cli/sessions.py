"""Commands on a session: ``collect`` makes one, ``process`` derives its results, ``verify`` checks it."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.cli.output import PATH, json_option, path_argument, print_json, say, shown_progress
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    from trialcapture.config import UnitSystem


@click.command()
@path_argument("SESSION")
@click.option(
    "--config",
    "config_path",
    metavar="CONFIG",
    type=PATH,
    help="Settings to use instead of those in the session.",
)
@click.option(
    "--units",
    type=click.Choice(("metric", "us", "imperial")),
    help="Units of table and report; those of the settings when not given.",
)
@json_option
def process(session: Path, config_path: Path | None, units: UnitSystem | None, as_json: bool) -> None:
    """Turn a session into trial set, band table and report.

    Everything is derived from SESSION/raw and can be made again: the same raw
    files, settings and version give the same bytes.
    """
    from trialcapture.archive.session import open_session  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    open_session(session)
    text = None if config_path is None else read_config(config_path)[1]
    from trialcapture.pipeline import process as derive  # noqa: PLC0415  after the quick checks: it takes a second

    with shown_progress() as progress:
        result = derive(session, config_text=text, progress=progress, units=units)
    if as_json:
        bands = result["bands"].to_pylist()
        print_json({"bands": bands, "summary": result["summary"], "paths": result["paths"]})
        return
    from rich.console import Console  # noqa: PLC0415

    from trialcapture.report.terminal import bands_view  # noqa: PLC0415

    Console().print(bands_view(result["bands"], result["findings"], result["units"]))
    click.echo(f"report: {result['paths']['report']}")


# ------------------------------------------------------------------------------
# ``trialcapture collect``.
# ------------------------------------------------------------------------------


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, type=PATH)
@click.option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    type=PATH,
    help="An engine log as offloaded; may be given several times.",
)
@click.option(
    "--config",
    "config_path",
    metavar="CONFIG",
    type=PATH,
    help="Boat and trial settings (TOML). Not needed to add to a session.",
)
@click.option(
    "--into",
    metavar="SESSION",
    type=PATH,
    help="Folder of the session to make or to add to.",
)
@click.option(
    "--join",
    "halves",
    metavar="HALF HALF",
    nargs=2,
    type=PATH,
    help="Make one session of two that were recorded on two disks; in the first one, or --into a new one.",
)
@json_option
def collect(
    logs: tuple[Path, ...],
    engine_logs: tuple[Path, ...],
    config_path: Path | None,
    into: Path | None,
    halves: tuple[Path, Path] | None,
    as_json: bool,
) -> None:
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
    if halves is not None:
        if logs or engine_logs or config_path is not None:
            raise click.UsageError("--join takes two halves of a session and nothing else but --into.")
        _join(*halves, into, as_json)
        return
    if into is None:
        raise click.UsageError("Missing option '--into'.")
    from trialcapture.acquire.computer import NAME, SessionLock  # noqa: PLC0415
    from trialcapture.archive.collect import collect as collect_files  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    config, text = (None, None) if config_path is None else read_config(config_path)
    told: list[str] = []
    is_locked = (into / NAME).exists()  # by a recorder at work, or left by one that was killed
    with shown_progress() as progress, SessionLock(into) if is_locked else nullcontext():
        session = collect_files(
            logs,
            engine_logs,
            config,
            into,
            created=f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
            config_text=text,
            progress=progress,
            warn=told.append,
        )
    if as_json:
        files = [{"path": f.path, "original": f.original, "sha256": f.sha256, "bytes": f.bytes} for f in session.files]
        print_json({"session": session.id, "folder": session.folder, "files": files, "warnings": told})
        return
    for warning in told:
        say(warning, label="note")
    click.echo(f"session {session.id} in {session.folder}: {len(session.files)} files copied and hashed")
    click.echo(f"next: trialcapture process {session.folder}")


def _join(one: Path, other: Path, into: Path | None, as_json: bool) -> None:
    from trialcapture.acquire.computer import SessionLock  # noqa: PLC0415
    from trialcapture.archive.halves import copy_session, join_halves, missing_half, refuse_other_session  # noqa: PLC0415

    refuse_other_session(one, other)
    target = one if into is None else into
    with SessionLock(one), SessionLock(other):  # no recorder may be at work on either
        if into is not None and into not in (one, other):
            copy_session(one, into)
        joined = join_halves(
            target, one if target == other else other, at=f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", by="collect"
        )
    missing = missing_half(target)
    if as_json:
        print_json({**asdict(joined), "missing": missing})
    else:
        click.echo(
            f"one session again in {joined.folder}: {len(joined.files)} files and {joined.notes} notes from the other "
            "half, all hashed"
        )
        click.echo(f"next: trialcapture process {joined.folder}")
    if missing:
        raise TrialCaptureError(
            "the session is still not whole", seen=missing, where=str(target), expected="join the other parts, too"
        )


# ------------------------------------------------------------------------------
# ``trialcapture verify``.
# ------------------------------------------------------------------------------


@click.command()
@path_argument("SESSION")
@json_option
@click.pass_context
def verify(context: click.Context, session: Path, as_json: bool) -> None:
    """Check every hash, line and second of a session's raw files.

    Says what is damaged and what survives. Nothing is changed.
    """
    from trialcapture.archive.manifest import raw_files  # noqa: PLC0415
    from trialcapture.archive.verify import verify_session  # noqa: PLC0415

    total = 2 * sum(path.stat().st_size for path in raw_files(session)) or 1
    done = 0
    with shown_progress() as progress:

        def read(size: int) -> None:
            nonlocal done
            done += size
            progress("reading raw files", min(done / total, 1.0))

        found = verify_session(session, progress=read)
    if as_json:
        print_json(asdict(found))
    else:
        files = "no manifest" if found.files is None else f"{found.files} files by their hash"
        click.echo(f"session {found.session}: {files}, {found.lines} lines")
        if found.sentences:
            click.echo("received: " + ", ".join(f"{count} {kind}" for kind, count in found.sentences.items()))
        for a in found.accounts:
            unnamed = f" + {a.unnamed_s:.1f} s UNNAMED" if a.unnamed_s else ""
            named = f"{a.data_s:.1f} s data + {a.gap_s:.1f} s in {a.gaps} named gap(s)"
            click.echo(f"{a.source}: {a.span_s:.1f} s = {named}{unnamed}")
        for remark in found.remarks:
            say(remark, label="note", err=False)
        for fault in found.faults:
            say(fault, label="fault", err=False)
        click.echo(f"{len(found.faults)} fault(s)" if found.faults else "all sound")
    context.exit(1 if found.faults else 0)
