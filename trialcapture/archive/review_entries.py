"""Verdicts that people change on stretches: checked, written as notes, sealed; nothing is deleted.

Command line and desk both enter them here. Each entry names its stretch by its time, which holds for other versions of
the program too. `trialcapture.prepare.steady.segment_review` lays the entries over the automatic verdicts.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from math import isfinite
from typing import Any, Literal

import pyarrow as pa

from trialcapture.archive.notes import add_notes, notes_path, parse_note, read_notes, refuse_unsealed, reviews_of
from trialcapture.archive.seal import REVIEW, Acceptance, hold_seal, utc_now
from trialcapture.archive.session import Session
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import REVIEW_KINDS, review_segments
from trialcapture.reduce.tables import iso_utc
from trialcapture.system.session_lock import lock_if_there

Verdict = Literal["exclude", "include", "relabel", "review-undo"]
Wanted = tuple[str, int, dict[str, Any]]
"""What is to be done (a `Verdict`), the number of the stretch, and ``band_rpm`` for a relabelling."""


def enter_reviews(
    session: Session,
    segments: pa.Table,
    wanted: Sequence[Wanted],
    *,
    reason: str,
    by: str,
    writer: str,
    accept: Acceptance | None = None,
    once: str = "",
    progress: Callable[[str, float | None], None] = lambda _step, _share: None,
) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """Change verdicts on stretches, and return the entries and what is to be said of them.

    Args:
        session: The session.
        segments: Its stretches, as they are on the disk.
        wanted: What is to be done.
        reason: Why.
        by: Who.
        writer: Whose notes the entries go to.
        accept: Who accepts what was changed since the session was sealed; None where nobody does.
        once: Name of what was handed in, so that it stands once though it is handed in twice; "" for none. Two that
            differ must not have one name.
        progress: Called with the step under way.

    Raises:
        TrialCaptureError: Reason or name is missing, there is no such stretch, or an entry would have no effect.
    """
    _refuse_incomplete(wanted, reason, by)
    entries = [_entry(kind, number, more, segments, reason.strip(), by.strip()) for kind, number, more in wanted]
    if once:
        entries = [entry | {"once": once} for entry in entries]
    return entries, _add(session, entries, segments, writer, accept, progress, once)


def _refuse_incomplete(wanted: Sequence[Wanted], reason: str, by: str) -> None:
    for name, value, why in (("--reason", reason, "why"), ("--by", by, "who says so")):
        if not value.strip():
            raise TrialCaptureError(
                "a verdict is not changed without saying " + why,
                seen=f"no {name}",
                expected=f'add {name} "…"; it stands in the report',
            )
    for kind, _, more in wanted:
        if kind == "relabel" and not isfinite(more["band_rpm"]):
            raise TrialCaptureError(
                "nothing was noted", seen=f"band_rpm {more['band_rpm']} where an engine speed is needed"
            )
    verdicts = [number for kind, number, _ in wanted if kind != "relabel"]
    labels = [number for kind, number, _ in wanted if kind == "relabel"]
    twice = sorted({n for given in (verdicts, labels) for n in given if given.count(n) > 1})
    if twice:
        raise TrialCaptureError(
            "a stretch is given more than one verdict at once",
            seen=", ".join(map(str, twice)),
            expected="give each stretch once",
        )


def _entry(kind: str, number: int, more: dict[str, Any], segments: pa.Table, reason: str, by: str) -> dict[str, Any]:
    """Return a note that names a stretch by its time, which holds for other versions too."""
    ids = segments["segment_id"].to_pylist()
    if number not in ids:
        raise TrialCaptureError(
            "there is no stretch of this number",
            seen=number,
            expected=f"one of {min(ids)} to {max(ids)}; list them by leaving the options out"
            if ids
            else "there is none",
        )
    row = ids.index(number)
    ends = "/".join(iso_utc(segments[name][row].value) for name in ("start", "stop"))
    return {"t": utc_now(), "kind": kind, "value": ends, **more, "reason": reason, "by": by}


def _add(
    session: Session,
    entries: list[dict[str, Any]],
    segments: pa.Table,
    writer: str,
    accept: Acceptance | None,
    progress: Callable[[str, float | None], None],
    once: str,
) -> list[dict[str, str]]:
    """Add entries to the notes unless one of them could have no effect, and return what is to be said of them.

    Nothing is added where the newest entries have this name already.
    """
    with lock_if_there(session.folder):
        progress("hashing raw files", None)
        notes = read_notes(session)
        newest = [note.once for note in notes if note.kind in REVIEW_KINDS][-len(entries) :]
        if once and newest == [once] * len(entries):
            with hold_seal(session.folder):  # killed between writing and sealing, they need somebody who accepts them
                refuse_unsealed(session.folder, accept)
            return []
        file = notes_path(session.folder, writer).name
        first = max((note.line for note in notes if note.file == file), default=-1) + 1
        new = [parse_note(json.dumps(entry).encode(), first + k, file) for k, entry in enumerate(entries)]
        lines = {f"raw/{file}, line {note.line + 1}" for note in new}
        found = review_segments(segments, reviews_of([*notes, *new]))
        told = [warning for warning in found.warnings if warning["where"] in lines]
        unfit = [warning["text"] for warning in told if warning["severity"] == "red"]
        if unfit:
            raise TrialCaptureError("nothing was noted", seen="; ".join(unfit), where=str(session.folder))
        by, t = entries[0]["by"], entries[0]["t"]
        add_notes(session.folder, entries, writer=writer, what=REVIEW, by=by, t=t, accept=accept)
    return told
