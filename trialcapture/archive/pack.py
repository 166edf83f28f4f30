"""``pack``: a session as one thing to hand over, a BagIt bag that an RO-Crate describes, whole or fit for strangers.

A bag (RFC 8493, BagIt 1.0) is a folder with its payload in ``data/`` and the hash of every file beside it, so that
whoever gets it can check it without this program. The payload is the session itself with ``ro-crate-metadata.json``
(RO-Crate 1.1) at its root, as that standard says for bags: ``trialcapture verify BAG/data`` works as on the original.
The same session gives the same bytes, whenever it is packed.

Shared with strangers is what the boat did, but not which boat, where, or who was there. Nothing is taken out of a file
that has it: the shared files are written anew from what is known to be harmless. Numbers pass unless they tell a place;
text passes only where it is the program's own. So a column or key that nobody has thought of yet stays out if it is
text.

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
import os
import re
import shutil
import stat
import zipfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import quote

import pyarrow as pa

from trialcapture.archive.atomic import open_replacement, work_folder, write_error
from trialcapture.archive.manifest import hash_file, raw_files, read_manifest
from trialcapture.archive.parquet import open_parquet, read_parquet, read_row_groups, write_parquet
from trialcapture.archive.session import FILE_NAME, Session, open_session
from trialcapture.archive.verify import verify_session
from trialcapture.bounded_parsing import parse_json
from trialcapture.channels import BOAT_CHANNELS, ENGINE_QUANTITIES
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.tables import BAND_FLAGS, TRIAL_WARNINGS, bands_csv
from trialcapture.system.files import remove_tree, rename_new, sync_file, sync_folder
from trialcapture.system.session_files import open_plain, read_whole

Progress = Callable[[str, float | None], None]

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
            if _is_text_column(field.type):
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


def _is_text_column(kind: pa.DataType) -> bool:
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


CRATE_FILE = "ro-crate-metadata.json"
_TOP_FILES = (FILE_NAME, "manifest.json", "seal.jsonl")
_SIGNATURES = "signatures/"
_NO_PART = ("live.jsonl", "recorder.lock", CRATE_FILE)
"""What a session's folder may hold beside it: what was shown while recording, a lock, the crate of a bag."""
_SIGNATURE_ENDINGS = (".root", ".sig", ".pub.pem")
"""What lies in the folder of signatures; a private key that somebody left there is not packed."""
_DERIVED = ("trialset", "reduction")
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
"""The earliest a zip can hold; the time of packing would make two packs of one session differ."""
_REPARSED_PATHS = (0xA000000C, 0xA0000003)
"""Reparse tags of Windows that lead elsewhere: symbolic links and junctions (winnt.h, from memory)."""


@dataclass(frozen=True, slots=True)
class Pack:
    """What was packed.

    Attributes:
        out: The bag: a folder, or a zip that holds one.
        session: Id of the session, as the bag has it.
        files: Number of files of the payload.
        bytes: Their size.
        root: Last root of the seal; None where there is no seal.
        condition: What `verify` said of the session, as the bag has it.
        has_results: Whether the session was processed.
        left_out: Files of the session's folder that are no part of a session, relative to it.
    """

    out: Path
    session: str
    files: int
    bytes: int
    root: str | None
    condition: str
    has_results: bool
    left_out: tuple[str, ...]


