"""``record``: everything the sources send, on disk, until told to stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from rich.console import Console

from trialcapture import __version__
from trialcapture.acquire.computer import (
    Clock,
    ClockFinding,
    ClockWatch,
    scaled_clock,
    system_clock,
)
from trialcapture.acquire.events import RECORDER, Event, Events, utc_text
from trialcapture.acquire.growing_file import Replay
from trialcapture.acquire.raw_files import RawFiles, bring_together, last_part, mend_torn_end, prepare_second
from trialcapture.acquire.received_lines import Backlog
from trialcapture.acquire.recorder_threads import Reader, Writer, make_sources
from trialcapture.acquire.screen import KeyEntry, Show, elapsed_text
from trialcapture.acquire.source import Say, Source
from trialcapture.acquire.source_health import Health
from trialcapture.acquire.status import DiskState, Status, current_alarms, source_statuses
from trialcapture.archive.atomic import free_bytes, size_text, write_error
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.archive.manifest import read_manifest
from trialcapture.archive.seal import hold_seal, seal_closed
from trialcapture.archive.session import FILE_NAME, Session, create_session, open_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json_line
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError
from trialcapture.system.console import CLOSING_S, clicks_ignored, closing_noticed
from trialcapture.system.files import remove_file, sync_file
from trialcapture.system.folders import synced_by
from trialcapture.system.power import kept_awake
from trialcapture.system.session_files import open_plain, read_whole
from trialcapture.system.session_lock import SessionLock

# ------------------------------------------------------------------------------
# Going on with a session after a stop or a crash: where its time line stood, and what was torn.
# ------------------------------------------------------------------------------

_TAIL_BYTES = 4 << 20
"""How much of a journal's end is read to go on with it: many thousand lines (our choice)."""
_AGREE_NS = 5_000_000_000
"""Monotonic and wall clock that agree so well since the last line show the same start of the computer (our choice)."""


@dataclass(frozen=True, slots=True)
class EarlierRecording:
    """What a session holds before it is continued.

    Attributes:
        begun: True when it has been recorded into before.
        last_ns: Latest session time found in journal and notes [ns].
        last_wall_ns: Wall clock that belongs to it [ns since 1970 UTC].
        start_clock_ns: This computer's monotonic clock when the session began, None when not known [ns].
        start_wall_ns: Wall clock when the session began, None when not known [ns since 1970 UTC].
        heard_ns: Latest session time of each source [ns].
        senders: Addresses of each source's senders in the order of their numbers.
        torn: Torn last lines closed: file name to bytes that survive.
        manifest: What the manifest said of each raw file when the session was closed.
    """

    begun: bool = False
    last_ns: int = 0
    last_wall_ns: int = 0
    start_clock_ns: int | None = None
    start_wall_ns: int | None = None
    heard_ns: dict[str, int] = field(default_factory=dict)
    senders: dict[str, list[str]] = field(default_factory=dict)
    torn: dict[str, int] = field(default_factory=dict)
    manifest: tuple[dict[str, Any], ...] = ()


def read_past(session: Session) -> EarlierRecording:
    """Close torn lines and read where the session's time line stood.

    The manifest of a closed session is taken away, since its files will grow; what it said goes into the notes,
    so that the earlier part can still be held against it.

    Raises:
        OSError: The raw files cannot be read or mended.
        TrialCaptureError: The manifest is damaged.
    """
    raw = session.folder / "raw"
    torn: dict[str, int] = {}
    parts = {stream: last_part([raw], stream) for stream in ("nmea.log", "can.log", "notes.jsonl")}
    for path in parts.values():
        if path is not None and (lost := mend_torn_end(path)):
            torn[path.name] = lost
    heard_ns, last_ns, last_wall_ns = _journal_end(parts["nmea.log"])
    begun = bool(heard_ns)
    start_clock_ns = start_wall_ns = None
    senders: dict[str, list[str]] = {}
    for entry, mono_ns, wall_ns in _stamped_notes(raw / "notes.jsonl"):
        begun = True
        if mono_ns > last_ns:
            last_ns, last_wall_ns = mono_ns, wall_ns
        if entry.get("kind") == "start":
            clock_ns = entry.get("clock_ns")
            start_clock_ns = clock_ns if isinstance(clock_ns, int) else None
            epoch_ns = entry.get("epoch_wall_ns")
            start_wall_ns = epoch_ns if isinstance(epoch_ns, int) else wall_ns - mono_ns
        elif entry.get("kind") == "sender":
            _know_sender(senders, str(entry.get("source", "")), str(entry.get("sender", "")))
    with hold_seal(session.folder):  # whoever adds a note now must not write the manifest again
        entries = tuple(asdict(entry) for entry in read_manifest(session.folder) or ())
        remove_file(session.folder / "manifest.json")
    return EarlierRecording(
        begun, last_ns, last_wall_ns, start_clock_ns, start_wall_ns, heard_ns, senders, torn, entries
    )


