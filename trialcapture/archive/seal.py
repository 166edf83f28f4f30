"""The seal and its signatures, by which builder and buyer can hold the same data against each other.

``seal.jsonl`` has one line an event. Each names the time, what happened, by whom, the versions of program and
libraries, the files that are new or changed since the line before, the root of all files, and the hash of the line
before:

    {"t":"2026-05-14T15:02:11Z","what":"recording closed","by":"recorder","root":"…","versions":{…},
     "files":[{"path":"raw/nmea.log","sha256":"…","bytes":…}, …],"previous":"","self":"…"}

The root is the SHA-256 over the list of files, session.toml and everything in ``raw/``, sorted by path, each as one
line of JSON ``["path",bytes,"sha256"]`` that ends in LF. ``previous`` is the SHA-256 of the line before without its
line end, "" in the first. ``self`` is the SHA-256 of the line itself as it reads without this last key.

A chain protects against an edit, not against somebody who writes all of it anew: only a root that was noted elsewhere
does.

Signatures of a root are detached: who signs it says that this root is the one that was seen. The signed message is a
file of its own, ``signatures/<root>.root``: the 64 hexadecimal digits of the root, without a line end. Beside it lie
the signature (Ed25519, RFC 8032, 64 bytes) and the public key it can be checked with, so that ``openssl`` or any other
program checks it without this one. A key that lies beside its signature says nothing about whose it is: compare it with
the one its owner gave you.
"""

from __future__ import annotations

import hashlib
import json
import platform
import unicodedata
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from trialcapture import __version__
from trialcapture.archive.atomic import append_safely, write_error, write_file
from trialcapture.archive.manifest import (
    ManifestEntry,
    has_only_grown,
    hash_file,
    raw_files,
    read_manifest,
    write_entries,
)
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import SessionLock, read_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

NAME = "seal.jsonl"
SESSION, MANIFEST, RECORDER_NOTES = "session.toml", "manifest.json", "raw/notes.jsonl"
CLOSED, CLOSED_LATE, COLLECTED = "recording closed", "closed late", "file collected"
NOTE, REVIEW, SETTINGS, ACCEPTED = "note added", "review added", "settings changed", "changes accepted"
JOINED = "halves joined"
EVENTS = (CLOSED, CLOSED_LATE, COLLECTED, JOINED, NOTE, REVIEW, SETTINGS, ACCEPTED)
_LIBRARIES = ("numpy", "scipy", "pyarrow", "matplotlib")
_GROUPS, _GROUP = 4, 5
_LEAST_DIGITS = 16
"""So many digits of a root must be given to look for it: 64 bits (our choice)."""

