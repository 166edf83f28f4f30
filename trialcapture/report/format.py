"""Numbers, units, times and angles as text; one spelling for the terminal and the page.

An expanded uncertainty is printed with two significant digits and the value to the same decimal place
(GUM, JCGM 100:2008, 7.2.6); the coverage factor is 2, about 95 % for a normal distribution (GUM 6.3.3).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from numbers import Real
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture import buffers

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
