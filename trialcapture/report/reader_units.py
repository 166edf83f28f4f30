"""Units of the reader: what each quantity is printed in, and numbers converted once and rounded after.

Inside the program and in its files a quantity has one unit (kn, L/h, nm/L, kg, m, °C ...). What people read may be in
others. Speed at sea is in knots everywhere; US and imperial readers get statute miles an hour beside it.

Imperial is for a British reader: imperial gallons, feet and pounds, psi and horsepower, statute miles a gallon beside
nautical ones. Temperatures stay in °C and the pressure of the air in hPa: British forecasts give them so (common
practice, no source), and °F would be read as American.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from trialcapture.config import Config, UnitSystem
from trialcapture.prepare.data_health import DataHealth, Disagreement, Rounding, Spikes, Stuck
from trialcapture.reduce.boat_size import size_warnings
from trialcapture.reduce.summary import Quantity, TrialWarning
from trialcapture.report.format import DASH, column_decimals, fixed, grouped, number, plus_minus
from trialcapture.units import convert, known_units, parse_unit

_US: dict[str, tuple[str, ...]] = {
    "kn": ("kn", "mph"), "nm": ("nm", "mi"), "l/h": ("us gal/h",), "nm/l": ("nm/us gal", "mi/us gal"),
    "l/nm": ("us gal/nm",), "l": ("us gal",), "kg": ("lb",), "m": ("ft",), "degc": ("degf",), "kg/m3": ("lb/ft3",),
    "bar": ("psi",), "mbar": ("inhg",), "kw": ("hp",), "g/kwh": ("lb/hp h",),
    "t^(2/3) kn^3 / kw": ("long ton^(2/3) kn^3 / hp",),
}  # fmt: skip
_IMPERIAL = {unit: tuple(to.replace("us gal", "imp gal") for to in other) for unit, other in _US.items()} | {
    "degc": ("degc",),
    "mbar": ("mbar",),
}
_SYSTEMS: dict[UnitSystem, dict[str, tuple[str, ...]]] = {"metric": {}, "us": _US, "imperial": _IMPERIAL}
"""By system: a unit of the program and those it is printed in, the usual one first; others are printed as they are."""

_TEXTS = {
    "l/h": "L/h", "nm/l": "nm/L", "l/nm": "L/nm", "l": "L", "degc": "°C", "degf": "°F", "kg/m3": "kg/m³",
    "lb/ft3": "lb/ft³", "mbar": "hPa", "inhg": "inHg", "kw": "kW", "g/kwh": "g/kWh", "lb/hp h": "lb/(hp h)",
    "t^(2/3) kn^3 / kw": "t^⅔ kn³ / kW", "long ton^(2/3) kn^3 / hp": "long ton^⅔ kn³ / hp",
}  # fmt: skip
_SAID = re.compile(r"(±?)(\d+(?:\.\d+)?) (l/h|l|m)(?![\w/])")
"""A number and its unit in a sentence that the program made."""
_KNOWN = frozenset(known_units())


@dataclass(frozen=True, slots=True)
class Scale:
    """One unit that a quantity is printed in.

    Attributes:
        own: The program's unit of it.
        unit: The unit printed.
        text: How that is written.
    """

    own: str
    unit: str
    text: str

    def value(self, x: Any) -> float | None:
        """Return a value in this unit, None where there is none."""
        known = number(x)
        return known if known is None or self.own == self.unit else float(convert(known, self.own, self.unit))

    def u(self, u: Any) -> float | None:
        """Return an uncertainty or a difference in this unit: without the offset of a temperature."""
        known, zero = self.value(u), self.value(0.0)
        return None if known is None or zero is None else known - zero

    def decimals(self, own: int) -> int:
        """Return the decimals that are no coarser than so many decimals of the program's unit."""
        step = abs(self.u(10.0**-own) or 1.0)
        return max(0, math.ceil(-math.log10(step) - 1e-9))


