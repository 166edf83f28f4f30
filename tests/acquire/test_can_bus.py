"""CAN: silent where the adapter can be, text on disk that other tools read, adapter time kept beside ours."""

from __future__ import annotations

import ast
from io import StringIO
from pathlib import Path
from typing import Any

import can
import pytest

from tests import rig
from trialcapture.acquire.source import CanBus, SourceError, candump_line, silent_options


class Bus:
    """Stands for an adapter: remembers how it was opened, gives the frames it was given."""

    def __init__(self, frames: list[can.Message], **options: Any) -> None:
        self.frames, self.options = frames, options

    def recv(self, timeout: float | None) -> can.Message | None:
        return self.frames.pop(0) if self.frames else None

    def shutdown(self) -> None:
        pass


def opened(interface: str, frames: list[can.Message]) -> tuple[CanBus, Bus, list[tuple[str, dict[str, Any]]]]:
    buses: list[Bus] = []
    said: list[tuple[str, dict[str, Any]]] = []

    def open_bus(**options: Any) -> Bus:
        buses.append(Bus(frames, **options))
        return buses[-1]

    source = CanBus(
        "can1",
        "ch0",
        interface,
        None,
        rig.FakeClocks().clock(),
        0,
        say=lambda kind, _text, **details: said.append((kind, details)),
        open_bus=open_bus,
    )
    source.open()
    return source, buses[0], said


@pytest.mark.parametrize(
    ("interface", "option", "value"),
    [
        ("pcan", "state", can.BusState.PASSIVE),
        ("systec", "state", can.BusState.PASSIVE),
        ("kvaser", "driver_mode", False),
        ("slcan", "listen_only", True),
        ("vector", "listen_only", True),
        ("seeedstudio", "operation_mode", "silent"),
        ("cantact", "monitor", True),
    ],
)
def test_adapters_with_a_silent_mode_are_asked_for_it(interface: str, option: str, value: Any) -> None:
    _, bus, said = opened(interface, [])
    assert bus.options[option] == value
    assert bus.options["bitrate"] == 250_000
    assert bus.options["receive_own_messages"] is False
    assert said == []


def test_the_names_of_silent_modes_are_those_of_the_installed_library() -> None:
    folder = Path(can.__file__).parent / "interfaces"
    files = {"pcan": "pcan/pcan.py", "systec": "systec/ucanbus.py", "kvaser": "kvaser/canlib.py", "slcan": "slcan.py",
             "vector": "vector/canlib.py", "seeedstudio": "seeedstudio/seeedstudio.py", "cantact": "cantact.py",
             "nixnet": "nixnet.py"}  # fmt: skip
    for interface, file in files.items():
        tree = ast.parse((folder / file).read_text())
        words = {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
        words |= {
            node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
        }
        for name in silent_options(interface):
            assert name in words, (interface, name)


def test_an_adapter_without_a_silent_mode_is_said_to_acknowledge() -> None:
    _, bus, said = opened("socketcan", [])
    assert [kind for kind, _ in said] == ["acknowledges"]
    assert "bitrate" not in bus.options


def test_frames_are_kept_as_text_that_the_candump_reader_of_python_can_reads_back() -> None:
    frames = [
        can.Message(arbitration_id=0x09F20010, data=bytes.fromhex("00B036D204FBFFFF"), is_extended_id=True),
        can.Message(arbitration_id=0x123, data=b"", is_extended_id=False),
        can.Message(arbitration_id=0x7FF, is_extended_id=False, is_remote_frame=True, dlc=3),
        can.Message(arbitration_id=0x1ABCDEF, data=b"123456789012", is_fd=True, bitrate_switch=True),
    ]
    text = b"".join(candump_line(1_790_000_000_123_456_789, "can1", frame) for frame in frames).decode()
    assert text.startswith("(1790000000.123456) can1 09F20010#00B036D204FBFFFF\n")
    for sent, read in zip(frames, can.CanutilsLogReader(StringIO(text)), strict=True):
        assert read.arbitration_id == sent.arbitration_id
        assert read.is_extended_id == sent.is_extended_id
        assert read.is_remote_frame == sent.is_remote_frame
        assert bytes(read.data) == bytes(sent.data)
        assert read.channel == "can1"


def test_adapter_time_is_noted_and_its_jumps_are_told() -> None:
    clocks = rig.FakeClocks()
    said: list[tuple[str, dict[str, Any]]] = []
    frames: list[can.Message] = []
    source = CanBus(
        "can1", "0", "pcan", None, clocks.clock(), 0,
        say=lambda kind, _t, **d: said.append((kind, d)), open_bus=lambda **o: Bus(frames, **o),
    )  # fmt: skip
    source.open()
    for second, adapter_s in enumerate([100.0, 115.0, 130.2, 145.2]):
        clocks.mono = round((1000 + 15 * second) * 1e9)
        frames.append(can.Message(arbitration_id=1, timestamp=adapter_s))
        source.read(0.0)
    assert [(kind, details["jumped"]) for kind, details in said] == [("can_clock", False), ("can_clock", True)]


def test_an_adapter_that_is_not_there_is_told() -> None:
    source = CanBus("can1", "no-such-channel", "socketcan", None, rig.FakeClocks().clock(), 0)
    with pytest.raises(SourceError) as told:
        source.open()
    assert told.value.trouble == "absent"
