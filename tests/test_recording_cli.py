"""``record`` as its user meets it: what it says at the end, what it refuses, and ``process`` beside it."""

from __future__ import annotations

import json
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests import rig
from tests.command import Run, calling
from tests.made_once import second_look
from tests.numbers import pages_left_out, process_numbers
from trialcapture.archive.manifest import hash_raw, read_manifest, verify_manifest
from trialcapture.archive.session import open_session
from trialcapture.system.session_files import SessionLock

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"
ENGINE_LOG = """
[[engine]]
id = "main"
rated_rpm = 2400
[[engine_log]]
files = "*.csv"
columns = { time = "Time", rpm_main = { name = "RPM", unit = "rpm" } }
"""


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    return calling(capsys)


def flat(text: str) -> str:
    return " ".join(text.split())


def settings(path: str, port: int, name: str = "Tarn Plover", more: str = "") -> str:
    Path(path).write_text(
        f'[boat]\nname = "{name}"\nlength_m = 9.8\n[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\n'
        f"port = {port}\n{more}"
    )
    return path


@contextmanager
def talking(port: int) -> Iterator[None]:
    stop = threading.Event()

    def talk() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            number = 0
            while not stop.is_set():
                out.sendto(rig.numbered(number), ("127.0.0.1", port))
                number += 1
                time.sleep(0.02)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def test_a_recording_of_nothing_ends_with_a_fault_and_what_to_check(run: Run) -> None:
    code, out, err = run("record", settings("b.toml", rig.free_port()), "--into", "s", "--minutes", "0.01")
    assert code == 1
    assert "0 bytes" in flat(err)
    assert "net: listening, and nothing came" in flat(err)
    assert "preflight" in flat(err)
    assert "next:" not in out


def test_the_end_says_why_and_what_comes_next(run: Run) -> None:
    port = rig.free_port()
    with talking(port):
        code, out, _ = run("record", settings("b.toml", port), "--into", "s", "--minutes", "0.02")
    assert code == 0
    assert "ended by: the time was up" in out
    assert "next: trialcapture process s" in out
    note = json.loads(Path("s/raw/notes.jsonl").read_bytes().splitlines()[-1])
    assert (note["kind"], note["reason"]) == ("stop", "the time was up (0.02 minutes)")


def test_where_an_engine_log_is_declared_it_comes_next(run: Run) -> None:
    port = rig.free_port()
    with talking(port):
        _, out, _ = run("record", settings("b.toml", port, more=ENGINE_LOG), "--into", "s", "--minutes", "0.02")
    assert "next: trialcapture collect --engine-log FILE --into s" in out
    assert out.index("collect") < out.index("process s")


def test_another_boats_settings_are_refused_with_the_difference(run: Run) -> None:
    port = rig.free_port()
    with talking(port):
        run("record", settings("b.toml", port), "--into", "s", "--minutes", "0.02")
        before = Path("s/raw/nmea.log").read_bytes()
        other = settings("other.toml", port, name="Quiet Heron", more=ENGINE_LOG)
        code, _, err = run("record", other, "--into", "s", "--resume", "--minutes", "0.02")
    assert code == 1
    assert 'boat.name: "Tarn Plover" there, "Quiet Heron" given' in flat(err)
    assert "engine" in flat(err)
    assert Path("s/raw/nmea.log").read_bytes() == before
    assert verify_manifest(Path("s")) == []


def test_a_source_in_another_socket_is_gone_on_with_and_noted(run: Run) -> None:
    port, other = rig.free_port(), rig.free_port()
    with talking(port):
        run("record", settings("b.toml", port), "--into", "s", "--minutes", "0.02")
    with talking(other):
        code, _, _ = run("record", settings("b.toml", other), "--into", "s", "--resume", "--minutes", "0.02")
    assert code == 0
    notes = [json.loads(line) for line in Path("s/raw/notes.jsonl").read_bytes().splitlines()]
    (resumed,) = [note for note in notes if note["kind"] == "resume"]
    assert resumed["settings_now"] == [f"source.net.port: {port} there, {other} given"]
    assert open_session(Path("s")).config.source[0].port == port


def test_the_settings_in_the_session_itself_go_on_with_it(run: Run) -> None:
    port = rig.free_port()
    with talking(port):
        run("record", settings("b.toml", port), "--into", "s", "--minutes", "0.02")
        code, _, _ = run("record", "s/session.toml", "--into", "s", "--resume", "--minutes", "0.02")
    assert code == 0


def test_ends_and_views_stand_alone(run: Run) -> None:
    for arguments in (["--stop", "s", "--attach", "s"], ["b.toml", "--stop", "s"], [], ["b.toml"]):
        assert run("record", *arguments)[0] == 2
    code, _, err = run("record", "--stop", "nowhere")
    assert code == 1
    assert "there is no such folder" in flat(err)


# ------------------------------------------------------------------------------
# ``process`` beside a recorder, and on half a session.
# ------------------------------------------------------------------------------


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLE, tmp_path / "session", ignore=shutil.ignore_patterns("trialset", "reduction")))


def warnings_of(folder: Path) -> str:
    return " ".join(w["text"] for w in process_numbers(folder)["summary"]["warnings"])


