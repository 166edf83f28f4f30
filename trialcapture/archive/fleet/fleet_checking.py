"""``archive verify`` and ``archive mirror``: find what is damaged or missing, and put it right from a second copy.

Every file is read and compared with the hash that is its name, every commit with its own hash, every seal with the
files that its revision has, every list of results with the results. Nothing is changed by verifying.

A mirror copies what the second archive lacks. Where an object is damaged in one of the two, or missing there although a
commit names it, the good one of the other takes its place, in either direction. An object is written only from one that
was found good, in a place where no good one is; where both are good and differ, neither is touched and both are named.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Literal

from trialcapture.archive.fleet.fleet_archive import (
    MOST_COMMIT_BYTES,
    Contents,
    FleetArchive,
    Progress,
    Revision,
    StoredResults,
    StoredSession,
    commit_names,
    file_name,
    open_archive,
    parse_made,
)
from trialcapture.archive.fleet.fleet_index import known_sessions, read_state
from trialcapture.archive.fleet.object_store import hash_object, open_store, read_object
from trialcapture.archive.manifest import ManifestEntry
from trialcapture.archive.result_set import RESULTS
from trialcapture.archive.seal import NAME, SESSION, parse_chain, root_of
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text

FaultKind = Literal["missing", "damaged", "differs"]


@dataclass(frozen=True, slots=True)
class ArchiveFault:
    """One thing of an archive that is not as it was committed.

    Attributes:
        session: Id of the session, or its key where the id cannot be read; "" where it is of none.
        object: Name of the object.
        kind: What happened to it.
        text: What is wrong, as a sentence without the object's name.
    """

    session: str
    object: str
    kind: FaultKind
    text: str

    def __str__(self) -> str:
        """Say session, object and fault in one line."""
        return f"{self.session + ': ' if self.session else ''}{self.text} ({self.object})"


@dataclass(frozen=True, slots=True)
class ArchiveVerification:
    """What an archive is worth.

    Attributes:
        sessions, revisions, results: How many were checked.
        files, bytes: Stored files that were read, and their size.
        seals: Revisions that have a seal, each compared with its files.
        faults: What is damaged or missing.
        remarks: What is no damage and worth knowing.
    """

    sessions: int
    revisions: int
    results: int
    files: int
    bytes: int
    seals: int
    faults: tuple[ArchiveFault, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _OfSession:
    """What checking one session found."""

    revisions: int = 0
    results: int = 0
    files: int = 0
    bytes: int = 0
    seals: int = 0
    unnamed: int = 0
    unnamed_bytes: int = 0
    faults: tuple[ArchiveFault, ...] = ()
    remarks: tuple[str, ...] = ()


def workers_or_default(workers: int | None) -> int:
    """Return how many threads read at once: those asked for, else twice the processors, eight at most (our choice)."""
    return workers or min(8, 2 * (os.cpu_count() or 1))


def verify_archive(
    archive: FleetArchive, *, workers: int | None = None, progress: Progress = lambda _step, _share: None
) -> ArchiveVerification:
    """Check every object of an archive, several sessions at a time; nothing is changed.

    Args:
        archive: The archive.
        workers: Threads; see `workers_or_default`.
        progress: Called with the step and how far it is.

    Raises:
        TrialCaptureError: The archive cannot be listed.
    """
    progress("listing the archive", None)
    contents = archive.contents(with_files=True)
    found: list[_OfSession] = []
    keys = sorted({*contents.sessions, *(key for key, _ in contents.files)})
    with ThreadPoolExecutor(workers_or_default(workers)) as pool:
        for one in pool.map(partial(_verify_session, archive, contents), keys):
            found.append(one)
            progress("reading sessions", len(found) / len(keys))
    faults = [fault for one in found for fault in one.faults]
    remarks = [remark for one in found for remark in one.remarks]
    faults += _index_faults(archive, contents)
    faults += [
        ArchiveFault("", name, "missing", "the revision that it belongs to is gone") for name in contents.orphans
    ]
    faults += [ArchiveFault("", *_parted(text)) for text in contents.strange if text.endswith("no regular file")]
    remarks += [text for text in contents.strange if not text.endswith("no regular file")]
    if unnamed := sum(one.unnamed for one in found):
        size = sum(one.unnamed_bytes for one in found)
        remarks.append(
            f"{unnamed} stored files ({size} bytes) are named by no commit that can be read: "
            "of adds that were cut short, or of commits named as faults"
        )
    return ArchiveVerification(
        sessions=len(contents.sessions),
        revisions=sum(one.revisions for one in found),
        results=sum(one.results for one in found),
        files=sum(one.files for one in found),
        bytes=sum(one.bytes for one in found),
        seals=sum(one.seals for one in found),
        faults=tuple(faults),
        remarks=tuple(remarks),
    )


def _parted(text: str) -> tuple[str, FaultKind, str]:
    name, _, what = text.rpartition(": ")
    return name, "damaged", what


def _verify_session(archive: FleetArchive, contents: Contents, key: str) -> _OfSession:
    faults: list[ArchiveFault] = []
    remarks: list[str] = []
    stored = contents.sessions.get(key)
    of, label = _read_commits(archive, stored, faults) if stored is not None else ([], key)
    wanted = {entry.sha256: entry for one in of for entry in one.files}
    good: set[str] = set()
    size = 0
    for sha256, entry in sorted(wanted.items()):
        name = file_name(key, sha256)
        listed = contents.files.get((key, sha256))
        try:
            state = "missing" if listed is None else _file_state(archive, name, entry)
        except TrialCaptureError as fault:
            faults.append(ArchiveFault(label, name, "damaged", f"{_paths(of, sha256)} cannot be read: {fault.seen}"))
            continue
        if state == "good":
            good.add(sha256)
            size += entry.bytes
        else:
            what = "is missing" if state == "missing" else "is not as its hash says"
            faults.append(ArchiveFault(label, name, state, f"{_paths(of, sha256)} {what}"))
    seals = 0
    for one in of:
        small = {e.path: e for e in one.files if e.sha256 in good and e.bytes <= MOST_COMMIT_BYTES}
        if isinstance(one, Revision):
            seals += NAME in small
            faults += _seal_faults(archive, one, small, label)
            if not one.follows:
                remarks.append(f"{label}: revision {one.number} does not follow the one before it by its seal")
            if one.reason:
                remarks.append(f"{label}: revision {one.number} was added all the same: {one.reason}")
        else:
            faults += _result_faults(archive, one, small, label)
    unnamed = {sha256: n for (of_key, sha256), n in contents.files.items() if of_key == key and sha256 not in wanted}
    for sha256, length in sorted(unnamed.items()):
        with suppress(TrialCaptureError):
            if _file_state(archive, file_name(key, sha256), ManifestEntry("", sha256, length)) == "good":
                continue
        text = "a stored file that no commit names is not as its hash says"
        faults.append(ArchiveFault(label, file_name(key, sha256), "damaged", text))
    return _OfSession(
        revisions=sum(isinstance(one, Revision) for one in of),
        results=sum(isinstance(one, StoredResults) for one in of),
        files=len(good),
        bytes=size,
        seals=seals,
        unnamed=len(unnamed),
        unnamed_bytes=sum(unnamed.values()),
        faults=tuple(faults),
        remarks=tuple(remarks),
    )


def _read_commits(
    archive: FleetArchive, stored: StoredSession, faults: list[ArchiveFault]
) -> tuple[list[Revision | StoredResults], str]:
    """Return every commit of a session that can be read, and the session's id, or its key."""
    found: list[Revision | StoredResults] = []
    unread: list[tuple[str, str]] = []
    for name, read in _commits(archive, stored):
        try:
            found.append(read())
        except TrialCaptureError as fault:
            unread.append((name, f"{fault.what} ({fault.seen})" if fault.seen else fault.what))
    label = found[0].session_id if found else stored.key
    faults += [ArchiveFault(label, name, "damaged", text) for name, text in unread]
    return found, label


