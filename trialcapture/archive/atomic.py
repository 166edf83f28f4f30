"""Files that are complete or absent: temporary file beside the target, fsync, check, rename."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from trialcapture.errors import TrialCaptureError
from trialcapture.system.files import patiently, remove_file, replace_file, sync_file, sync_folder
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
