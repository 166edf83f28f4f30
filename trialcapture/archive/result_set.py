"""The results of a run: written aside, put in their places all together or not at all, and listed with their hashes.

At no moment do files of two runs lie side by side under the names of results. First everything new is written, checked
and safe on the disk in the run's own folder, with a list of what is to be moved. Then the former files are moved there,
and only when all of them are out of the way the new ones take their places. Where a file is refused, because a
spreadsheet has it open, what was moved is moved back. Where the program is killed in between, the list tells the next
run, which finishes the move or, where that is refused, takes it back.

``reduction/results.json`` says what the results were made of, so that an edited result is found. It holds the root of
the raw files, the last line of the seal (its hash), the hash of the settings, the units of the reader, the versions of
program and libraries, and size and hash of every result; no time and no path of this computer. What is kept for the
next run (``trialset/work``) may be deleted at any time, but not be another: its hash stands apart.

No seal covers this list: whoever edits a result can edit the list too. What shows that is deriving again
(`trialcapture.pipeline.derived_again`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from trialcapture.archive.atomic import DISK_FULL, MOVE_LIST, open_run_folder, work_folder, write_error, write_file
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.seal import SealLine, versions_now
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import remove_file, remove_tree, replace_file, sync_folder
from trialcapture.system.session_files import (
    SessionLock,
    inside,
    make_folder,
    plain_files,
    read_whole,
    refuse_in_place_of,
)

_NEW, _FORMER = "new", "former"
_NAME = re.compile(r"(?:trialset|trialset/work|reduction)/[A-Za-z0-9_-][A-Za-z0-9_.-]*")
_LOCK = "results.lock"
_LOCK_WAIT_S = 30.0
"""How long another run may take to put its results in place (our choice: a few renames of 3 s at most)."""


@dataclass(frozen=True, slots=True)
class _Move:
    """What is moved between the places of results and the folder of one run.

    Attributes:
        session: The session.
        aside: The run's folder.
        names: Results, relative to the session, with ``/``.
    """

    session: Path
    aside: Path
    names: tuple[str, ...]

    def put_in_place(self) -> None:
        """Move the former results out of the way, then the new ones in; what is moved already stays.

        Raises:
            OSError: The system refuses a rename.
        """
        waiting = [name for name in self.names if (self.aside / _NEW / name).is_file()]
        for name in waiting:
            if (self.session / name).exists():
                _move(self.session / name, self.aside / _FORMER / name)
        for name in waiting:
            _move(self.aside / _NEW / name, self.session / name)
        for folder in sorted({(self.session / name).parent for name in self.names}):
            sync_folder(folder)

    def take_back(self) -> list[str]:
        """Move the former results back; return those that are refused."""
        refused = []
        for name in self.names:
            new, former, place = self.aside / _NEW / name, self.aside / _FORMER / name, self.session / name
            try:
                if not new.exists() and place.exists():
                    _move(place, new)
                if former.exists():
                    _move(former, place)
            except OSError:
                refused.append(name)
        return refused


class ResultSet:
    """The results of one run; made by `open_result_set`.

    Args:
        session: The session.
        aside: Folder of the run.
    """

    def __init__(self, session: Path, aside: Path) -> None:
        self._session = session
        self._aside = aside
        self._names: list[str] = []

    def place(self, name: str) -> Path:
        """Return where to write a result so that it is put in its place with the others.

        Args:
            name: Relative to the session, with ``/``, such as ``reduction/bands.csv``.
        """
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name!r} is no name of a result")
        if name not in self._names:
            self._names.append(name)
        return self._aside / _NEW / name

    @property
    def written(self) -> tuple[str, ...]:
        """Names of the results that this run has written so far."""
        return tuple(name for name in self._names if (self._aside / _NEW / name).is_file())

    def current(self, name: str) -> Path:
        """Return where to read a result: the one of this run if it has written it, else that of an earlier one."""
        written = self._aside / _NEW / name
        return written if written.is_file() else self._session / name

    def take(self, name: str, path: Path) -> None:
        """Take over a file that an earlier run left as one of this run; it is moved.

        Raises:
            OSError: The system refuses.
        """
        place = self.place(name)
        make_folder(place.parent)
        replace_file(path, place)

    def put_in_place(self) -> None:
        """Put all that was written in its place.

        Raises:
            TrialCaptureError: A program has a former result open, or the disk is full. All former results stand then
                as they were, unless the error says otherwise.
        """
        move = _Move(self._session, self._aside, self.written)
        with _only_one_run(self._session):
            _write_list(move)
            try:
                move.put_in_place()
            except BaseException as fault:
                refused = move.take_back()
                if not refused:
                    with suppress(OSError):  # with a list that stays the next run finishes the move
                        remove_file(self._aside / MOVE_LIST)
                if isinstance(fault, OSError):
                    raise _refusal(fault, move, refused) from fault
                raise
            _forget(move)


@contextmanager
def open_result_set(session: Path) -> Iterator[ResultSet]:
    """Give a run a place for its results, and remove it again.

    What a killed run had begun to put in place is finished or taken back first.

    Args:
        session: The session's folder.

    Raises:
        TrialCaptureError: The session's folder cannot be written to, or a program has a result open.
    """
    complete_interrupted(session)
    with open_run_folder(session) as aside:
        yield ResultSet(session, aside)


def complete_interrupted(session: Path) -> bool:
    """Finish what a killed run had begun to put in place, or take it back; return whether there was anything.

    Args:
        session: The session's folder.

    Raises:
        TrialCaptureError: A program has a result open, so that neither can be done.
    """
    if not _lists(session):
        return False
    with _only_one_run(session):
        for path in _lists(session):
            move = _read_list(session, path)
            if move is not None:
                try:
                    move.put_in_place()
                except OSError as fault:
                    refused = move.take_back()
                    if refused:
                        raise _refusal(fault, move, refused) from fault
                _forget(move)
                remove_tree(move.aside)
            else:  # damaged, or not written by this program: nothing is moved on its word
                remove_file(path)
    return True


def _move(source: Path, target: Path) -> None:
    make_folder(target.parent)
    refuse_in_place_of(target)
    replace_file(source, target)


def _write_list(move: _Move) -> None:
    content = {"names": move.names}
    write_file(move.aside / MOVE_LIST, (json.dumps(content, indent=1) + "\n").encode())
    with suppress(OSError):  # the folder of the run itself
        sync_folder(move.aside.parent)


def _forget(move: _Move) -> None:
    """Remove the list of what was moved; the folder of the run can go then."""
    try:
        remove_file(move.aside / MOVE_LIST)
    except OSError as fault:
        raise write_error(fault, move.aside / MOVE_LIST) from fault


def _lists(session: Path) -> list[Path]:
    found = work_folder(session).glob(f"run-*/{MOVE_LIST}")
    return sorted(path for path in found if not path.parent.is_symlink())


def _read_list(session: Path, path: Path) -> _Move | None:
    """Return what a list says; None where it is damaged or would move anything but plain files that are results."""
    try:
        names = parse_json(read_whole(path, MOST_JSON_BYTES))["names"]
    except (OSError, ValueError, KeyError, TypeError, TrialCaptureError):
        return None
    if not isinstance(names, list) or not all(isinstance(name, str) and _NAME.fullmatch(name) for name in names):
        return None
    move = _Move(session, path.parent, tuple(names))
    folders = (path.parent / _NEW, path.parent / _FORMER, session / "trialset", session / "reduction")
    places = [base / name for base in (path.parent / _NEW, path.parent / _FORMER, session) for name in names]
    links = [place for place in (*folders, *(p.parent for p in places), *places) if place.is_symlink()]
    odd = [place for place in places if place.exists() and not place.is_file()]
    return None if links or odd else move


def _refusal(fault: OSError, move: _Move, refused: Sequence[str]) -> TrialCaptureError:
    where = _place_of(fault, move)
    told = write_error(fault, where)
    if refused:
        return TrialCaptureError(
            "the results could not be put in place, and some of the former ones not back",
            seen=f"{fault.strerror or fault}; {', '.join(refused)}",
            where=str(where),
            expected="close the program that has it open, such as a spreadsheet, and run 'trialcapture process' on the "
            "session again, which sets it right; raw data is not touched",
        )
    if fault.errno in DISK_FULL:
        return told
    return TrialCaptureError(
        "the results could not be put in place; those of the run before stand as they were",
        seen=fault.strerror or str(fault),
        where=str(where),
        expected="close the program that has it open, such as a spreadsheet, and run the same command again",
    )


def _place_of(fault: OSError, move: _Move) -> Path:
    """Return the place of the result whose rename was refused."""
    path = Path(str(fault.filename or move.session))
    with suppress(ValueError):
        return move.session / path.relative_to(move.aside / _NEW)
    return path


def _only_one_run(session: Path) -> SessionLock:
    """Return what lets one run at a time move results, and waits for another one that does."""
    return SessionLock(
        work_folder(session), _LOCK, holder="another run puts its results into this session", wait_s=_LOCK_WAIT_S
    )


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
