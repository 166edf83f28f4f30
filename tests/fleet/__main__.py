"""An archive of many short sessions, in a folder and on an S3-speaking server, command after command.

    python -m tests.fleet --sessions 200 --rows 10000 --out tests/RESULTS.md    the long form
    python -m tests.fleet --sessions 8 --rows 200                              the small form

The sessions are simulated once and kept under ``--home``; remove it when the program has changed. Every step prints
what it counted and how long it took; with ``--out`` the table takes the place of the former one. The server is moto's:
it proves the protocol, not a store. It keeps its objects in memory and runs beside the commands, so its times say
nothing of a real one.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

from tests.accuracy.__main__ import write_section
from tests.fleet import asking, growth, storing
from tests.fleet.making import BUCKET, s3_server, short_session

SECTION = "fleet"


@dataclass
class Stage:
    """What every step is given.

    Attributes:
        kind: ``folder`` or ``s3``.
        place: The archive.
        second: Place of its second copy.
        sessions: Folders of the sessions, all processed.
        scratch: A folder for whatever a step makes.
        rows: Up to how many sessions the growth of the index is shown.

    Adding, indexing, asking and deriving on a cluster take all sessions. Steps that show as much with fewer take
    `some`: adding twice, killed or two at once, deriving by processes, and on S3 the second copy.
    """

    kind: str
    place: str
    second: str
    sessions: Sequence[Path]
    scratch: Path
    rows: int
    failed: list[str] = field(default_factory=list)

    @property
    def some(self) -> Sequence[Path]:
        """A fifth of the sessions, four at least."""
        return self.sessions[: max(4, len(self.sessions) // 5)]

    def check(self, held: bool, what: str) -> None:
        """Note what does not hold; the run goes on."""
        if not held:
            self.failed.append(what)


Step = Callable[[Stage], str]
"""Does one thing and returns what it counted, in one line."""

STEPS: dict[str, Step] = {
    "add": storing.added,
    "add again": storing.added_again,
    "add, killed": storing.added_while_killed,
    "add, two at once": storing.added_by_two,
    "index": storing.indexed,
    "list": storing.listed,
    **asking.STEPS,
    "mirror": storing.mirrored,
    "verify and repair": storing.repaired,
    "index of many": growth.of_the_index,
}


def main() -> int:
    """Run the steps and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet", description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--rows", type=int, default=10_000, help="sessions of the largest index (10,000)")
    parser.add_argument("--store", choices=("folder", "s3", "both"), default="both")
    parser.add_argument("--only", nargs="+", choices=tuple(STEPS), default=tuple(STEPS), metavar="STEP")
    parser.add_argument("--home", type=Path, default=Path(tempfile.gettempdir()) / "trialcapture-fleet")
    parser.add_argument("--out", type=Path, help="also write the table into this file, in place of the former one")
    chosen = parser.parse_args()
    began = time.monotonic()
    folders = [chosen.home / f"trial-{n:04d}" for n in range(chosen.sessions)]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1), get_context("spawn")) as pool:
        sessions = list(pool.map(short_session, folders, range(chosen.sessions), chunksize=2))
    print(f"{len(sessions)} sessions in {chosen.home} ({time.monotonic() - began:.0f} s)", flush=True)
    rows, failed = [], []
    kinds = ("folder", "s3") if chosen.store == "both" else (chosen.store,)
    for kind in kinds:
        with ExitStack() as stack:
            scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="trialcapture-fleet-")))
            place, second = str(scratch / "archive"), str(scratch / "second")
            if kind == "s3":
                os.environ.update(stack.enter_context(s3_server()))
                place, second = f"s3://{BUCKET}/{scratch.name}", f"s3://{BUCKET}/{scratch.name}-second"
            stage = Stage(kind, place, second, sessions, scratch, chosen.rows)
            for name, step in STEPS.items():
                if name not in chosen.only or (kind == "s3" and name in growth.ON_DISK_ONLY):
                    continue
                began = time.monotonic()
                print(f"{kind}: {name} …", file=sys.stderr, flush=True)
                told = step(stage)
                row = f"| {kind} | {name} | {told} | {time.monotonic() - began:.1f} s |"
                print(row, flush=True)
                rows.append(row)
            failed += [f"{kind}: {what}" for what in stage.failed]
    for what in failed:
        print(f"does not hold: {what}", flush=True)
    if chosen.out is not None:
        command = f"python -m tests.fleet --sessions {chosen.sessions} --rows {chosen.rows}"
        head = (
            f"`{command}` on {os.cpu_count()} cores\n\n| store | step | what was counted | wall |\n|---|---|---|---|\n"
        )
        tail = "" if not failed else "\n\n" + "\n".join(f"Does not hold: {what}" for what in failed)
        write_section(chosen.out, SECTION, head + "\n".join(rows) + tail)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
