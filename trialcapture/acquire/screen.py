"""The recorder's screen, 80 by 24, every state in words and colour only as a help; and the notes typed at it.

Keys are read one at a time, and each note is answered with what was stored. One key begins an entry, Enter keeps it,
Esc forgets it, and one key takes the last one back. What is typed is short, because it is typed on a moving boat: a
number first, what belongs to it behind.
"""

from __future__ import annotations

import errno
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from textwrap import wrap
from time import monotonic
from types import TracebackType
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from trialcapture.acquire.events import Event
from trialcapture.acquire.status import Alarm, Guidance, SourceStatus, Status, TrialAlarm
from trialcapture.archive.atomic import size_text
from trialcapture.archive.note_entry import note_entry, reader_gallon
from trialcapture.config import LOG_QUANTITIES, UnitSystem
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text
from trialcapture.system.console import PollKey, is_in_foreground, keyboard

KEYS = "m mark  t trim  r remark  w sea  s sound  d reading  u undo  Ctrl-C stop"
"""The last line of the recorder's screen."""
StoreNote = Callable[[str, Any, str, Mapping[str, Any]], str]
"""Stores kind, value, unit and further fields of a note; returns its time as it stands in the notes."""
_ANSWER_S = 8.0
"""So long an answer is shown (our choice)."""
_LONGEST, _LONGEST_TEXT = 60, 300
"""Characters of an entry, and of a remark (our choice)."""
_WIDTH = 79
_SIDES = {"p": "port", "port": "port", "s": "stbd", "stbd": "stbd", "b": "both", "both": "both"}
_MOST_PERCENT = 100.0


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a key begins: the kind of note, what is asked, and how many characters may be typed."""

    kind: str
    asked: str
    longest: int = _LONGEST


_KINDS: Mapping[str, _Kind] = {
    "t": _Kind("trim", "trim in percent, p or s behind it for one side"),
    "r": _Kind("remark", "remark", _LONGEST_TEXT),
    "w": _Kind("sea", "the sea as seen", _LONGEST_TEXT),
    "s": _Kind("sound", "sound in dB(A), then place, doors open/closed, 30s"),
    "d": _Kind("reading", "reading: rpm 2400 port, or fuel 62 port"),
}


@dataclass(frozen=True, slots=True)
class _Kept:
    """An entry that can be taken back."""

    t: str
    kind: str
    said: str


class KeyEntry:
    """Turns keys into notes and says what became of them.

    Args:
        store: Told of every note.
        engine_ids: Of the settings; a reading names one of them.
        units: Of the reader: a fuel flow without a unit is in theirs.
        now_s: Clock for how long an answer is shown [s].

    Attributes:
        marks: How many marks were made.
    """

    def __init__(
        self,
        store: StoreNote,
        *,
        engine_ids: Sequence[str] = (),
        units: UnitSystem = "metric",
        now_s: Callable[[], float] = monotonic,
    ) -> None:
        self._store = store
        self._engine_ids = tuple(engine_ids)
        self._units = units
        self._now_s = now_s
        self._kind: _Kind | None = None
        self._typed = ""
        self._answer, self._answered_s = "", 0.0
        self._kept: list[_Kept] = []
        self.marks = 0

    @property
    def prompt(self) -> str:
        """What is being typed, else the answer to the last entry for a while, else ""."""
        if self._kind is None:
            return self._answer if self._now_s() - self._answered_s < _ANSWER_S else ""
        asked = f"{self._kind.asked}, then Enter (Esc forgets): "
        if len(asked) + len(self._typed) >= _WIDTH:
            asked = f"{self._kind.kind}: "
        room = _WIDTH - len(asked) - 1
        typed = self._typed if len(self._typed) <= room else "…" + self._typed[1 - room :]
        return f"{asked}{typed}_"

    def press(self, key: str) -> None:
        """Take in one key."""
        if self._kind is not None:
            self._type(self._kind, key)
        elif key in ("m", "M", " "):
            self.marks += 1
            self._keep("mark", self.marks, "", {}, f"mark {self.marks}")
        elif key in ("u", "U"):
            self._take_back()
        elif (begun := _KINDS.get(key.lower())) is not None:
            self._kind, self._typed = begun, ""

    def _type(self, kind: _Kind, key: str) -> None:
        if key in ("\r", "\n"):
            text, self._kind = " ".join(self._typed.split()), None
            if text:
                self._finish(kind.kind, text)
        elif key == "\x1b":
            self._kind = None
            self._say(f"{kind.kind}: forgotten, nothing was noted")
        elif key in ("\x7f", "\b"):
            self._typed = self._typed[:-1]
        elif key.isprintable():
            self._typed = (self._typed + key)[: kind.longest]

    def _finish(self, kind: str, text: str) -> None:
        try:
            value, unit, more = self._parts(kind, text)
            # the same check as that of the command line; its time is given where the note is stored
            entry = note_entry(kind, value, unit=unit, where=more.pop("where", ""), t="", fields=more,
                               engine_ids=self._engine_ids)  # fmt: skip
        except TrialCaptureError as fault:
            self._say(f"NOT noted: {fault}")
            return
        rest = {name: entry[name] for name in entry if name not in ("t", "kind", "value", "unit", "by")}
        said = " ".join(
            [
                kind,
                *([str(rest["quantity"])] if "quantity" in rest else []),
                f"{entry['value']} {entry['unit']}".strip(),
            ]
            + [_told(name, x) for name, x in rest.items() if name != "quantity"]
        )
        self._keep(kind, entry["value"], entry["unit"], rest, said)

    def _parts(self, kind: str, text: str) -> tuple[str, str, dict[str, str]]:
        """Return value, unit and fields of what was typed, as text."""
        match kind:
            case "trim":
                return _trim(text)
            case "sound":
                return _sound(text)
            case "reading":
                return self._reading(text)
            case _:
                return text, "", {}

    def _reading(self, text: str) -> tuple[str, str, dict[str, str]]:
        quantity, *words = text.split()
        if quantity not in LOG_QUANTITIES or not words:
            raise TrialCaptureError(
                "a reading is a quantity, its number, and the engine where there are several", seen=text,
                expected=f"such as rpm 2400 {self._engine_ids[0] if self._engine_ids else 'port'}; quantities are "
                f"{', '.join(LOG_QUANTITIES)}",
            )  # fmt: skip
        value, rest = words[0], words[1:]
        fields = {"quantity": quantity}
        if rest and rest[-1] in self._engine_ids:
            fields["engine"] = rest.pop()
        elif len(self._engine_ids) == 1:
            fields["engine"] = self._engine_ids[0]
        elif len(self._engine_ids) > 1:
            raise TrialCaptureError("which engine was read?", seen=text, expected=" or ".join(self._engine_ids))
        own = LOG_QUANTITIES[quantity][1]
        if own == "l/h":
            own = "L/h" if self._units == "metric" else "gal/h"
        return value, reader_gallon(" ".join(rest) or own, self._units), fields  # the answer says which gallon

    def _keep(self, kind: str, value: Any, unit: str, more: Mapping[str, Any], said: str) -> None:
        self._kept.append(_Kept(self._store(kind, value, unit, more), kind, said))
        self._say(f"noted: {said}   (u takes it back)")

    def _take_back(self) -> None:
        if not self._kept:
            self._say("there is nothing of this screen to take back")
            return
        last = self._kept.pop()
        self._store("undo", last.t, "", {"of": last.kind})
        self._say(f"taken back: {last.said}")

    def _say(self, text: str) -> None:
        self._answer = text if len(text) <= _WIDTH else text[: _WIDTH - 1] + "…"
        self._answered_s = self._now_s()


def _told(name: str, x: Any) -> str:
    return {"doors": f"doors {x}", "seconds": f"{x} s"}.get(name, str(x))


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _trim(text: str) -> tuple[str, str, dict[str, str]]:
    """Part a setting from its side: "25", "25p", "25 stbd", "tabs down port"."""
    words = text.split()
    if len(words) == 1 and words[0][-1:].lower() in "psb" and _number(words[0][:-1]) is not None:
        words = [words[0][:-1], words[0][-1]]
    side = _SIDES.get(words[-1].lower()) if len(words) > 1 else None
    value = " ".join(words[:-1] if side else words)
    number = _number(value.removesuffix("%"))
    is_percent = number is not None and abs(number) <= _MOST_PERCENT
    return value.removesuffix("%") if is_percent else value, "%" if is_percent else "", {"side": side} if side else {}


def _sound(text: str) -> tuple[str, str, dict[str, str]]:
    """Part a level from its place, its doors and over how long it was averaged: "71.5 helm closed 30s"."""
    level, *words = text.split()
    fields, place = {}, []
    for word in words:
        if word.lower() in ("open", "closed"):
            fields["doors"] = word.lower()
        elif word[-1:] == "s" and _number(word[:-1]) is not None:
            fields["seconds"] = word[:-1]
        elif word.lower() != "doors":
            place.append(word)
    return level, "dB(A)", {**fields, **({"where": " ".join(place)} if place else {})}


WIDTH, HEIGHT = 80, 24
"""The smallest terminal in use (common practice, no source)."""
_STATE_STYLE = {"ok": "green", "silent": "yellow", "lost": "bold red", "waiting": "dim"}
_GOOD_TO_KNOW = "info"
_SEVERITY = {"red": ("!! ", "bold red"), "yellow": ("!  ", "yellow"), _GOOD_TO_KNOW: ("   ", "")}


def render(
    status: Status,
    prompt: str = "",
    *,
    height: int = HEIGHT,
    width: int = WIDTH,
    keys: str = KEYS,
    guidance: Guidance | None = None,
) -> RenderableType:
    """Return the screen.

    Args:
        status: What to show.
        prompt: What is being typed, shown in place of the keys.
        height: Lines there are; at least three sources and two alarms are shown, what is good to know and recent
            events if room is left.
        width: Columns there are; on a narrow screen what is told of the trial wraps, and the table has fewer columns.
        keys: What the last line says.
        guidance: What a follower tells of the trial; None where there is none, or it is old.
    """
    width = max(min(width, WIDTH), _LEAST_WIDTH)
    head = [*_head(status, width), *_guidance_lines(guidance, width)]
    known = _all_alarms(status, guidance)
    alarms = [_alarm_lines(alarm, width) for alarm in known if alarm.severity != _GOOD_TO_KNOW]
    notices = [_alarm_lines(alarm, width) for alarm in known if alarm.severity == _GOOD_TO_KNOW]
    last = _wrapped(prompt or keys, width, 2)
    left = height - len(head) - 1 - len(last)  # the table's heading, and the keys
    shown = min(len(status.sources), max(3, left - max(1, sum(map(len, alarms)))))
    if shown < len(status.sources):  # one line says how many more there are
        shown = max(3, shown - 1)
        left -= 1
    left -= shown
    parts: list[RenderableType] = [*head, _source_table(status.sources[:shown], width)]
    if shown < len(status.sources):
        parts.append(Text(f"   and {len(status.sources) - shown} more sources", style="dim"))
    if not alarms:
        parts.append(Text("   No alarms.", style="green"))
        left -= 1
    for lines in [*alarms, *notices]:
        if len(lines) > left:
            break
        parts += lines
        left -= len(lines)
    parts += [Text(_fit(f"   {line}", width), style="dim") for line in status.recent[: max(0, left)]]
    parts += [Text(line, style="reverse" if prompt else "bold") for line in last]
    return Group(*parts)


_LEAST_WIDTH = 20
_MOST_LINES = 2
"""What is told of the trial takes so many lines on a narrow screen at most (our choice)."""


def _wrapped(text: str, width: int, most: int, indent: str = "") -> list[str]:
    """Return a text in at most so many lines of a screen, each of them indented."""
    return wrap(
        clean_text(text), width, max_lines=most, placeholder=" …", initial_indent=indent, subsequent_indent=indent
    ) or [""]


def _guidance_lines(guidance: Guidance | None, width: int) -> list[Text]:
    """Return what is known of the trial: speed and rpm, what is held, what to do next, what is missing."""
    if guidance is None:
        return []
    told = [(guidance.now, "bold"), (guidance.detector, ""), (f"-> {guidance.advice}", "bold"), (guidance.missing, "")]
    return [
        Text(line, style=style)
        for text, style in told
        if text.strip(" ->")
        for line in _wrapped(text, width, 1 if width == WIDTH else _MOST_LINES, "   ")
    ]


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


def _head(status: Status, width: int) -> list[Text]:
    free = "?" if status.free_h is None else f"{min(status.free_h, 9999):.0f} h"
    style = "bold white on dark_green" if status.writing else "bold white on red"
    rec, elapsed = f" {_rec(status)} ", f"  {elapsed_text(status.elapsed_s)}  "
    name = _fit(status.session, max(min(44, width - len(rec) - len(elapsed)), 1))
    disk = (
        f"{size_text(status.on_disk_bytes)} on disk, safe {status.safe_age_s:.1f} s ago; "
        f"free {size_text(status.free_bytes)} = {free}"
    )
    lines = [
        Text.assemble((rec, style), (f"{elapsed}{name}", "bold")),
        *(Text(line) for line in _wrapped(disk, width, 2, "   ")),
    ]
    offsets = [f"{s.source} {s.offset_s:+.1f} s" for s in status.sources if s.offset_s is not None]
    if offsets:
        lines.append(Text(_fit(f"   computer minus GNSS: {', '.join(offsets)}", width)))
    return lines


_COLUMNS = (("age s", 6), ("rate/s", 6), ("good", 8), ("bad", 6), ("unread", 6), ("line", 4), ("fix", 6))
_LEAST_COLUMNS: tuple[tuple[int, tuple[str, ...]], ...] = (
    (74, ("age s", "rate/s", "good", "bad", "unread", "line", "fix")),
    (58, ("age s", "rate/s", "good", "bad", "fix")),
    (0, ("age s", "rate/s")),
)
"""From which width on which columns are shown: what a person needs to see that a source is alive stands first."""


def _source_table(sources: tuple[SourceStatus, ...], width: int) -> Table:
    shown = next(names for least, names in _LEAST_COLUMNS if width >= least)
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("source", width=15 if width >= 40 else 8, no_wrap=True)
    table.add_column("state", width=7)
    for name, wide in _COLUMNS:
        if name in shown:
            table.add_column(name, width=wide, justify="left" if name == "fix" else "right", no_wrap=True)
    for s in sources:
        cells: dict[str, str | Text] = {
            "age s": "-" if s.age_s is None else f"{s.age_s:.1f}",
            "rate/s": f"{s.rate_hz:.1f}",
            "good": str(s.good),
            "bad": str(s.bad),
            "unread": str(s.unread),
            "line": "" if s.load is None else f"{s.load:.0%}",
            "fix": Text(clean_text(s.fix)),
        }
        table.add_row(
            Text(clean_text(s.source)),
            Text(s.state, style=_STATE_STYLE[s.state]),
            *(cells[name] for name, _ in _COLUMNS if name in shown),
        )
    return table


_ALARM_LINES = ((WIDTH, 2), (60, 3), (0, 4))
"""From which width on an alarm takes how many lines at most: what is wrong and what to do (our choice)."""


def _all_alarms(status: Status, guidance: Guidance | None) -> list[Alarm | TrialAlarm]:
    """Return the alarms of the recorder and of the trial, worst first; of one severity the recorder's come first."""
    known: list[Alarm | TrialAlarm] = [*status.alarms, *(() if guidance is None else guidance.alarms)]
    return sorted(known, key=lambda alarm: list(_SEVERITY).index(alarm.severity) if alarm.severity in _SEVERITY else 2)


