"""One self-contained HTML page: results on top, evidence below, made to be printed and argued over; also as PDF.

A PDF is what a browser prints, for those who want the file made, by a library that is an extra. It holds no time of
making and no path, so equal pages give equal bytes on the same computer; on another one the fonts, and with them the
bytes, differ. Nothing is fetched while it is made: a page needs nothing beside it.
"""

from __future__ import annotations

import hashlib
import logging
import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any

import jinja2
import pyarrow as pa
from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup, escape

from trialcapture import safe_text
from trialcapture.archive.seal import short_root
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import as_reviewed
from trialcapture.reduce.summary import Summary
from trialcapture.report import traced
from trialcapture.report.answers import also_found, answers, calibration_statement, other_result, reserve_statement
from trialcapture.report.band_table import COMPARED, band_table, coverage_statement, review_view, starred
from trialcapture.report.evidence_tables import (
    budget_tables,
    clock_rows,
    common_trim,
    condition_items,
    conditions_line,
    health_rows,
    leg_rows,
    load_sheet,
    manoeuvre_rows,
    method_rows,
    plausibility_rows,
    raw_file_rows,
    regime_rows,
    reject_rows,
    sentence_counts,
    standard_error_rows,
)
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_results import (
    answered_rpm,
    band_figures,
    current_figure,
    current_rows,
    draw_specification,
    fit_points,
    pair_points,
    sheet_figure,
)
from trialcapture.report.figures_trial import clocks_figure, onset, timeline, track
from trialcapture.report.format import DASH, METRIC, ReaderUnits, general, plural
from trialcapture.report.limits import (
    WarningLine,
    gaps,
    points,
    reason_letters,
    rejected_stretches,
    seal_line,
    steady_count,
    warning_lines,
)
from trialcapture.report.note_sections import note_sections
from trialcapture.report.sheet import Sheet
from trialcapture.report.traced import markup
from trialcapture.safe_text import clean_page
from trialcapture.system.files import cache_folder

_NUMBER_AND_UNIT = re.compile(
    r"(?:± )?\d[\d.\u202f]* "
    r"(?:%|kn|mph|n?mi?/(?:L|(?:US |imp )?gal)|nm|mi|(?:L|(?:US |imp )?gal)/h|L|(?:US |imp )?gal|rpm|m|ft|kg|lb|s|°[CF]"
    r"|legs?|bands?)(?![\w/])"
)


_NO_PICTURES: Mapping[str, str] = MappingProxyType({})


def draw_now(make: Callable[..., Any], *given: Any) -> Any:
    """Return ``make(*given)``."""
    return make(*given)


