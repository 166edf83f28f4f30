"""Some damaged input in every run; millions by ``python -m tests.faults.fuzz --inputs 10000000``."""

from __future__ import annotations

import random

import pytest

from tests.faults.fuzz import TARGETS, run


@pytest.mark.parametrize("target", list(TARGETS))
def test_no_damage_raises(target: str) -> None:
    count = 400 if target in ("settings", "session file", "workbook", "manifest") else 4000  # each is a file or a text
    done, faults = run(target, count, random.SystemRandom().randrange(10**9))
    assert done == count
    assert faults == []
