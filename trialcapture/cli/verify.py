"""``trialcapture verify``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.cli.output import json_option, path_argument, print_json, say, shown_progress


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
