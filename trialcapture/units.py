"""Exact unit conversion at the edges; inside the program every quantity has one unit, named in its name.

Factors are exact by definition: international nautical mile (1852 m), foot, pound, US and imperial gallon,
standard gravity; sources NIST SP 811 Appendix B and the BIPM SI brochure. Mechanical horsepower is
550 ft·lbf/s, metric horsepower 75 kgf·m/s, the long ton 2240 lb, and mercury 13.5951 g/cm³ under standard gravity.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from trialcapture.errors import TrialCaptureError

FloatOrArray = TypeVar("FloatOrArray", float, npt.NDArray[np.float64])

G_M_PER_S2 = 9.80665
"""Standard gravity [m/s²], exact by definition (CGPM 1901)."""
NM_M = 1852.0
"""International nautical mile [m], exact."""
KN_M_PER_S = 1852.0 / 3600.0
"""One knot [m/s], exact as a ratio."""
US_GAL_L = 3.785411784
"""US gallon [L], exact (231 cubic inches)."""
IMP_GAL_L = 4.54609
"""Imperial gallon [L], exact."""
LB_KG = 0.45359237
"""International pound [kg], exact."""
FT_M = 0.3048
"""International foot [m], exact."""

_LB = Fraction(45359237, 100_000_000)
_FT = Fraction(3048, 10_000)
_G = Fraction(980665, 100_000)
_INCH = _FT / 12
_MI = _FT * 5280
_HP = _FT * _LB * _G * 550
_PSI = _LB * _G / (_INCH * _INCH)
_US_GAL = Fraction(3785411784, 1_000_000_000)
_IMP_GAL = Fraction(454609, 100_000)
_NM = Fraction(1852)
_LONG_TON_T = _LB * 2240 / 1000

# unit -> (dimension, factor to the dimension's base unit, offset added after scaling)
_UNITS: dict[str, tuple[str, Fraction, Fraction]] = {
    "rpm": ("rotation", Fraction(1), Fraction(0)),
    "1/s": ("rotation", Fraction(60), Fraction(0)),
    "%": ("ratio", Fraction(1), Fraction(0)),
    "1": ("ratio", Fraction(100), Fraction(0)),
    "l/h": ("volume flow", Fraction(1), Fraction(0)),
    "l/min": ("volume flow", Fraction(60), Fraction(0)),
    "l/s": ("volume flow", Fraction(3600), Fraction(0)),
    "ml/min": ("volume flow", Fraction(60, 1000), Fraction(0)),
    "m3/h": ("volume flow", Fraction(1000), Fraction(0)),
    "us gal/h": ("volume flow", _US_GAL, Fraction(0)),
    "imp gal/h": ("volume flow", _IMP_GAL, Fraction(0)),
    "kg/h": ("mass flow", Fraction(1), Fraction(0)),
    "g/s": ("mass flow", Fraction(36, 10), Fraction(0)),
    "lb/h": ("mass flow", _LB, Fraction(0)),
    "l": ("volume", Fraction(1), Fraction(0)),
    "ml": ("volume", Fraction(1, 1000), Fraction(0)),
    "m3": ("volume", Fraction(1000), Fraction(0)),
    "us gal": ("volume", _US_GAL, Fraction(0)),
    "imp gal": ("volume", _IMP_GAL, Fraction(0)),
    "kg": ("mass", Fraction(1), Fraction(0)),
    "t": ("mass", Fraction(1000), Fraction(0)),
    "lb": ("mass", _LB, Fraction(0)),
    "kn": ("speed", Fraction(1852, 3600), Fraction(0)),
    "m/s": ("speed", Fraction(1), Fraction(0)),
    "km/h": ("speed", Fraction(1000, 3600), Fraction(0)),
    "mph": ("speed", Fraction(1609344, 3_600_000), Fraction(0)),
    "m": ("length", Fraction(1), Fraction(0)),
    "cm": ("length", Fraction(1, 100), Fraction(0)),
    "mm": ("length", Fraction(1, 1000), Fraction(0)),
    "ft": ("length", _FT, Fraction(0)),
    "in": ("length", _INCH, Fraction(0)),
    "mi": ("length", _MI, Fraction(0)),
    "fathom": ("length", _FT * 6, Fraction(0)),
    "nm": ("length", _NM, Fraction(0)),
    "degc": ("temperature", Fraction(1), Fraction(0)),
    "degf": ("temperature", Fraction(5, 9), Fraction(-160, 9)),
    "k": ("temperature", Fraction(1), Fraction(-27315, 100)),
    "bar": ("pressure", Fraction(100_000), Fraction(0)),
    "mbar": ("pressure", Fraction(100), Fraction(0)),
    "kpa": ("pressure", Fraction(1000), Fraction(0)),
    "pa": ("pressure", Fraction(1), Fraction(0)),
    "psi": ("pressure", _PSI, Fraction(0)),
    "inhg": ("pressure", Fraction(135951, 10) * _G * _INCH, Fraction(0)),
    "kw": ("power", Fraction(1000), Fraction(0)),
    "w": ("power", Fraction(1), Fraction(0)),
    "hp": ("power", _HP, Fraction(0)),
    "metric hp": ("power", _G * 75, Fraction(0)),
    "deg": ("angle", Fraction(1), Fraction(0)),
    "deg/min": ("angular rate", Fraction(1), Fraction(0)),
    "deg/s": ("angular rate", Fraction(60), Fraction(0)),
    "kg/m3": ("density", Fraction(1), Fraction(0)),
    "kg/l": ("density", Fraction(1000), Fraction(0)),
    "lb/ft3": ("density", _LB / _FT**3, Fraction(0)),
    "lb/us gal": ("density", _LB * 1000 / _US_GAL, Fraction(0)),
    "lb/imp gal": ("density", _LB * 1000 / _IMP_GAL, Fraction(0)),
    "nm/l": ("distance per volume", Fraction(1), Fraction(0)),
    "nm/us gal": ("distance per volume", 1 / _US_GAL, Fraction(0)),
    "nm/imp gal": ("distance per volume", 1 / _IMP_GAL, Fraction(0)),
    "mi/us gal": ("distance per volume", _MI / _NM / _US_GAL, Fraction(0)),
    "mi/imp gal": ("distance per volume", _MI / _NM / _IMP_GAL, Fraction(0)),
    "l/nm": ("volume per distance", Fraction(1), Fraction(0)),
    "us gal/nm": ("volume per distance", _US_GAL, Fraction(0)),
    "imp gal/nm": ("volume per distance", _IMP_GAL, Fraction(0)),
    "g/kwh": ("fuel per work", Fraction(1), Fraction(0)),
    "lb/hp h": ("fuel per work", _LB * 1000 / (_HP / 1000), Fraction(0)),
    "t^(2/3) kn^3 / kw": ("admiralty coefficient", Fraction(1), Fraction(0)),
    # a power of 2/3 is no fraction
    "long ton^(2/3) kn^3 / hp": (
        "admiralty coefficient",
        Fraction(float(_LONG_TON_T) ** (2 / 3)) / (_HP / 1000),
        Fraction(0),
    ),
    "s": ("time", Fraction(1), Fraction(0)),
    "min": ("time", Fraction(60), Fraction(0)),
    "h": ("time", Fraction(3600), Fraction(0)),
}

_SPELLINGS = {
    "rev/min": "rpm", "r/min": "rpm", "1/min": "rpm", "tr/min": "rpm", "u/min": "rpm",
    "hz": "1/s", "percent": "%", "pct": "%", "fraction": "1",
    "lph": "l/h", "litre/h": "l/h", "liter/h": "l/h", "us gph": "us gal/h", "usgal/h": "us gal/h",
    "us_gal/h": "us gal/h", "imp_gal/h": "imp gal/h", "impgal/h": "imp gal/h",
    "litre": "l", "liter": "l", "us_gal": "us gal", "usgal": "us gal", "imp_gal": "imp gal", "impgal": "imp gal",
    "knot": "kn", "knots": "kn", "kt": "kn", "kts": "kn", "kmh": "km/h", "kph": "km/h",
    "c": "degc", "°c": "degc", "celsius": "degc", "deg_c": "degc", "f": "degf", "°f": "degf", "fahrenheit": "degf",
    "deg_f": "degf", "kelvin": "k", "ps": "metric hp", "metric_hp": "metric hp", "hp_metric": "metric hp",
    "°": "deg", "degree": "deg", "degrees": "deg", "feet": "ft", "metre": "m", "meter": "m", "lbs": "lb",
    "lbs/h": "lb/h", "kg/m³": "kg/m3", "lb/ft³": "lb/ft3", "hpa": "mbar", "mile": "mi", "miles": "mi",
    "lb/usgal": "lb/us gal", "lb/us_gal": "lb/us gal", "lb/impgal": "lb/imp gal", "lb/imp_gal": "lb/imp gal",
    "°/min": "deg/min", "°/s": "deg/s", "sec": "s", "inch": "in", "inches": "in", "hour": "h", "hours": "h",
}  # fmt: skip


def known_units() -> list[str]:
    """Return every unit name `convert` understands, in its own spelling."""
    return sorted(_UNITS)


def parse_unit(text: str) -> str:
    """Return the program's own spelling of a unit.

    Args:
        text: A unit as a person writes it, case ignored: ``"L/h"``, ``"US gal/h"``, ``"°F"``.

    Raises:
        TrialCaptureError: The unit is unknown, or ambiguous (a bare "gal" could be US or imperial).
    """
    key = " ".join(text.strip().lower().split())
    key = _SPELLINGS.get(key, key)
    if key in _UNITS:
        return key
    if key.startswith("gal") or key == "gph" or key.endswith("/gal"):
        raise TrialCaptureError(
            "a gallon must say which it is", seen=text, expected="write 'US gal' or 'imp gal' (with '/h' for a flow)"
        )
    raise TrialCaptureError("this unit is not known", seen=text, expected="use one of " + ", ".join(known_units()))


def dimension(unit: str) -> str:
    """Return the dimension of a unit, such as ``"speed"``.

    Raises:
        TrialCaptureError: The unit is unknown.
    """
    return _UNITS[parse_unit(unit)][0]


def convert(value: FloatOrArray, unit: str, to: str) -> FloatOrArray:
    """Convert a value or array from one unit to another of the same dimension.

    The combined factor is formed as an exact fraction and rounded once, so a round trip loses at most one ulp
    in each direction.

    Args:
        value: Scalar or array in `unit`.
        unit: Unit of `value`, any spelling `parse_unit` accepts.
        to: Unit wanted.

    Raises:
        TrialCaptureError: A unit is unknown, or the two have different dimensions.
    """
    kind, factor, offset = _UNITS[parse_unit(unit)]
    to_kind, to_factor, to_offset = _UNITS[parse_unit(to)]
    if kind != to_kind:
        raise TrialCaptureError(
            f"a {kind} cannot become a {to_kind}", seen=unit, expected=f"declare a unit that converts to {to}"
        )
    scale = factor / to_factor
    shift = (offset - to_offset) / to_factor
    if shift == 0:
        return value if scale == 1 else value * float(scale)
    return value * float(scale) + float(shift)
