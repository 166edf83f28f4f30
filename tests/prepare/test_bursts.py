"""Lone wrong readings are told from what a boat or an engine can do, at every rate.

The motions are invented; sizes of accelerations are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.channels import QualityFlag, trial_channels
from trialcapture.config import load_config
from trialcapture.prepare.channels.grid import (
    BURST,
    FailedReadings,
    failed_readings_of,
    find_bursts,
    find_stops,
    flag_channel,
    grid_times,
    sample_grid,
    spike_items,
)
from trialcapture.prepare.channels.series import column, series_schema

CONFIG = load_config('[[engine]]\nid = "main"\nrated_rpm = 2400\n')
CHANNELS = {c.name: c for c in trial_channels(CONFIG.engine_ids)}
SOG = BURST["sog_kn"]
RPM = BURST["rpm_main".removesuffix("_main")]
T0 = 1_790_000_000_000_000_000


def times(rate_hz: float, seconds: float) -> np.ndarray:
    return T0 + np.round(np.arange(0.0, seconds, 1.0 / rate_hz) * 1e9).astype(np.int64)


def speed(rate_hz: float, seconds: float = 300.0, noise_kn: float = 0.1) -> np.ndarray:
    rng = np.random.default_rng(round(rate_hz))
    return np.round(12.0 + noise_kn * rng.standard_normal(round(rate_hz * seconds)), 2)


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("readings", [1, 2, 3])
@pytest.mark.parametrize("size_kn", [6.0, -6.0])
def test_a_speed_that_jumps_for_up_to_three_readings_every_half_minute(
    rate_hz: float, readings: int, size_kn: float
) -> None:
    value = speed(rate_hz)
    wrong = np.zeros(value.size, dtype=bool)
    for k in range(readings):
        wrong[round(15 * rate_hz) + k :: round(30 * rate_hz)] = True
    value[wrong] += size_kn
    assert np.array_equal(find_bursts(times(rate_hz, 300.0), value, SOG), wrong)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("noise_kn", [0.02, 0.1, 0.3])
def test_what_a_boat_can_do_is_no_burst(rate_hz: float, noise_kn: float) -> None:
    t_s = np.arange(0.0, 300.0, 1.0 / rate_hz)
    rising = np.interp(t_s, [0, 60, 75, 150, 156, 300], [4.0, 4.0, 30.0, 30.0, 8.0, 8.0])
    slamming = 0.6 * np.sin(2 * np.pi * t_s / 2.4) * (t_s > 200)
    value = np.round(rising + slamming + noise_kn * np.random.default_rng(4).standard_normal(t_s.size), 1)
    assert not find_bursts(times(rate_hz, 300.0), value, SOG).any()


def test_a_step_that_stays_is_no_burst_and_neither_are_its_sides() -> None:
    value = np.where(np.arange(200) < 100, 7.0, 13.0)
    assert not find_bursts(times(5.0, 40.0), value, SOG).any()


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 5.0, 10.0])
def test_a_throttle_blip_is_no_burst(rate_hz: float) -> None:
    # a mark made with the throttle: up by 1200 rpm in half a second, down in one
    t_s = np.arange(0.03, 30.0, 1.0 / rate_hz)
    value = np.interp(
        t_s, [0, 10, 10.5, 10.9, 12, 14, 14.5, 14.9, 16], [600, 600, 1800, 1800, 600, 600, 1800, 1800, 600]
    )
    assert not find_bursts(T0 + np.round(t_s * 1e9).astype(np.int64), value, RPM).any()
    assert not find_stops(T0 + np.round(t_s * 1e9).astype(np.int64), value).any()


def test_an_engine_that_stands_still_for_one_reading_did_not() -> None:
    value = np.full(100, 700.0)
    value[::9] = 0.0
    assert np.array_equal(find_stops(times(2.0, 50.0), value)[1:-1], value[1:-1] == 0.0)
    stopped = np.where(np.arange(100) > 50, 0.0, 700.0)
    assert not find_stops(times(2.0, 50.0), stopped).any()


def test_a_heading_that_jumps_across_north_is_found_and_north_itself_is_not() -> None:
    value = np.array([358.0, 359.5, 1.0, 2.5, 1.5, 359.0] * 30)
    value[77] = 140.0
    found = find_bursts(times(5.0, 36.0), value, BURST["heading_true_deg"], angle=True)
    assert np.flatnonzero(found).tolist() == [77]


def test_readings_that_are_void_stay_void() -> None:
    value = speed(5.0)
    value[100], value[101] = np.nan, 40.0
    flags = flag_channel(value, CHANNELS["sog_kn"], times(5.0, 300.0))
    assert flags[100] == QualityFlag.MISSING
    assert flags[101] == QualityFlag.FAIL
    assert (np.delete(flags, [100, 101]) == QualityFlag.GOOD).all()


def on_grid(values: list[float], rate_hz: float) -> pa.Table:
    t_ns = times(rate_hz, len(values) / rate_hz)
    table = pa.table([t_ns, pa.array(values, pa.float64()), [False] * len(values)], schema=series_schema(["rpm_main"]))
    return sample_grid({"rpm_main": table}, grid_times(T0, int(t_ns[-1]), 10.0), CONFIG)


@pytest.mark.parametrize("impossible", [-5.0, 3600.0, 8191.0])
def test_rpm_that_cannot_be_costs_its_reading_only_and_is_counted(impossible: float) -> None:
    values = [900.0] * 200
    values[10::20] = [impossible] * 10
    samples = on_grid(values, 2.0)
    assert np.array_equal(column(samples, "rpm_main"), np.full(samples.num_rows, 900.0))
    assert failed_readings_of(samples) == [FailedReadings("rpm_main", "range", 10, impossible)]
    (item,) = spike_items(failed_readings_of(samples), {"rpm_main": ("bus/II RPM",)}, 0.03, CONFIG)
    assert (item.what, item.count, item.largest) == ("engine speed, engine main of bus/II", 10, impossible)


def test_rpm_up_to_the_declared_highest_stands() -> None:
    config = load_config('[[engine]]\nid = "main"\nrated_rpm = 2400\nhighest_rpm = 3700\n')
    assert config.engine[0].most_rpm == 3700.0
    assert CONFIG.engine[0].most_rpm == 3000.0


def test_a_wrong_reading_now_and_then_is_told_by_its_flag_alone() -> None:
    rankings = {"velocity": ("gps1/GP RMC",)}
    few, many = FailedReadings("sog_kn", "spike", 4, 7.1), FailedReadings("sog_kn", "spike", 1, -8.0)
    assert spike_items([few], rankings, 0.2, CONFIG) == []
    (item,) = spike_items([few, many], rankings, 0.2, CONFIG)
    assert (item.count, item.largest, item.unit) == (5, -8.0, "kn")
    assert spike_items([few, many], rankings, 8.0, CONFIG) == []


@pytest.mark.parametrize(
    ("reading", "beside", "is_stop"),
    [(340.0, 2000.0, True), (360.0, 2000.0, False), (270.0, 700.0, True), (290.0, 700.0, False)],
)
def test_an_engine_stands_still_below_350_rpm_and_two_fifths_of_its_speed(
    reading: float, beside: float, is_stop: bool
) -> None:
    value = np.full(21, beside)
    value[10] = reading
    assert find_stops(times(2.0, 10.5), value).tolist() == [False] * 10 + [is_stop] + [False] * 10


@pytest.mark.parametrize(("rate_hz", "is_stop"), [(1.0, True), (0.9, False)])
def test_a_reading_is_lone_where_its_neighbours_are_within_two_seconds(rate_hz: float, is_stop: bool) -> None:
    value = np.full(21, 2000.0)
    value[10] = 0.0
    assert bool(find_stops(times(rate_hz, 21 / rate_hz), value).any()) is is_stop
