"""What is touched on the page arrives in the session, through the real desk."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect
from pypdf import PdfReader

from tests.desk.boards import WAYS, busy_board
from tests.desk.day import LONG_MS, PlayedTrial, Technician, by_parts, desk_of, done_in_results, make_photo
from tests.desk.served import empty_session, serving
from trialcapture.desk import board_stream
from trialcapture.pipeline.live_board import board_as_json
from trialcapture.rehearse.scenarios import DEFAULT, briefed
from trialcapture.rehearse.simulate import find_scenario, simulate
from trialcapture.rehearse.write import write_session
from trialcapture.system.session_files import SessionLock

pytestmark = pytest.mark.slow


def test_every_touch_becomes_a_note_of_the_session(browser: Browser, tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    board = board_as_json(busy_board())
    wrong: list[str] = []
    # the alarms come later: an earlier look would acknowledge them
    with SessionLock(folder), serving(folder, **busy_fields() | {"alarms": ()}) as desk:
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.set_default_timeout(LONG_MS)
        page = context.new_page()
        page.on("pageerror", lambda fault: wrong.append(str(fault)))
        page.on("console", lambda told: wrong.append(told.text) if told.type == "error" else None)
        page.goto(desk.server.url)
        page.locator("#grid td").first.wait_for()
        # numbers come as the desk wrote them for the reader
        shown = page.evaluate("fetch('/board').then(answer => answer.json())")["shown"]
        assert page.locator("#sog").inner_text() == shown["now"]["sog_kn"]["text"]
        crew = Technician(page, make_photo(tmp_path / "gauge.png"))
        crew.add_photo()
        for _ in range(12):
            desk.board["entries"] = noted(folder)
            if crew.has_entered_all:
                break
            crew.look()
        page.locator("#grid td").nth(9).locator("button").click()
        page.get_by_role("button", name="traffic", exact=True).click()
        page.get_by_role("button", name="Skip it").click()
        expect(page.locator("#told")).to_contain_text("Skip it: noted")
        page.locator("#pause").click()
        expect(page.locator("#told")).to_contain_text("Traffic pause: noted")
        desk.board["alarms"] = board["alarms"]
        page.locator("#alarm-list button").first.click()
        desk.board["holes"], desk.board["holes_open"] = [{"step": "stop", "way": "", "reason": "missing"}], 1
        expect(page.locator("#holes-count")).to_have_text("1 open")
        page.get_by_role("link", name="Dock").click()
        page.locator("#reason-all").fill("fog came up")
        page.locator("#leave-now").click()
        page.wait_for_url("**/dock")
        context.close()
        assert desk.faults == []
    assert wrong == []
    entries = [json.loads(line) for line in (folder / "raw" / "notes-desk.jsonl").read_text("utf-8").splitlines()]
    told = {
        e["kind"]: {k: v for k, v in e.items() if k not in ("t", "kind", "by", "once") and v not in ("", None)}
        for e in entries
    }
    photo = told.pop("photo")
    assert (folder / photo["file"]).read_bytes() == (tmp_path / "gauge.png").read_bytes()
    assert told == {
        "mark": {}, "trim": {"value": 20, "unit": "%", "side": "both"}, "sea": {"value": "small waves, no crests"},
        "remark": {"value": "vibration"},
        "sound": {"value": 71.5, "unit": "dB(A)", "where": "helm", "doors": "closed", "seconds": 30},
        "reading": {"value": 82, "unit": "degc", "quantity": "coolant", "engine": "port"},
        "plan_change": {"action": "skip", "step": "2400", "way": WAYS[1], "reason": "traffic"},
        "pause": {"value": "begin"}, "acknowledged": {"alarm": "lost:depth"},
        "hole": {"step": "stop", "reason": "fog came up"},
    }  # fmt: skip
    assert len(entries) == 11


def test_a_whole_day_is_sailed_by_touch(browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first board to the printed sheet, on a trial that grows by a clock of its own."""
    write_session(simulate(DEFAULT, plan=briefed(find_scenario(DEFAULT).plan)), tmp_path / "recorded")
    trial = PlayedTrial(tmp_path / "recorded", tmp_path / "day", 6.0)
    monkeypatch.setattr(board_stream, "PERIOD_S", 0.05)  # its clock is faster than that of the wall
    wrong: list[str] = []
    try:
        with desk_of(trial) as server:
            context = browser.new_context(viewport={"width": 1280, "height": 800})
            context.set_default_timeout(LONG_MS)
            page, helm = context.new_page(), context.new_page()
            for one in (page, helm):
                one.on("pageerror", lambda fault: wrong.append(str(fault)))
            page.goto(server.url)
            helm.goto(server.url + "helm")
            page.locator("#grid td").first.wait_for()
            crew = Technician(page, make_photo(tmp_path / "gauge.png"))
            while not trial.is_over:
                trial.step()
                page.wait_for_function("t => document.body.dataset.newest === t", arg=trial.board["t"])
                crew.look()
            crew.add_photo()
            crew.ask_for_the_end("back in harbour")
            for _ in range(600):
                trial.step()
                if not trial.is_recording:
                    break
                page.wait_for_timeout(100)
            assert not trial.is_recording
            crew.print_the_sheet(tmp_path / "sheet.pdf")
            context.close()
    finally:
        trial.end()
    assert wrong == []
    assert crew.has_entered_all
    # both steps both ways were called for, the second from the heading she is on, and what was shown as done is done
    said = " / ".join(crew.sentences)
    for words in ("Hold 2000", "Turn wide to 255°", "full throttle on 255°", "Hold full throttle", "Turn wide to 075°"):
        assert words in said, said
    assert "Before full throttle" in crew.cautions
    assert "Before a turn" in crew.cautions
    assert by_parts(crew.done) == done_in_results(trial.folder)
    text = " ".join("".join(page.extract_text() for page in PdfReader(tmp_path / "sheet.pdf").pages).split())
    assert "TRIAL SHEET" in text.upper()
    assert "2000" in text


def busy_fields() -> dict[str, object]:
    """Return the fields of a busy board as keyword arguments of a board."""
    board = busy_board()
    return {name: getattr(board, name) for name in type(board).__dataclass_fields__}


def noted(folder: Path) -> list[dict[str, str]]:
    """Return what is noted so far as the board lists it."""
    file = folder / "raw" / "notes-desk.jsonl"
    lines = file.read_text("utf-8").splitlines() if file.exists() else []
    return [{"t": e["t"], "kind": e["kind"], "words": str(e.get("value") or "")} for e in map(json.loads, lines)][::-1]
