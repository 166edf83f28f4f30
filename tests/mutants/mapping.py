"""Which tests the mutants of a file are run against: those that import it, the nearest and quickest first.

The import graph is read from the tree at every run, so that it is never out of date: a test file that imports a module
is at distance 1, one that imports a module importing it at distance 2, and so on. Tests that reach a module only
through the program, as a person does, are in `END_TO_END`.
"""

from __future__ import annotations

import ast
import json
from collections import defaultdict
from pathlib import Path

from tests.mutants.recording import TABLE

MOST_S = 150.0
"""Processor seconds of tests that one mutant is given (our choice: 100 mutants of a minute and two cores make an hour;
nearly all are noticed within the first few seconds)."""
FARTHEST = 4
_UNKNOWN_S = 5.0
_APART = ("tests/mutants/", "tests/bench/", "tests/accuracy/", "tests/test_structure.py", "tests/test_docs.py")
"""Tests that judge text or speed and not what is computed."""
END_TO_END: dict[str, tuple[str, ...]] = {
    "decode": ("tests/test_engine_log_whole.py", "tests/test_can_session.py", "tests/faults/test_fuzz.py"),
    "prepare": ("tests/test_receiver_time_sessions.py", "tests/test_wrong_receivers.py"),
    "reduce": ("tests/test_review.py", "tests/test_sessions_of_0_1_0.py"),
    "measure": ("tests/test_review.py", "tests/test_sessions_of_0_1_0.py"),
    "archive": ("tests/faults/test_disks_and_floods.py", "tests/test_reproducible.py", "tests/test_cli.py"),
    "acquire": ("tests/faults/test_disks_and_floods.py", "tests/faults/test_kill_nine.py", "tests/test_cli.py"),
}


class TestMap:
    """The test files of a tree and how near each is to every module."""

    __test__ = False

    def __init__(self, root: Path) -> None:
        """Read the imports of all modules and tests."""
        self._root = root
        self._seconds: dict[str, float] = json.loads(TABLE.read_text(encoding="utf-8")) if TABLE.exists() else {}
        modules = {_module_name(root, f): f for f in sorted((root / "trialcapture").rglob("*.py"))}
        helpers = {_module_name(root, f): f for f in sorted((root / "tests").rglob("*.py"))}
        imports = {name: _imported(file, name, {*modules, *helpers}) for name, file in {**helpers, **modules}.items()}
        self._importers: dict[str, set[str]] = defaultdict(set)
        for name, targets in imports.items():
            for target in targets:
                self._importers[target].add(name)
        self._tests = {
            name: path
            for name, file in helpers.items()
            if file.name.startswith("test_") and not (path := file.relative_to(root).as_posix()).startswith(_APART)
        }

    def seconds(self, test: str) -> float:
        """Return the processor seconds a test file takes; node ids count as a whole file."""
        return self._seconds.get(test.partition("::")[0], _UNKNOWN_S)

    def tests_of(self, path: str) -> list[str]:
        """Return the test files for a changed file, the nearest and then the quickest first."""
        changed = _module_name(self._root, self._root / path)
        distance, front = {changed: 0}, [changed]
        for step in range(1, FARTHEST + 1):
            front = [n for m in front for n in sorted(self._importers[m]) if distance.setdefault(n, step) == step]
        near = {self._tests[n]: d for n, d in distance.items() if n in self._tests}
        package = path.split("/")[1]
        for test in (t for t in self._tests.values() if t.startswith(f"tests/{package}/")):
            near[test] = min(near.get(test, FARTHEST), 2)
        for test in set(END_TO_END.get(package, ())) & set(self._tests.values()):
            near.setdefault(test, FARTHEST)
        # a test named after the module is where a reader would look first
        for test in (t for t in near if Path(path).stem in (Path(t).stem.removeprefix("test_"), Path(t).stem)):
            near[test] = 0
        ranked = sorted(near, key=lambda t: (max(near[t], 2) if self.seconds(t) > 20.0 else near[t], self.seconds(t)))
        taken: list[str] = []
        left_s = MOST_S
        for test in ranked:
            if self.seconds(test) <= left_s:
                taken.append(test)
                left_s -= self.seconds(test)
        return taken


def _module_name(root: Path, file: Path) -> str:
    parts = file.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imported(file: Path, name: str, known: set[str]) -> set[str]:
    """Return the modules of the tree that a file imports, those inside functions included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_bytes())):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {f"{node.module}.{a.name}" for a in node.names} | {node.module}
    return (found & known) - {name}
