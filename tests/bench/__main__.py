"""Every measurement of the program beside its yardstick: ``python -m tests.bench``.

    python -m tests.bench                 sessions of 1 h and 8 h, three rounds (a quarter of an hour on idle cores)
    python -m tests.bench --day           24 h as well
    python -m tests.bench --quick         1 h and 2 h, one round, a short recording
    python -m tests.bench --only process  one part alone

Makes long sessions (kept under ``--cache``; empty it when the rehearsal changes) and runs on each, in turn, as cold
processes: a notebook peer (``tests/bench/peer.py``), ``trialcapture process`` from nothing, and again after a note,
in other units and after a review. Prints the medians' ratios as Markdown and what they should be; then whether both
find the same speeds, steady detection, decoding alone, the encoding of the trial set, the recorder under load, and
what ``--help`` takes. Files are read once beforehand, so that the disk is no part of it. Only ratios mean anything,
and the shorter the session the more of them is the start of Python; the load tells what else ran on the machine.
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
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median

from tests.bench.measuring import ROOT, Run, all_but_templates, alternate, machine, run_cold

PARTS = ("process", "decoding", "encoding", "recorder", "start")
AGREE_KN, HELP = 1e-6, 0.3
START_ROUNDS = 15
LONG_H = 8.0
"""From this length on a session is long."""


def main() -> int:
    """Run the command line; 1 when the two disagree about a speed or a part failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, LONG_H], help="lengths of the sessions")
    parser.add_argument("--day", action="store_true", help="24 h as well")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each, of which the median counts")
    parser.add_argument("--quick", action="store_true", help="sessions of 1 h and 2 h, one round, a short recording")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS), help="leave out the other parts")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "trialcapture-bench", help="where sessions are kept"
    )
    arguments = parser.parse_args()
    hours = [1.0, 2.0] if arguments.quick else sorted({*arguments.hours, *([24.0] if arguments.day else [])})
    rounds = 1 if arguments.quick else arguments.rounds
    parts: dict[str, Callable[[], bool]] = {
        "process": lambda: bench_process(arguments.cache, hours, rounds),
        "decoding": lambda: bench_part("Decoding alone", "tests.bench.decoding"),
        "encoding": lambda: bench_part("Encoding of the samples", "tests.bench.encoding", "--rounds", str(2 + rounds)),
        "recorder": lambda: bench_part(
            "Recorder", "tests.bench.recorder", "--seconds", "5" if arguments.quick else "30"
        ),
        "start": bench_start,
    }
    print(f"{machine()}, load {os.getloadavg()[0]:.1f} before the first run\n", flush=True)
    done = [parts[name]() for name in PARTS if name in arguments.only]
    return 0 if all(done) else 1


@dataclass(frozen=True, slots=True)
class Reach:
    """A ratio and what it should be.

    Attributes:
        what: In words.
        ratio: As measured.
        goal: What it should be.
        is_least: True where more is better.
    """

    what: str
    ratio: float
    goal: float
    is_least: bool = False

    def __str__(self) -> str:
        """One row of a Markdown table."""
        is_met = self.ratio >= self.goal if self.is_least else self.ratio <= self.goal
        bound = "at least" if self.is_least else "at most"
        return f"| {self.what} | {self.ratio:.2f} | {bound} {self.goal:g} | {'reached' if is_met else 'missed'} |"


