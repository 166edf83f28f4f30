"""Every second is data or a named gap, every line is checked, and what is damaged is told with what survives."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.archive.journal import encode_line
from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.seal import seal_closed
from trialcapture.archive.session import create_session
from trialcapture.archive.verify import LONGEST_SILENCE_S, Account, NamedLoss, Timeline, merged, verify_session
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.stream import xor_checksum

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


def test_a_silence_across_a_restart_is_named_by_the_restart() -> None:
    # killed again before its note of the gap was on the disk
    lines_s = [*range(31), *range(44, 66), *range(72, 80)]
    found = account([start("gps"), note("resume", 41), note("resume", 70)], lines_s)
    assert (found.gap_s, found.unnamed_s, found.gaps) == (14, 0, 1)
    found = account([start("gps"), note("resume", 20)], lines_s)
    assert (found.gap_s, found.unnamed_s) == (0, 14)


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


# A log recorded elsewhere: nobody noted silences, and the log itself shows them.


def _tagged(block: bytes, sentence: bytes) -> bytes:
    return b"\\%s*%02X\\%s\r\n" % (block, xor_checksum(block), sentence)


def _summed(body: str) -> bytes:
    return b"$%s*%02X" % (body.encode(), xor_checksum(body.encode()))


def _of_day(s: float) -> str:
    at = (86_340 + int(s)) % 86_400
    return f"{at // 3600:02d}{at // 60 % 60:02d}{at % 60:02d}.00"


_HEADING = b"$GPHDT,274.07,T*03"
_FORMS = {
    "journal": lambda s: encode_line(_HEADING, source="gps", wall_ms=1_790_000_000_000, mono_us=round(s * S)),
    "milliseconds": lambda s: _tagged(b"s:gps,c:%d" % (1_790_000_000_000 + round(s * 1000)), _HEADING),
    "seconds": lambda s: _tagged(b"s:gps,c:%d" % (1_790_000_000 + int(s)), _HEADING),
    "plain": lambda s: _summed(f"GPGGA,{_of_day(s)},4818.7,N,00754.3,W,1,8,1.0,2.0,M,,M,,") + b"\r\n",
}
"""A line of each second of a log that begins at 23:59:00 UTC."""


def collected(tmp_path: Path, log: bytes, name: str = "nmea.log") -> Path:
    folder = tmp_path / "s"
    create_session(folder, load_config(""), made_by="test", created="2026-09-21T14:13:20Z")
    (folder / "raw" / name).write_bytes(log)
    seal_closed(folder, by="collect", t="2026-09-21T16:13:20Z")
    return folder


@pytest.mark.parametrize("form", _FORMS)
@pytest.mark.parametrize("missing", [(), (70, 75), (50, 110)])
def test_holes_of_a_collected_log_are_judged_by_the_log_itself(
    form: str, missing: tuple[int, int] | tuple[()], tmp_path: Path
) -> None:
    """Across midnight too; a log without a hole is sound."""
    spoken = [s for s in range(121) if not (missing and missing[0] < s <= missing[1])]
    found = verify_session(collected(tmp_path, b"".join(_FORMS[form](float(s)) for s in spoken)))
    assert found.faults == ()
    if not missing:
        assert (found.ending, found.losses) == ("sound", ())
        return
    assert found.ending == "sound with named losses"
    (loss,) = found.losses
    assert loss.seconds == pytest.approx(missing[1] - missing[0], abs=0.1)
    assert loss.lines == pytest.approx(missing[1] - missing[0], abs=1)
    assert "1 hole in the log itself" in loss.text


def test_holes_of_a_collected_can_log_are_judged_by_its_stamps(tmp_path: Path) -> None:
    lines = [b"(%d.%06d) can0 09F80102#FFFFFFFF\n" % (1_700_000_000 + k // 10, k % 10 * 100_000) for k in range(400)]
    found = verify_session(collected(tmp_path, b"".join(lines[:200] + lines[280:]), "can.log"))
    (loss,) = found.losses
    assert (loss.what, round(loss.seconds or 0)) == ("can0", 8)


def test_a_log_that_tells_no_time_is_named(tmp_path: Path) -> None:
    found = verify_session(collected(tmp_path, _HEADING + b"\r\n"))
    assert found.ending == "sound"
    assert any(text.startswith("raw/nmea.log: nothing in it tells when") for text in found.remarks)


# What cannot be read is a fault with its name; the rest is looked at all the same.


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("session.toml", b"[session"),
        ("session.toml", b"\xff\xfe\x00"),
        ("raw/notes.jsonl", b"x" * (65 << 20)),
        ("seal.jsonl", b"x" * (65 << 20)),
        ("raw/nmea-02.log", b"\x28\xb5\x2f\xfd\x00\xa8\x01\x00\x00"),  # RFC 8878: asks for a window of 2 GiB
        ("reduction/results.json", b"x" * (65 << 20)),
    ],
)
def test_a_file_that_cannot_be_read_is_damage_with_its_name(session: Path, name: str, data: bytes) -> None:
    journal(session)
    seal_closed(session, by="recorder", t="2026-09-21T14:13:40Z")
    (session / name).parent.mkdir(exist_ok=True)
    (session / name).write_bytes(data)
    found = verify_session(session)
    assert found.ending == "damaged"
    assert any(fault.startswith(f"{name}: ") for fault in found.faults)
    assert found.lines >= 20


@pytest.mark.parametrize(("silent_us", "is_silence"), [(10_000_000, False), (10_000_001, True)])
def test_a_source_never_heard_is_silent_from_the_very_start(silent_us: int, is_silence: bool) -> None:
    timeline = Timeline()
    sources = [{"id": "gps", "stream": "nmea.log"}, {"id": "ecu", "stream": "engine/ecu.csv"}]
    timeline.add_note({"kind": "start", "mono_us": 0, "epoch_wall_ns": 0, "sources": sources})
    timeline.add_note({"kind": "stop", "mono_us": silent_us})
    [account] = timeline.accounts()
    assert account.source == "gps"
    assert account.unnamed_s == pytest.approx(silent_us / 1e6 if is_silence else 0.0)


# What was lost and has a name: seconds and lines of each.


def losses(notes: list[dict[str, Any]], lines_s: list[float], source: str = "gps") -> list[NamedLoss]:
    timeline = Timeline()
    for entry in notes:
        timeline.add_note(entry)
    for at_s in lines_s:
        timeline.add_line(source, round(at_s * S), 80)
    return timeline.losses(timeline.accounts())


SPOKEN = [float(s) for s in range(101)]


def test_a_source_that_speaks_all_the_time_has_lost_nothing() -> None:
    assert losses([start("gps"), note("stop", 100, complete=True)], SPOKEN) == []


@pytest.mark.parametrize("hz", [1, 5, 10])
@pytest.mark.parametrize("missing_s", [2, 4, 8])
def test_holes_under_ten_seconds_are_named_with_seconds_and_lines(hz: int, missing_s: int) -> None:
    spoken = [k / hz for k in range(100 * hz + 1) if not 40 < k / hz <= 40 + missing_s]
    (loss,) = losses([start("gps"), note("stop", 100)], spoken)
    assert loss.seconds == pytest.approx(missing_s, abs=0.1)
    assert loss.lines == pytest.approx(missing_s * hz, rel=0.15)
    assert "1 hole" in loss.text
    assert "0:00:40" in loss.text


def test_a_source_that_speaks_now_and_then_has_no_holes() -> None:
    """Exponential intervals of 1 s on average, as of ships that pass: no regular beat is missed."""
    rng = np.random.default_rng(5)
    spoken = np.cumsum(np.minimum(rng.exponential(1.0, 2000), 6.0)).tolist()
    assert losses([start("ais"), note("stop", spoken[-1])], spoken, "ais") == []


def test_a_hole_that_a_gap_names_is_told_once() -> None:
    spoken = [s for s in SPOKEN if not 40 < s < 46]
    (loss,) = losses([start("gps"), gap("gps", 40, 46) | {"reason": "unplugged"}, note("stop", 100)], spoken)
    assert (loss.seconds, loss.lines) == (6.0, round(6 * 96 / 94))
    assert "1 unplugged" in loss.text


def test_a_source_with_notes_and_no_line_is_a_loss_of_all_its_time() -> None:
    (loss,) = losses([start("gps"), gap("gps", 0, 100), note("stop", 100)], [])
    assert (loss.what, loss.seconds) == ("gps", 100)
    assert "not one line" in loss.text


def test_lines_received_and_not_written_are_counted() -> None:
    notes = [start("gps"), note("stop", 100, complete=False, received={"gps": 9596}, unwritten_bytes=4096)]
    found = losses(notes, [k / 40 for k in range(4000)][:3594])
    text = " ".join(map(str, found))
    assert "6002 of 9596 lines that were received are not in the journal" in text
    assert "not everything that was received is on the disk; 4096 bytes were still in memory" in text


def test_a_part_that_was_killed_makes_no_claim_about_lines_received() -> None:
    notes = [start("gps"), note("resume", 50), note("stop", 100, received={"gps": 500})]
    assert losses(notes, SPOKEN) == []


@pytest.mark.parametrize(("details", "lines"), [({"bytes": 8000}, 100), ({"datagrams": 70}, 70), ({"bytes": 1}, None)])
def test_an_overflow_is_named_with_lines_and_seconds(details: dict[str, int], lines: int | None) -> None:
    (loss,) = losses([start("gps"), note("overflow", 50, source="gps", **details), note("stop", 100)], SPOKEN)
    assert loss.lines == lines
    assert loss.seconds == (None if lines is None else pytest.approx(lines * 100 / 101))


def test_a_disk_that_took_nothing_is_named_with_its_seconds() -> None:
    again = [start("gps"), note("not_writing", 40), note("writing_again", 52), note("stop", 100)]
    (loss,) = losses(again, SPOKEN)
    assert loss.seconds == 12
    assert "written afterwards" in loss.text
    (loss,) = losses([start("gps"), note("not_writing", 40), note("stop", 100)], SPOKEN)
    assert loss.seconds == 60
    assert "never written again" in loss.text


def test_sleep_and_torn_lines_are_losses() -> None:
    notes = [
        start("gps"),
        note("slept", 60, slept_s=7.5),
        note("torn", 70, file="nmea.log", bytes=12),
        note("stop", 100),
    ]
    assert [loss.seconds for loss in losses(notes, SPOKEN)] == [7.5, None]


def test_a_recording_that_was_never_closed_is_sound_with_that_loss(session: Path) -> None:
    (session / "raw" / "notes.jsonl").write_text(json.dumps(start("gps")) + "\n")
    journal(session)
    found = verify_session(session)
    assert found.ending == "sound with named losses"
    assert "was never closed" in str(found.losses[0])


def test_a_closed_recording_without_its_seal_cannot_be_vouched_for(session: Path) -> None:
    journal(session)
    write_manifest(session)
    assert verify_session(session).ending == "cannot be vouched for"
    seal_closed(session, by="recorder", t="2026-09-21T14:13:40Z")
    assert verify_session(session).ending == "sound"


def test_a_sentence_behind_noise_is_counted_as_a_sentence(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    create_session(folder, load_config(""), made_by="test", created="2026-09-21T14:13:20Z")
    good = b"$GPHDT,274.07,T*03"
    (folder / "raw" / "nmea.log").write_bytes(
        b"\x00\xff\x80" + good + b"\r\n" + b"GARBAGE" + good + good + b"\r\n" + good + b"\r\n"
    )
    assert verify_session(folder).sentences == {"bad": 1, "good": 4, "noise": 1}


def test_a_sentence_behind_noise_in_the_journal_is_counted_too(session: Path) -> None:
    line = encode_line(b"\x00\xff$GPHDT,274.07,T*03", source="gps", wall_ms=EPOCH_NS // 10**6, mono_us=5 * S)
    (session / "raw" / "nmea.log").write_bytes(line)
    assert verify_session(session).sentences == {"good": 1, "noise": 1}
