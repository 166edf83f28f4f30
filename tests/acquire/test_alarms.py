"""Every limit of preflight and of the recorder's alarms, just inside and just outside."""

from __future__ import annotations

import shutil
from collections import namedtuple
from pathlib import Path

import pyarrow as pa
import pytest

from tests import rig
from tests.acquire.test_health import GOOD_DISK, Watched, rmc
from trialcapture.acquire.preflight import Traffic, computer_checks
from trialcapture.acquire.source import UdpListener
from trialcapture.acquire.status import DiskState, current_alarms

Usage = namedtuple("Usage", "total used free")
MB = 1_000_000


@pytest.mark.parametrize(
    ("rate_bytes_per_s", "free_mb", "state"),
    [
        # eight hours, received twice over with its stamps, three times as much as that: 1728 MB at 10 kB/s
        (10_000, 1700, "missing"), (10_000, 1760, "ok"),
        # never less than half a gigabyte
        (100, 490, "missing"), (100, 510, "ok"), (0, 490, "missing"),
    ],
)  # fmt: skip
def test_room_for_a_whole_trial_with_a_margin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rate_bytes_per_s: int, free_mb: int, state: str
) -> None:
    watched = Watched()
    watched.health.sources["gps"].bytes = rate_bytes_per_s * 30
    heard = Traffic(watched.health, {}, [], 30.0, [], pa.table({}))
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10**12, 10**12 - free_mb * MB, free_mb * MB))
    check = next(c for c in computer_checks(tmp_path, heard) if c.name == "disk space")
    assert check.state == state
    assert bool(check.remedy) is (state == "missing")


def disk(
    fault: str = "", sync_fault: str = "", stalled_s: float = 0.0, free_mb: float = 10**6, waiting: float = 0.0
) -> DiskState:
    return DiskState(fault, sync_fault, stalled_s, round(free_mb * MB), waiting, False)


@pytest.mark.parametrize(
    ("state", "alarms"),
    [
        (disk(), []),
        (disk(waiting=0.49), []), (disk(waiting=0.51), [("yellow", "slow")]),
        (disk(free_mb=2010), []), (disk(free_mb=1990), [("yellow", "space")]),
        (disk(stalled_s=2.9), []), (disk(stalled_s=3.1), [("red", "stalled")]),
        # what is not written at all says so once, and not its consequences
        (disk("full", stalled_s=9.0, waiting=0.9), [("red", "not_writing")]),
        (disk("full", "no", free_mb=10), [("red", "not_writing"), ("yellow", "space")]),
        (disk(sync_fault="no"), [("red", "sync")]),
    ],
)  # fmt: skip
def test_alarms_of_the_disk(state: DiskState, alarms: list[tuple[str, str]]) -> None:
    found = current_alarms(Watched().health, state, [], 0)
    assert [(a.severity, a.key) for a in found] == alarms


def keys(watched: Watched, at_s: float) -> list[tuple[str, str]]:
    return [(a.severity, a.key) for a in watched.alarms(at_s)]


@pytest.mark.parametrize(("silent_s", "severity"), [(9.9, "yellow"), (10.1, "red")])
def test_silence_is_red_after_ten_seconds(silent_s: float, severity: str) -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    watched.health.tick(round((1.0 + silent_s) * 1e9))
    assert keys(watched, 1.0 + silent_s) == [(severity, "gps silent")]


@pytest.mark.parametrize(("bad", "lines", "is_told"), [(19, 100, False), (21, 100, True), (5, 9, False), (5, 10, True)])
def test_a_fifth_of_the_lines_may_be_bad(bad: int, lines: int, is_told: bool) -> None:
    watched = Watched()
    for turn in range(lines):
        watched.hear(turn * 0.05, b"$I\tRM\x03\x00,,\r\n" if turn < bad else rig.numbered(turn))
    assert (("yellow", "gps bad") in keys(watched, lines * 0.05)) is is_told


@pytest.mark.parametrize(("share", "is_told"), [(0.77, False), (0.84, True)])
def test_a_line_four_fifths_full_is_late(share: float, is_told: bool) -> None:
    watched = Watched(baud=4800)
    # 480 characters a second are all that 4800 baud carry, ten bits each
    for turn in range(100):
        watched.hear(turn * 0.1, b"$" + b"x" * (round(48 * share) - 3) + b"\r\n")
    assert (("yellow", "gps load") in keys(watched, 9.95)) is is_told


@pytest.mark.parametrize(("without_s", "is_told"), [(2.9, False), (3.1, True)])
def test_three_seconds_without_a_fix_are_red(without_s: float, is_told: bool) -> None:
    watched = Watched()
    # 1 790 000 000 s is 2026-09-21 14:13:20 UTC
    watched.hear(0.0, rmc("141320.00", "210926"))
    watched.hear(without_s, rmc("141323.00", "210926", "V", "N"))
    assert (("red", "gps fix") in keys(watched, without_s)) is is_told


@pytest.mark.parametrize(("day", "time", "is_told"), [("200926", "151320.00", False), ("200926", "131320.00", True)])
def test_a_computer_a_day_off_is_told(day: str, time: str, is_told: bool) -> None:
    watched = Watched()
    watched.hear(0.0, rmc(time, day))
    assert (("yellow", "gps date") in keys(watched, 0.5)) is is_told


def test_a_good_disk_and_a_source_that_talks_raise_no_alarm() -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    assert current_alarms(watched.health, GOOD_DISK, [], round(1.5e9)) == []


def test_a_gateway_never_heard_names_the_firewall_until_something_comes() -> None:
    watched = Watched()
    hint = UdpListener("net", 10110, None).silence_hint
    watched.health.expect("net", "nmea.log", 0, silence_hint=hint)
    watched.health.tick(12_000_000_000)
    told = next(e.text for e in watched.events if e.kind == "silent" and e.source == "net")
    assert told.startswith("net: no data for 12 s; check that")
    (alarm,) = [a for a in current_alarms(watched.health, GOOD_DISK, [], 12_000_000_000) if a.text.startswith("net")]
    assert "firewall" in alarm.text
    assert "10110" in alarm.text
    assert len(alarm.text) <= 2 * 74  # two lines of the screen
    watched.health.touched("net", 13_000_000_000)
    watched.health.tick(40_000_000_000)
    (alarm,) = [a for a in current_alarms(watched.health, GOOD_DISK, [], 40_000_000_000) if a.text.startswith("net")]
    assert "firewall" not in alarm.text


def test_a_listener_within_this_computer_names_no_firewall() -> None:
    assert UdpListener("net", 10110, "127.0.0.1").silence_hint == ""
