"""Two halves of a session become one again, verbatim; what is half says so."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from trialcapture.archive.halves import copy_session, join_halves, missing_half
from trialcapture.archive.manifest import verify_manifest, write_manifest
from trialcapture.archive.seal import seal_closed
from trialcapture.archive.session import create_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

AT = "2026-05-14T12:00:00Z"


def note(kind: str, seconds: int, **more: Any) -> bytes:
    return (
        json.dumps({"t": f"2026-05-14T11:00:{seconds:02d}Z", "kind": kind, "mono_us": seconds * 10**6, **more}).encode()
        + b"\n"
    )


def session(folder: Path, files: dict[str, bytes], *, id: str = "one-trial") -> Path:
    create_session(folder, load_config(""), made_by="test", created="2026-05-14T11:00:00Z", id=id)
    for name, content in files.items():
        path = folder / "raw" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


@pytest.fixture
def halves(tmp_path: Path) -> tuple[Path, Path]:
    first = session(
        tmp_path / "one",
        {"nmea.log": b"first\r\n", "engine/ecu.csv": b"time,rpm\n1,20", "notes.jsonl": note("start", 0, second="two")},
    )
    second = session(
        tmp_path / "two",
        {
            "nmea-02.log": b"second\r\n",
            "engine/ecu.csv": b"00\n2,2100\n",
            "notes.jsonl": note("switched", 5, folder="two", left={"engine/ecu.csv": 13})
            + note("stop", 9, files={"nmea.log": 7, "nmea-02.log": 8}),
        },
    )
    return first, second


def test_each_half_says_that_it_is_one(halves: tuple[Path, Path]) -> None:
    first, second = halves
    assert "may be half" in missing_half(first)
    assert "nmea.log is not here" in missing_half(second)


@pytest.mark.parametrize("is_sealed", [True, False])
def test_a_half_that_lost_its_seal_is_named_for_ever(halves: tuple[Path, Path], is_sealed: bool) -> None:
    first, second = halves
    for folder in halves:
        if folder == first or is_sealed:
            seal_closed(folder, by="recorder", t=AT)
    join_halves(first, second, at=AT)
    told = [str(loss) for loss in verify_session(first).losses if "had no seal" in str(loss)]
    assert len(told) == (not is_sealed)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_joined_either_way_they_are_one_session(halves: tuple[Path, Path], order: tuple[int, int]) -> None:
    target, other = halves[order[0]], halves[order[1]]
    before = {path: path.read_bytes() for path in other.rglob("*") if path.is_file()}
    write_manifest(other)
    joined = join_halves(target, other, at=AT)
    assert (target / "raw/nmea.log").read_bytes() == b"first\r\n"
    assert (target / "raw/nmea-02.log").read_bytes() == b"second\r\n"
    assert (target / "raw/engine/ecu.csv").read_bytes() == b"time,rpm\n1,2000\n2,2100\n"
    kinds = [json.loads(line)["kind"] for line in (target / "raw/notes.jsonl").read_bytes().splitlines()]
    assert kinds == ["start", "switched", "stop", "joined"]
    assert len(joined.files) == 2
    assert missing_half(target) == ""
    assert verify_manifest(target) == []
    assert {path: path.read_bytes() for path in before} == before


def test_joining_again_changes_nothing(halves: tuple[Path, Path]) -> None:
    first, second = halves
    join_halves(first, second, at=AT)
    before = {path: path.read_bytes() for path in first.rglob("*") if path.is_file()}
    again = join_halves(first, second, at="2026-05-15T12:00:00Z")
    assert again.files == ()
    assert {path: path.read_bytes() for path in first.rglob("*") if path.is_file()} == before


def test_into_a_third_folder_both_halves_stay_as_they_are(halves: tuple[Path, Path], tmp_path: Path) -> None:
    first, second = halves
    copy_session(first, tmp_path / "whole")
    join_halves(tmp_path / "whole", second, at=AT)
    assert missing_half(tmp_path / "whole") == ""
    assert "half" in missing_half(first)


def test_halves_of_two_sessions_are_refused(halves: tuple[Path, Path], tmp_path: Path) -> None:
    other = session(tmp_path / "other", {"nmea-02.log": b"x"}, id="another-trial")
    with pytest.raises(TrialCaptureError, match="not halves of one session") as told:
        join_halves(halves[0], other, at=AT)
    assert "another-trial" in str(told.value)
    with pytest.raises(TrialCaptureError, match="with itself"):
        join_halves(halves[0], halves[0], at=AT)


def test_a_half_that_was_changed_is_refused(halves: tuple[Path, Path]) -> None:
    first, second = halves
    write_manifest(second)
    (second / "raw/nmea-02.log").write_bytes(b"edited\r\n")
    with pytest.raises(TrialCaptureError, match="not as its manifest says"):
        join_halves(first, second, at=AT)
    assert not (first / "raw/nmea-02.log").exists()


def test_two_files_of_one_name_that_differ_are_refused(halves: tuple[Path, Path]) -> None:
    first, second = halves
    (first / "raw/nmea-02.log").write_bytes(b"already there")
    with pytest.raises(TrialCaptureError, match="both halves hold a file of this name"):
        join_halves(first, second, at=AT)
    assert (first / "raw/nmea-02.log").read_bytes() == b"already there"


def test_without_room_nothing_is_copied(halves: tuple[Path, Path]) -> None:
    first, second = halves
    with pytest.raises(TrialCaptureError, match="no room"):
        join_halves(first, second, at=AT, spare_bytes=1 << 62)
    assert not (first / "raw/nmea-02.log").exists()


def test_a_whole_session_is_no_half(tmp_path: Path) -> None:
    whole = session(tmp_path / "s", {"nmea.log": b"x", "notes.jsonl": note("start", 0) + note("stop", 9)})
    assert missing_half(whole) == ""
    assert missing_half(session(tmp_path / "collected", {"nmea.log.gz": b"x", "nmea-02.log": b"y"})) == ""


def test_a_part_with_a_huge_number_is_no_trouble(tmp_path: Path) -> None:
    odd = session(tmp_path / "s", {"nmea-999999999999.log": b"x"})
    assert "nmea.log" in missing_half(odd)