def continued_start(past: EarlierRecording, clock: Clock) -> tuple[int, str]:
    """Return the monotonic time the session began on this computer's clock of today, and how that is known.

    When the computer has not been restarted since, its monotonic clock still knows (``clock``). Otherwise the
    wall clock bridges the pause (``wall``): good to a second or so, and never backwards.
    """
    now_ns = clock.mono_ns()
    by_wall_ns = past.last_ns + clock.wall_ns() - past.last_wall_ns
    if past.start_clock_ns is not None:
        by_clock_ns = now_ns - past.start_clock_ns
        if by_clock_ns > past.last_ns and abs(by_clock_ns - by_wall_ns) < _AGREE_NS:
            return past.start_clock_ns, "clock"
    return now_ns - max(by_wall_ns, past.last_ns + 1_000_000), "wall"


def parent_of(source: str, configured: set[str]) -> str:
    """Return the source of the settings that a journal id such as ``net-2`` belongs to."""
    stem, _, number = source.rpartition("-")
    if source not in configured and number.isdigit():
        for candidate in configured:
            if candidate == stem or (stem and candidate.startswith(stem) and len(source) == 15):
                return candidate
    return source


def _journal_end(path: Path | None) -> tuple[dict[str, int], int, int]:
    heard_ns: dict[str, int] = {}
    last_ns = last_wall_ns = 0
    if path is None:
        return heard_ns, last_ns, last_wall_ns
    with open_plain(path) as file:
        file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
        tail = file.read()
    for line in split_lines(tail):
        parsed = parse_line(line)
        if parsed.fault or not parsed.source or parsed.mono_us is None or parsed.wall_ms is None:
            continue
        mono_ns = parsed.mono_us * 1000
        heard_ns[parsed.source] = max(mono_ns, heard_ns.get(parsed.source, 0))
        if mono_ns >= last_ns:
            last_ns, last_wall_ns = mono_ns, parsed.wall_ms * 1_000_000
    return heard_ns, last_ns, last_wall_ns


def _know_sender(senders: dict[str, list[str]], source: str, address: str) -> None:
    stem, _, number = source.rpartition("-")
    parent = stem if number.isdigit() and stem in senders else source
    known = senders.setdefault(parent, [])
    if address not in known:
        known.append(address)


def _stamped_notes(path: Path) -> Iterator[tuple[dict[str, Any], int, int]]:
    """Yield the notes that carry session time, with it and their wall clock; damaged lines are passed over."""
    try:
        lines = read_whole(path, MOST_JSON_BYTES).split(b"\n")
    except FileNotFoundError:
        return
    for line in lines:
        try:
            entry = parse_json_line(line)
            mono_us = entry["mono_us"]
            wall_ns = round(datetime.fromisoformat(entry["t"]).timestamp() * 1000) * 1_000_000
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
        if isinstance(mono_us, int):
            yield entry, mono_us * 1000, wall_ns


# ------------------------------------------------------------------------------
# One recording at work: its threads, its numbers, its end.
# ------------------------------------------------------------------------------

_WRITING_NS = 3_000_000_000
"""Without growth for so long nothing is being written (our choice)."""
_BEAT_NS = 60_000_000_000
"""How often a recording notes that it is alive (our choice)."""


