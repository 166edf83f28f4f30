"""The dock and after pages as their forms post them: nothing is written over, nothing is lost, nothing is guessed."""

from __future__ import annotations

import html
import io
import json
import re
import shutil
import subprocess
import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests import rig
from tests.desk.served import NO_TLS
from trialcapture.acquire.ending import is_being_recorded, stop_recorder
from trialcapture.archive.notes import read_notes
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config, read_config
from trialcapture.desk.after import After, log_name
from trialcapture.desk.dock import BRIEF, Dock, folder_for
from trialcapture.desk.entries import Day, day_of
from trialcapture.desk.jobs import Jobs
from trialcapture.desk.server import PARTS, Desk, DeskServer, run_in_thread
from trialcapture.errors import TrialCaptureError
from trialcapture.system.operating_system import own_program, start_apart
from trialcapture.system.sockets import listen_on

ROOT = Path(__file__).parents[2]
BOAT = ROOT / "configs" / "tarn_plover.toml"
HOSTILE = "<script>alert(1)</script>\"'&"


class Served:
    """A desk on settings or a session, and a client for its forms."""

    def __init__(self, server: DeskServer, faults: list[Exception], jobs: Jobs) -> None:
        self.server, self.faults, self.jobs = server, faults, jobs
        self.day = server.desk.day
        self.url = f"http://127.0.0.1:{server.port}"
        self.client = httpx.Client(
            base_url=self.url, timeout=60, trust_env=False, verify=NO_TLS,
            headers={"origin": self.url, "accept": "text/html"},
        )  # fmt: skip

    def post(self, path: str, fields: dict[str, Any], **more: Any) -> httpx.Response:
        token = self.server.access.form_token("owner")
        return self.client.post(path, data={"token": token, **fields}, **more)

    def stamp(self) -> str:
        return field(self.client.get("/dock").text, "stamp")

    def save(self, action: str = "save", stamp: str | None = None, **fields: Any) -> httpx.Response:
        typed = {name.replace("__", "."): value for name, value in fields.items()}
        return self.post("/dock/settings", {"stamp": stamp or self.stamp(), "action": action} | typed)

    def work(self, kind: str) -> dict[str, Any]:
        for _ in range(1000):
            found: dict[str, Any] = self.client.get(f"/work/{kind}").json()
            if found["state"] in ("done", "failed"):
                break
            time.sleep(0.3)  # asking is work too
        return found


def field(page: str, name: str) -> str:
    found = re.search(rf'name="{re.escape(name)}" value="([^"]*)"', page)
    assert found is not None, name
    return html.unescape(found[1])


@contextmanager
def served(day: Day) -> Iterator[Served]:
    faults: list[Exception] = []
    jobs = Jobs()

    def mine(desk: Desk) -> Any:
        return [*Dock(desk, jobs, preflight_s=1).routes(), *After(desk, jobs).routes()]

    def on_fault(fault: Exception) -> str:
        faults.append(fault)
        return "something unexpected happened"

    server = DeskServer(
        day, lambda: None, listener=listen_on("127.0.0.1", 0), now_s=0.0, on_fault=on_fault, parts=(PARTS[0], mine)
    )
    thread: threading.Thread = run_in_thread(server)
    rig.wait_for(lambda: server.has_started)
    made = Served(server, faults, jobs)
    try:
        yield made
    finally:
        jobs.end()
        made.client.close()
        server.end()
        thread.join(30)
    assert faults == []


@pytest.fixture
def dock(tmp_path: Path) -> Iterator[Served]:
    shutil.copy(BOAT, tmp_path / "boat.toml")
    with served(Day(settings=tmp_path / "boat.toml")) as made:
        yield made


def path_of(dock: Served) -> Path:
    assert dock.day.settings is not None
    return dock.day.settings


# ---- Settings.


def test_a_change_is_saved_and_every_other_line_stays(dock: Served) -> None:
    before = path_of(dock).read_text(encoding="utf-8").splitlines()
    answer = dock.save(boat__lightship_kg="22 100", load__persons="6")
    assert (answer.status_code, answer.headers["location"]) == (303, "/dock?said=saved")
    after = path_of(dock).read_text(encoding="utf-8").splitlines()
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [b.split("#")[0].split() for _, b in changed] == [
        ["lightship_kg", "=", "22100.0"], ["persons", "=", "6"],
    ]  # fmt: skip
    assert [a.split("#")[1] for a, _ in changed] == [b.split("#")[1] for _, b in changed]
    page = dock.client.get("/dock").text
    assert "Test displacement" in page
    assert "24\u202f416 kg" in page or "24 416 kg" in page or "24,416 kg" in page or "24\u2009416" in page


