"""Sources that are files: an engine log that grows while another program writes it, and a recorded session replayed."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing
from trialcapture.archive.journal import parse_line, split_lines
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.session import FILE_NAME, nmea_files, open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import identity_of, is_momentary, name_key
from trialcapture.system.session_files import open_plain

if TYPE_CHECKING:
    from hashlib import _Hash as _Digest

_AT_ONCE_BYTES = 1 << 18
"""Bytes copied at a time (our choice)."""
_LOOK_EVERY_S = 0.2
"""How often the file is looked at; engine loggers write once a second or slower (our choice)."""


class GrowingFile:
    """A growing file as a source.

    A file that does not begin with what was copied any more is a new one: its copy goes on under another name, and
    nothing already copied is touched. A file that another program holds for a moment, or writes anew with the same
    beginning, is the same file.

    Args:
        source_id: Id for messages.
        path: The file; it need not exist yet.
        raw_folder: The session's raw folder, where the copy grows.
        clock: For waiting.
        say: Told when the file was replaced.
    """

    can_wait = True

    def __init__(self, source_id: str, path: Path, raw_folder: Path, clock: Clock, *, say: Say = say_nothing) -> None:
        self.id = source_id
        self.where = str(path)
        self._path = path
        self._raw_folder = raw_folder
        self._clock = clock
        self._say = say
        self._seen: tuple[tuple[int, int] | None, int] | None = None
        self._offset = 0
        self._copied = hashlib.sha256()
        self._number = 1
        self._settled = False
        self.stream = self._stream_name()

    def open(self) -> None:
        """Nothing to take: a file that is not there yet is waited for."""

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for the file to grow, and give what was added."""
        waited_s = 0.0
        while True:
            data = self._added()
            if data:
                return [Chunk(data)]
            if waited_s >= timeout_s:
                return []
            step_s = min(_LOOK_EVERY_S, timeout_s - waited_s)
            self._clock.sleep(step_s)
            waited_s += step_s

    def close(self) -> None:
        """Nothing is kept open between looks, so that the other program may rename the file on Windows too."""

    def _added(self) -> bytes:
        try:
            status = self._path.stat()
            if not self._settled:
                self._settle()
            if self._may_be_new(status):
                self._compare(status)
            self._seen = (identity_of(status), status.st_size)
            if status.st_size <= self._offset:
                return b""
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(_AT_ONCE_BYTES)
        except FileNotFoundError:
            return b""
        except OSError as fault:
            if is_momentary(fault):  # another program holds it; what is in it now is there at the next look too
                return b""
            raise SourceError(
                "unusable",
                f"{self.where} cannot be read ({fault.strerror or fault}).",
                "Check that the file may be read; it is tried again.",
            ) from fault
        self._offset += len(data)
        self._copied.update(data)
        return data

    def _settle(self) -> None:
        """Go on where a copy in the session ends, if it is a copy of this file; else begin a copy of its own.

        Raises:
            OSError: One of the two cannot be read now, so it cannot be told.
        """
        taken = {name_key(path.name) for path in self._raw_folder.glob("engine/*")}
        while name_key(Path(self.stream).name) in taken:
            copy = self._raw_folder / self.stream
            if copy.is_file() and self._continues(copy):
                self._offset = copy.stat().st_size
                self._copied = _digest_of(copy, self._offset)
                break
            self._number += 1
            self.stream = self._stream_name()
        self._settled = True

    def _may_be_new(self, status: os.stat_result) -> bool:
        """Return whether the file is another one since the last look, or is or was shorter than what was copied."""
        if not self._offset or self._seen is None:
            return False
        file_id, size = self._seen
        is_another = None not in (file_id, identity_of(status)) and file_id != identity_of(status)
        return is_another or (status.st_size != size and min(size, status.st_size) < self._offset)

    def _compare(self, status: os.stat_result) -> None:
        """Begin another copy unless the file still begins with what was copied, or is being written anew.

        Some programs and sync clients write the whole file each time: it is empty for a moment, or another file takes
        its name, and goes on where the former one ended.

        Raises:
            OSError: It cannot be read now, so it cannot be told.
        """
        if status.st_size >= self._offset:
            if _digest_of(self._path, self._offset).digest() == self._copied.digest():
                return
        elif status.st_size == 0 or self._is_beginning_of_copy(status.st_size):
            return
        self._say("log_replaced", f"{self.id}: {self._path.name} was started anew", copied_bytes=self._offset)
        self._offset, self._copied = 0, hashlib.sha256()
        while True:
            self._number += 1
            self.stream = self._stream_name()
            if not (self._raw_folder / self.stream).exists():
                return

    def _is_beginning_of_copy(self, size: int) -> bool:
        copy = self._raw_folder / self.stream
        if not copy.is_file() or copy.stat().st_size < size:
            return False
        return _digest_of(copy, size).digest() == _digest_of(self._path, size).digest()

    def _continues(self, copy: Path) -> bool:
        size = copy.stat().st_size
        if self._path.stat().st_size < size:
            return False
        return _digest_of(copy, size).digest() == _digest_of(self._path, size).digest()

    def _stream_name(self) -> str:
        name = self._path.name
        if self._number > 1:
            name = f"{self._path.stem}-{self._number:02d}{self._path.suffix}"
        return f"engine/{name}"


