"""From segments to band table, summary and page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.archive.second_process import SecondProcess
from trialcapture.archive.session import Session
from trialcapture.config import Config
from trialcapture.pipeline.evidence import with_evidence
from trialcapture.pipeline.rejects import Rejected
from trialcapture.prepare.review import as_reviewed
from trialcapture.prepare.review_entry import ReviewEntry
from trialcapture.reduce.reviewed import reduce_reviewed
from trialcapture.reduce.trial import reduce_trial


@dataclass(frozen=True, slots=True)
class Prepared:
    """What the reduction and the report need.

    Attributes:
        session: The session.
        config: Settings as used.
        raw: Path, hash and size of every raw file.
        counts: Sentences good, bad and not decoded, by source, talker and formatter.
        segments: As prepared.
        clocks: The clocks table.
        overview: A row a second of the samples.
        rejected: Counts of rejects.
        reviews: What people noted about segments.
        told: Warnings of reading and preparing.
    """

    session: Session
    config: Config
    raw: Sequence[Mapping[str, Any]]
    counts: Mapping[tuple[str, str, str], Sequence[int]]
    segments: pa.Table
    clocks: pa.Table
    overview: pa.Table
    rejected: Rejected
    reviews: Sequence[ReviewEntry]
    told: Sequence[str]


@dataclass(frozen=True, slots=True)
class Results:
    """What is written into ``reduction/``; the segments go back into the trial set with their review."""

    segments: pa.Table
    bands: pa.Table
    legs: pa.Table
    summary: dict[str, Any]


def make_results(made: Prepared, second: SecondProcess, progress: Callable[[str], None]) -> tuple[Results, str]:
    """Reduce a prepared trial and render its report.

    Args:
        made: The trial.
        second: Renders the report, where it is there.
        progress: Called with the name of each step.

    Returns:
        The results and the page.
    """
    progress("reduction")
    results = reduce_prepared(made)
    progress("report")
    page = second.submit(render, made, results).result() if second.is_there else render(made, results)
    return results, page


def reduce_prepared(made: Prepared) -> Results:
    """Reduce a prepared trial."""
    segments, (bands, legs, summary) = reduce_reviewed(
        made.segments,
        made.reviews,
        lambda s: reduce_trial(s, made.config, clocks=made.clocks, samples=made.overview),
    )
    summary = with_evidence(
        summary,
        made.session,
        made.config,
        raw=made.raw,
        counts=made.counts,
        clocks=made.clocks,
        segments=as_reviewed(segments),
        rejected=made.rejected,
        told=made.told,
    )
    return Results(segments, bands, legs, summary)


def render(made: Prepared, results: Results) -> str:
    """Render the report."""
    from trialcapture.report.page import render_report  # noqa: PLC0415  not needed where the other process does this

    return render_report(
        bands=results.bands, legs=results.legs, summary=results.summary, samples=made.overview,
        segments=results.segments, clocks=made.clocks, rejects=made.rejected.by_source,
    )  # fmt: skip


def warm_up() -> None:
    """Import what `render` needs, so that a process that has nothing else to do is ready when it is wanted."""
    import jinja2  # noqa: F401, PLC0415
    import matplotlib.backends.backend_svg  # noqa: PLC0415
    import matplotlib.figure  # noqa: F401, PLC0415

    import trialcapture.report.page  # noqa: F401, PLC0415
