"""A whole trial day from the page alone: `python -m tests.desk.day FOLDER`.

A rehearsed boat sends her sentences to this computer, `trialcapture record --desk` records them, and a technician at
the page does everything by touch: entries, alarms, cautions, reasons for what stays open, the end of the recording,
processing, and the sheet printed to FOLDER/sheet.pdf. It takes some nine minutes, because the boat sails at her own
pace. `--picture FILE` instead plays a sample session into a growing one and takes the picture that README.md shows.

The same technician sails the replayed day of `test_browser_day.py`.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
from PIL import Image
from playwright.sync_api import Page, expect, sync_playwright

from tests.bench.live_replay import read_tape
from trialcapture.acquire.ending import STOP_NAME
from trialcapture.acquire.live_status import LiveFile
from trialcapture.acquire.status import SourceStatus, Status
from trialcapture.archive.seal import seal_closed
from trialcapture.archive.session import open_session
from trialcapture.desk.entries import Day
from trialcapture.desk.server import PARTS, DeskServer, run_in_thread
from trialcapture.pipeline.live_board import board_as_json
from trialcapture.pipeline.live_guidance import LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.system.session_files import SessionLock
from trialcapture.system.sockets import listen_on

ROOT = Path(__file__).parents[2]
LONG_MS = 120_000
"""A busy machine is slow and not wrong."""


# ------------------------------------------------------------------------------
# The technician.
# ------------------------------------------------------------------------------


def _press(*selectors: str) -> Callable[[Page], None]:
    def do(page: Page) -> None:
        for selector in selectors:
            page.locator(selector).click()

    return do


def _sound(page: Page) -> None:
    page.locator('[data-opens="sound"]').click()
    page.locator('#dialog-sound [name="typed"]').fill("71.5")
    page.locator("#dialog-sound .main").click()


def _reading(page: Page) -> None:
    page.locator('[data-opens="reading"]').click()
    page.locator("#dialog-reading select").select_option("coolant")
    page.locator('#dialog-reading [name="typed"]').fill("82")
    page.locator("#dialog-reading .main").click()


ENTRIES: tuple[tuple[str, Callable[[Page], None]], ...] = (
    ("mark", _press("#mark")),
    ("trim", _press('[data-opens="trim"]', '#dialog-trim [value="20"]')),
    ("sea", _press('[data-opens="sea"]', '#dialog-sea [value="small waves, no crests"]')),
    ("remark", _press('[data-opens="remark"]', '#dialog-remark [value="vibration"]')),
    ("sound", _sound),
    ("reading", _reading),
)
"""What is entered on the way, one kind each, all by touch."""


LOOK = """() => ({
    sentence: document.getElementById('sentence').textContent,
    caution: document.getElementById('caution').hidden ? '' : document.getElementById('caution-title').textContent,
    done: [...document.querySelectorAll('[data-state="done"] > button')]
        .map(n => n.getAttribute('aria-label').split(':')[0]),
    alarms: [...document.querySelectorAll('.unseen-yet [data-acknowledge]')].map(n => n.dataset.acknowledge),
    detector: document.getElementById('detector').dataset.state,
})"""
"""What somebody sees who looks at the page once."""


@dataclass
class Technician:
    """Whoever sits at the page.

    Attributes:
        page: The page under way.
        photo: A picture to add.
        sentences: What was advised, one after the other, numbers that count down left out.
        cautions: Cards of cautions that were read out.
        alarms: Ids of the alarms that were acknowledged.
        done: Runs that the page has shown as done, by step and way.
    """

    page: Page
    photo: Path
    sentences: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    done: set[str] = field(default_factory=set)
    _todo: list[tuple[str, Callable[[Page], None]]] = field(default_factory=lambda: list(ENTRIES))

    def look(self) -> None:
        """Look at the page once, and do what is due."""
        page = self.page
        seen = page.evaluate(LOOK)
        said = re.sub(r"\d+(?= s more)", "…", seen["sentence"].replace("\u00a0", " "))
        if not self.sentences or self.sentences[-1] != said:
            self.sentences.append(said)
        if seen["caution"]:
            self.cautions.append(seen["caution"])
            page.locator("#caution-read").click()
        self.done |= set(seen["done"])
        unseen = [name for name in seen["alarms"] if name not in self.alarms]
        if unseen:
            self.alarms.append(unseen[0])
            page.locator(f"[data-acknowledge={json.dumps(unseen[0])}]").click()
        elif self._todo and seen["detector"] in ("holding", "held"):
            kind, enter = self._todo.pop(0)
            enter(page)
            expect(page.locator("#told")).to_have_text(re.compile(f"^{kind.capitalize()}.*: noted"), timeout=LONG_MS)

    def add_photo(self) -> None:
        """Add the picture."""
        self.page.locator("#photo").set_input_files(self.photo)
        self.page.locator('#dialog-photo [name="camera_zone"]').fill("+00:00")
        self.page.locator("#dialog-photo .main").click()
        expect(self.page.locator("#told")).to_contain_text("Photo: noted", timeout=LONG_MS)

    @property
    def has_entered_all(self) -> bool:
        """True when nothing is left to be entered."""
        return not self._todo

    def ask_for_the_end(self, reason: str) -> None:
        """Finish: give a reason for what is open, and end the recording."""
        page = self.page
        page.get_by_role("link", name="Finish").first.click()
        if page.locator("#leave-open").is_visible():
            page.locator("#reason-all").fill(reason)
        page.locator("#leave-end").click()

    def print_the_sheet(self, to: Path) -> None:
        """On the page after the trial: process, open the sheet, print it."""
        page = self.page
        page.wait_for_url("**/after", timeout=LONG_MS)
        page.get_by_role("button", name=re.compile("^Process")).click()
        page.locator('a[href="/results/sheet.html"]').wait_for(timeout=600_000)
        with page.context.expect_page() as opened:
            page.locator('a[href="/results/sheet.html"]').click()
        sheet = opened.value
        sheet.wait_for_load_state(timeout=LONG_MS)
        sheet.pdf(path=to, prefer_css_page_size=True)
        sheet.close()


def make_photo(path: Path) -> Path:
    """Make a small picture, such as of a tank gauge."""
    Image.new("RGB", (64, 48), (40, 90, 120)).save(path)
    return path


@contextmanager
def a_browser() -> Iterator[Any]:
    """Start Debian's chromium."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        raise SystemExit("no Chromium is installed, which opens the page")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


