"""From segments to band table, summary and page: what the second process does while it has nothing to decode."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.archive.session import Session
from trialcapture.config import Config
from trialcapture.pipeline.evidence import with_evidence
from trialcapture.pipeline.rejects import Rejected
from trialcapture.prepare.review import as_reviewed
from trialcapture.prepare.review_entry import ReviewEntry
from trialcapture.reduce.reviewed import reduce_reviewed
from trialcapture.reduce.trial import reduce_trial
from trialcapture.report.page import render_report


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
    page: str


def make_results(made: Prepared, progress: Callable[[str], None] = lambda _: None) -> Results:
    """Reduce a prepared trial and render its report."""
    progress("reduction")
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
    progress("report")
    page = render_report(
        bands=bands, legs=legs, summary=summary, samples=made.overview, segments=segments, clocks=made.clocks,
        rejects=made.rejected.by_source,
    )  # fmt: skip
    return Results(segments, bands, legs, summary, page)


def warm_up() -> None:
    """Import what `make_results` needs, so that a process that has nothing else to do is ready when it is wanted."""
    import jinja2  # noqa: F401, PLC0415
    import matplotlib.backends.backend_svg  # noqa: PLC0415
    import matplotlib.figure  # noqa: F401, PLC0415
    import scipy.interpolate  # noqa: PLC0415
    import scipy.linalg  # noqa: PLC0415
    import scipy.special  # noqa: F401, PLC0415
