"""A trial played live: on loopback only unless told otherwise, at its own pace, engine log growing beside it."""

from __future__ import annotations

import os
import socket
import sys
import threading
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from tests.made_once import simulated
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.play import play
from trialcapture.rehearse.simulate import SimulatedTrial

LINES = 1500


class FakeClock:
    """Time passes only while somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


@lru_cache(maxsize=1)
def trial() -> SimulatedTrial:
    whole = simulated("twin-planing", 7, short=True)
    return replace(whole, lines=whole.lines.slice(0, LINES))


def listener() -> socket.socket:
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    receiver.bind(("127.0.0.1", 0))
    receiver.settimeout(5.0)
    return receiver


def test_udp_carries_every_line_as_it_is() -> None:
    with listener() as receiver:
        clock = FakeClock()
        receiver.setblocking(False)
        got: list[bytes] = []

        def take_all() -> None:
            with suppress(BlockingIOError):
                while True:
                    got.append(receiver.recv(2048))

        def sleep(seconds: float) -> None:
            take_all()  # before the system's buffer is full, however busy it is
            clock.sleep(seconds)

        played = play(trial(), udp=receiver.getsockname(), clock=clock, sleep=sleep)
        take_all()
    assert got == trial().lines["bytes"].to_pylist()
    assert played.lines == {"udp": LINES}


@pytest.mark.parametrize("speed", [1.0, 20.0])
def test_lines_leave_when_they_would_have_arrived(speed: float) -> None:
    clock = FakeClock()
    with listener() as receiver:
        play(trial(), udp=receiver.getsockname(), speed=speed, clock=clock, sleep=clock.sleep)
    last_s = trial().lines["t_s"][-1].as_py()
    assert clock.now - 100.0 == pytest.approx(last_s / speed, abs=0.002)


def test_two_outlets_share_the_sources() -> None:
    clock = FakeClock()
    with listener() as receiver, socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        played = play(trial(), udp=receiver.getsockname(), tcp=port, clock=clock, sleep=clock.sleep)
    sources = trial().lines["source"].to_pylist()
    assert played.lines == {"tcp": sources.count("gps1"), "udp": sources.count("ins1")}


def test_a_tcp_listener_gets_the_stream(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    got = bytearray()

    def listen() -> None:
        for _ in range(200):
            try:
                client = socket.create_connection(("127.0.0.1", port), timeout=5.0)
                break
            except OSError:
                threading.Event().wait(0.01)
        with client:
            joined.set()
            while chunk := client.recv(65536):
                got.extend(chunk)

    joined = threading.Event()
    reader = threading.Thread(target=listen)
    reader.start()
    clock = FakeClock()

    def sleep(seconds: float) -> None:
        joined.wait(5.0)  # the first line waits for the listener
        clock.sleep(seconds)

    play(trial(), tcp=port, clock=clock, sleep=sleep)
    reader.join(timeout=10.0)
    assert bytes(got) == b"".join(trial().lines["bytes"].to_pylist())


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")
def test_a_serial_line_gets_the_stream() -> None:
    tty = pytest.importorskip("tty")
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    try:
        clock = FakeClock()
        got = bytearray()
        wanted = sum(len(piece) for piece in trial().lines["bytes"].to_pylist())

        def read() -> None:
            while len(got) < wanted:
                got.extend(os.read(ours, 65536))

        reader = threading.Thread(target=read)
        reader.start()
        play(trial(), serial=os.ttyname(theirs), clock=clock, sleep=clock.sleep)
        reader.join(timeout=10.0)
    finally:
        os.close(ours)
        os.close(theirs)
    assert bytes(got) == b"".join(trial().lines["bytes"].to_pylist())


def test_the_engine_log_grows_row_by_row_to_what_the_logger_kept(tmp_path: Path) -> None:
    clock = FakeClock()
    sizes = []
    log = trial().engine_logs[0]

    def sleep(seconds: float) -> None:
        clock.sleep(seconds)
        sizes.append((tmp_path / log.file).stat().st_size)

    with listener() as receiver:
        played = play(trial(), udp=receiver.getsockname(), engine_folder=tmp_path, clock=clock, sleep=sleep)
    assert sizes == sorted(sizes)
    assert len(set(sizes)) > 3
    assert (tmp_path / log.file).read_bytes() == log.data
    assert played.engine_rows == len(log.sample_s)


def test_other_computers_are_not_reached_by_accident() -> None:
    with pytest.raises(TrialCaptureError, match="stays on this computer"):
        play(trial(), udp=("192.0.2.7", 10110))
    with pytest.raises(TrialCaptureError, match="stays on this computer"):
        play(trial(), tcp=("0.0.0.0", 10110))


def test_a_play_can_be_stopped_and_faults_are_told_in_words() -> None:
    clock = FakeClock()
    with listener() as receiver:
        at = receiver.getsockname()
        assert play(trial(), udp=at, clock=clock, sleep=clock.sleep, stop=lambda: clock.now > 101.0).seconds < 1.5
        with pytest.raises(TrialCaptureError, match="nowhere to go"):
            play(trial(), udp=at, routes={"gps1": "udp"}, clock=clock, sleep=clock.sleep)
        with pytest.raises(TrialCaptureError, match="runs forward"):
            play(trial(), udp=at, speed=0.0)
    with pytest.raises(TrialCaptureError, match="nowhere to play"):
        play(trial())
    with pytest.raises(TrialCaptureError, match="serial port cannot be opened"):
        play(trial(), serial="/no/such/port")
