"""Sources of bytes that are listened to: serial ports, network, CAN bus; and what all of them have in common.

Serial ports: found again by what they are and not by their name, read in bulk, never written to.

Network sources: UDP (to one, to all, to a group) and TCP to a gateway; nothing is ever sent.

CAN buses by python-can: received only, silent where the adapter can, kept as candump text lines.
"""

from __future__ import annotations

import errno
import os
import select
import socket
from collections.abc import Callable, Iterable
from contextlib import suppress
from threading import Lock
from typing import Any, Literal, NamedTuple, Protocol

import serial
from serial.tools import list_ports

from trialcapture.acquire.computer import Clock
from trialcapture.decode.nmea0183.stream import line_quality, split_stream
from trialcapture.system.operating_system import denied, hold_alone, is_present, port_errors, port_name
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

Trouble = Literal["absent", "busy", "denied", "refused", "lost", "silent", "unusable"]


class Chunk(NamedTuple):
    """Bytes that came in one go.

    Attributes:
        data: The bytes.
        sender: Who sent them, where one source hears several; a line never spans two senders.
        source: Id to journal them under, when it is not the source's own (a replay speaks for many).
        mono_ns: Session time of receipt [ns], when it is not now (a replay keeps the old stamps).
        wall_ns: Wall clock at receipt [ns since 1970 UTC], likewise.
    """

    data: bytes
    sender: str = ""
    source: str = ""
    mono_ns: int | None = None
    wall_ns: int | None = None


class SourceError(Exception):
    """A source cannot be opened or has gone; it will be tried again.

    Args:
        trouble: The kind of it.
        what: One sentence on what is wrong.
        remedy: One sentence on what to do.
    """

    def __init__(self, trouble: Trouble, what: str, remedy: str) -> None:
        super().__init__(f"{what} {remedy}")
        self.trouble = trouble
        self.what = what
        self.remedy = remedy


