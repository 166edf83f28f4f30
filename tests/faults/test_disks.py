"""Disks that fill and fail, in short; longer by ``python -m tests.faults.disks``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs mounts and limits of POSIX")


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("small disk fills", marks=pytest.mark.long),
        pytest.param("files reach the size limit", marks=pytest.mark.long),
        pytest.param("disk is unmounted", marks=pytest.mark.long),
        "disk fills and gets room again",
        "both disks fill",
    ],
)
def test_a_disk_in_trouble_costs_nothing_or_its_loss_is_named(tmp_path: Path, name: str) -> None:
    from tests.faults.disks import KINDS, NeedsRootError, run_kind  # noqa: PLC0415  POSIX only

    (kind,) = [kind for kind in KINDS if kind.name == name]
    try:
        outcome = run_kind(kind, tmp_path / "disks", 4.0, lines_per_s=500)
    except NeedsRootError as reason:
        pytest.skip(str(reason))
    assert outcome.sent > 0
    assert outcome.faults == []
