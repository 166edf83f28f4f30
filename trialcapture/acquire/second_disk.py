"""The second disk: prepared before the first fails, and brought together with it afterwards."""

from __future__ import annotations

from pathlib import Path

from trialcapture.acquire.events import append_safely
from trialcapture.archive.atomic import free_bytes, open_replacement, write_error, write_file
from trialcapture.archive.manifest import hash_file
from trialcapture.archive.session import FILE_NAME, Session
from trialcapture.errors import TrialCaptureError

_SPARE_BYTES = 100_000_000


def prepare_second(session: Session, second: Path) -> Path:
    """Make the session's twin on another disk, so that it is known now whether it can be written to.

    Args:
        session: The session.
        second: Folder on the other disk.

    Returns:
        The twin's folder.

    Raises:
        TrialCaptureError: It is the same folder, or cannot be written to.
    """
    folder = second / session.folder.name
    if folder.resolve() == session.folder.resolve():
        raise TrialCaptureError(
            "the second folder is the first", where=str(second), expected="a folder on another disk"
        )
    try:
        (folder / "raw").mkdir(parents=True, exist_ok=True)
        text = (session.folder / FILE_NAME).read_bytes()
    except OSError as fault:
        raise write_error(fault, folder) from fault
    write_file(folder / FILE_NAME, text)
    return folder


def bring_together(first: Path, second: Path) -> None:
    """Copy the parts and notes that went to the second disk beside the rest, if there is room; they stay there too.

    Args:
        first: Session folder that failed or filled.
        second: Session folder that took over.

    Raises:
        OSError: The first still does not take them.
        TrialCaptureError: It does not, or a copy differs from its original.
    """
    for path in sorted((second / "raw").glob("*-[0-9][0-9]*.log")):
        target = first / "raw" / path.name
        if target.exists() or free_bytes(first) < path.stat().st_size + _SPARE_BYTES:
            continue
        with open_replacement(target) as copy, path.open("rb") as source:
            while part := source.read(1 << 20):
                copy.write(part)
        if hash_file(target) != hash_file(path):
            raise TrialCaptureError("a copy differs from its original", seen=str(path), where=str(target))
    notes = second / "raw" / "notes.jsonl"
    if notes.exists():
        append_safely(first / "raw" / "notes.jsonl", notes.read_bytes())
