"""The pages before and after the trial in a real browser: forms, dropped logs, stretches reviewed by keyboard."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.desk.browsing import LONG_MS, findings
from tests.desk.test_after import LOG, SAMPLE, bare_session
from tests.desk.test_dock import BOAT, Served, brief, path_of, quiet_settings, served
from trialcapture.acquire.ending import is_being_recorded, stop_recorder
from trialcapture.archive.notes import read_notes
from trialcapture.archive.session import open_session
from trialcapture.config import read_config
from trialcapture.desk.entries import Day
from trialcapture.pipeline import process

pytestmark = pytest.mark.slow
SIZES = {"phone": (390, 844), "laptop": (1280, 900)}
LOOKS = ["dark", pytest.param("light", marks=pytest.mark.browser)]
"""Each of them; one is enough in every run."""


@contextmanager
def page_of(browser: Browser, desk: Served, path: str, size: str = "laptop", **options: Any) -> Iterator[Page]:
    """Open a page no wider than the screen, and find afterwards that it asked nobody else and no script failed."""
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    context.set_default_timeout(LONG_MS)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    page.on("console", lambda told: wrong.append(told.text) if "Content Security Policy" in told.text else None)
    page.on("request", lambda asked: wrong.append(asked.url) if not asked.url.startswith(desk.url) else None)
    page.goto(desk.url + path)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    try:
        yield page
    finally:
        context.close()
    assert wrong == []


@pytest.fixture(scope="module")
def processed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with its results, which every test copies for itself."""
    folder = shutil.copytree(SAMPLE, tmp_path_factory.mktemp("processed") / "day")
    process(folder)
    return folder


@pytest.fixture
def dock(tmp_path: Path) -> Iterator[Served]:
    shutil.copy(BOAT, tmp_path / "boat.toml")
    with served(Day(settings=tmp_path / "boat.toml")) as made:
        yield made


@pytest.mark.parametrize("size", SIZES)
def test_forms_are_filled_and_a_fault_stands_beside_its_field(browser: Browser, dock: Served, size: str) -> None:
    with page_of(browser, dock, "/dock", size) as page:
        page.get_by_label("Lightship").fill("-5")
        expect(page.locator("#unsaved")).to_have_text("1 entry is not saved")
        expect(page.get_by_role("button", name="Start recording")).to_be_disabled()
        page.locator(".save-bar .main").click()
        beside = page.locator('[id="wrong-boat.lightship_kg"]')
        expect(beside).to_contain_text("greater than 0")
        entry = page.get_by_label("Lightship")
        expect(entry).to_be_focused()
        expect(entry).to_have_value("-5")
        assert entry.get_attribute("aria-describedby") == "wrong-boat.lightship_kg"
        entry.fill("22 000")
        page.keyboard.press("Control+s")
        expect(page.locator(".banner")).to_contain_text("Saved")
        expect(page.locator(".load-sheet tfoot")).to_contain_text("24")
    text = path_of(dock).read_text(encoding="utf-8")
    assert re.search(r"lightship_kg = 22000\.0 +# without fluids", text)


@pytest.mark.browser
def test_new_settings_engine_and_source_are_made_by_clicks(browser: Browser, tmp_path: Path) -> None:
    with served(Day(settings=tmp_path / "new.toml")) as desk, page_of(browser, desk, "/dock") as page:
        page.get_by_label("Name", exact=True).first.fill("Wren <i>")
        page.get_by_role("button", name="Add: engine", exact=True).click()
        page.locator('[name="engine.0.id"]').fill("main")
        page.locator('[name="engine.0.rated_rpm"]').fill("2800")
        page.locator("#of-source summary").click()
        page.get_by_role("button", name="Add: source").click()
        expect(page.locator('[name="engine.0.rated_rpm"]')).to_have_value("2800")
        page.locator("#of-source summary").first.click()
        page.locator('[name="source.0.id"]').fill("gps1")
        page.locator('[name="source.0.kind"]').select_option("udp")
        page.locator('[name="source.0.port"]').fill("10110")
        page.locator(".save-bar .main").click()
        expect(page.locator(".banner")).to_contain_text("Saved")
        expect(page.locator("h1")).to_contain_text("Wren <i>")
    config, _ = read_config(tmp_path / "new.toml")
    assert (config.boat.name, config.engine_ids, config.source[0].port) == ("Wren <i>", ("main",), 10110)


@pytest.mark.browser
def test_both_versions_are_offered_where_the_file_was_changed(browser: Browser, dock: Served) -> None:
    path = path_of(dock)
    with page_of(browser, dock, "/dock") as page:
        path.write_text(path.read_text(encoding="utf-8").replace("beam_m = 4.7", "beam_m = 4.9"), encoding="utf-8")
        page.get_by_label("Lightship").fill("22000")
        page.locator(".save-bar .main").click()
        expect(page.get_by_role("alert")).to_contain_text("Two versions of boat.toml")
        assert "lightship_kg = 21500.0" in path.read_text(encoding="utf-8")
        page.get_by_role("button", name="Save mine upon the file as it is now").click()
        expect(page.locator(".banner")).to_contain_text("Saved")
    text = path.read_text(encoding="utf-8")
    assert "lightship_kg = 22000.0" in text
    assert "beam_m = 4.9" in text


