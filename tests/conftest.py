"""For every test: linear algebra keeps to one thread, as `process` has it, no example has a time limit, and nothing
that another test or the person at this computer has processed is used again."""

from __future__ import annotations

import gc
import json
import math
import os
import shutil
import sys
import tempfile
from collections.abc import Generator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# the many processes that tests start compile our modules once, and not each for itself; nor does pytest with the tests
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# a busy machine is slow and not wrong, so no example fails for the time it takes; examples are the same in every run,
# so that a run fails for what was changed. `--hypothesis-profile new-examples` draws others
settings.register_profile(
    "same-examples", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("new-examples", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("same-examples")


# jsonschema compiles a grammar of international web addresses when it is imported, the dearest import of all; no schema
# here has such an address, and without this module jsonschema leaves their format out
sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]


def _sync_nothing(handle: int) -> None:
    """Nobody cuts the power of a run of tests, and waiting for the disk takes minutes of it; a bad handle is refused.

    What a recorder has on the disk when it is killed is tested in processes of their own, which wait for it.
    """
    os.fstat(handle)


os.fsync = _sync_nothing

_SECONDS = Path(__file__).with_name("mutants") / "seconds.json"
"""Processor seconds of each test file; ``pytest -p tests.mutants.recording`` measures them anew."""
_CACHES = Path(tempfile.mkdtemp(prefix="trialcapture-tests-"))
_NUMBERS = count()
os.environ["TRIALCAPTURE_CACHE"] = str(_CACHES / "shared")


@pytest.fixture(autouse=True)
def _own_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIALCAPTURE_CACHE", str(_CACHES / str(next(_NUMBERS))))


def pytest_configure(config: pytest.Config) -> None:
    """Have all workers of a run keep what is made once in one folder; a run started by a test has its own.

    The files are handed to the workers in the order below, not those with most tests first.
    """
    config.option.loadscopereorder = False
    shared = getattr(config, "workerinput", {}).get("made_once", str(_CACHES / "made once"))
    os.environ["TRIALCAPTURE_TESTS_MADE_ONCE"] = shared


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Have ``-n logical`` start two workers more than cores: tests wait for recorders, browsers and clocks.

    With three workers two cores were busy for 73 % of a run, with four for 94 %.
    """
    if config.option.numprocesses != "logical" or "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    return (os.cpu_count() or 1) + 2


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Have garbage looked for in what tests make, and not in what is imported and collected.

    That is more than a million objects which stay to the end; to look through them again and again is a tenth of a run.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take longest, so that no worker is left with one of them at the end."""
    seconds: dict[str, float] = json.loads(_SECONDS.read_text(encoding="utf-8"))
    items.sort(key=lambda item: -seconds.get(item.nodeid.partition("::")[0], math.inf))


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker of pytest-xdist that folder."""
    node.workerinput["made_once"] = str(_CACHES / "made once")


def pytest_unconfigure() -> None:
    """Leave nothing behind; the run ends after its workers."""
    shutil.rmtree(_CACHES, ignore_errors=True)
