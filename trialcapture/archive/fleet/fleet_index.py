"""The index of an archive: one Parquet file each of sessions, bands, segments, segment_engines, manoeuvres and notes.

Every table begins with ``session_id``, ``revision`` and ``version``, the version of the program that made the row's
results (null where a session has none). It holds the revision in force of each session with the results in force; all
others stay in the archive. Rows stand by session in order of its id, within it as in its own files.

The six files lie in a folder of their own, named by their content. ``index/current.json`` is put last and names it, so
that a reader finds six files that belong together or the ones before, never a mixture. An update reads again only the
sessions of which a commit was added; the rest is taken over, and the bytes are those of an index made from scratch.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from trialcapture import __version__
from trialcapture.archive.fleet.fleet_archive import (
    MOST_COMMIT_BYTES,
    MOST_SMALL_BYTES,
    FleetArchive,
    Progress,
    Revision,
    StoredResults,
    StoredSession,
)
from trialcapture.archive.fleet.object_store import FolderStore, hash_object, read_object, where
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.notes import DAMAGED, read_notes
from trialcapture.archive.parquet import read_parquet, write_parquet
from trialcapture.archive.session import Session, open_session
from trialcapture.bounded_parsing import parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segments import SEGMENT_ENGINES_SCHEMA, segments_schema
from trialcapture.reduce.tables import BANDS_SCHEMA
from trialcapture.safe_text import clean_text
from trialcapture.system.session_files import is_plain_file, open_plain, read_whole

POINTER = "index/current.json"
SCHEMA_VERSION = 1
_THREADS = 8
"""Sessions that are read at once: the store's answers are waited for (our choice)."""
_BATCH = 64
"""Sessions whose rows are put together before the next are read (our choice)."""
_LONGEST_TEXT = 4000
"""Of a text in the index; notes from strangers may be longer (our choice)."""


def _unit(name: str, unit: str) -> pa.Field:
    return pa.field(name, pa.float64(), metadata={"unit": unit})


_STAMP = pa.timestamp("ns", "UTC")
_HEAD = (pa.field("session_id", pa.string()), pa.field("revision", pa.int32()), pa.field("version", pa.string()))


def _headed(fields: Iterable[pa.Field]) -> pa.Schema:
    return pa.schema([*_HEAD, *(field for field in fields if field.name != "session_id")])


