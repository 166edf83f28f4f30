"""Two recorders never work on one session."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import LOCK_NAME, SessionLock


def test_a_second_recorder_is_refused_and_told_which_process_holds_the_session(tmp_path: Path) -> None:
    with SessionLock(tmp_path), pytest.raises(TrialCaptureError, match="another recorder") as told:
        SessionLock(tmp_path).__enter__()
    assert "process" in str(told.value)


def test_the_lock_is_free_again_afterwards_and_leaves_nothing(tmp_path: Path) -> None:
    with SessionLock(tmp_path):
        pass
    with SessionLock(tmp_path):
        pass
    assert not (tmp_path / LOCK_NAME).exists()


def test_a_killed_recorder_leaves_no_lock(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib\n"
        "from trialcapture.system.session_files import SessionLock\n"
        "lock = SessionLock(pathlib.Path(sys.argv[1])).__enter__()\n"
        "print('held', flush=True)\n"
        "sys.stdin.read()\n"
    )
    root = Path(__file__).parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(TrialCaptureError):
            SessionLock(tmp_path).__enter__()
        holder.kill()
        holder.wait()
    with SessionLock(tmp_path):
        pass
