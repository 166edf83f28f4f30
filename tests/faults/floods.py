"""Flood one source without any limit and count what is kept of a good one beside it.

    python -m tests.faults.floods --seconds 30

A real recorder process hears 200 numbered lines a second on one source from loopback, while processes of their own
send to another source as fast as they can. At least 99 % of the good source must be kept, and the flooding source must
be named in the notes with what was lost of it. Only loopback is used.
"""

from __future__ import annotations

import argparse
import json
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session

ROOT = Path(__file__).parents[2]
LINES_PER_S = 200
LEAST_SHARE = 0.99
_UDP = """
import socket, sys
out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
data = {data}
print(flush=True)
while True:
    out.sendto(data, ("127.0.0.1", int(sys.argv[1])))
"""
_TCP = """
import socket, sys
server = socket.create_server(("127.0.0.1", int(sys.argv[1])))
print(flush=True)
link = server.accept()[0]
data = {data} * 1000
while True:
    link.sendall(data)
"""
_LINE = rig.sentence("XXHDT,123.4,T")


@dataclass(frozen=True)
class Flood:
    """One kind of flood.

    Attributes:
        name: What it is called in the table.
        source: Kind of the source that is flooded.
        program: What floods it.
        senders: How many at once.
        loses: Whether what comes too fast is lost; a TCP sender is held back instead.
    """

    name: str
    source: str
    program: str
    senders: int = 1
    loses: bool = True


KINDS = (
    Flood("datagrams of one sentence", "udp", _UDP.format(data=repr(_LINE))),
    Flood("datagrams of 20 sentences", "udp", _UDP.format(data=repr(_LINE * 20))),
    Flood("datagrams of 1400 bytes of noise", "udp", _UDP.format(data="bytes(range(256)) * 5")),
    Flood("two senders at once", "udp", _UDP.format(data=repr(_LINE)), senders=2),
    Flood("a TCP gateway", "tcp", _TCP.format(data=repr(_LINE)), loses=False),
)


@dataclass
class Outcome:
    """What a recorder left.

    Attributes:
        sent, kept: Lines of the good source.
        flood_kept, flood_lost: Lines of the flood in the journal, and named as lost.
        faults: What is not as it should be.
    """

    sent: int
    kept: int
    flood_kept: int
    flood_lost: int
    faults: list[str]


def run_kind(kind: Flood, folder: Path, seconds: float) -> Outcome:
    """Record for so long with the flood on."""
    good_port = rig.free_port()
    bad_port = rig.free_port(socket.SOCK_STREAM if kind.source == "tcp" else socket.SOCK_DGRAM)
    config = folder.with_suffix(".toml")
    config.write_text(
        f'[[source]]\nid = "good"\nkind = "udp"\nhost = "127.0.0.1"\nport = {good_port}\n'
        f'[[source]]\nid = "flood"\nkind = "{kind.source}"\nhost = "127.0.0.1"\nport = {bad_port}\n'
    )
    sender = rig.SteadySender(good_port, LINES_PER_S)

    flooders: list[subprocess.Popen[bytes]] = []
    recorder = subprocess.Popen(
        [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(folder)],
        cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    faults: list[str] = []
    try:
        rig.wait_for(lambda: any(n.get("source") == "good" for n in notes_of(folder)) or recorder.poll() is not None)
        sender.start()
        for _ in range(kind.senders):
            flooder = subprocess.Popen([sys.executable, "-c", kind.program, str(bad_port)], stdout=subprocess.PIPE)
            assert flooder.stdout is not None
            flooder.stdout.readline()
            flooders.append(flooder)
        time.sleep(seconds)
        sent = sender.end()
        with suppress(AssertionError):  # what waits of the good source is written while the flood goes on
            rig.wait_for(lambda: rig.numbered(sent - 1)[:-2] in _tail(folder), 20.0)
        recorder.terminate()
        try:
            recorder.wait(120)
        except subprocess.TimeoutExpired:
            faults.append("the recorder did not end")
    finally:
        sender.end()
        for process in (*flooders, recorder):
            process.kill()
            process.wait()
        for flooder in flooders:
            if flooder.stdout is not None:
                flooder.stdout.close()
    streams = original_bytes(b"".join(path.read_bytes() for path in rig.journal_parts(folder)))
    lines = [line for line in streams.get("good", b"").split(b"\r\n") if line]
    notes = notes_of(folder)
    told = [n for n in notes if n["kind"] == "overflow" and n["source"] == "flood"]
    lost = sum(n["lines"] + n["datagrams"] for n in told)
    flood_kept = streams.get("flood", b"").count(b"\n")
    if len(set(lines)) < LEAST_SHARE * sent:
        faults.append(f"only {len(set(lines)) / max(sent, 1):.1%} of the good source kept")
    if kind.loses and not lost:
        faults.append("the flood is not named")
    if not any(n["kind"] == "stop" for n in notes):
        faults.append("there is no end in the notes")
    faults += list(verify_session(folder).faults)
    return Outcome(sent, len(set(lines)), flood_kept, lost, faults)


def notes_of(folder: Path) -> list[dict[str, object]]:
    try:
        lines = (folder / "raw" / "notes.jsonl").read_bytes().rpartition(b"\n")[0].splitlines()
    except OSError:
        return []
    return [json.loads(line) for line in lines]


def _tail(folder: Path) -> bytes:
    try:
        with (folder / "raw" / "nmea.log").open("rb") as file:
            file.seek(max(0, file.seek(0, 2) - (8 << 20)))
            return file.read()
    except OSError:
        return b""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=30.0, help="how long each flood lasts")
    parser.add_argument("--only", default="", help="kinds whose name holds these words")
    arguments = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        for number, kind in enumerate(KINDS):
            if arguments.only not in kind.name:
                continue
            outcome = run_kind(kind, Path(place) / f"session-{number}", arguments.seconds)
            bad += bool(outcome.faults)
            verdict = "; ".join(outcome.faults) or "kept"
            print(
                f"{kind.name:34} good source {outcome.kept} of {outcome.sent} lines; "
                f"flood {outcome.flood_kept} kept, {outcome.flood_lost} named as lost: {verdict}",
                flush=True,
            )
    print(f"{bad} of {len(KINDS)} floods cost more than 1 % of the good source, or are not named")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
