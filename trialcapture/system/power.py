"""Power and sleep: keeping the computer awake, what it does by itself, its battery, and clocks that go on in sleep."""

from __future__ import annotations

import ctypes
import json
import os
import re
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from trialcapture.system.operating_system import ASK_S, SystemName, ask, start, system_name, windows_kernel

Ask = Callable[[list[str]], str]
_CONTINUOUS, _SYSTEM_REQUIRED, _DISPLAY_REQUIRED = 0x80000000, 0x00000001, 0x00000002
"""ES_CONTINUOUS, ES_SYSTEM_REQUIRED, ES_DISPLAY_REQUIRED (Windows API, SetThreadExecutionState). On battery, requests
for the system alone end five minutes after the display has gone off, so the display is asked for too (Windows
documentation of modern standby, power requests on DC; from memory)."""


@contextmanager
def kept_awake(*, system: SystemName | None = None, kernel: Any = None) -> Iterator[bool]:
    """Keep computer and display from sleeping by themselves meanwhile; gives whether that could be asked for.

    A closed lid cannot be overruled by a program; `sleep_setting` tells what it does. On Windows the request holds for
    the calling thread, which must not end before this context does.

    Args:
        system: Which system; this one by default.
        kernel: Calls of ``kernel32.dll``.
    """
    system = system or system_name()
    if system == "windows":
        kernel = kernel or windows_kernel()
        wanted = _CONTINUOUS | _SYSTEM_REQUIRED | _DISPLAY_REQUIRED
        asked = kernel is not None and bool(kernel.SetThreadExecutionState(wanted))
        try:
            yield asked
        finally:
            if kernel is not None:
                kernel.SetThreadExecutionState(_CONTINUOUS)
        return
    keeper = start(keeper_command(system))
    try:
        yield keeper is not None
    finally:
        if keeper is not None:
            if keeper.stdin is not None:
                keeper.stdin.close()
            keeper.terminate()
            with suppress(subprocess.TimeoutExpired):
                keeper.wait(ASK_S)


def keeper_command(system: SystemName) -> list[str]:
    """Return the program that keeps macOS or Linux awake for as long as it runs.

    ``caffeinate`` holds off display sleep with -d and idle sleep with -i, until the process given with -w ends
    (Apple, caffeinate(8)).
    """
    if system == "macos":
        return ["caffeinate", "-di", "-w", str(os.getpid())]
    return ["systemd-inhibit", "--what=sleep:idle", "--who=trialcapture", "--why=recording a trial", "cat"]


_HEX = re.compile(r"\b0x([0-9a-fA-F]{1,8})\b")


def sleep_setting(*, system: SystemName | None = None, ask: Ask = ask) -> tuple[bool | None, str]:
    """Return whether this computer would go to sleep by itself (None: cannot be told), and what was seen.

    Args:
        system: Which system; this one by default.
        ask: Returns what a program of the system prints.
    """
    system = system or system_name()
    if system == "windows":
        # in every language the last two numbers are seconds of idling before sleep, on mains and on battery
        seen = ask(["powercfg", "/q", "SCHEME_CURRENT", "SUB_SLEEP", "STANDBYIDLE"]) or ""
        values = [int(number, 16) for number in _HEX.findall(seen)][-2:]
        if len(values) < 2:
            return None, "no answer"
        return any(values), f"sleep after {values[0]} s on mains, {values[1]} s on battery (0: never)"
    if system == "macos":
        for line in (ask(["pmset", "-g"]) or "").splitlines():
            words = line.split()
            if len(words) > 1 and words[0] == "sleep" and words[1].isdecimal():
                return int(words[1]) != 0, f"sleep after {int(words[1])} min"
        return None, "no answer"
    lid = ask(
        ["busctl", "--json=short", "get-property", "org.freedesktop.login1", "/org/freedesktop/login1",
         "org.freedesktop.login1.Manager", "HandleLidSwitch"]
    )  # fmt: skip
    with suppress(ValueError, KeyError, TypeError, RecursionError):
        action = str(json.loads(lid or "")["data"])
        return action not in ("ignore", "lock"), f"closing the lid: {action}"
    return None, "no answer"


_BATTERIES = Path("/sys/class/power_supply")


def battery_pct(
    *, system: SystemName | None = None, ask: Ask = ask, kernel: Any = None, batteries: Path = _BATTERIES
) -> float | None:
    """Return the battery's charge [%], or None without one or where it cannot be told.

    Args:
        system: Which system; this one by default.
        ask: Returns what a program of the system prints.
        kernel: Calls of ``kernel32.dll``.
        batteries: Where Linux tells of batteries.
    """
    system = system or system_name()
    if system == "windows":
        kernel = kernel or windows_kernel()
        status = (ctypes.c_ubyte * 12)()  # SYSTEM_POWER_STATUS; its third byte is BatteryLifePercent, 255 for unknown
        if kernel is not None and kernel.GetSystemPowerStatus(ctypes.byref(status)) and status[2] <= 100:
            return float(status[2])
        return None
    if system == "macos":
        found = re.search(r"\b(\d{1,3})%;", ask(["pmset", "-g", "batt"]) or "")
        return float(found[1]) if found else None
    for path in sorted(batteries.glob("BAT*/capacity")):
        with suppress(OSError, ValueError):
            return float(path.read_text())
    return None


# ------------------------------------------------------------------------------
# Clocks that never step: one goes on while the computer sleeps, one stops.
# ------------------------------------------------------------------------------

Now = Callable[[], int]


def steady_clocks(*, system: SystemName | None = None, library: Any = None) -> tuple[Now, Now]:
    """Return two clocks that never step [ns]: one that goes on while the computer sleeps, and one that stops.

    They are ``CLOCK_BOOTTIME`` and ``CLOCK_MONOTONIC`` on Linux, ``CLOCK_MONOTONIC`` and ``CLOCK_UPTIME_RAW`` on
    macOS, the interrupt time and the unbiased one on Windows. Where none is found both are the same.

    Args:
        system: Which system; this one by default.
        library: ``kernelbase.dll`` of Windows.
    """
    system = system or system_name()
    if system == "windows":
        with suppress(OSError, AttributeError):
            library = library or ctypes.WinDLL("kernelbase.dll")  # type: ignore[attr-defined,unused-ignore]
            return (
                _windows_clock(library.QueryInterruptTimePrecise),
                _windows_clock(library.QueryUnbiasedInterruptTimePrecise),
            )
        return time.monotonic_ns, time.monotonic_ns
    names = ("CLOCK_MONOTONIC", "CLOCK_UPTIME_RAW") if system == "macos" else ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC")
    if not all(hasattr(time, name) for name in names):
        return time.monotonic_ns, time.monotonic_ns
    return _unix_clock(getattr(time, names[0])), _unix_clock(getattr(time, names[1]))


def _windows_clock(call: Callable[..., object]) -> Now:
    def now_ns() -> int:
        ticks = ctypes.c_uint64()
        call(ctypes.byref(ticks))
        return ticks.value * 100  # units of 100 ns

    return now_ns


def _unix_clock(number: int) -> Now:
    read: Callable[[int], int] = time.clock_gettime_ns  # type: ignore[attr-defined,unused-ignore]
    return lambda: read(number)
