"""Commands on a session: ``collect`` makes one, ``process`` derives its results, ``verify`` checks it."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.cli.output import (
    PATH,
    accept_option,
    acceptance,
    json_option,
    path_argument,
    print_json,
    root_text,
    say,
    shown_progress,
)
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    from trialcapture.archive.verify import Verification
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
@accept_option
@click.option("--by", metavar="NAME", default="", help="Who accepts the changes.")
@json_option
def collect(
    logs: tuple[Path, ...],
    engine_logs: tuple[Path, ...],
    config_path: Path | None,
    into: Path | None,
    halves: tuple[Path, Path] | None,
    accept: str | None,
    by: str,
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
    from trialcapture.archive.collect import collect as collect_files  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415
    from trialcapture.system.session_lock import NAME, SessionLock  # noqa: PLC0415

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
            accept=acceptance(accept, by),
            progress=progress,
            warn=told.append,
        )
    from trialcapture.archive.seal import read_chain  # noqa: PLC0415

    chain = read_chain(session.folder)
    root = None if chain is None else chain.root
    if as_json:
        files = [{"path": f.path, "original": f.original, "sha256": f.sha256, "bytes": f.bytes} for f in session.files]
        print_json({"session": session.id, "folder": session.folder, "files": files, "root": root, "warnings": told})
        return
    for warning in told:
        say(warning, label="note")
    click.echo(f"session {session.id} in {session.folder}: {len(session.files)} files copied and hashed")
    if root is not None:
        click.echo(root_text(root))
    click.echo(f"next: trialcapture process {session.folder}")


def _join(one: Path, other: Path, into: Path | None, as_json: bool) -> None:
    from trialcapture.archive.halves import copy_session, join_halves, missing_half, refuse_other_session  # noqa: PLC0415
    from trialcapture.system.session_lock import SessionLock  # noqa: PLC0415

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
@click.option("--root", metavar="ROOT", help="A root that was noted elsewhere, whole or its first digits.")
@json_option
@click.pass_context
def verify(context: click.Context, session: Path, root: str | None, as_json: bool) -> None:
    """Check a session: its seal, every hash, line and second, its results.

    Says what is damaged, what survives and what was lost while recording, and
    ends in one of: sound, sound with named losses, damaged, cannot be vouched
    for; the last two with exit code 1. Nothing is changed.

    With --root it says whether that root is in the seal, and what was added
    since it was noted.
    """
    from trialcapture.archive.manifest import raw_files  # noqa: PLC0415
    from trialcapture.archive.seal import parse_root  # noqa: PLC0415
    from trialcapture.archive.verify import verify_session  # noqa: PLC0415

    wanted = None if root is None else parse_root(root)
    total = 2 * sum(path.stat().st_size for path in raw_files(session)) or 1
    done = 0
    with shown_progress() as progress:

        def read(size: int) -> None:
            nonlocal done
            done += size
            progress("reading raw files", min(done / total, 1.0))

        found = verify_session(session, root=wanted, progress=read)
    if as_json:
        print_json(asdict(found) | {"ending": found.ending})
    else:
        _print_verification(found, wanted)
    context.exit(1 if found.ending in ("damaged", "cannot be vouched for") else 0)


def _print_verification(found: Verification, wanted: str | None) -> None:
    click.echo(f"session {found.session}: {found.files} raw files, {found.lines} lines")
    if found.sentences:
        click.echo("received: " + ", ".join(f"{count} {kind}" for kind, count in found.sentences.items()))
    for a in found.accounts:
        unnamed = f" + {a.unnamed_s:.1f} s UNNAMED" if a.unnamed_s else ""
        named = f"{a.data_s:.1f} s data + {a.gap_s:.1f} s in {a.gaps} named gap(s)"
        click.echo(f"{a.source}: {a.span_s:.1f} s = {named}{unnamed}")
    for remark in found.remarks:
        say(remark, label="note", err=False)
    for loss in found.losses:
        say(str(loss), label="loss", err=False)
    for fault in found.faults:
        say(fault, label="fault", err=False)
    for missing in found.unvouched:
        say(missing, label="cannot vouch", err=False)
    _print_seal(found, wanted)
    click.echo(found.ending)


def _print_seal(found: Verification, wanted: str | None) -> None:
    lines = found.seal.lines
    if not lines:
        return
    click.echo("seal:")
    for line in lines:
        click.echo(f"  {line.number} {line.t} {line.what}, by {line.by}")
    click.echo(root_text(lines[-1].root).partition("\nNote it")[0])
    if wanted is None:
        say(
            "The seal shows edits by whoever did not write all of it anew. Against somebody who did, only a root that "
            "was noted elsewhere proves anything: trialcapture verify SESSION --root ROOT",
            label="note",
            err=False,
        )
    elif found.root_given is not None:
        at = found.root_given
        since = lines[at.number :] if at in lines else ()
        say(f"the root given is that of line {at.number}: {at.what}, {at.t}, by {at.by}", label="root", err=False)
        told = "; ".join(
            f"{line.t} {line.what} by {line.by}"
            + (f" ({', '.join([f.path for f in line.files] + [f'{path} removed' for path in line.gone])})")
            for line in since
        )
        say(f"added since: {told or 'nothing'}", label="root", err=False)
