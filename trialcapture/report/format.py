"""Numbers, times and angles as text in the units of the reader; one spelling for the terminal and the page.

An expanded uncertainty is printed with two significant digits and the value to the same decimal place
(GUM, JCGM 100:2008, 7.2.6); the coverage factor is 2, about 95 % for a normal distribution (GUM 6.3.3).

Columns of tables are read here too; of numbers, null becomes NaN, and so does every row of a column that is absent.

Numbers are converted once and rounded after. Inside the program and in its files a quantity has one unit (kn, L/h,
nm/L, kg, m, °C ...). What people read may be in others. Speed at sea is in knots everywhere; US and imperial readers
get statute miles an hour beside it.

Imperial is for a British reader: imperial gallons, feet and pounds, psi and horsepower, statute miles a gallon beside
nautical ones. Temperatures stay in °C and the pressure of the air in hPa: British forecasts give them so (common
practice, no source), and °F would be read as American.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from numbers import Real
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers
from trialcapture.config import Config, UnitSystem
from trialcapture.prepare.data_health import DataHealth, Disagreement, Rounding, Spikes, Stuck
from trialcapture.reduce.conditions import size_warnings
from trialcapture.reduce.summary import Quantity, TrialWarning
from trialcapture.units import convert, known_units, parse_unit

K = 2.0
"""Coverage factor of a printed ± that has none of its own: infinite degrees of freedom."""
DASH = "–"
"""What stands where there is no value."""
NARROW_SPACE = "\u202f"

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def number(value: Any) -> float | None:
    """Return a finite float, or None for null, NaN, infinity, text and truth values."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    x = float(value)
    return x if math.isfinite(x) else None


def fixed(value: Any, decimals: int, *, dash: str = DASH) -> str:
    """Return a value with so many decimals; no value is a dash and never a zero."""
    x = number(value)
    if x is None:
        return dash
    text = f"{x:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def signed(value: Any, decimals: int) -> str:
    """Return a difference with its sign, a true minus among them; one that rounds to zero has none."""
    text = fixed(value, decimals)
    if text == DASH or not text.strip("0."):
        return text
    return f"−{text[1:]}" if text.startswith("-") else f"+{text}"


class BandEntry(Protocol):
    """What tells a band: its engine speed [rpm], or its name where that is unknown."""

    @property
    def band_rpm(self) -> float | None:
        """Engine speed [rpm], None where unknown."""

    @property
    def band_name(self) -> str:
        """What people call it."""


def band_label(band: BandEntry | Mapping[str, Any]) -> str:
    """Return what stands in a column of bands: the engine speed, or the name of a band of unknown engine speed.

    Args:
        band: An entry of the summary, or a row of a table with the same fields.
    """
    rpm, name = _band_of(band)
    return name or DASH if rpm is None else fixed(rpm, 0)


def band_phrase(band: BandEntry | Mapping[str, Any]) -> str:
    """Return what a band is called in a sentence: "1800 rpm", or its own name."""
    rpm, name = _band_of(band)
    return name if rpm is None else f"{fixed(rpm, 0)} rpm"


def _band_of(band: BandEntry | Mapping[str, Any]) -> tuple[float | None, str]:
    if isinstance(band, Mapping):
        return number(band.get("band_rpm")), str(band.get("band_name") or "")
    return number(band.band_rpm), band.band_name


def grouped(value: Any, decimals: int = 0) -> str:
    """Return a value with its thousands set apart by a narrow space (ISO 80000-1, 7.3.1)."""
    x = number(value)
    return DASH if x is None else f"{x:,.{decimals}f}".replace(",", NARROW_SPACE)


def general(value: Any, digits: int = 4) -> str:
    """Return a value of unknown kind to so many significant digits, without trailing zeros or an exponent."""
    x = number(value)
    if x is None:
        return DASH
    if x == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(x))))
    text = fixed(x, min(decimals, 9))
    return text.rstrip("0").rstrip(".") if "." in text else text


def expanded(u: Any, k: Any = K) -> float | None:
    """Return what is printed behind a ±: the coverage factor times a standard uncertainty; None where unknown.

    A result that has degrees of freedom has its own `k`; where a row names none it is 2.
    """
    x, factor = number(u), number(k)
    return None if x is None else (K if factor is None else factor) * abs(x)


