"""Drawn mutants that change nothing anyone could see, each with the reason; at most 15 % of the draw."""

from __future__ import annotations

from tests.mutants.changing import Mutant

REASONS: dict[str, str] = {
    "comparison 0018d3dd": "the branch for one number of places is only faster: the other one gives the same quotient",
    "check 0117a673": "what has settled stays settled: the sweeps that are left find the same, and only cost time",
    "check 04bbe6b9": "the branch for sentences that all fit is only faster: they are read once more, the same",
    "number 00244cdc": "numbers of parts need only be apart by more than the last block: any larger factor tells them",
    "number 00c5ef96": "a decimal number is made of the first row given alone, however many are",
    "number 009104f6": "the readings on either side are at least a nanosecond apart, so there is no hole of 0",
    "number 003b9ded": "a pace of a nanosecond a line in place of none: nothing is told or written so finely",
    "number 003d4e51": "without an engine in the log nothing can be exchanged, which is found once more below",
    "number 0009096e": "any number below nought stands for no field: minus two says what minus one says",
}
"""By name of the mutant. One that is drawn no more is left here without harm: the draw follows from the tree."""


def equivalent_reasons(drawn: list[Mutant]) -> dict[str, str]:
    """Return the reasons for those mutants that are drawn and listed."""
    return {m.name: REASONS[m.name] for m in drawn if m.name in REASONS}
