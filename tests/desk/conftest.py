"""For tests in a real browser: Debian's chromium, driven by Playwright; nothing is downloaded for it."""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.desk.browsing import LONG_MS

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.desk.stand_in import StandIn

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for a module: starting it is the dear part."""
    if CHROMIUM is None:
        pytest.skip("NOT CHECKED in a browser: no Chromium is installed, which opens the pages")
    from playwright.sync_api import expect, sync_playwright  # noqa: PLC0415  dear, and only here

    expect.set_options(timeout=LONG_MS)
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


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The script of axe-core, fetched from the npm registry and kept for the next run."""
    kept = Path.home() / ".cache" / "trialcapture-tests" / "axe-core-4.10.tgz"
    if not kept.exists():
        if shutil.which("npm") is None:
            pytest.skip("NOT CHECKED by axe-core: npm is not installed")
        folder = tmp_path_factory.mktemp("axe")
        packed = subprocess.run(
            ["npm", "pack", "axe-core@4.10", "--silent"], cwd=folder, capture_output=True, text=True, check=False
        )
        if packed.returncode:
            pytest.skip("NOT CHECKED by axe-core: the npm registry cannot be reached")
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(next(folder.glob("*.tgz")), kept)
    with tarfile.open(kept) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode()
