"""Files as each system has them: renames that are refused for a moment, what makes a file safe, which file is which."""

from __future__ import annotations

import errno
import os
import shutil
import time
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar

from trialcapture.system.operating_system import SystemName, system_name

Result = TypeVar("Result")

PATIENCE_S = 3.0
"""How long a refusal of Windows is borne. Virus scanners, indexers and sync clients hold a new file for some tens of
milliseconds, seldom for a second (common practice, no source)."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.01, 0.1
_MOMENTARY = frozenset({5, 32, 33})
"""ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION (Windows system error codes): what a file that
another program has open answers to."""


def is_momentary(fault: OSError) -> bool:
    """Return whether a refusal is of the kind that passes when another program lets go of a file."""
    return getattr(fault, "winerror", None) in _MOMENTARY


def patiently(
    action: Callable[[], Result],
    *,
    now_s: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], object] = time.sleep,
    patience_s: float = PATIENCE_S,
) -> Result:
    """Do something with a file, again and again while another program holds it for a moment.

    Args:
        action: What to do; it must be repeatable.
        now_s: Monotonic clock [s].
        sleep: Waits so many seconds.
        patience_s: How long a refusal is borne [s].

    Raises:
        OSError: It is refused for good, or for longer than that.
    """
    until_s, pause_s = now_s() + patience_s, _FIRST_PAUSE_S
    while True:
        try:
            return action()
        except OSError as fault:
            if not is_momentary(fault) or now_s() >= until_s:
                raise
        sleep(pause_s)
        pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)


def replace_file(source: Path, target: Path) -> None:
    """Rename a file to a name that may be taken already, with patience.

    Raises:
        OSError: The system refuses; both files are as they were.
    """
    patiently(lambda: source.replace(target))


def rename_new(source: Path, target: Path) -> None:
    """Rename a file or folder to a name that is free, with patience.

    Raises:
        OSError: The system refuses; nothing has changed.
    """
    patiently(lambda: source.rename(target))


def remove_file(path: Path) -> None:
    """Remove a file if it is there, with patience.

    Raises:
        OSError: The system refuses.
    """
    patiently(lambda: path.unlink(missing_ok=True))


def remove_tree(folder: Path) -> None:
    """Remove a folder and all in it as far as the system lets, with patience; what is not there is no fault."""
    with suppress(OSError):
        patiently(lambda: shutil.rmtree(folder))


def sync_file(handle: int, *, system: SystemName | None = None, control: Any = None) -> None:
    """Have the disk itself keep what was written, not only the system.

    On macOS fsync stops at the drive's own cache, and F_FULLFSYNC goes further (Apple, fsync(2)).

    Args:
        handle: Of the open file.
        system: Which system; this one by default.
        control: The module ``fcntl`` of macOS.

    Raises:
        OSError: The disk does not take it.
    """
    if (system or system_name()) == "macos":
        control = control or import_module("fcntl")
        try:
            control.fcntl(handle, control.F_FULLFSYNC)
        except OSError:  # not every file system has it
            os.fsync(handle)
    else:
        os.fsync(handle)


_NOT_OFFERED = frozenset(
    getattr(errno, name)
    for name in ("EINVAL", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EACCES", "EPERM", "EBADF", "EISDIR", "EROFS")
    if hasattr(errno, name)
)
"""What shares and some file systems answer that cannot sync a folder; the file in it is safe all the same."""


def sync_folder(folder: Path, *, system: SystemName | None = None) -> None:
    """Make a rename inside a folder survive a power cut.

    Windows does so by itself and has no such call; a share that does not offer it is no failure.

    Raises:
        OSError: The disk fails.
    """
    if (system or system_name()) == "windows":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as fault:
        if fault.errno not in _NOT_OFFERED:
            raise


def identity_of(status: os.stat_result) -> tuple[int, int] | None:
    """Return what tells a file from every other one on this computer; None where the disk does not tell.

    Some shares, and FAT disks on Windows, number no files: there every file has 0.
    """
    return (status.st_dev, status.st_ino) if status.st_ino else None


def name_key(name: str) -> str:
    """Return what two names have in common that are one name on some disk.

    Disks of Windows and macOS make no difference of upper and lower case, and those of macOS none between a letter
    with its accent and the two one after the other.
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
