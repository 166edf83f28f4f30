"""Commands on board: ``preflight`` listens to what is there, ``record`` keeps it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.cli.output import (
    PATH,
    hang,
    json_option,
    path_argument,
    plan_option,
    print_json,
    root_text,
    shown_progress,
    tell,
)
from trialcapture.errors import TrialCaptureError


@click.command()
@path_argument("CONFIG")
@click.option(
    "--into",
    metavar="DIR",
    required=True,
    type=PATH,
    help="Folder of the session to make, or to go on with.",
)
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="Stop after so long; else Ctrl-C stops.")
@click.option("--resume", is_flag=True, help="Go on with a session that is there.")
@click.option(
    "--second",
    metavar="DIR",
    type=PATH,
    help="Folder on another disk, taken when the first one fails or fills.",
)
@click.option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    type=PATH,
    help="A log that another program is writing; copied as it grows.",
)
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Times real time, for sources of kind replay.",
)
@plan_option
@json_option
def record(
    config: Path,
    into: Path,
    plan_path: Path | None,
    minutes: float | None,
    resume: bool,
    second: Path | None,
    engine_logs: tuple[Path, ...],
    speed: float,
    as_json: bool,
) -> None:
    """Record every source of CONFIG until Ctrl-C or the time is up.

    The program only listens. It is no substitute for a lookout: the skipper
    decides, and nobody at the helm reads this screen.

    \b
    trialcapture record boat.toml --into monday
    """
    from trialcapture.acquire.recorder import record as record_sources  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    settings, text = read_config(config, plan_path)
    done = record_sources(
        settings,
        into,
        minutes=minutes,
        resume=resume,
        second=second,
        engine_logs=engine_logs,
        config_text=text,
        speed=speed,
    )
    told = {
        "session": done.session,
        "folder": done.folder,
        "elapsed_s": done.elapsed_s,
        "complete": done.complete,
        "on_disk_bytes": done.status.on_disk_bytes,
        "root": done.root or None,
    }
    if as_json:
        print_json(told)
    else:
        tell(f"session {done.session} in {done.folder}: {done.elapsed_s:.0f} s recorded")
        if done.root:
            for line in root_text(done.root).split("\n"):
                tell(line)
        tell(f"next: trialcapture process {done.folder}")
    if not done.complete:
        raise TrialCaptureError(
            "not everything that was received is on the disk",
            where=str(done.folder),
            expected="see raw/notes.jsonl for what is missing, and check the disk",
        )
    if done.unsealed:
        raise TrialCaptureError(
            "all that was received is on the disk, but the session could not be sealed, so no hash covers it yet",
            seen=done.unsealed,
            where=str(done.folder),
            expected=f"close it now: trialcapture seal {done.folder}",
        )


# ------------------------------------------------------------------------------
# ``trialcapture preflight``.
# ------------------------------------------------------------------------------

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
