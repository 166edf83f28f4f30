"""``reduction/results.json``: what the results were made of and their hashes, so that an edited result is found.

It holds the root of the raw files, the hash of the settings, the versions of program and libraries, and size and hash
of every result; no time and no path of this computer. What is kept for the next run (``trialset/work``) may be deleted
at any time, but not be another: its hash stands apart.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from trialcapture.archive.atomic import write_file
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.result_set import ResultSet
from trialcapture.archive.seal import versions_now
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import inside, plain_files, read_whole

RESULTS = "reduction/results.json"
KEPT = "trialset/work/prepared.arrows"
SCHEMA_VERSION = 1


@dataclass(frozen=True, slots=True)
class ResultFindings:
    """Results compared with their hashes.

    Attributes:
        faults: What was edited or is missing, one sentence each.
        remarks: What is no fault and worth knowing.
    """

    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def result_files(folder: Path) -> Iterator[Path]:
    """Yield every result of a session in order of its path; the list of hashes is none, nor is what is kept."""
    for part in ("reduction", "trialset"):
        for path in sorted(plain_files(folder / part)):
            name = path.relative_to(folder).as_posix()
            if name != RESULTS and not name.startswith("trialset/work/"):
                yield path


def write_result_hashes(folder: Path, files: ResultSet, *, root: str, settings_sha256: str) -> None:
    """Write the hashes of all results, as another result; call when the last one is written.

    Args:
        folder: The session.
        files: The results of this run; what it did not make again is that of the run before.
        root: Of the files that the results were made of.
        settings_sha256: Of the settings as used.

    Raises:
        TrialCaptureError: A result cannot be read, or the disk is full.
    """
    kept = files.current(KEPT)
    before = {path.relative_to(folder).as_posix() for path in result_files(folder)}
    names = sorted((before | set(files.written)) - {KEPT})
    content = {
        "schema_version": SCHEMA_VERSION,
        "root": root,
        "settings_sha256": settings_sha256,
        "versions": versions_now(),
        "files": [asdict(_entry(name, files.current(name))) for name in names],
        "kept": [asdict(_entry(KEPT, kept))] if kept.is_file() else [],
    }
    write_file(files.place(RESULTS), (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())


def _entry(name: str, path: Path) -> ManifestEntry:
    try:
        sha256, size = hash_file(path)
    except OSError as fault:
        raise TrialCaptureError(
            "a result cannot be read back", seen=fault.strerror or str(fault), where=str(path)
        ) from fault
    return ManifestEntry(name, sha256, size)


def compare_results(folder: Path, roots: Collection[str], root_of_files: str) -> ResultFindings:
    """Compare the results of a session with their hashes.

    Args:
        folder: The session.
        roots: That its seal knows, the last one last; none without a seal.
        root_of_files: Of what is there now.
    """
    there = {path.relative_to(folder).as_posix(): path for path in result_files(folder)}
    try:
        content = parse_json(read_whole(folder / RESULTS, MOST_JSON_BYTES))
        listed = [_parse_entry(entry) for entry in content["files"]]
        kept = [_parse_entry(entry) for entry in content["kept"]]
        root, versions = str(content["root"]), dict(content["versions"])
    except FileNotFoundError:
        if not there:
            return ResultFindings((), ())
        return ResultFindings((), (f"{RESULTS} is missing, so the results are not checked: process again",))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as fault:
        return ResultFindings((f"{RESULTS}: cannot be read ({fault}); process again",), ())
    faults, remarks = [], []
    for entry in [*listed, *kept]:
        path = inside(folder, entry.path)
        if entry.path not in there and entry not in kept:
            faults.append(f"{entry.path}: the result is missing; process again")
        elif path.is_file() and (difference := _difference(path, entry)):
            faults.append(f"{entry.path}: {difference}")
    names = {entry.path for entry in listed}
    remarks += [f"{name}: is no result of the last run" for name in sorted(there.keys() - names)]
    if roots and root not in roots:
        faults.append(f"{RESULTS}: the results were made from files that no line of the seal knows; process again")
    elif root != root_of_files:
        remarks.append("the results were made before the last change of the session: process again")
    if versions != versions_now():
        told = ", ".join(f"{name} {versions[name]}" for name in sorted(versions) if isinstance(versions[name], str))
        remarks.append(f"the results were made by other versions than these ({told})")
    return ResultFindings(tuple(faults), tuple(remarks))


def _parse_entry(entry: dict[str, object]) -> ManifestEntry:
    path, sha256, size = entry["path"], entry["sha256"], entry["bytes"]
    if not isinstance(path, str) or not isinstance(sha256, str) or not isinstance(size, int):
        raise TypeError("path, sha256 and bytes are wanted")
    if path.startswith("/") or ".." in path.split("/"):
        raise ValueError(f"{path} is no result")
    return ManifestEntry(path, sha256, size)


def _difference(path: Path, entry: ManifestEntry) -> str:
    """Return how a file differs from its hash, or ""."""
    try:
        sha256, size = hash_file(path)
    except OSError as fault:
        return f"cannot be read ({fault.strerror or fault})"
    if (sha256, size) == (entry.sha256, entry.bytes):
        return ""
    what = "what is kept for the next run was changed" if entry.path == KEPT else "the result was edited"
    size_text = f"{size} bytes" + (f" where {entry.bytes} were written" if size != entry.bytes else " as before")
    return f"{what} after processing ({size_text}); delete it or process again"
