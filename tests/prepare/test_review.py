"""Review entries change verdicts, one stretch each; one that cannot be followed changes nothing and is told."""

from __future__ import annotations

import json
import math
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.archive.notes import DAMAGED, parse_note, reviews_of
from trialcapture.prepare.steady.segment_review import (
    REVIEW_COLUMNS,
    Review,
    as_reviewed,
    review_segments,
    without_review,
)

T0_NS = 1_778_580_000 * 10**9  # 2026-05-12T10:00:00Z
SPANS_S = ((0.4, 60.0), (120.0, 190.0), (190.0, 200.0), (300.0, 420.0))
"""Stretches 1 to 4; the third is refused."""


def segments(**columns: list[Any]) -> pa.Table:
    stamp = pa.timestamp("ns", "UTC")
    n = len(SPANS_S)
    plain: dict[str, Any] = {
        "segment_id": pa.array(range(1, n + 1), pa.int32()),
        "start": pa.array([T0_NS + round(a * 1e9) for a, _ in SPANS_S], pa.int64()).cast(stamp),
        "stop": pa.array([T0_NS + round(b * 1e9) for _, b in SPANS_S], pa.int64()).cast(stamp),
        "rpm_mean": [1000.0, 1000.0, 1200.0, 1200.0],
        "sog_kn_mean": [8.0, 9.0, 10.0, 11.0],
        "cog_true_deg_mean": [10.0, 190.0, 10.0, 190.0],
        "accepted": [True, True, False, True],
        "reason": ["", "", "too short: held for 10 s, 30 s needed", ""],
    }
    return pa.table(plain | columns)


def review(*entries: dict[str, Any], table: pa.Table | None = None) -> Review:
    lines = [json.dumps({"t": "2026-05-12T16:00:00Z", "reason": "ferry wash", "by": "technician"} | e) for e in entries]
    notes = [parse_note(line.encode(), number) for number, line in enumerate(lines)]
    return review_segments(segments() if table is None else table, reviews_of(notes))


def used(found: Review) -> list[bool]:
    accepted: list[bool] = found.segments["reviewed_accepted"].to_pylist()
    return accepted


def severities(found: Review) -> list[str]:
    return [w["severity"] for w in found.warnings]


AUTOMATIC = [True, True, False, True]
SECOND = "2026-05-12T10:02:00Z/2026-05-12T10:03:10Z"


def test_without_entries_the_verdicts_are_the_automatic_ones() -> None:
    found = review()
    assert used(found) == AUTOMATIC
    assert found.changes == found.warnings == []
    assert found.segments.column_names[-4:] == list(REVIEW_COLUMNS)
    assert all(found.segments[name].null_count == 4 for name in REVIEW_COLUMNS[1:])
    assert without_review(found.segments).equals(segments())


@pytest.mark.parametrize(
    "value",
    [
        SECOND,
        "2026-05-12T12:02:00+02:00/2026-05-12T12:03:10+02:00",
        "2026-05-12T10:01:55Z/2026-05-12T10:03:14Z",  # limits noted by hand
        "2026-05-12T10:02:20Z/2026-05-12T10:02:40Z",  # a part of it
        "2026-05-12T10:02:35Z",
        "2026-05-12T10:02:00Z",  # begins then: half-open
    ],
)
def test_an_excluded_stretch_keeps_its_automatic_verdict_beside_the_reviewed_one(value: str) -> None:
    found = review({"kind": "exclude", "value": value})
    assert used(found) == [True, False, False, True]
    assert found.warnings == []
    row = found.segments.to_pylist()[1]
    assert row["accepted"] is True
    assert (row["review_reason"], row["review_by"]) == ("ferry wash", "technician")
    assert [(c["segment_id"], c["change"], c["automatic_accepted"], c["line"]) for c in found.changes] == [
        (2, "excluded", True, 1)
    ]
    assert without_review(found.segments).equals(segments())
    assert as_reviewed(found.segments)["reason"].to_pylist()[1] == "excluded by a person: ferry wash (technician)"
    assert as_reviewed(found.segments)["accepted"].to_pylist() == used(found)


def test_a_time_copied_from_a_table_of_whole_seconds_finds_the_stretch_that_begins_in_that_second() -> None:
    assert used(review({"kind": "exclude", "value": "2026-05-12T10:00:00Z"}))[0] is False
    assert used(review({"kind": "exclude", "value": "2026-05-12T10:00:00.100Z"})) == AUTOMATIC


