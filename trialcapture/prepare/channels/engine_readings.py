"""Readings of each engine: rpm and more from the network, everything from the engine logs, fuel rates included."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import coded, dictionary, equals, integers, to_arrow
from trialcapture.channels import ENGINE_QUANTITIES, MAX_GAP_S, base_group, trial_channels
from trialcapture.config import Config, Engine, Fuel, Xdr
from trialcapture.decode.engine_log.log_table import BY_MASS
from trialcapture.decode.nmea0183.encapsulated import TALKERS
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.resolution import SLOPE_WINDOW_S, Resolution, find_resolution
from trialcapture.prepare.channels.series import (
    Candidate,
    RowsOnChange,
    column,
    find_sources,
    held_rows,
    split_sources,
    truth,
)
from trialcapture.prepare.clocks.sentence_times import STANDS_FOR_COLUMN, readings_of, receiver_codes
from trialcapture.prepare.data_health import Disagreement
from trialcapture.units import FloatOrArray

# Fuel volume against temperature.

BASE_TEMPERATURE_C = 15.0
"""Temperature at which fuel density is stated [°C] (ISO 91, API MPMS 11.1)."""


def thermal_expansion_per_c(density15_kg_per_m3: float) -> float:
    """Return the thermal expansion of a refined fuel at 15 °C [1/°C].

    Args:
        density15_kg_per_m3: Density at 15 °C [kg/m³], 653 to 1075.

    Raises:
        TrialCaptureError: The density is none a refined product has.

    Source: API MPMS 11.1 / ASTM D1250-80, table 54B (constants from memory).
    """
    rho = density15_kg_per_m3
    if not 653.0 <= rho <= 1075.0:
        raise TrialCaptureError(
            "no refined fuel has this density", seen=rho, expected="give kg/m³ at 15 °C, between 653 and 1075"
        )
    if rho <= 770.0:
        k0, k1 = 346.4228, 0.4388
    elif rho < 788.0:
        return -0.00336312 + 2680.3206 / rho**2
    elif rho < 839.0:
        k0, k1 = 594.5418, 0.0
    else:
        k0, k1 = 186.9696, 0.4862
    return k0 / rho**2 + k1 / rho


def volume_correction_factor(density15_kg_per_m3: float, temperature_c: FloatOrArray) -> FloatOrArray:
    """Return volume at 15 °C over volume at `temperature_c`, a number or an array; NaN gives NaN.

    Source: API MPMS 11.1 / ASTM D1250-80, ``exp(-a dT (1 + 0.8 a dT))``.
    """
    product = thermal_expansion_per_c(density15_kg_per_m3) * (temperature_c - BASE_TEMPERATURE_C)
    return np.exp(-product * (1.0 + 0.8 * product))  # type: ignore[no-any-return]


# Fuel rate of one engine: from a rate, two flow meters, or a running total.

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TEMPERATURE_GAP_S = MAX_GAP_S["water_temp"]
"""Longest gap over which a fuel temperature is interpolated: it drifts, it does not jump (common practice)."""
SHORT_HOLD_S = 60.0
"""Length of a short hold, for the words about a coarse counter [s] (our choice, no source)."""
FUEL_STEMS = (
    "fuel_l_per_h", "fuel_supply_l_per_h", "fuel_return_l_per_h", "fuel_supply_temp_c", "fuel_return_temp_c",
    "fuel_total_l",
)  # fmt: skip
"""What an engine log may tell of the fuel of an engine, without its id."""
COARSE_PCT = 2.0
"""A counter whose step is more than this share of what a short hold burns is called coarse (no source)."""


def engine_fuel_l_per_h(
    values: Mapping[str, Floats], engine_id: str, t_ns: Ints, settings: Fuel, by_mass: Collection[str] = ()
) -> Floats | None:
    """Return the fuel rate of one engine [l/h], NaN where unknown; None where the log has no fuel of it.

    The first that has any value is taken: the rate as logged, supply minus return, supply alone (the return is led
    back behind the meter), the slope of the running total. What is metered is the volume at 15 °C where the density
    and the temperature at each meter are known, and where it is metered by mass; otherwise it is the volume as
    metered, of which `fuel_rate_warnings` tells. The return line is hot: plain subtraction reads low. A rate as
    logged is taken as the engine states it.

    Args:
        values: Channels of the log by name, such as ``fuel_supply_l_per_h_port``, shape (n,) each.
        engine_id: The engine.
        t_ns: UTC of each row, ascending [ns], shape (n,).
        settings: ``[fuel]``: density, and temperatures of the lines where no column has them.
        by_mass: Those of the channels that the log gives by mass.
    """

    def known(stem: str) -> Floats | None:
        found = values.get(f"{stem}_{engine_id}")
        return found if found is not None and np.isfinite(found).any() else None

    def factor(stem: str) -> Floats | None:
        if f"{stem}_{engine_id}" in by_mass:
            return np.ones(t_ns.size)
        line = "return" if stem == "fuel_return_l_per_h" else "supply"
        declared = settings.return_temp_c if line == "return" else settings.supply_temp_c
        at_c = _temperature_c(t_ns, known(f"fuel_{line}_temp_c"), declared)
        if at_c is None or settings.density_kg_per_m3 is None:
            return None
        return volume_correction_factor(settings.density_kg_per_m3, at_c)

    if (rate := known("fuel_l_per_h")) is not None:
        return rate
    supply, back, total = known("fuel_supply_l_per_h"), known("fuel_return_l_per_h"), known("fuel_total_l")
    of_supply = factor("fuel_supply_l_per_h")
    if supply is not None and back is not None:
        of_return = factor("fuel_return_l_per_h")
        if of_supply is None or of_return is None:
            return supply - back
        return supply * of_supply - back * of_return
    if supply is not None:
        return supply if of_supply is None else supply * of_supply
    if total is None:
        return None
    of_total = factor("fuel_total_l")
    slope = slope_of_total(t_ns, total)
    return slope if of_total is None else slope * of_total


def channels_by_mass(log: pa.Table) -> set[str]:
    """Return the columns of a decoded engine log that the log gives by mass."""
    return {field.name for field in log.schema if BY_MASS.encode() in (field.metadata or {})}


def fuel_resolution(log: pa.Table, engine_id: str, name: str) -> Resolution | None:
    """Return how finely the fuel rate of `engine_fuel_l_per_h` can be read; None where the log has no fuel.

    Args:
        log: Columns as decoded, or their downsampled index.
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
        return replace(counter, levels=np.zeros(0), counter_l=counter.least_count, window_s=SLOPE_WINDOW_S)
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
    by_mass = channels_by_mass(log)
    said: list[str] = []
    for engine_id in config.engine_ids:
        has = {stem: np.isfinite(values.get(f"{stem}_{engine_id}", np.zeros(0))).any() for stem in FUEL_STEMS}
        if has["fuel_l_per_h"]:
            continue
        used = [s for s in ("fuel_supply_l_per_h", "fuel_return_l_per_h") if has[s]]
        if not has["fuel_supply_l_per_h"]:
            used = ["fuel_total_l"] if has["fuel_total_l"] else []
        used = [stem for stem in used if f"{stem}_{engine_id}" not in by_mass]
        lines = sorted({"return" if stem == "fuel_return_l_per_h" else "supply" for stem in used}, reverse=True)
        declared = {"supply": config.fuel.supply_temp_c, "return": config.fuel.return_temp_c}
        missing = [f"the {x} temperature" for x in lines if not has[f"fuel_{x}_temp_c"] and declared[x] is None]
        if used and config.fuel.density_kg_per_m3 is None:
            missing.append("the density of the fuel")
        if missing:
            lack = f"{' and '.join(missing)} not known"
            said.append(
                f"fuel of engine {engine_id} is supply minus return as {name} shows them, without temperature "
                f"correction: {lack}; a warm return makes it read low by some per cent"
                if len(lines) > 1
                else f"fuel of engine {engine_id} is the volume as {name} meters it, not that at 15 °C: {lack}; warm "
                f"fuel makes it read high by 1 % for each 12 °C"
            )
        if has["fuel_total_l"] and not has["fuel_supply_l_per_h"]:
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
"""From this share of rated speed on a boat is taken to be under way (common practice, no source)."""
_FEWEST = 40
"""Readings from which a fuel rate is evaluated (our choice, no source)."""
_RISE = 1.2
"""Fuel rises at least so much where engine speed rises by half (our choice: a propeller takes 1.5³ = 3.4 times the
power, and much of that may be lost in noise)."""


