"""The recorder under load: 16 serial ports at 38 400 baud and 1000 UDP lines a second, every sync stalled for 1 s.

    python -m tests.bench.recorder --seconds 30

Prints what was lost, and processor time and memory of the recorder's own process beside the goals: nothing lost,
at most 15 % of one core, at most 60 MB, everything on disk within a second.
"""

from __future__ import annotations

import argparse
import json
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import original_bytes

ROOT = Path(__file__).parents[2]
PORTS = 16
UDP_LINES_PER_S = 1000
BAUD = 38_400
GOALS = {"lost": 0, "cpu_pct": 15.0, "memory_mb": 60.0, "written_within_s": 1.0}


def record_with_stalls(config: str, folder: str, seconds: str) -> None:
    """Run in the child: record with a sync that takes a second, then say what it took."""
    import threading as threads  # noqa: PLC0415
    from io import StringIO  # noqa: PLC0415

    from rich.console import Console  # noqa: PLC0415

    from trialcapture.acquire.recorder import record  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415

    began = time.monotonic()
    usage_0 = resource.getrusage(resource.RUSAGE_SELF)
    stop = threads.Event()
    settings, text = read_config(Path(config))
    record(
        settings,
        Path(folder),
        minutes=float(seconds) / 60,
        config_text=text,
        console=Console(file=StringIO()),
        stop=stop,
        sync=lambda _: time.sleep(1.0),
    )
    usage = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s = usage.ru_utime + usage.ru_stime - usage_0.ru_utime - usage_0.ru_stime
    print(json.dumps({"cpu_pct": 100 * cpu_s / (time.monotonic() - began), "memory_mb": usage.ru_maxrss / 1024}))


def measure(seconds: float) -> dict[str, float]:
    """Return what was lost and what it took."""
    ptys = [rig.Pty() for _ in range(PORTS)]
    port = rig.free_port()
    with tempfile.TemporaryDirectory() as home:
        folder, config = Path(home) / "session", Path(home) / "bench.toml"
        config.write_text(
            "".join(
                f'[[source]]\nid = "s{n:02d}"\nkind = "serial"\nport = "{pty.name}"\nbaud = {BAUD}\n'
                for n, pty in enumerate(ptys)
            )
            + f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
        )
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.recorder", "--child", str(config), str(folder), str(seconds + 4)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
        )
        rig.wait_for((folder / "raw" / "notes.jsonl").exists, 20)
        time.sleep(1.0)
        sent: dict[str, list[bytes]] = {f"s{n:02d}": [] for n in range(PORTS)} | {"net": []}
        stop = threading.Event()
        senders = [
            threading.Thread(target=_serial_pace, args=(ptys, sent, stop)),
            threading.Thread(target=_udp_pace, args=(port, sent["net"], stop)),
        ]
        for sender in senders:
            sender.start()
        late_s = _watch_delay(folder, sent["net"], seconds)
        stop.set()
        for sender in senders:
            sender.join()
        out = child.communicate(timeout=60)[0]
        told = json.loads(out.decode().strip().splitlines()[-1])
        got = original_bytes(b"".join(path.read_bytes() for path in rig.journal_parts(folder)))
        lost = sum(len(lines) - got.get(name, b"").count(b"\r\n") for name, lines in sent.items())
        exact = all(got.get(name, b"") == b"".join(lines) for name, lines in sent.items())
        lines = sum(map(len, sent.values()))
    return {**told, "lost": lost, "exact": exact, "lines_per_s": lines / seconds, "written_within_s": late_s}


def _serial_pace(ptys: list[rig.Pty], sent: dict[str, list[bytes]], stop: threading.Event) -> None:
    number, due = 0, time.monotonic()
    while not stop.is_set():
        size = 0
        for n, pty in enumerate(ptys):
            line = rig.sentence(f"GPXTS,{number},{'abcdefghij' * 5}")
            pty.send(line)
            sent[f"s{n:02d}"].append(line)
            size = len(line)
        number += 1
        due += size * 10 / BAUD
        time.sleep(max(0.0, due - time.monotonic()))


def _udp_pace(port: int, sent: list[bytes], stop: threading.Event) -> None:
    due = time.monotonic()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        while not stop.is_set():
            for _ in range(2):
                line = rig.numbered(len(sent))
                out.sendto(line, ("127.0.0.1", port))
                sent.append(line)
            due += 2 / UDP_LINES_PER_S
            time.sleep(max(0.0, due - time.monotonic()))


def _watch_delay(folder: Path, sent: list[bytes], seconds: float) -> float:
    """Return the longest time a line took until it could be read from the file."""
    worst_s = 0.0
    end = time.monotonic() + seconds
    path = folder / "raw" / "nmea.log"
    while time.monotonic() < end:
        time.sleep(0.5)
        wanted, asked_s = sent[-1], time.monotonic()
        with path.open("rb") as file:
            file.seek(0, 2)
            seen = b""
            file.seek(max(0, file.tell() - 400_000))
            while wanted not in seen and time.monotonic() - asked_s < 5:
                seen = seen[-200:] + file.read()
                time.sleep(0.01)
        worst_s = max(worst_s, time.monotonic() - asked_s)
    return worst_s


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        record_with_stalls(*arguments.child)
        return 0
    found = measure(arguments.seconds)
    print(f"{found['lines_per_s']:.0f} lines a second; bytes {'exact' if found['exact'] else 'NOT EXACT'}")
    print(f"{'':20}{'measured':>10}{'goal':>10}")
    for name, goal in GOALS.items():
        print(f"{name:20}{found[name]:>10.2f}{goal:>10.2f}")
    return 0 if found["lost"] == 0 and found["exact"] else 1


if __name__ == "__main__":
    sys.exit(main())
