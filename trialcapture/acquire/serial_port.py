"""Serial ports: found again by what they are and not by their name, read in bulk, never written to."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from threading import Lock
from typing import Any, NamedTuple

import serial
from serial.tools import list_ports

from trialcapture.acquire.computer import Clock
from trialcapture.acquire.source import Chunk, Say, SourceError, say_nothing
from trialcapture.decode.nmea0183.stream import line_quality, split_stream
from trialcapture.system.serial_names import denied, hold_alone, is_present, port_errors, port_name

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