def pack_session(
    folder: Path,
    out: Path,
    *,
    made_by: str,
    share: bool = False,
    accept_damage: str | None = None,
    progress: Progress = lambda _step, _share: None,
) -> Pack:
    """Write a session as a bag.

    Args:
        folder: The session; no recorder may be at work on it.
        out: The bag to make: a folder, or a zip where the name ends in ``.zip``. It must not exist yet, and it is
            complete or absent.
        made_by: Program and version.
        share: Leave out whatever tells who, where or which boat.
        accept_damage: Why a damaged session is packed all the same; the bag says so.
        progress: Called with the step and how far it is.

    Raises:
        TrialCaptureError: `out` is in use, the session is damaged or holds something that is no regular file, or the
            disk does not take the bag.
    """
    _refuse_place(folder, out)
    # what is no regular file is found before anything of it is read
    names, left_out = find_session_files(folder) if os.path.lexists(folder / FILE_NAME) else ([], [])
    session = open_session(folder)
    condition, root = _condition(folder, accept_damage, progress, tells_why=not share)
    states = _states(folder, names)
    staging = out.with_name(f".{out.name}.{os.getpid()}.packing")
    try:
        (staging / "data").mkdir(parents=True)
        if share:
            write_shared(session, names, staging / "data", made_by, progress)
        else:
            _copy_files(folder, names, staging / "data", progress, is_sound=accept_damage is None)
        if _states(folder, names) != states:
            raise _changed(folder)
        description = _Description(session, made_by, condition, root, is_shared=share)
        files, size = _describe(staging, description)
        progress("writing to the disk", None)
        if out.suffix.lower() == ".zip":
            _write_zip(staging, out)
        else:
            for path in _files_of(staging):
                _sync_file(path)
            for place in sorted((p for p in staging.rglob("*") if p.is_dir()), reverse=True):
                sync_folder(place)
            _refuse_existing(out)
            rename_new(staging, out)
            sync_folder(out.parent)
    except OSError as fault:
        raise write_error(fault, out, sum((folder / name).stat().st_size for name in names)) from fault
    finally:
        remove_tree(staging)
    has_results = any(name.startswith("reduction/") for name in names)
    return Pack(out, description.id, files, size, root, condition, has_results, () if share else tuple(left_out))


def _refuse_place(folder: Path, out: Path) -> None:
    """Refuse an `out` that exists or lies inside the session."""
    _refuse_existing(out)
    if folder.resolve() in (out.resolve(), *out.resolve().parents):
        raise TrialCaptureError(
            "a session is not packed into itself",
            seen=str(out),
            expected="give a place outside the session's folder",
        )


def _refuse_existing(out: Path) -> None:
    if os.path.lexists(out):
        raise TrialCaptureError(
            "nothing is overwritten by packing",
            seen="a file or folder of that name",
            where=str(out),
            expected="give a name that does not exist yet",
        )


# ------------------------------------------------------------------------------
# What belongs to a session on disk.
# ------------------------------------------------------------------------------


def find_session_files(folder: Path) -> tuple[list[str], list[str]]:
    """Return the files that make a session and those that are no part of one, relative to it, sorted.

    Raises:
        TrialCaptureError: Something is neither file nor folder, or its name is no text.
    """
    found = sorted(_regular_files(folder, folder, {work_folder(folder)}))
    raw = {path.relative_to(folder).as_posix() for path in raw_files(folder)}
    packed = [name for name in found if name in raw or _is_part(name)]
    return packed, [name for name in found if name not in {*packed, *_NO_PART}]


def _is_part(name: str) -> bool:
    top, _, rest = name.partition("/")
    if not rest:
        return top in _TOP_FILES
    if name.startswith(_SIGNATURES):
        return "/" not in rest and rest.endswith(_SIGNATURE_ENDINGS)
    return top in _DERIVED and not any(part.startswith(".") for part in name.split("/"))


def _regular_files(folder: Path, place: Path, skipped: set[Path]) -> Iterator[str]:
    for entry in os.scandir(place):
        path = Path(entry.path)
        if path in skipped:
            continue
        name = path.relative_to(folder).as_posix()
        status = entry.stat(follow_symlinks=False)
        leads_elsewhere = getattr(status, "st_reparse_tag", 0) in _REPARSED_PATHS
        if stat.S_ISDIR(status.st_mode) and not leads_elsewhere:
            yield from _regular_files(folder, path, skipped)
        elif not stat.S_ISREG(status.st_mode) or leads_elsewhere:
            raise TrialCaptureError(
                "only files and folders of the session itself are packed",
                seen=_kind(status.st_mode),
                where=name,
                expected="put the file itself in its place, or remove it",
            )
        elif not _is_text(name):
            raise TrialCaptureError(
                "the name of a file is no UTF-8 text, so a bag cannot name it",
                seen=ascii(name),
                where=str(folder),
                expected="rename it if it is no raw file; a raw file is collected anew under another name",
            )
        else:
            yield name


