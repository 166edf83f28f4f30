"""``record``: everything the sources send, on disk, until told to stop."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from time import monotonic
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
from trialcapture.acquire.ending import EndRequest, ended_by_signals, take_stop_request
from trialcapture.acquire.events import RECORDER, Event, Events, utc_text
from trialcapture.acquire.growing_file import Replay
from trialcapture.acquire.live_status import Beside, LiveFile, read_guidance
from trialcapture.acquire.raw_files import FileLoss, PlaceFinding, RawFiles, last_part, mend_torn_end, prepare_second
from trialcapture.acquire.received_lines import Backlog
from trialcapture.acquire.recorder_threads import LossTally, Reader, Writer, make_sources
from trialcapture.acquire.screen import KeyEntry, ScreenConsole, Show, elapsed_text
from trialcapture.acquire.source import Say, Source
from trialcapture.acquire.status import DiskState, Health, Status, current_alarms, source_statuses
from trialcapture.archive.atomic import free_bytes, size_text, write_error
from trialcapture.archive.halves import join_halves
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.archive.manifest import raw_files, read_manifest
from trialcapture.archive.notes import SPEED
from trialcapture.archive.seal import hold_seal, seal_closed
from trialcapture.archive.session import FILE_NAME, Session, create_session, open_session, write_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json_line
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError
from trialcapture.system.console import clicks_ignored, closing_noticed, has_no_reader
from trialcapture.system.files import remove_file, sync_file, synced_by
from trialcapture.system.power import kept_awake
from trialcapture.system.session_files import SessionLock, open_plain, read_whole
from trialcapture.system.sockets import is_loopback

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
_READERS_S, _WRITER_S, _HURRIED_S = 2.0, 10.0, 1.0
"""How long readers and writer are waited for at the end, and each when the system is in a hurry (our choice)."""
_HELD_UP_S = 5.0
"""A recorder that did not come to look after itself for so long was stopped, or starved (our choice)."""
_BEAT_NS = 60_000_000_000
"""How often a recording notes that it is alive (our choice)."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a recording came to.

    Attributes:
        session: The session.
        folder: Where it lies, whole; the second folder where only that had room for both halves.
        elapsed_s: Length, earlier parts included [s].
        complete: True when everything received is on disk.
        status: The last state of the screen.
        root: Of the session as it was sealed; "" where it could not be.
        reason: Why it ended.
        written_bytes: What was written to raw files by this run.
        silent: Sources from which nothing came, each with its trouble.
        lost: Lines and datagrams that could not be kept, by source.
        disk_fault: Why no disk took them, "" where the sources alone were too fast.
        damaged: What was done to files behind the recorder's back, one sentence each.
        apart: The folders of both halves where they could not be joined.
        unsealed: Why the session could not be sealed; "" where it was.
    """

    session: str
    folder: Path
    elapsed_s: float
    complete: bool
    status: Status
    root: str = ""
    reason: str = ""
    written_bytes: int = 0
    silent: tuple[str, ...] = ()
    lost: dict[str, int] = field(default_factory=dict)
    damaged: tuple[str, ...] = ()
    apart: tuple[Path, Path] | None = None
    disk_fault: str = ""
    unsealed: str = ""


class Recording:
    """Puts sources, backlog, writer, health and events together.

    Args:
        session: The session.
        config: Settings as given now: those of the session, perhaps with other addresses of its sources.
        past: What it held before.
        clock: Clocks.
        start_ns: Monotonic time the session began [ns].
        second: Session folder on another disk, or None.
        heard: Called with each event; must not wait.
        sync: Makes a file safe on the disk.

    Attributes:
        root: Of the session as it was sealed at its end; "" until then.
    """

    def __init__(
        self,
        session: Session,
        config: Config,
        past: EarlierRecording,
        clock: Clock,
        start_ns: int,
        second: Path | None,
        heard: Callable[[Event], None],
        sync: Callable[[int], None],
    ) -> None:
        self._session = session
        self._config = config
        self._past = past
        self._clock = clock
        self._start_ns = start_ns
        self._folders = [session.folder] + ([second] if second is not None else [])
        self._stop = threading.Event()
        self._backlog = Backlog()
        self._events = Events(clock, start_ns, heard=heard)
        trusted = frozenset(s.id for s in config.source if not s.require_checksum)
        self._health = Health(self._events, trusted=trusted)
        self._losses = LossTally(self._health, self._events)
        self._files = RawFiles(self._folders, switched=self._switched, sync=sync, now_ns=self._now_ns)
        self._writer = Writer(
            self._backlog, self._files, self._health, self._events, clock, start_ns, self._folders, past.senders,
            self._losses,
        )  # fmt: skip
        self._clock_watch = ClockWatch(clock)
        self._live = LiveFile(self._folders)
        self._told_faults: set[str] = set()
        self._epoch_ns = past.start_wall_ns or clock.wall_ns() - self._now_ns()
        self._readers: list[Reader] = []
        self._free_bytes = free_bytes(session.folder)
        self._size, self._grown_ns, self._began_ns, self._beat_ns = 0, 0, 0, 0
        self._ticked = (monotonic(), self._now_ns())
        self._began_size = self._size_on_disk()
        self._known = {path: path.stat().st_size for path in raw_files(session.folder)}
        self.folder = session.folder
        self.apart: tuple[Path, Path] | None = None
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
                self._config,
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
                now_ns=now_ns,
            )
        for source_id, heard_ns in self._past.heard_ns.items():
            if source_id not in ids:
                parent = parent_of(source_id, ids)
                self._health.expect(source_id, "nmea.log", heard_ns, parent=parent, away="not recording", now_ns=now_ns)
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
        if len(self._folders) > 1:
            details["second"] = str(self._folders[1])
        if self._config != self._session.config:
            details["settings_now"] = config_differences(self._session.config, self._config)
        self._events.keep_reserve(self._session.folder)
        self._began_ns = self._beat_ns = self._grown_ns = self._now_ns()
        self._ticked = (monotonic(), self._began_ns)
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
        findings = self._clock_watch.tick()
        for finding in findings:
            self._tell_clock(finding)
        self._tell_held_up(now_ns, has_slept=any(finding.kind == "slept" for finding in findings))
        size = self._size_on_disk()
        if size != self._size:
            self._size, self._grown_ns = size, now_ns
        if now_ns - self._beat_ns >= _BEAT_NS:
            self._beat_ns = now_ns
            self._events.add("beat", f"recording, {size_text(size)} on disk", bytes=size)
        with suppress(OSError):
            self._free_bytes = free_bytes(self._files.folder)

    def look_around(self, lock: SessionLock) -> bool:
        """Put back what else makes the session, write the live status; call once a second.

        Returns:
            True when somebody has asked for the end of the recording.
        """
        with self._told_once("what makes the session cannot be put back"):
            if not (self._session.folder / FILE_NAME).exists():
                self._session.folder.mkdir(parents=True, exist_ok=True)
                write_session(self._session)
                self._damage("session.toml was deleted while recording and was written anew")
                self._events.keep_reserve(self._session.folder)
            lock.hold_again()
        for path in [path for path in self._known if not path.exists() and path not in self._files.sizes()]:
            size = self._known.pop(path)
            self._events.add_finding(PlaceFinding(path, "deleted", loss=FileLoss(size, older_bytes=size)))
        with self._told_once("the live status cannot be written"):
            self._live.append(self.status(), self._clock.wall_ns())
        asked = [take_stop_request(folder) for folder in self._folders]  # each is taken away
        return any(asked)

    def screen_lost(self, reason: str) -> None:
        """Note that recording goes on without a screen."""
        text = f"recording goes on without a screen: {reason}; 'record --attach SESSION' shows one"
        self._events.add("screen_lost", text, reason=reason)

    def hung_up(self) -> None:
        """Note that the terminal was closed."""
        self._events.add("hangup", "the terminal was closed (SIGHUP); recording goes on")

    def output_lost(self) -> None:
        """Note that nobody reads standard output any more."""
        self._events.add("output_lost", "nobody reads standard output any more; recording goes on")

    def screen_blocked(self, is_blocked: bool) -> None:
        """Note that the screen takes nothing, or does again."""
        if is_blocked:
            self._events.add("screen_blocked", "the screen takes no output; recording goes on")
        else:
            self._events.add("screen_back", "the screen takes output again")

    def fault(self, what: str, fault: BaseException) -> None:
        """Note a fault of what looks after the recording, each kind once."""
        text = f"{what}: {fault!r}"
        if text not in self._told_faults:
            self._told_faults.add(text)
            self._events.add("fault", text, severity="red")

    @contextmanager
    def _told_once(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, TrialCaptureError) as fault:
            self.fault(what, fault)

    def _damage(self, text: str) -> None:
        self._events.damaged.append(text)
        self._events.add("file_restored", text, severity="red", file=FILE_NAME)

    def has_ended(self) -> bool:
        """Return True when every source is a replay and has come to its end."""
        replays = [r.source for r in self._readers if isinstance(r.source, Replay)]
        return bool(replays) and len(replays) == len(self._readers) and all(replay.ended for replay in replays)

    def key_entry(self) -> KeyEntry:
        """Return what turns keys into notes."""
        return KeyEntry(
            lambda kind, value, unit, more: self._events.note(kind, value, unit=unit, by="screen", **more),
            engine_ids=self._config.engine_ids,
            units=self._config.report.units,
        )

    def tell_speed(self, speed: float, computer_ns: int) -> None:
        """Note that the clocks ran faster than time, as with a rehearsal or a replay; no boat can be recorded so.

        Args:
            speed: Times real time.
            computer_ns: Wall clock of this computer [ns since 1970], by which others place what they note meanwhile.
        """
        text = f"recorded at {speed:g} times real time: a replay or a rehearsal, no boat"
        self._events.add(SPEED, text, speed=speed, computer_ns=computer_ns)

    def tell_synced(self, synced: str) -> None:
        """Note that the session lies where a cloud service copies and locks files."""
        self._events.add(
            "synced_folder",
            f"{synced} is kept in step with a cloud, which holds files that are being written; record into a plain "
            "folder the next time and copy afterwards",
            severity="yellow",
            folder=synced,
        )

    def end(self, request: EndRequest) -> bool:
        """Stop, write the rest, name the open gaps, hash; True when everything received is on disk.

        Args:
            request: Why; told as soon as data and notes are safe.
        """
        self._stop.set()
        until = monotonic() + (_HURRIED_S if request.is_hurried else _READERS_S)
        for reader in self._readers:
            reader.join(max(0.0, until - monotonic()))
        complete = self._writer.finish(_HURRIED_S if request.is_hurried else _WRITER_S)
        complete = complete and not self._losses.total and not self._events.lost_files
        end_ns = max(self._now_ns(), *(s.last_ns for s in self._health.sources.values()), 0)
        self._health.finish(end_ns)
        text = f"recording ends after {elapsed_text(end_ns / 1e9)}: {request.reason}"
        sizes = self._files.sizes()
        names = {
            p.relative_to(f / "raw").as_posix(): n for p, n in sizes.items() for f in self._folders if f in p.parents
        }
        received = {s.source: s.lines for s in self._health.sources.values() if s.stream == "nmea.log" and s.lines}
        self._events.add(
            "stop",
            text if complete else f"{text}; not everything that was received is on the disk",
            reason=request.reason,
            complete=complete,
            files=names,
            received=received,
            unwritten_bytes=self._writer.unwritten_bytes,
        )
        self._writer.close()
        complete = not self._events.waiting and complete
        request.made_safe()
        sizes |= self._events.sizes()
        self._events.close(self._folders)
        return self._finished(sizes) and complete

    def _finished(self, sizes: dict[Path, int]) -> bool:
        """Join the halves, write the manifests, and compare them with what was written."""
        is_sound = True
        if len(self._folders) > 1 and any(raw_files(self._folders[1])):
            self._join()
        for folder in self._folders:
            if not any((folder / "raw").glob("*")):
                continue
            try:
                with hold_seal(folder):
                    sealed = seal_closed(folder, by=RECORDER, t=utc_text(self._clock.wall_ns()))
                if folder == self.folder:
                    self.root = sealed.root
                listed = {folder / entry.path: entry.bytes for entry in read_manifest(folder) or ()}
            except (TrialCaptureError, OSError) as fault:
                self._tell_late(f"{folder} is not sealed: {fault}")
                self.unsealed = self.unsealed or str(fault)
                continue
            for path, size in sizes.items():
                if folder in path.parents and path.name != "notes.jsonl" and listed.get(path, -1) < size:
                    self._events.damaged.append(
                        f"{path} is not as it was written, {listed.get(path, 0)} of {size} bytes"
                    )
                    is_sound = False
        return is_sound

    def _join(self) -> None:
        first, second = self._folders
        at = utc_text(self._clock.wall_ns())
        troubles = []
        for target, other in ((first, second), (second, first)):
            try:
                join_halves(target, other, at=at, by=RECORDER, is_sealing=False)
            except (OSError, TrialCaptureError) as fault:
                troubles.append(" ".join(str(fault).split()))
                continue
            self.folder = target
            return
        text = f"the two halves of this session are still apart, in {first} and {second}: {troubles[0]}"
        self._tell_late(f"{text}. Join them later: trialcapture collect --join {first} {second} --into NEW")
        self.apart = (first, second)

    def _tell_late(self, text: str) -> None:
        """Note what happened after the notes were closed."""
        self._events.add("fault", text, severity="red")
        with suppress(OSError):  # no disk takes it: the person is told on the screen
            self._events.write_waiting(self._folders)
        self._events.close(self._folders)

    def outcome(self, request: EndRequest, *, complete: bool) -> Recorded:
        """Return what the recording came to, and leave it as the last line of the live status."""
        self._size = self._size_on_disk()
        status = self.status()
        with suppress(OSError, TrialCaptureError):
            self._live.append(status, self._clock.wall_ns(), state="ended", reason=request.reason, complete=complete)
        silent = [
            f"{s.source}: {s.trouble or 'listening, and nothing came'}"
            for s in self._health.sources.values()
            if s.heard_ns is None
        ]
        return Recorded(
            self._session.id,
            self.folder,
            self.elapsed_s,
            complete,
            status,
            self.root,
            request.reason,
            self._files.written_bytes,
            tuple(silent),
            dict(self._losses.total),
            tuple(self._events.damaged),
            self.apart,
            self._losses.disk_fault,
            self.unsealed,
        )

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
            if kind == "overflow":
                self._losses.add(source, datagrams=int(str(details.get("datagrams", 0))))
                return
            self._events.add(kind, text, source=source, severity="info", **details)

        return say

    def _switched(self, folder: Path, cause: OSError) -> None:
        self._events.add(
            "switched",
            f"recording goes on in {folder} ({cause.strerror or cause}); nothing is lost. Mend the first disk later",
            severity="red",
            folder=str(folder),
            left=dict(self._files.left_behind),
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

    def _tell_held_up(self, now_ns: int, *, has_slept: bool) -> None:
        """Note that this program stood still while the computer went on: what waited carries the time it was read."""
        (then, then_ns), self._ticked = self._ticked, (monotonic(), now_ns)
        held_s = self._ticked[0] - then
        if held_s > _HELD_UP_S and not has_slept:
            self._events.add(
                "held_up",
                f"the recorder was held up for {held_s:.0f} s, stopped or starved by other programs: what came "
                "meanwhile carries the time at which it was read, or is lost. Repeat the leg",
                severity="yellow",
                from_us=then_ns // 1000,
                to_us=now_ns // 1000,
                held_s=round(held_s, 3),
            )

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns


_LOOK_EVERY_S = 0.25
"""How often the end of a recording is looked for (our choice)."""
_LOOK_AROUND_S = 1.0
_BLOCKED_S = 5.0
"""A screen that has taken nothing for so long is noted (our choice)."""
_SWITCH_S = 0.0005
"""How long one thread may keep the others waiting: a flood on one source must not hold up the next (our choice)."""


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
    request: EndRequest | None = None,
    sync: Callable[[int], None] = sync_file,
    sources: Callable[[Clock, int], list[Source]] | None = None,
    beside: Beside | None = None,
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
        speed: How much faster than life, for replays and rehearsals played on this computer only.
        console: Where to show what is going on.
        clock: Clocks; the computer's own by default.
        stop: Set it to end the recording.
        request: In place of `stop`, a wish with its reason; signals are then the caller's to handle.
        sync: Makes a file safe on the disk; replaceable in tests.
        sources: Makes the sources from clock and start time, instead of the settings; for tests.
        beside: Starts a process that follows the trial for the screen; the recording needs nothing of it.

    Raises:
        TrialCaptureError: The session cannot be made or continued, another recorder is at work on it, or there
            is nothing to listen to.
    """
    own_clock = clock or system_clock()
    clock = _clock_for(config, own_clock, speed)
    own_request = request is None
    request = request or EndRequest(stop)
    if sources is None and not config.source and not engine_logs:
        raise TrialCaptureError(
            "there is nothing to listen to",
            where="[[source]]",
            expected="add a [[source]] table with id, kind and its address to the settings",
        )
    with ExitStack() as stack:
        if own_request:
            stack.enter_context(ended_by_signals(request))
        stack.callback(request.finished)
        stack.enter_context(closing_noticed(request.end_within))
        stack.enter_context(clicks_ignored())
        session, past, lock = _take_session(config, into, resume, config_text, clock, stack)
        second_folder = None if second is None else prepare_second(session, second)
        if second_folder is not None:
            stack.enter_context(SessionLock(second_folder))
        for folder in (session.folder, second_folder):
            if folder is not None:
                take_stop_request(folder)  # one that was left for a recorder that is no more
        start_ns, bridged = continued_start(past, clock) if past.begun else (clock.mono_ns(), "")
        try:
            show = Show(console or ScreenConsole(stderr=True))
            recording = Recording(session, config, past, clock, start_ns, second_folder, show.heard, sync)
            show.serve(recording.key_entry(), recording.screen_lost)
            folders = [folder for folder in (session.folder, second_folder) if folder is not None]
            show.follow(lambda: read_guidance(folders))
            recording.open_sources(sources, engine_logs)
        except OSError as fault:
            raise write_error(fault, session.folder) from fault
        stack.enter_context(show)
        stack.enter_context(_quick_turns())
        recording.begin(bridged, awake=stack.enter_context(kept_awake()))
        if speed != 1.0:
            recording.tell_speed(speed, own_clock.wall_ns())
        if console is None and sys.stderr is None:
            show.give_up("there is no standard error to write to")
        if beside is not None:
            stack.callback(beside(session.folder))
        complete = False
        if (synced := synced_by(session.folder)) is not None:
            recording.tell_synced(synced)
        try:
            _watch(recording, show, request, lock, minutes, clock, has_own_screen=console is None)
        except BaseException as fault:
            request.ask(f"a fault of the program: {fault!r}")
            raise
        finally:
            complete = recording.end(request)
            outcome = recording.outcome(request, complete=complete)
        return outcome


