"""Some refused renames in every run; all of them by ``python -m tests.faults.renames``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.renames import CASES, Bench, first_refused, refused_for_good
from tests.numbers import pages_left_out

SHORT = ("collect", "collect, into a session", "note", "seal", "pack", "record --resume", "preflight")


LONG = ("record --resume", "preflight")


@pytest.mark.parametrize(
    "case",
    [pytest.param(c, marks=[pytest.mark.long] * (c.name in LONG), id=c.name) for c in CASES if c.name in SHORT],
)
def test_a_rename_refused_for_a_moment_or_for_good_costs_nothing(tmp_path: Path, case: object) -> None:
    bench = Bench(tmp_path)
    refused, wrong = first_refused(bench, case, (1, 4))  # type: ignore[arg-type]
    assert (refused, wrong) == (5, [])
    runs, wrong = refused_for_good(bench, case)  # type: ignore[arg-type]
    assert runs > 0
    assert wrong == []


@pytest.mark.slow
@pytest.mark.parametrize("case", [case for case in CASES if case.name not in SHORT], ids=lambda case: case.name)
def test_the_slower_commands_bear_refusals_too(tmp_path: Path, case: object) -> None:
    bench = Bench(tmp_path)
    with pages_left_out():  # each is a file that is put in place like the others, whatever stands in it
        assert first_refused(bench, case, (5,)) == (5, [])  # type: ignore[arg-type]
        assert refused_for_good(bench, case, most=2)[1] == []  # type: ignore[arg-type]