SESSIONS_SCHEMA = _headed(
    [
        pa.field("results", pa.int32(), metadata={"meaning": "number of the results in force; null without any"}),
        pa.field("boat", pa.string()),
        pa.field("title", pa.string()),
        pa.field("tested_by", pa.string()),
        pa.field("created", _STAMP),
        pa.field("start", _STAMP, metadata={"meaning": "first leg"}),
        pa.field("stop", _STAMP, metadata={"meaning": "end of the last leg"}),
        pa.field("place", pa.string()),
        _unit("length_m", "m"), _unit("beam_m", "m"), _unit("draught_m", "m"), _unit("lightship_kg", "kg"),
        pa.field("planing", pa.bool_(), metadata={"meaning": "made to plane, as stated"}),
        pa.field("engines", pa.int32()),
        _unit("rated_rpm", "rpm"), _unit("rated_kw_total", "kW"), _unit("displacement_kg", "kg"),
        pa.field("load_missing", pa.string(), metadata={"meaning": "what nobody stated of the load, parted by ;"}),
        _unit("fuel_capacity_l", "l"),
        pa.field("fuel_calibrated", pa.bool_()),
        _unit("fuel_factor", "1"),
        pa.field("fuel_calibration", pa.string(), metadata={"meaning": "origin of the calibration"}),
        _unit("top_speed_kn", "kn"), _unit("top_speed_u_kn", "kn"), _unit("top_speed_k", "1"),
        _unit("top_speed_rpm", "rpm"), _unit("fastest_seen_kn", "kn"),
        *(
            field
            for which in ("planing", "displacement", "overall")
            for field in (
                pa.field(f"best_{which}_band", pa.string()),
                _unit(f"best_{which}_speed_kn", "kn"), _unit(f"best_{which}_speed_u_kn", "kn"),
                _unit(f"best_{which}_fuel_l_per_h", "l/h"), _unit(f"best_{which}_economy_nm_per_l", "nm/l"),
                _unit(f"best_{which}_economy_u_nm_per_l", "nm/l"), _unit(f"best_{which}_range_nm", "nm"),
                _unit(f"best_{which}_range_u_nm", "nm"),
            )
        ),
        _unit("tester_cruise_rpm", "rpm"), _unit("tester_cruise_speed_kn", "kn"), _unit("slowest_planing_kn", "kn"),
        _unit("wind_speed_true_kn_mean", "kn"), _unit("wind_speed_true_kn_max", "kn"), _unit("wave_height_m", "m"),
        pa.field("sea_state", pa.int32()),
        _unit("depth_m_min", "m"), _unit("water_temp_c", "degc"), _unit("air_temp_c", "degc"),
        pa.field("water", pa.string()),
        pa.field("bands", pa.int32()),
        pa.field("warnings_red", pa.int32()),
        pa.field("warnings_yellow", pa.int32()),
        pa.field("warning_codes", pa.string(), metadata={"meaning": "codes of all warnings, parted by ;"}),
        pa.field("seal", pa.string(), metadata={"meaning": "intact, changed or unsealed, when it was processed"}),
        pa.field("ending", pa.string(), metadata={"meaning": "what verify said when it was added"}),
        pa.field("accepted_because", pa.string(), metadata={"meaning": "why it was added all the same"}),
        pa.field("root", pa.string()),
        pa.field("settings", pa.string(), metadata={"meaning": "of the session, or others"}),
        pa.field("settings_sha256", pa.string()),
        pa.field("libraries", pa.string(), metadata={"meaning": "Python and libraries of the results"}),
        pa.field("revisions", pa.int32(), metadata={"meaning": "how many there are"}),
        pa.field("result_sets", pa.int32(), metadata={"meaning": "how many there are of the revision in force"}),
        pa.field("bytes", pa.int64()),
        pa.field("added", _STAMP),
        pa.field("key", pa.string(), metadata={"meaning": "name in the archive"}),
        pa.field("listed", pa.string(), metadata={"meaning": "revisions and results there are, as revision:results"}),
        pa.field("fault", pa.string(), metadata={"meaning": "what kept it from being read; null where all was read"}),
    ]
)  # fmt: skip
"""One row a session. ``best_*`` is the most economical band of a regime, ``*_u_*`` a standard uncertainty (k=1)."""

MANOEUVRES_SCHEMA = _headed(
    [
        pa.field("kind", pa.string()), pa.field("start", _STAMP), pa.field("direction", pa.string()),
        pa.field("from", pa.string()), pa.field("to", pa.string()), pa.field("value", pa.float64()),
        pa.field("unit", pa.string()), pa.field("u", pa.float64()), pa.field("conditions", pa.string()),
        pa.field("claimed", pa.bool_()), pa.field("reason", pa.string()),
    ]
)  # fmt: skip
NOTES_SCHEMA = _headed(
    [
        pa.field("t", _STAMP), pa.field("kind", pa.string()), pa.field("value", pa.string()),
        pa.field("value_number", pa.float64()), pa.field("unit", pa.string()), pa.field("where", pa.string()),
        pa.field("by", pa.string()), pa.field("more", pa.string(), metadata={"meaning": "all other fields, JSON"}),
        pa.field("file", pa.string()), pa.field("line", pa.int32()),
    ]
)  # fmt: skip
_SEGMENTS = segments_schema(())
SCHEMAS: dict[str, pa.Schema] = {
    "sessions": SESSIONS_SCHEMA,
    "bands": _headed(BANDS_SCHEMA),
    "segments": _headed(_SEGMENTS),
    "segment_engines": _headed(SEGMENT_ENGINES_SCHEMA),
    "manoeuvres": MANOEUVRES_SCHEMA,
    "notes": NOTES_SCHEMA,
}
"""Schema of each table; what differs by a boat's engines stands in segment_engines alone."""


