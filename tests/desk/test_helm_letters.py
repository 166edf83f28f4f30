"""The helm's page is read at 2 m on what it is shown on: millimetres of a ruler, not those of a style sheet."""

from __future__ import annotations

import math

import pytest
from playwright.sync_api import Browser, expect

from tests.desk.boards import advice_board
from tests.desk.browsing import capital_px
from tests.desk.stand_in import StandIn

pytestmark = [pytest.mark.slow, pytest.mark.browser]

DEVICES = {
    # width and height [CSS px], whether it is touched, millimetres of one CSS px: Android's density-independent pixel
    # is 1/160 inch; tablets of 10 to 11 inches with 810 to 820 px across are some 0.19 mm; 13 inches of 1280 px 0.224
    "phone": (390, 844, True, 25.4 / 160),
    "tablet": (820, 1180, True, 25.4 / 160),
    "laptop": (1280, 800, False, 0.198),
}


def arc_minutes(mm: float) -> float:
    """Return at which angle a height is seen at 2 m [minutes of arc]."""
    return math.degrees(math.atan(mm / 2000.0)) * 60.0


@pytest.mark.parametrize("device", DEVICES)
def test_letters_are_high_enough_at_2_m_by_a_ruler(browser: Browser, desk: StandIn, device: str) -> None:
    """ISO 9241-3: 20 to 22 minutes of arc, at least 16. The number has 22, sentence and caution at least 16."""
    width, height, is_touched, mm = DEVICES[device]
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=is_touched)
    page = context.new_page()
    try:
        for count, (sentence, caution) in enumerate(
            (("Hold 2000 rpm, 38 s more", None), ("Turn wide to 254°, same throttles", "turn"))
        ):
            desk.board = advice_board("hold", sentence, count, number=38.0 + count, unit="s", bar=0.4, caution=caution)
            page.goto(desk.url + "/helm")
            expect(page.locator("#number")).to_have_text(str(38 + count))
            assert arc_minutes(capital_px(page, "#number") * mm) >= 21.5
            for selector in ("#sentence", *(["#caution-title"] if caution else [])):
                assert arc_minutes(capital_px(page, selector) * mm) >= 15.9, selector
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    finally:
        context.close()


def test_a_word_too_long_for_the_screen_is_made_smaller_rather_than_cut(browser: Browser, desk: StandIn) -> None:
    desk.board = advice_board("manoeuvre", "Next: acceleration to 30 mph", 1)
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    try:
        page.goto(desk.url + "/helm")
        expect(page.locator("#sentence")).to_contain_text("acceleration")
        assert page.evaluate("document.querySelector('#sentence').scrollWidth - innerWidth") <= 0
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    finally:
        context.close()
