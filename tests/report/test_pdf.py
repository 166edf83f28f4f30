"""Sheet and report as PDF: whole, on the right paper, the same bytes twice, and nothing fetched for them."""

from __future__ import annotations

import base64
import io
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from pypdf import PdfReader

from tests.report.test_reader_units import US
from tests.report.test_sheet import full_trial
from tests.report.trial_tables import render_one_page
from trialcapture.cli import group
from trialcapture.errors import TrialCaptureError
from trialcapture.report.page import sheet_pdf, trial_pdfs

PAPERS = {"A4": (595.3, 841.9), "letter": (612.0, 792.0)}


@pytest.mark.slow
def test_the_sheet_is_one_page_of_the_readers_paper_with_the_same_bytes_twice() -> None:
    html = render_one_page(**full_trial(), units=US)
    made = sheet_pdf(html)
    assert made == sheet_pdf(html)
    (page,) = PdfReader(io.BytesIO(made)).pages
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(PAPERS["letter"], abs=1.0)
    text = " ".join(page.extract_text().split())
    assert "nautical miles an hour" in text  # the last line of the foot is on it
    assert "Top speed" in text
    # drawn in its colours, not as a black rectangle: the petrol of a curve is set as a colour of the page
    assert b"0 0.298" in page.get_contents().get_data()  # type: ignore[union-attr]


@pytest.mark.slow
def test_nothing_beside_the_page_is_read_and_pictures_in_it_are_shown() -> None:
    picture = io.BytesIO()
    Image.new("RGB", (4, 3), "red").save(picture, "PNG")
    inside = f"data:image/png;base64,{base64.b64encode(picture.getvalue()).decode()}"
    secret = Path(__file__).as_uri()
    html = (
        f'<html><head><style>@page {{ size: A4 }}</style></head><body><img src="{inside}"><img src="{secret}">'
        f'<img src="http://127.0.0.1:1/x.png"><p>{{}}</p></body></html>'
    )
    for made in trial_pdfs(html, html):
        page = PdfReader(io.BytesIO(made)).pages[0]
        assert len(page.images) == 1
        assert not {key for key in PdfReader(io.BytesIO(made)).metadata or {} if "Date" in key}


def test_without_the_extra_it_says_how_to_print_from_the_browser(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(TrialCaptureError) as told:
        CliRunner().invoke(
            group, ["process", str(Path("sample_logs/journal_session")), "--pdf"], catch_exceptions=False
        )
    assert "Open sheet.html or report.html in any browser and print it" in str(told.value)
    assert "trialcapture[pdf]" in str(told.value)
