"""Some damaged input, the same in every run; millions by ``python -m tests.faults.fuzz --inputs 10000000 --seed N``."""

from __future__ import annotations

import pytest

from tests.faults.fuzz import TARGETS, run


@pytest.mark.parametrize("target", list(TARGETS))
def test_no_damage_raises(target: str) -> None:
    count = 400 if target in ("settings", "session file", "workbook", "manifest") else 4000  # each is a file or a text
    done, faults = run(target, count, 1)
    assert done == count
    assert faults == []
