"""What every command shares: ``--json`` and progress on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from trialcapture.json_values import plain

Command = TypeVar("Command", bound=Callable[..., Any])
PATH = click.Path(path_type=Path, readable=False)
"""Any path; whether it is there and may be read is said later, in more words and with exit code 1."""
Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""


def json_option(command: Command) -> Command:
    """Give a command ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print machine-readable output.")(command)


def path_argument(name: str) -> Callable[[Command], Command]:
    """Give a command a path as argument."""
    return click.argument(name.lower(), metavar=name, type=PATH)


def print_json(value: Mapping[str, Any]) -> None:
    """Print a value as JSON on stdout."""
    click.echo(json.dumps(plain(value), indent=1, allow_nan=False, ensure_ascii=False))


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """Show steps and their progress on stderr while it is a terminal; otherwise say nothing."""
    if not sys.stderr.isatty():
        yield lambda _step, _share: None
        return
    from rich.console import Console  # noqa: PLC0415  help must not wait for it
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn  # noqa: PLC0415
    from rich.progress import Progress as Bars  # noqa: PLC0415

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("", total=None)

        def show(step: str, share: float | None) -> None:
            bars.update(task, description=step, total=None if share is None else 1.0, completed=share or 0.0)

        yield show
