"""Ages, rates, quality, gaps by name, receivers' clocks, and the alarms that follow from them."""

from __future__ import annotations

import pytest

from tests import rig
from trialcapture.acquire.computer import ClockWatch
from trialcapture.acquire.events import Event, Events
from trialcapture.acquire.received_lines import Piece
from trialcapture.acquire.status import Alarm, DiskState, GnssWatch, Health, current_alarms

GOOD_DISK = DiskState("", "", 0.0, 500_000_000_000, 0.0, False)


class Watched:
    """A health bookkeeping fed by hand, in seconds of session time."""

    def __init__(self, baud: int | None = None, trusted: frozenset[str] = frozenset()) -> None:
        self.clocks = rig.FakeClocks()
        self.start = self.clocks.mono
        self.events: list[Event] = []
        self.health = Health(Events(self.clocks.clock(), self.start, heard=self.events.append), trusted=trusted)
        self.health.expect("gps", "nmea.log", 0, baud=baud)
        self.health.opened("gps")

    def hear(self, at_s: float, *lines: bytes, source: str = "gps", wall_s: float = 1_790_000_000.0) -> None:
        stamp = round(at_s * 1e9)
        pieces = [Piece(source, stamp, round((wall_s + at_s) * 1e9), line) for line in lines]
        self.health.heard("gps", "nmea.log", pieces)

    def alarms(self, at_s: float) -> list[Alarm]:
        return current_alarms(self.health, GOOD_DISK, [], round(at_s * 1e9))

    def gaps(self) -> list[tuple[float, float, str]]:
        return [
            (e.details["from_us"] / 1e6, e.details["to_us"] / 1e6, e.details["reason"])
            for e in self.events
            if e.kind == "gap"
        ]


def test_good_bad_and_unread_lines_are_told_apart() -> None:
    watched = Watched()
    watched.hear(
        1.0,
        rig.sentence("GPRMC,,V,,,,,,,,,,N"),
        rig.sentence("GPGSV,1,1,00"),
        rig.sentence("PXYZ,1"),
        b"$GPRMC,1,2*00\r\n",
        b"$GPHDT,1,T\r\n",
        b"\x00\xff\x13",
        b"\r\n",
    )
    gps = watched.health.sources["gps"]
    assert (gps.good, gps.unread, gps.bad) == (1, 2, 3)
    assert set(gps.unread_types) == {"GPGSV", "PXYZ"}


def test_a_device_without_checksums_is_believed_only_when_the_settings_say_so() -> None:
    for trusted, good in ((frozenset(), 0), (frozenset({"gps"}), 1)):
        watched = Watched(trusted=trusted)
        watched.hear(1.0, b"$GPHDT,10.0,T\r\n")
        assert watched.health.sources["gps"].good == good


def test_silence_becomes_a_named_gap_from_the_last_byte_to_the_next() -> None:
    watched = Watched()
    for second in range(20):
        watched.hear(second, rig.numbered(second))
        watched.health.tick(round(second * 1e9))
    for second in range(20, 31):
        watched.health.tick(round(second * 1e9))
    watched.hear(31.0, rig.numbered(31))
    assert watched.gaps() == [(19.0, 31.0, "silent")]


def test_a_stalled_disk_is_not_mistaken_for_silence() -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    watched.health.tick(settled_ns=round(1.5e9))
    assert watched.health.sources["gps"].gap_from_ns is None
    watched.hear(1.9, rig.numbered(2))
    watched.health.finish(round(2e9))
    assert watched.gaps() == []


def test_a_lost_port_names_its_gap_however_short() -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    watched.health.lost("gps", "lost", "COM7 is gone. Check plug and cable.", round(1.2e9))
    assert [a.severity for a in watched.alarms(1.2)] == ["red"]
    watched.health.opened("gps")
    watched.hear(2.0, rig.numbered(2))
    assert watched.gaps() == [(1.0, 2.0, "lost")]


def test_a_slow_instrument_is_not_called_silent_at_its_own_pace() -> None:
    watched = Watched()
    for turn in range(30):
        watched.hear(turn * 3.0, rig.numbered(turn))
    before = len(watched.gaps())
    for turn in range(30, 60):
        watched.hear(turn * 3.0, rig.numbered(turn))
        watched.health.tick(round((turn * 3.0 + 2.9) * 1e9))
    assert len(watched.gaps()) == before


