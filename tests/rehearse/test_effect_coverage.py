"""Trials in which every effect is drawn: what is drawn is what is simulated, and the oracle knows its size."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest

from tests.accuracy.coverage import QUANTITIES, Trial, demands, factor_table, oracle_line, run, true_value
from tests.accuracy.effects import FACTORS, FIRST_SEED, Level, draw
from tests.accuracy.oracle import LEVEL_K, mean_variance, oracle_halves, rounding_sd
from tests.made_once import motions_once
from trialcapture.rehearse.sea import correlated
from trialcapture.rehearse.simulate import SimulatedTrial, simulate

SMALL: dict[str, Level] = {
    "boat": "displacement", "bands": 2, "runs_a_band": 2, "hold": 60, "lines": 1, "wind": 10, "wind_angle": "along",
    "tide": 0.0, "current": 0, "slow_settling": "none", "tachometer": "not stated", "heading": "yes",
}  # fmt: skip
KEYS = {name: name.split(" [")[0].replace(" ", "_") for name in FACTORS}


def simulated(**levels: Level) -> SimulatedTrial:
    return _simulated(tuple(sorted((SMALL | levels).items())))


@cache
def _simulated(levels: tuple[tuple[str, Level], ...]) -> SimulatedTrial:
    with motions_once():
        return simulate(draw(3, **dict(levels)).scenario, 3, errors=True)


def seen(trial: SimulatedTrial) -> bytes:
    """Return everything a user would have of a trial, and its truth."""
    lines = b"".join(bytes(b) for b in trial.lines["bytes"].to_pylist())
    logs = b"".join(log.data for log in trial.engine_logs)
    return b"\n".join([lines, logs, trial.config_text.encode(), json.dumps(trial.truth["settled"]).encode()])


@pytest.mark.parametrize("name", FACTORS)
def test_every_level_of_a_factor_gives_another_trial(name: str) -> None:
    # a tank changes nothing but the range, and where it is stated the settings
    found = [seen(simulated(**{KEYS[name]: level})) for level in FACTORS[name]]
    assert len(set(found)) == len(FACTORS[name])


def test_levels_are_drawn_evenly_and_independently() -> None:
    drawn = [draw(FIRST_SEED + n).levels for n in range(400)]
    for name, levels in FACTORS.items():
        counts = [sum(d[name] == level for d in drawn) for level in levels]
        expected = 400 / len(levels)
        # five standard deviations of a binomial count
        assert max(abs(c - expected) for c in counts) < 5.0 * np.sqrt(expected * (1.0 - 1.0 / len(levels)))
    assert draw(FIRST_SEED).scenario == draw(FIRST_SEED).scenario
    assert draw(FIRST_SEED).scenario != draw(FIRST_SEED + 1).scenario


def only_settled(**levels: Level) -> list[Mapping[str, float]]:
    return simulated(**levels).truth["settled"]


def test_truth_moves_with_wind_and_tank_and_not_with_what_is_scatter() -> None:
    still, windy = only_settled(wind=0), only_settled(wind=16)
    for calm, blown in zip(still, windy, strict=True):
        assert blown["speed_kn"] < calm["speed_kn"]
        assert blown["fuel_l_per_h"] > calm["fuel_l_per_h"]
        assert blown["wind_way_kn"] > 10.0 * abs(calm["wind_way_kn"])
    base = only_settled()
    for key, level in (("run_to_run", 0.35), ("wander", "4 s and much of 45 s"), ("heading", "no"),
                       ("slow_settling", "15 % at 60 s"), ("fuel", "calibrated 0.5 %")):  # fmt: skip
        for one, other in zip(base, only_settled(**{key: level}), strict=True):
            assert other["speed_kn"] == pytest.approx(one["speed_kn"], abs=0.002)
            assert other["range_nm"] == pytest.approx(one["range_nm"], rel=1e-3)
    late = only_settled(slow_settling="15 % at 60 s")
    assert all(run["unsettled_kn"] < -0.05 for run in late[1]["runs"][:1])


def test_a_true_value_is_read_at_the_engine_speed_a_row_states() -> None:
    step = only_settled()[0]
    for entry in step["nearby"]:
        assert true_value(step, "speed_kn", entry["rpm"]) == pytest.approx(entry["speed_kn"], rel=1e-9)
    between = true_value(step, "fuel_l_per_h", 1.01 * step["rpm"])
    assert step["fuel_l_per_h"] < between < step["nearby"][2]["fuel_l_per_h"]


# ------------------------------------------------------------------------------
# The oracle.
# ------------------------------------------------------------------------------


def halves(**levels: Level) -> list[dict[str, float]]:
    return oracle_halves(draw(3, **(SMALL | levels)), only_settled(**levels))


def squared_shares(quantity: str, **levels: Level) -> np.ndarray:
    """Return the square of an oracle's standard uncertainty over the value, band by band."""
    true = [step[QUANTITIES[quantity]] for step in only_settled(**levels)]
    return np.square([half[quantity] / LEVEL_K / value for half, value in zip(halves(**levels), true, strict=True)])