@dataclass(frozen=True, slots=True)
class IndexState:
    """The index in force.

    Attributes:
        generation: Name of its folder below ``index/``.
        made_by: Version of the program.
        files: Its files.
    """

    generation: str
    made_by: str
    files: tuple[ManifestEntry, ...]

    def object_of(self, table: str) -> str:
        """Return the name of a table's object."""
        return f"index/{self.generation}/{table}.parquet"


@dataclass(frozen=True, slots=True)
class IndexUpdate:
    """What an update did.

    Attributes:
        state: The index in force now.
        rows: Of each table.
        read: Sessions that were read, by id or key.
        kept: Number of sessions taken over.
        gone: Keys that are no longer in the archive.
        faults: What is wrong with single sessions, one sentence each.
        is_new: False where nothing had changed.
    """

    state: IndexState
    rows: Mapping[str, int]
    read: tuple[str, ...]
    kept: int
    gone: tuple[str, ...]
    faults: tuple[str, ...]
    is_new: bool


# ------------------------------------------------------------------------------
# Reading the index.
# ------------------------------------------------------------------------------


def read_state(archive: FleetArchive) -> IndexState | None:
    """Return the index in force; None where there is none yet.

    Raises:
        TrialCaptureError: It cannot be read, or was made by a version that is newer.
    """
    try:
        content = parse_json(read_object(archive.store, POINTER, MOST_COMMIT_BYTES))
        files = tuple(
            ManifestEntry(
                f"{name}.parquet", str(content["files"][name]["sha256"]), int(content["files"][name]["bytes"])
            )
            for name in SCHEMAS
        )
        generation, version, made_by = content["generation"], content["schema_version"], str(content["made_by"])
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError) as fault:
        raise _damaged(archive, POINTER, str(fault)) from fault
    if isinstance(version, int) and version > SCHEMA_VERSION:
        raise TrialCaptureError(
            "the index of this archive was made by a newer version of the program",
            seen=f"schema_version {version}, by {clean_text(made_by[:40])}",
            where=where(archive.store, POINTER),
            expected=f"schema_version {SCHEMA_VERSION}: update the program, or make the index with this version: "
            "trialcapture archive index ARCHIVE --rebuild",
        )
    if version != SCHEMA_VERSION or not isinstance(generation, str) or generation != _generation(files):
        raise _damaged(archive, POINTER, "another layout, or a name that does not follow from its files")
    return IndexState(generation, made_by, files)


def index_files(archive: FleetArchive, scratch: Path) -> dict[str, Path]:
    """Return the path of each table of the index, to be read by any program: in place, or as a copy in `scratch`.

    Args:
        archive: In a folder its own files are returned, else they are fetched and checked by their hashes.
        scratch: A folder for the copies.

    Raises:
        TrialCaptureError: There is no index, or it is damaged.
    """
    for is_last in (False, True):
        state = read_state(archive)
        if state is None:
            raise _no_index(archive)
        try:
            return {name: _index_file(archive, state, name, scratch) for name in SCHEMAS}
        except FileNotFoundError as fault:  # another program has put the next one in its place meanwhile
            if is_last:
                raise _damaged(archive, f"index/{state.generation}", "a file is missing") from fault
    raise AssertionError("unreachable")


def check_index(archive: FleetArchive) -> None:
    """Compare every file of the index in force with its hash.

    Raises:
        TrialCaptureError: There is no index, or a file of it is missing or damaged.
    """
    state = read_state(archive)
    if state is None:
        raise _no_index(archive)
    for entry in state.files:
        name = f"index/{state.generation}/{entry.path}"
        try:
            is_whole = hash_object(archive.store, name, entry.bytes) == (entry.sha256, entry.bytes)
        except FileNotFoundError:
            is_whole = False
        if not is_whole:
            raise _damaged(archive, name, "it is missing, or not as its hash says")


def known_sessions(archive: FleetArchive) -> list[tuple[str, str | None, str]]:
    """Return key, id and listed numbers of each session that the index knows.

    Raises:
        TrialCaptureError: There is no index, or it is damaged.
    """
    with tempfile.TemporaryDirectory(prefix="trialcapture-index-", ignore_cleanup_errors=True) as scratch:
        sessions = read_parquet(index_files(archive, Path(scratch))["sessions"], SESSIONS_SCHEMA)
    return list(zip(*(sessions[name].to_pylist() for name in ("key", "session_id", "listed")), strict=True))


