"""The recorder's screen: 80 by 24, every state in words, colour only as a help."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import ExitStack
from textwrap import wrap
from types import TracebackType

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from trialcapture.acquire.events import Event
from trialcapture.acquire.status import SourceStatus, Status
from trialcapture.archive.atomic import size_text
from trialcapture.safe_text import clean_text
from trialcapture.system.keys import PollKey, keyboard

WIDTH, HEIGHT = 80, 24
"""The smallest terminal in use (common practice, no source)."""
_STATE_STYLE = {"ok": "green", "silent": "yellow", "lost": "bold red", "waiting": "dim"}
_SEVERITY = {"red": ("!! ", "bold red"), "yellow": ("!  ", "yellow"), "info": ("   ", "")}


def render(status: Status, prompt: str = "", *, height: int = HEIGHT) -> RenderableType:
    """Return the screen.

    Args:
        status: What to show.
        prompt: What is being typed, shown in place of the keys.
        height: Lines there are; at least three sources and two alarms are shown, recent events if room is left.
    """
    head = _head(status)
    alarms = [_alarm_lines(alarm.severity, alarm.text) for alarm in status.alarms]
    left = height - len(head) - 2  # the table's heading and the keys
    shown = min(len(status.sources), max(3, left - max(1, sum(map(len, alarms)))))
    if shown < len(status.sources):  # one line says how many more there are
        shown = max(3, shown - 1)
        left -= 1
    left -= shown
    parts: list[RenderableType] = [*head, _source_table(status.sources[:shown])]
    if shown < len(status.sources):
        parts.append(Text(f"   and {len(status.sources) - shown} more sources", style="dim"))
    if not alarms:
        parts.append(Text("   No alarms.", style="green"))
        left -= 1
    for lines in alarms:
        if len(lines) > left:
            break
        parts += lines
        left -= len(lines)
    parts += [Text(_fit(f"   {line}"), style="dim") for line in status.recent[: max(0, left)]]
    parts.append(Text(clean_text(prompt) or "m mark   t trim   Ctrl-C stop", style="reverse" if prompt else "bold"))
    return Group(*parts)


def elapsed_text(seconds: float) -> str:
    """Return a length of time as h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def status_line(status: Status) -> str:
    """Return the state in one line, for logs and for terminals that cannot be redrawn."""
    sources = ", ".join(f"{s.source} {s.state} {s.rate_hz:.1f}/s" for s in status.sources)
    return f"{_rec(status)} {elapsed_text(status.elapsed_s)}  {size_text(status.on_disk_bytes)} on disk  {sources}"


def _rec(status: Status) -> str:
    if status.writing:
        return "REC"
    return "NOT WRITING" if status.waiting_bytes else "NO DATA"


def _head(status: Status) -> list[Text]:
    free = "?" if status.free_h is None else f"{min(status.free_h, 9999):.0f} h"
    style = "bold white on dark_green" if status.writing else "bold white on red"
    lines = [
        Text.assemble(
            (f" {_rec(status)} ", style),
            (f"  {elapsed_text(status.elapsed_s)}  {_fit(status.session, 44)}", "bold"),
        ),
        Text(
            f"   {size_text(status.on_disk_bytes)} on disk, safe {status.safe_age_s:.1f} s ago; "
            f"free {size_text(status.free_bytes)} = {free}"
        ),
    ]
    offsets = [f"{s.source} {s.offset_s:+.1f} s" for s in status.sources if s.offset_s is not None]
    if offsets:
        lines.append(Text(_fit(f"   computer minus GNSS: {', '.join(offsets)}")))
    return lines


def _source_table(sources: tuple[SourceStatus, ...]) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("source", width=15, no_wrap=True)
    table.add_column("state", width=7)
    for name, width in (("age s", 6), ("rate/s", 6), ("good", 8), ("bad", 6), ("unread", 6), ("line", 4)):
        table.add_column(name, width=width, justify="right", no_wrap=True)
    table.add_column("fix", width=6, no_wrap=True)
    for s in sources:
        table.add_row(
            Text(clean_text(s.source)),
            Text(s.state, style=_STATE_STYLE[s.state]),
            "-" if s.age_s is None else f"{s.age_s:.1f}",
            f"{s.rate_hz:.1f}",
            str(s.good),
            str(s.bad),
            str(s.unread),
            "" if s.load is None else f"{s.load:.0%}",
            Text(clean_text(s.fix)),
        )
    return table


def _alarm_lines(severity: str, text: str) -> list[Text]:
    mark, style = _SEVERITY.get(severity, _SEVERITY["info"])
    lines = wrap(clean_text(text), WIDTH - len(mark), max_lines=2, placeholder=" …")
    return [Text((mark if at == 0 else "   ") + line, style=style) for at, line in enumerate(lines)]


def _fit(text: str, width: int = WIDTH) -> str:
    text = clean_text(text)
    return text if len(text) <= width else text[: width - 1] + "…"


# ------------------------------------------------------------------------------
# Keys pressed while recording, one at a time, and what is typed with them.
# ------------------------------------------------------------------------------


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


# ------------------------------------------------------------------------------
# Showing a recording: a screen that is redrawn where there is a terminal, plain lines where there is none.
# ------------------------------------------------------------------------------

_LINE_EVERY_S = 60.0
"""Without a terminal a line is printed so often (our choice)."""
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
            self._console.print(f"{mark}{clean_text(event.text)}", markup=False, highlight=False, soft_wrap=True)

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
                    self._console.print(
                        f"{mark}{clean_text(alarm.text)}", markup=False, highlight=False, soft_wrap=True
                    )
            if status.elapsed_s >= self._next_line_s:
                self._next_line_s = status.elapsed_s + _LINE_EVERY_S
                self._console.print(clean_text(status_line(status)), markup=False, highlight=False, soft_wrap=True)
        self._told = {alarm.key for alarm in status.alarms}
