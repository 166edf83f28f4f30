"""For every test: linear algebra keeps to one thread, as `process` has it, no example has a time limit, and nothing
that another test or the person at this computer has processed is used again."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
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


def _sync_nothing(handle: int) -> None:
    """Nobody cuts the power of a run of tests, and waiting for the disk takes minutes of it; a bad handle is refused.

    What a recorder has on the disk when it is killed is tested in processes of their own, which wait for it.
    """
    os.fstat(handle)


os.fsync = _sync_nothing

_CACHES = Path(tempfile.mkdtemp(prefix="trialcapture-tests-"))
_NUMBERS = count()
os.environ["TRIALCAPTURE_CACHE"] = str(_CACHES / "shared")


@pytest.fixture(autouse=True)
def _own_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIALCAPTURE_CACHE", str(_CACHES / str(next(_NUMBERS))))


def pytest_configure(config: pytest.Config) -> None:
    """Have all workers of a run keep what is made once in one folder; a run started by a test has its own."""
    shared = getattr(config, "workerinput", {}).get("made_once", str(_CACHES / "made once"))
    os.environ["TRIALCAPTURE_TESTS_MADE_ONCE"] = shared


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker of pytest-xdist that folder."""
    node.workerinput["made_once"] = str(_CACHES / "made once")


def pytest_unconfigure() -> None:
    """Leave nothing behind; the run ends after its workers."""
    shutil.rmtree(_CACHES, ignore_errors=True)
