"""One recorder a session: a lock that the system lets go of when the program ends, however it ends."""

from __future__ import annotations

import errno
import os
import time
from contextlib import AbstractContextManager, nullcontext, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import patiently
from trialcapture.system.operating_system import SystemName, system_name
from trialcapture.system.session_files import open_plain

NAME = "recorder.lock"
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
        name: str = NAME,
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
    return SessionLock(folder) if (folder / NAME).exists() else nullcontext()


def is_locked(folder: Path, name: str = NAME) -> bool:
    """Return whether another program, as a rule a recorder at work, holds a session now."""
    if not (folder / name).exists():  # or left by one that was killed
        return False
    try:
        with SessionLock(folder, name):
            return False
    except TrialCaptureError:
        return True