def impossible_fuel(
    candidates: Mapping[str, Sequence[Candidate]], series: Mapping[str, pa.Table], config: Config
) -> list[Disagreement]:
    """Return which fuel rates told on the network cannot belong to the engine's speed: another unit, another quantity.

    Judged over the whole trial, by medians: more than the engine can burn at that speed, less than it must under way
    (both where its power is declared), or no more at high speed than at low.

    Args:
        candidates: By channel group, from downsampled indexes.
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
"""A fuel reading is compared with rpm no further away than this [ns] (our choice, no source)."""


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
    if fast < _RISE * slow:
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
"""Windows whose sums are taken together: more would cost digits, fewer time (our choice, no source)."""


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


Bools = npt.NDArray[np.bool_]

ATTITUDE_XDR = (
    Xdr(name="PTCH", type="A", channel="pitch_deg"),
    Xdr(name="PITCH", type="A", channel="pitch_deg"),
    Xdr(name="ROLL", type="A", channel="roll_deg"),
    Xdr(name="HEEL", type="A", channel="roll_deg"),
)
"""Transducer names in common use for attitude (common practice, no source)."""

LOG_STAMPS = ("row", "t_log_ns", STANDS_FOR_COLUMN)
"""Columns of a decoded engine log that are no channel."""
_TYPE_OF_UNIT = {"rpm": "T", "degc": "C", "bar": "P", "l/h": "R", "deg": "A"}
"""Type letter of an XDR transducer by the unit of the channel it is ("NMEA Revealed")."""
_MANY_READINGS = 1000
"""Readings of a log from which a transducer told only now and then is called rare (our choice, no source)."""
_STEMS = {
    group: tuple(q.name for q in ENGINE_QUANTITIES if q.group == group) for group in ("rpm", "fuel", "engine", "trim")
}
"""Channel names of an engine, without its id, by channel group."""


Numbers = Mapping[str, Mapping[str, int]]
"""Engine number on the network by engine id, by who tells it: ``E`` engine rpm, ``S`` shaft rpm, ``CAN`` the rest, and
the rpm that sentences carry of a CAN bus, whose numbers are its own and not those of RPM sentences."""


def match_engines(with_utc: Mapping[str, pa.Table], config: Config) -> tuple[Numbers, list[str]]:
    """Return which engine number on the network is which engine, and warnings for people.

    Engine numbers are matched to `nmea_instance`; where none is declared, the numbers seen are taken in ascending
    order for the engines in the order they are declared, and a warning says so.

    Args:
        with_utc: Tables of a whole log by formatter, or its downsampled index.
        config: Engines.
    """
    matched: dict[str, dict[str, int]] = {"E": {}, "S": {}, "CAN": {}}
    warnings: list[str] = []
    on_bus: list[int] = []
    if "RPM" in with_utc and config.engine:
        table = with_utc["RPM"]
        rpm, number = _valid_rpm(table), column(table, "number")
        known, carried = np.isfinite(rpm) & np.isfinite(number), _is_carried(table)
        for letter in ("E", "S"):
            mine = equals(table["kind"], letter) & known & ~carried
            numbers = [int(n) for n in np.unique(number[mine])]
            matched[letter] = _match_numbers(numbers, config, letter, warnings)
        on_bus = [int(n) for n in np.unique(number[known & carried])]
        warnings += [
            f"shaft rpm of engine {e.id} is left out: its gear_ratio is not declared"
            for e in config.engine
            if e.id in matched["S"] and e.gear_ratio is None
        ]
    if "ENGINE" in with_utc and config.engine:
        number = column(with_utc["ENGINE"], "number")
        numbers = sorted({*on_bus, *(int(n) for n in np.unique(number[np.isfinite(number)]))})
        matched["CAN"] = _match_numbers(numbers, config, "E", warnings if on_bus else [])
    return matched, list(dict.fromkeys(warnings))


def _is_carried(table: pa.Table) -> npt.NDArray[np.bool_]:
    """Return which rows come from a CAN bus by way of sentences that carry its messages."""
    codes, talkers = coded(table["talker"])
    return np.array([talker in TALKERS for talker in talkers] or [False], dtype=np.bool_)[codes]


def _valid_rpm(table: pa.Table) -> Floats:
    """Return rpm as told; a shaft that turns astern tells a negative one, an engine cannot turn so.

    A negative rpm of an engine stays, to be found and counted with all that is out of range.
    """
    rpm = column(table, "rpm")
    return np.where(truth(table, "valid"), np.where(equals(table["kind"], "S"), np.abs(rpm), rpm), np.nan)


def gather_network_rpm(
    with_utc: Mapping[str, pa.Table], config: Config, numbers: Numbers
) -> dict[str, list[Candidate]]:
    """Return rpm candidates by group ``rpm_<id>`` from RPM sentences.

    Engine speed (source letter E) is used as told; shaft speed (S) only where the engine's gear ratio is declared.

    Args:
        with_utc: Tables by formatter with ``t_ns``.
        config: Engines.
        numbers: From `match_engines` over the whole log.
    """
    found: dict[str, list[Candidate]] = {}
    if "RPM" not in with_utc or not config.engine:
        return found
    table = with_utc["RPM"]
    rpm, number = _valid_rpm(table), column(table, "number")
    sources = find_sources(table)
    carried = _is_carried(table)
    for letter, preference in (("E", 0), ("CAN", 0), ("S", 1)):
        told = [e for e in config.engine if e.id in numbers[letter] and (letter != "S" or e.gear_ratio is not None)]
        mine = carried if letter == "CAN" else equals(table["kind"], letter) & ~carried
        if not told or not mine.any():
            continue
        for engine in told:
            scale = 1.0 if letter != "S" else float(engine.gear_ratio or 1.0)
            values = np.where(mine & (number == numbers[letter][engine.id]), rpm * scale, np.nan)
            found.setdefault(f"rpm_{engine.id}", []).extend(
                split_sources(sources, {f"rpm_{engine.id}": values}, "RPM", preference)
            )
    return found


def gather_can_engines(
    with_utc: Mapping[str, pa.Table], config: Config, numbers: Numbers
) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from the engine messages of a CAN bus: fuel, load, temperatures, pressures.

    Rpm comes by way of the RPM table, which CAN and NMEA 0183 share. Engine numbers are matched as for rpm.
    """
    found: dict[str, list[Candidate]] = {}
    if "ENGINE" not in with_utc or not config.engine:
        return found
    table = with_utc["ENGINE"]
    number = column(table, "number")
    sources = find_sources(table)
    for engine_id, n in numbers["CAN"].items():
        for group in ("fuel", "engine", "trim"):
            values = {
                f"{stem}_{engine_id}": np.where(number == n, column(table, stem), np.nan)
                for stem in _STEMS[group]
                if stem in table.column_names
            }
            found.setdefault(f"{group}_{engine_id}", []).extend(split_sources(sources, values, "ENGINE", 0))
    return found


