"""Engine readings: rpm and more from the network, everything from the engine logs, per engine, never mixed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from trialcapture.channels import ENGINE_QUANTITIES, trial_channels
from trialcapture.config import Config, Xdr
from trialcapture.prepare.series import Candidate, column, split_sources, truth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ATTITUDE_XDR = (
    Xdr(name="PTCH", type="A", channel="pitch_deg"),
    Xdr(name="PITCH", type="A", channel="pitch_deg"),
    Xdr(name="ROLL", type="A", channel="roll_deg"),
    Xdr(name="HEEL", type="A", channel="roll_deg"),
)
"""Transducer names in common use for attitude (common practice, no source)."""


_STEMS = {
    group: tuple(q.name for q in ENGINE_QUANTITIES if q.group == group) for group in ("rpm", "fuel", "engine", "trim")
}
"""Channel names of an engine, without its id, by channel group."""


def gather_network_rpm(placed: Mapping[str, pa.Table], config: Config) -> tuple[dict[str, list[Candidate]], list[str]]:
    """Return rpm candidates by group ``rpm_<id>`` from RPM sentences, and warnings for people.

    Engine speed (source letter E) is used as told; shaft speed (S) only where the engine's gear ratio is
    declared. Engine numbers are matched to `nmea_instance`; where none is declared, the numbers seen are taken
    in ascending order for the engines in the order they are declared, and a warning says so.
    """
    found: dict[str, list[Candidate]] = {}
    warnings: list[str] = []
    if "RPM" not in placed or not config.engine:
        return found, warnings
    table = placed["RPM"]
    rpm = np.where(truth(table, "valid"), np.abs(column(table, "rpm")), np.nan)
    number = column(table, "number")
    kind = np.asarray(pc.fill_null(table["kind"], "").combine_chunks().cast(pa.string()).to_pylist(), dtype=object)
    for letter, preference in (("E", 0), ("S", 1)):
        mine = (kind == letter) & np.isfinite(rpm) & np.isfinite(number)
        numbers = [int(n) for n in np.unique(number[mine])]
        matched = _match_numbers(numbers, config, letter, warnings)
        for engine in config.engine:
            if engine.id not in matched:
                continue
            if letter == "S" and engine.gear_ratio is None:
                warnings.append(f"shaft rpm of engine {engine.id} is left out: its gear_ratio is not declared")
                continue
            scale = 1.0 if letter == "E" else float(engine.gear_ratio or 1.0)
            values = np.where(mine & (number == matched[engine.id]), rpm * scale, np.nan)
            found.setdefault(f"rpm_{engine.id}", []).extend(
                split_sources(table, {f"rpm_{engine.id}": values}, "RPM", preference)
            )
    return found, warnings


def gather_can_engines(placed: Mapping[str, pa.Table], config: Config) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from the engine messages of a CAN bus: fuel, load, temperatures, pressures.

    Rpm comes by way of the RPM table, which CAN and NMEA 0183 share. Engine numbers are matched as for rpm.
    """
    found: dict[str, list[Candidate]] = {}
    if "ENGINE" not in placed or not config.engine:
        return found
    table = placed["ENGINE"]
    number = column(table, "number")
    numbers = [int(n) for n in np.unique(number[np.isfinite(number)])]
    for engine_id, n in _match_numbers(numbers, config, "E", []).items():
        for group in ("fuel", "engine", "trim"):
            values = {
                f"{stem}_{engine_id}": np.where(number == n, column(table, stem), np.nan)
                for stem in _STEMS[group]
                if stem in table.column_names
            }
            found.setdefault(f"{group}_{engine_id}", []).extend(split_sources(table, values, "ENGINE", 0))
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


def gather_xdr(placed: Mapping[str, pa.Table], config: Config) -> tuple[dict[str, list[Candidate]], list[str]]:
    """Return candidates by channel group from XDR transducers, mapped as declared or by common names."""
    found: dict[str, list[Candidate]] = {}
    if "XDR" not in placed:
        return found, []
    table = placed["XDR"]
    value = column(table, "value")
    text = {
        c: np.asarray(pc.fill_null(table[c].cast(pa.string()), "").to_pylist(), dtype=object)
        for c in ("type", "unit", "name")
    }
    upper = np.array([str(n).upper() for n in text["name"]], dtype=object)
    taken = np.zeros(table.num_rows, dtype=np.bool_)
    for xdr in (*config.xdr, *ATTITUDE_XDR, *_standard_tachometers(config)):
        mine = (upper == xdr.name.upper()) & ~taken
        if xdr.type:
            mine &= text["type"] == xdr.type
        if xdr.unit:
            mine &= text["unit"] == xdr.unit
        if not mine.any():
            continue
        taken |= mine
        group, scaled = _xdr_channel(xdr, value, text["unit"], config)
        if group:
            values = {xdr.channel: np.where(mine, scaled, np.nan)}
            found.setdefault(group, []).extend(split_sources(table, values, f"XDR:{xdr.name}", 2))
    left = sorted(
        {f"{t},{u},{n}" for t, u, n, k in zip(text["type"], text["unit"], text["name"], taken, strict=True) if not k}
    )
    warnings = [f"XDR transducers seen, not mapped to a channel: {'; '.join(left[:8])}"] if left else []
    return found, warnings


