"""This computer: free space, battery, what it does when the lid closes, and keeping it awake."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_ASK_S = 3.0
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
