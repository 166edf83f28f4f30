"""Every command that writes, while its renames are refused as Windows refuses them.

    python -m tests.faults.renames

A virus scanner, an indexer or a sync client holds a new file for some tens of milliseconds: for each command the first
1, 2 … 20 renames are refused (access denied, sharing violation and lock violation in turn), and the command must end
as if nothing had happened. Then each of its renames in turn is refused for good: the command must end with exit code 1
and a message, what was there before must be whole, and the same command must work afterwards.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path

from tests import rig
from tests.acquire.test_preflight import BOAT, LOG, everything
from tests.system.fakes import refusal
from trialcapture.archive.verify import verify_session
from trialcapture.cli import main as trialcapture
from trialcapture.system import files

ROOT = Path(__file__).parents[2]
LOGS = ROOT / "sample_logs" / "plain_nmea"
REFUSALS = 20
_NUMBERS = (5, 32, 33)


@dataclass
class Renames:
    """Renames of this process: how many were asked for, and which are refused.

    Attributes:
        first: So many are refused.
        always: That one, counted from 0, is refused as often as it is tried.
        asked: What they were, by source and target, each once.
    """

    first: int = 0
    always: int | None = None
    refused: int = 0
    asked: list[tuple[str, str]] = field(default_factory=list)

    def check(self, source: object, target: object) -> None:
        pair = (os.fspath(source), os.fspath(target))  # type: ignore[call-overload]
        if pair not in self.asked:
            self.asked.append(pair)
        if self.refused < self.first or self.asked.index(pair) == self.always:
            self.refused += 1
            fault = refusal(_NUMBERS[self.refused % 3])
            fault.filename = pair[0]
            raise fault


@contextmanager
def refusing(renames: Renames, *, patience_s: float) -> Iterator[None]:
    """Have renames answered by `renames`; a refusal is borne for so long."""
    true = {name: getattr(os, name) for name in ("replace", "rename")}
    before = files.patiently.__kwdefaults__["patience_s"]  # type: ignore[attr-defined]

    def watched(name: str) -> Callable[[object, object], None]:
        def rename(source: object, target: object) -> None:
            renames.check(source, target)
            true[name](source, target)

        return rename

    try:
        files.patiently.__kwdefaults__["patience_s"] = patience_s  # type: ignore[attr-defined]
        for name in true:
            setattr(os, name, watched(name))
        yield
    finally:
        files.patiently.__kwdefaults__["patience_s"] = before  # type: ignore[attr-defined]
        for name, function in true.items():
            setattr(os, name, function)


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: object
    told: str


def run(*arguments: object) -> Ended:
    """Run a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            trialcapture([str(argument) for argument in arguments])
        except SystemExit as ended:
            return Ended(ended.code, out.getvalue() + err.getvalue())
    raise AssertionError("a command ends with an exit code")


@contextmanager
def talking(port: int) -> Iterator[None]:
    """Send what a boat says to a UDP port, many times a second."""
    stop = threading.Event()

    def send() -> None:
        second = 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            while not stop.wait(0.05):
                sender.sendto(everything(second), ("127.0.0.1", port))
                second += 1

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@dataclass(frozen=True)
class Case:
    """A command that writes.

    Attributes:
        name: For the table.
        before: Commands that make what it works on.
        command: The command itself; `{}` is the session.
        result: What in the session must be the same bytes as without any refusal.
        talks: Whether a source must talk to it meanwhile.
        keeps: What it may have changed for good before it fails: a recording is kept, and so are settings.
    """

    name: str
    before: tuple[tuple[str, ...], ...]
    command: tuple[str, ...]
    result: tuple[str, ...] = ()
    talks: bool = False
    keeps: tuple[str, ...] = ()


