"""A lock is told apart from a disk that fails and from one that knows no locks, by the number of the fault."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import BinaryIO

import pytest

from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import LOCK_NAME, SessionLock, WindowsLocks


class FakeLocking:
    """``msvcrt`` with locks of one process each."""

    LK_NBLCK, LK_UNLCK = 2, 0

    def __init__(self) -> None:
        self.held_at: list[int] = []
        self.is_taken = False

    def locking(self, handle: int, what: int, size: int) -> None:
        if what == self.LK_NBLCK:
            if self.is_taken:
                raise OSError(errno.EACCES, "Permission denied")
            self.is_taken = True
        else:
            self.is_taken = False


def test_a_session_is_locked_on_windows_and_its_file_goes_when_it_is_closed(tmp_path: Path) -> None:
    locks = WindowsLocks(FakeLocking())
    with SessionLock(tmp_path, system="windows", locks=locks) as lock:
        assert lock.is_held
        with pytest.raises(TrialCaptureError, match="another recorder") as told:
            SessionLock(tmp_path, system="windows", locks=locks).__enter__()
        assert "process" in str(told.value)
        assert (tmp_path / LOCK_NAME).read_bytes().startswith(b"process ")
    assert not (tmp_path / LOCK_NAME).exists()
    with SessionLock(tmp_path, system="windows", locks=locks):
        pass


class Answering:
    """Locks that answer with a fault."""

    def __init__(self, number: int) -> None:
        self.number = number

    def take(self, file: BinaryIO) -> None:
        raise OSError(self.number, "answer")

    def let_go(self, file: BinaryIO) -> None:
        raise OSError(self.number, "answer")


@pytest.mark.parametrize("name", ["EWOULDBLOCK", "EAGAIN", "EACCES", "EDEADLK"])
def test_a_lock_that_somebody_holds_is_told_as_that(tmp_path: Path, name: str) -> None:
    with pytest.raises(TrialCaptureError, match="another recorder"):
        SessionLock(tmp_path, locks=Answering(getattr(errno, name))).__enter__()


@pytest.mark.parametrize("name", ["EIO", "ESTALE", "ENOMEM"])
def test_a_disk_that_fails_is_not_told_as_another_recorder(tmp_path: Path, name: str) -> None:
    with pytest.raises(TrialCaptureError, match="cannot be locked"):
        SessionLock(tmp_path, locks=Answering(getattr(errno, name))).__enter__()


@pytest.mark.parametrize("name", ["ENOLCK", "ENOTSUP", "ENOSYS", "EINVAL"])
def test_a_disk_that_knows_no_locks_can_be_worked_on(tmp_path: Path, name: str) -> None:
    with SessionLock(tmp_path, locks=Answering(getattr(errno, name))) as lock:
        assert not lock.is_held
    assert not (tmp_path / LOCK_NAME).exists()


def test_a_folder_that_is_not_there_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(TrialCaptureError, match="cannot be locked"):
        SessionLock(tmp_path / "absent").__enter__()
