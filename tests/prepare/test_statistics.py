"""Sums and means over windows are those of their definition."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.prepare.sample_statistics import first_least, rolling_mean, slope_per_s, window_sums
from trialcapture.prepare.steady.setpoint_holds import window_change

gappy = st.lists(st.one_of(st.just(float("nan")), st.floats(-100, 100, width=16)), min_size=1, max_size=60).map(
    np.array
)


@given(st.lists(st.integers(-50, 50), max_size=40), st.integers(0, 60), st.integers(0, 60))
def test_a_window_sum_takes_what_there_is(values: list[int], before: int, after: int) -> None:
    y = np.array(values, dtype=np.float64)
    expected = [sum(values[max(i - before, 0) : i + after + 1]) for i in range(y.size)]
    assert window_sums(y, before, after).tolist() == expected


@given(gappy, st.integers(1, 70))
def test_a_rolling_mean_skips_what_is_unknown(y: np.ndarray, width: int) -> None:
    found = rolling_mean(y, width)
    for i in range(y.size):
        seen = y[max(i - width // 2, 0) : i + (width - 1) // 2 + 1]
        seen = seen[np.isfinite(seen)]
        if width == 1 or seen.size == 0:
            np.testing.assert_equal(found[i], y[i] if width == 1 else np.nan)
        else:
            np.testing.assert_allclose(found[i], seen.mean(), atol=1e-9)


@given(gappy, st.integers(1, 20))
def test_a_change_over_a_window_is_that_of_its_own_regression(y: np.ndarray, half: int) -> None:
    found = window_change(y, 1.0, 2.0 * half)
    for i in range(y.size):
        seen = y[max(i - half, 0) : i + half + 1]
        if seen.size <= half or not np.isfinite(seen).all():
            assert np.isnan(found[i])
        elif seen.size > 2:
            np.testing.assert_allclose(found[i], slope_per_s(seen, 1.0) * 2.0 * half, atol=1e-6)


def test_the_first_least_of_each_stretch_is_that_of_each_by_itself() -> None:
    rng = np.random.default_rng(8)
    for _ in range(50):
        values = rng.integers(0, 5, int(rng.integers(1, 60))).astype(np.float64)
        inner = np.flatnonzero(rng.random(values.size - 1) < 0.3) + 1
        begins = np.concatenate([[0], inner])
        alone = [b + int(part.argmin()) for b, part in zip(begins, np.split(values, inner), strict=True)]
        assert first_least(values, begins).tolist() == alone