def current_sessions(
    archive: FleetArchive, progress: Progress = lambda _step, _share: None
) -> tuple[pa.Table, tuple[str, ...]]:
    """Return the table of sessions as it is now, from the index as far as that is up to date; nothing is written.

    Returns:
        Rows of `SESSIONS_SCHEMA` by id, and what is in the archive and no part of it.

    Raises:
        TrialCaptureError: The archive cannot be listed.
    """
    contents = archive.contents()
    with tempfile.TemporaryDirectory(prefix="trialcapture-index-", ignore_cleanup_errors=True) as scratch:
        former = None
        try:
            state = read_state(archive)
            if state is not None and state.made_by == __version__:
                former = read_parquet(index_files(archive, Path(scratch))["sessions"], SESSIONS_SCHEMA, needs_all=True)
        except TrialCaptureError:  # an index that is damaged or old is not needed to list what is there
            former = None
        known = {} if former is None else _known(former)
        changed = [session for key, session in contents.sessions.items() if known.get(key) != session.listed]
        drop = [*(session.key for session in changed), *(known.keys() - contents.sessions.keys())]
        rows = _read_sessions(archive, changed, Path(scratch), progress)
        tables = {"sessions": former} if former is not None else {}
        return _merged(SESSIONS_SCHEMA, former, rows["sessions"], tables, drop), contents.strange


def _index_file(archive: FleetArchive, state: IndexState, name: str, scratch: Path) -> Path:
    entry = next(file for file in state.files if file.path == f"{name}.parquet")
    if isinstance(archive.store, FolderStore):
        path = archive.store.path_of(state.object_of(name))
        if not is_plain_file(path):
            raise FileNotFoundError(path)
        return path
    path = scratch / f"{name}.parquet"
    digest = hashlib.sha256()
    with archive.store.open(state.object_of(name)) as source, path.open("wb") as file:
        while part := source.read(1 << 20):
            digest.update(part)
            file.write(part)
    if digest.hexdigest() != entry.sha256:
        raise _damaged(archive, state.object_of(name), "it is not as its hash says")
    return path


def _no_index(archive: FleetArchive) -> TrialCaptureError:
    return TrialCaptureError(
        "this archive has no index",
        where=clean_text(archive.place),
        expected=f"make it: trialcapture archive index {clean_text(archive.place)}",
    )


def _damaged(archive: FleetArchive, name: str, seen: str) -> TrialCaptureError:
    return TrialCaptureError(
        "the index of this archive is damaged",
        seen=clean_text(seen[:200]),
        where=where(archive.store, name),
        expected="make it anew from the sessions: trialcapture archive index ARCHIVE --rebuild",
    )


# ------------------------------------------------------------------------------
# Making it.
# ------------------------------------------------------------------------------


def update_index(
    archive: FleetArchive, *, rebuild: bool = False, progress: Progress = lambda _step, _share: None
) -> IndexUpdate:
    """Bring the index up to date with the archive.

    Args:
        archive: The archive.
        rebuild: Read every session again; nothing of the index there is used.
        progress: Called with the step and how far it is.

    Raises:
        TrialCaptureError: The archive or the index there cannot be read, or the store does not take the new one.
    """
    progress("listing the archive", None)
    sessions = archive.contents().sessions
    with tempfile.TemporaryDirectory(prefix="trialcapture-index-", ignore_cleanup_errors=True) as scratch:
        former_state = None if rebuild else read_state(archive)
        former = {} if former_state is None else _read_tables(archive, Path(scratch))
        is_ours = former_state is not None and former_state.made_by == __version__ and _fits(former)
        known = _known(former["sessions"]) if is_ours else {}
        changed = [session for key, session in sessions.items() if known.get(key) != session.listed]
        gone = tuple(sorted(known.keys() - sessions.keys()))
        rows = _read_sessions(archive, changed, Path(scratch), progress)
        progress("writing the index", None)
        drop = gone + tuple(session.key for session in changed)
        tables = {
            name: _merged(schema, former[name] if is_ours else None, rows[name], former, drop)
            for name, schema in SCHEMAS.items()
        }
        state, is_new = _put(archive, tables, Path(scratch), former_state)
        if rebuild:
            _remove_others(archive, state)
    faults = tables["sessions"].filter(pc.is_valid(tables["sessions"]["fault"]))
    told = [f"{id or key}: {fault}" for id, key, fault in zip(
        faults["session_id"].to_pylist(), faults["key"].to_pylist(), faults["fault"].to_pylist(), strict=True
    )]  # fmt: skip
    return IndexUpdate(
        state=state,
        rows={name: table.num_rows for name, table in tables.items()},
        read=tuple(session.key for session in changed),
        kept=len(sessions) - len(changed),
        gone=gone,
        faults=tuple(told),
        is_new=is_new,
    )


