"""Every second is data or a named gap, every line is checked, and what is damaged is told with what survives."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.archive.journal import encode_line
from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.session import create_session
from trialcapture.archive.verify import LONGEST_SILENCE_S, Account, Timeline, merged, verify_session
from trialcapture.config import load_config

S = 1_000_000
EPOCH_NS = 1_790_000_000_000_000_000


def note(kind: str, at_s: float, **details: Any) -> dict[str, Any]:
    return {"t": "2026-09-21T14:13:20.000Z", "kind": kind, "value": kind, "mono_us": round(at_s * S), **details}


def start(*sources: str) -> dict[str, Any]:
    listed = [{"id": source, "where": "", "stream": "nmea.log"} for source in sources]
    return note("start", 0.0, epoch_wall_ns=EPOCH_NS, sources=listed)


def gap(source: str, start_s: float, stop_s: float) -> dict[str, Any]:
    return note("gap", stop_s, source=source, from_us=round(start_s * S), to_us=round(stop_s * S))


def account(notes: list[dict[str, Any]], lines_s: list[float], source: str = "gps") -> Account:
    timeline = Timeline()
    for entry in notes:
        timeline.add_note(entry)
    for at_s in lines_s:
        timeline.add_line(source, round(at_s * S))
    return next(a for a in timeline.accounts() if a.source == source)


def test_data_and_named_gaps_make_up_the_whole_time() -> None:
    found = account([start("gps"), gap("gps", 30, 60), note("stop", 100)], [*range(31), *range(60, 101)])
    assert (found.span_s, found.data_s, found.gap_s, found.unnamed_s) == (100, 70, 30, 0)


def test_a_silence_nobody_named_is_found() -> None:
    found = account([start("gps"), note("stop", 100)], [*range(31), *range(60, 101)])
    assert (found.gap_s, found.unnamed_s) == (0, 30)


def test_a_source_that_never_spoke_is_all_gap() -> None:
    named = account([start("gps"), gap("gps", 0, 100), note("stop", 100)], [])
    assert (named.data_s, named.gap_s, named.unnamed_s) == (0, 100, 0)
    assert account([start("gps"), note("stop", 100)], []).unnamed_s == 100


def test_a_recorder_killed_while_a_source_was_away_leaves_no_unnamed_time() -> None:
    lost = note("lost", 31, source="gps")
    found = account([start("gps"), lost, note("beat", 90)], [float(s) for s in range(31)])
    assert (found.span_s, found.unnamed_s) == (90, 0)


@given(st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 1000)), max_size=30))
def test_overlapping_gaps_count_once(intervals: list[tuple[int, int]]) -> None:
    union = merged(intervals)
    covered = {t for a, b in intervals for t in range(a, b)}
    assert sum(b - a for a, b in union) == len(covered)
    assert all(b1 < a2 for (_, b1), (a2, _) in itertools.pairwise(union))


@given(st.lists(st.floats(0, 500), max_size=30), st.lists(st.tuples(st.floats(0, 500), st.floats(0, 500)), max_size=8))
def test_the_account_always_adds_up(lines_s: list[float], gaps_s: list[tuple[float, float]]) -> None:
    notes = [start("gps"), *(gap("gps", min(g), max(g)) for g in gaps_s), note("stop", 500)]
    found = account(notes, sorted(lines_s))
    assert found.data_s + found.gap_s + found.unnamed_s == pytest.approx(found.span_s)
    assert found.data_s >= -1e-6
    assert LONGEST_SILENCE_S == 10


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "s"
    create_session(folder, load_config(""), made_by="test", created="2026-09-21T14:13:20Z")
    (folder / "raw" / "notes.jsonl").write_text(
        "".join(json.dumps(entry) + "\n" for entry in (start("gps"), note("stop", 20)))
    )
    return folder


def journal(folder: Path, extra: bytes = b"") -> None:
    lines = [
        encode_line(b"$GPHDT,274.07,T*03", source="gps", wall_ms=EPOCH_NS // 10**6, mono_us=s * S) for s in range(20)
    ]
    (folder / "raw" / "nmea.log").write_bytes(b"".join(lines) + extra)


def test_a_sound_session_has_no_fault(session: Path) -> None:
    journal(session)
    write_manifest(session)
    found = verify_session(session)
    assert found.faults == ()
    assert found.sentences == {"good": 20}
    assert found.files == 2


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (b"\\s:gps,c:1,r:19000000*00\\$GPHDT,274.07,T*03\r\n", "checksum is wrong"),
        (b"$GPHDT,274.07,T*03\r\n", "no tag block"),
        (b"\\s:gps,c:1,r:19000000*3B\\\x00\x01\r\n", "line"),
    ],
)
def test_a_damaged_line_is_named_by_its_number(session: Path, extra: bytes, words: str) -> None:
    journal(session, extra)
    (fault,) = verify_session(session).faults
    assert words in fault
    assert "(21)" in fault


def test_many_damaged_lines_are_counted_and_the_first_named(session: Path) -> None:
    journal(session, b"rubbish\r\n" * 50)
    (fault,) = verify_session(session).faults
    assert "50 lines" in fault
    assert "and 30 more" in fault


def test_a_torn_last_line_and_a_missing_manifest_are_no_damage(session: Path) -> None:
    journal(session, encode_line(b"$GPHDT,274.07,T*03", source="gps", wall_ms=1, mono_us=20 * S)[:-16])
    found = verify_session(session)
    assert found.faults == ()
    assert any("survive" in remark for remark in found.remarks)
    assert found.ending == "cannot be vouched for"
    assert [text.split(":")[0] for text in found.unvouched] == ["seal.jsonl", "manifest.json"]


def test_can_frames_are_checked_and_their_time_counted(session: Path) -> None:
    journal(session)
    lines = [f"({EPOCH_NS / 1e9 + s:.6f}) bus 09F20010#00B036D204FBFFFF\n" for s in (1, 2, 3, 18)]
    (session / "raw" / "can.log").write_text("".join(lines) + "rubbish\n(1790000019.000000) bus 09F2")
    found = verify_session(session)
    assert any("can.log: no CAN frame in 1 line (5)" in fault for fault in found.faults)
    assert any(fault.startswith("bus: 15.0 s without data") for fault in found.faults)


def test_a_session_collected_elsewhere_is_not_held_to_our_journal(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    create_session(folder, load_config(""), made_by="test", created="2026-09-21T14:13:20Z")
    (folder / "raw" / "nmea.log").write_bytes(b"$GPHDT,274.07,T*03\r\nnoise\r\n$GPHDT,274.08,T*03\r\n")
    write_manifest(folder)
    found = verify_session(folder)
    assert found.faults == ()
    assert found.sentences == {"bad": 2, "good": 1}
    assert found.accounts == ()


@pytest.mark.parametrize(("silent_us", "is_silence"), [(10_000_000, False), (10_000_001, True)])
def test_a_source_never_heard_is_silent_from_the_very_start(silent_us: int, is_silence: bool) -> None:
    timeline = Timeline()
    sources = [{"id": "gps", "stream": "nmea.log"}, {"id": "ecu", "stream": "engine/ecu.csv"}]
    timeline.add_note({"kind": "start", "mono_us": 0, "epoch_wall_ns": 0, "sources": sources})
    timeline.add_note({"kind": "stop", "mono_us": silent_us})
    [account] = timeline.accounts()
    assert account.source == "gps"
    assert account.unnamed_s == pytest.approx(silent_us / 1e6 if is_silence else 0.0)
