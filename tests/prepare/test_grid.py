"""The grid bridges short gaps only, joins angles through sine and cosine, and flags what it holds."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.channels import BOAT_CHANNELS, Channel, QualityFlag, trial_channels
from trialcapture.config import load_config
from trialcapture.prepare.channels.grid import (
    flag_channel,
    flag_range,
    flag_spike,
    grid_times,
    sample_grid,
    samples_schema,
    to_resolution,
    worst,
)
from trialcapture.prepare.channels.series import series_schema

CONFIG = load_config('[[engine]]\nid = "port"\nrated_rpm = 2500\n[[engine]]\nid = "stbd"\nrated_rpm = 2500\n')
CHANNELS = {c.name: c for c in BOAT_CHANNELS}
T0 = 1_790_000_000_000_000_000


def series(names: list[str], t_s: list[float], *values: list[float], fallback: list[bool] | None = None) -> pa.Table:
    columns = [pa.array([T0 + round(t * 1e9) for t in t_s], pa.int64())]
    columns += [pa.array(v, pa.float64()) for v in values]
    columns.append(pa.array(fallback or [False] * len(t_s)))
    return pa.table(columns, schema=series_schema(names))


def on_grid(group: str, table: pa.Table, seconds: float) -> pa.Table:
    return sample_grid({group: table}, grid_times(T0, T0 + round(seconds * 1e9), 10.0), CONFIG)


def test_a_gap_longer_than_the_limit_stays_empty_and_a_short_one_is_bridged() -> None:
    got = on_grid(
        "velocity", series(["sog_kn", "cog_true_deg"], [0, 1, 2, 10, 11], [5, 6, 7, 8, 9], [1, 1, 1, 1, 1]), 11
    )
    sog = np.asarray(got["sog_kn"].combine_chunks().to_numpy(zero_copy_only=False))
    assert sog[5] == pytest.approx(5.5)
    assert np.isnan(sog[25:100]).all()
    assert sog[110] == 9.0
    assert got["velocity_flag"][50].as_py() == QualityFlag.MISSING


def test_one_engines_rpm_is_never_held_for_ever() -> None:
    t = [float(i) for i in range(60)]
    got = on_grid("rpm_port", series(["rpm_port"], t, [1000.0 + i for i in range(60)]), 1200)
    known = got.num_rows - got["rpm_port"].null_count
    assert 590 <= known <= 591
    assert got["rpm_stbd"].null_count == got.num_rows
    age_s = got["rpm_port_age_s"].to_pylist()
    assert max(a for a in age_s if a is not None) == pytest.approx(10.0)  # twice the gap and five seconds
    assert age_s[-1] is None


@given(
    ms=st.lists(st.integers(-20_000, 80_000) | st.integers(-20, 80).map(lambda n: n * 100), unique=True, max_size=60),
    void=st.sets(st.integers(0, 59)),
)
@settings(max_examples=150, deadline=None)
def test_each_instant_is_joined_from_the_readings_on_both_its_sides(ms: list[int], void: set[int]) -> None:
    """Against the definition, instant by instant; the grid itself finds the readings by arithmetic."""
    ms.sort()
    # no three of them stand out by what makes a burst, whichever are void
    speed = [None if i in void else 5.0 + 0.2 * (i % 7) for i in range(len(ms))]
    table = series(["sog_kn", "cog_true_deg"], [m / 1000 for m in ms], speed, [10.0] * len(ms))
    got = on_grid("velocity", table, 60)
    known = [(m, v) for m, v in zip(ms, speed, strict=True) if v is not None]
    for i in range(0, 601, 7):
        at = 100 * i
        past, coming = [k for k in known if k[0] <= at], [k for k in known if k[0] >= at]
        expected = None
        if past and coming and coming[0][0] - past[-1][0] <= 3000:
            (a, low), (b, high) = past[-1], coming[0]
            expected = pytest.approx(low if a == b else low + (high - low) * (at - a) / (b - a), abs=0.0006)
        assert got["sog_kn"][i].as_py() == expected
        age = min((at - m for m in ms if m <= at), default=None)
        assert got["velocity_age_s"][i].as_py() == (
            None if age is None or age > 11_000 else pytest.approx(age / 1000, abs=0.0051)
        )


@given(a=st.floats(0, 359.9), turn=st.floats(-170, 170))
@settings(max_examples=60, deadline=None)
def test_angles_are_joined_the_short_way_round(a: float, turn: float) -> None:
    b = (a + turn) % 360.0
    got = on_grid("heading", series(["heading_true_deg"], [0, 1], [a, b]), 1)
    middle = got["heading_true_deg"][5].as_py()
    assert 0.0 <= middle < 360.0
    assert (middle - (a + turn / 2) + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.0005 + 1e-6)


def test_opposite_angles_have_nothing_between_them() -> None:
    got = on_grid("heading", series(["heading_true_deg"], [0, 1], [0.0, 180.0]), 1)
    assert got["heading_true_deg"][5].as_py() is None


def test_a_fallback_reading_is_flagged_suspect() -> None:
    table = series(["sog_kn", "cog_true_deg"], [0, 1, 2], [5, 5, 5], [1, 1, 1], fallback=[False, True, False])
    flags = on_grid("velocity", table, 2)["velocity_flag"].to_pylist()
    assert flags[5] == QualityFlag.GOOD
    assert flags[15] == QualityFlag.SUSPECT


def test_readings_stand_bit_for_bit_where_the_grid_meets_them() -> None:
    readings = [float(f"{n}.{n * 37 % 1000:03d}") for n in range(2000)]
    got = on_grid("depth", series(["depth_m"], [n / 10 for n in range(2000)], readings), 199.9)
    assert got["depth_m"].to_pylist() == readings


def test_values_on_the_grid_have_the_decimals_of_their_channel() -> None:
    got = on_grid("depth", series(["depth_m"], [0, 0.3], [1.0, 2.00049]), 0.3)
    assert got["depth_m"].to_pylist() == [1.0, 1.333, 1.667, 2.0]
    got = on_grid("position", series(["lat_deg", "lon_deg"], [0], [48 + 18.75123 / 60], [-7 - 54.32101 / 60]), 0)
    assert got["lat_deg"].to_pylist() == [48.3125205]
    assert got["lon_deg"].to_pylist() == [-7.90535017]


def test_what_rounds_up_to_a_whole_turn_is_north() -> None:
    heading = CHANNELS["heading_true_deg"]
    got = to_resolution(np.array([359.9994, 359.99951, 360.0, 0.0004, np.nan]), heading)
    assert got[:4].tolist() == [359.999, 0.0, 360.0, 0.0]
    assert np.isnan(got[4])
    assert to_resolution(np.array([179.9999999999]), CHANNELS["lon_deg"]).tolist() == [180.0]


@pytest.mark.parametrize("channel", trial_channels(["port"]), ids=lambda c: c.name)
def test_every_resolution_is_a_power_of_ten_that_keeps_decimal_readings(channel: Channel) -> None:
    assert channel.resolution == float(f"1e-{channel.decimals}")
    readings = [float(f"{n}e-{channel.decimals}") for n in range(1, 10**6, 977)]
    assert to_resolution(np.array(readings), channel).tolist() == readings


def test_an_empty_session_has_the_whole_schema_and_every_unit() -> None:
    schema = samples_schema(CONFIG)
    assert sample_grid({}, grid_times(T0, T0 + 10**9, 10.0), CONFIG).schema.equals(schema)
    for field in schema:
        assert b"unit" in field.metadata
    assert {"rpm_port", "fuel_l_per_h_stbd", "trim_pct_port", "rpm_port_flag", "engine_stbd_age_s"} <= set(schema.names)


def test_out_of_range_fails_and_void_is_missing() -> None:
    flags = flag_range(np.array([5.0, -1.0, 81.0, np.nan]), CHANNELS["sog_kn"])
    assert flags.tolist() == [QualityFlag.GOOD, QualityFlag.FAIL, QualityFlag.FAIL, QualityFlag.MISSING]


def test_a_spike_is_flagged_and_its_neighbours_are_not() -> None:
    """Differential spike test; the same vector and flags as the ioos_qc library's own test of it (QARTOD test 6)."""
    data = np.array([3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, np.nan, 4, 4])
    got = flag_spike(data, 0.5, 1.0).tolist()
    # ours looks across a void instead of refusing to evaluate beside it; everywhere else the flags are equal
    expected = [2, 1, 1, 1, 4, 1, 1, 3, 1, 1, 3, 1, 1, 4, 2, 9, 2, 2]
    assert [g for i, g in enumerate(got) if i not in (14, 16)] == [
        e for i, e in enumerate(expected) if i not in (14, 16)
    ]


def test_heading_across_north_is_no_spike() -> None:
    flags = flag_channel(np.array([359.0, 1.0, 359.0, 0.0, 358.0]), CHANNELS["heading_true_deg"])
    assert set(flags.tolist()) == {QualityFlag.GOOD}


def test_the_worst_of_several_flags_wins_in_qartod_order() -> None:
    """Precedence 9 < 2 < 1 < 3 < 4 (QARTOD manuals; vector of the ioos_qc library's qartod_compare test)."""
    rows = [[1, 1, 1, 9, 1, 1, 9, 9], [2, 1, 1, 1, 1, 1, 9, 9], [1, 3, 3, 4, 3, 1, 2, 9]]
    assert worst(*(np.array(r, dtype=np.uint8) for r in rows)).tolist() == [1, 3, 3, 4, 3, 1, 2, 9]
