"""What is written is on the disk before it takes its place, reads back the same, and no run touches another's files."""

from __future__ import annotations

import errno
import os
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from trialcapture.acquire.raw_files import AppendFile, RawFiles, mend_torn_end
from trialcapture.archive.atomic import open_replacement, open_run_folder, write_file
from trialcapture.archive.parquet import write_parquet
from trialcapture.errors import TrialCaptureError

OLD, NEW = b"old", b"0123456789" * 50


def watch_syncs(monkeypatch: pytest.MonkeyPatch, seen: Callable[[bool, int], None]) -> None:
    """Call `seen` at every sync: whether it is of a folder, and the size of what is synced."""
    sync = os.fsync

    def watched(handle: int) -> None:
        found = os.fstat(handle)
        seen(stat.S_ISDIR(found.st_mode), found.st_size)
        sync(handle)

    monkeypatch.setattr(os, "fsync", watched)


@pytest.mark.parametrize("former", [None, OLD])
def test_a_file_is_whole_on_the_disk_before_it_takes_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, former: bytes | None
) -> None:
    path = tmp_path / "a.csv"
    if former is not None:
        path.write_bytes(former)
    steps: list[tuple[str, bytes | None]] = []

    def seen(is_folder: bool, size: int) -> None:
        there = path.read_bytes() if path.exists() else None
        if is_folder:
            steps.append(("folder", there))
        elif size == len(NEW):
            steps.append(("file", there))

    watch_syncs(monkeypatch, seen)
    write_file(path, NEW)
    # all of the file is synced while the former one is still in its place; then the rename itself
    assert steps == [("file", former)] + ([] if sys.platform == "win32" else [("folder", NEW)])


def test_a_parquet_file_is_synced_before_it_takes_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.parquet"
    sizes: list[int] = []
    watch_syncs(monkeypatch, lambda is_folder, size: None if is_folder or path.exists() else sizes.append(size))
    write_parquet(path, pa.table({"x": list(range(1000))}), {})
    assert sizes == [path.stat().st_size]


def spoil_at_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the disk write one byte wrong."""
    sync = os.fsync

    def spoiled(handle: int) -> None:
        if not stat.S_ISDIR(os.fstat(handle).st_mode):
            os.lseek(handle, 100, os.SEEK_SET)
            os.write(handle, b"X")
        sync(handle)

    monkeypatch.setattr(os, "fsync", spoiled)


def test_a_file_that_does_not_read_back_replaces_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(OLD)
    spoil_at_sync(monkeypatch)
    with pytest.raises(TrialCaptureError, match="did not read back"):
        write_file(path, NEW)
    assert path.read_bytes() == OLD
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_a_check_that_refuses_a_file_leaves_the_former_one(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(OLD)

    def refuse(temporary: Path) -> None:
        assert temporary.read_bytes() == NEW
        raise TrialCaptureError("not good enough")

    with pytest.raises(TrialCaptureError, match="not good enough"), open_replacement(path, check=refuse) as file:
        file.write(NEW)
    assert path.read_bytes() == OLD
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_an_entry_is_synced_when_it_is_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "raw" / "notes.jsonl"
    sizes: list[int] = []
    watch_syncs(monkeypatch, lambda is_folder, size: None if is_folder else sizes.append(size))
    notes = AppendFile(path, lambda: 0)
    notes.append_safely(b'{"kind": "mark"}\n')
    notes.append_safely(b'{"kind": "trim"}\n')
    assert sizes == [17, 34]


def test_an_entry_that_the_disk_does_not_confirm_is_taken_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "notes.jsonl"
    notes = AppendFile(path, lambda: 0)
    notes.append_safely(b"first\n")

    def refuse(_: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OSError, match="Input/output"):
        notes.append_safely(b"second\n")
    assert path.read_bytes() == b"first\n"


HOUR_S = 3600.0


def test_two_runs_at_once_leave_each_others_work_alone(tmp_path: Path) -> None:
    with open_run_folder(tmp_path) as one:
        (one / "blocks").write_bytes(b"1")
        with open_run_folder(tmp_path) as other:
            assert other != one
            assert (one / "blocks").read_bytes() == b"1"
        assert not other.exists()
        assert (one / "blocks").read_bytes() == b"1"
    assert not one.exists()


@pytest.mark.parametrize(("age_h", "is_kept"), [(0.0, True), (23.0, True), (25.0, False)])
def test_what_a_killed_run_left_is_removed_after_a_day(tmp_path: Path, age_h: float, is_kept: bool) -> None:
    with open_run_folder(tmp_path) as run:
        left = run.with_name(run.name + "-left")
        left.mkdir()
        (left / "blocks").write_bytes(b"1")
        then = time.time() - age_h * HOUR_S
        os.utime(left, (then, then))
    with open_run_folder(tmp_path):
        assert left.exists() is is_kept


def test_every_journal_appended_to_is_synced_and_only_those(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = RawFiles([tmp_path], switched=lambda *_: None)
    files.append("nmea.log", b"one\r\n")
    files.append("can.log", b"(1.0) can0 123#00\n")
    sizes: list[int] = []
    watch_syncs(monkeypatch, lambda is_folder, size: None if is_folder else sizes.append(size))
    files.sync()
    assert sorted(sizes) == [5, 18]
    files.append("nmea.log", b"two\r\n")
    files.sync()
    assert sizes[2:] == [10]
    files.sync()
    assert len(sizes) == 3
    files.append("can.log", b"(2.0) can0 123#00\n")
    files.close()
    assert sizes[3:] == [36]


def test_a_torn_line_is_ended_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "nmea.log"
    path.write_bytes(b"whole\r\nto")
    sizes: list[int] = []
    watch_syncs(monkeypatch, lambda is_folder, size: None if is_folder else sizes.append(size))
    assert mend_torn_end(path) == 2
    assert sizes == [10]


def test_a_file_that_a_full_disk_left_empty_is_taken_away_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    for folder in (first, second):
        (folder / "raw").mkdir(parents=True)
    appending = AppendFile.append

    def full(self: AppendFile, data: bytes) -> None:
        if first in self.path.parents:
            raise OSError(errno.ENOSPC, "No space left on device")
        appending(self, data)

    files = RawFiles([first, second], switched=lambda *_: None)
    files.append("notes.jsonl", b"{}\n")
    monkeypatch.setattr(AppendFile, "append", full)
    files.append("nmea.log", b"$A\r\n")
    files.close()
    assert sorted(path.name for path in (first / "raw").iterdir()) == ["notes.jsonl"], "what holds something stays"
    assert [path.read_bytes() for path in (second / "raw").iterdir()] == [b"$A\r\n"]