def test_a_fault_stands_beside_its_field_and_nothing_is_written(dock: Served) -> None:
    before = path_of(dock).read_bytes()
    answer = dock.save(boat__beam_m="-4", boat__length_m="1,500", engine__0__rated_rpm="")
    assert answer.status_code == 422
    assert "1500 or 1.500" in html.unescape(answer.text)
    answer = dock.save(boat__beam_m="-4", engine__0__rated_rpm="")
    assert answer.status_code == 422
    beside = {name: said for said, name in re.findall(r'<p class="fault" id="wrong-([^"]+)">([^<]+)', answer.text)}
    assert set(beside.values()) == {"boat.beam_m", "engine.0.rated_rpm"}
    assert 'value="-4"' in answer.text
    assert path_of(dock).read_bytes() == before
    assert dock.save("save_with_faults", boat__beam_m="-4").status_code == 303
    assert tomllib.loads(path_of(dock).read_text(encoding="utf-8"))["boat"]["beam_m"] == -4
    page = dock.client.get("/dock").text
    assert "wrong-boat.beam_m" in page
    assert "1 to mend" in page


def test_a_file_changed_behind_the_page_is_not_written_over_and_both_can_be_kept(dock: Served) -> None:
    stamp, path = dock.stamp(), path_of(dock)
    theirs = path.read_text(encoding="utf-8").replace("beam_m = 4.7", "beam_m = 4.8  # measured again")
    path.write_text(theirs, encoding="utf-8")
    answer = dock.save(stamp=stamp, boat__lightship_kg="22000", boat__beam_m="4.75")
    assert answer.status_code == 409
    assert path.read_text(encoding="utf-8") == theirs
    assert "changed by somebody else" in answer.text
    shown = html.unescape(re.sub(r"<[^>]+>", " ", answer.text))
    assert re.search(r"boat beam_m\s+4\.75\s+4\.8", shown)
    # both: mine beside it
    assert "boat-2.toml" in dock.save("beside", stamp=stamp, boat__lightship_kg="22000").text
    beside = path.with_name("boat-2.toml").read_text(encoding="utf-8")
    assert "lightship_kg = 22000.0" in beside
    assert "beam_m = 4.7\n" in beside
    assert path.read_text(encoding="utf-8") == theirs
    # both: mine upon theirs
    upon = dock.save(stamp=field(answer.text, "stamp"), boat__lightship_kg="22000", boat__beam_m="4.8")
    assert upon.status_code == 303
    text = path.read_text(encoding="utf-8")
    assert "lightship_kg = 22000.0" in text
    assert "beam_m = 4.8  # measured again" in text


def test_a_page_that_comes_back_damaged_writes_nothing(dock: Served) -> None:
    before = path_of(dock).read_bytes()
    for stamp in ("", "x.y", "absent", "0" * 64 + ".eJwDAAAAAAE=", dock.stamp()[:-9]):
        answer = dock.save(stamp=stamp or "-", boat__beam_m="4")
        assert answer.status_code in (409, 422), stamp
    assert path_of(dock).read_bytes() == before


def test_settings_are_made_from_nothing(tmp_path: Path) -> None:
    with served(day_of(tmp_path / "new.toml")) as dock:
        page = dock.client.get("/dock").text
        assert "not there yet" in page
        grown = dock.save("add:engine", boat__name="Wren", engine__0__id="")
        assert 'name="engine.1.id"' in grown.text or 'name="engine.0.id"' in grown.text
        assert not (tmp_path / "new.toml").exists()
        answer = dock.save(
            boat__name=HOSTILE, boat__lightship_kg="4200", engine__0__id="main", engine__0__rated_rpm="2800",
            source__0__id="gps1", source__0__kind="udp", source__0__port="10110",
        )  # fmt: skip
        assert answer.status_code == 303
        config, _ = read_config(tmp_path / "new.toml")
        assert (config.boat.name, config.engine_ids, config.source[0].port) == (HOSTILE, ("main",), 10110)
        page = dock.client.get("/dock").text
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page
        assert re.findall(r"<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=", page) == []


