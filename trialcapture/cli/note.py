"""``trialcapture note`` and ``review``: what people saw, measured or found, and their verdicts on steady stretches."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console

from trialcapture.archive.note_entry import enter_reviews, note_entry
from trialcapture.archive.note_kinds import KINDS
from trialcapture.archive.notes import (
    add_notes,
    complete_photo,
    entered_time,
    note_time,
    observations_of,
    read_notes,
    read_segments,
    reviews_of,
    session_time,
)
from trialcapture.archive.seal import NOTE
from trialcapture.archive.session import Session, open_session
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, offer_closing, root_text
from trialcapture.config import read_walk_round
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import review_segments
from trialcapture.prepare.steady.segments import segments_schema
from trialcapture.reduce.note_record import walk_round_entries
from trialcapture.reduce.summary import as_json as plain
from trialcapture.reduce.tables import iso_utc
from trialcapture.report.terminal import stretches_view
from trialcapture.system.session_files import is_locked

if TYPE_CHECKING:
    import pyarrow as pa

_WRITER = "note"


def note(
    session: Path,
    kind: str | None,
    value: str | None,
    unit: str,
    where: str,
    at: str | None,
    by: str,
    photo: Path | None,
    checklist: str | None,
    accept: str | None,
    as_json: bool,
    **fields: str | None,
) -> None:
    """Add a note to a session, or show what of the walk round is open."""
    if value is not None and value.startswith("--"):
        raise click.NoSuchOption(value)
    opened = open_session(session)
    if checklist is not None:
        _show_open(opened, checklist, kind, as_json)
        return
    if kind is None:
        raise click.UsageError("Missing argument 'KIND': one of " + ", ".join(KINDS) + "; or --list.")
    now, notes = datetime.now(UTC), read_notes(opened)
    shown = session_time(notes, now)
    entry = note_entry(
        kind,
        value,
        unit=unit,
        where=where,
        by=by,
        t=note_time(shown) if at is None else entered_time(at, shown, where="--at"),
        fields={name: typed for name, typed in fields.items() if typed is not None},
        engine_ids=opened.config.engine_ids,
        notes=notes,
        units=opened.config.report.units,  # the answer says which gallon
    )
    if at is not None:
        entry["entered"] = note_time(shown)
    if kind == "photo":
        if photo is None:
            raise TrialCaptureError("a photo needs its file", seen="no --photo", expected="--photo FILE")
        if remark := complete_photo(entry, photo, notes, opened.folder):
            tell(f"{remark}. --at gives another")

    done = add_notes(
        session,
        [entry],
        writer=_WRITER,
        what=NOTE,
        by=by or "note",
        t=note_time(now, "seconds"),
        accept=acceptance(accept, by),
        is_recorded=lambda: is_locked(session),
        photo=photo,
    )
    root = None if done.sealed is None else done.sealed.root
    if as_json:
        print_json({"session": opened.id, "added": done.entries[0], "root": root})
        return
    told = "" if entry["value"] is None else f" {entry['value']} {entry['unit']}".rstrip()
    tell(f"noted: {kind}{told} at {entry['t']}")
    if root is None:
        tell("not sealed yet: the session is not sealed; a recorder at work seals it when it ends")
    else:
        for line in root_text(root).split("\n"):
            tell(line)


def _show_open(session: Session, checklist: str, kind: str | None, as_json: bool) -> None:
    """Print the items of a checklist with what is open.

    Raises:
        TrialCaptureError: There is no checklist, or it cannot be read.
    """
    if kind is not None:
        raise click.UsageError("--list shows what is open and notes nothing: leave out the kind and its value.")
    items = read_walk_round(Path(checklist)) if checklist else session.config.trial.walk_round
    if not items:
        raise TrialCaptureError(
            "the settings of this session have no checklist", where=str(session.folder),
            expected="--list FILE, or walk_round = \"walk_round.toml\" under [trial] of the settings",
        )  # fmt: skip
    found = walk_round_entries(items, observations_of(read_notes(session)))
    if as_json:
        print_json({"session": session.id, "items": plain(found)})
        return
    for area in dict.fromkeys(item.area for item in found):
        tell(area)
        for item in (i for i in found if i.area == area):
            state = "open" if item.is_open else "done"
            about = f"measure, {item.unit}" if item.kind == "measure" else "finding"
            tell(f"  {state}  {item.what} ({about}{'' if item.is_standard else ', optional'})")
    left = sum(i.is_open and i.is_standard for i in found)
    tell(f"{left} of {sum(i.is_standard for i in found)} standard items open")


_REVIEW_WRITER = "review"
"""Whose notes review entries are."""


def review(
    session: Path,
    exclude: tuple[int, ...],
    include: tuple[int, ...],
    relabel: tuple[tuple[int, float], ...],
    undo: tuple[int, ...],
    reason: str,
    by: str,
    accept: str | None,
    as_json: bool,
) -> None:
    """List the stretches, or note changes of their verdict."""
    opened = open_session(session)
    offer_closing(session)
    segments = read_segments(session, segments_schema(opened.config.engine_ids))
    wanted: list[tuple[str, int, dict[str, Any]]] = [("exclude", n, {}) for n in exclude]
    wanted += [("include", n, {}) for n in include] + [("relabel", n, {"band_rpm": rpm}) for n, rpm in relabel]
    wanted += [("review-undo", n, {}) for n in undo]
    if not wanted:
        found = review_segments(segments, reviews_of(read_notes(opened)))
        if as_json:
            print_json({"session": opened.id, "segments": _plain_rows(found.segments), "warnings": found.warnings})
            return

        Console().print(stretches_view(found.segments))
        for warning in found.warnings:
            say(f"{warning['where']}: {warning['text']}", label="note")
        return

    with shown_progress() as progress:
        entries, told = enter_reviews(
            opened, segments, wanted, reason=reason, by=by, writer=_REVIEW_WRITER, accept=acceptance(accept, by),
            progress=progress,
        )  # fmt: skip
    if as_json:
        print_json({"session": opened.id, "added": entries, "warnings": told})
        return
    for warning in told:
        say(warning["text"], label="note")
    for entry, (_, number, _more) in zip(entries, wanted, strict=True):
        tell(f"noted: {entry['kind']} stretch {number}, {entry['value']}")
    tell(f"next: trialcapture process {session}")


def _plain_rows(segments: pa.Table) -> list[dict[str, Any]]:
    names = [
        "segment_id", "start", "stop", "duration_s", "rpm_mean", "sog_kn_mean", "cog_true_deg_mean", "accepted",
        "reason", "reviewed_accepted", "review_reason", "review_by", "relabelled_rpm",
    ]  # fmt: skip
    columns = []
    for name in names:
        values = list(segments[name])
        columns.append([iso_utc(v.value) if name in ("start", "stop") else v.as_py() for v in values])
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
