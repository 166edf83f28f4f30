"""Review entries on disk: appended to the notes, with the manifest brought up to date."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture.archive.incoming import refuse_changed_files
from trialcapture.archive.manifest import read_manifest, write_manifest
from trialcapture.archive.notes import append_notes, notes_path
from trialcapture.archive.parquet import read_parquet
from trialcapture.errors import TrialCaptureError


def add_review_entries(folder: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    """Append review entries to a session's notes.

    Lines that somebody put behind the notes by hand are taken into the manifest with them; any other change of a raw
    file is refused, because a new manifest would hide it.

    Args:
        folder: The session; no recorder may be at work on it.
        entries: As in `trialcapture.archive.notes`.

    Raises:
        TrialCaptureError: A raw file is not as the manifest says, or the disk does not take the entries.
    """
    has_manifest = read_manifest(folder) is not None
    if has_manifest:
        refuse_changed_files(folder, may_have_grown={notes_path(folder).relative_to(folder).as_posix()})
    append_notes(folder, entries)
    if has_manifest:
        write_manifest(folder)


def read_segments(folder: Path) -> pa.Table:
    """Return the segments of a session that was processed.

    Raises:
        TrialCaptureError: It was not, or the file is damaged.
    """
    path = folder / "trialset" / "segments.parquet"
    if not path.is_file():
        raise TrialCaptureError(
            "this session has no stretches yet, so none can be reviewed",
            where=str(path),
            expected=f"find them first: trialcapture process {folder}",
        )
    return read_parquet(path)
