"""Files and folders as each system has them.

Files: renames that are refused for a moment, what makes a file safe, which file is which. Folders: those that a cloud
service copies and locks, sticks and cards, the user's cache.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import time
import unicodedata
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib import import_module
from pathlib import Path, PurePath
from typing import Any, TypeVar

from trialcapture.system.operating_system import SystemName, system_name, windows_kernel

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


# ------------------------------------------------------------------------------
# Folders that a program keeps in step with a cloud: it holds files for a moment, and copies half-written ones.
# ------------------------------------------------------------------------------

_SYNCED = (
    "onedrive", "sharepoint", "dropbox", "google drive", "googledrive", "my drive", "drivefs", "icloud",
    "icloud drive", "iclouddrive", "com~apple~clouddocs", "mobile documents", "cloudstorage", "nextcloud", "owncloud",
    "box", "box sync", "pcloud", "pclouddrive", "pcloud drive", "mega", "megasync", "mega downloads", "syncthing",
    "sync", "resilio sync", "seafile", "seadrive", "tresorit", "tresors", "spideroak hive", "proton drive",
    "protondrive", "yandex.disk", "yandexdisk", "creative cloud files", "egnyte", "sharefile", "koofr", "jottacloud",
    "hidrive", "magentacloud", "synologydrive", "synology drive", "qsync", "amazon drive", "sugarsync", "mailbox drive",
    "baidunetdisk", "nutstore", "wps cloud files", "degoo", "idrive", "livedrive", "filen", "internxt",
)  # fmt: skip
"""Folders that sync clients make, in lower case (common practice, no source)."""
_MARKERS = (
    ".stfolder", ".dropbox.cache", ".sync", ".seafile-data", ".owncloudsync.log", "_sync_journal.db",
    ".tmp.drivedownload", ".tmp.driveupload", ".syncthing.tmp",
)  # fmt: skip
"""What sync clients leave in the folder they keep, whatever its name (common practice, no source)."""
_MACOS_CLOUD = Path("Library", "Mobile Documents", "com~apple~CloudDocs")
_VARIABLES = ("OneDrive", "OneDriveConsumer", "OneDriveCommercial")
_CLOUD_FILES = 0x9000001A
"""IO_REPARSE_TAG_CLOUD: every client of the Cloud Files API of Windows marks its folders so; four bits of the tag
are the client's own (Windows, ``ntifs.h``; from memory)."""
_CLOUD_MASK = 0xFFFF0FFF


def synced_by(
    folder: Path,
    *,
    system: SystemName | None = None,
    environment: Mapping[str, str] = os.environ,
    home: Path | None = None,
) -> str | None:
    """Return what says that a cloud service copies and locks what is in a folder, None where nothing does.

    Args:
        folder: It need not exist yet.
        system: Which system; this one by default.
        environment: Environment variables.
        home: Folder of this user.
    """
    with suppress(OSError):
        folder = folder.resolve()
    for variable in _VARIABLES:
        root = environment.get(variable, "")
        if root and is_within(folder, PurePath(root)):
            return root
    if (system or system_name()) == "macos":
        home = home or Path("~").expanduser()
        for name in ("Desktop", "Documents"):  # they keep their names where they are moved to the cloud
            if (home / _MACOS_CLOUD / name).exists() and is_within(folder, home / name):
                return str(home / name)
    for part in (folder, *folder.parents):
        if part.name and _is_synced_name(part.name):
            return str(part)
        if any((part / marker).exists() for marker in _MARKERS) or _has_cloud_tag(part):
            return str(part)
    return None


def is_within(folder: PurePath, root: PurePath) -> bool:
    """Return whether a folder is another one or lies in it, without regard to upper and lower case."""
    parts, beginning = ([part.casefold() for part in path.parts] for path in (folder, root))
    return parts[: len(beginning)] == beginning


def _is_synced_name(name: str) -> bool:
    """Return whether a folder is named by a client, perhaps with an account: ``OneDrive - Company``."""
    lower = name.strip().lower()
    return lower in _SYNCED or re.split(r"\s+[-(]", lower, maxsplit=1)[0] in _SYNCED


def _has_cloud_tag(folder: Path) -> bool:
    try:
        tag = getattr(folder.lstat(), "st_reparse_tag", 0)
    except OSError:
        return False
    return bool(tag & _CLOUD_MASK == _CLOUD_FILES)


# ------------------------------------------------------------------------------
# Sticks and cards.
# ------------------------------------------------------------------------------

_DRIVE_REMOVABLE = 2
"""DRIVE_REMOVABLE (Windows API, GetDriveType)."""


def is_removable(folder: Path, *, system: SystemName | None = None, kernel: Any = None) -> bool:
    """Return True where a folder lies on what is usually a stick or a card.

    Args:
        folder: The folder.
        system: Which system; this one by default.
        kernel: Calls of ``kernel32.dll``.
    """
    path = folder.resolve()
    if (system or system_name()) == "windows":
        kernel = kernel or windows_kernel()
        return kernel is not None and bool(kernel.GetDriveTypeW(f"{path.drive}\\") == _DRIVE_REMOVABLE)
    parts = path.parts
    return parts[1:2] == ("media",) or parts[1:3] == ("run", "media") or parts[1:2] == ("Volumes",)


# ------------------------------------------------------------------------------
# What can be made again.
# ------------------------------------------------------------------------------


def user_cache_folder(
    name: str, *, system: SystemName | None = None, environment: Mapping[str, str] = os.environ
) -> Path:
    """Return where this user keeps what a program can make again.

    Args:
        name: Of the program.
        system: Which system; this one by default.
        environment: Environment variables.
    """
    system = system or system_name()
    home = Path("~").expanduser()
    if system == "windows":
        return Path(environment.get("LOCALAPPDATA") or home / "AppData" / "Local") / name / "cache"
    if system == "macos":
        return home / "Library" / "Caches" / name
    named = environment.get("XDG_CACHE_HOME", "")
    # a relative path is to be ignored (XDG Base Directory Specification 0.8)
    return (Path(named) if Path(named).is_absolute() else home / ".cache") / name


CACHE_VARIABLE = "TRIALCAPTURE_CACHE"
"""Environment variable that names another cache folder."""


def cache_folder() -> Path:
    """Return the folder of this user for what this program can make again."""
    if named := os.environ.get(CACHE_VARIABLE):
        return Path(named)
    return user_cache_folder("trialcapture")
