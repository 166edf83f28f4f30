"""The tree is as DEVELOPERS.md says: layers, lint, format and types."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


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
