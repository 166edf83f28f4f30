"""Sheet and report as PDF, by a library that is an extra: what a browser prints, for those who want the file made.

A PDF holds no time of making and no path, so equal pages give equal bytes on the same computer; on another one the
fonts, and with them the bytes, differ. Nothing is fetched while it is made: a page needs nothing beside it.
"""

from __future__ import annotations

import hashlib
import logging
import re
from functools import cache
from importlib.resources import files
from typing import Any

from trialcapture.errors import TrialCaptureError

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
