"""Real trouble for a real recorder: full disks, stalls, floods, endless and half lines, clocks, busy ports."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from tests import rig
from trialcapture.acquire.computer import Clock, system_clock
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX terminals, mounts and limits")


def udp(port: int, source: str = "net") -> str:
    return f'[[source]]\nid = "{source}"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'


def serial(name: str, source: str = "gps") -> str:
    return f'[[source]]\nid = "{source}"\nkind = "serial"\nport = "{name}"\nbaud = 38400\n'


@contextlib.contextmanager
def small_disk(tmp_path: Path, size: str) -> Iterator[Path]:
    """Give a folder on a tmpfs of its own; skip where mounting is not allowed."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    if (
        mount is None
        or subprocess.run(
            [mount, "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
        ).returncode
    ):
        pytest.skip("a small disk cannot be mounted here; the file-size limit is tested instead")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


@contextlib.contextmanager
def child(config: Path, into: Path, *options: str, file_limit: int | None = None) -> Iterator[subprocess.Popen[str]]:
    """Run the recorder as a process of its own, perhaps with a limit on how large its files may grow."""

    def limit() -> None:
        import resource  # noqa: PLC0415  POSIX only

        if file_limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (file_limit, file_limit))

    process = subprocess.Popen(
        [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(into), *options],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=limit,  # noqa: PLW1509  one thread only at this moment
    )
    try:
        rig.wait_for((into / "raw" / "notes.jsonl").exists)
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stderr is not None
        process.stderr.close()


def ended(process: subprocess.Popen[str]) -> str:
    """Ask a recorder to end and return what it printed."""
    process.terminate()
    return process.communicate(timeout=30)[1]


def sent_through(pty: rig.Pty, count: int, first: int = 0) -> bytes:
    sent = b""
    for number in range(first, first + count):
        data = rig.numbered(number) + b"x" * 900 + b"\r\n"
        pty.send(data)
        sent += data
        time.sleep(0.002)
    return sent


def both(first: Path, second: Path) -> bytes:
    return original_bytes(b"".join(path.read_bytes() for path in rig.journal_parts(second, first)))["gps"]


@pytest.mark.long
def test_when_the_disk_fills_the_second_takes_over_within_two_seconds_and_no_byte_is_lost(tmp_path: Path) -> None:
    pty, config = rig.Pty(), tmp_path / "c.toml"
    config.write_text(serial(pty.name))
    with small_disk(tmp_path, "400k") as disk, child(config, disk / "s", "--second", str(tmp_path / "two")) as process:
        time.sleep(0.5)
        sent = sent_through(pty, 500)
        rig.wait_for((tmp_path / "two" / "s" / "raw" / "nmea-02.log").exists, 2.0)
        time.sleep(1.0)
        printed = ended(process)
        assert "recording goes on in" in printed
        assert both(disk / "s", tmp_path / "two" / "s") == sent
        assert b"switched" in (disk / "s/raw/notes.jsonl").read_bytes() + (
            (tmp_path / "two/s/raw/notes.jsonl").read_bytes() if (tmp_path / "two/s/raw/notes.jsonl").exists() else b""
        )


@pytest.mark.long
def test_a_disk_with_room_again_gets_what_was_held_in_memory(tmp_path: Path) -> None:
    pty, config = rig.Pty(), tmp_path / "c.toml"
    config.write_text(serial(pty.name))
    with small_disk(tmp_path, "1m") as disk:
        filler = disk / "filler"
        with child(config, disk / "s") as process:
            time.sleep(0.5)
            sent = sent_through(pty, 100)
            time.sleep(0.3)
            with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
                while True:
                    file.write(b"0" * 4096)
            sent += sent_through(pty, 300, 100)
            time.sleep(1.5)
            filler.unlink()
            time.sleep(2.5)
            printed = ended(process)
        assert "nothing can be written" in printed
        assert "writing goes on" in printed
        assert original_bytes((disk / "s/raw/nmea.log").read_bytes())["gps"] == sent
        found = verify_session(disk / "s")
        assert (found.faults, found.ending) == ((), "sound with named losses")
        assert any("written afterwards" in str(loss) for loss in found.losses)


