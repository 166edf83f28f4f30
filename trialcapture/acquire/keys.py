"""Keys pressed while recording, one at a time, and what is typed with them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

PollKey = Callable[[], str]
"""Returns the key pressed since the last call, or ""."""


@contextmanager
def keyboard() -> Iterator[PollKey]:
    """Give a function that returns the key pressed, without waiting and without echo.

    Where standard input is no terminal it always returns "".
    """
    if not sys.stdin or not sys.stdin.isatty():
        yield lambda: ""
        return
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415  Windows only

        yield lambda: msvcrt.getwch() if msvcrt.kbhit() else ""
        return
    import os  # noqa: PLC0415  the rest is POSIX only
    import select  # noqa: PLC0415
    import termios  # noqa: PLC0415
    import tty  # noqa: PLC0415

    handle = sys.stdin.fileno()
    before: list[Any] = termios.tcgetattr(handle)

    def poll() -> str:
        if not select.select([handle], [], [], 0)[0]:
            return ""
        return os.read(handle, 1).decode("utf-8", "ignore")

    try:
        tty.setcbreak(handle)
        yield poll
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


class KeyEntry:
    """Turns keys into notes: ``m`` marks at once, ``t`` asks for the trim and Enter keeps it, Esc forgets it.

    Args:
        note: Called with kind, value and unit.
    """

    def __init__(self, note: Callable[[str, float | str, str], None]) -> None:
        self._note = note
        self._typed: str | None = None
        self.marks = 0

    @property
    def prompt(self) -> str:
        """What is being typed, "" when nothing is."""
        return "" if self._typed is None else f"trim in percent, then Enter (Esc forgets): {self._typed}_"

    def press(self, key: str) -> None:
        """Take in one key."""
        if self._typed is None:
            if key in ("m", "M", " "):
                self.marks += 1
                self._note("mark", self.marks, "")
            elif key in ("t", "T"):
                self._typed = ""
        elif key in ("\r", "\n"):
            text, self._typed = self._typed.strip().replace(",", "."), None
            if text:
                number = _number(text)
                self._note("trim", text if number is None else number, "" if number is None else "%")
        elif key == "\x1b":
            self._typed = None
        elif key in ("\x7f", "\b"):
            self._typed = self._typed[:-1]
        elif key.isprintable():
            self._typed = (self._typed + key)[:20]


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if abs(number) <= 100 else None
