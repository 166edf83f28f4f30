"""Ports of Windows by every name they go by, and what each system says of a port it refuses."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from trialcapture.acquire import source
from trialcapture.acquire.source import open_trouble
from trialcapture.system.operating_system import denied, hold_alone, is_present, port_errors, port_name


@pytest.mark.parametrize(
    ("given", "name"),
    [("COM3", "COM3"), ("com3", "COM3"), ("COM3:", "COM3"), (r"\\.\COM12", "COM12"), (r"\\.\com3:", "COM3"),
     (" COM3 ", "COM3"), ("//./COM12", "COM12"), ("COM03", "COM3"), ("COM 4", "COM4"), (r"\\?\COM5", "COM5"),
     ("CNCA0", "CNCA0"), ("COM", "COM"), ("COMX", "COMX"), ("loop://", "loop://")],
)  # fmt: skip
def test_a_port_of_windows_has_one_name(given: str, name: str) -> None:
    assert port_name(given, system="windows") == name
    assert port_name("/dev/ttyUSB0", system="linux") == "/dev/ttyUSB0"
    assert port_name("com3", system="linux") == "com3"


def test_a_port_of_windows_is_there_when_it_is_listed_and_is_no_file(tmp_path: Path) -> None:
    assert is_present("COM3", ["COM1", r"\\.\com3"], system="windows")
    assert not is_present("COM3", ["COM13"], system="windows")
    assert is_present(str(tmp_path), [], system="linux")
    assert not is_present(str(tmp_path / "no"), [str(tmp_path / "no")], system="macos")


def test_windows_is_asked_for_a_larger_buffer() -> None:
    class Device:
        size = 0

        def set_buffer_size(self, rx_size: int) -> None:
            self.size = rx_size

    device = Device()
    hold_alone(device, system="windows")
    assert device.size == 262_144
    assert port_errors(system="windows") == (OSError, TypeError)


def test_a_refused_port_is_busy_on_windows_and_a_missing_right_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert denied("COM3", system="windows")[0]
    (tmp_path / "port").touch()
    is_taken, what, remedy = denied(str(tmp_path / "port"), system="linux")
    assert (is_taken, what) == (False, f"No right to open {tmp_path / 'port'}.")
    assert "usermod" in remedy or "Ask the owner" in remedy
    monkeypatch.setattr(source, "denied", lambda name: denied(name, system="windows"))
    assert open_trouble("COM3", OSError(errno.EACCES, "denied")).trouble == "busy"