def test_an_instant_at_the_end_of_a_stretch_belongs_to_the_next() -> None:
    found = review({"kind": "include", "value": "2026-05-12T10:03:10Z"})
    assert used(found) == [True, True, True, True]
    assert found.changes[0]["automatic_reason"].startswith("too short")
    assert as_reviewed(found.segments)["reason"].to_pylist()[2] == ""


@pytest.mark.parametrize("rpm", [math.nan, 10**400])
def test_a_line_whose_numbers_are_none_is_damaged_and_no_entry(rpm: float) -> None:
    line = json.dumps({"t": "2026-05-12T16:00:00Z", "kind": "relabel", "value": SECOND, "band_rpm": rpm})
    assert parse_note(line.encode(), 0).kind == DAMAGED
    assert review({"kind": "relabel", "value": SECOND, "band_rpm": rpm}).changes == []


def test_a_number_is_only_a_check_on_the_time() -> None:
    assert used(review({"kind": "exclude", "segment_id": 2, "start": "2026-05-12T10:02:00Z"}))[1] is False
    wrong = review({"kind": "exclude", "segment_id": 3, "value": SECOND})
    assert used(wrong) == AUTOMATIC
    assert "it says stretch 3, at that time lies stretch 2" in wrong.warnings[0]["text"]
    alone = review({"kind": "exclude", "segment_id": 2})
    assert used(alone) == AUTOMATIC
    assert "a number alone may mean another stretch" in alone.warnings[0]["text"]


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"kind": "exclude", "value": SECOND, "reason": ""}, "gives no reason"),
        ({"kind": "exclude", "value": SECOND, "reason": " \t"}, "gives no reason"),
        ({"kind": "exclude", "value": SECOND, "reason": None}, "gives no reason"),
        ({"kind": "exclude", "value": SECOND, "reason": 3}, "gives no reason"),
        ({"kind": "exclude", "value": "2026-05-12T10:01:30Z"}, "no stretch lies at 2026-05-12T10:01:30Z"),
        ({"kind": "exclude", "value": "2027-05-12T10:02:00Z/2027-05-12T10:03:10Z"}, "no stretch lies at"),
        ({"kind": "exclude", "value": "2026-05-12T10:02:00Z/2026-05-12T10:03:20Z"}, "fits stretches 2, 3"),
        ({"kind": "exclude", "value": "2026-05-12T09:00:00Z/2026-05-12T12:00:00Z"}, "fits stretches 1, 2, 3, 4"),
        ({"kind": "exclude", "value": "2026-05-12T10:02:35"}, "has no zone"),
        ({"kind": "exclude", "value": "2026-05-12"}, "has no zone"),
        ({"kind": "exclude", "value": "after lunch"}, "is no time such as"),
        ({"kind": "exclude", "value": "2026-05-12T10:03:10Z/2026-05-12T10:02:00Z"}, "the start first"),
        ({"kind": "exclude", "value": f"{SECOND}/2026-05-12T10:04:00Z"}, "is no interval"),
        ({"kind": "exclude", "value": 2}, "is no time; give a UTC instant"),
        ({"kind": "exclude", "value": [SECOND]}, "is no time"),
        ({"kind": "exclude"}, "does not say when"),
        ({"kind": "exclude", "value": SECOND, "start": "2026-05-12T10:05:30Z"}, "name different stretches"),
        ({"kind": "exclude", "value": SECOND, "segment_id": "2"}, "it says stretch '2'"),
        ({"kind": "relabel", "value": SECOND}, "no band_rpm where an engine speed in rpm is needed"),
        ({"kind": "relabel", "value": SECOND, "band_rpm": "2400"}, "band_rpm '2400' where"),
        ({"kind": "relabel", "value": SECOND, "band_rpm": True}, "band_rpm True where"),
        ({"kind": "relabel", "value": SECOND, "band_rpm": -5}, "band_rpm -5 where"),
        ({"kind": "review-undo", "value": SECOND, "reason": ""}, "gives no reason"),
    ],
)
def test_an_entry_that_cannot_be_followed_changes_nothing_and_is_told(entry: dict[str, Any], told: str) -> None:
    found = review(entry)
    assert without_review(found.segments).equals(segments())
    assert used(found) == AUTOMATIC
    assert found.changes == []
    assert found.segments["relabelled_rpm"].null_count == 4
    assert severities(found) == ["red"]
    assert told in found.warnings[0]["text"]
    assert found.warnings[0]["where"] == "raw/notes.jsonl, line 1"


def test_a_stretch_without_speed_or_course_cannot_be_included() -> None:
    table = segments(sog_kn_mean=[8.0, 9.0, None, 11.0])
    found = review({"kind": "include", "value": "2026-05-12T10:03:15Z"}, table=table)
    assert used(found) == AUTOMATIC
    assert "no mean speed or course" in found.warnings[0]["text"]


