"""What people under way need of a trial that is being recorded: the detector in words, the grid, advice and alarms.

`LiveBoard` makes the board (`pipeline/live_board.py`) of a `LiveTrial`. What is shown of a state stays for five seconds
at least, because people act on it, and a number that counts down never jumps up without the reason beside it. Nothing
here decides what is steady or covered: that is the detector's and the plan's business, here it is put in words.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np

from trialcapture.acquire.ending import is_being_recorded
from trialcapture.acquire.live_status import LiveLine, read_last_line, second_folder
from trialcapture.acquire.status import Guidance, TrialAlarm
from trialcapture.archive.notes import Note, parse_time, standing
from trialcapture.buffers import floats
from trialcapture.channels import groups
from trialcapture.config import Config
from trialcapture.measure.plan_result import find_step, planned_steps, way_name
from trialcapture.pipeline.live_board import (
    FULL_THROTTLE,
    Advice,
    BandSoFar,
    Board,
    BoardAlarm,
    BoardCell,
    BoardClock,
    BoardHole,
    CurrentSoFar,
    Detector,
    DetectorState,
    Disk,
    EngineNow,
    Entry,
    Grid,
    ManoeuvreCell,
    Now,
    Rank,
    Recent,
    SourceLine,
    SourceState,
    Step,
    Way,
)
from trialcapture.pipeline.live_trial import RECENT_S, LiveTrial
from trialcapture.prepare.sample_statistics import circular_mean_deg, slope_per_s, wrap_deg
from trialcapture.prepare.steady.criteria import Track, limits_of
from trialcapture.prepare.steady.segments import depth_froude
from trialcapture.prepare.steady.setpoint_holds import (
    Interval,
    find_course_holds,
    find_rpm_holds,
    find_speed_holds,
    increments,
    intersect,
    least_count,
)
from trialcapture.reduce.bands import rpm_name
from trialcapture.reduce.current_evidence import THIRD_RUN_KN
from trialcapture.reduce.summary import PlanComparison
from trialcapture.safe_text import clean_text

SHOWN_S, SURE_S = 5.0, 2.0
"""A state that is shown stays so long, and another has to last so long before it is shown [s] (the first after how the
detector flickers inside good holds; the second is our choice)."""
LOOK_EVERY_S = 0.5
"""New lines are read so often at most [s]: each look costs as much as some hundred lines, and what is drawn must be no
older than a second (our choice)."""
JUDGE_EVERY_S = 1.0
"""What is the case with the stretch under way is looked at so often [s] (our choice)."""
NO_DATA_S = 3.0
"""Without a speed for so long the detector knows nothing: three sentences of a receiver of one a second [s] (our
choice). Pages cover figures sooner."""
_FRESH_S = 2.0
"""A reading is shown for so long [s] (the figure of the desk: what is older is covered)."""
_ENDS_S = 4.0
"""A stretch that ends no longer than this before the newest sample goes on [s]: what is left out at the end of a hold,
and a look of the detector (our choice)."""
_END_HEADING_S, _END_COURSE_S = 8.0, 17.0
"""What the end of a hold loses by the helm, with a heading and with a course over ground alone, and two seconds more
[s]: who turned at the least duration would lose the run."""
_SLOPE_S = 30.0
"""The slope of the speed that is told is that of so long [s] (our choice)."""
_SLOW_DEG_PER_S = 1.0
"""More is turning [deg/s] (common practice, no source)."""
_JUMP_S = 2.0
"""Seconds left that grow by more have a reason to be told [s] (our choice)."""
_ENGINES_APART_PCT = 1.5
"""Engines that differ by more are told of [% of rpm] (common practice, no source)."""
_SHALLOW_FROUDE = 0.6
"""From here on the depth of the water begins to slow a hull, and is told of (common practice, no source)."""
_RECORDER_SILENT_S = 5.0
_SECOND_EVERY_S = 1.0
_LOG_LATE_S = 3.0
"""An engine log that is further behind is told of [s] (our choice)."""
_BROKEN_LEAST, _BROKEN_PCT = 3, 2.0
"""From so many messages of several frames a minute, and such a share of them, that did not come whole it is told of
(common practice, no source)."""
_SAME_MOMENT_NS = 2_000_000_000
"""An alarm may have been seen so much before its time, as clocks tell it [ns] (our choice)."""
_ENTRIES = 20
_QUIET_KINDS = frozenset({"beat", "can_clock", "gap", "start", "end", "acknowledged", "damaged"})
_OPEN = ("missing", "refused", "now")
_OPEN_MANOEUVRE = ("missing", "refused", "half")

Shown = TypeVar("Shown")


class Held(Generic[Shown]):
    """A state that is shown for `SHOWN_S` at least, and changes only to one that has lasted for `SURE_S`."""

    def __init__(self, first: Shown) -> None:
        """Begin with a state that may change at once."""
        self.shown = first
        self.since_s = -math.inf
        self._next = first
        self._next_since_s = -math.inf

    def follow(
        self,
        raw: Shown,
        now_s: float,
        *,
        at_once: bool = False,
        same: Callable[[Shown, Shown], bool] = lambda one, other: one == other,
    ) -> Shown:
        """Take what is the case now, and return what is to be shown.

        Args:
            raw: What is the case.
            now_s: Time [s].
            at_once: It need not last before it is shown.
            same: Whether two are one state, of which the latest is shown.
        """
        if not same(raw, self._next):
            self._next_since_s = now_s
        self._next = raw
        if same(raw, self.shown):
            self.shown = raw
            return self.shown
        is_sure = at_once or now_s - self._next_since_s >= SURE_S or self.since_s == -math.inf
        if is_sure and now_s - self.since_s >= SHOWN_S:
            self.shown, self.since_s = raw, now_s
        return self.shown


@dataclass(frozen=True, slots=True)
class HoldNow:
    """The hold under way.

    Attributes:
        since_s: How long rpm and course have been held [s].
        rpm: Mean engine speed [rpm], NaN where unknown.
        direction_deg: Mean heading or course [deg true], None where unknown.
        over_ground: Whether that is the course.
        start_ns: When it began [ns UTC].
    """

    since_s: float
    rpm: float
    direction_deg: float | None
    over_ground: bool
    start_ns: int


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the detector says now, before it is steadied for people."""

    state: DetectorState
    reason: str = ""
    held_s: float | None = None
    left_s: float | None = None
    share: float | None = None


