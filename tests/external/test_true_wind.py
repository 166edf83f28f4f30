"""True wind over ground against the vector method of Smith, Bourassa & Sharp 1999 (J. Atmos. Oceanic Technol. 16:939).

Its equation is the wind triangle: wind over ground is wind met plus the boat's own way over ground. Here it is written
in complex numbers, north real and east imaginary.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from trialcapture.prepare.channels.grid import true_wind

Floats = npt.NDArray[np.float64]


def vector(size: float, towards_deg: float) -> complex:
    return complex(size * np.exp(1j * np.radians(towards_deg)))


def assert_wind(got: tuple[Floats, Floats], towards: complex) -> None:
    kn, from_deg = (float(v[0]) for v in got)
    assert kn == pytest.approx(abs(towards), abs=1e-9)
    assert vector(1.0, from_deg + 180.0) == pytest.approx(towards / abs(towards), abs=1e-9)


@pytest.mark.parametrize(
    ("angle", "speed", "through_kn"),
    [(45.0, 20.0, 10.0), (0.0, 30.0, 20.0), (90.0, 10.0, 10.0), (180.0, 5.0, 20.0), (30.0, 25.0, 15.0),
     (330.0, 25.0, 15.0)],
)  # fmt: skip
@pytest.mark.parametrize("heading", [0.0, 200.0])
def test_wind_triangles_on_a_boat_without_drift(heading: float, angle: float, speed: float, through_kn: float) -> None:
    met = vector(speed, heading + angle + 180.0)
    inputs = (np.array([x]) for x in (heading, angle, speed, heading, through_kn))
    assert_wind(true_wind(*inputs), met + vector(through_kn, heading))


def test_a_wind_triangle_that_can_be_seen() -> None:
    # apparent wind square to the bow, as strong as the boat is fast: true wind 45 degrees abaft the beam, √2 as strong
    kn, from_deg = true_wind(*(np.array([x]) for x in (0.0, 90.0, 10.0, 0.0, 10.0)))
    assert (kn[0], from_deg[0]) == pytest.approx((10.0 * np.sqrt(2.0), 135.0))


@pytest.mark.parametrize(
    ("heading", "angle", "speed", "cog", "sog"),
    [(0.0, 0.0, 25.0, 0.0, 20.0), (350.0, 30.0, 25.0, 355.0, 15.0), (270.0, 90.0, 10.0, 270.0, 0.0),
     (40.0, 200.0, 12.0, 60.0, 30.0)],
)  # fmt: skip
def test_wind_over_ground_by_heading_and_course(
    heading: float, angle: float, speed: float, cog: float, sog: float
) -> None:
    # the sensor turns with the heading, the way over ground goes with the course
    inputs = (np.array([x]) for x in (heading, angle, speed, cog, sog))
    assert_wind(true_wind(*inputs), vector(speed, heading + angle + 180.0) + vector(sog, cog))


def test_a_calm_has_no_direction() -> None:
    speed, from_deg = true_wind(*(np.array([x]) for x in (0.0, 0.0, 20.0, 0.0, 20.0)))
    assert float(speed[0]) == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(from_deg[0])
