"""Results change all together: whatever is refused or killed in between, one run's files lie under their names."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.system.fakes import refusal
from trialcapture.archive.atomic import MOVE_LIST, open_run_folder, work_folder, write_file
from trialcapture.archive.result_set import complete_interrupted, open_result_set
from trialcapture.errors import TrialCaptureError
from trialcapture.system import files as system_files

NAMES = ("trialset/segments.parquet", "reduction/bands.csv", "reduction/summary.json", "reduction/report.html")
NEW_ONE = "reduction/legs.csv"
"""A result that the run before did not have."""


def write_all(session: Path, text: bytes, names: tuple[str, ...] = NAMES) -> None:
    with open_result_set(session) as files:
        for name in names:
            write_file(files.place(name), text)
        files.put_in_place()


def results_of(session: Path) -> dict[str, bytes]:
    found = [p for folder in ("trialset", "reduction") for p in (session / folder).glob("*.*")]
    return {path.relative_to(session).as_posix(): path.read_bytes() for path in found}


OLD = dict.fromkeys(NAMES, b"old")
NEW = dict.fromkeys((*NAMES, NEW_ONE), b"new")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    write_all(tmp_path, b"old")
    assert results_of(tmp_path) == OLD
    return tmp_path


@pytest.fixture(autouse=True)
def _no_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A refusal is for good at once: how long one is borne is another test."""
    monkeypatch.setattr(system_files, "patiently", lambda action: action())


def at_rename(monkeypatch: pytest.MonkeyPatch, act: Callable[[int, str, str], None]) -> None:
    """Call `act` before every rename with its number and both paths."""
    count = [0]
    true = os.replace

    def watched(source: Path, target: Path) -> None:
        count[0] += 1
        act(count[0] - 1, os.fspath(source), os.fspath(target))
        true(source, target)

    monkeypatch.setattr(os, "replace", watched)


def test_all_results_change_together_and_nothing_else_is_left(session: Path) -> None:
    write_all(session, b"new", (*NAMES, NEW_ONE))
    assert results_of(session) == NEW
    assert not work_folder(session).exists()


