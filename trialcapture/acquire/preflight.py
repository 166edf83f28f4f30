"""``preflight``: is everything there for this trial, before the lines are cast off, and what each sentence says.

Of each kind of sentence in a log its fields are named with their latest values, and what it feeds. Names of fields are
pynmea2's; of that library nothing else is used, since it gives zeros for blank positions and knows no void. Values are
the characters as they came. Whether a sentence can be used is for this program's own decoder.
"""

from __future__ import annotations

import json
import re
import textwrap
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
import pynmea2

from trialcapture import __version__
from trialcapture.acquire.computer import Clock, system_clock
from trialcapture.acquire.events import Event, Events, utc_text
from trialcapture.acquire.received_lines import Backlog, LineCutter, journal_line
from trialcapture.acquire.recorder_threads import Reader, make_sources
from trialcapture.acquire.source import Source, ports_present
from trialcapture.acquire.status import Health, SourceHealth
from trialcapture.archive.atomic import free_bytes, size_text, write_file
from trialcapture.archive.session import FILE_NAME, create_session, open_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.config import Config
from trialcapture.config.rules import log_channel
from trialcapture.decode.can.can_decoder import decode_can
from trialcapture.decode.nmea0183.encapsulated import is_encapsulated
from trialcapture.decode.nmea0183.framing import split_address
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.sentences import LAYOUTS
from trialcapture.decode.nmea0183.stream import xor_checksum
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.engine_readings import unmapped_transducers
from trialcapture.prepare.data_health import carries_of, feeds_of
from trialcapture.system.files import is_removable, synced_by
from trialcapture.system.operating_system import port_name, system_name
from trialcapture.system.power import battery_pct, sleep_setting
from trialcapture.system.session_files import read_whole
from trialcapture.system.sockets import firewall_remedy, hears_broadcasts, is_group, is_loopback

_SENTENCE = re.compile(rb"[$!]([ -#%-)+-\[\]-~]+?)(?:\*([0-9A-Fa-f]{2}))?(?=[$\\\r\n]|$)")
_SOURCE = re.compile(rb"\\(?:[^\\]*,)?s:([^,*\\]+)")
_MOST_SHOWN = 24
"""Fields shown of one sentence; more are those of long lists of satellites (common practice, no source)."""
_BUS_FIELDS = {
    "CDIN": ("parameter group", "gateway's time", "sender", "data"),
    "PGN": ("parameter group", "attributes", "data"),
}


