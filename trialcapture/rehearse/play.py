"""Playing a simulated trial live, for practice: on a UDP port, a TCP port or a serial line, in real time or faster.

Only this computer is reached unless another address is given on purpose. Nothing here belongs on a boat's bus.
"""

from __future__ import annotations

import ipaddress
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import serial

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.enginelog import WrittenLog
from trialcapture.rehearse.simulate import SimulatedTrial

# ------------------------------------------------------------------------------
# Where a simulated trial can be played to: datagrams, TCP listeners, a serial line, a growing engine log.
# ------------------------------------------------------------------------------


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


_ROWS = 4096
"""Rows of an engine log written at a time (our choice)."""


@dataclass(frozen=True, slots=True)
class Played:
    """What was played.

    Attributes:
        lines: Pieces sent, by outlet.
        engine_rows: Rows appended to engine logs.
        seconds: Time of the trial that was played [s].
    """

    lines: Mapping[str, int]
    engine_rows: int
    seconds: float


def play(
    trial: SimulatedTrial,
    *,
    udp: tuple[str, int] | None = None,
    tcp: int | tuple[str, int] | None = None,
    serial: str | None = None,
    baud: int = 38400,
    engine_folder: Path | None = None,
    speed: float = 1.0,
    routes: Mapping[str, str] | None = None,
    beyond_this_computer: bool = False,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    stop: Callable[[], bool] = lambda: False,
    progress: Callable[[float], None] = lambda _share: None,
) -> Played:
    """Send a trial's NMEA lines when they would have arrived, and let its engine logs grow.

    Args:
        trial: The trial.
        udp: Address to send datagrams to, one a line.
        tcp: Port to serve on, to any number of listeners; or address and port.
        serial: Serial port to write to.
        baud: Its rate.
        engine_folder: Folder in which engine logs grow row by row.
        speed: How many times faster than real time.
        routes: Source id to outlet (``udp``, ``tcp``, ``serial``). Without it one outlet gets everything; of
            several, GNSS sources of their own go to the first given of serial, tcp, udp, the rest to the last.
        beyond_this_computer: Allow addresses other than loopback.
        clock: Monotonic clock [s].
        sleep: Waits so many seconds.
        stop: Asked before each line; True ends the play.
        progress: Called with the share played.

    Raises:
        TrialCaptureError: No outlet is given, an address is not this computer's, or a port cannot be opened.
    """
    if speed <= 0.0:
        raise TrialCaptureError("time runs forward", seen=speed, where="speed", expected="a number above 0")
    tcp_at = ("127.0.0.1", tcp) if isinstance(tcp, int) else tcp
    for address in (udp, tcp_at):
        if address is not None and not beyond_this_computer:
            _refuse_other_computers(address[0])
    with ExitStack() as stack:
        outlets: dict[str, Outlet] = {}
        if serial is not None:
            outlets["serial"] = SerialOutlet(serial, baud)
        if tcp_at is not None:
            outlets["tcp"] = TcpOutlet(tcp_at)
        if udp is not None:
            outlets["udp"] = UdpOutlet(udp)
        for outlet in outlets.values():
            stack.callback(outlet.close)
        if not outlets:
            raise TrialCaptureError(
                "there is nowhere to play to", expected="give a UDP address, a TCP port or a serial port"
            )
        names = trial.lines["source"].combine_chunks().dictionary.to_pylist()
        route = dict(routes) if routes is not None else _usual_routes(names, list(outlets))
        _refuse_lost_routes(route, names, outlets)
        growing = [GrowingLog(log, engine_folder) for log in trial.engine_logs] if engine_folder else []
        return _run(trial, outlets, route, growing, speed, clock, sleep, stop, progress)


def _run(
    trial: SimulatedTrial,
    outlets: Mapping[str, Outlet],
    route: Mapping[str, str],
    growing: list[GrowingLog],
    speed: float,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    stop: Callable[[], bool],
    progress: Callable[[float], None],
) -> Played:
    sent = dict.fromkeys(outlets, 0)
    rows = 0
    now_s = 0.0
    began = clock()
    total = max(trial.lines.num_rows, 1)
    done = 0
    for batch in trial.lines.to_batches(max_chunksize=_ROWS):
        columns = (batch["t_s"].to_pylist(), batch["source"].to_pylist(), batch["bytes"].to_pylist())
        for t_s, source, data in zip(*columns, strict=True):
            if stop():
                return Played(sent, rows, now_s)
            ahead_s = t_s / speed - (clock() - began)
            if ahead_s > 0.0005:
                sleep(ahead_s)
            now_s = t_s
            rows += sum(log.grow(t_s) for log in growing)
            outlets[route[source]].send(data)
            sent[route[source]] += 1
        done += batch.num_rows
        progress(done / total)
    rows += sum(log.grow(float("inf")) for log in growing)
    return Played(sent, rows, now_s)


def _usual_routes(sources: list[str], outlets: list[str]) -> dict[str, str]:
    return {source: outlets[0] if source.startswith("gps") else outlets[-1] for source in sources}


def _refuse_lost_routes(route: Mapping[str, str], sources: list[str], outlets: Mapping[str, Outlet]) -> None:
    for source in sources:
        if route.get(source) not in outlets:
            raise TrialCaptureError(
                "a source has nowhere to go",
                seen=route.get(source),
                where=f"source {source}",
                expected=f"route it to one of {', '.join(outlets)}",
            )


def _refuse_other_computers(host: str) -> None:
    with suppress(ValueError):
        if ipaddress.ip_address(host).is_loopback:
            return
    if host == "localhost":
        return
    raise TrialCaptureError(
        "practice data stays on this computer",
        seen=host,
        expected="use 127.0.0.1, or allow other computers on purpose; never play into a boat's network",
    )
