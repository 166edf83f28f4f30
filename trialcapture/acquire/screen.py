"""The recorder's screen: 80 by 24, every state in words, colour only as a help."""

from __future__ import annotations

from textwrap import wrap

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from trialcapture.acquire.status import SourceStatus, Status
from trialcapture.archive.atomic import size_text

WIDTH, HEIGHT = 80, 24
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
    parts.append(Text(prompt or "m mark   t trim   Ctrl-C stop", style="reverse" if prompt else "bold"))
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
            s.source,
            Text(s.state, style=_STATE_STYLE[s.state]),
            "-" if s.age_s is None else f"{s.age_s:.1f}",
            f"{s.rate_hz:.1f}",
            str(s.good),
            str(s.bad),
            str(s.unread),
            "" if s.load is None else f"{s.load:.0%}",
            s.fix,
        )
    return table


def _alarm_lines(severity: str, text: str) -> list[Text]:
    mark, style = _SEVERITY.get(severity, _SEVERITY["info"])
    lines = wrap(text, WIDTH - len(mark), max_lines=2, placeholder=" …")
    return [Text((mark if at == 0 else "   ") + line, style=style) for at, line in enumerate(lines)]


def _fit(text: str, width: int = WIDTH) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
