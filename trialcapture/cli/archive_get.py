"""``trialcapture archive get``: a session out of an archive."""

from __future__ import annotations

from pathlib import Path

from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.cli.output import print_json, shown_progress, tell
from trialcapture.errors import TrialCaptureError


def get(archive: str, session: str, into: Path, revision: int | None, number: int | None, as_json: bool) -> None:
    """Fetch a session, every file checked."""
    opened = open_archive(archive)
    stored = opened.find(session)
    found = opened.revision(stored, revision)
    numbers = stored.results.get(found.number, ())
    if number is not None and number not in numbers:
        raise TrialCaptureError(
            "the archive has no such results of this session",
            seen=number,
            where=found.session_id,
            expected=", ".join(map(str, numbers)) or "none are stored",
        )
    chosen = number if number is not None else (numbers[-1] if numbers else None)
    results = None if chosen is None else opened.read_results(stored.key, found.number, chosen)
    with shown_progress() as progress:
        opened.fetch(found, into, results, progress=progress)
    if as_json:
        print_json({"session": found.session_id, "revision": found.number, "results": chosen, "folder": into})
        return
    version = "" if results is None else f", results {chosen} by version {results.version}"
    tell(f"{found.session_id}, revision {found.number}{version}, in {into}")
