"""Trim sweeps: a gain that is there is found, one that is not is called noise, however many settings are tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.measure.manoeuvre_samples import circumstances
from trialcapture.measure.circumstances import Circumstances, TrialSamples
from trialcapture.measure.trim_sweep import find_sweeps, measure_trim_sweeps
from trialcapture.reduce.summary import Measured
from trialcapture.reduce.uncertainty import ComparedValue, compare_values

HOUR_NS = 3_600_000_000_000


def sweep(
    speeds_kn: list[float], trims: list[str], *, courses_deg: list[float] | None = None, rpm: list[float] | None = None,
    every_min: float = 2.0,
) -> Circumstances:  # fmt: skip
    """Legs one after the other, each with its trim."""
    count = len(speeds_kn)
    found = circumstances()
    legs = found.legs
    start = np.arange(count, dtype=np.int64) * round(every_min * 60e9)
    values = {name: np.full(count, np.nan) for name in legs.values}
    values |= {
        "rpm_mean": np.array(rpm or [3000.0] * count),
        "sog_kn_mean": np.array(speeds_kn),
        "cog_true_deg_mean": np.array(courses_deg or [80.0] * count),
        "sog_u_kn": np.full(count, 0.03),
    }
    made = replace(
        legs, t0_ns=0, start_ns=start, stop_ns=start + 60_000_000_000, segment_id=np.arange(count), trim=list(trims),
        values=values,
    )  # fmt: skip
    return replace(found, legs=made)


def measure(found: Circumstances) -> Measured:
    (only,) = measure_trim_sweeps(found, TrialSamples(None, None))
    return only


TABS = ["tabs 0 %", "tabs 25 %", "tabs 50 %", "tabs 75 %"]


def test_a_gain_that_is_there_is_real_and_the_next_best_is_told_beside_it() -> None:
    found = measure(sweep([22.0, 23.4, 23.5, 22.4], TABS))
    assert found.claimed
    assert found.answer.value == pytest.approx(1.5)
    assert found.answer.notes[0] == "best of 4 settings at 3000 rpm, on 080°: tabs 50 %"
    assert found.answer.notes[1].endswith("over the slowest, tabs 0 %: real")
    assert found.answer.notes[2].endswith("over the next, tabs 25 %: within noise")
    assert [m.to for m in found.manoeuvres] == TABS
    assert found.manoeuvres[2].conditions == "over ground, best"


def test_noise_is_called_noise() -> None:
    found = measure(sweep([22.0, 22.1, 22.15, 22.05], TABS))
    assert not found.claimed
    assert "beyond noise" in found.reason
    assert found.answer.value is None


@pytest.mark.parametrize("settings", [3, 8])
def test_the_best_of_many_settings_that_are_alike_is_seldom_real(settings: int) -> None:
    # the best was chosen by its noise, so a single comparison at 95 % would be wrong far more often
    rng = np.random.default_rng(7)
    trims = [f"tabs {k}" for k in range(settings)] * 2
    real = 0
    for _ in range(200):
        speeds = (22.0 + 0.12 * rng.standard_normal(2 * settings)).tolist()
        real += measure(sweep(speeds, trims)).claimed
    assert real / 200 <= 0.08


def test_a_correction_for_many_comparisons_widens_the_factor() -> None:
    # Šidák: 0.9545 ** (1 / 6) = 0.99227, whose two-sided normal factor is 2.665 (tables of the normal law)
    values = ComparedValue(20.0, 0.1, 0.0), ComparedValue(20.5, 0.1, 0.0)
    assert compare_values(*values).k == pytest.approx(2.0, abs=1e-3)
    assert compare_values(*values, comparisons=6).k == pytest.approx(2.665, abs=2e-3)


def test_engine_speeds_that_differ_a_little_are_brought_to_one() -> None:
    found = measure(sweep([22.0, 22.0], TABS[:2], rpm=[3000.0, 3030.0]))
    assert not found.claimed
    first, second = (m.value or 0.0 for m in found.manoeuvres)
    assert first / second == pytest.approx(1.01)


def test_both_ways_of_every_setting_are_meaned() -> None:
    found = measure(
        sweep([23.0, 21.0, 24.5, 22.5], [TABS[0], TABS[0], TABS[1], TABS[1]], courses_deg=[80.0, 260.0] * 2)
    )
    assert found.answer.value == pytest.approx(1.5)
    assert "mean of 080° and 260°" in found.answer.notes[0]


def test_one_setting_run_back_leaves_the_way_of_the_sweep() -> None:
    speeds, courses = [22.0, 23.5, 21.5], [80.0, 80.0, 260.0]
    found = measure(sweep(speeds, [TABS[0], TABS[1], TABS[1]], courses_deg=courses))
    assert found.answer.value == pytest.approx(1.5)
    assert "on 080°" in found.answer.notes[0]


def test_what_is_no_sweep() -> None:
    assert measure_trim_sweeps(sweep([22.0, 23.0], ["a", "a"]), TrialSamples(None, None)) == ()
    assert find_sweeps(sweep([22.0, 25.0], TABS[:2], rpm=[3000.0, 3300.0])) == []
    assert find_sweeps(sweep([22.0, 23.0], TABS[:2], every_min=80.0)) == []
    # settings on other courses are not compared
    assert measure_trim_sweeps(sweep([22.0, 23.0], TABS[:2], courses_deg=[80.0, 170.0]), TrialSamples(None, None)) == ()
