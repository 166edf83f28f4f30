"""Distances and places on the ellipsoid against geographiclib (Karney 2013, J. Geod. 87:43)."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.geodesy import WGS84_A_M, WGS84_E2, offsets_m, place_at, radii_m
from trialcapture.report.figures_trial import track
from trialcapture.units import KN_M_PER_S, NM_M

WGS84 = Geodesic.WGS84


def test_the_ellipsoid_is_the_one_of_geographiclib() -> None:
    assert WGS84.a == WGS84_A_M
    assert pytest.approx(WGS84.f * (2 - WGS84.f), abs=1e-13) == WGS84_E2


@pytest.mark.parametrize("latitude", [0.0, 30.0, 45.0, 50.0, 60.0])
def test_a_minute_of_latitude_and_of_longitude(latitude: float) -> None:
    north, _ = offsets_m(latitude + 1 / 120, -1.0, (latitude - 1 / 120, -1.0))
    _, east = offsets_m(latitude, -1.0 + 1 / 60, (latitude, -1.0))
    assert north == pytest.approx(WGS84.Inverse(latitude - 1 / 120, -1, latitude + 1 / 120, -1)["s12"], abs=1e-3)
    assert east == pytest.approx(WGS84.Inverse(latitude, -1, latitude, -1 + 1 / 60)["s12"], abs=1e-3)


def test_ten_minutes_at_thirty_knots_to_the_north_east() -> None:
    distance_m = 30.0 * KN_M_PER_S * 600.0
    there = WGS84.Direct(50.0, -1.0, 45.0, distance_m)
    north, east = offsets_m(there["lat2"], there["lon2"], (50.0, -1.0))
    assert np.hypot(north, east) == pytest.approx(distance_m, abs=0.05)
    # the direction of the straight line is that of the geodesic half-way
    assert np.degrees(np.arctan2(east, north)) == pytest.approx((45.0 + there["azi2"]) / 2, abs=1e-3)


@settings(max_examples=150)
@given(st.floats(-75, 75), st.floats(-180, 180), st.floats(1.0, 50_000.0), st.floats(0, 360))
def test_lines_over_a_trial_ground_are_true_to_a_hundredth_of_a_per_cent(
    latitude: float, longitude: float, distance_m: float, azimuth: float
) -> None:
    there = WGS84.Direct(latitude, longitude, azimuth, distance_m)
    north, east = offsets_m(there["lat2"], there["lon2"], (latitude, longitude))
    assert float(np.hypot(north, east)) == pytest.approx(distance_m, rel=1e-4, abs=1e-3)
    back = place_at(float(north), float(east), (latitude, longitude))
    assert back[0] == pytest.approx(there["lat2"], abs=1e-9)
    assert (back[1] - there["lon2"] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("latitude", [0.0, 45.0, 50.0, 60.0])
def test_radii_of_curvature_are_those_of_small_arcs(latitude: float) -> None:
    small = 1e-3
    meridian, vertical = radii_m(latitude)
    north = WGS84.Inverse(latitude - small, 0.0, latitude + small, 0.0)["s12"] / np.radians(2 * small)
    east = WGS84.Inverse(latitude, 0.0, latitude, small)["s12"] / np.radians(small) / np.cos(np.radians(latitude))
    assert (meridian, vertical) == pytest.approx((north, east), rel=1e-7)


def test_the_drawn_track_tells_its_middle_on_either_side_of_the_date_line() -> None:
    # a leg of 4 nm across 180 degrees: its middle by geographiclib
    line = WGS84.DirectLine(-41.0, 179.98, 70.0, 4 * NM_M)
    points = [line.Position(s) for s in np.linspace(0.0, line.s13, 200)]
    lat, lon = np.array([p["lat2"] for p in points]), np.array([p["lon2"] for p in points])
    samples = pa.table(
        {
            "t": pa.array(np.arange(200) * 10**9, pa.timestamp("ns", "UTC")),
            "lat_deg": lat,
            "lon_deg": (lon + 180.0) % 360.0 - 180.0,
        }
    )
    drawn = track(samples, None)
    assert drawn is not None
    south_min = -60.0 * (lat.min() + lat.max()) / 2 - 40 * 60
    west_min = 60.0 * (180.0 + float(np.mean(lon[99:101] % 360.0)) % 360.0 - 360.0)
    assert drawn.alt.endswith(f"40° {south_min:04.1f}′ S, 179° {60.0 - west_min:04.1f}′ W.")
