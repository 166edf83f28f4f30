"""Between memory and disk: nothing lost while a disk stalls, fills or fails, nothing overwritten, memory bounded."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import rig
from trialcapture.acquire import raw_files as raw_files_module
from trialcapture.acquire.events import Event, Events
from trialcapture.acquire.raw_files import RawFiles, last_part, mend_torn_end, next_part_name
from trialcapture.acquire.received_lines import Backlog, Received
from trialcapture.acquire.recorder_threads import Writer
from trialcapture.acquire.status import Health
from trialcapture.archive.journal import original_bytes


class Bench:
    """A writer without threads, on folders of a test."""

    def __init__(self, *folders: Path, limit_bytes: int = 1 << 20, sync: Callable[[int], None] | None = None) -> None:
        self.clocks = rig.FakeClocks()
        self.start_ns = self.clocks.mono
        self.events: list[Event] = []
        self.backlog = Backlog(limit_bytes)
        self.told = Events(self.clocks.clock(), self.start_ns, heard=self.events.append)
        self.health = Health(self.told)
        self.files = RawFiles(
            list(folders),
            switched=lambda folder, cause: self.told.add("switched", f"{folder} {cause}"),
            sync=sync or (lambda _: None),
        )
        self.writer = Writer(
            self.backlog, self.files, self.health, self.told, self.clocks.clock(), self.start_ns, list(folders)
        )

    def receive(self, data: bytes, source: str = "gps", stream: str = "nmea.log") -> bool:
        now = self.clocks.mono - self.start_ns
        return self.backlog.put(Received(source, stream, "", now, self.clocks.wall, data))

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


class FailingDisk:
    """Makes writing fail in one folder from a moment on, part of a batch written."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path, number: int) -> None:
        self.failing = False
        real = RawFiles._append_to

        def append(files: RawFiles, stream: str, where: Path, data: bytes) -> None:
            if self.failing and where == folder:
                file = files._open.get(stream) or files._open_stream(stream, where)
                start = file._file.seek(0, 2)
                file._file.write(data[: len(data) // 2])
                file._file.truncate(start)
                raise OSError(number, "as made by the test")
            real(files, stream, where, data)

        monkeypatch.setattr(raw_files_module.RawFiles, "_append_to", append)


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Path, Path]:
    first, second = tmp_path / "one", tmp_path / "two"
    for folder in (first, second):
        (folder / "raw").mkdir(parents=True)
    return first, second


@given(st.lists(st.binary(max_size=300), max_size=20))
@settings(max_examples=30, deadline=None)
def test_whatever_is_received_is_in_the_journal(tmp_path_factory: pytest.TempPathFactory, chunks: list[bytes]) -> None:
    folder = tmp_path_factory.mktemp("session")
    bench = Bench(folder)
    for chunk in chunks:
        bench.receive(chunk)
        bench.writer.step()
        bench.clocks.run(0.3)
    bench.writer.finish()
    bench.writer.close()
    path = folder / "raw" / "nmea.log"
    journal = path.read_bytes() if path.exists() else b""
    assert original_bytes(journal).get("gps", b"") == b"".join(chunks)


def test_an_unfinished_line_is_on_disk_within_a_second(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.receive(b"$never ends")
    for _ in range(9):
        bench.writer.step()
        bench.clocks.run(0.1)
    assert original_bytes((tmp_path / "raw" / "nmea.log").read_bytes())["gps"] == b"$never ends"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_when_the_first_disk_fails_the_second_takes_over_and_nothing_is_lost(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    disk = FailingDisk(monkeypatch, folders[0], number)
    bench = Bench(*folders)
    sent = [rig.numbered(n) for n in range(20)]
    for at, line in enumerate(sent):
        disk.failing = at >= 10
        bench.receive(line)
        bench.writer.step()
    bench.writer.finish()
    bench.writer.close()
    first = (folders[0] / "raw" / "nmea.log").read_bytes()
    second = (folders[1] / "raw" / "nmea-02.log").read_bytes()
    assert original_bytes(first)["gps"] + original_bytes(second)["gps"] == b"".join(sent)
    assert bench.kinds().count("switched") == 1
    notes = [json.loads(line) for line in (folders[0] / "raw" / "notes.jsonl").read_bytes().splitlines()]
    assert "switched" in [note["kind"] for note in notes]


def test_with_one_full_disk_data_is_held_and_written_when_there_is_room_again(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FailingDisk(monkeypatch, folders[0], errno.ENOSPC)
    bench = Bench(folders[0])
    sent = [rig.numbered(n) for n in range(30)]
    for at, line in enumerate(sent):
        disk.failing = 10 <= at < 20
        bench.receive(line)
        bench.writer.step()
        bench.clocks.run(1.1)
    assert bench.writer.finish()
    assert original_bytes((folders[0] / "raw" / "nmea.log").read_bytes())["gps"] == b"".join(sent)
    assert [k for k in bench.kinds() if "writing" in k] == ["not_writing", "writing_again"]


def test_with_both_disks_full_memory_stays_bounded_and_the_loss_is_told(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(RawFiles, "_append_to", full)
    monkeypatch.setattr("trialcapture.acquire.recorder_threads._HELD_LIMIT_BYTES", 200_000)
    bench = Bench(*folders, limit_bytes=100_000)
    lost = 0
    for n in range(5000):
        lost += not bench.receive(rig.numbered(n))
        if n % 50 == 0:
            bench.writer.step()
            bench.clocks.run(1.1)
    bench.writer.step()
    bench.writer.losses.tell(bench.clocks.mono, "full", all_of_it=True)
    assert bench.writer.held_bytes < 400_000
    assert lost > 0
    overflows = [event for event in bench.events if event.kind == "overflow"]
    assert sum(event.details["bytes"] for event in overflows) == sum(len(rig.numbered(n)) for n in range(5000)) - sum(
        len(e.data) for e in bench.backlog.take()
    ) - len(original_bytes(b"".join(bench.writer._held["nmea.log"]))["gps"])


def test_a_disk_that_does_not_confirm_is_told_and_left(folders: tuple[Path, Path]) -> None:
    def refuse(_: int) -> None:
        raise OSError(errno.EIO, "no")

    bench = Bench(*folders, sync=refuse)
    bench.receive(rig.numbered(1))
    bench.writer.step()
    bench.writer.sync()
    bench.receive(rig.numbered(2))
    bench.writer.step()
    assert "sync_failed" in bench.kinds()
    assert original_bytes((folders[1] / "raw" / "nmea-02.log").read_bytes())["gps"] == rig.numbered(2)


def test_counting_that_fails_costs_no_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path)
    monkeypatch.setattr(bench.health, "heard", lambda *_: 1 / 0)
    bench.receive(rig.numbered(1))
    bench.writer.step()
    assert original_bytes((tmp_path / "raw" / "nmea.log").read_bytes())["gps"] == rig.numbered(1)
    assert "fault" in bench.kinds()


def test_an_engine_log_and_can_frames_are_kept_verbatim(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.receive(b"time;rpm\n\xff\x00no text", "ecu", "engine/ecu.csv")
    bench.receive(b"(1.000000) can1 123#00\n", "can1", "can.log")
    bench.writer.step()
    assert (tmp_path / "raw" / "engine" / "ecu.csv").read_bytes() == b"time;rpm\n\xff\x00no text"
    assert (tmp_path / "raw" / "can.log").read_bytes() == b"(1.000000) can1 123#00\n"


def test_size_on_disk_is_the_file_systems_word(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.receive(rig.numbered(1))
    bench.writer.step()
    assert bench.files.size_on_disk() == (tmp_path / "raw" / "nmea.log").stat().st_size


def test_part_names_count_up() -> None:
    assert next_part_name("nmea.log") == "nmea-02.log"
    assert next_part_name("nmea-09.log") == "nmea-10.log"


def test_the_last_part_is_found_on_any_disk(folders: tuple[Path, Path]) -> None:
    for folder, name in ((folders[0], "nmea.log"), (folders[1], "nmea-02.log"), (folders[0], "nmea-note.txt")):
        (folder / "raw" / name).touch()
    assert last_part([f / "raw" for f in folders], "nmea.log") == folders[1] / "raw" / "nmea-02.log"
    assert last_part([f / "raw" for f in folders], "can.log") is None


@pytest.mark.parametrize(
    ("content", "torn", "after"),
    [(b"", 0, b""), (b"a\r\n", 0, b"a\r\n"), (b"a\r\nbc", 2, b"a\r\nbc\n"), (b"a\r\nb\r", 2, b"a\r\nb\r\n")],
)
def test_a_torn_last_line_is_closed_and_counted(tmp_path: Path, content: bytes, torn: int, after: bytes) -> None:
    path = tmp_path / "nmea.log"
    path.write_bytes(content)
    assert mend_torn_end(path) == torn
    assert path.read_bytes() == after


def test_the_backlog_gives_back_in_order_and_counts_what_it_cannot_take() -> None:
    backlog = Backlog(limit_bytes=500)
    taken = [backlog.put(Received("a", "nmea.log", "", n, n, b"x" * 40)) for n in range(4)]
    assert taken == [True, True, False, False]
    assert [entry.mono_ns for entry in backlog.take()] == [0, 1]
    assert backlog.take_lost() == {"a": (80, 0)}
    assert backlog.take_lost() == {}
    assert backlog.put(Received("a", "nmea.log", "", 9, 9, b"x"))


def test_a_source_that_floods_takes_no_room_of_the_others() -> None:
    backlog = Backlog(limit_bytes=160_000)
    for n in range(2000):
        backlog.put(Received("flood", "nmea.log", "", n, n, b"x" * 100))
    good = [backlog.put(Received("good", "nmea.log", "", n, n, b"y" * 40)) for n in range(50)]
    assert all(good)
    assert "good" not in backlog.take_lost()


def test_senders_on_one_port_have_shares_of_their_own() -> None:
    backlog = Backlog(limit_bytes=160_000)
    for n in range(2000):
        backlog.put(Received("net", "nmea.log", f"10.0.0.1:{n}", n, n, b"x" * 100 + b"\n"))
    assert backlog.put(Received("net", "nmea.log", "10.0.0.2:1", 1, 1, b"good\n"))


def test_a_turn_takes_something_of_everybody_in_order() -> None:
    backlog = Backlog(limit_bytes=1 << 20)
    for n in range(300):
        backlog.put(Received("flood", "nmea.log", "", n, n, b"x" * 100))
    backlog.put(Received("good", "nmea.log", "", 300, 300, b"y"))
    taken = backlog.take(5000)
    assert [entry.source for entry in taken].count("good") == 1
    assert [entry.mono_ns for entry in taken] == sorted(entry.mono_ns for entry in taken)
    assert len(taken) < 100
    assert backlog.oldest_ns() is not None
    assert len(backlog.take()) + len(taken) == 301
    assert backlog.waiting_bytes == 0
    assert backlog.oldest_ns() is None


def test_lines_that_no_disk_takes_at_the_end_are_counted_by_source(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "full")

    bench = Bench(folders[0])
    monkeypatch.setattr(RawFiles, "_append_to", full)
    for n in range(7):
        bench.receive(rig.numbered(n))
    bench.receive(rig.numbered(8), source="other")
    assert not bench.writer.finish()
    assert bench.writer.losses.total == {"gps": 7, "other": 1}
    (told,) = [e for e in bench.events if e.kind == "overflow" and e.source == "gps"]
    assert (told.details["lines"], told.details["cause"]) == (7, "disk")


def test_notes_of_a_full_disk_take_the_reserve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from trialcapture.acquire.events import RESERVE  # noqa: PLC0415
    from trialcapture.acquire.raw_files import AppendFile  # noqa: PLC0415

    bench = Bench(tmp_path)
    bench.told.keep_reserve(tmp_path)
    real = AppendFile.append

    def full(file: AppendFile, data: bytes) -> None:
        if (tmp_path / RESERVE).exists():
            raise OSError(errno.ENOSPC, "full")
        real(file, data)

    monkeypatch.setattr(AppendFile, "append", full)
    bench.told.add("stop", "it ends")
    bench.told.write_waiting([tmp_path])
    assert b"it ends" in (tmp_path / "raw/notes.jsonl").read_bytes()
    assert bench.told.waiting == 0
