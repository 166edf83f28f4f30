"""The pages under way in a real browser: what they draw, how they are used, and for whom they can be read."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.desk.boards import WAYS, advice_board, at, busy_board, crowded_board, holes
from tests.desk.browsing import LONG_MS, findings
from tests.desk.stand_in import PAGES, StandIn
from trialcapture.pipeline.live_board import Advice, BoardAlarm, BoardHole, Detector, Disk, Now, Recent

pytestmark = pytest.mark.slow
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "laptop": (1280, 800)}


CUT_OFF = """() => [...document.querySelectorAll('button, th, td, dd, p, b, li')]
    .filter(n => n.checkVisibility() && n.scrollWidth > n.clientWidth + 2 && n.clientWidth > 0
                 && getComputedStyle(n).display !== 'inline' && !n.matches('.unseen'))
    .map(n => n.textContent.trim().slice(0, 40))"""
"""Texts that stand out of their boxes."""


@contextmanager
def page_of(browser: Browser, desk: StandIn, path: str = "/", size: str = "laptop", **options: Any) -> Iterator[Page]:
    """Open a page, and find afterwards that nothing was asked of anybody else and no script failed."""
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    context.set_default_timeout(LONG_MS)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    page.on("console", lambda told: wrong.append(told.text) if "Content Security Policy" in told.text else None)
    page.on(
        "request",
        lambda asked: wrong.append(asked.url) if not asked.url.startswith((desk.url, "blob:", "data:")) else None,
    )
    page.goto(desk.url + path)
    if path == "/":
        page.locator("#grid td").first.wait_for()
    else:
        expect(page.locator("#sentence")).not_to_have_text("Waiting")
    try:
        yield page
    finally:
        context.close()
    assert wrong == []


def came(desk: StandIn, page: Page, count: int = 1) -> list[tuple[str, dict[str, Any]]]:
    """Wait until so many entries have come in."""
    until(page, lambda: len(desk.posts) >= count)
    return desk.posts


def until(page: Page, is_so: Callable[[], bool]) -> None:
    """Wait until something is so on the side of the desk, while the page goes on."""
    for _ in range(LONG_MS // 50):
        if is_so():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it has not come to pass")


def settled(page: Page) -> None:
    """Wait until what has just moved or opened takes touches again."""
    expect(page.locator(".settling")).to_have_count(0)


# ---- Files of the pages.


def test_pages_hold_no_inline_code_and_name_no_other_computer() -> None:
    for file in PAGES.iterdir():
        text = file.read_text(encoding="utf-8")
        addresses = set(re.findall(r"https?://[^\"'\s)]+", text)) - {"http://www.w3.org/2000/svg"}
        assert addresses == set(), file.name
        if file.name.endswith(".html"):
            assert not re.search(r"\sstyle=|\son[a-z]+=|<style|javascript:", text), file.name
            assert re.findall(r"<script(?![^>]*\bsrc=)", text) == [], file.name


# ---- What is drawn.


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("look", ["light", "dark"])
def test_nothing_is_cut_off_and_targets_are_large(
    browser: Browser, desk: StandIn, size: str, look: str, tmp_path: Path
) -> None:
    with page_of(browser, desk, size=size, color_scheme=look) as page:
        expect(page.locator("html")).to_have_attribute("data-look", "night" if look == "dark" else "sun")
        expect(page.locator("#bands tbody tr")).to_have_count(3)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, a, select, input, label.entry')]
                .filter(n => n.checkVisibility() && !n.closest('dialog'))
                .filter(n => !n.matches('.skip, [type=checkbox], [type=file]'))
                .map(n => [n.textContent.trim(), n.classList.contains('entry') ? 72 : 44, n.getBoundingClientRect()])
                .filter(([, least, box]) => box.width < least || box.height < least).map(([t]) => t)"""
        )
        assert small == []
        assert page.evaluate(CUT_OFF) == []
        page.evaluate("scrollTo(0, document.body.scrollHeight)")
        # what is still open is counted in sight wherever one has scrolled to
        expect(page.locator("#holes-count")).to_be_in_viewport()
        expect(page.locator("#holes-count")).to_have_text("6 open")
        expect(page.locator("#mark")).to_be_in_viewport()
        page.screenshot(path=tmp_path / f"{size}-{look}.png", full_page=True)


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_much_of_everything_still_fits(browser: Browser, desk: StandIn, size: str) -> None:
    desk.board = crowded_board()
    with page_of(browser, desk, size=size) as page:
        expect(page.locator("#bands tbody tr")).to_have_count(14)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        assert page.evaluate(CUT_OFF) == []
        # however many alarms there are, what is next begins on the first screen
        expect(page.locator("#next-title")).to_be_in_viewport()
        expect(page.locator("#mark")).to_be_in_viewport()


