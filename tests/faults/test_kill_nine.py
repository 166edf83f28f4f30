"""A few random kills in every run; many by ``python -m tests.faults.kill_nine --kills 200``."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL and pseudo-terminals")
@pytest.mark.slow
def test_a_killed_recorder_has_lost_nothing_older_than_a_second(tmp_path: Path) -> None:
    from tests.faults.kill_nine import run_session  # noqa: PLC0415  POSIX only

    assert run_session(tmp_path / "session", 3, random.Random()) == []
