"""The recorder put together: real ports, real sockets, real threads, and the session it leaves."""

from __future__ import annotations

import json
import os
import socket
import sys
import time
from io import StringIO
from pathlib import Path

import can
import pytest
from rich.console import Console

from tests import rig
from trialcapture.acquire.recorder import record
from trialcapture.archive.journal import encode_line, original_bytes
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

pty_only = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


def udp_config(port: int, source: str = "net") -> str:
    return f'[[source]]\nid = "{source}"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'


def is_sound(folder: Path) -> bool:
    report = verify_session(folder)
    assert report.faults == ()
    for account in report.accounts:
        assert account.unnamed_s == 0
        assert account.data_s + account.gap_s == pytest.approx(account.span_s, abs=1e-6)
    return True


@pty_only
def test_every_kind_of_source_at_once_and_every_byte_of_each(tmp_path: Path) -> None:
    pty, udp_port = rig.Pty(), rig.free_port()
    server = socket.create_server(("127.0.0.1", 0))
    channel = f"bus-{tmp_path.name}"
    bus = can.Bus(interface="virtual", channel=channel)
    engine_log = tmp_path / "ecu.csv"
    config = (
        f'[[source]]\nid = "gps"\nkind = "serial"\nport = "{pty.name}"\nbaud = 38400\n'
        + udp_config(udp_port)
        + f'[[source]]\nid = "gate"\nkind = "tcp"\nhost = "127.0.0.1"\nport = {server.getsockname()[1]}\n'
        + f'[[source]]\nid = "bus"\nkind = "can"\nchannel = "{channel}"\ninterface = "virtual"\n'
    )
    with rig.recording(tmp_path / "s", config, engine_logs=[engine_log]) as run:
        gate = server.accept()[0]
        rig.wait_for(lambda: len(run.noted("start")) == 1)
        time.sleep(0.3)
        serial_sent = b"".join(rig.numbered(n) for n in range(50)) + b"\x00\xffnoise$half"
        udp_sent = [rig.numbered(n, "HE") * (n % 4) + b"tail" for n in range(30)]
        tcp_sent = b"\r\n".join(b"$TCP,%d" % n for n in range(50))
        pty.send(serial_sent)
        rig.send_udp(udp_port, *udp_sent)
        gate.sendall(tcp_sent)
        for n in range(20):
            bus.send(can.Message(arbitration_id=0x09F20010, data=bytes([n] * 8), is_extended_id=True))
        engine_log.write_bytes(b"time,rpm\n1,2000\n")
        rig.wait_for(lambda: b"tail" in run.journal() and (tmp_path / "s/raw/can.log").exists())
        time.sleep(0.5)
        recorded = run.end()
    assert recorded.complete
    streams = original_bytes(run.journal())
    assert streams == {"gps": serial_sent, "net": b"".join(udp_sent), "gate": tcp_sent}
    frames = (tmp_path / "s/raw/can.log").read_text().splitlines()
    assert [line.split()[2] for line in frames] == [f"09F20010#{f'{n:02X}' * 8}" for n in range(20)]
    assert (tmp_path / "s/raw/engine/ecu.csv").read_bytes() == b"time,rpm\n1,2000\n"
    assert pty.received() == b""
    assert is_sound(tmp_path / "s")
    manifest = json.loads((tmp_path / "s/manifest.json").read_text())
    assert [file["path"] for file in manifest["files"]] == [
        "raw/can.log", "raw/engine/ecu.csv", "raw/nmea.log", "raw/notes.jsonl",
    ]  # fmt: skip
    bus.shutdown()


