"""Rules between keys, checked on the table as written, so that one slip elsewhere hides none of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from itertools import pairwise
from typing import Any

from trialcapture.channels import trial_channels
from trialcapture.config.inputs import COUNTED_NS, SIX_PARTS, TIME_WORDS
from trialcapture.config.sections import WATER_KG_PER_M3, Engine, other_unit_keys, tank_contents
from trialcapture.errors import TrialCaptureError
from trialcapture.units import dimension

LOG_QUANTITIES: dict[str, tuple[str, str]] = {
    "rpm": ("rpm", "rpm"),
    "fuel": ("fuel_l_per_h", "l/h"),
    "fuel_l_per_h": ("fuel_l_per_h", "l/h"),
    "fuel_total": ("fuel_total_l", "l"),
    "fuel_supply": ("fuel_supply_l_per_h", "l/h"),
    "fuel_return": ("fuel_return_l_per_h", "l/h"),
    "fuel_supply_temp": ("fuel_supply_temp_c", "degc"),
    "fuel_return_temp": ("fuel_return_temp_c", "degc"),
    "load": ("load_pct", "%"),
    "load_pct": ("load_pct", "%"),
    "coolant": ("coolant_c", "degc"),
    "coolant_c": ("coolant_c", "degc"),
    "oil": ("oil_bar", "bar"),
    "oil_bar": ("oil_bar", "bar"),
    "boost": ("boost_bar", "bar"),
    "boost_bar": ("boost_bar", "bar"),
    "trim": ("trim_pct", "%"),
    "trim_pct": ("trim_pct", "%"),
}
"""What a column key may start with, and the channel and unit it becomes."""

BY_DENSITY = {"volume flow": "mass flow", "volume": "mass"}
"""Dimensions that the fuel's density turns into one another."""

_ADDRESS = {
    "serial": ("port",), "tcp": ("host", "port"), "udp": ("port",), "can": ("channel",), "replay": ("path",),
}  # fmt: skip


WIDEST_DEFAULT_HALF_WIDTH_RPM = 100.0
"""Common practice, no source: a throttle set by hand stays well inside it."""


def default_half_width_rpm(steps_rpm: Sequence[float]) -> float:
    """Return the half width of a declared band that states none [rpm]: half the smallest step, at most 100."""
    return min([WIDEST_DEFAULT_HALF_WIDTH_RPM, *((b - a) / 2.0 for a, b in pairwise(steps_rpm))])


def log_channel(key: str, engine_ids: tuple[str, ...]) -> tuple[str, str, str] | None:
    """Return (channel stem, its unit, engine id) of an engine-log column key, or None where it is none."""
    for engine_id in engine_ids:
        stem = key.removesuffix(f"_{engine_id}")
        if stem != key and stem in LOG_QUANTITIES:
            name, unit = LOG_QUANTITIES[stem]
            return name, unit, engine_id
    return None


def find_faults(data: Mapping[str, Any]) -> list[str]:
    """Return what cannot be meant between keys, one line a fault.

    Args:
        data: Settings as TOML gives them; what is of the wrong type is passed over, for that is a fault of
            its own and reported elsewhere.
    """
    return [
        *_given_twice(data),
        *_engine_faults(data),
        *_tank_faults(data),
        *_band_faults(data),
        *_plan_faults(data),
        *_source_faults(data),
        *_engine_log_faults(data),
        *_xdr_faults(data),
    ]


def _tables(data: Mapping[str, Any], key: str) -> list[tuple[str, Mapping[str, Any]]]:
    items = data.get(key)
    if not isinstance(items, list | tuple):
        return []
    return [(f"{key}[{index}]", item) for index, item in enumerate(items) if isinstance(item, Mapping)]


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    item = data.get(key)
    return item if isinstance(item, Mapping) else {}


def _number(value: Any) -> float | None:
    return None if isinstance(value, bool) or not isinstance(value, int | float) else float(value)