def _standard_tachometers(config: Config) -> list[Xdr]:
    """Tachometers named ENGINE#0 upwards, engines in the order declared (common practice, no source)."""
    numbers = [(e.id, i if e.nmea_instance is None else e.nmea_instance) for i, e in enumerate(config.engine)]
    return [Xdr(name=f"ENGINE#{n}", type="T", unit="R", channel=f"rpm_{i}") for i, n in numbers]


def _xdr_channel(xdr: Xdr, value: Floats, unit: npt.NDArray[np.object_], config: Config) -> tuple[str, Floats]:
    """Return group and values in the channel's unit; XDR pressure is in bar or pascal, volume flow in l/s."""
    by_name = {c.name: c for c in trial_channels(config.engine_ids)}
    if xdr.channel not in by_name:
        return "", value
    channel = by_name[xdr.channel]
    if channel.unit == "bar":
        value = np.where(unit == "P", value / 1e5, value)
    elif channel.unit == "l/h":
        value = np.where(unit == "I", value * 3600.0, value)
    elif channel.unit == "degc":
        value = np.where(unit == "K", value - 273.15, value)
    return channel.group, value


def merge_attitude(candidates: list[Candidate]) -> list[Candidate]:
    """Join pitch and roll that one source sends as separate transducers into one candidate."""
    by_source: dict[str, list[Candidate]] = {}
    for c in candidates:
        by_source.setdefault(c.source.split(" ", maxsplit=1)[0], []).append(c)
    merged = []
    for source, parts in by_source.items():
        t_ns = np.unique(np.concatenate([p.t_ns for p in parts]))
        values: dict[str, Floats] = {}
        for part in parts:
            for name, value in part.values.items():
                held = values.setdefault(name, np.full(t_ns.size, np.nan))
                known = np.isfinite(value)
                held[np.searchsorted(t_ns, part.t_ns[known])] = value[known]
        merged.append(Candidate(f"{source} XDR", t_ns, values, min(p.preference for p in parts)))
    return merged


def gather_log(log: pa.Table, t_ns: Ints, name: str, config: Config) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from one engine log already placed on UTC.

    Args:
        log: Columns as decoded, canonical units.
        t_ns: UTC of each row [ns]; rows are sorted by it here.
        name: File name, for evidence.
        config: Engine ids.
    """
    order = np.argsort(t_ns, kind="stable")
    t_ns = t_ns[order]
    values = {c: column(log, c)[order] for c in log.column_names if c not in ("row", "t_log_ns")}
    found: dict[str, list[Candidate]] = {}
    for engine_id in config.engine_ids:
        groups: dict[str, dict[str, Floats]] = {}
        for group in ("rpm", "engine", "trim"):
            names = [f"{stem}_{engine_id}" for stem in _STEMS[group]]
            mine = {name: values[name] for name in names if name in values}
            if mine:
                groups[group] = mine
        fuel = _fuel_l_per_h(values, engine_id, t_ns)
        if fuel is not None:
            groups["fuel"] = {f"fuel_l_per_h_{engine_id}": fuel}
        for group, mine in groups.items():
            some = np.any([np.isfinite(v) for v in mine.values()], axis=0)
            if some.any():
                found.setdefault(f"{group}_{engine_id}", []).append(
                    Candidate(f"log/{name} CSV", t_ns[some], {n: v[some] for n, v in mine.items()}, 1)
                )
    return found


def _fuel_l_per_h(values: Mapping[str, Floats], engine_id: str, t_ns: Ints) -> Floats | None:
    """Return the fuel rate of one engine [l/h]: as logged, else supply minus return, else the slope of the total."""
    rate = values.get(f"fuel_l_per_h_{engine_id}")
    if rate is not None:
        return rate
    supply, back = (
        values.get(f"fuel_supply_l_per_h_{engine_id}"),
        values.get(f"fuel_return_l_per_h_{engine_id}"),
    )
    if supply is not None:
        return supply if back is None else supply - back
    total = values.get(f"fuel_total_l_{engine_id}")
    return None if total is None else slope_of_total(t_ns, total)


def slope_of_total(t_ns: Ints, total_l: Floats, window_s: float = 30.0) -> Floats:
    """Return the rate [l/h] of a running total [l] as its least-squares slope over a centred window.

    Differencing a coarse counter gives spikes of one count per sample; a slope uses every sample of the window.
    A counter that falls back (reset) gives NaN around the fall.
    """
    rate = np.full(total_l.size, np.nan)
    t_s = (t_ns - t_ns[0]) / 1e9 if t_ns.size else np.zeros(0)
    half = round(window_s / 2 * 1e9)
    low = np.searchsorted(t_ns, t_ns - half)
    high = np.searchsorted(t_ns, t_ns + half, side="right")
    for i, (a, b) in enumerate(zip(low, high, strict=True)):
        y, x = total_l[a:b], t_s[a:b]
        known = np.isfinite(y)
        if known.sum() < 3 or np.any(np.diff(y[known]) < 0):
            continue
        x, y = x[known] - x[known].mean(), y[known] - y[known].mean()
        spread = float(x @ x)
        if spread > 0:
            rate[i] = float(x @ y) / spread * 3600.0
    return rate
