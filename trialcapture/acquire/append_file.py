"""A raw file that only grows and stays at its path: what takes it away is noticed, and what can be saved is.

A sync client, a virus scanner or a person may delete, move, replace or shorten a file that is being written. The
open handle goes on to lead to what was written (POSIX; Windows refuses to delete a file that is open), so its content
is copied back. What cannot be had any more is named in lines and seconds.
"""

from __future__ import annotations

import errno
import os
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import BinaryIO, Literal

from trialcapture.archive.atomic import free_bytes, size_text
from trialcapture.system.files import identity_of, patiently, sync_file, sync_folder
from trialcapture.system.session_files import open_plain

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
