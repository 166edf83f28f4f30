"""True wind over ground from apparent wind and the boat's motion, where no sentence tells it.

The wind over ground is the apparent wind vector plus the velocity of the boat over ground; the sensor is turned by
the heading, not the course (Smith, Bourassa & Sharp 1999, J. Atmos. Oceanic Technol. 16:939).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def true_wind(
    heading_true_deg: Floats,
    angle_apparent_deg: Floats,
    speed_apparent_kn: Floats,
    cog_true_deg: Floats,
    sog_kn: Floats,
) -> tuple[Floats, Floats]:
    """Return (speed over ground [kn], direction the wind comes from [deg true in [0, 360)]).

    Args:
        heading_true_deg: Heading of the boat, which the wind angle is measured from.
        angle_apparent_deg: Apparent wind angle from the bow, clockwise, the direction it comes from.
        speed_apparent_kn: Apparent wind speed.
        cog_true_deg: Course over ground.
        sog_kn: Speed over ground.

    All arrays have one shape; unknown input gives NaN. In a calm (below 1e-6 kn) the direction is NaN.
    """
    toward = np.radians(heading_true_deg + angle_apparent_deg + 180.0)
    course = np.radians(cog_true_deg)
    east = speed_apparent_kn * np.sin(toward) + sog_kn * np.sin(course)
    north = speed_apparent_kn * np.cos(toward) + sog_kn * np.cos(course)
    speed: Floats = np.hypot(east, north)
    from_deg: Floats = (np.degrees(np.arctan2(east, north)) + 180.0) % 360.0
    return speed, np.where(speed > 1e-6, from_deg, np.nan)
