"""The printed ±2u holds the truth about as often as it says, over simulated trials with errors of their own."""

from __future__ import annotations

import math
from functools import cache

import pytest

from tests.accuracy import QUANTITIES, Outcome, cover, run_coverage

pytestmark = pytest.mark.slow

TRIALS = 24
SCENARIOS_RUN = ("displacement", "small-petrol", "twin-planing", "current-abeam")
"""Cheap to simulate, and between them a calibrated and an uncalibrated flow, one and two engines, still water and
current."""


@cache
def outcomes() -> list[Outcome]:
    return run_coverage(TRIALS, 501, SCENARIOS_RUN, 2)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_stated_uncertainty_is_right_within_a_factor_of_two(quantity: str) -> None:
    """Bands of a trial share its drawn error, so 24 trials count as 24 values and their bands as one each.

    If u is right, each trial's share inside ±2u is 0.954 on average: at least 24 - 1 - 4 of 24 lie inside but once in
    a thousand (binomial, P(X <= 18) = 0.0009). If u were half of what it should be, ±2u would hold 68 %, 16 of 24.
    With u twice what it should be the rms of z is 0.5; its standard error with 24 values is 1 / sqrt(48) = 0.14.
    """
    found = cover(outcomes(), quantity)
    assert found.trials >= TRIALS - 2
    assert found.share >= 18.5 / 24.0
    # too wide: the rms of z of one value a trial, drawn from a chi-square law of 24 degrees of freedom
    spread = 1.0 / math.sqrt(2.0 * found.trials)
    assert 0.55 < found.rms_z < 1.0 + 3.5 * spread
