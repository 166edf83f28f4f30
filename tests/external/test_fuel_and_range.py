"""Fuel volume, economy, range and the load sheet against published tables and figures of the trade."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import Leg, build_segments, no_clocks, steady_current
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.channels.engine_readings import (
    fuel_rate_warnings,
    gather_log,
    thermal_expansion_per_c,
    volume_correction_factor,
)
from trialcapture.reduce.conditions import load_sheet
from trialcapture.reduce.engine_checks import economy_nm_per_l, usable_fuel_l
from trialcapture.reduce.summary import Findings
from trialcapture.units import US_GAL_L, convert


@pytest.mark.parametrize(
    ("density", "alpha", "factors"),
    # API MPMS 11.1 / ASTM D1250-80 table 54B, base 15 C: its formula and constants (from memory) worked out by hand;
    # the printed table carries four decimals. Factors at 0, 25, 30 and 50 C.
    [
        (740.0, 0.0012256, (1.01828, 0.98770, 0.98152, 0.95660)),
        (835.0, 0.0008527, (1.01274, 0.99145, 0.98716, 0.96990)),
        (845.0, 0.0008372, (1.01251, 0.99161, 0.98740, 0.97045)),
    ],
)
def test_volume_correction_of_table_54b(density: float, alpha: float, factors: tuple[float, ...]) -> None:
    assert thermal_expansion_per_c(density) == pytest.approx(alpha, abs=5e-8)
    for temperature, factor in zip((0.0, 25.0, 30.0, 50.0), factors, strict=True):
        assert volume_correction_factor(density, temperature) == pytest.approx(factor, abs=1e-5)
    assert volume_correction_factor(density, 15.0) == 1.0


def test_the_transition_group_of_table_54b_joins_its_neighbours() -> None:
    # between gasolines, which end at 770 kg/m3, and kerosenes, which begin at 788, the table has a group of its own
    # that meets both (ASTM D1250-80; from memory)
    for below, above in ((770.0, 770.01), (787.99, 788.0)):
        assert thermal_expansion_per_c(below) == pytest.approx(thermal_expansion_per_c(above), rel=0.01)


def test_two_flow_meters_need_their_two_temperatures() -> None:
    # 100 L/h at 25 C out, 60 L/h at 55 C back, 845 kg/m3: 41.189 L/h at 15 C (table 54B); plain subtraction reads 40.0
    net = 100.0 * volume_correction_factor(845.0, 25.0) - 60.0 * volume_correction_factor(845.0, 55.0)
    assert net == pytest.approx(41.189, abs=1e-3)
    assert net * 0.845 == pytest.approx(34.805, abs=1e-3)
    assert (40.0 / net - 1.0) * 100.0 == pytest.approx(-2.9, abs=0.05)


def test_a_log_with_two_meters_and_their_temperatures_is_reduced_at_fifteen_degrees() -> None:
    # same values, same table, by way of the engine log: 41.189 L/h
    config = load_config('[fuel]\ndensity_kg_per_m3 = 845\n[[engine]]\nid = "main"\nrated_rpm = 2400\n')
    names = ("fuel_supply_l_per_h", "fuel_supply_temp_c", "fuel_return_l_per_h", "fuel_return_temp_c")
    log = pa.table({f"{n}_main": np.full(9, x) for n, x in zip(names, (100.0, 25.0, 60.0, 55.0), strict=True)})
    t_ns = np.arange(9) * 10**9
    (found,) = gather_log(log, t_ns, "meters.csv", config)["fuel_main"]
    assert found.values["fuel_l_per_h_main"] == pytest.approx(np.full(9, 41.189), abs=1e-3)
    assert fuel_rate_warnings(log, t_ns, "meters.csv", config) == []


def reduce_two_bands() -> tuple[list[dict[str, Any]], Findings]:
    """Return bands and summary of a boat with the speeds and fuel rates of the trade figures below."""
    capacity_us_gal = 785.3 / 0.9
    config = load_config(
        f"""
