"""The load of the benchmark for a moment: whatever the machine, nothing may be lost."""

from __future__ import annotations

import sys

import pytest


@pytest.mark.skipif(sys.platform == "win32", reason="uses pseudo-terminals")
@pytest.mark.slow
def test_sixteen_ports_and_a_thousand_datagrams_a_second_lose_nothing() -> None:
    from tests.bench.recorder import measure  # noqa: PLC0415  POSIX only

    found = measure(1.5)
    assert found["lost"] == 0
    assert found["exact"]
