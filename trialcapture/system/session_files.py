"""The one door to the files of a session: only regular files inside it are read or written, by one recorder.

A session may come from anybody. A link in it would have us read or overwrite a file elsewhere, a named pipe would keep
us waiting for ever, a device would never end. So every file is opened here: folder by folder from the session down
without following a link (``O_NOFOLLOW`` and ``openat`` of POSIX.1-2008; where the system has none, each folder is
looked at, junctions and other reparse points included), and what was opened is looked at before it is used. A file
with a second name (a hard link) is read and may be replaced by a new one, but is never written into.

A file outside any session, as somebody names it to be collected, may be reached by links; it must be a regular file
all the same.

The system lets go of the lock for one recorder when the program ends, however it ends.
"""

from __future__ import annotations

import errno
import os
import stat
import time
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import partial
from importlib import import_module
from pathlib import Path, PureWindowsPath
from typing import Any, BinaryIO, Literal, Protocol

from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text
from trialcapture.system.files import patiently
from trialcapture.system.operating_system import SystemName, system_name

MARK = "session.toml"
"""What makes a folder a session."""
_MOST_LEVELS = 8
_MOST_ENTRIES = 100_000
"""Files and folders of a session, and folders in each other (our choice: ten times what a day of photos needs)."""
_MOST_FILE_BYTES = 64 << 30
"""Of any file of a session (our choice: a week of a busy bus); a sparse file of more costs nothing to make."""
_NO_LETTER = frozenset({"Cc", "Cs", "Zl", "Zp"})
_LOCKS = ("recorder.lock", "results.lock", ".seal-lock")
_OURS = ("raw", "trialset", "reduction", "signatures", MARK, "manifest.json", "seal.jsonl", "live.jsonl", *_LOCKS)
_IGNORED = frozenset({"thumbs.db", "desktop.ini", "icon\r"})
"""What desktops leave in every folder they show; hidden files are not ours either."""
_CAN_WALK = os.open in os.supports_dir_fd and hasattr(os, "O_NOFOLLOW") and hasattr(os, "O_DIRECTORY")
_FOLDER = getattr(os, "O_DIRECTORY", 0)
_NO_FOLLOW, _NO_WAIT = getattr(os, "O_NOFOLLOW", 0), getattr(os, "O_NONBLOCK", 0)
_NAME_SURROGATE = 0x2000_0000
_SPECIAL_TAGS = frozenset({0x8000_0023, 0x8000_0024, 0x8000_0025, 0x8000_0026})
"""Reparse tags of Windows (MS-FSCC 2.1.2.1): a bit that says "another name", as links and junctions have it, and the
sockets, pipes and devices of its Linux subsystem. Files that a cloud client keeps elsewhere have neither."""

Mode = Literal["rb", "ab", "a+b", "xb", "r+b"]


def open_plain(path: Path, mode: Mode = "rb", buffering: int = -1) -> BinaryIO:
    """Open a file as `Path.open` does, if it is a regular one reached without a link.

    Args:
        path: A file of a session, or one that somebody named.
        mode, buffering: As `open` takes them.

    Raises:
        TrialCaptureError: A link, a junction, a named pipe, a device or a folder stands there or on the way, or a file
            that is to be written into has a second name.
        OSError: As `open` does.
    """
    return open(path, mode, buffering, opener=_opener)


