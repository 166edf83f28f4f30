"""Serial ports: found by what they are, taken alone, told apart when they fail, never written to."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

import pytest
import serial

from tests import rig
from trialcapture.acquire.computer import system_clock
from trialcapture.acquire.source import (
    BaudProbe,
    PortIdentity,
    PortInfo,
    SerialPort,
    SourceError,
    find_port,
    open_trouble,
)


def read_for_a_while(source: SerialPort) -> None:
    for _ in range(50):
        source.read(0.02)


pty_only = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


def test_an_adapter_with_a_serial_number_is_found_under_any_name() -> None:
    gps = PortIdentity(0x1234, 0x5678, "A1", "1-1")
    moved = PortInfo("COM12", PortIdentity(0x1234, 0x5678, "A1", "1-4"), "adapter")
    twin = PortInfo("COM3", PortIdentity(0x1234, 0x5678, "B2", "1-1"), "adapter")
    assert find_port(gps, [twin, moved]) == "COM12"
    assert find_port(gps, [twin]) is None


def test_twins_without_serial_numbers_are_told_apart_by_their_socket() -> None:
    left = PortIdentity(0x1234, 0x5678, None, "1-1")
    right = PortIdentity(0x1234, 0x5678, None, "1-2")
    present = [PortInfo("/dev/ttyUSB1", right, ""), PortInfo("/dev/ttyUSB0", left, "")]
    assert find_port(left, present) == "/dev/ttyUSB0"
    assert find_port(PortIdentity(None, None, None, None), present) is None


@pytest.mark.parametrize(
    ("fault", "trouble"),
    [
        (serial.SerialException(errno.ENOENT, "no such file"), "absent"),
        (serial.SerialException(errno.EACCES, "Permission denied"), "denied"),
        (serial.SerialException(errno.EBUSY, "Device or resource busy"), "busy"),
        (serial.SerialException(11, "Could not exclusively lock port x: [Errno 11]"), "busy"),
        (ValueError("Not a valid baudrate"), "unusable"),
    ],
)
def test_each_way_a_port_fails_to_open_has_its_own_sentence(fault: Exception, trouble: str) -> None:
    told = open_trouble("/dev/ttyUSB0", fault)
    assert told.trouble == trouble
    assert told.what.endswith(".")
    assert told.remedy.endswith(".")


@pty_only
def test_no_right_names_the_group_and_never_advises_root(tmp_path: Path) -> None:
    node = tmp_path / "ttyX"
    node.touch()
    told = open_trouble(str(node), PermissionError(errno.EACCES, "Permission denied"))
    assert "belongs to group" in told.remedy
    assert "log out completely" in told.remedy
    assert "chmod" not in told.remedy


@pty_only
def test_a_second_program_on_the_port_is_told(tmp_path: Path) -> None:
    pty = rig.Pty()
    first = SerialPort("a", pty.name, 38400, system_clock())
    second = SerialPort("b", pty.name, 38400, system_clock())
    first.open()
    with pytest.raises(SourceError) as told:
        second.open()
    assert told.value.trouble == "busy"
    first.close()
    second.open()
    second.close()


@pty_only
def test_a_source_back_under_another_name_is_taken_up_again(tmp_path: Path) -> None:
    link = tmp_path / "by-id-gps"
    first = rig.Pty(link)
    source = SerialPort("gps", str(link), 38400, system_clock())
    source.open()
    first.send(b"one\r\n")
    assert source.read(1.0)[0].data == b"one\r\n"
    first.unplug()
    with pytest.raises(SourceError):
        read_for_a_while(source)
    second = rig.Pty(link)
    source.open()
    second.send(b"two\r\n")
    assert source.read(1.0)[0].data == b"two\r\n"
    source.close()


@pty_only
def test_an_adapter_that_got_another_name_is_found_by_its_identity(tmp_path: Path) -> None:
    said: list[str] = []
    old, new = tmp_path / "ttyUSB0", tmp_path / "ttyUSB3"
    first = rig.Pty(old)
    identity = PortIdentity(0x10C4, 0xEA60, "0001", "1-2")
    present = [PortInfo(str(old), identity, "adapter")]
    source = SerialPort(
        "gps",
        str(old),
        4800,
        system_clock(),
        say=lambda kind, *_a, **_k: said.append(kind),
        list_present=lambda: present,
    )
    source.open()
    source.close()
    first.unplug()
    old.unlink()
    second = rig.Pty(new)
    present[:] = [PortInfo(str(new), identity, "adapter")]
    source.open()
    second.send(b"$X*00\r\n")
    assert source.read(1.0)[0].data == b"$X*00\r\n"
    assert said == ["adapter", "moved"]
    source.close()


def test_the_probe_settles_on_the_speed_at_which_sentences_are_intact() -> None:
    probe = BaudProbe(0.0)
    tried = []
    now_s = 0.0
    while not probe.has_found() and now_s < 30:
        now_s += 0.25
        heard = rig.numbered(1) if probe.baud == 9600 else b"\x80\xfe\x00U\xf8garbage\xff"
        tried.append(probe.feed(heard, now_s))
    assert probe.baud == 9600
    assert list(dict.fromkeys(tried)) == [4800, 38400, 9600]
    assert now_s < 10
    assert probe.feed(b"\xff" * 50, 100.0) == 9600


def test_the_probe_goes_on_round_as_long_as_nothing_is_heard() -> None:
    probe = BaudProbe(0.0)
    rates = {probe.feed(b"", 0.5 * turn) for turn in range(60)}
    assert rates == {4800, 9600, 38400, 115200}
    assert not probe.has_found()


@pty_only
def test_what_is_heard_while_probing_is_handed_on_as_well() -> None:
    pty = rig.Pty()
    said: list[dict[str, object]] = []
    source = SerialPort("p", pty.name, None, system_clock(), say=lambda *_a, **details: said.append(details))
    source.open()
    sent = rig.numbered(1) + b"\x00\xff" + rig.numbered(2)
    pty.send(sent)
    got = b""
    while len(got) < len(sent):
        got += b"".join(chunk.data for chunk in source.read(0.5))
    assert got == sent
    assert said == [{"baud": 4800}]
    source.close()