Recording = Literal["none", "open", "closed"]
"""What the recorder's notes say: nothing was recorded here, the recording was never ended, or it was."""
ChangeKind = Literal["missing", "changed", "added", "unreadable"]
State = Literal["intact", "changed", "unsealed"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is not as it was sealed.

    Attributes:
        path: Of the file, relative to the session, with ``/``.
        kind: What happened to it.
        text: How, as a sentence without its subject.
    """

    path: str
    kind: ChangeKind
    text: str

    def __str__(self) -> str:
        """Say file and change in one line."""
        return f"{self.path}: {self.text}"


@dataclass(frozen=True, slots=True)
class SealLine:
    """One line of the seal.

    Attributes:
        number: Counted from 1.
        t: When, ISO 8601 UTC.
        what: One of `EVENTS`.
        by: Who.
        root: Of all files then, hexadecimal.
        versions: Of the program and its libraries.
        previous: SHA-256 of the line before, "" in the first.
        files: New or changed since the line before.
        gone: Paths that are no longer there.
        reason: Why changes were accepted; "" elsewhere.
        found: What was not as sealed when the line was written, one sentence each.
        sha256: Of the line without its line end.
    """

    number: int
    t: str
    what: str
    by: str
    root: str
    versions: Mapping[str, str]
    previous: str
    files: tuple[ManifestEntry, ...] = ()
    gone: tuple[str, ...] = ()
    reason: str = ""
    found: tuple[str, ...] = ()
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Chain:
    """The lines of a seal that can be read.

    Attributes:
        lines: In order.
        faults: What shows that the chain itself was changed.
        sealed: Every file as the last line knows it, by path.
    """

    lines: tuple[SealLine, ...]
    faults: tuple[Change, ...]
    sealed: Mapping[str, ManifestEntry]

    @property
    def root(self) -> str | None:
        """The last root; None without a line."""
        return self.lines[-1].root if self.lines else None


@dataclass(frozen=True, slots=True)
class SealComparison:
    """What is there, compared with the seal.

    Attributes:
        state: ``intact``, ``changed`` or ``unsealed``.
        root: The last root of the seal; None without one.
        root_of_files: Root of what is there now.
        changes: What is not as it was sealed.
        reason: Why a session is unsealed; "" elsewhere.
        lines: Of the seal.
        files: What is there now.
        was_sealed: The seal has lines; together with ``unsealed``, a recording that was resumed and is not closed.
    """

    state: State
    root: str | None
    root_of_files: str
    changes: tuple[Change, ...]
    reason: str
    lines: tuple[SealLine, ...]
    files: tuple[ManifestEntry, ...]

    @property
    def was_sealed(self) -> bool:
        """True where the seal has lines."""
        return bool(self.lines)


# ------------------------------------------------------------------------------
# Roots.
# ------------------------------------------------------------------------------


def list_files(folder: Path, *, progress: Callable[[int], None] | None = None) -> tuple[ManifestEntry, ...]:
    """Return session.toml and every raw file with size and hash, by path; a file that cannot be read has no hash.

    Args:
        folder: The session.
        progress: Called with the number of bytes just read.
    """
    return tuple(_entry(folder, path, progress) for path in _paths(folder))


def _paths(folder: Path) -> list[Path]:
    return [path for path in (folder / SESSION,) if path.exists()] + list(raw_files(folder))


def _entry(folder: Path, path: Path, progress: Callable[[int], None] | None = None) -> ManifestEntry:
    try:
        sha256, size = hash_file(path, progress=progress)
    except OSError:
        sha256, size = "", -1
    return ManifestEntry(_name(folder, path), sha256, size)


def _name(folder: Path, path: Path) -> str:
    # one and the same name is stored composed or decomposed, depending on the file system
    return unicodedata.normalize("NFC", path.relative_to(folder).as_posix())


def root_of(files: Collection[ManifestEntry]) -> str:
    """Return the root of a list of files, hexadecimal."""
    digest = hashlib.sha256()
    for file in sorted(files, key=lambda f: f.path):
        digest.update(json.dumps([file.path, file.bytes, file.sha256], separators=(",", ":")).encode() + b"\n")
    return digest.hexdigest()


def short_root(root: str) -> str:
    """Return the first 20 digits of a root in groups of five, as people read them to each other."""
    return "-".join(root[at : at + _GROUP] for at in range(0, _GROUPS * _GROUP, _GROUP))


def parse_root(text: str) -> str:
    """Return a root, or the first digits of one, as hexadecimal digits.

    Raises:
        TrialCaptureError: It is none, or too short to be told from others.
    """
    digits = "".join(c for c in text.lower() if c not in " -:\t")
    if not _LEAST_DIGITS <= len(digits) <= 64 or set(digits) - set("0123456789abcdef"):
        raise TrialCaptureError(
            "this is no root of a seal",
            seen=text[:80],
            expected=f"{_LEAST_DIGITS} to 64 hexadecimal digits, as the recorder, 'process' or the report showed them",
        )
    return digits


@cache
def _versions() -> tuple[tuple[str, str], ...]:
    found = [("trialcapture", __version__), ("python", platform.python_version())]
    for name in _LIBRARIES:
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:  # put there without its description
            found.append((name, "unknown"))
    return tuple(found)


def versions_now() -> dict[str, str]:
    """Return the versions of the program, of Python and of the libraries that numbers and figures depend on."""
    return dict(_versions())


# ------------------------------------------------------------------------------
# The chain on disk.
# ------------------------------------------------------------------------------


def read_chain(folder: Path) -> Chain | None:
    """Return the seal of a session, whatever its state; None where there is no file.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    path = folder / NAME
    try:
        data = read_whole(path, MOST_JSON_BYTES)
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise TrialCaptureError(
            "the seal cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    return parse_chain(data)


def parse_chain(data: bytes) -> Chain:
    """Return the chain that a file holds, with everything that shows it was changed."""
    texts = data.split(b"\n")
    faults: list[Change] = []
    if texts.pop():
        faults.append(_chain_fault("its last line is torn"))
    if not texts:
        faults.append(_chain_fault("has no line"))
    hashes = [_sha256(text) for text in texts]
    lines: list[SealLine] = []
    sealed: dict[str, ManifestEntry] = {}
    for number, text in enumerate(texts, 1):
        line = _parse_line(text, number)
        if line is None:
            faults.append(_chain_fault(f"line {number} cannot be read"))
            continue
        if not _is_as_written(text):
            faults.append(_chain_fault(f"line {number} was edited"))
        faults += _fault_of_order(line, hashes)
        before = dict(sealed)
        sealed |= {file.path: file for file in line.files}
        for path in line.gone:
            sealed.pop(path, None)
        if root_of(sealed.values()) != line.root:
            faults.append(_chain_fault(f"line {number}: its root does not follow from the files it lists"))
        elif sealed == before and not line.found:
            faults.append(_chain_fault(f"line {number} tells of no change: no event writes such a line"))
        lines.append(line)
    return Chain(tuple(lines), tuple(faults), sealed)


def _chain_fault(text: str) -> Change:
    return Change(NAME, "changed", text)


def _fault_of_order(line: SealLine, hashes: Sequence[str]) -> list[Change]:
    at = line.number - 1
    wanted = hashes[at - 1] if at else ""
    if line.previous == wanted:
        return []
    if not at:
        return [_chain_fault("the lines before its first are missing")]
    if not line.previous:
        return [_chain_fault(f"line {line.number} was the first once: lines were put before it, or moved")]
    if line.previous in hashes:
        meant = hashes.index(line.previous) + 1
        return [_chain_fault(f"line {line.number} was written behind line {meant}: lines were moved or put in")]
    return [_chain_fault(f"the line before line {line.number} is not the one it was written behind: edited or removed")]


def _parse_line(text: bytes, number: int) -> SealLine | None:
    try:
        entry = parse_json(text)
        line = SealLine(
            number=number,
            t=_text(entry["t"]),
            what=_text(entry["what"]),
            by=_text(entry["by"]),
            root=_text(entry["root"]),
            versions={_text(k): _text(v) for k, v in entry["versions"].items()},
            previous=_text(entry["previous"]),
            files=tuple(ManifestEntry(_text(f["path"]), _text(f["sha256"]), _size(f["bytes"])) for f in entry["files"]),
            gone=tuple(_text(path) for path in entry.get("gone", ())),
            reason=_text(entry.get("reason", "")),
            found=tuple(_text(found) for found in entry.get("found", ())),
            sha256=_sha256(text),
        )
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    return line if line.what in EVENTS else None


def _size(value: Any) -> int:
    if not isinstance(value, int):
        raise TypeError("a whole number is wanted")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("text is wanted")
    value.encode()  # half of an escaped pair is no character
    return value


def _is_as_written(text: bytes) -> bool:
    """Return whether the hash of itself that a line ends with fits it."""
    body, key, own = text.rpartition(b',"self":"')
    return bool(key) and own == _sha256(body + b"}").encode() + b'"}'


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _append(
    folder: Path,
    what: str,
    by: str,
    t: str,
    files: Collection[ManifestEntry],
    chain: Chain | None,
    *,
    reason: str = "",
    found: Sequence[str] = (),
) -> SealLine:
    """Write manifest and line of an event; `files` is all there is now."""
    sealed = {} if chain is None else chain.sealed
    there = {file.path: file for file in files}
    entry: dict[str, Any] = {
        "t": t,
        "what": what,
        "by": by,
        "root": root_of(files),
        "versions": versions_now(),
        "files": [
            {"path": file.path, "sha256": file.sha256, "bytes": file.bytes}
            for path, file in sorted(there.items())
            if sealed.get(path) != file
        ],
    }
    if gone := sorted(sealed.keys() - there.keys()):
        entry["gone"] = gone
    if reason:
        entry["reason"] = reason
    if found:
        entry["found"] = list(found)
    path = folder / NAME
    try:
        former = read_whole(path, MOST_JSON_BYTES) if path.exists() else b""
        last = former.rstrip(b"\n").rpartition(b"\n")[2]
        entry["previous"] = _sha256(last) if last else ""
        body = json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")
        text = body[:-1] + b',"self":"' + _sha256(body).encode() + b'"}'
        write_entries(folder, [file for file in files if file.path != SESSION])
        append_safely(path, text + b"\n")
    except OSError as fault:
        raise write_error(fault, path) from fault
    line = _parse_line(text, 1 if chain is None else len(chain.lines) + 1)
    if line is None:
        raise TrialCaptureError("an event cannot be written to the seal", seen=what, where=str(path))
    return line


def utc_now() -> str:
    """Return the time now as the seal writes it."""
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"


# ------------------------------------------------------------------------------
# What is there, compared with the seal.
# ------------------------------------------------------------------------------


def compare_seal(
    folder: Path,
    recording: Recording,
    files: Sequence[ManifestEntry] | None = None,
    *,
    progress: Callable[[int], None] | None = None,
) -> SealComparison:
    """Compare what is there with the seal; nothing is written.

    Args:
        folder: The session.
        recording: What the recorder's notes say.
        files: As `list_files` gives them, where they are known already.
        progress: Called with the number of bytes just read.
    """
    files = list_files(folder, progress=progress) if files is None else tuple(files)
    there = {file.path: file for file in files}
    try:
        chain = read_chain(folder)
    except TrialCaptureError as fault:
        unread = (Change(NAME, "unreadable", f"{fault.what} ({fault.seen})"),)
        return SealComparison("changed", None, root_of(files), unread, "", (), files)
    if chain is None:
        changes = tuple(_manifest_changes(folder, there, by_file=True))
        state: State = "changed" if changes else "unsealed"
        return SealComparison(state, None, root_of(files), changes, _why_unsealed(folder, recording), (), files)
    changes = chain.faults
    notes = chain.sealed.get(RECORDER_NOTES)
    has_notes_of_later = notes is None or there.get(RECORDER_NOTES, notes).bytes > notes.bytes
    is_open = recording == "open" and has_notes_of_later
    changes += tuple(_changes(folder, chain.sealed, there, is_open=is_open))
    if not is_open:
        of_manifest = tuple(_manifest_changes(folder, there, by_file=False))
        if not of_manifest and any(change.path.startswith("raw/") for change in changes):
            text = f"fits what is there, and {NAME} does not: the last lines of the seal were removed"
            of_manifest = (Change(MANIFEST, "changed", f"{text}, or the manifest was made anew"),)
        changes += of_manifest
    if changes:
        return SealComparison("changed", chain.root, root_of(files), changes, "", chain.lines, files)
    if is_open:
        why = "the recording was resumed after it was sealed and has not been closed; what was sealed is unchanged"
        return SealComparison("unsealed", chain.root, root_of(files), (), why, chain.lines, files)
    return SealComparison("intact", chain.root, root_of(files), (), "", chain.lines, files)


def _changes(
    folder: Path, sealed: Mapping[str, ManifestEntry], there: Mapping[str, ManifestEntry], *, is_open: bool
) -> Iterator[Change]:
    for path in sorted(sealed.keys() | there.keys()):
        before, now = sealed.get(path), there.get(path)
        if before == now or (is_open and before is None):
            continue
        if now is None:
            yield Change(path, "missing", "the file is missing")
        elif now.bytes < 0:
            yield Change(path, "unreadable", "cannot be read")
        elif before is None:
            yield Change(path, "added", f"was added ({now.bytes} bytes) and is not in the seal")
        elif now.bytes > before.bytes and has_only_grown(folder, before):
            if not is_open or path == SESSION:
                yield Change(path, "changed", f"{now.bytes - before.bytes} bytes were added behind what was sealed")
        elif now.bytes != before.bytes:
            yield Change(path, "changed", f"content changed: has {now.bytes} bytes where the seal says {before.bytes}")
        else:
            text = f"content changed ({now.bytes} bytes, as many as before): SHA-256 {now.sha256[:12]}…"
            yield Change(path, "changed", f"{text}, the seal says {before.sha256[:12]}…")


def _manifest_changes(folder: Path, there: Mapping[str, ManifestEntry], *, by_file: bool) -> Iterator[Change]:
    """Yield how the manifest differs from what is there.

    Args:
        folder: The session.
        there: What is there.
        by_file: The manifest is all there is to compare with: a missing one is nothing to compare, and what differs
            is the file's fault.
    """
    try:
        entries = read_manifest(folder)
    except TrialCaptureError as fault:
        yield Change(MANIFEST, "changed", f"{fault.what} ({fault.seen})")
        return
    if entries is None:
        if not by_file:
            yield Change(MANIFEST, "missing", "the file is missing; the seal still knows every file")
        return
    listed = {unicodedata.normalize("NFC", entry.path): entry for entry in entries}
    for path in sorted(listed.keys() | (there.keys() - {SESSION})):
        before, now = listed.get(path), there.get(path)
        if before is not None and now is not None and (before.sha256, before.bytes) == (now.sha256, now.bytes):
            continue
        if not by_file:
            what = "lists a file that is not there" if now is None else "does not list" if before is None else "differs"
            yield Change(MANIFEST, "changed", f"{what}: {path}")
        elif now is None:
            yield Change(path, "missing", "the file is missing")
        elif now.bytes < 0:
            yield Change(path, "unreadable", "cannot be read")
        elif before is None:
            yield Change(path, "added", f"was added ({now.bytes} bytes) and is not in the manifest")
        elif now.bytes != before.bytes:
            yield Change(path, "changed", f"has {now.bytes} bytes where the manifest says {before.bytes}")
        else:
            text = f"content changed: SHA-256 {now.sha256[:12]}…, the manifest says {before.sha256[:12]}…"
            yield Change(path, "changed", text)


def _why_unsealed(folder: Path, recording: Recording) -> str:
    if recording == "open":
        return "the recording has not been closed"
    if recording == "closed":
        return f"its notes say that the recording was closed, but {NAME} is missing"
    has_manifest = (folder / MANIFEST).exists()
    return f"{NAME} is missing" if has_manifest else f"{NAME} and {MANIFEST} are missing"


def root_line(lines: Sequence[SealLine], root: str) -> SealLine | None:
    """Return the last line of a seal that has a root, of which the first digits may be given; None without."""
    found = [line for line in lines if line.root.startswith(root)]
    return found[-1] if found else None


# ------------------------------------------------------------------------------
# Events. Whoever changes a session holds the seal meanwhile, so that no line is written on a stale list of files.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Somebody takes over what was changed behind the seal's back: who, why, and when (ISO 8601 UTC)."""

    by: str
    reason: str
    t: str


def seal_closed(folder: Path, *, by: str, t: str, what: str = CLOSED, reason: str = "") -> SealLine:
    """Seal a session as it is now: at the end of a recording, after an import, or late.

    What is not as an earlier line says is sealed with it, and named in the line.

    Args:
        folder: The session.
        by: Who closes it.
        t: When, ISO 8601 UTC.
        what: The event.
        reason: Why what was changed is accepted.

    Raises:
        TrialCaptureError: A file cannot be read, or the disk takes no line.
    """
    files = list_files(folder)
    refuse_unreadable(folder, files)
    chain = read_chain(folder)
    there = {file.path: file for file in files}
    found = [] if chain is None else [str(c) for c in _changes(folder, chain.sealed, there, is_open=True)]
    if what == CLOSED_LATE and not found:
        found = ["no one had closed it"]
    return _append(folder, what, by, t, files, chain, reason=reason, found=found)


def refuse_unreadable(folder: Path, files: Collection[ManifestEntry]) -> None:
    """Refuse to seal files that cannot be read.

    Raises:
        TrialCaptureError: There is one.
    """
    unread = [file.path for file in files if file.bytes < 0]
    if unread:
        raise TrialCaptureError("a raw file cannot be read", seen=", ".join(unread[:3]), where=str(folder))


def refuse_changed(folder: Path, recording: Recording, accept: Acceptance | None) -> SealComparison:
    """Refuse to add to a session that was changed behind its seal, or write down that the changes are accepted.

    Args:
        folder: The session; the caller holds its seal.
        recording: What the recorder's notes say.
        accept: Who accepts what was changed; None where nobody does.

    Returns:
        The session as it is now compared with its seal: ``intact``, or ``unsealed``.

    Raises:
        TrialCaptureError: Something was changed, and nobody accepts it or it cannot be accepted.
    """
    found = compare_seal(folder, recording)
    if found.state != "changed":
        return found
    told = "; ".join(str(change) for change in found.changes[:3])
    told += f"; and {len(found.changes) - 3} more" if len(found.changes) > 3 else ""
    if not found.was_sealed or any(change.path == NAME for change in found.changes):
        raise TrialCaptureError(
            "the seal itself was changed, so nothing is added to this session"
            if (folder / NAME).exists()
            else "the raw files of this session are not as its manifest says, so nothing is added",
            seen=told,
            where=str(folder),
            expected="restore them from a copy; a new line would hide the change",
        )
    if accept is None:
        raise TrialCaptureError(
            "this session was changed since it was sealed, so nothing is added",
            seen=told,
            where=str(folder),
            expected="restore it from a copy; or, if the change is right, repeat the command with "
            '--accept-changes "reason", which becomes a line of the seal',
        )
    refuse_unreadable(folder, found.files)
    chain = read_chain(folder)
    _append(
        folder, ACCEPTED, accept.by, accept.t, found.files, chain, reason=accept.reason,
        found=[str(change) for change in found.changes],
    )  # fmt: skip
    return compare_seal(folder, recording, found.files)


def add_event(
    folder: Path,
    before: SealComparison,
    what: str,
    by: str,
    t: str,
    touched: Collection[str],
    *,
    found: Sequence[str] = (),
) -> SealLine | None:
    """Write the line of an event, and the manifest; of an unsealed session the manifest alone, where it has one.

    Args:
        folder: The session; the caller holds its seal.
        before: From `refuse_changed`, before the change.
        what: The event.
        by: Who.
        t: When, ISO 8601 UTC.
        touched: Paths that the event added or changed; all others are as they were before.
        found: What a later reader is to be told of, one sentence each.
    """
    files = {file.path: file for file in before.files}
    for path in touched:
        files[path] = _entry(folder, folder / path)
    refuse_unreadable(folder, files.values())
    if before.state == "intact":
        return _append(folder, what, by, t, list(files.values()), read_chain(folder), found=found)
    if (folder / MANIFEST).exists():
        write_entries(folder, [file for path, file in sorted(files.items()) if path != SESSION])
    return None


# ------------------------------------------------------------------------------
# One writer at a time.
# ------------------------------------------------------------------------------

_LOCK = ".seal-lock"
_LOCK_WAIT_S = 600.0
"""How long another program may take over an event: hashing of a long day included (our choice)."""


@contextmanager
def hold_seal(folder: Path) -> Iterator[None]:
    """Let nobody else change the seal of a session meanwhile; waits until whoever has it lets go.

    Some shares have no locks; there nothing is held, since the seal is more needed than they are.

    Raises:
        TrialCaptureError: The folder cannot be written to.
    """
    with SessionLock(folder, _LOCK, holder="another program changes the seal of this session", wait_s=_LOCK_WAIT_S):
        yield


FOLDER = "signatures"
_MOST_BYTES = 1 << 16
"""Of a key or a signature (our choice)."""


@dataclass(frozen=True, slots=True)
class Signed:
    """Where a signature was written: the message, the signature and the public key."""

    message: Path
    signature: Path
    public_key: Path


def sign_root(folder: Path, root: str, key: Path) -> Signed:
    """Sign a root.

    Args:
        folder: The session.
        root: Of the last line of its seal.
        key: A private Ed25519 key (PEM, PKCS #8), as ``openssl genpkey -algorithm ed25519`` makes one.

    Raises:
        TrialCaptureError: The library is missing, the key is none, or a file cannot be written.
    """
    private = _load_key(key)
    _, serialization = _library()
    public = private.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    name = "".join(c if c.isalnum() or c in "-_" else "_" for c in key.stem)[:40] or "key"
    base = folder / FOLDER
    signed = Signed(base / f"{root}.root", base / f"{root}.{name}.sig", base / f"{root}.{name}.pub.pem")
    write_file(signed.message, root.encode())
    write_file(signed.signature, private.sign(root.encode()))
    write_file(signed.public_key, public)
    return signed


def _load_key(key: Path) -> Ed25519PrivateKey:
    ed25519, serialization = _library()
    try:
        private = serialization.load_pem_private_key(key.read_bytes(), password=None)
    except OSError as fault:
        raise TrialCaptureError("the key cannot be read", seen=fault.strerror or str(fault), where=str(key)) from fault
    except (ValueError, TypeError) as fault:
        raise TrialCaptureError(
            "this is no private key that can be used",
            seen=str(fault).splitlines()[0][:120],
            where=str(key),
            expected="an Ed25519 key without a passphrase (PEM): openssl genpkey -algorithm ed25519 -out me.pem",
        ) from fault
    if not isinstance(private, ed25519.Ed25519PrivateKey):
        raise TrialCaptureError(
            "a root is signed with Ed25519",
            seen=type(private).__name__.removesuffix("PrivateKey").lstrip("_"),
            where=str(key),
            expected="openssl genpkey -algorithm ed25519 -out me.pem",
        )
    return private  # type: ignore[no-any-return]


def _library() -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization  # noqa: PLC0415  an extra
        from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: PLC0415
    except ImportError as fault:
        raise TrialCaptureError(
            "signing needs a library that is not installed",
            seen="no cryptography",
            expected='pip install "trialcapture[sign]"',
        ) from fault
    return ed25519, serialization


def check_signatures(folder: Path, lines: Sequence[SealLine]) -> tuple[list[str], list[str]]:
    """Return what is wrong with the signatures of a session, and what is to be said of the sound ones.

    Args:
        folder: The session.
        lines: Of its seal.
    """
    faults: list[str] = []
    remarks: list[str] = []
    signatures = sorted((folder / FOLDER).glob("*.sig")) if (folder / FOLDER).is_dir() else []
    for path in signatures:
        name = path.relative_to(folder).as_posix()
        root = path.name.split(".")[0]
        line = next((line for line in reversed(lines) if line.root == root), None)
        try:
            _check(path, root)
        except TrialCaptureError as fault:
            remarks.append(f"{name}: not checked, {fault.seen}; {fault.expected}")
        except Exception as fault:  # noqa: BLE001  whatever lies there, a signature that does not hold is named
            why = f"{type(fault).__name__}: {fault}".removesuffix(": ")
            faults.append(f"{name}: the signature does not hold ({why})")
        else:
            if not lines:
                remarks.append(f"{name}: signs root {short_root(root)}; there is no seal to compare it with")
            elif line is None:
                faults.append(f"{name}: signs root {short_root(root)}, which no line of the seal has")
            else:
                remarks.append(f"{name}: signs line {line.number}; compare the key beside it with its owner's")
    return faults, remarks


def _check(path: Path, root: str) -> None:
    """Raise whatever shows that a signature does not hold."""
    ed25519, serialization = _library()
    public = serialization.load_pem_public_key(read_whole(path.with_name(f"{path.stem}.pub.pem"), _MOST_BYTES))
    if not isinstance(public, ed25519.Ed25519PublicKey):
        raise TypeError("its public key is no Ed25519 key")
    public.verify(read_whole(path, _MOST_BYTES), root.encode())
    if read_whole(path.with_name(f"{root}.root"), _MOST_BYTES) != root.encode():
        raise ValueError(f"{root[:12]}….root beside it holds another message than its name")