@pytest.mark.long
def test_a_disk_that_fills_for_good_never_looks_sound_and_the_lines_lost_are_counted(tmp_path: Path) -> None:
    pty, config = rig.Pty(), tmp_path / "c.toml"
    config.write_text(serial(pty.name))
    with child(config, tmp_path / "s", file_limit=150_000) as process:
        time.sleep(0.5)
        sent = sent_through(pty, 400)
        time.sleep(1.0)
        printed = ended(process)
        assert process.returncode == 1
    assert "nothing can be written" in printed
    kept = (tmp_path / "s" / "raw" / "nmea.log").read_bytes().count(b"\n")
    assert kept < sent.count(b"\n")
    found = verify_session(tmp_path / "s")
    assert found.ending == "sound with named losses"
    losses = {loss.text.split(" of ")[0]: loss for loss in found.losses if "are not in the journal" in loss.text}
    (lost,) = losses.values()
    assert lost.lines == sent.count(b"\n") - kept
    assert any("not everything that was received is on the disk" in loss.text for loss in found.losses)
    assert any("never written again" in loss.text for loss in found.losses)


@pytest.mark.long
def test_a_file_that_may_not_grow_sends_the_rest_to_the_second_folder(tmp_path: Path) -> None:
    pty, config = rig.Pty(), tmp_path / "c.toml"
    config.write_text(serial(pty.name))
    with child(config, tmp_path / "s", "--second", str(tmp_path / "two"), file_limit=300_000) as process:
        time.sleep(0.5)
        sent = sent_through(pty, 450)
        time.sleep(1.0)
        assert "recording goes on in" in ended(process)
    assert both(tmp_path / "s", tmp_path / "two" / "s") == sent


def test_a_disk_that_stalls_a_second_at_every_sync_loses_nothing(tmp_path: Path) -> None:
    port, pty = rig.free_port(), rig.Pty()
    with rig.recording(tmp_path / "s", udp(port) + serial(pty.name), sync=lambda _: time.sleep(1.0)) as run:
        sent_udp, sent_pty = b"", b""
        for number in range(400):
            rig.send_udp(port, rig.numbered(number))
            pty.send(rig.numbered(number))
            sent_udp += rig.numbered(number)
            sent_pty += rig.numbered(number)
            time.sleep(0.004)
        time.sleep(0.4)
        run.end()
    assert original_bytes(run.journal()) == {"net": sent_udp, "gps": sent_pty}


def test_a_flood_of_twenty_thousand_lines_a_second_is_kept_or_its_loss_is_named(tmp_path: Path) -> None:
    port = rig.free_port()
    with rig.recording(tmp_path / "s", udp(port)) as run:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            began, count = time.monotonic(), 20_000
            for number in range(count):
                out.sendto(rig.numbered(number), ("127.0.0.1", port))
                ahead = began + number / 20_000 - time.monotonic()
                if ahead > 0.002:
                    time.sleep(ahead)
            time.sleep(1.0)
            out.sendto(rig.numbered(count), ("127.0.0.1", port))  # brings the system's count of drops along
            count += 1
        rig.wait_for(lambda: rig.numbered(count - 1) in run.journal()[-2000:])
        run.end()
    got = original_bytes(run.journal())["net"].count(b"\r\n")
    dropped = sum(note.get("datagrams", 0) for note in run.noted("overflow"))
    if sys.platform == "linux":
        assert got + dropped == count
    assert got > 0.5 * count
    assert verify_session(tmp_path / "s").faults == ()


def test_a_sender_that_never_ends_a_line_is_kept_whole_in_lines_of_bounded_length(tmp_path: Path) -> None:
    pty = rig.Pty()
    with rig.recording(tmp_path / "s", serial(pty.name)) as run:
        sent = bytes(range(32, 127)) * 1000
        sent = sent.replace(b"$", b"a").replace(b"!", b"b").replace(b"\\", b"c")
        pty.send(sent)
        rig.wait_for(lambda: len(original_bytes(run.journal()).get("gps", b"")) == len(sent))
        run.end()
    assert original_bytes(run.journal())["gps"] == sent
    assert max(map(len, run.journal().split(b"\n"))) <= 1024