def _watch(
    recording: Recording,
    show: Show,
    request: EndRequest,
    lock: SessionLock,
    minutes: float | None,
    clock: Clock,
    *,
    has_own_screen: bool,
) -> None:
    began_ns = clock.mono_ns()
    looked_s = hangups = 0.0
    is_blocked = is_stdout_lost = False
    while not request.wait(_LOOK_EVERY_S):
        try:
            recording.tick()
            show.update(recording.status())
            if monotonic() - looked_s >= _LOOK_AROUND_S:
                looked_s = monotonic()
                if has_own_screen and has_no_reader(sys.stderr):
                    show.give_up("nobody reads the output any more")
                if has_own_screen and not is_stdout_lost and has_no_reader(sys.stdout):
                    is_stdout_lost = True
                    recording.output_lost()
                if recording.look_around(lock):
                    request.ask("asked to stop by 'record --stop'")
        except Exception as fault:  # noqa: BLE001  what only looks after a recording must not end it, and says so
            recording.fault("the recorder's own look at itself met a fault", fault)
        if request.hangups > hangups:
            hangups = request.hangups
            recording.hung_up()
            show.hang_up()
        if (show.blocked_s > _BLOCKED_S) != is_blocked:
            is_blocked = not is_blocked
            recording.screen_blocked(is_blocked)
        if minutes is not None and clock.mono_ns() - began_ns >= minutes * 60e9:
            request.ask(f"the time was up ({minutes:g} minutes)")
        if recording.has_ended():
            request.ask("the replay came to its end")


