"""Water density, sea state and wind force: what the published tables and equations say."""

from __future__ import annotations

from typing import Literal

import numpy as np

SALINITY: dict[str, float] = {"sea": 35.0, "brackish": 10.0, "fresh": 0.0}
"""Practical salinity taken for a kind of water; 35 is the reference of EOS-80, 10 for brackish is common practice."""

_BEAUFORT_LOWER: dict[str, tuple[float, ...]] = {
    "kn": (1, 4, 7, 11, 17, 22, 28, 34, 41, 48, 56, 64),
    "m/s": (0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7),
}
_BEAUFORT_STEP: dict[str, float] = {"kn": 1.0, "m/s": 0.1}
_SEA_STATE_UPPER_M = (0.0, 0.10, 0.50, 1.25, 2.50, 4.0, 6.0, 9.0, 14.0)


def water_density_kg_per_m3(temperature_c: float, salinity: float) -> float:
    """Return the density of water at one atmosphere [kg/m³].

    Args:
        temperature_c: Temperature, ITS-90 [°C], -2 to 40.
        salinity: Practical salinity, 0 to 42.

    Source: EOS-80, UNESCO Technical Papers in Marine Science 44 (Fofonoff & Millard 1983), equations 13-14;
    temperatures of that scale are 1.00024 times ITS-90 (Saunders 1990).
    """
    t = 1.00024 * temperature_c
    s = salinity
    pure = np.polynomial.polynomial.polyval(
        t, [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9]
    )
    a = np.polynomial.polynomial.polyval(t, [8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9])
    b = np.polynomial.polynomial.polyval(t, [-5.72466e-3, 1.0227e-4, -1.6546e-6])
    return float(pure + a * s + b * s * np.sqrt(s) + 4.8314e-4 * s * s)


def trial_water_density(
    kind: Literal["sea", "fresh", "brackish"], measured_kg_per_m3: float | None, temperature_c: float | None
) -> float:
    """Return the water density to reckon with [kg/m³]: as measured, else from the kind of water at its temperature.

    15 °C is taken when no temperature is known (the reference temperature of towing-tank practice).
    """
    if measured_kg_per_m3 is not None:
        return measured_kg_per_m3
    return water_density_kg_per_m3(15.0 if temperature_c is None else temperature_c, SALINITY[kind])


def beaufort_force(wind_speed: float, unit: Literal["kn", "m/s"] = "kn") -> int:
    """Return the Beaufort force of a mean wind speed.

    The scale is printed in whole knots and in tenths of m/s, with gaps between the classes, and the two columns
    disagree at their edges (16 kn is force 4, the same wind in m/s force 5); so the unit measured decides, and
    values are rounded to the column's step, halves up.

    Source: WMO Beaufort scale (WMO-No. 306; from memory, four public copies concordant).
    """
    step = _BEAUFORT_STEP[unit]
    rounded = np.floor(wind_speed / step + 0.5 + 1e-9) * step
    return int(np.searchsorted(_BEAUFORT_LOWER[unit], rounded + 1e-9, side="right"))


def sea_state_code(significant_height_m: float) -> int:
    """Return the sea-state code (0 to 9) of a significant wave height [m]; at a bound, the lower code.

    Source: WMO code table 3700.
    """
    return int(np.searchsorted(_SEA_STATE_UPPER_M, significant_height_m, side="left"))


def least_wave_height_m(sea_state: int) -> float:
    """Return the significant wave height above which a sea-state code (0 to 9) begins [m].

    Source: WMO code table 3700.
    """
    return _SEA_STATE_UPPER_M[sea_state - 1] if sea_state > 0 else 0.0


def wave_height_limit_m(length_m: float) -> float:
    """Return the visually observed significant wave height up to which a ship's speed trial is made [m].

    Source: 1.5 √(L/100), ISO 15016 and ITTC speed trials (from memory; written for ships, a yardstick for yachts).
    """
    return float(1.5 * np.sqrt(length_m / 100.0))
