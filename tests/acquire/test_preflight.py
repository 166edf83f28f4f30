"""The preflight says what is there, what is missing, and in one line how to mend it."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from tests import rig
from tests.acquire.test_health import Watched
from trialcapture.acquire.computer import Clock
from trialcapture.acquire.preflight import Preflight, Traffic, preflight, source_checks
from trialcapture.acquire.recorder import record
from trialcapture.acquire.source import Chunk, SourceError
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.system import operating_system

BOAT = """
[[engine]]
id = "port"
rated_rpm = 3000
nmea_instance = 0
[[engine]]
id = "stbd"
rated_rpm = 3000
nmea_instance = 1
[[source]]
id = "net"
kind = "udp"
port = 10110
"""
LOG = """
[[engine_log]]
columns = { time = "t", fuel_port = { name = "a", unit = "l/h" }, fuel_stbd = { name = "b", unit = "l/h" } }
"""


class Talker:
    """A source that says the same every second of a clock."""

    stream = "nmea.log"

    def __init__(self, source_id: str, clock: Clock, say: Callable[[int], bytes], *, stream: str = "nmea.log") -> None:
        self.id, self.where, self.stream = source_id, "here", stream
        self._clock, self._say, self._second = clock, say, 0

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def read(self, timeout_s: float) -> list[Chunk]:
        time.sleep(0.02)
        self._second += 1
        data = self._say(self._second)
        return [Chunk(data)] if data else []


def rmc(second: int, status: str = "A", date: str = "210926") -> bytes:
    return rig.sentence(f"GPRMC,1413{second % 60:02d}.00,{status},5000.0,N,00100.0,W,1.0,0.0,{date},2.0,W,A")


def everything(second: int) -> bytes:
    lines = [
        rmc(second), rig.sentence("HEHDT,45.0,T"), rig.sentence("SDDPT,12.3,0.5"),
        rig.sentence("VWVHW,,T,,M,5.0,N,9.3,K"),
        rig.sentence("WIMWV,45.0,R,12.0,N,A"), rig.sentence("IIRPM,E,0,2000,0,A"), rig.sentence("IIRPM,E,1,2010,0,A"),
    ]  # fmt: skip
    return b"".join(lines)


def run(
    config: str, *talkers: Callable[[Clock], object], into: Path | None = None, wall: int | None = None
) -> Preflight:
    """Run a preflight of a second and a half by clocks that run five times as fast."""
    with rig.PacedClock(5.0, time.time_ns() if wall is None else wall) as paced:
        return preflight(
            load_config(config), seconds=1.5, into=into, clock=paced.clock(),
            sources=lambda clock, _start: [make(clock) for make in talkers],  # type: ignore[misc]
        )  # fmt: skip


def states(found: Preflight) -> dict[str, str]:
    return {check.name: check.state for check in found.checks}


WALL = 1_790_000_000_000_000_000  # 2026-09-21 14:13:20 UTC


def test_a_boat_that_says_everything_is_ready() -> None:
    found = run(BOAT + LOG, lambda clock: Talker("net", clock, everything), wall=WALL)
    told = states(found)
    for name in ("source net", "position", "speed over ground", "heading", "depth", "wind", "speed through water",
                 "rpm port", "rpm stbd", "receiver net"):  # fmt: skip
        assert told[name] == "ok", name
    assert told["fuel port"] == "later"
    assert found.ready
    assert all(check.remedy.endswith(".") for check in found.checks if check.state not in ("ok", "unknown"))


@pytest.mark.parametrize(
    ("platform", "host", "said"),
    [
        ("win32", "", ["netsh advfirewall", "localport=10110", "or broadcasts to it"]),
        ("darwin", "", ["System Settings", "10110"]), ("linux", "", ["sudo ufw allow 10110/udp"]),
        ("linux", 'host = "192.168.1.5"', ["hears no broadcasts", "leave host out"]),
        ("linux", 'host = "239.192.0.1"', ["group 239.192.0.1"]),
        ("linux", 'host = "127.0.0.1"', ["programs of this computer only"]),
    ],
)  # fmt: skip
def test_a_gateway_that_stays_silent_names_the_firewall_and_its_remedy(
    monkeypatch: pytest.MonkeyPatch, platform: str, host: str, said: list[str]
) -> None:
    monkeypatch.setattr(operating_system.sys, "platform", platform)
    watched = Watched()
    watched.health.expect("net", "nmea.log", 0)
    heard = Traffic(watched.health, {}, [], 30.0, [], pa.table({}))
    check = next(c for c in source_checks(heard, load_config(BOAT + host)) if c.name == "source net")
    assert check.state == "missing"
    assert [words for words in said if words not in check.remedy] == []
    assert check.remedy.endswith(".")


def test_a_silent_serial_line_names_no_firewall() -> None:
    watched = Watched()
    watched.health.expect("gps2", "nmea.log", 0)
    heard = Traffic(watched.health, {}, [], 30.0, [], pa.table({}))
    config = load_config(BOAT + '[[source]]\nid = "gps2"\nkind = "serial"\nport = "COM3"\n')
    assert "firewall" not in next(c for c in source_checks(heard, config) if c.name == "source gps2").remedy


def test_what_is_missing_is_named_with_its_remedy() -> None:
    found = run(BOAT, lambda clock: Talker("net", clock, lambda s: rmc(s, "V")), wall=WALL)
    told = states(found)
    assert told["position"] == told["heading"] == told["depth"] == told["rpm port"] == told["fuel stbd"] == "missing"
    assert told["receiver net"] == "missing"
    assert not found.ready
    assert all(check.remedy for check in found.checks if check.state == "missing")


def test_fuel_and_rpm_from_the_engine_bus_count() -> None:
    def frames(second: int) -> bytes:
        stamp = f"({1_790_000_000 + second}.000000) bus "
        lines = [
            "09F20010#00B036D204FBFFFF",
            "09F20010#01B036D204FBFFFF",
            "18FEF200#8E03FFFFFFFFFFFF",
            "18FEF201#8E03FFFFFFFFFFFF",
        ]
        return "".join(f"{stamp}{line}\n" for line in lines).encode()

    found = run(
        BOAT,
        lambda clock: Talker("net", clock, rmc),
        lambda clock: Talker("bus", clock, frames, stream="can.log"),
        wall=WALL,
    )
    told = states(found)
    assert told["rpm port"] == told["rpm stbd"] == told["fuel port"] == told["fuel stbd"] == "ok"


def test_a_silent_source_and_one_that_is_not_there_are_told_apart() -> None:
    class Absent(Talker):
        def open(self) -> None:
            raise SourceError("absent", "There is no COM7.", "Plug the adapter in.")

    found = run(
        BOAT,
        lambda clock: Talker("net", clock, lambda _: b""),
        lambda clock: Absent("gps", clock, lambda _: b""),
        wall=WALL,
    )
    seen = {check.name: (check.state, check.seen) for check in found.checks}
    assert seen["source net"] == ("missing", "open, but nothing heard")
    assert seen["source gps"] == ("missing", "not open")


def test_bad_lines_and_a_wrong_clock_and_two_receivers_are_pointed_out() -> None:
    two = run(
        BOAT,
        lambda clock: Talker("net", clock, lambda s: rmc(s) + b"$GP\x00\xff,1*00\r\n" * 2),
        lambda clock: Talker("aux", clock, rmc),
        wall=WALL + 3600 * 10**9,
    )
    told = states(two)
    assert told["source net"] == "warning"
    assert told["position sources"] == "warning"
    assert told["computer's clock"] == "warning"
    rolled = run(BOAT, lambda clock: Talker("net", clock, lambda s: rmc(s, date="050207")), wall=WALL)
    assert any("1024 weeks" in check.seen for check in rolled.checks)


def test_the_result_is_stored_with_the_session_and_recording_goes_on_in_it(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    found = run(BOAT, lambda clock: Talker("net", clock, everything), into=folder, wall=WALL)
    assert found.stored == folder / "raw" / "preflight.json"
    stored = json.loads(found.stored.read_text())
    assert {check["name"] for check in stored["checks"]} == {check.name for check in found.checks}
    record(load_config(BOAT), folder, minutes=0.005, sources=lambda clock, _: [Talker("net", clock, everything)])  # type: ignore[list-item]
    assert (folder / "raw" / "nmea.log").stat().st_size > 0
    manifest = json.loads((folder / "manifest.json").read_text())
    assert "raw/preflight.json" in [file["path"] for file in manifest["files"]]


def test_an_adapter_that_says_something_else_than_last_time_is_noticed(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    run(BOAT, lambda clock: Talker("net", clock, rmc), into=folder, wall=WALL)
    found = run(
        BOAT, lambda clock: Talker("net", clock, lambda _: rig.sentence("HEHDT,45.0,T")), into=folder, wall=WALL
    )
    assert states(found)["wiring"] == "warning"


def test_nothing_to_listen_to_is_a_fault_in_use() -> None:
    with pytest.raises(TrialCaptureError, match="nothing to listen to"):
        preflight(load_config(""))


def test_real_sockets_are_listened_to() -> None:
    port = rig.free_port()
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.05):
            rig.send_udp(port, everything(1))

    thread = threading.Thread(target=send)
    thread.start()
    try:
        found = preflight(load_config(BOAT.replace("10110", str(port))), seconds=1.0)
    finally:
        stop.set()
        thread.join()
    assert states(found)["position"] == "ok"
