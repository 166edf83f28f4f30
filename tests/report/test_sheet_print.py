"""The trial sheet on paper: one page in both formats, nothing cut off, whatever stands on it."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from tests.report.test_reader_units import BOTH, US
from tests.report.test_sheet import full_trial
from tests.report.trial_tables import drawn_once, make_trial, render_one_page, report_of, typed
from trialcapture.pipeline import process
from trialcapture.reduce.tables import BAND_FLAGS, TRIAL_WARNINGS
from trialcapture.rehearse.scenarios import SCENARIOS, load_plan
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session
from trialcapture.report.format import METRIC, ReaderUnits

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed, which prints the pages"),
]
PAPERS = {"A4": (595, 842), "letter": (612, 792)}


Printed = Callable[[str], PdfReader]
"""Returns a page as a browser prints it."""


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Printed]:
    """One browser for all prints: starting it is the dear part."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  dear, and only here

    source = tmp_path_factory.mktemp("print") / "page.html"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])

        def as_pdf(html: str) -> PdfReader:
            source.write_text(html, encoding="utf-8")
            page = browser.new_page()
            page.goto(source.as_uri())
            made = page.pdf(prefer_css_page_size=True, print_background=True)
            page.close()
            return PdfReader(io.BytesIO(made))

        yield as_pdf
        browser.close()


def crowded() -> dict[str, Any]:
    """Return a trial with four engines, twelve bands, long names and every warning."""
    trial = full_trial(steps=tuple(range(900, 3300, 200)), engines=("portouter", "portinner", "stbdinner", "stbdouter"))
    s = trial["summary"]
    s["boat"]["name"] = "Grande Dame de la Mer du Nord et de la Manche III ex “Varnelle Explorer 46”"
    for engine in s["engines"]:
        engine["model"] = "Marinaut Heavy Duty Turbo Diesel 8.9"
    s["trial"] = {
        "title": "Builder’s acceptance trial of the second boat of the series, with full tanks",
        "tested_by": "A. Verylongname-Hyphenated for the buyer, B. Other-Longname for the builder", "notes": "",
    }  # fmt: skip
    s["conditions"]["place"] = "Osk Bank and the outer roads of the harbour of Port Varnelle, open sea"
    flags = {**BAND_FLAGS, **TRIAL_WARNINGS}
    s["warnings"] += [
        {"code": code, "severity": flag.severity, "text": flag.text, "where": "900, 1100, 1300 rpm"}
        for code, flag in flags.items()
    ]
    return trial


UNITS = [METRIC, US, BOTH, ReaderUnits("imperial", "us")]


def without_a_result() -> dict[str, Any]:
    return make_trial(accepted=False)


# what fits when it is crowded fits with less on it; those with less are tried on both papers
@pytest.mark.parametrize(
    ("make", "units"),
    [
        *((crowded, units) for units in UNITS),
        *((make, u) for make in (full_trial, without_a_result) for u in (METRIC, US)),
    ],
    ids=lambda given: getattr(given, "__name__", str(given)),
)
def test_the_sheet_is_one_page_and_whole(make: Any, units: ReaderUnits, printed: Printed) -> None:
    pdf = printed(render_one_page(**make(), units=units))
    assert len(pdf.pages) == 1
    width, height = PAPERS["letter" if units.system == "us" else "A4"]
    box = pdf.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((width, height), abs=1.5)
    text = pdf.pages[0].extract_text()
    # the last line of the foot is on it
    assert "nautical miles an hour" in " ".join(text.split())


def test_the_evidence_of_nine_bands_is_at_most_eight_pages_behind_the_sheet(printed: Printed) -> None:
    trial = make_trial(steps=tuple(range(800, 3500, 300)))
    for units in (METRIC, US):
        html = report_of(**trial | {"summary": typed(trial["summary"])}, units=units, draw=drawn_once)
        pages = printed(html).pages
        assert 2 <= len(pages) <= 9
        assert "TRIAL SHEET" in pages[0].extract_text().upper()
        assert "EVIDENCE" in pages[1].extract_text().upper()
        assert "nautical miles an hour" in " ".join(pages[0].extract_text().split())


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole day: nine steps both ways, accelerations, stops, turns and slow runs, damaged sentences among all."""
    folder = tmp_path_factory.mktemp("day") / "day"
    scenario = SCENARIOS["manoeuvres"]
    plan = load_plan((Path(__file__).parents[2] / "configs/plans/planing_day.toml").read_text(encoding="utf-8"))
    write_session(simulate(scenario, 1, plan=plan), folder)
    return folder


def test_the_evidence_of_a_day_with_manoeuvres_is_at_most_eight_pages_too(day: Path, printed: Printed) -> None:
    # in US units there is one table more, and the paper is shorter
    found = process(day, units="us")
    assert found["bands"].num_rows == 9
    pages = printed(found["paths"]["report"].read_text(encoding="utf-8")).pages
    assert len(pages) <= 9
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    # nothing is dropped for it: every manoeuvre, every reason for which a line was not used, every figure
    for manoeuvre in (m for measured in found["findings"].measures for m in measured.manoeuvres):
        assert manoeuvre.start[11:19] in text or manoeuvre.direction == "both" or "mean of" in manoeuvre.conditions
    for rejected in found["findings"].data_health.rejected:
        assert rejected.sentence in text
    assert {int(n) for n in re.findall(r"Figure (\d+)\.", text)} >= set(range(5, 13))
