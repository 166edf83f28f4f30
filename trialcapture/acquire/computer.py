"""This computer: free space, battery, what it does when the lid closes, keeping it awake, one recorder a session."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from trialcapture.errors import TrialCaptureError

_ASK_S = 3.0
"""How long a question to the system may take before it counts as unanswered (our choice)."""
_SYNCED_NAMES = ("onedrive", "dropbox", "google drive", "googledrive", "icloud", "nextcloud")


def sleep_setting() -> tuple[bool | None, str]:
    """Return whether this computer would go to sleep by itself (None: cannot be told), and what was seen."""
    if sys.platform == "win32":
        # 238c9fa8… is the sub-group "sleep", 29f6c1db… the idle time before it
        seen = _ask(["powercfg", "/q", "SCHEME_CURRENT", "SUB_SLEEP", "STANDBYIDLE"])
        values = [int(line.rsplit("0x", 1)[1], 16) for line in seen.splitlines() if "Index: 0x" in line]
        return (any(values), f"standby after {values} s on mains, battery") if values else (None, "no answer")
    if sys.platform == "darwin":
        for line in _ask(["pmset", "-g"]).splitlines():
            words = line.split()
            if len(words) > 1 and words[0] == "sleep" and words[1].isdigit():
                return words[1] != "0", f"sleep after {words[1]} min"
        return None, "no answer"
    lid = _ask(
        ["busctl", "--json=short", "get-property", "org.freedesktop.login1", "/org/freedesktop/login1",
         "org.freedesktop.login1.Manager", "HandleLidSwitch"]
    )  # fmt: skip
    with suppress(ValueError, KeyError, TypeError):
        action = json.loads(lid)["data"]
        return action not in ("ignore", "lock"), f"closing the lid: {action}"
    return None, "no answer"


def battery_pct() -> float | None:
    """Return the battery's charge [%], or None without one or where it cannot be told."""
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415  Windows only

        status = (ctypes.c_byte * 12)()
        if ctypes.windll.kernel32.GetSystemPowerStatus(ctypes.byref(status)):
            charge = status[2] & 0xFF
            return float(charge) if charge <= 100 else None
        return None
    if sys.platform == "darwin":
        for word in _ask(["pmset", "-g", "batt"]).split():
            if word.endswith("%;"):
                return float(word[:-2])
        return None
    for path in Path("/sys/class/power_supply").glob("BAT*/capacity"):
        with suppress(OSError, ValueError):
            return float(path.read_text())
    return None


@contextmanager
def kept_awake() -> Iterator[bool]:
    """Keep the computer from sleeping by itself meanwhile; gives whether that could be asked for.

    A closed lid cannot be overruled by a program; `sleep_setting` tells what it does.
    """
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415  Windows only

        continuous, system_required = 0x80000000, 0x00000001
        asked = bool(ctypes.windll.kernel32.SetThreadExecutionState(continuous | system_required))
        try:
            yield asked
        finally:
            ctypes.windll.kernel32.SetThreadExecutionState(continuous)
        return
    if sys.platform == "darwin":
        command = ["caffeinate", "-i", "-w", str(os.getpid())]
    else:
        command = [
            "systemd-inhibit", "--what=sleep:idle", "--who=trialcapture", "--why=recording a trial", "cat",
        ]  # fmt: skip
    keeper = _start(command)
    try:
        yield keeper is not None
    finally:
        if keeper is not None:
            if keeper.stdin is not None:
                keeper.stdin.close()
            keeper.terminate()
            with suppress(subprocess.TimeoutExpired):
                keeper.wait(_ASK_S)


def is_synced_folder(folder: Path) -> bool:
    """Return True where a folder's path looks like one that a cloud service copies and locks."""
    text = str(folder.resolve()).lower()
    return any(name in text for name in _SYNCED_NAMES)


def is_removable(folder: Path) -> bool:
    """Return True where a folder lies on what is usually a stick or a card."""
    path = folder.resolve()
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415  Windows only

        return bool(ctypes.windll.kernel32.GetDriveTypeW(f"{path.drive}\\") == 2)
    parts = path.parts
    return parts[1:2] == ("media",) or parts[1:3] == ("run", "media") or parts[1:2] == ("Volumes",)


def _ask(command: list[str]) -> str:
    if shutil.which(command[0]) is None:
        return ""
    try:
        return subprocess.run(command, capture_output=True, text=True, timeout=_ASK_S, check=False).stdout
    except (OSError, subprocess.TimeoutExpired, UnicodeDecodeError):
        return ""


def _start(command: list[str]) -> subprocess.Popen[bytes] | None:
    if shutil.which(command[0]) is None:
        return None
    try:
        keeper = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    except OSError:
        return None
    with suppress(subprocess.TimeoutExpired):
        keeper.wait(0.2)
        return None  # it ended at once: there is nobody to ask
    return keeper


# ------------------------------------------------------------------------------
# One recorder a session: a lock that the system lets go of when the program ends, however it ends.
# ------------------------------------------------------------------------------

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
