"""``trialcapture desk``: the local page for the whole trial day; and the same beside ``record``."""

from __future__ import annotations

import os
import socket
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from trialcapture.cli.output import PATH, fault_text, json_option, print_json, say, tell, tell_lines
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    from trialcapture.desk.day import Day

_SESSION_S = 60.0
"""How long the desk beside a recorder waits for its session (our choice)."""
_IDLE_S = 900.0
"""So long after the last page was closed the desk of a recording that has ended ends too (our choice: time to walk to
the cabin and open it again)."""
_LOOK_S = 0.1
_PORT, _OTHER_PORTS = 8765, 20
"""Where the usual port is taken, one of the next so many is."""


@click.command()
@click.argument("subject", metavar="[CONFIG|SESSION]", type=PATH, required=False)
@click.option("--port", type=click.IntRange(1, 65535), help="To listen on; 8765 or one of the next when not given.")
@click.option("--share", is_flag=True, help="Let other devices look, by a link with a token and its QR code.")
@click.option("--share-entry", is_flag=True, help="Let other devices with the link make entries too.")
@click.option("--no-browser", is_flag=True, help="Do not open the page.")
@click.option("--beside-recorder", is_flag=True, hidden=True)
@json_option
def desk(
    subject: Path | None,
    port: int | None,
    share: bool,
    share_entry: bool,
    no_browser: bool,
    beside_recorder: bool,
    as_json: bool,
) -> None:
    """Open the page for the whole trial day.

    At the dock it shows the settings as forms, under way what is measured
    and what to run next, afterwards the review and the results. It runs on
    this computer alone and needs no internet; ending it harms nothing.

    --share shows it on a tablet. The link is plain HTTP: everybody on the
    same wireless network can read what goes over it.

    Nobody at the helm reads a screen under way; the skipper decides.

    \b
    trialcapture desk boat.toml
    trialcapture desk monday
    trialcapture desk monday --share
    """
    from trialcapture.desk.day import Day, day_of  # noqa: PLC0415

    day = Day(session=_awaited(subject or Path())) if beside_recorder else day_of(subject)
    sharing = "entry" if share_entry else "read" if share else "none"
    _serve(day, port, sharing, opens=not no_browser, beside_recorder=beside_recorder, as_json=as_json)


def _serve(day: Day, port: int | None, sharing: str, *, opens: bool, beside_recorder: bool, as_json: bool) -> None:
    from trialcapture.desk.board_stream import BoardReader  # noqa: PLC0415
    from trialcapture.desk.server import DeskServer  # noqa: PLC0415
    from trialcapture.system.console import open_page  # noqa: PLC0415

    def on_fault(fault: Exception) -> str:
        said = fault_text(fault)
        say(said, label="error")
        return said

    server = DeskServer(
        day,
        BoardReader(day),
        listener=_listen("127.0.0.1" if sharing == "none" else "0.0.0.0", port),
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
    from trialcapture.desk.access import WARNING  # noqa: PLC0415
    from trialcapture.desk.server import qr_text  # noqa: PLC0415

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


def _listen(host: str, port: int | None) -> socket.socket:
    from trialcapture.system.sockets import listen_on_first  # noqa: PLC0415

    ports = [port] if port is not None else [*range(_PORT, _PORT + _OTHER_PORTS), 0]
    try:
        listener: socket.socket = listen_on_first(host, ports)
    except OSError as fault:
        raise TrialCaptureError(
            "the desk cannot listen on this port", seen=fault.strerror or str(fault), where=f"port {port}",
            expected="give another one with --port, or leave it out",
        ) from fault  # fmt: skip
    return listener


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
    from trialcapture.archive.session import FILE_NAME  # noqa: PLC0415

    until = time.monotonic() + _SESSION_S
    while not (session / FILE_NAME).exists():
        if time.monotonic() > until:
            raise TrialCaptureError("the recorder made no session", where=str(session))
        time.sleep(_LOOK_S)
    return session


# ------------------------------------------------------------------------------
# Beside ``record``.
# ------------------------------------------------------------------------------


def start_beside(session: Path) -> None:
    """Start the desk of a session that a recorder is about to make, as a process that nothing ties to the recorder.

    Ctrl-C ends the recorder and not the desk, which goes on for what comes after. Where it cannot be started, that is
    said and ends no recording.

    Args:
        session: The folder.
    """
    from trialcapture.system.operating_system import own_program, start_apart  # noqa: PLC0415

    command = [*own_program("trialcapture"), "desk", str(session), "--beside-recorder"]
    try:
        with _listen("127.0.0.1", None) as listener:
            port = listener.getsockname()[1]
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123  no path of a file
            start_apart([*command, "--port", str(port)], nowhere)
    except (OSError, TrialCaptureError) as fault:
        say(f"the desk could not be started ({fault}); the recording goes on without it", label="note")
        return
    tell(f"the desk is at http://127.0.0.1:{port}/ and goes on after the recording while somebody looks", err=True)
