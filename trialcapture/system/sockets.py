"""Listening on UDP as each system does it: ports taken alone, groups joined everywhere, firewalls named."""

from __future__ import annotations

import ipaddress
import socket
import struct
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from importlib import import_module
from typing import Any

from trialcapture.system.operating_system import SystemName, system_name

_SO_RXQ_OVFL = 40  # Linux: the kernel counts the datagrams it had no room for
_SO_MEMINFO, _MEMINFO_VALUES, _MEMINFO_DROPS = 55, 9, 8  # Linux: the same count, asked for (SK_MEMINFO_DROPS)
_SO_RCVBUFFORCE = 33  # Linux: a larger buffer than the system's limit, for those who may
LARGEST_DATAGRAM_BYTES = 65_535
"""Largest payload a UDP datagram can announce (RFC 768: a length of 16 bits)."""
Interfaces = Callable[[], Iterable[tuple[int, str]]]


def is_group(host: str) -> bool:
    """Return whether an address is that of a multicast group (224.0.0.0 to 239.255.255.255)."""
    try:
        return ipaddress.ip_address(host).is_multicast
    except ValueError:
        return False


def take_port(receiver: Any, host: str, port: int, *, system: SystemName | None = None) -> None:
    """Bind a UDP socket: a group's port beside other listeners, any other port alone.

    Args:
        receiver: The socket.
        host: "" for every interface, an address of this computer, or that of a group.
        port: The port.
        system: Which system; this one by default.

    Raises:
        OSError: The port is taken, or the address is not this computer's.
    """
    system = system or system_name()
    if is_group(host):
        # Groups are made for many listeners; on a plain port a second listener would take our datagrams.
        receiver.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if system == "macos":  # which wants this one for several listeners
            receiver.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_REUSEPORT", 0x0200), 1)
    elif system == "windows":
        # SO_EXCLUSIVEADDRUSE is the complement of SO_REUSEADDR (Windows Sockets)
        receiver.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_EXCLUSIVEADDRUSE", ~socket.SO_REUSEADDR), 1)
    receiver.bind(("" if is_group(host) else host, port))


def widen_buffer(receiver: Any, size_bytes: int, *, system: SystemName | None = None) -> None:
    """Ask for a buffer of so many bytes, and on Linux for a count of what it had no room for."""
    with suppress(OSError):
        receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, size_bytes)
    if (system or system_name()) == "linux":
        with suppress(OSError):
            receiver.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, size_bytes)
        with suppress(OSError):
            receiver.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)


def receive(receiver: Any, *, system: SystemName | None = None) -> tuple[bytes, tuple[str, int], int | None]:
    """Take one datagram.

    Returns:
        Its bytes, its sender, and how many datagrams the system has dropped since the socket was opened, modulo 2³²;
        None where it does not say.

    Raises:
        BlockingIOError: None waits.
        OSError: The network is gone.
    """
    if (system or system_name()) != "linux":
        data, sender = receiver.recvfrom(LARGEST_DATAGRAM_BYTES)
        return data, sender, None
    data, extras, _, sender = receiver.recvmsg(LARGEST_DATAGRAM_BYTES, 64)
    for level, kind, content in extras:
        if level == socket.SOL_SOCKET and kind == _SO_RXQ_OVFL:
            return data, sender, int.from_bytes(content[:4], sys.byteorder)
    return data, sender, None


def counts_drops(*, system: SystemName | None = None) -> bool:
    """Return whether the system counts the datagrams it had no room for, so that none is lost unseen."""
    return (system or system_name()) == "linux"


def dropped_so_far(receiver: Any, *, system: SystemName | None = None) -> int | None:
    """Return how many datagrams the system has dropped since a socket was opened, modulo 2³²; None if unknown."""
    if not counts_drops(system=system):
        return None
    with suppress(OSError, struct.error, IndexError):
        sizes = receiver.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 4 * _MEMINFO_VALUES)
        return int(struct.unpack(f"={len(sizes) // 4}I", sizes)[_MEMINFO_DROPS])
    return None


def join_group(
    receiver: Any,
    group: str,
    joined: frozenset[int] = frozenset(),
    *,
    system: SystemName | None = None,
    interfaces: Interfaces = socket.if_nameindex,
) -> frozenset[int]:
    """Join a multicast group on every interface of this computer; on which it is sent is seldom known.

    Interfaces come and go with cables and wireless networks: call again from time to time.

    Args:
        receiver: The socket.
        group: Address of the group.
        joined: Numbers of the interfaces it has been joined on.
        system: Which system; this one by default.
        interfaces: Returns number and name of each.

    Returns:
        Numbers of the interfaces it is joined on now; an interface without an address cannot join.

    Raises:
        OSError: It was joined nowhere, not even where the system thinks best.
    """
    system = system or system_name()
    found: frozenset[int] = frozenset()
    present: set[int] = set()
    with suppress(OSError):
        present = {number for number, _ in interfaces()}
    for number in sorted(present):
        if number in joined:
            found |= {number}
            continue
        with suppress(OSError):
            receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, _membership(group, number, system))
            found |= {number}
    if not found and not joined:
        plain = struct.pack("4s4s", socket.inet_aton(group), socket.inet_aton("0.0.0.0"))
        receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, plain)
    return found


