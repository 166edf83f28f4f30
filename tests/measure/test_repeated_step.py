"""A step run again at the end: false alarms no more often than stated, and a changed boat is noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    Leg,
    build_segments,
    planing_fuel,
    reciprocal_legs,
    steady_current,
    tide,
)
from trialcapture.config import load_config
from trialcapture.measure.repeated_step import compare_repeats, find_repeats, repeat_warnings
from trialcapture.reduce.reduction import reduce_segments
from trialcapture.reduce.summary import RepeatedStep

CONFIG = load_config(
    "[boat]\nlength_m = 14.0\n[bands]\nsteps_rpm = [1000, 1500, 2000, 2400, 2800, 3200, 3500]\n"
    '[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n'
)
STEPS = PLANING_STEPS[1:5]
REPEATED_RPM, REPEATED_KN = 2400.0, 16.5


def repeats_of(segments: pa.Table) -> tuple[RepeatedStep, ...]:
    gathered, made = reduce_segments(segments, CONFIG, clocks=None)
    assert made is not None
    return compare_repeats(gathered, made, segments, CONFIG, None)


def test_which_steps_were_repeated_is_told_without_their_differences() -> None:
    """A trial that goes on needs no more; the rest takes as long as the reduction."""
    segments = drawn(1, 0.03)
    gathered, made = reduce_segments(segments, CONFIG, clocks=None)
    assert made is not None
    whole = compare_repeats(gathered, made, segments, CONFIG, None)
    few = compare_repeats(gathered, made, segments, CONFIG, None, with_differences=False)
    assert whole
    assert all(step.quantities for step in whole)
    assert few == tuple(replace(step, quantities=()) for step in whole)


def bookended(later: float = 1.0, ways: int = 2, later_rpm: float = REPEATED_RPM) -> list[Leg]:
    """Return a ladder of steps, and one of them again: at a speed and a fuel rate so many times the first."""
    legs = reciprocal_legs(STEPS, gap_min=4.0, fuel=planing_fuel)
    again = reciprocal_legs(
        [(later_rpm, REPEATED_KN * later)], gap_min=4.0, fuel=planing_fuel, start_h=legs[-1].mid_h + 0.1, ways=ways
    )
    return [*legs, *again]


def drawn(seed: int, change: float) -> pa.Table:
    rng = np.random.default_rng([11, seed])
    current = tide(float(rng.uniform(0.2, 1.5)), float(rng.uniform(0, 360)), float(rng.uniform(0, 12)))
    return build_segments(
        bookended(1.0 + change), current, rng=rng, sampling_kn=0.03, scatter_kn=float(rng.choice([0.03, 0.07, 0.14])),
        heading_sd_deg=1.0, rpm_sd=4.0, speed_power=1.5, fuel_scatter_pct=0.8,
    )  # fmt: skip


@pytest.mark.slow
def test_an_unchanged_boat_is_called_changed_in_about_one_case_of_twenty() -> None:
    found = [q for seed in range(40) for step in repeats_of(drawn(seed, 0.0)) for q in step.quantities]
    own = [q for q in found if q.quantity != "economy"]
    assert len(own) == 80
    # 4.6 % of 80 are 3.6; more than 11 are drawn in one test of three thousand
    assert sum(q.is_real for q in own) <= 11
    # and the ± is no excuse: the differences fill it
    z = np.array([q.difference / q.difference_u for q in own])
    assert 0.6 < z.std() < 1.5


@pytest.mark.slow
def test_a_boat_that_lost_three_percent_is_found_out() -> None:
    found = [q for seed in range(12) for step in repeats_of(drawn(seed, -0.03)) for q in step.quantities]
    speeds = [q for q in found if q.quantity == "speed"]
    assert sum(q.is_real and q.difference < 0 for q in speeds) >= 10


def test_without_noise_the_difference_is_that_of_the_truth() -> None:
    (step,) = repeats_of(build_segments(bookended(0.95), steady_current(0.8, 100.0)))
    speed, fuel, economy = step.quantities
    assert (step.band_rpm, step.first_legs, step.last_legs) == (2400.0, (5, 6), (9, 10))
    assert speed.difference == pytest.approx(-0.05 * REPEATED_KN, abs=0.02)
    assert speed.is_real
    assert not fuel.is_real
    assert economy.last / economy.first == pytest.approx(0.95, abs=0.003)
    (warning,) = repeat_warnings((step,))
    assert warning.where == "2400 rpm"
    assert "speed: -0.8" in warning.text


def test_values_are_compared_at_one_engine_speed() -> None:
    # 20 rpm more is 1.6 % of speed here: no change of the boat
    faster = REPEATED_KN * (2420.0 / 2400.0) ** 2.0
    legs = bookended(faster / REPEATED_KN, later_rpm=2420.0)
    (step,) = repeats_of(build_segments(legs, steady_current(0.8, 100.0)))
    assert abs(step.quantities[0].difference) < 0.1
    assert not step.quantities[0].is_real


def test_shared_errors_cancel() -> None:
    (step,) = repeats_of(build_segments(bookended(), steady_current(0.8, 100.0), bias_u_kn=0.5))
    assert step.quantities[0].difference_u < 0.25


def test_a_way_back_after_other_steps_is_no_repetition() -> None:
    ladder = [(rpm, speed, 40.0) for rpm, speed in STEPS] + [(rpm, speed, 220.0) for rpm, speed in STEPS[::-1]]
    legs = [Leg(rpm, speed, way, 0.1 * k) for k, (rpm, speed, way) in enumerate(ladder)]
    _, made = reduce_segments(build_segments(legs, steady_current(0.4, 10.0)), CONFIG, clocks=None)
    assert made is not None
    assert find_repeats(made) == {}


def test_one_run_the_same_way_is_compared_with_the_wider_margin_it_has() -> None:
    both, one = (
        repeats_of(build_segments(bookended(ways=ways), steady_current(0.4, 10.0)))[0].quantities[0] for ways in (2, 1)
    )
    assert one.difference_u > both.difference_u
    assert not one.is_real