def _alarm_lines(alarm: Alarm | TrialAlarm, width: int) -> list[Text]:
    """Return an alarm as it stands on the screen; where there is no room for all of it, what to do is what stays."""
    mark, style = _SEVERITY.get(alarm.severity, _SEVERITY[_GOOD_TO_KNOW])
    most, across = next(lines for least, lines in _ALARM_LINES if width >= least), width - len(mark)
    words, action = clean_text(alarm.text).split(), clean_text(alarm.action) if isinstance(alarm, TrialAlarm) else ""
    while action and len(words) > 1 and len(wrap(f"{' '.join(words)} {action}", across)) > most:
        words = [*words[: -2 if words[-1] == "…" else -1], "…"]
    lines = wrap(f"{' '.join(words)} {action}".strip(), across, max_lines=most, placeholder=" …")
    return [Text((mark if at == 0 else "   ") + line, style=style) for at, line in enumerate(lines)]


def _fit(text: str, width: int = WIDTH) -> str:
    text = clean_text(text)
    return text if len(text) <= width else text[: width - 1] + "…"


# ------------------------------------------------------------------------------
# Showing a recording: a screen that is redrawn where there is a terminal, plain lines where there is none.
# ------------------------------------------------------------------------------

_LINE_EVERY_S = 60.0
"""Without a terminal a line is printed so often (our choice)."""
_DRAW_EVERY_S = 0.25
_QUIET_KINDS = ("beat", "can_clock", "gap")
_MOST_WAITING = 500
"""Messages that may wait for a screen that takes none; older ones are let go, they are in the notes (our choice)."""
_CLOSE_S = 2.0
"""So long a screen is waited for at the end (our choice)."""
THREAD_NAME = "screen"


