"""A console window closed while recording: data, notes and seal are on the disk before Windows ends the program."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests import rig
from tests.system.fakes import FakeKernel
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session
from trialcapture.system import console


@pytest.mark.parametrize(
    ("number", "reason"),
    [(2, "the console window was closed"), (5, "the user logged off"), (6, "the computer is shutting down")],
)
def test_a_closed_window_ends_a_recording_in_good_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, reason: str
) -> None:
    kernel = FakeKernel(mode=0x0047)
    monkeypatch.setattr(console, "windows_kernel", lambda: kernel)
    port = rig.free_port()
    config = f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
    lines = [rig.numbered(n) for n in range(50)]
    with rig.recording(tmp_path / "session", config) as run:
        rig.send_udp(port, *lines)
        assert kernel.mode & 0x40 == 0  # quick edit is off: a click selects nothing
        rig.wait_for((tmp_path / "session" / "raw" / "nmea.log").exists)
        assert kernel.handlers[0](number) == 1  # Windows ends the program when this returns
        journal = (tmp_path / "session" / "raw" / "nmea.log").read_bytes()
        assert original_bytes(journal)["net"] == b"".join(lines)
        notes = [json.loads(line) for line in (tmp_path / "session" / "raw" / "notes.jsonl").read_text().splitlines()]
        assert any(reason in str(note) for note in notes)
        assert notes[-1]["kind"] == "stop"
        rig.wait_for(lambda: not run.thread.is_alive())
    assert verify_session(tmp_path / "session").faults == ()
    assert kernel.handlers == []
    assert kernel.mode & 0x40


def test_ctrl_c_is_left_to_python_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = FakeKernel(is_console=False)
    monkeypatch.setattr(console, "windows_kernel", lambda: kernel)
    config = f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {rig.free_port()}\n'
    with rig.recording(tmp_path / "session", config) as run:
        assert kernel.handlers[0](0) == 0
        assert not run.stop.is_set()