def _digest_of(path: Path, size: int) -> _Digest:
    """Return the hash of the first `size` bytes of a file."""
    digest = hashlib.sha256()
    with open_plain(path) as file:
        while size > 0 and (part := file.read(min(size, _AT_ONCE_BYTES))):
            digest.update(part)
            size -= len(part)
    return digest


# ------------------------------------------------------------------------------
# Playing a recorded session through the live path again, at any speed, with its own stamps.
# ------------------------------------------------------------------------------

_BLOCK_BYTES = 1 << 18
"""Bytes of a journal read at a time (our choice)."""
_AT_ONCE = 500
"""Lines played at a time at most (our choice)."""
_TIMED = re.compile(rb"\$..(?:RMC|GGA|GNS|ZDA),(\d\d)(\d\d)(\d\d(?:\.\d+)?),")
_SOURCE = re.compile(r"[A-Za-z0-9_-]{1,15}")
_DAY_S = 86_400.0
_LONGEST_PAUSE_S = 60.0
"""A longer step of the time of day is a damaged time, or one that went back, and is not waited for (our choice)."""


class Replay:
    """A recorded session, or any NMEA log, as a source.

    Journal lines keep their source, monotonic and wall stamps, so that processing the replay gives the same
    result; a plain log is paced by the times of day in its sentences and stamped anew.

    Args:
        source_id: Id from the settings; journal lines keep their own.
        path: A session folder or a log file.
        clock: Told to run faster for a faster replay.
        start_ns: Monotonic time the session began [ns].
    """

    stream = "nmea.log"
    can_wait = True

    def __init__(self, source_id: str, path: Path, clock: Clock, start_ns: int) -> None:
        self.id = source_id
        self.where = f"replay {path}"
        self._path = path
        self._clock = clock
        self._start_ns = start_ns
        self._lines: Iterator[tuple[int, Chunk]] | None = None
        self._next: tuple[int, Chunk] | None = None
        self.ended = False

    def open(self) -> None:
        """Find the logs and begin with the first line; a replay that has begun goes on."""
        if self._lines is None:
            self._lines = self._due_lines(self._logs())
            self._advance()

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait until the next lines are due and give them."""
        if self._lines is None:
            raise SourceError("lost", f"{self.where} is not open.", "It is being opened.")
        if self._next is None:
            self._clock.sleep(timeout_s)
            return []
        wait_s = (self._next[0] - self._now_ns()) / 1e9
        if wait_s > 0:
            self._clock.sleep(min(wait_s, timeout_s))
        chunks: list[Chunk] = []
        now_ns = self._now_ns()
        while self._next is not None and self._next[0] <= now_ns and len(chunks) < _AT_ONCE:
            chunks.append(self._next[1])
            self._advance()
        return chunks

    def close(self) -> None:
        """Keep the place; nothing is held open but the log."""

    def _now_ns(self) -> int:
        return self._clock.mono_ns() - self._start_ns

    def _advance(self) -> None:
        assert self._lines is not None
        try:
            self._next = next(self._lines, None)
        except TrialCaptureError as fault:
            self._next = None
            raise SourceError("unusable", f"{self.where} cannot be read on.", str(fault)) from fault
        self.ended = self._next is None

    def _logs(self) -> list[Path]:
        if not self._path.exists():
            raise SourceError("absent", f"There is no {self._path}.", "Give a session folder or a log file.")
        if not self._path.is_dir():
            return [self._path]
        try:
            return nmea_files(open_session(self._path))
        except TrialCaptureError as fault:
            raise SourceError("unusable", f"{self._path} has no {FILE_NAME} that can be read.", str(fault)) from fault

    def _due_lines(self, logs: list[Path]) -> Iterator[tuple[int, Chunk]]:
        last_s: float | None = None
        due_ns = 0
        for path in logs:
            for _, block in read_blocks(path, _BLOCK_BYTES):
                for line in split_lines(block):
                    parsed = parse_line(line)
                    if _SOURCE.fullmatch(parsed.source) and parsed.mono_us is not None and parsed.wall_ms is not None:
                        due_ns = parsed.mono_us * 1000
                        yield (
                            due_ns,
                            Chunk(parsed.original, "", parsed.source, due_ns, parsed.wall_ms * 1_000_000),
                        )
                        continue
                    if (timed := _TIMED.search(line)) is not None:
                        tod_s = int(timed[1]) * 3600 + int(timed[2]) * 60 + float(timed[3])
                        step_s = (tod_s - (tod_s if last_s is None else last_s)) % _DAY_S
                        if step_s <= _LONGEST_PAUSE_S:  # more is a damaged time, or one that went back
                            due_ns += round(step_s * 1e9)
                        last_s = tod_s
                    yield due_ns, Chunk(line)
