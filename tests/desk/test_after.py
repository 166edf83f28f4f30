"""The page after the trial, as its forms post it: from a bare recording to a sealed and packed result."""

from __future__ import annotations

import html
import io
import re
import shutil
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests import rig
from tests.desk.test_dock import Served, served
from trialcapture.archive.collect import collect
from trialcapture.archive.notes import read_notes
from trialcapture.archive.seal import read_chain, short_root
from trialcapture.archive.session import open_session
from trialcapture.config import load_config
from trialcapture.desk.after import Ahead
from trialcapture.desk.entries import Day
from trialcapture.desk.jobs import Jobs
from trialcapture.system.session_files import SessionLock

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "displacement_session"
LOG = SAMPLE / "raw" / "engine" / "engine main.csv"
BEGIN = "[[engine_log]]"


def bare_session(folder: Path) -> Path:
    """The sample as it is before its engine log is there, and before anybody declared one."""
    text = open_session(SAMPLE).config_text
    text = text[: text.index(BEGIN)] + "# what the crew said\n"
    collect(
        [SAMPLE / "raw" / "nmea.log.zst"], [], load_config(text), folder, created="2026-02-11T23:00:00Z",
        config_text=text,
    )  # fmt: skip
    return folder


@pytest.fixture
def after(tmp_path: Path) -> Iterator[Served]:
    with served(Day(session=bare_session(tmp_path / "day"))) as made:
        yield made


def drop(after: Served, name: str, data: bytes) -> httpx.Response:
    return after.post("/after/log", {}, files={"log": (name, data)})


def declared(after: Served, action: str, **more: str) -> httpx.Response:
    """Post the fields of the waiting log as they stand on the page, some of them changed."""
    page = after.client.get("/after").text
    form = page[page.index('<article class="pending"') : page.index("</article>")]
    fields = {
        n: html.unescape(v) for n, v in re.findall(r'<input id=[^>]* name="(engine_log[^"]+)" value="([^"]*)"', form)
    }
    for name, body in re.findall(r'<select[^>]* name="(engine_log[^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected', body)
        fields[name] = html.unescape(chosen[1]) if chosen else ""
    for name, text in re.findall(r'<textarea[^>]* name="(engine_log[^"]+)"[^>]*>\n?(.*?)</textarea>', form, re.DOTALL):
        fields[name] = html.unescape(text)
    number = re.search(r'name="log" value="(\d+)"', form)
    assert number is not None
    fields |= {f"engine_log.0.{name}": value for name, value in more.items()}
    return after.post("/after/declare", {"log": number[1], "action": action, **fields})


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_a_whole_evening_on_the_page(after: Served) -> None:
    """Log dropped and declared, processed, a stretch left out, verified, packed: all of it by forms."""
    folder = after.day.open_session().folder
    page = after.client.get("/after")
    assert page.status_code == 200
    assert "Not processed yet" in page.text

    # first rows and what must be decided; nothing is taken for granted
    assert drop(after, "monitor.csv", LOG.read_bytes()).status_code == 303
    page = text_of(after.client.get("/after").text)
    assert "12 Feb 2026 08:47:44" in page
    assert "2 Dec 2026 08:47:44" in page
    refused = declared(after, "collect")
    assert refused.status_code == 422
    assert text_of(refused.text).count("it is not taken for granted") == 2
    assert not (folder / "raw" / "engine").exists() or not any((folder / "raw" / "engine").iterdir())

    # the first time as read
    tried = declared(after, "try", time_format="%d.%m.%Y %H:%M:%S", timezone="+10:00")
    assert tried.status_code == 200
    assert "First time: 2026-02-11 22:47:44.0 UTC" in text_of(tried.text)
    assert "fuel_l_per_h_main [l/h]" in tried.text

    # collected verbatim, settings kept with their comments
    assert declared(after, "collect").headers["location"] == "/after?said=collected"
    assert (folder / "raw" / "engine" / "monitor.csv").read_bytes() == LOG.read_bytes()
    session = open_session(folder)
    assert "# what the crew said" in session.config_text
    assert session.config.engine_log[0].timezone == "+10:00"

    assert after.post("/after/process", {}).status_code == 303
    assert after.work("process")["state"] == "done"
    page = after.client.get("/after").text
    assert "rpm against rpm" in page
    assert "1000 rpm" in page
    assert not re.search(r"<td>[a-z]+(-[a-z]+)*;", page)  # flags are words
    picture = after.client.get("/after/clocks.svg")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert "engine log monitor.csv" in picture.text
    used = re.findall(r'<tr id="stretch-(\d+)" class="used"', page)
    assert len(used) >= 12

    # a stretch is left out, with reason; a change without one is refused
    review = {"stretch": used[0], "verdict": "exclude", "by": "Kim"}
    refused = after.post("/after/review", review)
    assert refused.status_code == 422
    assert "without saying why" in text_of(refused.text)
    noted = after.post("/after/review", review | {"reason": "ferry <b>wash</b>"})
    assert noted.status_code == 200
    assert f'<tr id="stretch-{used[0]}" class="left-out"' in noted.text
    assert "&lt;b&gt;wash" in noted.text
    assert "process again" in noted.text
    note = next(note for note in read_notes(open_session(folder)) if note.kind == "exclude")
    assert (note.file, note.by) == ("notes-desk.jsonl", "Kim")
    undone = after.post("/after/review", review | {"verdict": "review-undo", "reason": "it was before"})
    assert f'<tr id="stretch-{used[0]}" class="used"' in undone.text

    # a form that is sent again by a desk that was started again stands once, and asks for something else when changed
    for reason in ("ferry", "ferry", "tug"):
        assert after.post("/after/review", review | {"once": "f1", "reason": reason}).status_code == 200
    after.post("/after/review", review | {"once": "f2", "verdict": "review-undo", "reason": "no"})
    for _ in range(2):
        again = after.post("/after/review", review | {"once": "f2", "verdict": "review-undo", "reason": "no"})
        assert f'<tr id="stretch-{used[0]}" class="used"' in again.text
    reviews = [note for note in read_notes(open_session(folder)) if note.once]
    assert [note.more["reason"] for note in reviews] == ["ferry", "tug", "no"]
    # several at once, into another band
    both = {"stretch": used[:2], "verdict": "relabel", "by": "Kim", "reason": "same step", "band_rpm": "1300"}
    assert after.post("/after/review", both).text.count("→ 1300") == 2

    assert after.post("/after/verify", {"root": ""}).status_code == 303
    found = after.work("verify")
    assert found["result"]["ending"] == "sound"
    chain = read_chain(folder)
    assert chain is not None
    assert chain.root is not None
    page = after.client.get("/after").text
    assert short_root(chain.root) in page
    assert chain.root in page
    after.post("/after/verify", {"root": chain.root[:20]})
    assert "line" in after.work("verify")["result"]["root_given"]

    after.post("/after/pack", {"kind": "pack"})
    assert after.work("pack")["state"] == "done"
    saved = after.client.get("/after/pack/pack")
    assert "attachment" in saved.headers["content-disposition"]
    names = zipfile.ZipFile(io.BytesIO(saved.content)).namelist()
    assert any(name.endswith("data/raw/engine/monitor.csv") for name in names)


