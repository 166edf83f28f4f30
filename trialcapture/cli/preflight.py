"""``trialcapture preflight``: listen to what is there before the recording."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.acquire.preflight import Check, explained_lines
from trialcapture.acquire.preflight import preflight as run_preflight
from trialcapture.cli.output import hang, print_json, shown_progress, tell
from trialcapture.config import read_config
from trialcapture.report.format import doubtful_sizes

_MEND_SIZE = "Compare it with the plate or the papers now: its unit may have slipped."
_MARKS = {"ok": "ok", "missing": "MISSING", "warning": "look", "later": "later", "unknown": "?"}


@click.pass_context
def preflight(context: click.Context, config: Path, seconds: float, into: Path | None, as_json: bool) -> None:
    """Listen on every source and print what is there."""
    settings, text = read_config(config)
    with shown_progress() as progress:
        found = run_preflight(
            settings,
            seconds=seconds,
            into=into,
            config_text=text,
            progress=lambda share: progress("listening", share),
            beside=[Check("weights and tanks", "warning", said, _MEND_SIZE) for said in doubtful_sizes(settings)],
        )
    if as_json:
        print_json({**asdict(found), "ready": found.ready})
    else:
        width = max(len(check.name) for check in found.checks)
        for check in found.checks:
            hang(f"{_MARKS[check.state]:8}{check.name:{width}}  ", check.seen)
            if check.remedy:
                hang(f"{'':8}{'':{width}}  -> ", check.remedy)
        if found.sentences:
            tell("what was heard, field by field:")
            for line in explained_lines(found.sentences):
                tell(line)
        if found.stored is not None:
            tell(f"stored in {found.stored}")
        tell("ready" if found.ready else "not ready")
    context.exit(0 if found.ready else 1)
