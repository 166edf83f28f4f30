"""NMEA 0183 tests of single sentences run twice: as few lines are read, and as many lines of one shape are."""

from __future__ import annotations

import pytest

from trialcapture.decode.nmea0183 import templated

TWICE = ("test_nmea0183_fields", "test_nmea0183_framing", "test_nmea0183_damage")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if metafunc.module.__name__.rpartition(".")[2] in TWICE:
        metafunc.fixturenames.append("fewest_alike")
        metafunc.parametrize("fewest_alike", [templated.FEWEST_ALIKE, 1], indirect=True, scope="module")


@pytest.fixture(scope="module")
def fewest_alike(request: pytest.FixtureRequest) -> object:
    """From how many lines on a shape is read as such."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(templated, "FEWEST_ALIKE", request.param)
        yield request.param
