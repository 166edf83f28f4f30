"""Load sheet and size of the boat: what is taken where nothing is stated, and slips of unit that are asked about."""

from __future__ import annotations

import pytest

from trialcapture.config import load_config
from trialcapture.reduce.conditions import LENGTH_OVER_CUBE_ROOT, SEA_KG_PER_M3, load_sheet, size_warnings
from trialcapture.reduce.summary import TrialWarning
from trialcapture.report.format import ReaderUnits


def told(text: str) -> list[TrialWarning]:
    return size_warnings(load_config(text))


def concerns(text: str) -> list[str]:
    return [w.where for w in told(text)]


BOAT = "[boat]\nlength_m = 15.0\n"


def test_pounds_typed_as_kilograms_are_asked_about() -> None:
    (warning,) = told(BOAT + "lightship_kg = 48000")
    assert (warning.code, warning.severity, warning.where) == ("size-doubtful", "yellow", "light ship")
    assert "48000 kg on a length of 15.0 m" in warning.text
    assert "105822 lb" in ReaderUnits("us").restate_warning(warning).replace("\u202f", "")
    assert "kg" not in ReaderUnits("us").restate_warning(warning)
    assert concerns(BOAT + "lightship_lb = 48000") == []
    assert concerns(BOAT + "lightship_kg = 3000") == ["light ship"]
    assert concerns("[boat]\nlightship_kg = 48000") == []


@pytest.mark.parametrize("bound", [0, 1])
def test_the_bounds_of_the_light_ship_are_where_they_say(bound: int) -> None:
    at = SEA_KG_PER_M3 * (15.0 / LENGTH_OVER_CUBE_ROOT[bound]) ** 3
    inside, outside = (0.999, 1.001) if bound == 0 else (1.001, 0.999)
    assert concerns(BOAT + f"lightship_kg = {at * inside}") == []
    assert concerns(BOAT + f"lightship_kg = {at * outside}") == ["light ship"]


def test_gallons_typed_as_litres_and_litres_as_gallons_are_asked_about() -> None:
    heavy = BOAT + "lightship_lb = 48000\n"
    assert concerns(heavy + "[fuel]\ncapacity_us_gal = 1050") == []
    (warning,) = told(heavy + "[fuel]\ncapacity_l = 1050")
    assert warning.where == "fuel capacity"
    assert "1050 L; a planing boat of this size has" in warning.text
    light = BOAT + "lightship_kg = 14000\n"
    assert concerns(light + "[fuel]\ncapacity_l = 1050") == []
    assert concerns(light + "[fuel]\ncapacity_us_gal = 1050") == ["fuel capacity"]
    # no light ship: by the length
    assert concerns(BOAT + "[fuel]\ncapacity_l = 1800") == []
    assert concerns(BOAT + "[fuel]\ncapacity_us_gal = 1800") == ["fuel capacity"]
    assert concerns("[fuel]\ncapacity_l = 99999") == []


def test_tanks_of_the_load_sheet_are_held_against_the_boat_and_the_capacity() -> None:
    text = BOAT + "lightship_kg = 14000\n[fuel]\ncapacity_l = 1500\ndensity_kg_per_m3 = 840\n[load]\ngear_kg = {gear}\n"
    tanks = '[[load.tanks]]\nname = "fuel port"\ncapacity_l = {fuel}\nfraction = 0.5\n' * 2
    tanks += '[[load.tanks]]\nname = "water"\ncapacity_l = {water}\nfraction = 0.5\n'
    assert concerns((text + tanks).format(gear=300, fuel=750, water=500)) == []
    assert concerns((text + tanks).format(gear=3600, fuel=850, water=3600)) == ["fuel tanks", "water", "gear"]


def test_the_test_weight_is_added_up_by_kind_and_says_what_was_taken() -> None:
    sheet = load_sheet(
        load_config(
            "[boat]\nlightship_kg = 10000\n[fuel]\ndensity_kg_per_m3 = 840\n[load]\npersons = 1\ngear_kg = 50\n"
            '[[load.tanks]]\nname = "fuel port"\ncapacity_l = 500\nfraction = "50 %"\n'
            '[[load.tanks]]\nname = "diesel stbd"\ncapacity_l = 500\nfraction = 0.5\ndensity_kg_per_m3 = 800\n'
            '[[load.tanks]]\nname = "water"\ncapacity_l = 200\nfraction = 0.5\n'
            '[[load.tanks]]\nname = "ballast"\nwater = "salt"\ncapacity_l = 100\nfraction = 1\n'
            '[[load.tanks]]\nname = "lube"\ncapacity_l = 100\nfraction = 1\ndensity_kg_per_m3 = 900\n'
        )
    )
    assert [(p.kind, p.name, p.kg) for p in sheet.parts] == [
        ("light", "light ship", 10000.0), ("fuel", "fuel", 410.0), ("water", "water", 202.5),
        ("persons", "1 person", 75.0), ("gear", "gear", 50.0), ("other", "other tanks", 90.0),
    ]  # fmt: skip
    assert sheet.displacement_kg == 10827.5 == sum(item.kg for item in sheet.items)
    taken = {item.name: (item.litres, item.density_kg_per_m3, item.density_from) for item in sheet.items if item.litres}
    assert taken["fuel port"] == (250.0, 840.0, "as the fuel")
    assert taken["diesel stbd"] == (250.0, 800.0, "")
    assert taken["water"] == (100.0, 1000.0, "fresh water")
    assert taken["ballast"] == (100.0, 1025.0, "salt water")
