"""This computer's clocks: one that never stops or steps, one that stops in sleep, one that tells the date."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from trialcapture.system.power import steady_clocks


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

    Where no clock is found that goes on in sleep, both are the same and sleep shows only as a wall-clock step.
    """
    mono_ns, awake_ns = steady_clocks()
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


# ------------------------------------------------------------------------------
# Notices the wall clock stepping and the computer sleeping, by comparing clocks about once a second.
# ------------------------------------------------------------------------------

STEP_S = 0.02
"""A change of wall minus monotonic time beyond this within one look is a step: time services slew at most
0.5 ms a second (common practice, no source)."""
SLEEP_S = 0.5
"""Clocks that disagree by more than this about the time gone by mean that the computer slept (our choice)."""


@dataclass(frozen=True, slots=True)
class ClockFinding:
    """The wall clock stepped, or the computer slept.

    Attributes:
        kind: ``wall_step`` or ``slept``.
        seconds: Size of the step, forward positive, or length of the sleep.
        from_ns: Session-independent monotonic time of the look before [ns].
        to_ns: The same of this look.
    """

    kind: str
    seconds: float
    from_ns: int
    to_ns: int


class ClockWatch:
    """Compares the clocks of a computer.

    Args:
        clock: The clocks.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last = self._look()

    def tick(self) -> list[ClockFinding]:
        """Compare with the last look."""
        mono_0, awake_0, wall_0 = self._last
        mono, awake, wall = self._last = self._look()
        findings = []
        slept_s = ((mono - mono_0) - (awake - awake_0)) / 1e9
        if slept_s > SLEEP_S:
            findings.append(ClockFinding("slept", slept_s, mono_0, mono))
        step_s = ((wall - wall_0) - (mono - mono_0)) / 1e9
        if abs(step_s) > STEP_S:
            findings.append(ClockFinding("wall_step", step_s, mono_0, mono))
        return findings

    def _look(self) -> tuple[int, int, int]:
        # The tightest of three looks: a thread may be held up between two clocks.
        looks = []
        for _ in range(3):
            before = self._clock.mono_ns()
            awake, wall = self._clock.awake_ns(), self._clock.wall_ns()
            after = self._clock.mono_ns()
            looks.append((after - before, (before + after) // 2, awake, wall))
        _, mono, awake, wall = min(looks)
        return mono, awake, wall
