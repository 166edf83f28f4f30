"""All sessions of an archive derived again: by processes, on a cluster, with workers killed and sessions that fail."""

from __future__ import annotations

import csv
import json
import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from distributed import LocalCluster

from trialcapture import __version__
from trialcapture.archive.fleet.fleet_adding import add_sessions
from trialcapture.archive.fleet.fleet_archive import FleetArchive, open_archive
from trialcapture.archive.seal import seal_closed, versions_now
from trialcapture.cli import main
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.archive_processing import (
    Derivation,
    DerivedStored,
    find_causes,
    find_changes,
    process_archive,
)
from trialcapture.rehearse.scenarios import SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

T = "2031-07-01T09:00:00Z"
COUNT = 3
_COARSE = SCENARIOS["coarse-1hz"]
SHORT = replace(
    _COARSE,
    plan=replace(_COARSE.plan, steps_rpm=_COARSE.plan.steps_rpm[2:4], full_throttle=False, manoeuvres=False,
                 marks=False, hold_s=60.0, warm_up_s=20.0),
)  # fmt: skip
"""Two steps there and back, which is soon processed."""


@pytest.fixture(scope="module")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three short sessions, not processed: one simulated, and copies of it with ids of their own, sealed anew."""
    home = tmp_path_factory.mktemp("sessions")
    first = write_session(simulate(SHORT, 3), home / "trial-0")
    made = [first.folder]
    for n in range(1, COUNT):
        folder = home / f"trial-{n}"
        shutil.copytree(first.folder, folder)
        settings = folder / "session.toml"
        text = settings.read_text(encoding="utf-8")
        assert first.id in text
        settings.write_text(text.replace(first.id, f"{first.id}-{n}"), encoding="utf-8")
        for name in ("seal.jsonl", "manifest.json"):
            (folder / name).unlink()
        seal_closed(folder, by="test", t=T)
        made.append(folder)
    return made


@pytest.fixture(scope="module")
def processed(sessions: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("processed") / "session"
    shutil.copytree(sessions[0], folder)
    assert main_code("process", folder) == 0
    return folder


@pytest.fixture
def archive(sessions: list[Path], tmp_path: Path) -> FleetArchive:
    made = open_archive(str(tmp_path / "archive"), create=True)
    found = add_sessions(made, sessions, t=lambda: T)
    assert [one.fault for one in found] == [None] * COUNT
    return made


def results_of(archive: FleetArchive) -> dict[str, list[str]]:
    """The versions of all results of each session."""
    found = {}
    for key, stored in archive.contents().sessions.items():
        found[key] = [r.version for r in archive.results(stored, archive.revision(stored).number)]
    return found


def started_workers() -> list[psutil.Process]:
    """Processes that this one started to work for it."""
    found = []
    for child in psutil.Process().children(recursive=True):
        try:
            if any("spawn_main" in word for word in child.cmdline()):
                found.append(child)
        except psutil.Error:
            continue
    return found


# ------------------------------------------------------------------------------
# A worker that is killed loses nothing.
# ------------------------------------------------------------------------------


def test_on_a_cluster_a_killed_worker_loses_nothing(archive: FleetArchive) -> None:
    killed: list[int] = []
    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        host="127.0.0.1",
        silence_logs=50,
    ) as cluster:
        nannies: list[Any] = list(cluster.workers.values())
        assert len({nanny.pid for nanny in nannies}) == 2

        def told(_one: DerivedStored, done: int, _every: int) -> None:
            if done == 1 and not killed:  # two are left, so both are at work
                killed.append(nannies[0].pid)
                psutil.Process(killed[0]).kill()

        found = process_archive(archive.place, scheduler=cluster.scheduler_address, told=told)
        assert killed
        assert killed[0] not in {nanny.pid for nanny in nannies}
    # a worker that is killed after it has stored the results, and before it says so, leaves them "there"
    assert {one.state for one in found} <= {"derived", "there"}
    assert results_of(archive) == {key: [__version__] for key in archive.contents().sessions}
    assert sorted(archive.contents().sessions) == [one.key for one in found]
    assert all(one.before is None and not one.changes for one in found)


def test_of_processes_a_killed_one_loses_nothing_and_a_second_run_finds_all_there(
    archive: FleetArchive, tmp_path: Path
) -> None:
    keys = sorted(archive.contents().sessions)[:2]
    killed: list[int] = []

    def told(_one: DerivedStored, done: int, _every: int) -> None:
        if done == 1:
            for worker in started_workers():
                killed.append(worker.pid)
                worker.kill()

    found = process_archive(archive.place, workers=2, keys=keys, told=told)
    assert killed
    assert [one.key for one in found] == keys
    assert {one.state for one in found} <= {"derived", "there"}
    assert {key: of for key, of in results_of(archive).items() if of} == {key: [__version__] for key in keys}
    again = process_archive(archive.place, workers=1, keys=keys)
    assert [one.state for one in again] == ["there"] * 2


def test_a_session_that_takes_its_worker_with_it_is_named_after_two_tries(archive: FleetArchive) -> None:
    key, stopped = next(iter(archive.contents().sessions)), threading.Event()

    def kill_all() -> None:
        seen: set[int] = set()
        while not stopped.wait(0.05):
            for worker in started_workers():
                if worker.pid not in seen:
                    seen.add(worker.pid)
                    worker.kill()

    killer = threading.Thread(target=kill_all)
    killer.start()
    try:
        (one,) = process_archive(archive.place, workers=1, keys=[key])
    finally:
        stopped.set()
        killer.join()
    assert (one.state, one.tries) == ("failed", 2)
    assert "worker died" in one.fault
    assert not results_of(archive)[key]


# ------------------------------------------------------------------------------
# One bad session stops no other; results stand beside the old ones, and what changed is told with its causes.
# ------------------------------------------------------------------------------


@pytest.fixture
def mixed(sessions: list[Path], processed: Path, tmp_path: Path) -> FleetArchive:
    """An archive of one session whose log holds nothing, and one whose results another version made otherwise."""
    made = open_archive(str(tmp_path / "mixed"), create=True)
    bad, good = tmp_path / "bad", tmp_path / "good"
    shutil.copytree(sessions[1], bad)
    (bad / "raw" / "nmea.log").write_bytes(b"nothing that anybody sent\r\n" * 50)
    shutil.copytree(processed, good)
    path = good / "reduction" / "results.json"
    of = json.loads(path.read_text())
    of["versions"] |= {"trialcapture": "0.0.9", "numpy": "1.99.0"}
    path.write_text(json.dumps(of))
    add_sessions(made, [bad, good], t=lambda: T, accept_damage="a test of sessions that fail")
    return made


def main_code(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return int(ended.value.code or 0)


def test_a_bad_session_is_named_and_stops_no_other(
    mixed: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "changes.csv"
    capsys.readouterr()
    assert main_code("archive", "process", mixed.place, "--workers", "1", "--out", out, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["states"] == {"failed": 1, "derived": 1}
    (bad,) = [one for one in told["sessions"] if one["state"] == "failed"]
    assert bad["tries"] == 2
    assert "GNSS" in bad["fault"] or "position" in bad["fault"] or "NMEA" in bad["fault"], bad["fault"]
    (good,) = [one for one in told["sessions"] if one["state"] == "derived"]
    assert (good["before"], good["after"], good["results"]) == ("0.0.9", __version__, 2)
    assert good["causes"] == [f"trialcapture 0.0.9 -> {__version__}", f"numpy 1.99.0 -> {versions_now()['numpy']}"]
    assert good["changes"] == [], "the same bytes print alike"
    rows = list(csv.DictReader(out.open(encoding="utf-8")))
    assert {row["state"] for row in rows} == {"failed", "derived"}
    # the index that is made at the end holds the new results
    capsys.readouterr()
    sql = "SELECT version, count(*) AS n FROM sessions WHERE results IS NOT NULL GROUP BY version"
    assert main_code("archive", "query", mixed.place, sql, "--json") == 0
    assert json.loads(capsys.readouterr().out)["rows"] == [{"version": __version__, "n": 1}]


def test_workers_and_a_scheduler_do_not_go_together(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main_code("archive", "process", tmp_path, "--workers", "2", "--scheduler", "tcp://127.0.0.1:1") == 2
    assert "of its own" in capsys.readouterr().err


def test_a_scheduler_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialcapture.pipeline.archive_processing.REACHED_WITHIN_S", 1)
    place = open_archive(str(tmp_path / "archive"), create=True).place
    with pytest.raises(TrialCaptureError, match="scheduler cannot be reached"):
        process_archive(place, scheduler="tcp://127.0.0.1:9")


# ------------------------------------------------------------------------------
# What counts as a change.
# ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def derived(processed: Path, tmp_path_factory: pytest.TempPathFactory) -> Derivation:
    place = open_archive(str(tmp_path_factory.mktemp("derived") / "archive"), create=True)
    add_sessions(place, [processed], t=lambda: T)
    key = next(iter(place.contents().sessions))
    return Derivation(
        place.read_results(key, 1, 1),
        pq.read_table(processed / "reduction" / "bands.parquet"),
        json.loads((processed / "reduction" / "summary.json").read_text()),
    )


def moved(of: Derivation, column: str, by: float) -> Derivation:
    values = of.bands[column].to_pylist()
    place = of.bands.schema.get_field_index(column)
    table = of.bands.set_column(place, of.bands.schema.field(place), pa.array([values[0] + by, *values[1:]]))
    return replace(of, bands=table)


def test_what_is_less_than_the_printed_digits_is_no_change(derived: Derivation) -> None:
    assert find_changes(derived, derived) == ()
    assert find_causes(derived.made, derived.made) == ()
    u, k = (derived.bands[name].to_pylist()[0] for name in ("speed_u_kn", "speed_k"))
    # two significant digits of k u: a thousandth of it is never printed, all of it always is
    assert find_changes(derived, moved(derived, "speed_kn", u * k / 1000.0)) == ()
    (change,) = find_changes(derived, moved(derived, "speed_kn", u * k))
    assert (change.what, change.unit) == ("speed", "kn")
    assert float(change.after) - float(change.before) == pytest.approx(u * k, rel=0.2)


def test_rows_answers_and_warnings_that_come_or_go_are_changes(derived: Derivation) -> None:
    shorter = replace(derived, bands=derived.bands.slice(1))
    first = derived.bands["band_name"].to_pylist()[0]
    assert [(c.where, c.what, c.after) for c in find_changes(derived, shorter)] == [(first, "row", "–")]
    summary = {**derived.summary, "top_speed": None, "warnings": []}
    changes = find_changes(derived, replace(derived, summary=summary))
    assert {c.what for c in changes} <= {"value", "warning", "band"}
    assert sum(c.what == "warning" for c in changes) == len(
        {(w["code"], w["where"]) for w in derived.summary["warnings"]}
    )  # fmt: skip
    # what a stranger put there instead of a summary is no fault of the comparison
    assert isinstance(find_changes(derived, replace(derived, summary={"warnings": 3, "measures": [1]})), tuple)


def test_causes_name_versions_settings_and_files(derived: Derivation) -> None:
    other = replace(
        derived.made,
        versions={**derived.made.versions, "trialcapture": "9.9.9"},
        settings_sha256="0" * 64,
        root="1" * 64,
    )
    assert find_causes(derived.made, other) == (f"trialcapture {__version__} -> 9.9.9", "other settings", "other files")
