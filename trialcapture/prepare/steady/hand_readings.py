"""What a person read off the displays during a steady stretch, where no instrument recorded it.

Many boats have engines whose displays can be read and not logged. A reading belongs to the stretch it was made in, or
to the one that ended shortly before it was typed. Of each stretch, engine and quantity the mean of its readings stands
in the segments table where nothing was recorded, and the column ``read_by_hand`` names it. What was recorded is never
replaced.

A reading is rounded to the display's count and shows one instant of a value that flutters. The count is read from all
readings of the quantity, the flutter from the readings of stretches that have more than one, with an expectation that
stands in where there are few.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, floats, floats_to_arrow, integers
from trialcapture.channels import ENGINE_QUANTITIES
from trialcapture.config import Config
from trialcapture.prepare.data_health import utc_text

Floats = npt.NDArray[np.float64]

READ_BY_HAND = "read_by_hand"
"""Column of the segments table that names what was read by hand, such as ``rpm port, fuel port``; null for nothing."""
TYPED_WITHIN_S = 60.0
"""A reading typed so soon after a stretch belongs to it [s] (common practice, no source)."""
FLUTTER = {"rpm": 0.003, "fuel_l_per_h": 0.015}
"""Standard deviation of single readings about the mean of a stretch that is expected before any is seen, as a share
of the value (common practice, no source)."""
FLUTTER_ELSE = 0.02
"""Same of all other quantities (common practice, no source)."""
FLUTTER_WORTH = 4.0
"""How many degrees of freedom that expectation is worth (our choice)."""
_NS_PER_S = 1_000_000_000
_RANGES = {q.name: (q.low, q.high) for q in ENGINE_QUANTITIES}
_WORDS = {"fuel_l_per_h": "fuel", "load_pct": "load", "coolant_c": "coolant", "oil_bar": "oil", "boost_bar": "boost"}


@dataclass(frozen=True, slots=True)
class HandReading:
    """One number that a person read off a display.

    Attributes:
        t_ns: UTC it was read [ns].
        engine: Engine it is of.
        channel: Engine channel it is of, such as ``rpm`` or ``fuel_l_per_h``.
        value: In the channel's unit.
        count: Unit of its last digit, in the channel's unit.
    """

    t_ns: int
    engine: str
    channel: str
    value: float
    count: float


def last_digit(text: str) -> Decimal:
    """Return what the last digit of a number as typed is worth: 10 for ``2150``, 0.1 for ``78.5``, 100 for ``2100``.

    Zeros at the end of a whole number may be rounding or not; `display_counts` takes the finest of all readings.

    Args:
        text: A decimal number, without a unit.

    Raises:
        ValueError: The text is no finite number.
    """
    try:
        number = Decimal(text)
    except ArithmeticError as fault:
        raise ValueError(f"no number: {text!r}") from fault
    if not number.is_finite():
        raise ValueError(f"no number: {text!r}")
    _, digits, exponent = number.as_tuple()
    power = int(exponent)
    if power < 0:
        return Decimal(1).scaleb(power)
    zeros = len(digits) - len("".join(map(str, digits)).rstrip("0")) if number else 0
    return Decimal(1).scaleb(power + zeros)


def with_readings(
    segments: pa.Table, readings: Sequence[HandReading], config: Config
) -> tuple[pa.Table, tuple[str, ...]]:
    """Return segments with what was read by hand where nothing was recorded, and what is to be said of the readings.

    Args:
        segments: From `check_segments`; a column `READ_BY_HAND` of an earlier pass is replaced.
        readings: In any order.
        config: Engines.

    Returns:
        The segments, and one sentence for each reading or group of readings that has no part in the result.

    Source of the uncertainties: q/√12 of a display's count q (GUM, JCGM 100:2008, F.2.2.1); pooled standard deviation
    of repeated readings (GUM 4.2.2 and H.3.6), with an expectation of `FLUTTER_WORTH` degrees of freedom.
    """
    start, stop = (integers(segments[name])[0] for name in ("start", "stop"))
    order = sorted(readings, key=lambda r: (r.t_ns, r.engine, r.channel, r.value))
    lost: list[str] = []
    by_cell: dict[tuple[int, str, str], list[float]] = defaultdict(list)
    for reading in order:
        low, high = _RANGES[reading.channel]
        if not low <= reading.value <= high:
            lost.append(f"{_told(reading)} is not possible and is left out")
            continue
        row = _row_of(reading.t_ns, start, stop)
        if row is None:
            lost.append(f"{_told(reading)} falls into no steady stretch")
            continue
        by_cell[row, reading.engine, reading.channel].append(reading.value)
    counts = _display_counts(order)
    flutter = _flutter(by_cell)
    columns = {
        name: floats(segments[name]) for name in segments.column_names if pa.types.is_floating(segments[name].type)
    }
    named: dict[int, list[str]] = defaultdict(list)
    fuel_var = np.zeros(segments.num_rows)
    for (row, engine, channel), values in sorted(by_cell.items()):
        mean_of = columns[f"{channel}_{engine}_mean"]
        if np.isfinite(mean_of[row]):
            continue
        mean_of[row] = mean = float(np.mean(values))
        named[row].append(f"{_WORDS.get(channel, channel)} {engine}")
        display_u = counts[channel] / math.sqrt(12.0)
        own_u = flutter[channel] * mean / math.sqrt(len(values))
        if channel == "rpm":
            columns[f"rpm_{engine}_rounding_u"][row] = math.hypot(display_u, own_u)
        elif channel == "fuel_l_per_h":
            columns[f"fuel_l_per_h_{engine}_rounding_u"][row] = display_u
            fuel_var[row] += own_u**2
    for row in named:
        _fill_totals(row, columns, config.engine_ids, math.sqrt(fuel_var[row]))
    table = segments.drop_columns([READ_BY_HAND]) if READ_BY_HAND in segments.column_names else segments
    if named:
        for k, name in enumerate(table.column_names):
            if name in columns:
                table = table.set_column(k, table.schema.field(k), floats_to_arrow(columns[name]))
    texts = [", ".join(named[row]) if row in named else None for row in range(segments.num_rows)]
    return table.append_column(pa.field(READ_BY_HAND, pa.string()), column_of(texts, pa.string())), tuple(lost)


def _row_of(t_ns: int, start: npt.NDArray[np.int64], stop: npt.NDArray[np.int64]) -> int | None:
    """Return the stretch that an instant falls into, or that ended shortly before it with none begun since."""
    begun = np.flatnonzero(start <= t_ns)
    if not begun.size:
        return None
    row = int(begun[np.argmax(start[begun])])
    return row if t_ns < stop[row] + round(TYPED_WITHIN_S * _NS_PER_S) else None


def _display_counts(readings: Sequence[HandReading]) -> dict[str, float]:
    """Return the count of the display of each channel: the finest last digit that any reading shows."""
    counts: dict[str, float] = {}
    for reading in readings:
        counts[reading.channel] = min(counts.get(reading.channel, math.inf), reading.count)
    return counts


def _flutter(by_cell: Mapping[tuple[int, str, str], Sequence[float]]) -> dict[str, float]:
    """Return the standard deviation of single readings of each channel about their mean, as a share of it."""
    squares: dict[str, float] = defaultdict(float)
    freedom: dict[str, int] = defaultdict(int)
    for (_, _, channel), values in by_cell.items():
        mean = float(np.mean(values))
        if len(values) > 1 and mean != 0.0:
            squares[channel] += float(np.sum((np.array(values) / mean - 1.0) ** 2))
        freedom[channel] += len(values) - 1
    return {
        channel: math.sqrt(
            (FLUTTER_WORTH * FLUTTER.get(channel, FLUTTER_ELSE) ** 2 + squares[channel]) / (FLUTTER_WORTH + n)
        )
        for channel, n in freedom.items()
    }


def _fill_totals(row: int, columns: Mapping[str, Floats], engine_ids: Sequence[str], fuel_u_l_per_h: float) -> None:
    """Fill in the boat's engine speed and fuel rate where they are unknown and every engine has a value."""
    rpm, fuel = ([columns[f"{c}_{e}_mean"][row] for e in engine_ids] for c in ("rpm", "fuel_l_per_h"))
    if not np.isfinite(columns["rpm_mean"][row]):
        columns["rpm_mean"][row] = np.mean(rpm)
    if not np.isfinite(columns["fuel_l_per_h_mean"][row]):
        columns["fuel_l_per_h_mean"][row] = np.sum(fuel)
        columns["fuel_u_l_per_h"][row] = fuel_u_l_per_h if np.isfinite(fuel).all() else np.nan


def _told(reading: HandReading) -> str:
    what = _WORDS.get(reading.channel, reading.channel)
    return f"the {what} reading {reading.value:g} of engine {reading.engine} at {utc_text(reading.t_ns)}"
