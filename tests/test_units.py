"""Units are declared, never guessed, and converted exactly."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture import units
from trialcapture.errors import TrialCaptureError
from trialcapture.units import convert, dimension, known_units, parse_unit

SAME_DIMENSION = [
    (a, b) for a in known_units() for b in known_units() if dimension(a) == dimension(b)
]  # fmt: skip


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("L/h", "l/h"), ("  US  GAL/h ", "us gal/h"), ("US gph", "us gal/h"), ("imp_gal", "imp gal"), ("°F", "degf"),
        ("PS", "metric hp"), ("hp", "hp"), ("kW", "kw"), ("Kts", "kn"), ("rev/min", "rpm"), ("1/min", "rpm"),
        ("PSI", "psi"), ("m3/h", "m3/h"), ("t", "t"), ("%", "%"),
    ],
)  # fmt: skip
def test_spellings_of_the_trade(spelling: str, unit: str) -> None:
    assert parse_unit(spelling) == unit


@pytest.mark.parametrize("text", ["gal", "gal/h", "GPH", "gallons", "gal per hour"])
def test_a_gallon_must_say_which_it_is(text: str) -> None:
    with pytest.raises(TrialCaptureError, match="gallon must say which"):
        parse_unit(text)


@pytest.mark.parametrize("text", ["", "furlong", "l/hh", "US", "nmi/h", "hp(m)"])
def test_an_unknown_unit_lists_the_known_ones(text: str) -> None:
    with pytest.raises(TrialCaptureError) as caught:
        parse_unit(text)
    assert all(unit in str(caught.value) for unit in ("us gal/h", "metric hp", "degf"))


@pytest.mark.parametrize(("unit", "to"), [("l/h", "l"), ("kg/h", "l/h"), ("kn", "rpm"), ("degc", "bar"), ("hp", "kg")])
def test_dimensions_never_mix(unit: str, to: str) -> None:
    with pytest.raises(TrialCaptureError, match="cannot become"):
        convert(1.0, unit, to)


# Exact by definition: 15 USC 205 / NIST SP 811 (2008) 5.2 and B.6 for foot, pound, gallon and standard gravity;
# the imperial gallon by the UK Weights and Measures Act 1985; the nautical mile by the 1929 conference.
@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        (1, "nm", "m", Fraction(1852)),
        (1, "kn", "m/s", Fraction(1852, 3600)),
        (1, "mph", "m/s", Fraction(44704, 100_000)),
        (1, "us gal", "l", Fraction(231) * Fraction(254, 100) ** 3 / 1000),
        (1, "imp gal", "l", Fraction(454609, 100_000)),
        (1, "lb", "kg", Fraction(45359237, 10**8)),
        (1, "ft", "m", Fraction(3048, 10**4)),
        (1, "psi", "pa", Fraction(45359237, 10**8) * Fraction(980665, 10**5) / Fraction(254, 10**4) ** 2),
        (1, "hp", "w", 550 * Fraction(3048, 10**4) * Fraction(45359237, 10**8) * Fraction(980665, 10**5)),
        (1, "metric hp", "w", 75 * Fraction(980665, 10**5)),
        (32, "degf", "degc", Fraction(0)),
        (212, "degf", "degc", Fraction(100)),
        (-40, "degc", "degf", Fraction(-40)),
        (0, "k", "degc", Fraction(-27315, 100)),
        (60, "1/s", "rpm", Fraction(3600)),
        (1, "g/s", "kg/h", Fraction(36, 10)),
    ],
)
def test_factors_are_exact_by_definition(value: float, unit: str, to: str, expected: Fraction) -> None:
    assert convert(float(value), unit, to) == pytest.approx(float(expected), rel=2e-16, abs=1e-13)


# As printed with seven digits in NIST SP 811 Appendix B.8 (from memory of the table).
@pytest.mark.parametrize(
    ("unit", "to", "printed"),
    [
        ("us gal", "m3", 3.785412e-03), ("imp gal", "m3", 4.54609e-03), ("hp", "w", 7.456999e02),
        ("metric hp", "w", 7.354988e02), ("psi", "pa", 6.894757e03), ("kn", "m/s", 5.144444e-01),
        ("mph", "m/s", 4.4704e-01), ("lb", "kg", 4.535924e-01), ("ft", "m", 3.048e-01),
    ],
)  # fmt: skip
def test_factors_as_printed_by_nist(unit: str, to: str, printed: float) -> None:
    assert convert(1.0, unit, to) == pytest.approx(printed, rel=1.5e-7)


@given(st.sampled_from(SAME_DIMENSION), st.floats(-1e6, 1e6))
def test_there_and_back_loses_nothing_that_matters(pair: tuple[str, str], value: float) -> None:
    a, b = pair
    # Near the zero of a temperature scale the offset bounds what is left: an ulp of the larger number each way.
    slack = 4e-15 * max(abs(value), 500.0) if dimension(a) == "temperature" else max(abs(value) * 1e-15, 1e-300)
    assert abs(convert(convert(value, a, b), b, a) - value) <= slack


@given(st.sampled_from(SAME_DIMENSION), st.lists(st.floats(-1e9, 1e9), max_size=20))
def test_arrays_are_converted_like_numbers(pair: tuple[str, str], values: list[float]) -> None:
    array = np.array(values, dtype=np.float64)
    kept = array.copy()
    converted = convert(array, *pair)
    assert converted.tolist() == [convert(value, *pair) for value in values]
    assert np.array_equal(array, kept)


def test_the_same_unit_changes_no_bit() -> None:
    for unit in known_units():
        assert convert(0.1 + 0.2, unit, unit) == 0.1 + 0.2


def test_named_constants_agree_with_the_table() -> None:
    assert convert(1.0, "us gal", "l") == units.US_GAL_L
    assert convert(1.0, "imp gal", "l") == units.IMP_GAL_L
    assert convert(1.0, "lb", "kg") == units.LB_KG
    assert convert(1.0, "ft", "m") == units.FT_M
    assert convert(1.0, "nm", "m") == units.NM_M
    assert convert(1.0, "kn", "m/s") == units.KN_M_PER_S
