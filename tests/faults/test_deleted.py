"""Files taken away from a recorder, in short; longer by ``python -m tests.faults.deleted``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.faults.deleted import KINDS, run_kind

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows refuses to delete a file that is open")


@pytest.mark.parametrize(
    "name",
    [
        "journal deleted",
        "session folder deleted",
        pytest.param("journal set back to an old copy", marks=pytest.mark.long),
        pytest.param("journal cut to half", marks=pytest.mark.long),
        pytest.param("notes replaced", marks=pytest.mark.long),
    ],
)
def test_what_is_taken_away_is_put_back_or_named(tmp_path: Path, name: str) -> None:
    assert name in KINDS
    outcome = run_kind(name, tmp_path / "session", 1.0)
    assert outcome.sent > 0
    assert outcome.faults == []
