"""``trialcapture collect``."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path

import click

from trialcapture.cli.output import PATH, json_option, print_json, say, shown_progress


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
    required=True,
    type=PATH,
    help="Folder of the session to make or to add to.",
)
@json_option
def collect(
    logs: tuple[Path, ...],
    engine_logs: tuple[Path, ...],
    config_path: Path | None,
    into: Path,
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
    """
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