def bench_process(cache: Path, hours: list[float], rounds: int) -> bool:
    """Measure peer and program on a session of each length; return whether they agree everywhere."""
    cache.mkdir(parents=True, exist_ok=True)
    found: dict[float, dict[str, Run]] = {}
    agreed = True
    print("## Session to report\n")
    print("| session | | wall | CPU | peak memory |")
    print("|---|---|---|---|---|", flush=True)
    words = []
    for length in hours:
        session = _session(cache, length)
        text = _read_once(session)
        peer_folder = cache / f"peer-{session.name}"
        found[length] = runs = _measure(session, peer_folder, cache, rounds)
        for name, title in (
            ("full", "process"),
            ("note", "again after a note"),
            ("units", "again in other units"),
            ("review", "again after a review"),
        ):
            beside, what = ("peer", "the peer's") if name == "full" else ("full", "the full run's")
            ours, other = runs[name], runs[beside]
            print(
                f"| {f'{length:g} h, {text}' if name == 'full' else ''} | {title}, as a share of {what} "
                f"| {ours.wall_s / other.wall_s:.3f} | {ours.cpu_s / other.cpu_s:.3f} "
                f"| {ours.peak_mb / other.peak_mb:.3f} |",
                flush=True,
            )
        agreement = _json("tests.bench.agreement", str(session), str(peer_folder))
        steady = _json("tests.bench.steady", str(session))
        agreed &= agreement["bands"] > 0 and max(agreement["band_kn"], agreement["table_kn"]) <= AGREE_KN
        words.append(_agreement_text(f"{length:g} h", agreement))
        words.append(
            f"{length:g} h: steady detection is {100 * steady['steady_s'] / runs['full'].wall_s:.1f} % of the run, "
            f"{steady['steady_s'] / steady['rolling_s']:.1f} times a rolling deviation."
        )
    print("\n| | measured | wanted | |\n|---|---|---|---|")
    for reach in _reaches(found):
        print(reach)
    print("\n" + "\n\n".join(words) + "\n", flush=True)
    return agreed


def _measure(session: Path, peer_folder: Path, cache: Path, rounds: int) -> dict[str, Run]:
    """Run the peer, a first look, and second looks after a note, in other units and after a review, in turn."""
    hashes = cache / "hashes"
    kept = {path: path.read_bytes() for path in (session / "seal.jsonl", session / "manifest.json")}
    process = [sys.executable, "-m", "trialcapture", "process", str(session)]

    def forget() -> None:
        for folder in (session / "trialset", session / "reduction", *all_but_templates(hashes)):
            shutil.rmtree(folder, ignore_errors=True)
        _restore(session, kept)

    def note() -> None:
        noted = ["remark", "fenders stowed", "--at", "2026-05-14T09:00:00Z", "--by", "bench"]
        command = [sys.executable, "-m", "trialcapture", "note", str(session), *noted]
        subprocess.run(command, check=True, capture_output=True, cwd=ROOT)

    def review() -> None:
        _restore(session, kept)
        command = [sys.executable, "-m", "trialcapture", "review", str(session)]
        listed = json.loads(subprocess.run([*command, "--json"], check=True, capture_output=True, cwd=ROOT).stdout)
        used = next(s["segment_id"] for s in listed["segments"] if s["accepted"])
        why = ["--exclude", str(used), "--reason", "wash of a ferry", "--by", "bench"]
        subprocess.run([*command, *why], check=True, capture_output=True, cwd=ROOT)

    def ours(name: str, before: Callable[[], None]) -> Callable[[], Run]:
        return partial(run_cold, process, cache / f"{name}.log", before, TRIALCAPTURE_CACHE=str(hashes))

    peer = [sys.executable, "tests/bench/peer.py", str(session), "--into", str(peer_folder)]
    try:
        return alternate(
            {
                "peer": partial(run_cold, peer, cache / "peer.log"),
                "full": ours("full", forget),
                "note": ours("note", note),
                "units": partial(
                    run_cold, [*process, "--units", "us"], cache / "units.log", TRIALCAPTURE_CACHE=str(hashes)
                ),
                "review": ours("review", review),
            },
            rounds,
        )
    finally:
        _restore(session, kept)


def _restore(session: Path, kept: dict[Path, bytes]) -> None:
    """Take back what was noted and reviewed, as no user can: every round begins with the same session."""
    for path in (session / "raw").glob("notes-*.jsonl"):
        path.unlink()
    for path, data in kept.items():
        path.write_bytes(data)


