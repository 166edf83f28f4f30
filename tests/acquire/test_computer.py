"""This computer's clocks, and parts of a session on two disks."""

from __future__ import annotations

from tests import rig
from trialcapture.acquire.computer import scaled_clock, system_clock


def test_the_clocks_go_on_and_agree() -> None:
    clock = system_clock()
    mono, awake, wall = clock.mono_ns(), clock.awake_ns(), clock.wall_ns()
    clock.sleep(0.05)
    for before, after in ((mono, clock.mono_ns()), (awake, clock.awake_ns()), (wall, clock.wall_ns())):
        assert 0.04e9 < after - before < 5e9


def test_a_scaled_clock_runs_faster_from_its_making_on() -> None:
    clocks = rig.FakeClocks()
    fast = scaled_clock(clocks.clock(), 10.0)
    before = fast.mono_ns()
    clocks.run(2.0)
    assert fast.mono_ns() - before == 20 * 10**9
    fast.sleep(5.0)
    assert clocks.slept == [0.5]
