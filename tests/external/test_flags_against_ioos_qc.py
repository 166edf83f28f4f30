"""The quality flags against ioos-qc, the reference implementation of the QARTOD tests of US IOOS, on data at 1 Hz.

The test vectors are those of ioos-qc's own test suite (tests/test_qartod.py, version 3.0.0).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trialcapture.channels import BOAT_CHANNELS, Channel, QualityFlag
from trialcapture.prepare.channels.grid import flag_range, flag_spike, worst

qartod = pytest.importorskip("ioos_qc.qartod", reason="ioos-qc is not installed: pip install 'trialcapture[test]'")

SPIKES = [3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, None, 4, 4]


def channel(low: float, high: float) -> Channel:
    return Channel("x", "kn", "x", "linear", low, high, 1e-3, "invented")


def reference(values: np.ndarray, suspect: float, fail: float) -> list[int]:
    flags = qartod.spike_test(inp=values, suspect_threshold=suspect, fail_threshold=fail, method="differential")
    return [int(f) for f in flags]


def test_the_codes_are_those_of_qartod() -> None:
    theirs = qartod.QartodFlags
    ours = [QualityFlag.GOOD, QualityFlag.NOT_EVALUATED, QualityFlag.SUSPECT, QualityFlag.FAIL, QualityFlag.MISSING]
    assert ours == [theirs.GOOD, theirs.UNKNOWN, theirs.SUSPECT, theirs.FAIL, theirs.MISSING]


def test_gross_range_bounds_are_inclusive() -> None:
    # the reference's vector; its suspect span is a user's range, which a channel does not have
    values = np.array([5, 10, 15, 20, 25, 30, 35, 40, 45, 51], dtype=np.float64)
    assert flag_range(values, channel(10, 50)).tolist() == [4, 1, 1, 1, 1, 1, 1, 1, 1, 4]
    theirs = qartod.gross_range_test(inp=values, fail_span=(10, 50), suspect_span=(10, 50))
    assert flag_range(values, channel(10, 50)).tolist() == theirs.tolist()


def test_the_spike_vector_of_the_reference() -> None:
    values = np.array([np.nan if v is None else v for v in SPIKES])
    printed = [2, 1, 1, 1, 4, 1, 1, 3, 1, 1, 3, 1, 1, 4, 2, 9, 2, 2]
    assert reference(values, 0.5, 1.0) == printed
    ours = flag_spike(values, 0.5, 1.0).tolist()
    # beside a void the reference does not judge; here the next known reading is the neighbour, and 5 between 9 and 4
    # and 4 between 5 and 4 are no spikes
    assert [i for i, (a, b) in enumerate(zip(ours, printed, strict=True)) if a != b] == [14, 16]
    assert ours[14] == ours[16] == QualityFlag.GOOD


@given(
    hnp.arrays(np.float64, st.integers(3, 60), elements=st.floats(-100, 100, width=32)),
    st.floats(0.1, 10),
    st.floats(1.0, 5.0),
)
def test_spikes_are_those_of_the_reference_on_any_series_without_voids(
    values: np.ndarray, suspect: float, factor: float
) -> None:
    assert flag_spike(values, suspect, factor * suspect).tolist() == reference(values, suspect, factor * suspect)


def test_the_neighbours_of_a_spike_are_not_blamed_as_the_average_form_does() -> None:
    # vector of the reference's average form: 2,4,4,4,1,3,1,2
    values = np.array([10, 12, 999.99, 13, 15, 40, 9, 9])
    average = qartod.spike_test(inp=values, suspect_threshold=25, fail_threshold=50, method="average")
    assert average.tolist() == [2, 4, 4, 4, 1, 3, 1, 2]
    assert flag_spike(values, 20.0, 50.0).tolist() == [2, 1, 4, 1, 1, 3, 1, 2]


def test_headings_across_north_are_no_spikes() -> None:
    values = np.array([358.0, 359.0, 1.0, 359.0, 358.0, 357.0])
    assert reference(values, 20.0, 60.0) == [2, 1, 4, 1, 1, 2]
    assert flag_spike(values, 20.0, 60.0, angle=True).tolist() == [2, 1, 1, 1, 1, 2]


def test_places_off_the_globe_fail() -> None:
    # the reference's vector: longitude 80, -78.5, 500.5; latitude void, 50, -60
    lat, lon = (next(c for c in BOAT_CHANNELS if c.name == n) for n in ("lat_deg", "lon_deg"))
    ours = worst(flag_range(np.array([np.nan, 50.0, -60.0]), lat), flag_range(np.array([80.0, -78.5, 500.5]), lon))
    theirs = qartod.location_test(lon=[80, -78.5, 500.5], lat=[np.nan, 50, -60])
    assert theirs.tolist() == [4, 1, 4]
    # a void latitude is void here, not wrong: the worst of void and good is good, and position needs both
    assert ours.tolist()[1:] == theirs.tolist()[1:]
    assert flag_range(np.array([np.nan]), lat).tolist() == [QualityFlag.MISSING]


def test_the_worst_of_several_tests_is_that_of_the_reference() -> None:
    vectors = [[1, 1, 1, 9, 1, 1, 9, 9], [2, 1, 1, 1, 1, 1, 9, 9], [1, 3, 3, 4, 3, 1, 2, 9]]
    arrays = [np.array(v, dtype=np.uint8) for v in vectors]
    assert worst(*arrays).tolist() == [1, 3, 3, 4, 3, 1, 2, 9]
    rng = np.random.default_rng(5)
    many = [rng.choice(np.array([1, 2, 3, 4, 9], dtype=np.uint8), 500) for _ in range(4)]
    assert worst(*many).tolist() == qartod.qartod_compare(many).tolist()