[fuel]
capacity_us_gal = {capacity_us_gal!r}
usable_fraction = 1.0
reserve_fraction = 0.10
[[engine]]
id = "main"
rated_rpm = 2400
"""
    )
    legs = []
    for k, (rpm, speed, us_gal_per_h) in enumerate([(1900.0, 22.6, 44.0), (2000.0, 24.5, 49.0)]):
        litres = convert(us_gal_per_h, "US gal/h", "l/h")
        legs += [Leg(rpm, speed, 30.0 + 180.0 * way, 0.2 * (2 * k + way), litres) for way in (0, 1)]
    segments = build_segments(legs, steady_current(0.8, 75.0), engines=("main",))
    bands, _, summary = measure_trial(segments, config, clocks=no_clocks(), samples=None, session_id="t")
    return bands.to_pylist(), summary


def test_range_figures_of_the_trade() -> None:
    # Common practice, no source: 785.3 US gal after a 10 % reserve; 22.6 kn at 44.0 US gal/h is 0.514 nm/US gal and
    # 403.3 nm, 24.5 kn at 49.0 US gal/h is 0.500 nm/US gal and 392.7 nm; 10.6 nm between them, each within 0.3 nm
    (slow, fast), summary = reduce_two_bands()
    assert summary.fuel.usable_after_reserve_l / US_GAL_L == pytest.approx(785.3, abs=1e-6)
    assert slow["economy_nm_per_l"] * US_GAL_L == pytest.approx(0.514, abs=5e-4)
    assert fast["economy_nm_per_l"] * US_GAL_L == pytest.approx(0.500, abs=5e-4)
    assert slow["range_nm"] == pytest.approx(403.3, abs=0.3)
    assert fast["range_nm"] == pytest.approx(392.7, abs=0.3)
    assert slow["range_nm"] - fast["range_nm"] == pytest.approx(10.6, abs=0.3)


def test_economy_in_the_units_of_the_trade() -> None:
    # 30 kn at 60 L/h: 0.5 nm/L, 2.000 L/nm, 1.892706 nm/US gal (exact arithmetic on the exact gallon)
    economy = economy_nm_per_l(np.array([30.0]), np.array([60.0]))[0]
    assert (economy, 1 / economy) == (0.5, 2.0)
    assert economy * US_GAL_L == pytest.approx(1.892706, abs=1e-6)


def test_range_of_a_worked_example() -> None:
    # 400 L x 0.9 at 50 L/h and 25 kn: 180.0 nm (exact arithmetic)
    config = load_config("[fuel]\ncapacity_l = 400\nusable_fraction = 1.0\nreserve_fraction = 0.1\n")
    usable = usable_fuel_l(config.fuel)
    assert usable is not None
    assert usable * 25.0 / 50.0 == pytest.approx(180.0, abs=1e-9)


def test_economy_of_a_set_is_total_distance_over_total_fuel() -> None:
    # (20 kn, 40 L/h) and (30 kn, 90 L/h) for equal times: 0.384615 nm/L; the mean of ratios would be 0.416667
    legs = [Leg(2000.0, 20.0, 30.0, 0.0, 40.0), Leg(2000.0, 30.0, 210.0, 0.2, 90.0)]
    segments = build_segments(legs, steady_current(0.0, 0.0), engines=("main",))
    config = load_config('[[engine]]\nid = "main"\nrated_rpm = 2400\n')
    bands, _, _ = measure_trial(segments, config, clocks=no_clocks(), samples=None, session_id="t")
    row = bands.to_pylist()[0]
    assert row["ways"] == 2
    assert row["economy_nm_per_l"] == pytest.approx(0.384615, abs=1e-6)


def test_load_sheet_in_pounds_and_gallons_shows_its_sum() -> None:
    # exact: 1 lb = 0.45359237 kg, 1 US gal = 3.785411784 L, 1 imp gal = 4.54609 L (NIST SP 811)
    config = load_config(
        """
[boat]
lightship_lb = 44000
[load]
persons = 3
person_lb = 165
gear_lb = 500
[[load.tanks]]
name = "fuel"
capacity_us_gal = 500
fraction = 0.5
density = 840
[[load.tanks]]
name = "water"
capacity_imp_gal = 100
fraction = 1.0
density = 1000
"""
    )
    sheet = load_sheet(config)
    by_hand = {
        "light ship": 44000 * 0.45359237,
        "fuel": 500 * 3.785411784 * 0.5 * 0.840,
        "water": 100 * 4.54609,
        "3 persons": 3 * 165 * 0.45359237,
        "gear": 500 * 0.45359237,
    }
    assert {i.name: i.kg for i in sheet.items} == pytest.approx(by_hand, rel=1e-12)
    assert sheet.displacement_kg == pytest.approx(sum(by_hand.values()), rel=1e-12)
    assert sheet.missing == ()


def test_what_nobody_stated_is_named_and_not_counted_as_nothing() -> None:
    sheet = load_sheet(load_config("[boat]\nlightship_kg = 9000\n"))
    assert sheet.displacement_kg == 9000
    assert sheet.missing == ("tanks", "persons", "gear")
    bare = load_sheet(load_config("[load]\npersons = 2\ngear_kg = 50\n"))
    assert bare.displacement_kg is None
    assert bare.missing[0] == "light ship"
