"""The command line, from what was typed to the exit code.

`commands` declares every command with its options and help. Each is done by a function of its name, which is imported
when it runs: in a module of the command's name, or in that of a neighbour (`collect` has draft-log, `note` review,
`seal` pack; of the archive's commands, `archive_results` has compare and process, `archive` all others). `record` takes
care of signals and then loads `recording`, and `beside` starts what runs beside a recorder: the desk, and `follow`.
`output` and `sealing` hold what several commands print.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import click

from trialcapture.cli.commands import group
from trialcapture.cli.output import report_fault, show_usage_fault, tell
from trialcapture.system.console import show_any_text

__all__ = ["group", "main"]
_STOPPED = 130
"""Exit code of a program ended by Ctrl-C (128 + SIGINT, POSIX shells)."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 a fault in input or use, 2 wrong usage, 130 stopped."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    # Arrow's own pools keep what they once had; the system's memory goes back to the system
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
    _fill_standard_handles()
    show_any_text(sys.stdout, sys.stderr)
    sys.exit(_run(given))


def _fill_standard_handles() -> None:
    """Where a standard handle was closed before the start, lead it to nowhere.

    The next file to be opened would take its number, and what a library writes to standard error would go into it.
    """
    with suppress(OSError):
        while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:
            pass
        os.close(handle)


def _run(given: list[str]) -> int:
    try:
        with _stopped_like_ctrl_c():
            code = group.main(args=given, prog_name="trialcapture", standalone_mode=False)
            if sys.stdout is not None:
                sys.stdout.flush()
    except (click.Abort, KeyboardInterrupt):
        tell("", err=True)
        tell("stopped; nothing half-written was left", err=True)
        return _STOPPED
    except click.ClickException as fault:
        show_usage_fault(fault)
        return fault.exit_code
    except BrokenPipeError:  # the reader of our output has gone, as in '| head'
        with suppress(OSError, ValueError):  # or Python complains once more while it closes down
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except Exception as fault:  # noqa: BLE001  a person must never see a traceback
        with suppress(OSError, ValueError):  # nobody can read it; the exit code stands
            report_fault(fault, as_json="--json" in given)
        return 1
    return code if isinstance(code, int) else 0


@contextmanager
def _stopped_like_ctrl_c() -> Iterator[None]:
    """Let a polite kill and a closed terminal end the program as Ctrl-C does, tidying up."""
    names = [name for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    former = {}
    with suppress(ValueError):  # not the main thread: signals are somebody else's
        for name in names:
            number = getattr(signal, name)
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup stays in force
                former[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
