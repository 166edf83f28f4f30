"""A file that only grows: what was taken away is put back, what is gone is named in lines and seconds."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.acquire.raw_files import AppendFile, FileLoss

posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows refuses to delete a file that is open")


class Log:
    """A file with a line a second of session time."""

    def __init__(self, path: Path) -> None:
        self.now_ns = 0
        self.file = AppendFile(path, lambda: self.now_ns)

    def write(self, lines: int) -> None:
        for _ in range(lines):
            self.now_ns += 1_000_000_000
            self.file.append(b"0123456\r\n")


def test_a_file_at_its_path_is_in_no_trouble(tmp_path: Path) -> None:
    log = Log(tmp_path / "raw" / "nmea.log")
    log.write(3)
    assert log.file.trouble() == ""
    assert log.file.size == log.file.size_on_disk() == 27


@posix
def test_a_deleted_file_is_copied_back_whole_and_goes_on(tmp_path: Path) -> None:
    log = Log(tmp_path / "raw" / "nmea.log")
    log.write(3)
    log.file.path.unlink()
    log.write(2)
    assert log.file.trouble() == "deleted"
    found = log.file.restore(tmp_path / "aside")
    assert (found.trouble, found.saved_bytes, found.loss) == ("deleted", 45, FileLoss())
    log.write(1)
    assert log.file.path.read_bytes() == b"0123456\r\n" * 6
    assert log.file.trouble() == ""
    assert str(found.loss) == "nothing is lost"


@posix
def test_what_stands_in_its_place_is_kept_aside_and_never_overwritten(tmp_path: Path) -> None:
    log = Log(tmp_path / "raw" / "nmea.log")
    for number in (1, 2):
        log.write(2)
        other = tmp_path / "other"
        other.write_bytes(b"foreign %d" % number)
        other.replace(log.file.path)
        assert log.file.trouble() == "replaced"
        found = log.file.restore(tmp_path / "aside")
        assert found.set_aside is not None
        assert found.set_aside.read_bytes() == b"foreign %d" % number
    assert log.file.path.read_bytes() == b"0123456\r\n" * 4
    assert sorted(path.name for path in (tmp_path / "aside").iterdir()) == ["nmea-01.log", "nmea-02.log"]


def test_a_shortened_file_names_its_loss_in_lines_and_seconds(tmp_path: Path) -> None:
    log = Log(tmp_path / "nmea.log")
    log.write(10)
    os.truncate(log.file.path, 45)
    assert log.file.trouble() == "shortened"
    found = log.file.restore(tmp_path / "aside")
    assert found.loss.bytes == 45
    assert found.loss.lines == 5
    assert found.loss.seconds == pytest.approx(5.0, abs=1.0)
    assert "5 lines" in str(found.loss)
    assert log.file.trouble() == ""


def test_a_loss_is_noticed_though_the_file_has_grown_past_it(tmp_path: Path) -> None:
    log = Log(tmp_path / "nmea.log")
    log.write(4)
    os.truncate(log.file.path, 0)
    log.write(9)
    assert log.file.trouble() == "shortened"
    loss = log.file.restore(tmp_path / "aside").loss
    assert (loss.bytes, loss.lines) == (36, 4)
    assert log.file.path.read_bytes() == b"0123456\r\n" * 9


def test_a_line_that_was_cut_does_not_take_the_next_with_it(tmp_path: Path) -> None:
    log = Log(tmp_path / "nmea.log")
    log.write(2)
    os.truncate(log.file.path, 13)
    log.write(1)
    assert log.file.path.read_bytes() == b"0123456\r\n0123\n0123456\r\n"


def test_what_was_there_before_is_named_apart(tmp_path: Path) -> None:
    path = tmp_path / "nmea.log"
    path.write_bytes(b"before\n" * 100)
    log = Log(path)
    log.write(1)
    os.truncate(path, 0)
    loss = log.file.restore(tmp_path / "aside").loss
    assert (loss.bytes, loss.lines, loss.older_bytes) == (709, 1, 700)
    assert "from before" in str(loss)


@posix
def test_without_room_it_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = Log(tmp_path / "raw" / "nmea.log")
    log.write(2)
    log.file.path.unlink()
    monkeypatch.setattr("trialcapture.acquire.raw_files.free_bytes", lambda _: 0)
    found = log.file.restore(tmp_path / "aside")
    assert "no room" in found.pending
    assert not log.file.path.exists()
    monkeypatch.undo()
    assert not log.file.restore(tmp_path / "aside").pending
    assert log.file.path.read_bytes() == b"0123456\r\n" * 2


def test_a_file_that_is_given_up_names_all_of_itself(tmp_path: Path) -> None:
    log = Log(tmp_path / "nmea.log")
    log.write(7)
    found = log.file.given_up()
    assert (found.loss.bytes, found.loss.lines) == (63, 7)


@given(st.lists(st.tuples(st.sampled_from(["write", "cut", "look"]), st.integers(0, 40)), max_size=30))
@settings(max_examples=60, deadline=None)
def test_lines_on_disk_and_lines_named_are_never_fewer_than_were_written(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    folder = tmp_path_factory.mktemp("f")
    log = Log(folder / "nmea.log")
    written = named = 0
    for what, amount in steps:
        if what == "write":
            log.write(amount % 8)
            written += amount % 8
        elif what == "cut":
            size = log.file.size_on_disk()
            os.truncate(log.file.path, max(0, size - amount))
        else:
            named += log.file.restore(folder / "aside").loss.lines
    if log.file.trouble():
        named += log.file.restore(folder / "aside").loss.lines
    assert log.file.path.read_bytes().count(b"0123456\r\n") + named >= written