def test_gaps_that_are_open_at_the_end_are_named() -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    watched.health.finish(round(60e9))
    assert watched.gaps() == [(1.0, 60.0, "silent")]


def test_silence_is_yellow_first_and_red_after_ten_seconds() -> None:
    watched = Watched()
    watched.hear(1.0, rig.numbered(1))
    watched.health.tick(round(4.1e9))
    assert [a.severity for a in watched.alarms(4.1)] == ["yellow"]
    assert [a.severity for a in watched.alarms(11.5)] == ["red"]


def test_a_line_of_bad_quality_says_what_to_try() -> None:
    watched = Watched(baud=4800)
    for turn in range(20):
        watched.hear(turn * 0.1, b"$I\tRM\x03\x00,,\r\n" if turn % 2 else rig.numbered(turn))
    texts = [a.text for a in watched.alarms(2.0)]
    assert any("50% of lines bad" in text and "38400" in text for text in texts)


def test_a_full_line_says_that_data_comes_late() -> None:
    watched = Watched(baud=4800)
    for turn in range(100):
        watched.hear(turn * 0.1, b"$" + b"x" * 43)
    assert any("line 92% full" in alarm.text for alarm in watched.alarms(9.95))


def test_rates_are_those_of_the_last_ten_seconds() -> None:
    watched = Watched()
    for turn in range(200):
        watched.hear(turn * 0.1, rig.numbered(turn))
    gps = watched.health.sources["gps"]
    assert gps.rate_hz(round(19.95e9)) == pytest.approx(10.0, rel=0.1)
    assert gps.rate_hz(round(40e9)) == 0.0


def rmc(utc: str, date: str, status: str = "A", mode: str = "A") -> bytes:
    return rig.sentence(f"GPRMC,{utc},{status},5000.0,N,00100.0,W,1.0,0.0,{date},,,{mode}")


def test_no_fix_and_unreal_fixes_are_red() -> None:
    watched = Watched()
    watched.hear(1.0, rmc("120001.00", "010126", "V", "N"))
    assert any("no fix" in alarm.text for alarm in watched.alarms(5.0))
    watched.hear(5.0, rmc("120005.00", "010126", "A", "E"))
    assert any("estimated" in alarm.text for alarm in watched.alarms(5.1))


# Receivers count GPS weeks modulo 1024: a date 7168 days off is a rollover (GPS week rollovers of August 1999,
# April 2019 and November 2038; IS-GPS-200, 20.3.3.3.1.1 week number, from memory).
def test_a_date_a_whole_epoch_off_is_found_and_said_in_red() -> None:
    watched = Watched()
    # 1 790 000 000 s is 2026-09-21 14:13:20 UTC; 7168 days earlier is 2007-02-05
    watched.hear(0.0, rmc("141320.00", "050207"))
    found = [e for e in watched.events if e.kind == "weeks_off"]
    assert [e.details["epochs"] for e in found] == [1]
    assert found[0].severity == "red"
    assert watched.health.sources["gps"].gnss.offset_s == pytest.approx(0.0, abs=1.0)
    assert any("1024 weeks off" in alarm.text for alarm in watched.alarms(0.5))


def test_a_computer_days_away_from_the_receiver_is_told() -> None:
    watched = Watched()
    watched.hear(0.0, rmc("141320.00", "180926"))
    assert any("differ by 3 days" in alarm.text for alarm in watched.alarms(0.5))


def test_a_step_of_the_receivers_leap_seconds_is_found_once() -> None:
    watch = GnssWatch()
    found = []
    for second in range(120):
        told = second + (2 if second >= 60 else 0)
        line = rmc(f"12{told // 60:02d}{told % 60:02d}.00", "210926")
        found += watch.feed(line, second * 10**9 + 300_000_000, 1_790_000_000 * 10**9)
    assert [(f.kind, f.amount) for f in found] == [("gnss_step", 2.0)]


