"""A console that takes nothing, as the classic one of Windows after a click: recording and `--minutes` go on."""

from __future__ import annotations

import io
import threading
from pathlib import Path

from rich.console import Console

from tests import rig
from trialcapture.acquire.recorder import record
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config


class Blocking(io.StringIO):
    """A console that takes its first lines, and then nothing until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.let_go = threading.Event()
        self.is_blocking = threading.Event()
        self.taken = 0

    def write(self, text: str) -> int:
        self.taken += 1
        if self.taken > 2:
            self.is_blocking.set()
            self.let_go.wait(120)
        return super().write(text)


def test_a_console_that_blocks_stops_neither_recording_nor_its_time(tmp_path: Path) -> None:
    port = rig.free_port()
    text = f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
    console = Blocking()
    outcome: list[object] = []

    def work() -> None:
        outcome.append(
            record(load_config(text), tmp_path / "s", minutes=0.1, console=Console(file=console), config_text=text)
        )

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        rig.wait_for(console.is_blocking.is_set, 60.0)
        sent = [rig.numbered(n) for n in range(200)]
        rig.send_udp(port, *sent)
        # the time is up, and the session is closed, while the console still takes nothing
        rig.wait_for((tmp_path / "s" / "manifest.json").exists, 60.0)
        assert not console.let_go.is_set()
        assert (tmp_path / "s" / "raw" / "nmea.log").read_bytes().count(b"\n") == len(sent)
    finally:
        console.let_go.set()
        thread.join(60)
    assert outcome
    assert not verify_session(tmp_path / "s").faults
