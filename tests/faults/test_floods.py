"""Floods beside a good source, in short; longer by ``python -m tests.faults.floods``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.floods import KINDS, run_kind


@pytest.mark.parametrize(
    ("name", "seconds"),
    [("datagrams of one sentence", 2.0), pytest.param("a TCP gateway", 2.0, marks=pytest.mark.long)],
)
def test_a_flood_leaves_the_good_source_alone_and_is_named(tmp_path: Path, name: str, seconds: float) -> None:
    (kind,) = [kind for kind in KINDS if kind.name == name]
    outcome = run_kind(kind, tmp_path / "session", seconds)
    assert outcome.sent > 0
    assert outcome.flood_kept > 0
    assert outcome.faults == []
