"""A trial without engine speed: what is pooled, what is not claimed, and rows that people can find."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.segment_builder import PLANING_STEPS, Current, Leg, build_segments, reciprocal_legs, steady_current
from trialcapture.config import Config, Steady
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.bands import assign_without_rpm
from trialcapture.reduce.runs import select_legs

STILL = steady_current(0.0, 0.0)


def groups_of(legs: list[Leg], current: Current = STILL) -> list[list[int]]:
    chosen = select_legs(build_segments(legs, current, engines=()), ())
    numbers, bands = assign_without_rpm(chosen, Steady())
    return [np.flatnonzero(numbers == b).tolist() for b in range(len(bands))]


@given(st.lists(st.floats(6.0, 9.0), min_size=1, max_size=12))
@settings(max_examples=60, deadline=None)
def test_runs_one_way_more_than_seven_tenths_of_a_knot_apart_are_never_pooled(speeds: list[float]) -> None:
    legs = [Leg(1, v, 40.0, 0.05 * k) for k, v in enumerate(speeds)]
    found = groups_of(legs)
    assert sorted(k for members in found for k in members) == list(range(len(legs)))
    for members in found:
        held = [speeds[k] for k in members]
        assert max(held) - min(held) <= 0.7 + 0.1  # the builder adds a sampling error of some hundredths


def test_a_chain_of_small_steps_is_no_band() -> None:
    found = groups_of([Leg(1, 8.0 + 0.5 * k, 40.0, 0.05 * k) for k in range(5)])
    assert len(found) == 3


def test_steps_all_up_one_way_and_all_down_the_other_find_their_ways_back() -> None:
    speeds = [8.0, 10.0, 12.0]
    legs = [Leg(1, v, 40.0, 0.03 * k) for k, v in enumerate(speeds)]
    legs += [Leg(1, v, 220.0, 0.03 * (k + 3)) for k, v in enumerate(speeds[::-1])]
    assert groups_of(legs, steady_current(0.4, 40.0)) == [[0, 5], [1, 4], [2, 3]]


def test_out_and_back_at_two_settings_are_no_pair_where_the_others_show_the_current() -> None:
    legs, back_kn = [], {0: 7.0, 1: 11.0, 2: 15.0, 3: 17.2}
    for k, v in enumerate([7.0, 11.0, 15.0, 20.0]):
        legs += [Leg(1, v, 40.0, 0.2 * k), Leg(1, back_kn[k], 220.0, 0.2 * k + 0.08)]
    assert groups_of(legs, steady_current(0.2, 40.0)) == [[0, 1], [2, 3], [4, 5], [7], [6]]


def test_a_strong_current_that_all_pairs_show_is_one() -> None:
    bands, _, _ = measure_trial(
        build_segments(reciprocal_legs(PLANING_STEPS), steady_current(2.2, 40.0), engines=()),
        Config(), clocks=None, samples=None, session_id="t",
    )  # fmt: skip
    assert bands["ways"].to_pylist() == [2] * len(PLANING_STEPS)
    assert bands["speed_kn"].to_pylist() == pytest.approx([v for _, v in PLANING_STEPS], abs=0.05)


def test_without_a_way_back_there_is_no_current_and_speed_is_that_over_ground() -> None:
    segments = build_segments(reciprocal_legs(PLANING_STEPS, ways=1), steady_current(1.2, 40.0), engines=())
    bands, _, summary = measure_trial(segments, Config(), clocks=None, samples=None, session_id="t")
    assert bands["ways"].to_pylist() == [1] * len(PLANING_STEPS)
    assert bands["current_kn"].to_pylist() == [None] * len(PLANING_STEPS)
    assert summary.current.fit == ()
    assert summary.current.pairs == ()
    over_ground = sorted(segments["sog_kn_mean"].to_pylist())
    assert bands["speed_kn"].to_pylist() == pytest.approx(over_ground, abs=0.3)
    for row, (_, v) in zip(bands.to_pylist(), PLANING_STEPS, strict=True):
        assert abs(row["speed_kn"] - v) <= 2.0 * row["speed_u_kn"]
        assert "current-unknown" in row["flags"]


def test_rows_are_named_by_speed_and_time_and_warnings_name_them() -> None:
    legs = [*reciprocal_legs(PLANING_STEPS[:3]), Leg(1, 14.0, 40.0, 2.0)]
    bands, table, summary = measure_trial(
        build_segments(legs, steady_current(0.5, 40.0), engines=()), Config(), clocks=None, samples=None, session_id="t"
    )
    names = bands["band_name"].to_pylist()
    assert bands["band_rpm"].to_pylist() == [None] * 4
    assert len(set(names)) == 4
    for row, name in zip(bands.to_pylist(), names, strict=True):
        speed, unit, clock = name.split()
        assert (unit, len(clock)) == ("kn", 5)
        assert float(speed) == pytest.approx(row["speed_kn"], abs=0.051)
    assert set(table["band_name"].to_pylist()) == set(names)
    (one_way,) = [w.where for w in summary.warnings if w.code == "one-way"]
    assert one_way == next(n for n, w in zip(names, bands["ways"].to_pylist(), strict=True) if w == 1)
    assert "?" not in str(summary.warnings)
