"""Stand-ins for what only Windows has: the calls of its kernel, and its C library."""

from __future__ import annotations

import ctypes
from collections import deque
from typing import Any

from trialcapture.system.console import InputRecord


def refusal(number: int = 32) -> PermissionError:
    """What Windows answers where another program has a file open."""
    fault = PermissionError(13, "The process cannot access the file because it is being used by another process")
    fault.winerror = number  # type: ignore[attr-defined,unused-ignore]
    return fault


class FakeKernel:
    """The calls of ``kernel32.dll`` that the program makes, on a console whose input is given."""

    def __init__(self, *, is_console: bool = True, mode: int = 0x01F7, charge: int = 87, drive: int = 3) -> None:
        self.is_console = is_console
        self.mode = mode
        self.modes_set: list[int] = []
        self.charge = charge
        self.drive = drive
        self.events: deque[InputRecord] = deque()
        self.execution_states: list[int] = []
        self.handlers: list[Any] = []
        self.drives_asked: list[str] = []

    def press(self, character: str = "", *, key: int = 0x41, down: bool = True, kind: int = 1) -> None:
        """Put one event into the console's input."""
        record = InputRecord()
        record.kind = kind
        record.event.is_down = int(down)
        record.event.key = key
        record.event.character = ord(character) if character else 0
        self.events.append(record)

    def GetStdHandle(self, number: int) -> int:
        return number

    def GetNumberOfConsoleInputEvents(self, handle: Any, count: Any) -> int:
        if not self.is_console:
            return 0
        count._obj.value = len(self.events)
        return 1

    def ReadConsoleInputW(self, handle: Any, record: Any, most: int, taken: Any) -> int:
        event = self.events.popleft()
        ctypes.memmove(ctypes.addressof(record._obj), ctypes.addressof(event), ctypes.sizeof(event))
        taken._obj.value = 1
        return 1

    def GetConsoleMode(self, handle: Any, mode: Any) -> int:
        if not self.is_console:
            return 0
        mode._obj.value = self.mode
        return 1

    def SetConsoleMode(self, handle: Any, mode: int) -> int:
        self.mode = mode
        self.modes_set.append(mode)
        return 1

    def SetConsoleCtrlHandler(self, routine: Any, add: int) -> int:
        if add:
            self.handlers.append(routine)
        else:
            self.handlers.remove(routine)
        return 1

    def SetThreadExecutionState(self, flags: int) -> int:
        self.execution_states.append(flags)
        return 0x80000000

    def GetSystemPowerStatus(self, status: Any) -> int:
        status._obj[2] = self.charge
        return 1

    def GetDriveTypeW(self, root: str) -> int:
        self.drives_asked.append(root)
        return self.drive


class FakeCodes:
    """``msvcrt`` with what was typed: special keys as two codes, of which the second is not seen by ``kbhit``."""

    def __init__(self, *codes: str) -> None:
        self._codes = deque(codes)
        self._second: str | None = None

    def kbhit(self) -> bool:
        return bool(self._codes)

    def getwch(self) -> str:
        if self._second is not None:
            second, self._second = self._second, None
            return second
        code = self._codes.popleft()
        self._second = code[1] if len(code) > 1 else None
        return code[0]


class FakeTime:
    """A clock that only goes on while somebody sleeps."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept: list[float] = []

    def now(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now_s += seconds
