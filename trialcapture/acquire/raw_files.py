"""The raw files being appended to, on the first disk that takes them; nothing is ever overwritten.

A raw file only grows and stays at its path. What takes it away is noticed, and what can be saved is: a sync client, a
virus scanner or a person may delete, move, replace or shorten a file that is being written. The open handle goes on to
lead to what was written (POSIX; Windows refuses to delete a file that is open), so its content is copied back. What
cannot be had any more is named in lines and seconds.
"""

from __future__ import annotations

import errno
import os
import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import BinaryIO, Literal

from trialcapture.archive.atomic import free_bytes, size_text, write_error, write_file
from trialcapture.archive.session import FILE_NAME, Session, open_session
from trialcapture.bounded_parsing import MOST_TOML_BYTES
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import identity_of, patiently, sync_file, sync_folder
from trialcapture.system.session_files import check_session_files, make_folder, open_plain, read_whole

SET_ASIDE = "set-aside"
"""Folder inside ``raw/`` for what another program put in the place of a file of ours; it is kept and not read."""
_SPARE_BYTES = 1 << 20
"""Left free on a disk when a file is copied back (our choice)."""
_MARK_NS = 1_000_000_000
"""So finely it is known when which part of a file was written (our choice)."""

Trouble = Literal["", "deleted", "replaced", "shortened"]


@dataclass(frozen=True, slots=True)
class FileLoss:
    """A stretch of a file that is gone.

    Attributes:
        bytes: Its size.
        lines: Line ends in it, as far as this program wrote it.
        from_ns, to_ns: Session time within which it was written [ns]; both None where it was there before.
        older_bytes: How much of it was there before this program opened the file.
    """

    bytes: int = 0
    lines: int = 0
    from_ns: int | None = None
    to_ns: int | None = None
    older_bytes: int = 0

    @property
    def seconds(self) -> float:
        """Length of the time within which it was written [s]."""
        return 0.0 if self.from_ns is None or self.to_ns is None else (self.to_ns - self.from_ns) / 1e9

    def __str__(self) -> str:
        """Say in words what is gone."""
        if not self.bytes:
            return "nothing is lost"
        older = f"{size_text(self.older_bytes)} from before" if self.older_bytes else ""
        ours = f"{self.lines} lines of {self.seconds:.1f} s" if self.bytes > self.older_bytes else ""
        return f"{' and '.join(part for part in (ours, older) if part)} are lost"


@dataclass(frozen=True, slots=True)
class PlaceFinding:
    """What became of a file that was not at its path any more, or not whole.

    Attributes:
        path: The file.
        trouble: What had happened to it.
        saved_bytes: What was copied back from the open handle.
        loss: What is gone.
        set_aside: Where the file that stood in its place lies now, or None.
        pending: Why it could not be copied back yet; it is tried again.
    """

    path: Path
    trouble: Trouble
    saved_bytes: int = 0
    loss: FileLoss = FileLoss()
    set_aside: Path | None = None
    pending: str = ""


