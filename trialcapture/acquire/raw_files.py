"""The raw files being appended to, on the first disk that takes them; nothing is ever overwritten."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import BinaryIO

from trialcapture.archive.atomic import append_safely, free_bytes, open_replacement, write_error, write_file
from trialcapture.archive.manifest import hash_file
from trialcapture.archive.session import FILE_NAME, Session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, MOST_TOML_BYTES
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import patiently, sync_file, sync_folder
from trialcapture.system.session_files import check_session_files, make_folder, open_plain, read_parts, read_whole

Switched = Callable[[Path, OSError], None]


class RawFiles:
    """Append-only raw files of one session, by stream.

    Args:
        folders: Session folders to write into, first choice first. When the one in use fails, journals move to
            the next, there into files of their own (``nmea-02.log``). Copies of engine logs stay where they
            began: their originals are safe elsewhere, and half a log is none.
        switched: Called with the new folder and the cause when the journals have moved.
        sync: Makes a file safe on the disk, replaceable in tests.
    """

    def __init__(self, folders: list[Path], *, switched: Switched, sync: Callable[[int], None] = sync_file) -> None:
        self._folders = folders
        self._turn = 0
        self._switched = switched
        self._sync = sync
        self._open: dict[str, BinaryIO] = {}
        self._retired: list[BinaryIO] = []
        self._unsynced: set[BinaryIO] = set()
        self._changing = Lock()
        self.written_bytes = 0

    @property
    def folder(self) -> Path:
        """The session folder written into now."""
        return self._folders[self._turn]

    def append(self, stream: str, data: bytes) -> None:
        """Append whole lines to a stream.

        Raises:
            OSError: No folder takes them; nothing of `data` is on disk then.
        """
        if not _moves(stream):
            self._append_to(stream, self._folders[0], data)
            return
        cause: OSError | None = None
        for _ in self._folders:
            try:
                self._append_to(stream, self.folder, data)
            except OSError as fault:
                cause = fault
                self._move_on()
                continue
            if cause is not None:
                self._switched(self.folder, cause)
            return
        raise cause or OSError("there is no folder to write into")

    def sync(self) -> None:
        """Make safe what was appended before this call.

        Raises:
            OSError: A disk does not take it; if it is the one in use, the journals move to the next.
        """
        with self._changing:
            dirty, self._unsynced = self._unsynced, set()
        cause: OSError | None = None
        for file in dirty:
            try:
                self._sync(file.fileno())
            except OSError as fault:
                cause = fault
        if cause is not None:
            if len(self._folders) > 1 and any(file in dirty for file in self._open.values()):
                self._move_on()
                self._switched(self.folder, cause)
            raise cause

    def size_on_disk(self) -> int:
        """Return the bytes the files written to have on disk, as the file system tells it."""
        with self._changing:
            files = [*self._open.values(), *self._retired]
        total = 0
        for file in files:
            with suppress(OSError, ValueError):
                total += os.fstat(file.fileno()).st_size
        return total

    def close(self) -> None:
        """Make everything safe as far as the disk takes it, and close."""
        with suppress(OSError):
            self.sync()
        with self._changing:
            files = [*self._open.values(), *self._retired]
            self._open, self._retired = {}, []
        for file in files:
            with suppress(OSError):
                file.close()

    def _append_to(self, stream: str, folder: Path, data: bytes) -> None:
        file = self._open.get(stream)
        if file is None:
            file = self._open_stream(stream, folder)
        start = os.fstat(file.fileno()).st_size
        view = memoryview(data)
        try:
            while view:
                view = view[file.write(view) or 0 :]
        except OSError:
            # What was written of this batch is written again, whole, where there is room.
            with suppress(OSError):
                file.truncate(start)
            raise
        self.written_bytes += len(data)
        with self._changing:
            self._unsynced.add(file)

    def _open_stream(self, stream: str, folder: Path) -> BinaryIO:
        path = folder / "raw" / stream
        make_folder(path.parent)
        last = last_part([f / "raw" for f in self._folders], stream) if _moves(stream) else None
        if last is None or last.parent == path.parent:
            file = patiently(lambda: open_plain(last or path, "ab", buffering=0))
        else:  # a name that is free on every disk, so that the files can be put side by side later
            file = open_plain(path.parent / next_part_name(last.name), "xb", buffering=0)
        with suppress(OSError):
            sync_folder(path.parent)
        with self._changing:
            self._open[stream] = file
        return file

    def _move_on(self) -> None:
        with self._changing:
            moved = [stream for stream in self._open if _moves(stream)]
            for stream in moved:
                file = self._open.pop(stream)
                with suppress(OSError):
                    if os.fstat(file.fileno()).st_size == 0:
                        Path(file.name).unlink()
                self._retired.append(file)
            self._turn = (self._turn + 1) % len(self._folders)


def _moves(stream: str) -> bool:
    return stream in ("nmea.log", "can.log")


_PART = re.compile(r"(?P<stem>.*?)(?:-(?P<number>\d{2,}))?(?P<suffix>\.[^.]+)")


def last_part(raw_folders: Iterable[Path], stream: str) -> Path | None:
    """Return the highest-numbered part of a stream in any of the folders, or None."""
    stem, suffix = Path(stream).stem, Path(stream).suffix
    found = []
    for raw in raw_folders:
        folder = (raw / stream).parent
        if folder.is_dir():
            for path in folder.iterdir():
                match = _PART.fullmatch(path.name)
                if match and match["stem"] == stem and match["suffix"] == suffix:
                    found.append((int(match["number"] or 1), path))
    return max(found)[1] if found else None


def next_part_name(name: str) -> str:
    """Return the name of the part after this one: ``nmea.log``, ``nmea-02.log``, ``nmea-03.log``."""
    match = _PART.fullmatch(name)
    if match is None:
        return f"{name}-02"
    return f"{match['stem']}-{int(match['number'] or 1) + 1:02d}{match['suffix']}"


def mend_torn_end(path: Path) -> int:
    r"""Close a torn last line with a bare LF, which claims no line end that was never received.

    Returns:
        The bytes of the torn line, 0 when the file ends well.
    """
    with open_plain(path) as file:
        size = file.seek(0, os.SEEK_END)
        start = max(0, size - 4096)
        file.seek(start)
        tail = file.read()
    torn = len(tail) - (tail.rfind(b"\n") + 1)
    if torn:
        with open_plain(path, "ab") as file:
            file.write(b"\n")
            file.flush()
            sync_file(file.fileno())
    return torn


# ------------------------------------------------------------------------------
# The second disk: prepared before the first fails, and brought together with it afterwards.
# ------------------------------------------------------------------------------

_SPARE_BYTES = 100_000_000
"""Left free on the first disk when files are brought back to it (our choice)."""


def prepare_second(session: Session, second: Path) -> Path:
    """Make the session's twin on another disk, so that it is known now whether it can be written to.

    Args:
        session: The session.
        second: Folder on the other disk.

    Returns:
        The twin's folder.

    Raises:
        TrialCaptureError: It is the same folder, or cannot be written to.
    """
    folder = second / session.folder.name
    if folder.resolve() == session.folder.resolve():
        raise TrialCaptureError(
            "the second folder is the first", where=str(second), expected="a folder on another disk"
        )
    try:
        make_folder(folder / "raw")
        text = read_whole(session.folder / FILE_NAME, MOST_TOML_BYTES)
    except OSError as fault:
        raise write_error(fault, folder) from fault
    write_file(folder / FILE_NAME, text)
    check_session_files(folder)
    return folder


def bring_together(first: Path, second: Path) -> None:
    """Copy the parts and notes that went to the second disk beside the rest, if there is room; they stay there too.

    Args:
        first: Session folder that failed or filled.
        second: Session folder that took over.

    Raises:
        OSError: The first still does not take them.
        TrialCaptureError: It does not, or a copy differs from its original.
    """
    for path in sorted((second / "raw").glob("*-[0-9][0-9]*.log")):
        target = first / "raw" / path.name
        if target.exists() or free_bytes(first) < path.stat().st_size + _SPARE_BYTES:
            continue
        with open_replacement(target) as copy, open_plain(path) as source:
            for part in read_parts(source, 1 << 20):
                copy.write(part)
        if hash_file(target) != hash_file(path):
            raise TrialCaptureError("a copy differs from its original", seen=str(path), where=str(target))
    notes = second / "raw" / "notes.jsonl"
    if notes.exists():
        append_safely(first / "raw" / "notes.jsonl", read_whole(notes, MOST_JSON_BYTES))
