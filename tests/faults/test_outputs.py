"""Broken outputs in short; longer by ``python -m tests.faults.outputs``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX pipes, terminals and signals")


@pytest.mark.parametrize(
    "name",
    [
        "reader of both gone (| tee)",
        "terminal closed",
        pytest.param("SIGHUP alone", marks=pytest.mark.long),
        pytest.param("both on a full disk", marks=pytest.mark.long),
        pytest.param("both closed from the start", marks=pytest.mark.long),
        pytest.param("a pipe that nobody reads", marks=pytest.mark.long),
    ],
)
def test_a_recording_outlives_what_it_prints_to(tmp_path: Path, name: str) -> None:
    from tests.faults.outputs import KINDS, run_kind  # noqa: PLC0415  POSIX only

    if name == "both on a full disk" and not Path("/dev/full").exists():
        pytest.skip("there is no /dev/full here")
    (kind,) = [kind for kind in KINDS if kind.name == name]
    outcome = run_kind(kind, tmp_path / "session", 1.0)
    assert outcome.sent > 0
    assert outcome.faults == []
