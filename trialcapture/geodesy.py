"""The WGS84 ellipsoid over a trial ground: from latitude and longitude to metres north and east, and back.

A minute of latitude is 1843 m at the equator and 1862 m at the pole, a minute of longitude at 50° is 0.4 % longer than
on a sphere; so the ellipsoid is used for everything that yields a number.
"""

from __future__ import annotations

import numpy as np

from trialcapture.units import FloatOrArray

WGS84_A_M = 6378137.0
"""Semi-major axis of the WGS84 ellipsoid [m]."""
WGS84_E2 = 6.69437999014e-3
"""Its squared eccentricity."""


def radii_m(latitude_deg: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray]:
    """Return the radii of curvature at a latitude, in the meridian and in the prime vertical [m].

    Source: ``a (1-e²) / (1 - e² sin²φ)^(3/2)`` and ``a / (1 - e² sin²φ)^(1/2)`` (Torge, *Geodesy*, 2001;
    from memory).
    """
    root = 1.0 - WGS84_E2 * np.sin(np.radians(latitude_deg)) ** 2
    return WGS84_A_M * (1.0 - WGS84_E2) / root**1.5, WGS84_A_M / np.sqrt(root)


def offsets_m(
    latitude_deg: FloatOrArray, longitude_deg: FloatOrArray, origin_deg: tuple[float, float]
) -> tuple[FloatOrArray, FloatOrArray]:
    """Return how far places lie north and east of an origin [m]; NaN gives NaN.

    The radii are taken at the latitude half-way, which makes length and direction of the line true to 0.01 % within
    50 km up to latitude 75°.

    Args:
        latitude_deg: Latitudes, shape (n,) or a number.
        longitude_deg: Longitudes, same shape; the short way round to the origin is taken.
        origin_deg: Latitude and longitude of the origin.

    Source: middle-latitude formula of Gauss, leading terms (Torge, *Geodesy*, 2001; from memory).
    """
    middle = (latitude_deg + origin_deg[0]) / 2.0
    meridian, vertical = radii_m(middle)
    turned = (longitude_deg - origin_deg[1] + 180.0) % 360.0 - 180.0
    north = np.radians(latitude_deg - origin_deg[0]) * meridian
    return north, np.radians(turned) * vertical * np.cos(np.radians(middle))


def place_at(north_m: float, east_m: float, origin_deg: tuple[float, float]) -> tuple[float, float]:
    """Return latitude and longitude [deg], the latter in [-180, 180), of a point some metres from an origin.

    The inverse of `offsets_m`, found by iteration.
    """
    latitude = origin_deg[0]
    for _ in range(4):
        meridian, vertical = radii_m((latitude + origin_deg[0]) / 2.0)
        latitude = origin_deg[0] + float(np.degrees(north_m / meridian))
    parallel = vertical * np.cos(np.radians((latitude + origin_deg[0]) / 2.0))
    return latitude, float((origin_deg[1] + np.degrees(east_m / parallel) + 180.0) % 360.0 - 180.0)
