"""What former runs made, used again where nothing that it depends on has changed.

After a review, a note or a change of units a session needs no decoding: samples, rejects and segments stay as they
are. They are taken up again only where a hash of everything they are made of (content of the raw files, marks,
settings, versions of program and libraries) was noted by an earlier run of this user, and where the files themselves
still have the hashes noted then. Time stamps are not looked at. The notes of hashes lie in the user's cache folder,
never in the session, each with a code (HMAC, RFC 2104) that a secret key beside them makes: whoever hands a session
over, or edits a kept file together with its hash, cannot make a person's program believe what is in it.

What a desk prepared before anybody asked for results lies apart from them (``ahead``), under a note of its own, until
a run puts it among them.

Reductions and drawings of the same trial are kept in the same way, each under a hash of what it was made of. Of each
list of results that this user's runs wrote the hash is noted, too, so that a list that was edited is found here.

Decoded blocks of a log are kept while it is recorded, for `process` to use again. A block that is whole is decoded
while the recording goes on, exactly as `process` does it, and kept in the work folder of the session: no result, not
sealed, not packed. It is used again only where a hash of everything it is made of was noted by this user: its bytes,
its place, what the lines before it leave open, the settings of its decoder, versions of program and libraries; and
where what is kept still has the hashes noted then. The notes lie in the user's cache folder with a code that only this
user's key makes, so nothing that came with a session is believed.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import pickle
import platform
import secrets
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, is_dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args, get_type_hints

import pyarrow as pa

import trialcapture
from trialcapture.archive.atomic import (
    HeldTables,
    StoredTables,
    read_tables,
    work_folder,
    write_error,
    write_file,
    write_tables,
)
from trialcapture.archive.manifest import hash_file
from trialcapture.archive.result_set import KEPT, RESULTS, ResultSet
from trialcapture.archive.session import Session, can_files
from trialcapture.archive.verify import read_timeline
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.buffers import column_of
from trialcapture.config import Config, config_hash
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.data_health import DataHealth
from trialcapture.system.files import cache_folder, remove_tree, replace_file
from trialcapture.system.session_files import make_folder, read_whole

if TYPE_CHECKING:
    from trialcapture.prepare.clocks.downsampled_index import BlockIndex
    from trialcapture.prepare.trial_alignment import WallOffsets

_RESULTS = "results.pickle"
_TABLES = ("segments", "clocks", "overview", "counts", "rejects")
_LIBRARIES = ("numpy", "scipy", "pyarrow", "matplotlib", "pandas", "openpyxl", "zstandard", "babel", "tzdata")
_MOST_ENTRIES = 2000
"""So many sessions are remembered (our choice: under a megabyte)."""
_MOST_RESULTS = 64
"""So many reductions and drawings of a session are kept, the latest ones (our choice: those of some five looks)."""
_PREPARED = ("trialset/samples.parquet", "trialset/rejects.parquet", KEPT)
"""Files that hold what was prepared."""
_AHEAD = "ahead"
"""Folder, and kind of note, of what was prepared before anybody asked for results."""
_KEY_BYTES = 32
_ANEW = "it is not used, and all is made again from the raw files"
_NOTES = "raw/notes"
_PHOTOS = "raw/photos/"


@dataclass(frozen=True, slots=True)
class PreparedTrial:
    """What the reduction and the report need.

    Attributes:
        segments: As prepared, without the trim settings people noted, before anybody reviewed them.
        clocks: The clocks table.
        overview: A row a second of the samples.
        counts: By source, talker and formatter, sentences good, bad and not decoded, in order.
        rejects: Of what was refused: ``source``, ``reason`` and ``count``, in order.
        warnings: Of reading and preparing, as sentences for people.
        health: What is wrong with the data.
        air: Pressure and temperature of the air, as far as told.
        marks_ns: Marks people made, on UTC [ns since 1970], ascending as they were noted.
        wall_offsets: How far the recording computer's clock was off UTC, for what was noted by it.
    """

    segments: pa.Table
    clocks: pa.Table
    overview: pa.Table
    counts: pa.Table
    rejects: pa.Table
    warnings: list[str]
    health: DataHealth
    air: dict[str, float]
    marks_ns: tuple[int, ...] = ()
    wall_offsets: WallOffsets = ()


def origin_of(
    session: Session, config: Config, marks_ns: Sequence[int], raw: Sequence[Mapping[str, Any]]
) -> dict[str, str]:
    """Return all that samples, rejects and segments of a session are made of; it stands in the metadata of the first.

    Of the notes only marks and, for a CAN log, the begin of the recording have a part in them; photos have none.

    Args:
        session: The session.
        config: Settings as used.
        marks_ns: Marks a person made, by the recording computer's clock [ns since 1970].
        raw: Path and hash of every raw file.
    """
    used = {r["path"]: r["sha256"] for r in raw if not r["path"].startswith((_NOTES, _PHOTOS))}
    origin = {
        "trialcapture_version": trialcapture.__version__,
        "config_sha256": config_hash(config),
        "raw_sha256": json.dumps(used, sort_keys=True),
        "session_id": session.id,
    }
    if marks_ns:
        origin["marks_ns"] = json.dumps(list(marks_ns))
    if can_files(session):
        origin["recording_began_ns"] = str(read_timeline(session.folder).epoch_wall_ns)
    return origin


def has_prepared(session: Session) -> bool:
    """Return True where a former run left something that may be used again."""
    return _ahead_folder(session).is_dir() or (session.folder / KEPT).is_file()


def find_prepared(
    session: Session,
    origin: Mapping[str, str],
    files: ResultSet,
    tell: Callable[[str], None] = lambda _: None,
) -> PreparedTrial | None:
    """Return what a former run prepared from the same origin; None where anything differs.

    What was made ahead goes before what lies beside the results: these may be of other files. It becomes a part of
    the results of this run.

    Args:
        session: The session.
        origin: From `origin_of`.
        files: The results of this run as files.
        tell: Told in a sentence where a kept file, or what was noted of it, was changed since.
    """
    ahead = _ahead_folder(session)
    found = _read_prepared(ahead.joinpath, entry_path(origin, _AHEAD), tell)
    if found is None:
        found = _read_prepared(session.folder.joinpath, entry_path(origin), tell)
        return None if found is None else found[0]
    trial, noted = found
    with suppress(OSError, TrialCaptureError):  # what cannot be moved is made again
        for name in noted["files"]:
            files.take(name, ahead / name)
        _note_prepared(entry_path(origin), noted)
        return trial
    return None


def _read_prepared(
    place: Callable[[str], Path], note: Path, tell: Callable[[str], None]
) -> tuple[PreparedTrial, dict[str, Any]] | None:
    """Return what lies at a place, and what was noted of it; None where it is not as it was noted."""
    try:
        entry = json.loads(note.read_bytes())
        noted = {"files": entry["files"], "places": entry["places"]}
        if not is_ours(noted, entry["code"]):
            tell(f"what was noted of {KEPT} in your cache folder is not as this program wrote it; {_ANEW}")
            return None
        now = _hashes(place)
        changed = [name for name, sha256 in now.items() if entry["files"].get(name) != sha256]
        if changed:
            tell(f"{', '.join(changed)}: changed since the last run; {_ANEW}")
            return None
        places = {name: (int(begin), int(end)) for name, (begin, end) in entry["places"].items()}
        return _trial_of(read_tables(StoredTables(place(KEPT), places))), noted
    except (OSError, ValueError, KeyError, TypeError, AttributeError, TrialCaptureError):
        return None  # nothing was noted, or the note is damaged: all is derived from raw


def keep_prepared(origin: Mapping[str, str], trial: PreparedTrial, files: ResultSet, *, ahead: bool = False) -> None:
    """Keep what was prepared for later runs; call when samples and rejects are written.

    Args:
        origin: From `origin_of`.
        trial: What was prepared.
        files: The results as files, samples and rejects among them.
        ahead: Whether these will be set aside with `set_ahead` and not be put in their places.

    Raises:
        TrialCaptureError: The disk is full.
    """
    kept = files.place(KEPT)
    kept.parent.mkdir(parents=True, exist_ok=True)
    stored = write_tables(kept, _tables_of(trial))
    noted = {"files": _hashes(files.current), "places": stored.places}
    with suppress(OSError, TrialCaptureError):  # without a cache folder nothing is used again
        _note_prepared(entry_path(origin, _AHEAD) if ahead else entry_path(origin), noted)


def _note_prepared(path: Path, noted: Mapping[str, Any]) -> None:
    write_file(path, json.dumps({**noted, "code": code_of(noted)}, indent=1).encode())
    forget_oldest(path.parent)


def set_ahead(session: Session, files: ResultSet) -> None:
    """Set aside what a run prepared, for the run that is asked for the results; nothing takes its place among them.

    Raises:
        TrialCaptureError: The session's folder cannot be written to.
    """
    folder = _ahead_folder(session)
    try:
        for name in sorted({*files.written} & {*_PREPARED}):
            make_folder((folder / name).parent)
            replace_file(files.current(name), folder / name)
    except OSError as fault:
        raise write_error(fault, folder) from fault


def forget_ahead(session: Session) -> None:
    """Remove what was prepared ahead: a run has used it, or it was of other files."""
    remove_tree(_ahead_folder(session))


Made = TypeVar("Made")


class FormerResults:
    """Reductions and drawings of one trial, each under a hash of what it was made of.

    They are read from the session only where the whole file has the hash that an earlier run of this user noted, so
    that unpickling runs no code of somebody else.
    """

    def __init__(self, session: Session, origin: Mapping[str, str]) -> None:
        """Take up what earlier runs left of a trial of this origin."""
        self._path = work_folder(session.folder) / _RESULTS
        self._note = entry_path(origin, "results")
        self._made: dict[str, Any] = {}
        self._has_new = False
        with suppress(OSError, ValueError, KeyError, TypeError, TrialCaptureError):  # nothing noted: all is made anew
            entry = json.loads(self._note.read_bytes())
            noted = {"sha256": entry["sha256"], "bytes": entry["bytes"]}
            if is_ours(noted, entry["code"]):
                data = read_whole(self._path, noted["bytes"])
                if hashlib.sha256(data).hexdigest() == noted["sha256"]:
                    self._made = pickle.loads(data)

    def get(self, make: Callable[..., Made], *given: Any) -> Made:
        """Return ``make(*given)``, of an earlier run where it was given the same.

        Args:
            make: Gives the same result for the same arguments within one trial.
            given: Tables, numbers, texts, and collections and dataclasses of such.
        """
        key = _key_of(make.__qualname__, given)
        if key not in self._made:
            self._has_new = True
            self._made[key] = make(*given)
        self._made[key] = made = self._made.pop(key)  # the latest stand last
        return made  # type: ignore[no-any-return]

    def get_file(self, path: Path, make: Callable[..., bytes], *given: Any) -> bytes:
        """Return ``make(*given)``: a result that an earlier run made of the same, where it is as that run left it.

        Only its hash is kept, since the result itself lies there already.

        Args:
            path: Where an earlier run put the result.
            make: See `get`.
            given: See `get`.
        """
        key = _key_of(make.__qualname__, given)
        size, sha256 = self._made.pop(key, (0, ""))
        data = b""
        with suppress(OSError, TrialCaptureError):
            data = read_whole(path, size) if sha256 else b""
        if not sha256 or hashlib.sha256(data).hexdigest() != sha256:
            self._has_new = True
            data = make(*given)
            size, sha256 = len(data), hashlib.sha256(data).hexdigest()
        self._made[key] = size, sha256
        return data

    def keep(self) -> None:
        """Keep what was made for later runs.

        Raises:
            TrialCaptureError: The disk is full.
        """
        if not self._has_new:
            return
        data = pickle.dumps(dict(list(self._made.items())[-_MOST_RESULTS:]))
        write_file(self._path, data)
        with suppress(OSError, TrialCaptureError):  # without a cache folder nothing is used again
            noted = {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
            write_file(self._note, json.dumps(noted | {"code": code_of(noted)}).encode())
            forget_oldest(self._note.parent)


_MOST_LISTS = 100
"""So many lists of results made of the same files are remembered (our choice)."""


def note_results(folder: Path, session_id: str) -> None:
    """Note that a run of this user made the results that are there now; without a cache folder nothing is noted."""
    with suppress(OSError, ValueError, KeyError, TypeError, TrialCaptureError):
        path, sha256 = _list_entry(folder, session_id)
        known = _noted_lists(path)
        if sha256 not in known:
            noted = {"lists": [*known, sha256][-_MOST_LISTS:]}
            write_file(path, json.dumps(noted | {"code": code_of(noted)}).encode())
            forget_oldest(path.parent)


def were_made_here(folder: Path, session_id: str) -> bool | None:
    """Return whether a run of this user made the results that are there now.

    Returns:
        False where it made others of the same files, settings, units and versions; None where it made none of them.
    """
    try:
        path, sha256 = _list_entry(folder, session_id)
        known = _noted_lists(path)
    except (OSError, ValueError, KeyError, TypeError, TrialCaptureError):
        return None
    return sha256 in known if known else None


def _list_entry(folder: Path, session_id: str) -> tuple[Path, str]:
    """Return where it is noted which lists were made of what the list says it was made of, and the list's hash."""
    data = read_whole(folder / RESULTS, MOST_JSON_BYTES)
    content = parse_json(data)
    made_of = [session_id, *(content[name] for name in ("root", "settings_sha256", "units", "versions"))]
    key = hashlib.sha256(json.dumps(made_of, sort_keys=True).encode()).hexdigest()
    return cache_folder() / "lists" / f"{key}.json", hashlib.sha256(data).hexdigest()


