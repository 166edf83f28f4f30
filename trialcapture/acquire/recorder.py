"""``record``: everything the sources send, on disk, until told to stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from trialcapture import __version__
from trialcapture.acquire.clock import Clock, scaled_clock, system_clock
from trialcapture.acquire.computer import kept_awake
from trialcapture.acquire.continuing import Past, continued_start, read_past
from trialcapture.acquire.events import utc_text
from trialcapture.acquire.lock import SessionLock
from trialcapture.acquire.raw_files import full_sync
from trialcapture.acquire.recording import Recording
from trialcapture.acquire.second_disk import prepare_second
from trialcapture.acquire.show import Show
from trialcapture.acquire.source import Source
from trialcapture.acquire.status import Status
from trialcapture.archive.atomic import write_error
from trialcapture.archive.session import FILE_NAME, Session, create_session, open_session
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError

_LOOK_EVERY_S = 0.25


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a recording came to.

    Attributes:
        session: The session.
        folder: Where it lies.
        elapsed_s: Length, earlier parts included [s].
        complete: True when everything received is on disk.
        status: The last state of the screen.
    """

    session: str
    folder: Path
    elapsed_s: float
    complete: bool
    status: Status


def record(
    config: Config,
    into: Path,
    *,
    minutes: float | None = None,
    resume: bool = False,
    second: Path | None = None,
    engine_logs: Sequence[Path] = (),
    config_text: str | None = None,
    speed: float = 1.0,
    console: Console | None = None,
    clock: Clock | None = None,
    stop: threading.Event | None = None,
    sync: Callable[[int], None] = full_sync,
    sources: Callable[[Clock, int], list[Source]] | None = None,
) -> Recorded:
    """Record every source of the settings until the time is up, Ctrl-C, or `stop`.

    Args:
        config: Settings.
        into: Session folder to make, or to continue.
        minutes: How long; until stopped when None.
        resume: Continue a session that exists; without it the folder must be new.
        second: A folder on another disk, where a copy of the session goes on when the first disk fails or fills.
        engine_logs: Files that other programs are writing, copied as they grow.
        config_text: The settings as text, kept word by word.
        speed: How much faster than life, for replays only.
        console: Where to show what is going on.
        clock: Clocks; the computer's own by default.
        stop: Set it to end the recording.
        sync: Makes a file safe on the disk; replaceable in tests.
        sources: Makes the sources from clock and start time, instead of the settings; for tests.

    Raises:
        TrialCaptureError: The session cannot be made or continued, another recorder is at work on it, or there
            is nothing to listen to.
    """
    clock = _clock_for(config, clock or system_clock(), speed)
    stop = stop or threading.Event()
    console = console or Console(stderr=True)
    if sources is None and not config.source and not engine_logs:
        raise TrialCaptureError(
            "there is nothing to listen to",
            where="[[source]]",
            expected="add a [[source]] table with id, kind and its address to the settings",
        )
    with ExitStack() as stack:
        session, past = _take_session(config, into, resume, config_text, clock, stack)
        second_folder = None if second is None else prepare_second(session, second)
        stack.enter_context(_stopped_by_signals(stop, console))
        start_ns, bridged = continued_start(past, clock) if past.begun else (clock.mono_ns(), "")
        show = stack.enter_context(Show(console, stop))
        try:
            recording = Recording(session, past, clock, start_ns, second_folder, show.heard, sync)
            recording.open_sources(sources, engine_logs)
        except OSError as fault:
            raise write_error(fault, session.folder) from fault
        recording.begin(bridged, awake=stack.enter_context(kept_awake()))
        try:
            _watch(recording, show, stop, minutes, clock)
        finally:
            complete = recording.end()
        return Recorded(session.id, session.folder, recording.elapsed_s, complete, recording.status())


def _watch(recording: Recording, show: Show, stop: threading.Event, minutes: float | None, clock: Clock) -> None:
    began_ns = clock.mono_ns()
    entry = recording.key_entry()
    while not stop.wait(_LOOK_EVERY_S):
        recording.tick()
        show.update(recording.status(), entry)
        if minutes is not None and clock.mono_ns() - began_ns >= minutes * 60e9:
            return
        if recording.has_ended():
            return


def _clock_for(config: Config, clock: Clock, speed: float) -> Clock:
    if speed == 1.0:
        return clock
    live = [source.id for source in config.source if source.kind != "replay"]
    if speed <= 0 or live:
        raise TrialCaptureError(
            "only a replay can run at another speed",
            seen=f"speed {speed:g}" + (f" with {', '.join(live)}" if live else ""),
            expected="a speed above 0, and only sources of kind replay",
        )
    return scaled_clock(clock, speed)


def _take_session(
    config: Config, into: Path, resume: bool, config_text: str | None, clock: Clock, stack: ExitStack
) -> tuple[Session, Past]:
    if not (into / FILE_NAME).exists():
        if resume and into.exists() and any(into.iterdir()):
            open_session(into)  # says what is wrong with it
        session = create_session(
            into,
            config,
            made_by=f"trialcapture {__version__}",
            created=utc_text(clock.wall_ns()),
            config_text=config_text,
        )
        stack.enter_context(SessionLock(into))
        return session, Past()
    session = open_session(into)
    stack.enter_context(SessionLock(into))
    if not resume and any((into / "raw").glob("nmea*.log*")):
        raise TrialCaptureError(
            "this session has been recorded already",
            where=str(into),
            expected="continue it with --resume, or give another folder",
        )
    try:
        return session, read_past(session)
    except OSError as fault:
        raise write_error(fault, into) from fault


@contextmanager
def _stopped_by_signals(stop: threading.Event, console: Console) -> Iterator[None]:
    """End in good order on Ctrl-C or when asked to terminate; a second Ctrl-C changes nothing."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(_number: int, _frame: Any) -> None:
        if stop.is_set():
            console.print("Closing the session; a moment, please.")
        stop.set()

    names = ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP")
    before = {}
    for name in names:
        number = getattr(signal, name, None)
        if number is not None:
            with suppress(OSError, ValueError):
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
