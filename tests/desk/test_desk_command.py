"""``trialcapture desk`` and ``record --desk`` as a person starts, kills and ends them."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests import rig
from tests.command import Run, calling
from tests.desk.served import NO_TLS, empty_session, serving
from trialcapture.cli import beside, recording
from trialcapture.desk.entries import Day, day_of
from trialcapture.errors import TrialCaptureError
from trialcapture.system import operating_system
from trialcapture.system.session_files import SessionLock
from trialcapture.system.sockets import listen_on

ROOT = Path(__file__).parents[2]


class Started:
    """A desk in a process of its own."""

    def __init__(self, *arguments: object) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "trialcapture", "desk", *map(str, arguments)],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            encoding="utf-8", errors="replace",
        )  # fmt: skip

    def get(self, url: str) -> httpx.Response | None:
        assert self.process.poll() is None, self.process.stdout and self.process.stdout.read()
        try:
            return httpx.get(url, trust_env=False, timeout=30, verify=NO_TLS)
        except httpx.TransportError:
            return None

    def end(self, number: int) -> str:
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=120)
        return out


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return empty_session(tmp_path / "day")


@pytest.fixture
def port() -> int:
    return rig.free_port(socket.SOCK_STREAM)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_desk_is_killed_started_again_and_ended(session: Path, port: int) -> None:
    url = f"http://127.0.0.1:{port}/"
    before = sorted(p.name for p in session.rglob("*"))
    tokens = []
    for number in (signal.SIGKILL, signal.SIGTERM):
        desk = Started(session, "--port", port, "--no-browser")
        rig.wait_for(lambda desk=desk: (a := desk.get(f"{url}board")) is not None and a.status_code == 200)  # type: ignore[misc]
        page = desk.get(f"{url}?board")
        assert page is not None
        tokens += re.findall(r'name="form-token" content="([^"]+)"', page.text)
        said = desk.end(number)
    assert f"the desk is at {url}" in said
    assert "Traceback" not in said
    assert len(tokens) == 2
    assert tokens[0] == tokens[1]
    assert sorted(p.name for p in session.rglob("*")) == before


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_a_shared_desk_shows_link_code_and_warning(
    session: Path, port: int, encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONIOENCODING", encoding)
    desk = Started(session, "--port", port, "--no-browser", "--share")
    rig.wait_for(lambda: desk.get(f"http://127.0.0.1:{port}/board"))
    said = desk.end(signal.SIGTERM if sys.platform != "win32" else signal.SIGINT)
    assert "can read" in " ".join(said.split())
    for address, token in re.findall(r"others may look by http://([\d.]+):\d+/link/(\S+)", said):
        assert not address.startswith("127.")
        assert len(token) == 22
        assert ("█" in said, f":{port}/share" in said) == ((True, False) if encoding == "utf-8" else (False, True))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    return calling(capsys, joins_err=True)


def test_what_cannot_be_opened_is_said(tmp_path: Path, session: Path, run: Any) -> None:
    (tmp_path / "folder").mkdir()
    for subject, told in ((tmp_path / "folder", "without session.toml"), (tmp_path / "nowhere", "nothing there")):
        code, _, err = run("desk", subject, "--no-browser")
        assert (code, told in err) == (1, True), err
    with listen_on("127.0.0.1", 0) as taken:
        number = taken.getsockname()[1]
        code, _, err = run("desk", session, "--no-browser", "--port", number)
        assert (code, f"port {number}" in err, "--port" in err) == (1, True, True), err
    assert run("desk", session, "--port", "70000")[0] == 2


def test_the_day_is_found_by_what_is_named(tmp_path: Path, session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = tmp_path / "boat.toml"
    settings.write_text('[boat]\nname = "Tarn Plover"\n[report]\nunits = "us"\n')
    assert (day_of(settings).settings, day_of(settings).session) == (settings, None)
    assert day_of(session).session == session
    assert day_of(session / "session.toml").session == session
    monkeypatch.chdir(session)
    assert day_of(None).session == Path.cwd()
    monkeypatch.chdir(tmp_path)
    assert (day_of(None).settings, day_of(None).session) == (None, None)
    day = day_of(settings)
    assert (day.stage(), day.config().boat.name, day.units().system) == ("dock", "Tarn Plover", "us")
    settings.write_text("[boat\n")
    assert day.units().system == "metric"
    with pytest.raises(TrialCaptureError, match="no session yet"):
        day.open_session()
    assert Day(session=session).stage() == "after"
    with SessionLock(session):
        assert Day(session=session).stage() == "under way"


def test_a_desk_beside_a_recorder_waits_for_its_session_and_outlives_no_reader(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    started: list[subprocess.Popen[bytes]] = []
    real = operating_system.start_apart
    monkeypatch.setattr(beside, "start_apart", lambda *a, **k: started.append(real(*a, **k)) or started[-1])
    monkeypatch.chdir(ROOT)
    folder = tmp_path / "day"
    beside.start_desk(folder)
    (url,) = re.findall(r"http://\S+", capsys.readouterr().err)
    try:
        empty_session(folder)

        def answers() -> bool:
            assert started[0].poll() is None
            try:
                return httpx.get(f"{url}board", trust_env=False, timeout=30, verify=NO_TLS).status_code == 200
            except httpx.TransportError:
                return False

        rig.wait_for(answers)
        if os.name == "posix":
            assert os.getsid(started[0].pid) != os.getsid(0)  # Ctrl-C in our terminal does not reach it
    finally:
        started[0].kill()
        started[0].wait(60)


def test_a_desk_that_cannot_be_started_ends_no_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(beside, "start_apart", refuse)
    beside.start_desk(tmp_path / "day")
    assert "the recording goes on without it" in " ".join(capsys.readouterr().err.split())


def test_record_starts_the_desk_of_its_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Any) -> None:
    began: list[Path] = []
    monkeypatch.setattr(recording, "start_desk", began.append)
    settings = tmp_path / "boat.toml"
    settings.write_text(f'[[source]]\nid = "net"\nkind = "udp"\nhost = "127.0.0.1"\nport = {rig.free_port()}\n')
    code, _, err = run("record", settings, "--into", tmp_path / "day", "--minutes", "0.01", "--desk")
    assert (code, "0 bytes" in err) == (1, True)  # nothing was sent
    assert began == [tmp_path / "day"]
    code, _, _ = run("record", settings, "--into", tmp_path / "other", "--minutes", "0.01")
    assert began == [tmp_path / "day"]


def test_a_desk_ends_when_it_is_told_to_by_how_long_nobody_looked(session: Path) -> None:
    done = threading.Event()
    idle: list[float] = []

    def until(idle_s: float) -> bool:
        idle.append(idle_s)
        return done.is_set()

    def change(server: Any) -> None:
        server._until = until

    with serving(session, change=change) as served:
        with socket.create_connection(("127.0.0.1", served.port), timeout=30) as line:
            line.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode())
            rig.wait_for(lambda: served.server.feed.streams == 1)
            seen = len(idle)
            rig.wait_for(lambda: len(idle) > seen + 3)
            assert idle[-1] < 1.0  # somebody looks
        rig.wait_for(lambda: idle[-1] > 1.0)
        done.set()
        rig.wait_for(lambda: served.server._server.should_exit)
