"""How time and memory of the index grow with the sessions of an archive, and how soon it answers.

    python -m tests.fleet.growth PLACE     one update in a process of its own: seconds and peak memory as JSON

An archive of thousands is made of one of hundreds: every session again under other ids, its small files as further
names of the same files. The index reads each of them as if it were another.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

from tests.fleet.storing import ROOT, quantiles
from trialcapture.archive.fleet.fleet_archive import FleetArchive, commit_names, file_name, key_of, open_archive
from trialcapture.archive.fleet.fleet_index import update_index
from trialcapture.archive.fleet.fleet_query import QueriedIndex
from trialcapture.archive.fleet.object_store import FolderStore, read_object

if TYPE_CHECKING:
    from tests.fleet.__main__ import Stage

ON_DISK_ONLY = ("index of many",)
_SMALL = ("session.toml", "raw/notes", "reduction/bands.parquet", "reduction/summary.json", "trialset/segment")
WITHIN_S = 0.1
"""In which a question over 1,000 sessions is to be answered, half of them at least, once the index is open."""
QUESTIONS = (
    "select boat, max(best_planing_speed_kn) from sessions where length_m < 12 group by boat order by 2 desc",
    "select round(displacement_kg / 500) * 500 as kg, avg(top_speed_kn), stddev_samp(top_speed_kn), count(*) "
    "from sessions where top_speed_kn is not null group by 1 order by 1",
    "select s.session_id, b.band_name, b.speed_kn, b.fuel_l_per_h from bands b join sessions s using (session_id) "
    "where not s.fuel_calibrated and b.ways = 2 order by b.economy_nm_per_l desc limit 20",
)
"""Questions over sessions, by load, and over bands with sessions."""


def clone_sessions(archive: FleetArchive, to: FleetArchive, count: int) -> None:
    """Let an archive in a folder have `count` sessions, made of those of another one in a folder."""
    assert isinstance(archive.store, FolderStore)
    assert isinstance(to.store, FolderStore)
    stored = list(archive.contents().sessions.values())
    there = len(to.contents().sessions)
    for number in range(there, count):
        one = stored[number % len(stored)]
        session_id = f"{archive.read_revision(one.key, one.revisions[0]).session_id}-{number:06d}"
        key = key_of(session_id)
        for name, _, _ in commit_names(one):
            body = json.loads(read_object(archive.store, name, 1 << 26)) | {"session_id": session_id}
            for entry in body["files"]:
                target = to.store.path_of(file_name(key, entry["sha256"]))
                if entry["path"].startswith(_SMALL) and not target.exists():
                    target.parent.mkdir(parents=True, exist_ok=True)
                    os.link(archive.store.path_of(file_name(one.key, entry["sha256"])), target)
            body.pop("self")
            text = json.dumps(body, ensure_ascii=True, sort_keys=True, separators=(",", ":"))
            path = to.store.path_of(name.replace(one.key, key))
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(body | {"self": hashlib.sha256(text.encode()).hexdigest()}))


def of_the_index(stage: Stage) -> str:
    """Index 1,000 sessions and more, each time from scratch in a process of its own, and ask."""
    archive = open_archive(stage.place)
    many = open_archive(str(stage.scratch / "many"), create=True)
    told = []
    for count in sorted({max(1, stage.rows // 10), max(1, 3 * stage.rows // 10), stage.rows}):
        clone_sessions(archive, many, count)
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        answer = subprocess.run(
            [sys.executable, "-m", "tests.fleet.growth", many.place],
            cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=True,
        )  # fmt: skip
        made = json.loads(answer.stdout)
        stage.check(made["sessions"] == count and not made["faults"], f"{made['sessions']} of {count} indexed")
        (opened_s, _), (median_s, worst_s) = map(quantiles, asked(many))
        if count >= 1000:
            stage.check(median_s <= WITHIN_S, f"a question over {count} sessions took {median_s:.3f} s")
        told.append(
            f"{count} sessions ({made['rows']} rows, {made['bytes'] / 1e6:.1f} MB): made in {made['made_s']:.1f} s, "
            f"updated after one in {made['updated_s']:.2f} s, peak {made['peak_mb']:.0f} MB, "
            f"opened for questions in {opened_s * 1e3:.0f} ms, a question {median_s * 1e3:.0f} ms "
            f"(slowest {worst_s * 1e3:.0f} ms)"
        )
    return "; ".join(told)


def asked(archive: FleetArchive) -> tuple[list[float], list[float]]:
    """Return how long it takes to open the index, and to answer a question once it is open [s]."""
    opened, answered = [], []
    for _ in range(3):
        began = time.perf_counter()
        with QueriedIndex(archive) as index:
            opened.append(time.perf_counter() - began)
            for question in QUESTIONS:
                began = time.perf_counter()
                assert index.ask(question).num_rows
                answered.append(time.perf_counter() - began)
    return opened, answered


def measured(place: str) -> dict[str, Any]:
    """Make the index from scratch, then again after one session was read anew; return seconds, rows and peak memory."""
    import psutil  # noqa: PLC0415

    archive = open_archive(place)
    began = time.perf_counter()
    done = update_index(archive, rebuild=True)
    made_s = time.perf_counter() - began
    # a second set of results of one session, as after it was processed again
    last = ((one, commit_names(one)[-1]) for one in archive.contents().sessions.values())
    stored, (_, revision, number) = next(found for found in last if found[1][2] is not None)
    name = f"commits/{stored.key}/{revision:04d}-results-{number:04d}.json"
    another = f"commits/{stored.key}/{revision:04d}-results-0099.json"
    archive.store.put_new(another, read_object(archive.store, name, 1 << 26))
    began = time.perf_counter()
    update_index(archive)
    updated_s = time.perf_counter() - began
    archive.store.remove(another)
    memory = psutil.Process().memory_info()
    peak = getattr(memory, "peak_wset", 0) or _peak_bytes()
    return {
        "sessions": done.rows["sessions"],
        "rows": sum(done.rows.values()),
        "bytes": sum(file.bytes for file in done.state.files),
        "faults": len(done.faults),
        "made_s": made_s,
        "updated_s": updated_s,
        "peak_mb": peak / 1e6,
    }


def _peak_bytes() -> int:
    import resource  # noqa: PLC0415  POSIX; Windows tells its peak by psutil

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


if __name__ == "__main__":
    print(json.dumps(measured(sys.argv[1])))
