"""Decoded tables set aside on the disk while a session is processed, so that memory does not grow with its length."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from trialcapture.archive.atomic import write_error
from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import remove_tree
from trialcapture.system.session_files import make_folder

_RUN_PREFIX = "run-"
MOVE_LIST = "moves.json"
"""In the folder of a run while its results are put in place: a folder with this list is not removed."""
_ABANDONED_S = 86_400.0
"""A folder this old was left by a run that was killed (our choice: no run takes a day)."""
_BUFFER_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class StoredTables:
    """Tables in one file.

    Attributes:
        path: The file.
        places: By name, where a table begins and ends in it.
    """

    path: Path
    places: dict[str, tuple[int, int]]


@dataclass(frozen=True, slots=True)
class HeldTables:
    """Tables that are held in memory, where others are set aside: by name."""

    tables: Mapping[str, pa.Table]


def work_folder(session: Path) -> Path:
    """Return where a session keeps what is no result: it can be deleted at any time between two runs."""
    return session / "trialset" / "work"


@contextmanager
def open_run_folder(session: Path) -> Iterator[Path]:
    """Make a folder of its own for one run in the work folder of a session, and remove it again.

    What a killed run left behind is removed after a day; the folder of a run at work never is.

    Raises:
        TrialCaptureError: The session's folder cannot be written to.
    """
    parent = work_folder(session)
    try:
        make_folder(parent)
        for old in parent.glob(f"{_RUN_PREFIX}*"):
            with suppress(OSError):  # another run has removed it meanwhile
                if time.time() - old.stat().st_mtime > _ABANDONED_S and not (old / MOVE_LIST).exists():
                    shutil.rmtree(old, ignore_errors=True)
        folder = Path(tempfile.mkdtemp(prefix=_RUN_PREFIX, dir=parent))
    except OSError as fault:
        raise write_error(fault, parent) from fault
    try:
        yield folder
    finally:
        if not (folder / MOVE_LIST).exists():
            remove_tree(folder)
        with suppress(OSError):  # a run that came to nothing leaves no empty folders
            parent.rmdir()
            parent.parent.rmdir()


def write_tables(path: Path, tables: Mapping[str, pa.Table]) -> StoredTables:
    """Write tables into one file.

    Raises:
        TrialCaptureError: The disk is full or cannot be written.
    """
    places: dict[str, tuple[int, int]] = {}
    try:
        # Arrow writes a column's buffers and their padding one by one
        with pa.output_stream(str(path), compression=None, buffer_size=_BUFFER_BYTES) as file:
            for name, table in tables.items():
                begin = file.tell()
                with pa.ipc.new_stream(file, table.schema) as stream:
                    stream.write_table(table)
                places[name] = (begin, file.tell())
    except OSError as fault:
        raise write_error(fault, path) from fault
    return StoredTables(path, places)


def read_tables(stored: StoredTables | HeldTables, *, leave_out: str = "") -> dict[str, pa.Table]:
    """Read tables back.

    Args:
        stored: The tables.
        leave_out: Name of one that is not wanted.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    if isinstance(stored, HeldTables):
        return {name: table for name, table in stored.tables.items() if name != leave_out}
    places = {name: place for name, place in stored.places.items() if name != leave_out}
    return dict(_read(stored.path, places))


def read_table(stored: StoredTables | HeldTables, name: str) -> pa.Table:
    """Read one table back.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    if isinstance(stored, HeldTables):
        return stored.tables[name]
    return dict(_read(stored.path, {name: stored.places[name]}))[name]


def _read(path: Path, places: Mapping[str, tuple[int, int]]) -> Iterator[tuple[str, pa.Table]]:
    try:
        with pa.OSFile(str(path), "rb") as file:
            for name, (begin, end) in places.items():
                file.seek(begin)
                yield name, pa.ipc.open_stream(file.read_buffer(end - begin)).read_all()
    except (OSError, pa.ArrowException) as fault:
        raise TrialCaptureError(
            "what was set aside while processing cannot be read back",
            seen=str(fault).splitlines()[0],
            where=str(path),
            expected="check the disk and run 'trialcapture process' again; raw data is not touched",
        ) from fault
