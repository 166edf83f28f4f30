"""The desk beside a recorder under load: 1000 lines a second, and three pages that take five boards a second.

    python -m tests.bench.desk --seconds 30
    python -m tests.bench.desk --rounds 3

Each round records the same traffic four times in turn: alone, with a desk at which nobody looks, with three pages open,
and with a desk that is killed half way. Prints the recorder's processor time and losses side by side, what the desk
takes, what serving three pages adds to that, and how old the newest data is when a page has its board. Goals: nothing
lost, the recorder's time as without a desk, less than 2 % of a core for the pages, data at most a second old.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import psutil

from tests import rig
from trialcapture.archive.journal import original_bytes

ROOT = Path(__file__).parents[2]
LINES_PER_S, TICKS_PER_S = 1000, 20
PAGES = 3
WAYS = ("alone", "nobody looks", "three pages", "desk killed")
SETTLED_S = 8.0
"""What the start of a process takes is no part of the measurement."""
_SETTINGS = """
[boat]
name = "Tarn Plover"
length_m = 12.0
beam_m = 3.9
[[engine]]
id = "port"
rated_rpm = 2600
nmea_instance = 1
[[engine]]
id = "stbd"
rated_rpm = 2600
nmea_instance = 2
[plan]
steps_rpm = [1000, 1400, 1800, 2200]
[[source]]
id = "net"
kind = "udp"
host = "127.0.0.1"
port = {port}
"""


@dataclass
class Measured:
    """One recording.

    Attributes:
        recorder_pct, desk_pct: Processor time [% of a core].
        lost: Lines sent and not in the journal.
        boards_per_s: That one page had.
        ages_s: Age of the newest data in each board when a page had it [s].
        desk_mb: Memory of the desk [MB].
        serving_pct: Of the desk's time that of the thread that serves, which the pages cost [% of a core].
    """

    recorder_pct: float
    lost: int
    desk_pct: float = 0.0
    boards_per_s: float = 0.0
    ages_s: tuple[float, ...] = ()
    desk_mb: float = 0.0
    serving_pct: float = 0.0


class Boat(threading.Thread):
    """Sends what a busy network sends: position, heading, engine speeds, depth, wind; the rest are headings."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.sent: list[bytes] = []
        self.done = threading.Event()
        self._port = port

    def run(self) -> None:
        due, number = time.monotonic(), 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not self.done.is_set():
                for line in self._tick(number):
                    out.sendto(line, ("127.0.0.1", self._port))
                    self.sent.append(line)
                number += 1
                due += 1 / TICKS_PER_S
                time.sleep(max(0.0, due - time.monotonic()))

    @staticmethod
    def _tick(number: int) -> list[bytes]:
        now = datetime.now(UTC)
        wobble = (number % 7 - 3) / 30
        north = 10.0 + number / TICKS_PER_S * 14.2 / 3600.0
        at = f"{now:%H%M%S}.{now.microsecond // 10_000:02d}"
        bodies = []
        if number % 2 == 0:
            place = f"54{north:09.6f},N,01012.000000,E"
            bodies = [
                f"GPRMC,{at},A,{place},{14.2 + wobble:.2f},000.1,{now:%d%m%y},,,A",
                f"GPGGA,{at},{place},1,11,0.8,12.0,M,,M,,",
                f"HEHDT,{(0.2 + wobble) % 360:.1f},T",
                f"IIRPM,E,1,{2003 + 10 * wobble:.0f},,A",
                f"IIRPM,E,2,{1998 + 10 * wobble:.0f},,A",
                "SDDPT,22.5,0.4,",
                "WIMWV,034.0,R,21.5,N,A",
            ]
        rest = LINES_PER_S // TICKS_PER_S - len(bodies)
        bodies += [f"HEHDT,{(0.2 + wobble) % 360:.1f},T,{number},{n}" for n in range(rest)]
        return [rig.sentence(body) for body in bodies]


