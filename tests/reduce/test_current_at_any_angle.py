"""Current at any angle on runs without sensor error: what a band's speed may be wrong by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.segment_builder import Current, Leg, build_segments, no_clocks, steady_current, tide
from trialcapture.config import load_config
from trialcapture.reduce.current_evidence import THIRD_RUN_KN
from trialcapture.reduce.trial import reduce_trial

CONFIG = load_config('[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n')
ALLOWED_KN = 0.05


def misaligned_pairs(speeds_kn: list[float], axis_deg: float, off_deg: list[float], gaps_min: list[float]) -> list[Leg]:
    """Return one run each way a speed, the way back off the reciprocal by some degrees."""
    legs, t_h = [], 0.0
    for k, speed in enumerate(speeds_kn):
        for way in (0, 1):
            direction = (axis_deg + (180.0 + off_deg[k] if way else 0.0)) % 360.0
            legs.append(Leg(1000.0 + 300.0 * k, speed, direction, t_h))
            t_h += (gaps_min[2 * k + way] + 1.5) / 60.0
    return legs


def reduce(legs: list[Leg], current: Current, **kinds: Any) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    segments = build_segments(legs, current, **kinds)
    bands, _, summary = reduce_trial(segments, CONFIG, clocks=no_clocks(), samples=None)
    return bands.to_pylist(), summary


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(5, 40), min_size=2, max_size=5).map(sorted), st.floats(0, 360), st.floats(0, 360),
    st.lists(st.floats(-15, 15), min_size=5, max_size=5), st.lists(st.floats(2, 10), min_size=10, max_size=10),
    st.booleans(),
)  # fmt: skip
def test_one_knot_at_any_angle_to_misaligned_pairs_is_taken_out(
    speeds: list[float], axis: float, towards: float, off: list[float], gaps: list[float], course_held: bool
) -> None:
    legs = misaligned_pairs(speeds, axis, [0.9 * x for x in off] if course_held else off, gaps)
    rows, summary = reduce(legs, steady_current(1.0, towards), course_held=course_held)
    assert len(rows) == len(speeds)
    for row, speed in zip(rows, speeds, strict=True):
        assert abs(row["speed_kn"] - speed) < ALLOWED_KN
    for pair in summary["current"]["pairs"]:
        speed = speeds[round((pair["band_rpm"] - 1000.0) / 300.0)]
        assert pair["through_water_kn"] == pytest.approx(speed, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.floats(5, 40), st.floats(0, 360), st.floats(-15, 15), st.booleans())
def test_a_single_pair_is_exact_by_itself_and_within_its_interval_in_the_fit(
    speed: float, towards: float, off: float, course_held: bool
) -> None:
    # one pair alone cannot tell a compass error from a current abeam; the fit allows for both and says so in its ±
    legs = misaligned_pairs([speed], 40.0, [0.9 * off], [5.0, 5.0])
    (row,), summary = reduce(legs, steady_current(1.0, towards), course_held=course_held)
    assert summary["current"]["pairs"][0]["through_water_kn"] == pytest.approx(speed, abs=1e-9)
    assert abs(row["speed_kn"] - speed) < min(2.0 * row["speed_u_kn"], 0.08)
    if speed <= 20.0:
        assert abs(row["speed_kn"] - speed) < ALLOWED_KN


def test_two_knots_abeam_of_a_held_heading_do_not_pass_for_speed() -> None:
    # scalar means of such a double run are 0.100 kn too high at 20 kn (plane trigonometry)
    rows, _ = reduce(misaligned_pairs([16.0, 20.0, 24.0], 0.0, [0.0] * 3, [5.0] * 6), steady_current(2.0, 90.0))
    assert [r["speed_kn"] for r in rows] == pytest.approx([16.0, 20.0, 24.0], abs=0.005)


def test_what_makes_a_pair_is_declared_with_it() -> None:
    legs = misaligned_pairs([12.0, 20.0], 30.0, [6.0, -4.0], [5.0, 4.0, 8.0, 4.0])
    _, summary = reduce(legs, steady_current(0.5, 30.0))
    assert [p["off_reciprocal_deg"] for p in summary["current"]["pairs"]] == pytest.approx([6.0, 4.0])
    assert [p["gap_min"] for p in summary["current"]["pairs"]] == pytest.approx([5.0, 8.0], abs=0.01)
    assert [p["rpm_difference_pct"] for p in summary["current"]["pairs"]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert all(p["in_time"] for p in summary["current"]["pairs"])


def test_a_run_past_the_limits_of_a_pair_is_no_partner() -> None:
    legs = misaligned_pairs([12.0, 20.0], 30.0, [0.0, 22.0], [5.0] * 4)
    rows, summary = reduce(legs, steady_current(0.5, 30.0))
    assert [r["ways"] for r in rows] == [2, 1]
    assert len(summary["current"]["half_pairs"]) == 2
    assert "one-way" in rows[1]["flags"].split(";")


@pytest.mark.parametrize(("peak_kn", "advised"), [(0.2, False), (3.0, True)])
def test_a_third_run_is_advised_only_where_the_expected_error_passes_a_tenth_of_a_knot(
    peak_kn: float, advised: bool
) -> None:
    # a tide at its turn changes by 2π/12.42 of its peak an hour; the runs of a pair lie 11.5 min apart
    legs = misaligned_pairs([12.0, 16.0, 20.0, 24.0], 40.0, [0.0] * 4, [10.0] * 8)
    rows, summary = reduce(legs, tide(peak_kn, 40.0, 12.4206 / 4.0 + 0.6))
    advice = summary["current"]["third_run_advice"]
    assert bool(advice) == advised
    assert all(a["expected_error_kn"] > THIRD_RUN_KN == 0.1 for a in advice)
    marked = [r["band_rpm"] for r in rows if "third-run-advised" in r["flags"].split(";")]
    assert marked == [a["band_rpm"] for a in advice]
    expected = peak_kn * 2.0 * np.pi / 12.4206 * 11.5 / 60.0 / 2.0
    assert summary["current"]["pairs"][1]["expected_error_kn"] == pytest.approx(expected, rel=0.15)
