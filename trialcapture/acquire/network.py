"""Network sources: UDP (to one, to all, to a group) and TCP to a gateway; nothing is ever sent."""

from __future__ import annotations

import errno
import ipaddress
import select
import socket
import struct
import sys
from contextlib import suppress

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing

_RECEIVE_BUFFER_BYTES = 4 << 20
"""Asked of the system, so that a busy computer loses no datagram for a second or more (our choice)."""
_AT_ONCE = 512
"""Datagrams handed on at a time at most (our choice)."""
_LARGEST_DATAGRAM = 65_535
"""Largest payload a UDP datagram can announce (RFC 768: a length of 16 bits)."""
_SO_RXQ_OVFL = 40  # Linux: the kernel counts the datagrams it had no room for
_SO_MEMINFO, _MEMINFO_VALUES, _MEMINFO_DROPS = 55, 9, 8  # Linux: the same count, asked for
_SO_RCVBUFFORCE = 33  # Linux: a larger buffer than the system's limit, for those who may
SILENCE_S = 10.0
"""A TCP connection without data for so long is taken for dead and made anew (common practice, no source)."""


class UdpListener:
    """A UDP source.

    Args:
        source_id: Id from the settings.
        port: UDP port.
        host: None listens on every interface; an interface's address on that one; a group's address
            (224.0.0.0 to 239.255.255.255) joins the group.
        say: Told when the system dropped datagrams.
    """

    stream = "nmea.log"
    can_wait = sys.platform == "linux"

    def __init__(self, source_id: str, port: int, host: str | None, *, say: Say = say_nothing) -> None:
        self.id = source_id
        self.where = f"udp {host or 'any'}:{port}"
        self._port = port
        self._host = host or ""
        self._say = say
        self._socket: socket.socket | None = None
        self._dropped = self._counted = 0

    def open(self) -> None:
        """Bind the port and join the group."""
        self.close()
        receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._set_options(receiver)
            group = _is_group(self._host)
            receiver.bind(("" if group else self._host, self._port))
            if group:
                member = struct.pack("4s4s", socket.inet_aton(self._host), socket.inet_aton("0.0.0.0"))
                receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
            receiver.setblocking(False)
        except OSError as fault:
            receiver.close()
            raise self._open_trouble(fault) from fault
        self._socket, self._dropped, self._counted = receiver, 0, 0

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for datagrams and take all that wait, each as its own chunk with its sender."""
        if self._socket is None:
            raise SourceError("lost", f"{self.where} is not open.", "It is being opened again.")
        chunks: list[Chunk] = []
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return []
            while len(chunks) < _AT_ONCE:
                data, sender = self._receive(self._socket)
                if data:
                    chunks.append(Chunk(data, f"{sender[0]}:{sender[1]}"))
        except BlockingIOError:
            pass
        except (OSError, ValueError) as fault:
            self.close()
            raise SourceError("lost", f"{self.where} failed ({fault}).", "Check the network.") from fault
        self._tell_dropped()
        return chunks

    def close(self) -> None:
        """Let the port go."""
        receiver, self._socket = self._socket, None
        if receiver is not None:
            if sys.platform == "linux":  # what was dropped after the last datagram that was read
                with suppress(OSError, struct.error):
                    sizes = receiver.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 4 * _MEMINFO_VALUES)
                    self._dropped = struct.unpack(f"={len(sizes) // 4}I", sizes)[_MEMINFO_DROPS]
                    self._tell_dropped()
            receiver.close()

    def _tell_dropped(self) -> None:
        lost = (self._dropped - self._counted) & 0xFFFFFFFF
        if lost:
            self._counted = self._dropped
            self._say("overflow", f"{self.id}: the system dropped {lost} datagrams", datagrams=lost)

    def _set_options(self, receiver: socket.socket) -> None:
        if _is_group(self._host):
            # Groups are made for many listeners; on a plain port a second listener would take our datagrams.
            receiver.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        elif sys.platform == "win32":
            receiver.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        with suppress(OSError):
            receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
        if sys.platform == "linux":
            with suppress(OSError):
                receiver.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, _RECEIVE_BUFFER_BYTES)
            with suppress(OSError):
                receiver.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)

    def _receive(self, receiver: socket.socket) -> tuple[bytes, tuple[str, int]]:
        if sys.platform != "linux":
            data, sender = receiver.recvfrom(_LARGEST_DATAGRAM)
            return data, sender
        data, extras, _, sender = receiver.recvmsg(_LARGEST_DATAGRAM, 64)
        for level, kind, content in extras:
            if level == socket.SOL_SOCKET and kind == _SO_RXQ_OVFL:
                self._dropped = int.from_bytes(content[:4], sys.byteorder)
        return data, sender

    def _open_trouble(self, fault: OSError) -> SourceError:
        if fault.errno == errno.EADDRINUSE or getattr(fault, "winerror", 0) in (10013, 10048):
            return SourceError(
                "busy",
                f"Another program already listens on UDP port {self._port}.",
                "Close it, or let the gateway send to another port as well.",
            )
        if fault.errno == errno.EADDRNOTAVAIL:
            return SourceError(
                "absent",
                f"This computer has no address {self._host} now.",
                "Join the boat's network, or leave host out to listen on every interface.",
            )
        return SourceError("unusable", f"{self.where} cannot be opened ({fault}).", "Check host and port.")


class TcpClient:
    """A TCP connection to a gateway.

    Args:
        source_id: Id from the settings.
        host: Name or address of the gateway.
        port: Its port.
        clock: To notice silence.
        connect_s: How long to wait for the gateway to answer [s].
    """

    stream = "nmea.log"
    can_wait = True

    def __init__(self, source_id: str, host: str, port: int, clock: Clock, *, connect_s: float = 3.0) -> None:
        self.id = source_id
        self.where = f"tcp {host}:{port}"
        self._address = (host, port)
        self._clock = clock
        self._connect_s = connect_s
        self._socket: socket.socket | None = None
        self._heard_ns = 0

    def open(self) -> None:
        """Connect; there is never a second connection beside a live one."""
        self.close()
        try:
            link = socket.create_connection(self._address, timeout=self._connect_s)
        except OSError as fault:
            raise self._open_trouble(fault) from fault
        with suppress(OSError):
            link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        link.setblocking(False)
        self._socket, self._heard_ns = link, self._clock.mono_ns()

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for bytes and take what has come."""
        if self._socket is None:
            raise SourceError("lost", f"{self.where} is not connected.", "It is being connected again.")
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                self._check_silence()
                return []
            data = self._socket.recv(1 << 16)
        except BlockingIOError:
            return []
        except (OSError, ValueError) as fault:
            self.close()
            raise SourceError(
                "lost", f"{self.where} broke off ({fault}).", "Check the gateway and its network; it is tried again."
            ) from fault
        if not data:
            self.close()
            raise SourceError(
                "lost", f"{self.where}: the gateway hung up.", "It is tried again; check the gateway's client limit."
            )
        self._heard_ns = self._clock.mono_ns()
        return [Chunk(data)]

    def close(self) -> None:
        """Hang up."""
        link, self._socket = self._socket, None
        if link is not None:
            link.close()

    def _check_silence(self) -> None:
        silent_s = (self._clock.mono_ns() - self._heard_ns) / 1e9
        if silent_s >= SILENCE_S:
            self.close()
            raise SourceError(
                "silent",
                f"{self.where}: nothing for {silent_s:.0f} s, connecting anew.",
                "Check that the gateway is on and has data.",
            )

    def _open_trouble(self, fault: OSError) -> SourceError:
        if isinstance(fault, ConnectionRefusedError):
            return SourceError(
                "refused",
                f"{self.where} refuses the connection.",
                "Is another program connected to it? Many gateways serve one at a time.",
            )
        if isinstance(fault, socket.gaierror):
            return SourceError("absent", f"{self.where}: the name is not known.", "Give the gateway's address.")
        return SourceError(
            "absent", f"{self.where} does not answer ({fault}).", "Join the boat's network and check the address."
        )


def _is_group(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_multicast
    except ValueError:
        return False