def _read_tables(archive: FleetArchive, scratch: Path) -> dict[str, pa.Table]:
    paths = index_files(archive, scratch)
    return {name: read_parquet(path) for name, path in paths.items()}


def _fits(tables: Mapping[str, pa.Table]) -> bool:
    return all(tables[name].schema.equals(schema, check_metadata=False) for name, schema in SCHEMAS.items())


def _known(sessions: pa.Table) -> dict[str, str]:
    """Return what the index knows of each session that was read without a fault, by key."""
    rows = zip(*(sessions[name].to_pylist() for name in ("key", "listed", "fault")), strict=True)
    return {key: listed for key, listed, fault in rows if fault is None}


def _merged(
    schema: pa.Schema,
    former: pa.Table | None,
    new: Sequence[pa.Table],
    tables: Mapping[str, pa.Table],
    drop: Sequence[str],
) -> pa.Table:
    parts = list(new)
    if former is not None:
        sessions = tables["sessions"]
        is_dropped = pc.is_in(sessions["key"], value_set=pa.array(drop, pa.string()))
        dropped = sessions.filter(is_dropped)["session_id"].combine_chunks()
        parts.insert(0, former.filter(pc.invert(pc.is_in(former["session_id"], value_set=dropped))))
    whole = pa.concat_tables([schema.empty_table(), *(part.cast(schema) for part in parts)])
    # the sort is stable, so that rows of a session stay in order
    order = pc.sort_indices(whole, sort_keys=[("session_id", "ascending")])
    return whole.take(order).combine_chunks()


def _put(
    archive: FleetArchive, tables: Mapping[str, pa.Table], scratch: Path, former: IndexState | None
) -> tuple[IndexState, bool]:
    folder = scratch / "new"
    entries = []
    for name, table in tables.items():
        path = folder / f"{name}.parquet"
        write_parquet(path, table, {"trialcapture": __version__, "table": name})
        sha256, size = hash_file(path)
        entries.append(ManifestEntry(path.name, sha256, size))
    state = IndexState(_generation(entries), __version__, tuple(entries))
    if former is not None and former == state and _is_stored(archive, state):
        return state, False
    for entry in entries:
        name = f"index/{state.generation}/{entry.path}"
        archive.store.put(name, partial(open_plain, folder / entry.path), entry.sha256, entry.bytes)
    content = {
        "schema_version": SCHEMA_VERSION,
        "made_by": state.made_by,
        "generation": state.generation,
        "files": {e.path.removesuffix(".parquet"): {"sha256": e.sha256, "bytes": e.bytes} for e in entries},
    }
    data = (json.dumps(content, indent=1) + "\n").encode()
    pointer = scratch / "current.json"
    pointer.write_bytes(data)
    archive.store.put(POINTER, partial(open_plain, pointer), hashlib.sha256(data).hexdigest(), len(data))
    if former is not None and former.generation != state.generation:
        for name in SCHEMAS:
            archive.store.remove(former.object_of(name))
    return state, True


def _is_stored(archive: FleetArchive, state: IndexState) -> bool:
    return all(archive.store.size(f"index/{state.generation}/{entry.path}") == entry.bytes for entry in state.files)