_RECORDED = ("raw/", "manifest.json", "seal.jsonl", "live.jsonl")
_SETTINGS = ("session.toml", "session-former", "manifest.json", "seal.jsonl")
_ENGINE = ("--engine-log", str(LOGS / "outboard.csv"))
_COLLECT = ("collect", str(LOGS / "trial.nmea"), "--config", str(LOGS / "boat.toml"), "--into", "{}")
_RECORD = ("record", "{config}", "--into", "{}", "--minutes", "0.02")
_REVIEW = ("review", "{}", "--exclude", "1", "--reason", "ferry wash", "--by", "technician")
_RESULTS = ("trialset", "reduction")
_KEEP = ("process", "{}", "--config", "{other}", "--keep", "--by", "technician")
_UNSEALED = "(as a recorder leaves it that is killed)"
CASES = (
    Case("collect", (), (*_COLLECT, *_ENGINE), ("raw", "manifest.json")),
    Case("collect, into a session", (_COLLECT,), ("collect", *_ENGINE, "--into", "{}"), ("raw", "manifest.json")),
    Case("process", ((*_COLLECT, *_ENGINE),), ("process", "{}"), _RESULTS),
    Case("process, again", ((*_COLLECT, *_ENGINE), ("process", "{}"), _REVIEW), ("process", "{}"), _RESULTS),
    Case("process --keep", ((*_COLLECT, *_ENGINE),), _KEEP, ("trialset",), keeps=_SETTINGS),
    Case("review", ((*_COLLECT, *_ENGINE), ("process", "{}")), _REVIEW, _RESULTS),
    Case("note", (_COLLECT,), ("note", "{}", "trim", "25", "--unit", "%", "--by", "technician"), ("raw",)),
    Case("seal", (_RECORD, (_UNSEALED,)), ("seal", "{}", "--by", "technician"), ("raw",)),
    Case("pack", (_COLLECT,), ("pack", "{}", "{bag}"), ("raw", "manifest.json")),
    Case("record", (), _RECORD, talks=True, keeps=_RECORDED),
    Case("record --resume", (_RECORD,), (*_RECORD, "--resume"), talks=True, keeps=_RECORDED),
    Case("preflight", (), ("preflight", "{config}", "--seconds", "1", "--into", "{}"), talks=True, keeps=_RECORDED),
    Case("rehearse", (), ("rehearse", "{}", "--scenario", "small-petrol", "--short"), ("raw", "manifest.json")),
)


class Bench:
    """A place to run commands in: what a case works on is made once and copied."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: dict[Case, Path] = {}
        self._number = 0
        self.port = rig.free_port()
        self.config = folder / "boat.toml"
        text = (BOAT + LOG).replace("port = 10110", f'host = "127.0.0.1"\nport = {self.port}')
        self.config.write_text(text, encoding="utf-8")
        self._other = folder / "other.toml"
        text = (LOGS / "boat.toml").read_text(encoding="utf-8")
        self._other.write_text(text.replace('name = "', 'name = "Another ', 1), encoding="utf-8")

    def run(self, command: Sequence[str], session: Path) -> Ended:
        """Run a command on a session."""
        if command[0] == _UNSEALED:
            for name in ("manifest.json", "seal.jsonl"):
                (session / name).unlink()
            notes = session / "raw" / "notes.jsonl"
            notes.write_bytes(notes.read_bytes().partition(b"\n")[0] + b"\n")
            return Ended(0, "")
        words = {"{}": str(session), "{config}": str(self.config), "{bag}": str(session.with_name("bag"))}
        words["{other}"] = str(self._other)
        return run(*(words.get(word, word) for word in command))

    def fresh(self, case: Case) -> Path:
        """Return a session of its own that a case can work on."""
        if case not in self._made:
            made = self._folder / f"made-{len(self._made)}"
            with talking(self.port):
                for command in case.before:
                    ended = self.run(command, made)
                    assert ended.code == 0, ended.told
            self._made[case] = made
        self._number += 1
        session = self._folder / str(self._number) / "session"
        session.parent.mkdir()
        if self._made[case].exists():
            shutil.copytree(self._made[case], session)
        return session

    @contextmanager
    def traffic(self, case: Case) -> Iterator[None]:
        """Have a source talk where a case needs one."""
        if case.talks:
            with talking(self.port):
                yield
        else:
            yield


def contents(session: Path, names: Sequence[str]) -> dict[str, bytes]:
    """Return what files hold."""
    found: dict[str, bytes] = {}
    for name in names:
        for path in sorted([session / name, *(session / name).rglob("*")]):
            if path.is_file() and "work" not in path.parts:
                found[path.relative_to(session).as_posix()] = path.read_bytes()
    return found


def leftovers(session: Path) -> list[str]:
    """Return what no command may leave behind."""
    beside = [p.name for p in session.parent.iterdir() if ".unfinished" in p.name or ".packing" in p.name]
    inside = [p.relative_to(session).as_posix() for p in session.rglob("*")] if session.exists() else []
    return beside + [name for name in inside if name.endswith((".tmp", "moves.json", ".lock")) or "/run-" in name]


def is_timed(name: str) -> bool:
    """Return whether a file holds the time of its making: notes, the session's head, and what seals them."""
    return name.startswith(("raw/notes", "raw/preflight", "session.toml", "manifest.json", "seal.jsonl"))