def _match_numbers(numbers: list[int], config: Config, letter: str, warnings: list[str]) -> dict[str, int]:
    """Return engine number by engine id."""
    declared = {e.id: e.nmea_instance for e in config.engine if e.nmea_instance is not None}
    matched = {i: n for i, n in declared.items() if n in numbers}
    if not numbers:
        return matched
    free = [n for n in numbers if n not in declared.values()]
    open_ids = [e.id for e in config.engine if e.id not in declared]
    for engine_id, n in zip(open_ids, free, strict=False):
        matched[engine_id] = n
    what = "engine" if letter == "E" else "shaft"
    if open_ids and len(config.engine) > 1:
        pairs = ", ".join(f"{what} {n} = {i}" for i, n in matched.items() if i in open_ids)
        if pairs:
            warnings.append(f"nmea_instance is not declared; taken in order: {pairs}")
    unused = [n for n in numbers if n not in matched.values()]
    if unused:
        warnings.append(f"rpm of {what} number {', '.join(map(str, unused))} is seen and belongs to no declared engine")
    return matched


def gather_xdr(with_utc: Mapping[str, pa.Table], config: Config) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from XDR transducers, mapped as declared or by common names.

    What one source sends of one group by several transducers is one candidate, so that none displaces another.
    """
    found: dict[str, list[Candidate]] = {}
    if "XDR" not in with_utc:
        return found
    table = with_utc["XDR"]
    value, unit = column(table, "value"), dictionary(table["unit"])
    sources = find_sources(table)
    rows_of, _ = _xdr_rows(table, config)
    for xdr, mine in rows_of:
        group, scaled = _xdr_channel(xdr, value, unit, config)
        if group:
            values = {xdr.channel: np.where(mine, scaled, np.nan)}
            found.setdefault(group, []).extend(split_sources(sources, values, f"XDR:{xdr.name}", 2))
    several = {g for g in found if g == "attitude" or base_group(g, config.engine_ids) == "engine"}
    found |= {group: merge_transducers(found[group]) for group in several}
    return found


def unmapped_transducers(with_utc: Mapping[str, pa.Table], config: Config) -> dict[tuple[str, str, str, str], int]:
    """Return how many readings came of each transducer that is no channel: by source/talker, type, unit and name.

    Every transducer of a log is in its downsampled index, with how many readings each row stands for. One that was
    heard once among many is damage to another's name.
    """
    if "XDR" not in with_utc:
        return {}
    table = with_utc["XDR"]
    _, taken = _xdr_rows(table, config)
    left = np.flatnonzero(~taken)
    rows = table.take(to_arrow(left))
    code, names = receiver_codes(rows)
    counts = readings_of(rows)
    texts = zip(*(_texts(rows[name]) for name in ("type", "unit", "name")), strict=True)
    found: dict[tuple[str, str, str, str], int] = {}
    for which, count, key in zip(code.tolist(), counts.tolist(), texts, strict=True):
        whole = (names[which], *key)
        found[whole] = found.get(whole, 0) + count
    is_long = int(readings_of(table).sum()) >= _MANY_READINGS
    return {key: count for key, count in sorted(found.items()) if count > 1 or not is_long}


def _texts(texts: pa.ChunkedArray) -> list[str]:
    """Return a text column as Python strings, "" for null."""
    codes, words = coded(texts)
    return [words[code] for code in codes.tolist()]


def _xdr_rows(table: pa.Table, config: Config) -> tuple[list[tuple[Xdr, Bools]], Bools]:
    """Return which rows each transducer that is a channel has, and which rows any has."""
    codes, names = coded(table["name"])
    kind, unit = dictionary(table["type"]), dictionary(table["unit"])
    units = {c.name: c.unit for c in trial_channels(config.engine_ids)}
    taken = np.zeros(table.num_rows, dtype=np.bool_)
    found = []
    for xdr in (*config.xdr, *ATTITUDE_XDR, *_standard_tachometers(config)):
        same = np.array([str(name).upper() == xdr.name.upper() for name in names], dtype=np.bool_)
        if not same.any():
            continue
        mine = same[codes] & ~taken
        for letter, told in ((xdr.type, kind), (xdr.unit, unit)):
            if letter:
                mine &= equals(told, letter)
        own_type = mine & equals(kind, _TYPE_OF_UNIT.get(units.get(xdr.channel, ""), ""))
        if not xdr.type and own_type.any():
            mine = own_type  # several transducers of one name are told apart by what they measure
        if mine.any():
            taken |= mine
            found.append((xdr, mine))
    return found, taken


def _standard_tachometers(config: Config) -> list[Xdr]:
    """Tachometers named ENGINE#0 upwards, engines in the order declared (common practice, no source)."""
    numbers = [(e.id, i if e.nmea_instance is None else e.nmea_instance) for i, e in enumerate(config.engine)]
    return [Xdr(name=f"ENGINE#{n}", type="T", unit="R", channel=f"rpm_{i}") for i, n in numbers]


