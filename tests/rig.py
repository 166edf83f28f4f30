"""What tests of the recorder are put together from: clocks, lines, far ends, a recorder in a thread."""

from __future__ import annotations

import os
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from trialcapture.acquire.computer import Clock
from trialcapture.decode.nmea0183.stream import xor_checksum


@dataclass
class FakeClocks:
    """Clocks that stand still until told."""

    mono: int = 1_000_000_000_000
    awake: int = 500_000_000_000
    wall: int = 1_790_000_000_000_000_000
    slept: list[float] = field(default_factory=list)

    def clock(self) -> Clock:
        return Clock(lambda: self.mono, lambda: self.awake, lambda: self.wall, self.sleep)

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.run(seconds)

    def run(self, seconds: float) -> None:
        step = round(seconds * 1e9)
        self.mono += step
        self.awake += step
        self.wall += step


class PacedClock:
    """Clocks that run `speed` times as fast as time, but never far in one go.

    On a busy machine every thread is held up at times. Real clocks go on meanwhile, and at forty times the speed of
    time a delay of 50 ms looks like one of 2 s. These advance by at most `STEP_S` of real time at once, so a delay
    that meets all threads of the test alike is none by these clocks.
    """

    STEP_S = 0.002

    def __init__(self, speed: float, wall_ns: int) -> None:
        self._speed, self._wall_ns = speed, wall_ns
        self._elapsed_ns = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> PacedClock:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        before = time.monotonic()
        while not self._stop.is_set():
            time.sleep(self.STEP_S / 4)
            now = time.monotonic()
            self._elapsed_ns += round(min(now - before, self.STEP_S) * self._speed * 1e9)
            before = now

    def seconds(self) -> float:
        return self._elapsed_ns / 1e9

    def sleep(self, seconds: float) -> None:
        until_ns = self._elapsed_ns + round(seconds * 1e9)
        while self._elapsed_ns < until_ns and not self._stop.is_set():
            time.sleep(self.STEP_S / 4)

    def clock(self) -> Clock:
        def mono_ns() -> int:
            return 1_000_000_000_000 + self._elapsed_ns

        return Clock(mono_ns, mono_ns, lambda: self._wall_ns + self._elapsed_ns, self.sleep)


def sentence(body: str, end: bytes = b"\r\n") -> bytes:
    """Return ``$body*hh`` with its right checksum."""
    return b"$%s*%02X%s" % (body.encode(), xor_checksum(body.encode()), end)


def numbered(number: int, talker: str = "GP") -> bytes:
    """Return a heading sentence that says its number, so that lost and doubled ones are found."""
    return sentence(f"{talker}HDT,{number % 3600 / 10:.1f},T,{number}")


class Pty:
    """A pseudo-terminal pair: what is written here is read by whoever opens `name`."""

    def __init__(self, link: Path | None = None) -> None:
        import tty  # noqa: PLC0415  POSIX only

        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self._slave)
        if link is not None:
            if link.is_symlink():
                link.unlink()
            link.symlink_to(self.name)
            self.name = str(link)

    def send(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                time.sleep(0.001)

    def received(self) -> bytes:
        """Return what the other side has written to us: nothing, if it only listens."""
        try:
            return os.read(self.master, 4096)
        except (BlockingIOError, OSError):
            return b""

    def unplug(self) -> None:
        os.close(self._slave)
        os.close(self.master)


posix_only = sys.platform == "win32"


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def journal_parts(*folders: Path) -> list[Path]:
    """Return the journal's parts in order: ``nmea.log``, ``nmea-02.log`` …, in any of the folders."""
    found = {path.name: path for folder in folders for path in (folder / "raw").glob("nmea*.log")}
    return [found[name] for name in sorted(found, key=lambda name: (name != "nmea.log", name))]


def send_udp(port: int, *datagrams: bytes, host: str = "127.0.0.1") -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for datagram in datagrams:
            sender.sendto(datagram, (host, port))


class SteadySender:
    """Sends numbered lines by UDP to this computer at an even rate, in a thread of its own, until it is ended."""

    def __init__(self, port: int, lines_per_s: float, line: Callable[[int], bytes] = numbered) -> None:
        self.sent = 0
        self._port, self._lines_per_s, self._line = port, lines_per_s, line
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def end(self) -> int:
        """Send no more, and return how many lines were sent."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        return self.sent

    def _send(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            next_s = time.monotonic()
            while not self._stop.is_set():
                out.sendto(self._line(self.sent), ("127.0.0.1", self._port))
                self.sent += 1
                next_s += 1 / self._lines_per_s
                time.sleep(max(0.0, next_s - time.monotonic()))


def wait_for(what: Callable[[], Any], timeout_s: float = 120.0) -> Any:
    """Return what a condition gives once it is true; fail when it never is, however busy the machine."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if found := what():
            return found
        time.sleep(0.01)
    raise AssertionError("waited in vain")


@dataclass
class Run:
    """A recorder at work in a thread."""

    stop: threading.Event
    thread: threading.Thread
    result: list[Any]
    folder: Path

    def journal(self) -> bytes:
        return b"".join(path.read_bytes() for path in journal_parts(self.folder))

    def notes(self) -> list[dict[str, Any]]:
        import json  # noqa: PLC0415

        path = self.folder / "raw" / "notes.jsonl"
        if not path.exists():
            return []
        whole = path.read_bytes().rpartition(b"\n")[0]
        return [json.loads(line) for line in whole.splitlines()]

    def noted(self, kind: str) -> list[dict[str, Any]]:
        return [note for note in self.notes() if note["kind"] == kind]

    def end(self) -> Any:
        self.stop.set()
        self.thread.join(20)
        assert not self.thread.is_alive()
        if isinstance(self.result[0], BaseException):
            raise self.result[0]
        return self.result[0]


@contextmanager
def recording(folder: Path, config_text: str, **options: Any) -> Iterator[Run]:
    """Run `record` in a thread until the block ends."""
    from io import StringIO  # noqa: PLC0415

    from rich.console import Console  # noqa: PLC0415

    from trialcapture.acquire.recorder import record  # noqa: PLC0415
    from trialcapture.config import load_config  # noqa: PLC0415

    stop = threading.Event()
    result: list[Any] = []
    console = options.setdefault("console", Console(file=StringIO(), width=200))
    wanted = config_text.count("[[source]]") + len(options.get("engine_logs", ()))

    def work() -> None:
        try:
            result.append(record(load_config(config_text), folder, stop=stop, config_text=config_text, **options))
        except BaseException as fault:  # noqa: BLE001  handed to the test's own thread
            result.append(fault)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    run = Run(stop, thread, result, folder)

    def sources_told() -> bool:
        printed = console.file.getvalue()
        told = printed.count(": listening on ") + len(set(re.findall(r"!! (\S+): .* Recording of other", printed)))
        return bool(result) or told >= wanted

    wait_for(sources_told)
    try:
        yield run
    finally:
        stop.set()
        thread.join(20)