class Page(threading.Thread):
    """Reads the stream as a browser does and notes how old the data is."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.ages_s: list[float] = []
        self.took: list[float] = []
        self.line = socket.create_connection(("127.0.0.1", port), timeout=30)
        self.line.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())

    def run(self) -> None:
        try:
            with self.line.makefile("rb") as file:
                for text in file:
                    if not text.startswith(b"data: {") or b'"now"' not in text:
                        continue
                    now = datetime.now(UTC)
                    self.took.append(time.monotonic())
                    if (t := json.loads(text[6:]).get("t")) and t:
                        self.ages_s.append((now - datetime.fromisoformat(t)).total_seconds())
        except (OSError, ValueError):  # the desk has gone
            return


def measure(way: str, seconds: float) -> Measured:
    """Record for so long and return what it took.

    Args:
        way: One of `WAYS`.
        seconds: Measured after everything has started [s].
    """
    with tempfile.TemporaryDirectory() as home:
        folder, config, udp = Path(home) / "day", Path(home) / "boat.toml", rig.free_port()
        config.write_text(_SETTINGS.format(port=udp))
        started: list[subprocess.Popen[bytes]] = []
        try:
            return _measure(way, seconds, config, folder, udp, started)
        finally:
            for process in started:
                if process.poll() is None:
                    process.kill()
                    process.wait()


def _measure(
    way: str, seconds: float, config: Path, folder: Path, udp: int, started: list[subprocess.Popen[bytes]]
) -> Measured:
    def start(*arguments: object) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "trialcapture", *map(str, arguments)]
        started.append(subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        return started[-1]

    recorder = start("record", config, "--into", folder)
    rig.wait_for((folder / "raw" / "notes.jsonl").exists, 60)
    boat = Boat(udp)
    boat.start()
    desk, pages = None, []
    if way != "alone":
        port = rig.free_port(socket.SOCK_STREAM)
        desk = start("desk", folder, "--port", port, "--no-browser")
        rig.wait_for(lambda: _answers(port), 60)
        pages = [Page(port) for _ in range(PAGES if way == "three pages" else 0)]
        for page in pages:
            page.start()
    time.sleep(SETTLED_S)
    watched = [psutil.Process(p.pid) for p in (recorder, desk) if p is not None]
    before = [_cpu_s(p) for p in watched]
    serving_s = _main_thread_s(watched[-1])
    for page in pages:
        page.ages_s.clear()
        page.took.clear()
    began = time.monotonic()
    time.sleep(seconds / 2)
    if way == "desk killed" and desk is not None:
        desk.kill()
        desk.wait()
    time.sleep(seconds / 2)
    took_s = time.monotonic() - began
    used = [100 * (_cpu_s(p) - b) / took_s for p, b in zip(watched, before, strict=True) if p.is_running()]
    is_up = desk is not None and desk.poll() is None
    desk_mb = watched[1].memory_info().rss / 1e6 if is_up else 0.0
    serving_pct = 100 * (_main_thread_s(watched[1]) - serving_s) / took_s if is_up else 0.0
    boards = sum(len(page.took) for page in pages) / max(len(pages), 1) / took_s
    ages = tuple(age for page in pages for age in list(page.ages_s))
    boat.done.set()
    boat.join()
    time.sleep(1.0)
    recorder.send_signal(signal.SIGINT)
    recorder.wait(120)
    got = original_bytes(b"".join(path.read_bytes() for path in rig.journal_parts(folder)))
    kept = sum(data.count(b"\r\n") for data in got.values())
    desk_pct = used[1] if len(used) > 1 else 0.0
    return Measured(used[0], len(boat.sent) - kept, desk_pct, boards, ages, desk_mb, serving_pct)


def _answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            line.sendall(f"GET /board HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode())
            return line.recv(12).endswith(b"200")
    except OSError:
        return False


def _cpu_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return float(used.user + used.system)


def _main_thread_s(process: psutil.Process) -> float:
    """Return the processor time of the first thread, in which the desk serves; on Linux it has the process's number."""
    return float(sum(t.user_time + t.system_time for t in process.threads() if t.id == process.pid))


def board_cost_s() -> float:
    """Return what it takes to make text and JSON of one board of a whole plan [s]."""
    from tests.desk.boards import busy_board  # noqa: PLC0415
    from trialcapture.desk.board_stream import ShownNumbers  # noqa: PLC0415
    from trialcapture.pipeline.live_board import board_as_json  # noqa: PLC0415
    from trialcapture.report.format import ReaderUnits  # noqa: PLC0415

    shown, made = ShownNumbers(ReaderUnits("us")), busy_board()
    began, turns = time.process_time(), 200
    for _ in range(turns):
        told = board_as_json(made)
        json.dumps({**told, "shown": shown.of(told)}, allow_nan=False)
    return (time.process_time() - began) / turns


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="of each recording")
    parser.add_argument("--rounds", type=int, default=1, help="of which the median counts")
    arguments = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores before the first run\n", flush=True)
    found: dict[str, list[Measured]] = {way: [] for way in WAYS}
    for _ in range(arguments.rounds):
        for way in WAYS:
            found[way].append(measure(way, arguments.seconds))

    def middle(way: str, name: str) -> float:
        return median(getattr(m, name) for m in found[way])

    print(f"| {'':14}| recorder % | beside alone | lost | desk % | desk MB | boards/s | age s, median | largest |")
    print("|---|---|---|---|---|---|---|---|---|")
    for way in WAYS:
        ages = sorted(age for m in found[way] for age in m.ages_s)
        old = f"{median(ages):.2f} | {ages[-1]:.2f}" if ages else "– | –"
        print(
            f"| {way:14}| {middle(way, 'recorder_pct'):.1f} | "
            f"{middle(way, 'recorder_pct') / max(middle('alone', 'recorder_pct'), 1e-9):.2f} | "
            f"{sum(m.lost for m in found[way])} | {middle(way, 'desk_pct'):.1f} | {middle(way, 'desk_mb'):.0f} | "
            f"{middle(way, 'boards_per_s'):.1f} | {old} |"
        )
    serving, cost_s = middle("three pages", "serving_pct"), board_cost_s()
    print(
        f"\nthree pages take {serving:.2f} % of a core to serve, and {500 * cost_s:.2f} % for text and JSON of five "
        f"boards a second ({1e3 * cost_s:.2f} ms each): {serving + 500 * cost_s:.1f} % (goal: less than 2); the rest "
        "of the desk follows the trial (goal: less than 10)"
    )
    lost = sum(m.lost for runs in found.values() for m in runs)
    print(f"lost: {lost} lines (goal: 0)")
    return 0 if lost == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
