"""Playing a simulated trial live, for practice: on a UDP port, a TCP port or a serial line, in real time or faster.

Only this computer is reached unless another address is given on purpose. Nothing here belongs on a boat's bus.
"""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.outlets import GrowingLog, Outlet, SerialOutlet, TcpOutlet, UdpOutlet
from trialcapture.rehearse.simulate import Trial

_ROWS = 4096


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
    trial: Trial,
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
    trial: Trial,
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
