"""Files that are complete or absent: temporary file beside the target, fsync, check, rename; and the work folder.

The work folder holds decoded tables, set aside on the disk while a session is processed, so that memory does not grow
with its length.
"""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa

from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import patiently, remove_file, remove_tree, replace_file, sync_file, sync_folder
from trialcapture.system.session_files import make_folder, open_plain, read_parts, refuse_in_place_of

DISK_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}


@contextmanager
def open_replacement(
    path: Path, *, needed_bytes: int | None = None, check: Callable[[Path], None] | None = None
) -> Iterator[BinaryIO]:
    """Open a file that takes the place of `path` only once it is whole and on the disk.

    Leaving the block normally flushes, fsyncs, checks and renames; leaving it by any exception, Ctrl-C
    included, removes what was written and leaves a former `path` as it was.

    Args:
        path: The file to make or replace; its folder is made when it is not there.
        needed_bytes: About how much will be written, for the message when the disk is full.
        check: Called with the temporary file's path after it is closed; raises what is wrong with it.

    Raises:
        TrialCaptureError: The disk is full or the file cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        make_folder(path.parent)
        refuse_in_place_of(path)
        temporary.unlink(missing_ok=True)  # of an earlier process of this number, which was killed
        with open_plain(temporary, "xb") as file:
            yield file
            file.flush()
            sync_file(file.fileno())
        if check is not None:
            check(temporary)
        replace_file(temporary, path)
        sync_folder(path.parent)
    except OSError as fault:
        raise write_error(fault, path, needed_bytes) from fault
    finally:
        with suppress(OSError):
            remove_file(temporary)


def write_file(path: Path, data: bytes) -> None:
    """Write a whole file so that it is complete or absent, whatever happens meanwhile.

    Args:
        path: The file to make or replace.
        data: Its content.

    Raises:
        TrialCaptureError: The disk is full, the file cannot be written, or it does not read back the same.
    """

    def reads_back(temporary: Path) -> None:
        with open_plain(temporary) as written:
            is_same = written.read(len(data) + 1) == data
        if not is_same:
            raise TrialCaptureError(
                "a file did not read back as it was written",
                where=str(path),
                expected="check the disk; nothing was replaced",
            )

    with open_replacement(path, needed_bytes=len(data), check=reads_back) as file:
        file.write(data)


def append_safely(path: Path, lines: bytes) -> None:
    """Append whole lines in one write and fsync; what a full disk took of them is taken back.

    Args:
        path: A file that nobody else appends to meanwhile; made when it is not there.
        lines: What to append.

    Raises:
        OSError: The disk does not take them.
    """
    make_folder(path.parent)
    with patiently(lambda: open_plain(path, "ab", buffering=0)) as file:
        start = file.seek(0, os.SEEK_END)
        view = memoryview(lines)
        try:
            while view:
                view = view[file.write(view) or 0 :]
            sync_file(file.fileno())
        except OSError:
            with suppress(OSError):
                file.truncate(start)
            raise


def _content(path: Path) -> bytes | None:
    try:
        with open_plain(path) as file:
            return b"".join(read_parts(file, 1 << 20))
    except FileNotFoundError:
        return None


@contextmanager
def as_before_on_failure(paths: Iterable[Path]) -> Iterator[list[Path]]:
    """Give files back what they held where anything that is done with them meanwhile fails.

    Args:
        paths: Files that are changed together, small enough to be held in memory; those that are not there yet are
            removed again.

    Yields:
        A list for files that are made meanwhile, which are removed again too.
    """
    former = {path: _content(path) for path in paths}
    made: list[Path] = []
    try:
        yield made
    except BaseException:
        for path, data in former.items():
            with suppress(OSError, TrialCaptureError):  # what went wrong first is what is told
                if data is None:
                    remove_file(path)
                elif _content(path) != data:
                    write_file(path, data)
        for path in made:
            with suppress(OSError):
                remove_file(path)
        raise


def write_error(fault: OSError, path: Path, needed_bytes: int | None = None) -> TrialCaptureError:
    """Return the error a person should see when writing failed.

    Args:
        fault: What the operating system said.
        path: The file that was to be written.
        needed_bytes: About how much room it needs.
    """
    if fault.errno in DISK_FULL:
        needed = "" if needed_bytes is None else f", about {size_text(needed_bytes)} are needed"
        return TrialCaptureError(
            "the disk is full, nothing half-written was left",
            seen=f"{size_text(free_bytes(path.parent))} free{needed}",
            where=str(path),
            expected="free some space or choose another disk, then run the same command again",
        )
    return TrialCaptureError(
        "a file cannot be written",
        seen=fault.strerror or str(fault),
        where=str(path),
        expected="check that the folder exists, may be written to, and no other program holds the file open",
    )


def free_bytes(folder: Path) -> int:
    """Return the free space [bytes] of the disk a folder is on; the folder itself need not exist yet."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


def size_text(size_bytes: int) -> str:
    """Return a size as people read it, such as ``"1.5 MB"``."""
    size, units = float(size_bytes), ["bytes", "kB", "MB", "GB", "TB"]
    while size >= 1000 and len(units) > 1:
        size /= 1000
        units.pop(0)
    return f"{size:.0f} {units[0]}" if units[0] == "bytes" else f"{size:.1f} {units[0]}"


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
