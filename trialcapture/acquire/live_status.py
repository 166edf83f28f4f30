"""What a recorder says of itself while it works: a line a second in ``live.jsonl``, and the screen made of it again."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from time import monotonic, time_ns
from typing import Any

from rich.console import Console

from trialcapture.acquire.ending import EndRequest, is_being_recorded
from trialcapture.acquire.events import utc_text
from trialcapture.acquire.screen import ScreenConsole, Show
from trialcapture.acquire.status import Alarm, Guidance, SourceStatus, Status, TrialAlarm
from trialcapture.archive.atomic import work_folder
from trialcapture.archive.session import open_session
from trialcapture.bounded_parsing import parse_json_line
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import make_folder, open_plain

NAME = "live.jsonl"
_MOST_BYTES = 32 << 20
"""Beyond it the file begins anew: five hours of a busy network (our choice)."""
_TAIL_BYTES = 1 << 16
_STALE_S = 10.0
"""Without a new line for so long a recorder is looked for (our choice)."""


class LiveFile:
    """``live.jsonl`` of a session; what a full disk does not take of it is let go, and said once.

    Args:
        folders: Session folders, first choice first; a line goes to the first that takes it.
    """

    def __init__(self, folders: list[Path]) -> None:
        self._folders = folders

    def append(self, status: Status, wall_ns: int, **more: Any) -> None:
        """Append one line; the last one, of a recording that has ended, on every disk that takes it.

        Args:
            status: The state now.
            wall_ns: Wall clock [ns since 1970 UTC].
            more: What else the line says.

        Raises:
            OSError, TrialCaptureError: No disk takes it.
        """
        entry = {"t": utc_text(wall_ns), "state": "recording", **_rounded(asdict(status)), **more}
        if len(self._folders) > 1:
            entry["second"] = str(self._folders[1].absolute())
        line = (json.dumps(entry, ensure_ascii=False, separators=(",", ":")) + "\n").encode("utf-8", "replace")
        cause: OSError | TrialCaptureError | None = None
        is_taken = False
        for folder in self._folders:
            try:
                _append(folder / NAME, line)
            except (OSError, TrialCaptureError) as fault:
                cause = cause or fault
                continue
            is_taken = True
            if entry["state"] != "ended":
                return
        if cause is not None and not is_taken:
            raise cause


def _append(path: Path, line: bytes) -> None:
    with open_plain(path, "ab", buffering=0) as file:
        start = file.tell()
        if start > _MOST_BYTES:
            file.truncate(0)
            start = 0
        try:
            written = file.write(line)
        except OSError:
            file.truncate(start)
            raise
        if written != len(line):
            file.truncate(start)
            raise OSError(errno.ENOSPC, "the disk is full")


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 3)
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


@dataclass(frozen=True, slots=True)
class LiveLine:
    """The last line of ``live.jsonl``.

    Attributes:
        t: UTC time of it, ISO 8601.
        state: ``recording`` or ``ended``.
        reason: Why it ended, "" while recording.
        complete: After the end, whether everything received is on the disk.
        status: The state.
        second: Folder on the second disk, where lines go when the first is full; "" without one.
    """

    t: str
    state: str
    reason: str
    complete: bool | None
    status: Status
    second: str = ""


def read_last_line(folder: Path, second: Path | None = None) -> LiveLine | None:
    """Return the last line of a session's ``live.jsonl``, on whichever disk it is; None where none can be read.

    Args:
        folder: The session.
        second: Its folder on the second disk, where a caller knows it already.
    """
    line = _last_line_in(folder)
    second = second or second_folder(folder, line)
    other = None if second is None else _last_line_in(second)
    if other is not None and (line is None or (other.status.session == line.status.session and other.t > line.t)):
        return other
    return line


def second_folder(folder: Path, line: LiveLine | None) -> Path | None:
    """Return where a session goes on when its first disk is full, as its recorder says; None where there is none.

    It is believed only while a recorder is at work: in a session that came from elsewhere the line may name anything.

    Args:
        folder: The session.
        line: The last line of its live status.
    """
    if line is None or not line.second or not is_being_recorded(folder):
        return None
    second = Path(line.second)
    return second if second.is_absolute() and second != folder else None


def _last_line_in(folder: Path) -> LiveLine | None:
    try:
        with open_plain(folder / NAME) as file:
            file.seek(max(0, file.seek(0, 2) - _TAIL_BYTES))
            lines = file.read(_TAIL_BYTES).split(b"\n")[:-1]
    except (OSError, TrialCaptureError):
        return None
    for line in reversed(lines):
        try:
            return _parse_line(parse_json_line(line))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError):
            continue
    return None


def _parse_line(entry: dict[str, Any]) -> LiveLine:
    load = [None if s["load"] is None else float(s["load"]) for s in entry["sources"]]
    status = Status(
        session=_text(entry["session"]),
        writing=bool(entry["writing"]),
        waiting_bytes=int(entry["waiting_bytes"]),
        elapsed_s=float(entry["elapsed_s"]),
        on_disk_bytes=int(entry["on_disk_bytes"]),
        safe_age_s=float(entry["safe_age_s"]),
        free_bytes=int(entry["free_bytes"]),
        free_h=_number(entry["free_h"]),
        sources=tuple(
            SourceStatus(
                source=_text(s["source"]),
                state=s["state"] if s["state"] in ("ok", "silent", "lost", "waiting") else "waiting",
                age_s=_number(s["age_s"]),
                rate_hz=float(s["rate_hz"]),
                good=int(s["good"]),
                bad=int(s["bad"]),
                unread=int(s["unread"]),
                load=load[at],
                fix=_text(s["fix"]),
                offset_s=_number(s["offset_s"]),
                unread_types=tuple(_text(name) for name in s["unread_types"]),
            )
            for at, s in enumerate(entry["sources"])
        ),
        alarms=tuple(
            Alarm(_text(a["severity"]), _text(a["text"]), _text(a["key"]), bool(a["of_event"])) for a in entry["alarms"]
        ),
        recent=tuple(_text(line) for line in entry["recent"]),
    )
    complete = entry.get("complete")
    return LiveLine(
        _text(entry["t"]),
        "ended" if entry["state"] == "ended" else "recording",
        _text(entry.get("reason", "")),
        None if complete is None else bool(complete),
        status,
        str(entry.get("second", "")),
    )


def _text(value: Any) -> str:
    return "".join(c if c.isprintable() else " " for c in str(value))


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


# ------------------------------------------------------------------------------
# What a follower of the recording tells of the trial. It is a process of its own, which may end at any moment.
# ------------------------------------------------------------------------------

GUIDANCE = "guidance.jsonl"
"""In the work folder of a session: a line a second of its follower; no result, and nothing rests on it."""
_MOST_GUIDANCE_BYTES = 1 << 20
_OLD_S = 5.0
"""Guidance older than this is not shown [s] (our choice)."""


def append_guidance(folder: Path, guidance: Guidance) -> None:
    """Append a line for the screens of a session.

    Raises:
        OSError: It cannot be written.
    """
    path = work_folder(folder) / GUIDANCE
    make_folder(path.parent)
    line = json.dumps(asdict(guidance), ensure_ascii=False, separators=(",", ":")) + "\n"
    data = line.encode("utf-8", "replace")
    with open_plain(path, "ab", buffering=0) as file:
        start = file.seek(0, 2)
        if start > _MOST_GUIDANCE_BYTES:
            file.truncate(0)
            start = 0
        if file.write(data) != len(data):
            file.truncate(start)
            raise OSError(errno.ENOSPC, "the disk is full")


def read_guidance(folders: Sequence[Path], now_ns: Callable[[], int] = time_ns) -> Guidance | None:
    """Return the last line of a session's guidance; None where there is none, or it is old.

    Args:
        folders: The session, and its folder on the second disk where it has one.
        now_ns: Wall clock [ns since 1970 UTC].
    """
    return next((told for folder in folders if (told := _guidance_in(folder, now_ns)) is not None), None)


def _guidance_in(folder: Path, now_ns: Callable[[], int]) -> Guidance | None:
    path = work_folder(folder) / GUIDANCE
    try:
        with open_plain(path) as file:
            file.seek(max(0, file.seek(0, 2) - _TAIL_BYTES))
            lines = file.read(_TAIL_BYTES).split(b"\n")[:-1]
        entry = parse_json_line(lines[-1])
        alarms = tuple(
            TrialAlarm(*(_text(alarm[name])[:_MOST_WORDS] for name in ("severity", "text", "action", "key")))
            for alarm in entry.get("alarms", [])[:_MOST_ALARMS]
        )
        t, now, detector, advice, missing = (
            _text(entry[name])[:_MOST_WORDS] for name in ("t", "now", "detector", "advice", "missing")
        )
        told = Guidance(t, now, detector, advice, missing, alarms)
        age_s = now_ns() / 1e9 - datetime.fromisoformat(told.t).timestamp()
    except (OSError, ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError, TrialCaptureError):
        return None
    return told if abs(age_s) <= _OLD_S else None


_MOST_WORDS = 400
_MOST_ALARMS = 20
Beside = Callable[[Path], Callable[[], None]]
"""Starts what goes on beside a recorder, given the session's folder, and returns what ends it."""


