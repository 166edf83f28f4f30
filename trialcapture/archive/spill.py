"""Decoded blocks set aside on the disk while a session is processed, so that memory does not grow with its length."""

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

_PREFIX = ".work-"
_STALE_S = 86_400.0
_BUFFER_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class Spilled:
    """Tables in one file.

    Attributes:
        path: The file.
        places: By name, where a table begins and ends in it.
    """

    path: Path
    places: dict[str, tuple[int, int]]


@contextmanager
def open_spill(session: Path) -> Iterator[Path]:
    """Make a folder for tables inside a session, and remove it again.

    What a killed process left behind is removed after a day.

    Raises:
        TrialCaptureError: The session's folder cannot be written to.
    """
    with suppress(OSError):
        for old in session.glob(f"{_PREFIX}*"):
            if time.time() - old.stat().st_mtime > _STALE_S:
                shutil.rmtree(old, ignore_errors=True)
    try:
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=session))
    except OSError as fault:
        raise write_error(fault, session / _PREFIX) from fault
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write_spill(path: Path, tables: Mapping[str, pa.Table]) -> Spilled:
    """Set tables aside in one file.

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
    return Spilled(path, places)


def read_spill(spilled: Spilled) -> dict[str, pa.Table]:
    """Read tables back.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    found = {}
    try:
        with pa.OSFile(str(spilled.path), "rb") as file:
            for name, (begin, end) in spilled.places.items():
                file.seek(begin)
                found[name] = pa.ipc.open_stream(file.read_buffer(end - begin)).read_all()
    except (OSError, pa.ArrowException) as fault:
        raise TrialCaptureError(
            "what was set aside while processing cannot be read back",
            seen=str(fault).splitlines()[0],
            where=str(spilled.path),
            expected="check the disk and run 'trialcapture process' again; raw data is not touched",
        ) from fault
    return found
