"""An archive derived again in a loop, by processes, and on dask.distributed, side by side in one run.

    python -m tests.bench.deriving                             eight sessions, two rounds
    python -m tests.bench.deriving --sessions 16 --rounds 3    steadier medians

Every way derives the same sessions of the same archive, start-up included, in turn within each round. Ratios of medians
to the loop are printed: they say what a second worker is worth on this computer, and what starting a cluster costs.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from distributed import LocalCluster

from tests.fleet.making import short_session
from trialcapture.archive.fleet.fleet_adding import add_sessions
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.seal import utc_now
from trialcapture.pipeline.archive_processing import DerivedStored, DerivingTask, derive_stored, process_archive

WORKERS = 2


def in_a_loop(place: str) -> list[DerivedStored]:
    """Derive one session after the other in this process."""
    with tempfile.TemporaryDirectory() as scratch:
        keys = sorted(open_archive(place).contents().sessions)
        return [derive_stored(DerivingTask(place, key, True, scratch)) for key in keys]


def by_processes(place: str) -> list[DerivedStored]:
    """Derive by processes of this computer."""
    return process_archive(place, workers=WORKERS, again=True)


def on_dask(place: str) -> list[DerivedStored]:
    """Derive on a cluster that is started for it."""
    with LocalCluster(
        n_workers=WORKERS, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1",
        silence_logs=50,
    ) as cluster:  # fmt: skip
        return process_archive(place, scheduler=cluster.scheduler_address, again=True)


WAYS: dict[str, Callable[[str], list[DerivedStored]]] = {
    "loop": in_a_loop, f"{WORKERS} processes": by_processes, f"dask, {WORKERS} workers": on_dask,
}  # fmt: skip


def main() -> None:
    """Run the rounds and print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=2)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        folders = [short_session(Path(home) / f"trial-{n}", n, processed=False) for n in range(chosen.sessions)]
        archive = open_archive(str(Path(home) / "archive"), create=True)
        add_sessions(archive, folders, t=utc_now)
        in_a_loop(archive.place)  # all results are there from here on, and every round does the same
        took_s: dict[str, list[float]] = {name: [] for name in WAYS}
        for _ in range(chosen.rounds):
            for name, way in WAYS.items():
                began = time.perf_counter()
                found = way(archive.place)
                took_s[name].append(time.perf_counter() - began)
                if any(one.state != "equal" for one in found):
                    raise SystemExit(f"{name}: {[(one.key, one.state, one.fault) for one in found]}")
    medians = {name: statistics.median(times) for name, times in took_s.items()}
    print(f"{chosen.sessions} short sessions, median of {chosen.rounds} rounds, start-up included")
    print("| way | s a session | over the loop |\n|---|---|---|")
    for name, median in medians.items():
        print(f"| {name} | {median / chosen.sessions:.2f} | {median / medians['loop']:.2f} |")


if __name__ == "__main__":
    main()
