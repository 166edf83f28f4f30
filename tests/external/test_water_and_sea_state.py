"""Water density against gsw and EOS-80, wind force and sea state against the WMO tables."""

from __future__ import annotations

from itertools import pairwise

import gsw
import pytest

from trialcapture.reduce.conditions import (
    SALINITY,
    beaufort_force,
    sea_state_code,
    trial_water_density,
    water_density_kg_per_m3,
)
from trialcapture.units import convert

REFERENCE_SALINITY = 35.16504
"""Absolute salinity of standard seawater [g/kg] (TEOS-10)."""


@pytest.mark.parametrize(
    ("salinity", "temperature_68_c", "density"),
    # UNESCO Technical Papers in Marine Science 44 (1983): published check values of EOS-80, temperatures IPTS-68
    [(0, 5, 999.96675), (35, 5, 1027.67547), (35, 25, 1023.34306)],
)
def test_check_values_of_eos_80(salinity: float, temperature_68_c: float, density: float) -> None:
    assert water_density_kg_per_m3(temperature_68_c / 1.00024, salinity) == pytest.approx(density, abs=2e-5)


@pytest.mark.parametrize("temperature_c", [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0])
def test_sea_water_agrees_with_teos_10(temperature_c: float) -> None:
    conservative = gsw.CT_from_t(REFERENCE_SALINITY, temperature_c, 0.0)
    assert water_density_kg_per_m3(temperature_c, 35.0) == pytest.approx(
        float(gsw.rho(REFERENCE_SALINITY, conservative, 0.0)), abs=0.01
    )


@pytest.mark.parametrize(
    ("temperature_c", "fresh", "sea"),
    # ITTC 7.5-02-01-03 (2011), tables of fresh and sea water; the sea column is TEOS-10 at 10.1325 dbar, some
    # 0.045 kg/m3 above the surface value
    [(5, 999.9666, 1027.7225), (10, 999.7025, 1027.0000), (15, 999.1026, 1026.0210), (20, 998.2072, 1024.8103),
     (25, 997.0476, 1023.3873), (30, 995.6495, 1021.7694)],
)  # fmt: skip
def test_tables_of_the_towing_tanks(temperature_c: float, fresh: float, sea: float) -> None:
    assert water_density_kg_per_m3(temperature_c, 0.0) == pytest.approx(fresh, abs=0.01)
    assert water_density_kg_per_m3(temperature_c, 35.0) == pytest.approx(sea - 0.045, abs=0.01)


@pytest.mark.parametrize(
    ("temperature_c", "printed"),
    [(5, 1027.7225), (10, 1027.0000), (15, 1026.0210), (20, 1024.8103), (25, 1023.3873), (30, 1021.7694)],
)
def test_the_towing_tanks_sea_water_is_not_at_the_surface(temperature_c: float, printed: float) -> None:
    # ITTC 7.5-02-01-03 table 3 is TEOS-10 at 10.1325 dbar of sea pressure, ten metres down, to its last decimal; the
    # surface, where a boat floats and which is reckoned with here, is 0.044 to 0.047 kg/m3 lighter
    deep = gsw.rho_t_exact(REFERENCE_SALINITY, temperature_c, 10.1325)
    surface = gsw.rho(REFERENCE_SALINITY, gsw.CT_from_t(REFERENCE_SALINITY, temperature_c, 0.0), 0.0)
    assert float(deep) == pytest.approx(printed, abs=1e-4)
    assert 0.043 < printed - float(surface) < 0.048
    assert water_density_kg_per_m3(temperature_c, 35.0) == pytest.approx(float(surface), abs=0.01)
    assert abs(water_density_kg_per_m3(temperature_c, 35.0) - printed) > 0.03


def test_density_falls_without_a_step_as_water_warms() -> None:
    # no step of a table typed by hand: the equation of EOS-80 is smooth
    density = [water_density_kg_per_m3(t, 35.0) for t in range(5, 31)]
    falls = [a - b for a, b in pairwise(density)]
    assert all(0.1 < fall < 0.35 for fall in falls)
    assert falls == sorted(falls)


@pytest.mark.parametrize("force", [4, 5, 6])
def test_the_power_law_of_the_beaufort_scale_lands_in_its_own_class(force: int) -> None:
    # v = 0.836 B^1.5 m/s (WMO-No. 8, Guide to Instruments and Methods of Observation; from memory)
    assert beaufort_force(0.836 * force**1.5, "m/s") == force


def test_density_as_measured_wins_and_fifteen_degrees_stand_in() -> None:
    assert trial_water_density("sea", 1019.0, 25.0) == 1019.0
    assert trial_water_density("sea", None, None) == pytest.approx(1025.97, abs=0.01)
    assert trial_water_density("fresh", None, 15.0) == pytest.approx(999.10, abs=0.01)
    assert SALINITY["fresh"] == 0.0


@pytest.mark.parametrize(
    ("m_per_s", "force"),
    # Beaufort scale, lower limits in m/s (WMO-No. 306, Manual on Codes, code table 1100; from memory)
    [(0.2, 0), (0.3, 1), (1.5, 1), (1.6, 2), (3.4, 3), (5.4, 3), (5.5, 4), (7.9, 4), (8.0, 5), (10.7, 5), (10.8, 6),
     (13.9, 7), (17.2, 8), (20.8, 9), (24.5, 10), (28.5, 11), (32.6, 11), (32.7, 12)],
)  # fmt: skip
def test_beaufort_in_metres_per_second(m_per_s: float, force: int) -> None:
    assert beaufort_force(m_per_s, "m/s") == force


@pytest.mark.parametrize(
    ("low_kn", "high_kn", "force"),
    # same scale, knots: 1-3, 4-6, 7-10, 11-16, 17-21, 22-27, 28-33, 34-40, 41-47, 48-55, 56-63, 64 and over
    [(0, 0, 0), (1, 3, 1), (4, 6, 2), (7, 10, 3), (11, 16, 4), (17, 21, 5), (22, 27, 6), (28, 33, 7), (34, 40, 8),
     (41, 47, 9), (48, 55, 10), (56, 63, 11), (64, 99, 12)],
)  # fmt: skip
def test_beaufort_in_knots(low_kn: float, high_kn: float, force: int) -> None:
    assert beaufort_force(low_kn) == beaufort_force(high_kn) == force


def test_a_wind_between_two_classes_in_knots_is_classed_as_its_metres_per_second() -> None:
    # 16.5 kn lies between 11-16 and 17-21; it is 8.49 m/s, force 5
    assert beaufort_force(16.5) == beaufort_force(convert(16.5, "kn", "m/s"), "m/s") == 5


@pytest.mark.parametrize(
    ("height_m", "code"),
    # WMO code table 3700; at a bound the lower code (from memory)
    [(0.0, 0), (0.05, 1), (0.10, 1), (0.3, 2), (0.50, 2), (0.51, 3), (1.25, 3), (2.0, 4), (2.50, 4), (4.0, 5), (6.0, 6),
     (9.0, 7), (14.0, 8), (14.1, 9)],
)  # fmt: skip
def test_sea_state_codes(height_m: float, code: int) -> None:
    assert sea_state_code(height_m) == code
