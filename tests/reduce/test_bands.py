"""Which holds make one band."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.segment_builder import Leg, build_segments, steady_current
from trialcapture.config import Bands, Steady
from trialcapture.reduce.bands import assign_bands, assign_without_rpm, band_half_width_rpm, find_clusters
from trialcapture.reduce.runs import select_legs


def test_a_hold_belongs_to_the_nearest_declared_step_within_half_a_step() -> None:
    settings = Bands(steps_rpm=(1000.0, 1100.0, 1500.0))
    numbers, bands = assign_bands(np.array([1049.0, 1051.0, 1500.0, 1300.0, 900.0, np.nan]), settings)
    assert band_half_width_rpm(settings) == 50.0
    assert numbers.tolist() == [0, 1, 2, -1, -1, -1]
    assert [b.band_rpm for b in bands] == [1000.0, 1100.0, 1500.0]
    assert (bands[0].low_rpm, bands[0].high_rpm) == (950.0, 1050.0)


def test_a_declared_step_nobody_held_makes_no_band() -> None:
    numbers, bands = assign_bands(np.array([2000.0]), Bands(steps_rpm=(1000.0, 2000.0, 3000.0)))
    assert numbers.tolist() == [0]
    assert [b.band_rpm for b in bands] == [2000.0]


def test_a_hold_above_the_highest_declared_step_is_not_lost() -> None:
    numbers, bands = assign_bands(np.array([3000.0, 3412.0, 3405.0, 2500.0]), Bands(steps_rpm=(2000.0, 3000.0)))
    assert numbers.tolist() == [0, 1, 1, -1]
    assert [b.declared for b in bands] == [True, False]


@pytest.mark.parametrize("steps", [[800, 1000, 1200, 1400], [1000, 1500, 2000, 2500, 3000, 3500, 3620], [600, 2400]])
def test_clusters_find_the_steps_that_were_held_each_way(steps: list[float]) -> None:
    rpm = np.array([x for s in steps for x in (s * 1.002, s * 0.998)])
    found = find_clusters(rpm, None)
    assert [sorted(g.tolist()) for g in found] == [[2 * k, 2 * k + 1] for k in range(len(steps))]


def test_steps_of_fifty_rpm_near_three_thousand_are_told_apart() -> None:
    rpm = np.array([x for s in range(3000, 3501, 50) for x in (s + 4.0, s - 4.0)])
    assert len(find_clusters(rpm, None)) == 11


def test_a_sloppy_pair_at_low_rpm_stays_together_when_other_steps_are_far() -> None:
    rpm = np.array([912.0, 891.0, 1353.0, 1352.0, 1665.0, 1650.0, 2249.0, 2244.0, 3450.0, 3436.0])
    assert [g.size for g in find_clusters(rpm, None)] == [2, 2, 2, 2, 2]


def test_a_creeping_throttle_makes_no_endless_chain() -> None:
    rpm = np.arange(2000.0, 2400.0, 9.0)
    for group in find_clusters(rpm, None):
        assert np.ptp(rpm[group]) <= 0.04 * rpm[group].mean()


@given(st.lists(st.floats(400, 8000), min_size=1, max_size=40))
def test_every_hold_is_in_exactly_one_cluster_and_clusters_do_not_overlap(held: list[float]) -> None:
    rpm = np.array(held)
    groups = find_clusters(rpm, None)
    assert sorted(np.concatenate(groups).tolist()) == list(range(len(held)))
    spans = [(rpm[g].min(), rpm[g].max()) for g in groups]
    assert all(a[1] <= b[0] for a, b in pairwise(spans))


def test_an_automatic_band_is_named_after_a_round_number_close_by() -> None:
    _, bands = assign_bands(np.array([2396.0, 2391.6, 2317.0, 2318.0]), Bands())
    assert [b.band_rpm for b in bands] == [2320.0, 2400.0]


def test_without_engine_speed_out_and_back_make_a_band() -> None:
    legs = [Leg(1, v, d, 0.1 * k) for k, (v, d) in enumerate([(8, 40), (8, 220), (15, 40), (15, 220), (15, 40)])]
    chosen = select_legs(build_segments(legs, steady_current(1.0, 40.0), engines=()), ())
    numbers, bands = assign_without_rpm(chosen, Steady())
    assert numbers.tolist() == [0, 0, 1, 1, 1]
    assert all(np.isnan(b.band_rpm) for b in bands)
