"""Where a simulated trial can be played to: datagrams, TCP listeners, a serial line, a growing engine log."""

from __future__ import annotations

import socket
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.enginelog import WrittenLog


class Outlet(Protocol):
    """Something that takes bytes."""

    def send(self, data: bytes) -> None:
        """Send some bytes."""

    def close(self) -> None:
        """Let go of the port."""


class UdpOutlet:
    """Sends each piece as a datagram."""

    def __init__(self, address: tuple[str, int]) -> None:
        self._address = address
        self._socket = socket.socket(socket.AF_INET6 if ":" in address[0] else socket.AF_INET, socket.SOCK_DGRAM)

    def send(self, data: bytes) -> None:
        """Send a datagram; that nobody listens yet is no fault, as with a gateway."""
        with suppress(ConnectionError):
            self._socket.sendto(data, self._address)

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


class TcpOutlet:
    """Serves whoever connects; a listener that stops reading is dropped, as a gateway would."""

    def __init__(self, address: tuple[str, int]) -> None:
        try:
            self._server = socket.create_server(address)
        except OSError as fault:
            raise TrialCaptureError(
                "the TCP port cannot be opened", seen=fault.strerror or str(fault), where=f"{address[0]}:{address[1]}"
            ) from fault
        self._server.setblocking(False)
        self._clients: list[socket.socket] = []

    def send(self, data: bytes) -> None:
        """Send to every listener."""
        with suppress(BlockingIOError):
            client, _ = self._server.accept()
            client.settimeout(0.5)
            self._clients.append(client)
        for client in list(self._clients):
            try:
                client.sendall(data)
            except OSError:
                self._clients.remove(client)
                client.close()

    def close(self) -> None:
        """Close all connections and the port."""
        for client in self._clients:
            client.close()
        self._server.close()


class SerialOutlet:
    """Writes to a serial port."""

    def __init__(self, port: str, baud: int) -> None:
        import serial  # noqa: PLC0415  only needed for this outlet

        try:
            self._port = serial.Serial(port, baud, timeout=0, write_timeout=2.0)
        except (OSError, ValueError) as fault:
            raise TrialCaptureError("the serial port cannot be opened", seen=str(fault), where=port) from fault

    def send(self, data: bytes) -> None:
        """Write some bytes.

        Raises:
            TrialCaptureError: The port is gone, or nobody reads at the other end.
        """
        try:
            self._port.write(data)
        except OSError as fault:  # pyserial's own exceptions are of this kind
            raise TrialCaptureError(
                "the serial port does not take any more",
                seen=str(fault),
                expected="check that something reads at the other end",
            ) from fault

    def close(self) -> None:
        """Close the port."""
        self._port.close()


class GrowingLog:
    """An engine log that grows as a logger writes it: headings at once, then a row when it is due."""

    def __init__(self, log: WrittenLog, folder: Path) -> None:
        lines = log.data.splitlines(keepends=True)
        rows = len(log.sample_s)
        self._due_s = log.sample_s.tolist()
        self._rows = lines[len(lines) - rows :]
        self._next = 0
        self._path = folder / log.file
        folder.mkdir(parents=True, exist_ok=True)
        self._path.write_bytes(b"".join(lines[: len(lines) - rows]))

    def grow(self, t_s: float) -> int:
        """Append the rows due by `t_s` since the start [s]; return how many there were."""
        first = self._next
        while self._next < len(self._due_s) and self._due_s[self._next] <= t_s:
            self._next += 1
        if self._next > first:
            with self._path.open("ab") as file:
                file.write(b"".join(self._rows[first : self._next]))
        return self._next - first
