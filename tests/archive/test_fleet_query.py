"""Questions in SQL to the index: those of README.md, what they must not reach, and the commands that ask them."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest

from tests.fleet.making import copied_session
from trialcapture.archive.fleet.fleet_adding import add_sessions
from trialcapture.archive.fleet.fleet_archive import FleetArchive, open_archive
from trialcapture.archive.fleet.fleet_index import POINTER, index_files, update_index
from trialcapture.archive.fleet.fleet_query import QueriedIndex, query_index
from trialcapture.cli import main
from trialcapture.errors import TrialCaptureError

ROOT = Path(__file__).parents[2]
QUESTIONS = re.findall(r"```sql\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
T = "2031-07-01T09:00:00Z"
PETROL, DISPLACEMENT, TWIN = 0, 1, 2


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> FleetArchive:
    """Three boats of 7, 12 and 17 m, two of them processed; the third has no results."""
    home = tmp_path_factory.mktemp("fleet")
    made = open_archive(str(home / "archive"), create=True)
    folders = [copied_session(home / f"s{n}", n, processed=n != DISPLACEMENT) for n in (PETROL, DISPLACEMENT, TWIN)]
    assert all(one.fault is None for one in add_sessions(made, folders, t=lambda: T))
    update_index(made)
    return made


@pytest.fixture(scope="module")
def tables(archive: FleetArchive, tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, pd.DataFrame]:
    """The same tables by pandas, which knows nothing of SQL."""
    paths = index_files(archive, tmp_path_factory.mktemp("scratch"))
    return {name: pq.read_table(path).to_pandas() for name, path in paths.items()}


def asked(archive: FleetArchive, words: str) -> list[dict[str, Any]]:
    """The answer to the question of README.md that holds some words."""
    (sql,) = [question for question in QUESTIONS if words in question]
    rows: list[dict[str, Any]] = query_index(archive, sql).to_pylist()
    return rows


# ------------------------------------------------------------------------------
# The questions of README.md.
# ------------------------------------------------------------------------------


def test_there_are_ten_questions() -> None:
    assert len(QUESTIONS) == 10


@pytest.mark.parametrize("sql", QUESTIONS, ids=[" ".join(q.split())[:40] for q in QUESTIONS])
def test_every_question_is_answered(archive: FleetArchive, sql: str) -> None:
    assert query_index(archive, sql).num_columns >= 3


def test_answers_are_those_of_pandas(archive: FleetArchive, tables: Mapping[str, pd.DataFrame]) -> None:
    sessions, bands = tables["sessions"], tables["bands"]
    small = asked(archive, "length_m < 12")
    assert [row["boat"] for row in small] == ["Small Tern"]
    own = sessions[sessions["boat"] == "Small Tern"].iloc[0]
    best = own["best_planing_economy_nm_per_l"]
    assert small[0]["economy_nm_per_l"] == (best if pd.notna(best) else own["best_overall_economy_nm_per_l"])
    uncalibrated = sessions[sessions["fuel_calibrated"] == False]  # noqa: E712  null is neither
    assert {row["session_id"] for row in asked(archive, "NOT fuel_calibrated")} == set(uncalibrated["session_id"])
    near = bands[bands["speed_kn"].between(7.5, 8.5) & bands["fuel_l_per_h"].notna()]
    assert len(asked(archive, "BETWEEN 7.5 AND 8.5")) == len(near)
    one_way = asked(archive, "AS one_way")
    assert sum(row["one_way"] for row in one_way) == (bands["ways"] == 1).sum()
    assert {row["session_id"]: row["bands"] for row in one_way} == bands.groupby("session_id").size().to_dict()
    refused = tables["segments"][~tables["segments"]["accepted"].astype(bool)]
    reasons = refused["reason"].str.partition(":")[0].value_counts().to_dict()
    assert {row["refused_by"]: row["stretches"] for row in asked(archive, "refused_by")} == reasons
    top = sessions[sessions["top_speed_kn"].notna()]
    assert sum(row["trials"] for row in asked(archive, "load_kg")) == len(top)
    assert {row["session_id"] for row in asked(archive, "findings")} == set(
        sessions[sessions["version"].isna()]["session_id"]
    )  # fmt: skip


def test_engines_of_one_boat_are_compared(archive: FleetArchive, tables: Mapping[str, pd.DataFrame]) -> None:
    (row,) = asked(archive, "other_burns_more_pct")
    engines = tables["segment_engines"]
    pairs = engines[engines["session_id"] == row["session_id"]].pivot_table(
        index="segment_id", columns="engine", values="fuel_l_per_h"
    )  # fmt: skip
    known = pairs[(pairs > 0).all(axis=1)]
    assert row["stretches"] == len(known)
    expected = 100.0 * (known[row["other"]] / known[row["one"]] - 1.0).mean()
    assert row["other_burns_more_pct"] == pytest.approx(expected)


# ------------------------------------------------------------------------------
# What a question must not reach.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT * FROM read_text('{secret}')",
        "SELECT * FROM read_csv('{secret}')",
        "SELECT * FROM '{secret}'",
        "SELECT * FROM read_blob('{secret}')",
        "SELECT * FROM glob('{folder}/*')",
        "SELECT * FROM sqlite_scan('{secret}', 't')",
        "COPY (SELECT 1) TO '{folder}/written.csv'",
        "COPY sessions TO '{folder}/written.parquet'",
        "EXPORT DATABASE '{folder}/written'",
        "EXPLAIN ANALYZE COPY (SELECT 1) TO '{folder}/written.csv'",
        "ATTACH '{folder}/written.db' AS other",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "RESET lock_configuration",
        "SET memory_limit = '90GB'",
        "PRAGMA database_list",
        "CREATE TABLE t AS SELECT 1",
        "DROP VIEW bands",
        "UPDATE sessions SET boat = 'x'",
        "SELECT 1; DROP VIEW bands",
        "SELECT * FROM read_parquet('https://127.0.0.1:1/x.parquet')",
        "SELECT * FROM archive",
        "SELECT * FROM sql",
        "SELECT nothing FROM nowhere",
        "SELEC",
        "",
        "-- nothing",
        "SELECT $1",
        "SELECT '\x1b[2J' FROM nowhere",
    ],
)
def test_only_the_index_is_read(archive: FleetArchive, sql: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("password\nfor nobody\n")
    before = {path.name: path.stat().st_size for path in tmp_path.iterdir()}
    with pytest.raises(TrialCaptureError, match="cannot be answered") as refused:
        query_index(archive, sql.format(secret=secret.as_posix(), folder=tmp_path.as_posix()))
    assert "for nobody" not in str(refused.value)
    assert "\x1b" not in str(refused.value)
    assert {path.name: path.stat().st_size for path in tmp_path.iterdir()} == before
    assert query_index(archive, "SELECT count(*) AS n FROM sessions").to_pylist() == [{"n": 3}]


def test_a_question_without_end_is_stopped(archive: FleetArchive) -> None:
    # which of the two limits comes first depends on the computer
    endless = "SELECT sum(sqrt(a.i * b.i)) FROM range(100000000) a(i), range(100000000) b(i)"
    with pytest.raises(TrialCaptureError, match=r"more (time|memory) than it may have"):
        query_index(archive, endless, longest_s=0.5)


def test_a_greedy_question_is_stopped(archive: FleetArchive) -> None:
    with pytest.raises(TrialCaptureError, match="more memory than it may have"):
        query_index(archive, "SELECT list(i ORDER BY i DESC) FROM range(80000000) t(i)", memory_mb=64)


@pytest.mark.parametrize(("given", "mebibytes"), [({}, 976.5), ({"memory_mb": 100}, 95.3)])
def test_a_question_has_the_memory_that_is_told(archive: FleetArchive, given: dict[str, int], mebibytes: float) -> None:
    # 1024 and 100 times 10^6 bytes, as DuckDB tells it: in units of 2^20
    told = query_index(archive, "SELECT current_setting('memory_limit') AS told", **given)["told"][0].as_py()
    assert told == f"{mebibytes} MiB"


def test_an_endless_answer_is_refused(archive: FleetArchive, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialcapture.archive.fleet.fleet_query.MOST_ROWS", 50_000)
    with pytest.raises(TrialCaptureError, match="longer than any"):
        query_index(archive, "SELECT * FROM range(10000000)")


def test_an_archive_without_an_index_says_how_to_make_it(tmp_path: Path) -> None:
    empty = open_archive(str(tmp_path / "empty"), create=True)
    with pytest.raises(TrialCaptureError, match="has no index"):
        query_index(empty, "SELECT 1")


def test_an_open_index_answers_again_and_stays_as_it_was(archive: FleetArchive) -> None:
    with QueriedIndex(archive) as index:
        with pytest.raises(TrialCaptureError, match="cannot be answered"):
            index.ask("SELECT nothing FROM nowhere")
        assert index.ask("SELECT count(*) AS n FROM sessions").to_pylist() == [{"n": 3}]
        assert index.ask("SELECT count(*) AS n FROM bands").to_pylist()[0]["n"] > 0


@pytest.mark.parametrize("how", ["cut", "flipped", "gone"])
def test_a_damaged_index_is_no_fault_of_the_question(archive: FleetArchive, tmp_path: Path, how: str) -> None:
    copy = open_archive(str(shutil.copytree(archive.place, tmp_path / "archive")))
    path = index_files(copy, tmp_path)["bands"]
    data = bytearray(path.read_bytes())
    data[-3] ^= 255  # of the mark at its end
    path.unlink()
    if how != "gone":
        path.write_bytes(data if how == "flipped" else data[: len(data) // 2])
    with pytest.raises(TrialCaptureError, match="index of this archive is damaged") as told:
        query_index(copy, "SELECT count(*) FROM bands")
    assert "archive index" in str(told.value.expected)
    update_index(copy, rebuild=True)
    assert query_index(copy, "SELECT count(*) FROM bands").num_rows == 1


def test_the_index_of_a_newer_version_is_named_so(archive: FleetArchive, tmp_path: Path) -> None:
    copy = open_archive(str(shutil.copytree(archive.place, tmp_path / "archive")))
    pointer = tmp_path / "archive" / POINTER
    pointer.write_text(json.dumps(json.loads(pointer.read_text()) | {"schema_version": 2, "made_by": "9.0.0"}))
    with pytest.raises(TrialCaptureError, match="newer version") as told:
        query_index(copy, "SELECT count(*) FROM bands")
    assert "9.0.0" in str(told.value.seen)
    with pytest.raises(TrialCaptureError, match="newer version"):
        update_index(copy)
    assert update_index(copy, rebuild=True).rows["sessions"] == 3


# ------------------------------------------------------------------------------
# The command.
# ------------------------------------------------------------------------------


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


def test_one_answer_in_four_forms(archive: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sql = "SELECT boat, top_speed_kn, created FROM sessions ORDER BY boat"
    code, out, _ = run(capsys, "archive", "query", archive.place, sql)
    assert code == 0
    assert out.rstrip().endswith("3 rows")
    _, text, _ = run(capsys, "archive", "query", archive.place, sql, "--format", "csv")
    _, said, _ = run(capsys, "archive", "query", archive.place, sql, "--json")
    run(capsys, "archive", "query", archive.place, sql, "--format", "parquet", "--out", tmp_path / "a.parquet")
    rows = json.loads(said)["rows"]
    assert [row["boat"] for row in rows] == [row["boat"] for row in csv.DictReader(io.StringIO(text))]
    stored = pq.read_table(tmp_path / "a.parquet").to_pylist()
    assert [row["top_speed_kn"] for row in stored] == [row["top_speed_kn"] for row in rows]
    assert rows[0]["created"].endswith("+00:00")


def test_faults_of_use_are_told(archive: FleetArchive, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "archive", "query", archive.place, "SELECT 1", "--format", "parquet")[0] == 2
    code, out, err = run(capsys, "archive", "query", archive.place, "SELECT nosuch FROM bands")
    assert (code, out) == (1, "")
    assert "nosuch" in err


# ------------------------------------------------------------------------------
# compare, from the archive and from folders.
# ------------------------------------------------------------------------------


def test_trials_of_an_archive_are_compared(
    archive: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "sheet.html"
    code, said, _ = run(
        capsys, "archive", "compare", archive.place, "boat=small tern", "*tarn-plover", "--out", out, "--json"
    )
    assert code == 0
    told = json.loads(said)
    assert told["remarks"][0].startswith("Different boats: Small Tern, Tarn Plover")
    assert not any(cause["is_shared"] for cause in told["shared"])
    page = out.read_text(encoding="utf-8")
    assert "<script" not in page
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page


def test_what_cannot_be_compared_is_named(
    archive: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(*sides: str) -> str:
        code, out, err = run(capsys, "archive", "compare", *sides, "--out", tmp_path / "c.html")
        assert (code, out) == (1, "")
        assert not (tmp_path / "c.html").exists()
        return " ".join(err.split())

    assert "no results to compare" in refused(archive.place, "boat=Old Sedge", "boat=Small Tern")
    assert "no such session" in refused(archive.place, "boat=Nobody", "boat=Small Tern")
    assert "no such session" in refused(archive.place, "nosuch", "boat=Small Tern")
    assert "compared with itself" in refused(archive.place, "boat=Small Tern", "*small-tern")
    assert refused(str(tmp_path / "nothing"), str(tmp_path / "nowhere"))
    assert run(capsys, "archive", "compare", archive.place)[0] == 2


def test_edited_results_of_a_folder_are_not_compared(
    archive: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "edited"
    stored = archive.find("20260514")
    archive.fetch(archive.revision(stored), folder, archive.results(stored, 1)[-1])
    legs = folder / "reduction" / "legs.csv"
    legs.write_bytes(legs.read_bytes().replace(b"1", b"2", 1))
    code, _, err = run(
        capsys, "archive", "compare", archive.place, folder, "*tarn-plover", "--out", tmp_path / "c.html"
    )
    assert code == 1
    assert "edited after processing" in " ".join(err.split())


def test_two_folders_are_compared_without_an_archive(
    archive: FleetArchive, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = []
    for name in ("20260514", "20260516"):
        stored = archive.find(name)
        folders.append(archive.fetch(archive.revision(stored), tmp_path / name, archive.results(stored, 1)[-1]))
    sides = (*folders, "--out", tmp_path / "c.html")
    code, out, _ = run(capsys, "archive", "compare", *sides)
    assert code == 0
    assert "sheet:" in out
    told = json.loads(run(capsys, "archive", "compare", *sides, "--json")[1])
    named = (archive.place, "20260514", "20260516", "--out", tmp_path / "d.html", "--json")
    from_archive = json.loads(run(capsys, "archive", "compare", *named)[1])
    assert told["bands"] == from_archive["bands"]
    assert (tmp_path / "c.html").read_bytes() == (tmp_path / "d.html").read_bytes()
