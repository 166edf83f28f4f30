"""An engine log that another program is writing: copied byte for byte as it grows."""

from __future__ import annotations

from pathlib import Path

from trialcapture.acquire.clock import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing

_AT_ONCE_BYTES = 1 << 20
_LOOK_EVERY_S = 0.2


class GrowingFile:
    """A growing file as a source.

    A file that shrinks or is replaced is a new file: its copy goes on under another name, and nothing already
    copied is touched.

    Args:
        source_id: Id for messages.
        path: The file; it need not exist yet.
        raw_folder: The session's raw folder, where the copy grows.
        clock: For waiting.
        say: Told when the file was replaced.
    """

    def __init__(self, source_id: str, path: Path, raw_folder: Path, clock: Clock, *, say: Say = say_nothing) -> None:
        self.id = source_id
        self.where = str(path)
        self._path = path
        self._raw_folder = raw_folder
        self._clock = clock
        self._say = say
        self._file_id: tuple[int, int] | None = None
        self._offset = 0
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
            if self._is_new(status.st_size, (status.st_dev, status.st_ino)):
                self._start_over()
            self._file_id = (status.st_dev, status.st_ino)
            if status.st_size <= self._offset:
                return b""
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(_AT_ONCE_BYTES)
        except FileNotFoundError:
            return b""
        except OSError as fault:
            raise SourceError(
                "unusable",
                f"{self.where} cannot be read ({fault.strerror or fault}).",
                "Check that the file may be read; it is tried again.",
            ) from fault
        self._offset += len(data)
        return data

    def _settle(self) -> None:
        """Go on where a copy in the session ends, if it is a copy of this file; else begin a copy of its own."""
        while (copy := self._raw_folder / self.stream).exists():
            if self._continues(copy):
                self._offset = copy.stat().st_size
                break
            self._number += 1
            self.stream = self._stream_name()
        self._settled = True

    def _is_new(self, size: int, file_id: tuple[int, int]) -> bool:
        return size < self._offset or (self._file_id is not None and file_id != self._file_id and self._offset > 0)

    def _start_over(self) -> None:
        self._say("log_replaced", f"{self.id}: {self._path.name} was started anew", copied_bytes=self._offset)
        self._offset = 0
        while True:
            self._number += 1
            self.stream = self._stream_name()
            if not (self._raw_folder / self.stream).exists():
                return

    def _continues(self, copy: Path) -> bool:
        try:
            size = copy.stat().st_size
            with copy.open("rb") as ours, self._path.open("rb") as theirs:
                while size > 0:
                    part = ours.read(min(size, _AT_ONCE_BYTES))
                    if not part or theirs.read(len(part)) != part:
                        return False
                    size -= len(part)
        except OSError:
            return False
        return True

    def _stream_name(self) -> str:
        name = self._path.name
        if self._number > 1:
            name = f"{self._path.stem}-{self._number:02d}{self._path.suffix}"
        return f"engine/{name}"
