"""Mean directions against worked values (exact trigonometry) and SciPy's circular statistics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from trialcapture.prepare.sample_statistics import circular_mean_deg, circular_sd_deg
from trialcapture.reduce.uncertainty import weighted_direction_deg


@pytest.mark.parametrize(
    ("angles", "mean"),
    # directional statistics by unit vectors, Mardia & Jupp 2000, section 2.2
    [((359.0, 1.0), 0.0), ((350.0, 10.0), 0.0), ((350.0, 20.0, 10.0), 6.7050), ((350.0, 0.0, 10.0, 20.0), 5.0)],
)
def test_mean_directions_across_north(angles: tuple[float, ...], mean: float) -> None:
    x = np.array(angles)
    for found in (circular_mean_deg(x), weighted_direction_deg(x, np.ones(x.size))):
        assert found is not None
        # the remainder of a tiny negative angle is 360 itself in floating point; it must not be handed out
        assert 0.0 <= found < 360.0
        assert (found - mean + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-4)


def test_spread_of_two_directions_from_their_resultant() -> None:
    # 350 and 10: resultant 0.984808, circular standard deviation sqrt(-2 ln R)
    assert circular_sd_deg(np.array([350.0, 10.0])) == pytest.approx(
        np.degrees(np.sqrt(-2 * np.log(0.984808))), abs=1e-3
    )


def test_opposite_directions_have_no_mean() -> None:
    assert circular_mean_deg(np.array([0.0, 180.0])) is None
    assert np.isnan(weighted_direction_deg(np.array([0.0, 180.0]), np.ones(2)))


@given(st.lists(st.floats(-60, 60), min_size=2, max_size=40), st.floats(0, 360))
def test_mean_and_spread_are_those_of_scipy(off: list[float], axis: float) -> None:
    x = (axis + np.array(off)) % 360.0
    mean, spread = circular_mean_deg(x), circular_sd_deg(x)
    assert mean is not None
    assert spread is not None
    peer = stats.circmean(x, high=360.0)
    assert (mean - peer + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)
    assert spread == pytest.approx(stats.circstd(x, high=360.0), abs=1e-4)