def _noted_lists(path: Path) -> list[str]:
    try:
        entry = json.loads(path.read_bytes())
    except FileNotFoundError:
        return []
    noted = {"lists": entry["lists"]}
    return list(entry["lists"]) if is_ours(noted, entry["code"]) else []


def code_of(noted: Mapping[str, Any]) -> str:
    """Return the code that only who has the key can make for what is noted."""
    return hmac.new(_secret_key(), json.dumps(noted, sort_keys=True).encode(), hashlib.sha256).hexdigest()


def is_ours(noted: Mapping[str, Any], code: Any) -> bool:
    """Return True where a code is that of what is noted."""
    return isinstance(code, str) and hmac.compare_digest(code_of(noted).encode(), code.encode())


def _secret_key() -> bytes:
    """Return the key of this user's notes, made when it is first asked for.

    Raises:
        OSError: There is no cache folder that takes it.
    """
    path = cache_folder() / "key"
    try:
        key = path.read_bytes()
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileExistsError):  # another run has made it meanwhile
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(secrets.token_bytes(_KEY_BYTES))
        key = path.read_bytes()
    if len(key) != _KEY_BYTES:
        raise OSError("the key is damaged")
    return key


def _key_of(name: str, given: Sequence[Any]) -> str:
    digest = hashlib.sha256(name.encode())
    for value in given:
        if isinstance(value, pa.Table):
            stream = pa.BufferOutputStream()
            with pa.ipc.new_stream(stream, value.schema) as file:
                file.write_table(value)
            digest.update(stream.getvalue())
        else:
            digest.update(json.dumps(value, default=_plain).encode() + b"\0")
    return digest.hexdigest()


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {"type": type(value).__qualname__} | {f.name: getattr(value, f.name) for f in fields(value)}
    if isinstance(value, set | frozenset):
        return sorted(value)
    raise TypeError(f"a result cannot be known again by a {type(value).__name__}")