def open_inside(folder: Path, name: str) -> BinaryIO:
    """Open a regular file below a folder that is no session, such as an archive, to read it; no link is followed.

    Args:
        folder: Where the way begins; it may be reached by links itself.
        name: Relative to it, with ``/``.

    Raises:
        TrialCaptureError: A link or something that is no regular file stands there or on the way, or the name leads out
            of the folder.
        OSError: It cannot be opened.
    """
    place = inside(folder, name)
    handle = _open_below(folder, tuple(name.split("/")), os.O_RDONLY | getattr(os, "O_BINARY", 0) | _NO_WAIT)
    try:
        _refuse_opened(place, os.fstat(handle), is_written=False)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_whole(path: Path, most_bytes: int) -> bytes:
    """Read a file that is small, as long as it was when it was opened.

    Args:
        path: The file.
        most_bytes: Larger ones are refused.

    Raises:
        TrialCaptureError: As `open_plain` does, or the file is larger.
        OSError: It cannot be read.
    """
    with open_plain(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size > most_bytes:
            raise TrialCaptureError(
                "a file is larger than it can be, and is not read",
                seen=f"{size} bytes",
                where=str(path),
                expected=f"at most {most_bytes} bytes; the session may be damaged or forged",
            )
        return file.read(size)


def read_parts(file: BinaryIO, part_bytes: int, most_bytes: int | None = None) -> Iterator[bytes]:
    """Yield an open file in parts, to where it ended when this began: a file that grows for ever has an end.

    Args:
        file: The file.
        part_bytes: Size of a part.
        most_bytes: Read no further than so much from here.
    """
    left = os.fstat(file.fileno()).st_size - file.tell()
    left = left if most_bytes is None else min(left, most_bytes)
    while left > 0 and (part := file.read(min(part_bytes, left))):
        left -= len(part)
        yield part


def require_plain(path: Path) -> None:
    """Refuse a file that is no regular one or is reached by a link, before a library opens it by its path.

    Raises:
        TrialCaptureError: As `open_plain` does.
        OSError: It cannot be opened.
    """
    open_plain(path).close()


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, if none on the way is a link.

    Raises:
        TrialCaptureError: One is, or a file is in its place.
        OSError: It cannot be made.
    """
    if (session := session_of(folder)) is not None:
        _refuse_on_the_way(session, _parts_below(session, folder), last_is_folder=True)
    folder.mkdir(parents=True, exist_ok=True)


def refuse_in_place_of(path: Path) -> None:
    """Refuse to put a file where something else than a regular file stands, or where a link leads.

    Raises:
        TrialCaptureError: That is so.
    """
    session = session_of(path)
    parts = (path.name,) if session is None else _parts_below(session, path)
    _refuse_on_the_way(path.parent if session is None else session, parts, last_is_folder=False)


def inside(folder: Path, name: str) -> Path:
    """Return the path of a file that a list names, if the name leads to a place inside the session.

    Args:
        folder: The session.
        name: As it stands in the list, relative to the session, with ``/``.

    Raises:
        TrialCaptureError: It is empty or absolute, goes up with ``..``, or holds characters that no name of ours has.
    """
    parts = name.split("/")
    windows = PureWindowsPath(name)
    bad = not name or name.startswith("/") or any(part in ("", ".", "..") for part in parts) or "\0" in name
    bad = bad or bool(windows.drive) or ".." in windows.parts
    if os.name == "nt":
        bad = bad or ":" in name or "\\" in name or any(PureWindowsPath(part).is_reserved() for part in parts)
    if bad or _odd_name(name):
        raise TrialCaptureError(
            "a list of this session names a file outside it",
            seen=name,
            where=str(folder),
            expected="names below the session, such as raw/nmea.log; the session may be forged",
        )
    return folder.joinpath(*parts)


def plain_files(folder: Path) -> list[Path]:
    """Return the files in a folder of a session and in those below it; hidden ones and those of desktops are left out.

    Args:
        folder: Such as ``raw``; none are found where it is not there.

    Raises:
        TrialCaptureError: There is a link or anything that is no regular file, a name that is no text, or more than any
            session has.
    """
    try:
        return [
            path for path, status, name in _entries(folder) if stat.S_ISREG(status.st_mode) and not _is_ignored(name)
        ]
    except FileNotFoundError:
        return []


def is_plain_file(path: Path) -> bool:
    """Return True where a regular file stands, and no link to one."""
    try:
        status = os.lstat(path)
    except (OSError, ValueError):
        return False
    return stat.S_ISREG(status.st_mode) and not _kind(status)


def check_session_files(folder: Path) -> None:
    """Refuse a session in which anything that we read or write is no regular file or folder.

    Raises:
        TrialCaptureError: Names the first such thing.
    """
    try:
        with os.scandir(folder) as entries:
            top = sorted((entry.name for entry in entries), key=str.lower)
    except OSError:
        return  # what is wrong with the folder is said by who opens its files
    for name in top:
        if name.lower() not in _OURS:
            continue
        path = folder / name
        status = os.lstat(path)
        _refuse_kind(path, status)
        if stat.S_ISDIR(status.st_mode):
            for _ in _entries(path):
                pass


def session_of(path: Path) -> Path | None:
    """Return the session that a file lies in, None where it lies in none.

    It is the uppermost of the folders above the file that is marked as a session: a folder further down that is a link
    to another session does not pass for the session itself.
    """
    found = None
    for folder in list(Path(os.path.abspath(path)).parents)[:_MOST_LEVELS]:  # noqa: PTH100  no link is to be followed
        if os.path.lexists(folder / MARK):
            found = folder
    return found


# How files are opened and looked at.


def _opener(name: str, flags: int) -> int:
    path = Path(name)
    session = session_of(path)
    wanted = (flags & ~getattr(os, "O_TRUNC", 0)) | _NO_WAIT
    if session is None:
        handle = _named(path, partial(os.open, path, wanted, 0o666))
    else:
        handle = _open_below(session, _parts_below(session, path), wanted)
    try:
        _refuse_opened(path, os.fstat(handle), is_written=bool(flags & (os.O_WRONLY | os.O_RDWR)))
    except BaseException:
        os.close(handle)
        raise
    return handle


def _open_below(session: Path, parts: tuple[str, ...], flags: int) -> int:
    """Open a file of a session folder by folder."""
    path = session.joinpath(*parts)
    if not _CAN_WALK:
        _refuse_on_the_way(session, parts, last_is_folder=False)
        handle = _named(path, partial(os.open, path, flags, 0o666))
        if not os.path.samestat(os.lstat(path), os.fstat(handle)):  # swapped between the look and the opening
            os.close(handle)
            raise _strange(path, "a link")
        return handle
    below = os.O_RDONLY | _FOLDER | _NO_FOLLOW
    folder = os.open(session, os.O_RDONLY | _FOLDER)
    try:
        for depth, part in enumerate(parts[:-1], 1):
            place, above = session.joinpath(*parts[:depth]), folder
            folder = _named(place, partial(os.open, part, below, dir_fd=above))
            os.close(above)
        return _named(path, partial(os.open, parts[-1], flags | _NO_FOLLOW, 0o666, dir_fd=folder))
    finally:
        os.close(folder)


def _named(path: Path, open_it: Callable[[], int]) -> int:
    """Open something; where it is no regular file, say so in words."""
    try:
        return open_it()
    except OSError as fault:
        if fault.errno in (errno.ELOOP, errno.EMLINK, errno.ENOTDIR, errno.ENXIO, errno.EISDIR, errno.EACCES):
            _refuse_found(path)
        if fault.filename is None or not os.path.isabs(str(fault.filename)):  # noqa: PTH117
            fault.filename = str(path)
        raise
    except ValueError as fault:  # a name with a zero byte
        raise _strange(path, "a name that no file can have") from fault


def _refuse_found(path: Path) -> None:
    try:
        status = os.lstat(path)
    except OSError:
        return
    if stat.S_ISDIR(status.st_mode) and not _kind(status):
        return
    _refuse_kind(path, status)


def _refuse_on_the_way(session: Path, parts: tuple[str, ...], *, last_is_folder: bool) -> None:
    """Look at every folder from the session down to a file, and at the file, as far as they are there."""
    for depth in range(1, len(parts) + 1):
        place = session.joinpath(*parts[:depth])
        try:
            status = os.lstat(place)
        except FileNotFoundError:
            return
        _refuse_kind(place, status)
        is_last = depth == len(parts)
        if (not is_last or last_is_folder) != stat.S_ISDIR(status.st_mode):
            raise _strange(place, "a folder" if stat.S_ISDIR(status.st_mode) else "a file in place of a folder")


def _refuse_opened(path: Path, status: os.stat_result, *, is_written: bool) -> None:
    kind = _kind(status)
    if kind or not stat.S_ISREG(status.st_mode):
        raise _strange(path, kind or "a folder")
    if is_written and status.st_nlink > 1:
        raise _strange(path, "a file with a second name elsewhere (a hard link), which would be changed too")


def _refuse_kind(path: Path, status: os.stat_result) -> None:
    if kind := _kind(status):
        raise _strange(path, kind)


def _kind(status: os.stat_result) -> str:
    """Return what something is, "" for a regular file or a folder."""
    mode, tag = status.st_mode, getattr(status, "st_reparse_tag", 0)
    if stat.S_ISLNK(mode):
        return "a symbolic link"
    if tag & _NAME_SURROGATE or tag in _SPECIAL_TAGS:
        return "a junction or another kind of link"
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        return ""
    kinds = ((stat.S_ISFIFO, "a named pipe"), (stat.S_ISSOCK, "a socket"), (stat.S_ISCHR, "a device"))
    return next((name for test, name in kinds if test(mode)), "a device")


def _strange(path: Path, what: str) -> TrialCaptureError:
    return TrialCaptureError(
        "this is not used, because only regular files inside a session are read or written",
        seen=what,
        where=str(path),
        expected="if you trust who gave you the session, put a copy of the file in its place; else remove it",
    )


def _parts_below(session: Path, path: Path) -> tuple[str, ...]:
    return Path(os.path.abspath(path)).relative_to(session).parts  # noqa: PTH100


def _entries(top: Path) -> Iterator[tuple[Path, os.stat_result, str]]:
    """Yield everything below a folder, folders before what is in them, by name."""
    waiting, count = [(top, 0)], 0
    while waiting:
        folder, depth = waiting.pop()
        if depth >= _MOST_LEVELS:
            raise _too_much(folder, f"more than {_MOST_LEVELS} folders in each other")
        with os.scandir(folder) as found:
            names = sorted(entry.name for entry in found)
        for name in names:
            path = folder / name
            try:
                status = os.lstat(path)
            except FileNotFoundError:  # another run has removed it meanwhile
                continue
            _refuse_kind(path, status)
            count += 1
            if count > _MOST_ENTRIES:
                raise _too_much(top, f"more than {_MOST_ENTRIES} files and folders")
            if stat.S_ISREG(status.st_mode) and status.st_size > _MOST_FILE_BYTES:
                raise _too_much(path, f"a file of {status.st_size} bytes, where at most {_MOST_FILE_BYTES} are read")
            if not _is_ignored(name) and _odd_name(name):
                raise TrialCaptureError(
                    "a file of this session has a name that is no text",
                    seen=clean_text(name[:80]),
                    where=clean_text(str(folder)),
                    expected="rename it, in letters without control characters, and start again",
                )
            if stat.S_ISDIR(status.st_mode):
                waiting.append((path, depth + 1))
            yield path, status, name


def _is_ignored(name: str) -> bool:
    return name.startswith(".") or name.lower() in _IGNORED


def _odd_name(name: str) -> bool:
    """Return True for a name with line ends or control characters, or with bytes that are no UTF-8."""
    return any(unicodedata.category(letter) in _NO_LETTER for letter in name)


def _too_much(folder: Path, seen: str) -> TrialCaptureError:
    return TrialCaptureError(
        "this session holds more than a trial can",
        seen=seen,
        where=str(folder),
        expected="remove what is not part of the trial; the session may be forged",
    )


LOCK_NAME = "recorder.lock"
_FAR_BYTE = 1 << 30
"""Beyond the text, which stays readable to others: Windows locks bytes against reading too."""

_LOOK_AGAIN_S = 0.05
"""How often a lock that is waited for is asked for (our choice)."""


def _numbers(*names: str) -> frozenset[int]:
    return frozenset(getattr(errno, name) for name in names if hasattr(errno, name))


_HELD = _numbers("EWOULDBLOCK", "EAGAIN", "EACCES", "EDEADLK", "EDEADLOCK")
"""What says that another program holds a lock: flock(2) EWOULDBLOCK, ``_locking`` of Windows EACCES or EDEADLOCK."""
_NOT_OFFERED = _numbers("ENOLCK", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EINVAL")
"""What says that the disk, often a share, knows no locks."""


class FileLocks(Protocol):
    """How a system locks an open file."""

    def take(self, file: BinaryIO) -> None:
        """Take the lock, or raise OSError at once."""

    def let_go(self, file: BinaryIO) -> None:
        """Let it go."""


class WindowsLocks:
    """Locks of Windows, a byte far behind the text.

    Args:
        module: The module ``msvcrt``.
    """

    def __init__(self, module: Any = None) -> None:
        self._module = module or import_module("msvcrt")

    def take(self, file: BinaryIO) -> None:
        """Take the lock, or raise OSError at once."""
        file.seek(_FAR_BYTE)
        self._module.locking(file.fileno(), self._module.LK_NBLCK, 1)

    def let_go(self, file: BinaryIO) -> None:
        """Let it go."""
        file.seek(_FAR_BYTE)
        self._module.locking(file.fileno(), self._module.LK_UNLCK, 1)


class UnixLocks:
    """Locks of Linux and macOS on the whole file.

    Args:
        module: The module ``fcntl``.
    """

    def __init__(self, module: Any = None) -> None:
        self._module = module or import_module("fcntl")

    def take(self, file: BinaryIO) -> None:
        """Take the lock, or raise OSError at once."""
        self._module.flock(file.fileno(), self._module.LOCK_EX | self._module.LOCK_NB)

    def let_go(self, file: BinaryIO) -> None:
        """Let it go."""
        self._module.flock(file.fileno(), self._module.LOCK_UN)


class SessionLock:
    """Holds a session, or what `name` stands for in it, for this program alone; a context manager.

    Where the disk knows no locks, nothing is held and `is_held` tells so: the work goes on.

    Args:
        folder: Where the lock file lies.
        name: Of the lock file.
        holder: Who holds it otherwise, for the message.
        wait_s: How long to wait for whoever holds it [s].
        system: Which system; this one by default.
        locks: How it locks files.

    Raises:
        TrialCaptureError: Another program holds it, or the file cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        name: str = LOCK_NAME,
        *,
        holder: str = "another recorder is at work on this session",
        wait_s: float = 0.0,
        system: SystemName | None = None,
        locks: FileLocks | None = None,
    ) -> None:
        self._path = folder / name
        self._holder = holder
        self._wait_s = wait_s
        self._system = system or system_name()
        self._locks = locks or (WindowsLocks() if self._system == "windows" else UnixLocks())
        self._file: BinaryIO | None = None
        self.is_held = False

    def __enter__(self) -> SessionLock:
        until_s = time.monotonic() + self._wait_s
        while True:
            file = self._open()
            try:
                self._locks.take(file)
                self.is_held = True
            except OSError as fault:
                if fault.errno in _HELD and time.monotonic() < until_s:
                    file.close()
                    time.sleep(_LOOK_AGAIN_S)
                    continue
                if fault.errno not in _NOT_OFFERED:
                    with file:
                        raise self._refusal(fault, file) from fault
            if self._is_at_its_place(file):
                break
            file.close()  # its last holder removed it between our opening and locking it
        file.truncate(0)
        file.write(f"process {os.getpid()}\n".encode())
        file.flush()
        self._file = file
        return self

    def _open(self) -> BinaryIO:
        try:
            return patiently(lambda: open_plain(self._path, "a+b"))
        except OSError as fault:
            raise TrialCaptureError(
                "a session cannot be locked",
                seen=fault.strerror or str(fault),
                where=str(self._path),
                expected="a folder that may be written to",
            ) from fault

    def _refusal(self, fault: OSError, file: BinaryIO) -> TrialCaptureError:
        if fault.errno not in _HELD:
            return TrialCaptureError(
                "a session cannot be locked", seen=fault.strerror or str(fault), where=str(self._path),
                expected="a disk that answers; check it, or record on another one",
            )  # fmt: skip
        holder = ""
        with suppress(OSError):
            file.seek(0)
            holder = file.read(200).decode("ascii", "replace").strip()
        return TrialCaptureError(
            self._holder,
            seen=holder or "a lock",
            where=str(self._path.parent),
            expected="stop that one first, or use another folder",
        )

    def hold_again(self) -> bool:
        """Take the lock anew where its file was deleted; True when that was needed.

        Raises:
            TrialCaptureError: Another program has taken it meanwhile, or it cannot be taken.
        """
        if self._file is None or self._is_at_its_place(self._file):
            return False
        former = self._file
        self.__enter__()
        former.close()
        return True

    def _is_at_its_place(self, file: BinaryIO) -> bool:
        try:
            return os.path.samestat(os.fstat(file.fileno()), self._path.stat())
        except FileNotFoundError:
            return False

    def __exit__(self, *_: object) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        self.is_held = False
        if self._system != "windows":  # while it is locked, so that nobody locks a file that is about to go
            with suppress(OSError):
                self._path.unlink()
        with suppress(OSError):
            self._locks.let_go(file)
        file.close()
        if self._system == "windows":  # which refuses to remove an open file, and so one that somebody has taken since
            with suppress(OSError):
                self._path.unlink()


def lock_if_there(folder: Path) -> AbstractContextManager[object]:
    """Return the lock of a session where its file is there: of a recorder at work, or of one that was killed.

    A session that no recorder has open needs none, and nothing is written into it for a moment.
    """
    return SessionLock(folder) if (folder / LOCK_NAME).exists() else nullcontext()


def is_locked(folder: Path, name: str = LOCK_NAME) -> bool:
    """Return whether another program, as a rule a recorder at work, holds a session now."""
    if not (folder / name).exists():  # or left by one that was killed
        return False
    try:
        with SessionLock(folder, name):
            return False
    except TrialCaptureError:
        return True
