"""How a command is declared: apart from what it does, with the arguments and options that several share.

`LazyGroup` is where the command line loads what it needs and nothing else: help, completion and the answer to a
mistyped command are there at once.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

import click

Declared = TypeVar("Declared", bound=Callable[..., Any])
PATH = click.Path(path_type=Path, readable=False)
"""Any path; whether it is there and may be read is said later, in more words and with exit code 1."""
UNITS = click.Choice(("metric", "us", "imperial"))


class LazyCommand(click.Command):
    """A command whose module is imported when it runs, and not for its help.

    Args:
        args: See `click.Command`, whose callback gives name and help alone.
        module: Of `trialcapture.cli`. Its function of the same name as the callback takes what was typed.
        kwargs: See `click.Command`.
    """

    def __init__(self, *args: Any, module: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._module, self._function = f"trialcapture.cli.{module}", getattr(self.callback, "__name__", "")

    def load(self) -> Callable[..., Any]:
        """Import the module and return the function that does the work."""
        found: Callable[..., Any] = getattr(import_module(self._module), self._function)
        return found

    def invoke(self, ctx: click.Context) -> Any:
        """Do the work."""
        return ctx.invoke(self.load(), **ctx.params)


class LazyGroup(click.Group):
    """A group whose commands are declared as ``@group.command(module="note")`` on a function without a body."""

    command_class = LazyCommand


def path_argument(name: str) -> Callable[[Declared], Declared]:
    """Give a command a path as argument."""
    return click.argument(name.lower(), metavar=name, type=PATH)


def path_option(*names: str, **look: Any) -> Callable[[Declared], Declared]:
    """Give a command an option that takes a path; the rest as `click.option` takes it."""
    return click.option(*names, type=PATH, **look)


def archive_argument(name: str = "ARCHIVE") -> Callable[[Declared], Declared]:
    """Give a command an archive as argument."""
    return click.argument(name.lower(), metavar=name)


def json_option(command: Declared) -> Declared:
    """Give a command ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print machine-readable output.")(command)


def plan_option(command: Declared) -> Declared:
    """Give a command ``--plan``."""
    text = "Trial plan (TOML with a [plan] table) to use instead of that of the settings."
    return path_option("--plan", "plan_path", metavar="FILE", help=text)(command)


def accept_option(command: Declared) -> Declared:
    """Give a command ``--accept-changes``."""
    return click.option(
        "--accept-changes",
        "accept",
        metavar="REASON",
        help="Take over what was changed since the session was sealed; the reason becomes a line of the seal.",
    )(command)
