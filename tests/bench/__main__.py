"""Every measurement of the program beside its yardstick: ``python -m tests.bench`` (an hour), ``--quick`` (minutes).

Makes long sessions (kept under ``--cache``; empty it when the rehearsal changes), runs the notebook peer and
``trialcapture process`` on each in turn as cold processes, and prints wall time, processor time, peak memory and
their ratios as Markdown; then whether both find the same speeds, steady detection, decoding alone, the encoding of
the trial set, the recorder under load, and what ``--help`` takes. Files are read once beforehand, so that the disk is
no part of it. Only ratios mean anything.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median

from tests.bench.measuring import ROOT, Run, alternate, machine, run_cold

PARTS = ("process", "decoding", "encoding", "recorder", "start")
GOALS = {"wall": 15.0, "peak": 1 / 3, "growth": 1.3, "agree_kn": 1e-6, "help": 0.3}
START_ROUNDS = 15


def main() -> int:
    """Run the command line; 1 when the two disagree about a speed or a part failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, nargs="+", default=[8.0, 24.0], help="lengths of the sessions")
    parser.add_argument("--rounds", type=int, default=3, help="runs of each, of which the median counts")
    parser.add_argument("--quick", action="store_true", help="one session of 2 h, one round, a short recording")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS), help="leave out the other parts")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "trialcapture-bench", help="where sessions are kept"
    )
    arguments = parser.parse_args()
    hours = [2.0] if arguments.quick else sorted(arguments.hours)
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
    print(f"{machine()}\n", flush=True)
    done = [parts[name]() for name in PARTS if name in arguments.only]
    return 0 if all(done) else 1


def bench_process(cache: Path, hours: list[float], rounds: int) -> bool:
    """Measure peer and program on a session of each length; return whether they agree everywhere."""
    cache.mkdir(parents=True, exist_ok=True)
    peaks: dict[str, dict[float, float]] = {"peer": {}, "process": {}}
    agreed = True
    print("## Session to report\n")
    print("| session | | wall [s] | CPU [s] | peak [MB] | wall, peer/ours | CPU, peer/ours | peak, ours/peer |")
    print("|---|---|---|---|---|---|---|---|", flush=True)
    told = []
    for length in hours:
        session = _session(cache, length)
        text = _read_once(session)
        peer_folder = cache / f"peer-{session.name}"
        commands = {
            "peer": [sys.executable, "tests/bench/peer.py", str(session), "--into", str(peer_folder)],
            "process": [sys.executable, "-m", "trialcapture", "process", str(session)],
        }
        found = alternate({n: partial(run_cold, c, cache / f"{n}.log") for n, c in commands.items()}, rounds)
        _print_runs(f"{length:g} h, {text}", found["peer"], found["process"])
        for name, run in found.items():
            peaks[name][length] = run.peak_mb
        agreement = _json("tests.bench.agreement", str(session), str(peer_folder))
        steady = _json("tests.bench.steady", str(session))
        agreed &= agreement["bands"] > 0 and max(agreement["band_kn"], agreement["table_kn"]) <= GOALS["agree_kn"]
        told.append(_agreement_text(f"{length:g} h", agreement))
        told.append(
            f"{length:g} h: steady detection is {100 * steady['steady_s'] / found['process'].wall_s:.1f} % of the run, "
            f"{steady['steady_s'] / steady['rolling_s']:.1f} times a rolling deviation."
        )
    print("\n" + "\n\n".join(told))
    print(f"\nGoals: wall at least {GOALS['wall']:g} times faster, peak at most {GOALS['peak']:.2f} of the peer's.")
    if len(hours) > 1:
        first, last = hours[0], hours[-1]
        growth = {name: peak[last] / peak[first] for name, peak in peaks.items()}
        print(
            f"Peak memory at {last:g} h over that at {first:g} h: ours {growth['process']:.2f} "
            f"(goal {GOALS['growth']:g}), peer {growth['peer']:.2f}."
        )
    print(flush=True)
    return agreed


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


def _print_runs(what: str, peer: Run, ours: Run) -> None:
    print(f"| {what} | peer | {peer.wall_s:.1f} | {peer.cpu_s:.1f} | {peer.peak_mb:.0f} | | | |")
    print(
        f"| | process | {ours.wall_s:.1f} | {ours.cpu_s:.1f} | {ours.peak_mb:.0f} | {peer.wall_s / ours.wall_s:.1f} "
        f"| {peer.cpu_s / ours.cpu_s:.1f} | {ours.peak_mb / peer.peak_mb:.2f} |",
        flush=True,
    )


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
    print("## Start\n\n| | median [ms] |\n|---|---|")
    for name, seconds in middle.items():
        print(f"| {name} | {1e3 * seconds:.0f} |")
    ratio = middle["trialcapture --help"] / middle["import pandas"]
    print(f"\nRatio {ratio:.2f} (goal {GOALS['help']:g}).\n", flush=True)
    return True


if __name__ == "__main__":
    sys.exit(main())