def render_report(
    *,
    samples: pa.Table | None,
    segments: pa.Table | None,
    clocks: pa.Table | None,
    rejects: pa.Table | None,
    bands: pa.Table,
    legs: pa.Table | None,
    summary: Summary,
    sheet: Sheet,
    units: ReaderUnits = METRIC,
    draw: Callable[..., Any] = draw_now,
    pictures: Mapping[str, str] = _NO_PICTURES,
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
        summary: The summary.
        sheet: The trial sheet, which is the first page.
        units: What the reader asked for.
        draw: Is given each function that draws and its arguments, and returns the drawing.
        pictures: Small pictures of photos as data URIs, by file.
    """
    stars = starred(segments)
    segments = None if segments is None else as_reviewed(segments)
    rejected = rejected_stretches(segments)
    pairs, fit = pair_points(summary, bands, legs), fit_points(summary)
    warnings = warning_lines(summary, units)
    missing = gaps(samples, bands, summary)
    table = band_table(bands, summary, units)
    context = {
        "sheet": sheet,
        "sheet_figure": draw(sheet_figure, bands, answered_rpm(summary), units),
        "boat": summary.boat.name or "Unnamed boat",
        "identity": _identity(summary),
        "conditions": conditions_line(summary, units),
        "condition_items": condition_items(summary, units),
        "answers": answers(bands, summary, units),
        "also": also_found(summary, units),
        "warnings": warnings,
        "missing": missing,
        "counts": _counts(warnings, missing, segments),
        "table": table,
        "coverage": coverage_statement(bands),
        "reserve": reserve_statement(summary, bands, units),
        "calibration": calibration_statement(summary, bands),
        "curves": [draw(draw_specification, spec, units) for spec in band_figures(bands, legs, summary)],
        "others": [other_result(found, units) for found in summary.measures],
        "other_figures": [draw(draw_specification, spec, units) for m in summary.measures for spec in m.figures],
        "manoeuvres": manoeuvre_rows(summary, units),
        "review": review_view(summary, units),
        "compared": [(q.name.capitalize(), units.scale(q.unit).text) for q in COMPARED],
        "starred": bool(stars),
        "timeline": draw(timeline, samples, segments, reason_letters(segments), stars),
        "rejected": rejected,
        "steady": steady_count(segments),
        "track": draw(track, samples, legs),
        "legs": leg_rows(legs, units, stars),
        "common_trim": common_trim(legs),
        "current": draw(current_figure, pairs, fit),
        "current_rows": current_rows(pairs, fit),
        "clocks": clock_rows(clocks),
        "clocks_figure": draw(clocks_figure, clocks),
        "onset": draw(onset, samples),
        "points": points(
            segments=segments, clocks=clocks, bands=bands, legs=legs, summary=summary, rejected=rejected, units=units
        ),
        "noted": note_sections(summary, units, pictures),
        "load": load_sheet(summary, units),
        "budgets": budget_tables(table, summary, units),
        "errors": standard_error_rows(summary),
        "errors_factor": general(summary.statistics.standard_errors.factor, 2),
        "regimes": regime_rows(summary),
        "regimes_by": summary.regimes.by,
        "plausibility": plausibility_rows(summary, units),
        "methods": method_rows(summary),
        "rejects": reject_rows(rejects),
        "sentences": sentence_counts(summary),
        "raw": raw_file_rows(summary),
        "health": health_rows(summary.data_health, units),
        "version": summary.software_version,
        "seal": summary.seal,
        "seal_said": seal_line(summary),
        "seal_root": summary.seal.root or summary.seal.root_of_files,
        "short_root": short_root,
        "versions": [(f.name, getattr(summary.versions, f.name)) for f in fields(summary.versions)],
        "config_hash": summary.config_hash,
        "unit": units.head,
        "definitions": units.definitions(),
        "draw": svg_markup,
        "dash": DASH,
    }  # fmt: skip
    page: str = page_template().render(context)
    return page


def render_sheet(
    sheet: Sheet,
    bands: pa.Table,
    summary: Summary,
    units: ReaderUnits = METRIC,
    draw: Callable[..., Any] = draw_now,
) -> str:
    """Return the trial sheet as one HTML file that needs nothing beside it and prints on one page.

    Args:
        sheet: What stands on it.
        bands: One row an RPM band.
        summary: The summary.
        units: What the reader asked for.
        draw: See `render_report`.
    """
    return sheet_page(sheet, draw(sheet_figure, bands, answered_rpm(summary), units), units, summary.software_version)


def sheet_page(
    sheet: Sheet,
    figure: Drawing | None,
    units: ReaderUnits,
    version: str,
    annexes: Sequence[tuple[str, str]] = (),
) -> str:
    """Return a sheet as one HTML file.

    Args:
        sheet: What stands on it.
        figure: Speed and economy over engine speed.
        units: Of the reader.
        version: Of the program.
        annexes: Names and addresses of what lies beside it; on a screen only.
    """
    page: str = page_template("sheet.html.j2").render(
        sheet=sheet, figure=figure, draw=svg_markup, definitions=units.definitions(), version=version, annexes=annexes,
    )  # fmt: skip
    return page


@cache
def page_template(name: str = "report.html.j2") -> Any:
    """Return a compiled template."""
    return _environment().get_template(name)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("trialcapture.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_cleaned, bytecode_cache=_ByteCode(str(_byte_code_folder())),
    )  # fmt: skip
    environment.filters["tie"] = _tie
    environment.filters["traced"] = markup
    return environment


class _ByteCode(FileSystemBytecodeCache):
    """Templates as compiled, kept as Python keeps its modules; where they cannot be, each run compiles them."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take what is kept of a template, if it is of this source."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template that was compiled."""
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


def _byte_code_folder() -> Path:
    """Return where compiled templates of this program and its libraries are kept, in the cache folder of the user.

    What a filter gives for a constant is compiled in, so the name is made of the filters' source, too.
    """
    digest = hashlib.sha256(f"{jinja2.__version__} {version('markupsafe')}".encode())
    for source in (__file__, traced.__file__, safe_text.__file__):
        digest.update(Path(source).read_bytes())
    return cache_folder() / "templates" / digest.hexdigest()[:32]


def _cleaned(value: Any) -> Any:
    """Return a value as it is to be escaped: no mark of direction in a name shows a page in another order."""
    return clean_page(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _tie(text: str) -> Any:
    """Return escaped text in which no line breaks between a number and its unit."""
    return Markup(_NUMBER_AND_UNIT.sub(r'<span class="n">\g<0></span>', str(escape(clean_page(text)))))


def svg_markup(drawing: Drawing, narrow: bool = False) -> Any:
    """Return a drawing's SVG, marked as ready: every text in it has been escaped where it was drawn."""
    return Markup(drawing.narrow_svg if narrow else drawing.svg)


def _identity(summary: Summary) -> list[tuple[str, str]]:
    return [
        ("Session", summary.session.id),
        ("Made with", f"trialcapture {summary.software_version}"),
        ("Settings", f"{summary.config_hash[:12]}…"),
        ("Raw files", str(len(summary.raw))),
        ("Seal", f"{summary.seal.state.upper() if summary.seal.state == 'changed' else summary.seal.state}"),
        ("Root", short_root(summary.seal.root or summary.seal.root_of_files)),
    ]


def _counts(warnings: list[WarningLine], missing: list[str], segments: pa.Table | None) -> str:
    """Return "1 serious warning, 2 cautions, 1 note, 3 things not known; 18 of 27 stretches used".

    What is missing of the plan is one of the cautions; that nothing is missing is said of a plan alone.
    """
    kinds = (("red", "serious warning"), ("yellow", "caution"), ("info", "note"))
    said = [plural(n, name) for severity, name in kinds if (n := sum(w.severity == severity for w in warnings))]
    said += [plural(len(missing), "thing not known", "things not known")] if missing else []
    return (", ".join(said) or "No warning") + "; " + steady_count(segments)


PDFS = ("sheet.pdf", "report.pdf")
"""Names of the files, in the order of `trial_pdfs`."""
_COLOUR = re.compile(r"var\((--[a-z-]+)(?:, [^()]*)?\)")
_SETTING = re.compile(r"(--[a-z-]+):\s*([^;]+);")
_ON_PAPER = """
@media print {{
  .one {{ display: block; height: auto; }} .one > * + * {{ margin-top: {gap}pt; }}
  .one > .one-answers, .one > .one-words, .one > .one-limits {{ margin-top: {wide_gap}pt; }}
  .one-drawing {{ display: block; height: {height}mm; min-height: 0; }}
  .one-drawing svg {{ position: static; height: {height}mm; }}
  .one figure {{ display: block; }}
  .budgets summary {{ display: none; }}
}}
"""
_ROOM = ((72, 8), (60, 6), (48, 4), (36, 2), (30, 1))
"""Height of the sheet's figure [mm] and the gaps between its parts [pt]; the first that fits one page is taken."""


def trial_pdfs(sheet: str, report: str) -> tuple[bytes, bytes]:
    """Return sheet and report, as `trialcapture.report.page` makes them, as PDF.

    Budgets are on paper too: nobody can open them there.

    Args:
        sheet: HTML of the sheet.
        report: HTML of the report, whose page 1 is the same sheet.

    Raises:
        TrialCaptureError: The library that makes them is not there; it says how to print from a browser instead.
    """
    made, height, gap = _on_one_page(sheet)
    return _bytes_of(made, sheet), _bytes_of(_rendered(report, height, gap), report)


def sheet_pdf(sheet: str) -> bytes:
    """Return a sheet as PDF; see `trial_pdfs`."""
    return _bytes_of(_on_one_page(sheet)[0], sheet)


def _on_one_page(sheet: str) -> tuple[Any, int, int]:
    for height, gap in _ROOM:
        made = _rendered(sheet, height, gap)
        if len(made.pages) == 1:
            break
    return made, height, gap


def _rendered(html: str, height: int, gap: int) -> Any:
    weasyprint = pdf_library()
    # its remarks on styles for screens, which it leaves out on purpose, are nobody's concern
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    logging.getLogger("fontTools").setLevel(logging.CRITICAL)
    style = _ON_PAPER.format(height=height, gap=gap, wide_gap=gap + 3)
    text = _COLOUR.sub(lambda found: _light().get(found[1], found[0]), html).replace("</style>", f"{style}</style>", 1)
    return weasyprint.HTML(string=text, url_fetcher=_only_inside()).render()


def _bytes_of(document: Any, html: str) -> bytes:
    made: bytes = document.write_pdf(pdf_identifier=hashlib.sha256(html.encode()).digest()[:16])
    return made


def pdf_library() -> Any:
    """Return the library.

    Raises:
        TrialCaptureError: It is not installed, or what it needs of the system is not.
    """
    try:
        import weasyprint  # noqa: PLC0415  an extra
    except (ImportError, OSError) as fault:  # OSError: it is there, and the text library of the system is not
        raise TrialCaptureError(
            "a PDF cannot be made here",
            seen=str(fault).splitlines()[0],
            expected="open sheet.html or report.html in any browser and print it (Ctrl-P, or Cmd-P), to paper or 'save "
            "as PDF': size and margins are set by the page. For the files themselves: pip install 'trialcapture[pdf]' "
            "(on Windows and macOS it also needs Pango, see README.md)",
        ) from fault
    return weasyprint


@cache
def _light() -> dict[str, str]:
    """Return the colours and fonts of a light page by name: drawings in a PDF know no names."""
    palette = files("trialcapture.report").joinpath("templates/palette.css").read_text(encoding="utf-8")
    return dict(_SETTING.findall(palette.partition("@media")[0]))


def _only_inside() -> Any:
    """Return what gives the library the pictures that are in a page, and nothing from a disk or a network."""
    from weasyprint.urls import URLFetcher  # noqa: PLC0415  an extra

    return URLFetcher(allowed_protocols=("data",))