@pytest.mark.parametrize("pause_s", [0.3, 1.3])
def test_half_lines_become_whole_ones_and_a_dripping_line_is_on_disk_within_a_second(
    tmp_path: Path, pause_s: float
) -> None:
    port, pty = rig.free_port(), rig.Pty()
    line = rig.sentence("GPHDT,10.7,T")
    with rig.recording(tmp_path / "s", udp(port) + serial(pty.name)) as run:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as gateway:
            for datagram in (line[:10], line[10:] + line[:5], line[5:]):
                gateway.sendto(datagram, ("127.0.0.1", port))
                time.sleep(pause_s)
        pty.send(b"$drip")
        time.sleep(1.1)
        assert original_bytes(run.journal())["gps"] == b"$drip"
        run.end()
    assert run.journal().count(b"\\" + line) == 2
    assert original_bytes(run.journal())["net"] == line * 2
    assert decode_nmea(run.journal(), source="x")[0]["HDT"].num_rows == 2
    assert verify_session(tmp_path / "s").faults == ()


def test_a_port_that_another_program_holds_is_alarmed_and_taken_when_it_is_free(tmp_path: Path) -> None:
    port, out = rig.free_port(), StringIO()
    other = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    other.bind(("127.0.0.1", port))
    with rig.recording(tmp_path / "s", udp(port), console=Console(file=out, width=200)) as run:
        rig.wait_for(lambda: "Another program already listens" in out.getvalue(), 2.0)
        other.close()

        def heard() -> bool:
            rig.send_udp(port, rig.numbered(1))
            return b"HDT" in run.journal()

        rig.wait_for(heard)
        run.end()
    assert run.noted("lost")[0]["trouble"] == "busy"
    assert verify_session(tmp_path / "s").faults == ()


def stepped_clock() -> tuple[Clock, dict[str, int]]:
    real = system_clock()
    shift = {"wall": 0, "sleep": 0}
    return (
        Clock(
            lambda: real.mono_ns() + shift["sleep"],
            real.awake_ns,
            lambda: real.wall_ns() + shift["wall"] + shift["sleep"],
            real.sleep,
        ),
        shift,
    )


@pytest.mark.parametrize("hours", [3, -5])
def test_a_wall_clock_set_by_hours_is_an_event_and_leaves_session_time_alone(tmp_path: Path, hours: int) -> None:
    port, out = rig.free_port(), StringIO()
    clock, shift = stepped_clock()
    with rig.recording(tmp_path / "s", udp(port), clock=clock, console=Console(file=out, width=200)) as run:
        for number in range(10):
            if number == 5:
                shift["wall"] = hours * 3600 * 10**9
            rig.send_udp(port, rig.numbered(number))
            time.sleep(0.1)
        rig.wait_for(lambda: "clock was set by" in out.getvalue(), 2.0)
        run.end()
    (step,) = run.noted("wall_step")
    assert step["step_s"] == pytest.approx(hours * 3600, abs=0.01)
    stamps = [int(line.split(b",r:")[1].split(b"*")[0]) for line in run.journal().splitlines()]
    assert stamps == sorted(stamps)
    assert stamps[-1] - stamps[0] < 5e6
    assert verify_session(tmp_path / "s").faults == ()


@pytest.mark.parametrize(("step_s", "is_marked"), [(0.3, False), (-0.3, False), (0.8, True), (-0.8, True)])
def test_only_a_step_of_half_a_second_calls_for_a_look(tmp_path: Path, step_s: float, is_marked: bool) -> None:
    port, out = rig.free_port(), StringIO()
    clock, shift = stepped_clock()
    with rig.recording(tmp_path / "s", udp(port), clock=clock, console=Console(file=out, width=200)) as run:
        rig.send_udp(port, rig.numbered(1))
        time.sleep(0.2)
        shift["wall"] = round(step_s * 1e9)
        rig.wait_for(lambda: "clock was set by" in out.getvalue(), 2.0)
        run.end()
    [told] = [line for line in out.getvalue().splitlines() if "clock was set by" in line]
    assert ("!" in told) is is_marked


