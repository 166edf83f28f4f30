"""Any text survives any console; a click selects nothing; a window that is closed lets the program finish."""

from __future__ import annotations

import io
import os
import sys

import pytest

from tests.system.fakes import FakeKernel
from trialcapture.system.console import (
    CLOSING_S,
    clicks_ignored,
    closing_noticed,
    has_no_reader,
    open_page,
    show_any_text,
    write_ascii,
)
from trialcapture.system.operating_system import SystemName


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii", "cp932"])
def test_a_character_that_a_console_lacks_is_replaced(encoding: str) -> None:
    binary = io.BytesIO()
    stream = io.TextIOWrapper(binary, encoding=encoding)
    show_any_text(stream, None)
    stream.write("± 3 ‰ → Größe 速度 \ud800")
    stream.flush()
    assert b"3" in binary.getvalue()


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "cp037", "utf-8"])
def test_ascii_is_the_same_bytes_through_any_stream(encoding: str) -> None:
    binary = io.BytesIO()
    stream = io.TextIOWrapper(binary, encoding=encoding, newline="\r\n")
    write_ascii('{"a": 1}', stream)
    assert binary.getvalue() == b'{"a": 1}\n'
    captured = io.StringIO()
    write_ascii("{}", captured)
    assert captured.getvalue() == "{}\n"


def test_quick_edit_is_off_meanwhile_and_as_it_was_afterwards() -> None:
    kernel = FakeKernel(mode=0x0047)  # ENABLE_QUICK_EDIT_MODE is 0x40, ENABLE_EXTENDED_FLAGS 0x80 (consoleapi.h)
    with clicks_ignored(kernel) as done:
        assert done
        assert kernel.mode == 0x0087
    assert kernel.mode == 0x00C7


def test_where_there_is_no_console_nothing_is_changed() -> None:
    kernel = FakeKernel(is_console=False)
    with clicks_ignored(kernel) as done:
        assert not done
    assert kernel.modes_set == []


@pytest.mark.parametrize(
    ("number", "reason"),
    # as consoleapi.h numbers them
    [(2, "the console window was closed"), (5, "the user logged off"), (6, "the computer is shutting down")],
)
def test_the_program_finishes_when_its_window_is_closed(number: int, reason: str) -> None:
    kernel, told = FakeKernel(), []  # type: ignore[var-annotated]
    with closing_noticed(told.append, kernel) as asked:
        assert asked
        assert kernel.handlers[0](number) == 1
        assert kernel.handlers[0](0) == 0  # Ctrl-C and Ctrl-Break are Python's
        assert kernel.handlers[0](1) == 0
    assert told == [reason]
    assert kernel.handlers == []
    assert CLOSING_S < 5.0  # Windows API, HandlerRoutine


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of Windows cannot be asked")
def test_an_output_without_a_reader_is_known_where_the_system_can_tell() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        assert not has_no_reader(stream)
        os.close(reader)
        assert has_no_reader(stream)
        assert not has_no_reader(stream, system="windows")
    assert not has_no_reader(None)
    assert not has_no_reader(io.StringIO())


class FakeBrowser:
    """The module ``webbrowser``, which remembers what it was to open."""

    class Error(Exception):
        pass

    def __init__(self, fails: bool = False) -> None:
        self.fails = fails
        self.opened: list[str] = []

    def open(self, url: str) -> bool:
        if self.fails:
            raise self.Error("no browser")
        self.opened.append(url)
        return True


@pytest.mark.parametrize(
    ("system", "environment", "opens"),
    [("linux", {"DISPLAY": ":0"}, True), ("linux", {"WAYLAND_DISPLAY": "wayland-0"}, True), ("linux", {}, False),
     ("linux", {"DISPLAY": ""}, False), ("macos", {}, True), ("windows", {}, True)],
)  # fmt: skip
def test_a_page_opens_only_where_there_is_a_display(
    system: SystemName, environment: dict[str, str], opens: bool
) -> None:
    browser = FakeBrowser()
    assert open_page("http://127.0.0.1:8765/", system=system, environment=environment, browser=browser) is opens
    assert browser.opened == ["http://127.0.0.1:8765/"] * opens
    assert not open_page("x", system=system, environment=environment, browser=FakeBrowser(fails=True))
