"""The printed ±2u holds the truth about as often as it says, over simulated trials with errors of their own."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.accuracy import QUANTITIES, Outcome, cover
from tests.accuracy.trials import compare
from tests.numbers import process_numbers
from trialcapture.rehearse.scenarios import SCENARIOS, briefed
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

pytestmark = pytest.mark.slow

TRIALS = 24
SCENARIOS_RUN = ("displacement", "small-petrol", "twin-planing", "current-abeam")
"""Cheap to simulate, and between them a calibrated and an uncalibrated flow, one and two engines, still water and
current."""


def run(name: str, seed: int) -> Outcome:
    """Compare one trial of two steps with its truth; ``python -m tests.accuracy --coverage`` has longer ones."""
    trial = simulate(name, seed, plan=briefed(SCENARIOS[name].plan), errors=True)
    with TemporaryDirectory() as folder:
        session = Path(folder) / "session"
        write_session(trial, session)
        return compare(name, seed, process_numbers(session), trial.truth, session)


@cache
def outcomes() -> list[Outcome]:
    each = len(SCENARIOS_RUN)
    return [run(SCENARIOS_RUN[n % each], 501 + n // each) for n in range(TRIALS)]


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_stated_uncertainty_is_right_within_a_factor_of_two(quantity: str) -> None:
    """Bands of a trial share its drawn error, so 24 trials are worth little more than 24 values.

    With u right, fewer than 19 of 24 lie inside ±2u once in a thousand trials of this test (binomial, p = 0.954), and
    the rms of z is 1 with a standard error of 1 / sqrt(48) = 0.14 (chi-square law). With u half of what it should be
    ±2u holds 68 % and the rms is 2; with twice, it is 0.5. The limits stand between.
    """
    found = cover(outcomes(), quantity)
    assert found.trials >= TRIALS - 2
    assert found.share >= 18.5 / 24.0
    # these trials draw a spread from run to run of 0.2 % of speed, the least that is met; few runs do not show that it
    # is so little, and what is believed of it beforehand makes a speed's u up to two and a half times the error
    least = 0.4 if quantity == "speed" else 0.6
    assert least < found.rms_z < 1.6
