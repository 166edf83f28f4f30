"""What is left of the approach to the speeds of a trial, against legs of a first-order response."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import PLANING_STEPS, Leg, build_segments, no_clocks, reciprocal_legs, steady_current
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.budget import Settling, find_settling
from trialcapture.reduce.runs import merge_runs, select_legs
from trialcapture.reduce.summary import Findings

ENGINES = ("port", "stbd")
CONFIG = '[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n'
STEP_KN = 4.0


def approached(
    leg: Leg, left_kn: float, tau_s: float, step_kn: float = STEP_KN, *, u_kn: float = 0.05, rng: Any = None
) -> Leg:
    """A leg on which so much of its step is left as it begins, positive where it is too slow, fitted by NumPy.

    Slope and bend are those of ``-left exp(-t / tau)``, with noise of their standard errors.
    """
    t_s = (np.arange(2000) + 0.5) / 2000 * leg.duration_s
    v = -left_kn * np.exp(-t_s / tau_s)
    noise = np.zeros(3) if rng is None else rng.normal(0.0, 1.0, 3)
    slope = np.polyfit(t_s / 60.0, v, 1)[0] + u_kn / (leg.duration_s / 60.0) * noise[0]
    bend = np.polyfit(np.linspace(-1.0, 1.0, 2000), v, 2)[0] + u_kn * noise[1]
    return replace(
        leg,
        speed_kn=leg.speed_kn + float(v.mean()),
        extra=leg.extra | {
            "approach_step_kn": step_kn, "since_change_s": 20.0, "sog_slope_kn_per_min": float(slope),
            "sog_slope_u_kn_per_min": u_kn / (leg.duration_s / 60.0), "sog_bend_kn": float(bend),
            "sog_bend_u_kn": u_kn,
        },
    )  # fmt: skip


def trial(left_kn: float, tau_s: float, *, seed: int, steps_kn: tuple[float, ...] = (STEP_KN,)) -> list[Leg]:
    rng = np.random.default_rng(seed)
    legs = reciprocal_legs(PLANING_STEPS[:5])
    return [
        approached(leg, left_kn * s / STEP_KN, tau_s, s, rng=rng)
        for leg, s in zip(legs, list(steps_kn) * len(legs), strict=False)
    ]


def found_in(legs: list[Leg]) -> tuple[Settling, np.ndarray]:
    """What is found, and by how much each band's mean of both ways is too low."""
    table = build_segments(legs, steady_current(0.0, 0.0))
    for name in ("approach_step_kn", "since_change_s", "sog_slope_u_kn_per_min", "sog_bend_kn", "sog_bend_u_kn"):
        table = table.append_column(name, pa.array([leg.extra.get(name) for leg in legs], pa.float64()))
    selected = select_legs(table, ENGINES)
    band = np.repeat(np.arange(len(legs) // 2), 2)
    weights = np.kron(np.eye(len(legs) // 2), [[0.5, 0.5]])
    true = np.array([leg.speed_kn for leg in reciprocal_legs(PLANING_STEPS[: len(legs) // 2])])
    too_low = weights @ (true - np.array([leg.speed_kn for leg in legs]))
    return find_settling(selected, merge_runs(selected, band, 15.0), weights), too_low


@pytest.mark.parametrize("tau_s", [30.0, 60.0, 90.0])
@pytest.mark.parametrize("left_kn", [0.15, 0.3, 0.45])
def test_a_slow_part_ends_inside_the_interval(tau_s: float, left_kn: float) -> None:
    """A slow part of 15 % of a step of 4 kn with a time constant of 60 s has 0.43 kn left after 20 s."""
    for seed in range(12):
        found, too_low = found_in(trial(left_kn, tau_s, seed=seed))
        assert np.all(np.abs(too_low) <= 2.0 * np.hypot(found.u_kn, 0.05))
        assert found.drop_kn > 0.0


def test_a_clear_one_is_told_with_how_much_longer_to_hold() -> None:
    clear = [found_in(trial(0.43, 60.0, seed=seed))[0] for seed in range(12)]
    assert sum(f.is_clear for f in clear) >= 11
    waits = [f.longer_s for f in clear if f.is_clear]
    # exp(-t / 60 s) takes the 0.27 kn that 90 s lack on average down to 0.05 kn in 101 s
    assert 60.0 < np.median(waits) < 160.0
    assert all(f.drop_kn > 2.5 * f.drop_u_kn for f in clear if f.is_clear)


def test_both_sides_of_the_approach_count_as_one() -> None:
    """From above the speed falls on: the same cause, the other sign."""
    up, low = found_in(trial(0.43, 60.0, seed=3))
    down, high = found_in(trial(0.43, 60.0, seed=3, steps_kn=(STEP_KN, -STEP_KN)))
    assert down.is_clear == up.is_clear
    assert down.drop_kn == pytest.approx(up.drop_kn, abs=0.08)
    # where one way came from below and the other from above, the mean of both ways loses it
    assert np.abs(high).max() < 0.01 < low.min()
    assert down.u_kn.max() < 0.5 * up.u_kn.min()


def test_settled_legs_have_no_such_term_worth_naming() -> None:
    found = [found_in(trial(0.0, 60.0, seed=seed))[0] for seed in range(40)]
    assert sum(f.is_clear for f in found) <= 1
    assert np.median([f.u_kn.max() for f in found]) < 0.03
    drops = np.array([f.drop_kn / f.drop_u_kn for f in found])
    assert 0.7 < drops.std() < 1.4


def test_an_overshoot_is_told_too() -> None:
    found, too_low = found_in(trial(-0.4, 40.0, seed=1))
    assert found.is_clear
    assert found.drop_kn < 0.0
    assert too_low.max() < 0.0
    assert np.all(np.abs(too_low) <= 2.0 * np.hypot(found.u_kn, 0.05))


@pytest.mark.parametrize("missing", ["approach_step_kn", "sog_slope_u_kn_per_min"])
def test_without_approaches_nothing_is_said(missing: str) -> None:
    legs = [replace(leg, extra={**leg.extra, missing: None}) for leg in trial(0.4, 60.0, seed=1)]
    found, _ = found_in(legs)
    assert np.isnan(found.drop_kn)
    assert not found.u_kn.any()
    assert not found.is_clear


def summary_of(legs: list[Leg]) -> Findings:
    table = build_segments(legs, steady_current(0.3, 40.0), sampling_kn=0.03)
    for name in ("approach_step_kn", "since_change_s", "sog_slope_u_kn_per_min", "sog_bend_kn", "sog_bend_u_kn"):
        table = table.append_column(name, pa.array([leg.extra.get(name) for leg in legs], pa.float64()))
    return measure_trial(table, load_config(CONFIG), clocks=no_clocks(), samples=None, session_id="t")[2]


def test_the_term_stands_in_the_budget_and_the_advice_in_the_warnings() -> None:
    unsettled, settled = summary_of(trial(0.43, 60.0, seed=2)), summary_of(trial(0.0, 60.0, seed=2))
    (warning,) = [w for w in unsettled.warnings if w.code == "not-settled"]
    assert "longer before each run" in warning.text
    assert not [w for w in settled.warnings if w.code == "not-settled"]

    def term_kn(found: Findings) -> list[float]:
        speeds = [budget.of("speed") for budget in found.budgets]
        return [sum(t.u for t in speed.terms if t.name == "settling") for speed in speeds if speed is not None]

    assert len(term_kn(unsettled)) == 5
    assert min(term_kn(unsettled)) > 0.05
    assert max(term_kn(settled)) < 0.05