# ------------------------------------------------------------------------------
# Replayed: a session that was recorded grows again, by a clock of its own.
# ------------------------------------------------------------------------------


class PlayedTrial:
    """Plays recorded sentences into a new session, as its recorder would have written them, and follows it live.

    It stands in for the recorder: it holds the lock of the session, says once a second how it is, ends when it is asked
    to, and seals what it wrote. The clock is that of the recording, and stands still between two steps.

    Attributes:
        pace_s: Seconds of the trial from one look to the next.

    Args:
        source: A session as it was recorded, with times of receipt.
        folder: The new one; it must not be there yet.
        step_s: Seconds of the trial from one look to the next.
        is_sparing: Wait longer after what was costly, as the desk does; False to do all that is due.
    """

    def __init__(self, source: Path, folder: Path, step_s: float, *, is_sparing: bool = True) -> None:
        self.folder, self._tape, self.pace_s = folder, read_tape(source), step_s
        shutil.copytree(
            source, folder, ignore=shutil.ignore_patterns("raw", "seal*", "manifest*", "trialset", "reduction")
        )
        (folder / "raw").mkdir()
        self._live = LiveFile([folder])
        self._lock = SessionLock(folder)
        self._lock.__enter__()
        self._id = open_session(folder).folder.name
        self._made = LiveBoard(LiveTrial(folder, is_sparing=is_sparing))
        self._now_s, self._end, self._offset_s = 0.0, 0, math.inf
        self.wall_ns = int(self._tape.wall_ns[0])
        self.is_recording = True
        self.board: dict[str, Any] = {}
        self._look()

    @property
    def length_s(self) -> float:
        """Length of the recording [s]."""
        return float(self._tape.t_s[-1])

    @property
    def is_over(self) -> bool:
        """True when all that was recorded has been played."""
        return self._end >= len(self._tape.text)

    def now(self) -> datetime:
        """Return the time on the clock of the trial."""
        return datetime.fromtimestamp(self.wall_ns / 1e9, UTC)

    def step(self) -> None:
        """Play one step, and look at it."""
        if self.is_recording and (self.folder / STOP_NAME).exists():
            self._close()
        elif self.is_recording:
            self._now_s += self.pace_s
            self.wall_ns += round(self.pace_s * 1e9)
            count = int(np.searchsorted(self._tape.t_s, self._tape.t_s[0] + self._now_s, side="right"))
            end = int(self._tape.ends[count - 1]) if count else 0
            if end > self._end:
                with (self.folder / "raw" / "nmea.log").open("ab") as file:
                    file.write(self._tape.text[self._end : end])
                self._end = end
        self._look()

    def _look(self) -> None:
        if self.is_recording:
            self._live.append(self._status(), self.wall_ns)
        self.board = board_as_json(self._made.look(self._now_s, self.wall_ns)) | {"recording": self.is_recording}
        newest_ns = self._made.trial.newest_ns
        if newest_ns is not None:  # the laptop of the recording may have been seconds off
            self._offset_s = min(self._offset_s, (self.wall_ns - newest_ns) / 1e9)

    def _status(self) -> Status:
        age_s = 0.2 if not self.is_over else self._now_s - self.length_s
        bus = SourceStatus(
            "bus",
            "ok" if age_s < 3.0 else "silent",
            max(age_s, 0.0),
            40.0,
            self._end // 60,
            0,
            0,
            None,
            "GNSS fix",
            self._offset_s if math.isfinite(self._offset_s) else 0.0,
            (),
        )
        return Status(self._id, True, 0, self._now_s, self._end, 0.4, 81_000_000_000, 400.0, (bus,), (), ())

    def _close(self) -> None:
        (self.folder / STOP_NAME).unlink()
        self.is_recording = False
        self._lock.__exit__(None, None, None)
        seal_closed(self.folder, by="tests", t=f"{self.now():%Y-%m-%dT%H:%M:%SZ}")

    def end(self) -> None:
        """Let go of the session."""
        if self.is_recording:
            self.is_recording = False
            self._lock.__exit__(None, None, None)


