"""Kill a working recorder at random moments and compare what is on disk with what was sent.

    python -m tests.faults.kill_nine --kills 200

A real recorder process listens on UDP and on a pseudo-terminal under load; it is killed with SIGKILL and started
again on the same session. Every line sent more than a second before the kill, while the recorder was known to
be listening, must be in the journal exactly once; every session must verify and process afterwards. Lines that the
system threw away before any program saw them, because the machine was too busy to run the recorder, are counted by
the system and not owed: a terminal that takes no more, and datagrams dropped at the socket.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session
from trialcapture.pipeline import process

ROOT = Path(__file__).parents[2]
LINES_PER_S = 400
KILLS_PER_SESSION = 20
OLDER_THAN_S = 1.0
_NUMBER = re.compile(rb"\$PXTST,(\d+)\*[0-9A-F]{2}\r\n")


@dataclass
class Sender:
    """Sends numbered lines to the recorder and remembers when."""

    send: Callable[[bytes], bool]
    """Returns whether the system took the line."""
    with_gnss: bool
    sent_s: list[float] = field(default_factory=list)
    refused: set[int] = field(default_factory=set)
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        next_s = time.monotonic()
        while not self.stop.is_set():
            number = len(self.sent_s)
            data = rig.sentence(f"PXTST,{number}")
            if self.with_gnss and number % 40 == 0:
                data += rig.sentence(_rmc_now())
            if not self.send(data):
                self.refused.add(number)
            self.sent_s.append(time.monotonic())
            next_s += 1 / LINES_PER_S
            time.sleep(max(0.0, next_s - time.monotonic()))


def _rmc_now() -> str:
    now = datetime.now(UTC)
    minutes = (now.timestamp() % 3600) / 60 * 0.1
    tod = f"{now:%H%M%S}.{now.microsecond // 10_000:02d}"
    return f"GPRMC,{tod},A,50{minutes:07.4f},N,00100.0000,W,6.0,0.0,{now:%d%m%y},,,A"


def recorder(config: Path, folder: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(folder)]
    if (folder / "session.toml").exists():
        command.append("--resume")
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def numbers(stream: bytes) -> list[int]:
    return [int(found[1]) for found in _NUMBER.finditer(stream)]


def streams(folder: Path) -> dict[str, bytes]:
    return original_bytes(b"".join(p.read_bytes() for p in rig.journal_parts(folder)))


def dropped_datagrams(port: int) -> int:
    """Return how many datagrams for a port the system dropped since its socket was opened (Linux, /proc/net/udp)."""
    table = Path("/proc/net/udp").read_text().splitlines()[1:]
    return sum(int(row[-1]) for line in table if int((row := line.split())[1].rpartition(":")[2], 16) == port)


def heard_since(process_: subprocess.Popen[bytes], folder: Path, began: dict[str, int]) -> dict[str, float] | None:
    """Wait until the recorder has written a line of every sender from a number on; None when it ends before."""
    known_s: dict[str, float] = {}
    while len(known_s) < len(began):
        if process_.poll() is not None:
            return None
        time.sleep(0.05)
        if not (folder / "raw" / "nmea.log").exists():
            continue
        now = streams(folder)
        for name, first in began.items():
            if name not in known_s and max(numbers(now.get(name, b""))[-1:] or [-1]) >= first:
                known_s[name] = time.monotonic()
    return known_s


def run_session(folder: Path, kills: int, dice: random.Random) -> list[str]:
    """Kill a recorder so many times on one session; return what went wrong."""
    port = rig.free_port()
    pty = rig.Pty()
    config = folder.with_suffix(".toml")
    config.write_text(
        f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n'
        f'[[source]]\nid = "gps"\nkind = "serial"\nport = "{pty.name}"\nbaud = 115200\n'
    )
    import socket  # noqa: PLC0415

    out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def to_pty(data: bytes) -> bool:
        try:
            return os.write(pty.master, data) == len(data)
        except BlockingIOError:  # nobody reads: a real port would drop it too
            return False

    def to_net(data: bytes) -> bool:
        return out.sendto(data, ("127.0.0.1", port)) == len(data)

    senders = {
        "net": Sender(to_net, with_gnss=True),
        "gps": Sender(to_pty, with_gnss=False),
    }
    threads = [threading.Thread(target=sender.run, daemon=True) for sender in senders.values()]
    for thread in threads:
        thread.start()
    faults: list[str] = []
    owed: dict[str, set[int]] = {name: set() for name in senders}
    try:
        for turn in range(kills):
            began = {name: len(sender.sent_s) for name, sender in senders.items()}
            process_ = recorder(config, folder)
            known_s = heard_since(process_, folder, began)
            if known_s is None:
                assert process_.stderr is not None
                return [*faults, f"kill {turn}: recorder ended by itself: {process_.stderr.read()!r}"]
            time.sleep(dice.uniform(0.0, 2.5))
            dropped = dropped_datagrams(port)
            process_.kill()
            killed_s = time.monotonic()
            process_.wait()
            assert process_.stderr is not None
            process_.stderr.close()
            for name, sender in senders.items():
                due = {n for n, t in enumerate(sender.sent_s) if known_s[name] <= t <= killed_s - OLDER_THAN_S}
                owed[name] |= due - sender.refused
            if dropped:
                # which lines they were is not known: none of this turn is owed where the system dropped any
                owed["net"] -= set(range(began["net"], len(senders["net"].sent_s)))
                print(f"kill {turn}: the system dropped {dropped} datagrams before the recorder could take them")
            faults += _compare(folder, owed, turn)
            report = verify_session(folder)
            faults += [f"kill {turn}: verify: {fault}" for fault in report.faults]
    finally:
        for sender in senders.values():
            sender.stop.set()
        for thread in threads:
            thread.join()
        out.close()
        pty.unplug()
    try:
        process(folder)
    except Exception as fault:  # noqa: BLE001  any fault at all is what this looks for
        faults.append(f"process: {fault}")
    return faults


def _compare(folder: Path, owed: dict[str, set[int]], turn: int) -> list[str]:
    faults = []
    for name, stream in streams(folder).items():
        got = numbers(stream)
        missing = owed[name] - set(got)
        doubled = len(got) - len(set(got))
        if missing:
            faults.append(f"kill {turn}: {name}: {len(missing)} lines lost, first {min(missing)}")
        if doubled:
            faults.append(f"kill {turn}: {name}: {doubled} lines doubled")
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    dice = random.Random(arguments.seed)
    faults: list[str] = []
    done = 0
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        while done < arguments.kills:
            kills = min(KILLS_PER_SESSION, arguments.kills - done)
            faults += run_session(Path(folder) / f"session-{done}", kills, dice)
            done += kills
            print(f"{done} kills, {len(faults)} faults, {time.monotonic() - began_s:.0f} s", flush=True)
    for fault in faults:
        print(fault)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
