"""Folders as each system has them: those that a cloud service copies and locks, sticks and cards, the user's cache."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path, PurePath
from typing import Any

from trialcapture.system.operating_system import SystemName, system_name, windows_kernel

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