def test_a_file_that_appears_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    with served(Day(settings=tmp_path / "new.toml")) as dock:
        stamp = dock.stamp()
        (tmp_path / "new.toml").write_text("[boat]\nname = 'Theirs'\n", encoding="utf-8")
        assert dock.save(stamp=stamp, boat__name="Mine").status_code == 409
        assert "Theirs" in (tmp_path / "new.toml").read_text(encoding="utf-8")


def test_a_plan_file_is_named_and_its_faults_stand_beside_it(dock: Served) -> None:
    answer = dock.save(plan="missing.toml")
    assert answer.status_code == 422
    assert "wrong-plan" in answer.text
    shutil.copy(ROOT / "configs" / "plans" / "planing_day.toml", path_of(dock).with_name("day.toml"))
    both = dock.save(plan="day.toml")
    assert both.status_code == 422
    assert "one of the two" in both.text
    plan = tomllib.loads(path_of(dock).read_text(encoding="utf-8"))["plan"]
    answer = dock.save(plan="day.toml", **{f"plan__{key}": "" for key in plan})
    assert answer.status_code == 303, re.findall('class="fault"[^>]*>([^<]*)', answer.text)
    assert answer.headers["location"].endswith("saved")
    text = path_of(dock).read_text(encoding="utf-8")
    assert tomllib.loads(text)["plan"] == "day.toml"
    assert "# without fluids, people and gear" in text
    assert dock.save(plan="", plan__hold_s="90").status_code == 303
    assert tomllib.loads(path_of(dock).read_text(encoding="utf-8"))["plan"] == {"hold_s": 90.0}


def test_what_is_no_toml_is_shown_as_such_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text("[boat\nname = 1", encoding="utf-8")
    with served(Day(settings=path)) as dock:
        page = dock.client.get("/dock")
        assert page.status_code == 200
        assert "no TOML that can be read" in page.text
        assert 'name="stamp"' not in page.text


def test_only_this_computer_with_the_token_of_the_page_saves(dock: Served) -> None:
    fields = {"stamp": dock.stamp(), "action": "save", "boat.beam_m": "4"}
    for path in ("/dock/settings", "/dock/start", "/dock/preflight", "/after/log", "/after/process", "/after/review",
                 "/after/pack", "/after/seal", "/after/verify", "/after/declare"):  # fmt: skip
        assert dock.client.post(path, data=fields).status_code == 403
        assert dock.client.post(path, data={"token": "x" * 22, **fields}).status_code == 403
        assert dock.client.get(path).status_code == 405
    assert "beam_m = 4.7" in path_of(dock).read_text(encoding="utf-8")


# ---- Preflight and start.


def quiet_settings(folder: Path) -> Path:
    """Settings whose only source is a port to which nobody sends."""
    path = folder / "boat.toml"
    path.write_text(
        '[boat]\nname = "Wren"\n[[engine]]\nid = "main"\nrated_rpm = 2800\n'
        f'[[source]]\nid = "gps1"\nkind = "udp"\nport = {rig.free_port()}\n',
        encoding="utf-8",
    )
    return path


def brief(by: str = "Kim") -> dict[str, str]:
    return {f"brief.{key}": "yes" for key, _ in BRIEF} | {"by": by}


def test_the_preflight_runs_on_the_page(tmp_path: Path) -> None:
    with served(Day(settings=quiet_settings(tmp_path))) as dock:
        assert dock.post("/dock/preflight", {}).status_code == 303
        told = dock.work("preflight")
        assert told["state"] == "done", told
        assert told["result"]["ready"] is False
        source = next(c for c in told["result"]["checks"] if c["name"] == "source gps1")
        assert source["state"] == "missing"
        assert source["remedy"]
        page = dock.client.get("/dock").text
        assert "Not ready" in page
        assert source["remedy"] in html.unescape(page)
        assert dock.client.get("/work/nothing").status_code == 404