def _commits(
    archive: FleetArchive, stored: StoredSession
) -> Iterable[tuple[str, Callable[[], Revision | StoredResults]]]:
    for name, revision, results in commit_names(stored):
        if results is None:
            yield name, partial(archive.read_revision, stored.key, revision)
        else:
            yield name, partial(archive.read_results, stored.key, revision, results)


def _paths(of: Sequence[Revision | StoredResults], sha256: str) -> str:
    """Return what a stored file is in the session: the first of its paths, and in which revisions."""
    named = [(entry.path, one) for one in of for entry in one.files if entry.sha256 == sha256]
    first = named[0][0]
    more = f" and {len({path for path, _ in named}) - 1} more" if len({path for path, _ in named}) > 1 else ""
    numbers = sorted({one.number if isinstance(one, Revision) else one.revision for _, one in named})
    return f"{first}{more} of revision {', '.join(map(str, numbers))}"


def _file_state(archive: FleetArchive, name: str, entry: ManifestEntry) -> Literal["good", "missing", "damaged"]:
    try:
        found = hash_object(archive.store, name, entry.bytes)
    except FileNotFoundError:
        return "missing"
    return "good" if found == (entry.sha256, entry.bytes) else "damaged"


def _seal_faults(
    archive: FleetArchive, revision: Revision, small: Mapping[str, ManifestEntry], label: str
) -> list[ArchiveFault]:
    """Compare the root of a revision, and its seal, with the files that its commit names."""
    name = f"revision {revision.number}"
    raw = {
        unicodedata.normalize("NFC", e.path): ManifestEntry(unicodedata.normalize("NFC", e.path), e.sha256, e.bytes)
        for e in revision.files
        if e.path == SESSION or e.path.startswith("raw/")
    }
    faults = []
    if root_of(raw.values()) != revision.root:
        faults.append(ArchiveFault(label, name, "damaged", "its root does not follow from its files"))
    if NAME not in small or revision.reason:  # what was wrong with it then is what it was accepted with
        return faults
    data = archive.read_file(revision, NAME)
    chain = parse_chain(data or b"")
    faults += [ArchiveFault(label, f"{name}, {change.path}", "damaged", change.text) for change in chain.faults]
    for path, entry in sorted(chain.sealed.items()):
        there = raw.get(path)
        if there is None:
            faults.append(
                ArchiveFault(label, f"{name}, {path}", "missing", "what the seal lists is not in the revision")
            )
        elif there != entry and revision.ending == "sound":
            faults.append(ArchiveFault(label, f"{name}, {path}", "damaged", "a file is not as the seal says"))
    return faults


