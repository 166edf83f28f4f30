"""What is said of engines, names of bands, water, wind and runs back: every limit just inside and just outside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    Leg,
    build_segments,
    no_clocks,
    planing_fuel,
    reciprocal_legs,
    steady_current,
)
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.summary import Findings

BOAT = """
[boat]
length_m = 14.2
beam_m = 4.2
draught_m = 1.0
[[engine]]
id = "port"
rated_rpm = 3500
[[engine]]
id = "stbd"
rated_rpm = 3500
"""
G_M_PER_S2 = 9.80665
KN_M_PER_S = 1852.0 / 3600.0


def reduced(
    legs: list[Leg], *, config: str = BOAT, **built: Any
) -> tuple[list[dict[str, Any]], list[set[str]], Findings]:
    """The bands, their flags, and what was found out."""
    bands, _, found = measure_trial(
        build_segments(legs, steady_current(0.0, 0.0), **built),
        load_config(config),
        clocks=no_clocks(),
        samples=None,
        session_id="t",
    )
    rows = bands.to_pylist()
    return rows, [set(filter(None, r["flags"].split(";"))) for r in rows], found


def run_at(*rpm: float) -> list[Leg]:
    return reciprocal_legs([(r, r / 120.0) for r in rpm], fuel=planing_fuel)


def steps(**extra: Any) -> list[Leg]:
    return [replace(leg, extra=extra) for leg in reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)]


SHORT_AT_FULL_LOAD = "short of rated rpm at full load: propeller too large, fouled hull, or boat heavy"
NOT_TRIED = "short of rated rpm: full throttle not tried, or propeller too large"


@pytest.mark.parametrize(
    ("pct", "load_pct", "verdict"),
    [
        (103.1, 99.0, "above rated rpm: propeller too small, boat light, or the governor allows it"),
        (102.9, 99.0, "rated rpm reached"), (99.1, None, "rated rpm reached"),
        (98.9, 99.0, "just short of rated rpm"), (97.1, None, "just short of rated rpm"),
        (96.9, 95.1, SHORT_AT_FULL_LOAD), (96.9, 94.9, NOT_TRIED), (96.9, None, NOT_TRIED),
        (90.1, 40.0, NOT_TRIED), (89.9, 40.0, "full throttle not tried"), (89.9, 96.0, SHORT_AT_FULL_LOAD),
    ],
)  # fmt: skip
def test_rated_rpm(pct: float, load_pct: float | None, verdict: str) -> None:
    top = 3500.0 * pct / 100.0
    legs = [replace(leg, extra={"load_pct_port_mean": load_pct}) for leg in run_at(1500.0, 2500.0, top)]
    _, _, found = reduced(legs)
    port, _ = found.rated_rpm_check
    assert port.pct == pytest.approx(pct)
    assert port.verdict == verdict


@pytest.mark.parametrize(("pct", "is_asked"), [(96.9, True), (97.1, False)])
def test_the_propeller_is_asked_about_below_97_percent_of_rated_rpm(pct: float, is_asked: bool) -> None:
    _, _, found = reduced(run_at(1500.0, 2500.0, 3500.0 * pct / 100.0))
    assert ("no-full-throttle" in {w.code for w in found.warnings}) is is_asked


@pytest.mark.parametrize(
    ("rpm", "name"),
    [
        # to the nearest 50 within half a percent, else to the nearest 10
        (1795.0, "1800 rpm"), (1806.0, "1800 rpm"), (1788.0, "1790 rpm"), (1812.0, "1810 rpm"),
        (1204.0, "1200 rpm"), (1207.0, "1210 rpm"), (2514.0, "2510 rpm"), (2511.0, "2500 rpm"), (603.6, "600 rpm"),
    ],
)  # fmt: skip
def test_the_name_of_a_band_is_a_round_number_near_its_mean(rpm: float, name: str) -> None:
    bands, _, _ = reduced(run_at(rpm, 3400.0))
    assert bands[0]["band_name"] == name
    assert f"{bands[0]['band_rpm']:.0f} rpm" == name
    assert bands[0]["rpm_mean"] == pytest.approx(rpm)


@pytest.mark.parametrize(("share", "is_shallow"), [(1.03, False), (0.97, True)])
def test_shallow_is_less_than_a_ships_speed_trial_needs(share: float, is_shallow: bool) -> None:
    """3 √(BT) and 2.75 V²/g, the larger (ISO 15016 and ITTC 7.5-04-01-01.1, from memory)."""
    for rpm, speed_kn in PLANING_STEPS:
        needed_m = max(3.0 * np.sqrt(4.2 * 1.0), 2.75 * (speed_kn * KN_M_PER_S) ** 2 / G_M_PER_S2)
        _, flags, _ = reduced(reciprocal_legs([(rpm, speed_kn)]), depth_m=share * needed_m)
        assert ("shallow" in flags[0]) is is_shallow


@pytest.mark.parametrize(
    ("froude", "is_near"), [(0.88, False), (0.92, True), (1.0, True), (1.08, True), (1.12, False)]
)  # fmt: skip
def test_near_the_critical_speed_of_shallow_water(froude: float, is_near: bool) -> None:
    speed_kn = 14.0
    depth_m = (speed_kn * KN_M_PER_S / froude) ** 2 / G_M_PER_S2
    bands, flags, _ = reduced(reciprocal_legs([(2000.0, speed_kn)]), depth_m=depth_m)
    assert bands[0]["depth_froude_max"] == pytest.approx(froude, rel=1e-3)
    assert ("near-critical" in flags[0]) is is_near


@pytest.mark.parametrize(
    ("froude_shallow", "froude_deep", "is_near"),
    [(1.6, 1.12, False), (1.6, 1.08, True), (1.3, 0.7, True), (1.08, 0.4, True), (0.92, 0.3, True), (0.88, 0.3, False)],
)  # fmt: skip
def test_crossing_the_critical_speed_within_a_leg_is_seen(
    froude_shallow: float, froude_deep: float, is_near: bool
) -> None:
    """A leg over a slope is judged over all of its depths: at its least alone a crossing goes unseen."""
    speed_kn = 14.0
    least_m, most_m = ((speed_kn * KN_M_PER_S / f) ** 2 / G_M_PER_S2 for f in (froude_shallow, froude_deep))
    legs = reciprocal_legs([(2000.0, speed_kn)])
    segments = build_segments(legs, steady_current(0.0, 0.0), depth_m=least_m)
    segments = segments.append_column("depth_m_max", pa.array([least_m, most_m], pa.float64()))
    bands, table, _ = measure_trial(segments, load_config(BOAT), clocks=no_clocks(), samples=None, session_id="t")
    assert ("near-critical" in bands["flags"][0].as_py().split(";")) is is_near
    assert bands["depth_froude_max"][0].as_py() == pytest.approx(froude_shallow, rel=1e-3)
    assert table["depth_m_max"].to_pylist() == pytest.approx([least_m, most_m])


@pytest.mark.parametrize(("wind_kn", "is_flagged"), [(10.4, False), (10.6, True)])
def test_more_than_a_gentle_breeze_is_flagged(wind_kn: float, is_flagged: bool) -> None:
    """Beaufort 3 ends at 10 kn (WMO scale, from memory)."""
    legs = steps()
    legs[4] = replace(legs[4], extra={"wind_speed_true_kn_mean": wind_kn})
    _, flags, _ = reduced(legs)
    assert ["wind" in f for f in flags] == [False, False, is_flagged, *[False] * 4]


@pytest.mark.parametrize(("apart_pct", "is_flagged"), [(1.4, False), (1.6, True)])
def test_engines_that_turn_at_different_speeds_are_flagged(apart_pct: float, is_flagged: bool) -> None:
    rpm = 2000.0
    sides = {"rpm_port_mean": rpm * (1.0 + apart_pct / 200.0), "rpm_stbd_mean": rpm * (1.0 - apart_pct / 200.0)}
    _, flags, _ = reduced([replace(leg, extra=sides) for leg in run_at(rpm)])
    assert ("engines-differ" in flags[0]) is is_flagged


@pytest.mark.parametrize(
    ("fuel_pct", "rpm_pct", "is_flagged"), [(4.9, 0.0, False), (5.1, 0.0, True), (5.1, 1.6, False)]
)  # fmt: skip
def test_fuel_that_differs_at_equal_rpm_is_flagged(fuel_pct: float, rpm_pct: float, is_flagged: bool) -> None:
    sides: dict[str, float] = {}
    for engine, sign in (("port", 1.0), ("stbd", -1.0)):
        sides[f"fuel_l_per_h_{engine}_mean"] = 40.0 * (1.0 + sign * fuel_pct / 200.0)
        sides[f"rpm_{engine}_mean"] = 2000.0 * (1.0 + sign * rpm_pct / 200.0)
    _, flags, _ = reduced([replace(leg, extra=sides) for leg in run_at(2000.0)])
    assert ("fuel-differs" in flags[0]) is is_flagged


@pytest.mark.parametrize(("trims", "expected"), [
    (("50 %", "50 %"), set()), (("50 %", "55 %"), {"trim-differs"}), (("50 %", None), {"trim-unknown"}),
    ((None, None), {"trim-unknown"}),
])  # fmt: skip
def test_trim_is_one_and_known(trims: tuple[str | None, str | None], expected: set[str]) -> None:
    legs = [replace(leg, extra={"trim": trim}) for leg, trim in zip(run_at(2000.0), trims, strict=True)]
    _, flags, _ = reduced(legs)
    assert flags[0] & {"trim-differs", "trim-unknown"} == expected


@pytest.mark.parametrize(("gap_min", "is_late"), [(11.9, False), (12.1, True)])
def test_a_run_back_later_than_allowed_is_flagged(gap_min: float, is_late: bool) -> None:
    bands, flags, _ = reduced(reciprocal_legs([(2000.0, 12.0)], gap_min=gap_min))
    assert bands[0]["ways"] == 2
    assert ("late-reciprocal" in flags[0]) is is_late


@pytest.mark.parametrize(("apart_pct", "is_flagged"), [(0.9, False), (1.1, True)])
def test_runs_of_a_band_at_different_rpm_are_flagged(apart_pct: float, is_flagged: bool) -> None:
    there, back = reciprocal_legs([(2000.0, 12.0)])
    _, flags, _ = reduced([there, replace(back, rpm=2000.0 * (1.0 + apart_pct / 100.0))])
    assert ("rpm-mismatch" in flags[0]) is is_flagged


@pytest.mark.parametrize(("height_m", "is_told"), [(0.56, False), (0.57, True)])
def test_waves_higher_than_a_speed_trial_allows_are_told(height_m: float, is_told: bool) -> None:
    """1.5 √(L/100) of 14.2 m is 0.565 m (ISO 15016 and ITTC, from memory)."""
    _, _, found = reduced(steps(), config=f"[trial]\nwave_height_m = {height_m}\n{BOAT}")
    assert ("sea" in {w.code for w in found.warnings}) is is_told


@pytest.mark.parametrize("rpm", [(2000.0,), (1500.0, 2000.0)])
def test_the_slip_at_top_speed_is_told_however_many_bands_there_are(rpm: tuple[float, ...]) -> None:
    """100 (1 - V / (n p)), V in m/s, n in revolutions a second of the propeller, p its pitch."""
    shafts = BOAT.replace("rated_rpm = 3500", "rated_rpm = 3500\ngear_ratio = 2.0\npropeller_pitch_m = 0.7")
    _, _, found = reduced(run_at(*rpm), config=shafts)
    [slip] = [line for line in found.plausibility if line.name == "apparent slip at top speed"]
    expected = 100.0 * (1.0 - rpm[-1] / 120.0 * KN_M_PER_S / (rpm[-1] / 2.0 / 60.0 * 0.7))
    assert slip.value == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize(("stw_kn", "is_compared"), [(None, False), (0.0, False), (0.9, True), (2.8, True)])
def test_a_log_is_compared_where_it_shows_any_way(stw_kn: float | None, is_compared: bool) -> None:
    legs = [replace(leg, extra={"stw_kn_mean": stw_kn}) for leg in reciprocal_legs([(700.0, 3.0)])]
    _, _, found = reduced(legs)
    assert (found.speed_log is not None) is is_compared