def test_sleep_is_an_event_a_named_gap_and_an_alarm(tmp_path: Path) -> None:
    port, out = rig.free_port(), StringIO()
    clock, shift = stepped_clock()
    with rig.recording(tmp_path / "s", udp(port), clock=clock, console=Console(file=out, width=200)) as run:
        rig.send_udp(port, rig.numbered(1))
        time.sleep(0.3)
        shift["sleep"] = 60 * 10**9
        rig.wait_for(lambda: "slept for 60 s" in out.getvalue(), 2.0)
        rig.send_udp(port, rig.numbered(2))
        time.sleep(0.4)
        run.end()
    (slept,) = run.noted("slept")
    assert slept["slept_s"] == pytest.approx(60.0, abs=1.0)
    assert not run.noted("wall_step")
    assert any(gap["to_us"] - gap["from_us"] > 59e6 for gap in run.noted("gap"))
    assert verify_session(tmp_path / "s").faults == ()


def test_a_torn_last_line_is_closed_named_and_costs_nothing_else(tmp_path: Path) -> None:
    port = rig.free_port()
    with rig.recording(tmp_path / "s", udp(port)) as run:
        rig.send_udp(port, rig.numbered(1), rig.numbered(2))
        rig.wait_for(lambda: run.journal().count(b"HDT") == 2)
        run.end()
    log = tmp_path / "s" / "raw" / "nmea.log"
    for name in ("manifest.json", "seal.jsonl"):  # as a crash leaves it
        (tmp_path / "s" / name).unlink()
    with log.open("rb+") as file:
        file.truncate(log.stat().st_size - 9)
    torn = verify_session(tmp_path / "s")
    assert torn.faults == ()
    assert any("torn line" in remark for remark in torn.remarks)
    with rig.recording(tmp_path / "s", udp(port), resume=True) as run:
        rig.send_udp(port, rig.numbered(3))
        rig.wait_for(lambda: b"T,3" in run.journal())
        run.end()
    assert run.noted("torn")[0]["file"] == "nmea.log"
    assert original_bytes(log.read_bytes())["net"] == rig.numbered(1) + rig.numbered(2)[:-9] + rig.numbered(3)
    assert verify_session(tmp_path / "s").faults == ()


def test_damage_is_found_and_what_survives_is_said(tmp_path: Path) -> None:
    port = rig.free_port()
    with rig.recording(tmp_path / "s", udp(port)) as run:
        rig.send_udp(port, *(rig.numbered(n) for n in range(20)))
        rig.wait_for(lambda: run.journal().count(b"HDT") == 20)
        run.end()
    log = tmp_path / "s" / "raw" / "nmea.log"
    sound = log.read_bytes()
    for at, words in ((5, "TAG block"), (0, "what can be read"), (sound.index(b"HDT"), "changed")):
        log.write_bytes(sound[:at] + bytes([sound[at] ^ 1]) + sound[at + 1 :])
        faults = verify_session(tmp_path / "s").faults
        assert faults, at
        assert any("raw/nmea.log" in fault for fault in faults), words
    log.write_bytes(sound)
    assert verify_session(tmp_path / "s").faults == ()


def test_a_silence_without_a_name_is_found(tmp_path: Path) -> None:
    port = rig.free_port()
    clock, shift = stepped_clock()
    with rig.recording(tmp_path / "s", udp(port), clock=clock) as run:
        rig.send_udp(port, rig.numbered(1))
        time.sleep(0.3)
        shift["sleep"] = 60 * 10**9
        rig.send_udp(port, rig.numbered(2))
        time.sleep(0.4)
        run.end()
    notes = tmp_path / "s" / "raw" / "notes.jsonl"
    for name in ("manifest.json", "seal.jsonl"):
        (tmp_path / "s" / name).unlink()
    notes.write_bytes(
        b"".join(n + b"\n" for n in notes.read_bytes().splitlines() if b'"gap"' not in n and b'"silent"' not in n)
    )
    (fault,) = verify_session(tmp_path / "s").faults
    assert "without a named gap" in fault


def test_threads_and_memory_stay_bounded_while_a_source_comes_and_goes(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    with rig.recording(tmp_path / "s", serial(str(link))) as run:
        before = threading.active_count()
        for _ in range(3):
            pty = rig.Pty(link)
            time.sleep(0.8)
            pty.unplug()
            os.unlink(link)  # noqa: PTH108
            time.sleep(0.2)
        assert threading.active_count() <= before
        run.end()
    assert verify_session(tmp_path / "s").faults == ()