def _result_faults(
    archive: FleetArchive, results: StoredResults, small: Mapping[str, ManifestEntry], label: str
) -> list[ArchiveFault]:
    """Compare a set of results with the list of hashes that was made with it."""
    name = f"revision {results.revision}, results {results.number}"
    if RESULTS not in small:
        return []
    data = archive.read_file(results, RESULTS)
    try:
        made = parse_made(data or b"")
    except TrialCaptureError as fault:
        return [ArchiveFault(label, name, "damaged", f"{fault.what} ({fault.seen})")]
    if (made.files, made.root, made.versions) != (results.files, results.root, results.versions):
        return [ArchiveFault(label, name, "damaged", f"its commit does not say what {RESULTS} says")]
    return []


_OLD_INDEX = "a file of the index is not as it was made: index again"


def _index_faults(archive: FleetArchive, contents: Contents) -> list[ArchiveFault]:
    """Check the index, and by it whether a commit is gone that was there once."""
    try:
        state = read_state(archive)
        if state is None:
            return []
        faults = [
            ArchiveFault(
                "",
                f"index/{state.generation}/{entry.path}",
                "damaged",
                _OLD_INDEX,
            )
            for entry in state.files
            if _file_state(archive, f"index/{state.generation}/{entry.path}", entry) != "good"
        ]
        if faults:
            return faults
        return [
            ArchiveFault(id or key, name, "missing", "a commit that the index knows is missing")
            for key, id, listed in known_sessions(archive)
            for name in _gone(contents.sessions.get(key), key, listed)
        ]
    except TrialCaptureError as fault:
        return [ArchiveFault("", "index", "damaged", f"{fault.what} ({fault.seen})")]


