"""Steps of the long form: the questions of README.md, comparisons, and all sessions derived again with a worker killed.

Everything is derived with ``--again``: results of equal versions are equal byte for byte, so that "equal" is what every
session must come out as, whatever was killed meanwhile.
"""

from __future__ import annotations

import re
import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil
from distributed import LocalCluster

from trialcapture.archive.fleet.fleet_archive import key_of, open_archive
from trialcapture.archive.fleet.fleet_index import update_index
from trialcapture.archive.fleet.fleet_query import QueriedIndex, query_index, read_side
from trialcapture.archive.session import open_session
from trialcapture.pipeline.archive_processing import DerivedStored, process_archive
from trialcapture.reduce.session_comparison import compare_sessions

if TYPE_CHECKING:
    from tests.fleet.__main__ import Stage

README = Path(__file__).parents[2] / "README.md"
WORKERS = 2
COMPARISONS = 10


def queried(stage: Stage) -> str:
    """Ask every question of README.md once."""
    archive = open_archive(stage.place)
    update_index(archive)
    questions = re.findall(r"```sql\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    took_s, rows = [], 0
    began = time.perf_counter()
    with QueriedIndex(archive) as index:
        opened_s = time.perf_counter() - began
        (one,) = index.ask("SELECT count(*) AS n FROM sessions").to_pylist()
        for sql in questions:
            began = time.perf_counter()
            rows += index.ask(sql).num_rows
            took_s.append(time.perf_counter() - began)
    stage.check(one["n"] == len(stage.sessions), f"{one['n']} sessions in the index of {len(stage.sessions)}")
    stage.check(len(questions) == 10, f"{len(questions)} questions")
    times = f"opened in {opened_s:.3f} s, a question {statistics.median(took_s):.3f} s, the slowest {max(took_s):.3f} s"
    return f"{len(questions)} questions over {one['n']} sessions, {rows} rows; {times}"


def compared(stage: Stage) -> str:
    """Compare sessions of one boat with each other."""
    archive = open_archive(stage.place)
    of_boat: dict[str, list[str]] = {}
    for row in query_index(archive, "SELECT boat, session_id FROM sessions WHERE bands > 1 ORDER BY start").to_pylist():
        of_boat.setdefault(row["boat"], []).append(row["session_id"])
    pairs = [(a, b) for ids in of_boat.values() for a, b in zip(ids[::2], ids[1::2], strict=False)][:COMPARISONS]
    counts = [compare_sessions(read_side(archive, a), read_side(archive, b)).counted() for a, b in pairs]
    stage.check(all(count for count, _ in counts), "a comparison without a band")
    return f"{len(pairs)} comparisons of two sessions, {sum(n for n, _ in counts)} differences"


def by_processes(stage: Stage) -> str:
    """Derive some sessions by processes, one of which is killed."""
    keys = [key_of(open_session(folder).id) for folder in stage.some]

    def derive(told: Callable[[DerivedStored, int, int], None]) -> list[DerivedStored]:
        return process_archive(stage.place, workers=WORKERS, keys=keys, again=True, told=told)

    return _derived(stage, derive, _spawned, len(keys))


def on_a_cluster(stage: Stage) -> str:
    """Derive all sessions on a cluster of worker processes, one of which is killed."""
    with LocalCluster(
        n_workers=WORKERS, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1",
        silence_logs=50,
    ) as cluster:  # fmt: skip
        nannies: list[Any] = list(cluster.workers.values())

        def derive(told: Callable[[DerivedStored, int, int], None]) -> list[DerivedStored]:
            return process_archive(stage.place, scheduler=cluster.scheduler_address, again=True, told=told)

        return _derived(stage, derive, lambda: [psutil.Process(nannies[0].pid)], len(stage.sessions))


def _spawned() -> list[psutil.Process]:
    children = psutil.Process().children(recursive=True)
    return [child for child in children if any("spawn_main" in word for word in child.cmdline())][:1]


def _derived(
    stage: Stage,
    derive: Callable[[Callable[[DerivedStored, int, int], None]], Sequence[DerivedStored]],
    victims: Callable[[], Sequence[psutil.Process]],
    expected: int,
) -> str:
    """Derive sessions, kill a worker after a third of them, and count what became of each."""
    killed: list[int] = []

    def told(_one: DerivedStored, done: int, every: int) -> None:
        if not killed and done >= every // 3 + 1 and done < every:
            for victim in victims():
                killed.append(victim.pid)
                victim.kill()

    began = time.perf_counter()
    found = derive(told)
    took_s = time.perf_counter() - began
    states = {state: sum(one.state == state for one in found) for state in ("equal", "derived", "there", "failed")}
    stage.check(states["equal"] == expected, f"derived again: {states}")
    stage.check(bool(killed), "no worker was killed")
    said = ", ".join(f"{count} {state}" for state, count in states.items() if count)
    return (
        f"{len(found)} sessions on {WORKERS} workers, {len(killed)} killed on the way: {said}; "
        f"{sum(one.tries > 1 for one in found)} tried twice; {took_s / max(len(found), 1):.2f} s a session"
    )


STEPS: dict[str, Callable[[Stage], str]] = {
    "query": queried, "compare": compared, "process, worker killed": by_processes,
    "process on dask, worker killed": on_a_cluster,
}  # fmt: skip
"""In the order in which they run, after the index was made."""