def decimals_for(uncertainty: float, digits: int = 2) -> int:
    """Return the decimals that show so many significant digits of an uncertainty."""
    if not uncertainty > 0:
        return 0
    magnitude = math.floor(math.log10(uncertainty))
    # 0.0996 becomes 0.10, not 0.100: rounding may itself carry into the next decade
    if round(uncertainty / 10.0**magnitude, digits - 1) >= 10:
        magnitude += 1
    return max(0, digits - 1 - magnitude)


def column_decimals(half_widths: Iterable[Any], *, usual: int, most: int = 4) -> int:
    """Return one number of decimals for a whole column, so that its digits line up.

    The middle row's ± gets two significant digits, and no row's ± fewer than one.

    Args:
        half_widths: What is printed behind each ±, null where unknown.
        usual: Decimals when no row has an uncertainty.
        most: Never more than this.
    """
    known = sorted(abs(x) for x in map(number, half_widths) if x)
    if not known:
        return usual
    return min(most, max(decimals_for(known[len(known) // 2]), decimals_for(known[0], 1)))


def plus_minus(half_width: Any, decimals: int, *, dash: str = DASH) -> str:
    """Return what is printed behind a ±, see `expanded`, without the sign.

    One too small for the decimals is "<0.001", never a zero.
    """
    big = number(half_width)
    if big is None:
        return dash
    text = fixed(big, decimals)
    return text if big == 0 or float(text) > 0 else f"<{10.0**-decimals:.{decimals}f}"


def measured(value: Any, half_width: Any, unit: str, *, usual: int = 2, most: int = 4) -> str:
    """Return "24.31 ± 0.12 kn"; without a known uncertainty it says so."""
    x = number(value)
    if x is None:
        return DASH
    decimals = column_decimals([half_width], usual=usual, most=most)
    gap = "" if unit in ("°", "") else " "
    if number(half_width) is None:
        return f"{fixed(x, decimals)}{gap}{unit} (± not known)"
    return f"{fixed(x, decimals)} ± {plus_minus(half_width, decimals)}{gap}{unit}"


def degrees(value: Any) -> str:
    """Return a direction as three digits: 045°, 000° for north."""
    x = number(value)
    return DASH if x is None else f"{round(x) % 360:03d}°"


def percent(fraction: Any) -> str:
    """Return a fraction as a percentage."""
    x = number(fraction)
    return DASH if x is None else f"{general(100 * x)} %"


def moment(t_ns: int | None) -> datetime | None:
    """Return a UTC time of int64 nanoseconds since 1970, or None."""
    return None if t_ns is None else datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)


def parse_moment(value: Any) -> datetime | None:
    """Return a time given as ISO text, a datetime, or nanoseconds since 1970; None if it is none of these."""
    if isinstance(value, datetime):
        return value if value.tzinfo else value.replace(tzinfo=UTC)
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return moment(value)
    if isinstance(value, str):
        try:
            # some writers give nanoseconds, which the parser of Python 3.11 does not take
            found = datetime.fromisoformat(re.sub(r"(\.\d{6})\d+", r"\1", value.strip()))
        except ValueError:
            return None
        return found if found.tzinfo else found.replace(tzinfo=UTC)
    return None


def clock(value: Any, *, seconds: bool = True) -> str:
    """Return "08:12:05", UTC."""
    t = parse_moment(value)
    return DASH if t is None else t.astimezone(UTC).strftime("%H:%M:%S" if seconds else "%H:%M")


def date(value: Any) -> str:
    """Return "14 May 2031", UTC, the same in every locale."""
    t = parse_moment(value)
    if t is None:
        return DASH
    t = t.astimezone(UTC)
    return f"{t.day} {_MONTHS[t.month - 1]} {t.year}"


def span(start: Any, stop: Any) -> str:
    """Return "14 May 2031, 08:12 to 10:04 UTC"."""
    a, b = parse_moment(start), parse_moment(stop)
    if a is None or b is None:
        return date(start) if a else DASH
    until = clock(b, seconds=False) if date(a) == date(b) else f"{date(b)}, {clock(b, seconds=False)}"
    return f"{date(a)}, {clock(a, seconds=False)} to {until} UTC"


def duration(seconds: Any) -> str:
    """Return "1 h 52 min", "4 min 05 s" or "48 s"."""
    x = number(seconds)
    if x is None:
        return DASH
    whole = round(x)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(x / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Return "1 leg", "3 legs"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def join_words(words: Sequence[str], last: str = "and") -> str:
    """Return "a, b and c"."""
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else "".join(words)


def sentence(text: str) -> str:
    """Return text with a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def words(key: str) -> str:
    """Return a code such as ``one_way`` as words."""
    return key.strip() if " " in key.strip() else key.replace("_", " ").strip()


_KEYS = re.compile(r"\s*\((?:[a-z0-9]+_)+[a-z0-9]+\)")
"""The key of a limit as it stands behind a reason in the tables."""


def without_keys(text: str) -> str:
    """Return a sentence without the keys of settings that stand in brackets: people read words."""
    return _KEYS.sub("", text)


def split_flags(value: Any) -> list[str]:
    """Return the flags of a band as a list, whether stored as a list or as text."""
    if value is None:
        return []
    parts = re.split(r"[;,|]", value) if isinstance(value, str) else [str(part) for part in value]
    return [part.strip() for part in parts if part.strip()]


# ------------------------------------------------------------------------------
# Arrow columns as NumPy arrays for drawing and printing; an absent column is all null, never a fault.
# ------------------------------------------------------------------------------

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ENGINE_COLUMN = "rpm_"

_PLAIN = (pa.int64(), pa.int32(), pa.int16(), pa.int8(), pa.uint8())
"""Types read by their buffers: a cast imports all of Arrow's functions, which the report needs for nothing else."""


def floats(table: pa.Table | None, name: str) -> Floats:
    """Return a numeric column as float64, NaN where null; all NaN when the column is absent.

    Returns:
        Array of shape (rows,); empty without a table.
    """
    if table is None:
        return np.empty(0)
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    column = table.column(name)
    kind = column.type
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        return np.full(table.num_rows, np.nan)
    return buffers.floats(column if pa.types.is_floating(kind) or kind in _PLAIN else column.cast(pa.float64()))


def times_ns(table: pa.Table | None, name: str) -> Ints:
    """Return a timestamp (or integer) column as int64 nanoseconds since 1970 UTC, the smallest int64 where null.

    Returns:
        Array of shape (rows,); empty when the table or the column is absent.
    """
    if table is None or name not in table.column_names:
        return np.empty(0, dtype=np.int64)
    column = table.column(name)
    if pa.types.is_timestamp(column.type):
        column = _in_ns(column)
        return np.where(buffers.known(column), buffers.values(column), np.iinfo(np.int64).min)
    if not pa.types.is_integer(column.type):
        return np.empty(0, dtype=np.int64)
    values, known = buffers.integers(column if column.type in _PLAIN else column.cast(pa.int64()))
    return np.where(known, values, np.iinfo(np.int64).min)


def _in_ns(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column if column.type.unit == "ns" else column.cast(pa.timestamp("ns", tz=column.type.tz))


def has_values(table: pa.Table | None, name: str) -> bool:
    """Say whether a column is there and holds at least one value that is not null or NaN."""
    if table is None or name not in table.column_names or table.num_rows == 0:
        return False
    values = floats(table, name)
    return bool(np.isfinite(values).any())


def rows(table: pa.Table | None) -> list[dict[str, Any]]:
    """Return a small table as dicts, times as int64 nanoseconds since 1970 UTC."""
    if table is None:
        return []
    plain: dict[str, list[Any]] = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_timestamp(column.type):
            column = _in_ns(column)
            known = buffers.known(column).tolist()
            plain[name] = [t if k else None for t, k in zip(buffers.values(column).tolist(), known, strict=True)]
        else:
            plain[name] = column.to_pylist()
    return [dict(zip(plain, values, strict=True)) for values in zip(*plain.values(), strict=True)]


def engine_ids(table: pa.Table | None) -> tuple[str, ...]:
    """Return the engine ids of a samples or segments table, in column order."""
    if table is None:
        return ()
    found = []
    for name in table.column_names:
        if not name.startswith(ENGINE_COLUMN):
            continue
        engine = name.removeprefix(ENGINE_COLUMN).removesuffix("_mean")
        if engine.endswith(("_age_s", "_flag")) or engine in ("mean", "sd", "low", "high", ""):
            continue
        if engine not in found:
            found.append(engine)
    return tuple(found)


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
