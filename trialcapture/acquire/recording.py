"""One recording at work: its threads, its numbers, its end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from trialcapture import __version__
from trialcapture.acquire.alarms import DiskState, current_alarms
from trialcapture.acquire.backlog import Backlog
from trialcapture.acquire.clock import Clock
from trialcapture.acquire.clock_watch import ClockFinding, ClockWatch
from trialcapture.acquire.continuing import Past, parent_of
from trialcapture.acquire.events import Event, Events
from trialcapture.acquire.health import Health
from trialcapture.acquire.keys import KeyEntry
from trialcapture.acquire.opening import make_sources
from trialcapture.acquire.raw_files import RawFiles
from trialcapture.acquire.reader import Reader
from trialcapture.acquire.replay import Replay
from trialcapture.acquire.screen import elapsed_text
from trialcapture.acquire.second_disk import bring_together
from trialcapture.acquire.source import Say, Source
from trialcapture.acquire.status import Status, source_statuses
from trialcapture.acquire.writer import Writer
from trialcapture.archive.atomic import free_bytes, size_text
from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.session import Session
from trialcapture.errors import TrialCaptureError

_WRITING_NS = 3_000_000_000
_BEAT_NS = 60_000_000_000


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
    """

    def __init__(
        self,
        session: Session,
        past: Past,
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

    def end(self) -> bool:
        """Stop, write the rest, name the open gaps, hash; True when everything received is on disk."""
        self._stop.set()
        for reader in self._readers:
            reader.join(2.0)
        complete = self._writer.finish()
        end_ns = max(self._now_ns(), *(s.last_ns for s in self._health.sources.values()), 0)
        self._health.finish(end_ns)
        text = f"recording ends after {elapsed_text(end_ns / 1e9)}"
        self._events.add("stop", text if complete else f"{text}; not all of it could be written", complete=complete)
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
                    write_manifest(folder)
                except (TrialCaptureError, OSError) as fault:
                    self._events.add("fault", f"no manifest in {folder}: {fault}", severity="red")
                    complete = False
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