def test_at_no_moment_do_files_of_two_runs_lie_side_by_side(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[set[bytes]] = []
    at_rename(monkeypatch, lambda *_: seen.append(set(results_of(session).values())))
    write_all(session, b"new", (*NAMES, NEW_ONE))
    assert len(seen) >= 2 * len(NAMES)
    assert all(len(contents) <= 1 for contents in seen)


def test_results_that_a_run_did_not_write_stay(session: Path) -> None:
    write_all(session, b"new", NAMES[:2])
    assert results_of(session) == OLD | dict.fromkeys(NAMES[:2], b"new")


def test_what_a_run_has_written_is_read_before_it_is_in_place(session: Path) -> None:
    with open_result_set(session) as files:
        assert files.current(NAMES[0]).read_bytes() == b"old"
        write_file(files.place(NAMES[0]), b"new")
        assert files.current(NAMES[0]).read_bytes() == b"new"
        assert (session / NAMES[0]).read_bytes() == b"old"
    assert results_of(session) == OLD


@pytest.mark.parametrize("name", NAMES)
def test_a_result_that_a_spreadsheet_holds_leaves_all_former_ones(
    session: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def refuse(_: int, source: str, target: str) -> None:
        if str(session / name) in (source, target):
            fault = refusal()
            fault.filename = source
            raise fault

    at_rename(monkeypatch, refuse)
    with pytest.raises(TrialCaptureError, match="those of the run before stand as they were") as told:
        write_all(session, b"new", (*NAMES, NEW_ONE))
    assert told.value.where == str(session / name)
    assert "spreadsheet" in str(told.value)
    assert results_of(session) == OLD
    assert not work_folder(session).exists()


@pytest.mark.parametrize("number", range(20))
def test_a_rename_refused_for_good_leaves_one_whole_set(
    session: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def refuse(at: int, *_: str) -> None:
        if at == number:
            raise refusal(5)

    with monkeypatch.context() as patch:
        at_rename(patch, refuse)
        try:
            write_all(session, b"new", (*NAMES, NEW_ONE))
        except TrialCaptureError:
            assert results_of(session) == OLD
        else:
            assert results_of(session) == NEW  # there are not so many renames
    write_all(session, b"new", (*NAMES, NEW_ONE))
    assert results_of(session) == NEW
    assert not work_folder(session).exists()


class Killed(BaseException):
    """The program ends here, and nothing it would still do is done."""


def killed_at(session: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> bool:
    """End a run before a rename, as a power cut does; return whether it came so far."""

    def kill(at: int, *_: str) -> None:
        if at >= number:
            raise Killed

    def nothing(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        at_rename(patch, kill)
        # a dead program removes nothing
        patch.setattr("trialcapture.archive.result_set.remove_file", nothing)
        patch.setattr("trialcapture.archive.atomic.remove_tree", lambda _: None)
        patch.setattr("trialcapture.archive.atomic.remove_file", lambda _: None)
        try:
            write_all(session, b"new", (*NAMES, NEW_ONE))
        except Killed:
            return True
    return False


@pytest.mark.parametrize("number", range(17))
def test_a_run_killed_at_any_rename_leaves_one_set_after_the_next_look(
    session: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    assert killed_at(session, monkeypatch, number)
    assert len(set(results_of(session).values())) <= 1  # never both, even before anybody looks
    was_begun = any(work_folder(session).glob(f"run-*/{MOVE_LIST}"))
    assert complete_interrupted(session) is was_begun
    assert results_of(session) == (NEW if was_begun else OLD)
    assert not complete_interrupted(session)
    write_all(session, b"third", NAMES)
    assert results_of(session) == ({NEW_ONE: b"new"} if was_begun else {}) | dict.fromkeys(NAMES, b"third")


@pytest.mark.parametrize("number", range(8, 17))
def test_a_killed_run_that_cannot_be_finished_is_taken_back(
    session: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    assert killed_at(session, monkeypatch, number)
    begun = any(work_folder(session).glob(f"run-*/{MOVE_LIST}"))
    moved_in = set(results_of(session)) if b"new" in results_of(session).values() else set()
    held = next((name for name in NAMES if name not in moved_in), None)

    def refuse(_: int, source: str, target: str) -> None:
        # a new file that the scanner does not let go of
        if held is not None and target == str(session / held) and f"{os.sep}new{os.sep}" in source:
            raise refusal()

    with monkeypatch.context() as patch:
        at_rename(patch, refuse)
        complete_interrupted(session)
    if begun:
        assert results_of(session) == (OLD if held is not None else NEW)


def test_a_set_that_can_neither_be_finished_nor_taken_back_is_told_and_set_right_later(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert killed_at(session, monkeypatch, 13)

    def refuse(_: int, source: str, target: str) -> None:
        if "report.html" in source:
            raise refusal()

    with monkeypatch.context() as patch:
        at_rename(patch, refuse)
        with pytest.raises(TrialCaptureError, match="some of the former ones not back") as told:
            complete_interrupted(session)
    assert "trialcapture process" in str(told.value)
    assert complete_interrupted(session)
    assert results_of(session) in (OLD, NEW)


HOSTILE = [
    b"{", b"[]", b'{"names": 1}', b'{"names": ["../../outside.csv"]}', b'{"names": ["raw/nmea.log"]}',
    b'{"names": ["reduction/../raw/nmea.log"]}', b'{"names": ["/etc/passwd"]}', b'{"names": ["session.toml"]}',
    b'{"names": [null]}', b"[" * 100_000, b"\xff\xfe",
]  # fmt: skip


@pytest.mark.parametrize("content", HOSTILE)
def test_a_list_that_this_program_did_not_write_moves_nothing(session: Path, content: bytes) -> None:
    (session / "raw").mkdir()
    (session / "raw" / "nmea.log").write_bytes(b"raw")
    run = work_folder(session) / "run-x"
    for name in ("raw/nmea.log", "session.toml", "outside.csv"):
        (run / "new" / name).parent.mkdir(parents=True, exist_ok=True)
        (run / "new" / name).write_bytes(b"forged")
    (run / MOVE_LIST).write_bytes(content)
    assert complete_interrupted(session)
    assert results_of(session) == OLD
    assert (session / "raw" / "nmea.log").read_bytes() == b"raw"
    assert not (session / "session.toml").exists()
    assert not complete_interrupted(session)


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
def test_a_list_with_links_moves_nothing(session: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_bytes(b"outside")
    run = work_folder(session) / "run-x"
    (run / "new" / "reduction").mkdir(parents=True)
    (run / "new" / "reduction" / "bands.csv").symlink_to(outside)
    (run / MOVE_LIST).write_text(json.dumps({"names": ["reduction/bands.csv"]}))
    complete_interrupted(session)
    assert results_of(session) == OLD
    assert outside.read_bytes() == b"outside"


def test_two_runs_at_once_leave_the_set_of_one_of_them(session: Path) -> None:
    both = threading.Barrier(2)

    def run(text: bytes) -> None:
        with open_result_set(session) as files:
            for name in NAMES:
                write_file(files.place(name), text)
            both.wait(30)
            files.put_in_place()

    threads = [threading.Thread(target=run, args=(text,)) for text in (b"one", b"two")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert results_of(session) in (dict.fromkeys(NAMES, b"one"), dict.fromkeys(NAMES, b"two"))


@pytest.mark.parametrize(
    "name", ["raw/nmea.log", "reduction/../raw/x", "/x", "reduction/", "reduction/.hidden", "x", "trialset/work/a/b"]
)
def test_only_results_have_a_place(session: Path, name: str) -> None:
    with open_result_set(session) as files, pytest.raises(ValueError, match="no name of a result"):
        files.place(name)


def test_a_run_folder_with_a_list_is_never_removed_unread(session: Path) -> None:
    with open_run_folder(session) as run:
        (run / MOVE_LIST).write_text('{"names": []}')
    assert run.exists()
    os.utime(run, (0, 0))
    with open_run_folder(session):
        assert run.exists()
