"""The raw files being appended to, on the first disk that takes them; nothing is ever overwritten."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from threading import Lock

from trialcapture.acquire.append_file import SET_ASIDE, AppendFile, PlaceFinding
from trialcapture.archive.atomic import write_error, write_file
from trialcapture.archive.session import FILE_NAME, Session, open_session
from trialcapture.bounded_parsing import MOST_TOML_BYTES
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import sync_file
from trialcapture.system.session_files import check_session_files, make_folder, open_plain, read_whole

Switched = Callable[[Path, OSError], None]


class RawFiles:
    """Append-only raw files of one session, by stream.

    Args:
        folders: Session folders to write into, first choice first. When the one in use fails, everything after goes
            to the next: journals into files of their own (``nmea-02.log``), copies of engine logs under the same
            name, to be put behind the first half when both are joined.
        switched: Called with the new folder and the cause when writing has moved.
        sync: Makes a file safe on the disk, replaceable in tests.
        now_ns: Session time, by which losses are named [ns].

    Attributes:
        left_behind: Sizes of the copies of engine logs in the folder left last, by stream [bytes].
    """

    def __init__(
        self,
        folders: list[Path],
        *,
        switched: Switched,
        sync: Callable[[int], None] = sync_file,
        now_ns: Callable[[], int] = lambda: 0,
    ) -> None:
        self._folders = folders
        self._turn = 0
        self._switched = switched
        self._sync = sync
        self._now_ns = now_ns
        self._open: dict[str, AppendFile] = {}
        self._retired: list[AppendFile] = []
        self._homeless: list[AppendFile] = []
        self._unsynced: set[AppendFile] = set()
        self._told_homeless: set[AppendFile] = set()
        self._changing = Lock()
        self.written_bytes = 0
        self.left_behind: dict[str, int] = {}

    @property
    def folder(self) -> Path:
        """The session folder written into now."""
        return self._folders[self._turn]

    def append(self, stream: str, data: bytes) -> None:
        """Append whole lines to a stream.

        Raises:
            OSError: No folder takes them; nothing of `data` is on disk then.
        """
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
            OSError: A disk does not take it; if it is the one in use, writing moves to the next.
        """
        with self._changing:
            dirty, self._unsynced = self._unsynced, set()
        cause: OSError | None = None
        for file in dirty:
            try:
                file.sync(self._sync)
            except OSError as fault:
                cause = fault
        if cause is not None:
            if len(self._folders) > 1 and any(file in dirty for file in self._open.values()):
                self._move_on()
                self._switched(self.folder, cause)
            raise cause

    def check_places(self) -> list[PlaceFinding]:
        """Put back what is not at its path any more; call about once a second, in the thread that appends.

        Returns:
            What was found and done. A file that cannot be put back yet is tried again at the next call, and its
            stream goes on in a part of its own meanwhile.
        """
        with self._changing:
            files = [*self._open.items(), *(("", file) for file in self._retired)]
        findings = []
        for file in list(self._homeless):
            found = file.restore(_aside(file.path))
            if not found.pending:
                self._homeless.remove(file)
                self._keep(file)
                findings.append(found)
        for stream, file in files:
            if not file.trouble():
                continue
            found = file.restore(_aside(file.path))
            if not found.pending:
                findings.append(found)
                with self._changing:
                    self._unsynced.add(file)
                continue
            if file not in self._told_homeless:
                self._told_homeless.add(file)
                findings.append(found)
            if not stream or _moves(stream):
                with self._changing:
                    self._open.pop(stream, None)
                    self._retired = [other for other in self._retired if other is not file]
                self._homeless.append(file)
        return findings

    def end_places(self) -> list[PlaceFinding]:
        """Look at all places for the last time; what cannot be put back is given up and named."""
        findings = [found for found in self.check_places() if not found.pending]
        with self._changing:
            files = [*self._open.values(), *self._retired, *self._homeless]
            self._homeless = []
        return findings + [file.given_up() for file in files if file.trouble()]

    def sizes(self) -> dict[Path, int]:
        """Return what every file written to should hold [bytes]."""
        with self._changing:
            return {file.path: file.size for file in [*self._retired, *self._open.values()]}

    def size_on_disk(self) -> int:
        """Return the bytes the files written to have on disk, as the file system tells it."""
        with self._changing:
            files = [*self._open.values(), *self._retired]
        total = 0
        for file in files:
            with suppress(OSError, ValueError):
                total += file.size_on_disk()
        return total

    def close(self) -> None:
        """Make everything safe as far as the disk takes it, and close."""
        with suppress(OSError):
            self.sync()
        with self._changing:
            files = [*self._open.values(), *self._retired, *self._homeless]
            self._open, self._retired, self._homeless = {}, [], []
        for file in files:
            file.close()

    def _append_to(self, stream: str, folder: Path, data: bytes) -> None:
        file = self._open.get(stream)
        if file is None:
            file = self._open_stream(stream, folder)
        # What was written of a batch that fails is taken back and written again, whole, where there is room.
        file.append(data)
        self.written_bytes += len(data)
        with self._changing:
            self._unsynced.add(file)

    def _open_stream(self, stream: str, folder: Path) -> AppendFile:
        path = folder / "raw" / stream
        if _moves(stream):
            last = last_part([f / "raw" for f in self._folders], stream)
            absent = [file.path.name for file in self._homeless if part_of(file.path.name, stream)]
            names = sorted([*absent, *([last.name] if last is not None else [])], key=part_number)
            if last is not None and names[-1] == last.name and last.parent == path.parent and not absent:
                path = last
            elif names:  # a name that is free on every disk, so that the files can be put side by side later
                path = path.parent / next_part_name(names[-1])
        file = AppendFile(path, self._now_ns, is_new=path.name != Path(stream).name and not path.exists())
        with self._changing:
            self._open[stream] = file
        return file

    def _keep(self, file: AppendFile) -> None:
        with self._changing:
            self._retired.append(file)
            self._unsynced.add(file)

    def _move_on(self) -> None:
        with self._changing:
            if len(self._folders) < 2:
                return
            self.left_behind = {stream: file.size for stream, file in self._open.items() if not _moves(stream)}
            for file in self._open.values():
                with suppress(OSError):
                    if file.size_on_disk() == 0:
                        file.path.unlink()
                        file.close()
                        continue
                self._retired.append(file)
            self._open.clear()
            self._turn = (self._turn + 1) % len(self._folders)


