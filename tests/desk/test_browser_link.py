"""The pages in trouble: the network cut, the tab asleep, the desk ended and begun again, several who look."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Route, expect

from tests.desk.boards import busy_board
from tests.desk.browsing import LONG_MS
from tests.desk.stand_in import StandIn
from tests.desk.test_browser_pages import came, page_of, until

pytestmark = pytest.mark.slow


def covered(page: Page, words: str = "NO DATA") -> None:
    expect(page.locator("#stale")).to_be_visible(timeout=LONG_MS)
    expect(page.locator("#stale")).to_contain_text(words, timeout=LONG_MS)


def shows(page: Page, seconds: float) -> None:
    """The page shows this board, and nothing covers it."""
    expect(page.locator("#elapsed")).to_have_text(
        f"0:{40 + int(12 + seconds) // 60}:{int(12 + seconds) % 60:02d}", timeout=LONG_MS
    )
    expect(page.locator("#stale")).to_be_hidden(timeout=LONG_MS)


@pytest.mark.browser
@pytest.mark.parametrize("path", ["/", "/helm"])
def test_a_silent_network_covers_the_figures_and_is_noticed_when_back(
    browser: Browser, desk: StandIn, path: str
) -> None:
    with page_of(browser, desk, path) as page:
        expect(page.locator("#stale")).to_be_hidden()
        opened = desk.opened
        desk.is_silent = True
        covered(page)
        seconds = page.locator("#stale b").inner_text()
        expect(page.locator("#stale b")).not_to_have_text(seconds, timeout=LONG_MS)  # it counts
        expect(page.locator("#stale")).to_contain_text("does not answer")
        # the stream is dead and says nothing of it: the watchdog opens another one
        until(page, lambda: desk.opened > opened)
        desk.is_silent = False
        expect(page.locator("#stale")).to_be_hidden(timeout=LONG_MS)


@pytest.mark.browser
def test_a_desk_without_news_is_told_from_a_silent_one(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        opened = desk.opened
        desk.is_stalled = True
        covered(page)
        expect(page.locator("#stale")).to_contain_text("The recorder writes nothing new")
        assert desk.opened == opened
        desk.is_stalled = False
        expect(page.locator("#stale")).to_be_hidden(timeout=LONG_MS)
        # the desk answers, and what it has is old
        desk.board = busy_board(5, data_age_s=7.2)
        covered(page, "NO DATA 7 s")


def test_the_network_is_cut_and_comes_back(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        page.context.set_offline(True)
        desk.cut()
        covered(page)
        page.keyboard.press("m")
        expect(page.locator("#waiting")).to_have_text("1 entry waits for the desk.")
        expect(page.locator("#told")).to_contain_text("sent when the desk is back")
        page.wait_for_timeout(1600)
        desk.board = busy_board(30)
        page.context.set_offline(False)
        shows(page, 30)
        (path, fields) = came(desk, page)[0]
        assert path == "/entry/mark"
        # the desk learns how long ago it was made, so that the mark stands at its own time
        assert float(fields["ago_s"]) >= 1.5
        expect(page.locator("#waiting")).to_be_hidden()
        # entries come in their order: one sent twice would stand before the next
        page.keyboard.press("t")
        page.locator('#dialog-trim [value="20"]').click()
        assert [path for path, _ in came(desk, page, 2)] == ["/entry/mark", "/entry/trim"]


def test_a_sleeping_tab_is_awake_at_once(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        other: Any = page.context.new_cdp_session(page)
        other.send("Page.setWebLifecycleState", {"state": "frozen"})
        desk.is_silent = True  # the phone has closed the connection without a word
        page.wait_for_timeout(2500)
        desk.board = busy_board(90)
        other.send("Page.setWebLifecycleState", {"state": "active"})
        covered(page, "does not answer")  # what was on its way when it fell asleep has been heard
        opened = page.evaluate(
            """() => { const Stream = EventSource; let opened = 0;
                window.EventSource = class extends Stream { constructor(...a) { super(...a); opened++; } };
                document.dispatchEvent(new Event('visibilitychange'));
                window.EventSource = Stream;
                return opened; }"""
        )
        assert opened == 1  # at once, and not when the watchdog looks next
        desk.is_silent = False
        shows(page, 90)


def test_a_desk_that_is_ended_and_begun_again(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        desk.stop()
        covered(page, "does not answer")
        page.keyboard.press("m")
        expect(page.locator("#waiting")).to_be_visible()
        desk.token = "token-2"
        desk.board = busy_board(60)
        desk.start()
        shows(page, 60)
        # its forms have another token, and the entry comes in all the same, once
        assert [path for path, _ in came(desk, page)] == ["/entry/mark"]
        expect(page.locator("#waiting")).to_be_hidden()
        page.keyboard.press("m")
        assert len(came(desk, page, 2)) == 2
        assert "ago_s" not in desk.posts[1][1]


@pytest.mark.browser
def test_entries_that_wait_survive_a_reload(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        page.route("**/entry/*", lambda route: route.abort())
        page.keyboard.press("m")
        expect(page.locator("#waiting")).to_be_visible()
        page.reload()
        expect(page.locator("#waiting")).to_have_text("1 entry waits for the desk.")
        page.unroute("**/entry/*")
        assert came(desk, page)[0][0] == "/entry/mark"


def test_three_who_look_see_the_same(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as laptop, page_of(browser, desk, size="phone") as phone:
        with page_of(browser, desk, "/helm", size="tablet") as helm:
            desk.board = busy_board(20)
            shows(laptop, 20)
            shows(phone, 20)
            expect(helm.locator("#number")).to_have_text("18", timeout=LONG_MS)
            until(laptop, lambda: desk.streams == 3)
        # who goes is not served any more
        until(laptop, lambda: desk.streams == 2)
        phone.locator("#mark").click()
        assert len(came(desk, phone)) == 1


@pytest.mark.browser
def test_the_end_of_the_recording_is_said(browser: Browser, desk: StandIn) -> None:
    with page_of(browser, desk) as page:
        desk.board = busy_board(10, recording=False, data_age_s=600.0)
        expect(page.locator("#ended")).to_be_visible(timeout=LONG_MS)
        expect(page.locator("#lamp-word")).to_have_text("Ended")
        page.get_by_role("link", name="Finish").first.click()
        page.wait_for_url("**/after", timeout=LONG_MS)  # nothing is asked when it is over


@pytest.mark.browser
def test_a_photo_whose_answer_was_lost_is_taken_once_when_it_is_added_again(
    browser: Browser, desk: StandIn, tmp_path: Path
) -> None:
    picture = tmp_path / "tank.jpg"
    Image.new("RGB", (8, 8)).save(picture)
    with page_of(browser, desk) as page:

        def add(words: str) -> None:
            page.locator("#photo").set_input_files(picture)
            page.locator('#dialog-photo [name="value"]').fill(words)
            page.locator("#dialog-photo .main").click()

        def loses_the_answer(route: Route) -> None:
            route.fetch()
            route.abort()

        page.route("**/photo", loses_the_answer)
        add("the tank")
        expect(page.locator("#dialog-photo .fault")).to_contain_text("cannot be reached")
        page.unroute("**/photo")
        page.reload()  # as somebody does whose page seems dead
        add("the tank")
        expect(page.locator("#told")).to_contain_text("Photo: noted")
        add("the tank, empty")  # other words are another note
        until(page, lambda: len(desk.posts) == 2)
    assert [told["value"] for path, told in desk.posts if path == "/photo"] == ["the tank", "the tank, empty"]
