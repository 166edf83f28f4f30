"""What a stretch says of itself: its depth, whatever single soundings were bad."""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.prepare.segments import depth_range

GRID_S = 0.1


def on_grid(soundings_m: np.ndarray, every_s: float) -> np.ndarray:
    """Return soundings on the grid of the samples, joined by straight lines as the grid joins them."""
    t = np.arange(round(soundings_m.size * every_s / GRID_S)) * GRID_S
    return np.interp(t, np.arange(soundings_m.size) * every_s, soundings_m)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 2.0])
@pytest.mark.parametrize("bad_m", [0.0, 1.5, 8.0, 210.0])
@pytest.mark.parametrize("at", [[10], [3, 14, 25, 36], [20, 21, 22], [0], [-1]])
def test_bad_soundings_make_no_water_shallow_and_none_deep(every_s: float, bad_m: float, at: list[int]) -> None:
    rng = np.random.default_rng(1)
    true_m = 32.0 + 0.5 * np.sin(np.arange(60) / 9.0)
    soundings = true_m + rng.normal(0.0, 0.08, true_m.size)
    soundings[at] = bad_m
    found = depth_range(on_grid(soundings, every_s), GRID_S)
    assert found is not None
    assert found == pytest.approx((true_m.min(), true_m.max()), abs=0.3)


def test_a_real_shoal_is_kept() -> None:
    depth = np.interp(np.arange(900) * GRID_S, [0.0, 30.0, 50.0, 90.0], [30.0, 28.0, 6.0, 5.0])
    assert depth_range(depth, GRID_S) == pytest.approx((5.0, 30.0), abs=0.5)
    ridge = 20.0 - 12.0 * np.exp(-(((np.arange(900) * GRID_S - 45.0) / 15.0) ** 2))
    assert depth_range(ridge, GRID_S) == pytest.approx((8.0, 20.0), abs=0.5)


def test_few_soundings_and_none() -> None:
    none = np.full(300, np.nan)
    assert depth_range(none, GRID_S) is None
    one = none.copy()
    one[155] = 12.0
    assert depth_range(one, GRID_S) == (12.0, 12.0)
    two = none.copy()
    two[100:120], two[200:220] = 12.0, 12.4
    assert depth_range(two, GRID_S) == pytest.approx((12.0, 12.4), abs=0.05)
