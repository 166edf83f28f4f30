"""Which operating system this is, how it is asked, and how it names and shares serial ports.

It is asked by its own programs, or by the calls of Windows.
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Collection
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO, Literal

_BELOW_NORMAL = 0x4000
"""BELOW_NORMAL_PRIORITY_CLASS of SetPriorityClass (Windows API)."""
_NICER = 10
"""What a program without an own figure is given by nice (POSIX, nice utility)."""
SystemName = Literal["windows", "macos", "linux"]
ASK_S = 3.0
"""How long a question to the system may take before it counts as unanswered (our choice)."""
_NO_WINDOW = 0x08000000
"""CREATE_NO_WINDOW of CreateProcess: no console window flashes up (Windows API)."""


def system_name() -> SystemName:
    """Return which system this is; every other Unix goes by what holds for Linux."""
    names: dict[str, SystemName] = {"win32": "windows", "cygwin": "windows", "darwin": "macos"}
    return names.get(sys.platform, "linux")


def ask(command: list[str]) -> str:
    """Return what a program of the system prints, "" where it is not there or does not answer.

    Bytes that are no UTF-8 become a replacement character: the console of Windows has code pages of its own.
    """
    if shutil.which(command[0]) is None:
        return ""
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=ASK_S,
            check=False,
            creationflags=_NO_WINDOW if os.name == "nt" else 0,
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return (done.stdout or b"").decode("utf-8", "replace")


def start(command: list[str]) -> subprocess.Popen[bytes] | None:
    """Start a program of the system that stays; None where it is not there or ends at once."""
    if shutil.which(command[0]) is None:
        return None
    try:
        program = subprocess.Popen(  # in a session of its own: a closed terminal ends it no sooner than this program
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError:
        return None
    with suppress(subprocess.TimeoutExpired):
        program.wait(0.2)
        return None  # it ended at once: there is nobody to ask
    return program


def windows_kernel() -> Any | None:
    """Return the calls of ``kernel32.dll`` with their types declared; None on other systems."""
    load = getattr(ctypes, "WinDLL", None)
    if load is None:
        return None
    kernel = load("kernel32")
    # a handle is as wide as a pointer, and would be cut to 32 bits without this
    kernel.GetStdHandle.restype = ctypes.c_void_p
    kernel.GetStdHandle.argtypes = [ctypes.c_ulong]
    for name in ("GetConsoleMode", "GetNumberOfConsoleInputEvents"):
        getattr(kernel, name).argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    kernel.SetConsoleMode.argtypes = [ctypes.c_void_p, ctypes.c_ulong]
    kernel.GetCurrentProcess.restype = ctypes.c_void_p
    kernel.SetPriorityClass.argtypes = [ctypes.c_void_p, ctypes.c_ulong]
    kernel.ReadConsoleInputW.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_ulong, ctypes.c_void_p]
    kernel.SetConsoleCtrlHandler.argtypes = [ctypes.c_void_p, ctypes.c_int]
    kernel.SetThreadExecutionState.argtypes = [ctypes.c_ulong]
    kernel.SetThreadExecutionState.restype = ctypes.c_ulong
    kernel.GetDriveTypeW.argtypes = [ctypes.c_wchar_p]
    return kernel


def give_way(nicer: int = _NICER, *, system: SystemName | None = None, kernel: Any | None = None) -> None:
    """Let other programs go before this one from now on; where the system refuses, it goes on as it was.

    Args:
        nicer: By how much its nice value grows (POSIX); Windows has one step.
        system: Which system this is.
        kernel: The calls of Windows, see `windows_kernel`.
    """
    if (system or system_name()) != "windows":
        with suppress(OSError):
            os.nice(nicer)  # type: ignore[attr-defined,unused-ignore]
    elif (kernel := kernel or windows_kernel()) is not None:
        kernel.SetPriorityClass(kernel.GetCurrentProcess(), _BELOW_NORMAL)


_APART = 0x00000200 | _NO_WINDOW
"""CREATE_NEW_PROCESS_GROUP (Windows API): Ctrl-C in the window of this program does not reach the other."""


def start_apart(command: list[str], output: BinaryIO, *, system: SystemName | None = None) -> subprocess.Popen[bytes]:
    """Start a program that goes on when this one ends, whatever ends it.

    Args:
        command: The program and its arguments.
        output: Takes what it prints.
        system: Which system this is; for tests.

    Raises:
        OSError: It cannot be started.
    """
    is_windows = (system or system_name()) == "windows"
    return subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT,
        start_new_session=not is_windows,
        creationflags=_APART if is_windows else 0,
    )


_RUN = (
    "import runpy, sys; sys.path.append(sys.argv.pop(1)); "
    "runpy.run_module(sys.argv.pop(1), run_name='__main__', alter_sys=True)"
)


def own_program(module: str) -> list[str]:
    """Return the command that runs a module of this program in a process of its own.

    ``python -m`` would look for modules in the current folder first; that may be a session, which comes from anybody.
    """
    return [sys.executable, "-P", "-c", _RUN, str(Path(__file__).resolve().parents[2]), module]


_COM = re.compile(r"(?:(?:\\\\|//)[.?][\\/])?com ?0*([0-9]{1,4}):?", re.IGNORECASE)
_WINDOWS_BUFFER_BYTES = 1 << 18
"""Asked of the driver, whose own buffer of 4 kB holds a second of a fast line (our choice)."""


def port_name(name: str, *, system: SystemName | None = None) -> str:
    r"""Return a port's name as the system lists it: ``COM3`` for ``com3``, ``COM3:`` and ``\\.\COM3``.

    Args:
        name: As it was given.
        system: Which system; this one by default.
    """
    name = name.strip()
    if (system or system_name()) == "windows" and (match := _COM.fullmatch(name)):
        return f"COM{match[1]}"
    return name


def is_present(name: str, listed: Collection[str], *, system: SystemName | None = None) -> bool:
    """Return whether a port is there.

    Args:
        name: From `port_name`.
        listed: Names of the ports the system lists, asked on Windows only, where a port is no file.
        system: Which system; this one by default.
    """
    if (system or system_name()) == "windows":
        return name.upper() in {port_name(other, system="windows").upper() for other in listed}
    return Path(name).exists()


def hold_alone(device: Any, *, system: SystemName | None = None) -> None:
    """Keep other programs from an open port; Windows does so by itself, and is asked for a larger buffer.

    Args:
        device: An open port of pyserial.
        system: Which system; this one by default.
    """
    if (system or system_name()) == "windows":
        device.set_buffer_size(rx_size=_WINDOWS_BUFFER_BYTES)
        return
    fcntl, termios = import_module("fcntl"), import_module("termios")
    # pyserial's own lock only binds programs that ask for it; this one binds every user but root.
    with suppress(OSError):
        fcntl.ioctl(device.fileno(), termios.TIOCEXCL)


def port_errors(*, system: SystemName | None = None) -> tuple[type[Exception], ...]:
    """Return what one unplugging shows as, depending on the call that meets it first, beside pyserial's own error."""
    if (system or system_name()) == "windows":
        return (OSError, TypeError)
    return (OSError, TypeError, import_module("termios").error)


def denied(name: str, *, system: SystemName | None = None) -> tuple[bool, str, str]:
    """Return what it means that a port is refused.

    Args:
        name: Of the port.
        system: Which system; this one by default.

    Returns:
        Whether another program has it (else the right is missing), what is wrong, and what to do.
    """
    if (system or system_name()) == "windows":
        return True, f"{name} is in use by another program or still being released.", "It is tried again."
    what = f"No right to open {name}."
    try:
        group = import_module("grp").getgrgid(Path(name).stat().st_gid).gr_name
    except (OSError, KeyError):
        return False, what, "Ask the owner of this computer for the right to use serial ports."
    remedy = (
        f"It belongs to group '{group}': sudo usermod -aG {group} $USER, then log out completely and in again "
        "(a new terminal is not enough)."
    )
    return False, what, remedy
