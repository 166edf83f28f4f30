"""Runs of mutants, each in a private copy of the tree: the working tree is never touched."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue
from typing import Literal

from tests.mutants.changing import Mutant
from tests.mutants.mapping import TestMap

COPIED = ("trialcapture", "tests", "configs", "sample_logs", "pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE")
_LEFT_OUT = shutil.ignore_patterns("__pycache__", ".hypothesis", ".*_cache", "work")
_BATCHES_S = (6.0, 30.0)
"""Tests of about this many seconds are run together, the quickest first, so that most mutants end early."""
_ONE_TEST_S = 60.0
"""No single test takes longer."""
_PATIENCE, _PATIENCE_S = 10.0, 200.0
"""A run that takes so many times as long as its tests do, and these seconds more, does not end."""

Verdict = Literal["killed", "no end", "survived", "error"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant.

    Attributes:
        mutant: The mutant.
        verdict: ``error`` where a test fails without the mutant too, or could not be run.
        seconds: How long that took.
        by: The test that noticed, or what went wrong.
    """

    mutant: Mutant
    verdict: Verdict
    seconds: float
    by: str = ""


@dataclass
class Copy:
    """A private copy of the tree.

    Attributes:
        source: The tree that it copies.
        root: Where the copy stands.
    """

    source: Path
    root: Path
    _sound: set[str] = field(default_factory=set)

    @classmethod
    def make(cls, root: Path, folder: Path) -> Copy:
        """Copy what tests need of a tree."""
        copy = cls(root, folder)
        copy.renew()
        return copy

    def renew(self) -> None:
        """Make the copy anew: a mutant may have written where the tests of later ones read."""
        shutil.rmtree(self.root, ignore_errors=True)
        self.root.mkdir(parents=True)
        for name in COPIED:
            source = self.source / name
            if source.is_dir():
                shutil.copytree(source, self.root / name, ignore=_LEFT_OUT)
            elif source.exists():
                shutil.copy2(source, self.root / name)

    def judge(self, mutant: Mutant, tests: list[str], seconds: list[float]) -> Outcome:
        """Run tests on a mutant until one fails; a test that fails without it too notices nothing.

        This mutant, or one before it, may have written where tests read. So where a test fails without a mutant, the
        mutant is judged again in a new copy, and its test tried in another.
        """
        began = time.monotonic()
        verdict, by, failed, takes = self._try(mutant, tests, seconds)
        if failed and not self._passes(failed, takes):
            self.renew()
            verdict, by, failed, takes = self._try(mutant, tests, seconds)
            self.renew()
            if failed and not self._passes(failed, takes):
                verdict, by = "error", f"{by} fails without a mutant"
        return Outcome(mutant, verdict, time.monotonic() - began, by)

    def _try(self, mutant: Mutant, tests: list[str], seconds: list[float]) -> tuple[Verdict, str, list[str], float]:
        """Run tests on a mutant until one fails; return also which are to pass without it, and how long they take."""
        file = self.root / mutant.path
        original = file.read_bytes()
        try:
            self._put(file, mutant.apply(original))
            for batch, batch_s in _batches(tests, seconds):
                verdict, by = self._run(batch, batch_s)
                if verdict == "killed":
                    return verdict, by, [by], _ONE_TEST_S
                if verdict == "no end":
                    return verdict, by, batch, batch_s
        finally:
            self._put(file, original)
        return "survived", "", [], 0.0

    def _passes(self, tests: list[str], takes: float) -> bool:
        """Whether tests pass without a mutant; what once passed does."""
        if not self._sound.issuperset(tests) and self._run(tests, takes)[0] == "survived":
            self._sound.update(tests)
        return self._sound.issuperset(tests)

    @staticmethod
    def _put(file: Path, data: bytes) -> None:
        """Write a source file; its byte code is known by time and size only, so it goes."""
        file.write_bytes(data)
        for old in (file.parent / "__pycache__").glob(f"{file.stem}.*.pyc"):
            old.unlink()

    def _run(self, tests: list[str], seconds: float) -> tuple[Verdict, str]:
        """Run tests until one fails; say which."""
        command = [
            sys.executable, "-m", "pytest", "-x", "-q", "--tb=no", "-rfE", "-p", "no:cacheprovider",
            "--hypothesis-seed=0", *tests,
        ]  # fmt: skip
        environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONDONTWRITEBYTECODE", "PYTEST_ADDOPTS")}
        environment |= {"PYTHONPATH": str(self.root), "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "500"}
        with subprocess.Popen(
            command, cwd=self.root, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            start_new_session=True,
        ) as process:  # fmt: skip
            try:
                output, _ = process.communicate(timeout=seconds * _PATIENCE + _PATIENCE_S)
            except subprocess.TimeoutExpired:
                _end(process)
                return "no end", " ".join(tests)
        failed = re.findall(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", output, flags=re.MULTILINE)
        if process.returncode == 0:
            return "survived", ""
        if failed:
            return "killed", failed[0]
        # not even the imports of its tests survive it, or there is no such test: without the mutant it shows which
        return "killed", tests[0]


def _end(process: subprocess.Popen[str]) -> None:
    """End a run and what it started."""
    with suppress(OSError):
        if sys.platform == "win32":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def _batches(tests: list[str], seconds: list[float]) -> Iterator[tuple[list[str], float]]:
    """Yield tests in batches of growing length, in order."""
    batch: list[str] = []
    spent, limits = 0.0, [*_BATCHES_S]
    for test, takes in zip(tests, seconds, strict=True):
        if batch and limits and spent + takes > limits[0]:
            yield batch, spent
            batch, spent = [], 0.0
            limits.pop(0)
        batch.append(test)
        spent += takes
    if batch:
        yield batch, spent


def run_mutants(root: Path, mutants: list[Mutant], folder: Path, jobs: int) -> Iterator[Outcome]:
    """Judge mutants, so many at a time, and yield each outcome as it comes."""
    tests = TestMap(root)
    copies: SimpleQueue[Copy] = SimpleQueue()
    for number in range(jobs):
        copies.put(Copy.make(root, folder / f"copy-{number}"))
    done: SimpleQueue[Outcome] = SimpleQueue()

    def judge(mutant: Mutant) -> None:
        copy = copies.get()
        try:
            chosen = list(dict.fromkeys([*mutant.tests, *tests.tests_of(mutant.path)]))
            done.put(copy.judge(mutant, chosen, [tests.seconds(t) for t in chosen]))
        except Exception as fault:  # noqa: BLE001  (told as this mutant's outcome, the others go on)
            done.put(Outcome(mutant, "error", 0.0, repr(fault)))
        finally:
            copies.put(copy)

    with ThreadPoolExecutor(jobs) as pool:
        for mutant in mutants:
            pool.submit(judge, mutant)
        for _ in mutants:
            yield done.get()
