"""``trialcapture review``."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from trialcapture.cli.output import (
    accept_option,
    acceptance,
    json_option,
    offer_closing,
    path_argument,
    print_json,
    say,
    shown_progress,
    tell,
)
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    import pyarrow as pa

    from trialcapture.archive.seal import Acceptance
    from trialcapture.archive.session import Session

_WRITER = "review"
"""Whose notes review entries are."""


@click.command()
@path_argument("SESSION")
@click.option("--exclude", metavar="N", multiple=True, type=int, help="Leave out a stretch that was used.")
@click.option("--include", metavar="N", multiple=True, type=int, help="Use a stretch that was left out.")
@click.option(
    "--relabel",
    metavar="N RPM",
    multiple=True,
    type=(int, float),
    help="Put a stretch into the band of another engine speed.",
)
@click.option("--undo", metavar="N", multiple=True, type=int, help="Take back what was entered on a stretch.")
@click.option("--reason", metavar="TEXT", default="", help="Why. Needed for every change.")
@click.option("--by", metavar="NAME", default="", help="Who. Needed for every change.")
@accept_option
@json_option
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
    """List the stretches of a session, or change the verdict on some.

    Without an option every stretch is listed with its number and verdict.
    A change is added to the notes with its reason; nothing is deleted, and
    the automatic result stays in the report beside the reviewed one.

    \b
    trialcapture review monday
    trialcapture review monday --exclude 12 --reason "ferry wash" --by Kim
    """
    from trialcapture.archive.notes import read_notes, read_segments, reviews_of  # noqa: PLC0415
    from trialcapture.archive.session import open_session  # noqa: PLC0415
    from trialcapture.prepare.steady.segment_review import review_segments  # noqa: PLC0415
    from trialcapture.prepare.steady.segments import segments_schema  # noqa: PLC0415

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
        from rich.console import Console  # noqa: PLC0415

        from trialcapture.report.terminal import stretches_view  # noqa: PLC0415

        Console().print(stretches_view(found.segments))
        for warning in found.warnings:
            say(f"{warning['where']}: {warning['text']}", label="note")
        return
    _refuse_incomplete(wanted, reason, by)
    entries = [_entry(kind, number, more, segments, reason.strip(), by.strip()) for kind, number, more in wanted]
    told = _add(opened, entries, segments, acceptance(accept, by))
    if as_json:
        print_json({"session": opened.id, "added": entries, "warnings": told})
        return
    for warning in told:
        say(warning["text"], label="note")
    for entry, (_, number, _more) in zip(entries, wanted, strict=True):
        tell(f"noted: {entry['kind']} stretch {number}, {entry['value']}")
    tell(f"next: trialcapture process {session}")


def _refuse_incomplete(wanted: list[tuple[str, int, dict[str, Any]]], reason: str, by: str) -> None:
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
    from trialcapture.reduce.tables import iso_utc  # noqa: PLC0415

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
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
    return {"t": now, "kind": kind, "value": ends, **more, "reason": reason, "by": by}


def _add(
    session: Session, entries: list[dict[str, Any]], segments: pa.Table, accept: Acceptance | None
) -> list[dict[str, str]]:
    """Add entries to the notes unless one of them could have no effect, and return what is to be said of them."""
    import json  # noqa: PLC0415

    from trialcapture.archive.notes import add_notes, notes_path, parse_note, read_notes, reviews_of  # noqa: PLC0415
    from trialcapture.archive.seal import REVIEW  # noqa: PLC0415
    from trialcapture.prepare.steady.segment_review import review_segments  # noqa: PLC0415
    from trialcapture.system.session_lock import NAME, SessionLock  # noqa: PLC0415

    is_locked = (session.folder / NAME).exists()  # by a recorder at work, or left by one that was killed
    with shown_progress() as progress, SessionLock(session.folder) if is_locked else nullcontext():
        progress("hashing raw files", None)
        notes = read_notes(session)
        file = notes_path(session.folder, _WRITER).name
        first = max((note.line for note in notes if note.file == file), default=-1) + 1
        new = [parse_note(json.dumps(entry).encode(), first + k, file) for k, entry in enumerate(entries)]
        lines = {f"raw/{file}, line {note.line + 1}" for note in new}
        found = review_segments(segments, reviews_of([*notes, *new]))
        told = [warning for warning in found.warnings if warning["where"] in lines]
        unfit = [warning["text"] for warning in told if warning["severity"] == "red"]
        if unfit:
            raise TrialCaptureError("nothing was noted", seen="; ".join(unfit), where=str(session.folder))
        by, t = entries[0]["by"], entries[0]["t"]
        add_notes(session.folder, entries, writer=_WRITER, what=REVIEW, by=by, t=t, accept=accept)
    return told


def _plain_rows(segments: pa.Table) -> list[dict[str, Any]]:
    from trialcapture.reduce.tables import iso_utc  # noqa: PLC0415

    names = [
        "segment_id", "start", "stop", "duration_s", "rpm_mean", "sog_kn_mean", "cog_true_deg_mean", "accepted",
        "reason", "reviewed_accepted", "review_reason", "review_by", "relabelled_rpm",
    ]  # fmt: skip
    columns = []
    for name in names:
        values = list(segments[name])
        columns.append([iso_utc(v.value) if name in ("start", "stop") else v.as_py() for v in values])
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
