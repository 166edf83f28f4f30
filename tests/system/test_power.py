"""Sleep, battery and clocks, asked of every system as it answers, and of systems that answer nothing of use."""

from __future__ import annotations

import ctypes
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.system.fakes import FakeKernel
from trialcapture.system import operating_system, power
from trialcapture.system.operating_system import SystemName, ask, give_way, system_name
from trialcapture.system.power import battery_pct, keeper_command, kept_awake, sleep_setting, steady_clocks

# as powercfg answers in three languages, from memory; the last two numbers are seconds on mains and on battery
SETTING = """\
    Minimum Possible Setting: 0x00000000
    Maximum Possible Setting: 0xffffffff
    Possible Settings increment: 0x00000001
    Possible Settings units: Seconds
  {} 0x{:08x}
  {} 0x{:08x}
"""
WORDS = {
    "English": ("Current AC Power Setting Index:", "Current DC Power Setting Index:"),
    "German": ("Index der aktuellen Wechselstromeinstellung:", "Index der aktuellen Gleichstromeinstellung:"),
    "French": ("Index de paramètre de courant alternatif actuel :", "Index de paramètre de courant continu actuel :"),
    "Japanese": ("現在の AC 電源設定のインデックス:", "現在の DC 電源設定のインデックス:"),
    "bad bytes": ("\ufffd\ufffd:", "\ufffd:"),
}


def answering(answer: Any, asked: list[str] | None = None) -> Any:
    def fake(command: list[str]) -> Any:
        if asked is not None:
            asked.append(command[0])
        return answer

    return fake


@pytest.mark.parametrize("language", WORDS)
@pytest.mark.parametrize(("mains_s", "battery_s", "sleeps"), [(1800, 0, True), (0, 900, True), (0, 0, False)])
def test_windows_tells_in_any_language_when_it_sleeps(
    language: str, mains_s: int, battery_s: int, sleeps: bool
) -> None:
    mains, battery = WORDS[language]
    found, seen = sleep_setting(system="windows", ask=answering(SETTING.format(mains, mains_s, battery, battery_s)))
    assert found is sleeps
    assert f"{mains_s} s on mains, {battery_s} s on battery" in seen


@pytest.mark.parametrize(
    ("system", "answer", "sleeps"),
    [
        # as the systems answer, from memory: a table of settings, a value as JSON
        ("macos", "Currently in use:\n standby 1\n sleep 10\n", True),
        ("macos", " sleep 0 (sleep prevented by x)\n", False),
        ("linux", '{"type":"s","data":"suspend"}', True), ("linux", '{"data":"ignore"}', False),
        ("linux", '{"data":"lock"}', False), ("linux", "no such thing", None), ("linux", "[]", None),
        ("linux", '{"data":null}', True), ("windows", "0x00000001", None), ("macos", " sleep ²\n", None),
        *((system, answer, None) for system in ("windows", "macos", "linux") for answer in ("", None, "\ufffd\x00")),
    ],
)  # fmt: skip
def test_what_each_system_says_of_sleeping(system: SystemName, answer: str | None, sleeps: bool | None) -> None:
    asked: list[str] = []
    assert sleep_setting(system=system, ask=answering(answer, asked))[0] is sleeps
    assert asked == [{"windows": "powercfg", "macos": "pmset", "linux": "busctl"}[system]]


@pytest.mark.parametrize("answer", [b"caf\xe9 \x81\xff", b"", None])
def test_an_answer_in_another_code_page_is_no_fault(monkeypatch: pytest.MonkeyPatch, answer: bytes | None) -> None:
    def run(command: list[str], **_: object) -> subprocess.CompletedProcess[bytes | None]:
        return subprocess.CompletedProcess(command, 0, stdout=answer)

    monkeypatch.setattr(operating_system.shutil, "which", lambda name: name)
    monkeypatch.setattr(operating_system.subprocess, "run", run)
    assert ask(["powercfg"]) == ("" if not answer else "caf\ufffd \ufffd\ufffd")


def test_questions_nobody_answers_are_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(operating_system.shutil, "which", lambda _: None)
    assert ask(["powercfg"]) == ""
    assert sleep_setting()[0] is None
    charge = battery_pct()
    assert charge is None or 0 <= charge <= 100
    with kept_awake() as asked:
        assert asked in (True, False)


def test_on_windows_system_and_display_are_kept_awake_until_the_end() -> None:
    kernel = FakeKernel()
    with kept_awake(system="windows", kernel=kernel) as asked:
        assert asked
        # ES_CONTINUOUS | ES_SYSTEM_REQUIRED | ES_DISPLAY_REQUIRED, the numbers of winbase.h
        assert kernel.execution_states == [0x80000003]
    assert kernel.execution_states == [0x80000003, 0x80000000]


def test_on_macos_display_and_idle_sleep_are_held_off() -> None:
    assert keeper_command("macos")[:3] == ["caffeinate", "-di", "-w"]
    assert keeper_command("linux")[0] == "systemd-inhibit"


