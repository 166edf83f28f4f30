"""The tree is as DEVELOPERS.md says: layers, lint, format and types."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted((ROOT / "trialcapture").rglob("*.py"))


def run(*command: str) -> None:
    result = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout[-6000:] + result.stderr[-2000:]


def test_imports_run_one_way_through_the_layers() -> None:
    code = "from importlinter.cli import lint_imports_command as c; c()"
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert result.returncode == 0, result.stdout[-4000:] + result.stderr[-2000:]


def test_ruff_finds_nothing() -> None:
    run("ruff", "check", ".")


def test_code_is_formatted() -> None:
    run("ruff", "format", "--check", ".")


def test_mypy_strict_finds_nothing() -> None:
    run("mypy")


@pytest.mark.parametrize("platform", ["win32", "darwin", "linux"])
def test_mypy_strict_finds_nothing_on_any_system(platform: str) -> None:
    if platform != sys.platform:  # that one is the test above
        # only there the program asks which system it runs on, as another test makes sure; what it imports of ours is
        # checked with it, and the rest is not read for it
        checked = ("trialcapture/system", "trialcapture/errors.py", "trialcapture/safe_text.py")
        cache = ("--cache-dir", f".mypy_cache/{platform}")
        run("mypy", "--platform", platform, *cache, "--follow-imports", "skip", "--disallow-any-unimported", *checked)


def test_only_the_system_package_asks_which_system_this_is() -> None:
    """So that every branch for another system has its fake."""
    asking = re.compile(
        r"sys\.platform|os\.name|platform\.system|\b(?:import|from) (?:msvcrt|fcntl|termios|winreg|grp)\b"
    )
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path in MODULES
        if "system" not in path.relative_to(ROOT / "trialcapture").parts[:1]
        for match in asking.finditer(path.read_text(encoding="utf-8"))
    ]
    # the versions that results were made with name the system beside them; nothing branches on it
    assert found == ["trialcapture/pipeline/reuse.py: sys.platform"]


LEAST_MEAN_LINES = 390
"""Shorter modules on average would be too many rooms for a newcomer (our choice)."""


def test_modules_are_not_cut_too_small() -> None:
    lines = sum(len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES)
    assert lines / len(MODULES) >= LEAST_MEAN_LINES


def test_no_two_modules_have_one_name() -> None:
    """The command line may share names with the packages it calls."""
    places = defaultdict(list)
    for path in MODULES:
        if path.parent.name != "cli" and not path.stem.startswith("__"):
            places[path.stem].append(path.relative_to(ROOT).as_posix())
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def test_no_two_public_classes_have_one_name() -> None:
    places = defaultdict(list)
    for path in MODULES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places[node.name].append(path.relative_to(ROOT).as_posix())
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


IMPORTS_IN_FUNCTIONS = {
    "__init__.py": (1, "pandas, for `load` alone"),
    "acquire/source.py": (1, "python-can is an extra"),
    "archive/fleet/object_store.py": (5, "boto3 is an extra, and only s3:// needs it"),
    "archive/photos.py": (2, "Pillow, where a session has photos"),
    "archive/seal.py": (2, "cryptography is an extra"),
    "archive/raw.py": (3, "openpyxl takes 0.1 s, and few engine logs are workbooks"),
    "cli/output.py": (1, "rich shows progress at a terminal alone, and help loads this module"),
    "cli/process.py": (6, "what makes results takes a second, which a wrong path is not kept waiting for"),
    "cli/record.py": (2, "a terminal closed while the recorder loads must not end it"),
    "pipeline/__init__.py": (1, "a second look decodes nothing"),
    "pipeline/results.py": (2, "a second look may measure nothing"),
    "report/figures.py": (6, "matplotlib takes 0.5 s, and a second look draws nothing"),
    "report/page.py": (2, "WeasyPrint is an extra"),
}
"""Modules that import inside functions: how often, and why it cannot stand at the top."""


def test_imports_stand_at_the_top_but_for_a_reason() -> None:
    found = {}
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
        # a function inside another is walked through twice
        lines = {n.lineno for f in functions for n in ast.walk(f) if isinstance(n, ast.Import | ast.ImportFrom)}
        if lines:
            found[path.relative_to(ROOT / "trialcapture").as_posix()] = len(lines)
    assert found == {name: count for name, (count, _) in IMPORTS_IN_FUNCTIONS.items()}
