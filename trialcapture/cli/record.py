"""``trialcapture record``: signals are taken care of first, and then the recorder is loaded."""

from __future__ import annotations

from pathlib import Path

import click

from trialcapture.acquire.ending import EndRequest, ended_by_signals


@click.pass_context
def record(
    context: click.Context,
    config: Path | None,
    into: Path | None,
    plan_path: Path | None,
    minutes: float | None,
    resume: bool,
    second: Path | None,
    engine_logs: tuple[Path, ...],
    speed: float,
    attach: Path | None,
    stop: Path | None,
    with_desk: bool,
    as_json: bool,
) -> None:
    """Record until the end, or look at a recorder that is at work."""
    if attach is not None or stop is not None:
        if config is not None or into is not None or (attach is not None and stop is not None):
            raise click.UsageError("--attach SESSION and --stop SESSION each stand alone.")
        from trialcapture.cli import recording  # noqa: PLC0415  see below

        recording.look_at(attach, as_json) if attach is not None else recording.stop(stop or Path(), as_json)
        return
    if config is None:
        raise click.UsageError("Missing argument 'CONFIG'.")
    if into is None:
        raise click.UsageError("Missing option '--into'.")
    request = EndRequest()
    with ended_by_signals(request, until_exit=True):
        # it takes a while to load, and a terminal that is closed meanwhile must not keep the recording from beginning
        from trialcapture.cli import recording  # noqa: PLC0415

        code = recording.record_until_end(
            config, plan_path, into, with_desk=with_desk, as_json=as_json, minutes=minutes, resume=resume,
            second=second, engine_logs=engine_logs, speed=speed, request=request,
        )  # fmt: skip
    context.exit(code)
