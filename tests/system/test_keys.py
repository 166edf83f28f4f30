"""Characters are given on one at a time; special keys make nothing, on any system and however they arrive."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.system.fakes import FakeCodes, FakeKernel
from trialcapture.acquire.screen import KeyEntry
from trialcapture.system.console import KeyCodes, is_in_foreground, windows_keys

# as terminals of Linux and macOS send them: xterm's, with and without modifiers, in application mode, of the Linux
# console, of rxvt; then replies to questions. Sources: ECMA-48; xterm control sequences; console_codes(4); from memory
SPECIAL = {
    "up": "\x1b[A", "right": "\x1b[C", "left": "\x1b[D", "home": "\x1b[H", "delete": "\x1b[3~", "page up": "\x1b[5~",
    "up, application": "\x1bOA", "F1": "\x1bOP", "F4": "\x1bOS", "F5": "\x1b[15~", "F12": "\x1b[24~",
    "F1 of the Linux console": "\x1b[[A", "F13": "\x1b[25~", "shift up": "\x1b[1;2A", "control right": "\x1b[1;5C",
    "control F1": "\x1bO5P", "rxvt alt up": "\x1b\x1b[A", "menu": "\x1b[29~", "keypad minus": "\x1bOm",
    "keypad t": "\x1bOt", "mouse, ended by m": "\x1b[<0;12;5m", "focus": "\x1b[I", "cursor place": "\x1b[24;80R",
    "colour": "\x1b]11;rgb:ffff/ffff/ffff\x07", "colour, ended by ST": "\x1b]11;rgb:0000/mmmm/tttt\x1b\\",
    "terminal kind": "\x1bP>|term m t\x1b\\", "alt m": "\x1bm", "alt t": "\x1bt", "eight bit": "\x9bM",
}  # fmt: skip


def pressed(*parts: bytes) -> str:
    codes = KeyCodes()
    found = ""
    for part in parts:
        codes.feed(part)
    codes.settle()
    while key := codes.take():
        found += key
    return found


@pytest.mark.parametrize("name", SPECIAL)
def test_a_special_key_of_a_terminal_is_no_character(name: str) -> None:
    sent = SPECIAL[name].encode()
    assert pressed(sent) == ""
    assert pressed(b"a" + sent + b"m" + sent + b"5") == "am5"


@pytest.mark.parametrize("name", SPECIAL)
def test_a_special_key_is_swallowed_wherever_its_bytes_are_cut(name: str) -> None:
    sent = SPECIAL[name].encode()
    for at in range(1, len(sent)):
        assert pressed(sent[:at], sent[at:] + b"m") == "m", at


@pytest.mark.parametrize("name", [name for name, sent in SPECIAL.items() if sent[:2] in ("\x1b[", "\x1bO")])
def test_on_a_line_so_slow_that_escape_stands_alone_the_rest_is_swallowed_too(name: str) -> None:
    sent = SPECIAL[name].encode()
    codes = KeyCodes()
    codes.feed(sent[:1])
    codes.settle()
    assert codes.take() == "\x1b"
    codes.feed(sent[1:] + b"m")
    codes.settle()
    assert (codes.take(), codes.take()) == ("m", "")


def test_escape_alone_is_a_key_and_a_broken_off_sequence_is_none() -> None:
    assert pressed(b"\x1b") == "\x1b"
    assert pressed(b"\x1b[1") == ""
    assert pressed(b"\x1b[1\x1b[A") == ""
    assert pressed(b"\x1b[") == ""


def test_letters_with_accents_come_whole_however_they_are_cut() -> None:
    sent = "é€x".encode()
    for at in range(1, len(sent)):
        assert pressed(sent[:at], sent[at:]) == "é€x"
    assert pressed(b"\xff\xfex") == "x"


def noted(keys: str) -> list[tuple[str, float | str, str]]:
    notes: list[tuple[str, float | str, str]] = []

    def store(kind: str, value: float | str, unit: str, more: object) -> str:
        notes.append((kind, value, unit))
        return ""

    entry = KeyEntry(store)
    for key in keys:
        entry.press(key)
    return notes


def test_special_keys_between_make_no_mark_and_do_not_enter_a_trim() -> None:
    everything = "".join(SPECIAL.values()).encode()
    assert noted(pressed(everything)) == []
    assert noted(pressed(b"t2" + everything + b"5\r" + everything + b"m")) == [("trim", 25.0, "%"), ("mark", 1, "")]


def all_keys(poll: object) -> str:
    found = ""
    while key := poll():  # type: ignore[operator]
        found += key
    return found


def test_on_windows_only_events_with_a_character_are_keys() -> None:
    kernel = FakeKernel()
    for arrow in (0x25, 0x26, 0x27, 0x28, 0x70, 0x7B, 0x10, 0x11, 0x12):  # arrows, F1, F12, Shift, Control, Alt
        kernel.press(key=arrow)
        kernel.press(key=arrow, down=False)
    kernel.press("t")
    kernel.press("t", down=False)
    kernel.press(kind=2)  # the mouse
    kernel.press("à")
    kernel.press("é", key=0x12, down=False)  # by its number on the keypad, when Alt is let go
    kernel.press("\r")
    assert all_keys(windows_keys(kernel)) == "tàé\r"


@pytest.mark.parametrize("first", ["\x00", "\xe0"])
@pytest.mark.parametrize("second", "HPKMGOIQRSmtTM;<DE\x85\x86 ")
def test_where_the_c_library_is_asked_both_codes_of_a_special_key_are_taken(first: str, second: str) -> None:
    poll = windows_keys(FakeKernel(is_console=False), FakeCodes("t", first + second, "5", first + second, "\r"))
    assert noted(all_keys(poll)) == [("trim", 5.0, "%")]


class Groups:
    """``os`` with process groups of a terminal."""

    def __init__(self, foreground: int, own: int) -> None:
        self.foreground, self.own = foreground, own

    def tcgetpgrp(self, handle: int) -> int:
        if self.foreground < 0:
            raise OSError(25, "Inappropriate ioctl for device")
        return self.foreground

    def getpgrp(self) -> int:
        return self.own


def test_keys_are_not_read_in_the_background(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with (tmp_path / "in").open("w+") as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        assert is_in_foreground(system="linux", calls=Groups(7, 7))
        assert not is_in_foreground(system="linux", calls=Groups(8, 7))
        assert is_in_foreground(system="windows", calls=Groups(8, 7))
        assert is_in_foreground(system="macos", calls=Groups(-1, 7))