class AppendFile:
    """A file open for appending.

    Args:
        path: The file; its folder is made when it is not there.
        now_ns: Session time, by which a loss is named [ns].
        is_new: True where the name must be free.

    Raises:
        OSError: It cannot be opened.
    """

    def __init__(self, path: Path, now_ns: Callable[[], int], *, is_new: bool = False) -> None:
        self.path = path
        self._now_ns = now_ns
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file: BinaryIO = patiently(lambda: open_plain(path, "xb" if is_new else "a+b", buffering=0))
        if is_new:  # the mode that refuses a file which is there does not append
            self._file.close()
            self._file = open_plain(path, "a+b", buffering=0)
        with suppress(OSError):
            sync_folder(path.parent)
        own = os.fstat(self._file.fileno())
        self._has_identity = _is_at(path, own)
        self._opened_size = self._size = own.st_size
        self._lost = FileLoss()
        self._is_cut = False
        self._swapping = Lock()
        # cumulated: size, lines and session time at the end of each second of writing
        self._sizes: list[int] = [self._size]
        self._lines: list[int] = [0]
        self._times_ns: list[int] = [now_ns()]

    @property
    def size(self) -> int:
        """What the file should hold [bytes]."""
        return self._size

    def size_on_disk(self) -> int:
        """Return what the system says that it holds [bytes].

        Raises:
            OSError: It cannot be told.
        """
        return os.fstat(self._file.fileno()).st_size

    def sync(self, sync: Callable[[int], None]) -> None:
        """Make it safe on the disk; may be called from another thread than the rest.

        Raises:
            OSError: The disk does not confirm.
        """
        with self._swapping:
            if not self._file.closed:
                sync(self._file.fileno())

    def append(self, data: bytes) -> None:
        """Append; what a full disk took of it is taken back.

        Raises:
            OSError: The disk does not take it; nothing of `data` is in the file then.
        """
        self._notice_shortening()
        start = self.size_on_disk()
        if self._is_cut and not self._ends_well():
            data = b"\n" + data  # a line that was cut must not take the next one with it
        view = memoryview(data)
        size = start + len(view)
        try:
            while view:
                view = view[self._file.write(view) or 0 :]
        except OSError:
            with suppress(OSError):
                self._file.truncate(start)
            raise
        self._is_cut = False
        self._grown(size, data.count(b"\n"))

    def append_safely(self, data: bytes) -> None:
        """Append and fsync; what the disk does not confirm is taken back.

        Raises:
            OSError: The disk does not take it, or does not confirm.
        """
        before = self.size_on_disk()
        self.append(data)
        try:
            sync_file(self._file.fileno())
        except OSError:
            with suppress(OSError):
                self._file.truncate(before)
                self._forget_beyond(before)
            raise

    def trouble(self) -> Trouble:
        """Say what has happened to the file since it was opened, "" where it is at its path and whole."""
        try:
            own = os.fstat(self._file.fileno())
        except (OSError, ValueError):
            return ""  # the device itself has gone: writing says so
        try:
            is_there = _is_at(self.path, own) if self._has_identity else self.path.exists()
        except (FileNotFoundError, NotADirectoryError):
            return "deleted"
        except OSError:
            return ""
        if not is_there:
            return "replaced" if self._has_identity else "deleted"
        return "shortened" if self._lost.bytes or own.st_size < self._size else ""

    def restore(self, aside: Path) -> PlaceFinding:
        """Put the file back to its path with everything that its handle still leads to.

        Args:
            aside: Folder for a foreign file that stands in its place.

        Returns:
            What was done. With `pending` set the file is still open and nowhere to be found.
        """
        trouble = self.trouble()
        if trouble == "shortened":
            return PlaceFinding(self.path, trouble, loss=self._take_lost())
        if not self._can_be_read():
            return self._adopt(trouble)
        moved: Path | None = None
        temporary = self.path.with_name(f".{self.path.name}.{os.getpid()}.tmp")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            _want_room(self.path.parent, self._size)
            copied, is_whole = self._copy_to(temporary)
            if os.path.lexists(self.path):
                moved = _move_aside(self.path, aside)
            _place(temporary, self.path)
            handle = open_plain(self.path, "a+b", buffering=0)
        except OSError as fault:
            with suppress(OSError):
                temporary.unlink()
            return PlaceFinding(self.path, trouble, set_aside=moved, pending=fault.strerror or str(fault))
        with suppress(OSError):
            sync_folder(self.path.parent)
        loss = self._take_lost()
        if not is_whole:
            loss = _sum(loss, self._loss(copied, self._size))
            self._forget_beyond(copied)
        with self._swapping:
            with suppress(OSError):
                self._file.close()
            self._file = handle
        self._has_identity = _is_at(self.path, os.fstat(handle.fileno()))
        return PlaceFinding(self.path, trouble, copied, loss, moved)

    def _can_be_read(self) -> bool:
        """Say whether the handle still gives what was written; it does not once a stick was pulled."""
        try:
            self._file.seek(0)
            return bool(self._file.read(1)) or not self._size
        except OSError:
            return False

    def _adopt(self, trouble: Trouble) -> PlaceFinding:
        """Go on with the file that is at the path: the disk was pulled and put back with it."""
        try:
            if not self.path.is_file():
                return PlaceFinding(self.path, trouble, pending="its disk has gone")
            handle = self.path.open("a+b", buffering=0)
            size = os.fstat(handle.fileno()).st_size
            handle.seek(max(0, size - 1))
            if size and handle.read(1) != b"\n":
                handle.write(b"\n")
        except OSError as fault:
            return PlaceFinding(self.path, trouble, pending=fault.strerror or str(fault))
        loss = _sum(self._lost, self._loss(size, self._size))
        self._lost = FileLoss()
        self._forget_beyond(min(size, self._size))
        self._size = os.fstat(handle.fileno()).st_size
        with self._swapping:
            with suppress(OSError):
                self._file.close()
            self._file = handle
        self._has_identity = _is_at(self.path, os.fstat(handle.fileno()))
        return PlaceFinding(self.path, trouble, size, loss)

    def given_up(self) -> PlaceFinding:
        """Return what is lost with a file that could not be put back, and close it."""
        finding = PlaceFinding(self.path, self.trouble(), loss=_sum(self._take_lost(), self._loss(0, self._size)))
        self.close()
        return finding

    def close(self) -> None:
        """Close the handle."""
        with self._swapping, suppress(OSError):
            self._file.close()

    def _grown(self, size: int, lines: int) -> None:
        now_ns = self._now_ns()
        total = self._lines[-1] + lines
        if len(self._times_ns) > 2 and now_ns - self._times_ns[-2] < _MARK_NS:
            self._sizes[-1], self._lines[-1], self._times_ns[-1] = size, total, now_ns
        else:
            self._sizes.append(size)
            self._lines.append(total)
            self._times_ns.append(now_ns)
        self._size = size

    def _notice_shortening(self) -> None:
        size = self.size_on_disk()
        if size < self._size:
            self._lost = _sum(self._lost, self._loss(size, self._size))
            self._forget_beyond(size)
            self._is_cut = True

    def _ends_well(self) -> bool:
        size = self.size_on_disk()
        self._file.seek(max(0, size - 1))
        return size == 0 or self._file.read(1) == b"\n"

    def _forget_beyond(self, size: int) -> None:
        while len(self._sizes) > 1 and self._sizes[-1] > size:
            del self._sizes[-1], self._lines[-1], self._times_ns[-1]
        self._sizes[-1] = min(self._sizes[-1], size)
        self._opened_size, self._size = min(self._opened_size, size), size

    def _take_lost(self) -> FileLoss:
        """Return what was lost where the file was shortened."""
        with suppress(OSError):
            self._notice_shortening()
        lost, self._lost = self._lost, FileLoss()
        return lost

    def _loss(self, start: int, stop: int) -> FileLoss:
        if stop <= start:
            return FileLoss()
        older = max(0, min(stop, self._opened_size) - start)
        if stop - start == older:
            return FileLoss(older, older_bytes=older)
        first = max(0, bisect_right(self._sizes, max(start, self._opened_size)) - 1)
        last = min(len(self._sizes) - 1, bisect_left(self._sizes, stop))
        lines = self._lines[last] - self._lines[first] - self._lines_between(self._sizes[first], start)
        return FileLoss(stop - start, lines, self._times_ns[first], self._times_ns[last], older)

    def _lines_between(self, start: int, stop: int) -> int:
        """Count the lines of a short stretch that is still in the file."""
        with suppress(OSError):
            self._file.seek(start)
            return self._file.read(max(0, stop - start)).count(b"\n")
        return 0

    def _copy_to(self, target: Path) -> tuple[int, bool]:
        """Copy what the handle leads to; return its size and whether the device gave all of it."""
        copied, is_whole = 0, True
        with target.open("wb") as copy:
            self._file.seek(0)
            while True:
                try:
                    part = self._file.read(1 << 20)
                except OSError:
                    is_whole = False
                    break
                if not part:
                    break
                copy.write(part)
                copied += len(part)
            if not is_whole:  # up to the last whole line
                copy.flush()
                copied = _end_of_last_line(target, copied)
                copy.truncate(copied)
            copy.flush()
            sync_file(copy.fileno())
        return copied, is_whole