@contextmanager
def desk_of(trial: PlayedTrial, parts: Any = PARTS) -> Iterator[DeskServer]:
    """Serve the desk of a trial that is played; entries get the time of the trial."""
    day = Day(session=trial.folder)
    faults: list[Exception] = []

    def on_fault(fault: Exception) -> str:
        faults.append(fault)
        return "something unexpected happened"

    server = DeskServer(
        day, lambda: trial.board, listener=listen_on("127.0.0.1", 0), now_s=0.0, on_fault=on_fault, parts=parts
    )
    server.desk.entries._now = trial.now
    thread = run_in_thread(server)
    _until(lambda: server.has_started, "the desk")
    try:
        yield server
    finally:
        server.end()
        thread.join(60)
    assert faults == []


PLAN = """
[plan]
full_throttle = true
"""
"""For a session that was recorded without one: its own steps, both ways."""


_SHOWN_S = 6
"""For so long the page has heard of the trial when the picture is taken: large digits change every two seconds."""


def take_picture(source: Path, to: Path, at_s: float) -> None:
    """Play a session up to some second of it, and take the picture of the page."""
    with tempfile.TemporaryDirectory() as place, a_browser() as browser:
        planned = shutil.copytree(source, Path(place) / "planned")
        with (planned / "session.toml").open("a", encoding="utf-8") as file:
            file.write("" if open_session(source).config.plan else PLAN)
        trial = PlayedTrial(planned, Path(place) / source.name, 20.0)
        try:
            with desk_of(trial) as server:
                page = browser.new_page(viewport={"width": 1280, "height": 1000})
                while trial._now_s < at_s:
                    trial.step()
                    # coarse from afar, and near the moment as often as states need to be shown
                    trial.pace_s = 20.0 if at_s - trial._now_s > 60.0 else 4.0
                # the page goes by the clock of the trial, however busy this computer is: else it says it hears nothing
                page.clock.install()
                page.goto(server.url)
                page.locator("#grid td").first.wait_for(timeout=LONG_MS)
                page.clock.pause_at(datetime.now(UTC) + timedelta(hours=1))
                trial.pace_s = 1.0
                for _ in range(_SHOWN_S):
                    trial.step()
                    page.wait_for_function(
                        "t => document.body.dataset.newest === t", arg=trial.board["t"], timeout=LONG_MS, polling=100
                    )
                    page.clock.run_for(1000)
                page.screenshot(path=to)
        finally:
            trial.end()
    with Image.open(to) as shot:
        shot.convert("P", palette=Image.Palette.ADAPTIVE, colors=32).save(to, optimize=True)


# ------------------------------------------------------------------------------
# Live: rehearse and record, each a process of its own.
# ------------------------------------------------------------------------------


def _run(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "trialcapture", *arguments], cwd=cwd, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
    )  # fmt: skip


def _follow(process: subprocess.Popen[str], lines: list[str]) -> None:
    def read() -> None:
        assert process.stdout is not None
        lines.extend(iter(process.stdout.readline, ""))

    Thread(target=read, daemon=True).start()


def _until(is_so: Callable[[], Any], what: str, seconds: float = 120.0) -> Any:
    end = time.monotonic() + seconds
    while not (found := is_so()):
        if time.monotonic() > end:
            raise SystemExit(f"waited in vain: {what}")
        time.sleep(0.2)
    return found


