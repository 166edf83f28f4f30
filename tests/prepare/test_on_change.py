"""Channels published on change: recognised, held with their age, and never taken for silent or stuck ones."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.channels import QualityFlag
from trialcapture.config import load_config
from trialcapture.prepare.channels.grid import grid_times, sample_window
from trialcapture.prepare.channels.series import (
    HOLD_MOST_S,
    Candidate,
    OnChange,
    find_contradicted,
    find_deadband,
    find_rows_on_change,
    held_rows,
)

S = 1_000_000_000
T0 = 1_790_000_000 * S
RNG = np.random.default_rng(3)
RPM = np.concatenate([np.full(120, 900.0), np.linspace(900.0, 2000.0, 15), np.full(150, 2003.0),
                      np.linspace(2000.0, 3000.0, 12), np.full(150, 3004.0)])  # fmt: skip
T_NS = T0 + np.arange(RPM.size) * S
CONFIG = load_config('[[engine]]\nid = "main"\nrated_rpm = 3500\n')


def on_change(values: np.ndarray) -> np.ndarray:
    """Return values with every one that is as the one before left out."""
    return np.where(np.diff(values, prepend=np.nan) == 0.0, np.nan, values)


def noisy(spread: float) -> np.ndarray:
    return RPM + spread * np.random.default_rng(3).standard_normal(RPM.size)


def test_what_is_published_on_change_is_told_by_its_smallest_change() -> None:
    for count in (10.0, 50.0):
        shown = on_change(np.rint(noisy(2.0) / count) * count)
        assert find_deadband(T_NS, shown, 2.5) == pytest.approx(count)


def test_a_deadband_without_rounding_is_told_too() -> None:
    told, last = np.full(RPM.size, np.nan), np.nan
    for i, value in enumerate(noisy(4.0)):
        if not abs(value - last) < 8.0:
            told[i] = last = round(value, 2)
    assert 8.0 <= find_deadband(T_NS, told, 2.5) <= 12.0


@pytest.mark.parametrize("spread", [0.0, 0.3, 2.0, 10.0])
@pytest.mark.parametrize("count", [0.01, 1.0, 10.0])
def test_a_channel_that_was_read_all_the_time_and_lost_now_and_then_is_not_one(spread: float, count: float) -> None:
    shown = np.rint(noisy(spread) / count) * count
    lost = RNG.random(shown.size) < 0.3
    lost[200:260] = True
    assert find_deadband(T_NS, np.where(lost, np.nan, shown), 2.5) == 0.0


def test_a_stuck_channel_and_a_slow_one_are_not_ones() -> None:
    stuck = np.rint(noisy(2.0) / 10.0) * 10.0
    stuck[150:] = stuck[150]
    assert find_deadband(T_NS, stuck, 2.5) == 0.0
    slow = np.where(np.arange(RPM.size) % 10 == 0, np.round(noisy(2.0), 2), np.nan)
    assert find_deadband(T_NS, slow, 2.5) == 0.0


def test_a_reading_is_held_with_its_age_but_not_across_a_pause_of_the_logger_nor_for_ever() -> None:
    t_ns = T0 + np.concatenate([np.arange(60), np.arange(120, 1200)]) * S
    values = np.full(t_ns.size, np.nan)
    values[[0, 90]] = 1000.0, 2000.0
    held, age_ns = held_rows(t_ns, values, t_ns)
    assert np.all(held[:60] == 1000.0)
    assert age_ns[59] == 59 * S
    assert not np.isfinite(held[60:90]).any()
    kept = np.flatnonzero(held == 2000.0)
    assert (t_ns[kept[-1]] - t_ns[90]) / 1e9 == HOLD_MOST_S
    assert not np.isfinite(held[kept[-1] + 1 :]).any()


def rows_of(rpm: np.ndarray, fuel: np.ndarray, kept: np.ndarray) -> pa.Table:
    return pa.table({"t_log_ns": T_NS[kept], "rpm_main": rpm[kept], "fuel_l_per_h_main": fuel[kept]})


def test_rows_written_on_change_are_told_from_rows_written_always_and_silences_from_pauses() -> None:
    rpm = np.rint(noisy(2.0) / 10.0) * 10.0
    fuel = np.rint(2.0 * (RPM / 500.0 + 0.1 * RNG.standard_normal(RPM.size))) / 2.0
    changed = np.append(True, (np.diff(rpm) != 0.0) | (np.diff(fuel) != 0.0))
    always = np.ones(RPM.size, dtype=bool)
    always[200:260] = False
    names = ["rpm_main", "fuel_l_per_h_main"]
    assert find_rows_on_change(rows_of(rpm, fuel, always), names, 2.5) is None
    fine = RPM + RNG.standard_normal(RPM.size)
    assert find_rows_on_change(rows_of(fine, fuel, always), names, 2.5) is None
    paused = changed.copy()
    paused[100:150] = False
    rows = rows_of(rpm, fuel, paused)
    how = find_rows_on_change(rows, names, 2.5)
    assert how is not None
    assert how.smallest == pytest.approx({"rpm_main": 10.0, "fuel_l_per_h_main": 0.5})
    t_ns = T_NS[paused]
    filled = np.union1d(t_ns, how.silences(t_ns, {n: np.asarray(rows[n]) for n in names}))
    # the engine ran up while the logger was off: that is no silence of a logger at work
    missing = np.setdiff1d(T_NS, filled)
    assert missing.size >= 40
    assert np.isin(missing, T_NS[90:155]).mean() > 0.8


def window(rpm: np.ndarray, grid_ns: np.ndarray, sog: np.ndarray | None = None, gone: slice = slice(0, 0)) -> dict:
    """Return the samples of one window of a network on which only rpm is published on change."""
    known = np.isfinite(rpm)
    alive = np.ones(RPM.size, dtype=bool)
    alive[gone] = False
    speed = RPM / 100.0 if sog is None else sog
    candidates = {
        "rpm_main": [Candidate("bus/II RPM", T_NS[known & alive], {"rpm_main": rpm[known & alive]}, 0)],
        "velocity": [
            Candidate("bus/GP RMC", T_NS[alive], {"sog_kn": speed[alive], "cog_true_deg": 0.0 * speed[alive]}, 0)
        ],
    }
    rankings = dict.fromkeys(("position", "heading", "stw", "depth", "wind_apparent", "water_temp", "attitude"), ())
    rankings |= {"wind_true": ("none",), "rpm_main": ("bus/II RPM",), "velocity": ("bus/GP RMC",)}
    table = sample_window(candidates, rankings, grid_ns, CONFIG, OnChange(sources={"rpm_main": {"bus/II RPM": 10.0}}))
    return {n: np.asarray(table[n].to_numpy(zero_copy_only=False), dtype=float) for n in
            ("rpm_main", "rpm_main_age_s", "rpm_main_flag")}  # fmt: skip


def test_windows_hold_the_same_wherever_they_are_cut_and_flag_what_is_held() -> None:
    rpm = on_change(np.rint(RPM / 10.0) * 10.0)
    grid_ns = grid_times(int(T_NS[0]), int(T_NS[-1]), 10.0)
    whole = window(rpm, grid_ns)
    inside = slice(1500, 2700)
    assert np.all(whole["rpm_main"][inside] == 2000.0)
    assert whole["rpm_main_age_s"][2600] == pytest.approx(260.0 - 134.0, abs=3.0)
    assert set(whole["rpm_main_flag"][1700:2700]) == {float(QualityFlag.SUSPECT)}
    for cut in (900, 2000, 3100):
        parts = [window(rpm, grid_ns[:cut]), window(rpm, grid_ns[cut:])]
        for name, values in whole.items():
            np.testing.assert_array_equal(np.concatenate([p[name] for p in parts]), values)


def test_a_silence_of_the_whole_wire_is_no_steady_engine() -> None:
    rpm = on_change(np.rint(RPM / 10.0) * 10.0)
    grid_ns = grid_times(int(T_NS[0]), int(T_NS[-1]), 10.0)
    lost = window(rpm, grid_ns, gone=slice(170, 260))["rpm_main"]
    assert np.isfinite(lost[1400:1690]).all()
    assert not np.isfinite(lost[1750:2590]).any()


def test_a_held_reading_ends_where_the_speed_says_that_it_changed() -> None:
    grid_ns = T0 + np.arange(0, 400 * S, S // 10)
    speed_ns = T0 + np.arange(400) * S
    speed = np.where(np.arange(400) < 250, 20.0, 8.0)
    wrong = find_contradicted(grid_ns, grid_ns - T0, speed_ns, speed, 2.5)
    assert not wrong[:2500].any()
    assert wrong[2500:].all()
    settling = 20.0 - 12.0 * np.exp(-np.arange(400) / 20.0)
    assert not find_contradicted(grid_ns, grid_ns - T0, speed_ns, settling, 2.5).any()


def test_what_is_held_is_suspect_from_the_longest_gap_on() -> None:
    """2.5 s for rpm: as long as any other reading may be bridged, a held one is as good."""
    made = window(on_change(np.rint(RPM / 10.0) * 10.0), grid_times(int(T_NS[0]), int(T_NS[-1]), 10.0))
    age, flag = made["rpm_main_age_s"], made["rpm_main_flag"]
    held = np.isfinite(made["rpm_main"]) & (age > 1.0)
    assert np.sum(held & (age <= 2.5)) > 10
    assert np.sum(held & (age > 2.5) & (age < 3.7)) > 10
    assert set(flag[held & (age <= 2.5)]) == {float(QualityFlag.GOOD)}
    assert set(flag[held & (age > 2.5)]) == {float(QualityFlag.SUSPECT)}


def test_a_log_that_loses_rows_though_nothing_changed_is_not_one_on_change() -> None:
    rpm = np.rint(RPM / 10.0) * 10.0
    fuel = np.rint(RPM / 100.0)
    kept = np.arange(RPM.size) % 20 < 16
    assert find_rows_on_change(rows_of(rpm, fuel, kept), ["rpm_main", "fuel_l_per_h_main"], 2.5) is None