class Recording:
    """Puts sources, backlog, writer, health and events together.

    Args:
        session: The session.
        past: What it held before.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        second: Session folder on another disk, or None.
        heard: Called with each event.
        sync: Makes a file safe on the disk.

    Attributes:
        root: Of the session as it was sealed at its end; "" until then.
    """

    def __init__(
        self,
        session: Session,
        past: EarlierRecording,
        clock: Clock,
        start_ns: int,
        second: Path | None,
        heard: Callable[[Event], None],
        sync: Callable[[int], None],
    ) -> None:
        self._session = session
        self._past = past
        self._clock = clock
        self._start_ns = start_ns
        self._folders = [session.folder] + ([second] if second is not None else [])
        self._stop = threading.Event()
        self._backlog = Backlog()
        self._events = Events(clock, start_ns, heard=heard)
        trusted = frozenset(s.id for s in session.config.source if not s.require_checksum)
        self._health = Health(self._events, trusted=trusted)
        self._files = RawFiles(self._folders, switched=self._switched, sync=sync)
        self._writer = Writer(
            self._backlog, self._files, self._health, self._events, clock, start_ns, self._folders, past.senders
        )
        self._clock_watch = ClockWatch(clock)
        self._epoch_ns = past.start_wall_ns or clock.wall_ns() - self._now_ns()
        self._readers: list[Reader] = []
        self._free_bytes = free_bytes(session.folder)
        self._size, self._grown_ns, self._began_ns, self._beat_ns = 0, 0, 0, 0
        self._began_size = self._size_on_disk()
        self.root = ""
        self.unsealed = ""

    @property
    def elapsed_s(self) -> float:
        """Time since the session began [s]."""
        return self._now_ns() / 1e9

    def open_sources(self, make: Callable[[Clock, int], list[Source]] | None, engine_logs: Sequence[Path]) -> None:
        """Make the sources and their readers; nothing is opened yet."""
        if make is not None:
            sources = make(self._clock, self._start_ns)
        else:
            sources = make_sources(
                self._session.config,
                self._clock,
                self._start_ns,
                self._epoch_ns,
                raw_folder=self._session.folder / "raw",
                engine_logs=engine_logs,
                say_for=self._say_for,
            )
        now_ns = self._now_ns()
        ids = {source.id for source in sources}
        for source in sources:
            if isinstance(source, Replay):
                continue  # its journal ids are its own
            self._health.expect(
                source.id,
                source.stream,
                self._past.heard_ns.get(source.id, self._past.last_ns) if self._past.begun else now_ns,
                baud=getattr(source, "baud", None),
                silence_hint=getattr(source, "silence_hint", ""),
                away="not recording" if self._past.begun else "",
            )
        for source_id, heard_ns in self._past.heard_ns.items():
            if source_id not in ids:
                parent = parent_of(source_id, ids)
                self._health.expect(source_id, "nmea.log", heard_ns, parent=parent, away="not recording")
        self._readers = [
            Reader(source, self._backlog, self._health, self._events, self._clock, self._start_ns, self._stop)
            for source in sources
        ]

    def begin(self, bridged: str, *, awake: bool) -> None:
        """Start all threads.

        Args:
            bridged: How the time since the last part is known, "" for a new session.
            awake: Whether the computer could be asked to stay awake.
        """
        sources = [
            {"id": r.source.id, "where": r.source.where, "stream": r.source.stream}
            for r in self._readers
            if not isinstance(r.source, Replay)
        ]
        details: dict[str, Any] = {
            "clock_ns": self._start_ns,
            "epoch_wall_ns": self._epoch_ns,
            "made_by": f"trialcapture {__version__}",
            "sources": sources,
            "kept_awake": awake,
        }
        self._began_ns = self._beat_ns = self._grown_ns = self._now_ns()
        if bridged:
            pause_s = (self._began_ns - self._past.last_ns) / 1e9
            text = f"recording goes on after {pause_s:.0f} s; the pause is known by the {bridged}"
            if self._past.manifest:
                details["closed_as"] = list(self._past.manifest)
            self._events.add("resume", text, from_us=self._past.last_ns // 1000, bridged=bridged, **details)
        else:
            self._events.add("start", "recording begins", **details)
        for name, survives in self._past.torn.items():
            self._events.add(
                "torn",
                f"the last line of {name} was torn by a crash or a power cut; {survives} bytes of it survive",
                severity="yellow",
                file=name,
                bytes=survives,
            )
        self._writer.start()
        for reader in self._readers:
            reader.start()

    def tick(self) -> None:
        """Look after clocks, silence and free space; call a few times a second."""
        now_ns = self._now_ns()
        self._health.tick(self._writer.settled_ns)
        for finding in self._clock_watch.tick():
            self._tell_clock(finding)
        size = self._size_on_disk()
        if size != self._size:
            self._size, self._grown_ns = size, now_ns
        if now_ns - self._beat_ns >= _BEAT_NS:
            self._beat_ns = now_ns
            self._events.add("beat", f"recording, {size_text(size)} on disk", bytes=size)
        with suppress(OSError):
            self._free_bytes = free_bytes(self._files.folder)

    def has_ended(self) -> bool:
        """Return True when every source is a replay and has come to its end."""
        replays = [r.source for r in self._readers if isinstance(r.source, Replay)]
        return bool(replays) and len(replays) == len(self._readers) and all(replay.ended for replay in replays)

    def key_entry(self) -> KeyEntry:
        """Return what turns keys into notes."""
        return KeyEntry(lambda kind, value, unit: self._events.note(kind, value, unit=unit, by="screen"))

    def tell_synced(self, synced: str) -> None:
        """Note that the session lies where a cloud service copies and locks files."""
        self._events.add(
            "synced_folder",
            f"{synced} is kept in step with a cloud, which holds files that are being written; record into a plain "
            "folder the next time and copy afterwards",
            severity="yellow",
            folder=synced,
        )

    def close_soon(self, reason: str, stop: threading.Event, has_ended: threading.Event) -> None:
        """End because the system is about to end the program, and wait as long as it lets us.

        Args:
            reason: For the notes.
            stop: Ends the recording.
            has_ended: Set when it has ended.
        """
        self._events.add("closing", f"recording ends because {reason}", severity="yellow", reason=reason)
        stop.set()
        has_ended.wait(CLOSING_S)

    def end(self) -> bool:
        """Stop, write the rest, name the open gaps, hash; True when everything received is on disk."""
        self._stop.set()
        for reader in self._readers:
            reader.join(2.0)
        complete = self._writer.finish()
        end_ns = max(self._now_ns(), *(s.last_ns for s in self._health.sources.values()), 0)
        self._health.finish(end_ns)
        text = f"recording ends after {elapsed_text(end_ns / 1e9)}"
        received = {s.source: s.lines for s in self._health.sources.values() if s.stream == "nmea.log" and s.lines}
        self._events.add(
            "stop",
            text if complete else f"{text}; not all of it could be written",
            complete=complete,
            received=received,
            unwritten_bytes=self._writer.held_bytes,
        )
        self._writer.close()
        if self._files.folder != self._folders[0]:
            try:
                bring_together(*self._folders)
            except (OSError, TrialCaptureError) as fault:
                text = f"{self._files.folder} holds a part of this session that could not be copied: {fault}"
                self._events.add("fault", text, severity="red")
        for folder in self._folders:
            if any((folder / "raw").glob("*")):
                try:
                    with hold_seal(folder):
                        sealed = seal_closed(folder, by=RECORDER, t=utc_text(self._clock.wall_ns()))
                    self.root = self.root or sealed.root
                except (TrialCaptureError, OSError) as fault:
                    self._events.add("fault", f"{folder} is not sealed: {fault}", severity="red")
                    self.unsealed = self.unsealed or str(fault)
        return complete

    def status(self) -> Status:
        """Return what the screen shows."""
        now_ns = self._now_ns()
        waiting = self._writer.held_bytes
        rate = (self._size - self._began_size) / max(1.0, (now_ns - self._began_ns) / 1e9)
        disk = DiskState(
            fault=self._writer.fault,
            sync_fault=self._writer.sync_fault,
            stalled_s=(now_ns - self._grown_ns) / 1e9 if waiting else 0.0,
            free_bytes=self._free_bytes,
            waiting_share=waiting / (2 * self._backlog.limit_bytes),
            on_second=self._files.folder != self._folders[0],
        )
        recent = list(self._events.last)[-8:]
        return Status(
            session=self._session.id,
            writing=now_ns - self._grown_ns < _WRITING_NS and self._size > self._began_size,
            waiting_bytes=waiting,
            elapsed_s=now_ns / 1e9,
            on_disk_bytes=self._size,
            safe_age_s=max(0.0, (now_ns - self._writer.synced_ns) / 1e9),
            free_bytes=self._free_bytes,
            free_h=self._free_bytes / rate / 3600 if rate > 1 else None,
            sources=source_statuses(self._health, now_ns),
            alarms=tuple(current_alarms(self._health, disk, list(self._events.last), now_ns)),
            recent=tuple(f"{elapsed_text(e.mono_ns / 1e9)} {e.text}" for e in reversed(recent)),
        )

    def _size_on_disk(self) -> int:
        """Return what has been received and is on disk, earlier parts included, as the file systems tell it."""
        total = 0
        for folder in self._folders:
            for pattern in ("nmea*.log", "can*.log", "engine/*"):
                for path in (folder / "raw").glob(pattern):
                    with suppress(OSError):
                        total += path.stat().st_size
        return total

    def _say_for(self, source: str) -> Say:
        def say(kind: str, text: str, **details: object) -> None:
            severity = "red" if kind == "overflow" else "info"
            self._events.add(kind, text, source=source, severity=severity, **details)

        return say

    def _switched(self, folder: Path, cause: OSError) -> None:
        self._events.add(
            "switched",
            f"recording goes on in {folder} ({cause.strerror or cause}); nothing is lost. Mend the first disk later",
            severity="red",
            folder=str(folder),
        )

    def _tell_clock(self, finding: ClockFinding) -> None:
        from_us, to_us = ((t - self._start_ns) // 1000 for t in (finding.from_ns, finding.to_ns))
        if finding.kind == "slept":
            self._events.add(
                "slept",
                f"the computer slept for {finding.seconds:.0f} s; that part is lost. Repeat the leg, keep the lid open",
                severity="red",
                from_us=from_us,
                to_us=to_us,
                slept_s=finding.seconds,
            )
        else:
            small = abs(finding.seconds) < 0.5
            self._events.add(
                "wall_step",
                f"the computer's clock was set by {finding.seconds:+.2f} s; times in the record are not affected",
                severity="info" if small else "yellow",
                from_us=from_us,
                to_us=to_us,
                step_s=finding.seconds,
            )

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns


_LOOK_EVERY_S = 0.25
"""How often the end of a recording is looked for (our choice)."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a recording came to.

    Attributes:
        session: The session.
        folder: Where it lies.
        elapsed_s: Length, earlier parts included [s].
        complete: True when everything received is on disk.
        status: The last state of the screen.
        root: Of the session as it was sealed; "" where it could not be.
        unsealed: Why it could not be; "" where it was.
    """

    session: str
    folder: Path
    elapsed_s: float
    complete: bool
    status: Status
    root: str
    unsealed: str = ""


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
    sync: Callable[[int], None] = sync_file,
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
        has_ended = threading.Event()
        start_ns, bridged = continued_start(past, clock) if past.begun else (clock.mono_ns(), "")
        show = stack.enter_context(Show(console, stop))
        try:
            recording = Recording(session, past, clock, start_ns, second_folder, show.heard, sync)
            recording.open_sources(sources, engine_logs)
        except OSError as fault:
            raise write_error(fault, session.folder) from fault
        stack.enter_context(clicks_ignored())
        stack.enter_context(closing_noticed(lambda reason: recording.close_soon(reason, stop, has_ended)))
        recording.begin(bridged, awake=stack.enter_context(kept_awake()))
        if (synced := synced_by(session.folder)) is not None:
            recording.tell_synced(synced)
        try:
            _watch(recording, show, stop, minutes, clock)
        finally:
            complete = recording.end()
            has_ended.set()
        return Recorded(
            session.id, session.folder, recording.elapsed_s, complete, recording.status(), recording.root,
            recording.unsealed,
        )  # fmt: skip


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
) -> tuple[Session, EarlierRecording]:
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
        return session, EarlierRecording()
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
