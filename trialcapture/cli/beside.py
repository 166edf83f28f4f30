"""What runs beside a recorder as a process of its own: the follower for its screen, and the desk."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from trialcapture.cli.output import say, tell
from trialcapture.errors import TrialCaptureError
from trialcapture.system.operating_system import own_program, start_apart
from trialcapture.system.sockets import listen_on_first

_PORT, _OTHER_PORTS = 8765, 20
"""Where the usual port is taken, one of the next so many is."""


def beside_screen() -> Callable[[Path], Callable[[], None]] | None:
    """Return what starts a follower of the trial beside a screen; None where nobody sees one."""
    if sys.stderr is None or not sys.stderr.isatty():
        return None
    return start_follower


def start_follower(session: Path) -> Callable[[], None]:
    """Start a process of low priority that follows a recording for its screen; return what ends it.

    It only reads the session, and it ends by itself when no recorder is at work on it. Killing it harms nothing.
    """
    # it gives way by itself once it has loaded; Windows can start it so
    flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0) | getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0)
    command = [*own_program("trialcapture"), "follow", str(session)]
    try:
        # a group of its own: Ctrl-C at the recorder is not for it
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            creationflags=flags, start_new_session=True,
        )  # fmt: skip
    except OSError:  # no room for another process: the screen does without
        return lambda: None

    def end() -> None:
        process.kill()
        process.wait()

    return end


def start_desk(session: Path) -> None:
    """Start the desk of a session that a recorder is about to make, as a process that nothing ties to the recorder.

    Ctrl-C ends the recorder and not the desk, which goes on for what comes after. Where it cannot be started, that is
    said and ends no recording.

    Args:
        session: The folder.
    """
    command = [*own_program("trialcapture"), "desk", str(session), "--beside-recorder"]
    try:
        with listen_for_desk("127.0.0.1", None) as listener:
            port = listener.getsockname()[1]
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123  no path of a file
            start_apart([*command, "--port", str(port)], nowhere)
    except (OSError, TrialCaptureError) as fault:
        say(f"the desk could not be started ({fault}); the recording goes on without it", label="note")
        return
    tell(f"the desk is at http://127.0.0.1:{port}/ and goes on after the recording while somebody looks", err=True)


def listen_for_desk(host: str, port: int | None) -> socket.socket:
    """Listen where a desk will be.

    Args:
        host: Address to listen on.
        port: None for the usual one or, where it is taken, one of the next.

    Raises:
        TrialCaptureError: The port is taken or not allowed.
    """
    ports = [port] if port is not None else [*range(_PORT, _PORT + _OTHER_PORTS), 0]
    try:
        listener: socket.socket = listen_on_first(host, ports)
    except OSError as fault:
        raise TrialCaptureError(
            "the desk cannot listen on this port", seen=fault.strerror or str(fault), where=f"port {port}",
            expected="give another one with --port, or leave it out",
        ) from fault  # fmt: skip
    return listener
