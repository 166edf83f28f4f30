"""Engine readings: rpm and more from the network, everything from the engine logs, per engine, never mixed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import coded, dictionary, equals, to_arrow
from trialcapture.channels import ENGINE_QUANTITIES, base_group, trial_channels
from trialcapture.config import Config, Xdr
from trialcapture.decode.encapsulated import TALKERS
from trialcapture.prepare.fuel_rate import FUEL_STEMS, engine_fuel_l_per_h
from trialcapture.prepare.on_change import RowsOnChange, held_rows
from trialcapture.prepare.sentence_times import OUTLINE_COUNT, readings_of, receiver_codes
from trialcapture.prepare.series import Candidate, column, find_sources, split_sources, truth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ATTITUDE_XDR = (
    Xdr(name="PTCH", type="A", channel="pitch_deg"),
    Xdr(name="PITCH", type="A", channel="pitch_deg"),
    Xdr(name="ROLL", type="A", channel="roll_deg"),
    Xdr(name="HEEL", type="A", channel="roll_deg"),
)
"""Transducer names in common use for attitude (common practice, no source)."""

LOG_STAMPS = ("row", "t_log_ns", OUTLINE_COUNT)
"""Columns of a decoded engine log that are no channel."""
_TYPE_OF_UNIT = {"rpm": "T", "degc": "C", "bar": "P", "l/h": "R", "deg": "A"}
"""Type letter of an XDR transducer by the unit of the channel it is ("NMEA Revealed")."""
_MANY_READINGS = 1000
_STEMS = {
    group: tuple(q.name for q in ENGINE_QUANTITIES if q.group == group) for group in ("rpm", "fuel", "engine", "trim")
}
"""Channel names of an engine, without its id, by channel group."""


Numbers = Mapping[str, Mapping[str, int]]
"""Engine number on the network by engine id, by who tells it: ``E`` engine rpm, ``S`` shaft rpm, ``CAN`` the rest, and
the rpm that sentences carry of a CAN bus, whose numbers are its own and not those of RPM sentences."""


def match_engines(placed: Mapping[str, pa.Table], config: Config) -> tuple[Numbers, list[str]]:
    """Return which engine number on the network is which engine, and warnings for people.

    Engine numbers are matched to `nmea_instance`; where none is declared, the numbers seen are taken in ascending
    order for the engines in the order they are declared, and a warning says so.

    Args:
        placed: Tables of a whole log by formatter, or its outline.
        config: Engines.
    """
    matched: dict[str, dict[str, int]] = {"E": {}, "S": {}, "CAN": {}}
    warnings: list[str] = []
    on_bus: list[int] = []
    if "RPM" in placed and config.engine:
        table = placed["RPM"]
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
    if "ENGINE" in placed and config.engine:
        number = column(placed["ENGINE"], "number")
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


def gather_network_rpm(placed: Mapping[str, pa.Table], config: Config, numbers: Numbers) -> dict[str, list[Candidate]]:
    """Return rpm candidates by group ``rpm_<id>`` from RPM sentences.

    Engine speed (source letter E) is used as told; shaft speed (S) only where the engine's gear ratio is declared.

    Args:
        placed: Tables by formatter with ``t_ns``.
        config: Engines.
        numbers: From `match_engines` over the whole log.
    """
    found: dict[str, list[Candidate]] = {}
    if "RPM" not in placed or not config.engine:
        return found
    table = placed["RPM"]
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


def gather_can_engines(placed: Mapping[str, pa.Table], config: Config, numbers: Numbers) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from the engine messages of a CAN bus: fuel, load, temperatures, pressures.

    Rpm comes by way of the RPM table, which CAN and NMEA 0183 share. Engine numbers are matched as for rpm.
    """
    found: dict[str, list[Candidate]] = {}
    if "ENGINE" not in placed or not config.engine:
        return found
    table = placed["ENGINE"]
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


def gather_xdr(placed: Mapping[str, pa.Table], config: Config) -> dict[str, list[Candidate]]:
    """Return candidates by channel group from XDR transducers, mapped as declared or by common names.

    What one source sends of one group by several transducers is one candidate, so that none displaces another.
    """
    found: dict[str, list[Candidate]] = {}
    if "XDR" not in placed:
        return found
    table = placed["XDR"]
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


def unmapped_transducers(placed: Mapping[str, pa.Table], config: Config) -> dict[tuple[str, str, str, str], int]:
    """Return how many readings came of each transducer that is no channel: by source/talker, type, unit and name.

    Every transducer of a log is in its outline, with how many readings each row stands for. One that was heard once
    among many is damage to another's name.
    """
    if "XDR" not in placed:
        return {}
    table = placed["XDR"]
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
    counts = readings_of(log)[order] if OUTLINE_COUNT in log.column_names else None
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
        fuel = engine_fuel_l_per_h(values, engine_id, t_ns, config.fuel)
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