def _engine_ids(data: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(e["id"] for _, e in _tables(data, "engine") if isinstance(e.get("id"), str))


def _given_twice(data: Mapping[str, Any]) -> Iterator[str]:
    for key, field in (
        ("engine", "id"),
        ("engine", "nmea_instance"),
        ("source", "id"),
        ("engine_log", "files"),
    ):
        seen: dict[Any, str] = {}
        for path, item in _tables(data, key):
            value = item.get(field, "*.csv" if field == "files" else None)
            if not isinstance(value, str | int):
                continue
            # some disks and databases make no difference of upper and lower case
            name = value.casefold() if isinstance(value, str) else value
            if name in seen:
                yield f"{path}.{field}: saw {value!r}; {seen[name]} has the same, and each needs its own"
            seen.setdefault(name, path)
    for path, table in _walk(data, ""):
        for key in table:
            for other in other_unit_keys(key):
                if other in table:
                    yield f"{path}{key}: given as {other} too; give one of the two"


def _walk(value: Any, path: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    if isinstance(value, Mapping):
        yield path, value
        for key, item in value.items():
            yield from _walk(item, f"{path}{key}" if isinstance(item, list | tuple) else f"{path}{key}.")
    elif isinstance(value, list | tuple):
        for index, item in enumerate(value):
            yield from _walk(item, f"{path}[{index}].")


def _engine_faults(data: Mapping[str, Any]) -> Iterator[str]:
    default_idle = Engine.model_fields["idle_rpm"].default
    for path, engine in _tables(data, "engine"):
        idle, rated = _number(engine.get("idle_rpm", default_idle)), _number(engine.get("rated_rpm"))
        if idle is not None and rated is not None and idle >= rated > 0:
            yield f"{path}.idle_rpm: saw {idle:g}; must be below rated_rpm, which is {rated:g}"


def _tank_faults(data: Mapping[str, Any]) -> Iterator[str]:
    """Yield tanks whose density is neither stated nor that of water or of the boat's fuel."""
    fuel, names = _table(data, "fuel"), ("density_kg_per_m3", "density", *other_unit_keys("density_kg_per_m3"))
    for path, tank in _tables(_table(data, "load"), "tanks"):
        if any(tank.get(name) is not None for name in names):
            continue
        name, water = tank.get("name", "tank"), tank.get("water")
        if not isinstance(name, str) or water not in (None, "fresh", "salt"):
            continue  # reported with the field
        contents = tank_contents(name, water)
        if contents in WATER_KG_PER_M3 or (contents == "fuel" and any(fuel.get(n) is not None for n in names)):
            continue
        if contents == "fuel":
            yield f"load.{path}.density_kg_per_m3: missing; give it here or under [fuel]"
        else:
            yield (
                f"load.{path}.density_kg_per_m3: missing; only a tank of water has one by itself: give it, or say "
                'water = "fresh" or water = "salt"'
            )


def _band_faults(data: Mapping[str, Any]) -> Iterator[str]:
    bands = _table(data, "bands")
    given = bands.get("steps_rpm", ())
    steps = [_number(step) for step in given] if isinstance(given, list | tuple) else []
    whole = [step for step in steps if step is not None]
    gap = min((b - a for a, b in pairwise(whole)), default=None)
    if gap is not None and gap <= 0:
        yield f"bands.steps_rpm: saw {list(given)}; must ascend, without a step given twice"
    half = _number(bands.get("half_width_rpm"))
    if half is not None and gap is not None and 2 * half > gap > 0:
        yield (
            f"bands.half_width_rpm: saw {half:g}; bands would overlap, two steps are only {gap:g} rpm apart; "
            f"must be at most {gap / 2:g}"
        )
    if bands.get("automatic") is False and not given:
        yield "bands.automatic: saw False; needs steps_rpm = [ … ], or leave it out"


def _plan_faults(data: Mapping[str, Any]) -> Iterator[str]:
    plan, bands = _table(data, "plan"), _table(data, "bands")
    if not isinstance(data.get("plan"), Mapping):
        return
    given = plan.get("steps_rpm", ())
    steps = [_number(step) for step in given] if isinstance(given, list | tuple) else []
    whole = [step for step in steps if step is not None]
    declared = bands.get("steps_rpm", ())
    if not given and not declared:
        yield "plan.steps_rpm: missing, and [bands] names no steps either; must list the engine speeds to hold"
    if any(b <= a for a, b in pairwise(whole)):
        yield f"plan.steps_rpm: saw {list(given)}; must ascend, without a step given twice"
    ways = plan.get("ways")
    if plan.get("reciprocal") is False and isinstance(ways, int) and not isinstance(ways, bool) and ways > 1:
        yield f"plan.ways: saw {ways}; must be 1 with reciprocal = false"
    at = [_number(step) for step in declared] if isinstance(declared, list | tuple) else []
    known = sorted(step for step in at if step is not None)
    if not known or bands.get("automatic") is True or not whole:
        return
    half = _number(bands.get("half_width_rpm")) or default_half_width_rpm(known)
    # full throttle is a band of its own, whatever was declared
    asked = whole[:-1] if plan.get("full_throttle", True) is True else whole
    lost = [step for step in asked if min(abs(step - k) for k in known) > half]
    if lost:
        yield (
            f"plan.steps_rpm: saw {', '.join(f'{step:g}' for step in lost)}; no band of bands.steps_rpm is within "
            f"{half:g} rpm of it, so such a run would be in no row; must be among them, or leave bands.steps_rpm out"
        )


def _source_faults(data: Mapping[str, Any]) -> Iterator[str]:
    for path, source in _tables(data, "source"):
        kind = source.get("kind")
        for key in _ADDRESS.get(kind, ()) if isinstance(kind, str) else ():
            if source.get(key) is None:
                yield f"{path}.{key}: missing; a source of kind {kind!r} needs it"
        port = source.get("port")
        if kind in ("tcp", "udp") and isinstance(port, int | str) and not (isinstance(port, int) and 0 < port < 65536):
            yield f"{path}.port: saw {port!r}; must be a number from 1 to 65535 for {kind}"
        if kind == "serial" and isinstance(port, int):
            yield f"{path}.port: saw {port!r}; must be the name of a port, such as 'COM3' or '/dev/ttyUSB0'"


def _engine_log_faults(data: Mapping[str, Any]) -> Iterator[str]:
    density = _number(_table(data, "fuel").get("density_kg_per_m3"))
    for path, log in _tables(data, "engine_log"):
        clock = _table(log, "clock")
        if clock.get("method") == "fixed" and clock.get("offset_s") is None:
            yield f"{path}.clock.offset_s: missing; method 'fixed' needs it (UTC minus log time, in seconds)"
        if log.get("thousands") is not None and log.get("thousands") == log.get("decimal", "."):
            yield f"{path}.thousands: saw {log['thousands']!r}; must be another than decimal"
        columns = log.get("columns")
        if not isinstance(columns, Mapping):
            continue
        if "time" not in columns:
            yield f'{path}.columns.time: missing; must give the heading of the time column: time = "…"'
        elif not set(columns) - {"time", "date"}:
            yield f"{path}.columns: nothing but time; must map one channel at least, such as rpm_<engine id>"
        yield from _time_faults(path, log, columns)
        yield from _form_faults(path, log, columns)
        yield from _column_faults(f"{path}.columns", columns, data, density)


def _time_faults(path: str, log: Mapping[str, Any], columns: Mapping[str, Any]) -> Iterator[str]:
    """Yield what does not go together among the keys that tell how a time is written."""
    has_date, has_year = (log.get(key) is not None for key in ("date", "year"))
    time_format, parts = log.get("time_format", "iso"), columns.get("time")
    if has_date and has_year:
        yield f"{path}.year: given with date, which has a year; leave one of them out"
    if isinstance(parts, list | tuple):
        if len(parts) != len(SIX_PARTS):
            yield f"{path}.columns.time: saw {len(parts)} columns; must be one, or six for {', '.join(SIX_PARTS)}"
        for key in ("date", "year", "locale"):
            if log.get(key) is not None:
                yield f"{path}.{key}: six columns tell the whole time; leave it out"
        if time_format != "iso":
            yield f"{path}.time_format: saw {time_format!r}; six columns have no format; leave it out"
        if "date" in columns:
            yield f"{path}.columns.date: six columns tell the whole time; leave it out"
        return
    if has_date and "date" in columns:
        yield f"{path}.date: columns.date tells the day; leave one of them out"
    if not isinstance(time_format, str) or "%" in time_format:
        return
    counts = time_format in COUNTED_NS or time_format == "elapsed_hms"
    if counts and "date" in columns:
        yield f"{path}.columns.date: {time_format} counts from a moment and has no date; leave it out"
    if counts and has_date:
        yield f"{path}.date: {time_format} counts from a moment and has no date; leave it out"
    if has_year and time_format in TIME_WORDS:
        yield f"{path}.year: {time_format} has no use for it; must stand with a pattern such as '%d.%m. %H:%M:%S'"


def _form_faults(path: str, log: Mapping[str, Any], columns: Mapping[str, Any]) -> Iterator[str]:
    """Yield what does not go together among the keys that tell how rows and columns are laid out."""
    is_long = log.get("form") == "long"
    for key in ("parameter", "value"):
        if is_long and log.get(key) is None:
            yield f"{path}.{key}: missing; form = 'long' needs the heading of its {key} column"
        if not is_long and log.get(key) is not None:
            yield f"{path}.{key}: belongs to form = 'long'"
    channels = {key: item for key, item in columns.items() if key not in ("time", "date") and isinstance(item, Mapping)}
    seen: dict[Any, str] = {}
    for key, item in channels.items() if is_long else ():
        name = item.get("name")
        if isinstance(name, int):
            yield f"{path}.columns.{key}.name: saw {name}; must be the name that stands in the parameter column"
        elif isinstance(name, str) and seen.setdefault(name.strip(), key) != key:
            yield (
                f"{path}.columns.{key}.name: saw {name!r}; {seen[name.strip()]} has the same, and each quantity of a "
                "long form needs a name of its own"
            )
    if log.get("header_rows") == 0 and not isinstance(log.get("header_rows"), bool):
        given = [*_as_list(columns.get("time")), columns.get("date"), log.get("parameter"), log.get("value")]
        given += [] if is_long else [item.get("name") for item in channels.values()]
        if any(isinstance(name, str) for name in given):
            yield (
                f"{path}.header_rows: saw 0; must be at least 1 where columns are named by their headings; without "
                "headings give their numbers, counted from 1"
            )


def _as_list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else [value]


def _column_faults(
    path: str, columns: Mapping[str, Any], data: Mapping[str, Any], density: float | None
) -> Iterator[str]:
    ids = _engine_ids(data)
    some_id_is_missing = len(ids) < len(_tables(data, "engine"))
    meant: Counter[str] = Counter()
    for key, column in columns.items():
        if key in ("time", "date"):
            if isinstance(column, Mapping):
                yield f"{path}.{key}: saw {column!r}; must be a heading in quotes; a time has no unit"
            if key == "date" and isinstance(column, list | tuple):
                yield f"{path}.date: saw {column!r}; must be one heading or number"
            continue
        if isinstance(column, int | list | tuple) and not isinstance(column, bool):
            yield f'{path}.{key}: saw {column!r}; must be a table with its unit: {{ name = {column!r}, unit = "…" }}'
        if isinstance(column, str):
            yield f'{path}.{key}: saw {column!r}; must declare its unit: {{ name = "{column}", unit = "…" }}'
        known = log_channel(key, ids)
        if known is None:
            if not (some_id_is_missing and any(key.startswith(f"{q}_") for q in LOG_QUANTITIES)):
                yield f"{path}.{key}: no such channel; {_channel_hint(key, ids)}"
            continue
        name, unit, engine_id = known
        meant[f"{name}_{engine_id}"] += 1
        if meant[f"{name}_{engine_id}"] == 2:
            yield f"{path}.{key}: {name}_{engine_id} is mapped twice; must be mapped once"
        if isinstance(column, Mapping) and isinstance(column.get("unit"), str):
            yield from _unit_faults(f"{path}.{key}.unit", column["unit"], unit, density)


def _unit_faults(path: str, given: str, wanted: str, density: float | None) -> Iterator[str]:
    try:
        kind = dimension(given)
    except TrialCaptureError:
        return  # reported with the field
    needed = dimension(wanted)
    if kind == needed or (BY_DENSITY.get(needed) == kind and density is not None):
        return
    if BY_DENSITY.get(needed) == kind:
        yield f"{path}: saw {given!r}, a {kind}; needs fuel.density_kg_per_m3 to become {wanted}"
    else:
        yield f"{path}: saw {given!r}, a {kind}; must be a {needed}, such as {wanted}"


def _channel_hint(key: str, ids: tuple[str, ...]) -> str:
    if not ids:
        return "must be <quantity>_<engine id>, and no [[engine]] is given"
    every = [f"{quantity}_{engine_id}" for quantity in LOG_QUANTITIES for engine_id in ids]
    near = get_close_matches(key, every, 1)
    hint = f"did you mean {near[0]}? " if near else ""
    return (
        f"{hint}must be <quantity>_<engine id>; quantities are {', '.join(LOG_QUANTITIES)}; "
        f"engine ids are {', '.join(dict.fromkeys(ids))}"
    )


def _xdr_faults(data: Mapping[str, Any]) -> Iterator[str]:
    ids = _engine_ids(data)
    known = [c.name for c in trial_channels(ids)]
    known += [f"{name}_{engine_id}" for engine_id in ids for name, _ in LOG_QUANTITIES.values()]
    for path, xdr in _tables(data, "xdr"):
        channel = xdr.get("channel")
        if isinstance(channel, str) and channel not in known and len(ids) == len(_tables(data, "engine")):
            near = get_close_matches(channel, known, 1)
            hint = f"did you mean {near[0]}? " if near else ""
            yield f"{path}.channel: saw {channel!r}; {hint}must be one of {', '.join(dict.fromkeys(known))}"
