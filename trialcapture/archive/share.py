"""What of a session can be shared with strangers: what the boat did, but not which boat, where, or who was there.

Nothing is taken out of a file that has it: the shared files are written anew from what is known to be harmless.
Numbers pass unless they tell a place; text passes only where it is the program's own. So a column or key that nobody
has thought of yet stays out if it is text.

Left out are raw data, photos, notes and pages; names, places and remarks from the settings; the positions, courses,
headings, rates of turn, true wind directions and depths of the samples, because a track, even one without an origin,
or a profile of depths can be found on a chart. Of a leg its mean heading, its depths and its wind stay, which pairs of
runs and the limits of shallow water rest on. Times stay.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Callable, Collection, Mapping, Set
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.parquet import open_parquet, read_parquet, read_row_groups, write_parquet
from trialcapture.archive.session import Session
from trialcapture.bounded_parsing import parse_json
from trialcapture.channels import BOAT_CHANNELS, ENGINE_QUANTITIES
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.tables import BAND_FLAGS, TRIAL_WARNINGS, bands_csv
from trialcapture.system.session_files import read_whole

SHARED_FILES = {
    "README.txt": "What this is, and what was left out",
    "settings.json": "Settings of the boat, her fuel and load, and the limits, as numbers",
    "reduction/answers.json": "Answers, conditions and uncertainty budgets without names and remarks",
}
"""Files that only a shared pack has, with what they are."""
LEFT_OUT = "raw data, photos, notes and pages, names of boat, persons, places and files, and every position and track"
_NEEDED = ("trialset/samples.parquet", "trialset/segments.parquet", "reduction/bands.parquet", "reduction/summary.json")
_PLAIN_IDS = {"port", "stbd", "starboard", "main", "centre", "center", "left", "right", "p", "s", "m"}
"""Ids of engines that say no more than where an engine stands; others are numbered."""
_MOST_BYTES = 256 << 20
"""Of a result that is read at once (our choice)."""
_TELLS_PLACE = {
    "lat", "lon", "latitude", "longitude", "position", "place", "cog", "course", "track", "north", "east",
    "northing", "easting", "x", "y", "variation",
}  # fmt: skip
"""Words of a name that tell a place or a track."""
_TELLS_TRACK = _TELLS_PLACE | {"heading", "turn", "depth", "from"}
"""The same for what comes ten times a second; "from" is where the true wind blows from."""
_TIME = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+Z")
_BAND_NAME = re.compile(r"\d+ rpm|[\d.]+ kn \d\d:\d\d")
_CELL = re.compile(r"[-+]?[\d.]+(e[-+]?\d+)?|true|false|" + _TIME.pattern, re.IGNORECASE)
_WORDS_ONLY = re.compile(r"[a-z]+( [a-z]+){0,8}")

Progress = Callable[[str, float | None], None]


def shared_id(folder: Path) -> str:
    """Return what a shared session is called: made of the content of its raw files, not of boat or time."""
    digests = sorted(hash_file(path)[0] for path in raw_files(folder))
    return f"shared-{hashlib.sha256(''.join(digests).encode()).hexdigest()[:16]}"


def write_shared(session: Session, names: Collection[str], into: Path, made_by: str, progress: Progress) -> None:
    """Write what can be shared of a processed session.

    Args:
        session: The session.
        names: Its files, relative to its folder.
        into: Folder to write to.
        made_by: Program and version.
        progress: Called with the step and how far it is.

    Raises:
        TrialCaptureError: The session was not processed, or a result is damaged.
    """
    missing = [name for name in _NEEDED if name not in names]
    if missing:
        raise TrialCaptureError(
            "this session was not processed, so there is nothing to share",
            seen=f"no {missing[0]}",
            where=str(session.folder),
            expected=f"process it first: trialcapture process {session.folder}",
        )
    folder, shared = session.folder, _Shared(session)
    provenance = {"session_id": shared.id, "made_by": made_by}
    _write_samples(folder / "trialset/samples.parquet", into / "trialset/samples.parquet", shared, provenance, progress)
    for name in ("trialset/segments.parquet", "trialset/segment_engines.parquet", "reduction/bands.parquet"):
        if name in names:
            progress("writing results", None)
            write_parquet(into / name, shared.table(read_parquet(folder / name)), provenance)
    bands = shared.table(read_parquet(folder / "reduction/bands.parquet"))
    written = {"reduction/bands.csv": bands_csv(bands)}
    for name in ("reduction/legs.csv", "reduction/manoeuvres.csv"):
        if name in names:
            written[name] = shared.csv_bytes(read_whole(folder / name, _MOST_BYTES))
    summary = _read_json(folder / "reduction/summary.json")
    written["reduction/answers.json"] = _json_bytes({"session_id": shared.id, **shared.answers(summary)})
    written["settings.json"] = _json_bytes(shared.settings())
    written["README.txt"] = _README.format(id=shared.id, left_out=LEFT_OUT).encode()
    for name, content in written.items():
        (into / name).parent.mkdir(parents=True, exist_ok=True)
        (into / name).write_bytes(content)


def _write_samples(
    source: Path, target: Path, shared: _Shared, provenance: Mapping[str, str], progress: Progress
) -> None:
    known = {channel.name for channel in BOAT_CHANNELS} | {f"{channel.group}_age_s" for channel in BOAT_CHANNELS}
    known |= {f"{channel.group}_flag" for channel in BOAT_CHANNELS} | {"t"}
    groups = read_row_groups(source)
    first = next(groups)
    kept = [
        name
        for name in first.column_names
        if (name in known or shared.is_of_engine(name)) and not _has_word(name, _TELLS_TRACK)
    ]
    schema = shared.schema(first.select(kept).schema)
    with open_parquet(target, schema, provenance) as stream:
        for number, group in enumerate((first, *groups), 1):
            progress(f"samples, part {number}", None)
            stream.write(pa.table(group.select(kept).columns, schema=schema))


class _Shared:
    """One session as strangers may see it."""

    def __init__(self, session: Session) -> None:
        self.id = shared_id(session.folder)
        self._config = session.config
        ids = session.config.engine_ids
        self._engines = {e: e if e in _PLAIN_IDS else f"engine{number}" for number, e in enumerate(ids, 1)}
        quantities = {q.name for q in ENGINE_QUANTITIES} | {q.group for q in ENGINE_QUANTITIES}
        stems = "|".join(sorted(quantities, key=len, reverse=True))
        self._of_engine = re.compile(rf"({stems})_({'|'.join(ids) or '$'})(_\w+)?")

    def is_of_engine(self, name: str) -> bool:
        """Say whether a column is of one engine."""
        return self._of_engine.fullmatch(name) is not None

    def column(self, name: str) -> str:
        """Return a column's name with the engine as it is called here."""
        found = self._of_engine.fullmatch(name)
        return name if found is None else f"{found[1]}_{self._engines[found[2]]}{found[3] or ''}"

    def schema(self, schema: pa.Schema) -> pa.Schema:
        """Return a schema with the units of its fields and nothing else beside them."""
        return pa.schema(
            pa.field(
                self.column(field.name),
                field.type,
                metadata={k: v for k, v in (field.metadata or {}).items() if k == b"unit"} or None,
            )
            for field in schema
        )

    def table(self, table: pa.Table) -> pa.Table:
        """Return a table of results: numbers that tell no place, and text that is the program's own."""
        kept: dict[str, pa.ChunkedArray] = {}
        for field in table.schema:
            if _has_word(field.name, _TELLS_PLACE):
                continue
            if _is_text(field.type):
                if (vetted := self._vetted(field.name)) is not None:
                    kept[field.name] = pa.chunked_array(
                        [pa.array([vetted(text) for text in table[field.name].to_pylist()], pa.string())]
                    )
            elif not pa.types.is_nested(field.type) and not pa.types.is_binary(field.type):
                kept[field.name] = table[field.name]
        schema = self.schema(pa.schema([table.schema.field(name).with_type(kept[name].type) for name in kept]))
        return pa.table(list(kept.values()), schema=schema)

    def csv_bytes(self, text: bytes) -> bytes:
        """Return a table of results that is there as CSV, by the same rules."""
        rows = list(csv.reader(io.StringIO(text.decode("utf-8", "replace"))))
        header, body = rows[0], rows[1:]
        # why a manoeuvre shows nothing is said in sentences
        vetted = {name: None if name == "reason" else self._vetted(name) for name in header}
        kept = [
            k
            for k, name in enumerate(header)
            if not _has_word(name, _TELLS_PLACE)
            and (vetted[name] is not None or all(not row[k] or _CELL.fullmatch(row[k]) for row in body if k < len(row)))
        ]
        made = io.StringIO()
        writer = csv.writer(made, lineterminator="\n")
        writer.writerow([self.column(header[k]) for k in kept])
        for row in body:
            cells = []
            for k in kept:
                check, cell = vetted[header[k]], row[k] if k < len(row) else ""
                cells.append(cell if check is None else check(cell) or "")
            writer.writerow(cells)
        return made.getvalue().encode()

    def _vetted(self, name: str) -> Callable[[str | None], str | None] | None:
        """Return how the texts of a column are read, None for a column whose texts stay out."""
        return {
            "session_id": lambda _: self.id,
            "engine": lambda text: self._engines.get(text or ""),
            "band_name": lambda text: text if _BAND_NAME.fullmatch(text or "") else None,
            "flags": lambda text: ";".join(code for code in (text or "").split(";") if code in BAND_FLAGS),
            # which limit was violated; what follows behind the colon is for people
            "reason": lambda text: _plain_words((text or "").partition(":")[0]),
            "kind": lambda text: text if text in _MANOEUVRES else None,
            "direction": lambda text: text if _DIRECTION.fullmatch(text or "") else None,
            "from": lambda text: _plain_state(text or ""),
            "to": lambda text: _plain_state(text or ""),
            "unit": lambda text: text if text in _UNITS else None,
        }.get(name)

    def settings(self) -> dict[str, Any]:
        """Return numbers and switches of the settings; of the text only what has a fixed choice."""
        config = self._config.model_dump(mode="json")
        tables = ("boat", "fuel", "load", "bands", "steady", "samples")
        kept: dict[str, Any] = {name: _numbers(config[name]) for name in tables}
        kept["trial"] = _numbers(config["trial"]) | {"water": config["trial"]["water"]}
        kept["engine"] = [
            {"id": self._engines[engine["id"]]} | _numbers({k: v for k, v in engine.items() if k != "nmea_instance"})
            for engine in config["engine"]
        ]
        return kept

    def answers(self, summary: Mapping[str, Any]) -> dict[str, Any]:
        """Return the summary without what can hold a name, a remark or a place."""
        found = {name: self._answer((name,), summary[name]) for name in _ANSWERS if name in summary}
        kept = {name: value for name, value in found.items() if value is not _GONE}
        kept["warnings"] = [
            {"code": w["code"], "severity": w["severity"], "text": known.text}
            for w in summary.get("warnings", [])
            if (known := BAND_FLAGS.get(w["code"]) or TRIAL_WARNINGS.get(w["code"])) is not None
        ]
        return kept

    def _answer(self, path: tuple[str, ...], value: Any) -> Any:
        if isinstance(value, Mapping):
            items = ((key, self._answer((*path, key), item)) for key, item in value.items() if key not in _DRAWN)
            return {key: item for key, item in items if item is not _GONE and not _has_word(key, _TELLS_PLACE)}
        if isinstance(value, list):
            known = [item for one in value if (item := self._answer(path, one)) is not _GONE]
            return _GONE if value and not known else known
        if not isinstance(value, str):
            return value
        if path[-1] == "engine":
            return self._engines.get(value, _GONE)
        is_known = (
            _TIME.fullmatch(value)
            or (path[-1] == "band_name" and _BAND_NAME.fullmatch(value))
            or (path[-1] == "unit" and value in _UNITS)
            or (path[-1] in _CHOICES and _WORDS_ONLY.fullmatch(value))
            or (path[0], path[-1]) in _PROGRAM_TEXTS
        )
        return value if is_known else _GONE