def attach(
    folder: Path,
    *,
    console: Console | None = None,
    request: EndRequest | None = None,
    look_every_s: float = 0.5,
    now_s: Callable[[], float] = monotonic,
    beside: Beside | None = None,
) -> LiveLine:
    """Show the screen of a recorder that is at work elsewhere, until it ends or this view is left.

    Args:
        folder: The session.
        console: Where to show it.
        request: Ends the view, not the recording.
        look_every_s: How often to look for a new line [s].
        now_s: Monotonic time [s].
        beside: Starts a follower of the trial, where none is at work.

    Returns:
        The last line that was shown.

    Raises:
        TrialCaptureError: There is no session, or no recorder at work on it.
    """
    open_session(folder)
    request = request or EndRequest()
    console = console or ScreenConsole(stderr=True)
    last: LiveLine | None = None
    seen_s = now_s()
    hint = "Ctrl-C leaves this view, the recorder goes on. To end it: record --stop SESSION"
    show = Show(console, keys=hint)
    folders = [folder]
    show.follow(lambda: read_guidance(folders))
    with ExitStack() as stack:
        if beside is not None and read_guidance(folders) is None:
            stack.callback(beside(folder))
        stack.enter_context(show)
        while True:
            line = read_last_line(folder, folders[-1] if len(folders) > 1 else None)
            if len(folders) == 1 and (second := second_folder(folder, line)) is not None:
                folders.append(second)
            if line is not None and (last is None or line.t != last.t or line.state != last.state):
                last, seen_s = line, now_s()
                if line.state == "recording" or is_being_recorded(folder):
                    show.update(line.status)
            is_over = last is not None and last.state == "ended" and not is_being_recorded(folder)
            if last is not None and is_over:
                return last
            if (last is None or now_s() - seen_s > _STALE_S) and not is_being_recorded(folder):
                raise TrialCaptureError(
                    "no recorder is at work on this session",
                    seen="no sign of one" if last is None else f"the last sign at {last.t}",
                    where=str(folder),
                    expected="go on with it by --resume, or process what is there",
                )
            if request.wait(look_every_s) or show.lost:
                if last is None:
                    raise TrialCaptureError("nothing was heard of the recorder yet", where=str(folder))
                return last
