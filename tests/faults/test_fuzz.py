"""Some damaged input in every run; millions by ``python -m tests.faults.fuzz --inputs 10000000``."""

from __future__ import annotations

import random

import pytest

from tests.faults.fuzz import TARGETS, run


@pytest.mark.parametrize("target", list(TARGETS))
def test_no_damage_raises(target: str) -> None:
    done, faults = run(target, 4000, random.SystemRandom().randrange(10**9))
    assert done == 4000
    assert faults == []
