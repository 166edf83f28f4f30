"""The screen fits 80 by 24, says everything in words, and keys become notes."""

from __future__ import annotations

import re
import sys
from io import StringIO

import pytest
from rich.console import Console

from tests import rig
from trialcapture.acquire.events import Events
from trialcapture.acquire.screen import KeyEntry, render, status_line
from trialcapture.acquire.status import Alarm, SourceStatus, Status
from trialcapture.system.console import keyboard


def source(name: str, state: str = "ok") -> SourceStatus:
    return SourceStatus(name, state, 0.2, 5.0, 12345, 3, 40, 0.34, "fix", 0.12, ("GPGSV",))


def status(sources: int = 3, alarms: int = 2, *, writing: bool = True, waiting: int = 0) -> Status:
    return Status(
        session="20260504T093000Z-quiet-heron",
        writing=writing,
        waiting_bytes=waiting,
        elapsed_s=45_296.0,
        on_disk_bytes=123_456_789,
        safe_age_s=0.4,
        free_bytes=83_000_000_000,
        free_h=412.3,
        sources=tuple(source(f"source_{n:07d}", ("ok", "silent", "lost")[n % 3]) for n in range(sources)),
        alarms=tuple(
            Alarm("red" if n % 2 else "yellow", f"alarm {n}: " + "words " * 20, str(n)) for n in range(alarms)
        ),
        recent=tuple(f"0:00:0{n} something happened" for n in range(8)),
    )


def drawn(shown: Status, **options: object) -> str:
    out = StringIO()
    Console(file=out, width=80, height=24, force_terminal=False, no_color=True).print(render(shown, **options))  # type: ignore[arg-type]
    return out.getvalue()


@pytest.mark.parametrize("sources", [1, 3, 8, 16, 40])
@pytest.mark.parametrize("alarms", [0, 1, 6, 30])
def test_it_fits_eighty_by_twenty_four(sources: int, alarms: int) -> None:
    lines = drawn(status(sources, alarms)).rstrip("\n").split("\n")
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


def test_every_state_is_readable_without_colour() -> None:
    text = drawn(status(3, 2))
    for word in (
        "REC",
        "12:34:56",
        "123.5 MB on disk",
        "safe 0.4 s ago",
        "412 h",
        "ok",
        "silent",
        "lost",
        "!!",
        "m mark",
    ):
        assert word in text
    assert not re.search(r"\x1b\[", text)
    assert "NO DATA" in drawn(status(writing=False))
    assert "NOT WRITING" in drawn(status(writing=False, waiting=100))


def test_what_is_being_typed_is_shown() -> None:
    assert "trim in percent" in drawn(status(), prompt="trim in percent, then Enter: 25_")


def test_one_line_says_it_all_for_a_log() -> None:
    line = status_line(status(2))
    assert line.startswith("REC 12:34:56")
    assert "source_0000000 ok 5.0/s" in line


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_keys_of_a_terminal_are_read_one_at_a_time_without_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    pty = rig.Pty()
    with open(pty.name, encoding="utf-8") as terminal:  # noqa: PTH123  (a device, not a file)
        monkeypatch.setattr(sys, "stdin", terminal)
        with keyboard() as pressed:
            assert pressed() == ""
            pty.send(b"mt")
            rig.wait_for(lambda: pressed() == "m", 5.0)
            assert pressed() == "t"
            assert pressed() == ""


def test_without_a_terminal_no_key_is_ever_pressed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO("m"))
    with keyboard() as pressed:
        assert pressed() == ""


def test_notes_of_people_push_no_event_off_the_list() -> None:
    clocks, printed = rig.FakeClocks(), []
    events = Events(clocks.clock(), clocks.mono, heard=printed.append)
    for n in range(8):
        events.add("gap", f"event {n}")
    keys = KeyEntry(lambda kind, value, unit, more: events.note(kind, value, unit=unit, by="screen", **more))
    for key in "m" * 500:
        keys.press(key)
    assert (
        [event.text for event in events.last] == [event.text for event in printed] == [f"event {n}" for n in range(8)]
    )
    assert events.waiting == 508
    # and what is typed takes the line of the keys, not one of the events
    keys.press("t")
    shown = status(sources=1, alarms=0)
    lines = drawn(shown).splitlines()
    asked = drawn(shown, prompt=keys.prompt).splitlines()
    assert len(asked) == len(lines)
    assert asked[:-1] == lines[:-1]