def test_an_unsigned_entry_counts_and_says_so() -> None:
    found = review({"kind": "exclude", "value": SECOND, "by": ""})
    assert used(found)[1] is False
    assert severities(found) == ["yellow"]
    assert "does not say who" in found.warnings[0]["text"]


def test_the_last_of_contradicting_entries_stands_whatever_their_time() -> None:
    out = {"kind": "exclude", "value": SECOND}
    back = {"kind": "include", "value": SECOND, "t": "2026-05-12T11:00:00Z"}
    found = review(out, back)
    assert used(found) == AUTOMATIC
    assert found.changes == []
    assert severities(found) == ["yellow", "info"]
    assert "contradicts line 1 ('exclude') on stretch 2; this one counts" in found.warnings[0]["text"]
    again = review(out, back, out | {"reason": "seen on video"})
    assert used(again)[1] is False
    assert again.segments["review_reason"].to_pylist()[1] == "seen on video"


def test_the_same_verdict_twice_is_no_contradiction() -> None:
    found = review({"kind": "exclude", "value": SECOND}, {"kind": "exclude", "value": SECOND, "reason": "better words"})
    assert found.warnings == []
    assert found.changes[0]["reason"] == "better words"


def test_an_undo_returns_to_the_automatic_verdict_without_a_caution() -> None:
    found = review(
        {"kind": "exclude", "value": SECOND},
        {"kind": "relabel", "value": SECOND, "band_rpm": 1200},
        {"kind": "review-undo", "value": "2026-05-12T10:02:30Z"},
    )
    assert used(found) == AUTOMATIC
    assert found.changes == found.warnings == []
    nothing = review({"kind": "review-undo", "value": SECOND})
    assert severities(nothing) == ["info"]


def test_a_verdict_that_is_the_automatic_one_anyhow_is_told_and_is_no_change() -> None:
    found = review({"kind": "exclude", "value": "2026-05-12T10:03:15Z"})
    assert used(found) == AUTOMATIC
    assert found.changes == []
    assert severities(found) == ["info"]


def test_a_relabelled_stretch_keeps_its_reading() -> None:
    found = review({"kind": "relabel", "value": SECOND, "band_rpm": 1200})
    assert used(found) == AUTOMATIC
    assert found.segments["relabelled_rpm"].to_pylist() == [None, 1200.0, None, None]
    assert found.segments["rpm_mean"].to_pylist()[1] == 1000.0
    assert found.changes[0] | {"change": "relabelled", "relabelled_rpm": 1200.0} == found.changes[0]


def test_a_label_on_a_stretch_that_is_left_out_has_no_effect() -> None:
    found = review({"kind": "relabel", "value": SECOND, "band_rpm": 1200}, {"kind": "exclude", "value": SECOND})
    assert found.segments["relabelled_rpm"].null_count == 4
    assert [c["change"] for c in found.changes] == ["excluded"]
    assert severities(found) == ["info"]


def test_a_stretch_both_included_and_relabelled_says_both_reasons() -> None:
    third = "2026-05-12T10:03:15Z"
    found = review(
        {"kind": "include", "value": third, "reason": "calm"},
        {"kind": "relabel", "value": third, "band_rpm": 1000, "reason": "tachometer", "by": "lead"},
    )
    assert [c["change"] for c in found.changes] == ["included", "relabelled"]
    assert found.segments["review_reason"].to_pylist()[2] == "calm; tachometer"
    assert found.segments["review_by"].to_pylist()[2] == "technician; lead"


def test_reviewing_again_gives_the_same() -> None:
    entry = {"kind": "exclude", "value": SECOND}
    once = review(entry)
    twice = review(entry, table=once.segments)
    assert twice.segments.equals(once.segments)


# any code point, halves of pairs too: JSON can escape them
_TEXT = st.text(st.characters(codec=None, exclude_categories=()))
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | _TEXT, lambda inner: st.lists(inner, max_size=3)
)


@given(
    kind=st.sampled_from(("include", "exclude", "relabel", "review-undo")),
    value=_JSON | st.just(SECOND) | st.datetimes().map(lambda t: t.isoformat() + "Z"),
    segment_id=_JSON,
    band_rpm=_JSON,
    reason=_JSON,
    by=_JSON,
)
def test_no_entry_whatever_raises(**entry: Any) -> None:
    found = review(entry)
    assert found.segments.num_rows == 4
    assert without_review(found.segments).equals(segments())