def fault_of(session: Path, expected: dict[str, bytes]) -> str:
    """Return what is wrong with the outcome of a command that succeeded, "" for nothing."""
    found = contents(session, sorted({name.partition("/")[0] for name in expected}))
    differing = [n for n in {*found, *expected} if found.get(n) != expected.get(n) and not is_timed(n)]
    if differing:
        return f"other bytes than without refusals: {', '.join(sorted(differing))}"
    if left := leftovers(session):
        return f"left behind: {', '.join(left)}"
    if (session / "manifest.json").exists() and (faults := verify_session(session).faults):
        return f"does not verify: {'; '.join(map(str, faults))}"
    return ""


def first_refused(bench: Bench, case: Case, numbers: Sequence[int]) -> tuple[int, list[str]]:
    """Refuse the first renames of a command, each number of them once.

    Returns:
        How many renames were refused in all, and what went wrong.
    """
    session = bench.fresh(case)
    with bench.traffic(case):
        ended = bench.run(case.command, session)
    assert ended.code == 0, ended.told
    expected = contents(session, case.result)
    refused, wrong = 0, []
    for number in numbers:
        session = bench.fresh(case)
        renames = Renames(first=number)
        with bench.traffic(case), refusing(renames, patience_s=files.PATIENCE_S):
            ended = bench.run(case.command, session)
        refused += renames.refused
        fault = fault_of(session, expected) if ended.code == 0 else f"exit code {ended.code}: {ended.told}"
        if renames.refused < number:
            fault = fault or "the renames were not refused"
        if fault:
            wrong.append(f"{case.name}, first {number} refused: {fault}")
    return refused, wrong


def refused_for_good(bench: Bench, case: Case, most: int = 1000) -> tuple[int, list[str]]:
    """Refuse each rename of a command for good, one in each run.

    Returns:
        How many runs there were, and what went wrong.
    """
    wrong: list[str] = []
    number = 0
    while number < most:
        session = bench.fresh(case)
        before = contents(session, [p.name for p in session.iterdir()] if session.exists() else [])
        renames = Renames(always=number)
        with bench.traffic(case), refusing(renames, patience_s=0.05):
            ended = bench.run(case.command, session)
        if not renames.refused:  # it has no more
            break
        number += 1
        wrong += [
            f"{case.name}, {renames.asked[number - 1][1]} refused for good: {fault}"
            for fault in _faults_of_refusal(bench, case, session, before, ended)
        ]
    return number, wrong


def _faults_of_refusal(
    bench: Bench, case: Case, session: Path, before: dict[str, bytes], ended: Ended
) -> Iterator[str]:
    told = " ".join(ended.told.split())
    if ended.code == 0:  # what it could do without: notes for a later run
        return
    if ended.code != 1 or "unexpected" in told or "Traceback" in told:
        yield f"exit code {ended.code}: {told}"
    if "not everything that was received" in told:
        yield f"an untrue message: {told}"
    after = contents(session, [p.name for p in session.iterdir()] if session.exists() else [])
    lost = [n for n in before if after.get(n) != before[n] and not (case.keeps and n.startswith(case.keeps))]
    results = {name for name in after if name.startswith(_RESULTS)} - before.keys()
    if lost or results:
        yield f"not as before: {', '.join(sorted([*lost, *results]))}"
    if left := leftovers(session):
        yield f"left behind: {', '.join(left)}"
    again = (*case.command, "--resume") if case.command[0] == "record" and (session / "raw").exists() else case.command
    with bench.traffic(case):
        ended = bench.run(again, session)
    if ended.code != 0:
        yield f"the same command does not work afterwards: {' '.join(ended.told.split())}"


def main() -> int:
    """Run all and print counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--refusals", type=int, default=REFUSALS, help="refuse the first 1 to so many renames")
    parser.add_argument("--only", default="", help="commands whose name begins so")
    parser.add_argument("--moments", action="store_true", help="no refusals for good, which take longest")
    given = parser.parse_args()
    wrong: list[str] = []
    began = time.monotonic()
    print(f"{'command':26}{'runs':>6}{'refused':>9}{'for good':>10}{'wrong':>7}")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        for case in CASES:
            if not case.name.startswith(given.only):
                continue
            refused, faults = first_refused(bench, case, range(1, given.refusals + 1))
            stopped, more = (0, []) if given.moments else refused_for_good(bench, case)
            wrong += faults + more
            print(f"{case.name:26}{given.refusals:6}{refused:9}{stopped:10}{len(faults) + len(more):7}", flush=True)
    for text in wrong:
        print(f"WRONG {text}")
    print(f"{len(wrong)} wrong, {time.monotonic() - began:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
