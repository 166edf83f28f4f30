"""Refusals that pass are borne, others are told at once; what a share does not offer is no failure."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from tests.system.fakes import FakeTime, refusal
from trialcapture.system.files import (
    PATIENCE_S,
    identity_of,
    is_momentary,
    name_key,
    patiently,
    remove_file,
    remove_tree,
    rename_new,
    replace_file,
    sync_file,
    sync_folder,
)


class Refused:
    """An action that is refused so many times."""

    def __init__(self, times: int, fault: OSError) -> None:
        self.times, self.fault, self.calls = times, fault, 0

    def __call__(self) -> str:
        self.calls += 1
        if self.calls <= self.times:
            raise self.fault
        return "done"


@pytest.mark.parametrize("number", [5, 32, 33])
@pytest.mark.parametrize("times", [0, 1, 7, 20])
def test_a_refusal_for_a_moment_is_borne(number: int, times: int) -> None:
    time, action = FakeTime(), Refused(times, refusal(number))
    assert patiently(action, now_s=time.now, sleep=time.sleep) == "done"
    assert action.calls == times + 1
    assert len(time.slept) == times


def test_a_refusal_for_good_is_told_after_three_seconds_and_not_sooner() -> None:
    time, action = FakeTime(), Refused(10**9, refusal())
    with pytest.raises(PermissionError):
        patiently(action, now_s=time.now, sleep=time.sleep)
    assert PATIENCE_S <= time.now_s - 100.0 < PATIENCE_S + 0.2
    assert PATIENCE_S == 3.0


@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "full"), PermissionError(13, "denied"), refusal(2)])
def test_another_fault_is_told_at_once(fault: OSError) -> None:
    time, action = FakeTime(), Refused(1, fault)
    assert not is_momentary(fault)
    with pytest.raises(OSError):  # noqa: PT011  any kind of it
        patiently(action, now_s=time.now, sleep=time.sleep)
    assert (action.calls, time.slept) == (1, [])


def test_renaming_and_removing_wait_for_whoever_holds_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("replace", "rename", "unlink", "rmdir"):
        true = getattr(os, name)
        left = [3]

        def refuse(*given: object, true: object = true, left: list[int] = left, **more: object) -> object:
            if left[0]:
                left[0] -= 1
                raise refusal()
            return true(*given, **more)  # type: ignore[operator]

        monkeypatch.setattr(os, name, refuse)
    (tmp_path / "a").write_text("new")
    (tmp_path / "b").write_text("old")
    replace_file(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_text() == "new"
    rename_new(tmp_path / "b", tmp_path / "c")
    remove_file(tmp_path / "c")
    remove_file(tmp_path / "never there")
    (tmp_path / "d" / "e").mkdir(parents=True)
    remove_tree(tmp_path / "d")
    remove_tree(tmp_path / "d")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["EINVAL", "ENOTSUP", "EACCES", "EBADF", "EPERM"])
def test_a_share_that_syncs_no_folders_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def refuse(_: int) -> None:
        raise OSError(getattr(errno, name), "refused")

    monkeypatch.setattr(os, "fsync", refuse)
    sync_folder(tmp_path, system="linux")


def test_a_folder_on_a_failing_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OSError, match="Input/output"):
        sync_folder(tmp_path, system="linux")
    sync_folder(tmp_path / "absent", system="windows")  # which has no such call


class FakeControl:
    """``fcntl`` of macOS."""

    F_FULLFSYNC = 51

    def __init__(self, fault: OSError | None = None) -> None:
        self.fault, self.calls = fault, []  # type: ignore[var-annotated]

    def fcntl(self, handle: int, command: int) -> None:
        self.calls.append(command)
        if self.fault:
            raise self.fault


@pytest.mark.parametrize(("fault", "synced"), [(None, 0), (OSError(errno.ENOTSUP, "no"), 1)])
def test_on_macos_the_drive_itself_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: OSError | None, synced: int
) -> None:
    seen: list[int] = []
    monkeypatch.setattr(os, "fsync", seen.append)
    control = FakeControl(fault)
    with (tmp_path / "a").open("wb") as file:
        sync_file(file.fileno(), system="macos", control=control)
    assert control.calls == [51]
    assert len(seen) == synced


def test_files_are_told_apart_where_the_disk_numbers_them(tmp_path: Path) -> None:
    (tmp_path / "a").touch()
    (tmp_path / "b").touch()
    a, b = (tmp_path / "a").stat(), (tmp_path / "b").stat()
    assert identity_of(a) == identity_of((tmp_path / "a").stat()) != identity_of(b)
    unnumbered = os.stat_result((stat.S_IFREG, 0, 5, 1, 0, 0, 0, 0, 0, 0))
    assert identity_of(unnumbered) is None


def test_names_that_are_one_on_some_disk_have_one_key() -> None:
    assert name_key("Ecu.CSV") == name_key("ecu.csv")
    assert name_key("Höhe.csv") == name_key("HÖHE.csv") == name_key("Ho\u0308he.csv")
    assert name_key("a.csv") != name_key("b.csv")
