"""What is there and what is missing for this trial, with one line on how to mend it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import pyarrow as pa
import pyarrow.compute as pc

from trialcapture.acquire.health import SourceHealth
from trialcapture.acquire.listening import Heard
from trialcapture.config import Config
from trialcapture.config.rules import log_channel

State = Literal["ok", "missing", "warning", "later", "unknown"]
Tables = Mapping[str, Sequence[pa.Table]]

_BAD_SHARE = 0.2
_LATE_DATA_LOAD = 0.8
_CLOCK_OFF_S = 2.0


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the preflight.

    Attributes:
        name: What was looked at.
        state: ``ok``, ``missing``, ``warning``, ``later`` (comes with the engine log), ``unknown``.
        seen: What there is.
        remedy: One sentence on how to mend it, "" where nothing needs mending.
    """

    name: str
    state: State
    seen: str
    remedy: str = ""


def source_checks(heard: Heard) -> list[Check]:
    """Judge every source by what came from it."""
    now_ns = round(heard.listened_s * 1e9)
    return [_source_check(source, now_ns) for source in heard.health.sources.values()]


def _source_check(source: SourceHealth, now_ns: int) -> Check:
    name = f"source {source.source}"
    if source.state == "lost":
        return Check(name, "missing", "not open", source.trouble)
    if source.heard_ns is None:
        remedy = "Check power, cable and that it sends to here; on a serial line the wires A and B."
        return Check(name, "missing", "open, but nothing heard", remedy)
    total = source.good + source.unread + source.bad
    types = ", ".join(name for name, _ in source.unread_types.most_common(4))
    seen = f"{source.rate_hz(now_ns):.1f}/s, {source.good} good, {source.bad} bad, {source.unread} unread"
    seen += f" ({types})" if types else ""
    if total >= 5 and source.bad > _BAD_SHARE * total:
        remedy = (
            "Try 4800, 38400 or 115200 baud, or swap wires A and B." if source.baud else "Check the gateway's output."
        )
        return Check(name, "warning", seen, remedy)
    load = source.line_load(now_ns)
    if load is not None and load > _LATE_DATA_LOAD:
        return Check(name, "warning", f"{seen}, line {load:.0%} full", "Send fewer sentences or use a higher speed.")
    if source.good == 0:
        return Check(
            name, "warning", seen, "Nothing of use comes from it; set the device to send what is missing below."
        )
    return Check(name, "ok", seen)


def quantity_checks(heard: Heard, config: Config) -> list[Check]:
    """Judge every quantity a trial needs by what could be decoded."""
    tables = heard.tables
    checks = [
        _first("position", tables, "lat_deg", ("RMC", "GGA", "GNS", "GLL", "POSITION"), "RMC or GGA", fix=True),
        _first("speed over ground", tables, "sog_kn", ("RMC", "VTG", "VELOCITY"), "RMC or VTG", fix=True),
        _heading(tables, config),
        _first("depth", tables, "depth_m", ("DPT", "DBT", "DBS", "DBK"), "DPT"),
        _wind(tables),
        _first("speed through water", tables, "stw_kn", ("VHW", "VBW"), "VHW", optional=True),
    ]
    for engine in config.engine_ids:
        checks.append(_rpm(engine, tables, config))
    for engine in config.engine_ids:
        checks.append(_fuel(engine, tables, config))
    return checks


def receiver_checks(heard: Heard) -> list[Check]:
    """Judge the receivers' fix and clock, and whether more than one tells the position."""
    checks = []
    for source in heard.health.sources.values():
        gnss = source.gnss
        if gnss.heard_ns is None:
            continue
        name = f"receiver {source.source}"
        if not gnss.mode:
            checks.append(Check(name, "missing", "no fix", "Give the antenna a free sky and wait."))
        elif gnss.mode in ("estimated", "simulated", "manual"):
            checks.append(Check(name, "missing", f"the fix is {gnss.mode}", "Switch the receiver to real positions."))
        else:
            checks.append(Check(name, "ok", f"fix ({gnss.mode})"))
        if gnss.weeks_off:
            seen = f"date {abs(gnss.weeks_off) * 1024} weeks off"
            checks.append(Check(name, "warning", seen, "It is corrected by whole epochs; note it in the report."))
        elif gnss.offset_s is not None:
            off = abs(gnss.offset_s) > _CLOCK_OFF_S
            remedy = "Set the computer's clock; results do not depend on it, but notes read more easily." if off else ""
            checks.append(
                Check("computer's clock", "warning" if off else "ok", f"{gnss.offset_s:+.1f} s against GNSS", remedy)
            )
    tellers = sorted(_tellers(heard.tables, ("RMC", "GGA", "GNS", "GLL", "POSITION"), "lat_deg"))
    if len(tellers) > 1:
        remedy = "Name the one to use in trial.primary_gnss; the other stays as fallback."
        checks.append(Check("position sources", "warning", ", ".join(tellers), remedy))
    return checks


def _some(table: pa.Table, column: str, *, fix: bool = False) -> bool:
    if column not in table.column_names:
        return False
    values = table[column]
    if fix and "valid" in table.column_names:
        values = values.filter(pc.fill_null(table["valid"], False))
    return bool(len(values) > values.null_count)


