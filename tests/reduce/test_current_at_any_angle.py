"""Current at any angle on runs without sensor error: what a band's speed may be wrong by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.segment_builder import Current, Leg, build_segments, no_clocks, steady_current, terms_of, tide
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.current_evidence import THIRD_RUN_KN

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
    bands, _, summary = measure_trial(segments, CONFIG, clocks=no_clocks(), samples=None, session_id="t")
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
    for pair in summary.current.pairs:
        speed = speeds[round((pair.band_rpm - 1000.0) / 300.0)]
        assert pair.through_water_kn == pytest.approx(speed, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(5, 40), st.floats(0, 360), st.floats(-14.9, 14.9), st.booleans(),
    st.sampled_from([(0.3, 0.05), (1.0, 0.03), (2.0, 0.05), (3.0, 0.05)]),
)  # fmt: skip
def test_a_single_pair_is_exact_by_itself_and_nearly_so_in_the_fit(
    speed: float, towards: float, off: float, course_held: bool, current: tuple[float, float]
) -> None:
    # one pair alone cannot tell a compass error from a current abeam; the fit allows for both and says so in its ±
    strength_kn, allowed_kn = current
    legs = misaligned_pairs([speed], 40.0, [0.9 * off if course_held else off], [5.0, 5.0])
    (row,), summary = reduce(legs, steady_current(strength_kn, towards), course_held=course_held)
    assert row["ways"] == 2
    assert summary.current.pairs[0].through_water_kn == pytest.approx(speed, abs=1e-9)
    assert abs(row["speed_kn"] - speed) < min(row["speed_u_kn"], allowed_kn)


@pytest.mark.parametrize("strength_kn", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("off", [15.0, -15.0])
def test_a_fast_pair_fifteen_degrees_off_loses_a_strong_current_from_every_side(strength_kn: float, off: float) -> None:
    for towards in range(0, 360, 30):
        (row,), _ = reduce(misaligned_pairs([40.0], 40.0, [off], [5.0, 5.0]), steady_current(strength_kn, towards))
        assert abs(row["speed_kn"] - 40.0) < 0.025


def test_a_strong_current_one_way_only_raises_no_belief_that_would_widen_the_answer() -> None:
    legs = [leg for leg in misaligned_pairs([12.0, 20.0, 28.0], 40.0, [0.0] * 3, [5.0] * 6) if leg.direction_deg < 180]
    u = [
        [row["speed_u_kn"] for row in reduce(legs, steady_current(strength_kn, 130.0))[0]] for strength_kn in (0.0, 2.0)
    ]
    # the tide may be strong where the current is; with the room two ways would make for 2 kn it would be 6 kn
    assert all(0.6 < x < 1.25 for x in (*u[0], *u[1]))


@pytest.mark.parametrize("towards", [40.0, 130.0, 310.0])
def test_a_slow_boat_that_crabs_far_keeps_its_compass(towards: float) -> None:
    # 2 kn across 5 kn: the bow points 24° off the course held, one side or the other
    rows, summary = reduce(
        misaligned_pairs([5.0, 6.0], 40.0, [0.0] * 2, [5.0] * 4), steady_current(2.0, towards), course_held=True
    )
    assert summary.current.heading_used
    assert [r["speed_kn"] for r in rows] == pytest.approx([5.0, 6.0], abs=0.01)


def trials_without_heading(count: int, **errors: Any) -> list[tuple[float, float, float]]:
    """Return error, standard uncertainty and speed of every band of invented trials whose runs back miss the line."""
    found = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        n = 1 + seed % 4
        speeds = np.sort(rng.uniform(5.0, 40.0, n)).tolist()
        # half of the helms miss the line the same way every time
        off = (rng.uniform(-15, 15, n) if seed % 8 < 4 else np.full(n, rng.uniform(-15, 15))).tolist()
        held = bool(rng.random() < 0.5)
        legs = misaligned_pairs(
            speeds,
            float(rng.uniform(0, 360)),
            [0.85 * x for x in off] if held else off,
            list(rng.uniform(2, 10, 2 * n)),
        )
        current = steady_current(1.0, float(rng.uniform(0, 360)))
        rows, _ = reduce(legs, current, heading=False, course_held=held, rng=rng, **errors)
        found += [
            (r["speed_kn"] - speeds[round((r["band_rpm"] - 1000.0) / 300.0)], r["speed_u_kn"], r["speed_kn"])
            for r in rows
        ]
    return found


@pytest.mark.parametrize("scatter_kn", [0.0, 0.04])
def test_without_a_heading_misaligned_courses_stay_within_what_is_stated(scatter_kn: float) -> None:
    error, u, _ = np.array(trials_without_heading(40, sampling_kn=scatter_kn / 2, scatter_kn=scatter_kn)).T
    assert np.mean(np.abs(error) <= 2.0 * u) >= 0.95
    assert np.max(np.abs(error) / u) < 2.6


def test_without_a_heading_bent_courses_cost_certainty_and_straight_ones_do_not() -> None:
    straight, bent = (
        reduce(misaligned_pairs([20.0, 30.0], 40.0, [off] * 2, [5.0] * 4), steady_current(0.5, 40.0), heading=False)[0]
        for off in (0.0, 12.0)
    )
    for a, b in zip(straight, bent, strict=True):
        # half of 12° turns sin 6° = 0.10 of an unseen current into speed
        assert b["speed_u_kn"] ** 2 - a["speed_u_kn"] ** 2 > (0.10 * 0.5) ** 2


def test_two_knots_abeam_of_a_held_heading_do_not_pass_for_speed() -> None:
    # scalar means of such a double run are 0.100 kn too high at 20 kn (plane trigonometry)
    rows, _ = reduce(misaligned_pairs([16.0, 20.0, 24.0], 0.0, [0.0] * 3, [5.0] * 6), steady_current(2.0, 90.0))
    assert [r["speed_kn"] for r in rows] == pytest.approx([16.0, 20.0, 24.0], abs=0.005)


def test_what_makes_a_pair_is_declared_with_it() -> None:
    legs = misaligned_pairs([12.0, 20.0], 30.0, [6.0, -4.0], [5.0, 4.0, 8.0, 4.0])
    _, summary = reduce(legs, steady_current(0.5, 30.0))
    assert [p.off_reciprocal_deg for p in summary.current.pairs] == pytest.approx([6.0, 4.0])
    assert [p.gap_min for p in summary.current.pairs] == pytest.approx([5.0, 8.0], abs=0.01)
    assert [p.rpm_difference_pct for p in summary.current.pairs] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert all(p.in_time for p in summary.current.pairs)


def test_a_run_past_the_limits_of_a_pair_is_no_partner() -> None:
    legs = misaligned_pairs([12.0, 20.0], 30.0, [0.0, 22.0], [5.0] * 4)
    rows, summary = reduce(legs, steady_current(0.5, 30.0))
    assert [r["ways"] for r in rows] == [2, 1]
    assert len(summary.current.half_pairs) == 2
    assert "one-way" in rows[1]["flags"].split(";")


@pytest.mark.parametrize(("peak_kn", "advised"), [(0.2, False), (3.0, True)])
def test_a_third_run_is_advised_only_where_the_expected_error_passes_a_tenth_of_a_knot(
    peak_kn: float, advised: bool
) -> None:
    # a tide at its turn changes by 2π/12.42 of its peak an hour; the runs of a pair lie 11.5 min apart
    legs = misaligned_pairs([12.0, 16.0, 20.0, 24.0], 40.0, [0.0] * 4, [10.0] * 8)
    rows, summary = reduce(legs, tide(peak_kn, 40.0, 12.4206 / 4.0 + 0.6))
    advice = summary.current.third_run_advice
    assert bool(advice) == advised
    assert all(a.expected_error_kn > THIRD_RUN_KN == 0.1 for a in advice)
    marked = [r["band_rpm"] for r in rows if "third-run-advised" in r["flags"].split(";")]
    assert marked == [a.band_rpm for a in advice]
    expected = peak_kn * 2.0 * np.pi / 12.4206 * 11.5 / 60.0 / 2.0
    assert summary.current.pairs[1].expected_error_kn == pytest.approx(expected, rel=0.15)


def test_a_band_run_one_way_across_the_line_shows_no_current_abeam_of_it() -> None:
    legs = misaligned_pairs([20.0, 30.0], 40.0, [0.0] * 2, [5.0] * 4)
    across = [*legs, Leg(2400.0, 34.0, 130.0, legs[-1].mid_h + 0.1)]
    crossed = [*across, Leg(2400.0, 34.0, 310.0, legs[-1].mid_h + 0.2)]
    named = [
        "current abeam unseen" in terms_of(reduce(x, steady_current(0.5, 40.0), heading=False)[1])[0]
        for x in (legs, across, crossed)
    ]
    assert named == [True, True, False]