_GONE = object()
_ANSWERS = (
    "schema_version", "software_version", "boat", "load", "fuel", "top_speed", "fastest_seen", "economy_planing",
    "economy_between", "economy_displacement", "economy_overall", "regimes", "slowest_planing_speed",
    "slowest_on_the_plane", "slow_runs", "rated_rpm_check", "conditions", "current", "still_air", "speed_log",
    "plausibility", "budgets", "statistics", "measures",
)  # fmt: skip
"""What of a summary is shared; the rest holds paths, sources, reviews and the account of faults."""
_DRAWN = {"figures", "figure", "series", "marks", "items"}
"""Drawings may hold a track; the lines of the load sheet have names."""
_CHOICES = {"regime", "way", "water", "quantity", "severity"}
_PROGRAM_TEXTS = {
    ("plausibility", "name"), ("budgets", "name"), ("measures", "name"), ("measures", "label"),
    ("rated_rpm_check", "verdict"), ("regimes", "by"), ("current", "method"), ("still_air", "method"),
    ("slow_runs", "basis"), ("slowest_planing_speed", "basis"), ("slowest_planing_speed", "from"),
}  # fmt: skip
"""Where in a summary the program speaks, and nobody's words are quoted."""
_MANOEUVRES = {
    "acceleration", "acceleration distance", "stop", "stop time", "stop track reach", "stop head reach", "turn",
    "turn tactical diameter", "turn steady diameter", "turn speed kept", "turn rate", "turn advance", "turn transfer",
    "trim sweep",
}  # fmt: skip
_DIRECTION = re.compile(r"\d{3}|both|port|starboard")
_UNITS = {
    "kn", "kn/min", "nm", "nm/l", "l/h", "l/nm", "l", "m", "s", "min", "h", "deg", "deg/min", "deg/s", "rpm", "%", "1",
    "kg", "t", "kw", "mph", "mi", "ft", "degc", "bar", "g/kWh", "g/kwh", "dB(A)", "t^(2/3) kn^3 / kW",
    "t^(2/3) kn^3 / kw",
}  # fmt: skip
_STATE = re.compile(r"neutral|plane|idle|idle ahead|rest|full throttle|full ahead|full astern|[\d.]+ (kn|mph|deg|rpm)")


