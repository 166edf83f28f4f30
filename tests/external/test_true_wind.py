"""True wind over ground against the vector method of Smith, Bourassa & Sharp 1999 (J. Atmos. Oceanic Technol. 16:939).

The expected values were computed from that paper's equations outside this project.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.prepare.channels.grid import true_wind


@pytest.mark.parametrize(
    ("angle", "speed", "through_kn", "true_angle", "true_kn"),
    # the wind triangle with speed through water on the bow: x = AWS cos AWA - STW, y = AWS sin AWA
    [
        (45.0, 20.0, 10.0, 73.675, 14.736), (0.0, 30.0, 20.0, 0.0, 10.0), (90.0, 10.0, 10.0, 135.0, 14.142),
        (180.0, 5.0, 20.0, 180.0, 25.0), (30.0, 25.0, 15.0, 61.985, 14.159), (330.0, 25.0, 15.0, 298.015, 14.159),
    ],
)  # fmt: skip
def test_wind_triangles_on_a_boat_without_drift(
    angle: float, speed: float, through_kn: float, true_angle: float, true_kn: float
) -> None:
    for heading in (0.0, 200.0):
        inputs = (np.array([x]) for x in (heading, angle, speed, heading, through_kn))
        got_kn, got_from = (float(v[0]) for v in true_wind(*inputs))
        assert got_kn == pytest.approx(true_kn, abs=1e-3)
        assert (got_from - heading - true_angle + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("heading", "angle", "speed", "cog", "sog", "from_deg", "true_kn"),
    [
        (0.0, 0.0, 25.0, 0.0, 20.0, 0.0, 5.000),
        (350.0, 30.0, 25.0, 355.0, 15.0, 49.066, 13.049),
        (270.0, 90.0, 10.0, 270.0, 0.0, 0.0, 10.0),
    ],
)
def test_wind_over_ground(
    heading: float, angle: float, speed: float, cog: float, sog: float, from_deg: float, true_kn: float
) -> None:
    got_kn, got_from = (float(v[0]) for v in true_wind(*(np.array([x]) for x in (heading, angle, speed, cog, sog))))
    assert got_kn == pytest.approx(true_kn, abs=1e-3)
    assert (got_from - from_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)


def test_a_calm_has_no_direction() -> None:
    speed, from_deg = true_wind(*(np.array([x]) for x in (0.0, 0.0, 20.0, 0.0, 20.0)))
    assert float(speed[0]) == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(from_deg[0])
