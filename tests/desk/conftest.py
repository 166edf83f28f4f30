"""For tests in a real browser: Debian's chromium, driven by Playwright; nothing is downloaded for it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.desk.stand_in import StandIn

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for a module: starting it is the dear part."""
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed, which opens the pages")
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  dear, and only here

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"],
        )
        yield made
        made.close()


@pytest.fixture
def desk() -> Iterator[StandIn]:
    """A stand-in for the desk that a test can bend."""
    from tests.desk.stand_in import stand_in  # noqa: PLC0415

    with stand_in() as made:
        yield made
