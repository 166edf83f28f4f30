"""The manifest finds one flipped bit, one missing file, one file too many."""

import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest

from trialcapture.archive import manifest
from trialcapture.archive.manifest import has_only_grown, hash_file, read_manifest, verify_manifest, write_manifest
from trialcapture.errors import TrialCaptureError


@pytest.fixture
def session(tmp_path: Path) -> Path:
    (tmp_path / "raw" / "engine").mkdir(parents=True)
    (tmp_path / "raw" / "nmea.log").write_bytes(b"$GPRMC\r\n" * 100)
    (tmp_path / "raw" / "engine" / "Örn port.csv").write_bytes(b"Time;RPM\r\n")
    (tmp_path / "raw" / "empty.log").write_bytes(b"")
    (tmp_path / "session.toml").write_bytes(b"")
    write_manifest(tmp_path)
    return tmp_path


def test_an_untouched_session_has_no_fault(session: Path) -> None:
    assert verify_manifest(session) == []


def test_the_manifest_lists_every_raw_file_by_path_with_hash_and_size(session: Path) -> None:
    content = json.loads((session / "manifest.json").read_text(encoding="utf-8"))
    assert content["schema_version"] == 1
    assert [entry["path"] for entry in content["files"]] == ["raw/empty.log", "raw/engine/Örn port.csv", "raw/nmea.log"]
    assert content["files"][2]["sha256"] == hashlib.sha256(b"$GPRMC\r\n" * 100).hexdigest()
    assert content["files"][2]["bytes"] == 800
    assert content["files"][0]["bytes"] == 0


def test_a_file_that_has_only_grown_is_told_from_an_altered_one(session: Path) -> None:
    entry = next(e for e in read_manifest(session) or [] if e.path == "raw/nmea.log")
    path = session / entry.path
    former = path.read_bytes()
    assert has_only_grown(session, entry)
    path.write_bytes(former + b"more")
    assert has_only_grown(session, entry)
    path.write_bytes(b"X" + former[1:] + b"more")
    assert not has_only_grown(session, entry)
    path.write_bytes(former[:-1])
    assert not has_only_grown(session, entry)
    path.unlink()
    assert not has_only_grown(session, entry)


def test_one_flipped_bit_is_found(session: Path) -> None:
    path = session / "raw" / "nmea.log"
    data = bytearray(path.read_bytes())
    data[400] ^= 0x01
    path.write_bytes(data)
    (fault,) = verify_manifest(session)
    assert (fault.path, fault.kind) == ("raw/nmea.log", "changed")
    assert "content changed" in str(fault)


def test_missing_longer_and_added_files_are_found(session: Path) -> None:
    (session / "raw" / "empty.log").unlink()
    with (session / "raw" / "nmea.log").open("ab") as file:
        file.write(b"more")
    (session / "raw" / "new.log").write_bytes(b"x")
    assert [(f.path, f.kind) for f in verify_manifest(session)] == [
        ("raw/empty.log", "missing"),
        ("raw/new.log", "unlisted"),
        ("raw/nmea.log", "changed"),
    ]


def test_what_desktops_and_crashes_leave_is_not_raw_data(session: Path) -> None:
    for name in (".DS_Store", "Thumbs.db", "desktop.ini", ".nmea.log.1234.tmp"):
        (session / "raw" / name).write_bytes(b"x")
    assert verify_manifest(session) == []


def test_equal_files_give_an_equal_manifest(session: Path) -> None:
    first = (session / "manifest.json").read_bytes()
    write_manifest(session)
    assert (session / "manifest.json").read_bytes() == first


def test_a_missing_manifest_is_said(tmp_path: Path) -> None:
    assert read_manifest(tmp_path) is None
    with pytest.raises(TrialCaptureError, match="no manifest"):
        verify_manifest(tmp_path)


@pytest.mark.parametrize(
    "content", [b"", b"[]", b"{}", b'{"files":[{}]}', b'{"files":[{"path":1}]}', b"\xff", b'{"files":3}']
)
def test_a_damaged_manifest_is_said(session: Path, content: bytes) -> None:
    (session / "manifest.json").write_bytes(content)
    with pytest.raises(TrialCaptureError, match="manifest is damaged"):
        verify_manifest(session)


def test_a_manifest_of_another_version_is_not_guessed_at(session: Path) -> None:
    (session / "manifest.json").write_text('{"schema_version": 2, "files": []}')
    with pytest.raises(TrialCaptureError, match="another version"):
        verify_manifest(session)


def test_hashes_are_those_of_the_usual_tool(session: Path) -> None:
    # Check against the outside: sha256sum (GNU coreutils), an implementation of FIPS 180-4.
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum is not installed here")
    path = session / "raw" / "nmea.log"
    told = subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True).stdout
    seen: list[int] = []
    assert hash_file(path, progress=seen.append) == (told.split()[0], 800)
    assert sum(seen) == 800


@pytest.mark.parametrize("size", [0, 9, 10, 11, 20, 25])
@pytest.mark.parametrize("limit", [None, 0, 7, 10, 15])
def test_a_file_is_hashed_in_parts_up_to_its_end_or_the_limit(
    size: int, limit: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(manifest, "_PART_BYTES", 10)
    data = bytes(range(size))
    (tmp_path / "log").write_bytes(data)
    read: list[int] = []
    wanted = data if limit is None else data[:limit]
    found = manifest.hash_file(tmp_path / "log", progress=read.append, limit_bytes=limit)
    assert found == (hashlib.sha256(wanted).hexdigest(), len(wanted))
    assert sum(read) == len(wanted)
    assert max(read, default=0) <= 10