@contextmanager
def _quick_turns() -> Iterator[None]:
    """Let threads take turns more often than Python does by itself."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)


def _clock_for(config: Config, clock: Clock, speed: float) -> Clock:
    if speed == 1.0:
        return clock
    live = [
        s.id
        for s in config.source
        if s.kind != "replay" and not (s.kind in ("udp", "tcp") and is_loopback(s.host or ""))
    ]
    if speed <= 0 or live:
        raise TrialCaptureError(
            "only a replay, or a rehearsal played on this computer, can run at another speed",
            seen=f"speed {speed:g}" + (f" with {', '.join(live)}" if live else ""),
            expected='a speed above 0, and only sources of kind replay, or udp and tcp with host = "127.0.0.1"',
        )
    return scaled_clock(clock, speed)


_ADDRESSES = frozenset({"port", "host", "channel", "interface", "baud", "bitrate", "path"})
"""Keys of a source that may change within a session: a plug in another socket is the same sensor."""


def config_differences(former: Config, given: Config) -> list[str]:
    """Return how two settings differ, as ``boat.length_m: 9.8 there, 12.4 given``."""
    return [f"{path}: {_shown(one)} there, {_shown(other)} given" for path, one, other in _differing(former, given)]


def _differing(former: Config, given: Config) -> list[tuple[str, Any, Any]]:
    found: list[tuple[str, Any, Any]] = []

    def walk(path: str, one: Any, other: Any) -> None:
        if isinstance(one, dict) and isinstance(other, dict):
            for key in [*one, *(key for key in other if key not in one)]:
                walk(f"{path}.{key}" if path else str(key), one.get(key), other.get(key))
        elif _are_named(one) and _are_named(other):
            walk(path, {item["id"]: item for item in one}, {item["id"]: item for item in other})
        elif one != other:
            found.append((path, one, other))

    walk("", former.model_dump(mode="json"), given.model_dump(mode="json"))
    return found


def _are_named(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, dict) and "id" in item for item in value)


def _shown(value: Any) -> str:
    text = "nothing" if value is None else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:59]}…"


def _is_address(path: str, one: Any, other: Any) -> bool:
    kind, _, key = path.rpartition(".")
    return kind.startswith("source.") and key in _ADDRESSES and one is not None and other is not None


def _refuse_other_config(former: Config, given: Config, into: Path) -> None:
    differing = [d for d in _differing(former, given) if not _is_address(*d)]
    if differing:
        shown = [f"{path}: {_shown(one)} there, {_shown(other)} given" for path, one, other in differing]
        more = f"; and {len(shown) - 4} more" if len(shown) > 4 else ""
        raise TrialCaptureError(
            "this session was begun with other settings, so it is not gone on with",
            seen="; ".join(shown[:4]) + more,
            where=str(into),
            expected=f"its own settings: trialcapture record {into / FILE_NAME} --into {into} --resume; "
            "only the addresses of its sources may change",
        )


def _take_session(
    config: Config, into: Path, resume: bool, config_text: str | None, clock: Clock, stack: ExitStack
) -> tuple[Session, EarlierRecording, SessionLock]:
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
        return session, EarlierRecording(), stack.enter_context(SessionLock(into))
    session = open_session(into)
    lock = stack.enter_context(SessionLock(into))
    if not resume and any((into / "raw").glob("nmea*.log*")):
        raise TrialCaptureError(
            "this session has been recorded already",
            where=str(into),
            expected="continue it with --resume, or give another folder",
        )
    _refuse_other_config(session.config, config, into)
    try:
        return session, read_past(session), lock
    except OSError as fault:
        raise write_error(fault, into) from fault
