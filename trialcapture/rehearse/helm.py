"""The people and the autopilot: levers moved by hand and corrected by the tachometer, headings steered."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trialcapture.rehearse.boats import EngineModel, Hull
from trialcapture.rehearse.plan import Phase

_ADJUST_S = 12.0
"""How long the tachometer has to show the order before the hand leaves the lever [s]."""
_ADJUST_LAG_S = 4.0
_MET_SHARE = 0.002
"""The tachometer shows the order when it is this close, as a share."""
_AHEAD_SHARE = 0.02
"""How far beyond the order, and beyond the governor's droop, the hand pushes the lever while the boat gathers way."""
_BLIP_S = 2.5
_RUDDER_LAG_S = 1.5
_ARRIVED_RAD = 0.05


@dataclass(frozen=True, slots=True)
class Crew:
    """How the throttles are handled.

    Attributes:
        sync_share: Per engine, how far its rpm is set from the order, as a share.
        reading_share: Standard deviation of how well the order is met, as a share of it.
        hand_s: Shortest and longest time a change of the lever takes [s].
        hunting_share: Amplitude of a slow oscillation of the setting within each hold, as a share.
        hunting_s: Its period [s].
    """

    sync_share: tuple[float, ...]
    reading_share: float = 0.0015
    hand_s: tuple[float, float] = (3.0, 6.0)
    hunting_share: float = 0.0
    hunting_s: float = 25.0


class Throttles:
    """The levers, moved together."""

    def __init__(self, engine: EngineModel, crew: Crew, rng: np.random.Generator) -> None:
        self._engine = engine
        self._crew = crew
        self._rng = rng
        self._full = engine.rated_rpm * 1.12
        self._setting = self._from = self._goal = engine.idle_rpm
        self._hand_s = 0.0
        self._met_s = 0.0
        self._phase = Phase("neutral", 0.0)
        self._steps = 1

    def take(self, phase: Phase, dt: float) -> None:
        """Take a new order; `dt` is the step [s]."""
        self._phase = phase
        self._steps = max(round(phase.duration_s / dt), 1)
        self._from = self._setting
        missed = 1.0 + self._rng.normal(0.0, self._crew.reading_share)
        self._goal = self._full if math.isinf(phase.rpm) else phase.rpm * missed
        self._met_s = 0.0
        change = abs(self._goal - self._setting)
        hand_s = self._rng.uniform(*self._crew.hand_s)
        self._hand_s = hand_s if change > 0.02 * self._engine.rated_rpm else 0.5

    def setting(self, step: int, dt: float, rpm: list[float]) -> float:
        """Return the speed the levers ask for [rpm], `step` steps into the order, engines now at `rpm`."""
        kind, at_s = self._phase.kind, step * dt
        hunting = 1.0
        if kind == "hold":
            if self._crew.hunting_share:
                hunting += self._crew.hunting_share * math.sin(2.0 * math.pi * at_s / self._crew.hunting_s)
            if at_s < self._hand_s:
                self._setting = self._from + (self._goal - self._from) * at_s / self._hand_s
            elif self._goal >= self._full:
                self._setting = self._goal
            elif self._met_s < _ADJUST_S:
                self._correct(sum(rpm) / len(rpm) / hunting, dt)  # the eye averages the swing out
        elif kind == "ramp":
            first, last = self._phase.rpm_from, self._phase.rpm
            self._setting = first + (last - first) * (step + 1) / self._steps
        elif kind == "blip":
            self._setting = self._phase.rpm if at_s < _BLIP_S else self._engine.idle_rpm
        elif kind == "neutral":
            self._setting = self._engine.idle_rpm
        return self._setting * hunting

    def _correct(self, shown: float, dt: float) -> None:
        """Move the lever for one step by what the tachometer shows [rpm], until it has shown the order long enough.

        An engine that labours while the boat gathers way falls short of any setting, so the lever stays near the
        order: pushed on, it would be left at full throttle.
        """
        short = self._goal - shown
        most = (self._engine.droop_share + _AHEAD_SHARE) * self._goal
        self._setting = min(max(self._setting + short * dt / _ADJUST_LAG_S, self._goal - most), self._goal + most)
        if abs(short) <= _MET_SHARE * self._goal:
            self._met_s += dt


class Helm:
    """The autopilot: a rate of turn in proportion to the heading error, within what the boat can turn.

    Attributes:
        heading: Heading now, unwrapped [rad].
        yaw: Rate of turn now [rad/s].
    """

    def __init__(self, hull: Hull, heading_deg: float) -> None:
        self.heading = self._wanted = math.radians(heading_deg)
        self.yaw = 0.0
        self._hull = hull
        self._kind = "neutral"

    def take(self, phase: Phase) -> None:
        """Take a new order."""
        self._kind = phase.kind
        if phase.kind in ("hold", "turn", "ramp"):
            offset = math.radians(phase.heading_deg) - self._wanted
            self._wanted += (offset + math.pi) % (2.0 * math.pi) - math.pi
        elif phase.kind == "circle":
            self._wanted += math.radians(phase.turn_deg)

    def steer(self, speed: float, dt: float) -> bool:
        """Steer for one step; return True when a turn is done.

        Args:
            speed: Speed through water [m/s].
            dt: Step [s].
        """
        fastest = min(math.radians(self._hull.turn_rate_max_deg_per_s), max(speed, 1.0) / self._hull.turn_radius_m)
        order = min(max(0.25 * (self._wanted - self.heading), -fastest), fastest)
        self.yaw += (order - self.yaw) * dt / _RUDDER_LAG_S
        self.heading += self.yaw * dt
        return self._kind in ("turn", "circle") and abs(self._wanted - self.heading) < _ARRIVED_RAD
