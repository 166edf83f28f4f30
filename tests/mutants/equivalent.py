"""Drawn mutants that change nothing anyone could see, each with the reason; at most 15 % of the draw."""

from __future__ import annotations

from tests.mutants.changing import Mutant

REASONS: dict[str, str] = {}
"""By name of the mutant. One that is drawn no more is left here without harm: the draw follows from the tree."""


def equivalent_reasons(drawn: list[Mutant]) -> dict[str, str]:
    """Return the reasons for those mutants that are drawn and listed."""
    return {m.name: REASONS[m.name] for m in drawn if m.name in REASONS}