def _remove_others(archive: FleetArchive, state: IndexState) -> None:
    """Remove what updates that were cut short have left."""
    for name, _ in list(archive.store.names("index/")):
        if name != POINTER and not name.startswith(f"index/{state.generation}/"):
            archive.store.remove(name)


def _generation(files: Iterable[ManifestEntry]) -> str:
    text = "".join(f"{file.path} {file.sha256} {file.bytes}\n" for file in sorted(files, key=lambda f: f.path))
    return hashlib.sha256(text.encode()).hexdigest()[:20]


# ------------------------------------------------------------------------------
# The rows of one session.
# ------------------------------------------------------------------------------


def _read_sessions(
    archive: FleetArchive, sessions: Sequence[StoredSession], scratch: Path, progress: Progress
) -> dict[str, list[pa.Table]]:
    """Return the rows of sessions, table by table; what is wrong with one stands in its row and stops no other."""
    parts: dict[str, list[pa.Table]] = {name: [] for name in SCHEMAS}
    with ThreadPoolExecutor(_THREADS) as pool:
        for first in range(0, len(sessions), _BATCH):
            some = list(pool.map(partial(_read_session, archive, scratch), sessions[first : first + _BATCH]))
            for name, found in parts.items():
                # small tables take many times the room of their rows
                found.append(pa.concat_tables([rows[name] for rows in some]).combine_chunks())
            progress("reading sessions", (first + len(some)) / len(sessions))
    return parts


def _read_session(archive: FleetArchive, scratch: Path, stored: StoredSession) -> dict[str, pa.Table]:
    rows = {name: schema.empty_table() for name, schema in SCHEMAS.items()}
    row: dict[str, Any] = {"key": stored.key, "listed": stored.listed, "revisions": len(stored.revisions)}
    faults: list[str] = []
    revision, results = None, None
    with _named(faults):
        revision = archive.revision(stored)
    if revision is None:  # the last one that can be read stands for it
        for number in reversed(stored.revisions[:-1]):
            with _named([]):
                revision = archive.read_revision(stored.key, number)
                break
    if revision is not None:
        row |= _of_revision(revision)
        numbers = stored.results.get(revision.number, ())
        row["result_sets"] = len(numbers)
        for number in reversed(numbers):
            with _named(faults):
                results = archive.read_results(stored.key, revision.number, number)
                break
        with tempfile.TemporaryDirectory(dir=scratch, ignore_cleanup_errors=True) as place, _named(faults):
            folder = archive.fetch(revision, Path(place) / "s", results, wanted=_is_small)
            row |= _read_folder(folder, revision, results, rows, faults)
    row["fault"] = "; ".join(faults)[:_LONGEST_TEXT] if faults else None
    rows["sessions"] = _table([row], SESSIONS_SCHEMA)
    return rows


_SMALL = frozenset(
    ("session.toml", "reduction/bands.parquet", "reduction/summary.json", "trialset/segments.parquet",
     "trialset/segment_engines.parquet")
)  # fmt: skip


def _is_small(path: str) -> bool:
    return path in _SMALL or (path.startswith("raw/notes") and path.endswith(".jsonl"))


class _named:  # noqa: N801  reads as a word where it is used
    """Keep what goes wrong with one session as a sentence, and go on."""

    def __init__(self, faults: list[str]) -> None:
        self._faults = faults

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, _: object) -> bool:
        if isinstance(fault, TrialCaptureError):
            self._faults.append(f"{fault.what}{f' ({clean_text(str(fault.seen)[:200])})' if fault.seen else ''}")
            return True
        # a session from a stranger may find a fault of this program; the others are no part of it
        if isinstance(fault, Exception):
            self._faults.append(f"cannot be read: {type(fault).__name__}: {clean_text(str(fault)[:200])}")
            return True
        return False


def _of_revision(revision: Revision) -> dict[str, Any]:
    return {
        "session_id": revision.session_id,
        "revision": revision.number,
        "root": revision.root,
        "ending": revision.ending,
        "accepted_because": revision.reason or None,
        "added": _time(revision.added),
        "bytes": sum(file.bytes for file in revision.files),
    }