def _kind(mode: int) -> str:
    kinds = {stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket", stat.S_IFCHR: "a device", stat.S_IFBLK: "a device"}
    return kinds.get(stat.S_IFMT(mode), "a link to another place")


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _condition(
    folder: Path, accept_damage: str | None, progress: Progress, *, tells_why: bool
) -> tuple[str, str | None]:
    """Return what `verify` says of the session in one line, with why a damaged one is packed, and its last root.

    Raises:
        TrialCaptureError: It is damaged, and nobody said why it should be packed all the same.
    """
    found = verify_session(folder, progress=partial(progress, "checking the session"))
    told = {"damaged": found.faults, "cannot be vouched for": found.unvouched}.get(found.ending, found.losses)
    condition = f"{found.ending} ({len(told)} named by verify)" if told else found.ending
    if not found.faults:
        return condition, found.seal.root
    if accept_damage is None or not accept_damage.strip():
        more = f"; and {len(found.faults) - 3} more" if len(found.faults) > 3 else ""
        raise TrialCaptureError(
            "this session is damaged, so it is not packed",
            seen="; ".join(found.faults[:3]) + more,
            where=str(folder),
            expected='restore it from a copy, or pack it as it is: --accept-damage "reason", which the bag then says',
        )
    return f"{condition}, packed all the same{f': {accept_damage}' if tells_why else ''}", found.seal.root


def _copy_files(folder: Path, names: Sequence[str], into: Path, progress: Progress, *, is_sound: bool) -> None:
    """Copy files and compare them with the session's manifest on the way.

    Raises:
        TrialCaptureError: A file changed meanwhile.
    """
    known = {entry.path: entry.sha256 for entry in read_manifest(folder) or []} if is_sound else {}
    total = sum((folder / name).stat().st_size for name in names) or 1
    done = 0
    for name in names:
        target = into / name
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        with _open_regular(folder / name) as source, target.open("xb") as copy:
            while chunk := source.read(1 << 20):
                digest.update(chunk)
                copy.write(chunk)
                done += len(chunk)
                progress("copying", min(done / total, 1.0))
        if known.get(name, digest.hexdigest()) != digest.hexdigest() or hash_file(target)[0] != digest.hexdigest():
            raise _changed(folder / name)


def _states(folder: Path, names: Sequence[str]) -> list[tuple[int, int, int]]:
    """Return what changes with a file: its size, its time, and which file it is."""
    try:
        status = [(folder / name).lstat() for name in names]
    except FileNotFoundError as fault:
        raise _changed(folder) from fault
    return [(one.st_size, one.st_mtime_ns, one.st_ino) for one in status]


def _changed(path: Path) -> TrialCaptureError:
    return TrialCaptureError(
        "a session changed while it was packed",
        where=str(path),
        expected="let no other program work on it meanwhile, run 'trialcapture verify', and pack it again",
    )


def _open_regular(path: Path) -> BinaryIO:
    """Open a file without following a link that took its place since it was found."""
    try:
        return open_plain(path)
    except (FileNotFoundError, TrialCaptureError) as fault:
        raise _changed(path) from fault


# ------------------------------------------------------------------------------
# The bag: RFC 8493.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Description:
    """What bag and crate say of the session."""

    session: Session
    made_by: str
    condition: str
    root: str | None
    is_shared: bool

    @property
    def id(self) -> str:
        return shared_id(self.session.folder) if self.is_shared else self.session.id

    @property
    def title(self) -> str:
        return "Sea trial of a boat" if self.is_shared else f"Sea trial of {self.session.config.boat.name}"

    @property
    def text(self) -> str:
        if self.is_shared:
            return f"Results of a sea trial, to be shared. Left out: {LEFT_OUT}."
        return (
            "A session of trialcapture: raw recordings and engine logs as they came in, their hashes and seal, and "
            "what was derived from them."
        )


def _describe(bag: Path, description: _Description) -> tuple[int, int]:
    """Write crate, manifests and tag files of a bag whose payload is there; return files and bytes of the payload."""
    data = bag / "data"
    names = [path.relative_to(data).as_posix() for path in _files_of(data)]
    crate = json.dumps(_crate(data, names, description), indent=1, ensure_ascii=False) + "\n"
    (data / CRATE_FILE).write_bytes(crate.encode())
    hashed = {f"data/{name}": hash_file(data / name) for name in sorted([*names, CRATE_FILE])}
    size = sum(one for _, one in hashed.values())
    info = {
        "External-Identifier": description.id,
        "External-Description": f"{description.title}. {description.text}",
        "Bag-Software-Agent": description.made_by,
        "Payload-Oxum": f"{size}.{len(hashed)}",
        "Session-Created": description.session.created,
        "Session-Condition": description.condition,
        "Session-Condition-Told-By": "trialcapture verify, when it was packed",
        "Seal-Root": description.root or "none: the session is not sealed",
    }
    tags = {
        "bagit.txt": "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": "".join(f"{label}: {_one_line(value)}\n" for label, value in info.items()),
        "manifest-sha256.txt": "".join(f"{digest}  {_bag_path(name)}\n" for name, (digest, _) in hashed.items()),
    }
    tags["tagmanifest-sha256.txt"] = "".join(
        f"{hashlib.sha256(text.encode()).hexdigest()}  {name}\n" for name, text in sorted(tags.items())
    )
    for name, text in tags.items():
        (bag / name).write_bytes(text.encode())
    return len(hashed), size


def _bag_path(name: str) -> str:
    """Return a path as a manifest has it: line ends and percent signs by their codes, all else as it is (§2.1.3)."""
    return name.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _files_of(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        sync_file(file.fileno())


def _write_zip(bag: Path, out: Path) -> None:
    """Put a bag into a zip, as its only folder, which has the zip's name (RFC 8493, §4)."""

    def reads_back(temporary: Path) -> None:
        with zipfile.ZipFile(temporary) as packed:
            damaged = packed.testzip()
        if damaged is not None:
            raise TrialCaptureError("a file did not read back as it was packed", seen=damaged, where=str(out))
        _refuse_existing(out)

    with (
        open_replacement(out, check=reads_back) as file,
        zipfile.ZipFile(file, "w", compression=zipfile.ZIP_DEFLATED) as packed,
    ):
        for path in _files_of(bag):
            entry = zipfile.ZipInfo(f"{out.stem}/{path.relative_to(bag).as_posix()}", _ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3  # as on Unix, so that the permissions count everywhere
            entry.external_attr = 0o100644 << 16
            with path.open("rb") as source, packed.open(entry, "w", force_zip64=True) as target:
                shutil.copyfileobj(source, target, 1 << 20)


# ------------------------------------------------------------------------------
# The description: RO-Crate 1.1.
# ------------------------------------------------------------------------------

_MEDIA_TYPES = {
    ".log": "text/plain", ".txt": "text/plain", ".csv": "text/csv", ".json": "application/json",
    ".jsonl": "application/x-ndjson", ".toml": "application/toml", ".parquet": "application/vnd.apache.parquet",
    ".html": "text/html", ".pdf": "application/pdf", ".gpx": "application/gpx+xml",
    ".geojson": "application/geo+json", ".gz": "application/gzip", ".zst": "application/zstd",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".heic": "image/heic", ".webp": "image/webp",
}  # fmt: skip
_MEANINGS = {
    "session.toml": "Boat and trial settings as used, and where every file came from",
    "manifest.json": "SHA-256 and size of every raw file",
    "seal.jsonl": "What happened to the session, each event with the root of all hashes",
    "raw/nmea": "Journal of the NMEA 0183 sentences as received",
    "raw/can": "CAN frames as candump text",
    "raw/engine/": "Engine log as offloaded",
    "raw/photos/": "Photo",
    "raw/notes": "What people and the recorder noted",
    "trialset/samples": "Every channel on a uniform grid with age and QARTOD flag",
    "trialset/segments": "Steady stretches with their statistics and verdicts",
    "trialset/segment_engines": "Steady stretches by engine",
    "trialset/clocks": "How each clock was tied to UTC",
    "trialset/rejects": "What could not be used, and why",
    "reduction/bands": "One row an RPM band: speed, fuel, economy, range, each with its standard uncertainty",
    "reduction/legs": "The stretches each band was made of",
    "reduction/manoeuvres": "Accelerations, stops and turns",
    "reduction/summary": "Answers, conditions, warnings, uncertainty budgets",
    "reduction/results": "Root of the seal, versions, and hashes of the results",
    "reduction/report": "The report",
    "reduction/sheet": "The trial sheet",
    "reduction/trial": "The results as a spreadsheet",
    "reduction/track": "The track",
    "signatures/": "A signed root, its signature, or the public key to check it with",
    **SHARED_FILES,
}
_FOLDERS = {
    "signatures/": ("Signatures", "Roots of the seal that somebody signed"),
    "raw/": ("Raw data", "As it came in; never altered"),
    "trialset/": ("Trial set", "Aligned samples and steady stretches, derived from the raw data"),
    "reduction/": ("Results", "Band table and answers, derived from the trial set"),
}


def _crate(data: Path, names: Sequence[str], description: _Description) -> Mapping[str, Any]:
    """Return the RO-Crate metadata of a payload."""
    folders = [folder for folder in _FOLDERS if any(name.startswith(folder) for name in names)]
    top = [name for name in names if "/" not in name]
    inside = {folder: [name for name in names if name.startswith(folder)] for folder in folders}
    derived = [folder for folder in folders if folder in ("trialset/", "reduction/")]
    graph: list[dict[str, Any]] = [
        {
            "@id": CRATE_FILE,
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "identifier": description.id,
            "name": description.title,
            "description": description.text,
            # the standard wants a date; the time of packing would make two packs of one session differ
            "datePublished": description.session.created,
            "license": {"@id": "#licence"},
            **_linked("hasPart", [_crate_id(name) for name in [*top, *folders]]),
            **_linked("mentions", ["#processing"] if derived else []),
        },
        {
            "@id": "#licence",
            "@type": "CreativeWork",
            "name": "No licence is stated",
            "description": "Whoever commissioned the trial decides who may use it for what.",
        },
        {
            "@id": "#program",
            "@type": "SoftwareApplication",
            "name": description.made_by.partition(" ")[0],
            "softwareVersion": description.made_by.partition(" ")[2],
        },
    ]
    if derived:
        graph.append(
            {
                "@id": "#processing",
                "@type": "CreateAction",
                "name": "Clocks aligned, steady stretches found, bands reduced",
                "instrument": {"@id": "#program"},
                **_linked("object", [folder for folder in folders if folder == "raw/"]),
                **_linked("result", derived),
            }
        )
    for folder, members in inside.items():
        name, meaning = _FOLDERS[folder]
        parts = _linked("hasPart", [_crate_id(member) for member in members])
        graph.append({"@id": folder, "@type": "Dataset", "name": name, "description": meaning, **parts})
    graph += [_crate_file(data / name, name) for name in names]
    return {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph}


def _linked(key: str, ids: Sequence[str]) -> dict[str, Any]:
    """Return a link to entities; a list only where there are several, as the standard has it."""
    links = [{"@id": one} for one in ids]
    return {key: links if len(links) > 1 else links[0]} if links else {}


def _crate_file(path: Path, name: str) -> dict[str, Any]:
    stems = [stem for stem in _MEANINGS if name.startswith(stem)]
    meaning = {"description": _MEANINGS[max(stems, key=len)]} if stems else {}
    kind = _MEDIA_TYPES.get(path.suffix.lower(), "application/octet-stream")
    return {
        "@id": _crate_id(name),
        "@type": "File",
        "name": name.rpartition("/")[2],
        **meaning,
        "encodingFormat": kind,
        "contentSize": str(path.stat().st_size),
    }


def _crate_id(name: str) -> str:
    """Return a path as a URI relative to the crate."""
    return quote(name, safe="/")