def test_the_recorder_is_a_program_of_its_own_and_the_brief_is_kept(tmp_path: Path) -> None:
    folder = tmp_path / "day one"
    with served(Day(settings=quiet_settings(tmp_path))) as dock:
        assert "gave the brief" in dock.post("/dock/start", {"folder": "day one"}).text
        left = brief() | {"folder": "day one"}
        del left["brief.radio"]
        assert "not ticked off" in dock.post("/dock/start", left).text
        assert not folder.exists()
        dock.post("/dock/preflight", {})
        dock.work("preflight")
        nowhere = left | {"reason": "no radio on board", "second": str(tmp_path / "not there")}
        assert "no such folder for the second disk" in dock.post("/dock/start", nowhere).text
        assert "no such folder" in dock.post("/dock/start", nowhere | {"second": "stick"}).text
        assert "the folder of the session itself" in dock.post("/dock/start", nowhere | {"second": str(tmp_path)}).text
        assert not folder.exists()
        (tmp_path / "stick").mkdir()
        assert "--second DISK" in dock.client.get("/dock").text
        answer = dock.post("/dock/start", nowhere | {"second": str(tmp_path / "stick")})
        assert (answer.status_code, answer.headers["location"]) == (303, "/"), answer.text
        assert dock.day.session == folder.resolve()
        assert dock.day.second == tmp_path / "stick" / "day one"
        assert (tmp_path / "stick" / "day one" / "session.toml").exists()
        again = dock.post("/dock/start", brief() | {"folder": "day two"})
        assert "at work already" in again.text
    # the desk has ended, the recorder goes on
    assert is_being_recorded(folder)
    note = next(note for note in read_notes(open_session(folder)) if note.kind == "brief")
    assert note.file == "notes-desk.jsonl"
    assert note.by == "Kim"
    assert "left: radio, because no radio on board" in str(note.value)
    stop_recorder(folder)
    assert not is_being_recorded(folder)
    assert json.loads((folder / "raw" / "preflight.json").read_bytes())["checks"][0]["name"] == "source gps1"
    assert verify_session(folder).ending == "sound with named losses"  # nobody sent anything


def test_a_recorder_that_cannot_start_says_why(dock: Served) -> None:
    path = path_of(dock)
    path.write_text(path.read_text(encoding="utf-8").split("[[source]]")[0], encoding="utf-8")
    answer = dock.post("/dock/start", brief() | {"folder": "day"})
    assert answer.status_code == 422
    assert "source" in answer.text
    assert dock.day.session is None


def test_work_runs_our_own_modules_and_none_that_lie_in_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The current folder may be a session that a stranger made."""
    (tmp_path / "trialcapture").mkdir()
    for name in ("trialcapture/__init__.py", "json.py", "runpy.py"):
        (tmp_path / name).write_text("raise SystemExit('foreign code ran')", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    done = subprocess.run([*own_program("trialcapture"), "--version"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "trialcapture, version" in done.stdout


def test_a_program_of_its_own_outlives_ours_on_every_system(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[dict[str, Any]] = []
    monkeypatch.setattr(subprocess, "Popen", lambda command, **how: started.append({"command": command, **how}))
    for system in ("windows", "linux", "macos"):
        start_apart(["program"], io.BytesIO(), system=system)  # type: ignore[arg-type]
    # CREATE_NEW_PROCESS_GROUP and CREATE_NO_WINDOW of the Windows API; setsid elsewhere
    assert [how["creationflags"] for how in started] == [0x08000200, 0, 0]
    assert [how["start_new_session"] for how in started] == [False, True, True]
    assert all(how["stdin"] == subprocess.DEVNULL for how in started)


@pytest.mark.parametrize(
    "name", ["../day", "a/b", "a\\b", "", " ", ".", "..", "con", "NUL.txt", "a\nb", "x" * 99, "day."]
)
def test_a_session_has_a_plain_name_beside_the_settings(name: str, tmp_path: Path) -> None:
    with pytest.raises(TrialCaptureError):
        folder_for(name, tmp_path / "boat.toml")


def test_names_of_dropped_logs_stay_names() -> None:
    assert log_name("engine main.csv") == "engine main.csv"
    assert log_name("C:\\logs\\port (2).CSV") == "port (2).CSV"
    assert log_name("../../etc/passwd") == "passwd"
    assert log_name("") == "engine_log.csv"
    assert log_name("..") == "engine_log.csv"
    assert log_name("con.csv") == "log-con.csv"
    assert "/" not in log_name("a/\x00b<>:|?*.csv")


def test_settings_in_us_units_are_typed_and_kept_in_them(tmp_path: Path) -> None:
    path = tmp_path / "tern.toml"
    shutil.copy(ROOT / "configs" / "small_tern.toml", path)
    with served(Day(settings=path)) as dock:
        units = load_config(path.read_text(encoding="utf-8")).report.units
        dock.save(report__units="us")
        page = dock.client.get("/dock").text
        assert 'Lightship <span class="unit">lb</span>' in page
        assert dock.save(boat__lightship_kg="4400").status_code == 303
        assert load_config(path.read_text(encoding="utf-8")).boat.lightship_kg == pytest.approx(4400 * 0.45359237)
        assert units in ("metric", "us")