def _xdr_channel(xdr: Xdr, value: Floats, unit: pa.Array, config: Config) -> tuple[str, Floats]:
    """Return group and values in the channel's unit; XDR pressure is in bar or pascal, volume flow in l/s.

    The unit of volume flow is the letter l (litres a second, "NMEA Revealed"), often written as a capital I.
    """
    by_name = {c.name: c for c in trial_channels(config.engine_ids)}
    if xdr.channel not in by_name:
        return "", value
    channel = by_name[xdr.channel]
    if channel.unit == "bar":
        value = np.where(equals(unit, "P"), value / 1e5, value)
    elif channel.unit == "l/h":
        value = np.where(equals(unit, "l") | equals(unit, "I"), value * 3600.0, value)
    elif channel.unit == "degc":
        value = np.where(equals(unit, "K"), value - 273.15, value)
    return channel.group, value


def merge_transducers(candidates: list[Candidate]) -> list[Candidate]:
    """Join the channels of one group that one source sends as separate transducers into one candidate."""
    by_source: dict[str, list[Candidate]] = {}
    for c in candidates:
        by_source.setdefault(c.source.split(" ", maxsplit=1)[0], []).append(c)
    merged = []
    for source, parts in by_source.items():
        t_ns = np.sort(np.concatenate([p.t_ns for p in parts]), kind="stable")
        t_ns = t_ns[np.append(True, t_ns[1:] > t_ns[:-1])]
        values: dict[str, Floats] = {}
        for part in parts:
            for name, value in part.values.items():
                held = values.setdefault(name, np.full(t_ns.size, np.nan))
                known = np.isfinite(value)
                held[np.searchsorted(t_ns, part.t_ns[known])] = value[known]
        merged.append(Candidate(f"{source} XDR", t_ns, values, min(p.preference for p in parts)))
    return merged


