"""What is asked of the computer: answers where there are any, and no fault where there are none."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import rig
from trialcapture.acquire import computer
from trialcapture.acquire.computer import scaled_clock, system_clock


def test_questions_nobody_answers_are_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(computer.shutil, "which", lambda _: None)
    assert computer.sleep_setting()[0] is None
    charge = computer.battery_pct()
    assert charge is None or 0 <= charge <= 100
    with computer.kept_awake() as asked:
        assert asked in (True, False)


def test_folders_that_a_cloud_service_locks_and_sticks_are_known(tmp_path: Path) -> None:
    synced = tmp_path / "OneDrive" / "trials"
    synced.mkdir(parents=True)
    assert computer.is_synced_folder(synced)
    assert not computer.is_synced_folder(tmp_path)
    assert computer.is_removable(Path("/media/someone/STICK")) or computer.sys.platform == "win32"
    assert not computer.is_removable(tmp_path)


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


INDEX = "    Current AC Power Setting Index: 0x{:08x}\r\n    Current DC Power Setting Index: 0x{:08x}\r\n"


@pytest.mark.parametrize(
    ("platform", "program", "answer", "sleeps"),
    [
        # as the three systems answer, from memory: seconds in hexadecimal, a table of settings, a value as JSON
        ("win32", "powercfg", INDEX.format(1800, 0), True), ("win32", "powercfg", INDEX.format(0, 0), False),
        ("win32", "powercfg", "", None),
        ("darwin", "pmset", "Currently in use:\n standby 1\n sleep 10\n", True),
        ("darwin", "pmset", " sleep 0 (sleep prevented by x)\n", False), ("darwin", "pmset", "", None),
        ("linux", "busctl", '{"type":"s","data":"suspend"}', True), ("linux", "busctl", '{"data":"ignore"}', False),
        ("linux", "busctl", '{"data":"lock"}', False), ("linux", "busctl", "no such thing", None),
    ],
)  # fmt: skip
def test_what_each_system_says_of_sleeping(
    monkeypatch: pytest.MonkeyPatch, platform: str, program: str, answer: str, sleeps: bool | None
) -> None:
    asked: list[str] = []

    def ask(command: list[str]) -> str:
        asked.append(command[0])
        return answer

    monkeypatch.setattr(computer, "_ask", ask)
    monkeypatch.setattr(computer.sys, "platform", platform)
    assert computer.sleep_setting()[0] is sleeps
    assert asked == [program]
