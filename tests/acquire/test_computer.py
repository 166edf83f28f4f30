"""This computer's clocks, and parts of a session on two disks."""

from __future__ import annotations

from pathlib import Path

from tests import rig
from trialcapture.acquire.computer import scaled_clock, system_clock
from trialcapture.acquire.raw_files import bring_together


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


def test_parts_of_two_disks_are_brought_together_and_nothing_is_replaced(tmp_path: Path) -> None:
    first, second = tmp_path / "one", tmp_path / "two"
    for folder in (first, second):
        (folder / "raw").mkdir(parents=True)
    (first / "raw" / "nmea.log").write_bytes(b"first")
    (first / "raw" / "nmea-02.log").write_bytes(b"already there")
    (second / "raw" / "nmea-02.log").write_bytes(b"other")
    (second / "raw" / "nmea-03.log").write_bytes(b"third")
    (second / "raw" / "notes.jsonl").write_bytes(b"{}\n")
    bring_together(first, second)
    assert (first / "raw" / "nmea-02.log").read_bytes() == b"already there"
    assert (first / "raw" / "nmea-03.log").read_bytes() == b"third"
    assert (first / "raw" / "notes.jsonl").read_bytes() == b"{}\n"
    assert (second / "raw" / "nmea-03.log").exists()
