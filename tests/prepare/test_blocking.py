"""Blocking against the exact standard error of a mean of autocorrelated samples, and beside the effective size."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from tests.segment_builder import PLANING_STEPS, Leg, build_segments, no_clocks, reciprocal_legs, steady_current
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.sample_statistics import blocking_error, choose_block, find_wander
from trialcapture.reduce.budget import DISAGREE_FACTOR
from trialcapture.reduce.summary import StandardErrorComparison

CONFIG = '[[engine]]\nid = "port"\nrated_rpm = 3500\n[[engine]]\nid = "stbd"\nrated_rpm = 3500\n'


def autoregressive(phi: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return samples of unit variance, each `phi` times the one before plus noise."""
    noise = rng.normal(0.0, np.sqrt(1.0 - phi**2), n + 2000)
    return lfilter([1.0], [1.0, -phi], noise)[2000:]


def exact_error(phi: float, n: int) -> float:
    """Return the standard error of the mean of n such samples, from their autocorrelation summed term by term."""
    k = np.arange(1, n)
    return float(np.sqrt((1.0 + 2.0 * np.sum((1.0 - k / n) * phi**k)) / n))


def test_white_noise_has_one_standard_error_by_blocks_of_any_length() -> None:
    x = np.random.default_rng(4).normal(0, 1, 4096)
    for block in (2**k for k in range(10)):
        error, count = blocking_error(x, block)
        # the standard deviation of n normal values is known to 1 / sqrt(2 (n - 1)) of it
        assert abs(error - 1.0 / 64.0) < 4.0 * error / np.sqrt(2.0 * (count - 1))


@pytest.mark.parametrize("phi", [0.5, 0.9, 0.97])
def test_the_level_chosen_gives_the_exact_standard_error(phi: float) -> None:
    rng = np.random.default_rng(7)
    n, found = 4096, []
    for _ in range(40):
        x = autoregressive(phi, n, rng)
        found.append(blocking_error(x, choose_block([x]))[0])
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(exact_error(phi, n), rel=0.12)


@pytest.mark.parametrize("memory_s", [0.5, 2.0, 4.0])
def test_blocking_and_effective_size_agree_on_legs_of_a_trial(memory_s: float) -> None:
    # fourteen legs of 90 s at 10 Hz, as a trial has them
    rng = np.random.default_rng(12)
    phi, n = float(np.exp(-0.1 / memory_s)), 900
    parts = [autoregressive(phi, n, rng) for _ in range(14)]
    wander = find_wander(parts, 0.1)
    block = choose_block(parts)
    by_blocks = np.sqrt(np.mean([blocking_error(p, block)[0] ** 2 for p in parts]))
    by_size = np.sqrt(np.mean([wander.errors(p, 0.1).mean ** 2 for p in parts]))
    assert by_blocks == pytest.approx(exact_error(phi, n), rel=0.25)
    # the other allows for a slow part besides, which blocks within a leg do not see
    assert 0.9 * by_blocks < by_size < DISAGREE_FACTOR * by_blocks


def test_too_few_blocks_give_no_error_and_a_constant_none_of_any_size() -> None:
    assert np.isnan(blocking_error(np.arange(10.0), 4)[0])
    assert blocking_error(np.arange(10.0), 4)[1] == 2
    assert choose_block([np.full(100, 3.0)]) == 1
    assert blocking_error(np.full(100, 3.0), 1) == (0.0, 100)
    assert choose_block([]) == choose_block([np.arange(3.0)]) == 1


@given(st.lists(st.floats(-50, 50), min_size=9, max_size=200))
def test_a_block_never_leaves_fewer_blocks_than_can_be_judged(values: list[float]) -> None:
    x = np.array(values)
    assert x.size // choose_block([x]) >= 3


def summarise(changed: dict[str, float | None]) -> dict[str, object]:
    legs = [
        Leg(g.rpm, g.speed_kn, g.direction_deg, g.mid_h, extra=dict(changed) if g.rpm == 2000 else {})
        for g in reciprocal_legs(PLANING_STEPS)
    ]
    segments = build_segments(legs, steady_current(0.5, 20.0), sampling_kn=0.03)
    for name, value in (("sog_u_blocking_kn", 0.035), ("sog_blocks", 8.0)):
        column = [changed.get(name, value) if r == 2000 else value for r in segments["rpm_mean"].to_pylist()]
        segments = segments.append_column(name, pa.array(column, pa.float64()))
    return measure_trial(segments, load_config(CONFIG), clocks=no_clocks(), samples=None, session_id="t")


def test_a_band_whose_two_standard_errors_differ_is_named() -> None:
    _, legs, summary = summarise({"sog_u_blocking_kn": 0.20})
    compared = summary.statistics.standard_errors
    assert compared.factor == DISAGREE_FACTOR
    assert [e.band_rpm for e in compared.bands if not e.agree] == [2000.0]
    warning = next(w for w in summary.warnings if w.code == "standard-errors-differ")
    assert warning.where == "2000 rpm"
    assert "0.200 against 0.030 kn" in warning.text
    assert legs["sog_u_blocking_kn"].to_pylist()[4:6] == [0.20, 0.20]


def test_bands_whose_standard_errors_agree_are_shown_without_a_warning() -> None:
    _, _, summary = summarise({})
    compared = summary.statistics.standard_errors
    assert [e.ratio for e in compared.bands] == pytest.approx([0.035 / 0.03] * 7)
    assert compared.all.blocks == 14 * 8
    assert "standard-errors-differ" not in {w.code for w in summary.warnings}


def test_segments_without_blocks_are_compared_with_nothing() -> None:
    segments = build_segments(reciprocal_legs(PLANING_STEPS), steady_current(0.5, 20.0))
    _, _, summary = measure_trial(segments, load_config(CONFIG), clocks=no_clocks(), samples=None, session_id="t")
    assert summary.statistics.standard_errors == StandardErrorComparison(DISAGREE_FACTOR, (), None)