class Source(Protocol):
    """One input, which only listens.

    `open` takes the device, `read` waits up to `timeout_s` and gives what has come since (nothing is no error),
    `close` may be called at any time and twice. Any trouble is a `SourceError`; after it the source is closed
    and may be opened again. Sources are used by one thread. A source may say ``can_wait = True``: what is not read now
    stays at its sender, or the system counts what it drops.
    """

    @property
    def id(self) -> str:
        """Id from the settings."""

    @property
    def stream(self) -> str:
        """Raw file it is kept in: ``nmea.log``, ``can.log`` or ``engine/<name>``."""

    @property
    def where(self) -> str:
        """Port or address, for people."""

    def open(self) -> None:
        """Take the device."""

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for bytes."""

    def close(self) -> None:
        """Let the device go."""


Say = Callable[..., None]
"""``say(kind, text, **details)``: how a source reports what is no trouble but belongs in the record."""


def say_nothing(kind: str, text: str, **details: object) -> None:
    """Ignore a remark."""


# ------------------------------------------------------------------------------
# Finding the speed of a serial line by listening only.
# ------------------------------------------------------------------------------

RATES_BAUD = (4800, 38400, 9600, 115200)
"""Tried in turn, likeliest first: NMEA 0183, its high-speed variant, then what gateways use (common practice)."""
ENOUGH_SENTENCES = 2
"""Intact sentences that settle it: one in 256 damaged ones passes its checksum, one in 65 536 does it twice."""
STAY_S = 2.2
"""How long to listen at one speed: two sentences of a 1 Hz instrument."""


class BaudProbe:
    """Goes round the usual speeds until two intact sentences have been heard at one of them."""

    def __init__(self, now_s: float) -> None:
        """Begin at the likeliest speed.

        Args:
            now_s: Monotonic time [s].
        """
        self._turn = 0
        self._since_s = now_s
        self._rest = b""
        self._intact = 0
        self._found = False

    @property
    def baud(self) -> int:
        """The speed to listen at now."""
        return RATES_BAUD[self._turn % len(RATES_BAUD)]

    def has_found(self) -> bool:
        """Return True once `baud` is settled."""
        return self._found

    def feed(self, data: bytes, now_s: float) -> int:
        """Take in what was heard and return the speed to listen at next.

        Args:
            data: Bytes received at `baud` since the last call; may be empty.
            now_s: Monotonic time [s].
        """
        if self._found:
            return self.baud
        pieces, self._rest = split_stream(self._rest + data)
        self._intact += sum(line_quality(piece) in ("good", "unread") for piece in pieces)
        if self._intact >= ENOUGH_SENTENCES:
            self._found = True
        elif now_s - self._since_s >= STAY_S:
            self._turn += 1
            self._since_s, self._rest, self._intact = now_s, b"", 0
        return self.baud


PORT_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, *port_errors())
"""One unplugging shows as any of these, depending on the call that meets it first."""
OPEN_ERRORS: tuple[type[Exception], ...] = (*PORT_ERRORS, ValueError)
_ONE_AT_A_TIME = Lock()
"""Windows refuses to open a port while another thread lists or opens ports."""


class PortIdentity(NamedTuple):
    """What an adapter is, whatever the system calls it today."""

    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None


class PortInfo(NamedTuple):
    """A port the computer has."""

    device: str
    identity: PortIdentity
    description: str


def ports_present() -> list[PortInfo]:
    """Return the serial ports of this computer; an empty list when they cannot be told."""
    with _ONE_AT_A_TIME:
        try:
            found = list(list_ports.comports())
        except PORT_ERRORS:
            return []
    return [
        PortInfo(p.device, PortIdentity(p.vid, p.pid, p.serial_number, p.location), p.description or "") for p in found
    ]


def find_port(identity: PortIdentity, present: Iterable[PortInfo]) -> str | None:
    """Return the name an adapter has now, or None.

    With a serial number that decides; without one only the same socket will do, since such adapters are twins.
    """
    if identity.vid is None:
        return None
    for port in present:
        if port.identity[:2] != identity[:2]:
            continue
        if identity.serial_number is not None:
            if port.identity.serial_number == identity.serial_number:
                return port.device
        elif port.identity.location == identity.location:
            return port.device
    return None


class SerialPort:
    """A serial source.

    Args:
        source_id: Id from the settings.
        port: Device name (``COM7``, ``/dev/ttyUSB0``), best a name that follows the adapter, such as those
            in ``/dev/serial/by-id``.
        baud: Line speed; None listens at the usual ones in turn until sentences are heard.
        clock: For the turns of the probe.
        say: Told what belongs in the record.
        list_present: Lists the ports, replaceable in tests.
    """

    stream = "nmea.log"
    can_wait = False

    def __init__(
        self,
        source_id: str,
        port: str,
        baud: int | None,
        clock: Clock,
        *,
        say: Say = say_nothing,
        list_present: Callable[[], list[PortInfo]] = ports_present,
    ) -> None:
        self.id = source_id
        self.where = port_name(port)
        self.baud = baud
        self._clock = clock
        self._say = say
        self._list_present = list_present
        self._identity: PortIdentity | None = None
        self._device: Any = None
        self._probe: BaudProbe | None = None

    def open(self) -> None:
        """Take the port for ourselves alone."""
        self.close()
        name = self._present_name()
        if self.baud is None and (self._probe is None or not self._probe.has_found()):
            self._probe = BaudProbe(self._now_s())
        baud = self.baud or (self._probe.baud if self._probe else 4800)
        try:
            with _ONE_AT_A_TIME:
                self._device = serial.Serial(name, baud, timeout=0.5, exclusive=True)
                hold_alone(self._device)
        except OPEN_ERRORS as fault:
            self.close()
            raise open_trouble(name, fault) from fault
        self._learn_identity(name)

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for the first byte, then take all there is: the stamp is the first byte's."""
        if self._device is None:
            raise SourceError("lost", f"{self.where} is not open.", "It is being opened again.")
        try:
            if self._device.timeout != timeout_s:
                self._device.timeout = timeout_s
            data: bytes = self._device.read(1)
            if data:
                data += self._device.read(self._device.in_waiting)
        except PORT_ERRORS as fault:
            self.close()
            raise SourceError(
                "lost", f"{self.where} is gone ({fault}).", "Check plug and cable; it is taken up again by itself."
            ) from fault
        self._follow_probe(data)
        return [Chunk(data)] if data else []

    def close(self) -> None:
        """Let the port go; a port that is gone may fail even in closing."""
        device, self._device = self._device, None
        if device is not None:
            with suppress(*PORT_ERRORS):
                device.close()

    def _now_s(self) -> float:
        return self._clock.mono_ns() / 1e9

    def _present_name(self) -> str:
        if self._identity is None:
            return self.where
        listed = self._list_present()
        if is_present(self.where, [port.device for port in listed]):
            return self.where
        moved = find_port(self._identity, listed)
        if moved is not None and moved != self.where:
            self._say("moved", f"{self.id}: the adapter of {self.where} is now {moved}", port=moved)
        return moved or self.where

    def _learn_identity(self, name: str) -> None:
        if self._identity is not None:
            return
        real = os.path.realpath(name)
        for port in self._list_present():
            if os.path.realpath(port.device) == real and port.identity.vid is not None:
                self._identity = port.identity
                self._say("adapter", f"{self.id}: {port.description}", **port.identity._asdict())

    def _follow_probe(self, data: bytes) -> None:
        probe = self._probe
        if probe is None or probe.has_found() or self.baud is not None or self._device is None:
            return
        before = probe.baud
        after = probe.feed(data, self._now_s())
        if probe.has_found():
            self._say("baud", f"{self.id}: sentences heard at {after} baud", baud=after)
        elif after != before:
            try:
                self._device.baudrate = after
            except PORT_ERRORS as fault:
                self.close()
                raise SourceError("lost", f"{self.where} is gone ({fault}).", "Check plug and cable.") from fault


