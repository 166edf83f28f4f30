"""``trialcapture preflight``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.cli.output import PATH, json_option, path_argument, print_json, shown_progress

_MARKS = {"ok": "ok", "missing": "MISSING", "warning": "look", "later": "later", "unknown": "?"}


@click.command()
@path_argument("CONFIG")
@click.option(
    "--seconds",
    type=click.FloatRange(min=1),
    default=30.0,
    show_default=True,
    help="How long to listen.",
)
@click.option("--into", metavar="DIR", type=PATH, help="Session to store the result with; made if it is not there.")
@json_option
@click.pass_context
def preflight(context: click.Context, config: Path, seconds: float, into: Path | None, as_json: bool) -> None:
    """Listen on every source of CONFIG: what is there, what is missing.

    Only listens. Ends with exit code 1 when something the trial needs is
    missing, and says in one line how to mend it.

    \b
    trialcapture preflight boat.toml
    """
    from trialcapture.acquire.explain import explained_lines  # noqa: PLC0415
    from trialcapture.acquire.preflight import preflight as run_preflight  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    settings, text = read_config(config)
    with shown_progress() as progress:
        found = run_preflight(
            settings, seconds=seconds, into=into, config_text=text, progress=lambda share: progress("listening", share)
        )
    if as_json:
        print_json({**asdict(found), "ready": found.ready})
    else:
        width = max(len(check.name) for check in found.checks)
        for check in found.checks:
            click.echo(f"{_MARKS[check.state]:8}{check.name:{width}}  {check.seen}")
            if check.remedy:
                click.echo(f"{'':8}{'':{width}}  -> {check.remedy}")
        if found.sentences:
            click.echo("what was heard, field by field:")
            for line in explained_lines(found.sentences):
                click.echo(line)
        if found.stored is not None:
            click.echo(f"stored in {found.stored}")
        click.echo("ready" if found.ready else "not ready")
    context.exit(0 if found.ready else 1)