def test_process_beside_a_recorder_reads_what_is_there_and_says_so(copied: Path) -> None:
    journal = copied / "raw" / "nmea.log"
    whole = journal.read_bytes()
    part = whole[: whole.rindex(b"\n", 0, len(whole) // 5) + 1]
    journal.write_bytes(part + b"\\s:gps1,c:17900")  # the recorder is in the middle of a line
    with SessionLock(copied):
        result = process_numbers(copied)
    texts = " ".join(w["text"] for w in result["summary"]["warnings"])
    assert "still being recorded" in texts
    (used,) = [entry for entry in result["summary"]["raw"] if entry["path"] == "raw/nmea.log"]
    assert used["bytes"] == len(part)
    journal.write_bytes(part)
    assert "still being recorded" not in warnings_of(copied)


def test_what_is_appended_meanwhile_is_neither_read_nor_hashed(copied: Path) -> None:
    from trialcapture.archive.raw import read_blocks  # noqa: PLC0415
    from trialcapture.archive.session import as_recorded_so_far  # noqa: PLC0415

    session = as_recorded_so_far(open_session(copied))
    before = hash_raw(session.folder, session.lengths)
    journal = copied / "raw" / "nmea.log"
    size = journal.stat().st_size
    with journal.open("ab") as file:
        file.write(b"$GPXXX,later\r\n" * 1000)
    assert hash_raw(session.folder, session.lengths) == before
    limit = session.lengths["raw/nmea.log"]
    assert limit == size
    assert sum(len(block) for _, block in read_blocks(journal, limit_bytes=limit)) == size


def test_a_recording_that_was_never_closed_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = second_look(tmp_path / "session", monkeypatch)
    assert "never closed" not in warnings_of(session)
    notes = session / "raw" / "notes.jsonl"
    kept = [line for line in notes.read_bytes().splitlines(keepends=True) if b'"stop"' not in line]
    if not any(b'"start"' in line for line in kept):
        kept.insert(0, b'{"t":"2026-05-14T08:00:00Z","kind":"start","mono_us":0,"epoch_wall_ns":1790000000000000000}\n')
    notes.write_bytes(b"".join(kept))
    assert "never closed" in warnings_of(session)


def test_half_of_a_session_says_that_it_is_half_and_joined_it_is_whole(run: Run, copied: Path) -> None:
    whole = copied / "raw" / "nmea.log"
    data = whole.read_bytes()
    cut = data.rindex(b"\n", 0, len(data) // 2) + 1
    other = Path(shutil.copytree(copied, copied.with_name("other")))
    whole.write_bytes(data[:cut])
    (other / "raw" / "nmea.log").unlink()
    (other / "raw" / "nmea-02.log").write_bytes(data[cut:])
    shutil.rmtree(other / "raw" / "engine", ignore_errors=True)
    (other / "raw" / "notes.jsonl").write_bytes(b'{"t":"2026-05-14T09:00:00Z","kind":"switched","mono_us":1}\n')
    for folder in (copied, other):
        (folder / "manifest.json").unlink()
        (folder / "seal.jsonl").unlink(missing_ok=True)
    with pages_left_out():
        code, out, _ = run("process", str(other))
    assert code == 0
    assert "half of a session" in flat(out)
    assert "collect --join" in flat(out)
    code, out, _ = run("collect", "--join", str(copied), str(other))
    assert code == 0
    assert "one session again" in flat(out)
    assert b'"joined"' in (copied / "raw" / "notes.jsonl").read_bytes()
    assert {entry.path for entry in read_manifest(copied) or ()} >= {"raw/nmea.log", "raw/nmea-02.log"}
    with pages_left_out():
        code, out, _ = run("process", str(copied))
    assert code == 0
    assert "half of a session" not in flat(out)
    assert run("collect", "--join", str(copied), str(other), "--config", "x.toml")[0] == 2
    code, _, err = run("collect", "--join", str(copied), str(copied))
    assert code == 1
    assert "cannot be joined with itself" in flat(err)


def test_nothing_is_joined_while_a_recorder_is_at_work(run: Run, copied: Path) -> None:
    other = Path(shutil.copytree(copied, copied.with_name("other")))
    with SessionLock(other):
        code, _, err = run("collect", "--join", str(copied), str(other))
    assert code == 1
    assert "another recorder is at work" in flat(err)


def test_a_faster_clock_is_for_what_this_computer_plays_to_itself_and_the_notes_tell_of_it(run: Run) -> None:
    port = rig.free_port()
    with talking(port):
        code, _, err = run("record", settings("boat.toml", port), "--into", "fast", "--minutes", "0.2", "--speed", "8")
    assert code == 0, err
    notes = [json.loads(line) for line in Path("fast/raw/notes.jsonl").read_text(encoding="utf-8").splitlines()]
    (told,) = [note for note in notes if note["kind"] == "speed"]
    assert told["speed"] == 8.0
    # what is noted beside it stands by the clock of the session, not by that of the computer, which is behind by now
    ended = max(note["t"] for note in notes)
    assert run("note", "fast", "mark")[0] == 0
    (mark,) = [json.loads(line) for line in Path("fast/raw/notes-note.jsonl").read_text(encoding="utf-8").splitlines()]
    assert mark["t"] > ended
    text = Path("boat.toml").read_text().replace('host = "127.0.0.1"\n', "")
    Path("open.toml").write_text(text)
    code, _, err = run("record", "open.toml", "--into", "refused", "--minutes", "0.2", "--speed", "8")
    assert code == 1
    assert "a rehearsal played on this computer" in flat(err)
    assert not Path("refused").exists()
