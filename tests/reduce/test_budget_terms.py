"""Every term of the uncertainty budget by itself: there when its cause is, as large as its definition, else absent."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    T0_NS,
    Leg,
    build_segments,
    no_clocks,
    planing_fuel,
    reciprocal_legs,
    steady_current,
    terms_of,
)
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.channels.made_good import SOG_BIAS_U_KN
from trialcapture.reduce.budget import likely_abeam_kn, rounding_in_mean

BOAT = '[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n'
CURRENT = steady_current(0.5, 40.0)
Terms = list[dict[str, float]]


def budgets(
    legs: list[Leg], *, clocks: pa.Table | None = None, config: str = BOAT, **built: Any
) -> tuple[Terms, Terms, list[dict[str, Any]]]:
    """The terms of speed [kn] and of fuel [L/h] of every band, and the bands."""
    bands, _, found = measure_trial(
        build_segments(legs, CURRENT, **built),
        load_config(config),
        clocks=no_clocks() if clocks is None else clocks,
        samples=None,
        session_id="t",
    )
    speed, fuel = terms_of(found), terms_of(found, "fuel")
    for band, terms in zip(bands.to_pylist(), speed, strict=True):
        # root sum of squares, GUM 5.1.2
        assert band["speed_u_kn"] == pytest.approx(np.sqrt(sum(u**2 for u in terms.values())))
    return speed, fuel, bands.to_pylist()


def steps(**extra: Any) -> list[Leg]:
    return [replace(leg, extra={**leg.extra, **extra}) for leg in reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)]


@pytest.mark.parametrize("bias_u_kn", [0.02, 0.11, None])
def test_the_receivers_own_bias_is_in_every_band_and_no_number_of_runs_reduces_it(bias_u_kn: float | None) -> None:
    for legs in (steps(), [*steps(), *reciprocal_legs(PLANING_STEPS, start_h=3.0)]):
        speed, _, _ = budgets(legs, bias_u_kn=bias_u_kn)
        expected = SOG_BIAS_U_KN if bias_u_kn is None else bias_u_kn
        assert [t["receiver bias"] for t in speed] == pytest.approx([expected] * len(PLANING_STEPS))


def clock(offset_u_s: float | None, from_h: float | None = None, to_h: float | None = None) -> dict[str, Any]:
    from_ns, to_ns = (None if h is None else T0_NS + round(h * 3.6e12) for h in (from_h, to_h))
    return {"source": "x", "offset_u_s": offset_u_s, "from_ns": from_ns, "to_ns": to_ns}


def clocks_table(*rows: dict[str, Any]) -> pa.Table:
    kinds = {
        "source": pa.string(),
        "method": pa.string(),
        "offset_u_s": pa.float64(),
        "from_ns": pa.int64(),
        "to_ns": pa.int64(),
    }
    return pa.Table.from_pylist(list(rows), schema=pa.schema(list(kinds.items())))


@pytest.mark.parametrize(
    ("clocks", "worst_s"),
    [
        ([clock(2.0)], 2.0), ([clock(0.3), clock(2.0)], 2.0), ([clock(None)], 0.0), ([], 0.0),
        # a piece of an engine log counts for the legs it overlaps, and all were run within two hours
        ([clock(0.3), clock(2.0, 5.0, 6.0)], 0.3), ([clock(0.3), clock(2.0, -1.0, 6.0)], 2.0),
    ],
)  # fmt: skip
def test_a_clock_moves_speed_by_its_uncertainty_times_the_slope(clocks: list[dict[str, Any]], worst_s: float) -> None:
    speed, _, _ = budgets(steps(sog_slope_kn_per_min=-0.6), clocks=clocks_table(*clocks))
    assert [t.get("clock alignment", 0.0) for t in speed] == pytest.approx([worst_s * 0.6 / 60.0] * len(PLANING_STEPS))


def test_a_current_abeam_goes_unseen_without_a_heading_on_one_line() -> None:
    speed, _, bands = budgets(steps(), heading=False)
    # half of c²/2V for the current abeam that one in twenty exceeds, of all that have 0.5 kn along the line: what is
    # along says how strong the one abeam may be, where 0.5 kn were taken for any before
    abeam_kn = exceeded_by_one_in_twenty(0.5, 3.0)
    expected = [abeam_kn**2 / (2.0 * b["speed_kn"]) / 2.0 for b in bands]
    assert [t["current abeam unseen"] for t in speed] == pytest.approx(expected, rel=0.03)
    assert all("current abeam unseen" not in t for t in budgets(steps())[0])


def exceeded_by_one_in_twenty(along_kn: float, strongest_kn: float) -> float:
    """By counting invented currents of any strength up to the strongest and any direction."""
    generator = np.random.default_rng(20261130)
    strength, angle = generator.uniform(0.0, strongest_kn, 4_000_000), generator.uniform(0.0, np.pi / 2.0, 4_000_000)
    beside = np.abs(strength * np.cos(angle) - along_kn) < 0.01
    return float(np.quantile((strength * np.sin(angle))[beside], 0.9545))


@pytest.mark.parametrize(
    ("along_kn", "stated_kn", "strongest_kn"),
    # no room above a current that was found is room for half as much again
    [(0.3, None, 3.0), (1.2, None, 3.0), (0.3, 1.0, 1.0), (1.0, 1.2, 1.5), (2.8, None, 4.2)],
)
def test_the_current_along_says_how_strong_the_one_abeam_may_be(
    along_kn: float, stated_kn: float | None, strongest_kn: float
) -> None:
    found = likely_abeam_kn(np.array([along_kn]), stated_kn)[0]
    assert found == pytest.approx(exceeded_by_one_in_twenty(along_kn, strongest_kn), rel=0.02)


def test_a_chart_narrows_what_may_be_abeam_and_widens_what_one_way_may_hide() -> None:
    charted = [f"[trial]\ncurrent_max_kn = {kn}\n{BOAT}" for kn in (0.8, 4.0)]
    weak, strong = (budgets(steps(), heading=False, config=c)[0] for c in charted)
    plain = budgets(steps(), heading=False)[0]
    for narrow, usual, wide in zip(weak, plain, strong, strict=True):
        assert 2.0 * narrow["current abeam unseen"] < usual["current abeam unseen"] < wide["current abeam unseen"]
    one_way = reciprocal_legs(PLANING_STEPS, ways=1)
    weak, strong = (budgets(one_way, config=c)[0] for c in charted)
    plain = budgets(one_way)[0]
    for narrow, usual, wide in zip(weak, plain, strong, strict=True):
        # 4 kn at any hour and from any angle have a root mean square of 2 kn along a line
        assert narrow["current"] < usual["current"] < wide["current"]
        assert 1.9 < wide["current"] < 2.4


@pytest.mark.parametrize(("apart_deg", "is_unseen"), [(0.0, True), (27.0, True), (33.0, False), (90.0, False)])
def test_lines_thirty_degrees_apart_show_a_current_abeam(apart_deg: float, is_unseen: bool) -> None:
    legs = reciprocal_legs(PLANING_STEPS, axis_deg=lambda k: 355.0 + apart_deg * (k % 2))
    bands, _, found = measure_trial(
        build_segments(legs, steady_current(0.0, 0.0), heading=False),
        load_config(BOAT),
        clocks=None,
        samples=None,
        session_id="t",
    )
    assert bands.num_rows == len(PLANING_STEPS)
    assert ["current abeam unseen" in terms for terms in terms_of(found)] == [is_unseen] * 7


def test_an_outlying_run_costs_half_of_what_it_moves() -> None:
    legs = [*steps(), *reciprocal_legs(PLANING_STEPS, start_h=2.5)]
    odd = next(i for i, leg in enumerate(legs) if leg.rpm == 2000.0)
    legs[odd] = replace(legs[odd], speed_kn=legs[odd].speed_kn - 1.5)
    speed, _, bands = budgets(legs, rng=np.random.default_rng(3), sampling_kn=0.03)
    without, _, kept = budgets(legs[:odd] + legs[odd + 1 :], rng=np.random.default_rng(3), sampling_kn=0.03)
    moved = abs(bands[2]["speed_kn"] - kept[2]["speed_kn"])
    assert moved > 0.2
    # told from the fit with it, which takes runs to scatter more than the fit without it does
    assert 0.75 < speed[2]["outlying run"] / (moved / 2.0) < 1.6
    assert "outlying-leg" in bands[2]["flags"]
    assert all("outlying run" not in t for t in without)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # the same reading four times errs alike; half a count is √3 u, so readings further apart err independently
        ([20.0, 20.0, 20.0, 20.0], 0.03), ([20.0, 20.05, 20.0, 20.05], 0.03),
        ([20.0, 20.06, 20.12, 20.18], 0.03 / 2.0), ([20.0, 20.0, 21.0, 21.0], 0.03 / np.sqrt(2.0)),
        ([20.0, 20.0, np.nan, np.nan], 0.015), ([np.nan] * 4, 0.0),
    ],
)  # fmt: skip
def test_rounding_is_common_to_runs_at_one_reading(values: list[float], expected: float) -> None:
    assert rounding_in_mean(np.full(4, 0.25), np.array(values), np.full(4, 0.03)) == pytest.approx(expected)


def test_a_mean_without_rounding_has_none() -> None:
    assert rounding_in_mean(np.full(2, 0.5), np.array([1.0, 1.0]), np.array([0.0, np.nan])) == 0.0


@pytest.mark.parametrize("uncalibrated_u_pct", [2.5, 4.0])
def test_an_uncalibrated_fuel_meter_may_be_wrong_by_its_share(uncalibrated_u_pct: float) -> None:
    _, fuel, bands = budgets(steps(), config=f"[fuel]\nuncalibrated_u_pct = {uncalibrated_u_pct}\n{BOAT}")
    shares = [t["no calibration"] / b["fuel_l_per_h"] for t, b in zip(fuel, bands, strict=True)]
    assert shares == pytest.approx([uncalibrated_u_pct / 100.0] * len(PLANING_STEPS))


def test_a_calibration_corrects_the_rate_and_leaves_its_own_uncertainty() -> None:
    calibrated = f"[fuel.calibration]\nfactor = 1.04\norigin = 'tank'\nu_pct = 0.8\n{BOAT}"
    _, fuel, bands = budgets(steps(), config=calibrated)
    plain = [planing_fuel(rpm) for rpm, _ in PLANING_STEPS]
    assert [b["fuel_l_per_h"] for b in bands] == pytest.approx([1.04 * rate for rate in plain], rel=1e-3)
    shares = [t["calibration"] / b["fuel_l_per_h"] for t, b in zip(fuel, bands, strict=True)]
    assert shares == pytest.approx([0.008] * len(PLANING_STEPS))


@pytest.mark.parametrize(("extra_kn", "doubt_kn"), [(0.4, None), (1.0, 0.7), (2.0, 0.7)])
def test_a_refused_run_back_puts_a_band_in_doubt_but_never_by_more_than_an_unknown_current(
    extra_kn: float, doubt_kn: float | None
) -> None:
    legs = steps()
    top = legs[-1]
    slower = top.speed_kn - 2.0 * extra_kn
    legs[-1] = replace(top, speed_kn=slower, extra={"accepted": False, "reason": "speed not settled"})
    speed, _, bands = budgets(legs)
    assert bands[-1]["ways"] == 1
    expected = extra_kn if doubt_kn is None else doubt_kn
    assert speed[-1]["run back refused"] == pytest.approx(expected, rel=0.05)
