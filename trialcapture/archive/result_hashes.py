"""``reduction/results.json``: what the results were made of and their hashes, so that an edited result is found.

It holds the root of the raw files, the last line of the seal (its hash), the hash of the settings, the units of the
reader, the versions of program and libraries, and size and hash of every result; no time and no path of this computer.
What is kept for the next run (``trialset/work``) may be deleted at any time, but not be another: its hash stands apart.

No seal covers this list: whoever edits a result can edit the list too. What shows that is deriving again
(`trialcapture.pipeline.derived_again`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from trialcapture.archive.atomic import write_file
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.result_set import ResultSet
from trialcapture.archive.seal import SealLine, versions_now
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import inside, plain_files, read_whole

RESULTS = "reduction/results.json"
KEPT = "trialset/work/prepared.arrows"
SCHEMA_VERSION = 1
_REUSED = ("trialset/rejects.parquet", "trialset/samples.parquet")
"""Results that a run may leave as the run before made them."""
_OF_EVERY_RUN = frozenset(
    ("reduction/bands.csv", "reduction/bands.parquet", "reduction/legs.csv", "reduction/summary.json",
     "reduction/sheet.html", "reduction/report.html", "reduction/trial.xlsx", "reduction/track.gpx",
     "trialset/segments.parquet", "trialset/clocks.parquet", *_REUSED)
)  # fmt: skip
"""Results that every list of every version names: one that stands there unnamed was taken out of the list."""


@dataclass(frozen=True, slots=True)
class ResultFindings:
    """Results compared with their hashes.

    Attributes:
        faults: What was edited or is missing, one sentence each.
        remarks: What is no fault and worth knowing.
        unvouched: What is missing to compare them with, one sentence each.
    """

    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    unvouched: tuple[str, ...] = ()


def result_files(folder: Path) -> Iterator[Path]:
    """Yield every result of a session in order of its path; the list of hashes is none, nor is what is kept."""
    for part in ("reduction", "trialset"):
        for path in sorted(plain_files(folder / part)):
            name = path.relative_to(folder).as_posix()
            if name != RESULTS and not name.startswith("trialset/work/"):
                yield path


def write_result_hashes(files: ResultSet, *, root: str, seal_line: str, settings_sha256: str, units: str) -> None:
    """Write the hashes of all results, as another result; call when the last one is written.

    Args:
        files: The results of this run; what it did not make again is that of the run before.
        root: Of the files that the results were made of.
        seal_line: SHA-256 of the last line of the seal then, "" without one.
        settings_sha256: Of the settings as used.
        units: Of the reader.

    Raises:
        TrialCaptureError: A result cannot be read, or the disk is full.
    """
    kept = files.current(KEPT)
    names = sorted({*_REUSED, *files.written} - {RESULTS, KEPT})
    content = {
        "schema_version": SCHEMA_VERSION,
        "root": root,
        "seal_line": seal_line,
        "settings_sha256": settings_sha256,
        "units": units,
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


def compare_results(
    folder: Path, lines: Sequence[SealLine], root_of_files: str, settings_sha256: str
) -> ResultFindings:
    """Compare the results of a session with their hashes.

    Args:
        folder: The session.
        lines: Of its seal; none without one.
        root_of_files: Of what is there now.
        settings_sha256: Of the settings in session.toml; "" where they cannot be read.
    """
    there = {path.relative_to(folder).as_posix(): path for path in result_files(folder)}
    try:
        made = _parse_list(read_whole(folder / RESULTS, MOST_JSON_BYTES))
    except FileNotFoundError:
        if not there:
            return ResultFindings((), ())
        text = f"{RESULTS}: the file is missing, so the results are not checked: process again"
        return ResultFindings((), (), (text,)) if lines else ResultFindings((), (text,))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, TrialCaptureError) as fault:
        return ResultFindings((f"{RESULTS}: cannot be read ({fault}); process again",), ())
    faults, remarks = _differences(folder, there, made)
    if lines and made.root not in {line.root for line in lines}:
        faults.append(f"{RESULTS}: the results were made from files that no line of the seal knows; process again")
    elif made.root != root_of_files:
        remarks.append("the results were made before the last change of the session: process again")
    if lines and made.seal_line and made.seal_line not in {line.sha256 for line in lines}:
        text = "the results were made when the seal ended in a line that is not there: it was edited or taken out"
        faults.append(f"{RESULTS}: {text} since, or the results are older than a seal written anew")
    if settings_sha256 and made.settings_sha256 != settings_sha256:
        remarks.append("the results were made with other settings than those of session.toml, which the seal covers")
    if made.versions != versions_now():
        told = ", ".join(f"{name} {version}" for name, version in sorted(made.versions.items()))
        remarks.append(f"the results were made by other versions than these ({told})")
    return ResultFindings(tuple(faults), tuple(remarks))


@dataclass(frozen=True, slots=True)
class _List:
    """What the list of results says."""

    files: tuple[ManifestEntry, ...]
    kept: tuple[ManifestEntry, ...]
    root: str
    seal_line: str
    settings_sha256: str
    versions: dict[str, str]


def _parse_list(data: bytes) -> _List:
    content = parse_json(data)
    return _List(
        tuple(_parse_entry(entry) for entry in content["files"]),
        tuple(_parse_entry(entry) for entry in content["kept"]),
        str(content["root"]),
        str(content.get("seal_line", "")),
        str(content["settings_sha256"]),
        {str(name): str(version) for name, version in content["versions"].items()},
    )


def _differences(folder: Path, there: Mapping[str, Path], made: _List) -> tuple[list[str], list[str]]:
    """Return faults and remarks about the files that the list names or should name."""
    faults, remarks = [], []
    for entry in [*made.files, *made.kept]:
        try:
            path = inside(folder, entry.path)
        except TrialCaptureError:
            faults.append(f"{RESULTS}: lists {entry.path!r}, which is no name of a result; process again")
            continue
        if entry.path not in there and entry not in made.kept:
            faults.append(f"{entry.path}: the result is missing; process again")
        elif path.is_file() and (difference := _difference(path, entry)):
            faults.append(f"{entry.path}: {difference}")
    names = {entry.path for entry in made.files}
    if len(names) < len(made.files):
        faults.append(f"{RESULTS}: lists a result twice, as this program never does; process again")
    for name in sorted(there.keys() - names):
        if name in _OF_EVERY_RUN:
            faults.append(f"{name}: {RESULTS} does not list it, though every run makes it; process again")
        else:
            remarks.append(f"{name}: is no result of the last run")
    return faults, remarks


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
