"""Notes of people are read line by line; a damaged line costs itself only."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.archive.notes import (
    DAMAGED,
    Note,
    append_notes,
    marks_of,
    notes_path,
    parse_note,
    read_notes,
    reviews_of,
    session_time,
    trims_of,
)
from trialcapture.archive.session import create_session
from trialcapture.config import Config
from trialcapture.prepare.steady.segment_review import ReviewEntry
from trialcapture.prepare.steady.segments import TrimEntry

LINES = b"""{"t":"2026-05-04T09:30:00Z","kind":"mark","value":"1","unit":"","by":"engineer"}
{"t":"2026-05-04T09:29:00.5Z","kind":"trim","value":25,"unit":"%","by":"helm"}

{"t":"2026-05-04T11:28:00+02:00","kind":"trim","value":"tabs up"}
{"t":"2026-05-04T09:31:00Z","kind":"ma
{"t":"2026-05-04T09:29:30Z","kind":"mark","source":"gps1","mono_us":12}
not json
{"t":"2026-05-04T09:29:30","kind":"mark"}
"""


def test_notes_give_marks_and_trims_in_order_of_time(tmp_path: Path) -> None:
    session = create_session(tmp_path / "a", Config(), made_by="test", created="2026-05-04T09:00:00Z")
    assert read_notes(session) == []
    notes_path(session.folder).write_bytes(LINES)
    notes = read_notes(session)
    t0_ns = 1_777_887_000 * 10**9  # 2026-05-04T09:30:00Z
    assert marks_of(notes) == [t0_ns - 30 * 10**9, t0_ns]
    assert trims_of(notes) == [
        TrimEntry(t0_ns - 120 * 10**9, "tabs up"),
        TrimEntry(t0_ns - 60 * 10**9 + 5 * 10**8, "25 %"),
    ]
    assert [(note.line, note.kind) for note in notes if note.kind == DAMAGED] == [
        (4, DAMAGED),
        (6, DAMAGED),
        (7, DAMAGED),
    ]
    assert notes[0].by == "engineer"
    assert notes[4].more == {"source": "gps1", "mono_us": 12}


def test_beside_a_recording_faster_than_time_the_clock_of_the_session_counts() -> None:
    noon = datetime(2026, 5, 4, 12, tzinfo=UTC)
    begun_ns = int(noon.timestamp()) * 10**9

    def events(*lines: str) -> list[Note]:
        return [parse_note(line.encode(), n) for n, line in enumerate(lines)]

    start = '{"t":"2026-05-04T12:00:00Z","kind":"start","value":"recording begins"}'
    fast = f'{{"t":"2026-05-04T12:00:01Z","kind":"speed","value":"x","speed":4,"computer_ns":{begun_ns}}}'
    later = noon + timedelta(seconds=30)
    assert session_time(events(start, fast), later) == noon + timedelta(seconds=1 + 4 * 30)
    # as fast as time: no session, a recording of a boat, and one that goes on without the speed
    for plain in (events(), events(start), events(start, fast, start.replace("start", "resume"))):
        assert session_time(plain, later) == later
    damaged = fast.replace(str(begun_ns), '"x"'), fast.replace('"speed":4', '"speed":1e300')
    assert [session_time(events(line), later) for line in damaged] == [later, later]


@given(st.one_of(st.binary(), st.text().map(lambda text: text.encode("utf-8", "surrogatepass"))))
def test_no_line_whatever_raises(text: bytes) -> None:
    assert parse_note(text, 3).line == 3


@pytest.mark.parametrize("text", [b"[" * 100_000, b'{"t":3,"kind":"mark"}', b'{"t":"2026-05-04T09:30:00Z"}', b"null"])
def test_odd_json_is_damaged(text: bytes) -> None:
    assert parse_note(text, 0).kind == DAMAGED


def test_half_of_an_escaped_pair_becomes_a_character_that_can_be_stored() -> None:
    note = parse_note(b'{"t":"2026-05-04T09:30:00Z","kind":"trim","value":"tabs \\ud83d","by":"\\ud83d\\ude00"}', 0)
    assert note.value == "tabs ?"
    assert note.by == "\U0001f600"


def test_review_entries_are_read_as_they_were_noted(tmp_path: Path) -> None:
    session = create_session(tmp_path / "a", Config(), made_by="test", created="2026-05-04T09:00:00Z")
    entry = {
        "t": "2026-05-04T16:00:00Z", "kind": "relabel", "value": "2026-05-04T09:30:00Z", "segment_id": 4,
        "band_rpm": 2400, "reason": " ferry\n wash ", "by": "Zo\u00eb \u0007",
    }  # fmt: skip
    append_notes(session.folder, [entry], "review")
    append_notes(session.folder, [{"t": "2026-05-04T16:01:00Z", "kind": "sea", "value": "calm"}], "review")
    assert reviews_of(read_notes(session)) == [
        ReviewEntry(0, "relabel", ("2026-05-04T09:30:00Z",), 4, 2400, "ferry wash", "Zo\u00eb", "notes-review.jsonl")
    ]


def test_notes_are_appended_behind_a_torn_line_and_nothing_before_is_touched(tmp_path: Path) -> None:
    session = create_session(tmp_path / "a", Config(), made_by="test", created="2026-05-04T09:00:00Z")
    path = notes_path(session.folder, "note")
    path.write_bytes(LINES + b'{"t":"2026-05-04T09:3')
    append_notes(session.folder, [{"t": "2026-05-04T16:00:00Z", "kind": "mark"}], "note")
    assert path.read_bytes().startswith(LINES + b'{"t":"2026-05-04T09:3\n')
    assert read_notes(session)[-1].kind == "mark"


@pytest.mark.parametrize(
    "text",
    [
        b'{"t":"0202-05-14T08:40:00Z","kind":"mark"}',
        b'{"t":"1969-12-31T23:59:59Z","kind":"mark"}',
        b'{"t":"9999-05-14T08:40:00Z","kind":"mark"}',
        b'{"t":"99999-05-14T08:40:00Z","kind":"mark"}',
        b'{"t":"2026-05-14T08:40:00Z","kind":"sea","value":NaN}',
        b'{"t":"2026-05-14T08:40:00Z","kind":"sea","value":1e999}',
        b'{"t":"2026-05-14T08:40:00Z","kind":"sea","value":' + b"9" * 30 + b"}",
        b'{"t":"2026-05-14T08:40:00Z","kind":"sea","value":' + b"[" * 10_000,
        b'{"t":"2026-05-14T08:40:00Z","kind":"sea","value":"' + b"x" * (2 << 20) + b'"}',
    ],
)
def test_years_and_numbers_that_no_table_holds_make_a_damaged_note(text: bytes) -> None:
    assert parse_note(text, 3).kind == DAMAGED