def _read_folder(
    folder: Path, revision: Revision, results: StoredResults | None, rows: dict[str, pa.Table], faults: list[str]
) -> dict[str, Any]:
    """Fill the tables of a session from its small files, and return what its row says of them."""
    row: dict[str, Any] = {}
    session = None
    with _named(faults):
        session = open_session(folder)
        row |= _of_settings(session)
    head = {
        "session_id": revision.session_id,
        "revision": revision.number,
        "version": None if results is None else results.version,
    }
    if session is not None:
        with _named(faults):
            rows["notes"] = _table([head | note for note in _note_rows(session)], NOTES_SCHEMA)
    if results is None:
        return row
    row |= head | {
        "results": results.number,
        "settings_sha256": results.settings_sha256,
        "libraries": ", ".join(f"{n} {v}" for n, v in sorted(results.versions.items()) if n != "trialcapture"),
    }
    for name, schema in (("bands", BANDS_SCHEMA), ("segments", _SEGMENTS), ("segment_engines", SEGMENT_ENGINES_SCHEMA)):
        path = folder / ("reduction" if name == "bands" else "trialset") / f"{name}.parquet"
        if is_plain_file(path):
            with _named(faults):
                rows[name] = _with_head(read_parquet(path, schema), SCHEMAS[name], head)
    row["bands"] = rows["bands"].num_rows
    with _named(faults):
        summary = parse_json(read_whole(folder / "reduction" / "summary.json", MOST_SMALL_BYTES))
        row |= _of_summary(summary)
        rows["manoeuvres"] = _table([head | m for m in _manoeuvre_rows(summary)], MANOEUVRES_SCHEMA)
    return row


def _with_head(table: pa.Table, schema: pa.Schema, head: Mapping[str, Any]) -> pa.Table:
    """Return a table of a session with the columns of the index; one that an older version did not have is null."""
    columns = []
    for field in schema:
        if field.name in head:
            columns.append(pa.array([head[field.name]] * table.num_rows, field.type))
        elif field.name in table.column_names:
            columns.append(table[field.name].cast(field.type))
        else:
            columns.append(pa.nulls(table.num_rows, field.type))
    return pa.table(columns, schema=schema)


def _table(rows: Sequence[Mapping[str, Any]], schema: pa.Schema) -> pa.Table:
    """Return rows as a table; keys that are not there become null."""
    return pa.table([_column([row.get(field.name) for row in rows], field) for field in schema], schema=schema)


def _column(values: Sequence[Any], field: pa.Field) -> pa.Array:
    if pa.types.is_string(field.type):
        texts = (None if v is None else v if isinstance(v, str) else str(v) for v in values)
        return pa.array([t if t is None else t[:_LONGEST_TEXT] for t in texts], field.type)
    if pa.types.is_timestamp(field.type):
        return pa.array(values, pa.int64()).cast(field.type)
    return pa.array(values, field.type)


def _of_settings(session: Session) -> dict[str, Any]:
    config = session.config
    kw = [engine.rated_kw for engine in config.engine]
    return {
        "boat": config.boat.name,
        "title": config.trial.title or None,
        "tested_by": config.trial.tested_by or None,
        "created": _time(session.created),
        "length_m": config.boat.length_m,
        "beam_m": config.boat.beam_m,
        "draught_m": config.boat.draught_m,
        "lightship_kg": config.boat.lightship_kg,
        "planing": config.boat.planing,
        "engines": len(config.engine),
        "rated_rpm": max((float(engine.rated_rpm) for engine in config.engine), default=None),
        "rated_kw_total": sum(k for k in kw if k is not None) if kw and None not in kw else None,
        "fuel_capacity_l": config.fuel.capacity_l,
        "fuel_calibrated": config.fuel.calibration is not None,
    }


