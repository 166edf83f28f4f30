"""Every source keeps the same promises: bytes exact and in order, silence no error, loss told, nothing ever sent."""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import can
import pytest

from tests import rig
from trialcapture.acquire.computer import system_clock
from trialcapture.acquire.growing_file import GrowingFile, Replay
from trialcapture.acquire.source import CanBus, SerialPort, Source, SourceError, TcpClient, UdpListener
from trialcapture.archive.journal import encode_line

LINES = [rig.numbered(number) for number in range(40)]


@dataclass
class FarEnd:
    """A source and what is at the other end of it."""

    source: Source
    send: Callable[[bytes], None]
    heard: Callable[[], bytes]
    vanish: Callable[[], None] | None = None
    expected: Callable[[list[bytes]], bytes] = b"".join


def serial_end(tmp_path: Path) -> FarEnd:
    pty = rig.Pty(tmp_path / "adapter")
    return FarEnd(SerialPort("s", pty.name, 38400, system_clock()), pty.send, pty.received, pty.unplug)


def udp_end(tmp_path: Path) -> FarEnd:
    port = rig.free_port()
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.setblocking(False)
    sender.bind(("127.0.0.1", 0))
    return FarEnd(UdpListener("u", port, "127.0.0.1"), lambda data: _to(sender, port, data), lambda: _heard(sender))


def udp_any_end(tmp_path: Path) -> FarEnd:
    far = udp_end(tmp_path)
    port = int(far.source.where.rpartition(":")[2])
    return FarEnd(UdpListener("b", port, None), far.send, far.heard)


def udp_group_end(tmp_path: Path) -> FarEnd:
    port = rig.free_port()
    group = "239.255.77.7"
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    sender.setblocking(False)
    return FarEnd(UdpListener("g", port, group), lambda data: _to(sender, port, data, group), lambda: _heard(sender))


def tcp_end(tmp_path: Path) -> FarEnd:
    server = socket.create_server(("127.0.0.1", 0))
    links: list[socket.socket] = []

    def link() -> socket.socket:
        if not links:
            server.settimeout(5)
            links.append(server.accept()[0])
        return links[0]

    def vanish() -> None:
        link().close()
        links.clear()

    def heard() -> bytes:
        link().setblocking(False)
        return _heard(link())

    source = TcpClient("t", "127.0.0.1", server.getsockname()[1], system_clock())
    return FarEnd(source, lambda data: link().sendall(data), heard, vanish)


def can_end(tmp_path: Path) -> FarEnd:
    channel = f"test-{tmp_path.name}"
    other = can.Bus(interface="virtual", channel=channel)
    source = CanBus("c", channel, "virtual", None, system_clock(), 0)

    def send(data: bytes) -> None:
        for at in range(0, len(data), 8):
            other.send(can.Message(arbitration_id=0x09F20010, data=data[at : at + 8], is_extended_id=True))

    def heard() -> bytes:
        message = other.recv(0)
        return b"" if message is None else bytes(message.data)

    def expected(sent: list[bytes]) -> bytes:
        return b"".join(
            b"09F20010#" + data[at : at + 8].hex().upper().encode() + b"\n"
            for data in sent
            for at in range(0, len(data), 8)
        )

    return FarEnd(source, send, heard, None, expected)


def growing_end(tmp_path: Path) -> FarEnd:
    path = tmp_path / "engine.csv"
    (tmp_path / "raw").mkdir()

    def send(data: bytes) -> None:
        with path.open("ab") as file:
            file.write(data)

    before = b""
    return FarEnd(GrowingFile("e", path, tmp_path / "raw", system_clock()), send, lambda: before)


def replay_end(tmp_path: Path) -> FarEnd:
    """A replay's far end is its file: all of it is written before it is opened."""
    path = tmp_path / "old.log"
    path.write_bytes(b"".join(encode_line(line, source="gps1", wall_ms=1, mono_us=0, line_end=b"") for line in LINES))
    clock = system_clock()
    return FarEnd(Replay("r", path, clock, clock.mono_ns()), lambda _: None, lambda: b"")


def _to(sender: socket.socket, port: int, data: bytes, host: str = "127.0.0.1") -> None:
    sender.sendto(data, (host, port))


def _heard(sender: socket.socket) -> bytes:
    try:
        return sender.recv(4096)
    except (BlockingIOError, ConnectionError):
        return b""


ENDS = [udp_end, udp_any_end, udp_group_end, tcp_end, can_end, growing_end, replay_end]
if sys.platform != "win32":
    ENDS.append(serial_end)


@pytest.fixture(params=ENDS, ids=lambda end: end.__name__.removesuffix("_end"))
def far(request: pytest.FixtureRequest, tmp_path: Path) -> FarEnd:
    end: FarEnd = request.param(tmp_path)
    try:
        end.source.open()
    except SourceError as fault:
        if "239." in end.source.where:
            pytest.skip(f"this computer has no multicast: {fault}")
        raise
    return end


def collect(source: Source, size: int) -> bytes:
    got = b""
    for _ in range(200):
        got += b"".join(chunk.data for chunk in source.read(0.05))
        if len(got) >= size:
            break
    return got


def read_for_a_while(source: Source) -> None:
    for _ in range(50):
        source.read(0.02)


def plain(source: Source, got: bytes) -> bytes:
    """Return what was received without the stamp and channel that a CAN line begins with."""
    if source.stream != "can.log":
        return got
    return b"".join(line.split(b" ", 2)[2] for line in got.splitlines(keepends=True))


def test_bytes_arrive_exact_and_in_order(far: FarEnd) -> None:
    for line in LINES:
        far.send(line)
    expected = far.expected(LINES)
    assert plain(far.source, collect(far.source, len(expected))) == expected
    far.source.close()


def test_silence_is_no_error_and_read_returns(far: FarEnd) -> None:
    collect(far.source, sum(map(len, LINES))) if isinstance(far.source, Replay) else None
    assert far.source.read(0.02) == []
    assert far.source.read(0.0) == []
    far.source.close()


def test_nothing_is_ever_sent(far: FarEnd) -> None:
    far.send(LINES[0])
    collect(far.source, 1)
    assert far.heard() == b""
    far.source.close()


def test_closing_twice_and_opening_again_works(far: FarEnd) -> None:
    far.source.close()
    far.source.close()
    if not isinstance(far.source, TcpClient):
        far.source.open()
        far.send(LINES[1])
        assert collect(far.source, 1)
    far.source.close()


def test_reading_a_closed_source_is_a_told_loss(far: FarEnd) -> None:
    if isinstance(far.source, Replay | GrowingFile):
        pytest.skip("holds nothing open")
    far.source.close()
    with pytest.raises(SourceError) as told:
        far.source.read(0.01)
    assert told.value.trouble == "lost"


def test_a_far_end_that_vanishes_is_a_told_loss_and_not_another_error(far: FarEnd) -> None:
    if far.vanish is None:
        pytest.skip("there is no connection that could break")
    far.send(LINES[0])
    assert collect(far.source, 1)
    far.vanish()
    with pytest.raises(SourceError) as told:
        read_for_a_while(far.source)
    assert told.value.trouble == "lost"
    assert told.value.remedy.endswith(".")
    far.source.close()
