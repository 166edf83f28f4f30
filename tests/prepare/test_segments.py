"""What a stretch says of itself: its depth, whatever single soundings were bad, and its engines by any name."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.channels import trial_channels
from trialcapture.config import load_config
from trialcapture.prepare.channels.engine_readings import slope_of_total
from trialcapture.prepare.channels.resolution import SLOPE_WINDOW_S, Resolution
from trialcapture.prepare.steady.segments import (
    CheckedStretches,
    TrimEntry,
    check_segments,
    depth_range,
    rows_of,
    segment_engines,
    silence_holes,
    with_session,
    with_trims,
)
from trialcapture.prepare.steady.setpoint_holds import Silence, Stretch

GRID_S = 0.1


def on_grid(soundings_m: np.ndarray, every_s: float) -> np.ndarray:
    """Return soundings on the grid of the samples, joined by straight lines as the grid joins them."""
    t = np.arange(round(soundings_m.size * every_s / GRID_S)) * GRID_S
    return np.interp(t, np.arange(soundings_m.size) * every_s, soundings_m)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 2.0])
@pytest.mark.parametrize("bad_m", [0.0, 1.5, 8.0, 210.0])
@pytest.mark.parametrize("at", [[10], [3, 14, 25, 36], [20, 21, 22], [0], [-1]])
def test_bad_soundings_make_no_water_shallow_and_none_deep(every_s: float, bad_m: float, at: list[int]) -> None:
    rng = np.random.default_rng(1)
    true_m = 32.0 + 0.5 * np.sin(np.arange(60) / 9.0)
    soundings = true_m + rng.normal(0.0, 0.08, true_m.size)
    soundings[at] = bad_m
    found = depth_range(on_grid(soundings, every_s), GRID_S)
    assert found is not None
    assert found == pytest.approx((true_m.min(), true_m.max()), abs=0.3)


def test_a_real_shoal_is_kept() -> None:
    depth = np.interp(np.arange(900) * GRID_S, [0.0, 30.0, 50.0, 90.0], [30.0, 28.0, 6.0, 5.0])
    assert depth_range(depth, GRID_S) == pytest.approx((5.0, 30.0), abs=0.5)
    ridge = 20.0 - 12.0 * np.exp(-(((np.arange(900) * GRID_S - 45.0) / 15.0) ** 2))
    assert depth_range(ridge, GRID_S) == pytest.approx((8.0, 20.0), abs=0.5)


def test_few_soundings_and_none() -> None:
    none = np.full(300, np.nan)
    assert depth_range(none, GRID_S) is None
    one = none.copy()
    one[155] = 12.0
    assert depth_range(one, GRID_S) == (12.0, 12.0)
    two = none.copy()
    two[100:120], two[200:220] = 12.0, 12.4
    assert depth_range(two, GRID_S) == pytest.approx((12.0, 12.4), abs=0.05)


ENGINES = '[[engine]]\nid = "port"\nrated_rpm = 2400\nidle_rpm = 600\n[[engine]]\nid = "stbd"\nrated_rpm = 2400\n'
ROWS = 600
FIRST_NS = 1_790_000_000 * 10**9


def segment_of(**channels: float) -> pa.Table:
    """Return the segments table of one accepted minute in which every channel given keeps one value."""
    engines = ("port", "stbd")
    columns = {
        c.name: pa.array(np.full(ROWS, channels[c.name])) if c.name in channels else pa.nulls(ROWS, pa.float64())
        for c in trial_channels(engines)
    }
    t = pa.array(FIRST_NS + np.arange(ROWS) * 10**8, pa.timestamp("ns", "UTC"))
    made = check_segments(
        rows_of(pa.table({"t": t} | columns)), FIRST_NS, [Stretch(0, ROWS, True, "")], load_config(ENGINES)
    )
    return made[0]


def row_of(**channels: float) -> dict[str, Any]:
    """Return the one row of that table."""
    row: dict[str, Any] = segment_of(**channels).to_pylist()[0]
    return row


@pytest.mark.parametrize(
    ("trims_pct", "noted_s", "setting", "expected"),
    [
        ((12.0, 12.0), [-60], "half", "12 %"),
        ((12.0, 20.0), [-60], "half", "12 % / 20 %"),
        (None, [-120, -60], "half", "noted at -60"),
        (None, [0], "half", "noted at 0"),
        (None, [1], "half", "half"),
        (None, [], "half", "half"),
        (None, [], "", None),
    ],
    ids=["recorded", "recorded unlike", "last note", "at the start", "after the start", "setting", "unknown"],
)
def test_the_trim_in_force_is_the_recorded_one_else_the_last_note_else_the_setting(
    trims_pct: tuple[float, float] | None, noted_s: list[int], setting: str, expected: str | None
) -> None:
    recorded = {} if trims_pct is None else {"trim_pct_port": trims_pct[0], "trim_pct_stbd": trims_pct[1]}
    config = load_config(f'[trial]\ntrim = "{setting}"\n{ENGINES}' if setting else ENGINES)
    trims = [TrimEntry(FIRST_NS + s * 10**9, f"noted at {s}") for s in noted_s]
    segment = segment_of(sog_kn=12.0, rpm_port=1800.0, rpm_stbd=1800.0, **recorded)
    named = with_trims(segment, trims, config)
    assert named["trim"].to_pylist() == [expected]
    assert named.drop(["trim"]).equals(segment.drop(["trim"]))
    assert named.schema.equals(segment.schema, check_metadata=True)


@pytest.mark.parametrize("current_kn", [2.1, 3.0, 5.5])
def test_lying_in_neutral_in_a_current_is_no_band_and_keeps_its_velocity(current_kn: float) -> None:
    drift = {"sog_kn": current_kn, "cog_true_deg": 250.0, "rpm_port": 600.0, "rpm_stbd": 610.0}
    for told in ({"heading_true_deg": 20.0}, {"heading_true_deg": 250.0, "stw_kn": 0.1}):
        row = row_of(**drift, **told)
        assert not row["accepted"]
        assert row["reason"].startswith("in neutral: ")
        assert row["sog_kn_mean"] == pytest.approx(current_kn)
        assert row["cog_true_deg_mean"] == pytest.approx(250.0)
    stopped = row_of(sog_kn=current_kn, cog_true_deg=90.0, heading_true_deg=90.0, rpm_port=0.0, rpm_stbd=0.0)
    assert stopped["reason"].startswith("in neutral: engines at 0 rpm")


def test_idling_ahead_is_a_band_also_across_a_current() -> None:
    ahead = {"sog_kn": 3.5, "heading_true_deg": 20.0, "rpm_port": 600.0, "rpm_stbd": 600.0}
    assert row_of(**ahead, cog_true_deg=22.0)["accepted"]
    assert row_of(**ahead, cog_true_deg=55.0, stw_kn=3.1)["accepted"]
    assert row_of(**{**ahead, "rpm_port": 0.0}, cog_true_deg=22.0)["accepted"]


def test_a_silence_that_cut_a_hold_is_told_with_its_time_and_its_cost() -> None:
    config = load_config(ENGINES)
    silence = Silence("rpm", 1, 250, 313)
    before = Stretch(10, 240, False, "rpm silent: 6.3 s", silence)
    (hole,) = silence_holes([before], FIRST_NS, config)
    assert (hole.start_ns, hole.stop_ns) == (FIRST_NS + 25_000_000_000, FIRST_NS + 31_300_000_000)
    assert hole.what == "rpm of engine stbd"
    assert hole.cost == "23 s of a hold not used: one leg"
    after = Stretch(320, 700, True, "", silence)
    (hole,) = silence_holes([before, after], FIRST_NS, config)
    assert hole.cost == "23 s of a hold not used"


def engine_rows(config_text: str, session_id: str, channels: dict[str, np.ndarray]) -> tuple[pa.Table, pa.Table]:
    """Return segments and segment engines, as written, of two accepted minutes of one boat."""
    config = load_config(config_text)
    columns = {
        c.name: pa.array(channels[c.name]) if c.name in channels else pa.nulls(2 * ROWS, pa.float64())
        for c in trial_channels(config.engine_ids)
    }
    t = pa.array(FIRST_NS + np.arange(2 * ROWS) * 10**8, pa.timestamp("ns", "UTC"))
    stretches = [Stretch(0, ROWS, True, ""), Stretch(ROWS, 2 * ROWS, True, "")]
    segments, _ = check_segments(rows_of(pa.table({"t": t} | columns)), FIRST_NS, stretches, config)
    return with_session(segments, session_id), segment_engines(segments, config.engine_ids, session_id)


def test_two_boats_with_engines_of_other_names_are_one_table() -> None:
    half = np.repeat([1.0, 2.0], ROWS)
    swing = np.tile([-3.0, 3.0], ROWS)  # standard deviation 3
    twin = {"sog_kn": 8.0 * half, "rpm_port": 1000.0 * half + swing, "rpm_stbd": 1010.0 * half}
    twin |= {"fuel_l_per_h_port": 20.0 * half, "coolant_c_stbd": 70.0 + half, "trim_pct_port": 10.0 * half}
    single = {"sog_kn": 6.0 * half, "rpm_main": 800.0 * half, "oil_bar_main": 3.0 * half, "boost_bar_main": 0.4 * half}
    boats = [
        engine_rows(ENGINES, "boat-a", twin),
        engine_rows('[[engine]]\nid = "main"\nrated_rpm = 1800\n', "boat-b", single | {"load_pct_main": 30.0 * half}),
    ]
    together = pa.concat_tables([by_engine for _, by_engine in boats])
    assert together.schema.names == [
        "session_id", "segment_id", "engine", "rpm_mean", "rpm_sd", "fuel_l_per_h", "load_pct", "coolant_c",
        "oil_bar", "boost_bar", "trim_pct",
    ]  # fmt: skip
    unit = {f.name: (f.metadata or {}).get(b"unit") for f in together.schema}
    assert (unit["rpm_sd"], unit["coolant_c"], unit["engine"]) == (b"rpm", b"degc", None)
    rows = {(r["session_id"], r["segment_id"], r["engine"]): r for r in together.to_pylist()}
    assert list(rows) == [
        ("boat-a", 1, "port"), ("boat-a", 1, "stbd"), ("boat-a", 2, "port"), ("boat-a", 2, "stbd"),
        ("boat-b", 1, "main"), ("boat-b", 2, "main"),
    ]  # fmt: skip
    port, stbd, main = rows["boat-a", 2, "port"], rows["boat-a", 2, "stbd"], rows["boat-b", 1, "main"]
    assert (port["rpm_mean"], port["rpm_sd"]) == pytest.approx((2000.0, 3.0))
    assert (port["fuel_l_per_h"], port["trim_pct"], port["coolant_c"]) == (40.0, 20.0, None)
    assert (stbd["rpm_mean"], stbd["coolant_c"], stbd["fuel_l_per_h"]) == (2020.0, 72.0, None)
    assert (main["load_pct"], main["oil_bar"], main["boost_bar"]) == pytest.approx((30.0, 3.0, 0.4))
    # the wide table keeps its columns by engine, and says whose it is
    segments = boats[0][0]
    assert segments.schema.names[:2] == ["session_id", "segment_id"]
    assert segments["session_id"].to_pylist() == ["boat-a", "boat-a"]
    assert segments["rpm_stbd_mean"].to_pylist() == [1010.0, 2020.0]


def test_a_trial_without_segments_has_a_table_of_engines_without_rows() -> None:
    config = load_config(ENGINES)
    columns = {c.name: pa.nulls(0, pa.float64()) for c in trial_channels(config.engine_ids)}
    segments, _ = check_segments(rows_of(pa.table(columns)), FIRST_NS, [], config)
    empty = segment_engines(segments, config.engine_ids, "boat-a")
    assert (empty.num_rows, empty.schema.names[:3]) == (0, ["session_id", "segment_id", "engine"])


@pytest.mark.parametrize("held_s", [30.0, 45.0, 90.0])
@pytest.mark.parametrize("after_l_per_h", [20.0, 80.0])
def test_the_fuel_of_a_hold_by_a_total_is_not_that_of_what_followed(held_s: float, after_l_per_h: float) -> None:
    """A total is differentiated over 30 s, and the throttle was moved 2 s after the stretch ends."""
    t_s = np.arange(round(200.0 / GRID_S)) * GRID_S
    start, stop = 60.0, 60.0 + held_s
    true = np.where(t_s < 55.0, 12.0, np.where(t_s < stop + 2.0, 40.0, after_l_per_h))
    total_l = np.cumsum(true) * GRID_S / 3600.0
    rate = slope_of_total(FIRST_NS + np.round(t_s * 1e9).astype(np.int64), total_l)
    config = load_config('[[engine]]\nid = "main"\nrated_rpm = 1800\n')
    channels = {"sog_kn": np.full(t_s.size, 9.0), "rpm_main": np.full(t_s.size, 1200.0), "fuel_l_per_h_main": rate}
    columns = {
        c.name: pa.array(channels[c.name]) if c.name in channels else pa.nulls(t_s.size, pa.float64())
        for c in trial_channels(config.engine_ids)
    }
    stretch = Stretch(round(start / GRID_S), round(stop / GRID_S), True, "")
    counted = Resolution("total", "l", counter_l=0.01, window_s=SLOPE_WINDOW_S)
    row = check_segments(
        rows_of(pa.table(columns)), FIRST_NS, [stretch], config, resolutions={"fuel_l_per_h_main": counted}
    )[0].to_pylist()[0]
    # 2 s of guard at the end, and the last reading of a window stands 15 s from its middle
    assert row["fuel_l_per_h_mean"] == pytest.approx(40.0, rel=0.002)
    assert row["fuel_l_per_h_main_mean"] == pytest.approx(40.0, rel=0.002)
    # the shorter what is left, the more the count matters: 0.01 l in 30 s at the most
    assert 0.0 < row["fuel_l_per_h_main_rounding_u"] < 0.9 * 0.01 / 30.0 * 3600.0


def test_rounding_of_a_total_is_as_wide_as_slopes_over_a_short_hold_scatter() -> None:
    """Over one window its slope is what a straight line through rounded readings is off by (by simulation)."""
    counted = Resolution("total", "l", counter_l=0.05, window_s=SLOPE_WINDOW_S)
    rng = np.random.default_rng(4)
    for held_s in (31.0, 40.0, 60.0, 120.0):
        off, stated = [], []
        for _ in range(60):
            rate, phase = rng.uniform(30.0, 50.0), rng.uniform(0.0, 0.05)
            t_s = np.arange(round(held_s)) * 1.0
            total = np.floor((phase + rate * t_s / 3600.0) / 0.05) * 0.05
            slope = slope_of_total(FIRST_NS + (t_s * 1e9).astype(np.int64), total)[15:-15]
            off.append(slope.mean() - rate)
            stated.append(counted.u_of_mean(slope, slope.size * 1.0, 0.0))
        assert np.mean(np.abs(off) < 2.0 * np.array(stated)) > 0.9
        assert np.median(stated) < 2.5 * np.std(off)


def test_stretches_checked_before_are_not_read_again_and_say_the_same() -> None:
    """While a trial is recorded stretches come one after another, and more distinct readings with them."""
    config, rng, rows = load_config(ENGINES), np.random.default_rng(8), 6 * ROWS
    walk = {"sog_kn": 18.0, "cog_true_deg": 40.0, "heading_true_deg": 41.0, "rpm_port": 2000.0, "rpm_stbd": 1990.0}
    columns: dict[str, Any] = {"t": pa.array(FIRST_NS + np.arange(rows) * 10**8, pa.timestamp("ns", "UTC"))}
    for c in trial_channels(("port", "stbd")):
        known = c.name in walk
        columns[c.name] = walk[c.name] + np.round(rng.normal(0.0, 0.1, rows), 2) if known else np.full(rows, np.nan)
    samples = pa.table({name: of if name == "t" else pa.array(of, from_pandas=True) for name, of in columns.items()})
    read_from: list[int] = []

    def read(start: int, stop: int, names: Any) -> pa.Table:
        read_from.append(start)
        return samples.slice(start, stop - start).select(list(names))

    stretches = [Stretch(n * ROWS, n * ROWS + 500 + 10 * n, n != 2, "" if n != 2 else "turning") for n in range(6)]
    checked = CheckedStretches()
    for count, levels in ((2, [1990.0, 2000.0]), (4, [1990.0, 2000.0]), (6, [1990.0, 1995.0, 2000.0])):
        finely = {"rpm_port": Resolution("rpm", "rpm", np.array(levels), 5.0)}
        told = check_segments(read, FIRST_NS, stretches[:count], config, resolutions=finely, checked=checked)
        plain = check_segments(rows_of(samples), FIRST_NS, stretches[:count], config, resolutions=finely)
        assert told[0].equals(plain[0])
        assert told[1] == plain[1]
    assert read_from == [0, 2 * ROWS, 4 * ROWS]
    # the last one went on and is read again, what is forgotten too
    checked.keep(stretches[:2])
    check_segments(read, FIRST_NS, [*stretches[:2], Stretch(5 * ROWS, rows, True, "")], config, checked=checked)
    assert read_from[3:] == [5 * ROWS]
