"""Fuel volume against temperature: what a flow meter shows is not what the tank holds at 15 °C."""

from __future__ import annotations

import numpy as np

from trialcapture.errors import TrialCaptureError
from trialcapture.units import FloatOrArray

BASE_TEMPERATURE_C = 15.0


def thermal_expansion_per_c(density15_kg_per_m3: float) -> float:
    """Return the thermal expansion of a refined fuel at 15 °C [1/°C].

    Args:
        density15_kg_per_m3: Density at 15 °C [kg/m³], 653 to 1075.

    Raises:
        TrialCaptureError: The density is none a refined product has.

    Source: API MPMS 11.1 / ASTM D1250-80, table 54B (constants concordant in public implementations).
    """
    rho = density15_kg_per_m3
    if not 653.0 <= rho <= 1075.0:
        raise TrialCaptureError(
            "no refined fuel has this density", seen=rho, expected="give kg/m³ at 15 °C, between 653 and 1075"
        )
    if rho <= 770.0:
        k0, k1 = 346.4228, 0.4388
    elif rho < 788.0:
        return -0.00336312 + 2680.3206 / rho**2
    elif rho < 839.0:
        k0, k1 = 594.5418, 0.0
    else:
        k0, k1 = 186.9696, 0.4862
    return k0 / rho**2 + k1 / rho


def volume_correction_factor(density15_kg_per_m3: float, temperature_c: FloatOrArray) -> FloatOrArray:
    """Return volume at 15 °C over volume at `temperature_c`, a number or an array; NaN gives NaN.

    Source: API MPMS 11.1 / ASTM D1250-80, ``exp(-a dT (1 + 0.8 a dT))``.
    """
    product = thermal_expansion_per_c(density15_kg_per_m3) * (temperature_c - BASE_TEMPERATURE_C)
    return np.exp(-product * (1.0 + 0.8 * product))  # type: ignore[no-any-return]


def net_fuel_l_per_h(
    supply_l_per_h: FloatOrArray,
    supply_c: FloatOrArray,
    return_l_per_h: FloatOrArray,
    return_c: FloatOrArray,
    *,
    density15_kg_per_m3: float,
) -> FloatOrArray:
    """Return the fuel burnt, as volume at 15 °C [L/h], from a supply and a return meter and their temperatures [°C].

    The return line is hot: plain subtraction reads low.

    Args:
        supply_l_per_h: As the meter in the supply line shows it, at its own temperature; a number or an array.
        supply_c: Temperature there.
        return_l_per_h: Same in the return line.
        return_c: Temperature there.
        density15_kg_per_m3: Density at 15 °C.
    """
    supply = supply_l_per_h * volume_correction_factor(density15_kg_per_m3, supply_c)
    returned = return_l_per_h * volume_correction_factor(density15_kg_per_m3, return_c)
    return supply - returned