def open_trouble(name: str, fault: Exception) -> SourceError:
    """Return what a failed opening means for the person at the dock."""
    number = getattr(fault, "errno", None)
    text = str(fault)
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text:
        return SourceError(
            "busy", f"Another program already uses {name}.", "Close it; the port is tried again by itself."
        )
    if number == errno.EACCES or "PermissionError" in text:
        is_taken, what, remedy = denied(name)
        return SourceError("busy" if is_taken else "denied", what, remedy)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return SourceError("absent", f"There is no {name}.", "Plug the adapter in, or correct the port's name.")
    return SourceError("unusable", f"{name} cannot be opened ({fault}).", "Check that this is a serial port.")


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


_FRAMES_AT_ONCE = 1000
"""Frames handed on at a time at most (our choice)."""
_CLOCK_EVERY_NS = 10_000_000_000
"""How often the adapter's clock is held against the computer's: drift stays below a millisecond (our choice)."""
_JUMP_S = 0.05
"""A change of adapter time against ours beyond this is a jump (common practice, no source)."""
_MARINE_BITRATE = 250_000
"""Bit rate of NMEA 2000 and of J1939 on its usual wiring [bit/s]."""

_SILENT_BY_INTERFACE: dict[str, dict[str, Any]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
"""How each interface of python-can is asked not even to acknowledge what others send."""
_HARMLESS = ("virtual", "udp_multicast", "socketcand")


def silent_options(interface: str) -> dict[str, Any]:
    """Return the python-can arguments that make an adapter silent; empty where it has no such mode."""
    return dict(_SILENT_BY_INTERFACE.get(interface, {}))


class CanBus:
    """A CAN source; no frame is ever sent.

    Args:
        source_id: Id from the settings; written where candump writes the channel.
        channel: Channel as python-can names it, such as ``can0``.
        interface: python-can interface; SocketCAN when not given.
        bitrate: Bit rate [bit/s]; 250 000 when not given.
        clock: For stamps.
        epoch_ns: What to add to the clock's monotonic time to get the stamp written [ns since 1970 UTC]: the
            session's start by the wall clock, so that stamps never step.
        say: Told about acknowledgement and about adapter time.
        open_bus: Opens the bus, replaceable in tests.
    """

    stream = "can.log"
    can_wait = False

    def __init__(
        self,
        source_id: str,
        channel: str,
        interface: str | None,
        bitrate: int | None,
        clock: Clock,
        epoch_ns: int,
        *,
        say: Say = say_nothing,
        open_bus: Callable[..., Any] | None = None,
    ) -> None:
        self.id = source_id
        self._interface = interface or "socketcan"
        self.where = f"{self._interface} {channel}"
        self._channel = channel
        self._bitrate = bitrate or _MARINE_BITRATE
        self._clock = clock
        self._epoch_ns = epoch_ns
        self._say = say
        self._open_bus = open_bus
        self._bus: Any = None
        self._next_clock_ns = 0
        self._offset_s: float | None = None

    def open(self) -> None:
        """Open the bus in silent mode where there is one."""
        self.close()
        can = _library()
        options = silent_options(self._interface)
        if options.get("state") == "PASSIVE":
            options["state"] = can.BusState.PASSIVE
        if self._interface not in ("socketcan", *_HARMLESS):
            options["bitrate"] = self._bitrate
        if not silent_options(self._interface) and self._interface not in _HARMLESS:
            self._say(
                "acknowledges",
                f"{self.id}: this adapter acknowledges frames unless it is set to listen only outside this program "
                "(SocketCAN: ip link set CHANNEL type can bitrate RATE listen-only on)",
            )
        try:
            self._bus = (self._open_bus or can.Bus)(
                interface=self._interface, channel=self._channel, receive_own_messages=False, **options
            )
        except (can.CanError, OSError, ValueError, TypeError, ImportError, NotImplementedError) as fault:
            self.close()
            raise SourceError(
                "absent",
                f"CAN {self.where} cannot be opened ({fault}).",
                "Check the adapter, its driver, and that the channel is up.",
            ) from fault

    def read(self, timeout_s: float) -> list[Chunk]:
        """Wait for frames and take all that wait, as candump lines."""
        if self._bus is None:
            raise SourceError("lost", f"CAN {self.where} is not open.", "It is being opened again.")
        can = _library()
        lines = []
        try:
            message = self._bus.recv(timeout_s)
            while message is not None:
                now_ns = self._clock.mono_ns()
                lines.append(candump_line(self._epoch_ns + now_ns, self.id, message))
                self._compare_clocks(message.timestamp, now_ns)
                if len(lines) >= _FRAMES_AT_ONCE:
                    break
                message = self._bus.recv(0)
        except (can.CanError, OSError, ValueError) as fault:
            self.close()
            raise SourceError(
                "lost", f"CAN {self.where} failed ({fault}).", "Check the adapter; it is taken up again by itself."
            ) from fault
        return [Chunk(b"".join(lines))] if lines else []

    def close(self) -> None:
        """Let the bus go."""
        bus, self._bus = self._bus, None
        if bus is not None:
            with suppress(Exception):  # python-can lets drivers' own exceptions through when hardware is gone
                bus.shutdown()

    def _compare_clocks(self, adapter_s: float, now_ns: int) -> None:
        """Keep the adapter's own time beside ours, so that its drift and jumps can be told afterwards."""
        if now_ns < self._next_clock_ns:
            return
        self._next_clock_ns = now_ns + _CLOCK_EVERY_NS
        offset_s = adapter_s - now_ns / 1e9
        jumped = self._offset_s is not None and abs(offset_s - self._offset_s) > _JUMP_S
        if self._offset_s is None or jumped:
            what = "adapter time jumped" if jumped else "adapter time"
            self._say("can_clock", f"{self.id}: {what}", adapter_s=adapter_s, jumped=jumped)
            self._offset_s = offset_s


def candump_line(stamp_ns: int, channel: str, message: Any) -> bytes:
    """Return a frame in the text form of ``candump -L``.

    Args:
        stamp_ns: Time to write [ns since 1970 UTC].
        channel: Channel to write.
        message: A `can.Message`.
    """
    stamp_us = stamp_ns // 1000
    if message.is_error_frame:
        name = f"{0x20000000 | message.arbitration_id:08X}"
    elif message.is_extended_id:
        name = f"{message.arbitration_id:08X}"
    else:
        name = f"{message.arbitration_id:03X}"
    if message.is_remote_frame:
        content = f"#R{message.dlc or ''}"
    elif message.is_fd:
        flags = (1 if message.bitrate_switch else 0) | (2 if message.error_state_indicator else 0)
        content = f"##{flags:X}{bytes(message.data).hex().upper()}"
    else:
        content = f"#{bytes(message.data).hex().upper()}"
    return f"({stamp_us // 1_000_000}.{stamp_us % 1_000_000:06d}) {channel} {name}{content}\n".encode()


def _library() -> Any:
    try:
        import can  # noqa: PLC0415  an optional extra
    except ImportError as fault:
        raise SourceError(
            "unusable", "CAN needs the python-can library.", "Install it: python -m pip install python-can"
        ) from fault
    return can
