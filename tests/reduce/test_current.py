"""The arithmetic of alternating runs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.segment_builder import Leg, build_segments, steady_current
from trialcapture.config import Steady
from trialcapture.reduce.runs import (
    Runs,
    alternating_weights,
    combine_runs,
    find_line_headings,
    find_sequences,
    merge_runs,
    relation,
    select_legs,
    velocity_kn,
)

Floats = np.ndarray[Any, np.dtype[np.float64]]


def runs_of(legs: list[Leg], *, towards: float = 0.0, current: float = 0.0, heading: bool = True) -> Runs:
    table = build_segments(legs, steady_current(current, towards), heading=heading)
    chosen = select_legs(table, ("port", "stbd"))
    band = np.round(chosen.values["rpm_mean"]).astype(np.int64)
    return merge_runs(chosen, np.unique(band, return_inverse=True)[1].astype(np.int64), 15.0)


SPACINGS = st.lists(st.floats(0.05, 0.6), min_size=1, max_size=7)


def times_of(gaps: list[float]) -> Floats:
    return np.concatenate([[0.0], np.cumsum(gaps)])


def repeated_means(n: int) -> Floats:
    """Return the weights of the means of successive means, taken until one is left."""
    means = np.eye(n)
    while means.shape[0] > 1:
        means = (means[1:] + means[:-1]) / 2.0
    return np.asarray(means[0], dtype=np.float64)


@pytest.mark.parametrize("n", range(2, 9))
def test_at_equal_spacing_the_weights_are_those_of_the_mean_of_means(n: int) -> None:
    weights, method = alternating_weights(0.2 * np.arange(n), (-1.0) ** np.arange(n))
    assert weights == pytest.approx(repeated_means(n), abs=1e-12)
    assert method == ("double run" if n == 2 else f"mean of means of {n}")


@given(SPACINGS, st.floats(1, 60), st.lists(st.floats(-2, 2), min_size=7, max_size=7))
def test_any_polynomial_of_two_degrees_less_than_runs_drops_out_at_any_spacing(
    gaps: list[float], speed: float, coefficients: list[float]
) -> None:
    t = times_of(gaps)
    sign = (-1.0) ** np.arange(t.size)
    current = np.polynomial.polynomial.polyval(t, coefficients[: t.size - 1])
    weights, _ = alternating_weights(t, sign)
    assert weights @ (speed + sign * current) == pytest.approx(speed, abs=1e-7)


@given(SPACINGS, st.data(), st.floats(1, 60), st.floats(-3, 3), st.floats(-2, 2))
def test_a_linear_current_drops_out_in_any_order_of_three_passes_or_more(
    gaps: list[float], data: st.DataObject, speed: float, c0: float, c1: float
) -> None:
    t = times_of(gaps)
    sign = np.array(data.draw(st.lists(st.sampled_from([-1.0, 1.0]), min_size=t.size, max_size=t.size)))
    if np.unique(sign).size < 2:
        return
    weights, method = alternating_weights(t, sign)
    assert weights.sum() == pytest.approx(1.0)
    assert np.all(weights > 0)
    # as noisy as one double run at most: each way has half of the weight
    assert weights[sign > 0].sum() == pytest.approx(0.5)
    assert weights @ weights <= 0.5 + 1e-12
    if np.sum(sign[1:] != sign[:-1]) >= 2:
        assert weights @ (speed + sign * (c0 + c1 * t)) == pytest.approx(speed, abs=1e-9)
    elif t.size > 2:
        assert method == f"mean of two directions, {t.size} runs"


@pytest.mark.parametrize("signs", ["+-+-", "+-+", "++-+", "+--+-", "-+-+-+", "++-"])
def test_no_spacing_makes_the_weights_jump(signs: str) -> None:
    sign = np.array([1.0 if s == "+" else -1.0 for s in signs])
    even = 0.2 * np.arange(sign.size)
    stretched = np.array([alternating_weights(even + d * np.arange(sign.size) ** 2, sign)[0] for d in STRETCHES])
    # a step of 0.05 % of the spacing moves no weight by more than that
    assert np.abs(np.diff(stretched, axis=0)).max() < 5e-4


STRETCHES = 0.2 * np.arange(0.0, 0.5, 5e-4)
"""How much each gap is longer than the one before it [h]: across every spacing from even to twice as long."""


def test_two_runs_one_way_and_one_back_are_not_extrapolated() -> None:
    weights, method = alternating_weights(np.array([0.0, 0.02, 0.5]), np.array([1.0, 1.0, -1.0]))
    assert method == "mean of two directions, 3 runs"
    assert weights == pytest.approx([0.25, 0.25, 0.5])


def test_runs_one_way_in_a_row_count_as_one_pass() -> None:
    weights, method = alternating_weights(np.array([0.0, 0.1, 0.25, 0.45]), np.array([1.0, -1.0, -1.0, 1.0]))
    assert method == "mean of means of 3 passes, 4 runs"
    # passes at 0, 0.175 and 0.45 h: 1/(0.175 x 0.45), 1/(0.175 x 0.275), 1/(0.45 x 0.275), by hand
    shares = np.array([1 / 0.07875, 1 / 0.048125, 1 / 0.12375])
    shares /= shares.sum()
    assert weights == pytest.approx([shares[0], shares[1] / 2, shares[1] / 2, shares[2]])


def test_one_way_only_has_no_weights() -> None:
    for sign in ([1.0, 1.0], [1.0], []):
        with pytest.raises(ValueError, match="each way"):
            alternating_weights(0.2 * np.arange(len(sign)), np.array(sign))


@pytest.mark.parametrize("towards", range(0, 360, 30))
@pytest.mark.parametrize("offset", [0.0, 4.0])
def test_a_pair_loses_any_current_and_a_constant_compass_error(towards: float, offset: float) -> None:
    heading = np.array([40.0, 217.0])
    water = velocity_kn(np.array([1.2]), np.array([towards]))
    ground = velocity_kn(np.array([8.0, 8.0]), heading) + water
    speed, _ = combine_runs(np.array([0.5, 0.5]), np.array([1.0, -1.0]), ground, heading - offset)
    assert speed == pytest.approx(8.0, abs=1e-12)


def test_headings_decide_what_is_reciprocal_when_a_stream_turns_the_courses() -> None:
    # 1.5 kn across 6 kn turns each course by 14 degrees, so the courses miss the reciprocal by 28
    legs = [Leg(1000, 6.0, 40.0, 0.0), Leg(1000, 6.0, 220.0, 0.2)]
    runs = runs_of(legs, towards=130.0, current=1.5)
    assert abs(runs.cog_deg[1] - runs.cog_deg[0] - 180.0) > 20.0
    assert relation(runs, 0, 1, 15.0) == -1
    blind = runs_of(legs, towards=130.0, current=1.0, heading=False)
    assert relation(blind, 0, 1, 15.0) == -1


def test_a_run_abeam_is_neither_same_nor_reciprocal() -> None:
    runs = runs_of([Leg(1000, 9.0, 40.0, 0.0), Leg(1000, 9.0, 130.0, 0.2)])
    assert relation(runs, 0, 1, 15.0) == 0
    sequences = find_sequences(runs, Steady())
    assert [s.runs for s in sequences] == [[0], [1]]
    assert all(s.speed_kn is None and s.method == "one way" for s in sequences)


def test_a_long_gap_parts_two_pairs_and_a_late_return_is_marked() -> None:
    minutes = [0, 8, 150, 158]
    four = runs_of([Leg(2000, 12.0, 40.0 + 180.0 * (k % 2), m / 60) for k, m in enumerate(minutes)])
    assert [s.runs for s in find_sequences(four, Steady())] == [[0, 1], [2, 3]]
    late = find_sequences(runs_of([Leg(2000, 12.0, 40.0, 0.0), Leg(2000, 12.0, 220.0, 1.0)]), Steady())
    assert len(late) == 1
    assert not late[0].in_time
    assert late[0].speed_kn == pytest.approx(12.0)


def test_pieces_of_one_pass_become_one_run_and_the_way_back_does_not() -> None:
    legs = [
        Leg(2000, 12.0, 40.0, 0.0, duration_s=60),
        Leg(2000, 12.2, 44.0, 0.03, duration_s=30),
        Leg(2000, 12.0, 220.0, 0.2),
    ]
    runs = runs_of(legs)
    assert runs.members == [[0, 1], [2]]
    assert runs.sog_kn[0] == pytest.approx((60 * 12.0 + 30 * 12.2) / 90)
    assert np.hypot(*runs.ground_kn[0]) == pytest.approx(runs.sog_kn[0])


def test_two_passes_the_same_way_minutes_apart_stay_two_runs() -> None:
    runs = runs_of([Leg(2000, 12.0, 40.0, 0.0), Leg(2000, 12.0, 40.0, 0.2)])
    assert runs.members == [[0], [1]]


def test_stand_in_headings_exist_only_for_runs_both_ways() -> None:
    legs = [Leg(1000, 9.0, 40.0, 0.0), Leg(1000, 9.0, 220.0, 0.2), Leg(2000, 15.0, 40.0, 0.4)]
    runs = runs_of(legs, towards=130.0, current=0.8, heading=False)
    stand_in = find_line_headings(runs, find_sequences(runs, Steady()))
    assert stand_in[:2] == pytest.approx([40.0, 220.0])
    assert np.isnan(stand_in[2])


@given(
    st.lists(st.floats(0.05, 0.6), min_size=2, max_size=5), st.floats(5, 40), st.floats(-1.5, 1.5), st.floats(-1, 1),
    st.floats(0, 360), st.floats(-15, 15), st.floats(0, 360),
)  # fmt: skip
def test_a_linear_current_drops_out_of_misaligned_runs_at_unequal_times(
    gaps: list[float], speed: float, c0: float, c1: float, axis: float, off: float, towards: float
) -> None:
    t = np.concatenate([[0.0], np.cumsum(gaps)])
    sign = (-1.0) ** np.arange(t.size)
    heading = axis + np.where(sign > 0, 0.0, 180.0 + off)
    water = velocity_kn(c0 + c1 * t, np.full(t.size, towards))
    ground = velocity_kn(np.full(t.size, speed), heading) + water
    weights, _ = alternating_weights(t, sign)
    assert combine_runs(weights, sign, ground, heading)[0] == pytest.approx(speed, abs=1e-9)
