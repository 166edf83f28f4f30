"""What the wind costs in a mean of both ways: closed forms, the posterior by least squares, and simulated hulls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy import comparisons
from trialcapture.reduce.air_drag import RunsInWind, air_excess_kn, unmeasured_loss, wind_losses
from trialcapture.reduce.vectorfit import WIND_MODEL_SHARE, WIND_SHARE, WIND_SHARE_U
from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.hull import settled_fuel_l_per_h, settled_speed_m_s
from trialcapture.rehearse.sea import Sea
from trialcapture.units import KN_M_PER_S


def runs(
    speed_kn: list[float], wind_kn: float, off_bow_deg: float, answer: float, scatter: float = 0.004
) -> RunsInWind:
    """Two pairs a band, whose fuel answers to the wind by a share of the exposure."""
    speeds = np.array(speed_kn)
    band, way = np.repeat(np.arange(speeds.size), 4), np.tile([1, -1, 1, -1], speeds.size)
    off = np.radians(off_bow_deg + np.where(way > 0, 0.0, 180.0))
    ahead, across = wind_kn * np.cos(off), wind_kn * np.sin(off)
    v = speeds[band]
    exposure = np.maximum(v, 10.0) / 20.0 * air_excess_kn(v, ahead, across) / v
    return RunsInWind(
        band, way, ahead, across, 3.0 + answer * exposure, speeds, np.full(speeds.size, scatter)
    )  # fmt: skip


def test_a_wind_along_the_runs_leaves_its_square() -> None:
    # ((V + W)² + (V - W)²) / 2 - V² = W², over 2 V
    both = air_excess_kn(np.array(8.0), np.array([5.0, -5.0]), np.zeros(2))
    assert both.mean() == pytest.approx(25.0 / 16.0)
    # from abeam V √(V² + W²) - V² over 2 V: a quarter of W²/V, as long as W is small
    assert air_excess_kn(np.array(20.0), np.array(0.0), np.array(2.0)) == pytest.approx(4.0 / 80.0, rel=5e-3)
    # carried by the air, she feels none
    assert air_excess_kn(np.array(8.0), np.array(-8.0), np.array(0.0)) == pytest.approx(-4.0)


def test_her_answer_is_that_of_least_squares_with_the_belief_as_equations() -> None:
    """`numpy.linalg.lstsq` of the fuel rates and the belief, each over its standard deviation, gives the same."""
    sessions = [runs([6.0, 9.0, 14.0], 9.0, 30.0, 0.03), runs([6.0, 11.0], 4.0, 70.0, 0.01)]
    found = wind_losses(sessions)
    nodes = np.array([6.0, 9.0, 11.0, 14.0])
    places = ([0, 1, 3], [0, 2])
    at = np.round(np.log(nodes) / 0.05) * 0.05
    belief = WIND_SHARE_U**2 + (WIND_MODEL_SHARE * WIND_SHARE) ** 2 * np.exp(-np.abs(at[:, None] - at) / 0.2)
    whiten = np.linalg.inv(np.linalg.cholesky(belief))
    rows, seen = [whiten], [whiten @ np.full(4, WIND_SHARE)]
    for session, place in zip(sessions, places, strict=True):
        v = session.speed_kn[session.band]
        x = np.maximum(v, 10.0) / 20.0 * air_excess_kn(v, session.ahead_kn, session.across_kn) / v
        for band, node in enumerate(place):
            own = session.band == band
            design = np.zeros((4, 4))
            design[:, node] = (x[own] - x[own].mean()) / 0.004
            rows.append(design)
            seen.append((session.log_fuel[own] - session.log_fuel[own].mean()) / 0.004)
    answer = np.linalg.lstsq(np.vstack(rows), np.concatenate(seen), rcond=None)[0]
    u = np.sqrt(np.diagonal(np.linalg.inv(np.vstack(rows).T @ np.vstack(rows))))
    for loss, place in zip(found, places, strict=True):
        rest = loss.fuel / answer[place]
        assert np.all(rest > 0.0)
        assert loss.fuel_u == pytest.approx(rest * u[place], rel=1e-9)
        assert loss.speed == pytest.approx(-loss.fuel)
        assert loss.of("economy")[0] == pytest.approx(-2.0 * loss.fuel)


@pytest.mark.parametrize("boat", comparisons.BOATS, ids=lambda boat: boat.name)
@pytest.mark.parametrize("off_bow_deg", [0.0, 60.0])
def test_simulated_hulls_lose_what_is_said(boat: BoatModel, off_bow_deg: float) -> None:
    def settled(rpm: float, wind_kn: float, heading_deg: float) -> tuple[float, float]:
        sea = Sea(47.5, -8.2, current_kn=0.0, wind_kn=wind_kn, wind_from_deg=off_bow_deg, wave_height_m=0.0)
        shafts = [rpm] * len(boat.engine_ids)
        near = comparisons._still_kn(boat, rpm) * KN_M_PER_S
        v = settled_speed_m_s(boat, sea, shafts, np.radians(heading_deg), (0.0, 0.0), boat.displacement_kg, near)
        return float(np.log(v)), float(np.log(settled_fuel_l_per_h(boat, shafts, v)))

    steps = comparisons.steps_of(boat, is_shifted=False)[::2]
    calm = np.array([settled(rpm, 0.0, 0.0) for rpm in steps])
    windy = np.array([[settled(rpm, 9.0, way) for way in (0.0, 180.0)] for rpm in steps])
    session = runs((np.exp(calm[:, 0]) / KN_M_PER_S).tolist(), 9.0, off_bow_deg, 0.0)
    session = replace(session, log_fuel=windy[:, [0, 1, 0, 1], 1].ravel())
    loss = wind_losses([session])[0]
    truth = windy.mean(axis=1) - calm
    assert np.all(np.abs(loss.speed - truth[:, 0]) <= 2.5 * loss.speed_u)
    assert np.all(np.abs(loss.fuel - truth[:, 1]) <= 2.5 * loss.fuel_u)
    economy, economy_u = loss.of("economy")
    assert np.all(np.abs(economy - (truth[:, 0] - truth[:, 1])) <= 2.5 * economy_u)
    # most of it is taken out where there is most
    assert abs(economy[0] - (truth[0, 0] - truth[0, 1])) < abs(truth[0, 0] - truth[0, 1])


def test_a_wind_nobody_measured_is_in_the_uncertainty_alone() -> None:
    speeds = np.array([6.0, 25.0])
    usual, calm, noted = (unmeasured_loss(speeds, kn) for kn in (None, 0.0, 10.0))
    assert not usual.is_measured
    assert not usual.speed.any()
    assert not calm.speed_u.any()
    # 0.0225 (the answer and what is believed of it) x 1/2 x 3/8 x 100 / 36
    assert noted.speed_u[0] == pytest.approx(0.0225 / 2.0 * 37.5 / 36.0, rel=5e-3)
    assert usual.economy_u[0] > 5.0 * usual.economy_u[1], "a fast boat hardly feels it"
    for nonsense in (float("nan"), float("inf"), -3.0, 1e300):
        assert unmeasured_loss(speeds, nonsense).speed_u == pytest.approx(usual.speed_u)


def test_holes_have_the_wind_of_the_others_and_nonsense_is_no_wind() -> None:
    whole = runs([6.0, 9.0], 8.0, 20.0, 0.02)
    holed = replace(whole, ahead_kn=np.where(np.arange(8) == 3, np.nan, whole.ahead_kn))
    assert not holed.is_known
    assert holed.with_holes_filled().ahead_kn == pytest.approx(whole.ahead_kn)
    few = replace(whole, ahead_kn=np.where(np.arange(8) < 6, np.nan, whole.ahead_kn))
    assert not few.with_holes_filled().is_known
    assert not replace(whole, across_kn=np.full(8, 1e300)).is_known
    slow = wind_losses([replace(runs([1e-6], 50.0, 10.0, 0.02), log_fuel=np.full(4, np.nan))])[0]
    assert np.isfinite([*slow.speed, *slow.economy_u]).all()