def _reaches(found: dict[float, dict[str, Run]]) -> list[Reach]:
    """Return what is wanted of the runs, as far as their lengths show it."""
    reaches = []
    for length, runs in found.items():
        peer, full = runs["peer"], runs["full"]
        peak = full.peak_mb / peer.peak_mb
        if length >= LONG_H:
            reaches.append(Reach(f"{length:g} h: times as fast as the peer", peer.wall_s / full.wall_s, 4.0, True))
            reaches.append(Reach(f"{length:g} h: peak memory over the peer's", peak, 0.5))
            for name, what in (("note", "after a note"), ("units", "in other units")):
                share = runs[name].wall_s / full.wall_s
                reaches.append(Reach(f"{length:g} h: {what}, over the full run", share, 0.3))
            share = runs["review"].wall_s / full.wall_s
            reaches.append(Reach(f"{length:g} h: after a review, over the full run", share, 0.45))
        else:
            reaches.append(Reach(f"{length:g} h: wall over the peer's", full.wall_s / peer.wall_s, 0.8))
            reaches.append(Reach(f"{length:g} h: peak memory over the peer's", peak, 1.0))
    if len(found) > 1:
        first, last = min(found), max(found)
        more = {name: found[last][name].wall_s - found[first][name].wall_s for name in ("peer", "full")}
        reaches.append(Reach("a further hour, over the peer's", more["full"] / more["peer"], 0.16))
        growth = found[last]["full"].peak_mb / found[first]["full"].peak_mb
        reaches.append(Reach(f"peak memory at {last:g} h over that at {first:g} h", growth, 1.5))
    return reaches


def _session(cache: Path, hours: float) -> Path:
    """Return a session, made in a process of its own so that this one stays small."""
    code = (
        "from pathlib import Path; from tests.bench.sessions import session; "
        f"print(session(Path({str(cache)!r}), {hours}))"
    )
    out = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True).stdout
    return Path(out.strip().splitlines()[-1])


def _agreement_text(what: str, found: dict[str, float]) -> str:
    return (
        f"{what}: the mean speeds of {found['segments']:.0f} accepted segments, by the notebook's own parsing at the "
        f"same instants, differ by at most {found['segment_kn']:.1e} kn ({found['segments_above']:.0f} by more than "
        f"1e-6), those of {found['bands']:.0f} bands by {found['band_kn']:.1e} kn ({found['bands_above']:.0f}). Of "
        f"{found['instants']:.0f} instants {found['only_ours']:.0f} were read by the program only and "
        f"{found['only_peer']:.0f} by the notebook only. Segment table against samples: {found['table_kn']:.1e} kn."
    )


def _read_once(session: Path) -> str:
    """Read the raw files and return what is in them in words."""
    lines, size, log_size = 0, 0, 0
    with (session / "raw" / "nmea.log").open("rb") as file:
        while part := file.read(1 << 24):
            lines, size = lines + part.count(b"\n"), size + len(part)
    for path in (session / "raw" / "engine").iterdir():
        log_size += len(path.read_bytes())
    return f"{lines / 1e6:.2f} M lines, {size / 1e6:.0f} MB, engine log {log_size / 1e6:.0f} MB"


def _json(module: str, *arguments: str) -> dict[str, float]:
    """Run a module of the bench in a process of its own and return what it printed."""
    out = subprocess.run([sys.executable, "-m", module, *arguments], cwd=ROOT, check=True, capture_output=True).stdout
    found: dict[str, float] = json.loads(out)
    return found


def bench_part(title: str, module: str, *arguments: str) -> bool:
    """Run a bench that has a command of its own and return whether it ended well."""
    print(f"## {title}\n\n`python -m {' '.join([module, *arguments])}`\n", flush=True)
    ended = subprocess.run([sys.executable, "-m", module, *arguments], cwd=ROOT, check=False)
    print(flush=True)
    return ended.returncode == 0


def bench_start() -> bool:
    """Measure how long ``--help`` takes beside ``import pandas``, in turn, each a cold process."""
    commands = {
        "trialcapture --help": ["-m", "trialcapture", "--help"],
        "import pandas": ["-c", "import pandas"],
        "python alone": ["-c", "pass"],
    }
    took: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(START_ROUNDS):
        for name, command in commands.items():
            began = time.perf_counter()
            subprocess.run([sys.executable, *command], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
            took[name].append(time.perf_counter() - began)
    middle = {name: median(times) for name, times in took.items()}
    ratio = middle["trialcapture --help"] / middle["import pandas"]
    bare = middle["python alone"] / middle["import pandas"]
    print("## Start\n\n`trialcapture --help` takes", end=" ")
    print(f"{ratio:.2f} of `import pandas` (wanted {HELP:g}), Python alone {bare:.2f}.\n", flush=True)
    return True


if __name__ == "__main__":
    sys.exit(main())
