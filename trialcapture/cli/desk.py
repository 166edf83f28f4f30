"""``trialcapture desk``: the local page for the whole trial day."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Thread

from trialcapture.archive.session import FILE_NAME
from trialcapture.cli.beside import listen_for_desk
from trialcapture.cli.output import fault_text, print_json, say, tell, tell_lines
from trialcapture.desk.access import WARNING
from trialcapture.desk.board_stream import BoardReader
from trialcapture.desk.entries import Day, day_of
from trialcapture.desk.server import DeskServer, qr_text
from trialcapture.errors import TrialCaptureError
from trialcapture.system.console import open_page

_SESSION_S = 60.0
"""How long the desk beside a recorder waits for its session (our choice)."""
_IDLE_S = 900.0
"""So long after the last page was closed the desk of a recording that has ended ends too (our choice: time to walk to
the cabin and open it again)."""
_LOOK_S = 0.1


def desk(
    subject: Path | None,
    port: int | None,
    share: bool,
    share_entry: bool,
    no_browser: bool,
    beside_recorder: bool,
    as_json: bool,
) -> None:
    """Serve the page until it is ended."""
    day = Day(session=_awaited(subject or Path())) if beside_recorder else day_of(subject)
    sharing = "entry" if share_entry else "read" if share else "none"
    _serve(day, port, sharing, opens=not no_browser, beside_recorder=beside_recorder, as_json=as_json)


def _serve(day: Day, port: int | None, sharing: str, *, opens: bool, beside_recorder: bool, as_json: bool) -> None:
    def on_fault(fault: Exception) -> str:
        said = fault_text(fault)
        say(said, label="error")
        return said

    server = DeskServer(
        day,
        BoardReader(day),
        listener=listen_for_desk("127.0.0.1" if sharing == "none" else "0.0.0.0", port),
        now_s=time.time(),
        sharing=sharing,  # type: ignore[arg-type]
        on_fault=on_fault,
        until=(lambda idle_s: idle_s > _IDLE_S and not day.is_recorded())
        if beside_recorder
        else (lambda _idle_s: False),
    )
    links = server.access.links()
    if as_json:
        print_json({"url": server.url, "links": links, "sharing": sharing})
    else:
        _tell_where(server.url, links, sharing)
        if not beside_recorder:
            tell("Ctrl-C ends it; a recorder goes on")
    if opens:
        Thread(
            target=_open_when_ready, args=(lambda: server.has_started, lambda: open_page(server.url)), daemon=True
        ).start()
    server.run()


def _tell_where(url: str, links: Sequence[str], sharing: str) -> None:
    tell(f"the desk is at {url}")
    if sharing != "none":
        rights = "look and make entries" if sharing == "entry" else "look"
        for link in links:
            tell(f"others may {rights} by {link}")
            _show_code(qr_text(link), url)
        if not links:
            tell(f"this computer is on no network yet; the link will be at {url}share")
        say(WARNING, label="note")


def _show_code(code: str, url: str) -> None:
    """Show a QR code where the console has its blocks; else say where it is."""
    try:
        code.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        tell(f"its QR code is at {url}share")
    else:
        tell_lines(code)


def _open_when_ready(is_ready: Callable[[], bool], open_it: Callable[[], bool]) -> None:
    for _ in range(200):
        if is_ready():
            open_it()
            return
        time.sleep(_LOOK_S)


def _awaited(session: Path) -> Path:
    """Return a session that a recorder is about to make, once it is there.

    Raises:
        TrialCaptureError: It does not come.
    """
    until = time.monotonic() + _SESSION_S
    while not (session / FILE_NAME).exists():
        if time.monotonic() > until:
            raise TrialCaptureError("the recorder made no session", where=str(session))
        time.sleep(_LOOK_S)
    return session
