"""This computer: free space, battery, what it does when the lid closes, keeping it awake, one recorder a session.

And its clocks: one that never stops or steps, one that stops in sleep, one that tells the date.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
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
        keeper = subprocess.Popen(  # in a session of its own: a closed terminal ends neither recording nor keeper
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
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

    def hold_again(self) -> bool:
        """Take the lock anew where its file was deleted; True when that was needed.

        Raises:
            OSError: It cannot be taken.
            TrialCaptureError: Another recorder has taken it meanwhile.
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
        with suppress(OSError):
            self._path.unlink()  # Windows refuses while it is open, and the file left behind does no harm
        with suppress(OSError):
            _let_go(file)
        file.close()


# ------------------------------------------------------------------------------
# The clocks of the computer: one that never stops or steps, one that stops in sleep, one that tells the date.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clock:
    """Clocks as functions, so that tests bring their own.

    Attributes:
        mono_ns: Never steps, and goes on while the computer sleeps [ns].
        awake_ns: Never steps, and stops while the computer sleeps [ns].
        wall_ns: Time since 1970 UTC as the computer believes it; may step [ns].
        sleep: Waits so many seconds.
    """

    mono_ns: Callable[[], int]
    awake_ns: Callable[[], int]
    wall_ns: Callable[[], int]
    sleep: Callable[[float], None]


def system_clock() -> Clock:
    """Return this computer's clocks.

    Which clock goes on in sleep differs: ``CLOCK_BOOTTIME`` on Linux, ``CLOCK_MONOTONIC`` on macOS, the
    interrupt time on Windows. Where none is found, both are the same and sleep shows only as a wall-clock step.
    """
    mono_ns, awake_ns = _steady_clocks()
    return Clock(mono_ns, awake_ns, time.time_ns, time.sleep)


def scaled_clock(clock: Clock, speed: float) -> Clock:
    """Return a clock that runs `speed` times as fast from now on, for replays."""
    mono_0, awake_0, wall_0 = clock.mono_ns(), clock.awake_ns(), clock.wall_ns()

    def scaled(now_ns: Callable[[], int], start_ns: int) -> Callable[[], int]:
        return lambda: start_ns + round((now_ns() - start_ns) * speed)

    return Clock(
        scaled(clock.mono_ns, mono_0),
        scaled(clock.awake_ns, awake_0),
        scaled(clock.wall_ns, wall_0),
        lambda seconds: clock.sleep(seconds / speed),
    )


_Now = Callable[[], int]


def _steady_clocks() -> tuple[_Now, _Now]:
    clocks: tuple[_Now, _Now] = (time.monotonic_ns, time.monotonic_ns)
    if sys.platform == "linux":
        clocks = (_posix_clock(time.CLOCK_BOOTTIME), _posix_clock(time.CLOCK_MONOTONIC))
    elif sys.platform == "darwin":
        clocks = (_posix_clock(time.CLOCK_MONOTONIC), _posix_clock(time.CLOCK_UPTIME_RAW))
    elif sys.platform == "win32":
        import ctypes  # noqa: PLC0415  exists everywhere, but only Windows has this library

        def windows_clock(call: Callable[..., object]) -> _Now:
            def now_ns() -> int:
                ticks = ctypes.c_uint64()
                call(ctypes.byref(ticks))
                return ticks.value * 100

            return now_ns

        with suppress(OSError, AttributeError):
            kernel = ctypes.WinDLL("kernelbase.dll")
            clocks = (
                windows_clock(kernel.QueryInterruptTimePrecise),
                windows_clock(kernel.QueryUnbiasedInterruptTimePrecise),
            )
    return clocks


def _posix_clock(number: int) -> _Now:
    return lambda: time.clock_gettime_ns(number)


# ------------------------------------------------------------------------------
# Notices the wall clock stepping and the computer sleeping, by comparing clocks about once a second.
# ------------------------------------------------------------------------------

STEP_S = 0.02
"""A change of wall minus monotonic time beyond this within one look is a step: time services slew at most
0.5 ms a second (common practice, no source)."""
SLEEP_S = 0.5
"""Clocks that disagree by more than this about the time gone by mean that the computer slept (our choice)."""


@dataclass(frozen=True, slots=True)
class ClockFinding:
    """The wall clock stepped, or the computer slept.

    Attributes:
        kind: ``wall_step`` or ``slept``.
        seconds: Size of the step, forward positive, or length of the sleep.
        from_ns: Session-independent monotonic time of the look before [ns].
        to_ns: The same of this look.
    """

    kind: str
    seconds: float
    from_ns: int
    to_ns: int


class ClockWatch:
    """Compares the clocks of a computer.

    Args:
        clock: The clocks.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last = self._look()

    def tick(self) -> list[ClockFinding]:
        """Compare with the last look."""
        mono_0, awake_0, wall_0 = self._last
        mono, awake, wall = self._last = self._look()
        findings = []
        slept_s = ((mono - mono_0) - (awake - awake_0)) / 1e9
        if slept_s > SLEEP_S:
            findings.append(ClockFinding("slept", slept_s, mono_0, mono))
        step_s = ((wall - wall_0) - (mono - mono_0)) / 1e9
        if abs(step_s) > STEP_S:
            findings.append(ClockFinding("wall_step", step_s, mono_0, mono))
        return findings

    def _look(self) -> tuple[int, int, int]:
        # The tightest of three looks: a thread may be held up between two clocks.
        looks = []
        for _ in range(3):
            before = self._clock.mono_ns()
            awake, wall = self._clock.awake_ns(), self._clock.wall_ns()
            after = self._clock.mono_ns()
            looks.append((after - before, (before + after) // 2, awake, wall))
        _, mono, awake, wall = min(looks)
        return mono, awake, wall