def test_the_technician_sees_all_of_the_board(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        text = page.locator("main").inner_text()
        for said in (
            "Hold 2000, 38 s more", "steady at 2000 rpm", "14.2", "2003", "1998", "075°", "074°", "61.0 L/h",
            "0.233 nm/L", "22.5 m", "depth Froude number 0.49", "20 %, both",
            "economy is provisional, flow uncalibrated", "one way", "shallow",
            "0.8 kn towards 190°, ± 0.1 kn", "speed still rising 0.6 kn/min", "GNSS fix", "11 satellites",
            "nothing for 4.2 s", "clock −0.12 s ± 0.01 s from UTC", "81 GB, for 411 h", "78 %", "0.7 s",
            "<b>not markup</b> & “quotes”", "a third run would change the speed by 0.14 kn", "trim 12 %",
        ):  # fmt: skip
            assert said in text.replace("\u00a0", " "), said
        states = page.locator("#grid td").evaluate_all("cells => cells.map(c => c.dataset.state)")
        assert states == [
            "done", "done", "done", "half", "done", "refused", "now", "missing", "missing", "missing", "skipped",
            "signed_off",
        ]  # fmt: skip
        # a state is never told by colour alone
        words = [page.locator("#grid td").nth(n).locator("b").inner_text() for n in (0, 3, 5, 6, 7, 10, 11)]
        assert words == ["✓ done", "◐ half", "✕ refused", "▶ now", "open", "↷ skipped", "✎ signed off"]
        assert page.locator("#holes li").count() == len(holes())
        assert page.locator("#speed-curve circle").count() == 3
        assert page.locator("#speed-curve circle.half").count() == 1
        assert page.locator("#speed-curve .spread").count() == 3
        # what is unknown is a dash, never a zero
        assert page.locator("#tiles div", has_text="Through water").locator("b").inner_text() == "–"


@pytest.mark.browser
def test_numbers_come_in_the_units_that_the_desk_sends(browser: Browser, desk: StandIn) -> None:
    """The page converts nothing: a number under `shown` is printed as it stands there, and drawn by its value."""
    with page_of(browser, desk) as page:
        page.evaluate(
            """async () => {
                const { figure, said } = await import('/page/shown.js');
                const board = { now: { fuel_l_per_h: 61, depth_m: null }, bands: [{ economy_nm_per_l: 0.2 }],
                  shown: { now: { fuel_l_per_h: { text: '16.1', unit: 'gal/h', value: 16.11 } },
                           bands: [{ economy_nm_per_l: { text: '0.757', unit: 'nm/gal', value: 0.757 } }] } };
                const economy = [board, 'bands', 0, 'economy_nm_per_l'];
                window.told = [said(board, 'now', 'fuel_l_per_h'), said(board, 'now', 'depth_m'),
                               said(...economy), figure(...economy).value];
            }"""
        )
        assert page.evaluate("window.told") == ["16.1 gal/h", "–", "0.757 nm/gal", 0.757]


def test_an_empty_board_is_a_page_too(browser: Browser, desk: StandIn) -> None:
    empty = dict.fromkeys(("sources", "clocks", "manoeuvres", "bands", "holes", "alarms", "entries"), ())
    desk.board = replace(
        busy_board(), **empty, holes_open=0, current=None, battery_pct=None, elapsed_s=None, data_age_s=None,
        now=Now(), recent=Recent(), grid=replace(busy_board().grid, is_planned=False), advice=Advice(),
        detector=Detector(), disk=Disk(),
    )  # fmt: skip
    with page_of(browser, desk, size="phone") as page:
        expect(page.locator("#holes-count")).to_have_text("✓ none open")
        expect(page.locator("#alarms-count")).to_have_text("no alarms")
        expect(page.locator("#no-bands")).to_be_visible()
        expect(page.locator("#current")).to_contain_text("not known yet")
        expect(page.locator("#runs-small")).to_contain_text("no plan is set")
        assert "0.0" not in page.locator("#now").inner_text()


def test_alarms_are_ranked_and_only_new_ones_flash(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        lines = page.locator("#alarm-list li")
        assert [lines.nth(n).locator(".rank").inner_text() for n in range(3)] == [
            "■ Alarm",
            "▲ Warning",
            "● Notice, known",
        ]
        flashing = """() => [...document.querySelectorAll('.rank')].map(n => {
            const s = getComputedStyle(n); return [s.animationName, s.animationDuration]; })"""
        assert page.evaluate(flashing) == [["blink", "1s"], ["none", "0s"], ["none", "0s"]]
        lit = page.evaluate(
            """() => { const all = [...document.styleSheets].flatMap(s => [...s.cssRules]);
                const dark = all.find(r => r.name === 'blink').cssRules;
                return [...dark].map(r => [r.keyText, r.style.visibility]); }"""
        )
        # lit for 0.7 s of each second: A.830(19), 5.2 asks for at least half
        assert lit == [["0%, 69%", "visible"], ["70%, 100%", "hidden"]]
        assert "(!)" in page.title()
        page.locator("#alarm-list button").first.click()
        assert came(desk, page) == [("/acknowledge", {"alarm": "lost:depth"})]
        known = tuple(replace(alarm, acknowledged=True) for alarm in busy_board().alarms)
        desk.board = busy_board(1, alarms=known)
        expect(page.locator(".unseen-yet")).to_have_count(0)
        assert page.evaluate(flashing) == [["none", "0s"]] * 3
        assert "(!)" not in page.title()
        expect(page.locator("#alarms-count")).to_have_text("3 known")
        page.emulate_media(reduced_motion="reduce")
        desk.board = busy_board(2, alarms=(BoardAlarm("x", "alarm", "gps1 is lost.", "Look at its plug.", at(2)),))
        expect(page.locator(".unseen-yet")).to_have_count(1)
        assert page.evaluate(flashing)[0][0] == "none"


@pytest.mark.browser
def test_cautions_stand_before_full_throttle_turns_and_stops(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        expect(page.locator("#caution")).to_be_hidden()
        for caution, title in (
            ("full_throttle", "Before full throttle"), ("turn", "Before a turn"), ("stop", "Before a stop"),
        ):  # fmt: skip
            desk.board = advice_board("manoeuvre", "Get ready", len(title), caution=caution)
            expect(page.locator("#caution-title")).to_have_text(title)
            card = page.locator("#caution").inner_text().lower()
            for said in ("skipper", "helm", "look-out", "local law"):
                assert said in card, (caution, said)
            page.locator("#caution-read").click()
            expect(page.locator("#caution")).to_be_hidden()


def test_views_are_remembered(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk, color_scheme="light") as page:
        page.get_by_role("button", name="Night", exact=True).click()
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(12, 15, 17)"
        page.reload()
        expect(page.locator("html")).to_have_attribute("data-look", "night")
        page.goto(desk.url + "/helm")
        expect(page.locator("html")).to_have_attribute("data-look", "night")
        page.get_by_role("button", name="Sun", exact=True).click()
        # black on white and nothing in between, for glare
        colours = "(s => [s.color, s.backgroundColor])(getComputedStyle(document.documentElement))"
        assert page.evaluate(colours) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]


@pytest.mark.browser
def test_printed_it_is_a_sheet_without_buttons(browser: Browser, desk: StandIn, tmp_path: Path) -> None:
    from pypdf import PdfReader  # noqa: PLC0415

    with page_of(browser, desk, color_scheme="dark") as page:
        page.pdf(path=tmp_path / "page.pdf", format="A4")
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    pages = PdfReader(tmp_path / "page.pdf").pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert len(pages) <= 3
    for said in ("Heron 38", "Provisional", "1600 rpm", "speed still rising 0.6 kn/min", "6 open"):
        assert said in text, said
    assert "Take back" not in text
    assert "Understood" not in text


# ---- Entries and the plan.


def touches(page: Page, *selectors: str) -> None:
    """An entry takes at most two touches, beside what has to be typed."""
    assert len(selectors) <= 2
    for selector in selectors:
        page.locator(selector).click()


@pytest.mark.browser
def test_every_entry_takes_at_most_two_touches(browser: Browser, desk: StandIn, tmp_path: Path) -> None:
    with page_of(browser, desk, size="phone", has_touch=True) as page:
        touches(page, "#mark")
        touches(page, '[data-opens="trim"]', '#dialog-trim [value="20"]')
        touches(page, '[data-opens="sea"]', '#dialog-sea [value="ripples"]')
        touches(page, '[data-opens="remark"]', '#dialog-remark [value="vibration"]')
        page.locator('[data-opens="sound"]').click()
        page.locator('#dialog-sound [name="typed"]').fill("71.5")
        page.locator("#dialog-sound .main").click()
        page.locator('[data-opens="reading"]').click()
        page.locator("#dialog-reading select").select_option("coolant")
        page.locator('#dialog-reading [name="typed"]').fill("82")
        page.locator("#dialog-reading .main").click()
        picture = tmp_path / "tank.jpg"
        picture.write_bytes(b"\xff\xd8\xff\xe0 a picture")
        page.locator("#photo").set_input_files(picture)
        page.locator("#dialog-photo .main").click()
        touches(page, "#pause")
        posts = came(desk, page, 8)
    assert posts == [
        ("/entry/mark", {}),
        ("/entry/trim", {"side": "both", "unit": "%", "value": "20"}),
        ("/entry/sea", {"value": "ripples"}),
        ("/entry/remark", {"value": "vibration"}),
        ("/entry/sound", {"where": "helm", "doors": "closed", "seconds": "30", "value": "71.5"}),
        ("/entry/reading", {"engine": "port", "quantity": "coolant", "unit": "degc", "value": "82"}),
        ("/photo", {"photo": "file tank.jpg"}),
        ("/entry/pause", {"value": "begin"}),
    ]


@pytest.mark.browser
def test_an_entry_that_is_refused_stays_open_with_the_reason(browser: Browser, desk: StandIn) -> None:
    desk.refuses = "the value of a note of kind sound must be a number: got abc"
    with page_of(browser, desk) as page:
        page.locator('[data-opens="sound"]').click()
        page.locator("#dialog-sound .main").click()
        expect(page.locator("#dialog-sound .fault")).to_have_text("Nothing is written yet.")
        page.locator('#dialog-sound [name="typed"]').fill("abc")
        page.locator("#dialog-sound .main").click()
        expect(page.locator("#dialog-sound .fault")).to_have_text(desk.refuses)
        assert page.locator('#dialog-sound [name="typed"]').input_value() == "abc"
        page.locator("#dialog-sound [data-closes]").click()
        page.locator("#mark").click()
        expect(page.locator("#told")).to_contain_text("Mark: not noted.")
    assert desk.posts == []


@pytest.mark.browser
def test_an_entry_can_be_taken_back(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        page.get_by_role("button", name="Take back trim of 08:10:00").click()
        assert came(desk, page) == [("/entry/undo", {"value": at(-160), "of": "trim"})]


@pytest.mark.browser
def test_a_run_is_skipped_with_a_reason_repeated_or_put_first(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        page.locator("#grid td").nth(9).locator("button").click()
        expect(page.locator("#t-cell")).to_have_text(f"2400 rpm, {WAYS[1]}")
        skip = page.get_by_role("button", name="Skip it")
        skip.click()
        expect(page.locator("#dialog-cell .fault")).to_contain_text("Say why")
        page.get_by_role("button", name="traffic", exact=True).click()
        skip.click()
        for name in ("Run it again", "Do it next", "Back to the plan"):
            page.locator("#grid td").nth(11).locator("button").click()
            page.get_by_role("button", name=name).click()
            expect(page.locator("#dialog-cell")).to_be_hidden()
        page.locator("#manoeuvres button").first.click()
        expect(page.locator("#t-cell")).to_have_text("Turn, port")
        page.get_by_role("button", name="Do it next").click()
        posts = came(desk, page, 5)
    full = {"step": "full throttle", "way": WAYS[1]}
    assert posts == [
        ("/plan", {"action": "skip", "step": "2400", "way": WAYS[1], "reason": "traffic"}),
        ("/plan", {"action": "repeat", **full}), ("/plan", {"action": "first", **full}),
        ("/plan", {"action": "restore", **full}), ("/plan", {"action": "first", "step": "turn", "way": "port"}),
    ]  # fmt: skip


@pytest.mark.browser
def test_leaving_with_something_open_asks_for_reasons(browser: Browser, desk: StandIn) -> None:
    desk.board = busy_board(
        holes=(BoardHole(1200.0, WAYS[1], "missing"), BoardHole("stop", "", "missing")), holes_open=2
    )
    with page_of(browser, desk) as page:
        page.get_by_role("link", name="Dock").click()
        expect(page.locator("#dialog-leave")).to_be_visible()
        expect(page.locator("#leave-end")).to_be_hidden()
        page.locator("#leave-now").click()
        expect(page.locator("#dialog-leave .fault")).to_have_text("Each one needs a reason.")
        page.get_by_role("button", name="Stay here").click()
        assert page.url == desk.url + "/"
        page.get_by_role("link", name="Finish").click()
        page.locator("#reason-all").fill("fog came up")
        page.locator("#leave-holes input").nth(1).fill("not enough room")
        page.locator("#leave-end").click()
        page.wait_for_url("**/after")
    assert [(path, dict(fields)) for path, fields in desk.posts] == [
        ("/entry/hole", {"step": "1200", "way": WAYS[1], "reason": "fog came up"}),
        ("/entry/hole", {"step": "stop", "reason": "not enough room"}),
        ("/leave", {"end": "yes", "reason": "signed off one by one"}),
    ]


@pytest.mark.browser
def test_leaving_with_nothing_open_is_one_question(browser: Browser, desk: StandIn) -> None:
    desk.board = busy_board(holes=(), holes_open=0)
    with page_of(browser, desk) as page:
        page.get_by_role("link", name="Finish").click()
        expect(page.locator("#t-leave")).to_have_text("The trial is over?")
        expect(page.locator("#leave-open")).to_be_hidden()
        page.locator("#leave-now").click()
        page.wait_for_url("**/after")
        page.go_back()
        page.get_by_role("link", name="Dock").click()
        page.wait_for_url("**/dock")
    assert desk.posts == []


def test_a_device_that_only_reads_has_nothing_to_enter(browser: Browser, desk: StandIn) -> None:
    desk.may_enter = False
    with page_of(browser, desk, size="tablet") as page:
        assert page.locator(".entry, dialog, form, [data-acknowledge], [data-undo], button.cell").count() == 0
        expect(page.locator("#note")).to_contain_text("only reads")
        page.keyboard.press("m")
        page.locator("#holes-count").click()
        expect(page.locator("#holes-title")).to_be_in_viewport()
    assert desk.posts == []


# ---- Keyboard.


def test_the_keyboard_alone_is_enough(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        settled(page)
        seen: list[str] = []
        for _ in range(120):
            page.keyboard.press("Tab")
            told = page.evaluate(
                """() => { const n = document.activeElement;
                    if (n === document.body) return null;
                    const marked = n.type === 'file' ? n.closest('label') : n;
                    const s = getComputedStyle(marked), box = marked.getBoundingClientRect();
                    const x = box.left + box.width / 2, y = box.top + Math.min(box.height / 2, 20);
                    const top = document.elementFromPoint(x, y);
                    return { name: n.getAttribute('aria-label') || n.textContent.trim() || n.id,
                             ring: s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 3,
                             bare: marked.contains(top) || !!top?.closest('label')?.contains(n) }; }"""
            )
            if told is None:
                break
            assert told["ring"], told
            assert told["bare"], told
            seen.append(told["name"])
        for wanted in (
            "Go to the entries",
            "6 open",
            "2 alarms",
            "Sun",
            "Night",
            "Helm",
            "Finish",
            "MarkM",
            "TrafficX",
            "photo",
            "keys",
        ):
            assert wanted in seen, wanted
        assert any(name.startswith("800 rpm, 255°: done") for name in seen)
        page.keyboard.press("m")
        came(desk, page, 1)
        page.keyboard.press("t")
        expect(page.locator("#dialog-trim")).to_be_visible()
        page.keyboard.press("m")  # a letter inside a form makes no mark
        page.keyboard.press("Escape")
        page.keyboard.press("w")
        expect(page.locator("#dialog-trim")).to_be_hidden()
        expect(page.locator("#dialog-sea")).to_be_visible()
        for _ in range(5):
            if page.evaluate("document.activeElement.value") == "ripples":
                break
            page.keyboard.press("Tab")
        expect(page.locator('#dialog-sea [value="ripples"]')).to_be_focused()
        page.keyboard.press("Enter")
        came(desk, page, 2)
        expect(page.locator("#dialog-sea")).to_be_hidden()
        page.locator("#keys").focus()
        page.keyboard.press("Space")
        expect(page.locator("#keys")).not_to_be_checked()
        page.keyboard.press("m")
        page.keyboard.press("t")
        page.keyboard.press("Space")
        expect(page.locator("#keys")).to_be_checked()
        page.keyboard.press("x")
        came(desk, page, 3)
    # entries are sent in their order: had a key been taken before, it would stand before the last one
    assert [path for path, _ in desk.posts] == ["/entry/mark", "/entry/sea", "/entry/pause"]


def test_a_letter_is_taken_at_once_when_a_form_closes(browser: Browser, desk: StandIn) -> None:
    """A form that is hidden keeps the focus until the next picture, and one that is sent stays until the answer."""
    with page_of(browser, desk) as page:
        page.keyboard.press("t")
        expect(page.locator('#dialog-trim [name="side"]').first).to_be_focused()
        opened = page.evaluate(
            """() => { const inside = document.activeElement;
                inside.closest('dialog').close();
                inside.dispatchEvent(new KeyboardEvent('keydown', { key: 'w', bubbles: true, cancelable: true }));
                return document.getElementById('dialog-sea').open; }"""
        )
        assert opened
        page.locator('#dialog-sea [name="typed"]').fill("long swell")
        opened = page.evaluate(
            """() => { const inside = document.activeElement;
                inside.form.requestSubmit(inside.form.querySelector('.main'));
                inside.dispatchEvent(new KeyboardEvent('keydown', { key: 'm', bubbles: true, cancelable: true }));
                return document.getElementById('dialog-sea').open; }"""
        )
        assert not opened
        posts = came(desk, page, 2)
        expect(page.locator("#told")).to_contain_text("Mark: noted")
    assert posts == [("/entry/sea", {"value": "long swell"}), ("/entry/mark", {})]


# ---- Hurried fingers, and a page that moves.


def test_touched_twice_is_entered_once(browser: Browser, desk: StandIn) -> None:
    desk.holds_answers = True
    with page_of(browser, desk, has_touch=True) as page:
        page.locator('[data-opens="sea"]').click()
        settled(page)
        page.locator('#dialog-sea [value="ripples"]').dblclick()
        desk.holds_answers = False
        expect(page.locator("#dialog-sea")).to_be_hidden()
        for count, selector in enumerate(("#mark", "#pause", "[data-undo]"), 2):
            settled(page)
            page.locator(selector).first.scroll_into_view_if_needed()
            box = page.locator(selector).first.bounding_box()
            assert box
            page.mouse.dblclick(box["x"] + 20, box["y"] + 20)
            came(desk, page, count)
        page.locator("#alarm-list button").first.evaluate("button => { button.click(); button.click(); }")
        page.keyboard.press("m")
        posts = came(desk, page, 6)
    assert [path for path, _ in posts] == [
        "/entry/sea", "/entry/mark", "/entry/pause", "/entry/undo", "/acknowledge", "/entry/mark",
    ]  # fmt: skip
    assert desk.asked == 6


def test_the_second_tap_meets_nothing_that_has_come_under_the_finger(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk, size="phone", has_touch=True) as page:
        for selector in ('[data-opens="trim"]', '[data-opens="remark"]'):
            settled(page)
            box = page.locator(selector).bounding_box()
            assert box
            page.mouse.dblclick(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            expect(page.locator("dialog[open]")).to_have_count(1)
            page.keyboard.press("Escape")
            expect(page.locator("dialog[open]")).to_have_count(0)
        page.keyboard.press("m")
        assert came(desk, page) == [("/entry/mark", {})]


def test_alarms_do_not_move_under_a_finger(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        settled(page)
        drawn = page.evaluate(
            """async () => { const { notUnderAFinger } = await import('/page/touch.js');
                const drawn = [], draw = notUnderAFinger(value => drawn.push(value));
                const finger = kind => document.body.dispatchEvent(new PointerEvent(kind, { bubbles: true }));
                draw(1); finger('pointerdown'); draw(2); draw(3);
                const under = [...drawn];
                finger('pointerup');
                while (drawn.length < 2) await new Promise(requestAnimationFrame);
                draw(4);
                return [under, drawn]; }"""
        )
        assert drawn == [[1], [1, 3, 4]]
        # what has just moved or appeared takes no touch
        deaf = page.evaluate(
            """async () => { const { settling } = await import('/page/touch.js');
                const list = document.getElementById('alarm-list');
                settling('[data-acknowledge]', () => list.prepend(list.lastElementChild))(null);
                return [...list.querySelectorAll('[data-acknowledge]')].filter(n => n.checkVisibility())
                    .map(n => getComputedStyle(n).pointerEvents); }"""
        )
        assert deaf == ["none", "none"]
        # a new alarm stands above the one that is aimed at
        new = BoardAlarm("lost:gps1", "alarm", "gps1 is lost since 08:12:38.", "Look at its plug.", at(-2))
        desk.board = busy_board(5, alarms=(new, *busy_board().alarms))
        page.locator('[data-acknowledge="lost:depth"]').click()
        assert came(desk, page) == [("/acknowledge", {"alarm": "lost:depth"})]


def test_the_focus_stays_where_it_was(browser: Browser, desk: StandIn) -> None:
    first, second, known = busy_board().alarms
    with page_of(browser, desk) as page:
        page.locator('[data-acknowledge="late:engines"]').focus()
        desk.board = busy_board(3, alarms=(replace(first, acknowledged=True), second, known))
        expect(page.locator(".unseen-yet")).to_have_count(1)
        expect(page.locator('[data-acknowledge="late:engines"]')).to_be_focused()
        page.keyboard.press("Enter")
        desk.board = busy_board(4, alarms=tuple(replace(one, acknowledged=True) for one in (first, second, known)))
        expect(page.locator(".unseen-yet")).to_have_count(0)
        # the button is gone, and the next key starts from its line and not from the top of the page
        assert page.evaluate("document.activeElement.closest('#alarm-list') !== null")
        page.get_by_role("button", name="Take back sea").focus()
        entries = busy_board().entries
        desk.board = busy_board(5, entries=(replace(entries[0], words="30 %, both"), *entries[1:]))
        expect(page.locator("#entries")).to_contain_text("30 %, both")
        expect(page.get_by_role("button", name="Take back sea")).to_be_focused()


@pytest.mark.browser
def test_an_entry_that_is_refused_late_is_told(browser: Browser, desk: StandIn) -> None:
    desk.holds_answers = True
    with page_of(browser, desk) as page:
        page.keyboard.press("m")
        expect(page.locator("#told")).to_contain_text("kept here")
        expect(page.locator("#waiting")).to_have_text("1 entry waits for the desk.")
        desk.refuses = "the disk is full"
        desk.holds_answers = False
        expect(page.locator("#told")).to_contain_text("not noted. the disk is full")
        expect(page.locator("#waiting")).to_be_hidden()
    assert desk.posts == []


# ---- axe-core.


@pytest.mark.external
def test_axe_finds_nothing_in_sun_and_dark(browser: Browser, desk: StandIn, axe: str) -> None:
    with page_of(browser, desk, color_scheme="dark") as page:
        assert findings(page, axe) == []
    with page_of(browser, desk, size="phone", color_scheme="light") as page:
        page.locator('[data-opens="reading"]').click()
        assert findings(page, axe) == []
    desk.board = advice_board(
        "manoeuvre", "Full throttle next", 3, caution="full_throttle", number=30.0, unit="s", bar=0.2
    )
    with page_of(browser, desk, "/helm", color_scheme="dark") as page:
        expect(page.locator("#caution")).to_be_visible()
        assert findings(page, axe) == []


@pytest.mark.browser
@pytest.mark.external
@pytest.mark.parametrize("look", ["light", "dark"])
def test_axe_finds_nothing_in_any_form(browser: Browser, desk: StandIn, axe: str, look: str) -> None:
    with page_of(browser, desk, color_scheme=look) as page:
        assert findings(page, axe) == []
        for name in ("trim", "sound", "reading"):
            page.locator(f'[data-opens="{name}"]').click()
            assert findings(page, axe) == []
            page.keyboard.press("Escape")
        page.locator("#grid td button").first.click()
        assert findings(page, axe) == []
    desk.board = advice_board(
        "manoeuvre", "Full throttle next", 3, caution="full_throttle", number=30.0, unit="s", bar=0.2
    )
    with page_of(browser, desk, "/helm", color_scheme=look) as page:
        expect(page.locator("#caution")).to_be_visible()
        assert findings(page, axe) == []


@pytest.mark.browser
@pytest.mark.external
def test_axe_finds_nothing_on_a_phone(browser: Browser, desk: StandIn, axe: str) -> None:
    with page_of(browser, desk, size="phone") as page:
        assert findings(page, axe) == []
