"""Every unit and every pair of units against pint, an independent library of units."""

import pint
import pytest

from trialcapture.units import convert, dimension, known_units

REGISTRY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
IN_PINT = {
    "rpm": "revolution/minute", "1/s": "revolution/second", "%": "percent", "1": "dimensionless",
    "l/h": "liter/hour", "l/min": "liter/minute", "l/s": "liter/second", "ml/min": "milliliter/minute",
    "m3/h": "meter**3/hour", "us gal/h": "gallon/hour", "imp gal/h": "imperial_gallon/hour",
    "kg/h": "kilogram/hour", "g/s": "gram/second", "lb/h": "pound/hour",
    "l": "liter", "ml": "milliliter", "m3": "meter**3", "us gal": "gallon", "imp gal": "imperial_gallon",
    "kg": "kilogram", "t": "metric_ton", "lb": "pound",
    "kn": "knot", "m/s": "meter/second", "km/h": "kilometer/hour", "mph": "mile/hour",
    # pint's own fathom is that of the US survey foot, retired in 2022; the sea chart's is six feet.
    "m": "meter", "cm": "centimeter", "mm": "millimeter",
    "ft": "foot", "in": "inch", "fathom": "6 * foot", "nm": "nautical_mile",
    "mi": "mile", "inhg": "inch_Hg", "lb/ft3": "pound/foot**3",
    "nm/l": "nautical_mile/liter", "nm/us gal": "nautical_mile/gallon", "nm/imp gal": "nautical_mile/imperial_gallon",
    "mi/us gal": "mile/gallon", "mi/imp gal": "mile/imperial_gallon",
    "l/nm": "liter/nautical_mile", "us gal/nm": "gallon/nautical_mile", "imp gal/nm": "imperial_gallon/nautical_mile",
    "g/kwh": "gram/(kilowatt*hour)", "lb/hp h": "pound/(horsepower*hour)",
    "t^(2/3) kn^3 / kw": "metric_ton**(2/3) * knot**3 / kilowatt",
    "long ton^(2/3) kn^3 / hp": "long_ton**(2/3) * knot**3 / horsepower",
    "degc": "degC", "degf": "degF", "k": "kelvin",
    "bar": "bar", "mbar": "millibar", "kpa": "kilopascal", "pa": "pascal", "psi": "psi",
    "kw": "kilowatt", "w": "watt", "hp": "horsepower", "metric hp": "metric_horsepower",
    "deg": "degree", "deg/min": "degree/minute", "deg/s": "degree/second",
    "kg/m3": "kilogram/meter**3", "kg/l": "kilogram/liter", "lb/us gal": "pound/gallon",
    "lb/imp gal": "pound/imperial_gallon", "s": "second", "min": "minute", "h": "hour",
}  # fmt: skip
PAIRS = [(a, b) for a in IN_PINT for b in IN_PINT if a != b and dimension(a) == dimension(b)]


def test_the_fathom_of_the_chart_is_not_the_one_of_pint() -> None:
    # six international feet are 1.8288 m; pint's fathom is the survey one, 1.8288037 m
    assert convert(1.0, "fathom", "m") == pytest.approx(1.8288, abs=1e-15)
    assert REGISTRY("fathom").to("meter").magnitude == pytest.approx(1.8288037, abs=5e-8)


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    # NIST SP 811 appendix B and scipy.constants: exact, or to the digits given
    [
        ("kn", "m/s", 1852 / 3600), ("m/s", "kn", 1.943844492), ("kn", "mph", 1.150779448), ("kn", "km/h", 1.852),
        ("ft", "m", 0.3048), ("lb", "kg", 0.45359237), ("us gal", "l", 3.785411784), ("imp gal", "l", 4.54609),
        ("hp", "w", 745.699872), ("metric hp", "w", 735.49875), ("psi", "pa", 6894.757293),
        ("us gal/h", "l/h", 3.785411784),
    ],
)  # fmt: skip
def test_factors_as_printed(unit: str, to: str, factor: float) -> None:
    assert convert(1.0, unit, to) == pytest.approx(factor, rel=1e-9)


def test_one_engine_in_three_kinds_of_horsepower() -> None:
    # 300 kW are 402.307 mechanical and 407.886 metric horsepower (exact definitions)
    assert convert(300.0, "kw", "hp") == pytest.approx(402.307, abs=5e-4)
    assert convert(300.0, "kw", "metric hp") == pytest.approx(407.886, abs=5e-4)


def test_one_economy_in_two_units_of_the_reader() -> None:
    # 0.1409 nm/L is 0.5334 nm a US gallon (by hand: times 3.785411784), 0.6138 statute miles (times 1.150779)
    assert convert(0.1409, "nm/l", "nm/us gal") == pytest.approx(0.5334, abs=5e-5)
    assert convert(0.1409, "nm/l", "mi/us gal") == pytest.approx(0.6138, abs=5e-5)
    assert convert(0.1409, "nm/l", "nm/imp gal") == pytest.approx(0.6405, abs=5e-5)


def test_no_unit_is_left_out() -> None:
    assert sorted(IN_PINT) == known_units()


@pytest.mark.parametrize(("unit", "to"), PAIRS)
@pytest.mark.parametrize("value", [0.0, 1.0, -17.25, 123456.789])
def test_every_conversion_agrees(unit: str, to: str, value: float) -> None:
    if dimension(unit) == "temperature":
        expected = REGISTRY.Quantity(value, IN_PINT[unit]).to(IN_PINT[to]).magnitude
    else:
        expected = value * (1.0 * REGISTRY(IN_PINT[unit]) / REGISTRY(IN_PINT[to])).to("dimensionless").magnitude
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-13, abs=1e-11)
