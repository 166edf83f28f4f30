"""A run back that was refused: what it says of a band that is left with one way."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    Current,
    Leg,
    build_segments,
    no_clocks,
    reciprocal_legs,
    steady_current,
    terms_of,
)
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial

CONFIG = load_config('[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n')
TOP_KN = PLANING_STEPS[-1][1]
REFUSED = {"accepted": False, "reason": "speed not settled"}
NAME = "run back refused"


def reduce(legs: list[Leg], current: Current) -> tuple[list[dict[str, Any]], list[dict[str, float]]]:
    bands, _, summary = measure_trial(
        build_segments(legs, current), CONFIG, clocks=no_clocks(), samples=None, session_id="t"
    )
    return bands.to_pylist(), terms_of(summary)


def other_water(from_h: float, extra_kn: float, axis_deg: float = 40.0) -> Current:
    """Half a knot along the line, and more of it from a time on: the boat has passed a front."""
    before, after = steady_current(0.5, axis_deg), steady_current(0.5 + extra_kn, axis_deg)
    return lambda t_h: after(t_h) if t_h > from_h else before(t_h)


def trial_with_a_front(extra_kn: float, **refused: Any) -> tuple[list[Leg], Current]:
    legs = reciprocal_legs(PLANING_STEPS)
    legs[-1] = replace(legs[-1], extra={**REFUSED, **refused})
    return legs, other_water((legs[-3].mid_h + legs[-2].mid_h) / 2.0, extra_kn)


@pytest.mark.parametrize("extra_kn", [0.3, 0.7, 1.0])
def test_a_front_that_the_refused_run_back_shows_is_in_the_uncertainty(extra_kn: float) -> None:
    rows, terms = reduce(*trial_with_a_front(extra_kn))
    top = rows[-1]
    error = top["speed_kn"] - TOP_KN
    assert top["ways"] == 1
    assert error > 0.8 * extra_kn
    assert error < 2.0 * top["speed_u_kn"]
    assert terms[-1][NAME] == pytest.approx(min(error, 0.7), rel=0.05)
    assert all(NAME not in t for t in terms[:-1])


def test_in_one_water_a_refused_run_back_costs_next_to_nothing() -> None:
    rows, terms = reduce(*trial_with_a_front(0.0))
    assert terms[-1].get(NAME, 0.0) < 0.02
    assert rows[-1]["speed_kn"] == pytest.approx(TOP_KN, abs=0.02)


@pytest.mark.parametrize(
    "refused",
    [
        {"rpm_mean": 3300.0, "rpm_port_mean": 3300.0, "rpm_stbd_mean": 3300.0}, {"cog_true_deg_mean": 150.0},
        {"duration_s": 10.0}, {"heading_sd_deg": 20.0}, {"sog_kn_mean": None}, {"cog_true_deg_mean": None},
    ],
)  # fmt: skip
def test_a_hold_that_is_no_run_back_says_nothing(refused: dict[str, Any]) -> None:
    rows, terms = reduce(*trial_with_a_front(0.7, **refused))
    assert all(NAME not in t for t in terms)
    assert rows[-1]["ways"] == 1


def test_a_run_back_long_after_says_nothing() -> None:
    legs, current = trial_with_a_front(0.7)
    legs[-1] = replace(legs[-1], mid_h=legs[-1].mid_h + 1.0)
    assert all(NAME not in t for t in reduce(legs, current)[1])


def test_another_band_run_one_way_gets_half_of_what_the_trial_shows() -> None:
    legs, current = trial_with_a_front(0.6)
    del legs[3]
    rows, terms = reduce(legs, current)
    assert [r["ways"] for r in rows] == [2, 1, 2, 2, 2, 2, 1]
    assert terms[1][NAME] == pytest.approx(terms[-1][NAME] / 2.0)
    assert all(NAME not in terms[b] for b in (0, 2, 3, 4, 5))


def test_the_speed_itself_never_comes_from_a_refused_hold() -> None:
    legs, current = trial_with_a_front(0.7)
    with_hold, without = reduce(legs, current)[0], reduce(legs[:-1], current)[0]
    assert with_hold[-1]["speed_kn"] == without[-1]["speed_kn"]
    assert with_hold[-1]["speed_u_kn"] > 2.0 * without[-1]["speed_u_kn"]