def _aside(path: Path) -> Path:
    raw = path.parent.parent if path.parent.name == "engine" else path.parent
    return raw / SET_ASIDE


def _moves(stream: str) -> bool:
    return stream in ("nmea.log", "can.log")


def part_of(name: str, stream: str) -> bool:
    """Return whether a file name is a part of a stream: ``nmea-02.log`` of ``nmea.log``."""
    match = _PART.fullmatch(name)
    return match is not None and f"{match['stem']}{match['suffix']}" == stream


def part_number(name: str) -> int:
    """Return the number of a part; the first one has none in its name."""
    match = _PART.fullmatch(name)
    return 1 if match is None else int(match["number"] or 1)


_PART = re.compile(r"(?P<stem>.*?)(?:-(?P<number>\d{2,}))?(?P<suffix>\.[^.]+)")


def last_part(raw_folders: Iterable[Path], stream: str) -> Path | None:
    """Return the highest-numbered part of a stream in any of the folders, or None."""
    found = []
    for raw in raw_folders:
        folder = (raw / stream).parent
        if folder.is_dir():
            for path in folder.iterdir():
                if part_of(path.name, Path(stream).name):
                    found.append((part_number(path.name), path))
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
# The second disk: prepared before the first fails. ``archive/halves.py`` joins both afterwards.
# ------------------------------------------------------------------------------


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
    if (folder / FILE_NAME).exists() and (found := open_session(folder).id) != session.id:
        raise TrialCaptureError(
            "the second folder holds another session of this name",
            seen=found,
            where=str(folder),
            expected="give another folder with --second, or move that session away",
        )
    try:
        make_folder(folder / "raw")
        text = read_whole(session.folder / FILE_NAME, MOST_TOML_BYTES)
    except OSError as fault:
        raise write_error(fault, folder) from fault
    write_file(folder / FILE_NAME, text)
    check_session_files(folder)
    return folder