def test_results_are_a_fixed_list_and_a_page_of_a_session_can_do_nothing(tmp_path: Path) -> None:
    folder = shutil.copytree(SAMPLE, tmp_path / "day")
    (folder / "reduction").mkdir(exist_ok=True)
    (folder / "reduction" / "sheet.html").write_text("<script>alert(1)</script>", encoding="utf-8")
    (folder / "reduction" / "bands.csv").write_text("a,b\n", encoding="utf-8")
    with served(Day(session=folder)) as after:
        sheet = after.client.get("/results/sheet.html")
        assert sheet.status_code == 200
        policy = sheet.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "sandbox" in policy
        assert "allow-scripts" not in policy
        assert "script-src" not in policy
        saved = after.client.get("/results/bands.csv")
        assert saved.headers["content-disposition"] == 'attachment; filename="bands.csv"'
        for name in ("session.toml", "../session.toml", "..%2fsession.toml", "sheet.html%00", "raw", "trial.xlsx"):
            assert after.client.get(f"/results/{name}").status_code == 404, name
        assert after.client.get("/after/pack/pack").status_code == 404
        assert after.client.get("/after/pack/other").status_code == 404


def test_a_log_that_the_settings_describe_is_read_at_once(tmp_path: Path) -> None:
    folder = shutil.copytree(SAMPLE, tmp_path / "day")
    with served(Day(session=folder)) as after:
        assert drop(after, LOG.name, LOG.read_bytes()).status_code == 303
        page = text_of(after.client.get("/after").text)
        assert "First time: 2026-02-11 22:47:44.0 UTC" in page
        assert declared(after, "collect").status_code == 303
        changed = LOG.read_bytes() + b"12.02.2026 20:00:00;700;0,2;38,0\n"
        assert drop(after, LOG.name, changed).status_code == 303
        refused = declared(after, "collect")
        assert refused.status_code == 422
        assert "never overwritten" in refused.text
        assert (folder / "raw" / "engine" / LOG.name).read_bytes() == LOG.read_bytes()
        assert declared(after, "drop").status_code == 303
        assert "waits for its declarations" not in after.client.get("/after").text


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("empty.csv", b"", "empty"),
        ("log.nmea", b"$GPRMC,092751.000,A,5321.6802,N,00630.3371,W,0.06,31.66,280511,,,A*45\r\n" * 4, "NMEA"),
        ("<b>x</b>.csv", b"\x00\x01\x02" * 50, ""),
    ],
)
def test_what_is_no_engine_log_is_refused_in_words(after: Served, name: str, data: bytes, said: str) -> None:
    answer = drop(after, name, data)
    assert answer.status_code == 422
    assert said in answer.text
    assert "<b>x" not in answer.text
    assert "/tmp/" not in answer.text


