"""The fuel rate of one engine from what its log holds: a rate, two flow meters, or a running total."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers
from trialcapture.channels import MAX_GAP_S
from trialcapture.config import Config, Engine, Fuel
from trialcapture.prepare.fuel_volume import net_fuel_l_per_h
from trialcapture.prepare.health import Disagreement
from trialcapture.prepare.resolution import SLOPE_WINDOW_S, Resolution, find_resolution
from trialcapture.prepare.series import Candidate, column

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TEMPERATURE_GAP_S = MAX_GAP_S["water_temp"]
"""Longest gap over which a fuel temperature is interpolated: it drifts, it does not jump (common practice)."""
SHORT_HOLD_S = 60.0
FUEL_STEMS = (
    "fuel_l_per_h", "fuel_supply_l_per_h", "fuel_return_l_per_h", "fuel_supply_temp_c", "fuel_return_temp_c",
    "fuel_total_l",
)  # fmt: skip
"""What an engine log may tell of the fuel of an engine, without its id."""
COARSE_PCT = 2.0
"""A counter whose step is more than this share of what a short hold burns is called coarse (no source)."""


def engine_fuel_l_per_h(values: Mapping[str, Floats], engine_id: str, t_ns: Ints, settings: Fuel) -> Floats | None:
    """Return the fuel rate of one engine [l/h], NaN where unknown; None where the log has no fuel of it.

    The first that has any value is taken: the rate as logged, supply minus return, supply alone (the return is led
    back behind the meter), the slope of the running total. Supply minus return is the volume at 15 °C where both
    temperatures and the density are known, and plain subtraction otherwise, of which `fuel_rate_warnings` tells.

    Args:
        values: Channels of the log by name, such as ``fuel_supply_l_per_h_port``, shape (n,) each.
        engine_id: The engine.
        t_ns: UTC of each row, ascending [ns], shape (n,).
        settings: ``[fuel]``: density, and temperatures of the lines where no column has them.
    """

    def known(stem: str) -> Floats | None:
        found = values.get(f"{stem}_{engine_id}")
        return found if found is not None and np.isfinite(found).any() else None

    if (rate := known("fuel_l_per_h")) is not None:
        return rate
    supply, back, total = known("fuel_supply_l_per_h"), known("fuel_return_l_per_h"), known("fuel_total_l")
    if supply is not None and back is not None:
        temperatures = (
            _temperature_c(t_ns, known("fuel_supply_temp_c"), settings.supply_temp_c),
            _temperature_c(t_ns, known("fuel_return_temp_c"), settings.return_temp_c),
        )
        if temperatures[0] is None or temperatures[1] is None or settings.density_kg_per_m3 is None:
            return supply - back
        return net_fuel_l_per_h(
            supply, temperatures[0], back, temperatures[1], density15_kg_per_m3=settings.density_kg_per_m3
        )
    if supply is not None:
        return supply
    return None if total is None else slope_of_total(t_ns, total)


def fuel_resolution(log: pa.Table, engine_id: str, name: str) -> Resolution | None:
    """Return how finely the fuel rate of `engine_fuel_l_per_h` can be read; None where the log has no fuel.

    Args:
        log: Columns as decoded, or their outline.
        engine_id: The engine.
        name: The log, for people.
    """
    has = {stem: column(log, f"{stem}_{engine_id}") for stem in FUEL_STEMS if f"{stem}_{engine_id}" in log.column_names}
    has = {stem: values for stem, values in has.items() if np.isfinite(values).any()}
    what = f"{name} {{}} of engine {engine_id}"
    if "fuel_l_per_h" in has:
        return find_resolution(what.format("fuel rate"), "l/h", has["fuel_l_per_h"])
    if "fuel_supply_l_per_h" in has:
        meters = [has[s] for s in ("fuel_supply_l_per_h", "fuel_return_l_per_h") if s in has]
        found = [find_resolution(what.format("fuel supply"), "l/h", values) for values in meters]
        coarsest = max(found, key=lambda r: r.least_count)
        # the difference of two meters moves in counts of both
        return replace(coarsest, what=found[0].what, levels=np.zeros(0), meters=len(meters))
    if "fuel_total_l" in has:
        counter = find_resolution(what.format("fuel total"), "l", has["fuel_total_l"])
        return replace(counter, levels=np.zeros(0), counter_l=counter.least_count)
    return None


def fuel_rate_warnings(log: pa.Table, t_ns: Ints, name: str, config: Config) -> list[str]:
    """Return one sentence for each engine whose fuel rate is weaker than it could be.

    Args:
        log: Columns as decoded, canonical units.
        t_ns: UTC of each row [ns].
        name: The log, for the sentence.
        config: Engines and ``[fuel]``.
    """
    order = np.argsort(t_ns, kind="stable")
    t_ns = t_ns[order]
    values = {c: column(log, c)[order] for c in log.column_names if c.startswith("fuel_")}
    said: list[str] = []
    for engine_id in config.engine_ids:
        has = {stem: np.isfinite(values.get(f"{stem}_{engine_id}", np.zeros(0))).any() for stem in FUEL_STEMS}
        if has["fuel_l_per_h"]:
            continue
        if has["fuel_supply_l_per_h"] and has["fuel_return_l_per_h"]:
            missing = [
                what
                for what, given in (
                    ("the supply temperature", has["fuel_supply_temp_c"] or config.fuel.supply_temp_c is not None),
                    ("the return temperature", has["fuel_return_temp_c"] or config.fuel.return_temp_c is not None),
                    ("fuel.density_kg_per_m3", config.fuel.density_kg_per_m3 is not None),
                )
                if not given
            ]
            if missing:
                said.append(
                    f"fuel of engine {engine_id} is supply minus return as {name} shows them, without temperature "
                    f"correction: {' and '.join(missing)} not known; a warm return makes it read low by some per cent"
                )
        elif has["fuel_total_l"] and not has["fuel_supply_l_per_h"]:
            said += _coarse_counter(values[f"fuel_total_l_{engine_id}"], t_ns, f"fuel total of engine {engine_id}")
    return said


MOST_L_PER_KWH, LEAST_L_PER_KWH = 0.60, 0.22
"""Volume of fuel an engine burns for each kWh at full load: 450 g/kWh of petrol at 0.75 kg/L is a poor petrol engine,
190 g/kWh of diesel at 0.86 kg/L a good diesel engine (Heywood, Internal Combustion Engine Fundamentals; from
memory)."""
_TORQUE_RISE = 1.4
"""Most torque below rated speed, as a multiple of that at rated speed (common practice, no source)."""
_LIGHTEST_LOAD = 0.1
"""Least power of a boat under way, as a share of what a propeller takes at that speed (common practice, no source)."""
_UNDER_WAY = 0.6
"""From this share of rated speed on a boat is taken to be under way."""
_FEWEST = 40
_RISE = 1.2
"""Fuel rises at least so much where engine speed rises by half: a propeller takes 3.4 times the power."""


def impossible_fuel(
    candidates: Mapping[str, Sequence[Candidate]], series: Mapping[str, pa.Table], config: Config
) -> list[Disagreement]:
    """Return which fuel rates told on the network cannot belong to the engine's speed: another unit, another quantity.

    Judged over the whole trial, by medians: more than the engine can burn at that speed, less than it must under way
    (both where its power is declared), or no more at high speed than at low.

    Args:
        candidates: By channel group, from outlines.
        series: By group, the chosen engine speeds.
        config: Engines.
    """
    found = []
    for engine in config.engine:
        rpm_table = series.get(f"rpm_{engine.id}")
        if rpm_table is None or rpm_table.num_rows < _FEWEST:
            continue
        rpm_ns, rpm = integers(rpm_table["t_ns"])[0], column(rpm_table, f"rpm_{engine.id}")
        for c in candidates.get(f"fuel_{engine.id}", []):
            fuel = c.values[f"fuel_l_per_h_{engine.id}"]
            at = np.clip(np.searchsorted(rpm_ns, c.t_ns), 1, rpm_ns.size - 1)
            at -= c.t_ns - rpm_ns[at - 1] < rpm_ns[at] - c.t_ns
            near = np.abs(rpm_ns[at] - c.t_ns) < _NEAR_NS
            mine = near & np.isfinite(fuel) & np.isfinite(rpm[at]) & (rpm[at] > 0)
            size = _beyond_l_per_h(fuel[mine], rpm[at][mine], engine)
            if size is not None:
                cost = f"fuel and economy of engine {engine.id} rest on it: check its unit and which engine it is"
                what = f"fuel of engine {engine.id} by {c.source}"
                found.append(Disagreement(what, *size, "l/h", None, None, "warning", cost))
    return found


_NEAR_NS = 3_000_000_000


def _beyond_l_per_h(fuel: Floats, rpm: Floats, engine: Engine) -> tuple[str, float, float] | None:
    """Return against what a fuel rate cannot be, how far it is off, and the standard uncertainty of that [l/h]."""
    if fuel.size < _FEWEST:
        return None
    u = float(np.std(fuel) / np.sqrt(fuel.size))
    share = rpm / engine.rated_rpm
    if engine.rated_kw is not None:
        most = MOST_L_PER_KWH * engine.rated_kw * np.minimum(1.1, _TORQUE_RISE * share)
        if np.mean(fuel > most) > 0.5:
            return "most that such an engine burns at its speed", float(np.median(fuel - most)), u
        fast = share > _UNDER_WAY
        least = LEAST_L_PER_KWH * engine.rated_kw * _LIGHTEST_LOAD * share**3
        if np.count_nonzero(fast) >= _FEWEST and np.mean((fuel < least)[fast]) > 0.5:
            return "least that such an engine burns at its speed", float(np.median((fuel - least)[fast])), u
    low, high = np.quantile(rpm, [0.2, 0.8])
    if high < 1.5 * low:
        return None
    slow, fast = np.median(fuel[rpm <= low]), np.median(fuel[rpm >= high])
    if slow > 0 and fast < _RISE * slow:
        return f"rise with engine speed from {low:.0f} to {high:.0f} rpm", float(fast - _RISE * slow), u
    return None


def _coarse_counter(total_l: Floats, t_ns: Ints, what: str) -> list[str]:
    seen = np.isfinite(total_l)
    counts, t_s = total_l[seen], t_ns[seen] / 1e9
    rises = np.diff(counts)
    if not (rises > 0).any():
        return []
    step, hours = float(rises[rises > 0].min()), float(t_s[-1] - t_s[0]) / 3600.0
    mean, bound = float(rises[rises > 0].sum()) / max(hours, 1e-9), step * 3600.0 / SHORT_HOLD_S
    if bound <= COARSE_PCT / 100.0 * mean:
        return []
    return [
        f"{what} counts in steps of {step:.3g} l: over a hold of {SHORT_HOLD_S:.0f} s the rate is known "
        f"no better than ±{bound:.2g} l/h"
    ]


def _temperature_c(t_ns: Ints, measured: Floats | None, declared: float | None) -> Floats | None:
    """Return the temperature at every row: measured, gaps bridged; else as declared; None where neither is known."""
    if measured is None:
        return None if declared is None else np.full(t_ns.size, declared)
    at = np.flatnonzero(np.isfinite(measured))
    seen_ns = t_ns[at]
    bridged = np.interp(t_ns, seen_ns, measured[at])
    after = np.clip(np.searchsorted(seen_ns, t_ns), 0, at.size - 1)
    before = np.clip(np.searchsorted(seen_ns, t_ns, side="right") - 1, 0, at.size - 1)
    nearest_ns = np.minimum(np.abs(seen_ns[after] - t_ns), np.abs(t_ns - seen_ns[before]))
    return np.where(nearest_ns <= TEMPERATURE_GAP_S * 1e9, bridged, np.nan)


_SLOPES_AT_ONCE = 256
"""Windows whose sums are taken together: more would cost digits, fewer time."""


def slope_of_total(t_ns: Ints, total_l: Floats, window_s: float = SLOPE_WINDOW_S) -> Floats:
    """Return the rate [l/h] of a running total [l] as its least-squares slope over a centred window.

    Differencing a coarse counter gives spikes of one count per sample; a slope uses every sample of the window.
    A counter that falls back (reset) gives NaN around the fall.

    Args:
        t_ns: Time of each reading, ascending [ns], shape (n,).
        total_l: Readings, NaN where unknown, shape (n,).
        window_s: Width of the window.

    Source: ordinary least squares; its slope error falls as the window to the power 3/2, that of a difference of two
    readings only as the window (Savitzky & Golay 1964, Anal. Chem. 36:1627, smoothing by least squares).
    """
    half = round(window_s / 2 * 1e9)
    known = np.isfinite(total_l)
    before = np.concatenate([[0], np.cumsum(known)])
    low = before[np.searchsorted(t_ns, t_ns - half)]
    high = before[np.searchsorted(t_ns, t_ns + half, side="right")]
    t_ns, total_l = t_ns[known], total_l[known]
    falls = np.concatenate([[0], np.cumsum(np.diff(total_l) < 0)])
    usable = high - low >= 3
    usable[usable] = falls[high[usable] - 1] == falls[low[usable]]
    rate = np.full(usable.size, np.nan)
    for first in range(0, rate.size, _SLOPES_AT_ONCE):
        rows = first + np.flatnonzero(usable[first : first + _SLOPES_AT_ONCE])
        if rows.size:
            rate[rows] = 3600.0 * _window_slopes(t_ns, total_l, low[rows], high[rows])
    return rate


def _window_slopes(t_ns: Ints, y: Floats, low: Ints, high: Ints) -> Floats:
    """Return the least-squares slope [1/s] of readings that never fall, over each range [low, high) of them.

    By running sums from the first reading of the first range, so the ranges should lie close together.
    """
    begin, end = int(low.min()), int(high.max())
    x, y = (t_ns[begin:end] - t_ns[begin]) / 1e9, y[begin:end]
    standing = y[low - begin] == y[high - 1 - begin]
    y = y - y[0]
    x_sum, y_sum, xx_sum, xy_sum = (
        np.diff(np.concatenate([[0.0], np.cumsum(part)])[np.stack([low, high]) - begin], axis=0)[0]
        for part in (x, y, x * x, x * y)
    )
    n = high - low
    spread = xx_sum - x_sum * x_sum / n
    slope = (xy_sum - x_sum * y_sum / n) / np.where(spread > 0, spread, np.nan)
    # no rounding may make a total that stands still fall
    return np.where(standing & (spread > 0), 0.0, np.maximum(slope, 0.0))
