"""What a follower tells of the trial, on the recorder's screen: a process of its own that may end at any moment."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from tests.bench.live_replay import rehearsed
from trialcapture.acquire.live_status import GUIDANCE, append_guidance, read_guidance
from trialcapture.acquire.screen import render
from trialcapture.acquire.status import Alarm, Guidance, SourceStatus, Status, TrialAlarm
from trialcapture.archive.atomic import work_folder
from trialcapture.cli import beside
from trialcapture.system.session_files import SessionLock

STATUS = Status("day", True, 0, 61.0, 1_000_000, 0.4, 50_000_000_000, 300.0, (), (), ())
AT_NS = 1_778_749_200_000_000_000  # 2026-05-14 09:00 UTC
TOLD = Guidance(
    "2026-05-14T09:00:00.0Z", "14.2 kn   port 2003 rpm", "Holding 2000 rpm: 38 s more, held 22 s",
    "Hold 2000 rpm, 38 s more", "missing 2: 2000 rpm 255°; turn port",
)  # fmt: skip


def screen(guidance: Guidance | None, width: int = 80, status: Status = STATUS) -> str:
    out = io.StringIO()
    shown = render(status, width=width, guidance=guidance)
    Console(file=out, width=width, height=24, color_system=None).print(shown)
    return "\n".join(line.rstrip() for line in out.getvalue().split("\n"))


def test_the_screen_shows_speed_what_is_held_what_is_next_and_what_is_missing() -> None:
    shown = screen(TOLD)
    for text in ("14.2 kn   port 2003 rpm", "held 22 s", "-> Hold 2000 rpm, 38 s more", "missing 2: 2000 rpm 255°"):
        assert text in shown
    assert max(map(len, shown.split("\n"))) <= 80
    assert "->" not in screen(None)


def test_guidance_moves_no_cursor_and_is_cut_to_the_screen() -> None:
    shown = screen(Guidance(TOLD.t, "\x1b[2J14 kn", "x" * 500, "Hold", ""))
    assert "\x1b" not in shown
    assert max(map(len, shown.split("\n"))) <= 80


def test_the_last_line_counts_while_it_is_fresh(tmp_path: Path) -> None:
    assert read_guidance([tmp_path], lambda: AT_NS) is None
    append_guidance(tmp_path, Guidance("2026-05-14T08:59:59.0Z", "1 kn", "", "", ""))
    append_guidance(tmp_path, TOLD)
    assert read_guidance([tmp_path], lambda: AT_NS + 4_000_000_000) == TOLD
    assert read_guidance([tmp_path], lambda: AT_NS + 6_000_000_000) is None


@pytest.mark.parametrize("text", ["", "{", "[]\n", '{"t": "x"}\n', "\x00\xff\n", json.dumps({"t": 1}) + "\n"])
def test_a_damaged_line_is_no_guidance(tmp_path: Path, text: str) -> None:
    path = work_folder(tmp_path) / GUIDANCE
    path.parent.mkdir(parents=True)
    path.write_bytes(text.encode("latin-1"))
    assert read_guidance([tmp_path], lambda: AT_NS) is None


def test_a_file_of_guidance_does_not_grow_for_ever(tmp_path: Path) -> None:
    path = work_folder(tmp_path) / GUIDANCE
    path.parent.mkdir(parents=True)
    path.write_bytes(b"x" * (2 << 20))
    append_guidance(tmp_path, TOLD)
    assert path.stat().st_size < 1000
    assert read_guidance([tmp_path], lambda: AT_NS) == TOLD


PACKETS = TrialAlarm(
    "yellow", "can0: multi-packet messages incomplete 12 %.",
    "Fuel flow comes by them. Look at terminators, load and length of the bus, and at the adapter.", "packets-can0",
)  # fmt: skip
CLOCKS = TrialAlarm(
    "red", "The engine log fits in two places, " + "which are as good as each other " * 6 + "as far as is known.",
    "Blip the throttle in neutral and enter a mark.", "two-clocks",
)  # fmt: skip
TRIM = TrialAlarm("info", "Trim is not entered.", "Enter it before the first run, and at each change.", "trim")


@pytest.mark.parametrize("width", [40, 60, 80])
def test_what_the_trial_shows_to_be_wrong_is_an_alarm_of_the_screen_with_what_to_do(width: int) -> None:
    """At least the gravest, however many there are of the recorder; what to do is never cut off."""
    sources = tuple(SourceStatus(f"s{n}", "ok", 0.1, 5.0, 9, 0, 0, None, "", None, ()) for n in range(16))
    of_recorder = tuple(Alarm("yellow", f"s{n}: 30 % of lines bad. Check the gateway.", f"s{n} bad") for n in range(16))
    for status in (STATUS, replace(STATUS, sources=sources, alarms=of_recorder)):
        shown = screen(replace(TOLD, alarms=(CLOCKS, PACKETS, TRIM)), width, status)
        lines = shown.rstrip("\n").split("\n")
        assert max(map(len, lines)) <= width
        assert len(lines) <= 24
        said = " ".join(shown.split())
        assert "!! The engine log fits in two places" in said
        assert f"… {CLOCKS.action}" in said
    said = " ".join(screen(replace(TOLD, alarms=(CLOCKS, PACKETS, TRIM)), width).split())
    assert said.index("engine log fits") < said.index("! can0") < said.index("Trim is not entered")
    assert PACKETS.action in said
    assert (PACKETS.text if width > 40 else "can0: multi-packet messages") in said
    # what is only good to know is no alarm
    said = " ".join(screen(replace(TOLD, alarms=(TRIM,)), width).split())
    assert "No alarms." in said
    assert f"{TRIM.text} {TRIM.action}" in said


def test_alarms_of_the_trial_come_by_the_same_file(tmp_path: Path) -> None:
    told = replace(TOLD, alarms=(CLOCKS, PACKETS, TRIM))
    append_guidance(tmp_path, told)
    assert read_guidance([tmp_path], lambda: AT_NS) == told
    entry = json.loads((work_folder(tmp_path) / GUIDANCE).read_text(encoding="utf-8"))
    for alarms in (3, [3], ["x"], [{"severity": "red"}], None):
        (work_folder(tmp_path) / GUIDANCE).write_text(json.dumps(entry | {"alarms": alarms}) + "\n", encoding="utf-8")
        assert read_guidance([tmp_path], lambda: AT_NS) is None
    del entry["alarms"]
    (work_folder(tmp_path) / GUIDANCE).write_text(json.dumps(entry) + "\n", encoding="utf-8")
    assert read_guidance([tmp_path], lambda: AT_NS) == TOLD
    odd = screen(replace(TOLD, alarms=(TrialAlarm("\x1b[31m", "\x1b[2Jtext", "\x1b[1Ado", "k"),)))
    assert "\x1b" not in odd


def test_a_follower_tells_of_a_recording_and_killing_it_harms_nothing(tmp_path: Path) -> None:
    session = tmp_path / "day"
    shutil.copytree(rehearsed(2, tmp_path / "made", short=True), session)
    before = {p: p.read_bytes() for p in sorted((session / "raw").rglob("*")) if p.is_file()}
    with SessionLock(session):  # as a recorder at work has it
        end = beside.start_follower(session)
        path = work_folder(session) / GUIDANCE
        deadline = time.monotonic() + 120.0
        while not (path.is_file() and path.read_bytes().endswith(b"\n")) and time.monotonic() < deadline:
            time.sleep(0.2)
        end()  # it is killed
        end()
        told = json.loads(path.read_bytes().splitlines()[0])
        assert "kn" in told["now"]
        assert told["advice"]
    assert before == {p: p.read_bytes() for p in sorted((session / "raw").rglob("*")) if p.is_file()}


@pytest.mark.parametrize("width", [40, 60, 80])
def test_on_a_narrow_screen_nothing_runs_over_the_edge_and_the_advice_is_whole(width: int) -> None:
    guidance = Guidance(
        "2026-05-14T09:00:00Z", "14.2 kn   port 2003 rpm   stbd 2001 rpm", "Holding 2000 rpm: 38 s more, held 22 s",
        "Turn wide to 254°, same throttles", "missing 3: 2000 rpm 255°; full throttle 075°; full throttle 255°",
    )  # fmt: skip
    out = io.StringIO()
    Console(file=out, width=200, height=24, color_system=None).print(render(STATUS, width=width, guidance=guidance))
    lines = [line.rstrip() for line in out.getvalue().splitlines()]
    assert max(map(len, lines)) <= width
    assert len(lines) <= 24
    said = " ".join(" ".join(lines).split())
    for text in ("14.2 kn port 2003 rpm stbd 2001 rpm", "held 22 s", "-> Turn wide to 254°, same throttles"):
        assert text in said
    assert "missing 3: 2000 rpm 255°" in said


def test_a_follower_ends_where_no_recorder_is_at_work(tmp_path: Path) -> None:
    session = rehearsed(2, tmp_path, short=True)
    done = subprocess.run(
        [sys.executable, "-m", "trialcapture", "follow", str(session)], capture_output=True, timeout=120, check=False
    )
    assert done.returncode == 0
    assert done.stdout + done.stderr == b""
    assert not (work_folder(session) / GUIDANCE).exists()


def test_without_a_terminal_there_is_no_follower(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    assert beside.beside_screen() is None
