"""``trialcapture review``."""

from __future__ import annotations

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

if TYPE_CHECKING:
    import pyarrow as pa


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
    from trialcapture.archive.review_entries import enter_reviews  # noqa: PLC0415

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