def live(folder: Path, scenario: str, *, short: bool = True) -> int:
    """Sail the whole day; returns 0 when the sheet was printed."""
    folder.mkdir(parents=True, exist_ok=False)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    arguments = ["rehearse", "demo", "--udp", "--port", port, "--scenario", scenario, *(["--short"] if short else [])]
    boat = _run(*arguments, cwd=folder)
    boat_said: list[str] = []
    _follow(boat, boat_said)
    _until(lambda: (folder / "demo" / "boat.toml").exists() or boat.poll() is not None, "the rehearsed boat")
    recorder = _run("record", "demo/boat.toml", "--into", "day", "--desk", cwd=folder)
    said: list[str] = []
    _follow(recorder, said)
    try:
        found = _until(lambda: re.search(r"http://127\.0\.0\.1:\d+/", "".join(said)), "the desk's address")
        print(f"the desk is at {found[0]}", flush=True)
        with a_browser() as browser:
            return _sail(browser, found[0], folder, boat, recorder)
    finally:
        for process in (boat, recorder):
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
                process.wait(60)
        print("".join([*boat_said, *said]))


def _sail(browser: Any, url: str, folder: Path, boat: Any, recorder: Any) -> int:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page, helm = context.new_page(), context.new_page()
    page.set_default_timeout(LONG_MS)
    _until(lambda: _opens(page, url), "the desk")
    helm.goto(url + "helm")
    helm.locator("#tones").click()
    page.locator("#grid td").first.wait_for(timeout=LONG_MS)
    crew = Technician(page, make_photo(folder / "gauge.png"))
    crew.add_photo()
    shots = 0
    while boat.poll() is None and recorder.poll() is None:
        before = len(crew.sentences)
        crew.look()
        if len(crew.sentences) != before:
            shots += 1
            print(f"{datetime.now(UTC):%H:%M:%S}  {crew.sentences[-1]}", flush=True)
            page.screenshot(path=folder / f"page-{shots:02d}.png")
            helm.screenshot(path=folder / f"helm-{shots:02d}.png")
        page.wait_for_timeout(500)
    time.sleep(10)  # what the receivers sent last is taken in and reduced
    crew.look()
    page.screenshot(path=folder / "page-end.png", full_page=True)
    crew.ask_for_the_end("the rehearsed boat is back in harbour")
    crew.print_the_sheet(folder / "sheet.pdf")
    page.screenshot(path=folder / "after.png", full_page=True)
    recorder.wait(120)
    print(f"advised: {len(crew.sentences)} sentences; read out: {', '.join(crew.cautions) or 'no card'}")
    print(f"done on the page: {', '.join(sorted(crew.done)) or 'nothing'}")
    is_same = by_parts(crew.done) == done_in_results(folder / "day")
    print(f"the results call {'the same' if is_same else 'OTHER'} cells done")
    print(f"entered all: {crew.has_entered_all}; the sheet is {folder / 'sheet.pdf'}")
    return 0 if is_same and crew.has_entered_all and (folder / "sheet.pdf").stat().st_size > 10_000 else 1


def _opens(page: Page, url: str) -> bool:
    try:
        page.goto(url)
    except Exception:  # noqa: BLE001  it is not there yet; asked again until it is
        return False
    return page.locator("#grid").count() > 0


def done_in_results(session: Path) -> set[frozenset[str]]:
    """Return the cells of the plan that `process` calls done, each by the parts of its name."""
    plan = json.loads((session / "reduction" / "summary.json").read_text(encoding="utf-8")).get("plan") or {}
    done = [cell for cell in plan.get("cells", []) if cell["state"] == "done"]
    return {frozenset([*str(cell["step"]).split(", "), *([cell["way"]] if cell["way"] else [])]) for cell in done}


def by_parts(labels: Iterable[str]) -> set[frozenset[str]]:
    """Return names of cells as the page shows them by their parts: the page and the sheet order them otherwise."""
    return {frozenset(label.split(", ")) for label in labels}


def main(arguments: list[str]) -> int:
    """Run the command; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.desk.day", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?", help="new folder for session, pictures and sheet")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="only take the picture of the page")
    parser.add_argument("--of", type=Path, default=ROOT / "sample_logs" / "journal_session", metavar="SESSION")
    parser.add_argument("--at", type=float, default=1500.0, metavar="SECONDS", help="of the session, for the picture")
    parser.add_argument("--scenario", default="twin-planing")
    parser.add_argument("--whole", action="store_true", help="the whole plan of the scenario, an hour and more")
    chosen = parser.parse_args(arguments)
    if chosen.picture:
        take_picture(chosen.of, chosen.picture, chosen.at)
        return 0
    if chosen.folder is None:
        parser.error("a new folder is needed")
    return live(chosen.folder.resolve(), chosen.scenario, short=not chosen.whole)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