def _of_summary(summary: Any) -> dict[str, Any]:
    """Return what a summary says, of whatever version: a key that it lacks, or that is no number, becomes null."""
    at = partial(_at, summary)
    warnings = [w for w in _list(summary, "warnings") if isinstance(w, Mapping)]
    severities = [w.get("severity") for w in warnings]
    missing = at("load", "missing")
    row = {
        "start": _time(at("conditions", "start")),
        "stop": _time(at("conditions", "stop")),
        "place": _word(at("conditions", "place")),
        "displacement_kg": _number(at("load", "displacement_kg")),
        "load_missing": ";".join(map(str, missing)) if isinstance(missing, list) and missing else None,
        "fuel_calibrated": at("fuel", "calibration") is not None,
        "fuel_factor": _number(at("fuel", "calibration", "factor")),
        "fuel_calibration": _word(at("fuel", "calibration", "origin")),
        "top_speed_kn": _number(at("top_speed", "speed_kn")),
        "top_speed_u_kn": _number(at("top_speed", "speed_u_kn")),
        "top_speed_k": _number(at("top_speed", "speed_k")),
        "top_speed_rpm": _number(at("top_speed", "rpm_mean")),
        "fastest_seen_kn": _number(at("fastest_seen", "speed_kn")),
        "tester_cruise_rpm": _number(at("cruise", "rpm")),
        "tester_cruise_speed_kn": _number(at("cruise", "speed_kn")),
        "slowest_planing_kn": _number(at("slowest_planing_speed", "speed_kn")),
        "sea_state": _whole(at("conditions", "sea_state")),
        "water": _word(at("conditions", "water")),
        "warnings_red": severities.count("red"),
        "warnings_yellow": severities.count("yellow"),
        "warning_codes": ";".join(sorted({str(w.get("code")) for w in warnings})) or None,
        "seal": _word(at("seal", "state")),
        "settings": _word(at("seal", "settings")),
    }
    for name in (
        "wind_speed_true_kn_mean", "wind_speed_true_kn_max", "wave_height_m", "depth_m_min", "water_temp_c",
        "air_temp_c",
    ):  # fmt: skip
        row[name] = _number(at("conditions", name))
    for which in ("planing", "displacement", "overall"):
        best = partial(at, f"economy_{which}")
        row[f"best_{which}_band"] = _word(best("band_name"))
        for name in (
            "speed_kn", "speed_u_kn", "fuel_l_per_h", "economy_nm_per_l", "economy_u_nm_per_l", "range_nm",
            "range_u_nm",
        ):  # fmt: skip
            row[f"best_{which}_{name}"] = _number(best(name))
    return row


def _manoeuvre_rows(summary: Any) -> list[dict[str, Any]]:
    found = [
        m
        for measured in _list(summary, "measures")
        for m in _list(measured, "manoeuvres")
        if isinstance(m, Mapping) and _time(m.get("start")) is not None
    ]
    texts = ("kind", "from", "to", "unit", "conditions", "reason", "direction")
    rows: list[dict[str, Any]] = [
        {name: _word(m.get(name)) for name in texts}
        | {"start": _time(m["start"]), "claimed": m.get("claimed") is True}
        | {name: _number(m.get(name)) for name in ("value", "u")}
        for m in found
    ]
    return sorted(rows, key=lambda row: row["start"])


def _note_rows(session: Session) -> list[dict[str, Any]]:
    return [
        {
            "t": None if note.kind == DAMAGED else note.t_ns,
            "kind": note.kind,
            "value": note.value if isinstance(note.value, str) or note.value is None else json.dumps(note.value),
            "value_number": _number(note.value),
            "unit": note.unit or None,
            "where": _word(note.more.get("where")),
            "by": note.by or None,
            "more": json.dumps(
                {key: value for key, value in sorted(note.more.items()) if key != "where"}, ensure_ascii=False
            )
            if note.more.keys() - {"where"}
            else None,
            "file": note.file,
            "line": note.line,
        }
        for note in read_notes(session)
    ]


def _at(value: Any, *keys: str) -> Any:
    for key in keys:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value


def _list(value: Any, key: str) -> list[Any]:
    found = _at(value, key)
    return found if isinstance(found, list) else []


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**31 else None


def _word(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _time(text: Any) -> int | None:
    """Return a time [ns since 1970 UTC]; None where it is none."""
    try:
        stamp = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    if stamp.tzinfo is None or not 1970 <= stamp.year < 2200:
        return None
    since = stamp.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
