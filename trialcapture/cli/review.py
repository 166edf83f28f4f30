"""``trialcapture review``: the verdict on each steady stretch, as it is and as people change it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from trialcapture.archive.notes import read_notes, read_segments, reviews_of
from trialcapture.archive.review_entries import enter_reviews
from trialcapture.archive.session import open_session
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, offer_closing
from trialcapture.prepare.steady.segment_review import review_segments
from trialcapture.prepare.steady.segments import segments_schema
from trialcapture.reduce.tables import iso_utc
from trialcapture.report.terminal import stretches_view

if TYPE_CHECKING:
    import pyarrow as pa


_WRITER = "review"
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
            opened, segments, wanted, reason=reason, by=by, writer=_WRITER, accept=acceptance(accept, by),
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
