"""Wind slows a boat one way and speeds her up the other: no current, and what a mean of both ways keeps of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.segment_builder import PLANING_STEPS, WIND_FROM_DEG, build_segments, reciprocal_legs, steady_current
from trialcapture.config import load_config
from trialcapture.reduce.budget import RPM_TERMS
from trialcapture.reduce.current_evidence import still_air_differences
from trialcapture.reduce.reduction import Reduction, reduce_segments
from trialcapture.reduce.runs import find_wind

CONFIG = load_config('[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n')
INTO_WIND = WIND_FROM_DEG


def slowed_by(wind_kn: float, air_share: float, resistance: float, thrust: float) -> Callable[[float, float], float]:
    """Return by how much a boat is slower in this wind, by balance of forces at constant engine speed.

    Args:
        wind_kn: Its strength.
        air_share: Share of air drag in the resistance at 25 kn; it grows as the square of speed on the plane (above 14
            kn), and is even below, where resistance falls as well.
        resistance: Power of the speed the resistance grows with.
        thrust: Share of the thrust lost per share of speed gained.
    """

    def slowed_kn(speed_kn: float, from_deg: float) -> float:
        share = air_share * (max(speed_kn, 14.0) / 25.0) ** 2
        ahead, abeam = wind_kn * np.cos(np.radians(from_deg)), wind_kn * np.sin(np.radians(from_deg))

        def excess(v: float) -> float:
            air = (v + ahead) * np.hypot(v + ahead, abeam) / speed_kn**2
            ratio = v / speed_kn
            return (1.0 - share) * ratio**resistance + share * air - (1.0 - thrust * (ratio - 1.0))

        return speed_kn - float(brentq(excess, 0.5 * speed_kn, 1.5 * speed_kn))

    return slowed_kn


def one_way_into_the_wind(rng: np.random.Generator, wind_kn: float, *, is_known: bool) -> tuple[Reduction, float]:
    """Return five steps run both ways and a faster one into the wind only, and what both ways of that would show."""
    slowed = slowed_by(wind_kn, rng.uniform(0.025, 0.08), rng.uniform(1.0, 2.0), rng.uniform(3.0, 4.5))
    axis = INTO_WIND + rng.uniform(-30.0, 30.0)
    legs = reciprocal_legs(PLANING_STEPS[1:], axis_deg=axis, gap_min=lambda k: float(rng.uniform(3, 8)))[:-1]
    segments = build_segments(
        legs, steady_current(float(rng.uniform(0, 1)), float(rng.uniform(0, 360))), rng=rng, sampling_kn=0.03,
        scatter_kn=float(rng.uniform(0.03, 0.12)), heading_sd_deg=1.0, wind_kn=wind_kn, slowed_kn=slowed,
    )  # fmt: skip
    if not is_known:
        segments = segments.drop_columns(["wind_speed_true_kn_mean", "wind_from_true_deg_mean"])
    made = reduce_segments(segments, CONFIG, clocks=None)[1]
    assert made is not None
    top = PLANING_STEPS[-1][1]
    return made, top - (slowed(top, axis - WIND_FROM_DEG) + slowed(top, axis + 180.0 - WIND_FROM_DEG)) / 2.0


@pytest.mark.slow
@pytest.mark.parametrize("wind_kn", [8.0, 14.0])
@pytest.mark.parametrize("is_known", [True, False])
def test_a_run_into_the_wind_after_slower_pairs_holds_the_truth(wind_kn: float, is_known: bool) -> None:
    inside, z = [], []
    for seed in range(24):
        made, truth = one_way_into_the_wind(np.random.default_rng([seed, 7]), wind_kn, is_known=is_known)
        # the tachometer is exact here
        budget = made.quantities.speed.without(RPM_TERMS)
        error, half = made.fit.speed_kn[-1] - truth, budget.k[-1] * budget.u[-1]
        inside.append(abs(error) <= half)
        z.append(error / budget.u[-1])
        assert budget.term("wind")[-1] > 3.0 * budget.term("wind")[:-1].max()
    # of 24 that are covered 93 %, fewer than 19 are in one of 500 (binomial)
    assert np.sum(inside) >= 19
    assert np.sqrt(np.mean(np.square(z))) < 1.5


@pytest.mark.parametrize("is_known", [True, False])
def test_runs_both_ways_pay_little_for_the_wind(is_known: bool) -> None:
    legs = reciprocal_legs(PLANING_STEPS, axis_deg=INTO_WIND)
    built = [build_segments(legs, steady_current(0.6, 70.0), wind_kn=w) for w in (12.0, 0.0)]
    if not is_known:
        built[0] = built[0].drop_columns(["wind_speed_true_kn_mean", "wind_from_true_deg_mean"])
    windy, calm = (reduce_segments(segments, CONFIG, clocks=None)[1] for segments in built)
    assert windy is not None
    assert calm is not None
    assert windy.fit.speed_kn == pytest.approx(calm.fit.speed_kn, abs=0.01)
    # no wind in the mean of both ways, but their half-differences tell less of how runs scatter
    assert np.all(windy.fit.terms_u_kn["wind"] < 0.25 * windy.fit.speed_u_kn)
    assert windy.quantities.speed.u == pytest.approx(calm.quantities.speed.u, rel=0.25)


@pytest.mark.parametrize("wind_kn", [8.0, 16.0])
@pytest.mark.parametrize("forces", [(0.04, 1.3, 3.5), (0.08, 1.0, 3.0), (0.03, 1.8, 4.0)])
def test_still_air_is_faster_by_the_second_order(wind_kn: float, forces: tuple[float, float, float]) -> None:
    slowed = slowed_by(wind_kn, *forces)
    legs = reciprocal_legs(PLANING_STEPS, axis_deg=INTO_WIND)
    segments = build_segments(legs, steady_current(0.6, 70.0), wind_kn=wind_kn, slowed_kn=slowed)
    made = reduce_segments(segments, CONFIG, clocks=None)[1]
    assert made is not None
    found = still_air_differences(made.runs, made.weights, made.fit, find_wind(made.legs, made.runs))
    assert len(found) == len(PLANING_STEPS)
    for band, (_, speed) in zip(found, PLANING_STEPS, strict=True):
        lost = (slowed(speed, 0.0) + slowed(speed, 180.0)) / 2.0
        assert band.wind_kn == pytest.approx(wind_kn)
        assert band.difference_kn < 0.0
        assert abs(-lost - band.difference_kn) <= 2.0 * band.u_kn


def test_no_wind_instrument_gives_no_estimate_and_a_hole_has_the_wind_of_the_others() -> None:
    legs = reciprocal_legs(PLANING_STEPS[:3], axis_deg=INTO_WIND)
    without = reduce_segments(build_segments(legs, steady_current(0.5, 0.0), wind_kn=None), CONFIG, clocks=None)[1]
    assert without is not None
    wind = find_wind(without.legs, without.runs)
    assert not wind.is_known
    assert np.isnan(without.fit.wind_share)
    assert still_air_differences(without.runs, without.weights, without.fit, wind) == ()
    holed = [*legs[:-1], replace(legs[-1], extra={"wind_speed_true_kn_mean": None})]
    made = reduce_segments(build_segments(holed, steady_current(0.5, 0.0), wind_kn=9.0), CONFIG, clocks=None)[1]
    assert made is not None
    wind = find_wind(made.legs, made.runs)
    assert wind.is_known
    assert wind.from_kn[-1] == pytest.approx(wind.from_kn[0])
    assert np.hypot(*wind.from_kn[-1]) == pytest.approx(9.0)
