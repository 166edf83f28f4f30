"""Which holds make one band."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.segment_builder import Leg, build_segments, steady_current
from trialcapture.config import Bands, Steady
from trialcapture.reduce.bands import assign_bands, assign_without_rpm, band_half_width_rpm, find_clusters
from trialcapture.reduce.runs import select_legs

Floats = np.ndarray[Any, np.dtype[np.float64]]


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


LOWER_STEPS = (900.0, 1400.0, 1900.0, 2400.0, 2900.0)


def boat(rng: np.random.Generator, gap_pct: float, noise_pct: float, runs: int) -> tuple[Floats, int]:
    """Return the engine speeds held by a boat, step by step, and how many of them are the top step.

    The step below full throttle is 3400 to 3500 rpm; with a gap of 0 there is no other step than it.
    """
    below = rng.uniform(3400.0, 3500.0)
    steps = [*LOWER_STEPS, below] + ([below * (1.0 + gap_pct / 100.0)] if gap_pct else [])
    held = [s * (1.0 + rng.normal(0.0, noise_pct, runs) / 100.0) for s in steps]
    return np.concatenate(held), runs


def top_is_alone(rpm: Floats, runs: int, settings: Bands) -> bool:
    """Return whether the last `runs` holds make one band that holds nothing else."""
    numbers, _ = assign_bands(rpm, settings)
    top = numbers[-1]
    return bool(np.all(numbers[-runs:] == top) and np.sum(numbers == top) == runs and top >= 0)


@pytest.mark.parametrize("settings", [Bands(), Bands(steps_rpm=(*LOWER_STEPS, 3450.0))], ids=["automatic", "declared"])
@pytest.mark.parametrize("gap_pct", [1.5, 2.0, 2.5, 3.0, 4.0])
@pytest.mark.parametrize("runs", [2, 3, 4])
def test_full_throttle_close_above_the_step_below_is_a_band_of_its_own(
    gap_pct: float, runs: int, settings: Bands
) -> None:
    rng = np.random.default_rng(1)
    alone = [top_is_alone(*boat(rng, gap_pct, noise, runs), settings) for noise in (0.1, 0.2) for _ in range(20)]
    # two steps whose runs scatter by up to an eighth of their distance
    assert sum(alone) == 40


@pytest.mark.parametrize("settings", [Bands(), Bands(steps_rpm=(*LOWER_STEPS, 3450.0))], ids=["automatic", "declared"])
@pytest.mark.parametrize("noise_pct", [0.1, 0.3, 0.6])
@pytest.mark.parametrize("runs", [2, 3, 4])
def test_a_restless_step_is_not_torn(noise_pct: float, runs: int, settings: Bands) -> None:
    rng = np.random.default_rng(2)
    torn = [not top_is_alone(*boat(rng, 0.0, noise_pct, runs), settings) for _ in range(100)]
    # 5 % are allowed for, and 11 of 100 are still that (binomial, 99 %)
    assert sum(torn) <= (11 if noise_pct > 0.5 else 2)


@pytest.mark.parametrize(
    "settings", [Bands(), Bands(steps_rpm=(2000.0, 2750.0, 3500.0))], ids=["automatic", "declared"]
)
def test_runs_there_and_back_that_differ_by_some_tenths_of_a_percent_are_one_step(settings: Bands) -> None:
    # quiet runs, with the wind and against it: 0.8 % apart
    held = [2000.0, 2001.0, 2000.0, 2001.0, 2750.0, 2751.0, 3486.0, 3514.0, 3485.0, 3513.0]
    numbers, bands = assign_bands(np.array(held), settings)
    assert numbers.tolist() == [0, 0, 0, 0, 1, 1, 2, 2, 2, 2]
    assert bands[-1].band_rpm == 3500.0


def test_of_two_groups_about_a_declared_step_the_closer_one_bears_its_name() -> None:
    settings = Bands(steps_rpm=(2000.0, 3500.0))
    _, bands = assign_bands(np.array([2000.0, 2001.0, 3428.0, 3430.0, 3501.0, 3499.0]), settings)
    assert [(b.name, b.declared) for b in bands] == [("2000 rpm", True), ("3430 rpm", False), ("3500 rpm", True)]
    _, bands = assign_bands(np.array([2000.0, 2001.0, 3498.0, 3500.0, 3571.0, 3569.0]), settings)
    assert [(b.name, b.declared) for b in bands] == [("2000 rpm", True), ("3500 rpm", True), ("3570 rpm", False)]


def test_full_throttle_between_declared_steps_is_a_band() -> None:
    settings = Bands(steps_rpm=(2000.0, 3000.0, 4000.0))
    numbers, bands = assign_bands(np.array([2000.0, 2500.0, 3000.0, 3600.0, 3605.0]), settings)
    assert numbers.tolist() == [0, -1, 1, 2, 2]
    assert [b.name for b in bands] == ["2000 rpm", "3000 rpm", "3600 rpm"]


def test_two_declared_steps_stay_two_however_close() -> None:
    numbers, _ = assign_bands(np.array([3400.0, 3401.0, 3430.0, 3429.0]), Bands(steps_rpm=(2000.0, 3400.0, 3430.0)))
    assert numbers.tolist() == [0, 0, 1, 1]


def test_idling_below_every_declared_step_is_no_band() -> None:
    numbers, bands = assign_bands(np.array([700.0, 702.0]), Bands(steps_rpm=(2000.0, 3000.0)))
    assert numbers.tolist() == [-1, -1]
    assert bands == []


@given(
    st.lists(st.floats(400, 8000), min_size=1, max_size=30),
    st.lists(st.floats(500, 7000), min_size=0, max_size=6, unique=True),
)
def test_every_band_has_a_hold_and_the_highest_hold_is_in_the_highest_band(
    held: list[float], steps: list[float]
) -> None:
    rpm = np.array(held)
    numbers, bands = assign_bands(rpm, Bands(steps_rpm=tuple(sorted(steps))))
    assert sorted(set(numbers[numbers >= 0].tolist())) == list(range(len(bands)))
    if not steps or rpm.max() >= min(steps):
        assert numbers[np.argmax(rpm)] == len(bands) - 1


def test_an_automatic_band_is_named_after_a_round_number_close_by() -> None:
    _, bands = assign_bands(np.array([2396.0, 2391.6, 2317.0, 2318.0]), Bands())
    assert [b.band_rpm for b in bands] == [2320.0, 2400.0]


def test_without_engine_speed_out_and_back_make_a_band() -> None:
    legs = [Leg(1, v, d, 0.1 * k) for k, (v, d) in enumerate([(8, 40), (8, 220), (15, 40), (15, 220), (15, 40)])]
    chosen = select_legs(build_segments(legs, steady_current(1.0, 40.0), engines=()), ())
    numbers, bands = assign_without_rpm(chosen, Steady())
    assert numbers.tolist() == [0, 0, 1, 1, 1]
    assert all(np.isnan(b.band_rpm) for b in bands)
