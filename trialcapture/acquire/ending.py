"""How a recording comes to its end: who asks for it, why, and what may not end it.

Ctrl-C, a polite kill, the time that is up, a request from another terminal and a console window that is closed
(Windows) end a recording, each with its reason in the notes. A terminal that hangs up (SIGHUP) does not: the recorder
goes on without a screen.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from trialcapture.archive.atomic import write_error
from trialcapture.archive.session import open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.system.console import CLOSING_S
from trialcapture.system.session_files import LOCK_NAME, SessionLock


class EndRequest:
    """The wish that a recording should end, with its reason; the first one stands.

    Attributes:
        is_hurried: True when the system will end the program within seconds.
        hangups: How often the terminal has hung up.
    """

    def __init__(self, stop: threading.Event | None = None) -> None:
        self._event = stop or threading.Event()
        self._reason = ""
        self._safe, self._finished = threading.Event(), threading.Event()
        self.is_hurried = False
        self.hangups = 0
        self.repeats = 0

    @property
    def reason(self) -> str:
        """Why the recording ends."""
        return self._reason or "asked to stop"

    def ask(self, reason: str) -> None:
        """End the recording; may be called from any thread."""
        self._reason = self._reason or reason
        self._event.set()

    def ask_from_signal(self, reason: str) -> None:
        """End the recording from a signal handler, which may take no lock; it is obeyed at the next look."""
        if self._reason:
            self.repeats += 1
        else:
            self._reason = reason

    def wait(self, seconds: float) -> bool:
        """Wait for the wish; True when it is there."""
        return bool(self._reason) or self._event.wait(seconds) or bool(self._reason)

    def made_safe(self) -> None:
        """Say that everything received and the reason of the end are on the disk."""
        self._safe.set()

    def finished(self) -> None:
        """Say that nothing is left to be done."""
        self._finished.set()

    def end_within(self, reason: str, wait_s: float = CLOSING_S) -> bool:
        """End the recording now and wait until its data is safe: for a handler after which the program is ended.

        Called by the Windows console handler (window closed, log-off, shutdown) in the thread that the system gives
        it. What only takes time, such as the hashes of the manifest, may stay undone; resuming or closing late makes
        up for it.

        Args:
            reason: For the notes, such as ``"the console window was closed"``.
            wait_s: How long the system lets the handler wait [s].

        Returns:
            True when data and notes are safe on the disk.
        """
        until = monotonic() + wait_s
        self.is_hurried = True
        self.ask(reason)
        is_safe = self._safe.wait(wait_s)
        self._finished.wait(max(0.0, until - monotonic()))
        return is_safe


@contextmanager
def ended_by_signals(request: EndRequest, *, until_exit: bool = False) -> Iterator[None]:
    """Turn Ctrl-C and polite kills into the wish to end, and a terminal that hangs up into one remark.

    Args:
        request: Told of them.
        until_exit: Leave Ctrl-C without effect afterwards, so that a second one does not spoil a good ending while
            the program is on its way out.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, _frame: Any) -> None:
        request.ask_from_signal("Ctrl-C" if number == signal.SIGINT else f"ended by {signal.Signals(number).name}")

    def hang_up(_number: int, _frame: Any) -> None:
        request.hangups += 1

    before: dict[int, Any] = {}

    def handle(name: str, handler: Callable[[int, Any], None]) -> None:
        number = getattr(signal, name, None)
        if number is not None:
            with suppress(OSError, ValueError):
                before[number] = signal.signal(number, handler)

    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        handle(name, end)
    hangup = getattr(signal, "SIGHUP", None)
    if hangup is not None and signal.getsignal(hangup) is not signal.SIG_IGN:  # nohup stays in force
        handle("SIGHUP", hang_up)
    # a shell that stops background jobs for writing must not stop a recording
    ignored = getattr(signal, "SIGTTOU", None)
    if ignored is not None:
        before[ignored] = signal.signal(ignored, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            was_used = until_exit and number in (signal.SIGINT, getattr(signal, "SIGHUP", None))
            signal.signal(number, signal.SIG_IGN if was_used else handler)


# ------------------------------------------------------------------------------
# Ended from another terminal: a small file that the recorder looks for once a second, on every system alike.
# ------------------------------------------------------------------------------

STOP_NAME = "recorder.stop"
_ASKED_S = 60.0
"""How long a recorder may take to end when it is asked to: hashing of a long day included (our choice)."""
_LOOK_S = 0.2


def take_stop_request(folder: Path) -> bool:
    """Say whether somebody asked for the end of the recording, and take the request away."""
    try:
        (folder / STOP_NAME).unlink()
    except OSError:
        return False
    return True


def is_being_recorded(folder: Path) -> bool:
    """Say whether a recorder is at work on a session."""
    if not (folder / LOCK_NAME).exists():
        return False
    try:
        with SessionLock(folder):
            return False
    except TrialCaptureError as fault:
        # where nothing may be written nothing is recorded: the lock was left behind
        return not isinstance(fault.__cause__, PermissionError) or os.access(folder, os.W_OK)


def stop_recorder(folder: Path, *, wait_s: float = _ASKED_S) -> None:
    """Ask the recorder of a session to end and wait until it has.

    Args:
        folder: The session.
        wait_s: How long to wait [s].

    Raises:
        TrialCaptureError: There is no session, no recorder at work on it, the request cannot be left, or it is not
            obeyed in time.
    """
    open_session(folder)
    if not is_being_recorded(folder):
        raise TrialCaptureError(
            "no recorder is at work on this session", where=str(folder), expected="nothing needs to be done"
        )
    try:
        (folder / STOP_NAME).touch()
    except OSError as fault:
        raise write_error(fault, folder / STOP_NAME) from fault
    until = monotonic() + wait_s
    while is_being_recorded(folder):
        if monotonic() >= until:
            raise TrialCaptureError(
                "the recorder was asked to end and is still at work",
                seen=f"no answer for {wait_s:.0f} s" if (folder / STOP_NAME).exists() else "it is closing the session",
                where=str(folder),
                expected="look at it with --attach, or end its process",
            )
        sleep(_LOOK_S)