@pty_only
def test_a_source_that_goes_and_comes_back_under_another_name_is_a_named_gap(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    first = rig.Pty(link)
    console = Console(file=StringIO(), width=200)
    config = f'[[source]]\nid = "gps"\nkind = "serial"\nport = "{link}"\nbaud = 4800\n'
    with rig.recording(tmp_path / "s", config, console=console) as run:
        first.send(rig.numbered(1))
        rig.wait_for(lambda: rig.numbered(1) in original_bytes(run.journal()).get("gps", b""))
        first.unplug()
        link.unlink()
        before = time.monotonic()
        rig.wait_for(lambda: "!! gps" in console.file.getvalue())  # type: ignore[attr-defined]
        assert time.monotonic() - before < 2.0
        second = rig.Pty(link)
        time.sleep(2.5)
        second.send(rig.numbered(2))
        rig.wait_for(lambda: rig.numbered(2) in original_bytes(run.journal())["gps"])
        run.end()
    assert original_bytes(run.journal())["gps"] == rig.numbered(1) + rig.numbered(2)
    assert next(gap["reason"] for gap in run.noted("gap")) in ("lost", "absent")
    assert run.noted("reconnected")
    assert is_sound(tmp_path / "s")


def test_a_session_is_continued_on_one_time_line_with_the_pause_named(tmp_path: Path) -> None:
    port = rig.free_port()
    folder = tmp_path / "s"
    for part in range(2):
        with rig.recording(folder, udp_config(port), resume=part == 1) as run:
            rig.send_udp(port, rig.numbered(part))
            rig.wait_for(lambda part=part: rig.numbered(part) in original_bytes(run.journal()).get("net", b""))
            run.end()
        if part == 0:
            time.sleep(1.2)
    assert original_bytes(run.journal())["net"] == rig.numbered(0) + rig.numbered(1)
    (pause,) = [gap for gap in run.noted("gap") if gap["reason"] == "not recording"]
    assert pause["to_us"] - pause["from_us"] > 1_000_000
    (resumed,) = run.noted("resume")
    assert resumed["bridged"] == "clock"
    assert {entry["path"] for entry in resumed["closed_as"]} == {"raw/nmea.log", "raw/notes.jsonl"}
    starts = [note["clock_ns"] for note in run.noted("start") + run.noted("resume")]
    assert starts[0] == starts[1]
    assert is_sound(folder)


def test_after_a_restart_of_the_computer_the_wall_clock_bridges_the_pause(tmp_path: Path) -> None:
    port = rig.free_port()
    folder = tmp_path / "s"
    with rig.recording(folder, udp_config(port)) as run:
        rig.send_udp(port, rig.numbered(0))
        rig.wait_for(run.journal)
        run.end()
    notes = folder / "raw" / "notes.jsonl"
    lines = notes.read_text().splitlines()
    start = json.loads(lines[0]) | {"clock_ns": 10**18}
    notes.write_text("\n".join([json.dumps(start), *lines[1:]]) + "\n")
    time.sleep(1.0)
    with rig.recording(folder, udp_config(port), resume=True) as run:
        run.end()
    (resumed,) = run.noted("resume")
    assert resumed["bridged"] == "wall"
    assert 0.5e6 < resumed["mono_us"] - resumed["from_us"] < 5e6


def test_a_session_that_exists_is_not_recorded_over(tmp_path: Path) -> None:
    port = rig.free_port()
    with rig.recording(tmp_path / "s", udp_config(port)) as run:
        with pytest.raises(TrialCaptureError, match="another recorder"):
            record(load_config(udp_config(rig.free_port())), tmp_path / "s", minutes=0.01)
        with pytest.raises(TrialCaptureError, match="another recorder"):
            record(load_config(udp_config(rig.free_port())), tmp_path / "s", resume=True, minutes=0.01)
        rig.send_udp(port, rig.numbered(0))
        rig.wait_for(run.journal)
        run.end()
    with pytest.raises(TrialCaptureError, match="recorded already"):
        record(load_config(udp_config(port)), tmp_path / "s", minutes=0.01)


def test_nothing_to_listen_to_is_told_before_a_folder_is_made(tmp_path: Path) -> None:
    with pytest.raises(TrialCaptureError, match="nothing to listen to"):
        record(load_config(""), tmp_path / "s", minutes=0.01)
    assert not (tmp_path / "s").exists()


def test_it_stops_by_itself_when_the_time_is_up(tmp_path: Path) -> None:
    out = Console(file=StringIO(), width=200)
    recorded = record(load_config(udp_config(rig.free_port())), tmp_path / "s", minutes=0.01, console=out)
    assert 0.5 < recorded.elapsed_s < 5
    assert recorded.complete
    assert open_session(tmp_path / "s").made_by.startswith("trialcapture")


def test_without_a_standard_error_the_notes_say_that_there_is_no_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # as for a program that Windows starts without a console
    with monkeypatch.context() as without:
        without.setattr(sys, "stderr", None)
        recorded = record(load_config(udp_config(rig.free_port())), tmp_path / "s", minutes=0.01)
    assert recorded.complete
    notes = [json.loads(line) for line in (tmp_path / "s/raw/notes.jsonl").read_text().splitlines()]
    assert [n["reason"] for n in notes if n["kind"] == "screen_lost"] == ["there is no standard error to write to"]


def test_a_replay_gives_the_same_journal_at_any_speed(tmp_path: Path) -> None:
    old = tmp_path / "nmea.log"
    old.write_bytes(
        b"".join(
            encode_line(
                rig.numbered(n), source=f"gps{n % 2}", wall_ms=1_790_000_000_000 + n, mono_us=n * 50_000, line_end=b""
            )
            for n in range(200)
        )
    )
    config = load_config(f'[[source]]\nid = "again"\nkind = "replay"\npath = "{old.as_posix()}"\n')
    out = Console(file=StringIO(), width=200)
    record(config, tmp_path / "s", speed=20.0, console=out)
    assert (tmp_path / "s/raw/nmea.log").read_bytes() == old.read_bytes()
    assert is_sound(tmp_path / "s")


@pytest.mark.parametrize(
    "source",
    ['kind = "udp"\nport = 2000', 'kind = "udp"\nhost = "192.0.2.7"\nport = 2000', 'kind = "serial"\nport = "x"'],
)
def test_no_boat_is_recorded_faster_than_life(tmp_path: Path, source: str) -> None:
    with pytest.raises(TrialCaptureError, match="only a replay"):
        record(load_config(f'[[source]]\nid = "net"\n{source}\n'), tmp_path / "s", speed=2.0)


def test_two_senders_keep_their_ids_over_a_restart(tmp_path: Path) -> None:
    port = rig.free_port()
    config = f'[[source]]\nid = "net"\nkind = "udp"\nport = {port}\n'
    folder = tmp_path / "s"
    addresses = ["127.0.0.1", "127.0.0.2"] if sys.platform == "linux" else ["127.0.0.1"]
    for part, order in enumerate([addresses, addresses[::-1]]):
        with rig.recording(folder, config, resume=part == 1) as run:
            for address in order:
                with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                    sender.bind((address, 0))
                    sender.sendto(rig.sentence(f"GPXXX,{address}"), ("127.0.0.1", port))
                time.sleep(0.2)
            run.end()
    for number, address in enumerate(addresses, 1):
        stream = original_bytes(run.journal())["net" if number == 1 else f"net-{number}"]
        assert stream == rig.sentence(f"GPXXX,{address}") * 2


@pty_only
def test_what_keys_say_is_in_the_notes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A real terminal: the screen is drawn, keys become notes, the terminal is left as it was."""
    import pty  # noqa: PLC0415
    import subprocess  # noqa: PLC0415
    import termios  # noqa: PLC0415

    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    code = (
        "import sys, pathlib\n"
        "from rich.console import Console\n"
        "from trialcapture.acquire.recorder import record\n"
        "from trialcapture.config import load_config\n"
        f"record(load_config({udp_config(rig.free_port())!r}), pathlib.Path(sys.argv[1]), minutes=0.05,"
        " console=Console(width=80, height=24, force_terminal=True))\n"
    )
    root = Path(__file__).parents[2]
    env = os.environ | {"TERM": "xterm", "PYTHONPATH": str(root)}
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "s")], stdin=slave, stdout=slave, stderr=slave, cwd=root, env=env
    ) as process:
        rig.wait_for((tmp_path / "s/raw/notes.jsonl").exists)
        os.write(master, b"mt25\r")
        shown = b""
        while process.poll() is None:
            try:
                shown += os.read(master, 65536) if _readable(master) else b""
            except OSError:
                break
    notes = [json.loads(line) for line in (tmp_path / "s/raw/notes.jsonl").read_text().splitlines()]
    entries = [(n["kind"], n["value"], n["unit"], n["by"]) for n in notes if n["by"] != "recorder"]
    assert entries == [("mark", 1, "", "screen"), ("trim", 25.0, "%", "screen")]
    assert b"net" in shown
    assert termios.tcgetattr(slave)[3] == before[3]


def _readable(handle: int) -> bool:
    import select  # noqa: PLC0415

    return bool(select.select([handle], [], [], 0.1)[0])
