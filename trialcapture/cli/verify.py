"""``trialcapture verify``: what stands in a session, and whether its seal and results agree with it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.archive.seal import (
    parse_root,
)
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import root_text
from trialcapture.config import read_config
from trialcapture.pipeline.derived_again import verify_with_results

if TYPE_CHECKING:
    from trialcapture.archive.verify import Verification


@click.pass_context
def verify(
    context: click.Context, session: Path, root: str | None, derive: bool, config_path: Path | None, as_json: bool
) -> None:
    """Check a session and print what was found."""
    if config_path is not None and not derive:
        raise click.UsageError("--config goes with --derive")
    wanted = None if root is None else parse_root(root)
    text = None if config_path is None else read_config(config_path)[1]
    with shown_progress() as progress:
        found = verify_with_results(session, root=wanted, progress=progress, derive=derive, config_text=text)
    if as_json:
        print_json(asdict(found) | {"ending": found.ending})
    else:
        _print_verification(found, wanted)
    context.exit(1 if found.ending in ("damaged", "cannot be vouched for") else 0)


def _print_verification(found: Verification, wanted: str | None) -> None:
    tell(f"session {found.session}: {found.files} raw files, {found.lines} lines")
    if found.sentences:
        tell("received: " + ", ".join(f"{count} {kind}" for kind, count in found.sentences.items()))
    for a in found.accounts:
        unnamed = f" + {a.unnamed_s:.1f} s UNNAMED" if a.unnamed_s else ""
        named = f"{a.data_s:.1f} s data + {a.gap_s:.1f} s in {a.gaps} named gap(s)"
        tell(f"{a.source}: {a.span_s:.1f} s = {named}{unnamed}")
    for remark in found.remarks:
        say(remark, label="note", err=False)
    for loss in found.losses:
        say(str(loss), label="loss", err=False)
    for fault in found.faults:
        say(fault, label="fault", err=False)
    for missing in found.unvouched:
        say(missing, label="cannot vouch", err=False)
    _print_seal(found, wanted)
    tell(found.ending)


def _print_seal(found: Verification, wanted: str | None) -> None:
    lines = found.seal.lines
    if not lines:
        return
    tell("seal:")
    for line in lines:
        tell(f"  {line.number} {line.t} {line.what}, by {line.by}")
    for text in root_text(lines[-1].root).partition("\nNote it")[0].split("\n"):
        tell(text)
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
        say(
            "A root proves session.toml and raw/ as they were then. By whom, when and why stands in seal.jsonl alone: "
            "note or mail that file, too",
            label="root",
            err=False,
        )