class ScreenConsole(Console):
    """A console that leaves a broken pipe to its caller, where the library's own would end the program."""

    def on_broken_pipe(self) -> None:
        """Raise it on."""
        raise BrokenPipeError(errno.EPIPE, "nobody reads the output any more")


class Show:
    """Shows status and alarms in a thread of its own, so that no fault of output reaches a recording.

    A screen that breaks (a pipe whose reader has gone, a closed terminal, a full disk behind a redirection) is given
    up; one that takes nothing (a stopped terminal, a pipe that nobody reads) is waited for by this thread alone. A
    context manager.

    Args:
        console: Where to.
        keys: What the last line of the screen says.

    Attributes:
        lost: Why there is no screen any more, "" while there is one.
    """

    def __init__(
        self,
        console: Console,
        *,
        keys: str = KEYS,
    ) -> None:
        self._console = console
        self._entry: KeyEntry | None = None
        self._guide: Callable[[], Guidance | None] = lambda: None
        self._keys = keys
        self._gone: Callable[[str], None] = lambda _: None
        self._stack = ExitStack()
        self._live: Live | None = None
        self._poll: PollKey = lambda: ""
        self._told: set[str] = set()
        self._next_line_s = 0.0
        self._waiting: deque[str] = deque(maxlen=_MOST_WAITING)
        self._status: Status | None = None
        self._wake, self._end = threading.Event(), threading.Event()
        self._busy_since_s: float | None = None
        self._giving_up = threading.Lock()
        self.lost = ""
        self._thread = threading.Thread(target=self._run, name=THREAD_NAME, daemon=True)

    def __enter__(self) -> Show:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._wake.set()
        self._thread.join(_CLOSE_S)

    def serve(self, entry: KeyEntry, gone: Callable[[str], None]) -> None:
        """Before it is entered: read keys, too, and tell when there is no screen any more.

        Args:
            entry: Told of the keys pressed.
            gone: Called once with the reason.
        """
        self._entry, self._gone = entry, gone

    def follow(self, guide: Callable[[], Guidance | None]) -> None:
        """Before it is entered: show what a follower tells of the trial, too; it is read in the screen's thread."""
        self._guide = guide

    @property
    def blocked_s(self) -> float:
        """How long the screen has not taken what is being written to it [s]."""
        since_s = self._busy_since_s
        return 0.0 if since_s is None else monotonic() - since_s

    def heard(self, event: Event) -> None:
        """Have an event printed where the screen is not redrawn; called from any thread, never waits."""
        if event.kind not in _QUIET_KINDS:
            mark = {"red": "!! ", "yellow": "!  "}.get(event.severity, "   ")
            self.say(f"{mark}{clean_text(event.text)}")

    def say(self, text: str) -> None:
        """Have a line printed where the screen is not redrawn; called from any thread, never waits."""
        self._waiting.append(text)
        self._wake.set()

    def update(self, status: Status) -> None:
        """Have a status shown; never waits."""
        self._status = status
        self._wake.set()

    def give_up(self, reason: str) -> None:
        """Do without a screen from now on."""
        with self._giving_up:
            if self.lost:
                return
            self.lost = reason
        self._wake.set()
        self._gone(reason)

    def hang_up(self) -> None:
        """Do without a screen where it was a terminal, which has gone; output into a file goes on."""
        if self._console.is_terminal:
            self.give_up("the terminal was closed")

    def _run(self) -> None:
        try:
            self._open()
            is_last = False
            while not (is_last or self.lost):
                self._wake.wait(_DRAW_EVERY_S)
                self._wake.clear()
                is_last = self._end.is_set()
                self._busy_since_s = monotonic()
                self._turn()
                self._busy_since_s = None
        except BaseException as fault:  # noqa: BLE001  no fault of output, an exit of a library included, may go further
            self._busy_since_s = None
            self.give_up(_output_fault(fault))
        finally:
            with suppress(BaseException):  # a terminal that has gone cannot be put back in order
                self._stack.close()

    def _open(self) -> None:
        if not self._console.is_terminal or self._console.is_dumb_terminal:
            return
        if self._entry is not None and is_in_foreground():
            self._poll = self._stack.enter_context(keyboard())
        live = Live(
            Text("opening…"), console=self._console, auto_refresh=False, screen=False, transient=False,
            redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip
        self._live = self._stack.enter_context(live)

    def _turn(self) -> None:
        while self._entry is not None and (key := self._poll()):
            self._entry.press(key)
        while self._waiting:
            text = self._waiting.popleft()
            if self._live is None:
                self._print(text)
        status, self._status = self._status, None
        if status is None or self.lost:
            return
        guidance = self._guide() if self._live is not None else None
        alarms = _all_alarms(status, guidance)
        if self._live is not None:
            if {alarm.key for alarm in alarms if alarm.severity == "red"} - self._told:
                self._console.bell()
            height = min(24, self._console.height)
            prompt = "" if self._entry is None else self._entry.prompt
            width = self._console.width
            shown = render(status, prompt, height=height, width=width, keys=self._keys, guidance=guidance)
            self._live.update(shown, refresh=True)
        else:
            for alarm in status.alarms:
                # what was printed as an event when it happened is not said twice
                if alarm.key not in self._told and not alarm.of_event:
                    self._print(f"{'!! ' if alarm.severity == 'red' else '!  '}{alarm.text}")
            if status.elapsed_s >= self._next_line_s:
                self._next_line_s = status.elapsed_s + _LINE_EVERY_S
                self._print(status_line(status))
        self._told = {alarm.key for alarm in alarms}

    def _print(self, text: str) -> None:
        self._console.print(clean_text(text), markup=False, highlight=False, soft_wrap=True)


def _output_fault(fault: BaseException) -> str:
    """Return in words why a screen takes no output any more."""
    if isinstance(fault, BrokenPipeError | SystemExit):
        return "nobody reads the output any more"
    if isinstance(fault, OSError):
        return f"the output cannot be written ({fault.strerror or fault})"
    return f"the output cannot be written ({type(fault).__name__}: {fault})"
