"""Interruptions in short; longer by ``python -m tests.faults.interruptions``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")


@pytest.mark.parametrize(
    "name",
    [
        "stopped and continued",
        pytest.param("second recorder", marks=pytest.mark.long),
        pytest.param("two screens attached", marks=pytest.mark.long),
    ],
)
def test_an_interruption_costs_nothing_that_has_no_name(tmp_path: Path, name: str) -> None:
    from tests.faults.interruptions import run_kind  # noqa: PLC0415  POSIX only

    found = run_kind(name, tmp_path / "place", 6.0)
    assert found.sent > 0
    assert found.faults == []


@pytest.mark.long
def test_a_recorder_killed_in_its_first_moments_is_gone_on_with(tmp_path: Path) -> None:
    from tests.faults.interruptions import killed_at_once  # noqa: PLC0415  POSIX only

    assert killed_at_once(tmp_path, 2).faults == []