def _columns(group: str, engine_id: str) -> set[str]:
    """Return the columns of an engine log that a channel group of an engine is made from."""
    stems = FUEL_STEMS if group == "fuel" else _STEMS[group]
    return {f"{stem}_{engine_id}" for stem in stems}


def _oldest(ages: list[Ints], rows: npt.NDArray[np.bool_]) -> Ints | None:
    return np.max(ages, axis=0)[rows] if ages else None


def log_source(name: str) -> str:
    """Return what the readings of an engine log are known by."""
    return f"log/{name} CSV"


def gather_log(
    log: pa.Table,
    t_ns: Ints,
    name: str,
    config: Config,
    on_change: Collection[str] = (),
    rows_on_change: RowsOnChange | None = None,
) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from one engine log already placed on UTC.

    Args:
        log: Columns as decoded, canonical units.
        t_ns: UTC of each row [ns]; rows are sorted by it here.
        name: File name, for evidence.
        config: Engine ids.
        on_change: Columns that are filled on change only.
        rows_on_change: How the log has a row on change only; None where it has not.
    """
    is_in_order = bool(np.all(t_ns[1:] >= t_ns[:-1]))
    order: slice | Ints = slice(None) if is_in_order else np.argsort(t_ns, kind="stable")
    t_ns = t_ns[order]
    values = {c: column(log, c)[order] for c in log.column_names if c not in LOG_STAMPS}
    by_mass = channels_by_mass(log)
    counts = readings_of(log)[order] if STANDS_FOR_COLUMN in log.column_names else None
    if rows_on_change is not None:
        added = rows_on_change.silences(t_ns, values)
        none = np.full(added.size, np.nan)
        order = np.argsort(np.concatenate([t_ns, added]), kind="stable")
        t_ns = np.concatenate([t_ns, added])[order]
        values = {c: np.concatenate([v, none])[order] for c, v in values.items()}
        counts = None if counts is None else np.concatenate([counts, np.ones(added.size, counts.dtype)])[order]
        on_change = {*on_change, *rows_on_change.smallest}
    ages: dict[str, Ints] = {}
    for column_name in values.keys() & set(on_change):
        values[column_name], ages[column_name] = held_rows(t_ns, values[column_name], t_ns)
    found: dict[str, list[Candidate]] = {}
    for engine_id in config.engine_ids:
        groups: dict[str, dict[str, Floats]] = {}
        for group in ("rpm", "engine", "trim"):
            names = [f"{stem}_{engine_id}" for stem in _STEMS[group]]
            mine = {name: values[name] for name in names if name in values}
            if mine:
                groups[group] = mine
        fuel = engine_fuel_l_per_h(values, engine_id, t_ns, config.fuel, by_mass)
        if fuel is not None:
            groups["fuel"] = {f"fuel_l_per_h_{engine_id}": fuel}
        for group, mine in groups.items():
            some = np.any([np.isfinite(v) for v in mine.values()], axis=0)
            if some.any():
                found.setdefault(f"{group}_{engine_id}", []).append(
                    Candidate(
                        log_source(name),
                        t_ns[some],
                        {n: v[some] for n, v in mine.items()},
                        1,
                        None if counts is None else counts[some],
                        _oldest([a for c, a in ages.items() if c in _columns(group, engine_id)], some),
                    )
                )
    return found