def _ahead_folder(session: Session) -> Path:
    return work_folder(session.folder) / _AHEAD


def made_by(origin: Mapping[str, Any]) -> dict[str, Any]:
    """Return an origin with the program and the libraries that make something of it."""
    return {"origin": dict(origin), "program": _program_hash(), "libraries": _versions()}


def entry_path(origin: Mapping[str, str], of: str = "prepared") -> Path:
    """Return where in the user's cache folder it is noted what was made of an origin."""
    key = hashlib.sha256(json.dumps(made_by(origin), sort_keys=True).encode()).hexdigest()
    return cache_folder() / of / f"{key}.json"


def _hashes(place: Callable[[str], Path]) -> dict[str, str]:
    """Return the hashes of the files that are used again; `place` tells where each is."""
    return {name: hash_file(place(name))[0] for name in _PREPARED}


@cache
def _program_hash() -> str:
    """Return a hash of the program itself: its version does not tell of a line that somebody changed."""
    folder = Path(trialcapture.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


@cache
def _versions() -> dict[str, str]:
    """Return the versions of what results are made with; finding them takes milliseconds, and each block asks."""
    found = {"python": sys.version, "machine": f"{sys.platform} {platform.machine()}"}
    for name in _LIBRARIES:
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


def forget_oldest(folder: Path) -> None:
    """Remove the oldest notes of a folder where there are too many."""
    entries = list(folder.glob("*.json"))
    if len(entries) > _MOST_ENTRIES:
        by_age = sorted(entries, key=lambda path: path.stat().st_mtime)
        for path in by_age[: len(entries) - _MOST_ENTRIES]:
            path.unlink(missing_ok=True)


def _tables_of(trial: PreparedTrial) -> dict[str, pa.Table]:
    facts = json.dumps(
        {"warnings": trial.warnings, "health": asdict(trial.health), "air": trial.air, "marks_ns": trial.marks_ns,
         "wall_offsets": trial.wall_offsets}
    )  # fmt: skip
    return {name: getattr(trial, name) for name in _TABLES} | {
        "facts": pa.table({"json": column_of([facts], pa.string())})
    }


def _trial_of(tables: Mapping[str, pa.Table]) -> PreparedTrial:
    facts = json.loads(tables["facts"]["json"][0].as_py())
    kinds = get_type_hints(DataHealth)
    health = {
        field.name: tuple(get_args(kinds[field.name])[0](**item) for item in facts["health"][field.name])
        for field in fields(DataHealth)
    }
    return PreparedTrial(
        **{name: tables[name] for name in _TABLES},
        warnings=facts["warnings"],
        health=DataHealth(**health),
        air=facts["air"],
        marks_ns=tuple(facts["marks_ns"]),
        wall_offsets=tuple((int(stamp), int(offset)) for stamp, offset in facts["wall_offsets"]),
    )


_LEAST_FREE_BYTES = 2_000_000_000
"""With less free space nothing is kept on the disk: that room is the recorder's (our choice, as for its alarm)."""
_FOLDER = "decoded"


@dataclass(frozen=True, slots=True)
class KeptBlock:
    """One decoded block.

    Attributes:
        tables: Its tables and rejects.
        index: Its outline.
        counts: Its sentences counted.
        decoder: As it stands after the block.
    """

    tables: StoredTables | HeldTables
    index: BlockIndex
    counts: pa.Table
    decoder: Any


class KeptBlocks:
    """Blocks of the logs of one session.

    Args:
        session: The session.
    """

    def __init__(self, session: Session) -> None:
        """Look whether there are any."""
        self._folder = work_folder(session.folder) / _FOLDER
        self.are_there = self._folder.is_dir()
        """Whether anything may have been kept."""
        self._hashes: dict[tuple[str, int], str] = {}

    def hash_ahead(self, name: str, number: int, block: bytes) -> bytes:
        """Return the hash of a block, and note that of what was kept of it for `find`.

        Hashing needs no Python, so it is done beside what does.

        Args:
            name, number: As `find` takes them.
            block: Its bytes.
        """
        with suppress(OSError, TrialCaptureError):  # it was not kept
            self._hashes[name, number] = hash_file(self._paths(name, number)[0])[0]
        return hashlib.sha256(block).digest()

    def key_of(self, state: bytes, first_line: int, block_hash: bytes) -> str:
        """Return the hash of all that a decoded block is made of.

        Args:
            state: Settings of its decoder, and what the lines before leave open.
            first_line: Number of its first line.
            block_hash: SHA-256 of its bytes.
        """
        digest = hashlib.sha256(json.dumps(made_by({"first_line": first_line}), sort_keys=True).encode())
        digest.update(hashlib.sha256(state).digest())
        digest.update(block_hash)
        return digest.hexdigest()

    def find(self, name: str, number: int, key: str) -> KeptBlock | None:
        """Return a block that was kept under a key; None where there is none, or anything of it differs.

        Args:
            name: Its log.
            number: Its number in the log.
            key: From `key_of`.
        """
        tables, more = self._paths(name, number)
        try:
            entry = json.loads(entry_path({"block": key}, _FOLDER).read_bytes())
            noted = {name: entry[name] for name in ("tables", "places", "more", "more_bytes")}
            now = self._hashes.pop((name, number), "") or hash_file(tables)[0]
            if not is_ours(noted, entry["code"]) or now != noted["tables"]:
                return None
            pickled = read_whole(more, noted["more_bytes"])
            if hashlib.sha256(pickled).hexdigest() != noted["more"]:
                return None
            index, counts, decoder = pickle.loads(pickled)  # only what this user's program wrote has these hashes
            places = {table: (int(begin), int(end)) for table, (begin, end) in noted["places"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError, TrialCaptureError):
            return None  # nothing was noted, or the note is damaged: the block is decoded
        return KeptBlock(StoredTables(tables, places), index, counts, decoder)

    def keep(self, name: str, number: int, key: str, block: KeptBlock, tables: Mapping[str, pa.Table]) -> KeptBlock:
        """Keep a block, and return it as it is kept: in memory where the disk has no room to spare.

        Args:
            name, number, key: As `find` takes them.
            block: Index, counts and decoder of it.
            tables: Its tables and rejects.
        """
        place, more = self._paths(name, number)
        try:
            make_folder(self._folder)
            if shutil.disk_usage(self._folder).free < _LEAST_FREE_BYTES:
                return block
            aside = place.with_suffix(".part")
            stored = write_tables(aside, tables)
            aside.replace(place)
            pickled = pickle.dumps((block.index, block.counts, block.decoder))
            write_file(more, pickled)
        except (OSError, TrialCaptureError):
            return block  # what cannot be kept is decoded again
        stored = StoredTables(place, stored.places)
        with suppress(OSError, TrialCaptureError):  # without a cache folder nothing is used again
            noted = {
                "tables": hash_file(place)[0],
                "places": {table: list(of) for table, of in stored.places.items()},
                "more": hashlib.sha256(pickled).hexdigest(),
                "more_bytes": len(pickled),
            }
            path = entry_path({"block": key}, _FOLDER)
            write_file(path, json.dumps(noted | {"code": code_of(noted)}).encode())
            forget_oldest(path.parent)
        return KeptBlock(stored, block.index, block.counts, block.decoder)

    def _paths(self, name: str, number: int) -> tuple[Path, Path]:
        return self._folder / f"{name}-{number}.arrows", self._folder / f"{name}-{number}.pickle"
