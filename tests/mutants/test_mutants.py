"""The mutants are found in the tree, drawn the same every time, and a test that notices one is told from one that does
not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.changing import Mutant, Source
from tests.mutants.drawn import PACKAGES, SHARE, candidates, draw
from tests.mutants.equivalent import equivalent_reasons
from tests.mutants.mapping import END_TO_END, TestMap
from tests.mutants.named import AnchorError, Change, find_change, named_mutants
from tests.mutants.running import Copy, run_mutants

ROOT = Path(__file__).parents[2]
CODE = '''"""A module."""

LIMIT = 3


def judge(value: float, names: list[str]) -> str:
    """Say whether a value is too large."""
    if value < 0.0:
        raise ValueError(value)
    unused = 7
    return "large" if value > LIMIT else "small"
'''
TESTS = """from trialcapture.decode.judging import judge


def test_judge() -> None:
    assert judge(4, []) == "large"
    assert judge(2, []) == "small"
    assert judge(3, []) == "small"
"""


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A tree with one module and one test."""
    root = tmp_path / "tree"
    for folder in ("trialcapture/decode", "tests/decode"):
        (root / folder).mkdir(parents=True)
    (root / "trialcapture/__init__.py").write_text("")
    (root / "trialcapture/decode/__init__.py").write_text("")
    (root / "trialcapture/decode/judging.py").write_text(CODE)
    (root / "tests/decode/test_judging.py").write_text(TESTS)
    return root


def changed(tree: Path, before: str, after: str) -> Mutant:
    return find_change(Change("x", "decode:judge", before, after), tree)


def test_every_named_mutant_is_found_and_is_another_program() -> None:
    mutants = named_mutants(ROOT)
    assert len(mutants) >= 30
    assert len({m.name for m in mutants}) == len(mutants)
    for mutant in mutants:
        source = (ROOT / mutant.path).read_bytes()
        assert mutant.apply(source) != source
        compile(mutant.apply(source), mutant.path, "exec")
        assert all((ROOT / test).exists() for test in mutant.tests), mutant.name


def test_the_draw_follows_from_the_tree_alone_and_has_its_share_of_every_kind() -> None:
    drawn = draw(ROOT)
    assert drawn == draw(ROOT)
    assert len({m.name for m in drawn}) == len(drawn) == 3 * SHARE >= 60
    assert {m.path.split("/")[1] for m in drawn} <= set(PACKAGES)
    for mutant in drawn:
        source = (ROOT / mutant.path).read_bytes()
        compile(mutant.apply(source), mutant.path, "exec")
    reasons = equivalent_reasons(drawn)
    assert len(reasons) <= 0.15 * len(drawn)
    assert all(len(reason) > 20 for reason in reasons.values())


def test_every_comparison_number_and_check_is_a_candidate_and_nothing_else(tree: Path) -> None:
    found = [(m.name.split()[0], m.before, m.after) for _, m in candidates(tree)]
    assert found == [
        ("number", "3", "4"),
        ("check", "value < 0.0", "False"),
        ("comparison", "value < 0.0", "(value >= 0.0)"),
        ("number", "0.0", "1.0"),
        ("number", "7", "8"),
        ("comparison", "value > LIMIT", "(value <= LIMIT)"),
    ]


def test_moved_code_keeps_its_place_in_the_draw(tree: Path) -> None:
    before = {digest for digest, _ in candidates(tree)}
    (tree / "trialcapture/decode/judging.py").rename(tree / "trialcapture/decode/elsewhere.py")
    (tree / "trialcapture/decode/elsewhere.py").write_text(CODE.replace("LIMIT = 3", "FIRST = 'one'\n\n\nLIMIT = 3"))
    assert {digest for digest, _ in candidates(tree)} == before


def test_code_that_is_not_there_exactly_once_is_an_error(tree: Path) -> None:
    for before in ("value > 17", "value"):
        with pytest.raises(AnchorError, match="times"):
            changed(tree, before, "False")
    with pytest.raises(AnchorError, match="0 times"):
        find_change(Change("x", "decode:elsewhere", "value > LIMIT", "False"), tree)


def test_the_tests_of_a_file_are_those_that_import_it_the_nearest_first(tree: Path) -> None:
    (tree / "trialcapture/decode/above.py").write_text("from trialcapture.decode import judging\n")
    (tree / "tests/decode/test_above.py").write_text("from trialcapture.decode.above import judging\n")
    (tree / "tests/test_apart.py").write_text("import json\n")
    found = TestMap(tree).tests_of("trialcapture/decode/judging.py")
    assert found[:2] == ["tests/decode/test_judging.py", "tests/decode/test_above.py"]
    assert "tests/test_apart.py" not in found


def test_the_tests_from_end_to_end_are_there() -> None:
    assert set(END_TO_END) == set(PACKAGES)
    assert all((ROOT / test).exists() for tests in END_TO_END.values() for test in tests)


def test_a_change_that_a_test_notices_is_killed_and_one_that_changes_nothing_survives(tree: Path) -> None:
    mutants = [
        changed(tree, "value > LIMIT", "value >= LIMIT"),
        changed(tree, "unused = 7", "unused = 8"),
        changed(tree, "unused = 7", "return"),
    ]
    before = {p: p.read_bytes() for p in tree.rglob("*.py")}
    outcomes = {o.mutant.after: o for o in run_mutants(tree, mutants, tree.parent / "c", 2)}
    assert {o.mutant.after: o.verdict for o in outcomes.values()} == {
        "value >= LIMIT": "killed", "unused = 8": "survived", "return": "killed",
    }  # fmt: skip
    assert outcomes["value >= LIMIT"].by == "tests/decode/test_judging.py::test_judge"
    assert {p: p.read_bytes() for p in tree.rglob("*.py")} == before


def test_a_test_that_fails_anyway_notices_nothing(tree: Path) -> None:
    (tree / "tests/decode/test_judging.py").write_text("def test_broken() -> None:\n    assert False\n")
    copy = Copy.make(tree, tree.parent / "copy")
    outcome = copy.judge(changed(tree, "unused = 7", "unused = 8"), ["tests/decode/test_judging.py"], [0.1])
    assert outcome.verdict == "error"
    assert "without a mutant" in outcome.by


def test_what_a_mutant_leaves_behind_does_not_count_for_the_next(tree: Path) -> None:
    (tree / "tests/decode/test_judging.py").write_text(
        f"from pathlib import Path\n{TESTS}\n\ndef test_left() -> None:\n    assert not Path('left').exists()\n"
    )
    copy = Copy.make(tree, tree.parent / "copy")
    for after, verdict in (("open('left', 'w').close()", "killed"), ("unused = 8", "survived")):
        outcome = copy.judge(changed(tree, "unused = 7", after), ["tests/decode/test_judging.py"], [0.1])
        assert outcome.verdict == verdict, outcome


def test_what_is_replaced_is_counted_in_bytes(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text('NAME = "±Δ"; LIMIT = 3\n', encoding="utf-8")
    source = Source(tmp_path, "a.py")
    node = source.tree.body[1].value  # type: ignore[attr-defined]
    assert source.mutant(node, "4", "x").apply(source.data).decode() == 'NAME = "±Δ"; LIMIT = 4\n'
