"""A pytest plugin that writes the processor seconds of every test file: ``-p tests.mutants.recording``.

Processor time and not wall time, so that a busy machine gives about the same table; a test that waits for a clock
counts the seconds of its wait at most. The table orders the tests of a mutant, the quickest first.
"""

from __future__ import annotations

import json
import os
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from trialcapture.archive.atomic import write_file

TABLE = Path(__file__).with_name("seconds.json")
_spent: dict[str, float] = defaultdict(float)


def _now() -> float:
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    processor, wall = _now(), time.monotonic()
    yield
    busy, passed = _now() - processor, time.monotonic() - wall
    # a wait shows as wall time without processor time; on a busy machine at most a third of it is believed
    file = item.nodeid.partition("::")[0]
    if _spent and file not in _spent:
        pytest_sessionfinish()  # a run that is broken off has told of the files before
    _spent[file] += max(busy, passed / 3.0)


def pytest_sessionfinish() -> None:
    """Write what was measured; files measured before and not now keep their figure."""
    known = json.loads(TABLE.read_text(encoding="utf-8")) if TABLE.exists() else {}
    known |= {name: round(seconds, 1) for name, seconds in _spent.items()}
    root = TABLE.parents[2]
    table = {name: known[name] for name in sorted(known) if (root / name).exists()}
    # whole or not at all: every worker of a run reads and writes it
    write_file(TABLE, (json.dumps(table, indent=0) + "\n").encode())