@dataclass(frozen=True, slots=True)
class ReaderUnits:
    """What a reader asked for.

    Attributes:
        system: The units he reads.
        also: Units that stand beside them; None for none.
    """

    system: UnitSystem = "metric"
    also: UnitSystem | None = None

    def scales(self, unit: str) -> tuple[Scale, ...]:
        """Return all units a result is printed in, the usual one first.

        Args:
            unit: The program's unit, as `trialcapture.units` or the report spells it.
        """
        own = _own_unit(unit)
        names = [name for system in self._systems for name in _SYSTEMS[system].get(own, (own,))]
        return tuple(self._scale(own, name, unit) for name in dict.fromkeys(names))

    def scale(self, unit: str) -> Scale:
        """Return the usual unit alone."""
        return self.scales(unit)[0]

    def beside(self, unit: str) -> tuple[Scale, ...]:
        """Return the usual unit, and that of `also` where it is another: what stands behind a result is printed so."""
        own = _own_unit(unit)
        names = [_SYSTEMS[system].get(own, (own,))[0] for system in self._systems]
        return tuple(self._scale(own, name, unit) for name in dict.fromkeys(names))

    @property
    def _systems(self) -> list[UnitSystem]:
        return [self.system] if self.also is None else [self.system, self.also]

    def _scale(self, own: str, name: str, unit: str) -> Scale:
        text = unit if name == own and own not in _TEXTS else _TEXTS.get(name, name)
        # "gal" alone is the US gallon where no other stands beside it
        return Scale(own, name, text.replace("us gal", "US gal" if "imperial" in self._systems else "gal"))

    def definitions(self) -> str:
        """Return what miles and gallons are meant, in units of the same reader."""
        metric = "metric" in self._systems
        said = [f"nm is the international nautical mile, {'1852 m' if metric else '6076.12 ft'}"]
        said.append("kn is nautical miles an hour")
        texts = {scale.text for unit in ("nm", "L", "kn") for scale in self.scales(unit)}
        said += ["mi is the statute mile, 5280 ft; mph is statute miles an hour"] if "mi" in texts else []
        said += [f"{text} is the US gallon, 231 in³" for text in ("gal", "US gal") if text in texts]
        if "imp gal" in texts:
            said.append(f"imp gal is the imperial gallon, {'4.54609 L' if metric else '277.419 in³'}")
        said += ["L is the litre"] if "L" in texts else []
        return "; ".join(said) + "."

    def head(self, unit: str) -> str:
        """Return what stands at the head of a column of such numbers: "gal/h", with `also` "gal/h (L/h)"."""
        return _with_others([scale.text for scale in self.beside(unit)])

    def cell(self, x: Any, unit: str, decimals: int, *, thousands: bool = False) -> str:
        """Return a number of a column: "4.33", with `also` "4.33 (16.4)"; a dash without a value.

        Args:
            x: In the program's unit.
            unit: That unit.
            decimals: Digits that are worth printing in it.
            thousands: Whether thousands are set apart.
        """
        if number(x) is None:
            return DASH
        write = grouped if thousands else fixed
        return _with_others([write(s.value(x), s.decimals(decimals)) for s in self.beside(unit)])

    def say(self, x: Any, unit: str, decimals: int, *, thousands: bool = False) -> str:
        """Return a number with its unit: "177.2 ft", with `also` "177.2 ft (54.0 m)"."""
        if number(x) is None:
            return DASH
        write = grouped if thousands else fixed
        return _with_others([_join(write(s.value(x), s.decimals(decimals)), s.text) for s in self.beside(unit)])

    def span(self, low: Any, high: Any, unit: str, decimals: int) -> str:
        """Return "20.2 to 28.2 kn", or one number where both print alike."""
        said = []
        for s in self.beside(unit):
            ends = [fixed(s.value(x), s.decimals(decimals)) for x in (low, high)]
            said.append(_join(" to ".join(dict.fromkeys(ends)), s.text))
        return _with_others(said)

    def measured(
        self, x: Any, half_width: Any, unit: str, decimals: Callable[[Scale], int], *, result: bool = True
    ) -> str:
        """Return "31.92 ± 0.12 kn (36.73 ± 0.14 mph)"; without a known uncertainty it says so.

        Args:
            x: In the program's unit.
            half_width: What is printed behind its ±, see `expanded`.
            unit: That unit.
            decimals: Of value and ± in a unit.
            result: Whether all units are printed; else the usual one and that of `also`.
        """
        if number(x) is None:
            return DASH
        said = []
        for s in self.scales(unit) if result else self.beside(unit):
            value, pm = rounded_pair(s, x, half_width, decimals(s))
            said.append(_join(f"{value} ± {pm}" if pm else value, s.text))
        return _with_others(said) + ("" if number(half_width) is not None else " (± not known)")

    def restate_warning(self, warning: TrialWarning) -> str:
        """Return the sentence of a warning with its quantities in the reader's units."""
        if not warning.quantities:
            # what reading and preparing say comes as sentences alone
            return self.restate(warning.text) if warning.code == "data" else warning.text
        done, rest = "", warning.text
        for found in warning.quantities:
            before, _, rest = rest.partition(found.text)
            done += before + self._quantity(found)
        return done + rest

    def _quantity(self, found: Quantity) -> str:
        digits = found.text.split(" ")[0]
        if _own_unit(found.unit) == "1" or not re.fullmatch(r"[-+]?\d+(\.\d+)?", digits):
            return found.text
        return self.say(found.value, found.unit, len(digits.partition(".")[2]))

    def restate(self, text: str) -> str:
        """Return a sentence of the program with the litres and metres in it in the reader's units.

        Args:
            text: One that the program made of its own numbers; never what a person wrote.
        """
        return _SAID.sub(self._restate_one, text)

    def _restate_one(self, found: re.Match[str]) -> str:
        sign, digits, unit = found[1], found[2], found[3]
        own = len(digits.partition(".")[2])
        said = [(s.value(float(digits)), s) for s in self.beside(unit)]
        return _with_others([f"{sign}{fixed(x, s.decimals(own))} {s.text}" for x, s in said])

    def restate_health(self, health: DataHealth) -> DataHealth:
        """Return the account of what is wrong with the data with its quantities in the reader's units.

        Where units stand beside each other the second number is part of the unit's text.
        """
        return replace(
            health,
            disagreements=tuple(self._disagreement(item) for item in health.disagreements),
            stuck=tuple(self._stuck(item) for item in health.stuck),
            spikes=tuple(self._spikes(item) for item in health.spikes),
            readings_rounded_to=tuple(self._rounding(item) for item in health.readings_rounded_to),
        )

    def _disagreement(self, item: Disagreement) -> Disagreement:
        first, *others = self.beside(item.unit)
        beside = []
        for s in others:
            decimals = max(-math.floor(math.log10(max(2.0 * (s.u(item.u) or 0.0), 1e-6))), 0)
            beside.append(f"{s.u(item.size):+.{decimals}f} ± {fixed(2.0 * (s.u(item.u) or 0.0), decimals)} {s.text}")
        unit = _with_others([first.text, *beside])
        return replace(item, size=first.u(item.size) or 0.0, u=first.u(item.u) or 0.0, unit=unit)

    def _stuck(self, item: Stuck) -> Stuck:
        if _own_unit(item.unit) not in _KNOWN:
            return item
        first, *others = self.beside(item.unit)
        beside = [f"{_short(s.value(item.value))} {s.text}" for s in others]
        return replace(item, value=_short(first.value(item.value)), unit=_with_others([first.text, *beside]))

    def _spikes(self, item: Spikes) -> Spikes:
        # a difference or the impossible value itself: of a temperature these convert differently
        if item.unit == "degc":
            return replace(item, unit="°C")
        first, *others = self.beside(item.unit)
        beside = [f"{_short(s.u(item.largest)):g} {s.text}" for s in others]
        return replace(item, largest=_short(first.u(item.largest)), unit=_with_others([first.text, *beside]))

    def _rounding(self, item: Rounding) -> Rounding:
        first, *others = self.beside(item.unit)
        beside = [f"{_short(s.u(item.least_count)):g} {s.text}" for s in others]
        unit = _with_others([first.text, *beside])
        return replace(item, least_count=_short(first.u(item.least_count)), unit=unit, cost=self.restate(item.cost))


