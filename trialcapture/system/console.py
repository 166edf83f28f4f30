"""The console: text that survives any code page, keys, a click that must not stop it, and a window that is closed.

Keys come as characters one at a time; arrow and function keys are swallowed whole.
"""

from __future__ import annotations

import codecs
import ctypes
import os
import select
import sys
import webbrowser
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib import import_module
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


PollKey = Callable[[], str]
"""Returns the key pressed since the last call, or ""."""


@contextmanager
def keyboard(*, system: SystemName | None = None) -> Iterator[PollKey]:
    """Give a function that returns the key pressed, without waiting and without echo.

    Keys that are no characters (arrows, function keys, Alt with a letter) are never returned, whole or in part.
    Where standard input is no terminal it always returns "".
    """
    if not sys.stdin or not sys.stdin.isatty():
        yield lambda: ""
    elif (system or system_name()) == "windows":
        yield windows_keys()
    else:
        with _unbuffered(sys.stdin.fileno()) as handle:
            yield terminal_keys(handle)


def is_in_foreground(*, system: SystemName | None = None, calls: Any = os) -> bool:
    """Say whether keys are meant for this program; to read them in the background would stop it (POSIX shells).

    Args:
        system: Which system; this one by default.
        calls: The module ``os``.
    """
    if (system or system_name()) == "windows":
        return True
    try:
        return bool(calls.tcgetpgrp(sys.stdin.fileno()) == calls.getpgrp())
    except (OSError, ValueError, AttributeError):
        return True


# ------------------------------------------------------------------------------
# Windows: the console tells each key as an event, with its character or none.
# ------------------------------------------------------------------------------

_KEY_EVENT, _ALT_KEY = 0x0001, 0x12


class KeyEvent(ctypes.Structure):
    """KEY_EVENT_RECORD of the Windows API."""

    _fields_ = (
        ("is_down", ctypes.c_int),
        ("repeats", ctypes.c_ushort),
        ("key", ctypes.c_ushort),
        ("scan_code", ctypes.c_ushort),
        ("character", ctypes.c_ushort),
        ("control_keys", ctypes.c_uint32),
    )


class InputRecord(ctypes.Structure):
    """INPUT_RECORD of the Windows API; its other events are as long as that of a key."""

    _fields_ = (("kind", ctypes.c_ushort), ("event", KeyEvent))


def windows_keys(kernel: Any = None, module: Any = None) -> PollKey:
    """Return what reads keys from a console of Windows.

    Args:
        kernel: Calls of ``kernel32.dll``.
        module: The module ``msvcrt``, used where standard input has no events.
    """
    kernel = kernel or windows_kernel()
    if kernel is not None:
        handle = kernel.GetStdHandle(_STANDARD_INPUT)
        count = ctypes.c_uint32()
        if kernel.GetNumberOfConsoleInputEvents(handle, ctypes.byref(count)):
            return lambda: _next_character(kernel, handle)
    module = module or import_module("msvcrt")
    return lambda: _next_code(module)


def _next_character(kernel: Any, handle: Any) -> str:
    """Take console events until one has a character: keys without one and mouse moves have none."""
    count, taken, record = ctypes.c_uint32(), ctypes.c_uint32(), InputRecord()
    while kernel.GetNumberOfConsoleInputEvents(handle, ctypes.byref(count)) and count.value:
        if not kernel.ReadConsoleInputW(handle, ctypes.byref(record), 1, ctypes.byref(taken)) or not taken.value:
            return ""
        event = record.event
        # a character typed by its number on the keypad comes when Alt is let go
        if record.kind == _KEY_EVENT and event.character and (event.is_down or event.key == _ALT_KEY):
            return chr(event.character)
    return ""


def _next_code(module: Any) -> str:
    r"""Take a key from the C library, which gives two codes for a special one, the first of them 0 or E0.

    Source: Microsoft, _getch and _getwch. The second is always there: it must be read, or it would be the next key.
    """
    while module.kbhit():
        code: str = module.getwch()
        if code not in ("\x00", "\xe0"):
            return code
        module.getwch()
    return ""


# ------------------------------------------------------------------------------
# Linux and macOS: a terminal sends special keys as sequences that begin with Escape (ECMA-48, section 5.4).
# ------------------------------------------------------------------------------

_SEQUENCE_WAIT_S = 0.05
"""How long the rest of a sequence may take after its Escape (common practice, no source)."""


@contextmanager
def _unbuffered(handle: int) -> Iterator[int]:
    """Have the terminal hand on each key at once and show none."""
    termios, tty = import_module("termios"), import_module("tty")
    before: list[Any] = termios.tcgetattr(handle)
    try:
        tty.setcbreak(handle)
        yield handle
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def terminal_keys(handle: int) -> PollKey:
    """Return what reads keys from a terminal, given its file handle."""
    codes = KeyCodes()

    def took_more(wait_s: float) -> bool:
        try:
            data = os.read(handle, 1024) if select.select([handle], [], [], wait_s)[0] else b""
        except OSError:  # the terminal is gone, and with it the keys
            data = b""
        codes.feed(data)
        return bool(data)

    def poll() -> str:
        while took_more(0.0):
            pass
        while codes.is_inside() and took_more(_SEQUENCE_WAIT_S):
            pass
        codes.settle()
        return codes.take()

    return poll


class KeyCodes:
    """Parts what a terminal sends into characters and special keys, of which only the characters are given on."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("ignore")
        self._keys: deque[str] = deque()
        self._state = "text"
        self._after_escape = False

    def feed(self, data: bytes) -> None:
        """Take in what the terminal sent, wherever it was cut."""
        for code in self._decoder.decode(data):
            self._take_in(code)

    def is_inside(self) -> bool:
        """Return whether a sequence has begun and not ended."""
        return self._state != "text"

    def settle(self) -> None:
        """Nothing more came for a while: an Escape alone was the key itself, the rest of a sequence is dropped."""
        if self._state == "escape":
            self._keys.append("\x1b")
            self._after_escape = True
        self._state = "text"

    def take(self) -> str:
        """Return the next character, or ""."""
        return self._keys.popleft() if self._keys else ""

    def _take_in(self, code: str) -> None:
        # where a line is so slow that Escape was taken for the key, the rest of the sequence follows
        begun = _AFTER_ESCAPE.get(code) if self._after_escape and code in "[O" else None
        self._after_escape = False
        if self._state == "text" and begun is None and code not in _BEGINNINGS:
            self._keys.append(code)
        else:
            self._state = begun or _next_state(self._state, code)


_BEGINNINGS = {"\x1b": "escape", "\x9b": "control"}
_AFTER_ESCAPE = {"[": "control", "O": "single", "\x1b": "escape", **dict.fromkeys("P]_^X", "string")}


def _next_state(state: str, code: str) -> str:
    """Return where in a sequence its next character leads: "text" when it was the last one."""
    match state:
        case "text":
            return _BEGINNINGS[code]
        case "escape":
            return _AFTER_ESCAPE.get(code, "text")  # any other is a key together with Alt
        case "control":
            if code == "[":  # F1 to F5 of the Linux console: ESC [ [ A
                return "single"
            if code == "\x1b":  # the one before was broken off
                return "escape"
            return "text" if "\x40" <= code <= "\x7e" else "control"
        case "single":
            return "single" if code.isdigit() or code == ";" else "text"
        case "string":
            return {"\x07": "text", "\x1b": "string end"}.get(code, "string")
        case _:  # ESC \ ends a string
            return "text" if code == "\\" else "string"