@pytest.mark.parametrize(("told", "charge"), [(87, 87.0), (100, 100.0), (0, 0.0), (255, None)])
def test_the_battery_of_windows(told: int, charge: float | None) -> None:
    assert battery_pct(system="windows", kernel=FakeKernel(charge=told)) == charge


@pytest.mark.parametrize(
    ("answer", "charge"),
    [
        ("Now drawing from 'Battery Power'\n -InternalBattery-0 (id=1)\t63%; discharging; 3:12\n", 63.0),
        ("Now drawing from 'AC Power'\n", None), ("", None), (None, None), ("x%; y", None),
    ],
)  # fmt: skip
def test_the_battery_of_macos(answer: str | None, charge: float | None) -> None:
    assert battery_pct(system="macos", ask=answering(answer)) == charge


def test_the_battery_of_linux(tmp_path: Path) -> None:
    assert battery_pct(system="linux", batteries=tmp_path) is None
    for name, text in (("BAT0", "unknown\n"), ("BAT1", "41\n")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "capacity").write_text(text)
    assert battery_pct(system="linux", batteries=tmp_path) == 41.0


class FakeLibrary:
    """``kernelbase.dll``: interrupt time in units of 100 ns."""

    def QueryInterruptTimePrecise(self, ticks: Any) -> None:
        ticks._obj.value = 70_000_000

    def QueryUnbiasedInterruptTimePrecise(self, ticks: Any) -> None:
        ticks._obj.value = 50_000_000


def test_the_clocks_of_windows_count_in_tenths_of_a_microsecond() -> None:
    through_sleep, awake = steady_clocks(system="windows", library=FakeLibrary())
    assert (through_sleep(), awake()) == (7_000_000_000, 5_000_000_000)


def test_a_system_without_such_clocks_has_one_that_never_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(ctypes, "WinDLL", raising=False)
    assert steady_clocks(system="windows") == (time.monotonic_ns, time.monotonic_ns)
    if sys.platform == "linux":  # CLOCK_UPTIME_RAW is Apple's
        assert steady_clocks(system="macos") == (time.monotonic_ns, time.monotonic_ns)
    monkeypatch.setattr(power.time, "CLOCK_UPTIME_RAW", time.CLOCK_MONOTONIC, raising=False)
    assert 0 < steady_clocks(system="macos")[1]() <= time.monotonic_ns()


@pytest.mark.parametrize(("platform", "name"), [("win32", "windows"), ("darwin", "macos"), ("freebsd14", "linux")])
def test_every_platform_goes_by_one_of_three_names(
    monkeypatch: pytest.MonkeyPatch, platform: str, name: SystemName
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    assert system_name() == name


def test_what_nobody_waits_for_gives_way_on_windows() -> None:
    asked = []
    kernel = SimpleNamespace(GetCurrentProcess=lambda: 7, SetPriorityClass=lambda *given: asked.append(given))
    give_way(system="windows", kernel=kernel)
    assert asked == [(7, 0x4000)]  # BELOW_NORMAL_PRIORITY_CLASS (Windows API, SetPriorityClass)


def test_what_nobody_waits_for_gives_way_here() -> None:
    code = "import os; from trialcapture.system.operating_system import give_way as g; g(); print(os.nice(0))"
    nice = int(subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True).stdout)
    assert nice >= 10


def test_the_calls_of_windows_are_declared_as_wide_as_their_handles(monkeypatch: pytest.MonkeyPatch) -> None:
    class Library:
        def __init__(self, name: str) -> None:
            self.name = name
            self.functions: dict[str, SimpleNamespace] = {}

        def __getattr__(self, name: str) -> SimpleNamespace:
            return self.functions.setdefault(name, SimpleNamespace())

    monkeypatch.setattr(ctypes, "WinDLL", Library, raising=False)
    kernel = operating_system.windows_kernel()
    assert kernel is not None
    assert kernel.GetStdHandle.restype is ctypes.c_void_p  # HANDLE (Windows data types)
    for name in ("GetConsoleMode", "SetConsoleMode", "GetNumberOfConsoleInputEvents", "ReadConsoleInputW"):
        assert getattr(kernel, name).argtypes[0] is ctypes.c_void_p
    # a callback and a structure are taken where a pointer is declared
    assert ctypes.c_void_p.from_param(ctypes.CFUNCTYPE(ctypes.c_int)(lambda: 0))
    assert ctypes.c_void_p.from_param(ctypes.byref(ctypes.c_uint32()))


def test_a_program_of_the_system_that_stays_is_started() -> None:
    assert operating_system.start(["no such program"]) is None
    program = operating_system.start([sys.executable, "-c", "import sys; sys.stdin.read()"])
    assert program is not None
    assert program.stdin is not None
    program.stdin.close()
    assert program.wait(60) == 0
