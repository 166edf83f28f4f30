"""The console: text that survives any code page, a click that must not stop it, and a window that is closed."""

from __future__ import annotations

import ctypes
import os
import select
import sys
import webbrowser
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any, TextIO

from trialcapture.system.operating_system import SystemName, system_name, windows_kernel

# ------------------------------------------------------------------------------
# Characters that a console does not have.
# ------------------------------------------------------------------------------


def show_any_text(*streams: TextIO | None) -> None:
    """Let streams print a replacement for a character that their code page lacks, where they would fail.

    Args:
        streams: Standard output and the like; None is passed over.
    """
    for stream in streams:
        with suppress(AttributeError, ValueError, OSError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]


def write_ascii(text: str, stream: TextIO | None = None) -> None:
    """Write text of ASCII alone and a line end as the very same bytes everywhere.

    A text stream of Windows may be in any code page, even UTF-16, and writes two bytes for a line end.

    Args:
        text: Without characters above 0x7E.
        stream: Standard output by default.
    """
    stream = stream or sys.stdout
    data = text.encode("ascii") + b"\n"
    binary = getattr(stream, "buffer", None)
    stream.flush()
    if binary is None:
        stream.write(data.decode("ascii"))
    else:
        binary.write(data)
    stream.flush()


def has_no_reader(stream: TextIO | None, *, system: SystemName | None = None, calls: Any = select) -> bool:
    """Say whether an output leads to a pipe without a reader or to a closed terminal; Windows cannot tell unasked.

    Args:
        stream: Standard output and the like.
        system: Which system; this one by default.
        calls: The module ``select``.
    """
    if stream is None or (system or system_name()) == "windows":
        return False
    try:
        asked = calls.poll()
        asked.register(stream.fileno(), 0)
        return any(found & (calls.POLLERR | calls.POLLHUP) for _, found in asked.poll(0))
    except (OSError, ValueError):
        return False


def open_page(
    url: str,
    *,
    system: SystemName | None = None,
    environment: Mapping[str, str] = os.environ,
    browser: Any = webbrowser,
) -> bool:
    """Open a page in the user's browser; return whether that could be done.

    Without a display Python would start a browser of text, which takes the terminal.

    Args:
        url: Of the page.
        system: Which system; this one by default.
        environment: Environment variables.
        browser: The module ``webbrowser``.
    """
    has_display = any(environment.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY"))
    if (system or system_name()) == "linux" and not has_display:
        return False
    try:
        return bool(browser.open(url))
    except (OSError, browser.Error):
        return False


# ------------------------------------------------------------------------------
# The classic console of Windows: one click into it selects text, and every program that writes to it waits.
# ------------------------------------------------------------------------------

_STANDARD_INPUT = 0xFFFFFFF6
_QUICK_EDIT, _EXTENDED = 0x0040, 0x0080
"""ENABLE_QUICK_EDIT_MODE, and ENABLE_EXTENDED_FLAGS, without which it is not changed (Windows API, SetConsoleMode)."""


@contextmanager
def clicks_ignored(kernel: Any = None) -> Iterator[bool]:
    """Switch quick edit off meanwhile, so that a click selects nothing; gives whether that was done.

    Args:
        kernel: Calls of ``kernel32.dll``.
    """
    kernel = kernel or windows_kernel()
    mode = ctypes.c_uint32()
    handle = None if kernel is None else kernel.GetStdHandle(_STANDARD_INPUT)
    if kernel is None or not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
        yield False
        return
    done = bool(kernel.SetConsoleMode(handle, mode.value & ~_QUICK_EDIT | _EXTENDED))
    try:
        yield done
    finally:
        kernel.SetConsoleMode(handle, mode.value | _EXTENDED)


# ------------------------------------------------------------------------------
# The window is closed, the user logs off, the computer shuts down: Windows ends the program a few seconds later.
# ------------------------------------------------------------------------------

CLOSING_S = 4.5
"""How long the program may take to end: Windows ends it five seconds after the window was closed (Windows API,
HandlerRoutine)."""
CLOSINGS = {2: "the console window was closed", 5: "the user logged off", 6: "the computer is shutting down"}
"""CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT. A program that has loaded ``user32.dll`` is not told of
the last two (Windows API, SetConsoleCtrlHandler): what it has written is safe, and its session is closed later."""
_make_handler = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)(ctypes.c_int, ctypes.c_uint32)


@contextmanager
def closing_noticed(finish: Callable[[str], object], kernel: Any = None) -> Iterator[bool]:
    """Call a function when Windows is about to end the program; gives whether that could be asked for.

    The function is called in a thread of the system. The program is ended when it returns, and in any case after five
    seconds, so it should wait for what must be finished, `CLOSING_S` at most. Ctrl-C and Ctrl-Break are left to
    Python. On other systems signals tell the same.

    Args:
        finish: Called with the reason, one sentence without a full stop.
        kernel: Calls of ``kernel32.dll``.
    """
    kernel = kernel or windows_kernel()
    if kernel is None:
        yield False
        return

    def handle(number: int) -> int:
        reason = CLOSINGS.get(number)
        if reason is None:
            return 0  # not ours: the next handler is asked
        finish(reason)
        return 1

    routine = _make_handler(handle)  # held here: the system knows only its address
    asked = bool(kernel.SetConsoleCtrlHandler(routine, 1))
    try:
        yield asked
    finally:
        if asked:
            kernel.SetConsoleCtrlHandler(routine, 0)
