"""How soon the answer is there: `process` after a recording that a desk followed, beside one from scratch.

    python -m tests.bench.answer
    python -m tests.bench.answer --hours 1 --rounds 1

The log of a long session is fed to the live follower as fast as it takes it, so that decoded blocks are kept as they
would be on the day; its last minutes at the pace of the recording, looked at twice a second: what that costs, and how
old the table of bands becomes. The engine log comes ashore after it. Then, in turn and as cold processes: the notebook
peer, `process` from nothing, `process` with decoded blocks that were kept, and `process` after the desk had prepared
everything, which it does by itself when a recording has ended or a log was taken in on its page; how long that takes
is told beside it. All must give the same bytes. Goals: at least eight times the peer, at most ten seconds.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from statistics import median
from time import process_time

from tests.bench.live_replay import Tape, tape_of
from tests.bench.measuring import Run, all_but_templates, alternate, machine, run_cold
from tests.bench.sessions import session as long_session
from trialcapture.pipeline.live_guidance import LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.system.files import CACHE_VARIABLE
from trialcapture.system.operating_system import own_program

_FED_BYTES = 1 << 20
"""So much is appended between two looks: less than what the follower takes for a recording joined late."""
_LOOK_S = 0.5
TIMES_THE_PEER, TABLE_S = 8.0, 10.0
WAYS = ("scratch", "kept", "ahead")


def split_log(text: bytes, paced_s: float) -> tuple[list[bytes], Tape]:
    """Return a journal in pieces of whole lines without its last seconds, and these with the times they came in."""
    tape = tape_of(text[-min(len(text), 64 << 20) :].partition(b"\n")[2])
    begin = len(text) - int(tape.ends[-1]) + int(tape.ends[(tape.t_s < tape.t_s[-1] - paced_s).sum()])
    pieces, at = [], 0
    while at < begin:
        end = text.rfind(b"\n", at, min(at + _FED_BYTES, begin)) + 1 or begin
        pieces.append(text[at:end])
        at = end
    return pieces, tape_of(text[begin:])


class Follow:
    """Feeds a session to the live follower; afterwards it is as if a desk had run beside the recorder.

    Args:
        session: With a journal.
        into: Where its copy grows.
        paced_s: How much of its end is played at the pace of the recording [s].
    """

    def __init__(self, session: Path, into: Path, paced_s: float) -> None:
        self._session, self._into, self._paced_s = session, into, paced_s
        self.fed_cpu_s = 0.0
        self.paced_cpu_s = 0.0
        self.played_s = 0.0
        self.oldest_s = 0.0
        """Greatest age of the table of bands behind the newest sample [s]."""
        self.parts: dict[str, float] = {}

    def run(self) -> None:
        """Play the recording."""
        shutil.copytree(self._session, self._into, ignore=shutil.ignore_patterns("trialset", "reduction", "engine"))
        journal = self._into / "raw" / "nmea.log"
        pieces, tape = split_log(journal.read_bytes(), self._paced_s)
        journal.write_bytes(b"")
        live = LiveBoard(LiveTrial(self._into), read_status=lambda: None)
        now_s, began = 0.0, process_time()
        for piece in pieces:
            append(journal, piece)
            now_s += _LOOK_S
            live.trial.look(now_s)
        self.fed_cpu_s = process_time() - began
        live.trial.seconds_used.clear()
        now_s += 60.0  # everything is due once
        for elapsed_s, text in paced(tape):
            append(journal, text)
            self.played_s = elapsed_s
            began = process_time()
            board = live.look(now_s + elapsed_s, live.trial.newest_ns or 0)
            self.paced_cpu_s += process_time() - began
            reduced, newest_ns = live.trial.reduced, live.trial.newest_ns
            if board.bands_at and reduced is not None and newest_ns is not None:
                self.oldest_s = max(self.oldest_s, (newest_ns - reduced.to_ns) / 1e9)
        self.parts = dict(live.trial.seconds_used)
        if (self._session / "raw" / "engine").is_dir():
            shutil.copytree(self._session / "raw" / "engine", self._into / "raw" / "engine")

    def __str__(self) -> str:
        """What it took, in words."""
        if not self.played_s:
            return f"Followed as fast as it goes: {self.fed_cpu_s:.1f} s of a core."
        parts = ", ".join(f"{name} {100 * cost_s / self.played_s:.1f}" for name, cost_s in sorted(self.parts.items()))
        return (
            f"Followed as fast as it goes: {self.fed_cpu_s:.1f} s of a core. The last {self.played_s:.0f} s at their "
            f"pace: {100 * self.paced_cpu_s / self.played_s:.1f} % of a core ({parts}); the table of bands was never "
            f"older than {self.oldest_s:.1f} s (wanted {TABLE_S:g})."
        )


def append(journal: Path, text: bytes) -> None:
    """Append to a journal as the recorder does."""
    with journal.open("ab") as file:
        file.write(text)


def paced(tape: Tape) -> Iterator[tuple[float, bytes]]:
    """Yield what came in between two looks, with the time since the first line [s]."""
    begin, first_s = 0, float(tape.t_s[0])
    for number in range(1, int((float(tape.t_s[-1]) - first_s) / _LOOK_S) + 2):
        count = int((tape.t_s <= first_s + number * _LOOK_S).sum())
        end = int(tape.ends[count - 1]) if count else 0
        yield number * _LOOK_S, tape.text[begin:end]
        begin = end


def hashes_of(session: Path) -> dict[str, str]:
    """Return the hash of every result of a session."""
    return {
        path.relative_to(session).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in ("trialset", "reduction")
        for path in sorted((session / folder).rglob("*"))
        if path.is_file() and "work" not in path.relative_to(session).parts
    }


class Ways:
    """Processes one session from nothing and with what was kept, and notes what came out.

    Args:
        session: As a desk left it.
        home: For logs and caches.
        cache: What the desk noted in the user's cache folder.
    """

    def __init__(self, session: Path, home: Path, cache: Path) -> None:
        self._session, self._home, self._cache = session, home, cache
        self._decoded = session / "trialset" / "work" / "decoded"
        self._aside = home / "decoded-aside"
        self.found: dict[str, dict[str, str]] = {}
        self.preparing_s: list[float] = []
        self._decoded.rename(self._aside)

    def run(self, way: str) -> Run:
        """Run `process` as "scratch", "kept" or "ahead"."""
        cache = self._home / f"cache-{way}"
        command = [sys.executable, "-m", "trialcapture", "process", str(self._session)]
        made = run_cold(
            command, self._home / f"{way}.log", partial(self._begin, way, cache), **{CACHE_VARIABLE: str(cache)}
        )
        self.found[way] = hashes_of(self._session)
        if way != "scratch":
            self._decoded.rename(self._aside)
        return made

    def _begin(self, way: str, cache: Path) -> None:
        for folder in (self._session / "trialset", self._session / "reduction", *all_but_templates(cache)):
            shutil.rmtree(folder, ignore_errors=True)
        if way != "scratch":
            shutil.copytree(self._cache, cache, dirs_exist_ok=True)
            self._decoded.parent.mkdir(parents=True)
            self._aside.rename(self._decoded)
        if way == "ahead":
            command = [*own_program("trialcapture.desk.jobs"), "prepare", str(self._session)]
            prepared = run_cold(command, self._home / "prepare.log", **{CACHE_VARIABLE: str(cache)})
            self.preparing_s.append(prepared.wall_s)


def main() -> int:
    """Measure and print; 1 where the bytes differ."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=8.0, help="length of the session [h]")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each, of which the median counts")
    parser.add_argument("--paced", type=float, default=120.0, help="how much of the end is played at its pace [s]")
    parser.add_argument("--no-peer", action="store_true", help="leave out the notebook peer")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "trialcapture-bench", help="where sessions are kept"
    )
    given = parser.parse_args()
    given.cache.mkdir(parents=True, exist_ok=True)
    session = long_session(given.cache, given.hours)
    print(f"{machine()}, load {os.getloadavg()[0]:.1f} before the first run\n", flush=True)
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        os.environ[CACHE_VARIABLE] = str(home / "cache")
        follow = Follow(session, home / session.name, given.paced)
        follow.run()
        print(f"{follow}\n", flush=True)
        ways = Ways(home / session.name, home, home / "cache")
        commands = {way: partial(ways.run, way) for way in WAYS}
        if not given.no_peer:
            peer = [sys.executable, "tests/bench/peer.py", str(session), "--into", str(home / "peer")]
            commands = {"peer": partial(run_cold, peer, home / "peer.log"), **commands}
        runs = alternate(commands, given.rounds)
        differing = sorted(
            {
                name
                for way in WAYS[1:]
                for name in ways.found["scratch"].keys() | ways.found[way].keys()
                if ways.found["scratch"].get(name) != ways.found[way].get(name)
            }
        )
    print(f"| {given.hours:g} h | wall | CPU | peak memory |")
    print("|---|---|---|---|")
    for name, beside in (
        ("scratch", "peer"), ("kept", "scratch"), ("kept", "peer"), ("ahead", "scratch"), ("ahead", "peer")
    ):  # fmt: skip
        if beside in runs:
            a, b = runs[name], runs[beside]
            print(
                f"| {name} over {beside} | {a.wall_s / b.wall_s:.3f} | {a.cpu_s / b.cpu_s:.3f} "
                f"| {a.peak_mb / b.peak_mb:.3f} |"
            )
    print()
    for name in WAYS:
        print(f"{name}: {runs[name].wall_s:.2f} s", end="")
        print(f", {runs['peer'].wall_s / runs[name].wall_s:.1f} times the peer." if "peer" in runs else ".")
    ahead_s = median(ways.preparing_s)
    print(f"Wanted with a desk running: {TIMES_THE_PEER:g} times. Preparing ahead took {ahead_s:.2f} s.")
    print(f"Results that differ: {', '.join(differing) or 'none'} of {len(ways.found['scratch'])}.")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
