"""What a comparison reads of sessions: from their folders, or from an archive, chosen by id, pattern or boat."""

from __future__ import annotations

import fnmatch
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
from pyarrow import csv

from trialcapture.archive.fleet.fleet_archive import FleetArchive, StoredSession, read_made
from trialcapture.archive.fleet.fleet_index import current_sessions
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.session import open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.session_comparison import LEG_COLUMNS, ComparedSession, parse_derived
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA
from trialcapture.safe_text import clean_text
from trialcapture.system.session_files import is_plain_file, read_whole

_NEEDED = ("reduction/summary.json", "reduction/bands.parquet", "reduction/legs.csv")
_MOST_BYTES = 64 << 20
MOST_CHOSEN = 500
"""Sessions of a side: more are a question for ``archive query`` (our choice)."""


def read_compared(folder: Path) -> ComparedSession:
    """Return what a comparison needs of a processed session.

    Args:
        folder: The session; its results are held against the hashes of ``reduction/results.json``.

    Raises:
        TrialCaptureError: It is no session, was not processed, its results were edited, or another version made them in
            a way that this one cannot read.
    """
    open_session(folder)
    read_made(folder, _NEEDED)
    return _read(folder)


def _read(folder: Path) -> ComparedSession:
    derived = parse_derived(read_whole(folder / _NEEDED[0], _MOST_BYTES))
    bands = read_parquet(folder / _NEEDED[1], BANDS_SCHEMA)
    return ComparedSession(derived, bands, _read_legs(folder / _NEEDED[2]))


def _read_legs(path: Path) -> pa.Table:
    kept = pa.schema([LEGS_SCHEMA.field(name) for name in LEG_COLUMNS])
    options = csv.ConvertOptions(
        column_types=kept, include_columns=list(LEG_COLUMNS), null_values=[""], strings_can_be_null=True
    )
    try:
        data = pa.BufferReader(read_whole(path, _MOST_BYTES))
        return csv.read_csv(data, parse_options=csv.ParseOptions(newlines_in_values=True), convert_options=options)
    except (pa.ArrowException, UnicodeDecodeError) as fault:
        raise TrialCaptureError(
            "the legs of a session cannot be compared",
            seen=clean_text(str(fault).splitlines()[0][:200]),
            where=clean_text(str(path)),
            expected="results of this version; derive the session again",
        ) from fault


def read_side(archive: FleetArchive | None, text: str) -> list[ComparedSession]:
    """Return the sessions of one side of a comparison.

    Args:
        archive: Where they are; None where only folders are compared.
        text: A folder of a session; or ids of the archive, parted by commas, each exact or with ``*``; or
            ``boat=NAME``.

    Raises:
        TrialCaptureError: Nothing or too much fits, or a session cannot be compared; the message names it.
    """
    folder = Path(text)
    if archive is None or is_plain_file(folder / "session.toml"):
        return [read_compared(folder)]
    with tempfile.TemporaryDirectory(prefix="trialcapture-compare-", ignore_cleanup_errors=True) as scratch:
        return [_fetched(archive, stored, Path(scratch)) for stored in choose_sessions(archive, text)]


def choose_sessions(archive: FleetArchive, text: str) -> list[StoredSession]:
    """Return the sessions that a text names; see `read_side`."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if len(parts) == 1 and "*" not in parts[0] and not parts[0].startswith("boat="):
        return [archive.find(parts[0])]
    table, _ = current_sessions(archive)
    known = list(zip(*(table[name].to_pylist() for name in ("key", "listed", "session_id", "boat")), strict=True))
    chosen: dict[str, StoredSession] = {}
    for part in parts:
        found = [
            StoredSession.parse(key, listed)
            for key, listed, session_id, boat in known
            if _fits(part, session_id or key, boat or "")
        ]
        if not found and "*" not in part and not part.startswith("boat="):
            found = [archive.find(part)]
        if not found:
            raise TrialCaptureError(
                "the archive holds no such session",
                seen=clean_text(part[:80]),
                where=clean_text(archive.place),
                expected="ids as 'trialcapture archive list' prints them, parted by commas; 'spring-*'; or 'boat=NAME'",
            )
        chosen |= {session.key: session for session in found}
    if len(chosen) > MOST_CHOSEN:
        raise TrialCaptureError(
            "more sessions than are compared at once",
            seen=len(chosen),
            where=clean_text(text[:80]),
            expected=f"at most {MOST_CHOSEN} on a side; 'trialcapture archive query' takes all",
        )
    return list(chosen.values())


def _fits(part: str, session_id: str, boat: str) -> bool:
    if part.startswith("boat="):
        return " ".join(boat.casefold().split()) == " ".join(part.removeprefix("boat=").casefold().split())
    return fnmatch.fnmatchcase(session_id, part.replace("[", "[[]").replace("?", "[?]"))


def _fetched(archive: FleetArchive, stored: StoredSession, scratch: Path) -> ComparedSession:
    revision = archive.revision(stored)
    results: Sequence[int] = stored.results.get(revision.number, ())
    if not results:
        raise TrialCaptureError(
            "this session has no results to compare",
            where=clean_text(revision.session_id),
            expected="derive it: trialcapture archive process ARCHIVE",
        )
    made = archive.read_results(stored.key, revision.number, results[-1])
    folder = archive.fetch(
        revision, scratch / stored.key, made, wanted=lambda path: path == "session.toml" or path in _NEEDED
    )
    try:
        return _read(folder)
    except TrialCaptureError as fault:
        raise TrialCaptureError(
            fault.what, seen=fault.seen, where=f"{clean_text(revision.session_id)}: {fault.where}",
            expected=fault.expected,
        ) from fault  # fmt: skip
    except OSError as fault:
        raise TrialCaptureError(
            "results of a session are incomplete",
            seen=clean_text(str(fault.filename or fault)),
            where=clean_text(revision.session_id),
            expected="derive it again: trialcapture archive process ARCHIVE",
        ) from fault