def _gone(stored: StoredSession | None, key: str, listed: str) -> list[str]:
    there = set() if stored is None else {name for name, _, _ in commit_names(stored)}
    known = StoredSession.parse(key, listed)
    return [name for name, _, _ in commit_names(known) if name not in there]


# ------------------------------------------------------------------------------
# A second copy.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mirrored:
    """What a mirror did.

    Attributes:
        sessions: Sessions of the first archive.
        objects: Objects compared.
        copied, bytes: Objects that the second lacked, and the size of what was written in both.
        repaired: Objects that were damaged or missing and are good again, each with the archive it was repaired in.
        only_in_second: Sessions and commits that only the second has; nothing is copied back.
        faults: What could not be put right.
    """

    sessions: int
    objects: int
    copied: int
    bytes: int
    repaired: tuple[str, ...]
    only_in_second: tuple[str, ...]
    faults: tuple[ArchiveFault, ...]


class _Tally:
    """What mirroring one session did."""

    def __init__(self) -> None:
        self.objects = self.copied = self.bytes = 0
        self.repaired: list[str] = []
        self.faults: list[ArchiveFault] = []


def open_second(archive: FleetArchive, place: str) -> FleetArchive:
    """Open the second copy of an archive, which is made where nothing is.

    Raises:
        TrialCaptureError: It is the archive itself, or one lies in the other; or as `open_archive`.
    """
    if archive.is_same(FleetArchive(open_store(place))):
        raise TrialCaptureError(
            "an archive is not its own second copy, and holds none",
            seen=clean_text(place),
            expected="give a place outside of it, best on another disk or in another house",
        )
    return open_archive(place, create=True)


def mirror_archive(
    archive: FleetArchive,
    second: FleetArchive,
    *,
    workers: int | None = None,
    progress: Progress = lambda _step, _share: None,
) -> Mirrored:
    """Copy to a second archive what it lacks, and put right what is damaged in either from the other.

    Args:
        archive: The first.
        second: The copy.
        workers: Threads; see `workers_or_default`.
        progress: Called with the step and how far it is.

    Raises:
        TrialCaptureError: One of them cannot be listed.
    """
    progress("listing both archives", None)
    mine, theirs = archive.contents().sessions, second.contents().sessions
    tallies: list[_Tally] = []
    with ThreadPoolExecutor(workers_or_default(workers)) as pool:
        for tally in pool.map(partial(_mirror_session, archive, second), mine.values()):
            tallies.append(tally)
            progress("mirroring sessions", len(tallies) / len(mine))
    only = [key for key in theirs if key not in mine]
    for key in mine.keys() & theirs.keys():
        own = {name for name, _, _ in commit_names(mine[key])}
        only += [name for name, _, _ in commit_names(theirs[key]) if name not in own]
    return Mirrored(
        sessions=len(mine),
        objects=sum(tally.objects for tally in tallies),
        copied=sum(tally.copied for tally in tallies),
        bytes=sum(tally.bytes for tally in tallies),
        repaired=tuple(text for tally in tallies for text in tally.repaired),
        only_in_second=tuple(sorted(only)),
        faults=tuple(fault for tally in tallies for fault in tally.faults),
    )


