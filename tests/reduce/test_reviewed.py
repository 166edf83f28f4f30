"""A reviewed trial is reduced twice: the result rests on people's verdicts, the automatic one stands beside it."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    build_segments,
    no_clocks,
    planing_fuel,
    reciprocal_legs,
    steady_current,
)
from trialcapture.config import Bands, Config
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.steady.segment_review import ReviewEntry, without_review
from trialcapture.reduce.bands import assign_bands, assign_relabelled
from trialcapture.reduce.reduction import COMPARED, Result, reduce_reviewed
from trialcapture.reduce.runs import select_legs
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import iso_utc

TRUTH = dict(PLANING_STEPS)
CURRENT = steady_current(1.2, 70.0)


def trial(**more: Any) -> pa.Table:
    """Segments 1 and 2 are the two ways of the first step, 3 and 4 of the second …"""
    legs = reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)
    return build_segments(legs, CURRENT, rng=np.random.default_rng(5), sampling_kn=0.02, **more)


def entry(segments: pa.Table, kind: str, segment_id: int, rpm: float | None = None) -> ReviewEntry:
    row = segments["segment_id"].to_pylist().index(segment_id)
    ends = "/".join(iso_utc(segments[name].cast(pa.int64())[row].as_py()) for name in ("start", "stop"))
    return ReviewEntry(7, kind, (ends,), None, rpm, "because", "lead")


def reduced(segments: pa.Table, *entries: ReviewEntry, config: Config | None = None) -> tuple[pa.Table, Result]:
    made = reduce_reviewed(
        segments,
        entries,
        lambda s: measure_trial(s, config or Config(), clocks=no_clocks(), samples=None, session_id="t"),
    )
    json.dumps(as_json(made[1][2]), allow_nan=False)
    return made


def band(bands: pa.Table, rpm: float) -> dict[str, Any]:
    return next(row for row in bands.to_pylist() if row["band_rpm"] == rpm)


def refused(segments: pa.Table, segment_id: int) -> pa.Table:
    accepted = [n != segment_id for n in segments["segment_id"].to_pylist()]
    reason = ["" if a else "turning" for a in accepted]
    for name, values in (("accepted", pa.array(accepted)), ("reason", pa.array(reason))):
        segments = segments.set_column(segments.schema.get_field_index(name), name, values)
    return segments


def test_without_entries_the_result_is_the_automatic_one_and_is_reduced_once() -> None:
    segments, calls = trial(), []

    def reduce(table: pa.Table) -> Result:
        calls.append(table)
        return measure_trial(table, Config(), clocks=no_clocks(), samples=None, session_id="t")

    plain = measure_trial(segments, Config(), clocks=no_clocks(), samples=None, session_id="t")
    _, (bands, legs, summary) = reduce_reviewed(segments, [], reduce)
    assert len(calls) == 1
    assert bands.equals(plain[0])
    assert legs.equals(plain[1])
    assert summary == plain[2]


def test_excluding_one_way_of_a_band_makes_it_one_way_and_leaves_the_automatic_result_beside_it() -> None:
    segments = trial()
    automatic = measure_trial(segments, Config(), clocks=no_clocks(), samples=None, session_id="t")
    kept, (bands, legs, summary) = reduced(segments, entry(segments, "exclude", 6))
    row = band(bands, 2000)
    assert (row["ways"], row["legs"]) == (1, 1)
    assert "one-way" in row["flags"].split(";")
    assert row["flags"].endswith("reviewed")
    assert row["speed_u_kn"] > band(automatic[0], 2000)["speed_u_kn"]
    assert 6 not in legs["segment_id"].to_pylist()
    beside = next(p for p in summary.review.bands if p.automatic.band_rpm == 2000)
    assert beside.changed
    assert asdict(beside.automatic) == {name: band(automatic[0], 2000)[name] for name in COMPARED}
    assert asdict(beside.reviewed) == {name: row[name] for name in COMPARED}
    assert [p.automatic.band_rpm for p in summary.review.bands if p.changed] == [2000]
    assert summary.review.automatic.top_speed == automatic[2].top_speed
    told = next(w for w in summary.warnings if w.code == "reviewed")
    assert told.where == "2000 rpm"
    assert without_review(kept).equals(segments)
    assert select_legs(kept, ()).segment_id.size == 13  # what is stored reduces to the reviewed result
    assert bands.filter(pa.array(["reviewed" not in f for f in bands["flags"].to_pylist()])).num_rows == 6


def test_including_a_refused_way_makes_the_band_two_way() -> None:
    segments = refused(trial(), 6)
    _, (bands, legs, summary) = reduced(segments, entry(segments, "include", 6))
    assert band(bands, 2000)["ways"] == 2
    assert band(bands, 2000)["speed_kn"] == pytest.approx(TRUTH[2000.0], abs=0.1)
    assert 6 in legs["segment_id"].to_pylist()
    change = summary.review.changes[0]
    assert (change.change, change.automatic_reason, change.reason, change.by) == (
        "included", "turning", "because", "lead",
    )  # fmt: skip
    beside = next(p for p in summary.review.bands if p.changed)
    assert (beside.automatic.ways, beside.reviewed.ways) == (1, 2)


def test_a_band_of_which_everything_is_excluded_is_gone_and_still_shown_as_automatic() -> None:
    segments = trial()
    _, (bands, _, summary) = reduced(segments, entry(segments, "exclude", 5), entry(segments, "exclude", 6))
    assert 2000 not in bands["band_rpm"].to_pylist()
    rows = summary.review.bands
    assert [p.automatic.band_rpm for p in rows] == [rpm for rpm, _ in PLANING_STEPS]
    assert [p.reviewed is None for p in rows] == [False, False, True, False, False, False, False]


def test_a_trial_of_which_everything_is_excluded_has_no_band_and_says_so() -> None:
    segments = trial()
    _, (bands, legs, summary) = reduced(segments, *(entry(segments, "exclude", n) for n in range(1, 15)))
    assert bands.num_rows == legs.num_rows == 0
    assert summary.top_speed is None
    assert summary.review.automatic.top_speed.band_rpm == 3500
    assert len(summary.review.bands) == len(PLANING_STEPS)


def test_a_faulty_entry_alone_leaves_the_automatic_result_with_its_warning() -> None:
    segments = trial()
    _, (bands, _, summary) = reduced(segments, ReviewEntry(3, "exclude", ("2001-01-01T00:00:00Z",), reason="x", by="y"))
    assert bands.equals(measure_trial(segments, Config(), clocks=no_clocks(), samples=None, session_id="t")[0])
    assert summary.review is None
    assert [w.where for w in summary.warnings if w.code == "review-entry"] == ["raw/notes.jsonl, line 4"]


def test_a_wrongly_read_engine_speed_is_put_right_by_a_label() -> None:
    truth = trial()
    rpm = [1700.0 if n == 6 else r for n, r in enumerate(truth["rpm_mean"].to_pylist(), start=1)]
    misread = truth.set_column(truth.schema.get_field_index("rpm_mean"), "rpm_mean", pa.array(rpm))
    assert (
        band(measure_trial(misread, Config(), clocks=no_clocks(), samples=None, session_id="t")[0], 2000)["ways"] == 1
    )
    kept, (bands, legs, _) = reduced(misread, entry(misread, "relabel", 6, 2000.0))
    assert 1700 not in bands["band_rpm"].to_pylist()
    assert (band(bands, 2000)["ways"], band(bands, 2000)["rpm_mean"]) == (2, pytest.approx(2000.0, abs=0.1))
    assert band(bands, 2000)["speed_kn"] == pytest.approx(TRUTH[2000.0], abs=0.1)
    assert kept["rpm_mean"].to_pylist()[5] == 1700.0
    assert dict(zip(legs["segment_id"].to_pylist(), legs["band_rpm"].to_pylist(), strict=True))[6] == 2000.0


def test_a_reading_near_its_label_is_kept_and_the_speed_brought_to_the_band() -> None:
    legs = reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)
    segments = build_segments([leg for leg in legs if leg.rpm != 2400.0], CURRENT)
    odd = build_segments([leg for leg in legs if leg.rpm == 2400.0], CURRENT)
    ids = pa.array([21, 22], pa.int32())
    both = pa.concat_tables([segments, odd.set_column(0, "segment_id", ids)])
    config = Config(bands=Bands(steps_rpm=(1000, 1500, 2000, 2450, 2800, 3200, 3500), half_width_rpm=20))
    assert 2450 not in reduced(both, config=config)[1][0]["band_rpm"].to_pylist()
    _, (bands, _, _) = reduced(
        both, entry(both, "relabel", 21, 2450.0), entry(both, "relabel", 22, 2450.0), config=config
    )
    assert (band(bands, 2450)["rpm_mean"], band(bands, 2450)["ways"]) == (pytest.approx(2400.0), 2)
    assert band(bands, 2450)["speed_kn"] == pytest.approx(TRUTH[2400.0], abs=0.05)
    assert (band(bands, 2450)["rpm_low"], band(bands, 2450)["rpm_high"]) == (2430, 2470)


def test_without_engine_speed_bands_are_matched_by_speed() -> None:
    segments = trial(engines=())
    _, (bands, _, summary) = reduced(segments, entry(segments, "exclude", 6))
    assert bands["band_rpm"].null_count == len(PLANING_STEPS)
    changed = [p for p in summary.review.bands if p.changed]
    assert [(p.automatic.ways, p.reviewed.ways) for p in changed] == [(2, 1)]
    assert changed[0].automatic.speed_kn == pytest.approx(TRUTH[2000.0], abs=0.3)


def test_engine_speed_noted_by_hand_makes_bands_where_none_was_recorded() -> None:
    segments = trial(engines=())
    labels = [entry(segments, "relabel", n, PLANING_STEPS[(n - 1) // 2][0]) for n in range(1, 15)]
    _, (bands, _, summary) = reduced(segments, *labels)
    assert bands["band_rpm"].to_pylist() == [rpm for rpm, _ in PLANING_STEPS]
    assert bands["speed_kn"].to_pylist() == pytest.approx([v for _, v in PLANING_STEPS], abs=0.1)
    assert len(summary.review.changes) == 14


@pytest.mark.parametrize("settings", [Bands(), Bands(steps_rpm=(1000, 1500, 2000), half_width_rpm=40)])
def test_without_labels_bands_are_assigned_as_ever(settings: Bands) -> None:
    rpm = np.array([1002.0, 1499.0, 2004.0, 998.0, np.nan, 1800.0, 2500.0])
    number, bands = assign_relabelled(rpm, np.full(rpm.size, np.nan), settings)
    plain_number, plain = assign_bands(rpm, settings)
    assert number.tolist() == plain_number.tolist()
    assert bands == plain


@pytest.mark.parametrize(
    ("label", "settings", "names", "where"),
    [
        (1500.0, Bands(), [1000.0, 1500.0, 2000.0], 1500.0),
        (1508.0, Bands(), [1000.0, 1500.0, 2000.0], 1500.0),  # within 1 % of a band's name
        (1700.0, Bands(), [1000.0, 1500.0, 1700.0, 2000.0], 1700.0),
        (1530.0, Bands(steps_rpm=(1000, 1500, 2000), half_width_rpm=40), [1000.0, 1500.0, 2000.0], 1500.0),
        (1700.0, Bands(steps_rpm=(1000, 1500, 2000), half_width_rpm=40), [1000.0, 1500.0, 1700.0, 2000.0], 1700.0),
        (800.0, Bands(steps_rpm=(800, 1000, 1500, 2000), half_width_rpm=40), [800.0, 1000.0, 1500.0, 2000.0], 800.0),
    ],
)
def test_a_label_joins_the_band_it_names_or_makes_one(
    label: float, settings: Bands, names: list[float], where: float
) -> None:
    rpm = np.array([1001.0, 999.0, 1500.0, 1501.0, 2001.0, 1999.0, label])
    labels = np.array([np.nan] * 6 + [label])
    number, bands = assign_relabelled(rpm, labels, settings)
    assert [b.band_rpm for b in bands] == names
    assert bands[number[6]].band_rpm == where
    assert [bands[n].band_rpm for n in number[:6]] == [1000.0, 1000.0, 1500.0, 1500.0, 2000.0, 2000.0]