def test_two_engines_are_told_apart_by_a_person(tmp_path: Path) -> None:
    text = open_session(SAMPLE).config_text
    text = text[: text.index(BEGIN)] + "[[engine]]\nid = 'wing'\nrated_rpm = 2600\n"
    folder = tmp_path / "day"
    log = [SAMPLE / "raw" / "nmea.log.zst"]
    collect(log, [], load_config(text), folder, created="2026-02-11T23:00:00Z", config_text=text)
    rows = "Time,RPM A,RPM B,Mood <i>\n" + "".join(
        f"2026-02-11T22:{40 + n:02d}:00Z,{700 + n},{800 + n},fine\n" for n in range(12)
    )
    with served(Day(session=folder)) as after:
        drop(after, "both.csv", rows.encode())
        page = after.client.get("/after").text
        assert "Mood &lt;i&gt;" in page
        assert "rpm of engine 2?" in page
        # columns that nobody chose are left out, so there is nothing to read yet
        assert declared(after, "try").status_code == 422
        keys = {f"columns.{n}.key": key for n, key in ((1, "rpm_wing"), (2, "rpm_main"))}
        units = {f"columns.{n}.unit": "rpm" for n in (1, 2)}
        tried = declared(after, "try", **keys, **units)
        assert tried.status_code == 200, text_of(tried.text)[:3000]
        assert declared(after, "collect").status_code == 303
        columns = open_session(folder).config.engine_log[0].columns
        assert columns["rpm_wing"].name == "RPM A"  # type: ignore[union-attr]
        assert set(columns) == {"time", "rpm_wing", "rpm_main"}


def test_without_a_session_the_page_leads_to_the_dock(tmp_path: Path) -> None:
    with served(Day(settings=tmp_path / "new.toml")) as after:
        assert "No session yet" in after.client.get("/after").text
        for path in ("/after/process", "/after/seal", "/after/log", "/after/verify"):
            answer = after.post(path, {})
            assert answer.status_code == 422
            assert "no session" in answer.text


def test_when_a_recording_ends_results_are_prepared_and_not_made(after: Served) -> None:
    folder = after.day.open_session().folder
    ahead = folder / "trialset" / "work" / "ahead" / "trialset" / "samples.parquet"
    watch = after.server.desk.watchers[0]
    watch()
    assert after.jobs.state_of("prepare").state == "none", "a session that was only opened is left alone"
    with SessionLock(folder):
        after.day.looked_anew()
        watch()
        assert after.jobs.state_of("prepare").state == "none"
    after.day.looked_anew()
    rig.wait_for(lambda: after.jobs.state_of("prepare").state in ("done", "failed"), 60)
    assert after.jobs.state_of("prepare").fault == ""
    assert ahead.is_file()
    assert not (folder / "reduction").exists()
    assert "Not processed yet" in after.client.get("/after").text
    after.post("/after/process", {})
    assert after.work("process")["state"] == "done"
    assert (folder / "reduction" / "sheet.html").is_file()
    assert not ahead.exists()


def test_what_is_prepared_is_given_up_where_somebody_asks_for_the_results(tmp_path: Path) -> None:
    folder = bare_session(tmp_path / "day")
    jobs = Jobs([sys.executable, "-c", "import time; time.sleep(600)"])
    ahead = Ahead(Day(session=folder), jobs)
    try:
        ahead.is_due = True
        ahead.look()
        first = jobs.state_of("prepare")
        assert first.state == "running"
        ahead.look()
        assert jobs.state_of("prepare") is first, "begun once"
        ahead.is_due = True
        ahead.look()
        assert jobs.state_of("prepare") is not first, "begun anew with what is there now"
        rig.wait_for(lambda: first.state == "failed")
        jobs.stop("prepare")
        assert jobs.state_of("prepare").state == "none"
    finally:
        jobs.end()
