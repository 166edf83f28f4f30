"""From segments to band table, summary and page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pyarrow as pa

from trialcapture.archive.second_process import SecondProcess
from trialcapture.archive.session import Session
from trialcapture.config import Config
from trialcapture.pipeline.evidence import with_evidence
from trialcapture.pipeline.rejects import Rejected
from trialcapture.prepare.data_health import DataHealth
from trialcapture.prepare.steady.segment_review import ReviewEntry, as_reviewed
from trialcapture.reduce.reviewed import reduce_reviewed
from trialcapture.reduce.summary import Summary
from trialcapture.reduce.trial import reduce_trial
from trialcapture.report.reader_units import ReaderUnits


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
        health: What is wrong with the data.
        air: Pressure and temperature of the air, as far as told.
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
    health: DataHealth
    air: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Results:
    """What is written into ``reduction/``; the segments go back into the trial set with their review."""

    segments: pa.Table
    bands: pa.Table
    legs: pa.Table
    summary: Summary


def make_results(
    made: Prepared, second: SecondProcess, progress: Callable[[str], None], units: ReaderUnits
) -> tuple[Results, str]:
    """Reduce a prepared trial and render its report.

    Args:
        made: The trial.
        second: Renders the report, where it is there.
        progress: Called with the name of each step.
        units: What the reader asked for.

    Returns:
        The results and the page.
    """
    progress("reduction")
    if not second.is_there:
        results = reduce_prepared(made)
        progress("report")
        return results, render(made, results, units)
    results = reduce_prepared(made)
    progress("report")
    return results, second.submit(render, made, results, units).result()


def reduce_prepared(made: Prepared) -> Results:
    """Reduce a prepared trial."""
    segments, (bands, legs, findings) = reduce_reviewed(
        made.segments,
        made.reviews,
        lambda s: reduce_trial(s, made.config, clocks=made.clocks, samples=made.overview),
    )
    air = replace(findings.conditions, pressure_hpa=made.air.get("pressure_hpa"), air_temp_c=made.air.get("air_temp_c"))
    findings = replace(findings, conditions=air)
    summary = with_evidence(
        findings,
        made.session,
        made.config,
        raw=made.raw,
        counts=made.counts,
        clocks=made.clocks,
        segments=as_reviewed(segments),
        rejected=made.rejected,
        told=made.told,
        health=made.health,
    )
    return Results(segments, bands, legs, summary)


def render(made: Prepared, results: Results, units: ReaderUnits) -> str:
    """Render the report."""
    from trialcapture.report.page import render_report  # noqa: PLC0415  not needed where the other process does this

    return render_report(
        bands=results.bands, legs=results.legs, summary=results.summary, samples=made.overview,
        segments=results.segments, clocks=made.clocks, rejects=made.rejected.by_source, units=units,
    )  # fmt: skip


def warm_up_here() -> None:
    """Load what `reduce_prepared` needs, at a time when the other process is busy too."""
    import scipy.linalg  # noqa: PLC0415
    import scipy.special  # noqa: F401, PLC0415


def warm_up() -> None:
    """Load what `render` needs, so that a process that has nothing else to do is ready when it is wanted."""
    import matplotlib.backends.backend_svg  # noqa: PLC0415
    import matplotlib.figure  # noqa: F401, PLC0415

    from trialcapture.report.page import page_template  # noqa: PLC0415

    page_template()
