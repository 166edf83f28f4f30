"""Fill or break the disk of a working recorder, and see whether every line is kept and both halves become one session.

    python -m tests.faults.disks --seconds 20

A real recorder process hears 200 numbered lines a second on loopback. Its disk fills (a small file system of its own),
its files reach the system's size limit, its disk is unmounted, or fills and gets room again; and both disks fill.
Every line sent must be in the session that is whole at the end, or be named as lost with exit code 1. What mounts a
file system needs root and is skipped with its reason elsewhere.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from tests import rig
from trialcapture.archive.halves import missing_half
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.verify import verify_session

ROOT = Path(__file__).parents[2]
LINES_PER_S = 200
LINES_EACH = 2
"""A numbered sentence and the padding behind it."""
PADDING = b"x" * 900
"""Behind each line, so that small disks fill within seconds."""
SMALL = "700k"
LIMIT_BYTES = 500_000


class NeedsRootError(Exception):
    """A file system of its own cannot be mounted here."""


@dataclass(frozen=True)
class Trouble:
    """One way a disk gives trouble.

    Attributes:
        name: What it is called in the table.
        mounts: Whether the first disk is a small file system of its own, and the second one.
        has_second: Whether there is a second disk.
        file_limit: How large files may grow [bytes].
        halfway: Done to the first disk in the middle.
        later: Done to it near the end.
        loses: Whether lines are lost, and must be named.
        code: What the recorder must end with.
    """

    name: str
    mounts: tuple[bool, bool] = (True, False)
    has_second: bool = True
    file_limit: int | None = None
    halfway: Callable[[Path], None] = lambda _: None
    later: Callable[[Path], None] = lambda _: None
    loses: bool = False
    code: int = 0


def _unmount(disk: Path) -> None:
    """Take the file system away from its path, as a pulled stick does; handles still lead to it."""
    subprocess.run(["umount", "-l", str(disk)], check=True)


def _fill(disk: Path) -> None:
    with (disk / "filler").open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"0" * 4096)


def _free(disk: Path) -> None:
    (disk / "filler").unlink()


KINDS = (
    Trouble("small disk fills"),
    Trouble("files reach the size limit", (False, False), file_limit=LIMIT_BYTES),
    Trouble("disk is unmounted", has_second=False, halfway=_unmount, code=1),
    Trouble("disk fills and gets room again", has_second=False, halfway=_fill, later=_free),
    Trouble("both disks fill", (True, True), loses=True, code=1),
)


@dataclass
class Outcome:
    """What a recorder left.

    Attributes:
        sent, kept, named: Lines sent, in the whole session, and named as lost.
        code: Its exit code.
        folder: Where the session is whole, by its name: first or second.
        faults: What is not as it should be.
    """

    sent: int
    kept: int
    named: int
    code: int
    folder: str
    faults: list[str]


def small_disk(folder: Path, size: str, stack: ExitStack) -> None:
    """Mount a small file system, unmounted when the stack is left."""
    folder.mkdir()
    mount = shutil.which("mount")
    command = [mount or "mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        raise NeedsRootError("a small file system cannot be mounted here (needs root)")
    stack.callback(lambda: subprocess.run(["umount", "-l", str(folder)], check=False))


def run_kind(kind: Trouble, place: Path, seconds: float, lines_per_s: int = LINES_PER_S) -> Outcome:
    """Record for so long with this trouble, at so many lines a second.

    Raises:
        NeedsRootError: It cannot be made here.
    """
    place.mkdir()
    first, second = place / "first", place / "second"
    port = rig.free_port()
    config = place / "boat.toml"
    config.write_text(f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {port}\n')
    sender = rig.SteadySender(port, lines_per_s, lambda number: rig.numbered(number) + PADDING + b"\r\n")

    def limit() -> None:
        if kind.file_limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (kind.file_limit, kind.file_limit))

    faults: list[str] = []
    with ExitStack() as stack:
        for folder, is_small in zip((first, second), kind.mounts, strict=True):
            if is_small:
                small_disk(folder, SMALL if kind.halfway is Trouble.halfway or kind.loses else "8m", stack)
            else:
                folder.mkdir()
        session = first / "monday"
        command = [sys.executable, "-m", "trialcapture", "record", str(config), "--into", str(session), "--json"]
        command += ["--second", str(second)] if kind.has_second else []
        process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            preexec_fn=limit,  # noqa: PLW1509  one thread only at this moment
        )  # fmt: skip
        stack.callback(lambda: process.poll() is None and process.kill())
        rig.wait_for(lambda: b"listening on" in _read(session / "raw/notes.jsonl") or process.poll() is not None)
        sender.start()
        time.sleep(seconds / 2)
        kind.halfway(first)
        time.sleep(seconds / 4)
        kind.later(first)
        time.sleep(seconds / 4)
        sent = sender.end()
        if not kind.loses:
            with suppress(AssertionError):
                rig.wait_for(lambda: _kept([session, second / "monday"]) >= sent, 20.0)
        process.terminate()
        told = json.loads(process.communicate(timeout=120)[0])
        whole = Path(told["folder"])
        kept = _kept([session, second / "monday"] if kind.loses else [whole])
        named = sum(told["lost_lines"].values()) // LINES_EACH
        if kept + named < sent:
            faults.append(f"{sent - kept - named} of {sent} lines are neither kept nor named")
        if kept != sent and not kind.loses:
            faults.append(f"{sent - kept} of {sent} lines lost")
        if process.returncode != kind.code:
            faults.append(f"exit code {process.returncode}: {told['faults']}")
        notes = _read(whole / "raw/notes.jsonl")
        if kind.loses:
            notes += _read(second / "monday/raw/notes.jsonl")
        if kind.has_second and not kind.loses and (b'"switched"' not in notes or b'"joined"' not in notes):
            faults.append("the notes do not say that the disk was changed and the halves joined")
        if b'"stop"' not in notes or (kind.loses and b'"overflow"' not in notes):
            faults.append("the notes do not say how it ended")
        if not kind.loses:
            if missing := missing_half(whole):
                faults.append(missing)
            faults += list(verify_session(whole).faults)
    return Outcome(sent, kept, named, process.returncode, "first" if first in whole.parents else "second", faults)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _kept(folders: list[Path]) -> int:
    journal = b"".join(_read(path) for path in rig.journal_parts(*folders))
    lines = [line for line in original_bytes(journal).get("net", b"").split(b"\r\n") if line.startswith(b"$")]
    return len(lines) if len(lines) == len(set(lines)) else -1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="how long each recording lasts")
    parser.add_argument("--only", default="", help="kinds whose name holds these words")
    arguments = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        for number, kind in enumerate(KINDS):
            if arguments.only not in kind.name:
                continue
            try:
                outcome = run_kind(kind, Path(place) / str(number), arguments.seconds)
            except NeedsRootError as reason:
                print(f"{kind.name:32} skipped: {reason}", flush=True)
                continue
            bad += bool(outcome.faults)
            counts = f"{outcome.kept} kept + {outcome.named} named of {outcome.sent} lines"
            verdict = "; ".join(outcome.faults) or "as it should be"
            print(
                f"{kind.name:32} {counts}, whole on the {outcome.folder} disk, exit {outcome.code}: {verdict}",
                flush=True,
            )
    print(f"{bad} of {len(KINDS)} troubles of disks are not as they should be")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
