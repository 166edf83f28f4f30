"""Serial ports as each system names and shares them."""

from __future__ import annotations

import re
from collections.abc import Collection
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

from trialcapture.system.operating_system import SystemName, system_name

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
