"""The manifest: SHA-256 and size of every raw file, so that one flipped bit is found years later."""

from __future__ import annotations

import hashlib
import json
import mmap
import os
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import asdict, dataclass
from io import BufferedReader
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, cast

from trialcapture.archive.atomic import write_file
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import inside, is_plain_file, open_plain, plain_files, read_whole

SCHEMA_VERSION = 1
_NAME = "manifest.json"
_TO_THE_END: Mapping[str, int] = MappingProxyType({})
_PART_BYTES = 8 << 20
"""Of a file hashed at once: beside a thread that computes, each part waits for its turn (our choice)."""


@dataclass(frozen=True, slots=True)
class ManifestFault:
    """One raw file that is not as the manifest says.

    Attributes:
        path: The file, relative to the session, with ``/``.
        kind: ``missing`` from disk, ``changed`` content or size, ``unlisted`` in the manifest,
            or ``unreadable``.
        text: One sentence for people.
    """

    path: str
    kind: Literal["missing", "changed", "unlisted", "unreadable"]
    text: str

    def __str__(self) -> str:
        """Say file and fault in one line."""
        return f"{self.path}: {self.text}"


@dataclass(frozen=True, slots=True)
class ManifestEntry:
    """One raw file as the manifest has it.

    Attributes:
        path: The file, relative to the session, with ``/``.
        sha256: Hash of its content, hexadecimal.
        bytes: Its size.
    """

    path: str
    sha256: str
    bytes: int


def hash_file(
    path: Path, *, progress: Callable[[int], None] | None = None, limit_bytes: int | None = None
) -> tuple[str, int]:
    """Return the SHA-256 (hexadecimal) and the size [bytes] of a file.

    Args:
        path: The file.
        progress: Called with the number of bytes just read.
        limit_bytes: Read no further, while another program goes on appending; None reads to the end.
    """
    digest, size = hashlib.sha256(), 0
    with open_plain(path) as opened:
        file = cast(BufferedReader, opened)
        end = os.fstat(file.fileno()).st_size if limit_bytes is None else limit_bytes
        # apart from the heap, in which a freed piece of this size leaves a hole that is never given back
        with mmap.mmap(-1, max(min(_PART_BYTES, end), 1)) as room:
            while size < end and (got := file.readinto(memoryview(room)[: end - size])):
                digest.update(memoryview(room)[:got])
                size += got
                if progress is not None:
                    progress(got)
    return digest.hexdigest(), size


def hash_raw(folder: Path, lengths: Mapping[str, int] = _TO_THE_END) -> list[dict[str, Any]]:
    """Return ``path``, ``sha256`` and ``bytes`` of every raw file.

    Args:
        folder: The session.
        lengths: How far files are read that another program goes on appending to, by path.
    """
    found = []
    for path in raw_files(folder):
        name = path.relative_to(folder).as_posix()
        digest, size = hash_file(path, limit_bytes=lengths.get(name))
        found.append({"path": name, "sha256": digest, "bytes": size})
    return found


def has_only_grown(folder: Path, entry: ManifestEntry) -> bool:
    """Say whether a file still begins with the very bytes its manifest entry speaks of; what follows is not looked at.

    Args:
        folder: The session.
        entry: Of the manifest.
    """
    try:
        with open_plain(inside(folder, entry.path)) as file:
            digest, size = hashlib.sha256(), 0
            while part := file.read(min(1 << 20, entry.bytes - size)):
                digest.update(part)
                size += len(part)
    except OSError:
        return False
    return size == entry.bytes and digest.hexdigest() == entry.sha256


def raw_files(folder: Path) -> Iterator[Path]:
    """Yield every raw file of a session, in the order of the manifest."""
    found = {path.relative_to(folder).as_posix(): path for path in plain_files(folder / "raw")}
    yield from (found[name] for name in sorted(found))


