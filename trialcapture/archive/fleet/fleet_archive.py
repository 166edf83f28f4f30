"""What the objects of an archive mean: sessions, their revisions, and the results that stand beside each other.

A session is told from others by its id. What was changed since, such as by a note added later, is a further revision;
what was derived anew, such as by another version of the program, is a further set of results of the same revision. The
highest number is the one in force; nothing that was committed is ever changed or removed.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

from trialcapture.archive.atomic import write_error
from trialcapture.archive.fleet.object_store import (
    FolderStore,
    ObjectStore,
    hash_object,
    open_store,
    read_object,
    where,
)
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.result_set import RESULTS
from trialcapture.archive.seal import root_of
from trialcapture.bounded_parsing import parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text
from trialcapture.system.session_files import inside, open_plain, read_whole

SCHEMA_VERSION = 1
MARK = "archive.json"
_KEY = re.compile(r"[a-z0-9-]{12,80}")
_COMMIT = re.compile(r"commits/([a-z0-9-]{12,80})/([0-9]{4,6})(?:-results-([0-9]{4,6}))?\.json")
_FILE = re.compile(r"files/([a-z0-9-]{12,80})/([0-9a-f]{64})")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LONGEST_ID = 200
_MOST_FILES = 100_000
MOST_COMMIT_BYTES = 32 << 20
MOST_SMALL_BYTES = 64 << 20
"""Of a file that is read at once (our choice)."""
_MOST_TRIES = 1000
_OF_SESSION = ("session.toml", "manifest.json", "seal.jsonl", "raw/", "signatures/")
_OF_RESULTS = ("reduction/", "trialset/")

Progress = Callable[[str, float | None], None]


@dataclass(frozen=True, slots=True)
class Revision:
    """A session as it was added, or as it was changed to later.

    Attributes:
        session_id: Its id, as session.toml has it.
        key: Its name in the archive.
        number: Counted from 1; a number may be missing.
        added: When, ISO 8601 UTC, by the clock of the computer that added it.
        root: Root over session.toml and all raw files, as the seal defines it.
        ending: What `verify` said when it was added.
        reason: Why it was added although it is damaged, or does not follow; "" where nobody said so.
        follows: False where an older revision is there and the seal does not go on from it: perhaps another session
            that somebody gave the same id.
        files: Every file of the session, without results.
    """

    session_id: str
    key: str
    number: int
    added: str
    root: str
    ending: str
    reason: str
    follows: bool
    files: tuple[ManifestEntry, ...]

    @property
    def content(self) -> str:
        """The hash over all its files: equal content is the same revision."""
        return root_of(self.files)

    @property
    def may_be_in_force(self) -> bool:
        """False for one that nobody took for the same session."""
        return self.follows or bool(self.reason)


@dataclass(frozen=True, slots=True)
class StoredResults:
    """Results of a revision.

    Attributes:
        session_id, key: The session.
        revision: Of which they are.
        number: Counted from 1 within the revision.
        added: When they were put, ISO 8601 UTC.
        root: Of the files they were made of.
        settings_sha256: Of the settings they were made with.
        versions: Of the program and the libraries that made them, by name.
        files: Every result and the list of their hashes.
    """

    session_id: str
    key: str
    revision: int
    number: int
    added: str
    root: str
    settings_sha256: str
    versions: Mapping[str, str]
    files: tuple[ManifestEntry, ...]

    @property
    def version(self) -> str:
        """Version of the program that made them."""
        return self.versions.get("trialcapture", "unknown")

    @property
    def content(self) -> str:
        """The hash over all files: equal content is the same set."""
        return root_of(self.files)


@dataclass(frozen=True, slots=True)
class StoredSession:
    """What an archive lists of a session; nothing of it has been read yet.

    Attributes:
        key: Its name in the archive.
        revisions: Numbers of its revisions, ascending.
        results: Numbers of the results of each revision, ascending.
    """

    key: str
    revisions: tuple[int, ...]
    results: Mapping[int, tuple[int, ...]]

    @property
    def listed(self) -> str:
        """All numbers as one text, such as ``1:1,2 2:``; it changes with whatever is added."""
        return " ".join(f"{n}:{','.join(map(str, self.results.get(n, ())))}" for n in self.revisions)

    @classmethod
    def parse(cls, key: str, listed: str) -> StoredSession:
        """Return what `listed` says."""
        pairs = [part.partition(":") for part in listed.split()]
        results = {int(n): tuple(int(one) for one in found.split(",") if one) for n, _, found in pairs}
        return cls(key, tuple(results), results)


@dataclass(frozen=True, slots=True)
class Contents:
    """Everything that an archive lists.

    Attributes:
        sessions: By key.
        files: Size of every stored file [bytes] by key and hash; empty where only commits were listed.
        orphans: Commits of results whose revision has no commit.
        strange: Names that no archive has, or what is no regular file, as text for people.
    """

    sessions: Mapping[str, StoredSession]
    files: Mapping[tuple[str, str], int]
    orphans: tuple[str, ...]
    strange: tuple[str, ...]


def key_of(session_id: str) -> str:
    """Return the name of a session in an archive: plain letters of its id, and ten digits of its hash.

    The digits tell ids apart that differ in case or in signs only, and fit any file system.

    Raises:
        TrialCaptureError: The id is empty, long, or holds what is no letter of a line.
    """
    if not 0 < len(session_id) <= _LONGEST_ID or clean_text(session_id) != session_id or not session_id.strip():
        raise TrialCaptureError(
            "a session of such an id is not taken into an archive",
            seen=clean_text(session_id[:80]) or "an empty id",
            where="session.toml, [session] id",
            expected=f"1 to {_LONGEST_ID} characters without control characters; the session may be forged",
        )
    plain = re.sub(r"[^a-z0-9]+", "-", session_id.lower()).strip("-")[:60].strip("-") or "session"
    return f"{plain}-{hashlib.sha256(session_id.encode('utf-8', 'replace')).hexdigest()[:10]}"


# ------------------------------------------------------------------------------
# Opening.
# ------------------------------------------------------------------------------


def open_archive(place: str, *, create: bool = False) -> FleetArchive:
    """Open an archive.

    Args:
        place: A folder, or ``s3://bucket/prefix``.
        create: Make it where nothing is.

    Raises:
        TrialCaptureError: There is no archive, or one of another layout, or the place cannot be reached.
    """
    store = open_store(place)
    data = _head_of(store)
    if data is None and create:
        _refuse_in_use(store)
        store.put_new(MARK, (json.dumps(_HEAD, indent=1) + "\n").encode())
        data = _head_of(store)
    if data is None:
        next(store.names(MARK), None)  # a bucket that is not there is named by the store
        raise TrialCaptureError(
            "there is no archive here",
            where=clean_text(place),
            expected="make one by adding the first session: trialcapture archive add ARCHIVE SESSION",
        )
    try:
        head = parse_json(data)
        version = head["schema_version"] if head["what"] == _HEAD["what"] else None
    except (ValueError, KeyError, TypeError) as fault:
        raise TrialCaptureError(
            "this is no archive, or its first object is damaged", where=where(store, MARK), expected="restore it"
        ) from fault
    if version != SCHEMA_VERSION:
        is_newer = isinstance(version, int) and version > SCHEMA_VERSION
        raise TrialCaptureError(
            "this archive was made by a newer version of the program"
            if is_newer
            else "this archive has another layout",
            seen=f"schema_version {clean_text(str(version)[:20])}",
            where=where(store, MARK),
            expected=f"update the program: this version reads schema_version {SCHEMA_VERSION}"
            if is_newer
            else f"an archive of schema_version {SCHEMA_VERSION}; restore its first object from a copy",
        )
    if create and store.put_new(MARK, data):
        raise TrialCaptureError(
            "this store puts an object over one that is there although it was asked not to",
            seen="If-None-Match is not heeded",
            where=clean_text(place),
            expected="a server that knows conditional puts; without them two programs could overwrite each other",
        )
    return FleetArchive(store)


_HEAD = {
    "what": "trialcapture archive",
    "schema_version": SCHEMA_VERSION,
    "layout": "commits/<key>/<number>.json name files/<key>/<sha256>; a revision of a session is put together from "
    "them by the paths that its commit gives",
}


def _head_of(store: ObjectStore) -> bytes | None:
    try:
        return read_object(store, MARK, MOST_COMMIT_BYTES)
    except FileNotFoundError:
        return None


def _refuse_in_use(store: ObjectStore) -> None:
    first = next(iter(store.names("")), None)
    if first is not None:
        raise TrialCaptureError(
            "an archive needs a place of its own",
            seen=clean_text(first[0][:80]),
            where=clean_text(store.place),
            expected="give an empty folder or a prefix that nothing uses",
        )


class FleetArchive:
    """An open archive.

    Attributes:
        store: Where its objects are.
    """

    def __init__(self, store: ObjectStore) -> None:
        self.store = store

    @property
    def place(self) -> str:
        """As a person named it; opens the same archive again, in another process too."""
        return self.store.place

    # -------- listing

    def contents(self, *, with_files: bool = False, key: str | None = None) -> Contents:
        """List the sessions; nothing is read.

        Args:
            with_files: List every stored file too.
            key: List this session alone.
        """
        revisions: dict[str, set[int]] = {}
        results: dict[str, dict[int, list[int]]] = {}
        files: dict[tuple[str, str], int] = {}
        strange: list[str] = []
        prefix = "" if with_files else "commits/" if key is None else f"commits/{key}/"
        for name, size in self.store.names(prefix):
            commit, file = _COMMIT.fullmatch(name), _FILE.fullmatch(name)
            if size < 0:
                strange.append(f"{clean_text(name[:200])}: is no regular file")
            elif commit is not None and commit[3] is None:
                revisions.setdefault(commit[1], set()).add(int(commit[2]))
            elif commit is not None:
                results.setdefault(commit[1], {}).setdefault(int(commit[2]), []).append(int(commit[3]))
            elif file is not None:
                files[file[1], file[2]] = size
            elif name != MARK and not name.startswith("index/"):
                strange.append(f"{clean_text(name[:200])}: is no part of an archive")
        sessions = {
            key: StoredSession(
                key,
                tuple(sorted(revisions[key])),
                {n: tuple(sorted(found)) for n, found in results.get(key, {}).items() if n in revisions[key]},
            )
            for key in sorted(revisions)
        }
        orphans = [
            _results_name(key, revision, number)
            for key, of in results.items()
            for revision, found in of.items()
            for number in found
            if revision not in revisions.get(key, ())
        ]
        return Contents(sessions, files, tuple(sorted(orphans)), tuple(sorted(strange)))

    def find(self, name: str) -> StoredSession:
        """Return the session of an id, a key, or the only one whose id or key begins so.

        Raises:
            TrialCaptureError: There is none, or there are several.
        """
        for key in (name, key_of(name)):
            # a large archive takes long to list, and the whole name needs no list of the others
            if _KEY.fullmatch(key) and (session := self.contents(key=key).sessions.get(key)) is not None:
                return session
        begun = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
        found = [session for key, session in self.contents().sessions.items() if begun and key.startswith(begun)]
        if len(found) != 1:
            raise TrialCaptureError(
                "the archive holds no such session" if not found else "several sessions of the archive begin so",
                seen=clean_text(name[:80]),
                where=clean_text(self.place),
                expected="an id as 'trialcapture archive list' prints it"
                if not found
                else ", ".join(session.key for session in found[:5]),
            )
        return found[0]

    def is_same(self, other: FleetArchive) -> bool:
        """Return whether another archive is this one, or one of them lies in the other."""
        if isinstance(self.store, FolderStore) and isinstance(other.store, FolderStore):
            mine, theirs = self.store.path_of("").resolve(), other.store.path_of("").resolve()
            return mine == theirs or mine in theirs.parents or theirs in mine.parents
        own, its = f"{self.place}/", f"{other.place}/"
        return own.startswith(its) or its.startswith(own)

    # -------- reading

    def revision(self, session: StoredSession, number: int | None = None) -> Revision:
        """Return a revision: of the number given, else the one in force, which is the latest that follows the others.

        Raises:
            TrialCaptureError: It is not there, cannot be read, or is damaged or forged.
        """
        if number is not None and number not in session.revisions:
            raise TrialCaptureError(
                "the archive holds no such revision of this session",
                seen=number,
                where=session.key,
                expected=", ".join(map(str, session.revisions)),
            )
        if number is not None or len(session.revisions) == 1:
            return self.read_revision(session.key, session.revisions[0] if number is None else number)
        found = [self.read_revision(session.key, number) for number in reversed(session.revisions)]
        return next((one for one in found if one.may_be_in_force), found[-1])

    def results(self, session: StoredSession, revision: int) -> tuple[StoredResults, ...]:
        """Return all results of a revision, the ones in force last.

        Raises:
            TrialCaptureError: One cannot be read, or is damaged or forged.
        """
        return tuple(self.read_results(session.key, revision, n) for n in session.results.get(revision, ()))

    def read_revision(self, key: str, number: int) -> Revision:
        """Return a revision by key and number; raises as `revision`."""
        name = _revision_name(key, number)
        with _damage_named(self.store, name):
            entry = self._commit(name)
            found = Revision(
                session_id=_text(entry["session_id"]),
                key=key,
                number=number,
                added=_text(entry["added"])[:40],
                root=_hash(entry["root"]),
                ending=_text(entry["ending"])[:60],
                reason=_text(entry["reason"])[:1000],
                follows=entry["follows"] is True,
                files=_files(entry["files"], _OF_SESSION),
            )
            if key_of(found.session_id) != key or "session.toml" not in {file.path for file in found.files}:
                raise ValueError("it is that of another session")
        return found

    def read_results(self, key: str, revision: int, number: int) -> StoredResults:
        """Return a set of results by key and numbers; raises as `results`."""
        name = _results_name(key, revision, number)
        with _damage_named(self.store, name):
            entry = self._commit(name)
            found = StoredResults(
                session_id=_text(entry["session_id"]),
                key=key,
                revision=revision,
                number=number,
                added=_text(entry["added"])[:40],
                root=_hash(entry["root"]),
                settings_sha256=_text(entry["settings_sha256"])[:64],
                versions={_text(k)[:40]: _text(v)[:40] for k, v in list(entry["versions"].items())[:20]},
                files=_files(entry["files"], _OF_RESULTS),
            )
            if key_of(found.session_id) != key:
                raise ValueError("it is that of another session")
        return found

    def _commit(self, name: str) -> dict[str, Any]:
        return self._checked(read_object(self.store, name, MOST_COMMIT_BYTES))

    @staticmethod
    def _checked(data: bytes) -> dict[str, Any]:
        entry: dict[str, Any] = parse_json(data)
        version = entry["schema_version"]
        if isinstance(version, int) and version > SCHEMA_VERSION:
            raise _NewerCommitError(f"schema_version {str(version)[:20]}")
        if version != SCHEMA_VERSION:
            raise ValueError(f"schema_version {str(version)[:20]}")
        body = {name: value for name, value in entry.items() if name != "self"}
        if entry["self"] != _own_hash(body):
            raise ValueError("its own hash does not fit it")
        return body

    def is_commit(self, data: bytes) -> bool:
        """Return whether the content of an object is a whole commit, or may be one of a newer version."""
        try:
            self._checked(data)
        except _NewerCommitError:
            return True
        except (ValueError, KeyError, TypeError, AttributeError):
            return False
        return True

    def read_file(self, of: Revision | StoredResults, path: str, most_bytes: int = MOST_SMALL_BYTES) -> bytes | None:
        """Return the content of a small file of a revision or a set of results, its hash checked; None without one.

        Raises:
            TrialCaptureError: It is too large, missing from the archive, or not as its hash says.
        """
        entry = next((file for file in of.files if file.path == path), None)
        if entry is None:
            return None
        name = file_name(of.key, entry.sha256)
        try:
            data = read_object(self.store, name, min(entry.bytes, most_bytes))
        except FileNotFoundError:
            raise _lost(self.store, of, entry, "is missing") from None
        if hashlib.sha256(data).hexdigest() != entry.sha256:
            raise _lost(self.store, of, entry, "is not as its hash says")
        return data

    def fetch(
        self,
        revision: Revision,
        into: Path,
        results: StoredResults | None = None,
        *,
        wanted: Callable[[str], bool] = lambda _path: True,
        progress: Progress | None = None,
    ) -> Path:
        """Put a session together in a new folder, every file checked by its hash.

        Args:
            revision: Of the session.
            into: The folder to make; it must not exist yet. It is complete or absent.
            results: To lay beside the raw files; none unless given.
            wanted: Says of a path whether it is fetched; all are unless told otherwise.
            progress: Called with the step and how far it is.

        Returns:
            The folder.

        Raises:
            TrialCaptureError: A file is missing or damaged, or the disk is full.
        """
        if into.exists() or into.is_symlink():
            raise TrialCaptureError(
                "a session is fetched into a folder of its own",
                seen="a file or folder of that name",
                where=str(into),
                expected="give a name that does not exist yet",
            )
        staging = into.with_name(f".{into.name}.fetching")
        sources: list[Revision | StoredResults] = [revision] if results is None else [revision, results]
        files = [(of, file) for of in sources for file in of.files if wanted(file.path)]
        total, done = sum(file.bytes for _, file in files) or 1, 0
        try:
            shutil.rmtree(staging, ignore_errors=True)
            staging.mkdir(parents=True)
            for of, file in files:
                self._fetch_file(of, file, inside(staging, file.path))
                done += file.bytes
                if progress is not None:
                    progress(f"fetching {revision.session_id}", min(done / total, 1.0))
            staging.rename(into)
        except OSError as fault:
            raise write_error(fault, into, total) from fault
        finally:
            shutil.rmtree(staging, ignore_errors=True)
        return into

    def _fetch_file(self, of: Revision | StoredResults, entry: ManifestEntry, target: Path) -> None:
        digest, left = hashlib.sha256(), entry.bytes
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with self.store.open(file_name(of.key, entry.sha256)) as source, target.open("xb") as file:
                while left and (part := source.read(min(1 << 20, left))):
                    digest.update(part)
                    file.write(part)
                    left -= len(part)
                if left or digest.hexdigest() != entry.sha256 or source.read(1):
                    raise _lost(self.store, of, entry, "is not as its hash says")
        except FileNotFoundError:
            raise _lost(self.store, of, entry, "is missing") from None

    # -------- writing

    def put_files(
        self, key: str, folder: Path, entries: Iterable[ManifestEntry], *, progress: Callable[[int], None] | None = None
    ) -> int:
        """Store files of a session's folder that are not stored yet; what is there already is read and hashed.

        Returns:
            How many bytes were written.

        Raises:
            TrialCaptureError: A file changed meanwhile, cannot be read, or the store does not take it.
        """
        written = 0
        for entry in entries:
            name = file_name(key, entry.sha256)
            if not self.is_whole(name, entry):
                self.store.put(name, partial(open_plain, inside(folder, entry.path)), entry.sha256, entry.bytes)
                written += entry.bytes
            if progress is not None:
                progress(entry.bytes)
        return written

    def is_whole(self, name: str, entry: ManifestEntry) -> bool:
        """Return whether an object is there and has the content of an entry."""
        if self.store.size(name) != entry.bytes:
            return False
        try:
            return hash_object(self.store, name, entry.bytes) == (entry.sha256, entry.bytes)
        except FileNotFoundError:
            return False

    def commit_revision(self, revision: Revision, follows: Callable[[Revision], bool]) -> tuple[Revision, bool]:
        """Commit a revision whose files are stored, at the next free number from its own on.

        Args:
            revision: What is to be committed.
            follows: Says whether it goes on from another one, which somebody has committed meanwhile.

        Returns:
            The revision as it stands in the archive, and False where another program has committed the same meanwhile.
        """
        for number in range(revision.number, revision.number + _MOST_TRIES):
            if self._put_commit(_revision_name(revision.key, number), _without(revision, "key", "number")):
                return self.read_revision(revision.key, number), True
            try:
                there = self.read_revision(revision.key, number)
            except TrialCaptureError:  # torn or damaged: its number stays its own
                continue
            if there.content == revision.content:
                return there, False
            if there.may_be_in_force:
                revision = replace(revision, follows=follows(there))
        raise self._no_number()

    def replace_commit(self, name: str, data: bytes) -> None:
        """Put a commit in place of one that is damaged or missing."""
        if not self.is_commit(data):
            raise TrialCaptureError("this is no commit of an archive", where=where(self.store, name))
        self.store.put(name, partial(BytesIO, data), hashlib.sha256(data).hexdigest(), len(data))

    def put_results(self, revision: Revision, folder: Path, *, t: str) -> tuple[StoredResults, bool]:
        """Store the results that a session's folder holds beside those that are there.

        Where equal ones are there already, files of these that are missing or damaged are put in place again.

        Args:
            revision: Of which they are.
            folder: The session's folder, processed; its ``reduction/results.json`` names and hashes the results.
            t: Now, ISO 8601 UTC.

        Returns:
            The results as they stand in the archive, and whether they are new there.

        Raises:
            TrialCaptureError: There are none, they were made of other files than the revision's, or edited.
        """
        made = read_made(folder)
        if made.root != revision.root:
            raise TrialCaptureError(
                "these results were made of other files than those of the session, and are not stored",
                seen=f"root {made.root[:20]}…",
                where=clean_text(str(folder)),
                expected=f"root {revision.root[:20]}…: process the session again",
            )
        former = self._results_numbers(revision)
        for number in former:
            if self._has_results(revision, number, made):
                self.put_files(revision.key, folder, made.files)
                return self.read_results(revision.key, revision.number, number), False
        self.put_files(revision.key, folder, made.files)
        entry = {
            **_without(made, "key", "number", "revision"), "session_id": revision.session_id, "added": t,
        }  # fmt: skip
        start = max(former, default=0) + 1
        for number in range(start, start + _MOST_TRIES):
            if self._put_commit(_results_name(revision.key, revision.number, number), entry):
                return self.read_results(revision.key, revision.number, number), True
            if self._has_results(revision, number, made):
                return self.read_results(revision.key, revision.number, number), False
        raise self._no_number()

    def _has_results(self, revision: Revision, number: int, made: StoredResults) -> bool:
        try:
            return self.read_results(revision.key, revision.number, number).content == made.content
        except TrialCaptureError:  # damaged: its number stays its own
            return False

    def _no_number(self) -> TrialCaptureError:
        return TrialCaptureError(
            "no free number was found for a commit",
            seen=f"{_MOST_TRIES} that cannot be read",
            where=clean_text(self.place),
            expected="run 'trialcapture archive verify' on the archive",
        )

    def _results_numbers(self, revision: Revision) -> list[int]:
        prefix = f"commits/{revision.key}/{revision.number:04d}-results-"
        found = (_COMMIT.fullmatch(name) for name, _ in self.store.names(prefix))
        return sorted(int(match[3]) for match in found if match is not None and match[3])

    def _put_commit(self, name: str, entry: Mapping[str, Any]) -> bool:
        body = {"schema_version": SCHEMA_VERSION, **entry}
        whole = {**body, "self": _own_hash(body)}
        return self.store.put_new(name, (json.dumps(whole, indent=1, ensure_ascii=True) + "\n").encode())


def read_made(folder: Path, needed: Sequence[str] | None = None) -> StoredResults:
    """Return what a session's folder says of its results, their hashes checked; numbers, key and time are left open.

    Args:
        folder: The session.
        needed: Results to check, each of which must be listed; all that are listed unless given.

    Raises:
        TrialCaptureError: The session was not processed, or a result was edited or is missing.
    """
    try:
        data = read_whole(folder / RESULTS, MOST_COMMIT_BYTES)
    except FileNotFoundError:
        raise TrialCaptureError(
            "this session has no results",
            seen=f"no {RESULTS}",
            where=clean_text(str(folder)),
            expected="process it first: trialcapture process SESSION",
        ) from None
    made = parse_made(data)
    listed = {entry.path: (entry.sha256, entry.bytes) for entry in made.files}
    for path in listed if needed is None else needed:
        try:
            is_same = hash_file(inside(folder, path)) == listed.get(path)
        except FileNotFoundError:
            is_same = False
        if not is_same:
            raise TrialCaptureError(
                "a result was edited after processing, or is missing",
                seen=path,
                where=clean_text(str(folder)),
                expected="process the session again",
            )
    return made


def parse_made(data: bytes) -> StoredResults:
    """Return what ``reduction/results.json`` says of results; numbers, key and time are left open.

    Raises:
        TrialCaptureError: It is damaged.
    """
    try:
        content = parse_json(data)
        own = {"path": RESULTS, "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        files = _files([*content["files"], own], _OF_RESULTS)
        root, settings = _hash(content["root"]), _text(content["settings_sha256"])
        versions = {_text(name): _text(value) for name, value in content["versions"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise TrialCaptureError(
            "the list of results is damaged",
            seen=clean_text(str(fault)[:200]),
            where=RESULTS,
            expected="process the session again",
        ) from fault
    return StoredResults("", "", 0, 0, "", root, settings, versions, files)


def commit_names(stored: StoredSession) -> list[tuple[str, int, int | None]]:
    """Return name, revision and number of results (None for the revision itself) of every commit of a session."""
    found: list[tuple[str, int, int | None]] = []
    for revision in stored.revisions:
        found.append((_revision_name(stored.key, revision), revision, None))
        found += [(_results_name(stored.key, revision, n), revision, n) for n in stored.results.get(revision, ())]
    return found


def file_name(key: str, sha256: str) -> str:
    """Return the name of a stored file."""
    return f"files/{key}/{sha256}"


def _revision_name(key: str, number: int) -> str:
    return f"commits/{key}/{number:04d}.json"


def _results_name(key: str, revision: int, number: int) -> str:
    return f"commits/{key}/{revision:04d}-results-{number:04d}.json"


def _own_hash(body: Mapping[str, Any]) -> str:
    text = json.dumps(body, ensure_ascii=True, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _without(entry: Revision | StoredResults, *names: str) -> dict[str, Any]:
    return {name: value for name, value in asdict(entry).items() if name not in names}


# ------------------------------------------------------------------------------
# Commits come from strangers.
# ------------------------------------------------------------------------------


class _NewerCommitError(ValueError):
    """A commit of a layout that this version does not know."""


class _damage_named:  # noqa: N801  reads as a word where it is used
    """Say of a commit that cannot be read what is wrong with it."""

    def __init__(self, store: ObjectStore, name: str) -> None:
        self._where = where(store, name)

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, _: object) -> None:
        if isinstance(fault, FileNotFoundError):
            raise TrialCaptureError(
                "the archive holds no such revision or results", where=self._where, expected="see 'archive list'"
            ) from None
        if isinstance(fault, _NewerCommitError):
            raise TrialCaptureError(
                "a commit of the archive was written by a newer version of the program",
                seen=str(fault),
                where=self._where,
                expected=f"update the program: this version reads schema_version {SCHEMA_VERSION}",
            ) from fault
        if isinstance(fault, ValueError | KeyError | TypeError | AttributeError | RecursionError):
            raise TrialCaptureError(
                "a commit of the archive is damaged, forged, or was cut short",
                seen=clean_text(str(fault)[:200]) or type(fault).__name__,
                where=self._where,
                expected="restore it from the second copy: trialcapture archive mirror SECOND ARCHIVE; or add again",
            ) from fault


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("text is wanted")
    value.encode()  # half of an escaped pair is no character
    return value


def _hash(value: Any) -> str:
    if not isinstance(value, str) or not _SHA256.fullmatch(value):
        raise ValueError("a hash is wanted")
    return value


def _files(entries: Any, allowed: Sequence[str]) -> tuple[ManifestEntry, ...]:
    """Return the files of a commit, if together they can be a session and nothing else."""
    if not isinstance(entries, list) or len(entries) > _MOST_FILES:
        raise ValueError(f"at most {_MOST_FILES} files are wanted")
    found: dict[str, ManifestEntry] = {}
    folders: set[str] = set()
    for entry in entries:
        path, size = _text(entry["path"]), entry["bytes"]
        if not isinstance(size, int) or isinstance(size, bool) or size < 0:
            raise TypeError("a size is wanted")
        if not any(path == place or (place.endswith("/") and path.startswith(place)) for place in allowed):
            raise ValueError(f"{path[:80]} is no part of a session")
        try:
            inside(Path(), path)
        except TrialCaptureError:
            raise ValueError(f"{path[:80]} leads out of a session") from None
        lower = path.casefold()
        if lower in found:
            raise ValueError(f"{path[:80]} stands there twice")
        found[lower] = ManifestEntry(path, _hash(entry["sha256"]), size)
        parts = lower.split("/")
        folders |= {"/".join(parts[:depth]) for depth in range(1, len(parts))}
    if folders & found.keys():
        raise ValueError("a file stands in place of a folder")
    return tuple(found[path] for path in sorted(found))


def _lost(store: ObjectStore, of: Revision | StoredResults, entry: ManifestEntry, what: str) -> TrialCaptureError:
    return TrialCaptureError(
        f"a stored file {what}",
        seen=f"{entry.path} of {of.session_id}",
        where=where(store, file_name(of.key, entry.sha256)),
        expected="repair the archive from its second copy: trialcapture archive mirror SECOND ARCHIVE",
    )
