"""What is written to disk is a whole session, or files as other loggers leave them, from the same bytes."""

from __future__ import annotations

import gzip
import json
import re
from functools import lru_cache
from pathlib import Path

import pytest
import zstandard

from tests.made_once import simulated
from trialcapture.archive.collect import collect
from trialcapture.archive.journal import original_bytes
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.notes import marks_of, read_notes, trims_of
from trialcapture.archive.session import engine_files, nmea_files, open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.simulate import SimulatedTrial
from trialcapture.rehearse.write import nmea_log, truth_path, write_files, write_session


@lru_cache(maxsize=2)
def trial(name: str = "messy-bus") -> SimulatedTrial:
    return simulated(name, 7, short=True)


def streams(trial: SimulatedTrial) -> dict[str, bytes]:
    out: dict[str, list[bytes]] = {}
    for source, piece in zip(trial.lines["source"].to_pylist(), trial.lines["bytes"].to_pylist(), strict=True):
        out.setdefault(source, []).append(piece)
    return {source: b"".join(pieces) for source, pieces in out.items()}


def test_a_session_is_whole_verified_and_carries_its_settings(tmp_path: Path) -> None:
    session = write_session(trial(), tmp_path / "demo")
    assert verify_manifest(session.folder) == []
    again = open_session(session.folder)
    assert again.config == trial().config
    assert "rehearse" in again.made_by
    assert [p.name for p in nmea_files(again)] == ["nmea.log"]
    assert [p.read_bytes() for p, _ in engine_files(again)] == [log.data for log in trial().engine_logs]


def test_the_journal_gives_back_every_byte_that_was_sent_damaged_or_not(tmp_path: Path) -> None:
    session = write_session(trial(), tmp_path / "demo")
    journal = (session.folder / "raw" / "nmea.log").read_bytes()
    assert original_bytes(journal) == streams(trial())


def test_the_truth_lies_beside_the_session_and_never_inside(tmp_path: Path) -> None:
    session = write_session(trial(), tmp_path / "demo")
    truth = json.loads(truth_path(session.folder).read_text(encoding="utf-8"))
    assert truth["scenario"] == "messy-bus"
    assert truth["steps"]
    assert truth_path(session.folder).parent == session.folder.parent
    assert not [p for p in session.folder.rglob("*") if "truth" in p.name]


def test_notes_hold_the_trim_and_a_mark_for_each_throttle_blip(tmp_path: Path) -> None:
    notes = read_notes(write_session(trial("twin-planing"), tmp_path / "demo"))
    assert len(marks_of(notes)) == 6
    assert [entry.value for entry in trims_of(notes)] == ["tabs 20 %, both sides"]


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep me")
    with pytest.raises(TrialCaptureError, match="folder of its own"):
        write_session(trial(), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_plain_log_is_the_bytes_in_order_of_arrival() -> None:
    assert b"".join(nmea_log(trial(), "plain")) == b"".join(trial().lines["bytes"].to_pylist())


def test_another_loggers_tag_blocks_have_source_and_whole_seconds_only() -> None:
    data = b"".join(nmea_log(trial("twin-planing"), "tagged"))
    tag = re.compile(rb"\\s:(gps1|ins1),c:1778\d{6}\*[0-9A-F]{2}\\(?=[$!])")
    assert tag.sub(b"", data) == b"".join(nmea_log(trial("twin-planing"), "plain"))
    assert len(tag.findall(data)) >= trial("twin-planing").lines.num_rows - 20


@pytest.mark.parametrize("packing", ["", "gz", "zst"])
def test_loose_files_unpack_to_the_same_log_and_can_be_collected(tmp_path: Path, packing: str) -> None:
    files = write_files(trial("twin-planing"), tmp_path, packing=packing, parts=2)  # type: ignore[arg-type]
    unpack = {"": bytes, "gz": gzip.decompress, "zst": lambda d: zstandard.ZstdDecompressor().decompress(d)}[packing]
    whole = b"".join(unpack(path.read_bytes()) for path in files.nmea_logs)
    assert whole == b"".join(nmea_log(trial("twin-planing"), "plain"))
    config, into = trial("twin-planing").config, tmp_path / "session"
    session = collect(files.nmea_logs, files.engine_logs, config, into, created="2026-05-14T12:00:00Z")
    assert verify_manifest(session.folder) == []
    assert len(nmea_files(session)) == 2


@pytest.mark.parametrize("line_end", [b"\n", b"\r"])
def test_line_ends_of_other_systems_are_written(line_end: bytes) -> None:
    clean = trial("twin-planing")
    data = b"".join(nmea_log(clean, "plain", line_end=line_end))
    assert data.count(b"\r\n") == 0
    assert data.count(line_end) >= clean.lines.num_rows - 50
