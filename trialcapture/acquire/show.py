"""Showing a recording: a screen that is redrawn where there is a terminal, plain lines where there is none."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from trialcapture.acquire.events import Event
from trialcapture.acquire.keys import KeyEntry, PollKey, keyboard
from trialcapture.acquire.screen import render, status_line
from trialcapture.acquire.status import Status

_LINE_EVERY_S = 60.0
_QUIET_KINDS = ("beat", "can_clock", "gap")


class Show:
    """Shows status and alarms; a context manager.

    Args:
        console: Where to.
        stop: Set when the recording ends.
    """

    def __init__(self, console: Console, stop: threading.Event) -> None:
        self._console = console
        self._stop = stop
        self._stack = ExitStack()
        self._live: Live | None = None
        self._poll: PollKey = lambda: ""
        self._told: set[str] = set()
        self._next_line_s = 0.0

    def __enter__(self) -> Show:
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            self._poll = self._stack.enter_context(keyboard())
            self._live = self._stack.enter_context(
                Live(Text("opening…"), console=self._console, auto_refresh=False, screen=False, transient=False)
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.__exit__(kind, fault, trace)

    def heard(self, event: Event) -> None:
        """Print an event at once where the screen is not redrawn; called from any thread."""
        if self._live is None and event.kind not in _QUIET_KINDS:
            mark = {"red": "!! ", "yellow": "!  "}.get(event.severity, "   ")
            self._console.print(f"{mark}{event.text}", markup=False, highlight=False, soft_wrap=True)

    def update(self, status: Status, entry: KeyEntry) -> None:
        """Take the keys pressed and show the status."""
        while key := self._poll():
            entry.press(key)
        new = {alarm.key for alarm in status.alarms if alarm.severity == "red"} - self._told
        if self._live is not None:
            if new:
                self._console.bell()
            height = min(24, self._console.height)
            self._live.update(render(status, entry.prompt, height=height), refresh=True)
        else:
            for alarm in status.alarms:
                # what was printed as an event when it happened is not said twice
                if alarm.key not in self._told and not alarm.of_event:
                    mark = "!! " if alarm.severity == "red" else "!  "
                    self._console.print(f"{mark}{alarm.text}", markup=False, highlight=False, soft_wrap=True)
            if status.elapsed_s >= self._next_line_s:
                self._next_line_s = status.elapsed_s + _LINE_EVERY_S
                self._console.print(status_line(status), markup=False, highlight=False, soft_wrap=True)
        self._told = {alarm.key for alarm in status.alarms}