@dataclass(frozen=True, slots=True)
class NamedValue:
    """One field: pynmea2's name of it, and the characters that stood there last."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class SentenceSeen:
    """One kind of sentence, as a source sends it.

    Attributes:
        source: Source by the TAG block, "" where lines have none.
        sentence: Address (``GPRMC``), or parameter group number of what a sentence or a bus carries (``127488``).
        count: How many came in.
        bad: How many of them had a wrong checksum, or none.
        feeds: What of the result they feed; "" for nothing.
        remark: What they carry that is not used, why the latest was refused, which of its fields were void.
        fields: Fields of the latest sound one; empty for messages of a bus.
    """

    source: str
    sentence: str
    count: int
    bad: int
    feeds: str
    remark: str
    fields: tuple[NamedValue, ...]


@dataclass(slots=True)
class _Kind:
    count: int = 0
    bad: int = 0
    latest: bytes = b""
    latest_sound: bool = False
    texts: list[bytes] = field(default_factory=list)


def explain_log(lines: Iterable[bytes], config: Config | None = None) -> list[SentenceSeen]:
    """Explain every kind of sentence in lines of an NMEA 0183 log, plain or with TAG blocks, in order of appearance.

    Any bytes are welcome; what is no sentence is passed over.

    Args:
        lines: Lines, with or without their ends. What is held does not grow with their number.
        config: Settings that say which transducers of XDR sentences are channels; None to leave that open.
    """
    kinds: dict[tuple[str, str], _Kind] = {}
    for line in lines:
        head = _SOURCE.search(line)
        source = head[1].decode("latin-1") if head else ""
        for found in _SENTENCE.finditer(line):
            name = _name_of(found[1])
            if not name:
                continue
            kind = kinds.setdefault((source, name), _Kind())
            sound = found[2] is not None and xor_checksum(found[1]) == int(found[2], 16)
            kind.count += 1
            kind.bad += not sound
            if sound or not kind.latest_sound:
                kind.latest, kind.latest_sound = found[0], sound
            if name.endswith("XDR") and sound:
                kind.texts = [*kind.texts[-31:], found[0]]
    return [_explain(source, name, kind, config) for (source, name), kind in kinds.items()]


def explain_groups(counts: pa.Table) -> list[SentenceSeen]:
    """Explain every parameter group of a CAN log, from the counts of its decoder."""
    seen = []
    for row in counts.to_pylist():
        group = str(row["formatter"])
        count, carries = row["good"] + row["not_decoded"] + row["bad"], carries_of(group)
        remark = f"carries {carries}; not used" if carries else ""
        seen.append(
            SentenceSeen(f"{row['source']}/{row['talker']}", group, count, row["bad"], feeds_of(group), remark, ())
        )
    return seen


def explained_lines(seen: Sequence[SentenceSeen], width: int = 80) -> list[str]:
    """Return the explanation as lines of text no wider than `width` columns."""
    said = []
    for one in seen:
        bad = f", {one.bad} bad" if one.bad else ""
        source = f" from {one.source}" if one.source else ""
        said += textwrap.wrap(f"{one.sentence}{source}: {one.count}{bad}", width, break_long_words=True)
        said += textwrap.wrap(f"feeds {one.feeds or 'nothing'}", width, initial_indent="  ", subsequent_indent="    ")
        if one.remark:
            said += textwrap.wrap(one.remark, width, initial_indent="  ! ", subsequent_indent="    ")
        shown = "; ".join(f"{f.name} = {f.value or 'blank'}" for f in one.fields)
        said += textwrap.wrap(shown, width, initial_indent="  ", subsequent_indent="  ")
    return said


def field_names(formatter: str, count: int) -> list[str]:
    """Return names of a sentence's fields: pynmea2's where it knows them, else this program's, else numbers."""
    known = pynmea2.TalkerSentence.sentence_types.get(formatter)
    names = [str(entry[0]) for entry in known.fields] if known is not None else []
    own = LAYOUTS.get(formatter, {})
    names += list(own[max(own)] if own else _BUS_FIELDS.get(formatter, ()))[len(names) :]
    if formatter == "XDR":
        names = [f"{name} {nth // 4 + 1}" for nth, name in enumerate(names * (count // 4 + 1))]
    return [names[nth] if nth < len(names) else f"field {nth + 1}" for nth in range(count)]


def _name_of(text: bytes) -> str:
    """Return the address, or the parameter group of what the sentence carries; "" where it is no sentence."""
    address, _, rest = text.decode("latin-1").partition(",")
    talker, formatter, _ = split_address(f"${address}")
    if not formatter or not rest:
        return ""
    if is_encapsulated(talker, formatter):
        group = rest.split(",")[0]
        return str(int(group, 16)) if re.fullmatch("[0-9A-Fa-f]{1,6}", group) else f"{talker}{formatter}"
    return address


def _explain(source: str, name: str, kind: _Kind, config: Config | None) -> SentenceSeen:
    text = kind.latest[1:].decode("latin-1").partition("*")[0]
    address, _, rest = text.partition(",")
    _, formatter, _ = split_address(f"${address}")
    values = rest.split(",")
    names = field_names(formatter, len(values))
    fields = tuple(NamedValue(n, v) for n, v in zip(names, values, strict=True))[:_MOST_SHOWN]
    group = name if name.isdigit() else formatter
    carries = carries_of(group)
    feeds = "" if carries else feeds_of(name)
    remarks = [f"carries {carries}; not used"] if carries else []
    if feeds:
        remarks += _remarks_of(kind, config)
    return SentenceSeen(source, name, kind.count, kind.bad, feeds, "; ".join(remarks), fields)


def _remarks_of(kind: _Kind, config: Config | None) -> list[str]:
    """Return why the latest sentence was refused, which of its fields are void, which transducers feed nothing."""
    if not kind.latest_sound:
        return ["refused: checksum wrong or missing"]
    said = []
    _, rejects, _ = decode_nmea(kind.latest + b"\r\n", source="")
    for row in rejects.to_pylist():
        said.append(f"{row['field']} void: {row['reason']}" if row["field"] else f"refused: {row['reason']}")
    if kind.texts and config is not None:
        tables, _, _ = decode_nmea(b"".join(text + b"\r\n" for text in kind.texts), source="")
        left = sorted({",".join(key[1:]) for key in unmapped_transducers(tables, config)})
        said += [f"not mapped to a channel: {'; '.join(left)}"] if left else []
    return said


# ------------------------------------------------------------------------------
# Listening to every source for a while without recording, and decoding what was heard.
# ------------------------------------------------------------------------------

_STEP_S = 0.25
"""How often what came in is looked at while listening (our choice)."""
_MOST_BYTES = 64 << 20
"""Bytes kept while listening: far more than a boat's network sends in a minute (our choice)."""


class Traffic(NamedTuple):
    """What came in while listening.

    Attributes:
        health: Numbers of every source.
        tables: Decoded tables by kind, of all sources together.
        events: What happened meanwhile.
        listened_s: How long [s].
        lines: What came in, as journal lines.
        groups: Counts of the messages of a CAN bus.
    """

    health: Health
    tables: dict[str, list[pa.Table]]
    events: list[Event]
    listened_s: float
    lines: list[bytes]
    groups: pa.Table


def listen(
    sources: Sequence[Source],
    clock: Clock,
    start_ns: int,
    seconds: float,
    *,
    trusted: frozenset[str] = frozenset(),
    look: Callable[[float], None] = lambda _: None,
) -> Traffic:
    """Listen to all sources at once.

    Args:
        sources: Not opened yet.
        clock: Clocks.
        start_ns: Monotonic time stamps are counted from [ns].
        seconds: How long.
        trusted: Sources whose sentences carry no checksum and are believed all the same.
        look: Called a few times a second with the time passed [s].
    """
    told: list[Event] = []
    events = Events(clock, start_ns, heard=told.append)
    health, backlog, stop = Health(events, trusted=trusted), Backlog(_MOST_BYTES), threading.Event()
    readers = [Reader(source, backlog, health, events, clock, start_ns, stop) for source in sources]
    for source in sources:
        health.expect(source.id, source.stream, 0, baud=getattr(source, "baud", None))
    for reader in readers:
        reader.start()
    cutter = LineCutter()
    lines: list[bytes] = []
    frames: list[bytes] = []
    kept = 0
    passed_s = 0.0
    while passed_s < seconds:
        clock.sleep(_STEP_S)
        passed_s = (clock.mono_ns() - start_ns) / 1e9
        for entry in backlog.take():
            kept += len(entry.data)
            if entry.stream == "can.log":
                health.heard_frames(entry.source, entry.stream, entry.mono_ns, entry.data.count(b"\n"), len(entry.data))
                frames.append(entry.data)
            elif kept < _MOST_BYTES:
                pieces = cutter.feed(entry)
                health.heard(entry.source, entry.stream, pieces)
                lines += map(journal_line, pieces)
        health.tick(round(passed_s * 1e9))
        look(passed_s)
    stop.set()
    for reader in readers:
        reader.join(2.0)
    tables: dict[str, list[pa.Table]] = {}
    strict = not trusted or not {source.id for source in sources} <= trusted
    of_bus, _, groups = decode_can(b"".join(frames))
    for decoded in (decode_nmea(b"".join(lines), source="", require_checksum=strict)[0], of_bus):
        for kind, table in decoded.items():
            tables.setdefault(kind, []).append(table)
    return Traffic(health, tables, told, passed_s, lines, groups)


# ------------------------------------------------------------------------------
# What is there and what is missing for this trial, with one line on how to mend it.
# ------------------------------------------------------------------------------

State = Literal["ok", "missing", "warning", "later", "unknown"]
Tables = Mapping[str, Sequence[pa.Table]]

_BAD_SHARE = 0.2
"""Share of damaged sentences from which wiring is suspected (common practice, no source)."""
_LATE_DATA_LOAD = 0.8
"""Share of a serial line's capacity from which sentences come late or not at all (common practice, no source)."""
_CLOCK_OFF_S = 2.0
"""A computer clock further off than this is told before the trial (our choice)."""


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


def source_checks(heard: Traffic, config: Config) -> list[Check]:
    """Judge every source by what came from it."""
    now_ns = round(heard.listened_s * 1e9)
    udp = {s.id: (int(s.port or 0), s.host or "") for s in config.source if s.kind == "udp"}
    return [_source_check(source, now_ns, udp.get(source.source)) for source in heard.health.sources.values()]


def _udp_remedy(port: int, host: str) -> str:
    """Return what to look at where nothing at all comes to a UDP port."""
    if is_loopback(host):
        return f"host = {host!r} hears programs of this computer only; leave host out to hear the network."
    to = f"group {host}, port {port}" if is_group(host) else f"UDP port {port} of this computer, or broadcasts to it"
    remedy = f"Check that this computer is on the boat's network and that the gateway sends to {to}."
    if not hears_broadcasts(host):
        remedy += f" host = {host!r} hears no broadcasts: leave host out to hear them."
    return f"{remedy} {firewall_remedy(port)}"


def _source_check(source: SourceHealth, now_ns: int, udp: tuple[int, str] | None) -> Check:
    name = f"source {source.source}"
    if source.state == "lost":
        return Check(name, "missing", "not open", source.trouble)
    if source.heard_ns is None:
        remedy = "Check power, cable and that it sends to here; on a serial line the wires A and B."
        if udp is not None:
            remedy = _udp_remedy(*udp)
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


def quantity_checks(heard: Traffic, config: Config) -> list[Check]:
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


def receiver_checks(heard: Traffic) -> list[Check]:
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


RESULT = "preflight.json"
_TRIAL_H = 8.0
"""Length of a day's trial that the disk must hold (common practice, no source)."""
_MARGIN = 3.0
"""Times the expected size that must be free: a second day, and what was not heard yet (our choice)."""
_PORT_TAKERS = ("brltty", "ModemManager", "gpsd")
"""Services on Linux known to claim serial adapters that are plugged in (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Preflight:
    """What a preflight found.

    Attributes:
        t: When, UTC.
        listened_s: How long was listened [s].
        checks: One line each.
        heard: Types of sentence heard, by source: its signature.
        sentences: Every kind of sentence heard, its fields and what it feeds.
        stored: Where the result was written, None where it was not.
    """

    t: str
    listened_s: float
    checks: tuple[Check, ...]
    heard: dict[str, tuple[str, ...]]
    sentences: tuple[SentenceSeen, ...]
    stored: Path | None

    @property
    def ready(self) -> bool:
        """True when nothing is missing."""
        return all(check.state != "missing" for check in self.checks)


def preflight(
    config: Config,
    *,
    seconds: float = 30.0,
    into: Path | None = None,
    config_text: str | None = None,
    progress: Callable[[float], None] = lambda _: None,
    clock: Clock | None = None,
    sources: Callable[[Clock, int], list[Source]] | None = None,
    beside: Sequence[Check] = (),
) -> Preflight:
    """Listen on every source and tell what is there, what is missing and how to mend it.

    Args:
        config: Settings.
        seconds: How long to listen.
        into: Session the result is stored with, as ``raw/preflight.json``; made when it is not there yet, and
            `record` may go on in it.
        config_text: The settings as text, kept word by word in a session that is made.
        progress: Called with the share of the time that has passed, 0 to 1.
        clock: Clocks; the computer's own by default.
        sources: Makes the sources from clock and start time, instead of the settings; for tests.
        beside: What else was looked at, such as the settings themselves; it stands last.

    Raises:
        TrialCaptureError: There is nothing to listen to, or the session cannot be written.
    """
    clock = clock or system_clock()
    start_ns = clock.mono_ns()
    made = sources(clock, start_ns) if sources else make_sources(config, clock, start_ns, clock.wall_ns())
    if not made:
        raise TrialCaptureError(
            "there is nothing to listen to",
            where="[[source]]",
            expected="add a [[source]] table with id, kind and its address to the settings",
        )
    trusted = frozenset(s.id for s in config.source if not s.require_checksum)
    seen_ports: list[set[str]] = []

    def look(passed_s: float) -> None:
        if len(seen_ports) < passed_s:
            seen_ports.append({port_name(port.device) for port in ports_present()})
        progress(min(1.0, passed_s / seconds))

    heard = listen(made, clock, start_ns, seconds, trusted=trusted, look=look)
    signature = {s.source: _types(s.source, heard) for s in heard.health.sources.values()}
    checks = [
        *source_checks(heard, config),
        *_port_checks(config, seen_ports),
        *quantity_checks(heard, config),
        *receiver_checks(heard),
        *_signature_checks(signature, into),
        *computer_checks(into or Path.cwd(), heard),
        *beside,
    ]
    seen = (*explain_log(heard.lines, config), *explain_groups(heard.groups))
    result = Preflight(utc_text(clock.wall_ns()), heard.listened_s, tuple(checks), signature, seen, None)
    if into is None:
        return result
    return replace(result, stored=_store(result, config, config_text, into))


def computer_checks(folder: Path, heard: Traffic) -> list[Check]:
    """Judge disk, battery and sleep."""
    rate = sum(s.bytes for s in heard.health.sources.values()) / max(heard.listened_s, 1.0)
    needed = int(rate * 2 * _TRIAL_H * 3600 * _MARGIN)  # stamps about double what is received
    free = free_bytes(folder)
    space_ok = free > max(needed, 500_000_000)
    checks = [
        Check(
            "disk space",
            "ok" if space_ok else "missing",
            f"{size_text(free)} free, {size_text(needed)} wanted for {_TRIAL_H:.0f} h with margin",
            "" if space_ok else "Free some space, or record on another disk.",
        )
    ]
    if is_removable(folder):
        checks.append(
            Check("disk", "warning", "a stick or card", "Record on the computer's own disk and copy afterwards.")
        )
    if (synced := synced_by(folder)) is not None:
        seen = f"{synced} is kept in step with a cloud, which holds and copies files that are being written"
        checks.append(Check("disk", "warning", seen, "Record into a plain folder and copy afterwards."))
    sleeps, seen = sleep_setting()
    checks.append(
        Check("sleep", "unknown", "cannot be told", "Switch off sleep and what closing the lid does, by hand.")
        if sleeps is None
        else Check("sleep", "warning" if sleeps else "ok", seen, "Switch it off for the trial." if sleeps else "")
    )
    charge = battery_pct()
    if charge is not None:
        low = charge < 50
        checks.append(
            Check("battery", "warning" if low else "ok", f"{charge:.0f} %", "Plug the charger in." if low else "")
        )
    return checks


def _types(source: str, heard: Traffic) -> tuple[str, ...]:
    found = set()
    for kind, tables in heard.tables.items():
        if any(source in table["source"].to_pylist() for table in tables):
            found.add(kind)
    return tuple(sorted(found))


def _port_checks(config: Config, seen: list[set[str]]) -> list[Check]:
    wanted = {port_name(str(s.port)): s.id for s in config.source if s.kind == "serial"}
    checks = []
    for port, source in wanted.items():
        presence = [port in ports for ports in seen]
        if any(presence) and not presence[-1]:
            takers = ", ".join(_running(_PORT_TAKERS)) or "unknown"
            checks.append(
                Check(
                    f"port of {source}",
                    "missing",
                    f"{port} came and went",
                    f"Another service on this computer takes this adapter ({takers}): stop it for the trial.",
                )
            )
    if system_name() == "windows" and wanted and not any(seen):
        remedy = (
            "If the adapter is plugged in, Windows may take a talking receiver for a mouse: in Device Manager "
            "disable (not uninstall) that mouse, or 'serial enumerator' of the port."
        )
        checks.append(Check("serial ports", "missing", "none", remedy))
    return checks


def _signature_checks(signature: dict[str, tuple[str, ...]], into: Path | None) -> list[Check]:
    if into is None:
        return []
    before: dict[str, Any] = {}
    with suppress(OSError, ValueError):
        before = parse_json(read_whole(into / "raw" / RESULT, MOST_JSON_BYTES)).get("heard", {})
    checks = []
    for source, types in signature.items():
        then = set(before.get(source, ()))
        if then and types and not then & set(types):
            seen = f"{source} now says {', '.join(types)}; last time {', '.join(sorted(then))}"
            checks.append(Check("wiring", "warning", seen, "Wrong socket? Swap the plugs, or correct the settings."))
    return checks


def _running(names: tuple[str, ...]) -> list[str]:
    found = set()
    for path in Path("/proc").glob("[0-9]*/comm"):
        with suppress(OSError):
            found |= {name for name in names if path.read_text().strip() == name}
    return sorted(found)


def _store(result: Preflight, config: Config, config_text: str | None, into: Path) -> Path:
    if (into / FILE_NAME).exists():
        open_session(into)
    else:
        create_session(into, config, made_by=f"trialcapture {__version__}", created=result.t, config_text=config_text)
    path = into / "raw" / RESULT
    content = {
        "t": result.t,
        "listened_s": result.listened_s,
        "checks": [asdict(check) for check in result.checks],
        "heard": result.heard,
    }
    write_file(path, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())
    return path
