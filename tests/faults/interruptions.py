"""Interrupt a working recorder, or get in its way, and see what it keeps and what it says.

    python -m tests.faults.interruptions --seconds 30

The process is stopped and goes on later (a frozen computer); a second recorder wants the same folder; two screens are
attached and one is killed; it is killed in its first moments, and one that is dead is asked to end. A real recorder
hears 100 numbered lines a second from loopback. Every line must be in the journal once or its loss named, and the
session must verify. POSIX.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests import rig
from tests.faults.outputs import ROOT, command
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session

LINES_PER_S = 100


@dataclass
class Outcome:
    """What was sent, kept, and what is not as it should be."""

    sent: int = 0
    kept: int = 0
    faults: list[str] = field(default_factory=list)


@dataclass
class Stage:
    """A recorder at work, and who sends to it."""

    folder: Path
    config: Path
    recorder: subprocess.Popen[bytes]
    sender: rig.SteadySender


def run_program(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the program to its end."""
    return subprocess.run(
        [sys.executable, "-m", "trialcapture", *map(str, words)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=300.0,
    )  # fmt: skip


def start(folder: Path, port: int, *more: str) -> subprocess.Popen[bytes]:
    """Start a recorder of that port."""
    config = folder.with_suffix(".toml")
    config.write_text(f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n')
    return subprocess.Popen(
        [*command(config, folder), *more], cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip


def notes_of(folder: Path) -> bytes:
    try:
        return (folder / "raw" / "notes.jsonl").read_bytes()
    except OSError:
        return b""


def lines_of(folder: Path) -> list[bytes]:
    """Return the numbered lines in a journal, in order."""
    journal = b"".join(path.read_bytes() for path in rig.journal_parts(folder))
    return [line for line in original_bytes(journal).get("net", b"").split(b"\r\n") if line]


def stopped(stage: Stage, seconds: float, found: Outcome) -> None:
    """Stop the process for a while: what the system could not hold is lost, and the time has a name."""
    stage.recorder.send_signal(signal.SIGSTOP)
    time.sleep(seconds)
    stage.recorder.send_signal(signal.SIGCONT)
    with suppress(AssertionError):
        rig.wait_for(lambda: b'"held_up"' in notes_of(stage.folder), 30.0)
    if b'"held_up"' not in notes_of(stage.folder):
        found.faults.append("the notes do not say that the recorder was stopped")


def second_recorder(stage: Stage, _seconds: float, found: Outcome) -> None:
    """Start another recorder into the same folder, resuming and not."""
    for more in ((), ("--resume",)):
        told = run_program("record", stage.config, "--into", stage.folder, *more)
        if told.returncode != 1 or "recorde" not in told.stderr:
            found.faults.append(f"a second recorder ended with {told.returncode}: {told.stderr[-200:]!r}")


def attached_twice(stage: Stage, seconds: float, found: Outcome) -> None:
    """Attach two screens, kill one, interrupt the other."""
    words = [sys.executable, "-m", "trialcapture", "record", "--attach", str(stage.folder)]
    screens = [
        subprocess.Popen(words, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        for _ in range(2)
    ]
    time.sleep(max(seconds / 4, 5.0))
    for screen, number in zip(screens, (signal.SIGKILL, signal.SIGINT), strict=True):
        screen.send_signal(number)
    for screen in screens:
        screen.communicate(timeout=60.0)
    if stage.recorder.poll() is not None:
        found.faults.append("the recorder ended with its screens")


KINDS: dict[str, Callable[[Stage, float, Outcome], None]] = {
    "stopped and continued": stopped,
    "second recorder": second_recorder,
    "two screens attached": attached_twice,
}


def run_kind(name: str, place: Path, seconds: float) -> Outcome:
    """Record, interrupt, end, and judge."""
    port, folder = rig.free_port(), place / "session"
    place.mkdir(parents=True)
    found = Outcome()
    recorder = start(folder, port)
    sender = rig.SteadySender(port, LINES_PER_S)
    try:
        rig.wait_for(lambda: b"listening on" in notes_of(folder) or recorder.poll() is not None)
        sender.start()
        time.sleep(3.0)
        KINDS[name](Stage(folder, folder.with_suffix(".toml"), recorder, sender), seconds, found)
        time.sleep(3.0)
        found.sent = sender.end()
        time.sleep(1.0)
        told = run_program("record", "--stop", folder)
        code = recorder.wait(60.0)
    finally:
        sender.end()
        if recorder.poll() is None:
            recorder.kill()
    if told.returncode:
        found.faults.append(f"--stop ended with {told.returncode}: {told.stderr[-200:]!r}")
    lines = lines_of(folder)
    found.kept = len(set(lines))
    if len(lines) != found.kept:
        found.faults.append(f"{len(lines) - found.kept} lines stand twice")
    report = verify_session(folder)
    lost = found.sent - found.kept
    named = sum(loss.lines or 0 for loss in report.losses)
    if lost > named * 1.3 + 20:
        found.faults.append(f"{lost} lines lost, {named} named")
    if code not in ((0,) if not lost else (0, 1)):
        found.faults.append(f"exit code {code}")
    found.faults += report.faults
    return found


def killed_at_once(place: Path, moments: int) -> Outcome:
    """Kill a recorder in its first moments, then ask it to end, then go on with what is there."""
    found, rng = Outcome(), random.Random(5)
    for number in range(moments):
        folder, port = place / f"killed-{number}" / "session", rig.free_port()
        folder.parent.mkdir(parents=True)
        recorder = start(folder, port)
        time.sleep(rng.uniform(0.2, 4.0))
        recorder.kill()
        recorder.wait()
        told = run_program("record", "--stop", folder)
        if told.returncode != 1 or "Traceback" in told.stderr or "unexpected" in told.stderr:
            found.faults.append(f"--stop of a dead one: {told.returncode}, {told.stderr[-200:]!r}")
        again = start(folder, port, "--resume")
        sender = rig.SteadySender(port, LINES_PER_S)
        try:
            with suppress(AssertionError):
                rig.wait_for(lambda: b"listening on" in notes_of(folder) or again.poll() is not None, 60.0)  # noqa: B023
            if again.poll() is not None:
                found.faults.append(f"a session whose recorder was killed at once is not gone on with ({again.poll()})")
                continue
            time.sleep(1.0)
            sender.start()
            time.sleep(2.0)
            found.sent += sender.end()
            time.sleep(1.0)
            run_program("record", "--stop", folder)
            again.wait(60.0)
        finally:
            sender.end()
            if again.poll() is None:
                again.kill()
        found.kept += len(set(lines_of(folder)))
        found.faults += verify_session(folder).faults
    if found.sent != found.kept:
        found.faults.append(f"{found.sent - found.kept} lines lost")
    return found


def main() -> int:
    """Run every kind and print one line each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=30.0, help="how long a process is stopped")
    parser.add_argument("--only", default="", help="kinds whose name holds these words")
    arguments = parser.parse_args()
    bad = count = 0
    with tempfile.TemporaryDirectory() as place:
        for name in [*KINDS, "killed in its first moments"]:
            if arguments.only not in name:
                continue
            if name in KINDS:
                found = run_kind(name, Path(place) / name.replace(" ", "-"), arguments.seconds)
            else:
                found = killed_at_once(Path(place), max(round(arguments.seconds / 3), 2))
            bad, count = bad + bool(found.faults), count + 1
            print(
                f"{name:28} {found.kept} of {found.sent} lines: {'; '.join(found.faults) or 'as it should'}", flush=True
            )
    print(f"{bad} of {count} kinds of interruption cost something without a name")
    return 1 if bad else 0


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    sys.exit(main())