@pytest.mark.browser
def test_preflight_brief_and_start_by_clicks(browser: Browser, tmp_path: Path) -> None:
    with served(Day(settings=quiet_settings(tmp_path))) as desk, page_of(browser, desk, "/dock") as page:
        page.get_by_role("button", name="Listen now").click()
        expect(page.locator(".verdict")).to_contain_text("Not ready", timeout=LONG_MS)
        expect(page.locator(".checks tbody tr").first).to_contain_text("source gps1")
        for key in (key for key in brief() if key.startswith("brief.")):
            page.locator(f'[name="{key}"]').check()
        page.get_by_label("Brief given by").fill("Kim")
        page.get_by_label("Folder of the session").fill("day")
        page.get_by_role("button", name="Start recording").click()
        page.wait_for_url(desk.url + "/")
        expect(page).to_have_title(re.compile("under way"))
        folder = tmp_path / "day"
        assert is_being_recorded(folder)
        assert any(note.kind == "brief" for note in read_notes(open_session(folder)))
        stop_recorder(folder)


def test_a_log_is_dropped_declared_and_collected(browser: Browser, tmp_path: Path) -> None:
    folder = bare_session(tmp_path / "day")
    with served(Day(session=folder)) as desk, page_of(browser, desk, "/after", "phone") as page:
        data = LOG.read_bytes().decode()
        dropped = page.evaluate_handle(
            """(text) => {
                const held = new DataTransfer();
                held.items.add(new File([text], "monitor <1>.csv"));
                return held;
            }""",
            data,
        )
        page.dispatch_event("#drop", "drop", {"dataTransfer": dropped})
        log = page.locator("article.pending")
        expect(log).to_contain_text("12 Feb 2026 08:47:44")
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"][0]
        log.get_by_role("button", name="Collect it into the session").click()
        expect(page.locator('[id="wrong-engine_log.0.timezone"]')).to_contain_text("not taken for granted")
        page.get_by_role("button", name="Take this").first.click()
        page.keyboard.type("+10:00")
        page.get_by_role("button", name="Read it with these declarations").click()
        expect(page.locator(".as-read .verdict")).to_have_text("First time: 2026-02-11 22:47:44.0 UTC")
        page.get_by_role("button", name="Collect it into the session").click()
        expect(page.locator(".banner")).to_contain_text("as it came")
    kept = [path.read_bytes() for path in (folder / "raw" / "engine").iterdir()]
    assert kept == [LOG.read_bytes()]


def test_stretches_are_reviewed_by_keyboard_and_the_sheet_prints(
    browser: Browser, processed: Path, tmp_path: Path
) -> None:
    folder = shutil.copytree(processed, tmp_path / "day")
    with served(Day(session=folder)) as desk, page_of(browser, desk, "/after") as page:
        expect(page.locator(".picture img")).to_be_visible()
        assert page.evaluate("document.querySelector('.picture img').naturalWidth") > 0
        used = page.locator("tr.used").first
        number = (used.get_attribute("id") or "").removeprefix("stretch-")
        first = page.locator(".stretches tbody tr").first
        first.focus()
        while page.evaluate("document.activeElement.className") != "used":
            page.keyboard.press("ArrowDown")
        assert page.evaluate("document.activeElement.id") == f"stretch-{number}"
        expect(page.locator(".time-line a.here")).to_have_count(1)
        page.keyboard.press("e")
        expect(page.locator("#reason")).to_be_focused()
        page.keyboard.type("ferry wash")
        page.keyboard.press("Tab")
        page.keyboard.type("Kim")
        page.keyboard.press("Enter")
        expect(page.locator(f"#stretch-{number}")).to_contain_text("ferry wash")
        expect(page.locator(f"#stretch-{number}")).to_have_class("left-out")
        note = next(n for n in read_notes(open_session(folder)) if n.kind == "exclude")
        assert (note.more["reason"], note.by) == ("ferry wash", "Kim")

        with page.context.expect_page() as opened:
            page.get_by_role("link", name="Sheet: one page, to print").click()
        sheet = opened.value
        expect(sheet.locator("body")).to_contain_text("Old Sedge")
        printed = sheet.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
        sheet.close()


@pytest.mark.external
@pytest.mark.parametrize("look", LOOKS)
def test_axe_finds_nothing_at_the_dock(browser: Browser, dock: Served, axe: str, look: str) -> None:
    with page_of(browser, dock, "/dock", color_scheme=look) as page:
        assert findings(page, axe) == []


@pytest.mark.browser
@pytest.mark.external
def test_axe_finds_nothing_in_all_tables_of_the_settings(browser: Browser, dock: Served, axe: str) -> None:
    with page_of(browser, dock, "/dock") as page:
        for summary in page.locator("#settings-form summary").all():
            if not summary.evaluate("one => one.parentElement.open"):
                summary.click()
        assert findings(page, axe) == []


@pytest.mark.external
@pytest.mark.parametrize("look", LOOKS)
def test_axe_finds_nothing_on_the_page_afterwards(
    browser: Browser, processed: Path, tmp_path: Path, axe: str, look: str
) -> None:
    folder = shutil.copytree(processed, tmp_path / "day")
    with served(Day(session=folder)) as desk, page_of(browser, desk, "/after", "phone", color_scheme=look) as page:
        expect(page.locator(".stretches tbody tr").first).to_be_visible()
        assert findings(page, axe) == []