class LiveBoard:
    """Makes boards of a trial that is being recorded.

    Args:
        trial: The trial.
        read_status: Returns the last line of the recorder's live status; None where there is none.
        charge_pct: Returns the charge of the battery [%]; None where there is none.
    """

    def __init__(
        self,
        trial: LiveTrial,
        read_status: Callable[[], LiveLine | None] | None = None,
        charge_pct: Callable[[], float | None] = lambda: None,
    ) -> None:
        """Begin without anything shown."""
        self.trial = trial
        self.config: Config = trial.config
        self._second: Path | None = None
        self._second_asked_s = -math.inf
        self._read_status = read_status or (lambda: read_last_line(trial.session.folder, self._second))
        self._charge_pct = charge_pct
        self._state: Held[DetectorState] = Held("no_data")
        self._state_at_ns = 0
        self._cells: dict[tuple[object, str], Held[BoardCell]] = {}
        self._last_run: tuple[float | str | None, str | None, int] = (None, None, 0)
        self._advice: Held[tuple[str, str]] = Held(("wait", ""))
        self._given = Advice()
        self._left: tuple[int, float, float] | None = None
        self._jump = ""
        self._judged = _Judged("no_data")
        self._judged_at_s = -math.inf
        self._newest = (0, -math.inf)
        self._hold: HoldNow | None = None
        self._alarms: dict[str, tuple[float, int, BoardAlarm]] = {}
        self._charge: tuple[float, float | None] = (-math.inf, None)
        self._target: tuple[float | str | None, str | None] = (None, None)
        self._was_holding = False
        self._looked: tuple[float, Board | None] = (-math.inf, None)
        self._held_run: tuple[float | str | None, str | None, int] = (None, None, 0)
        self._stopped = (-math.inf, False)
        self._place: tuple[float | str | None, str | None] = (None, None)

    # ----- The board.

    def look(self, now_s: float, wall_ns: int) -> Board:
        """Look at the trial and return the board; the same one where it was looked at less than `LOOK_EVERY_S` before.

        Args:
            now_s: A clock that only goes forward [s].
            wall_ns: UTC by the computer's clock [ns since 1970].
        """
        looked_s, board = self._looked
        if board is None or not 0.0 <= now_s - looked_s < LOOK_EVERY_S:
            self.trial.look(now_s)
            board = self.board(now_s, wall_ns)
            self._looked = (now_s, board)
        else:  # the costliest part is done between two looks, so that it makes nothing shown wait
            self.trial.reduce_if_due(now_s, ahead_s=1.0)
        return board

    @property
    def second(self) -> Path | None:
        """Folder of the session on its second disk, None where it has none."""
        return self._second

    def _has_stopped(self, line: LiveLine, now_s: float, wall_ns: int) -> bool:
        """Return whether a recorder that has told nothing for a while is at work no more: killed, or without power."""
        if _silent_s(line, wall_ns) <= _RECORDER_SILENT_S:
            self._stopped = (now_s, False)
        elif now_s - self._stopped[0] >= _SECOND_EVERY_S:
            folders = self.trial.follower.folders
            self._stopped = (now_s, not any(is_being_recorded(folder) for folder in folders))
        return self._stopped[1]

    def _find_second(self, line: LiveLine | None, now_s: float) -> None:
        """Follow the session on its second disk too, where its recorder has one."""
        if self._second is not None or line is None or now_s - self._second_asked_s < _SECOND_EVERY_S:
            return
        self._second_asked_s = now_s
        self._second = second_folder(self.trial.session.folder, line)
        if self._second is not None:
            self.trial.also_follow(self._second)

    def board(self, now_s: float, wall_ns: int) -> Board:
        """Return the board of what the trial knows now; the arguments are those of `look`."""
        trial, line = self.trial, self._read_status()
        self._find_second(line, now_s)
        newest_ns = trial.newest_ns
        now, ages = self._now(now_s, newest_ns, wall_ns, line)
        self._judge(now_s, newest_ns, ages)
        state = self._state.follow(self._judged.state, now_s, at_once=self._judged.state in ("no_data", "held"))
        if self._state.since_s == now_s:
            self._state_at_ns = newest_ns or wall_ns
        step, way = self._place_of_hold()
        if self._hold is not None:
            self._place = (step, way)
        elif state not in ("no_data", "moving"):  # it is shown a while longer, and belongs where it was
            step, way = self._place
        if state == "held" and self._judged.state == "held":
            self._held_run = (step, way, newest_ns or 0)
        detector = self._detector(state, now_s, step, way)
        grid = self._grid(now_s, detector)
        manoeuvres = self._manoeuvres()
        notes = standing(trial.notes)
        advice = self._advise(now_s, wall_ns, detector, grid, manoeuvres, notes)
        holes = [
            BoardHole(
                c.step, c.way, c.reason if c.state == "skipped" else f"{c.state}: {c.reason}" if c.reason else c.state
            )
            for c in grid.cells if c.state in ("missing", "refused", "skipped", "half", "now") and grid.is_planned
        ] + [
            BoardHole(m.kind, m.way, f"{m.state}: {m.reason}" if m.reason else m.state)
            for m in manoeuvres if m.state in _OPEN_MANOEUVRE
        ]  # fmt: skip
        if now_s - self._charge[0] > 30.0:
            self._charge = (now_s, self._charge_pct())
        is_recording = line is not None and line.state == "recording" and not self._has_stopped(line, now_s, wall_ns)
        reduced = trial.reduced
        return Board(
            session=trial.session.folder.name,
            boat=clean_text(self.config.boat.name),
            recording=is_recording,
            made_at=utc_text(wall_ns),
            t="" if newest_ns is None else utc_text(newest_ns),
            data_age_s=ages.get("sog_kn"),
            sources=self._sources(line),
            disk=Disk() if line is None else Disk(line.status.free_bytes / 1e6, line.status.free_h),
            battery_pct=self._charge[1],
            elapsed_s=None if line is None else line.status.elapsed_s,
            safe_age_s=None if line is None else line.status.safe_age_s,
            clocks=self._clocks(),
            now=now,
            recent=self._recent(),
            detector=detector,
            advice=advice,
            grid=grid,
            manoeuvres=manoeuvres,
            current=self._current(),
            bands=self._bands(),
            bands_at="" if reduced is None else utc_text(reduced.to_ns),
            holes=tuple(holes),
            holes_open=len(holes),
            alarms=self._ranked(now_s, wall_ns, line, now, notes),
            entries=_entries(notes),
        )

    # ----- Figures now.

    def _now(
        self, now_s: float, newest_ns: int | None, wall_ns: int, line: LiveLine | None
    ) -> tuple[Now, dict[str, float]]:
        samples = self.trial.samples
        if newest_ns is None or not samples.rows:
            return Now(engines=tuple(EngineNow(e) for e in self.config.engine_ids)), {}
        hz = self.config.samples.grid_hz
        behind_s = self.trial.log_lag_s()
        late = self._channels_of_logs() if behind_s else frozenset()
        count = min(samples.rows, max(round((_FRESH_S + behind_s) * hz), 1))
        names = [n for n in samples.tail.column_names if n != "t" and not n.endswith(("_age_s", "_flag"))]
        few = samples.read(samples.rows - count, samples.rows, names)
        lag_s = self._data_lag_s(now_s, newest_ns, wall_ns, line)
        values, ages = {}, {}
        for name in names:
            known = floats(few[name])
            at = np.flatnonzero(np.isfinite(known))
            if at.size and (name in late or count - 1 - int(at[-1]) < _FRESH_S * hz):
                values[name] = float(known[at[-1]])
                ages[name] = round((count - 1 - int(at[-1])) / hz + lag_s, 1)
        fuels = [values.get(f"fuel_l_per_h_{e}") for e in self.config.engine_ids]
        fuel = sum(f for f in fuels if f is not None) if fuels and all(f is not None for f in fuels) else None
        sog, depth = values.get("sog_kn"), values.get("depth_m")
        return Now(
            sog_kn=sog,
            cog_true_deg=values.get("cog_true_deg"),
            heading_true_deg=values.get("heading_true_deg"),
            stw_kn=values.get("stw_kn"),
            depth_m=depth,
            depth_froude=depth_froude(sog, depth) if sog is not None and depth else None,
            fuel_l_per_h=fuel,
            economy_nm_per_l=sog / fuel if sog is not None and fuel else None,
            pitch_deg=values.get("pitch_deg"),
            engines=tuple(
                EngineNow(e, values.get(f"rpm_{e}"), values.get(f"fuel_l_per_h_{e}"), values.get(f"trim_pct_{e}"))
                for e in self.config.engine_ids
            ),
            ages_s=ages,
            trim_entered=self._trim_entered(),
        ), ages

    def _channels_of_logs(self) -> frozenset[str]:
        """Return the channels that come from engine logs which are written while recording."""
        leading = self.trial.leading_logs()
        return frozenset(c.name for g, of in groups(self.config.engine_ids).items() if g in leading for c in of)

    def _data_lag_s(self, now_s: float, newest_ns: int, wall_ns: int, line: LiveLine | None) -> float:
        """Return how old the newest sample is [s]: since it came in, or by the computer's clock less its offset."""
        if newest_ns != self._newest[0]:
            self._newest = (newest_ns, now_s)
        lag_s = now_s - self._newest[1]
        offsets = [] if line is None else [s.offset_s for s in line.status.sources if s.offset_s is not None]
        return max([lag_s, *((wall_ns - newest_ns) / 1e9 - offset_s for offset_s in offsets[:1])])

    def _trim_entered(self) -> str | None:
        trims = [n for n in standing(self.trial.notes) if n.kind == "trim" and n.value is not None]
        return clean_text(f"{trims[-1].value} {trims[-1].unit}".strip()) if trims else None

    def _recent(self) -> Recent:
        samples, hz = self.trial.samples, self.config.samples.grid_hz
        step = max(round(hz), 1)
        count = min(120, samples.rows // step)
        if not count:
            return Recent()
        names = ["sog_kn", *(f"rpm_{e}" for e in self.config.engine_ids)]
        rows = samples.read(samples.rows - (count - 1) * step - 1, samples.rows, names)
        told = {name: _known(floats(rows[name])[::step]) for name in names}
        t_s = tuple(float(s) for s in range(-(len(told["sog_kn"]) - 1), 1))
        return Recent(t_s, told["sog_kn"], {e: told[f"rpm_{e}"] for e in self.config.engine_ids})

    # ----- The detector.

    def _judge(self, now_s: float, newest_ns: int | None, ages: dict[str, float]) -> None:
        """Find what is the case now with the stretch under way."""
        age_s = ages.get("sog_kn")
        if newest_ns is None or age_s is None or age_s > NO_DATA_S:
            self._hold = None
            why = "no speed over ground yet" if age_s is None else f"no speed over ground for {age_s:.0f} s"
            self._judged = _Judged("no_data", self.trial.fault or why)
            return
        if self._judged.state != "no_data" and 0.0 <= now_s - self._judged_at_s < JUDGE_EVERY_S:
            return
        self._judged_at_s = now_s
        hz = self.config.samples.grid_hz
        behind = round(self.trial.log_lag_s() * hz)
        rows = self.trial.samples.rows - behind  # where engine speed comes from a log, no further than that
        track = self.trial.recent_track(rows)
        hold = self._hold_now(track, newest_ns - round(behind * 1e9 / hz))
        self._hold = hold
        if hold is None:
            self._judged = _Judged("moving", _what_moves(track, self.config.engine_ids))
            return
        current = next((s for s in reversed(self.trial.stretches) if (rows - s.stop) / hz <= _ENDS_S + 1.0), None)
        if current is not None and (rows - current.start) / hz > hold.since_s + 20.0:
            current = None  # of a hold before this one
        limits = limits_of(self.config)
        need_s = limits.steady.min_duration_s
        end_s = _END_COURSE_S if hold.over_ground else _END_HEADING_S
        target_s = max(limits.guard_s + need_s + end_s, self._plan_hold_s())
        left_s = max(target_s - hold.since_s, 0.0)
        slope = _slope_words(track)
        if current is not None and current.accepted:
            steady_s = (rows - current.start) / hz
            left_s = max(left_s, need_s + end_s - steady_s, 0.0)
            state: DetectorState = "held" if left_s < 0.5 else "holding"
            self._judged = _Judged(state, "", steady_s, left_s, _share(hold.since_s, left_s))
        elif current is None or current.reason.startswith("too short: "):
            state = "settling" if hold.since_s < limits.guard_s else "holding"
            reason = slope if state == "settling" else ""
            self._judged = _Judged(
                state, reason, max(hold.since_s - limits.guard_s, 0.0), left_s, _share(hold.since_s, left_s)
            )
        elif current.reason.startswith(("lying still", "idling", "no engine speed")):
            self._judged = _Judged("moving", current.reason.split(",")[0])
        elif current.reason.startswith(("speed still", "too short after", "speed not settled", "speed silent")):
            left_s = max(left_s, need_s)
            reason = slope if current.reason.startswith(("speed still", "too short")) and slope else current.reason
            self._judged = _Judged("settling", reason.split(", limit")[0], 0.0, left_s, _share(hold.since_s, left_s))
        else:
            self._judged = _Judged("refused", current.reason, 0.0, None, None)

    def _hold_now(self, track: Track, newest_ns: int) -> HoldNow | None:
        """Return the hold of rpm and course that goes on, found as detection finds it; None while they change."""
        n, dt_s = track.sog_kn.size, track.dt_s
        if n * dt_s < 5.0:
            return None
        holds: list[Interval] = [(0, n)]
        seen = [rpm for rpm in track.rpm if np.isfinite(rpm[-round(20.0 / dt_s) :]).any()]
        for rpm in seen:
            holds = intersect(holds, find_rpm_holds(rpm, dt_s, least_count(increments(rpm))))
        if not seen:
            holds = intersect(holds, find_speed_holds(track.sog_kn, dt_s))
        holds = intersect(holds, find_course_holds(track.heading_true_deg, dt_s))
        if not holds or (n - holds[-1][1]) * dt_s > 2.0 or (holds[-1][1] - holds[-1][0]) * dt_s < 5.0:
            return None
        a, b = holds[-1]
        speeds = [float(np.nanmean(rpm[a:b])) for rpm in seen if np.isfinite(rpm[a:b]).any()]
        over_ground = np.broadcast_to(track.over_ground, track.sog_kn.shape)
        since_s = (n - a) * dt_s
        return HoldNow(
            since_s, float(np.mean(speeds)) if speeds else math.nan, circular_mean_deg(track.heading_true_deg[a:b]),
            bool(over_ground[a:b].any()), newest_ns - round(since_s * 1e9),
        )  # fmt: skip

    def _plan_hold_s(self) -> float:
        return 0.0 if self.config.plan is None or self.config.plan.hold_s is None else self.config.plan.hold_s

    def _place_of_hold(self) -> tuple[float | str | None, str | None]:
        """Return the step and the way of the plan that the hold under way belongs to."""
        hold, plan = self._hold, self._plan()
        if hold is None or hold.direction_deg is None:
            return None, None
        number = find_step(self.config, hold.rpm)
        step = None if number is None else _steps(self.config)[number].step
        ways = self._ways(plan)
        axis = None if plan is None else plan.axis_deg
        if axis is None or len(ways) < 2:
            return step, ways[0].way if ways and axis is not None else None
        ahead = abs(float(wrap_deg(np.array([hold.direction_deg - axis]))[0])) <= 90.0
        return step, ways[0 if ahead else 1].way

    def _detector(self, state: DetectorState, now_s: float, step: float | str | None, way: str | None) -> Detector:
        judged = self._judged
        held_s, left_s, reason = judged.held_s, judged.left_s, judged.reason
        if state in ("no_data", "moving"):
            held_s, left_s = None, None
        if judged.state != state:
            reason = reason if judged.state in ("refused", "settling", "moving", "no_data") else ""
        if state == "held":
            left_s = 0.0
        left_s, jump = self._never_up(left_s, now_s, reason)
        reason = reason or jump
        name = "" if step is None else f" {_step_name(step)}"
        words = {
            "no_data": "No data",
            "moving": "Changing",
            "settling": f"Settling at{name}" if name else "Settling",
            "holding": f"Holding{name}: {left_s:.0f} s more" if left_s is not None else f"Holding{name}",
            "held": f"Held{name} for {held_s:.0f} s" if held_s is not None else f"Held{name}",
            "refused": "Not steady",
        }[state]
        return Detector(state, words, reason, held_s, left_s, step, way, utc_text(self._state_at_ns))

    def _never_up(self, left_s: float | None, now_s: float, reason: str) -> tuple[float | None, str]:
        """Return seconds left that go down with the clock, and why where they had to go up within one hold."""
        if left_s is None or self._hold is None:
            self._left, self._jump = None, ""
            return left_s, ""
        start = self._hold.start_ns // 1_000_000_000
        if self._left is not None and abs(self._left[0] - start) <= 10:
            before_s = max(self._left[1] - (now_s - self._left[2]), 0.0)
            if left_s > before_s + _JUMP_S:
                self._jump = reason or "the steady part began later than it seemed"
            elif left_s > before_s:
                left_s = before_s
        else:
            self._jump = ""
        self._left = (start, left_s, now_s)
        return left_s, self._jump

    # ----- The grid and what is missing.

    def _plan(self) -> PlanComparison | None:
        return None if self.trial.reduced is None else self.trial.reduced.findings.plan

    def _ways(self, plan: PlanComparison | None) -> list[Way]:
        if plan is not None:
            names = dict.fromkeys(c.way for c in plan.cells if c.step_rpm is not None)
            return [Way(name, name) for name in names]
        count = 2 if self.config.plan is None else self.config.plan.ways_a_step
        axis = None if self.config.plan is None else self.config.plan.axis_deg
        names = {}
        for number in range(count):
            names.setdefault(way_name(axis, number % 2 == 0, number // 2))
        return [Way(name, name) for name in names]

    def _grid(self, now_s: float, detector: Detector) -> Grid:
        plan = self._plan()
        steps, ways = _steps(self.config), self._ways(plan)
        if self.config.plan is None:
            steps, ways, cells = self._unplanned()
        else:
            cells = self._planned_cells(plan, steps, ways)
        if detector.state in ("settling", "holding", "held") and detector.step is not None:
            self._last_run = (detector.step, detector.way, self.trial.newest_ns or 0)
        changes = plan_changes(self.trial.notes)
        made = [self._as_shown(cell, changes, now_s) for cell in cells]
        grid = Grid(None if plan is None else plan.axis_deg, tuple(steps), tuple(ways), tuple(made), None, None,
                    self.config.plan is not None)  # fmt: skip
        following = self._next_cell(grid, changes, detector)
        return grid if following is None else replace(grid, next_step=following.step, next_way=following.way)

    def _as_shown(self, cell: BoardCell, changes: Mapping[tuple[str, str], PlanChange], now_s: float) -> BoardCell:
        """Return a cell with what people changed of the plan, and with what is being run; its state stays a while."""
        change = _change_of(changes, cell)
        if change.action == "skip" and cell.state in ("missing", "refused"):
            cell = replace(cell, state="skipped", reason=change.reason)
        if change.action == "repeat" and cell.state in ("done", "half"):
            cell = replace(cell, advised="asked for again" + (f": {change.reason}" if change.reason else ""))
        step, way, to_ns = self._last_run
        is_reduced = self.trial.reduced is not None and self.trial.reduced.to_ns >= to_ns
        is_now = (cell.step, cell.way) == (step, way) and (not is_reduced or self._hold is not None)
        if is_now and cell.state in ("missing", "refused"):
            # that it is too short so far is what the seconds left say
            cell = replace(cell, state="now", reason="" if cell.reason.startswith("too short") else cell.reason)
        held = self._cells.setdefault((cell.step, cell.way), Held(cell))
        # what is told of a state may change at any time; it is the state that stays
        held.follow(cell, now_s, same=lambda one, other: one.state == other.state)
        return held.shown

    def _planned_cells(
        self, plan: PlanComparison | None, steps: Sequence[Step], ways: Sequence[Way]
    ) -> list[BoardCell]:
        if plan is None:
            return [BoardCell(step.step, way.way, "missing") for step in steps for way in ways]
        third = self._third_runs()
        by_rpm = {step.rpm: step.step for step in steps}
        has_runs = self.trial.reduced is not None and self.trial.reduced.segments.num_rows > 0
        cells = []
        for c in plan.cells:
            if c.step_rpm is None:
                continue
            advised = third.get(by_rpm.get(c.step_rpm, c.step_rpm)) if c.state == "done" else None
            reason = clean_text(c.reason) if has_runs or c.state == "signed_off" else ""
            cells.append(BoardCell(by_rpm.get(c.step_rpm, c.step_rpm), c.way, c.state, reason, len(c.legs), advised))
        # of a step it is told once, at the way that would be run
        told: set[object] = set()
        once = []
        for cell in cells:
            once.append(replace(cell, advised=None) if cell.advised and cell.step in told else cell)
            told |= {cell.step} if cell.advised else set()
        return once

    def _unplanned(self) -> tuple[list[Step], list[Way], list[BoardCell]]:
        """Return what was run as a grid, where there is no plan."""
        reduced = self.trial.reduced
        if reduced is None:
            return [], [], []
        steps, cells = [], []
        third = self._third_runs()
        for row in reduced.bands.select(["band_name", "rpm_mean", "ways", "legs"]).to_pylist():
            step: float | str = row["band_name"]
            steps.append(Step(step, row["band_name"], row["rpm_mean"]))
            for number, way in enumerate(("one way", "the other way")):
                is_run = number < row["ways"]
                state: Any = "missing" if not is_run else "done" if row["ways"] == 2 else "half"
                cells.append(BoardCell(step, way, state, "", row["legs"], third.get(step) if number == 0 else None))
        return steps, [Way("one way", "one way"), Way("the other way", "the other way")], cells

    def _third_runs(self) -> dict[object, str]:
        """Return by step why a third run would change its answer, where it would."""
        reduced = self.trial.reduced
        if reduced is None:
            return {}
        u_kn = dict(zip(*(reduced.bands[n].to_pylist() for n in ("band_name", "speed_u_kn")), strict=True))
        found: dict[object, str] = {}
        for pair in reduced.findings.current.pairs:
            own_u = u_kn.get(pair.band_name) or math.inf
            if pair.method != "double run" or pair.expected_error_kn <= min(THIRD_RUN_KN, own_u):
                continue
            step = self._step_of_band(pair.band_name)
            limit = f"{THIRD_RUN_KN:g} kn" if pair.expected_error_kn > THIRD_RUN_KN else f"its u of {own_u:.2f} kn"
            found[step] = (
                f"a third run would change the speed by about {pair.expected_error_kn:.2f} kn, more than {limit}: "
                "the current changed between the two"
            )
        return found

    def _step_of_band(self, name: str) -> float | str:
        reduced = self.trial.reduced
        assert reduced is not None
        if self.config.plan is None:
            return name
        rpm = dict(zip(*(reduced.bands[n].to_pylist() for n in ("band_name", "rpm_mean")), strict=True)).get(name)
        number = None if rpm is None else find_step(self.config, rpm)
        return name if number is None else _steps(self.config)[number].step

    def _next_cell(
        self, grid: Grid, changes: Mapping[tuple[str, str], PlanChange], detector: Detector
    ) -> BoardCell | None:
        """Return the cell to run next: what a person put first, the way back of the step under way, then in order."""
        step, way, held_ns = self._held_run
        reduced = self.trial.reduced
        # a run that was held long enough is not asked for again before the results have seen it
        is_unseen = detector.state == "held" or reduced is None or reduced.to_ns < held_ns
        done_now = (step, way) if is_unseen else None
        open_cells = [
            c for c in grid.cells
            if c.state in _OPEN and (c.step, c.way) != done_now and grid.is_planned
        ]  # fmt: skip
        first = sorted(
            (c for c in open_cells if _change_of(changes, c).action == "first"),
            key=lambda c: -_change_of(changes, c).t_ns,
        )
        if first:
            return first[0]
        same = [c for c in open_cells if c.step == self._last_step(detector)]
        if same:
            return same[0]
        if open_cells:  # a step begins the way the boat is going: that saves a turn
            following = [c for c in open_cells if c.step == open_cells[0].step]
            return next((c for c in following if c.way == self._target[1]), following[0])
        again = [c for c in grid.cells if _change_of(changes, c).action == "repeat" and c.advised]
        again += [c for c in grid.cells if c.state == "half" and (c.step, c.way) != done_now and grid.is_planned]
        again += [c for c in grid.cells if c.advised and c not in again]
        return again[0] if again else None

    def _last_step(self, detector: Detector) -> float | str | None:
        if detector.step is not None:
            self._target = (detector.step, detector.way)
        return self._target[0]

    def _manoeuvres(self) -> tuple[ManoeuvreCell, ...]:
        plan = self._plan()
        if plan is None:
            wanted = () if self.config.plan is None else self.config.plan.wanted(self.config.boat.planing)
            return tuple(ManoeuvreCell(name, "", "missing") for name in wanted)
        return tuple(
            ManoeuvreCell(c.step, c.way, c.state, clean_text(c.reason)) for c in plan.cells if c.step_rpm is None
        )

    # ----- Results so far.

    def _bands(self) -> tuple[BandSoFar, ...]:
        reduced = self.trial.reduced
        if reduced is None:
            return ()

        def pm(row: dict[str, Any], name: str, u: str) -> float | None:
            return None if row[u] is None or row[f"{name}_k"] is None else row[u] * row[f"{name}_k"]

        return tuple(
            BandSoFar(
                row["band_name"], row["rpm_mean"], row["speed_kn"], pm(row, "speed", "speed_u_kn"),
                row["fuel_l_per_h"], row["economy_nm_per_l"], row["ways"],
                tuple(flag for flag in (row["flags"] or "").split(";") if flag),
                pm(row, "fuel", "fuel_u_l_per_h"), pm(row, "economy", "economy_u_nm_per_l"),
            )
            for row in reduced.bands.to_pylist()
        )  # fmt: skip

    def _current(self) -> CurrentSoFar | None:
        reduced = self.trial.reduced
        fit = () if reduced is None else reduced.findings.current.fit
        if not fit:
            return None
        return CurrentSoFar(fit[-1].speed_kn, fit[-1].towards_deg, 2.0 * fit[-1].u_kn)

    # ----- What to do next.

    def _advise(
        self,
        now_s: float,
        wall_ns: int,
        detector: Detector,
        grid: Grid,
        manoeuvres: Sequence[ManoeuvreCell],
        notes: Sequence[Note],
    ) -> Advice:
        made = self._advice_now(detector, grid, manoeuvres, notes)
        key = (made.kind, _target_words(made))
        shown = self._advice.follow(key, now_s, at_once=made.kind == "pause")
        if shown == key:
            is_new = self._advice.since_s == now_s
            at, tone = (utc_text(wall_ns), made.tone) if is_new else (self._given.at, self._given.tone)
            self._given = replace(made, at=at, tone=tone)
        elif self._given.kind == "hold" and self._given.number is not None:
            left_s = self._given.number if detector.left_s is None else float(math.ceil(detector.left_s))
            sentence = _target_words(self._given) + f", {left_s:.0f} s more"
            self._given = replace(self._given, sentence=sentence, number=left_s)
        return self._given

    def _advice_now(
        self, detector: Detector, grid: Grid, manoeuvres: Sequence[ManoeuvreCell], notes: Sequence[Note]
    ) -> Advice:
        pauses = [n for n in notes if n.kind == "pause"]
        if pauses and str(pauses[-1].value) != "end":
            return Advice("pause", "Paused: look out", tone="attention", why="runs go on when the pause is ended")
        if detector.state == "no_data":
            return Advice("wait", "Wait: no speed", tone="attention", why=detector.reason)
        name = "" if detector.step is None else _step_name(detector.step)
        if detector.state in ("settling", "holding", "refused") and self._is_wanted(detector, grid):
            self._was_holding = detector.state == "holding" or self._was_holding
            if detector.state == "refused":
                return Advice("hold", f"Hold {name} steady".replace("  ", " "), tone="attention", why=detector.reason)
            left_s = None if detector.left_s is None else float(math.ceil(detector.left_s))
            more = "" if left_s is None else f", {left_s:.0f} s more"
            return Advice("hold", f"Hold {name or 'this'}{more}", left_s, "s", self._judged.share, None, None, "",
                          detector.reason)  # fmt: skip
        was_lost = self._was_holding and detector.state == "moving"
        tone: Any = "held" if detector.state == "held" else "lost" if was_lost else "next"
        if detector.state in ("held", "moving"):
            self._was_holding = False
        if grid.next_step is None:
            return self._advice_after(grid, manoeuvres, tone)
        if grid.is_planned and not self._knows_steps():
            why = "no engine speed comes in: enter it as a reading for each run, and the grid fills"
            words = "Held: note its engine speed" if detector.state == "held" else "Set the next run of the plan"
            return Advice("next_step", words, tone=tone, why=why)
        cell = next(c for c in grid.cells if (c.step, c.way) == (grid.next_step, grid.next_way))
        direction = _degrees(cell.way)
        where = f" on {cell.way.split(',')[0]}" if direction is not None else ""
        what = _step_name(cell.step)
        why = cell.advised or cell.reason
        is_full = cell.step == FULL_THROTTLE
        caution: Any = "full_throttle" if is_full and cell.step != detector.step else None
        if cell.advised and cell.state in ("done", "half"):
            return Advice("repeat", f"Again: {what}{where}", direction, "°", None, tone, caution or "turn", "", why)
        if cell.step == self._target[0] and detector.step in (None, cell.step) and self._has_run(grid, cell.step):
            turn = (
                f"Turn wide to {direction:03.0f}°, same throttles"
                if direction is not None
                else "Turn back, same throttles"
            )
            return Advice("turn", turn, direction, "°", None, "turn" if tone == "next" else tone, "turn", "", why)
        rpm = next((s.rpm for s in grid.steps if s.step == cell.step), None)
        return Advice("next_step", f"Next: {what}{where}", rpm, "rpm", None, tone, caution, "", why)

    def _is_wanted(self, detector: Detector, grid: Grid) -> bool:
        """Return whether the hold under way is one of the plan that is still open; without a plan every hold is."""
        if not grid.is_planned or (self._hold is not None and math.isnan(self._hold.rpm)):
            return True
        cell = next((c for c in grid.cells if (c.step, c.way) == (detector.step, detector.way)), None)
        if cell is None:
            is_known = detector.way is not None
            return detector.step is not None and not is_known
        return cell.state in (*_OPEN, "half") or bool(cell.advised)

    def _knows_steps(self) -> bool:
        """Return whether it is known which steps were run: not while a run has no engine speed."""
        reduced = self.trial.reduced
        held = self._state.shown == "held" and self._hold is not None and math.isnan(self._hold.rpm)
        return not held and (reduced is None or reduced.bands["rpm_mean"].null_count == 0)

    def _has_run(self, grid: Grid, step: float | str) -> bool:
        return any(c.step == step and c.state in ("done", "half", "now") for c in grid.cells)

    def _advice_after(self, grid: Grid, manoeuvres: Sequence[ManoeuvreCell], tone: Any) -> Advice:
        """Return what is left when every step is run: manoeuvres, the offer of a repeat, the end."""
        missing = next((m for m in manoeuvres if m.state in _OPEN_MANOEUVRE), None)
        if missing is not None:
            way = f" {'on' if missing.way[:1].isdigit() else 'to'} {missing.way}" if missing.way else ""
            caution: Any = {"turn": "turn", "stop": "stop", "acceleration": "full_throttle"}.get(missing.kind)
            return Advice("manoeuvre", f"Next: {missing.kind}{way}", None, "", None, tone, caution, "", missing.reason)
        if not grid.is_planned:
            return Advice("next_step", "Set the next engine speed", tone=tone)
        reduced = self.trial.reduced
        if reduced is not None and not reduced.findings.repeated and grid.steps:
            first = grid.steps[0]
            why = "a step run again at the end shows whether boat and instruments stayed the same; it is an offer"
            return Advice("repeat", f"Repeat {first.name} if time", first.rpm, "rpm", None, tone, None, "", why)
        return Advice("finish", "All steps are run", tone=tone)

    # ----- Sources, clocks, alarms.

    def _sources(self, line: LiveLine | None) -> tuple[SourceLine, ...]:
        kinds = {s.id: str(s.kind) for s in self.config.source}
        found: list[SourceLine] = []
        for s in () if line is None else line.status.sources:
            usual_s = 1.0 / s.rate_hz if s.rate_hz > 0 else math.inf
            state: SourceState = "ok" if s.state == "ok" else "lost" if s.state == "lost" else "silent"
            remark = ""
            if state == "ok" and s.age_s is not None and s.age_s > max(3.0 * min(usual_s, 10.0), 1.5):
                state, remark = "late", f"nothing for {s.age_s:.1f} s"
            total = s.good + s.bad
            good = None if not total else 100.0 * s.good / total
            satellites = self.trial.satellites.get(s.source)
            found.append(
                SourceLine(
                    s.source, kinds.get(s.source, ""), state, s.age_s, s.rate_hz, good, s.fix, satellites, remark
                )
            )
        return tuple(found)

    def _clocks(self) -> tuple[BoardClock, ...]:
        alignment = self.trial.alignment
        rows = [] if alignment is None else alignment.clocks.select(["source", "offset_s", "offset_u_s"]).to_pylist()
        return tuple(BoardClock(r["source"], r["offset_s"], r["offset_u_s"]) for r in rows)

    def _ranked(
        self,
        now_s: float,
        wall_ns: int,
        line: LiveLine | None,
        now: Now,
        notes: Sequence[Note],
    ) -> tuple[BoardAlarm, ...]:
        """Return the alarms that hold, the gravest first; each is shown for five seconds at least."""
        t = utc_text(wall_ns)
        for alarm in [*_of_recorder(line, wall_ns, t, has_stopped=self._stopped[1]), *self._own_alarms(now, t)]:
            seen = self._alarms.get(alarm.id)
            first = seen[2].since if seen is not None else alarm.since
            began_ns = wall_ns if seen is None else seen[1]
            self._alarms[alarm.id] = (now_s, began_ns, replace(alarm, since=first))
        self._alarms = {key: of for key, of in self._alarms.items() if now_s - of[0] < SHOWN_S}
        acknowledged: dict[str, int] = {}
        for note in notes:
            if note.kind == "acknowledged":
                acknowledged[str(note.more.get("alarm", ""))] = note.t_ns
        order = {"alarm": 0, "warning": 1, "notice": 2}
        found = [
            replace(
                alarm, acknowledged=alarm.id in acknowledged and acknowledged[alarm.id] >= began_ns - _SAME_MOMENT_NS
            )
            for _, began_ns, alarm in self._alarms.values()
        ]
        return tuple(sorted(found, key=lambda a: (order[a.rank], a.acknowledged, a.since, a.id)))

    def _own_alarms(self, now: Now, t: str) -> list[BoardAlarm]:
        """Return what the trial itself shows, beside what the recorder tells of."""
        found: list[tuple[str, Rank, str, str]] = []
        trial = self.trial
        if trial.fault:
            text = f"Nothing can be computed: {trial.fault}"
            found.append(("live", "alarm", text, "The recording goes on. Mend what is named."))
        for fault in trial.follower.faults:
            text = f"An engine log cannot be used: {fault}"
            found.append(("engine-log", "warning", text, "Check its [[engine_log]] table."))
        for name, why in trial.follower.unfollowed.items():
            text = f"Engine log {name} gives nothing under way: {why}." if name else f"No engine log can be used: {why}"
            found.append((f"log-{name}", "notice", text, "It is kept. It comes in when the trial is processed."))
        for source, (count, broken) in trial.broken_packets().items():
            share = 100.0 * broken / count if count else 0.0
            if broken >= _BROKEN_LEAST and share >= _BROKEN_PCT:
                text = f"{source}: multi-packet messages incomplete {share:.0f} %."
                action = "Fuel flow comes by them. Look at terminators, load and length of the bus, and at the adapter."
                found.append((f"packets-{source}", "warning", text, action))
        if trial.newest_ns is not None:
            found += self._of_engines(now)
            found += self._of_place(now)
        if trial.reduced is not None:
            # before the first run there is no band yet, and before the first way back no current: that is no fault
            plan = trial.reduced.findings.plan
            is_half = plan is not None and any(cell.state == "half" for cell in plan.cells)
            expected = ("no-bands", "current-unknown") if is_half else ("no-bands",)
            found += [
                (f"result-{w.code}", "warning", w.text, "See the results so far.")
                for w in trial.reduced.findings.warnings if w.severity == "red" and w.code not in expected
            ]  # fmt: skip
        unsure = [] if trial.alignment is None else [w for w in trial.alignment.warnings if "give a mark" in w]
        if unsure:
            found.append(("two-clocks", "alarm", unsure[0], "Blip the throttle in neutral and enter a mark."))
        return [BoardAlarm(key, rank, clean_text(text), action, t) for key, rank, text, action in found]

    def _of_engines(self, now: Now) -> list[tuple[str, Rank, str, str]]:
        found: list[tuple[str, Rank, str, str]] = []
        samples, rpms = self.trial.samples, [e.rpm for e in now.engines if e.rpm is not None]
        first = max(samples.rows - round(RECENT_S * self.config.samples.grid_hz), 0)
        for engine in now.engines:
            if engine.rpm is not None:
                continue
            recent = floats(samples.read(first, samples.rows, [f"rpm_{engine.id}"])[f"rpm_{engine.id}"])
            if np.isfinite(recent).any():
                text = f"Engine {engine.id}: no engine speed for more than 2 s."
                action = "Look at its gateway and cable. The run may be lost."
                found.append((f"rpm-{engine.id}", "warning", text, action))
        if now.engines and not rpms and not found:
            found.append(("rpm", "warning", *self._without_rpm()))
        behind_s = self.trial.log_lag_s()
        if rpms and behind_s > _LOG_LATE_S:
            text = f"Engine speed comes from an engine log, some {10.0 * math.ceil(behind_s / 10.0):.0f} s late."
            found.append(("log-late", "notice", text, "What is said of a run is as late; hold on that much longer."))
        if len(rpms) > 1 and max(rpms) > 0 and self._judged.state in ("settling", "holding", "held"):
            apart = 100.0 * (max(rpms) - min(rpms)) / max(rpms)
            if apart > _ENGINES_APART_PCT:
                text = f"Engines differ by {apart:.1f} % of engine speed."
                found.append(("apart", "warning", text, "Match the throttles before the next run."))
        if now.fuel_l_per_h is not None and self.config.fuel.calibration is None:
            found.append(("fuel", "notice", "Fuel flow is uncalibrated.", "Fill up and compare after the trial."))
        return found

    def _without_rpm(self) -> tuple[str, str]:
        """Return what it means for the grid that no engine speed comes in, and what to do."""
        names = sorted(self.trial.follower.engine_logs)
        runs = "so no run can be put in its cell of the grid yet"
        enter = "Enter the engine speed of each run as a reading: its cell fills then."
        if names:
            return f"Engine speed comes later: {', '.join(names)} has no place in time yet, {runs}.", enter
        if self.config.engine_log:
            return f"Engine speed comes later, with the engine log, {runs}.", enter + " Or bring the log ashore."
        return f"No engine speed comes in, {runs}.", enter

    def _of_place(self, now: Now) -> list[tuple[str, Rank, str, str]]:
        found: list[tuple[str, Rank, str, str]] = []
        if now.depth_froude is not None and now.depth_froude >= _SHALLOW_FROUDE and (now.sog_kn or 0.0) > 3.0:
            text = f"Shallow: depth Froude number {now.depth_froude:.2f} in {now.depth_m:.1f} m."
            found.append(("shallow", "warning", text, "Go to deeper water; the run will be flagged."))
        if now.trim_entered is None and all(e.trim_pct is None for e in now.engines):
            action = "Enter it before the first run, and at each change."
            found.append(("trim", "notice", "Trim is not entered.", action))
        return found


def _silent_s(line: LiveLine, wall_ns: int) -> float:
    """Return how long a recorder has told nothing [s]."""
    try:
        return (wall_ns - parse_time(line.t)) / 1e9
    except (ValueError, TypeError):
        return 0.0


def _of_recorder(line: LiveLine | None, wall_ns: int, t: str, *, has_stopped: bool) -> list[BoardAlarm]:
    """Return the alarms that the recorder tells of, and its own silence."""
    if line is None:
        return []
    ranks: dict[str, Rank] = {"red": "alarm", "yellow": "warning"}
    found = []
    for a in line.status.alarms:
        text, _, action = a.text.partition(". ")
        if a.key == "second" and line.second:
            text = f"The first disk takes nothing more: recording goes on in {clean_text(line.second)}."
            action = "Leave that disk in. Both halves become one session at the end; mend the first disk afterwards."
        rank = ranks.get(a.severity, "notice")
        found.append(BoardAlarm(a.key, rank, f"{text.rstrip('.')}.", action, line.t, of_recorder=True))
    unread = sorted({name for s in line.status.sources for name in s.unread_types})
    if unread:
        text = f"Types seen and not decoded: {', '.join(unread[:6])}."
        found.append(BoardAlarm("unread", "notice", text, "Nothing to do; they are kept.", line.t, of_recorder=True))
    silent_s = _silent_s(line, wall_ns)
    if line.state == "recording" and silent_s > _RECORDER_SILENT_S:
        text = f"The recorder has told nothing for {silent_s:.0f} s."
        action = "Look at its window; 'trialcapture record --attach'."
        if has_stopped:
            text = f"Nothing is being recorded: the recorder stopped {silent_s:.0f} s ago without ending."
            action = "Go on now: the same 'trialcapture record' command with --resume. What it wrote is kept."
        found.append(BoardAlarm("recorder", "alarm", text, action, t))
    return found


def guidance_of(board: Board) -> Guidance:
    """Return the lines of a board that the recorder's screen shows."""
    now = board.now
    speeds = "   ".join(f"{e.id} {e.rpm:.0f} rpm" for e in now.engines if e.rpm is not None)
    sog = "no speed" if now.sog_kn is None else f"{now.sog_kn:.1f} kn"
    detector = board.detector
    held = "" if not detector.held_s else f", held {detector.held_s:.0f} s"
    reason = f" ({detector.reason})" if detector.reason else ""
    missing = [f"{_step_name(c.step)} {c.way}" for c in board.grid.cells if c.state in _OPEN] if board.holes else []
    missing += [f"{m.kind} {m.way}".strip() for m in board.manoeuvres if m.state in _OPEN_MANOEUVRE]
    told = f"missing {len(missing)}: {'; '.join(missing)}" if missing else ""
    severity = {"alarm": "red", "warning": "yellow", "notice": "info"}
    alarms = tuple(
        TrialAlarm(severity[a.rank], a.text, a.action, a.id)
        for a in board.alarms
        if not (a.of_recorder or a.acknowledged)
    )
    words = f"{detector.words}{held}{reason}"
    return Guidance(board.made_at, f"{sog}   {speeds}", words, board.advice.sentence, told, alarms)


# ----- Words and small helpers.


def utc_text(t_ns: int) -> str:
    """Return UTC as ISO 8601 with tenths of a second."""
    stamp = datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
    return f"{stamp:%Y-%m-%dT%H:%M:%S}.{t_ns % 1_000_000_000 // 100_000_000}Z"


@dataclass(frozen=True, slots=True)
class PlanChange:
    """A change of the plan made on the day: ``skip``, ``repeat`` or ``first``, why, and when [ns since 1970]."""

    action: str = ""
    reason: str = ""
    t_ns: int = 0


def plan_changes(notes: Sequence[Note]) -> dict[tuple[str, str], PlanChange]:
    """Return the changes of the plan that stand, by step and way ("" for all of a step); the last one counts."""
    found: dict[tuple[str, str], PlanChange] = {}
    for note in standing(notes):
        if note.kind != "plan_change":
            continue
        step, way = _key(note.more.get("step", "")), str(note.more.get("way", "") or "")
        action, reason = str(note.more.get("action", "")), str(note.more.get("reason", "") or "")
        for key in [k for k in found if k[0] == step and (not way or k[1] in (way, ""))]:
            del found[key]
        if action in ("skip", "repeat", "first"):
            found[step, way] = PlanChange(action, clean_text(reason), note.t_ns)
    return found


def _change_of(changes: Mapping[tuple[str, str], PlanChange], cell: BoardCell) -> PlanChange:
    return changes.get((_key(cell.step), cell.way)) or changes.get((_key(cell.step), "")) or PlanChange()


def _key(step: object) -> str:
    """Return a step as notes name it: "2000", "full throttle"."""
    text = str(step).strip().lower().removesuffix("rpm").strip().replace("_", " ")
    try:
        return f"{float(text):g}"
    except ValueError:
        return text


def _steps(config: Config) -> list[Step]:
    """Return the steps of the plan; the last one is full throttle where the plan says so."""
    rpms = planned_steps(config)[0].tolist()
    has_full = config.plan is not None and config.plan.full_throttle
    found: list[Step] = []
    for number, rpm in enumerate(rpms):
        if has_full and number == len(rpms) - 1:
            found.append(Step(FULL_THROTTLE, f"full throttle, {rpm_name(rpm)}", rpm))
        else:
            found.append(Step(int(rpm) if rpm == int(rpm) else rpm, rpm_name(rpm), rpm))
    return found


def _step_name(step: float | str) -> str:
    if step == FULL_THROTTLE:
        return "full throttle"
    return step if isinstance(step, str) else f"{step:g} rpm"


def _degrees(way: str) -> float | None:
    text = way.split(",", maxsplit=1)[0].rstrip("°")
    return float(text) if text.isdigit() else None


def _target_words(advice: Advice) -> str:
    """Return what of an advice makes it another one: not the seconds that count down."""
    return advice.sentence.split(",")[0] if advice.kind == "hold" else advice.sentence


def _share(since_s: float, left_s: float) -> float:
    return min(max(since_s / max(since_s + left_s, 1e-9), 0.0), 1.0)


def _known(values: Any) -> tuple[float | None, ...]:
    return tuple(float(v) if math.isfinite(v) else None for v in values)


def _slope_words(track: Track) -> str:
    """Return "speed still rising 0.6 kn/min", or "" where the speed hardly changes."""
    last = track.sog_kn[-round(_SLOPE_S / track.dt_s) :]
    last = last[np.isfinite(last)]
    if last.size < 10:
        return ""
    per_min = 60.0 * slope_per_s(last, track.dt_s)
    return (
        "" if abs(per_min) < 0.1 else f"speed still {'rising' if per_min > 0 else 'falling'} {abs(per_min):.1f} kn/min"
    )


def _what_moves(track: Track, engine_ids: Sequence[str]) -> str:
    """Return what changes: "rpm port −1.8 %" of the last ten seconds, or "turning"."""
    span = round(10.0 / track.dt_s)
    heading = track.heading_true_deg[-span:]
    heading = heading[np.isfinite(heading)]
    if heading.size > 4:
        turned = abs(float(wrap_deg(np.array([heading[-1] - heading[0]]))[0]))
        if turned / (heading.size * track.dt_s) > _SLOW_DEG_PER_S:
            return "turning"
    largest = ("", 0.0)
    for engine, rpm in zip(engine_ids, track.rpm, strict=False):
        last = rpm[-span:][np.isfinite(rpm[-span:])]
        if last.size > 4 and last[0] > 0:
            change = 100.0 * (float(last[-1]) - float(last[0])) / float(last[0])
            if abs(change) > abs(largest[1]):
                largest = (engine, change)
    if abs(largest[1]) >= 0.5:
        sign = "+" if largest[1] > 0 else "−"
        return f"rpm {largest[0]} {sign}{abs(largest[1]):.1f} %"
    return "rpm or course were changed a moment ago"


def _entries(notes: Sequence[Note]) -> tuple[Entry, ...]:
    """Return the newest entries of people, newest first."""
    found: list[Entry] = []
    for note in reversed(notes):
        if note.kind in _QUIET_KINDS or len(found) >= _ENTRIES:
            continue
        words: list[str] = [str(note.value)] if note.value is not None else []
        words += [note.unit] if note.unit else []
        words += [
            str(v) for k, v in note.more.items() if k in ("text", "action", "step", "way", "reason", "what", "grade")
        ]
        found.append(Entry(utc_text(note.t_ns), note.kind, clean_text(" ".join(words))[:200]))
    return tuple(found)
