"""``trialcapture collect``: a session from files recorded elsewhere, or from its two halves."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.archive.collect import collect as collect_files
from trialcapture.archive.halves import copy_session, join_halves, missing_half, refuse_other_session
from trialcapture.archive.seal import read_chain, utc_now
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, offer_closing, root_text
from trialcapture.config import read_config
from trialcapture.errors import TrialCaptureError
from trialcapture.report.reader_units import doubtful_sizes
from trialcapture.system.session_lock import SessionLock, lock_if_there


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
    """Make a session from logs, add to one, or join two halves."""
    if halves is not None:
        if logs or engine_logs or config_path is not None:
            raise click.UsageError("--join takes two halves of a session and nothing else but --into.")
        _join(*halves, into, as_json)
        return
    if into is None:
        raise click.UsageError("Missing option '--into'.")

    if into.is_dir():
        offer_closing(into)
    config, text = (None, None) if config_path is None else read_config(config_path)
    told: list[str] = [] if config is None else doubtful_sizes(config)
    with shown_progress() as progress, lock_if_there(into):
        session = collect_files(
            logs,
            engine_logs,
            config,
            into,
            created=utc_now(),
            config_text=text,
            accept=acceptance(accept, by),
            progress=progress,
            warn=told.append,
        )
    chain = read_chain(session.folder)
    root = None if chain is None else chain.root
    if as_json:
        files = [{"path": f.path, "original": f.original, "sha256": f.sha256, "bytes": f.bytes} for f in session.files]
        print_json({"session": session.id, "folder": session.folder, "files": files, "root": root, "warnings": told})
        return
    for warning in told:
        say(warning, label="note")
    tell(f"session {session.id} in {session.folder}: {len(session.files)} files copied and hashed")
    if root is not None:
        for line in root_text(root).split("\n"):
            tell(line)
    tell(f"next: trialcapture process {session.folder}")


def _join(one: Path, other: Path, into: Path | None, as_json: bool) -> None:
    refuse_other_session(one, other)
    target = one if into is None else into
    with SessionLock(one), SessionLock(other):  # no recorder may be at work on either
        if into is not None and into not in (one, other):
            copy_session(one, into)
        joined = join_halves(target, one if target == other else other, at=utc_now(), by="collect")
    missing = missing_half(target)
    if as_json:
        print_json({**asdict(joined), "missing": missing})
    else:
        tell(
            f"one session again in {joined.folder}: {len(joined.files)} files and {joined.notes} notes from the other "
            "half, all hashed"
        )
        tell(f"next: trialcapture process {joined.folder}")
    if missing:
        raise TrialCaptureError(
            "the session is still not whole", seen=missing, where=str(target), expected="join the other parts, too"
        )
