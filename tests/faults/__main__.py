"""All fault harnesses in their long form, one after the other: ``python -m tests.faults --out tests/RESULTS.md``.

python -m tests.faults                       all of them: some hours on two cores
python -m tests.faults --only floods disks   some
python -m tests.faults --share 0.1           a tenth of the kills, inputs and seconds

Prints what each one says and, at the end, one row a harness: its command, how it ended, and its last lines. With
``--out`` the table takes the place of the former one; rows of harnesses that did not run stay.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import time
from pathlib import Path

from tests.accuracy.__main__ import write_section

ROOT = Path(__file__).parents[2]
SECTION = "fault harnesses"
LONG = {
    "kill_nine": ("--kills", 200.0),
    "outputs": ("--seconds", 20.0),
    "deleted": ("--seconds", 20.0),
    "interruptions": ("--seconds", 30.0),
    "floods": ("--seconds", 30.0),
    "disks": ("--seconds", 20.0),
    "renames": ("--refusals", 20.0),
    "strangers": None,
    "tamper": None,
    "fuzz": ("--inputs", 1e7),
}
"""The harnesses, with what decides how long each takes."""
_SAID_LINES = 3


def main() -> int:
    """Run what is asked for and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", choices=tuple(LONG), default=tuple(LONG), metavar="NAME")
    parser.add_argument("--share", type=float, default=1.0, help="of kills, inputs and seconds (1)")
    parser.add_argument("--out", type=Path, help="also write the table into this file, in place of the former one")
    chosen = parser.parse_args()
    rows: dict[str, str] = {}
    failed = []
    for name in chosen.only:
        arguments = _arguments(name, chosen.share)
        began = time.monotonic()
        said, code = _run(name, arguments)
        if code:
            failed.append(name)
        minutes = (time.monotonic() - began) / 60.0
        told = " ".join(line.strip() for line in said[-_SAID_LINES:]).replace("|", "/")
        ended = "held" if code == 0 else f"exit code {code}"
        rows[name] = f"| `{' '.join(['tests.faults.' + name, *arguments])}` | {ended} | {told} | {minutes:.1f} min |"
        if chosen.out is not None:
            _write(chosen.out, rows)
    print("\n".join(rows.values()))
    print(f"{len(rows)} harnesses, {len(failed)} did not hold{': ' + ', '.join(failed) if failed else ''}")
    return 1 if failed else 0


def _arguments(name: str, share: float) -> list[str]:
    long = LONG[name]
    if long is None:
        return []
    option, size = long
    return [option, f"{max(round(size * share), 1):d}"]


def _run(name: str, arguments: list[str]) -> tuple[list[str], int]:
    """Run one harness as a program of its own, show what it prints, and return its lines and its exit code."""
    command = [sys.executable, "-m", f"tests.faults.{name}", *arguments]
    print(f"+ {' '.join(command[1:])}", flush=True)
    lines = []
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            lines.append(line.rstrip("\n"))
    return [line for line in lines if line.strip()], process.returncode


def _write(out: Path, rows: dict[str, str]) -> None:
    text = out.read_text(encoding="utf-8") if out.exists() else ""
    former = {}
    for line in text.partition(f"<!-- {SECTION} -->")[2].partition("<!-- end")[0].splitlines():
        if name := re.match(r"\| `tests\.faults\.(\w+)", line):
            former[name[1]] = line
    table = [rows.get(name, former.get(name, "")) for name in LONG]
    head = "| harness | | what it counted | took |\n|---|---|---|---|\n"
    write_section(out, SECTION, f"`python -m tests.faults`\n\n{head}" + "\n".join(row for row in table if row))


if __name__ == "__main__":
    sys.exit(main())