def _plain_state(text: str) -> str | None:
    return text if _STATE.fullmatch(text) else None


def _plain_words(text: str) -> str | None:
    return text if _WORDS_ONLY.fullmatch(text) else None


def _has_word(name: str, words: Set[str]) -> bool:
    return not words.isdisjoint(name.lower().split("_"))


def _is_text(kind: pa.DataType) -> bool:
    plain = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(pa.types.is_string(plain) or pa.types.is_large_string(plain))


def _numbers(value: Mapping[str, Any]) -> dict[str, Any]:
    """Return numbers and switches of a table, those in its tables and lists too; nothing that tells a place."""
    kept: dict[str, Any] = {}
    for key, item in value.items():
        if _has_word(key, _TELLS_PLACE):
            continue
        if isinstance(item, Mapping):
            kept[key] = _numbers(item)
        elif isinstance(item, list):
            kept[key] = [_numbers(i) if isinstance(i, Mapping) else i for i in item if not isinstance(i, str)]
        elif not isinstance(item, str):
            kept[key] = item
    return kept


def _read_json(path: Path) -> Mapping[str, Any]:
    try:
        content = parse_json(read_whole(path, _MOST_BYTES), most_bytes=_MOST_BYTES)
    except (OSError, ValueError) as fault:
        raise TrialCaptureError(
            "a result cannot be read",
            seen=str(fault),
            where=str(path),
            expected="run 'trialcapture process' on the session again",
        ) from fault
    if not isinstance(content, dict):
        raise TrialCaptureError("a result is no summary", where=str(path))
    return content


def _json_bytes(value: Mapping[str, Any]) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


_README = """Sea trial {id}

What a boat did on a trial, written by trialcapture to be shared with people who need not know
which boat it was, where, or who was on board.

Left out: {left_out}.
Times are as they were; who knows which boat ran at that time can tell which one it is.

trialset/samples.parquet           speeds, engines, wind and attitude on a uniform grid
trialset/segments.parquet          steady stretches, accepted and refused
trialset/segment_engines.parquet   the same by engine
reduction/bands.csv, bands.parquet one row an RPM band; u is a standard uncertainty (k = 1)
reduction/legs.csv                 the stretches each band was made of
reduction/answers.json             answers, conditions, uncertainty budgets, warnings
settings.json                      boat, fuel, load and limits as numbers

The folder is a BagIt bag (RFC 8493) described by an RO-Crate (ro-crate-metadata.json).
"""
