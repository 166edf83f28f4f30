"""The clocks of the computer: one that never stops or steps, one that stops in sleep, one that tells the date."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Clock:
    """Clocks as functions, so that tests bring their own.

    Attributes:
        mono_ns: Never steps, and goes on while the computer sleeps [ns].
        awake_ns: Never steps, and stops while the computer sleeps [ns].
        wall_ns: Time since 1970 UTC as the computer believes it; may step [ns].
        sleep: Waits so many seconds.
    """

    mono_ns: Callable[[], int]
    awake_ns: Callable[[], int]
    wall_ns: Callable[[], int]
    sleep: Callable[[float], None]


def system_clock() -> Clock:
    """Return this computer's clocks.

    Which clock goes on in sleep differs: ``CLOCK_BOOTTIME`` on Linux, ``CLOCK_MONOTONIC`` on macOS, the
    interrupt time on Windows. Where none is found, both are the same and sleep shows only as a wall-clock step.
    """
    mono_ns, awake_ns = _steady_clocks()
    return Clock(mono_ns, awake_ns, time.time_ns, time.sleep)


def scaled_clock(clock: Clock, speed: float) -> Clock:
    """Return a clock that runs `speed` times as fast from now on, for replays."""
    mono_0, awake_0, wall_0 = clock.mono_ns(), clock.awake_ns(), clock.wall_ns()

    def scaled(now_ns: Callable[[], int], start_ns: int) -> Callable[[], int]:
        return lambda: start_ns + round((now_ns() - start_ns) * speed)

    return Clock(
        scaled(clock.mono_ns, mono_0),
        scaled(clock.awake_ns, awake_0),
        scaled(clock.wall_ns, wall_0),
        lambda seconds: clock.sleep(seconds / speed),
    )


_Now = Callable[[], int]


def _steady_clocks() -> tuple[_Now, _Now]:
    clocks: tuple[_Now, _Now] = (time.monotonic_ns, time.monotonic_ns)
    if sys.platform == "linux":
        clocks = (_posix_clock(time.CLOCK_BOOTTIME), _posix_clock(time.CLOCK_MONOTONIC))
    elif sys.platform == "darwin":
        clocks = (_posix_clock(time.CLOCK_MONOTONIC), _posix_clock(time.CLOCK_UPTIME_RAW))
    elif sys.platform == "win32":
        import ctypes  # noqa: PLC0415  exists everywhere, but only Windows has this library

        def windows_clock(call: Callable[..., object]) -> _Now:
            def now_ns() -> int:
                ticks = ctypes.c_uint64()
                call(ctypes.byref(ticks))
                return ticks.value * 100

            return now_ns

        with suppress(OSError, AttributeError):
            kernel = ctypes.WinDLL("kernelbase.dll")
            clocks = (
                windows_clock(kernel.QueryInterruptTimePrecise),
                windows_clock(kernel.QueryUnbiasedInterruptTimePrecise),
            )
    return clocks


def _posix_clock(number: int) -> _Now:
    return lambda: time.clock_gettime_ns(number)