def test_variance_of_a_mean_of_remembering_noise_is_that_of_many_such_means() -> None:
    rng = np.random.default_rng(4)
    means = [float(np.mean(0.1 * correlated(180, 0.5, 45.0, rng))) for _ in range(4000)]
    assert float(np.var(means)) == pytest.approx(mean_variance(0.1, 45.0, 90.0), rel=0.1)


def test_rounding_without_noise_is_a_rectangle_and_with_noise_goes_away() -> None:
    # q/√12, GUM F.2.2.1; the mean of readings that dither over a step has no rounding error left
    rng = np.random.default_rng(6)
    true = rng.uniform(0.0, 10.0, 3000)
    for noise, tolerance in ((0.0, 0.25), (2.0, 0.15), (3.0, 0.15)):
        read = np.rint((true[:, None] + noise * rng.standard_normal((3000, 400))) / 10.0) * 10.0
        off = read.mean(axis=1) - true
        left = np.sqrt(max(float(np.var(off)) - noise**2 / 400.0, 0.0))
        assert rounding_sd(10.0, noise) == pytest.approx(left, rel=tolerance)


def test_more_runs_narrow_the_oracle_by_the_root_of_their_number() -> None:
    pair, four = (halves(runs_a_band=n, run_to_run=0.35, wind=0) for n in (2, 4))
    for wide, narrow in zip(pair, four, strict=True):
        assert wide["speed"] == pytest.approx(LEVEL_K * 0.35 / np.sqrt(2.0), rel=0.1)
        assert wide["speed"] / narrow["speed"] == pytest.approx(np.sqrt(2.0), rel=0.1)


def test_one_way_leaves_the_current_open_unless_a_heading_on_two_lines_shows_it() -> None:
    blind = halves(runs_a_band=1, current=3, heading="no", run_to_run=0.03)
    for half in blind:
        assert half["speed"] == pytest.approx(LEVEL_K * 3.0 / np.sqrt(2.0), rel=0.3)
    seeing = halves(runs_a_band=1, current=3, heading="yes", lines=2, run_to_run=0.03)
    assert max(half["speed"] for half in seeing) < 0.3 * min(half["speed"] for half in blind)


def test_tank_calibration_and_tachometer_add_what_was_drawn_of_them() -> None:
    base: dict[str, Level] = {"fuel": "calibrated 0.5 %", "tank": "stated 1 %, 0.01"}
    wide_tank = squared_shares("range", **(base | {"tank": "stated 3 %, 0.02"})) - squared_shares("range", **base)
    assert wide_tank == pytest.approx((0.03**2 + (0.02 / 0.97) ** 2) - (0.01**2 + (0.01 / 0.97) ** 2), rel=1e-3)
    unchecked = squared_shares("fuel", **(base | {"fuel": "uncalibrated"})) - squared_shares("fuel", **base)
    assert unchecked == pytest.approx(0.025**2 - 0.005**2, rel=1e-2)
    dial = squared_shares("speed", **(base | {"tachometer": "stated 1 %"})) - squared_shares("speed", **base)
    for found, step in zip(dial, only_settled(**base), strict=True):
        low, _, high = step["nearby"]
        slope = np.log(high["speed_kn"] / low["speed_kn"]) / np.log(high["rpm"] / low["rpm"])
        assert found == pytest.approx((0.01**2 - 0.001**2) * slope**2, rel=0.05)


# ------------------------------------------------------------------------------
# The whole of it, small.
# ------------------------------------------------------------------------------


@cache
def trials() -> list[Trial]:
    return [run(seed) for seed in range(FIRST_SEED, FIRST_SEED + 4)]


@pytest.mark.slow
def test_small_form_of_the_coverage_run() -> None:
    found = trials()
    assert not [t.crash for t in found if t.crash]
    assert sum(len(t.missing) for t in found) < 0.5 * sum(t.bands for t in found)
    for quantity in QUANTITIES:
        values = [v for t in found for v in t.values[quantity]]
        assert values
        for v in values:
            assert v.half > 0.0
            assert v.oracle > 0.0
            # nearly six true standard deviations, or the program measures something else than the truth tells
            assert abs(v.error) < 3.0 * v.oracle
    table = factor_table(found)
    assert table.count("\n| ") >= len(FACTORS)
    assert oracle_line(found).count(" %") == len(QUANTITIES)
    assert next(what for what, _, _ in demands(found)).startswith("speed inside the printed ±")
