"""What every command shares: ``--json``, progress on stderr, and faults in words."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
import tempfile
import textwrap
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.safe_text import clean_lines, clean_text
from trialcapture.system.console import write_ascii

# ------------------------------------------------------------------------------
# Values as JSON can hold them.
# ------------------------------------------------------------------------------


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: NaN and infinity become null, keys, times and paths become text.

    A byte of a file name that is no UTF-8 becomes its escape: half a surrogate pair is no character to other programs.
    """
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, Mapping):
        return {plain(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return plain(str(value)) if isinstance(value, Path) else value


_MOST_NAMED = 20
"""Of faults, remarks and names that are printed one by one (our choice); --json has all of them."""
Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""


def print_json(value: Mapping[str, Any]) -> None:
    """Print a value as JSON on stdout, in ASCII, which is UTF-8 as well: the same bytes through any pipe."""
    write_ascii(json.dumps(plain(value), indent=1, allow_nan=False))


def tell(text: str = "", *, err: bool = False) -> None:
    """Print one line, whatever is in it: names and notes come from anybody. On stdout unless told otherwise."""
    click.echo(clean_text(text), err=err)


def tell_lines(text: str) -> None:
    """Print lines that are ours on stdout, whatever is in them; a line end of another kind parts none."""
    click.echo(clean_lines(text).removesuffix("\n"))


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """Show steps and their progress on stderr while it is a terminal; otherwise say nothing."""
    if not sys.stderr.isatty():
        yield lambda _step, _share: None
        return
    from rich import console, markup, progress  # noqa: PLC0415  30 ms that only a person at a terminal needs

    columns = (progress.TextColumn("{task.description}"), progress.BarColumn(), progress.TimeElapsedColumn())
    with progress.Progress(*columns, console=console.Console(stderr=True), transient=True) as bars:
        task = bars.add_task("", total=None)

        def show(step: str, share: float | None) -> None:
            bars.update(
                task,
                description=markup.escape(clean_text(step)),
                total=None if share is None else 1.0,
                completed=share or 0.0,
            )

        yield show


# ------------------------------------------------------------------------------
# What a person sees when something went wrong: one clear message, and never a traceback.
# ------------------------------------------------------------------------------


def report_fault(fault: Exception, *, as_json: bool) -> None:
    """Print a fault on stderr, and as JSON on stdout where that was asked for."""
    if isinstance(fault, OSError) and fault.filename is not None:
        fault = TrialCaptureError(
            "a file or folder cannot be used",
            seen=fault.strerror,
            where=str(fault.filename),
            expected="check that it is there and that you may use it",
        )
    if isinstance(fault, TrialCaptureError):
        text = str(fault)
        entry = {
            "what": fault.what,
            "seen": None if fault.seen is None else str(fault.seen),
            "where": fault.where,
            "expected": fault.expected,
        }
        if isinstance(fault, ConfigError):
            entry["faults"] = fault.faults  # type: ignore[assignment]
    else:
        text = fault_text(fault)
        entry = {"what": text, "seen": f"{type(fault).__name__}: {fault}", "where": None, "expected": None}
    if as_json:
        print_json({"error": entry})
    say(text.split("\n"), label="error")


def show_usage_fault(fault: click.ClickException) -> None:
    """Print what is wrong with a command line; a file name in it may hold anything."""
    for name in ("message", "option_name"):
        if isinstance(text := getattr(fault, name, None), str):
            setattr(fault, name, clean_lines(text))
    fault.show()


def say(text: str | Sequence[str], *, label: str, err: bool = True) -> None:
    """Print a message, wrapped to the terminal and hanging under its label; on stderr unless told otherwise.

    Args:
        text: One line, or several; a line end inside of one is not ours and is spelled out.
        label: What stands before it.
        err: On stderr.
    """
    lines = [text] if isinstance(text, str) else text
    width = min(max(shutil.get_terminal_size((80, 24)).columns, 40), 100)
    for number, line in enumerate(map(clean_text, lines)):
        body = line.lstrip()
        lead = f"{label}: " if number == 0 else line[: len(line) - len(body)]
        if body.startswith("- "):
            lead, body = lead + "- ", body[2:]
        wrapped = textwrap.fill(
            body,
            width,
            initial_indent=lead,
            subsequent_indent=" " * len(lead),
            break_long_words=False,
            break_on_hyphens=False,
        )
        click.echo(wrapped, err=err)


def say_all(label: str, texts: Sequence[str]) -> None:
    """Print messages of one kind on stdout, the first of them where there are many."""
    for text in texts[:_MOST_NAMED]:
        say(text, label=label, err=False)
    if len(texts) > _MOST_NAMED:
        say(f"{len(texts) - _MOST_NAMED} more; --json names all of them", label=label, err=False)


def counted(count: int, noun: str) -> str:
    """Return a number with its noun in the right number."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def hang(lead: str, text: str) -> None:
    """Print a text behind its lead, wrapped to the terminal and hanging; below it where that leaves little room."""
    lead, text = clean_text(lead), clean_text(text)
    width = max(shutil.get_terminal_size((80, 24)).columns, 40)
    if len(lead) + len(text) <= width:
        click.echo(lead + text)
        return
    if len(lead) > width // 2 and lead.strip() == "->":
        lead = "    -> "
    indent = " " * (len(lead) if len(lead) <= width // 2 else 4)
    if len(indent) < len(lead):
        click.echo(lead.rstrip())
    wrapped = textwrap.wrap(text, width - len(indent), break_long_words=False, break_on_hyphens=False)
    first = lead if len(indent) == len(lead) else indent
    for number, line in enumerate(wrapped):
        click.echo((indent if number else first) + line)


def fault_text(fault: Exception) -> str:
    """Return what to say about a fault of the program; its traceback is kept in a file."""
    start = f"something unexpected happened ({type(fault).__name__}: {clean_text(str(fault))[:500]})"
    start += ". This is a fault of the program; raw files are as they were."
    stem = f"trialcapture-fault-{datetime.now(UTC):%Y%m%dT%H%M%SZ}-"
    details = "".join(traceback.format_exception(fault))
    try:
        # made anew under a name that nobody can guess, for this user alone: others may write to the folder too
        handle, path = tempfile.mkstemp(suffix=".log", prefix=stem)
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"{' '.join(sys.argv)}\n\n{details}")
    except OSError:
        return f"{start} The details could not be kept: {' | '.join(details.splitlines())}"
    return f"{start} The details are in {path}; please send them to whoever looks after the program."
