"""Top speed, economy, range, regime, planing threshold, and what the engines tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.segment_builder import (
    PLANING_STEPS,
    T0_NS,
    Leg,
    build_segments,
    no_clocks,
    planing_fuel,
    reciprocal_legs,
    steady_current,
)
from trialcapture.config import Calibration, Config, Fuel, load_config
from trialcapture.measure.planing import find_hump, find_regimes, find_slow_runs
from trialcapture.measure.steady_bands import rated_statement
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.engine_checks import (
    bias_of_highest,
    check_rated_rpm,
    economy_nm_per_l,
    find_best_economy,
    plausibility_lines,
    split_pct,
    usable_fuel_l,
)
from trialcapture.reduce.runs import select_legs
from trialcapture.reduce.summary import Findings, FuelCheck, RatedRpmCheck

CONFIG = """
[boat]
name = "Invented"
length_m = 14.2
lightship_kg = 14000
[fuel]
capacity_l = 1800
reserve_fraction = 0.2
usable_fraction = 0.95
[[engine]]
id = "port"
rated_rpm = 3500
[[engine]]
id = "stbd"
rated_rpm = 3500
"""


def summarise(legs: list[Leg], text: str = CONFIG, samples: pa.Table | None = None) -> tuple[pa.Table, Findings]:
    segments = build_segments(legs, steady_current(0.8, 40.0))
    bands, _, summary = measure_trial(segments, load_config(text), clocks=no_clocks(), samples=samples, session_id="t")
    return bands, summary


def test_range_is_economy_times_what_is_left_after_reserve() -> None:
    bands, summary = summarise(reciprocal_legs(PLANING_STEPS, fuel=planing_fuel))
    usable = 1800 * 0.95 * 0.8
    assert summary.fuel.usable_after_reserve_l == pytest.approx(usable)
    for row in bands.to_pylist():
        assert row["range_nm"] == pytest.approx(usable * row["economy_nm_per_l"])
        assert row["economy_nm_per_l"] == pytest.approx(row["speed_kn"] / row["fuel_l_per_h"])
        parts = row["speed_u_kn"] / row["speed_kn"], row["fuel_u_l_per_h"] / row["fuel_l_per_h"]
        # runs that were slow burnt more: what scatters the two against each other counts more than in quadrature
        # (GUM 5.2.2), and never more than both in full; a wrong tachometer moves both alike, and counts little
        relative = row["economy_u_nm_per_l"] / row["economy_nm_per_l"]
        assert 0.99 * np.hypot(*parts) <= relative <= sum(parts)


def test_a_meter_that_shows_no_flow_gives_no_economy() -> None:
    economy = economy_nm_per_l(np.array([20.0, 20.0, 20.0, 0.0]), np.array([80.0, 0.0, np.nan, 0.0]))
    assert economy[0] == pytest.approx(0.25)
    assert np.isnan(economy[1:]).all()


def test_no_capacity_no_range() -> None:
    bands, summary = summarise(
        reciprocal_legs(PLANING_STEPS, fuel=planing_fuel), CONFIG.replace("capacity_l = 1800", "")
    )
    assert bands["range_nm"].to_pylist() == [None] * 7
    assert bands["economy_nm_per_l"].null_count == 0
    assert "capacity-unknown" in {w.code for w in summary.warnings}


def test_a_calibration_factor_is_applied_and_named() -> None:
    legs = reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)
    text = CONFIG.replace(
        "[[engine]]", '[fuel.calibration]\nfactor = 1.04\norigin = "tank to tank"\nu_pct = 0.5\n[[engine]]', 1
    )
    plain, uncalibrated = summarise(legs)
    bands, summary = summarise(legs, text)
    assert bands["fuel_l_per_h"].to_pylist() == pytest.approx([1.04 * f for f in plain["fuel_l_per_h"].to_pylist()])
    assert summary.fuel.calibration == FuelCheck(factor=1.04, origin="tank to tank", u_pct=0.5)
    assert bands["fuel_u_l_per_h"][3].as_py() < plain["fuel_u_l_per_h"][3].as_py()
    assert "fuel-uncalibrated" in {w.code for w in uncalibrated.warnings}
    assert "fuel-uncalibrated" not in {w.code for w in summary.warnings}


def test_best_economy_is_a_measured_band_and_its_flat_interval_stays_inside_the_bands() -> None:
    speed = np.array([18.0, 20.0, 22.0, 24.0, 26.0])
    economy = np.array([0.45, 0.50, 0.515, 0.505, 0.46])
    found = find_best_economy(speed, economy, np.ones(5, dtype=np.bool_))
    assert found is not None
    assert found.band == 2
    assert 19.0 < found.flat_from_kn < 20.5
    assert 24.0 < found.flat_to_kn < 25.0
    assert not found.at_edge
    edge = find_best_economy(speed[:3], economy[:3], np.ones(3, dtype=np.bool_))
    assert edge is not None
    assert edge.flat_to_kn == 22.0
    assert edge.at_edge


CURVES_PCT = {
    "flat": (0.0,) * 4,
    "flat and long": (0.0,) * 8,
    "nearly flat": (-1.5, -0.7, -0.2, 0.0, -0.3, -0.8, -1.6),
    "peaked": (-22.0, -10.0, -3.0, 0.0, -4.0, -12.0),
    "two equal peaks": (-6.0, -2.0, 0.0, -2.0, -6.0, -8.0, -4.0, 0.0, -2.0, -6.0),
    "two unequal peaks": (-6.0, -2.0, 0.0, -2.0, -6.0, -8.0, -4.0, -0.5, -2.0, -6.0),
    "a second peak just below": (-6.0, -2.0, 0.0, -2.0, -6.0, -8.0, -4.0, -1.5, -2.0, -6.0),
    "alone": (0.0,),
}
"""Economy of the bands, in percent of the best."""


@pytest.mark.parametrize("noise_pct", [0.7, 1.2])
@pytest.mark.parametrize("curve", CURVES_PCT)
def test_the_best_of_many_is_right_within_its_uncertainty(curve: str, noise_pct: float) -> None:
    rng = np.random.default_rng(7)
    true = 100.0 + np.array(CURVES_PCT[curve])
    u = np.full(true.size, noise_pct)
    raw, corrected, inside = [], [], []
    for _ in range(3000):
        seen = true + rng.normal(0.0, u)
        best = int(np.argmax(seen))
        bias = bias_of_highest(seen, u)
        raw.append(seen[best] - true[best])
        corrected.append(seen[best] - bias - true[best])
        inside.append(abs(corrected[-1]) <= 2.0 * np.hypot(noise_pct, bias / np.sqrt(3.0)))
    assert 0.92 <= np.mean(inside) <= 0.98
    # at least three fifths of what is too high are taken off
    assert abs(np.mean(corrected)) <= max(0.4 * np.mean(raw), 0.15 * noise_pct)


def test_the_bias_of_the_highest_of_two_equal_values_is_that_of_theory() -> None:
    # mean of the larger of two normal values: u / sqrt(pi) (Clark 1961, Operations Research 9:145; from memory)
    assert bias_of_highest(np.array([3.0, 3.0]), np.array([0.2, 0.2])) == pytest.approx(0.2 / np.sqrt(np.pi), rel=1e-3)
    # and of unequal ones sqrt(u1^2 + u2^2) phi(apart / that): the error of the chosen one, by the same source
    apart, both = 0.3, float(np.hypot(0.2, 0.4))
    density = np.exp(-0.5 * (apart / both) ** 2) / np.sqrt(2.0 * np.pi)
    assert bias_of_highest(np.array([3.3, 3.0]), np.array([0.2, 0.4])) == pytest.approx(both * density, rel=2e-3)


def test_a_value_that_stands_out_has_no_bias() -> None:
    assert bias_of_highest(np.array([3.0, 5.0, 2.0]), np.array([0.1, 0.1, 0.1])) == pytest.approx(0.0, abs=1e-9)
    assert bias_of_highest(np.array([3.0]), np.array([0.1])) == pytest.approx(0.0, abs=1e-12)
    assert bias_of_highest(np.array([3.0, 3.0]), np.zeros(2)) == pytest.approx(0.0, abs=1e-9)


def test_at_the_edge_means_the_slowest_or_fastest_speed_that_was_run() -> None:
    # faster and slower bands were run without fuel figures: the best is not the slowest speed run
    speed = np.array([14.0, 17.0, 20.0, 23.0])
    economy = np.array([np.nan, 0.52, 0.50, np.nan])
    assert not find_best_economy(speed, economy, np.ones(4, dtype=np.bool_)).at_edge
    assert find_best_economy(speed, economy, np.array([False, True, True, True])).at_edge
    assert find_best_economy(speed[1:3], economy[1:3], np.ones(2, dtype=np.bool_)).at_edge


def test_the_answer_is_the_row_less_what_the_choice_makes_of_noise() -> None:
    bands, summary = summarise(reciprocal_legs(PLANING_STEPS, fuel=planing_fuel))
    best = summary.economy_planing
    row = next(r for r in bands.to_pylist() if r["band_rpm"] == best.band_rpm)
    assert best.economy_nm_per_l + best.corrected_by_nm_per_l == pytest.approx(row["economy_nm_per_l"])
    assert best.corrected_by_nm_per_l >= 0.0
    assert best.economy_u_nm_per_l == pytest.approx(
        np.hypot(row["economy_u_nm_per_l"], best.corrected_by_nm_per_l / np.sqrt(3.0))
    )
    share = best.economy_nm_per_l / row["economy_nm_per_l"]
    assert best.range_nm == pytest.approx(row["range_nm"] * share)


@given(st.lists(st.tuples(st.floats(3, 50), st.floats(0.05, 5)), min_size=1, max_size=12))
def test_the_flat_interval_holds_the_best_band_and_never_leaves_the_bands(points: list[tuple[float, float]]) -> None:
    speed, economy = np.array(points).T
    found = find_best_economy(speed, economy, np.ones(speed.size, dtype=np.bool_))
    assert found is not None
    assert speed.min() <= found.flat_from_kn <= speed[found.band] <= found.flat_to_kn <= speed.max()


def test_nothing_usable_has_no_best_economy() -> None:
    assert find_best_economy(np.array([5.0]), np.array([np.nan]), np.array([True])) is None
    assert usable_fuel_l(Fuel()) is None


def test_displacement_and_planing_have_their_own_answers() -> None:
    _, summary = summarise(reciprocal_legs(PLANING_STEPS, fuel=planing_fuel))
    regimes = [r.regime for r in summary.regimes.bands]
    assert regimes == ["displacement"] * 2 + ["between"] + ["planing"] * 4
    # 14 t in sea water of 15 C at 6.4 kn, and the same by length (definitions)
    slowest, fastest = summary.regimes.bands[0], summary.regimes.bands[-1]
    assert slowest.volumetric_froude == pytest.approx(
        6.4 * 1852 / 3600 / np.sqrt(9.80665 * 13.6456 ** (1 / 3)), rel=1e-3
    )
    assert fastest.length_froude == pytest.approx(29.1 * 1852 / 3600 / np.sqrt(9.80665 * 14.2), rel=1e-3)
    assert summary.economy_displacement.band_rpm == 1000.0
    assert summary.economy_planing.band_rpm == 2400.0
    slow_boat = CONFIG.replace('name = "Invented"', 'name = "Invented"\nplaning = false')
    _, summary = summarise(reciprocal_legs(PLANING_STEPS[:2], fuel=planing_fuel), slow_boat)
    assert summary.economy_planing is None
    assert summary.economy_displacement.speed_kn == pytest.approx(6.4, abs=0.02)


def test_the_hump_is_where_speed_per_revolution_is_least() -> None:
    rpm, speed = np.array(PLANING_STEPS).T
    assert find_hump(rpm, speed) == 1 + int(np.argmin(speed[1:] / rpm[1:]))
    assert find_hump(rpm[:3], speed[:3]) is None
    assert find_hump(rpm, 0.006 * rpm) is None


def test_without_displacement_the_curve_or_the_length_decides_and_else_nothing_is_claimed() -> None:
    rpm, speed = np.array(PLANING_STEPS).T
    by_curve, judged = find_regimes(rpm, speed, planing_hull=True, volume_m3=None, length_m=None)
    assert judged == "the hump of speed against rpm"
    assert by_curve[0] == "displacement"
    assert by_curve[-1] == "planing"
    fast = np.array([24.0, 27.0]), np.array([3000.0, 3300.0])
    assert find_regimes(fast[1], fast[0], planing_hull=True, volume_m3=None, length_m=12.0)[0] == ["planing"] * 2
    assert find_regimes(fast[1], fast[0], planing_hull=True, volume_m3=None, length_m=None)[0] == ["unknown"] * 2


def test_from_the_planing_speed_of_a_slow_run_on_a_band_planes_however_slow() -> None:
    # 24 t in sea water: 14 kn is volumetric Froude number 1.36, 17.1 kn is 1.66 (definition)
    speed, rpm = np.array([7.0, 12.0, 14.0, 17.1, 21.0]), np.array([1000.0, 1500.0, 1700.0, 1900.0, 2200.0])
    known = {"planing_hull": True, "volume_m3": 23.4, "length_m": 16.8}
    by_number, _ = find_regimes(rpm, speed, **known)
    assert by_number == ["displacement", "between", "between", "planing", "planing"]
    by_run, judged = find_regimes(rpm, speed, **known, threshold_kn=12.9)
    assert by_run == ["displacement", "between", "planing", "planing", "planing"]
    assert judged == "the slowest planing speed of the slow runs and volumetric Froude number"
    # and a band that the number calls planing does not plane below it
    assert find_regimes(rpm, speed, **known, threshold_kn=18.0)[0][3:] == ["between", "planing"]
    without = find_regimes(rpm, speed, planing_hull=True, volume_m3=None, length_m=None, threshold_kn=12.9)[0]
    assert without == ["between", "between", "planing", "planing", "planing"]


def test_past_the_hump_of_the_bands_a_band_planes_however_slow() -> None:
    # speed per 1000 rpm: 7.0, 6.6, 6.0, 7.0, 8.0: the hump is at the third band, volumetric Froude number 1.17
    rpm = np.array([900.0, 1400.0, 2000.0, 2100.0, 2200.0])
    speed = rpm / 1000.0 * np.array([7.0, 6.6, 6.0, 7.0, 8.0])
    regimes, judged = find_regimes(rpm, speed, planing_hull=True, volume_m3=23.4, length_m=None)
    assert judged == "the hump of speed against rpm and volumetric Froude number"
    assert regimes == ["displacement", "displacement", "between", "planing", "planing"]
    # where no hull has its hump, the curve shows none
    light = find_regimes(rpm, speed, planing_hull=True, volume_m3=0.02, length_m=None)
    assert light == (["planing"] * 5, "volumetric Froude number")


def test_a_better_band_between_displacing_and_planing_is_told_beside_the_best_on_the_plane() -> None:
    def thrifty(rpm: float) -> float:
        return planing_fuel(rpm) * (0.4 if rpm == PLANING_STEPS[2][0] else 1.0)

    _, summary = summarise(reciprocal_legs(PLANING_STEPS, fuel=thrifty))
    assert [r.regime for r in summary.regimes.bands][2] == "between"
    assert summary.economy_between.band_rpm == PLANING_STEPS[2][0]
    assert summary.economy_between.economy_nm_per_l > summary.economy_planing.economy_nm_per_l


@pytest.mark.parametrize(
    ("rpm", "said"),
    [
        ({"port": 3480.0}, "port 3480 rpm, 99.4 % of rated 3500"),
        ({"port": 3465.0}, "port 3465 rpm, 99.0 % of rated 3500"),
        ({"port": 3464.0}, "rated rpm not reached: port 3464 rpm, 99.0 % of rated 3500"),
        ({"port": float("nan"), "stbd": 3550.0}, "stbd 3550 rpm, 101.4 % of rated 3500"),
        ({}, ""),
    ],
)
def test_what_is_said_of_rated_rpm_beside_the_top_speed(rpm: dict[str, float], said: str) -> None:
    assert rated_statement(rpm, load_config(CONFIG)) == said


def test_the_top_speed_tells_the_rated_rpm_of_its_own_runs() -> None:
    _, summary = summarise(reciprocal_legs(PLANING_STEPS))
    assert summary.top_speed.rated == "port 3500 rpm, 100.0 % of rated 3500; stbd 3500 rpm, 100.0 % of rated 3500"
    _, summary = summarise(reciprocal_legs(PLANING_STEPS[:-1]))
    assert summary.top_speed.rated.startswith("rated rpm not reached: port 3200 rpm, 91.4 % of rated 3500")


def test_a_faster_band_run_one_way_is_not_claimed_as_top_speed() -> None:
    legs = reciprocal_legs(PLANING_STEPS)[:-1]
    _, summary = summarise(legs)
    assert summary.top_speed is None
    seen = summary.fastest_seen
    assert seen.rpm == pytest.approx(3500.0)
    assert seen.speed_kn == pytest.approx(PLANING_STEPS[-1][1], abs=2 * seen.u_kn)
    assert seen.heading_deg == pytest.approx(40.0, abs=1.0)
    assert seen.missing == "repeat at 3500 rpm on 220°"
    warning = next(w for w in summary.warnings if w.code == "top-speed-not-claimed")
    assert "29.1 kn at 3500 rpm" in warning.text
    assert "repeat at 3500 rpm on 220°" in warning.text


def test_only_the_slowest_step_both_ways_claims_no_top_speed() -> None:
    # eight fast steps one way and one slow step both ways: the slow one is no top speed
    slow, *fast = reciprocal_legs(PLANING_STEPS[:1]), *reciprocal_legs(PLANING_STEPS[1:], ways=1, start_h=0.3)
    _, summary = summarise([*slow, *fast])
    assert summary.top_speed is None
    assert summary.fastest_seen.rpm == pytest.approx(3500.0)


def test_a_slower_band_run_one_way_leaves_the_top_speed_as_it_is() -> None:
    legs = reciprocal_legs(PLANING_STEPS)
    _, summary = summarise(legs[:2] + legs[3:])
    assert summary.top_speed.band_rpm == 3500.0
    assert summary.fastest_seen is None


def seconds_of(legs: list[Leg], extra_kn: float, extra_rpm: float) -> pa.Table:
    """Return a row a second over the last leg and two minutes after it, those at another speed and rpm."""
    last = legs[-1]
    first_ns = T0_NS + round((last.mid_h * 3600.0 - last.duration_s / 2) * 1e9)
    n = round(last.duration_s) + 120
    after = np.arange(n) >= last.duration_s
    return pa.table(
        {
            "t": pa.array(first_ns + np.arange(n) * 10**9, pa.timestamp("ns", "UTC")),
            "sog_kn": np.where(after, extra_kn, last.speed_kn - 0.8),
            "cog_true_deg": np.full(n, last.direction_deg),
            "pitch_deg": np.full(n, 2.0),
            **{f"rpm_{e}": np.where(after, extra_rpm, last.rpm) for e in ("port", "stbd")},
        }
    )


def test_a_faster_speed_that_was_only_passed_through_is_seen_and_not_claimed() -> None:
    legs = reciprocal_legs(PLANING_STEPS[:-1])
    current_kn = 0.8  # against her on 220 degrees
    _, summary = summarise(legs, samples=seconds_of(legs, 29.1 - current_kn, 3500.0))
    assert summary.top_speed is None
    assert summary.fastest_seen.speed_kn == pytest.approx(29.1, abs=0.1)
    assert summary.fastest_seen.missing == "hold 3500 rpm steadily on 220° and 040°"
    # a stream that carries her is no speed of hers, and neither is a little overshoot
    _, summary = summarise(legs, samples=seconds_of(legs, PLANING_STEPS[-2][1] - current_kn + 0.3, 3200.0))
    assert summary.top_speed.band_rpm == 3200.0


def test_a_band_run_one_way_is_the_best_economy_where_it_is_clearly_better() -> None:
    def burn(share_at_2400: float) -> Any:
        return lambda rpm: planing_fuel(rpm) * (share_at_2400 if rpm == 2400 else 1.0)

    def trial(share: float) -> dict[str, Any]:
        legs = reciprocal_legs(PLANING_STEPS, fuel=burn(share))
        second_way = next(i for i, leg in enumerate(legs) if leg.rpm == 2400) + 1
        return summarise(legs[:second_way] + legs[second_way + 1 :])[1]

    clear = trial(1.0).economy_planing
    assert clear.band_rpm == 2400.0
    assert clear.ways == 1
    assert clear.one_way_as_good is None
    noise = trial(1.168).economy_planing
    assert noise.ways == 2
    assert noise.one_way_as_good.band_rpm == 2400.0
    worse = trial(1.3).economy_planing
    assert worse.ways == 2
    assert worse.one_way_as_good is None


def test_the_slowest_band_held_on_the_plane_is_an_upper_bound_where_no_slow_run_shows_it() -> None:
    _, summary = summarise(reciprocal_legs(PLANING_STEPS, fuel=planing_fuel))
    assert summary.slowest_planing_speed is None
    held = summary.slowest_on_the_plane
    planing = [b for b in summary.regimes.bands if b.regime == "planing" and b.volumetric_froude >= 2.0]
    assert held.band_rpm == planing[0].band_rpm


@pytest.mark.parametrize(
    ("rpm", "load", "words"),
    [
        (3500.0, None, "rated rpm reached"),
        (3410.0, None, "just short"),
        (3300.0, 99.0, "at full load"),
        (3300.0, None, "full throttle not tried, or propeller too large"),
        (2500.0, None, "full throttle not tried"),
        (3650.0, None, "above rated rpm"),
    ],
)
def test_rated_rpm_verdicts(rpm: float, load: float | None, words: str) -> None:
    config = load_config(CONFIG)
    leg = Leg(rpm, 25.0, 40.0, 0.0, extra={"load_pct_port_mean": load, "load_pct_stbd_mean": load})
    legs = select_legs(build_segments([leg], steady_current(0, 0)), config.engine_ids)
    for check in check_rated_rpm(legs, None, config):
        assert words in check.verdict
        assert check.pct == pytest.approx(100 * rpm / 3500)


def test_a_short_burst_of_full_throttle_between_legs_counts_for_rated_rpm() -> None:
    config = load_config(CONFIG)
    legs = select_legs(build_segments([Leg(3000, 25.0, 40.0, 0.0)], steady_current(0, 0)), config.engine_ids)
    rpm = np.full(600, 3000.0)
    rpm[200:270] = 3490.0
    rpm[400] = 9000.0
    rpm[398:404:2] = np.nan
    t = pa.array(T0_NS + np.arange(600) * 10**8, pa.timestamp("ns", "UTC"))
    values = pa.array([None if np.isnan(x) else x for x in rpm], pa.float64())
    samples = pa.table({"t": t, "rpm_port": values, "rpm_stbd": values})
    assert check_rated_rpm(legs, samples, config)[0].reached_rpm == pytest.approx(3490.0)


def test_engine_speed_never_recorded_has_a_verdict_and_no_number() -> None:
    config = load_config(CONFIG)
    legs = select_legs(build_segments([], steady_current(0, 0)), config.engine_ids)
    checks = check_rated_rpm(legs, None, config)
    assert [c.reached_rpm for c in checks] == [None, None]
    assert checks[0].verdict == "engine speed not known"


def test_split_is_a_share_of_the_mean() -> None:
    assert split_pct([1010.0, 990.0]) == pytest.approx(2.0)
    assert np.isnan(split_pct([1000.0]))
    assert np.isnan(split_pct([1000.0, float("nan")]))


def rated_check(pct: float) -> RatedRpmCheck:
    return RatedRpmCheck("port", 3500.0, 35.0 * pct, pct, None, "")


def test_power_figures_are_given_only_when_rated_power_was_reached() -> None:
    text = CONFIG.replace("rated_rpm = 3500", "rated_rpm = 3500\nrated_kw = 300").replace(
        "capacity_l", "density_kg_per_m3 = 840\ncapacity_l"
    )
    config = load_config(text)
    speed, fuel = np.array([20.0, 28.0]), np.array([60.0, 150.0])
    for pct, expected in ((99.5, 4), (80.0, 1)):
        lines = plausibility_lines(
            np.array([2500.0, 3500.0]), speed, fuel, np.array([20.0, 25.0]), 15000.0, [rated_check(pct)] * 2, config
        )
        assert len(lines) == expected
    specific = next(x for x in plausibility_lines(
        np.array([2500.0, 3500.0]), speed, fuel, np.array([20.0, 25.0]), 15000.0, [rated_check(100.0)] * 2, config
    ) if x.unit == "g/kWh")  # fmt: skip
    assert specific.value == pytest.approx(150 * 840 / 600)
    assert specific.ok


@pytest.mark.parametrize("planing", [True, False])
def test_a_coefficient_of_planing_hulls_judges_no_other(planing: bool) -> None:
    text = CONFIG.replace("rated_rpm = 3500", "rated_rpm = 3500\nrated_kw = 30")
    config = load_config(text)
    config = config.model_copy(update={"boat": config.boat.model_copy(update={"planing": planing})})
    rpm, speed, fuel = np.array([2500.0, 3500.0]), np.array([7.0, 9.0]), np.array([6.0, 15.0])
    lines = plausibility_lines(rpm, speed, fuel, np.array([20.0, 25.0]), 48000.0, [rated_check(100.0)] * 2, config)
    crouch = next(x for x in lines if x.name.startswith("Crouch"))
    assert crouch.value > 250.0
    assert crouch.ok is (False if planing else None)


def run_samples(
    way: str, *, pitch: bool, hump_kn: float = 14.0, planes: bool = True, turn: bool = False, seconds: int = 240
) -> pa.Table:
    """Return samples at 5 Hz of a slow run between 800 and 2300 rpm with a hump of known speed."""
    n = seconds * 5
    rpm = np.linspace(2300.0, 800.0, n) if way == "down" else np.linspace(800.0, 2300.0, n)
    knee = 1650.0
    slow = 6.5 + (rpm - 800.0) * (hump_kn - 6.5 - 1.0) / (knee - 800.0)
    speed = np.where(rpm < knee, slow, hump_kn - 1.0 + (rpm - knee) * 0.025) if planes else slow
    bow = 1.5 + 5.0 * np.exp(-0.5 * ((speed - hump_kn) / np.where(speed < hump_kn, 3.0, 5.0)) ** 2)
    rng = np.random.default_rng(5)
    heading = np.full(n, 350.0)
    if turn:
        heading = (heading + np.linspace(0.0, 180.0, n)) % 360.0
    t = T0_NS + 3600 * 10**9 + np.arange(n) * 200_000_000
    north = speed * np.cos(np.radians(heading)) + 0.8 * np.cos(np.radians(40.0))
    east = speed * np.sin(np.radians(heading)) + 0.8 * np.sin(np.radians(40.0))
    return pa.table(
        {
            "t": pa.array(t, pa.timestamp("ns", "UTC")),
            "rpm_port": rpm + rng.normal(0, 2, n),
            "rpm_stbd": rpm + rng.normal(0, 2, n),
            "sog_kn": np.hypot(north, east) + rng.normal(0, 0.05, n),
            "cog_true_deg": np.degrees(np.arctan2(east, north)) % 360.0,
            "pitch_deg": bow + rng.normal(0, 0.4, n) if pitch else pa.nulls(n, pa.float64()),
        }
    )


@pytest.mark.parametrize("way", ["down", "up"])
@pytest.mark.parametrize("hump_kn", [11.0, 14.0, 17.0])
def test_the_planing_threshold_is_where_the_bow_is_highest(way: str, hump_kn: float) -> None:
    samples = run_samples(way, pitch=True, hump_kn=hump_kn)
    _, summary = summarise(reciprocal_legs(PLANING_STEPS), samples=samples)
    found = summary.slowest_planing_speed
    assert found.speed_kn == pytest.approx(hump_kn, abs=0.4)
    assert abs(found.speed_kn - hump_kn) < 2 * found.u_kn
    assert found.from_ == f"slow run-{way} only, highest running trim"
    assert found.trim == "50 %"
    assert (found.run_down is None) == (way == "up")


def test_both_ways_are_kept_and_the_way_down_answers() -> None:
    down, up = run_samples("down", pitch=True, hump_kn=13.5), run_samples("up", pitch=True, hump_kn=15.0)
    start = down["t"][0].value
    silence = pa.table({name: pa.nulls(300, down.schema.field(name).type) for name in down.column_names})
    both = pa.concat_tables([down, silence, up])
    grid = pa.array(start + np.arange(both.num_rows) * 200_000_000, pa.timestamp("ns", "UTC"))
    both = both.set_column(0, "t", grid)
    _, summary = summarise(reciprocal_legs(PLANING_STEPS), samples=both)
    found = summary.slowest_planing_speed
    assert found.speed_kn == found.run_down.speed_kn == pytest.approx(13.5, abs=0.4)
    assert found.run_up.speed_kn == pytest.approx(15.0, abs=0.4)


def test_without_pitch_the_threshold_is_known_badly_and_says_so() -> None:
    _, summary = summarise(reciprocal_legs(PLANING_STEPS), samples=run_samples("down", pitch=False))
    found = summary.slowest_planing_speed
    assert found.from_ == "slow run-down only, speed against rpm"
    assert found.u_kn > 0.8
    assert abs(found.speed_kn - 14.0) < 2 * found.u_kn


@pytest.mark.parametrize("kind", ["no hump", "turning", "too fast", "displacement boat", "no samples"])
def test_no_planing_threshold_is_claimed_where_the_data_show_none(kind: str) -> None:
    samples: pa.Table | None = run_samples("down", pitch=False, planes=False)
    if kind == "turning":
        samples = run_samples("down", pitch=True, turn=True)
    elif kind == "too fast":
        samples = run_samples("down", pitch=True, seconds=40)
    elif kind == "displacement boat":
        samples = run_samples("down", pitch=True)
    elif kind == "no samples":
        samples = None
    text = CONFIG.replace("length_m", "planing = false\nlength_m") if kind == "displacement boat" else CONFIG
    _, summary = summarise(reciprocal_legs(PLANING_STEPS), text, samples)
    assert summary.slowest_planing_speed is None


def test_steady_legs_are_no_slow_runs() -> None:
    n = 3000
    t = pa.array(T0_NS + np.arange(n) * 10**8, pa.timestamp("ns", "UTC"))
    rpm = np.repeat([1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0], n // 6)
    samples = pa.table({"t": t, "rpm_port": rpm, "sog_kn": rpm / 120, "cog_true_deg": np.full(n, 10.0)})
    assert find_slow_runs(samples, ["port"]) == []
    assert find_slow_runs(samples.slice(0, 2), ["port"]) == []
    assert find_slow_runs(samples, []) == []


def test_calibration_defaults_are_read_from_the_configuration() -> None:
    assert Config().fuel.uncalibrated_u_pct == 2.5
    assert Calibration(origin="dip stick").u_pct == 1.0
