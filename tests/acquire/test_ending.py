"""How a recording ends: every reason in the notes, from another terminal, in a hurry, and once only."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests import rig
from trialcapture.acquire.ending import (
    STOP_NAME,
    EndRequest,
    ended_by_signals,
    is_being_recorded,
    stop_recorder,
    take_stop_request,
)
from trialcapture.acquire.live_status import NAME as LIVE_NAME
from trialcapture.acquire.live_status import attach, read_last_line
from trialcapture.acquire.recorder import record
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.manifest import verify_manifest
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")


def udp(port: int, source: str = "net") -> str:
    return f'[[source]]\nid = "{source}"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'


def test_the_first_reason_stands() -> None:
    request = EndRequest()
    assert not request.wait(0.0)
    request.ask("the time was up")
    request.ask("something else")
    assert request.wait(0.0)
    assert request.reason == "the time was up"


def test_a_signal_is_obeyed_at_the_next_look_and_repeats_are_counted() -> None:
    request = EndRequest()
    request.ask_from_signal("Ctrl-C")
    request.ask_from_signal("Ctrl-C")
    assert request.wait(0.0)
    assert (request.reason, request.repeats) == ("Ctrl-C", 1)


@posix
def test_signals_end_and_a_hangup_does_not() -> None:
    request = EndRequest()
    before = signal.getsignal(signal.SIGINT)
    was = signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup it is ignored, and stays so
    try:
        with ended_by_signals(request):
            os.kill(os.getpid(), signal.SIGHUP)
            rig.wait_for(lambda: request.hangups == 1)
            assert not request.wait(0.0)
            os.kill(os.getpid(), signal.SIGTERM)
            rig.wait_for(lambda: request.wait(0.0))
    finally:
        signal.signal(signal.SIGHUP, was)
    assert request.reason == "ended by SIGTERM"
    assert signal.getsignal(signal.SIGINT) is before


def test_another_terminal_ends_a_recorder_and_the_notes_say_so(tmp_path: Path) -> None:
    port, folder = rig.free_port(), tmp_path / "s"
    with rig.recording(folder, udp(port)) as run:
        rig.send_udp(port, rig.numbered(1))
        rig.wait_for(run.journal)
        assert is_being_recorded(folder)
        stop_recorder(folder)
        run.thread.join(20)
        assert not run.thread.is_alive()
    assert run.noted("stop")[0]["reason"] == "asked to stop by 'record --stop'"
    assert not (folder / STOP_NAME).exists()
    assert not is_being_recorded(folder)
    last = read_last_line(folder)
    assert last is not None
    assert (last.state, last.complete) == ("ended", True)


def test_where_no_recorder_is_at_work_there_is_nothing_to_stop(tmp_path: Path) -> None:
    with pytest.raises(TrialCaptureError, match="there is no such folder"):
        stop_recorder(tmp_path / "absent")
    port = rig.free_port()
    with rig.recording(tmp_path / "s", udp(port)) as run:
        run.end()
    with pytest.raises(TrialCaptureError, match="no recorder is at work"):
        stop_recorder(tmp_path / "s")
    (tmp_path / "s" / LIVE_NAME).unlink()
    with pytest.raises(TrialCaptureError, match="no recorder is at work"):
        attach(tmp_path / "s")
    assert not take_stop_request(tmp_path / "s")


def test_a_request_left_for_an_earlier_recorder_ends_no_later_one(tmp_path: Path) -> None:
    port, folder = rig.free_port(), tmp_path / "s"
    with rig.recording(folder, udp(port)) as run:
        rig.send_udp(port, rig.numbered(1))
        rig.wait_for(run.journal)
        run.end()
    (folder / STOP_NAME).touch()
    with rig.recording(folder, udp(port), resume=True) as run:
        time.sleep(1.5)
        assert run.thread.is_alive()
        run.end()


def test_the_screen_is_shown_again_from_the_live_status(tmp_path: Path) -> None:
    from io import StringIO  # noqa: PLC0415

    from rich.console import Console  # noqa: PLC0415

    port, folder, out = rig.free_port(), tmp_path / "s", StringIO()
    with rig.recording(folder, udp(port)) as run:
        rig.send_udp(port, rig.numbered(1))
        rig.wait_for(lambda: (last := read_last_line(folder)) is not None and last.status.on_disk_bytes)
        view = EndRequest()
        watcher = threading.Thread(target=attach, args=(folder,), kwargs={
            "console": Console(file=out, width=200), "request": view, "look_every_s": 0.1,
        })  # fmt: skip
        watcher.start()
        rig.wait_for(lambda: "net ok" in out.getvalue())
        view.ask("left")
        watcher.join(20)
        assert not watcher.is_alive()
        assert run.thread.is_alive()
        run.end()
    for line in (folder / LIVE_NAME).read_bytes().splitlines():
        entry = json.loads(line)
        assert {"t", "state", "alarms", "free_bytes", "safe_age_s", "sources"} <= set(entry)
    assert attach(folder, console=Console(file=out, width=200)).state == "ended"


def test_a_live_status_of_nonsense_is_none(tmp_path: Path) -> None:
    assert read_last_line(tmp_path) is None
    (tmp_path / LIVE_NAME).write_bytes(b'{"t": 1}\n[]\n\xff\n{"half')
    assert read_last_line(tmp_path) is None


def test_a_closed_console_finds_data_and_reason_on_the_disk_when_its_handler_returns(tmp_path: Path) -> None:
    """What the Windows console handler calls, in a thread of its own as the system does it."""
    port, folder, request = rig.free_port(), tmp_path / "s", EndRequest()
    config = udp(port)
    recorder = threading.Thread(
        target=record, args=(load_config(config), folder), kwargs={"config_text": config, "request": request}
    )
    recorder.start()
    rig.wait_for(lambda: b"listening on" in _read(folder / "raw/notes.jsonl"))
    sent = b"".join(rig.numbered(n) for n in range(300))
    rig.send_udp(port, *(rig.numbered(n) for n in range(300)))
    time.sleep(0.3)
    assert request.end_within("the console window was closed", wait_s=60.0)
    journal, notes = _read(folder / "raw/nmea.log"), _read(folder / "raw/notes.jsonl")
    assert original_bytes(journal)["net"] == sent
    assert json.loads(notes.splitlines()[-1])["reason"] == "the console window was closed"
    recorder.join(20)
    assert not recorder.is_alive()
    assert verify_manifest(folder) == []


@posix
def test_a_second_ctrl_c_does_not_spoil_a_good_ending(tmp_path: Path) -> None:
    port, folder = rig.free_port(), tmp_path / "s"
    config = tmp_path / "c.toml"
    config.write_text(udp(port))
    command = [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(folder)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        rig.wait_for(lambda: b"listening on" in _read(folder / "raw/notes.jsonl"))
        rig.send_udp(port, rig.numbered(1))
        rig.wait_for(lambda: _read(folder / "raw/nmea.log"))
        while process.poll() is None:
            process.send_signal(signal.SIGINT)
            time.sleep(0.02)
        assert process.stdout is not None
        assert process.returncode == 0
        assert "ended by: Ctrl-C" in process.stdout.read()
    assert verify_manifest(folder) == []


@posix
def test_a_lock_that_was_deleted_is_taken_again(tmp_path: Path) -> None:
    port, folder = rig.free_port(), tmp_path / "s"
    with rig.recording(folder, udp(port)) as run:
        rig.send_udp(port, rig.numbered(1))
        rig.wait_for(run.journal)
        (folder / "recorder.lock").unlink()
        rig.wait_for(lambda: is_being_recorded(folder))
        with pytest.raises(TrialCaptureError, match="another recorder"):
            record(load_config(udp(rig.free_port())), folder, resume=True, minutes=0.01)
        run.end()


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""