def _tellers(tables: Tables, kinds: Iterable[str], column: str, *, fix: bool = False) -> set[str]:
    told = set()
    for kind in kinds:
        for table in tables.get(kind, ()):
            for source in set(table["source"].to_pylist()):
                for talker in set(table["talker"].to_pylist()):
                    mine = table.filter(
                        pc.and_(
                            pc.equal(table["source"].cast(pa.string()), source),
                            pc.equal(table["talker"].cast(pa.string()), talker),
                        )
                    )
                    if _some(mine, column, fix=fix):
                        told.add(f"{source}/{talker}")
    return told


def _kinds_with(tables: Tables, kinds: Iterable[str], column: str, *, fix: bool = False) -> list[str]:
    return [kind for kind in kinds if any(_some(table, column, fix=fix) for table in tables.get(kind, ()))]


def _first(
    name: str,
    tables: Tables,
    column: str,
    kinds: Sequence[str],
    wanted: str,
    *,
    fix: bool = False,
    optional: bool = False,
) -> Check:
    found = _kinds_with(tables, kinds, column, fix=fix)
    if found:
        return Check(name, "ok", ", ".join(found))
    blank = [kind for kind in kinds if tables.get(kind)]
    seen = f"{', '.join(blank)} without a value" if blank else "not heard"
    if optional:
        return Check(name, "warning", seen, f"Let the instrument send {wanted} if the boat has it.")
    return Check(name, "missing", seen, f"Let the instrument send {wanted}, or wait until it has a value.")


def _heading(tables: Tables, config: Config) -> Check:
    true = _kinds_with(tables, ("HDT", "THS", "VHW"), "heading_true_deg")
    if true:
        return Check("heading", "ok", ", ".join(true))
    magnetic = _kinds_with(tables, ("HDG",), "heading_sensor_deg") + _kinds_with(
        tables, ("HDM",), "heading_magnetic_deg"
    )
    if not magnetic:
        return Check(
            "heading", "missing", "not heard", "Let the compass send HDT or HDG; course can stand in, less well."
        )
    told = config.trial.magnetic_variation_deg is not None or _kinds_with(tables, ("HDG", "RMC"), "variation_deg")
    if told:
        return Check("heading", "ok", ", ".join(magnetic) + ", with variation")
    return Check(
        "heading", "warning", f"{', '.join(magnetic)} is magnetic", "Set trial.magnetic_variation_deg in the settings."
    )


def _wind(tables: Tables) -> Check:
    for kinds, column in (
        (("MWV", "VWR"), "wind_speed_kn"),
        (("VWR",), "wind_speed_apparent_kn"),
        (("MWD", "MDA"), "wind_speed_true_kn"),
    ):
        found = _kinds_with(tables, kinds, column)
        if found:
            return Check("wind", "ok", ", ".join(found))
    return Check("wind", "warning", "not heard", "Let the instrument send MWV, or note wind by hand during the trial.")


def _logged(quantity: str, engine: str, config: Config) -> bool:
    for log in config.engine_log:
        for key in log.columns:
            channel = log_channel(key, config.engine_ids) if key != "time" else None
            if channel is not None and channel[2] == engine and channel[0].startswith(quantity):
                return True
    return False


def _numbers(tables: Tables, kind: str, column: str) -> set[int]:
    found: set[int] = set()
    for table in tables.get(kind, ()):
        told = table.filter(pc.is_valid(table[column])) if column in table.column_names else table.slice(0, 0)
        found |= set(told["number"].to_pylist()) - {None}
    return found


def _rpm(engine: str, tables: Tables, config: Config) -> Check:
    name = f"rpm {engine}"
    numbers = sorted(_numbers(tables, "RPM", "rpm"))
    declared = {e.id: e.nmea_instance for e in config.engine}
    index = config.engine_ids.index(engine)
    number = declared[engine]
    if number is None and len(numbers) > index:
        number = numbers[index]
    if number in numbers:
        return Check(name, "ok", f"RPM number {number}")
    if any("ENGINE#" in str(n) for t in tables.get("XDR", ()) for n in t["name"].to_pylist()):
        return Check(name, "ok", "XDR")
    if _logged("rpm", engine, config):
        return Check(
            name, "later", "comes with the engine log", "Live rpm as well would tie the log's clock to UTC best."
        )
    seen = f"RPM numbers {numbers}" if numbers else "not heard"
    return Check(name, "missing", seen, "Let the engine gateway send RPM, or declare an [[engine_log]] with its rpm.")


def _fuel(engine: str, tables: Tables, config: Config) -> Check:
    name = f"fuel {engine}"
    numbers = _numbers(tables, "ENGINE", "fuel_l_per_h")
    index = config.engine_ids.index(engine)
    number = next(e.nmea_instance for e in config.engine if e.id == engine)
    if (index if number is None else number) in numbers:
        return Check(name, "ok", "on the network")
    if _logged("fuel", engine, config):
        return Check(
            name, "later", "comes with the engine log", "Offload it before the key is turned off, and collect it."
        )
    return Check(name, "missing", "not heard", "Declare an [[engine_log]] with fuel, or read tanks before and after.")
