"""``archive add``: take sessions into an archive, one after the other, and name what is wrong with each.

Every session is verified first, in place; nothing is copied beside it. Its files go to the store one at a time, and the
commit when the last one has been read back. So an add needs no room on this computer, and one that is cut short goes on
from the last whole file when it is run again.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from trialcapture.archive.atomic import size_text
from trialcapture.archive.fleet.fleet_archive import (
    FleetArchive,
    Progress,
    Revision,
    StoredResults,
    key_of,
    read_made,
)
from trialcapture.archive.fleet.object_store import StoreAwayError
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.pack import find_session_files
from trialcapture.archive.result_set import RESULTS
from trialcapture.archive.seal import read_chain, root_of
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import Verification, verify_session
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text
from trialcapture.system.session_files import check_session_files, is_locked

Outcome = Literal["added", "new revision", "new results", "already there", "refused", "not tried"]
_DERIVED = ("reduction/", "trialset/")
MOST_SESSION_BYTES = 50_000_000_000
"""Larger sessions are refused before anything of them is read (our choice: two hundred long days on a busy bus)."""


@dataclass(frozen=True, slots=True)
class AddedSession:
    """What became of one session.

    Attributes:
        folder: As it was given; by its name where that was ``.`` or ``..``.
        session_id: None where it could not be read.
        outcome: In one word or two.
        revision: Number of its revision in the archive; None where it was refused.
        results: Number of the set of results; None where there is none.
        files, bytes: Of the session, results included.
        bytes_written: What was not stored yet.
        root: Of session.toml and all raw files.
        ending: What `verify` said.
        remarks: What is worth knowing, one sentence each.
        fault: Why it was refused; None elsewhere, also where it was not tried because the store was away.
    """

    folder: str
    session_id: str | None
    outcome: Outcome
    revision: int | None
    results: int | None
    files: int
    bytes: int
    bytes_written: int
    root: str | None
    ending: str | None
    remarks: tuple[str, ...]
    fault: TrialCaptureError | None


def add_sessions(
    archive: FleetArchive,
    folders: Sequence[Path],
    *,
    t: Callable[[], str],
    accept_damage: str | None = None,
    progress: Progress = lambda _step, _share: None,
    told: Callable[[AddedSession], None] = lambda _: None,
) -> list[AddedSession]:
    """Take sessions into an archive; one that is refused stops no other.

    Where the store itself cannot be reached, the sessions after it are not tried: each would wait as long, for nothing.

    Args:
        archive: Where to.
        folders: The sessions.
        t: Returns the time now, ISO 8601 UTC.
        accept_damage: Why sessions are taken although they are damaged, or although their seal does not go on from the
            revision that is there; each revision says so.
        progress: Called with the step and how far it is.
        told: Called with what became of each session as soon as that is known.
    """
    found: list[AddedSession] = []
    is_away = False
    for given in folders:
        if is_away:
            found.append(replace(_refused(given, None), outcome="not tried"))
            continue
        folder = _named(given)
        try:
            one = _add_session(archive, folder, t, accept_damage, progress)
        except StoreAwayError as fault:
            one, is_away = _refused(folder, fault), True
        except TrialCaptureError as fault:
            one = _refused(folder, fault)
        except (OSError, ValueError, ArithmeticError, LookupError, MemoryError, RecursionError) as fault:
            # a session from a stranger may find a fault of this program; the others are no part of it
            one = _refused(folder, _in_words(folder, fault))
        found.append(one)
        told(one)
    return found


def _add_session(
    archive: FleetArchive, folder: Path, t: Callable[[], str], accept_damage: str | None, progress: Progress
) -> AddedSession:
    session = open_session(folder)
    key = key_of(session.id)
    if is_locked(folder):
        raise TrialCaptureError(
            "this session is being recorded now, so it is not added",
            where=clean_text(str(folder)),
            expected="add it when the recording has ended",
        )
    check_session_files(folder)
    names, left_out = find_session_files(folder)
    of_session = [name for name in names if not name.startswith(_DERIVED)]
    _refuse_huge(folder, names)
    reason = " ".join((accept_damage or "").split())[:1000]
    verified = _verified(folder, reason, progress)
    entries = _entries(folder, of_session, verified.seal.files)
    root = verified.seal.root_of_files
    remarks = [f"{name} is no part of a session and was left out" for name in left_out[:5]]
    remarks += [f"{len(left_out) - 5} more files were left out"] if len(left_out) > 5 else []
    revisions = _revisions(archive, key, remarks)
    same = next((one for one in revisions if one.content == root_of(entries)), None)
    made = _results_to_add(folder, root, remarks)
    every = [*entries, *(made.files if made is not None else ())]
    total, done, written = sum(entry.bytes for entry in every) or 1, 0, 0

    def stored(size: int) -> None:
        nonlocal done
        done += size
        progress(f"storing {session.id}", min(done / total, 1.0))

    is_new = False
    if same is None:
        in_force = next((one for one in reversed(revisions) if one.may_be_in_force), None)
        follows = in_force is None or _goes_on_from(folder, in_force)
        revision = Revision(
            session_id=session.id,
            key=key,
            number=max((one.number for one in revisions), default=0) + 1,
            added=t(),
            root=root,
            ending=verified.ending,
            reason=reason if verified.faults or verified.unvouched or not follows else "",
            follows=follows,
            files=tuple(entries),
        )
        if in_force is not None and not follows:
            remarks.append(
                f"revision {in_force.number} in the archive has the same id, and the seal of this session does not go "
                f"on from it: it stands beside it, {'in force for the reason given' if reason else 'not in force'}"
            )
        written = archive.put_files(key, folder, entries, progress=stored)
        same, is_new = archive.commit_revision(revision, lambda former: _goes_on_from(folder, former))
    else:
        written = archive.put_files(key, folder, entries, progress=stored)
        if written:
            remarks.append("files of it were missing or damaged in the archive, and were put in place again")
        if same.number != revisions[-1].number:
            remarks.append(f"the archive holds it as revision {same.number}, and revision {revisions[-1].number} since")
    number, has_new_results = None, False
    if made is not None:
        results, has_new_results = archive.put_results(same, folder, t=t())
        number = results.number
        written += sum(entry.bytes for entry in made.files) if has_new_results else 0
    outcome: Outcome = "already there"
    if is_new:
        outcome = "new revision" if revisions else "added"
    elif has_new_results:
        outcome = "new results"
    return AddedSession(
        folder=str(folder),
        session_id=session.id,
        outcome=outcome,
        revision=same.number,
        results=number,
        files=len(every),
        bytes=sum(entry.bytes for entry in every),
        bytes_written=written,
        root=root,
        ending=verified.ending,
        remarks=tuple(remarks),
        fault=None,
    )


def _verified(folder: Path, reason: str, progress: Progress) -> Verification:
    """Return what `verify` says.

    Raises:
        TrialCaptureError: It is damaged or cannot be vouched for, and nobody said why it should be taken.
    """
    found = verify_session(folder, progress=lambda _share: progress(f"checking {folder.name}", None))
    # results have hashes of their own here: edited ones are left out, and say nothing against the session
    found = replace(
        found,
        faults=tuple(fault for fault in found.faults if not fault.startswith(_DERIVED)),
        unvouched=tuple(text for text in found.unvouched if not text.startswith(_DERIVED)),
    )
    faults = [*found.faults, *found.unvouched]
    if faults and not reason:
        more = f"; and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise TrialCaptureError(
            f"this session is {found.ending}, so it is not added",
            seen="; ".join(faults[:3]) + more,
            where=clean_text(str(folder)),
            expected='restore it from a copy, or add it as it is: --accept-damage "reason", which the archive keeps',
        )
    return found


def _refuse_huge(folder: Path, names: Sequence[str]) -> None:
    size = sum((folder / name).lstat().st_size for name in names)
    if size > MOST_SESSION_BYTES:
        raise TrialCaptureError(
            "this session is larger than any trial, so it is not read",
            seen=size_text(size),
            where=clean_text(str(folder)),
            expected=f"at most {size_text(MOST_SESSION_BYTES)}; the session may be forged",
        )


def _entries(folder: Path, names: Sequence[str], verified: Sequence[ManifestEntry]) -> list[ManifestEntry]:
    """Return the files of a session under their names on the disk; what `verify` has hashed is not hashed again.

    Raises:
        TrialCaptureError: One cannot be read.
    """
    known = {entry.path: entry for entry in verified}
    entries = []
    for name in sorted(names):
        entry = known.get(unicodedata.normalize("NFC", name))
        try:
            sha256, size = hash_file(folder / name) if entry is None else (entry.sha256, entry.bytes)
        except OSError:
            sha256, size = "", -1
        if size < 0:
            raise TrialCaptureError("a file of the session cannot be read", where=clean_text(str(folder / name)))
        entries.append(ManifestEntry(name, sha256, size))
    return entries


def _revisions(archive: FleetArchive, key: str, remarks: list[str]) -> list[Revision]:
    """Return the revisions that an archive has of a session, and say which of them cannot be read."""
    stored = archive.contents(key=key).sessions.get(key)
    found = []
    for number in stored.revisions if stored is not None else ():
        try:
            found.append(archive.read_revision(key, number))
        except TrialCaptureError as fault:
            remarks.append(f"revision {number} in the archive cannot be read ({fault.seen}): run 'archive verify'")
    return found


def _goes_on_from(folder: Path, former: Revision) -> bool:
    """Return whether the seal of a session knows the root that an older revision had."""
    chain = read_chain(folder)
    return chain is not None and any(line.root == former.root for line in chain.lines)


def _results_to_add(folder: Path, root: str, remarks: list[str]) -> StoredResults | None:
    """Return the results of a session that belong to its files and are as they were made."""
    if not os.path.lexists(folder / RESULTS):
        return None
    try:
        made = read_made(folder)
    except TrialCaptureError as fault:
        remarks.append(f"its results are left out: {fault.what} ({fault.seen})")
        return None
    if made.root != root:
        remarks.append("its results are left out: they were made before the last change of the session")
        return None
    return made


def _named(folder: Path) -> Path:
    """Return a folder by its name where it was given by its place alone, as ``.`` or ``..``."""
    if folder.name not in ("", ".."):
        return folder
    with suppress(OSError, RuntimeError):  # a ring of links: opening it says so
        return folder.resolve()
    return folder


def _refused(folder: Path, fault: TrialCaptureError | None) -> AddedSession:
    return AddedSession(str(folder), None, "refused", None, None, 0, 0, 0, None, None, (), fault)


def _in_words(folder: Path, fault: Exception) -> TrialCaptureError:
    if isinstance(fault, OSError):
        return TrialCaptureError(
            "a file or folder of this session cannot be used",
            seen=fault.strerror or type(fault).__name__,
            where=clean_text(str(fault.filename or folder)),
            expected="check that it is there and that you may read it",
        )
    return TrialCaptureError(
        "this session could not be read, for a reason that was not foreseen",
        seen=f"{type(fault).__name__}: {clean_text(str(fault)[:200])}",
        where=clean_text(str(folder)),
        expected="the session may be forged; the others are not touched by it",
    )
