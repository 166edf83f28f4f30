"""``trialcapture review`` from the list of stretches to the report, on a session that lies in this repository."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from tests.command import Run, calling
from tests.made_once import second_look
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.verify import verify_session
from trialcapture.pipeline import process
from trialcapture.prepare.steady.segment_review import REVIEW_COLUMNS
from trialcapture.system.session_files import SessionLock

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A processed session of its own, before a second look."""
    return second_look(tmp_path / "session", monkeypatch)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("COLUMNS", "80")

    return calling(capsys, joins_err=True)


def stretches(session: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = pq.read_table(session / "trialset" / "segments.parquet").to_pylist()
    return rows


def band_of(session: Path, rpm: float) -> dict[str, Any]:
    return next(r for r in pq.read_table(session / "reduction" / "bands.parquet").to_pylist() if r["band_rpm"] == rpm)


def summary_of(session: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((session / "reduction" / "summary.json").read_text())
    return found


def hashes(session: Path) -> dict[str, str]:
    """SHA-256 of every result."""
    files = [p for name in ("trialset", "reduction") for p in (session / name).rglob("*") if p.is_file()]
    found = {p.relative_to(session).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
    return {name: sha256 for name, sha256 in found.items() if not name.startswith("trialset/work/")}


def two_way_band(session: Path) -> tuple[float, int]:
    """Return a band run once each way, and the number of one of its stretches."""
    bands = pq.read_table(session / "reduction" / "bands.parquet").to_pylist()
    rpm = next(b["band_rpm"] for b in bands if (b["ways"], b["legs"]) == (2, 2))
    rows = csv.DictReader(io.StringIO((session / "reduction" / "legs.csv").read_text()))
    return rpm, int(next(r["segment_id"] for r in rows if float(r["band_rpm"]) == rpm))


def test_excluding_one_way_makes_the_band_one_way_while_the_automatic_result_stays(session: Path, run: Run) -> None:
    rpm, number = two_way_band(session)
    before = band_of(session, rpm)
    code, out, _ = run("review", session, "--exclude", number, "--reason", "ferry wash", "--by", "technician")
    assert code == 0
    assert f"trialcapture process {session}" in out
    code, out, _ = run("process", session)
    assert code == 0
    assert f"Reviewed: 1 stretch excluded ({number});" in out
    after = band_of(session, rpm)
    assert (before["ways"], after["ways"], after["legs"]) == (2, 1, 1)
    assert "reviewed" in after["flags"].split(";")
    row = stretches(session)[number - 1]
    assert (row["accepted"], row["reviewed_accepted"]) == (True, False)
    assert (row["review_reason"], row["review_by"]) == ("ferry wash", "technician")
    beside = next(p for p in summary_of(session)["review"]["bands"] if p["changed"])
    assert beside["automatic"]["speed_kn"] == before["speed_kn"]
    assert beside["automatic"]["ways"] == 2
    assert beside["reviewed"]["speed_kn"] == after["speed_kn"]
    page = (session / "reduction" / "report.html").read_text()
    assert "Automatic and reviewed result" in page
    assert "ferry wash" in page


def test_verify_passes_after_a_review_and_processing_again_gives_the_same_bytes(session: Path, run: Run) -> None:
    _, number = two_way_band(session)
    assert run("review", session, "--exclude", number, "--reason", "wash", "--by", "me")[0] == 0
    assert verify_session(session).faults == ()
    process(session)
    first = hashes(session)
    shutil.rmtree(session / "trialset")
    shutil.rmtree(session / "reduction")
    process(session)
    assert hashes(session) == first
    code, out, _ = run("verify", session)
    assert (code, out.splitlines()[-1]) == (0, "sound")


def test_including_a_refused_stretch_works_with_its_reason(session: Path, run: Run) -> None:
    bands = pq.read_table(session / "reduction" / "bands.parquet")["band_rpm"].to_pylist()
    refused = max(
        (s for s in stretches(session) if not s["accepted"] and any(abs(s["rpm_mean"] - rpm) < 20 for rpm in bands)),
        key=lambda s: s["duration_s"],
    )
    number = refused["segment_id"]
    assert run("review", session, "--include", number, "--reason", "tide turning", "--by", "lead")[0] == 0
    process(session)
    legs = (session / "reduction" / "legs.csv").read_text()
    assert f",{number}," in legs
    change = summary_of(session)["review"]["changes"][0]
    assert (change["segment_id"], change["change"], change["reason"]) == (number, "included", "tide turning")
    assert change["automatic_reason"] == refused["reason"]
    kept = stretches(session)[number - 1]
    assert {name: kept[name] for name in kept if name not in REVIEW_COLUMNS} == {
        name: refused[name] for name in refused if name not in REVIEW_COLUMNS
    }


def test_an_undone_review_gives_the_bytes_of_the_automatic_result(session: Path, run: Run) -> None:
    before = {name: (session / "reduction" / name).read_bytes() for name in ("bands.csv", "legs.csv")}
    _, number = two_way_band(session)
    signed = ("--reason", "seen wrong", "--by", "lead")
    assert run("review", session, "--exclude", number, *signed)[0] == 0
    process(session)
    assert (session / "reduction" / "bands.csv").read_bytes() != before["bands.csv"]
    assert run("review", session, "--undo", number, *signed)[0] == 0
    process(session)
    assert {name: (session / "reduction" / name).read_bytes() for name in before} == before
    assert summary_of(session)["review"] is None
    assert (session / "raw" / "notes.jsonl").read_bytes() == (SAMPLE / "raw" / "notes.jsonl").read_bytes()
    assert len((session / "raw" / "notes-review.jsonl").read_bytes().splitlines()) == 2


def test_entries_put_in_by_hand_count_and_faulty_ones_are_warnings(session: Path) -> None:
    _, number = two_way_band(session)
    start = stretches(session)[number - 1]["start"].isoformat()
    lines = [
        {"kind": "exclude", "value": start, "segment_id": number, "reason": "wash", "by": "x"},
        {"kind": "exclude", "value": "1999-01-01T00:00:00Z", "reason": "wash", "by": "x"},
        {"kind": "include", "value": start, "by": "x"},
    ]
    with (session / "raw" / "notes.jsonl").open("a") as notes:
        notes.writelines(json.dumps({"t": "2026-05-14T18:00:00Z"} | line) + "\n" for line in lines)
    process(session)
    summary = summary_of(session)
    assert [c["segment_id"] for c in summary["review"]["changes"]] == [number]
    told = [w["text"] for w in summary["warnings"] if w["code"] == "review-entry"]
    assert len(told) == 2
    assert "no stretch lies at" in told[0]
    assert "gives no reason" in told[1]


def test_the_list_shows_every_stretch_and_entries_not_yet_processed(session: Path, run: Run) -> None:
    _, number = two_way_band(session)
    code, out, _ = run("review", session)
    assert code == 0
    assert "excluded" not in out
    assert max(map(len, out.splitlines())) <= 80
    run("review", session, "--exclude", number, "--reason", "wash", "--by", "me")
    assert "excluded: wash (me)" in " ".join(run("review", session)[1].split())
    found = json.loads(run("review", session, "--json")[1])
    assert [s["segment_id"] for s in found["segments"]] == [s["segment_id"] for s in stretches(session)]
    row = found["segments"][number - 1]
    assert (row["accepted"], row["reviewed_accepted"], row["review_by"]) == (True, False, "me")
    assert row["start"].endswith("Z")


def test_what_was_added_is_printed_as_json(session: Path, run: Run) -> None:
    code, out, _ = run("review", session, "--relabel", 15, 900, "--reason", "x", "--by", "y", "--json")
    assert code == 0
    added = json.loads(out)["added"][0]
    assert (added["kind"], added["band_rpm"], added["reason"], added["by"]) == ("relabel", 900, "x", "y")
    assert json.loads((session / "raw" / "notes-review.jsonl").read_bytes().splitlines()[-1]) == added


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--exclude", 15, "--by", "me"), "no --reason"),
        (("--exclude", 15, "--reason", " ", "--by", "me"), "no --reason"),
        (("--exclude", 15, "--reason", "wash"), "no --by"),
        (("--exclude", 999, "--reason", "wash", "--by", "me"), "there is no stretch of this number, saw 999"),
        (("--exclude", 15, "--include", 15, "--reason", "wash", "--by", "me"), "more than one verdict"),
        (("--relabel", 15, -3, "--reason", "wash", "--by", "me"), "band_rpm -3.0 where an engine speed"),
        (("--relabel", 15, "nan", "--reason", "wash", "--by", "me"), "where an engine speed"),
    ],
)
def test_a_change_that_cannot_stand_is_refused_and_nothing_is_noted(
    session: Path, run: Run, options: tuple[object, ...], told: str
) -> None:
    before = (session / "raw" / "notes.jsonl").read_bytes()
    code, _, err = run("review", session, *options)
    assert code == 1
    assert told in err
    assert (session / "raw" / "notes.jsonl").read_bytes() == before
    assert verify_manifest(session) == []


def test_a_session_that_was_not_processed_says_so(tmp_path: Path, run: Run) -> None:
    shutil.copytree(SAMPLE, tmp_path / "s", ignore=shutil.ignore_patterns("trialset", "reduction"))
    code, _, err = run("review", tmp_path / "s")
    assert code == 1
    assert "trialcapture process" in err
    assert run("review", tmp_path / "nowhere")[0] == 1


def test_a_damaged_raw_file_is_not_blessed_by_a_new_manifest(session: Path, run: Run) -> None:
    log = session / "raw" / "nmea.log"
    data = bytearray(log.read_bytes())
    data[1000] ^= 1
    log.write_bytes(data)
    code, _, err = run("review", session, "--exclude", 15, "--reason", "wash", "--by", "me")
    assert code == 1
    assert "raw/nmea.log: content changed" in err
    assert b"wash" not in (session / "raw" / "notes.jsonl").read_bytes()


def test_lines_put_behind_the_notes_by_hand_are_refused_until_somebody_accepts_them(session: Path, run: Run) -> None:
    notes = session / "raw" / "notes.jsonl"
    notes.write_bytes(notes.read_bytes() + b'{"t":"2026-05-14T18:00:00Z","kind":"sea","value":"calm"}\n')
    signed = ("--exclude", 15, "--reason", "wash", "--by", "me")
    code, _, err = run("review", session, *signed)
    assert code == 1
    assert "raw/notes.jsonl: 57 bytes were added behind what was sealed" in err
    assert not (session / "raw" / "notes-review.jsonl").exists()
    assert run("review", session, *signed, "--accept-changes", " ")[0] == 1
    assert run("review", session, *signed, "--accept-changes", "the log book says so")[0] == 0
    lines = [json.loads(line) for line in (session / "seal.jsonl").read_bytes().splitlines()]
    assert [line["what"] for line in lines] == ["recording closed", "changes accepted", "review added"]
    assert (lines[1]["reason"], lines[1]["by"]) == ("the log book says so", "me")
    assert verify_manifest(session) == []
    found = verify_session(session)
    assert found.ending == "sound with named losses"
    assert any("the log book says so" in str(loss) for loss in found.losses)
    process(session)
    told = [w["text"] for w in summary_of(session)["warnings"] if w["code"] == "seal"]
    assert len(told) == 1
    assert "the log book says so" in told[0]


def test_a_session_being_recorded_is_left_alone(session: Path, run: Run) -> None:
    before = (session / "raw" / "notes.jsonl").read_bytes()
    with SessionLock(session):
        code, _, err = run("review", session, "--exclude", 15, "--reason", "wash", "--by", "me")
    assert code == 1
    assert "another recorder is at work" in err
    assert (session / "raw" / "notes.jsonl").read_bytes() == before