def _want_room(folder: Path, size: int) -> None:
    if free_bytes(folder) < size + _SPARE_BYTES:
        raise OSError(errno.ENOSPC, "there is no room to copy it back")


def _is_at(path: Path, own: os.stat_result) -> bool:
    there = path.stat()
    return identity_of(own) is not None and identity_of(own) == identity_of(there)


def _move_aside(path: Path, folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    number = 1
    while os.path.lexists(target := folder / f"{path.stem}-{number:02d}{path.suffix}"):
        number += 1
    path.rename(target)
    return target


def _place(temporary: Path, path: Path) -> None:
    """Give a file its name without ever overwriting what may have come there meanwhile."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:  # no links on this file system
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, "something came in its place meanwhile") from None
        temporary.rename(path)
        return
    temporary.unlink()


def _end_of_last_line(path: Path, size: int) -> int:
    with path.open("rb") as file:
        start = max(0, size - (1 << 16))
        file.seek(start)
        return start + file.read().rfind(b"\n") + 1


def _sum(one: FileLoss, other: FileLoss) -> FileLoss:
    starts = [t for t in (one.from_ns, other.from_ns) if t is not None]
    stops = [t for t in (one.to_ns, other.to_ns) if t is not None]
    return FileLoss(
        one.bytes + other.bytes,
        one.lines + other.lines,
        min(starts, default=None),
        max(stops, default=None),
        one.older_bytes + other.older_bytes,
    )


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