def _membership(group: str, interface: int, system: SystemName) -> bytes:
    """Return ``ip_mreqn`` of Linux and macOS (ip(7)), or ``ip_mreq`` of Windows with the interface as 0.0.0.number."""
    if system == "windows":
        return struct.pack("!4sI", socket.inet_aton(group), interface)
    return struct.pack("4s4si", socket.inet_aton(group), socket.inet_aton("0.0.0.0"), interface)


def hears_broadcasts(host: str, *, system: SystemName | None = None) -> bool:
    """Return whether a socket bound to `host` gets what is sent to all.

    Bound to one of its own addresses it does on Windows; on Linux and macOS it gets only what is sent to that address.
    """
    return host in ("", "0.0.0.0") or is_group(host) or (system or system_name()) == "windows"


def is_loopback(host: str) -> bool:
    """Return whether an address is that of this computer within itself."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def firewall_remedy(port: int, *, system: SystemName | None = None) -> str:
    """Return what to do where a firewall of this computer may hold back what is sent to a UDP port."""
    system = system or system_name()
    if system == "windows":
        return (
            f"The Windows firewall may hold UDP port {port} back; in a command prompt opened as administrator, netsh "
            f'advfirewall firewall add rule name="UDP {port}" dir=in action=allow protocol=UDP localport={port} lets '
            "it in."
        )
    if system == "macos":
        return (
            f"The macOS firewall may hold UDP port {port} back: in System Settings, Network, Firewall, Options, let "
            "Python accept incoming connections."
        )
    return (
        f"A firewall of this computer may hold UDP port {port} back: allow it with 'sudo ufw allow {port}/udp', or "
        f"'sudo firewall-cmd --add-port={port}/udp'."
    )


def firewall_hint(port: int, *, system: SystemName | None = None) -> str:
    """Return the same in a few words, for the screen of a recording."""
    names = {"windows": "the Windows firewall", "macos": "the macOS firewall", "linux": "this computer's firewall"}
    return f"check that {names[system or system_name()]} lets UDP port {port} in (preflight says how)"


# ------------------------------------------------------------------------------
# Serving a page: a port taken alone, and the addresses by which other devices reach this computer.
# ------------------------------------------------------------------------------

_SIOCGIFADDR = {"linux": 0x8915, "macos": 0xC0206921}
"""Asks for the address of an interface (netdevice(7) of Linux; ``sys/sockio.h`` of macOS, from memory)."""
_BACKLOG = 128
_ASKED = ("192.168.0.1", "10.0.0.1", "172.16.0.1", "192.0.2.1")
"""Which own address would be used to reach these: private networks (RFC 1918) and the rest (RFC 5737). Connecting a
UDP socket sends nothing."""


def listen_on(
    host: str,
    port: int,
    *,
    system: SystemName | None = None,
    make: Callable[[], Any] = lambda: socket.socket(socket.AF_INET, socket.SOCK_STREAM),
) -> Any:
    """Return a TCP socket that listens on a port, taken alone.

    Args:
        host: "127.0.0.1" for this computer alone, "0.0.0.0" for every network.
        port: 0 for any that is free.
        system: Which system; this one by default.
        make: Makes the socket.

    Raises:
        OSError: The port is taken.
    """
    listener = make()
    try:
        if (system or system_name()) == "windows":
            # there SO_REUSEADDR would let another program take what comes here (Windows Sockets)
            listener.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_EXCLUSIVEADDRUSE", ~socket.SO_REUSEADDR), 1)
        else:
            # else a port that was in use a minute ago is refused
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(_BACKLOG)
        listener.setblocking(False)
    except BaseException:
        listener.close()
        raise
    return listener


def listen_on_first(host: str, ports: Iterable[int]) -> Any:
    """Return a TCP socket that listens on the first of some ports that is free.

    Raises:
        OSError: All are taken.
    """
    fault = OSError("no port to listen on")
    for port in ports:
        try:
            return listen_on(host, port)
        except OSError as found:
            fault = found
    raise fault


def own_addresses(
    *, system: SystemName | None = None, interfaces: Interfaces = socket.if_nameindex, calls: Any = None
) -> tuple[str, ...]:
    """Return the IPv4 addresses of this computer on its networks, without those within itself, sorted.

    Args:
        system: Which system; this one by default.
        interfaces: Returns number and name of each.
        calls: The module ``fcntl``.
    """
    system = system or system_name()
    found = set()
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
        if system == "windows":  # which knows them by its own name; elsewhere that may ask a name server
            found |= {str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
        else:
            calls = calls or import_module("fcntl")
            for _, name in interfaces():
                with suppress(OSError):
                    request = struct.pack("256s", name[:15].encode())
                    answer = calls.ioctl(asker.fileno(), _SIOCGIFADDR[system], request)
                    found.add(socket.inet_ntoa(answer[20:24]))
        for other in _ASKED:
            with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.connect((other, 9))
                found.add(str(probe.getsockname()[0]))
    return tuple(sorted(a for a in found if not is_loopback(a) and a != "0.0.0.0"))