def _mirror_session(archive: FleetArchive, second: FleetArchive, stored: StoredSession) -> _Tally:
    """Mirror the files of a session, then its commits."""
    tally = _Tally()
    compared: set[str] = set()
    commits: list[tuple[str, bytes, bool]] = []
    for name, read in _commits(archive, stored):
        label = stored.key
        try:
            of, data, is_mine = _good_commit(archive, second, stored, name, read)
            label = of.session_id
            for entry in of.files:
                if entry.sha256 in compared:  # another revision has it too
                    continue
                compared.add(entry.sha256)
                _mirror_file(archive, second, file_name(stored.key, entry.sha256), entry, label, tally)
            commits.append((name, data, is_mine))
        except TrialCaptureError as fault:
            tally.faults.append(ArchiveFault(label, name, "damaged", f"{fault.what} ({fault.seen})"))
    for name, data, is_mine in commits:
        try:
            _mirror_commit(archive, second, name, data, tally, is_mine=is_mine)
        except TrialCaptureError as fault:
            tally.faults.append(ArchiveFault(stored.key, name, "damaged", f"{fault.what} ({fault.seen})"))
    return tally


def _good_commit(
    archive: FleetArchive,
    second: FleetArchive,
    stored: StoredSession,
    name: str,
    read: Callable[[], Revision | StoredResults],
) -> tuple[Revision | StoredResults, bytes, bool]:
    """Return a commit with its bytes, from the first archive where it is good there, else from the second."""
    try:
        return read(), read_object(archive.store, name, MOST_COMMIT_BYTES), True
    except TrialCaptureError as fault:
        try:
            other = dict(_commits(second, stored))[name]()
        except TrialCaptureError:
            raise fault from None
        return other, read_object(second.store, name, MOST_COMMIT_BYTES), False


def _mirror_file(
    archive: FleetArchive, second: FleetArchive, name: str, entry: ManifestEntry, label: str, tally: _Tally
) -> None:
    tally.objects += 1
    states = [_file_state(one, name, entry) for one in (archive, second)]
    if states == ["good", "good"]:
        return
    if "good" not in states:
        text = f"{entry.path} is good in neither archive ({states[0]} in the first, {states[1]} in the second)"
        tally.faults.append(ArchiveFault(label, name, "missing" if states[0] == "missing" else "damaged", text))
        return
    source, target = (archive, second) if states[0] == "good" else (second, archive)
    target.store.put(name, partial(source.store.open, name), entry.sha256, entry.bytes)
    tally.bytes += entry.bytes
    if target is second and states[1] == "missing":
        tally.copied += 1
    else:
        tally.repaired.append(f"{label}: {entry.path} in {clean_text(target.place)}")


_BOTH_WHOLE = "the two archives differ here, and both are whole: neither is touched; find out which is right"


def _mirror_commit(
    archive: FleetArchive, second: FleetArchive, name: str, data: bytes, tally: _Tally, *, is_mine: bool
) -> None:
    """Put a commit that was found good where it is missing or damaged."""
    tally.objects += 1
    target = second if is_mine else archive
    if is_mine:
        if target.store.put_new(name, data):
            tally.copied += 1
            tally.bytes += len(data)
            return
        there = read_object(target.store, name, MOST_COMMIT_BYTES)
        if there == data:
            return
        if target.is_commit(there):
            tally.faults.append(ArchiveFault("", name, "differs", _BOTH_WHOLE))
            return
    else:
        with suppress(FileNotFoundError, TrialCaptureError):
            if target.is_commit(read_object(target.store, name, MOST_COMMIT_BYTES)):  # of a newer version
                tally.faults.append(ArchiveFault("", name, "differs", _BOTH_WHOLE))
                return
    target.replace_commit(name, data)
    tally.bytes += len(data)
    tally.repaired.append(f"{name} in {clean_text(target.place)}")