def write_manifest(folder: Path) -> None:
    """Hash every file under ``raw/`` and write ``manifest.json``.

    Args:
        folder: The session.

    Raises:
        TrialCaptureError: A file cannot be read, or the manifest cannot be written.
    """
    entries = []
    for path in raw_files(folder):
        try:
            sha256, size = hash_file(path)
        except OSError as fault:
            raise TrialCaptureError(
                "a raw file cannot be read", seen=fault.strerror or str(fault), where=str(path)
            ) from fault
        entries.append(ManifestEntry(path.relative_to(folder).as_posix(), sha256, size))
    write_entries(folder, entries)


def write_entries(folder: Path, entries: Collection[ManifestEntry]) -> None:
    """Write ``manifest.json`` of files whose hashes are known.

    Args:
        folder: The session.
        entries: In the order of `raw_files`.

    Raises:
        TrialCaptureError: It cannot be written.
    """
    content = {"schema_version": SCHEMA_VERSION, "files": [asdict(entry) for entry in entries]}
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    write_file(folder / _NAME, text.encode())


def read_manifest(folder: Path) -> list[ManifestEntry] | None:
    """Return the manifest's entries by path, or None when there is no manifest.

    Raises:
        TrialCaptureError: The manifest cannot be read, is no manifest, or is of another version.
    """
    path = folder / _NAME
    try:
        content = parse_json(read_whole(path, MOST_JSON_BYTES))
        entries = [ManifestEntry(str(e["path"]), str(e["sha256"]), int(e["bytes"])) for e in content["files"]]
        version = content["schema_version"]
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise TrialCaptureError(
            "the manifest cannot be read", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    except (ValueError, KeyError, TypeError) as fault:
        raise TrialCaptureError(
            "the manifest is damaged",
            seen=str(fault),
            where=str(path),
            expected="restore it from a copy; without it nobody can show that the raw files are unchanged",
        ) from fault
    if version != SCHEMA_VERSION:
        raise TrialCaptureError(
            "the manifest was made by another version",
            seen=f"schema_version {version}",
            where=str(path),
            expected=f"schema_version {SCHEMA_VERSION}; update the program",
        )
    if len({entry.path for entry in entries}) < len(entries):
        raise TrialCaptureError(
            "the manifest is damaged",
            seen="a file is listed twice",
            where=str(path),
            expected="restore it from a copy; this program lists each file once",
        )
    return entries


def verify_manifest(folder: Path, *, progress: Callable[[int], None] | None = None) -> list[ManifestFault]:
    """Compare every raw file with the manifest.

    Args:
        folder: The session.
        progress: Called with the number of bytes just read.

    Returns:
        What is not as it should be, by path; empty when every file is there and unchanged.

    Raises:
        TrialCaptureError: There is no manifest, or it is damaged.
    """
    entries = read_manifest(folder)
    if entries is None:
        raise TrialCaptureError(
            "this session has no manifest",
            where=str(folder / _NAME),
            expected="it is written when a recording is closed and after every import; "
            "without it nothing can be compared",
        )
    faults = []
    for entry in entries:
        name = entry.path
        path = inside(folder, name)
        if not is_plain_file(path):
            faults.append(ManifestFault(name, "missing", "the file is missing"))
            continue
        try:
            sha256, size = hash_file(path, progress=progress)
        except OSError as fault:
            faults.append(ManifestFault(name, "unreadable", f"cannot be read ({fault.strerror or fault})"))
            continue
        if size != entry.bytes:
            text = f"has {size} bytes where the manifest says {entry.bytes}"
            faults.append(ManifestFault(name, "changed", text))
        elif sha256 != entry.sha256:
            text = f"content changed: SHA-256 {sha256}, the manifest says {entry.sha256}"
            faults.append(ManifestFault(name, "changed", text))
    listed = {entry.path for entry in entries}
    for path in raw_files(folder):
        name = path.relative_to(folder).as_posix()
        if name not in listed:
            faults.append(ManifestFault(name, "unlisted", "is not in the manifest"))
    return sorted(faults, key=lambda fault: fault.path)
