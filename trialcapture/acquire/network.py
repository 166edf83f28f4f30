"""Network sources: UDP (to one, to all, to a group) and TCP to a gateway; nothing is ever sent."""

from __future__ import annotations

import errno
import select
import socket
from contextlib import suppress

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing
from trialcapture.system.sockets import (
    counts_drops,
    dropped_so_far,
    firewall_hint,
    hears_broadcasts,
    is_group,
    is_loopback,
    join_group,
    receive,
    take_port,
    widen_buffer,
)

_RECEIVE_BUFFER_BYTES = 4 << 20
"""Asked of the system, so that a busy computer loses no datagram for a second or more (our choice)."""
_AT_ONCE = 512
"""Datagrams handed on at a time at most (our choice)."""
_JOIN_EVERY_S = 5.0
"""So often, while a group is silent, new interfaces are looked for (our choice)."""
SILENCE_S = 10.0
"""A TCP connection without data for so long is taken for dead and made anew (common practice, no source)."""


class UdpListener:
    """A UDP source.

    Args:
        source_id: Id from the settings.
        port: UDP port.
        host: None listens on every interface; an address of this computer hears what is sent to it (broadcasts too
            on Windows only, which is told); a group's address (224.0.0.0 to 239.255.255.255) joins the group on
            every interface.
        say: Told when the system dropped datagrams, and of broadcasts that are not heard.

    Attributes:
        silence_hint: What to look at when nothing is heard at all.
    """

    stream = "nmea.log"
    can_wait = counts_drops()

    def __init__(self, source_id: str, port: int, host: str | None, *, say: Say = say_nothing) -> None:
        self.id = source_id
        self.where = f"udp {host or 'any'}:{port}"
        self.silence_hint = "" if is_loopback(host or "") else firewall_hint(port)
        self._port = port
        self._host = host or ""
        self._say = say
        self._socket: socket.socket | None = None
        self._dropped = self._counted = 0
        self._joined: frozenset[int] = frozenset()
        self._quiet_s = 0.0
        self._told_deaf = False

    def open(self) -> None:
        """Bind the port and join the group."""
        self.close()
        receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            widen_buffer(receiver, _RECEIVE_BUFFER_BYTES)
            take_port(receiver, self._host, self._port)
            if is_group(self._host):
                self._joined = join_group(receiver, self._host)
            receiver.setblocking(False)
        except OSError as fault:
            receiver.close()
            raise self._open_trouble(fault) from fault
        self._socket, self._dropped, self._counted, self._quiet_s = receiver, 0, 0, 0.0
        if not hears_broadcasts(self._host) and not is_loopback(self._host) and not self._told_deaf:
            self._told_deaf = True
            self._say(
                "no_broadcasts",
                f"{self.id}: host = {self._host!r} hears what is sent to this address and no broadcasts; leave host "
                "out to hear both",
                host=self._host,
            )

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for datagrams and take all that wait, each as its own chunk with its sender."""
        if self._socket is None:
            raise SourceError("lost", f"{self.where} is not open.", "It is being opened again.")
        chunks: list[Chunk] = []
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                self._join_new_interfaces(self._socket, timeout_s)
                return []
            self._quiet_s = 0.0
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
            dropped = dropped_so_far(receiver)  # after the last datagram that was read, too
            if dropped is not None:
                self._dropped = dropped
                self._tell_dropped()
            receiver.close()

    def _tell_dropped(self) -> None:
        lost = (self._dropped - self._counted) & 0xFFFFFFFF
        if lost:
            self._counted = self._dropped
            self._say("overflow", f"{self.id}: the system dropped {lost} datagrams", datagrams=lost)

    def _join_new_interfaces(self, receiver: socket.socket, waited_s: float) -> None:
        """Join the group on networks that were plugged in or joined since; called when nothing was heard."""
        self._quiet_s += waited_s
        if is_group(self._host) and self._quiet_s >= _JOIN_EVERY_S:
            self._quiet_s = 0.0
            self._joined = join_group(receiver, self._host, self._joined)

    def _receive(self, receiver: socket.socket) -> tuple[bytes, tuple[str, int]]:
        data, sender, dropped = receive(receiver)
        if dropped is not None:
            self._dropped = dropped
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