def test_a_gateway_that_stalls_and_bursts_is_no_clock_step() -> None:
    watch = GnssWatch()
    found = []
    for second in range(120):
        arrival = max(second, (second // 20) * 20 + 5 if second % 20 < 5 else second)
        line = rmc(f"12{second // 60:02d}{second % 60:02d}.00", "210926")
        found += watch.feed(line, arrival * 10**9, 1_790_000_000 * 10**9)
    assert found == []


def test_the_leap_second_itself_is_read() -> None:
    watch = GnssWatch()
    watch.feed(rmc("235960.00", "311216"), 0, 1_483_228_800 * 10**9)
    assert watch.offset_s == pytest.approx(0.0)


@pytest.mark.parametrize("step_s", [3600.0, -7200.0, 0.05, -0.05])
def test_a_step_of_the_wall_clock_is_found(step_s: float) -> None:
    clocks = rig.FakeClocks()
    watch = ClockWatch(clocks.clock())
    clocks.run(1.0)
    assert watch.tick() == []
    clocks.run(1.0)
    clocks.wall += round(step_s * 1e9)
    (finding,) = watch.tick()
    assert finding.kind == "wall_step"
    assert finding.seconds == pytest.approx(step_s)
    clocks.run(1.0)
    assert watch.tick() == []


def test_slewing_by_a_time_service_is_no_step() -> None:
    clocks = rig.FakeClocks()
    watch = ClockWatch(clocks.clock())
    for _ in range(100):
        clocks.run(1.0)
        clocks.wall += 500_000
        assert watch.tick() == []


def test_sleep_is_found_to_the_second_and_is_no_clock_step() -> None:
    clocks = rig.FakeClocks()
    watch = ClockWatch(clocks.clock())
    clocks.run(1.0)
    clocks.mono += 60 * 10**9
    clocks.wall += 60 * 10**9
    (finding,) = watch.tick()
    assert finding.kind == "slept"
    assert finding.seconds == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("disk", "words"),
    [
        (DiskState("No space left on device", "", 0, 10**12, 0.1, False), "NOT WRITING"),
        (DiskState("", "", 4.0, 10**12, 0.0, False), "Nothing written to disk for 4 s"),
        (DiskState("", "Input/output error", 0, 10**12, 0.0, False), "does not confirm"),
        (DiskState("", "", 0, 10**9, 0.0, False), "1.0 GB free"),
        (DiskState("", "", 0, 10**12, 0.7, False), "memory 70% full"),
        (DiskState("", "", 0, 10**12, 0.0, True), "second folder"),
    ],
)
def test_every_trouble_of_the_disk_has_its_sentence(disk: DiskState, words: str) -> None:
    watched = Watched()
    alarms = current_alarms(watched.health, disk, [], 0)
    assert any(words in alarm.text for alarm in alarms)
    assert all(alarm.text.endswith((".", ").")) for alarm in alarms)


def test_red_alarms_come_first() -> None:
    watched = Watched()
    watched.health.lost("gps", "absent", "There is no COM7. Plug the adapter in.", 0)
    disk = DiskState("", "", 0, 10**9, 0.0, False)
    assert [a.severity for a in current_alarms(watched.health, disk, [], 0)] == ["red", "yellow"]


def test_rates_after_a_pause_are_those_of_the_time_since() -> None:
    watched = Watched()
    watched.health.expect("old", "nmea.log", 0, baud=4800, away="not recording", now_ns=100 * 10**9)
    for at_s in (101.0, 102.0, 103.0):
        watched.hear(at_s, rig.sentence("GPHDT,1.0,T"), source="old")
    old = watched.health.sources["old"]
    assert old.rate_hz(103 * 10**9) == pytest.approx(1.0)
    assert old.line_load(103 * 10**9) == pytest.approx(3 * len(rig.sentence("GPHDT,1.0,T")) * 10 / 3 / 4800)
    assert watched.gaps()[0][:2] == (0.0, 101.0)


def test_a_source_that_floods_is_an_alarm_that_says_whose_fault_it_is() -> None:
    watched = Watched()
    watched.hear(1.0, rig.sentence("GPHDT,1.0,T"))
    watched.health.lost_lines("gps", 1234, 10**9, of_disk=False)
    assert any("gps floods: 1234 lines lost" in alarm.text for alarm in watched.alarms(2.0))
    watched.health.lost_lines("gps", 1234, 10**9, of_disk=True)
    assert any("no disk takes them" in alarm.text for alarm in watched.alarms(2.0))
