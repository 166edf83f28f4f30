"""True wind over ground against the vector method of Smith, Bourassa & Sharp 1999 (J. Atmos. Oceanic Technol. 16:939).

The expected values were computed from that paper's equations outside this project.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialcapture.prepare.truewind import true_wind


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