METRIC = ReaderUnits()


def rounded_pair(scale: Scale, x: Any, half_width: Any, decimals: int) -> tuple[str, str]:
    """Return a value and its ± in a unit, rounded after the conversion.

    Args:
        scale: The unit.
        x: In the program's unit.
        half_width: What is printed behind its ±, which is "" where that is not known.
        decimals: Of both, in the unit.
    """
    return fixed(scale.value(x), decimals), plus_minus(scale.u(half_width), decimals, dash="")


def scale_decimals(scale: Scale, half_widths: Iterable[Any], *, usual: int, most: int) -> int:
    """Return the decimals of a column in a unit; `usual` and `most` are those of the program's unit."""
    converted = [scale.u(x) for x in half_widths]
    return column_decimals(converted, usual=scale.decimals(usual), most=scale.decimals(most))


def doubtful_sizes(config: Config) -> list[str]:
    """Return a sentence for each weight and tank of the settings that `process` will warn of, in the reader's units."""
    units = ReaderUnits(config.report.units, config.report.also)
    return [units.restate_warning(warning) for warning in size_warnings(config)]


def own_decimals(half_width: Any, usual: int, most: int = 4) -> Callable[[Scale], int]:
    """Return the decimals that a ± by itself is worth, by unit.

    Args:
        half_width: What is printed behind the ±.
        usual: Decimals in the program's unit where no uncertainty is known.
        most: Never more than this, in the program's unit.
    """
    return lambda scale: scale_decimals(scale, [half_width], usual=usual, most=most)


def _own_unit(unit: str) -> str:
    """Return how `trialcapture.units` spells a unit; a text that is no unit to convert stays as it is."""
    key = " ".join(unit.lower().split())
    return parse_unit(unit) if key in _KNOWN or unit in ("°C", "hPa", "kg/m³") else unit


def _short(x: float | None) -> float:
    """Return a number to four significant digits, whole ones kept: steps and spikes of instruments have no more."""
    value = x or 0.0
    return round(value, max(0, 3 - math.floor(math.log10(abs(value))))) if value else 0.0


def _join(text: str, unit: str) -> str:
    return f"{text}{'' if unit in ('', '°') else ' '}{unit}"


def _with_others(texts: list[str]) -> str:
    """Return "a", "a (b)" or "a (b; c)"."""
    return f"{texts[0]} ({'; '.join(texts[1:])})" if len(texts) > 1 else texts[0]
