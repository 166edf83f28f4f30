"""One recorder a session: a lock that the system lets go of when the program ends, however it ends."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from trialcapture.errors import TrialCaptureError

NAME = "recorder.lock"

if sys.platform == "win32":
    import msvcrt

    _FAR_BYTE = 1 << 30  # beyond the text, which stays readable to others

    def _take(file: BinaryIO) -> None:
        file.seek(_FAR_BYTE)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

    def _let_go(file: BinaryIO) -> None:
        file.seek(_FAR_BYTE)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
else:
    import fcntl

    def _take(file: BinaryIO) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _let_go(file: BinaryIO) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_UN)


class SessionLock:
    """Holds a session for this program alone; a context manager.

    Args:
        folder: The session.

    Raises:
        TrialCaptureError: Another recorder holds it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._file: BinaryIO | None = None

    def __enter__(self) -> SessionLock:
        while True:
            file = self._path.open("a+b")
            try:
                _take(file)
            except OSError as fault:
                file.seek(0)
                holder = file.read(200).decode("ascii", "replace").strip()
                file.close()
                raise TrialCaptureError(
                    "another recorder is at work on this session",
                    seen=holder or "a lock",
                    where=str(self._path.parent),
                    expected="stop that one first, or record into another folder",
                ) from fault
            if self._is_at_its_place(file):
                break
            file.close()  # its last holder removed it between our opening and locking it
        file.truncate(0)
        file.write(f"process {os.getpid()}\n".encode())
        file.flush()
        self._file = file
        return self

    def _is_at_its_place(self, file: BinaryIO) -> bool:
        try:
            return os.path.samestat(os.fstat(file.fileno()), self._path.stat())
        except FileNotFoundError:
            return False

    def __exit__(self, *_: object) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        with suppress(OSError):
            self._path.unlink()  # Windows refuses while it is open, and the file left behind does no harm
        with suppress(OSError):
            _let_go(file)
        file.close()
