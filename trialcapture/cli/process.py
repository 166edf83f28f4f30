"""``trialcapture process``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.cli.output import PATH, json_option, path_argument, print_json, shown_progress

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
