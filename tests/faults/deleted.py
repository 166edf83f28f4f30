"""Take the files of a working recorder away, and see what is kept, what is named, and how it ends.

    python -m tests.faults.deleted --seconds 20

A real recorder process hears 200 numbered lines a second from loopback while its files are deleted, replaced,
shortened or moved. Every line sent must be in the journal once, or be named as lost in the notes; the recorder must
end with exit code 1 and say what was done to its files; the session must have a manifest that fits. POSIX: Windows
refuses to delete a file that is open.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.manifest import verify_manifest

ROOT = Path(__file__).parents[2]
LINES_PER_S = 200
_FOREIGN = b"put here by another program\n"


def delete_journal(folder: Path) -> None:
    (folder / "raw" / "nmea.log").unlink()


def replace_journal(folder: Path) -> None:
    other = folder.with_suffix(".other")
    other.write_bytes(_FOREIGN)
    other.replace(folder / "raw" / "nmea.log")


def restore_old_copy(folder: Path) -> None:
    """Do as a sync client does that finds an older copy the better one."""
    journal = folder / "raw" / "nmea.log"
    other = folder.with_suffix(".other")
    other.write_bytes(journal.read_bytes()[:1000])
    other.replace(journal)


def empty_journal(folder: Path) -> None:
    os.truncate(folder / "raw" / "nmea.log", 0)


def halve_journal(folder: Path) -> None:
    journal = folder / "raw" / "nmea.log"
    os.truncate(journal, journal.stat().st_size // 2)


def delete_raw(folder: Path) -> None:
    shutil.rmtree(folder / "raw")


def delete_session(folder: Path) -> None:
    shutil.rmtree(folder)


def move_session(folder: Path) -> None:
    folder.rename(folder.with_suffix(".moved"))


def delete_notes(folder: Path) -> None:
    (folder / "raw" / "notes.jsonl").unlink()


def replace_notes(folder: Path) -> None:
    other = folder.with_suffix(".other")
    other.write_bytes(b'{"kind": "foreign"}\n')
    other.replace(folder / "raw" / "notes.jsonl")


def delete_settings(folder: Path) -> None:
    (folder / "session.toml").unlink()


def delete_all_again_and_again(folder: Path) -> None:
    for _ in range(5):
        with suppress(FileNotFoundError):
            shutil.rmtree(folder / "raw")
        time.sleep(0.7)


KINDS: dict[str, Callable[[Path], None]] = {
    "journal deleted": delete_journal,
    "journal replaced": replace_journal,
    "journal set back to an old copy": restore_old_copy,
    "journal emptied": empty_journal,
    "journal cut to half": halve_journal,
    "raw folder deleted": delete_raw,
    "session folder deleted": delete_session,
    "session folder moved": move_session,
    "notes deleted": delete_notes,
    "notes replaced": replace_notes,
    "settings deleted": delete_settings,
    "raw folder deleted five times": delete_all_again_and_again,
}
LOSING = ("journal emptied", "journal cut to half")
"""What nobody can bring back: the bytes are gone for every handle."""


@dataclass
class Outcome:
    """What a recorder left.

    Attributes:
        sent, kept, named: Lines sent, in the journal, and named as lost.
        code: Its exit code.
        faults: What is not as it should be.
    """

    sent: int
    kept: int
    named: int
    code: int
    faults: list[str]


def run_kind(name: str, folder: Path, seconds: float) -> Outcome:
    """Record for so long, and do it in the middle."""
    port = rig.free_port()
    config = folder.with_suffix(".toml")
    config.write_text(f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n')
    sender = rig.SteadySender(port, LINES_PER_S)

    process = subprocess.Popen(
        [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(folder)],
        cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    faults: list[str] = []
    try:
        rig.wait_for(lambda: any(n["kind"] == "open" for n in notes_of(folder)) or process.poll() is not None)
        sender.start()
        time.sleep(seconds / 2)
        rig.wait_for(lambda: kept_in(folder) > 0)
        KINDS[name](folder)
        time.sleep(seconds / 2)
        with suppress(AssertionError):
            rig.wait_for(lambda: any(n["kind"].startswith("file_") for n in notes_of(folder)), 20.0)
        sent = sender.end()
        with suppress(AssertionError):
            rig.wait_for(lambda: kept_in(folder) + lost_in(folder) >= sent, 10.0)
        asked = subprocess.run(
            [sys.executable, "-m", "trialcapture", "record", "--stop", str(folder)],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if process.poll() is None and "has ended" not in asked.stdout:
            faults.append(f"--stop: {asked.stderr}")
            process.terminate()
        printed = process.communicate(timeout=60)[1]
    finally:
        sender.end()
        if process.poll() is None:
            process.kill()
            process.wait()
    kept, named = kept_in(folder), lost_in(folder)
    if kept + named != sent and not (name in LOSING and kept + named >= sent):
        faults.append(f"{sent - kept - named} of {sent} lines are neither kept nor named")
    if name not in LOSING and kept != sent:
        faults.append(f"{sent - kept} of {sent} lines lost")
    if process.returncode != 1:
        faults.append(f"exit code {process.returncode}")
    if "another program changed files" not in printed:
        faults.append(f"it does not say what was done: {printed}")
    faults += [str(fault) for fault in verify_manifest(folder)]
    return Outcome(sent, kept, named, process.returncode, faults)


def notes_of(folder: Path) -> list[dict[str, object]]:
    try:
        lines = (folder / "raw" / "notes.jsonl").read_bytes().rpartition(b"\n")[0].splitlines()
    except OSError:
        return []
    return [json.loads(line) for line in lines]


def lost_in(folder: Path) -> int:
    return sum(int(str(n["lines"])) for n in notes_of(folder) if n["kind"] == "file_lost" and "nmea" in str(n["file"]))


def kept_in(folder: Path) -> int:
    try:
        journal = b"".join(path.read_bytes() for path in rig.journal_parts(folder))
    except OSError:
        return 0
    lines = [line for line in original_bytes(journal).get("net", b"").split(b"\r\n") if line]
    return len(lines) if len(lines) == len(set(lines)) else -1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="how long each recording lasts")
    parser.add_argument("--only", default="", help="kinds whose name holds these words")
    arguments = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        for number, name in enumerate(KINDS):
            if arguments.only not in name:
                continue
            outcome = run_kind(name, Path(place) / f"session-{number}", arguments.seconds)
            bad += bool(outcome.faults)
            verdict = "; ".join(outcome.faults) or "as it should be"
            counts = f"{outcome.kept} kept + {outcome.named} named of {outcome.sent} lines"
            print(f"{name:32} {counts}, exit {outcome.code}: {verdict}", flush=True)
    print(f"{bad} of {len(KINDS)} kinds of tampering are not accounted for")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
