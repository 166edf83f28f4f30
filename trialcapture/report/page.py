"""One self-contained HTML page: results on top, evidence below, made to be printed and argued over."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

import pyarrow as pa
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from trialcapture.prepare.steady.segment_review import as_reviewed
from trialcapture.report.answers import also_found, answers, at, calibration_statement, reserve_statement
from trialcapture.report.band_table import COMPARED, QUANTITIES, band_table, review_view, starred
from trialcapture.report.evidence_tables import (
    budget_table,
    clock_rows,
    common_trim,
    condition_items,
    conditions_line,
    health_rows,
    leg_rows,
    load_sheet,
    method_rows,
    plausibility_rows,
    raw_files,
    regime_rows,
    reject_rows,
    sentence_counts,
    standard_error_rows,
)
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_results import current_figure, current_rows, curves, fit_points, pair_points
from trialcapture.report.figures_trial import clocks_figure, onset, timeline, track
from trialcapture.report.format import DASH, plural
from trialcapture.report.limits import (
    boat_name,
    gaps,
    points,
    reason_letters,
    rejected_stretches,
    steady_count,
    warning_lines,
)

_NUMBER_AND_UNIT = re.compile(r"(?:± )?\d[\d.\u202f]* (?:%|kn|nm/L|nm|L/h|L|rpm|m|kg|s|°C|legs?|bands?)(?![\w/])")


def render_report(
    *,
    samples: pa.Table | None,
    segments: pa.Table | None,
    clocks: pa.Table | None,
    rejects: pa.Table | None,
    bands: pa.Table,
    legs: pa.Table | None,
    summary: Mapping[str, Any],
) -> str:
    """Return the report of a trial as one HTML file that needs nothing beside it.

    Parts that are missing are named with the reason and never stop the page. Equal input gives equal text.

    Args:
        samples: A row a second of the uniform grid, or None.
        segments: Steady candidates, accepted or not, with what people decided about them.
        clocks: How each source was placed on UTC.
        rejects: How many lines could not be used, by ``source`` and ``reason``, as ``count``.
        bands: One row an RPM band.
        legs: The accepted segments that made each band.
        summary: The reduction's summary with what the pipeline adds.
    """
    stars = starred(segments)
    segments = None if segments is None else as_reviewed(segments)
    rejected = rejected_stretches(segments)
    pairs, fit = pair_points(summary, bands, legs), fit_points(summary)
    warnings = warning_lines(summary)
    missing = gaps(samples, bands, summary)
    context = {
        "boat": boat_name(summary),
        "identity": _identity(summary),
        "conditions": conditions_line(summary),
        "condition_items": condition_items(summary),
        "answers": answers(bands, summary),
        "also": also_found(summary),
        "warnings": warnings,
        "missing": missing,
        "counts": _counts(warnings, missing, segments),
        "table": band_table(bands, summary),
        "quantities": QUANTITIES,
        "reserve": reserve_statement(summary, bands),
        "calibration": calibration_statement(summary, bands),
        "curves": curves(bands, legs, summary),
        "review": review_view(summary),
        "compared": COMPARED,
        "starred": bool(stars),
        "timeline": timeline(samples, segments, reason_letters(segments), stars),
        "rejected": rejected,
        "steady": steady_count(segments),
        "track": track(samples, legs),
        "legs": leg_rows(legs, stars),
        "common_trim": common_trim(legs),
        "current": current_figure(pairs, fit),
        "current_rows": current_rows(pairs, fit),
        "clocks": clock_rows(clocks),
        "clocks_figure": clocks_figure(clocks),
        "onset": onset(samples),
        "points": points(
            segments=segments, clocks=clocks, bands=bands, legs=legs, summary=summary, rejected=rejected
        ),
        "load": load_sheet(summary),
        "budget": budget_table(summary),
        "errors": standard_error_rows(summary),
        "regimes": regime_rows(summary),
        "regimes_by": str(at(summary, "regimes", "by") or ""),
        "plausibility": plausibility_rows(summary),
        "methods": method_rows(summary),
        "rejects": reject_rows(rejects),
        "sentences": sentence_counts(summary),
        "raw": raw_files(summary),
        "health": health_rows(summary),
        "version": str(at(summary, "software_version") or DASH),
        "config_hash": str(at(summary, "config_hash") or DASH),
        "draw": _markup,
        "dash": DASH,
    }  # fmt: skip
    page: str = page_template().render(context)
    return page


@cache
def page_template() -> Any:
    """Return the compiled template; compiling it takes a fifth of the whole page, which can be done beforehand."""
    environment = Environment(
        loader=PackageLoader("trialcapture.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["tie"] = _tie
    return environment.get_template("report.html.j2")


def _tie(text: str) -> Any:
    """Return escaped text in which no line breaks between a number and its unit."""
    return Markup(_NUMBER_AND_UNIT.sub(r'<span class="n">\g<0></span>', str(escape(text))))


def _markup(drawing: Drawing, narrow: bool = False) -> Any:
    """Return a drawing's SVG, marked as ready: every text in it has been escaped where it was drawn."""
    return Markup(drawing.narrow_svg if narrow else drawing.svg)


def _identity(summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    config_hash = str(at(summary, "config_hash") or "")
    session = at(summary, "session")
    return [
        ("Session", str((session.get("id") if isinstance(session, Mapping) else session) or DASH)),
        ("Made with", f"trialcapture {at(summary, 'software_version') or DASH}"),
        ("Settings", f"{config_hash[:12]}…" if config_hash else DASH),
        ("Raw files", str(len(at(summary, "raw") or []) or DASH)),
    ]


def _counts(warnings: list[dict[str, str]], missing: list[str], segments: pa.Table | None) -> str:
    """Return "1 serious warning, 2 cautions, 1 note, 3 things not known; 18 of 27 stretches used"."""
    kinds = (("red", "serious warning"), ("yellow", "caution"), ("info", "note"))
    said = [plural(n, name) for severity, name in kinds if (n := sum(w["severity"] == severity for w in warnings))]
    said.append(plural(len(missing), "thing not known", "things not known") if missing else "nothing missing")
    return ", ".join(said or ["no warning"]) + "; " + steady_count(segments)
